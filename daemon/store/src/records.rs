//! Rows as plain structs: `New…` goes in, `…Record` comes out.
//!
//! `wall_us` is microseconds since 1970-01-01T00:00:00Z; `mono_us` is the host's monotonic clock,
//! comparable only within one connection; `tick` is the board's unwrapped tick.

use std::fmt;

use leverarm_vocabulary::{Event, Payload, Repeats, Severity, words};
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::error::StoreError;
use super::hash::ContentHash;

macro_rules! row_id {
    ($name:ident, $what:literal) => {
        #[doc = concat!("Number of ", $what, "; never used twice in one store.")]
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize,
        )]
        #[serde(transparent)]
        pub struct $name(i64);

        impl $name {
            /// The id with this number, as a person or a page gives it; it need not exist.
            #[must_use]
            pub const fn new(number: i64) -> Self {
                Self(number)
            }

            /// The number.
            #[must_use]
            pub const fn get(self) -> i64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl ToSql for $name {
            fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
                self.0.to_sql()
            }
        }

        impl FromSql for $name {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
                i64::column_result(value).map(Self)
            }
        }
    };
}

row_id!(ConnectionId, "a connection");
row_id!(ChunkId, "a chunk");
row_id!(PullId, "a pull");
row_id!(SetupId, "a setup");
row_id!(EventId, "an event");
row_id!(CalibrationId, "a change of the calibrations");

/// What the board said of itself in its hello frame.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Hello {
    /// The frame as received, so that it can be decoded again.
    #[serde(skip)]
    pub frame: Vec<u8>,
    /// Ticks in a second of the board's clock, Hz.
    pub tick_hz: u32,
    /// Number of the board.
    pub board_id: u64,
    /// Number of the board's restart.
    pub boot: u16,
}

/// A stretch of time during which one port was open.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ConnectionRecord {
    /// Its number.
    pub id: ConnectionId,
    /// Path of the port.
    pub port: String,
    /// When it was opened, wall clock.
    pub opened_wall_us: i64,
    /// When it was opened, monotonic clock.
    pub opened_mono_us: u64,
    /// The board's hello, when one arrived.
    pub hello: Option<Hello>,
    /// When it was closed, wall clock; `None` while open, and when the daemon stopped without
    /// closing it.
    pub closed_wall_us: Option<i64>,
    /// Why it was closed; `None` while open.
    pub closed_reason: Option<String>,
    /// The stand file that was in force; `None` when an earlier version recorded it.
    pub stand: Option<ContentHash>,
}

/// A set of parts on the engine, as the person names it.
#[derive(Debug, Clone, PartialEq)]
pub struct NewSetup {
    /// Its name, unlike every other setup's.
    pub name: String,
    /// When it was made.
    pub created_wall_us: i64,
    /// Free text.
    pub notes: String,
    /// The parts and their settings.
    pub parts: Value,
}

/// A stored setup.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SetupRecord {
    /// Its number.
    pub id: SetupId,
    /// Its name.
    pub name: String,
    /// When it was made.
    pub created_wall_us: i64,
    /// Free text.
    pub notes: String,
    /// The parts and their settings.
    pub parts: Value,
}

words! {
    /// How far a pull came.
    PullState {
        /// Under way.
        Running = "running",
        /// Ended as a pull should.
        Stored = "stored",
        /// Given up; its data is kept all the same.
        Aborted = "aborted",
        /// The daemon stopped during it; its data up to then is kept.
        Interrupted = "interrupted",
        /// No pull of the engine: the load's output was switched, to tune its loop.
        Tuning = "tuning",
    }
}

impl PullState {
    /// Whether it is a pull of the engine that is over, whole or not: a curve may be made of it.
    #[must_use]
    pub const fn has_curve(self) -> bool {
        !matches!(self, Self::Running | Self::Tuning)
    }
}

impl ToSql for PullState {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.word().into())
    }
}

impl FromSql for PullState {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        of_word(value, "PullState", Self::of_word)
    }
}

/// A severity as a column holds it.
pub(crate) struct StoredSeverity(pub(crate) Severity);

impl FromSql for StoredSeverity {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        of_word(value, "Severity", Severity::of_word).map(Self)
    }
}

/// What a column's word stands for.
fn of_word<T>(value: ValueRef<'_>, name: &str, of: impl Fn(&str) -> Option<T>) -> FromSqlResult<T> {
    let word = value.as_str()?;
    of(word).ok_or_else(|| FromSqlError::Other(format!("unknown {name} {word:?}").into()))
}

