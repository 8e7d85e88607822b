//! The store's side: a bounded queue that may stall, and for some seeds the real store behind it, and
//! a destination of its points behind that.

use std::collections::VecDeque;

use leverarm::service::{Belongs, Kept, RecordKeeper};
use leverarm_live::{ChunkData, Now, Record};
use leverarm_store::{ChunkRange, ConnectionId, Store, StoreError};

use leverarm_config::Stand;

use super::plan::FaultKind;
use super::stream::Streaming;
use super::world::STAND;

/// Records that may wait. The core is told long before.
pub(super) const QUEUE_MAX: usize = 2_000;
/// From so many on the store does not keep up, until so few wait.
const BEHIND_FROM: usize = 12;
const BEHIND_TO: usize = 2;
/// Records that are stored in a step.
const STORED_PER_STEP: usize = 3;
/// A slow store takes a record in so many steps.
const SLOW_STEPS: u64 = 300;

/// What is kept to be compared in the end.
#[derive(Debug)]
struct Acknowledged {
    connection: ConnectionId,
    chunk: ChunkData,
}

#[derive(Debug)]
struct Real {
    store: Store,
    /// Kept until the end, since the folder goes with it.
    folder: tempfile::TempDir,
    keeper: RecordKeeper,
    acknowledged: Vec<Acknowledged>,
    streaming: Streaming,
}

/// The queue to the store.
#[derive(Debug, Default)]
pub(super) struct Queue {
    waiting: VecDeque<Record>,
    real: Option<Real>,
    behind: bool,
}

impl Queue {
    pub(super) fn new() -> Self {
        Self::default()
    }

    /// With the real store behind it.
    pub(super) fn with_store(seed: u64, stand: &Stand) -> Result<Self, Box<dyn std::error::Error>> {
        let folder = tempfile::tempdir()?;
        let (mut store, keeper) = open(&folder)?;
        let real = Real {
            streaming: Streaming::new(seed, stand, &mut store)?,
            store,
            folder,
            keeper,
            acknowledged: Vec::new(),
        };
        Ok(Self {
            real: Some(real),
            ..Self::default()
        })
    }

    pub(super) fn push(&mut self, record: Record) {
        self.waiting.push_back(record);
    }

    pub(super) fn len(&self) -> usize {
        self.waiting.len()
    }

    /// A step of the store; returns whether it keeps up, if that has changed.
    pub(super) fn step(
        &mut self,
        steps: u64,
        now: Now,
        active: &[FaultKind],
    ) -> Result<Option<bool>, StoreError> {
        self.store(if active.contains(&FaultKind::StoreStalled) {
            0
        } else if active.contains(&FaultKind::StoreSlow) {
            usize::from(steps.is_multiple_of(SLOW_STEPS))
        } else {
            STORED_PER_STEP
        })?;
        if let Some(real) = &mut self.real {
            real.streaming.step(now, &mut real.store, active)?;
        }
        let limit = if self.behind { BEHIND_TO } else { BEHIND_FROM };
        let behind = self.waiting.len() > limit;
        let changed = behind != self.behind;
        self.behind = behind;
        Ok(changed.then_some(!behind))
    }

    /// The daemon is killed: what waits is gone, what the store took is not.
    pub(super) fn killed(&mut self) -> Result<(), StoreError> {
        self.waiting.clear();
        self.behind = false;
        let Some(real) = self.real.take() else {
            return Ok(());
        };
        let Real {
            store,
            folder,
            acknowledged,
            mut streaming,
            ..
        } = real;
        drop(store);
        let (mut store, keeper) = open(&folder)?;
        streaming.killed(&mut store)?;
        self.real = Some(Real {
            store,
            folder,
            keeper,
            acknowledged,
            streaming,
        });
        Ok(())
    }

    pub(super) fn is_behind(&self) -> bool {
        self.behind
    }

    fn store(&mut self, records: usize) -> Result<(), StoreError> {
        for _ in 0..records {
            let Some(record) = self.waiting.pop_front() else {
                break;
            };
            if let Some(real) = &mut self.real {
                real.store(record)?;
            }
        }
        Ok(())
    }

    /// Stores the rest, and compares what was acknowledged with what can be read, and what the store
    /// holds with what the server has. Gives the number of points there too.
    pub(super) fn finish(mut self, now: Now) -> Result<(Vec<String>, u64), StoreError> {
        self.store(usize::MAX)?;
        let Some(mut real) = self.real else {
            return Ok((Vec::new(), 0));
        };
        let mut wrong = real.compare()?;
        let (of_stream, points) = real.streaming.finish(now, &mut real.store)?;
        wrong.extend(of_stream);
        Ok((wrong, points))
    }
}

/// Opens the store as the daemon does.
fn open(folder: &tempfile::TempDir) -> Result<(Store, RecordKeeper), StoreError> {
    let mut store = Store::open(folder.path())?;
    let belongs = Belongs::new(store.put_stand(STAND)?, store.put_calibration("{}")?);
    Ok((store, RecordKeeper::new(belongs)))
}

impl Real {
    fn store(&mut self, record: Record) -> Result<(), StoreError> {
        if let Record::Event(event) = &record {
            let event = self.keeper.event(event.clone());
            self.store.add_event(&event)?;
        }
        let kept = self.keeper.keep(&mut self.store, &record)?;
        if let (Kept::Stored, Record::Chunk(chunk), Some(connection)) =
            (kept, record, self.keeper.connection())
        {
            self.acknowledged.push(Acknowledged { connection, chunk });
        }
        Ok(())
    }

    fn compare(&self) -> Result<Vec<String>, StoreError> {
        let reader = self.store.reader()?;
        let mut wrong = Vec::new();
        for Acknowledged { connection, chunk } in &self.acknowledged {
            let range = ChunkRange::Seq(chunk.seq..=chunk.seq);
            let found = reader.chunks(*connection, &range)?;
            let same = matches!(
                found.as_slice(),
                [Ok(stored)] if stored.bytes == chunk.bytes
                    && stored.tick_first == chunk.tick_first
                    && stored.mono_us_first == chunk.first.mono_us
            );
            if !same {
                wrong.push(format!(
                    "chunk {} of connection {connection} does not read back as it was stored",
                    chunk.seq
                ));
            }
        }
        Ok(wrong)
    }
}
