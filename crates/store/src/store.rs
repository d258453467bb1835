//! The store: one device's data folder, open.

use std::fmt;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use crate::batch::{Batch, Document, Offset, Peer};
use crate::connect::{Connected, connect};
use crate::folder::{Folder, beside};
use crate::keys::{self, Found, Keys};
use crate::vault::Vault;
use crate::witness::{Witness, changes, count_opening};
use crate::{
    CommitError, Lock, LockError, Log, NewLock, OpenError, Quarantine, ReadError, RecoveryKey,
    Runs, Unlock, commit, journal, read, reserve, upgrade,
};

/// The journal is brought into the database file when it has grown to this, if no rest came first.
const JOURNAL_BYTES: u64 = 4 * 1024 * 1024;

/// Whether a folder can be written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// It can be read and written.
    ReadWrite,
    /// It can only be read: every commit is refused with [`CommitError::ReadOnly`].
    ReadOnly,
}

/// What opening a folder found out.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Opened {
    /// The folder was put back from an older copy, or is a copy of a folder that went on elsewhere: the
    /// witness knows of a later state. Other devices may hold changes of this device that it has forgotten, and it
    /// must not write on under names it has used (see [`CommitError::Fork`]).
    pub restored: bool,
    /// What of the data cannot be trusted any more, in words for a person; empty if all is well.
    /// Damaged changes are told by [`Store::log`], not here.
    pub damaged: Vec<String>,
    /// The damaged record file that was set aside. Everything readable in it is in the new one. It is kept.
    pub set_aside: Option<PathBuf>,
}

/// One device's data folder, open. See the crate's comment for what it promises.
pub struct Store {
    folder: Folder,
    witness: Option<PathBuf>,
    /// What every row is sealed under.
    data_key: [u8; 32],
    vault: Vault,
    lock: Lock,
    opened: Opened,
    /// `None` only after an attempt to reopen has failed.
    open: Option<Open>,
}

impl fmt::Debug for Store {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Store")
            .field("folder", &self.folder)
            .field("lock", &self.lock)
            .field("opened", &self.opened)
            .finish_non_exhaustive()
    }
}

#[derive(Debug)]
struct Open {
    db: Connection,
    journal: PathBuf,
    /// The last word on this opening, for the witness; `None` while it could not be written.
    opening: Option<Witness>,
    /// Why no commit is taken until the store is reopened.
    halted: Option<String>,
    /// Whether what the journal held on opening is known to be on disk.
    settled: bool,
}

impl Store {
    /// Opens the folder, making it if it is missing; checks it; sets a damaged record file aside.
    ///
    /// `witness` names a small file outside the folder, in a place that backups of the folder do not
    /// include. By it a folder put back from an older copy is noticed ([`Opened::restored`]). A missing or
    /// unwritable witness is no error. One witness belongs to one folder.
    ///
    /// # Errors
    ///
    /// [`OpenError`]; in every case the folder is as it was.
    pub fn open(folder: &Path, witness: Option<&Path>) -> Result<Self, OpenError> {
        Self::unlock(folder, witness, Unlock::Nothing)
    }

    /// As [`Store::open`], for a folder that is locked.
    ///
    /// # Errors
    ///
    /// [`OpenError`]; in every case the folder is as it was.
    pub fn unlock(
        folder: &Path,
        witness: Option<&Path>,
        with: Unlock<'_>,
    ) -> Result<Self, OpenError> {
        let folder = Folder::claim(folder)?;
        let keys = match keys::find(&folder)? {
            Found::Keys { keys, twins } => {
                let data_key = keys.unlock(with)?;
                if !twins && folder.mode() == Mode::ReadWrite {
                    keys::store(&folder, &keys)?;
                }
                (keys, data_key)
            }
            Found::Damaged => return Err(OpenError::NoKeys { how: "damaged" }),
            Found::None => fresh_keys(&folder)?,
        };
        let (keys, data_key) = keys;
        let vault = Vault::new(&data_key).ok_or(OpenError::NoKeys { how: "damaged" })?;
        let mut store = Self {
            folder,
            witness: witness.map(Path::to_owned),
            data_key,
            vault,
            lock: keys.lock(),
            opened: Opened::default(),
            open: None,
        };
        store.connect()?;
        Ok(store)
    }

