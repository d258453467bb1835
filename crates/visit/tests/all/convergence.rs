//! Whatever the order of meetings: the same document, the same view, the same history, and every
//! record once.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_visit::{
    Amend, Death, DeathStage, Fact, FieldValue, Fish, LengthType, PassClosed, PassKey, PassOpened,
    Restore, SameThing, SpeciesName, Stop, Tally, Undo, View, Void,
};
use gravelbar_visit::{RecordId, Visit};
use proptest::prelude::*;
use proptest::sample::Index;
use proptest::strategy::ValueTree;
use proptest::test_runner::{Config, TestRunner};

use crate::crew::{Crew, changes, text};

const PEOPLE: [&str; 4] = [
    "Mirelle Ashgrove",
    "Okto Brandt",
    "Hollis Fenn",
    "Sabine Quell",
];

/// What someone does, about the `n`th record they know of a kind where it is about one.
#[derive(Debug, Clone)]
enum Act {
    Tap(u32),
    Fish(u32),
    Death,
    Open(u8),
    Close(u8),
    Undo(usize),
    Length(usize, u32),
    Move(usize, u8),
    Settle(usize, u32),
    Void(usize),
    Restore(usize),
    Join(usize, usize),
    Stop,
    Sign,
}

#[derive(Debug, Clone)]
enum Op {
    Act(usize, Act),
    Meet(usize, usize),
    Restart(usize),
}

fn ops() -> impl Strategy<Value = Vec<Op>> {
    let n = || 0..40_usize;
    let act = prop_oneof![
        6 => (1..4_u32).prop_map(Act::Tap),
        4 => (60..220_u32).prop_map(Act::Fish),
        1 => Just(Act::Death),
        1 => (1..3_u8).prop_map(Act::Open),
        1 => (1..3_u8).prop_map(Act::Close),
        2 => n().prop_map(Act::Undo),
        3 => (n(), 60..220_u32).prop_map(|(n, mm)| Act::Length(n, mm)),
        2 => (n(), 1..3_u8).prop_map(|(n, pass)| Act::Move(n, pass)),
        1 => (n(), 60..220_u32).prop_map(|(n, mm)| Act::Settle(n, mm)),
        2 => n().prop_map(Act::Void),
        1 => n().prop_map(Act::Restore),
        1 => (n(), n()).prop_map(|(a, b)| Act::Join(a, b)),
        1 => Just(Act::Stop),
        1 => Just(Act::Sign),
    ];
    let op = prop_oneof![
        5 => (0..4_usize, act).prop_map(|(d, act)| Op::Act(d, act)),
        2 => (0..4_usize, 0..4_usize).prop_map(|(a, b)| Op::Meet(a, b)),
        1 => (0..4_usize).prop_map(Op::Restart),
    ];
    proptest::collection::vec(op, 1..45)
}

/// The fact for an act, if the device knows what it is about.
fn fact(visit: &Visit, act: &Act) -> Option<Fact> {
    let known = |n: usize, kinds: &[&str]| -> Option<RecordId> {
        let records = visit.records().iter();
        let of_kind: Vec<RecordId> = records
            .filter(|s| kinds.contains(&s.entry.what.kind()))
            .map(|s| s.id)
            .collect();
        of_kind.get(n % of_kind.len().max(1)).copied()
    };
    let trout = SpeciesName::new("brook trout").ok()?;
    let pass = PassKey::main(1);
    let amend = |of, set, replaces| Amend {
        of: vec![of],
        set,
        replaces,
        scope: None,
    };
    Some(match *act {
        Act::Tap(n) => Tally {
            pass,
            species: trout,
            n,
            bucket: None,
        }
        .into(),
        Act::Fish(mm) => Fish {
            pass,
            species: trout,
            length_mm: Some(f64::from(mm)),
            length_type: Some(LengthType::Total),
            mass_g: None,
            marks: None,
            anomalies: None,
            fate: None,
            bucket: None,
        }
        .into(),
        Act::Death => Death {
            pass,
            species: trout,
            n: 1,
            stage: DeathStage::Net,
            fish: None,
        }
        .into(),
        Act::Open(n) => PassOpened {
            pass: PassKey::main(n),
        }
        .into(),
        Act::Close(n) => PassClosed {
            pass: PassKey::main(n),
        }
        .into(),
        Act::Undo(n) => Undo {
            of: known(n, &["tally", "undo"])?,
        }
        .into(),
        Act::Length(n, mm) => amend(
            known(n, &["fish"])?,
            FieldValue::LengthMm(f64::from(mm)),
            vec![],
        )
        .into(),
        Act::Move(n, to) => {
            let of = known(n, &["fish", "tally"])?;
            amend(of, FieldValue::Pass(PassKey::main(to)), vec![]).into()
        }
        Act::Settle(n, mm) => {
            let of = known(n, &["fish"])?;
            let replaces = visit
                .records()
                .iter()
                .filter(|s| matches!(&s.entry.what, Fact::Amend(a) if a.of.contains(&of)))
                .map(|s| s.id)
                .collect();
            amend(of, FieldValue::LengthMm(f64::from(mm)), replaces).into()
        }
        Act::Void(n) => Void {
            of: known(n, &["fish", "tally", "amend"])?,
            seen: vec![],
        }
        .into(),
        Act::Restore(n) => Restore {
            voids: vec![known(n, &["void"])?],
        }
        .into(),
        Act::Join(a, b) => {
            let records = vec![known(a, &["death"])?, known(b, &["death"])?];
            SameThing { records }.into()
        }
        Act::Stop => Stop {}.into(),
        Act::Sign => visit.signature(vec![]).into(),
    })
}

