//! The operator's output, trials, battery and energised seconds.
//!
//! Held by the person with the pack on the back, hand on the switch, who takes a glove off only
//! with the power off: seconds, between passes. They must not get wrong: which numbers were in
//! force, the counter's two readings, and that the current is off before anything is changed.

use gravelbar_reduce::PassSummary;
use gravelbar_visit::{
    Counter, CounterReading, CounterView, Dated, Fact, GearEvent, GearKind, Pack, PassKey,
    Reaction, RecordId, Setting, Settled, Source, Trial, Waveform,
};
use maud::{Markup, html};
use serde_json::{Value, json};

use super::Seat;
use super::parts::{
    act, caution, choice, fixed, form, hour, life, line, number, pass_words, plain,
};

pub(super) fn page(seat: &Seat<'_>) -> Markup {
    let last = last_setting(seat);
    html! {
        (now(seat, last))
        (caution("Power off before you change a setting, a battery, a ring or a net. Then change, write, call “power on” and hear every answer."))
        (seconds(seat))
        (settings(seat, last))
        (trials(seat, last))
        (gear(seat, last))
    }
}

/// The newest setting of the visit by cause.
fn last_setting<'a>(seat: &Seat<'a>) -> Option<&'a Dated<Setting>> {
    (seat.view().settings.iter())
        .filter(|s| !s.voided)
        .max_by_key(|s| (s.stamp.lamport, s.stamp.id))
}

/// The output's shape in words.
fn waveform_words(waveform: Waveform) -> &'static str {
    match waveform {
        Waveform::DirectCurrent => "smooth DC",
        Waveform::PulsedDirectCurrent => "pulsed DC",
        Waveform::BurstsOfPulses => "bursts of pulses",
        Waveform::AlternatingCurrent => "AC",
    }
}

fn setting_words(setting: &Setting) -> Markup {
    html! {
        span.volts { (plain(setting.peak_v)) " V" }
        span {
            (waveform_words(setting.waveform))
            @if let Some(hz) = setting.pulse_rate_hz { ", " (plain(hz)) " Hz" }
            @if let Some(ms) = setting.pulse_width_ms { ", " (plain(ms)) " ms" }
            @if let Some(duty) = setting.duty_percent { ", " (plain(duty)) " % duty" }
            @if let Some(a) = setting.current_a { ", " (plain(a)) " A" }
            @if let Some(mm) = setting.ring_mm { ", ring " (plain(mm)) " mm" }
        }
    }
}

fn now(seat: &Seat<'_>, last: Option<&Dated<Setting>>) -> Markup {
    let pass = seat.current_pass();
    let summary = pass.as_ref().and_then(|p| seat.pass(p));
    html! {
        section.now {
            div {
                h2 { "In force" }
                @match last {
                    Some(last) => {
                        p.figure { (setting_words(&last.what)) }
                        p.small { "pack " (last.what.pack) ", since " (hour(last.stamp.corrected)) ", " (last.stamp.by) }
                        (act("main", "Same setting for this pass", &[Fact::Setting(last.what.clone())]))
                    }
                    None => p.figure { "nothing recorded yet" },
                }
            }
            div {
                h2 { "Water" }
                @match seat.summary().water.ambient_us_cm {
                    Some(c) => p.figure { span.volts { (plain(c)) } span { "µS/cm ambient" } },
                    None => p { "ambient conductivity not measured yet" },
                }
                @if let Some(c) = seat.summary().water.specific_us_cm {
                    p.small { (plain(c)) " µS/cm specific (at 25 °C): not the one the current meets" }
                }
                @if let Some(t) = &seat.summary().water.stream_last {
                    p.small { (plain(t.temperature_c)) " °C at " (hour(t.at)) }
                }
            }
            div {
                h2 { "Seconds" }
                @match summary.and_then(|p| p.effort.total_s) {
                    Some(s) => p.figure { span.volts { (plain(s)) " s" } },
                    None => p { "none read for " @match &pass { Some(p) => (pass_words(p)), None => "a pass" } " yet" },
                }
                @if let Some(p) = summary {
                    @if let Some(per) = p.effort.s_per_m2 { p.small { (fixed(per, 2)) " s/m²" } }
                    @if let Some(share) = p.effort.share_of_first { p.small { (fixed(share * 100.0, 0)) " % of pass 1" } }
                    @if let Some(opened) = &p.opened { p.small { "open since " (hour(opened.at)) } }
                }
            }
        }
    }
}

