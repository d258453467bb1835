//! Opening the record file of a folder: checking it, and setting a damaged one aside.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::errors::{Cause, cause};
use crate::folder::{Folder, beside, write_protected};
use crate::journal::{Journal, copy_down, empty};
use crate::vault::Vault;
use crate::{Mode, OpenError, read, rescue, schema, upgrade};

/// An open record file and what was found on the way.
#[derive(Debug)]
pub(crate) struct Connected {
    pub(crate) db: Connection,
    pub(crate) file: PathBuf,
    /// What is wrong with the data, in words for a person.
    pub(crate) damaged: Vec<String>,
    /// The damaged file that was replaced by this one.
    pub(crate) set_aside: Option<PathBuf>,
    /// Why the journal could not be brought into the file: until it can, nothing more may be written.
    pub(crate) unsettled: Option<rusqlite::Error>,
}

/// Opens the newest record file of the folder, making one if there is none.
pub(crate) fn connect(folder: &mut Folder, vault: &Vault) -> Result<Connected, OpenError> {
    let number = folder.newest_record()?;
    let file = folder.record(number.max(1));
    if folder.mode() == Mode::ReadWrite && write_protected(&file) {
        folder.only_read();
    }
    if folder.mode() == Mode::ReadOnly {
        return if number == 0 {
            Err(OpenError::NothingToRead)
        } else {
            connect_reading(&file, vault)
        };
    }
    rescue::clear(folder);
    if number > 0
        && let Some(upgraded) = upgrade::upgrade(folder, vault, number)?
    {
        let mut connected = connect_writing(folder, vault, &folder.record(upgraded.number))?;
        connected.damaged.extend(upgraded.left_out);
        return Ok(connected);
    }
    match connect_writing(folder, vault, &file) {
        Err(OpenError::Damaged { detail }) => {
            let (next, lost) = rescue::rescue(folder, vault, number.max(1))?;
            let mut connected = connect_writing(folder, vault, &folder.record(next))?;
            connected.damaged.insert(
                0,
                format!("the record file was damaged ({detail}) and has been set aside; {lost}"),
            );
            connected.set_aside = Some(file);
            Ok(connected)
        }
        other => other,
    }
}

fn connect_writing(folder: &Folder, vault: &Vault, file: &Path) -> Result<Connected, OpenError> {
    let journal = Journal::read(&beside(file, "-wal"));
    let db = Connection::open_with_flags(
        file,
        OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE,
    )?;
    schema::prepare(&db)?;
    if let Some(detail) = schema::ready(&db)? {
        return Err(OpenError::Damaged { detail });
    }
    // An index of the journal that readers of a write-protected folder need to find; see `connect_reading`.
    let index = beside(file, "-shm");
    if !index.exists() {
        File::create(index)?;
    }
    folder.sync();
    let mut damaged = Vec::new();
    let settled = copy_down(&db).and_then(|recognised| {
        if journal.has_rotted(recognised) {
            let kept = keep_aside(folder, &journal);
            damaged.push(format!("the journal of the last saves is damaged: some of the newest changes may be missing here; {kept}"));
        }
        empty(&db)
    });
    damaged.extend(read::damaged_rows(&db, vault)?);
    Ok(Connected {
        db,
        file: file.to_owned(),
        damaged,
        set_aside: None,
        unsettled: settled.err(),
    })
}

fn keep_aside(folder: &Folder, journal: &Journal) -> String {
    let name = (1..)
        .map(|n: u32| format!("journal-damaged-{n}"))
        .find(|name| !folder.file(name).exists());
    let name = name.unwrap_or_else(|| "journal-damaged".into());
    match fs::write(folder.file(&name), &journal.bytes) {
        Ok(()) => format!("it is kept as {name}"),
        Err(error) => format!("it could not be kept ({error})"),
    }
}

/// Opens a record file in a folder that cannot be written.
///
/// SQLite reads a journal there only if it finds the files beside the database. Without a journal there
/// is nothing but the database file, which can then be taken as it is ("immutable").
fn connect_reading(file: &Path, vault: &Vault) -> Result<Connected, OpenError> {
    let alone = fs::metadata(beside(file, "-wal")).map_or(true, |journal| journal.len() == 0);
    let uri = format!(
        "file:{}?{}",
        escaped(file),
        if alone {
            "mode=ro&immutable=1"
        } else {
            "mode=ro"
        }
    );
    let db = Connection::open_with_flags(
        uri,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI,
    )?;
    schema::quiet(&db)?;
    let mut damaged = Vec::new();
    match schema::version(&db) {
        Err(OpenError::Io { detail }) if !alone => {
            return Err(OpenError::Io {
                detail: format!(
                    "it can only be read and its last saves still lie in the journal ({detail}); \
                     copy the folder to a disk that can be written and open it there"
                ),
            });
        }
        // What an older program wrote isn't sealed, and can't be brought up to date here.
        Ok(1) => {
            return Err(OpenError::Io {
                detail: "it is of an older format and can only be read; copy it to a disk that can be written".into(),
            });
        }
        other => other?,
    };
    damaged
        .extend(schema::flaw(&db)?.map(|detail| format!("the record file is damaged ({detail})")));
    match read::damaged_rows(&db, vault) {
        Ok(rows) => damaged.extend(rows),
        Err(error) if matches!(cause(&error), Cause::Damaged) => damaged.push(error.to_string()),
        Err(error) => return Err(error.into()),
    }
    Ok(Connected {
        db,
        file: file.to_owned(),
        damaged,
        set_aside: None,
        unsettled: None,
    })
}

/// A path as SQLite's URIs want it.
fn escaped(path: &Path) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/-_.~".contains(&byte);
    path.as_os_str()
        .as_encoded_bytes()
        .iter()
        .map(|&byte| {
            if plain(byte) {
                char::from(byte).to_string()
            } else {
                format!("%{byte:02x}")
            }
        })
        .collect()
}
