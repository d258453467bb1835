//! Where everything stands on the page: wrapped lines, tables with columns as wide as they need,
//! halves side by side, plots in a row.

use super::Paper;
use super::face::{Faces, Weight, is_bare};
use super::page::{Ink, Page, Role};
use crate::fold::{
    Folded, FoldedBand, FoldedItem, FoldedPart, FoldedTable, PLOTS_ABREAST, Squeeze,
};
use crate::model::{Kind, Line, Rank, Standing};
use crate::plot::{self, Anchor, Drawing, Shape, Tint};

const MARGIN_PT: f32 = 34.0;
const BOTTOM_PT: f32 = 40.0;
const GUTTER_PT: f32 = 18.0;
/// Height of a line against its type.
const LEADING: f32 = 1.2;
/// The smallest type on the page, in plots and at its foot, pt.
const FLOOR_PT: f32 = 7.0;
/// Room between two columns of a table.
const GAP: f32 = 0.9;

/// A word with its face.
type Word<'w> = (Weight, &'w str);

pub(crate) struct Composer<'f> {
    faces: &'f Faces,
    paper: Paper,
    squeeze: Squeeze,
    page: Page,
    left: f32,
    width: f32,
    y: f32,
}

impl<'f> Composer<'f> {
    pub(crate) fn new(faces: &'f Faces, paper: Paper, squeeze: Squeeze) -> Self {
        let [width, _] = paper.size_pt();
        Self {
            faces,
            paper,
            squeeze,
            page: Page::new(),
            left: MARGIN_PT,
            width: width - 2.0 * MARGIN_PT,
            y: MARGIN_PT,
        }
    }

    pub(crate) fn page(self) -> Page {
        self.page
    }

    /// The room between the margins, and what is used of it.
    pub(crate) fn heights_pt(&self) -> [f32; 2] {
        let [_, height] = self.paper.size_pt();
        [height - MARGIN_PT - BOTTOM_PT, self.y - MARGIN_PT]
    }

    fn type_pt(&self) -> f32 {
        self.squeeze.type_pt
    }

    pub(crate) fn sheet(&mut self, sheet: &Folded<'_>) {
        let training = sheet.sheet.standing == Standing::Training;
        if training {
            self.training_bar();
        }
        self.head(sheet);
        for band in &sheet.bands {
            match band {
                FoldedBand::Whole(part) => self.part(part),
                FoldedBand::Halves(left, right) => self.halves(left, right),
                FoldedBand::Plots(plots) => self.plots(plots),
            }
        }
        self.foot(&sheet.sheet.foot);
        self.page.crossed = training;
    }

    fn head(&mut self, sheet: &Folded<'_>) {
        let size = self.type_pt();
        let kind = self.page.node(Role::Paragraph, 0);
        let [x, y] = [self.left, self.y];
        self.words(Some(kind), [x, y], size, Weight::Regular, sheet.sheet.kind);
        let date = sheet.sheet.date.as_str();
        let wide = self.faces.strong.width_pt(date, size * 1.2);
        self.words(
            Some(kind),
            [x + self.width - wide, y],
            size * 1.2,
            Weight::Strong,
            date,
        );
        self.y += size * 1.3;
        let title = self.page.node(Role::Title, 0);
        let words = [(Weight::Strong, sheet.sheet.title.as_str())];
        self.paragraph(title, size * 1.9, 0.0, &words);
        for line in &sheet.lead {
            self.line(line);
        }
        self.y += size * 0.3;
        let rule = self.rule(self.left, self.left + self.width, self.y, 1.2);
        self.page.draw(None, vec![rule]);
        self.y += size * 0.35;
    }

    fn halves(&mut self, left: &[FoldedPart], right: &[FoldedPart]) {
        let (x, width, top) = (self.left, self.width, self.y);
        self.width = (width - GUTTER_PT) / 2.0;
        let mut bottom = top;
        for (side, at) in [(left, x), (right, x + self.width + GUTTER_PT)] {
            (self.left, self.y) = (at, top);
            for part in side {
                self.part(part);
            }
            bottom = bottom.max(self.y);
        }
        (self.left, self.width, self.y) = (x, width, bottom);
    }

