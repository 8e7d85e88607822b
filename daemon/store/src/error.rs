//! What can go wrong with a store, each with its cure.

use std::error::Error;
use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use rusqlite::ffi::{SQLITE_CONSTRAINT_FOREIGNKEY, SQLITE_READONLY_DBMOVED};

use super::schema::SCHEMA_VERSION;

/// Less room than this left, and an input/output error of SQLite is put down to a full disk: it
/// reports one so when it cannot grow the files beside the database.
const ROOM_BYTES_MIN: u64 = 1 << 20;

/// An error of the store. The text names what, where and the cure.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// The store folder is not there and could not be made.
    #[error(
        "cannot make the store folder {}: {source}. Check the path, or make the folder and give \
         it to the user that runs the daemon", .folder.display()
    )]
    FolderNotMade {
        /// The store folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A reader was given a folder without a store.
    #[error(
        "no store in {}. Check the path; the daemon makes a store when it first starts on a folder",
        .folder.display()
    )]
    NoStore {
        /// The store folder.
        folder: PathBuf,
    },
    /// The folder or a file in it cannot be written.
    #[error(
        "cannot write to the store folder {}. Give the folder and the files in it to the user that \
         runs the daemon, and check that the disk is not mounted read-only", .folder.display()
    )]
    ReadOnly {
        /// The store folder.
        folder: PathBuf,
    },
    /// A reader may not open the database.
    #[error(
        "this user cannot read the store {}. Check that it may read the files in it and, while no \
         daemon runs on it, write in the folder, because even reading makes files beside the \
         database. A copy elsewhere can be read too", .folder.display()
    )]
    CannotRead {
        /// The store folder.
        folder: PathBuf,
    },
    /// No room is left.
    #[error(
        "no room left on the disk that holds {}. Nothing that was acknowledged is lost. Make room, \
         and the store goes on", .folder.display()
    )]
    DiskFull {
        /// The store folder.
        folder: PathBuf,
    },
    /// Another daemon writes to this store.
    #[error(
        "the store {} is in use by another daemon{}. Stop that one, or give this one another \
         folder", .folder.display(), holder_words(*.holder)
    )]
    Locked {
        /// The store folder.
        folder: PathBuf,
        /// Process number of the other daemon, when it could be read.
        holder: Option<u32>,
    },
    /// Another program holds the database itself.
    #[error(
        "another program keeps the store {} locked. Close whatever has the database open for \
         writing, then try again", .folder.display()
    )]
    Busy {
        /// The store folder.
        folder: PathBuf,
    },
    /// The database is something else.
    #[error(
        "{} is not a store of this program: {found}. Give another folder", .folder.display()
    )]
    NotAStore {
        /// The store folder.
        folder: PathBuf,
        /// What was found instead.
        found: String,
    },
    /// The store was written by a later program.
    #[error(
        "the store {} was made by a newer program: its version is {found}, this program reads up \
         to {SCHEMA_VERSION}. Update this program", .folder.display()
    )]
    Newer {
        /// The store folder.
        folder: PathBuf,
        /// Version of its tables.
        found: u32,
    },
    /// A reader met a store that has not yet been brought up to date.
    #[error(
        "the store {} is from an older program: its version is {found}, this program reads \
         {SCHEMA_VERSION}. Start the daemon on it once, which brings it up to date",
        .folder.display()
    )]
    Older {
        /// The store folder.
        folder: PathBuf,
        /// Version of its tables.
        found: u32,
    },
    /// The database file is damaged.
    #[error(
        "the store {} is damaged: {detail}. Stop the daemon, keep a copy of the folder as it is, \
         and go on from a backup", .folder.display()
    )]
    Corrupt {
        /// The store folder.
        folder: PathBuf,
        /// What is wrong.
        detail: String,
    },
    /// A file of the store was moved, removed, replaced or cut short while open.
    #[error(
        "the store {} was changed under the open daemon: {what}. Put back the very \
         file, not a copy, or stop the daemon", .folder.display()
    )]
    Vanished {
        /// The store folder.
        folder: PathBuf,
        /// What happened to which file.
        what: String,
    },
    /// A symbolic link where a file of the store has to be.
    #[error(
        "{} is a symbolic link, and what it leads to is not touched. Remove the link; the file is \
         made again", .file.display()
    )]
    Link {
        /// The link.
        file: PathBuf,
    },
    /// A backup would overwrite something.
    #[error(
        "{} already holds a store, and a backup overwrites none. Give a new folder",
        .folder.display()
    )]
    BackupExists {
        /// Where the backup was to go.
        folder: PathBuf,
    },
    /// A backup goes into a folder of its own.
    #[error(
        "{}: expected a new or empty folder for the backup, found {found} in it",
        folder.display()
    )]
    BackupAmongOthers {
        /// Where the backup was to go.
        folder: PathBuf,
        /// One of the files there.
        found: String,
    },
    /// Nothing is stored under this number, hash or name.
    #[error("the store holds no {what} {wanted}")]
    NotFound {
        /// A pull, a setup, …
        what: &'static str,
        /// The number, hash or name that was asked for.
        wanted: String,
    },
    /// The name is taken.
    #[error("there is a setup named {name:?} already. Choose another name")]
    NameTaken {
        /// The name.
        name: String,
    },
    /// A setup of this name has other parts.
    #[error(
        "the setup {name:?} is kept with other parts: {kept}; given: {given}. What is bolted on \
         differently is another setup: give it another name, or leave the parts out to take up \
         the one that is kept"
    )]
    OtherParts {
        /// The name.
        name: String,
        /// The parts that it is kept with, in words.
        kept: String,
        /// The parts that were given.
        given: String,
    },
    /// A row refers to one that is not stored.
    #[error("cannot {doing}: it refers to a row that the store does not hold")]
    MissingReference {
        /// What was being done.
        doing: &'static str,
    },
    /// A value that cannot be stored.
    #[error("{what}: {expected} expected, {found} found")]
    Invalid {
        /// Which value.
        what: &'static str,
        /// What it should be.
        expected: String,
        /// What it is.
        found: String,
    },
    /// A stored row is not as it was written.
    #[error("{what} is damaged: {source}. A backup may hold it whole")]
    Damaged {
        /// Which row.
        what: String,
        /// What is wrong with it.
        source: Box<dyn Error + Send + Sync>,
    },
    /// The system refused.
    #[error("cannot {doing} in {}: {source}", .folder.display())]
    Io {
        /// What was being done.
        doing: &'static str,
        /// The store folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Any other error of the database.
    #[error("cannot {doing} in {}: {source}", .folder.display())]
    Sqlite {
        /// What was being done.
        doing: &'static str,
        /// The store folder.
        folder: PathBuf,
        /// What SQLite said.
        source: Box<rusqlite::Error>,
    },
}

