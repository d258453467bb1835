//! The safety record, take, what is missing and what is odd.

use gravelbar_reduce::{StopLine, Summary, WorkUp};
use gravelbar_visit::{Flag, FlagKind, IncidentKind, SafetyState, View};

use crate::model::{Column, Fold, Hold, Item, Kind, Line, List, Part, Rank, Row, Table};
use crate::words::{counted, hour, pass, people};

pub(super) fn record(summary: &Summary) -> Part {
    let safety = &summary.safety;
    let state = match &safety.state {
        SafetyState::Stopped { .. } => Line::marked("■", "STOPPED: nobody energises"),
        SafetyState::NotReady { .. } => Line::marked("▲", "not ready, by the record"),
        SafetyState::Ready => Line::marked("✓", "ready, by the record"),
    };
    let mut items = vec![Item::Line(state)];
    let counts = format!(
        "{}, {}",
        counted(safety.stops.len(), "stop", "stops"),
        counted(summary.incidents.len(), "incident", "incidents")
    );
    items.push(Item::Line(Line::plain(counts)));
    let list = |lines: Vec<Line>, of| {
        Item::List(List {
            lines,
            of,
            hold: Hold::Last,
        })
    };
    let stops = safety.stops.iter().map(stop).collect();
    items.push(list(stops, ("stop more", "stops more")));
    let missing = (safety.missing.iter()).map(|check| {
        let who = if check.people.is_empty() {
            "the crew".to_owned()
        } else {
            people(&check.people)
        };
        Line::marked("▲", format!("not ticked: {} ({who})", check.words))
    });
    items.push(list(
        missing.collect(),
        ("check not ticked", "checks not ticked"),
    ));
    if !safety.unplaced.is_empty() {
        let records = counted(safety.unplaced.len(), "safety record", "safety records");
        let words = format!("{records} can't be read or fit no line: the lead looks at them");
        items.push(Item::Line(Line::marked("▲", words)));
    }
    let incidents = (summary.incidents.iter()).map(|i| Line {
        mark: "▲",
        strong: format!("{} {}", hour(i.at), incident(i.kind)),
        words: format!("{} ({})", i.text, i.by),
    });
    items.push(list(
        incidents.collect(),
        ("incident more", "incidents more"),
    ));
    let (grave, _) = flags_apart(summary);
    items.push(list(grave, ("grave flag more", "grave flags more")));
    Part {
        heading: "Safety and incidents",
        items,
    }
}

fn stop(stop: &StopLine) -> Line {
    let why = (stop.why.as_ref())
        .map(|why| format!(" ({why})"))
        .unwrap_or_default();
    let off = (stop.energiser_off_at)
        .map(|at| format!(", energiser off {}", hour(at)))
        .unwrap_or_default();
    let until = match stop.cleared_at {
        Some(at) => format!("cleared {}", hour(at)),
        None if stop.holds => "HOLDS".to_owned(),
        None => "cleared".to_owned(),
    };
    Line {
        mark: "■",
        strong: format!("stop {}", hour(stop.at)),
        words: format!("{}{why}{off}: {until}", stop.by),
    }
}

fn incident(kind: IncidentKind) -> &'static str {
    match kind {
        IncidentKind::NearMiss => "near miss",
        IncidentKind::Injury => "injury",
        IncidentKind::Fault => "fault",
        IncidentKind::Public => "public",
        IncidentKind::Weather => "weather",
    }
}

