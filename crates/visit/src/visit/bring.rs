//! Bringing another document's changes into this one.

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{ChangeHash, MAX_BODY_BYTES, MAX_CHANGE_BYTES, Vector};

use super::{ActError, Visit, Written};
use crate::joining::BroughtVisit;
use crate::names::PersonName;
use crate::record::{Brought, Bytes, Entry, Fact, Piece};

/// Bytes carried in one record: in base 64 they leave room in a body for who, when and names.
const RECORD_BYTES: usize = (MAX_BODY_BYTES - 1_024) / 4 * 3;

/// Bytes of bodies in one change, with room for what a change says beside them.
const CHANGE_BODIES: usize = MAX_CHANGE_BYTES - 4_096;

/// Bytes of changes brought by one call, but at least one change.
const AT_ONCE: usize = 128 * 1_024;

/// Changes brought by one call.
const CHANGES_AT_ONCE: usize = 1_000;

impl Visit {
    /// Whether `from` was joined here and has changes that haven't been brought.
    #[must_use]
    pub fn lacks_of(&self, from: &Self) -> bool {
        if self.joined_as(from.id()).is_none() {
            return false;
        }
        let here = self.joining.brought(from.id());
        here.and_then(BroughtVisit::vector).is_none_or(|here| {
            let lacks = |writer, number| here.get(writer).is_none_or(|held| held < number);
            (from.vector().iter()).any(|(writer, number)| lacks(writer, number))
        })
    }

    /// Brings some of what another document holds and hasn't been brought: changes as they are,
    /// those this program can't read among them. Nothing where the other one isn't joined or has
    /// nothing new. To be called until it brings nothing; what several devices bring counts once.
    ///
    /// # Errors
    ///
    /// [`ActError`] when the document can't take it.
    pub fn bring(
        &mut self,
        from: &Self,
        by: &PersonName,
        at: DateTime<FixedOffset>,
    ) -> Result<Vec<Written>, ActError> {
        let mut written = Vec::new();
        if !self.lacks_of(from) {
            return Ok(written);
        }
        let here = self.joining.brought(from.id());
        let here = here.and_then(BroughtVisit::vector).cloned();
        let mut bodies: Vec<String> = Vec::new();
        for parcel in packed(from, here.as_ref()) {
            let entry = Entry {
                at,
                by: by.clone(),
                why: None,
                what: Fact::Brought(parcel),
            };
            let body = serde_json::to_string(&entry).map_err(|_| ActError::Nothing)?;
            let bytes = bodies.iter().map(String::len).sum::<usize>() + body.len();
            if bytes > CHANGE_BODIES
                && let Err(error) = self.flush(&mut bodies, at, &mut written)
            {
                return keep(written, error);
            }
            bodies.push(body);
        }
        match self.flush(&mut bodies, at, &mut written) {
            Ok(()) => Ok(written),
            Err(error) => keep(written, error),
        }
    }

    fn flush(
        &mut self,
        bodies: &mut Vec<String>,
        at: DateTime<FixedOffset>,
        written: &mut Vec<Written>,
    ) -> Result<(), ActError> {
        if !bodies.is_empty() {
            written.push(self.write(bodies, at)?);
            bodies.clear();
        }
        Ok(())
    }
}

/// What was written stands, and has to reach the disk, whatever came after it.
fn keep(written: Vec<Written>, error: ActError) -> Result<Vec<Written>, ActError> {
    if written.is_empty() {
        Err(error)
    } else {
        Ok(written)
    }
}

/// Some of what someone who has `here` lacks of a document, in records.
fn packed(from: &Visit, here: Option<&Vector>) -> Vec<Brought> {
    let blank = Brought {
        visit: from.id(),
        changes: Vec::new(),
        piece: None,
    };
    let mut parcels = Vec::new();
    if here.is_none() {
        parcels.extend(pieces(&blank, None, from.about().as_bytes()));
    }
    let mut open = blank.clone();
    let mut taken = 0;
    let nothing = Vector::new();
    for change in from.missing(here.unwrap_or(&nothing), CHANGES_AT_ONCE, AT_ONCE) {
        let long = change.bytes.len() > RECORD_BYTES;
        // Quotes, a comma and what base 64 rounds up take some room as well.
        let bytes = change.bytes.len() + 6;
        if (long || taken + bytes > RECORD_BYTES) && !open.changes.is_empty() {
            parcels.push(std::mem::replace(&mut open, blank.clone()));
            taken = 0;
        }
        if long {
            parcels.extend(pieces(&blank, Some(change.hash), &change.bytes));
        } else {
            open.changes.push(Bytes(change.bytes.to_vec()));
            taken += bytes;
        }
    }
    if !open.changes.is_empty() {
        parcels.push(open);
    }
    parcels
}

/// What is too long for one record, in as many as it takes.
fn pieces(
    blank: &Brought,
    change: Option<ChangeHash>,
    bytes: &[u8],
) -> impl Iterator<Item = Brought> {
    // A change or plan takes at most six records.
    let of = u8::try_from(bytes.len().div_ceil(RECORD_BYTES)).unwrap_or(u8::MAX);
    (1..=of)
        .zip(bytes.chunks(RECORD_BYTES))
        .map(move |(n, piece)| Brought {
            piece: Some(Piece {
                change,
                n,
                of,
                bytes: Bytes(piece.to_vec()),
            }),
            ..blank.clone()
        })
}
