//! Water, reach and block nets.
//!
//! Held by the lead or a helper walking the bank with a tape and a meter, one hand free. They must
//! not get wrong: which conductivity it is, metres along the deepest line, and, in a hurry, that a
//! net is down.

use gravelbar_reduce::ChannelSummary;
use gravelbar_visit::{
    Channel, ChannelView, Fact, NetEnd, NetEvent, NetState, NetView, RecordId, Water, WaterPlace,
};
use maud::{Markup, html};
use serde_json::json;

use super::Seat;
use super::parts::{act, caution, choice, fixed, form, hour, life, number, plain};

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    html! {
        (nets(seat))
        (water(seat))
        (reach(seat))
    }
}

/// Channels known so far; every stream has at least one arm.
fn channels(seat: &Seat<'_>) -> Vec<Channel> {
    let mut all: Vec<Channel> = (seat.summary().channels.iter())
        .map(|c| c.channel.clone())
        .collect();
    if all.is_empty() {
        all.push(Channel::main());
    }
    all
}

fn end_words(end: NetEnd) -> &'static str {
    match end {
        NetEnd::Upstream => "upstream net",
        NetEnd::Downstream => "downstream net",
    }
}

fn state_words(state: NetState) -> &'static str {
    match state {
        NetState::Holding => "✓ holding",
        NetState::Lifted => "○ lifted",
        NetState::Leaking => "▲ leaking",
        NetState::Down => "✕ down",
    }
}

fn nets(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Block nets" }
            @for channel in channels(seat) {
                @for end in [NetEnd::Upstream, NetEnd::Downstream] { (net(seat, &channel, end)) }
            }
            (caution("A net that leaked or was down makes every estimate from that pass on an open one. Record it the moment you see it; recording it holding again does not undo the gap."))
        }
    }
}

fn net(seat: &Seat<'_>, channel: &Channel, end: NetEnd) -> Markup {
    let view: Option<&NetView> =
        (seat.view().nets.iter()).find(|n| n.channel == *channel && n.end == end);
    let last = view.and_then(|n| n.states.iter().rfind(|s| !s.voided));
    let event = |state: NetState| {
        Fact::NetEvent(NetEvent {
            channel: channel.clone(),
            end,
            state,
            mesh_mm: None,
        })
    };
    html! {
        div.net data-key={ (channel) "-" (end_words(end)) } {
            h3 {
                (end_words(end))
                @if channel.as_str() != "main" { ", " (channel) " channel" }
                ": "
                @match last {
                    Some(s) => { (state_words(s.what)) " since " (hour(s.stamp.corrected)) ", " (s.stamp.by) }
                    None => "not recorded",
                }
            }
            div.row {
                (act("", "✓ holding", &[event(NetState::Holding)]))
                (act("", "▲ leaking", &[event(NetState::Leaking)]))
                (act("", "✕ down", &[event(NetState::Down)]))
                (act("", "○ lifted", &[event(NetState::Lifted)]))
            }
        }
    }
}

fn water(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Water" }
            (form("water", &json!([{"water": {}}]), "Keep the reading", html! {
                (choice("water.place", "where", &[("stream", "stream"), ("live_car", "live car")], "stream"))
                (number("water.temperature_c", "temperature", "°C", None))
                (number("water.ambient_us_cm", "conductivity, ambient (as the water is)", "µS/cm", None))
                (number("water.specific_us_cm", "conductivity, specific (brought to 25 °C)", "µS/cm", None))
                (number("water.oxygen_mg_l", "dissolved oxygen", "mg/L", None))
                (number("water.ph", "pH", "", None))
                (number("water.turbidity_ntu", "turbidity", "NTU", None))
                (number("water.flow_m3_s", "flow", "m³/s", None))
            }))
            p.small { "Ambient is what the current meets and what the output is chosen by. Meters often show specific: look for “25 °C” on the display." }
            ul.list {
                @for reading in seat.view().water.iter().rev() {
                    li data-key=(reading.stamp.id) {
                        @if reading.voided { "✕ void: " }
                        (hour(reading.stamp.corrected)) ", " (reading.stamp.by) ", " (reading_words(&reading.what))
                        " " (life(seat, reading.stamp.id, "history"))
                    }
                }
            }
        }
    }
}

