//! The records' written form is a promise: texts written by hand, one of each kind, are read and
//! written again to the byte by every later version.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;

use gravelbar_visit::{Entry, KINDS, PLAN_VERSION, Plan};

fn golden() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden")
}

fn read(name: &str) -> String {
    let text = fs::read_to_string(golden().join(name)).unwrap();
    text.trim_end().to_owned()
}

#[test]
fn every_kind_of_record_is_read_and_written_as_it_was() {
    for kind in KINDS {
        let text = read(&format!("{kind}.json"));
        for line in text.lines() {
            let entry: Entry = serde_json::from_str(line).unwrap();
            assert_eq!(entry.what.kind(), *kind);
            assert_eq!(serde_json::to_string(&entry).unwrap(), line);
            assert_eq!(entry.check(), Ok(()), "{line}");
        }
    }
}

#[test]
fn no_golden_text_is_left_over() {
    let names: BTreeSet<String> = fs::read_dir(golden())
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect();
    let kinds = KINDS.iter().map(|kind| format!("{kind}.json"));
    let expected: BTreeSet<String> = kinds.chain(["plan.json".to_owned()]).collect();
    assert_eq!(names, expected);
}

#[test]
fn the_plan_is_read_and_written_as_it_was_and_names_the_same_document() {
    let text = read("plan.json");
    let plan = Plan::from_about(&text).unwrap();
    assert_eq!(plan.version, PLAN_VERSION);
    assert_eq!(plan.about(), text);
    // The first sixteen bytes of a SHA-256 over "gravelbar document 1", a zero byte and the text,
    // in base 32; computed with Python's hashlib from the file.
    assert_eq!(
        plan.document_id().to_string(),
        include_str!("../golden_plan_id.txt").trim_end()
    );
}

#[test]
fn fields_a_plan_gained_later_are_kept_and_leave_plans_without_them_alone() {
    let text = r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","purpose":"","passes":3,"species":[{"name":"blacknose dace","measure_first":25}],"checklist":[],"water_limit_c":18.0,"target_relative_half_width":0.25,"known_good":{"peak_v":260.0,"ambient_us_cm":115.0},"limit_profiles":["quillet_brook_demo"],"last_catch_share":0.1,"nonce":"f3a1"}"#;
    let plan = Plan::from_about(text).unwrap();
    assert_eq!(plan.about(), text);
    let without = Plan {
        water_limit_c: None,
        target_relative_half_width: None,
        last_catch_share: None,
        known_good: None,
        limit_profiles: Vec::new(),
        ..plan
    };
    let old = r#","checklist":[],"nonce":"f3a1"}"#;
    assert!(without.about().ends_with(old), "{}", without.about());
}

#[test]
fn limits_no_water_or_unit_can_meet_are_refused_with_the_field_named() {
    let plan = |more: &str| {
        let text =
            r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3"#;
        Plan::from_about(&format!("{text},{more}}}")).map(|_| ())
    };
    for (more, field) in [
        (r#""water_limit_c":-1"#, "water temperature limit"),
        (r#""water_limit_c":180"#, "water temperature limit"),
        (r#""target_relative_half_width":25"#, "target half-width"),
        (r#""target_relative_half_width":0"#, "target half-width"),
        (r#""last_catch_share":-0.1"#, "share of the first catch"),
        (r#""last_catch_share":10"#, "share of the first catch"),
        (
            r#""known_good":{"peak_v":0,"ambient_us_cm":115}"#,
            "output known to be good",
        ),
        (r#""limit_profiles":[" "]"#, "limit profiles"),
        (
            r#""species":[{"name":"blacknose dace","measure_first":0}]"#,
            "rule of whom to measure",
        ),
    ] {
        let said = plan(more).unwrap_err().to_string();
        assert!(said.contains(field), "{more}: {said}");
    }
    assert_eq!(plan(r#""water_limit_c":18"#), Ok(()));
}

#[test]
fn a_field_of_a_newer_program_is_passed_over_and_its_text_stays() {
    let newer = r#"{"at":"2026-08-18T10:02:11-04:00","by":"Hollis Fenn","mood":"wet","what":{"tally":{"pass":"main/1","species":"brook trout","n":1,"bucket":"1B","side":"left"}}}"#;
    let entry: Entry = serde_json::from_str(newer).unwrap();
    assert_eq!(entry.what.kind(), "tally");

    let mut crew = crate::crew::Crew::with(&crate::crew::plan(), &["Hollis Fenn"]);
    crew.forge(0, &[newer.to_owned()]);
    assert_eq!(crew.view(0).tallies.len(), 1);
    // The change carries the whole text on to others.
    let bytes = &crew.devices[0].visit.log()[0].bytes;
    let text = newer.as_bytes();
    assert!(bytes.windows(text.len()).any(|part| part == text));
}

#[test]
fn format_md_describes_every_kind() {
    let text =
        fs::read_to_string(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("FORMAT.md")).unwrap();
    for kind in KINDS {
        assert!(
            text.contains(&format!("`{kind}`")),
            "{kind} isn't described"
        );
    }
}
