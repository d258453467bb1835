//! Two crews made a record of one visit each: recognised, previewed, joined by one record, undone
//! by one, whatever meets whatever in whatever order.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{
    ActError, Amend, Channel, Counter, Fact, FieldValue, Fish, FlagKind, Join, JoinNames, Joined,
    LengthType, Note, Pack, PassClosed, PassKey, PassOpened, Plan, RecordId, Role, RoleTaken,
    SafetyState, SignState, Source, SpeciesName, Stop, Tally, Undo, Unjoin, View, Visit, Void,
    Writer,
};
use proptest::prelude::*;
use proptest::sample::Index;

use crate::crew::pair::{Pair, made_up, plans};
use crate::crew::{changes, person, text};

const PEOPLE: [&str; 3] = ["Mirelle Ashgrove", "Okto Brandt", "Hollis Fenn"];

fn trout() -> SpeciesName {
    SpeciesName::new("brook trout").unwrap()
}

fn tap(pass: PassKey, n: u32) -> Tally {
    Tally {
        pass,
        species: trout(),
        n,
        bucket: None,
    }
}

fn fish(pass: PassKey, mm: f64) -> Fish {
    Fish {
        pass,
        species: trout(),
        length_mm: Some(mm),
        length_type: Some(LengthType::Total),
        mass_g: None,
        marks: None,
        anomalies: None,
        fate: None,
        bucket: None,
    }
}

fn channel(name: &str) -> Channel {
    Channel::new(name).unwrap()
}

fn pass(text: &str) -> PassKey {
    text.parse().unwrap()
}

fn tapped(view: &View) -> u32 {
    let standing = view.tallies.iter().filter(|t| !t.out);
    standing.map(|t| t.n.value).sum()
}

fn by_pass(view: &View) -> BTreeMap<String, u32> {
    let mut counts = BTreeMap::new();
    for tap in view.tallies.iter().filter(|t| !t.out) {
        *counts.entry(tap.pass.value.to_string()).or_default() += tap.n.value;
    }
    counts
}

impl Pair {
    fn join(&mut self, device: usize, names: JoinNames) -> RecordId {
        let visit = self.id(1);
        let join = self.one(device, 0, Join { visit, names });
        self.bring(device);
        join
    }
}

/// The lead counts 3 in the first document, the operator 4 and a fish in the second; then they meet.
fn made_twice() -> Pair {
    let mut pair = Pair::with(&PEOPLE);
    for (device, visit) in [(0, 0), (1, 1)] {
        let person = person(PEOPLE[device]);
        let role = Role::Lead;
        pair.one(device, visit, RoleTaken { person, role });
        let pass = PassKey::main(1);
        pair.one(device, visit, PassOpened { pass });
    }
    pair.one(0, 0, tap(PassKey::main(1), 3));
    pair.one(1, 1, tap(PassKey::main(1), 4));
    pair.one(1, 1, fish(PassKey::main(1), 171.0));
    pair.meet_all();
    pair
}

#[test]
fn one_action_joins_and_every_record_counts_once_under_its_own_id() {
    let mut pair = made_twice();
    let before = [pair.view(0, 0), pair.view(0, 1)];
    pair.join(0, JoinNames::default());
    // Another device that holds both, and had joined them too, brings the same again.
    pair.join(1, JoinNames::default());
    pair.settle();
    for device in 0..3 {
        let view = pair.view(device, 0);
        assert_eq!(text(&view), text(&pair.view(0, 0)));
        assert_eq!(tapped(&view), 7);
        let ids: Vec<RecordId> = view.tallies.iter().map(|t| t.stamp.id).collect();
        let once: BTreeSet<RecordId> = ids.iter().copied().collect();
        let were = before.iter().flat_map(|v| &v.tallies).map(|t| t.stamp.id);
        assert_eq!((ids.len(), once), (2, were.collect()));
        assert_eq!(view.joined.len(), 1);
        assert_eq!(view.joined[0].visit, pair.id(1));
        assert_eq!(view.joined[0].joins.len(), 2);
        // The second document stays as it was.
        assert_eq!(text(&pair.view(device, 1)), text(&before[1]));
        // Old ids resolve, to the record and to its life.
        let there = before[1].fish[0].stamp.id;
        let visit = &pair.devices[device].visits[0];
        assert!(visit.entry(there).is_some());
        assert_eq!(visit.history(there).len(), 1);
    }
    // One pass of one name, opened twice, and said so.
    let view = pair.view(2, 0);
    assert_eq!(view.passes.len(), 1);
    assert!(
        view.flags
            .iter()
            .any(|f| f.kind == FlagKind::PassMarkedTwice)
    );
}