    fn part(&mut self, part: &FoldedPart) {
        let size = self.type_pt();
        self.y += size * 0.35;
        if !part.heading.is_empty() {
            let node = self.page.node(Role::Heading, 0);
            self.paragraph(node, size * 1.1, 0.0, &[(Weight::Strong, part.heading)]);
            let rule = self.rule(self.left, self.left + self.width, self.y, 0.5);
            self.page.draw(None, vec![rule]);
            self.y += size * 0.15;
        }
        for item in &part.items {
            match item {
                FoldedItem::Line(line) => self.line(line),
                FoldedItem::Table(table) => self.table(table),
                FoldedItem::Hand(labels) => self.hand(labels),
            }
        }
    }

    /// A line hangs under its first word.
    fn line(&mut self, line: &Line) {
        let node = self.page.node(Role::Paragraph, 0);
        let words = [
            (Weight::Regular, line.mark),
            (Weight::Strong, line.strong.as_str()),
            (Weight::Regular, line.words.as_str()),
        ];
        let size = self.type_pt();
        let led = !(line.mark.is_empty() && line.strong.is_empty());
        self.paragraph(node, size, if led { size } else { 0.0 }, &words);
    }

    /// Wraps runs of words into the width; lines after the first are indented by `hang_pt`.
    fn paragraph(&mut self, node: usize, size_pt: f32, hang_pt: f32, runs: &[Word<'_>]) {
        let lines = wrapped(self.faces, runs, size_pt, self.width, hang_pt);
        for (place, line) in lines.iter().enumerate() {
            let indent = if place == 0 { 0.0 } else { hang_pt };
            self.set(node, [self.left + indent, self.y], size_pt, line);
            self.y += size_pt * LEADING;
        }
    }

    /// One wrapped line at its place.
    fn set(&mut self, node: usize, [mut x, y]: [f32; 2], size_pt: f32, line: &Wrapped) {
        let mut inks = Vec::new();
        for (weight, words) in &line.runs {
            inks.push(self.ink([x, y], size_pt, *weight, words));
            let space = self.faces.regular.width_pt(" ", size_pt);
            x += self.faces.of(*weight).width_pt(words, size_pt) + space;
        }
        self.page.draw(Some(node), inks);
    }

    fn table(&mut self, table: &FoldedTable) {
        let size = self.type_pt();
        let widths = self.widths(table);
        let node = self.page.node(Role::Table, 0);
        let heads: Vec<&str> = table.heads.iter().map(|(head, _)| head.as_str()).collect();
        self.row(node, Role::Head, table, &widths, &heads, None);
        let rule = self.rule(self.left, self.left + self.width, self.y, 0.8);
        self.page.draw(None, vec![rule]);
        self.y += size * 0.1;
        for (place, (rank, cells)) in table.rows.iter().enumerate() {
            if place > 0 && *rank != Rank::Share {
                let rule = self.rule(self.left, self.left + self.width, self.y, 0.2);
                self.page.draw(None, vec![rule]);
                self.y += size * 0.05;
            }
            let cells: Vec<&str> = cells.iter().map(String::as_str).collect();
            self.row(node, Role::Cell, table, &widths, &cells, Some(*rank));
        }
        self.y += size * 0.25;
    }

    fn row(
        &mut self,
        table_node: usize,
        role: Role,
        table: &FoldedTable,
        widths: &[f32],
        cells: &[&str],
        rank: Option<Rank>,
    ) {
        let size = self.type_pt();
        let row = self.page.node(Role::Row, table_node);
        let gap = size * GAP;
        let (mut x, top) = (self.left, self.y);
        let mut bottom = top + size * LEADING;
        for (place, words) in cells.iter().copied().enumerate() {
            let last = place + 1 == cells.len() && cells.len() < widths.len();
            let width = match widths.get(place).copied().unwrap_or(0.0) {
                _ if last => (self.left + self.width - x).max(0.0),
                width => width,
            };
            let kind = match table.heads.get(place) {
                Some((_, kind)) if !last => *kind,
                _ => Kind::Words,
            };
            let name = place == 0 && !matches!(rank, Some(Rank::Share));
            let weight = match rank {
                None => Weight::Regular,
                Some(_) if name => Weight::Strong,
                Some(_) => Weight::Regular,
            };
            let node = self.page.node(role, row);
            let lines = wrapped(self.faces, &[(weight, words)], size, width, 0.0);
            let mut y = top;
            for line in &lines {
                let indent = match kind {
                    Kind::Figure => (width - line.width).max(0.0),
                    Kind::Name | Kind::Words => 0.0,
                };
                self.set(node, [x + indent, y], size, line);
                y += size * LEADING;
            }
            bottom = bottom.max(y);
            x += width + gap;
        }
        self.y = bottom;
    }

    /// Figures take what they need, names up to a third, words what is left; where all need more
    /// than there is, each gives way by its share.
    fn widths(&self, table: &FoldedTable) -> Vec<f32> {
        let size = self.type_pt();
        let gaps = size * GAP * table.heads.len().saturating_sub(1) as f32;
        let room = self.width - gaps;
        let natural = |place: usize| {
            let cells = (table.rows.iter())
                .filter(|(_, cells)| place + 1 < cells.len() || cells.len() == table.heads.len())
                .filter_map(|(_, cells)| cells.get(place));
            let cells = cells.map(|cell| self.faces.strong.width_pt(cell, size));
            cells.fold(0.0_f32, f32::max)
        };
        // Short heads stay on one line, long ones break between words.
        let of_head = |words: &str| {
            let whole = self.faces.regular.width_pt(words, size);
            let pieces = words.split_whitespace();
            let widths = pieces.map(|word| self.faces.regular.width_pt(word, size));
            if whole <= size * 3.6 {
                whole
            } else {
                widths.fold(0.0_f32, f32::max)
            }
        };
        let mut widths: Vec<f32> = (table.heads.iter().enumerate())
            .map(|(place, (head, kind))| match kind {
                Kind::Figure => natural(place).max(of_head(head)).min(room * 0.2),
                Kind::Name => natural(place).max(of_head(head)).min(room * 0.3),
                Kind::Words => 0.0,
            })
            .collect();
        let words = (table.heads.iter()).filter(|(_, kind)| *kind == Kind::Words);
        let words = words.count();
        let least = if words > 0 { room * 0.25 } else { 0.0 };
        // Names wrap before figures do.
        for giving in [Kind::Name, Kind::Figure] {
            let over = widths.iter().sum::<f32>() - (room - least);
            let of_kind = |place: usize| table.heads.get(place).is_some_and(|(_, k)| *k == giving);
            let all: f32 = (widths.iter().enumerate())
                .filter(|(place, _)| of_kind(*place))
                .map(|(_, width)| width)
                .sum();
            let floor = if giving == Kind::Name { all * 0.6 } else { 0.0 };
            if over > 0.0 && all > 0.0 {
                let share = (all - over).max(floor) / all;
                for (place, width) in widths.iter_mut().enumerate() {
                    if of_kind(place) {
                        *width *= share;
                    }
                }
            }
        }
        let left = (room - widths.iter().sum::<f32>()).max(0.0);
        for (width, (_, kind)) in widths.iter_mut().zip(&table.heads) {
            if *kind == Kind::Words {
                *width = left / words as f32;
            }
        }
        widths
    }

    fn plots(&mut self, plots: &[Drawing]) {
        let Some(share) = self.squeeze.plots else {
            return;
        };
        if plots.is_empty() {
            return;
        }
        let size = self.type_pt();
        let abreast = PLOTS_ABREAST as f32;
        let room = (self.width - GUTTER_PT * (abreast - 1.0)) / abreast;
        let wide = room * share;
        self.y += size * 0.5;
        let top = self.y;
        let scale = wide / plot::WIDTH;
        for (place, drawing) in plots.iter().take(PLOTS_ABREAST).enumerate() {
            let x = self.left + (room + GUTTER_PT) * place as f32;
            let node = self.page.node(Role::Figure, 0);
            self.page.describe(node, &drawing.description);
            let title = cut_to(self.faces, &drawing.title, size, room);
            let caption = self.ink([x, top], size, Weight::Strong, &title);
            let mut inks = vec![caption];
            for shape in &drawing.shapes {
                inks.push(self.shape(shape, [x, top + size * LEADING], scale));
            }
            self.page.draw(Some(node), inks);
        }
        self.y = top + size * LEADING + plot::HEIGHT * scale;
    }

    fn shape(&self, shape: &Shape, [x, y]: [f32; 2], scale: f32) -> Ink {
        let at = |[px, py]: [f32; 2]| [x + px * scale, y + py * scale];
        match shape {
            Shape::Line(from, to, width) => {
                Ink::Path(vec![at(*from), at(*to)], *width * scale, false)
            }
            Shape::Dashes(points) => {
                Ink::Path(points.iter().map(|p| at(*p)).collect(), 2.5 * scale, true)
            }
            Shape::Bar([bx, by, width, height]) => {
                let [left, top] = at([*bx, *by]);
                let extent = [*width * scale, *height * scale];
                let outline = Some((Tint::River, 2.0 * scale));
                Ink::Box([left, top, extent[0], extent[1]], Tint::Pale, outline)
            }
            Shape::Dot(middle, r, fill) => Ink::Dot(at(*middle), *r * scale, *fill, 2.5 * scale),
            Shape::Words(words) => {
                let weight = if words.strong {
                    Weight::Strong
                } else {
                    Weight::Regular
                };
                let size = (words.size * scale).max(FLOOR_PT);
                let width = self.faces.of(weight).width_pt(&words.text, size);
                let [wx, base] = at(words.at);
                let left = match words.anchor {
                    Anchor::Start => wx,
                    Anchor::Middle => wx - width / 2.0,
                    Anchor::End => wx - width,
                };
                self.ink([left, base - size * ASCENT], size, weight, &words.text)
            }
        }
    }

    /// Two lines to write on, side by side.
    fn hand(&mut self, labels: &[String]) {
        let size = self.type_pt();
        let room = (self.width - GUTTER_PT) / 2.0;
        self.y += size * 2.2;
        let top = self.y;
        let mut bottom = top;
        for (place, label) in labels.iter().take(2).enumerate() {
            let x = self.left + (room + GUTTER_PT) * place as f32;
            let rule = self.rule(x, x + room, top, 0.6);
            self.page.draw(None, vec![rule]);
            let node = self.page.node(Role::Paragraph, 0);
            let mut y = top + size * 0.15;
            for line in wrapped(self.faces, &[(Weight::Regular, label)], size, room, 0.0) {
                self.set(node, [x, y], size, &line);
                y += size * LEADING;
            }
            bottom = bottom.max(y);
        }
        self.y = bottom;
    }

    fn foot(&mut self, words: &str) {
        let [_, height] = self.paper.size_pt();
        let node = self.page.node(Role::Paragraph, 0);
        let words = cut_to(self.faces, words, FLOOR_PT, self.width);
        let at = [self.left, height - BOTTOM_PT + 12.0];
        self.words(Some(node), at, FLOOR_PT, Weight::Regular, &words);
    }

    /// A black bar over the page that says what it is, read aloud too.
    fn training_bar(&mut self) {
        let size = 15.0;
        let words = "TRAINING – practice, not real fish";
        let bar = [self.left, self.y, self.width, size * 1.5];
        self.page.draw(None, vec![Ink::Box(bar, Tint::Ink, None)]);
        let node = self.page.node(Role::Paragraph, 0);
        let mut ink = self.ink(
            [self.left + 8.0, self.y + size * 0.12],
            size,
            Weight::Strong,
            words,
        );
        if let Ink::Words { tint, .. } = &mut ink {
            *tint = Tint::White;
        }
        self.page.draw(Some(node), vec![ink]);
        self.y += size * 1.5 + 6.0;
    }

    fn words(&mut self, node: Option<usize>, at: [f32; 2], size: f32, weight: Weight, words: &str) {
        let ink = self.ink(at, size, weight, words);
        self.page.draw(node, vec![ink]);
    }

    /// Words whose line begins `at` its top left.
    fn ink(&self, [x, top]: [f32; 2], size_pt: f32, weight: Weight, words: &str) -> Ink {
        let face = self.faces.of(weight);
        let words = words.chars().filter(|c| !is_bare(*c));
        Ink::Words {
            at: [x, top + size_pt * ASCENT],
            size_pt,
            weight,
            tint: Tint::Ink,
            words: words.map(|c| face.printable(c)).collect(),
        }
    }

    fn rule(&self, from: f32, to: f32, y: f32, width: f32) -> Ink {
        Ink::Path(vec![[from, y], [to, y]], width, false)
    }
}

/// From the top of a line to what its letters stand on, against the type.
const ASCENT: f32 = 0.95;

/// A line of runs, with its width.
struct Wrapped {
    runs: Vec<(Weight, String)>,
    width: f32,
}

/// Breaks runs of words into lines no wider than `width`; a word wider than that is broken.
fn wrapped(
    faces: &Faces,
    runs: &[Word<'_>],
    size_pt: f32,
    width: f32,
    hang_pt: f32,
) -> Vec<Wrapped> {
    let space = faces.regular.width_pt(" ", size_pt);
    let mut lines: Vec<Wrapped> = Vec::new();
    let mut line = Wrapped {
        runs: Vec::new(),
        width: 0.0,
    };
    for (weight, text) in runs {
        let face = faces.of(*weight);
        let text: String = text
            .chars()
            .filter(|c| !is_bare(*c) || c.is_whitespace())
            .collect();
        for word in text.split_whitespace() {
            let mut rest = word;
            loop {
                let room = width - if lines.is_empty() { 0.0 } else { hang_pt };
                let wide = face.width_pt(rest, size_pt);
                let before = if line.runs.is_empty() {
                    0.0
                } else {
                    line.width + space
                };
                if before + wide <= room {
                    push(&mut line, *weight, rest, wide, space);
                    break;
                }
                if !line.runs.is_empty() {
                    lines.push(std::mem::replace(
                        &mut line,
                        Wrapped {
                            runs: Vec::new(),
                            width: 0.0,
                        },
                    ));
                    continue;
                }
                let (head, tail) = rest.split_at(fitting(face, rest, size_pt, room));
                push(
                    &mut line,
                    *weight,
                    head,
                    face.width_pt(head, size_pt),
                    space,
                );
                if tail.is_empty() {
                    break;
                }
                rest = tail;
            }
        }
    }
    if !line.runs.is_empty() {
        lines.push(line);
    }
    lines
}

fn push(line: &mut Wrapped, weight: Weight, word: &str, wide: f32, space: f32) {
    let first = line.runs.is_empty();
    line.width += wide + if first { 0.0 } else { space };
    match line.runs.last_mut() {
        Some((last, words)) if *last == weight => {
            words.push(' ');
            words.push_str(word);
        }
        _ => line.runs.push((weight, word.to_owned())),
    }
}

/// Bytes of a word that fit; one character at least, so that breaking always goes on.
fn fitting(face: &super::face::Face, word: &str, size_pt: f32, room: f32) -> usize {
    let mut wide = 0.0;
    let mut end = 0;
    for (at, c) in word.char_indices() {
        wide += face.width_pt(c.encode_utf8(&mut [0; 4]), size_pt);
        if wide > room && at > 0 {
            return at;
        }
        end = at + c.len_utf8();
    }
    end
}

/// A text that is cut, visibly, to one line.
fn cut_to(faces: &Faces, words: &str, size_pt: f32, width: f32) -> String {
    if faces.strong.width_pt(words, size_pt) <= width {
        return words.to_owned();
    }
    let room = width - faces.strong.width_pt("…", size_pt);
    let end = fitting(&faces.strong, words, size_pt, room);
    format!("{}…", words.get(..end).unwrap_or_default())
}
