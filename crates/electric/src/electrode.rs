//! Owns the resistance of a set of electrodes and what volts and amps say about it.

use crate::coded::coded;
use crate::conductivity::Ambient;
use crate::range::{AMPS, CURRENT, DUTY, OHMS, OutOfRange, TOLERANCE, VOLTS};
use crate::significant::{figure, said};
use serde::Serialize;
use thiserror::Error;

/// Why a resistance or a field can't be worked out.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum ElectrodeError {
    /// A figure outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// Volts without amps.
    #[error(
        "{volts} V and no current: power off, then look for an electrode out of the water, a bad lead or an open switch"
    )]
    NoCurrent {
        /// Volts shown.
        volts: f64,
    },
    /// The formula for thin rings asked of a thick one.
    #[error(
        "a rod of radius {rod_m} m is too thick for a ring of radius {ring_m} m: the formula holds for rods up to a tenth of the ring"
    )]
    NotThin {
        /// Radius of the ring.
        ring_m: f64,
        /// Radius of its rod.
        rod_m: f64,
    },
}

impl ElectrodeError {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
            Self::NoCurrent { .. } => "no_current",
            Self::NotThin { .. } => "not_thin",
        }
    }
}

coded!(ElectrodeError);

/// The formula of every resistance, for a printed page.
const ELECTRODE_FORMULA: &str = "R = R100 × 100 / c; I = V / R; P = V I; mean W = d V I";

/// What every resistance assumes.
const ELECTRODE_ASSUMES: &str = "The same electrodes, as deep and as far apart as when R100 was learnt, in water that lets the \
field spread as it did; volts and amps both peak or both mean.";

/// Resistance of a whole set of electrodes, anode and cathode, in water of 100 µS/cm.
///
/// One number per set of gear, as deep in the water as it is used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(transparent)]
pub struct Electrodes(#[serde(serialize_with = "figure")] f64);

impl Electrodes {
    /// A backpack loop with a trailing cathode, 255 ohm at 100 µS/cm: an example, not your gear.
    ///
    /// # Source
    /// Electrical net size for loops, practitioners' article, 4 January 2018.
    pub const LOOP_AND_TRAILING_CATHODE: Self = Self(255.0);

    /// Takes the resistance at 100 µS/cm, ohm.
    ///
    /// # Errors
    /// A resistance outside 0.01 to 1 000 000 ohm.
    ///
    /// # Source
    /// Bounds: common practice, no source.
    pub fn new(ohm_at_100: f64) -> Result<Self, ElectrodeError> {
        Ok(Self(OHMS.take(ohm_at_100)?))
    }

    /// Learns it from one reading: `R100 = V / I × c / 100`.
    ///
    /// Volts and amps both peak or both mean, read with the electrodes as they are used.
    ///
    /// ```
    /// use gravelbar_electric::{Ambient, Electrodes};
    /// let gear = Electrodes::from_reading(200.0, 0.8, Ambient::new(100.0)?)?;
    /// assert!((gear.ohm_at_100() - 250.0).abs() < 1e-9);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// Volts outside 1 to 2000, amps outside 0.001 to 200.
    ///
    /// # Source
    /// Ohm's law; fixed geometry makes resistance go as `1 / c` (derived).
    pub fn from_reading(volts: f64, amps: f64, water: Ambient) -> Result<Self, ElectrodeError> {
        Ok(Self(
            VOLTS.take(volts)? / AMPS.take(amps)? * (water.us_cm() / 100.0),
        ))
    }

    /// Resistance at 100 µS/cm, ohm.
    #[must_use]
    pub fn ohm_at_100(self) -> f64 {
        self.0
    }

    /// Resistance in other water, ohm: `R = R100 × 100 / c`.
    ///
    /// Misleads in water too shallow or narrow for the field to spread as it did.
    ///
    /// # Source
    /// Fixed geometry makes resistance go as `1 / c` (derived).
    #[must_use]
    pub fn ohm(self, water: Ambient) -> f64 {
        self.0 * 100.0 / water.us_cm()
    }
}

/// What a set of electrodes should draw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ExpectedDraw {
    /// Resistance, ohm.
    #[serde(serialize_with = "figure")]
    pub resistance_ohm: f64,
    /// Peak amps.
    #[serde(serialize_with = "figure")]
    pub peak_a: f64,
    /// Peak watts.
    #[serde(serialize_with = "figure")]
    pub peak_w: f64,
    /// Mean watts for square pulses.
    #[serde(serialize_with = "figure")]
    pub mean_w: f64,
    /// The formula.
    pub formula: &'static str,
    /// What this assumes.
    pub assumes: &'static str,
}

/// What a set of electrodes should draw at a voltage: `I = V / R`, `P = V I`, `mean W = d V I`.
///
/// ```
/// use gravelbar_electric::{Ambient, Electrodes, expected_draw};
/// let draw = expected_draw(Electrodes::LOOP_AND_TRAILING_CATHODE, Ambient::new(327.0)?, 150.0, 0.25)?;
/// assert_eq!(format!("{:.1} ohm {:.2} A {:.0} W {:.0} W", draw.resistance_ohm, draw.peak_a, draw.peak_w, draw.mean_w),
///            "78.0 ohm 1.92 A 289 W 72 W");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Volts outside 1 to 2000; a duty outside 0.0001 to 1.
///
/// # Source
/// Ohm's law; resistance, voltage and conductivity of the example from Electrical net size for loops (practitioners' article, 2018).
pub fn expected_draw(
    electrodes: Electrodes,
    water: Ambient,
    peak_v: f64,
    duty: f64,
) -> Result<ExpectedDraw, ElectrodeError> {
    let (peak_v, duty) = (VOLTS.take(peak_v)?, DUTY.take(duty)?);
    let resistance_ohm = electrodes.ohm(water);
    let peak_a = peak_v / resistance_ohm;
    let peak_w = peak_v * peak_a;
    Ok(ExpectedDraw {
        resistance_ohm,
        peak_a,
        peak_w,
        mean_w: duty * peak_w,
        formula: ELECTRODE_FORMULA,
        assumes: ELECTRODE_ASSUMES,
    })
}

