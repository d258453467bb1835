//! Passes, their openings and closings, and their counters.

use std::collections::BTreeMap;

use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::place::{Reading, flag_rivals};
use super::{CounterReading, CounterView, Dated, PassView};
use crate::names::{Pack, PassKey};
use crate::record::{Fact, Source};

impl Named<'_> {
    pub(super) fn passes(&self, flags: &mut Vec<Flag>) -> Vec<PassView> {
        let mut passes: BTreeMap<PassKey, PassView> = BTreeMap::new();
        let mut counters: BTreeMap<(PassKey, Pack), Vec<Reading<'_, CounterReading>>> =
            BTreeMap::new();
        for s in self.seen {
            let pass = match &s.entry.what {
                Fact::PassOpened(opened) => &opened.pass,
                Fact::PassClosed(closed) => &closed.pass,
                Fact::Counter(counter) => &counter.pass,
                _ => continue,
            };
            let view = passes.entry(pass.clone()).or_insert_with(|| PassView {
                pass: pass.clone(),
                opened: Vec::new(),
                closed: Vec::new(),
                counters: Vec::new(),
            });
            match &s.entry.what {
                Fact::PassOpened(_) => view.opened.push(self.dated(s, ())),
                Fact::PassClosed(_) => view.closed.push(self.dated(s, ())),
                Fact::Counter(counter) if !self.is_voided(s.id) => counters
                    .entry((pass.clone(), counter.pack.clone()))
                    .or_default()
                    .push((
                        s,
                        CounterReading {
                            start_s: counter.start_s,
                            end_s: counter.end_s,
                            source: counter.source,
                        },
                        &counter.replaces,
                    )),
                _ => {}
            }
        }
        for ((pass, pack), readings) in counters {
            let Some(reading) = self.settled_readings(&readings, |r: &CounterReading| r.source)
            else {
                continue;
            };
            let what = format!("the counter of pack {pack} in pass {pass}");
            flag_rivals(&reading, &what, said, flags);
            if let Some(view) = passes.get_mut(&pass) {
                view.counters.push(CounterView { pack, reading });
            }
        }
        for view in passes.values() {
            for (marks, what) in [(&view.opened, "opened"), (&view.closed, "closed")] {
                self.flag_marked_twice(view, marks, what, flags);
            }
        }
        passes.into_values().collect()
    }

    /// Opening again after a close is the crew going on; two marks that hadn't seen each other
    /// are two people doing the same thing.
    fn flag_marked_twice(
        &self,
        view: &PassView,
        marks: &[Dated<()>],
        what: &str,
        flags: &mut Vec<Flag>,
    ) {
        let standing: Vec<&Dated<()>> = marks
            .iter()
            .filter(|m| !m.voided && !self.is_repeat(m.stamp.id))
            .collect();
        for (place, later) in standing.iter().enumerate().skip(1) {
            let apart = standing[..place]
                .iter()
                .find(|m| !self.causality.had_seen(later.stamp.id, m.stamp.id));
            if let Some(first) = apart {
                flags.push(Flag {
                    kind: FlagKind::PassMarkedTwice,
                    about: vec![first.stamp.id, later.stamp.id],
                    words: format!(
                        "pass {} was {what} by {} and by {} apart from each other: it is one pass, both times are kept; join the two marks or void one",
                        view.pass, first.stamp.by, later.stamp.by
                    ),
                });
            }
        }
    }
}

fn said(reading: &CounterReading) -> String {
    let source = match reading.source {
        Source::Read => "read",
        Source::Heard => "heard",
    };
    format!(
        "{} to {} s = {} s ({source})",
        reading.start_s,
        reading.end_s,
        reading.end_s - reading.start_s
    )
}
