//! Writing a batch: all of it in one transaction, synced before it counts.

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use crate::batch::{Batch, Change, Document, Head, Heard, Offset, Opening, Peer};
use crate::quarantine::{beyond_name, keep};
use crate::vault::Vault;
use crate::{CommitError, read};

/// Writes the batch. On `Ok` it is synced; on `Err` nothing of it is in the database.
///
/// A transaction that is dropped uncommitted is rolled back; the caller checks that this worked.
pub(crate) fn write(db: &Connection, vault: &Vault, batch: &Batch) -> Result<(), CommitError> {
    let work = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
    put(&work, vault, batch)?;
    Ok(work.commit()?)
}

/// Writes the batch into whatever transaction is open.
pub(crate) fn put(work: &Connection, vault: &Vault, batch: &Batch) -> Result<(), CommitError> {
    if let Some(key) = &batch.identity {
        work.execute(
            "INSERT OR REPLACE INTO identity(id,sealed)VALUES(1,?)",
            [vault.seal("identity", &[], &[key])?],
        )?;
    }
    for document in &batch.documents {
        list(work, vault, document)?;
    }
    for change in &batch.changes {
        append(work, vault, change)?;
    }
    for opening in &batch.openings {
        open_run(work, vault, opening)?;
    }
    for head in &batch.heads {
        sign(work, vault, head)?;
    }
    for (tap, answer) in &batch.answers {
        let tap = vault.mask("tap", tap.as_bytes());
        work.prepare_cached("INSERT INTO answer(tap,sealed)VALUES(?,?)ON CONFLICT DO NOTHING")?
            .execute(params![
                tap,
                vault.seal("answer", &[&tap], &[answer.as_bytes()])?
            ])?;
    }
    for peer in &batch.peers {
        know(work, vault, peer)?;
    }
    for heard in &batch.heard {
        hear(work, vault, *heard)?;
    }
    for offset in &batch.offsets {
        measure(work, vault, offset)?;
    }
    for refused in &batch.quarantine {
        if !keep(work, vault, refused)? {
            let name = beyond_name(refused.peer.as_ref());
            let before = read::setting(work, vault, &name).ok().flatten();
            let before: u64 = before.and_then(|count| count.parse().ok()).unwrap_or(0);
            set(work, vault, &name, &before.saturating_add(1).to_string())?;
        }
    }
    for (name, value) in &batch.settings {
        set(work, vault, name, value)?;
    }
    Ok(())
}

fn list(db: &Connection, vault: &Vault, document: &Document) -> rusqlite::Result<()> {
    let id = vault.mask("document", &document.id);
    let sealed = vault.seal(
        "document",
        &[&id],
        &[
            &document.id,
            document.about.as_bytes(),
            &document.added_ms.to_be_bytes(),
        ],
    )?;
    db.prepare_cached("INSERT OR REPLACE INTO document(id,sealed)VALUES(?,?)")?
        .execute(params![id, sealed])?;
    Ok(())
}

/// Appends one change, or finds that it is kept already.
///
/// Told apart by the unique key (document, writer, number): the same bytes again are harmless, other bytes
/// are a fork. A kept row that no longer opens proves nothing about a fork: it is damage on this disk,
/// and the change that has come again, from whoever still had it, takes its place; the damaged row is kept in `wreck`.
fn append(db: &Connection, vault: &Vault, change: &Change) -> Result<(), CommitError> {
    let document = vault.mask("document", &change.document);
    let writer = vault.mask("writer", &change.writer);
    let number = change.number.cast_signed();
    let heard_from = change.heard_from.as_ref().map_or(&[][..], |key| key);
    let sealed = vault.seal(
        "change",
        &[&document, &writer, &number.to_be_bytes()],
        &[
            &change.document,
            &change.writer,
            heard_from,
            &change.at_ms.to_be_bytes(),
            &change.bytes,
        ],
    );
    let sealed = sealed.map_err(rusqlite::Error::from)?;
    let added = db
        .prepare_cached(
            "INSERT INTO change(document,writer,number,sealed)VALUES(?,?,?,?)ON CONFLICT DO NOTHING",
        )?
        .execute(params![document, writer, number, sealed])?;
    if added == 1 {
        return Ok(());
    }
    let arrival: Option<i64> = db
        .prepare_cached("SELECT arrival FROM change WHERE document=? AND writer=? AND number=?")?
        .query_row(params![document, writer, number], |row| row.get(0))
        .optional()?;
    let arrival = arrival.ok_or(CommitError::Damaged {
        detail: "an index points at nothing".into(),
    })?;
    match read::change_at(db, vault, arrival)? {
        Some(Ok(kept)) if kept.bytes == change.bytes => Ok(()),
        Some(Ok(_)) => Err(CommitError::Fork {
            document: change.document,
            writer: change.writer,
            number: change.number,
        }),
        Some(Err(_)) => {
            db.execute(
                "INSERT INTO wreck(arrival,row)SELECT arrival,concat_ws(' ',quote(document),quote(writer),quote(number),\
                 quote(sealed)) FROM change WHERE arrival=?",
                [arrival],
            )?;
            db.execute(
                "UPDATE change SET document=?,writer=?,number=?,sealed=? WHERE arrival=?",
                params![document, writer, number, sealed, arrival],
            )?;
            Ok(())
        }
        None => Err(CommitError::Damaged {
            detail: format!("change at place {arrival} is missing"),
        }),
    }
}

