//! Another pass, or stop? Estimates by species and size against the target, what one more pass
//! would bring, and what it costs.

use gravelbar_estimate::{CAUTION, Outcome};
use gravelbar_visit::{SignState, WaterPlace};

use super::equal_effort::{extremes, unequal};
use super::{Advice, Bank, Question, Unanswered, Urgency, last_catch, pass_words, sentences};
use crate::figure::{counted, percent};
use crate::moment::minutes;
use crate::nets::Closure;
use crate::pass::PassSummary;
use crate::removal::Removal;
use crate::size::SizeGroups;
use crate::span::PassState;
use crate::warming::Warming;

/// Series named in the sentence; all stand among the reasons.
const SERIES_SAID: usize = 4;

/// Series whose next catch is named in the sentence.
const NEXT_SAID: usize = 2;

/// One species, or one size group of it.
pub(super) struct Series<'a> {
    pub(super) name: String,
    pub(super) removal: &'a Removal,
    pub(super) refused: Option<Unanswered>,
    /// Half-width of its interval over the estimate, where it may be shown.
    relative: Option<f64>,
}

pub(super) fn another_pass(bank: &Bank<'_>, others: &[&Advice]) -> Advice {
    let question = Question::AnotherPass;
    let finished = finished(bank);
    if bank.passes.is_empty() {
        return Advice::untold(question, "no_pass", "no pass is on record yet");
    }
    let mut advice = Advice::of(question);
    let target = bank.view.plan.target_relative_half_width;
    let series = series(bank);
    let mut parts = estimates(&series, target, &mut advice);
    let next = next_catch(&series, target, finished, &mut advice);
    parts.extend(next.said);
    parts.extend(cost(bank, &mut advice));
    if let Some(stream) = Warming::of(bank, WaterPlace::Stream) {
        parts.push(stream.words());
    }
    let mut pros = next.pros;
    let planned = u64::from(bank.view.plan.passes);
    if finished < planned {
        pros.push(format!("{finished} of {planned} planned passes finished"));
    }
    let mut cons = cons(bank, others, &mut advice);
    let rule = last_catch::rule(&series, bank.view.plan.last_catch_share, &mut advice);
    pros.extend(rule.pros);
    cons.extend(rule.cons);
    let open: Vec<String> = (bank.passes.iter())
        .filter(|p| p.state == PassState::Open)
        .map(|p| pass_words(&p.pass))
        .collect();
    let within =
        target.is_some() && !series.is_empty() && series.iter().all(|s| is_within(s, target));
    let (urgency, lean) = if !open.is_empty() {
        let words = format!("{} is still being fished", open.join(" and "));
        advice.refuse("pass_open", words.clone());
        (
            Urgency::Settled,
            format!("{words}: asked again when it is closed"),
        )
    } else if matches!(bank.header.sign, SignState::Signed { .. }) {
        (Urgency::Settled, "the visit is signed".to_owned())
    } else if finished < planned && cons.is_empty() {
        (
            Urgency::Settled,
            format!("{finished} of {planned} planned passes finished: the next is planned"),
        )
    } else if pros.is_empty() && cons.is_empty() && within {
        (
            Urgency::Look,
            "every estimate is within the target: by these numbers, stop".to_owned(),
        )
    } else {
        let words = match (pros.is_empty(), cons.is_empty()) {
            (false, false) => "the numbers speak for it and against it: the lead decides",
            (false, true) => "by these numbers, another pass",
            (true, false) => "by these numbers, stop",
            (true, true) => "the numbers decide nothing: the lead does",
        };
        (Urgency::Look, words.to_owned())
    };
    advice.raise(urgency);
    parts.extend(cons.iter().map(|c| format!("against: {c}")));
    parts.push(lean);
    advice.sentence = sentences(&parts);
    advice
        .reasons
        .extend(pros.into_iter().map(|p| format!("for: {p}")));
    advice
        .reasons
        .extend(cons.into_iter().map(|c| format!("against: {c}")));
    advice
}

/// Pass numbers that every channel begun has finished.
fn finished(bank: &Bank<'_>) -> u64 {
    (bank.by_channel().values())
        .map(|passes| passes.iter().filter(|p| p.state != PassState::Open).count() as u64)
        .min()
        .unwrap_or(0)
}

