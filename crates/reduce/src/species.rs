//! One species over the whole visit: counts, estimates, lengths, mass.

use std::collections::BTreeMap;

use gravelbar_estimate::{LONGEST_FISH_MM, LengthBin, length_frequency, usual_bin_mm};
use gravelbar_visit::{Channel, FishView, PassKey, SpeciesName, View};
use serde::Serialize;

use crate::analyses::Analyses;
use crate::channel::ChannelSummary;
use crate::count::{Counts, PassCounts};
use crate::figure::{counted, figure, ratio};
use crate::ground::{Ground, grounds};
use crate::moment::Clocks;
use crate::pass::PassSummary;
use crate::removal::{CatchSource, Caught, Removal};
use crate::size::{PassOfFish, SizeGroups, size_groups};

/// Fish more on the tally than worked up that are taken for counting slips, not for fish still
/// waiting: two, or a tenth (judgement, no source).
const SLIPS: u64 = 2;

/// One species.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpeciesSummary {
    /// Species; the name netters tapped, where none was worked up.
    pub species: SpeciesName,
    /// Scientific name, where the plan has one.
    pub scientific_name: String,
    /// A name for fish nobody could name yet.
    pub provisional: bool,
    /// Where its counts come from.
    pub source: CatchSource,
    /// Fish on record.
    pub total: u64,
    /// Fish by pass; a pass fished without it has a zero.
    pub catch: Vec<PassCatch>,
    /// All channels joined.
    pub removal: Removal,
    /// Each channel, where there are several.
    pub channels: Vec<ChannelRemoval>,
    /// Size groups, all channels joined.
    pub size_groups: SizeGroups,
    /// Lengths of fish measured one by one.
    pub lengths: Lengths,
    /// Mass.
    pub mass: Mass,
}

/// Fish of one pass.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PassCatch {
    /// Which pass.
    pub pass: PassKey,
    /// Fish.
    pub n: u64,
}

/// A species in one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChannelRemoval {
    /// Which channel.
    pub channel: Channel,
    /// Its series.
    pub removal: Removal,
    /// The same by size group, from this channel alone.
    pub size_groups: SizeGroups,
}

/// Lengths of fish measured one by one.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Lengths {
    /// How many were measured.
    pub measured: u64,
    /// Shortest, mm.
    pub min_mm: Option<f64>,
    /// Longest, mm.
    pub max_mm: Option<f64>,
    /// Mean, mm.
    pub mean_mm: Option<f64>,
    /// Width of a length bin, mm.
    pub bin_mm: u32,
    /// Fish by length, shortest bin first, in whole mm rounded down; a length that no fish has is
    /// in none.
    pub bins: Vec<LengthBin>,
}

/// Mass of fish weighed, alone or in batches.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Mass {
    /// How many fish were weighed.
    pub weighed: u64,
    /// Their mass together, g.
    pub weighed_g: Option<f64>,
    /// Mean of one fish, g.
    pub mean_g: Option<f64>,
    /// Estimated fish times mean mass over the area, g/m²; only where every fish was weighed and
    /// an estimate and the area are there.
    pub biomass_g_m2: Option<f64>,
}

