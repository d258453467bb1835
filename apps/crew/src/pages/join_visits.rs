//! Two records of one visit, side by side, and the one press that joins them or takes them apart.
//!
//! Held by the lead at the truck when two crews meet, in a hurry to load. They must not get wrong:
//! joining two different stretches as one, or two visits that aren't one. So both stand side by
//! side with their passes, people and counts; what would be in conflict is listed before; the usual
//! answer is one press; and another takes it back with nothing lost.

use gravelbar_visit::{Channel, Fact, Join, JoinNames, PassCount, Preview, SideView};
use maud::{Markup, html};
use serde_json::json;

use super::parts::{act, form, moment, pass_words, why};
use super::{Seat, frame};
use crate::node::Joinable;

/// Its place in the address.
pub(crate) const PATH: &str = "join";

/// Conflicts written out; the rest is counted.
const CONFLICTS: usize = 8;

pub(crate) fn page(seat: &Seat<'_>, joinable: &Joinable) -> Markup {
    frame::frame(seat, "Two records of one visit", PATH, body(seat, joinable))
}

fn body(seat: &Seat<'_>, joinable: &Joinable) -> Markup {
    let preview = &joinable.preview;
    let joined = joinable.joined.as_ref().filter(|joined| joined.stands());
    html! {
        @if let Some(joined) = joined {
            p.big { "✓ Joined by " (joined.by) ", " (moment(joined.at)) }
            p { "Go on in this one: " a.go-on href={ "/v/" (preview.into.document) } { (preview.into.site) " (" (preview.into.records) " records)" } }
        } @else {
            p.big { "Is this one visit, recorded twice?" }
        }
        div.two { (side("Takes in the other", &preview.into)) (side("Is brought over", &preview.from)) }
        (together(preview))
        @match joined {
            Some(joined) => (take_apart(&joined.joins)),
            None if seat.me.is_some() => (join(preview)),
            None => p { "Say who holds this device first: " a.go-on href={ "/v/" (preview.into.document) "/me" } { "me and crew" } },
        }
    }
}

fn side(what: &str, side: &SideView) -> Markup {
    html! {
        section data-key=(side.document) {
            h2 { (what) }
            p { strong { (side.site) } " " (side.place) ", " (side.date.format("%-d %B %Y")) }
            p { (side.records) " records, " (side.tallied) " fish tapped, " (side.worked_up) " worked up" @if side.signed { ", signed" } }
            p { "Crew: " @if side.people.is_empty() { "nobody yet" } (list(side.people.iter())) }
            p { "Devices: " (list(side.devices.iter())) }
            p.small { code { (side.document) } }
        }
    }
}

fn list<T: std::fmt::Display>(items: impl Iterator<Item = T>) -> String {
    let words: Vec<String> = items.map(|item| item.to_string()).collect();
    words.join(", ")
}

fn counted(of: &[PassCount]) -> String {
    let each = of.iter().map(|count| {
        let state = match (count.opened, count.closed) {
            (_, true) => "closed",
            (true, false) => "open",
            (false, false) => "not opened",
        };
        format!(
            "{}: {} tapped, {} worked up, {state}",
            count.pass, count.tallied, count.worked_up
        )
    });
    if of.is_empty() {
        "–".to_owned()
    } else {
        each.collect::<Vec<_>>().join("; ")
    }
}

fn together(preview: &Preview) -> Markup {
    html! {
        section {
            h2 { "Together" }
            div.scroll { table.figures {
                thead { tr { th { "pass" } th { "here" } th { "brought" } th {} } }
                tbody { @for pair in &preview.passes {
                    tr data-key=(pair.pass) {
                        td { (pass_words(&pair.pass)) }
                        td { (counted(&pair.into)) }
                        td { (counted(&pair.from)) }
                        td { @if pair.is_one_of_two() { "▲ one pass" } }
                    }
                } }
            } }
            p { (preview.tallied) " fish tapped, " (preview.worked_up) " worked up" }
            @if !preview.people_in_both.is_empty() { p { "On both crews: " (list(preview.people_in_both.iter())) } }
            @if preview.devices_in_both > 0 { p { (preview.devices_in_both) " devices have recorded in both" } }
            @if preview.stopped { p.alert { "■ Work is stopped: a stop of either stops both" } }
            @if preview.conflicts.is_empty() { p { "✓ nothing in conflict" } }
            ul.list { @for flag in preview.conflicts.iter().take(CONFLICTS) { li { "▲ " (flag.words) } } }
            @if preview.conflicts.len() > CONFLICTS { p.small { "and " (preview.conflicts.len() - CONFLICTS) " more" } }
        }
    }
}

fn fact(preview: &Preview, names: JoinNames) -> [Fact; 1] {
    [Join {
        visit: preview.from.document,
        names,
    }
    .into()]
}

fn join(preview: &Preview) -> Markup {
    let shared: Vec<&Channel> = (preview.into.channels.iter())
        .filter(|channel| preview.from.channels.contains(channel))
        .collect();
    let usual = if shared.is_empty() {
        "Join: the channels stay apart"
    } else {
        "Join: one stretch, pass 1 is pass 1"
    };
    html! {
        section {
            h2 { "Join them" }
            p { "Every record counts once, under the name it has. Nothing is lost, and one press takes it back." }
            (act("main", usual, &fact(preview, JoinNames::default())))
            @if !shared.is_empty() {
                details #apart {
                    summary { "two channels: name them" }
                    (two_channels(preview, &shared))
                }
            }
        }
    }
}

/// Names for the channels that both crews called alike. A name with a dot can't stand in a form's
/// path; such a channel keeps its name.
fn two_channels(preview: &Preview, shared: &[&Channel]) -> Markup {
    let facts = json!([{ "safety_join": { "visit": preview.from.document } }]);
    let named = shared.iter().filter(|c| !c.as_str().contains('.'));
    form(
        "two-channels",
        &facts,
        "Join: two channels",
        html! {
            @for channel in named {
                (name(&format!("safety_join.here.{channel}"), &format!("“{channel}” of the first"), "left"))
                (name(&format!("safety_join.there.{channel}"), &format!("“{channel}” of the one brought over"), "right"))
            }
        },
    )
}

fn name(path: &str, label: &str, hint: &str) -> Markup {
    html! {
        label.field.wide {
            span.label { (label) }
            input name=(path) data-as="text" placeholder=(hint) maxlength="60" autocomplete="off";
        }
    }
}

fn take_apart(joins: &[gravelbar_visit::RecordId]) -> Markup {
    let facts = json!([{ "safety_unjoin": { "joins": joins } }]);
    html! {
        section {
            details #take-apart {
                summary { h2 { "This was wrong" } }
                p { "Both visits read as they did before; a stop nobody has cleared stays. They can be joined again." }
                (form("unjoin", &facts, "Take them apart", why("why", "such as: they fished SR-02")))
            }
        }
    }
}
