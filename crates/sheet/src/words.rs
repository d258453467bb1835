//! Dates, times, figures and names as they stand on a sheet.

use chrono::{DateTime, Datelike, FixedOffset, NaiveDate};
use gravelbar_visit::{PassKey, PersonName};

/// `18 August 2026`: no order of day and month to guess.
pub(crate) fn day(date: NaiveDate) -> String {
    date.format("%-d %B %Y").to_string()
}

/// Hours and minutes; dashes where the clock shows no time a crew was out.
pub(crate) fn hour(at: DateTime<FixedOffset>) -> String {
    if (1..9_999).contains(&at.year()) {
        at.format("%H:%M").to_string()
    } else {
        "--:--".to_owned()
    }
}

/// A figure of the reducer without needless decimals.
pub(crate) fn plain(value: f64) -> String {
    format!("{value}")
}

/// A figure of the reducer with this many decimals.
pub(crate) fn fixed(value: Option<f64>, decimals: usize) -> String {
    value.map_or_else(dash, |value| format!("{value:.decimals$}"))
}

/// Where there is no figure.
pub(crate) fn dash() -> String {
    "–".to_owned()
}

/// `pass 2`, or `pass 2, left channel`.
pub(crate) fn pass(key: &PassKey) -> String {
    if key.channel.as_str() == "main" {
        format!("pass {}", key.number)
    } else {
        format!("pass {}, {} channel", key.number, key.channel)
    }
}

/// `pass 1`, `passes 1, 2, 3`; off the main channel each by its whole name.
pub(crate) fn passes(keys: &[&PassKey]) -> String {
    if keys.len() > 1 && keys.iter().all(|k| k.channel.as_str() == "main") {
        let numbers: Vec<String> = keys.iter().map(|k| k.number.to_string()).collect();
        return format!("passes {}", numbers.join(", "));
    }
    let all: Vec<String> = keys.iter().map(|k| pass(k)).collect();
    all.join("; ")
}

/// `1 fish`, `2 fish`, `1 pass`, `3 passes`.
pub(crate) fn counted(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Names in a row.
pub(crate) fn people(names: &[PersonName]) -> String {
    let names: Vec<&str> = names.iter().map(PersonName::as_str).collect();
    names.join(", ")
}

/// The first digits of a digest, in groups to read aloud.
pub(crate) fn short(digest: &str) -> String {
    let first: Vec<char> = digest.chars().take(16).collect();
    let groups: Vec<String> = first
        .chunks(4)
        .map(|group| group.iter().collect())
        .collect();
    groups.join(" ")
}

/// Letters, digits and hyphens of a text, for a file's name.
pub(crate) fn file_safe(text: &str) -> String {
    let mut safe = String::new();
    for c in text.chars().take(40) {
        if c.is_ascii_alphanumeric() {
            safe.push(c);
        } else if !safe.ends_with('-') && !safe.is_empty() {
            safe.push('-');
        }
    }
    match safe.trim_end_matches('-') {
        "" => "site".to_owned(),
        safe => safe.to_owned(),
    }
}
