//! Holds the removal estimators to laws that follow from their definitions, over random catches.

use gravelbar_estimate::{
    Analysis, BetaWeight, Catch, EffortSeries, GENERALISED_LEVEL, Level, MOST_FISH_PER_PASS,
    MOST_PASSES, Outcome, carle_strub, chi_square, chi_square_pooled, effort_ml, first_pass_model,
    generalised_removal, integer_ml, posterior, profile, ratio_shortcut, two_pass, zippin,
};
use proptest::prelude::*;
use serde_json::Value;

/// Counts of every size from none to the most a pass may have, zeros common.
fn any_count() -> impl Strategy<Value = u32> {
    prop_oneof![
        2 => Just(0_u32),
        4 => 0_u32..12,
        4 => 0_u32..300,
        1 => (0_u32..30).prop_map(|power| (1 << power).min(MOST_FISH_PER_PASS)),
        1 => 0..=MOST_FISH_PER_PASS,
    ]
}

fn any_catch() -> impl Strategy<Value = Vec<u32>> {
    prop::collection::vec(any_count(), 1..=MOST_PASSES)
}

/// A catch that falls on the whole, not all of it on the first pass.
fn falling(passes: std::ops::RangeInclusive<usize>, most: u32) -> impl Strategy<Value = Catch> {
    prop::collection::vec(0..=most, passes).prop_filter_map("does not fall", |counts| {
        let catch = Catch::new(&counts).ok()?;
        (catch.depletion_criterion() > 0 && !catch.all_on_first_pass()).then_some(catch)
    })
}

/// The textbook log likelihood at the best `p`, by plain sums of logarithms, less a constant.
fn plain_likelihood(catch: &Catch, n: u64) -> f64 {
    let trials = catch.passes() as f64 * n as f64 - catch.weighted_total() as f64;
    let (caught, misses) = (catch.total() as f64, trials - catch.total() as f64);
    let orderings: f64 = (0..catch.total()).map(|j| ((n - j) as f64).ln()).sum();
    let misses = if misses > 0.5 {
        misses * (misses / trials).ln()
    } else {
        0.0
    };
    orderings + caught * (caught / trials).ln() + misses
}

