//! Records no honest program writes: whatever a member's device sends in, reading goes on, ends,
//! and says what is odd.

use std::collections::BTreeMap;

use chrono::{DateTime, FixedOffset};
use gravelbar_ledger::Ledger;
use gravelbar_visit::{
    Entry, Fact, FieldValue, Flag, FlagKind, RecordId, SafetyState, Session, View, Visit, Writer,
};
use proptest::prelude::*;
use proptest::test_runner::Config;

use crate::crew::{Crew, plan, text};

/// Who and when, before the kind and its fields.
fn body(what: &str) -> String {
    format!(
        r#"{{"at":"2026-08-18T10:00:00-04:00","by":"Hollis Fenn","why":"because","what":{what}}}"#
    )
}

/// A visit that another program's device has filled with these bodies.
fn filled(bodies: &[String]) -> Visit {
    filled_by(bodies, |_| 1)
}

/// [`filled`] by several runs of the program, none of which sees the others.
fn filled_by(bodies: &[String], run: impl Fn(usize) -> u8) -> Visit {
    let plan = plan();
    let mut by_run: BTreeMap<u8, Vec<String>> = BTreeMap::new();
    for (place, body) in bodies.iter().enumerate() {
        by_run.entry(run(place)).or_default().push(body.clone());
    }
    let mut changes = Vec::new();
    for (run, bodies) in by_run {
        let mut writer = Writer::from_bytes([9; 16]);
        writer.session = Session([run; 8]);
        let mut ledger = Ledger::create(&plan.about(), writer).unwrap();
        for bodies in bodies.chunks(3) {
            let appended = ledger.append(bodies, 1_787_000_000).unwrap();
            changes.push(appended.change.bytes.to_vec());
        }
    }
    let mut visit = Visit::start(plan, Writer::from_bytes([1; 16])).unwrap();
    let received = visit.receive(changes);
    assert!(received.refused.is_empty() && received.waiting.is_empty());
    visit
}

/// The `n`th record of the first run, counted from one.
fn id(run: u8, n: usize) -> RecordId {
    let mut writer = Writer::from_bytes([9; 16]);
    writer.session = Session([run; 8]);
    RecordId {
        writer,
        n: u32::try_from(n).unwrap(),
    }
}

fn flags(view: &View, kind: FlagKind) -> Vec<&Flag> {
    view.flags.iter().filter(|flag| flag.kind == kind).collect()
}

/// Reads everything there is to read.
fn read_all(visit: &Visit) -> View {
    let view = visit.view();
    assert_eq!(text(&view), text(&visit.view()));
    for seen in visit.records().iter().take(50) {
        assert!(!visit.history(seen.id).is_empty());
    }
    view
}

