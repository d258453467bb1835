//! The safety record: state, open stops, and who misses which check. A notebook's answer: it sees
//! no current and cuts none.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{ItemView, PersonName, RecordId, SafetyState, StopView, View};
use serde::Serialize;

use crate::moment::Clocks;
use crate::stops::cleared;

/// Checklist and stops.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SafetySummary {
    /// The answer.
    pub state: SafetyState,
    /// All stops, in order by cause.
    pub stops: Vec<StopLine>,
    /// Checklist lines that aren't ticked, in plan order.
    pub missing: Vec<MissingCheck>,
    /// Safety records that fit no line or can't be read: they hold work up until someone who may
    /// clear a stop names them.
    pub unplaced: Vec<RecordId>,
}

/// A stop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StopLine {
    /// The stop.
    pub record: RecordId,
    /// Who raised it.
    pub by: PersonName,
    /// When, on the corrected clock.
    pub at: DateTime<FixedOffset>,
    /// Reason, where given.
    pub why: Option<String>,
    /// No clear names it.
    pub holds: bool,
    /// When the energiser was confirmed off.
    pub energiser_off_at: Option<DateTime<FixedOffset>>,
    /// When it was cleared.
    pub cleared_at: Option<DateTime<FixedOffset>>,
}

/// A checklist line that isn't ticked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct MissingCheck {
    /// The line.
    pub item: String,
    /// In words.
    pub words: String,
    /// People who miss it; empty where it is ticked once for the crew.
    pub people: Vec<PersonName>,
    /// Of these, people whose tick somebody objects to.
    pub objected: Vec<PersonName>,
}

pub(crate) fn safety(view: &View, clocks: &Clocks) -> SafetySummary {
    let mut stops: Vec<&StopView> = view.safety.stops.iter().collect();
    stops.sort_by_key(|s| (s.stamp.lamport, s.stamp.id));
    SafetySummary {
        state: state(&view.safety.state),
        stops: (stops.into_iter())
            .map(|stop| {
                let off = stop
                    .energiser_off
                    .iter()
                    .min_by_key(|s| (s.corrected, s.id));
                StopLine {
                    record: stop.stamp.id,
                    by: stop.stamp.by.clone(),
                    at: clocks.shown(&stop.stamp),
                    why: stop.why.clone(),
                    holds: stop.holds,
                    energiser_off_at: off.map(|s| clocks.shown(s)),
                    cleared_at: cleared(stop).map(|s| clocks.shown(s)),
                }
            })
            .collect(),
        missing: missing(view),
        unplaced: unplaced(view),
    }
}

fn unplaced(view: &View) -> Vec<RecordId> {
    let mut records = view.safety.unplaced.clone();
    records.sort_unstable();
    records
}

fn state(state: &SafetyState) -> SafetyState {
    let mut state = state.clone();
    match &mut state {
        SafetyState::Stopped { stops } => stops.sort_unstable(),
        SafetyState::NotReady { missing } => missing.sort_unstable(),
        SafetyState::Ready => {}
    }
    state
}

fn missing(view: &View) -> Vec<MissingCheck> {
    let place: BTreeMap<&str, usize> = (view.plan.checklist.iter().enumerate().rev())
        .map(|(place, item)| (item.item.as_str(), place))
        .collect();
    let key = |item: &ItemView| place.get(item.item.as_str()).copied().unwrap_or(usize::MAX);
    let mut lines: BTreeMap<(usize, &str, bool), MissingCheck> = BTreeMap::new();
    for item in view.safety.items.iter().filter(|item| !item.ticked) {
        // A line's place in the plan, then its name, then the crew's before the people's.
        let line = lines
            .entry((key(item), item.item.as_str(), item.person.is_some()))
            .or_insert_with(|| MissingCheck {
                item: item.item.clone(),
                words: item.words.clone(),
                people: Vec::new(),
                objected: Vec::new(),
            });
        if let Some(person) = &item.person {
            line.people.push(person.clone());
            if !item.objections.is_empty() {
                line.objected.push(person.clone());
            }
        }
    }
    let mut lines: Vec<MissingCheck> = lines.into_values().collect();
    for line in &mut lines {
        line.people.sort_unstable();
        line.objected.sort_unstable();
    }
    lines
}
