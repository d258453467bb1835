//! One removal series: its catch by pass, and what may be said of it.

use gravelbar_estimate::{Analysis, CatchError, Headline, Outcome};
use serde::Serialize;

use crate::analyses::Analyses;
use crate::figure::{counted, figure, percent};
use crate::ground::Ground;
use crate::nets::Closure;

/// Catch of a later pass below which a two-pass spread isn't trusted.
///
/// # Source
/// Bohlin et al. 1989, p. 24, citing Seber 1973: two-pass standard errors are unreliable below
/// about 200 fish.
const TWO_PASS_FISH: u64 = 200;

/// A p-value below which the passes clearly took unequal shares (common practice, no source).
const UNEQUAL_SHARES: f64 = 0.05;

/// Where a series' counts come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CatchSource {
    /// The work-up on the bank.
    WorkUp,
    /// The netters' taps, because no fish of the species was worked up.
    Tally,
}

impl CatchSource {
    /// The source in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::WorkUp => "work-up",
            Self::Tally => "tally",
        }
    }
}

/// A removal series and its estimate, or the reason why there is none.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Removal {
    /// Where the counts come from.
    pub source: CatchSource,
    /// Fish of each pass the estimate uses, pass 1 first.
    pub catch: Vec<u64>,
    /// Fish on record, those of passes the estimate doesn't use included.
    pub total: u64,
    /// Whether the nets held from pass 1 to the last pass used. An open series is estimated, and
    /// belongs in no comparison of closed ones.
    pub closure: Closure,
    /// The nets in words.
    pub nets: String,
    /// What may be said: number, estimator and interval, or "minimum …, because …". Never to be
    /// shown without [`cautions`](Self::cautions).
    pub verdict: String,
    /// What has to be known beside it, the usual direction of bias first.
    pub cautions: Vec<String>,
    /// All estimators; `None` where no pass can be used.
    pub analysis: Option<Analysis>,
    /// The estimate over the area.
    pub density: Option<Density>,
    /// What stood after each pass from the second on, the last one as above.
    pub after: Vec<AfterPass>,
    /// What one more pass should bring.
    pub next_pass: Option<NextPass>,
}

/// Fish on 100 m², from the headline estimate; the area is taken as exact.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Density {
    /// Area, m².
    pub area_m2: f64,
    /// Estimated fish on 100 m².
    pub fish_per_100_m2: f64,
    /// Lower end of the 95 % profile interval on 100 m².
    pub low_per_100_m2: Option<f64>,
    /// Its upper end; `None` where there is no upper limit.
    pub high_per_100_m2: Option<f64>,
}

/// The estimate as it stood after some pass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AfterPass {
    /// Passes used.
    pub passes: usize,
    /// What may be said.
    pub outcome: Outcome,
    /// The estimate.
    pub headline: Option<Headline>,
    /// Whether the nets held until then.
    pub closure: Closure,
    /// In words.
    pub verdict: String,
}

/// What one more pass should bring, if it takes the same share as the others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextPass {
    /// Fish it should take.
    pub expected_fish: f64,
    /// Half-width of the interval now, as a share of the estimate.
    pub relative_now: Option<f64>,
    /// The same after such a pass.
    pub relative_then: Option<f64>,
    /// In words.
    pub words: String,
}

/// What a series is made of.
pub(crate) struct Caught {
    pub(crate) source: CatchSource,
    /// Fish of each usable pass.
    pub(crate) catch: Vec<u64>,
    /// Fish on record in all passes.
    pub(crate) total: u64,
    /// Cautions that belong to this species alone.
    pub(crate) cautions: Vec<String>,
}

impl Removal {
    /// Estimates a series that was caught on some ground.
    pub(crate) fn of(caught: Caught, ground: &Ground, analyses: &mut Analyses) -> Self {
        let passes = caught.catch.len();
        let (closure, nets) = ground.closed_until(passes);
        let analysis = analyses.of(&caught.catch);
        let mut cautions = Vec::new();
        if let Ok(analysis) = &analysis {
            cautions.extend(of_estimate(analysis, passes));
        }
        if passes > 1 && closure == Closure::NotRecorded {
            cautions.push(format!(
                "nets not recorded ({nets}): fish may have come and gone"
            ));
        }
        cautions.extend(ground.cautions(passes));
        let used: u64 = caught.catch.iter().sum();
        if caught.total > used && passes > 0 {
            let outside = counted(caught.total - used, "fish is", "fish are");
            cautions.push(format!(
                "{outside} on record in passes the estimate doesn't use"
            ));
        }
        let verdict = match &analysis {
            Ok(analysis) => labelled(caught.source, closure, &nets, passes, &analysis.verdict),
            Err(CatchError::NoPass) => format!(
                "{} so far, no pass to estimate from: {}",
                caught.total,
                ground.why_no_more()
            ),
            Err(error) => {
                let minimum = format!("minimum {}, because {error}", caught.total);
                labelled(caught.source, closure, &nets, passes, &minimum)
            }
        };
        let analysis = analysis.ok();
        let headline = analysis.as_ref().and_then(|a| a.headline.as_ref());
        Self {
            density: headline
                .zip(ground.area_m2)
                .and_then(|(h, area)| density(h, area)),
            next_pass: analysis.as_ref().and_then(next_pass),
            after: after(&caught, ground, analyses),
            cautions: [cautions, caught.cautions].concat(),
            source: caught.source,
            catch: caught.catch,
            total: caught.total,
            closure,
            nets,
            verdict,
            analysis,
        }
    }

