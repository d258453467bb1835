//! Limits reached, and numbers that can't be given or need a word of caution.

use gravelbar_estimate::Outcome;
use gravelbar_visit::{Flag, FlagKind};

use super::{Found, flag};
use crate::nets::Closure;
use crate::span::PassState;

pub(super) fn flags(found: &Found<'_>, flags: &mut Vec<Flag>) {
    take(found, flags);
    no_estimate(found, flags);
    no_nets(found, flags);
    odd_passes(found, flags);
}

fn take(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for take in found.take {
        let limits = [
            (
                take.dead_at_limit,
                take.season_dead,
                take.limit_dead,
                "dead",
            ),
            (
                take.caught_at_limit,
                take.season_caught,
                take.limit_caught,
                "caught",
            ),
        ];
        for (_, season, limit, what) in limits.into_iter().filter(|(at, ..)| *at) {
            let reached = if season > limit {
                "over the limit"
            } else {
                "limit reached"
            };
            flags.push(flag(
                FlagKind::TakeLimit,
                take.deaths.clone(),
                format!(
                    "{}: {season} of {limit} {what} this season, {reached}: stop fishing for it and call the permit office; devices not heard may hold more",
                    take.species
                ),
            ));
        }
    }
}

fn no_estimate(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for species in found.species {
        let removal = &species.removal;
        let refused = match &removal.analysis {
            Some(analysis) => analysis.outcome == Outcome::DidNotDeplete,
            None => !removal.catch.is_empty(),
        };
        if refused {
            flags.push(flag(
                FlagKind::NoEstimate,
                Vec::new(),
                format!(
                    "{}: {}. Look for unequal effort, a net that didn't hold, a changed setting, fish put to the wrong pass",
                    species.species, removal.verdict
                ),
            ));
        }
    }
}

fn no_nets(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for (channel, passes) in found.by_channel() {
        let open_end = passes
            .iter()
            .find(|p| p.nets.closure == Closure::NotRecorded);
        if let Some(pass) = open_end.filter(|_| passes.len() > 1) {
            flags.push(flag(
                FlagKind::Caution,
                found.marks(&pass.pass),
                format!(
                    "channel {channel}: {}: record the nets, or say in a note what closed the reach",
                    pass.nets.words
                ),
            ));
        }
    }
}

fn odd_passes(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for pass in found.passes {
        if pass.state == PassState::NeverOpened {
            flags.push(flag(
                FlagKind::Caution,
                pass.effort.packs.iter().map(|p| p.record).collect(),
                format!(
                    "pass {} has records, and nobody opened or closed it: it counts as fished; mark when it was, or move its records",
                    pass.pass
                ),
            ));
        }
        if pass.state == PassState::Closed && pass.opened.is_some() && pass.clock_min.is_none() {
            flags.push(flag(
                FlagKind::Caution,
                found.marks(&pass.pass),
                format!(
                    "pass {} was closed before it was opened, by the clocks: let the two devices meet so that their clocks are compared",
                    pass.pass
                ),
            ));
        }
    }
}
