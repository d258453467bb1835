//! Changes that no honest device writes: each is refused for what it is, and does nothing else.

use automerge::legacy::{Key, MarkData, ObjectId, Op, OpType};
use automerge::{ExpandedChange, ObjType, ScalarValue};
use gravelbar_ledger::{Ledger, MAX_BODY_BYTES, MAX_CHANGE_BYTES, Refusal};

use crate::craft::{
    ABOUT, Crafted, add, bytes_of, content, expanded, hand_over, ledger, make_map, op, op_id, put,
    restored, seal, signed, unsigned, writer, written,
};

/// A ledger with a little history, and two honest changes that come next: one by a known writer,
/// one by a new writer.
struct Scene {
    log: Vec<Vec<u8>>,
    /// Record 4 of writer 1, into a shard map made by operation 3.
    next: Vec<u8>,
    /// Record 1 of writer 3, with its shard map.
    first: Vec<u8>,
}

impl Scene {
    fn new() -> Self {
        let mut one = ledger(1, 1);
        for n in 1..=3 {
            add(&mut one, &format!("record {n}"));
        }
        let mut two = ledger(2, 1);
        hand_over(&one, &mut two);
        // A clock that once read a time before 1970.
        two.append(&["old clock".to_owned()], -5).unwrap();
        hand_over(&two, &mut one);
        let mut three = restored(&one, writer(3, 1));
        let log = bytes_of(one.log());
        Self {
            log,
            next: add(&mut one, "an honest body"),
            first: add(&mut three, "another honest body"),
        }
    }

    fn peer(&self) -> Ledger {
        let (peer, received) = Ledger::restore(ABOUT, writer(9, 1), self.log.clone()).unwrap();
        assert_eq!(received.applied.len(), 4);
        peer
    }

    /// The next change with its parts changed by hand.
    fn crafted(&self, alter: impl FnOnce(&mut Crafted)) -> Vec<u8> {
        let mut change = Crafted::from(&self.next);
        assert_eq!(change.bytes(), self.next, "taking apart loses nothing");
        alter(&mut change);
        change.bytes()
    }

    /// The next change with other operations, as the library writes it.
    fn acted(&self, alter: impl FnOnce(&mut ExpandedChange)) -> Vec<u8> {
        let mut change = expanded(&self.next);
        alter(&mut change);
        written(change)
    }

    /// The next change with one operation in place of its own.
    fn acting(&self, operation: Op) -> Vec<u8> {
        self.acted(|change| change.operations = vec![operation])
    }
}

fn shard() -> ObjectId {
    ObjectId::Id(op_id(3, writer(1, 1)))
}

fn value(value: impl Into<ScalarValue>) -> Op {
    op(shard(), "4", OpType::Put(value.into()), vec![])
}

type Expected = fn(&Refusal) -> bool;

macro_rules! refused {
    ($pattern:pat) => {
        (|refusal| matches!(refusal, $pattern)) as Expected
    };
}

fn check(scene: &Scene, cases: Vec<(&str, Vec<u8>, Expected)>) {
    let mut all = vec![scene.first.clone(), scene.next.clone()];
    for (case, bytes, expected) in cases {
        // Alone.
        let mut peer = scene.peer();
        let before = peer.heads();
        let received = peer.receive(vec![bytes.clone()]);
        let refusals: Vec<_> = (received.refused.iter().chain(&received.waiting))
            .map(|refused| &refused.refusal)
            .collect();
        assert!(
            refusals.len() == 1 && expected(refusals[0]),
            "{case}: {refusals:?}, {} applied",
            received.applied.len()
        );
        assert_eq!(peer.heads(), before, "{case}");
        peer.verify().unwrap();
        // Before honest ones, which get in all the same.
        let received = peer.receive(vec![
            bytes.clone(),
            scene.first.clone(),
            bytes.clone(),
            scene.next.clone(),
        ]);
        assert_eq!(received.applied.len(), 2, "{case}");
        peer.verify().unwrap();
        all.push(bytes);
    }
    // And all at once, the other way round.
    all.reverse();
    let mut peer = scene.peer();
    assert_eq!(peer.receive(all).applied.len(), 2);
    peer.verify().unwrap();
}

