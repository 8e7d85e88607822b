//! A recorded stretch of bytes, all of its samples in memory.

use std::ops::RangeInclusive;
use std::sync::Arc;

use leverarm_config::{Channel, ChannelId, Signal, Source};
use leverarm_filters::teeth::Edge;
use leverarm_protocol::{
    BoardMessage, BoardReader, LinkFault, LoadStatus, Reading, TEMPERATURE_UNREADABLE,
};
use leverarm_torque::uncertainty::Measured;

use leverarm_store::{Chunk, ChunkGap};
use leverarm_values::{CalibratedStand, NoHello, Sample, Sensors, tick_hz_of_log};

/// Tick and counts of each sample; no counts where the board reported the sensor as broken.
pub type Counts = Vec<(u64, Option<i32>)>;

/// Samples decoded from a byte log. Ticks are those of the live run where the log says them, else
/// count from an arbitrary zero.
#[derive(Debug, Clone, Default)]
pub struct Recording {
    /// Ticks per second; 0 where no hello was seen and none given.
    pub tick_hz: f64,
    /// Edges by pickup number, in order.
    pub edges: Vec<(u8, Vec<Edge>)>,
    /// Force samples by channel, in order.
    pub forces: Vec<(u8, Vec<(u64, i32)>)>,
    /// Counts of analog and temperature inputs, in order.
    pub samples: Vec<(Source, Counts)>,
    /// What the board told of its load, in order, each with whether it did so because the host had told it something about the
    /// load: one that does not follow a status.
    pub loads: Vec<(u64, LoadStatus, bool)>,
    /// A status came, and what follows it of the load has not.
    awaits_load: bool,
    /// What they mean, where the stand is known: load cell and channels, in order.
    values: Vec<(Signal, Vec<Sample>)>,
    sensors: Option<Sensors>,
    /// What was wrong with the bytes.
    pub faults: Vec<LinkFault>,
    /// Chunks that were lacking or damaged, in words.
    pub gaps: Vec<String>,
    /// It is of a stored pull, of a board that says that it is simulated.
    pub is_simulated: bool,
}

/// Faults kept; a log of garbage has no end of them.
const FAULTS_MAX: usize = 1000;

impl Recording {
    /// Decodes a plain byte log, as written by any recorder of the port.
    ///
    /// # Errors
    /// When it holds no hello.
    pub fn of_bytes(bytes: &[u8], stand: Option<&Arc<CalibratedStand>>) -> Result<Self, NoHello> {
        let mut recording = Self::new(tick_hz_of_log(bytes)?, stand);
        let mut reader = BoardReader::new();
        reader.feed(0, bytes, &mut |reading| recording.take(&reading, 0));
        Ok(recording)
    }

    /// Nothing yet, from a board with so many ticks a second. Without a stand there are counts, and no
    /// values.
    pub(crate) fn new(tick_hz: u32, stand: Option<&Arc<CalibratedStand>>) -> Self {
        let tick_hz = f64::from(tick_hz);
        Self {
            tick_hz,
            sensors: stand.map(|stand| Sensors::new(Arc::clone(stand), tick_hz)),
            ..Self::default()
        }
    }

    /// Decodes stored chunks of one connection, in order.
    #[must_use]
    pub fn of_chunks(
        chunks: &[Result<Chunk, ChunkGap>],
        tick_hz: u32,
        stand: Option<&Arc<CalibratedStand>>,
    ) -> Self {
        let mut recording = Self::new(tick_hz, stand);
        let mut reader = BoardReader::new();
        // Live ticks began with the connection; the reader's begin here. One chunk's first tick
        // gives the difference.
        let mut shift: Option<i64> = None;
        for chunk in chunks {
            let chunk = match chunk {
                Ok(chunk) => chunk,
                Err(gap) => {
                    recording.gaps.push(gap.to_string());
                    continue;
                }
            };
            let mut first = chunk.tick_first;
            reader.feed(chunk.mono_us_last, &chunk.bytes, &mut |reading| {
                if let (Reading::Message { tick, .. }, Some(live)) = (&reading, first.take()) {
                    shift.get_or_insert(live.wrapping_sub(*tick).cast_signed());
                }
                recording.take(&reading, shift.unwrap_or(0));
            });
        }
        recording
    }

