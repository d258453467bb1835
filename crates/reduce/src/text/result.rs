//! The results: species by species, never a number without what it is and how far to trust it.

use gravelbar_estimate::CAUTION;

use super::paper::Paper;
use crate::nets::Closure;
use crate::removal::Removal;
use crate::size::SizeGroups;
use crate::species::SpeciesSummary;
use crate::summary::Summary;

impl Summary {
    pub(super) fn write_results(&self, paper: &mut Paper) {
        paper.heading(&format!(
            "Results: {} fish worked up, {} counted by the netters",
            self.worked_up, self.tallied
        ));
        let estimated = |s: &SpeciesSummary| s.removal.headline().is_some();
        if self.species.iter().any(estimated) {
            // Once above all estimates instead of below each.
            paper.line(2, CAUTION);
        }
        for species in &self.species {
            species.write(paper);
        }
        if self.species.is_empty() {
            paper.line(
                2,
                "no fish on record; zero caught does not mean zero present",
            );
        }
    }
}

impl SpeciesSummary {
    fn write(&self, paper: &mut Paper) {
        paper.heading(&match self.scientific_name.as_str() {
            "" => self.species.to_string(),
            scientific => format!("{} ({scientific})", self.species),
        });
        write_removal(&self.removal, 2, paper);
        for channel in &self.channels {
            paper.line(2, &format!("channel {}:", channel.channel));
            write_removal(&channel.removal, 4, paper);
            write_groups(&channel.size_groups, 4, paper);
        }
        write_groups(&self.size_groups, 2, paper);
        if let Some(mean) = self.mass.mean_g {
            let mut said = format!("mean mass {mean:.1} g of {} weighed", self.mass.weighed);
            if let Some(biomass) = self.mass.biomass_g_m2 {
                let open = if self.removal.closure == Closure::Closed {
                    ""
                } else {
                    ", reach not closed"
                };
                said.push_str(&format!(
                    "; {biomass:.2} g/m² (Carle-Strub estimate times mean mass{open})"
                ));
            }
            paper.line(2, &said);
        }
    }
}

/// `48, 19, 8 = 75 (work-up)`.
fn series(removal: &Removal) -> String {
    let source = removal.source.words();
    if removal.catch.is_empty() {
        return format!("{} ({source})", removal.total);
    }
    let passes: Vec<String> = removal.catch.iter().map(ToString::to_string).collect();
    let used: u64 = removal.catch.iter().sum();
    format!("{} = {used} ({source})", passes.join(", "))
}

fn write_groups(groups: &SizeGroups, indent: usize, paper: &mut Paper) {
    match groups {
        SizeGroups::NotPlanned => {}
        SizeGroups::Unavailable { because } => {
            paper.line(indent, &format!("no estimates by size: {because}"));
        }
        SizeGroups::Estimated { groups, sum } => {
            for group in groups {
                let removal = &group.removal;
                let said = format!("{}: {}: {}", group.words, series(removal), removal.verdict);
                paper.line(indent, &said);
                write_earlier(removal, indent + 2, paper);
            }
            if let Some(sum) = sum {
                let width = sum.half_width_95_fish;
                let spread = match width {
                    Some(width) => format!(" ± {width:.1} (Carle-Strub, 1.96 SE)"),
                    None => " (Carle-Strub, no spread)".to_owned(),
                };
                paper.line(
                    indent,
                    &format!("size groups added: about {:.0}{spread}", sum.n_fish),
                );
            }
        }
    }
}

/// What stood after each pass before the last.
fn write_earlier(removal: &Removal, indent: usize, paper: &mut Paper) {
    let earlier = removal.after.len().saturating_sub(1);
    for after in removal.after.iter().take(earlier) {
        paper.line(
            indent,
            &format!("after pass {}: {}", after.passes, after.verdict),
        );
    }
}

fn write_removal(removal: &Removal, indent: usize, paper: &mut Paper) {
    paper.line(indent, &format!("{}: {}", series(removal), removal.verdict));
    if let Some(density) = &removal.density {
        let interval = match (density.low_per_100_m2, density.high_per_100_m2) {
            (Some(low), Some(high)) => format!("95 % profile interval {low:.1} to {high:.1}"),
            (Some(low), None) => format!("95 % profile interval from {low:.1}, no upper limit"),
            _ => "interval not informative".to_owned(),
        };
        paper.line(
            indent,
            &format!(
                "{:.1} on 100 m² (Carle-Strub; {interval}; area {:.0} m² taken as exact)",
                density.fish_per_100_m2, density.area_m2
            ),
        );
    }
    write_earlier(removal, indent, paper);
    if let Some(next) = &removal.next_pass {
        paper.line(indent, &next.words);
    }
    for caution in removal.cautions.iter().filter(|c| *c != CAUTION) {
        paper.line(indent, &format!("caution: {caution}"));
    }
}
