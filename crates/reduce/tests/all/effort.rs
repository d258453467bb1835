//! Energised seconds: missing, cumulative, unequal, more than the clock allows.

use gravelbar_visit::{Clear, FlagKind, Pack, PassClosed, PassOpened, Setting, Stop};

use crate::crew::{Crew, LEAD, Look, OPERATOR, TIMES, counter, pass, plan, setting};

/// Three passes whose counters read these starts and ends, s.
fn with_counters(readings: [Option<(f64, f64)>; 3]) -> gravelbar_reduce::Summary {
    let mut crew = Crew::at_the_brook(&plan());
    for (number, reading) in (1..).zip(readings) {
        let key = pass(&format!("main/{number}"));
        let (opened, closed, _) = TIMES[usize::from(key.number) - 1];
        crew.tell(
            0,
            LEAD,
            opened,
            vec![PassOpened { pass: key.clone() }.into()],
        );
        crew.tell(
            0,
            LEAD,
            closed,
            vec![PassClosed { pass: key.clone() }.into()],
        );
        if let Some((start, end)) = reading {
            crew.tell(0, OPERATOR, closed, vec![counter(&key, "1", start, end)]);
        }
    }
    crew.summary()
}

#[test]
fn a_counter_that_was_not_set_to_zero_is_offered_its_differences() {
    let summary = with_counters([
        Some((0.0, 1_184.0)),
        Some((0.0, 2_316.0)),
        Some((0.0, 3_414.0)),
    ]);
    let words = summary.flagged(FlagKind::PerhapsCumulative);
    assert_eq!(words.len(), 2, "{words:?}");
    assert!(
        words
            .iter()
            .any(|w| w.contains("pass main/2") && w.contains("1132 s?")),
        "{words:?}"
    );
    assert!(
        words
            .iter()
            .any(|w| w.contains("pass main/3") && w.contains("1098 s?")),
        "{words:?}"
    );
    // What was typed stays until a person corrects it.
    assert_eq!(summary.pass("main/2").effort.total_s, Some(2_316.0));
    // 3,414 s in 37 minutes can't be.
    let over = summary.flagged(FlagKind::EffortOverClock);
    assert_eq!(over.len(), 1);
    assert!(
        over[0].contains("3414 energised seconds in 2220 s on the clock"),
        "{over:?}"
    );
}

#[test]
fn like_passes_and_corrected_readings_are_left_alone() {
    for readings in [
        [(0.0, 1_184.0), (0.0, 1_132.0), (0.0, 1_098.0)],
        [(0.0, 1_184.0), (1_184.0, 2_316.0), (2_316.0, 3_414.0)],
        [(0.0, 1_100.0), (0.0, 1_150.0), (0.0, 1_200.0)],
    ] {
        let summary = with_counters(readings.map(Some));
        for kind in [
            FlagKind::PerhapsCumulative,
            FlagKind::EffortOverClock,
            FlagKind::UnequalEffort,
        ] {
            assert_eq!(summary.flagged(kind), Vec::<&str>::new(), "{readings:?}");
        }
    }
}

#[test]
fn a_tired_third_pass_is_named_with_its_share() {
    let summary = with_counters([
        Some((0.0, 1_184.0)),
        Some((0.0, 1_132.0)),
        Some((0.0, 734.0)),
    ]);
    // 734 of 1,184 is 62 %.
    let words = summary.flagged(FlagKind::UnequalEffort);
    assert!(
        words[0].starts_with("pass main/3 had 62 % of the effort of pass main/1"),
        "{words:?}"
    );
    assert_eq!(summary.pass("main/3").effort.share_of_first, Some(0.619932));
}

#[test]
fn a_closed_pass_without_seconds_is_asked_for_at_once() {
    let summary = with_counters([Some((0.0, 1_184.0)), None, Some((0.0, 1_098.0))]);
    let words = summary.flagged(FlagKind::NoEffort);
    assert_eq!(words.len(), 1);
    assert!(
        words[0].starts_with("pass main/2 is closed without energised seconds"),
        "{words:?}"
    );
    assert_eq!(summary.pass("main/2").effort.total_s, None);
}

