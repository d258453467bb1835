//! What the book's records mean when read together: plain structs, each with who, when and its
//! rivals.

mod crew;
mod lists;
mod named;
mod season;

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset, NaiveDate};
use gravelbar_ledger::{DocumentId, RecordId};
use gravelbar_visit::{PersonName, Plan, SpeciesName};
use serde::Serialize;

pub use season::{PermitStanding, Used};

use crate::founding::{DeviceKey, Founding};
use crate::record::{
    Checklist, Entry, Limits, ListedSpecies, Permit, Person, SecretBytes, Seen, Site, VisitDone,
};
use crate::roster::{RecordStanding, Roster};

/// The most secrets by which a device of the crew is recognised: the newest and those before it,
/// so that a device that was away is still found.
pub const SECRETS_RECOGNISED: usize = 4;

/// A value under its own name, as it counts now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Named<T> {
    /// The value.
    pub value: T,
    /// The record it comes from.
    pub from: RecordId,
    /// Who wrote it.
    pub by: PersonName,
    /// The author's clock as it stood.
    pub at: DateTime<FixedOffset>,
    /// Other values that no record has taken the place of, newest first; empty once settled.
    pub rivals: Vec<Rival<T>>,
}

/// A value that stands beside the one that counts.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rival<T> {
    /// The value.
    pub value: T,
    /// The record it comes from.
    pub from: RecordId,
    /// Who wrote it.
    pub by: PersonName,
}

impl<T> Named<T> {
    /// The records that a new value takes the place of.
    #[must_use]
    pub fn all(&self) -> Vec<RecordId> {
        let rivals = self.rivals.iter().map(|r| r.from);
        std::iter::once(self.from).chain(rivals).collect()
    }
}

/// A device as the crew knows it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct KnownDevice {
    /// Which.
    pub key: DeviceKey,
    /// What the crew calls it.
    pub name: Option<String>,
    /// Who uses it.
    pub holder: Option<PersonName>,
    /// Where it was met, newest first.
    pub addresses: Vec<std::net::SocketAddr>,
    /// Its records here.
    pub records: usize,
}

/// A visit to come.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Planned {
    /// The visit's name.
    pub visit: DocumentId,
    /// The plan's text, from which the visit is opened.
    pub text: String,
    /// The plan, where this program can open the visit.
    pub plan: Option<Plan>,
    /// The record.
    pub from: RecordId,
    /// Who planned it.
    pub by: PersonName,
}

/// A visit of the crew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct CrewVisit {
    /// Its site code.
    pub site: String,
    /// Its planned day.
    pub date: NaiveDate,
}

/// A site and the last time it was fished.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SiteView {
    /// What the book says of it; nothing where only a visit tells of it.
    pub site: Option<Named<Site>>,
    /// Site code.
    pub code: String,
    /// The last visit done there.
    pub last: Option<VisitDone>,
}

/// A record that has no effect, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Set {
    /// The record.
    pub record: RecordId,
    /// Who wrote it, where that can be read.
    pub by: Option<PersonName>,
    /// The kind it calls itself, where that can be read.
    pub kind: Option<String>,
    /// Why.
    pub why: SetAside,
}

/// Why a record has no effect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SetAside {
    /// Its device was shut out, or its right to be here isn't settled.
    Held,
    /// The roster has never heard of its device.
    Stranger,
    /// A newer program wrote it.
    Unreadable,
    /// It says something that no honest program writes.
    Odd,
}

impl SetAside {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Held => {
                "written by a device that was shut out or isn't settled on: a lead looks at it"
            }
            Self::Stranger => "written by a device that is not on the roster",
            Self::Unreadable => "this program can't read it: update this device",
            Self::Odd => "it says something that can't be",
        }
    }
}

