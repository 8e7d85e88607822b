//! The stand file: one TOML text in, one checked [`Stand`] in SI out, or every mistake at once.
//!
//! No clock and no files here: whoever calls reads the file.

pub mod display;
mod stand;
pub mod units;

pub use stand::*;
