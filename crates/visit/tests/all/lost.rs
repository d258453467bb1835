//! A device is lost: what it recorded after the cut counts for nothing, stands in the way where it
//! can, and waits for the lead.

use std::collections::BTreeSet;

use gravelbar_visit::{
    AcceptHeld, ActError, Device, DeviceHeld, DeviceLost, Entry, Fact, FlagKind, LastAccepted,
    PassClosed, PassKey, PassOpened, RecordId, Role, RoleTaken, SpeciesName, Stop, Tally, Untick,
    View, Writer,
};
use proptest::prelude::*;

use crate::crew::{Crew, person, text};
use crate::naive::laxer;
use crate::safety::{Op, PEOPLE, Story, ops};

fn tap(n: u32) -> Fact {
    Tally {
        pass: PassKey::main(2),
        species: SpeciesName::new("brook trout").unwrap(),
        n,
        bucket: None,
    }
    .into()
}

fn tapped(view: &View) -> u32 {
    let standing = view.tallies.iter().filter(|t| !t.out);
    standing.map(|t| t.n.value).sum()
}

/// The lead's device and a netter's, in pass 2, in touch.
fn in_pass_two() -> Crew {
    let mut crew = Crew::joined(&PEOPLE[..2]);
    let tag = crew.devices[1].tag;
    let listed = Device {
        tag,
        key: "ab".repeat(32),
        name: "Netter 2".to_owned(),
    };
    let held = DeviceHeld {
        tag,
        person: person(PEOPLE[1]),
    };
    crew.act(1, None, vec![listed.into(), held.into()]).unwrap();
    let pass = PassKey::main(2);
    crew.one(0, PassOpened { pass });
    crew.meet_all();
    crew
}

fn lost(crew: &Crew, device: usize) -> DeviceLost {
    DeviceLost {
        tag: crew.devices[device].tag,
        revoked: false,
        runs: Vec::new(),
    }
}

fn run_of(id: RecordId) -> Writer {
    id.writer
}

#[test]
fn a_device_lost_in_an_open_pass_is_named_with_what_is_missing() {
    let mut crew = in_pass_two();
    let last = crew.act(1, None, vec![tap(3)]).unwrap().records[0];
    crew.meet_all();
    crew.one(0, lost(&crew, 1));
    let view = crew.view(0);
    assert_eq!(tapped(&view), 3);
    let lost = &view.lost[0];
    assert_eq!(lost.open_passes, [PassKey::main(2)]);
    assert_eq!(lost.last.as_ref().unwrap().id, last);
    assert!(lost.leaves_a_gap() && lost.held.is_empty());
    let flags: Vec<&str> = (view.flags.iter())
        .filter(|f| f.kind == FlagKind::DeviceLost)
        .map(|f| f.words.as_str())
        .collect();
    let end = format!("its records after number {} are missing", last.n);
    assert_eq!(flags.len(), 1);
    assert!(
        flags[0].contains("“Netter 2” is lost: last heard"),
        "{flags:?}"
    );
    assert!(
        flags[0].contains("pass main/2 open") && flags[0].ends_with(&end),
        "{flags:?}"
    );

    // Signing over the gap takes a written reason.
    let signature = crew.devices[0].visit.signature(vec![]);
    let refused = crew.act(0, None, vec![signature.clone().into()]);
    assert_eq!(refused.unwrap_err(), ActError::SignsOverGap);
    crew.act(0, Some("Netter 2 lies in the pool"), vec![signature.into()])
        .unwrap();
}

#[test]
fn a_device_lost_after_its_pass_was_closed_leaves_no_gap_unless_it_made_more_than_anyone_has() {
    let mut crew = in_pass_two();
    let pass = PassKey::main(2);
    let last = crew.one(1, PassClosed { pass });
    crew.meet_all();
    crew.one(0, lost(&crew, 1));
    assert!(!crew.view(0).lost[0].leaves_a_gap());
    let known = DeviceLost {
        runs: vec![LastAccepted {
            run: run_of(last),
            last: last.n,
            made: Some(last.n + 3),
        }],
        ..lost(&crew, 1)
    };
    crew.one(0, known);
    let lost = &crew.view(0).lost[0];
    assert_eq!((lost.missing, lost.leaves_a_gap()), (3, true));
}

#[test]
fn what_a_lost_device_recorded_later_waits_and_the_lead_accepts_it_up_to_a_number() {
    let mut crew = in_pass_two();
    crew.act(1, None, vec![tap(3)]).unwrap();
    crew.meet_all();
    let mark = crew.one(0, lost(&crew, 1));
    let late: Vec<RecordId> = [1, 10, 100]
        .map(|n| crew.act(1, None, vec![tap(n)]).unwrap().records[0])
        .to_vec();
    let view = crew.everywhere();
    assert_eq!(tapped(&view), 3);
    assert_eq!(view.lost[0].held, late);
    // All are shown, with their authors.
    assert_eq!(view.tallies.len(), 4);

    let accept = |last: RecordId| AcceptHeld {
        lost: vec![mark],
        run: run_of(last),
        last: last.n,
    };
    let by = person(PEOPLE[1]);
    let refused = crew.act_as(1, &by, Some("mine"), vec![accept(late[1]).into()]);
    assert_eq!(refused.unwrap_err(), ActError::NotEntitledToCut(by));
    crew.one(0, accept(late[1]));
    let view = crew.everywhere();
    assert_eq!(tapped(&view), 14);
    assert_eq!(view.lost[0].held, [late[2]]);
    // A later cut holds on until it is named too: the strictest counts.
    let again = DeviceLost {
        runs: vec![LastAccepted {
            run: run_of(late[0]),
            last: late[0].n,
            made: None,
        }],
        ..lost(&crew, 1)
    };
    crew.one(0, again);
    assert_eq!(tapped(&crew.everywhere()), 4);
}

