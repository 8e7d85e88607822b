//! A copy of the whole store, made while the daemon runs.

use std::fs::{self, File};
use std::io;
use std::path::Path;

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, ErrorCode};

use super::error::StoreError;
use super::open::DATABASE_FILE;
use super::reader::StoreReader;
use crate::files;

/// The copy's name until it is whole and checked.
const PARTIAL_FILE: &str = "leverarm.sqlite.partial";

/// The copy, and what SQLite may lay beside it.
const PARTIAL_ENDINGS: [&str; 4] = ["", "-journal", "-wal", "-shm"];

impl StoreReader {
    /// Copies the store, as it is at one moment, into `folder`, which is made if it is not there.
    /// The copy gets its name only when it is whole, checked and on the disk. The writer goes on
    /// meanwhile.
    ///
    /// # Errors
    ///
    /// [`StoreError::BackupExists`] when `folder` already holds a store, and
    /// [`BackupAmongOthers`](StoreError::BackupAmongOthers) when it holds anything else;
    /// [`StoreError::FolderNotMade`], [`ReadOnly`](StoreError::ReadOnly),
    /// [`DiskFull`](StoreError::DiskFull) for that folder;
    /// [`Corrupt`](StoreError::Corrupt) when this store, and so its copy, does not pass SQLite's
    /// own check.
    pub fn backup(&self, folder: impl AsRef<Path>) -> Result<(), StoreError> {
        let folder = folder.as_ref();
        let is_store = folder.join(DATABASE_FILE).exists();
        if let Some(found) = other_file(folder).filter(|_| !is_store) {
            return Err(StoreError::BackupAmongOthers {
                folder: folder.into(),
                found,
            });
        }
        copy(&self.connection, self.folder(), folder)
    }
}

/// A file in the folder that is neither a store's nor left of a backup that broke off.
fn other_file(folder: &Path) -> Option<String> {
    let names = fs::read_dir(folder).ok()?.flatten();
    let names = names.map(|entry| entry.file_name().to_string_lossy().into_owned());
    names.filter(|name| !name.starts_with(DATABASE_FILE)).min()
}

/// Copies what `connection`, to the store `of`, has open into `folder`.
pub(super) fn copy(connection: &Connection, of: &Path, folder: &Path) -> Result<(), StoreError> {
    files::make_own_folder(folder)
        .map_err(|source| StoreError::from_making_folder(folder, source))?;
    let target = folder.join(DATABASE_FILE);
    if target.exists() {
        return Err(StoreError::BackupExists {
            folder: folder.into(),
        });
    }
    let failed = |source| StoreError::from_io(folder, "make the backup", source);
    remove_partial(folder).map_err(failed)?;
    let partial = folder.join(PARTIAL_FILE);
    if let Err(error) = copy_to(connection, of, folder, &partial) {
        // The first error is the one to tell; what stays behind goes with the next attempt.
        drop(remove_partial(folder));
        return Err(error);
    }
    files::copy_pictures(of, folder).map_err(failed)?;
    fs::rename(&partial, &target).map_err(failed)?;
    // A name is on the disk when its folder is.
    File::open(folder)
        .and_then(|opened| opened.sync_all())
        .map_err(failed)
}

fn copy_to(
    connection: &Connection,
    of: &Path,
    folder: &Path,
    partial: &Path,
) -> Result<(), StoreError> {
    let failed = |source| StoreError::from_sqlite(folder, "make the backup", source);
    files::make_own(partial)
        .map_err(|source| StoreError::from_io(folder, "make the backup", source))?;
    let mut copy = Connection::open(partial).map_err(failed)?;
    // All pages in one step: one read transaction, which no commit of the writer starts again.
    let step = Backup::new(connection, &mut copy)
        .and_then(|backup| backup.step(-1))
        .map_err(|source| match source.sqlite_error_code() {
            // The copy is fresh: only what it is made from can be damaged.
            Some(ErrorCode::DatabaseCorrupt) => {
                StoreError::from_sqlite(of, "read the store", source)
            }
            _ => failed(source),
        })?;
    if step != StepResult::Done {
        return Err(StoreError::Busy { folder: of.into() });
    }
    let check: String = copy
        .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
        .map_err(failed)?;
    if check != "ok" {
        return Err(StoreError::Corrupt {
            folder: of.into(),
            detail: check,
        });
    }
    // Leaves no log beside the copy.
    copy.close().map_err(|(_, source)| failed(source))
}

fn remove_partial(folder: &Path) -> io::Result<()> {
    PARTIAL_ENDINGS.iter().try_for_each(|ending| {
        match fs::remove_file(folder.join(format!("{PARTIAL_FILE}{ending}"))) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        }
    })
}