/// All species worked up, then names that were only tapped; each in the plan's order, the
/// others by name.
pub(crate) fn species(
    view: &View,
    clocks: &Clocks,
    counts: &Counts<'_>,
    passes: &[PassSummary],
    channels: &[ChannelSummary],
    analyses: &mut Analyses,
) -> Vec<SpeciesSummary> {
    let worked_up = counts.species();
    let has_work_up: std::collections::BTreeSet<&SpeciesName> =
        worked_up.iter().map(|s| view.plan.tallied_as(s)).collect();
    let ground = |source| grounds(view, clocks, passes, channels, source);
    let place: BTreeMap<&SpeciesName, usize> = (view.plan.species.iter().enumerate().rev())
        .map(|(place, s)| (&s.name, place))
        .collect();
    let in_order = |mut names: Vec<&'_ SpeciesName>| {
        let key = |name: &SpeciesName| place.get(name).copied().unwrap_or(usize::MAX);
        names.sort_by(|a, b| key(a).cmp(&key(b)).then(a.cmp(b)));
        names.into_iter().cloned().collect::<Vec<SpeciesName>>()
    };
    let bank = in_order(worked_up.into_iter().collect());
    // Escapes alone make no row: nobody caught those fish.
    let water: Vec<&SpeciesName> = (counts.groups().into_iter())
        .filter(|name| !has_work_up.contains(name))
        .filter(|name| counts.passes.values().any(|p| p.tapped(name) > 0))
        .collect();
    let water = in_order(water);
    let mut summaries = Vec::new();
    for (names, source) in [(bank, CatchSource::WorkUp), (water, CatchSource::Tally)] {
        let grounds = ground(source);
        let joined = Ground::joined(&grounds);
        for name in names {
            let place = Place {
                source,
                grounds: &grounds,
                joined: &joined,
            };
            summaries.push(one(view, counts, &name, &place, analyses));
        }
    }
    summaries
}

/// Where a species was fished, for one source of counts.
struct Place<'a> {
    source: CatchSource,
    grounds: &'a BTreeMap<&'a Channel, Ground>,
    joined: &'a Ground,
}

fn one(
    view: &View,
    counts: &Counts<'_>,
    name: &SpeciesName,
    place: &Place<'_>,
    analyses: &mut Analyses,
) -> SpeciesSummary {
    let &Place {
        source,
        grounds,
        joined,
    } = place;
    let n = |pass: &PassCounts<'_>| match source {
        CatchSource::WorkUp => pass.of(name),
        CatchSource::Tally => pass.tapped(name),
    };
    let series = |ground: &Ground, channel: Option<&Channel>, analyses: &mut Analyses| {
        let mut catch = vec![0; usize::from(ground.passes)];
        let mut total = 0;
        let mut cautions = Vec::new();
        for (key, pass) in &counts.passes {
            if channel.is_some_and(|channel| *channel != key.channel) {
                continue;
            }
            total += n(pass);
            let used = grounds.get(&key.channel).is_some_and(|g| g.passes > 0);
            let place = usize::from(key.number).checked_sub(1).filter(|_| used);
            if let Some(sum) = place.and_then(|place| catch.get_mut(place)) {
                *sum += n(pass);
                if source == CatchSource::WorkUp {
                    cautions.extend(of_pass(view, name, key, pass));
                }
            }
        }
        if source == CatchSource::Tally {
            cautions.push(
                "counted by the netters in the water; none was worked up on the bank".to_owned(),
            );
        }
        let caught = Caught {
            source,
            catch,
            total,
            cautions,
        };
        Removal::of(caught, ground, analyses)
    };
    let removal = series(joined, None, analyses);
    let planned = view.plan.species(name);
    let mut fish: Vec<&FishView> = Vec::new();
    let mut of_fish = Vec::new();
    for (key, pass) in &counts.passes {
        if let Some(worked_up) = pass.worked_up.get(name) {
            fish.extend(&worked_up.fish);
            of_fish.push(PassOfFish {
                pass: key,
                fish: &worked_up.fish,
                batched: worked_up.batched(),
                used: grounds.get(&key.channel).is_some_and(|g| g.passes > 0),
            });
        }
    }
    let groups = |ground: &Ground, channel: Option<&Channel>, analyses: &mut Analyses| {
        let Some(planned) = planned.filter(|_| source == CatchSource::WorkUp) else {
            return SizeGroups::NotPlanned;
        };
        let here = |pass: &&PassOfFish<'_>| channel.is_none_or(|c| *c == pass.pass.channel);
        let passes: Vec<&PassOfFish<'_>> = of_fish.iter().filter(here).collect();
        size_groups(&planned.size_cuts_mm, &passes, ground, analyses)
    };
    let size_groups = groups(joined, None, analyses);
    let several = grounds.len() > 1;
    SpeciesSummary {
        species: name.clone(),
        scientific_name: planned
            .map(|p| p.scientific_name.clone())
            .unwrap_or_default(),
        provisional: name.is_provisional(),
        source,
        total: removal.total,
        catch: (counts.passes.iter())
            .map(|(key, pass)| PassCatch {
                pass: key.clone(),
                n: n(pass),
            })
            .collect(),
        channels: (grounds.iter().filter(|_| several))
            .map(|(channel, ground)| ChannelRemoval {
                channel: (*channel).clone(),
                removal: series(ground, Some(channel), analyses),
                size_groups: groups(ground, Some(channel), analyses),
            })
            .collect(),
        lengths: lengths(&fish),
        mass: mass(counts, name, &removal),
        size_groups,
        removal,
    }
}

