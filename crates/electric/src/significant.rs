//! Owns the rounding of reported figures, so that every machine prints the same digits.

use serde::Serializer;

/// Rounds a figure to six significant digits, the form in which every figure here is serialized.
///
/// Field meters hold three digits at best; six keep every digit that could matter and drop the
/// last bits. Goes through decimal text, which Rust formats and reads exactly.
///
/// ```
/// use gravelbar_electric::six_digits;
/// assert_eq!(six_digits(349.852_941_2), 349.853);
/// ```
///
/// # Source
/// Common practice, no source.
#[must_use]
pub fn six_digits(figure: f64) -> f64 {
    // A formatted float always reads back; the figure itself is the fallback only to satisfy the type.
    format!("{figure:.5e}").parse().unwrap_or(figure)
}

pub(crate) fn figure<S: Serializer>(figure: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_f64(six_digits(*figure))
}

pub(crate) fn maybe_figure<S: Serializer>(
    figure: &Option<f64>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    match figure {
        Some(figure) => serializer.serialize_some(&six_digits(*figure)),
        None => serializer.serialize_none(),
    }
}

/// A number as it is said to a crew: four significant digits, no exponent, no trailing zeros.
pub(crate) fn said(value: f64) -> String {
    plain(format!("{value:.3e}").parse().unwrap_or(value))
}

/// A number with all its digits, with an exponent only where plain digits would fill the line.
pub(crate) fn plain(value: f64) -> String {
    let size = value.abs();
    if size >= 1e12 || (size > 0.0 && size < 1e-6) {
        format!("{value:e}")
    } else {
        format!("{value}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_are_said_short() {
        assert_eq!(said(349.852_9), "349.9");
        assert_eq!(said(300.0), "300");
        assert_eq!(said(0.015), "0.015");
        assert_eq!(said(12_345.6), "12350");
        assert_eq!(said(1e300), "1e300");
        assert_eq!(plain(2_000.04), "2000.04");
        assert_eq!(plain(f64::NAN), "NaN");
        assert_eq!(plain(-3e-9), "-3e-9");
    }

    proptest! {
        #[test]
        fn rounding_twice_is_rounding_once_and_moves_by_less_than_half_a_digit(figure in -1e18_f64..1e18) {
            let once = six_digits(figure);
            prop_assert_eq!(once.to_bits(), six_digits(once).to_bits());
            prop_assert!((once - figure).abs() <= 5.000_001e-6 * figure.abs());
        }
    }
}
