//! The checklist, stops and incidents.
//!
//! Held by the safety lead on the bank, dry hands, eyes on people and sky; and for a moment by
//! everyone before the water, to tick for themselves. They must not get wrong: whose tick it is,
//! which stops a clear names, and that nothing here cuts the current.

use gravelbar_visit::{
    CheckItem, Clear, EnergiserOff, Fact, ItemView, PersonName, RecordId, SafetyState, StopView,
    Tick,
};
use maud::{Markup, html};
use serde_json::json;

use super::Seat;
use super::frame::standing;
use super::parts::{act, caution, choice, form, hour, life, line, why};

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    html! {
        (state(seat))
        (stops(seat))
        (checklist(seat))
        (incident(seat))
        section {
            h2 { "What this page can't do" }
            (caution("Electric fishing can kill. This is a notebook, not an interlock: it neither senses nor cuts the current. Voice and switch come first."))
            (caution("Not alone, not in thunder or rising water, not with anyone or any animal near. After thunder wait as long as your rules say."))
            (caution("After any shock: power off first, touch nobody in live water, bring them ashore, then first aid and a doctor, even if they feel well."))
            (caution("Local codes, your permit, your employer's rules and trained practice stand above this list."))
        }
    }
}

/// The answer, large.
pub(super) fn state(seat: &Seat<'_>) -> Markup {
    match &seat.view().safety.state {
        // A stop that was told ahead counts at once, whatever the records that are here say.
        _ if seat.stopped() => html! {
            div.answer.is-stop { span.mark { "■" } strong { "Stopped" }
                p { "Nothing is energised before every stop is cleared and every line is ticked again." }
            }
        },
        SafetyState::Stopped { .. } | SafetyState::NotReady { .. } => html! {
            div.answer.is-waiting { span.mark { "▲" } strong { "Not ready" }
                ul {
                    @for line in &seat.summary().safety.missing {
                        li { (line.words)
                            @for (i, person) in line.people.iter().enumerate() {
                                @if i == 0 { ": " } @else { ", " }
                                (person)
                                @if line.objected.contains(person) { " (objected to)" }
                            }
                        }
                    }
                }
            }
        },
        SafetyState::Ready => html! {
            div.answer.is-ready { span.mark { "✓" } strong { "Every line is ticked, no stop holds" }
                p { "As far as this device has heard. Devices out of reach may hold a stop: ask aloud. The crew lead says when power goes on." }
            }
        },
    }
}

/// The facts that say the energiser is off after all stops that hold.
fn off(seat: &Seat<'_>) -> Option<Fact> {
    let stops: Vec<RecordId> = standing(seat).map(|s| s.stamp.id).collect();
    (!stops.is_empty()).then_some(Fact::EnergiserOff(EnergiserOff { stops }))
}

/// One press by whoever holds the switch.
pub(super) fn energiser_off(seat: &Seat<'_>) -> Markup {
    html! {
        @if let (Some(off), true) = (off(seat), seat.me.is_some()) {
            (act("big", "The energiser is off: I switched it off or saw it off", &[off]))
        }
    }
}

fn stops(seat: &Seat<'_>) -> Markup {
    let all = &seat.view().safety.stops;
    html! {
        @if !all.is_empty() {
            section {
                h2 { "Stops" }
                ul.list {
                    @for stop in all.iter().rev() { (stop_line(seat, stop)) }
                }
                (energiser_off(seat))
                (clear(seat))
            }
        }
    }
}

fn stop_line(seat: &Seat<'_>, stop: &StopView) -> Markup {
    html! {
        li data-key=(stop.stamp.id) {
            p {
                @if stop.holds { strong.state.is-stop { "■ holds" } } @else { span.state { "✓ cleared" } }
                " " (hour(stop.stamp.corrected)) ", " (stop.stamp.by)
                @if let Some(why) = &stop.why { ": " q { (why) } }
            }
            @for off in &stop.energiser_off {
                p { "energiser off, says " (off.by) ", " (hour(off.corrected)) }
            }
            @for (clear, why) in stop.cleared.iter().zip(&stop.clear_reasons) {
                p { "cleared by " (clear.by) ", " (hour(clear.corrected)) ": " q { (why) } }
            }
            (life(seat, stop.stamp.id, "its history"))
        }
    }
}

/// A clear names exactly the stops on the screen; one raised out of sight still holds after it.
fn clear(seat: &Seat<'_>) -> Markup {
    let stops: Vec<RecordId> = standing(seat).map(|s| s.stamp.id).collect();
    html! {
        @if !stops.is_empty() {
            @if seat.may_clear() {
                @let who: Vec<String> = standing(seat)
                    .map(|s| format!("{}, {}", s.stamp.by, hour(s.stamp.corrected))).collect();
                (form("clear", &json!([Fact::Clear(Clear { stops })]), "Clear these stops", html! {
                    p { "Clears the stop of " (who.join("; of ")) ". Afterwards everyone ticks the list again before power goes on." }
                    (why("cause removed, and how", "such as: thunder passed, waited as our rules say"))
                }))
            } @else {
                p { "The crew lead or the safety lead clears a stop. Take the role on “Me and crew” if it is yours." }
            }
        }
        @let unplaced = &seat.view().safety.unplaced;
        @if !unplaced.is_empty() && seat.may_clear() {
            (form("clear-unplaced", &json!([Fact::Clear(Clear { stops: unplaced.clone() })]),
                "Clear records nobody can read", html! {
                p {
                    (unplaced.len())
                    " safety records can't be read on this device or fit no line. Ask whoever made them what they say before you clear them."
                }
                (why("what they are, and what was done", "such as: asked Okto, an objection to the old float, replaced"))
            }))
        }
    }
}

