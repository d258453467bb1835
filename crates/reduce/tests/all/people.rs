//! Checks, stops, clocks, devices out of reach, signatures.

use gravelbar_reduce::{PassState, summarize};
use gravelbar_visit::{
    CheckItem, ClockOffset, DeviceHeld, FlagKind, PassClosed, PassOpened, Plan, Role, SafetyState,
    SignState, Stop, Tick,
};

use crate::crew::{Crew, LEAD, Look, OPERATOR, counter, fish, name, pass, plan, series, tag};

fn with_checks() -> Plan {
    let line = |item: &str, words: &str, each_person| CheckItem {
        item: item.to_owned(),
        words: words.to_owned(),
        each_person,
    };
    Plan {
        checklist: vec![
            line("gloves", "insulated gloves on", true),
            line("radio", "radio tried", false),
        ],
        ..plan()
    }
}

fn tick(item: &str, person: Option<&str>) -> gravelbar_visit::Fact {
    Tick {
        item: item.to_owned(),
        person: person.map(name),
        clears: Vec::new(),
        round: Vec::new(),
    }
    .into()
}

fn two_people() -> Crew {
    let mut crew = Crew::new(&with_checks(), 1);
    crew.joins(0, LEAD, Role::Lead, "08:10");
    crew.joins(0, OPERATOR, Role::Operator, "08:10");
    crew
}

#[test]
fn a_missing_tick_names_the_person_and_seconds_without_it_are_flagged() {
    let mut crew = two_people();
    crew.tell(
        0,
        LEAD,
        "08:20",
        vec![tick("gloves", Some(LEAD)), tick("radio", None)],
    );
    crew.fishes("main/1");
    let summary = crew.summary();
    assert!(matches!(summary.safety.state, SafetyState::NotReady { .. }));
    assert_eq!(summary.safety.missing.len(), 1);
    assert_eq!(summary.safety.missing[0].people, [name(OPERATOR)]);
    let words = summary.flagged(FlagKind::NotReady);
    assert_eq!(words.len(), 1, "{words:?}");
    assert!(
        words[0].contains("pass main/1 was energised without: insulated gloves on (Okto Brandt)")
    );
    // Ticked after the pass began is still too late.
    crew.tell(0, OPERATOR, "10:00", vec![tick("gloves", Some(OPERATOR))]);
    let summary = crew.summary();
    assert_eq!(summary.safety.state, SafetyState::Ready);
    assert_eq!(summary.flagged(FlagKind::NotReady).len(), 1);
}

#[test]
fn a_crew_that_ticked_everything_first_is_left_alone() {
    let mut crew = two_people();
    crew.tell(
        0,
        LEAD,
        "08:20",
        vec![tick("gloves", Some(LEAD)), tick("radio", None)],
    );
    crew.tell(0, OPERATOR, "08:21", vec![tick("gloves", Some(OPERATOR))]);
    crew.fishes("main/1");
    assert_eq!(
        crew.summary().flagged(FlagKind::NotReady),
        Vec::<&str>::new()
    );
    // A stop later on, and the new round of ticks, don't reach back to a pass that began well.
    crew.tell(0, LEAD, "11:00", vec![Stop {}.into()]);
    let stopped = crew.summary();
    assert!(matches!(stopped.safety.state, SafetyState::Stopped { .. }));
    assert!(stopped.safety.stops[0].holds);
    let words: Vec<_> = stopped.flagged(FlagKind::NotReady);
    assert!(
        !words.iter().any(|w| w.contains("while a stop held")),
        "{words:?}"
    );
}

#[test]
fn a_pass_begun_and_energised_while_a_stop_holds_is_flagged() {
    let mut crew = Crew::at_the_brook(&plan());
    crew.tell_why(
        0,
        "Dov Kestrelow",
        "09:35",
        "dog in the water",
        vec![Stop {}.into()],
    );
    crew.fishes("main/1");
    let summary = crew.summary();
    let words = summary.flagged(FlagKind::NotReady);
    assert!(
        words.iter().any(|w| w.contains("while a stop held")),
        "{words:?}"
    );
    assert!(
        summary
            .to_text()
            .contains("stop 09:35 by Dov Kestrelow (dog in the water): HOLDS")
    );
}

/// Okto's clock runs `ahead_min` ahead, which both devices found out when they met.
fn clock_off(ahead_min: i64) -> Crew {
    let mut crew = Crew::new(&plan(), 2);
    crew.ahead_min[1] = ahead_min;
    crew.joins(0, LEAD, Role::Lead, "08:10");
    let offset = ClockOffset {
        tag: tag(1),
        offset_ms: ahead_min * 60_000,
        uncertainty_ms: 20,
    };
    let held = DeviceHeld {
        tag: tag(1),
        person: name(OPERATOR),
    };
    crew.tell(0, LEAD, "08:12", vec![offset.into(), held.into()]);
    crew.meet();
    let key = pass("main/1");
    crew.tell(
        1,
        OPERATOR,
        "09:40",
        vec![crate::crew::setting("1", 350.0).into()],
    );
    crew.tell(
        1,
        OPERATOR,
        "09:42",
        vec![PassOpened { pass: key.clone() }.into()],
    );
    crew.meet();
    crew.tell(
        0,
        LEAD,
        "10:31",
        vec![PassClosed { pass: key.clone() }.into()],
    );
    crew.meet();
    crew.tell(1, OPERATOR, "10:32", vec![counter(&key, "1", 0.0, 1_184.0)]);
    crew.meet();
    crew
}

