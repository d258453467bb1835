//! Letting another device in: a code to be typed there, and an invitation for a camera or by text.
//!
//! Held by whoever has the visit already, one-handed, while the newcomer types. They must not get
//! wrong: which digits, and that the newcomer picks this device among others.

use chrono::{Local, TimeDelta};
use maud::{Markup, html};

use super::{Seat, frame, qr};
use crate::node::{LetIn, ShownCode};

/// Its place in the address.
pub(crate) const PATH: &str = "let-in";

pub(crate) fn page(seat: &Seat<'_>, let_in: &LetIn) -> Markup {
    let address = format!("/v/{}/code", seat.view().document);
    frame::frame(seat, "Let a device in", PATH, body(&address, let_in))
}

/// What is shown, and the form that asks for a code at `post`.
pub(super) fn body(post: &str, let_in: &LetIn) -> Markup {
    let address = let_in.addresses.first();
    html! {
        section {
            @match &let_in.code {
                Some(code) => (shown(code, address)),
                None => p { "Both devices on one network, such as a phone's hotspot. Show a code here; the other person types it on theirs." },
            }
            form #let-in data-post=(post) {
                div.go {
                    button.main type="submit" { @if let_in.code.is_some() { "Show another code" } @else { "Show a code" } }
                    output.said role="status" data-own {}
                }
            }
        }
        @if let Some(text) = &let_in.invitation { (invitation(text)) }
        section {
            h2 { "No code goes through?" }
            ul {
                li { "Is the other device in this network? A phone's hotspot does; no signal is needed." }
                @if let Some(address) = address {
                    li { "The other device doesn't see this one: type this address there: " code.address { (address) } }
                }
                @if let Some(others) = let_in.addresses.get(1..).filter(|others| !others.is_empty()) {
                    li.small { "or one of these: " @for other in others { code { (other) } " " } }
                }
                li { "Still not: show the square to its camera, or pass on the text." }
            }
        }
    }
}

fn shown(code: &ShownCode, address: Option<&String>) -> Markup {
    let left = TimeDelta::try_seconds(i64::try_from(code.seconds_left).unwrap_or(0));
    let until = Local::now() + left.unwrap_or_default();
    html! {
        p.code-digits #digits { (code.digits) }
        @if let Some(label) = &code.label {
            p.to-newcomer { "On the other device: “Join the crew's visit”, this device is " strong.label-of { (label) } }
        }
        @if let Some(address) = address {
            p { "or by its address " code.address { (address) } }
        }
        p.small {
            "For one device, until " (until.format("%H:%M:%S"))
            @match code.tries_left {
                1 => "; one wrong try left",
                tries => { "; " (tries) " tries" }
            }
        }
    }
}

fn invitation(text: &str) -> Markup {
    // Capital letters make a smaller square; they are read as well.
    let square = qr::square(
        &text.replace('-', "").to_uppercase(),
        "the invitation as a square for a camera",
    );
    html! {
        section {
            h2 { "By camera or by text" }
            p { "Open for eight hours. Whoever has it can join: show it to the crew only." }
            @if let Some(square) = square {
                (square)
                p.small { "The camera of the other device reads it as a text, to be pasted under “Join the crew's visit”." }
            }
            textarea.invitation data-invitation readonly rows="4" aria-label="Invitation" { (text) }
        }
    }
}
