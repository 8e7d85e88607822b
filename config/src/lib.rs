#![doc = include_str!("../README.md")]

pub mod bounds;
pub mod check;
pub mod display;
mod keys;
mod load;
mod mistake;
mod quantity;
mod read;
mod reader;
mod rule;
mod stand;
pub mod units;

pub use keys::KEYS;
pub use load::NoLoad;
pub use mistake::{ConfigErrors, Mistake};
pub use read::parse;
pub use stand::*;

/// Version of the stand file's form that this program reads, and all before it.
pub const VERSION: u32 = 1;

/// The demonstration stand, commented: a starting point for one's own.
pub const EXAMPLE_STAND: &str = include_str!("../stand.example.toml");
/// A brake stand, commented.
pub const EXAMPLE_BRAKE: &str = include_str!("../brake.example.toml");