    /// How a folder is locked, without opening it; nothing where there is no folder, or none that has been used.
    ///
    /// # Errors
    ///
    /// [`OpenError`], if it can't be told.
    pub fn lock_of(folder: &Path) -> Result<Option<Lock>, OpenError> {
        if !folder.exists() {
            return Ok(None);
        }
        match keys::find(&Folder::looked_at(folder)?)? {
            Found::Keys { keys, .. } => Ok(Some(keys.lock())),
            Found::Damaged => Err(OpenError::NoKeys { how: "damaged" }),
            Found::None => Ok(None),
        }
    }

    /// How this folder is locked.
    #[must_use]
    pub fn lock(&self) -> Lock {
        self.lock
    }

    /// Locks the folder anew, or opens it for good. Only the data key is wrapped anew; no row is touched, so it takes no
    /// longer with much data than with none. Returns the recovery key that goes with the new lock; the one before
    /// it opens nothing any more.
    ///
    /// A key that once lay open in the folder may still be found in what the disk has not yet overwritten: lock a
    /// device before it records, not after.
    ///
    /// # Errors
    ///
    /// [`LockError`]; the lock is as it was.
    pub fn set_lock(&mut self, lock: NewLock<'_>) -> Result<Option<RecoveryKey>, LockError> {
        if self.folder.mode() == Mode::ReadOnly {
            return Err(LockError::Io {
                detail: "it can only be read".into(),
            });
        }
        let (keys, recovery) = Keys::relocked(&self.data_key, lock)?;
        keys::store(&self.folder, &keys)?;
        self.lock = keys.lock();
        Ok(recovery)
    }

    /// Closes the database and opens it again, with all checks of [`Store::open`].
    ///
    /// The way on after [`CommitError::SyncFailed`]. After `Ok`, everything the store shows is on
    /// disk. Commit again what was refused; a batch that did reach the disk is recognised and is harmless.
    ///
    /// # Errors
    ///
    /// [`OpenError`]; the store then stays closed and may be reopened later.
    pub fn reopen(&mut self) -> Result<(), OpenError> {
        self.open = None;
        self.connect()
    }

    fn connect(&mut self) -> Result<(), OpenError> {
        let Connected {
            db,
            file,
            damaged,
            set_aside,
            unsettled,
        } = connect(&mut self.folder, &self.vault)?;
        let seen = self.witness.as_deref().and_then(Witness::read);
        // A rescued file may have lost the rows the witness speaks of; the person is told of the damage instead.
        let restored = match &seen {
            Some(seen) if set_aside.is_none() => seen.is_ahead_of(&db)?,
            _ => false,
        };
        self.opened = Opened {
            restored: restored || self.opened.restored,
            damaged,
            set_aside,
        };
        let settled = unsettled.is_none();
        let mut open = Open {
            db,
            journal: beside(&file, "-wal"),
            opening: None,
            halted: None,
            settled,
        };
        if let Some(error) = unsettled {
            open.halt_if_the_disk_failed(&error.into());
        }
        if self.folder.mode() == Mode::ReadWrite {
            if settled {
                match count_opening(&open.db, &self.vault) {
                    Ok(opening) => open.opening = Some(opening),
                    Err(error) => open.halt_if_the_disk_failed(&error.into()),
                }
            }
            open.tell(self.witness.as_deref());
            reserve::put_aside(&self.folder);
        }
        self.open = Some(open);
        Ok(())
    }

    /// Whether the folder can be written.
    #[must_use]
    pub fn mode(&self) -> Mode {
        self.folder.mode()
    }

    /// What the last opening found out.
    #[must_use]
    pub fn opened(&self) -> &Opened {
        &self.opened
    }

