//! Files as the system knows them: made for their owner only, and which file a path leads to.

use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Nobody but the owner reads or writes: a umask can only take from it.
const FILE_MODE: u32 = 0o600;
const FOLDER_MODE: u32 = 0o700;

/// For a file of the owner's, made when it is not there. A symbolic link in its place is an error:
/// what it leads to is somebody else's.
#[must_use]
pub fn own_file() -> OpenOptions {
    let mut options = OpenOptions::new();
    options
        .write(true)
        .create(true)
        .mode(FILE_MODE)
        .custom_flags(nix::libc::O_NOFOLLOW);
    options
}

/// Whether an error of [`own_file`] is for a symbolic link.
pub fn is_link(error: &io::Error) -> bool {
    error.raw_os_error() == Some(nix::libc::ELOOP)
}

/// Makes an empty file of the owner's; one that is there stays as it is.
///
/// # Errors
/// As the system has them.
pub fn make_own(file: &Path) -> io::Result<()> {
    match own_file().create_new(true).open(file) {
        Err(error) if error.kind() != io::ErrorKind::AlreadyExists => Err(error),
        _ => Ok(()),
    }
}

/// Writes a file of the owner's, in the place of what was there.
///
/// # Errors
/// As the system has them.
pub fn write_own(file: &Path, bytes: &[u8]) -> io::Result<()> {
    // A new file: an older one may be open to others.
    match std::fs::remove_file(file) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut file: File = own_file().create_new(true).open(file)?;
    file.write_all(bytes)
}

/// Makes a folder of the owner's, and those above it; one that is there stays as it is.
///
/// # Errors
/// As the system has them.
pub fn make_own_folder(folder: &Path) -> io::Result<()> {
    DirBuilder::new()
        .recursive(true)
        .mode(FOLDER_MODE)
        .create(folder)
}

/// Folder of the pictures of parts, in that of the store.
pub const PICTURES_FOLDER: &str = "pictures";

/// Copies the pictures of parts beside the store in one folder to another.
///
/// # Errors
/// As the system has them.
pub fn copy_pictures(from: &Path, into: &Path) -> io::Result<()> {
    let pictures = match std::fs::read_dir(from.join(PICTURES_FOLDER)) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        found => found?,
    };
    let into = into.join(PICTURES_FOLDER);
    make_own_folder(&into)?;
    for picture in pictures {
        let picture = picture?;
        if picture.file_type()?.is_file() {
            write_own(
                &into.join(picture.file_name()),
                &std::fs::read(picture.path())?,
            )?;
        }
    }
    Ok(())
}

/// A file that somebody has open: as long as it is, its number is given to no other.
#[derive(Debug)]
struct Opened {
    path: PathBuf,
    id: Option<(u64, u64)>,
    len: u64,
    /// It may be cut back to this, but not further.
    len_kept: u64,
}

/// Files that are open under their paths, and have to stay there.
#[derive(Debug, Default)]
pub struct InPlace {
    files: Vec<Opened>,
}

impl InPlace {
    /// Adds a file that was just opened. One that is not there yet is taken when it is first seen.
    /// Nobody makes it shorter than `len_kept`.
    pub fn watch(&mut self, path: PathBuf, len_kept: u64) {
        self.files.push(Opened {
            path,
            id: None,
            len: 0,
            len_kept,
        });
    }

    /// Whether each path still leads to its file, as long as before or longer.
    ///
    /// # Errors
    /// What is wrong, in words.
    pub fn check(&mut self) -> Result<(), String> {
        self.files.iter_mut().try_for_each(Opened::check)
    }
}

impl Opened {
    fn check(&mut self) -> Result<(), String> {
        let shown = self.path.file_name().unwrap_or_default().to_string_lossy();
        let found = match std::fs::metadata(&self.path) {
            Ok(found) => found,
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return match self.id {
                    Some(_) => Err(format!("{shown} was moved or deleted")),
                    None => Ok(()),
                };
            }
            Err(error) => return Err(format!("{shown} can't be looked at: {error}")),
        };
        let id = (found.dev(), found.ino());
        if *self.id.get_or_insert(id) != id {
            return Err(format!("another file lies in the place of {shown}"));
        }
        let len = found.len();
        if len < self.len.min(self.len_kept) {
            let before = self.len;
            return Err(format!(
                "{shown} was cut short: {before} bytes before, {len} now"
            ));
        }
        self.len = len;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_missed_replaced_cut_short_and_found_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a");
        let moved = folder.path().join("b");
        std::fs::write(&path, [0; 100]).unwrap();
        let held = File::open(&path).unwrap();
        let mut place = InPlace::default();
        place.watch(path.clone(), 50);
        place.check().unwrap();
        std::fs::rename(&path, &moved).unwrap();
        assert!(place.check().unwrap_err().contains("moved or deleted"));
        std::fs::write(&path, [0; 200]).unwrap();
        assert!(place.check().unwrap_err().contains("another file"));
        std::fs::rename(&moved, &path).unwrap();
        place.check().unwrap();
        held.set_len(60).unwrap_err(); // open for reading only
        let writing = OpenOptions::new().write(true).open(&path).unwrap();
        writing.set_len(60).unwrap();
        place.check().unwrap();
        writing.set_len(49).unwrap();
        assert!(place.check().unwrap_err().contains("60 bytes before, 49"));
    }

    #[test]
    fn what_is_made_is_the_owners_and_no_link_is_followed() {
        let folder = tempfile::tempdir().unwrap();
        let mode = |path: &Path| std::fs::metadata(path).unwrap().mode() & 0o777;
        let inner = folder.path().join("x/y");
        make_own_folder(&inner).unwrap();
        assert_eq!(mode(&inner) & 0o077, 0);
        let file = inner.join("f");
        std::fs::write(&file, "old").unwrap();
        write_own(&file, b"new").unwrap();
        assert_eq!(
            (mode(&file) & 0o077, std::fs::read(&file).unwrap()),
            (0, b"new".to_vec())
        );
        let link = inner.join("l");
        std::os::unix::fs::symlink(&file, &link).unwrap();
        assert!(is_link(&own_file().open(&link).unwrap_err()));
    }
}
