//! Tries to get a suggestion over a cap, a limit without its standing, or a looser limit out of more profiles.

#![expect(clippy::unwrap_used, reason = "profiles written here can be read")]

use gravelbar_electric::*;
use proptest::prelude::*;
use serde_json::{Value, json};

/// A profile of one limit, confirmed by somebody or not.
fn profile(name: &str, quantity: &str, rule: &str, value: f64, by: Option<&str>) -> Profile {
    let text = json!({
        "id": name, "name": name, "source": "a source", "date": "2026-05-01",
        "basis": "from_memory", "confirmed_by": by,
        "lines": [{ "quantity": quantity, "rule": rule, "value": value }]
    });
    Profile::from_json(&text.to_string()).unwrap()
}

fn volts(name: &str, value: f64, by: Option<&str>) -> Profile {
    profile(name, "peak_v", "at_most", value, by)
}

fn direct(peak_v: f64) -> Setting {
    Setting {
        current: Current::Direct,
        peak_v,
        peak_a: None,
        pulse_rate_hz: None,
        pulse_width_ms: None,
        duty_percent: None,
    }
}

fn any_profiles() -> impl Strategy<Value = Vec<Profile>> {
    let kinds = prop::sample::select(vec!["peak_v", "peak_a", "peak_w"]);
    let one = (kinds, 1.0..2_000.0, any::<bool>());
    prop::collection::vec(one, 0..6).prop_map(|lines| {
        (lines.into_iter().enumerate())
            .map(|(n, (kind, value, confirmed))| {
                let by = confirmed.then_some("Wrenna Tolliver");
                profile(&format!("profile {n}"), kind, "at_most", value, by)
            })
            .collect()
    })
}

