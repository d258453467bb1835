//! One crew book on one device: writing records, taking in other devices' changes.

use std::sync::Arc;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::{
    AboutError, AppendError, DocumentId, Ledger, LoggedChange, Received, Record, RecordId, Vector,
    Writer,
};
use gravelbar_visit::PersonName;

use crate::founding::{Founding, FoundingError};
use crate::record::{Entry, Fact, FactError, Seen};

/// The book's document with its records parsed once each.
pub struct Book {
    ledger: Ledger,
    founding: Founding,
    seen: Vec<Seen>,
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
            founding,
            seen: Vec::new(),
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

    /// Takes in changes that the ledger has just taken in.
    fn take(&mut self, changes: &[Arc<LoggedChange>]) {
        for change in changes {
            for record in change.record_ids().filter_map(|id| self.ledger.record(id)) {
                let Record { id, lamport, .. } = *record;
                if let Ok(entry) = serde_json::from_str::<Entry>(&record.body) {
                    self.seen.push(Seen { id, lamport, entry });
                }
            }
        }
        self.seen.sort_by_key(|s| (s.lamport, s.id));
    }
}
