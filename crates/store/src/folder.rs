//! The files of a data folder: their names, the lock, and whether the folder can be written.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::{Mode, OpenError};

const LOCK: &str = "lock";
pub(crate) const RESERVE: &str = "reserve";

/// A data folder that is ours as long as the value lives.
#[derive(Debug)]
pub(crate) struct Folder {
    path: PathBuf,
    mode: Mode,
    /// Held, never read: the system drops the lock with the handle, also when the process is killed.
    _lock: Option<File>,
}

impl Folder {
    /// Makes the folder if it is missing and takes its lock.
    pub(crate) fn claim(path: &Path) -> Result<Self, OpenError> {
        if let Err(error) = fs::create_dir_all(path) {
            return Err(if refused(error.kind()) {
                OpenError::NothingToRead
            } else {
                error.into()
            });
        }
        // An absolute path cannot begin with "file:", which SQLite would take for more than a name.
        let path = fs::canonicalize(path)?;
        let lock = path.join(LOCK);
        let opened = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&lock);
        let (lock, mode) = match opened {
            Ok(file) => (Some(file), Mode::ReadWrite),
            Err(error) if refused(error.kind()) => (File::open(&lock).ok(), Mode::ReadOnly),
            Err(error) => return Err(error.into()),
        };
        // A file system without such locks is no reason to stop: SQLite's own lock comes next.
        if let Some(file) = &lock
            && let Err(TryLockError::WouldBlock) = file.try_lock()
        {
            return Err(OpenError::InUse);
        }
        let folder = Self {
            path,
            mode,
            _lock: lock,
        };
        folder.sync();
        if let Some(parent) = folder.path.parent() {
            sync_folder(parent);
        }
        Ok(folder)
    }

    /// The folder for a look at its key file, without its lock.
    pub(crate) fn looked_at(path: &Path) -> Result<Self, OpenError> {
        Ok(Self {
            path: fs::canonicalize(path)?,
            mode: Mode::ReadOnly,
            _lock: None,
        })
    }

    pub(crate) fn mode(&self) -> Mode {
        self.mode
    }

    /// From here on nothing is written.
    pub(crate) fn only_read(&mut self) {
        self.mode = Mode::ReadOnly;
    }

    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    /// Makes new and renamed files in the folder outlast a power cut.
    pub(crate) fn sync(&self) {
        if self.mode == Mode::ReadWrite {
            sync_folder(&self.path);
        }
    }

    /// Number of the newest record file: 0 if there is none.
    pub(crate) fn newest_record(&self) -> Result<u32, OpenError> {
        let mut newest = 0;
        for entry in fs::read_dir(&self.path)? {
            let name = entry?.file_name();
            let number = name.to_str().and_then(|name| {
                name.strip_prefix("record-")?
                    .strip_suffix(".db")?
                    .parse::<u32>()
                    .ok()
            });
            newest = newest.max(number.unwrap_or(0));
        }
        Ok(newest)
    }

    /// Path of the record file with this number. A higher number takes the place of all lower ones.
    pub(crate) fn record(&self, number: u32) -> PathBuf {
        self.file(&format!("record-{number}.db"))
    }
}

/// SQLite's side file of a database: `-wal` or `-shm`.
pub(crate) fn beside(database: &Path, suffix: &str) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push(suffix);
    name.into()
}

/// Whether the file is there and may not be written.
pub(crate) fn write_protected(file: &Path) -> bool {
    OpenOptions::new()
        .write(true)
        .open(file)
        .is_err_and(|error| refused(error.kind()))
}

fn refused(kind: ErrorKind) -> bool {
    matches!(
        kind,
        ErrorKind::ReadOnlyFilesystem | ErrorKind::PermissionDenied
    )
}

/// Some systems cannot sync a folder; what is in the files is synced on its own, so that is no error.
fn sync_folder(path: &Path) {
    if let Ok(folder) = File::open(path) {
        let _unsupported_here = folder.sync_all();
    }
}
