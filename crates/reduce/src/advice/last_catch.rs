//! The plan's rule to stop once the last catch is a small share of the first.
//!
//! # Source
//! Stop rules are the office's: by a share of the first catch is common practice, no source; fishing on until none is
//! caught is Sweka and others 2011 (brook trout in Pennsylvania, five passes or none caught).

use super::Advice;
use super::another_pass::Series;
use crate::figure::percent;

/// Reasons for which a low last catch says nothing: it may be the net, or the effort.
const NOT_JUDGED: [&str; 4] = ["nets_open", "unequal_effort", "one_pass", "no_usable_pass"];

/// What the rule says: words for another pass, and words against it.
#[derive(Default)]
pub(super) struct Rule {
    pub(super) pros: Vec<String>,
    pub(super) cons: Vec<String>,
}

/// Against another pass once the last catch of every series is at most `share` of the first; for one, by each series
/// that is above. A series that can't be judged leaves the rule unanswered, never met.
pub(super) fn rule(series: &[Series<'_>], share: Option<f64>, advice: &mut Advice) -> Rule {
    let mut rule = Rule::default();
    let Some(share) = share else { return rule };
    let limit = match share {
        none if none <= 0.0 => "none".to_owned(),
        share => format!("{} of the first", percent(share)),
    };
    let (mut met, mut all) = (Vec::new(), true);
    for one in series.iter().filter(|s| s.removal.total > 0) {
        let refused = one.refused.as_ref();
        if let Some(why) = refused.filter(|why| NOT_JUDGED.contains(&why.code)) {
            let words = format!(
                "{}: last catch not held to the plan's rule: {}",
                one.name, why.words
            );
            advice.refuse("last_catch_not_judged", words);
            all = false;
            continue;
        }
        let catch = &one.removal.catch;
        let (Some(&first), Some(&last)) = (catch.first(), catch.last()) else {
            continue;
        };
        let of_first = match first {
            0 => String::new(),
            first => format!(" ({} of the first)", percent(last as f64 / first as f64)),
        };
        let words = format!("{} {last} after {first}{of_first}", one.name);
        // Multiplied, not divided: a first pass without fish has no share.
        if last as f64 <= share * first as f64 {
            met.push(words);
        } else {
            all = false;
            rule.pros
                .push(format!("last catch {words}: the plan stops at {limit}"));
        }
    }
    if all && !met.is_empty() {
        rule.cons.push(format!(
            "every last catch is down to the plan's {limit}: {}",
            met.join(", ")
        ));
    }
    rule
}
