//! Honest changes, damaged in thousands of ways and sealed again with the right checksum.

use gravelbar_ledger::{Ledger, Received};

use crate::craft::{ABOUT, Dice, writer};
use crate::damage::{honest_history, misshapen, mutated};

/// Whatever gets in must be a whole change that the document can be saved and loaded with, and the
/// honest changes that follow must still get in unless it took their place.
fn attack(mutate: fn(&[u8], &[u8], &mut Dice) -> Vec<u8>, rounds: usize, seed: u64) {
    let honest = honest_history();
    let mut dice = Dice(seed);
    let (mut refused, mut applied) = (0, 0);
    for known in 0..honest.len() {
        let begin = || {
            Ledger::restore(ABOUT, writer(9, 1), honest[..known].to_vec())
                .unwrap()
                .0
        };
        let mut peer = begin();
        for _ in 0..rounds {
            let donor = &honest[dice.below(honest.len())];
            let change = mutate(&honest[known], donor, &mut dice);
            let Received { applied: taken, .. } = peer.receive(vec![change]);
            if taken.is_empty() {
                refused += 1;
                continue;
            }
            applied += 1;
            peer.verify().unwrap();
            peer = begin();
        }
        assert_eq!(
            peer.log().len(),
            known,
            "nothing of the refused ones stayed"
        );
        assert_eq!(
            peer.receive(honest[known..].to_vec()).applied.len(),
            honest.len() - known
        );
        peer.verify().unwrap();
    }
    assert!(
        refused > 0 && applied > 0,
        "{refused} refused, {applied} applied"
    );
}

#[test]
fn no_damage_gets_past_the_gate_and_spoils_anything() {
    attack(mutated, 1_000, 1);
}

#[test]
fn no_misshapen_change_gets_past_the_gate_and_spoils_anything() {
    attack(misshapen, 1_000, 2);
}

/// Without a right checksum nothing gets in at all.
#[test]
fn every_single_flipped_bit_is_noticed() {
    let honest = honest_history();
    let (last, before) = honest.split_last().unwrap();
    let mut peer = Ledger::restore(ABOUT, writer(9, 1), before.to_vec())
        .unwrap()
        .0;
    let flipped: Vec<_> = (0..last.len() * 8)
        .map(|bit| {
            let mut change = last.clone();
            change[bit / 8] ^= 1 << (bit % 8);
            change
        })
        .collect();
    let count = flipped.len();
    let received = peer.receive(flipped);
    assert_eq!(received.refused.len(), count);
    assert_eq!(peer.receive(vec![last.clone()]).applied.len(), 1);
}