/// The cases that panicked the library, ate its memory or spoilt its files when they were given to
/// it unguarded.
#[test]
fn what_breaks_the_library_is_refused() {
    let scene = Scene::new();
    let long_key = "k".repeat(60_000);
    check(
        &scene,
        vec![
            (
                "a sync message with an empty Bloom filter",
                vec![0x42, 0, 0, 1, 0, 4, 1, 0, 1, 0],
                refused!(Refusal::NotAChange),
            ),
            (
                "a sync message whose Bloom filter has 2^32 - 1 probes",
                vec![
                    0x42, 0, 0, 1, 0, 9, 1, 1, 0xff, 0xff, 0xff, 0xff, 0x0f, 0, 0,
                ],
                refused!(Refusal::NotAChange),
            ),
            (
                "number 5 of a writer nobody knows",
                scene.crafted(|c| (c.actor, c.seq) = (vec![77; 16], 5)),
                refused!(Refusal::Gap {
                    have: 0,
                    got: 5,
                    ..
                }),
            ),
            (
                "a gap in a known writer's numbers",
                scene.crafted(|c| c.seq = 9),
                refused!(Refusal::Gap {
                    have: 3,
                    got: 9,
                    ..
                }),
            ),
            (
                "a record in a map that doesn't exist",
                scene.acting(put(ObjectId::Id(op_id(99, writer(1, 1))), "4", "x")),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a record in a map of a writer nobody knows",
                scene.acting(put(ObjectId::Id(op_id(3, writer(77, 1))), "4", "x")),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a clock at the end of all numbers",
                scene.crafted(|c| c.time = i64::MAX),
                refused!(Refusal::Clock { time_s: i64::MAX }),
            ),
            (
                "a first operation below what it builds on",
                scene.crafted(|c| c.start_op = 4),
                refused!(Refusal::StartOp { got: 4, .. }),
            ),
            (
                "a first operation one too high",
                scene.crafted(|c| c.start_op += 1),
                refused!(Refusal::StartOp { .. }),
            ),
            (
                "a first operation at the library's limit",
                scene.crafted(|c| c.start_op = (1 << 32) - 2),
                refused!(Refusal::StartOp { .. }),
            ),
            (
                "an overwrite of something that doesn't exist",
                scene.acting(op(
                    shard(),
                    "4",
                    OpType::Put("x".into()),
                    vec![op_id(99, writer(1, 1))],
                )),
                refused!(Refusal::Column { spec: 0x71 }),
            ),
            (
                "an overwrite of itself",
                scene.acted(|c| {
                    let own = op_id(c.start_op.get(), writer(1, 1));
                    c.operations = vec![op(shard(), "4", OpType::Put("x".into()), vec![own])];
                }),
                refused!(Refusal::Column { spec: 0x71 }),
            ),
            (
                "an increment of a text",
                scene.acting(op(
                    shard(),
                    "3",
                    OpType::Increment(1),
                    vec![op_id(6, writer(1, 1))],
                )),
                refused!(Refusal::Column { .. }),
            ),
            (
                "a deflated change",
                seal(2, content(&scene.next)),
                refused!(Refusal::NotAPlainChange { kind: 2 }),
            ),
            (
                "a deflated change of a megabyte",
                seal(2, &vec![0; 1 << 20]),
                refused!(Refusal::TooLong { .. }),
            ),
            (
                "a document",
                seal(0, content(&scene.next)),
                refused!(Refusal::NotAPlainChange { kind: 0 }),
            ),
            (
                "a bundle",
                seal(3, content(&scene.next)),
                refused!(Refusal::NotAPlainChange { kind: 3 }),
            ),
            (
                "a change nobody knows the causes of",
                scene.crafted(|c| {
                    c.deps.push([0xff; 32]);
                }),
                refused!(Refusal::UnknownDeps { .. }),
            ),
            (
                "a key of 60 kB",
                scene.acting(put(shard(), &long_key, "x")),
                refused!(Refusal::NotAsWritten),
            ),
        ],
    );
}

