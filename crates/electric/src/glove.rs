//! Owns the rated voltage of rubber insulating gloves.

use crate::caution::Caution;
use crate::coded::coded;
use crate::range::{GLOVE_VOLTS, OutOfRange};
use crate::significant::plain;
use serde::Serialize;
use thiserror::Error;

/// One class of rubber insulating gloves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct GloveClass {
    /// The class as printed on the label.
    pub class: &'static str,
    /// Colour of the label.
    pub label: &'static str,
    /// Most volts in use, AC.
    pub ac_v: u32,
    /// Most volts in use, DC.
    pub dc_v: u32,
}

const fn class(class: &'static str, label: &'static str, ac_v: u32, dc_v: u32) -> GloveClass {
    GloveClass {
        class,
        label,
        ac_v,
        dc_v,
    }
}

/// The classes, lowest first.
///
/// # Source
/// AC: 29 CFR 1910.137. DC and label colours: ASTM D120 table as reproduced in trade pages.
pub const GLOVE_CLASSES: [GloveClass; 6] = [
    class("00", "beige", 500, 750),
    class("0", "red", 1_000, 1_500),
    class("1", "white", 7_500, 11_250),
    class("2", "yellow", 17_000, 25_500),
    class("3", "green", 26_500, 39_750),
    class("4", "orange", 36_000, 54_000),
];

/// Where the ratings come from.
const GLOVE_SOURCE: &str =
    "29 CFR 1910.137 (AC); ASTM D120 table as reproduced in trade pages (DC, label colours)";

/// Which rating is held against the peak voltage.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GloveRule {
    /// The AC rating against the peak: the cautious choice proposed by this project, for the safety officer to decide.
    AcAgainstPeak,
    /// The DC rating against the peak.
    DcAgainstPeak,
}

/// Why no glove class can be named.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum GloveRefusal {
    /// A figure outside its bounds.
    #[error(transparent)]
    OutOfRange(#[from] OutOfRange),
    /// More than any class is rated for.
    #[error("no glove class is rated for {peak_v} V: check the figure")]
    NoClass {
        /// The peak voltage.
        peak_v: f64,
    },
}

impl GloveRefusal {
    /// The reason as one word for machines.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::OutOfRange(_) => "out_of_range",
            Self::NoClass { .. } => "no_class",
        }
    }
}

coded!(GloveRefusal);

/// The lowest glove class rated for a peak voltage.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GloveAdvice {
    /// The class.
    pub class: GloveClass,
    /// Which rating was used.
    pub rule: GloveRule,
    /// Where the ratings come from.
    pub source: &'static str,
    /// In words.
    pub words: String,
    /// What to bear in mind.
    pub cautions: Vec<Caution>,
}

/// The lowest glove class whose rating covers a peak voltage.
///
/// Give the highest peak voltage the unit *can* make, not the one set today. Pulsed DC is neither plain
/// AC nor DC, so which rating counts is a rule for the safety officer. Says nothing about the test date.
///
/// ```
/// use gravelbar_electric::{GloveRule, glove_class};
/// assert_eq!(glove_class(1100.0, GloveRule::AcAgainstPeak)?.class.class, "1");
/// assert_eq!(glove_class(1100.0, GloveRule::DcAgainstPeak)?.class.class, "0");
/// # Ok::<(), gravelbar_electric::GloveRefusal>(())
/// ```
///
/// # Errors
/// Volts outside 0 to 1 000 000; volts beyond every class.
///
/// # Source
/// As [`GLOVE_CLASSES`]; the AC rule is proposed by this project.
pub fn glove_class(peak_v: f64, rule: GloveRule) -> Result<GloveAdvice, GloveRefusal> {
    let peak_v = GLOVE_VOLTS.take(peak_v)?;
    let rating = |class: &GloveClass| match rule {
        GloveRule::AcAgainstPeak => class.ac_v,
        GloveRule::DcAgainstPeak => class.dc_v,
    };
    let class = (GLOVE_CLASSES.into_iter())
        .find(|class| f64::from(rating(class)) >= peak_v)
        .ok_or(GloveRefusal::NoClass { peak_v })?;
    let (kind, cautions) = match rule {
        GloveRule::AcAgainstPeak => ("AC", vec![Caution::SafetyOfficer]),
        GloveRule::DcAgainstPeak => ("DC", vec![Caution::DcRating, Caution::SafetyOfficer]),
    };
    Ok(GloveAdvice {
        class,
        rule,
        source: GLOVE_SOURCE,
        words: format!(
            "class {} gloves ({} label), rated {} V {kind}, for up to {} V peak",
            class.class,
            class.label,
            rating(&class),
            plain(peak_v)
        ),
        cautions,
    })
}
