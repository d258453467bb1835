//! Is the permit's take nearly used up? The season as the plan knew it and this visit as merged.

use gravelbar_visit::FlagKind;

use super::{Advice, Bank, Question, Urgency, sentences};
use crate::take::TakeSummary;

/// Take beyond this share of a limit is near it (judgement, no source).
const NEAR_SHARE: f64 = 0.8;

pub(super) fn permit_take(bank: &Bank<'_>) -> Advice {
    let mut advice = Advice::of(Question::PermitTake);
    if bank.take.is_empty() {
        advice.sentence = "No species under permit in the plan.".to_owned();
        return advice;
    }
    let mut parts = Vec::new();
    for take in bank.take {
        let species = &take.species;
        for (used, limit, what) in counts(take) {
            advice.number(format!("{species} {what} this season"), used as f64, "fish");
            advice.number(format!("{species} {what} limit"), limit as f64, "fish");
        }
        let said = counts(take).map(|(used, limit, what)| format!("{used} of {limit} {what}"));
        let [dead, caught] = said;
        let at_limit = [take.dead_at_limit, take.caught_at_limit];
        if at_limit.contains(&true) {
            advice.raise(Urgency::Now);
            let which = if take.dead_at_limit { &dead } else { &caught };
            let over = counts(take).iter().any(|(used, limit, _)| used > limit);
            let reached = if over {
                "over the limit"
            } else {
                "limit reached"
            };
            parts.push(format!(
                "{species} {which} this season, {reached}: STOP for this species; call the permit office"
            ));
            advice.reasons.push(format!("{species}: {dead}, {caught}"));
        } else {
            let near = near(take);
            if near {
                advice.raise(Urgency::Look);
            }
            let word = if near { ", near the limit" } else { "" };
            parts.push(format!("{species} {dead}, {caught} this season{word}"));
        }
    }
    let not_heard = bank
        .flags
        .iter()
        .filter(|f| matches!(f.kind, FlagKind::DeviceNotHeard | FlagKind::DeviceLost));
    advice.cautions.extend(not_heard.map(|f| f.words.clone()));
    advice.sentence = sentences(&parts);
    advice
}

/// Used, limit and what: the dead first.
fn counts(take: &TakeSummary) -> [(u64, u64, &'static str); 2] {
    [
        (take.season_dead, take.limit_dead, "dead"),
        (take.season_caught, take.limit_caught, "caught"),
    ]
}

/// Some of a limit is used, and little of it is left.
fn near(take: &TakeSummary) -> bool {
    counts(take)
        .iter()
        .any(|(used, limit, _)| *used > 0 && *used as f64 >= NEAR_SHARE * *limit as f64)
}
