//! The written form is a promise: texts written by hand, one or more of each kind, are read and
//! written again to the byte by every later version.

use std::collections::BTreeSet;
use std::fs;
use std::path::PathBuf;

use gravelbar_book::{BOOK_VERSION, Entry, Founding, FoundingError, KINDS};
use gravelbar_visit::Plan;

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
        for line in read(&format!("{kind}.json")).lines() {
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
    let expected: BTreeSet<String> = kinds.chain(["founding.json".to_owned()]).collect();
    assert_eq!(names, expected);
}

#[test]
fn the_founding_is_read_and_written_as_it_was_and_names_the_same_document() {
    let text = read("founding.json");
    let founding = Founding::from_about(&text).unwrap();
    assert_eq!(founding.book, BOOK_VERSION);
    assert_eq!(founding.about(), text);
    // The first sixteen bytes of a SHA-256 over "gravelbar document 1", a zero byte and the text,
    // in base 32; computed with Python's hashlib from the file.
    assert_eq!(
        founding.document_id().to_string(),
        include_str!("../golden_founding_id.txt").trim_end()
    );
}

#[test]
fn a_book_and_a_visit_are_told_apart_by_their_subjects() {
    let plan =
        r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3}"#;
    assert!(!Founding::is_about(plan));
    assert!(Founding::is_about(&read("founding.json")));
    assert!(Plan::from_about(&read("founding.json")).is_err());
    assert!(Founding::from_about(plan).is_err());
}

#[test]
fn a_book_of_a_newer_program_is_refused_in_words_that_say_what_to_do() {
    let newer = read("founding.json").replace(r#""book":1"#, r#""book":2"#);
    let refused = Founding::from_about(&newer);
    assert_eq!(refused, Err(FoundingError::Newer(2)));
    assert!(
        refused
            .unwrap_err()
            .to_string()
            .contains("update this device")
    );
}

#[test]
fn a_founding_with_a_name_or_id_that_no_program_writes_is_refused() {
    let text = read("founding.json");
    for (from, to) in [
        ("Quillet crew", ""),
        ("Quillet crew", "Quillet  crew"),
        ("Quillet crew", "Quillet\\ncrew"),
        ("09090909", "090909"),
        ("0909", "090G"),
        ("0707", "07"),
    ] {
        let odd = text.replacen(from, to, 1);
        assert!(Founding::from_about(&odd).is_err(), "{odd}");
    }
}
