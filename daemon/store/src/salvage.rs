//! What can still be read of a damaged store, copied into a new one. The damaged one stays as it is.
//!
//! Every row is read by its number, around what is damaged. A chunk is taken if its checksum holds, a
//! text if its hash does. Other rows carry no checksum of their own: they are taken if they can be
//! understood.

use std::fs;
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::path::Path;

use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, Row, params, params_from_iter};

use super::chunk::{self, ChunkHeader};
use super::error::StoreError;
use super::hash::ContentHash;
use super::lock::WriterLock;
use super::open::{DATABASE_FILE, WAL_FILE};
use super::raw_chunks::{self, RawChunk};
use super::reader;
use super::writer::Store;
use crate::files;

/// Tables in an order in which each refers to earlier ones only, with the column that numbers the
/// rows; none for those that have no row number.
const TABLES: [(&str, Numbered); 10] = [
    ("stand_files", Numbered::Row),
    ("calibrations", Numbered::Row),
    ("calibration_history", Numbered::Row),
    ("connections", Numbered::Row),
    ("setups", Numbered::Row),
    ("chunks", Numbered::Row),
    ("pulls", Numbered::Row),
    ("events", Numbered::Row),
    ("meta", Numbered::Not),
    ("cursors", Numbered::Not),
];

/// Acknowledgements come last: they go with their events.
const LAST_TABLE: (&str, Numbered) = ("acknowledgements", Numbered::Row);

#[derive(Clone, Copy, PartialEq)]
enum Numbered {
    Row,
    Not,
}

/// Row numbers tried one by one where a table can't be walked through. A number damaged to be far
/// too large must not make this endless.
const TRIED_MAX: i64 = 1_000_000;

/// Fixed fields at the start of every database of ours (SQLite's file format, section 1.3): magic,
/// 4096 bytes a page, write-ahead log, nothing reserved, payload fractions.
const HEADER: &[u8; 24] = b"SQLite format 3\0\x10\0\x02\x02\0\x40\x20\x20";
/// Size of the database header, where the tree of the first page begins.
const HEADER_BYTES: usize = 100;
const PAGE_BYTES: usize = 4096;

/// What was saved, and what was not.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Salvage {
    /// Rows in the new store, by table.
    pub kept: Vec<(&'static str, u64)>,
    /// What is damaged or could not be read, in words, and is not in the new store.
    pub lost: Vec<String>,
}

/// Copies what can be read of the store in `from` into a new store in `into`, which must not exist
/// yet. No daemon may run on `from`; nothing in it is changed.
///
/// # Errors
/// [`StoreError::NoStore`] and [`StoreError::Locked`] for `from`; [`StoreError::BackupExists`],
/// [`FolderNotMade`](StoreError::FolderNotMade) and [`DiskFull`](StoreError::DiskFull) for `into`.
pub fn salvage(from: &Path, into: &Path) -> Result<Salvage, StoreError> {
    if !from.join(DATABASE_FILE).is_file() {
        return Err(StoreError::NoStore {
            folder: from.into(),
        });
    }
    if into.exists() {
        return Err(StoreError::BackupExists {
            folder: into.into(),
        });
    }
    let _lock = WriterLock::take(from)?;
    // Under another name until it is whole.
    let mut partial = into.as_os_str().to_owned();
    partial.push(".partial");
    let partial = Path::new(&partial);
    let failed = |source| StoreError::from_io(partial, "save what can be read", source);
    if partial.exists() {
        fs::remove_dir_all(partial).map_err(failed)?;
    }
    let scratch = partial.join("damaged");
    files::make_own_folder(&scratch)
        .map_err(|source| StoreError::from_making_folder(&scratch, source))?;
    copy_damaged(from, &scratch).map_err(failed)?;

    drop(Store::open(partial)?);
    let mut new_tree = [0; PAGE_BYTES - HEADER_BYTES];
    fs::File::open(partial.join(DATABASE_FILE))
        .and_then(|new| new.read_exact_at(&mut new_tree, HEADER_BYTES as u64))
        .map_err(failed)?;
    let mut target = Target::open(partial)?;
    target.take_all(&scratch, &new_tree)?;
    target.take_loose_chunks(&scratch).map_err(failed)?;
    let mut salvage = target.finish()?;
    if let Err(error) = files::copy_pictures(from, partial) {
        salvage.lost.push(format!("pictures of parts: {error}"));
    }
    fs::remove_dir_all(&scratch).map_err(failed)?;
    fs::rename(partial, into).map_err(failed)?;
    Ok(salvage)
}

