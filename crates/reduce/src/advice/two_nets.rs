//! Do the block nets hold? From the beginning of pass 1 on, channel by channel.

use super::{Advice, Bank, Question, Urgency, sentences};
use crate::nets::{Closure, nets};

pub(super) fn block_nets(bank: &Bank<'_>) -> Advice {
    let question = Question::BlockNets;
    let channels = bank.by_channel();
    if channels.is_empty() {
        return Advice::untold(question, "no_pass", "no pass is on record yet");
    }
    let mut advice = Advice::of(question);
    let mut parts = Vec::new();
    for (channel, passes) in &channels {
        let of = if channels.len() > 1 {
            format!("{channel}: ")
        } else {
            String::new()
        };
        let from = passes.first().and_then(|p| bank.span(&p.pass).from);
        // The nets from the first opening to the end of each pass: what happens between two
        // passes opens the later one.
        let until = |number: u8| {
            let pass = passes.iter().find(|p| p.pass.number == number);
            let to = pass.and_then(|p| bank.span(&p.pass).to);
            nets(bank.view, bank.clocks, channel, from, to)
        };
        let numbers: Vec<u8> = passes.iter().map(|p| p.pass.number).collect();
        let open = numbers.iter().find(|n| until(**n).closure == Closure::Open);
        let (Some(first), Some(last)) = (numbers.first(), numbers.last()) else {
            continue;
        };
        let whole = until(*last);
        match (open, whole.closure) {
            (Some(number), _) => {
                advice.raise(Urgency::Look);
                advice.number(
                    format!("{of}first pass not closed"),
                    f64::from(*number),
                    "pass",
                );
                let stands = if number == first {
                    "no pass was closed".to_owned()
                } else {
                    let before = number.saturating_sub(1);
                    format!("counts up to pass {before} stand")
                };
                parts.push(format!(
                    "{of}{}: passes from {number} on are not closed; {stands}, estimates are marked OPEN",
                    until(*number).words
                ));
                advice.reasons.push(format!(
                    "{of}reset the net and fish the reach again as a new series, or keep the count as open"
                ));
            }
            (None, Closure::NotRecorded) => {
                advice.raise(Urgency::Look);
                parts.push(format!("{of}{}", whole.words));
                advice.refuse("nets_not_recorded", format!("{of}{}", whole.words));
            }
            (None, _) => {
                let over = if first == last {
                    format!("pass {last}")
                } else {
                    format!("passes {first} to {last}")
                };
                parts.push(format!("{of}{}, {over} closed", whole.words));
            }
        }
    }
    advice.sentence = sentences(&parts);
    advice
}
