//! Limits at, just below and just above them.

use gravelbar_ledger::{
    AboutError, AppendError, Ledger, MAX_ABOUT_BYTES, MAX_BODY_BYTES, MAX_CHANGE_BYTES, MAX_DEPS,
    MAX_RECORDS_PER_CHANGE,
};

use crate::craft::{DAY_S, add, hand_over, ledger, writer};

#[test]
fn about_is_one_byte_to_16_kib() {
    assert_eq!(
        Ledger::create("", writer(1, 1)).err(),
        Some(AboutError::Empty)
    );
    let longest = "o".repeat(MAX_ABOUT_BYTES);
    let mut full = Ledger::create(&longest, writer(1, 1)).unwrap();
    full.append(&["one".to_owned()], DAY_S).unwrap();
    full.verify().unwrap();
    let bytes = MAX_ABOUT_BYTES + 1;
    assert_eq!(
        Ledger::create(&"o".repeat(bytes), writer(1, 1)).err(),
        Some(AboutError::TooLong { bytes })
    );
}

#[test]
fn a_body_is_one_byte_to_16_kib() {
    let mut ours = ledger(1, 1);
    let longest = "b".repeat(MAX_BODY_BYTES);
    ours.append(std::slice::from_ref(&longest), DAY_S).unwrap();
    ours.append(&["\u{1f41f}".to_owned()], DAY_S).unwrap();
    let before = ours.heads();
    for bytes in [0, MAX_BODY_BYTES + 1] {
        let refused = ours.append(&["b".repeat(bytes)], DAY_S);
        assert_eq!(refused.err(), Some(AppendError::BodyLength { bytes }));
    }
    assert_eq!(ours.heads(), before);
    let mut away = ledger(2, 1);
    assert_eq!(hand_over(&ours, &mut away).applied.len(), 2);
    assert_eq!(&*away.records().next().unwrap().body, longest);
}

#[test]
fn one_act_holds_one_to_256_records() {
    let mut ours = ledger(1, 1);
    let acts = |records: usize| vec!["r".to_owned(); records];
    ours.append(&acts(MAX_RECORDS_PER_CHANGE), DAY_S).unwrap();
    for records in [0, MAX_RECORDS_PER_CHANGE + 1] {
        let refused = ours.append(&acts(records), DAY_S);
        assert_eq!(refused.err(), Some(AppendError::RecordCount { records }));
    }
    assert_eq!(ours.records().len(), MAX_RECORDS_PER_CHANGE);
}

#[test]
fn one_act_takes_at_most_64_kib() {
    let mut ours = ledger(1, 1);
    let fits = vec!["x".repeat(MAX_BODY_BYTES); 3];
    ours.append(&fits, DAY_S).unwrap();
    let before = (ours.heads(), ours.records().len());
    let refused = ours.append(&vec!["x".repeat(MAX_BODY_BYTES); 4], DAY_S);
    assert!(
        matches!(refused, Err(AppendError::TooLong { bytes }) if bytes > MAX_CHANGE_BYTES),
        "{refused:?}"
    );
    assert_eq!((ours.heads(), ours.records().len()), before);
    let next = ours.append(&["next".to_owned()], DAY_S).unwrap();
    assert_eq!(next.records[0].n, 4);
}

#[test]
fn clocks_decades_off_are_taken_as_they_are() {
    let mut ours = ledger(1, 1);
    let readings = [-62_135_596_800, -1, 0, i64::from(u32::MAX), 253_402_300_799];
    for time_s in readings.iter().chain(readings.iter().rev()) {
        ours.append(&["tap".to_owned()], *time_s).unwrap();
    }
    for time_s in [i64::MIN, -62_135_596_801, 253_402_300_800, i64::MAX] {
        let refused = ours.append(&["tap".to_owned()], time_s);
        assert_eq!(refused.err(), Some(AppendError::Clock { time_s }));
    }
    ours.verify().unwrap();
    let mut away = ledger(2, 1);
    hand_over(&ours, &mut away);
    assert_eq!(away.heads(), ours.heads());
    assert_eq!(away.records().nth(1).unwrap().time_s, -1);
}

/// More devices than one change may name have each written something unseen by the others.
#[test]
fn more_heads_than_a_change_may_name_are_gathered_over_the_next_changes() {
    let mut ours = ledger(0, 1);
    for device in 1..=150 {
        let mut other = ledger(device, 1);
        for n in 0..=device % 5 {
            add(&mut other, &format!("{device} {n}"));
        }
        hand_over(&other, &mut ours);
    }
    assert_eq!(ours.heads().len(), 150);
    for heads in [87, 24, 1] {
        let appended = ours.append(&["here".to_owned()], DAY_S).unwrap();
        assert!(appended.change.deps.len() <= MAX_DEPS);
        assert_eq!(ours.heads().len(), heads);
    }
    ours.verify().unwrap();
    let mut away = ledger(200, 1);
    hand_over(&ours, &mut away);
    assert_eq!(away.save(), ours.save());
}

#[test]
fn missing_keeps_to_its_limits_and_still_gets_there() {
    let mut ours = ledger(1, 1);
    let mut away = ledger(2, 1);
    for n in 0..40 {
        add(&mut ours, &format!("{n}"));
    }
    let size = ours.log()[5].bytes.len();
    assert_eq!(ours.missing(away.vector(), 7, usize::MAX).len(), 7);
    assert_eq!(ours.missing(away.vector(), 0, 0).len(), 1);
    assert!(ours.missing(away.vector(), 40, size * 4).len() <= 4);
    let mut rounds = 0;
    while away.heads() != ours.heads() {
        let news = ours.missing(away.vector(), 7, size * 5);
        let received = away.receive(crate::craft::bytes_of(&news));
        assert_eq!(received.applied.len(), news.len());
        rounds += 1;
        assert!(rounds <= 40);
    }
    assert!(ours.missing(away.vector(), 7, usize::MAX).is_empty());

    // Someone who claims to have more than there is lacks nothing.
    let boast = [(writer(1, 1), u64::MAX), (writer(77, 1), 5)].into();
    assert!(ours.missing(&boast, 7, usize::MAX).is_empty());
}
