//! Whole-system tests: [`fuzz`] takes any bytes, [`faults`] simulates a stand with everything that can go wrong,
//! [`simulated_pull`] single pulls with a known truth, [`simulated_store`] a store of them,
//! [`simulated_test`] whole tests of setups against each other, [`virtual_bench`] the whole job in
//! virtual time.

pub mod faults;
pub mod fuzz;
pub mod simulated_pull;
pub mod simulated_store;
pub mod simulated_test;
pub mod virtual_bench;
