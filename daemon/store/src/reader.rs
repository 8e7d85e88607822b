//! Reading, from any number of connections, also while the writer writes.

use std::ops::{ControlFlow, RangeInclusive};
use std::path::{Path, PathBuf};

use leverarm_vocabulary::Severity;
use rusqlite::types::{Type, ValueRef};
use rusqlite::{Connection, Params, Row, ToSql, params};
use serde_json::{Map, Value};

use super::chunk::{self, Chunk, ChunkGap, ChunkHeader, ChunkRange, GapCause};
use super::error::{StoreError, not_found};
use super::hash::ContentHash;
use super::open::{self, StoreSize};
use super::records::{
    Acknowledgement, CalibrationRecord, ChunkId, ConnectionId, ConnectionRecord, Cursor,
    EventFilter, EventId, EventOrder, EventRecord, Hello, PullId, PullRecord, SetupRecord,
    StoredSeverity,
};

/// A reader of a store. It never writes, and sees each commit as soon as it is acknowledged.
#[derive(Debug)]
pub struct StoreReader {
    pub(super) connection: Connection,
    folder: PathBuf,
}

impl StoreReader {
    /// Opens the store in `folder` for reading.
    ///
    /// # Errors
    ///
    /// [`StoreError::NoStore`], [`CannotRead`](StoreError::CannotRead),
    /// [`NotAStore`](StoreError::NotAStore),
    /// [`Newer`](StoreError::Newer), [`Older`](StoreError::Older),
    /// [`Corrupt`](StoreError::Corrupt).
    pub fn open(folder: impl AsRef<Path>) -> Result<Self, StoreError> {
        let folder = folder.as_ref().to_path_buf();
        Ok(Self {
            connection: open::open_reader(&folder)?,
            folder,
        })
    }

    /// The store folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Room taken and room left.
    ///
    /// # Errors
    ///
    /// [`StoreError::Vanished`] when the database is no longer in its folder.
    pub fn size(&self) -> Result<StoreSize, StoreError> {
        StoreSize::of(&self.folder)
    }

    /// Every connection, oldest first.
    ///
    /// # Errors
    ///
    /// As every reading method: [`StoreError::Damaged`] when a row cannot be understood,
    /// [`StoreError::Corrupt`] or another error of the database.
    pub fn connections(&self) -> Result<Vec<ConnectionRecord>, StoreError> {
        self.list("SELECT * FROM connections ORDER BY id", [])
    }

    /// One connection.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every reading method.
    pub fn connection(&self, id: ConnectionId) -> Result<ConnectionRecord, StoreError> {
        self.one("SELECT * FROM connections WHERE id = ?", id)
    }

