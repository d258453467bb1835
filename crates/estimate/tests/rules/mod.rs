//! What must be true of every answer, whatever the input: no number that isn't one, no panic, and limits,
//! estimates and refusals that fit together. The seeded inputs (`examples/torture.rs`) and the coverage-guided
//! ones (`tests/fuzz.rs`) are held to the same rules.

use gravelbar_estimate::{
    Analysis, BetaWeight, Catch, CumulativeCatch, EffortSeries, GENERALISED_LEVEL, Level,
    MOST_FISH, Marks, Method, Outcome, Posterior, Profile, carle_strub, catch_per_hour,
    chance_of_fewer, chance_of_target, chi_square_power, delury, effort_ml, first_pass_model,
    generalised_removal, integer_ml, leslie, mark_recapture, poisson_mark_limits, posterior,
    posterior_of_total, profile, ratio_shortcut, shortest_mark_limits, two_pass, zippin,
};

/// What was tried, to be told when it fails.
#[derive(Debug)]
pub(crate) struct Input {
    pub(crate) catch: Vec<u32>,
    pub(crate) effort: Vec<f64>,
    pub(crate) weight: BetaWeight,
    pub(crate) target: f64,
    pub(crate) fewer: u32,
    pub(crate) marks: [u32; 3],
    pub(crate) chances: Vec<f64>,
    pub(crate) level: f64,
}

/// A rule that was broken.
pub(crate) type Broken = String;

/// Holds every estimator's answer to its rules; the first that is broken is the answer.
pub(crate) fn keep_all(input: &Input) -> Result<(), Broken> {
    estimators(input)?;
    whole_analysis(input)?;
    others(input)
}

fn rule(holds: bool, what: &str) -> Result<(), Broken> {
    if holds { Ok(()) } else { Err(what.to_owned()) }
}

fn finite(figures: &[f64], what: &str) -> Result<(), Broken> {
    rule(figures.iter().all(|figure| figure.is_finite()), what)
}

fn chance(figure: f64, what: &str) -> Result<(), Broken> {
    rule((0.0..=1.0).contains(&figure), what)
}

fn spread(figure: Option<f64>, what: &str) -> Result<(), Broken> {
    rule(figure.is_none_or(|se| se.is_finite() && se > 0.0), what)
}

