//! What stands around every screen of a visit: which pass, which site, who, with whom in touch, and
//! the way to stop work.
//!
//! Held by anyone, wet, in sun or rain, with a second to spare. They must not get wrong: which pass
//! this is, whether work is stopped, and whether what they tapped is saved.

use gravelbar_reduce::PassState;
use gravelbar_visit::{Fact, Stop, StopView};
use maud::{DOCTYPE, Markup, html};

use super::parts::{hour, json, moment, pass_words};
use super::{Page, Seat};
use crate::node::PeerLine;

/// Head of every page of the program.
pub(super) fn head(title: &str) -> Markup {
    html! {
        head {
            meta charset="utf-8";
            meta name="viewport" content="width=device-width, initial-scale=1";
            meta name="color-scheme" content="light";
            title { (title) " - Gravelbar" }
            link rel="stylesheet" href="/assets/style.css";
            link rel="icon" href="data:,";
            script type="module" src="/assets/page.js" {}
        }
    }
}

/// A page of a visit around its `body`.
pub(super) fn frame(seat: &Seat<'_>, title: &str, path: &str, body: Markup) -> Markup {
    let view = seat.view();
    let device = &seat.picture.device;
    let me = seat.me.map(ToString::to_string).unwrap_or_default();
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(&format!("{title}, {}", view.plan.site)))
            body data-visit=(view.document) data-me=(me) data-device=(device.name)
                data-page=(path) {
                header #top data-live { (top(seat, title)) }
                div #alerts data-live { (alerts(seat)) }
                div #unsent data-own hidden {}
                main #main data-live {
                    h1 { (title) }
                    (body)
                }
                footer #foot {
                    @if path == Page::Tally.path() {
                        button #undo type="button" disabled { "undo last" }
                    }
                    (stop_button())
                }
                dialog #takeover aria-label="Stop work" {
                    div #stopped data-live data-stops=(standing_ids(seat)) { (stopped(seat)) }
                    p #sounding data-own {}
                    button #heard type="button" { "I have stopped: show the page under this" }
                }
            }
        }
    }
}

/// Anyone stops work, from every page, by pressing and holding.
fn stop_button() -> Markup {
    html! {
        button #stop type="button" data-stop=(json(&[Fact::Stop(Stop {})]))
            aria-describedby="stop-how" {
            span.fill aria-hidden="true" {}
            span.word { "■ Stop work" }
            span #stop-how.how { "hold for one second" }
        }
    }
}

fn top(seat: &Seat<'_>, title: &str) -> Markup {
    let view = seat.view();
    let current = seat.current_pass();
    let state = current.as_ref().map(|key| seat.pass(key).map(|p| p.state));
    let open: Vec<String> = seat.open_passes().map(|p| p.pass.to_string()).collect();
    html! {
        div.plate.(plate_class(state)) data-open=(open.join(" ")) {
            @match &current {
                Some(pass) => {
                    span.word { "pass" }
                    span.number { (pass.number) }
                    span.pebbles aria-hidden="true" {
                        @for _ in 0..pass.number.min(8) { span.pebble {} }
                    }
                    span.state { (plate_words(state)) }
                    @if pass.channel.as_str() != "main" { span.channel { (pass.channel) } }
                }
                None => {
                    span.word { "pass" }
                    span.number { "–" }
                    span.state { "none opened yet" }
                }
            }
        }
        div.where {
            span.place { strong.site { (view.plan.site) } " " (view.plan.place) }
            span.who { (who(seat)) }
            span.reach-of { (in_touch(seat)) }
        }
        details #pages.pages data-js-open {
            summary { span { (title) } span.more { "pages" } }
            nav aria-label="Pages of this visit" {
                @for page in Page::ALL {
                    a href={ "/v/" (view.document) "/" (page.path()) } { (page.title()) }
                }
                a href="/" { "All visits" }
            }
        }
    }
}

fn plate_class(state: Option<Option<PassState>>) -> &'static str {
    match state {
        Some(Some(PassState::Open)) => "is-open",
        Some(Some(PassState::Closed)) => "is-closed",
        Some(Some(PassState::NeverOpened) | None) | None => "is-unopened",
    }
}

fn plate_words(state: Option<Option<PassState>>) -> &'static str {
    match state {
        Some(Some(PassState::Open)) => "open",
        Some(Some(PassState::Closed)) => "closed",
        Some(Some(PassState::NeverOpened) | None) | None => "not opened",
    }
}

fn who(seat: &Seat<'_>) -> Markup {
    let visit = seat.view().document;
    html! {
        @match seat.me {
            Some(me) => {
                (me)
                @if let Some(place) = seat.my_place() {
                    @for role in &place.roles { ", " (role.words()) }
                }
                " " a.not-me href={ "/v/" (visit) "/me" } { "not me?" }
            }
            None => a href={ "/v/" (visit) "/me" } { "Who holds this device?" }
        }
    }
}

