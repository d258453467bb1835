//! The roster: which devices belong to the crew, worked out from its entries.
//!
//! # The rule
//!
//! An entry names the entries it comes after, each with the digest of its text, so an entry's
//! whole history is fixed by its own text. What is worked out of a set of entries that is closed
//! under "comes after" is called the roster of that set.
//!
//! 1. An entry is **sound** if all it comes after are here with the text it names and sound, its
//!    epoch is one more than their highest, and in the roster of its history some grant in effect
//!    lets its author's device lead. What isn't sound is shown and has no effect.
//! 2. Revocations and withdrawals in sound entries **always count**, whatever became of their author.
//! 3. An entry is **void** if a revocation of its author's device cuts before it, or if every
//!    grant that made it sound stands in a void entry. From a void entry nothing counts that gives.
//! 4. A grant is **in effect** if its entry is not void, nobody withdrew it, its device isn't
//!    revoked, and it isn't pending. It is **pending** while there is a sound entry, not void, that
//!    was made apart from its entry (neither came after the other), until an entry that isn't void
//!    comes after both and keeps it by name.
//! 5. A revocation is for good. Records that it cuts off are held; an entry that isn't void and
//!    names the revocation can accept them up to a number. Roster entries stay cut off.
//!
//! # Why it holds
//!
//! *Any merge order gives the same roster:* soundness looks only at an entry's own history, which
//! its text fixes, and everything else is a function of the set of sound entries. No clock, no
//! order of arrival, no order by name enters, but for the order in which things are shown.
//!
//! *Nobody gains a right that no sound entry gave:* a device's rights are the union of grants in
//! effect, each of which stands in one sound entry, whose author led by a grant in effect in that
//! entry's own history, and so on down to the founder, whose key is in the document's name. Each
//! step goes to a smaller history, so the chain ends.
//!
//! *More revocations never let more in:* take any set of sound entries and add a revocation. No
//! other entry's soundness moves (its history is fixed). By 3 the void entries can only become
//! more: both clauses of "void" grow with the revocations. So by 4 no grant comes into effect by
//! what it gives or who keeps it: those need entries that aren't void, and no revocation or
//! withdrawal, of which there are now as many or more. By 5 what is held is what *some*
//! revocation cuts and no entry that isn't void accepts from that very revocation. Every condition
//! turns only towards stricter, with one exception that is meant: an entry that has become void no
//! longer keeps other leads' grants pending. Were it otherwise, a stolen device that once led could
//! hold up everything decided since by entries that pretend not to have heard of it, and shut out
//! the very lead who shuts it out. What then comes into effect was given by a sound entry of
//! somebody else. The same argument serves for withdrawals.
//!
//! *Two entries of one epoch:* both were made apart, so the grants of both are pending (what the
//! two branches give in common is nothing), and by 2 the revocations of both count. That is an
//! alarm until a lead comes after both and says which grants stand.
//!
//! # What it can't do
//!
//! A stolen device that leads can, until it is shut out, shut others out; and because 2 lets
//! revocations count from any sound entry, it can still do so to whoever it reaches with entries
//! that pretend not to have heard. Then a lead who is left mends it by granting new keys, and if
//! none is left the crew founds a new book. Nothing is lost by it: records stay, held.

mod facts;
mod history;

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use gravelbar_ledger::{DeviceTag, DocumentId, RecordId};
use gravelbar_visit::{PersonName, Role};
use serde::Serialize;

pub(crate) use facts::RosterFact;
use history::{History, Scope};

use crate::founding::{DeviceKey, Founding};
use crate::record::{Grant, GrantName, Link, MAX_PREVIOUS, RosterEntry, Validity};

/// The roster as the entries here make it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Roster {
    /// The highest epoch of a sound entry; 0 while there is none.
    pub epoch: u32,
    /// Every device that was ever given anything by a sound entry, by key.
    pub devices: Vec<RosterDevice>,
    /// All entries, by epoch and record.
    pub lines: Vec<RosterLine>,
    /// What two leads did apart from each other and nobody has settled, by record.
    pub alarms: Vec<Alarm>,
    /// The sound entries that nothing comes after, by record.
    pub heads: Vec<Link>,
    #[serde(skip)]
    cuts: Cuts,
}

/// A device on the roster.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct RosterDevice {
    /// Which.
    pub key: DeviceKey,
    /// Whose, by the newest grant.
    pub person: Option<PersonName>,
    /// The roles it has.
    pub roles: Vec<Role>,
    /// Whether it is the office's.
    pub office: bool,
    /// The visits it may have: those within any of these.
    pub valid: Vec<Validity>,
    /// How it stands.
    pub standing: DeviceStanding,
    /// The grants in effect or pending, by name.
    pub grants: Vec<GrantName>,
}

/// How a device stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DeviceStanding {
    /// It belongs to the crew.
    Live,
    /// It will, once a lead has settled what was decided apart.
    Pending,
    /// It did.
    Left,
    /// It was lost or shut out.
    Revoked,
    /// Whoever let it in had been shut out before.
    Void,
}

