//! A crew for tests: devices that record, meet, part and start again, each with its own clock.

pub(crate) mod pair;

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_ledger::Ledger;
use gravelbar_visit::{
    ActError, DeviceTag, Fact, PersonName, Plan, Received, RecordId, Session, View, Visit, Writer,
    Written,
};

/// Three passes at the invented site, one line ticked by each person and one for the crew.
pub(crate) const PLAN: &str = r#"{"version":1,"site":"QB-03","place":"Quillet Brook, Lower Hollow","date":"2026-08-18","passes":3,"species":[{"name":"brook trout"},{"name":"slimy sculpin"}],"checklist":[{"item":"gloves","words":"rubber gloves whole and on","each_person":true},{"item":"first_aid","words":"first-aid kit on the bank","each_person":false}]}"#;

pub(crate) fn plan() -> Plan {
    Plan::from_about(PLAN).unwrap()
}

pub(crate) fn person(name: &str) -> PersonName {
    PersonName::new(name).unwrap()
}

/// One member's device.
pub(crate) struct Device {
    pub(crate) visit: Visit,
    /// Whoever holds it.
    pub(crate) holder: PersonName,
    pub(crate) tag: DeviceTag,
    /// How far its clock is ahead of the crew's time.
    pub(crate) ahead: TimeDelta,
}

/// Devices of one visit, and the true time.
pub(crate) struct Crew {
    pub(crate) devices: Vec<Device>,
    pub(crate) now: DateTime<FixedOffset>,
    sessions: u64,
}

impl Crew {
    /// One device for each name, all with the same plan.
    pub(crate) fn with(plan: &Plan, holders: &[&str]) -> Self {
        let tags: Vec<DeviceTag> = (1..=u8::MAX).map(|n| DeviceTag([n; 8])).collect();
        Self::with_tags(plan, holders, &tags)
    }

    pub(crate) fn with_tags(plan: &Plan, holders: &[&str], tags: &[DeviceTag]) -> Self {
        let mut crew = Self {
            devices: Vec::new(),
            now: "2026-08-18T08:10:00-04:00".parse().unwrap(),
            sessions: 0,
        };
        for (holder, tag) in holders.iter().zip(tags) {
            let writer = crew.writer(*tag);
            crew.devices.push(Device {
                visit: Visit::start(plan.clone(), writer).unwrap(),
                holder: person(holder),
                tag: *tag,
                ahead: TimeDelta::zero(),
            });
        }
        crew
    }

    /// A crew whose people have joined on the first device, which everyone has met. The first is
    /// crew lead.
    pub(crate) fn joined(holders: &[&str]) -> Self {
        let mut crew = Self::with(&plan(), holders);
        let mut facts: Vec<Fact> = holders
            .iter()
            .map(|name| {
                gravelbar_visit::Joined {
                    person: person(name),
                }
                .into()
            })
            .collect();
        facts.push(
            gravelbar_visit::RoleTaken {
                person: person(holders[0]),
                role: gravelbar_visit::Role::Lead,
            }
            .into(),
        );
        crew.act(0, None, facts).unwrap();
        crew.meet_all();
        crew
    }

    /// Names no two starts of the program alike.
    fn writer(&mut self, device: DeviceTag) -> Writer {
        self.sessions += 1;
        let mixed = self.sessions.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        Writer {
            device,
            session: Session(mixed.to_be_bytes()),
        }
    }

    /// The holder of a device records.
    pub(crate) fn act(
        &mut self,
        device: usize,
        why: Option<&str>,
        facts: Vec<Fact>,
    ) -> Result<Written, ActError> {
        let by = self.devices[device].holder.clone();
        self.act_as(device, &by, why, facts)
    }

    /// Someone records on a device.
    pub(crate) fn act_as(
        &mut self,
        device: usize,
        by: &PersonName,
        why: Option<&str>,
        facts: Vec<Fact>,
    ) -> Result<Written, ActError> {
        self.now += TimeDelta::seconds(7);
        let device = &mut self.devices[device];
        device.visit.record(by, self.now + device.ahead, why, facts)
    }

    /// [`Self::act`] of one fact with a reason.
    pub(crate) fn one(&mut self, device: usize, fact: impl Into<Fact>) -> RecordId {
        let written = self.act(device, Some("as agreed on the bank"), vec![fact.into()]);
        written.unwrap().records[0]
    }

    /// Writes bodies that the visit itself would refuse, as another program on the device might.
    pub(crate) fn forge(&mut self, device: usize, bodies: &[String]) -> Vec<RecordId> {
        let writer = self.writer(self.devices[device].tag);
        let visit = &mut self.devices[device].visit;
        let (mut ledger, _) = Ledger::restore(visit.about(), writer, changes(visit)).unwrap();
        let appended = ledger.append(bodies, 1_787_000_000).unwrap();
        let received = visit.receive(vec![appended.change.bytes.to_vec()]);
        assert_eq!(received.applied.len(), 1, "{received:?}");
        appended.records
    }

    /// Gives a device what another has and it lacks.
    pub(crate) fn give(&mut self, from: usize, to: usize) -> Received {
        let lacking = (self.devices[from].visit).missing(
            self.devices[to].visit.vector(),
            usize::MAX,
            usize::MAX,
        );
        let bytes = lacking.iter().map(|change| change.bytes.to_vec()).collect();
        let received = self.devices[to].visit.receive(bytes);
        assert!(received.refused.is_empty() && received.waiting.is_empty());
        received
    }

    /// Two devices exchange all they have.
    pub(crate) fn meet(&mut self, one: usize, other: usize) {
        self.give(one, other);
        self.give(other, one);
    }

    /// Everyone meets until all have everything.
    pub(crate) fn meet_all(&mut self) {
        for device in 1..self.devices.len() {
            self.meet(0, device);
        }
        for device in 1..self.devices.len() {
            self.meet(0, device);
        }
    }

    /// The program on a device ends and starts again from what was stored.
    pub(crate) fn restart(&mut self, device: usize) {
        let writer = self.writer(self.devices[device].tag);
        let device = &mut self.devices[device];
        let (visit, received) =
            Visit::restore(device.visit.about(), writer, changes(&device.visit)).unwrap();
        assert!(received.refused.is_empty() && received.waiting.is_empty());
        device.visit = visit;
    }

    pub(crate) fn view(&self, device: usize) -> View {
        self.devices[device].visit.view()
    }

    /// The view once all have met, which must be the same on every device.
    pub(crate) fn everywhere(&mut self) -> View {
        self.meet_all();
        let view = self.view(0);
        for device in 1..self.devices.len() {
            assert_eq!(text(&self.view(device)), text(&view));
        }
        view
    }
}

/// A device's stored changes.
pub(crate) fn changes(visit: &Visit) -> Vec<Vec<u8>> {
    visit
        .log()
        .iter()
        .map(|change| change.bytes.to_vec())
        .collect()
}

/// A view to the byte.
pub(crate) fn text(view: &View) -> String {
    serde_json::to_string(view).unwrap()
}
