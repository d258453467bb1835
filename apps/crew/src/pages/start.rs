//! The visits on this device: open one, start one, join one.
//!
//! Held by whoever comes to the truck first, dry hands, in a hurry, without signal. They must not
//! get wrong: starting a second visit where the crew has one already.

use chrono::Local;
use maud::{DOCTYPE, Markup, html};

use super::frame::head;
use super::parts::moment;
use crate::node::{DeviceLine, VisitLine};

/// Species of the invented Quillet Brook, as an example of how lines are written.
const SPECIES: &str = "\
brook trout, Salvelinus fontinalis, cut 100
brown trout, Salmo trutta
white sucker, Catostomus commersonii
creek chub, Semotilus atromaculatus, as minnows
blacknose dace, Rhinichthys atratulus, as minnows
slimy sculpin, Cottus cognatus
american brook lamprey, Lethenteron appendix";

/// A start for the crew's own list (common practice, no source); its own rules come first.
const CHECKLIST: &str = "\
crew: Permits and access at hand, in date, for this water
crew: Emergency plan read aloud: route, contact, place, check-in time
crew: Message sent and answered from this spot
crew: Weather and water upstream checked, shelter agreed
crew: Reach walked, ways out known, no bystanders or animals near
crew: No spawning fish or redds in the reach
crew: Emergency stop and dead-man switch tested out of the water
crew: Signals agreed: on, off, stop
each: Fit for work, nothing that keeps me out of electric fishing
each: Gloves insulated, tested, dry and whole
each: Waders whole and dry inside, glasses, hat, life vest where needed";

pub(crate) fn page(device: &DeviceLine, visits: &[VisitLine]) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            (head("Visits"))
            body data-page="start" {
                header.plain {
                    strong.brand { "Gravelbar" }
                    span { "on " (device.name) }
                }
                main {
                    @if let Some(words) = &device.not_saving {
                        p.alert.is-severe role="alert" { strong { "✕ Nothing can be saved on this device: " } (words) }
                    }
                    @for notice in &device.notices {
                        p.alert { "▲ " (moment(notice.at)) ": " (notice.words) }
                    }
                    section {
                        h1 { "Visits on this device" }
                        @if visits.is_empty() { p { "None yet. Start one, or join the crew's." } }
                        ul.list.visits {
                            @for visit in visits { (visit_line(visit, visits)) }
                        }
                    }
                    (join())
                    (start())
                    (plan_text())
                    (name(device))
                    section {
                        h2 { "Before anything else" }
                        p.caution { span.mark { "▲" } " Electric fishing can kill. For trained, authorised people only, under your permit, your local code and your employer's rules. This program is a notebook: it does not sense or cut the current and does not make the work safe." }
                    }
                }
            }
        }
    }
}

fn visit_line(visit: &VisitLine, visits: &[VisitLine]) -> Markup {
    html! {
        li {
            a.visit href={ "/v/" (visit.document) } {
                strong { (visit.site) } " " (visit.date.format("%-d %B %Y"))
                span.place { (visit.place) }
                span.small { (records(visit.records)) }
            }
            @if let Some(into) = &visit.joined_into {
                p { "✓ joined into " a href={ "/v/" (into) } { "the visit " code { (into) } } ": go on there; "
                    a href={ "/v/" (into) "/join/" (visit.document) } { "how they were joined" } }
            }
            @for other in &visit.perhaps_same_as {
                @let twin = visits.iter().find(|v| v.document == *other);
                @let (into, from) = (visit.document.min(*other), visit.document.max(*other));
                p.alert {
                    "▲ Perhaps one visit made twice: the same site and day stand here with "
                    (records(twin.and_then(|t| t.records))) " (" code { (other) }
                    "). "
                    a.go-on href={ "/v/" (into) "/join/" (from) } { "compare and join" }
                }
            }
        }
    }
}