#[test]
fn a_clock_minutes_or_years_off_changes_no_figure() {
    let right = clock_off(0).summary();
    for ahead_min in [7, -7, 10 * 365 * 24 * 60] {
        let summary = clock_off(ahead_min).summary();
        assert_eq!(summary.pass("main/1").clock_min, Some(49.0));
        assert_eq!(
            summary.pass("main/1").opened.as_ref().unwrap().at,
            right.pass("main/1").opened.as_ref().unwrap().at
        );
        assert_eq!(summary.flagged(FlagKind::NoSetting), Vec::<&str>::new());
        let words = summary.flagged(FlagKind::ClockOff);
        assert_eq!(words.len(), 1, "{words:?}");
    }
    let seven = clock_off(7).summary();
    assert!(seven.flagged(FlagKind::ClockOff)[0].contains("7 min 0 s ahead of"));
    assert_eq!(right.flagged(FlagKind::ClockOff), Vec::<&str>::new());
}

#[test]
fn a_device_silent_for_hours_is_named_and_a_signed_visit_keeps_late_records_apart() {
    let mut crew = clock_off(0);
    // The spare dies; the lead goes on until 14:55 and signs.
    crew.tell(
        0,
        LEAD,
        "14:50",
        vec![fish(&pass("main/1"), "brook trout").into()],
    );
    let words = crew.summary();
    let words = words.flagged(FlagKind::DeviceNotHeard);
    assert_eq!(words.len(), 1, "{words:?}");
    assert!(
        words[0].contains("Okto Brandt's device") && words[0].contains("of 10:32"),
        "{words:?}"
    );
    let signature = crew.devices[0].signature(vec!["Okto's".to_owned()]);
    let digest = signature.digest.clone();
    crew.tell(0, LEAD, "14:55", vec![signature.into()]);
    let signed = crew.summary();
    assert_eq!(signed.header.sign, SignState::Signed { version: 1 });
    assert_eq!(signed.header.signed.as_ref().unwrap().digest, digest);
    assert!(
        signed
            .flagged(FlagKind::DeviceNotHeard)
            .iter()
            .any(|w| w.contains("without having heard Okto's"))
    );
    let late = crew.tell(
        1,
        OPERATOR,
        "11:00",
        vec![fish(&pass("main/1"), "brook trout").into()],
    );
    crew.meet();
    let changed = crew.summary();
    let flag = changed
        .flags
        .iter()
        .find(|f| f.kind == FlagKind::AfterSignature)
        .unwrap();
    assert_eq!(flag.about, late);
    assert!(
        flag.words
            .starts_with("1 record came after version 1 was signed"),
        "{}",
        flag.words
    );
    // The signed state can still be reckoned, and its digest is the one on the sheet.
    let version_1 = summarize(&crew.devices[0].view_at(&signed_heads(&crew)).unwrap());
    assert_eq!(version_1.header.digest, digest);
    assert_eq!((version_1.worked_up, changed.worked_up), (1, 2));
}

fn signed_heads(crew: &Crew) -> Vec<String> {
    let records = crew.devices[0].records();
    let signature = records.iter().find_map(|s| match &s.entry.what {
        gravelbar_visit::Fact::Signature(signature) => Some(signature.heads.clone()),
        _ => None,
    });
    signature.unwrap()
}

#[test]
fn a_pass_opened_again_is_open_and_two_people_make_one_pass() {
    let mut crew = Crew::new(&plan(), 2);
    let open = || {
        PassOpened {
            pass: pass("main/2"),
        }
        .into()
    };
    crew.tell(0, LEAD, "11:20", vec![open()]);
    crew.tell(1, OPERATOR, "11:22", vec![open()]);
    crew.meet();
    let summary = crew.summary();
    assert_eq!(summary.passes.len(), 1);
    let mark = summary.pass("main/2").opened.clone().unwrap();
    assert_eq!((mark.at, mark.marks), (crate::crew::hour("11:20"), 2));
    assert_eq!(summary.flagged(FlagKind::PassMarkedTwice).len(), 1);
    let close = || {
        PassClosed {
            pass: pass("main/2"),
        }
        .into()
    };
    crew.tell(0, LEAD, "12:02", vec![close()]);
    assert_eq!(crew.summary().pass("main/2").state, PassState::Closed);
    crew.tell(0, LEAD, "12:04", vec![open()]);
    let again = crew.summary();
    assert_eq!(
        (again.pass("main/2").state, again.pass("main/2").clock_min),
        (PassState::Open, None)
    );
    crew.tell(0, LEAD, "12:10", vec![close()]);
    assert_eq!(crew.summary().pass("main/2").clock_min, Some(50.0));
}

#[test]
fn fish_of_a_pass_nobody_opened_count_and_are_asked_about() {
    let mut crew = Crew::new(&plan(), 1);
    crew.works_up("main/1", "brook trout", 3);
    let summary = crew.summary();
    assert_eq!(summary.pass("main/1").state, PassState::NeverOpened);
    assert_eq!(summary.worked_up, 3);
    assert_eq!(summary.flagged(FlagKind::Caution).len(), 1);
    assert_eq!(
        series("brook trout", &[3]).flagged(FlagKind::Caution),
        Vec::<&str>::new()
    );
}
