//! Whole-system tests: [`fuzz`] takes any bytes, [`faults`] simulates a stand with everything that can go wrong,
//! [`simulated_board`] the firmware on a chip, [`simulated_pull`] single pulls with a known truth, [`simulated_store`] a store of them,
//! [`simulated_test`] whole tests of setups against each other, [`simulated_parts`] of parts, [`virtual_bench`] the whole job in
//! virtual time, [`step_test`] the same on a brake, [`tuning_test`] its loop tuned, [`loss_test`] a brake that loses its load, [`leverarm`](fn@leverarm) is the program itself.

pub mod faults;
pub mod fuzz;
pub mod loss_test;
pub mod simulated_board;
pub mod simulated_parts;
pub mod simulated_pull;
pub mod simulated_store;
pub mod simulated_test;
pub mod step_test;
pub mod tuning_test;
pub mod virtual_bench;

use std::net::TcpListener;
use std::path::{Path, PathBuf};

/// A port at which nobody listens, below those that the system gives to clients: other tests make thousands of these meanwhile.
#[must_use]
pub fn free_port() -> u16 {
    loop {
        let port = fastrand::u16(10_000..32_000);
        if TcpListener::bind(("127.0.0.1", port)).is_ok() {
            return port;
        }
    }
}

/// The program beside a test's own executable: cargo builds it for its own package only.
///
/// # Panics
/// When it is not there.
#[must_use]
pub fn leverarm() -> PathBuf {
    let test = std::env::current_exe().unwrap_or_default();
    let profile = test.parent().and_then(Path::parent);
    let program = profile.unwrap_or(Path::new("")).join("leverarm");
    assert!(
        program.is_file(),
        "{} is not there: build it first with `cargo build -p leverarm` (tests/all does)",
        program.display()
    );
    program
}