    /// Every setup, oldest first.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn setups(&self) -> Result<Vec<SetupRecord>, StoreError> {
        self.list("SELECT * FROM setups ORDER BY id", [])
    }

    /// The setup of this name.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every reading method.
    pub fn setup_named(&self, name: &str) -> Result<SetupRecord, StoreError> {
        self.maybe("SELECT * FROM setups WHERE name = ?", [name])?
            .ok_or_else(|| not_found("setup named", name))
    }

    /// Every pull, oldest first.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn pulls(&self) -> Result<Vec<PullRecord>, StoreError> {
        self.list(&format!("{PULLS} ORDER BY pulls.id"), [])
    }

    /// The pulls after this one, at most `limit`, oldest first.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn pulls_after(&self, after: PullId, limit: u32) -> Result<Vec<PullRecord>, StoreError> {
        self.list(
            &format!("{PULLS} WHERE pulls.id > ? ORDER BY pulls.id LIMIT ?"),
            params![after, limit],
        )
    }

    /// One pull.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every reading method.
    pub fn pull(&self, id: PullId) -> Result<PullRecord, StoreError> {
        self.one(&format!("{PULLS} WHERE pulls.id = ?"), id)
    }

    /// The text of a stand file, checked against its hash.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; [`StoreError::Damaged`] when the text is no longer the one that
    /// was stored; else as every reading method.
    pub fn stand_text(&self, hash: ContentHash) -> Result<String, StoreError> {
        self.text_by_hash(
            "stand file",
            "SELECT text FROM stand_files WHERE hash = ?",
            hash,
        )
    }

    /// Calibrations, the JSON text as stored, checked against its hash.
    ///
    /// # Errors
    ///
    /// As [`stand_text`](Self::stand_text).
    pub fn calibration_json(&self, hash: ContentHash) -> Result<String, StoreError> {
        self.text_by_hash(
            "calibration",
            "SELECT text FROM calibrations WHERE hash = ?",
            hash,
        )
    }

    /// Every change of the calibrations, oldest first; the last one's are in force.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn calibration_history(&self) -> Result<Vec<CalibrationRecord>, StoreError> {
        self.list("SELECT * FROM calibration_history ORDER BY id", [])
    }

    /// The value kept under a key.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn meta(&self, key: &str) -> Result<Option<String>, StoreError> {
        self.row(
            "value",
            "SELECT value FROM meta WHERE key = ?",
            [key],
            |row| row.get(0),
        )
    }

    /// All events about a channel, oldest first.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn events_about(&self, channel: &str) -> Result<Vec<EventRecord>, StoreError> {
        self.events(&EventFilter {
            channel: Some(channel.to_owned()),
            order: EventOrder::OldestFirst,
            limit: u32::MAX,
            ..EventFilter::default()
        })
    }

    /// The events that `filter` lets through.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn events(&self, filter: &EventFilter) -> Result<Vec<EventRecord>, StoreError> {
        // What is kept out is named, so that a damaged word is told of rather than passed over.
        let lesser: Vec<&str> = Severity::ALL
            .iter()
            .filter(|severity| **severity < filter.severity_at_least)
            .map(|severity| severity.word())
            .collect();
        let lesser = Value::from(lesser).to_string();

        // Only the conditions asked for are in the statement, so that SQLite can use an index.
        let mut conditions = vec!["severity NOT IN (SELECT value FROM json_each(?))"];
        let mut values: Vec<&dyn ToSql> = vec![&lesser];
        fn dynamic<T: ToSql>(value: Option<&T>) -> Option<&dyn ToSql> {
            value.map(|value| value as &dyn ToSql)
        }
        for (condition, value) in [
            ("id > ?", dynamic(filter.after.as_ref())),
            (
                "events.wall_us >= ?",
                dynamic(filter.since_wall_us.as_ref()),
            ),
            ("events.wall_us < ?", dynamic(filter.until_wall_us.as_ref())),
            ("connection_id = ?", dynamic(filter.connection.as_ref())),
            ("pull_id = ?", dynamic(filter.pull.as_ref())),
            ("channel = ?", dynamic(filter.channel.as_ref())),
            ("kind = ?", dynamic(filter.kind.as_ref())),
        ] {
            if let Some(value) = value {
                conditions.push(condition);
                values.push(value);
            }
        }
        values.push(&filter.limit);
        let direction = match filter.order {
            EventOrder::OldestFirst => "ASC",
            EventOrder::NewestFirst => "DESC",
        };
        let conditions = conditions.join(" AND ");
        self.list(
            &format!("{EVENTS} WHERE {conditions} ORDER BY id {direction} LIMIT ?"),
            values.as_slice(),
        )
    }

    /// One event.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every reading method.
    pub fn event(&self, id: EventId) -> Result<EventRecord, StoreError> {
        self.one(&format!("{EVENTS} WHERE id = ?"), id)
    }

    /// How far a destination has come; `None` when it never began.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn cursor(&self, destination: &str) -> Result<Option<Cursor>, StoreError> {
        self.maybe("SELECT * FROM cursors WHERE destination = ?", [destination])
    }

    /// Where a cursor would stand that has seen everything.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn newest(&self) -> Result<Cursor, StoreError> {
        let newest = self.maybe(
            "SELECT (SELECT coalesce(max(id), 0) FROM chunks) AS chunk_id, \
             (SELECT coalesce(max(id), 0) FROM events) AS event_id, \
             (SELECT coalesce(max(id), 0) FROM pulls) AS pull_id",
            [],
        );
        newest.map(|newest| newest.unwrap_or(Cursor::START))
    }

    /// The chunks stored after this one, at most `limit`, in the order in which they were stored; a
    /// damaged one is an `Err` in its place.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn chunks_after(
        &self,
        after: ChunkId,
        limit: u32,
    ) -> Result<Vec<Result<Chunk, ChunkGap>>, StoreError> {
        let stored: Vec<(ChunkId, ConnectionId, u32)> = self.rows(
            "chunk number",
            "SELECT id, connection_id, seq FROM chunks WHERE id > ? ORDER BY id LIMIT ?",
            params![after, limit],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
        )?;
        Ok(stored
            .into_iter()
            .map(|(id, connection, seq)| self.chunk_or_gap(id, connection, seq))
            .collect())
    }

    /// When the first chunk after this one was received, wall clock; `None` when there is none.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn next_chunk_wall_us(&self, after: ChunkId) -> Result<Option<(ChunkId, i64)>, StoreError> {
        self.row(
            "chunk",
            "SELECT id, wall_us_first FROM chunks WHERE id > ? ORDER BY id LIMIT 1",
            [after],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
    }

    /// By how much the wall clock was ahead of the monotonic clock, at most, during the chunks of a
    /// connection before this one; `None` when there are none.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn wall_ahead_us_max(
        &self,
        connection: ConnectionId,
        before_seq: u32,
    ) -> Result<Option<i64>, StoreError> {
        self.row(
            "chunk",
            "SELECT max(wall_us_first - mono_us_first) FROM chunks \
             WHERE connection_id = ? AND seq < ?",
            params![connection, before_seq],
            |row| row.get(0),
        )
        .map(Option::flatten)
    }

    /// Number of the chunk that stands `back` chunks before this one, within its connection if
    /// there are so many.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn chunk_before(&self, id: ChunkId, back: u32) -> Result<Option<ChunkId>, StoreError> {
        self.row(
            "chunk number",
            "SELECT min(earlier.id) FROM chunks AS this JOIN chunks AS earlier \
             ON earlier.connection_id = this.connection_id \
             AND earlier.seq BETWEEN this.seq - ?2 AND this.seq WHERE this.id = ?1",
            params![id, back],
            |row| row.get(0),
        )
        .map(Option::flatten)
    }

    /// The chunks of a pull, in order; of one that runs, those so far. A chunk that is lacking or
    /// damaged is an `Err` in its place, and the others are there all the same.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every reading method.
    pub fn pull_chunks(&self, id: PullId) -> Result<Vec<Result<Chunk, ChunkGap>>, StoreError> {
        let pull = self.pull(id)?;
        let last = match pull.chunk_seq_last {
            Some(last) => last,
            None => match self.chunk_seq_max(pull.connection)? {
                Some(last) => last,
                None => return Ok(Vec::new()),
            },
        };
        self.chunks(
            pull.connection,
            &ChunkRange::Seq(pull.chunk_seq_first..=last),
        )
    }

    /// The checksums of the chunks of a pull as they were written, in order, without reading the
    /// chunks: while they stay the same, so do the bytes.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn chunk_checksums(&self, pull: &PullRecord) -> Result<Vec<(u32, u32)>, StoreError> {
        self.rows(
            "chunk checksum",
            "SELECT seq, checksum FROM chunks WHERE connection_id = ? AND seq BETWEEN ? AND ? \
             ORDER BY seq",
            params![
                pull.connection,
                pull.chunk_seq_first,
                pull.chunk_seq_last.unwrap_or(u32::MAX)
            ],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
    }

    /// The chunks of a connection within a range, in order. A chunk that is lacking or damaged is
    /// an `Err` in its place, and the others are there all the same.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`] without that connection; else as every reading method.
    pub fn chunks(
        &self,
        connection: ConnectionId,
        range: &ChunkRange,
    ) -> Result<Vec<Result<Chunk, ChunkGap>>, StoreError> {
        let mut chunks = Vec::new();
        self.for_each_chunk(connection, range, |chunk| {
            chunks.push(chunk);
            ControlFlow::Continue(())
        })?;
        Ok(chunks)
    }

    /// As [`chunks`](Self::chunks), with one chunk in memory at a time, until `take` breaks off.
    ///
    /// # Errors
    ///
    /// As [`chunks`](Self::chunks).
    pub fn for_each_chunk(
        &self,
        connection: ConnectionId,
        range: &ChunkRange,
        mut take: impl FnMut(Result<Chunk, ChunkGap>) -> ControlFlow<()>,
    ) -> Result<(), StoreError> {
        // Whether it is there is all that matters: its row may be damaged, its chunks whole.
        self.row(
            "connection",
            "SELECT 1 FROM connections WHERE id = ?",
            [connection],
            |_| Ok(()),
        )?
        .ok_or_else(|| not_found("connection", connection))?;
        let Some(wanted) = self.seq_range(connection, range)? else {
            return Ok(());
        };
        // Numbers first, from the index alone: a damaged page then costs its own chunk only.
        let stored: Vec<(u32, ChunkId)> = self.rows(
            "chunk number",
            "SELECT seq, id FROM chunks WHERE connection_id = ? AND seq BETWEEN ? AND ? \
             ORDER BY seq",
            params![connection, wanted.start(), wanted.end()],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        let missing = |seq_first, seq_last| {
            Err(ChunkGap {
                connection,
                seq_first,
                seq_last,
                cause: GapCause::Missing,
            })
        };
        // One past the last number that was handed on, in 64 bits so that it cannot overflow.
        let mut next = u64::from(*wanted.start());
        for (seq, id) in stored {
            if let Some(before) = hole(next, u64::from(seq))
                && take(missing(before.0, before.1)).is_break()
            {
                return Ok(());
            }
            if take(self.chunk_or_gap(id, connection, seq)).is_break() {
                return Ok(());
            }
            next = u64::from(seq) + 1;
        }
        if let Some(after) = hole(next, u64::from(*wanted.end()) + 1)
            && take(missing(after.0, after.1)).is_break()
        {
            return Ok(());
        }
        Ok(())
    }

    /// Looks through the whole database for damage: SQLite's own check of its structure, then
    /// every row, every chunk's checksum and every text's hash. Empty when all is well. Reads
    /// every byte, so it takes its time.
    ///
    /// # Errors
    ///
    /// As every reading method, when the damage is such that the check cannot be made.
    pub fn check(&self) -> Result<Vec<String>, StoreError> {
        let mut found: Vec<String> =
            self.rows("check", "PRAGMA integrity_check", [], |row| row.get(0))?;
        found.retain(|line| line != "ok");

        let events = EventFilter {
            limit: u32::MAX,
            ..EventFilter::default()
        };
        let rows = [
            self.connections().err(),
            self.setups().err(),
            self.pulls().err(),
            self.calibration_history().err(),
            self.events(&events).err(),
        ];
        found.extend(rows.into_iter().flatten().map(|error| error.to_string()));

        let connections: Vec<ConnectionId> =
            self.rows("connection", "SELECT id FROM connections", [], |row| {
                row.get(0)
            })?;
        for connection in connections {
            self.for_each_chunk(connection, &ChunkRange::All, |chunk| {
                found.extend(chunk.err().map(|gap| gap.to_string()));
                ControlFlow::Continue(())
            })?;
        }

        for (table, what) in [
            ("stand_files", "stand file"),
            ("calibrations", "calibration"),
        ] {
            let hashes: Vec<ContentHash> =
                self.rows(what, &format!("SELECT hash FROM {table}"), [], |row| {
                    row.get(0)
                })?;
            let sql = format!("SELECT text FROM {table} WHERE hash = ?");
            let errors = hashes
                .into_iter()
                .map(|hash| self.text_by_hash(what, &sql, hash).err());
            found.extend(errors.flatten().map(|error| error.to_string()));
        }
        Ok(found)
    }

    /// Number of the newest chunk of a connection; `None` before the first.
    ///
    /// # Errors
    ///
    /// As every reading method.
    pub fn chunk_seq_max(&self, connection: ConnectionId) -> Result<Option<u32>, StoreError> {
        self.row(
            "chunk number",
            "SELECT max(seq) FROM chunks WHERE connection_id = ?",
            [connection],
            |row| row.get(0),
        )
        .map(Option::flatten)
    }

    /// The numbers of the chunks that `range` covers; `None` when it covers none.
    fn seq_range(
        &self,
        connection: ConnectionId,
        range: &ChunkRange,
    ) -> Result<Option<RangeInclusive<u32>>, StoreError> {
        let bounds: (Option<u32>, Option<u32>) = match range {
            ChunkRange::Seq(wanted) => (Some(*wanted.start()), Some(*wanted.end())),
            ChunkRange::All => (Some(0), self.chunk_seq_max(connection)?),
            ChunkRange::MonoUs(wanted) if wanted.is_empty() => (None, None),
            ChunkRange::MonoUs(wanted) => {
                // Later than SQLite can store means "to the end".
                let sql_time = |value: &u64| i64::try_from(*value).unwrap_or(i64::MAX);
                let times = (sql_time(wanted.start()), sql_time(wanted.end()));
                self.row(
                    "chunk number",
                    SEQ_BY_MONO,
                    params![connection, times.0, times.1],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                )?
                .unwrap_or_default()
            }
        };
        Ok(match bounds {
            (Some(first), Some(last)) if first <= last => Some(first..=last),
            _ => None,
        })
    }

    fn chunk_or_gap(
        &self,
        id: ChunkId,
        connection: ConnectionId,
        seq: u32,
    ) -> Result<Chunk, ChunkGap> {
        self.chunk(id, connection, seq).map_err(|detail| ChunkGap {
            connection,
            seq_first: seq,
            seq_last: seq,
            cause: GapCause::Damaged { chunk: id, detail },
        })
    }

    /// One chunk, or what is wrong with it.
    fn chunk(&self, id: ChunkId, connection: ConnectionId, seq: u32) -> Result<Chunk, String> {
        self.connection
            .prepare_cached(
                "SELECT connection_id, seq, mono_us_first, mono_us_last, wall_us_first, \
                 tick_first, bytes_len, checksum, zstd FROM chunks WHERE id = ?",
            )
            .and_then(|mut statement| {
                statement.query_row([id], |row| {
                    let header = ChunkHeader {
                        connection: row.get(0)?,
                        seq: row.get(1)?,
                        mono_us_first: row.get(2)?,
                        mono_us_last: row.get(3)?,
                        wall_us_first: row.get(4)?,
                        tick_first: row.get(5)?,
                    };
                    let bytes_len: usize = row.get(6)?;
                    let checksum: u32 = row.get(7)?;
                    let blob = row.get_ref(8)?.as_blob()?;
                    Ok(
                        chunk::unpack(&header, bytes_len, checksum, blob).and_then(|bytes| {
                            if (header.connection, header.seq) != (connection, seq) {
                                return Err(format!(
                                    "its index names it number {seq} of connection {connection}, \
                                 the row number {} of connection {}",
                                    header.seq, header.connection
                                ));
                            }
                            Ok(Chunk {
                                id,
                                connection,
                                seq,
                                mono_us_first: header.mono_us_first,
                                mono_us_last: header.mono_us_last,
                                wall_us_first: header.wall_us_first,
                                tick_first: header.tick_first,
                                bytes,
                            })
                        }),
                    )
                })
            })
            .map_err(|error| format!("its row cannot be read ({error})"))
            .flatten()
    }

    fn text_by_hash(
        &self,
        what: &'static str,
        sql: &str,
        hash: ContentHash,
    ) -> Result<String, StoreError> {
        let text: String = self
            .row(what, sql, [hash], |row| row.get(0))?
            .ok_or_else(|| not_found(what, hash))?;
        let found = ContentHash::of(&text);
        if found != hash {
            let why = format!("its text has the hash {found}");
            return Err(StoreError::damaged(format!("{what} {hash}"), why));
        }
        Ok(text)
    }

    /// Every row of a statement. A row that cannot be understood is named by its first column.
    fn rows<T>(
        &self,
        what: &'static str,
        sql: &str,
        params: impl Params,
        mut read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let failed = |source| self.failed(source);
        let mut statement = self.connection.prepare_cached(sql).map_err(failed)?;
        let mut rows = statement.query(params).map_err(failed)?;
        let mut list = Vec::new();
        while let Some(row) = rows.next().map_err(failed)? {
            list.push(read(row).map_err(|error| damaged(what, row, error))?);
        }
        Ok(list)
    }

    fn row<T>(
        &self,
        what: &'static str,
        sql: &str,
        params: impl Params,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Option<T>, StoreError> {
        Ok(self.rows(what, sql, params, read)?.pop())
    }

    fn list<T: Record>(&self, sql: &str, params: impl Params) -> Result<Vec<T>, StoreError> {
        self.rows(T::WHAT, sql, params, T::read)
    }

    fn maybe<T: Record>(&self, sql: &str, params: impl Params) -> Result<Option<T>, StoreError> {
        self.row(T::WHAT, sql, params, T::read)
    }

    /// The record of a number, which has to be there.
    fn one<T: Record>(&self, sql: &str, id: impl ToSql + ToString) -> Result<T, StoreError> {
        self.maybe(sql, [&id])?
            .ok_or_else(|| not_found(T::WHAT, id))
    }

    pub(super) fn failed(&self, source: rusqlite::Error) -> StoreError {
        StoreError::from_sqlite(&self.folder, "read", source)
    }
}

fn damaged(what: &str, row: &Row<'_>, error: rusqlite::Error) -> StoreError {
    let name = match row.get_ref(0) {
        Ok(ValueRef::Integer(number)) => number.to_string(),
        Ok(ValueRef::Text(text)) => String::from_utf8_lossy(text).into_owned(),
        _ => "without a number".to_owned(),
    };
    let what = format!("{what} {name}");
    match error {
        // What a person reads of it is why the text isn't one, not what the library was about to do.
        rusqlite::Error::FromSqlConversionFailure(.., cause) => StoreError::damaged(what, cause),
        error => StoreError::damaged(what, error),
    }
}

/// The numbers from `next` up to the one before `seq`, if there are any.
fn hole(next: u64, seq: u64) -> Option<(u32, u32)> {
    let last = seq.checked_sub(1).filter(|last| *last >= next)?;
    Some((u32::try_from(next).ok()?, u32::try_from(last).ok()?))
}

/// First and last number of the chunks received within two times.
const SEQ_BY_MONO: &str = "SELECT min(seq), max(seq) FROM chunks \
     WHERE connection_id = ?1 AND mono_us_last >= ?2 AND mono_us_first <= ?3";

const EVENTS: &str = "SELECT events.*, acknowledgements.wall_us AS acknowledged_wall_us, \
     acknowledgements.note AS acknowledged_note \
     FROM events LEFT JOIN acknowledgements ON acknowledgements.event_id = events.id";

const PULLS: &str =
    "SELECT pulls.*, setups.name AS setup_name FROM pulls LEFT JOIN setups ON setups.id = setup_id";

/// What a row of a table holds.
pub(super) trait Record: Sized {
    /// What it is called in errors.
    const WHAT: &'static str;

    fn read(row: &Row<'_>) -> rusqlite::Result<Self>;
}

fn checked<T: Record>(row: &Row<'_>) -> rusqlite::Result<()> {
    T::read(row).map(drop)
}

/// A statement that reads one row by its number, and whether its row can be understood.
type RowCheck = fn(&Row<'_>) -> rusqlite::Result<()>;

/// Tables whose rows are more than their columns' types, and how one is read.
pub(super) const ROWS: [(&str, &str, RowCheck); 5] = [
    (
        "connections",
        "SELECT * FROM connections WHERE id = ?",
        checked::<ConnectionRecord>,
    ),
    (
        "setups",
        "SELECT * FROM setups WHERE id = ?",
        checked::<SetupRecord>,
    ),
    (
        "pulls",
        "SELECT *, NULL AS setup_name FROM pulls WHERE id = ?",
        checked::<PullRecord>,
    ),
    (
        "events",
        "SELECT *, NULL AS acknowledged_wall_us FROM events WHERE id = ?",
        checked::<EventRecord>,
    ),
    (
        "calibration_history",
        "SELECT * FROM calibration_history WHERE id = ?",
        checked::<CalibrationRecord>,
    ),
];

impl Record for ConnectionRecord {
    const WHAT: &'static str = "connection";

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        let hello = match row.get::<_, Option<Vec<u8>>>("hello")? {
            Some(frame) => Some(Hello {
                frame,
                tick_hz: row.get("tick_hz")?,
                board_id: row.get::<_, i64>("board_id")?.cast_unsigned(),
                boot: row.get("boot")?,
            }),
            None => None,
        };
        Ok(Self {
            id: row.get("id")?,
            port: row.get("port")?,
            opened_wall_us: row.get("opened_wall_us")?,
            opened_mono_us: row.get("opened_mono_us")?,
            hello,
            closed_wall_us: row.get("closed_wall_us")?,
            closed_reason: row.get("closed_reason")?,
            stand: row.get("stand_hash")?,
        })
    }
}

impl Record for CalibrationRecord {
    const WHAT: &'static str = "change of the calibrations";

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            id: row.get("id")?,
            wall_us: row.get("wall_us")?,
            part: row.get("part")?,
            calibration: row.get("calibration_hash")?,
            summary: row.get("summary")?,
        })
    }
}

