//! The visits on this device: open one, start one, join one.
//!
//! Held by whoever comes to the truck first, dry hands, in a hurry, without signal. They must not
//! get wrong: starting a second visit where the crew has one already.

use chrono::{Local, NaiveDate};
use gravelbar_book::{Limits, View as BookView};
use gravelbar_visit::{CheckItem, KnownGoodOutput};
use maud::{DOCTYPE, Markup, html};

use super::frame::head;
use super::parts::{fixed, moment};
use crate::http::plan_lines::profile_names;
use crate::node::{BookLine, BookPicture, DeviceLine, VisitLine};

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

/// What the page is told besides the visits: the crews of this device, the book of its own, and the
/// site that was chosen there.
#[derive(Default)]
pub(crate) struct Crews<'a> {
    pub(crate) books: &'a [BookLine],
    pub(crate) own: Option<&'a BookPicture>,
    pub(crate) site: Option<&'a str>,
}

pub(crate) fn page(device: &DeviceLine, visits: &[VisitLine], crews: &Crews<'_>) -> Markup {
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
                    (crew(crews))
                    (join())
                    (start(crews))
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

/// The crew's book, or founding one; plans open with one tap.
fn crew(crews: &Crews<'_>) -> Markup {
    html! {
        section {
            h2 { "The crew" }
            @for book in crews.books {
                p { a.go-on href={ "/crew/" (book.document) } { (book.crew) ": people and devices" } }
                p { a.go-on href={ "/crew/" (book.document) "/lists" } { (book.crew) ": plans, sites, lists" } }
            }
            @if let Some(own) = crews.own {
                @for planned in own.view.planned.iter().filter(|p| !own.held.contains(&p.visit)) {
                    @if let Some(plan) = &planned.plan {
                        form.entry data-post={ "/crew/" (own.view.document) "/open" } {
                            input type="hidden" name="visit" value=(planned.visit);
                            (go(&format!("Open {}, {}", plan.site, plan.date.format("%-d %B %Y"))))
                        }
                    }
                }
            }
            details #found-crew {
                summary { @if crews.books.is_empty() { "Found a crew: its devices share sites, lists, plans and permits" } @else { "Found another crew" } }
                p { "Only once, on the lead's device: the others join it by a code or an invitation." }
                form #found.entry data-post="/crew" autocomplete="off" novalidate {
                    (field("crew", "what the crew calls itself", "Quillet crew", ""))
                    (field("person", "my name: this device is the crew lead's", "full name", ""))
                    (go("Found the crew"))
                }
            }
        }
    }
}

fn start(crews: &Crews<'_>) -> Markup {
    let book = crews.own.map(|own| &*own.view);
    let site = crews
        .site
        .zip(book)
        .and_then(|(code, book)| book.site(code));
    let named = site.and_then(|s| s.site.as_ref()).map(|s| &s.value);
    let code = site
        .map(|s| s.code.as_str())
        .or(crews.site)
        .unwrap_or_default();
    let place = named.map(|s| s.place.as_str()).unwrap_or_default();
    let purpose = named.map(|s| s.purpose.as_str()).unwrap_or_default();
    let passes = (named.and_then(|s| s.passes))
        .or_else(|| site.and_then(|s| s.last.as_ref()).map(|last| last.passes))
        .filter(|passes| *passes > 0)
        .unwrap_or(3);
    let today = Local::now().date_naive();
    let species = book.map(|book| species_lines(book, Some(today)));
    let checklist = book.and_then(|b| b.checklists.first());
    // What a person typed for another site isn't put back over what the book says of this one.
    let id = format!("start{code}");
    html! {
        section {
            h2 { "Start a visit here" }
            p { "Only if nobody of the crew has started it: everyone else joins." }
            @if let Some(book) = book.filter(|b| !b.sites.is_empty()) {
                p { "At a site of the crew:"
                    @for site in &book.sites { " " a.go-on href={ "/?site=" (site.code) } { (site.code) } }
                }
            }
            @if let Some(last) = site.and_then(|s| s.last.as_ref()) {
                p.small {
                    "Last fished here " (last.date.format("%-d %B %Y")) ", " (last.passes) " passes"
                    @if let Some(metres) = last.reach_m { ", " (metres) " m" }
                    @if let Some(named) = named { ". " (named.reach) " " (named.method) }
                }
            }
            form.entry id=(id) data-post="/start" autocomplete="off" novalidate {
                (field("site", "site code", "QB-03", code))
                (field("place", "stream and place", "Quillet Brook, Lower Hollow", place))
                (field("date", "day", "2026-08-18", &today.to_string()))
                (field("purpose", "purpose", "trout and sculpin, removal passes", purpose))
                (field("passes", "passes planned", "3", &passes.to_string()))
                details #limits {
                    summary { "limits and targets" }
                    (limit_fields(book.and_then(|b| b.limits.first()).map(|l| &l.value)))
                }
                details #lists {
                    summary { "species and checklist" }
                    label.field.wide {
                        span.label { "species, one a line, commonest first: name, scientific name, cut 100 (mm, for size groups), as minnows (counted as), measure 25 (of each pass one by one), permit 20 caught 1 dead, before 9 caught 0 dead" }
                        textarea name="species" rows="8" spellcheck="false" { (species.filter(|s| !s.is_empty()).unwrap_or_else(|| SPECIES.to_owned())) }
                    }
                    label.field.wide {
                        span.label { "checklist, one a line; each: ticked by everyone alone, crew: ticked once" }
                        textarea name="checklist" rows="11" spellcheck="false" { (checklist.map_or_else(|| CHECKLIST.to_owned(), |c| check_lines(&c.value.items))) }
                    }
                }
                (go("Start this visit"))
            }
        }
    }
}

