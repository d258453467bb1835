//! `gravelbar estimate`: population estimates from the catch of each pass.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use gravelbar_estimate::{
    Analysis, BetaWeight, Catch, EffortMl, EffortSeries, FirstPassModel, Method, Posterior,
    Refusal, effort_ml, first_pass_model, planned_cv, posterior, share_caught,
};
use serde::Serialize;

use super::{Wrong, say};

#[derive(Args)]
pub(super) struct Estimate {
    /// Fish caught on each pass, first pass first, such as 24,17,8.
    #[arg(long, value_name = "FISH,FISH,…", allow_hyphen_values = true)]
    catch: Option<String>,
    /// Energised seconds of each pass, such as 1184,1132,1098: adds the estimate for unequal effort.
    #[arg(
        long,
        value_name = "S,S,…",
        requires = "catch",
        allow_hyphen_values = true
    )]
    seconds: Option<String>,
    /// Puts this one first.
    #[arg(long, value_name = "METHOD")]
    method: Option<Chosen>,
    /// Beta weight on the chance of capture for the posterior, such as 12,12.
    #[arg(long, value_name = "ALPHA,BETA", allow_hyphen_values = true)]
    prior: Option<String>,
    /// Before the visit: the precision to expect for so many fish, chance of capture and passes.
    #[arg(long, value_name = "FISH,P,PASSES", conflicts_with_all = ["catch", "table"])]
    plan: Option<String>,
    /// Many catches: a CSV file with columns pass_1, pass_2, … and, if known, seconds_1, …; “-” reads
    /// standard input. Prints a line of JSON for each row.
    #[arg(long, value_name = "FILE", conflicts_with = "catch")]
    table: Option<PathBuf>,
    /// CSV instead of JSON for a table.
    #[arg(long, requires = "table")]
    csv: bool,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
}

/// The estimators one can ask for.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Chosen {
    /// Conditional maximum likelihood.
    Zippin,
    /// Full maximum likelihood over whole fish.
    IntegerMl,
    /// Weighted likelihood.
    CarleStrub,
    /// Closed form for two passes.
    TwoPass,
    /// Unequal effort; needs --seconds.
    EffortMl,
    /// A first pass of its own.
    FirstPass,
    /// Bayesian posterior.
    Posterior,
}

/// What is asked of every catch alike.
pub(super) struct Wanted {
    method: Option<Chosen>,
    prior: Option<BetaWeight>,
}

/// All that one catch has to say.
#[derive(Serialize)]
pub(super) struct Answer {
    #[serde(flatten)]
    pub(super) analysis: Analysis,
    effort_ml: Option<EffortMl>,
    first_pass_model: Option<FirstPassModel>,
    /// The posterior without the prior that was given, to be shown beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    posterior_flat_prior: Option<Posterior>,
    /// The estimator asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    chosen: Option<Figure>,
}

/// One estimator's number in the same form for all of them.
#[derive(Serialize)]
struct Figure {
    method: &'static str,
    n_fish: Option<f64>,
    se_fish: Option<f64>,
    p: Option<f64>,
    low: Option<u64>,
    high: Option<u64>,
    words: String,
}

pub(super) fn run(estimate: &Estimate) -> Result<(), Wrong> {
    let prior = estimate.prior.as_deref().map(prior).transpose()?;
    let wanted = Wanted {
        method: estimate.method,
        prior,
    };
    match (&estimate.catch, &estimate.table, &estimate.plan) {
        (Some(catch), ..) => {
            let catch = counts("--catch", catch)?;
            let seconds = estimate.seconds.as_deref().map(seconds).transpose()?;
            let answer = wanted.answer(&catch, seconds.as_deref())?;
            say(&if estimate.json {
                json(&answer)?
            } else {
                answer.in_words()
            });
            Ok(())
        }
        (_, Some(table), _) => super::table::run(table, estimate.csv, &wanted),
        (.., Some(plan)) => ahead(plan, estimate.json),
        _ => Err(Wrong::new(
            "nothing to estimate from: give --catch such as 24,17,8, or --table FILE, or --plan FISH,P,PASSES",
        )),
    }
}

pub(super) fn json(value: &impl Serialize) -> Result<String, Wrong> {
    serde_json::to_string(value)
        .map_err(|e| Wrong::new(format!("the result can't be written: {e}")))
}

