//! One record: who, when, why and what. Once written it never changes.

mod crew;
mod permit;
mod place;
mod roster;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::RecordId;
use gravelbar_visit::PersonName;
use serde::{Deserialize, Serialize};

pub use crew::{
    DeviceHeld, DeviceMet, DeviceNamed, MAX_ADDRESSES, Person, Secret, SecretBytes, SecretError,
};
pub use permit::{Allowed, Permit};
pub use place::{
    Caught, Checklist, Limits, ListedSpecies, PlanDropped, PlannedVisit, Site, VisitDone,
    VisitOpened,
};
pub use roster::{
    Accept, DocumentIdText, Grant, GrantName, GrantNameError, Link, MAX_NAMED, MAX_PREVIOUS, Reach,
    Revoke, RosterEntry, TextDigest, Validity,
};

use crate::words::{TextError, line, line_if};

/// The longest remark or reason, in characters.
pub const WORDS_MAX_CHARS: usize = 500;

/// The most earlier records that one takes the place of.
pub const MAX_REPLACED: usize = 64;

/// A record as it stands in the document.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// The author's device clock, with its offset from UTC, as it stood. Never used for order.
    pub at: DateTime<FixedOffset>,
    /// The person who made it.
    pub by: PersonName,
    /// The reason given, where one is asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// What is said.
    pub what: Fact,
}

/// A record this program can read.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Its name.
    pub id: RecordId,
    /// Its place in the order by cause.
    pub lamport: u64,
    /// What it says.
    pub entry: Entry,
}

macro_rules! facts {
    ($($(#[$doc:meta])* $kind:ident $written:literal),* $(,)?) => {
        /// What a record says. The written form carries the kind's name, and a kind this program
        /// doesn't know is kept as it came.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(rename_all = "snake_case")]
        pub enum Fact {
            $($(#[$doc])* $kind($kind),)*
        }

        impl Fact {
            /// The kind's written name.
            #[must_use]
            pub fn kind(&self) -> &'static str {
                match self { $(Self::$kind(_) => $written,)* }
            }

            fn checked(&self) -> &dyn Check {
                match self { $(Self::$kind(fact) => fact,)* }
            }
        }

        $(impl From<$kind> for Fact {
            fn from(fact: $kind) -> Self {
                Self::$kind(fact)
            }
        })*

        /// The written names of all kinds.
        pub const KINDS: &[&str] = &[$($written),*];
    };
}

facts! {
    /// A change of the roster.
    RosterEntry "roster_entry",
    /// Someone on the crew.
    Person "person",
    /// What the crew calls a device.
    DeviceNamed "device_named",
    /// Who uses a device from now on.
    DeviceHeld "device_held",
    /// Where a device was met.
    DeviceMet "device_met",
    /// A new secret of the crew.
    Secret "secret",
    /// A site.
    Site "site",
    /// A species of the list.
    ListedSpecies "listed_species",
    /// A checklist.
    Checklist "checklist",
    /// Limits and targets.
    Limits "limits",
    /// A permit.
    Permit "permit",
    /// A visit to come.
    PlannedVisit "planned_visit",
    /// A plan given up.
    PlanDropped "plan_dropped",
    /// A visit of the crew was opened.
    VisitOpened "visit_opened",
    /// A visit that was done.
    VisitDone "visit_done",
}

/// Why a record can't be written.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FactError {
    /// A text that can't be kept.
    #[error("{what} can't be kept: {why}")]
    Text {
        /// Which.
        what: &'static str,
        /// Why.
        why: TextError,
    },
    /// A name that can't be kept.
    #[error(transparent)]
    Name(#[from] gravelbar_visit::NameError),
    /// A plan that can't be used.
    #[error(transparent)]
    Plan(#[from] gravelbar_visit::PlanError),
    /// Something is left out or doesn't fit together.
    #[error("{0}")]
    Incomplete(&'static str),
}

/// Limits on what a record may say, whoever wrote it.
trait Check {
    fn check(&self) -> Result<(), FactError>;
}

impl Entry {
    /// Refuses blank names and numbers that can't be.
    ///
    /// # Errors
    ///
    /// [`FactError`] with what can't be kept.
    pub fn check(&self) -> Result<(), FactError> {
        person(&self.by)?;
        if let Some(why) = &self.why {
            text(why, "the reason", WORDS_MAX_CHARS)?;
        }
        self.what.checked().check()
    }
}

fn text(text: &str, what: &'static str, most: usize) -> Result<(), FactError> {
    line(text, most).map_err(|why| FactError::Text { what, why })
}

/// [`text`], or nothing at all.
fn text_if(text: &str, what: &'static str, most: usize) -> Result<(), FactError> {
    line_if(text, most).map_err(|why| FactError::Text { what, why })
}

fn replaces(records: &[RecordId]) -> Result<(), FactError> {
    if records.len() <= MAX_REPLACED {
        Ok(())
    } else {
        Err(FactError::Incomplete(
            "a record takes the place of 64 others at most",
        ))
    }
}

/// A name spelled as names are kept.
fn person(name: &PersonName) -> Result<(), FactError> {
    if PersonName::new(name.as_str())? == *name {
        Ok(())
    } else {
        Err(FactError::Text {
            what: "the person's name",
            why: TextError::Untidy,
        })
    }
}
