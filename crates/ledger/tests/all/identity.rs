//! Restored backups, cloned devices, forged names: nobody gets stuck, and it shows.

use gravelbar_ledger::{Ledger, Refusal};

use crate::craft::{
    ABOUT, Crafted, DAY_S, Dice, add, bytes_of, expanded, hand_over, ledger, op_id, put, restored,
    writer, written,
};

/// A device goes on from last week's copy under a fresh session, as every start does.
#[test]
fn a_restored_backup_and_the_others_still_come_together() {
    for seed in 0..40 {
        let mut dice = Dice(seed);
        let mut tablet = ledger(1, 1);
        let mut other = ledger(2, 1);
        for n in 0..5 + dice.below(20) {
            add(&mut tablet, &format!("before {n}"));
        }
        let backup = bytes_of(&tablet.log()[..dice.below(tablet.log().len())]);
        hand_over(&tablet, &mut other);
        add(&mut tablet, "told nobody");
        add(&mut other, "meanwhile");

        let (mut tablet_again, _) = Ledger::restore(ABOUT, writer(1, 2), backup.clone()).unwrap();
        add(&mut tablet_again, "after");
        let received = hand_over(&other, &mut tablet_again);
        assert!(received.refused.is_empty() && received.waiting.is_empty());
        let own = other.log().len() - 1 - backup.len();
        assert_eq!(
            received.own, own,
            "seed {seed}: what it had written and lost"
        );
        hand_over(&tablet_again, &mut other);
        assert_eq!(other.heads(), tablet_again.heads());

        // The old device turns up after all: what it had told nobody arrives too.
        hand_over(&tablet, &mut other);
        hand_over(&other, &mut tablet_again);
        hand_over(&other, &mut tablet);
        assert_eq!(tablet.heads(), tablet_again.heads());
        assert_eq!(tablet.save(), tablet_again.save());
    }
}

#[test]
fn an_honest_restart_shows_nothing_as_strange() {
    let mut tablet = ledger(1, 1);
    let mut other = ledger(2, 1);
    add(&mut tablet, "one");
    hand_over(&tablet, &mut other);
    let mut tablet = restored(&tablet, writer(1, 2));
    add(&mut other, "two");
    assert_eq!(hand_over(&other, &mut tablet).own, 0);
    add(&mut tablet, "three");
    assert_eq!(hand_over(&tablet, &mut other).own, 0);
    assert_eq!(tablet.heads(), other.heads());
}

/// Two devices run on under one name and one session, which a caller must never allow. Each keeps
/// its own branch, both are told, and everybody else's records flow through both.
#[test]
fn a_cloned_session_is_told_of_and_blocks_nobody_else() {
    let mut original = ledger(1, 1);
    add(&mut original, "shared");
    let mut clone = restored(&original, writer(1, 1));
    add(&mut original, "original's second");
    add(&mut original, "original's third");
    add(&mut clone, "clone's second");
    let mut third = ledger(3, 1);
    hand_over(&clone, &mut third);
    add(&mut third, "third's, after the clone's");
    let mut fourth = ledger(4, 1);
    add(&mut fourth, "fourth's own");
    hand_over(&fourth, &mut third);

    let everything = bytes_of(third.log());
    let received = original.receive(everything);
    let held = |body: &str| original.records().any(|record| &*record.body == body);
    assert!(held("fourth's own"));
    assert_eq!(received.duplicates, 1);
    let forks: Vec<_> = received.refused.iter().map(|r| &r.refusal).collect();
    assert!(
        matches!(forks[..], [Refusal::Fork { number: 2, writer: w, .. }] if *w == writer(1, 1)),
        "{forks:?}"
    );
    // What was written on top of the clone's branch can't be taken here, and says so.
    assert_eq!(received.waiting.len(), 1);

    // Told only of the later change, the other side notices as well.
    let later = original.log()[2].bytes.to_vec();
    let received = clone.receive(vec![later]);
    assert!(matches!(
        received.refused[0].refusal,
        Refusal::Branch { number: 3, .. }
    ));
    assert!(received.refused[0].refusal.is_fork());

    // Under a fresh session all goes on.
    let mut original = restored(&original, writer(1, 2));
    add(&mut original, "onwards");
    let mut fifth = ledger(5, 1);
    hand_over(&original, &mut fifth);
    assert_eq!(fifth.heads(), original.heads());
}

