//! Bringing a folder of format version 1, which was not sealed, to this program's format.

use std::fs;
use std::io::Read;
use std::path::Path;

use rusqlite::types::FromSql;
use rusqlite::{Connection, Row, params};
use sha2::{Digest, Sha256};

use crate::batch::{Batch, Change, Document, Heard, Offset, Peer, Refused};
use crate::folder::{Folder, beside};
use crate::rescue::PART;
use crate::vault::Vault;
use crate::{OpenError, commit, schema};

/// The version this file reads, as it stands in a file's header (<https://www.sqlite.org/fileformat2.html>,
/// section 1.3: "user version").
const OLDER: [u8; 4] = 1_u32.to_be_bytes();
const HEADER: usize = 100;
const VERSION_AT: usize = 60;

/// What became of an older record file.
#[derive(Debug)]
pub(crate) struct Upgraded {
    /// The number of the new record file.
    pub(crate) number: u32,
    /// What could not be brought over, in words for a person.
    pub(crate) left_out: Option<String>,
}

/// Whether record file `number` is of the older format, by its header.
///
/// SQLite isn't asked, because whatever it opens it may also write to.
pub(crate) fn is_older(folder: &Folder, number: u32) -> Result<bool, OpenError> {
    Ok(version(folder, number)? == Some(OLDER))
}

/// Whether record file `number` was being made when the power went: nothing was ever saved in it, as the first save
/// comes after the list of tables has reached the file.
pub(crate) fn is_unfinished(folder: &Folder, number: u32) -> Result<bool, OpenError> {
    Ok(version(folder, number)?.is_none_or(|version| version == [0; 4]))
}

/// The version in a file's header; nothing where it is shorter than one.
fn version(folder: &Folder, number: u32) -> Result<Option<[u8; 4]>, OpenError> {
    let mut header = [0; HEADER];
    let mut file = fs::File::open(folder.record(number))?;
    if file.read_exact(&mut header).is_err() {
        return Ok(None);
    }
    Ok(header
        .get(VERSION_AT..)
        .and_then(|rest| rest.first_chunk().copied()))
}

/// Makes the next record file out of an older one, everything sealed; nothing if the newest is not older.
///
/// The new file gets its name only when it is whole and synced, and only then is the older one removed, because what
/// lies open beside what is sealed is not sealed. If a row of it was damaged, it is kept, and the person is told.
/// Killed at any moment, the folder holds the older file, or both, or the new one; both is the new one and the older
/// file left to be removed, which the next opening does.
///
/// Changes come over as they are, without signatures, which the older program did not make: those of this device are
/// signed by the app as its own, and those of others by the devices they are of.
pub(crate) fn upgrade(
    folder: &Folder,
    vault: &Vault,
    number: u32,
) -> Result<Option<Upgraded>, OpenError> {
    let older = folder.record(number);
    if !is_older(folder, number)? {
        // What a kill left of an upgrade that was done: the record before this one, if it is older.
        if let Some(before) = number.checked_sub(1).filter(|n| *n > 0)
            && folder.record(before).exists()
            && is_older(folder, before).unwrap_or(false)
            && rows_are_sound(&folder.record(before)).unwrap_or(false)
        {
            remove(&folder.record(before));
        }
        return Ok(None);
    }
    let from = Connection::open(&older)?;
    schema::quiet(&from)?;
    if let Some(detail) = schema::flaw(&from)? {
        return Err(OpenError::OlderAndDamaged { detail });
    }
    let part = folder.file(PART);
    let to = Connection::open(&part)?;
    to.pragma_update(None, "synchronous", "FULL")?;
    schema::create(&to)?;
    to.execute_batch("BEGIN IMMEDIATE")?;
    let broken = carry(&from, &to, vault)?;
    to.execute_batch("COMMIT")?;
    drop(from);
    to.close().map_err(|(_, error)| error)?;
    let next = number.saturating_add(1);
    fs::File::open(&part)?.sync_all()?;
    fs::rename(&part, folder.record(next))?;
    folder.sync();
    let left_out = (broken > 0).then(|| {
        format!(
            "{broken} rows of the older record were damaged and are not in the new one; the older file is kept as it is, \
             and is not sealed: remove it once it is not needed"
        )
    });
    if broken == 0 {
        remove(&older);
    }
    Ok(Some(Upgraded {
        number: next,
        left_out,
    }))
}

