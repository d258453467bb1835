//! From the catch of each pass to a population, with its interval, or a plain refusal.
//!
//! A crew fishes a closed reach several times and holds every fish out until the last pass. If each
//! pass takes about the same share `p` of the fish still there, the catches fall geometrically and
//! the fall tells how many fish there were: the *removal method*. This crate holds the published
//! estimators for it, the intervals that stay honest for small catches, and the rules for when no
//! number may be given at all.
//!
//! Start at [`Analysis::of`]; every estimator is also a function of its own. Around it stand what a visit needs
//! besides: [`posterior()`] for any catch, [`next_pass()`] for the stop-or-go decision, [`effort_ml`] where on-time
//! differs, [`first_pass_model`] where the first pass does, [`density()`] and [`biomass()`], [`catch_per_hour`],
//! [`mark_recapture()`], and the fish themselves: [`MassFit`], [`check_mass`], [`relative_weight`],
//! [`length_frequency`], [`expand_catch`].
//!
//! ```
//! use gravelbar_estimate::{Analysis, Outcome};
//!
//! let good = Analysis::of(&[24, 17, 8])?;
//! assert_eq!(good.outcome, Outcome::Estimated);
//! assert_eq!(good.carle_strub.map(|cs| cs.n_fish), Some(59));
//!
//! let weak = Analysis::of(&[8, 9, 11])?;
//! assert_eq!(weak.outcome, Outcome::DidNotDeplete);
//! assert!(weak.carle_strub.is_none());
//! # Ok::<(), gravelbar_estimate::CatchError>(())
//! ```
//!
//! # What every estimate here assumes
//!
//! A reach closed by nets or natural barriers; every fish as easily caught as the next; the same `p`
//! on every pass (same effort, settings, crew, clarity); no fish put back before the last pass;
//! counts without error. In fact `p` nearly always falls from pass to pass, so a removal estimate is
//! usually **low** and looks **more certain than it is**: [`CAUTION`] travels with every analysis.
//!
//! How often each interval holds the truth is simulated in `docs/coverage.md` beside this crate: the posterior interval
//! nearly always as often as it says, the profile interval short for small catches, 1.96 standard errors far short,
//! and none of them where `p` falls.
//!
//! # Notation
//!
//! `k` passes, `c[i]` the catch of pass `i`, `T` their sum, `N` the fish present before pass 1, `p` the
//! chance that one pass takes one fish, `q = 1 - p`, `X = sum (k - i) c[i]`, and the depletion
//! criterion `S = sum (k + 1 - 2i) c[i]`. A removal estimate exists only where `S > 0`.
//!
//! # Same answer on every machine
//!
//! No clock, no locale, no threads. Logarithms, exponentials and roots come from the `libm` crate, so
//! they agree to the last bit on every platform; serialized figures are rounded to six significant
//! digits by [`six_digits`].

mod analysis;
mod belief;
mod carle_strub;
mod catch;
mod catch_rate;
mod chi_square;
mod condition;
mod density;
mod depletion_line;
mod effort;
mod first_pass;
mod headline;
mod information;
mod integer_ml;
mod known_p;
mod likelihood;
mod mark_recapture;
mod mass_check;
mod mass_curve;
mod mass_line;
mod next_pass;
mod posterior;
mod power;
mod profile;
mod ratio;
mod refusal;
mod search;
mod series;
mod significant;
mod size_structure;
mod strata;
mod strata_posterior;
mod subsample;
mod tail;
mod two_pass;
mod verdict;
mod weight;
mod zippin;

pub use analysis::{Analysis, LEAST_FISH, Method, Outcome};
pub use carle_strub::{CarleStrub, carle_strub};
pub use catch::{Catch, CatchError, MOST_FISH_PER_PASS, MOST_PASSES};
pub use catch_rate::{
    CatchRate, RateError, RateOverSites, SiteMean, catch_per_hour, first_pass_index,
    mean_over_sites, rate_over_sites,
};
pub use chi_square::{ChiSquare, SMALLEST_EXPECTED, chi_square, chi_square_pooled};
pub use condition::{
    ConditionError, STANDARD_WEIGHTS, StandardWeight, fulton_k, relative_condition, relative_weight,
};
pub use density::{
    Biomass, Density, DensityError, WeighedCatch, biomass, biomass_with_catch, density, per_100_m,
};
pub use depletion_line::{
    CumulativeCatch, DeLuryLine, LeslieLine, RegressionError, delury, leslie,
};
pub use effort::{EffortError, EffortMl, EffortSeries, effort_ml};
pub use first_pass::{
    FirstPassModel, GENERALISED_LEVEL, GeneralisedRemoval, GeneralisedStep, first_pass_model,
    generalised_removal,
};
pub use headline::Headline;
pub use information::{standard_error_from_catch, standard_errors};
pub use integer_ml::{IntegerMl, integer_ml};
pub use known_p::{KnownP, KnownPError, empty_catch_bound, single_pass};
pub use mark_recapture::{
    LimitRule, MarkError, MarkEstimate, Marks, mark_recapture, poisson_mark_limits,
    shortest_mark_limits,
};
pub use mass_check::{MassBand, MassCheck, Slip, SuggestedReading, check_mass};
pub use mass_curve::{FitError, MassCurve, MassFit, USUAL_SLOPES};
pub use mass_line::{MassLine, MassLineError, leslie_mass};
pub use next_pass::{
    NextPass, chance_of_fewer, chance_of_target, next_pass, planned_cv, share_caught,
};
pub use posterior::{Posterior, posterior};
pub use power::{Power, PowerError, chi_square_power};
pub use profile::{Level, Profile, profile};
pub use ratio::{RatioShortcut, ratio_shortcut};
pub use refusal::Refusal;
pub use search::MOST_FISH;
pub use significant::six_digits;
pub use size_structure::{
    LONGEST_FISH_MM, LengthBin, Proportion, SizeClasses, SizeDistribution, SizeError,
    length_frequency, size_distribution, usual_bin_mm,
};
pub use strata::{StrataSum, Stratum, sum_of_strata};
pub use strata_posterior::{TotalPosterior, posterior_of_total};
pub use subsample::{Expanded, SubsampleError, batch_count, expand_catch, expand_estimate};
pub use two_pass::{TwoPass, two_pass};
pub use verdict::CAUTION;
pub use weight::{BetaWeight, WeightError};
pub use zippin::{Zippin, zippin};

/// Half-width of a symmetric normal 95 % interval, in standard errors.
///
/// # Source
/// Standard normal quantile 0.975, rounded as field sheets round it (common practice).
pub const NORMAL_95: f64 = 1.96;
