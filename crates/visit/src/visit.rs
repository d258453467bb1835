//! One visit on one device: writing records, taking in other devices' changes, reading it all.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{
    AboutError, AppendError, DocumentId, Ledger, LoggedChange, Received, Record, RecordId,
    UnknownHeadsError, Vector, Writer,
};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::names::PersonName;
use crate::plan::{Plan, PlanError};
use crate::record::{Entry, Fact, FactError, Signature};
use crate::view::{Causality, Heading, HistoryLine, Past, Seen, Unreadable, View, life_of};

/// The visit's document with its records parsed once each.
pub struct Visit {
    ledger: Ledger,
    plan: Plan,
    seen: Vec<Seen>,
    unreadable: Vec<Unreadable>,
    /// What each author had seen; never changes once a record is written.
    pasts: RefCell<BTreeMap<RecordId, Past>>,
}

/// A visit that can't be opened.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OpenError {
    /// The plan is not usable here.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The document can't be made from it.
    #[error("the visit can't be opened: {0}")]
    Document(#[from] AboutError),
}

/// An act the visit refuses; nothing was written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ActError {
    /// Nothing to write.
    #[error("there is nothing to record")]
    Nothing,
    /// A record holds something that can't be kept.
    #[error(transparent)]
    Fact(#[from] FactError),
    /// A record is named that isn't on this device.
    #[error("record {0} isn't on this device yet: meet the device that made it, then try again")]
    UnknownRecord(RecordId),
    /// The plan's checklist has no such line.
    #[error("the checklist has no line “{0}”")]
    UnknownItem(String),
    /// A person can only tick their own lines.
    #[error("each person ticks alone: hand the device to {0} or let them use their own")]
    TickForSomeoneElse(String),
    /// Only some may clear a stop.
    #[error("only the crew lead or the safety lead clears a stop: {0} holds neither role here")]
    NotEntitled(PersonName),
    /// The document can't take it.
    #[error("this can't be recorded: {0}")]
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

impl Visit {
    /// A visit with no records yet, the same on every device that has this plan.
    ///
    /// # Errors
    ///
    /// [`OpenError`] when the plan can't be used.
    ///
    /// # Examples
    ///
    /// ```
    /// use gravelbar_visit::{Fact, Joined, PersonName, Plan, Visit, Writer};
    ///
    /// let plan = Plan::from_about(
    ///     r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3}"#,
    /// )?;
    /// let mut visit = Visit::start(plan, Writer::from_bytes([7; 16]))?;
    /// let mirelle = PersonName::new("Mirelle Ashgrove")?;
    /// let at = "2026-08-18T08:10:00-04:00".parse()?;
    /// visit.record(&mirelle, at, None, vec![Joined { person: mirelle.clone() }.into()])?;
    /// assert_eq!(visit.view().people.len(), 1);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    pub fn start(plan: Plan, writer: Writer) -> Result<Self, OpenError> {
        plan.check()?;
        let ledger = Ledger::create(&plan.about(), writer)?;
        Ok(Self::over(ledger, plan))
    }

    /// Opens a visit from its text and the changes stored before.
    ///
    /// # Errors
    ///
    /// [`OpenError`] when the text is no usable plan. Changes that can't be used are returned
    /// beside the visit, with reasons.
    pub fn restore(
        about: &str,
        writer: Writer,
        changes: impl IntoIterator<Item = Vec<u8>>,
    ) -> Result<(Self, Received), OpenError> {
        let plan = Plan::from_about(about)?;
        let (ledger, received) = Ledger::restore(about, writer, changes)?;
        let mut visit = Self::over(ledger, plan);
        let records: Vec<Record> = visit.ledger.records().cloned().collect();
        visit.take(records.iter());
        Ok((visit, received))
    }

    fn over(ledger: Ledger, plan: Plan) -> Self {
        Self {
            ledger,
            plan,
            seen: Vec::new(),
            unreadable: Vec::new(),
            pasts: RefCell::default(),
        }
    }

    /// The document's name.
    #[must_use]
    pub fn id(&self) -> DocumentId {
        self.ledger.id()
    }

    /// The plan.
    #[must_use]
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The document's subject: the plan's text as it was first written.
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

    /// The document's heads, hexadecimal, sorted.
    #[must_use]
    pub fn heads(&self) -> Vec<String> {
        self.ledger
            .heads()
            .iter()
            .map(ToString::to_string)
            .collect()
    }

    /// A signature on exactly what this device holds now.
    #[must_use]
    pub fn signature(&self, not_heard: Vec<String>) -> Signature {
        let heads = self.heads();
        Signature {
            digest: digest(&heads),
            heads,
            not_heard,
        }
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
        let mut bodies = Vec::with_capacity(facts.len());
        for what in facts {
            self.allow(by, &what)?;
            let entry = Entry {
                at,
                by: by.clone(),
                why: why
                    .map(str::trim)
                    .filter(|w| !w.is_empty())
                    .map(str::to_owned),
                what,
            };
            entry.check()?;
            bodies.push(serde_json::to_string(&entry).map_err(|_| ActError::Nothing)?);
        }
        let appended = self.ledger.append(&bodies, at.timestamp())?;
        let records: Vec<Record> = appended
            .records
            .iter()
            .filter_map(|id| self.ledger.record(*id).cloned())
            .collect();
        self.take(records.iter());
        Ok(Written {
            change: appended.change,
            records: appended.records,
        })
    }

    /// Takes in changes from elsewhere: whatever is good is applied, whatever isn't is returned
    /// with the reason.
    pub fn receive(&mut self, changes: Vec<Vec<u8>>) -> Received {
        let received = self.ledger.receive(changes);
        let records: Vec<Record> = received
            .applied
            .iter()
            .flat_map(|change| change.record_ids())
            .filter_map(|id| self.ledger.record(id).cloned())
            .collect();
        self.take(records.iter());
        received
    }

    /// What all records here mean together.
    #[must_use]
    pub fn view(&self) -> View {
        let heading = Heading {
            document: self.id(),
            heads: self.heads(),
            plan: &self.plan,
        };
        View::read(heading, &self.seen, &self.unreadable, self)
    }

    /// What the records covered by `heads` mean together: the visit as it was when they were its
    /// heads, such as at a signature.
    ///
    /// # Errors
    ///
    /// [`UnknownHeadsError`] when a head isn't on this device.
    pub fn view_at(&self, heads: &[String]) -> Result<View, UnknownHeadsError> {
        let Some(past) = self.past_at(heads) else {
            return Err(UnknownHeadsError {
                missing: heads.iter().filter_map(|h| h.parse().ok()).collect(),
            });
        };
        let seen: Vec<Seen> = self
            .seen
            .iter()
            .filter(|s| past.contains(s.id))
            .cloned()
            .collect();
        let unreadable: Vec<Unreadable> = self
            .unreadable
            .iter()
            .filter(|u| past.contains(u.id))
            .cloned()
            .collect();
        let heading = Heading {
            document: self.id(),
            heads: heads.to_vec(),
            plan: &self.plan,
        };
        Ok(View::read(heading, &seen, &unreadable, self))
    }

    /// The life of one record: what it was, who changed it, when and why.
    #[must_use]
    pub fn history(&self, id: RecordId) -> Vec<HistoryLine> {
        life_of(&self.seen, id)
    }

    /// The records in order by cause.
    #[must_use]
    pub fn records(&self) -> &[Seen] {
        &self.seen
    }

    fn take<'r>(&mut self, records: impl Iterator<Item = &'r Record>) {
        for record in records {
            match serde_json::from_str::<Entry>(&record.body) {
                Ok(entry) => self.seen.push(Seen {
                    id: record.id,
                    lamport: record.lamport,
                    entry,
                }),
                Err(_) => self.unreadable.push(Unreadable {
                    id: record.id,
                    lamport: record.lamport,
                    kind: kind_of(&record.body),
                }),
            }
        }
        self.seen.sort_by_key(|s| (s.lamport, s.id));
        self.unreadable.sort_by_key(|u| (u.lamport, u.id));
    }

    fn known(&self, ids: &[RecordId]) -> Result<(), ActError> {
        ids.iter()
            .find(|id| self.ledger.record(**id).is_none())
            .map_or(Ok(()), |id| Err(ActError::UnknownRecord(*id)))
    }

    /// Refuses what could only ever be without effect, so that a person learns it at once.
    fn allow(&self, by: &PersonName, what: &Fact) -> Result<(), ActError> {
        match what {
            Fact::Undo(undo) => self.known(&[undo.of]),
            Fact::Amend(amend) => {
                self.known(&amend.of)?;
                self.known(&amend.replaces)
            }
            Fact::Void(void) => {
                self.known(&[void.of])?;
                self.known(&void.seen)
            }
            Fact::Restore(restore) => self.known(&restore.voids),
            Fact::SameThing(same) => self.known(&same.records),
            Fact::Counter(counter) => self.known(&counter.replaces),
            Fact::ReachLength(length) => self.known(&length.replaces),
            Fact::Death(death) => self.known(death.fish.as_slice()),
            Fact::Left(left) => self.known(&left.seen),
            Fact::EnergiserOff(off) => self.known(&off.stops),
            Fact::AcceptLate(accept) => self.known(&accept.records),
            Fact::Reopen(reopen) => self.known(&[reopen.signature]),
            Fact::Untick(untick) => self.line(&untick.item).map(|_| ()),
            Fact::Tick(tick) => {
                self.known(&tick.clears)?;
                self.known(&tick.round)?;
                let own = if self.line(&tick.item)? {
                    tick.person.as_ref() == Some(by)
                } else {
                    tick.person.is_none()
                };
                if own {
                    Ok(())
                } else {
                    Err(ActError::TickForSomeoneElse(
                        tick.person
                            .as_ref()
                            .map_or_else(|| "that person".to_owned(), ToString::to_string),
                    ))
                }
            }
            Fact::Clear(clear) => {
                self.known(&clear.stops)?;
                if crate::view::may_clear_now(&self.seen, by) {
                    Ok(())
                } else {
                    Err(ActError::NotEntitled(by.clone()))
                }
            }
            _ => Ok(()),
        }
    }

    /// Whether each person ticks this line alone.
    fn line(&self, item: &str) -> Result<bool, ActError> {
        self.plan
            .checklist
            .iter()
            .find(|line| line.item == item)
            .map(|line| line.each_person)
            .ok_or_else(|| ActError::UnknownItem(item.chars().take(60).collect()))
    }
}