/// Plays the acts; the crew, and every record written, in order.
fn play(ops: &[Op]) -> (Crew, Vec<RecordId>) {
    let mut crew = Crew::joined(&PEOPLE);
    let mut written: Vec<RecordId> = crew.devices[0]
        .visit
        .records()
        .iter()
        .map(|s| s.id)
        .collect();
    for op in ops {
        match op {
            Op::Act(device, act) => {
                if let Some(fact) = fact(&crew.devices[*device].visit, act) {
                    written.push(crew.one(*device, fact));
                }
            }
            Op::Meet(a, b) if a != b => crew.meet(*a, *b),
            Op::Meet(..) => {}
            Op::Restart(device) => crew.restart(*device),
        }
    }
    (crew, written)
}

/// All that a device can be asked, to the byte.
fn everything(visit: &Visit) -> String {
    let histories: Vec<String> = visit
        .records()
        .iter()
        .map(|s| serde_json::to_string(&visit.history(s.id)).unwrap())
        .collect();
    format!(
        "{:?}\n{}\n{}",
        visit.heads(),
        text(&visit.view()),
        histories.join("\n")
    )
}

/// Taps that stand, taken record by record from what was written and undone.
fn tapped(view: &View) -> u32 {
    view.tallies
        .iter()
        .filter(|t| !t.out)
        .map(|t| t.n.value)
        .sum()
}

proptest! {
    #![proptest_config(Config { cases: 150, ..Config::default() })]

    #[test]
    fn any_order_of_meetings_comes_to_the_same_document_view_and_history(
        ops in ops(),
        order in proptest::collection::vec((0..4_usize, 0..4_usize), 0..8),
        swaps in proptest::collection::vec(any::<(Index, Index)>(), 60),
    ) {
        let (mut crew, written) = play(&ops);
        for (a, b) in order {
            if a != b {
                crew.meet(a, b);
            }
        }
        crew.meet_all();
        let all = everything(&crew.devices[0].visit);
        for device in 1..4 {
            prop_assert_eq!(&everything(&crew.devices[device].visit), &all);
        }

        // Every record ever written is here, once.
        let ids: Vec<RecordId> = crew.devices[0].visit.records().iter().map(|s| s.id).collect();
        let once: BTreeSet<RecordId> = ids.iter().copied().collect();
        prop_assert_eq!(ids.len(), once.len());
        prop_assert_eq!(once, written.iter().copied().collect::<BTreeSet<_>>());
        prop_assert_eq!(crew.view(0).records, written.len());

        // A device that gets the changes in any order, some twice, in any batches, and asks again
        // for what came too early, says the same; so does one that starts from them.
        let mut fresh = Crew::with(crew.devices[0].visit.plan(), &["Spare"]);
        let mut shuffled = changes(&crew.devices[0].visit);
        let count = shuffled.len();
        for (one, other) in swaps {
            shuffled.swap(one.index(count), other.index(count));
        }
        for _round in 0..count {
            for batch in shuffled.chunks(3) {
                let twice = batch.iter().chain(batch).cloned().collect();
                fresh.devices[0].visit.receive(twice);
            }
            if fresh.devices[0].visit.log().len() == count {
                break;
            }
        }
        prop_assert_eq!(&everything(&fresh.devices[0].visit), &all);
        fresh.restart(0);
        prop_assert_eq!(&everything(&fresh.devices[0].visit), &all);
    }
}

#[test]
fn counting_equal_taps_as_one_would_be_noticed() {
    // A reader that takes two taps of one species, pass and number for one.
    let by_value = |view: &View| -> u32 {
        let alike: BTreeMap<_, u32> = view
            .tallies
            .iter()
            .filter(|t| !t.out)
            .map(|t| ((&t.pass.value, &t.species.value, t.n.value), t.n.value))
            .collect();
        alike.values().sum()
    };
    let mut runner = TestRunner::deterministic();
    let mut noticed = 0;
    for _ in 0..30 {
        let ops = ops().new_tree(&mut runner).unwrap().current();
        let taps: BTreeMap<usize, u32> = ops.iter().fold(BTreeMap::new(), |mut taps, op| {
            if let Op::Act(device, Act::Tap(n)) = op {
                *taps.entry(*device).or_default() += n;
            }
            taps
        });
        let only_taps: Vec<Op> = ops
            .into_iter()
            .filter(|op| !matches!(op, Op::Act(_, act) if !matches!(act, Act::Tap(_))))
            .collect();
        let (mut crew, _) = play(&only_taps);
        let view = crew.everywhere();
        assert_eq!(tapped(&view), taps.values().sum::<u32>());
        noticed += usize::from(by_value(&view) != taps.values().sum::<u32>());
    }
    assert!(noticed > 10, "the histories would not notice: {noticed}");
}
