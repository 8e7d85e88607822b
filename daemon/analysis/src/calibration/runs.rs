//! Recorded stretches that calibrations are made from: stored pulls, plain byte logs, and what the
//! daemon recorded just now.

use std::ops::RangeInclusive;
use std::path::Path;
use std::sync::Arc;

use leverarm_config::{Pickup, Shaft, Stand};
use leverarm_filters::teeth::{ToothTrain, resolve};

use crate::replay::Recording;
use leverarm_store::{ChunkRange, PullId, StoreError, StoreReader};
use leverarm_values::{CalibratedStand, NoHello};

/// A recorded stretch.
#[derive(Debug, Clone)]
pub struct Run {
    /// What to call it: "pull 3", or the file's name.
    pub name: String,
    /// Its samples.
    pub recording: Recording,
    /// Ticks that belong to it.
    pub ticks: RangeInclusive<u64>,
}

/// Why there is no such stretch.
#[derive(Debug, thiserror::Error)]
pub enum RunSourceError {
    /// The store would not give it.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The file would not.
    #[error("{file}: {source}")]
    File {
        /// The file.
        file: String,
        /// What the system said.
        source: std::io::Error,
    },
    /// The board never said its tick rate.
    #[error("{name}: {source}")]
    NoHello {
        /// Which stretch.
        name: String,
        /// What is lacking.
        source: NoHello,
    },
    /// Nothing recorded lately.
    #[error(
        "the newest data in the store is {age_s:.0} s old: nothing is being recorded; start `leverarm serve` with the board connected"
    )]
    Stale {
        /// Age of the newest chunk.
        age_s: f64,
    },
    /// Nothing recorded at all.
    #[error("the store holds no data yet; start `leverarm serve` with the board connected")]
    Nothing,
}

/// A wheel without an edge for this long has stopped.
pub const STANDSTILL_S: f64 = 2.0;
/// A chunk is stored when it is a second long, and takes a moment to be.
const FRESH_S: f64 = 5.0;

impl Run {
    /// A stored pull, whole: from before its start to the end of its coast-down.
    ///
    /// # Errors
    /// [`RunSourceError`].
    pub fn of_pull(
        reader: &StoreReader,
        id: PullId,
        stand: Option<&Arc<CalibratedStand>>,
    ) -> Result<Self, RunSourceError> {
        let pull = reader.pull(id)?;
        let name = format!("pull {id}");
        let hello = reader.connection(pull.connection)?.hello;
        let tick_hz = hello.ok_or_else(|| no_hello(&name))?.tick_hz;
        Ok(Self {
            recording: Recording::of_chunks(&reader.pull_chunks(id)?, tick_hz, stand),
            ticks: pull.tick_first_wanted..=pull.tick_end.unwrap_or(u64::MAX),
            name,
        })
    }

    /// A plain byte log.
    ///
    /// # Errors
    /// [`RunSourceError`].
    pub fn of_log(
        file: &Path,
        stand: Option<&Arc<CalibratedStand>>,
    ) -> Result<Self, RunSourceError> {
        let name = file.display().to_string();
        let bytes = std::fs::read(file).map_err(|source| RunSourceError::File {
            file: name.clone(),
            source,
        })?;
        let recording = Recording::of_bytes(&bytes, stand).map_err(|NoHello| no_hello(&name))?;
        Ok(Self {
            name,
            recording,
            ticks: 0..=u64::MAX,
        })
    }

    /// The last seconds that were recorded, when a daemon is recording now.
    ///
    /// # Errors
    /// [`RunSourceError`].
    pub fn newest(
        reader: &StoreReader,
        seconds: f64,
        now_wall_us: i64,
    ) -> Result<Self, RunSourceError> {
        let connection = reader.connections()?.pop().ok_or(RunSourceError::Nothing)?;
        let last = reader
            .chunk_seq_max(connection.id)?
            .ok_or(RunSourceError::Nothing)?;
        let name = format!("the last {seconds:.0} s");
        let tick_hz = connection.hello.ok_or_else(|| no_hello(&name))?.tick_hz;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "some seconds; float `as` saturates"
        )]
        let wanted = 4 + 2 * seconds.ceil() as u32;
        let range = ChunkRange::Seq(last.saturating_sub(wanted)..=last);
        let chunks = reader.chunks(connection.id, &range)?;
        let newest_us = chunks
            .iter()
            .flatten()
            .map(|c| {
                let lasted = c.mono_us_last.saturating_sub(c.mono_us_first);
                c.wall_us_first
                    .saturating_add(i64::try_from(lasted).unwrap_or(0))
            })
            .max()
            .unwrap_or(0);
        let age_s = now_wall_us.saturating_sub(newest_us) as f64 / 1e6;
        if age_s > FRESH_S {
            return Err(RunSourceError::Stale { age_s });
        }
        let recording = Recording::of_chunks(&chunks, tick_hz, None);
        let newest = recording.newest_tick();
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "some seconds of ticks; float `as` saturates"
        )]
        let span = (seconds * f64::from(tick_hz)) as u64;
        Ok(Self {
            name,
            recording,
            ticks: newest.saturating_sub(span)..=newest,
        })
    }

    /// Numbered teeth of a pickup.
    #[must_use]
    pub fn train(&self, pickup: &Pickup) -> ToothTrain {
        let edges = self
            .recording
            .edges_within(pickup.channel, self.ticks.clone());
        resolve(
            edges,
            self.recording.tick_hz,
            u32::from(pickup.teeth),
            STANDSTILL_S,
        )
    }

    /// Load-cell samples: time in s from the first, and counts.
    #[must_use]
    pub fn forces(&self, channel: u8) -> Vec<(f64, f64)> {
        let samples = self.recording.forces_of(channel);
        let inside = samples.iter().filter(|(tick, _)| self.ticks.contains(tick));
        let first = inside.clone().next().map_or(0, |(tick, _)| *tick);
        inside
            .map(|(tick, counts)| {
                let seconds = tick.saturating_sub(first) as f64 / self.recording.tick_hz;
                (seconds, f64::from(*counts))
            })
            .collect()
    }
}

fn no_hello(name: &str) -> RunSourceError {
    RunSourceError::NoHello {
        name: name.to_owned(),
        source: NoHello,
    }
}

/// The pickup on a shaft.
#[must_use]
pub fn pickup_on(stand: &Stand, shaft: Shaft) -> Option<&Pickup> {
    stand.pickups.iter().find(|pickup| pickup.shaft == shaft)
}
