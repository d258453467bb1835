//! Damages honest changes for as many rounds as wanted and sees that nothing gets spoilt.
//!
//! `cargo run --release -p gravelbar-ledger --example hostile_changes [rounds [seed]]`, 1,000,000 rounds
//! and seed 1 unless said. Stops with the seed and the round at the first thing that shouldn't be.

#![expect(
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test program that stops at the first fault and prints what it did"
)]

#[allow(dead_code, reason = "shared with the tests, which use more of it")]
#[path = "../tests/all/craft.rs"]
mod craft;
#[path = "../tests/all/damage.rs"]
mod damage;

use std::collections::BTreeMap;

use craft::{ABOUT, Dice, writer};
use damage::{honest_history, misshapen, mutated};
use gravelbar_ledger::Ledger;

fn main() {
    let mut arguments = std::env::args()
        .skip(1)
        .map(|n| n.parse::<u64>().expect("a number"));
    let rounds = arguments.next().unwrap_or(1_000_000);
    let seed = arguments.next().unwrap_or(1);
    let honest = honest_history();
    let mut dice = Dice(seed);
    let mut verdicts: BTreeMap<String, u64> = BTreeMap::new();
    let begin = |known: usize| {
        Ledger::restore(ABOUT, writer(9, 1), honest[..known].to_vec())
            .unwrap()
            .0
    };
    let mut peers: Vec<_> = (0..honest.len()).map(begin).collect();
    let heads: Vec<_> = peers.iter().map(Ledger::heads).collect();
    for round in 0..rounds {
        let known = dice.below(honest.len());
        let donor = &honest[dice.below(honest.len())];
        let damage = [mutated, misshapen][dice.below(2)];
        let change = damage(&honest[known], donor, &mut dice);
        let peer = &mut peers[known];
        let received = peer.receive(vec![change]);
        let verdict = match received.refused.first().or(received.waiting.first()) {
            Some(refused) => format!("{:?}", refused.refusal),
            None if received.applied.is_empty() => "duplicate".to_owned(),
            None => "applied".to_owned(),
        };
        let verdict = verdict.split([' ', '{']).next().unwrap_or("").to_owned();
        if verdict == "Library" {
            panic!("seed {seed}, round {round}: the library failed behind the gate");
        }
        if verdict == "applied" {
            assert!(peer.verify().is_ok(), "seed {seed}, round {round}: spoilt");
            *peer = begin(known);
        } else {
            assert_eq!(
                peer.heads(),
                heads[known],
                "seed {seed}, round {round}: left a trace"
            );
        }
        *verdicts.entry(verdict).or_default() += 1;
    }
    for peer in &mut peers {
        peer.verify().expect("the last documents are whole");
    }
    println!("{rounds} rounds from seed {seed}: nothing spoilt");
    for (verdict, count) in verdicts {
        println!("{count:>10}  {verdict}");
    }
}