/// Size groups where every fish was measured, the species as a whole where not: small fish are
/// caught less well, so they are pooled only where nothing else can be done.
fn series<'a>(bank: &Bank<'a>) -> Vec<Series<'a>> {
    let mut all = Vec::new();
    let uneven = uneven(bank);
    let one = |name: String, removal: &'a Removal| {
        let refused = gate(removal, uneven.as_deref());
        let headline = removal.headline().filter(|_| refused.is_none());
        Series {
            relative: headline.and_then(|h| h.relative_half_width),
            name,
            removal,
            refused,
        }
    };
    let species: &'a [crate::species::SpeciesSummary] = bank.species;
    for species in species {
        match &species.size_groups {
            SizeGroups::Estimated { groups, .. } => {
                let caught = groups.iter().filter(|g| g.removal.total > 0);
                all.extend(
                    caught.map(|g| one(format!("{} {}", species.species, g.words), &g.removal)),
                );
            }
            SizeGroups::NotPlanned | SizeGroups::Unavailable { .. } => {
                all.push(one(species.species.to_string(), &species.removal));
            }
        }
    }
    all
}

/// Two passes of one channel that clearly differ in effort.
fn uneven(bank: &Bank<'_>) -> Option<String> {
    (bank.by_channel().values()).find_map(|passes| {
        let over: Vec<&PassSummary> = (passes.iter().copied())
            .filter(|p| p.state != PassState::Open)
            .collect();
        let ((least_s, least), (most_s, most)) = extremes(&over)?;
        unequal(least_s, most_s).then(|| {
            format!(
                "{} had {} of the effort of {}",
                pass_words(&least.pass),
                percent(least_s / most_s),
                pass_words(&most.pass)
            )
        })
    })
}

/// What must hold before a number is used to decide on.
fn gate(removal: &Removal, uneven: Option<&str>) -> Option<Unanswered> {
    let refuse = |code, words: String| Some(Unanswered { code, words });
    let passes = removal.catch.len();
    if passes == 0 {
        return refuse("no_usable_pass", removal.verdict.clone());
    }
    if passes == 1 {
        return refuse("one_pass", "one pass only".to_owned());
    }
    if removal.closure == Closure::Open {
        return refuse("nets_open", format!("not closed: {}", removal.nets));
    }
    if let Some(uneven) = uneven {
        return refuse("unequal_effort", uneven.to_owned());
    }
    match removal.analysis.as_ref().map(|a| a.outcome) {
        None => refuse("no_analysis", removal.verdict.clone()),
        Some(Outcome::DidNotDeplete) => {
            refuse("did_not_deplete", "the catches don't fall".to_owned())
        }
        Some(Outcome::TooFew) => refuse("too_few", "too few fish to estimate".to_owned()),
        Some(Outcome::NothingCaught) => refuse(
            "nothing_caught",
            "none caught, which is not none present".to_owned(),
        ),
        Some(Outcome::OnePassOnly) => refuse("one_pass", "one pass only".to_owned()),
        Some(Outcome::Estimated | Outcome::AllCaughtNotInformative) => None,
    }
}

/// Whether nothing more is asked of a series: narrow enough, all in hand, or too few fish for any
/// number of passes to help.
fn is_within(series: &Series<'_>, target: Option<f64>) -> bool {
    match (&series.refused, series.relative, target) {
        (None, Some(relative), Some(target)) => relative <= target,
        (None, None, _) => true,
        (Some(refused), ..) => matches!(refused.code, "too_few" | "nothing_caught"),
        (None, Some(_), None) => false,
    }
}

fn is_over(series: &Series<'_>, target: Option<f64>) -> bool {
    (series.relative.zip(target)).is_some_and(|(relative, target)| relative > target)
}

