//! Stop-work as it cut into a pass.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{PersonName, RecordId, Stamp, StopView, View};
use serde::Serialize;

use crate::figure::figure;
use crate::moment::{Clocks, minutes};
use crate::span::Span;

/// A stop during a pass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StopInside {
    /// The stop.
    pub record: RecordId,
    /// Who raised it.
    pub by: PersonName,
    /// When, on the corrected clock.
    pub at: DateTime<FixedOffset>,
    /// Reason, where given.
    pub why: Option<String>,
    /// When it was cleared; `None` while it holds.
    pub cleared_at: Option<DateTime<FixedOffset>>,
}

/// The moment a stop was cleared for good; `None` while it holds.
pub(crate) fn cleared(stop: &StopView) -> Option<&Stamp> {
    (stop.cleared.iter())
        .max_by_key(|s| (s.corrected, s.id))
        .filter(|_| !stop.holds)
}

/// The stops raised during a pass, in order, and the minutes of the pass spent stopped. Stops that
/// overlap are counted once.
pub(crate) fn inside(view: &View, clocks: &Clocks, span: &Span<'_>) -> (Vec<StopInside>, f64) {
    if span.from.is_none() {
        return (Vec::new(), 0.0);
    }
    let mut stops: Vec<&StopView> = (view.safety.stops.iter())
        .filter(|stop| span.holds(clocks, &stop.stamp))
        .collect();
    stops.sort_by_key(|s| (s.stamp.corrected, s.stamp.lamport, s.stamp.id));
    let mut stopped_min = 0.0;
    let mut counted_to: Option<DateTime<FixedOffset>> = None;
    for stop in &stops {
        // A stop that was never cleared lasts until the pass was closed; while the pass is open
        // too, nobody knows yet how long it lasts.
        let ends = [cleared(stop), span.to];
        let end = ends.into_iter().flatten().map(|s| s.corrected).min();
        let start = counted_to.map_or(stop.stamp.corrected, |to| to.max(stop.stamp.corrected));
        if let Some(end) = end {
            stopped_min += minutes(start, end).unwrap_or(0.0);
            counted_to = Some(counted_to.map_or(end, |to| to.max(end)));
        }
    }
    let lines = (stops.iter())
        .map(|stop| StopInside {
            record: stop.stamp.id,
            by: stop.stamp.by.clone(),
            at: clocks.shown(&stop.stamp),
            why: stop.why.clone(),
            cleared_at: cleared(stop).map(|s| clocks.shown(s)),
        })
        .collect();
    (lines, figure(stopped_min).unwrap_or(0.0))
}
