//! The daemon as a process, on a pseudo-terminal, with boards that behave and boards that do not.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod bad_input;
mod board;
mod breaks;
mod guards;
mod harness;
mod logs;
mod simulated;
mod whole_job;