/// By the code that another device shows, typed with one wet hand; or by an invitation's text.
fn join() -> Markup {
    html! {
        section {
            h2 { "Join the crew's visit" }
            p { "On the same network as the others, such as a phone's hotspot. Someone who has the visit opens “Let a device in” and shows you six digits." }
            form #enter.entry data-post="/join-code" autocomplete="off" novalidate {
                fieldset #joinable.choice data-list="/joinable" {
                    legend { "whose screen you read" }
                    p.small data-none { "No device open for joining is heard yet." }
                }
                label.field.wide.code {
                    span.label { "the six digits" }
                    input name="code" inputmode="numeric" maxlength="11" size="7" autocomplete="off";
                }
                details {
                    summary { "It isn't in the list" }
                    label.field.wide {
                        span.label { "its address, as its screen shows it" }
                        input name="address" inputmode="decimal" maxlength="60" placeholder="192.168.4.2:47410" autocomplete="off";
                    }
                }
                (go("Join"))
            }
            details #by-text {
                summary { "Join by an invitation's text" }
                form #join.entry data-post="/join" autocomplete="off" novalidate {
                    label.field.wide {
                        span.label { "invitation, as another device shows it" }
                        textarea name="invitation" rows="3" spellcheck="false" autocapitalize="off" {}
                    }
                    (go("Join"))
                }
            }
        }
    }
}

fn start() -> Markup {
    html! {
        section {
            h2 { "Start a visit here" }
            p { "Only if nobody of the crew has started it: everyone else joins." }
            form #start.entry data-post="/start" autocomplete="off" novalidate {
                (field("site", "site code", "QB-03", ""))
                (field("place", "stream and place", "Quillet Brook, Lower Hollow", ""))
                (field("date", "day", "2026-08-18", &Local::now().format("%Y-%m-%d").to_string()))
                (field("purpose", "purpose", "trout and sculpin, removal passes", ""))
                (field("passes", "passes planned", "3", "3"))
                details #lists {
                    summary { "species and checklist" }
                    label.field.wide {
                        span.label { "species, one a line, commonest first: name, scientific name, cut 100 (mm, for size groups), as minnows (counted as), permit 20 caught 1 dead, before 9 caught 0 dead" }
                        textarea name="species" rows="8" spellcheck="false" { (SPECIES) }
                    }
                    label.field.wide {
                        span.label { "checklist, one a line; each: ticked by everyone alone, crew: ticked once" }
                        textarea name="checklist" rows="11" spellcheck="false" { (CHECKLIST) }
                    }
                }
                (go("Start this visit"))
            }
        }
    }
}

fn plan_text() -> Markup {
    html! {
        section {
            details #planned {
                summary { h2 { "Open a planned visit" } }
                p { "The same plan opens the same visit on every device, even out of reach of the others." }
                form #plan.entry data-post="/start" autocomplete="off" novalidate {
                    label.field.wide {
                        span.label { "text of the plan" }
                        textarea name="plan_text" rows="6" spellcheck="false" {}
                    }
                    (go("Open"))
                }
            }
        }
    }
}

fn name(device: &DeviceLine) -> Markup {
    html! {
        section {
            h2 { "This device" }
            form #device.entry data-post="/device-name" autocomplete="off" novalidate {
                (field("name", "what the crew calls it", "Sabine's tablet", &device.name))
                (go("Keep the name"))
            }
            p.small {
                "short name " code { (device.tag) }
                @if let Some(address) = &device.address { ", others reach it at " code { (address) } }
                @else { ", not on any network: visits can still be recorded" }
            }
        }
    }
}

fn field(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    html! {
        label.field.wide {
            span.label { (label) }
            input name=(name) value=(value) placeholder=(hint) maxlength="120" autocomplete="off";
        }
    }
}

fn go(label: &str) -> Markup {
    html! {
        div.go {
            button.main type="submit" { (label) }
            output.said role="status" {}
        }
    }
}

fn records(count: Option<usize>) -> String {
    count.map_or_else(
        || "not read from disk yet".to_owned(),
        |count| format!("{count} records"),
    )
}
