//! The limits and the known output that a plan names, as the electric model takes them.

use gravelbar_electric::{Ambient, Limits, Profile, WaterNow};
use gravelbar_visit::{Setting, WaterPlace};

use super::{Bank, Unanswered};

/// The limits in force, as far as they can be looked up.
pub(super) struct InForce {
    /// `None` where the water's figures can't be.
    pub(super) limits: Option<Limits>,
    /// Profiles the plan names and this program doesn't hold.
    pub(super) unknown: Vec<Unanswered>,
}

/// The plan's profiles in the stream as it was last read.
pub(super) fn limits(bank: &Bank<'_>) -> InForce {
    let mut profiles: Vec<Profile> = Vec::new();
    let mut unknown = Vec::new();
    for name in &bank.view.plan.limit_profiles {
        match Profile::named(name) {
            Some(profile) => profiles.push(profile),
            None => unknown.push(Unanswered {
                code: "unknown_profile",
                words: format!(
                    "the plan names limits “{name}” that this program doesn't hold: read them off the permit"
                ),
            }),
        }
    }
    InForce {
        limits: Limits::of(&profiles, water(bank)).ok(),
        unknown,
    }
}

/// Whether two outputs are one as far as the dials tell: amps follow from the water, and a figure
/// that one of them lacks is no difference.
pub(super) fn same_output(a: &Setting, b: &Setting) -> bool {
    let alike = |a: Option<f64>, b: Option<f64>| a.is_none() || b.is_none() || a == b;
    a.pack == b.pack
        && a.waveform == b.waveform
        && alike(Some(a.peak_v), Some(b.peak_v))
        && alike(a.pulse_rate_hz, b.pulse_rate_hz)
        && alike(a.pulse_width_ms, b.pulse_width_ms)
        && alike(a.duty_percent, b.duty_percent)
}

/// Conductivity of the stream as last read, where the meter can have shown it.
pub(super) fn ambient(bank: &Bank<'_>) -> Option<Ambient> {
    newest(bank, |water| water.ambient_us_cm).and_then(|us_cm| Ambient::new(us_cm).ok())
}

fn water(bank: &Bank<'_>) -> WaterNow {
    WaterNow {
        ambient: ambient(bank),
        temperature_c: None,
        forecast_max_c: None,
    }
}

fn newest(bank: &Bank<'_>, pick: fn(&gravelbar_visit::Water) -> Option<f64>) -> Option<f64> {
    (bank.view.water.iter())
        .filter(|w| !w.voided && w.what.place == WaterPlace::Stream)
        .filter_map(|w| Some((w.stamp.lamport, w.stamp.id, pick(&w.what)?)))
        .max_by_key(|(lamport, id, _)| (*lamport, *id))
        .map(|(.., value)| value)
}
