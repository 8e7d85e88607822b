//! Whole-system tests: [`faults`] simulates a stand with everything that can go wrong,
//! [`simulated_test`] whole tests of setups against each other.

pub mod faults;
pub mod simulated_test;
