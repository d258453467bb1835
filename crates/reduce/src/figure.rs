//! Figures as they are reported: rounded alike on every machine, and never without a value.

use gravelbar_estimate::six_digits;

/// Six significant digits, or `None` for what is not a number: JSON has no way to write it, and no
/// screen should.
pub(crate) fn figure(value: f64) -> Option<f64> {
    // Adding zero turns -0 into 0, which would print with its sign.
    value.is_finite().then(|| six_digits(value) + 0.0)
}

/// `part / whole`, where there is a whole.
pub(crate) fn ratio(part: f64, whole: f64) -> Option<f64> {
    (whole > 0.0).then(|| figure(part / whole)).flatten()
}

/// A count in the form the estimators take; more fish than that form holds stay its highest
/// value, which every estimator refuses.
pub(crate) fn count(n: u64) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

/// `1 fish`, `2 fish`, `1 pass`, `3 passes`.
pub(crate) fn counted(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// A figure without needless decimals: `47.3`, `350`, `0.5`; a question mark for what is none.
pub(crate) fn plain(value: f64) -> String {
    figure(value).map_or_else(|| "?".to_owned(), |value| format!("{value}"))
}

/// A percentage in whole percent.
pub(crate) fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}