/// Counter readings of the page's pass, typed by whoever holds the pack.
fn seconds(seat: &Seat<'_>) -> Markup {
    let Some(pass) = seat.current_pass() else {
        return html! {};
    };
    let pack = last_setting(seat).map_or("1", |s| s.what.pack.as_str());
    let before = end_before(seat, &pass, pack);
    html! {
        section {
            h2 { "Counter, " (pass_words(&pass)) }
            (form(&format!("counter-{}-{}", pass.channel, pass.number),
                &json!([{"counter": {"pass": pass, "replaces": standing(seat, &pass, pack)}}]),
                "Keep the seconds", html! {
                    (text("counter.pack", "pack", pack))
                    (number("counter.start_s", "at the start", "s", Some(0.0)))
                    (number("counter.end_s", "at the end", "s", None))
                    (choice("counter.source", "where from",
                        &[("read", "read off the unit"), ("heard", "heard called out")], "read"))
                    @if let Some(end) = before {
                        button type="button" data-fill=(json!({"counter.start_s": plain(end)})) {
                            "Not set to zero: it started at " (plain(end)) " s"
                        }
                    }
                }))
            ul.list {
                @for p in &seat.summary().passes { (counted(seat, p)) }
            }
        }
    }
}

fn counters<'a>(seat: &Seat<'a>, pass: &PassKey) -> &'a [CounterView] {
    (seat.view().passes.iter())
        .find(|p| p.pass == *pass)
        .map_or(&[], |p| &p.counters)
}

/// Readings on the screen that a new one replaces.
fn standing(seat: &Seat<'_>, pass: &PassKey, pack: &str) -> Vec<RecordId> {
    (counters(seat, pass).iter())
        .filter(|c| c.pack.as_str() == pack)
        .flat_map(|c| all(&c.reading))
        .collect()
}

fn all(reading: &Settled<CounterReading>) -> Vec<RecordId> {
    (reading.rivals.iter().map(|r| r.from))
        .chain([reading.from])
        .collect()
}

/// Where the pack's counter stood when the pass before was over.
fn end_before(seat: &Seat<'_>, pass: &PassKey, pack: &str) -> Option<f64> {
    (seat.view().passes.iter())
        .filter(|p| p.pass.channel == pass.channel && p.pass.number < pass.number)
        .max_by_key(|p| p.pass.number)?
        .counters
        .iter()
        .find(|c| c.pack.as_str() == pack)
        .map(|c| c.reading.value.end_s)
}

fn counted(seat: &Seat<'_>, pass: &PassSummary) -> Markup {
    html! {
        @for pack in &pass.effort.packs {
            li data-key={ (pass.pass) "-" (pack.pack) } {
                p {
                    strong { (pass_words(&pass.pass)) }
                    ", pack " (pack.pack) ": " strong { (plain(pack.effort_s)) " s" }
                    " (" (plain(pack.start_s)) " to " (plain(pack.end_s)) " s, "
                    @match pack.source { Source::Read => "read off the unit", Source::Heard => "heard" } ") "
                    (life(seat, pack.record, "history"))
                }
                @for other in &pack.others {
                    p { "▲ " (other.by) " has " (plain(other.effort_s)) " s: type the right reading above, it replaces both" }
                }
                (difference(seat, &pass.pass, &pack.pack))
            }
        }
    }
}

/// A counter that ran on from the pass before: one press uses the difference.
fn difference(seat: &Seat<'_>, pass: &PassKey, pack: &Pack) -> Markup {
    let before = end_before(seat, pass, pack.as_str());
    let counter = counters(seat, pass).iter().find(|c| c.pack == *pack);
    let (Some(before), Some(counter)) = (before, counter) else {
        return html! {};
    };
    let now = counter.reading.value;
    if now.start_s > 0.0 || now.end_s <= before {
        return html! {};
    }
    let fact = Fact::Counter(Counter {
        pass: pass.clone(),
        pack: pack.clone(),
        start_s: before,
        end_s: now.end_s,
        source: now.source,
        replaces: all(&counter.reading),
    });
    html! {
        p { "▲ Looks as if the counter wasn't set to zero." }
        (act("", html! { "Use the difference: " (plain(before)) " to " (plain(now.end_s)) " s" }, &[fact]))
    }
}

