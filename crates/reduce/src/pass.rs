//! One pass: when, with how much current, between which nets, and what came out of it.

use std::collections::BTreeMap;

use gravelbar_visit::{
    BucketLabel, BucketMoment, BucketView, Channel, PassKey, PassView, PersonName, RecordId,
    SpeciesName, View,
};
use serde::Serialize;

use crate::channel::ChannelSummary;
use crate::count::{Counts, PassCounts};
use crate::effort::{Effort, effort};
use crate::figure::{figure, ratio};
use crate::moment::Clocks;
use crate::nets::{Nets, nets};
use crate::setting::{PackSetting, Settings};
use crate::span::{Mark, PassState, Span, mark};
use crate::stops::{StopInside, inside};

/// One pass over one channel. A pass that was fished without catching anything is here with zeros.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PassSummary {
    /// Which.
    pub pass: PassKey,
    /// How far it has come.
    pub state: PassState,
    /// Its earliest opening.
    pub opened: Option<Mark>,
    /// Its latest close; `None` while it is open.
    pub closed: Option<Mark>,
    /// Minutes on the clock between them.
    pub clock_min: Option<f64>,
    /// Of these, minutes stopped.
    pub stopped_min: f64,
    /// Stops raised during it.
    pub stops: Vec<StopInside>,
    /// Energised seconds.
    pub effort: Effort,
    /// The nets during it.
    pub nets: Nets,
    /// The output in force and its changes.
    pub settings: Vec<PackSetting>,
    /// How far its fish are worked up.
    pub work_up: WorkUp,
    /// Buckets of this pass that nobody emptied.
    pub open_buckets: Vec<BucketLabel>,
    /// Fish worked up, by species.
    pub species: Vec<SpeciesInPass>,
    /// Fish tapped and seen to escape, by the name netters count them under.
    pub tally: Vec<TallyInPass>,
    /// Fish tapped.
    pub tallied: u64,
    /// Fish seen to escape.
    pub escaped: u64,
    /// Fish worked up.
    pub worked_up: u64,
    /// Work-up records that came with a reason, such as a late-found bucket.
    pub with_reason: Vec<WithReason>,
}

/// How far a pass's fish are worked up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WorkUp {
    /// Fish are waiting and none is on record.
    NotBegun,
    /// Some are on record, and a bucket isn't emptied.
    Underway,
    /// Nothing is known to be waiting.
    Done,
}

/// One species on the bank.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpeciesInPass {
    /// Species.
    pub species: SpeciesName,
    /// Fish with a record of their own.
    pub individuals: u64,
    /// Fish in batches.
    pub batched: u64,
    /// Of the batched, fish whose number was estimated rather than counted.
    pub guessed: u64,
    /// All of them.
    pub worked_up: u64,
    /// Per 100 energised seconds.
    pub fish_per_100_s: Option<f64>,
}

/// One name the netters count under.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TallyInPass {
    /// Species or group.
    pub name: SpeciesName,
    /// Fish tapped.
    pub tallied: u64,
    /// Of these, by netter.
    pub by: Vec<NetterCount>,
    /// Fish seen to escape.
    pub escaped: u64,
    /// Fish of the species counted under this name that were worked up.
    pub worked_up: u64,
    /// Tapped less worked up; `None` where netters tapped nothing in the pass or the work-up
    /// hasn't begun.
    pub gap: Option<i64>,
}

/// One netter's taps.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct NetterCount {
    /// Who.
    pub by: PersonName,
    /// How many fish.
    pub n: u64,
}

/// Fish that were recorded with a reason.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WithReason {
    /// The reason.
    pub why: String,
    /// Who gave it.
    pub by: PersonName,
    /// How many fish.
    pub n: u64,
}

/// The passes, by channel and number.
pub(crate) fn passes(
    view: &View,
    clocks: &Clocks,
    counts: &Counts<'_>,
    channels: &[ChannelSummary],
) -> Vec<PassSummary> {
    let views: BTreeMap<&PassKey, &PassView> = view.passes.iter().map(|p| (&p.pass, p)).collect();
    let channels: BTreeMap<&Channel, &ChannelSummary> =
        channels.iter().map(|c| (&c.channel, c)).collect();
    let settings = Settings::of(view);
    let buckets = open_buckets(view);
    let mut first_s: BTreeMap<&Channel, Option<f64>> = BTreeMap::new();
    (counts.passes.iter())
        .map(|(key, counted)| {
            let seen = views.get(key).copied();
            let span = Span::of(seen);
            let channel = channels.get(&key.channel).copied();
            let first = first_s.get(&key.channel).copied().flatten();
            let effort = effort(seen, channel, first.filter(|_| key.number > 1));
            if key.number == 1 {
                first_s.insert(&key.channel, effort.total_s);
            }
            let (stops, stopped_min) = inside(view, clocks, &span);
            let waiting = buckets.get(key).cloned().unwrap_or_default();
            let work_up = work_up(counted, &waiting);
            PassSummary {
                pass: key.clone(),
                state: span.state,
                opened: seen.and_then(|p| mark(span.from, &p.opened, clocks)),
                closed: seen.and_then(|p| mark(span.to, &p.closed, clocks)),
                clock_min: span.minutes().and_then(figure),
                stopped_min,
                stops,
                nets: nets(view, clocks, &key.channel, span.from, span.to),
                settings: settings.during(clocks, seen, &span),
                species: species(counted, effort.total_s),
                tally: tally(counted, work_up),
                tallied: counted.tallied_total(),
                escaped: counted.escaped.values().sum(),
                worked_up: counted.worked_up_total(),
                with_reason: with_reason(counted),
                work_up,
                open_buckets: waiting,
                effort,
            }
        })
        .collect()
}

