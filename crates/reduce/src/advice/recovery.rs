//! Do fish take too long to recover? The fish timed at the output in force.

use gravelbar_electric::{
    Limits, Profile, Quantity, RecoveryReason, Signs, WaterNow, review_recovery,
};
use gravelbar_visit::{Dated, DeathStage, Setting, Trial};

use super::reference::{limits, same_output};
use super::{Advice, Bank, Question, Urgency, sentences};
use crate::setting::words as setting_words;

/// Fish timed below which the median says little (common practice, no source: three of each
/// size).
const FEW_TIMED: usize = 3;

/// A profile of times to begin with, for plans that name none.
const PROPOSED: &str = "recovery_proposed";

/// The longest time anyone waits for a fish, s; beyond it the clock was forgotten.
const LONGEST_S: f64 = 3_600.0;

pub(super) fn recovery(bank: &Bank<'_>) -> Advice {
    let question = Question::Recovery;
    let mut trials: Vec<&Dated<Trial>> = (bank.view.trials.iter())
        .filter(|t| !t.voided && upright(t).is_some())
        .collect();
    trials.sort_by_key(|t| (t.stamp.lamport, t.stamp.id));
    let Some(newest) = trials.last() else {
        return Advice::untold(question, "no_timed_fish", "no fish was timed to upright");
    };
    // The output in force is the question; an earlier one answers it only where no fish was timed
    // at this one.
    let pack = &newest.what.setting.pack;
    let set = (bank.view.settings.iter())
        .filter(|s| !s.voided && s.what.pack == *pack)
        .max_by_key(|s| (s.stamp.lamport, s.stamp.id))
        .map(|s| &s.what);
    let timed = |output: &Setting| {
        let at = trials.iter().copied();
        at.filter(|t| same_output(&t.what.setting, output))
            .collect::<Vec<&Dated<Trial>>>()
    };
    let in_use = set.filter(|set| !timed(set).is_empty());
    let output = in_use.unwrap_or(&newest.what.setting);
    let here = timed(output);
    let times: Vec<f64> = here.iter().filter_map(|t| upright(t)).collect();
    let shocked: u64 = (bank.view.deaths.iter())
        .filter(|d| !d.out && d.stage == DeathStage::Shock)
        .map(|d| u64::from(d.n.value))
        .sum();
    let signs = Signs {
        deaths: u32::try_from(shocked).unwrap_or(u32::MAX),
        ..Signs::default()
    };
    let in_force = in_force(bank);
    let review = (in_force.as_ref()).and_then(|(l, _)| review_recovery(&times, signs, l).ok());
    let Some(review) = review else {
        return Advice::untold(
            question,
            "not_reviewed",
            "the recovery times can't be judged: look at the trials themselves",
        );
    };
    let mut advice = Advice::of(question);
    advice.number("fish timed", review.timed as f64, "fish");
    for (what, value) in [
        ("median to upright", review.median_s),
        ("slowest", review.worst_s),
    ] {
        if let Some(value) = value {
            advice.number(what, value, "s");
        }
    }
    for reason in &review.reasons {
        advice.raise(match reason {
            RecoveryReason::SlowMedian => Urgency::Look,
            _ => Urgency::Now,
        });
    }
    advice.sentence = sentences(&[format!("{}: {}", setting_words(output), review.words)]);
    advice
        .reasons
        .extend(review.breaches.iter().map(ToString::to_string));
    let injured = here.iter().filter_map(|t| t.what.injury.as_deref());
    for injury in injured {
        advice.raise(Urgency::Look);
        advice.reasons.push(format!("injury seen: {injury}"));
    }
    if in_force.is_some_and(|(_, proposed)| proposed) {
        advice.cautions.push(
            "the plan names no limits on recovery: the times are held against a proposal nobody confirmed"
                .to_owned(),
        );
    }
    if times.len() < FEW_TIMED {
        advice
            .cautions
            .push("fewer than three fish timed at this output: time three of each size".to_owned());
    }
    if let Some(set) = set.filter(|_| in_use.is_none()) {
        advice.raise(Urgency::Look);
        advice.cautions.push(format!(
            "the output in force is another: {}; no fish is timed at it",
            setting_words(set)
        ));
    }
    advice
}

fn upright(trial: &Dated<Trial>) -> Option<f64> {
    (trial.what.upright_s).filter(|s| (0.0..=LONGEST_S).contains(s))
}

/// The limits on recovery, and whether they are the proposal.
fn in_force(bank: &Bank<'_>) -> Option<(Limits, bool)> {
    let on_recovery = |limits: &Limits| {
        let of = |q: Quantity| matches!(q, Quantity::UprightS | Quantity::MedianUprightS);
        limits.lines().iter().any(|line| of(line.quantity()))
    };
    if let Some(own) = limits(bank).limits.filter(on_recovery) {
        return Some((own, false));
    }
    let proposed: Vec<Profile> = Profile::named(PROPOSED).into_iter().collect();
    let limits = Limits::of(&proposed, WaterNow::default()).ok()?;
    Some((limits, true))
}
