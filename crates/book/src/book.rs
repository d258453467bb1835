//! One crew book on one device: writing records, taking in other devices' changes.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{
    AboutError, AppendError, DocumentId, Ledger, LoggedChange, Received, Record, RecordId, Vector,
    Writer,
};
use gravelbar_visit::PersonName;
use serde::Deserialize;

use crate::founding::{DeviceKey, Founding, FoundingError};
use crate::record::{
    DocumentIdText, Entry, Fact, FactError, Reach, Revoke, RosterEntry, Seen, TextDigest,
};
use crate::roster::{Effect, Roster, RosterFact};
use crate::view::View;

/// The book's document with its records parsed once each.
pub struct Book {
    ledger: Ledger,
    founding: Founding,
    seen: Vec<Seen>,
    unreadable: Vec<(RecordId, Option<String>)>,
    /// The texts of roster entries.
    digests: HashMap<RecordId, TextDigest>,
    roster: Roster,
}

/// A crew book that can't be opened.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OpenError {
    /// The founding text is not usable here.
    #[error(transparent)]
    Founding(#[from] FoundingError),
    /// The document can't be made from it.
    #[error("the crew book can't be opened: {0}")]
    Document(#[from] AboutError),
}

/// An act the book refuses; nothing was written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ActError {
    /// Nothing to write.
    #[error("there is nothing to write down")]
    Nothing,
    /// A record holds something that can't be kept.
    #[error(transparent)]
    Fact(#[from] FactError),
    /// Only a device that leads changes the roster.
    #[error("only the crew lead's device or the office's changes the roster: do it there")]
    NotEntitled,
    /// The entry comes after others than those that are here.
    #[error("the roster has changed meanwhile: look at it again, then repeat this")]
    RosterMoved,
    /// Nobody could change the roster any more.
    #[error(
        "after this no device could change the roster: first make another device the crew lead's"
    )]
    NoLeadLeft,
    /// The document can't take it.
    #[error("this can't be written down: {0}")]
    Document(#[from] AppendError),
}

/// What was written.
#[derive(Debug, Clone, PartialEq)]
pub struct Written {
    /// The change, to be stored before anyone is told that it is saved.
    pub change: Arc<LoggedChange>,
    /// The new records, in the order of the facts.
    pub records: Vec<RecordId>,
}

impl Book {
    /// A book with no records yet, the same on every device that knows how it was founded.
    ///
    /// # Errors
    ///
    /// [`OpenError`] when the founding can't be used.
    pub fn start(founding: Founding, writer: Writer) -> Result<Self, OpenError> {
        // A founding put together by hand passes the same checks as one that was read.
        let founding = Founding::from_about(&founding.about())?;
        let ledger = Ledger::create(&founding.about(), writer)?;
        Ok(Self::over(ledger, founding))
    }

    /// Opens a book from its text and the changes stored before.
    ///
    /// # Errors
    ///
    /// [`OpenError`] when the text begins no usable book. Changes that can't be used are returned
    /// beside the book, with reasons.
    pub fn restore(
        about: &str,
        writer: Writer,
        changes: impl IntoIterator<Item = Vec<u8>>,
    ) -> Result<(Self, Received), OpenError> {
        let founding = Founding::from_about(about)?;
        let (ledger, received) = Ledger::restore(about, writer, changes)?;
        let mut book = Self::over(ledger, founding);
        book.take(&received.applied);
        Ok((book, received))
    }

    fn over(ledger: Ledger, founding: Founding) -> Self {
        Self {
            ledger,
            roster: Roster::read(&founding, &[]),
            founding,
            seen: Vec::new(),
            unreadable: Vec::new(),
            digests: HashMap::new(),
        }
    }

    /// The document's name.
    #[must_use]
    pub fn id(&self) -> DocumentId {
        self.ledger.id()
    }

    /// How the book began.
    #[must_use]
    pub fn founding(&self) -> &Founding {
        &self.founding
    }

    /// The document's subject: the founding text as it was first written.
    #[must_use]
    pub fn about(&self) -> &str {
        self.ledger.about()
    }

    /// How far this device's copy reaches.
    #[must_use]
    pub fn vector(&self) -> &Vector {
        self.ledger.vector()
    }

