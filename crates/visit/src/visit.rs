//! One visit on one device: writing records, taking in other devices' changes, reading it all.

mod allow;
mod bring;

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{
    AboutError, AppendError, DocumentId, Ledger, LoggedChange, Received, Record, RecordId,
    UnknownHeadsError, Vector, Writer,
};
use serde::Deserialize;
use sha2::{Digest, Sha256};

use crate::causes::Causes;
use crate::joining::{JoinedVisit, Joining, Reading};
use crate::names::PersonName;
use crate::plan::{Plan, PlanError};
use crate::record::{Entry, Fact, FactError, JoinNames, Signature};
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
    joining: Joining,
    /// How many documents this one lies beneath.
    depth: u8,
    /// The records of all documents joined into this one, once somebody has asked.
    reading: OnceLock<Reading>,
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
    /// Of two documents the lower one takes in the other.
    #[error("join it the other way round: visit {into} takes in visit {from}")]
    JoinsUpward {
        /// The one that takes in the other.
        into: DocumentId,
        /// The one that is brought.
        from: DocumentId,
    },
    /// It has been joined already, in the same way.
    #[error("visit {0} has been joined already: nothing changes")]
    JoinedAlready(DocumentId),
    /// Changes of another document are brought by the program, from a document it holds.
    #[error("changes of another visit are brought by the program itself: join the visit")]
    BroughtByHand,
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

    /// A document that was brought in another and is written nowhere else.
    pub(crate) fn within(about: &str, depth: u8) -> Result<Self, OpenError> {
        let plan = Plan::from_about(about)?;
        let ledger = Ledger::create(about, Writer::from_bytes([0; 16]))?;
        let mut visit = Self::over(ledger, plan);
        visit.depth = depth;
        Ok(visit)
    }

    fn over(ledger: Ledger, plan: Plan) -> Self {
        Self {
            ledger,
            plan,
            seen: Vec::new(),
            unreadable: Vec::new(),
            causes: Causes::default(),
            joining: Joining::default(),
            depth: 0,
            reading: OnceLock::new(),
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
        self.write(&bodies, at)
    }

    fn write(&mut self, bodies: &[String], at: DateTime<FixedOffset>) -> Result<Written, ActError> {
        let appended = self.ledger.append(bodies, at.timestamp())?;
        self.take(std::slice::from_ref(&appended.change));
        Ok(Written {
            change: appended.change,
            records: appended.records,
        })
    }

    /// Refuses a signature without a reason where a lost device leaves a gap.
    fn signs_no_gap(&self) -> Result<(), ActError> {
        let anyone_lost =
            (self.records().iter()).any(|s| matches!(s.entry.what, Fact::DeviceLost(_)));
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

    /// What all records here mean together, those of joined visits among them.
    #[must_use]
    pub fn view(&self) -> View {
        match self.reading() {
            Some(reading) => self.view_of(reading),
            None => View::read(
                self.heading(self.heads(), &self.plan),
                &self.seen,
                &self.unreadable,
                self,
            ),
        }
    }

    fn heading<'a>(&self, heads: Vec<String>, plan: &'a Plan) -> Heading<'a> {
        Heading {
            document: self.id(),
            heads,
            plan,
            joined: &[],
            flags: &[],
        }
    }

    /// What a reading of this document means.
    pub(crate) fn view_of(&self, reading: &Reading) -> View {
        self.view_by(reading, self)
    }

    /// What a reading of this document means, told who had seen what.
    pub(crate) fn view_by(&self, reading: &Reading, causality: &dyn Causality) -> View {
        let heading = Heading {
            joined: &reading.joined,
            flags: &reading.flags,
            ..self.heading(self.heads(), &reading.plan)
        };
        View::read(heading, &reading.seen, &reading.unreadable, causality)
    }

    /// What the records covered by `heads` mean together: the visit as it was when they were its
    /// heads, such as at a signature. Heads of a joined visit show that visit as it was.
    ///
    /// # Errors
    ///
    /// [`UnknownHeadsError`] when a head isn't on this device.
    pub fn view_at(&self, heads: &[String]) -> Result<View, UnknownHeadsError> {
        let Some(past) = self.own_past_at(heads) else {
            let mut beneath = (self.joining.documents()).filter_map(|(_, brought)| brought.visit());
            let there = beneath.find_map(|visit| visit.view_at(heads).ok());
            return there.ok_or_else(|| UnknownHeadsError {
                missing: heads.iter().filter_map(|h| h.parse().ok()).collect(),
            });
        };
        let reading = self.fold(Some(&|id| past.contains(id)), None);
        let heading = Heading {
            joined: &reading.joined,
            flags: &reading.flags,
            ..self.heading(heads.to_vec(), &reading.plan)
        };
        Ok(View::read(
            heading,
            &reading.seen,
            &reading.unreadable,
            self,
        ))
    }

    /// The life of one record: what it was, who changed it, when and why.
    #[must_use]
    pub fn history(&self, id: RecordId) -> Vec<HistoryLine> {
        life_of(self.records(), self, id)
    }

    /// The records in order by cause, those of joined visits among them. Records that only carry
    /// changes of another visit are left out.
    #[must_use]
    pub fn records(&self) -> &[Seen] {
        self.reading().map_or(&self.seen, |reading| &reading.seen)
    }

    /// One record, if it is here and can be read, by the id it was made with.
    #[must_use]
    pub fn entry(&self, id: RecordId) -> Option<&Seen> {
        match self.reading() {
            Some(reading) => reading.seen.get(*reading.places.get(&id)?),
            None => self.own_entry(id),
        }
    }

    /// One record of this document alone, as it was written here.
    #[must_use]
    pub fn recorded(&self, id: RecordId) -> Option<&Seen> {
        self.own_entry(id)
    }

    /// The visits that have been joined into this one, whether or not the joining stands.
    #[must_use]
    pub fn joined(&self) -> &[JoinedVisit] {
        self.reading().map_or(&[], |reading| &reading.joined)
    }

    /// What another document's channels and passes are called here, where it has been joined into
    /// this one and the joining stands.
    #[must_use]
    pub fn joined_as(&self, other: DocumentId) -> Option<&JoinNames> {
        let all = |_: RecordId| true;
        let standing = self.joining.joins(other, &all);
        let standing = standing.filter(|join| self.joining.stands(join, &all, &self.causes));
        standing.last().map(|join| &join.names)
    }

    /// The documents that have been joined into this one directly, where the joining stands.
    pub fn takes_in(&self) -> impl Iterator<Item = DocumentId> {
        let others = self.joining.others();
        others.filter(|other| self.joined_as(*other).is_some())
    }

    /// Everything that counts here, where something was ever joined.
    fn reading(&self) -> Option<&Reading> {
        if self.joining.is_none() {
            return None;
        }
        Some(self.reading.get_or_init(|| self.fold(None, None)))
    }

    pub(crate) fn joining(&self) -> &Joining {
        &self.joining
    }

    pub(crate) fn causes(&self) -> &Causes {
        &self.causes
    }

    pub(crate) fn is_own(&self, record: RecordId) -> bool {
        self.ledger.record(record).is_some()
    }

    pub(crate) fn own_seen(&self) -> &[Seen] {
        &self.seen
    }

    pub(crate) fn own_unreadables(&self) -> &[Unreadable] {
        &self.unreadable
    }

    pub(crate) fn own_lamport(&self, record: RecordId) -> Option<u64> {
        self.ledger.record(record).map(|record| record.lamport)
    }

    pub(crate) fn own_entry(&self, id: RecordId) -> Option<&Seen> {
        let lamport = self.own_lamport(id)?;
        let place = (self.seen).binary_search_by_key(&(lamport, id), |s| (s.lamport, s.id));
        self.seen.get(place.ok()?)
    }

    pub(crate) fn own_unreadable(&self, id: RecordId) -> Option<&Unreadable> {
        let lamport = self.own_lamport(id)?;
        let place = (self.unreadable).binary_search_by_key(&(lamport, id), |u| (u.lamport, u.id));
        self.unreadable.get(place.ok()?)
    }

    /// The last record of the change that holds a record of this document.
    pub(crate) fn change_end(&self, record: RecordId) -> Option<RecordId> {
        self.causes.change_end(record)
    }

    /// What these heads of this document cover, of this document.
    pub(crate) fn own_past_at(&self, heads: &[String]) -> Option<Past> {
        let heads: Option<Vec<_>> = heads.iter().map(|h| h.parse().ok()).collect();
        self.causes.past_at(&heads?, |head| self.ledger.holds(head))
    }

    /// Takes in changes that the ledger has just taken in, causes before effects.
    fn take(&mut self, changes: &[Arc<LoggedChange>]) {
        let (known, unread) = (self.seen.len(), self.unreadable.len());
        let own = self.id();
        self.reading = OnceLock::new();
        for change in changes {
            self.causes.push(change);
            for record in change.record_ids().filter_map(|id| self.ledger.record(id)) {
                let Record { id, lamport, .. } = *record;
                match serde_json::from_str::<Entry>(&record.body) {
                    Ok(entry) => {
                        let entry = (self.joining).take(own, (lamport, id), entry, &self.causes);
                        self.seen
                            .extend(entry.map(|entry| Seen { id, lamport, entry }));
                    }
                    Err(_) => self.unreadable.push(Unreadable {
                        id,
                        lamport,
                        kind: kind_of(&record.body),
                    }),
                }
            }
        }
        self.joining.settle(&self.causes, self.depth);
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
