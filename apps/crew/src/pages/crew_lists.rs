//! Plans, sites, species, checklists, limits and permits of the crew.
//!
//! Held by the lead in the evening, in a room, or at the truck before the others are ready. They must
//! not get wrong: the permit's numbers, because they stop work; and that a plan opens as one visit on
//! every device, so a visit that is planned here isn't started a second time by hand.

use gravelbar_book::{Allowed, Named, PermitStanding, Planned, SiteView};
use maud::{Markup, html};

use super::crew::{around, doing, field, go};
use super::start::{check_lines, known_good, limit_fields, percent, species_lines};
use crate::node::BookPicture;

pub(crate) fn page(picture: &BookPicture) -> Markup {
    let body = html! {
        (plans(picture))
        (plan(picture))
        (sites(picture))
        (permits(picture))
        (species(picture))
        (checklists(picture))
        (limits(picture))
    };
    around(picture, "Plans, sites, lists", body)
}

fn plans(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "Visits to come" }
            @if picture.view.planned.is_empty() { p { "None planned." } }
            ul.list.visits { @for planned in &picture.view.planned { li { (planned_line(picture, planned)) } } }
        }
    }
}

fn planned_line(picture: &BookPicture, planned: &Planned) -> Markup {
    let here = picture.held.contains(&planned.visit);
    html! {
        @match &planned.plan {
            Some(plan) => {
                p { strong { (plan.site) } " " (plan.date.format("%-d %B %Y")) ", " (plan.place) ", " (plan.passes) " passes" }
                p.small { "planned by " (planned.by) @if here { ", opened on this device" } }
            }
            None => p { "▲ A visit planned with a newer program: update this device to open it." },
        }
        @if planned.plan.is_some() {
            form.entry data-post={ "/crew/" (picture.view.document) "/open" } {
                input type="hidden" name="visit" value=(planned.visit);
                (go(if here { "Go to the visit" } else { "Open this visit" }))
            }
        }
        details {
            summary { "give this plan up" }
            (doing(picture, &format!("gone-{}", planned.from), "plan_gone", "lists",
                &[("record", planned.from.to_string())], go("Give it up")))
        }
    }
}

fn plan(picture: &BookPicture) -> Markup {
    let view = &picture.view;
    html! {
        section {
            details #plan-visit {
                summary { h2 { "Plan a visit" } }
                p { "The same plan opens the same visit on every device of the crew, even out of reach of the others." }
                (doing(picture, "plan", "plan", "lists", &[], html! {
                    (field("site", "site code", "QB-03", ""))
                    (field("place", "stream and place", "Quillet Brook, Lower Hollow", ""))
                    (field("date", "day", "2026-08-18", ""))
                    (field("purpose", "purpose", "trout and sculpin, removal passes", ""))
                    (field("passes", "passes planned", "3", "3"))
                    (limit_fields(view.limits.first().map(|l| &l.value)))
                    label.field.wide {
                        span.label { "species, one a line, commonest first" }
                        textarea name="species" rows="8" spellcheck="false" { (species_lines(view, None)) }
                    }
                    label.field.wide {
                        span.label { "checklist, one a line; each: ticked by everyone alone, crew: ticked once" }
                        textarea name="checklist" rows="8" spellcheck="false" {
                            @if let Some(list) = view.checklists.first() { (check_lines(&list.value.items)) }
                        }
                    }
                    (go("Plan it"))
                }))
            }
        }
    }
}

fn sites(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "Sites" }
            ul.list { @for site in &picture.view.sites { li data-key=(site.code) { (site_line(site)) } } }
            details #add-site {
                summary { "a site, new or changed" }
                (doing(picture, "site", "site", "lists", &[], html! {
                    (field("code", "site code", "QB-03", ""))
                    (field("place", "stream and place", "Quillet Brook, Lower Hollow", ""))
                    (field("reach_m", "length of the reach, m", "100", ""))
                    (field("reach", "where it begins and ends, nets, way in", "from the ledge up to the old ford, net at both ends", ""))
                    (field("method", "how it is fished", "one pack, pulsed direct current, block nets, three passes", ""))
                    (field("passes", "passes", "3", ""))
                    (field("purpose", "purpose", "trout and sculpin, removal passes", ""))
                    (go("Keep the site"))
                }))
            }
        }
    }
}

fn site_line(site: &SiteView) -> Markup {
    html! {
        p {
            strong { (site.code) }
            @if let Some(named) = &site.site { " " (named.value.place) }
        }
        @if let Some(named) = &site.site {
            p.small {
                @if let Some(metres) = named.value.reach_m { (metres) " m. " }
                (named.value.reach) " " (named.value.method)
            }
            (rivals(named, |other| other.place.clone()))
        }
        @if let Some(last) = &site.last {
            p.small {
                "last fished " (last.date.format("%-d %B %Y")) ", " (last.passes) " passes"
                @if let Some(metres) = last.reach_m { ", " (metres) " m" }
            }
        }
        p { a.go-on href={ "/?site=" (site.code) } { "start a visit here" } }
    }
}