#[test]
fn nothing_but_the_next_records_is_let_in() {
    let scene = Scene::new();
    let before = vec![op_id(6, writer(1, 1))];
    let shards = ObjectId::Id(automerge::legacy::OpId(
        2,
        automerge::ActorId::from(scene.peer().id().0),
    ));
    let shard_key = |no: u32| format!("{}/{no}", writer(1, 1));
    let not_as_written = refused!(Refusal::NotAsWritten);
    let value_kind = refused!(Refusal::ValueKind);
    let no_records = refused!(Refusal::RecordCount { records: 0 });
    let column = refused!(Refusal::Column { .. });
    let list_op = |key| Op {
        action: OpType::Put("x".into()),
        obj: shard(),
        key: Key::Seq(key),
        pred: automerge::legacy::SortedVec::new(),
        insert: true,
    };
    check(
        &scene,
        vec![
            (
                "overwriting a record",
                scene.acting(op(shard(), "3", OpType::Put("x".into()), before.clone())),
                column,
            ),
            (
                "a second value beside a record",
                scene.acting(put(shard(), "3", "x")),
                not_as_written,
            ),
            (
                "deleting a record",
                scene.acting(op(shard(), "3", OpType::Delete, before)),
                column,
            ),
            (
                "deleting nothing",
                scene.acting(op(shard(), "4", OpType::Delete, vec![])),
                no_records,
            ),
            (
                "skipping a number",
                scene.acting(put(shard(), "5", "x")),
                not_as_written,
            ),
            (
                "a number with a zero",
                scene.acting(put(shard(), "04", "x")),
                not_as_written,
            ),
            (
                "an empty key",
                scene.acting(put(shard(), "", "x")),
                not_as_written,
            ),
            (
                "a record at the root",
                scene.acting(put(ObjectId::Root, "4", "x")),
                not_as_written,
            ),
            (
                "another about",
                scene.acting(put(ObjectId::Root, "about", "x")),
                not_as_written,
            ),
            (
                "a second shards",
                scene.acting(make_map(ObjectId::Root, "shards")),
                no_records,
            ),
            (
                "a record among the shards",
                scene.acting(put(shards.clone(), "4", "x")),
                not_as_written,
            ),
            (
                "a shard too early",
                scene.acted(|c| {
                    let made = ObjectId::Id(op_id(c.start_op.get(), writer(1, 1)));
                    c.operations =
                        vec![make_map(shards.clone(), &shard_key(1)), put(made, "4", "x")];
                }),
                not_as_written,
            ),
            (
                "a shard made twice",
                scene.acting(make_map(shards.clone(), &shard_key(0))),
                no_records,
            ),
            (
                "a map in a shard",
                scene.acting(make_map(shard(), "4")),
                no_records,
            ),
            (
                "a map beside a record",
                scene.acted(|c| c.operations.push(make_map(shard(), "5"))),
                not_as_written,
            ),
            (
                "one key twice",
                scene.acted(|c| c.operations.push(put(shard(), "4", "x"))),
                not_as_written,
            ),
            (
                "a list",
                scene.acting(op(shard(), "4", OpType::Make(ObjType::List), vec![])),
                no_records,
            ),
            (
                "a text",
                scene.acting(op(shard(), "4", OpType::Make(ObjType::Text), vec![])),
                no_records,
            ),
            (
                "a table",
                scene.acting(op(shard(), "4", OpType::Make(ObjType::Table), vec![])),
                no_records,
            ),
            (
                "a counter",
                scene.acting(value(ScalarValue::counter(1))),
                value_kind,
            ),
            ("a whole number", scene.acting(value(1_i64)), value_kind),
            ("a natural number", scene.acting(value(1_u64)), value_kind),
            ("a broken number", scene.acting(value(1.5)), value_kind),
            (
                "a moment",
                scene.acting(value(ScalarValue::Timestamp(1))),
                value_kind,
            ),
            ("a yes", scene.acting(value(true)), value_kind),
            ("a no", scene.acting(value(false)), value_kind),
            (
                "nothing",
                scene.acting(value(ScalarValue::Null)),
                no_records,
            ),
            ("bytes", scene.acting(value(vec![1, 2, 3])), value_kind),
            (
                "a kind of value nobody knows",
                scene.acting(value(ScalarValue::Unknown {
                    type_code: 14,
                    bytes: vec![1],
                })),
                value_kind,
            ),
            (
                "an element of a list",
                scene.acting(list_op(automerge::legacy::ElementId::Head)),
                column,
            ),
            (
                "an element after another",
                scene.acting(list_op(automerge::legacy::ElementId::Id(op_id(
                    6,
                    writer(1, 1),
                )))),
                column,
            ),
            (
                "an insertion under a key",
                scene.acting(Op {
                    insert: true,
                    ..put(shard(), "4", "x")
                }),
                not_as_written,
            ),
            (
                "a mark",
                scene.acting(op(
                    shard(),
                    "4",
                    OpType::MarkBegin(MarkData {
                        name: "bold".into(),
                        value: "x".into(),
                        expand: true,
                    }),
                    vec![],
                )),
                column,
            ),
            (
                "an empty change",
                scene.acted(|c| c.operations.clear()),
                no_records,
            ),
            (
                "an empty record",
                scene.acting(value("")),
                refused!(Refusal::BodyLength { bytes: 0 }),
            ),
            (
                "a record one byte too long",
                scene.acting(value("x".repeat(MAX_BODY_BYTES + 1).as_str())),
                refused!(Refusal::BodyLength { .. }),
            ),
            (
                "one record too many",
                scene.acted(|c| {
                    c.operations = (4..=260)
                        .map(|n| put(shard(), &n.to_string(), "x"))
                        .collect();
                }),
                refused!(Refusal::RecordCount { records: 257 }),
            ),
            (
                "a change one byte too long",
                seal(1, &vec![0; MAX_CHANGE_BYTES - 11]),
                refused!(Refusal::TooLong { .. }),
            ),
            (
                "a message",
                scene.acted(|c| c.message = Some("hello".into())),
                refused!(Refusal::Message),
            ),
            (
                "an author",
                scene.acted(|c| c.extra_bytes = vec![1, 2, b'm', b'e']),
                refused!(Refusal::ExtraBytes),
            ),
            (
                "a stray byte",
                scene.crafted(|c| c.extra = vec![0]),
                refused!(Refusal::ExtraBytes),
            ),
            (
                "an actor of fifteen bytes",
                scene.crafted(|c| c.actor = vec![1; 15]),
                refused!(Refusal::ActorLength),
            ),
            (
                "an actor of a gigabyte",
                scene.crafted(|c| {
                    let mut length = Vec::new();
                    unsigned(1 << 30, &mut length);
                    c.actor = length;
                }),
                refused!(Refusal::ActorLength),
            ),
            (
                "another actor that isn't used",
                scene.crafted(|c| c.others = vec![vec![2; 16]]),
                not_as_written,
            ),
            (
                "two other actors",
                scene.crafted(|c| c.others = vec![vec![2; 16], vec![3; 16]]),
                refused!(Refusal::OtherActors),
            ),
            (
                "no number",
                scene.crafted(|c| c.seq = 0),
                refused!(Refusal::Number),
            ),
            (
                "no first operation",
                scene.crafted(|c| c.start_op = 0),
                refused!(Refusal::StartOp { got: 0, .. }),
            ),
            (
                "no causes",
                scene.crafted(|c| c.deps.clear()),
                refused!(Refusal::DepCount { count: 0 }),
            ),
            (
                "one cause too many",
                scene.crafted(|c| c.deps = (0..65).map(|n| [n; 32]).collect()),
                refused!(Refusal::DepCount { count: 65 }),
            ),
            (
                "one cause twice",
                scene.crafted(|c| c.deps = vec![c.deps[0]; 2]),
                refused!(Refusal::DepOrder),
            ),
            (
                "causes out of order",
                scene.crafted(|c| c.deps.reverse()),
                refused!(Refusal::DepOrder),
            ),
            (
                "not its writer's previous change among the causes",
                scene.crafted(|c| {
                    let only = scene.peer().heads();
                    c.deps = only.iter().map(|head| head.0).collect();
                }),
                refused!(Refusal::Branch { number: 4, .. }),
            ),
        ],
    );
}

