//! The output: missing, or changed while catches are compared. And nets that didn't hold.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{Flag, FlagKind, Pack, RecordId};

use super::{Found, flag};
use crate::moment::hour;
use crate::nets::Closure;
use crate::setting::SettingLine;
use crate::span::PassState;

pub(super) fn flags(found: &Found<'_>, flags: &mut Vec<Flag>) {
    missing(found, flags);
    changed(found, flags);
    nets(found, flags);
}

fn missing(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for pass in found.passes {
        let fished = pass.state != PassState::NeverOpened || pass.effort.total_s.is_some();
        let unknown: Vec<&str> = (pass.settings.iter())
            .filter(|s| s.at_start.is_none())
            .map(|s| s.pack.as_str())
            .collect();
        let none = pass.settings.is_empty();
        if fished && (none || !unknown.is_empty()) {
            let pack = if none {
                String::new()
            } else {
                format!(" for pack {}", unknown.join(", "))
            };
            flags.push(flag(
                FlagKind::NoSetting,
                found.marks(&pass.pass),
                format!(
                    "pass {} began with no output on record{pack}: note volts, pulse rate and width now, while the dials still stand",
                    pass.pass
                ),
            ));
        }
    }
}

/// A change counts between the beginning of the first pass a pack fished and the end of the last.
fn changed(found: &Found<'_>, flags: &mut Vec<Flag>) {
    let mut last: BTreeMap<&Pack, &SettingLine> = BTreeMap::new();
    let mut said: BTreeSet<RecordId> = BTreeSet::new();
    let mut passes: Vec<_> = found.passes.iter().collect();
    let opened = |p: &&crate::pass::PassSummary| p.opened.as_ref().map(|o| o.at);
    passes.sort_by(|a, b| (opened(a), &a.pass).cmp(&(opened(b), &b.pass)));
    for pass in passes {
        for setting in &pass.settings {
            let lines = setting.at_start.iter().chain(&setting.changes);
            for (place, line) in lines.enumerate() {
                let before = last.insert(&setting.pack, line);
                let Some(before) = before.filter(|b| b.words != line.words) else {
                    continue;
                };
                if !said.insert(line.record) {
                    continue;
                }
                let during = place > 0 || setting.at_start.is_none();
                let when = if during { "during" } else { "before" };
                flags.push(flag(
                    FlagKind::SettingChanged,
                    vec![before.record, line.record],
                    format!(
                        "pack {} went from {} to {} at {}, {when} pass {}: catches on both sides of a change aren't alike; note why it was changed",
                        setting.pack,
                        before.words,
                        line.words,
                        hour(line.at),
                        pass.pass
                    ),
                ));
            }
        }
    }
}

fn nets(found: &Found<'_>, flags: &mut Vec<Flag>) {
    for pass in found
        .passes
        .iter()
        .filter(|p| p.nets.closure == Closure::Open)
    {
        let gaps = pass.nets.ends.iter().flat_map(|end| &end.gaps);
        let number = pass.pass.number;
        let counts = match number {
            0 | 1 => {
                "catches from this pass on may hold fish that came in, and lack fish that left"
            }
            2 => "passes from 2 on are not closed; the count of pass 1 stands",
            _ => "passes from here on are not closed; the passes before stand",
        };
        flags.push(flag(
            FlagKind::NetsOpen,
            gaps.map(|gap| gap.record).collect(),
            format!(
                "pass {}: {}: {counts}. Estimates are marked OPEN; reset the net, or fish the reach again as a new series",
                pass.pass, pass.nets.words
            ),
        ));
    }
}