impl Record for Cursor {
    const WHAT: &'static str = "cursor";

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            chunk: row.get("chunk_id")?,
            event: row.get("event_id")?,
            pull: row.get("pull_id")?,
        })
    }
}

impl Record for SetupRecord {
    const WHAT: &'static str = "setup";

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            id: row.get("id")?,
            name: row.get("name")?,
            created_wall_us: row.get("created_wall_us")?,
            notes: row.get("notes")?,
            parts: json::<Option<Map<String, Value>>>(row, "parts")?.into(),
        })
    }
}

impl Record for PullRecord {
    const WHAT: &'static str = "pull";

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            id: row.get("id")?,
            connection: row.get("connection_id")?,
            setup: row.get("setup_id")?,
            setup_name: row.get("setup_name")?,
            stand: row.get("stand_hash")?,
            calibration: row.get("calibration_hash")?,
            state: row.get("state")?,
            started_wall_us: row.get("started_wall_us")?,
            tick_first_wanted: row.get("tick_first_wanted")?,
            tick_start: row.get("tick_start")?,
            tick_peak: row.get("tick_peak")?,
            tick_end: row.get("tick_end")?,
            chunk_seq_first: row.get("chunk_seq_first")?,
            chunk_seq_last: row.get("chunk_seq_last")?,
            air: json(row, "air")?,
            reasons: json(row, "reasons")?,
            note: row.get("note")?,
        })
    }
}

