//! Answers removal questions line by line, so that another program can check many at once: JSON in, JSON out.
//!
//! Each line of the standard input is one object with a `kind`; each line of the output holds this crate's answers to it
//! in full precision, with `null` for what was refused. `tests/estimates.py` in the root of the repository asks.

#![expect(clippy::print_stdout, reason = "the output is what the program is for")]

use gravelbar_estimate::{
    BetaWeight, Catch, CumulativeCatch, EffortSeries, GENERALISED_LEVEL, Level, Marks, MassFit,
    Profile, Proportion, Stratum, biomass, carle_strub, catch_per_hour, chance_of_fewer,
    chance_of_target, chi_square, chi_square_pooled, chi_square_power, delury, effort_ml,
    empty_catch_bound, expand_catch, first_pass_model, generalised_removal, integer_ml, leslie,
    leslie_mass, mark_recapture, next_pass, poisson_mark_limits, posterior, posterior_of_total,
    profile, shortest_mark_limits, single_pass, sum_of_strata, two_pass, zippin,
};
use serde::Deserialize;
use serde_json::{Value, json};
use std::error::Error;

/// One question.
#[derive(Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
enum Question {
    /// Passes of equal effort, and a Beta weight besides the flat one.
    Removal {
        catch: Vec<u32>,
        alpha: f64,
        beta: f64,
        fewer: u32,
        target: f64,
    },
    /// Passes of unequal effort.
    Effort { catch: Vec<u32>, effort: Vec<f64> },
    /// What passes of unequal effort weigh.
    MassLine { mass_g: Vec<f64>, effort: Vec<f64> },
    /// Marked, looked at, marked among those.
    Marks {
        marked: u32,
        second: u32,
        recaptured: u32,
    },
    /// Fish and seconds.
    Rate { fish: u32, on_time_s: f64 },
    /// Strata with one Beta weight for all.
    Total {
        catches: Vec<Vec<u32>>,
        alpha: f64,
        beta: f64,
    },
    /// Power of the test of equal catchability.
    Power {
        n_fish: f64,
        p: Vec<f64>,
        level: f64,
    },
    /// Lengths and masses.
    Mass { fish: Vec<(f64, f64)>, at_mm: f64 },
    /// A part of a whole.
    Share { part: u32, whole: u32 },
    /// Fish of a class among those measured.
    Subsample {
        caught: u32,
        measured: u32,
        in_class: u32,
    },
    /// One pass, `p` known.
    Known {
        fish: u32,
        p: f64,
        se_p: f64,
        passes: usize,
    },
    /// Fish and their mean mass.
    Biomass {
        n_fish: f64,
        se_fish: f64,
        mean_g: f64,
        se_mean_g: f64,
    },
}

fn main() -> Result<(), Box<dyn Error>> {
    for line in std::io::stdin().lines() {
        println!("{}", answer(serde_json::from_str(&line?)?)?);
    }
    Ok(())
}

