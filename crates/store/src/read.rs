//! Reading rows back, each against its seal.

use rusqlite::types::{FromSql, ValueRef};
use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::ReadError;
use crate::batch::{Change, Document, Heard, Offset, Peer, Refused};
use crate::quarantine::{BEYOND, Quarantine};
use crate::seal::{Sealed, seal, seal_text};

/// The changes of one document, in the order they arrived.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Log {
    /// The bytes of each sound change, oldest arrival first.
    pub changes: Vec<Vec<u8>>,
    /// Changes that are on disk but not as they were written, or are missing. Left out of `changes`, not
    /// deleted; a peer that still has such a change can send it again, and committing it mends the row.
    pub damaged: Vec<Damaged>,
}

/// A change this device once saved and can no longer read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damaged {
    /// Its writer, if an index still knows.
    pub writer: Option<[u8; 16]>,
    /// Its number, if an index still knows.
    pub number: Option<u64>,
    /// What is wrong, in words for a person.
    pub reason: String,
}

/// Why a row cannot be trusted: its columns do not fit its seal, or are not what the table holds.
#[derive(Debug)]
pub(crate) struct Broken;

/// A row decoded and compared with its seal, which is the column after the last of `T`.
type Checked<T> = Result<T, Broken>;

fn column<T: FromSql>(row: &Row<'_>, index: usize) -> Checked<T> {
    row.get_ref(index)
        .ok()
        .and_then(|value: ValueRef<'_>| T::column_result(value).ok())
        .ok_or(Broken)
}

fn fits<T: Sealed>(value: T, stored: &Checked<Vec<u8>>) -> Checked<T> {
    if stored.as_ref().is_ok_and(|stored| *stored == value.seal()) {
        Ok(value)
    } else {
        Err(Broken)
    }
}

pub(crate) const CHANGE: &str = "document,writer,number,heard_from,at_ms,bytes,seal";

/// Decodes the columns [`CHANGE`].
pub(crate) fn change(row: &Row<'_>) -> Checked<Change> {
    fits(
        Change {
            document: column(row, 0)?,
            writer: column(row, 1)?,
            number: column::<i64>(row, 2)?.cast_unsigned(),
            heard_from: column(row, 3)?,
            at_ms: column(row, 4)?,
            bytes: column(row, 5)?,
        },
        &column(row, 6),
    )
}

/// The change at one place of the log: `None` if there is no row.
pub(crate) fn change_at(
    db: &Connection,
    arrival: i64,
) -> rusqlite::Result<Option<Checked<Change>>> {
    db.prepare_cached(&format!("SELECT {CHANGE} FROM change WHERE arrival=?"))?
        .query_row([arrival], |row| Ok(change(row)))
        .optional()
}

/// Reads the log of a document. The index says which places belong to it; each place is then looked up on
/// its own, so that one unreadable page costs the changes on that page and no others.
///
/// That the index and the rows agree was checked when the store was opened, and a file in which they do not
/// is not used (see `rescue`); so what the index does not name is not there.
pub(crate) fn log(db: &Connection, document: [u8; 16]) -> rusqlite::Result<Log> {
    let mut places: Vec<(i64, Checked<[u8; 16]>, Checked<i64>)> = db
        .prepare_cached(
            "SELECT arrival,writer,number FROM change INDEXED BY change_key WHERE document=?",
        )?
        .query_map([document], |row| {
            Ok((row.get(0)?, column(row, 1), column(row, 2)))
        })?
        .collect::<Result<_, _>>()?;
    places.sort_unstable_by_key(|(arrival, ..)| *arrival);
    let mut log = Log::default();
    for (arrival, writer, number) in places {
        let reason = match change_at(db, arrival) {
            Ok(Some(Ok(change))) if change.document == document => {
                log.changes.push(change.bytes);
                continue;
            }
            Ok(Some(_)) => "the stored bytes are not the ones that were saved".to_owned(),
            Ok(None) => "the row is missing".to_owned(),
            Err(error) => format!("it cannot be read: {error}"),
        };
        log.damaged.push(Damaged {
            writer: writer.ok(),
            number: number.ok().map(i64::cast_unsigned),
            reason,
        });
    }
    Ok(log)
}

/// Every row of a table, decoded and checked.
pub(crate) fn rows<T>(
    db: &Connection,
    sql: &str,
    decode: impl Fn(&Row<'_>) -> Checked<T>,
) -> rusqlite::Result<Vec<Checked<T>>> {
    db.prepare_cached(sql)?
        .query_map([], |row| Ok(decode(row)))?
        .collect()
}

pub(crate) const DOCUMENTS: &str = "SELECT id,about,added_ms,seal FROM document ORDER BY rowid";
pub(crate) fn document(row: &Row<'_>) -> Checked<Document> {
    fits(
        Document {
            id: column(row, 0)?,
            about: column(row, 1)?,
            added_ms: column(row, 2)?,
        },
        &column(row, 3),
    )
}

pub(crate) const PEERS: &str = "SELECT id,name,addresses,seal FROM peer ORDER BY rowid";
pub(crate) fn peer(row: &Row<'_>) -> Checked<Peer> {
    let addresses: String = column(row, 2)?;
    let addresses = addresses
        .split('\n')
        .filter(|one| !one.is_empty())
        .map(str::to_owned)
        .collect();
    let peer = Peer {
        key_id: column(row, 0)?,
        name: column(row, 1)?,
        addresses,
        last_heard_ms: None,
    };
    fits(peer, &column(row, 3))
}

pub(crate) const HEARD: &str = "SELECT peer,at_ms,seal FROM heard";
pub(crate) fn heard(row: &Row<'_>) -> Checked<Heard> {
    fits(
        Heard {
            peer: column(row, 0)?,
            at_ms: column(row, 1)?,
        },
        &column(row, 2),
    )
}

pub(crate) const OFFSETS: &str =
    "SELECT peer,at_ms,offset_ms,uncertainty_ms,seal FROM clock ORDER BY id";
pub(crate) fn offset(row: &Row<'_>) -> Checked<Offset> {
    fits(
        Offset {
            peer: column(row, 0)?,
            at_ms: column(row, 1)?,
            offset_ms: column(row, 2)?,
            uncertainty_ms: column(row, 3)?,
        },
        &column(row, 4),
    )
}

pub(crate) const REFUSED: &str =
    "SELECT document,peer,bytes,reason,at_ms,seal FROM refused ORDER BY id";
pub(crate) fn refused(row: &Row<'_>) -> Checked<Refused> {
    fits(
        Refused {
            document: column(row, 0)?,
            peer: column(row, 1)?,
            bytes: column(row, 2)?,
            reason: column(row, 3)?,
            at_ms: column(row, 4)?,
        },
        &column(row, 5),
    )
}

/// A name and its text out of `table`, if the seal fits.
pub(crate) fn text(table: &str, row: &Row<'_>) -> Checked<(String, String)> {
    let (name, text): (String, String) = (column(row, 0)?, column(row, 1)?);
    let stored: Vec<u8> = column(row, 2)?;
    if stored == seal_text(table, &name, &text) {
        Ok((name, text))
    } else {
        Err(Broken)
    }
}

pub(crate) const ANSWERS: &str = "SELECT tap,answer,seal FROM answer ORDER BY tap";
pub(crate) const SETTINGS: &str = "SELECT name,value,seal FROM setting ORDER BY rowid";

/// The documents that are listed, and those only their changes still tell of.
pub(crate) fn documents(db: &Connection) -> rusqlite::Result<Vec<Document>> {
    let mut documents: Vec<Document> = rows(db, DOCUMENTS, document)?
        .into_iter()
        .flatten()
        .collect();
    let mut ask = db.prepare_cached(
        // One seek per document, not one step per change.
        "WITH RECURSIVE d(id) AS (SELECT min(document) FROM change UNION ALL \
         SELECT (SELECT min(document) FROM change WHERE document>d.id) FROM d WHERE d.id IS NOT NULL) \
         SELECT id FROM d WHERE id IS NOT NULL",
    )?;
    for id in ask.query_map([], |row| Ok(column::<[u8; 16]>(row, 0)))? {
        if let Ok(id) = id?
            && documents.iter().all(|document| document.id != id)
        {
            documents.push(Document {
                id,
                about: String::new(),
                added_ms: 0,
            });
        }
    }
    Ok(documents)
}

pub(crate) fn peers(db: &Connection) -> rusqlite::Result<Vec<Peer>> {
    let heard: Vec<Heard> = rows(db, HEARD, heard)?.into_iter().flatten().collect();
    let mut peers: Vec<Peer> = rows(db, PEERS, peer)?.into_iter().flatten().collect();
    for peer in &mut peers {
        peer.last_heard_ms = heard
            .iter()
            .find(|heard| heard.peer == peer.key_id)
            .map(|heard| heard.at_ms);
    }
    Ok(peers)
}

pub(crate) fn offsets(db: &Connection, peer: [u8; 32]) -> rusqlite::Result<Vec<Offset>> {
    Ok(rows(db, OFFSETS, offset)?
        .into_iter()
        .flatten()
        .filter(|offset| offset.peer == peer)
        .collect())
}

pub(crate) fn quarantine(db: &Connection) -> rusqlite::Result<Quarantine> {
    let mut quarantine = Quarantine {
        kept: rows(db, REFUSED, refused)?.into_iter().flatten().collect(),
        ..Quarantine::default()
    };
    for (name, count) in rows(db, SETTINGS, |row| text("setting", row))?
        .into_iter()
        .flatten()
    {
        if let Some(peer) = name.strip_prefix(BEYOND)
            && let Ok(count) = count.parse()
        {
            quarantine.beyond.insert(key(peer), count);
        }
    }
    Ok(quarantine)
}

fn key(hex: &str) -> Option<[u8; 32]> {
    let mut key = [0; 32];
    for (place, byte) in key.iter_mut().enumerate() {
        *byte = u8::from_str_radix(hex.get(2 * place..2 * place + 2)?, 16).ok()?;
    }
    Some(key)
}

/// The device's private key.
pub(crate) fn identity(db: &Connection) -> Result<Option<Vec<u8>>, ReadError> {
    let found = db
        .query_row("SELECT key,seal FROM identity WHERE id=1", [], |row| {
            Ok((column(row, 0), column(row, 1)))
        })
        .optional()?;
    let (Ok(key), Ok(stored)): (Checked<Vec<u8>>, Checked<Vec<u8>>) = (match found {
        None => return Ok(None),
        Some(found) => found,
    }) else {
        return Err(ReadError::Damaged {
            what: "the device's key".into(),
        });
    };
    if stored == seal("identity", &[&key]) {
        Ok(Some(key))
    } else {
        Err(ReadError::Damaged {
            what: "the device's key".into(),
        })
    }
}

fn named(
    db: &Connection,
    table: &str,
    sql: &str,
    name: &str,
) -> rusqlite::Result<Option<Checked<String>>> {
    db.prepare_cached(sql)?
        .query_row(params![name], |row| {
            Ok(text(table, row).map(|(_, text)| text))
        })
        .optional()
}

pub(crate) fn answer(db: &Connection, tap: &str) -> Result<Option<String>, ReadError> {
    named(
        db,
        "answer",
        "SELECT tap,answer,seal FROM answer WHERE tap=?",
        tap,
    )?
    .transpose()
    .map_err(|Broken| ReadError::Damaged {
        what: format!("the answer to tap {tap}"),
    })
}

pub(crate) fn setting(db: &Connection, name: &str) -> Result<Option<String>, ReadError> {
    named(
        db,
        "setting",
        "SELECT name,value,seal FROM setting WHERE name=?",
        name,
    )?
    .transpose()
    .map_err(|Broken| ReadError::Damaged {
        what: format!("the setting \"{name}\""),
    })
}

/// What the store cannot vouch for outside the logs, in words for a person: checked once, when it is opened.
pub(crate) fn damaged_rows(db: &Connection) -> rusqlite::Result<Vec<String>> {
    fn note<T>(found: &mut Vec<String>, what: &str, rows: &[Checked<T>]) {
        let broken = rows.iter().filter(|row| row.is_err()).count();
        if broken > 0 {
            found.push(format!(
                "{broken} of {} {what} are damaged and left out",
                rows.len()
            ));
        }
    }
    let mut found = Vec::new();
    note(
        &mut found,
        "document titles",
        &rows(db, DOCUMENTS, document)?,
    );
    note(&mut found, "known devices", &rows(db, PEERS, peer)?);
    note(
        &mut found,
        "times a device was heard",
        &rows(db, HEARD, heard)?,
    );
    note(
        &mut found,
        "clock measurements",
        &rows(db, OFFSETS, offset)?,
    );
    note(&mut found, "refused changes", &rows(db, REFUSED, refused)?);
    note(
        &mut found,
        "settings",
        &rows(db, SETTINGS, |row| text("setting", row))?,
    );
    note(
        &mut found,
        "answers to taps",
        &rows(db, ANSWERS, |row| text("answer", row))?,
    );
    if identity(db).is_err() {
        found.push("the device's key is damaged".into());
    }
    Ok(found)
}
