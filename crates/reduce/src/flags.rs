//! Odd things: those the view found and those only the sums can show, in one fixed order.

mod catch;
mod effort;
mod mass;
mod output;
mod people;
mod verdict;

use std::collections::BTreeMap;

use gravelbar_visit::{Flag, FlagKind, PassKey, PassView, RecordId, View};

use crate::count::Counts;
use crate::moment::Clocks;
use crate::pass::PassSummary;
use crate::species::SpeciesSummary;
use crate::take::TakeSummary;

/// Everything the flags are read from.
pub(crate) struct Found<'a> {
    pub(crate) view: &'a View,
    pub(crate) clocks: &'a Clocks,
    pub(crate) counts: &'a Counts<'a>,
    pub(crate) passes: &'a [PassSummary],
    pub(crate) species: &'a [SpeciesSummary],
    pub(crate) take: &'a [TakeSummary],
    views: BTreeMap<&'a PassKey, &'a PassView>,
}

impl<'a> Found<'a> {
    pub(crate) fn new(
        view: &'a View,
        clocks: &'a Clocks,
        counts: &'a Counts<'a>,
        passes: &'a [PassSummary],
        species: &'a [SpeciesSummary],
        take: &'a [TakeSummary],
    ) -> Self {
        Self {
            view,
            clocks,
            counts,
            passes,
            species,
            take,
            views: view.passes.iter().map(|p| (&p.pass, p)).collect(),
        }
    }

    /// The pass as the view has it.
    fn pass_view(&self, pass: &PassKey) -> Option<&'a PassView> {
        self.views.get(pass).copied()
    }

    /// The standing openings and closings of a pass: what a flag about the pass is about.
    fn marks(&self, pass: &PassKey) -> Vec<RecordId> {
        (self.pass_view(pass).iter())
            .flat_map(|p| p.opened.iter().chain(&p.closed))
            .filter(|mark| !mark.voided)
            .map(|mark| mark.stamp.id)
            .collect()
    }

    /// The passes of each channel, by number.
    fn by_channel(&self) -> BTreeMap<&'a gravelbar_visit::Channel, Vec<&'a PassSummary>> {
        let mut channels: BTreeMap<_, Vec<&PassSummary>> = BTreeMap::new();
        for pass in self.passes {
            channels.entry(&pass.pass.channel).or_default().push(pass);
        }
        channels
    }
}

/// All flags by kind, then by the records they are about. The order doesn't depend on who noticed
/// first, and a flag raised by the view and again here stands once.
pub(crate) fn flags(found: &Found<'_>) -> Vec<Flag> {
    let mut flags = found.view.flags.clone();
    effort::flags(found, &mut flags);
    output::flags(found, &mut flags);
    catch::flags(found, &mut flags);
    mass::flags(found, &mut flags);
    people::flags(found, &mut flags);
    verdict::flags(found, &mut flags);
    for flag in &mut flags {
        flag.about.sort_unstable();
        flag.about.dedup();
    }
    flags.sort_unstable();
    flags.dedup();
    flags
}

fn flag(kind: FlagKind, about: Vec<RecordId>, words: String) -> Flag {
    Flag { kind, about, words }
}
