//! Two documents of one visit on the same devices: recorded in, met over, joined, brought.

use chrono::{DateTime, FixedOffset, TimeDelta};
use gravelbar_visit::{
    ActError, DeviceTag, DocumentId, Fact, PersonName, Plan, RecordId, Session, View, Visit,
    Writer, Written,
};

use super::{PLAN, changes, person};

/// One member's device with its copies of the two documents, the one with the lower id first.
pub(crate) struct Holder {
    pub(crate) visits: [Visit; 2],
    pub(crate) holder: PersonName,
    pub(crate) tag: DeviceTag,
}

/// Devices that all hold both documents, as far as each has heard.
pub(crate) struct Pair {
    pub(crate) devices: Vec<Holder>,
    pub(crate) now: DateTime<FixedOffset>,
    sessions: u64,
}

/// The plan of the tests, made up on the spot.
pub(crate) fn made_up(nonce: &str) -> Plan {
    let mut plan = Plan::from_about(PLAN).unwrap();
    nonce.clone_into(&mut plan.nonce);
    plan
}

/// Plans made up on the spot, by the id of the visit.
pub(crate) fn plans(count: usize) -> Vec<Plan> {
    let mut plans: Vec<Plan> = (0..count).map(|n| made_up(&format!("{n:04}"))).collect();
    plans.sort_by_key(Plan::document_id);
    plans
}

impl Pair {
    /// One device for each name.
    pub(crate) fn with(holders: &[&str]) -> Self {
        Self::of([plans(2).remove(0), plans(2).remove(1)], holders)
    }

    pub(crate) fn of(plans: [Plan; 2], holders: &[&str]) -> Self {
        let mut pair = Self {
            devices: Vec::new(),
            now: "2026-08-18T08:10:00-04:00".parse().unwrap(),
            sessions: 0,
        };
        for (n, holder) in (1_u8..).zip(holders) {
            let tag = DeviceTag([n; 8]);
            let visits = plans.clone().map(|plan| {
                let writer = pair.writer(tag);
                Visit::start(plan, writer).unwrap()
            });
            pair.devices.push(Holder {
                visits,
                holder: person(holder),
                tag,
            });
        }
        pair
    }

    fn writer(&mut self, device: DeviceTag) -> Writer {
        self.sessions += 1;
        let mixed = self.sessions.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        Writer {
            device,
            session: Session(mixed.to_be_bytes()),
        }
    }

    pub(crate) fn id(&self, visit: usize) -> DocumentId {
        self.devices[0].visits[visit].id()
    }

    pub(crate) fn act_as(
        &mut self,
        device: usize,
        visit: usize,
        by: &PersonName,
        facts: Vec<Fact>,
    ) -> Result<Written, ActError> {
        self.now += TimeDelta::seconds(7);
        let visit = &mut self.devices[device].visits[visit];
        visit.record(by, self.now, Some("as agreed on the bank"), facts)
    }

    /// The holder of a device records in one of the visits.
    pub(crate) fn one(&mut self, device: usize, visit: usize, fact: impl Into<Fact>) -> RecordId {
        let by = self.devices[device].holder.clone();
        let written = self.act_as(device, visit, &by, vec![fact.into()]);
        written.unwrap().records[0]
    }

    /// Brings all that the device holds of the second visit into the first, where it is joined.
    pub(crate) fn bring(&mut self, device: usize) -> Vec<Written> {
        self.now += TimeDelta::seconds(1);
        let Holder { visits, holder, .. } = &mut self.devices[device];
        let [into, from] = visits;
        let mut written = Vec::new();
        loop {
            let more = into.bring(from, holder, self.now).unwrap();
            if more.is_empty() {
                assert!(!into.lacks_of(from));
                return written;
            }
            written.extend(more);
        }
    }

    fn give(&mut self, from: usize, to: usize, visit: usize) {
        let lacking = self.devices[from].visits[visit].missing(
            self.devices[to].visits[visit].vector(),
            usize::MAX,
            usize::MAX,
        );
        let bytes = lacking.iter().map(|change| change.bytes.to_vec()).collect();
        let received = self.devices[to].visits[visit].receive(bytes);
        assert!(received.refused.is_empty() && received.waiting.is_empty());
    }

    pub(crate) fn meet(&mut self, one: usize, other: usize, visit: usize) {
        self.give(one, other, visit);
        self.give(other, one, visit);
    }

    pub(crate) fn meet_all(&mut self) {
        for _round in 0..2 {
            for device in 1..self.devices.len() {
                self.meet(0, device, 0);
                self.meet(0, device, 1);
            }
        }
    }

    pub(crate) fn restart(&mut self, device: usize) {
        for visit in 0..2 {
            let writer = self.writer(self.devices[device].tag);
            let old = &self.devices[device].visits[visit];
            let (new, received) = Visit::restore(old.about(), writer, changes(old)).unwrap();
            assert!(received.refused.is_empty() && received.waiting.is_empty());
            self.devices[device].visits[visit] = new;
        }
    }

    /// Everyone meets and brings until nobody lacks anything.
    pub(crate) fn settle(&mut self) {
        self.meet_all();
        for device in 0..self.devices.len() {
            self.bring(device);
        }
        self.meet_all();
    }

    pub(crate) fn view(&self, device: usize, visit: usize) -> View {
        self.devices[device].visits[visit].view()
    }
}