/// Forging another writer's next change is what signatures are for: the gate can't tell it from the
/// real one. What it can do is hold the forger to that writer's own next record, and say so when
/// the real one comes.
#[test]
fn a_forged_next_change_is_at_least_noticed() {
    let mut victim = ledger(1, 1);
    let mut peer = ledger(2, 1);
    add(&mut victim, "first");
    hand_over(&victim, &mut peer);
    let mut forger = restored(&victim, writer(1, 1));
    let forged = add(&mut forger, "never said");
    assert_eq!(peer.receive(vec![forged]).applied.len(), 1);
    let real = add(&mut victim, "really said");
    let received = peer.receive(vec![real]);
    assert!(received.refused[0].refusal.is_fork());
}

#[test]
fn nobody_writes_as_the_first_changes_writer() {
    let mut ours = ledger(1, 1);
    let honest = add(&mut ledger(2, 1), "tap");
    let mut forged = Crafted::from(&honest);
    forged.actor = ours.id().0.to_vec();
    for seq in [1, 2] {
        forged.seq = seq;
        let received = ours.receive(vec![forged.bytes()]);
        assert_eq!(received.refused[0].refusal, Refusal::FirstChangeWriter);
    }
}

/// A record in another writer's shard, under the forger's own name.
#[test]
fn nobody_writes_into_anothers_shard() {
    let mut victim = ledger(1, 1);
    add(&mut victim, "first");
    let mut peer = ledger(2, 1);
    hand_over(&victim, &mut peer);
    let mut forger = restored(&victim, writer(3, 1));
    let honest = forger.append(&["mine".to_owned()], DAY_S).unwrap();
    let mut change = expanded(&honest.change.bytes);
    let theirs = automerge::legacy::ObjectId::Id(op_id(3, writer(1, 1)));
    change.operations = vec![put(theirs, "2", "theirs")];
    let received = peer.receive(vec![written(change)]);
    assert_eq!(received.refused[0].refusal, Refusal::NotAsWritten);

    // Nor makes a shard in another's name.
    let mut change = expanded(&honest.change.bytes);
    change.operations[0].key =
        automerge::legacy::Key::Map(format!("{}/1", writer(1, 1)).as_str().into());
    let received = peer.receive(vec![written(change)]);
    assert_eq!(received.refused[0].refusal, Refusal::NotAsWritten);
    assert_eq!(peer.heads(), victim.heads());
}

#[test]
fn the_first_change_sent_along_is_one_we_have() {
    let mut ours = ledger(1, 1);
    let document = automerge::Automerge::load(&ours.save().unwrap()).unwrap();
    let genesis = document.get_changes(&[])[0].raw_bytes().to_vec();
    let received = ours.receive(vec![genesis]);
    assert_eq!((received.duplicates, received.refused.len()), (1, 0));
    let elsewhere = Ledger::create("another brook", writer(1, 1)).unwrap();
    let document = automerge::Automerge::load(&elsewhere.save().unwrap()).unwrap();
    let genesis = document.get_changes(&[])[0].raw_bytes().to_vec();
    assert_eq!(ours.receive(vec![genesis]).refused.len(), 1);
}

#[test]
fn changes_of_another_document_stay_out() {
    let mut elsewhere = Ledger::create("another brook", writer(1, 1)).unwrap();
    let change = elsewhere
        .append(&["there".to_owned()], DAY_S)
        .unwrap()
        .change;
    let mut ours = ledger(2, 1);
    let received = ours.receive(vec![change.bytes.to_vec()]);
    assert!(matches!(
        received.waiting[0].refusal,
        Refusal::UnknownDeps { .. }
    ));
    assert_eq!(ours.records().len(), 0);
}
