//! What a sheet is made of: a head, and bands of parts with lines, tables and plots.

use crate::plot::Drawing;

/// Whether a visit's numbers are of real fish.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// A visit as it was.
    Real,
    /// Practice or demonstration: every sheet of it is crossed with the word TRAINING.
    Training,
}

/// One visit's summary for one reader, before it is drawn.
///
/// ```
/// use gravelbar_reduce::summarize;
/// use gravelbar_sheet::{Paper, Sheet, Standing};
/// use gravelbar_visit::{Plan, Visit, Writer};
///
/// let plan = Plan::from_about(
///     r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3}"#,
/// )?;
/// let view = Visit::start(plan, Writer::from_bytes([7; 16]))?.view();
/// let sheet = Sheet::field(&view, &summarize(&view), Standing::Real);
/// let printed = sheet.print(Paper::A4)?;
/// assert!(printed.words().contains("QB-03 Quillet Brook"));
/// assert!(printed.pdf().starts_with(b"%PDF"));
/// assert_eq!(sheet.file_name("pdf"), "QB-03_2026-08-18_field-summary.pdf");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    pub(crate) standing: Standing,
    /// Size of running text where there is room, pt.
    pub(crate) type_pt: f32,
    /// What kind of sheet, in small letters over the title.
    pub(crate) kind: &'static str,
    pub(crate) title: String,
    pub(crate) date: String,
    pub(crate) lead: Vec<Line>,
    pub(crate) bands: Vec<Band>,
    /// Where the whole of a folded list is to be found.
    pub(crate) rest: &'static str,
    pub(crate) foot: String,
    /// File name without its ending.
    pub(crate) file: String,
}

/// What stands side by side.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Band {
    Whole(Part),
    Halves(Vec<Part>, Vec<Part>),
    /// Most telling first.
    Plots(Vec<Drawing>),
}

/// A heading with what belongs under it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Part {
    pub(crate) heading: &'static str,
    pub(crate) items: Vec<Item>,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Item {
    Line(Line),
    List(List),
    Table(Table),
    /// Lines to sign on by hand, with what stands under each.
    Hand(Vec<String>),
}

/// A line of words behind a mark and a few strong ones.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Line {
    pub(crate) mark: &'static str,
    pub(crate) strong: String,
    pub(crate) words: String,
}

impl Line {
    pub(crate) fn plain(words: impl Into<String>) -> Self {
        Self {
            words: words.into(),
            ..Self::default()
        }
    }

    pub(crate) fn led(strong: impl Into<String>, words: impl Into<String>) -> Self {
        Self {
            strong: strong.into(),
            words: words.into(),
            ..Self::default()
        }
    }

    pub(crate) fn marked(mark: &'static str, words: impl Into<String>) -> Self {
        Self {
            mark,
            words: words.into(),
            ..Self::default()
        }
    }
}

/// Lines that fold from the end.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct List {
    pub(crate) lines: Vec<Line>,
    /// What one and several of them are called.
    pub(crate) of: (&'static str, &'static str),
    pub(crate) hold: Hold,
}

/// How long a list keeps its lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Hold {
    /// Until the species have folded.
    Usual,
    /// Cautions and the safety record: until nothing else is left to fold.
    Last,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Table {
    pub(crate) columns: Vec<Column>,
    pub(crate) rows: Vec<Row>,
    pub(crate) fold: Fold,
    /// Cautions that rows point to by place.
    pub(crate) cautions: Vec<String>,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Column {
    pub(crate) head: String,
    pub(crate) kind: Kind,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Names: as wide as they need, within bounds.
    Name,
    /// Figures, to the right.
    Figure,
    /// Sentences: what room is left.
    Words,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    /// Where there are fewer than columns, the last reaches to the edge.
    pub(crate) cells: Vec<String>,
    pub(crate) rank: Rank,
    /// Places in [`Table::cautions`].
    pub(crate) cautions: Vec<usize>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Rank {
    /// A row of its own, with the fish on record in it where it is a species.
    Own(u64),
    /// A share of the row above: a size group or a channel.
    Share,
    /// All of the table.
    Sum,
}

/// Which rows of a table give way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fold {
    /// Species: those with the fewest fish first.
    Species,
    /// Rows from the end, called this.
    Rows(&'static str, &'static str),
}

impl Sheet {
    /// A name for the sheet's file: site, day and kind in plain ASCII, with TRAINING in it for
    /// practice.
    #[must_use]
    pub fn file_name(&self, ending: &str) -> String {
        format!("{}.{ending}", self.file)
    }

    /// What the sheet is called, in one line.
    #[must_use]
    pub fn title(&self) -> String {
        let training = match self.standing {
            Standing::Real => "",
            Standing::Training => "TRAINING: ",
        };
        format!("{training}{}: {}, {}", self.kind, self.title, self.date)
    }
}
