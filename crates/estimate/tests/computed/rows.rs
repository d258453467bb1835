//! Reads the rows and compares figures to their printed digits.

use gravelbar_estimate::Catch;
use serde_json::Value;
use std::sync::LazyLock;

pub(crate) static COMPUTED: LazyLock<Value> =
    LazyLock::new(|| serde_json::from_str(include_str!("../reference/computed.json")).unwrap());

pub(crate) fn removal_rows() -> impl Iterator<Item = (&'static str, Catch, &'static Value)> {
    COMPUTED["removal"].as_array().unwrap().iter().map(|row| {
        let counts: Vec<u32> = serde_json::from_value(row["catches"].clone()).unwrap();
        (
            row["id"].as_str().unwrap(),
            Catch::new(&counts).unwrap(),
            row,
        )
    })
}

/// Nine digits are printed.
pub(crate) fn near(id: &str, here: f64, there: &Value) {
    let there = there.as_f64().unwrap();
    assert!(
        (here - there).abs() <= 2e-8 * there.abs().max(0.01),
        "{id}: {here}, reference {there}"
    );
}

/// The references print a spread of zero where all fish came on the first pass; here there is none.
pub(crate) fn near_spread(id: &str, here: Option<f64>, there: &Value) {
    match here {
        Some(here) => near(id, here, there),
        None => assert!(there.as_f64().unwrap() < 1e-12, "{id}"),
    }
}
