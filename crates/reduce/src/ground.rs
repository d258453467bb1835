//! The ground a removal series was fished on: which passes can be used, how equal they were, and
//! whether the nets held.

use std::collections::BTreeMap;

use gravelbar_visit::{Channel, PassKey, PassView, View};

use crate::channel::ChannelSummary;
use crate::figure::{figure, percent};
use crate::moment::Clocks;
use crate::nets::{Closure, nets};
use crate::pass::{PassSummary, WorkUp};
use crate::removal::CatchSource;
use crate::span::{PassState, Span};

/// Seconds per area of two passes differ clearly above this ratio.
///
/// # Source
/// Judgement, no source.
pub(crate) const UNEQUAL_EFFORT: f64 = 1.3;

/// One or more channels as one ground.
pub(crate) struct Ground {
    /// Area, m²; `None` where a channel's isn't known.
    pub(crate) area_m2: Option<f64>,
    /// Usable passes, from 1 without a gap.
    pub(crate) passes: u8,
    /// Why pass `passes + 1` can't be used, where there is anything to say.
    stopped_by: Vec<String>,
    /// State of the nets from the beginning of pass 1 to the end of pass `i + 1`.
    closures: Vec<(Closure, String)>,
    /// Cautions that arise with pass `i + 1`.
    arising: Vec<Vec<String>>,
}

impl Ground {
    /// Whether the nets held to the end of the `passes`th pass.
    pub(crate) fn closed_until(&self, passes: usize) -> (Closure, String) {
        (self.closures.get(passes.saturating_sub(1)))
            .cloned()
            .unwrap_or((Closure::NotRecorded, "no nets on record".to_owned()))
    }

    /// Cautions for a series of `passes`.
    pub(crate) fn cautions(&self, passes: usize) -> Vec<String> {
        let arisen = self.arising.iter().take(passes).flatten();
        arisen.chain(&self.stopped_by).cloned().collect()
    }

    /// Why no further pass can be used.
    pub(crate) fn why_no_more(&self) -> String {
        if self.stopped_by.is_empty() {
            "no pass is on record".to_owned()
        } else {
            self.stopped_by.join("; ")
        }
    }

    /// Several channels fished pass by pass as one: a pass counts where every channel that fished
    /// pass 1 fished it.
    pub(crate) fn joined(grounds: &BTreeMap<&Channel, Self>) -> Self {
        let first_fished: Vec<(&&Channel, &Self)> =
            grounds.iter().filter(|(_, g)| g.passes > 0).collect();
        let passes = first_fished
            .iter()
            .map(|(_, g)| g.passes)
            .min()
            .unwrap_or(0);
        let said = |channel: &Channel, words: &str| {
            if grounds.len() > 1 {
                format!("{channel}: {words}")
            } else {
                words.to_owned()
            }
        };
        let mut stopped_by: Vec<String> = Vec::new();
        for (channel, ground) in grounds {
            let fewest = ground.passes == passes;
            let words = ground
                .stopped_by
                .iter()
                .filter(|_| fewest || ground.passes == 0);
            stopped_by.extend(words.map(|w| said(channel, w)));
        }
        if first_fished.iter().any(|(_, g)| g.passes > passes) {
            let counts: Vec<String> = (first_fished.iter())
                .map(|(channel, g)| format!("{channel} {}", g.passes))
                .collect();
            stopped_by.push(format!(
                "channels have different numbers of finished passes ({}): joined over {passes}",
                counts.join(", ")
            ));
        }
        let closures = (1..=usize::from(passes))
            .map(|k| {
                let each: Vec<(Closure, String)> = (first_fished.iter())
                    .map(|(channel, g)| {
                        let (closure, words) = g.closed_until(k);
                        (closure, said(channel, &words))
                    })
                    .collect();
                let worst = each.iter().map(|(closure, _)| *closure).max();
                let worst = worst.unwrap_or(Closure::NotRecorded);
                let words: Vec<String> = (each.into_iter())
                    .filter(|(closure, _)| *closure == worst)
                    .map(|(_, words)| words)
                    .collect();
                let same = "both nets holding".to_owned();
                let words = if worst == Closure::Closed {
                    same
                } else {
                    words.join("; ")
                };
                (worst, words)
            })
            .collect();
        let arising = (0..usize::from(passes))
            .map(|i| {
                (first_fished.iter())
                    .flat_map(|(channel, g)| {
                        let cautions = g.arising.get(i).map_or(&[][..], Vec::as_slice);
                        cautions.iter().map(|c| said(channel, c))
                    })
                    .collect()
            })
            .collect();
        let areas: Option<Vec<f64>> = first_fished.iter().map(|(_, g)| g.area_m2).collect();
        Self {
            area_m2: (areas.filter(|a| !a.is_empty())).and_then(|a| figure(a.iter().sum())),
            passes,
            stopped_by,
            closures,
            arising,
        }
    }
}

