//! The removal estimators, row by row.

use crate::rows::{COMPUTED, near, near_spread, removal_rows};
use gravelbar_estimate::{
    BetaWeight, Catch, Level, Refusal, Stratum, carle_strub, chi_square, integer_ml, posterior,
    profile, sum_of_strata, two_pass, zippin,
};

#[test]
fn every_row_has_its_totals() {
    assert!(removal_rows().count() >= 35);
    for (id, catch, row) in removal_rows() {
        assert_eq!(row["T"].as_u64().unwrap(), catch.total(), "{id}");
        assert_eq!(row["X"].as_u64().unwrap(), catch.weighted_total(), "{id}");
        assert_eq!(
            row["depletion_criterion"].as_i64().unwrap(),
            catch.depletion_criterion(),
            "{id}"
        );
    }
}

#[test]
fn conditional_estimates_agree() {
    for (id, catch, row) in removal_rows() {
        match zippin(&catch) {
            Ok(fit) => {
                near(id, fit.n_fish, &row["zippin"]["N"]);
                near(id, fit.p, &row["zippin"]["p"]);
                near_spread(id, fit.se_fish, &row["zippin"]["se_N"]);
                near_spread(id, fit.se_p, &row["zippin"]["se_p"]);
            }
            Err(_) => assert!(row["zippin"].is_null(), "{id}"),
        }
    }
}

#[test]
fn whole_number_estimates_agree() {
    for (id, catch, row) in removal_rows() {
        match integer_ml(&catch) {
            Ok(best) => {
                assert_eq!(
                    row["ml_integer"]["N"].as_u64().unwrap(),
                    best.n_fish,
                    "{id}"
                );
                near(id, best.p, &row["ml_integer"]["p"]);
                near(id, best.log_likelihood, &row["ml_integer"]["loglik"]);
            }
            Err(_) => assert!(row["ml_integer"].is_null(), "{id}"),
        }
    }
}

#[test]
fn weighted_estimates_agree() {
    for (id, catch, row) in removal_rows() {
        match carle_strub(&catch, BetaWeight::FLAT) {
            Ok(best) => {
                let there = &row["carle_strub"];
                assert_eq!(there["N"].as_u64().unwrap(), best.n_fish, "{id}");
                near(id, best.p, &there["p"]);
                near_spread(id, best.se_fish, &there["se_N_form_N_p_k"]);
            }
            Err(reason) => assert!(matches!(reason, Refusal::NothingCaught { .. }), "{id}"),
        }
    }
}

#[test]
fn profile_intervals_agree() {
    for (id, catch, row) in removal_rows() {
        if let Ok(interval) = profile(&catch, Level::P95) {
            let there = &row["profile_ci95"];
            assert_eq!(there[0].as_u64(), Some(interval.low), "{id}");
            assert_eq!(there[1].as_u64(), interval.high, "{id}");
        } else {
            assert_eq!(catch.total(), 0, "{id}");
        }
    }
}

/// The references sum to 2,000,000 fish and stop. For 3, 3, 3 the 4 millionths beyond decide: up to 331 fish lie
/// 0.9750016 of the sum and 0.9749976 of the whole, so the 97.5 % point is 332.
#[test]
fn posteriors_agree() {
    for (id, catch, row) in removal_rows() {
        let here = posterior(&catch, BetaWeight::FLAT).unwrap();
        let there = &row["posterior_beta11_prior_1_over_N_plus_1"];
        assert_eq!(there["mode"].as_u64(), Some(here.mode), "{id}");
        assert_eq!(there["median"].as_u64(), Some(here.median), "{id}");
        assert_eq!(there["ci95"][0].as_u64(), Some(here.low_95), "{id}");
        let tail = u64::from(id == "edge_3_3_3");
        assert_eq!(
            there["ci95"][1].as_u64().map(|high| high + tail),
            here.high_95,
            "{id}"
        );
    }
}

#[test]
fn tests_of_equal_catchability_agree() {
    let mut tested = 0;
    for (id, catch, row) in removal_rows() {
        let there = &row["chisq"];
        match chi_square(&catch) {
            Ok(test) => {
                tested += 1;
                if id != "edge_100_40_16" {
                    near(id, test.statistic, &there["stat"]);
                }
                assert_eq!(there["df"].as_u64(), Some(u64::from(test.df)), "{id}");
                near(id, test.p_value, &there["p"]);
            }
            Err(_) => assert!(there.is_null(), "{id}"),
        }
    }
    assert!(tested > 20);
}

/// 100, 40, 16 is an exact geometric fall: nothing is left over.
#[test]
fn an_exact_geometric_fall_leaves_nothing_to_test() {
    let test = chi_square(&Catch::new(&[100, 40, 16]).unwrap()).unwrap();
    assert!(test.statistic < 1e-20 && test.p_value > 0.999_999);
}

#[test]
fn two_pass_closed_forms_agree() {
    let mut tested = 0;
    for (id, catch, row) in removal_rows() {
        let there = &row["two_pass"];
        if there.is_null() {
            continue;
        }
        tested += 1;
        let fit = two_pass(&catch).unwrap();
        near(id, fit.n_fish, &there["N"]);
        near(id, fit.p, &there["p"]);
        near_spread(id, fit.se_fish, &there["se_N"]);
        near_spread(id, fit.se_p, &there["se_p"]);
        near(id, fit.n_fish_bias_corrected, &there["N_bias_corrected"]);
    }
    assert!(tested >= 3);
}

#[test]
fn size_groups_estimated_apart_add_up() {
    let there = &COMPUTED["stratified"];
    let strata: Vec<Stratum> = there["strata"]
        .as_array()
        .unwrap()
        .iter()
        .map(|counts| {
            let counts: Vec<u32> = serde_json::from_value(counts.clone()).unwrap();
            let fit = zippin(&Catch::new(&counts).unwrap()).unwrap();
            Stratum {
                n_fish: fit.n_fish,
                se_fish: fit.se_fish,
            }
        })
        .collect();
    let sum = sum_of_strata(&strata);
    near("stratified", sum.n_fish, &there["N_total"]);
    near("stratified", sum.se_fish.unwrap(), &there["se_total"]);
    let pooled = zippin(&Catch::new(&[268, 103, 51]).unwrap()).unwrap();
    near(
        "stratified",
        pooled.n_fish,
        &there["pooled_single_estimate"],
    );
    assert!(pooled.n_fish < sum.n_fish);
}
