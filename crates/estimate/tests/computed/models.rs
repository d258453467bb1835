//! What stands around the estimators: planning, other models, effort, biomass.

use crate::rows::{COMPUTED, near, removal_rows};
use gravelbar_estimate::{
    Catch, CumulativeCatch, EffortSeries, RegressionError, WeighedCatch, biomass,
    biomass_with_catch, delury, density, effort_ml, empty_catch_bound, first_pass_model,
    generalised_removal, leslie, next_pass, per_100_m,
};

#[test]
fn one_pass_ahead_agrees() {
    for there in COMPUTED["next_pass_planning"].as_array().unwrap() {
        let counts: Vec<u32> = serde_json::from_value(there["catches"].clone()).unwrap();
        let here = next_pass(&Catch::new(&counts).unwrap()).unwrap();
        near(
            "planning",
            here.expected_catch,
            &there["expected_next_catch"],
        );
        near("planning", here.se_now_fish.unwrap(), &there["se_now"]);
        near(
            "planning",
            here.se_after_fish.unwrap(),
            &there["se_if_one_more"],
        );
        near("planning", here.cv_now.unwrap(), &there["cv_now"]);
        near("planning", here.cv_after.unwrap(), &there["cv_if_one_more"]);
    }
}

/// Zero catch: what `p` would leave room for.
#[test]
fn bounds_for_an_empty_catch_agree() {
    let (_, catch, row) = removal_rows().find(|(id, ..)| *id == "edge_0_0_0").unwrap();
    let bounds = row["upper95_if_p"].as_object().unwrap();
    assert_eq!(bounds.len(), 3);
    for (p, bound) in bounds {
        near(
            "empty",
            empty_catch_bound(catch.passes(), p.parse().unwrap()).unwrap(),
            bound,
        );
    }
}

#[test]
fn models_with_a_free_first_pass_agree() {
    let mut tested = 0;
    for (id, catch, row) in removal_rows() {
        let there = &row["first_pass_model"];
        if there.is_null() {
            continue;
        }
        let Ok(here) = first_pass_model(&catch) else {
            assert!(there["conditional_N"].is_null(), "{id}");
            continue;
        };
        tested += 1;
        near(id, here.n_fish_conditional, &there["conditional_N"]);
        near(id, here.p_later_conditional, &there["conditional_p_rest"]);
        let full = &there["full_integer"];
        assert_eq!(full["N"].as_u64(), Some(here.n_fish), "{id}");
        near(id, here.p_first, &full["p1"]);
        near(id, here.p_later, &full["p_rest"]);
        near(id, here.log_likelihood, &full["loglik"]);
        assert_eq!(
            here.ratio_statistic.is_some(),
            there["lrt"].is_number(),
            "{id}"
        );
        if let (Some(statistic), Some(p_value)) = (here.ratio_statistic, here.ratio_p_value) {
            // Nine digits of each likelihood leave about seven of their difference.
            assert!(
                (statistic - there["lrt"].as_f64().unwrap()).abs() < 3e-7,
                "{id}"
            );
            assert!(
                (p_value - there["lrt_p"].as_f64().unwrap()).abs() < 3e-7,
                "{id}"
            );
        }
    }
    assert!(tested >= 20);
}

#[test]
fn generalised_removal_agrees_step_by_step() {
    for there in COMPUTED["generalised_removal_stepwise"].as_array().unwrap() {
        let counts: Vec<u32> = serde_json::from_value(there["catches"].clone()).unwrap();
        let catch = Catch::new(&counts).unwrap();
        let here = generalised_removal(&catch, there["level"].as_f64().unwrap()).unwrap();
        let steps = there["steps"].as_array().unwrap();
        assert_eq!(steps.len(), here.steps.len(), "{counts:?}");
        for (step, there) in here.steps.iter().zip(steps) {
            assert_eq!(there["free"].as_u64(), Some(step.free_passes as u64));
            let Some(n_fish) = step.n_fish else {
                assert!(there["N"].is_null(), "{counts:?}");
                continue;
            };
            near("generalised", n_fish, &there["N"]);
            near("generalised", step.p_later.unwrap(), &there["p_rest"]);
            near("generalised", step.se_fish.unwrap(), &there["se_N"]);
            near("generalised", step.statistic.unwrap(), &there["chisq"]);
            near("generalised", step.p_value.unwrap(), &there["p_value"]);
            assert_eq!(there["df"].as_u64(), Some(step.df as u64));
        }
        let selected = here.selected_free_passes.map(|free| free as u64);
        assert_eq!(there["selected_free"].as_u64(), selected, "{counts:?}");
    }
}

