//! With the gate weakened, the checks behind it still hold: the fence, the comparison of heads, the
//! bytes given back, and save, load and compare.

use std::panic::catch_unwind;
use std::sync::Arc;

use automerge::legacy::{ElementId, Key, ObjectId, Op, OpId, OpType, SortedVec};
use automerge::{ActorId, Automerge, Change, ExpandedChange, ObjType, ScalarValue};
use sha2::{Digest, Sha256};

use super::*;
use crate::gate::{Admitted, Gate, admit, rewrite};
use crate::history::History;
use crate::ids::{DeviceTag, Session};

const ABOUT: &str = "a brook";

fn writer(device: u8) -> Writer {
    Writer {
        device: DeviceTag([device; 8]),
        session: Session([1; 8]),
    }
}

fn behind(gate: Gate, changes: Vec<Vec<u8>>) -> Ledger {
    let mut ledger = Ledger::create(ABOUT, writer(9)).unwrap();
    ledger.replica = Replica::starting(ABOUT, gate);
    assert!(ledger.receive(changes).refused.is_empty());
    ledger
}

/// A gate that gives the library whatever bytes come, decoded by the library, once they claim to be
/// somebody's change.
fn wide_open(document: DocumentId, history: &History, draft: &Draft) -> Result<Admitted, Refusal> {
    if let Ok(honest) = admit(document, history, draft) {
        return Ok(honest);
    }
    let change = decoded(&draft.bytes)?;
    let standing = history.standing(draft.writer);
    Ok(Admitted {
        logged: Arc::new(LoggedChange {
            writer: draft.writer,
            number: draft.number,
            hash: draft.hash,
            deps: draft.deps.clone(),
            start_op: draft.start_op,
            last_op: change.max_op(),
            time_s: draft.time_s,
            records: standing.next_record..=standing.next_record,
            bytes: Arc::clone(&draft.bytes),
        }),
        change,
        bodies: draft.bodies.clone(),
        shard_op: standing.shard_op,
    })
}

/// The gate in use without its last rule: all numbers are checked, but the bytes needn't be those
/// that this program writes, and the library decodes them.
fn without_comparison(
    document: DocumentId,
    history: &History,
    draft: &Draft,
) -> Result<Admitted, Refusal> {
    let admitted = rewrite(document, history, draft)?;
    Ok(Admitted {
        change: decoded(&draft.bytes)?,
        ..admitted
    })
}

fn decoded(bytes: &[u8]) -> Result<Change, Refusal> {
    (fenced(|| Change::from_bytes(bytes.to_vec()).ok()).flatten()).ok_or(Refusal::NotAChange)
}

/// A draft of anything, past the reader.
fn draft(change: ExpandedChange) -> Draft {
    let change = Change::from(change);
    let mut actor = [0; 16];
    actor.copy_from_slice(change.actor_id().to_bytes());
    Draft {
        bytes: Arc::from(change.raw_bytes()),
        hash: ChangeHash(change.hash().0),
        deps: change.deps().iter().map(|dep| ChangeHash(dep.0)).collect(),
        writer: Writer::from_bytes(actor),
        number: change.seq(),
        start_op: change.start_op().get(),
        time_s: change.timestamp(),
        bodies: vec![Arc::from("x")],
    }
}

fn id(counter: u64, device: u8) -> OpId {
    OpId(counter, ActorId::from(writer(device).to_bytes()))
}

fn put(obj: ObjectId, pred: Vec<OpId>) -> Op {
    Op {
        action: OpType::Put(ScalarValue::Str("x".into())),
        obj,
        key: Key::Map("4".into()),
        pred: SortedVec::from(pred),
        insert: false,
    }
}

struct Scene {
    log: Vec<Vec<u8>>,
    honest: [Vec<u8>; 2],
    /// What writer 1 would write next.
    next: ExpandedChange,
}

fn scene() -> Scene {
    let mut one = Ledger::create(ABOUT, writer(1)).unwrap();
    for n in 0..3 {
        one.append(&[format!("record {n}")], -5).unwrap();
    }
    let log: Vec<_> = one.log().iter().map(|c| c.bytes.to_vec()).collect();
    let honest = [2, 3].map(|device| {
        let (mut other, _) = Ledger::restore(ABOUT, writer(device), log.clone()).unwrap();
        let appended = other.append(&["honest".to_owned()], 7).unwrap();
        appended.change.bytes.to_vec()
    });
    let next = one.append(&["next".repeat(20)], 7).unwrap().change;
    Scene {
        log,
        honest,
        next: Change::from_bytes(next.bytes.to_vec()).unwrap().decode(),
    }
}

type Harm = fn(&mut ExpandedChange);

