//! The load of a brake stand: what absorbers do, the loop that commands one, and how that is tuned.
//!
//! Pure: no clock, no port. [`controller`] is the peer of `hardware-notes/firmware/load.c`, number by
//! number; a test runs both on the same inputs.

pub mod absorber;
pub mod controller;
pub mod identify;
pub mod reach;
pub mod settings;
pub mod tuning;