#[test]
fn two_channels_are_named_in_the_joining_and_stay_two() {
    let mut pair = made_twice();
    let names = JoinNames {
        here: BTreeMap::from([(Channel::main(), channel("left"))]),
        there: BTreeMap::from([(Channel::main(), channel("right"))]),
        passes: BTreeMap::new(),
    };
    let preview = pair.devices[2].visits[0].preview(&pair.devices[2].visits[1], &names);
    let shown: Vec<String> = preview.passes.iter().map(|p| p.pass.to_string()).collect();
    assert_eq!(shown, ["left/1", "right/1"]);
    assert!(
        !preview
            .passes
            .iter()
            .any(gravelbar_visit::PassPair::is_one_of_two)
    );
    pair.join(2, names);
    // A crew that hasn't heard goes on under the old name.
    pair.one(0, 0, tap(PassKey::main(1), 10));
    pair.one(1, 1, tap(PassKey::main(2), 20));
    pair.settle();
    let counts = by_pass(&pair.view(0, 0));
    let expected = [("left/1", 13), ("right/1", 4), ("right/2", 20)];
    assert_eq!(counts, expected.map(|(p, n)| (p.to_owned(), n)).into());
    assert!(
        pair.view(0, 0)
            .flags
            .iter()
            .all(|f| f.kind != FlagKind::PassMarkedTwice)
    );
}

#[test]
fn a_crew_that_went_on_above_joins_its_passes_as_later_ones() {
    let mut pair = made_twice();
    let names = JoinNames {
        passes: BTreeMap::from([(pass("main/1"), pass("main/2"))]),
        ..JoinNames::default()
    };
    pair.join(0, names);
    let expected = [("main/1", 3), ("main/2", 4)].map(|(p, n)| (p.to_owned(), n));
    assert_eq!(by_pass(&pair.view(0, 0)), expected.into());
}

#[test]
fn the_preview_shows_both_sides_and_what_would_be_in_conflict() {
    let mut pair = made_twice();
    let counter = |end_s| Counter {
        pass: PassKey::main(1),
        pack: Pack::new("L").unwrap(),
        start_s: 0.0,
        end_s,
        source: Source::Read,
        replaces: Vec::new(),
    };
    pair.one(0, 0, counter(1184.0));
    pair.one(1, 1, counter(1190.0));
    let shared = Joined {
        person: person("Sabine Quell"),
    };
    pair.one(0, 0, shared.clone());
    pair.one(1, 1, shared);
    pair.meet_all();
    // From whichever side it is asked.
    let visits = &pair.devices[2].visits;
    let preview = visits[1].preview(&visits[0], &JoinNames::default());
    assert_eq!(
        preview,
        visits[0].preview(&visits[1], &JoinNames::default())
    );
    assert_eq!(preview.into.document, pair.id(0));
    assert_eq!((preview.into.tallied, preview.from.tallied), (3, 4));
    assert_eq!((preview.tallied, preview.worked_up), (7, 1));
    assert_eq!(preview.people_in_both, [person("Sabine Quell")]);
    assert_eq!(
        preview.from.people,
        ["Okto Brandt", "Sabine Quell"].map(person)
    );
    let one = &preview.passes[0];
    assert!(one.is_one_of_two() && one.into[0].tallied == 3 && one.from[0].worked_up == 1);
    let kinds: BTreeSet<FlagKind> = preview.conflicts.iter().map(|f| f.kind).collect();
    let expected = [FlagKind::Disagreement, FlagKind::PassMarkedTwice];
    assert!(kinds.is_superset(&expected.into()), "{kinds:?}");
    // Nothing was written, and joining comes to what was shown.
    assert!(visits[0].joined().is_empty());
    pair.join(2, JoinNames::default());
    assert_eq!(tapped(&pair.view(2, 0)), 7);
}

