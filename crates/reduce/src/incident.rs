//! Incidents: what happened that must be kept.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Dated, Incident, IncidentKind, PersonName, RecordId, View};
use serde::Serialize;

use crate::moment::Clocks;

/// An incident that wasn't taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct IncidentLine {
    /// The record.
    pub record: RecordId,
    /// Who told it.
    pub by: PersonName,
    /// When, on the corrected clock.
    pub at: DateTime<FixedOffset>,
    /// What sort.
    pub kind: IncidentKind,
    /// What happened.
    pub text: String,
}

/// The incidents, in order by cause.
pub(crate) fn incidents(view: &View, clocks: &Clocks) -> Vec<IncidentLine> {
    let mut incidents: Vec<&Dated<Incident>> =
        view.incidents.iter().filter(|i| !i.voided).collect();
    incidents.sort_by_key(|i| (i.stamp.lamport, i.stamp.id));
    (incidents.into_iter())
        .map(|incident| IncidentLine {
            record: incident.stamp.id,
            by: incident.stamp.by.clone(),
            at: clocks.shown(&incident.stamp),
            kind: incident.what.kind,
            text: incident.what.text.clone(),
        })
        .collect()
}