fn estimators(input: &Input) -> Result<(), Broken> {
    let catch = Catch::new(&input.catch).map_err(|e| e.to_string())?;
    let (total, caught) = (catch.total(), catch.total() as f64);
    let falls = catch.depletion_criterion() > 0 && catch.passes() > 1;
    let fit = zippin(&catch);
    rule(
        fit.is_ok() == falls,
        "a conditional estimate exists where the catch falls",
    )?;
    if let Ok(fit) = fit {
        rule(
            fit.n_fish.is_finite() && fit.n_fish >= caught,
            "conditional estimate at least the catch",
        )?;
        rule(fit.p > 0.0 && fit.p <= 1.0, "conditional p between 0 and 1")?;
        spread(fit.se_fish, "conditional spread")?;
        spread(fit.se_p, "conditional spread of p")?;
    }
    let whole = integer_ml(&catch);
    if let Ok(fit) = whole {
        rule(
            (total..=MOST_FISH).contains(&fit.n_fish),
            "whole number at least the catch",
        )?;
        finite(&[fit.log_likelihood], "log likelihood")?;
        rule(
            fit.p > 0.0 && fit.p <= 1.0,
            "whole-number p between 0 and 1",
        )?;
        if let Ok(conditional) = zippin(&catch) {
            let above = fit.n_fish as f64 - conditional.n_fish;
            rule(
                above <= 1.0 + 1e-9 * conditional.n_fish,
                "whole number not above the conditional",
            )?;
        }
    }
    if let (Ok(wide), Ok(narrow)) = (profile(&catch, Level::P95), profile(&catch, Level::P90)) {
        ordered(wide, total)?;
        ordered(narrow, total)?;
        rule(wide.low <= narrow.low, "90 % starts within 95 %")?;
        rule(
            wide.high.is_none() || narrow.high.is_some_and(|high| Some(high) <= wide.high),
            "90 % ends within 95 %",
        )?;
        let inside = |n: u64| narrow.low <= n && narrow.high.is_none_or(|high| n <= high);
        rule(
            whole.is_ok_and(|fit| inside(fit.n_fish)) || narrow.high.is_none(),
            "the best is inside",
        )?;
    } else {
        // With catches of 10^9 that rise, even the lower end can lie past what is looked at.
        rule(
            total == 0 || catch.passes() < 2 || total > 1_000_000,
            "profile for every catch of two passes",
        )?;
    }
    for weight in [BetaWeight::FLAT, input.weight] {
        if let Ok(fit) = carle_strub(&catch, weight) {
            rule(
                (total..=MOST_FISH).contains(&fit.n_fish),
                "Carle-Strub at least the catch",
            )?;
            rule(fit.p > 0.0 && fit.p <= 1.0, "Carle-Strub p between 0 and 1")?;
            spread(fit.se_fish, "Carle-Strub spread")?;
            spread(fit.se_fish_from_catch, "Carle-Strub spread from the catch")?;
        }
        if let Ok(belief) = posterior(&catch, weight) {
            believable(belief, total)?;
        }
        // A sum over every next catch: one input in five is enough.
        if input.fewer < 8
            && let Ok(chance_fewer) = chance_of_fewer(&catch, weight, input.fewer)
        {
            chance(chance_fewer, "chance of fewer")?;
        }
    }
    if total < 200 && input.fewer == 9 {
        if let Ok(met) = chance_of_target(&catch, input.weight, input.target) {
            chance(met, "chance of the target")?;
        }
        let strata = [
            (catch.clone(), input.weight),
            (catch.clone(), BetaWeight::FLAT),
        ];
        if let Ok(belief) = posterior_of_total(&strata) {
            rule(
                2 * total <= belief.low_95 && belief.low_95 <= belief.median,
                "total in order",
            )?;
            rule(
                belief.high_95.is_none_or(|high| belief.median <= high),
                "total in order",
            )?;
        }
    }
    if let Ok(fit) = two_pass(&catch) {
        finite(
            &[fit.n_fish, fit.p, fit.n_fish_bias_corrected],
            "two passes",
        )?;
        spread(fit.se_fish, "two-pass spread")?;
    }
    if let Ok(fit) = ratio_shortcut(&catch) {
        finite(&[fit.n_fish, fit.p], "ratio shortcut")?;
    }
    if let Ok(fit) = first_pass_model(&catch) {
        finite(
            &[
                fit.n_fish_conditional,
                fit.p_later_conditional,
                fit.p_first,
                fit.p_later,
                fit.log_likelihood,
            ],
            "first pass apart",
        )?;
        rule(fit.n_fish >= total, "first pass apart, at least the catch")?;
        spread(fit.se_fish_conditional, "first pass apart, spread")?;
        if let Some(p_value) = fit.ratio_p_value {
            chance(p_value, "first pass apart, chance")?;
        }
    }
    if let Ok(models) = generalised_removal(&catch, GENERALISED_LEVEL) {
        for step in models.steps {
            finite(
                &[step.n_fish, step.statistic, step.p_value, step.p_later]
                    .map(Option::unwrap_or_default),
                "generalised removal",
            )?;
            spread(step.se_fish, "generalised removal, spread")?;
        }
    }
    Ok(())
}

fn ordered(interval: Profile, total: u64) -> Result<(), Broken> {
    rule(
        interval.low >= total,
        "profile starts at the catch or above",
    )?;
    rule(
        interval.high.is_none_or(|high| interval.low <= high),
        "profile in order",
    )
}

fn believable(belief: Posterior, total: u64) -> Result<(), Broken> {
    rule(
        total <= belief.low_95 && belief.low_95 <= belief.median,
        "posterior in order, at least the catch",
    )?;
    rule(
        belief.high_95.is_none_or(|high| belief.median <= high),
        "posterior in order",
    )?;
    rule(
        belief.p > 0.0 && belief.p < 1.0,
        "posterior p between 0 and 1",
    )
}

