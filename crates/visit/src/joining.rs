//! What a visit's document holds of other documents of the same visit, and when that counts.
//!
//! Of two documents that turn out to be one visit, the one with the lower id takes in the other:
//! a record joins it, further records carry its changes byte for byte, another record may take the
//! joining back. The changes that were brought are kept as a document of their own, behind their
//! own gate, under the names and in the order of cause they were made with. So every record keeps
//! its id, is there once however often it is brought, and what its author had seen stays known.
//!
//! `reading` says what both mean together. `brought` keeps what was carried. `sees` says who had
//! seen what across documents.

mod brought;
mod calling;
mod plans;
mod preview;
mod reading;
mod sees;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{DocumentId, RecordId};
use serde::Serialize;

pub(crate) use brought::BroughtVisit;
pub use preview::{PassCount, PassPair, Preview, SideView};
pub(crate) use reading::Reading;

use crate::causes::Causes;
use crate::names::PersonName;
use crate::record::{Brought, Entry, Fact, JoinNames};

/// The most documents one document takes in.
const MOST_JOINED: usize = 16;

/// How deep a joined visit may itself have taken in others.
pub(crate) const DEEPEST: u8 = 4;

/// Another document that was joined into this one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JoinedVisit {
    /// The other document: its old id still names it.
    pub visit: DocumentId,
    /// Its site, once its plan has come.
    pub site: Option<String>,
    /// How many of its records are here.
    pub records: usize,
    /// The joinings that stand; none where all have been taken back.
    pub joins: Vec<RecordId>,
    /// Who joined it, by the newest joining.
    pub by: PersonName,
    /// When, by that device's clock as it stood.
    pub at: DateTime<FixedOffset>,
    /// What channels and passes are called.
    pub names: JoinNames,
}

impl JoinedVisit {
    /// Whether its records count here.
    #[must_use]
    pub fn stands(&self) -> bool {
        !self.joins.is_empty()
    }
}

/// A record that joins another document.
#[derive(Debug, Clone)]
pub(crate) struct Joins {
    pub(crate) id: RecordId,
    pub(crate) lamport: u64,
    pub(crate) by: PersonName,
    pub(crate) at: DateTime<FixedOffset>,
    pub(crate) names: JoinNames,
}

/// Everything a document holds about others.
#[derive(Default)]
pub(crate) struct Joining {
    /// By document, in order by cause.
    joins: BTreeMap<DocumentId, Vec<Joins>>,
    /// Joinings that point at this document or at one with a lower id: without effect.
    upward: Vec<RecordId>,
    unjoins: Vec<(RecordId, Vec<RecordId>)>,
    /// Records that carry changes of a document, in order by cause.
    carriers: BTreeMap<DocumentId, BTreeMap<(u64, RecordId), Brought>>,
    brought: BTreeMap<DocumentId, BroughtVisit>,
    /// Documents with news that can't be added to what is there.
    stale: BTreeSet<DocumentId>,
}

impl Joining {
    /// Whether nothing was ever joined here.
    pub(crate) fn is_none(&self) -> bool {
        self.joins.is_empty() && self.upward.is_empty()
    }

    /// Takes in a record; `None` where it only carries something and says nothing itself.
    pub(crate) fn take(
        &mut self,
        own: DocumentId,
        (lamport, id): (u64, RecordId),
        entry: Entry,
        causes: &Causes,
    ) -> Option<Entry> {
        match &entry.what {
            Fact::Join(join) if join.visit <= own => self.upward.push(id),
            Fact::Join(join) => {
                let joins = self.joins.entry(join.visit).or_default();
                let place = joins.partition_point(|j| (j.lamport, j.id) < (lamport, id));
                joins.insert(
                    place,
                    Joins {
                        id,
                        lamport,
                        by: entry.by.clone(),
                        at: entry.at,
                        names: join.names.clone(),
                    },
                );
                if !self.brought.contains_key(&join.visit) {
                    self.stale.insert(join.visit);
                }
            }
            Fact::Unjoin(unjoin) if entry.check().is_ok() => {
                self.unjoins.push((id, unjoin.joins.clone()));
            }
            Fact::Brought(_) => {
                if let Fact::Brought(parcel) = entry.what {
                    self.carry(id, lamport, parcel, causes);
                }
                return None;
            }
            _ => {}
        }
        Some(entry)
    }

    fn carry(&mut self, id: RecordId, lamport: u64, parcel: Brought, causes: &Causes) {
        let document = parcel.visit;
        if let Some(brought) = self.brought.get_mut(&document)
            && !self.stale.contains(&document)
            && !brought.take(id, &parcel, causes)
        {
            self.stale.insert(document);
        }
        let carriers = self.carriers.entry(document).or_default();
        carriers.insert((lamport, id), parcel);
    }

    /// Brings what was carried up to date, once all that came has been taken.
    pub(crate) fn settle(&mut self, causes: &Causes, depth: u8) {
        let stale = std::mem::take(&mut self.stale);
        if depth >= DEEPEST {
            return;
        }
        // Of too many, those with the lowest ids: the same on every device.
        let taken: BTreeSet<DocumentId> = self.joins.keys().take(MOST_JOINED).copied().collect();
        self.brought.retain(|id, _| taken.contains(id));
        for id in taken {
            if self.brought.contains_key(&id) && !stale.contains(&id) {
                continue;
            }
            let carriers: Vec<(RecordId, Brought)> = (self.carriers.get(&id).into_iter().flatten())
                .map(|((_, carrier), parcel)| (*carrier, parcel.clone()))
                .collect();
            let brought = BroughtVisit::of(id, &carriers, causes, depth + 1);
            self.brought.insert(id, brought);
        }
    }

    /// The other documents that have been joined, with what was brought of each.
    pub(crate) fn documents(&self) -> impl Iterator<Item = (DocumentId, &BroughtVisit)> {
        self.brought.iter().map(|(id, brought)| (*id, brought))
    }

    pub(crate) fn brought(&self, id: DocumentId) -> Option<&BroughtVisit> {
        self.brought.get(&id)
    }

    /// All documents with joinings within `inside`, in order by cause.
    pub(crate) fn all_joins(
        &self,
        inside: &dyn Fn(RecordId) -> bool,
    ) -> impl Iterator<Item = (DocumentId, Vec<&Joins>)> {
        (self.joins.iter()).map(|(id, joins)| {
            let joins = joins.iter().filter(|join| inside(join.id));
            (*id, joins.collect())
        })
    }

    /// The documents that any joining names.
    pub(crate) fn others(&self) -> impl Iterator<Item = DocumentId> {
        self.joins.keys().copied()
    }

    /// Joinings without effect.
    pub(crate) fn upward(&self) -> impl Iterator<Item = RecordId> {
        self.upward.iter().copied()
    }

    /// All joinings of a document within `inside`.
    pub(crate) fn joins(
        &self,
        id: DocumentId,
        inside: &dyn Fn(RecordId) -> bool,
    ) -> impl Iterator<Item = &Joins> {
        let joins = self.joins.get(&id).into_iter().flatten();
        joins.filter(move |join| inside(join.id))
    }

    /// Whether a joining stands within `inside`: nobody there who had seen it has taken it back.
    pub(crate) fn stands(
        &self,
        join: &Joins,
        inside: &dyn Fn(RecordId) -> bool,
        causes: &Causes,
    ) -> bool {
        !(self.unjoins.iter()).any(|(id, joins)| {
            joins.contains(&join.id) && inside(*id) && causes.had_seen(*id, join.id)
        })
    }
}
