//! The ledger under test as its callers see it.

#![expect(clippy::unwrap_used, reason = "a test fails where it unwraps")]

mod convergence;
mod craft;
mod damage;
mod format;
mod hostile;
mod identity;
mod limits;
mod mutations;
