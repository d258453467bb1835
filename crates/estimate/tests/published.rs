//! Holds the removal estimators to figures printed in papers and handbooks (`reference/published.json`).

#![expect(
    clippy::unwrap_used,
    reason = "a row or a report that cannot be read fails the test"
)]

use gravelbar_estimate::{
    BetaWeight, Catch, CumulativeCatch, EffortSeries, Marks, MassCurve, STANDARD_WEIGHTS, Stratum,
    carle_strub, density, integer_ml, leslie, mark_recapture, mean_over_sites, planned_cv,
    poisson_mark_limits, ratio_shortcut, shortest_mark_limits, single_pass, sum_of_strata, zippin,
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

/// Six hourly units of equal effort in a cove. The asymmetric limits were worked out independently.
#[test]
fn maceina_1995_conner_cove_by_leslie() {
    let id = "maceina1995_conner1992_leslie";
    let row = row(id);
    let effort: Vec<f64> = serde_json::from_value(row["inputs"]["effort_h"].clone()).unwrap();
    let counts: Vec<u32> = serde_json::from_value(row["inputs"]["catches"].clone()).unwrap();
    let line = leslie(
        &EffortSeries::new(&counts, &effort).unwrap(),
        CumulativeCatch::BeforePass,
    )
    .unwrap();
    check(id, "q", line.q);
    check(id, "slope", -line.q);
    check(id, "intercept", line.intercept);
    check(id, "N", line.n_fish);
    check(id, "r2", line.r_squared);
    check(id, "p_value", line.p_value);
    let (low, high) = line.fieller_95_fish.unwrap();
    assert!((low - 77.403_716_6).abs() < 1e-5 && (high.unwrap() - 268.319_504).abs() < 1e-4);
}

/// Grams over an area given in hectares, as kilograms per hectare.
#[test]
fn hayes_2007_box_8_8_per_area() {
    let id = "hayes2007_box8_8_area_scaling";
    let inputs = &row(id)["inputs"];
    let input = |name: &str| inputs[name].as_f64().unwrap();
    let here = density(
        input("value_g"),
        Some(input("variance_g2").sqrt()),
        10_000.0 * input("area_ha"),
        0.0,
    )
    .unwrap();
    let (value, se) = (here.per_ha / 1000.0, here.se_per_ha.unwrap() / 1000.0);
    check(id, "value_kg_per_ha", value);
    check(id, "variance", se * se);
    check(id, "ci95_half", 1.96 * se);
}

#[test]
fn maceina_1995_mean_density_over_coves() {
    let id = "maceina1995_density_mean_1992";
    let coves: Vec<f64> =
        serde_json::from_value(row(id)["inputs"]["density_1992"].clone()).unwrap();
    let here = mean_over_sites(&coves).unwrap();
    check(id, "mean_1992", here.mean);
    check(id, "cv_1992", 100.0 * here.cv.unwrap());
}

#[test]
fn warren_2004_trout_by_marks() {
    let id = "warren2004_niagara_chapman";
    let marks = Marks::new(74, 110, 11).unwrap();
    check(id, "N", mark_recapture(marks).chapman_fish);
    let (low, high) = poisson_mark_limits(marks);
    let printed = &row(id)["published"]["N_ci95_poisson"];
    assert!(
        (low - printed[0].as_f64().unwrap()).abs() < 0.6
            && (high - printed[1].as_f64().unwrap()).abs() < 0.6
    );
    // worked out independently
    assert!((mark_recapture(marks).se_chapman_fish - 166.543_264).abs() < 1e-6);
}

#[test]
fn a_wildlife_textbook_by_bailey() {
    let id = "wildlife_text_bailey_m10";
    check(
        id,
        "N",
        mark_recapture(Marks::new(100, 50, 10).unwrap()).bailey_fish,
    );
}

#[test]
fn chapman_1948_shortest_intervals() {
    let id = "chapman1948_table_m1_25";
    let row = row(id);
    for (line, recaptured) in row["inputs"]["m"].as_array().unwrap().iter().enumerate() {
        let recaptured = u32::try_from(recaptured.as_u64().unwrap()).unwrap();
        let (low, high) =
            shortest_mark_limits(Marks::new(1000, 1000, recaptured).unwrap()).unwrap();
        for (name, multiplier) in [("lower_mult", low / 1e6), ("upper_mult", high / 1e6)] {
            let printed = row["published"][name][line].as_f64().unwrap();
            let within = row["tolerance"][name][line].as_f64().unwrap();
            assert!(
                (multiplier - printed).abs() <= within,
                "{recaptured} {name} {multiplier} {printed}"
            );
        }
    }
}

#[test]
fn hyatt_and_hubert_2001_in_inches_and_pounds() {
    let id = "hyatt_hubert2001_brown_trout_lentic_units";
    let [trout, ..] = STANDARD_WEIGHTS;
    check(id, "intercept_english", trout.curve.intercept_inches());
    let back = MassCurve::from_inches(trout.curve.intercept_inches(), 3.194);
    assert!((back.mass_g(320.0) / trout.curve.mass_g(320.0) - 1.0).abs() < 1e-12);
}

/// The abstract states how far the two equations lie apart at most: at the shortest length they are for.
#[test]
fn gilham_2021_two_standards_for_grayling() {
    let id = "gilham2021_arctic_grayling_ws";
    let [_, percentile, empirical, ..] = STANDARD_WEIGHTS;
    let apart = |length_mm: f64| {
        100.0 * (1.0 - empirical.curve.mass_g(length_mm) / percentile.curve.mass_g(length_mm))
    };
    check(
        id,
        "max_percent_difference",
        apart(row(id)["inputs"]["min_TL_mm"].as_f64().unwrap()),
    );
    assert!((percentile.curve.mass_g(300.0) - 248.865_576).abs() < 1e-5);
    assert!((empirical.curve.mass_g(300.0) - 245.565_53).abs() < 1e-5);
}

/// Constants in inches and pounds, converted to centimetres and grams.
#[test]
fn simpkins_and_hubert_1996_constants_in_centimetres() {
    let id = "simpkins_hubert1996_rainbow_units";
    let inputs = &row(id)["inputs"];
    for (water, name) in [("lentic", "c_cm_g_lentic"), ("lotic", "c_cm_g_lotic")] {
        let constant = inputs["c_inlb"][water].as_f64().unwrap();
        let slope = inputs["b"][water].as_f64().unwrap();
        // mass in grams at one centimetre is the constant asked for
        check(
            id,
            name,
            MassCurve::from_inches(constant.log10(), slope).mass_g(10.0),
        );
    }
}
