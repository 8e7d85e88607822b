//! From the core's records to rows of the store: one piece for the recorder's thread and for all that
//! runs the core without it.

use leverarm_live::{Ending, Event, Record};
use leverarm_store::{
    ConnectionId, ContentHash, Hello, NewChunk, NewEvent, NewPull, PullEnd, PullId, PullState,
    SetupId, Store, StoreError,
};

/// What pulls belong to.
#[derive(Debug, Clone)]
pub struct Belongs {
    /// The stand file, from [`Store::put_stand`].
    pub stand: ContentHash,
    /// The calibrations in force, from [`Store::put_calibration`].
    pub calibration: ContentHash,
    /// What is bolted on.
    pub setup: Option<SetupId>,
    /// The entered air; null without any.
    pub air: serde_json::Value,
}

impl Belongs {
    /// To a stand file and calibrations, without a setup or entered air.
    #[must_use]
    pub const fn new(stand: ContentHash, calibration: ContentHash) -> Self {
        Self {
            stand,
            calibration,
            setup: None,
            air: serde_json::Value::Null,
        }
    }
}

/// What became of a record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// It is in the store.
    Stored,
    /// It began a pull.
    PullStarted(PullId),
    /// It ended a pull.
    PullEnded(PullId, PullState),
    /// It belongs to a connection, or a pull, that never began.
    Unplaced,
    /// Not for here: events and self-tests go their own ways.
    Other,
}

/// Stores the records of a core in order, and knows what connection and pull are under way.
#[derive(Debug)]
pub struct RecordKeeper {
    /// What the next pulls belong to.
    pub belongs: Belongs,
    connection: Option<ConnectionId>,
    pull: Option<PullId>,
    /// What began the connection and the pull under way.
    begun: Vec<Record>,
}

impl RecordKeeper {
    /// Before the first connection.
    #[must_use]
    pub const fn new(belongs: Belongs) -> Self {
        Self {
            belongs,
            connection: None,
            pull: None,
            begun: Vec::new(),
        }
    }

    /// The connection under way.
    #[must_use]
    pub const fn connection(&self) -> Option<ConnectionId> {
        self.connection
    }

    /// Goes on in another store, which knows nothing of what is under way.
    ///
    /// # Errors
    /// As the store's writing methods. Nothing has changed then.
    pub fn go_on_in(&mut self, store: &mut Store, belongs: Belongs) -> Result<(), StoreError> {
        let mut there = Self::new(belongs);
        for record in &self.begun {
            there.keep(store, record)?;
        }
        *self = there;
        Ok(())
    }

    /// Stores a record. After an error nothing has changed, so that it can be tried again.
    ///
    /// # Errors
    /// As the store's writing methods.
    pub fn keep(&mut self, store: &mut Store, record: &Record) -> Result<Kept, StoreError> {
        let kept = self.put(store, record)?;
        match record {
            Record::Connected { .. } => self.begun = vec![record.clone()],
            Record::Hello(_) | Record::PullStarted { .. } if kept != Kept::Unplaced => {
                // One of each: a board may say hello often.
                let same =
                    |it: &Record| std::mem::discriminant(it) == std::mem::discriminant(record);
                self.begun.retain(|it| !same(it));
                self.begun.push(record.clone());
            }
            Record::PullEnded(_) => {
                self.begun
                    .retain(|it| !matches!(it, Record::PullStarted { .. }));
            }
            Record::Disconnected { .. } => self.begun.clear(),
            _ => {}
        }
        Ok(kept)
    }

    fn put(&mut self, store: &mut Store, record: &Record) -> Result<Kept, StoreError> {
        match (record, self.connection) {
            (Record::Connected { port, now }, _) => {
                let stand = Some(self.belongs.stand);
                self.connection = Some(store.add_connection(stand, port, *now)?);
            }
            (Record::Hello(hello), Some(connection)) => {
                let hello = Hello {
                    frame: hello.frame.clone(),
                    tick_hz: hello.tick_hz,
                    board_id: hello.board_id,
                    boot: hello.boot,
                };
                store.set_hello(connection, &hello)?;
            }
            (Record::Chunk(chunk), Some(connection)) => {
                store.add_chunk(&NewChunk {
                    connection,
                    seq: chunk.seq,
                    mono_us_first: chunk.first.mono_us,
                    mono_us_last: chunk.last_mono_us,
                    wall_us_first: chunk.first.wall_us,
                    tick_first: chunk.tick_first,
                    bytes: &chunk.bytes,
                })?;
            }
            (
                Record::PullStarted {
                    now,
                    tick_first_wanted,
                    tick_start,
                    chunk_seq_first,
                },
                Some(connection),
            ) => {
                let Belongs {
                    stand,
                    calibration,
                    setup,
                    air,
                } = self.belongs.clone();
                let id = store.add_pull(&NewPull {
                    setup,
                    started_wall_us: now.wall_us,
                    tick_first_wanted: *tick_first_wanted,
                    tick_start: *tick_start,
                    chunk_seq_first: *chunk_seq_first,
                    air,
                    ..NewPull::of(connection, stand, calibration)
                })?;
                self.pull = Some(id);
                return Ok(Kept::PullStarted(id));
            }
            (Record::PullEnded(ended), _) => {
                let Some(id) = self.pull else {
                    return Ok(Kept::Unplaced);
                };
                let state = match ended.ending {
                    Ending::Whole => PullState::Stored,
                    Ending::Broken => PullState::Aborted,
                    Ending::Tuning => PullState::Tuning,
                };
                let end = PullEnd {
                    state,
                    tick_peak: Some(ended.tick_peak),
                    tick_end: ended.tick_end,
                    chunk_seq_last: ended.chunk_seq_last,
                    reasons: ended.reasons.clone(),
                };
                store.finish_pull(id, &end)?;
                self.pull = None;
                return Ok(Kept::PullEnded(id, state));
            }
            (Record::Disconnected { now, reason }, Some(connection)) => {
                store.close_connection(connection, now.wall_us, reason)?;
                self.connection = None;
            }
            (
                Record::Hello(_)
                | Record::Chunk(_)
                | Record::PullStarted { .. }
                | Record::Disconnected { .. },
                None,
            ) => return Ok(Kept::Unplaced),
            (Record::Event(_) | Record::SelfTested(_), _) => return Ok(Kept::Other),
        }
        Ok(Kept::Stored)
    }

    /// An event as the store takes it, with the connection and the pull under way.
    #[must_use]
    pub fn event(&self, event: Event) -> NewEvent {
        NewEvent {
            connection: self.connection,
            pull: self.pull,
            event,
        }
    }
}