impl Record for EventRecord {
    const WHAT: &'static str = "event";

    fn read(row: &Row<'_>) -> rusqlite::Result<Self> {
        Ok(Self {
            id: row.get("id")?,
            wall_us: row.get("wall_us")?,
            mono_us: row.get("mono_us")?,
            tick: row.get("tick")?,
            connection: row.get("connection_id")?,
            pull: row.get("pull_id")?,
            severity: row.get::<_, StoredSeverity>("severity")?.0,
            kind: row.get("kind")?,
            channel: row.get("channel")?,
            message: row.get("message")?,
            data: json(row, "data")?,
            acknowledged: match row.get("acknowledged_wall_us")? {
                Some(wall_us) => Some(Acknowledgement {
                    wall_us,
                    note: row.get("acknowledged_note")?,
                }),
                None => None,
            },
        })
    }
}

fn json<T: serde::de::DeserializeOwned>(row: &Row<'_>, column: &str) -> rusqlite::Result<T> {
    let index = row.as_ref().column_index(column)?;
    serde_json::from_str(row.get_ref(index)?.as_str()?)
        .map_err(|error| rusqlite::Error::FromSqlConversionFailure(index, Type::Text, error.into()))
}

#[cfg(test)]
mod tests {
    use super::super::schema::{STEPS, migrate};
    use super::*;

