//! Holds the whole answer to the rules of when a number may be given, and to its JSON form.

#![expect(
    clippy::unwrap_used,
    reason = "a row or a report that cannot be read fails the test"
)]

use gravelbar_estimate::{Analysis, Catch, Outcome, Stratum, sum_of_strata, two_pass};
use serde_json::{Value, json};

fn analysis(catch: &[u32]) -> Analysis {
    Analysis::of(catch).unwrap()
}

fn as_json(catch: &[u32]) -> Value {
    serde_json::to_value(analysis(catch)).unwrap()
}

/// Hayes et al. 2007, Box 8.5, brown trout; figures as recomputed in `reference/computed.json`.
#[test]
fn a_usual_catch_has_every_field_of_the_report() {
    let report = as_json(&[24, 17, 8]);
    assert_eq!(report["catch"], json!([24, 17, 8]));
    assert_eq!(report["total"], json!(49));
    assert_eq!(report["depletion_criterion"], json!(32));
    assert_eq!(report["outcome"], json!("estimated"));
    assert_eq!(
        report["zippin"],
        json!({"n_fish": 62.5, "se_fish": 10.486, "p": 0.4})
    );
    assert_eq!(report["integer_ml"], json!({"n_fish": 60, "p": 0.426087}));
    assert_eq!(
        report["carle_strub"],
        json!({"n_fish": 59, "p": 0.4375, "se_fish": 8.12793})
    );
    assert_eq!(report["profile_95"], json!([51, 108]));
    assert_eq!(
        report["chi_square"],
        json!({"statistic": 0.417778, "df": 1, "p_value": 0.518048})
    );
    assert_eq!(report["two_pass"], Value::Null);
    assert_eq!(
        report["refused"]["two_pass"]["code"],
        json!("only_for_two_passes")
    );
    assert_eq!(report["headline"]["expected_next_catch"], json!(4.375)); // 0.4375 (59 - 49)
}

/// Practice rule: 8, 9, 11 has no finite likelihood estimate, yet a weighted estimator happily prints 68.
#[test]
fn a_catch_that_did_not_deplete_has_a_minimum_and_no_estimate_anywhere() {
    let report = analysis(&[8, 9, 11]);
    assert_eq!(report.outcome, Outcome::DidNotDeplete);
    assert!(report.verdict.starts_with("minimum 28, did not deplete"));
    assert!(report.zippin.is_none() && report.integer_ml.is_none() && report.carle_strub.is_none());
    assert!(report.headline.is_none());
    let text = serde_json::to_string(&report).unwrap();
    assert!(!text.contains("68"), "{text}");
    let report = as_json(&[8, 9, 11]);
    assert_eq!(
        report["refused"]["carle_strub"]["code"],
        json!("did_not_deplete")
    );
    assert_eq!(report["profile_95"][1], Value::Null);
    assert_eq!(as_json(&[5, 5])["outcome"], json!("did_not_deplete"));
}

#[test]
fn all_fish_on_the_first_pass_is_never_plus_or_minus_nothing() {
    for catch in [&[5, 0, 0][..], &[5, 0], &[400, 0, 0, 0], &[1, 0, 0]] {
        let report = analysis(catch);
        assert_eq!(report.outcome, Outcome::AllCaughtNotInformative);
        assert!(
            report
                .verdict
                .starts_with("all caught, interval not informative")
        );
        let headline = report.headline.unwrap();
        assert_eq!(headline.n_fish, report.total);
        assert!(headline.se_fish.is_none() && headline.half_width_95_fish.is_none());
        assert!(report.zippin.unwrap().se_fish.is_none());
        let text = serde_json::to_string(&report).unwrap();
        assert!(
            !text.contains("± 0") && !text.contains("\"se_fish\":0"),
            "{text}"
        );
    }
    assert_eq!(as_json(&[5, 0, 0])["profile_95"], Value::Null);
    assert_eq!(
        as_json(&[5, 0, 0])["refused"]["profile_95"]["code"],
        json!("all_caught_not_informative")
    );
}

