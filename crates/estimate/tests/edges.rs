//! Holds the estimators to the table of existence and edge cases, worked out independently.

use gravelbar_estimate::{BetaWeight, Catch, Level, carle_strub, integer_ml, profile, zippin};

/// Catch, `S`, conditional estimate, whole-number estimate where it may be shown, Carle-Strub, 95 % profile.
type Row = (
    &'static [u32],
    i64,
    Option<f64>,
    Option<u64>,
    u64,
    (u64, Option<u64>),
);

const ROWS: [Row; 10] = [
    (&[5, 0], 5, Some(5.0), Some(5), 5, (5, Some(5))),
    (&[1, 0, 0], 2, Some(1.0), Some(1), 1, (1, Some(5))),
    (&[5, 5], 0, None, Some(17), 13, (10, None)),
    (&[5, 7], -2, None, None, 20, (13, None)),
    (&[2, 1], 1, Some(4.0), Some(3), 3, (3, None)),
    (&[3, 3, 3], 0, None, Some(16), 11, (9, None)),
    (&[12, 0, 5], 14, Some(19.71), Some(18), 18, (17, Some(38))),
    (&[10, 4, 6], 8, Some(33.39), Some(27), 25, (20, None)),
    (&[8, 3, 8], 0, None, Some(63), 31, (21, None)),
    (
        &[100, 40, 16],
        168,
        Some(166.67),
        Some(165),
        165,
        (159, Some(179)),
    ),
];

#[test]
fn existence_and_edge_cases_come_out_as_tabled() {
    for (counts, criterion, conditional, whole, weighted, (low, high)) in ROWS {
        let catch = Catch::new(counts).unwrap();
        assert_eq!(catch.depletion_criterion(), criterion, "{counts:?}");
        match (zippin(&catch), conditional) {
            (Ok(fit), Some(n_fish)) => assert!((fit.n_fish - n_fish).abs() < 0.005, "{counts:?}"),
            (fit, expected) => assert!(fit.is_err() && expected.is_none(), "{counts:?}"),
        }
        assert_eq!(
            integer_ml(&catch).ok().map(|best| best.n_fish),
            whole,
            "{counts:?}"
        );
        assert_eq!(
            carle_strub(&catch, BetaWeight::FLAT).unwrap().n_fish,
            weighted,
            "{counts:?}"
        );
        let interval = profile(&catch, Level::P95).unwrap();
        assert_eq!((interval.low, interval.high), (low, high), "{counts:?}");
    }
}

#[test]
fn nothing_caught_has_no_estimate_of_any_kind() {
    let nothing = Catch::new(&[0, 0, 0]).unwrap();
    assert!(zippin(&nothing).is_err() && integer_ml(&nothing).is_err());
    assert!(
        carle_strub(&nothing, BetaWeight::FLAT).is_err() && profile(&nothing, Level::P95).is_err()
    );
}
