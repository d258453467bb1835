//! Owns the formulas that carry a conductivity from one temperature to another.

use crate::caution::Caution;
use crate::conductivity::{Ambient, ConductivityError, Specific};
use crate::range::{BASE, COEFFICIENT, CONDUCTIVITY, REFERENCE, TEMPERATURE};
use crate::significant::{figure, said};
use crate::standing::{Basis, Standing};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::fmt;

/// Least and greatest temperature coefficient of natural waters, per °C at 25 °C.
///
/// # Source
/// Hayashi 2004, Environ. Monit. Assess. (abstract).
pub const NATURAL_COEFFICIENTS: (f64, f64) = (0.0175, 0.0198);

/// A straight line is not followed below this share of its value at the anchor.
const LEAST_RELATIVE: f64 = 0.01;

/// The unconfirmed formula, kept as data.
const EXPONENTIAL: &str = include_str!("../profiles/compensation_exponential.json");

/// How conductivity rises with temperature.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
enum Law {
    /// `1 + coefficient (T - anchor)`.
    Linear {
        /// Share per °C of the conductivity at the anchor.
        coefficient_per_c: f64,
    },
    /// `base ^ (T - anchor)`.
    Exponential {
        /// Factor per °C.
        base_per_c: f64,
    },
}

/// A named formula for temperature compensation.
///
/// The law holds around an anchor, the temperature for which its coefficient was stated. A reading
/// brought to another reference `r` goes through the same curve: `Ca = Cs f(T) / f(r)`, so that a
/// meter set to 20 °C and one set to 25 °C lead to one ambient value. With the reference at the anchor,
/// `f(r) = 1` and this is the textbook form. A meter that applies a coefficient of its own at 20 °C is
/// [`Compensation::linear`] with anchor 20.
///
/// Prints its standing with its name, so an unconfirmed formula can't be shown without saying so.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Compensation {
    id: Cow<'static, str>,
    name: Cow<'static, str>,
    law: Law,
    anchor_c: f64,
    source: Cow<'static, str>,
    basis: Basis,
}

impl Compensation {
    /// Straight line with 0.0191 per °C at 25 °C; the one to use unless the office says otherwise.
    ///
    /// # Source
    /// Standard Methods for the Examination of Water and Wastewater, method 2510 B, as stated in public
    /// function documentation.
    pub const STANDARD_METHODS: Self = Self::fixed(
        "standard_methods_2510b",
        "Standard Methods 2510 B",
        0.0191,
        "Standard Methods for the Examination of Water and Wastewater, method 2510 B, as stated in public function documentation",
    );

    /// Straight line with 2 % per °C at 25 °C.
    ///
    /// # Source
    /// Attributed to US EPA and Standard Methods in public hydrology documentation.
    pub const TWO_PERCENT: Self = Self::fixed(
        "two_percent",
        "2 % per °C",
        0.02,
        "attributed to US EPA and Standard Methods in public hydrology documentation",
    );

    /// Straight line with the mean coefficient of natural waters, 0.0187 per °C at 25 °C.
    ///
    /// # Source
    /// Hayashi 2004, Environ. Monit. Assess. (abstract): error under about 2 % from 10 to 25 °C.
    pub const NATURAL_WATERS: Self = Self::fixed(
        "natural_waters",
        "natural waters, mean",
        0.0187,
        "Hayashi 2004, Environ. Monit. Assess. (abstract)",
    );

    const fn fixed(
        id: &'static str,
        name: &'static str,
        coefficient_per_c: f64,
        source: &'static str,
    ) -> Self {
        Self {
            id: Cow::Borrowed(id),
            name: Cow::Borrowed(name),
            law: Law::Linear { coefficient_per_c },
            anchor_c: 25.0,
            source: Cow::Borrowed(source),
            basis: Basis::ReadInSource,
        }
    }