    /// The estimate to act on, where one may be given.
    #[must_use]
    pub fn headline(&self) -> Option<&Headline> {
        self.analysis.as_ref().and_then(|a| a.headline.as_ref())
    }

    /// Where equal catchability would put the catch of each pass, `p N (1 - p)^(i - 1)`, from the
    /// [`headline`](Self::headline); empty where there is none. To be drawn behind the catch, never
    /// printed as a number of fish.
    #[must_use]
    pub fn fitted(&self) -> Vec<f64> {
        let headline = self.headline().and_then(|h| Some((h.n_fish as f64, h.p?)));
        let Some((n_fish, p)) = headline else {
            return Vec::new();
        };
        std::iter::successors(Some(n_fish * p), |last| Some(last * (1.0 - p)))
            .take(self.catch.len())
            .collect()
    }
}

fn of_estimate(analysis: &Analysis, passes: usize) -> Vec<String> {
    let mut cautions = Vec::new();
    if analysis.headline.is_some() {
        cautions.push(analysis.caution.to_owned());
    }
    if passes == 2 && analysis.outcome == Outcome::Estimated && analysis.total < TWO_PASS_FISH {
        cautions.push(format!(
            "two passes and fewer than {TWO_PASS_FISH} fish: the spread is unreliable, fish a third"
        ));
    }
    let unequal = analysis
        .chi_square
        .filter(|test| test.p_value < UNEQUAL_SHARES);
    if unequal.is_some() && analysis.outcome == Outcome::Estimated {
        cautions.push(
            "the passes took clearly unequal shares (chi-square below 5 %): the model doesn't fit"
                .to_owned(),
        );
    }
    cautions
}

/// A verdict with the labels that must never come off it.
fn labelled(
    source: CatchSource,
    closure: Closure,
    nets: &str,
    passes: usize,
    verdict: &str,
) -> String {
    let mut said = String::new();
    if closure == Closure::Open && passes > 1 {
        said.push_str(&format!("OPEN ({nets}): "));
    }
    if source == CatchSource::Tally {
        said.push_str("from tally: ");
    }
    said.push_str(verdict);
    said
}

fn density(headline: &Headline, area_m2: f64) -> Option<Density> {
    let per_100 = |fish: u64| figure(100.0 * fish as f64 / area_m2);
    let profile = headline.profile_95;
    Some(Density {
        area_m2,
        fish_per_100_m2: per_100(headline.n_fish)?,
        low_per_100_m2: profile.and_then(|p| per_100(p.low)),
        high_per_100_m2: profile.and_then(|p| p.high).and_then(per_100),
    })
}

fn after(caught: &Caught, ground: &Ground, analyses: &mut Analyses) -> Vec<AfterPass> {
    (2..=caught.catch.len())
        .filter_map(|passes| {
            let analysis = analyses.of(caught.catch.get(..passes)?).ok()?;
            let (closure, nets) = ground.closed_until(passes);
            Some(AfterPass {
                passes,
                verdict: labelled(caught.source, closure, &nets, passes, &analysis.verdict),
                outcome: analysis.outcome,
                headline: analysis.headline,
                closure,
            })
        })
        .collect()
}

/// Only where there is an interval to narrow.
fn next_pass(analysis: &Analysis) -> Option<NextPass> {
    let headline = analysis.headline.as_ref()?;
    let relative_now = headline.relative_half_width?;
    let relative_then = (analysis.next_pass.as_ref()).and_then(|n| n.relative_half_width_after);
    let mut words = format!(
        "one more pass should take about {:.0}",
        headline.expected_next_catch
    );
    match relative_then {
        Some(then) => {
            let (now, then) = (percent(relative_now), percent(then));
            words.push_str(&format!(", giving ± {then} instead of ± {now}"));
        }
        None => words.push_str("; all estimated fish would then be in hand"),
    }
    Some(NextPass {
        expected_fish: figure(headline.expected_next_catch)?,
        relative_now: figure(relative_now),
        relative_then: relative_then.and_then(figure),
        words,
    })
}
