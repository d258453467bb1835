//! Permit take: fish handled and dead against what the season allows.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{Fate, FishView, PassKey, RecordId, SpeciesName, View};
use serde::Serialize;

use crate::count::Counts;
use crate::pass::{PassSummary, WorkUp};
use crate::span::PassState;

/// Take of one species under permit.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct TakeSummary {
    /// Species.
    pub species: SpeciesName,
    /// Fish caught in this visit, as far as known here. Where a pass isn't worked up yet the
    /// netters' count stands in, if it is the higher one.
    pub caught: u64,
    /// Fish dead in this visit, as far as known here.
    pub dead: u64,
    /// Fish caught this season, this visit included.
    pub season_caught: u64,
    /// Fish dead this season, this visit included.
    pub season_dead: u64,
    /// Fish that may be caught in the season.
    pub limit_caught: u64,
    /// Fish that may die in the season.
    pub limit_dead: u64,
    /// At or over the limit, with at least one fish.
    pub caught_at_limit: bool,
    /// At or over the limit, with at least one fish.
    pub dead_at_limit: bool,
    /// The records of the deaths.
    pub deaths: Vec<RecordId>,
}

/// Dead fish of one species, under permit or not.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SpeciesDead {
    /// Species.
    pub species: SpeciesName,
    /// Fish dead in this visit, as far as known here.
    pub dead: u64,
}

/// Every species of which fish died, by name.
pub(crate) fn all_dead(view: &View) -> Vec<SpeciesDead> {
    (dead(view).into_iter())
        .filter(|(_, of)| of.n > 0)
        .map(|(species, of)| SpeciesDead {
            species,
            dead: of.n,
        })
        .collect()
}

/// Deaths of one species.
#[derive(Default)]
pub(crate) struct Dead {
    pub(crate) n: u64,
    pub(crate) records: BTreeSet<RecordId>,
}

/// Dead fish by species. A fish dies once: its fate and every record that names it are one death.
/// A death that names no fish counts, unless it is out.
pub(crate) fn dead(view: &View) -> BTreeMap<SpeciesName, Dead> {
    let fish: BTreeMap<RecordId, &FishView> = view.fish.iter().map(|f| (f.stamp.id, f)).collect();
    let mut dead: BTreeMap<SpeciesName, Dead> = BTreeMap::new();
    let mut add = |species: &SpeciesName, n: u64, record: RecordId| {
        let species = dead.entry(species.clone()).or_default();
        species.n = species.n.saturating_add(n);
        species.records.insert(record);
    };
    let mut counted: BTreeSet<RecordId> = BTreeSet::new();
    for f in view.fish.iter().filter(|f| !f.voided) {
        if f.fate.as_ref().is_some_and(|fate| fate.value == Fate::Dead) {
            counted.insert(f.stamp.id);
            add(&f.species.value, 1, f.stamp.id);
        }
    }
    let mut deaths: Vec<_> = view.deaths.iter().filter(|d| !d.out).collect();
    deaths.sort_by_key(|d| d.stamp.id);
    for death in deaths {
        // The fish tells its species: a rename of the fish need not have reached the death.
        let of = death.fish.and_then(|id| fish.get(&id));
        let species = of.map_or(&death.species.value, |f| &f.species.value);
        // A death tied to one fish can speak of more than that fish only by a slip; the others
        // it claims are counted, because a limit is better reached early than passed unseen.
        let n = u64::from(death.n.value);
        let repeat = death.fish.is_some_and(|id| !counted.insert(id));
        let n = if repeat { n.saturating_sub(1) } else { n };
        if n > 0 {
            add(species, n, death.stamp.id);
        }
    }
    dead
}

/// Fish of a species caught in one pass: the work-up, or the netters' count under the species'
/// own name where fish may still be waiting and it is higher.
fn caught_in(
    counts: &Counts<'_>,
    passes: &BTreeMap<&PassKey, &PassSummary>,
    species: &SpeciesName,
) -> u64 {
    (counts.passes.iter())
        .map(|(key, pass)| {
            let tapped: u64 = (pass.tallied.values())
                .filter_map(|t| t.as_tapped.get(species))
                .sum();
            let worked_up = pass.of(species);
            let settled = passes.get(key).is_some_and(|p| {
                p.state != PassState::Open && p.work_up == WorkUp::Done && worked_up > 0
            });
            if settled {
                worked_up
            } else {
                worked_up.max(tapped)
            }
        })
        .sum()
}

/// Take of every species under permit, in the plan's order.
pub(crate) fn take(view: &View, counts: &Counts<'_>, passes: &[PassSummary]) -> Vec<TakeSummary> {
    let passes: BTreeMap<&PassKey, &PassSummary> = passes.iter().map(|p| (&p.pass, p)).collect();
    let dead = dead(view);
    (view.plan.species.iter())
        .filter_map(|planned| planned.permit.map(|permit| (&planned.name, permit)))
        .map(|(species, permit)| {
            let of = dead.get(species);
            let dead = of.map_or(0, |d| d.n);
            // Whatever died was caught.
            let caught = caught_in(counts, &passes, species).max(dead);
            let season_caught = caught.saturating_add(permit.caught_before.into());
            let season_dead = dead.saturating_add(permit.dead_before.into());
            TakeSummary {
                species: species.clone(),
                caught,
                dead,
                season_caught,
                season_dead,
                limit_caught: permit.caught.into(),
                limit_dead: permit.dead.into(),
                caught_at_limit: season_caught > 0 && season_caught >= permit.caught.into(),
                dead_at_limit: season_dead > 0 && season_dead >= permit.dead.into(),
                deaths: of
                    .map(|d| d.records.iter().copied().collect())
                    .unwrap_or_default(),
            }
        })
        .collect()
}
