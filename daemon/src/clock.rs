//! The only place that reads a clock.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use leverarm_live::Now;

/// A pair of clocks with a common start.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    start: Instant,
}

impl Clock {
    /// A clock whose monotonic zero is now.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock module")]
    pub fn start() -> Self {
        Self {
            start: Instant::now(),
        }
    }

    /// Both clocks, read now. A wall clock before 1970 reads as 1970.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the clock module")]
    pub fn now(&self) -> Now {
        let wall = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .unwrap_or(Duration::ZERO);
        Now::new(
            u64::try_from(self.start.elapsed().as_micros()).unwrap_or(u64::MAX),
            i64::try_from(wall.as_micros()).unwrap_or(i64::MAX),
        )
    }
}
