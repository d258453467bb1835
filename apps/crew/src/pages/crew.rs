//! The crew: its people, its devices, and who may do what.
//!
//! Held by the crew lead at the truck with dry hands, or standing in the river with someone else's
//! phone gone under. They must not get wrong: which device is shut out, because it is for good; so a
//! device is named by what it is called and by whose it is, and shutting it out takes a tick and a
//! press. Anyone may look. What only the lead's device can do isn't offered elsewhere.

use gravelbar_book::{
    Alarm, DeviceKey, DeviceStanding, Effect, Named, Person, RosterDevice, SetAside, Validity,
};
use gravelbar_visit::Role;
use maud::{DOCTYPE, Markup, html};

use super::frame::head;
use super::let_in as visit_let_in;
use super::parts::moment;
use crate::node::{BookPicture, LetIn};

/// A page of the crew around its `body`, with the way to stop work in the visits at hand.
pub(super) fn around(picture: &BookPicture, title: &str, body: Markup) -> Markup {
    let book = picture.view.document;
    let me = picture.me.as_ref().map(ToString::to_string);
    html! {
        (DOCTYPE)
        html lang="en" {
            (head(title))
            body data-page="crew" data-crew=(book) data-me=(me.unwrap_or_default()) {
                header.plain {
                    strong.brand { (picture.view.founding.crew) }
                    span { "on " (picture.device.name) @if let Some(me) = &picture.me { ", " (me) } }
                    nav.crew-pages aria-label="Pages of the crew" {
                        a href={ "/crew/" (book) } { "People and devices" }
                        a href={ "/crew/" (book) "/lists" } { "Plans, sites, lists" }
                        a href="/" { "All visits" }
                    }
                }
                main {
                    @if let Some(words) = &picture.device.not_saving {
                        p.alert.is-severe role="alert" { strong { "✕ Nothing can be saved on this device: " } (words) }
                    }
                    @for notice in &picture.device.notices {
                        p.alert { "▲ " (moment(notice.at)) ": " (notice.words) }
                    }
                    h1 { (title) }
                    (body)
                }
                @if !picture.stops.is_empty() {
                    footer #foot.crew-stops {
                        @for stop in &picture.stops {
                            button.crew-stop type="button" data-stop-visit=(stop.visit) data-by=(stop.by) {
                                span.fill aria-hidden="true" {}
                                span.word { "■ Stop work, " (stop.site) }
                                span.how { "hold for one second" }
                            }
                        }
                    }
                }
            }
        }
    }
}

pub(crate) fn page(picture: &BookPicture) -> Markup {
    let body = html! {
        (who(picture))
        @if picture.me.is_some() {
            (alarms(picture))
            (devices(picture))
            @if picture.may_change { (let_in_link(picture)) }
            (people(picture))
            (aside(picture))
            (history(picture))
        }
    };
    around(picture, "People and devices", body)
}

/// A form that does one thing in the book; what it does is in hidden fields.
pub(super) fn doing(
    picture: &BookPicture,
    id: &str,
    what: &str,
    then: &str,
    hidden: &[(&str, String)],
    body: Markup,
) -> Markup {
    html! {
        form.entry id=(id) data-post={ "/crew/" (picture.view.document) "/act" } autocomplete="off" novalidate {
            input type="hidden" name="doing" value=(what);
            input type="hidden" name="then" value=(then);
            @for (name, value) in hidden { input type="hidden" name=(name) value=(value); }
            (body)
        }
    }
}

pub(super) fn go(label: &str) -> Markup {
    html! {
        div.go {
            button.main type="submit" { (label) }
            output.said role="status" {}
        }
    }
}

pub(super) fn field(name: &str, label: &str, hint: &str, value: &str) -> Markup {
    html! {
        label.field.wide {
            span.label { (label) }
            input name=(name) value=(value) placeholder=(hint) maxlength="300" autocomplete="off";
        }
    }
}

