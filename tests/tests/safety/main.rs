//! Every way found to an engine that runs on: one named test for each.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod access;
mod cut;
#[path = "../e2e/harness.rs"]
#[expect(dead_code, reason = "each test program uses its part of it")]
mod harness;
mod keeping;
mod pickups;
mod pickups_wheels;
mod quiet;
mod watch;
