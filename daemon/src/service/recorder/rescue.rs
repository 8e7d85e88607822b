//! What the recorder does when the files of the store are gone from under it.
//!
//! SQLite goes on writing to the open files, wherever they are, and all of it ends with the process.
//! So everything acknowledged is copied out of them at once into a new store beside the old one.
//! Records wait meanwhile, as for a full disk. Should the files come back they go into these, else
//! into the copy, in which all numbers are the same. The daemon is not fit to guard until the files
//! are back, or it is restarted.

use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;

use super::{Recorder, RecorderError};
use leverarm_live::{Event, Now};
use leverarm_store::{Store, StoreError};
use leverarm_vocabulary::payload::StoreVanished;

/// So long for somebody to put the files back.
const GRACE_US: u64 = 3_000_000;
/// So long before a copy that failed is tried again.
const COPY_AGAIN_US: u64 = 2_000_000;
/// Folders tried for the copy.
const FOLDERS_MAX: u32 = 100;
const ENDING: &str = "rescued";

/// From the moment the files are missed.
#[derive(Debug)]
pub(super) struct Rescue {
    since_us: u64,
    copy_due_us: u64,
    copy: Option<Store>,
    /// What was stored can't be read any more: only what comes can be saved.
    is_unreadable: bool,
}

impl Recorder {
    /// Looks whether the files of the store are in their places, and does what has to be done.
    pub(super) fn look_after_store(&mut self) {
        match (self.store.check_in_place(), self.rescue.take()) {
            (Ok(()), None) => {}
            (Ok(()), Some(rescue)) => self.go_on_as_before(rescue),
            (Err(error), rescue) => {
                let now = self.clock.now();
                let rescue = rescue.unwrap_or_else(|| {
                    self.flow.gone.store(true, Ordering::Relaxed);
                    tracing::error!(
                        "{error}. Heartbeats stop, so the board cuts; all that was stored is copied now"
                    );
                    Rescue {
                        since_us: now.mono_us,
                        copy_due_us: 0,
                        copy: None,
                        is_unreadable: false,
                    }
                });
                self.rescue = self.carry_on(rescue, &error, now);
            }
        }
    }

    /// Copies, and after the grace goes on in the copy. Gives back what is still to be done.
    fn carry_on(&mut self, mut rescue: Rescue, error: &StoreError, now: Now) -> Option<Rescue> {
        if rescue.copy.is_none() && now.mono_us >= rescue.copy_due_us {
            match self.copy_beside() {
                Ok(copy) => {
                    let folder = copy.folder().display();
                    tracing::error!(%folder, "all that was stored is in a new store");
                    rescue.copy = Some(copy);
                }
                Err(error) => {
                    tracing::error!(%error, "the store can't be copied");
                    rescue.is_unreadable = !may_pass(&error);
                    rescue.copy_due_us = now.mono_us + COPY_AGAIN_US;
                }
            }
        }
        if now.mono_us.saturating_sub(rescue.since_us) < GRACE_US {
            return Some(rescue);
        }
        let (copy, is_whole) = match rescue.copy.take() {
            Some(copy) => (copy, true),
            None if !rescue.is_unreadable => return Some(rescue),
            None => match self.begin_new() {
                Ok(new) => (new, false),
                Err(error) => {
                    tracing::error!(%error, "no new store can be made: records wait in memory");
                    return Some(rescue);
                }
            },
        };
        std::mem::replace(&mut self.store, copy).abandon();
        let folder = self.store.folder().display().to_string();
        let held = if is_whole {
            "holds all that was stored before, and"
        } else {
            "does NOT hold what was stored before, for it could not be read any more, but"
        };
        let message = format!(
            "{error}. A new store {folder} {held} takes all records from now on. The stand stays \
                 cut until the daemon is started again: stop it, put one of the two in the place of the \
                 other, and start it"
        );
        let told = StoreVanished {
            new_store: Some(folder),
            whole: Some(is_whole),
            away_ms: None,
        };
        self.keep_now(Event::telling(self.clock.now(), None, &told, message).about("store"));
        None
    }

    fn go_on_as_before(&mut self, rescue: Rescue) {
        self.flow.gone.store(false, Ordering::Relaxed);
        if let Some(copy) = rescue.copy {
            let folder = copy.folder().to_owned();
            drop(copy);
            // It was made by this process, and nothing but what is back again is in it.
            if let Err(error) = std::fs::remove_dir_all(&folder) {
                tracing::warn!(folder = %folder.display(), %error, "the copy is not needed and can't be removed");
            }
        }
        let now = self.clock.now();
        let away_ms = now.mono_us.saturating_sub(rescue.since_us) / 1000;
        let message = format!(
            "the files of the store were gone for {away_ms} ms, and are back: nothing is lost"
        );
        let told = StoreVanished {
            new_store: None,
            whole: None,
            away_ms: Some(away_ms),
        };
        self.keep_now(Event::telling(now, None, &told, message).about("store"));
    }

    /// A store beside the old one, or, where that can't be, in its folder.
    fn in_new_folder<T, E: std::fmt::Display>(
        &self,
        make: impl Fn(&Path) -> Result<T, E>,
    ) -> Result<T, E> {
        let old = self.store.folder();
        let make_in = |folder: PathBuf| {
            make(&folder).inspect_err(|_told| {
                // Nothing stays behind of an attempt; a folder with something in it is not removed.
                drop(std::fs::remove_dir(&folder));
            })
        };
        make_in(free(&beside(old))).or_else(|error| {
            tracing::error!(%error, "there is no room for a new store beside the old one");
            make_in(free(&old.join(ENDING)))
        })
    }

    fn copy_beside(&self) -> Result<Store, StoreError> {
        self.in_new_folder(|folder| self.store.rescue(folder))
    }

    /// A store without a past, in which what is under way goes on.
    fn begin_new(&mut self) -> Result<Store, RecorderError> {
        let mut store = self.in_new_folder(|folder| Store::open(folder))?;
        self.replay(&mut store)?;
        Ok(store)
    }
}

/// Errors of the place for the copy, not of what is copied.
fn may_pass(error: &StoreError) -> bool {
    matches!(
        error,
        StoreError::DiskFull { .. }
            | StoreError::ReadOnly { .. }
            | StoreError::FolderNotMade { .. }
            | StoreError::BackupExists { .. }
            | StoreError::Busy { .. }
    )
}

fn beside(store: &Path) -> PathBuf {
    let mut name = store.as_os_str().to_owned();
    name.push(".");
    name.push(ENDING);
    name.into()
}

/// The folder, or the first of that name with a number that is not there.
fn free(folder: &Path) -> PathBuf {
    let numbered = |number: u32| {
        let mut name = folder.as_os_str().to_owned();
        if number > 1 {
            name.push(format!("-{number}"));
        }
        PathBuf::from(name)
    };
    let found = (1..FOLDERS_MAX).map(numbered).find(|path| !path.exists());
    found.unwrap_or_else(|| numbered(FOLDERS_MAX))
}

/// Tells, at the start, of a copy that waits beside the store.
pub(super) fn tell_of_copies(store: &Path) {
    for folder in [beside(store), store.join(ENDING)] {
        if folder.exists() {
            tracing::warn!(
                folder = %folder.display(),
                "a store that was rescued lies here: look at its pulls with `leverarm pulls --store`, and put it in the place of this store, or away"
            );
        }
    }
}
