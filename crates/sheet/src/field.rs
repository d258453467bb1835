//! What stands on the crew's and the office's sheet.

mod crew;
pub(crate) mod fish;
mod passes;
mod place;
mod safety;
mod sign;

use gravelbar_reduce::{SpeciesSummary, Summary};
use gravelbar_visit::View;

use crate::model::{Band, Line, Sheet, Standing};
use crate::plot::{Drawing, decline, interval_by_pass, length_frequency};
use crate::words::{day, file_safe, short};
pub(crate) use fish::general_caution;

impl Sheet {
    /// The field summary: everything a person needs who has only this page. `summary` must be that
    /// of `view`.
    #[must_use]
    pub fn field(view: &View, summary: &Summary, standing: Standing) -> Self {
        let header = &summary.header;
        let mut lead = Vec::new();
        if !header.purpose.is_empty() {
            lead.push(Line::plain(header.purpose.clone()));
        }
        lead.push(sign::state(summary));
        lead.push(Line::plain(format!(
            "{} records known to this device, digest {}",
            header.records,
            short(&header.digest)
        )));
        Self {
            standing,
            type_pt: 9.5,
            kind: "Field summary",
            title: format!("{} {}", header.site, header.place),
            date: day(header.date),
            lead,
            bands: vec![
                Band::Halves(
                    vec![crew::people(view, summary), crew::devices(summary)],
                    vec![place::reach(summary), place::water(summary)],
                ),
                Band::Whole(passes::part(summary)),
                Band::Whole(fish::part(summary)),
                Band::Plots(plots(&summary.species)),
                Band::Halves(
                    vec![safety::record(summary), safety::missing(view, summary)],
                    vec![safety::take(summary)],
                ),
                Band::Whole(safety::flags(summary)),
                Band::Whole(sign::part(view, summary)),
            ],
            rest: "see the visit",
            foot: format!(
                "Gravelbar {} · visit {} · a notebook's record: it sees no current and cuts none",
                env!("CARGO_PKG_VERSION"),
                header.document
            ),
            file: file(&header.site, header.date, standing, "field-summary"),
        }
    }
}

pub(crate) fn file(site: &str, date: chrono::NaiveDate, standing: Standing, kind: &str) -> String {
    let training = match standing {
        Standing::Real => "",
        Standing::Training => "TRAINING_",
    };
    format!("{training}{}_{date}_{kind}", file_safe(site))
}

/// First the three that tell most: catch and interval of the commonest species that has an
/// estimate, lengths of the one most measured; then the others.
pub(crate) fn plots(species: &[SpeciesSummary]) -> Vec<Drawing> {
    let mut by_catch: Vec<&SpeciesSummary> = species.iter().collect();
    by_catch.sort_by_key(|s| (s.removal.headline().is_none(), std::cmp::Reverse(s.total)));
    let mut by_measured: Vec<&SpeciesSummary> = species.iter().collect();
    by_measured.sort_by_key(|s| std::cmp::Reverse(s.lengths.measured));
    let declines = (by_catch.iter()).filter_map(|s| decline(&s.removal, s.species.as_str()));
    let intervals =
        (by_catch.iter()).filter_map(|s| interval_by_pass(&s.removal, s.species.as_str()));
    let lengths =
        (by_measured.iter()).filter_map(|s| length_frequency(&s.lengths, s.species.as_str()));
    let mut kinds = [
        declines.collect::<Vec<_>>().into_iter(),
        intervals.collect::<Vec<_>>().into_iter(),
        lengths.collect::<Vec<_>>().into_iter(),
    ];
    let mut plots: Vec<Drawing> = kinds.iter_mut().filter_map(Iterator::next).collect();
    plots.extend(kinds.into_iter().flatten());
    plots
}
