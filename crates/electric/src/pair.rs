//! Owns the question whether an ambient and a specific reading of one water belong together.

use crate::compensation::{Compensation, NATURAL_COEFFICIENTS, specific_from_ambient};
use crate::conductivity::{Ambient, ConductivityError, Specific};
use crate::significant::{figure, said};
use serde::Serialize;

/// How far a pair may stand outside the formulas before it is asked about, as a share (common practice,
/// no source): the two readings are often taken and rounded one after the other.
pub const PAIR_SLACK: f64 = 0.05;

/// How two readings of one water compare.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PairVerdict {
    /// They belong together.
    Agrees,
    /// They would, the other way round.
    PerhapsSwapped,
    /// One of them looks copied from the other.
    PerhapsCopied,
    /// They don't.
    Disagrees,
}

/// An ambient and a specific reading held against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PairCheck {
    /// What was found.
    pub verdict: PairVerdict,
    /// Specific conductance that the ambient reading leads to, least, µS/cm.
    #[serde(serialize_with = "figure")]
    pub expected_low_us_cm: f64,
    /// The greatest such value, µS/cm.
    #[serde(serialize_with = "figure")]
    pub expected_high_us_cm: f64,
    /// In words.
    pub words: String,
}

/// Asks whether an ambient and a specific reading at one temperature belong together.
///
/// Expects the specific value within the range that the ambient one leads to over the coefficients of
/// natural waters and the Standard Methods formula, widened by [`PAIR_SLACK`]. Near the reference the
/// two values coincide, so a swap can't be seen there. Never corrects anything.
///
/// ```
/// use gravelbar_electric::{Ambient, PairVerdict, Specific, check_pair};
/// let check = check_pair(Ambient::new(68.0)?, Specific::new(88.0, 25.0)?, 13.1)?;
/// assert_eq!(check.verdict, PairVerdict::Agrees);
/// let swapped = check_pair(Ambient::new(88.0)?, Specific::new(68.0, 25.0)?, 13.1)?;
/// assert_eq!(swapped.verdict, PairVerdict::PerhapsSwapped);
/// # Ok::<(), gravelbar_electric::ConductivityError>(())
/// ```
///
/// # Errors
/// As [`specific_from_ambient`].
///
/// # Source
/// Formulas as [`Compensation::STANDARD_METHODS`] and [`NATURAL_COEFFICIENTS`]; the slack is common practice, no source.
pub fn check_pair(
    ambient: Ambient,
    specific: Specific,
    temperature_c: f64,
) -> Result<PairCheck, ConductivityError> {
    let formula = Compensation::STANDARD_METHODS;
    let expected = |us_cm: f64| {
        specific_from_ambient(
            Ambient::computed(us_cm),
            temperature_c,
            specific.reference_c(),
            &formula,
        )
    };
    let forward = expected(ambient.us_cm())?;
    let backward = expected(specific.us_cm())?;
    let fits = |value: f64, low: f64, high: f64| {
        value >= low * (1.0 - PAIR_SLACK) && value <= high * (1.0 + PAIR_SLACK)
    };
    let same = (ambient.us_cm() - specific.us_cm()).abs() < 1e-9;
    let verdict = if fits(specific.us_cm(), forward.low_us_cm, forward.high_us_cm) {
        PairVerdict::Agrees
    } else if same {
        PairVerdict::PerhapsCopied
    } else if fits(ambient.us_cm(), backward.low_us_cm, backward.high_us_cm) {
        PairVerdict::PerhapsSwapped
    } else {
        PairVerdict::Disagrees
    };
    let (a, s, t) = (
        said(ambient.us_cm()),
        said(specific.us_cm()),
        said(temperature_c),
    );
    let wanted = format!(
        "{} to {}",
        said(forward.low_us_cm),
        said(forward.high_us_cm)
    );
    let words = match verdict {
        PairVerdict::Agrees => {
            format!("ambient {a} and specific {s} µS/cm at {t} °C belong together")
        }
        PairVerdict::PerhapsSwapped => format!(
            "ambient {a} and specific {s} µS/cm at {t} °C look swapped: look at the meter again"
        ),
        PairVerdict::PerhapsCopied => format!(
            "ambient and specific are both {a} µS/cm at {t} °C, where specific should be about {wanted}: \
             one of them was perhaps copied; does the meter correct for temperature?"
        ),
        PairVerdict::Disagrees => format!(
            "ambient {a} µS/cm at {t} °C leads to specific {wanted} µS/cm (coefficients {} to {} per °C), \
             and {s} is written: measure again",
            NATURAL_COEFFICIENTS.0, NATURAL_COEFFICIENTS.1
        ),
    };
    Ok(PairCheck {
        verdict,
        expected_low_us_cm: forward.low_us_cm,
        expected_high_us_cm: forward.high_us_cm,
        words,
    })
}