fn reading_words(water: &Water) -> String {
    let place = match water.place {
        WaterPlace::Stream => "stream",
        WaterPlace::LiveCar => "live car",
    };
    let values = [
        (water.temperature_c, "°C"),
        (water.ambient_us_cm, "µS/cm ambient"),
        (water.specific_us_cm, "µS/cm specific"),
        (water.oxygen_mg_l, "mg/L oxygen"),
        (water.ph, "pH"),
        (water.turbidity_ntu, "NTU"),
        (water.flow_m3_s, "m³/s"),
    ];
    let said: Vec<String> = (values.iter())
        .filter_map(|(value, unit)| value.map(|v| format!("{} {unit}", plain(v))))
        .collect();
    format!("{place}: {}", said.join(", "))
}

fn reach(seat: &Seat<'_>) -> Markup {
    html! {
        section {
            h2 { "Reach" }
            @for channel in &seat.summary().channels { (measured(seat, channel)) }
            (form("length", &json!([{"reach_length": {"replaces": lengths(seat)}}]), "Keep the length", html! {
                (arm("reach_length.channel"))
                (number("reach_length.length_m", "length along the deepest line", "m", None))
            }))
            (form("widths", &json!([{"width": {}}]), "Keep the widths", html! {
                (arm("width.channel"))
                label.field.wide {
                    span.label { "wetted widths in m, with blanks between" }
                    input name="width.width_m" data-as="each" inputmode="decimal"
                        placeholder="3.4 3.9 4.2" autocomplete="off";
                }
            }))
            p.small { "Another arm of the stream: type its name, such as left or right, in place of main." }
        }
    }
}

fn arm(name: &str) -> Markup {
    html! {
        label.field {
            span.label { "channel" }
            input name=(name) data-as="text" data-sticks value="main" maxlength="60" autocomplete="off";
        }
    }
}

/// Lengths on the screen of a stream with one arm, which a new one replaces. With several arms a
/// new length of one must not touch the others', so that two of one arm are left to be settled.
fn lengths(seat: &Seat<'_>) -> Vec<RecordId> {
    match seat.view().channels.as_slice() {
        [only] => records(only),
        _ => Vec::new(),
    }
}

fn records(channel: &ChannelView) -> Vec<RecordId> {
    (channel.length_m.iter())
        .flat_map(|l| l.rivals.iter().map(|r| r.from).chain([l.from]))
        .collect()
}

fn measured(seat: &Seat<'_>, channel: &ChannelSummary) -> Markup {
    let view = seat
        .view()
        .channels
        .iter()
        .find(|c| c.channel == channel.channel);
    html! {
        p data-key=(channel.channel) {
            strong { (channel.channel) ": " }
            @match channel.length_m { Some(m) => { (plain(m)) " m long" } None => "no length yet" }
            @if let Some(length) = view.and_then(|c| c.length_m.as_ref()) { " " (life(seat, length.from, "history")) }
            ", " (channel.widths) " widths"
            @if let Some(mean) = channel.mean_width_m { ", mean " (fixed(mean, 2)) " m" }
            @if let Some(area) = channel.area_m2 { ", area " strong { (fixed(area, 0)) " m²" } }
        }
        @for other in &channel.other_lengths_m {
            p.alert { "▲ " (other.by) " taped " (plain(other.length_m)) " m: tape again and keep the right one below, it replaces both" }
        }
        @if let Some(view) = view {
            details id={ "widths-" (channel.channel) } {
                summary { "its widths" }
                ul.list {
                    @for width in &view.widths_m {
                        li data-key=(width.stamp.id) {
                            @if width.voided { "✕ void: " }
                            (plain(width.what)) " m, " (width.stamp.by) " " (life(seat, width.stamp.id, "history"))
                        }
                    }
                }
            }
        }
    }
}
