//! Whatever an honest crew does, in whatever order it meets: everything is proved, nothing is suspected.

use proptest::prelude::*;

use crate::world::Device;

#[derive(Debug, Clone)]
enum Step {
    Turn { device: usize, changes: usize },
    Meet { to: usize, from: usize, most: usize },
    Restart { device: usize },
    Tell { to: usize, from: usize },
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        4 => (0..4_usize, 1..40_usize).prop_map(|(device, changes)| Step::Turn { device, changes }),
        6 => (0..4_usize, 0..4_usize, 1..70_usize)
            .prop_map(|(to, from, most)| Step::Meet { to, from, most }),
        1 => (0..4_usize).prop_map(|device| Step::Restart { device }),
        1 => (0..4_usize, 0..4_usize).prop_map(|(to, from)| Step::Tell { to, from }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// A third device's relay, any cut, any restart, any news of what others hold: all parcels pass.
    #[test]
    fn an_honest_crew_proves_everything_and_is_never_suspected(
        steps in proptest::collection::vec(step(), 1..40)
    ) {
        let mut crew: Vec<Device> = (1..=4).map(Device::new).collect();
        for step in steps {
            match step {
                Step::Turn { device, changes } => crew[device].turn(changes),
                Step::Restart { device } => crew[device].restart(),
                Step::Meet { to, from, .. } | Step::Tell { to, from } if to == from => {}
                Step::Meet { to, from, most } => {
                    let [to, from] = crew.get_disjoint_mut([to, from]).unwrap();
                    to.meet(from, most);
                }
                Step::Tell { to, from } => {
                    let standing = crew[from].provenance.standing();
                    let (to_store, strange) =
                        crew[to].provenance.hear(&standing, |_| true).unwrap();
                    prop_assert!(strange.is_empty());
                    crew[to].disk.store(&[], to_store);
                }
            }
        }
        for _ in 0..2 {
            for to in 0..4 {
                for from in (0..4).filter(|from| *from != to) {
                    let [to, from] = crew.get_disjoint_mut([to, from]).unwrap();
                    to.meet_wholly(from);
                }
            }
        }
        for device in &crew {
            prop_assert_eq!(device.ledger.vector(), crew[0].ledger.vector());
            prop_assert_eq!(device.provenance.gaps(), []);
            prop_assert_eq!(device.provenance.forks(), []);
            for (writer, number) in device.ledger.vector() {
                prop_assert_eq!(device.provenance.provable(*writer), *number);
                prop_assert_eq!(
                    device.provenance.device(*writer).map(|d| d.tag()),
                    Some(writer.device)
                );
            }
            let (read_back, doubts) = device.disk.read(device.ledger.id());
            prop_assert_eq!(doubts, 0);
            prop_assert_eq!(read_back.standing(), device.provenance.standing());
        }
    }
}

#[test]
fn any_run_between_any_two_numbers_is_proved_to_whoever_holds_what_comes_before() {
    let mut writes = Device::new(1);
    // Heads are at 16, 32, 48 and at the newest, 57.
    for changes in [13, 9, 20, 15] {
        writes.turn(changes);
    }
    for cut in 1..57 {
        let mut first = Device::new(2);
        first.meet(&writes, cut);
        let gaps = first.provenance.gaps();
        let at_a_head = cut.is_multiple_of(16);
        assert_eq!(
            gaps.iter().map(|gap| gap.here).max(),
            (!at_a_head).then_some(cut as u64)
        );
        // The relay ends between two heads and proves it all the same.
        let mut second = Device::new(3);
        second.meet_wholly(&first);
        first.restart();
        let mut third = Device::new(4);
        third.meet(&first, cut.div_ceil(2));
        third.meet_wholly(&first);
        assert_eq!(third.ledger.heads(), second.ledger.heads());
        third.meet_wholly(&writes);
        assert_eq!(third.ledger.heads(), writes.ledger.heads());
        assert_eq!(third.provenance.gaps(), []);
    }
}

#[test]
fn a_change_sent_ahead_of_its_history_is_known_to_be_its_devices() {
    let mut writes = Device::new(1);
    writes.turn(21);
    for number in 1..=21 {
        let change = writes.ledger.log()[number as usize - 1].bytes.to_vec();
        let bytes = writes
            .provenance
            .prove_single(writes.writer, number, &change)
            .unwrap();
        let single = gravelbar_proof::Single::check(writes.ledger.id(), &bytes).unwrap();
        assert_eq!(single.device, writes.signer.device());
        assert_eq!(single.claims.number, number);
        assert_eq!(single.change, change);
    }
}

/// The longest proof there can be for a parcel that one batch of the conversation holds.
#[test]
fn a_proof_of_256_changes_is_never_longer_than_a_batch_has_room_for() {
    // Each of 256 writers sends its first change, of which the next head is fifteen changes away; each run
    // has gone on from another.
    let opening = 1 + 16 + 8 + 32 + 1 + 8 + 8 + 32;
    let longest = 16 + opening + 1 + 15 * 32 + 2 + 64;
    assert!(256 * longest <= gravelbar_proof::MAX_PROOF_BYTES);
    let mut writes = Device::new(1);
    writes.turn(1);
    writes.restart();
    writes.turn(16);
    let proof = writes.provenance.prove(&[(writes.writer, 1)]).unwrap();
    assert_eq!(proof.len(), longest);
    // One writer's further change costs at most a sixteenth of a signature and no hash; so no mix is longer.
}
