//! Holds every formula to the rows of `reference/checks.json`, and every remembered value to being shown unconfirmed.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a row that cannot be read fails the test"
)]

use gravelbar_electric::*;
use serde_json::Value;

const ROWS: &str = include_str!("reference/checks.json");

/// One row, with its inputs by name.
struct Row(Value);

impl Row {
    fn id(&self) -> &str {
        self.0["id"].as_str().unwrap()
    }

    fn input(&self, name: &str) -> f64 {
        (self.0["inputs"][name].as_f64()).unwrap_or_else(|| panic!("{} has no {name}", self.id()))
    }

    fn water(&self, name: &str) -> Ambient {
        Ambient::new(self.input(name)).unwrap()
    }

    fn fish(&self) -> FishConductivity {
        FishConductivity::new(self.input("fish_uScm")).unwrap()
    }

    fn expected(&self, name: &str) -> &Value {
        let value = &self.0["expected"][name];
        assert!(!value.is_null(), "{} expects no {name}", self.id());
        value
    }

    /// The row's expected figure, within its own tolerance.
    fn figure(&self, name: &str, here: f64) {
        let expected = self.expected(name).as_f64().unwrap();
        let tolerance = &self.0["tolerance"];
        let within = match (
            tolerance["type"].as_str().unwrap(),
            tolerance["value"].as_f64(),
        ) {
            ("absolute", Some(value)) => value,
            ("relative", Some(value)) => value * expected.abs(),
            ("exact", None) => 0.0,
            other => panic!("{}: tolerance {other:?}", self.id()),
        };
        assert!(
            (here - expected).abs() <= within,
            "{} {name}: {here}, expected {expected} within {within}",
            self.id()
        );
    }

    fn linear(&self) -> Compensation {
        let reference = self.input("ref_c");
        let alpha = self.input("alpha");
        // The formulas with a name are used by name, so that a wrong constant is caught.
        match alpha {
            a if (a - 0.0191).abs() < 1e-12 => Compensation::STANDARD_METHODS,
            a if (a - 0.0187).abs() < 1e-12 => Compensation::NATURAL_WATERS,
            a if (a - 0.02).abs() < 1e-12 => Compensation::TWO_PERCENT,
            a => Compensation::linear(a, reference).unwrap(),
        }
    }

    fn known(&self) -> KnownGood {
        let volts = self.0["inputs"]["known_V"].as_f64();
        let amps = self.0["inputs"]["known_A"].as_f64();
        let watts = self.0["inputs"]["known_W_peak"].as_f64();
        // A row on amps or watts alone leaves the volts open; any will do.
        let volts = volts.unwrap_or(200.0);
        let amps = amps.or(watts.map(|watts| watts / volts));
        KnownGood::new(volts, amps, self.water("known_uScm")).unwrap()
    }
}

fn profile(id: &str) -> Profile {
    Profile::named(id).unwrap()
}

fn limits(profiles: &[Profile], ambient: Option<f64>, temperature: Option<f64>) -> Limits {
    Limits::of(
        profiles,
        WaterNow {
            ambient: ambient.map(|us_cm| Ambient::new(us_cm).unwrap()),
            temperature_c: temperature,
            forecast_max_c: None,
        },
    )
    .unwrap()
}

/// The figure a limit shows, taken from its serialized form, the only way out.
fn shown(limit: Option<&Limit>) -> f64 {
    let limit = serde_json::to_value(limit.unwrap()).unwrap();
    limit["value"].as_f64().unwrap()
}

fn unconfirmed(limit: Option<&Limit>) {
    let text = limit.unwrap().to_string();
    assert!(text.contains("UNCONFIRMED"), "{text}");
}

fn pulsed(volts: f64, hz: f64, ms: f64) -> Setting {
    Setting {
        current: Current::Pulsed,
        peak_v: volts,
        peak_a: None,
        pulse_rate_hz: Some(hz),
        pulse_width_ms: Some(ms),
        duty_percent: None,
    }
}

#[test]
fn every_row_comes_out() {
    let rows: Value = serde_json::from_str(ROWS).unwrap();
    let rows: Vec<Row> = rows["checks"]
        .as_array()
        .unwrap()
        .iter()
        .cloned()
        .map(Row)
        .collect();
    assert_eq!(rows.len(), 62);
    for row in &rows {
        check(row);
    }
}

