//! Owns the whole answer for one removal series: every estimator, what was refused and why, and the verdict.

use crate::carle_strub::{CarleStrub, carle_strub_near};
use crate::catch::{Catch, CatchError, MOST_PASSES};
use crate::chi_square::{ChiSquare, SMALLEST_EXPECTED, chi_square, test as equal_catchability};
use crate::headline::Headline;
use crate::integer_ml::{IntegerMl, integer_ml_near};
use crate::next_pass::{NextPass, next_pass, one_pass_on};
use crate::posterior::{Posterior, posterior_near};
use crate::power::chi_square_power;
use crate::profile::{Level, Profile, profile, profile_around};
use crate::refusal::Refusal;
use crate::search::whole;
use crate::significant::maybe_figure;
use crate::two_pass::{TwoPass, two_pass};
use crate::verdict::{CAUTION, verdict};
use crate::weight::BetaWeight;
use crate::zippin::{Zippin, zippin};
use serde::Serialize;
use std::collections::BTreeMap;

/// Fewest fish for which an estimate is put forward, unless the office sets another floor.
///
/// # Source
/// Common practice, no source: ten or fewer fish are reported as a count.
pub const LEAST_FISH: u64 = 11;

/// What a removal series allows to be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// There is an estimate with an interval (whose upper end may still be open).
    Estimated,
    /// The catches didn't fall: a minimum count and nothing else.
    DidNotDeplete,
    /// Every estimated fish is in hand: a number, and no spread.
    AllCaughtNotInformative,
    /// One pass: a minimum count.
    OnePassOnly,
    /// No fish: zero caught, which is not zero present.
    NothingCaught,
    /// Fewer fish than the floor: a minimum count. The figures stand in the analysis for the office.
    TooFew,
}

/// What can be refused in an [`Analysis`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// [`Analysis::zippin`].
    Zippin,
    /// [`Analysis::integer_ml`].
    IntegerMl,
    /// [`Analysis::carle_strub`].
    CarleStrub,
    /// [`Analysis::two_pass`].
    TwoPass,
    /// [`Analysis::profile_95`].
    #[serde(rename = "profile_95")]
    Profile95,
    /// [`Analysis::profile_90`].
    #[serde(rename = "profile_90")]
    Profile90,
    /// [`Analysis::chi_square`].
    ChiSquare,
    /// [`Analysis::chi_square_pooled`].
    ChiSquarePooled,
    /// [`Analysis::posterior`].
    Posterior,
    /// [`Analysis::next_pass`].
    NextPass,
    /// [`effort_ml`](crate::effort_ml()), for whoever gives an analysis beside it.
    EffortMl,
    /// [`first_pass_model`](crate::first_pass_model()), for whoever gives an analysis beside it.
    FirstPassModel,
    /// `se_fish` of every estimator, where all fish came on the first pass.
    StandardError,
}

/// Everything one removal series has to say, ready to be serialized.
///
/// An estimator without an answer is `None` and its reason stands in [`refused`](Self::refused). Screens and
/// reports show [`headline`](Self::headline) and [`verdict`](Self::verdict) with [`caution`](Self::caution);
/// the single estimators are for the office and for checking. Floats are serialized with six significant digits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Analysis {
    /// Fish taken on each pass.
    pub catch: Vec<u32>,
    /// Fish taken on all passes, `T`.
    pub total: u64,
    /// Depletion criterion `S`: above zero where the catches fall.
    pub depletion_criterion: i64,
    /// What may be said, as one word for machines.
    pub outcome: Outcome,
    /// What may be said, in plain words.
    pub verdict: String,
    /// Conditional maximum likelihood.
    pub zippin: Option<Zippin>,
    /// Full maximum likelihood over whole numbers.
    pub integer_ml: Option<IntegerMl>,
    /// Maximum weighted likelihood, Beta(1, 1).
    pub carle_strub: Option<CarleStrub>,
    /// Closed form, two passes only.
    pub two_pass: Option<TwoPass>,
    /// 95 % profile-likelihood interval.
    pub profile_95: Option<Profile>,
    /// 90 % profile-likelihood interval.
    pub profile_90: Option<Profile>,
    /// Test of equal catchability, one cell per pass.
    pub chi_square: Option<ChiSquare>,
    /// The same test with small expected catches joined.
    pub chi_square_pooled: Option<ChiSquare>,
    /// How often the test of equal catchability, at the 5 % level, would notice `p` falling by a fifth from pass
    /// to pass, with this number of fish and first `p`. Mostly little: "not rejected" clears nothing.
    #[serde(serialize_with = "maybe_figure")]
    pub chi_square_power: Option<f64>,
    /// Posterior for a flat weight on `p` and `1/(N+1)` on the number; informative also where all fish
    /// came on the first pass. Shown only where the catch fell; [`posterior()`](crate::posterior()) answers for any catch.
    pub posterior: Option<Posterior>,
    /// What one more pass should take and buy.
    pub next_pass: Option<NextPass>,
    /// The estimate to act on; `None` where only a minimum count may be given.
    pub headline: Option<Headline>,
    /// Why each missing figure is missing.
    pub refused: BTreeMap<Method, Refusal>,
    /// What has to stand beside every removal estimate.
    pub caution: &'static str,
}

