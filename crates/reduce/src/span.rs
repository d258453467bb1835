//! When a pass began and ended, and whether it is over.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Dated, PassView, PersonName, Stamp};
use serde::Serialize;

use crate::moment::{Clocks, minutes};

/// How far a pass has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PassState {
    /// Being fished.
    Open,
    /// Closed.
    Closed,
    /// Has fish or seconds on record, but nobody opened or closed it.
    NeverOpened,
}

/// A moment of a pass.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Mark {
    /// The corrected time.
    pub at: DateTime<FixedOffset>,
    /// Everyone who marked it, by name.
    pub by: Vec<PersonName>,
    /// How many times it was marked.
    pub marks: usize,
}

/// The pass between its earliest opening and its latest close.
#[derive(Clone, Copy)]
pub(crate) struct Span<'a> {
    pub(crate) state: PassState,
    pub(crate) from: Option<&'a Stamp>,
    pub(crate) to: Option<&'a Stamp>,
}

impl<'a> Span<'a> {
    /// A pass that was opened again by someone who had seen it closed is open.
    pub(crate) fn of(pass: Option<&'a PassView>) -> Self {
        let (opened, closed) = pass.map_or((&[][..], &[][..]), |p| (&p.opened[..], &p.closed[..]));
        let from = standing(opened).min_by_key(|s| (s.corrected, s.id));
        let last_opened = standing(opened).map(|s| s.lamport).max();
        let last_closed = standing(closed).map(|s| s.lamport).max();
        let state = match (last_opened, last_closed) {
            (None, None) => PassState::NeverOpened,
            (opened, Some(closed)) if opened.is_none_or(|opened| opened <= closed) => {
                PassState::Closed
            }
            _ => PassState::Open,
        };
        let to = standing(closed)
            .max_by_key(|s| (s.corrected, s.id))
            .filter(|_| state == PassState::Closed);
        Self { state, from, to }
    }

    /// Whether a moment lies within the pass.
    pub(crate) fn holds(&self, clocks: &Clocks, moment: &Stamp) -> bool {
        self.from.is_none_or(|from| clocks.before(from, moment))
            && self.to.is_none_or(|to| clocks.before(moment, to))
    }

    /// Minutes on the clock.
    pub(crate) fn minutes(&self) -> Option<f64> {
        minutes(self.from?.corrected, self.to?.corrected)
    }
}

/// Marks that nobody voided.
fn standing(marks: &[Dated<()>]) -> impl Iterator<Item = &Stamp> {
    marks.iter().filter(|m| !m.voided).map(|m| &m.stamp)
}

/// The moment itself, with everyone who marked it.
pub(crate) fn mark(at: Option<&Stamp>, marks: &[Dated<()>], clocks: &Clocks) -> Option<Mark> {
    let mut by: Vec<PersonName> = standing(marks).map(|s| s.by.clone()).collect();
    by.sort_unstable();
    by.dedup();
    at.map(|at| Mark {
        at: clocks.shown(at),
        by,
        marks: standing(marks).count(),
    })
}
