//! Owns the catch of each pass as a checked value: what every estimator takes.

use crate::refusal::Refusal;
use thiserror::Error;

/// Most passes one removal series may have.
pub const MOST_PASSES: usize = 20;

/// Most fish one pass may have taken.
pub const MOST_FISH_PER_PASS: u32 = 1_000_000_000;

/// Why a list of counts isn't the catch of a removal series.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum CatchError {
    /// No pass at all.
    #[error("no pass was given; enter the catch of at least one pass")]
    NoPass,
    /// More passes than a removal series holds.
    #[error(
        "{passes} passes were given and at most {MOST_PASSES} can be used; leave out the last ones or split the series"
    )]
    TooManyPasses {
        /// Passes given.
        passes: usize,
    },
    /// A count no stream holds.
    #[error(
        "pass {pass} has {fish} fish and at most {MOST_FISH_PER_PASS} can be used; check the count for a slip of the key"
    )]
    TooManyFish {
        /// Number of the pass, from 1.
        pass: usize,
        /// Fish given.
        fish: u32,
    },
}

/// The fish taken on each pass of one removal series, first pass first.
///
/// One series is one species (and size group) in one closed reach, each pass with the same effort.
///
/// ```
/// use gravelbar_estimate::Catch;
///
/// let catch = Catch::new(&[24, 17, 8])?;
/// assert_eq!(catch.total(), 49);
/// assert_eq!(catch.depletion_criterion(), 32); // 2 (24 - 8)
/// # Ok::<(), gravelbar_estimate::CatchError>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Catch {
    counts: [u32; MOST_PASSES],
    passes: usize,
    total: u64,
    weighted: u64,
}

impl Catch {
    /// Checks the counts of a removal series, first pass first.
    ///
    /// # Errors
    /// No pass, more than [`MOST_PASSES`], or a pass of more than [`MOST_FISH_PER_PASS`].
    pub fn new(per_pass: &[u32]) -> Result<Self, CatchError> {
        if per_pass.is_empty() {
            return Err(CatchError::NoPass);
        }
        if per_pass.len() > MOST_PASSES {
            return Err(CatchError::TooManyPasses {
                passes: per_pass.len(),
            });
        }
        let too_many = per_pass
            .iter()
            .zip(1..)
            .find(|(fish, _)| **fish > MOST_FISH_PER_PASS);
        if let Some((&fish, pass)) = too_many {
            return Err(CatchError::TooManyFish { pass, fish });
        }
        let total = per_pass.iter().map(|&fish| u64::from(fish)).sum();
        let weighted = per_pass
            .iter()
            .rev()
            .zip(0_u64..)
            .map(|(&fish, passes_left)| u64::from(fish) * passes_left)
            .sum();
        let mut counts = [0; MOST_PASSES];
        for (place, &fish) in counts.iter_mut().zip(per_pass) {
            *place = fish;
        }
        Ok(Self {
            counts,
            passes: per_pass.len(),
            total,
            weighted,
        })
    }

    /// The same series with one more pass.
    pub(crate) fn and(&self, next: u32) -> Result<Self, CatchError> {
        let mut counts = [0; MOST_PASSES + 1];
        for (place, &fish) in counts.iter_mut().zip(self.per_pass().iter().chain([&next])) {
            *place = fish;
        }
        Self::new(counts.get(..=self.passes).unwrap_or_default())
    }

    /// The counts, first pass first.
    #[must_use]
    pub fn per_pass(&self) -> &[u32] {
        self.counts.get(..self.passes).unwrap_or_default()
    }

    /// Number of passes, `k`.
    #[must_use]
    pub fn passes(&self) -> usize {
        self.passes
    }

    /// Fish taken on all passes, `T`.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.total
    }

    /// Fish taken, each weighted by the passes that came after it: `X = sum (k - i) c[i]`.
    #[must_use]
    pub fn weighted_total(&self) -> u64 {
        self.weighted
    }

    /// Depletion criterion `S = sum (k + 1 - 2i) c[i] = 2X - (k - 1) T`.
    ///
    /// Positive where the catches fall on the whole. Two passes: `c1 - c2`; three: `2 (c1 - c3)`.
    /// At zero or below, no removal estimate exists.
    ///
    /// # Source
    /// Carle and Strub 1978, failure rule `X <= T (k - 1) / 2`, written as a difference.
    #[must_use]
    pub fn depletion_criterion(&self) -> i64 {
        // At most 20 passes of 10^9 fish: each weight is under 20, so the sum stays below 10^12.
        (1..).zip(self.per_pass()).fold(0, |sum, (pass, &fish)| {
            let weight = self.passes_i64() + 1 - 2 * pass;
            sum + weight * i64::from(fish)
        })
    }

    /// Whether every fish was taken on the first pass, so that nothing is left to see falling.
    #[must_use]
    pub fn all_on_first_pass(&self) -> bool {
        self.per_pass().iter().skip(1).all(|&fish| fish == 0)
    }

    /// What every estimator needs first: fish, two passes or more, and a fall in the catch.
    pub(crate) fn must_deplete(&self) -> Result<(), Refusal> {
        self.must_compare()?;
        if self.depletion_criterion() > 0 {
            Ok(())
        } else {
            Err(Refusal::DidNotDeplete {
                minimum: self.total,
            })
        }
    }

    /// What even the functions that run without a fall need: fish, and two passes to compare.
    pub(crate) fn must_compare(&self) -> Result<(), Refusal> {
        if self.total == 0 {
            Err(Refusal::NothingCaught {
                passes: self.passes(),
            })
        } else if self.passes() < 2 {
            Err(Refusal::OnePassOnly {
                minimum: self.total,
            })
        } else {
            Ok(())
        }
    }

    pub(crate) fn k(&self) -> f64 {
        self.passes as f64
    }

    pub(crate) fn t(&self) -> f64 {
        self.total as f64
    }

    pub(crate) fn x(&self) -> f64 {
        self.weighted as f64
    }

    fn passes_i64(&self) -> i64 {
        self.per_pass().iter().fold(0, |passes, _| passes + 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_criterion_is_the_difference_for_two_passes_and_twice_it_for_three()
    -> Result<(), CatchError> {
        assert_eq!(Catch::new(&[5, 7])?.depletion_criterion(), -2);
        assert_eq!(Catch::new(&[12, 0, 5])?.depletion_criterion(), 14);
        assert_eq!(Catch::new(&[7])?.depletion_criterion(), 0);
        Ok(())
    }

    #[test]
    fn counts_no_stream_holds_are_turned_away_by_pass() {
        assert_eq!(Catch::new(&[]), Err(CatchError::NoPass));
        assert_eq!(
            Catch::new(&[1; 21]),
            Err(CatchError::TooManyPasses { passes: 21 })
        );
        let slip = MOST_FISH_PER_PASS + 1;
        assert_eq!(
            Catch::new(&[3, slip]),
            Err(CatchError::TooManyFish {
                pass: 2,
                fish: slip
            })
        );
    }
}
