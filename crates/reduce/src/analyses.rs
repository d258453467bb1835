//! Analyses already made, kept from one summary to the next.

use std::collections::BTreeMap;

use gravelbar_estimate::{Analysis, CatchError};

use crate::figure::count;

/// Analyses kept; beyond them all are forgotten and made again as they are asked for.
const MOST_KEPT: usize = 2_048;

/// Analyses by catch. An analysis depends on its catch and nothing else, so keeping it can change
/// no summary: it only saves the time of making it again, which for one catch may be a
/// millisecond or more.
#[derive(Debug, Clone, Default)]
pub(crate) struct Analyses(BTreeMap<Vec<u32>, Result<Analysis, CatchError>>);

impl Analyses {
    /// The analysis of the catch of each pass, pass 1 first.
    pub(crate) fn of(&mut self, catch: &[u64]) -> Result<Analysis, CatchError> {
        let counts: Vec<u32> = catch.iter().map(|n| count(*n)).collect();
        if self.0.len() >= MOST_KEPT && !self.0.contains_key(&counts) {
            self.0.clear();
        }
        let made = || Analysis::of(&counts);
        self.0.entry(counts.clone()).or_insert_with(made).clone()
    }
}