    pub(crate) fn take(&mut self, reading: &Reading<'_>, shift: i64) {
        let (tick, message) = match reading {
            Reading::Message { tick, message, .. } => (tick.wrapping_add_signed(shift), message),
            Reading::Fault(fault) => {
                if self.faults.len() < FAULTS_MAX {
                    self.faults.push(*fault);
                }
                return;
            }
        };
        if let Some(sensors) = &mut self.sensors {
            let values = &mut self.values;
            sensors.take(tick, message, &mut |sample| {
                let samples = entry(values, sample.signal);
                let at = samples.partition_point(|before| before.tick <= sample.tick);
                samples.insert(at, sample);
            });
        }
        match message {
            BoardMessage::Teeth(teeth) => {
                let edges = entry(&mut self.edges, teeth.pickup);
                for (offset, tick) in (0_u64..).zip(teeth.ticks(tick)) {
                    let number = number_after(edges.last(), teeth.first_tooth).wrapping_add(offset);
                    let newest = edges.last().is_none_or(|last| tick > last.tick);
                    // A frame that came late, or twice under another number, is put in its place.
                    if newest {
                        edges.push(Edge {
                            tick,
                            number: number_of(edges.last(), number, offset),
                        });
                    } else if let Err(at) = edges.binary_search_by_key(&tick, |edge| edge.tick) {
                        edges.insert(at, Edge { tick, number });
                    }
                }
            }
            BoardMessage::Force { channel, counts } => {
                push_in_order(entry(&mut self.forces, *channel), tick, *counts);
            }
            BoardMessage::Analog(scan) => {
                for (offset, counts) in (0_u8..).zip(scan.counts()) {
                    let source = Source::Analog(scan.first_channel.saturating_add(offset));
                    push_in_order(
                        entry(&mut self.samples, source),
                        tick,
                        Some(i32::from(counts)),
                    );
                }
            }
            BoardMessage::Temperature { channel, counts } => {
                let counts = (*counts != TEMPERATURE_UNREADABLE).then_some(*counts);
                push_in_order(
                    entry(&mut self.samples, Source::Temperature(*channel)),
                    tick,
                    counts,
                );
            }
            BoardMessage::Load(status) => {
                let was_asked = !std::mem::take(&mut self.awaits_load);
                self.loads.push((tick, *status, was_asked));
            }
            BoardMessage::Status(_) => self.awaits_load = true,
            BoardMessage::Hello(_) | BoardMessage::Cut { .. } => {}
        }
    }

    /// Edges of a pickup, all of them.
    #[must_use]
    pub fn edges_of(&self, pickup: u8) -> &[Edge] {
        self.edges
            .iter()
            .find(|(p, _)| *p == pickup)
            .map_or(&[], |(_, e)| e)
    }

    /// Edges of a pickup within a range of ticks.
    #[must_use]
    pub fn edges_within(&self, pickup: u8, ticks: RangeInclusive<u64>) -> &[Edge] {
        let edges = self.edges_of(pickup);
        let from = edges.partition_point(|e| e.tick < *ticks.start());
        let to = edges.partition_point(|e| e.tick <= *ticks.end());
        &edges[from..to]
    }

    /// The newest tick of anything in it; 0 when it is empty.
    #[must_use]
    pub fn newest_tick(&self) -> u64 {
        let edges = self
            .edges
            .iter()
            .filter_map(|(_, e)| e.last())
            .map(|e| e.tick);
        let forces = self
            .forces
            .iter()
            .filter_map(|(_, f)| f.last())
            .map(|f| f.0);
        let samples = self
            .samples
            .iter()
            .filter_map(|(_, s)| s.last())
            .map(|s| s.0);
        edges.chain(forces).chain(samples).max().unwrap_or(0)
    }

    /// Force samples of a channel within a range of ticks.
    #[must_use]
    pub fn forces_within(&self, channel: u8, ticks: RangeInclusive<u64>) -> &[(u64, i32)] {
        let forces = self.forces_of(channel);
        let from = forces.partition_point(|f| f.0 < *ticks.start());
        let to = forces.partition_point(|f| f.0 <= *ticks.end());
        forces.get(from..to).unwrap_or_default()
    }

    /// Force samples of a channel, all of them.
    #[must_use]
    pub fn forces_of(&self, channel: u8) -> &[(u64, i32)] {
        self.forces
            .iter()
            .find(|(c, _)| *c == channel)
            .map_or(&[], |(_, f)| f)
    }