/// One entry and what became of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RosterLine {
    /// Its record.
    pub record: RecordId,
    /// What it says.
    pub entry: RosterEntry,
    /// What became of it.
    pub effect: Effect,
}

/// What became of an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Effect {
    /// It counts.
    Counts,
    /// Only what it takes away counts: its author had been shut out, or whoever let the author in.
    Void,
    /// What it comes after isn't here, has another text or doesn't count itself.
    NoHistory,
    /// Its epoch isn't the one after those it comes after.
    WrongEpoch,
    /// Its author's device might not change the roster.
    NotEntitled,
    /// It says something that no honest program writes.
    Odd,
}

/// A grant that waits for a lead because something was decided apart from it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Alarm {
    /// The grant's record.
    pub grant: RecordId,
    /// To which device.
    pub key: DeviceKey,
    /// The entries made apart from it.
    pub apart: Vec<RecordId>,
}

/// Whether a record counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RecordStanding {
    /// It counts.
    Counts,
    /// Its device was shut out and it lies past the cut, or its device's right to be here is not
    /// settled: kept for a person to look at.
    Held,
    /// The roster has never heard of its device.
    Unknown,
}

/// What decides whether a device's records count.
#[derive(Debug, Clone, Default, PartialEq)]
struct Cuts {
    /// Devices of which some grant is neither void nor pending.
    admitted: BTreeSet<DeviceTag>,
    /// Devices that any sound entry names as given or shut out.
    known: BTreeSet<DeviceTag>,
    /// Every revocation of a device: its own cut, and what entries that answer it accept.
    revoked: BTreeMap<DeviceTag, Vec<Revoked>>,
}

#[derive(Debug, Clone, PartialEq)]
struct Revoked {
    revoke: crate::record::Revoke,
    accepts: Vec<crate::record::Accept>,
}

