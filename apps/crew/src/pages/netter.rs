//! Netters count what they net.
//!
//! Held in one wet glove at the belt or on a lanyard, the other hand on a net, eyes on the water:
//! a glance and a thumb. They must not get wrong: the pass, the species, and whether the tap
//! counted. Pads keep their places, so that the thumb learns them; only the topmost repeats the
//! last species. Nothing here can void, correct or sign.

use std::collections::BTreeMap;

use gravelbar_reduce::{PassState, PassSummary, TallyInPass};
use gravelbar_visit::{Escape, Fact, PassKey, PersonName, SpeciesName, Tally, TallyView, Undo};
use maud::{Markup, html};

use super::Seat;
use super::parts::{act, hour, json, pass_words};

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    let Some(pass) = seat.current_pass() else {
        return html! {
            p.big { "No pass is open yet." }
            p { "The crew lead opens pass 1 on the overview. This page changes by itself." }
        };
    };
    let summary = seat.pass(&pass);
    let open = summary.is_some_and(|p| p.state == PassState::Open);
    html! {
        @if !open { (locked(seat, &pass, summary)) }
        div.pads data-pass=(pass) data-locked[!open] {
            div.again #again data-own {
                button.plus type="button" disabled {
                    span.label { "again" } span.name {} span.one { "+1" }
                }
                button.escaped type="button" disabled { span.label { "got away" } span.one { "+1" } }
            }
            @for name in pads(seat) {
                (pad(seat.me, &pass, summary, &name))
            }
        }
        ol #taps.taps data-own aria-label="Last taps" {}
        label.field.bucket {
            span.label { "bucket the fish go into" }
            input #bucket data-own maxlength="12" placeholder="such as 1A" autocomplete="off";
        }
        (other_name(&pass))
        (passes(seat, &pass))
        (my_taps(seat, &pass))
        dialog #many data-own aria-label="Several fish" {
            h2.name {}
            p.n aria-live="polite" { "0" }
            div.digits {
                @for digit in ["1", "2", "3", "4", "5", "6", "7", "8", "9", "C", "0"] {
                    button type="button" data-digit=(digit) { (digit) }
                }
            }
            button.main data-do="count" type="button" { "count them" }
            button data-do="escape" type="button" { "they got away" }
            button data-do="leave" type="button" { "back" }
        }
    }
}

/// The names that netters count under: the plan's, in its order, then others already tapped.
fn pads(seat: &Seat<'_>) -> Vec<SpeciesName> {
    let plan = &seat.view().plan;
    let mut names: Vec<SpeciesName> = Vec::new();
    let planned = plan.species.iter().map(|s| plan.tallied_as(&s.name));
    let tapped = seat.view().tallies.iter().map(|t| &t.species.value);
    let unknown = SpeciesName::new("unknown").ok();
    for name in planned.chain(tapped).chain(unknown.as_ref()) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

fn one(pass: &PassKey, species: &SpeciesName) -> Fact {
    Fact::Tally(Tally {
        pass: pass.clone(),
        species: species.clone(),
        n: 1,
        bucket: None,
    })
}

fn away(pass: &PassKey, species: &SpeciesName) -> Fact {
    Fact::Escape(Escape {
        pass: pass.clone(),
        species: species.clone(),
        n: 1,
    })
}

fn pad(
    me: Option<&PersonName>,
    pass: &PassKey,
    summary: Option<&PassSummary>,
    name: &SpeciesName,
) -> Markup {
    let line = summary.and_then(|p| p.tally.iter().find(|t| t.name == *name));
    html! {
        div.pad data-key=(name) data-species=(name) {
            button.plus type="button" data-tap=(json(&[one(pass, name)]))
                data-away=(json(&[away(pass, name)])) {
                span.name { (name) }
                span.mine { (mine(me, line)) }
                span.crew {
                    "crew " (line.map_or(0, |t| t.tallied))
                    @if let Some(t) = line { @if t.escaped > 0 { ", " (t.escaped) " got away" } }
                }
                span.unsaved data-own {}
            }
            button.more type="button" data-more { "+n" }
        }
    }
}

/// This person's count under one name, as the reducer has it.
fn mine(me: Option<&PersonName>, line: Option<&TallyInPass>) -> u64 {
    (line.iter())
        .flat_map(|t| &t.by)
        .find(|by| Some(&by.by) == me)
        .map_or(0, |by| by.n)
}

/// A pass that isn't open looks locked, and fish still in the nets can be counted all the same.
fn locked(seat: &Seat<'_>, pass: &PassKey, summary: Option<&PassSummary>) -> Markup {
    html! {
        div.locked {
            p.big {
                @match summary.and_then(|p| p.closed.as_ref()) {
                    Some(closed) => {
                        (pass_words(pass)) " was closed at " (hour(closed.at))
                        @for by in &closed.by { " by " (by) }
                    }
                    None => { (pass_words(pass)) " is not open" }
                }
            }
            @if seat.stopped() {
                p { "Work is stopped. Fish already in the nets may still be counted." }
            }
            button #late type="button" {
                "Count fish for " (pass_words(pass)) " all the same"
            }
            p.small { "They are kept and shown to the lead as counted after the close." }
        }
    }
}

/// A species without a pad.
fn other_name(pass: &PassKey) -> Markup {
    html! {
        details #other.more-names {
            summary { "another species" }
            form #other-form data-pass=(pass) autocomplete="off" novalidate {
                label.field.wide {
                    span.label { "name, as good as it can be told" }
                    input name="species" maxlength="60" autocomplete="off";
                }
                div.go {
                    button.main type="submit" { "count one" }
                    output.said role="status" data-own {}
                }
            }
        }
    }
}

/// The pass is chosen by hand, never switched under the thumb.
fn passes(seat: &Seat<'_>, current: &PassKey) -> Markup {
    html! {
        details #choose.more-names {
            summary { "choose the pass" }
            nav.choose {
                @for pass in &seat.summary().passes {
                    a href={ "?pass=" (pass.pass) }
                        aria-current=[(pass.pass == *current).then_some("true")] {
                        (pass_words(&pass.pass))
                        span.small {
                            @match pass.state {
                                PassState::Open => "open",
                                PassState::Closed => "closed",
                                PassState::NeverOpened => "not opened",
                            }
                        }
                    }
                }
            }
        }
    }
}

/// This person's newest taps of the pass, to take one back.
fn my_taps(seat: &Seat<'_>, pass: &PassKey) -> Markup {
    let view = seat.view();
    let mut taps: BTreeMap<_, (&TallyView, bool)> = BTreeMap::new();
    let all =
        (view.tallies.iter().map(|t| (t, false))).chain(view.escapes.iter().map(|t| (t, true)));
    for (tap, away) in all {
        let own = Some(&tap.stamp.by) == seat.me && tap.pass.value == *pass && !tap.out;
        if own {
            taps.insert((tap.stamp.lamport, tap.stamp.id), (tap, away));
        }
    }
    html! {
        details #mine.more-names {
            summary { "my taps in this pass: take one back" }
            ul.list {
                @for (tap, away) in taps.into_values().rev().take(20) {
                    li data-key=(tap.stamp.id) data-record=(tap.stamp.id) {
                        span {
                            (hour(tap.stamp.corrected)) " " (tap.species.value) " +" (tap.n.value)
                            @if away { " got away" }
                            @if let Some(bucket) = &tap.bucket { ", bucket " (bucket) }
                        }
                        (act("small", "take back", &[Fact::Undo(Undo { of: tap.stamp.id })]))
                    }
                }
            }
        }
    }
}
