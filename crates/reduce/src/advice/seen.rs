//! Have enough species been seen? When the last new one came.

use std::collections::BTreeSet;

use gravelbar_visit::SpeciesName;

use super::{Advice, Bank, Question, Urgency, sentences};
use crate::figure::counted;
use crate::span::PassState;

pub(super) fn species_seen(bank: &Bank<'_>) -> Advice {
    let question = Question::SpeciesSeen;
    // Passes by number, channels together: a species is new to the reach, not to an arm of it.
    let mut numbers: BTreeSet<u8> = BTreeSet::new();
    let mut new: Vec<(u8, Vec<&SpeciesName>)> = Vec::new();
    let mut seen: BTreeSet<&SpeciesName> = BTreeSet::new();
    let mut fish = 0;
    numbers.extend(bank.counts.passes.keys().map(|p| p.number));
    for number in &numbers {
        let passes = bank
            .counts
            .passes
            .iter()
            .filter(|(p, _)| p.number == *number);
        let mut first: BTreeSet<&SpeciesName> = BTreeSet::new();
        for (_, pass) in passes {
            fish += pass.worked_up_total();
            let named = pass
                .worked_up
                .iter()
                .filter(|(s, w)| w.n() > 0 && !s.is_provisional());
            first.extend(named.map(|(s, _)| s).filter(|s| !seen.contains(s)));
        }
        seen.extend(&first);
        new.push((*number, first.into_iter().collect()));
    }
    let last_new = new.iter().rev().find(|(_, names)| !names.is_empty());
    let (Some((at, names)), Some((last, _))) = (last_new, new.last()) else {
        return Advice::untold(question, "no_fish", "no fish has been worked up yet");
    };
    let mut advice = Advice::of(question);
    advice.number("species", seen.len() as f64, "species");
    advice.number("fish worked up", fish as f64, "fish");
    advice.number("last new species in pass", f64::from(*at), "pass");
    let total = format!(
        "{} among {}",
        counted(seen.len() as u64, "species", "species"),
        counted(fish, "fish", "fish")
    );
    let fished_once = new.len() == 1;
    let named: Vec<&str> = names.iter().map(|n| n.as_str()).collect();
    advice.sentence = if fished_once {
        advice.raise(Urgency::CannotTell);
        advice.refuse(
            "one_pass",
            "one pass only: nothing shows how many species it missed".to_owned(),
        );
        sentences(&[format!(
            "{total} in one pass: nothing shows how many it missed"
        )])
    } else if at == last {
        advice.raise(Urgency::Look);
        sentences(&[format!(
            "{total}; pass {at} still brought {}: another pass may bring more",
            named.join(", ")
        )])
    } else {
        sentences(&[format!(
            "{total}; the last new one came in pass {at}, none in the {} after it",
            match last - at {
                1 => "pass".to_owned(),
                n => format!("{n} passes"),
            }
        )])
    };
    for (number, names) in new.iter().filter(|(_, names)| !names.is_empty()) {
        let named: Vec<&str> = names.iter().map(|n| n.as_str()).collect();
        advice
            .reasons
            .push(format!("new in pass {number}: {}", named.join(", ")));
    }
    if bank.passes.iter().any(|p| p.state == PassState::Open) {
        advice
            .cautions
            .push("a pass is still being fished".to_owned());
    }
    advice
        .cautions
        .push("a species not seen may be there all the same".to_owned());
    advice
}
