//! Was effort equal over the passes? Energised seconds on the same area.

use super::{Advice, Bank, Question, Urgency, pass_words, sentences};
use crate::figure::percent;
use crate::ground::UNEQUAL_EFFORT;
use crate::pass::PassSummary;
use crate::span::PassState;

pub(super) fn equal_effort(bank: &Bank<'_>) -> Advice {
    let question = Question::EqualEffort;
    let mut advice = Advice::of(question);
    let mut parts = Vec::new();
    for passes in bank.by_channel().values() {
        for pass in passes {
            match pass.effort.total_s {
                Some(s) => advice.number(pass_words(&pass.pass), s, "s"),
                None if pass.state == PassState::Closed => {
                    advice.raise(Urgency::Look);
                    let words = format!(
                        "{} has no energised seconds: read the counter now, nobody can later",
                        pass_words(&pass.pass)
                    );
                    advice.refuse("no_effort", words.clone());
                    parts.push(words);
                }
                None => {}
            }
        }
        if let Some((least, most)) = extremes(passes) {
            parts.push(compared(least, most, &mut advice));
        }
    }
    if parts.is_empty() {
        return Advice::untold(
            question,
            "fewer_than_two",
            "fewer than two passes with energised seconds: nothing to compare",
        );
    }
    advice.sentence = sentences(&parts);
    advice
}

/// A pass and its energised seconds.
type Read<'a> = (f64, &'a PassSummary);

/// The passes with the least and the most seconds, where there are two.
pub(super) fn extremes<'a>(passes: &[&'a PassSummary]) -> Option<(Read<'a>, Read<'a>)> {
    let read: Vec<(f64, &PassSummary)> = (passes.iter())
        .filter_map(|p| Some((p.effort.total_s.filter(|s| *s > 0.0)?, *p)))
        .collect();
    let least = read.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0))?;
    let most = read.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0))?;
    (read.len() > 1).then_some((least, most))
}

/// Whether two passes differ clearly in effort.
pub(super) fn unequal(least_s: f64, most_s: f64) -> bool {
    most_s / least_s > UNEQUAL_EFFORT
}

fn compared(
    (least_s, least): (f64, &PassSummary),
    (most_s, most): (f64, &PassSummary),
    advice: &mut Advice,
) -> String {
    let share = least_s / most_s;
    let (few, many) = (pass_words(&least.pass), pass_words(&most.pass));
    advice.number(
        format!("least of the most: {few} of {many}"),
        100.0 * share,
        "%",
    );
    let per_area = |p: &PassSummary| {
        let said = p.effort.s_per_m2.map(|s| format!(", {s:.1} s/m²"));
        said.unwrap_or_default()
    };
    let figures = format!(
        "{least_s:.0} s{} against {most_s:.0} s{}",
        per_area(least),
        per_area(most)
    );
    if unequal(least_s, most_s) {
        advice.raise(Urgency::Look);
        format!(
            "{few} had {} of the effort of {many} ({figures}): a low catch may be effort, not depletion",
            percent(share)
        )
    } else {
        format!(
            "effort alike: the least, {few}, had {} of {many} ({figures})",
            percent(share)
        )
    }
}