fn who(picture: &BookPicture) -> Markup {
    let address = format!("/crew/{}/be", picture.view.document);
    let others =
        (picture.view.people.iter()).filter(|p| Some(&p.value.name) != picture.me.as_ref());
    html! {
        section {
            @if let Some(me) = &picture.me {
                p { "This device is used by" }
                p.big.my-name { (me) }
            } @else {
                p.big { "Who uses this device?" }
            }
            details #not-me open[picture.me.is_none()] {
                summary { @if picture.me.is_some() { "not me: hand over, from now on" } @else { "choose" } }
                div.people {
                    @for person in others {
                        form data-post=(address) {
                            input type="hidden" name="person" value=(person.value.name);
                            button type="submit" { "I am " (person.value.name) }
                            output.said role="status" {}
                        }
                    }
                }
                form #be-new.entry data-post=(address) autocomplete="off" novalidate {
                    (field("person", "not on the list: my name", "full name", ""))
                    (go("That is me"))
                }
                p.small { "Also in every visit in which this device has a name. Fish counted before stay with whoever counted them." }
            }
        }
    }
}

/// What two leads decided apart from each other.
fn alarms(picture: &BookPicture) -> Markup {
    let view = &picture.view;
    html! {
        @if !view.roster.alarms.is_empty() {
            section.alert.is-severe role="alert" {
                h2 { "▲ Decided apart: to be settled" }
                p { "Two leads changed the crew without knowing of each other. Until one of them settles it the stricter holds: these devices wait, and whoever either of them shut out is out." }
                ul.list {
                    @for alarm in &view.roster.alarms { li { (alarm_line(picture, alarm)) } }
                }
            }
        }
    }
}

fn alarm_line(picture: &BookPicture, alarm: &Alarm) -> Markup {
    let hidden = |stands: &str| {
        [
            ("grant", alarm.grant.to_string()),
            ("stands", stands.to_owned()),
        ]
    };
    html! {
        p { strong { (called(picture, alarm.key)) } ", let in apart from " (alarm.apart.len()) " other changes" }
        @if picture.may_change {
            div.two {
                (doing(picture, &format!("keep-{}", alarm.grant), "settle", "crew", &hidden("yes"), go("It belongs to the crew")))
                (doing(picture, &format!("drop-{}", alarm.grant), "settle", "crew", &hidden("no"), go("It doesn't")))
            }
        } @else {
            p.small { "A lead's device settles it." }
        }
    }
}

/// What the crew calls a device, and whose it is.
fn called(picture: &BookPicture, key: DeviceKey) -> String {
    let known = picture.view.device(key);
    let name = known.and_then(|d| d.name.clone());
    let name = name.unwrap_or_else(|| format!("device {}", &key.tag().to_string()[..4]));
    match known.and_then(|d| d.holder.as_ref()) {
        Some(holder) => format!("{name}, {holder}"),
        None => name,
    }
}

fn devices(picture: &BookPicture) -> Markup {
    let mut devices: Vec<&RosterDevice> = picture.view.roster.devices.iter().collect();
    devices.sort_by_key(|d| (d.standing != DeviceStanding::Live, called(picture, d.key)));
    html! {
        section {
            h2 { "Devices" }
            ul.list {
                @for device in devices { li data-key=(device.key) { (device_line(picture, device)) } }
            }
        }
    }
}

fn device_line(picture: &BookPicture, device: &RosterDevice) -> Markup {
    let here = device.key == picture.key;
    let peer = (picture.live.iter()).find(|p| p.tag == device.key.tag());
    let leads = device.office || device.roles.contains(&Role::Lead);
    html! {
        p {
            strong { (called(picture, device.key)) }
            ": "
            @match device.standing {
                DeviceStanding::Live => {
                    @if here { "● this device" }
                    @else if let Some(peer) = peer {
                        @if peer.connected { "● in reach" }
                        @else if let Some(at) = peer.last_heard { "○ last heard " (moment(at)) }
                        @else { "○ not heard by this device" }
                        @if peer.has_all_of_ours { ", has all of the book" }
                    }
                    @else { "○ not heard by this device" }
                }
                DeviceStanding::Pending => "▲ waits for a lead to settle what was decided apart",
                DeviceStanding::Left => "left the crew",
                DeviceStanding::Revoked => "✕ marked lost, shut out for good",
                DeviceStanding::Void => "✕ not of the crew: whoever let it in had been shut out",
            }
        }
        p.small {
            @if device.standing == DeviceStanding::Live {
                @if device.office { "the office's; " }
                @if leads { "may change the crew; " }
                (validity(device))
            }
            @if let Some(known) = picture.view.device(device.key) { " " (known.records) " of its entries stand in the book." }
        }
        @if device.standing == DeviceStanding::Live { (device_acts(picture, device, here, leads)) }
        @if device.standing == DeviceStanding::Revoked && picture.may_change { (held(picture, device.key)) }
    }
}

