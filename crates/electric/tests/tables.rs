//! Holds the formulas to whole tables worked out apart from this crate, and to the figures of the demonstration visit.

#![expect(
    clippy::unwrap_used,
    reason = "a table that cannot be read fails the test"
)]

use gravelbar_electric::*;
use serde_json::Value;

fn table(name: &str) -> Value {
    let tables: Value = serde_json::from_str(include_str!("reference/tables.json")).unwrap();
    tables[name].clone()
}

fn numbers(value: &Value) -> Vec<f64> {
    serde_json::from_value(value.clone()).unwrap()
}

fn rows(table: &Value) -> Vec<Vec<f64>> {
    serde_json::from_value(table["rows"].clone()).unwrap()
}

fn near(what: &str, here: f64, printed: f64, within: f64) {
    assert!(
        (here - printed).abs() <= within,
        "{what}: {here}, printed {printed}"
    );
}

#[test]
fn ambient_water_by_four_formulas() {
    let table = table("ambient_of_100_specific");
    let within = table["within"].as_f64().unwrap();
    let formulas = [
        Compensation::STANDARD_METHODS,
        Compensation::TWO_PERCENT,
        Compensation::NATURAL_WATERS,
        Compensation::exponential().unwrap(),
    ];
    for row in rows(&table) {
        for (formula, printed) in formulas.iter().zip(&row[1..]) {
            let specific = Specific::new(100.0, 25.0).unwrap();
            let here = ambient_from_specific(specific, row[0], formula).unwrap();
            near(formula.id(), here.value.us_cm(), *printed, within);
        }
    }
}

#[test]
fn multipliers_by_water_and_fish() {
    let table = table("multiplier");
    let fish = numbers(&table["fish"]);
    let within = table["within"].as_f64().unwrap();
    for row in rows(&table) {
        let water = Ambient::new(row[0]).unwrap();
        for (fish, printed) in fish.iter().zip(&row[1..]) {
            let here = multiplier(water, FishConductivity::new(*fish).unwrap());
            near(&format!("{row:?} fish {fish}"), here, *printed, within);
        }
    }
}

#[test]
fn goals_by_water() {
    let table = table("goal");
    let within = numbers(&table["within"]);
    let known = &table["known"];
    let figure = |name: &str| known[name].as_f64().unwrap();
    let fish = FishConductivity::new(figure("fish_us_cm")).unwrap();
    let known_water = Ambient::new(figure("water_us_cm")).unwrap();
    let known = KnownGood::new(figure("peak_v"), Some(figure("peak_a")), known_water).unwrap();
    for row in rows(&table) {
        let here = goal(&known, Ambient::new(row[0]).unwrap(), fish);
        let here = [
            here.peak_v,
            here.peak_a.unwrap(),
            here.peak_w.unwrap(),
            here.resistance_ohm.unwrap(),
        ];
        for ((here, printed), within) in here.iter().zip(&row[1..]).zip(&within) {
            near(&format!("{row:?}"), *here, *printed, *within);
        }
    }
}

#[test]
fn gradients_by_distance() {
    let table = table("gradient");
    let ring = Ring::new(table["ring_radius_m"].as_f64().unwrap(), 0.005).unwrap();
    let water = Ambient::new(table["water_us_cm"].as_f64().unwrap()).unwrap();
    let within: Vec<Vec<f64>> = serde_json::from_value(table["within"].clone()).unwrap();
    for (row, within) in rows(&table).iter().zip(within) {
        for ((amps, printed), within) in [1.0, 0.8].iter().zip(&row[1..]).zip(within) {
            let here = ring.gradient_v_cm(water, *amps, row[0]).unwrap();
            near(&format!("{row:?}"), here.gradient_v_cm, *printed, within);
        }
    }
}