    /// Changes that someone who has `than` lacks, causes before effects.
    #[must_use]
    pub fn missing(
        &self,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Vec<Arc<LoggedChange>> {
        self.ledger.missing(than, max_changes, max_bytes)
    }

    /// All changes, causes before effects.
    #[must_use]
    pub fn log(&self) -> &[Arc<LoggedChange>] {
        self.ledger.log()
    }

    /// The document's heads, sorted.
    #[must_use]
    pub fn heads(&self) -> Vec<String> {
        let heads = self.ledger.heads();
        heads.iter().map(ToString::to_string).collect()
    }

    /// The records in order by cause.
    #[must_use]
    pub fn records(&self) -> &[Seen] {
        &self.seen
    }

    /// Writes what one person did at one moment, all of it or nothing, as one change.
    ///
    /// # Errors
    ///
    /// [`ActError`] saying what can't be kept and what can be done.
    pub fn record(
        &mut self,
        by: &PersonName,
        at: DateTime<FixedOffset>,
        why: Option<&str>,
        facts: Vec<Fact>,
    ) -> Result<Written, ActError> {
        if facts.is_empty() {
            return Err(ActError::Nothing);
        }
        let why = why.map(str::trim).filter(|w| !w.is_empty());
        let mut bodies = Vec::with_capacity(facts.len());
        for what in facts {
            self.allow(&what)?;
            let entry = Entry {
                at,
                by: by.clone(),
                why: why.map(str::to_owned),
                what,
            };
            entry.check()?;
            bodies.push(serde_json::to_string(&entry).map_err(|_| ActError::Nothing)?);
        }
        let appended = self.ledger.append(&bodies, at.timestamp())?;
        self.take(std::slice::from_ref(&appended.change));
        Ok(Written {
            change: appended.change,
            records: appended.records,
        })
    }

    /// Takes in changes from elsewhere: whatever is good is applied, whatever isn't is returned
    /// with the reason.
    pub fn receive(&mut self, changes: Vec<Vec<u8>>) -> Received {
        let received = self.ledger.receive(changes);
        self.take(&received.applied);
        received
    }

    /// Which devices belong to the crew.
    #[must_use]
    pub fn roster(&self) -> &Roster {
        &self.roster
    }

    /// What all records here mean together.
    #[must_use]
    pub fn view(&self) -> View {
        View::read(
            &self.founding,
            self.heads(),
            &self.seen,
            &self.unreadable,
            self.roster.clone(),
        )
    }

    /// How far each run of a device reaches here, in records: where a revocation cuts that lets
    /// everything count that has arrived.
    #[must_use]
    pub fn reach_of(&self, device: DeviceKey) -> Reach {
        let mut reach = Reach::new();
        let written = self.ledger.records().map(|r| r.id);
        for id in written.filter(|id| id.writer.device == device.tag()) {
            let last = reach.entry(id.writer).or_default();
            *last = (*last).max(id.n);
        }
        reach
    }

    /// A revocation of `device` that lets count what of it is here, and of other documents what
    /// `others` says.
    #[must_use]
    pub fn revocation(
        &self,
        device: DeviceKey,
        others: impl IntoIterator<Item = (DocumentId, Reach)>,
    ) -> Revoke {
        let others = others
            .into_iter()
            .map(|(id, reach)| (DocumentIdText(id), reach));
        let mut cuts: BTreeMap<DocumentIdText, Reach> = others.collect();
        cuts.insert(DocumentIdText(self.id()), self.reach_of(device));
        Revoke { key: device, cuts }
    }

    /// Refuses what could only ever be without effect, and what would leave the crew without
    /// anybody who can change its roster.
    fn allow(&self, what: &Fact) -> Result<(), ActError> {
        let Fact::RosterEntry(entry) = what else {
            return Ok(());
        };
        let author = self.ledger.writer().device;
        if !self.roster.may_change(author) {
            return Err(ActError::NotEntitled);
        }
        let next = self.roster.next();
        if entry.epoch != next.epoch || entry.previous != next.previous {
            return Err(ActError::RosterMoved);
        }
        let lead_left = self
            .roster_with(entry)
            .live()
            .any(|d| d.office || d.roles.contains(&gravelbar_visit::Role::Lead));
        if lead_left {
            Ok(())
        } else {
            Err(ActError::NoLeadLeft)
        }
    }

    /// The roster as it would be with this entry of this device's.
    fn roster_with(&self, entry: &RosterEntry) -> Roster {
        let mut facts = roster_facts(&self.seen, &self.digests);
        let writer = self.ledger.writer();
        let own = self.ledger.records().filter(|r| r.id.writer == writer);
        let n = own.map(|r| r.id.n).max().unwrap_or(0).saturating_add(1);
        facts.push(RosterFact {
            id: RecordId { writer, n },
            digest: TextDigest([0; 32]),
            entry,
            clean: true,
        });
        Roster::read(&self.founding, &facts)
    }

    /// Takes in changes that the ledger has just taken in.
    fn take(&mut self, changes: &[Arc<LoggedChange>]) {
        let mut roster_moved = false;
        for change in changes {
            for record in change.record_ids().filter_map(|id| self.ledger.record(id)) {
                let Record { id, lamport, .. } = *record;
                match serde_json::from_str::<Entry>(&record.body) {
                    Ok(entry) => {
                        if matches!(entry.what, Fact::RosterEntry(_)) {
                            self.digests.insert(id, TextDigest::of(&record.body));
                            roster_moved = true;
                        }
                        self.seen.push(Seen { id, lamport, entry });
                    }
                    Err(_) => self.unreadable.push((id, kind_of(&record.body))),
                }
            }
        }
        self.seen.sort_by_key(|s| (s.lamport, s.id));
        self.unreadable.sort();
        if roster_moved {
            self.roster = Roster::read(&self.founding, &roster_facts(&self.seen, &self.digests));
        }
    }

    /// What became of a roster entry.
    #[must_use]
    pub fn effect(&self, entry: RecordId) -> Option<Effect> {
        let line = self.roster.lines.iter().find(|line| line.record == entry);
        line.map(|line| line.effect)
    }
}

fn roster_facts<'s>(
    seen: &'s [Seen],
    digests: &HashMap<RecordId, TextDigest>,
) -> Vec<RosterFact<'s>> {
    seen.iter()
        .filter_map(|seen| match &seen.entry.what {
            Fact::RosterEntry(entry) => Some(RosterFact {
                id: seen.id,
                digest: *digests.get(&seen.id)?,
                entry,
                clean: seen.entry.check().is_ok(),
            }),
            _ => None,
        })
        .collect()
}

/// The kind a record calls itself, where its text is an object with exactly one named thing in
/// `what`.
fn kind_of(body: &str) -> Option<String> {
    #[derive(Deserialize)]
    struct Kinds {
        what: BTreeMap<String, serde::de::IgnoredAny>,
    }
    let kinds: Kinds = serde_json::from_str(body).ok()?;
    let mut kinds = kinds.what.into_keys();
    kinds.next().filter(|_| kinds.next().is_none())
}
