//! Whole-system tests live in `tests/tests/`.