    /// Counts of an input, all of them.
    #[must_use]
    pub fn samples_of(&self, source: Source) -> &[(u64, Option<i32>)] {
        self.samples
            .iter()
            .find(|(s, _)| *s == source)
            .map_or(&[], |(_, v)| v)
    }

    /// Samples of the load cell or a channel with what they mean, all of them; none without a stand.
    #[must_use]
    pub fn values_of(&self, signal: Signal) -> &[Sample] {
        let mut values = self.values.iter();
        values
            .find(|(of, _)| *of == signal)
            .map_or(&[], |(_, samples)| samples)
    }

    /// The same within a range of ticks.
    #[must_use]
    pub fn values_within(&self, signal: Signal, ticks: RangeInclusive<u64>) -> &[Sample] {
        let samples = self.values_of(signal);
        let from = samples.partition_point(|sample| sample.tick < *ticks.start());
        let to = samples.partition_point(|sample| sample.tick <= *ticks.end());
        samples.get(from..to).unwrap_or_default()
    }

    /// Mean of a channel's believable values within a range of ticks, and its standard uncertainty:
    /// that of the mean and that of the sensor. `None` without any.
    #[must_use]
    pub fn mean_of(
        &self,
        id: ChannelId,
        channel: &Channel,
        ticks: RangeInclusive<u64>,
    ) -> Option<Measured> {
        let samples = self.values_within(Signal::Channel(id), ticks);
        let values = samples.iter().filter_map(|sample| sample.value.good());
        let n = values.clone().count() as f64;
        if n < 1.0 {
            return None;
        }
        let mean = values.clone().sum::<f64>() / n;
        let spread = values.map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        let uncertainty = (spread / n).sqrt().hypot(channel.uncertainty_si);
        Some(Measured::new(mean, uncertainty))
    }
}

/// A 32-bit running number carried on past its wrap: the one nearest after the last seen.
fn number_after(last: Option<&Edge>, number: u32) -> u64 {
    let Some(last) = last else {
        return u64::from(number);
    };
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the low 32 bits are wanted"
    )]
    let ahead = number.wrapping_sub(last.number as u32).cast_signed();
    last.number.wrapping_add_signed(i64::from(ahead))
}

/// Within a frame numbers follow each other; the frame's first was placed by [`number_after`].
fn number_of(last: Option<&Edge>, number: u64, offset: u64) -> u64 {
    match last {
        Some(last) if offset > 0 => last.number + 1,
        _ => number,
    }
}

fn entry<K: PartialEq, T>(list: &mut Vec<(K, Vec<T>)>, key: K) -> &mut Vec<T> {
    let at = match list.iter().position(|(k, _)| *k == key) {
        Some(at) => at,
        None => {
            list.push((key, Vec::new()));
            list.len() - 1
        }
    };
    &mut list[at].1
}

fn push_in_order<T>(samples: &mut Vec<(u64, T)>, tick: u64, value: T) {
    let at = samples.partition_point(|(t, _)| *t <= tick);
    samples.insert(at, (tick, value));
}

#[cfg(test)]
mod tests {
    use super::*;
    use leverarm_protocol::{FrameWriter, TeethBatch};

    #[test]
    fn teeth_keep_their_numbers_over_frames_and_wraps() {
        let mut writer = FrameWriter::new();
        let mut recording = Recording::new(1_000_000, None);
        let mut reader = BoardReader::new();
        for (first, tick) in [(u32::MAX - 1, 1000_u32), (2, 5000)] {
            let deltas = [[100, 0], [100, 0], [100, 0]];
            let teeth = leverarm_protocol::Teeth {
                pickup: 0,
                first_tooth: first,
                deltas: &deltas,
            };
            let frame = writer.write(tick, &BoardMessage::Teeth(teeth)).unwrap();
            reader.feed(0, frame, &mut |reading| recording.take(&reading, 0));
        }
        let numbers: Vec<u64> = recording.edges[0].1.iter().map(|e| e.number).collect();
        let start = u64::from(u32::MAX - 1);
        assert_eq!(numbers, (start..start + 8).collect::<Vec<u64>>());
        let ticks: Vec<u64> = recording.edges[0].1.iter().map(|e| e.tick).collect();
        assert!(ticks.windows(2).all(|w| w[1] > w[0]));
        assert_eq!(TeethBatch::new(0).first_tick(), None);
    }
}
