//! Copies of a device and backups put back: seen by everyone, kept once each.

use gravelbar_proof::Fork;
use proptest::prelude::*;

use crate::world::Device;

#[test]
fn a_backup_put_back_is_seen_by_who_knew_more_and_loses_nothing() {
    let mut netter = Device::new(1);
    let mut bank = Device::new(2);
    netter.turn(40);
    let backup = netter.disk.clone();
    netter.turn(17);
    bank.meet_wholly(&netter);
    assert_eq!(bank.provenance.forks(), []);

    let old = netter.writer;
    netter.restart_from(backup);
    netter.turn(3);
    bank.meet_wholly(&netter);
    let expected = [Fork::Restored {
        device: netter.signer.device(),
        run: netter.writer,
        from: old,
        at: 40,
        reached: 57,
    }];
    assert_eq!(bank.provenance.forks(), expected);
    // What it had forgotten comes back, and it sees for itself what happened.
    netter.meet_wholly(&bank);
    assert_eq!(netter.ledger.vector(), bank.ledger.vector());
    assert_eq!(netter.ledger.records().len(), 60);
    assert_eq!(netter.provenance.forks(), expected);
}

#[test]
fn two_devices_of_one_key_are_seen_wherever_both_histories_meet() {
    let mut one = Device::new(1);
    one.turn(5);
    let mut copy = one.copied(7);
    one.restart();
    one.turn(2);
    copy.turn(2);
    let mut bank = Device::new(2);
    bank.meet_wholly(&one);
    assert_eq!(bank.provenance.forks(), []);
    bank.meet_wholly(&copy);
    let forks = bank.provenance.forks();
    assert!(matches!(&forks[..], [Fork::Twice { runs, from: Some(_), .. }] if runs.len() == 2));
    assert_eq!(bank.ledger.records().len(), 9);
    // It travels: a third device that meets the bank only sees it too.
    let mut third = Device::new(3);
    third.meet_wholly(&bank);
    assert_eq!(third.provenance.forks(), forks);
    // Runs that go on from one of the two say nothing new.
    copy.restart();
    copy.turn(1);
    bank.meet_wholly(&copy);
    assert_eq!(bank.provenance.forks(), forks);
}

#[test]
fn news_of_the_newest_signature_is_enough_to_see_that_a_backup_was_put_back() {
    let mut netter = Device::new(1);
    netter.turn(4);
    let backup = netter.disk.clone();
    netter.turn(4);
    let standing = netter.provenance.standing();
    netter.restart_from(backup);
    netter.turn(1);
    let (_, strange) = netter.provenance.hear(&standing, |_| true).unwrap();
    assert_eq!(strange, []);
    assert!(matches!(
        netter.provenance.forks()[..],
        [Fork::Restored {
            at: 4,
            reached: 8,
            ..
        }]
    ));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    /// A copy that goes its own way is seen if and only if both ways are written on.
    #[test]
    fn a_parting_is_seen_exactly_when_there_is_one(
        before in 1..40_usize, one in 0..20_usize, other in 0..20_usize, restarted in any::<bool>()
    ) {
        let mut first = Device::new(1);
        first.turn(before);
        let mut copy = first.copied(9);
        if restarted {
            first.restart();
        }
        if one > 0 {
            first.turn(one);
        }
        if other > 0 {
            copy.turn(other);
        }
        let mut bank = Device::new(2);
        bank.meet_wholly(&first);
        bank.meet_wholly(&copy);
        prop_assert_eq!(bank.ledger.records().len(), before + one + other);
        prop_assert_eq!(!bank.provenance.forks().is_empty(), one > 0 && other > 0);
    }
}
