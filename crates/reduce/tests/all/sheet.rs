//! The printed sheet: readable, and never a bare number.

use crate::quillet::visit;

#[test]
fn every_estimate_on_the_sheet_stands_with_its_estimator_interval_and_caution() {
    let text = visit(47.3).0.summary().to_text();
    for said in [
        "QB-03 Quillet Brook, Lower Hollow, 2026-08-18",
        "main: 100 m long, 3.90 m wide (mean of 10), 390 m²",
        "Pass main/2: 11:20 to 12:02, 42 min",
        "48, 19, 8 = 75 (work-up): about 79 fish ± 5.7 (Carle-Strub, 1.96 SE)",
        "Removal estimates are usually low",
        "after pass 2: about 77 fish ± 13",
        "under 100 mm: 17, 9, 5 = 31 (work-up): about 34 fish ± 5.3",
        "11, 4, 1 = 16 (work-up): all caught, interval not informative",
        "6, 3, 1 = 10 (work-up): minimum 10, too few fish to estimate",
        "12 of 20 caught",
    ] {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(said), "missing “{said}” in\n{text}");
    }
    assert!(!text.contains("± 0 ") && !text.contains("± 0.0"), "{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 80));
}

#[test]
fn json_carries_the_same_figures() {
    let summary = visit(47.3).0.summary();
    let json: serde_json::Value = serde_json::from_str(&summary.to_json()).unwrap();
    let trout = &json["species"][0];
    assert_eq!(trout["species"], "brook trout");
    assert_eq!(trout["source"], "work_up");
    assert_eq!(trout["removal"]["analysis"]["headline"]["n_fish"], 79);
    assert_eq!(trout["removal"]["closure"], "closed");
    assert_eq!(json["header"]["digest"], summary.header.digest);
}

/// Counted by hand from the scenario's list of lengths.
#[test]
fn lengths_stand_in_bins_of_ten_millimetres_and_every_measured_fish_in_one() {
    let summary = visit(47.3).0.summary();
    let trout = summary
        .species
        .iter()
        .find(|s| s.species.as_str() == "brook trout")
        .unwrap();
    assert_eq!(trout.lengths.bin_mm, 10);
    let bin = |mm: u32| {
        trout
            .lengths
            .bins
            .iter()
            .find(|b| b.from_mm == mm)
            .map(|b| b.fish)
    };
    assert_eq!(bin(60), Some(10));
    assert_eq!(bin(90), Some(0));
    assert_eq!(bin(220), Some(1));
    assert_eq!(bin(230), None);
    assert_eq!(trout.lengths.bins.iter().map(|b| b.fish).sum::<u32>(), 75);
}

/// `p N`, then what is left of it: 79 fish and the share of the printed table, 0.61.
#[test]
fn the_fitted_decline_falls_by_one_share_and_stands_where_an_estimate_does() {
    let summary = visit(47.3).0.summary();
    let of = |name: &str| {
        summary
            .species
            .iter()
            .find(|s| s.species.as_str() == name)
            .unwrap()
    };
    let fitted = of("brook trout").removal.fitted();
    assert_eq!(fitted.len(), 3);
    assert!((fitted[0] - 79.0 * 0.61).abs() < 0.5, "{fitted:?}");
    assert!((fitted[1] / fitted[0] - 0.39).abs() < 0.01);
    assert!((fitted[2] / fitted[1] - fitted[1] / fitted[0]).abs() < 1e-9);
    assert!(of("white sucker").removal.fitted().is_empty());
}
