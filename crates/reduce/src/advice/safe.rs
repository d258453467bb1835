//! May the crew go on? Stops, checks and the weather, as the records have them.

use gravelbar_visit::{Dated, Incident, IncidentKind, SafetyState};

use super::people_hours::PeopleHours;
use super::{Advice, Bank, Question, Urgency, sentences};
use crate::moment::hour;

/// Weather noted this short a time before the newest record may still be near, min (judgement, no
/// source).
const WEATHER_MIN: f64 = 30.0;

/// Lines of the checklist named one by one in the sentence.
const LINES_NAMED: usize = 3;

pub(super) fn safe_to_go_on(bank: &Bank<'_>) -> Advice {
    let mut advice = Advice::of(Question::SafeToGoOn);
    let mut parts = Vec::new();
    match &bank.safety.state {
        SafetyState::Stopped { stops } => {
            advice.raise(Urgency::Now);
            advice.number("stops that hold", stops.len() as f64, "stops");
            for stop in bank.safety.stops.iter().filter(|s| s.holds) {
                let why = stop.why.as_ref().map(|why| format!(" ({why})"));
                let off = stop.energiser_off_at.map_or_else(
                    || "energiser NOT confirmed off".to_owned(),
                    |at| format!("energiser confirmed off {}", hour(at)),
                );
                parts.push(format!(
                    "stopped by {} at {}{}, {off}",
                    stop.by,
                    hour(stop.at),
                    why.unwrap_or_default()
                ));
            }
            parts.push("nobody energises until the lead clears it with a reason".to_owned());
        }
        SafetyState::NotReady { missing } => {
            advice.raise(Urgency::Look);
            advice.number("checks missing", missing.len() as f64, "checks");
            let named: Vec<&str> = missing
                .iter()
                .take(LINES_NAMED)
                .map(String::as_str)
                .collect();
            let more = match missing.len().saturating_sub(LINES_NAMED) {
                0 => String::new(),
                more => format!("; {more} more"),
            };
            parts.push(format!("not ready: {}{more}", named.join("; ")));
            advice.reasons.extend(missing.iter().cloned());
        }
        SafetyState::Ready => parts.push("no stop holds and every check is ticked".to_owned()),
    }
    for incident in incidents(bank) {
        let at = hour(bank.clocks.shown(&incident.stamp));
        let text = &incident.what.text;
        let said = format!("{} {at}: {text}", kind_words(incident.what.kind));
        let since = bank.since(&incident.stamp);
        match (incident.what.kind, since) {
            (IncidentKind::Weather, Some((min, as_of))) if min < WEATHER_MIN => {
                advice.raise(Urgency::Look);
                advice.number("since the weather was noted", min, "min");
                parts.push(format!(
                    "{said}, {min:.0} min before the newest record of {}: wait and look again",
                    hour(as_of)
                ));
            }
            _ => advice.reasons.push(said),
        }
    }
    if let Some(hours) = PeopleHours::of(bank) {
        advice.number("people at work", hours.people as f64, "people");
        advice.number("at work longest", hours.longest_h, "h");
        advice.number("at work together", hours.together_h, "people-hours");
        advice.reasons.push(hours.words());
    }
    if advice.urgency == Urgency::Settled {
        advice
            .cautions
            .push("by the record only: what nobody wrote down isn't in it".to_owned());
    }
    advice.sentence = sentences(&parts);
    advice
}

fn incidents<'a>(bank: &Bank<'a>) -> Vec<&'a Dated<Incident>> {
    let mut incidents: Vec<&Dated<Incident>> =
        bank.view.incidents.iter().filter(|i| !i.voided).collect();
    incidents.sort_by_key(|i| (i.stamp.lamport, i.stamp.id));
    incidents
}

fn kind_words(kind: IncidentKind) -> &'static str {
    match kind {
        IncidentKind::NearMiss => "near miss",
        IncidentKind::Injury => "injury",
        IncidentKind::Fault => "fault",
        IncidentKind::Public => "bystanders",
        IncidentKind::Weather => "weather",
    }
}