/// A view without what a joining that was taken back leaves behind: the records that say so.
fn before_and_after(view: &View) -> String {
    let mut view = view.clone();
    view.heads.clear();
    view.joined.clear();
    view.records = 0;
    for device in &mut view.devices {
        device.records = 0;
        device.last = None;
    }
    text(&view)
}

#[test]
fn taken_back_both_read_as_before_and_joined_again_all_counts_again() {
    let mut pair = made_twice();
    let before = before_and_after(&pair.view(0, 0));
    let join = pair.join(0, JoinNames::default());
    let joined = pair.view(0, 0);
    let unjoin = Unjoin { joins: vec![join] };
    pair.one(0, 0, unjoin.clone());
    assert_eq!(before_and_after(&pair.view(0, 0)), before);
    assert!(!pair.view(0, 0).joined[0].stands());
    // What the second crew records meanwhile stays out; nobody brings it.
    pair.one(1, 1, tap(PassKey::main(1), 50));
    pair.settle();
    assert_eq!(before_and_after(&pair.view(2, 0)), before);

    pair.join(2, JoinNames::default());
    pair.settle();
    assert_eq!(tapped(&pair.view(1, 0)), tapped(&joined) + 50);
    // Taking back the first joining again says nothing of the second.
    pair.one(1, 0, unjoin);
    assert_eq!(tapped(&pair.view(1, 0)), 57);
}

#[test]
fn late_records_of_a_device_that_knew_of_nothing_arrive_after_the_signature() {
    let mut pair = made_twice();
    // A spare in a wader's pocket taps on in the second document and hears of nothing.
    let late = tap(PassKey::main(1), 9);
    pair.join(0, JoinNames::default());
    let signature = pair.devices[0].visits[0].signature(vec![]);
    let heads = signature.heads.clone();
    pair.one(0, 0, signature);
    assert!(matches!(
        pair.view(0, 0).sign_state,
        SignState::Signed { version: 1 }
    ));
    let covered = pair.view(0, 0).signatures[0].covers;
    let late = pair.one(2, 1, late);
    pair.settle();
    let view = pair.view(0, 0);
    assert_eq!(tapped(&view), 16);
    assert_eq!(view.signatures[0].arrived_after, [late]);
    assert_eq!(view.signatures[0].covers, covered);
    // The signed state stays readable as it was.
    let signed = pair.devices[1].visits[0].view_at(&heads).unwrap();
    assert_eq!((tapped(&signed), signed.joined.len()), (7, 1));
}

#[test]
fn a_signature_on_the_second_document_stays_readable_in_the_first() {
    let mut pair = made_twice();
    let signature = pair.devices[1].visits[1].signature(vec![]);
    let (heads, digest) = (signature.heads.clone(), signature.digest.clone());
    pair.one(1, 1, signature);
    pair.meet_all();
    pair.join(0, JoinNames::default());
    let view = pair.view(0, 0);
    assert_eq!(view.signatures.len(), 1);
    assert_eq!(view.signatures[0].digest, digest);
    assert_eq!(view.signatures[0].covers, Some(4));
    assert!(matches!(
        view.sign_state,
        SignState::ChangedAfter { version: 1, .. }
    ));
    let signed = pair.devices[0].visits[0].view_at(&heads).unwrap();
    assert_eq!((signed.document, tapped(&signed)), (pair.id(1), 4));
}

