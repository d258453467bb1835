//! The signature: on what this device holds, with what is missing said first.
//!
//! Held by the lead at the truck, tired, keys in the other hand. They must not get wrong: signing
//! while a device is still in a wader's pocket, or with something unsettled that they didn't see.
//! So both stand above the signature, and it takes two steps.

use gravelbar_visit::{Fact, Reopen, SignState, SignatureView};
use maud::{Markup, html};
use serde_json::json;

use super::Seat;
use super::me::device_line;
use super::parts::{form, moment, pass_words, why};
use crate::node::asks_for_a_person;

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    html! {
        (standing(seat))
        (missing(seat))
        (totals(seat))
        (sign(seat))
        (signatures(seat))
        section {
            details #sheet {
                summary { h2 { "Field sheet" } }
                p { a.go-on href={ "/v/" (seat.view().document) "/summary" } { "field summary, to print" } }
                pre.sheet { (seat.summary().to_text()) }
            }
        }
    }
}

fn standing(seat: &Seat<'_>) -> Markup {
    html! {
        p.big {
            @match &seat.view().sign_state {
                SignState::Open => "Not signed yet.",
                SignState::Signed { version } => { "✓ Signed, version " (version) ". Nothing has come since." }
                SignState::ChangedAfter { version, arrived_after, waiting } => {
                    "▲ Version " (version) " is signed; " (arrived_after) " records came after it, " (waiting) " not looked at."
                }
                SignState::Reopened { version } => { "▲ Version " (version) " was opened again." }
            }
        }
    }
}

fn missing(seat: &Seat<'_>) -> Markup {
    let visit = seat.view().document;
    let asking: Vec<_> = (seat.summary().flags.iter())
        .filter(|f| asks_for_a_person(f.kind))
        .collect();
    html! {
        div.two {
            section {
                h2 { "Devices" }
                ul.list { @for device in &seat.summary().devices { li data-key=(device.tag) { (device_line(seat, device)) } } }
            }
            section {
                h2 { "Unsettled" }
                @if asking.is_empty() { p { "✓ nothing, as far as this device has heard" } }
                ul.list { @for flag in &asking { li { "▲ " (flag.words) } } }
                @if !asking.is_empty() { p { a.go-on href={ "/v/" (visit) "/settle" } { "settle" } } }
            }
        }
    }
}

fn totals(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Read aloud" }
            div.scroll { table.figures {
                thead { tr { th { "species" } @for pass in &seat.summary().passes { th { (pass_words(&pass.pass)) } } th { "all" } } }
                tbody {
                    @for s in &seat.summary().species {
                        tr data-key=(s.species) {
                            td { (s.species) }
                            @for pass in &seat.summary().passes {
                                td.n { (s.catch.iter().find(|c| c.pass == pass.pass).map_or(0, |c| c.n)) }
                            }
                            td.n { strong { (s.total) } }
                        }
                    }
                    tr {
                        td { strong { "worked up" } }
                        @for pass in &seat.summary().passes { td.n { strong { (pass.worked_up) } } }
                        td.n { strong { (seat.summary().worked_up) } }
                    }
                    tr {
                        td { "netters counted" }
                        @for pass in &seat.summary().passes { td.n { (pass.tallied) } }
                        td.n { (seat.summary().tallied) }
                    }
                }
            } }
            p.small { "state " code { (seat.summary().header.digest.chars().take(16).collect::<String>()) } ", " (seat.summary().header.records) " records on this device" }
        }
    }
}

fn sign(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Sign what this device holds" }
            @match seat.me {
                Some(me) => {
                    details #sign-open {
                        summary { "sign as " (me) }
                        form #sign.entry data-post={ "/v/" (seat.view().document) "/signature" } autocomplete="off" novalidate {
                            label.confirm {
                                input type="checkbox" name="read" value="yes" data-must="read the totals aloud first, then tick";
                                span { "I have read the totals to the crew, and I see which devices are not heard and what is unsettled." }
                            }
                            (why("if a device is not heard: why sign all the same", "such as: device E lost in the river, Hollis counted on C"))
                            div.go {
                                button.main type="submit" { "Sign" }
                                output.said role="status" data-own {}
                            }
                        }
                    }
                }
                None => p { "Say who holds this device first." }
            }
        }
    }
}

fn signatures(seat: &Seat<'_>) -> Markup {
    let all = &seat.view().signatures;
    html! {
        @if !all.is_empty() {
            section {
                h2 { "Signatures" }
                ul.list { @for s in all.iter().rev() { (signature(s)) } }
                @if let (Some(last), SignState::Signed { .. } | SignState::ChangedAfter { .. }) = (all.last(), &seat.view().sign_state) {
                    details #reopen-open {
                        summary { "open the visit again" }
                        (form("reopen", &json!([Fact::Reopen(Reopen { signature: last.stamp.id })]), "Open again",
                            why("why", "such as: bucket of pass 1 found under the alder")))
                    }
                }
            }
        }
    }
}

fn signature(s: &SignatureView) -> Markup {
    html! {
        li data-key=(s.stamp.id) {
            p { strong { "version " (s.version) } ", " (s.stamp.by) ", " (moment(s.stamp.corrected)) }
            p { @match s.covers { Some(n) => { "covers " (n) " records" } None => "covers records that aren't all on this device" }
                ", state " code { (s.digest.chars().take(16).collect::<String>()) } }
            @if !s.not_heard.is_empty() { p { "▲ not heard:" @for name in &s.not_heard { " " (name) } } }
            @if !s.arrived_after.is_empty() { p { (s.arrived_after.len()) " records came after it, " (s.accepted.len()) " of them accepted" } }
            @if let Some(again) = &s.reopened { p { "opened again by " (again.by) ", " (moment(again.corrected)) } }
        }
    }
}