#[test]
fn a_stop_and_an_objection_of_a_lost_device_count_its_clears_and_roles_do_not() {
    let mut crew = in_pass_two();
    crew.one(0, lost(&crew, 1));
    let person = person(PEOPLE[1]);
    let role = Role::Lead;
    crew.one(1, RoleTaken { person, role });
    let stop = crew.one(1, Stop {});
    let item = "first_aid".to_owned();
    let untick = crew.one(1, Untick { item, person: None });
    crew.one(1, gravelbar_visit::Clear { stops: vec![stop] });
    let view = crew.everywhere();
    assert!(
        view.safety
            .stops
            .iter()
            .all(|s| s.holds && s.stamp.id == stop)
    );
    let open = view.safety.items.iter().flat_map(|i| &i.objections);
    assert_eq!(open.map(|(s, _)| s.id).collect::<Vec<_>>(), [untick]);
    let me = view.people.iter().find(|p| p.name.as_str() == PEOPLE[1]);
    assert_eq!(me.unwrap().roles, []);
}

#[test]
fn nobody_but_a_lead_cuts_a_device_off() {
    let mut crew = in_pass_two();
    crew.act(0, None, vec![tap(5)]).unwrap();
    crew.meet_all();
    let by = person(PEOPLE[1]);
    let cut = DeviceLost {
        tag: crew.devices[0].tag,
        revoked: true,
        runs: Vec::new(),
    };
    let refused = crew.act_as(1, &by, Some("mine now"), vec![cut.clone().into()]);
    assert_eq!(refused.unwrap_err(), ActError::NotEntitledToCut(by.clone()));
    let entry = Entry {
        at: crew.now,
        by,
        why: Some("mine now".to_owned()),
        what: cut.into(),
    };
    crew.forge(1, &[serde_json::to_string(&entry).unwrap()]);
    let view = crew.everywhere();
    assert_eq!((tapped(&view), view.lost.len()), (5, 0));
    assert!(view.flags.iter().any(|f| f.kind == FlagKind::NoEffect));
}

/// Cuts a device off on one device, as a lead or as a program that doesn't ask, and says how the
/// reading there became laxer.
fn cut(story: &mut Story, on: usize, by: usize, tag: usize, at: Option<u32>) -> Option<String> {
    let before = story.reading(on);
    let tag = story.crew.devices[tag].tag;
    let runs: BTreeSet<Writer> = (story.crew.devices[on].visit.records().iter())
        .map(|s| s.id.writer)
        .filter(|w| w.device == tag)
        .collect();
    let last = |run| {
        let last = at?;
        let made = None;
        Some(LastAccepted { run, last, made })
    };
    let entry = Entry {
        at: story.crew.now,
        by: person(PEOPLE[by]),
        why: Some("not seen since".to_owned()),
        what: DeviceLost {
            tag,
            revoked: false,
            runs: runs.into_iter().filter_map(last).collect(),
        }
        .into(),
    };
    story
        .crew
        .forge(on, &[serde_json::to_string(&entry).unwrap()]);
    laxer(&before, &story.reading(on))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn a_cut_only_ever_makes_the_answer_more_cautious(
        ops in ops(),
        cuts in proptest::collection::vec((0..3_usize, 0..4_usize, 0..3_usize, proptest::option::of(0..6_u32)), 1..4),
    ) {
        let mut story = Story::run([1, 2, 3], [0, 0, 0], &ops).map_err(TestCaseError::fail)?;
        for (on, by, tag, at) in cuts {
            if let Some(how) = cut(&mut story, on, by, tag, at) {
                return Err(TestCaseError::fail(how));
            }
        }
        // And everyone who hears of the cuts, in whatever order, says the same.
        story.crew.meet_all();
        let all = text(&story.crew.view(0));
        for device in 1..3 {
            prop_assert_eq!(&text(&story.crew.view(device)), &all);
            story.crew.restart(device);
            prop_assert_eq!(&text(&story.crew.view(device)), &all);
        }
    }
}

#[test]
fn cuts_do_change_readings_or_the_law_would_say_little() {
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut changed = 0;
    for _ in 0..120 {
        let ops: Vec<Op> = ops().new_tree(&mut runner).unwrap().current();
        let mut story = Story::run([1, 2, 3], [0, 0, 0], &ops).unwrap();
        for by in 0..3 {
            let before = story.reading(0);
            cut(&mut story, 0, by, 1, Some(0));
            changed += usize::from(before != story.reading(0));
        }
    }
    assert!(changed > 5, "{changed}");
}
