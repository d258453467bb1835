//! The sheet for the owner of the land: what lives in the stream, in plain words.
//!
//! It is handed to people outside the crew, so it is made from nothing but the site, the day,
//! lengths, temperatures, species and their numbers. No text that somebody typed for the crew
//! (purpose, reasons, incidents, notes) gets on it, no name of a person or device, no permit and
//! no take. Where a sensitive species was caught, the place is told by the site's code alone.

use std::collections::BTreeSet;

use gravelbar_reduce::{Closure, SpeciesSummary, Summary};
use gravelbar_visit::{Plan, SpeciesName};

use crate::field::{file, general_caution, plots};
use crate::model::{Band, Column, Fold, Item, Kind, Line, Part, Rank, Row, Sheet, Standing, Table};
use crate::words::{counted, day, plain};

/// Species that are taken for sensitive where nobody says otherwise: every one whose take is
/// limited.
#[must_use]
pub fn species_under_permit(plan: &Plan) -> BTreeSet<SpeciesName> {
    (plan.species.iter())
        .filter(|s| s.permit.is_some())
        .map(|s| s.name.clone())
        .collect()
}

impl Sheet {
    /// The landowner's version. `sensitive` are the species of which no place may be told that is
    /// finer than the site's code; [`species_under_permit`] where nobody knows better.
    #[must_use]
    pub fn landowner(
        summary: &Summary,
        standing: Standing,
        sensitive: &BTreeSet<SpeciesName>,
    ) -> Self {
        let header = &summary.header;
        let rare = (summary.species.iter()).any(|s| sensitive.contains(&s.species));
        let title = match rare {
            true => format!("Site {}", header.site),
            false => format!("{} ({})", header.place, header.site),
        };
        let open: Vec<SpeciesSummary> = (summary.species.iter())
            .filter(|s| !sensitive.contains(&s.species))
            .cloned()
            .collect();
        let mut bands = vec![
            Band::Whole(visit(summary)),
            Band::Whole(fish(summary)),
            Band::Plots(plots(&open)),
        ];
        bands.push(Band::Whole(reading(summary, rare)));
        Self {
            standing,
            type_pt: 11.5,
            kind: "What lives in your stream",
            title,
            date: day(header.date),
            lead: Vec::new(),
            bands,
            rest: "ask the crew for the whole list",
            foot: format!("Gravelbar {}", env!("CARGO_PKG_VERSION")),
            file: file(&header.site, header.date, standing, "for-the-landowner"),
        }
    }
}

fn visit(summary: &Summary) -> Part {
    let mut lines = Vec::new();
    let passes = summary.passes.len();
    lines.push(format!(
        "A trained crew fished a stretch of the stream in {}, with an electric current in the water that draws fish to the net. Fish are counted, measured and released; a few may not survive it.",
        counted(passes, "pass", "passes")
    ));
    for channel in &summary.channels {
        if let (Some(length), Some(width)) = (channel.length_m, channel.mean_width_m) {
            lines.push(format!(
                "Stretch fished: {} m long and {width:.1} m wide on average.",
                plain(length)
            ));
        }
    }
    if let Some(water) = &summary.water.stream_first {
        lines.push(format!("Water: {} °C.", plain(water.temperature_c)));
    }
    Part {
        heading: "The visit",
        items: (lines.into_iter())
            .map(|words| Item::Line(Line::plain(words)))
            .collect(),
    }
}

fn fish(summary: &Summary) -> Part {
    let heads = [
        ("species", Kind::Name),
        ("caught", Kind::Figure),
        ("length, mm", Kind::Figure),
        ("how many there were in the stretch", Kind::Words),
    ];
    let rows = (summary.species.iter()).map(|s| Row {
        cells: vec![
            match s.scientific_name.as_str() {
                "" => s.species.to_string(),
                scientific => format!("{} ({scientific})", s.species),
            },
            s.total.to_string(),
            match (s.lengths.min_mm, s.lengths.max_mm) {
                (Some(min), Some(max)) => format!("{min:.0} to {max:.0}"),
                _ => "–".to_owned(),
            },
            how_many(s),
        ],
        rank: Rank::Own(s.total),
        cautions: Vec::new(),
    });
    let mut items = vec![Item::Table(Table {
        columns: heads
            .map(|(head, kind)| Column {
                head: head.to_owned(),
                kind,
            })
            .into(),
        rows: rows.collect(),
        fold: Fold::Species,
        cautions: Vec::new(),
    })];
    if summary.species.is_empty() {
        items = vec![Item::Line(Line::plain(
            "No fish were caught. That does not mean that there are none.",
        ))];
    }
    Part {
        heading: "Fish",
        items,
    }
}

/// An estimate in plain words, from the same headline as on the crew's sheet; a plain least
/// number where there is none.
fn how_many(s: &SpeciesSummary) -> String {
    let Some(headline) = s.removal.headline() else {
        return format!("at least {}", s.total);
    };
    let mut said = match headline.profile_95 {
        Some(profile) => match profile.high {
            Some(high) => format!(
                "about {}, likely {} to {high}",
                headline.n_fish, profile.low
            ),
            None => format!(
                "about {}, likely {} or more, no upper end",
                headline.n_fish, profile.low
            ),
        },
        None => format!("at least {}; how many were missed can't be told", s.total),
    };
    match s.removal.closure {
        Closure::Closed => {}
        Closure::Open => said.push_str("; a net did not hold, so it may be off either way"),
        Closure::NotRecorded => said.push_str("; nets not recorded, so it may be off either way"),
    }
    said
}

fn reading(summary: &Summary, rare: bool) -> Part {
    let mut lines = vec![
        "“About” is an estimate from how the catch fell from pass to pass (removal method, Carle-Strub); “likely” is its 95 % profile interval. It assumes that no fish came or went and that every pass caught equally well.".to_owned(),
    ];
    lines.extend(general_caution(summary).map(str::to_owned));
    lines.push("A species not on the list may still live here.".to_owned());
    if rare {
        lines.push(
            "This list names a protected species: please don't tell others where it was found."
                .to_owned(),
        );
    }
    Part {
        heading: "How to read this",
        items: (lines.into_iter())
            .map(|words| Item::Line(Line::plain(words)))
            .collect(),
    }
}
