//! What the lead has to decide: the reducer's sentences, each with a mark that tells by its shape
//! how much it presses.

use gravelbar_reduce::{Advice, Summary, Urgency};
use maud::{Markup, html};

/// All answers: those that press in full, the gravest first, the others folded away.
pub(super) fn advice(summary: &Summary) -> Markup {
    let mut pressing: Vec<&Advice> = summary.decisions.iter().filter(|d| d.presses()).collect();
    pressing.sort_by_key(|d| (std::cmp::Reverse(d.urgency), d.question));
    let quiet = || summary.decisions.iter().filter(|d| !d.presses());
    html! {
        section {
            h2 { "To decide" }
            @if pressing.is_empty() { p { "✓ Nothing asks for a decision, by the record." } }
            ul.list { @for d in pressing { (line(d)) } }
            @if quiet().next().is_some() {
                details #settled-questions {
                    summary { "settled, or not to be told from the record" }
                    ul.list { @for d in quiet() { (line(d)) } }
                }
            }
            p.small { "Numbers from the records on this device. The lead decides." }
        }
    }
}

fn line(advice: &Advice) -> Markup {
    let (mark, state) = match advice.urgency {
        Urgency::Now => ("■", "now"),
        Urgency::Look => ("▲", "look"),
        Urgency::CannotTell => ("?", "can't tell"),
        Urgency::Settled => ("✓", "settled"),
    };
    let key = advice.question.words();
    let more = [&advice.reasons, &advice.cautions];
    html! {
        li data-key=(key) {
            p { span.mark { (mark) " " (state) } " · " strong { (key) } " " (advice.sentence) }
            @if more.iter().any(|m| !m.is_empty()) {
                details id={ "why-" (key.replace(|c: char| !c.is_ascii_alphanumeric(), "-")) } {
                    summary { "reasons and cautions" }
                    ul {
                        @for reason in &advice.reasons { li { (reason) } }
                        @for caution in &advice.cautions { li { "▲ " (caution) } }
                        @for refused in &advice.refused { li { "? " (refused.words) } }
                    }
                }
            }
        }
    }
}