/// A one-line field for text that must be there.
fn text(name: &str, label: &str, value: &str) -> Markup {
    html! {
        label.field {
            span.label { (label) }
            input name=(name) data-as="text" data-sticks value=(value) maxlength="60" autocomplete="off";
        }
    }
}

const WAVEFORMS: [(&str, &str); 4] = [
    ("pulsed_direct_current", "pulsed DC"),
    ("direct_current", "smooth DC"),
    ("bursts_of_pulses", "bursts"),
    ("alternating_current", "AC"),
];

/// Fields of an output under `at`, as last recorded.
fn output(at: &str, last: Option<&Setting>) -> Markup {
    let waveform = last.map_or("pulsed_direct_current", |s| match s.waveform {
        Waveform::DirectCurrent => "direct_current",
        Waveform::PulsedDirectCurrent => "pulsed_direct_current",
        Waveform::BurstsOfPulses => "bursts_of_pulses",
        Waveform::AlternatingCurrent => "alternating_current",
    });
    let name = |field: &str| format!("{at}.{field}");
    let value = |pick: fn(&Setting) -> Option<f64>| last.and_then(pick);
    html! {
        (text(&name("pack"), "pack", last.map_or("1", |s| s.pack.as_str())))
        (choice(&name("waveform"), "shape of the current", &WAVEFORMS, waveform))
        (number(&name("peak_v"), "peak", "V", value(|s| Some(s.peak_v))))
        (number(&name("pulse_rate_hz"), "pulses", "Hz", value(|s| s.pulse_rate_hz)))
        (number(&name("pulse_width_ms"), "pulse width", "ms", value(|s| s.pulse_width_ms)))
        (number(&name("duty_percent"), "duty", "%", value(|s| s.duty_percent)))
        (number(&name("current_a"), "current", "A", value(|s| s.current_a)))
        (number(&name("ring_mm"), "ring", "mm", value(|s| s.ring_mm)))
        @if let Some(last) = last { (steps(at, last)) }
    }
}

/// One step from the last numbers into the fields; nothing is recorded by it.
fn steps(at: &str, last: &Setting) -> Markup {
    let volts = |by: f64| json!({ (format!("{at}.peak_v")): plain((last.peak_v + by).max(0.0)) });
    let width = |by: f64| {
        let ms = last.pulse_width_ms.map_or(0.0, |ms| (ms + by).max(0.0));
        json!({ (format!("{at}.pulse_width_ms")): plain(ms) })
    };
    let step = |label: &str, fill: Value| {
        html! { button type="button" data-fill=(fill) { (label) } }
    };
    html! {
        div.steps {
            (step("− 50 V", volts(-50.0)))
            (step("+ 50 V", volts(50.0)))
            @if last.pulse_width_ms.is_some() {
                (step("− 0.5 ms", width(-0.5)))
                (step("+ 0.5 ms", width(0.5)))
            }
        }
    }
}

fn settings(seat: &Seat<'_>, last: Option<&Dated<Setting>>) -> Markup {
    html! {
        section {
            h2 { "Set the output" }
            p { "Start low. Stay within your permit and the unit's rating: this page knows neither." }
            (form("setting", &json!([{"setting": {}}]), "In force from now on",
                output("setting", last.map(|s| &s.what))))
            details #settings-before {
                summary { "settings before" }
                ul.list {
                    @for s in seat.view().settings.iter().rev() {
                        li data-key=(s.stamp.id) {
                            (hour(s.stamp.corrected)) ", " (s.stamp.by) ", pack " (s.what.pack) ": "
                            (setting_words(&s.what)) " " (life(seat, s.stamp.id, "history"))
                        }
                    }
                }
            }
        }
    }
}

const REACTIONS: [(&str, &str); 5] = [
    ("none", "none"),
    ("twitch", "twitched"),
    ("drawn", "drawn to the ring"),
    ("rolled", "rolled"),
    ("rigid", "went stiff"),
];

