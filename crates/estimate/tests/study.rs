//! Holds the committed coverage study to an independent simulation's table, and to the code it claims to be of.

#![expect(
    clippy::unwrap_used,
    reason = "a study that cannot be read fails the test"
)]

use std::collections::HashMap;

#[path = "../examples/coverage/study.rs"]
mod study;

use study::{REACHES, Reach, Row};

const STUDY: &str = include_str!("../docs/coverage.csv");

/// Fish, tenths the first pass takes, passes; then as tabled, from 800 reaches a row, `p` constant: shares without a
/// conditional estimate, without a profile top; coverage of profile, conditional and Carle-Strub +- 1.96 standard
/// errors, posterior; medians over the truth of the conditional, whole-number, Carle-Strub and posterior estimates.
type Tabled = (u32, u32, u32, [f64; 10]);

#[rustfmt::skip]
const TABLE: [Tabled; 16] = [
    (20, 3, 2, [0.35, 0.72, 0.89, 0.42, 0.50, 0.99, 0.68, 0.60, 0.60, 0.85]),
    (20, 3, 3, [0.19, 0.65, 0.90, 0.62, 0.63, 0.99, 0.95, 0.80, 0.75, 1.00]),
    (20, 5, 2, [0.13, 0.53, 0.91, 0.68, 0.69, 0.99, 1.01, 0.85, 0.85, 1.10]),
    (20, 5, 3, [0.01, 0.19, 0.93, 0.87, 0.69, 0.97, 1.02, 0.95, 0.95, 1.05]),
    (20, 7, 2, [0.01, 0.15, 0.92, 0.83, 0.68, 0.98, 1.02, 0.95, 0.95, 1.05]),
    (20, 7, 3, [0.00, 0.01, 0.92, 0.89, 0.81, 0.99, 1.01, 1.00, 1.00, 1.00]),
    (50, 3, 2, [0.18, 0.73, 0.93, 0.64, 0.62, 0.98, 0.85, 0.72, 0.70, 0.96]),
    (50, 3, 3, [0.06, 0.49, 0.93, 0.79, 0.71, 0.96, 0.98, 0.88, 0.84, 1.02]),
    (50, 5, 2, [0.02, 0.33, 0.94, 0.83, 0.75, 0.97, 0.98, 0.92, 0.90, 1.04]),
    (50, 5, 3, [0.00, 0.03, 0.92, 0.89, 0.79, 0.96, 1.00, 0.98, 0.96, 1.02]),
    (50, 7, 3, [0.00, 0.00, 0.95, 0.93, 0.81, 0.98, 1.01, 0.98, 0.98, 1.00]),
    (100, 3, 3, [0.01, 0.29, 0.94, 0.87, 0.80, 0.95, 1.02, 0.96, 0.91, 1.05]),
    (100, 5, 2, [0.00, 0.09, 0.95, 0.90, 0.84, 0.96, 1.00, 0.96, 0.94, 1.04]),
    (100, 5, 3, [0.00, 0.00, 0.94, 0.92, 0.88, 0.95, 1.00, 0.98, 0.98, 1.01]),
    (200, 3, 2, [0.04, 0.50, 0.95, 0.85, 0.81, 0.98, 0.98, 0.92, 0.86, 1.05]),
    (200, 5, 3, [0.00, 0.00, 0.94, 0.93, 0.90, 0.96, 1.00, 0.99, 0.99, 1.00]),
];

const COLUMNS: [&str; 10] = [
    "no_zippin",
    "no_upper_limit",
    "profile_95",
    "wald_zippin",
    "wald_carle_strub",
    "posterior_95",
    "median_zippin",
    "median_whole",
    "median_carle_strub",
    "median_posterior",
];

fn cell(reach: &Reach) -> HashMap<&'static str, &'static str> {
    let mut lines = STUDY.lines();
    let names: Vec<_> = lines.next().unwrap().split(',').collect();
    let rows = lines.map(|line| names.iter().copied().zip(line.split(',')).collect());
    let wanted = [
        ("fish", reach.fish.to_string()),
        ("p", reach.p().to_string()),
        ("kept", reach.kept().to_string()),
        ("passes", reach.passes.to_string()),
    ];
    let mut rows = rows.filter(|row: &HashMap<_, _>| {
        wanted
            .iter()
            .all(|(name, value)| row.get(name) == Some(&value.as_str()))
    });
    rows.next().unwrap()
}

#[test]
fn the_study_agrees_with_an_independent_simulation() {
    for (fish, tenths, passes, tabled) in TABLE {
        let row = cell(&Reach {
            fish,
            tenths,
            kept_tenths: 10,
            passes,
        });
        for (place, (name, tabled)) in COLUMNS.into_iter().zip(tabled).enumerate() {
            let here: f64 = row.get(name).unwrap().parse().unwrap();
            let within = if place < 6 {
                // Four standard errors of the difference of two simulated shares, and the rounding of the table.
                let spread = tabled.max(0.01) * (1.0 - tabled).max(0.01);
                4.0 * (spread * (1.0 / f64::from(REACHES) + 1.0 / 800.0)).sqrt() + 0.005
            } else if fish < 100 {
                // Medians move by whole fish, and are good to a few hundredths of the truth.
                0.10
            } else {
                0.05
            };
            assert!(
                (here - tabled).abs() <= within,
                "{fish} fish, {tenths} tenths, {passes} passes: {name} {here}, tabled {tabled}"
            );
        }
    }
}

/// The files are written by hand of the example: this tells when they are of older code.
#[test]
fn a_cell_fished_anew_comes_out_as_committed() {
    for reach in [
        Reach {
            fish: 20,
            tenths: 5,
            kept_tenths: 10,
            passes: 3,
        },
        Reach {
            fish: 50,
            tenths: 3,
            kept_tenths: 8,
            passes: 4,
        },
    ] {
        let line = study::fish(reach).unwrap().line();
        assert!(Row::COLUMNS.starts_with("fish,p,kept,passes"));
        assert!(
            STUDY.lines().any(|committed| committed == line),
            "write the study anew with `cargo run --release -p gravelbar-estimate --example coverage`: {line}"
        );
    }
}
