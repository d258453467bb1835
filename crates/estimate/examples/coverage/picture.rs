//! Owns the picture of the study: share of intervals that hold the truth, over the number of fish.

use crate::study::Row;
use std::fmt::Write;

/// Panels across: share the first pass takes, in tenths. Panels down: passes, and tenths kept from pass to pass.
const ACROSS: [u32; 4] = [2, 3, 5, 7];
const DOWN: [(u32, u32); 4] = [(2, 10), (3, 10), (4, 10), (3, 8)];

const WIDTH: f64 = 200.0;
const HEIGHT: f64 = 130.0;
const GAP: f64 = 34.0;
const LEFT: f64 = 120.0;
const TOP: f64 = 74.0;

/// A line of the picture: its name, colour, dashes and what it draws. Told apart without colour too.
type Line = (
    &'static str,
    &'static str,
    &'static str,
    fn(&Row) -> Option<f64>,
);

const LINES: [Line; 4] = [
    ("profile", "#0b4f8a", "", |row| row.profile),
    ("posterior", "#1d7a3c", "7 3", |row| Some(row.posterior)),
    ("± 1.96 SE, conditional", "#a8480a", "2 2", |row| {
        row.wald_zippin
    }),
    ("± 1.96 SE, Carle-Strub", "#6d2a7e", "9 3 2 3", |row| {
        row.wald_carle_strub
    }),
];

/// The picture as SVG text.
pub(crate) fn draw(rows: &[Row]) -> String {
    let width = LEFT + 4.0 * (WIDTH + GAP);
    let height = TOP + 4.0 * (HEIGHT + GAP) + 20.0;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\" font-size=\"12\">\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"white\"/>\n\
         <text x=\"{LEFT}\" y=\"20\" font-size=\"15\">Share of 95 % intervals that hold the true number of fish (grey line: 0.95)</text>\n"
    );
    let mut x = LEFT;
    for (name, colour, dashes, _) in LINES {
        let _ = writeln!(
            svg,
            "<path d=\"M{x} 40h34\" {}/><text x=\"{}\" y=\"44\">{name}</text>",
            stroke(colour, dashes),
            x + 40.0
        );
        x += 210.0;
    }
    let mut y = TOP;
    for (passes, kept_tenths) in DOWN {
        let falling = if kept_tenths < 10 {
            "p falls a fifth"
        } else {
            "p constant"
        };
        let _ = writeln!(
            svg,
            "<text x=\"10\" y=\"{}\">{passes} passes</text><text x=\"10\" y=\"{}\">{falling}</text>",
            y + HEIGHT / 2.0,
            y + HEIGHT / 2.0 + 15.0
        );
        let mut x = LEFT;
        for tenths in ACROSS {
            let cell = rows.iter().filter(|row| {
                let reach = row.reach;
                (reach.passes, reach.kept_tenths, reach.tenths) == (passes, kept_tenths, tenths)
            });
            panel(&mut svg, x, y, tenths, &cell.collect::<Vec<_>>());
            x += WIDTH + GAP;
        }
        y += HEIGHT + GAP;
    }
    svg.push_str("</svg>\n");
    svg
}

fn stroke(colour: &str, dashes: &str) -> String {
    format!("fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\" stroke-dasharray=\"{dashes}\"")
}

fn panel(svg: &mut String, x: f64, y: f64, tenths: u32, rows: &[&Row]) {
    // Numbers of fish on a log scale, 10 to 1,000; shares from 0 to 1.
    let across = |fish: u32| x + WIDTH * (f64::from(fish).log10() - 1.0) / 2.0;
    let up = |share: f64| y + HEIGHT * (1.0 - share);
    let _ = writeln!(
        svg,
        "<text x=\"{x}\" y=\"{}\">first pass takes {:.1}</text><rect x=\"{x}\" y=\"{y}\" width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"none\" stroke=\"#777\"/>",
        y - 5.0,
        f64::from(tenths) / 10.0
    );
    let _ = writeln!(
        svg,
        "<path d=\"M{x} {:.1}h{WIDTH}\" stroke=\"#bbb\"/>",
        up(0.95)
    );
    for fish in [10, 100, 1000] {
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{}\" text-anchor=\"middle\" font-size=\"10\">{fish}</text>",
            across(fish),
            y + HEIGHT + 12.0
        );
    }
    for share in [0.0, 0.5, 1.0] {
        let _ = writeln!(
            svg,
            "<text x=\"{}\" y=\"{:.1}\" text-anchor=\"end\" font-size=\"10\">{share}</text>",
            x - 4.0,
            up(share) + 3.0
        );
    }
    for (_, colour, dashes, figure) in LINES {
        let points: Vec<String> = rows
            .iter()
            .filter_map(|row| {
                figure(row).map(|share| format!("{:.1} {:.1}", across(row.reach.fish), up(share)))
            })
            .collect();
        let _ = writeln!(
            svg,
            "<path d=\"M{}\" {}/>",
            points.join("L"),
            stroke(colour, dashes)
        );
    }
}
