//! What gives way where a page is too small, in a stated order, and how the sheet says so.
//!
//! 1. Smaller type, down to 7 pt; below 8.5 pt with lower plots.
//! 2. No plots.
//! 3. Size groups and channels below the species.
//! 4. Species, those with the fewest fish first: "and n more species, together k fish".
//! 5. Lists and other tables, from their ends: "and n more …".
//! 6. Sentences past a length, cautions and the safety record too: only on sheets that no crew
//!    would write, where a page can't hold them.
//!
//! Whatever is left out leaves a line that says how much. Flags are counted before all this, so
//! their number always stands.

use crate::model::{Band, Fold, Hold, Item, Kind, Line, List, Part, Rank, Row, Sheet, Table};
use crate::plot::Drawing;
use crate::words::counted;

/// How far a sheet is folded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Squeeze {
    pub(crate) type_pt: f32,
    /// Width of a plot as a share of the full one; `None` for no plots.
    pub(crate) plots: Option<f32>,
    shares: bool,
    species: usize,
    rows: usize,
    /// Lines of lists that hold to the last, and cautions.
    last: usize,
    chars: usize,
}

impl Squeeze {
    /// Nothing folded.
    pub(crate) const WHOLE: Self = Self {
        type_pt: 9.5,
        plots: Some(1.0),
        shares: true,
        species: usize::MAX,
        rows: usize::MAX,
        last: usize::MAX,
        chars: usize::MAX,
    };

    /// From nothing folded to next to nothing left.
    pub(crate) fn steps(type_pt: f32) -> Vec<Self> {
        let mut steps = vec![Self {
            type_pt,
            ..Self::WHOLE
        }];
        let mut then = |change: &dyn Fn(&mut Self)| {
            let mut next = steps.last().copied().unwrap_or(Self::WHOLE);
            change(&mut next);
            steps.push(next);
        };
        for size in [11.0, 10.5, 10.0, 9.5, 9.0, 8.5] {
            if size < type_pt {
                then(&|s| s.type_pt = size);
            }
        }
        then(&|s| s.plots = Some(0.75));
        for size in [8.0, 7.5, 7.0] {
            then(&|s| s.type_pt = size);
        }
        then(&|s| s.plots = None);
        then(&|s| s.shares = false);
        for species in [40, 30, 24, 18, 14, 10, 8, 6, 4, 3, 2, 1] {
            then(&|s| s.species = species);
        }
        for rows in [24, 16, 12, 8, 6, 4, 3, 2, 1] {
            then(&|s| s.rows = rows);
        }
        for (last, chars) in [(24, 600), (12, 300), (8, 160), (4, 100), (2, 80), (1, 60)] {
            then(&|s| (s.last, s.chars) = (last, chars));
        }
        steps
    }
}

/// A sheet as it is drawn: every row and line stands.
pub(crate) struct Folded<'a> {
    pub(crate) sheet: &'a Sheet,
    pub(crate) lead: Vec<Line>,
    pub(crate) bands: Vec<FoldedBand<'a>>,
}

pub(crate) enum FoldedBand<'a> {
    Whole(FoldedPart),
    Halves(Vec<FoldedPart>, Vec<FoldedPart>),
    Plots(&'a [Drawing]),
}

pub(crate) struct FoldedPart {
    pub(crate) heading: &'static str,
    pub(crate) items: Vec<FoldedItem>,
}

pub(crate) enum FoldedItem {
    Line(Line),
    Table(FoldedTable),
    Hand(Vec<String>),
}

/// A row with fewer cells than heads ends in one that reaches to the edge.
pub(crate) struct FoldedTable {
    pub(crate) heads: Vec<(String, Kind)>,
    pub(crate) rows: Vec<(Rank, Vec<String>)>,
}

/// Plots that fit side by side on paper; a screen shows all.
pub(crate) const PLOTS_ABREAST: usize = 3;

pub(crate) fn folded(sheet: &Sheet, squeeze: Squeeze) -> Folded<'_> {
    let fold = Folder {
        squeeze,
        rest: sheet.rest,
    };
    let parts = |parts: &[Part]| parts.iter().map(|p| fold.part(p)).collect();
    let bands = (sheet.bands.iter())
        .map(|band| match band {
            Band::Whole(part) => FoldedBand::Whole(fold.part(part)),
            Band::Halves(left, right) => FoldedBand::Halves(parts(left), parts(right)),
            Band::Plots(plots) => match squeeze.plots {
                Some(_) => FoldedBand::Plots(plots),
                None => FoldedBand::Whole(FoldedPart {
                    heading: "",
                    items: (!plots.is_empty())
                        .then(|| FoldedItem::Line(fold.left_out("no room for plots")))
                        .into_iter()
                        .collect(),
                }),
            },
        })
        .collect();
    Folded {
        sheet,
        lead: sheet.lead.iter().map(|line| fold.line(line)).collect(),
        bands,
    }
}

struct Folder {
    squeeze: Squeeze,
    rest: &'static str,
}

impl Folder {
    fn part(&self, part: &Part) -> FoldedPart {
        let mut items = Vec::new();
        for item in &part.items {
            match item {
                Item::Line(line) => items.push(FoldedItem::Line(self.line(line))),
                Item::List(list) => self.list(list, &mut items),
                Item::Table(table) => self.table(table, &mut items),
                Item::Hand(labels) => items.push(FoldedItem::Hand(
                    labels.iter().map(|label| self.cut(label)).collect(),
                )),
            }
        }
        FoldedPart {
            heading: part.heading,
            items,
        }
    }