fn answer(question: Question) -> Result<Value, Box<dyn Error>> {
    Ok(match question {
        Question::Removal {
            catch,
            alpha,
            beta,
            fewer,
            target,
        } => removal(
            &Catch::new(&catch)?,
            BetaWeight::new(alpha, beta)?,
            fewer,
            target,
        ),
        Question::Effort { catch, effort } => unequal(&EffortSeries::new(&catch, &effort)?),
        Question::MassLine { mass_g, effort } => {
            let line = |point| {
                leslie_mass(&mass_g, &effort, point).ok().map(|line| {
                    json!({
                        "n": line.total_g, "q": line.q, "intercept": line.intercept, "r_squared": line.r_squared,
                        "p": line.p_value, "se_q": line.se_q, "se": line.se_g, "fieller": line.fieller_95_g,
                    })
                })
            };
            json!({ "before": line(CumulativeCatch::BeforePass), "middle": line(CumulativeCatch::MiddleOfPass) })
        }
        Question::Marks {
            marked,
            second,
            recaptured,
        } => {
            let marks = Marks::new(marked, second, recaptured)?;
            let fit = mark_recapture(marks);
            json!({
                "chapman": fit.chapman_fish, "se_chapman": fit.se_chapman_fish,
                "bailey": fit.bailey_fish, "petersen": fit.petersen_fish,
                "low": fit.low_95_fish, "high": fit.high_95_fish, "rule": fit.limit_rule,
                "poisson": poisson_mark_limits(marks), "shortest": shortest_mark_limits(marks),
            })
        }
        Question::Rate { fish, on_time_s } => {
            let rate = catch_per_hour(fish, on_time_s)?;
            json!({ "rate": rate.rate, "low": rate.low_95, "high": rate.high_95 })
        }
        Question::Total {
            catches,
            alpha,
            beta,
        } => total(&catches, BetaWeight::new(alpha, beta)?)?,
        Question::Power { n_fish, p, level } => {
            json!(chi_square_power(n_fish, &p, level).ok().map(|power| json!({
                "power": power.power, "ratio": power.estimate_over_truth, "p": power.fitted_p,
            })))
        }
        Question::Mass { fish, at_mm } => {
            let fit = MassFit::of(&fish)?;
            let residuals: Vec<_> = fish
                .iter()
                .map(|(length_mm, mass_g)| fit.standardised_residual(*length_mm, *mass_g))
                .collect();
            json!({
                "intercept": fit.intercept, "slope": fit.slope, "sd": fit.residual_sd, "r_squared": fit.r_squared,
                "mean_g": fit.mean_mass_g(at_mm), "residuals": residuals,
            })
        }
        Question::Share { part, whole } => json!(Proportion::of(part, whole).map(|share| [
            share.percent,
            share.low_95_percent,
            share.high_95_percent
        ])),
        Question::Subsample {
            caught,
            measured,
            in_class,
        } => {
            let expanded = expand_catch(caught, measured, in_class)?;
            json!({ "fish": expanded.fish, "se": expanded.se_fish })
        }
        Question::Known {
            fish,
            p,
            se_p,
            passes,
        } => {
            let known = single_pass(fish, p, se_p)?;
            json!({
                "n": known.n_fish, "likeliest": known.n_fish_likeliest, "se": known.se_fish,
                "empty": empty_catch_bound(passes, p)?,
            })
        }
        Question::Biomass {
            n_fish,
            se_fish,
            mean_g,
            se_mean_g,
        } => {
            let mass = biomass(n_fish, Some(se_fish), mean_g, se_mean_g)?;
            json!({ "mass": mass.mass_g, "se": mass.se_g, "low": mass.low_95_g, "high": mass.high_95_g })
        }
    })
}

fn removal(catch: &Catch, weight: BetaWeight, fewer: u32, target: f64) -> Value {
    let weighted = |weight| {
        carle_strub(catch, weight).ok().map(|fit| json!({
            "n": fit.n_fish, "p": fit.p, "se": fit.se_fish, "se_from_catch": fit.se_fish_from_catch,
        }))
    };
    let belief = |weight| {
        posterior(catch, weight).ok().map(|belief| json!({
            "median": belief.median, "low": belief.low_95, "high": belief.high_95, "mode": belief.mode, "p": belief.p,
        }))
    };
    let test = |test: gravelbar_estimate::ChiSquare| {
        json!({
            "statistic": test.statistic, "df": test.df, "p": test.p_value, "smallest": test.smallest_expected,
        })
    };
    json!({
        "zippin": zippin(catch).ok().map(|fit| json!({ "n": fit.n_fish, "p": fit.p, "se": fit.se_fish, "se_p": fit.se_p })),
        "integer_ml": integer_ml(catch).ok().map(|fit| json!({ "n": fit.n_fish, "p": fit.p, "log": fit.log_likelihood })),
        "carle_strub": weighted(BetaWeight::FLAT),
        "carle_strub_weighted": weighted(weight),
        "two_pass": two_pass(catch).ok().map(|fit| json!({
            "n": fit.n_fish, "p": fit.p, "se": fit.se_fish, "se_p": fit.se_p, "corrected": fit.n_fish_bias_corrected,
        })),
        "profile_95": profile(catch, Level::P95).ok(),
        "profile_90": profile(catch, Level::P90).ok(),
        "chi_square": chi_square(catch).ok().map(test),
        "chi_square_pooled": chi_square_pooled(catch).ok().map(test),
        "posterior": belief(BetaWeight::FLAT),
        "posterior_weighted": belief(weight),
        "first_pass": first_pass_model(catch).ok().map(|fit| json!({
            "n_conditional": fit.n_fish_conditional, "se_conditional": fit.se_fish_conditional,
            "p_conditional": fit.p_later_conditional, "n": fit.n_fish, "p_first": fit.p_first, "p_later": fit.p_later,
            "log": fit.log_likelihood, "ratio": fit.ratio_statistic, "ratio_p": fit.ratio_p_value,
        })),
        "generalised": generalised_removal(catch, GENERALISED_LEVEL).ok().map(|models| json!({
            "selected": models.selected_free_passes,
            "steps": models.steps.iter().map(|step| json!({
                "n": step.n_fish, "se": step.se_fish, "statistic": step.statistic, "df": step.df, "p": step.p_value,
            })).collect::<Vec<_>>(),
        })),
        "next_pass": next_pass(catch).ok().map(|ahead| json!({
            "expected": ahead.expected_catch, "se_now": ahead.se_now_fish, "se_after": ahead.se_after_fish,
            "half_width_after": ahead.relative_half_width_after,
        })),
        "chance_of_fewer": chance_of_fewer(catch, weight, fewer).ok(),
        "chance_of_target": chance_of_target(catch, weight, target).ok(),
    })
}