impl Wanted {
    /// Everything there is to say about one catch.
    pub(super) fn answer(&self, catch: &[u32], seconds: Option<&[f64]>) -> Result<Answer, Wrong> {
        let mut analysis =
            Analysis::of(catch).map_err(|e| Wrong::new(format!("the catch: {e}")))?;
        let checked = Catch::new(catch).map_err(|e| Wrong::new(format!("the catch: {e}")))?;
        let mut keep = |method: Method, refusal: Refusal| {
            analysis.refused.insert(method, refusal);
        };
        let effort = match seconds {
            Some(seconds) => {
                let series = EffortSeries::new(catch, seconds)
                    .map_err(|e| Wrong::new(format!("the seconds: {e}")))?;
                effort_ml(&series)
                    .map_err(|why| keep(Method::EffortMl, why))
                    .ok()
            }
            None => None,
        };
        let first = first_pass_model(&checked)
            .map_err(|why| keep(Method::FirstPassModel, why))
            .ok();
        let mut flat = None;
        if let Some(prior) = self.prior {
            flat = posterior(&checked, BetaWeight::FLAT).ok();
            analysis.posterior = match posterior(&checked, prior) {
                Ok(posterior) => Some(posterior),
                Err(why) => {
                    analysis.refused.insert(Method::Posterior, why);
                    None
                }
            };
        }
        let mut answer = Answer {
            analysis,
            effort_ml: effort,
            first_pass_model: first,
            posterior_flat_prior: flat,
            chosen: None,
        };
        if let Some(method) = self.method {
            if method == Chosen::EffortMl && seconds.is_none() {
                return Err(Wrong::new(
                    "the estimate for unequal effort needs --seconds, such as 1184,1132,1098",
                ));
            }
            answer.chosen = Some(answer.figure(method));
        }
        Ok(answer)
    }
}

impl Answer {
    fn figure(&self, method: Chosen) -> Figure {
        let a = &self.analysis;
        let interval = a.profile_95.map(|p| (Some(p.low), p.high));
        let with = |name, key, figures: Option<(f64, Option<f64>, Option<f64>)>, interval| {
            self.as_figure(name, key, figures, interval)
        };
        match method {
            Chosen::Zippin => with(
                "zippin",
                Method::Zippin,
                a.zippin.map(|z| (z.n_fish, z.se_fish, Some(z.p))),
                interval,
            ),
            Chosen::IntegerMl => with(
                "integer_ml",
                Method::IntegerMl,
                a.integer_ml.map(|m| (whole(m.n_fish), None, Some(m.p))),
                interval,
            ),
            Chosen::CarleStrub => with(
                "carle_strub",
                Method::CarleStrub,
                a.carle_strub
                    .map(|c| (whole(c.n_fish), c.se_fish, Some(c.p))),
                interval,
            ),
            Chosen::TwoPass => with(
                "two_pass",
                Method::TwoPass,
                a.two_pass.map(|t| (t.n_fish, t.se_fish, Some(t.p))),
                interval,
            ),
            Chosen::EffortMl => with(
                "effort_ml",
                Method::EffortMl,
                self.effort_ml
                    .as_ref()
                    .map(|e| (whole(e.n_fish), e.se_fish_conditional, None)),
                self.effort_ml
                    .as_ref()
                    .map(|e| (Some(e.profile_95.low), e.profile_95.high)),
            ),
            Chosen::FirstPass => with(
                "first_pass_model",
                Method::FirstPassModel,
                self.first_pass_model
                    .map(|f| (whole(f.n_fish), f.se_fish_conditional, Some(f.p_later))),
                None,
            ),
            Chosen::Posterior => with(
                "posterior",
                Method::Posterior,
                a.posterior.map(|p| (whole(p.median), None, Some(p.p))),
                a.posterior.map(|p| (Some(p.low_95), p.high_95)),
            ),
        }
    }