    /// A meter's own straight line: its coefficient per °C and the temperature it refers to.
    ///
    /// # Errors
    /// A coefficient outside 0.001 to 0.05 per °C; an anchor outside 15 to 30 °C.
    ///
    /// # Source
    /// The meter's manual; bounds are common practice, no source.
    pub fn linear(coefficient_per_c: f64, anchor_c: f64) -> Result<Self, ConductivityError> {
        Ok(Self {
            id: "own_linear".into(),
            name: "a meter's own straight line".into(),
            law: Law::Linear {
                coefficient_per_c: COEFFICIENT.take(coefficient_per_c)?,
            },
            anchor_c: REFERENCE.take(anchor_c)?,
            source: "coefficient as entered from the meter".into(),
            basis: Basis::ReadInSource,
        })
    }

    /// `Ca = Cs / base^(anchor - T)`, for meters or records that use it. Its coefficient is unconfirmed.
    ///
    /// # Errors
    /// The data file of the formula can't be read; a test holds that it can.
    ///
    /// # Source
    /// From memory, unverified: Reynolds 1996, Fisheries Techniques, 2nd ed. Kept in
    /// `profiles/compensation_exponential.json`.
    pub fn exponential() -> Result<Self, serde_json::Error> {
        serde_json::from_str(EXPONENTIAL)
    }

    /// The formula of that id: `standard_methods_2510b`, `two_percent`, `natural_waters` or
    /// `exponential_unconfirmed`.
    #[must_use]
    pub fn named(id: &str) -> Option<Self> {
        [
            Some(Self::STANDARD_METHODS),
            Some(Self::TWO_PERCENT),
            Some(Self::NATURAL_WATERS),
            Self::exponential().ok(),
        ]
        .into_iter()
        .flatten()
        .find(|formula| formula.id == id)
    }

    /// The formula's id for records.
    #[must_use]
    pub fn id(&self) -> &str {
        &self.id
    }

    /// The curve relative to its anchor; refuses where a straight line has reached zero.
    fn relative(&self, temperature_c: f64) -> Result<f64, ConductivityError> {
        let above = temperature_c - self.anchor_c;
        let relative = match self.law {
            Law::Linear { coefficient_per_c } => {
                let relative = 1.0 + COEFFICIENT.take(coefficient_per_c)? * above;
                // A line that all but reaches zero would turn a real reading into an astronomical one.
                if temperature_c.is_finite() && relative < LEAST_RELATIVE {
                    return Err(ConductivityError::NonPositiveDenominator { temperature_c });
                }
                relative
            }
            Law::Exponential { base_per_c } => libm::pow(BASE.take(base_per_c)?, above),
        };
        TEMPERATURE.take(temperature_c)?;
        Ok(relative)
    }
}

impl fmt::Display for Compensation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let anchor = said(self.anchor_c);
        match self.law {
            Law::Linear { coefficient_per_c } => write!(
                f,
                "{}: C(T) = C({anchor}) (1 + {coefficient_per_c} (T - {anchor}))",
                self.name
            )?,
            Law::Exponential { base_per_c } => write!(
                f,
                "{}: C(T) = C({anchor}) {base_per_c}^(T - {anchor})",
                self.name
            )?,
        }
        if self.basis == Basis::ReadInSource {
            Ok(())
        } else {
            write!(f, " ({})", Standing::Unconfirmed(self.basis))
        }
    }
}

/// A conductivity carried to another temperature, and how sure that is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Conversion<C> {
    /// The result by the formula named.
    pub value: C,
    /// The least result over the coefficients of natural waters and the formula itself, µS/cm.
    #[serde(serialize_with = "figure")]
    pub low_us_cm: f64,
    /// The greatest such result, µS/cm.
    #[serde(serialize_with = "figure")]
    pub high_us_cm: f64,
    /// The formula, with its standing where nobody has confirmed it.
    pub formula: String,
    /// Where the formula was read.
    pub source: String,
    /// What to bear in mind.
    pub cautions: Vec<Caution>,
}