fn every_number_is_finite(value: &Value) -> bool {
    match value {
        Value::Number(number) => number.as_f64().is_some_and(f64::is_finite),
        Value::Array(items) => items.iter().all(every_number_is_finite),
        Value::Object(fields) => fields.values().all(every_number_is_finite),
        _ => true,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    /// No catch stops the program, and no figure is ever "not a number": in JSON that would show as a null
    /// field inside an estimate, which only the spread may be.
    #[test]
    fn no_catch_breaks_the_analysis(counts in any_catch()) {
        let report = Analysis::of(&counts).unwrap();
        let json = serde_json::to_value(&report).unwrap();
        prop_assert!(every_number_is_finite(&json));
        for (estimator, field) in [
            ("zippin", "n_fish"), ("zippin", "p"), ("integer_ml", "p"), ("carle_strub", "p"),
            ("two_pass", "n_fish"), ("two_pass", "n_fish_bias_corrected"),
            ("chi_square", "statistic"), ("chi_square", "p_value"), ("headline", "expected_next_catch"),
        ] {
            prop_assert!(json[estimator].is_null() || json[estimator][field].is_number(), "{estimator} {field}");
        }
    }

    /// Nor any of the other answers for a series.
    #[test]
    fn no_catch_breaks_the_other_models(counts in any_catch(), effort in prop::collection::vec(50.0_f64..3000.0, MOST_PASSES)) {
        let catch = Catch::new(&counts).unwrap();
        let series = EffortSeries::new(&counts, &effort[..counts.len()]).unwrap();
        let mut answers = vec![serde_json::to_value(posterior(&catch, BetaWeight::FLAT).ok()).unwrap()];
        if let Ok(model) = first_pass_model(&catch) {
            prop_assert!(model.n_fish >= catch.total() && model.log_likelihood.is_finite());
            prop_assert!(model.p_first >= 0.0 && model.p_first <= 1.0 && model.p_later > 0.0 && model.p_later <= 1.0);
            answers.push(serde_json::to_value(model).unwrap());
        }
        if let Ok(models) = generalised_removal(&catch, GENERALISED_LEVEL) {
            answers.push(serde_json::to_value(models).unwrap());
        }
        if let Ok(fit) = effort_ml(&series) {
            prop_assert!(fit.n_fish >= catch.total() && fit.log_likelihood.is_finite());
            prop_assert!(fit.n_fish_conditional >= catch.total() as f64 * (1.0 - 1e-12));
            prop_assert!(fit.p_per_pass.iter().all(|p| *p > 0.0 && *p <= 1.0));
            prop_assert!(fit.profile_95.low >= catch.total());
            answers.push(serde_json::to_value(fit).unwrap());
        }
        if let Ok(shortcut) = ratio_shortcut(&catch) {
            answers.push(serde_json::to_value(shortcut).unwrap());
        }
        prop_assert!(answers.iter().all(every_number_is_finite));
    }

    /// The rule the crew relies on: no estimate without a fall, no zero shown as certainty, never fewer
    /// fish than are in the buckets.
    #[test]
    fn a_number_is_given_only_where_the_catch_fell(counts in any_catch()) {
        let report = Analysis::of(&counts).unwrap();
        let fell = report.depletion_criterion > 0;
        prop_assert!(fell || (report.headline.is_none() && report.carle_strub.is_none()));
        prop_assert!(fell || (report.zippin.is_none() && report.integer_ml.is_none() && report.two_pass.is_none()));
        prop_assert_eq!(report.headline.is_some(),
            matches!(report.outcome, Outcome::Estimated | Outcome::AllCaughtNotInformative));
        if let Some(headline) = report.headline {
            prop_assert!(headline.n_fish >= report.total);
            prop_assert!(headline.half_width_95_fish.is_none_or(|width| width > 0.5));
            if headline.n_fish == report.total {
                prop_assert!(headline.half_width_95_fish.is_none() && headline.profile_95.is_none());
            }
        }
        prop_assert!(!report.verdict.contains("± 0"));
    }

    #[test]
    fn estimators_never_go_below_the_catch_nor_p_out_of_bounds(counts in any_catch()) {
        let catch = Catch::new(&counts).unwrap();
        let floor = catch.total();
        if let Ok(fit) = zippin(&catch) {
            prop_assert!(fit.n_fish >= floor as f64 * (1.0 - 1e-15) && fit.p > 0.0 && fit.p <= 1.0);
            prop_assert!(fit.se_fish.is_none_or(|se| se > 0.0) && fit.se_p.is_none_or(|se| se > 0.0));
        }
        if let Ok(best) = integer_ml(&catch) {
            prop_assert!(best.n_fish >= floor && best.p > 0.0 && best.p <= 1.0 && best.log_likelihood <= 1e-3);
        }
        if let Ok(best) = carle_strub(&catch, BetaWeight::FLAT) {
            prop_assert!(best.n_fish >= floor && best.p > 0.0 && best.p <= 1.0);
        }
        for test in [chi_square(&catch), chi_square_pooled(&catch)].into_iter().flatten() {
            prop_assert!(test.statistic >= 0.0 && (0.0..=1.0).contains(&test.p_value) && test.df >= 1);
        }
    }

    #[test]
    fn an_interval_holds_the_maximum_and_the_narrower_lies_in_the_wider(counts in any_catch()) {
        let catch = Catch::new(&counts).unwrap();
        let (Ok(wide), Ok(narrow)) = (profile(&catch, Level::P95), profile(&catch, Level::P90)) else {
            return Ok(());
        };
        prop_assert!(wide.low >= catch.total() && wide.low <= narrow.low);
        prop_assert!(wide.high.is_none_or(|high| narrow.high.is_some_and(|inner| inner <= high)));
        if let Ok(best) = integer_ml(&catch) {
            prop_assert!(narrow.low <= best.n_fish && narrow.high.is_none_or(|high| best.n_fish <= high));
        }
    }

    /// The ends of the interval against the textbook likelihood: inside, the drop is at most half the
    /// quantile; one fish further it is more.
    #[test]
    fn an_interval_ends_where_the_textbook_likelihood_says(catch in falling(2..=6, 60)) {
        let best = integer_ml(&catch).unwrap();
        let interval = profile(&catch, Level::P95).unwrap();
        let drop = |n: u64| plain_likelihood(&catch, best.n_fish) - plain_likelihood(&catch, n);
        let half = 3.841_458_820_694_124 / 2.0;
        prop_assert!(drop(interval.low) <= half + 1e-8);
        prop_assert!(interval.low == catch.total() || drop(interval.low - 1) > half - 1e-8);
        match interval.high {
            Some(high) if high < 1_000_000 => {
                prop_assert!(drop(high) <= half + 1e-6 && drop(high + 1) > half - 1e-6);
            }
            Some(_) => {}
            None => prop_assert!(drop(1_000_000) <= half + 1e-3),
        }
    }

    #[test]
    fn the_whole_number_estimate_beats_its_neighbours(catch in falling(2..=6, 60)) {
        let best = integer_ml(&catch).unwrap().n_fish;
        let at = plain_likelihood(&catch, best);
        prop_assert!(at >= plain_likelihood(&catch, best + 1) - 1e-9);
        prop_assert!(best == catch.total() || at >= plain_likelihood(&catch, best - 1) - 1e-9);
    }

    #[test]
    fn two_passes_by_any_route_agree(second in 0_u32..MOST_FISH_PER_PASS, more in 1_u32..1000, far in any::<bool>()) {
        let first = if far { MOST_FISH_PER_PASS } else { second.saturating_add(more).min(MOST_FISH_PER_PASS) };
        prop_assume!(second > 0 && first > second);
        let catch = Catch::new(&[first, second]).unwrap();
        let (any, closed) = (zippin(&catch).unwrap(), two_pass(&catch).unwrap());
        prop_assert!((any.n_fish / closed.n_fish - 1.0).abs() < 1e-9);
        prop_assert!((any.p / closed.p - 1.0).abs() < 1e-9);
        let (any, closed) = (any.se_fish.unwrap(), closed.se_fish.unwrap());
        prop_assert!((any / closed - 1.0).abs() < 1e-8);
    }

    /// Three passes have a closed form too: Junge and Libosvarsky 1965, as in Bohlin et al. 1989, eqs 11-12.
    #[test]
    fn three_passes_meet_the_closed_form(catch in falling(3..=3, 5000)) {
        let counts = catch.per_pass();
        let (a, y) = (2.0 * f64::from(counts[0]) + f64::from(counts[1]), catch.total() as f64);
        let d = (y * y + 6.0 * a * y - 3.0 * a * a).sqrt();
        let n_fish = (6.0 * a * a - 3.0 * a * y - y * y + y * d) / (18.0 * (a - y));
        let p = (3.0 * a - y - d) / (2.0 * a);
        let fit = zippin(&catch).unwrap();
        // The printed forms subtract nearly equal numbers where the fall is slow.
        let lost = 1e-9 * (y / (a - y)).powi(2);
        prop_assert!((fit.n_fish / n_fish - 1.0).abs() < lost.max(1e-9), "{} {n_fish}", fit.n_fish);
        prop_assert!((fit.p - p).abs() < 1e-9, "{} {p}", fit.p);
    }

    /// The likelihood equation as printed, put back in.
    #[test]
    fn the_conditional_estimate_solves_its_equation(catch in falling(2..=20, 2000)) {
        let fit = zippin(&catch).unwrap();
        let (k, q) = (catch.passes() as f64, 1.0 - fit.p);
        let left = q / fit.p - k * q.powf(k) / (1.0 - q.powf(k));
        let right = (k - 1.0) - catch.weighted_total() as f64 / catch.total() as f64;
        prop_assert!((left - right).abs() < 1e-9 / fit.p.powi(2), "{left} {right}");
    }

    #[test]
    fn ten_times_the_catch_is_ten_times_the_fish(catch in falling(2..=8, 5000)) {
        let tenfold: Vec<u32> = catch.per_pass().iter().map(|fish| 10 * fish).collect();
        let (one, ten) = (zippin(&catch).unwrap(), zippin(&Catch::new(&tenfold).unwrap()).unwrap());
        prop_assert!((ten.n_fish / one.n_fish - 10.0).abs() < 1e-8);
        prop_assert!((ten.p - one.p).abs() < 1e-12);
        prop_assert!((ten.se_fish.unwrap() / one.se_fish.unwrap() - 10_f64.sqrt()).abs() < 1e-6);
    }

    /// A further pass without a fish shifts no weight between the earlier ones and leaves more of `q^k`
    /// used up: the likelihood equation then has a smaller root.
    #[test]
    fn an_empty_pass_more_can_only_lower_the_estimate(catch in falling(2..=8, 500)) {
        let mut longer = catch.per_pass().to_vec();
        longer.push(0);
        let longer = zippin(&Catch::new(&longer).unwrap()).unwrap();
        let fit = zippin(&catch).unwrap();
        prop_assert!(longer.n_fish <= fit.n_fish * (1.0 + 1e-12) && longer.p >= fit.p * (1.0 - 1e-12));
    }

    /// A fish booked one pass earlier makes the fall steeper. A late bucket counts.
    #[test]
    fn a_fish_moved_to_an_earlier_pass_can_only_lower_the_estimate(catch in falling(2..=8, 500), from in 1_usize..8) {
        let mut earlier = catch.per_pass().to_vec();
        let from = from.min(earlier.len() - 1);
        prop_assume!(earlier[from] > 0);
        earlier[from] -= 1;
        earlier[from - 1] += 1;
        let earlier = zippin(&Catch::new(&earlier).unwrap()).unwrap();
        let fit = zippin(&catch).unwrap();
        prop_assert!(earlier.n_fish <= fit.n_fish * (1.0 + 1e-12) && earlier.p >= fit.p * (1.0 - 1e-12));
    }

    /// No order of the three is proven (383, 46 turns two of them round by one fish); none lies a fish above the next.
    #[test]
    fn weighted_and_whole_number_estimates_never_rise_a_fish_above_the_next(catch in falling(2..=8, 500)) {
        let weighted = carle_strub(&catch, BetaWeight::FLAT).unwrap().n_fish;
        let whole = integer_ml(&catch).unwrap().n_fish;
        prop_assert!(weighted <= whole + 1);
        prop_assert!((whole as f64) <= zippin(&catch).unwrap().n_fish + 1.0);
    }

    #[test]
    fn serialized_twice_is_the_same_to_the_byte(counts in any_catch()) {
        let once = serde_json::to_string(&Analysis::of(&counts).unwrap()).unwrap();
        let twice = serde_json::to_string(&Analysis::of(&counts).unwrap()).unwrap();
        prop_assert_eq!(once, twice);
    }
}

/// The largest counts there may be: the digits that matter survive, the searches stay short.
#[test]
fn the_largest_counts_keep_their_digits() {
    let most = MOST_FISH_PER_PASS;
    let slow = Catch::new(&[most, most - 1]).unwrap();
    // c1^2 / (c1 - c2) = 10^18
    assert!((zippin(&slow).unwrap().n_fish / 1e18 - 1.0).abs() < 1e-9);
    let half = Catch::new(&[most, most / 2, most / 4]).unwrap();
    let fit = zippin(&half).unwrap();
    assert!((fit.n_fish / 2e9 - 1.0).abs() < 1e-9 && (fit.p - 0.5).abs() < 1e-9);
    let whole = integer_ml(&half).unwrap().n_fish as f64;
    assert!((whole - fit.n_fish).abs() < 0.001 * fit.se_fish.unwrap());
    let interval = profile(&half, Level::P95).unwrap();
    // At this size the profile interval is the symmetric one.
    let wald = 1.959_963_984_540_054 * fit.se_fish.unwrap();
    let width = (interval.high.unwrap() - interval.low) as f64;
    assert!((width / (2.0 * wald) - 1.0).abs() < 1e-3, "{width} {wald}");
}
