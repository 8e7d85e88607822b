//! Whether an input still sends. How long its samples may stay away follows from the rate that the
//! board states for it.

/// So many periods may pass without a sample.
const PERIODS_MAX: u64 = 3;
/// Beyond that a sample waits on the board for up to 100 ms (protocol, section 8), and then for the
/// line.
const UNDER_WAY_US: u64 = 200_000;
/// An input that the board does not list gets so long: its hello may be wrong.
const UNLISTED_US: u64 = 3_000_000;

/// When an input was heard last, and how long it may be silent.
#[derive(Debug, Default)]
pub(super) struct Presence {
    since_us: u64,
    /// `None` while no board is known, and where samples come as events occur.
    patience_us: Option<u64>,
}

impl Presence {
    /// The board said at what rate it sends this input, 0 for one that comes as events occur, or did
    /// not list it. Silence counts from here.
    pub(super) fn stated(&mut self, rate_hz: Option<u16>, mono_us: u64) {
        self.since_us = mono_us;
        self.patience_us = match rate_hz {
            None => Some(UNLISTED_US),
            Some(0) => None,
            Some(rate) => Some(PERIODS_MAX * 1_000_000 / u64::from(rate) + UNDER_WAY_US),
        };
    }

    /// A sample came.
    pub(super) fn seen(&mut self, mono_us: u64) {
        self.since_us = mono_us;
    }

    /// Since when there has been no sample, µs before the board was heard last, if that is too long.
    /// A board that is not heard itself says nothing of its inputs.
    pub(super) fn silent_us(&self, board_heard_us: u64) -> Option<u64> {
        let silent_us = board_heard_us.saturating_sub(self.since_us);
        self.patience_us
            .filter(|patience_us| silent_us > *patience_us)
            .map(|_| silent_us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patience_follows_the_rate() {
        // Rate, longest silence that is none, shortest that is one.
        for (rate, fine_us, long_us) in [
            (Some(1), 3_200_000, 3_200_001),
            (Some(10), 500_000, 500_001),
            (Some(80), 237_500, 237_501),
            (None, 3_000_000, 3_000_001),
        ] {
            let mut presence = Presence::default();
            assert_eq!(presence.silent_us(u64::MAX), None, "no board yet");
            presence.stated(rate, 1_000);
            assert_eq!(presence.silent_us(1_000 + fine_us), None);
            assert_eq!(presence.silent_us(1_000 + long_us), Some(long_us));
            presence.seen(2_000);
            assert_eq!(presence.silent_us(2_000 + fine_us), None);
        }
        let mut presence = Presence::default();
        presence.stated(Some(0), 0);
        assert_eq!(presence.silent_us(u64::MAX), None, "comes as events occur");
    }
}
