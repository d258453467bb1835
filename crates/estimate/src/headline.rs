//! Owns the one estimate a crew acts on: number, spread, interval and what another pass would take.

use crate::NORMAL_95;
use crate::carle_strub::CarleStrub;
use crate::profile::Profile;
use crate::significant::{figure, maybe_figure};
use serde::Serialize;

/// The recommended estimate, with everything that has to be shown beside it.
///
/// The Carle-Strub number, because it is the one long series are kept in; its symmetric half-width, because
/// older reports carry it; and the profile interval, which is the one to believe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Headline {
    /// Which estimator `n_fish` is of.
    pub estimator: &'static str,
    /// Fish present before pass 1.
    pub n_fish: u64,
    /// Chance that one pass takes one fish; `None` where all fish came on the first pass.
    #[serde(serialize_with = "maybe_figure")]
    pub p: Option<f64>,
    /// Standard error in the form older reports carry,
    /// [`standard_error_from_catch`](crate::standard_error_from_catch); `None` where not informative.
    #[serde(serialize_with = "maybe_figure")]
    pub se_fish: Option<f64>,
    /// What `half_width_95_fish` is: a symmetric normal interval, too narrow for small catches.
    pub half_width_kind: &'static str,
    /// 1.96 standard errors; `None` where not informative, and then never to be shown as zero.
    #[serde(serialize_with = "maybe_figure")]
    pub half_width_95_fish: Option<f64>,
    /// `half_width_95_fish / n_fish`.
    #[serde(serialize_with = "maybe_figure")]
    pub relative_half_width: Option<f64>,
    /// 95 % profile-likelihood interval; `None` where not informative.
    pub profile_95: Option<Profile>,
    /// Fish the next pass should take, `p (N - T)`, if it takes the same share.
    #[serde(serialize_with = "figure")]
    pub expected_next_catch: f64,
}

impl Headline {
    /// `informative` is false where every estimated fish is in hand.
    pub(crate) fn new(
        best: &CarleStrub,
        total: u64,
        profile_95: Option<Profile>,
        informative: bool,
    ) -> Self {
        let se_fish = best.se_fish_from_catch.filter(|_| informative);
        let half_width = se_fish.map(|se| NORMAL_95 * se);
        Self {
            estimator: "carle_strub",
            n_fish: best.n_fish,
            p: (best.p < 1.0).then_some(best.p),
            se_fish,
            half_width_kind: "wald_1.96_se_from_catch",
            half_width_95_fish: half_width,
            relative_half_width: half_width.map(|width| width / best.n_fish as f64),
            profile_95: profile_95.filter(|_| informative),
            expected_next_catch: best.p * best.n_fish.saturating_sub(total) as f64,
        }
    }
}
