//! What the lead decides on: safety, passes, totals and effort, tally against work-up, estimates
//! with what they can't tell, take, and who has been heard.
//!
//! Held by the lead on the bank, a tablet or phone in one dry hand, five people asking. They must
//! not get wrong: opening or closing a pass, taking a narrow interval for truth, and taking totals
//! for complete while a device is out of reach.

use gravelbar_reduce::{
    Closure, PassState, PassSummary, Removal, SizeGroups, SpeciesSummary, TallyInPass, WorkUp,
};
use gravelbar_sheet::decline;
use gravelbar_visit::{Channel, Fact, PassClosed, PassKey, PassOpened, SafetyState};
use maud::{Markup, PreEscaped, html};
use serde_json::json;

use super::Seat;
use super::advice::advice;
use super::me::device_line;
use super::parts::{act, caution, choice, fixed, form, hour, line, pass_words, plain, why};
use super::safety;

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    html! {
        div.two {
            div {
                (safety::state(seat))
                (control(seat))
                (to_do(seat))
            }
            div {
                (passes(seat))
                (water(seat))
            }
        }
        (advice(seat.summary()))
        (gaps(seat))
        (estimates(seat))
        (take(seat))
        div.two {
            (decision(seat))
            (heard(seat))
        }
    }
}

/// Opening and closing, with what is still missing.
fn control(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Passes: open and close" }
            @for pass in seat.open_passes() { (close(pass)) }
            @for pass in next_passes(seat) { (open(seat, &pass)) }
            details #other-pass {
                summary { "a pass on another channel" }
                (form("pass-opened", &json!([{"pass_opened": {}}]), "Open it",
                    line("pass_opened.pass", "channel and number", "left/1", "")))
            }
        }
    }
}

/// On each channel without an open pass, the one after the last.
fn next_passes(seat: &Seat<'_>) -> Vec<PassKey> {
    let mut channels: Vec<Channel> = (seat.summary().channels.iter())
        .map(|c| c.channel.clone())
        .collect();
    if channels.is_empty() {
        channels.push(Channel::main());
    }
    let of = |channel: &Channel| {
        let channel = channel.clone();
        (seat.summary().passes.iter()).filter(move |p| p.pass.channel == channel)
    };
    (channels.into_iter())
        .filter(|c| !of(c).any(|p| p.state == PassState::Open))
        .filter_map(|channel| {
            let last = of(&channel).map(|p| p.pass.number).max().unwrap_or(0);
            let number = last.checked_add(1)?;
            Some(PassKey { channel, number })
        })
        .collect()
}

fn open(seat: &Seat<'_>, pass: &PassKey) -> Markup {
    let fact = Fact::PassOpened(PassOpened { pass: pass.clone() });
    html! {
        div.gate data-key={ "open-" (pass) } {
            @match &seat.view().safety.state {
                SafetyState::Stopped { .. } => {
                    p { strong { "■ " (pass_words(pass)) " can't be opened while work is stopped." } }
                }
                state => {
                    @if let SafetyState::NotReady { .. } = state {
                        p { "▲ The checklist isn't complete: opening now is flagged." }
                    }
                    @if waiting(seat, pass) {
                        p { "▲ Fish of an earlier pass are not worked up yet." }
                    }
                    (act("big", html! { "Open " (pass_words(pass)) }, &[fact]))
                }
            }
        }
    }
}

fn waiting(seat: &Seat<'_>, pass: &PassKey) -> bool {
    (seat.summary().passes.iter())
        .any(|p| p.pass.channel == pass.channel && p.work_up != WorkUp::Done)
}

