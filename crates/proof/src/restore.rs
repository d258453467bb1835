//! What is stored of openings and heads, and reading it back.

use std::collections::BTreeMap;

use gravelbar_ledger::{ChangeHash, DocumentId, Writer};

use crate::bytes::{Input, Malformed};
use crate::head::{HEAD_EVERY, Head};
use crate::opening::Opening;
use crate::provenance::Provenance;
use crate::run::Run;
use crate::standing::{head_bytes, read_head};

/// The slot of the newest head that is known, where that is beyond what can be led up to.
const NEWEST: u64 = 0;
/// The slot of the head that the run's hashes lead up to, with the hashes of what isn't here.
pub(crate) const REACH: u64 = 1;

/// An opening as it is stored, under its document and writer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredOpening {
    /// The run.
    pub writer: Writer,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// A head as it is stored, under its document, writer and slot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredHead {
    /// The run.
    pub writer: Writer,
    /// Which head: a multiple of [`HEAD_EVERY`] is that number's, for good; 0 and 1 are replaced as the run goes on.
    pub slot: u64,
    /// Its bytes.
    pub bytes: Vec<u8>,
}

/// What of the stored is not as it must be. It is left out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Doubt {
    /// An opening that can't be read, or another document's or writer's.
    #[error("what {writer} starts from can't be read on this device's disk")]
    Opening {
        /// The writer.
        writer: Writer,
    },
    /// A head that can't be read, or that the device didn't sign.
    #[error("a signature of {writer} on this device's disk is damaged")]
    Head {
        /// The writer.
        writer: Writer,
    },
    /// The changes on disk aren't the ones that were signed.
    #[error(
        "the records of {writer} on this device's disk are not the ones that were signed, somewhere up to number {number}"
    )]
    NotAsSigned {
        /// The writer.
        writer: Writer,
        /// The number of the signed one.
        number: u64,
    },
}

impl StoredOpening {
    pub(crate) fn of(opening: &Opening) -> Self {
        Self {
            writer: opening.writer(),
            bytes: opening.to_bytes(),
        }
    }
}

impl StoredHead {
    /// A head that is kept for good, if this is one.
    pub(crate) fn mark(writer: Writer, head: &Head) -> Option<Self> {
        head.number.is_multiple_of(HEAD_EVERY).then(|| Self {
            writer,
            slot: head.number,
            bytes: head.signature.to_vec(),
        })
    }

    pub(crate) fn newest(writer: Writer, head: &Head) -> Self {
        Self {
            writer,
            slot: NEWEST,
            bytes: head_bytes(head),
        }
    }
}

/// The last head that can be led up to, with the hashes that lead from the held changes to it.
pub(crate) fn reach_bytes(writer: Writer, run: &Run) -> Option<StoredHead> {
    let (number, signature) = run.heads.last_key_value()?;
    let head = Head {
        number: *number,
        link: run.link_at(*number)?,
        signature: *signature,
    };
    let mut bytes = head_bytes(&head);
    for ahead in run.hashes(run.here() + 1, *number).unwrap_or_default() {
        bytes.extend(ahead.0);
    }
    Some(StoredHead {
        writer,
        slot: REACH,
        bytes,
    })
}

impl Provenance {
    /// What was known before the program ended: from the stored openings and heads, and from the changes that the
    /// document has taken from its log, each writer's ascending by number.
    ///
    /// One signature for each writer is checked, over all of its changes: a disk is not to be trusted more than a
    /// peer. The returned doubts are for a person.
    #[must_use]
    pub fn restore(
        document: DocumentId,
        openings: impl IntoIterator<Item = StoredOpening>,
        heads: impl IntoIterator<Item = StoredHead>,
        changes: impl IntoIterator<Item = (Writer, ChangeHash)>,
    ) -> (Self, Vec<Doubt>) {
        let mut this = Self::new(document);
        let mut doubts = Vec::new();
        for stored in openings {
            let mut input = Input(&stored.bytes);
            let opening = Opening::read(&mut input).and_then(|o| input.end().map(|()| o));
            match opening {
                Ok(opening)
                    if opening.document() == document && opening.writer() == stored.writer =>
                {
                    this.runs.insert(stored.writer, Run::new(opening));
                }
                _ => doubts.push(Doubt::Opening {
                    writer: stored.writer,
                }),
            }
        }
        for (writer, change) in changes {
            match this.runs.get_mut(&writer) {
                Some(run) => run.hold(change),
                None => this.loose.entry(writer).or_default().push(change),
            }
        }
        let mut by_writer: BTreeMap<Writer, Vec<StoredHead>> = BTreeMap::new();
        for stored in heads {
            by_writer.entry(stored.writer).or_default().push(stored);
        }
        for (writer, mut stored) in by_writer {
            // The one that says how far the run is known comes first.
            stored.sort_by_key(|head| (head.slot != REACH, head.slot));
            match this.runs.get_mut(&writer) {
                Some(run) => {
                    for head in &stored {
                        doubts.extend(restore_head(run, head).err());
                    }
                    run.drop_passing_heads();
                }
                None => doubts.push(Doubt::Head { writer }),
            }
        }
        // An opening without anything signed says nothing: whatever it opens isn't proved.
        for (writer, run) in &this.runs {
            if run.newest.is_none() {
                doubts.push(Doubt::Head { writer: *writer });
            }
        }
        (this, doubts)
    }
}

fn restore_head(run: &mut Run, stored: &StoredHead) -> Result<(), Doubt> {
    let writer = stored.writer;
    let damaged = |Malformed| Doubt::Head { writer };
    let mut input = Input(&stored.bytes);
    if stored.slot != NEWEST && stored.slot != REACH {
        let signature = input.array().map_err(damaged)?;
        input.end().map_err(damaged)?;
        if !stored.slot.is_multiple_of(HEAD_EVERY) {
            return Err(Doubt::Head { writer });
        }
        if run.link_at(stored.slot).is_some() {
            run.heads.insert(stored.slot, signature);
        }
        return Ok(());
    }
    let head = read_head(&mut input).map_err(damaged)?;
    let ahead = input.pieces::<32>(input.0.len() / 32).map_err(damaged)?;
    input.end().map_err(damaged)?;
    if !head.is_signed(&run.opening) {
        return Err(Doubt::Head { writer });
    }
    if stored.slot == REACH {
        // Some of what wasn't here when this was stored may have come since.
        let before = head.number.saturating_sub(ahead.len() as u64);
        let come = usize::try_from(run.here().saturating_sub(before)).unwrap_or(usize::MAX);
        if before <= run.here() {
            let still: Vec<ChangeHash> = ahead
                .iter()
                .skip(come)
                .map(|hash| ChangeHash(*hash))
                .collect();
            run.look_ahead(&still);
        }
        match run.link_at(head.number) {
            Some(link) if link == head.link => {
                run.heads.insert(head.number, head.signature);
            }
            Some(_) => {
                run.look_ahead(&[]);
                return Err(Doubt::NotAsSigned {
                    writer,
                    number: head.number,
                });
            }
            None => {}
        }
    }
    run.sign_newest(head);
    Ok(())
}
