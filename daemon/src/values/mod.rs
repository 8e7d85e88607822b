//! From decoded messages to values in SI: the one place where counts get their meaning, live and
//! replayed.
//!
//! A [`CalibratedStand`] says what counts mean, [`Sensors`] turns each message of the board into
//! [`Sample`]s, and [`Speeds`] turns teeth into whole-turn speeds. Guards, live page, stream,
//! evidence, export, board check and reduction take their values from here.

mod calibrated;
mod sensors;
mod speeds;

pub use calibrated::CalibratedStand;
pub use sensors::{Lost, Sample, Sensors, Value};
pub use speeds::Speeds;