/// Buckets nobody emptied after the last fish went in, by pass.
fn open_buckets(view: &View) -> BTreeMap<&PassKey, Vec<BucketLabel>> {
    let mut open: BTreeMap<&PassKey, Vec<BucketLabel>> = BTreeMap::new();
    for bucket in &view.buckets {
        if last_moment(bucket).is_some_and(|(moment, _)| moment != BucketMoment::Emptied) {
            open.entry(&bucket.pass)
                .or_default()
                .push(bucket.label.clone());
        }
    }
    for labels in open.values_mut() {
        labels.sort_unstable();
        labels.dedup();
    }
    open
}

/// A bucket's last moment by cause. Between moments made apart from each other the fuller bucket
/// counts: nobody looks for fish in one that is called empty.
pub(crate) fn last_moment(bucket: &BucketView) -> Option<(BucketMoment, RecordId)> {
    (bucket.moments.iter())
        .filter(|m| !m.voided)
        .max_by_key(|m| (m.stamp.lamport, m.what != BucketMoment::Emptied, m.stamp.id))
        .map(|m| (m.what, m.stamp.id))
}

fn work_up(counted: &PassCounts<'_>, waiting: &[BucketLabel]) -> WorkUp {
    let begun = counted.worked_up_total() > 0;
    match (begun, waiting.is_empty()) {
        (false, true) if counted.tallied_total() == 0 => WorkUp::Done,
        (false, _) => WorkUp::NotBegun,
        (true, false) => WorkUp::Underway,
        (true, true) => WorkUp::Done,
    }
}

fn species(counted: &PassCounts<'_>, total_s: Option<f64>) -> Vec<SpeciesInPass> {
    (counted.worked_up.iter())
        .map(|(species, fish)| SpeciesInPass {
            species: species.clone(),
            individuals: fish.fish.len() as u64,
            batched: fish.batched(),
            guessed: fish.guessed(),
            worked_up: fish.n(),
            fish_per_100_s: total_s.and_then(|s| ratio(100.0 * fish.n() as f64, s)),
        })
        .collect()
}

fn tally(counted: &PassCounts<'_>, work_up: WorkUp) -> Vec<TallyInPass> {
    let mut lines: BTreeMap<SpeciesName, TallyInPass> = BTreeMap::new();
    let mut line = |name: &SpeciesName, change: &dyn Fn(&mut TallyInPass)| {
        let entry = lines.entry(name.clone()).or_insert_with(|| TallyInPass {
            name: name.clone(),
            tallied: 0,
            by: Vec::new(),
            escaped: 0,
            worked_up: 0,
            gap: None,
        });
        change(entry);
    };
    for (name, tallied) in &counted.tallied {
        line(name, &|l| {
            l.tallied = tallied.n;
            let by = tallied.by.iter().map(|(by, n)| NetterCount {
                by: by.clone(),
                n: *n,
            });
            l.by = by.collect();
        });
    }
    for (name, escaped) in &counted.escaped {
        line(name, &|l| l.escaped = *escaped);
    }
    for (name, worked_up) in &counted.banked {
        line(name, &|l| l.worked_up = *worked_up);
    }
    let asked = counted.tallied_total() > 0 && work_up != WorkUp::NotBegun;
    let mut lines: Vec<TallyInPass> = lines.into_values().collect();
    for l in lines.iter_mut().filter(|_| asked) {
        l.gap = Some(signed(l.tallied).saturating_sub(signed(l.worked_up)));
    }
    lines
}

fn signed(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn with_reason(counted: &PassCounts<'_>) -> Vec<WithReason> {
    let mut said: BTreeMap<(&str, &PersonName), u64> = BTreeMap::new();
    for worked_up in counted.worked_up.values() {
        let fish = worked_up.fish.iter().map(|f| (&f.why, &f.stamp.by, 1));
        let batches = worked_up.batches.iter();
        let batches = batches.map(|b| (&b.why, &b.stamp.by, u64::from(b.n.value)));
        for (why, by, n) in fish.chain(batches) {
            if let Some(why) = why {
                *said.entry((why.as_str(), by)).or_default() += n;
            }
        }
    }
    (said.into_iter())
        .map(|((why, by), n)| WithReason {
            why: why.to_owned(),
            by: by.clone(),
            n,
        })
        .collect()
}
