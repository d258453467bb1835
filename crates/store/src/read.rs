//! Reading rows back, each opened under the folder's key.

use std::collections::BTreeMap;

use rusqlite::types::{FromSql, ValueRef};
use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::ReadError;
use crate::batch::{Change, Document, Head, Heard, Offset, Opening, Peer, Refused};
use crate::quarantine::{BEYOND, Quarantine};
use crate::vault::{Parts, Vault};

/// The changes of one document, in the order they arrived.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Log {
    /// The bytes of each sound change, oldest arrival first.
    pub changes: Vec<Vec<u8>>,
    /// From which device each of them was heard; `None` for those made here.
    pub heard_from: Vec<Option<[u8; 32]>>,
    /// Changes that are on disk but not as they were written, or are missing. Left out of `changes`, not
    /// deleted; a peer that still has such a change can send it again, and committing it mends the row.
    pub damaged: Vec<Damaged>,
}

/// A change this device once saved and can no longer read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damaged {
    /// Its writer, if an index still knows and another change of it is sound.
    pub writer: Option<[u8; 16]>,
    /// Its number, if an index still knows.
    pub number: Option<u64>,
    /// What is wrong, in words for a person.
    pub reason: String,
}

/// What is kept of the openings and signatures of a document's writers.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Runs {
    /// What runs start from.
    pub openings: Vec<Opening>,
    /// Signatures over them.
    pub heads: Vec<Head>,
    /// How many rows of either kind are damaged and left out.
    pub damaged: usize,
}

/// Why a row cannot be trusted: it does not open, or is not what the table holds.
#[derive(Debug)]
pub(crate) struct Broken;

/// A row opened and decoded.
pub(crate) type Checked<T> = Result<T, Broken>;

