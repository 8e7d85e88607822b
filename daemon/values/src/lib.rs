//! From decoded messages to values in SI: the one place where counts get their meaning, live and
//! replayed.
//!
//! A [`CalibratedStand`] says what counts mean, [`Sensors`] turns each message of the board into
//! [`Sample`]s, and [`Speeds`] turns teeth into whole-turn speeds. Guards, live page, stream,
//! evidence, export, board check and reduction take their values from here.

mod calibrated;
pub mod calibration;
pub mod model;
mod sensors;
mod speeds;
mod value;

pub use calibrated::CalibratedStand;
pub use sensors::{Sample, Sensors};
pub use speeds::Speeds;
pub use value::{Lost, Value};
