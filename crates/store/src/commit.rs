//! Writing a batch: all of it in one transaction, synced before it counts.

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use crate::batch::{Batch, Change, Heard};
use crate::quarantine::{beyond_name, keep};
use crate::seal::{Sealed, seal, seal_text};
use crate::{CommitError, read};

/// Writes the batch. On `Ok` it is synced; on `Err` nothing of it is in the database.
///
/// A transaction that is dropped uncommitted is rolled back; the caller checks that this worked.
pub(crate) fn write(db: &Connection, batch: &Batch) -> Result<(), CommitError> {
    let work = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
    if let Some(key) = &batch.identity {
        work.execute(
            "INSERT OR REPLACE INTO identity(id,key,seal)VALUES(1,?,?)",
            params![key, seal("identity", &[key])],
        )?;
    }
    for document in &batch.documents {
        work.prepare_cached(
            "INSERT OR REPLACE INTO document(id,about,added_ms,seal)VALUES(?,?,?,?)",
        )?
        .execute(params![
            document.id,
            document.about,
            document.added_ms,
            document.seal()
        ])?;
    }
    for change in &batch.changes {
        append(&work, change)?;
    }
    for (tap, answer) in &batch.answers {
        work.prepare_cached(
            "INSERT INTO answer(tap,answer,seal)VALUES(?,?,?)ON CONFLICT DO NOTHING",
        )?
        .execute(params![tap, answer, seal_text("answer", tap, answer)])?;
    }
    for peer in &batch.peers {
        work.prepare_cached("INSERT OR REPLACE INTO peer(id,name,addresses,seal)VALUES(?,?,?,?)")?
            .execute(params![
                peer.key_id,
                peer.name,
                peer.addresses.join("\n"),
                peer.seal()
            ])?;
        if let Some(at_ms) = peer.last_heard_ms {
            hear(
                &work,
                Heard {
                    peer: peer.key_id,
                    at_ms,
                },
            )?;
        }
    }
    for heard in &batch.heard {
        hear(&work, *heard)?;
    }
    for offset in &batch.offsets {
        work.prepare_cached(
            "INSERT INTO clock(peer,at_ms,offset_ms,uncertainty_ms,seal)VALUES(?,?,?,?,?)",
        )?
        .execute(params![
            offset.peer,
            offset.at_ms,
            offset.offset_ms,
            offset.uncertainty_ms,
            offset.seal()
        ])?;
    }
    for refused in &batch.quarantine {
        if !keep(&work, refused)? {
            let name = beyond_name(refused.peer.as_ref());
            let before = read::setting(&work, &name).ok().flatten();
            let before: u64 = before.and_then(|count| count.parse().ok()).unwrap_or(0);
            set(&work, &name, &before.saturating_add(1).to_string())?;
        }
    }
    for (name, value) in &batch.settings {
        set(&work, name, value)?;
    }
    Ok(work.commit()?)
}

/// Appends one change, or finds that it is kept already.
///
/// Told apart by the unique key (document, writer, number): the same bytes again are harmless, other bytes
/// are a fork. A kept row whose seal no longer fits proves nothing about a fork: it is damage on this disk,
/// and the change that has come again, from whoever still had it, takes its place; the damaged row is kept in `wreck`.
fn append(db: &Connection, change: &Change) -> Result<(), CommitError> {
    let added = db
        .prepare_cached(
            "INSERT INTO change(document,writer,number,heard_from,at_ms,bytes,seal)VALUES(?,?,?,?,?,?,?)\
             ON CONFLICT DO NOTHING",
        )?
        .execute(params![
            change.document,
            change.writer,
            change.number.cast_signed(),
            change.heard_from,
            change.at_ms,
            change.bytes,
            change.seal()
        ])?;
    if added == 1 {
        return Ok(());
    }
    let arrival: Option<i64> = db
        .prepare_cached("SELECT arrival FROM change WHERE document=? AND writer=? AND number=?")?
        .query_row(
            params![change.document, change.writer, change.number.cast_signed()],
            |row| row.get(0),
        )
        .optional()?;
    let arrival = arrival.ok_or(CommitError::Damaged {
        detail: "an index points at nothing".into(),
    })?;
    match read::change_at(db, arrival)? {
        Some(Ok(kept)) if kept.bytes == change.bytes => Ok(()),
        Some(Ok(_)) => Err(CommitError::Fork {
            document: change.document,
            writer: change.writer,
            number: change.number,
        }),
        Some(Err(_)) => mend(db, arrival, change),
        None => Err(CommitError::Damaged {
            detail: format!("change at place {arrival} is missing"),
        }),
    }
}

fn mend(db: &Connection, arrival: i64, change: &Change) -> Result<(), CommitError> {
    db.execute(
        "INSERT INTO wreck(arrival,row)SELECT arrival,concat_ws(' ',quote(document),quote(writer),quote(number),\
         quote(heard_from),quote(at_ms),quote(bytes),quote(seal)) FROM change WHERE arrival=?",
        [arrival],
    )?;
    db.execute(
        "UPDATE change SET document=?,writer=?,number=?,heard_from=?,at_ms=?,bytes=?,seal=? WHERE arrival=?",
        params![
            change.document,
            change.writer,
            change.number.cast_signed(),
            change.heard_from,
            change.at_ms,
            change.bytes,
            change.seal(),
            arrival
        ],
    )?;
    Ok(())
}

fn hear(db: &Connection, heard: Heard) -> rusqlite::Result<()> {
    db.prepare_cached("INSERT OR REPLACE INTO heard(peer,at_ms,seal)VALUES(?,?,?)")?
        .execute(params![heard.peer, heard.at_ms, heard.seal()])?;
    Ok(())
}

fn set(db: &Connection, name: &str, value: &str) -> rusqlite::Result<()> {
    db.prepare_cached("INSERT OR REPLACE INTO setting(name,value,seal)VALUES(?,?,?)")?
        .execute(params![name, value, seal_text("setting", name, value)])?;
    Ok(())
}