fn validity(device: &RosterDevice) -> Markup {
    if device.valid.iter().any(Validity::is_everything) {
        return html! { "for all visits." };
    }
    html! {
        @for (i, valid) in device.valid.iter().enumerate() {
            @if i > 0 { " Or " }
            "for visits"
            @if let Some(season) = valid.season { " of " (season) }
            @if let Some(until) = valid.until { " up to " (until.format("%-d %B %Y")) }
            @if !valid.visits.is_empty() { ", " (valid.visits.len()) " by name" }
            "."
        }
    }
}

fn device_acts(picture: &BookPicture, device: &RosterDevice, here: bool, leads: bool) -> Markup {
    let key = device.key;
    let hidden = [("key", key.to_string())];
    let holder = (picture.view.device(key)).and_then(|d| d.holder.clone());
    let valid = device.valid.first();
    let season = valid.and_then(|v| v.season).map(|s| s.to_string());
    let until = valid.and_then(|v| v.until).map(|d| d.to_string());
    html! {
        details id={ "device-" (key.tag()) } {
            summary { "change" }
            (doing(picture, &format!("hand-{}", key.tag()), "hand_over", "crew", &hidden, html! {
                (field("person", "used from now on by", "full name", ""))
                (go("Hand over"))
            }))
            @if picture.may_change {
                (doing(picture, &format!("admit-{}", key.tag()), "admit", "crew", &hidden, html! {
                    (field("person", "whose it is", "full name", &holder.map(|h| h.to_string()).unwrap_or_default()))
                    (field("season", "only visits of this year (blank: any)", "2026", &season.unwrap_or_default()))
                    (field("until", "only visits up to this day (blank: any)", "2026-10-31", &until.unwrap_or_default()))
                    label.tick { input type="checkbox" name="lead" value="yes" checked[leads]; span { "crew lead's: may change the crew" } }
                    (go("Keep these rights"))
                }))
                @if !here {
                    (doing(picture, &format!("go-{}", key.tag()), "let_go", "crew", &hidden, html! {
                        p { "Leaves the crew in peace: what it recorded counts, also what comes in later." }
                        (go("Take it off the list"))
                    }))
                    (doing(picture, &format!("lost-{}", key.tag()), "lost", "crew", &hidden, html! {
                        p { strong { "Lost or stolen: shut out for good. " } "What has arrived of it counts. What comes later is held for you to look at; only a stop-work counts at once. It reaches only devices that hear of it." }
                        (field("why", "what happened", "fell into the river below the net", ""))
                        label.tick { input type="checkbox" data-must="read the name of the device aloud first, then tick"; span { (called(picture, key)) " is the one that is lost" } }
                        (go("Mark it lost"))
                    }))
                }
            }
        }
    }
}

/// What a device that was shut out has in the book that doesn't count.
fn held(picture: &BookPicture, key: DeviceKey) -> Markup {
    let tag = key.tag();
    let aside = picture.view.aside.iter();
    let n = aside
        .filter(|s| s.why == SetAside::Held && s.record.writer.device == tag)
        .count();
    html! {
        @if n > 0 {
            (doing(picture, &format!("accept-{tag}"), "accept_held", "crew", &[("key", key.to_string())], html! {
                p { (n) " entries came from it after it was marked lost. They are listed below under “set aside”." }
                (go("I have looked at them: they count"))
            }))
        }
    }
}

fn let_in_link(picture: &BookPicture) -> Markup {
    html! {
        section {
            p { a.go-on href={ "/crew/" (picture.view.document) "/let-in" } { "Let a device into the crew" } }
            p.small { "It gets this book and the crew's visits. For one visit only, let it in on the visit's own page." }
        }
    }
}

