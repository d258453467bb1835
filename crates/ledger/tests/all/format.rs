//! The document as any Automerge program sees it, and as `FORMAT.md` describes it.

use automerge::transaction::{CommitOptions, Transactable};
use automerge::{ActorId, Automerge, Change, ObjType, ROOT, ReadDoc};
use gravelbar_ledger::{ChangeHash, Ledger, MAX_RECORDS_PER_CHANGE, RecordId, SHARD_RECORDS};
use sha2::{Digest, Sha256};

use crate::craft::{ABOUT, Crafted, DAY_S, add, hand_over, ledger, restored, writer};

#[test]
fn a_document_is_named_by_what_it_is_about() {
    let digest = Sha256::digest(format!("gravelbar document 1\0{ABOUT}"));
    assert_eq!(Ledger::document_id(ABOUT).0, digest[..16]);
    assert_ne!(
        Ledger::document_id(ABOUT),
        Ledger::document_id("another brook")
    );
    assert_eq!(ledger(1, 1).id(), ledger(2, 9).id());
}

#[test]
fn every_device_builds_the_same_first_change() {
    let (one, two) = (ledger(1, 1), ledger(2, 7));
    assert_eq!(one.heads(), two.heads());
    assert_eq!(one.save(), two.save());

    // And the library writes the same one when asked to do these two things in this order.
    let actor = ActorId::from(Ledger::document_id(ABOUT).0);
    let mut document = Automerge::new().with_actor(actor);
    let mut acting = document.transaction();
    acting.put(ROOT, "about", ABOUT).unwrap();
    acting.put_object(ROOT, "shards", ObjType::Map).unwrap();
    acting.commit_with(CommitOptions::default().with_time(0));
    assert_eq!(one.heads(), [ChangeHash(document.get_heads()[0].0)]);
}

/// The library, given the same acts, writes the same changes to the byte: across shards, with
/// several records in one change, and with other writers' changes in between.
#[test]
fn changes_are_what_the_library_itself_writes() {
    let mut ours = ledger(1, 1);
    let mut other = ledger(2, 1);
    let genesis = Automerge::load(&ours.save().unwrap()).unwrap();
    let mut theirs = genesis.with_actor(ActorId::from(writer(1, 1).to_bytes()));
    let (_, shards) = theirs.get(ROOT, "shards").unwrap().unwrap();
    let mut shard = None;
    let mut n = 0;
    for round in 0..60_i64 {
        if round % 3 == 1 {
            let change = add(&mut other, &format!("other {round}"));
            let received = ours.receive(vec![change.clone()]);
            assert_eq!(received.applied.len(), 1);
            theirs
                .apply_changes([Change::from_bytes(change).unwrap()])
                .unwrap();
        }
        let bodies: Vec<_> = (0..=round % 11).map(|i| format!("{round}, {i}")).collect();
        let appended = ours.append(&bodies, DAY_S + round).unwrap();
        let mut acting = theirs.transaction();
        for body in bodies {
            if n % SHARD_RECORDS == 0 {
                let key = format!("{}/{}", writer(1, 1), n / SHARD_RECORDS);
                shard = Some(acting.put_object(&shards, key, ObjType::Map).unwrap());
            }
            n += 1;
            acting
                .put(shard.as_ref().unwrap(), n.to_string(), body)
                .unwrap();
        }
        acting.commit_with(CommitOptions::default().with_time(DAY_S + round));
        let change = theirs.get_last_local_change().unwrap();
        assert_eq!(change.raw_bytes(), &*appended.change.bytes, "round {round}");
        if round % 7 == 0 {
            hand_over(&ours, &mut other);
        }
    }
    assert!(n > SHARD_RECORDS, "more than one shard was filled");
}

/// The bytes put together from `FORMAT.md` by hand.
#[test]
fn a_change_is_written_as_the_format_says() {
    let mut ours = ledger(1, 1);
    let name = writer(1, 1);
    let first = Crafted {
        deps: vec![ours.heads()[0].0],
        actor: name.to_bytes().to_vec(),
        seq: 1,
        start_op: 3,
        time: DAY_S,
        message: vec![],
        others: vec![ours.id().0.to_vec()],
        columns: vec![
            (0x01, vec![0x7e, 1, 0]),
            (0x02, vec![0x7e, 2, 3]),
            (
                0x15,
                [&[0x7e, 29], format!("{name}/0").as_bytes(), &[1, b'1']].concat(),
            ),
            (0x34, vec![2]),
            (0x42, vec![0x7e, 0, 1]),
            (0x56, vec![0x7e, 0, 0x56]),
            (0x57, b"trout".to_vec()),
            (0x70, vec![2, 0]),
        ],
        extra: vec![],
    };
    assert_eq!(add(&mut ours, "trout"), first.bytes());
    let second = Crafted {
        deps: vec![ours.heads()[0].0],
        seq: 2,
        start_op: 5,
        time: -1,
        others: vec![],
        columns: vec![
            (0x01, vec![0x02, 0]),
            (0x02, vec![0x02, 3]),
            (0x15, vec![0x7e, 1, b'2', 1, b'3']),
            (0x34, vec![2]),
            (0x42, vec![0x02, 1]),
            (0x56, vec![0x7e, 0x36, 0x26]),
            (0x57, b"eelno".to_vec()),
            (0x70, vec![2, 0]),
        ],
        ..first
    };
    let appended = ours
        .append(&["eel".to_owned(), "no".to_owned()], -1)
        .unwrap();
    assert_eq!(*appended.change.bytes, second.bytes());
    let digest = Sha256::digest(&second.bytes()[8..]);
    assert_eq!(appended.change.hash.0[..], digest[..]);
}

