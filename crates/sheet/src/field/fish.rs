//! Catch and estimates, species by species; cautions under them, once each.

use gravelbar_reduce::{CatchSource, Closure, Removal, SizeGroups, SpeciesSummary, Summary};

use crate::model::{Column, Fold, Item, Kind, Line, Part, Rank, Row, Table};
use crate::words::{dash, fixed};

/// More passes than this stand in one column.
const PASS_COLUMNS: usize = 6;

/// What the columns of an estimate hold, as the reducer's own sentence says it.
const ESTIMATES: &str = "Estimates: Carle-Strub; ± is 1.96 SE, the interval 95 % profile likelihood, p the share of the fish there that a pass takes.";

/// What has to stand beside every estimate, from the first that there is.
pub(crate) fn general_caution(summary: &Summary) -> Option<&'static str> {
    (summary.species.iter())
        .find(|s| s.removal.headline().is_some())
        .and_then(|s| s.removal.analysis.as_ref())
        .map(|analysis| analysis.caution)
}

pub(super) fn part(summary: &Summary) -> Part {
    let mut items = Vec::new();
    if summary.species.is_empty() {
        items.push(Item::Line(Line::plain(
            "no fish on record; zero caught does not mean zero present",
        )));
    } else {
        if let Some(words) = general_caution(summary) {
            items.push(Item::Line(Line::marked(
                "▲",
                format!("{words} {ESTIMATES}"),
            )));
        }
        items.push(Item::Table(table(summary)));
    }
    let unnamed: Vec<String> = (summary.species.iter())
        .filter(|s| s.provisional)
        .map(|s| format!("{} ({})", s.species, s.total))
        .collect();
    if !unnamed.is_empty() {
        items.push(Item::Line(Line::led("not named yet:", unnamed.join(", "))));
    }
    Part {
        heading: "Fish",
        items,
    }
}

fn table(summary: &Summary) -> Table {
    let several = summary.passes.len() > PASS_COLUMNS;
    let mut columns = vec![column("species", Kind::Name)];
    if several {
        columns.push(column("catch by pass", Kind::Name));
    } else {
        columns.extend(summary.passes.iter().map(|p| {
            let channel = match p.pass.channel.as_str() {
                "main" => "pass",
                channel => channel,
            };
            column(&format!("{channel} {}", p.pass.number), Kind::Figure)
        }));
    }
    for (head, kind) in [
        ("all", Kind::Figure),
        ("measured", Kind::Figure),
        ("dead", Kind::Figure),
        ("about", Kind::Figure),
        ("±", Kind::Figure),
        ("interval", Kind::Figure),
        ("p", Kind::Figure),
        ("/100 m²", Kind::Figure),
        ("", Kind::Words),
    ] {
        columns.push(column(head, kind));
    }
    let mut rows = Rows {
        several,
        summary,
        general: general_caution(summary),
        rows: Vec::new(),
        cautions: Vec::new(),
    };
    for species in &summary.species {
        rows.species(species);
    }
    rows.sums();
    Table {
        columns,
        rows: rows.rows,
        fold: Fold::Species,
        cautions: rows.cautions,
    }
}

fn column(head: &str, kind: Kind) -> Column {
    Column {
        head: head.to_owned(),
        kind,
    }
}

struct Rows<'a> {
    several: bool,
    summary: &'a Summary,
    general: Option<&'static str>,
    rows: Vec<Row>,
    cautions: Vec<String>,
}