/// Four lines to look at before a pass is closed.
fn close(pass: &PassSummary) -> Markup {
    let fact = Fact::PassClosed(PassClosed {
        pass: pass.pass.clone(),
    });
    let tick = |good: bool| if good { "✓ " } else { "▲ " };
    html! {
        div.gate data-key={ "close-" (pass.pass) } {
            p.big { (pass_words(&pass.pass)) " is open"
                @if let Some(opened) = &pass.opened { " since " (hour(opened.at)) } }
            ul.list {
                li { (tick(pass.effort.total_s.is_some()))
                    @match pass.effort.total_s { Some(s) => { "seconds: " (plain(s)) " s" } None => "no seconds yet: ask the operator" } }
                li { (tick(pass.open_buckets.is_empty()))
                    @if pass.open_buckets.is_empty() { "no bucket waiting" } @else {
                        "buckets not emptied:" @for label in &pass.open_buckets { " " (label) } } }
                li { (tick(pass.nets.closure == Closure::Closed)) (pass.nets.words) }
                li { "netters counted " (pass.tallied) ", worked up " (pass.worked_up) }
            }
            (act("big", html! { "Close " (pass_words(&pass.pass)) }, &[fact]))
        }
    }
}

/// What waits for a person.
fn to_do(seat: &Seat<'_>) -> Markup {
    let visit = seat.view().document;
    let open = (seat.summary().flags.iter())
        .filter(|f| crate::node::asks_for_a_person(f.kind))
        .count();
    html! {
        section {
            h2 { "Waiting for someone" }
            p { a.go-on href={ "/v/" (visit) "/settle" } { (open) " to settle or to know" } }
            p { a.go-on href={ "/v/" (visit) "/sign" } { "Field sheet and signature" } }
            p { a.go-on href={ "/v/" (visit) "/summary" } { "Field summary, to print" } }
        }
    }
}

fn passes(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Passes" }
            @if seat.summary().passes.is_empty() { p { "None yet." } }
            @for pass in &seat.summary().passes { (pass_card(pass)) }
            p.small { "Totals as known on this device: devices out of reach may hold more." }
        }
    }
}

fn pass_card(pass: &PassSummary) -> Markup {
    html! {
        div.pass-card data-key=(pass.pass) {
            div.pass-number { (pass.pass.number)
                @if pass.pass.channel.as_str() != "main" { small { (pass.pass.channel) } } }
            div {
                p.pass-totals {
                    strong { (pass.worked_up) } " worked up · "
                    strong { (pass.tallied) } " netted"
                    @if pass.escaped > 0 { " · " strong { (pass.escaped) } " got away" }
                }
                p {
                    @match pass.state {
                        PassState::Open => "● open",
                        PassState::Closed => "○ closed",
                        PassState::NeverOpened => "▲ never opened",
                    }
                    @if let Some(opened) = &pass.opened { ", " (hour(opened.at)) }
                    @if let Some(closed) = &pass.closed { " to " (hour(closed.at)) }
                    @if let Some(min) = pass.clock_min { ", " (fixed(min, 0)) " min" }
                    @if pass.stopped_min > 0.0 { ", stopped " (fixed(pass.stopped_min, 0)) " min of it" }
                }
                p {
                    @match pass.effort.total_s {
                        Some(s) => { strong { (plain(s)) " s" } " energised" }
                        None => "▲ no seconds",
                    }
                    @if let Some(per) = pass.effort.s_per_m2 { ", " (fixed(per, 2)) " s/m²" }
                    @if let Some(share) = pass.effort.share_of_first {
                        @if pass.pass.number > 1 { ", " (fixed(share * 100.0, 0)) " % of pass 1" }
                    }
                    @for other in pass.effort.packs.iter().flat_map(|p| &p.others) {
                        "; ▲ " (other.by) " has " (plain(other.effort_s)) " s"
                    }
                }
                p { @if pass.nets.closure != Closure::Closed { "▲ " } "nets: " (pass.nets.words) }
                @for pack in &pass.settings {
                    p { "pack " (pack.pack) ": "
                        @match &pack.at_start { Some(s) => (s.words), None => "▲ no setting on record" }
                        @for change in &pack.changes { "; " (hour(change.at)) " " (change.words) } }
                }
                @if pass.work_up != WorkUp::Done {
                    p { "▲ work-up " @if pass.work_up == WorkUp::NotBegun { "not begun" } @else { "not finished" }
                        @for label in &pass.open_buckets { ", bucket " (label) } }
                }
                @for odd in &pass.with_reason { p { (odd.n) " fish with a reason, " (odd.by) ": " q { (odd.why) } } }
            }
        }
    }
}

