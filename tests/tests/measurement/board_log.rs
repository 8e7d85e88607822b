//! What a board would have sent of a drum whose motion is known.

use std::f64::consts::TAU;

use leverarm_protocol::{BoardMessage, Channel, ChannelKind, FrameWriter, Hello, TeethBatch};
use leverarm_tests::simulated_pull::normal;
use leverarm_tests::whole;

pub(crate) const TICK_HZ: u32 = 2_000_000;
/// Jitter of an edge, s rms.
const JITTER_S: f64 = 2e-6;
/// Step of the integration, s.
const STEP_S: f64 = 2e-5;
/// Load-cell samples a second.
const FORCE_HZ: f64 = 80.0;

/// A drum, what moves it, and what is on it.
pub(crate) struct Story<'a> {
    pub(crate) seed: u64,
    pub(crate) until_s: f64,
    /// Speed of the drum at the start, rad/s.
    pub(crate) omega: f64,
    /// Acceleration of the drum over time and speed, rad/s².
    pub(crate) alpha: &'a dyn Fn(f64, f64) -> f64,
    /// Teeth of the drum's wheel.
    pub(crate) teeth: u32,
    /// Each tooth's position error, share of a pitch; none: perfect.
    pub(crate) errors: Vec<f64>,
    /// Engine turns per drum turn over time, where a pickup counts them; not positive: clutch pulled.
    pub(crate) ratio: Option<&'a dyn Fn(f64) -> f64>,
    /// Load-cell counts over time and speed.
    pub(crate) counts: Option<&'a dyn Fn(f64, f64) -> f64>,
    /// Noise of a sample, counts rms.
    pub(crate) noise_counts: f64,
}

impl Default for Story<'_> {
    fn default() -> Self {
        Self {
            seed: 1,
            until_s: 10.0,
            omega: 0.0,
            alpha: &|_, _| 0.0,
            teeth: 8,
            errors: Vec::new(),
            ratio: None,
            counts: None,
            noise_counts: 20.0,
        }
    }
}

/// Edges and samples in ticks.
#[derive(Debug, Clone, Default)]
pub(crate) struct BoardLog {
    drum: Vec<u64>,
    engine: Vec<u64>,
    force: Vec<(u64, i32)>,
}

/// Frames of one second.
pub(crate) struct Second {
    pub(crate) tick_first: Option<u64>,
    pub(crate) bytes: Vec<u8>,
}

fn tick(time_s: f64) -> u64 {
    whole((time_s + 0.5) * f64::from(TICK_HZ))
}

impl Story<'_> {
    pub(crate) fn tell(&self) -> BoardLog {
        let mut rng = fastrand::Rng::with_seed(self.seed);
        let pitch = TAU / f64::from(self.teeth);
        let mut log = BoardLog::default();
        let (mut theta, mut omega, mut crank) = (0.0, self.omega, 0.0);
        let (mut next, mut next_turn, mut due_s) = (0_usize, 0.3 * TAU, 0.0);
        let mut t = 0.0;
        while t < self.until_s {
            let alpha = (self.alpha)(t, omega);
            let moved = theta + (omega + 0.5 * alpha * STEP_S) * STEP_S;
            loop {
                let error = self
                    .errors
                    .get(next % self.teeth as usize)
                    .copied()
                    .unwrap_or(0.0);
                let target = pitch * (next as f64 + 0.5 + error);
                if moved < target {
                    break;
                }
                let at = t + STEP_S * (target - theta) / (moved - theta);
                log.drum.push(tick(at + JITTER_S * normal(&mut rng)));
                next += 1;
            }
            let ratio = self.ratio.map_or(0.0, |ratio| ratio(t));
            let turned = crank + ratio * (moved - theta);
            if turned >= next_turn {
                let at = t + STEP_S * (next_turn - crank) / (turned - crank);
                log.engine.push(tick(at + JITTER_S * normal(&mut rng)));
                next_turn += TAU;
            }
            if let Some(counts) = self.counts
                && t >= due_s
            {
                let value = counts(t, omega) + self.noise_counts * normal(&mut rng);
                #[expect(clippy::cast_possible_truncation, reason = "some thousand counts")]
                log.force.push((tick(t), value.round() as i32));
                due_s += 1.0 / FORCE_HZ;
            }
            theta = moved;
            crank = turned;
            omega = (omega + alpha * STEP_S).max(0.0);
            t += STEP_S;
        }
        log
    }
}

