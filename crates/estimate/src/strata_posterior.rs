//! Owns the posterior of a total: size groups or channels estimated apart, their uncertainties added whole.

use crate::belief::{Belief, Cell};
use crate::catch::Catch;
use crate::refusal::Refusal;
use crate::weight::BetaWeight;
use serde::Serialize;

/// Middle and ends of the posterior of a total over strata.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct TotalPosterior {
    /// As likely as not there are at most this many fish in all.
    pub median: u64,
    /// 2.5 % of the probability lies below this number.
    pub low_95: u64,
    /// 2.5 % of the probability lies above this number; `None` where it lies past what is summed.
    pub high_95: Option<u64>,
}

/// Numbers of fish kept one by one, from the lowest on, before cells widen.
const SINGLE: u64 = 512;

/// A wider cell spans this share of its distance from the lowest number.
const CELLS_PER_DISTANCE: u64 = 64;

/// Probability that may be left beyond the last cell.
const BEYOND: f64 = 1e-5;

/// Cells of less probability than this are passed over.
const NEGLIGIBLE: f64 = 1e-13;

/// Posterior of the total of independent strata, each with its own `p` and its own weight on it.
///
/// Unlike adding variances it keeps the long upper tails of weakly depleted strata, and a stratum without
/// an estimate of its own can borrow its `p` through an informative weight. Numbers near the lowest
/// total are exact; far from it they are good to about a hundredth of the distance.
///
/// ```
/// use gravelbar_estimate::{BetaWeight, Catch, posterior_of_total};
///
/// let (small, large) = (Catch::new(&[17, 9, 5])?, Catch::new(&[31, 10, 3])?);
/// let trout = posterior_of_total(&[(small, BetaWeight::FLAT), (large, BetaWeight::FLAT)])?;
/// assert!(trout.low_95 >= 75 && trout.median >= 79);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// A weight under which the likeliest number of a stratum lies past [`MOST_FISH`](crate::MOST_FISH).
///
/// # Source
/// Distribution of a sum of independent counts; posteriors as in [`posterior`](crate::posterior()).
pub fn posterior_of_total(strata: &[(Catch, BetaWeight)]) -> Result<TotalPosterior, Refusal> {
    let mut parts = Vec::with_capacity(strata.len());
    for (catch, weight) in strata {
        parts.push(Spread {
            cells: Belief::new(catch, *weight, 1.0, catch.total())?.probabilities(),
        });
    }
    // The widest first: the sum is then taken over the narrow one, whose numbers stand one by one, while the
    // wide one is smooth across its cells.
    parts.sort_by_key(|part| std::cmp::Reverse(part.width()));
    let total = parts.into_iter().reduce(|total, part| total.plus(&part));
    let quantile = |share: f64| {
        total
            .as_ref()
            .map_or(Some(0), |total| total.quantile(share))
    };
    Ok(TotalPosterior {
        median: quantile(0.5).unwrap_or(crate::MOST_FISH),
        low_95: quantile(0.025).unwrap_or(crate::MOST_FISH),
        high_95: quantile(0.975),
    })
}

/// A distribution over numbers of fish, even within each cell.
struct Spread {
    cells: Vec<Cell>,
}

impl Spread {
    /// Lowest number with any probability.
    fn lowest(&self) -> u64 {
        self.cells.first().map_or(0, |cell| cell.first)
    }

    /// Distance between the 10 % and the 90 % point.
    fn width(&self) -> u64 {
        let point = |share: f64| self.quantile(share).unwrap_or(crate::MOST_FISH);
        point(0.9).saturating_sub(point(0.1))
    }