fn open_run(db: &Connection, vault: &Vault, opening: &Opening) -> rusqlite::Result<()> {
    let document = vault.mask("document", &opening.document);
    let writer = vault.mask("writer", &opening.writer);
    let sealed = vault.seal(
        "run",
        &[&document, &writer],
        &[&opening.writer, &opening.bytes],
    )?;
    db.prepare_cached("INSERT OR REPLACE INTO run(document,writer,sealed)VALUES(?,?,?)")?
        .execute(params![document, writer, sealed])?;
    Ok(())
}

fn sign(db: &Connection, vault: &Vault, head: &Head) -> rusqlite::Result<()> {
    let document = vault.mask("document", &head.document);
    let writer = vault.mask("writer", &head.writer);
    let slot = head.slot.cast_signed();
    let sealed = vault.seal(
        "head",
        &[&document, &writer, &slot.to_be_bytes()],
        &[&head.writer, &head.bytes],
    )?;
    db.prepare_cached("INSERT OR REPLACE INTO head(document,writer,slot,sealed)VALUES(?,?,?,?)")?
        .execute(params![document, writer, slot, sealed])?;
    Ok(())
}

fn know(db: &Connection, vault: &Vault, peer: &Peer) -> rusqlite::Result<()> {
    let id = vault.mask("peer", &peer.key_id);
    let sealed = vault.seal(
        "peer",
        &[&id],
        &[
            &peer.key_id,
            peer.name.as_bytes(),
            peer.addresses.join("\n").as_bytes(),
        ],
    )?;
    db.prepare_cached("INSERT OR REPLACE INTO peer(id,sealed)VALUES(?,?)")?
        .execute(params![id, sealed])?;
    if let Some(at_ms) = peer.last_heard_ms {
        hear(
            db,
            vault,
            Heard {
                peer: peer.key_id,
                at_ms,
            },
        )?;
    }
    Ok(())
}

fn hear(db: &Connection, vault: &Vault, heard: Heard) -> rusqlite::Result<()> {
    let peer = vault.mask("peer", &heard.peer);
    let sealed = vault.seal(
        "heard",
        &[&peer],
        &[&heard.peer, &heard.at_ms.to_be_bytes()],
    )?;
    db.prepare_cached("INSERT OR REPLACE INTO heard(peer,sealed)VALUES(?,?)")?
        .execute(params![peer, sealed])?;
    Ok(())
}

fn measure(db: &Connection, vault: &Vault, offset: &Offset) -> rusqlite::Result<()> {
    let sealed = vault.seal(
        "clock",
        &[],
        &[
            &offset.peer,
            &offset.at_ms.to_be_bytes(),
            &offset.offset_ms.to_be_bytes(),
            &offset.uncertainty_ms.to_be_bytes(),
        ],
    )?;
    db.prepare_cached("INSERT INTO clock(sealed)VALUES(?)")?
        .execute([sealed])?;
    Ok(())
}

fn set(db: &Connection, vault: &Vault, name: &str, value: &str) -> rusqlite::Result<()> {
    let masked = vault.mask("setting", name.as_bytes());
    let sealed = vault.seal("setting", &[&masked], &[name.as_bytes(), value.as_bytes()])?;
    db.prepare_cached("INSERT OR REPLACE INTO setting(name,sealed)VALUES(?,?)")?
        .execute(params![masked, sealed])?;
    Ok(())
}
