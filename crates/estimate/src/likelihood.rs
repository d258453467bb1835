//! Owns the removal likelihood as a function of the number of fish, with `p` at its best for each number.

use crate::catch::Catch;
use crate::series::{HALF_LN_TWO_PI, deficit, log1p_minus, stirling_remainder};

/// Two numbers of fish whose log likelihoods differ by less than this share of `T/N` are a tie.
const TIE: f64 = 1e-14;

/// Log likelihood of `n` fish less its limit for infinitely many, with `p = T / (kN - X)`.
///
/// The full likelihood is `L(N, p) = N! / [(N-T)! prod c!] p^T q^(kN-X-T)`; for each `N` the best `p` is
/// `T / (kN - X)`, and as `N` grows the log tends to `T ln(T/k) - T - sum ln c!`. That limit is taken off
/// on paper, because what remains is the only part that differs between two numbers of fish, and because
/// a profile interval has no upper end exactly where the highest point is less than half the chi-square
/// quantile above it. With `D = kN - X` and `h(u) = (1-u) ln(1-u) + u` what remains is
///
/// `-N h(T/N) - ln(1 - T/N)/2 + r(N) - r(N-T) - T ln(1 - X/kN) + D h(T/D)`
///
/// with `r` the remainder of Stirling's formula. Needs `T > 0`, `n >= T` and two passes or more; never
/// allocates.
pub(crate) fn above_limit(catch: &Catch, n: u64) -> f64 {
    let (k, t, x, fish) = (catch.k(), catch.t(), catch.x(), n as f64);
    let trials = k * fish - x;
    orderings(n, catch.total()) - t * libm::log1p(-x / (k * fish)) + trials * deficit(t / trials)
}

/// `ln[N! / (N-T)!] - T ln N`: zero for infinitely many fish.
pub(crate) fn orderings(n: u64, total: u64) -> f64 {
    let (fish, caught) = (n as f64, total as f64);
    let missed = n.saturating_sub(total);
    if missed == 0 {
        return 0.5 * libm::log(fish) - fish + HALF_LN_TWO_PI + stirling_remainder(fish);
    }
    let missed = missed as f64;
    -fish * deficit(caught / fish) - 0.5 * libm::log(missed / fish) + stirling_remainder(fish)
        - stirling_remainder(missed)
}

/// The limit that [`above_limit`] leaves out: `T ln(T/k) - T - sum ln c!`.
pub(crate) fn limit(catch: &Catch) -> f64 {
    let t = catch.t();
    let orders: f64 = catch
        .per_pass()
        .iter()
        .map(|&fish| libm::lgamma(f64::from(fish) + 1.0))
        .sum();
    t * libm::log(t / catch.k()) - t - orders
}

/// Whether one fish more than `n` makes the catch likelier: `l(n+1) > l(n)`, ties told as no.
pub(crate) fn rises(catch: &Catch, n: u64) -> bool {
    change(catch, n) > TIE * catch.t() / n as f64
}

/// `l(n+1) - l(n)`, worked out as a difference of its own.
///
/// Near the top two neighbours differ by about one over the variance, far less than the rounding of
/// either value. With `D = kN - X` and [`rest`]:
///
/// `-ln(1 - T/(N+1)) + k ln(1 - T/(D+k)) + rest(k, D-T) - rest(k, D)`
pub(crate) fn change(catch: &Catch, n: u64) -> f64 {
    let (k, t, x, fish) = (catch.k(), catch.t(), catch.x(), n as f64);
    let trials = k * fish - x;
    -libm::log1p(-t / (fish + 1.0)) + k * libm::log1p(-t / (trials + k)) + rest(k, trials - t)
        - rest(k, trials)
}

/// `y ln(1 + k/y) - k`, which rises from `-k` at 0 to 0.
pub(crate) fn rest(k: f64, y: f64) -> f64 {
    if y > 0.0 { y * log1p_minus(k / y) } else { -k }
}

/// Log of the highest chance any `p` gives to taking `caught` of `fish`: at `p = caught / fish`.
pub(crate) fn best_binomial(fish: f64, caught: f64) -> f64 {
    let missed = fish - caught;
    if caught < 0.5 || missed < 0.5 {
        return 0.0;
    }
    stirling_remainder(fish)
        - stirling_remainder(caught)
        - stirling_remainder(missed)
        - HALF_LN_TWO_PI
        - 0.5 * libm::log(caught * (missed / fish))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CatchError;

    /// The textbook form, summed term by term.
    fn term_by_term(catch: &Catch, n: u64) -> f64 {
        let (k, t, x) = (catch.k(), catch.t(), catch.x());
        let trials = k * n as f64 - x;
        let p = t / trials;
        let orderings: f64 = (0..catch.total()).map(|j| ((n - j) as f64).ln()).sum();
        let orders: f64 = catch
            .per_pass()
            .iter()
            .flat_map(|&fish| (1..=fish).map(|j| f64::from(j).ln()))
            .sum();
        let misses = trials - t;
        orderings
            + t * p.ln()
            + if misses > 0.0 {
                misses * (1.0 - p).ln()
            } else {
                0.0
            }
            - orders
    }

    #[test]
    fn the_rearranged_likelihood_is_the_textbook_one() -> Result<(), CatchError> {
        for counts in [
            &[24, 17, 8][..],
            &[5, 0],
            &[0, 3, 1],
            &[62, 26, 17, 8, 9, 6],
            &[1477, 133, 46],
        ] {
            let catch = Catch::new(counts)?;
            for more in [0, 1, 2, 7, 50, 1000] {
                let n = catch.total() + more;
                let here = above_limit(&catch, n) + limit(&catch);
                assert!(
                    (here - term_by_term(&catch, n)).abs() < 1e-8,
                    "{counts:?} {n} {here}"
                );
                let step = term_by_term(&catch, n + 1) - term_by_term(&catch, n);
                if step.abs() > 1e-8 {
                    assert_eq!(rises(&catch, n), step > 0.0, "{counts:?} {n}");
                }
            }
        }
        Ok(())
    }

    #[test]
    fn the_best_binomial_chance_is_the_textbook_one() {
        for (fish, caught) in [(5_u32, 2_u32), (40, 0), (40, 40), (40, 39), (300, 17)] {
            let p = f64::from(caught) / f64::from(fish);
            let mut plain = 0.0;
            for j in 0..caught {
                plain += (f64::from(fish - j) / f64::from(j + 1)).ln() + p.ln();
            }
            if caught < fish {
                plain += f64::from(fish - caught) * (1.0 - p).ln();
            }
            assert!((best_binomial(f64::from(fish), f64::from(caught)) - plain).abs() < 1e-11);
        }
    }

    /// The fast search needs one rise and one fall. Every catch of two to four passes with small counts.
    #[test]
    fn the_likelihood_rises_once_and_falls_once() -> Result<(), CatchError> {
        let mut tried = 0;
        for code in 1..6_u32.pow(4) {
            let counts = [code % 6, code / 6 % 6, code / 36 % 6, code / 216];
            for passes in 2..=4 {
                let catch = Catch::new(&counts[..passes])?;
                if catch.total() == 0 {
                    continue;
                }
                let mut fell = false;
                for n in catch.total()..catch.total() + 400 {
                    let rising = rises(&catch, n);
                    assert!(!(fell && rising), "{counts:?} rises again at {n}");
                    fell |= !rising;
                }
                tried += 1;
            }
        }
        assert!(tried > 3000);
        Ok(())
    }
}
