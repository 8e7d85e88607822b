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

use leverarm_protocol::BoardReader;

pub use calibrated::{CalibratedStand, LoadSettings};
pub use sensors::{Sample, Sensors};
pub use speeds::Speeds;
pub use value::{Lost, Value};

/// No board said who it is, so that nobody knows how long its ticks are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NoHello;

impl std::fmt::Display for NoHello {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(
            "no hello frame, so the tick rate is unknown; record from the start of the connection",
        )
    }
}

impl std::error::Error for NoHello {}

/// Ticks per second of the first board in a byte log; its hello may come after the first samples.
///
/// # Errors
/// When there is no hello.
pub fn tick_hz_of_log(bytes: &[u8]) -> Result<u32, NoHello> {
    let mut reader = BoardReader::new();
    bytes
        .chunks(4096)
        .find_map(|piece| {
            reader.feed(0, piece, &mut |_| {});
            reader.tick_hz()
        })
        .ok_or(NoHello)
}