/// A copy on which SQLite may write as it likes, its header made good.
fn copy_damaged(from: &Path, scratch: &Path) -> std::io::Result<()> {
    if from.join(WAL_FILE).exists() {
        fs::copy(from.join(WAL_FILE), scratch.join(WAL_FILE))?;
    }
    let copy = scratch.join(DATABASE_FILE);
    fs::copy(from.join(DATABASE_FILE), &copy)?;
    fs::File::options()
        .write(true)
        .open(copy)?
        .write_all(HEADER)
}

fn open_damaged(folder: &Path) -> rusqlite::Result<Connection> {
    let source = Connection::open_with_flags(
        folder.join(DATABASE_FILE),
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )?;
    // A table whose definition is damaged must not keep the others from being read.
    source.pragma_update(None, "writable_schema", true)?;
    source.pragma_update(None, "cell_size_check", true)?;
    source.query_row("SELECT count(*) FROM sqlite_schema", [], |row| {
        row.get::<_, i64>(0)
    })?;
    // What only the log holds goes into the file, where the search page by page finds it too. A log
    // that can't be put there is read all the same.
    drop(source.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())));
    Ok(source)
}

/// What SQLite itself finds wrong with the trees of a database; the first of it.
fn structure(source: &Connection) -> Vec<String> {
    let found = || -> rusqlite::Result<Vec<String>> {
        source
            .prepare("PRAGMA integrity_check(10)")?
            .query_map([], |row| row.get(0))?
            .collect()
    };
    match found() {
        Ok(mut lines) => {
            lines.retain(|line| line != "ok");
            lines
                .iter()
                .map(|line| format!("structure: {line}"))
                .collect()
        }
        Err(error) => vec![format!("structure: {error}")],
    }
}

/// The tree of the first page, which is the list of tables, as a new store has it.
fn with_new_first_page(
    scratch: &Path,
    new_tree: &[u8],
) -> Result<Connection, Box<dyn std::error::Error>> {
    fs::File::options()
        .write(true)
        .open(scratch.join(DATABASE_FILE))?
        .write_all_at(new_tree, HEADER_BYTES as u64)?;
    Ok(open_damaged(scratch)?)
}

struct Target<'a> {
    connection: Connection,
    folder: &'a Path,
    salvage: Salvage,
}

impl<'a> Target<'a> {
    fn open(folder: &'a Path) -> Result<Self, StoreError> {
        let open = || {
            let connection = Connection::open(folder.join(DATABASE_FILE))?;
            connection.pragma_update(None, "foreign_keys", false)?;
            connection.execute_batch("BEGIN")?;
            Ok(connection)
        };
        Ok(Self {
            connection: open().map_err(|source| failed(folder, source))?,
            folder,
            salvage: Salvage::default(),
        })
    }

    fn take_all(&mut self, scratch: &Path, new_tree: &[u8]) -> Result<(), StoreError> {
        let source = match open_damaged(scratch) {
            Ok(source) => source,
            Err(error) => {
                self.lost(format!("the list of tables: {error}"));
                // A store that was made by this version has its tables where a new one has them.
                match with_new_first_page(scratch, new_tree) {
                    Ok(source) => source,
                    Err(error) => {
                        self.lost(format!("all tables: {error}"));
                        return Ok(());
                    }
                }
            }
        };
        // A tree that lost a branch reads without an error.
        self.salvage.lost.extend(structure(&source));
        for (table, numbered) in TABLES.into_iter().chain([LAST_TABLE]) {
            self.take_table(&source, table, numbered)?;
        }
        Ok(())
    }