/// The ground of each channel, for one source of counts.
pub(crate) fn grounds<'a>(
    view: &View,
    clocks: &Clocks,
    passes: &'a [PassSummary],
    channels: &[ChannelSummary],
    source: CatchSource,
) -> BTreeMap<&'a Channel, Ground> {
    let views: BTreeMap<&PassKey, &PassView> = view.passes.iter().map(|p| (&p.pass, p)).collect();
    let mut by_channel: BTreeMap<&Channel, BTreeMap<u8, &PassSummary>> = BTreeMap::new();
    for pass in passes {
        let numbers = by_channel.entry(&pass.pass.channel).or_default();
        numbers.insert(pass.pass.number, pass);
    }
    let anyone_tapped = passes.iter().any(|p| p.tallied > 0);
    (by_channel.into_iter())
        .map(|(channel, numbers)| {
            let area_m2 = (channels.iter().find(|c| c.channel == *channel)).and_then(|c| c.area_m2);
            let (usable, stopped_by) = usable(&numbers, source);
            let span = |n: u8| {
                let key = numbers.get(&n).map(|p| &p.pass);
                Span::of(key.and_then(|key| views.get(key).copied()))
            };
            let closures = (1..=usable)
                .map(|n| {
                    let during = nets(view, clocks, channel, span(1).from, span(n).to);
                    (during.closure, during.words)
                })
                .collect();
            let first = numbers.get(&1).and_then(|p| p.effort.total_s);
            let arising = (1..=usable)
                .filter_map(|n| numbers.get(&n))
                .map(|pass| {
                    let mut cautions = arising(pass, first, usable > 1, anyone_tapped);
                    cautions.extend(missing(view, &pass.pass));
                    cautions
                })
                .collect();
            let ground = Ground {
                area_m2,
                passes: usable,
                stopped_by,
                closures,
                arising,
            };
            (channel, ground)
        })
        .collect()
}

/// Passes from 1 on that are over and, for the work-up, worked up; and why the next one isn't.
fn usable(numbers: &BTreeMap<u8, &PassSummary>, source: CatchSource) -> (u8, Vec<String>) {
    let mut passes = 0_u8;
    while let Some(next) = passes.checked_add(1) {
        let later_begun = || {
            let later = numbers.range(next..).skip(1);
            later
                .into_iter()
                .any(|(_, p)| p.state != PassState::NeverOpened)
        };
        let why = match numbers.get(&next) {
            None if numbers.range(next..).next().is_some() => Some(format!(
                "pass {next} isn't on record though a later pass is"
            )),
            None => return (passes, Vec::new()),
            Some(pass) if pass.state == PassState::Open && !later_begun() => Some(format!(
                "pass {next} is still being fished: it counts once it is closed"
            )),
            Some(pass) if source == CatchSource::WorkUp && pass.work_up == WorkUp::NotBegun => {
                Some(format!(
                    "pass {next} isn't worked up yet ({} on the tally): it counts once it is",
                    pass.tallied
                ))
            }
            Some(_) => None,
        };
        if let Some(why) = why {
            return (passes, vec![why]);
        }
        passes = next;
    }
    (passes, Vec::new())
}

/// Lost devices whose records of a pass may be missing: those that knew it as open when last heard,
/// and those known to have made more than anyone has, whatever passes that was in.
fn missing(view: &View, pass: &PassKey) -> impl Iterator<Item = String> {
    let gaps = view.lost.iter().filter(|lost| lost.leaves_a_gap());
    let in_pass = gaps.filter(|l| l.open_passes.contains(pass) || l.open_passes.is_empty());
    in_pass.map(|lost| {
        format!(
            "a lost device (“{}”) leaves a gap: fish of pass {} may be missing",
            lost.name, pass.number
        )
    })
}

fn arising(
    pass: &PassSummary,
    first_s: Option<f64>,
    several: bool,
    anyone_tapped: bool,
) -> Vec<String> {
    let number = pass.pass.number;
    let mut cautions = Vec::new();
    match (pass.effort.total_s, first_s) {
        (Some(_), Some(_)) => {
            let share = pass.effort.share_of_first.unwrap_or(1.0);
            if number > 1 && !(1.0 / UNEQUAL_EFFORT..=UNEQUAL_EFFORT).contains(&share) {
                cautions.push(format!(
                    "pass {number} had {} of the energised seconds of pass 1: its catch may be effort, not depletion",
                    percent(share)
                ));
            }
        }
        (None, _) if several => cautions.push(format!(
            "no energised seconds for pass {number}: nobody can show that effort was equal"
        )),
        _ => {}
    }
    if !pass.open_buckets.is_empty() {
        let labels: Vec<&str> = pass.open_buckets.iter().map(|b| b.as_str()).collect();
        cautions.push(format!(
            "bucket {} of pass {number} isn't emptied: fish of the pass may be missing",
            labels.join(", ")
        ));
    }
    if pass.worked_up == 0 && pass.tallied == 0 && !anyone_tapped {
        cautions.push(format!(
            "pass {number} has no fish on record: it counts as fished with none caught"
        ));
    }
    cautions
}