/// Cautions a species brings from one pass.
fn of_pass(view: &View, name: &SpeciesName, key: &PassKey, pass: &PassCounts<'_>) -> Vec<String> {
    let mut cautions = Vec::new();
    let guessed = pass.worked_up.get(name).map_or(0, |w| w.guessed());
    if guessed > 0 {
        let fish = counted(guessed, "fish", "fish");
        cautions.push(format!(
            "{fish} of pass {key} estimated in a batch, not counted"
        ));
    }
    let group = view.plan.tallied_as(name);
    let tapped = pass.tapped(group);
    let worked_up = pass.banked.get(group).copied().unwrap_or(0);
    if tapped > worked_up.saturating_add(SLIPS.max(tapped / 10)) {
        cautions.push(format!(
            "pass {key}: netters counted {tapped} {group}, {worked_up} are worked up: fish may be waiting or lost"
        ));
    }
    cautions
}

fn lengths(fish: &[&FishView]) -> Lengths {
    let mut mm: Vec<f64> = (fish.iter())
        .filter_map(|f| f.length_mm.as_ref().map(|l| l.value))
        .filter(|mm| mm.is_finite())
        .collect();
    mm.sort_by(f64::total_cmp);
    let sum: f64 = mm.iter().sum();
    let whole: Vec<u32> = mm.iter().copied().filter_map(whole_mm).collect();
    let bin_mm = usual_bin_mm(whole.last().copied().unwrap_or(0));
    Lengths {
        bin_mm,
        // No bin is without width and no length past the longest: there is nothing to refuse.
        bins: length_frequency(&whole, bin_mm).unwrap_or_default(),
        measured: mm.len() as u64,
        min_mm: mm.first().copied().and_then(figure),
        max_mm: mm.last().copied().and_then(figure),
        mean_mm: ratio(sum, mm.len() as f64),
    }
}

/// Whole millimetres of a fish that can be.
fn whole_mm(mm: f64) -> Option<u32> {
    let fish = 1.0..=f64::from(LONGEST_FISH_MM);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "within 1 to the longest fish, where rounding down is what is wanted"
    )]
    fish.contains(&mm).then_some(mm as u32)
}

fn mass(counts: &Counts<'_>, name: &SpeciesName, removal: &Removal) -> Mass {
    let mut weighed = 0;
    let mut sum_g = 0.0;
    for fish in counts.passes.values().filter_map(|p| p.worked_up.get(name)) {
        let single = (fish.fish.iter()).map(|f| (1, f.mass_g.as_ref().map(|m| m.value)));
        let batches = fish.batches.iter();
        let batched = batches.map(|b| (u64::from(b.n.value), b.mass_g.as_ref().map(|m| m.value)));
        for (n, g) in single.chain(batched) {
            if let Some(g) = g.filter(|g| g.is_finite() && *g > 0.0) {
                weighed += n;
                sum_g += g;
            }
        }
    }
    let mean_g = ratio(sum_g, weighed as f64);
    let density = (removal.density.as_ref()).filter(|_| weighed == removal.total);
    Mass {
        weighed,
        weighed_g: figure(sum_g).filter(|_| weighed > 0),
        mean_g,
        biomass_g_m2: density
            .zip(mean_g)
            .and_then(|(d, g)| figure(g * d.fish_per_100_m2 / 100.0)),
    }
}
