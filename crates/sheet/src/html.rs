//! The sheet on a screen: the whole of it, without style or script of its own.

use crate::fold::{Folded, FoldedBand, FoldedItem, FoldedPart, FoldedTable, Squeeze, folded};
use crate::model::{Kind, Line, Rank, Sheet, Standing};

/// Text made safe for an element's content and for an attribute in double quotes.
pub(crate) fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c => safe.push(c),
        }
    }
    safe
}

impl Sheet {
    /// The sheet as one `article` to stand in a page: nothing folded, every plot, no `style`
    /// attribute and no script, so that it lives under a strict content policy.
    #[must_use]
    pub fn to_html(&self) -> String {
        let whole = folded(self, Squeeze::WHOLE);
        let mut out = String::new();
        let training = self.standing == Standing::Training;
        let class = if training {
            "paper is-training"
        } else {
            "paper"
        };
        out.push_str(&format!(r#"<article class="{class}">"#));
        if training {
            out.push_str(r#"<p class="training">TRAINING – practice, not real fish</p>"#);
        }
        out.push_str(&format!(
            r#"<header><p class="small">{}</p><h2>{}</h2><p>{}</p>"#,
            escaped(self.kind),
            escaped(&self.title),
            escaped(&self.date)
        ));
        for line in &whole.lead {
            push_line(line, &mut out);
        }
        out.push_str("</header>");
        push_bands(&whole, &mut out);
        out.push_str(&format!(
            r#"<footer><p class="small">{}</p></footer></article>"#,
            escaped(&self.foot)
        ));
        out
    }
}

fn push_bands(whole: &Folded<'_>, out: &mut String) {
    for band in &whole.bands {
        match band {
            FoldedBand::Whole(part) => push_part(part, out),
            FoldedBand::Halves(left, right) => {
                out.push_str(r#"<div class="two">"#);
                for side in [left, right] {
                    out.push_str("<div>");
                    for part in side {
                        push_part(part, out);
                    }
                    out.push_str("</div>");
                }
                out.push_str("</div>");
            }
            FoldedBand::Plots([]) => {}
            FoldedBand::Plots(plots) => {
                out.push_str(r#"<div class="plots">"#);
                for plot in *plots {
                    out.push_str(&format!(
                        "<figure><figcaption>{}</figcaption>{}</figure>",
                        escaped(plot.title()),
                        plot.svg()
                    ));
                }
                out.push_str("</div>");
            }
        }
    }
}

fn push_part(part: &FoldedPart, out: &mut String) {
    out.push_str("<section>");
    if !part.heading.is_empty() {
        out.push_str(&format!("<h3>{}</h3>", escaped(part.heading)));
    }
    for item in &part.items {
        match item {
            FoldedItem::Line(line) => push_line(line, out),
            FoldedItem::Table(table) => push_table(table, out),
            FoldedItem::Hand(labels) => {
                for label in labels {
                    out.push_str(&format!(r#"<p class="hand">{}</p>"#, escaped(label)));
                }
            }
        }
    }
    out.push_str("</section>");
}

fn push_line(line: &Line, out: &mut String) {
    out.push_str("<p>");
    if !line.mark.is_empty() {
        out.push_str(&format!(
            r#"<span class="mark">{}</span> "#,
            escaped(line.mark)
        ));
    }
    if !line.strong.is_empty() {
        out.push_str(&format!("<strong>{}</strong> ", escaped(&line.strong)));
    }
    out.push_str(&escaped(&line.words));
    out.push_str("</p>");
}

fn push_table(table: &FoldedTable, out: &mut String) {
    let class = |kind: Kind| {
        if kind == Kind::Figure {
            " class=\"n\""
        } else {
            ""
        }
    };
    out.push_str(r#"<div class="scroll"><table class="figures"><thead><tr>"#);
    for (head, kind) in &table.heads {
        out.push_str(&format!(
            r#"<th scope="col"{}>{}</th>"#,
            class(*kind),
            escaped(head)
        ));
    }
    out.push_str("</tr></thead><tbody>");
    for (rank, cells) in &table.rows {
        let row = match rank {
            Rank::Own(_) => "<tr>",
            Rank::Share => r#"<tr class="share">"#,
            Rank::Sum => r#"<tr class="sum">"#,
        };
        out.push_str(row);
        let spare = table.heads.len().saturating_sub(cells.len());
        for (place, cell) in cells.iter().enumerate() {
            let kind = table
                .heads
                .get(place)
                .map_or(Kind::Words, |(_, kind)| *kind);
            let spans = spare > 0 && place + 1 == cells.len();
            let attributes = if spans {
                format!(r#" colspan="{}""#, spare + 1)
            } else {
                class(kind).to_owned()
            };
            out.push_str(&format!("<td{attributes}>{}</td>", escaped(cell)));
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
}
