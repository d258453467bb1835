//! Size groups: small fish are caught less well, so they are estimated apart.

use gravelbar_estimate::{StrataSum, Stratum, sum_of_strata};
use gravelbar_visit::{FishView, PassKey};
use serde::Serialize;

use crate::analyses::Analyses;
use crate::figure::{counted, plain};
use crate::ground::Ground;
use crate::removal::{CatchSource, Caught, Removal};

/// Estimates by size group, or why there are none.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "state")]
pub enum SizeGroups {
    /// The plan cuts no size groups for the species.
    NotPlanned,
    /// A fish has no length, so nobody knows which group it belongs to.
    Unavailable {
        /// Which fish.
        because: String,
    },
    /// Every fish was measured.
    Estimated {
        /// Smallest first.
        groups: Vec<SizeGroup>,
        /// The groups added up, where each has an estimate.
        sum: Option<StrataSum>,
    },
}

/// One size group.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SizeGroup {
    /// "under 100 mm", "100 to 150 mm", "150 mm and over".
    pub words: String,
    /// Shortest length that belongs to it, mm.
    pub from_mm: Option<f64>,
    /// Length from which the next group begins, mm.
    pub below_mm: Option<f64>,
    /// Its series.
    pub removal: Removal,
}

/// One pass of a species, for the groups.
pub(crate) struct PassOfFish<'a> {
    pub(crate) pass: &'a PassKey,
    pub(crate) fish: &'a [&'a FishView],
    pub(crate) batched: u64,
    pub(crate) used: bool,
}

pub(crate) fn size_groups(
    cuts_mm: &[f64],
    passes: &[&PassOfFish<'_>],
    ground: &Ground,
    analyses: &mut Analyses,
) -> SizeGroups {
    let mut cuts: Vec<f64> = cuts_mm.iter().copied().filter(|c| c.is_finite()).collect();
    cuts.sort_by(f64::total_cmp);
    if cuts.is_empty() {
        return SizeGroups::NotPlanned;
    }
    if let Some(because) = unmeasured(passes) {
        return SizeGroups::Unavailable { because };
    }
    let groups: Vec<SizeGroup> = (0..=cuts.len())
        .map(|group| {
            let in_group = |fish: &FishView| {
                let length = fish.length_mm.as_ref().map_or(0.0, |l| l.value);
                cuts.iter().filter(|cut| length >= **cut).count() == group
            };
            let mut catch = vec![0; usize::from(ground.passes)];
            let mut total = 0;
            for pass in passes {
                let n = pass.fish.iter().filter(|f| in_group(f)).count() as u64;
                total += n;
                let place = usize::from(pass.pass.number).saturating_sub(1);
                if let Some(sum) = catch.get_mut(place).filter(|_| pass.used) {
                    *sum += n;
                }
            }
            let caught = Caught {
                source: CatchSource::WorkUp,
                catch,
                total,
                cautions: Vec::new(),
            };
            let from_mm = group
                .checked_sub(1)
                .and_then(|below| cuts.get(below))
                .copied();
            let below_mm = cuts.get(group).copied();
            SizeGroup {
                words: words(from_mm, below_mm),
                from_mm,
                below_mm,
                removal: Removal::of(caught, ground, analyses),
            }
        })
        .collect();
    SizeGroups::Estimated {
        sum: sum(&groups),
        groups,
    }
}

fn unmeasured(passes: &[&PassOfFish<'_>]) -> Option<String> {
    let mut missing = Vec::new();
    for pass in passes {
        let measured = |f: &&&FishView| f.length_mm.as_ref().is_some_and(|l| l.value.is_finite());
        let single = pass.fish.iter().filter(|f| !measured(f)).count() as u64;
        for (n, what) in [(single, "without a length"), (pass.batched, "in batches")] {
            if n > 0 {
                let fish = counted(n, "fish", "fish");
                missing.push(format!("{fish} {what} in pass {}", pass.pass));
            }
        }
    }
    (!missing.is_empty()).then(|| format!("not every fish was measured: {}", missing.join("; ")))
}

/// The sum, where every group that caught anything has an estimate.
fn sum(groups: &[SizeGroup]) -> Option<StrataSum> {
    let strata: Option<Vec<Stratum>> = (groups.iter())
        .filter(|g| g.removal.total > 0)
        .map(|g| {
            g.removal.headline().map(|h| Stratum {
                n_fish: h.n_fish as f64,
                se_fish: h.se_fish,
            })
        })
        .collect();
    strata.filter(|s| s.len() > 1).map(|s| sum_of_strata(&s))
}

fn words(from_mm: Option<f64>, below_mm: Option<f64>) -> String {
    match (from_mm, below_mm) {
        (None, Some(below)) => format!("under {} mm", plain(below)),
        (Some(from), Some(below)) => format!("{} to {} mm", plain(from), plain(below)),
        (Some(from), None) => format!("{} mm and over", plain(from)),
        (None, None) => "all sizes".to_owned(),
    }
}