    /// Writes the batch, all or nothing, and syncs it to disk. Only after `Ok` is anything in it saved.
    ///
    /// A change that is kept already under its (document, writer, number), with the same bytes, is
    /// harmless; its first arrival stands. If the kept one is damaged, the new one mends it. The same goes for answers: the first one stands.
    ///
    /// # Errors
    ///
    /// [`CommitError`]; nothing of the batch has been written, with one exception that hurts nobody: after
    /// [`CommitError::SyncFailed`] the batch may turn out to be there once the store is reopened.
    pub fn commit(&mut self, batch: &Batch) -> Result<(), CommitError> {
        if self.folder.mode() == Mode::ReadOnly {
            return Err(CommitError::ReadOnly);
        }
        let Some(open) = &mut self.open else {
            return Err(CommitError::Halted {
                because: "the data folder is not open".into(),
            });
        };
        if let Some(because) = &open.halted {
            return Err(CommitError::Halted {
                because: because.clone(),
            });
        }
        let saved = open
            .settle()
            .and_then(|()| commit::write(&open.db, &self.vault, batch));
        if let Err(error) = &saved {
            open.halt_if_the_disk_failed(error);
            return saved;
        }
        // Saved already: a checkpoint that fails takes nothing back. It may only forbid the next commit.
        if std::fs::metadata(&open.journal).is_ok_and(|journal| journal.len() > JOURNAL_BYTES)
            && let Err(error) = journal::empty(&open.db)
        {
            open.halt_if_the_disk_failed(&error.into());
        }
        Ok(())
    }

    /// For idle moments: brings the journal into the database file, puts the reserve back if there is room,
    /// and writes the witness. A second without taps is a good moment, and the end of work.
    ///
    /// # Errors
    ///
    /// [`CommitError`], if the disk failed or is full. What was saved stays saved.
    pub fn rest(&mut self) -> Result<(), CommitError> {
        let Some(open) = self
            .open
            .as_mut()
            .filter(|_| self.folder.mode() == Mode::ReadWrite)
        else {
            return Ok(());
        };
        if let Some(because) = &open.halted {
            return Err(CommitError::Halted {
                because: because.clone(),
            });
        }
        if let Err(error) = journal::empty(&open.db).map_err(CommitError::from) {
            open.halt_if_the_disk_failed(&error);
            return Err(error);
        }
        open.settled = true;
        if let (Some(opening), Ok(changes)) = (&mut open.opening, changes(&open.db)) {
            opening.changes = changes;
        }
        open.tell(self.witness.as_deref());
        reserve::put_aside(&self.folder);
        Ok(())
    }

    /// Gives the reserve's room back to the disk, so that a stop-work can be saved on a full disk. It is
    /// put aside again by [`Store::rest`] or [`Store::open`] once the disk has room for it twice.
    ///
    /// Call it after [`CommitError::DiskFull`], commit the stop-work, and refuse other taps until there is room.
    ///
    /// # Errors
    ///
    /// [`CommitError`], if the file could not be removed.
    pub fn release_reserve(&mut self) -> Result<(), CommitError> {
        if self.folder.mode() == Mode::ReadOnly {
            return Err(CommitError::ReadOnly);
        }
        reserve::release(&self.folder).map_err(|error| CommitError::SyncFailed {
            detail: error.to_string(),
        })
    }

    fn db(&self) -> Result<&Connection, ReadError> {
        self.open
            .as_ref()
            .map(|open| &open.db)
            .ok_or(ReadError::Closed)
    }

    /// The device's private key (PKCS #8 bytes); `None` before it was set up.
    ///
    /// # Errors
    ///
    /// [`ReadError`]; a damaged key is never handed out.
    pub fn identity(&self) -> Result<Option<Vec<u8>>, ReadError> {
        read::identity(self.db()?, &self.vault)
    }

    /// The documents the device holds, in the order they were listed.
    ///
    /// # Errors
    ///
    /// [`ReadError`].
    pub fn documents(&self) -> Result<Vec<Document>, ReadError> {
        Ok(read::documents(self.db()?, &self.vault)?)
    }

