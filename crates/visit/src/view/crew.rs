//! Who is on the crew, in which roles, with which devices.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::DeviceTag;

use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::Seen;
use super::standing::Standings;
use super::{DeviceView, PersonView, RoleChange};
use crate::names::PersonName;
use crate::record::{Fact, Left, Role};

/// The crew as the checklist sees it.
pub(super) struct Crew<'a> {
    pub(super) standings: Standings<'a>,
    /// The records that put each person on the crew: joining or taking a role, or, for someone
    /// nobody listed, the work they did in the water. Whoever works there is waited for.
    pub(super) arrivals: BTreeMap<&'a PersonName, Vec<&'a Seen>>,
    /// Leavings that count, by person: said by themselves, or by whoever may clear a stop.
    pub(super) left: BTreeMap<&'a PersonName, Vec<(&'a Seen, &'a Left)>>,
    /// People whose leaving has seen every record that puts them on the crew. Someone who was put
    /// on the crew out of sight of their leaving is still here.
    pub(super) gone: BTreeSet<&'a PersonName>,
}

/// Netting and energising.
fn is_work_in_the_water(fact: &Fact) -> bool {
    matches!(
        fact,
        Fact::Tally(_)
            | Fact::Escape(_)
            | Fact::Setting(_)
            | Fact::Trial(_)
            | Fact::EnergiserOff(_)
    )
}

impl<'a> Named<'a> {
    pub(super) fn crew(&self, flags: &mut Vec<Flag>) -> Crew<'a> {
        let standings = Standings::read(self.seen, self.causality, self.held);
        let mut arrivals = standings.arrivals().clone();
        let mut unlisted: BTreeMap<&PersonName, Vec<&Seen>> = BTreeMap::new();
        for s in self
            .seen
            .iter()
            .filter(|s| is_work_in_the_water(&s.entry.what))
        {
            if !arrivals.contains_key(&s.entry.by) {
                unlisted.entry(&s.entry.by).or_default().push(s);
            }
        }
        for (person, works) in &unlisted {
            flags.push(Flag {
                kind: FlagKind::NotListed,
                about: works.iter().take(1).map(|s| s.id).collect(),
                words: format!(
                    "{person} nets or runs a pack without being on the crew's list: add them, or correct the name; their checks are asked for meanwhile"
                ),
            });
        }
        arrivals.extend(unlisted);

        let mut left: BTreeMap<&PersonName, Vec<(&Seen, &Left)>> = BTreeMap::new();
        for s in self.seen {
            let Fact::Left(leaving) = &s.entry.what else {
                continue;
            };
            let own = leaving.person == s.entry.by;
            if s.entry.check().is_err() || self.held.holds(s.id) {
                continue;
            }
            if own || standings.may_clear(&s.entry.by, Some(s.id)) {
                left.entry(&leaving.person).or_default().push((s, leaving));
            } else {
                flags.push(Flag {
                    kind: FlagKind::NoEffect,
                    about: vec![s.id],
                    words: format!(
                        "{} noted that {} went home without being crew lead or safety lead: the checklist still waits for {}, whose roles have to be taken again",
                        s.entry.by, leaving.person, leaving.person
                    ),
                });
            }
        }
        let gone = left
            .iter()
            .filter(|(person, left)| {
                arrivals.get(*person).is_some_and(|records| {
                    let knew_all = |s: &Seen| records.iter().all(|r| self.had_seen(s, r.id));
                    left.iter().any(|(s, _)| knew_all(s))
                })
            })
            .map(|(person, _)| *person)
            .collect();
        Crew {
            standings,
            arrivals,
            left,
            gone,
        }
    }
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

    pub(super) fn people(&self, crew: &Crew<'_>) -> Vec<PersonView> {
        let mut devices: BTreeMap<PersonName, Vec<DeviceTag>> = BTreeMap::new();
        for (tag, holder) in self.holders() {
            devices.entry(holder).or_default().push(tag);
        }
        crew.arrivals
            .keys()
            .map(|name| PersonView {
                name: (*name).clone(),
                roles: Role::ALL
                    .into_iter()
                    .filter(|role| crew.standings.held(name, *role, None))
                    .collect(),
                devices: devices.remove(name).unwrap_or_default(),
                left: crew.gone.contains(name),
            })
            .collect()
    }

    fn holders(&self) -> BTreeMap<DeviceTag, PersonName> {
        self.seen
            .iter()
            .filter(|s| !self.held.holds(s.id))
            .filter_map(|s| match &s.entry.what {
                Fact::DeviceHeld(held) => Some((held.tag, held.person.clone())),
                _ => None,
            })
            .collect()
    }

    pub(super) fn devices(&self) -> Vec<DeviceView> {
        let holders = self.holders();
        let mut devices: BTreeMap<DeviceTag, DeviceView> = BTreeMap::new();
        // What a device says of itself stands over what others call it.
        let mut by_themselves: BTreeSet<DeviceTag> = BTreeSet::new();
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
                let itself = device.tag == tag;
                if !itself && by_themselves.contains(&device.tag) {
                    continue;
                }
                if itself {
                    by_themselves.insert(tag);
                }
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
