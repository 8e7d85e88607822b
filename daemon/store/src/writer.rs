//! The one writer.

use std::path::{Path, PathBuf};

use leverarm_vocabulary::Now;
use rusqlite::config::DbConfig;
use rusqlite::types::FromSql;
use rusqlite::{Connection, OptionalExtension, Params, Transaction, TransactionBehavior, params};
use serde_json::Value;

use super::backup;
use super::chunk::{self, CHUNK_BYTES_MAX, NewChunk};
use super::error::{StoreError, not_found};
use super::hash::ContentHash;
use super::lock::WriterLock;
use super::open::{self, StoreSize};
use super::reader::{Record, StoreReader};
use super::records::{
    Acknowledgement, ChunkId, ConnectionId, Cursor, EventId, Hello, NewCalibration, NewEvent,
    NewPull, NewSetup, PullEdit, PullEnd, PullId, PullState, SetupId,
};
use crate::files::{self, InPlace};

/// What a daemon that stopped without closing left behind, put in order by [`Store::open`].
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Connections that were open.
    pub connections: Vec<ConnectionId>,
    /// Pulls that were running, now [`PullState::Interrupted`] up to the last stored chunk.
    pub pulls: Vec<PullId>,
}

/// The writer of a store. Each method is one transaction, on the disk when it returns.
#[derive(Debug)]
pub struct Store {
    // Closed before the lock is let go.
    connection: Connection,
    folder: PathBuf,
    recovered: Recovered,
    in_place: InPlace,
    _lock: WriterLock,
}

/// An error inside a transaction: SQLite's still lacks the folder and what was being done.
enum Failure {
    Sqlite(rusqlite::Error),
    Store(StoreError),
}

impl From<rusqlite::Error> for Failure {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sqlite(error)
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

impl Store {
    /// Opens the store in `folder` for writing, makes folder and store if they are not there, and
    /// brings older tables up to date.
    ///
    /// # Errors
    ///
    /// [`StoreError::FolderNotMade`], [`ReadOnly`](StoreError::ReadOnly),
    /// [`DiskFull`](StoreError::DiskFull), [`Locked`](StoreError::Locked) while another daemon has
    /// it, [`NotAStore`](StoreError::NotAStore), [`Newer`](StoreError::Newer),
    /// [`Corrupt`](StoreError::Corrupt).
    pub fn open(folder: impl AsRef<Path>) -> Result<Self, StoreError> {
        let mut store = Self::open_as_it_is(folder.as_ref())?;
        store.recovered = store.recover()?;
        Ok(store)
    }

    /// As [`open`](Self::open), but makes none: for what is said of something that is stored.
    ///
    /// # Errors
    ///
    /// [`StoreError::NoStore`]; else as [`open`](Self::open).
    pub fn open_existing(folder: &Path) -> Result<Self, StoreError> {
        if folder.join(open::DATABASE_FILE).is_file() {
            Self::open(folder)
        } else {
            Err(StoreError::NoStore {
                folder: folder.into(),
            })
        }
    }

    /// With connections and pulls as they are under way.
    fn open_as_it_is(folder: &Path) -> Result<Self, StoreError> {
        let folder = folder.to_path_buf();
        files::make_own_folder(&folder)
            .map_err(|source| StoreError::from_making_folder(&folder, source))?;
        let lock = WriterLock::take(&folder)?;
        let connection = open::open_writer(&folder)?;
        let mut store = Self {
            connection,
            in_place: open::in_place(&folder),
            folder,
            recovered: Recovered::default(),
            _lock: lock,
        };
        store.check_in_place()?;
        Ok(store)
    }

    /// Looks whether the files that are open are still those in the folder. Each writing method does
    /// so before it commits.
    ///
    /// # Errors
    ///
    /// [`StoreError::Vanished`] when one was moved, deleted, replaced or cut short.
    pub fn check_in_place(&mut self) -> Result<(), StoreError> {
        self.in_place.check().map_err(|what| StoreError::Vanished {
            folder: self.folder.clone(),
            what,
        })
    }