#[test]
fn records_here_name_records_there() {
    let mut pair = made_twice();
    pair.join(0, JoinNames::default());
    let there = pair.view(0, 1);
    let length = Amend {
        of: vec![there.fish[0].stamp.id],
        set: FieldValue::LengthMm(177.0),
        replaces: vec![],
        scope: None,
    };
    pair.one(0, 0, length);
    let undo = pair.one(
        0,
        0,
        Undo {
            of: there.tallies[0].stamp.id,
        },
    );
    let note = Note {
        text: "counted twice".to_owned(),
        pass: None,
        about: Some(undo),
    };
    pair.one(0, 0, note);
    pair.settle();
    let view = pair.view(2, 0);
    assert_eq!(view.fish[0].length_mm.as_ref().unwrap().value, 177.0);
    assert_eq!(tapped(&view), 3);
    assert!(view.flags.iter().all(|f| f.kind != FlagKind::NamesUnseen));
    // Whatever its author had seen stands before a record.
    let lamports: BTreeMap<RecordId, u64> = (pair.devices[2].visits[0].records().iter())
        .map(|s| (s.id, s.lamport))
        .collect();
    assert!(lamports[&undo] > lamports[&there.tallies[0].stamp.id]);
    // An undo of the undo puts it back.
    pair.one(1, 0, Undo { of: undo });
    assert_eq!(tapped(&pair.view(1, 0)), 7);
    // Who hasn't got the records names them in vain.
    let mut apart = made_twice();
    let of = apart.view(1, 1).tallies[0].stamp.id;
    let by = person(PEOPLE[0]);
    let refused = apart.act_as(0, 0, &by, vec![Void { of, seen: vec![] }.into()]);
    assert_eq!(refused.unwrap_err(), ActError::UnknownRecord(of));
}

#[test]
fn a_stop_of_either_stops_both_and_outlasts_the_joining() {
    let mut pair = made_twice();
    let stop = pair.one(1, 1, Stop {});
    pair.meet_all();
    let join = pair.join(0, JoinNames::default());
    let stopped = SafetyState::Stopped { stops: vec![stop] };
    assert_eq!(pair.view(0, 0).safety.state, stopped);
    pair.one(0, 0, Unjoin { joins: vec![join] });
    assert_eq!(pair.view(0, 0).safety.state, stopped);
    pair.one(0, 0, gravelbar_visit::Clear { stops: vec![stop] });
    assert!(!matches!(
        pair.view(0, 0).safety.state,
        SafetyState::Stopped { .. }
    ));
    // The other crew's own visit waits for its own lead.
    assert_eq!(pair.view(0, 1).safety.state, stopped);
}

#[test]
fn plans_that_differ_are_read_strictly_and_said() {
    let text = |site: &str, more: &str| {
        format!(
            r#"{{"version":1,"site":"{site}","place":"Quillet Brook","date":"2026-08-18","passes":3,{more}"nonce":"{site}"}}"#
        )
    };
    let one = text(
        "QB-03",
        r#""species":[{"name":"brook trout","permit":{"caught":20,"dead":2}}],"checklist":[{"item":"gloves","words":"gloves dry","each_person":true}],"water_limit_c":18.0,"#,
    );
    let other = text(
        "qb-03",
        r#""species":[{"name":"brook trout","permit":{"caught":30,"dead":1}},{"name":"slimy sculpin"}],"checklist":[{"item":"gloves","words":"gloves tested","each_person":true},{"item":"talk","words":"talk held","each_person":false}],"water_limit_c":17.0,"#,
    );
    let mut plans = [one, other].map(|text| Plan::from_about(&text).unwrap());
    plans.sort_by_key(Plan::document_id);
    let mut pair = Pair::of(plans, &PEOPLE);
    pair.join(0, JoinNames::default());
    let view = pair.view(0, 0);
    let permit = view.plan.species(&trout()).unwrap().permit.unwrap();
    assert_eq!((permit.caught, permit.dead), (20, 1));
    assert_eq!(view.plan.water_limit_c, Some(17.0));
    assert_eq!(view.plan.species.len(), 2);
    let words: BTreeSet<&str> = view
        .plan
        .checklist
        .iter()
        .map(|l| l.words.as_str())
        .collect();
    assert_eq!(
        words,
        BTreeSet::from(["gloves dry", "gloves tested", "talk held"])
    );
    assert!(
        view.flags
            .iter()
            .filter(|f| f.kind == FlagKind::PlansDiffer)
            .count()
            >= 4
    );
    // Each line is ticked for itself.
    let person = person(PEOPLE[0]);
    pair.one(
        0,
        0,
        Joined {
            person: person.clone(),
        },
    );
    for line in pair.view(0, 0).plan.checklist {
        assert!(pair.view(0, 0).safety.state != SafetyState::Ready);
        pair.one(
            0,
            0,
            gravelbar_visit::Tick {
                item: line.item,
                person: line.each_person.then(|| person.clone()),
                clears: vec![],
                round: vec![],
            },
        );
    }
    assert_eq!(pair.view(0, 0).safety.state, SafetyState::Ready);
}

