//! Every way found to an engine that runs on: one named test for each.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod access;
mod cut;
mod keeping;
mod pickups;
mod pickups_wheels;
mod watch;