/// One's own lines to tick, then everyone's as they stand.
fn checklist(seat: &Seat<'_>) -> Markup {
    let (plan, safety) = (&seat.view().plan, &seat.view().safety);
    let own = |item: &&ItemView| item.person.is_none() || item.person.as_ref() == seat.me;
    html! {
        section {
            h2 { "My checklist, and the crew's lines" }
            @if plan.checklist.is_empty() {
                p { "The plan of this visit has no checklist. Use the crew's own, on paper if need be." }
            }
            ul.list {
                @for item in safety.items.iter().filter(own) { (own_line(seat, item)) }
            }
        }
        section {
            h2 { "Everyone's" }
            @for line in &plan.checklist {
                div.check data-key=(line.item) {
                    h3 { (line.words) }
                    p.people-states {
                        @for item in safety.items.iter().filter(|i| i.item == line.item) {
                            span.one-state data-key=(key(item)) { (state_of(item)) " " (whose(item)) }
                        }
                    }
                    (object(safety.items.iter().filter(|i| i.item == line.item).collect(), line))
                }
            }
        }
    }
}

fn whose(item: &ItemView) -> Markup {
    html! {
        (item.person.as_ref().map_or("the crew", PersonName::as_str))
        @if let (true, Some(tick)) = (item.ticked, item.ticks.last()) {
            @if item.person.is_none() { ", " (tick.by) }
            " " (hour(tick.corrected))
        }
    }
}

fn state_of(item: &ItemView) -> Markup {
    html! {
        @if item.ticked {
            span.state.is-ok { "✓" }
        } @else if item.objections.is_empty() {
            span.state.is-waiting { "▲ open:" }
        } @else {
            span.state.is-stop { "✕ objection:" }
        }
    }
}

fn own_line(seat: &Seat<'_>, item: &ItemView) -> Markup {
    html! {
        li.item data-key=(key(item)) {
            span.person {
                (state_of(item)) " " strong { (item.words) }
                @if item.person.is_none() { " (once for the crew)" }
                @if let (true, Some(tick)) = (item.ticked, item.ticks.last()) {
                    ", " (tick.by) " " (hour(tick.corrected))
                }
            }
            @for (stamp, why) in &item.objections {
                p { (stamp.by) " objects, " (hour(stamp.corrected))
                    @if let Some(why) = why { ": " q { (why) } } }
            }
            @if !item.ticked {
                (act("tick", if item.objections.is_empty() { "tick" } else { "tick: the objection is answered" },
                    &[tick(seat, item)]))
            }
        }
    }
}

/// Anyone may object to anyone's line, ticked or not.
fn object(items: Vec<&ItemView>, line: &CheckItem) -> Markup {
    let objections = items
        .iter()
        .flat_map(|item| item.objections.iter().map(move |o| (item, o)));
    let people: Vec<&str> = (items.iter())
        .filter_map(|i| i.person.as_ref().map(PersonName::as_str))
        .collect();
    let options: Vec<(&str, &str)> = people.iter().map(|name| (*name, *name)).collect();
    html! {
        @for (item, (stamp, why)) in objections {
            p { "✕ " (stamp.by) " objects, " (hour(stamp.corrected)) ", " (whose(item))
                @if let Some(why) = why { ": " q { (why) } } }
        }
        details id={ "object-" (line.item) } {
            summary { "object" }
            (form(&format!("untick-{}", line.item), &json!([{"untick": {"item": line.item}}]),
                "Object to this line", html! {
                    @if line.each_person { (choice("untick.person", "whose", &options, "")) }
                    (why("what is wrong", "such as: left glove is wet"))
                }))
        }
    }
}

/// One line and person as a name for the page.
fn key(item: &ItemView) -> String {
    format!(
        "{}-{}",
        item.item,
        item.person.as_ref().map_or("crew", PersonName::as_str)
    )
}

/// A tick names what its author has on the screen: the objections it answers and the stops known.
fn tick(seat: &Seat<'_>, item: &ItemView) -> Fact {
    Fact::Tick(Tick {
        item: item.item.clone(),
        person: item.person.clone(),
        clears: item.objections.iter().map(|(stamp, _)| stamp.id).collect(),
        round: seat.view().safety.round.clone(),
    })
}

fn incident(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Incidents" }
            ul.list {
                @for incident in seat.view().incidents.iter().rev() {
                    li data-key=(incident.stamp.id) {
                        (hour(incident.stamp.corrected)) ", " (incident.stamp.by) ": "
                        (incident.what.text)
                    }
                }
            }
            (form("incident", &json!([{"incident": {}}]), "Record the incident", html! {
                (choice("incident.kind", "what sort", &[
                    ("near_miss", "near miss"), ("injury", "injury"), ("fault", "gear fault"),
                    ("public", "bystander, animal"), ("weather", "weather, water"),
                ], "near_miss"))
                (line("incident.text", "what happened", "who, where, what was done", ""))
            }))
            (form("note", &json!([{"note": {}}]), "Keep the note",
                line("note.text", "or a note", "contact made, next check-in at 15:30", "")))
            @for note in seat.view().notes.iter().rev().take(10) {
                p { (hour(note.stamp.corrected)) ", " (note.stamp.by) ": " (note.what.text) }
            }
        }
    }
}
