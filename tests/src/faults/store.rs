//! The store's side: a bounded queue that may stall, and for some seeds the real store behind it.

use std::collections::VecDeque;

use leverarm::core::{ChunkData, Record};
use leverarm::service::{Belongs, Kept, RecordKeeper};
use leverarm::store::{ChunkRange, ConnectionId, Store, StoreError};

use super::plan::FaultKind;

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
}

/// The queue to the store.
#[derive(Debug, Default)]
pub(super) struct Queue {
    waiting: VecDeque<Record>,
    real: Option<Real>,
    behind: bool,
}

impl Queue {
    pub(super) fn new(real: bool) -> Result<Self, Box<dyn std::error::Error>> {
        let mut queue = Self::default();
        if real {
            let folder = tempfile::tempdir()?;
            queue.real = Some(Real::open(folder, Vec::new())?);
        }
        Ok(queue)
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
        active: &[FaultKind],
    ) -> Result<Option<bool>, StoreError> {
        self.store(if active.contains(&FaultKind::StoreStalled) {
            0
        } else if active.contains(&FaultKind::StoreSlow) {
            usize::from(steps.is_multiple_of(SLOW_STEPS))
        } else {
            STORED_PER_STEP
        })?;
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
        if let Some(Real {
            store,
            folder,
            acknowledged,
            ..
        }) = self.real.take()
        {
            drop(store);
            self.real = Some(Real::open(folder, acknowledged)?);
        }
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

    /// Stores the rest, and compares what was acknowledged with what can be read.
    pub(super) fn finish(mut self) -> Result<Vec<String>, StoreError> {
        self.store(usize::MAX)?;
        self.real.map_or(Ok(Vec::new()), |real| real.compare())
    }
}

impl Real {
    fn open(
        folder: tempfile::TempDir,
        acknowledged: Vec<Acknowledged>,
    ) -> Result<Self, StoreError> {
        let mut store = Store::open(folder.path())?;
        let belongs = Belongs::new(store.put_stand("")?, store.put_calibration("{}")?);
        Ok(Self {
            store,
            folder,
            keeper: RecordKeeper::new(belongs),
            acknowledged,
        })
    }

    fn store(&mut self, record: Record) -> Result<(), StoreError> {
        let kept = self.keeper.keep(&mut self.store, &record)?;
        if let (Kept::Stored, Record::Chunk(chunk), Some(connection)) =
            (kept, record, self.keeper.connection())
        {
            self.acknowledged.push(Acknowledged { connection, chunk });
        }
        Ok(())
    }

    fn compare(self) -> Result<Vec<String>, StoreError> {
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
