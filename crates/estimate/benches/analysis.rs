//! What one full analysis costs: time and allocations, beside brute force by numerical libraries in the same run.
//!
//! `cargo bench -p gravelbar-estimate`. The other side is `tests/estimates.py --time`, with the Python that
//! `tests/run --set-up-only` sets up in `target/python`; without it that column stays empty.

#![expect(clippy::print_stdout, reason = "a bench prints")]
#![expect(
    clippy::disallowed_methods,
    reason = "a bench reads the clock and its settings"
)]

use gravelbar_estimate::{
    Analysis, BetaWeight, Catch, CatchError, LEAST_FISH, Level, carle_strub, chance_of_fewer,
    chi_square, chi_square_power, first_pass_model, integer_ml, next_pass, posterior, profile,
    zippin,
};
use std::error::Error;
use std::hint::black_box;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

const ROUNDS: usize = 4_001;

/// The machine may be shared: both sides are timed in turn, and the middle ratio counts.
const TURNS: usize = 3;

/// Catches of up to 500 fish and five passes, easy and awkward.
const USUAL: [&[u32]; 8] = [
    &[48, 19, 8],
    &[24, 17, 8],
    &[62, 31, 18],
    &[41, 28, 19],
    &[244, 86, 43],
    &[210, 120, 70, 40, 25],
    &[100, 90, 80, 70, 60],
    &[9, 3, 2, 0],
];

const LARGE: [&[u32]; 3] = [
    &[200_000, 100_000, 50_000],
    &[500_000, 250_000, 125_000, 62_500, 31_250],
    &[300_000, 240_000, 192_000, 153_600],
];

fn main() -> Result<(), Box<dyn Error>> {
    // Cargo runs a bench as a test too, to see that it works; a few rounds do then.
    let rounds = if std::env::args().any(|word| word == "--bench") {
        ROUNDS
    } else {
        11
    };
    println!(
        "full analysis, medians of {TURNS} turns by turns with the libraries; allocations per analysis\n{:<46}{:>10}{:>13}{:>16}{:>9}",
        "catch", "us", "allocations", "brute force us", "ratio"
    );
    let catches: Vec<&[u32]> = USUAL.into_iter().chain(LARGE).collect();
    let (mut here, mut there) = (Vec::new(), Vec::new());
    for _ in 0..TURNS {
        there.push(brute_force());
        here.push(
            catches
                .iter()
                .map(|counts| median_us(rounds, || drop(black_box(full(black_box(counts))))))
                .collect::<Vec<f64>>(),
        );
    }
    for (place, counts) in catches.into_iter().enumerate() {
        full(counts)?;
        let turns = here.iter().zip(&there);
        let both: Vec<(f64, Option<f64>)> = turns
            .filter_map(|(here, there)| Some((*here.get(place)?, there.get(place).copied())))
            .collect();
        let us = median(both.iter().map(|(us, _)| *us));
        let others = both.iter().filter_map(|(us, other)| Some((us, (*other)?)));
        let ratios: Vec<f64> = others.clone().map(|(us, other)| other / us).collect();
        let (other, ratio) = if ratios.is_empty() {
            Default::default()
        } else {
            (
                format!("{:.0}", median(others.map(|(_, other)| other))),
                format!("{:.0}", median(ratios.into_iter())),
            )
        };
        let allocations = allocations(|| drop(black_box(full(black_box(counts)))));
        println!(
            "{:<46}{us:>10.1}{allocations:>13}{other:>16}{ratio:>9}",
            format!("{counts:?}")
        );
    }
    parts(rounds, &[210, 120, 70, 40, 25])?;
    parts(rounds, &[24, 17, 8])?;
    parts(rounds, &[100, 90, 80, 70, 60])?;
    Ok(())
}

/// All that is worked out for one catch: every estimator of an analysis with both its intervals, the test and its
/// power, the model with a first pass of its own, and what the next pass may bring.
fn full(counts: &[u32]) -> Result<impl Sized, CatchError> {
    let catch = Catch::new(counts)?;
    Ok((
        Analysis::with_floor(&catch, LEAST_FISH),
        first_pass_model(&catch),
        chance_of_fewer(&catch, BetaWeight::FLAT, 3),
    ))
}

/// Where the time of one analysis goes.
fn parts(rounds: usize, counts: &[u32]) -> Result<(), CatchError> {
    type Part = (&'static str, fn(&Catch) -> bool);
    const PARTS: [Part; 11] = [
        ("conditional estimate", |catch| zippin(catch).is_ok()),
        ("whole-number estimate", |catch| integer_ml(catch).is_ok()),
        ("Carle-Strub", |catch| {
            carle_strub(catch, BetaWeight::FLAT).is_ok()
        }),
        ("profile, 95 %", |catch| profile(catch, Level::P95).is_ok()),
        ("profile, 90 %", |catch| profile(catch, Level::P90).is_ok()),
        ("posterior", |catch| {
            posterior(catch, BetaWeight::FLAT).is_ok()
        }),
        ("chi-square", |catch| chi_square(catch).is_ok()),
        ("power of the chi-square", |catch| {
            let falling = [0.45, 0.36, 0.288, 0.230_4, 0.184_32];
            let falling = falling.get(..catch.passes()).unwrap_or_default();
            chi_square_power(catch.total() as f64, falling, 0.05).is_ok()
        }),
        ("next pass", |catch| next_pass(catch).is_ok()),
        ("chance of fewer than three", |catch| {
            chance_of_fewer(catch, BetaWeight::FLAT, 3).is_ok()
        }),
        ("first pass apart", |catch| first_pass_model(catch).is_ok()),
    ];
    let catch = Catch::new(counts)?;
    println!(
        "\n{:<46}{:>10}{:>13}",
        format!("parts of {counts:?}"),
        "us",
        "allocations"
    );
    for (name, part) in PARTS {
        let us = median_us(rounds, || {
            black_box(part(black_box(&catch)));
        });
        println!(
            "{name:<46}{us:>10.1}{:>13}",
            allocations(|| {
                black_box(part(&catch));
            })
        );
    }
    Ok(())
}

fn median_us(rounds: usize, mut run: impl FnMut()) -> f64 {
    median((0..rounds).map(|_| {
        let begun = Instant::now();
        run();
        begun.elapsed().as_secs_f64() * 1e6
    }))
}

fn median(of: impl Iterator<Item = f64>) -> f64 {
    let mut all: Vec<f64> = of.collect();
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied().unwrap_or_default()
}

fn allocations(run: impl FnOnce()) -> u64 {
    allocation_counter::measure(run).count_total
}

/// Microseconds per catch, the same estimates by numerical libraries; empty where they aren't there.
fn brute_force() -> Vec<f64> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let catches: Vec<String> = USUAL
        .into_iter()
        .chain(LARGE)
        .map(|counts| format!("{counts:?}"))
        .collect();
    let timed = Command::new(root.join("target/python/bin/python3"))
        .arg(root.join("tests/estimates.py"))
        .args(["--time", &format!("[{}]", catches.join(","))])
        .stderr(Stdio::null())
        .output();
    let told = timed.map(|done| String::from_utf8_lossy(&done.stdout).into_owned());
    told.unwrap_or_default()
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect()
}
