//! One visit on one device: writing records, taking in other devices' changes, reading it all.

mod allow;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{
    AboutError, AppendError, DocumentId, Ledger, LoggedChange, Received, Record, RecordId,
    UnknownHeadsError, Vector, Writer,
};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::causes::Causes;
use crate::names::PersonName;
use crate::plan::{Plan, PlanError};
use crate::record::{Entry, Fact, FactError, Signature};
use crate::view::{
    Causality, Heading, HistoryLine, LostView, Past, Seen, Unreadable, View, life_of,
};

/// The visit's document with its records parsed once each.
pub struct Visit {
    ledger: Ledger,
    plan: Plan,
    seen: Vec<Seen>,
    unreadable: Vec<Unreadable>,
    causes: Causes,
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
    /// Only some may mark a device as lost or accept its records.
    #[error(
        "only the crew lead or the safety lead marks a device as lost or accepts its later records: {0} holds neither role here"
    )]
    NotEntitledToCut(PersonName),
    /// A signature over a gap says why.
    #[error("a lost device leaves a gap: write why you sign all the same")]
    SignsOverGap,
    /// Only someone on the crew ticks for it.
    #[error("put {0} on the crew first, then tick")]
    NotOnCrew(PersonName),
    /// Someone else's going home is the lead's to note.
    #[error("{0} notes their own going home, or the crew lead or the safety lead does")]
    LeavingOfSomeoneElse(PersonName),
    /// An objection to a line ticked by each person names the person, to any other line nobody.
    #[error("say whose “{0}” you object to; where it is ticked once for the crew, name nobody")]
    WhoseLine(String),
    /// What is named can't be treated so.
    #[error("a “{act}” can't be done to a “{of}”: record {record} stays as it is")]
    NotOfThisKind {
        /// What was to be done.
        act: &'static str,
        /// The kind of the record named.
        of: &'static str,
        /// The record named.
        record: RecordId,
    },
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
        visit.take(&received.applied);
        Ok((visit, received))
    }

    fn over(ledger: Ledger, plan: Plan) -> Self {
        Self {
            ledger,
            plan,
            seen: Vec::new(),
            unreadable: Vec::new(),
            causes: Causes::default(),
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

    /// The document's heads, sorted.
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
            if matches!(what, Fact::Signature(_)) && why.is_none_or(|w| w.trim().is_empty()) {
                self.signs_no_gap()?;
            }
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
        self.take(std::slice::from_ref(&appended.change));
        Ok(Written {
            change: appended.change,
            records: appended.records,
        })
    }

    /// Refuses a signature without a reason where a lost device leaves a gap.
    fn signs_no_gap(&self) -> Result<(), ActError> {
        let anyone_lost = (self.seen.iter()).any(|s| matches!(s.entry.what, Fact::DeviceLost(_)));
        if anyone_lost && self.view().lost.iter().any(LostView::leaves_a_gap) {
            return Err(ActError::SignsOverGap);
        }
        Ok(())
    }

    /// Takes in changes from elsewhere: whatever is good is applied, whatever isn't is returned
    /// with the reason.
    pub fn receive(&mut self, changes: Vec<Vec<u8>>) -> Received {
        let received = self.ledger.receive(changes);
        self.take(&received.applied);
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
        life_of(&self.seen, self, id)
    }

    /// The records in order by cause.
    #[must_use]
    pub fn records(&self) -> &[Seen] {
        &self.seen
    }

    /// One record, if it is here and can be read.
    #[must_use]
    pub fn entry(&self, id: RecordId) -> Option<&Seen> {
        let lamport = self.ledger.record(id)?.lamport;
        let place = self
            .seen
            .binary_search_by_key(&(lamport, id), |s| (s.lamport, s.id))
            .ok()?;
        self.seen.get(place)
    }

    /// Takes in changes that the ledger has just taken in, causes before effects.
    fn take(&mut self, changes: &[Arc<LoggedChange>]) {
        let (known, unread) = (self.seen.len(), self.unreadable.len());
        for change in changes {
            self.causes.push(change);
            for record in change.record_ids().filter_map(|id| self.ledger.record(id)) {
                let Record { id, lamport, .. } = *record;
                match serde_json::from_str::<Entry>(&record.body) {
                    Ok(entry) => self.seen.push(Seen { id, lamport, entry }),
                    Err(_) => self.unreadable.push(Unreadable {
                        id,
                        lamport,
                        kind: kind_of(&record.body),
                    }),
                }
            }
        }
        // Mostly the new ones all come after the old ones; then nothing has to be moved.
        self.seen[known..].sort_unstable_by_key(|s| (s.lamport, s.id));
        let seam = known
            .checked_sub(1)
            .and_then(|last| self.seen.get(last..=known));
        if seam.is_some_and(|seam| !seam.is_sorted_by_key(|s| (s.lamport, s.id))) {
            self.seen.sort_by_key(|s| (s.lamport, s.id));
        }
        self.unreadable[unread..].sort_unstable_by_key(|u| (u.lamport, u.id));
        self.unreadable.sort_by_key(|u| (u.lamport, u.id));
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
        self.causes.past_of(record)
    }

    fn had_seen(&self, record: RecordId, other: RecordId) -> bool {
        self.causes.had_seen(record, other)
    }

    fn past_at(&self, heads: &[String]) -> Option<Past> {
        let heads: Option<Vec<_>> = heads.iter().map(|h| h.parse().ok()).collect();
        self.causes.past_at(&heads?, |head| self.ledger.holds(head))
    }
}

/// The kind a record calls itself, where its text is an object with exactly one named thing in
/// `what`.
fn kind_of(body: &str) -> Option<String> {
    #[derive(Deserialize)]
    struct Named {
        what: BTreeMap<String, serde::de::IgnoredAny>,
    }
    let named: Named = serde_json::from_str(body).ok()?;
    let mut kinds = named.what.into_keys();
    kinds.next().filter(|_| kinds.next().is_none())
}
