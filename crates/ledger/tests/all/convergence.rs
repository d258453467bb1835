//! Any histories, met in any order: the same heads, the same records, the same file.

use std::collections::BTreeMap;

use gravelbar_ledger::{Ledger, RecordId, Writer};
use proptest::prelude::*;

use crate::craft::{ABOUT, DAY_S, Dice, bytes_of, hand_over, writer};

#[derive(Debug, Clone)]
enum Step {
    /// A device writes this many records in one change.
    Append { device: usize, records: usize },
    /// One device gets what it lacks of another, up to a limit, in any order, some of it twice.
    Hear {
        from: usize,
        to: usize,
        most: usize,
        order: u64,
    },
    /// A device starts again from its log, read back in any order, as a new session.
    Restart { device: usize, order: u64 },
}

fn step(devices: usize) -> impl Strategy<Value = Step> {
    let device = 0..devices;
    prop_oneof![
        4 => (device.clone(), prop_oneof![9 => 1_usize..4, 1 => 100_usize..200])
            .prop_map(|(device, records)| Step::Append { device, records }),
        4 => (device.clone(), device.clone(), 1_usize..30, any::<u64>())
            .prop_map(|(from, to, most, order)| Step::Hear { from, to, most, order }),
        1 => (device, any::<u64>()).prop_map(|(device, order)| Step::Restart { device, order }),
    ]
}

fn history() -> impl Strategy<Value = (usize, Vec<Step>)> {
    (2_usize..6).prop_flat_map(|devices| {
        let steps = proptest::collection::vec(step(devices), 1..60);
        (Just(devices), steps)
    })
}

struct Crew {
    ledgers: Vec<Ledger>,
    sessions: Vec<u8>,
    written: BTreeMap<RecordId, String>,
}

fn name(device: usize, session: u8) -> Writer {
    writer(u8::try_from(device).unwrap(), session)
}

impl Crew {
    fn new(devices: usize) -> Self {
        Self {
            ledgers: (0..devices)
                .map(|device| Ledger::create(ABOUT, name(device, 0)).unwrap())
                .collect(),
            sessions: vec![0; devices],
            written: BTreeMap::new(),
        }
    }

    fn act(&mut self, step: &Step) -> Result<(), TestCaseError> {
        match *step {
            Step::Append { device, records } => {
                let bodies: Vec<_> = (0..records)
                    .map(|n| format!("{device} {} {n}", self.written.len()))
                    .collect();
                let ledger = &mut self.ledgers[device];
                let seen = ledger.records().map(|record| record.lamport).max();
                let appended = ledger
                    .append(&bodies, DAY_S - 1_000 * device as i64)
                    .unwrap();
                for (id, body) in appended.records.iter().zip(bodies) {
                    let lamport = ledger.record(*id).map(|record| record.lamport);
                    prop_assert!(lamport > seen, "{lamport:?} comes after all it has seen");
                    prop_assert_eq!(self.written.insert(*id, body), None);
                }
            }
            Step::Hear {
                from,
                to,
                most,
                order,
            } => {
                let news = self.ledgers[from].missing(self.ledgers[to].vector(), most, 20_000);
                let mut bytes = bytes_of(&news);
                let mut dice = Dice(order);
                let again = dice.below(bytes.len() + 1);
                bytes.extend_from_within(..again);
                dice.shuffle(&mut bytes);
                let received = self.ledgers[to].receive(bytes);
                prop_assert_eq!(received.applied.len(), news.len());
                prop_assert_eq!(received.duplicates, again);
                prop_assert!(received.refused.is_empty() && received.waiting.is_empty());
            }
            Step::Restart { device, order } => {
                let mut log = bytes_of(self.ledgers[device].log());
                Dice(order).shuffle(&mut log);
                self.sessions[device] += 1;
                let session = name(device, self.sessions[device]);
                let (again, received) = Ledger::restore(ABOUT, session, log).unwrap();
                let before = &self.ledgers[device];
                prop_assert_eq!(received.applied.len(), before.log().len());
                prop_assert_eq!(again.heads(), before.heads());
                prop_assert!(again.records().eq(before.records()));
                self.ledgers[device] = again;
            }
        }
        Ok(())
    }

    /// All hear of everything: one gathers, then all hear from it.
    fn meet(&mut self) {
        let (first, rest) = self.ledgers.split_first_mut().unwrap();
        for other in rest.iter() {
            hand_over(other, first);
        }
        for other in rest {
            hand_over(first, other);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn any_histories_come_together((devices, steps) in history()) {
        let mut crew = Crew::new(devices);
        for step in &steps {
            crew.act(step)?;
        }
        crew.meet();
        for ledger in &mut crew.ledgers {
            ledger.verify().unwrap();
        }
        let first = &crew.ledgers[0];
        let held: BTreeMap<_, _> = first
            .records()
            .map(|record| (record.id, record.body.to_string()))
            .collect();
        prop_assert_eq!(&held, &crew.written, "every record once, none lost, none changed");
        for other in &crew.ledgers[1..] {
            prop_assert_eq!(other.heads(), first.heads());
            prop_assert_eq!(other.vector(), first.vector());
            prop_assert!(other.records().eq(first.records()));
            prop_assert_eq!(other.save().unwrap(), first.save().unwrap());
        }
    }

    /// What heads cover is what a ledger of that history holds.
    #[test]
    fn heads_cover_what_their_history_holds((devices, steps) in history(), cut in any::<prop::sample::Index>()) {
        let mut crew = Crew::new(devices);
        let cut = cut.index(steps.len());
        for step in &steps[..cut] {
            crew.act(step)?;
        }
        let signed: Vec<_> = crew
            .ledgers
            .iter()
            .map(|ledger| {
                let records: Vec<_> = ledger.records().map(|record| record.id).collect();
                (ledger.heads(), ledger.vector().clone(), records)
            })
            .collect();
        for step in &steps[cut..] {
            crew.act(step)?;
        }
        crew.meet();
        let all = &crew.ledgers[0];
        for (heads, vector, records) in signed {
            prop_assert_eq!(all.vector_at(&heads).unwrap(), vector);
            let covered = all.records_at(&heads).unwrap();
            let found: Vec<_> = (all.records().map(|record| record.id))
                .filter(|id| covered.contains(*id))
                .collect();
            prop_assert_eq!(found, records);
        }
    }
}
