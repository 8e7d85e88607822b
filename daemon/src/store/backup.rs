//! A copy of the whole store, made while the daemon runs.

use std::fs::{self, File};
use std::path::Path;

use rusqlite::Connection;
use rusqlite::backup::{Backup, StepResult};

use super::error::StoreError;
use super::open::DATABASE_FILE;
use super::reader::StoreReader;

/// The copy's name until it is whole and checked.
const PARTIAL_FILE: &str = "leverarm.sqlite.partial";

impl StoreReader {
    /// Copies the store, as it is at one moment, into `folder`, which is made if it is not there.
    /// The copy gets its name only when it is whole, checked and on the disk. The writer goes on
    /// meanwhile.
    ///
    /// # Errors
    ///
    /// [`StoreError::BackupExists`] when `folder` already holds a store;
    /// [`StoreError::FolderNotMade`], [`ReadOnly`](StoreError::ReadOnly),
    /// [`DiskFull`](StoreError::DiskFull) for that folder;
    /// [`Corrupt`](StoreError::Corrupt) when the copy does not pass SQLite's own check.
    pub fn backup(&self, folder: impl AsRef<Path>) -> Result<(), StoreError> {
        let folder = folder.as_ref();
        fs::create_dir_all(folder).map_err(|source| StoreError::FolderNotMade {
            folder: folder.into(),
            source,
        })?;
        let target = folder.join(DATABASE_FILE);
        if target.exists() {
            return Err(StoreError::BackupExists {
                folder: folder.into(),
            });
        }
        let partial = folder.join(PARTIAL_FILE);
        let failed = |source| StoreError::from_io(folder, "make the backup", source);
        remove_leftover(&partial).map_err(failed)?;
        self.copy_to(folder, &partial)?;
        fs::rename(&partial, &target).map_err(failed)?;
        // A name is on the disk when its folder is.
        File::open(folder)
            .and_then(|opened| opened.sync_all())
            .map_err(failed)
    }

    fn copy_to(&self, folder: &Path, partial: &Path) -> Result<(), StoreError> {
        let failed = |source| StoreError::from_sqlite(folder, "make the backup", source);
        let mut copy = Connection::open(partial).map_err(failed)?;
        // All pages in one step: one read transaction, which no commit of the writer starts anew.
        let step = Backup::new(&self.connection, &mut copy)
            .and_then(|backup| backup.step(-1))
            .map_err(failed)?;
        if step != StepResult::Done {
            return Err(StoreError::Busy {
                folder: folder.into(),
            });
        }
        let check: String = copy
            .query_row("PRAGMA quick_check(1)", [], |row| row.get(0))
            .map_err(failed)?;
        if check != "ok" {
            return Err(StoreError::Corrupt {
                folder: folder.into(),
                detail: check,
            });
        }
        // Leaves no log beside the copy.
        copy.close().map_err(|(_, source)| failed(source))
    }
}

fn remove_leftover(partial: &Path) -> std::io::Result<()> {
    match fs::remove_file(partial) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}