#[test]
fn what_this_program_cannot_read_is_brought_byte_for_byte() {
    let mut pair = made_twice();
    let body = r#"{"at":"2026-08-18T09:00:00-04:00","by":"Okto Brandt","what":{"photo":{"sha256":"00","of":[1,2,3]}},"more":" as it came "}"#;
    let long = format!(
        r#"{{"at":"2026-08-18T09:00:00-04:00","by":"Okto Brandt","what":{{"safety_sketch":{{"lines":"{}"}}}}}}"#,
        "x".repeat(16_000)
    );
    let visit = &pair.devices[1].visits[1];
    let (mut ledger, _) = gravelbar_ledger::Ledger::restore(
        visit.about(),
        Writer::from_bytes([9; 16]),
        changes(visit),
    )
    .unwrap();
    let bodies = vec![body.to_owned(), long.clone(), long.clone(), long];
    let change = ledger.append(&bodies, 1_787_000_000).unwrap().change;
    // A change too long for one record.
    assert!(change.bytes.len() > 3 * 16_000);
    pair.devices[1].visits[1].receive(vec![change.bytes.to_vec()]);
    pair.meet_all();
    pair.join(2, JoinNames::default());
    let view = pair.view(2, 0);
    let newer = view
        .flags
        .iter()
        .filter(|f| f.kind == FlagKind::UnknownKind);
    assert_eq!(newer.count(), 4);
    assert!(
        matches!(&view.safety.state, SafetyState::NotReady { missing } if missing.iter().any(|m| m.contains("3 safety records")))
    );
    // The bytes come out as they went in.
    let mut brought: Vec<u8> = Vec::new();
    for record in pair.devices[2].visits[0].log() {
        brought.extend(record.bytes.iter());
    }
    let parcels = carried(&pair.devices[2].visits[0]);
    let whole: Vec<u8> = parcels.into_iter().flatten().collect();
    let part = change.bytes.to_vec();
    assert!(whole.windows(part.len()).any(|w| w == part));
}

/// All bytes that a document carries of others, in the order of its records.
fn carried(visit: &Visit) -> Vec<Vec<u8>> {
    let (ledger, _) = gravelbar_ledger::Ledger::restore(
        visit.about(),
        Writer::from_bytes([0; 16]),
        changes(visit),
    )
    .unwrap();
    let mut bytes = Vec::new();
    for record in ledger.records() {
        let entry: gravelbar_visit::Entry = serde_json::from_str(&record.body).unwrap();
        if let Fact::Brought(brought) = entry.what {
            bytes.extend(brought.changes.into_iter().map(|b| b.0));
            bytes.extend(brought.piece.map(|p| p.bytes.0));
        }
    }
    bytes
}

