//! Reach and water.

use gravelbar_reduce::{ChannelSummary, Summary};

use super::crew::list;
use crate::model::{Item, Line, Part};
use crate::words::{hour, plain};

pub(super) fn reach(summary: &Summary) -> Part {
    let lines = summary.channels.iter().map(channel).collect();
    Part {
        heading: "Reach",
        items: vec![list(
            lines,
            "nothing measured",
            ("channel more", "channels more"),
        )],
    }
}

fn channel(channel: &ChannelSummary) -> Line {
    let length = match channel.length_m {
        Some(m) => format!("{} m long", plain(m)),
        None => "length not taped".to_owned(),
    };
    let width = match channel.mean_width_m {
        Some(m) => format!("{m:.2} m wide (mean of {})", channel.widths),
        None => "no widths".to_owned(),
    };
    let mut words = format!("{length} × {width}");
    if let Some(area) = channel.area_m2 {
        words.push_str(&format!(", {area:.0} m²"));
    }
    for other in &channel.other_lengths_m {
        let length = plain(other.length_m);
        words.push_str(&format!("; {} taped {length} m, unsettled", other.by));
    }
    Line::led(format!("{} channel", channel.channel), words)
}

pub(super) fn water(summary: &Summary) -> Part {
    let water = &summary.water;
    let mut items = Vec::new();
    let mut line = |what: &str, words: String| items.push(Item::Line(Line::led(what, words)));
    for (what, reading) in [
        ("start", &water.stream_first),
        ("end", &water.stream_last),
        ("live car, last", &water.live_car_last),
    ] {
        if let Some(reading) = reading {
            let at = hour(reading.at);
            line(what, format!("{} °C at {at}", plain(reading.temperature_c)));
        }
    }
    let conductivity: Vec<String> = [
        (water.ambient_us_cm, "ambient"),
        (water.specific_us_cm, "specific, at 25 °C"),
    ]
    .into_iter()
    .filter_map(|(value, what)| Some(format!("{} µS/cm {what}", plain(value?))))
    .collect();
    if !conductivity.is_empty() {
        line("conductivity", conductivity.join(", "));
    }
    if items.is_empty() {
        items.push(Item::Line(Line::plain("nothing measured")));
    }
    Part {
        heading: "Water",
        items,
    }
}
