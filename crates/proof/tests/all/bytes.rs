//! Whatever bytes come: no panic, no memory beyond them, nothing taken.

use proptest::prelude::*;

use crate::world::Device;
use gravelbar_proof::{Provenance, Single};

proptest! {
    #[test]
    fn arbitrary_bytes_prove_nothing(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
        let mut writes = Device::new(1);
        writes.turn(2);
        let mut hears = Device::new(2);
        let changes: Vec<_> = writes.ledger.log().iter().map(|c| c.bytes.to_vec()).collect();
        let checked = hears.receive(changes, &bytes);
        prop_assert_eq!(checked.unproved.len(), 2);
        prop_assert!(Single::check(hears.ledger.id(), &bytes).is_err());
        let heard = hears.provenance.hear(&bytes, |_| true);
        prop_assert!(bytes.is_empty() || heard.is_err() || !heard.unwrap().1.is_empty());
        prop_assert_eq!(hears.provenance.gaps(), []);
    }

    /// Counts that promise more than is there.
    #[test]
    fn a_count_that_lies_is_refused(tail in any::<u8>(), signatures in any::<u16>()) {
        let mut writes = Device::new(1);
        writes.turn(1);
        let mut proof = writes.provenance.prove(&[(writes.writer, 1)]).unwrap();
        let counts = proof.len() - 64 - 3;
        prop_assume!((tail, signatures) != (0, 1));
        proof[counts] = tail;
        proof[counts + 1..counts + 3].copy_from_slice(&signatures.to_be_bytes());
        let change = writes.ledger.log()[0].bytes.to_vec();
        let checked = Provenance::new(writes.ledger.id()).check(vec![change], &proof);
        prop_assert!(checked.runs.is_empty());
    }

    #[test]
    fn a_flipped_bit_on_disk_is_told_or_changes_nothing_that_is_said(at in any::<usize>()) {
        let mut writes = Device::new(1);
        writes.turn(20);
        let mut holds = Device::new(2);
        holds.meet(&writes, 17);
        let before = (holds.provenance.gaps(), holds.provenance.standing());
        holds.disk.flip(at);
        let (read, doubts) = holds.disk.read(holds.ledger.id());
        let mut other = Device::new(3);
        if doubts == 0 {
            // A signature in between is held against its key by whoever it is sent to.
            prop_assert_eq!((read.gaps(), read.standing()), before);
        }
        let named: Vec<_> = (1..=17).map(|n| (writes.writer, n)).collect();
        if let Ok(proof) = read.prove(&named) {
            let changes: Vec<_> = holds.ledger.log().iter().map(|c| c.bytes.to_vec()).collect();
            let checked = other.receive(changes, &proof);
            prop_assert!(doubts == 0 || checked.unproved.is_empty() || checked.unproved.len() == 17);
        }
    }
}
