//! Energised seconds that are missing, too many, perhaps cumulative, or unequal.

use gravelbar_visit::{Flag, FlagKind};

use super::{Found, flag};
use crate::effort::PackEffort;
use crate::figure::{percent, plain};
use crate::ground::UNEQUAL_EFFORT;
use crate::pass::PassSummary;
use crate::span::PassState;

pub(super) fn flags(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for pass in found.passes {
        missing(found, pass, flags);
        over_clock(pass, flags);
    }
    for passes in found.by_channel().values() {
        cumulative(passes, flags);
        unequal(passes, flags);
    }
}

fn missing(found: &Found<'_>, pass: &PassSummary, flags: &mut Vec<Flag>) {
    if pass.state == PassState::Closed && pass.effort.total_s.is_none() {
        flags.push(flag(
            FlagKind::NoEffort,
            found.marks(&pass.pass),
            format!(
                "pass {} is closed without energised seconds: read the counter off the pack now, nobody can recover it later",
                pass.pass
            ),
        ));
    }
}

fn over_clock(pass: &PassSummary, flags: &mut Vec<Flag>) {
    let Some(clock_min) = pass.clock_min else {
        return;
    };
    let clock_s = clock_min * 60.0;
    let free_s = clock_s - pass.stopped_min * 60.0;
    for pack in &pass.effort.packs {
        let (pass_name, name) = (&pass.pass, &pack.pack);
        let effort = plain(pack.effort_s);
        if pack.effort_s > clock_s {
            flags.push(flag(
                FlagKind::EffortOverClock,
                vec![pack.record],
                format!(
                    "pack {name}, pass {pass_name}: {effort} energised seconds in {clock_s:.0} s on the clock: check the reading, or when the pass was opened and closed"
                ),
            ));
        } else if pack.effort_s > free_s {
            flags.push(flag(
                FlagKind::NotReady,
                vec![pack.record],
                format!(
                    "pack {name}, pass {pass_name}: {effort} energised seconds, and only {free_s:.0} s of the pass lay outside stops: was the current on while work was stopped? Ask the operator"
                ),
            ));
        }
    }
}

/// A counter that runs on through the visit shows, at the end of each pass, all seconds so far.
/// Read as this pass's seconds the passes grow; the differences stay alike. So a reading that
/// starts at zero is suspect where the difference to the reading before is nearer to pass 1, as a
/// ratio, than the reading itself: `difference × reading > first²`.
fn cumulative(passes: &[&PassSummary], flags: &mut Vec<Flag>) {
    let Some(first) = passes.first().filter(|p| p.pass.number == 1) else {
        return;
    };
    for two in passes.windows(2) {
        let (before, after) = (two[0], two[1]);
        for pack in &after.effort.packs {
            let same = |p: &&PackEffort| p.pack == pack.pack;
            let earlier = before.effort.packs.iter().find(same);
            let start = first.effort.packs.iter().find(same);
            let (Some(earlier), Some(start)) = (earlier, start) else {
                continue;
            };
            let difference = pack.end_s - earlier.end_s;
            if pack.start_s <= 0.0
                && start.effort_s > 0.0
                && difference > 0.0
                && difference * pack.end_s > start.effort_s * start.effort_s
            {
                flags.push(flag(
                    FlagKind::PerhapsCumulative,
                    vec![earlier.record, pack.record],
                    format!(
                        "pack {}, pass {}: {} s looks like a counter that wasn't set to zero: use the difference to pass {}, {} s? Correct the reading with {} as its start",
                        pack.pack,
                        after.pass,
                        plain(pack.end_s),
                        before.pass,
                        plain(difference),
                        plain(earlier.end_s)
                    ),
                ));
            }
        }
    }
}

/// Passes of one channel cover one area, so seconds per area differ as the seconds do.
fn unequal(passes: &[&PassSummary], flags: &mut Vec<Flag>) {
    let read = || {
        let read = passes.iter().filter_map(|p| Some((p.effort.total_s?, *p)));
        read.filter(|(s, _)| *s > 0.0)
    };
    let least = read().min_by(|a, b| a.0.total_cmp(&b.0));
    let most = read().max_by(|a, b| a.0.total_cmp(&b.0));
    let (Some((least_s, least)), Some((most_s, most))) = (least, most) else {
        return;
    };
    if most_s / least_s > UNEQUAL_EFFORT {
        let records = |p: &PassSummary| p.effort.packs.iter().map(|p| p.record).collect::<Vec<_>>();
        let per_area = |p: &PassSummary| {
            let said = p.effort.s_per_m2.map(|s| format!(", {s:.1} s/m²"));
            said.unwrap_or_default()
        };
        flags.push(flag(
            FlagKind::UnequalEffort,
            [records(least), records(most)].concat(),
            format!(
                "pass {} had {} of the effort of pass {} ({least_s:.0} s{} against {most_s:.0} s{}): a low catch may be effort, not depletion; check the readings, and fish passes alike",
                least.pass,
                percent(least_s / most_s),
                most.pass,
                per_area(least),
                per_area(most)
            ),
        ));
    }
}
