//! Samples of a recorded stretch of bytes: the same decoder as live, run again.

use leverarm_config::Source;
use leverarm_filters::teeth::Edge;
use leverarm_protocol::{BoardMessage, BoardReader, LinkFault, Reading};

use crate::pulses::period_counts;
use crate::store::{Chunk, ChunkGap};

/// Tick and counts of each sample; no counts where the board reported the sensor as broken.
pub type Samples = Vec<(u64, Option<i32>)>;

/// Samples decoded from a byte log. Ticks are those of the live run where the log says them, else
/// count from an arbitrary zero.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Recording {
    /// Ticks per second; 0 where no hello was seen and none given.
    pub tick_hz: f64,
    /// Edges by pickup number, in order.
    pub edges: Vec<(u8, Vec<Edge>)>,
    /// Force samples by channel, in order.
    pub forces: Vec<(u8, Vec<(u64, i32)>)>,
    /// Samples of analog and temperature channels, in order.
    pub samples: Vec<(Source, Samples)>,
    /// What was wrong with the bytes.
    pub faults: Vec<LinkFault>,
    /// Chunks that were lacking or damaged, in words.
    pub gaps: Vec<String>,
}

/// Faults kept; a log of garbage has no end of them.
const FAULTS_MAX: usize = 1000;

impl Recording {
    /// Decodes a plain byte log, as written by any recorder of the port.
    #[must_use]
    pub fn of_bytes(bytes: &[u8]) -> Self {
        let mut recording = Self::default();
        let mut reader = BoardReader::new();
        reader.feed(0, bytes, &mut |reading| recording.take(&reading, 0));
        recording.tick_hz = reader.tick_hz().map_or(0.0, f64::from);
        recording.find_pulses();
        recording
    }

    /// Decodes stored chunks of one connection, in order.
    #[must_use]
    pub fn of_chunks(chunks: &[Result<Chunk, ChunkGap>], tick_hz: u32) -> Self {
        let mut recording = Self {
            tick_hz: f64::from(tick_hz),
            ..Self::default()
        };
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
        recording.find_pulses();
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
                let counts =
                    (*counts != leverarm_protocol::TEMPERATURE_UNREADABLE).then_some(*counts);
                push_in_order(
                    entry(&mut self.samples, Source::Temperature(*channel)),
                    tick,
                    counts,
                );
            }
            BoardMessage::Hello(_) | BoardMessage::Status(_) | BoardMessage::Cut { .. } => {}
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
    pub fn edges_within(&self, pickup: u8, ticks: std::ops::RangeInclusive<u64>) -> &[Edge] {
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
    pub fn forces_within(
        &self,
        channel: u8,
        ticks: std::ops::RangeInclusive<u64>,
    ) -> &[(u64, i32)] {
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

    /// Samples of a channel, all of them. Those of pulses are the times from one to the next, at the
    /// second of the two.
    #[must_use]
    pub fn samples_of(&self, source: Source) -> &[(u64, Option<i32>)] {
        self.samples
            .iter()
            .find(|(s, _)| *s == source)
            .map_or(&[], |(_, v)| v)
    }

    /// The times between the edges of each input, in case it counts a flow meter's pulses.
    fn find_pulses(&mut self) {
        let tick_hz = self.tick_hz;
        let periods = |edges: &[Edge]| -> Samples {
            let pairs = edges.windows(2).filter_map(|pair| match pair {
                [a, b] => Some((b.tick, period_counts(a.tick, b.tick, tick_hz))),
                _ => None,
            });
            pairs.filter(|(_, counts)| counts.is_some()).collect()
        };
        let pulses = self.edges.iter();
        let pulses = pulses.map(|(pickup, edges)| (Source::Pulses(*pickup), periods(edges)));
        self.samples.extend(pulses.collect::<Vec<_>>());
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
        let mut bytes = Vec::new();
        for (first, tick) in [(u32::MAX - 1, 1000_u32), (2, 5000)] {
            let deltas = [[100, 0], [100, 0], [100, 0]];
            let teeth = leverarm_protocol::Teeth {
                pickup: 0,
                first_tooth: first,
                deltas: &deltas,
            };
            bytes.extend_from_slice(writer.write(tick, &BoardMessage::Teeth(teeth)).unwrap());
        }
        let recording = Recording::of_bytes(&bytes);
        let numbers: Vec<u64> = recording.edges[0].1.iter().map(|e| e.number).collect();
        let start = u64::from(u32::MAX - 1);
        assert_eq!(numbers, (start..start + 8).collect::<Vec<u64>>());
        let ticks: Vec<u64> = recording.edges[0].1.iter().map(|e| e.tick).collect();
        assert!(ticks.windows(2).all(|w| w[1] > w[0]));
        assert_eq!(TeethBatch::new(0).first_tick(), None);
    }
}