    /// Smallest number at or below which lies at least `share` of the probability.
    fn quantile(&self, share: f64) -> Option<u64> {
        let mut below = 0.0;
        for cell in &self.cells {
            if below + cell.mass >= share {
                let numbers = cell.last - cell.first + 1;
                let part = (share - below) / cell.mass;
                let steps = libm::ceil(part * numbers as f64).clamp(1.0, numbers as f64);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "between one and the numbers of the cell"
                )]
                return Some(cell.first + steps as u64 - 1);
            }
            below += cell.mass;
        }
        None
    }

    /// Distribution of the sum with a narrower one.
    fn plus(&self, narrow: &Self) -> Self {
        let ends: Vec<(u64, f64)> = self
            .cells
            .iter()
            .scan(0.0, |below, cell| {
                *below += cell.mass;
                Some((cell.last, *below))
            })
            .collect();
        let at_most = |n: u64| -> f64 {
            let place = ends.partition_point(|(last, _)| *last < n);
            let Some(cell) = self.cells.get(place) else {
                return ends.last().map_or(0.0, |(_, below)| *below);
            };
            let before = place
                .checked_sub(1)
                .and_then(|place| ends.get(place))
                .map_or(0.0, |(_, below)| *below);
            if n < cell.first {
                return before;
            }
            before + cell.mass * (n - cell.first + 1) as f64 / (cell.last - cell.first + 1) as f64
        };
        let points: Vec<(u64, f64)> = narrow.points();
        let sum_at_most = |n: u64| -> f64 {
            points
                .iter()
                .filter(|(fish, _)| *fish <= n)
                .map(|(fish, mass)| mass * at_most(n - fish))
                .sum()
        };
        let lowest = self.lowest() + narrow.lowest();
        let mut total = Vec::new();
        let (mut first, mut below) = (lowest, 0.0);
        while below < 1.0 - BEYOND && first <= crate::MOST_FISH {
            let distance = first - lowest;
            let span = if distance < SINGLE {
                1
            } else {
                distance / CELLS_PER_DISTANCE
            };
            let last = first + span - 1;
            let through = sum_at_most(last).max(below);
            total.push(Cell {
                first,
                last,
                mass: through - below,
            });
            (first, below) = (last + 1, through);
        }
        Self { cells: total }
    }

    /// Numbers with the probability each stands for: single numbers as they are, wide cells in eight parts.
    fn points(&self) -> Vec<(u64, f64)> {
        let mut points = Vec::new();
        for cell in self.cells.iter().filter(|cell| cell.mass > NEGLIGIBLE) {
            let numbers = cell.last - cell.first + 1;
            let parts = numbers.min(8);
            for part in 0..parts {
                let fish = cell.first + (numbers * (2 * part + 1)) / (2 * parts);
                points.push((fish, cell.mass / parts as f64));
            }
        }
        points
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::posterior;

    /// Term by term: every number of one stratum with every number of the other.
    /// What lies beyond the last term of each is counted as beyond the sum.
    fn by_pairs(one: &[f64], other: &[f64], lowest: u64, share: f64, beyond: f64) -> u64 {
        let mut sums = vec![0.0; one.len() + other.len() - 1];
        for (i, first) in one.iter().enumerate() {
            for (j, second) in other.iter().enumerate() {
                sums[i + j] += first * second;
            }
        }
        let whole = |terms: &[f64]| terms.iter().sum::<f64>() + beyond * terms.last().unwrap();
        let total = whole(one) * whole(other);
        let mut below = 0.0;
        let place = sums.iter().position(|mass| {
            below += mass;
            below >= share * total
        });
        lowest + place.unwrap() as u64
    }

    /// Posterior terms by ratios of neighbours, plain products.
    fn terms(catch: &Catch, weight: BetaWeight, count: usize) -> Vec<f64> {
        let (k, t, x) = (catch.k(), catch.t(), catch.x());
        let mut mass = 1.0;
        (0..count)
            .map(|more| {
                let here = mass;
                let n = t + more as f64;
                mass *= (n + 1.0) / (n + 1.0 - t) * (n + 1.0) / (n + 2.0);
                for left in 0..catch.passes() {
                    let hits_and_misses = k * n - x + weight.alpha() + weight.beta() + left as f64;
                    mass *= (hits_and_misses - t - weight.alpha()) / hits_and_misses;
                }
                here
            })
            .collect()
    }

    #[test]
    fn the_total_of_two_strata_is_the_sum_over_all_pairs() {
        let informed = BetaWeight::from_moments(0.5, 0.08).unwrap();
        for (one, other) in [
            (&[17, 9, 5][..], &[31, 10, 3][..]),
            (&[24, 17, 8], &[244, 86, 43]),
            (&[5, 5], &[40, 19, 8]),
        ] {
            let strata = [one, other].map(|counts| (Catch::new(counts).unwrap(), informed));
            let here = posterior_of_total(&strata).unwrap();
            let [first, second] = [0, 1].map(|side: usize| terms(&strata[side].0, informed, 1500));
            let lowest = strata[0].0.total() + strata[1].0.total();
            let there = |share: f64| by_pairs(&first, &second, lowest, share, 0.0);
            assert_eq!(here.median, there(0.5), "{one:?} {other:?}");
            assert_eq!(here.low_95, there(0.025), "{one:?} {other:?}");
            assert!(
                here.high_95.unwrap().abs_diff(there(0.975)) <= 1,
                "{one:?} {other:?}"
            );
        }
    }

    /// Flat weights have long tails; the sum is then good to about a hundredth.
    #[test]
    fn long_tails_add_up_to_about_a_hundredth() {
        let strata = [&[24, 17, 8][..], &[10, 4, 6]]
            .map(|counts| (Catch::new(counts).unwrap(), BetaWeight::FLAT));
        let here = posterior_of_total(&strata).unwrap();
        let [first, second] =
            [0, 1].map(|side: usize| terms(&strata[side].0, BetaWeight::FLAT, 12_000));
        for (mine, share) in [
            (here.low_95, 0.025),
            (here.median, 0.5),
            (here.high_95.unwrap(), 0.975),
        ] {
            // Terms fall as N^-2 at the end, so about the last number times the last term lies beyond.
            let there = by_pairs(&first, &second, 69, share, 12_000.0) as f64;
            assert!((mine as f64 / there - 1.0).abs() < 0.012, "{mine} {there}");
        }
    }

    #[test]
    fn one_stratum_alone_is_its_own_posterior_and_none_is_no_fish() {
        let catch = Catch::new(&[48, 19, 8]).unwrap();
        let alone = posterior(&catch, BetaWeight::FLAT).unwrap();
        let total = posterior_of_total(&[(catch, BetaWeight::FLAT)]).unwrap();
        assert_eq!(
            (total.low_95, total.median, total.high_95),
            (alone.low_95, alone.median, alone.high_95)
        );
        assert_eq!(posterior_of_total(&[]).unwrap().high_95, Some(0));
    }
}