/// Ways to panic the library or to make it write a file that it can't load.
fn harms() -> Vec<(&'static str, Harm)> {
    vec![
        ("number 5 of an unknown writer", |c| {
            c.actor_id = ActorId::from(writer(77).to_bytes());
            c.seq = 5;
        }),
        ("a gap in the numbers", |c| c.seq = 9),
        ("an unknown map", |c| {
            c.operations = vec![put(ObjectId::Id(id(99, 1)), vec![])];
        }),
        ("an unknown writer's map", |c| {
            c.operations = vec![put(ObjectId::Id(id(3, 77)), vec![])];
        }),
        ("a clock at the end of all numbers", |c| c.time = i64::MAX),
        ("a first operation too low", |c| {
            c.start_op = std::num::NonZeroU64::new(4).unwrap();
        }),
        ("an overwrite of what isn't there", |c| {
            c.operations = vec![put(ObjectId::Id(id(3, 1)), vec![id(99, 1)])];
        }),
        ("an overwrite of itself", |c| {
            let own = id(c.start_op.get(), 1);
            c.operations = vec![put(ObjectId::Id(id(3, 1)), vec![own])];
        }),
        ("an increment of a text", |c| {
            c.operations = vec![Op {
                action: OpType::Increment(1),
                key: Key::Map("3".into()),
                ..put(ObjectId::Id(id(3, 1)), vec![id(6, 1)])
            }];
        }),
        ("a list element in a map", |c| {
            c.operations = vec![Op {
                key: Key::Seq(ElementId::Head),
                insert: true,
                ..put(ObjectId::Id(id(3, 1)), vec![])
            }];
        }),
        ("a deleted record", |c| {
            c.operations = vec![Op {
                action: OpType::Delete,
                key: Key::Map("3".into()),
                ..put(ObjectId::Id(id(3, 1)), vec![id(6, 1)])
            }];
        }),
        ("a map in a record's place", |c| {
            c.operations = vec![Op {
                action: OpType::Make(ObjType::Map),
                ..put(ObjectId::Id(id(3, 1)), vec![])
            }];
        }),
        ("a second value beside a record", |c| {
            c.operations = vec![Op {
                key: Key::Map("3".into()),
                ..put(ObjectId::Id(id(3, 1)), vec![])
            }];
        }),
    ]
}

/// What the library does with it unguarded; said for the panics and the spoilt files among them.
fn harms_the_bare_library(scene: &Scene, harmful: &Draft) -> bool {
    let ledger = Ledger::restore(ABOUT, writer(9), scene.log.clone())
        .unwrap()
        .0;
    let file = ledger.save().unwrap();
    let bytes = harmful.bytes.to_vec();
    let survived = catch_unwind(move || {
        let mut document = Automerge::load(&file).unwrap();
        let change = Change::from_bytes(bytes).ok()?;
        document.apply_changes([change]).ok()?;
        Automerge::load(&document.save()).ok()
    });
    !matches!(survived, Ok(Some(_)))
}

#[test]
fn one_harmful_change_in_a_batch_is_found_and_all_others_are_applied() {
    let scene = scene();
    let mut harmful_to_the_library = 0;
    for (case, harm) in harms() {
        let mut change = scene.next.clone();
        harm(&mut change);
        let harmful = draft(change);
        harmful_to_the_library += usize::from(harms_the_bare_library(&scene, &harmful));
        for place in 0..=2 {
            let mut ledger = behind(wide_open, scene.log.clone());
            // Every batch is saved, loaded and compared.
            ledger.unproven = PROOF_EVERY;
            let mut drafts: Vec<_> = (scene.honest.iter())
                .map(|bytes| gate::read(bytes).unwrap())
                .collect();
            drafts.insert(place, harmful.clone());
            let taken = ledger.take(drafts, true);
            let refused: Vec<_> = taken.refused.iter().map(|(_, why)| why).collect();
            assert_eq!(refused, [&Refusal::Library], "{case}, in place {place}");
            assert_eq!(taken.refused[0].0.hash, harmful.hash, "{case}");
            assert_eq!(taken.applied.len(), 2, "{case}");
            assert_eq!(ledger.records().len(), 5, "{case}");
            ledger.verify().unwrap();
            // And life goes on.
            ledger.append(&["after".to_owned()], 7).unwrap();
            ledger.verify().unwrap();
        }
    }
    assert!(
        harmful_to_the_library >= 8,
        "{harmful_to_the_library} do harm"
    );
}

/// The changes that make the library write a file it can't load show at once, long before the next
/// full comparison is due: asked for them, it gives back others.
#[test]
fn a_change_that_spoils_the_next_file_shows_before_any_file_is_written() {
    let scene = scene();
    for (case, harm) in harms() {
        let spoils_files = [
            "a first operation too low",
            "an overwrite of what isn't there",
            "an overwrite of itself",
        ];
        if !spoils_files.contains(&case) {
            continue;
        }
        let mut change = scene.next.clone();
        harm(&mut change);
        let harmful = draft(change);
        assert!(harms_the_bare_library(&scene, &harmful), "{case}");
        let mut ledger = behind(wide_open, scene.log.clone());
        assert!(ledger.unproven + 1 < PROOF_EVERY);
        let taken = ledger.take(vec![harmful], true);
        assert_eq!(taken.refused[0].1, Refusal::Library, "{case}");
    }
}

