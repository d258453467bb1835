//! Everything that somebody on the way can do to a parcel: all of it is refused.

use gravelbar_ledger::{Ledger, Writer};
use gravelbar_proof::{ProofError, Provenance, Single};
use proptest::prelude::*;

use crate::world::{ABOUT, Device};

/// A crew of two of which a third is told: a parcel with several writers and runs.
fn crew() -> (Device, Vec<Vec<u8>>, Vec<u8>) {
    let mut netter = Device::new(1);
    let mut bank = Device::new(2);
    netter.turn(18);
    netter.restart();
    netter.turn(5);
    bank.turn(3);
    bank.meet_wholly(&netter);
    let (changes, proof) = bank.parcel(&Device::new(3), 256);
    (bank, changes, proof)
}

fn writers_proved(changes: &[Vec<u8>], proof: &[u8]) -> Vec<Writer> {
    let document = Ledger::document_id(ABOUT);
    let checked = Provenance::new(document).check(changes.to_vec(), proof);
    checked.runs.iter().map(|run| run.writer()).collect()
}

#[test]
fn the_parcel_itself_is_proved() {
    let (_, changes, proof) = crew();
    assert_eq!(writers_proved(&changes, &proof).len(), 3);
}

#[test]
fn every_flipped_bit_of_a_proof_takes_the_proof_from_a_writer() {
    let (_, changes, proof) = crew();
    for bit in 0..proof.len() * 8 {
        let mut forged = proof.clone();
        forged[bit / 8] ^= 1 << (bit % 8);
        assert!(writers_proved(&changes, &forged).len() < 3, "bit {bit}");
    }
}

#[test]
fn every_shorter_and_every_longer_proof_is_refused() {
    let (_, changes, proof) = crew();
    for length in 0..proof.len() {
        assert!(
            writers_proved(&changes, &proof[..length]).len() < 3,
            "{length}"
        );
    }
    for more in 1..200 {
        let longer = [&proof[..], &vec![0; more]].concat();
        assert!(writers_proved(&changes, &longer).is_empty(), "{more}");
    }
}

#[test]
fn a_change_left_out_takes_the_proof_from_its_writer_and_from_no_other() {
    let (_, changes, proof) = crew();
    for left_out in 0..changes.len() {
        let mut fewer = changes.clone();
        let writer = Ledger::claims(&fewer.remove(left_out)).unwrap().writer;
        let proved = writers_proved(&fewer, &proof);
        assert!(!proved.contains(&writer));
        assert_eq!(proved.len(), 2);
    }
}

/// A change that anybody can write down: of the right form, under another's name.
fn forged(writer: Writer, number: u64) -> Vec<u8> {
    let mut forger = Ledger::create(ABOUT, writer).unwrap();
    for _ in 0..number {
        forger
            .append(&["a forged trout".to_owned()], 1_770_000_000)
            .unwrap();
    }
    forger.log()[number as usize - 1].bytes.to_vec()
}

#[test]
fn a_forged_change_in_the_place_of_a_true_one_is_refused() {
    let (_, changes, proof) = crew();
    for place in 0..changes.len() {
        let true_one = Ledger::claims(&changes[place]).unwrap();
        let mut parcel = changes.clone();
        parcel[place] = forged(true_one.writer, true_one.number);
        let proved = writers_proved(&parcel, &proof);
        assert!(!proved.contains(&true_one.writer));
        assert_eq!(proved.len(), 2);
    }
}

#[test]
fn a_forged_change_beside_true_ones_is_refused() {
    let (bank, changes, proof) = crew();
    let mut parcel = changes.clone();
    parcel.push(forged(bank.writer, 4));
    assert!(!writers_proved(&parcel, &proof).contains(&bank.writer));
    // Also later, for a device that holds all the true ones, and with a signature over another number.
    let mut third = Device::new(3);
    third.meet_wholly(&bank);
    for proof in [&proof[..], &[]] {
        let checked = third.provenance.check(vec![forged(bank.writer, 4)], proof);
        assert!(checked.runs.is_empty());
    }
    let other = third.provenance.check(vec![forged(bank.writer, 2)], &[]);
    assert_eq!(
        other.unproved[0].why,
        ProofError::Contradiction {
            writer: bank.writer,
            number: 2
        }
    );
}

/// The pieces of a proof, cut where one writer's part ends and the next begins.
fn parts(proof: &[u8], of: &Device) -> Vec<Vec<u8>> {
    let spans: Vec<(Writer, u64)> = (of.ledger.vector().iter()).map(|(w, n)| (*w, *n)).collect();
    let parts: Vec<Vec<u8>> = (spans.iter())
        .map(|(writer, last)| {
            let named: Vec<_> = (1..=*last).map(|n| (*writer, n)).collect();
            of.provenance.prove(&named).unwrap()
        })
        .collect();
    assert_eq!(parts.concat(), proof);
    parts
}