/// What may be shown, and what must be said where nothing is.
fn whole_analysis(input: &Input) -> Result<(), Broken> {
    let analysis = Analysis::of(&input.catch).map_err(|e| e.to_string())?;
    let falls = analysis.depletion_criterion > 0;
    let missing = [
        (Method::Zippin, analysis.zippin.is_none()),
        (Method::IntegerMl, analysis.integer_ml.is_none()),
        (Method::CarleStrub, analysis.carle_strub.is_none()),
        (Method::TwoPass, analysis.two_pass.is_none()),
        (Method::Profile95, analysis.profile_95.is_none()),
        (Method::Profile90, analysis.profile_90.is_none()),
        (Method::ChiSquare, analysis.chi_square.is_none()),
        (
            Method::ChiSquarePooled,
            analysis.chi_square_pooled.is_none(),
        ),
        (Method::Posterior, analysis.posterior.is_none()),
        (Method::NextPass, analysis.next_pass.is_none()),
    ];
    for (method, missing) in missing {
        rule(
            missing == analysis.refused.contains_key(&method),
            "a missing figure has a reason, and only that",
        )?;
    }
    if !falls || analysis.catch.len() < 2 {
        rule(analysis.headline.is_none(), "no estimate without a fall")?;
        rule(
            analysis.zippin.is_none()
                && analysis.carle_strub.is_none()
                && analysis.integer_ml.is_none(),
            "no number without a fall",
        )?;
        rule(
            analysis
                .profile_95
                .is_none_or(|interval| interval.high.is_none()),
            "no upper limit without a fall",
        )?;
    }
    if analysis.outcome == Outcome::Estimated {
        let shown = analysis.headline.as_ref().ok_or("an estimate is shown")?;
        rule(shown.n_fish > analysis.total, "more than the catch")?;
        spread(shown.half_width_95_fish, "half-width above zero")?;
        finite(&[shown.expected_next_catch], "expected next catch")?;
    }
    for test in [analysis.chi_square, analysis.chi_square_pooled]
        .into_iter()
        .flatten()
    {
        rule(
            test.statistic >= 0.0 && test.statistic.is_finite(),
            "chi-square",
        )?;
        chance(test.p_value, "chi-square chance")?;
    }
    if let Some(power) = analysis.chi_square_power {
        chance(power, "power")?;
    }
    if let Some(ahead) = analysis.next_pass {
        rule(
            ahead.expected_catch >= 0.0 && ahead.expected_catch.is_finite(),
            "next catch",
        )?;
        spread(ahead.se_after_fish, "spread after the next pass")?;
        spread(
            ahead.relative_half_width_after,
            "half-width after the next pass",
        )?;
    }
    let figures = analysis.verdict.split([' ', ';', ':', ',']);
    rule(
        figures
            .clone()
            .all(|figure| !["NaN", "inf"].contains(&figure)),
        "a verdict of numbers",
    )?;
    let widths = figures.clone().zip(figures.skip(1));
    rule(
        widths
            .filter(|(sign, _)| *sign == "±")
            .all(|(_, width)| width.parse().is_ok_and(|width: f64| width > 0.0)),
        "no width of nothing",
    )?;
    let text = serde_json::to_string(&analysis).map_err(|e| e.to_string())?;
    let again = serde_json::to_string(&Analysis::of(&input.catch).map_err(|e| e.to_string())?);
    rule(
        again.is_ok_and(|again| again == text),
        "the same words twice",
    )
}

fn others(input: &Input) -> Result<(), Broken> {
    if let Ok(series) = EffortSeries::new(&input.catch, &input.effort) {
        if input.fewer < 8
            && let Ok(fit) = effort_ml(&series)
        {
            finite(
                &[
                    fit.n_fish_conditional,
                    fit.q_conditional,
                    fit.q,
                    fit.log_likelihood,
                ],
                "effort",
            )?;
            rule(
                fit.n_fish >= series.catch().total(),
                "effort, at least the catch",
            )?;
            spread(fit.se_fish_conditional, "effort, spread")?;
            ordered(fit.profile_95, series.catch().total())?;
            for p in fit.p_per_pass {
                chance(p, "effort, share per pass")?;
            }
        }
        for point in [CumulativeCatch::BeforePass, CumulativeCatch::MiddleOfPass] {
            if let Ok(line) = leslie(&series, point) {
                finite(
                    &[
                        line.n_fish,
                        line.q,
                        line.intercept,
                        line.se_q,
                        line.se_fish,
                        line.low_95_fish,
                        line.high_95_fish,
                    ],
                    "Leslie",
                )?;
                chance(line.p_value, "Leslie, chance")?;
                chance(line.r_squared, "Leslie, share")?;
            }
            if let Ok(line) = delury(&series, point) {
                finite(&[line.n_fish, line.q], "DeLury")?;
            }
        }
    }
    let [marked, second, again] = input.marks;
    if let Ok(marks) = Marks::new(marked, second, again) {
        let fit = mark_recapture(marks);
        finite(
            &[
                fit.chapman_fish,
                fit.se_chapman_fish,
                fit.bailey_fish,
                fit.low_95_fish,
                fit.high_95_fish,
            ],
            "marks",
        )?;
        rule(fit.low_95_fish <= fit.high_95_fish + 1e-6, "marks in order")?;
        let (low, high) = poisson_mark_limits(marks);
        rule(
            low <= high && low.is_finite() && high.is_finite(),
            "Poisson limits in order",
        )?;
        if again < 2_000
            && input.fewer < 4
            && let Some((low, high)) = shortest_mark_limits(marks)
        {
            rule(
                low <= high && low.is_finite() && high.is_finite(),
                "shortest limits in order",
            )?;
        }
    }
    if let Ok(rate) = catch_per_hour(second, 1.0 + 1e4 * input.target) {
        rule(
            rate.low_95 <= rate.rate && rate.rate < rate.high_95,
            "rate in order",
        )?;
    }
    let n_fish = 1.0 + f64::from(marked);
    // A sum over up to thousands of terms, and two searches inside one another: one input in five is enough.
    if input.fewer < 8
        && let Ok(power) = chi_square_power(n_fish, &input.chances, input.level)
    {
        chance(power.power, "power")?;
        finite(&[power.estimate_over_truth, power.fitted_p], "power")?;
    }
    Ok(())
}
