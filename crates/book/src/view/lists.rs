//! Sites, species, checklists, limits and plans.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::{DocumentId, RecordId};
use gravelbar_visit::SpeciesName;

use super::named::{named, whole};
use super::{CrewVisit, Named, Planned, SiteView};
use crate::record::{Checklist, Fact, Limits, ListedSpecies, Seen, Site, VisitDone};

/// Codes and names that people type are one whatever their capitals.
fn folded(text: &str) -> String {
    text.to_lowercase()
}

whole!(Site, String, |site| folded(&site.code), |site| site.dropped);
whole!(
    ListedSpecies,
    SpeciesName,
    |species| species.name.clone(),
    |species| species.dropped
);
whole!(Checklist, String, |list| folded(&list.name), |list| list
    .dropped);
whole!(Limits, String, |limits| folded(&limits.name), |limits| {
    limits.dropped
});

/// The sites of the book and those that only a visit tells of, each with the last visit there.
pub(super) fn sites(counted: &[&Seen], done: &[Named<VisitDone>]) -> Vec<SiteView> {
    let mut sites: BTreeMap<String, SiteView> = named::<Site>(counted)
        .into_iter()
        .map(|(name, site)| {
            let view = SiteView {
                code: site.value.code.clone(),
                site: Some(site),
                last: None,
            };
            (name, view)
        })
        .collect();
    // Newest day first, so the first one met at a site is its last.
    for visit in done {
        let site = (sites.entry(folded(&visit.value.site))).or_insert_with(|| SiteView {
            site: None,
            code: visit.value.site.clone(),
            last: None,
        });
        site.last.get_or_insert_with(|| visit.value.clone());
    }
    sites.into_values().collect()
}

/// The list in the order in which the species were caught in all visits that are done, most first;
/// those never caught as they were put on the list.
pub(super) fn species(counted: &[&Seen], done: &[Named<VisitDone>]) -> Vec<Named<ListedSpecies>> {
    let mut caught: BTreeMap<&SpeciesName, u64> = BTreeMap::new();
    for line in done.iter().flat_map(|visit| &visit.value.caught) {
        let sum = caught.entry(&line.species).or_default();
        *sum = sum.saturating_add(line.caught);
    }
    let mut first: BTreeMap<&SpeciesName, usize> = BTreeMap::new();
    for (place, seen) in counted.iter().enumerate() {
        if let Fact::ListedSpecies(species) = &seen.entry.what {
            first.entry(&species.name).or_insert(place);
        }
    }
    let mut species: Vec<Named<ListedSpecies>> =
        named::<ListedSpecies>(counted).into_values().collect();
    species.sort_by_key(|s| {
        let name = &s.value.name;
        (
            Reverse(caught.get(name).copied().unwrap_or(0)),
            first.get(name).copied(),
        )
    });
    species
}

pub(super) fn checklists(counted: &[&Seen]) -> Vec<Named<Checklist>> {
    named::<Checklist>(counted).into_values().collect()
}

pub(super) fn limits(counted: &[&Seen]) -> Vec<Named<Limits>> {
    named::<Limits>(counted).into_values().collect()
}

/// Every visit that a record names as the crew's. A plan that was given up names it still: some
/// device may have opened it before it heard.
pub(super) fn visits(counted: &[&Seen]) -> BTreeMap<DocumentId, CrewVisit> {
    let mut visits = BTreeMap::new();
    for seen in counted {
        let (visit, site, date) = match &seen.entry.what {
            Fact::PlannedVisit(planned) => {
                let Some(plan) = planned.read() else { continue };
                (planned.document_id(), plan.site, plan.date)
            }
            Fact::VisitOpened(opened) => (opened.visit, opened.site.clone(), opened.date),
            Fact::VisitDone(done) => (done.visit, done.site.clone(), done.date),
            _ => continue,
        };
        visits.entry(visit).or_insert(CrewVisit { site, date });
    }
    visits
}

/// The plans that no record has replaced or given up; one visit planned twice is one.
pub(super) fn planned(counted: &[&Seen]) -> Vec<Planned> {
    let mut gone: BTreeSet<RecordId> = BTreeSet::new();
    let mut met: BTreeSet<RecordId> = BTreeSet::new();
    for seen in counted {
        let named: &[RecordId] = match &seen.entry.what {
            Fact::PlannedVisit(plan) => &plan.replaces,
            Fact::PlanDropped(dropped) => &dropped.of,
            _ => continue,
        };
        gone.extend(named.iter().filter(|id| met.contains(id)));
        met.insert(seen.id);
    }
    let mut visits: BTreeMap<DocumentId, Planned> = BTreeMap::new();
    for seen in counted.iter().filter(|seen| !gone.contains(&seen.id)) {
        if let Fact::PlannedVisit(planned) = &seen.entry.what {
            let visit = planned.document_id();
            visits.entry(visit).or_insert_with(|| Planned {
                visit,
                text: planned.plan.clone(),
                plan: planned.read(),
                from: seen.id,
                by: seen.entry.by.clone(),
            });
        }
    }
    let mut planned: Vec<Planned> = visits.into_values().collect();
    planned.sort_by_cached_key(|p| {
        let day = p.plan.as_ref().map(|plan| (plan.date, plan.site.clone()));
        (day.is_none(), day, p.visit)
    });
    planned
}