#[test]
fn any_automerge_program_reads_the_file() {
    let mut ours = ledger(1, 1);
    for n in 1..=600 {
        add(&mut ours, &format!("record {n}"));
    }
    let document = Automerge::load(&ours.save().unwrap()).unwrap();
    let (about, _) = document.get(ROOT, "about").unwrap().unwrap();
    assert_eq!(about.as_str(), Some(ABOUT));
    let (_, shards) = document.get(ROOT, "shards").unwrap().unwrap();
    let name = writer(1, 1);
    let keys: Vec<_> = document.keys(&shards).collect();
    assert_eq!(keys, [0, 1, 2].map(|shard| format!("{name}/{shard}")));
    let sizes: Vec<_> = (keys.iter())
        .map(|key| document.length(&document.get(&shards, key.as_str()).unwrap().unwrap().1))
        .collect();
    assert_eq!(sizes, [256, 256, 88]);
    let (_, second) = document.get(&shards, keys[1].as_str()).unwrap().unwrap();
    let (value, _) = document.get(&second, "257").unwrap().unwrap();
    assert_eq!(value.as_str(), Some("record 257"));
}

#[test]
fn a_change_may_fill_one_shard_and_open_the_next() {
    let mut ours = ledger(1, 1);
    for n in 0..SHARD_RECORDS - 1 {
        add(&mut ours, &format!("{n}"));
    }
    let bodies: Vec<_> = (0..MAX_RECORDS_PER_CHANGE)
        .map(|n| format!("act {n}"))
        .collect();
    let appended = ours.append(&bodies, DAY_S).unwrap();
    assert_eq!(appended.records.len(), MAX_RECORDS_PER_CHANGE);
    // 255 records before; then one, the second shard's map, and 255 more.
    let change = &appended.change;
    assert_eq!(change.last_op - change.start_op, 256);
    assert_eq!(change.records, 256..=511);
    for (id, body) in appended.records.iter().zip(&bodies) {
        assert_eq!(&*ours.record(*id).unwrap().body, body.as_str());
    }
    let away = restored(&ours, writer(2, 1));
    assert_eq!(away.heads(), ours.heads());
    assert_eq!(away.save(), ours.save());
}

#[test]
fn an_answer_never_comes_before_what_it_answers() {
    let mut one = ledger(9, 1);
    let mut two = ledger(1, 1);
    for n in 0..5 {
        add(&mut one, &format!("question {n}"));
    }
    hand_over(&one, &mut two);
    let answer = two.append(&["answer".to_owned()], 0).unwrap().records[0];
    let last = two.records().last().unwrap();
    assert_eq!(
        last.id, answer,
        "though its writer's name and clock are lower"
    );
    let first = RecordId {
        writer: writer(9, 1),
        n: 1,
    };
    assert_eq!(two.records().next().unwrap().id, first);
}

#[test]
fn heads_cover_what_had_been_seen_and_no_more() {
    let mut lead = ledger(1, 1);
    let mut netter = ledger(2, 1);
    let seen = netter.append(&["seen".to_owned()], DAY_S).unwrap().records[0];
    hand_over(&netter, &mut lead);
    let signed = lead.heads();
    let late = netter.append(&["late".to_owned()], DAY_S).unwrap().records[0];
    let after = lead.append(&["after".to_owned()], DAY_S).unwrap().records[0];
    hand_over(&netter, &mut lead);

    let covered = lead.records_at(&signed).unwrap();
    assert!(covered.contains(seen));
    assert!(!covered.contains(late));
    assert!(!covered.contains(after));
    let now = lead.records_at(&lead.heads()).unwrap();
    assert!(now.contains(seen) && now.contains(late) && now.contains(after));
    assert_eq!(lead.vector_at(&lead.heads()).unwrap(), *lead.vector());

    let unknown = netter.vector_at(&lead.heads()).unwrap_err();
    assert!(
        lead.heads()
            .ends_with(&unknown.missing[unknown.missing.len() - 1..])
    );
}

#[test]
fn a_change_can_be_asked_whose_it_is_before_it_is_let_in() {
    let mut ours = ledger(1, 1);
    add(&mut ours, "one");
    let change = ours.append(&["two".to_owned()], DAY_S).unwrap().change;
    let claims = Ledger::claims(&change.bytes).unwrap();
    assert_eq!(
        (claims.writer, claims.number, claims.hash),
        (writer(1, 1), 2, change.hash)
    );
    assert!(Ledger::claims(&change.bytes[1..]).is_err());
}

/// A ledger is owned by one task, which may move between threads.
#[test]
fn a_ledger_can_be_sent_to_another_thread() {
    let mut ours = ledger(1, 1);
    let sent = std::thread::spawn(move || {
        add(&mut ours, "from there");
        ours
    });
    assert_eq!(sent.join().unwrap().records().len(), 1);
}
