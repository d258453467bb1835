//! Is the water nearly too warm? Stream and live car against the plan's limit.

use std::time::Duration;

use chrono::TimeDelta;
use gravelbar_electric::{Quantity, Rule};
use gravelbar_visit::WaterPlace;

use super::reference::limits;
use super::{Advice, Bank, Question, Urgency, sentences};
use crate::figure::plain;
use crate::moment::hour;
use crate::warming::{Warming, place_words};

/// This close to the limit somebody looks, °C (judgement, no source).
const NEAR_C: f64 = 1.0;

/// A limit that will be reached within this time is near, min (judgement, no source): about what
/// a pass with its work-up takes.
const NEAR_MIN: f64 = 90.0;

/// Beyond this a straight line says nothing of a day's water, min (judgement, no source).
const FORESEEN_MIN: f64 = 240.0;

pub(super) fn water_limit(bank: &Bank<'_>) -> Advice {
    let question = Question::WaterLimit;
    let places = [WaterPlace::Stream, WaterPlace::LiveCar];
    let read: Vec<Warming> = (places.into_iter())
        .filter_map(|place| Warming::of(bank, place))
        .collect();
    if read.is_empty() {
        return Advice::untold(question, "no_temperature", "no temperature is on record");
    }
    let mut advice = Advice::of(question);
    let mut parts = Vec::new();
    for warming in &read {
        let place = place_words(warming.place);
        advice.number(format!("{place} temperature"), warming.temperature_c, "°C");
        match warming.slope_c_per_h {
            Some(slope) => {
                advice.number(format!("{place} warming"), slope, "°C/h");
                advice.reasons.push(format!(
                    "{place}: slope over {} readings of the last three hours",
                    warming.readings
                ));
            }
            None => advice.refuse(
                "no_trend",
                format!(
                    "{place}: too few readings, or too close together, to tell how fast it warms"
                ),
            ),
        }
        if !warming.clocks_compared {
            advice.cautions.push(format!(
                "{place}: read on devices whose clocks were never compared: the slope may be wrong"
            ));
        }
        let mut said = warming.words();
        if let Some(limit_c) = bank.view.plan.water_limit_c {
            said.push_str(&against(warming, limit_c, &mut advice));
        }
        parts.push(said);
        if let Some(past) = profile_breach(bank, warming.temperature_c) {
            advice.raise(Urgency::Now);
            parts.push(format!("{place}: {past}"));
        }
    }
    match bank.view.plan.water_limit_c {
        Some(limit_c) => advice.number("limit set in the plan", limit_c, "°C"),
        None => {
            advice.raise(Urgency::CannotTell);
            let words = "the plan sets no temperature limit";
            advice.refuse("no_limit", words.to_owned());
            parts.push(words.to_owned());
        }
    }
    advice.sentence = sentences(&parts);
    advice
}

/// One place against the limit.
fn against(warming: &Warming, limit_c: f64, advice: &mut Advice) -> String {
    let limit = format!("; limit {limit_c:.1} °C");
    let place = place_words(warming.place);
    let left = warming.minutes_to(limit_c);
    if left == Some(0.0) {
        advice.raise(Urgency::Now);
        advice.number(format!("{place}: minutes to the limit"), 0.0, "min");
        return format!(
            "{limit} reached: stop shocking, cool or release what is held, decide and say why"
        );
    }
    if limit_c - warming.temperature_c <= NEAR_C {
        advice.raise(Urgency::Look);
    }
    let Some(left) = left.filter(|min| *min <= FORESEEN_MIN) else {
        return format!(
            "{limit}, {} °C below it",
            plain(rounded(limit_c - warming.temperature_c))
        );
    };
    advice.number(format!("{place}: minutes to the limit"), left, "min");
    if left <= NEAR_MIN {
        advice.raise(Urgency::Look);
    }
    let time_left = Duration::try_from_secs_f64(left * 60.0).ok();
    let until = (time_left.and_then(|left| TimeDelta::from_std(left).ok()))
        .and_then(|left| warming.at.checked_add_signed(left));
    let until = until.map(|at| format!(", until about {}", hour(at)));
    format!(
        "{limit}: about {left:.0} min left from then{}",
        until.unwrap_or_default()
    )
}

fn rounded(c: f64) -> f64 {
    (c * 10.0).round() / 10.0
}

/// A limit on temperature that a profile sets, where it is passed.
fn profile_breach(bank: &Bank<'_>, temperature_c: f64) -> Option<String> {
    let limits = limits(bank).limits?;
    let limit = limits.strictest(Quantity::TemperatureC, Rule::AtMost)?;
    limit.breach(temperature_c).map(|breach| breach.to_string())
}