#[test]
fn two_packs_abreast_add_up_and_each_has_its_line() {
    let mut crew = Crew::new(&plan(), 1);
    let key = pass("main/1");
    let packs = [("L", 3_410.0), ("R", 3_286.0)];
    for (pack, _) in packs {
        crew.tell(0, OPERATOR, "08:30", vec![setting(pack, 160.0).into()]);
    }
    crew.tell(
        0,
        LEAD,
        "09:00",
        vec![PassOpened { pass: key.clone() }.into()],
    );
    crew.tell(
        0,
        LEAD,
        "10:30",
        vec![PassClosed { pass: key.clone() }.into()],
    );
    for (pack, seconds) in packs {
        crew.tell(
            0,
            OPERATOR,
            "10:31",
            vec![counter(&key, pack, 0.0, seconds)],
        );
    }
    let summary = crew.summary();
    assert_eq!(summary.pass("main/1").effort.total_s, Some(6_696.0));
    // 5,400 s on the clock: two packs abreast may have more together, neither alone.
    assert_eq!(
        summary.flagged(FlagKind::EffortOverClock),
        Vec::<&str>::new()
    );
    assert!(
        summary
            .to_text()
            .contains("6696 energised s (L 3410, R 3286)")
    );
}

#[test]
fn a_pass_without_an_output_and_a_changed_output_are_told() {
    let mut crew = Crew::new(&plan(), 1);
    crew.fishes("main/1");
    let words = |crew: &Crew, kind| -> Vec<String> {
        crew.summary()
            .flagged(kind)
            .into_iter()
            .map(str::to_owned)
            .collect()
    };
    assert_eq!(words(&crew, FlagKind::NoSetting).len(), 1);

    let mut crew = Crew::at_the_brook(&plan());
    crew.fishes("main/1");
    crew.tell(0, OPERATOR, "10:50", vec![setting("1", 350.0).into()]);
    crew.fishes("main/2");
    assert_eq!(words(&crew, FlagKind::NoSetting), Vec::<String>::new());
    assert_eq!(
        words(&crew, FlagKind::SettingChanged),
        Vec::<String>::new(),
        "the same again"
    );
    crew.tell(0, OPERATOR, "12:40", vec![setting("1", 400.0).into()]);
    crew.fishes("main/3");
    let changed = words(&crew, FlagKind::SettingChanged);
    assert_eq!(changed.len(), 1, "{changed:?}");
    assert!(
        changed[0].contains("350 V") && changed[0].contains("400 V"),
        "{changed:?}"
    );
    assert!(
        changed[0].contains("at 12:40, before pass main/3"),
        "{changed:?}"
    );
    let during: Setting = Setting {
        pack: Pack::new("1").unwrap(),
        ..setting("1", 300.0)
    };
    let key = pass("main/4");
    crew.tell(
        0,
        LEAD,
        "14:10",
        vec![PassOpened { pass: key.clone() }.into()],
    );
    crew.tell(0, OPERATOR, "14:20", vec![during.into()]);
    let changed = words(&crew, FlagKind::SettingChanged);
    assert!(
        changed
            .iter()
            .any(|w| w.contains("at 14:20, during pass main/4")),
        "{changed:?}"
    );
    assert_eq!(crew.summary().pass("main/4").settings[0].changes.len(), 1);
}

#[test]
fn a_stop_inside_a_pass_is_taken_off_its_minutes_and_seconds_within_it_are_asked_about() {
    let mut crew = Crew::at_the_brook(&plan());
    let key = pass("main/2");
    crew.tell(
        0,
        LEAD,
        "11:20",
        vec![PassOpened { pass: key.clone() }.into()],
    );
    let stop = crew.tell_why(0, "Dov Kestrelow", "11:31", "thunder", vec![Stop {}.into()]);
    let second = crew.tell(0, "Hollis Fenn", "11:33", vec![Stop {}.into()]);
    let clear = Clear {
        stops: [stop, second].concat(),
    };
    crew.tell_why(0, LEAD, "11:51", "storm passed", vec![clear.into()]);
    crew.tell(
        0,
        LEAD,
        "12:02",
        vec![PassClosed { pass: key.clone() }.into()],
    );
    crew.tell(0, OPERATOR, "12:03", vec![counter(&key, "1", 0.0, 1_132.0)]);
    let summary = crew.summary();
    let stopped = summary.pass("main/2");
    assert_eq!((stopped.clock_min, stopped.stopped_min), (Some(42.0), 20.0));
    assert_eq!(stopped.stops.len(), 2);
    // 42 min less 20 leave 1,320 s for 1,132.
    let asked = |s: &gravelbar_reduce::Summary| {
        s.flagged(FlagKind::NotReady)
            .iter()
            .filter(|w| w.contains("outside stops"))
            .count()
    };
    assert_eq!(asked(&summary), 0);
    crew.tell(0, OPERATOR, "12:10", vec![counter(&key, "2", 0.0, 1_400.0)]);
    assert_eq!(asked(&crew.summary()), 1);
}
