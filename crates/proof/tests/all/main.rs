//! Proofs between whole devices: honest ones always pass, nothing else ever does.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    reason = "a test that can't go on fails"
)]

mod bytes;
mod forks;
mod honest;
mod hostile;
mod model;
mod standing;
mod world;
