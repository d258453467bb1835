//! The rule of the roster written a second time, slowly and in another way: by sets and repetition
//! instead of places and memory. Each clause can be left out, so that the laws can be seen to
//! notice.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_book::{DeviceKey, GrantName, RosterEntry, TextDigest};
use gravelbar_ledger::{DeviceTag, DocumentId, RecordId};
use gravelbar_visit::Role;

/// A clause that a planted mistake leaves out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Without {
    Nothing,
    /// Whoever has any grant may change the roster.
    Entitlement,
    /// Entitlement is asked of today's roster, not of the entry's history.
    History,
    /// What is cut off still gives.
    Cut,
    /// Void doesn't spread to those who got their right from a void entry.
    Spreading,
    /// A revocation in a void entry doesn't count.
    Revocations,
    /// A withdrawal in a void entry doesn't count.
    Withdrawals,
    /// Entries made apart don't hold each other up.
    Apart,
    /// Void entries keep grants too.
    Keepers,
    /// The digest of an earlier entry isn't looked at.
    Digest,
}

pub(crate) const MUTANTS: [Without; 9] = [
    Without::Entitlement,
    Without::History,
    Without::Cut,
    Without::Spreading,
    Without::Revocations,
    Without::Withdrawals,
    Without::Apart,
    Without::Keepers,
    Without::Digest,
];

type Set = BTreeSet<RecordId>;

/// What comes out.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Outcome {
    pub(crate) sound: Set,
    pub(crate) void: Set,
    pub(crate) in_effect: BTreeSet<GrantName>,
    pub(crate) roles: BTreeMap<DeviceKey, BTreeSet<Role>>,
    pub(crate) revoked: BTreeSet<DeviceTag>,
}

pub(crate) struct Rule<'f> {
    pub(crate) without: Without,
    pub(crate) founder: DeviceKey,
    pub(crate) book: DocumentId,
    pub(crate) facts: &'f BTreeMap<RecordId, (TextDigest, RosterEntry)>,
}

