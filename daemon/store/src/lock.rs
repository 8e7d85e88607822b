//! One writer to a store: an advisory lock on a file beside the database.
//!
//! The lock belongs to the open file, so that the system lets it go with the process, however
//! that ends. The file itself stays; only the lock on it counts.

use std::fs::{File, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::Path;

use super::error::StoreError;
use crate::files;

pub(super) const LOCK_FILE: &str = "writer.lock";

/// Held as long as it lives.
#[derive(Debug)]
pub(super) struct WriterLock {
    file: File,
}

impl WriterLock {
    pub(super) fn take(folder: &Path) -> Result<Self, StoreError> {
        let path = folder.join(LOCK_FILE);
        let failed = |source| StoreError::from_io(folder, "take the writer's lock", source);
        let mut file = files::own_file().read(true).open(&path).map_err(|source| {
            match files::is_link(&source) {
                true => StoreError::Link { file: path.clone() },
                false => failed(source),
            }
        })?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::Locked {
                    folder: folder.into(),
                    holder: holder(&mut file),
                });
            }
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
        // The number only helps the message of a second daemon, so it may fail to be written.
        drop(write_holder(&mut file));
        Ok(Self { file })
    }
}

impl Drop for WriterLock {
    /// A process that is just being started has a copy of the open file until its program runs, and would keep the lock
    /// that long.
    fn drop(&mut self) {
        // One that can't be let go ends with the file.
        drop(self.file.unlock());
    }
}

fn write_holder(file: &mut File) -> std::io::Result<()> {
    file.set_len(0)?;
    file.rewind()?;
    writeln!(file, "{}", std::process::id())
}

fn holder(file: &mut File) -> Option<u32> {
    let mut text = String::new();
    file.take(16).read_to_string(&mut text).ok()?;
    text.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_of_the_open_file_does_not_keep_the_lock() {
        let folder = tempfile::tempdir().unwrap();
        let lock = WriterLock::take(folder.path()).unwrap();
        let _copy = lock.file.try_clone().unwrap();
        let taken = WriterLock::take(folder.path()).unwrap_err();
        assert!(matches!(taken, StoreError::Locked { .. }), "{taken}");
        drop(lock);
        WriterLock::take(folder.path()).unwrap();
    }
}
