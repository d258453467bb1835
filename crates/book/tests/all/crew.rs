//! A crew of devices with a copy of the book each, honest and otherwise, that act apart and meet.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset};
use gravelbar_book::{
    Accept, Book, DeviceKey, DocumentIdText, Entry, Fact, Founding, Grant, GrantName, Link,
    RosterEntry, TextDigest, Validity,
};
use gravelbar_ledger::{DeviceTag, Ledger, RecordId, Session, Writer};
use gravelbar_visit::{PersonName, Role};
use proptest::prelude::*;

pub(crate) const DEVICES: u8 = 4;

pub(crate) fn key(device: u8) -> DeviceKey {
    DeviceKey([device + 1; 32])
}

pub(crate) fn tag(device: u8) -> DeviceTag {
    key(device).tag()
}

pub(crate) fn founding() -> Founding {
    Founding::new("Quillet crew", key(0), [9; 16]).unwrap()
}

pub(crate) fn at() -> DateTime<FixedOffset> {
    "2026-08-18T08:10:00-04:00".parse().unwrap()
}

pub(crate) fn name(text: &str) -> PersonName {
    PersonName::new(text).unwrap()
}

pub(crate) fn writer(device: u8, session: u64) -> Writer {
    Writer {
        device: tag(device),
        session: Session(session.to_be_bytes()),
    }
}

/// One thing that happens.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    pub(crate) what: What,
    pub(crate) who: u8,
    pub(crate) whom: u8,
    /// Picks among what there is.
    pub(crate) pick: u8,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum What {
    /// `whom` takes in what `who` has.
    Meet,
    /// `who` gives `whom` the right to lead, or another role.
    Grant,
    /// `who` takes a grant back.
    Withdraw,
    /// `who` shuts `whom` out, at what is known or earlier.
    Revoke,
    /// `who` settles all that is pending.
    Keep,
    /// `who` accepts what is held of a revoked device.
    Accept,
    /// `who` writes as if it had heard nothing since some point, whatever it may.
    Stale,
    /// `who` writes on a history that isn't one.
    Forged,
}

pub(crate) fn steps(most: usize) -> impl Strategy<Value = Vec<Step>> {
    let what = prop_oneof![
        6 => Just(What::Meet),
        5 => Just(What::Grant),
        2 => Just(What::Withdraw),
        2 => Just(What::Revoke),
        2 => Just(What::Keep),
        1 => Just(What::Accept),
        4 => Just(What::Stale),
        1 => Just(What::Forged),
    ];
    let step =
        (what, 0..DEVICES, 0..DEVICES, any::<u8>()).prop_map(|(what, who, whom, pick)| Step {
            what,
            who,
            whom,
            pick,
        });
    prop::collection::vec(step, 1..most)
}

/// The crew's copies.
pub(crate) struct Crew {
    pub(crate) books: Vec<Book>,
    sessions: u64,
}

pub(crate) fn grant(whom: u8, roles: Vec<Role>) -> Grant {
    Grant {
        key: key(whom),
        person: name(&format!("Person {whom}")),
        roles,
        office: false,
        valid: Validity::default(),
    }
}

impl Crew {
    pub(crate) fn new() -> Self {
        let books = (0..DEVICES)
            .map(|device| Book::start(founding(), writer(device, 0)).unwrap())
            .collect();
        Self { books, sessions: 0 }
    }

    /// With two who lead and one who doesn't.
    pub(crate) fn set_up() -> Self {
        let mut crew = Self::new();
        for (whom, roles) in [(1, vec![Role::Lead]), (2, vec![Role::Netter])] {
            let mut entry = crew.book(0).roster().next();
            entry.grant = Some(grant(whom, roles));
            crew.say(0, entry).unwrap();
        }
        crew.meet_all();
        crew
    }

    pub(crate) fn book(&self, device: u8) -> &Book {
        &self.books[usize::from(device)]
    }

    pub(crate) fn meet(&mut self, from: u8, to: u8) {
        let than = self.book(to).vector().clone();
        let news = self.book(from).missing(&than, 10_000, usize::MAX);
        let news = news.iter().map(|c| c.bytes.to_vec()).collect();
        let received = self.books[usize::from(to)].receive(news);
        assert!(received.refused.is_empty() && received.waiting.is_empty());
    }

    pub(crate) fn meet_all(&mut self) {
        for from in 0..DEVICES {
            self.meet(from, 0);
        }
        for to in 1..DEVICES {
            self.meet(0, to);
        }
    }

    /// As the program does it; nothing if it refuses.
    pub(crate) fn say(&mut self, who: u8, fact: impl Into<Fact>) -> Option<RecordId> {
        let book = &mut self.books[usize::from(who)];
        let written = book.record(&name("Somebody"), at(), None, vec![fact.into()]);
        written.ok().map(|w| w.records[0])
    }

    /// Past all checks, by a run of its own.
    pub(crate) fn force(&mut self, who: u8, fact: impl Into<Fact>) {
        let entry = Entry {
            at: at(),
            by: name("Somebody"),
            why: None,
            what: fact.into(),
        };
        self.force_text(who, &serde_json::to_string(&entry).unwrap());
    }