fn check(row: &Row) {
    match row.0["function"].as_str().unwrap() {
        "ambient_from_specific_linear" => {
            let specific = Specific::new(row.input("specific_uScm"), row.input("ref_c")).unwrap();
            let water =
                ambient_from_specific(specific, row.input("temp_c"), &row.linear()).unwrap();
            row.figure("ambient_uScm", water.value.us_cm());
        }
        "specific_from_ambient_linear" => {
            let (t, r) = (row.input("temp_c"), row.input("ref_c"));
            let here =
                specific_from_ambient(row.water("ambient_uScm"), t, r, &row.linear()).unwrap();
            row.figure("specific_uScm", here.value.us_cm());
        }
        "specific_range_over_alpha" => {
            assert!((row.input("alpha_min") - NATURAL_COEFFICIENTS.0).abs() < 1e-12);
            assert!((row.input("alpha_max") - NATURAL_COEFFICIENTS.1).abs() < 1e-12);
            let (t, r) = (row.input("temp_c"), row.input("ref_c"));
            let formula = Compensation::STANDARD_METHODS;
            let here = specific_from_ambient(row.water("ambient_uScm"), t, r, &formula).unwrap();
            row.figure("specific_low_uScm", here.low_us_cm);
            row.figure("specific_high_uScm", here.high_us_cm);
        }
        "ambient_from_specific_exponential" => {
            // From memory: held to saying so, and to the arithmetic of the form as written.
            let specific = Specific::new(row.input("specific_uScm"), row.input("ref_c")).unwrap();
            let formula = Compensation::exponential().unwrap();
            let here = ambient_from_specific(specific, row.input("temp_c"), &formula).unwrap();
            row.figure("ambient_uScm", here.value.us_cm());
            assert!(here.formula.contains("UNCONFIRMED"), "{}", here.formula);
            assert!(
                here.cautions
                    .iter()
                    .any(|c| c.code() == "unconfirmed_formula")
            );
        }
        "linear_denominator_guard" => {
            let specific = Specific::new(100.0, row.input("ref_c")).unwrap();
            let refused = ambient_from_specific(specific, row.input("temp_c"), &row.linear());
            assert_eq!(
                refused.unwrap_err().code(),
                row.expected("error").as_str().unwrap()
            );
        }
        "power_multiplier" => row.figure(
            "multiplier",
            multiplier(row.water("water_uScm"), row.fish()),
        ),
        "transfer_fraction" => {
            row.figure(
                "fraction",
                transferred_share(row.water("water_uScm"), row.fish()),
            );
        }
        "voltage_goal" => {
            let goal = goal(&row.known(), row.water("new_uScm"), row.fish());
            row.figure("volts", goal.peak_v);
        }
        "current_goal" => {
            let goal = goal(&row.known(), row.water("new_uScm"), row.fish());
            row.figure("amps", goal.peak_a.unwrap());
        }
        "power_goal" => {
            let goal = goal(&row.known(), row.water("new_uScm"), row.fish());
            row.figure("watts_peak", goal.peak_w.unwrap());
        }
        "min_conductivity_under_voltage_cap" => {
            let waters =
                workable_under_volts(&row.known(), row.fish(), row.input("cap_V")).unwrap();
            row.figure("water_uScm", waters.from_us_cm.unwrap());
            assert_eq!(waters.to_us_cm, None);
        }
        "power_density" => {
            let here = power_density_uw_cm3(row.water("water_uScm"), row.input("gradient_Vcm"));
            row.figure("uW_per_cm3", here.unwrap());
        }
        "gradient_from_power_density" => {
            let density = row.input("uW_per_cm3");
            let here = gradient_from_power_density_v_cm(row.water("water_uScm"), density);
            row.figure("gradient_Vcm", here.unwrap());
        }
        "duty_cycle" => {
            let here = duty(row.input("freq_hz"), row.input("pulse_width_us") / 1_000.0);
            match row.0["expected"]["error"].as_str() {
                Some(code) => assert_eq!(here.unwrap_err().code(), code),
                None => row.figure("duty_fraction", here.unwrap()),
            }
        }
        "pulse_width_from_duty" => {
            let here = width_ms(row.input("freq_hz"), row.input("duty_fraction"));
            row.figure("pulse_width_ms", here.unwrap());
        }
        "peak_power_from_mean" => {
            assert_eq!(row.0["inputs"]["waveform"], "rectangular");
            let here = peak_from_mean_w(row.input("mean_W"), row.input("duty_fraction"));
            row.figure("peak_W", here.unwrap());
        }
        "rms_and_mean_rectangular" => {
            let (volts, duty) = (row.input("peak_V"), row.input("duty_fraction"));
            let here = output(Current::Pulsed, volts, None, duty).unwrap();
            row.figure("mean_V", here.mean_v);
            row.figure("rms_V", here.rms_v);
        }
        "electrode_resistance_scale" => {
            let at = row.water("at_uScm");
            let gear = Electrodes::from_reading(row.input("r_ohm"), 1.0, at).unwrap();
            row.figure("r_ohm", gear.ohm(row.water("new_uScm")));
        }
        "output_from_r100" => {
            let gear = Electrodes::new(row.input("r100_ohm")).unwrap();
            assert_eq!(gear, Electrodes::LOOP_AND_TRAILING_CATHODE);
            let (volts, duty) = (row.input("peak_V"), row.input("duty_fraction"));
            let draw = expected_draw(gear, row.water("water_uScm"), volts, duty).unwrap();
            row.figure("r_ohm", draw.resistance_ohm);
            row.figure("peak_A", draw.peak_a);
            row.figure("peak_W", draw.peak_w);
            row.figure("mean_W", draw.mean_w);
        }
        "thin_ring_resistance_full_space" => {
            let ring = Ring::new(row.input("ring_radius_m"), row.input("rod_radius_m")).unwrap();
            let water = row.water("water_uScm");
            row.figure("r_ohm", ring.resistance_ohm(water, RingDepth::Deep));
        }
        "axial_gradient_ring_at_surface" => {
            let ring = Ring::new(row.input("ring_radius_m"), 0.005).unwrap();
            let (amps, distance) = (row.input("amps"), row.input("distance_m"));
            let here = ring
                .gradient_v_cm(row.water("water_uScm"), amps, distance)
                .unwrap();
            row.figure("gradient_Vcm", here.gradient_v_cm);
        }
        "gradient_in_stunning_window" => {
            assert!((row.input("low") - USEFUL_GRADIENT_V_CM.0).abs() < 1e-12);
            assert!((row.input("high") - USEFUL_GRADIENT_V_CM.1).abs() < 1e-12);
            let here = useful_gradient(row.input("gradient_Vcm")).unwrap();
            assert_eq!(here, row.expected("inside").as_bool().unwrap());
        }
        "nmfs_max_voltage" => {
            let limits = limits(&[profile("nmfs_2000")], Some(row.input("water_uScm")), None);
            let cap = limits.strictest(Quantity::PeakV, Rule::AtMost);
            row.figure("max_V", shown(cap));
            unconfirmed(cap);
        }
        "nmfs_other_limits" => nmfs_other_limits(row),
        "nmfs_temperature_gate" => {
            let water = WaterNow {
                ambient: None,
                temperature_c: Some(row.input("water_c")),
                forecast_max_c: row.0["inputs"]["forecast_max_c"].as_f64(),
            };
            let limits = Limits::of(&[profile("nmfs_2000")], water).unwrap();
            let stop = !limits.check(None).unwrap().breaches.is_empty();
            assert_eq!(
                stop,
                row.expected("stop").as_bool().unwrap(),
                "{}",
                row.id()
            );
            unconfirmed(limits.strictest(Quantity::TemperatureC, Rule::AtMost));
        }
        "california_coastal_gate" => {
            let coast = [profile("nmfs_2000"), profile("nmfs_2000_california_coast")];
            let limits = limits(&coast, Some(row.input("water_uScm")), None);
            let check = limits.check(None).unwrap();
            let stop = check
                .breaches
                .iter()
                .any(|b| b.code() == "over_ambient_us_cm");
            assert_eq!(stop, row.expected("stop").as_bool().unwrap());
            let cap = limits.strictest(Quantity::PeakV, Rule::AtMost);
            row.figure("max_V_if_allowed", shown(cap));
            unconfirmed(cap);
        }
        "permit_profile_check" => {
            let limits = limits(&[profile("fish_relocation_measure")], None, None);
            let setting = pulsed(
                row.input("volts"),
                row.input("hz"),
                row.input("pulse_width_ms"),
            );
            let check = limits.check(Some(&setting)).unwrap();
            let mut broken: Vec<&str> = (check.breaches.iter())
                .map(|breach| match breach.limit().quantity() {
                    Quantity::PeakV => "volts",
                    Quantity::PulseWidthMs => "pulse_width",
                    Quantity::PulseRateHz => "frequency",
                    other => panic!("{other:?} isn't limited there"),
                })
                .collect();
            broken.sort_unstable();
            let mut expected: Vec<&str> = (row.expected("violations").as_array().unwrap().iter())
                .map(|name| name.as_str().unwrap())
                .collect();
            expected.sort_unstable();
            assert_eq!(broken, expected, "{}", row.id());
        }
        "low_conductivity_flag" | "model_range_flag" => {
            let flag = row.expected("flag").as_str().unwrap();
            let cautions = row.water("water_uScm").cautions();
            assert!(cautions.iter().any(|c| c.code() == flag), "{}", row.id());
        }
        "stricter_of_profiles" => {
            let both = [
                ("agency", row.input("agency_max_V")),
                ("permit", row.input("permit_max_V")),
            ];
            let both = both.map(|(name, volts)| volts_profile(name, volts));
            let limits = limits(&both, None, None);
            let cap = limits.strictest(Quantity::PeakV, Rule::AtMost);
            row.figure("max_V", shown(cap));
            assert_eq!(cap.unwrap().profile(), "permit");
        }
        "min_glove_class" => {
            let rule = match row.0["inputs"]["kind"].as_str().unwrap() {
                "ac" => GloveRule::AcAgainstPeak,
                _ => GloveRule::DcAgainstPeak,
            };
            let advice = glove_class(row.input("max_use_V"), rule).unwrap();
            assert_eq!(
                advice.class.class,
                row.expected("class").as_str().unwrap(),
                "{}",
                row.id()
            );
        }
        "settings_review_trigger" => recovery(row),
        other => panic!("no check for {other}"),
    }
}