/// A change of the calibrations.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCalibration {
    /// When it was made.
    pub wall_us: i64,
    /// What was calibrated: a short fixed word.
    pub part: String,
    /// All calibrations that are in force from now on, JSON kept as it is.
    pub json: String,
    /// What came out, in a sentence.
    pub summary: String,
}

/// A stored change of the calibrations.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CalibrationRecord {
    /// Its number; later changes have larger numbers.
    pub id: CalibrationId,
    /// When it was made.
    pub wall_us: i64,
    /// What was calibrated.
    pub part: String,
    /// All calibrations in force from then on.
    pub calibration: ContentHash,
    /// What came out.
    pub summary: String,
}

/// A pull, under way or already over.
#[derive(Debug, Clone, PartialEq)]
pub struct NewPull {
    /// Where its bytes come from.
    pub connection: ConnectionId,
    /// The parts that were on.
    pub setup: Option<SetupId>,
    /// The stand file in force, from [`put_stand`](super::Store::put_stand).
    pub stand: ContentHash,
    /// The calibrations in force, from [`put_calibration`](super::Store::put_calibration).
    pub calibration: ContentHash,
    /// When it began.
    pub started_wall_us: i64,
    /// First tick wanted: [`tick_start`](Self::tick_start) less the pre-trigger.
    pub tick_first_wanted: u64,
    /// First tick of the pull itself.
    pub tick_start: u64,
    /// Number, in its connection, of the chunk that holds the first tick wanted. That chunk need
    /// not be stored yet.
    pub chunk_seq_first: u32,
    /// Air at the time of the pull; `Null` when not known.
    pub air: Value,
    /// Free text.
    pub note: String,
    /// How it ended; `None` stores it as [`PullState::Running`].
    pub end: Option<PullEnd>,
}

impl NewPull {
    /// One with the numbers that it has to have; nothing else is known of it.
    #[must_use]
    pub fn of(connection: ConnectionId, stand: ContentHash, calibration: ContentHash) -> Self {
        Self {
            connection,
            setup: None,
            stand,
            calibration,
            started_wall_us: 0,
            tick_first_wanted: 0,
            tick_start: 0,
            chunk_seq_first: 0,
            air: Value::Null,
            note: String::new(),
            end: None,
        }
    }
}

/// The end of a pull.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PullEnd {
    /// How far it came; not [`PullState::Running`].
    pub state: PullState,
    /// Tick of the highest speed, when it was found.
    pub tick_peak: Option<u64>,
    /// Last tick of the pull.
    pub tick_end: u64,
    /// Number, in its connection, of the last chunk that belongs to it.
    pub chunk_seq_last: u32,
    /// Why it ended so, and what is doubtful about it.
    pub reasons: Vec<String>,
}

impl PullEnd {
    /// Of one that ended as a pull should; its peak was not looked for.
    #[must_use]
    pub const fn stored(tick_end: u64, chunk_seq_last: u32) -> Self {
        Self {
            state: PullState::Stored,
            tick_peak: None,
            tick_end,
            chunk_seq_last,
            reasons: Vec::new(),
        }
    }
}

/// A stored pull.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PullRecord {
    /// Its number.
    pub id: PullId,
    /// Where its bytes come from.
    pub connection: ConnectionId,
    /// The parts that were on.
    pub setup: Option<SetupId>,
    /// The name of that setup.
    pub setup_name: Option<String>,
    /// The stand file that was in force.
    pub stand: ContentHash,
    /// The calibrations that were in force.
    pub calibration: ContentHash,
    /// How far it came.
    pub state: PullState,
    /// When it began.
    pub started_wall_us: i64,
    /// First tick wanted, pre-trigger included.
    pub tick_first_wanted: u64,
    /// First tick of the pull itself.
    pub tick_start: u64,
    /// Tick of the highest speed.
    pub tick_peak: Option<u64>,
    /// Last tick; `None` while running and when interrupted.
    pub tick_end: Option<u64>,
    /// Number of its first chunk in its connection.
    pub chunk_seq_first: u32,
    /// Number of its last chunk; `None` while running, and when interrupted before any was stored.
    pub chunk_seq_last: Option<u32>,
    /// Air at the time of the pull.
    pub air: Value,
    /// Why it ended so, and what is doubtful about it.
    pub reasons: Vec<String>,
    /// Free text.
    pub note: String,
}

