//! Whole-system tests: [`faults`] simulates a stand with everything that can go wrong.

pub mod faults;
