//! The energiser: output settings, trial steps, batteries and faults.

use serde::{Deserialize, Serialize};

use super::{Check, FactError, number, number_if, words};
use crate::names::{Pack, SpeciesName};

/// The shape of the current (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Waveform {
    /// Smooth direct current.
    DirectCurrent,
    /// Pulsed direct current.
    PulsedDirectCurrent,
    /// Pulsed direct current in bursts.
    BurstsOfPulses,
    /// Alternating current.
    AlternatingCurrent,
}

/// The output a pack is set to from now on, in numbers rather than dial words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Setting {
    /// Which pack.
    pub pack: Pack,
    /// The shape of the current.
    pub waveform: Waveform,
    /// Peak volts.
    pub peak_v: f64,
    /// Pulses a second, Hz; left out for smooth current.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pulse_rate_hz: Option<f64>,
    /// Length of a pulse, ms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pulse_width_ms: Option<f64>,
    /// Share of the time the current flows, percent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub duty_percent: Option<f64>,
    /// Amps the unit shows.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_a: Option<f64>,
    /// Diameter of the anode ring, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ring_mm: Option<f64>,
}

/// What a fish did when the current came (common practice, no source).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reaction {
    /// Nothing.
    None,
    /// Twitched.
    Twitch,
    /// Swam to the anode.
    Drawn,
    /// Rolled over.
    Rolled,
    /// Went stiff.
    Rigid,
}

/// One step of tuning: an output, the fish watched, and how it recovered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trial {
    /// The output tried.
    pub setting: Setting,
    /// What the fish did.
    pub reaction: Reaction,
    /// How far from the ring it was drawn, m.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<f64>,
    /// Seconds until it held itself upright.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub upright_s: Option<f64>,
    /// The species watched.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub species: Option<SpeciesName>,
    /// Its length, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_mm: Option<f64>,
    /// Injuries seen, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub injury: Option<String>,
}

/// What happened to the gear.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GearKind {
    /// A battery was changed.
    BatteryChanged,
    /// Something failed.
    Fault,
    /// It was mended.
    Mended,
    /// Disinfected between waters.
    Disinfected,
}

/// A battery swap, a fault, a repair.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct GearEvent {
    /// Which pack, or another piece of gear by name.
    pub pack: Pack,
    /// What happened.
    pub event: GearKind,
    /// Details.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub words: Option<String>,
}

impl Check for Setting {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.pack.check()?;
        number("the peak voltage", self.peak_v, "V", 1.0, 2_000.0)?;
        number_if("the pulse rate", self.pulse_rate_hz, "Hz", 0.1, 1_000.0)?;
        number_if("the pulse width", self.pulse_width_ms, "ms", 0.01, 1_000.0)?;
        number_if("the duty cycle", self.duty_percent, "%", 0.01, 100.0)?;
        number_if("the current", self.current_a, "A", 0.0, 200.0)?;
        number_if("the ring", self.ring_mm, "mm", 10.0, 2_000.0)?;
        let pulsed = matches!(
            self.waveform,
            Waveform::PulsedDirectCurrent | Waveform::BurstsOfPulses
        );
        if pulsed && self.pulse_rate_hz.is_none() {
            return Err(FactError::Incomplete(
                "pulsed current needs its pulse rate in Hz",
            ));
        }
        if let (Some(rate), Some(width)) = (self.pulse_rate_hz, self.pulse_width_ms)
            && rate * width > 1_000.0
        {
            return Err(FactError::Incomplete(
                "the pulses are longer than the time between them: check Hz and ms",
            ));
        }
        Ok(())
    }
}

impl Check for Trial {
    fn check(&self, why: Option<&str>) -> Result<(), FactError> {
        self.setting.check(why)?;
        if let Some(species) = &self.species {
            species.check()?;
        }
        number_if("the distance", self.distance_m, "m", 0.0, 20.0)?;
        number_if("the recovery", self.upright_s, "s", 0.0, 3_600.0)?;
        number_if("the length", self.length_mm, "mm", 1.0, 3_000.0)?;
        if let Some(injury) = &self.injury {
            words(injury, "the injury")?;
        }
        Ok(())
    }
}

impl Check for GearEvent {
    fn check(&self, _why: Option<&str>) -> Result<(), FactError> {
        self.pack.check()?;
        if let Some(text) = &self.words {
            words(text, "the remark")?;
        }
        Ok(())
    }
}
