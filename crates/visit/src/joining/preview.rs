//! What joining two visits would give, before anything is written.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use gravelbar_ledger::{DocumentId, RecordId};
use serde::Serialize;

use crate::names::{Channel, PassKey, PersonName};
use crate::record::JoinNames;
use crate::view::{Causality, Flag, Past, SignState, View};
use crate::visit::Visit;

/// Two visits side by side, and what they would be as one.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Preview {
    /// The visit that takes in the other: the one with the lower id.
    pub into: SideView,
    /// The visit that is brought.
    pub from: SideView,
    /// What channels and passes would be called.
    pub names: JoinNames,
    /// Passes by what they would be called.
    pub passes: Vec<PassPair>,
    /// People on both crews.
    pub people_in_both: Vec<PersonName>,
    /// Devices in both.
    pub devices_in_both: usize,
    /// What would be flagged that is flagged in neither now: differences to settle.
    pub conflicts: Vec<Flag>,
    /// Fish tapped and worked up in both together.
    pub tallied: u64,
    /// Fish worked up in both together.
    pub worked_up: u64,
    /// Whether work would be stopped.
    pub stopped: bool,
}

/// One of the two visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideView {
    /// The document.
    pub document: DocumentId,
    /// Site code.
    pub site: String,
    /// Place in words.
    pub place: String,
    /// Day.
    pub date: NaiveDate,
    /// Records.
    pub records: usize,
    /// The crew.
    pub people: Vec<PersonName>,
    /// Devices, by what the crew calls them.
    pub devices: Vec<String>,
    /// Channels.
    pub channels: Vec<Channel>,
    /// Passes with their counts.
    pub passes: Vec<PassCount>,
    /// Fish tapped.
    pub tallied: u64,
    /// Fish worked up.
    pub worked_up: u64,
    /// Someone has signed it.
    pub signed: bool,
}

/// One pass of one visit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PassCount {
    /// What it is called there.
    pub pass: PassKey,
    /// Someone has opened it.
    pub opened: bool,
    /// Someone has closed it.
    pub closed: bool,
    /// Fish tapped.
    pub tallied: u64,
    /// Fish worked up.
    pub worked_up: u64,
}

/// One pass as it would be called, with what each visit has of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PassPair {
    /// What it would be called.
    pub pass: PassKey,
    /// In the visit that takes in the other.
    pub into: Vec<PassCount>,
    /// In the visit that is brought.
    pub from: Vec<PassCount>,
}

impl PassPair {
    /// Whether a pass of each would become one.
    #[must_use]
    pub fn is_one_of_two(&self) -> bool {
        !self.into.is_empty() && !self.from.is_empty()
    }
}

fn counts(view: &View) -> BTreeMap<PassKey, PassCount> {
    let mut counts: BTreeMap<PassKey, PassCount> = BTreeMap::new();
    let mut of = |pass: &PassKey, add: &dyn Fn(&mut PassCount)| {
        let blank = || PassCount {
            pass: pass.clone(),
            opened: false,
            closed: false,
            tallied: 0,
            worked_up: 0,
        };
        add(counts.entry(pass.clone()).or_insert_with(blank));
    };
    for pass in &view.passes {
        of(&pass.pass, &|count| {
            count.opened = pass.opened.iter().any(|mark| !mark.voided);
            count.closed = pass.closed.iter().any(|mark| !mark.voided);
        });
    }
    for tap in view.tallies.iter().filter(|t| !t.out) {
        of(&tap.pass.value, &|c| c.tallied += u64::from(tap.n.value));
    }
    for fish in view.fish.iter().filter(|f| !f.voided) {
        of(&fish.pass.value, &|c| c.worked_up += 1);
    }
    for batch in view.batches.iter().filter(|b| !b.out) {
        of(&batch.pass.value, &|c| {
            c.worked_up += u64::from(batch.n.value)
        });
    }
    counts
}