fn column<T: FromSql>(row: &Row<'_>, index: usize) -> Checked<T> {
    row.get_ref(index)
        .ok()
        .and_then(|value: ValueRef<'_>| T::column_result(value).ok())
        .ok_or(Broken)
}

/// Opens the sealed column at `index`, in the place that `table` and the row's open columns are.
fn opened(
    vault: &Vault,
    table: &str,
    columns: &[&[u8]],
    row: &Row<'_>,
    index: usize,
) -> Checked<Parts> {
    vault.open(table, columns, &column::<Vec<u8>>(row, index)?)
}

const CHANGE: &str = "document,writer,number,sealed";

fn change(vault: &Vault, row: &Row<'_>) -> Checked<Change> {
    let (document, writer): ([u8; 16], [u8; 16]) = (column(row, 0)?, column(row, 1)?);
    let number: i64 = column(row, 2)?;
    let columns: [&[u8]; 3] = [&document, &writer, &number.to_be_bytes()];
    let mut parts = opened(vault, "change", &columns, row, 3)?;
    let change = Change {
        document: parts.array()?,
        writer: parts.array()?,
        number: number.cast_unsigned(),
        heard_from: parts.maybe()?,
        at_ms: parts.i64()?,
        bytes: parts.bytes()?.to_vec(),
    };
    parts.end(change)
}

/// The change at one place of the log: `None` if there is no row.
pub(crate) fn change_at(
    db: &Connection,
    vault: &Vault,
    arrival: i64,
) -> rusqlite::Result<Option<Checked<Change>>> {
    db.prepare_cached(&format!("SELECT {CHANGE} FROM change WHERE arrival=?"))?
        .query_row([arrival], |row| Ok(change(vault, row)))
        .optional()
}

/// Reads the log of a document. The index says which places belong to it; each place is then looked up on
/// its own, so that one unreadable page costs the changes on that page and no others.
///
/// That the index and the rows agree was checked when the store was opened, and a file in which they do not
/// is not used (see `rescue`); so what the index does not name is not there.
pub(crate) fn log(db: &Connection, vault: &Vault, document: [u8; 16]) -> rusqlite::Result<Log> {
    let masked = vault.mask("document", &document);
    let mut places: Vec<(i64, Checked<[u8; 16]>, Checked<i64>)> = db
        .prepare_cached(
            "SELECT arrival,writer,number FROM change INDEXED BY change_key WHERE document=?",
        )?
        .query_map([masked], |row| {
            Ok((row.get(0)?, column(row, 1), column(row, 2)))
        })?
        .collect::<Result<_, _>>()?;
    places.sort_unstable_by_key(|(arrival, ..)| *arrival);
    let mut log = Log::default();
    let mut writers: BTreeMap<[u8; 16], [u8; 16]> = BTreeMap::new();
    let mut damaged = Vec::new();
    for (arrival, writer, number) in places {
        let reason = match change_at(db, vault, arrival) {
            Ok(Some(Ok(change))) if change.document == document => {
                if let Ok(masked) = writer {
                    writers.insert(masked, change.writer);
                }
                log.changes.push(change.bytes);
                log.heard_from.push(change.heard_from);
                continue;
            }
            Ok(Some(_)) => "the stored bytes are not the ones that were saved".to_owned(),
            Ok(None) => "the row is missing".to_owned(),
            Err(error) => format!("it cannot be read: {error}"),
        };
        damaged.push((writer.ok(), number.ok(), reason));
    }
    log.damaged = (damaged.into_iter())
        .map(|(writer, number, reason)| Damaged {
            writer: writer.and_then(|masked| writers.get(&masked).copied()),
            number: number.map(i64::cast_unsigned),
            reason,
        })
        .collect();
    Ok(log)
}

/// Every row of a table, opened and decoded.
pub(crate) fn rows<T>(
    db: &Connection,
    sql: &str,
    decode: impl Fn(&Row<'_>) -> Checked<T>,
) -> rusqlite::Result<Vec<Checked<T>>> {
    db.prepare_cached(sql)?
        .query_map([], |row| Ok(decode(row)))?
        .collect()
}

const DOCUMENTS: &str = "SELECT id,sealed FROM document ORDER BY rowid";
fn document(vault: &Vault, row: &Row<'_>) -> Checked<Document> {
    let id: [u8; 16] = column(row, 0)?;
    let mut parts = opened(vault, "document", &[&id], row, 1)?;
    let document = Document {
        id: parts.array()?,
        about: parts.text()?,
        added_ms: parts.i64()?,
    };
    parts.end(document)
}

const PEERS: &str = "SELECT id,sealed FROM peer ORDER BY rowid";
fn peer(vault: &Vault, row: &Row<'_>) -> Checked<Peer> {
    let id: [u8; 16] = column(row, 0)?;
    let mut parts = opened(vault, "peer", &[&id], row, 1)?;
    let peer = Peer {
        key_id: parts.array()?,
        name: parts.text()?,
        addresses: (parts.text()?.split('\n'))
            .filter(|one| !one.is_empty())
            .map(str::to_owned)
            .collect(),
        last_heard_ms: None,
    };
    parts.end(peer)
}

const HEARD: &str = "SELECT peer,sealed FROM heard";
fn heard(vault: &Vault, row: &Row<'_>) -> Checked<Heard> {
    let id: [u8; 16] = column(row, 0)?;
    let mut parts = opened(vault, "heard", &[&id], row, 1)?;
    let heard = Heard {
        peer: parts.array()?,
        at_ms: parts.i64()?,
    };
    parts.end(heard)
}

const OFFSETS: &str = "SELECT sealed FROM clock ORDER BY id";
fn offset(vault: &Vault, row: &Row<'_>) -> Checked<Offset> {
    let mut parts = opened(vault, "clock", &[], row, 0)?;
    let offset = Offset {
        peer: parts.array()?,
        at_ms: parts.i64()?,
        offset_ms: parts.i64()?,
        uncertainty_ms: parts.i64()?,
    };
    parts.end(offset)
}

const REFUSED: &str = "SELECT hash,peer,length,sealed FROM refused ORDER BY id";
fn refused(vault: &Vault, row: &Row<'_>) -> Checked<Refused> {
    let (hash, peer): ([u8; 16], [u8; 16]) = (column(row, 0)?, column(row, 1)?);
    let length: i64 = column(row, 2)?;
    let columns: [&[u8]; 3] = [&hash, &peer, &length.to_be_bytes()];
    let mut parts = opened(vault, "refused", &columns, row, 3)?;
    let refused = Refused {
        document: parts.array()?,
        peer: parts.maybe()?,
        bytes: parts.bytes()?.to_vec(),
        reason: parts.text()?,
        at_ms: parts.i64()?,
    };
    parts.end(refused)
}

const SETTINGS: &str = "SELECT name,sealed FROM setting ORDER BY rowid";
fn named(vault: &Vault, row: &Row<'_>) -> Checked<(String, String)> {
    let masked: [u8; 16] = column(row, 0)?;
    let mut parts = opened(vault, "setting", &[&masked], row, 1)?;
    let named = (parts.text()?, parts.text()?);
    parts.end(named)
}

const ANSWERS: &str = "SELECT tap,sealed FROM answer ORDER BY tap";
fn answered(vault: &Vault, row: &Row<'_>) -> Checked<String> {
    let masked: [u8; 16] = column(row, 0)?;
    let mut parts = opened(vault, "answer", &[&masked], row, 1)?;
    let answer = parts.text()?;
    parts.end(answer)
}

const RUNS: &str = "SELECT document,writer,sealed FROM run ORDER BY rowid";
const HEADS: &str = "SELECT document,writer,slot,sealed FROM head ORDER BY rowid";

/// A run's opening, if it is of `document` (all documents' fit when that isn't said).
fn opening(vault: &Vault, document: [u8; 16], row: &Row<'_>) -> Checked<Opening> {
    let (masked, writer): ([u8; 16], [u8; 16]) = (column(row, 0)?, column(row, 1)?);
    let mut parts = opened(vault, "run", &[&masked, &writer], row, 2)?;
    let opening = Opening {
        document,
        writer: parts.array()?,
        bytes: parts.bytes()?.to_vec(),
    };
    parts.end(opening)
}

fn head(vault: &Vault, document: [u8; 16], row: &Row<'_>) -> Checked<Head> {
    let (masked, writer): ([u8; 16], [u8; 16]) = (column(row, 0)?, column(row, 1)?);
    let slot: i64 = column(row, 2)?;
    let columns: [&[u8]; 3] = [&masked, &writer, &slot.to_be_bytes()];
    let mut parts = opened(vault, "head", &columns, row, 3)?;
    let head = Head {
        document,
        writer: parts.array()?,
        slot: slot.cast_unsigned(),
        bytes: parts.bytes()?.to_vec(),
    };
    parts.end(head)
}

/// The openings and signatures of a document.
pub(crate) fn runs(db: &Connection, vault: &Vault, document: [u8; 16]) -> rusqlite::Result<Runs> {
    let masked = vault.mask("document", &document);
    let openings: Vec<Checked<Opening>> = db
        .prepare_cached("SELECT document,writer,sealed FROM run WHERE document=? ORDER BY rowid")?
        .query_map([masked], |row| Ok(opening(vault, document, row)))?
        .collect::<Result<_, _>>()?;
    let heads: Vec<Checked<Head>> = db
        .prepare_cached(
            "SELECT document,writer,slot,sealed FROM head WHERE document=? ORDER BY rowid",
        )?
        .query_map([masked], |row| Ok(head(vault, document, row)))?
        .collect::<Result<_, _>>()?;
    Ok(Runs {
        damaged: openings.iter().filter(|row| row.is_err()).count()
            + heads.iter().filter(|row| row.is_err()).count(),
        openings: openings.into_iter().flatten().collect(),
        heads: heads.into_iter().flatten().collect(),
    })
}

/// The documents that are listed, and those only their changes still tell of.
pub(crate) fn documents(db: &Connection, vault: &Vault) -> rusqlite::Result<Vec<Document>> {
    let mut documents: Vec<Document> = rows(db, DOCUMENTS, |row| document(vault, row))?
        .into_iter()
        .flatten()
        .collect();
    let mut ask = db.prepare_cached(
        // One seek per document, not one step per change.
        "WITH RECURSIVE d(id) AS (SELECT min(document) FROM change UNION ALL \
         SELECT (SELECT min(document) FROM change WHERE document>d.id) FROM d WHERE d.id IS NOT NULL) \
         SELECT id FROM d WHERE id IS NOT NULL",
    )?;
    let listed: Vec<[u8; 16]> = (documents.iter())
        .map(|document| vault.mask("document", &document.id))
        .collect();
    for masked in ask.query_map([], |row| Ok(column::<[u8; 16]>(row, 0)))? {
        if let Ok(masked) = masked?
            && !listed.contains(&masked)
            && let Some(id) = named_by_its_changes(db, vault, masked)?
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

/// A document's id out of its first sound change.
fn named_by_its_changes(
    db: &Connection,
    vault: &Vault,
    masked: [u8; 16],
) -> rusqlite::Result<Option<[u8; 16]>> {
    let mut ask = db.prepare_cached(&format!("SELECT {CHANGE} FROM change WHERE document=?"))?;
    let mut found = ask.query_map([masked], |row| Ok(change(vault, row)))?;
    found
        .find_map(|row| row.map(Result::ok).transpose())
        .map(|change| change.map(|change| change.document))
        .transpose()
}

pub(crate) fn peers(db: &Connection, vault: &Vault) -> rusqlite::Result<Vec<Peer>> {
    let heard: Vec<Heard> = rows(db, HEARD, |row| heard(vault, row))?
        .into_iter()
        .flatten()
        .collect();
    let mut peers: Vec<Peer> = rows(db, PEERS, |row| peer(vault, row))?
        .into_iter()
        .flatten()
        .collect();
    for peer in &mut peers {
        peer.last_heard_ms = heard
            .iter()
            .find(|heard| heard.peer == peer.key_id)
            .map(|heard| heard.at_ms);
    }
    Ok(peers)
}

pub(crate) fn offsets(
    db: &Connection,
    vault: &Vault,
    peer: [u8; 32],
) -> rusqlite::Result<Vec<Offset>> {
    Ok(rows(db, OFFSETS, |row| offset(vault, row))?
        .into_iter()
        .flatten()
        .filter(|offset| offset.peer == peer)
        .collect())
}

pub(crate) fn quarantine(db: &Connection, vault: &Vault) -> rusqlite::Result<Quarantine> {
    let mut quarantine = Quarantine {
        kept: rows(db, REFUSED, |row| refused(vault, row))?
            .into_iter()
            .flatten()
            .collect(),
        ..Quarantine::default()
    };
    for (name, count) in rows(db, SETTINGS, |row| named(vault, row))?
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
pub(crate) fn identity(db: &Connection, vault: &Vault) -> Result<Option<Vec<u8>>, ReadError> {
    let found = db
        .query_row("SELECT sealed FROM identity WHERE id=1", [], |row| {
            Ok(
                opened(vault, "identity", &[], row, 0).and_then(|mut parts| {
                    let key = parts.bytes()?.to_vec();
                    parts.end(key)
                }),
            )
        })
        .optional()?;
    found.transpose().map_err(|Broken| ReadError::Damaged {
        what: "the device's key".into(),
    })
}

pub(crate) fn answer(
    db: &Connection,
    vault: &Vault,
    tap: &str,
) -> Result<Option<String>, ReadError> {
    db.prepare_cached("SELECT tap,sealed FROM answer WHERE tap=?")?
        .query_row(params![vault.mask("tap", tap.as_bytes())], |row| {
            Ok(answered(vault, row))
        })
        .optional()?
        .transpose()
        .map_err(|Broken| ReadError::Damaged {
            what: format!("the answer to tap {tap}"),
        })
}

pub(crate) fn setting(
    db: &Connection,
    vault: &Vault,
    name: &str,
) -> Result<Option<String>, ReadError> {
    db.prepare_cached("SELECT name,sealed FROM setting WHERE name=?")?
        .query_row(params![vault.mask("setting", name.as_bytes())], |row| {
            Ok(named(vault, row).map(|(_, value)| value))
        })
        .optional()?
        .transpose()
        .map_err(|Broken| ReadError::Damaged {
            what: format!("the setting \"{name}\""),
        })
}

/// What the store cannot vouch for outside the logs, in words for a person: checked once, when it is opened.
pub(crate) fn damaged_rows(db: &Connection, vault: &Vault) -> rusqlite::Result<Vec<String>> {
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
    let documents = rows(db, DOCUMENTS, |row| document(vault, row))?;
    note(&mut found, "document titles", &documents);
    let peers = rows(db, PEERS, |row| peer(vault, row))?;
    note(&mut found, "known devices", &peers);
    let times = rows(db, HEARD, |row| heard(vault, row))?;
    note(&mut found, "times a device was heard", &times);
    let offsets = rows(db, OFFSETS, |row| offset(vault, row))?;
    note(&mut found, "clock measurements", &offsets);
    let refused = rows(db, REFUSED, |row| refused(vault, row))?;
    note(&mut found, "refused changes", &refused);
    let settings = rows(db, SETTINGS, |row| named(vault, row))?;
    note(&mut found, "settings", &settings);
    let answers = rows(db, ANSWERS, |row| answered(vault, row))?;
    note(&mut found, "answers to taps", &answers);
    let openings = rows(db, RUNS, |row| opening(vault, [0; 16], row))?;
    note(&mut found, "starts of signed runs", &openings);
    let heads = rows(db, HEADS, |row| head(vault, [0; 16], row))?;
    note(&mut found, "signatures", &heads);
    if identity(db, vault).is_err() {
        found.push("the device's key is damaged".into());
    }
    Ok(found)
}
