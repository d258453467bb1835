//! Who holds this device, which roles they have, who else is on the crew.
//!
//! Held by anyone at the truck, and again at every hand-over, often with wet gloves half off. They
//! must not get wrong: in whose name the next tap counts. So the name is the largest thing here,
//! and “not me” is one press.

use gravelbar_reduce::DeviceLine;
use gravelbar_visit::{
    Fact, Joined, Left, PersonName, PersonView, RecordId, Role, RoleLeft, RoleTaken,
};
use maud::{Markup, html};
use serde_json::json;

use super::parts::{act, fixed, form, hour, line};
use super::{Seat, let_in};

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    html! {
        (who(seat))
        @if seat.me.is_some() {
            (roles(seat))
            (crew(seat))
            (devices(seat))
            (invitation(seat))
        }
    }
}

fn who(seat: &Seat<'_>) -> Markup {
    let visit = seat.view().document;
    let others = seat
        .view()
        .people
        .iter()
        .filter(|p| !p.left && Some(&p.name) != seat.me);
    let address = format!("/v/{visit}/be");
    html! {
        section {
            @if let Some(me) = seat.me {
                p { "This device is held by" }
                p.big.my-name { (me) }
            } @else {
                p.big { "Who holds this device?" }
            }
            details #not-me open[seat.me.is_none()] {
                summary { @if seat.me.is_some() { "not me: hand over" } @else { "choose" } }
                div.people {
                    @for person in others {
                        form id={ "be-" (key(&person.name)) } data-post=(address) data-key=(person.name) {
                            input type="hidden" name="person" value=(person.name);
                            button type="submit" { "I am " (person.name) }
                            output.said role="status" data-own {}
                        }
                    }
                }
                form #be-new.entry data-post=(address) autocomplete="off" novalidate {
                    label.field.wide {
                        span.label { "not on the list: my name" }
                        input name="person" maxlength="60" autocomplete="off";
                    }
                    div.go {
                        button.main type="submit" { "That is me" }
                        output.said role="status" data-own {}
                    }
                }
            }
        }
    }
}

fn key(name: &PersonName) -> String {
    (name.as_str().chars())
        .map(|c| if c.is_alphanumeric() { c } else { '-' })
        .collect()
}

fn roles(seat: &Seat<'_>) -> Markup {
    let (Some(me), place) = (seat.me, seat.my_place()) else {
        return html! {};
    };
    let held = |role: Role| place.is_some_and(|p| p.roles.contains(&role));
    html! {
        section {
            h2 { "My roles now" }
            div.roles {
                @for role in Role::ALL {
                    @let person = me.clone();
                    div.role data-key=(role.words()) {
                        @if held(role) {
                            (act("is-on", html! { "✓ " (role.words()) ": give up" },
                                &[Fact::RoleLeft(RoleLeft { person, role })]))
                        } @else {
                            (act("", html! { "take " (role.words()) },
                                &[Fact::RoleTaken(RoleTaken { person, role })]))
                        }
                    }
                }
            }
            p { a.go-on href={ "/v/" (seat.view().document) } { "to my page" } }
        }
    }
}

fn crew(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Crew" }
            ul.list {
                @for person in &seat.view().people {
                    li data-key=(person.name) {
                        p {
                            strong { (person.name) }
                            @for role in &person.roles { ", " (role.words()) }
                            @if person.left { " - went home" }
                        }
                        (take_over(seat, person))
                        @if !person.left { (went_home(seat, person)) }
                    }
                }
            }
            (form("joined", &json!([{"joined": {}}]), "Add to the crew",
                line("joined.person", "someone without a device", "full name", "")))
        }
    }
}

/// Whoever holds this device takes a role over from somebody else: both in one record, so that no
/// moment has two safety leads or none.
fn take_over(seat: &Seat<'_>, person: &PersonView) -> Markup {
    let Some(me) = seat.me.filter(|me| **me != person.name) else {
        return html! {};
    };
    html! {
        @for role in person.roles.iter().copied() {
            div.role data-key=(role.words()) {
                (act("", html! { "I take over as " (role.words()) " from " (person.name) }, &[
                    Fact::RoleTaken(RoleTaken { person: me.clone(), role }),
                    Fact::RoleLeft(RoleLeft { person: person.name.clone(), role }),
                ]))
            }
        }
    }
}

/// Leaving settles only the objections its author had on the screen.
fn went_home(seat: &Seat<'_>, person: &PersonView) -> Markup {
    let seen: Vec<RecordId> = (seat.view().safety.items.iter())
        .filter(|item| item.person.as_ref() == Some(&person.name))
        .flat_map(|item| item.objections.iter().map(|(stamp, _)| stamp.id))
        .collect();
    let left = Fact::Left(Left {
        person: person.name.clone(),
        seen,
    });
    let back = Fact::Joined(Joined {
        person: person.name.clone(),
    });
    html! {
        details id={ "left-" (key(&person.name)) } {
            summary { "went home, or came back" }
            (act("small", html! { (person.name) " went home" }, &[left]))
            " "
            (act("small", html! { (person.name) " is back" }, &[back]))
        }
    }
}

fn devices(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Devices of this visit" }
            ul.list {
                @for device in &seat.summary().devices {
                    li data-key=(device.tag) { (device_line(seat, device)) }
                }
            }
        }
    }
}

/// What is known here of a device, and how old that is.
pub(super) fn device_line(seat: &Seat<'_>, device: &DeviceLine) -> Markup {
    let here = device.tag == seat.picture.device.tag;
    let peer = seat.picture.live.iter().find(|p| p.tag == device.tag);
    html! {
        p {
            strong { (device.name) }
            @if let Some(holder) = &device.holder { ", " (holder) }
            ": "
            @if here {
                "● this device"
            } @else if let Some(peer) = peer {
                @if peer.connected { "● in reach" }
                @else if let Some(at) = peer.last_heard { "○ last heard " (hour(at)) }
                @else { "○ not heard by this device" }
                @if peer.has_all_of_ours { ", has all that this one has" }
            } @else {
                "○ not heard by this device"
            }
        }
        p.small {
            (device.records) " of its records are known here"
            @if let Some(last) = device.last_record { ", the newest of " (hour(last)) "; it may hold more" }
            @if let Some(offset) = device.clock_offset_s {
                @if offset.abs() >= 1.0 { ". Its clock is off by " (fixed(offset, 0)) " s: times shown are corrected" }
            }
        }
    }
}

fn invitation(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Let another device join" }
            a #to-let-in.go-on href={ "/v/" (seat.view().document) "/" (let_in::PATH) } { "Let a device in" }
        }
    }
}
