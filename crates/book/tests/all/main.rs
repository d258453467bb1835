//! The crew book under test as its callers see it.

#![expect(
    clippy::unwrap_used,
    reason = "a test stops where something is missing"
)]

mod crew;
mod format;
mod lists;
mod naive;
mod roster;