fn water(seat: &Seat<'_>) -> Markup {
    let water = &seat.summary().water;
    html! {
        section {
            h2 { "Water" }
            @for (name, reading) in [("stream at first", &water.stream_first), ("stream now", &water.stream_last), ("live car now", &water.live_car_last)] {
                @if let Some(r) = reading { p { (name) ": " strong { (plain(r.temperature_c)) " °C" } " at " (hour(r.at)) } }
            }
            @if let Some(c) = water.ambient_us_cm { p { "ambient " (plain(c)) " µS/cm" } }
            @for channel in &seat.summary().channels {
                p { (channel.channel) ": "
                    @match channel.length_m { Some(m) => { (plain(m)) " m" } None => "no length" }
                    @if let Some(area) = channel.area_m2 { ", " (fixed(area, 0)) " m²" } }
            }
        }
    }
}

/// Tally and work-up are two counts of one catch; the gap is asked about, never closed.
fn gaps(seat: &Seat<'_>) -> Markup {
    let all =
        || (seat.summary().passes.iter()).flat_map(|p| p.tally.iter().map(move |t| (&p.pass, t)));
    let apart = |t: &TallyInPass| t.gap.is_some_and(|gap| gap != 0);
    html! {
        @if all().next().is_some() {
            section {
                h2 { "Netters' count against work-up" }
                ul.list {
                    @for (pass, t) in all().filter(|(_, t)| apart(t)) { (gap(pass, t)) }
                }
                @if !all().any(|(_, t)| apart(t)) { p { "✓ No difference where both have counted." } }
                details #equal-counts {
                    summary { "counts without a difference, or not worked up yet" }
                    ul.list { @for (pass, t) in all().filter(|(_, t)| !apart(t)) { (gap(pass, t)) } }
                }
                p.small { "Likely reasons for a gap: one fish in two nets, dropped, a bucket of another pass. Estimates use the work-up where it is complete." }
            }
        }
    }
}

fn gap(pass: &PassKey, t: &TallyInPass) -> Markup {
    html! {
        li.gap data-key={ (pass) "-" (t.name) } {
            span { (pass_words(pass)) ", " (t.name) ": netters " strong { (t.tallied) }
                @if t.by.len() > 1 { " (" @for (n, by) in t.by.iter().enumerate() { @if n > 0 { ", " } (by.by) " " (by.n) } ")" }
                ", worked up " strong { (t.worked_up) } }
            @if let Some(gap) = t.gap { @if gap != 0 { strong.difference { "▲ " (format!("{gap:+}")) } } }
        }
    }
}

fn estimates(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "How many fish" }
            p.caution { "▲ Removal estimates usually lie low: later passes catch worse. An interval tells the model's spread, not the truth. No number stands without its words." }
            @if seat.summary().species.is_empty() { p { "No fish on record yet." } }
            div.species { @for s in &seat.summary().species { (species(s)) } }
        }
    }
}

fn species(s: &SpeciesSummary) -> Markup {
    html! {
        article.estimate data-key=(s.species) {
            h3 { (s.species) @if !s.scientific_name.is_empty() { " " i { (s.scientific_name) } } }
            @if let Some(plot) = decline(&s.removal, s.species.as_str()) { (PreEscaped(plot.svg())) }
            (removal(&s.removal, s.species.as_str()))
            @if let Some(g) = s.mass.mean_g { p { "mean " (fixed(g, 1)) " g of " (s.mass.weighed) " weighed"
                @if let Some(b) = s.mass.biomass_g_m2 { ", " (fixed(b, 2)) " g/m²" } } }
            @match &s.size_groups {
                SizeGroups::NotPlanned => {}
                SizeGroups::Unavailable { .. } => { p { "No size groups: not every fish was measured." } }
                SizeGroups::Estimated { .. } => { (groups(s)) }
            }
            @for channel in &s.channels {
                details id={ "channel-" (s.species) "-" (channel.channel) } {
                    summary { (channel.channel) " channel" }
                    (removal(&channel.removal, &format!("{}-{}", s.species, channel.channel)))
                }
            }
        }
    }
}

