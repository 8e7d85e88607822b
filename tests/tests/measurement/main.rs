//! Calibrations, held speeds, slip, load-cell faults and budgets, through the command line: each on
//! recordings whose truth is known.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod bench;
mod board_log;
mod budget;
mod chain;
mod coil;
mod inertia;
mod load_cell;
mod losses;
mod memory;
mod misfires;
#[path = "../../../torque/tests/published/norris.rs"]
mod norris;
mod pulls;
mod ratio;
mod tare;
mod wheel;
