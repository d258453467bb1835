//! Who stood how when they acted: on the crew, crew lead, safety lead.
//!
//! A standing is taken by records and given up by records, and someone held it when acting if one
//! taking lay in their past that had seen every giving-up, apart from those whose author had
//! already seen the act. So a giving-up made out of sight of the act counts against it: the
//! cautious reading. Why a merge can't turn a "no" into a "yes": only takings in the act's own past
//! help, and that past is as fixed as the act; a further giving-up can only stand in the way.

use std::collections::BTreeMap;

use gravelbar_ledger::{RecordId, Writer};

use super::lost::Held;
use super::seen::{Causality, Seen};
use crate::names::PersonName;
use crate::record::{Fact, Role};

/// Records by which people take and give up roles and their place on the crew.
pub(crate) struct Standings<'a> {
    causality: &'a dyn Causality,
    roles_taken: BTreeMap<(&'a PersonName, Role), Vec<&'a Seen>>,
    roles_left: BTreeMap<(&'a PersonName, Role), Vec<&'a Seen>>,
    arrivals: BTreeMap<&'a PersonName, Vec<&'a Seen>>,
    /// Of the arrivals, those held aside: they put nobody on the crew.
    held: &'a Held,
    leavings: BTreeMap<&'a PersonName, Vec<&'a Seen>>,
}

impl<'a> Standings<'a> {
    /// Picks the records out of `seen`, which is in order by cause.
    pub(crate) fn read(seen: &'a [Seen], causality: &'a dyn Causality, held: &'a Held) -> Self {
        let mut standings = Self {
            causality,
            roles_taken: BTreeMap::new(),
            roles_left: BTreeMap::new(),
            arrivals: BTreeMap::new(),
            held,
            leavings: BTreeMap::new(),
        };
        for s in seen {
            match &s.entry.what {
                Fact::Joined(joined) => {
                    let arrivals = standings.arrivals.entry(&joined.person);
                    arrivals.or_default().push(s);
                }
                Fact::RoleTaken(taken) => {
                    let role = (&taken.person, taken.role);
                    standings.roles_taken.entry(role).or_default().push(s);
                    let arrivals = standings.arrivals.entry(&taken.person);
                    arrivals.or_default().push(s);
                }
                Fact::RoleLeft(left) => {
                    let role = (&left.person, left.role);
                    standings.roles_left.entry(role).or_default().push(s);
                }
                Fact::Left(left) => {
                    let leavings = standings.leavings.entry(&left.person);
                    leavings.or_default().push(s);
                }
                _ => {}
            }
        }
        standings
    }

    /// The records that put each person on the crew, those held aside among them: whoever may be
    /// there is waited for.
    pub(super) fn arrivals(&self) -> &BTreeMap<&'a PersonName, Vec<&'a Seen>> {
        &self.arrivals
    }

    /// The records that say a person went home, whoever wrote them.
    pub(super) fn leavings(&self, person: &PersonName) -> &[&'a Seen] {
        self.leavings.get(person).map_or(&[], Vec::as_slice)
    }

    /// Whether a person held a role when writing `act`, or holds it now. Going home gives up all
    /// roles.
    pub(super) fn held(&self, person: &PersonName, role: Role, act: Option<RecordId>) -> bool {
        let given = self.roles_left.get(&(person, role));
        let given = given.into_iter().flatten().chain(self.leavings(person));
        let taken = self.roles_taken.get(&(person, role));
        self.stood(taken.map_or(&[], Vec::as_slice), given, act)
    }

    /// Whether a person may clear a stop: now, or when writing `act`.
    pub(crate) fn may_clear(&self, person: &PersonName, act: Option<RecordId>) -> bool {
        self.held(person, Role::Lead, act) || self.held(person, Role::SafetyLead, act)
    }

    /// Whether a person is on the crew: now, or was when writing `act`.
    pub(crate) fn on_crew(&self, person: &PersonName, act: Option<RecordId>) -> bool {
        let arrived = self.arrivals.get(person).map_or(&[][..], Vec::as_slice);
        self.stood(arrived, self.leavings(person).iter(), act)
    }

    fn stood<'s>(
        &self,
        taken: &[&'a Seen],
        given: impl Iterator<Item = &'s &'a Seen>,
        act: Option<RecordId>,
    ) -> bool
    where
        'a: 's,
    {
        // What a taking must have seen, as the last record of each writer.
        let mut need: BTreeMap<Writer, u32> = BTreeMap::new();
        for giving in given {
            if let Some(act) = act {
                if self.causality.had_seen(giving.id, act) {
                    continue;
                }
                // No taking that the act had seen can have seen what the act hadn't.
                if !self.causality.had_seen(act, giving.id) {
                    return false;
                }
            }
            let last = need.entry(giving.id.writer).or_default();
            *last = giving.id.n.max(*last);
        }
        // A taking held aside entitles nobody; a giving-up held aside stands in the way.
        let counts = |taking: &&&Seen| !self.held.holds(taking.id);
        taken.iter().rev().filter(counts).any(|taking| {
            let mut needed = need.iter().map(|(writer, n)| RecordId {
                writer: *writer,
                n: *n,
            });
            act.is_none_or(|act| self.causality.had_seen(act, taking.id))
                && needed.all(|giving| self.causality.had_seen(taking.id, giving))
        })
    }
}