/// Quillet Brook, 18 August: 68 µS/cm ambient at 13.1 °C is 88 at 25 °C; 260 V known good in matched water of
/// 115 µS/cm is about 350 V today; 30 Hz and 4 ms are 12 % duty; the invented permit allows 500 V, 5 ms, 30 Hz.
#[test]
fn the_demonstration_visit_comes_out() {
    let today = Ambient::new(68.0).unwrap();
    let specific =
        specific_from_ambient(today, 13.1, 25.0, &Compensation::STANDARD_METHODS).unwrap();
    near("specific", specific.value.us_cm(), 88.0, 0.5);
    let back = ambient_from_specific(
        Specific::new(88.0, 25.0).unwrap(),
        13.1,
        &Compensation::STANDARD_METHODS,
    );
    near("ambient", back.unwrap().value.us_cm(), 68.0, 0.5);
    let pair = check_pair(today, Specific::new(88.0, 25.0).unwrap(), 13.1).unwrap();
    assert_eq!(pair.verdict, PairVerdict::Agrees, "{}", pair.words);

    let water = WaterNow {
        ambient: Some(today),
        temperature_c: Some(13.1),
        forecast_max_c: None,
    };
    let limits = Limits::of(&[Profile::named("quillet_brook_demo").unwrap()], water).unwrap();
    let known = KnownGood::new(260.0, None, Ambient::new(115.0).unwrap()).unwrap();
    let setting = |peak_v: f64, width: f64, duty: f64| Setting {
        current: Current::Pulsed,
        peak_v,
        peak_a: None,
        pulse_rate_hz: Some(30.0),
        pulse_width_ms: Some(width),
        duty_percent: Some(duty),
    };
    // The trials as recorded, with their duty cycles.
    for (volts, width, duty) in [
        (100.0, 0.5, 1.5),
        (200.0, 2.0, 6.0),
        (300.0, 3.0, 9.0),
        (400.0, 4.0, 12.0),
    ] {
        let pulses = setting(volts, width, duty).check().unwrap().unwrap();
        assert!(pulses.agrees, "{}", pulses.words);
        near("duty", 100.0 * pulses.pulses.duty, duty, 1e-9);
    }
    let chosen = setting(350.0, 4.0, 12.0);
    let review = review_setting(&chosen, Some(&known), FishBand::PUBLISHED, &limits).unwrap();
    let goal = review.goal.unwrap();
    near("goal", goal.aim_v.unwrap(), 350.0, 0.5);
    assert_eq!(goal.reach, Reach::Reachable);
    assert_eq!(review.standing, Some(GoalStanding::Within));
    near("ratio", review.ratio_to_goal.unwrap(), 1.0, 0.001);
    assert_eq!(review.limits.verdict, LimitVerdict::Kept);
    assert!(
        review.words.contains("goal about 350 V peak at 68 µS/cm"),
        "{}",
        review.words
    );
    assert!(
        review
            .words
            .contains("Within all 3 limits in force, UNCONFIRMED."),
        "{}",
        review.words
    );

    // 18 s, 12 s and 52 s to upright, as timed while tuning, ask for no change by the proposed marks.
    let rules = Limits::of(&[Profile::named("recovery_proposed").unwrap()], water).unwrap();
    let good = review_recovery(&[12.0, 18.0, 52.0], Signs::default(), &rules).unwrap();
    assert!(!good.review, "{}", good.words);
}

/// Three trout upright after 20, 75 and 130 s: the slowest and the median both ask for a change.
#[test]
fn three_slow_trout_ask_for_lower_volts() {
    let rules = [Profile::named("recovery_proposed").unwrap()];
    let limits = Limits::of(&rules, WaterNow::default()).unwrap();
    let here = review_recovery(&[130.0, 20.0, 75.0], Signs::default(), &limits).unwrap();
    assert_eq!(
        here.reasons,
        [RecoveryReason::SlowRecovery, RecoveryReason::SlowMedian]
    );
    assert_eq!((here.median_s, here.worst_s), (Some(75.0), Some(130.0)));
    assert!(here.words.contains("lower the voltage"), "{}", here.words);
    assert!(here.words.contains("UNCONFIRMED"), "{}", here.words);
}
