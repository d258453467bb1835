//! Whether the block nets held: what every estimate stands or falls with.

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{Channel, Dated, NetEnd, NetState, RecordId, Stamp, View};
use serde::Serialize;

use crate::moment::{Clocks, hour};

/// Whether fish could leave or enter, worst last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Closure {
    /// Nets at both ends held throughout.
    Closed,
    /// At one end or both nobody recorded a net.
    NotRecorded,
    /// A net leaked, was down or was lifted.
    Open,
}

/// The nets over some stretch of time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Nets {
    /// The worst of it.
    pub closure: Closure,
    /// In words, with times.
    pub words: String,
    /// Each net on record.
    pub ends: Vec<NetDuring>,
}

/// One net over some stretch of time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NetDuring {
    /// Which end.
    pub end: NetEnd,
    /// Its worst state; `None` where nothing was recorded by then.
    pub worst: Option<NetState>,
    /// When it didn't hold.
    pub gaps: Vec<NetGap>,
}

/// A time in which a net didn't hold.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NetGap {
    /// The record that says so.
    pub record: RecordId,
    /// What was seen.
    pub state: NetState,
    /// From, on the corrected clock.
    pub from: DateTime<FixedOffset>,
    /// Until somebody saw it hold again.
    pub until: Option<DateTime<FixedOffset>>,
}

/// The nets of one channel from one moment to another; without a first moment, from the start of
/// the visit; without a last one, until now.
///
/// A net that was seen leaking, down or lifted counts as open from then until it is seen holding
/// again. What is seen holding must have come later both by cause and by the clocks, as far as
/// they were compared: someone who looked at the net before it fell, or who wrote without having
/// heard of it, mends nothing. So a record of a failure can only make a stretch of time worse, and
/// two devices that meet are never surer of the nets than the less sure of them.
pub(crate) fn nets(
    view: &View,
    clocks: &Clocks,
    channel: &Channel,
    from: Option<&Stamp>,
    to: Option<&Stamp>,
) -> Nets {
    let ends: Vec<NetDuring> = [NetEnd::Upstream, NetEnd::Downstream]
        .into_iter()
        .map(|end| {
            let mut states: Vec<&Dated<NetState>> = (view.nets.iter())
                .filter(|net| net.channel == *channel && net.end == end)
                .flat_map(|net| &net.states)
                .filter(|state| !state.voided)
                .collect();
            states.sort_by_key(|s| (s.stamp.lamport, s.stamp.id));
            during(clocks, end, &states, from, to)
        })
        .collect();
    let closure = (ends.iter())
        .map(|end| match end.worst {
            Some(NetState::Holding) => Closure::Closed,
            Some(_) => Closure::Open,
            None => Closure::NotRecorded,
        })
        .max()
        .unwrap_or(Closure::NotRecorded);
    Nets {
        closure,
        words: words(&ends),
        ends,
    }
}

fn during(
    clocks: &Clocks,
    end: NetEnd,
    states: &[&Dated<NetState>],
    from: Option<&Stamp>,
    to: Option<&Stamp>,
) -> NetDuring {
    let before = |s: &Dated<NetState>| from.is_some_and(|from| clocks.before(&s.stamp, from));
    let after = |s: &Dated<NetState>| to.is_some_and(|to| clocks.before(to, &s.stamp));
    let mut worst = None;
    let mut gaps: Vec<NetGap> = Vec::new();
    for state in states.iter().filter(|s| !after(s)) {
        let mends: Vec<&&Dated<NetState>> = (states.iter())
            .filter(|later| {
                later.what == NetState::Holding
                    && later.stamp.lamport > state.stamp.lamport
                    && clocks.before(&state.stamp, &later.stamp)
            })
            .collect();
        let over = mends.iter().any(|mend| before(mend));
        if state.what == NetState::Holding || !over {
            worst = worst.max(Some(state.what));
        }
        if state.what != NetState::Holding && !over {
            gaps.push(NetGap {
                record: state.stamp.id,
                state: state.what,
                from: clocks.shown(&state.stamp),
                until: mends.first().map(|mend| clocks.shown(&mend.stamp)),
            });
        }
    }
    NetDuring { end, worst, gaps }
}

fn words(ends: &[NetDuring]) -> String {
    let mut said: Vec<String> = Vec::new();
    for end in ends {
        let name = end_words(end.end);
        if end.worst.is_none() {
            said.push(format!("no {name} net on record"));
        }
        for gap in &end.gaps {
            let until = gap.until.map_or_else(
                || "and not seen holding again".to_owned(),
                |until| format!("until {}", hour(until)),
            );
            let state = state_words(gap.state);
            said.push(format!(
                "{name} net {state} from {} {until}",
                hour(gap.from)
            ));
        }
    }
    if said.is_empty() {
        "both nets holding".to_owned()
    } else {
        said.join("; ")
    }
}

fn end_words(end: NetEnd) -> &'static str {
    match end {
        NetEnd::Upstream => "upstream",
        NetEnd::Downstream => "downstream",
    }
}

fn state_words(state: NetState) -> &'static str {
    match state {
        NetState::Holding => "holding",
        NetState::Lifted => "lifted",
        NetState::Leaking => "leaking",
        NetState::Down => "down",
    }
}
