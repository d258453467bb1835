//! Checklist and stop-work: unsafe wins.
use gravelbar_ledger::RecordId;
use serde::Serialize;

use super::Stamp;
use crate::names::PersonName;

/// Whether the record allows work to go on. A notebook's answer: it sees no current and cuts none.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum SafetyState {
    /// Someone has stopped work and no clear names that stop.
    Stopped {
        /// Stops that hold.
        stops: Vec<RecordId>,
    },
    /// No stop holds, but the checklist isn't complete.
    NotReady {
        /// What is missing, in words.
        missing: Vec<String>,
    },
    /// No stop holds and every line is ticked since the last one.
    Ready,
}

/// One stop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StopView {
    /// Who and when.
    pub stamp: Stamp,
    /// Reason, where given.
    pub why: Option<String>,
    /// Who confirmed the energiser off.
    pub energiser_off: Vec<Stamp>,
    /// Who cleared it, with the right to.
    pub cleared: Vec<Stamp>,
    /// The reasons given for clearing.
    pub clear_reasons: Vec<String>,
    /// Holds: no valid clear names it.
    pub holds: bool,
}

/// One line of the checklist, for one person or for the crew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ItemView {
    /// The line.
    pub item: String,
    /// In words.
    pub words: String,
    /// For whom; `None` for the crew.
    pub person: Option<PersonName>,
    /// Counts as ticked.
    pub ticked: bool,
    /// Valid ticks since the last stop.
    pub ticks: Vec<Stamp>,
    /// Objections nobody has answered, with their reasons.
    pub objections: Vec<(Stamp, Option<String>)>,
}

/// Checklist and stops.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Safety {
    /// The answer.
    pub state: SafetyState,
    /// All stops, in order by cause.
    pub stops: Vec<StopView>,
    /// All lines, in plan order, people by name.
    pub items: Vec<ItemView>,
}
