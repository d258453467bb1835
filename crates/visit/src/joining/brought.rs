//! What has been brought of one other document: its changes, taken in through its own gate, and
//! which records of this document carried them.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use gravelbar_ledger::{ChangeHash, DocumentId, Ledger, LoggedChange, RecordId, Vector, Writer};

use crate::causes::Causes;
use crate::record::Brought;
use crate::visit::{OpenError, Visit};

/// Who brought pieces, of what, and how many there are.
type PiecesOf = (Writer, Option<ChangeHash>, u8);

/// One other document, as far as it has been brought.
#[derive(Default)]
pub(crate) struct BroughtVisit {
    visit: Option<Box<Visit>>,
    /// Why its plan can't be used here.
    unusable: Option<OpenError>,
    /// Pieces of what is too long for one record, by who brought them.
    pieces: BTreeMap<PiecesOf, BTreeMap<u8, Vec<u8>>>,
    /// Changes that build on others which haven't been brought.
    waiting: Vec<Vec<u8>>,
    logged: HashMap<ChangeHash, Arc<LoggedChange>>,
    /// By the last record of each change: the records that carried it and whose authors had it
    /// with all that it builds on.
    carriers: HashMap<RecordId, Vec<RecordId>>,
    /// By carrying record: the last record of each change in it.
    carried: HashMap<RecordId, Vec<RecordId>>,
    /// Two different changes of one number have been brought.
    forked: bool,
}

impl BroughtVisit {
    /// Takes in all that these records carry, in the order by cause. The result depends on the
    /// records alone, also where someone brought two different changes of one number.
    pub(super) fn of(
        id: DocumentId,
        carriers: &[(RecordId, Brought)],
        causes: &Causes,
        depth: u8,
    ) -> Self {
        let mut brought = Self::default();
        for (carrier, parcel) in carriers {
            brought.take_plan(id, *carrier, parcel, depth);
        }
        for (carrier, parcel) in carriers {
            brought.take_changes(*carrier, parcel, causes);
        }
        brought
    }

    /// Takes in what one more record carries, whose causes have been taken before; `false` where
    /// all has to be taken in anew.
    #[must_use]
    pub(super) fn take(&mut self, carrier: RecordId, parcel: &Brought, causes: &Causes) -> bool {
        if self.visit.is_none() || self.forked {
            return false;
        }
        self.take_changes(carrier, parcel, causes);
        !self.forked
    }

    fn take_plan(&mut self, id: DocumentId, carrier: RecordId, parcel: &Brought, depth: u8) {
        let ours = |p: &&crate::record::Piece| p.change.is_none();
        if parcel.piece.as_ref().filter(ours).is_none() || self.visit.is_some() {
            return;
        }
        let Some(about) = self.whole(carrier.writer, parcel) else {
            return;
        };
        let about = String::from_utf8(about).ok();
        if let Some(about) = about.filter(|about| Ledger::document_id(about) == id) {
            match Visit::within(&about, depth) {
                Ok(visit) => self.visit = Some(Box::new(visit)),
                Err(why) => self.unusable = Some(why),
            }
        }
    }

    /// A text or change put together from its pieces, once the last has come.
    fn whole(&mut self, writer: Writer, parcel: &Brought) -> Option<Vec<u8>> {
        let piece = parcel.piece.as_ref()?;
        if piece.n == 0 || piece.n > piece.of {
            return None;
        }
        let pieces = (self.pieces).entry((writer, piece.change, piece.of));
        let pieces = pieces.or_default();
        pieces.insert(piece.n, piece.bytes.0.clone());
        if pieces.len() < usize::from(piece.of) {
            return None;
        }
        let whole = pieces.values().flatten().copied().collect();
        self.pieces.remove(&(writer, piece.change, piece.of));
        Some(whole)
    }

    fn take_changes(&mut self, carrier: RecordId, parcel: &Brought, causes: &Causes) {
        let mut came: Vec<Vec<u8>> = parcel.changes.iter().map(|b| b.0.clone()).collect();
        if parcel.piece.as_ref().is_some_and(|p| p.change.is_some()) {
            came.extend(self.whole(carrier.writer, parcel));
        }
        let Some(visit) = &mut self.visit else {
            return;
        };
        let names: Vec<ChangeHash> = (came.iter())
            .filter_map(|bytes| Ledger::claims(bytes).ok().map(|claims| claims.hash))
            .collect();
        came.append(&mut self.waiting);
        let received = visit.receive(came);
        self.forked |= (received.refused.iter()).any(|r| r.refusal.is_fork());
        self.waiting = received.waiting.into_iter().map(|w| w.bytes).collect();
        for change in received.applied {
            self.logged.insert(change.hash, change);
        }
        for change in names.iter().filter_map(|name| self.logged.get(name)) {
            let held = |dep: &ChangeHash| match self.logged.get(dep) {
                // Only the document's first change is in no log.
                None => true,
                Some(dep) => (self.carriers.get(&end(dep)).into_iter().flatten())
                    .any(|earlier| *earlier == carrier || causes.had_seen(carrier, *earlier)),
            };
            if change.deps.iter().all(held) {
                let end = end(change);
                let carriers = self.carriers.entry(end).or_default();
                if carriers.last() != Some(&carrier) {
                    carriers.push(carrier);
                    self.carried.entry(carrier).or_default().push(end);
                }
            }
        }
    }

    /// The document, once its plan has been brought.
    pub(crate) fn visit(&self) -> Option<&Visit> {
        self.visit.as_deref()
    }

    /// Why its plan can't be used here.
    pub(super) fn unusable(&self) -> Option<&OpenError> {
        self.unusable.as_ref().filter(|_| self.visit.is_none())
    }

    /// How far its changes reach here.
    pub(crate) fn vector(&self) -> Option<&Vector> {
        self.visit.as_ref().map(|visit| visit.vector())
    }

    /// Whether whoever held `inside` of this document held a record of the other one.
    pub(super) fn visible(&self, record: RecordId, inside: &dyn Fn(RecordId) -> bool) -> bool {
        let end = self.visit().and_then(|visit| visit.change_end(record));
        let carriers = end.and_then(|end| self.carriers.get(&end));
        carriers.into_iter().flatten().any(|c| inside(*c))
    }

    /// The last records of the changes that a record carries.
    pub(super) fn carried_by(&self, carrier: RecordId) -> &[RecordId] {
        self.carried.get(&carrier).map_or(&[], Vec::as_slice)
    }
}

fn end(change: &LoggedChange) -> RecordId {
    RecordId {
        writer: change.writer,
        n: *change.records.end(),
    }
}
