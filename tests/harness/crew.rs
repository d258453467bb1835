//! Pieces that several whole-crew tests and benches start from.

use gravelbar_visit::{Fact, PassKey, Plan, SpeciesName, Tally};

/// A short plan for a site of our own invention.
///
/// # Panics
///
/// When `site` can't stand in a plan.
#[must_use]
pub fn plan(site: &str) -> Plan {
    Plan::from_about(&format!(
        r#"{{"version":1,"site":"{site}","place":"Quillet Brook, Lower Hollow","date":"2026-08-18","passes":3}}"#
    ))
    .unwrap_or_else(|e| panic!("{e}"))
}

/// A netter's tap in pass 1.
///
/// # Panics
///
/// When `species` is no name.
#[must_use]
pub fn tally(species: &str, n: u32) -> Fact {
    Tally {
        pass: PassKey::main(1),
        species: SpeciesName::new(species).unwrap_or_else(|e| panic!("{e}")),
        n,
        bucket: None,
    }
    .into()
}