/// Every object that has a limit's value also has its standing in words; returns how many there are.
fn limits_written(value: &Value) -> usize {
    match value {
        Value::Object(map) => {
            let own = usize::from(map.contains_key("profile"));
            if own == 1 {
                let confirmed = map["confirmed"].as_bool().unwrap();
                for key in ["standing", "text"] {
                    let text = map[key].as_str().unwrap();
                    assert_eq!(text.contains("UNCONFIRMED"), !confirmed, "{key}: {text}");
                    assert_eq!(text.contains("Wrenna Tolliver"), confirmed, "{key}: {text}");
                }
            }
            own + map.values().map(limits_written).sum::<usize>()
        }
        Value::Array(items) => items.iter().map(limits_written).sum(),
        _ => 0,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    /// The rule that matters most here: nothing is suggested over a cap, whatever the waters, fish and profiles.
    #[test]
    fn no_aim_is_ever_over_a_cap(
        (v, a) in (1.0..2_000.0, prop::option::of(0.001..200.0)),
        (c1, c2) in (0.1..5_000.0, 0.1..5_000.0),
        profiles in any_profiles(),
    ) {
        let water = Ambient::new(c2).unwrap();
        let known = KnownGood::new(v, a, Ambient::new(c1).unwrap()).unwrap();
        let limits = Limits::of(&profiles, WaterNow { ambient: Some(water), ..WaterNow::default() }).unwrap();
        let band = goal_band(&known, water, FishBand::PUBLISHED, &limits);
        let goal = [
            (Quantity::PeakV, Some(band.model.peak_v)),
            (Quantity::PeakA, band.model.peak_a),
            (Quantity::PeakW, band.model.peak_w),
        ];
        let over = goal.iter().any(|(quantity, figure)| figure.is_some_and(|figure| {
            limits.of_kind(*quantity, Rule::AtMost).any(|limit| limit.breach(figure).is_some())
        }));
        prop_assert_eq!(band.aim_v.is_none(), over);
        prop_assert_eq!(band.reach == Reach::NotReachable, over);
        if over {
            prop_assert!(band.words.contains("goal not reachable under the cap"), "{}", band.words);
            prop_assert!(!band.words.contains("goal about"), "{}", band.words);
        }
        prop_assert!(band.peak_v.low <= band.model.peak_v && band.model.peak_v <= band.peak_v.high);
    }

    /// A profile more never allows what was not allowed before.
    #[test]
    fn another_profile_never_loosens(profiles in any_profiles(), more in any_profiles(), v in 1.0..2_000.0) {
        let few = Limits::of(&profiles, WaterNow::default()).unwrap();
        let all: Vec<Profile> = profiles.iter().chain(&more).cloned().collect();
        let all = Limits::of(&all, WaterNow::default()).unwrap();
        let broken = |limits: &Limits| !limits.check(Some(&direct(v))).unwrap().breaches.is_empty();
        prop_assert!(broken(&all) || !broken(&few));
        // And the strictest is broken exactly where any is.
        let any = all.of_kind(Quantity::PeakV, Rule::AtMost).any(|limit| limit.breach(v).is_some());
        prop_assert_eq!(broken(&all), any);
    }

    /// Not knowing the conductivity never allows more than knowing it.
    #[test]
    fn unknown_water_is_held_to_every_band(c in 1.0..1_000.0, v in 1.0..2_000.0) {
        let nmfs = [Profile::named("nmfs_2000").unwrap()];
        let at = |ambient: Option<Ambient>| {
            let limits = Limits::of(&nmfs, WaterNow { ambient, ..WaterNow::default() }).unwrap();
            limits.check(Some(&direct(v))).unwrap()
        };
        let (known, unknown) = (at(Ambient::new(c).ok()), at(None));
        prop_assert!(known.breaches.is_empty() || !unknown.breaches.is_empty());
        prop_assert!(unknown.conductivity_unknown && !known.conductivity_unknown);
    }

    /// Whatever is written out, a limit nobody confirmed says so, and a confirmed one says by whom.
    #[test]
    fn a_limit_is_never_written_without_its_standing(profiles in any_profiles(), v in 1.0..2_000.0, c in 5.0..900.0) {
        let water = Ambient::new(c).unwrap();
        let limits = Limits::of(&profiles, WaterNow { ambient: Some(water), ..WaterNow::default() }).unwrap();
        let known = KnownGood::new(260.0, Some(0.8), Ambient::new(115.0).unwrap()).unwrap();
        let review = review_setting(&direct(v), Some(&known), FishBand::PUBLISHED, &limits).unwrap();
        let written = limits_written(&serde_json::to_value(&review).unwrap());
        prop_assert!(written >= review.limits.in_force.len());
        for limit in limits.lines() {
            let text = limit.to_string();
            prop_assert_eq!(text.contains("UNCONFIRMED"), !limit.standing().is_confirmed());
        }
        for breach in &review.limits.breaches {
            let unconfirmed = !breach.limit().standing().is_confirmed();
            prop_assert_eq!(breach.to_string().contains("UNCONFIRMED"), unconfirmed);
            prop_assert!(review.words.contains(&breach.to_string()));
        }
    }
}

#[test]
fn no_profile_that_comes_with_the_program_claims_to_be_confirmed() {
    let profiles = Profile::embedded().unwrap();
    let ids: Vec<&str> = profiles.iter().map(Profile::id).collect();
    assert_eq!(
        ids,
        [
            "nmfs_2000",
            "nmfs_2000_california_coast",
            "fish_relocation_measure",
            "recovery_proposed",
            "quillet_brook_demo"
        ]
    );
    let limits = Limits::of(&profiles, WaterNow::default()).unwrap();
    assert_eq!(limits.lines().len(), 24);
    for limit in limits.lines() {
        assert!(limit.to_string().contains("UNCONFIRMED"), "{limit}");
    }
    assert_eq!(Profile::named("nmfs_2000").unwrap().date(), "2000-06");
    assert!(Profile::named("nmfs").is_none());
}

/// A breach of an unconfirmed limit can't be waved away where a confirmed one is broken as well.
#[test]
fn the_confirmed_limit_stands_beside_the_stricter_unconfirmed_one() {
    let profiles = [
        volts("remembered", 300.0, None),
        volts("permit", 400.0, Some("Jun Harrowgate")),
    ];
    let limits = Limits::of(&profiles, WaterNow::default()).unwrap();
    let breach = |v: f64| limits.check(Some(&direct(v))).unwrap().breaches.remove(0);
    let both = breach(450.0);
    assert_eq!(both.limit().profile(), "remembered");
    assert_eq!(both.confirmed_too().map(Limit::profile), Some("permit"));
    assert!(
        both.to_string().contains("confirmed by Jun Harrowgate"),
        "{both}"
    );
    assert!(both.to_string().contains("is 150 V over"), "{both}");
    assert_eq!(breach(350.0).confirmed_too(), None);
}

#[test]
fn of_two_equal_limits_the_confirmed_one_is_named() {
    let profiles = [
        volts("a", 300.0, None),
        volts("b", 300.0, Some("Jun Harrowgate")),
    ];
    let limits = Limits::of(&profiles, WaterNow::default()).unwrap();
    let strictest = limits.strictest(Quantity::PeakV, Rule::AtMost).unwrap();
    assert_eq!(strictest.profile(), "b");
}

#[test]
fn a_limit_on_something_not_entered_is_unknown_and_not_kept() {
    let permit = [Profile::named("quillet_brook_demo").unwrap()];
    let limits = Limits::of(&permit, WaterNow::default()).unwrap();
    let setting = Setting {
        current: Current::Pulsed,
        pulse_rate_hz: Some(30.0),
        ..direct(350.0)
    };
    let check = limits.check(Some(&setting)).unwrap();
    assert_eq!(check.verdict, LimitVerdict::NotAllChecked);
    assert_eq!(check.unchecked[0].quantity(), Quantity::PulseWidthMs);
    assert!(check.words.contains("not checked"), "{}", check.words);
    // The same with the duty cycle entered: the width follows, 10 ms, and is over.
    let setting = Setting {
        duty_percent: Some(30.0),
        ..setting
    };
    let check = limits.check(Some(&setting)).unwrap();
    assert_eq!(check.breaches[0].code(), "over_pulse_width_ms");
    // Smooth DC has no pulses to limit.
    let check = limits.check(Some(&direct(350.0))).unwrap();
    assert_eq!(check.verdict, LimitVerdict::Kept);
    assert_eq!(check.words, "within the one limit in force, UNCONFIRMED");
    assert_eq!(
        Limits::of(&[], WaterNow::default())
            .unwrap()
            .check(None)
            .unwrap()
            .verdict,
        LimitVerdict::NoLimits
    );
}

#[test]
fn alternating_current_and_a_warm_forecast_are_past_a_limit() {
    let nmfs = [Profile::named("nmfs_2000").unwrap()];
    let water = WaterNow {
        ambient: Ambient::new(150.0).ok(),
        temperature_c: Some(16.5),
        forecast_max_c: Some(18.5),
    };
    let limits = Limits::of(&nmfs, water).unwrap();
    let setting = Setting {
        current: Current::Alternating,
        ..direct(200.0)
    };
    let check = limits.check(Some(&setting)).unwrap();
    let codes: Vec<String> = check.breaches.iter().map(Breach::code).collect();
    assert_eq!(codes, ["over_alternating_current", "over_temperature_c"]);
    assert!(
        check.words.contains("no alternating current"),
        "{}",
        check.words
    );
    // 50 Hz is allowed there, with care.
    let setting = Setting {
        current: Current::Pulsed,
        pulse_rate_hz: Some(50.0),
        pulse_width_ms: Some(1.0),
        ..direct(200.0)
    };
    let check = limits.check(Some(&setting)).unwrap();
    assert_eq!(check.cautions[0].code(), "over_pulse_rate_hz");
}

#[test]
fn where_hz_ms_and_duty_disagree_the_larger_duty_is_held_to_the_limit() {
    let rule = [profile("office", "duty_percent", "at_most", 15.0, None)];
    let limits = Limits::of(&rule, WaterNow::default()).unwrap();
    for (width, duty) in [(4.0, 24.0), (8.0, 12.0)] {
        let setting = Setting {
            current: Current::Pulsed,
            pulse_rate_hz: Some(30.0),
            pulse_width_ms: Some(width),
            duty_percent: Some(duty),
            ..direct(350.0)
        };
        assert!(!setting.check().unwrap().unwrap().agrees);
        let check = limits.check(Some(&setting)).unwrap();
        assert_eq!(check.breaches[0].code(), "over_duty_percent");
    }
}

/// 200 V at 100 µS/cm with a cap of 300 V: at 30 µS/cm the model asks for 449.6 V, and fits from 51.7 µS/cm up.
#[test]
fn a_goal_over_the_cap_says_which_cap_and_by_how_much() {
    let permit = [volts("permit", 300.0, Some("Jun Harrowgate"))];
    let water = Ambient::new(30.0).unwrap();
    let limits = Limits::of(
        &permit,
        WaterNow {
            ambient: Some(water),
            ..WaterNow::default()
        },
    )
    .unwrap();
    let known = KnownGood::new(200.0, None, Ambient::new(100.0).unwrap()).unwrap();
    let band = goal_band(&known, water, FishBand::PUBLISHED, &limits);
    assert_eq!((band.reach, band.aim_v), (Reach::NotReachable, None));
    for part in [
        "goal not reachable under the cap at 30 µS/cm",
        "449.6 V is 149.6 V over",
        "permit",
        "from 51.69 µS/cm up",
    ] {
        assert!(band.words.contains(part), "{part}: {}", band.words);
    }
    // A cap under half of what hard water needs fits in no water at all.
    let low = workable_under_volts(&known, FishConductivity::STANDARD, 90.0).unwrap_err();
    assert_eq!(low.code(), "no_water_under_cap");
}

#[test]
fn a_profile_that_says_something_odd_is_refused() {
    let good = json!({
        "id": "p", "name": "P", "source": "s", "date": "2026", "basis": "read_in_source",
        "lines": [{ "quantity": "peak_v", "rule": "at_most", "value": 300 }]
    });
    assert!(Profile::from_json(&good.to_string()).is_ok());
    let with = |key: &str, value: Value| {
        let mut odd = good.clone();
        odd[key] = value;
        Profile::from_json(&odd.to_string()).map_err(|error| error.code())
    };
    let line = |extra: Value| {
        let mut line = good["lines"][0].clone();
        for (key, value) in extra.as_object().unwrap() {
            line[key] = value.clone();
        }
        json!([line])
    };
    for (key, value, code) in [
        ("confirmed-by", json!("somebody"), "unreadable_profile"),
        ("confirmed_by", json!("  "), "faulty_profile"),
        ("confirmed_on", json!("2026-05-01"), "faulty_profile"),
        ("name", json!(""), "faulty_profile"),
        ("lines", json!([]), "faulty_profile"),
        ("lines", line(json!({ "value": -1 })), "faulty_profile"),
        (
            "lines",
            line(json!({ "value": "300" })),
            "unreadable_profile",
        ),
        (
            "lines",
            line(json!({ "quantity": "peak_kv" })),
            "unreadable_profile",
        ),
        (
            "lines",
            line(json!({ "ambient_us_cm": { "above": 300, "below": 100 } })),
            "faulty_profile",
        ),
        (
            "lines",
            line(json!({ "ambient_us_cm": { "under": 100 } })),
            "unreadable_profile",
        ),
    ] {
        assert_eq!(with(key, value).err(), Some(code), "{key}");
    }
    assert_eq!(
        Profile::from_json("").unwrap_err().code(),
        "unreadable_profile"
    );
}

#[test]
fn refusals_and_cautions_are_data_with_a_code() {
    let refusal = serde_json::to_value(duty(120.0, 10.0).unwrap_err()).unwrap();
    assert_eq!(refusal["code"], "duty_over_1");
    assert!(
        refusal["text"].as_str().unwrap().contains("120 %"),
        "{refusal}"
    );
    let caution = serde_json::to_value(Ambient::new(8.0).unwrap().cautions()).unwrap();
    assert_eq!(caution[0]["code"], "outside_tested_range_12_1030");
    let none = live_check(
        Electrodes::new(250.0).unwrap(),
        Ambient::new(100.0).unwrap(),
        200.0,
        0.0,
        None,
        PROPOSED_TOLERANCE,
    );
    assert_eq!(none.unwrap_err().code(), "no_current");
    // Mean amps read beside peak volts make the resistance look 1 / d too high.
    let gear = Electrodes::new(250.0).unwrap();
    let water = Ambient::new(100.0).unwrap();
    let mean = live_check(
        gear,
        water,
        200.0,
        0.8 * 0.12,
        Some(0.12),
        PROPOSED_TOLERANCE,
    )
    .unwrap();
    assert_eq!(mean.verdict, LiveVerdict::MeanAmpsPerhaps);
    let peak = live_check(gear, water, 200.0, 0.8, Some(0.12), PROPOSED_TOLERANCE).unwrap();
    assert_eq!(peak.verdict, LiveVerdict::AsExpected);
}

#[test]
fn figures_are_written_with_six_digits() {
    let known = KnownGood::new(260.0, Some(0.8), Ambient::new(115.0).unwrap()).unwrap();
    let goal = goal(
        &known,
        Ambient::new(68.0).unwrap(),
        FishConductivity::STANDARD,
    );
    let written = serde_json::to_value(goal).unwrap();
    assert_eq!(written["peak_v"], json!(349.853));
    assert!((goal.peak_v - 349.853).abs() > 1e-5);
}

/// A floor, as for a least temperature: the higher of two is the stricter, below it is past it, at it is kept.
#[test]
fn of_two_floors_the_higher_is_the_stricter() {
    let floors = [
        profile("low", "temperature_c", "at_least", 4.0, None),
        profile("high", "temperature_c", "at_least", 6.0, None),
    ];
    let at = |temperature_c: f64| {
        let water = WaterNow {
            temperature_c: Some(temperature_c),
            ..WaterNow::default()
        };
        Limits::of(&floors, water).unwrap().check(None).unwrap()
    };
    let cold = at(5.0);
    assert_eq!(cold.breaches[0].code(), "under_temperature_c");
    assert_eq!(cold.breaches[0].limit().profile(), "high");
    assert!(cold.words.contains("is 1 °C under"), "{}", cold.words);
    assert_eq!(at(6.0).verdict, LimitVerdict::Kept);
}

#[test]
fn a_value_that_is_no_number_keeps_no_limit() {
    for rule in ["at_most", "at_least", "caution_above"] {
        let profiles = [profile("p", "peak_v", rule, 300.0, None)];
        let limits = Limits::of(&profiles, WaterNow::default()).unwrap();
        assert!(limits.lines()[0].breach(f64::NAN).is_some(), "{rule}");
        assert!(limits.lines()[0].breach(300.0).is_none(), "{rule}");
    }
}

#[test]
fn every_sign_of_harm_asks_for_its_own_change_and_the_gravest_leads() {
    let none = Limits::of(&[], WaterNow::default()).unwrap();
    let of = |deaths, bent_or_bleeding, brands| {
        let signs = Signs {
            brands,
            bent_or_bleeding,
            deaths,
        };
        review_recovery(&[10.0, 30.0], signs, &none).unwrap()
    };
    for (review, reason, word) in [
        (of(1, 0, 0), RecoveryReason::Death, "stop"),
        (of(0, 1, 0), RecoveryReason::BentOrBleeding, "pulse rate"),
        (of(0, 0, 1), RecoveryReason::Brand, "pulse rate"),
    ] {
        assert_eq!(review.reasons, [reason]);
        assert!(
            review.first_change.unwrap().contains(word),
            "{}",
            review.words
        );
    }
    assert_eq!(of(1, 1, 1).reasons.len(), 3);
    assert!(of(1, 1, 1).first_change.unwrap().starts_with("stop"));
    let fine = of(0, 0, 0);
    assert!(!fine.review && fine.first_change.is_none());
    assert_eq!((fine.median_s, fine.worst_s), (Some(20.0), Some(30.0)));
    let nobody = review_recovery(&[], Signs::default(), &none).unwrap();
    assert_eq!(
        (nobody.median_s, nobody.words.as_str()),
        (None, "no fish timed")
    );
}

/// The band at 68 µS/cm runs from 314.5 V (fish of 50) to 364.6 V (fish of 160) from 260 V at 115.
#[test]
fn a_setting_stands_below_in_or_above_the_goal_band() {
    let water = Ambient::new(68.0).ok();
    let limits = Limits::of(
        &[],
        WaterNow {
            ambient: water,
            ..WaterNow::default()
        },
    )
    .unwrap();
    let known = KnownGood::new(260.0, None, Ambient::new(115.0).unwrap()).unwrap();
    let at = |v: f64| {
        let review = review_setting(&direct(v), Some(&known), FishBand::PUBLISHED, &limits);
        review.unwrap().standing
    };
    // By hand: 260 (1 + 50/68) / (1 + 50/115) = 314.46 and 260 (1 + 160/68) / (1 + 160/115) = 364.56.
    assert_eq!(at(314.0), Some(GoalStanding::Below));
    assert_eq!(at(315.0), Some(GoalStanding::Within));
    assert_eq!(at(364.0), Some(GoalStanding::Within));
    assert_eq!(at(365.0), Some(GoalStanding::Above));
    let unknown = review_setting(&direct(350.0), None, FishBand::PUBLISHED, &limits).unwrap();
    assert_eq!((unknown.standing, unknown.ratio_to_goal), (None, None));
    assert!(
        unknown.words.contains("no goal without"),
        "{}",
        unknown.words
    );
}

#[test]
fn one_reading_written_twice_is_asked_about() {
    let both = |c: f64, t: f64| {
        let specific = Specific::new(c, 25.0).unwrap();
        check_pair(Ambient::new(c).unwrap(), specific, t)
            .unwrap()
            .verdict
    };
    assert_eq!(both(88.0, 13.1), PairVerdict::PerhapsCopied);
    // At the reference the two are the same.
    assert_eq!(both(88.0, 25.0), PairVerdict::Agrees);
    let far = check_pair(
        Ambient::new(68.0).unwrap(),
        Specific::new(180.0, 25.0).unwrap(),
        13.1,
    );
    assert_eq!(far.unwrap().verdict, PairVerdict::Disagrees);
}
