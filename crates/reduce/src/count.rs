//! Fish counted by pass: what the netters tapped and what the bank worked up, each record once.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{BatchView, CountKind, FishView, PassKey, PersonName, SpeciesName, View};

/// All counts of a visit.
#[derive(Default)]
pub(crate) struct Counts<'a> {
    /// Passes that were fished or have a fish on record.
    pub(crate) passes: BTreeMap<PassKey, PassCounts<'a>>,
}

/// The counts of one pass.
#[derive(Default)]
pub(crate) struct PassCounts<'a> {
    /// Taps, by the name netters count a species under.
    pub(crate) tallied: BTreeMap<SpeciesName, Tallied>,
    /// Escapes seen, by the same names.
    pub(crate) escaped: BTreeMap<SpeciesName, u64>,
    /// Fish on the bank, by species.
    pub(crate) worked_up: BTreeMap<SpeciesName, WorkedUp<'a>>,
    /// The same, by the name netters count a species under.
    pub(crate) banked: BTreeMap<SpeciesName, u64>,
}

/// Taps under one name.
#[derive(Default)]
pub(crate) struct Tallied {
    /// Fish.
    pub(crate) n: u64,
    /// Of these, by netter.
    pub(crate) by: BTreeMap<PersonName, u64>,
    /// Of these, by the name that was tapped.
    pub(crate) as_tapped: BTreeMap<SpeciesName, u64>,
}

/// Fish of one species worked up in one pass, in order of their ids.
#[derive(Default)]
pub(crate) struct WorkedUp<'a> {
    pub(crate) fish: Vec<&'a FishView>,
    pub(crate) batches: Vec<&'a BatchView>,
}

impl WorkedUp<'_> {
    /// Fish in batches.
    pub(crate) fn batched(&self) -> u64 {
        self.batches.iter().map(|b| u64::from(b.n.value)).sum()
    }

    /// Of these, guessed rather than counted.
    pub(crate) fn guessed(&self) -> u64 {
        (self.batches.iter())
            .filter(|b| b.counted == CountKind::Estimated)
            .map(|b| u64::from(b.n.value))
            .sum()
    }

    /// All fish.
    pub(crate) fn n(&self) -> u64 {
        self.fish.len() as u64 + self.batched()
    }
}

impl PassCounts<'_> {
    /// Fish of one species worked up.
    pub(crate) fn of(&self, species: &SpeciesName) -> u64 {
        self.worked_up.get(species).map_or(0, WorkedUp::n)
    }

    /// Fish tapped under one name.
    pub(crate) fn tapped(&self, group: &SpeciesName) -> u64 {
        self.tallied.get(group).map_or(0, |t| t.n)
    }

    /// Fish of all species worked up.
    pub(crate) fn worked_up_total(&self) -> u64 {
        self.worked_up.values().map(WorkedUp::n).sum()
    }

    /// Taps under all names.
    pub(crate) fn tallied_total(&self) -> u64 {
        self.tallied.values().map(|t| t.n).sum()
    }
}

impl<'a> Counts<'a> {
    /// Counts every record that isn't out, once, for the pass and species it counts for now.
    pub(crate) fn of(view: &'a View) -> Self {
        let plan = &view.plan;
        // Planned once per name rather than looked up per tap: a plan may list 200 species.
        let mut group: BTreeMap<&SpeciesName, &SpeciesName> = BTreeMap::new();
        let mut group_of =
            |name: &'a SpeciesName| *group.entry(name).or_insert_with(|| plan.tallied_as(name));
        let mut counts = Self::default();
        for pass in &view.passes {
            let marked = pass.opened.iter().chain(&pass.closed).any(|d| !d.voided);
            if marked || !pass.counters.is_empty() {
                counts.passes.entry(pass.pass.clone()).or_default();
            }
        }
        for tap in view.tallies.iter().filter(|t| !t.out) {
            let pass = counts.passes.entry(tap.pass.value.clone()).or_default();
            let name = &tap.species.value;
            let tallied = pass.tallied.entry(group_of(name).clone()).or_default();
            let n = u64::from(tap.n.value);
            tallied.n += n;
            *tallied.by.entry(tap.stamp.by.clone()).or_default() += n;
            *tallied.as_tapped.entry(name.clone()).or_default() += n;
        }
        for escape in view.escapes.iter().filter(|e| !e.out) {
            let pass = counts.passes.entry(escape.pass.value.clone()).or_default();
            let group = group_of(&escape.species.value).clone();
            *pass.escaped.entry(group).or_default() += u64::from(escape.n.value);
        }
        for fish in view.fish.iter().filter(|f| !f.voided) {
            let pass = counts.passes.entry(fish.pass.value.clone()).or_default();
            let species = fish.species.value.clone();
            pass.worked_up.entry(species).or_default().fish.push(fish);
        }
        for batch in view.batches.iter().filter(|b| !b.out) {
            let pass = counts.passes.entry(batch.pass.value.clone()).or_default();
            let species = batch.species.value.clone();
            pass.worked_up
                .entry(species)
                .or_default()
                .batches
                .push(batch);
        }
        for pass in counts.passes.values_mut() {
            for (species, worked_up) in &mut pass.worked_up {
                worked_up.fish.sort_by_key(|f| f.stamp.id);
                worked_up.batches.sort_by_key(|b| b.stamp.id);
                let group = plan.tallied_as(species).clone();
                *pass.banked.entry(group).or_default() += worked_up.n();
            }
        }
        counts
    }

    /// Every species on the bank.
    pub(crate) fn species(&self) -> BTreeSet<&SpeciesName> {
        (self.passes.values())
            .flat_map(|pass| pass.worked_up.keys())
            .collect()
    }

    /// Every name under which a fish was tapped or seen to escape.
    pub(crate) fn groups(&self) -> BTreeSet<&SpeciesName> {
        (self.passes.values())
            .flat_map(|pass| pass.tallied.keys().chain(pass.escaped.keys()))
            .collect()
    }
}
