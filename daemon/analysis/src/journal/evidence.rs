//! The raw evidence around an event: samples made again from the stored bytes.

use std::sync::Arc;

use leverarm_config::Stand;
use serde::Serialize;

use crate::in_force::KeptStands;
use crate::replay::{CHUNKS_REMEMBERED, Samples, Seen, series};
use leverarm_store::{
    Chunk, ChunkGap, ChunkRange, ConnectionId, ConnectionRecord, EventRecord, StoreError,
    StoreReader,
};
use leverarm_values::CalibratedStand;
use leverarm_vocabulary::DAEMON_STOPPED;

/// What is shown before and after an event, µs.
pub const AROUND_US: u64 = 2_000_000;

/// A sample near an event.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EvidenceSample {
    /// Time since the event, s; before it negative.
    pub at_s: f64,
    /// The board's counts; none for a speed, and where the sensor was reported as broken.
    pub counts: Option<i32>,
    /// Value in SI, a speed in rpm; none where the sensor can't be right.
    pub value: Option<f64>,
}

/// The samples of one channel near an event.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EvidenceSeries {
    /// The channel's name.
    pub channel: String,
    /// Unit of the values; empty for a plain number.
    pub unit: String,
    /// Its samples, in order.
    pub samples: Vec<EvidenceSample>,
}

/// What the store holds around an event.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Evidence {
    /// The connection that the event belongs to.
    pub connection: ConnectionId,
    /// Board tick of the event: its own, or that of the sample nearest to it.
    pub tick: Option<u64>,
    /// Ticks a second; 0 where the board never told.
    pub tick_hz: u32,
    /// Numbers of the first and last chunk within reach, in the connection.
    pub chunks: Option<(u32, u32)>,
    /// Bytes in them.
    pub bytes: usize,
    /// Samples by channel.
    pub series: Vec<EvidenceSeries>,
    /// What was wrong with the bytes, in words, with how often.
    pub faults: Vec<(String, u64)>,
    /// Chunks that are lacking or damaged, in words.
    pub gaps: Vec<String>,
}

/// The stored chunks that reach into the time around an event.
fn chunks_around(
    reader: &StoreReader,
    connection: ConnectionId,
    event: &EventRecord,
) -> Result<Vec<Result<Chunk, ChunkGap>>, StoreError> {
    let from = event.mono_us.saturating_sub(AROUND_US);
    let to = event.mono_us.saturating_add(AROUND_US);
    reader.chunks(connection, &ChunkRange::MonoUs(from..=to))
}

/// The bytes received around an event, exactly as they came.
///
/// # Errors
/// As the store's reading methods.
pub fn raw_bytes(reader: &StoreReader, event: &EventRecord) -> Result<Vec<u8>, StoreError> {
    let Some(connection) = event.connection else {
        return Ok(Vec::new());
    };
    let chunks = chunks_around(reader, connection, event)?;
    Ok(chunks
        .into_iter()
        .flatten()
        .flat_map(|chunk| chunk.bytes)
        .collect())
}

/// The evidence around an event; `None` for an event without a connection. `stand` stands in where
/// the store does not know which stand file was in force.
///
/// # Errors
/// As the store's reading methods.
pub fn evidence(
    reader: &StoreReader,
    event: &EventRecord,
    stand: Option<&Stand>,
) -> Result<Option<Evidence>, StoreError> {
    let Some(id) = event.connection else {
        return Ok(None);
    };
    let chunks = chunks_around(reader, id, event)?;
    let file = match (reader.connection(id)?.stand, event.pull) {
        (None, Some(pull)) => Some(reader.pull(pull)?.stand),
        (file, _) => file,
    };
    let mut stands = KeptStands::new(stand.cloned());
    let mut found = Evidence {
        connection: id,
        tick: event.tick,
        tick_hz: 0,
        chunks: None,
        bytes: 0,
        series: Vec::new(),
        faults: Vec::new(),
        gaps: Vec::new(),
    };
    for chunk in &chunks {
        match chunk {
            Ok(chunk) => {
                let first = found.chunks.map_or(chunk.seq, |(first, _)| first);
                found.chunks = Some((first, chunk.seq));
                found.bytes += chunk.bytes.len();
            }
            Err(gap) => found.gaps.push(gap.to_string()),
        }
    }
    let tick_hz = reader
        .connection(id)?
        .hello
        .map_or(0, |hello| hello.tick_hz);
    found.tick_hz = tick_hz;
    if let Some(stand) = stands.at(reader, file, event.wall_us)? {
        found.series = series(stand.stand())
            .into_iter()
            .map(|series| EvidenceSeries {
                channel: series.channel,
                unit: symbol(series.unit).to_owned(),
                samples: Vec::new(),
            })
            .collect();
        if let Some(chunks) = found.chunks {
            let own = Stretch {
                id,
                tick_hz,
                chunks,
            };
            decode(reader, (event, event.tick), &stand, &own, &mut found)?;
        }
        // What is beyond a restart of the board has other ticks, and only the host's clock in common.
        for beside in beside(reader, event, id)? {
            decode(reader, (event, None), &stand, &beside, &mut found)?;
        }
    }
    for series in &mut found.series {
        series.samples.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    }
    Ok(Some(found))
}