    /// A copy of all that was ever acknowledged, out of the open files, wherever they are by now; to
    /// be written on in the place of this one: all numbers are the same, and what was under way is.
    ///
    /// # Errors
    ///
    /// As [`StoreReader::backup`].
    pub fn rescue(&self, folder: &Path) -> Result<Self, StoreError> {
        backup::copy(&self.connection, &self.folder, folder)?;
        // Whatever becomes of the log: the database alone is then whole too, wherever it was moved
        // to. The log keeps its length: it may come back.
        drop(
            self.connection
                .query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(())),
        );
        Self::open_as_it_is(folder)
    }

    /// Closes a store whose files are gone. What lies in their places by now is left alone: SQLite
    /// would remove a log by its name.
    pub fn abandon(self) {
        let no_checkpoint = DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE;
        if let Err(error) = self.connection.set_db_config(no_checkpoint, true) {
            tracing::warn!(%error, "the store that is gone is closed as if it were not");
        }
    }

    /// What the last daemon left unfinished.
    #[must_use]
    pub const fn recovered(&self) -> &Recovered {
        &self.recovered
    }

    /// The store folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// A reader of this store.
    ///
    /// # Errors
    ///
    /// As [`StoreReader::open`].
    pub fn reader(&self) -> Result<StoreReader, StoreError> {
        StoreReader::open(&self.folder)
    }

    /// Room taken and room left.
    ///
    /// # Errors
    ///
    /// [`StoreError::Vanished`] when the database is no longer in its folder.
    pub fn size(&self) -> Result<StoreSize, StoreError> {
        StoreSize::of(&self.folder)
    }

    /// Stores that a port was opened, the path of it or a word for a simulated one, and the stand file in force on it,
    /// where known, from [`put_stand`](Self::put_stand).
    ///
    /// # Errors
    ///
    /// [`StoreError::MissingReference`] without that stand file; else, as every writing method,
    /// [`StoreError::DiskFull`], [`StoreError::ReadOnly`], [`StoreError::Corrupt`] or another error of the
    /// database; nothing is stored then.
    pub fn add_connection(
        &mut self,
        stand: Option<ContentHash>,
        port: &str,
        opened: Now,
    ) -> Result<ConnectionId, StoreError> {
        self.write("store a connection", |transaction| {
            insert(
                transaction,
                "INSERT INTO connections (port, opened_wall_us, opened_mono_us, stand_hash) \
                 VALUES (?, ?, ?, ?) RETURNING id",
                params![port, opened.wall_us, opened.mono_us, stand],
            )
            .map_err(Failure::from)
        })
    }