fn remove(record: &Path) {
    for suffix in ["-wal", "-shm", ""] {
        let _gone_already = fs::remove_file(beside(record, suffix));
    }
}

/// Why a row of the older format is left out.
struct Broken;

fn column<T: FromSql>(row: &Row<'_>, index: usize) -> Result<T, Broken> {
    row.get_ref(index)
        .ok()
        .and_then(|value| T::column_result(value).ok())
        .ok_or(Broken)
}

/// The older format's seal: SHA-256 over the table's name and the columns, each after its length.
fn fits<T>(table: &str, parts: &[&[u8]], seal: &[u8], value: T) -> Result<T, Broken> {
    let mut hash = Sha256::new();
    for part in std::iter::once(&table.as_bytes()).chain(parts) {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part);
    }
    if hash.finalize()[..] == *seal {
        Ok(value)
    } else {
        Err(Broken)
    }
}

fn or_nothing(key: Option<&[u8; 32]>) -> &[u8] {
    key.map_or(&[], |key| key.as_slice())
}

type Decode = fn(&Row<'_>) -> Result<Batch, Broken>;

/// Each table in the order its rows were written, and how to read one.
const TABLES: [(&str, Decode); 9] = [
    ("SELECT key,seal FROM identity", |row| {
        let key: Vec<u8> = column(row, 0)?;
        fits("identity", &[&key], &column::<Vec<u8>>(row, 1)?, ())?;
        Ok(Batch {
            identity: Some(key),
            ..Batch::default()
        })
    }),
    (
        "SELECT id,about,added_ms,seal FROM document ORDER BY rowid",
        |row| {
            let (id, about): ([u8; 16], String) = (column(row, 0)?, column(row, 1)?);
            let added_ms: i64 = column(row, 2)?;
            let parts: [&[u8]; 3] = [&id, about.as_bytes(), &added_ms.to_be_bytes()];
            fits("document", &parts, &column::<Vec<u8>>(row, 3)?, ())?;
            let document = Document {
                id,
                about,
                added_ms,
            };
            Ok(Batch {
                documents: vec![document],
                ..Batch::default()
            })
        },
    ),
    (
        "SELECT document,writer,number,heard_from,at_ms,bytes,seal FROM change ORDER BY arrival",
        |row| {
            let change = Change {
                document: column(row, 0)?,
                writer: column(row, 1)?,
                number: column::<i64>(row, 2)?.cast_unsigned(),
                heard_from: column(row, 3)?,
                at_ms: column(row, 4)?,
                bytes: column(row, 5)?,
            };
            let parts: [&[u8]; 6] = [
                &change.document,
                &change.writer,
                &change.number.to_be_bytes(),
                or_nothing(change.heard_from.as_ref()),
                &change.at_ms.to_be_bytes(),
                &change.bytes,
            ];
            fits("change", &parts, &column::<Vec<u8>>(row, 6)?, ())?;
            Ok(Batch {
                changes: vec![change],
                ..Batch::default()
            })
        },
    ),
    ("SELECT tap,answer,seal FROM answer", |row| {
        let (tap, answer): (String, String) = (column(row, 0)?, column(row, 1)?);
        let parts = [tap.as_bytes(), answer.as_bytes()];
        fits("answer", &parts, &column::<Vec<u8>>(row, 2)?, ())?;
        Ok(Batch {
            answers: vec![(tap, answer)],
            ..Batch::default()
        })
    }),
    (
        "SELECT id,name,addresses,seal FROM peer ORDER BY rowid",
        |row| {
            let (key_id, name): ([u8; 32], String) = (column(row, 0)?, column(row, 1)?);
            let addresses: String = column(row, 2)?;
            let parts: [&[u8]; 3] = [&key_id, name.as_bytes(), addresses.as_bytes()];
            fits("peer", &parts, &column::<Vec<u8>>(row, 3)?, ())?;
            let addresses = addresses.split('\n').filter(|one| !one.is_empty());
            let peer = Peer {
                key_id,
                name,
                addresses: addresses.map(str::to_owned).collect(),
                last_heard_ms: None,
            };
            Ok(Batch {
                peers: vec![peer],
                ..Batch::default()
            })
        },
    ),
    ("SELECT peer,at_ms,seal FROM heard", |row| {
        let (peer, at_ms): ([u8; 32], i64) = (column(row, 0)?, column(row, 1)?);
        let parts: [&[u8]; 2] = [&peer, &at_ms.to_be_bytes()];
        fits("heard", &parts, &column::<Vec<u8>>(row, 2)?, ())?;
        Ok(Batch {
            heard: vec![Heard { peer, at_ms }],
            ..Batch::default()
        })
    }),
    (
        "SELECT peer,at_ms,offset_ms,uncertainty_ms,seal FROM clock ORDER BY id",
        |row| {
            let offset = Offset {
                peer: column(row, 0)?,
                at_ms: column(row, 1)?,
                offset_ms: column(row, 2)?,
                uncertainty_ms: column(row, 3)?,
            };
            let parts: [&[u8]; 4] = [
                &offset.peer,
                &offset.at_ms.to_be_bytes(),
                &offset.offset_ms.to_be_bytes(),
                &offset.uncertainty_ms.to_be_bytes(),
            ];
            fits("clock", &parts, &column::<Vec<u8>>(row, 4)?, ())?;
            Ok(Batch {
                offsets: vec![offset],
                ..Batch::default()
            })
        },
    ),
    (
        "SELECT document,peer,bytes,reason,at_ms,seal FROM refused ORDER BY id",
        |row| {
            let refused = Refused {
                document: column(row, 0)?,
                peer: column(row, 1)?,
                bytes: column(row, 2)?,
                reason: column(row, 3)?,
                at_ms: column(row, 4)?,
            };
            let parts: [&[u8]; 5] = [
                &refused.document,
                or_nothing(refused.peer.as_ref()),
                &refused.bytes,
                refused.reason.as_bytes(),
                &refused.at_ms.to_be_bytes(),
            ];
            fits("refused", &parts, &column::<Vec<u8>>(row, 5)?, ())?;
            Ok(Batch {
                quarantine: vec![refused],
                ..Batch::default()
            })
        },
    ),
    (
        "SELECT name,value,seal FROM setting ORDER BY rowid",
        |row| {
            let (name, value): (String, String) = (column(row, 0)?, column(row, 1)?);
            let parts = [name.as_bytes(), value.as_bytes()];
            fits("setting", &parts, &column::<Vec<u8>>(row, 2)?, ())?;
            Ok(Batch {
                settings: vec![(name, value)],
                ..Batch::default()
            })
        },
    ),
];

/// Carries all sound rows over; returns how many were not.
fn carry(from: &Connection, to: &Connection, vault: &Vault) -> Result<u64, OpenError> {
    let mut broken = 0;
    for (sql, decode) in TABLES {
        let mut ask = from.prepare(sql)?;
        let mut rows = ask.query([])?;
        while let Some(row) = rows.next()? {
            match decode(row) {
                Ok(batch) => commit::put(to, vault, &batch).map_err(|error| OpenError::Io {
                    detail: error.to_string(),
                })?,
                Err(Broken) => broken += 1,
            }
        }
    }
    let mut ask = from.prepare("SELECT generation,mark FROM opening ORDER BY generation")?;
    let mut rows = ask.query([])?;
    while let Some(row) = rows.next()? {
        let (generation, mark): (i64, Vec<u8>) = (row.get(0)?, row.get(1)?);
        let sealed = vault.seal("opening", &[&generation.to_be_bytes(), &mark], &[])?;
        to.execute(
            "INSERT INTO opening(generation,mark,sealed)VALUES(?,?,?)",
            params![generation, mark, sealed],
        )?;
    }
    Ok(broken)
}

/// Whether all rows of an older file are sound, so that nothing is lost with it.
fn rows_are_sound(record: &Path) -> Result<bool, OpenError> {
    let from = Connection::open(record)?;
    schema::quiet(&from)?;
    for (sql, decode) in TABLES {
        let mut ask = from.prepare(sql)?;
        let mut rows = ask.query([])?;
        while let Some(row) = rows.next()? {
            if decode(row).is_err() {
                return Ok(false);
            }
        }
    }
    Ok(true)
}
