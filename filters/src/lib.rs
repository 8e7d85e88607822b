//! Signals in time: which tooth is which, how fast the wheel turns and accelerates, and the filters
//! for live values. Pure computation: no clock, no port, no file.
//!
//! - [`teeth`]: edges to numbered teeth, streaming and for a recorded stretch.
//! - [`speed_fit`]: speed and acceleration over a whole pull, near the limit of the timing.
//! - [`causal`]: the same as the wheel turns, for the live curve.

mod bspline;
pub mod causal;
mod convert;
mod envelope;
pub mod firing;
pub mod full_throttle;
pub mod live;
pub mod speed_fit;
pub mod teeth;