    /// Chunks that lie in pages which no tree leads to any more.
    fn take_loose_chunks(&mut self, scratch: &Path) -> std::io::Result<()> {
        if self.salvage.lost.is_empty() {
            return Ok(());
        }
        let mut found = 0;
        raw_chunks::scan(&fs::File::open(scratch.join(DATABASE_FILE))?, |raw| {
            // Most are in the new store already, and so are refused.
            found += self.put_raw(&raw).unwrap_or(0);
        });
        if found > 0 {
            self.lost(format!(
                "the way to {found} chunks; they were found page by page, and are kept"
            ));
            let kept = self.salvage.kept.iter_mut().find(|it| it.0 == "chunks");
            match kept {
                Some((_, kept)) => *kept += found as u64,
                None => self.salvage.kept.push(("chunks", found as u64)),
            }
        }
        Ok(())
    }

    fn put_raw(&self, raw: &RawChunk) -> rusqlite::Result<usize> {
        let header = &raw.header;
        self.connection
            .prepare_cached(
                "INSERT INTO chunks (id, connection_id, seq, mono_us_first, mono_us_last, \
                 wall_us_first, tick_first, bytes_len, checksum, zstd) \
                 VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
            )?
            .execute(params![
                raw.id,
                header.connection,
                header.seq,
                header.mono_us_first,
                header.mono_us_last,
                header.wall_us_first,
                header.tick_first,
                raw.bytes_len,
                raw.checksum,
                raw.blob,
            ])
    }

    fn lost(&mut self, what: String) {
        self.salvage.lost.push(what);
    }

    /// Columns that both have: an older store lacks some.
    fn columns(&self, source: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
        let names = |connection: &Connection| -> rusqlite::Result<Vec<String>> {
            connection
                .prepare("SELECT name FROM pragma_table_info(?)")?
                .query_map([table], |row| row.get(0))?
                .collect()
        };
        let there = names(source)?;
        let mut here = names(&self.connection)?;
        here.retain(|name| there.contains(name));
        Ok(here)
    }

    fn take_table(
        &mut self,
        source: &Connection,
        table: &'static str,
        numbered: Numbered,
    ) -> Result<(), StoreError> {
        let columns = match self.columns(source, table) {
            Ok(columns) => columns,
            Err(error) => {
                self.lost(format!("table {table}: {error}"));
                return Ok(());
            }
        };
        if columns.is_empty() {
            return Ok(()); // of a later version than the damaged store
        }
        let list = columns.join(", ");
        let places = vec!["?"; columns.len()].join(", ");
        let insert = format!("INSERT INTO {table} ({list}) VALUES ({places})");
        let mut lost = Vec::new();
        let mut kept = 0;
        let mut put = |row: &Row<'_>| -> rusqlite::Result<()> {
            let offset = usize::from(numbered == Numbered::Row);
            let values: Vec<Value> = (0..columns.len())
                .map(|index| row.get(index + offset))
                .collect::<rusqlite::Result<_>>()?;
            let outcome = verify(table, row).and_then(|()| {
                self.connection
                    .prepare_cached(&insert)
                    .and_then(|mut insert| insert.execute(params_from_iter(values)))
                    .map_err(|error| error.to_string())
            });
            match outcome {
                Ok(_) => kept += 1,
                Err(why) => lost.push(format!("{}: {why}", name_of(table, row))),
            }
            Ok(())
        };
        let damage = match numbered {
            Numbered::Row => walk(source, table, &list, &mut put),
            Numbered::Not => {
                let sql = format!("SELECT {list} FROM {table}");
                let error = each(source, &sql, [], &mut put).err();
                error
                    .map(|e| format!("the rest of {table}: {e}"))
                    .into_iter()
                    .collect()
            }
        };
        self.salvage.lost.extend(damage);
        self.salvage.lost.append(&mut lost);
        self.salvage.kept.push((table, kept));
        Ok(())
    }

    /// Puts the new store in order: what refers to something lost, and rows that can't be
    /// understood.
    fn finish(mut self) -> Result<Salvage, StoreError> {
        let folder = self.folder;
        self.mend().map_err(|source| failed(folder, source))?;
        let Self {
            connection,
            salvage,
            ..
        } = self;
        connection
            .execute_batch("COMMIT")
            .map_err(|source| failed(folder, source))?;
        connection
            .close()
            .map_err(|(_, source)| failed(folder, source))?;
        Ok(salvage)
    }

    fn mend(&mut self) -> rusqlite::Result<()> {
        for (table, sql, read) in reader::ROWS {
            let ids: Vec<i64> = self
                .connection
                .prepare(&format!("SELECT id FROM {table}"))?
                .query_map([], |row| row.get(0))?
                .collect::<rusqlite::Result<_>>()?;
            for id in ids {
                let row = self.connection.prepare_cached(sql)?.query_row([id], read);
                if let Err(error) = row {
                    self.connection
                        .execute(&format!("DELETE FROM {table} WHERE id = ?"), [id])?;
                    self.lost(format!("row {id} of {table}: {error}"));
                    if let Some((_, kept)) = self.salvage.kept.iter_mut().find(|it| it.0 == table) {
                        *kept -= 1;
                    }
                }
            }
        }
        for (what, sql) in MENDS {
            let mended = self.connection.execute(sql, [])?;
            if mended > 0 {
                self.lost(format!("{what} ({mended})"));
            }
        }
        Ok(())
    }
}