#[test]
fn nothing_caught_is_zero_caught_and_never_zero_present() {
    for catch in [&[0][..], &[0, 0], &[0, 0, 0]] {
        let report = analysis(catch);
        assert_eq!(report.outcome, Outcome::NothingCaught);
        let text = serde_json::to_string(&report).unwrap().to_lowercase();
        assert!(text.contains("zero caught") && !text.contains("absent"));
        assert!(report.headline.is_none() && report.carle_strub.is_none());
    }
}

#[test]
fn one_pass_is_a_minimum_count_only() {
    let report = analysis(&[37]);
    assert_eq!(report.outcome, Outcome::OnePassOnly);
    assert!(report.verdict.starts_with("minimum 37"));
    assert!(report.headline.is_none() && report.zippin.is_none() && report.profile_95.is_none());
}

#[test]
fn every_missing_figure_has_its_reason_and_every_reason_a_missing_figure() {
    for catch in [
        &[24, 17, 8][..],
        &[8, 9, 11],
        &[5, 0, 0],
        &[0, 0, 0],
        &[37],
        &[62, 26],
        &[2, 1, 0],
        &[0, 0, 1],
    ] {
        let report = as_json(catch);
        for method in [
            "zippin",
            "integer_ml",
            "carle_strub",
            "two_pass",
            "profile_95",
            "profile_90",
            "chi_square",
            "chi_square_pooled",
            "posterior",
            "next_pass",
        ] {
            let refusal = &report["refused"][method];
            assert_eq!(
                report[method].is_null(),
                refusal.is_object(),
                "{catch:?} {method}"
            );
            if refusal.is_object() {
                assert!(
                    refusal["code"].is_string() && refusal["text"].as_str().unwrap().len() > 20
                );
            }
        }
    }
}

/// `S <= 0`: an open upper end may be said so, never given as a number.
#[test]
fn weak_depletion_says_no_upper_limit() {
    let report = analysis(&[10, 4, 6]);
    assert_eq!(report.outcome, Outcome::Estimated);
    assert!(
        report.verdict.contains("from 20, no upper limit"),
        "{}",
        report.verdict
    );
}

/// Removal series of the invented Quillet Brook visit with estimates worked out by the published methods
/// when the visit was written: catch, Carle-Strub number, `p` (one row rounded up from 0.485), 1.96 standard
/// errors of the form with the catch in it.
#[test]
fn quillet_brook_comes_out_as_worked_by_the_published_methods() {
    let rows: [(&[u32], u64, f64, f64, f64); 11] = [
        (&[48, 19, 8], 79, 0.61, 5.7, 0.05),
        (&[17, 9, 5], 34, 0.53, 5.3, 0.05),
        (&[31, 10, 3], 45, 0.70, 2.4, 0.05),
        (&[14, 6, 4], 26, 0.55, 4.2, 0.05),
        (&[62, 31, 18], 128, 0.49, 16.5, 0.05),
        (&[41, 28, 19], 120, 0.35, 33.8, 0.05),
        (&[48, 19], 77, f64::NAN, 13.0, 0.5),
        (&[41, 28], 108, f64::NAN, 51.0, 0.5),
        (&[35, 22, 14], 90, f64::NAN, 22.0, 0.5),
        (&[35, 22, 14, 6], 85, f64::NAN, 9.0, 0.5),
        (&[22, 9, 4], 37, f64::NAN, f64::NAN, 0.5),
    ];
    for (catch, n_fish, p, half_width, tolerance) in rows {
        let headline = analysis(catch).headline.unwrap();
        assert_eq!(headline.n_fish, n_fish, "{catch:?}");
        if p.is_finite() {
            assert!(
                (headline.p.unwrap() - p).abs() < 0.006,
                "{catch:?} {:?}",
                headline.p
            );
        }
        if half_width.is_finite() {
            let width = headline.half_width_95_fish.unwrap();
            assert!(
                (width - half_width).abs() < tolerance + 1e-9,
                "{catch:?} {width}"
            );
        }
    }
}