#[test]
fn several_harmful_changes_are_all_found() {
    let scene = scene();
    let mut ledger = behind(wide_open, scene.log.clone());
    let mut drafts: Vec<_> = (scene.honest.iter())
        .map(|bytes| gate::read(bytes).unwrap())
        .collect();
    let mut harmful = 0;
    for (at, (_, harm)) in harms().into_iter().enumerate().take(4) {
        let mut change = scene.next.clone();
        change.time = i64::try_from(at).unwrap();
        harm(&mut change);
        drafts.insert(at / 2, draft(change));
        harmful += 1;
    }
    let taken = ledger.take(drafts, true);
    assert_eq!((taken.applied.len(), taken.refused.len()), (2, harmful));
    ledger.verify().unwrap();
}

/// The rule that bytes must be those this program writes, taken away: damaged changes then reach
/// the library, spoil what it holds, and are caught behind the gate. So the checks of the other
/// tests, that nothing is ever spoilt, would see it if the rule were missing.
#[test]
fn without_the_comparison_damage_reaches_the_library_and_is_caught_behind_the_gate() {
    let scene = scene();
    let next = Change::from(scene.next.clone()).raw_bytes().to_vec();
    let (mut let_in, mut caught) = (0, 0);
    let mut ledger = behind(without_comparison, scene.log.clone());
    let real = behind(admit, scene.log.clone()).replica;
    for at in 11..next.len() {
        for flip in 1..=255_u8 {
            let mut content = next[11..].to_vec();
            content[at - 11] ^= flip;
            let bytes = sealed(&content);
            let Ok(draft) = gate::read(&bytes) else {
                continue;
            };
            if admit(real.id, &real.history, &draft).is_err() {
                let received = ledger.receive(vec![bytes]);
                if received.applied.is_empty() {
                    let why = &received.refused.first().map(|refused| &refused.refusal);
                    caught += usize::from(*why == Some(&Refusal::Library));
                    continue;
                }
                let_in += 1;
                if ledger.verify().is_err() {
                    caught += 1;
                }
                ledger = behind(without_comparison, scene.log.clone());
            }
        }
    }
    assert!(caught > 0, "{let_in} let in, {caught} caught");
}

fn sealed(content: &[u8]) -> Vec<u8> {
    let length = u8::try_from(content.len() & 0x7f).unwrap() | 0x80;
    let named = [
        &[1, length, u8::try_from(content.len() >> 7).unwrap()],
        content,
    ]
    .concat();
    let hash = Sha256::digest(&named);
    [&[0x85, 0x6f, 0x4a, 0x83], &hash[..4], &named].concat()
}

#[test]
fn a_document_spoilt_before_is_not_blamed_on_those_who_come_after() {
    let scene = scene();
    let mut ledger = behind(admit, scene.log.clone());
    // The document loses what the log has; the log is the truth.
    let history = ledger.replica.history.clone();
    ledger.replica = Replica::starting(ABOUT, admit);
    ledger.replica.history = history;
    assert_eq!(ledger.replica.save(), Err(SpoiltError));
    let received = ledger.receive(scene.honest.to_vec());
    assert_eq!(received.applied.len(), 2, "the document was built again");
    ledger.verify().unwrap();
    assert_eq!(ledger.records().len(), 5);

    // Looked at before anything comes, it is built again just the same.
    let history = ledger.replica.history.clone();
    ledger.replica = Replica::starting(ABOUT, admit);
    ledger.replica.history = history;
    assert_eq!(ledger.verify(), Ok(()));
}

/// A log that the library can't write a file of, however it came about: recording goes on, and
/// whoever asks for a file is told.
#[test]
fn a_log_the_library_cannot_save_still_takes_records() {
    let scene = scene();
    let mut change = scene.next.clone();
    change.start_op = std::num::NonZeroU64::new(4).unwrap();
    let mut ledger = behind(wide_open, scene.log.clone());
    let spoiling = wide_open(ledger.replica.id, &ledger.replica.history, &draft(change));
    let mut log = ledger.log().to_vec();
    log.push(spoiling.unwrap().logged);
    ledger.replica = ledger.replica.replayed(&log);
    assert_eq!(ledger.log().len(), 4);
    assert_eq!(ledger.verify(), Err(SpoiltError));
    assert_eq!(ledger.save(), Err(SpoiltError));

    ledger.unproven = PROOF_EVERY;
    let received = ledger.receive(scene.honest.to_vec());
    assert_eq!(received.applied.len(), 2);
    assert_eq!(ledger.unproven, 0, "not tried again with every change");
    ledger.append(&["still here".to_owned()], 7).unwrap();
    assert_eq!(&*ledger.records().last().unwrap().body, "still here");
    assert_eq!(ledger.verify(), Err(SpoiltError));
}