fn people(picture: &BookPicture) -> Markup {
    html! {
        section {
            h2 { "People" }
            ul.list {
                @for person in &picture.view.people { li data-key=(person.value.name) { (person_line(picture, person)) } }
            }
            (doing(picture, "person", "person", "crew", &[], html! {
                (field("name", "someone of the crew", "full name", ""))
                (field("roles", "usually (crew lead, operator, netter, bucket carrier, safety lead, measurer, recorder, fish carer)", "netter, measurer", ""))
                (field("words", "first aid, training, whom to call", "first aid to May 2027", ""))
                (go("Put on the crew"))
            }))
        }
    }
}

fn person_line(picture: &BookPicture, person: &Named<Person>) -> Markup {
    let name = &person.value.name;
    html! {
        p {
            strong { (name) }
            @for role in &person.value.roles { ", " (role.words()) }
        }
        @if !person.value.words.is_empty() { p.small { (person.value.words) } }
        @for rival in &person.rivals { p.alert { "▲ " (rival.by) " wrote apart: " @for role in &rival.value.roles { (role.words()) ", " } (rival.value.words) } }
        @for role in &person.value.roles { (take_over(picture, person, *role)) }
        details {
            summary { "no longer on the crew" }
            (doing(picture, &format!("gone-{name}"), "person_gone", "crew", &[("name", name.to_string())], go("Take off the list")))
        }
    }
}

/// Whoever uses this device takes a usual role over: both change in one press.
fn take_over(picture: &BookPicture, from: &Named<Person>, role: Role) -> Markup {
    let Some(me) = picture.me.as_ref().filter(|me| **me != from.value.name) else {
        return html! {};
    };
    let hidden = [
        ("from", from.value.name.to_string()),
        ("role", role.words().to_owned()),
    ];
    html! {
        (doing(picture, &format!("over-{}-{}", from.value.name, role.words()), "take_over", "crew", &hidden,
            html! { div.go { button type="submit" { (me) " takes over as " (role.words()) " from " (from.value.name) } output.said role="status" {} } }))
    }
}

fn aside(picture: &BookPicture) -> Markup {
    let aside = &picture.view.aside;
    html! {
        @if !aside.is_empty() {
            section {
                h2 { "Set aside" }
                p { "Kept, shown, without effect." }
                ul.list {
                    @for set in aside {
                        li { p {
                            code { (set.record) } " "
                            @if let Some(by) = &set.by { (by) ", " }
                            @if let Some(kind) = &set.kind { (kind.replace('_', " ")) ": " }
                            (set.why.words())
                        } }
                    }
                }
            }
        }
    }
}

/// The life of the list of devices.
fn history(picture: &BookPicture) -> Markup {
    html! {
        section {
            details #roster-life {
                summary { h2 { "Every change of the list of devices" } }
                ol.list {
                    @for line in &picture.view.roster.lines {
                        li { p {
                            "step " (line.entry.epoch) ": "
                            @if let Some(grant) = &line.entry.grant { "rights to " (called(picture, grant.key)) ". " }
                            @if let Some(revoke) = &line.entry.revoke { "shut out " (called(picture, revoke.key)) ". " }
                            @if !line.entry.withdraw.is_empty() { (line.entry.withdraw.len()) " rights taken back. " }
                            @if !line.entry.keep.is_empty() { (line.entry.keep.len()) " settled. " }
                            @if line.entry.accept.is_some() { "held entries accepted. " }
                            @match line.effect {
                                Effect::Counts => "",
                                Effect::Void => "▲ Without effect but for what it takes away: its author had been shut out.",
                                Effect::NoHistory => "✕ Without effect: it builds on a list that nobody else has.",
                                Effect::WrongEpoch | Effect::Odd => "✕ Without effect: no honest program writes it so.",
                                Effect::NotEntitled => "✕ Without effect: its author's device might not change the crew.",
                            }
                        } p.small { code { (line.record) } } }
                    }
                }
            }
        }
    }
}

/// The code and the invitation by which a device is let into the crew.
pub(crate) fn let_in(picture: &BookPicture, let_in: &LetIn) -> Markup {
    let address = format!("/crew/{}/code", picture.view.document);
    around(
        picture,
        "Let a device into the crew",
        visit_let_in::body(&address, let_in),
    )
}