impl BoardLog {
    /// The load cell's samples, to be spoilt.
    pub(crate) fn force_mut(&mut self) -> &mut [(u64, i32)] {
        &mut self.force
    }

    pub(crate) fn hello(&self) -> Vec<u8> {
        let channel = |kind, number, rate_hz| Channel::new(kind, number, rate_hz).to_bytes();
        let channels = [
            channel(ChannelKind::Teeth, 0, 0),
            channel(ChannelKind::Teeth, 1, 0),
            channel(ChannelKind::Force, 0, 80),
        ];
        let hello = Hello {
            board_id: 1,
            boot: 1,
            firmware: [1, 0, 0],
            tick_hz: TICK_HZ,
            channels: &channels,
        };
        FrameWriter::new()
            .write(0, &BoardMessage::Hello(hello))
            .unwrap()
            .to_vec()
    }

    /// The frames in order of time, second by second; the first holds the hello.
    pub(crate) fn seconds(&self) -> Vec<Second> {
        let mut writer = FrameWriter::new();
        let hello = self.hello();
        // The hello took the first number.
        let first = BoardMessage::Force {
            channel: 0,
            counts: 0,
        };
        writer.write(0, &first).unwrap();
        let mut batches = [TeethBatch::new(0), TeethBatch::new(1)];
        let last = [
            self.drum.last(),
            self.engine.last(),
            self.force.last().map(|f| &f.0),
        ];
        let last = last.into_iter().flatten().max().copied().unwrap_or(0);
        let (mut drum, mut engine, mut force) = (0, 0, 0);
        let mut seconds = Vec::new();
        let mut end = 0;
        while end <= last {
            let start = end;
            end += u64::from(TICK_HZ);
            let mut second = Second {
                tick_first: None,
                bytes: Vec::new(),
            };
            if start == 0 {
                second.bytes.extend_from_slice(&hello);
            }
            let mut flush = |batch: &mut TeethBatch, second: &mut Second| {
                if let Some((tick, message)) = batch.message() {
                    second.tick_first = second.tick_first.or(batch.first_tick());
                    second
                        .bytes
                        .extend_from_slice(writer.write(tick, &message).unwrap());
                }
                batch.clear();
            };
            for (batch, (edges, at)) in batches
                .iter_mut()
                .zip([(&self.drum, &mut drum), (&self.engine, &mut engine)])
            {
                while let Some(edge) = edges.get(*at).filter(|edge| **edge < end) {
                    if !batch.push(*edge) {
                        flush(batch, &mut second);
                        assert!(batch.push(*edge));
                    }
                    *at += 1;
                }
                flush(batch, &mut second);
            }
            while let Some((tick, counts)) = self.force.get(force).filter(|f| f.0 < end) {
                second.tick_first = second.tick_first.or(Some(*tick));
                let message = BoardMessage::Force {
                    channel: 0,
                    counts: *counts,
                };
                let low = u32::try_from(*tick & u64::from(u32::MAX)).unwrap();
                second
                    .bytes
                    .extend_from_slice(writer.write(low, &message).unwrap());
                force += 1;
            }
            seconds.push(second);
        }
        seconds
    }

    /// All of it.
    pub(crate) fn bytes(&self) -> Vec<u8> {
        self.seconds().into_iter().flat_map(|s| s.bytes).collect()
    }
}
