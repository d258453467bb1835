//! The visit under test as its callers see it.

#![expect(
    clippy::unwrap_used,
    clippy::float_cmp,
    reason = "a test stops where something is missing, and compares numbers it typed itself"
)]

#[path = "../crew/mod.rs"]
mod crew;
#[path = "../naive/mod.rs"]
mod naive;

mod convergence;
mod format;
mod hostile;
mod joined_safety;
mod joining;
mod lost;
mod merging;
mod safety;
