//! Counting: every record once, voids and edits apart, taps that came late.

use gravelbar_reduce::summarize;
use gravelbar_visit::{
    Amend, ClockOffset, Escape, FieldValue, FlagKind, LengthType, PassClosed, PassOpened, Role,
    Undo, Void,
};

use crate::crew::{Crew, LEAD, Look, fish, measured, pass, plan, species, tag, tally};

#[test]
fn taps_undone_and_taps_made_apart_count_once_each() {
    let mut crew = Crew::new(&plan(), 2);
    let key = pass("main/1");
    let taps = crew.tell(
        0,
        "Hollis Fenn",
        "10:00",
        vec![tally(&key, "brook trout", 1); 3],
    );
    crew.tell(0, "Hollis Fenn", "10:01", vec![Undo { of: taps[2] }.into()]);
    crew.tell(
        1,
        "Sabine Quell",
        "10:00",
        vec![tally(&key, "brook trout", 2)],
    );
    let escape = Escape {
        pass: key.clone(),
        species: species("brook trout"),
        n: 1,
    };
    crew.tell(1, "Sabine Quell", "10:02", vec![escape.into()]);
    crew.meet();
    for device in &crew.devices {
        let summary = summarize(&device.view());
        assert_eq!(summary.tallied, 4);
        let line = &summary.pass("main/1").tally[0];
        assert_eq!((line.tallied, line.escaped), (4, 1));
        let by: Vec<(&str, u64)> = line.by.iter().map(|n| (n.by.as_str(), n.n)).collect();
        assert_eq!(by, [("Hollis Fenn", 2), ("Sabine Quell", 2)]);
    }
}

#[test]
fn a_fish_voided_here_and_edited_there_is_out_on_every_device() {
    let mut crew = Crew::new(&plan(), 2);
    let key = pass("main/1");
    let trout = crew.tell(0, LEAD, "10:40", vec![fish(&key, "brook trout").into(); 3]);
    crew.meet();
    let void = Void {
        of: trout[0],
        seen: Vec::new(),
    };
    let edit = Amend {
        of: vec![trout[0]],
        set: FieldValue::MassG(47.3),
        replaces: Vec::new(),
        scope: None,
    };
    crew.tell_why(0, LEAD, "10:45", "measured twice", vec![void.into()]);
    crew.tell_why(1, "Sabine Quell", "10:46", "weighed", vec![edit.into()]);
    crew.meet();
    let texts: Vec<String> = crew
        .devices
        .iter()
        .map(|d| summarize(&d.view()).to_json())
        .collect();
    assert_eq!(texts[0], texts[1]);
    let summary = crew.summary();
    assert_eq!(summary.of("brook trout").total, 2);
    assert_eq!(summary.of("brook trout").mass.weighed, 0);
    assert_eq!(summary.flagged(FlagKind::VoidedWhileEdited).len(), 1);
}

#[test]
fn two_lengths_of_one_fish_are_one_shown_and_one_flagged_everywhere() {
    let mut crew = Crew::new(&plan(), 2);
    let key = pass("main/1");
    let trout = crew.tell(
        0,
        LEAD,
        "10:40",
        vec![measured(&key, "brook trout", 170.0, None).into()],
    );
    crew.meet();
    for (device, mm) in [(0, 171.0), (1, 177.0)] {
        let edit = Amend {
            of: trout.clone(),
            set: FieldValue::LengthMm(mm),
            replaces: Vec::new(),
            scope: None,
        };
        crew.tell_why(device, LEAD, "10:50", "read again", vec![edit.into()]);
    }
    crew.meet();
    let shown: Vec<_> = (crew.devices.iter())
        .map(|d| summarize(&d.view()).of("brook trout").lengths.max_mm)
        .collect();
    assert_eq!(shown[0], shown[1]);
    assert!([Some(171.0), Some(177.0)].contains(&shown[0]));
    assert_eq!(crew.summary().flagged(FlagKind::Disagreement).len(), 1);
}