impl Rows<'_> {
    fn species(&mut self, s: &SpeciesSummary) {
        let name = match s.scientific_name.as_str() {
            "" => s.species.to_string(),
            scientific => format!("{} ({scientific})", s.species),
        };
        let by_pass = s.catch.iter().map(|c| c.n.to_string()).collect();
        let dead = self.summary.dead.iter().find(|d| d.species == s.species);
        let dead = dead.map_or(0, |d| d.dead).to_string();
        let measured = s.lengths.measured.to_string();
        let rank = Rank::Own(s.total);
        self.row(name, by_pass, [measured, dead], &s.removal, rank);
        match &s.size_groups {
            SizeGroups::NotPlanned => {}
            SizeGroups::Unavailable { because } => self.rows.push(Row {
                cells: vec![
                    "– by size".to_owned(),
                    format!("no estimates by size: {because}"),
                ],
                rank: Rank::Share,
                cautions: Vec::new(),
            }),
            SizeGroups::Estimated { groups, .. } => {
                for group in groups {
                    let blank = [String::new(), String::new()];
                    let (name, by_pass) = (format!("– {}", group.words), series(&group.removal));
                    self.row(name, by_pass, blank, &group.removal, Rank::Share);
                }
            }
        }
        for channel in &s.channels {
            let blank = [String::new(), String::new()];
            let name = format!("– {} channel", channel.channel);
            let by_pass = series(&channel.removal);
            self.row(name, by_pass, blank, &channel.removal, Rank::Share);
        }
    }

    fn row(
        &mut self,
        name: String,
        by_pass: Vec<String>,
        [measured, dead]: [String; 2],
        removal: &Removal,
        rank: Rank,
    ) {
        let cautions = (removal.cautions.iter())
            .filter(|words| Some(words.as_str()) != self.general)
            .map(|words| place(&mut self.cautions, words))
            .collect();
        let (mut cells, before) = self.catch(name, by_pass);
        cells.extend([removal.total.to_string(), measured, dead]);
        cells.extend(estimate(removal, &before));
        self.rows.push(Row {
            cells,
            rank,
            cautions,
        });
    }

    /// The name and the catch in its columns. A share's catch goes by pass number over all
    /// channels: where that isn't one column a pass, it is handed back to stand before the words.
    fn catch(&self, name: String, by_pass: Vec<String>) -> (Vec<String>, String) {
        let mut cells = vec![name];
        let passes = self.summary.passes.len();
        if self.several {
            cells.push(by_pass.join(", "));
        } else if by_pass.len() == passes {
            cells.extend(by_pass);
        } else {
            cells.extend(vec![String::new(); passes]);
            return (cells, format!("{}: ", by_pass.join(", ")));
        }
        (cells, String::new())
    }

    /// Both counts of everything, side by side.
    fn sums(&mut self) {
        let summary = self.summary;
        for (name, total, by_pass) in [
            (
                "worked up",
                summary.worked_up,
                summary
                    .passes
                    .iter()
                    .map(|p| p.worked_up)
                    .collect::<Vec<u64>>(),
            ),
            (
                "netters counted",
                summary.tallied,
                summary.passes.iter().map(|p| p.tallied).collect(),
            ),
        ] {
            let by_pass = by_pass.iter().map(ToString::to_string).collect();
            let (mut cells, _) = self.catch(name.to_owned(), by_pass);
            cells.push(total.to_string());
            cells.push(match name {
                "netters counted" => gaps(summary),
                _ => String::new(),
            });
            let row = Row {
                cells,
                rank: Rank::Sum,
                cautions: Vec::new(),
            };
            self.rows.push(row);
        }
    }
}

/// Whether the netters and the bank agree.
fn gaps(summary: &Summary) -> String {
    let tallies = || summary.passes.iter().flat_map(|p| &p.tally);
    let apart = tallies().any(|t| t.gap.is_some_and(|gap| gap != 0));
    match (tallies().next(), apart) {
        (None, _) => "no netter counted",
        (_, false) => "no difference where both have counted",
        (_, true) => "differs from the work-up, which the estimates use",
    }
    .to_owned()
}

/// An estimate in its columns, and what belongs beside it in words. Where there is no interval to
/// give, the reducer's verdict stands instead of all columns: never a bare number.
fn estimate(removal: &Removal, before: &str) -> Vec<String> {
    let headline = (removal.headline()).and_then(|h| Some((h, h.profile_95?)));
    let Some((headline, profile)) = headline else {
        return vec![format!("{before}{}", removal.verdict)];
    };
    let interval = match profile.high {
        Some(high) => format!("{} to {high}", profile.low),
        None => format!("{} to ?", profile.low),
    };
    let mut words = Vec::new();
    if removal.closure == Closure::Open {
        words.push(format!("OPEN ({})", removal.nets));
    }
    if removal.source == CatchSource::Tally {
        words.push("from tally".to_owned());
    }
    if profile.high.is_none() {
        words.push("no upper limit".to_owned());
    }
    let density = (removal.density.as_ref()).map(|d| d.fish_per_100_m2);
    vec![
        headline.n_fish.to_string(),
        headline.half_width_95_fish.map_or_else(dash, half_width),
        interval,
        fixed(headline.p, 2),
        fixed(density, 1),
        format!("{before}{}", words.join("; ")),
    ]
}

/// In whole fish from ten up, in tenths below, as everywhere.
fn half_width(fish: f64) -> String {
    let decimals = usize::from(fish < 9.95);
    format!("{fish:.decimals$}")
}

fn series(removal: &Removal) -> Vec<String> {
    removal.catch.iter().map(ToString::to_string).collect()
}

/// Where a caution stands in the list, added if it is new.
fn place(cautions: &mut Vec<String>, words: &str) -> usize {
    let known = cautions.iter().position(|c| c == words);
    known.unwrap_or_else(|| {
        cautions.push(words.to_owned());
        cautions.len() - 1
    })
}