    /// Stores the hello of a connection. The first one stays: a further hello of the same board
    /// and restart, the answer to a question, changes nothing.
    ///
    /// # Errors
    ///
    /// [`StoreError::Invalid`] when another board, restart or tick rate is stored already, because
    /// the chunks so far are in those ticks: a restarted board begins a new connection.
    /// [`StoreError::NotFound`]; else as every writing method.
    pub fn set_hello(&mut self, connection: ConnectionId, hello: &Hello) -> Result<(), StoreError> {
        self.write("store a hello", |transaction| {
            let stored: Option<(Option<u32>, Option<i64>, Option<u16>)> = transaction
                .query_row(
                    "SELECT tick_hz, board_id, boot FROM connections WHERE id = ?",
                    [connection],
                    |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)),
                )
                .optional()?;
            let given = (
                Some(hello.tick_hz),
                Some(hello.board_id.cast_signed()),
                Some(hello.boot),
            );
            match stored {
                None => Err(not_found("connection", connection).into()),
                Some((None, None, None)) => {
                    transaction.execute(
                        "UPDATE connections SET hello = ?, tick_hz = ?, board_id = ?, boot = ? \
                         WHERE id = ?",
                        params![hello.frame, given.0, given.1, given.2, connection],
                    )?;
                    Ok(())
                }
                Some(stored) if stored == given => Ok(()),
                Some((tick_hz, board_id, boot)) => Err(StoreError::invalid(
                    "hello of a connection",
                    board_words(tick_hz, board_id, boot),
                    board_words(given.0, given.1, given.2),
                )
                .into()),
            }
        })
    }

    /// Stores that a port was closed, and why.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every writing method.
    pub fn close_connection(
        &mut self,
        connection: ConnectionId,
        closed_wall_us: i64,
        reason: &str,
    ) -> Result<(), StoreError> {
        self.write("close a connection", |transaction| {
            let changed = transaction.execute(
                "UPDATE connections SET closed_wall_us = ?, closed_reason = ? WHERE id = ?",
                params![closed_wall_us, reason, connection],
            )?;
            found(changed, "connection", connection)
        })
    }

    /// Stores a stand file's text under its hash; the same text is stored once.
    ///
    /// # Errors
    ///
    /// As every writing method.
    pub fn put_stand(&mut self, text: &str) -> Result<ContentHash, StoreError> {
        let hash = ContentHash::of(text);
        self.write("store a stand file", |transaction| {
            transaction.execute(
                "INSERT INTO stand_files (hash, text) VALUES (?, ?) ON CONFLICT DO NOTHING",
                params![hash, text],
            )?;
            Ok(hash)
        })
    }

    /// Stores the calibrations in force, a JSON text kept as it is, under its hash; the same text
    /// is stored once.
    ///
    /// # Errors
    ///
    /// [`StoreError::Invalid`] when it is not JSON; else as every writing method.
    pub fn put_calibration(&mut self, json: &str) -> Result<ContentHash, StoreError> {
        serde_json::from_str::<serde::de::IgnoredAny>(json)
            .map_err(|error| StoreError::invalid("calibrations", "JSON", error))?;
        let hash = ContentHash::of(json);
        self.write("store calibrations", |transaction| {
            transaction.execute(
                "INSERT INTO calibrations (hash, text) VALUES (?, ?) ON CONFLICT DO NOTHING",
                params![hash, json],
            )?;
            Ok(hash)
        })
    }

    /// Stores changed calibrations, which are in force from then on.
    ///
    /// # Errors
    ///
    /// As [`put_calibration`](Self::put_calibration).
    pub fn add_calibration(&mut self, new: &NewCalibration) -> Result<ContentHash, StoreError> {
        let hash = self.put_calibration(&new.json)?;
        self.write("store a change of the calibrations", |transaction| {
            transaction.execute(
                "INSERT INTO calibration_history (wall_us, part, calibration_hash, summary) \
                 VALUES (?, ?, ?, ?)",
                params![new.wall_us, new.part, hash, new.summary],
            )?;
            Ok(hash)
        })
    }

    /// Stores a setup. Its parts stay as they are: other parts are another setup.
    ///
    /// # Errors
    ///
    /// [`StoreError::NameTaken`]; else as every writing method.
    pub fn add_setup(&mut self, new: &NewSetup) -> Result<SetupId, StoreError> {
        self.write("store a setup", |transaction| {
            insert(
                transaction,
                "INSERT INTO setups (name, created_wall_us, notes, parts) VALUES (?, ?, ?, ?) \
                     ON CONFLICT DO NOTHING RETURNING id",
                params![
                    new.name,
                    new.created_wall_us,
                    new.notes,
                    new.parts.to_string()
                ],
            )
            .optional()?
            .ok_or_else(|| {
                StoreError::NameTaken {
                    name: new.name.clone(),
                }
                .into()
            })
        })
    }

    /// Replaces the notes of a setup.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every writing method.
    pub fn set_setup_notes(&mut self, setup: SetupId, notes: &str) -> Result<(), StoreError> {
        self.write("store the notes of a setup", |transaction| {
            let changed = transaction.execute(
                "UPDATE setups SET notes = ? WHERE id = ?",
                params![notes, setup],
            )?;
            found(changed, "setup", setup)
        })
    }

    /// Stores a chunk of the byte log.
    ///
    /// # Errors
    ///
    /// [`StoreError::Invalid`] when it is too long, ends before it begins, or its number is taken;
    /// [`StoreError::MissingReference`] without its connection; else as every writing method.
    pub fn add_chunk(&mut self, new: &NewChunk<'_>) -> Result<ChunkId, StoreError> {
        if new.bytes.len() > CHUNK_BYTES_MAX {
            return Err(StoreError::invalid(
                "bytes of a chunk",
                format!("at most {CHUNK_BYTES_MAX}"),
                new.bytes.len(),
            ));
        }
        if new.mono_us_last < new.mono_us_first {
            return Err(StoreError::invalid(
                "mono_us_last of a chunk",
                format!("at least its mono_us_first {}", new.mono_us_first),
                new.mono_us_last,
            ));
        }
        let doing = "store a chunk";
        let blob = chunk::compress(new.bytes)
            .map_err(|source| StoreError::from_io(&self.folder, doing, source))?;
        let checksum = chunk::checksum(&new.header(), new.bytes);
        self.write(doing, |transaction| {
            insert(
                transaction,
                "INSERT INTO chunks (connection_id, seq, mono_us_first, mono_us_last, \
                     wall_us_first, tick_first, bytes_len, checksum, zstd) \
                     VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING RETURNING id",
                params![
                    new.connection,
                    new.seq,
                    new.mono_us_first,
                    new.mono_us_last,
                    new.wall_us_first,
                    new.tick_first,
                    new.bytes.len(),
                    checksum,
                    blob,
                ],
            )
            .optional()?
            .ok_or_else(|| {
                StoreError::invalid(
                    "number of a chunk",
                    format!("one not yet used in connection {}", new.connection),
                    new.seq,
                )
                .into()
            })
        })
    }

    /// Stores a pull, under way or over.
    ///
    /// # Errors
    ///
    /// [`StoreError::Invalid`] when it ends as [`PullState::Running`];
    /// [`StoreError::MissingReference`] without its connection, setup, stand file or calibrations;
    /// else as every writing method.
    pub fn add_pull(&mut self, new: &NewPull) -> Result<PullId, StoreError> {
        if let Some(end) = &new.end {
            check_end(end)?;
        }
        self.write("store a pull", |transaction| {
            let id = insert(
                transaction,
                "INSERT INTO pulls (connection_id, setup_id, stand_hash, calibration_hash, state, \
                 started_wall_us, tick_first_wanted, tick_start, chunk_seq_first, air, reasons, \
                 note) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, '[]', ?) RETURNING id",
                params![
                    new.connection,
                    new.setup,
                    new.stand,
                    new.calibration,
                    PullState::Running,
                    new.started_wall_us,
                    new.tick_first_wanted,
                    new.tick_start,
                    new.chunk_seq_first,
                    new.air.to_string(),
                    new.note,
                ],
            )?;
            if let Some(end) = &new.end {
                end_pull(transaction, id, end)?;
            }
            Ok(id)
        })
    }

    /// Stores the end of a pull that was stored as running.
    ///
    /// # Errors
    ///
    /// [`StoreError::Invalid`] when `end` says [`PullState::Running`] or the pull had ended
    /// before; [`StoreError::NotFound`]; else as every writing method.
    pub fn finish_pull(&mut self, pull: PullId, end: &PullEnd) -> Result<(), StoreError> {
        check_end(end)?;
        self.write("store the end of a pull", |transaction| {
            let state: Option<PullState> = transaction
                .query_row("SELECT state FROM pulls WHERE id = ?", [pull], |row| {
                    row.get(0)
                })
                .optional()?;
            match state {
                Some(PullState::Running) => end_pull(transaction, pull, end),
                Some(state) => Err(StoreError::invalid(
                    "state of the pull to be ended",
                    PullState::Running.to_string(),
                    state,
                )
                .into()),
                None => Err(not_found("pull", pull).into()),
            }
        })
    }

    /// Changes what a person may still change about a pull.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; [`StoreError::MissingReference`] without that setup; else as
    /// every writing method.
    pub fn edit_pull(&mut self, pull: PullId, edit: &PullEdit) -> Result<(), StoreError> {
        self.write("change a pull", |transaction| {
            let changed = transaction.execute(
                "UPDATE pulls SET setup_id = CASE WHEN ?2 THEN ?3 ELSE setup_id END, \
                 air = coalesce(?4, air), note = coalesce(?5, note) WHERE id = ?1",
                params![
                    pull,
                    edit.setup.is_some(),
                    edit.setup.flatten(),
                    edit.air.as_ref().map(Value::to_string),
                    edit.note,
                ],
            )?;
            found(changed, "pull", pull)
        })
    }

    /// Stores an event.
    ///
    /// # Errors
    ///
    /// [`StoreError::MissingReference`] without its connection or pull; else as every writing
    /// method.
    pub fn add_event(&mut self, new: &NewEvent) -> Result<EventId, StoreError> {
        let event = &new.event;
        self.write("store an event", |transaction| {
            insert(
                transaction,
                "INSERT INTO events (wall_us, mono_us, tick, connection_id, pull_id, severity, \
                     kind, channel, message, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) \
                     RETURNING id",
                params![
                    event.now.wall_us,
                    event.now.mono_us,
                    event.tick,
                    new.connection,
                    new.pull,
                    event.severity.word(),
                    event.kind.word(),
                    event.channel,
                    event.message,
                    event.data().to_string(),
                ],
            )
            .map_err(Failure::from)
        })
    }

    /// Stores that a person has looked at an event, and what they found. A second look replaces the
    /// first.
    ///
    /// # Errors
    ///
    /// [`StoreError::NotFound`]; else as every writing method.
    pub fn acknowledge(
        &mut self,
        event: EventId,
        look: &Acknowledgement,
    ) -> Result<(), StoreError> {
        self.write("acknowledge an event", |transaction| {
            let changed = transaction.execute(
                "INSERT INTO acknowledgements (event_id, wall_us, note) \
                 SELECT id, ?2, ?3 FROM events WHERE id = ?1 \
                 ON CONFLICT DO UPDATE SET wall_us = ?2, note = ?3",
                params![event, look.wall_us, look.note],
            )?;
            found(changed, "event", event)
        })
    }

    /// The cursor of a destination. One that has none yet begins at the end of what is stored.
    ///
    /// # Errors
    ///
    /// As every writing method.
    pub fn begin_cursor(&mut self, destination: &str) -> Result<Cursor, StoreError> {
        self.write("store a cursor", |transaction| {
            transaction.execute(
                "INSERT INTO cursors (destination, chunk_id, event_id, pull_id) SELECT ?, \
                 (SELECT coalesce(max(id), 0) FROM chunks), \
                 (SELECT coalesce(max(id), 0) FROM events), \
                 (SELECT coalesce(max(id), 0) FROM pulls) WHERE true ON CONFLICT DO NOTHING",
                [destination],
            )?;
            transaction
                .query_row(
                    "SELECT * FROM cursors WHERE destination = ?",
                    [destination],
                    Cursor::read,
                )
                .map_err(Failure::from)
        })
    }

    /// Moves the cursor of a destination forward; no part of it ever moves back.
    ///
    /// # Errors
    ///
    /// As every writing method.
    pub fn advance_cursor(&mut self, destination: &str, to: &Cursor) -> Result<(), StoreError> {
        self.write("store a cursor", |transaction| {
            transaction
                .prepare_cached(
                    "INSERT INTO cursors (destination, chunk_id, event_id, pull_id) \
                     VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO UPDATE SET \
                     chunk_id = max(chunk_id, ?2), event_id = max(event_id, ?3), \
                     pull_id = max(pull_id, ?4)",
                )?
                .execute(params![destination, to.chunk, to.event, to.pull])?;
            Ok(())
        })
    }

    /// Keeps a value under a key, such as the current setup; `None` removes it.
    ///
    /// # Errors
    ///
    /// As every writing method.
    pub fn set_meta(&mut self, key: &str, value: Option<&str>) -> Result<(), StoreError> {
        self.write("store a value", |transaction| {
            match value {
                Some(value) => transaction.execute(
                    "INSERT INTO meta (key, value) VALUES (?1, ?2) \
                     ON CONFLICT DO UPDATE SET value = ?2",
                    [key, value],
                )?,
                None => transaction.execute("DELETE FROM meta WHERE key = ?", [key])?,
            };
            Ok(())
        })
    }

    fn recover(&mut self) -> Result<Recovered, StoreError> {
        self.write("put unfinished pulls in order", |transaction| {
            let pulls = transaction
                .prepare(
                    "UPDATE pulls SET state = ?1, \
                     reasons = '[\"the daemon stopped during the pull\"]', \
                     chunk_seq_last = (SELECT max(seq) FROM chunks \
                         WHERE chunks.connection_id = pulls.connection_id) \
                     WHERE state = ?2 RETURNING id",
                )?
                .query_map([PullState::Interrupted, PullState::Running], |row| {
                    row.get(0)
                })?
                .collect::<rusqlite::Result<_>>()?;
            let connections = transaction
                .prepare(
                    "UPDATE connections SET closed_reason = 'the daemon stopped' \
                     WHERE closed_reason IS NULL RETURNING id",
                )?
                .query_map([], |row| row.get(0))?
                .collect::<rusqlite::Result<_>>()?;
            Ok(Recovered { connections, pulls })
        })
    }

    /// Runs `work` in one transaction; an error takes back all of it.
    fn write<T>(
        &mut self,
        doing: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, Failure>,
    ) -> Result<T, StoreError> {
        let in_place = &mut self.in_place;
        let folder = &self.folder;
        let run = || -> Result<T, Failure> {
            let transaction = self
                .connection
                .transaction_with_behavior(TransactionBehavior::Immediate)?;
            let value = work(&transaction)?;
            // Nothing counts as kept that is written where nobody will find it.
            in_place.check().map_err(|what| StoreError::Vanished {
                folder: folder.clone(),
                what,
            })?;
            transaction.commit()?;
            Ok(value)
        };
        run().map_err(|failure| match failure {
            Failure::Sqlite(source) => StoreError::from_sqlite(&self.folder, doing, source),
            Failure::Store(error) => error,
        })
    }
}