impl Roster {
    /// Works the roster out. The order in which the entries come makes no difference.
    pub(crate) fn read(founding: &Founding, facts: &[RosterFact<'_>]) -> Self {
        let book = founding.document_id();
        let history = History::read(founding, book, facts);
        let all = history.everything();
        let devices = devices(founding, &history, &all);
        let cuts = cuts(founding, &history, &all);
        let mut alarms: Vec<Alarm> = (history.sound.iter().enumerate())
            .filter_map(|(place, sound)| {
                let grant = sound.fact.entry.grant.as_ref()?;
                let apart = all.apart(place);
                let settled = history.is_void(&all, place)
                    || all.withdrawn(GrantName::Entry(sound.fact.id))
                    || all.revoked(grant.key.tag());
                (!settled && !apart.is_empty()).then(|| Alarm {
                    grant: sound.fact.id,
                    key: grant.key,
                    apart: apart.iter().map(|p| history.sound[*p].fact.id).collect(),
                })
            })
            .collect();
        alarms.sort_by_key(|alarm| alarm.grant);
        let mut lines: Vec<RosterLine> = (facts.iter())
            .map(|fact| RosterLine {
                record: fact.id,
                entry: fact.entry.clone(),
                effect: history.effect(&all, fact.id),
            })
            .collect();
        lines.sort_by_key(|line| (line.entry.epoch, line.record));
        Self {
            epoch: (history.sound.iter())
                .map(|s| s.fact.entry.epoch)
                .max()
                .unwrap_or(0),
            devices,
            lines,
            alarms,
            heads: history.heads(),
            cuts,
        }
    }

    /// The device of this key.
    #[must_use]
    pub fn device(&self, key: DeviceKey) -> Option<&RosterDevice> {
        self.devices.iter().find(|d| d.key == key)
    }

    /// The devices that belong to the crew now.
    pub fn live(&self) -> impl Iterator<Item = &RosterDevice> {
        (self.devices.iter()).filter(|d| d.standing == DeviceStanding::Live)
    }

    /// Whether this device may change the roster now.
    #[must_use]
    pub fn may_change(&self, device: DeviceTag) -> bool {
        self.live()
            .any(|d| d.key.tag() == device && (d.office || d.roles.contains(&Role::Lead)))
    }

    /// Whether this device may have a visit planned for `day`.
    #[must_use]
    pub fn admits(&self, key: DeviceKey, visit: DocumentId, day: NaiveDate) -> bool {
        self.live()
            .any(|d| d.key == key && d.valid.iter().any(|v| v.covers(visit, day)))
    }

    /// Whether a record of `document` counts. Only what its device's revocations cut off, or what a
    /// device wrote whose right to be here isn't settled, doesn't. A stop-work is for the visit to
    /// judge: it counts whoever raises it.
    #[must_use]
    pub fn standing(&self, document: DocumentId, record: RecordId) -> RecordStanding {
        let device = record.writer.device;
        let within = |revoked: &Revoked| {
            let accepted = (revoked.accepts.iter())
                .filter(|a| a.document == document)
                .filter_map(|a| a.last.get(&record.writer).copied());
            let cut = revoked.revoke.cut(document, record.writer);
            record.n <= accepted.max().unwrap_or(0).max(cut)
        };
        let cut_off = (self.cuts.revoked.get(&device)).is_some_and(|all| !all.iter().all(within));
        if cut_off {
            RecordStanding::Held
        } else if self.cuts.admitted.contains(&device) {
            RecordStanding::Counts
        } else if self.cuts.known.contains(&device) {
            RecordStanding::Held
        } else {
            RecordStanding::Unknown
        }
    }

    /// Whether a sound entry shuts this device out.
    #[must_use]
    pub fn is_revoked(&self, device: DeviceTag) -> bool {
        self.cuts.revoked.contains_key(&device)
    }

    /// An entry that comes after all that is here, to be filled in and recorded.
    #[must_use]
    pub fn next(&self) -> RosterEntry {
        let mut previous = self.heads.clone();
        // With more branches than one entry can name, void ones are left out first, and the rest
        // stays for the next entry.
        let void = |link: &Link| {
            let line = self.lines.iter().find(|l| l.record == link.record);
            line.is_none_or(|l| l.effect != Effect::Counts)
        };
        previous.sort_by_key(|link| (void(link), *link));
        previous.truncate(MAX_PREVIOUS);
        let epoch_of = |link: &Link| {
            let line = self.lines.iter().find(|l| l.record == link.record);
            line.map_or(0, |l| l.entry.epoch)
        };
        RosterEntry {
            epoch: previous.iter().map(epoch_of).max().unwrap_or(0) + 1,
            previous,
            ..RosterEntry::default()
        }
    }
}

/// What the founding gives the founder's device.
fn founders(founding: &Founding) -> Grant {
    Grant {
        key: founding.founder,
        person: PersonName::unnamed(),
        roles: vec![Role::Lead],
        office: false,
        valid: Validity::default(),
    }
}

fn devices(founding: &Founding, history: &History<'_>, all: &Scope<'_>) -> Vec<RosterDevice> {
    let mut grants: BTreeMap<DeviceKey, Vec<(u32, GrantName, Grant)>> = BTreeMap::new();
    let founder = (0, GrantName::Founder, founders(founding));
    grants.entry(founding.founder).or_default().push(founder);
    for sound in &history.sound {
        if let Some(grant) = &sound.fact.entry.grant {
            let name = GrantName::Entry(sound.fact.id);
            let one = (sound.fact.entry.epoch, name, grant.clone());
            grants.entry(grant.key).or_default().push(one);
        }
    }
    grants
        .into_iter()
        .map(|(key, mut given)| {
            given.sort_by_key(|(epoch, name, _)| (*epoch, *name));
            let in_effect: Vec<&(u32, GrantName, Grant)> = (given.iter())
                .filter(|(_, name, grant)| history.in_effect(all, *name, grant.key))
                .collect();
            let sure = |name: &GrantName| history.sure(all, *name);
            let standing = if all.revoked(key.tag()) {
                DeviceStanding::Revoked
            } else if !in_effect.is_empty() {
                DeviceStanding::Live
            } else if given.iter().any(|(_, name, _)| sure(name)) {
                DeviceStanding::Left
            } else if given
                .iter()
                .any(|(_, name, _)| !history.void_grant(all, *name) && !all.withdrawn(*name))
            {
                DeviceStanding::Pending
            } else {
                DeviceStanding::Void
            };
            let roles: BTreeSet<Role> = in_effect.iter().flat_map(|g| g.2.roles.clone()).collect();
            let named = given.iter().filter(|g| g.1 != GrantName::Founder);
            RosterDevice {
                key,
                person: { named }.next_back().map(|g| g.2.person.clone()),
                roles: roles.into_iter().collect(),
                office: in_effect.iter().any(|g| g.2.office),
                valid: in_effect.iter().map(|g| g.2.valid.clone()).collect(),
                standing,
                grants: (given.iter())
                    .map(|g| g.1)
                    .filter(|name| !all.withdrawn(*name) && !history.void_grant(all, *name))
                    .collect(),
            }
        })
        .collect()
}

fn cuts(founding: &Founding, history: &History<'_>, all: &Scope<'_>) -> Cuts {
    let mut cuts = Cuts::default();
    cuts.admitted.insert(founding.founder.tag());
    cuts.known.insert(founding.founder.tag());
    for sound in &history.sound {
        if let Some(grant) = &sound.fact.entry.grant {
            cuts.known.insert(grant.key.tag());
            if history.sure(all, GrantName::Entry(sound.fact.id)) {
                cuts.admitted.insert(grant.key.tag());
            }
        }
        if let Some(revoke) = &sound.fact.entry.revoke {
            cuts.known.insert(revoke.key.tag());
            let accepts = (history.sound.iter().enumerate())
                .filter(|(place, _)| !history.is_void(all, *place))
                .filter_map(|(_, s)| s.fact.entry.accept.clone())
                .filter(|accept| accept.of.contains(&sound.fact.id));
            cuts.revoked
                .entry(revoke.key.tag())
                .or_default()
                .push(Revoked {
                    revoke: revoke.clone(),
                    accepts: accepts.collect(),
                });
        }
    }
    cuts
}