/// Brings a specific conductance back to the water as it is: `Ca = Cs f(T) / f(reference)`.
///
/// µS/cm and °C; `f` is the formula's curve, `1 + 0.0191 (T - 25)` by Standard Methods. Use the ambient
/// value for the output: the field follows it. Misleads in water whose salts are unusual, and the
/// further the water is from the reference (10 % and more at 5 °C between formulas).
///
/// ```
/// use gravelbar_electric::{Compensation, Specific, ambient_from_specific};
/// let water = ambient_from_specific(Specific::new(250.0, 25.0)?, 10.0, &Compensation::STANDARD_METHODS)?;
/// assert!((water.value.us_cm() - 178.375).abs() < 0.01);
/// # Ok::<(), gravelbar_electric::ConductivityError>(())
/// ```
///
/// # Errors
/// A temperature outside -5 to 60 °C, or one at which the straight line says that water doesn't conduct.
///
/// # Source
/// As the [`Compensation`] says.
pub fn ambient_from_specific(
    specific: Specific,
    temperature_c: f64,
    formula: &Compensation,
) -> Result<Conversion<Ambient>, ConductivityError> {
    let factor = |formula: &Compensation| {
        Ok(formula.relative(temperature_c)? / formula.relative(specific.reference_c())?)
    };
    let (value, low, high) = converted(specific.us_cm(), formula, factor)?;
    Ok(conversion(
        Ambient::computed(value),
        low,
        high,
        temperature_c,
        formula,
    ))
}

/// Brings an ambient conductivity to a reference temperature: `Cs = Ca f(reference) / f(T)`.
///
/// µS/cm and °C; the reverse of [`ambient_from_specific`], with the same limits.
///
/// ```
/// use gravelbar_electric::{Ambient, Compensation, specific_from_ambient};
/// let specific = specific_from_ambient(Ambient::new(1321.0)?, 25.5, 25.0, &Compensation::STANDARD_METHODS)?;
/// assert!((specific.value.us_cm() - 1308.504).abs() < 0.01);
/// # Ok::<(), gravelbar_electric::ConductivityError>(())
/// ```
///
/// # Errors
/// As [`ambient_from_specific`]; a reference outside 15 to 30 °C.
///
/// # Source
/// As the [`Compensation`] says.
pub fn specific_from_ambient(
    ambient: Ambient,
    temperature_c: f64,
    reference_c: f64,
    formula: &Compensation,
) -> Result<Conversion<Specific>, ConductivityError> {
    REFERENCE.take(reference_c)?;
    let factor = |formula: &Compensation| {
        Ok(formula.relative(reference_c)? / formula.relative(temperature_c)?)
    };
    let (value, low, high) = converted(ambient.us_cm(), formula, factor)?;
    Ok(conversion(
        Specific::computed(value, reference_c),
        low,
        high,
        temperature_c,
        formula,
    ))
}

/// The result by the formula, and the least and greatest over it and the coefficients of natural waters.
fn converted(
    us_cm: f64,
    formula: &Compensation,
    factor: impl Fn(&Compensation) -> Result<f64, ConductivityError>,
) -> Result<(f64, f64, f64), ConductivityError> {
    let us_cm = CONDUCTIVITY.take(us_cm)?;
    let value = us_cm * factor(formula)?;
    let (low, high) = NATURAL_COEFFICIENTS;
    let ends = [
        us_cm * factor(&Compensation::linear(low, 25.0)?)?,
        us_cm * factor(&Compensation::linear(high, 25.0)?)?,
    ];
    Ok((
        value,
        value.min(ends[0]).min(ends[1]),
        value.max(ends[0]).max(ends[1]),
    ))
}

fn conversion<C>(
    value: C,
    low_us_cm: f64,
    high_us_cm: f64,
    temperature_c: f64,
    formula: &Compensation,
) -> Conversion<C> {
    let mut cautions = Vec::new();
    if !(-0.5..=35.0).contains(&temperature_c) {
        cautions.push(Caution::UnusualTemperature { temperature_c });
    }
    if !(10.0..=25.0).contains(&temperature_c) {
        cautions.push(Caution::FarFromReference { temperature_c });
    }
    if formula.basis != Basis::ReadInSource {
        cautions.push(Caution::UnconfirmedFormula(
            "check its coefficient against the source it names",
        ));
    }
    Conversion {
        value,
        low_us_cm,
        high_us_cm,
        formula: formula.to_string(),
        source: formula.source.clone().into_owned(),
        cautions,
    }
}
