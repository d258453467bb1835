//! A drawing as SVG text: rounded coordinates, a title and a description, no style from elsewhere.

use super::{Anchor, Drawing, HEIGHT, Shape, Tint, WIDTH};
use crate::html::escaped;

impl Drawing {
    /// The drawing as an `svg` element of class `plot`.
    #[must_use]
    pub fn svg(&self) -> String {
        let mut svg = format!(
            r#"<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{}"><title>{}</title><desc>{}</desc>"#,
            escaped(&self.description),
            escaped(&self.title),
            escaped(&self.description)
        );
        for shape in &self.shapes {
            svg.push_str(&element(shape));
        }
        svg.push_str("</svg>");
        svg
    }
}

fn hex(tint: Tint) -> String {
    let [r, g, b] = tint.rgb();
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn element(shape: &Shape) -> String {
    let ink = hex(Tint::Ink);
    match shape {
        Shape::Line([x1, y1], [x2, y2], width) => format!(
            r#"<line x1="{x1:.1}" y1="{y1:.1}" x2="{x2:.1}" y2="{y2:.1}" stroke="{ink}" stroke-width="{width:.1}"/>"#
        ),
        Shape::Bar([x, y, width, height]) => format!(
            r#"<rect x="{x:.1}" y="{y:.1}" width="{width:.1}" height="{height:.1}" fill="{}" stroke="{}" stroke-width="2"/>"#,
            hex(Tint::Pale),
            hex(Tint::River)
        ),
        Shape::Dashes(points) => {
            let points: Vec<String> = (points.iter())
                .map(|[x, y]| format!("{x:.1},{y:.1}"))
                .collect();
            format!(
                r#"<polyline points="{}" fill="none" stroke="{ink}" stroke-width="2.5" stroke-dasharray="7 5"/>"#,
                points.join(" ")
            )
        }
        Shape::Dot([x, y], r, fill) => format!(
            r#"<circle cx="{x:.1}" cy="{y:.1}" r="{r:.1}" fill="{}" stroke="{ink}" stroke-width="2.5"/>"#,
            hex(*fill)
        ),
        Shape::Words(words) => {
            let anchor = match words.anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            let weight = if words.strong { "700" } else { "400" };
            let [x, y] = words.at;
            format!(
                r#"<text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}" font-size="{}" font-weight="{weight}" fill="{ink}">{}</text>"#,
                words.size,
                escaped(&words.text)
            )
        }
    }
}