/// SHA-256 over the heads, each on a line of its own, in hexadecimal: one name for one state.
#[must_use]
pub fn digest(heads: &[String]) -> String {
    let mut hash = Sha256::new();
    for head in heads {
        hash.update(head.as_bytes());
        hash.update(b"\n");
    }
    hash.finalize()
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

impl Causality for Visit {
    fn past_of(&self, record: RecordId) -> Past {
        if let Some(past) = self.pasts.borrow().get(&record) {
            return past.clone();
        }
        let change = self
            .ledger
            .log()
            .iter()
            .find(|c| c.writer == record.writer && c.records.contains(&record.n));
        let covered = change.and_then(|c| self.ledger.records_at(&c.deps).ok());
        let mut past = Past(covered.map(|c| c.last().clone()).unwrap_or_default());
        // Within one change, each record has seen the one before it.
        if record.n > 1 {
            past.0.insert(record.writer, record.n - 1);
        }
        self.pasts.borrow_mut().insert(record, past.clone());
        past
    }

    fn past_at(&self, heads: &[String]) -> Option<Past> {
        let heads: Option<Vec<_>> = heads.iter().map(|h| h.parse().ok()).collect();
        let covered = self.ledger.records_at(&heads?).ok()?;
        Some(Past(covered.last().clone()))
    }
}

/// The kind a record calls itself, where its text is an object with one named thing in `what`.
fn kind_of(body: &str) -> Option<String> {
    #[derive(Deserialize)]
    struct Named {
        what: BTreeMap<String, serde_json::Value>,
    }
    let named: Named = serde_json::from_str(body).ok()?;
    named.what.into_iter().next().map(|(kind, _)| kind)
}