/// What a person may still change about a stored pull; `None` leaves a thing as it is.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PullEdit {
    /// Another setup, or none.
    pub setup: Option<Option<SetupId>>,
    /// Other air conditions.
    pub air: Option<Value>,
    /// Another note.
    pub note: Option<String>,
}

/// Something that happened, and what it belongs to.
#[derive(Debug, Clone, PartialEq)]
pub struct NewEvent {
    /// The connection it belongs to.
    pub connection: Option<ConnectionId>,
    /// The pull it belongs to.
    pub pull: Option<PullId>,
    /// What happened.
    pub event: Event,
}

impl From<Event> for NewEvent {
    /// Belongs to nothing.
    fn from(event: Event) -> Self {
        Self {
            connection: None,
            pull: None,
            event,
        }
    }
}

/// A stored event.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EventRecord {
    /// Its number; later events have larger numbers.
    pub id: EventId,
    /// When, wall clock.
    pub wall_us: i64,
    /// When, monotonic clock.
    pub mono_us: u64,
    /// When, on the board.
    pub tick: Option<u64>,
    /// The connection it belongs to.
    pub connection: Option<ConnectionId>,
    /// The pull it belongs to.
    pub pull: Option<PullId>,
    /// How much it matters.
    pub severity: Severity,
    /// The word of an [`EventKind`](leverarm_vocabulary::EventKind), or one that a later version wrote.
    pub kind: String,
    /// The channel it is about.
    pub channel: Option<String>,
    /// A sentence for people.
    pub message: String,
    /// What its kind adds, and how often it happened.
    pub data: Value,
    /// That a person has looked at it.
    pub acknowledged: Option<Acknowledgement>,
}

impl EventRecord {
    /// What events of a kind tell; `None` of an event of another.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when what was stored can't be read.
    pub fn payload<P: Payload>(&self) -> Result<Option<P>, StoreError> {
        if self.kind != P::KIND {
            return Ok(None);
        }
        let read = P::deserialize(&self.data);
        let what = || format!("event {} ({})", self.id, self.kind);
        read.map(Some)
            .map_err(|error| StoreError::damaged(what(), error))
    }

    /// How often it happened.
    #[must_use]
    pub fn repeats(&self) -> Repeats {
        Repeats::of(&self.data)
    }
}

/// A person has looked at an event.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Acknowledgement {
    /// When, wall clock.
    pub wall_us: i64,
    /// What they found.
    pub note: String,
}

/// How far a destination, a reader that feeds something elsewhere, has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cursor {
    /// The last chunk that arrived there.
    pub chunk: ChunkId,
    /// The last event that arrived there.
    pub event: EventId,
    /// The last pull that arrived there.
    pub pull: PullId,
}

impl Cursor {
    /// Before everything.
    pub const START: Self = Self {
        chunk: ChunkId::new(0),
        event: EventId::new(0),
        pull: PullId::new(0),
    };
}

/// Order of a list of events.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum EventOrder {
    /// As they happened: with [`EventFilter::after`], the way to follow.
    #[default]
    OldestFirst,
    /// The latest first.
    NewestFirst,
}

/// Which events are wanted; every part left out lets everything through.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EventFilter {
    /// Only events stored after this one.
    pub after: Option<EventId>,
    /// Only events at or after this wall time.
    pub since_wall_us: Option<i64>,
    /// Only events before this wall time.
    pub until_wall_us: Option<i64>,
    /// Only events of this connection.
    pub connection: Option<ConnectionId>,
    /// Only events of this pull.
    pub pull: Option<PullId>,
    /// Only events about this channel.
    pub channel: Option<String>,
    /// Only events of this kind.
    pub kind: Option<String>,
    /// Only events that matter at least this much.
    pub severity_at_least: Severity,
    /// Their order.
    pub order: EventOrder,
    /// No more than this many, taken in that order.
    pub limit: u32,
}

impl EventFilter {
    /// A limit that a page or a terminal can hold.
    pub const LIMIT_DEFAULT: u32 = 1000;
}

impl Default for EventFilter {
    fn default() -> Self {
        Self {
            after: None,
            since_wall_us: None,
            until_wall_us: None,
            connection: None,
            pull: None,
            channel: None,
            kind: None,
            severity_at_least: Severity::Info,
            order: EventOrder::default(),
            limit: Self::LIMIT_DEFAULT,
        }
    }
}
