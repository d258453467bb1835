//! Who had seen what across joined documents.
//!
//! The author of a record of this document had seen a record of the other one if, in the part of
//! this document they held, the two were joined and a record carried the change with all that it
//! builds on: then it was on their screen. Authors in the other document have seen nothing of this
//! one, whatever they held beside it. Both readings can err in one direction only, "had not seen",
//! which is the cautious one everywhere: a clear, tick, leaving or acceptance doesn't reach what
//! its author hadn't seen, a taking of a role that hadn't been seen entitles nobody, a giving-up
//! that can't be shown to be later stands in the way. So joining is a merge like any other, and the
//! argument beside `safety` holds for it unchanged.
//!
//! A stop is seen also where the joining has been taken back: it stays on the screen until it is
//! cleared (see `reading`), and what answers it names it.

use std::collections::BTreeMap;

use gravelbar_ledger::{RecordId, Writer};

use crate::record::Fact;
use crate::view::{Causality, Past};
use crate::visit::Visit;

impl Visit {
    /// Whether a record is of this document or of one joined into it.
    pub(crate) fn knows(&self, record: RecordId) -> bool {
        self.is_own(record) || self.beneath().any(|visit| visit.knows(record))
    }

    fn is_stop(&self, record: RecordId) -> bool {
        self.own_entry(record)
            .is_some_and(|s| matches!(s.entry.what, Fact::Stop(_)))
            || (self.own_unreadable(record)).is_some_and(|u| u.kind.as_deref() == Some("stop"))
            || self.beneath().any(|visit| visit.is_stop(record))
    }

    fn beneath(&self) -> impl Iterator<Item = &Self> {
        let documents = self.joining().documents();
        documents.filter_map(|(_, brought)| brought.visit())
    }

    /// Whether whoever held `inside` of this document had `record` on the screen.
    pub(crate) fn shows(&self, record: RecordId, inside: &dyn Fn(RecordId) -> bool) -> bool {
        if self.is_own(record) {
            return inside(record);
        }
        self.joining().documents().any(|(id, brought)| {
            let Some(visit) = brought.visit().filter(|visit| visit.knows(record)) else {
                return false;
            };
            let mut joins = self.joining().joins(id, inside).peekable();
            joins.peek().is_some()
                && (joins.any(|join| self.joining().stands(join, inside, self.causes()))
                    || visit.is_stop(record))
                && visit.shows(record, &|carried| brought.visible(carried, inside))
        })
    }

    /// The records that whoever held `inside` of this document had on the screen, by writer.
    fn shown(&self, inside: &dyn Fn(RecordId) -> bool) -> Past {
        let mut past: BTreeMap<Writer, u32> = BTreeMap::new();
        for change in self.log() {
            let held = change.record_ids().take_while(|id| inside(*id)).last();
            if let Some(last) = held {
                let known = past.entry(last.writer).or_default();
                *known = last.n.max(*known);
            }
        }
        for (id, brought) in self.joining().documents() {
            let Some(visit) = brought.visit() else {
                continue;
            };
            let mut joins = self.joining().joins(id, inside);
            if joins.any(|join| self.joining().stands(join, inside, self.causes())) {
                let beneath = visit.shown(&|carried| brought.visible(carried, inside));
                for (writer, last) in beneath.0 {
                    let known = past.entry(writer).or_default();
                    *known = last.max(*known);
                }
            }
        }
        Past(past)
    }
}

impl Causality for Visit {
    fn past_of(&self, record: RecordId) -> Past {
        if self.joining().is_none() {
            return self.causes().past_of(record);
        }
        if self.is_own(record) {
            let own = self.causes().past_of(record);
            return self.shown(&|id| own.contains(id));
        }
        let known = self.beneath().find(|visit| visit.knows(record));
        known.map_or_else(Past::default, |visit| visit.past_of(record))
    }

    fn had_seen(&self, record: RecordId, other: RecordId) -> bool {
        if self.joining().is_none() {
            return self.causes().had_seen(record, other);
        }
        if !self.is_own(record) {
            let mut known = self.beneath().filter(|visit| visit.knows(record));
            return known.any(|visit| visit.had_seen(record, other));
        }
        if self.is_own(other) {
            return self.causes().had_seen(record, other);
        }
        self.shows(other, &|id| self.causes().had_seen(record, id))
    }

    fn reaches(&self, record: RecordId, other: RecordId) -> bool {
        if self.joining().is_none() || self.is_own(record) {
            return true;
        }
        let mut known = self.beneath().filter(|visit| visit.knows(record));
        known.any(|visit| visit.knows(other) && visit.reaches(record, other))
    }

    fn past_at(&self, heads: &[String]) -> Option<Past> {
        match self.own_past_at(heads) {
            Some(own) if self.joining().is_none() => Some(own),
            Some(own) => Some(self.shown(&|id| own.contains(id))),
            None => self.beneath().find_map(|visit| visit.past_at(heads)),
        }
    }
}
