//! What a document and all that is joined into it say together: one list of records in one order,
//! one plan.

use std::collections::{BTreeMap, HashMap, HashSet};

use gravelbar_ledger::{ChangeHash, DocumentId, RecordId};

use super::brought::BroughtVisit;
use super::calling::Calling;
use super::{DEEPEST, JoinedVisit, Joins, MOST_JOINED, plans};
use crate::names::Channel;
use crate::plan::Plan;
use crate::record::{Fact, JoinNames};
use crate::view::{Causality, Flag, FlagKind, Held, SafetyState, Seen, Standings, Unreadable};
use crate::visit::Visit;

/// A part of a document; `None` is all of it.
pub(crate) type Part<'a> = Option<&'a dyn Fn(RecordId) -> bool>;

/// A document read together with those joined into it.
pub(crate) struct Reading {
    pub(crate) plan: Plan,
    /// In order by cause.
    pub(crate) seen: Vec<Seen>,
    pub(crate) unreadable: Vec<Unreadable>,
    pub(crate) joined: Vec<JoinedVisit>,
    pub(crate) flags: Vec<Flag>,
    pub(crate) places: HashMap<RecordId, usize>,
    /// Places in the order by cause of the document's own records, where they differ from the
    /// document's.
    order: Option<HashMap<RecordId, u64>>,
}

/// One joined document and how it is read here.
struct Side<'v> {
    id: DocumentId,
    visit: &'v Visit,
    brought: Option<&'v BroughtVisit>,
    reading: Reading,
    /// The newest joining that stands and what it calls things; `None` where none stands.
    stands: Option<(Option<RecordId>, JoinNames)>,
}

impl Visit {
    /// Reads a part of this document with what is joined into it, and with one more document as
    /// though it had been joined.
    pub(crate) fn fold(&self, part: Part<'_>, supposed: Option<(&Self, &JoinNames)>) -> Reading {
        let everything = |_: RecordId| true;
        let inside = part.unwrap_or(&everything);
        let mut flags = Vec::new();
        let mut unreadable: Vec<Unreadable> = Vec::new();
        let mut joined = Vec::new();
        let mut sides = self.sides(part, inside, &mut joined, &mut unreadable, &mut flags);
        if let Some((visit, names)) = supposed {
            sides.push(Side {
                id: visit.id(),
                visit,
                brought: None,
                reading: visit.fold(None, None),
                stands: Some((None, names.clone())),
            });
        }
        let mut plan = self.plan().clone();
        let mut own = Calling::default();
        let mut callings: Vec<Calling> = Vec::new();
        for side in &sides {
            let mut calling = Calling::default();
            if let Some((join, names)) = &side.stands {
                own.channels.extend(names.here.clone());
                calling.channels.clone_from(&names.there);
                calling.passes.clone_from(&names.passes);
                let (differences, lines) = plans::add(&mut plan, &side.reading.plan, side.id);
                calling.items = lines;
                flags.extend(differences.into_iter().map(|words| Flag {
                    kind: FlagKind::PlansDiffer,
                    about: join.iter().copied().collect(),
                    words,
                }));
            }
            callings.push(calling);
        }
        let order = self.order(&sides);

        let mut here: HashSet<RecordId> = HashSet::new();
        let mut seen: Vec<Seen> = Vec::new();
        for s in self.own_seen().iter().filter(|s| inside(s.id)) {
            here.insert(s.id);
            let mut s = s.clone();
            own.call(&mut s.entry.what);
            if let Some(lamport) = order.as_ref().and_then(|order| order.get(&s.id)) {
                s.lamport = *lamport;
            }
            seen.push(s);
        }
        for u in self.own_unreadables().iter().filter(|u| inside(u.id)) {
            here.insert(u.id);
            let mut u = u.clone();
            if let Some(lamport) = order.as_ref().and_then(|order| order.get(&u.id)) {
                u.lamport = *lamport;
            }
            unreadable.push(u);
        }
        for (side, calling) in sides.iter_mut().zip(&callings) {
            if side.stands.is_none() {
                self.leave_stops(side, inside);
            }
            flags.append(&mut side.reading.flags);
            joined.append(&mut side.reading.joined);
            for mut s in std::mem::take(&mut side.reading.seen) {
                if here.insert(s.id) {
                    if !calling.changes_nothing() {
                        calling.call(&mut s.entry.what);
                    }
                    seen.push(s);
                }
            }
            let others = std::mem::take(&mut side.reading.unreadable);
            unreadable.extend(others.into_iter().filter(|u| here.insert(u.id)));
        }
        seen.sort_unstable_by_key(|s| (s.lamport, s.id));
        unreadable.sort_by_key(|u| (u.lamport, u.id));
        let places = seen.iter().enumerate().map(|(place, s)| (s.id, place));
        Reading {
            places: places.collect(),
            plan,
            seen,
            unreadable,
            joined,
            flags,
            order,
        }
    }