#[test]
fn joining_goes_one_way_and_a_joined_visit_of_a_joined_visit_works() {
    let plans = plans(3);
    let start =
        |n: usize, tag: u8| Visit::start(plans[n].clone(), Writer::from_bytes([tag; 16])).unwrap();
    let [mut a, mut b, mut c] = [start(0, 1), start(1, 2), start(2, 3)];
    let by = person(PEOPLE[0]);
    let at: chrono::DateTime<chrono::FixedOffset> = "2026-08-18T15:00:00-04:00".parse().unwrap();
    let one = |visit: &mut Visit, fact: Fact| {
        visit
            .record(&by, at, Some("as agreed"), vec![fact])
            .map(|w| w.records[0])
    };
    let join = |of: &Visit| Join {
        visit: of.id(),
        names: JoinNames::default(),
    };
    let tapped_there = one(&mut c, tap(PassKey::main(1), 100).into()).unwrap();
    one(&mut b, tap(PassKey::main(1), 10).into()).unwrap();
    one(&mut a, tap(PassKey::main(1), 1).into()).unwrap();
    let upward = ActError::JoinsUpward {
        into: a.id(),
        from: b.id(),
    };
    let refused = one(&mut b, join(&a).into());
    assert_eq!(refused.unwrap_err(), upward);
    one(&mut b, join(&c).into()).unwrap();
    b.bring(&c, &by, at).unwrap();
    assert_eq!(tapped(&b.view()), 110);
    one(&mut a, join(&b).into()).unwrap();
    a.bring(&b, &by, at).unwrap();
    let view = a.view();
    assert_eq!((tapped(&view), view.joined.len()), (111, 2));
    // And directly too: still once.
    one(&mut a, join(&c).into()).unwrap();
    a.bring(&c, &by, at).unwrap();
    assert_eq!(tapped(&a.view()), 111);
    // A record here reaches through two joinings.
    one(&mut a, Undo { of: tapped_there }.into()).unwrap();
    assert_eq!(tapped(&a.view()), 11);
    let again = one(&mut a, join(&b).into());
    assert_eq!(again.unwrap_err(), ActError::JoinedAlready(b.id()));
    let by_hand = gravelbar_visit::Brought {
        visit: b.id(),
        changes: vec![gravelbar_visit::Bytes(vec![1])],
        piece: None,
    };
    assert_eq!(
        one(&mut a, by_hand.into()).unwrap_err(),
        ActError::BroughtByHand
    );
}

#[test]
fn a_visit_planned_with_a_newer_program_stands_in_the_way_until_this_one_is_updated() {
    let about = r#"{"version":9,"site":"QB-03"}"#;
    let newer = gravelbar_ledger::Ledger::document_id(about);
    // Some plan with a lower id.
    let plan = (0..)
        .map(|n| made_up(&n.to_string()))
        .find(|p| p.document_id() < newer);
    let mut visit = Visit::start(plan.unwrap(), Writer::from_bytes([1; 16])).unwrap();
    let by = person(PEOPLE[0]);
    let at: chrono::DateTime<chrono::FixedOffset> = "2026-08-18T15:00:00-04:00".parse().unwrap();
    let join = Join {
        visit: newer,
        names: JoinNames::default(),
    };
    visit.record(&by, at, None, vec![join.into()]).unwrap();
    let waits = |view: &View| {
        view.flags
            .iter()
            .any(|f| f.words.contains("nothing has come yet"))
    };
    assert!(waits(&visit.view()));
    let entry = gravelbar_visit::Entry {
        at,
        by,
        why: None,
        what: gravelbar_visit::Brought {
            visit: newer,
            changes: vec![],
            piece: Some(gravelbar_visit::Piece {
                change: None,
                n: 1,
                of: 1,
                bytes: gravelbar_visit::Bytes(about.into()),
            }),
        }
        .into(),
    };
    let (mut ledger, _) = gravelbar_ledger::Ledger::restore(
        visit.about(),
        Writer::from_bytes([2; 16]),
        changes(&visit),
    )
    .unwrap();
    let body = serde_json::to_string(&entry).unwrap();
    let change = ledger.append(&[body], 1_787_000_000).unwrap().change;
    visit.receive(vec![change.bytes.to_vec()]);
    let view = visit.view();
    assert!(!waits(&view));
    assert!(
        view.flags.iter().any(|f| f.words.contains("newer program")),
        "{:?}",
        view.flags
    );
    assert!(matches!(view.safety.state, SafetyState::NotReady { .. }));
}

/// What someone does with the two documents.
#[derive(Debug, Clone)]
enum Op {
    Tap(usize, usize, u32),
    Fish(usize, usize, u32),
    Length(usize, usize, usize, u32),
    Undo(usize, usize, usize),
    Void(usize, usize, usize),
    Close(usize, usize, u8),
    Sign(usize, usize),
    Meet(usize, usize, usize),
    Restart(usize),
    Bring(usize),
    Join(usize, usize),
    Unjoin(usize),
}

