//! Signatures on the record, and lines to sign on by hand.

use gravelbar_reduce::Summary;
use gravelbar_visit::{Role, SignState, SignatureView, View};

use crate::model::{Hold, Item, Line, List, Part};
use crate::words::{counted, hour, short};

/// How the visit stands, in one line.
pub(super) fn state(summary: &Summary) -> Line {
    let by = (summary.header.signed.as_ref())
        .map(|s| format!(" by {} at {}", s.by, hour(s.at)))
        .unwrap_or_default();
    match &summary.header.sign {
        SignState::Open => Line::marked("○", "not signed"),
        SignState::Signed { version } => {
            Line::marked("✓", format!("version {version}, signed{by}"))
        }
        SignState::ChangedAfter {
            version,
            arrived_after,
            waiting,
        } => Line::marked(
            "▲",
            format!(
                "version {version} was signed{by}; {} came after it, {waiting} not looked at: the numbers here hold them all",
                counted(*arrived_after, "record", "records")
            ),
        ),
        SignState::Reopened { version } => Line::marked(
            "▲",
            format!("version {version} was opened again and isn't signed"),
        ),
    }
}

pub(super) fn part(view: &View, summary: &Summary) -> Part {
    let signed: Vec<Line> = view.signatures.iter().rev().map(signature).collect();
    let mut items = Vec::new();
    if !signed.is_empty() {
        items.push(Item::List(List {
            lines: signed,
            of: ("signature more", "signatures more"),
            hold: Hold::Usual,
        }));
    }
    let who = |role: Role, words: &str| {
        let name = (summary.crew.iter())
            .find(|m| m.roles.contains(&role))
            .map(|m| format!(", {}", m.name))
            .unwrap_or_default();
        format!("{words}{name}: name, day and hour")
    };
    items.push(Item::Hand(vec![
        who(Role::Lead, "crew lead"),
        "for the record: name, day and hour".to_owned(),
    ]));
    Part {
        heading: "Signatures",
        items,
    }
}

fn signature(s: &SignatureView) -> Line {
    let covers = match s.covers {
        Some(n) => format!("covers {}", counted(n, "record", "records")),
        None => "covers records that aren't all here".to_owned(),
    };
    let mut words = format!(
        "{}, {}, {covers}, digest {}",
        s.stamp.by,
        hour(s.stamp.corrected),
        short(&s.digest)
    );
    if !s.not_heard.is_empty() {
        words.push_str(&format!("; not heard: {}", s.not_heard.join(", ")));
    }
    if !s.arrived_after.is_empty() {
        words.push_str(&format!(
            "; {} came after it, {} accepted",
            counted(s.arrived_after.len(), "record", "records"),
            s.accepted.len()
        ));
    }
    if let Some(again) = &s.reopened {
        words.push_str(&format!("; opened again by {}", again.by));
    }
    Line::led(format!("version {}", s.version), words)
}
