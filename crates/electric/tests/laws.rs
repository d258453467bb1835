//! Holds the formulas to laws that follow from their definitions, and tries to get a panic, a NaN or an
//! infinity out of every public function.

#![expect(
    clippy::unwrap_used,
    reason = "figures drawn within bounds are accepted"
)]

use gravelbar_electric::*;
use proptest::prelude::*;
use std::fmt::Debug;

/// Any float: odd ones, ordinary ones, huge and tiny ones.
fn any_figure() -> impl Strategy<Value = f64> {
    prop_oneof![
        1 => prop::sample::select(vec![
            f64::NAN,
            f64::INFINITY,
            f64::NEG_INFINITY,
            0.0,
            -0.0,
            f64::MIN_POSITIVE,
            f64::MAX,
            -1.0,
            25.0,
            1.0,
        ]),
        3 => -10.0..3_000.0,
        2 => 0.0..1.0,
        1 => any::<f64>(),
    ]
}

fn maybe_figure() -> impl Strategy<Value = Option<f64>> {
    prop::option::of(any_figure())
}

fn us_cm() -> impl Strategy<Value = f64> {
    (-1.0..5.0).prop_map(|power: f64| libm::pow(10.0, power).clamp(0.1, 100_000.0))
}

fn water() -> impl Strategy<Value = Ambient> {
    us_cm().prop_map(|us_cm| Ambient::new(us_cm).unwrap())
}

fn fish() -> impl Strategy<Value = FishConductivity> {
    (1.0..2_000.0).prop_map(|us_cm: f64| FishConductivity::new(us_cm).unwrap())
}

fn known() -> impl Strategy<Value = KnownGood> {
    (1.0..2_000.0, 0.001..200.0, water())
        .prop_map(|(volts, amps, water)| KnownGood::new(volts, Some(amps), water).unwrap())
}

fn band() -> impl Strategy<Value = FishBand> {
    (1.0..2_000.0, 1.0..2_000.0, 1.0..2_000.0).prop_map(|(a, b, c): (f64, f64, f64)| {
        let mut ends = [a, b, c];
        ends.sort_by(f64::total_cmp);
        FishBand::new(ends[0], ends[1], ends[2]).unwrap()
    })
}

fn formula() -> impl Strategy<Value = Compensation> {
    prop_oneof![
        Just(Compensation::STANDARD_METHODS),
        Just(Compensation::TWO_PERCENT),
        Just(Compensation::NATURAL_WATERS),
        Just(Compensation::exponential().unwrap()),
        (0.015..0.025, 18.0..26.0).prop_map(|(a, r)| Compensation::linear(a, r).unwrap()),
    ]
}

fn current() -> impl Strategy<Value = Current> {
    prop::sample::select(vec![
        Current::Direct,
        Current::Pulsed,
        Current::Bursts,
        Current::Alternating,
    ])
}

fn setting() -> impl Strategy<Value = Setting> {
    let figures = (
        any_figure(),
        maybe_figure(),
        maybe_figure(),
        maybe_figure(),
        maybe_figure(),
    );
    (current(), figures).prop_map(|(current, (volts, amps, rate, width, duty))| Setting {
        current,
        peak_v: volts,
        peak_a: amps,
        pulse_rate_hz: rate,
        pulse_width_ms: width,
        duty_percent: duty,
    })
}

fn close(a: f64, b: f64) -> bool {
    (a - b).abs() <= 1e-9 * a.abs().max(b.abs())
}

