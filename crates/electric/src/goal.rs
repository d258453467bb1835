//! Owns the goal for volts, amps and watts in new water, from one setting known to be good.

use crate::coded::coded;
use crate::conductivity::Ambient;
use crate::fish::FishConductivity;
use crate::mismatch::multiplier;
use crate::range::{AMPS, CAP_VOLTS, OutOfRange, VOLTS, WATTS};
use crate::significant::{figure, maybe_figure};
use serde::Serialize;
use thiserror::Error;

/// Why a goal can't be worked out.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum GoalError {
    /// A figure outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// A band whose ends are crossed.
    #[error("a band of fish conductivity must rise from its least to its greatest value")]
    BandOutOfOrder,
    /// A cap below what any water needs.
    #[error(
        "no water of any conductivity brings the goal down to {cap} {unit}: find a good setting under the cap, or use other electrodes"
    )]
    NoWaterUnderCap {
        /// The cap.
        cap: f64,
        /// Its unit.
        unit: &'static str,
    },
    /// A current or power goal from a setting that has none.
    #[error("the setting known to be good has no current: read the amps with the volts")]
    NoCurrentKnown,
}

impl GoalError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
            Self::BandOutOfOrder => "band_out_of_order",
            Self::NoWaterUnderCap { .. } => "no_water_under_cap",
            Self::NoCurrentKnown => "no_current_known",
        }
    }
}

coded!(GoalError);

/// A setting that held fish well and let them recover, with the water it was found in. Peak values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct KnownGood {
    #[serde(serialize_with = "figure")]
    peak_v: f64,
    #[serde(serialize_with = "maybe_figure")]
    peak_a: Option<f64>,
    water: Ambient,
}

impl KnownGood {
    /// Takes peak volts, peak amps where they were read, and the ambient conductivity of that water.
    ///
    /// # Errors
    /// Volts outside 1 to 2000, amps outside 0.001 to 200.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn new(peak_v: f64, peak_a: Option<f64>, water: Ambient) -> Result<Self, GoalError> {
        Ok(Self {
            peak_v: VOLTS.take(peak_v)?,
            peak_a: AMPS.take_if(peak_a)?,
            water,
        })
    }

    /// Peak volts.
    #[must_use]
    pub fn peak_v(self) -> f64 {
        self.peak_v
    }

    /// Peak amps.
    #[must_use]
    pub fn peak_a(self) -> Option<f64> {
        self.peak_a
    }

    /// Peak watts, `V I`.
    #[must_use]
    pub fn peak_w(self) -> Option<f64> {
        self.peak_a.map(|amps| self.peak_v * amps)
    }

    /// The water it was found in.
    #[must_use]
    pub fn water(self) -> Ambient {
        self.water
    }
}

/// What the model asks for in new water, for one effective conductivity of fish. Peak values.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Goal {
    /// Effective conductivity of fish it was worked out for.
    pub fish: FishConductivity,
    /// Peak volts.
    #[serde(serialize_with = "figure")]
    pub peak_v: f64,
    /// Peak amps; `None` where the known setting has none.
    #[serde(serialize_with = "maybe_figure")]
    pub peak_a: Option<f64>,
    /// Peak watts; `None` where the known setting has no amps.
    #[serde(serialize_with = "maybe_figure")]
    pub peak_w: Option<f64>,
    /// Resistance of the electrodes that follows, ohm.
    #[serde(serialize_with = "maybe_figure")]
    pub resistance_ohm: Option<f64>,
    /// Power multiplier in the new water, 1 at a match.
    #[serde(serialize_with = "figure")]
    pub multiplier: f64,
}

/// Volts, amps and watts in new water that give fish the power density a known good setting gave them.
///
/// # Formula
///
/// ```text
/// V2 = V1 (1 + cf/c2) / (1 + cf/c1)
/// I2 = I1 (cf + c2) / (cf + c1)
/// P2 = P1 M(c2) / M(c1) = V2 I2
/// ```
///
/// All peak values; conductivities ambient, µS/cm. Assumes the same electrodes equally deep, the same
/// waveform, the same fish and a resistance that goes as `1 / c`. In soft water volts climb steeply and
/// amps hardly fall; in hard water amps and watts climb and volts hardly fall. Misleads where the known
/// setting was itself too high, and outside 12 to 1030 µS/cm.
///
/// ```
/// use gravelbar_electric::{Ambient, FishConductivity, KnownGood, goal};
/// // Known good where the water matches the fish: 260 V at 115 µS/cm. Today the water has 68.
/// let known = KnownGood::new(260.0, None, Ambient::new(115.0)?)?;
/// let today = goal(&known, Ambient::new(68.0)?, FishConductivity::STANDARD);
/// assert_eq!(format!("{:.0}", today.peak_v), "350");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Source
/// Derived from the power transfer model (Kolz 1989; Miranda and Dolan 2003). No published goal table was
/// readable, so no independent printed row has been matched.
#[must_use]
pub fn goal(known: &KnownGood, water: Ambient, fish: FishConductivity) -> Goal {
    let (c1, c2, cf) = (known.water.us_cm(), water.us_cm(), fish.us_cm());
    // Written with sums first, so that the same water gives a factor of exactly 1.
    let amps_factor = (cf + c2) / (cf + c1);
    let volts_factor = amps_factor * (c1 / c2);
    let peak_v = known.peak_v * volts_factor;
    let peak_a = known.peak_a.map(|amps| amps * amps_factor);
    Goal {
        fish,
        peak_v,
        peak_a,
        peak_w: peak_a.map(|amps| peak_v * amps),
        resistance_ohm: peak_a.map(|amps| peak_v / amps),
        multiplier: multiplier(water, fish),
    }
}