/// The number of a new row.
fn insert<Id: FromSql>(
    transaction: &Transaction<'_>,
    sql: &str,
    params: impl Params,
) -> rusqlite::Result<Id> {
    transaction
        .prepare_cached(sql)?
        .query_row(params, |row| row.get(0))
}

fn check_end(end: &PullEnd) -> Result<(), StoreError> {
    if end.state == PullState::Running {
        return Err(StoreError::invalid(
            "state at the end of a pull",
            "stored, aborted, interrupted or tuning",
            end.state,
        ));
    }
    Ok(())
}

fn end_pull(transaction: &Transaction<'_>, pull: PullId, end: &PullEnd) -> Result<(), Failure> {
    transaction.execute(
        "UPDATE pulls SET state = ?, tick_peak = ?, tick_end = ?, chunk_seq_last = ?, reasons = ? \
         WHERE id = ?",
        params![
            end.state,
            end.tick_peak,
            end.tick_end,
            end.chunk_seq_last,
            Value::from(end.reasons.as_slice()).to_string(),
            pull,
        ],
    )?;
    Ok(())
}

fn found(changed: usize, what: &'static str, wanted: impl ToString) -> Result<(), Failure> {
    if changed == 0 {
        Err(not_found(what, wanted).into())
    } else {
        Ok(())
    }
}