/// What others wrote apart from what counts now.
fn rivals<T>(named: &Named<T>, words: impl Fn(&T) -> String) -> Markup {
    html! {
        @for rival in &named.rivals {
            p.alert { "▲ " (rival.by) " wrote apart from " (named.by) ": " (words(&rival.value)) ". Write it once more to settle it." }
        }
    }
}

fn permits(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "Permits and what the season has used" }
            ul.list { @for permit in &picture.view.permits { li data-key=(permit.permit.value.name) { (permit_line(permit)) } } }
            details #add-permit {
                summary { "a permit, new or changed" }
                (doing(picture, "permit", "permit", "lists", &[], html! {
                    (field("name", "number or name", "VB-26-114", ""))
                    (field("from", "first day", "2026-01-01", ""))
                    (field("until", "last day", "2026-12-31", ""))
                    label.field.wide {
                        span.label { "species, one a line: name, 20 caught 1 dead, before 9 caught 0 dead (taken under it before this book counts)" }
                        textarea name="species" rows="4" spellcheck="false" {}
                    }
                    (field("words", "conditions, whom to call", "call the permit office at the first death", ""))
                    (go("Keep the permit"))
                }))
            }
        }
    }
}

fn permit_line(standing: &PermitStanding) -> Markup {
    let permit = &standing.permit.value;
    html! {
        p { strong { (permit.name) } " " (permit.from.format("%-d %B %Y")) " to " (permit.until.format("%-d %B %Y")) }
        table.figures {
            thead { tr { th { "species" } th { "caught of" } th { "dead of" } } }
            tbody {
                @for used in &standing.used {
                    tr {
                        td { (used.species) }
                        td { (used.caught) " of " (used.limit_caught) @if used.caught >= used.limit_caught { " ■ limit reached" } }
                        td { (used.dead) " of " (used.limit_dead) @if used.dead > 0 && used.dead >= used.limit_dead { " ■ limit reached" } }
                    }
                }
            }
        }
        p.small { "As far as this device knows: visits that were signed and have reached this book. " (permit.words) }
        (rivals(&standing.permit, |other| {
            let lines: Vec<String> = other.species.iter().map(allowed_line).collect();
            lines.join("; ")
        }))
    }
}

fn allowed_line(allowed: &Allowed) -> String {
    format!(
        "{}, {} caught {} dead",
        allowed.species, allowed.caught, allowed.dead
    )
}

fn species(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "Species" }
            p { "In the order in which the crew caught them." }
            @for named in &picture.view.species {
                (rivals(named, |other| format!("{}, {}", other.name, other.scientific_name)))
            }
            (doing(picture, "species", "species", "lists", &[], html! {
                label.field.wide {
                    span.label { "one a line: name, scientific name, cut 100 (mm, for size groups), as minnows (counted as), measure 25 (of each pass)" }
                    textarea name="species" rows="10" spellcheck="false" { (species_lines(&picture.view, None)) }
                }
                (go("Keep the list"))
            }))
        }
    }
}

fn checklists(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "Checklists" }
            @for list in &picture.view.checklists {
                (rivals(list, |other| format!("{} lines", other.items.len())))
                details { summary { (list.value.name) ", " (list.value.items.len()) " lines" }
                    pre.sheet { (check_lines(&list.value.items)) } }
            }
            details #add-checklist {
                summary { "a checklist, new or changed" }
                (doing(picture, "checklist", "checklist", "lists", &[], html! {
                    (field("name", "what the crew calls it", "wading, one pack", ""))
                    label.field.wide {
                        span.label { "one a line; each: ticked by everyone alone, crew: ticked once" }
                        textarea name="checklist" rows="10" spellcheck="false" {}
                    }
                    (go("Keep the checklist"))
                }))
            }
        }
    }
}

fn limits(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "Limits and targets" }
            ul.list {
                @for limits in &picture.view.limits {
                    li {
                        p { strong { (limits.value.name) } }
                        p.small {
                            @if !limits.value.profiles.is_empty() { "output: " (limits.value.profiles.join(", ")) ". " }
                            @if let Some(c) = limits.value.water_limit_c { "water to " (c) " °C. " }
                            @if let Some(share) = limits.value.target_relative_half_width { "estimate within ± " (percent(share)) " %. " }
                            @if let Some(known) = limits.value.known_good { "good output: " (known_good(known)) "." }
                        }
                        (rivals(limits, |other| other.profiles.join(", ")))
                    }
                }
            }
            details #add-limits {
                summary { "limits, new or changed" }
                (doing(picture, "limits", "limits", "lists", &[], html! {
                    (field("name", "what the crew calls them", "cold streams", ""))
                    (limit_fields(None))
                    (go("Keep the limits"))
                }))
            }
        }
    }
}
