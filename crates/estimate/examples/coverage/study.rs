//! Owns one cell of the study: many simulated reaches of one kind, and how often each interval held the truth.

use gravelbar_estimate::{
    Analysis, BetaWeight, Catch, CatchError, Level, NORMAL_95, Outcome, Posterior, Profile,
    carle_strub, integer_ml, posterior, profile, zippin,
};

/// Reaches simulated per cell: shares are good to 0.016 at worst, to 0.007 near 0.95 (one standard error).
pub(crate) const REACHES: u32 = 1000;

/// Fewest reaches with an estimate to act on for shares among them.
pub(crate) const LEAST_SHOWN: u32 = 100;

/// What is true in a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Reach {
    /// Fish present before pass 1.
    pub(crate) fish: u32,
    /// Share the first pass takes, in tenths.
    pub(crate) tenths: u32,
    /// Share each pass takes over that of the pass before, in tenths: 10 is constant.
    pub(crate) kept_tenths: u32,
    /// Passes.
    pub(crate) passes: u32,
}

impl Reach {
    /// Share the first pass takes.
    pub(crate) fn p(&self) -> f64 {
        f64::from(self.tenths) / 10.0
    }

    /// Share each pass takes over that of the pass before.
    pub(crate) fn kept(&self) -> f64 {
        f64::from(self.kept_tenths) / 10.0
    }

    /// Every cell draws its own fish, the same ones each time.
    fn seed(&self) -> u64 {
        [self.fish, self.tenths, self.kept_tenths, self.passes]
            .into_iter()
            .fold(0, |seed, part| seed * 10_007 + u64::from(part))
    }
}

/// How a cell came out. Shares are of all reaches unless it says otherwise.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    pub(crate) reach: Reach,
    /// Analysis gives no estimate to act on: no fall, too few fish, all caught, one pass.
    pub(crate) refused: f64,
    /// No conditional estimate.
    pub(crate) no_zippin: f64,
    /// The 95 % profile interval has no upper end.
    pub(crate) open: f64,
    /// The profile interval holds the truth. `None`: one pass has none.
    pub(crate) profile: Option<f64>,
    /// The 90 % profile interval holds the truth.
    pub(crate) profile_90: Option<f64>,
    /// The posterior interval holds the truth.
    pub(crate) posterior: f64,
    /// Conditional estimate and 1.96 standard errors; without an estimate nothing is held.
    pub(crate) wald_zippin: Option<f64>,
    /// Carle-Strub number and 1.96 standard errors of `(N, p, k)`.
    pub(crate) wald_carle_strub: Option<f64>,
    /// Where there is an estimate to act on: its profile interval holds the truth.
    pub(crate) shown_profile: Option<f64>,
    /// Where there is an estimate to act on: its printed half-width holds the truth.
    pub(crate) shown_half_width: Option<f64>,
    /// Medians over the truth: conditional (where there is one), whole-number, Carle-Strub, posterior median.
    pub(crate) medians: [Option<f64>; 4],
}

/// A small generator of our own (splitmix64), so that a run repeats to the fish.
struct Draws(u64);

