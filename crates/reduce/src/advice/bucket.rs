//! Are fish too long in a bucket? Minutes since the first fish, as of the newest record.

use gravelbar_visit::{BucketMoment, BucketView, Stamp, WaterPlace};

use super::{Advice, Bank, Question, Urgency, pass_words, sentences};
use crate::moment::hour;
use crate::pass::last_moment;
use crate::warming::Warming;

/// Minutes after which somebody looks at a bucket (judgement, no source).
const LONG_MIN: f64 = 20.0;

/// Minutes after which it comes before anything else (judgement, no source).
const TOO_LONG_MIN: f64 = 40.0;

pub(super) fn bucket_time(bank: &Bank<'_>) -> Advice {
    let mut advice = Advice::of(Question::BucketTime);
    let mut waiting = Vec::new();
    let mut buckets: Vec<&BucketView> = bank.view.buckets.iter().collect();
    buckets.sort_by_key(|b| (&b.pass, &b.label, first_fish(b).map(|s| s.id)));
    for bucket in buckets {
        let open = last_moment(bucket).is_some_and(|(m, _)| m != BucketMoment::Emptied);
        let Some(first) = first_fish(bucket).filter(|_| open) else {
            continue;
        };
        let name = format!("bucket {} of {}", bucket.label, pass_words(&bucket.pass));
        match bank.since(first) {
            Some((min, as_of)) => waiting.push((min, name, as_of)),
            None => advice.refuse("no_time", format!("{name}: no clock tells for how long")),
        }
    }
    // Stable: buckets of equal time stay in the order above.
    waiting.sort_by(|a, b| b.0.total_cmp(&a.0));
    for (min, name, _) in &waiting {
        advice.number(name.clone(), *min, "min");
    }
    let Some((min, name, as_of)) = waiting.first() else {
        if advice.refused.is_empty() {
            advice.sentence = "No bucket is waiting.".to_owned();
        } else {
            advice.raise(Urgency::CannotTell);
            let words: Vec<String> = advice.refused.iter().map(|r| r.words.clone()).collect();
            advice.sentence = sentences(&words);
        }
        return advice;
    };
    if *min >= LONG_MIN {
        advice.raise(Urgency::Look);
    }
    if *min >= TOO_LONG_MIN {
        advice.raise(Urgency::Now);
    }
    let mut said = format!(
        "{name}: {min:.0} min since its first fish, as of {}",
        hour(*as_of)
    );
    if let Some(car) = Warming::of(bank, WaterPlace::LiveCar) {
        said.push_str(&format!("; {}", car.words()));
    }
    advice.sentence = sentences(&[said]);
    for (min, name, _) in waiting.iter().skip(1) {
        advice.reasons.push(format!("{name}: {min:.0} min"));
    }
    advice.cautions.push(
        "minutes run to the newest record, not to the clock on your wrist: they may be more by now"
            .to_owned(),
    );
    advice
}

/// The first moment since the bucket was last emptied. Whoever handed a bucket over without
/// marking its first fish had it at least since then.
fn first_fish(bucket: &BucketView) -> Option<&Stamp> {
    let standing = || bucket.moments.iter().filter(|m| !m.voided);
    let emptied = standing()
        .filter(|m| m.what == BucketMoment::Emptied)
        .map(|m| m.stamp.lamport)
        .max();
    standing()
        .filter(|m| m.what != BucketMoment::Emptied)
        .filter(|m| emptied.is_none_or(|emptied| m.stamp.lamport >= emptied))
        .map(|m| &m.stamp)
        .min_by_key(|s| (s.lamport, s.id))
}
