//! x
#![allow(missing_docs)]
pub mod display;
pub mod units;
