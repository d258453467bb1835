//! What is known to exist and isn't here.

use gravelbar_proof::{Gap, ProofError, Provenance};

use crate::world::Device;

#[test]
fn fifty_seven_is_known_fifty_eight_to_sixty_are_not() {
    let mut netter = Device::new(1);
    let mut bank = Device::new(2);
    netter.turn(57);
    bank.meet_wholly(&netter);
    netter.turn(3);
    let standing = netter.provenance.standing();
    let (to_store, strange) = bank.provenance.hear(&standing, |_| true).unwrap();
    assert_eq!(strange, []);
    bank.disk.store(&[], to_store);
    let gap = Gap {
        writer: netter.writer,
        device: netter.signer.device(),
        here: 57,
        known: 60,
    };
    assert_eq!(bank.provenance.gaps(), [gap]);
    // It is still known after a restart, and passed on to who has nothing of it.
    bank.restart();
    assert_eq!(bank.provenance.gaps(), [gap]);
    let mut third = Device::new(3);
    third
        .provenance
        .hear(&bank.provenance.standing(), |_| true)
        .unwrap();
    assert_eq!(third.provenance.gaps(), [Gap { here: 0, ..gap }]);
    bank.meet_wholly(&netter);
    assert_eq!(bank.provenance.gaps(), []);
}

#[test]
fn a_run_that_another_goes_on_from_is_missed_even_if_nobody_has_it() {
    let mut netter = Device::new(1);
    netter.turn(6);
    let before = netter.writer;
    netter.restart();
    netter.turn(2);
    let bank = Device::new(2);
    let second: Vec<_> = netter
        .ledger
        .log()
        .iter()
        .filter(|c| c.writer != before)
        .collect();
    let named: Vec<_> = second.iter().map(|c| (c.writer, c.number)).collect();
    let proof = netter.provenance.prove(&named).unwrap();
    let checked = bank
        .provenance
        .check(second.iter().map(|c| c.bytes.to_vec()).collect(), &proof);
    let mut provenance = bank.provenance.clone();
    provenance.take(&checked.runs[0], &[]);
    let gaps = provenance.gaps();
    assert!(
        gaps.iter()
            .any(|gap| gap.writer == before && gap.known == 6 && gap.here == 0)
    );
}

#[test]
fn news_of_a_device_that_may_not_write_here_is_passed_over() {
    let mut stranger = Device::new(1);
    stranger.turn(3);
    let mut bank = Device::new(2);
    let heard = bank
        .provenance
        .hear(&stranger.provenance.standing(), |_| false);
    assert!(heard.unwrap().0.is_empty());
    assert_eq!(bank.provenance.gaps(), []);
}

#[test]
fn every_flipped_bit_in_news_is_refused_or_still_says_the_same() {
    let mut netter = Device::new(1);
    netter.turn(2);
    netter.restart();
    netter.turn(3);
    let standing = netter.provenance.standing();
    for bit in 0..standing.len() * 8 {
        let mut bank = Device::new(2);
        let mut forged = standing.clone();
        forged[bit / 8] ^= 1 << (bit % 8);
        match bank.provenance.hear(&forged, |_| true) {
            Err(error) => assert_eq!(error, ProofError::Malformed),
            Ok((_, strange)) => assert_eq!(strange.len(), 1, "bit {bit}"),
        }
    }
}

#[test]
fn changes_from_before_there_were_signatures_are_proved_by_a_later_signature() {
    let mut netter = Device::new(1);
    netter.turn(9);
    // A folder that holds the changes and neither openings nor heads.
    let changes = || netter.ledger.log().iter().map(|c| (c.writer, c.hash));
    let bare = || Provenance::restore(netter.ledger.id(), [], [], changes()).0;
    let (mut own, mut bank) = (bare(), bare());
    assert_eq!(own.provable(netter.writer), 0);
    assert_eq!(
        bank.unproved_writers().collect::<Vec<_>>(),
        [(netter.writer, 9)]
    );
    let to_store = own.sign_loose(&netter.signer, netter.writer);
    assert_eq!(to_store.openings.len(), 1);
    assert_eq!(own.provable(netter.writer), 9);
    bank.hear(&own.standing(), |_| true).unwrap();
    assert_eq!(bank.provable(netter.writer), 9);
    assert_eq!(bank.unproved_writers().count(), 0);
}
