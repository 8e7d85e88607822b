//! When a board tick was, on the host's clocks.

use std::collections::VecDeque;

use leverarm_store::Chunk;

/// Chunks whose arrival is remembered: the one that waited least on its way says best when its
/// ticks were.
pub const CHUNKS_REMEMBERED: usize = 16;

/// Maps the board's ticks of one connection to wall time, chunk by chunk.
///
/// A chunk tells when its first byte arrived and the tick of its first message. The way here takes
/// some milliseconds, more when the host was busy, so that the smallest difference of the last
/// chunks counts; over their few seconds the board's crystal drifts by less than that. The wall
/// clock is followed forward only: were it followed back, two points would get one time, and one
/// would be lost.
#[derive(Debug, Clone, Default)]
pub struct TickClock {
    tick_hz: u32,
    /// Host time minus board time of the last chunks, µs.
    host_ahead_us: VecDeque<i64>,
    /// Wall clock minus the host's monotonic clock, µs.
    wall_ahead_us: Option<i64>,
}

impl TickClock {
    /// For a board of this rate, on a connection during which the wall clock was already seen so
    /// far ahead of the monotonic one.
    pub fn new(tick_hz: u32, wall_ahead_us: Option<i64>) -> Self {
        Self {
            tick_hz,
            host_ahead_us: VecDeque::with_capacity(CHUNKS_REMEMBERED),
            wall_ahead_us,
        }
    }

    /// Takes what a chunk tells, before its ticks are asked for.
    pub fn saw(&mut self, chunk: &Chunk) {
        let mono_us = i64::try_from(chunk.mono_us_first).unwrap_or(i64::MAX);
        let ahead = chunk.wall_us_first.saturating_sub(mono_us);
        self.wall_ahead_us = Some(self.wall_ahead_us.map_or(ahead, |max| max.max(ahead)));
        let Some(tick_us) = chunk.tick_first.and_then(|tick| self.board_us(tick)) else {
            return;
        };
        if self.host_ahead_us.len() == CHUNKS_REMEMBERED {
            self.host_ahead_us.pop_front();
        }
        self.host_ahead_us
            .push_back(mono_us.saturating_sub(tick_us));
    }

    fn board_us(&self, tick: u64) -> Option<i64> {
        let us = (u128::from(tick) * 1_000_000).checked_div(u128::from(self.tick_hz))?;
        i64::try_from(us).ok()
    }

    /// The host's monotonic time of a tick, µs; `None` before anything is known.
    pub fn mono_us(&self, tick: u64) -> Option<i64> {
        let host_ahead_us = self.host_ahead_us.iter().min()?;
        self.board_us(tick)?.checked_add(*host_ahead_us)
    }

    /// The wall time of a tick, microseconds since 1970; `None` before anything is known.
    pub fn wall_us(&self, tick: u64) -> Option<i64> {
        self.mono_us(tick)?.checked_add(self.wall_ahead_us?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leverarm_store::{ChunkId, ConnectionId};

    fn chunk(mono_us: u64, wall_us: i64, tick: Option<u64>) -> Chunk {
        Chunk {
            id: ChunkId::new(1),
            connection: ConnectionId::new(1),
            seq: 0,
            mono_us_first: mono_us,
            mono_us_last: mono_us,
            wall_us_first: wall_us,
            tick_first: tick,
            bytes: Vec::new(),
        }
    }

    #[test]
    fn the_quickest_chunk_tells_when_ticks_were() {
        let mut clock = TickClock::new(2_000_000, None);
        assert_eq!(clock.wall_us(0), None);
        // 500 ticks are 250 µs; the first chunk took 3 ms, the second 1 ms, the third stalled.
        clock.saw(&chunk(3_000, 1_000_003_000, Some(0)));
        assert_eq!(clock.wall_us(500), Some(1_000_003_250));
        clock.saw(&chunk(501_000, 1_000_501_000, Some(1_000_000)));
        clock.saw(&chunk(1_300_000, 1_001_300_000, Some(2_000_000)));
        clock.saw(&chunk(1_400_000, 1_001_400_000, None));
        assert_eq!(clock.wall_us(2_000_000), Some(1_001_001_000));
    }

    #[test]
    fn the_wall_clock_is_followed_forward_and_never_back() {
        let mut clock = TickClock::new(1_000_000, None);
        for (mono, wall) in [(0, 100), (10, 5_010), (20, 30)] {
            clock.saw(&chunk(mono, wall, Some(mono)));
        }
        assert_eq!(clock.wall_us(20), Some(5_020));
        let mut later = TickClock::new(1_000_000, Some(5_000));
        later.saw(&chunk(20, 30, Some(20)));
        assert_eq!(later.wall_us(20), Some(5_020));
    }

    #[test]
    fn a_slow_crystal_is_followed() {
        // 0.5 % slow, half a second a chunk, for an hour.
        let mut clock = TickClock::new(1_000_000, None);
        for n in 0..7200_u64 {
            let mono = n * 500_000;
            clock.saw(&chunk(mono, mono.cast_signed(), Some(n * 497_500)));
            let found = clock.wall_us(n * 497_500).unwrap();
            assert!((mono.cast_signed() - found).abs() <= 40_000, "{n}: {found}");
        }
    }
}