impl Rule<'_> {
    fn entry(&self, id: RecordId) -> &RosterEntry {
        &self.facts[&id].1
    }

    fn leaves_out(&self, clause: Without) -> bool {
        self.without == clause
    }

    /// All that an entry comes after, where all of it is here as it is named.
    pub(crate) fn history(&self, id: RecordId) -> Option<Set> {
        let mut all = Set::new();
        let mut waiting: Vec<RecordId> = vec![id];
        while let Some(next) = waiting.pop() {
            for link in &self.entry(next).previous {
                let (digest, _) = self.facts.get(&link.record)?;
                if *digest != link.digest && !self.leaves_out(Without::Digest) {
                    return None;
                }
                if all.insert(link.record) {
                    waiting.push(link.record);
                }
            }
        }
        (!all.contains(&id)).then_some(all)
    }

    fn after(&self, id: RecordId, other: RecordId) -> bool {
        self.history(id).is_some_and(|h| h.contains(&other))
    }

    pub(crate) fn run(&self) -> Outcome {
        // By epoch, so that histories are judged before what comes after them.
        let mut order: Vec<RecordId> = self.facts.keys().copied().collect();
        order.sort_by_key(|id| (self.entry(*id).epoch, *id));
        let mut by: BTreeMap<RecordId, Vec<GrantName>> = BTreeMap::new();
        for id in order.clone() {
            let Some(history) = self.history(id) else {
                continue;
            };
            let whole = history.iter().all(|h| by.contains_key(h));
            let highest = history.iter().map(|h| self.entry(*h).epoch).max();
            if !whole || u64::from(self.entry(id).epoch) != u64::from(highest.unwrap_or(0)) + 1 {
                continue;
            }
            let asked: Set = if self.leaves_out(Without::History) {
                by.keys().copied().collect()
            } else {
                history
            };
            let entitled = self.entitled(&asked, &by, id.writer.device);
            if !entitled.is_empty() {
                by.insert(id, entitled);
            }
        }
        if self.leaves_out(Without::History) {
            // Asked again of what there is now.
            let all: Set = by.keys().copied().collect();
            let kept: Vec<RecordId> = (by.keys().copied())
                .filter(|id| !self.entitled(&all, &by, id.writer.device).is_empty())
                .collect();
            by.retain(|id, _| kept.contains(id));
        }
        let sound: Set = by.keys().copied().collect();
        let void = self.void(&sound, &by);
        let in_effect: BTreeSet<GrantName> = std::iter::once(GrantName::Founder)
            .chain(sound.iter().map(|id| GrantName::Entry(*id)))
            .filter(|name| self.in_effect(&sound, &by, *name))
            .collect();
        let mut roles: BTreeMap<DeviceKey, BTreeSet<Role>> = BTreeMap::new();
        for name in &in_effect {
            let (key, given) = self.given(*name).unwrap();
            roles.entry(key).or_default().extend(given);
        }
        Outcome {
            revoked: self.revocations(&sound, &by).map(|(_, tag)| tag).collect(),
            sound,
            void,
            in_effect,
            roles,
        }
    }

    fn given(&self, name: GrantName) -> Option<(DeviceKey, Vec<Role>)> {
        match name {
            GrantName::Founder => Some((self.founder, vec![Role::Lead])),
            GrantName::Entry(id) => {
                let grant = self.entry(id).grant.as_ref()?;
                Some((grant.key, grant.roles.clone()))
            }
        }
    }

    /// The grants by which a device leads in the roster of a set.
    fn entitled(
        &self,
        set: &Set,
        by: &BTreeMap<RecordId, Vec<GrantName>>,
        device: DeviceTag,
    ) -> Vec<GrantName> {
        std::iter::once(GrantName::Founder)
            .chain(set.iter().map(|id| GrantName::Entry(*id)))
            .filter(|name| {
                self.given(*name).is_some_and(|(key, roles)| {
                    key.tag() == device
                        && (roles.contains(&Role::Lead) || self.leaves_out(Without::Entitlement))
                })
            })
            .filter(|name| self.in_effect(set, by, *name))
            .collect()
    }

    fn revocations<'s>(
        &'s self,
        set: &'s Set,
        by: &BTreeMap<RecordId, Vec<GrantName>>,
    ) -> impl Iterator<Item = (RecordId, DeviceTag)> + 's {
        let void = if self.leaves_out(Without::Revocations) {
            // Only what nobody cuts off takes part: worked out as if all counted.
            self.void(set, by)
        } else {
            Set::new()
        };
        set.iter()
            .filter(move |id| !void.contains(id))
            .filter_map(|id| Some((*id, self.entry(*id).revoke.as_ref()?.key.tag())))
    }

    fn void(&self, set: &Set, by: &BTreeMap<RecordId, Vec<GrantName>>) -> Set {
        let mut void: Set = (set.iter().copied())
            .filter(|id| {
                !self.leaves_out(Without::Cut)
                    && set.iter().any(|r| {
                        self.entry(*r).revoke.as_ref().is_some_and(|revoke| {
                            revoke.key.tag() == id.writer.device
                                && revoke.cut(self.book, id.writer) < id.n
                        })
                    })
            })
            .collect();
        // What hangs on nothing but void entries is void, until nothing more is.
        loop {
            let more: Vec<RecordId> = (set.iter().copied())
                .filter(|id| !void.contains(id) && !self.leaves_out(Without::Spreading))
                .filter(|id| {
                    by.get(id).is_some_and(|names| {
                        names.iter().all(|name| match name {
                            GrantName::Founder => false,
                            GrantName::Entry(giver) => void.contains(giver),
                        })
                    })
                })
                .collect();
            if more.is_empty() {
                return void;
            }
            void.extend(more);
        }
    }

    fn in_effect(
        &self,
        set: &Set,
        by: &BTreeMap<RecordId, Vec<GrantName>>,
        name: GrantName,
    ) -> bool {
        let Some((key, _)) = self.given(name) else {
            return false;
        };
        let void = self.void(set, by);
        let withdrawn = set.iter().any(|id| {
            self.entry(*id).withdraw.contains(&name)
                && !(self.leaves_out(Without::Withdrawals) && void.contains(id))
        });
        let revoked = self.revocations(set, by).any(|(_, tag)| tag == key.tag());
        if withdrawn || revoked {
            return false;
        }
        let GrantName::Entry(id) = name else {
            return true;
        };
        !void.contains(&id)
            && (self.leaves_out(Without::Apart) || self.rivals(set, &void, id).is_empty())
    }

    /// Entries made apart from this one that hold it up.
    pub(crate) fn rivals(&self, set: &Set, void: &Set, id: RecordId) -> Vec<RecordId> {
        (set.iter().copied())
            .filter(|other| {
                *other != id
                    && !void.contains(other)
                    && !self.after(id, *other)
                    && !self.after(*other, id)
                    && !set.iter().any(|keeper| {
                        self.entry(*keeper).keep.contains(&GrantName::Entry(id))
                            && self.after(*keeper, id)
                            && self.after(*keeper, *other)
                            && (!void.contains(keeper) || self.leaves_out(Without::Keepers))
                    })
            })
            .collect()
    }
}