fn volts_profile(name: &str, volts: f64) -> Profile {
    Profile::from_json(&format!(
        r#"{{"id": "{name}", "name": "{name}", "source": "entered", "date": "2026", "basis": "read_in_source",
            "lines": [{{"quantity": "peak_v", "rule": "at_most", "value": {volts}}}]}}"#
    ))
    .unwrap()
}

fn nmfs_other_limits(row: &Row) {
    let limits = limits(&[profile("nmfs_2000")], Some(200.0), None);
    let lines = [
        ("initial_V", Quantity::PeakV, Rule::StartAt, 1.0),
        (
            "initial_pulse_width_us",
            Quantity::PulseWidthMs,
            Rule::StartAt,
            1_000.0,
        ),
        ("initial_hz", Quantity::PulseRateHz, Rule::StartAt, 1.0),
        (
            "max_pulse_width_ms",
            Quantity::PulseWidthMs,
            Rule::AtMost,
            1.0,
        ),
        ("max_hz", Quantity::PulseRateHz, Rule::AtMost, 1.0),
        (
            "injury_caution_above_hz",
            Quantity::PulseRateHz,
            Rule::CautionAbove,
            1.0,
        ),
    ];
    for (name, quantity, rule, scale) in lines {
        let limit = limits.strictest(quantity, rule);
        row.figure(name, scale * shown(limit));
        unconfirmed(limit);
    }
}

fn recovery(row: &Row) {
    let limits = limits(&[profile("recovery_proposed")], None, None);
    let limit = limits.strictest(Quantity::UprightS, Rule::AtMost);
    assert!((shown(limit) - row.input("recovery_limit_s")).abs() < 1e-12);
    unconfirmed(limit);
    let times: Vec<f64> = serde_json::from_value(row.0["inputs"]["recovery_s"].clone()).unwrap();
    let count = |name: &str| serde_json::from_value::<u32>(row.0["inputs"][name].clone()).unwrap();
    let signs = Signs {
        brands: count("brands"),
        bent_or_bleeding: 0,
        deaths: count("mortalities"),
    };
    let here = review_recovery(&times, signs, &limits).unwrap();
    assert_eq!(here.review, row.expected("review").as_bool().unwrap());
    let reasons = serde_json::to_value(&here.reasons).unwrap();
    assert_eq!(&reasons, row.expected("reasons"), "{}", row.id());
}