/// A verdict with what belongs beside it; the usual direction of bias stands first.
fn removal(removal: &Removal, key: &str) -> Markup {
    html! {
        p.verdict { (removal.verdict) }
        @if removal.closure != Closure::Closed {
            p { strong { "▲ " @if removal.closure == Closure::Open { "OPEN" } @else { "nets not recorded" } } ": " (removal.nets) }
        }
        @for words in removal.cautions.iter().take(1) { p.small { "▲ " (words) } }
        @if let Some(d) = &removal.density {
            p { (fixed(d.fish_per_100_m2, 1)) " fish/100 m²"
                @if let (Some(low), Some(high)) = (d.low_per_100_m2, d.high_per_100_m2) { " (" (fixed(low, 1)) " to " (fixed(high, 1)) ")" } }
        }
        @if let Some(next) = &removal.next_pass { p { (next.words) } }
        details id={ "more-" (key) } {
            summary { "more about this number" }
            p { "counts from " (removal.source.words()) }
            @for words in removal.cautions.iter().skip(1) { p.small { "▲ " (words) } }
            @for after in &removal.after { p.small { "after pass " (after.passes) ": " (after.verdict) } }
        }
    }
}

fn groups(s: &SpeciesSummary) -> Markup {
    html! {
        @if let SizeGroups::Estimated { groups, .. } = &s.size_groups {
            details id={ "groups-" (s.species) } {
                summary { "size groups" }
                @for group in groups {
                    h3 { (group.words) }
                    (removal(&group.removal, &format!("{}-{}", s.species, group.words)))
                }
            }
        }
    }
}

fn take(seat: &Seat<'_>) -> Markup {
    html! {
        @if !seat.summary().take.is_empty() {
            section {
                h2 { "Permit take, as known here" }
                div.scroll { table.figures {
                    thead { tr { th { "species" } th { "caught, visit" } th { "caught, season" } th { "dead, visit" } th { "dead, season" } th { "" } } }
                    tbody {
                        @for t in &seat.summary().take {
                            tr data-key=(t.species) {
                                td { (t.species) }
                                td.n { (t.caught) }
                                td.n { (t.season_caught) " of " (t.limit_caught) }
                                td.n { (t.dead) }
                                td.n { (t.season_dead) " of " (t.limit_dead) }
                                td { @if t.caught_at_limit || t.dead_at_limit { strong { "✕ limit reached" } } @else { "below" } }
                            }
                        }
                    }
                } }
                (caution("Devices out of reach may hold more: the limit may be reached already. The permit's text governs; fish shocked and not caught can count."))
            }
        }
    }
}

/// The numbers on the screen go into the record of the decision.
fn decision(seat: &Seat<'_>) -> Markup {
    let shown: Vec<String> = (seat.summary().species.iter())
        .map(|s| format!("{}: {}", s.species, s.removal.verdict))
        .collect();
    let shown: String = shown.join("; ").chars().take(490).collect();
    html! {
        section {
            h2 { "Decide" }
            (form("decision", &json!([{"decision": {"shown": shown}}]), "Keep the decision", html! {
                (line("decision.question", "question", "", "another pass?"))
                (choice("decision.choice", "choice", &[("another pass", "another pass"), ("stop here", "stop here"),
                    ("change the settings", "change settings"), ("end for today", "end for today")], "another pass"))
                (why("why", "heat, fatigue, precision, take"))
            }))
            ul.list {
                @for d in seat.view().decisions.iter().rev() {
                    li data-key=(d.stamp.id) {
                        (hour(d.stamp.corrected)) ", " (d.stamp.by) ": " (d.what.question) " " strong { (d.what.choice) }
                        @if let Some(why) = &d.why { ", " q { (why) } }
                    }
                }
            }
        }
    }
}

fn heard(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Devices heard" }
            ul.list {
                @for device in &seat.summary().devices { li data-key=(device.tag) { (device_line(seat, device)) } }
            }
        }
    }
}