/// How far the live resistance may stand from the expected one, as a share either way, before it is
/// asked about. Proposed by this project, no source; a safety officer may set another.
pub const PROPOSED_TOLERANCE: f64 = 0.5;

/// What volts and amps say about the electrodes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LiveVerdict {
    /// As expected.
    AsExpected,
    /// More resistance than expected.
    TooHigh,
    /// Less resistance than expected.
    TooLow,
    /// Fits if the display shows mean amps beside peak volts.
    MeanAmpsPerhaps,
}

/// Volts and amps of the display held against what the electrodes should draw.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LiveCheck {
    /// What was found.
    pub verdict: LiveVerdict,
    /// `V / I` of the display, ohm.
    #[serde(serialize_with = "figure")]
    pub live_ohm: f64,
    /// Expected resistance in this water, ohm.
    #[serde(serialize_with = "figure")]
    pub expected_ohm: f64,
    /// Live over expected.
    #[serde(serialize_with = "figure")]
    pub ratio: f64,
    /// The formula.
    pub formula: &'static str,
    /// What this assumes.
    pub assumes: &'static str,
    /// In words.
    pub words: String,
}

/// Holds the live resistance `V / I` against `R100 × 100 / c` for the gear.
///
/// Flags a ratio outside `1 ± tolerance`. Volts and amps both peak or both mean; with a `duty` it also
/// sees whether mean amps were read beside peak volts, in which case `V / I` comes out `1 / d` too high.
/// Depth, bed and distance between the electrodes all move the resistance: a hint, not a fault finder.
///
/// ```
/// use gravelbar_electric::{Ambient, Electrodes, LiveVerdict, PROPOSED_TOLERANCE, live_check};
/// let gear = Electrodes::new(250.0)?;
/// let check = live_check(gear, Ambient::new(100.0)?, 200.0, 0.3, None, PROPOSED_TOLERANCE)?;
/// assert_eq!(check.verdict, LiveVerdict::TooHigh);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// Volts with no current at all; volts outside 1 to 2000, amps outside 0 to 200, a duty outside 0.0001 to 1, a
/// tolerance outside 0.01 to 0.99.
///
/// # Source
/// Ohm's law (derived); causes and tolerance are proposed by this project, no source.
pub fn live_check(
    electrodes: Electrodes,
    water: Ambient,
    volts: f64,
    amps: f64,
    duty: Option<f64>,
    tolerance: f64,
) -> Result<LiveCheck, ElectrodeError> {
    let (volts, amps) = (VOLTS.take(volts)?, CURRENT.take(amps)?);
    // Below what any display shows, the quotient says nothing more than that no current flows.
    if AMPS.take(amps).is_err() {
        return Err(ElectrodeError::NoCurrent { volts });
    }
    let live_ohm = volts / amps;
    let tolerance = TOLERANCE.take(tolerance)?;
    let duty = DUTY.take_if(duty)?;
    let expected_ohm = electrodes.ohm(water);
    let ratio = live_ohm / expected_ohm;
    let fits = |ratio: f64| ratio >= 1.0 - tolerance && ratio <= 1.0 + tolerance;
    let verdict = if fits(ratio) {
        LiveVerdict::AsExpected
    } else if ratio > 1.0 && duty.is_some_and(|duty| fits(ratio * duty)) {
        LiveVerdict::MeanAmpsPerhaps
    } else if ratio > 1.0 {
        LiveVerdict::TooHigh
    } else {
        LiveVerdict::TooLow
    };
    let compared = format!(
        "{} V and {} A are {} ohm; about {} ohm is expected at {} µS/cm",
        said(volts),
        said(amps),
        said(live_ohm),
        said(expected_ohm),
        said(water.us_cm())
    );
    let words = match verdict {
        LiveVerdict::AsExpected => format!("{compared}: as expected"),
        LiveVerdict::TooHigh => format!(
            "{compared}: too high. Power off, then look for an electrode out of the water, corrosion, \
             or a bad lead, and check that the conductivity is the ambient one"
        ),
        LiveVerdict::TooLow => format!(
            "{compared}: too low. Power off, then look for metal touching an electrode, \
             and check that the conductivity is the ambient one"
        ),
        LiveVerdict::MeanAmpsPerhaps => format!(
            "{compared}: too high for peak amps, right for mean amps. Does the display show mean amps? \
             If not, power off and look for an electrode out of the water, corrosion or a bad lead"
        ),
    };
    Ok(LiveCheck {
        verdict,
        live_ohm,
        expected_ohm,
        ratio,
        formula: ELECTRODE_FORMULA,
        assumes: ELECTRODE_ASSUMES,
        words,
    })
}
