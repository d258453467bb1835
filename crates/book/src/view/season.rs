//! The visits that are done, and what is used of each permit.

use std::collections::BTreeMap;

use chrono::NaiveDate;
use gravelbar_ledger::DocumentId;
use gravelbar_visit::SpeciesName;
use serde::Serialize;

use super::named::{named, whole};
use super::{Named, NamedPermit};
use crate::record::{Permit, Seen, VisitDone};

whole!(
    Permit,
    String,
    |permit| permit.name.to_lowercase(),
    |permit| permit.dropped
);
whole!(VisitDone, DocumentId, |done| done.visit, |_done| false);

/// A permit and what the visits that are done have used of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PermitStanding {
    /// The permit.
    pub permit: Named<Permit>,
    /// Fish caught and dead so far, in the permit's order of species. Where two records of one
    /// visit stand beside each other, the higher number counts.
    pub used: Vec<Used>,
}

/// What is used of a permit for one species.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Used {
    /// Species.
    pub species: SpeciesName,
    /// Fish caught.
    pub caught: u64,
    /// Of these, fish that died.
    pub dead: u64,
    /// Fish that may be caught.
    pub limit_caught: u64,
    /// Of these, fish that may die.
    pub limit_dead: u64,
}

impl PermitStanding {
    /// Whether it holds on this day.
    #[must_use]
    pub fn holds_on(&self, day: NaiveDate) -> bool {
        (self.permit.value.from..=self.permit.value.until).contains(&day)
    }

    /// What is used for one species.
    #[must_use]
    pub fn of(&self, species: &SpeciesName) -> Option<&Used> {
        self.used.iter().find(|u| u.species == *species)
    }

    /// Fish that may still be caught.
    pub(crate) fn left(&self, species: &SpeciesName) -> Option<u64> {
        let used = self.of(species)?;
        Some(used.limit_caught.saturating_sub(used.caught))
    }
}

/// The visits done, newest day first.
pub(super) fn done(counted: &[&Seen]) -> Vec<Named<VisitDone>> {
    let mut done: Vec<Named<VisitDone>> = named::<VisitDone>(counted).into_values().collect();
    done.sort_by_key(|visit| (std::cmp::Reverse(visit.value.date), visit.value.visit));
    done
}

/// What each permit allows and what is used of it.
pub(super) fn permits(counted: &[&Seen], done: &[Named<VisitDone>]) -> Vec<PermitStanding> {
    let permits: BTreeMap<String, NamedPermit> = named::<Permit>(counted);
    (permits.into_values())
        .map(|permit| PermitStanding {
            used: (permit.value.species.iter())
                .map(|allowed| {
                    let within = permit.value.from..=permit.value.until;
                    let (mut caught, mut dead) = (
                        u64::from(allowed.caught_before),
                        u64::from(allowed.dead_before),
                    );
                    for visit in done {
                        let (most_caught, most_dead) = most(visit, &within, &allowed.species);
                        caught = caught.saturating_add(most_caught);
                        dead = dead.saturating_add(most_dead);
                    }
                    Used {
                        species: allowed.species.clone(),
                        caught,
                        dead,
                        limit_caught: allowed.caught.into(),
                        limit_dead: allowed.dead.into(),
                    }
                })
                .collect(),
            permit,
        })
        .collect()
}

/// The most that any standing record of a visit says of a species: a limit is better reached early
/// than passed unseen.
fn most(
    visit: &Named<VisitDone>,
    within: &std::ops::RangeInclusive<NaiveDate>,
    species: &SpeciesName,
) -> (u64, u64) {
    let rivals = visit.rivals.iter().map(|rival| &rival.value);
    std::iter::once(&visit.value)
        .chain(rivals)
        .filter(|done| within.contains(&done.date))
        .flat_map(|done| &done.caught)
        .filter(|line| line.species == *species)
        .fold((0, 0), |(caught, dead), line| {
            // Whatever died was caught.
            (caught.max(line.caught.max(line.dead)), dead.max(line.dead))
        })
}
