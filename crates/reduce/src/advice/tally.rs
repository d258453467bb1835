//! Do tally and work-up agree? Each pass that is over, by the name netters count under.

use super::{Advice, Bank, Question, Urgency, pass_words, sentences};
use crate::figure::percent;
use crate::pass::{TallyInPass, WorkUp};
use crate::span::PassState;

/// Differences said in the sentence; the others stand among the reasons.
const SAID: usize = 3;

pub(super) fn tally_against_work_up(bank: &Bank<'_>) -> Advice {
    let question = Question::TallyAgainstWorkUp;
    let mut advice = Advice::of(question);
    let mut differences = Vec::new();
    let mut compared = 0_u64;
    let mut waiting = Vec::new();
    for pass in bank.passes.iter().filter(|p| p.state != PassState::Open) {
        let words = pass_words(&pass.pass);
        if pass.work_up != WorkUp::Done && pass.tallied > 0 {
            waiting.push(format!("{words}: the work-up isn't finished"));
        }
        for line in pass.tally.iter().filter(|l| l.tallied > 0) {
            let Some(gap) = line.gap else { continue };
            compared += 1;
            if gap != 0 {
                advice.number(
                    format!("{words} {}: tally less work-up", line.name),
                    gap as f64,
                    "fish",
                );
                differences.push(format!("{words} {}", difference(line, gap)));
            }
        }
    }
    if compared == 0 && waiting.is_empty() {
        return Advice::untold(
            question,
            "nothing_to_compare",
            "no finished pass has both a tally and a work-up",
        );
    }
    if differences.is_empty() {
        advice.sentence = if waiting.is_empty() {
            format!("No difference in {compared} counts.")
        } else {
            advice.raise(Urgency::CannotTell);
            sentences(&waiting)
        };
    } else {
        advice.raise(Urgency::Look);
        let rest = differences.split_off(differences.len().min(SAID));
        if !rest.is_empty() {
            differences.push(format!("{} more differences", rest.len()));
        }
        advice.sentence = sentences(&differences);
        advice.reasons.extend(rest);
    }
    for words in waiting {
        advice.refuse("work_up_unfinished", words);
    }
    advice.cautions.push("estimates use the work-up".to_owned());
    advice
}

/// `brook trout: tally 50 (Hollis Fenn 27, Sabine Quell 23), worked up 48 (+2, 4 %): …`.
fn difference(line: &TallyInPass, gap: i64) -> String {
    let by: Vec<String> = line
        .by
        .iter()
        .map(|n| format!("{} {}", n.by, n.n))
        .collect();
    let by = if by.len() > 1 {
        format!(" ({})", by.join(", "))
    } else {
        String::new()
    };
    let share = if line.worked_up > 0 {
        format!(
            ", {}",
            percent(gap.unsigned_abs() as f64 / line.worked_up as f64)
        )
    } else {
        String::new()
    };
    let likely = if gap > 0 {
        "a fish in two netters' count, one dropped, or one still in a bucket?"
    } else {
        "fish netted without a tap?"
    };
    format!(
        "{}: tally {}{by}, worked up {} ({gap:+}{share}): {likely}",
        line.name, line.tallied, line.worked_up
    )
}