/// The book as its records tell it. A pure function of the document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct View {
    /// The document.
    pub document: DocumentId,
    /// How it began.
    pub founding: Founding,
    /// Its heads in their written form, sorted.
    pub heads: Vec<String>,
    /// How many records it holds.
    pub records: usize,
    /// Which devices belong to the crew.
    pub roster: Roster,
    /// The people, by name.
    pub people: Vec<Named<Person>>,
    /// The devices, by key.
    pub devices: Vec<KnownDevice>,
    /// The secrets by which devices are recognised, newest first.
    #[serde(skip)]
    pub secrets: Vec<SecretBytes>,
    /// The sites, by code.
    pub sites: Vec<SiteView>,
    /// The species, most caught first.
    pub species: Vec<Named<ListedSpecies>>,
    /// The checklists, by name.
    pub checklists: Vec<Named<Checklist>>,
    /// The limits, by name.
    pub limits: Vec<Named<Limits>>,
    /// The permits and what is used of them, by name.
    pub permits: Vec<PermitStanding>,
    /// The visits to come, by day and site.
    pub planned: Vec<Planned>,
    /// All visits of the crew: planned, opened or done, with their planned days.
    pub visits: BTreeMap<DocumentId, CrewVisit>,
    /// The visits done, newest day first: of each visit the record that counts.
    pub done: Vec<Named<VisitDone>>,
    /// Records without effect, by record.
    pub aside: Vec<Set>,
}

impl View {
    pub(crate) fn read(
        founding: &Founding,
        heads: Vec<String>,
        seen: &[Seen],
        unreadable: &[(RecordId, Option<String>)],
        roster: Roster,
    ) -> Self {
        let document = founding.document_id();
        let mut aside: Vec<Set> = (unreadable.iter())
            .map(|(record, kind)| Set {
                record: *record,
                by: None,
                kind: kind.clone(),
                why: SetAside::Unreadable,
            })
            .collect();
        let mut counted: Vec<&Seen> = Vec::with_capacity(seen.len());
        for record in seen {
            // The roster judges its own entries.
            if matches!(record.entry.what, crate::record::Fact::RosterEntry(_)) {
                continue;
            }
            let why = match roster.standing(document, record.id) {
                RecordStanding::Held => Some(SetAside::Held),
                RecordStanding::Unknown => Some(SetAside::Stranger),
                RecordStanding::Counts => (record.entry.check().is_err()).then_some(SetAside::Odd),
            };
            match why {
                None => counted.push(record),
                Some(why) => aside.push(Set {
                    record: record.id,
                    by: Some(record.entry.by.clone()),
                    kind: Some(record.entry.what.kind().to_owned()),
                    why,
                }),
            }
        }
        aside.sort_by_key(|set| set.record);
        let done = season::done(&counted);
        Self {
            document,
            founding: founding.clone(),
            heads,
            records: seen.len() + unreadable.len(),
            people: crew::people(&counted),
            devices: crew::devices(&counted, &roster, seen),
            secrets: crew::secrets(&counted),
            sites: lists::sites(&counted, &done),
            species: lists::species(&counted, &done),
            checklists: lists::checklists(&counted),
            limits: lists::limits(&counted),
            permits: season::permits(&counted, &done),
            visits: lists::visits(&counted),
            planned: lists::planned(&counted),
            done,
            aside,
            roster,
        }
    }

    /// What the crew calls a device.
    #[must_use]
    pub fn device(&self, key: DeviceKey) -> Option<&KnownDevice> {
        self.devices.iter().find(|d| d.key == key)
    }

    /// The site of this code.
    #[must_use]
    pub fn site(&self, code: &str) -> Option<&SiteView> {
        let code = code.trim();
        self.sites
            .iter()
            .find(|s| s.code.eq_ignore_ascii_case(code))
    }

    /// The permit that holds on a day for a species; of several, the one with the least left to
    /// catch.
    #[must_use]
    pub fn permit(&self, species: &SpeciesName, day: NaiveDate) -> Option<&PermitStanding> {
        (self.permits.iter())
            .filter(|p| p.holds_on(day))
            .filter_map(|p| Some((p.left(species)?, p)))
            .min_by_key(|(left, _)| *left)
            .map(|(_, permit)| permit)
    }
}

/// Whoever wrote a record and when.
fn stamped<T>(seen: &Seen, value: T) -> Named<T> {
    let Entry { at, by, .. } = &seen.entry;
    Named {
        value,
        from: seen.id,
        by: by.clone(),
        at: *at,
        rivals: Vec::new(),
    }
}

/// Permits by themselves, for those that need no standing.
pub(crate) type NamedPermit = Named<Permit>;
