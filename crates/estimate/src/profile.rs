//! Owns the interval of all numbers of fish that the catch doesn't speak against.

use crate::catch::Catch;
use crate::integer_ml::integer_ml;
use crate::likelihood::above_limit;
use crate::refusal::Refusal;
use crate::search::{MOST_FISH, turning_point, turning_point_near, whole};
use serde::ser::{Serialize, SerializeTuple, Serializer};

/// How sure an interval is meant to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Level {
    /// 95 of 100 such intervals hold the true number.
    P95,
    /// 90 of 100 such intervals hold the true number.
    P90,
}

impl Level {
    /// Quantile of the chi-square distribution with one degree of freedom (standard tables).
    fn chi_square(self) -> f64 {
        match self {
            Self::P95 => 3.841_458_820_694_124,
            Self::P90 => 2.705_543_454_095_404,
        }
    }
}

/// Lowest and highest number of fish of a profile-likelihood interval.
///
/// Serialized as `[low, high]`, with `null` for no upper limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Profile {
    /// Lowest number, never below the catch.
    pub low: u64,
    /// Highest number, or `None`: the catch sets no upper limit. Say so; never print a number instead.
    pub high: Option<u64>,
}

impl Serialize for Profile {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut pair = serializer.serialize_tuple(2)?;
        pair.serialize_element(&self.low)?;
        pair.serialize_element(&self.high)?;
        pair.end()
    }
}

/// All whole numbers `N >= T` with `2 [l(best) - l(N)]` at most the chi-square quantile.
///
/// The lower end can't fall below the catch. There is no upper end exactly where the likelihood for
/// infinitely many fish lies within half the quantile of the best. Held the truth in 89 to 95 % of
/// simulated catches where 95 % was meant, `p` constant; nothing here protects against a falling `p`.
///
/// Where the likelihood has no highest point (`S <= -k`), its limit stands in for it and there is no
/// upper end. If all fish came on pass 1 the interval can shrink to the catch alone: not informative.
///
/// ```
/// use gravelbar_estimate::{Catch, Level, profile};
///
/// let trout = profile(&Catch::new(&[24, 17, 8])?, Level::P95)?;
/// assert_eq!((trout.low, trout.high), (51, Some(108)));
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// No fish; one pass. [`Refusal::NoFiniteMaximum`] where even the lower end lies past
/// [`MOST_FISH`]: catches of some 10^8 fish and more that rise from pass to pass.
///
/// # Source
/// Likelihood-ratio interval (Hayes et al. 2007, Box 8.5, with half the quantile on the log scale: the
/// box takes the whole of it and so prints a 99.4 % interval as 95 %).
pub fn profile(catch: &Catch, level: Level) -> Result<Profile, Refusal> {
    let peak = integer_ml(catch).ok().map(|best| best.n_fish);
    profile_around(catch, peak, 0.0, level)
}

/// The same for a known peak; `half_width` is about what the interval reaches to either side.
pub(crate) fn profile_around(
    catch: &Catch,
    peak: Option<u64>,
    half_width: f64,
    level: Level,
) -> Result<Profile, Refusal> {
    catch.must_compare()?;
    // The limit at infinity is zero on this scale.
    interval(catch.total(), peak, half_width, level, |n| {
        above_limit(catch, n)
    })
    .ok_or(Refusal::NoFiniteMaximum)
}

/// The interval for any log likelihood that rises to its peak, falls to zero at infinity and isn't asked
/// below `total`. Without a peak it rises to zero all the way.
pub(crate) fn interval(
    total: u64,
    peak: Option<u64>,
    half_width: f64,
    level: Level,
    log_likelihood: impl Fn(u64) -> f64,
) -> Option<Profile> {
    let quantile = level.chi_square();
    let best = peak.map_or(0.0, |peak| log_likelihood(peak).max(0.0));
    let unlikely = |n: u64| 2.0 * (best - log_likelihood(n)) > quantile;
    // Below the peak the likelihood only rises; past the interval the answer turns back, so stop at the peak.
    let reach = whole(half_width);
    let low = match peak {
        Some(peak) => turning_point_near(total, peak.saturating_sub(reach), peak, unlikely)?,
        None => turning_point(total, unlikely)?,
    };
    let bounded = 2.0 * best > quantile;
    let high = peak
        .filter(|_| bounded)
        .and_then(|peak| turning_point_near(peak, peak + reach, MOST_FISH, |n| !unlikely(n)))
        .map(|first_unlikely| first_unlikely - 1);
    Some(Profile { low, high })
}
