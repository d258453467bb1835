//! The crew and its devices: work begun before every check, clocks, devices that may hold more,
//! records that came after a signature.

use gravelbar_visit::{DeviceView, Flag, FlagKind, RecordId, SignState, Stamp, StopView};

use super::{Found, flag};
use crate::figure::counted;
use crate::moment::{hour, minutes};
use crate::pass::PassSummary;
use crate::span::Span;
use crate::stops::cleared;

/// A clock further off than this is worth telling, ms (judgement, no source).
const CLOCK_OFF_MS: u64 = 60_000;

/// A held device whose newest record here is this much older than the newest of all may hold
/// more, min (judgement, no source).
const NOT_HEARD_MIN: f64 = 30.0;

pub(super) fn flags(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for pass in found.passes {
        not_ready(found, pass, flags);
        while_stopped(found, pass, flags);
    }
    clocks(found, flags);
    not_heard(found, flags);
    after_signature(found, flags);
}

/// The beginning of a pass with energised seconds; a pass without them is flagged for that.
fn energised<'a>(found: &Found<'a>, pass: &PassSummary) -> Option<&'a Stamp> {
    let from = Span::of(found.pass_view(&pass.pass)).from;
    from.filter(|_| pass.effort.total_s.is_some_and(|s| s > 0.0))
}

/// A tick counts as late only where both the order by cause and the clocks put it after the
/// beginning of the pass. Ticks from before a stop are set aside by the view, so a pass that
/// began before the newest stop is judged by lines nobody ever ticked.
fn not_ready(found: &Found<'_>, pass: &PassSummary, flags: &mut Vec<Flag>) {
    let Some(begun) = energised(found, pass) else {
        return;
    };
    let stopped_since = (found.view.safety.stops.iter()).any(|s| s.stamp.lamport >= begun.lamport);
    let late = |tick: &Stamp| tick.lamport > begun.lamport && tick.corrected > begun.corrected;
    let mut missing: Vec<String> = (found.view.safety.items.iter())
        .filter(|item| {
            let ticked_late = !stopped_since && item.ticks.iter().all(late);
            !item.ticked && item.ticks.is_empty() || item.ticked && ticked_late
        })
        .map(|item| match &item.person {
            Some(person) => format!("{} ({person})", item.words),
            None => item.words.clone(),
        })
        .collect();
    missing.sort_unstable();
    if !missing.is_empty() {
        flags.push(flag(
            FlagKind::NotReady,
            found.marks(&pass.pass),
            format!(
                "pass {} was energised without: {}: tick what was done, each person for themselves, or write an incident",
                pass.pass,
                missing.join("; ")
            ),
        ));
    }
}

fn while_stopped(found: &Found<'_>, pass: &PassSummary, flags: &mut Vec<Flag>) {
    let Some(begun) = energised(found, pass) else {
        return;
    };
    let held = |stop: &&StopView| {
        let raised = found.clocks.before(&stop.stamp, begun);
        raised && cleared(stop).is_none_or(|cleared| found.clocks.before(begun, cleared))
    };
    let stops: Vec<RecordId> = (found.view.safety.stops.iter())
        .filter(held)
        .map(|stop| stop.stamp.id)
        .collect();
    if !stops.is_empty() {
        flags.push(flag(
            FlagKind::NotReady,
            [stops, found.marks(&pass.pass)].concat(),
            format!(
                "pass {} was opened and energised while a stop held: ask who knew of the stop, and write an incident",
                pass.pass
            ),
        ));
    }
}

fn device_words(device: &DeviceView) -> String {
    match (&device.holder, device.name.as_str()) {
        (Some(holder), "") => format!("{holder}'s device {}", device.tag),
        (Some(holder), name) => format!("{holder}'s device “{name}”"),
        (None, "") => format!("device {}", device.tag),
        (None, name) => format!("device “{name}”"),
    }
}

fn clocks(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for device in &found.view.devices {
        let Some(offset_ms) = device.clock_offset_ms else {
            continue;
        };
        if offset_ms.unsigned_abs() > CLOCK_OFF_MS {
            let seconds = offset_ms.unsigned_abs().saturating_add(500) / 1_000;
            let which = if offset_ms > 0 { "ahead of" } else { "behind" };
            flags.push(flag(
                FlagKind::ClockOff,
                Vec::new(),
                format!(
                    "the clock of {} is {} min {} s {which} the crew's: its times are shown corrected and nothing is lost; set it when there is time",
                    device_words(device),
                    seconds / 60,
                    seconds % 60
                ),
            ));
        }
    }
}

fn not_heard(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let devices = &found.view.devices;
    // Only compared clocks can tell how long ago a device was heard; a clock ten years ahead
    // would make every other device look silent.
    let compared = || devices.iter().filter(|d| d.clock_offset_ms.is_some());
    let newest = compared()
        .filter_map(|d| d.last.as_ref())
        .max_by_key(|s| s.corrected);
    let gone = |d: &DeviceView| {
        let holder = d.holder.as_ref();
        let person = found.view.people.iter().find(|p| Some(&p.name) == holder);
        person.is_some_and(|p| p.left)
    };
    for device in devices.iter().filter(|d| d.holder.is_some() && !gone(d)) {
        let name = device_words(device);
        match (&device.last, newest) {
            (None, _) => flags.push(flag(
                FlagKind::DeviceNotHeard,
                Vec::new(),
                format!("nothing has come from {name} yet: meet it before signing"),
            )),
            (Some(last), Some(newest)) if device.clock_offset_ms.is_some() => {
                let silent = minutes(last.corrected, newest.corrected).unwrap_or(0.0);
                if silent > NOT_HEARD_MIN {
                    flags.push(flag(
                        FlagKind::DeviceNotHeard,
                        vec![last.id],
                        format!(
                            "the newest record here from {name} is of {}, {silent:.0} min before the newest of all: it may hold more; meet it before signing",
                            hour(found.clocks.shown(last))
                        ),
                    ));
                }
            }
            _ => {}
        }
    }
    let newest = found
        .view
        .signatures
        .iter()
        .max_by_key(|s| (s.version, s.stamp.id));
    if let Some(signature) = newest.filter(|s| !s.not_heard.is_empty()) {
        let mut names = signature.not_heard.clone();
        names.sort_unstable();
        flags.push(flag(
            FlagKind::DeviceNotHeard,
            vec![signature.stamp.id],
            format!(
                "version {} was signed without having heard {}: their late records will wait for acceptance",
                signature.version,
                names.join(", ")
            ),
        ));
    }
}

fn after_signature(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let SignState::ChangedAfter {
        version,
        arrived_after,
        waiting,
    } = &found.view.sign_state
    else {
        return;
    };
    let newest = found
        .view
        .signatures
        .iter()
        .max_by_key(|s| (s.version, s.stamp.id));
    flags.push(flag(
        FlagKind::AfterSignature,
        newest.map(|s| s.arrived_after.clone()).unwrap_or_default(),
        format!(
            "{} came after version {version} was signed, {waiting} not yet looked at: accept them and sign again; version {version} stays valid for what it covers",
            counted(*arrived_after as u64, "record", "records")
        ),
    ));
}