#[test]
fn parts_swapped_between_devices_runs_and_documents_are_refused() {
    let (bank, changes, proof) = crew();
    let parts = parts(&proof, &bank);
    // In another order.
    for (one, other) in [(0, 1), (0, 2), (1, 2)] {
        let mut swapped = parts.clone();
        swapped.swap(one, other);
        assert!(writers_proved(&changes, &swapped.concat()).is_empty());
        // Each under the other's name: openings and signatures of one with the changes of another.
        for (at, from) in [(one, other), (other, one)] {
            let name: Vec<u8> = parts[at][..16].to_vec();
            swapped[at] = [&name[..], &parts[from][16..]].concat();
        }
        let proved = writers_proved(&changes, &swapped.concat());
        assert_eq!(proved.len(), 1, "the one that was left as it was");
    }
    // Only the last signature of one with all else of the other.
    for (at, from) in [(0, 1), (1, 2), (2, 0)] {
        let mut swapped = parts.clone();
        let cut = swapped[at].len() - 64;
        let signature = parts[from][parts[from].len() - 64..].to_vec();
        swapped[at].truncate(cut);
        swapped[at].extend(signature);
        assert_eq!(writers_proved(&changes, &swapped.concat()).len(), 2);
    }
    // In another document.
    let elsewhere = Provenance::new(Ledger::document_id("another brook"));
    let checked = elsewhere.check(changes.clone(), &proof);
    assert!(checked.runs.is_empty());
    assert!(
        checked
            .unproved
            .iter()
            .all(|u| u.why == ProofError::OtherOpening)
    );
}

#[test]
fn a_parcel_that_came_before_changes_nothing_when_it_comes_again() {
    let (bank, changes, proof) = crew();
    let mut third = Device::new(3);
    third.meet_wholly(&bank);
    let before = (third.provenance.standing(), third.ledger.heads());
    let again = third.receive(changes, &proof);
    assert!(again.unproved.is_empty());
    assert_eq!((third.provenance.standing(), third.ledger.heads()), before);
}

#[test]
fn what_comes_too_early_is_early_and_not_forged() {
    let mut netter = Device::new(1);
    netter.turn(20);
    let mut bank = Device::new(2);
    let later: Vec<_> = (18..=20).map(|n| (netter.writer, n)).collect();
    let proof = netter.provenance.prove(&later).unwrap();
    let bytes = |from: usize| -> Vec<_> {
        netter.ledger.log()[from..]
            .iter()
            .map(|c| c.bytes.to_vec())
            .collect()
    };
    let checked = bank.provenance.check(bytes(17), &proof);
    assert!(checked.unproved.iter().all(|u| u.why.is_early()));
    bank.meet(&netter, 5);
    let checked = bank.provenance.check(bytes(17), &proof);
    assert!(checked.unproved.iter().all(|u| u.why.is_early()));
}

#[test]
fn every_flipped_bit_of_a_single_proof_is_refused() {
    let mut netter = Device::new(1);
    netter.turn(18);
    let change = netter.ledger.log()[8].bytes.to_vec();
    let bytes = netter
        .provenance
        .prove_single(netter.writer, 9, &change)
        .unwrap();
    assert!(Single::check(netter.ledger.id(), &bytes).is_ok());
    for bit in 0..bytes.len() * 8 {
        let mut forged = bytes.clone();
        forged[bit / 8] ^= 1 << (bit % 8);
        assert!(
            Single::check(netter.ledger.id(), &forged).is_err(),
            "bit {bit}"
        );
    }
    for length in 0..bytes.len() {
        assert!(Single::check(netter.ledger.id(), &bytes[..length]).is_err());
    }
    assert!(Single::check(Ledger::document_id("another"), &bytes).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Several bytes anywhere in the changes or in the proof.
    #[test]
    fn altered_parcels_are_refused(
        edits in proptest::collection::vec((any::<prop::sample::Index>(), 1..=u8::MAX), 1..4)
    ) {
        let (_, mut changes, mut proof) = crew();
        let (before, proof_before) = (changes.clone(), proof.clone());
        {
            let mut all: Vec<&mut u8> = changes.iter_mut().flatten().chain(&mut proof).collect();
            for (at, by) in edits {
                let at = at.index(all.len());
                *all[at] ^= by;
            }
        }
        prop_assume!((&changes, &proof) != (&before, &proof_before));
        prop_assert!(writers_proved(&changes, &proof).len() < 3);
    }
}