/// `slimy sculpin: 120 ± 34 (28 %, over target 25 %)`.
fn words(series: &Series<'_>, target: Option<f64>) -> String {
    let (name, removal) = (&series.name, series.removal);
    if let Some(refused) = &series.refused {
        return format!("{name}: minimum {}, {}", removal.total, refused.words);
    }
    let Some(headline) = removal.headline() else {
        return format!("{name}: minimum {}", removal.total);
    };
    let n = headline.n_fish;
    let Some((width, relative)) = headline.half_width_95_fish.zip(series.relative) else {
        return format!("{name}: {n}, all estimated fish caught, interval not informative");
    };
    // A width that would print as none prints a decimal more: no estimate is that sure.
    let width = if width >= 1.0 {
        format!("{width:.0}")
    } else {
        format!("{:.1}", width.max(0.1))
    };
    let over = match target.filter(|_| is_over(series, target)) {
        Some(target) => format!(", over target {}", percent(target)),
        None => String::new(),
    };
    format!("{name}: {n} ± {width} ({}{over})", percent(relative))
}

/// The series in the sentence, those over the target first to be chosen; and every series among
/// the reasons.
fn estimates(series: &[Series<'_>], target: Option<f64>, advice: &mut Advice) -> Vec<String> {
    for one in series {
        let (name, removal) = (&one.name, one.removal);
        if let Some(refused) = &one.refused {
            advice.number(format!("{name}: minimum"), removal.total as f64, "fish");
            advice.refuse(refused.code, format!("{name}: {}", refused.words));
        } else if let Some(headline) = removal.headline() {
            advice.number(format!("{name}: estimate"), headline.n_fish as f64, "fish");
            if let Some((width, relative)) = headline.half_width_95_fish.zip(one.relative) {
                advice.number(format!("{name}: half-width, 1.96 SE"), width, "fish");
                advice.number(format!("{name}: half-width"), 100.0 * relative, "%");
            }
            let chi_square = removal.analysis.as_ref().and_then(|a| a.chi_square);
            if let Some(test) = chi_square {
                advice.number(
                    format!("{name}: chi-square of equal shares, p"),
                    test.p_value,
                    "",
                );
            }
            if removal.closure == Closure::NotRecorded {
                advice
                    .cautions
                    .push(format!("{name}: nets not recorded, {}", removal.nets));
            }
        }
        advice.reasons.push(words(one, target));
    }
    let shown: Vec<&Series<'_>> = series.iter().filter(|s| s.refused.is_none()).collect();
    if !shown.is_empty() {
        advice.cautions.extend([
            "numbers are Carle-Strub estimates ± 1.96 SE".to_owned(),
            CAUTION.to_owned(),
            "a chi-square that isn't low clears nothing: with few fish it sees little".to_owned(),
        ]);
    }
    let mut picked: Vec<usize> = (0..series.len()).collect();
    // What is asked for first: over the target, then estimated, then refused.
    picked.sort_by_key(|i| {
        series
            .get(*i)
            .map(|s| (!is_over(s, target), s.refused.is_some(), *i))
    });
    picked.truncate(SERIES_SAID);
    picked.sort_unstable();
    let mut parts: Vec<String> = (picked.iter())
        .filter_map(|i| series.get(*i))
        .map(|s| words(s, target))
        .collect();
    match series.len().saturating_sub(picked.len()) {
        0 => {}
        more => parts.push(format!(
            "{} not named here",
            counted(more as u64, "series", "series")
        )),
    }
    parts
}

/// What one more pass should bring.
struct Next {
    said: Vec<String>,
    pros: Vec<String>,
}

/// The next catch of series over the target; without a target, of those with the widest interval.
fn next_catch(
    series: &[Series<'_>],
    target: Option<f64>,
    finished: u64,
    advice: &mut Advice,
) -> Next {
    let mut next = Next {
        said: Vec::new(),
        pros: Vec::new(),
    };
    let mut wanted: Vec<(f64, &Series<'_>)> = (series.iter())
        .filter(|s| target.is_none() || is_over(s, target))
        .filter_map(|s| Some((s.relative?, s)))
        .collect();
    wanted.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.name.cmp(&b.1.name)));
    let mut catches = Vec::new();
    for (now, one) in wanted {
        let Some(ahead) = &one.removal.next_pass else {
            continue;
        };
        let name = &one.name;
        advice.number(format!("{name}: next catch"), ahead.expected_fish, "fish");
        let fish = format!("about {:.0} {name}", ahead.expected_fish);
        let Some(then) = ahead.relative_then else {
            let words = "all estimated fish would then be in hand";
            catches.push(format!("{fish}, {words}"));
            (next.pros).extend(target.map(|_| format!("{name}: {words}")));
            continue;
        };
        advice.number(format!("{name}: half-width then"), 100.0 * then, "%");
        catches.push(format!("{fish}, giving ± {}", percent(then)));
        if let Some(target) = target {
            let reached = if then <= target {
                "within"
            } else {
                "still over"
            };
            let words = format!(
                "{name} would come from ± {} to ± {}, {reached} the target",
                percent(now),
                percent(then)
            );
            if then <= target || then < now {
                next.pros.push(words);
            } else {
                advice.reasons.push(words);
            }
        }
    }
    let falling = (series.iter()).filter(|s| {
        s.refused
            .as_ref()
            .is_some_and(|r| r.code == "did_not_deplete")
    });
    for one in falling {
        next.pros.push(format!(
            "{}: the catches don't fall yet; look for unequal effort, a net, a changed setting first",
            one.name
        ));
    }
    catches.truncate(NEXT_SAID);
    if !catches.is_empty() {
        let pass = ordinal(finished.saturating_add(1));
        next.said
            .push(format!("a {pass} pass should catch {}", catches.join("; ")));
    }
    next
}

/// `4th`.
fn ordinal(n: u64) -> String {
    let ending = match (n % 10, n % 100) {
        (1, 1 | 21..) => "st",
        (2, 2 | 22..) => "nd",
        (3, 3 | 23..) => "rd",
        _ => "th",
    };
    format!("{n}{ending}")
}

/// What a pass has taken so far: fishing, and from one opening to the next.
fn cost(bank: &Bank<'_>, advice: &mut Advice) -> Option<String> {
    let mut fishing = Vec::new();
    let mut rounds = Vec::new();
    for passes in bank.by_channel().values() {
        fishing.extend(passes.iter().filter_map(|p| p.clock_min));
        for two in passes.windows(2) {
            let [one, after] = two else { continue };
            let opened = one.opened.as_ref().zip(after.opened.as_ref());
            rounds.extend(opened.and_then(|(a, b)| minutes(a.at, b.at)));
        }
    }
    let mean = |of: &[f64]| (!of.is_empty()).then(|| of.iter().sum::<f64>() / of.len() as f64);
    let fishing = mean(&fishing)?;
    advice.number("a pass so far, fishing", fishing, "min");
    let Some(round) = mean(&rounds) else {
        return Some(format!(
            "cost: a pass took about {fishing:.0} min of fishing so far"
        ));
    };
    advice.number("a pass so far, from one opening to the next", round, "min");
    Some(format!(
        "cost: about {round:.0} min from one opening to the next so far, {fishing:.0} of them fishing"
    ))
}

/// What speaks against another pass: whatever else presses now, and nets that can't be mended
/// afterwards.
fn cons(bank: &Bank<'_>, others: &[&Advice], advice: &mut Advice) -> Vec<String> {
    let mut cons = Vec::new();
    for other in others {
        match other.question {
            Question::SafeToGoOn if other.presses() => {
                cons.push("work isn't clear to go on".to_owned())
            }
            Question::PermitTake => {
                for take in bank.take {
                    let dead = take.limit_dead.saturating_sub(take.season_dead);
                    let caught = take.limit_caught.saturating_sub(take.season_caught);
                    let (species, at) = (&take.species, take.dead_at_limit || take.caught_at_limit);
                    let room =
                        format!("{species}: {caught} more may be caught and {dead} more may die");
                    if at {
                        cons.push(format!("{species}: the permit's limit is reached"));
                    }
                    advice.reasons.push(room);
                }
            }
            Question::WaterLimit if other.presses() => {
                cons.push("the water is near or past its limit".to_owned())
            }
            _ => {}
        }
    }
    if bank.passes.iter().any(|p| p.nets.closure == Closure::Open) {
        cons.push("a net didn't hold: another pass can't close the series".to_owned());
    }
    cons
}