/// Which other devices are heard now; never how much they may hold.
fn in_touch(seat: &Seat<'_>) -> Markup {
    let live = &seat.picture.live;
    let (near, away): (Vec<_>, Vec<_>) = live.iter().partition(|peer| peer.connected);
    html! {
        @if live.is_empty() {
            "no other device in this visit yet"
        }
        @if !near.is_empty() {
            span { "● in reach:" @for peer in &near { " " (short(peer)) } }
        }
        @if !away.is_empty() {
            span {
                "○ not in reach:"
                @for (i, peer) in away.iter().enumerate() {
                    @if i > 0 { "," }
                    " " (short(peer))
                    @if let Some(at) = peer.last_heard { " " (hour(at)) }
                }
            }
        }
    }
}

/// A device by its holder's first name; the whole name stands on the crew's page.
fn short(peer: &PeerLine) -> &str {
    let name = peer
        .holder
        .as_ref()
        .map_or(peer.name.as_str(), |h| h.as_str());
    name.split(' ').next().unwrap_or(name)
}

fn alerts(seat: &Seat<'_>) -> Markup {
    let device = &seat.picture.device;
    html! {
        @if let Some(words) = &device.not_saving {
            div.alert.is-severe role="alert" {
                strong { "✕ Nothing can be saved on this device: " }
                (words)
            }
        }
        @if seat.stopped() {
            div.alert.is-stop {
                strong { "■ Work is stopped. " }
                @for stop in standing(seat) { (stop.stamp.by) ", " (hour(stop.stamp.corrected)) ". " }
                @for stop in &seat.picture.stops_heard {
                    (stop.by) ", heard from " (stop.device) ", its history is still arriving. "
                }
                a href={ "/v/" (seat.view().document) "/safety" } { "Energiser off, clear" }
            }
        }
        @for notice in &device.notices {
            div.alert { span.mark aria-hidden="true" { "▲" } " " (moment(notice.at)) ": " (notice.words) }
        }
        (other_pass(seat))
    }
}

/// The whole width of the screen says that fish now belong to another pass.
fn other_pass(seat: &Seat<'_>) -> Markup {
    let Some(chosen) = &seat.chosen else {
        return html! {};
    };
    let mine = seat.pass(chosen);
    if mine.is_some_and(|p| p.state == PassState::Open) {
        return html! {};
    }
    html! {
        @for pass in seat.open_passes().filter(|p| p.pass != *chosen) {
            a.alert.is-pass href={ "?pass=" (pass.pass) } {
                strong { (pass_words(&pass.pass)) " is open" }
                @if let Some(opened) = &pass.opened {
                    " since " (hour(opened.at))
                    @for by in &opened.by { ", " (by) }
                }
                span.do { "go to " (pass_words(&pass.pass)) }
            }
        }
    }
}

/// Stops that hold.
pub(super) fn standing<'a>(seat: &Seat<'a>) -> impl Iterator<Item = &'a StopView> {
    seat.view().safety.stops.iter().filter(|stop| stop.holds)
}

fn standing_ids(seat: &Seat<'_>) -> String {
    let ahead = seat.picture.stops_heard.iter();
    let ids: Vec<String> = standing(seat)
        .map(|s| s.stamp.id.to_string())
        .chain(ahead.map(|stop| format!("ahead-{}", stop.change)))
        .collect();
    ids.join(" ")
}

/// The takeover of the whole screen while a stop holds.
fn stopped(seat: &Seat<'_>) -> Markup {
    html! {
        @if seat.stopped() {
            h2 { "Stop work" }
            @for stop in &seat.picture.stops_heard {
                p.who {
                    strong { (stop.by) }
                    @if let Some(why) = &stop.why { ": " q { (why) } } @else { ", no reason given" }
                    " - stop heard from " (stop.device) ", history still arriving"
                }
            }
            @for stop in standing(seat) {
                p.who {
                    strong { (stop.stamp.by) }
                    " at " (hour(stop.stamp.corrected))
                    @if let Some(why) = &stop.why { ": " q { (why) } } @else { ", no reason given" }
                }
            }
            p.do {
                "Operator: let go of the switch now. Everyone: hands clear, as trained. "
                "Say it aloud: this program records the stop, it does not cut the current."
            }
            @let off: Vec<_> = standing(seat).flat_map(|s| &s.energiser_off).collect();
            @if let Some(said) = off.last() {
                p.off { "✓ Energiser off, says " (said.by) ", " (hour(said.corrected)) }
            } @else {
                p.off { "Energiser not confirmed off." }
            }
            (super::safety::energiser_off(seat))
            p { "The crew lead or the safety lead clears it on the safety page, with a reason." }
        }
    }
}