/// What is done about rows that refer to a lost one, and what that means.
const MENDS: [(&str, &str); 9] = [
    (
        "connections that chunks or pulls belong to; others of their numbers stand for them",
        "INSERT INTO connections (id, port, opened_wall_us, opened_mono_us) \
         SELECT connection_id, '(lost)', min(wall_us), 0 FROM ( \
             SELECT connection_id, wall_us_first AS wall_us FROM chunks UNION ALL \
             SELECT connection_id, started_wall_us FROM pulls) \
         WHERE connection_id NOT IN (SELECT id FROM connections) GROUP BY connection_id",
    ),
    (
        "stand files that pulls belong to; these pulls can't be reduced",
        "INSERT INTO stand_files (hash, text) SELECT DISTINCT stand_hash, '' FROM pulls \
         WHERE stand_hash NOT IN (SELECT hash FROM stand_files)",
    ),
    (
        "calibrations that pulls belong to; these pulls can't be reduced",
        "INSERT INTO calibrations (hash, text) SELECT DISTINCT calibration_hash, '' FROM pulls \
         WHERE calibration_hash NOT IN (SELECT hash FROM calibrations)",
    ),
    (
        "changes of the calibrations whose text is lost",
        "DELETE FROM calibration_history \
         WHERE calibration_hash NOT IN (SELECT hash FROM calibrations)",
    ),
    (
        "stand files of connections",
        "UPDATE connections SET stand_hash = NULL WHERE stand_hash IS NOT NULL \
         AND stand_hash NOT IN (SELECT hash FROM stand_files)",
    ),
    (
        "setups that pulls belong to",
        "UPDATE pulls SET setup_id = NULL WHERE setup_id IS NOT NULL \
         AND setup_id NOT IN (SELECT id FROM setups)",
    ),
    (
        "connections that events belong to",
        "UPDATE events SET connection_id = NULL WHERE connection_id IS NOT NULL \
         AND connection_id NOT IN (SELECT id FROM connections)",
    ),
    (
        "pulls that events belong to",
        "UPDATE events SET pull_id = NULL WHERE pull_id IS NOT NULL \
         AND pull_id NOT IN (SELECT id FROM pulls)",
    ),
    (
        "events that were acknowledged",
        "DELETE FROM acknowledgements WHERE event_id NOT IN (SELECT id FROM events)",
    ),
];

fn failed(folder: &Path, source: rusqlite::Error) -> StoreError {
    StoreError::from_sqlite(folder, "save what can be read", source)
}

fn each(
    source: &Connection,
    sql: &str,
    params: impl rusqlite::Params,
    put: &mut impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut statement = source.prepare_cached(sql)?;
    let mut rows = statement.query(params)?;
    while let Some(row) = rows.next()? {
        put(row)?;
    }
    Ok(())
}

