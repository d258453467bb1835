//! Holds the estimators to answers worked out independently (`reference/computed.json`).

#![expect(
    clippy::unwrap_used,
    reason = "a row or a report that cannot be read fails the test"
)]

mod models;
mod removal;
mod rows;
