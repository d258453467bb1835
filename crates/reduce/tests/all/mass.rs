//! Masses that don't fit their lengths.

use gravelbar_visit::FlagKind;

use crate::crew::{Crew, LEAD, Look, measured, pass, plan};

/// Trout on the published curve log₁₀W = −5.197 + 3.117·log₁₀TL (brown trout, Angeli et al. 2009),
/// one of them replaced.
fn with_slip(length_mm: f64, mass_g: f64) -> Vec<String> {
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/1");
    let key = pass("main/1");
    let mut facts = Vec::new();
    for length in (80..250).step_by(10).map(f64::from) {
        // To the nearest tenth of a gram, as the balance shows it.
        let mass = 10_f64.powf(-5.197 + 3.117 * length.log10());
        let mass = (mass * 10.0).round() / 10.0;
        facts.push(measured(&key, "brown trout", length, Some(mass)).into());
    }
    facts.push(measured(&key, "brown trout", length_mm, Some(mass_g)).into());
    crew.tell(0, LEAD, "10:40", facts);
    let summary = crew.summary();
    summary
        .flagged(FlagKind::OddMass)
        .into_iter()
        .map(str::to_owned)
        .collect()
}

#[test]
fn a_fish_on_the_curve_or_a_little_off_it_is_left_alone() {
    // The curve says 68.4 g at 180 mm.
    for mass_g in [60.0, 68.4, 80.0] {
        assert_eq!(with_slip(180.0, mass_g), Vec::<String>::new());
    }
}

#[test]
fn slips_are_told_apart() {
    // 68.4 g at 180 mm are 2.4 oz and 0.0684 kg.
    for (length_mm, mass_g, suggestion) in [
        (180.0, 684.0, "68.4 g would fit"),
        (180.0, 6.8, "68 g would fit"),
        (180.0, 2.4, "(typed in ounces?) would fit"),
        (180.0, 0.068, "(typed in kilograms?) would fit"),
        (18.0, 68.4, "180 mm (typed in centimetres?) would fit"),
        (180.0, 150.0, "weigh and measure it again"),
    ] {
        let words = with_slip(length_mm, mass_g);
        assert_eq!(words.len(), 1, "{length_mm} {mass_g} {words:?}");
        assert!(words[0].contains(suggestion), "{words:?}");
    }
}

#[test]
fn few_fish_show_no_band() {
    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/1");
    let key = pass("main/1");
    let facts = [(100.0, 10.0), (110.0, 13.0), (120.0, 1_700.0)];
    let facts = facts.map(|(mm, g)| measured(&key, "brown trout", mm, Some(g)).into());
    crew.tell(0, LEAD, "10:40", facts.to_vec());
    assert_eq!(
        crew.summary().flagged(FlagKind::OddMass),
        Vec::<&str>::new()
    );
}