/// Reads a table from its first row up to the first damage, from its last row down to the last
/// damage, and what lies between row by row. Returns what can't be read.
fn walk(
    source: &Connection,
    table: &str,
    columns: &str,
    put: &mut impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
) -> Vec<String> {
    let select = |rest: &str| format!("SELECT rowid, {columns} FROM {table} NOT INDEXED {rest}");
    let mut low = i64::MIN;
    let upwards = each(source, &select("ORDER BY rowid"), [], &mut |row| {
        put(row)?;
        low = row.get(0)?;
        Ok(())
    });
    let Err(first) = upwards else {
        return Vec::new();
    };
    let mut high: Option<i64> = None;
    let downwards = select("WHERE rowid > ? ORDER BY rowid DESC");
    // Its error is the same damage, seen from above.
    drop(each(source, &downwards, [low], &mut |row| {
        put(row)?;
        high = Some(row.get(0)?);
        Ok(())
    }));
    let from = if low == i64::MIN {
        1
    } else {
        low.saturating_add(1)
    };
    let last = high.map_or_else(|| last_number(source, table, from), |high| high - 1);
    let mut lost: Option<(i64, i64)> = None;
    for id in from..=last.min(from.saturating_add(TRIED_MAX)) {
        if each(source, &select("WHERE rowid = ?"), [id], put).is_err() {
            lost = Some((lost.map_or(id, |(first, _)| first), id));
        }
    }
    let between = lost.map_or_else(String::new, |(a, b)| format!(", rows within {a} to {b}"));
    vec![format!("table {table}{between}: {first}")]
}

/// The highest number a table ever gave to a row.
fn last_number(source: &Connection, table: &str, from: i64) -> i64 {
    let sql = "SELECT seq FROM sqlite_sequence WHERE name = ?";
    let last: rusqlite::Result<i64> = source.query_row(sql, [table], |row| row.get(0));
    last.unwrap_or_else(|_unreadable| from.saturating_add(TRIED_MAX / 10))
}

fn name_of(table: &str, row: &Row<'_>) -> String {
    let number = |column: &str| row.get::<_, i64>(column).ok();
    match (table, number("seq"), number("connection_id")) {
        ("chunks", Some(seq), Some(connection)) => {
            format!("chunk {seq} of connection {connection}")
        }
        _ => match row.get_ref(0).map(Value::try_from) {
            Ok(Ok(Value::Integer(number))) => format!("row {number} of {table}"),
            _ => format!("a row of {table}"),
        },
    }
}

/// Whether a row that carries its own check passes it.
fn verify(table: &str, row: &Row<'_>) -> Result<(), String> {
    let unreadable = |error: rusqlite::Error| format!("its row cannot be read ({error})");
    match table {
        "chunks" => {
            let read = || -> rusqlite::Result<_> {
                let header = ChunkHeader {
                    connection: row.get("connection_id")?,
                    seq: row.get("seq")?,
                    mono_us_first: row.get("mono_us_first")?,
                    mono_us_last: row.get("mono_us_last")?,
                    wall_us_first: row.get("wall_us_first")?,
                    tick_first: row.get("tick_first")?,
                };
                let blob: Vec<u8> = row.get("zstd")?;
                Ok((header, row.get("bytes_len")?, row.get("checksum")?, blob))
            };
            let (header, bytes_len, checksum, blob) = read().map_err(unreadable)?;
            chunk::unpack(&header, bytes_len, checksum, &blob).map(drop)
        }
        "stand_files" | "calibrations" => {
            let read = || -> rusqlite::Result<(ContentHash, String)> {
                Ok((row.get("hash")?, row.get("text")?))
            };
            let (hash, text) = read().map_err(unreadable)?;
            let found = ContentHash::of(&text);
            if found == hash {
                Ok(())
            } else {
                Err(format!("{hash}: its text has the hash {found}"))
            }
        }
        _ => Ok(()),
    }
}
