//! The embedded store: everything the daemon must not lose, in one SQLite file.
//!
//! One [`Store`] writes, any number of [`StoreReader`]s read, also while it writes and also when
//! no daemon runs. A method of [`Store`] returns after the commit has reached the disk
//! (`synchronous=FULL`), so that what it returned is acknowledged: neither `kill -9` nor, on a
//! drive that honours a sync, a power cut takes it back.
//!
//! Raw bytes are the truth: a [`Chunk`] is what came out of the port, compressed and guarded by a
//! checksum. A pull is a row that points at a run of chunks and at the stand file and calibrations
//! that were in force; curves are always computed again from there.
//!
//! No clock is read here: every time is passed in.
//!
//! Nothing but SQLite may open `leverarm.sqlite`: closing any other handle on that file inside
//! this process would drop SQLite's own POSIX locks.

mod backup;
mod chunk;
mod error;
pub mod files;
mod hash;
mod lock;
mod open;
mod raw_chunks;
mod reader;
mod records;
mod salvage;
mod schema;
mod writer;

pub use leverarm_vocabulary::Severity;

pub use chunk::{CHUNK_BYTES_MAX, Chunk, ChunkGap, ChunkRange, GapCause, NewChunk};
pub use error::StoreError;
pub use hash::{ContentHash, ContentHashError};
pub use open::{StoreSize, last_written};
pub use reader::StoreReader;
pub use records::{
    Acknowledgement, CalibrationId, CalibrationRecord, ChunkId, ConnectionId, ConnectionRecord,
    Cursor, EventFilter, EventId, EventOrder, EventRecord, Hello, NewCalibration, NewEvent,
    NewPull, NewSetup, PullEdit, PullEnd, PullId, PullRecord, PullState, SetupId, SetupRecord,
};
pub use salvage::{Salvage, salvage};
pub use schema::SCHEMA_VERSION;
pub use writer::{Recovered, Store};