/// The same visit's rows without a spread: all caught, and too few.
#[test]
fn quillet_brook_small_catches_come_out_without_a_spread() {
    let brown_trout = analysis(&[11, 4, 1]);
    assert_eq!(brown_trout.outcome, Outcome::AllCaughtNotInformative);
    let headline = brown_trout.headline.unwrap();
    assert_eq!((headline.n_fish, headline.half_width_95_fish), (16, None));
    assert!((headline.p.unwrap() - 0.73).abs() < 0.005);
    let sucker = analysis(&[6, 3, 1]);
    assert_eq!(
        (sucker.outcome, sucker.headline.is_none()),
        (Outcome::TooFew, true)
    );
    assert_eq!(sucker.carle_strub.unwrap().n_fish, 10);
    let lamprey = analysis(&[2, 1, 0]);
    assert_eq!(
        (lamprey.outcome, lamprey.headline.is_none()),
        (Outcome::TooFew, true)
    );
}

/// "Trout after two passes only: two-pass closed form 79.4, SE 8.9"; "ML also 79"; sculpin "ML 124".
#[test]
fn quillet_brook_other_estimators_come_out_as_written() {
    let trout = two_pass(&Catch::new(&[48, 19]).unwrap()).unwrap();
    assert!((trout.n_fish - 79.4).abs() < 0.05 && (trout.se_fish.unwrap() - 8.9).abs() < 0.05);
    let whole = |catch: &[u32]| analysis(catch).integer_ml.unwrap().n_fish;
    assert_eq!(whole(&[48, 19, 8]), 79);
    assert_eq!(whole(&[17, 9, 5]), 35);
    assert_eq!(whole(&[41, 28, 19]), 124);
}

/// "A 4th pass should catch about 11 sculpin, giving ±16 %"; island reach: channels 37 and 21, the right one
/// all caught; joined 59 ± 5. Late bucket: nine trout left out of pass 1.
#[test]
fn the_invented_decisions_come_out_as_written() {
    let sculpin = analysis(&[41, 28, 19]).headline.unwrap();
    assert!((sculpin.expected_next_catch - 11.0).abs() < 0.5);
    assert!((sculpin.relative_half_width.unwrap() - 0.28).abs() < 0.005);
    let ahead = analysis(&[41, 28, 19]).next_pass.unwrap();
    assert!((ahead.relative_half_width_after.unwrap() - 0.16).abs() < 0.005);
    let after = analysis(&[41, 28, 19, 11]).headline.unwrap();
    assert!((after.relative_half_width.unwrap() - 0.16).abs() < 0.005);
    assert_eq!(
        analysis(&[13, 6, 2]).outcome,
        Outcome::AllCaughtNotInformative
    );
    let joined = analysis(&[35, 15, 6]).headline.unwrap();
    assert_eq!(joined.n_fish, 59);
    assert!((joined.half_width_95_fish.unwrap() - 5.0).abs() < 0.5);
    assert_eq!(analysis(&[39, 19, 8]).headline.unwrap().n_fish, 72);
}

/// Quillet Brook brook trout by size group: 34 and 45 make 79.
#[test]
fn size_groups_of_a_visit_add_up_in_quadrature() {
    let parts = [&[17, 9, 5], &[31, 10, 3]].map(|catch| {
        let headline = analysis(catch).headline.unwrap();
        Stratum {
            n_fish: headline.n_fish as f64,
            se_fish: headline.se_fish,
        }
    });
    let sum = sum_of_strata(&parts);
    assert!((sum.n_fish - 79.0).abs() < 1e-12);
    // 5.3 and 2.4 in quadrature
    assert!((sum.half_width_95_fish.unwrap() - 5.8).abs() < 0.1);
}