    fn sides(
        &self,
        part: Part<'_>,
        inside: &dyn Fn(RecordId) -> bool,
        joined: &mut Vec<JoinedVisit>,
        unreadable: &mut Vec<Unreadable>,
        flags: &mut Vec<Flag>,
    ) -> Vec<Side<'_>> {
        let mut sides = Vec::new();
        for (id, joins) in self.joining().all_joins(inside) {
            let standing: Vec<&Joins> = (joins.iter())
                .filter(|join| self.joining().stands(join, inside, self.causes()))
                .copied()
                .collect();
            let Some(newest) = standing.last().or(joins.last()) else {
                continue;
            };
            flag_names(&standing, flags);
            let brought = self.joining().brought(id);
            let visit = brought.and_then(BroughtVisit::visit);
            let visible = |record: RecordId| brought.is_some_and(|b| b.visible(record, inside));
            let within: Part<'_> = if part.is_some() { Some(&visible) } else { None };
            let reading = visit.map(|visit| visit.fold(within, None));
            joined.push(JoinedVisit {
                visit: id,
                site: visit.map(|visit| visit.plan().site.clone()),
                records: (reading.as_ref()).map_or(0, |r| r.seen.len() + r.unreadable.len()),
                joins: standing.iter().map(|join| join.id).collect(),
                by: newest.by.clone(),
                at: newest.at,
                names: newest.names.clone(),
            });
            if let (Some(visit), Some(reading)) = (visit, reading) {
                let names = |join: &&Joins| (Some(join.id), join.names.clone());
                sides.push(Side {
                    id,
                    visit,
                    brought,
                    reading,
                    stands: standing.last().map(names),
                });
            } else if let Some(join) = standing.last() {
                self.not_here(join, brought, unreadable, flags);
            }
        }
        for id in self.joining().upward().filter(|id| inside(*id)) {
            flags.push(Flag {
                kind: FlagKind::NoEffect,
                about: vec![id],
                words: "a joining names this visit or one that takes this one in: it has no effect; join the two from the other side".to_owned(),
            });
        }
        sides
    }

    /// A joined visit of which nothing can be read. One that this program can't read stands in the
    /// way of work like any other record about safety that it can't read.
    fn not_here(
        &self,
        join: &Joins,
        brought: Option<&BroughtVisit>,
        unreadable: &mut Vec<Unreadable>,
        flags: &mut Vec<Flag>,
    ) {
        let why = match brought.map(BroughtVisit::unusable) {
            Some(None) => {
                flags.push(Flag {
                    kind: FlagKind::DeviceNotHeard,
                    about: vec![join.id],
                    words: "a visit was joined of which nothing has come yet: meet a device that has it before signing".to_owned(),
                });
                return;
            }
            Some(Some(why)) => why.to_string(),
            None => format!(
                "at most {MOST_JOINED} visits can be joined into one, each at most {DEEPEST} deep"
            ),
        };
        unreadable.push(Unreadable {
            id: join.id,
            lamport: join.lamport,
            kind: Some("safety_join".to_owned()),
        });
        flags.push(Flag {
            kind: FlagKind::Unreadable,
            about: vec![join.id],
            words: format!("a visit was joined that this device can't read: {why}"),
        });
    }

    /// Of a visit whose joining has been taken back only the stops remain that nobody has cleared,
    /// there or here: whoever took it apart can't have meant to let work go on over them.
    fn leave_stops(&self, side: &mut Side<'_>, inside: &dyn Fn(RecordId) -> bool) {
        let standing = match side.visit.view_of(&side.reading).safety.state {
            SafetyState::Stopped { stops } => stops,
            _ => Vec::new(),
        };
        let own: Vec<Seen> = (self.own_seen().iter())
            .filter(|s| !standing.is_empty() && inside(s.id))
            .cloned()
            .collect();
        let held = Held::read(&own, self);
        let standings = Standings::read(&own, self, &held);
        let cleared = |stop: RecordId| {
            own.iter().any(|s| match &s.entry.what {
                Fact::Clear(clear) => {
                    clear.stops.contains(&stop)
                        && !held.holds(s.id)
                        && s.entry.check().is_ok()
                        && standings.may_clear(&s.entry.by, Some(s.id))
                        && self.had_seen(s.id, stop)
                }
                _ => false,
            })
        };
        let remains = |id: RecordId| standing.contains(&id) && !cleared(id);
        side.reading.seen.retain(|s| remains(s.id));
        side.reading.unreadable.retain(|u| remains(u.id));
        side.reading.flags.clear();
        side.reading.joined.clear();
    }

    /// Places in the order by cause such that a record stands above all that its author had seen,
    /// in joined documents too.
    fn order(&self, sides: &[Side<'_>]) -> Option<HashMap<RecordId, u64>> {
        if !sides.iter().any(|side| side.stands.is_some()) {
            return None;
        }
        let carried = |carrier: RecordId| -> u64 {
            let standing = sides.iter().filter(|side| side.stands.is_some());
            let ends = standing.flat_map(|side| {
                let ends = side.brought.map_or(&[][..], |b| b.carried_by(carrier));
                ends.iter()
                    .map(|end| side.visit.place_of(&side.reading, *end))
            });
            ends.max().unwrap_or(0)
        };
        let mut order = HashMap::new();
        let mut last: HashMap<ChangeHash, u64> = HashMap::new();
        for change in self.log() {
            let before = change.deps.iter().filter_map(|dep| last.get(dep)).max();
            let mut before = before.copied().unwrap_or(0);
            for id in change.record_ids() {
                let lamport = self.own_lamport(id).unwrap_or(0);
                before = lamport.max(before + 1).max(carried(id) + 1);
                order.insert(id, before);
            }
            last.insert(change.hash, before);
        }
        Some(order)
    }

    /// Where a record of this document stands in a reading of it.
    fn place_of(&self, reading: &Reading, record: RecordId) -> u64 {
        let placed = reading.order.as_ref().and_then(|order| order.get(&record));
        placed
            .copied()
            .or_else(|| self.own_lamport(record))
            .unwrap_or(0)
    }
}

fn flag_names(standing: &[&Joins], flags: &mut Vec<Flag>) {
    let Some((newest, earlier)) = standing.split_last() else {
        return;
    };
    if earlier.iter().any(|join| join.names != newest.names) {
        flags.push(Flag {
            kind: FlagKind::Disagreement,
            about: standing.iter().map(|join| join.id).collect(),
            words: format!(
                "two people joined the same visit and called its channels differently ({} and {}): the last one counts until someone takes one joining back",
                called(&newest.names),
                (earlier.iter().rev())
                    .find(|join| join.names != newest.names)
                    .map_or_else(String::new, |join| called(&join.names))
            ),
        });
    }
}

/// Names in words.
fn called(names: &JoinNames) -> String {
    let say = |side: &str, names: &BTreeMap<Channel, Channel>| -> Vec<String> {
        let each = names.iter();
        each.map(|(from, to)| format!("{from} {side} is {to}"))
            .collect()
    };
    let mut said = say("here", &names.here);
    said.extend(say("there", &names.there));
    said.extend((names.passes.iter()).map(|(from, to)| format!("pass {from} there is {to}")));
    if said.is_empty() {
        "same names, same stretch".to_owned()
    } else {
        said.join(", ")
    }
}
