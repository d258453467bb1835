//! The passes: when, how long, how much current, what came out; then nets, output and late fish.

use gravelbar_reduce::{Closure, PackSetting, PassState, PassSummary, Summary, WorkUp};
use gravelbar_visit::PassKey;

use crate::model::{Column, Fold, Hold, Item, Kind, Line, List, Part, Rank, Row, Table};
use crate::words::{dash, fixed, hour, pass, passes};

pub(super) fn part(summary: &Summary) -> Part {
    if summary.passes.is_empty() {
        return Part {
            heading: "Passes",
            items: vec![Item::Line(Line::plain("no pass on record"))],
        };
    }
    let heads = [
        ("", Kind::Name),
        ("start", Kind::Figure),
        ("end", Kind::Figure),
        ("min", Kind::Figure),
        ("stopped", Kind::Figure),
        ("seconds", Kind::Figure),
        ("s/m²", Kind::Figure),
        ("worked up", Kind::Figure),
        ("netters", Kind::Figure),
        ("escaped", Kind::Figure),
        ("work-up", Kind::Words),
    ];
    let table = Table {
        columns: heads
            .map(|(head, kind)| Column {
                head: head.to_owned(),
                kind,
            })
            .into(),
        rows: summary.passes.iter().map(row).collect(),
        fold: Fold::Rows("pass more", "passes more"),
        cautions: Vec::new(),
    };
    let nets = alike(summary, |p| {
        let mark = match p.nets.closure {
            Closure::Closed => "",
            Closure::NotRecorded | Closure::Open => "▲",
        };
        vec![(mark, format!("nets: {}", p.nets.words))]
    });
    let output = alike(summary, |p| {
        (p.settings.iter())
            .map(|s| ("", format!("pack {}: {}", s.pack, output(s))))
            .collect()
    });
    let late = (summary.passes.iter())
        .flat_map(|p| p.with_reason.iter().map(move |w| (p, w)))
        .map(|(p, w)| {
            Line::led(
                pass(&p.pass),
                format!(
                    "{} fish recorded by {} with the reason: {}",
                    w.n, w.by, w.why
                ),
            )
        });
    Part {
        heading: "Passes",
        items: vec![
            Item::Table(table),
            lines(
                nets,
                Hold::Last,
                ("line on nets more", "lines on nets more"),
            ),
            lines(
                output,
                Hold::Usual,
                ("line on output more", "lines on output more"),
            ),
            lines(late.collect(), Hold::Usual, ("reason more", "reasons more")),
        ],
    }
}

fn lines(lines: Vec<Line>, hold: Hold, of: (&'static str, &'static str)) -> Item {
    Item::List(List { lines, of, hold })
}

fn row(p: &PassSummary) -> Row {
    let work_up = match (p.state, p.work_up) {
        (_, WorkUp::NotBegun) => "not begun",
        (_, WorkUp::Underway) => "under way",
        (PassState::Open, WorkUp::Done) => "pass still open",
        (PassState::NeverOpened, WorkUp::Done) => "done; pass never opened",
        (PassState::Closed, WorkUp::Done) => "done",
    };
    let mut work_up = work_up.to_owned();
    for label in &p.open_buckets {
        work_up.push_str(&format!(", bucket {label} not emptied"));
    }
    let stopped = if p.stopped_min > 0.0 {
        fixed(Some(p.stopped_min), 0)
    } else {
        dash()
    };
    let at = |mark: Option<&gravelbar_reduce::Mark>| mark.map_or_else(dash, |m| hour(m.at));
    Row {
        cells: vec![
            pass(&p.pass),
            at(p.opened.as_ref()),
            at(p.closed.as_ref()),
            fixed(p.clock_min, 0),
            stopped,
            fixed(p.effort.total_s, 0),
            fixed(p.effort.s_per_m2, 2),
            p.worked_up.to_string(),
            p.tallied.to_string(),
            p.escaped.to_string(),
            work_up,
        ],
        rank: Rank::Own(p.worked_up),
        cautions: Vec::new(),
    }
}

fn output(setting: &PackSetting) -> String {
    let mut said = (setting.at_start.as_ref())
        .map_or_else(|| "no output on record".to_owned(), |s| s.words.clone());
    for change in &setting.changes {
        said.push_str(&format!("; from {} {}", hour(change.at), change.words));
    }
    said
}

/// What is said of passes, once for all of which the same is said.
fn alike(
    summary: &Summary,
    say: impl Fn(&PassSummary) -> Vec<(&'static str, String)>,
) -> Vec<Line> {
    let mut said: Vec<((&'static str, String), Vec<&PassKey>)> = Vec::new();
    for p in &summary.passes {
        for words in say(p) {
            match said.iter_mut().find(|(known, _)| *known == words) {
                Some((_, keys)) => keys.push(&p.pass),
                None => said.push((words, vec![&p.pass])),
            }
        }
    }
    (said.into_iter())
        .map(|((mark, words), keys)| Line {
            mark,
            strong: passes(&keys),
            words,
        })
        .collect()
}