fn ops() -> impl Strategy<Value = Vec<Op>> {
    let d = || 0..3_usize;
    let v = || 0..2_usize;
    let n = || 0..30_usize;
    let op = prop_oneof![
        6 => (d(), v(), 1..5_u32).prop_map(|(d, v, n)| Op::Tap(d, v, n)),
        3 => (d(), v(), 60..220_u32).prop_map(|(d, v, mm)| Op::Fish(d, v, mm)),
        2 => (d(), v(), n(), 60..220_u32).prop_map(|(d, v, n, mm)| Op::Length(d, v, n, mm)),
        2 => (d(), v(), n()).prop_map(|(d, v, n)| Op::Undo(d, v, n)),
        1 => (d(), v(), n()).prop_map(|(d, v, n)| Op::Void(d, v, n)),
        1 => (d(), v(), 1..3_u8).prop_map(|(d, v, n)| Op::Close(d, v, n)),
        1 => (d(), v()).prop_map(|(d, v)| Op::Sign(d, v)),
        4 => (d(), d(), v()).prop_map(|(a, b, v)| Op::Meet(a, b, v)),
        1 => d().prop_map(Op::Restart),
        3 => d().prop_map(Op::Bring),
        2 => (d(), 0..3_usize).prop_map(|(d, n)| Op::Join(d, n)),
        1 => d().prop_map(Op::Unjoin),
    ];
    proptest::collection::vec(op, 1..45)
}

fn names(which: usize) -> JoinNames {
    match which {
        0 => JoinNames::default(),
        1 => JoinNames {
            there: BTreeMap::from([(Channel::main(), channel("right"))]),
            ..JoinNames::default()
        },
        _ => JoinNames {
            here: BTreeMap::from([(Channel::main(), channel("left"))]),
            passes: BTreeMap::from([(pass("main/1"), pass("left/2"))]),
            ..JoinNames::default()
        },
    }
}

/// Plays it; taps with their numbers and undone or voided ones, by document, as the plainest
/// reader would have them who knows each document for itself.
fn play(ops: &[Op]) -> Pair {
    let mut pair = Pair::with(&PEOPLE);
    for op in ops {
        let known = |pair: &Pair, d: usize, v: usize, n: usize, kinds: &[&str]| {
            let records = pair.devices[d].visits[v].records().iter();
            let of_kind: Vec<RecordId> = records
                .filter(|s| kinds.contains(&s.entry.what.kind()))
                .map(|s| s.id)
                .collect();
            of_kind.get(n % of_kind.len().max(1)).copied()
        };
        match *op {
            Op::Tap(d, v, n) => drop(pair.one(d, v, tap(PassKey::main(1), n))),
            Op::Fish(d, v, mm) => drop(pair.one(d, v, fish(PassKey::main(1), f64::from(mm)))),
            Op::Length(d, v, n, mm) => {
                if let Some(of) = known(&pair, d, v, n, &["fish"]) {
                    let set = FieldValue::LengthMm(f64::from(mm));
                    let (of, replaces, scope) = (vec![of], vec![], None);
                    let amend = Amend {
                        of,
                        set,
                        replaces,
                        scope,
                    };
                    pair.one(d, v, amend);
                }
            }
            Op::Undo(d, v, n) => {
                if let Some(of) = known(&pair, d, v, n, &["tally", "undo"]) {
                    pair.one(d, v, Undo { of });
                }
            }
            Op::Void(d, v, n) => {
                if let Some(of) = known(&pair, d, v, n, &["fish", "tally", "amend"]) {
                    pair.one(d, v, Void { of, seen: vec![] });
                }
            }
            Op::Close(d, v, n) => {
                let pass = PassKey::main(n);
                pair.one(d, v, PassClosed { pass });
            }
            Op::Sign(d, v) => {
                let signature = pair.devices[d].visits[v].signature(vec![]);
                pair.one(d, v, signature);
            }
            Op::Meet(a, b, v) if a != b => pair.meet(a, b, v),
            Op::Meet(..) => {}
            Op::Restart(d) => pair.restart(d),
            Op::Bring(d) => drop(pair.bring(d)),
            Op::Join(d, n) => {
                let join = Join {
                    visit: pair.id(1),
                    names: names(n),
                };
                let by = pair.devices[d].holder.clone();
                match pair.act_as(d, 0, &by, vec![join.into()]) {
                    Ok(_) | Err(ActError::JoinedAlready(_)) => {}
                    Err(other) => assert!(other.to_string().is_empty(), "{other}"),
                }
            }
            Op::Unjoin(d) => {
                let joins: Vec<RecordId> = (pair.devices[d].visits[0].records().iter())
                    .filter(|s| matches!(s.entry.what, Fact::Join(_)))
                    .map(|s| s.id)
                    .collect();
                if !joins.is_empty() {
                    pair.one(d, 0, Unjoin { joins });
                }
            }
        }
    }
    pair
}