    fn list(&self, list: &List, items: &mut Vec<FoldedItem>) {
        let most = match list.hold {
            Hold::Usual => self.squeeze.rows,
            Hold::Last => self.squeeze.last,
        };
        items.extend((list.lines.iter().take(most)).map(|line| FoldedItem::Line(self.line(line))));
        let left = list.lines.len().saturating_sub(most);
        if left > 0 {
            let (one, many) = list.of;
            let words = format!("and {}", counted(left, one, many));
            items.push(FoldedItem::Line(self.left_out(&words)));
        }
    }

    fn table(&self, table: &Table, items: &mut Vec<FoldedItem>) {
        let kept = self.kept(table);
        let shown = |row: usize| kept.get(row).copied().unwrap_or(false);
        // Letters run on over the cautions that are pointed to, in the order of the rows.
        let mut letters: Vec<usize> = Vec::new();
        let mut rows = Vec::new();
        for (_, row) in table.rows.iter().enumerate().filter(|(i, _)| shown(*i)) {
            let mut cells: Vec<String> = row.cells.iter().map(|cell| self.cut(cell)).collect();
            let mut marks: Vec<String> = Vec::new();
            for caution in &row.cautions {
                let place = letters
                    .iter()
                    .position(|l| l == caution)
                    .unwrap_or_else(|| {
                        letters.push(*caution);
                        letters.len() - 1
                    });
                marks.push(letter(place));
            }
            if let Some(last) = cells.last_mut().filter(|_| !marks.is_empty()) {
                last.push_str(&format!(" ▲ {}", marks.join(" ")));
            }
            rows.push((row.rank, cells));
        }
        let heads = (table.columns.iter())
            .map(|c| (c.head.clone(), c.kind))
            .collect();
        items.push(FoldedItem::Table(FoldedTable { heads, rows }));
        let gone: Vec<&Row> = (table.rows.iter().enumerate())
            .filter(|(i, _)| !shown(*i))
            .map(|(_, row)| row)
            .collect();
        items.extend(self.gone(table, &gone, &letters).map(FoldedItem::Line));
        for (place, caution) in letters.iter().enumerate().take(self.squeeze.last) {
            let words = table.cautions.get(*caution).map_or("", String::as_str);
            items.push(FoldedItem::Line(Line {
                mark: "▲",
                strong: letter(place),
                words: self.cut(words),
            }));
        }
        let untold = letters.len().saturating_sub(self.squeeze.last);
        if untold > 0 {
            let words = format!("and {}", counted(untold, "more caution", "more cautions"));
            items.push(FoldedItem::Line(self.left_out(&words)));
        }
    }

    /// Which rows stay.
    fn kept(&self, table: &Table) -> Vec<bool> {
        let most = match table.fold {
            Fold::Species => self.squeeze.species,
            Fold::Rows(..) => self.squeeze.rows,
        };
        let mut own: Vec<(usize, u64)> = (table.rows.iter().enumerate())
            .filter_map(|(i, row)| match row.rank {
                Rank::Own(fish) => Some((i, fish)),
                Rank::Share | Rank::Sum => None,
            })
            .collect();
        if table.fold == Fold::Species {
            own.sort_by_key(|(i, fish)| (std::cmp::Reverse(*fish), *i));
        }
        let stay: std::collections::BTreeSet<usize> =
            own.into_iter().take(most).map(|(i, _)| i).collect();
        let mut above = false;
        (table.rows.iter().enumerate())
            .map(|(i, row)| match row.rank {
                Rank::Own(_) => {
                    above = stay.contains(&i);
                    above
                }
                Rank::Share => above && self.squeeze.shares,
                Rank::Sum => true,
            })
            .collect()
    }

    /// What is said of rows that don't stand, and of cautions only they point to.
    fn gone(&self, table: &Table, gone: &[&Row], told: &[usize]) -> Option<Line> {
        let mut fish: u64 = 0;
        let (mut own, mut shares) = (0, 0);
        for row in gone {
            match row.rank {
                Rank::Own(n) => {
                    own += 1;
                    fish = fish.saturating_add(n);
                }
                Rank::Share | Rank::Sum => shares += 1,
            }
        }
        let mut said = Vec::new();
        match table.fold {
            Fold::Species if own > 0 => said.push(format!(
                "and {own} more species, together {fish} fish on record"
            )),
            Fold::Rows(one, many) if own > 0 => {
                said.push(format!("and {}", counted(own, one, many)));
            }
            _ if shares > 0 => said.push(format!(
                "no room for {}",
                counted(shares, "size group or channel", "size groups and channels")
            )),
            _ => {}
        }
        let untold: std::collections::BTreeSet<usize> = (gone.iter())
            .flat_map(|row| row.cautions.iter().copied())
            .filter(|caution| !told.contains(caution))
            .collect();
        if !untold.is_empty() {
            said.push(format!(
                "with {}",
                counted(untold.len(), "caution more", "cautions more")
            ));
        }
        (!said.is_empty()).then(|| self.left_out(&said.join(", ")))
    }

    fn left_out(&self, words: &str) -> Line {
        Line::marked("…", format!("{words}: {}", self.rest))
    }

    fn line(&self, line: &Line) -> Line {
        Line {
            mark: line.mark,
            strong: self.cut(&line.strong),
            words: self.cut(&line.words),
        }
    }

    fn cut(&self, words: &str) -> String {
        match words.char_indices().nth(self.squeeze.chars) {
            Some((end, _)) => format!("{}… (cut)", words.get(..end).unwrap_or_default().trim_end()),
            None => words.to_owned(),
        }
    }
}

/// `a` to `z`, then `aa`.
fn letter(place: usize) -> String {
    let letters = "abcdefghijklmnopqrstuvwxyz";
    let one = |n: usize| letters.get(n..=n).unwrap_or("z");
    match place {
        0..26 => one(place).to_owned(),
        _ => format!("{}{}", letter(place / 26 - 1), one(place % 26)),
    }
}
