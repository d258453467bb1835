//! Taps, fish, batches, deaths and buckets, each with its amendments.

use std::collections::{BTreeMap, BTreeSet};

use chrono::TimeDelta;
use gravelbar_ledger::DeviceTag;

use super::flag::{Flag, FlagKind};
use super::named::Named;
use super::seen::Seen;
use super::{BatchView, BucketView, DeathView, FishView, TallyView};
use crate::names::{BucketLabel, PassKey, SpeciesName};
use crate::record::{Fact, Fate, FieldName, FieldValue, LengthType};

/// Two unattached deaths of one species and pass on two devices within this time are asked about
/// (judgement, no source).
const SAME_DEATH_WITHIN: TimeDelta = TimeDelta::minutes(30);

fn pass(value: &FieldValue) -> Option<PassKey> {
    match value {
        FieldValue::Pass(pass) => Some(pass.clone()),
        _ => None,
    }
}

fn species(value: &FieldValue) -> Option<SpeciesName> {
    match value {
        FieldValue::Species(species) => Some(species.clone()),
        _ => None,
    }
}

fn count(value: &FieldValue) -> Option<u32> {
    match value {
        FieldValue::N(n) => Some(*n),
        _ => None,
    }
}

fn length(value: &FieldValue) -> Option<f64> {
    match value {
        FieldValue::LengthMm(mm) => Some(*mm),
        _ => None,
    }
}

fn length_type(value: &FieldValue) -> Option<LengthType> {
    match value {
        FieldValue::LengthType(which) => Some(*which),
        _ => None,
    }
}

fn mass(value: &FieldValue) -> Option<f64> {
    match value {
        FieldValue::MassG(g) => Some(*g),
        _ => None,
    }
}

fn fate(value: &FieldValue) -> Option<Fate> {
    match value {
        FieldValue::Fate(fate) => Some(*fate),
        _ => None,
    }
}

fn marks(value: &FieldValue) -> Option<String> {
    match value {
        FieldValue::Marks(text) => Some(text.clone()),
        _ => None,
    }
}

fn anomalies(value: &FieldValue) -> Option<String> {
    match value {
        FieldValue::Anomalies(text) => Some(text.clone()),
        _ => None,
    }
}

