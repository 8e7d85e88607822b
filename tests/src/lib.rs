//! Whole-system tests: [`fuzz`] takes any bytes, [`faults`] simulates a stand with everything that can go wrong,
//! [`simulated_board`] the firmware on a chip, [`simulated_pull`] single pulls with a known truth, [`simulated_store`] a store of them,
//! [`simulated_test`] whole tests of setups against each other, [`simulated_parts`] of parts, [`virtual_bench`] the whole job in
//! virtual time, [`step_test`] the same on a brake, [`tuning_test`] its loop tuned, [`loss_test`] a brake that loses its load, [`leverarm`](fn@leverarm) is the program itself, [`ran`] what it says.

pub mod faults;
pub mod fuzz;
pub mod loss_test;
pub mod ran;
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
use std::process::ExitCode;

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

/// The whole part of a number; 0 below it.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "float `as` saturates"
)]
#[must_use]
pub const fn whole(number: f64) -> u64 {
    number as u64
}

/// Gives a note on how it went, and stops where it went wrong.
pub type Scenario<A> = fn(&A) -> String;

/// Runs the scenarios in whose names one of the words wanted is, all without such; what each gives is a note on it.
#[expect(clippy::print_stdout, reason = "for the programs that run them")]
#[must_use]
pub fn run_scenarios<A: std::panic::RefUnwindSafe>(
    scenarios: &[(&str, Scenario<A>)],
    wanted: &[String],
    arguments: &A,
) -> ExitCode {
    let (mut passed, mut failed) = (0, 0);
    for (name, scenario) in scenarios {
        let name = name.replace('_', " ");
        if !wanted.is_empty() && !wanted.iter().any(|it| name.contains(it.as_str())) {
            continue;
        }
        // A failed assertion is printed by the panic itself.
        match std::panic::catch_unwind(|| scenario(arguments)) {
            Ok(note) if note.is_empty() => println!("ok      {name}"),
            Ok(note) => println!("ok      {name}: {note}"),
            Err(_) => {
                failed += 1;
                println!("FAILED  {name}");
                continue;
            }
        }
        passed += 1;
    }
    println!("{passed} passed, {failed} failed");
    ExitCode::from(u8::from(failed != 0 || passed == 0))
}

/// Functions with their names, for [`run_scenarios`].
#[macro_export]
macro_rules! scenarios {
    ($($name:ident,)+) => { &[$((stringify!($name), $name),)+] };
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
