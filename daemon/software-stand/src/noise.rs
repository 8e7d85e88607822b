//! Seeded chance.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Exp1, StandardNormal, StandardUniform};

/// Who draws. Each has its own stream of the stand's seed, so that switching one source of noise
/// on or off leaves the draws of all others as they were.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stream {
    /// Positions of a pickup's teeth.
    ToothPositions(u8),
    /// Edges of a pickup.
    Edges(u8),
    /// Interference on a pickup.
    Interference(u8),
    /// Readings of a force channel.
    Force(u8),
    /// Readings of the analog scan.
    Analog,
    /// Readings of a temperature channel.
    Temperature(u8),
    /// Torque of each pull.
    Pulls,
    /// The person.
    Rider,
    /// Work of the engine's cycles.
    Cycles,
    /// Sparks on a pickup's cable.
    Sparks(u8),
    /// A brake stand as a whole.
    Brakes,
    /// Readings of the throttle for the load's loop.
    Throttle,
}

impl Stream {
    fn number(self) -> u64 {
        let (source, index) = match self {
            Self::ToothPositions(index) => (1, index),
            Self::Edges(index) => (2, index),
            Self::Interference(index) => (3, index),
            Self::Force(index) => (4, index),
            Self::Analog => (5, 0),
            Self::Temperature(index) => (6, index),
            Self::Pulls => (7, 0),
            Self::Rider => (8, 0),
            Self::Cycles => (9, 0),
            Self::Sparks(index) => (10, index),
            Self::Brakes => (11, 0),
            Self::Throttle => (12, 0),
        };
        source << 8 | u64::from(index)
    }
}

/// One stream of seeded draws: ChaCha with 8 rounds, whose output is specified, so the same on
/// every machine.
#[derive(Clone, Debug)]
pub(super) struct Noise {
    generator: ChaCha8Rng,
}

impl Noise {
    pub(super) fn new(seed: u64, stream: Stream) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(stream.number());
        Self { generator }
    }

    /// A draw of the normal distribution with this standard deviation.
    pub(super) fn normal(&mut self, rms: f64) -> f64 {
        let draw: f64 = StandardNormal.sample(&mut self.generator);
        rms * draw
    }

    /// A draw of the exponential distribution with this mean.
    pub(super) fn exponential(&mut self, mean: f64) -> f64 {
        let draw: f64 = Exp1.sample(&mut self.generator);
        mean * draw
    }

    /// A draw between 0 and 1, all alike.
    pub(super) fn uniform(&mut self) -> f64 {
        StandardUniform.sample(&mut self.generator)
    }

    /// Whether something of this probability happens.
    pub(super) fn happens(&mut self, probability: f64) -> bool {
        self.uniform() < probability
    }
}
