//! Who was there, on which devices.

use std::collections::BTreeSet;

use gravelbar_reduce::{DeviceLine, Member, Summary};
use gravelbar_visit::{Role, View};

use crate::model::{Hold, Item, Line, List, Part};
use crate::words::hour;

pub(super) fn people(view: &View, summary: &Summary) -> Part {
    let lines = summary.crew.iter().map(|m| member(view, m)).collect();
    Part {
        heading: "Crew",
        items: vec![list(
            lines,
            "no crew on record",
            ("person more", "people more"),
        )],
    }
}

/// Every role the person has had: the sheet tells who did what, not who still stands in the water.
fn member(view: &View, member: &Member) -> Line {
    let taken = (view.role_changes.iter())
        .filter(|c| c.taken && c.person == member.name)
        .map(|c| c.role);
    let roles: BTreeSet<Role> = taken.chain(member.roles.iter().copied()).collect();
    let mut words: Vec<&str> = roles.iter().map(|r| r.words()).collect();
    if member.left {
        words.push("went home");
    }
    Line::led(member.name.to_string(), words.join(", "))
}

pub(super) fn devices(summary: &Summary) -> Part {
    let lines = summary.devices.iter().map(device).collect();
    Part {
        heading: "Devices heard",
        items: vec![list(
            lines,
            "no device on record",
            ("device more", "devices more"),
        )],
    }
}

fn device(device: &DeviceLine) -> Line {
    let name = if device.name.is_empty() {
        device.tag.to_string()
    } else {
        device.name.clone()
    };
    let holder = (device.holder.as_ref())
        .map(|holder| format!("{holder}, "))
        .unwrap_or_default();
    let heard = device.last_record.map_or_else(
        || "nothing heard".to_owned(),
        |at| format!("{} records, last of {}", device.records, hour(at)),
    );
    let clock = match device.clock_offset_s {
        Some(off) if off.abs() >= 1.0 => format!(", clock {off:+.0} s"),
        Some(_) => String::new(),
        None => ", clock not compared".to_owned(),
    };
    Line {
        mark: if device.last_record.is_none() {
            "▲"
        } else {
            ""
        },
        strong: name,
        words: format!("{holder}{heard}{clock}"),
    }
}

/// A list, or a line that says there is nothing in it.
pub(super) fn list(lines: Vec<Line>, none: &str, of: (&'static str, &'static str)) -> Item {
    if lines.is_empty() {
        return Item::Line(Line::plain(none));
    }
    Item::List(List {
        lines,
        of,
        hold: Hold::Usual,
    })
}
