//! The reducer against the sheets, sources and laws it has to hold.
#![expect(
    clippy::unwrap_used,
    clippy::float_cmp,
    clippy::panic,
    reason = "a test that can't be set up has failed, and figures compared are rounded alike"
)]

mod advice;
mod counts;
mod crew;
mod effort;
mod laws;
mod load;
mod mass;
mod nets;
mod people;
mod quillet;
mod random;
mod series;
mod sheet;