fn board_words(tick_hz: Option<u32>, board_id: Option<i64>, boot: Option<u16>) -> String {
    let number = |value: Option<u64>| value.map_or_else(|| "?".to_owned(), |n| n.to_string());
    format!(
        "board {} in its restart {} with {} ticks a second",
        number(board_id.map(i64::cast_unsigned)),
        number(boot.map(u64::from)),
        number(tick_hz.map(u64::from)),
    )
}

#[cfg(test)]
mod tests {
    use super::super::chunk::ChunkRange;
    use super::*;

    fn chunk(connection: ConnectionId, seq: u32, bytes: &[u8]) -> NewChunk<'_> {
        NewChunk {
            connection,
            seq,
            mono_us_first: 0,
            mono_us_last: 0,
            wall_us_first: 0,
            tick_first: None,
            bytes,
        }
    }

    fn pragma(store: &Store, name: &str) -> String {
        store
            .connection
            .pragma_query_value(None, name, |row| {
                row.get_ref(0).map(|value| match value {
                    rusqlite::types::ValueRef::Integer(number) => number.to_string(),
                    other => other.as_str().unwrap().to_owned(),
                })
            })
            .unwrap()
    }

    fn new_store() -> (tempfile::TempDir, Store, ConnectionId) {
        let folder = tempfile::tempdir().unwrap();
        let mut store = Store::open(folder.path()).unwrap();
        let connection = store.add_connection(None, "p", Now::new(0, 0)).unwrap();
        (folder, store, connection)
    }

    #[test]
    fn a_commit_waits_for_the_disk() {
        let (_folder, store, _) = new_store();
        assert_eq!(pragma(&store, "journal_mode"), "wal");
        // SQLite: 2 is FULL.
        assert_eq!(pragma(&store, "synchronous"), "2");
        assert_eq!(pragma(&store, "foreign_keys"), "1");
    }

    /// The limit on pages makes SQLite report what it reports on a full disk.
    #[test]
    fn a_full_disk_is_named_and_loses_nothing_acknowledged() {
        let (folder, mut store, connection) = new_store();
        store
            .connection
            .pragma_update(None, "max_page_count", 100)
            .unwrap();
        // The bytes of a xorshift generator: they do not shrink.
        let mut state = 1_u64;
        let bytes: Vec<u8> = std::iter::repeat_with(|| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state.to_le_bytes()
        })
        .take(2_000)
        .flatten()
        .collect();
        let mut stored = 0;
        let error = loop {
            match store.add_chunk(&chunk(connection, stored, &bytes)) {
                Ok(_) => stored += 1,
                Err(error) => break error,
            }
        };
        assert!(stored > 10, "{stored}");
        assert!(matches!(error, StoreError::DiskFull { .. }), "{error}");
        let text = error.to_string();
        assert!(
            text.contains(&folder.path().display().to_string()),
            "{text}"
        );
        assert!(text.contains("Make room, and the store goes on"), "{text}");

        store
            .connection
            .pragma_update(None, "max_page_count", 1 << 30)
            .unwrap();
        // The chunk that was refused leaves its number free.
        store.add_chunk(&chunk(connection, stored, &bytes)).unwrap();
        let chunks = store
            .reader()
            .unwrap()
            .chunks(connection, &ChunkRange::All)
            .unwrap();
        assert_eq!(chunks.len(), usize::try_from(stored).unwrap() + 1);
        assert!(
            chunks
                .iter()
                .all(|chunk| chunk.as_ref().unwrap().bytes == bytes)
        );
    }

    #[test]
    fn another_program_that_holds_the_database_is_told_of() {
        let (folder, mut store, connection) = new_store();
        let other = Connection::open(folder.path().join(open::DATABASE_FILE)).unwrap();
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        store
            .connection
            .busy_timeout(std::time::Duration::ZERO)
            .unwrap();
        let error = store.add_chunk(&chunk(connection, 0, b"x")).unwrap_err();
        assert!(matches!(error, StoreError::Busy { .. }), "{error}");
        other.execute_batch("ROLLBACK").unwrap();
        store.add_chunk(&chunk(connection, 0, b"x")).unwrap();
    }

    #[test]
    fn a_database_that_cannot_be_written_is_told_of() {
        let (_folder, mut store, connection) = new_store();
        store
            .connection
            .pragma_update(None, "query_only", true)
            .unwrap();
        let error = store.add_chunk(&chunk(connection, 0, b"x")).unwrap_err();
        assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    }

    #[test]
    fn it_moves_to_the_thread_that_writes() {
        fn assert_send<T: Send>() {}
        assert_send::<Store>();
        assert_send::<StoreReader>();
        assert_send::<StoreError>();
    }
}