pub(super) fn take(summary: &Summary) -> Part {
    let mut items = Vec::new();
    if summary.take.is_empty() {
        items.push(Item::Line(Line::plain(
            "no species under permit in the plan",
        )));
    } else {
        let heads = [
            ("", Kind::Name),
            ("caught here", Kind::Figure),
            ("season", Kind::Figure),
            ("dead here", Kind::Figure),
            ("season", Kind::Figure),
            ("", Kind::Words),
        ];
        let rows = (summary.take.iter()).map(|t| Row {
            cells: vec![
                t.species.to_string(),
                t.caught.to_string(),
                format!("{} of {}", t.season_caught, t.limit_caught),
                t.dead.to_string(),
                format!("{} of {}", t.season_dead, t.limit_dead),
                match t.dead_at_limit || t.caught_at_limit {
                    true => "▲ LIMIT".to_owned(),
                    false => "below".to_owned(),
                },
            ],
            rank: Rank::Own(t.caught),
            cautions: Vec::new(),
        });
        items.push(Item::Table(Table {
            columns: heads
                .map(|(head, kind)| Column {
                    head: head.to_owned(),
                    kind,
                })
                .into(),
            rows: rows.collect(),
            fold: Fold::Rows("species under permit more", "species under permit more"),
            cautions: Vec::new(),
        }));
        items.push(Item::Line(Line::marked(
            "▲",
            "devices not heard may hold more; the permit's text governs",
        )));
    }
    let dead: Vec<String> = (summary.dead.iter())
        .map(|d| format!("{} {}", d.dead, d.species))
        .collect();
    items.push(Item::Line(match dead.is_empty() {
        true => Line::led("deaths:", "none on record"),
        false => Line::led("deaths:", dead.join(", ")),
    }));
    Part {
        heading: "Permit take and deaths",
        items,
    }
}

/// What the visit lacks that a sheet is expected to tell.
pub(super) fn missing(view: &View, summary: &Summary) -> Part {
    let mut lines = Vec::new();
    let mut lacks = |words: String| lines.push(Line::marked("○", words));
    for channel in &summary.channels {
        let name = &channel.channel;
        if channel.length_m.is_none() {
            lacks(format!("length of the {name} channel"));
        }
        if channel.mean_width_m.is_none() {
            lacks(format!("widths of the {name} channel"));
        }
    }
    if summary.channels.is_empty() {
        lacks("length and widths of the reach".to_owned());
    }
    if summary.water.stream_first.is_none() {
        lacks("water temperature".to_owned());
    }
    if summary.water.ambient_us_cm.is_none() {
        lacks("ambient conductivity".to_owned());
    }
    for p in &summary.passes {
        let name = pass(&p.pass);
        if p.effort.total_s.is_none() {
            lacks(format!("energised seconds of {name}"));
        }
        if p.settings.iter().all(|s| s.at_start.is_none()) {
            lacks(format!("output at the start of {name}"));
        }
        if p.work_up != WorkUp::Done {
            lacks(format!("work-up of {name}"));
        }
    }
    for device in summary.devices.iter().filter(|d| d.last_record.is_none()) {
        let held = (device.holder.as_ref())
            .map(|h| format!(", held by {h}"))
            .unwrap_or_default();
        lacks(format!("everything from device {}{held}", device.name));
    }
    if view.signatures.is_empty() {
        lacks("a signature".to_owned());
    }
    Part {
        heading: "Missing",
        items: vec![super::crew::list(
            lines,
            "nothing that this sheet asks for",
            ("thing missing", "things missing"),
        )],
    }
}

pub(super) fn flags(summary: &Summary) -> Part {
    let (grave, others) = flags_apart(summary);
    let all = grave.len() + others.len();
    let mut items = vec![Item::Line(Line::led(
        counted(all, "flag open", "flags open"),
        match grave.len() {
            0 => String::new(),
            n => format!("{n} of them under safety"),
        },
    ))];
    items.push(Item::List(List {
        lines: others,
        of: ("flag more", "flags more"),
        hold: Hold::Usual,
    }));
    Part {
        heading: "To look at",
        items,
    }
}

/// Flags on people's safety and on limits, which hold to the last; and the others.
fn flags_apart(summary: &Summary) -> (Vec<Line>, Vec<Line>) {
    let grave = |flag: &&Flag| {
        matches!(
            flag.kind,
            FlagKind::TakeLimit
                | FlagKind::NotReady
                | FlagKind::ClearWithoutRole
                | FlagKind::TickForSomeoneElse
        )
    };
    let (grave, others): (Vec<&Flag>, Vec<&Flag>) = summary.flags.iter().partition(grave);
    let lines = |flags: Vec<&Flag>, mark| {
        (flags.into_iter())
            .map(|flag| Line::marked(mark, flag.words.clone()))
            .collect()
    };
    (lines(grave, "▲"), lines(others, "–"))
}