    /// Any text at all.
    pub(crate) fn force_text(&mut self, who: u8, body: &str) {
        self.sessions += 1;
        let log = self.book(who).log().iter().map(|c| c.bytes.to_vec());
        let (mut ledger, _) = Ledger::restore(
            self.book(who).about(),
            writer(who, self.sessions),
            log.collect::<Vec<_>>(),
        )
        .unwrap();
        let appended = ledger.append(&[body.to_owned()], at().timestamp()).unwrap();
        self.books[usize::from(who)].receive(vec![appended.change.bytes.to_vec()]);
    }

    pub(crate) fn take(&mut self, step: Step) {
        let Step {
            what,
            who,
            whom,
            pick,
        } = step;
        match what {
            What::Meet => self.meet(who, whom),
            What::Stale => {
                let mut entry = self.stale(who, pick);
                self.fill(who, whom, pick.rotate_left(3), &mut entry);
                self.force(who, entry);
            }
            What::Forged => {
                let mut entry = self.book(who).roster().next();
                if let Some(link) = entry.previous.first_mut() {
                    link.digest = TextDigest([pick; 32]);
                } else {
                    entry.epoch = u32::from(pick);
                }
                entry.grant = Some(grant(whom, vec![Role::Lead]));
                self.force(who, entry);
            }
            honest => {
                let mut entry = self.book(who).roster().next();
                self.fill_as(honest, who, whom, pick, &mut entry);
                self.say(who, entry);
            }
        }
    }

    /// An entry that comes after one entry picked from what is here, or after none.
    fn stale(&self, who: u8, pick: u8) -> RosterEntry {
        let mut lines: Vec<(RecordId, &RosterEntry)> = entries(self.book(who));
        // Mostly what is nearly new.
        if !pick.is_multiple_of(5) {
            lines = lines.split_off(lines.len().saturating_sub(2));
        }
        let picked = usize::from(pick) % (lines.len() + 1);
        match picked.checked_sub(1).and_then(|place| lines.get(place)) {
            Some((record, entry)) => RosterEntry {
                epoch: entry.epoch.saturating_add(1),
                previous: vec![Link {
                    record: *record,
                    digest: digest(self.book(who), *record),
                }],
                ..RosterEntry::default()
            },
            None => RosterEntry {
                epoch: 1,
                ..RosterEntry::default()
            },
        }
    }

    fn fill(&self, who: u8, whom: u8, pick: u8, entry: &mut RosterEntry) {
        let what = [
            What::Grant,
            What::Grant,
            What::Revoke,
            What::Withdraw,
            What::Keep,
        ];
        self.fill_as(what[usize::from(pick) % 5], who, whom, pick / 5, entry);
    }

    fn fill_as(&self, what: What, who: u8, whom: u8, pick: u8, entry: &mut RosterEntry) {
        let book = self.book(who);
        let grants: Vec<GrantName> = std::iter::once(GrantName::Founder)
            .chain(
                entries(book)
                    .into_iter()
                    .filter(|(_, e)| e.grant.is_some())
                    .map(|(id, _)| GrantName::Entry(id)),
            )
            .collect();
        match what {
            What::Grant => {
                let roles = if pick.is_multiple_of(4) {
                    vec![Role::Netter]
                } else {
                    vec![Role::Lead]
                };
                entry.grant = Some(grant(whom, roles));
            }
            What::Withdraw => entry.withdraw = vec![grants[usize::from(pick) % grants.len()]],
            What::Revoke => {
                let mut revoke = book.revocation(key(whom), []);
                // Shut out from some point before what is known, or from the very beginning.
                if pick.is_multiple_of(3) {
                    revoke.cuts = BTreeMap::new();
                } else if pick % 3 == 1 {
                    let cuts = revoke.cuts.get_mut(&DocumentIdText(book.id())).unwrap();
                    for last in cuts.values_mut() {
                        *last = last.saturating_sub(1);
                    }
                }
                entry.revoke = Some(revoke);
            }
            What::Keep => {
                let alarms = book.roster().alarms.iter();
                entry.keep = alarms.map(|a| GrantName::Entry(a.grant)).collect();
                if entry.keep.is_empty() {
                    entry.keep = grants.into_iter().skip(1).take(3).collect();
                }
            }
            What::Accept => {
                let revoked = entries(book)
                    .into_iter()
                    .filter(|(_, e)| e.revoke.is_some());
                let revoked: Vec<_> = revoked.collect();
                if let Some((id, e)) = revoked.get(usize::from(pick) % revoked.len().max(1)) {
                    let device = e.revoke.as_ref().unwrap().key;
                    entry.accept = Some(Accept {
                        of: vec![*id],
                        document: book.id(),
                        last: book.reach_of(device),
                    });
                }
            }
            What::Meet | What::Stale | What::Forged => {}
        }
    }
}

/// All roster entries here, in order by cause.
pub(crate) fn entries(book: &Book) -> Vec<(RecordId, &RosterEntry)> {
    (book.records().iter())
        .filter_map(|seen| match &seen.entry.what {
            Fact::RosterEntry(entry) => Some((seen.id, entry)),
            _ => None,
        })
        .collect()
}

/// Of the text of a record, written again.
pub(crate) fn digest(book: &Book, record: RecordId) -> TextDigest {
    let seen = book.records().iter().find(|s| s.id == record).unwrap();
    TextDigest::of(&serde_json::to_string(&seen.entry).unwrap())
}

/// The entries here with the digests of their texts.
pub(crate) fn facts(book: &Book) -> BTreeMap<RecordId, (TextDigest, RosterEntry)> {
    entries(book)
        .into_iter()
        .map(|(id, entry)| (id, (digest(book, id), entry.clone())))
        .collect()
}