#[test]
fn strange_encodings_and_bombs_are_refused_before_they_unfold() {
    let scene = Scene::new();
    let length = refused!(Refusal::Length);
    let rows = refused!(Refusal::TooManyRows);
    let bomb = |run: i64| {
        scene.crafted(|c| {
            let kinds = c.column(0x56);
            kinds.clear();
            signed(run, kinds);
            unsigned(0x16, kinds);
        })
    };
    let nothings = |run: i64| {
        scene.crafted(|c| {
            let kinds = c.column(0x56);
            kinds.clear();
            signed(run, kinds);
            kinds.push(0);
            c.column(0x57).clear();
        })
    };
    let other_column = |spec: u64, run: i64| {
        scene.crafted(|c| {
            let column = c.column(spec);
            column.clear();
            signed(run, column);
            unsigned(1, column);
        })
    };
    let frame = |alter: fn(&mut Vec<u8>)| {
        let mut bytes = scene.next.clone();
        alter(&mut bytes);
        bytes
    };
    let mut long_length = scene.next[..9].to_vec();
    let body = content(&scene.next);
    long_length.extend([
        u8::try_from(body.len() & 0x7f).unwrap() | 0x80,
        u8::try_from(body.len() >> 7).unwrap() | 0x80,
        0,
    ]);
    long_length.extend(body);
    check(
        &scene,
        vec![
            ("no bytes", vec![], refused!(Refusal::NotAChange)),
            ("four bytes", scene.next[..4].to_vec(), length),
            ("half a change", scene.next[..60].to_vec(), length),
            ("a byte too few", frame(|b| b.truncate(b.len() - 1)), length),
            ("a byte too many", frame(|b| b.push(0)), length),
            (
                "a flipped bit",
                frame(|b| b[40] ^= 1),
                refused!(Refusal::Checksum),
            ),
            (
                "a wrong checksum",
                frame(|b| b[5] ^= 1),
                refused!(Refusal::Checksum),
            ),
            (
                "two changes in one",
                [&*scene.next, &scene.first].concat(),
                length,
            ),
            ("a length written the long way", long_length, length),
            (
                "as many rows as a change has, and no record in them",
                nothings(257),
                refused!(Refusal::RecordCount { records: 0 }),
            ),
            ("one row more than a change has", nothings(258), rows),
            ("a thousand million rows", bomb(1_000_000_000), rows),
            ("a million million rows", bomb(1_000_000_000_000), rows),
            ("all rows there are", bomb(i64::MAX), rows),
            ("less than no rows", bomb(i64::MIN), rows),
            (
                "a thousand million different rows",
                bomb(-1_000_000_000),
                rows,
            ),
            ("a run of no rows", bomb(0), refused!(Refusal::ValueKind)),
            (
                "a bomb of numbers",
                other_column(0x42, 1_000_000_000_000),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a bomb of keys",
                other_column(0x15, 1_000_000_000_000),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a bomb of objects",
                other_column(0x02, i64::MAX),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a bomb of predecessors",
                other_column(0x70, i64::MAX),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a deflated column",
                scene.crafted(|c| {
                    let values = c
                        .columns
                        .iter_mut()
                        .find(|(spec, _)| *spec == 0x57)
                        .unwrap();
                    values.0 |= 8;
                }),
                refused!(Refusal::Deflated),
            ),
            (
                "a column nobody knows",
                scene.crafted(|c| c.columns.push((0xa5, vec![1, 1]))),
                refused!(Refusal::Column { spec: 0xa5 }),
            ),
            (
                "a thousand columns",
                scene.crafted(|c| c.columns = (0..1000).map(|n| (n << 4, vec![1])).collect()),
                refused!(Refusal::Column { .. }),
            ),
            (
                "a column twice",
                scene.crafted(|c| c.columns.insert(1, c.columns[0].clone())),
                refused!(Refusal::ColumnOrder),
            ),
            (
                "columns out of order",
                scene.crafted(|c| c.columns.swap(0, 1)),
                refused!(Refusal::ColumnOrder),
            ),
            (
                "a column too few",
                scene.crafted(|c| drop(c.columns.remove(0))),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "an empty column",
                scene.crafted(|c| c.column(0x34).clear()),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "values left over",
                scene.crafted(|c| c.column(0x57).push(b'x')),
                refused!(Refusal::ExtraBytes),
            ),
            (
                "values missing",
                scene.crafted(|c| c.column(0x57).truncate(3)),
                length,
            ),
            (
                "text that is none",
                scene.crafted(|c| c.column(0x57)[3] = 0xff),
                refused!(Refusal::NotText),
            ),
            (
                "one run cut in two",
                scene.crafted(|c| {
                    // The kind of 14 bytes of text, as a run of one different from its neighbours,
                    // with a needless byte in its number.
                    let kinds = c.column(0x56);
                    *kinds = vec![0x7f, 0xe6, 0x81, 0x00];
                }),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a repeated run of one",
                scene.crafted(|c| *c.column(0x56) = vec![0x01, 0xe6, 0x01]),
                refused!(Refusal::NotAsWritten),
            ),
            (
                "a number of eleven bytes",
                scene.crafted(|c| *c.column(0x56) = [vec![0xff; 10], vec![0]].concat()),
                refused!(Refusal::NumberTooLarge),
            ),
        ],
    );
}

