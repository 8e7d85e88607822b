//! Whole-system tests live in `tests/tests/`; here is what they share.

pub mod simulated_pull;