impl Analysis {
    /// Analyses the catch of each pass, first pass first, with the usual floor of [`LEAST_FISH`].
    ///
    /// ```
    /// use gravelbar_estimate::{Analysis, Outcome};
    ///
    /// let trout = Analysis::of(&[48, 19, 8])?;
    /// let headline = trout.headline.ok_or("no estimate")?;
    /// assert_eq!(headline.n_fish, 79);
    /// assert_eq!(Analysis::of(&[5, 0, 0])?.outcome, Outcome::AllCaughtNotInformative);
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// No pass, too many passes, or a count no stream holds.
    pub fn of(catch: &[u32]) -> Result<Self, CatchError> {
        Ok(Self::with_floor(&Catch::new(catch)?, LEAST_FISH))
    }

    /// Analyses a checked catch; fewer fish than `least_fish` give [`Outcome::TooFew`].
    #[must_use]
    pub fn with_floor(catch: &Catch, least_fish: u64) -> Self {
        let mut refused = BTreeMap::new();
        // A whole-number or weighted estimate without a fall is finite and means nothing: 5, 5 gives
        // 17 and 13. The rule "show it only if S > 0" stands here, once, for both.
        let depleted = catch.must_deplete();
        let zippin = keep(&mut refused, Method::Zippin, zippin(catch));
        // Each estimate is worked out once, and the others are looked for around it.
        let near = zippin.map_or(catch.total(), |fit| whole(fit.n_fish));
        let se_fish = zippin.and_then(|fit| fit.se_fish).unwrap_or(0.0);
        let integer_ml = keep(
            &mut refused,
            Method::IntegerMl,
            depleted.and_then(|()| integer_ml_near(catch, near)),
        );
        let carle_strub = keep(
            &mut refused,
            Method::CarleStrub,
            depleted.and_then(|()| carle_strub_near(catch, BetaWeight::FLAT, near)),
        );
        let two_pass = keep(&mut refused, Method::TwoPass, two_pass(catch));
        let profiled = |level| match integer_ml {
            Some(best) => profile_around(catch, Some(best.n_fish), 2.0 * se_fish, level),
            None => profile(catch, level),
        };
        let profile_95 = keep(
            &mut refused,
            Method::Profile95,
            shown(catch, || profiled(Level::P95)),
        );
        let profile_90 = keep(
            &mut refused,
            Method::Profile90,
            shown(catch, || profiled(Level::P90)),
        );
        let tested = |least_expected| match &zippin {
            Some(fit) => equal_catchability(catch, fit, least_expected),
            None => chi_square(catch),
        };
        let chi_square = keep(&mut refused, Method::ChiSquare, tested(0.0));
        let pooled = keep(
            &mut refused,
            Method::ChiSquarePooled,
            tested(SMALLEST_EXPECTED),
        );
        let mode_near = carle_strub.as_ref().map_or(near, |best| best.n_fish);
        let posterior = keep(
            &mut refused,
            Method::Posterior,
            depleted.and_then(|()| posterior_near(catch, BetaWeight::FLAT, mode_near)),
        );
        let ahead = match (&zippin, &carle_strub) {
            (Some(fit), Some(weighted)) => Ok(one_pass_on(catch, fit, weighted)),
            _ => next_pass(catch),
        };
        let next_pass = keep(&mut refused, Method::NextPass, ahead);
        if zippin.is_some_and(|fit| fit.se_fish.is_none()) {
            refused.insert(
                Method::StandardError,
                Refusal::AllCaughtNotInformative {
                    caught: catch.total(),
                },
            );
        }

        let outcome = outcome(catch, carle_strub.as_ref(), least_fish);
        let headline = match (outcome, &carle_strub) {
            (Outcome::Estimated, Some(best)) => {
                Some(Headline::new(best, catch.total(), profile_95, true))
            }
            (Outcome::AllCaughtNotInformative, Some(best)) => {
                Some(Headline::new(best, catch.total(), profile_95, false))
            }
            _ => None,
        };
        Self {
            catch: catch.per_pass().to_vec(),
            total: catch.total(),
            depletion_criterion: catch.depletion_criterion(),
            outcome,
            verdict: verdict(catch, outcome, headline.as_ref()),
            zippin,
            integer_ml,
            carle_strub,
            two_pass,
            profile_95,
            profile_90,
            chi_square,
            chi_square_pooled: pooled,
            chi_square_power: zippin
                .as_ref()
                .filter(|_| chi_square.is_some())
                .and_then(|fit| power_of_test(catch, fit)),
            posterior,
            next_pass,
            headline,
            refused,
            caution: CAUTION,
        }
    }
}