    /// The changes of a document, in the order they arrived; none if the document is unknown.
    ///
    /// # Errors
    ///
    /// [`ReadError`]. Damaged changes are no error: they are reported in [`Log::damaged`] and left out.
    pub fn log(&self, document: [u8; 16]) -> Result<Log, ReadError> {
        Ok(read::log(self.db()?, &self.vault, document)?)
    }

    /// The openings and signatures of a document's writers; none if the document is unknown.
    ///
    /// # Errors
    ///
    /// [`ReadError`]. Damaged rows are no error: they are counted and left out.
    pub fn runs(&self, document: [u8; 16]) -> Result<Runs, ReadError> {
        Ok(read::runs(self.db()?, &self.vault, document)?)
    }

    /// The answer already given to a tap; `None` if it was never saved.
    ///
    /// # Errors
    ///
    /// [`ReadError`]. A damaged answer is an error, not `None`: the tap was saved and must not count again.
    pub fn answer(&self, tap_id: &str) -> Result<Option<String>, ReadError> {
        read::answer(self.db()?, &self.vault, tap_id)
    }

    /// The crew's devices, in the order they became known.
    ///
    /// # Errors
    ///
    /// [`ReadError`].
    pub fn peers(&self) -> Result<Vec<Peer>, ReadError> {
        Ok(read::peers(self.db()?, &self.vault)?)
    }

    /// The clock offsets measured against one device, oldest first.
    ///
    /// # Errors
    ///
    /// [`ReadError`].
    pub fn offsets(&self, key_id: [u8; 32]) -> Result<Vec<Offset>, ReadError> {
        Ok(read::offsets(self.db()?, &self.vault, key_id)?)
    }

    /// What was refused and is kept for a person to look at.
    ///
    /// # Errors
    ///
    /// [`ReadError`].
    pub fn quarantine(&self) -> Result<Quarantine, ReadError> {
        Ok(read::quarantine(self.db()?, &self.vault)?)
    }

    /// A setting of the app. Names that begin with `quarantine beyond/` are the store's own.
    ///
    /// # Errors
    ///
    /// [`ReadError`].
    pub fn setting(&self, name: &str) -> Result<Option<String>, ReadError> {
        read::setting(self.db()?, &self.vault, name)
    }
}

/// The keys of a folder that has none: new ones, if it is new or of the format that had none.
fn fresh_keys(folder: &Folder) -> Result<(Keys, [u8; 32]), OpenError> {
    let record = folder.newest_record()?;
    if folder.mode() == Mode::ReadOnly {
        return Err(match record {
            0 => OpenError::NothingToRead,
            _ => OpenError::NoKeys { how: "missing" },
        });
    }
    if record > 0 && !upgrade::is_older(folder, record)? && !upgrade::is_unfinished(folder, record)?
    {
        return Err(OpenError::NoKeys { how: "missing" });
    }
    let keys = Keys::fresh()?;
    let data_key = keys.unlock(Unlock::Nothing)?;
    // Before anything is sealed under it.
    keys::store(folder, &keys)?;
    Ok((keys, data_key))
}

impl Open {
    /// Brings what the journal held on opening to disk, if that has not been possible yet.
    fn settle(&mut self) -> Result<(), CommitError> {
        if !self.settled {
            journal::empty(&self.db)?;
            self.settled = true;
        }
        Ok(())
    }

    /// After a failure of the disk nothing that is in memory says what is on it: take no more commits.
    ///
    /// A full disk and a fork leave the database as it was, if the rollback worked.
    fn halt_if_the_disk_failed(&mut self, error: &CommitError) {
        let undone = self.db.is_autocommit();
        if !undone
            || matches!(
                error,
                CommitError::SyncFailed { .. } | CommitError::Damaged { .. }
            )
        {
            self.halted = Some(error.to_string());
        }
    }

    fn tell(&self, witness: Option<&Path>) {
        if let (Some(opening), Some(path)) = (&self.opening, witness) {
            opening.write(path);
        }
    }
}