impl Named<'_> {
    pub(super) fn tallies(&self) -> Vec<TallyView> {
        self.seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Tally(t) => Some(self.tap(s, &t.pass, &t.species, t.n, t.bucket.clone())),
                _ => None,
            })
            .collect()
    }

    pub(super) fn escapes(&self) -> Vec<TallyView> {
        self.seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Escape(e) => Some(self.tap(s, &e.pass, &e.species, e.n, None)),
                _ => None,
            })
            .collect()
    }

    fn tap(
        &self,
        s: &Seen,
        recorded_pass: &PassKey,
        recorded_species: &SpeciesName,
        n: u32,
        bucket: Option<BucketLabel>,
    ) -> TallyView {
        TallyView {
            stamp: self.stamp(s),
            pass: self.settled_always(s, FieldName::Pass, recorded_pass.clone(), pass),
            species: self.settled_always(s, FieldName::Species, recorded_species.clone(), species),
            n: self.settled_always(s, FieldName::N, n, count),
            bucket,
            out: self.is_undone(s.id) || self.is_voided(s.id) || self.is_repeat(s.id),
        }
    }

    pub(super) fn fish(&self) -> Vec<FishView> {
        self.seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Fish(f) => Some((s, f)),
                _ => None,
            })
            .map(|(s, f)| FishView {
                stamp: self.stamp(s),
                why: s.entry.why.clone(),
                pass: self.settled_always(s, FieldName::Pass, f.pass.clone(), pass),
                species: self.settled_always(s, FieldName::Species, f.species.clone(), species),
                length_mm: self.settled(s, FieldName::LengthMm, f.length_mm, length),
                length_type: self.settled(s, FieldName::LengthType, f.length_type, length_type),
                mass_g: self.settled(s, FieldName::MassG, f.mass_g, mass),
                marks: self.settled(s, FieldName::Marks, f.marks.clone(), marks),
                anomalies: self.settled(s, FieldName::Anomalies, f.anomalies.clone(), anomalies),
                fate: self.settled(s, FieldName::Fate, f.fate, fate),
                bucket: f.bucket.clone(),
                voided: self.is_voided(s.id) || self.is_repeat(s.id),
            })
            .collect()
    }

    pub(super) fn batches(&self, flags: &mut Vec<Flag>) -> Vec<BatchView> {
        let batches: Vec<BatchView> = self
            .seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Batch(b) => Some((s, b)),
                _ => None,
            })
            .map(|(s, b)| BatchView {
                stamp: self.stamp(s),
                why: s.entry.why.clone(),
                pass: self.settled_always(s, FieldName::Pass, b.pass.clone(), pass),
                species: self.settled_always(s, FieldName::Species, b.species.clone(), species),
                n: self.settled_always(s, FieldName::N, b.n, count),
                counted: b.counted,
                mass_g: self.settled(s, FieldName::MassG, b.mass_g, mass),
                min_mm: b.min_mm,
                max_mm: b.max_mm,
                mean_mm: b.mean_mm,
                bucket: b.bucket.clone(),
                out: self.is_voided(s.id) || self.is_repeat(s.id),
            })
            .collect();
        let mut by_bucket: BTreeMap<_, Vec<&BatchView>> = BTreeMap::new();
        for batch in batches.iter().filter(|b| !b.out) {
            if let Some(bucket) = &batch.bucket {
                by_bucket
                    .entry((bucket, &batch.pass.value, &batch.species.value))
                    .or_default()
                    .push(batch);
            }
        }
        for ((bucket, pass, species), same) in by_bucket {
            let devices = |b: &BatchView| b.stamp.id.writer.device;
            if same
                .windows(2)
                .any(|two| devices(two[0]) != devices(two[1]))
            {
                flags.push(Flag {
                    kind: FlagKind::Perhaps1Batch,
                    about: same.iter().map(|b| b.stamp.id).collect(),
                    words: format!(
                        "{} batches of {species} from bucket {bucket}, pass {pass}, on different devices: if they are one, join them",
                        same.len()
                    ),
                });
            }
        }
        batches
    }

    pub(super) fn deaths(&self, flags: &mut Vec<Flag>) -> Vec<DeathView> {
        let mut deaths: Vec<DeathView> = self
            .seen
            .iter()
            .filter_map(|s| match &s.entry.what {
                Fact::Death(d) => Some((s, d)),
                _ => None,
            })
            .map(|(s, d)| DeathView {
                stamp: self.stamp(s),
                pass: self.settled_always(s, FieldName::Pass, d.pass.clone(), pass),
                species: self.settled_always(s, FieldName::Species, d.species.clone(), species),
                n: self.settled_always(s, FieldName::N, d.n, count),
                stage: d.stage,
                fish: d.fish,
                out: self.is_voided(s.id) || self.is_repeat(s.id),
            })
            .collect();
        // A fish dies once, however many people write it down.
        let mut dead = BTreeSet::new();
        for death in deaths.iter_mut().filter(|d| !d.out) {
            if let Some(fish) = death.fish {
                death.out = !dead.insert(fish);
            }
        }
        flag_perhaps_one(&deaths, flags);
        deaths
    }

    pub(super) fn buckets(&self) -> Vec<BucketView> {
        let mut buckets: BTreeMap<(BucketLabel, PassKey), BucketView> = BTreeMap::new();
        for s in self.seen {
            let Fact::Bucket(bucket) = &s.entry.what else {
                continue;
            };
            buckets
                .entry((bucket.label.clone(), bucket.pass.clone()))
                .or_insert_with(|| BucketView {
                    label: bucket.label.clone(),
                    pass: bucket.pass.clone(),
                    moments: Vec::new(),
                })
                .moments
                .push(self.dated(s, bucket.moment));
        }
        buckets.into_values().collect()
    }
}

/// Asks about each death that follows one of the same species and pass on another device: about
/// the nearest before it, so that a day of many deaths asks once for each.
fn flag_perhaps_one(deaths: &[DeathView], flags: &mut Vec<Flag>) {
    let mut alike: BTreeMap<(&SpeciesName, &PassKey), Vec<&DeathView>> = BTreeMap::new();
    for death in deaths.iter().filter(|d| !d.out) {
        let same = (&death.species.value, &death.pass.value);
        alike.entry(same).or_default().push(death);
    }
    for ((species, pass), mut alike) in alike {
        alike.sort_by_key(|d| (d.stamp.corrected, d.stamp.lamport, d.stamp.id));
        // The last death of each device, with and without a fish named.
        let mut last: BTreeMap<(DeviceTag, bool), &DeathView> = BTreeMap::new();
        for later in alike {
            let device = later.stamp.id.writer.device;
            let attached = later.fish.is_some();
            let nearest = last
                .iter()
                // Two deaths of two fish are two.
                .filter(|((of, tied), _)| *of != device && !(*tied && attached))
                .map(|(_, death)| *death)
                .max_by_key(|d| (d.stamp.corrected, d.stamp.lamport, d.stamp.id));
            if let Some(before) = nearest {
                let apart = later.stamp.corrected - before.stamp.corrected;
                if apart <= SAME_DEATH_WITHIN {
                    let mut both = [before, later];
                    both.sort_by_key(|d| (d.stamp.lamport, d.stamp.id));
                    flags.push(Flag {
                        kind: FlagKind::Perhaps1Death,
                        about: both.iter().map(|d| d.stamp.id).collect(),
                        words: format!(
                            "{} and {} each logged a dead {species} of pass {pass} {} min apart: if it is one fish, join the two records; until then both count",
                            both[0].stamp.by,
                            both[1].stamp.by,
                            apart.num_minutes()
                        ),
                    });
                }
            }
            last.insert((device, attached), later);
        }
    }
}
