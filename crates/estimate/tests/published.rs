//! Holds the removal estimators to figures printed in papers and handbooks (`reference/published.json`).

#![expect(
    clippy::unwrap_used,
    reason = "a row or a report that cannot be read fails the test"
)]

use gravelbar_estimate::{
    BetaWeight, Catch, Stratum, carle_strub, integer_ml, planned_cv, ratio_shortcut, single_pass,
    sum_of_strata, zippin,
};
use serde_json::Value;
use std::sync::LazyLock;

static PUBLISHED: LazyLock<Vec<Value>> =
    LazyLock::new(|| serde_json::from_str(include_str!("reference/published.json")).unwrap());

fn row(id: &str) -> &'static Value {
    PUBLISHED.iter().find(|row| row["id"] == id).unwrap()
}

fn catch_of(counts: &Value) -> Catch {
    let counts: Vec<u32> = serde_json::from_value(counts.clone()).unwrap();
    Catch::new(&counts).unwrap()
}

/// Checks one printed figure with the tolerance its row states.
fn check(id: &str, name: &str, here: f64) {
    let row = row(id);
    let printed = row["published"][name].as_f64().unwrap();
    let within = row["tolerance"][name]
        .as_f64()
        .or(row["tolerance"].as_f64())
        .unwrap();
    assert!(
        (here - printed).abs() <= within + 1e-9,
        "{id} {name}: {here}, printed {printed} ± {within}"
    );
}

#[test]
fn bohlin_1989_example_two_by_three_passes() {
    let id = "bohlin1989_ex2_three_pass_ml";
    let catch = catch_of(&row(id)["inputs"]["catches"]);
    let fit = zippin(&catch).unwrap();
    check(id, "T", catch.total() as f64);
    check(id, "N", fit.n_fish);
    check(id, "p", fit.p);
    check(id, "se_N", fit.se_fish.unwrap());
}

#[test]
fn hayes_2007_box_8_5_brown_trout() {
    let id = "hayes2007_box8_5_brown_trout";
    let fit = zippin(&catch_of(&row(id)["inputs"]["catches"])).unwrap();
    check(id, "p", fit.p);
    check(id, "N", fit.n_fish);
}

/// First captures of a capture-recapture study are removals; the box prints the likelihood at three sizes.
#[test]
fn hayes_2007_box_8_3_first_captures_as_removals() {
    let id = "hayes2007_box8_3_model_Mb_as_removal";
    let best = integer_ml(&catch_of(&row(id)["inputs"]["catches"])).unwrap();
    check(id, "N", best.n_fish as f64);
}

/// The printed intervals are 1.96 standard errors of the "(N, p, k)" form about the weighted estimate.
#[test]
fn pritchard_2021_weighted_estimate_with_its_interval() {
    let id = "pritchard2021_footbridge_carle_strub";
    let row = row(id);
    let weight = BetaWeight::new(
        row["inputs"]["alpha"].as_f64().unwrap(),
        row["inputs"]["beta"].as_f64().unwrap(),
    )
    .unwrap();
    let catch = catch_of(&row["inputs"]["catches"]);
    let best = carle_strub(&catch, weight).unwrap();
    check(id, "N", best.n_fish as f64);
    check(id, "p", best.p);
    check(
        id,
        "percent_captured",
        100.0 * catch.total() as f64 / best.n_fish as f64,
    );
    let (se_fish, se_p) =
        gravelbar_estimate::standard_errors(best.n_fish as f64, best.p, 3).unwrap();
    for (side, sign) in [(0, -1.0), (1, 1.0)] {
        let n = best.n_fish as f64 + sign * 1.96 * se_fish;
        let p = best.p + sign * 1.96 * se_p;
        assert!((n - row["published"]["N_ci95"][side].as_f64().unwrap()).abs() < 0.6);
        assert!((p - row["published"]["p_ci95"][side].as_f64().unwrap()).abs() < 0.0006);
    }
}

/// Both sites were fished twenty times, so the total is near the truth; four passes then miss it by the
/// share the paper's abstract reports, which no test of fit notices.
#[test]
fn bohlin_and_sundstrom_1977_four_passes_fall_short_by_the_published_share() {
    for id in ["bohlin_sundstrom1977_site1", "bohlin_sundstrom1977_site2"] {
        let row = row(id);
        let counts: Vec<u32> =
            serde_json::from_value(row["inputs"]["catches_20_passes"].clone()).unwrap();
        let truth: u32 = counts.iter().sum();
        let four = Catch::new(&counts[..4]).unwrap();
        let short = 100.0 * (1.0 - zippin(&four).unwrap().n_fish / f64::from(truth));
        let range = &row["published"]["underestimate_percent_range_over_experiments"];
        assert!(
            short >= range[0].as_f64().unwrap() && short <= range[1].as_f64().unwrap(),
            "{short}"
        );
        assert!(gravelbar_estimate::chi_square(&four).unwrap().p_value > 0.05);
    }
}

#[test]
fn hayes_2007_box_8_8_sums_of_strata() {
    let row = row("hayes2007_box8_8_strata_sum_march");
    let list =
        |name: &str| -> Vec<f64> { serde_json::from_value(row["inputs"][name].clone()).unwrap() };
    for (values, variances, total, variance) in [
        ("strata_N", "strata_varN", "N_total", "var_N_total"),
        ("strata_B_g", "strata_varB", "B_total", "var_B_total"),
    ] {
        let strata: Vec<Stratum> = list(values)
            .into_iter()
            .zip(list(variances))
            .map(|(n_fish, variance)| Stratum {
                n_fish,
                se_fish: Some(variance.sqrt()),
            })
            .collect();
        let sum = sum_of_strata(&strata);
        let se = sum.se_fish.unwrap();
        check("hayes2007_box8_8_strata_sum_march", total, sum.n_fish);
        check("hayes2007_box8_8_strata_sum_march", variance, se * se);
    }
}

#[test]
fn bohlin_1989_ratio_shortcut() {
    let id = "bohlin1989_ex2_ratio_shortcut";
    let shortcut = ratio_shortcut(&catch_of(&row(id)["inputs"]["catches"])).unwrap();
    check(id, "p", shortcut.p);
    check(id, "N", shortcut.n_fish);
}

/// Expected precision of planned series, in percent.
#[test]
fn bohlin_1989_table_two() {
    let mut cells = 0;
    for id in ["bohlin1989_table2_p04", "bohlin1989_table2_p08"] {
        let row = row(id);
        for passes in 2..=4 {
            let name = format!("cv_percent_k{passes}");
            for (cell, n_fish) in row["inputs"]["N"].as_array().unwrap().iter().enumerate() {
                let cv = planned_cv(
                    n_fish.as_f64().unwrap(),
                    row["inputs"]["p"].as_f64().unwrap(),
                    passes,
                );
                let printed = row["published"][&name][cell].as_f64().unwrap();
                let within = row["tolerance"][&name][cell].as_f64().unwrap();
                assert!(
                    (100.0 * cv.unwrap() - printed).abs() <= within + 1e-9,
                    "{id} {name} {cell}"
                );
                cells += 1;
            }
        }
    }
    assert_eq!(cells, 24);
}

/// The likelihoods of 49 and 50 fish are the same; the box takes the larger.
#[test]
fn hayes_2007_box_8_2_one_pass_with_known_p() {
    let id = "hayes2007_box8_2_known_p_single_pass";
    let estimate = single_pass(20, row(id)["inputs"]["p_known"].as_f64().unwrap(), 0.0).unwrap();
    check(id, "N", estimate.n_fish_likeliest as f64);
}