/// Hollis taps eleven trout for pass 1 between 11:24 and 11:39, out of reach of the lead who
/// closed it at 10:31; her clock runs `ahead_min` ahead, and the two devices have met before.
fn taps_after_close(ahead_min: i64) -> (Crew, Vec<gravelbar_visit::RecordId>) {
    let mut crew = Crew::new(&plan(), 2);
    crew.ahead_min[1] = ahead_min;
    crew.joins(0, LEAD, Role::Lead, "08:10");
    let offset = ClockOffset {
        tag: tag(1),
        offset_ms: ahead_min * 60_000,
        uncertainty_ms: 20,
    };
    let key = pass("main/1");
    let open = PassOpened { pass: key.clone() };
    crew.tell(0, LEAD, "09:42", vec![offset.into(), open.into()]);
    crew.tell(
        1,
        "Hollis Fenn",
        "10:00",
        vec![tally(&key, "brook trout", 1); 37],
    );
    crew.tell(
        0,
        LEAD,
        "10:31",
        vec![PassClosed { pass: key.clone() }.into()],
    );
    crew.tell(
        0,
        LEAD,
        "11:20",
        vec![
            PassOpened {
                pass: pass("main/2"),
            }
            .into(),
        ],
    );
    let mut late = Vec::new();
    for minute in [24, 25, 26, 27, 28, 30, 31, 33, 35, 38, 39] {
        let at = format!("11:{minute}");
        late.extend(crew.tell(1, "Hollis Fenn", &at, vec![tally(&key, "brook trout", 1)]));
    }
    crew.meet();
    (crew, late)
}

#[test]
fn taps_after_a_close_stay_are_named_and_move_together() {
    for ahead_min in [0, 7, -600] {
        let (mut crew, late) = taps_after_close(ahead_min);
        let summary = crew.summary();
        assert_eq!(summary.pass("main/1").tallied, 48);
        let words = summary.flagged(FlagKind::AfterClose);
        assert_eq!(words.len(), 1, "{words:?}");
        let said =
            "11 fish tapped by Hollis Fenn for pass main/1 after it was closed, 11:24 to 11:39";
        assert!(words[0].starts_with(said), "{words:?}");
        let flag = summary
            .flags
            .iter()
            .find(|f| f.kind == FlagKind::AfterClose)
            .unwrap();
        assert_eq!(flag.about, late);
        let moved = Amend {
            of: late,
            set: FieldValue::Pass(pass("main/2")),
            replaces: Vec::new(),
            scope: None,
        };
        crew.tell_why(0, LEAD, "11:45", "she hadn't heard", vec![moved.into()]);
        let summary = crew.summary();
        assert_eq!(
            (
                summary.pass("main/1").tallied,
                summary.pass("main/2").tallied
            ),
            (37, 11)
        );
        assert_eq!(summary.flagged(FlagKind::AfterClose), Vec::<&str>::new());
    }
}

#[test]
fn fish_without_a_name_and_lengths_of_two_kinds_are_asked_about() {
    let mut crew = Crew::new(&plan(), 1);
    let key = pass("main/1");
    let mut fork = measured(&key, "brook trout", 150.0, None);
    fork.length_type = Some(LengthType::Fork);
    crew.tell(
        0,
        LEAD,
        "10:40",
        vec![
            fish(&key, "unknown a").into(),
            crate::crew::batch(&key, "unknown a", 4).into(),
            measured(&key, "brook trout", 140.0, None).into(),
            measured(&key, "brook trout", 160.0, None).into(),
            fork.into(),
        ],
    );
    let summary = crew.summary();
    let words = summary.flagged(FlagKind::UnknownFish);
    assert!(
        words[0].starts_with("5 fish are recorded as “unknown a”"),
        "{words:?}"
    );
    let cautions = summary.flagged(FlagKind::Caution);
    assert!(
        cautions.iter().any(|c| c.contains("2 total, 1 fork")),
        "{cautions:?}"
    );
}