/// The fields of limits and targets, with what the crew keeps already in them.
pub(super) fn limit_fields(limits: Option<&Limits>) -> Markup {
    let text = |value: Option<String>| value.unwrap_or_default();
    let water = limits.and_then(|l| l.water_limit_c).map(|c| c.to_string());
    let target = limits
        .and_then(|l| l.target_relative_half_width)
        .map(percent);
    let good = limits.and_then(|l| l.known_good).map(known_good);
    let profiles = limits.map(|l| l.profiles.join(", "));
    html! {
        (field("water_limit_c", "water this warm ends the work, °C (blank: no limit)", "18", &text(water)))
        (field("target_percent", "an estimate is narrow enough within ± % (blank: no target)", "20", &text(target)))
        (field("known_good", "an output that was good, and the water it was good in", "350 V at 68 µS/cm", &text(good)))
        (field("limit_profiles", &format!("limit profiles for the output: {}", profile_names().join(", ")), "", &text(profiles)))
    }
}

/// A share as percent, without needless decimals.
pub(super) fn percent(share: f64) -> String {
    let text = fixed(share * 100.0, 1);
    text.strip_suffix(".0").unwrap_or(&text).to_owned()
}

/// An output known to be good as people write it.
pub(super) fn known_good(known: KnownGoodOutput) -> String {
    format!("{} V at {} µS/cm", known.peak_v, known.ambient_us_cm)
}

/// The crew's species as lines, most caught first, with what a permit that holds on `day` allows and
/// the season has used.
pub(super) fn species_lines(book: &BookView, day: Option<NaiveDate>) -> String {
    let lines: Vec<String> = (book.species.iter())
        .map(|named| {
            let species = &named.value;
            let mut parts = vec![species.name.to_string()];
            if !species.scientific_name.is_empty() {
                parts.push(species.scientific_name.clone());
            }
            parts.extend(species.size_cuts_mm.iter().map(|cut| format!("cut {cut}")));
            parts.extend(species.tallied_as.iter().map(|group| format!("as {group}")));
            parts.extend(species.measure_first.map(|n| format!("measure {n}")));
            let permit = day.and_then(|day| book.permit(&species.name, day));
            if let Some(used) = permit.and_then(|p| p.of(&species.name)) {
                parts.push(format!(
                    "permit {} caught {} dead, before {} caught {} dead",
                    used.limit_caught, used.limit_dead, used.caught, used.dead
                ));
            }
            parts.join(", ")
        })
        .collect();
    lines.join("\n")
}

/// A checklist as lines.
pub(super) fn check_lines(items: &[CheckItem]) -> String {
    let lines: Vec<String> = (items.iter())
        .map(|item| {
            let whose = if item.each_person { "each" } else { "crew" };
            format!("{whose}: {}", item.words)
        })
        .collect();
    lines.join("\n")
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
