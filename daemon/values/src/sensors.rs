//! Force, channels and flow pulses: each sample as it comes.

use std::sync::Arc;

use leverarm_config::{ChannelId, Signal, Source};
use leverarm_protocol::{BoardMessage, TEMPERATURE_UNREADABLE};
use leverarm_torque::sensor::PULSE_PERIOD_S_PER_COUNT;

use super::CalibratedStand;
use super::value::Value;

/// A sample that came.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Load cell or channel; a speed where it comes from [`Speeds`](super::Speeds).
    pub signal: Signal,
    /// When, on the board.
    pub tick: u64,
    /// The board's counts; none for a speed, and where the board reports the sensor as broken.
    pub counts: Option<i32>,
    /// What they mean, in SI.
    pub value: Value,
}

/// The sensors of a stand on one connection to its board.
#[derive(Debug, Clone)]
pub struct Sensors {
    of: Arc<CalibratedStand>,
    tick_hz: f64,
    /// Newest value of each channel.
    latest: Vec<Value>,
    /// Inputs that count a flow meter's pulses, each with the tick of its last.
    pulses: Vec<(u8, Option<u64>)>,
}

impl Sensors {
    /// Nothing heard yet, from a board with so many ticks a second.
    #[must_use]
    pub fn new(of: Arc<CalibratedStand>, tick_hz: f64) -> Self {
        let channels = &of.stand().channels;
        let inputs = channels.iter().filter_map(|channel| match channel.source {
            Source::Pulses(number) => Some((number, None)),
            Source::Analog(_) | Source::Temperature(_) => None,
        });
        Self {
            latest: vec![Value::Unknown; channels.len()],
            pulses: inputs.collect(),
            of,
            tick_hz,
        }
    }

    /// The stand as it is measured.
    #[must_use]
    pub fn stand(&self) -> &Arc<CalibratedStand> {
        &self.of
    }

    /// Other calibrations of the same stand are in force from now on.
    pub fn calibrated(&mut self, of: Arc<CalibratedStand>) {
        self.of = of;
    }

    /// Ticks per second of the board; 0 before that is known.
    #[must_use]
    pub fn tick_hz(&self) -> f64 {
        self.tick_hz
    }

    /// Whether an input counts pulses rather than teeth.
    #[must_use]
    pub fn counts_pulses(&self, pickup: u8) -> bool {
        self.pulses.iter().any(|(number, _)| *number == pickup)
    }

    /// Takes a message that came at this tick, and gives each sample in it to `sink`, in order.
    pub fn take(&mut self, tick: u64, message: &BoardMessage<'_>, sink: &mut impl FnMut(Sample)) {
        match message {
            BoardMessage::Force { channel, counts } => self.force(tick, *channel, *counts, sink),
            BoardMessage::Analog(scan) => {
                for (offset, counts) in (0_u8..).zip(scan.counts()) {
                    let source = Source::Analog(scan.first_channel.saturating_add(offset));
                    self.sample(tick, source, Some(i32::from(counts)), sink);
                }
            }
            BoardMessage::Temperature { channel, counts } => {
                let counts = (*counts != TEMPERATURE_UNREADABLE).then_some(*counts);
                self.sample(tick, Source::Temperature(*channel), counts, sink);
            }
            BoardMessage::Teeth(teeth) if self.counts_pulses(teeth.pickup) => {
                for tick in teeth.ticks(tick) {
                    if let Some(counts) = self.pulse(teeth.pickup, tick) {
                        self.sample(tick, Source::Pulses(teeth.pickup), Some(counts), sink);
                    }
                }
            }
            BoardMessage::Teeth(_)
            | BoardMessage::Hello(_)
            | BoardMessage::Status(_)
            | BoardMessage::Cut { .. }
            | BoardMessage::Load(_) => {}
        }
    }

    fn force(&self, tick: u64, channel: u8, counts: i32, sink: &mut impl FnMut(Sample)) {
        if self.of.cell_channel() != Some(channel) {
            return;
        }
        if let Some(cell) = self.of.cell() {
            sink(Sample {
                signal: Signal::LoadCell,
                tick,
                counts: Some(counts),
                value: Value::Good(cell.force_at_n(f64::from(counts))),
            });
        }
    }

    /// A sample of every channel that has this source.
    fn sample(
        &mut self,
        tick: u64,
        source: Source,
        counts: Option<i32>,
        sink: &mut impl FnMut(Sample),
    ) {
        for (index, channel) in self.of.stand().channels.iter().enumerate() {
            if channel.source != source {
                continue;
            }
            let latest = |id: ChannelId| self.latest.get(id.0).cloned().unwrap_or_default();
            let value = self.of.channel_value(channel, counts, latest);
            if let Some(slot) = self.latest.get_mut(index) {
                slot.clone_from(&value);
            }
            sink(Sample {
                signal: Signal::Channel(ChannelId(index)),
                tick,
                counts,
                value,
            });
        }
    }

    /// Counts of a pulse source, once there were two pulses. One that came late says nothing.
    fn pulse(&mut self, pickup: u8, tick: u64) -> Option<i32> {
        let mut pulses = self.pulses.iter_mut();
        let (_, last) = pulses.find(|(number, _)| *number == pickup)?;
        if last.is_some_and(|last| tick <= last) {
            return None;
        }
        period_counts(last.replace(tick)?, tick, self.tick_hz)
    }
}

/// Counts of a pulse source: the time from one edge to the next. None when they are so far apart
/// that nothing flows.
fn period_counts(from_tick: u64, to_tick: u64, tick_hz: f64) -> Option<i32> {
    let ticks = to_tick.checked_sub(from_tick).filter(|ticks| *ticks > 0)?;
    let counts = ticks as f64 / tick_hz / PULSE_PERIOD_S_PER_COUNT;
    let fits = counts >= 1.0 && counts < f64::from(i32::MAX);
    #[expect(clippy::cast_possible_truncation, reason = "within i32")]
    fits.then(|| counts.round() as i32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_period_is_counted_in_tenths_of_microseconds() {
        assert_eq!(period_counts(1_000, 3_000, 2e6), Some(10_000));
        for (from, to) in [(5, 5), (6, 5), (0, 2_000_000_000_000)] {
            assert_eq!(period_counts(from, to, 2e6), None);
        }
    }
}