#[test]
fn texts_that_are_no_records_are_kept_flagged_and_stand_in_the_way() {
    let deep = format!("{}1{}", "[".repeat(8_000), "]".repeat(8_000));
    let bodies: Vec<String> = [
        "{",
        "null",
        "7",
        "\"stop\"",
        "[]",
        "{}",
        r#"{"what":null}"#,
        r#"{"what":"stop"}"#,
        r#"{"what":{}}"#,
        r#"{"at":1,"by":2,"what":3}"#,
        "\u{0}",
        "\u{feff}{}",
        &deep,
        &format!(r#"{{"what":{{"note":{}}}}}"#, "{\"a\":".repeat(2_000)),
        &body(r#"{"tally":{"pass":"main/1","species":"brook trout","n":4294967296}}"#),
        &body(r#"{"tally":{"pass":"main/1","species":"brook trout","n":-1}}"#),
        &body(r#"{"tally":{"pass":"main/256","species":"brook trout","n":1}}"#),
        &body(r#"{"fish":{"pass":"main/1","species":"brook trout","length_mm":1e999}}"#),
        &body(r#"{"fish":{"pass":"main/1","species":"brook trout","length_mm":"NaN"}}"#),
        &body(r#"{"undo":{"of":"the last one"}}"#),
        r#"{"at":"2026-02-30T10:00:00-04:00","by":"Hollis Fenn","what":{"stop":{}}}"#,
        r#"{"at":"2026-08-18T10:00:00-04:00","by":"Hollis Fenn","what":{"stop":{}},"what":{"note":{"text":"x"}}}"#,
    ]
    .map(str::to_owned)
    .to_vec();
    let visit = filled(&bodies);
    let view = read_all(&visit);
    assert_eq!(view.records, bodies.len());
    assert!(visit.records().is_empty());
    assert_eq!(
        flags(&view, FlagKind::Unreadable).len() + flags(&view, FlagKind::UnknownKind).len(),
        bodies.len()
    );
    assert!(matches!(view.safety.state, SafetyState::Stopped { .. }));
    // The texts are carried on as they came.
    let log: Vec<u8> = (visit.log().iter())
        .flat_map(|change| change.bytes.to_vec())
        .collect();
    for body in &bodies {
        assert!(log.windows(body.len()).any(|part| part == body.as_bytes()));
    }
}

#[test]
fn a_kind_of_a_newer_program_is_named_and_kept() {
    let visit = filled(&[body(r#"{"drone_picture":{"sha256":"00"}}"#)]);
    let view = read_all(&visit);
    let flag = flags(&view, FlagKind::UnknownKind);
    assert_eq!(flag.len(), 1);
    assert!(flag[0].words.contains("drone_picture"));
    // It says nothing about safety in its name, so it stands in nobody's way.
    assert!(view.safety.unplaced.is_empty() && view.safety.round.is_empty());
}

#[test]
fn a_spoilt_text_can_be_looked_at_and_cleared_by_the_lead() {
    let mut crew = Crew::joined(&["Mirelle Ashgrove"]);
    let spoilt = crew.forge(0, &["{".to_owned()])[0];
    assert_eq!(crew.view(0).safety.unplaced, [spoilt]);
    let clear = gravelbar_visit::Clear {
        stops: vec![spoilt],
    };
    crew.act(0, Some("a slip of the old phone"), vec![clear.into()])
        .unwrap();
    assert!(crew.view(0).safety.unplaced.is_empty());
}

#[test]
fn numbers_and_names_no_honest_program_writes_are_flagged_and_counted() {
    let bodies = [
        body(r#"{"tally":{"pass":"main/1","species":"brook trout","n":0}}"#),
        body(r#"{"tally":{"pass":"main/1","species":"brook trout","n":4294967295}}"#),
        body(r#"{"tally":{"pass":"main/1","species":"  Brook  Trout ","n":1}}"#),
        body(r#"{"fish":{"pass":"main/1","species":"","length_mm":1e308,"mass_g":-1e308}}"#),
        body(
            r#"{"counter":{"pass":"main/1","pack":"L","start_s":1e308,"end_s":-1e308,"source":"read"}}"#,
        ),
        body(r#"{"reach_length":{"channel":"main\u0000","length_m":-5.0}}"#),
        body(&format!(
            r#"{{"joined":{{"person":"{}"}}}}"#,
            "x".repeat(9_000)
        )),
        body(r#"{"joined":{"person":"Hollis\u2028Fenn"}}"#),
        body(r#"{"note":{"text":""}}"#),
        body(r#"{"signature":{"heads":[],"digest":""}}"#),
        body(r#"{"device":{"tag":"0g40r40m30e20","key":"none","name":"\u0007"}}"#),
        body(
            r#"{"clock_offset":{"tag":"0g40r40m30e20","offset_ms":-9223372036854775808,"uncertainty_ms":-1}}"#,
        ),
    ];
    let visit = filled(&bodies);
    assert_eq!(visit.records().len(), bodies.len());
    let view = read_all(&visit);
    for seen in visit.records() {
        let flagged = view
            .flags
            .iter()
            .any(|f| f.kind == FlagKind::OddValue && f.about.contains(&seen.id));
        assert!(flagged, "{seen:?}");
    }
    assert_eq!(view.tallies.len(), 3);
}

#[test]
fn clocks_at_the_ends_of_time_break_nothing() {
    let offset = |ms: i64, tag: &str| {
        body(&format!(
            r#"{{"clock_offset":{{"tag":"{tag}","offset_ms":{ms},"uncertainty_ms":9223372036854775807}}}}"#
        ))
    };
    let tag = Writer::from_bytes([9; 16]).device.to_string();
    let mut bodies = Vec::new();
    for ms in [i64::MAX, i64::MIN, i64::MAX / 2] {
        bodies.push(offset(ms, "0g40r40m30e20"));
        bodies.push(offset(ms, &tag));
        for at in [
            "0000-01-01T00:00:00+23:59",
            "9999-12-31T23:59:59-23:59",
            "+262142-12-31T23:59:59-23:59",
            "-262143-01-01T00:00:00+23:59",
            "+262142-12-31T23:59:59.999999999Z",
            "2016-12-31T23:59:60Z",
        ] {
            bodies.push(format!(
                r#"{{"at":"{at}","by":"Hollis Fenn","what":{{"death":{{"pass":"main/1","species":"brook trout","n":1,"stage":"net"}}}}}}"#
            ));
        }
    }
    let visit = filled_by(&bodies, |place| u8::try_from(place % 3).unwrap());
    let view = read_all(&visit);
    assert_eq!(view.records, bodies.len());
}

#[test]
fn names_of_oneself_of_the_future_and_of_nobody_have_no_effect() {
    let (me, next, nobody) = (id(1, 1), id(1, 2), id(200, 7));
    for of in [me, next, nobody] {
        let bodies = [
            body(&format!(r#"{{"undo":{{"of":"{of}"}}}}"#)),
            body(r#"{"tally":{"pass":"main/1","species":"brook trout","n":1}}"#),
        ];
        let view = read_all(&filled(&bodies));
        assert!(!view.tallies[0].out);
        assert_eq!(flags(&view, FlagKind::NamesUnseen).len(), 1);
    }
}

#[test]
fn a_record_named_before_it_could_be_seen_is_untouched() {
    // Run 1 guesses the name of run 2's next record, which stands lower in the order.
    let fish = body(r#"{"fish":{"pass":"main/1","species":"brook trout"}}"#);
    let note = body(r#"{"note":{"text":"waiting"}}"#);
    let target = id(2, 1);
    let guesses = [
        format!(r#"{{"void":{{"of":"{target}"}}}}"#),
        format!(r#"{{"amend":{{"of":["{target}"],"set":{{"species":"brown trout"}}}}}}"#),
    ];
    let mut bodies = vec![note.clone(), note];
    bodies.extend(guesses.iter().map(|g| body(g)));
    bodies.push(fish);
    let visit = filled_by(&bodies, |place| if place == 4 { 2 } else { 1 });
    let lamports: Vec<u64> = visit.records().iter().map(|s| s.lamport).collect();
    let (fish, last) = (
        visit.records().iter().find(|s| s.id == target).unwrap(),
        lamports.last(),
    );
    assert!(
        Some(&fish.lamport) < last,
        "the guess stands after the fish"
    );
    let view = read_all(&visit);
    assert!(!view.fish[0].voided);
    assert_eq!(view.fish[0].species.value.as_str(), "brook trout");
    assert_eq!(flags(&view, FlagKind::NamesUnseen).len(), 2);
    assert_eq!(visit.history(target).len(), 1);
}

#[test]
fn acts_on_records_of_another_kind_have_no_effect_and_are_flagged() {
    let stop = id(1, 1);
    let tally = id(1, 2);
    let bodies = [
        body(r#"{"stop":{}}"#),
        body(r#"{"tally":{"pass":"main/1","species":"brook trout","n":1}}"#),
        body(&format!(r#"{{"void":{{"of":"{stop}"}}}}"#)),
        body(&format!(r#"{{"undo":{{"of":"{stop}"}}}}"#)),
        body(&format!(
            r#"{{"amend":{{"of":["{tally}"],"set":{{"mass_g":5.0}}}}}}"#
        )),
        body(&format!(r#"{{"restore":{{"voids":["{tally}"]}}}}"#)),
        body(&format!(
            r#"{{"same_thing":{{"records":["{stop}","{tally}"]}}}}"#
        )),
        body(&format!(r#"{{"reopen":{{"signature":"{tally}"}}}}"#)),
        body(&format!(r#"{{"clear":{{"stops":["{stop}"]}}}}"#)),
        body(r#"{"left":{"person":"Mirelle Ashgrove"}}"#),
    ];
    let view = read_all(&filled(&bodies));
    assert!(view.safety.stops[0].holds);
    assert!(!view.tallies[0].out);
    let odd = flags(&view, FlagKind::NoEffect);
    for n in [3, 4, 5, 6, 7, 10] {
        assert!(odd.iter().any(|f| f.about[0] == id(1, n)), "record {n}");
    }
    assert_eq!(flags(&view, FlagKind::ClearWithoutRole).len(), 1);
}

/// Many records of each kind that could make reading slow, some by runs that don't see each
/// other. Each set is read within what a test run allows; that they end is the point.
fn floods(count: usize) -> Vec<(&'static str, Vec<String>, u8)> {
    let trout = r#"{"fish":{"pass":"main/1","species":"brook trout","length_mm":100.0,"length_type":"total"}}"#;
    let first = id(0, 1);
    let repeat = |text: &str| -> Vec<String> { vec![body(text); count] };
    let with = |start: &[&str], more: &mut dyn FnMut(usize) -> String| -> Vec<String> {
        let start = start.iter().map(|text| body(text));
        start.chain((0..count).map(|n| body(&more(n)))).collect()
    };
    vec![
        (
            "amendments of one field",
            with(&[trout], &mut |n| {
                format!(
                    r#"{{"amend":{{"of":["{first}"],"set":{{"length_mm":{}.5}}}}}}"#,
                    n % 500 + 1
                )
            }),
            1,
        ),
        (
            "amendments that each replace hundreds",
            with(&[trout], &mut |n| {
                let from = n.saturating_sub(100).max(1) + 1;
                let named: Vec<String> =
                    (from..n + 1).map(|n| format!("\"{}\"", id(0, n))).collect();
                format!(
                    r#"{{"amend":{{"of":["{first}"],"set":{{"length_mm":{n}.5}},"replaces":[{}]}}}}"#,
                    named.join(",")
                )
            }),
            1,
        ),
        (
            "renames of a whole pass that miss fish",
            with(&[], &mut |n| match n % 2 {
                0 => trout.to_owned(),
                _ => format!(
                    r#"{{"amend":{{"of":["{first}"],"set":{{"species":"char"}},"scope":{{"pass":"main/1"}}}}}}"#
                ),
            }),
            8,
        ),
        (
            "voids of one fish",
            with(&[trout], &mut |_| {
                format!(r#"{{"void":{{"of":"{first}"}}}}"#)
            }),
            1,
        ),
        (
            "undos of undos",
            with(
                &[r#"{"tally":{"pass":"main/1","species":"brook trout","n":1}}"#],
                &mut |n| format!(r#"{{"undo":{{"of":"{}"}}}}"#, id(0, n + 1)),
            ),
            1,
        ),
        (
            "one pass opened again and again",
            repeat(r#"{"pass_opened":{"pass":"main/1"}}"#),
            8,
        ),
        (
            "dead fish",
            repeat(r#"{"death":{"pass":"main/1","species":"brook trout","n":1,"stage":"net"}}"#),
            8,
        ),
        (
            "one death joined with the next",
            with(&[], &mut |n| match n % 2 {
                0 => r#"{"death":{"pass":"main/1","species":"brook trout","n":1,"stage":"net"}}"#
                    .to_owned(),
                _ => format!(
                    r#"{{"same_thing":{{"records":["{}","{}"]}}}}"#,
                    id(0, n),
                    id(0, n.saturating_sub(2).max(1))
                ),
            }),
            1,
        ),
        (
            "counter readings",
            with(&[], &mut |n| {
                format!(
                    r#"{{"counter":{{"pass":"main/1","pack":"L","start_s":0.0,"end_s":{n}.0,"source":"read"}}}}"#
                )
            }),
            8,
        ),
        (
            "roles taken, given up and used",
            with(&[r#"{"stop":{}}"#], &mut |n| match n % 3 {
                0 => r#"{"role_taken":{"person":"Hollis Fenn","role":"lead"}}"#.to_owned(),
                1 => r#"{"role_left":{"person":"Hollis Fenn","role":"lead"}}"#.to_owned(),
                _ => format!(r#"{{"clear":{{"stops":["{first}"]}}}}"#),
            }),
            2,
        ),
        ("stops", repeat(r#"{"stop":{}}"#), 8),
        (
            "ticks and objections",
            with(&[], &mut |n| match n % 2 {
                0 => r#"{"untick":{"item":"gloves","person":"Hollis Fenn"}}"#.to_owned(),
                _ => r#"{"tick":{"item":"gloves","person":"Hollis Fenn"}}"#.to_owned(),
            }),
            8,
        ),
        (
            "people joining and leaving",
            with(&[], &mut |n| match n % 2 {
                0 => format!(r#"{{"joined":{{"person":"Person {n}"}}}}"#),
                _ => format!(r#"{{"left":{{"person":"Person {}","seen":[]}}}}"#, n - 1),
            }),
            4,
        ),
        (
            "signatures among taps",
            with(&[], &mut |n| match n % 2 {
                0 => r#"{"tally":{"pass":"main/1","species":"brook trout","n":1}}"#.to_owned(),
                _ => r#"{"signature":{"heads":[],"digest":""}}"#.to_owned(),
            }),
            4,
        ),
        (
            "names of nobody",
            with(&[], &mut |_| {
                let named: Vec<String> = (1..300).map(|n| format!("\"{}\"", id(77, n))).collect();
                format!(r#"{{"energiser_off":{{"stops":[{}]}}}}"#, named.join(","))
            }),
            1,
        ),
    ]
}

#[test]
fn ten_thousand_amendments_of_one_field_are_read_and_told() {
    let (_, bodies, _) = floods(10_000).swap_remove(0);
    let visit = filled(
        &bodies
            .iter()
            .map(|b| b.replace(&id(0, 1).to_string(), &id(1, 1).to_string()))
            .collect::<Vec<_>>(),
    );
    let view = visit.view();
    let length = view.fish[0].length_mm.clone().unwrap();
    // 10,000 amendments of 500 values: all but those of the value that counts stand beside it.
    assert_eq!(length.rivals.len(), 10_000 - 20);
    assert_eq!(flags(&view, FlagKind::Disagreement)[0].about.len(), 10_001);
    assert_eq!(visit.history(id(1, 1)).len(), 10_001);
}

#[test]
fn floods_of_records_that_name_each_other_are_read() {
    for (what, bodies, runs) in floods(600) {
        let visit = filled_by(&bodies, |place| {
            u8::try_from(place % usize::from(runs)).unwrap()
        });
        let view = read_all(&visit);
        assert_eq!(view.records, bodies.len(), "{what}");
        // Words don't grow with the square of the records.
        assert!(
            view.flags.len() <= 3 * bodies.len(),
            "{what}: {} flags",
            view.flags.len()
        );
        let words: usize = view
            .flags
            .iter()
            .map(|f| f.words.len() + 40 * f.about.len())
            .sum();
        assert!(
            words < 4_000 * bodies.len(),
            "{what}: {words} bytes of flags"
        );
    }
}

/// Text that is almost a record.
fn almost() -> impl Strategy<Value = String> {
    let golden: Vec<String> = gravelbar_visit::KINDS
        .iter()
        .flat_map(|kind| {
            let path = format!("{}/tests/golden/{kind}.json", env!("CARGO_MANIFEST_DIR"));
            let text = std::fs::read_to_string(path).unwrap();
            text.lines().map(str::to_owned).collect::<Vec<_>>()
        })
        .collect();
    (
        proptest::sample::select(golden),
        proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 0..4),
        0..7_u8,
        0..40_usize,
    )
        .prop_map(|(text, changes, how, n)| {
            let number = [
                "-1",
                "0",
                "1e308",
                "-0.0",
                "4294967295",
                "18446744073709551616",
                "null",
            ];
            let mut text =
                text.replace("0g40r40m30e20.41061050r3gg2.17", &id(1, n + 1).to_string());
            if how == 6 {
                // One number becomes another.
                if let Some(place) = text.rfind(|c: char| c.is_ascii_digit()) {
                    let start = text[..place]
                        .rfind(|c: char| !c.is_ascii_digit())
                        .map_or(0, |p| p + 1);
                    text.replace_range(start..=place, number[n % number.len()]);
                }
            }
            let mut bytes = text.into_bytes();
            if how < 3 {
                for (place, byte) in changes {
                    let place = place.index(bytes.len());
                    bytes[place] = byte;
                }
            }
            String::from_utf8_lossy(&bytes).into_owned()
        })
}

proptest! {
    #![proptest_config(Config { cases: 120, ..Config::default() })]

    #[test]
    fn no_text_stops_the_reading(bodies in proptest::collection::vec(almost(), 1..40), runs in 1..4_u8) {
        let visit = filled_by(&bodies, |place| u8::try_from(place).unwrap() % runs + 1);
        let view = read_all(&visit);
        // Only what carries another visit's changes, and says nothing of its own, isn't counted.
        let carries = |body: &&String| serde_json::from_str::<Entry>(body).is_ok_and(|e| matches!(e.what, Fact::Brought(_)));
        prop_assert_eq!(view.records, bodies.len() - bodies.iter().filter(carries).count());
        // What is read says the same when written and read again.
        for seen in visit.records() {
            let text = serde_json::to_string(&seen.entry).unwrap();
            let again: Entry = serde_json::from_str(&text).unwrap();
            prop_assert_eq!(&again, &seen.entry);
        }
    }
}

#[test]
fn a_time_stays_in_words_whatever_its_offset() {
    let at: DateTime<FixedOffset> = "2026-08-18T10:00:00+14:00".parse().unwrap();
    let entry: Entry = serde_json::from_str(
        &body(r#"{"stop":{}}"#).replace("2026-08-18T10:00:00-04:00", "2026-08-18T10:00:00+14:00"),
    )
    .unwrap();
    assert_eq!(entry.at, at);
    assert!(serde_json::to_string(&entry).unwrap().contains("+14:00"));
    assert_eq!(FieldValue::N(1).name().words(), "count");
}