/// An answer may hold no NaN and no infinity; a refusal must say something.
fn sound<T: Debug, E: std::error::Error>(answer: Result<T, E>) {
    match answer {
        Ok(answer) => {
            let written = format!("{answer:?}");
            let odd = (written.split(|c: char| !c.is_alphanumeric()))
                .any(|word| word == "NaN" || word == "inf");
            assert!(!odd, "{written}");
        }
        Err(refusal) => assert!(!refusal.to_string().is_empty()),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn no_figure_gives_a_panic_a_nan_or_an_infinity(
        (a, b, c, d) in (any_figure(), any_figure(), any_figure(), any_figure()),
        maybe in maybe_figure(),
        waters in (water(), water()),
        fish in fish(),
        formula in formula(),
        current in current(),
    ) {
        let (water, other) = waters;
        sound(Ambient::new(a));
        sound(Specific::new(a, b));
        sound(FishConductivity::new(a));
        sound(FishBand::new(a, b, c));
        sound(Compensation::linear(a, b));
        if let Ok(specific) = Specific::new(a, b) {
            sound(ambient_from_specific(specific, c, &formula));
            sound(check_pair(water, specific, c));
        }
        sound(specific_from_ambient(water, a, b, &formula));
        if let Ok(own) = Compensation::linear(a, b) {
            sound(specific_from_ambient(water, c, d, &own));
        }
        sound(power_density_uw_cm3(water, a));
        sound(gradient_from_power_density_v_cm(water, a));
        sound(gradient_needed_v_cm(water, fish, a));
        sound(current_density_needed_ua_cm2(water, fish, a));
        sound(KnownGood::new(a, maybe, water));
        if let Ok(known) = KnownGood::new(a, maybe, water) {
            sound::<_, GoalError>(Ok(goal(&known, other, fish)));
            sound(workable_under_volts(&known, fish, b));
            sound(workable_under_amps(&known, fish, b));
            sound(workable_under_watts(&known, fish, b));
        }
        sound(duty(a, b));
        sound(width_ms(a, b));
        sound(rate_hz(a, b));
        sound(check_pulses(maybe, Some(a), Some(b)));
        sound(check_pulses(Some(a), maybe, Some(b)));
        sound(check_pulses(Some(a), Some(b), maybe));
        sound(output(current, a, maybe, b));
        sound(peak_from_mean_w(a, b));
        sound(energy_wh(a, b));
        sound(battery_h(a, b));
        sound(Electrodes::new(a));
        sound(Electrodes::from_reading(a, b, water));
        if let Ok(gear) = Electrodes::new(a) {
            sound(expected_draw(gear, water, b, c));
            sound(live_check(gear, water, b, c, maybe, d));
        }
        sound(Ring::new(a, b));
        if let Ok(ring) = Ring::new(a, b) {
            sound(ring.gradient_v_cm(water, c, d));
            sound::<_, GoalError>(Ok(ring.resistance_ohm(water, RingDepth::Surface)));
        }
        sound(useful_gradient(a));
        sound(glove_class(a, GloveRule::AcAgainstPeak));
        sound(glove_class(a, GloveRule::DcAgainstPeak));
    }

    #[test]
    fn no_setting_gives_a_panic_a_nan_or_an_infinity(
        setting in setting(),
        ambient in prop::option::of(water()),
        (temperature_c, forecast_max_c) in (maybe_figure(), maybe_figure()),
        times in prop::collection::vec(any_figure(), 0..5),
        known in known(),
        fish in band(),
    ) {
        let water = WaterNow { ambient, temperature_c, forecast_max_c };
        let profiles = Profile::embedded().unwrap();
        let limits = Limits::of(&profiles, water);
        if let Ok(limits) = &limits {
            sound(review_setting(&setting, Some(&known), fish, limits));
            sound(review_recovery(&times, Signs::default(), limits));
            sound(limits.check(None));
        }
        sound(limits);
        sound(setting.check());
        sound(setting.output());
    }

    #[test]
    fn conductivity_comes_back_through_any_formula(
        specific in us_cm(), reference in 18.0..27.0, t in 0.0..40.0, formula in formula()
    ) {
        let there = ambient_from_specific(Specific::new(specific, reference).unwrap(), t, &formula).unwrap();
        prop_assume!(Ambient::new(there.value.us_cm()).is_ok());
        let back = specific_from_ambient(there.value, t, reference, &formula).unwrap();
        prop_assert!(close(back.value.us_cm(), specific));
        prop_assert!(there.low_us_cm <= there.value.us_cm() && there.value.us_cm() <= there.high_us_cm);
    }

    /// The same water read by a meter set to 20 °C and one set to 25 °C is the same water.
    #[test]
    fn the_reference_of_the_meter_does_not_move_the_water(c in us_cm(), t in 0.0..40.0, formula in formula()) {
        let water = Ambient::new(c).unwrap();
        for reference in [20.0, 25.0] {
            let shown = specific_from_ambient(water, t, reference, &formula).unwrap().value;
            prop_assume!(Specific::new(shown.us_cm(), reference).is_ok());
            let back = ambient_from_specific(shown, t, &formula).unwrap();
            prop_assert!(close(back.value.us_cm(), c));
        }
    }

    #[test]
    fn cold_water_conducts_less_than_it_would_at_the_reference(specific in us_cm(), t in 0.0..40.0, formula in formula()) {
        let water = ambient_from_specific(Specific::new(specific, 25.0).unwrap(), t, &formula).unwrap();
        prop_assert_eq!(water.value.us_cm() < specific, t < 25.0);
    }

    /// A pair that comes out of a formula agrees, and a swap of it is never corrected in silence.
    #[test]
    fn a_pair_from_a_formula_agrees(c in us_cm(), t in 0.0..35.0) {
        let water = Ambient::new(c).unwrap();
        let shown = specific_from_ambient(water, t, 25.0, &Compensation::STANDARD_METHODS).unwrap().value;
        prop_assume!(Specific::new(shown.us_cm(), 25.0).is_ok());
        prop_assert_eq!(check_pair(water, shown, t).unwrap().verdict, PairVerdict::Agrees);
        if t < 15.0 {
            let swapped = Ambient::new(shown.us_cm()).unwrap();
            let swapped = check_pair(swapped, Specific::new(c, 25.0).unwrap(), t).unwrap();
            prop_assert_eq!(swapped.verdict, PairVerdict::PerhapsSwapped);
        }
    }

    #[test]
    fn matched_water_needs_no_more_and_every_other_does(fish in fish(), water in water()) {
        let matched = Ambient::new(fish.us_cm()).unwrap();
        prop_assert!(close(multiplier(matched, fish), 1.0));
        let m = multiplier(water, fish);
        prop_assert!(m >= 1.0);
        prop_assert!(close(m * transferred_share(water, fish), 1.0));
        // The inverse ratio needs the same.
        let inverse = fish.us_cm() * fish.us_cm() / water.us_cm();
        if let Ok(inverse) = Ambient::new(inverse) {
            prop_assert!(close(multiplier(inverse, fish), m));
        }
        // The textbook form by the ratio.
        let q = mismatch(water, fish);
        prop_assert!(close(m, (1.0 + q) * (1.0 + q) / (4.0 * q)));
    }

    /// Gradient and current density needed multiply to the power density needed, `Dm M`.
    #[test]
    fn gradient_times_current_density_is_power_density(c in 5.0..5_000.0, cf in 20.0..300.0, matched in 0.01..1e4) {
        let (water, fish) = (Ambient::new(c).unwrap(), FishConductivity::new(cf).unwrap());
        let e = gradient_needed_v_cm(water, fish, matched).unwrap();
        let j = current_density_needed_ua_cm2(water, fish, matched).unwrap();
        prop_assert!(close(e * j, matched * multiplier(water, fish)));
        prop_assert!(close(power_density_uw_cm3(water, e).unwrap(), e * j));
        prop_assert!(close(gradient_from_power_density_v_cm(water, e * j).unwrap(), e));
    }

    /// The goal keeps what fish get, Ohm's law, and the electrodes.
    #[test]
    fn a_goal_keeps_the_power_in_the_fish(known in known(), water in water(), fish in fish()) {
        let goal = goal(&known, water, fish);
        let (amps, watts) = (goal.peak_a.unwrap(), goal.peak_w.unwrap());
        prop_assert!(close(goal.peak_v * amps, watts));
        let by_power = known.peak_w().unwrap() * multiplier(water, fish) / multiplier(known.water(), fish);
        prop_assert!(close(watts, by_power));
        let by_volts = known.peak_v() * (1.0 + fish.us_cm() / water.us_cm())
            / (1.0 + fish.us_cm() / known.water().us_cm());
        prop_assert!(close(goal.peak_v, by_volts));
        let r1 = known.peak_v() / known.peak_a().unwrap();
        prop_assert!(close(goal.resistance_ohm.unwrap() * water.us_cm(), r1 * known.water().us_cm()));
    }

    #[test]
    fn the_same_water_asks_for_the_same_setting(known in known(), fish in fish()) {
        let same = goal(&known, known.water(), fish);
        prop_assert_eq!(same.peak_v.to_bits(), known.peak_v().to_bits());
        prop_assert_eq!(same.peak_a.map(f64::to_bits), known.peak_a().map(f64::to_bits));
    }

    #[test]
    fn a_goal_there_and_back_is_the_setting_known(known in known(), water in water(), fish in fish()) {
        let there = goal(&known, water, fish);
        if let Ok(over_there) = KnownGood::new(there.peak_v, there.peak_a, water) {
            let back = goal(&over_there, known.water(), fish);
            prop_assert!(close(back.peak_v, known.peak_v()));
            prop_assert!(close(back.peak_a.unwrap(), known.peak_a().unwrap()));
        }
    }

    #[test]
    fn volts_fall_and_amps_rise_with_conductivity(known in known(), fish in fish(), c in 0.1..50_000.0, more in 1.01..2.0) {
        let soft = goal(&known, Ambient::new(c).unwrap(), fish);
        let hard = goal(&known, Ambient::new(c * more).unwrap(), fish);
        prop_assert!(hard.peak_v < soft.peak_v);
        prop_assert!(hard.peak_a.unwrap() > soft.peak_a.unwrap());
    }

    /// Twice the known setting is twice the goal; units of conductivity don't matter.
    #[test]
    fn goals_scale(volts in 1.0..1_000.0, c1 in 1.0..1_000.0, c2 in 1.0..1_000.0, cf in 1.0..500.0) {
        let goal_of = |volts: f64, scale: f64| {
            let known = KnownGood::new(volts, None, Ambient::new(c1 * scale).unwrap()).unwrap();
            let fish = FishConductivity::new(cf * scale).unwrap();
            goal(&known, Ambient::new(c2 * scale).unwrap(), fish).peak_v
        };
        prop_assert!(close(goal_of(2.0 * volts, 1.0), 2.0 * goal_of(volts, 1.0)));
        prop_assert!(close(goal_of(volts, 3.5), goal_of(volts, 1.0)));
    }

    /// At the edge of the workable waters the goal is the cap, outside it is over.
    #[test]
    fn workable_waters_end_where_the_goal_meets_the_cap(known in known(), fish in fish(), share in 0.3..3.0) {
        let at = |c: f64| Ambient::new(c).ok().map(|water| goal(&known, water, fish));
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-6 * b;
        let cap = share * known.peak_v();
        if let Ok(waters) = workable_under_volts(&known, fish, cap) {
            let edge = waters.from_us_cm.unwrap();
            if let (Some(on), Some(below)) = (at(edge), at(edge * 0.9)) {
                prop_assert!(near(on.peak_v, cap));
                prop_assert!(below.peak_v > cap);
            }
        }
        let cap = share * known.peak_a().unwrap();
        if let Ok(waters) = workable_under_amps(&known, fish, cap) {
            let edge = waters.to_us_cm.unwrap();
            if let (Some(on), Some(above)) = (at(edge), at(edge * 1.1)) {
                prop_assert!(near(on.peak_a.unwrap(), cap));
                prop_assert!(above.peak_a.unwrap() > cap);
            }
        }
        let cap = share * known.peak_w().unwrap();
        if let Ok(waters) = workable_under_watts(&known, fish, cap) {
            for (edge, outside) in [(waters.from_us_cm.unwrap(), 0.9), (waters.to_us_cm.unwrap(), 1.1)] {
                if let (Some(on), Some(out)) = (at(edge), at(edge * outside)) {
                    prop_assert!(near(on.peak_w.unwrap(), cap));
                    prop_assert!(out.peak_w.unwrap() > cap);
                }
            }
        }
    }

    #[test]
    fn hz_ms_and_duty_come_back_from_each_other(rate in 0.1..1_000.0, share in 0.001..1.0) {
        let width = width_ms(rate, share).unwrap();
        prop_assume!((0.011..=999.0).contains(&width) && (0.11..=999.0).contains(&rate));
        prop_assert!(close(duty(rate, width).unwrap(), share));
        prop_assert!(close(rate_hz(width, share).unwrap(), rate));
        let three = check_pulses(Some(rate), Some(width), Some(100.0 * share)).unwrap();
        prop_assert!(three.agrees);
        // Any two of the three give the third.
        let shown = Some(100.0 * share);
        for two in [(Some(rate), Some(width), None), (Some(rate), None, shown), (None, Some(width), shown)] {
            let here = check_pulses(two.0, two.1, two.2).unwrap().pulses;
            prop_assert!(close(here.rate_hz, rate) && close(here.width_ms, width) && close(here.duty, share));
        }
        for one in [(Some(rate), None, None), (None, Some(width), None), (None, None, shown)] {
            prop_assert_eq!(check_pulses(one.0, one.1, one.2), Err(WaveformError::TooLittle));
        }
        let odd = check_pulses(Some(rate), Some(width), Some((100.0 * share + 1.5).min(100.0))).unwrap();
        prop_assert!(!odd.agrees || 100.0 * share > 98.9);
    }

    /// Mean and RMS of a sampled train of square pulses, added up sample by sample.
    #[test]
    fn mean_and_rms_are_those_of_a_sampled_train(volts in 10.0..1_000.0, amps in 0.1..10.0, on in 1_u32..=1_000) {
        let samples = 1_000_u32;
        let train = |peak: f64| (0..samples).map(move |n| if n < on { peak } else { 0.0 });
        let mean = |peak: f64| train(peak).sum::<f64>() / f64::from(samples);
        let rms = |peak: f64| libm::sqrt(train(peak).map(|x| x * x).sum::<f64>() / f64::from(samples));
        let watts = train(volts).zip(train(amps)).map(|(v, i)| v * i).sum::<f64>() / f64::from(samples);
        let here = output(Current::Pulsed, volts, Some(amps), f64::from(on) / f64::from(samples)).unwrap();
        let power = here.power.unwrap();
        prop_assert!(close(here.mean_v, mean(volts)) && close(here.rms_v, rms(volts)));
        prop_assert!(close(power.mean_a, mean(amps)) && close(power.rms_a, rms(amps)));
        prop_assert!(close(power.mean_w, watts));
        prop_assert!(close(peak_from_mean_w(power.mean_w, here.duty).unwrap(), power.peak_w));
        // A plain resistance turns RMS volts into mean watts.
        prop_assert!(close(power.mean_w, here.rms_v * here.rms_v / (volts / amps)));
    }

    #[test]
    fn energy_adds_up_over_passes(watts in 0.1..1_000.0, a in 0.0..5_000.0, b in 0.0..5_000.0) {
        let of = |seconds: f64| energy_wh(watts, seconds).unwrap();
        prop_assert!(close(of(a) + of(b), of(a + b)));
        // A battery that holds exactly that energy lasts exactly that long.
        prop_assert!(close(battery_h(of(a + b), watts).unwrap() * 3_600.0, a + b));
    }

    /// What the electrodes draw is what the live check expects; a stray by more than the tolerance is told, and to the right side.
    #[test]
    fn the_live_check_sees_a_stray_and_its_side(
        ohm in 10.0..2_000.0, water in water(), volts in 10.0..1_000.0, off in 0.05_f64..20.0
    ) {
        let gear = Electrodes::new(ohm).unwrap();
        let amps = expected_draw(gear, water, volts, 1.0).unwrap().peak_a / off;
        prop_assume!((0.001..=200.0).contains(&amps));
        prop_assume!((off - 0.5).abs() > 1e-6 && (off - 1.5).abs() > 1e-6);
        let check = live_check(gear, water, volts, amps, None, PROPOSED_TOLERANCE).unwrap();
        prop_assert!(close(check.ratio, off));
        let expected = if off < 0.5 { LiveVerdict::TooLow } else if off > 1.5 { LiveVerdict::TooHigh } else { LiveVerdict::AsExpected };
        prop_assert_eq!(check.verdict, expected);
        let learnt = Electrodes::from_reading(volts, amps, water).unwrap();
        prop_assert!(close(learnt.ohm(water), check.live_ohm));
    }

    /// The field of a ring, added up from many point sources on half a space.
    #[test]
    fn the_field_of_a_ring_is_that_of_its_points(
        radius in 0.05..0.5, z in 0.01..10.0, amps in 0.1..10.0, water in water()
    ) {
        let points = 360_u32;
        let sigma = water.us_cm() * 1e-4;
        let field: f64 = (0..points).map(|n| {
            let angle = f64::from(n).to_radians();
            let (x, y) = (radius * libm::cos(angle), radius * libm::sin(angle));
            let r = libm::sqrt(x * x + y * y + z * z);
            amps / f64::from(points) / (2.0 * core::f64::consts::PI * sigma * r * r) * (z / r)
        }).sum();
        let here = Ring::new(radius, 0.005).unwrap().gradient_v_cm(water, amps, z).unwrap();
        prop_assert!(close(100.0 * here.gradient_v_cm, field));
    }

    #[test]
    fn a_ring_is_strongest_near_and_falls_to_the_inverse_square(radius in 0.05..0.5, water in water(), step in 1.01..2.0) {
        let ring = Ring::new(radius, 0.005).unwrap();
        let at = |z: f64| ring.gradient_v_cm(water, 1.0, z).unwrap().gradient_v_cm;
        let peak = radius / core::f64::consts::SQRT_2;
        prop_assert!(at(peak) > at(peak * step) && at(peak) > at(peak / step));
        prop_assert!(at(peak * step) > at(peak * step * step));
        let far = 100.0 * radius;
        let point = 1.0 / (2.0 * core::f64::consts::PI * water.us_cm() * 1e-4 * far * far) / 100.0;
        prop_assert!((at(far) / point - 1.0).abs() < 1e-3);
    }

    /// The potential of a uniformly fed ring at the top of its rod, by the elliptic integral.
    #[test]
    fn the_resistance_of_a_thin_ring_is_its_potential(radius in 0.1_f64..0.5, thin in 0.005..0.05, water in water()) {
        let rod: f64 = f64::max(radius * thin, 0.000_5);
        let ring = Ring::new(radius, rod).unwrap();
        let reach = libm::sqrt(4.0 * radius * radius + rod * rod);
        let pi = core::f64::consts::PI;
        let potential = elliptic_k(2.0 * radius / reach) / (2.0 * pi * pi * water.us_cm() * 1e-4 * reach);
        let here = ring.resistance_ohm(water, RingDepth::Deep);
        prop_assert!((here / potential - 1.0).abs() < 0.005, "{here} against {potential}");
        prop_assert!(close(ring.resistance_ohm(water, RingDepth::Surface), 2.0 * here));
    }

    #[test]
    fn more_volts_never_need_a_lower_glove(volts in 0.0..36_000.0, more in 0.0..1_000.0) {
        let rating = |volts: f64, rule| glove_class(volts, rule).ok().map(|a| (a.class.ac_v, a.class.dc_v));
        for rule in [GloveRule::AcAgainstPeak, GloveRule::DcAgainstPeak] {
            let (low, high) = (rating(volts, rule), rating(volts + more, rule));
            prop_assert!(high.is_none() || low <= high);
            let (ac, dc) = low.unwrap();
            let covered = if rule == GloveRule::AcAgainstPeak { ac } else { dc };
            prop_assert!(f64::from(covered) >= volts);
        }
    }
}

/// Complete elliptic integral of the first kind by the arithmetic-geometric mean.
fn elliptic_k(k: f64) -> f64 {
    let (mut a, mut g) = (1.0, libm::sqrt(1.0 - k * k));
    while (a - g).abs() > 1e-14 * a {
        (a, g) = (0.5 * (a + g), libm::sqrt(a * g));
    }
    core::f64::consts::FRAC_PI_2 / a
}