    fn as_figure(
        &self,
        method: &'static str,
        key: Method,
        figures: Option<(f64, Option<f64>, Option<f64>)>,
        interval: Option<(Option<u64>, Option<u64>)>,
    ) -> Figure {
        let (n_fish, se_fish, p) =
            figures.map_or((None, None, None), |(n, se, p)| (Some(n), se, p));
        let (low, high) = match (n_fish, interval) {
            (Some(_), Some(interval)) => interval,
            _ => (None, None),
        };
        let words = match n_fish {
            Some(n) => format!(
                "{}: {n:.1} fish{}{}",
                method.replace('_', " "),
                se_fish.map_or(String::new(), |se| format!(", SE {se:.1}")),
                match (low, high) {
                    (Some(low), Some(high)) => format!(", 95 % interval {low} to {high}"),
                    (Some(low), None) => format!(", 95 % interval from {low}, no upper limit"),
                    _ => ", no interval".to_owned(),
                }
            ),
            None => self.analysis.refused.get(&key).map_or_else(
                || format!("{}: no number", method.replace('_', " ")),
                ToString::to_string,
            ),
        };
        Figure {
            method,
            n_fish: n_fish.map(gravelbar_estimate::six_digits),
            se_fish: se_fish.map(gravelbar_estimate::six_digits),
            p: p.map(gravelbar_estimate::six_digits),
            low,
            high,
            words,
        }
    }

    /// For a person: the verdict first, then each estimator with its spread, or why it gives no
    /// number.
    fn in_words(&self) -> String {
        let a = &self.analysis;
        let catch: Vec<String> = a.catch.iter().map(ToString::to_string).collect();
        let mut lines = vec![format!("caught {}, together {}", catch.join(", "), a.total)];
        lines.extend(self.chosen.as_ref().map(|chosen| chosen.words.clone()));
        lines.extend([a.verdict.clone(), String::new()]);
        let spread = |se: Option<f64>| se.map_or(String::new(), |se| format!(", SE {se:.1}"));
        if let Some(z) = &a.zippin {
            lines.push(format!(
                "Zippin, conditional maximum likelihood: {:.1} fish{}, p {:.2}",
                z.n_fish,
                spread(z.se_fish),
                z.p
            ));
        }
        if let Some(ml) = &a.integer_ml {
            lines.push(format!(
                "full maximum likelihood, whole fish: {} fish, p {:.2}",
                ml.n_fish, ml.p
            ));
        }
        if let Some(cs) = &a.carle_strub {
            lines.push(format!(
                "Carle and Strub, weighted likelihood: {} fish{}, p {:.2}",
                cs.n_fish,
                spread(cs.se_fish),
                cs.p
            ));
        }
        if let Some(two) = &a.two_pass {
            lines.push(format!(
                "Seber and Le Cren, two passes: {:.1} fish{}, p {:.2}",
                two.n_fish,
                spread(two.se_fish),
                two.p
            ));
        }
        if let Some(effort) = &self.effort_ml {
            lines.push(format!(
                "unequal effort, maximum likelihood: {} fish, 95 % {}",
                effort.n_fish,
                range(effort.profile_95.low, effort.profile_95.high)
            ));
        }
        if let Some(first) = &self.first_pass_model {
            lines.push(format!(
                "with a first pass of its own: {} fish (likelihood ratio P {})",
                first.n_fish,
                first
                    .ratio_p_value
                    .map_or("not known".to_owned(), |p| format!("{p:.2}"))
            ));
        }
        if let Some(profile) = &a.profile_95 {
            lines.push(format!(
                "95 % profile interval: {} fish",
                range(profile.low, profile.high)
            ));
        }
        if let Some(posterior) = &a.posterior {
            lines.push(format!(
                "posterior, Beta({}, {}) on p: median {} fish, 95 % {}",
                posterior.prior_alpha,
                posterior.prior_beta,
                posterior.median,
                range(posterior.low_95, posterior.high_95)
            ));
        }
        if let Some(flat) = &self.posterior_flat_prior {
            lines.push(format!(
                "  the same with a flat prior: median {} fish, 95 % {}",
                flat.median,
                range(flat.low_95, flat.high_95)
            ));
        }
        if let Some(next) = &a.next_pass {
            lines.push(format!(
                "one more pass should take about {:.0} fish{}",
                next.expected_catch,
                match (next.se_now_fish, next.se_after_fish) {
                    (Some(now), Some(after)) =>
                        format!(" and bring the SE from {now:.1} to {after:.1}"),
                    _ => String::new(),
                }
            ));
        }
        if let Some(chi) = &a.chi_square {
            lines.push(format!(
                "equal catchability, chi-square: {:.2} on {} df, P {:.2} (a high P clears nothing at field sample sizes)",
                chi.statistic, chi.df, chi.p_value
            ));
        }
        let mut reasons: Vec<String> = a.refused.values().map(ToString::to_string).collect();
        reasons.sort_unstable();
        reasons.dedup();
        lines.extend(reasons.into_iter().map(|why| format!("no number: {why}")));
        lines.extend([String::new(), a.caution.to_owned()]);
        lines.join("\n")
    }
}