fn holder_words(holder: Option<u32>) -> String {
    holder.map_or_else(String::new, |process| format!(" (process {process})"))
}

impl StoreError {
    /// A stored text or row of which nothing can be made, and why.
    pub fn damaged(what: impl Into<String>, why: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self::Damaged {
            what: what.into(),
            source: why.into(),
        }
    }

    pub(super) fn invalid(
        what: &'static str,
        expected: impl Into<String>,
        found: impl ToString,
    ) -> Self {
        Self::Invalid {
            what,
            expected: expected.into(),
            found: found.to_string(),
        }
    }

    pub(super) fn from_making_folder(folder: &Path, source: io::Error) -> Self {
        Self::FolderNotMade {
            folder: folder.into(),
            source,
        }
    }

    pub(super) fn from_io(folder: &Path, doing: &'static str, source: io::Error) -> Self {
        let folder = folder.to_path_buf();
        match source.kind() {
            io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
                Self::ReadOnly { folder }
            }
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::DiskFull { folder },
            _ => Self::Io {
                doing,
                folder,
                source,
            },
        }
    }

    pub(super) fn from_sqlite(folder: &Path, doing: &'static str, source: rusqlite::Error) -> Self {
        let dir = folder;
        let folder = folder.to_path_buf();
        match (
            source.sqlite_error_code(),
            source.sqlite_extended_error_code(),
        ) {
            (_, Some(SQLITE_READONLY_DBMOVED)) => Self::Vanished {
                folder,
                what: "the database was moved or deleted".into(),
            },
            (_, Some(SQLITE_CONSTRAINT_FOREIGNKEY)) => Self::MissingReference { doing },
            (Some(ErrorCode::DiskFull), _) => Self::DiskFull { folder },
            (Some(ErrorCode::SystemIoFailure), _)
                if fs4::available_space(dir).is_ok_and(|bytes| bytes < ROOM_BYTES_MIN) =>
            {
                Self::DiskFull { folder }
            }
            (Some(ErrorCode::SystemIoFailure), _) => Self::Io {
                doing,
                folder,
                source: io::Error::other(source),
            },
            (Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen), _) => Self::ReadOnly { folder },
            (Some(ErrorCode::NotADatabase), _) => Self::NotAStore {
                folder,
                found: "a file that is no database".into(),
            },
            (Some(ErrorCode::DatabaseCorrupt), _) => Self::Corrupt {
                folder,
                detail: source.to_string(),
            },
            (Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked), _) => Self::Busy { folder },
            // The only values whose conversion can fail are unsigned 64-bit times and ticks.
            _ if matches!(source, rusqlite::Error::ToSqlConversionFailure(_)) => Self::Invalid {
                what: doing,
                expected: "times and ticks below 2^63".into(),
                found: source.to_string(),
            },
            _ => Self::Sqlite {
                doing,
                folder,
                source: Box::new(source),
            },
        }
    }
}

pub(super) fn not_found(what: &'static str, wanted: impl ToString) -> StoreError {
    StoreError::NotFound {
        what,
        wanted: wanted.to_string(),
    }
}
