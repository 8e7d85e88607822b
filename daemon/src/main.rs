//! Command line of the daemon.

use std::process::ExitCode;

fn main() -> ExitCode {
    leverarm::commands::run(std::env::args_os())
}
