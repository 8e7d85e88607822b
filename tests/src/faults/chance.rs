//! Seeded chance: the same draws on every machine.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// One stream of draws. Each part of a simulation has its own, so that a change in one leaves the
/// others as they were.
#[derive(Clone, Debug)]
pub(super) struct Chance {
    generator: ChaCha8Rng,
}

/// Who draws.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stream {
    Plan = 1,
    Down,
    Up,
    Host,
    Person,
    Server,
    ServerPlan,
    Hazards,
}

impl Chance {
    pub(super) fn new(seed: u64, stream: Stream) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream as u64);
        Self { generator }
    }

    /// A whole number below `end`, 0 if that is 0.
    pub(super) fn below(&mut self, end: u64) -> u64 {
        self.generator.next_u64().checked_rem(end).unwrap_or(0)
    }

    /// A whole number from `low` up to, not including, `high`.
    pub(super) fn whole(&mut self, low: u64, high: u64) -> u64 {
        low + self.below(high.saturating_sub(low))
    }

    /// Between two bounds, evenly.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        let share = (self.generator.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        low + share * (high - low)
    }

    /// Whether something of this probability happens.
    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.between(0.0, 1.0) < probability
    }

    pub(super) fn one_of<T: Copy, const N: usize>(&mut self, of: [T; N]) -> T {
        let place = usize::try_from(self.below(N as u64)).unwrap_or(0);
        of[place]
    }

    pub(super) fn byte(&mut self) -> u8 {
        self.generator.next_u32().to_le_bytes()[0]
    }
}