/// Orphans aren't kept, so they can't pile up.
#[test]
fn thousands_of_orphans_leave_nothing_behind() {
    let scene = Scene::new();
    let mut peer = scene.peer();
    let mut orphan = Crafted::from(&scene.next);
    let orphans: Vec<_> = (0..4_000_u32)
        .map(|n| {
            orphan.deps = vec![[0; 32], orphan.deps[orphan.deps.len() - 1]];
            orphan.deps[0][..4].copy_from_slice(&n.to_be_bytes());
            orphan.actor = vec![200; 16];
            orphan.seq = 1;
            orphan.bytes()
        })
        .collect();
    let saved = peer.save();
    for some in orphans.chunks(100) {
        let received = peer.receive(some.to_vec());
        assert_eq!(received.waiting.len(), some.len());
        assert!(received.waiting.iter().all(|w| w.refusal.is_early()));
    }
    assert_eq!(peer.save(), saved);
    assert_eq!(peer.log().len(), scene.log.len());
}

#[test]
fn a_file_of_the_whole_document_is_no_change() {
    let scene = Scene::new();
    let mut peer = scene.peer();
    let file = peer.save().unwrap();
    let received = peer.receive(vec![file]);
    assert_eq!(
        received.refused[0].refusal,
        Refusal::NotAPlainChange { kind: 0 }
    );
}
