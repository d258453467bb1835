//! Counts that don't fit together: tally and work-up, taps after a close, full buckets, fish
//! without a name, lengths of two kinds, deaths told twice.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, FixedOffset};
use gravelbar_visit::{
    BucketMoment, Fate, Flag, FlagKind, LengthType, PassKey, PersonName, RecordId, SpeciesName,
};

use super::{Found, flag};
use crate::figure::counted;
use crate::moment::hour;
use crate::pass::{PassSummary, TallyInPass, last_moment};
use crate::span::{PassState, Span};

pub(super) fn flags(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for pass in found.passes.iter().filter(|p| p.state != PassState::Open) {
        gaps(found, pass, flags);
    }
    after_close(found, flags);
    buckets(found, flags);
    unknown(found, flags);
    two_lengths(found, flags);
    fate_and_death(found, flags);
}

fn gaps(found: &Found<'_>, pass: &PassSummary, flags: &mut Vec<Flag>) {
    let mut untapped: Vec<String> = Vec::new();
    for line in &pass.tally {
        let Some(gap) = line.gap.filter(|gap| *gap != 0) else {
            continue;
        };
        if line.tallied == 0 {
            untapped.push(format!("{} {}", line.name, line.worked_up));
            continue;
        }
        let more = gap.unsigned_abs();
        let share = if line.worked_up > 0 {
            format!(", {:.0} %", 100.0 * more as f64 / line.worked_up as f64)
        } else {
            String::new()
        };
        let asked = if gap > 0 {
            format!(
                "{more} more on the tally{share}: one fish counted by two netters, dropped back, or still in a bucket?"
            )
        } else {
            format!("{more} fewer on the tally{share}: fish netted without a tap?")
        };
        flags.push(flag(
            FlagKind::TallyGap,
            found.marks(&pass.pass),
            format!(
                "pass {}, {}: netters counted {}{}, {} worked up; {asked} Estimates use the work-up; say why in a note",
                pass.pass,
                line.name,
                line.tallied,
                netters(line),
                line.worked_up
            ),
        ));
    }
    // A species nobody taps is a habit of the crew, not a slip: one line says it for the pass.
    if !untapped.is_empty() {
        flags.push(flag(
            FlagKind::TallyGap,
            found.marks(&pass.pass),
            format!(
                "pass {}: worked up and never tapped: {}. The tally can't check these; the estimates use the work-up",
                pass.pass,
                untapped.join(", ")
            ),
        ));
    }
}

fn netters(line: &TallyInPass) -> String {
    if line.by.is_empty() {
        return String::new();
    }
    let each: Vec<String> = line
        .by
        .iter()
        .map(|n| format!("{} {}", n.by, n.n))
        .collect();
    format!(" ({})", each.join(", "))
}

/// Taps of one person on one device for one pass, made after the pass was closed.
#[derive(Default)]
struct Late {
    n: u64,
    records: Vec<RecordId>,
    first: Option<DateTime<FixedOffset>>,
    last: Option<DateTime<FixedOffset>>,
}

fn after_close(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let spans: BTreeMap<&PassKey, Span<'_>> = (found.view.passes.iter())
        .map(|p| (&p.pass, Span::of(Some(p))))
        .collect();
    let mut late: BTreeMap<(&PassKey, &PersonName), Late> = BTreeMap::new();
    for tap in found.view.tallies.iter().filter(|t| !t.out) {
        let close = spans.get(&tap.pass.value).and_then(|span| span.to);
        if close.is_some_and(|close| found.clocks.before(close, &tap.stamp)) {
            let late = late.entry((&tap.pass.value, &tap.stamp.by)).or_default();
            let at = found.clocks.shown(&tap.stamp);
            late.n += u64::from(tap.n.value);
            late.records.push(tap.stamp.id);
            late.first = Some(late.first.map_or(at, |first| first.min(at)));
            late.last = Some(late.last.map_or(at, |last| last.max(at)));
        }
    }
    for ((pass, by), late) in late {
        let times = late.first.zip(late.last);
        let times = times.map(|(a, b)| format!(", {} to {}", hour(a), hour(b)));
        flags.push(flag(
            FlagKind::AfterClose,
            late.records,
            format!(
                "{} by {by} for pass {pass} after it was closed{}: move them together to the pass they were netted in, or leave them",
                counted(late.n, "fish tapped", "fish tapped"),
                times.unwrap_or_default()
            ),
        ));
    }
}