fn unequal(series: &EffortSeries) -> Value {
    let line = |point| {
        leslie(series, point).ok().map(|line| json!({
            "n": line.n_fish, "q": line.q, "intercept": line.intercept, "r_squared": line.r_squared, "p": line.p_value,
            "se_q": line.se_q, "se": line.se_fish, "low_q": line.low_95_q, "high_q": line.high_95_q,
            "low": line.low_95_fish, "high": line.high_95_fish, "fieller": line.fieller_95_fish,
        }))
    };
    let log_line = |point| {
        delury(series, point).ok().map(|line| {
            json!({
                "n": line.n_fish, "q": line.q, "r_squared": line.r_squared, "se_q": line.se_q,
                "limits": line.limits_95_fish,
            })
        })
    };
    json!({
        "effort_ml": effort_ml(series).ok().map(|fit| json!({
            "n_conditional": fit.n_fish_conditional, "se_conditional": fit.se_fish_conditional,
            "q_conditional": fit.q_conditional, "n": fit.n_fish, "q": fit.q, "p": fit.p_per_pass,
            "log": fit.log_likelihood, "profile_95": fit.profile_95,
        })),
        "leslie_before": line(CumulativeCatch::BeforePass),
        "leslie_middle": line(CumulativeCatch::MiddleOfPass),
        "delury_before": log_line(CumulativeCatch::BeforePass),
        "delury_middle": log_line(CumulativeCatch::MiddleOfPass),
    })
}

fn total(catches: &[Vec<u32>], weight: BetaWeight) -> Result<Value, Box<dyn Error>> {
    let strata: Vec<(Catch, BetaWeight)> = catches
        .iter()
        .map(|counts| Catch::new(counts).map(|catch| (catch, weight)))
        .collect::<Result<_, _>>()?;
    let belief: Option<[Option<u64>; 3]> = posterior_of_total(&strata)
        .ok()
        .map(|belief| [Some(belief.low_95), Some(belief.median), belief.high_95]);
    let parts: Vec<Stratum> = strata
        .iter()
        .filter_map(|(catch, _)| zippin(catch).ok())
        .map(|fit| Stratum {
            n_fish: fit.n_fish,
            se_fish: fit.se_fish,
        })
        .collect();
    let sum = sum_of_strata(&parts);
    let interval: Vec<Option<Profile>> = strata
        .iter()
        .map(|(catch, _)| profile(catch, Level::P95).ok())
        .collect();
    Ok(
        json!({ "posterior": belief, "n": sum.n_fish, "se": sum.se_fish, "parts": parts.len(), "profiles": interval }),
    )
}