fn side(view: &View) -> SideView {
    let passes: Vec<PassCount> = counts(view).into_values().collect();
    let mut channels: BTreeSet<Channel> = view.channels.iter().map(|c| c.channel.clone()).collect();
    channels.extend(passes.iter().map(|p| p.pass.channel.clone()));
    SideView {
        document: view.document,
        site: view.plan.site.clone(),
        place: view.plan.place.clone(),
        date: view.plan.date,
        records: view.records,
        people: view.people.iter().map(|p| p.name.clone()).collect(),
        devices: view.devices.iter().map(|d| d.name.clone()).collect(),
        channels: channels.into_iter().collect(),
        tallied: passes.iter().map(|p| p.tallied).sum(),
        worked_up: passes.iter().map(|p| p.worked_up).sum(),
        passes,
        signed: view.sign_state != SignState::Open,
    }
}

/// Two documents whose authors knew nothing of each other.
struct Apart<'v> {
    into: &'v Visit,
    from: &'v Visit,
}

impl Apart<'_> {
    fn of(&self, record: RecordId) -> &Visit {
        if self.into.knows(record) {
            self.into
        } else {
            self.from
        }
    }
}

impl Causality for Apart<'_> {
    fn past_of(&self, record: RecordId) -> Past {
        self.of(record).past_of(record)
    }

    fn had_seen(&self, record: RecordId, other: RecordId) -> bool {
        self.of(record).had_seen(record, other)
    }

    fn reaches(&self, record: RecordId, other: RecordId) -> bool {
        let visit = self.of(record);
        std::ptr::eq(visit, self.into) || (visit.knows(other) && visit.reaches(record, other))
    }

    fn past_at(&self, heads: &[String]) -> Option<Past> {
        self.into
            .past_at(heads)
            .or_else(|| self.from.past_at(heads))
    }
}

impl Visit {
    /// What joining this visit and another would give, whichever of them takes in the other.
    #[must_use]
    pub fn preview(&self, other: &Self, names: &JoinNames) -> Preview {
        let (into, from) = if self.id() < other.id() {
            (self, other)
        } else {
            (other, self)
        };
        let reading = into.fold(None, Some((from, names)));
        let joined = into.view_by(&reading, &Apart { into, from });
        let (into, from) = (into.view(), from.view());
        let mut passes: BTreeMap<PassKey, PassPair> = BTreeMap::new();
        let pair = |pass: PassKey| PassPair {
            pass,
            into: Vec::new(),
            from: Vec::new(),
        };
        let called = |pass: &PassKey, channels: &BTreeMap<Channel, Channel>| PassKey {
            channel: (channels.get(&pass.channel))
                .unwrap_or(&pass.channel)
                .clone(),
            number: pass.number,
        };
        for count in counts(&into).into_values() {
            let pass = called(&count.pass, &names.here);
            let pair = passes.entry(pass.clone()).or_insert_with(|| pair(pass));
            pair.into.push(count);
        }
        for count in counts(&from).into_values() {
            let pass = match names.passes.get(&count.pass) {
                Some(pass) => pass.clone(),
                None => called(&count.pass, &names.there),
            };
            let pair = passes.entry(pass.clone()).or_insert_with(|| pair(pass));
            pair.from.push(count);
        }
        let before: BTreeSet<&Flag> = into.flags.iter().chain(&from.flags).collect();
        let there: BTreeSet<&PersonName> = from.people.iter().map(|p| &p.name).collect();
        let devices: BTreeSet<_> = from.devices.iter().map(|d| d.tag).collect();
        let together = counts(&joined);
        Preview {
            names: names.clone(),
            passes: passes.into_values().collect(),
            people_in_both: (into.people.iter())
                .filter(|p| there.contains(&p.name))
                .map(|p| p.name.clone())
                .collect(),
            devices_in_both: (into.devices.iter())
                .filter(|d| devices.contains(&d.tag))
                .count(),
            conflicts: (joined.flags.iter())
                .filter(|flag| !before.contains(flag))
                .cloned()
                .collect(),
            tallied: together.values().map(|c| c.tallied).sum(),
            worked_up: together.values().map(|c| c.worked_up).sum(),
            stopped: matches!(
                joined.safety.state,
                crate::view::SafetyState::Stopped { .. }
            ),
            into: side(&into),
            from: side(&from),
        }
    }
}
