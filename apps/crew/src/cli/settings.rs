//! `gravelbar settings`: where to aim the output in today's water, from one setting known to be
//! good.

use std::path::{Path, PathBuf};

use clap::Args;
use gravelbar_electric::{
    Ambient, CAUTION, Compensation, FishBand, KnownGood, Limits, Profile, Specific, WaterNow,
    ambient_from_specific, goal_band,
};

use super::estimate::json;
use super::{Wrong, say};

#[derive(Args)]
pub(super) struct Settings {
    /// Peak volts of a setting that was good.
    #[arg(long, value_name = "V")]
    volts: f64,
    /// Peak amps the unit showed with it, where known.
    #[arg(long, value_name = "A")]
    amps: Option<f64>,
    /// Ambient conductivity of the water it was good in, µS/cm.
    #[arg(long, value_name = "US_CM")]
    known: f64,
    /// Ambient conductivity of today's water, µS/cm.
    #[arg(long, value_name = "US_CM", required_unless_present = "specific")]
    water: Option<f64>,
    /// Conductivity of today's water brought to 25 °C, µS/cm, if that is what the meter shows; needs
    /// --temperature.
    #[arg(
        long,
        value_name = "US_CM",
        requires = "temperature",
        conflicts_with = "water"
    )]
    specific: Option<f64>,
    /// Temperature of today's water, °C.
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    temperature: Option<f64>,
    /// Limit profiles that apply: names of built-in ones or JSON files; the strictest limit holds.
    #[arg(long, value_name = "PROFILE")]
    limits: Vec<String>,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(settings: &Settings) -> Result<(), Wrong> {
    let ambient = |us_cm: f64| Ambient::new(us_cm).map_err(|e| Wrong::new(e.to_string()));
    let known = KnownGood::new(settings.volts, settings.amps, ambient(settings.known)?)
        .map_err(|e| Wrong::new(e.to_string()))?;
    let mut remark = None;
    let water = match (settings.water, settings.specific, settings.temperature) {
        (Some(water), ..) => ambient(water)?,
        (None, Some(specific), Some(temperature_c)) => {
            let at_25 = Specific::new(specific, 25.0).map_err(|e| Wrong::new(e.to_string()))?;
            let formula = Compensation::STANDARD_METHODS;
            let converted = ambient_from_specific(at_25, temperature_c, &formula)
                .map_err(|e| Wrong::new(e.to_string()))?;
            remark = Some(format!(
                "{specific} µS/cm at 25 °C is about {:.0} µS/cm ambient at {temperature_c} °C (formula {})",
                converted.value.us_cm(),
                formula.id()
            ));
            converted.value
        }
        _ => {
            return Err(Wrong::new(
                "give today's water: --water US_CM for ambient conductivity, or --specific US_CM with --temperature C",
            ));
        }
    };
    let profiles: Vec<Profile> = settings
        .limits
        .iter()
        .map(|name| profile(name))
        .collect::<Result<_, _>>()?;
    let now = WaterNow {
        ambient: Some(water),
        temperature_c: settings.temperature,
        ..WaterNow::default()
    };
    let limits = Limits::of(&profiles, now).map_err(|e| Wrong::new(e.to_string()))?;
    let band = goal_band(&known, water, FishBand::PUBLISHED, &limits);
    if settings.json {
        say(&json(&band)?);
        return Ok(());
    }
    let mut lines: Vec<String> = remark.into_iter().collect();
    lines.push(band.words.clone());
    lines.extend(band.cautions.iter().map(ToString::to_string));
    lines.extend(limits.lines().iter().map(|limit| format!("limit: {limit}")));
    lines.push(CAUTION.to_owned());
    say(&lines.join("\n"));
    Ok(())
}

/// A built-in profile, or one from a file.
fn profile(name: &str) -> Result<Profile, Wrong> {
    if let Some(profile) = Profile::named(name) {
        return Ok(profile);
    }
    let file: PathBuf = Path::new(name).to_owned();
    let text = std::fs::read_to_string(&file).map_err(|_| {
        let built_in = Profile::embedded().unwrap_or_default();
        let known: Vec<&str> = built_in.iter().map(Profile::id).collect();
        let shown: String = name.chars().take(60).collect();
        Wrong::new(format!(
            "--limits: “{shown}” is neither a file nor a built-in profile; built in are {}",
            known.join(", ")
        ))
    })?;
    Profile::from_json(&text).map_err(|e| Wrong::new(format!("--limits {name}: {e}")))
}
