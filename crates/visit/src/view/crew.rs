//! Who is on the crew, in which roles, with which devices.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::DeviceTag;

use super::named::Named;
use super::safety::Leaving;
use super::seen::Seen;
use super::{DeviceView, PersonView, RoleChange};
use crate::names::PersonName;
use crate::record::{Fact, Role};

/// People whose leaving has seen every record that puts them on the crew. Someone who was put on
/// the crew out of sight of their leaving is still here.
pub(super) fn gone(seen: &[Seen], leavings: &[Leaving<'_>]) -> BTreeSet<PersonName> {
    let arrivals = arrivals(seen);
    leavings
        .iter()
        .filter(|l| {
            arrivals
                .get(&l.left.person)
                .is_some_and(|records| records.iter().all(|r| l.past.contains(r.id)))
        })
        .map(|l| l.left.person.clone())
        .collect()
}

/// Whether a person holds, on this device, a role that may clear a stop.
pub(crate) fn may_clear_now(seen: &[Seen], person: &PersonName) -> bool {
    let mut held = BTreeSet::new();
    for s in seen {
        match &s.entry.what {
            Fact::RoleTaken(t) if t.person == *person => {
                held.insert(t.role);
            }
            Fact::RoleLeft(l) if l.person == *person => {
                held.remove(&l.role);
            }
            _ => {}
        }
    }
    held.contains(&Role::Lead) || held.contains(&Role::SafetyLead)
}

/// The records that put each person on the crew.
pub(super) fn arrivals(seen: &[Seen]) -> BTreeMap<PersonName, Vec<&Seen>> {
    let mut arrivals: BTreeMap<PersonName, Vec<&Seen>> = BTreeMap::new();
    for s in seen {
        let person = match &s.entry.what {
            Fact::Joined(joined) => &joined.person,
            Fact::RoleTaken(taken) => &taken.person,
            _ => continue,
        };
        arrivals.entry(person.clone()).or_default().push(s);
    }
    arrivals
}

impl Named<'_> {
    pub(super) fn role_changes(&self) -> Vec<RoleChange> {
        self.seen
            .iter()
            .filter_map(|s| {
                let (person, role, taken) = match &s.entry.what {
                    Fact::RoleTaken(t) => (&t.person, t.role, true),
                    Fact::RoleLeft(l) => (&l.person, l.role, false),
                    _ => return None,
                };
                Some(RoleChange {
                    stamp: self.stamp(s),
                    person: person.clone(),
                    role,
                    taken,
                })
            })
            .collect()
    }

    pub(super) fn people(&self, gone: &BTreeSet<PersonName>) -> Vec<PersonView> {
        let mut roles: BTreeMap<PersonName, BTreeSet<Role>> = BTreeMap::new();
        for s in self.seen {
            match &s.entry.what {
                Fact::RoleTaken(t) => {
                    roles.entry(t.person.clone()).or_default().insert(t.role);
                }
                Fact::RoleLeft(l) => {
                    roles.entry(l.person.clone()).or_default().remove(&l.role);
                }
                _ => {}
            }
        }
        let holders = self.holders();
        arrivals(self.seen)
            .into_keys()
            .map(|name| PersonView {
                roles: roles
                    .get(&name)
                    .map(|r| r.iter().copied().collect())
                    .unwrap_or_default(),
                devices: holders
                    .iter()
                    .filter(|(_, holder)| **holder == name)
                    .map(|(tag, _)| *tag)
                    .collect(),
                left: gone.contains(&name),
                name,
            })
            .collect()
    }

    fn holders(&self) -> BTreeMap<DeviceTag, PersonName> {
        self.seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::DeviceHeld(held) => Some((held.tag, held.person.clone())),
                _ => None,
            })
            .collect()
    }

    pub(super) fn devices(&self) -> Vec<DeviceView> {
        let holders = self.holders();
        let mut devices: BTreeMap<DeviceTag, DeviceView> = BTreeMap::new();
        let blank = |tag: DeviceTag| DeviceView {
            tag,
            key: String::new(),
            name: tag.to_string(),
            holder: holders.get(&tag).cloned(),
            records: 0,
            last: None,
            clock_offset_ms: self.clocks.offset(tag).map(|o| o.offset_ms),
            clock_uncertainty_ms: self.clocks.offset(tag).map(|o| o.uncertainty_ms),
        };
        for s in self.seen {
            let tag = s.id.writer.device;
            let author = devices.entry(tag).or_insert_with(|| blank(tag));
            author.records += 1;
            author.last = Some(self.stamp(s));
            if let Fact::Device(device) = &s.entry.what {
                let view = devices
                    .entry(device.tag)
                    .or_insert_with(|| blank(device.tag));
                view.key.clone_from(&device.key);
                view.name.clone_from(&device.name);
            }
        }
        devices.into_values().collect()
    }
}