/// Waters in which the goal stays under a cap, µS/cm. `None`: no bound on that side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Workable {
    /// The goal is under the cap from this conductivity up.
    #[serde(serialize_with = "maybe_figure")]
    pub from_us_cm: Option<f64>,
    /// The goal is under the cap up to this conductivity.
    #[serde(serialize_with = "maybe_figure")]
    pub to_us_cm: Option<f64>,
}

/// The lowest conductivity at which the voltage goal stays under a cap:
/// `c* = cf / (cap (1 + cf/c1) / V1 - 1)`.
///
/// Below `c*` say that the goal can't be reached under the cap; never go over the cap.
///
/// ```
/// use gravelbar_electric::{Ambient, FishConductivity, KnownGood, workable_under_volts};
/// let known = KnownGood::new(200.0, None, Ambient::new(100.0)?)?;
/// let waters = workable_under_volts(&known, FishConductivity::STANDARD, 300.0)?;
/// assert!((waters.from_us_cm.unwrap_or_default() - 51.68539).abs() < 1e-4);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A cap outside 1 to 10 000 V; a cap so low that no water brings the goal under it (the goal tends to
/// `V1 / (1 + cf/c1)` in hard water).
///
/// # Source
/// Solved from [`goal()`] for `V2 = cap` (derived).
pub fn workable_under_volts(
    known: &KnownGood,
    fish: FishConductivity,
    cap_v: f64,
) -> Result<Workable, GoalError> {
    let cap = CAP_VOLTS.take(cap_v)?;
    let cf = fish.us_cm();
    let over = cap * (1.0 + cf / known.water.us_cm()) / known.peak_v - 1.0;
    if over <= 0.0 {
        return Err(GoalError::NoWaterUnderCap { cap, unit: "V" });
    }
    Ok(Workable {
        from_us_cm: Some(cf / over),
        to_us_cm: None,
    })
}

/// The highest conductivity at which the current goal stays under a cap: `c* = cap (cf + c1) / I1 - cf`.
///
/// # Errors
/// A cap outside 0.001 to 200 A; a cap so low that no water brings the goal under it; no amps known.
///
/// # Source
/// Solved from [`goal()`] for `I2 = cap` (derived).
pub fn workable_under_amps(
    known: &KnownGood,
    fish: FishConductivity,
    cap_a: f64,
) -> Result<Workable, GoalError> {
    let cap = AMPS.take(cap_a)?;
    let amps = known.peak_a.ok_or(GoalError::NoCurrentKnown)?;
    let cf = fish.us_cm();
    let most = cap * (cf + known.water.us_cm()) / amps - cf;
    if most <= 0.0 {
        return Err(GoalError::NoWaterUnderCap { cap, unit: "A" });
    }
    Ok(Workable {
        from_us_cm: None,
        to_us_cm: Some(most),
    })
}

/// The conductivities between which the peak power goal stays under a cap: with `m = cap M(c1) / P1`,
/// `cf / x` to `cf x` where `x = 2m - 1 + 2 sqrt(m (m - 1))`.
///
/// # Errors
/// A cap outside 0.001 to 400 000 W; a cap under what a match needs (`m < 1`); no amps known.
///
/// # Source
/// Solved from [`goal()`] for `P2 = cap` (derived).
pub fn workable_under_watts(
    known: &KnownGood,
    fish: FishConductivity,
    cap_w: f64,
) -> Result<Workable, GoalError> {
    let cap = WATTS.take(cap_w)?;
    let watts = known.peak_w().ok_or(GoalError::NoCurrentKnown)?;
    let m = cap * multiplier(known.water, fish) / watts;
    if m < 1.0 {
        return Err(GoalError::NoWaterUnderCap { cap, unit: "W" });
    }
    let x = 2.0 * m - 1.0 + 2.0 * libm::sqrt(m * (m - 1.0));
    Ok(Workable {
        from_us_cm: Some(fish.us_cm() / x),
        to_us_cm: Some(fish.us_cm() * x),
    })
}