fn reaction_words(reaction: Reaction) -> &'static str {
    match reaction {
        Reaction::None => "no reaction",
        Reaction::Twitch => "twitched",
        Reaction::Drawn => "drawn to the ring",
        Reaction::Rolled => "rolled",
        Reaction::Rigid => "went stiff",
    }
}

fn trials(seat: &Seat<'_>, last: Option<&Dated<Setting>>) -> Markup {
    let tried = (seat.view().trials.iter())
        .filter(|t| !t.voided)
        .max_by_key(|t| (t.stamp.lamport, t.stamp.id));
    let start = tried.map(|t| &t.what.setting).or(last.map(|s| &s.what));
    html! {
        section {
            h2 { "Try a step on fish" }
            details #trial-open {
                summary { "a trial step: output, reaction, seconds until upright" }
                (form("trial", &json!([{"trial": {"setting": {}}}]), "Keep this step", html! {
                    (output("trial.setting", start))
                    (choice("trial.reaction", "what the fish did", &REACTIONS, "none"))
                    (number("trial.distance_m", "drawn from", "m", None))
                    (number("trial.upright_s", "until upright", "s", None))
                    button.watch type="button" data-watch="trial.upright_s" { "start the stopwatch" }
                    (line("trial.species", "species watched", "brook trout", ""))
                    (number("trial.length_mm", "its length", "mm", None))
                    (line("trial.injury", "injury seen", "dark bar, bent body, bleeding", ""))
                }))
            }
            (caution("Slow to right itself, stiff, barred or bleeding: step down, lower the pulse rate first, then volts, then width; keep fish off the ring. A biologist or vet decides what is too slow."))
            ul.list {
                @for trial in seat.view().trials.iter().rev() {
                    li data-key=(trial.stamp.id) { (trial_line(seat, trial)) }
                }
            }
        }
    }
}

fn trial_line(seat: &Seat<'_>, trial: &Dated<Trial>) -> Markup {
    let t = &trial.what;
    html! {
        @if trial.voided { "✕ void: " }
        (hour(trial.stamp.corrected)) ": " (setting_words(&t.setting)) ": "
        strong { (reaction_words(t.reaction)) }
        @if let Some(m) = t.distance_m { ", from " (plain(m)) " m" }
        @if let Some(s) = t.upright_s { ", upright after " (plain(s)) " s" }
        @if let Some(species) = &t.species { ", " (species) }
        @if let Some(mm) = t.length_mm { " " (plain(mm)) " mm" }
        @if let Some(injury) = &t.injury { ", injury: " (injury) }
        " " (life(seat, trial.stamp.id, "history"))
    }
}

fn gear(seat: &Seat<'_>, last: Option<&Dated<Setting>>) -> Markup {
    let pack = last
        .map(|s| s.what.pack.clone())
        .or_else(|| Pack::new("1").ok());
    html! {
        section {
            h2 { "Battery and faults" }
            @if let Some(pack) = pack {
                @let changed = GearEvent { pack: pack.clone(), event: GearKind::BatteryChanged, words: None };
                (act("", html! { "battery of pack " (pack) " changed" }, &[Fact::GearEvent(changed)]))
            }
            (form("gear", &json!([{"gear_event": {}}]), "Keep it", html! {
                (text("gear_event.pack", "pack or other gear", last.map_or("1", |s| s.what.pack.as_str())))
                (choice("gear_event.event", "what happened", &[("fault", "fault"), ("mended", "mended"),
                    ("battery_changed", "battery changed"), ("disinfected", "disinfected")], "fault"))
                (line("gear_event.words", "details", "volts at start and end, what failed", ""))
            }))
            ul.list {
                @for event in seat.view().gear.iter().rev() {
                    li data-key=(event.stamp.id) {
                        (hour(event.stamp.corrected)) ", " (event.stamp.by) ", " (event.what.pack) ": "
                        @match event.what.event {
                            GearKind::BatteryChanged => "battery changed",
                            GearKind::Fault => "fault",
                            GearKind::Mended => "mended",
                            GearKind::Disinfected => "disinfected",
                        }
                        @if let Some(words) = &event.what.words { ": " (words) }
                    }
                }
            }
        }
    }
}