#[test]
fn unequal_effort_agrees() {
    for there in COMPUTED["effort"].as_array().unwrap() {
        let id = there["id"].as_str().unwrap();
        let counts: Vec<u32> = serde_json::from_value(there["catches"].clone()).unwrap();
        let effort = if there["effort"].is_null() {
            &there["effort_hours"]
        } else {
            &there["effort"]
        };
        let effort: Vec<f64> = serde_json::from_value(effort.clone()).unwrap();
        let series = EffortSeries::new(&counts, &effort).unwrap();

        let here = effort_ml(&series).unwrap();
        let full = &there["ml_effort"];
        assert_eq!(full["N"].as_u64(), Some(here.n_fish), "{id}");
        // Efforts are printed to nine digits.
        assert!(
            (here.q / full["q"].as_f64().unwrap() - 1.0).abs() < 1e-7,
            "{id}"
        );
        assert!(
            (here.log_likelihood - full["loglik"].as_f64().unwrap()).abs() < 1e-5,
            "{id}"
        );
        if let Some(shares) = full["p_per_pass"].as_array() {
            for (share, there) in here.p_per_pass.iter().zip(shares) {
                near(id, *share, there);
            }
        }

        let line = leslie(&series, CumulativeCatch::BeforePass).unwrap();
        let leslie_there = &there["leslie"];
        assert!(
            (line.q / leslie_there["q"].as_f64().unwrap() - 1.0).abs() < 1e-7,
            "{id}"
        );
        assert!(
            (line.n_fish / leslie_there["N"].as_f64().unwrap() - 1.0).abs() < 1e-7,
            "{id}"
        );
        assert!(
            (line.se_q / leslie_there["se_q"].as_f64().unwrap() - 1.0).abs() < 1e-6,
            "{id}"
        );
        assert!(
            (line.se_fish / leslie_there["se_N"].as_f64().unwrap() - 1.0).abs() < 1e-6,
            "{id}"
        );
        if let Some(limits) = leslie_there["ci_N"].as_array() {
            assert!(
                (line.low_95_fish - limits[0].as_f64().unwrap()).abs() < 1e-4,
                "{id}"
            );
            assert!(
                (line.high_95_fish - limits[1].as_f64().unwrap()).abs() < 1e-4,
                "{id}"
            );
            assert!(
                (line.low_95_q - leslie_there["ci_q"][0].as_f64().unwrap()).abs() < 1e-6,
                "{id}"
            );
            assert!(
                (line.high_95_q - leslie_there["ci_q"][1].as_f64().unwrap()).abs() < 1e-6,
                "{id}"
            );
            assert!(
                (line.r_squared - leslie_there["r2"].as_f64().unwrap()).abs() < 1e-7,
                "{id}"
            );
        }
        let half = leslie(&series, CumulativeCatch::MiddleOfPass).unwrap();
        assert!(
            (half.q / there["leslie_ricker"]["q"].as_f64().unwrap() - 1.0).abs() < 1e-7,
            "{id}"
        );
        assert!(
            (half.n_fish / there["leslie_ricker"]["N"].as_f64().unwrap() - 1.0).abs() < 1e-7,
            "{id}"
        );

        for (name, point) in [
            ("delury", CumulativeCatch::BeforePass),
            ("delury_ricker", CumulativeCatch::MiddleOfPass),
        ] {
            match delury(&series, point) {
                Ok(line) => {
                    near(id, line.q, &there[name]["q"]);
                    near(id, line.n_fish, &there[name]["N"]);
                }
                Err(reason) => {
                    assert_eq!(reason, RegressionError::EmptyPass { pass: 8 });
                    assert_eq!(there["delury"], "not computable (zero catches)");
                }
            }
        }
    }
}

#[test]
fn biomass_and_density_agree() {
    let there = &COMPUTED["biomass_density"];
    let given = |name: &str| there[name].as_f64().unwrap();
    let (n_fish, se_fish, mean) = (
        given("N"),
        Some(given("var_N").sqrt()),
        given("mean_weight_g"),
    );
    let square = |se: Option<f64>| se.unwrap() * se.unwrap();

    let all = biomass(n_fish, se_fish, mean, given("var_mean_weight").sqrt()).unwrap();
    near("biomass", all.mass_g, &there["B_g"]);
    near("biomass", square(all.se_g), &there["V_B_goodman"]);
    // The reference's limits are from the first-order variance, 0.3 % above Goodman's.
    for (side, limit) in [all.low_95_g, all.high_95_g].into_iter().enumerate() {
        let printed = there["lognormal_ci95"][side].as_f64().unwrap();
        assert!((limit.unwrap() / printed - 1.0).abs() < 6e-4);
    }

    let caught = WeighedCatch {
        caught_mass_g: mean * given("catch_T"),
        caught: there["catch_T"].as_u64().unwrap(),
        weighed: u32::try_from(there["n_weighed"].as_u64().unwrap()).unwrap(),
        mean_mass_g: mean,
        sd_mass_g: given("sd_weight_g"),
    };
    let known = biomass_with_catch(n_fish, se_fish, caught).unwrap();
    near("biomass", known.mass_g, &there["B_g"]);
    near(
        "biomass",
        square(known.se_g),
        &there["V_B_finite_population"],
    );

    let area = density(n_fish, se_fish, given("length_m") * given("width_m"), 0.0).unwrap();
    near("density", area.per_m2, &there["density_per_m2"]);
    near("density", area.per_ha, &there["density_per_ha"]);
    near(
        "density",
        area.se_per_m2.unwrap(),
        &there["se_density_per_m2"],
    );
    near(
        "density",
        per_100_m(n_fish, se_fish, given("length_m")).unwrap().0,
        &there["density_per_100m"],
    );
}