/// Which of the rules holds, the strongest first.
///
/// All fish on the first pass is told before "too few", because it explains why there is no spread; a
/// weighted estimate equal to a catch that fell over several passes only after it.
fn outcome(catch: &Catch, best: Option<&CarleStrub>, least_fish: u64) -> Outcome {
    match (catch.must_deplete(), best) {
        (Err(Refusal::NothingCaught { .. }), _) => Outcome::NothingCaught,
        (Err(Refusal::OnePassOnly { .. }), _) => Outcome::OnePassOnly,
        (Err(_), _) | (Ok(()), None) => Outcome::DidNotDeplete,
        _ if catch.all_on_first_pass() => Outcome::AllCaughtNotInformative,
        _ if catch.total() < least_fish => Outcome::TooFew,
        (Ok(()), Some(best)) if best.n_fish == catch.total() => Outcome::AllCaughtNotInformative,
        _ => Outcome::Estimated,
    }
}

/// The profile interval as it may be shown: one that has shrunk to the catch alone would be read as
/// certainty, and without a fall there is never an upper end.
fn shown(
    catch: &Catch,
    interval: impl FnOnce() -> Result<Profile, Refusal>,
) -> Result<Profile, Refusal> {
    let interval = interval()?;
    if catch.depletion_criterion() <= 0 {
        return Ok(Profile {
            high: None,
            ..interval
        });
    }
    if interval.high == Some(catch.total()) {
        return Err(Refusal::AllCaughtNotInformative {
            caught: catch.total(),
        });
    }
    Ok(interval)
}

/// Power against a fall of `p` by a fifth from pass to pass.
fn power_of_test(catch: &Catch, fit: &Zippin) -> Option<f64> {
    let mut falling = [fit.p; MOST_PASSES];
    let mut p = fit.p;
    for chance in &mut falling {
        *chance = p;
        p *= 0.8;
    }
    chi_square_power(fit.n_fish, falling.get(..catch.passes())?, 0.05)
        .ok()
        .map(|power| power.power)
}

fn keep<T>(
    refused: &mut BTreeMap<Method, Refusal>,
    method: Method,
    result: Result<T, Refusal>,
) -> Option<T> {
    match result {
        Ok(answer) => Some(answer),
        Err(reason) => {
            refused.insert(method, reason);
            None
        }
    }
}
