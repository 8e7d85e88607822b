//! Stored bytes to values: the same decoder and the same sensors as live, run again.

mod clock;
mod recording;
mod samples;
mod stands;

pub(crate) use clock::{CHUNKS_REMEMBERED, TickClock};
pub use recording::{Counts, Recording};
pub(crate) use samples::{Samples, Seen, Series, WallSample, series};
pub(crate) use stands::KeptStands;
