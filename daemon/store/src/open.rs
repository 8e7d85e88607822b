//! Opening the database of a store folder, for writing or for reading.

use std::path::Path;
use std::time::Duration;
use std::{fs, io};

use rusqlite::{Connection, OpenFlags};

use super::error::StoreError;
use super::lock::LOCK_FILE;
use super::schema::{self, APPLICATION_ID, SCHEMA_VERSION};
use crate::files::{self, InPlace};

/// The database in the store folder.
pub(super) const DATABASE_FILE: &str = "leverarm.sqlite";

/// Its write-ahead log.
pub(super) const WAL_FILE: &str = "leverarm.sqlite-wal";

/// What its users share of it.
const SHARED_FILE: &str = "leverarm.sqlite-shm";

/// How long SQLite waits for a lock that only lasts as long as another connection's recovery or
/// checkpoint.
const BUSY_TIMEOUT: Duration = Duration::from_secs(5);

/// After a large transaction or a slow reader the write-ahead log is cut back to this.
const WAL_BYTES_KEPT: i64 = 16 << 20;

/// When the store in a folder was written last, by the times of its files; none where there is no
/// store.
#[must_use]
pub fn last_written(folder: &Path) -> Option<std::time::SystemTime> {
    let files = [DATABASE_FILE, WAL_FILE, LOCK_FILE].map(|name| folder.join(name));
    let written = files.iter().map(|file| fs::metadata(file)?.modified());
    written.flatten().max()
}

/// Room taken and room left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct StoreSize {
    /// The database, bytes.
    pub database_bytes: u64,
    /// The write-ahead log beside it, bytes.
    pub wal_bytes: u64,
    /// Room left on the disk for this user, bytes.
    pub free_bytes: u64,
}

impl StoreSize {
    pub(super) fn of(folder: &Path) -> Result<Self, StoreError> {
        let failed = |source| StoreError::from_io(folder, "measure the store", source);
        let len = |file: &str| match fs::metadata(folder.join(file)) {
            Ok(metadata) => Ok(Some(metadata.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(failed(error)),
        };
        Ok(Self {
            database_bytes: len(DATABASE_FILE)?.ok_or_else(|| StoreError::Vanished {
                folder: folder.into(),
                what: format!("{DATABASE_FILE} was moved or deleted"),
            })?,
            wal_bytes: len(WAL_FILE)?.unwrap_or(0),
            free_bytes: fs4::available_space(folder).map_err(failed)?,
        })
    }
}

/// Opens the database for the one writer, makes it if there is none, and brings its tables up to
/// date. The caller holds the writer's lock.
pub(super) fn open_writer(folder: &Path) -> Result<Connection, StoreError> {
    let failed = |source| StoreError::from_sqlite(folder, "open the database", source);
    let path = folder.join(DATABASE_FILE);
    // What SQLite lays beside it gets the same mode.
    files::make_own(&path)
        .map_err(|source| StoreError::from_io(folder, "make the database", source))?;
    let mut connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
    .map_err(failed)?;
    connection.busy_timeout(BUSY_TIMEOUT).map_err(failed)?;

    // Looked at before anything is changed: a file that is not ours stays as it is.
    identify(folder, &connection)?;

    let mode: String = connection
        .pragma_update_and_check(None, "journal_mode", "wal", |row| row.get(0))
        .map_err(failed)?;
    if mode != "wal" {
        return Err(StoreError::Invalid {
            what: "journal mode of the database",
            expected: "wal (its file system must share memory: a local disk)".into(),
            found: mode,
        });
    }
    set_writer_pragmas(&connection).map_err(failed)?;
    schema::migrate(&mut connection, &schema::STEPS)
        .map_err(|source| StoreError::from_sqlite(folder, "bring the tables up to date", source))?;
    Ok(connection)
}

fn set_writer_pragmas(connection: &Connection) -> rusqlite::Result<()> {
    connection.pragma_update(None, "synchronous", "full")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    connection.pragma_update_and_check(None, "journal_size_limit", WAL_BYTES_KEPT, |_| Ok(()))
}

/// The files of an open database. SQLite goes on writing to them without a word wherever they are.
pub(super) fn in_place(folder: &Path) -> InPlace {
    let mut files = InPlace::default();
    files.watch(folder.join(DATABASE_FILE), u64::MAX);
    files.watch(folder.join(WAL_FILE), WAL_BYTES_KEPT.cast_unsigned());
    files.watch(folder.join(SHARED_FILE), u64::MAX);
    // Without it a second writer could come.
    files.watch(folder.join(LOCK_FILE), 0);
    files
}

/// Opens the database for a reader. It is neither made nor brought up to date.
pub(super) fn open_reader(folder: &Path) -> Result<Connection, StoreError> {
    try_open_reader(folder).map_err(|error| match error {
        StoreError::ReadOnly { folder } => StoreError::CannotRead { folder },
        other => other,
    })
}

fn try_open_reader(folder: &Path) -> Result<Connection, StoreError> {
    let failed = |source| StoreError::from_sqlite(folder, "open the database", source);
    let path = folder.join(DATABASE_FILE);
    if !path.is_file() {
        return Err(StoreError::NoStore {
            folder: folder.into(),
        });
    }
    let connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
    .map_err(failed)?;
    connection.busy_timeout(BUSY_TIMEOUT).map_err(failed)?;
    connection
        .pragma_update(None, "cell_size_check", true)
        .map_err(failed)?;
    match identify(folder, &connection)? {
        None => Err(StoreError::NoStore {
            folder: folder.into(),
        }),
        Some(found) if found < SCHEMA_VERSION => Err(StoreError::Older {
            folder: folder.into(),
            found,
        }),
        Some(_) => Ok(connection),
    }
}

/// Version of the tables; `None` for an empty database; an error for one that is not ours or that
/// a later program made.
fn identify(folder: &Path, connection: &Connection) -> Result<Option<u32>, StoreError> {
    let failed = |source| StoreError::from_sqlite(folder, "look at the database", source);
    let application: i32 = connection
        .pragma_query_value(None, "application_id", |row| row.get(0))
        .map_err(failed)?;
    let version: i32 = connection
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .map_err(failed)?;
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(failed)?;
    if (application, version, tables) == (0, 0, 0) {
        return Ok(None);
    }
    match u32::try_from(version) {
        Ok(found) if application == APPLICATION_ID && found > SCHEMA_VERSION => {
            Err(StoreError::Newer {
                folder: folder.into(),
                found,
            })
        }
        Ok(found) if application == APPLICATION_ID && found > 0 => Ok(Some(found)),
        _ => Err(StoreError::NotAStore {
            folder: folder.into(),
            found: format!("a database with application id {application}, version {version}"),
        }),
    }
}
