//! Whose turn is it to be measured? The plan's "first so many of each pass", counted down.

use gravelbar_visit::{PlannedSpecies, SpeciesName};

use super::{Advice, Bank, Question, Urgency, pass_words, sentences};
use crate::count::PassCounts;
use crate::figure::counted;
use crate::pass::{PassSummary, WorkUp};
use crate::span::PassState;

pub(super) fn who_to_measure(bank: &Bank<'_>) -> Advice {
    let question = Question::WhoToMeasure;
    let ruled: Vec<(&PlannedSpecies, u64)> = (bank.view.plan.species.iter())
        .filter_map(|s| Some((s, u64::from(s.measure_first?))))
        .collect();
    if ruled.is_empty() {
        return Advice::untold(
            question,
            "no_rule",
            "the plan has no rule of whom to measure",
        );
    }
    let mut advice = Advice::of(question);
    let mut parts = Vec::new();
    for (key, fish) in &bank.counts.passes {
        let Some(pass) = bank.passes.iter().find(|p| p.pass == *key) else {
            continue;
        };
        for (planned, rule) in &ruled {
            let count = Count::of(fish, planned, &bank.view.plan);
            if let Some(words) = count.against(*rule, pass, &planned.name, &mut advice) {
                parts.push(words);
            }
        }
    }
    if parts.is_empty() {
        advice.sentence = "No fish of the planned species is waiting to be measured.".to_owned();
    } else {
        advice.sentence = sentences(&parts);
    }
    advice
}

/// Fish of one species in one pass.
struct Count {
    measured: u64,
    worked_up: u64,
    /// On the tally and not on the bank, under the name netters count it by.
    waiting: u64,
}

impl Count {
    fn of(pass: &PassCounts<'_>, planned: &PlannedSpecies, plan: &gravelbar_visit::Plan) -> Self {
        let worked_up = pass.worked_up.get(&planned.name);
        let measured = worked_up.iter().flat_map(|w| &w.fish);
        let long = |mm: f64| mm.is_finite();
        let group = plan.tallied_as(&planned.name);
        let banked = pass.banked.get(group).copied().unwrap_or(0);
        Self {
            measured: measured
                .filter(|f| f.length_mm.as_ref().is_some_and(|l| long(l.value)))
                .count() as u64,
            worked_up: pass.of(&planned.name),
            waiting: pass.tapped(group).saturating_sub(banked),
        }
    }

    /// What to say; nothing where the pass has no such fish, or is done with by the rule.
    fn against(
        &self,
        rule: u64,
        pass: &PassSummary,
        name: &SpeciesName,
        advice: &mut Advice,
    ) -> Option<String> {
        if self.worked_up == 0 && self.waiting == 0 {
            return None;
        }
        let words = pass_words(&pass.pass);
        let measured = self.measured;
        advice.number(format!("{words} {name} measured"), measured as f64, "fish");
        let live =
            pass.state == PassState::Open || pass.work_up != WorkUp::Done || self.waiting > 0;
        let left = rule.saturating_sub(measured);
        if left == 0 {
            let more = match measured - rule {
                0 => String::new(),
                more => format!(" ({more} more than asked)"),
            };
            advice.raise(if live {
                Urgency::Look
            } else {
                Urgency::Settled
            });
            return live
                .then(|| format!("{words} {name}: {rule} of {rule} done{more}: count the rest"));
        }
        let unmeasured = self.worked_up.saturating_sub(measured);
        if unmeasured > 0 {
            advice.raise(Urgency::Look);
            return Some(format!(
                "{words} {name}: {measured} of {rule} measured, and {} counted without a length: {left} lengths are missing",
                counted(unmeasured, "fish", "fish")
            ));
        }
        if live {
            advice.raise(Urgency::Look);
            return Some(format!(
                "{words} {name}: {measured} of {rule} measured, {left} to go"
            ));
        }
        None
    }
}
