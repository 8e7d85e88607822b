//! Stored bytes to values: the same decoder and the same sensors as live, run again.

mod byte_log;
mod clock;
mod recording;
mod samples;

pub(crate) use byte_log::kept_hello;
pub use byte_log::{byte_log, is_simulated};
pub use clock::{CHUNKS_REMEMBERED, TickClock};
pub use recording::{Counts, Recording};
pub use samples::{Samples, Seen, Series, WallSample, series};