fn buckets(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let over = |key: &PassKey| {
        let pass = found.passes.iter().find(|p| p.pass == *key);
        pass.is_none_or(|p| p.state != PassState::Open)
    };
    for bucket in found.view.buckets.iter().filter(|b| over(&b.pass)) {
        if let Some((moment, record)) = last_moment(bucket)
            && moment != BucketMoment::Emptied
        {
            let state = match moment {
                BucketMoment::FirstFish => "has fish in it",
                BucketMoment::HandedOver | BucketMoment::Emptied => "was handed over",
            };
            flags.push(flag(
                FlagKind::BucketOpen,
                vec![record],
                format!(
                    "bucket {} of pass {} {state} and was never emptied: work its fish up for that pass, or mark it emptied",
                    bucket.label, bucket.pass
                ),
            ));
        }
    }
}

fn unknown(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let mut unnamed: BTreeMap<&SpeciesName, (u64, Vec<RecordId>)> = BTreeMap::new();
    for pass in found.counts.passes.values() {
        for (species, fish) in pass.worked_up.iter().filter(|(s, _)| s.is_provisional()) {
            let (n, records) = unnamed.entry(species).or_default();
            *n += fish.n();
            records.extend(fish.fish.iter().map(|f| f.stamp.id));
            records.extend(fish.batches.iter().map(|b| b.stamp.id));
        }
    }
    for (species, (n, records)) in unnamed {
        flags.push(flag(
            FlagKind::UnknownFish,
            records,
            format!(
                "{} recorded as “{species}”: name them all at once when somebody knows, or keep a voucher",
                counted(n, "fish is", "fish are")
            ),
        ));
    }
}

fn two_lengths(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let mut kinds: BTreeMap<&SpeciesName, BTreeMap<LengthType, Vec<RecordId>>> = BTreeMap::new();
    for fish in found.view.fish.iter().filter(|f| !f.voided) {
        if let (Some(_), Some(kind)) = (&fish.length_mm, &fish.length_type) {
            let kinds = kinds.entry(&fish.species.value).or_default();
            kinds.entry(kind.value).or_default().push(fish.stamp.id);
        }
    }
    for (species, kinds) in kinds {
        if kinds.len() < 2 {
            continue;
        }
        let each: Vec<String> = (kinds.iter())
            .map(|(kind, fish)| format!("{} {}", fish.len(), kind_words(*kind)))
            .collect();
        // The rarer kind is the likelier slip.
        let rarest = kinds.iter().min_by_key(|(kind, fish)| (fish.len(), **kind));
        flags.push(flag(
            FlagKind::Caution,
            rarest.map(|(_, fish)| fish.clone()).unwrap_or_default(),
            format!(
                "{species}: lengths of {} kinds ({}): size groups mix them; check which length the board was read at",
                kinds.len(),
                each.join(", ")
            ),
        ));
    }
}

fn kind_words(kind: LengthType) -> &'static str {
    match kind {
        LengthType::Total => "total",
        LengthType::Fork => "fork",
        LengthType::Standard => "standard",
    }
}

/// A fish whose own record says it is dead, and a death of its species and pass that names no
/// fish: perhaps one fish, told by the measurer and by the carer.
fn fate_and_death(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let mut loose: BTreeMap<(&PassKey, &SpeciesName), Vec<RecordId>> = BTreeMap::new();
    let mut named: BTreeSet<RecordId> = BTreeSet::new();
    for death in found.view.deaths.iter().filter(|d| !d.out) {
        match death.fish {
            Some(fish) => {
                named.insert(fish);
            }
            None => {
                let key = (&death.pass.value, &death.species.value);
                loose.entry(key).or_default().push(death.stamp.id);
            }
        }
    }
    for fish in found.view.fish.iter().filter(|f| !f.voided) {
        let dead = fish
            .fate
            .as_ref()
            .is_some_and(|fate| fate.value == Fate::Dead);
        let key = (&fish.pass.value, &fish.species.value);
        let deaths = loose
            .get(&key)
            .filter(|_| dead && !named.contains(&fish.stamp.id));
        if let Some(deaths) = deaths {
            let about = [&deaths[..], &[fish.stamp.id]].concat();
            flags.push(flag(
                FlagKind::Perhaps1Death,
                about,
                format!(
                    "a {} of pass {} is recorded dead, and so is one that names no fish: if it is the same fish, void that death and keep the fish's; until then both count",
                    fish.species.value, fish.pass.value
                ),
            ));
        }
    }
}