/// All that a device can be asked of a document, to the byte.
fn everything(visit: &Visit) -> String {
    let histories: Vec<String> = (visit.records().iter())
        .map(|s| serde_json::to_string(&visit.history(s.id)).unwrap())
        .collect();
    format!(
        "{:?}\n{}\n{}",
        visit.heads(),
        text(&visit.view()),
        histories.join("\n")
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn any_order_of_meeting_joining_and_bringing_comes_to_the_same(
        ops in ops(),
        swaps in proptest::collection::vec(any::<(Index, Index)>(), 40),
        last_join in proptest::option::of(0..3_usize),
    ) {
        let mut pair = play(&ops);
        if let Some(device) = last_join {
            let join = Join { visit: pair.id(1), names: names(0) };
            let by = pair.devices[device].holder.clone();
            pair.act_as(device, 0, &by, vec![join.into()]).ok();
        }
        pair.settle();
        let all = [0, 1].map(|v| everything(&pair.devices[0].visits[v]));
        for device in 1..3 {
            for (v, all) in all.iter().enumerate() {
                prop_assert_eq!(&everything(&pair.devices[device].visits[v]), all);
            }
        }

        // Every original counts once: joined, the records of both; apart, those of the first.
        let view = pair.view(0, 0);
        let stands = view.joined.iter().any(|j| j.stands());
        let of = |v: usize| -> BTreeSet<RecordId> {
            let log = pair.devices[0].visits[v].log().iter();
            log.flat_map(|change| change.record_ids().collect::<Vec<_>>()).collect()
        };
        let ids: Vec<RecordId> = pair.devices[0].visits[0].records().iter().map(|s| s.id).collect();
        let once: BTreeSet<RecordId> = ids.iter().copied().collect();
        prop_assert_eq!(ids.len(), once.len());
        let there: BTreeSet<RecordId> = once.intersection(&of(1)).copied().collect();
        prop_assert_eq!(there, if stands { of(1) } else { BTreeSet::new() });
        let own: BTreeSet<RecordId> = once.difference(&of(1)).copied().collect();
        prop_assert!(own.is_subset(&of(0)));

        // A device that gets the first document's changes in any order, some twice, in any
        // batches, says the same, without ever having held the second.
        let mut shuffled = changes(&pair.devices[0].visits[0]);
        let count = shuffled.len();
        if count > 0 {
            for (one, other) in swaps {
                shuffled.swap(one.index(count), other.index(count));
            }
        }
        let about = pair.devices[0].visits[0].about().to_owned();
        let spare = Writer::from_bytes([77; 16]);
        let (mut fresh, _) = Visit::restore(&about, spare, Vec::new()).unwrap();
        for _round in 0..count {
            for batch in shuffled.chunks(3) {
                let twice = batch.iter().chain(batch).cloned().collect();
                fresh.receive(twice);
            }
            if fresh.log().len() == count {
                break;
            }
        }
        prop_assert_eq!(&everything(&fresh), &all[0]);
        let (restored, _) = Visit::restore(&about, spare, changes(&fresh)).unwrap();
        prop_assert_eq!(&everything(&restored), &all[0]);
    }
}