    /// How SQLite says it will go about a statement.
    fn plan(sql: &str) -> Vec<String> {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection, &STEPS).unwrap();
        let mut statement = connection
            .prepare(&format!("EXPLAIN QUERY PLAN {sql}"))
            .unwrap();
        let parameters = statement.parameter_count();
        statement
            .query_map(rusqlite::params_from_iter(vec![0; parameters]), |row| {
                row.get("detail")
            })
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap()
    }

    /// A chunk's row carries its bytes: looking for a time must not go through the rows.
    #[test]
    fn ranges_are_found_in_the_indexes_alone() {
        let numbers = "SELECT seq, id FROM chunks WHERE connection_id = ? AND seq BETWEEN ? AND ?";
        for sql in [SEQ_BY_MONO, numbers] {
            let plan = plan(sql);
            let touching: Vec<_> = plan.iter().filter(|step| step.contains("chunks")).collect();
            assert!(!touching.is_empty(), "{plan:?}");
            for step in touching {
                assert!(step.contains("USING COVERING INDEX"), "{plan:?}");
            }
        }
    }

    #[test]
    fn a_pulls_events_are_found_by_index() {
        let plan = plan(&format!("{EVENTS} WHERE pull_id = ? ORDER BY id"));
        assert!(plan[0].contains("USING INDEX events_by_pull"), "{plan:?}");
    }

    /// A follower asks again and again, whatever the journal holds.
    #[test]
    fn later_events_are_found_by_number() {
        let plan = plan(&format!("{EVENTS} WHERE id > ? ORDER BY id"));
        assert!(plan[0].contains("USING INTEGER PRIMARY KEY"), "{plan:?}");
    }
}