/// Fish as a floating-point number; exact up to 2^53.
#[expect(clippy::cast_precision_loss, reason = "no stream holds 2^53 fish")]
fn whole(fish: u64) -> f64 {
    fish as f64
}

fn range(low: u64, high: Option<u64>) -> String {
    match high {
        Some(high) => format!("{low} to {high}"),
        None => format!("from {low}, no upper limit"),
    }
}

/// Before the visit: what so many passes should tell.
fn ahead(plan: &str, as_json: bool) -> Result<(), Wrong> {
    let wrong = || {
        Wrong::new("--plan: give fish, chance of capture and passes, such as 100,0.5,3".to_owned())
    };
    let parts: Vec<&str> = plan.split(',').map(str::trim).collect();
    let [fish, p, passes] = parts[..] else {
        return Err(wrong());
    };
    let fish: f64 = fish.parse().map_err(|_| wrong())?;
    let p: f64 = p.parse().map_err(|_| wrong())?;
    let passes: usize = passes.parse().map_err(|_| wrong())?;
    if !((1.0..=1e9).contains(&fish) && p > 0.0 && p < 1.0 && (1..=20).contains(&passes)) {
        return Err(Wrong::new(
            "--plan: fish from 1 to 1e9, a chance of capture between 0 and 1, and 1 to 20 passes",
        ));
    }
    let cv = planned_cv(fish, p, passes).map(gravelbar_estimate::six_digits);
    let caught = gravelbar_estimate::six_digits(share_caught(p, passes));
    if as_json {
        say(&serde_json::json!({ "n_fish": fish, "p": p, "passes": passes, "cv": cv, "share_caught": caught }).to_string());
        return Ok(());
    }
    say(&match cv {
        Some(cv) => format!(
            "{passes} passes at p {p} on {fish} fish should catch {:.0} % of them and give a standard error of {:.0} % of the estimate (1.96 of them: ± {:.0} %), if p stays the same on every pass, which it rarely does",
            caught * 100.0,
            cv * 100.0,
            cv * 196.0
        ),
        None => format!(
            "one pass at p {p} on {fish} fish should catch {:.0} % of them and gives no estimate: plan at least two, better three",
            caught * 100.0
        ),
    });
    Ok(())
}

pub(super) fn counts(from: &str, text: &str) -> Result<Vec<u32>, Wrong> {
    numbers(text, |shown| {
        format!(
            "{from}: “{shown}” is not a number of fish: give whole numbers from 0 with commas between, such as 24,17,8"
        )
    })
}

fn seconds(text: &str) -> Result<Vec<f64>, Wrong> {
    numbers(text, |shown| {
        format!(
            "--seconds: “{shown}” is not a number of seconds: give one for each pass, such as 1184,1132,1098"
        )
    })
}

fn prior(text: &str) -> Result<BetaWeight, Wrong> {
    let parts: Vec<f64> = numbers(text, |shown| {
        format!("--prior: “{shown}” is not a number: give two above 0, such as 12,12")
    })?;
    match parts[..] {
        [alpha, beta] => {
            BetaWeight::new(alpha, beta).map_err(|e| Wrong::new(format!("--prior: {e}")))
        }
        _ => Err(Wrong::new(
            "--prior: give two numbers above 0, such as 12,12",
        )),
    }
}

fn numbers<T: std::str::FromStr>(
    text: &str,
    complain: impl Fn(&str) -> String,
) -> Result<Vec<T>, Wrong> {
    text.split(',')
        .map(|part| {
            let part = part.trim();
            part.parse().map_err(|_| {
                let shown: String = part.chars().take(30).collect();
                Wrong::new(complain(&shown))
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::counts;

    #[test]
    fn blanks_around_counts_are_fine_and_anything_else_is_named() {
        assert_eq!(counts("--catch", "24, 17 ,8").unwrap(), [24, 17, 8]);
        for nonsense in ["", "24,,8", "24;17", "-3,1", "2.5,1", "9999999999", "24,x"] {
            let words = counts("--catch", nonsense).unwrap_err().to_string();
            assert!(
                words.contains("is not a number of fish"),
                "{nonsense}: {words}"
            );
            assert!(!words.contains('\n'));
        }
    }
}