/// Chunks of one connection near an event.
struct Stretch {
    id: ConnectionId,
    tick_hz: u32,
    chunks: (u32, u32),
}

/// The connections before and after an event's own, as far as they reach into the time around it.
fn beside(
    reader: &StoreReader,
    event: &EventRecord,
    id: ConnectionId,
) -> Result<Vec<Stretch>, StoreError> {
    let connections = reader.connections()?;
    // One that ended before its daemon did is followed by another of the same run.
    let goes_on = |it: &ConnectionRecord| {
        let reason = it.closed_reason.as_deref();
        it.closed_wall_us.is_some() && reason.is_some_and(|reason| reason != DAEMON_STOPPED)
    };
    let mut found = Vec::new();
    for pair in connections.windows(2) {
        let [earlier, later] = pair else { continue };
        let connection = match id {
            _ if !goes_on(earlier) => continue,
            _ if earlier.id == id => later,
            _ if later.id == id => earlier,
            _ => continue,
        };
        let Some(hello) = &connection.hello else {
            continue;
        };
        let chunks = chunks_around(reader, connection.id, event)?;
        let mut seqs = chunks.iter().flatten().map(|chunk| chunk.seq);
        if let Some(first) = seqs.next() {
            found.push(Stretch {
                id: connection.id,
                tick_hz: hello.tick_hz,
                chunks: (first, seqs.next_back().unwrap_or(first)),
            });
        }
    }
    Ok(found)
}

/// The unit that ends a field's name, as people write it.
fn symbol(suffix: &str) -> &str {
    match suffix {
        "_k" => "K",
        "_pa" => "Pa",
        "_v" => "V",
        "_n" => "N",
        "_m_per_s" => "m/s",
        "_kg_per_s" => "kg/s",
        "_m3_per_s" => "m³/s",
        other => other.trim_start_matches('_'),
    }
}

fn decode(
    reader: &StoreReader,
    (event, tick): (&EventRecord, Option<u64>),
    stand: &Arc<CalibratedStand>,
    stretch: &Stretch,
    found: &mut Evidence,
) -> Result<(), StoreError> {
    let Stretch {
        id,
        tick_hz,
        chunks: (first, last),
    } = *stretch;
    // Speeds and times need what came shortly before.
    #[expect(clippy::cast_possible_truncation, reason = "a small number")]
    let early = first.saturating_sub(CHUNKS_REMEMBERED as u32);
    let mut samples = Samples::new(Arc::clone(stand), tick_hz, None);
    let mut nearest: Option<(f64, u64)> = None;
    for chunk in reader.chunks(id, &ChunkRange::Seq(early..=last))? {
        let Ok(chunk) = chunk else {
            continue;
        };
        let mut seen = Vec::new();
        samples.feed(&chunk, &mut |what| seen.push(what));
        if chunk.seq < first {
            continue;
        }
        for what in seen {
            match what {
                Seen::Sample(sample) => {
                    let at_s = match (tick, samples.mono_us(sample.tick)) {
                        (Some(tick), _) => {
                            let ticks = sample.tick.wrapping_sub(tick).cast_signed();
                            ticks as f64 / f64::from(tick_hz.max(1))
                        }
                        (None, Some(mono_us)) => {
                            let event_us = i64::try_from(event.mono_us).unwrap_or(i64::MAX);
                            mono_us.saturating_sub(event_us) as f64 * 1e-6
                        }
                        (None, None) => continue,
                    };
                    if at_s.abs() > AROUND_US as f64 * 1e-6 {
                        continue;
                    }
                    if nearest.is_none_or(|(s, _)| at_s.abs() < s) {
                        nearest = Some((at_s.abs(), sample.tick));
                    }
                    if let Some(series) = found.series.get_mut(sample.series) {
                        series.samples.push(EvidenceSample {
                            at_s,
                            counts: sample.counts,
                            value: sample.value,
                        });
                    }
                }
                Seen::Fault(fault) => {
                    let text = fault.to_string();
                    match found.faults.iter_mut().find(|(known, _)| *known == text) {
                        Some((_, count)) => *count += 1,
                        None => found.faults.push((text, 1)),
                    }
                }
            }
        }
    }
    if id == found.connection {
        found.tick = found.tick.or(nearest.map(|(_, tick)| tick));
    }
    Ok(())
}