impl Draws {
    fn chance(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((bits ^ (bits >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn catch(&mut self, reach: &Reach) -> Vec<u32> {
        let (mut left, mut p) = (reach.fish, reach.p());
        (0..reach.passes)
            .map(|_| {
                let caught = (0..left).fold(0, |caught, _| caught + u32::from(self.chance() < p));
                left -= caught;
                p *= reach.kept();
                caught
            })
            .collect()
    }
}

/// Fishes the reach of a cell over and over.
pub(crate) fn fish(reach: Reach) -> Result<Row, CatchError> {
    let (mut draws, truth) = (Draws(reach.seed()), u64::from(reach.fish));
    let mut count = Count::default();
    let mut estimates: [Vec<f64>; 4] = Default::default();
    for _ in 0..REACHES {
        let catch = Catch::new(&draws.catch(&reach))?;
        let analysis = Analysis::of(catch.per_pass())?;
        let conditional = zippin(&catch).ok();
        let weighted = carle_strub(&catch, BetaWeight::FLAT).ok();
        let belief = posterior(&catch, BetaWeight::FLAT).ok();
        let (wide, narrow) = (profile(&catch, Level::P95), profile(&catch, Level::P90));

        count.no_zippin += u32::from(conditional.is_none());
        // A catch of none says nothing against any number of fish.
        let open = wide.as_ref().is_ok_and(|interval| interval.high.is_none());
        count.open += u32::from(open || catch.total() == 0);
        count.profile += u32::from(wide.map_or(catch.total() == 0, |held| holds(held, truth)));
        count.profile_90 += u32::from(narrow.map_or(catch.total() == 0, |held| holds(held, truth)));
        count.posterior += u32::from(belief.is_some_and(|held| believes(held, truth)));
        let wald = |fish: f64, se: Option<f64>| {
            (fish - truth as f64).abs() <= NORMAL_95 * se.unwrap_or(0.0) + 1e-9
        };
        count.wald_zippin +=
            u32::from(conditional.is_some_and(|fit| wald(fit.n_fish, fit.se_fish)));
        count.wald_carle_strub +=
            u32::from(weighted.is_some_and(|fit| wald(fit.n_fish as f64, fit.se_fish)));
        match analysis.headline {
            Some(shown) if analysis.outcome == Outcome::Estimated => {
                count.shown += 1;
                count.shown_profile += u32::from(
                    shown
                        .profile_95
                        .is_some_and(|interval| holds(interval, truth)),
                );
                count.shown_half_width += u32::from(wald(shown.n_fish as f64, shown.se_fish));
            }
            _ => count.refused += 1,
        }

        let [by_zippin, by_whole, by_weight, by_belief] = &mut estimates;
        by_zippin.extend(conditional.map(|fit| fit.n_fish));
        if reach.passes > 1 {
            // Without a highest point the estimate lies above all others.
            by_whole.push(integer_ml(&catch).map_or(f64::INFINITY, |fit| fit.n_fish as f64));
            by_weight.push(weighted.map_or(0.0, |fit| fit.n_fish as f64));
        }
        by_belief.extend(belief.map(|belief| belief.median as f64));
    }
    let share = |count: u32| f64::from(count) / f64::from(REACHES);
    let of_several = |count: u32| (reach.passes > 1).then(|| share(count));
    let of_shown =
        |held: u32| (count.shown >= LEAST_SHOWN).then(|| f64::from(held) / f64::from(count.shown));
    Ok(Row {
        reach,
        refused: share(count.refused),
        no_zippin: share(count.no_zippin),
        open: share(count.open),
        profile: of_several(count.profile),
        profile_90: of_several(count.profile_90),
        posterior: share(count.posterior),
        wald_zippin: of_several(count.wald_zippin),
        wald_carle_strub: of_several(count.wald_carle_strub),
        shown_profile: of_shown(count.shown_profile),
        shown_half_width: of_shown(count.shown_half_width),
        medians: estimates.map(|values| median(values).map(|fish| fish / f64::from(reach.fish))),
    })
}

#[derive(Default)]
struct Count {
    refused: u32,
    shown: u32,
    no_zippin: u32,
    open: u32,
    profile: u32,
    profile_90: u32,
    posterior: u32,
    wald_zippin: u32,
    wald_carle_strub: u32,
    shown_profile: u32,
    shown_half_width: u32,
}

fn holds(interval: Profile, truth: u64) -> bool {
    interval.low <= truth && interval.high.is_none_or(|high| truth <= high)
}

fn believes(belief: Posterior, truth: u64) -> bool {
    belief.low_95 <= truth && belief.high_95.is_none_or(|high| truth <= high)
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

impl Row {
    /// Names of the columns of [`Row::line`].
    pub(crate) const COLUMNS: &'static str = "fish,p,kept,passes,refused,no_zippin,no_upper_limit,profile_95,profile_90,\
        posterior_95,wald_zippin,wald_carle_strub,shown_profile_95,shown_half_width,\
        median_zippin,median_whole,median_carle_strub,median_posterior";

    /// The row as comma-separated text; an empty field is a figure that doesn't exist.
    pub(crate) fn line(&self) -> String {
        let Reach { fish, passes, .. } = self.reach;
        let mut line = format!(
            "{fish},{},{},{passes},{},{},{}",
            self.reach.p(),
            self.reach.kept(),
            self.refused,
            self.no_zippin,
            self.open
        );
        let shares = [
            self.profile,
            self.profile_90,
            Some(self.posterior),
            self.wald_zippin,
            self.wald_carle_strub,
            self.shown_profile,
            self.shown_half_width,
        ];
        for figure in shares.into_iter().chain(self.medians) {
            line.push(',');
            match figure {
                Some(figure) if figure.is_infinite() => line.push_str("inf"),
                Some(figure) => line.push_str(&format!("{:.3}", figure)),
                None => {}
            }
        }
        line
    }
}
