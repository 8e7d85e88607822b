//! The stand file: one TOML text in, one checked [`Stand`] in SI out, or every mistake at once.
//!
//! No clock and no files here: whoever calls reads the file.

pub mod display;
mod keys;
mod mistake;
mod read;
mod reader;
mod stand;
pub mod units;

pub use keys::KEYS;
pub use mistake::{ConfigErrors, Mistake};
pub use read::parse;
pub use stand::*;
