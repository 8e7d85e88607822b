//! Whole-system tests live in `tests/tests/`.

pub mod simulated_test;
