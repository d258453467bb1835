//! Two plans of one visit read as one: the stricter limit, every line of both checklists, and what
//! they differ in, said.

use std::collections::BTreeMap;
use std::fmt::Display;

use gravelbar_ledger::DocumentId;

use crate::plan::{CheckItem, Plan, PlannedSpecies, TakeLimit};

/// Lines of a joined plan's checklist that are called otherwise, by name and whether each ticks.
pub(super) type Lines = BTreeMap<(String, bool), String>;

/// Adds another document's plan; what the two differ in, in words, and the lines of the other's
/// checklist that are called otherwise from now on.
///
/// A line is the same line only where name, words and way of ticking are the same: otherwise a
/// tick would count for something its author hadn't read.
pub(super) fn add(plan: &mut Plan, other: &Plan, id: DocumentId) -> (Vec<String>, Lines) {
    let mut said = Vec::new();
    let mut shown = |field: &str, here: &dyn Display, there: &dyn Display, which: &str| {
        let (here, there) = (here.to_string(), there.to_string());
        if here != there {
            said.push(format!(
                "the two plans differ in the {field}: “{here}” here, “{there}” in the visit that was joined; {which}"
            ));
        }
    };
    let first = "the first is shown";
    shown("site", &plan.site, &other.site, first);
    shown("place", &plan.place, &other.place, first);
    shown("day", &plan.date, &other.date, first);
    shown("purpose", &plan.purpose, &other.purpose, first);
    shown("passes planned", &plan.passes, &other.passes, first);
    let share = |plan: &Plan| none_or(plan.target_relative_half_width);
    shown("target half-width", &share(plan), &share(other), first);
    let last = |plan: &Plan| none_or(plan.last_catch_share);
    shown(
        "share of the first catch to stop at",
        &last(plan),
        &last(other),
        first,
    );
    let good = |plan: &Plan| none_or(plan.known_good.map(|good| good.peak_v));
    shown(
        "output known to be good (V)",
        &good(plan),
        &good(other),
        first,
    );
    let limit = |plan: &Plan| none_or(plan.water_limit_c);
    let lower = "the lower one holds";
    shown(
        "water temperature limit (°C)",
        &limit(plan),
        &limit(other),
        lower,
    );
    let profiles = |plan: &Plan| plan.limit_profiles.join(", ");
    shown(
        "limit profiles",
        &profiles(plan),
        &profiles(other),
        "all hold",
    );

    plan.water_limit_c = match (plan.water_limit_c, other.water_limit_c) {
        (Some(here), Some(there)) => Some(here.min(there)),
        (here, there) => here.or(there),
    };
    let target = other.target_relative_half_width;
    plan.target_relative_half_width = plan.target_relative_half_width.or(target);
    plan.last_catch_share = plan.last_catch_share.or(other.last_catch_share);
    plan.known_good = plan.known_good.or(other.known_good);
    for profile in &other.limit_profiles {
        if !plan.limit_profiles.contains(profile) {
            plan.limit_profiles.push(profile.clone());
        }
    }
    add_species(plan, other, &mut said);
    let lines = add_checklist(plan, other, id, &mut said);
    (said, lines)
}

fn none_or<T: Display>(value: Option<T>) -> String {
    value.map_or_else(|| "none".to_owned(), |value| value.to_string())
}

fn add_species(plan: &mut Plan, other: &Plan, said: &mut Vec<String>) {
    for there in &other.species {
        match plan.species.iter_mut().find(|s| s.name == there.name) {
            None => plan.species.push(there.clone()),
            Some(here) => {
                if let Some(permit) = there.permit {
                    let stricter = here.permit.map_or(permit, |p| stricter(p, permit));
                    if here.permit != Some(permit) {
                        said.push(format!(
                            "the two plans differ in the permit for {}: of each limit the lower one holds, of what was used before the higher",
                            there.name
                        ));
                    }
                    here.permit = Some(stricter);
                }
                let without_permit = |s: &PlannedSpecies| PlannedSpecies {
                    permit: None,
                    ..s.clone()
                };
                if without_permit(here) != without_permit(there) {
                    said.push(format!(
                        "the two plans differ in how {} is grouped or measured: the first is used",
                        there.name
                    ));
                }
            }
        }
    }
}

fn stricter(one: TakeLimit, other: TakeLimit) -> TakeLimit {
    TakeLimit {
        caught: one.caught.min(other.caught),
        dead: one.dead.min(other.dead),
        caught_before: one.caught_before.max(other.caught_before),
        dead_before: one.dead_before.max(other.dead_before),
    }
}

fn add_checklist(plan: &mut Plan, other: &Plan, id: DocumentId, said: &mut Vec<String>) -> Lines {
    let mut lines = Lines::new();
    for there in &other.checklist {
        match plan.checklist.iter().find(|line| line.item == there.item) {
            Some(here) if here == there => {}
            None => plan.checklist.push(there.clone()),
            Some(_) => {
                let called = format!("{} ({id})", there.item);
                said.push(format!(
                    "the two checklists both have a line “{}” and mean different things by it: both are asked for",
                    there.item
                ));
                lines.insert((there.item.clone(), there.each_person), called.clone());
                plan.checklist.push(CheckItem {
                    item: called,
                    ..there.clone()
                });
            }
        }
    }
    lines
}
