//! How much refused data is kept, and which.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};

use crate::batch::Refused;
use crate::vault::Vault;

/// Refused bytes that are kept, and a count of those that were not.
///
/// The same bytes are kept once, whoever sends them again. The room is bounded, so that no one can fill
/// the disk with refused data: per sender [`Quarantine::MOST_ITEMS`] items and [`Quarantine::MOST_BYTES`]
/// bytes. When a sender's room is used up **the oldest stay** and later ones are only counted: the first
/// refused bytes are the ones that tell what went wrong, and true data of a forked device is refused when
/// the fork is first met; if the newest stayed instead, a flood of rubbish could push all that out. The room is
/// per sender so that one sender's flood takes no room from another's. Senders are devices that proved a key on the
/// crew's list, so their number is bounded by the crew; files carried in share one room.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Quarantine {
    /// What is kept, oldest first. Rows damaged on disk are left out.
    pub kept: Vec<Refused>,
    /// How many more were refused from each sender after its room was used up.
    pub beyond: BTreeMap<Option<[u8; 32]>, u64>,
}

impl Quarantine {
    /// Most items kept of one sender.
    pub const MOST_ITEMS: u32 = 500;
    /// Most bytes kept of one sender.
    pub const MOST_BYTES: u64 = 4 * 1024 * 1024;
}

/// Setting that counts what a sender had refused beyond its room.
pub(crate) const BEYOND: &str = "quarantine beyond/";

pub(crate) fn beyond_name(peer: Option<&[u8; 32]>) -> String {
    format!(
        "{BEYOND}{}",
        peer.map(|key| crate::errors::hex(key)).unwrap_or_default()
    )
}

/// Keeps the bytes, unless they are kept already; `false` if the sender's room is used up.
pub(crate) fn keep(db: &Connection, vault: &Vault, refused: &Refused) -> rusqlite::Result<bool> {
    let hash = vault.mask("refused", &refused.bytes);
    let known = db
        .prepare_cached("SELECT 1 FROM refused WHERE hash=?")?
        .query_row([&hash], |_| Ok(()))
        .optional()?;
    if known.is_some() {
        return Ok(true);
    }
    let sender = refused.peer.as_ref().map_or(&[][..], |key| key);
    let peer = vault.mask("peer", sender);
    let (items, bytes): (u32, i64) = db
        .prepare_cached("SELECT count(*),coalesce(sum(length),0) FROM refused WHERE peer=?")?
        .query_row([&peer], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let length = refused.bytes.len() as u64;
    let bytes = u64::try_from(bytes)
        .unwrap_or(u64::MAX)
        .saturating_add(length);
    if items >= Quarantine::MOST_ITEMS || bytes > Quarantine::MOST_BYTES {
        return Ok(false);
    }
    let length = i64::try_from(length).unwrap_or(i64::MAX);
    let sealed = vault.seal(
        "refused",
        &[&hash, &peer, &length.to_be_bytes()],
        &[
            &refused.document,
            sender,
            &refused.bytes,
            refused.reason.as_bytes(),
            &refused.at_ms.to_be_bytes(),
        ],
    )?;
    db.prepare_cached("INSERT INTO refused(hash,peer,length,sealed)VALUES(?,?,?,?)")?
        .execute(params![hash, peer, length, sealed])?;
    Ok(true)
}
