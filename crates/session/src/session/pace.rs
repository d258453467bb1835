//! How large a batch may be on the road to this peer.

use crate::talk::Answered;

/// The first batch on a connection.
const FIRST_BYTES: usize = 32 * 1024;
/// However slow the road.
const LEAST_BYTES: usize = 8 * 1024;
/// A batch answered within this could have been larger.
const QUICK_MS: i64 = 1_000;
/// A batch answered later than this was too large.
const SLOW_MS: i64 = 3_000;

/// Batches grow while they are answered quickly, and shrink when they aren't, so that what is
/// urgent never waits long behind what is under way. A clock that jumps costs a batch or two of the
/// wrong size.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pace(usize);

impl Default for Pace {
    fn default() -> Self {
        Self(FIRST_BYTES)
    }
}

impl Pace {
    /// Bytes of changes in the next batch.
    pub(super) fn bytes(self, most: usize) -> usize {
        self.0.min(most)
    }

    /// A batch was answered. A small one that was quick says nothing of large ones.
    pub(super) fn learn(&mut self, answered: Answered, most: usize) {
        if answered.took_ms > SLOW_MS {
            self.0 = (self.0 / 2).max(LEAST_BYTES);
        } else if (0..=QUICK_MS).contains(&answered.took_ms) && answered.bytes >= self.0 / 2 {
            self.0 = (self.0 * 2).min(most.max(LEAST_BYTES));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MOST: usize = 256 * 1024;

    fn answered(bytes: usize, took_ms: i64) -> Answered {
        Answered { bytes, took_ms }
    }

    #[test]
    fn a_quick_road_gets_the_largest_batches_after_three() {
        let mut pace = Pace::default();
        for _ in 0..3 {
            pace.learn(answered(pace.bytes(MOST), 200), MOST);
        }
        assert_eq!(pace.bytes(MOST), MOST);
        assert_eq!(pace.bytes(5_000), 5_000);
    }

    #[test]
    fn a_slow_road_gets_small_ones_and_never_none() {
        let mut pace = Pace::default();
        for _ in 0..20 {
            pace.learn(answered(pace.bytes(MOST), 4_000), MOST);
        }
        assert_eq!(pace.bytes(MOST), 8 * 1024);
    }

    #[test]
    fn small_batches_and_clocks_set_back_teach_nothing() {
        let mut pace = Pace::default();
        pace.learn(answered(300, 5), MOST);
        pace.learn(answered(32 * 1024, -9_000_000), MOST);
        assert_eq!(pace.bytes(MOST), 32 * 1024);
    }
}
