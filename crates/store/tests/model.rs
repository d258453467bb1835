//! A random history of batches, rests and openings against a plain model in memory.

#![expect(clippy::unwrap_used, reason = "a test that cannot set its stage fails")]

use std::collections::BTreeMap;

use gravelbar_store::{
    Batch, Change, CommitError, Document, Head, Heard, Offset, Opening, Peer, Refused, Store,
};
use proptest::collection::vec;
use proptest::prelude::*;

/// What must be there, by the promises alone.
#[derive(Default, Clone)]
struct Model {
    identity: Option<Vec<u8>>,
    documents: BTreeMap<[u8; 16], Document>,
    changes: Vec<Change>,
    openings: BTreeMap<([u8; 16], [u8; 16]), Opening>,
    heads: BTreeMap<([u8; 16], [u8; 16], u64), Head>,
    answers: BTreeMap<String, String>,
    peers: BTreeMap<[u8; 32], Peer>,
    heard: BTreeMap<[u8; 32], i64>,
    offsets: Vec<Offset>,
    quarantine: Vec<Refused>,
    settings: BTreeMap<String, String>,
}

impl Model {
    /// The state after the batch, or the (document, writer, number) it forks at.
    fn after(&self, batch: &Batch) -> Result<Self, ([u8; 16], [u8; 16], u64)> {
        let mut next = self.clone();
        next.identity = batch.identity.clone().or(next.identity);
        for document in &batch.documents {
            next.documents.insert(document.id, document.clone());
        }
        for change in &batch.changes {
            let key = |change: &Change| (change.document, change.writer, change.number);
            match next.changes.iter().find(|kept| key(kept) == key(change)) {
                None => next.changes.push(change.clone()),
                Some(kept) if kept.bytes == change.bytes => {}
                Some(_) => return Err(key(change)),
            }
        }
        for opening in &batch.openings {
            let key = (opening.document, opening.writer);
            next.openings.insert(key, opening.clone());
        }
        for head in &batch.heads {
            let key = (head.document, head.writer, head.slot);
            next.heads.insert(key, head.clone());
        }
        for (tap, answer) in &batch.answers {
            next.answers.entry(tap.clone()).or_insert(answer.clone());
        }
        for peer in &batch.peers {
            next.peers.insert(peer.key_id, peer.clone());
            next.heard
                .extend(peer.last_heard_ms.map(|at_ms| (peer.key_id, at_ms)));
        }
        next.heard
            .extend(batch.heard.iter().map(|heard| (heard.peer, heard.at_ms)));
        next.offsets.extend(&batch.offsets);
        for refused in &batch.quarantine {
            if next
                .quarantine
                .iter()
                .all(|kept| kept.bytes != refused.bytes)
            {
                next.quarantine.push(refused.clone());
            }
        }
        next.settings.extend(batch.settings.iter().cloned());
        Ok(next)
    }

    fn assert_kept_in(&self, store: &Store) {
        assert!(
            store.opened().damaged.is_empty(),
            "{:?}",
            store.opened().damaged
        );
        assert!(!store.opened().restored);
        assert_eq!(store.identity().unwrap(), self.identity);
        for id in (0..3).map(|n| [n; 16]) {
            let log = store.log(id).unwrap();
            let expected: Vec<_> = self
                .changes
                .iter()
                .filter(|change| change.document == id)
                .map(|change| change.bytes.clone())
                .collect();
            assert_eq!(log.changes, expected);
            assert_eq!(log.damaged, []);
            let mut runs = store.runs(id).unwrap();
            runs.openings.sort_by_key(|opening| opening.writer);
            runs.heads.sort_by_key(|head| (head.writer, head.slot));
            let openings = self.openings.values().filter(|one| one.document == id);
            assert!(runs.openings.iter().eq(openings));
            let heads = self.heads.values().filter(|one| one.document == id);
            assert!(runs.heads.iter().eq(heads));
            assert_eq!(runs.damaged, 0);
        }
        let mut documents = store.documents().unwrap();
        documents.retain(|document| self.documents.contains_key(&document.id));
        documents.sort_by_key(|document| document.id);
        assert_eq!(
            documents,
            self.documents.values().cloned().collect::<Vec<_>>()
        );
        for tap in (0..6).map(|n: u8| n.to_string()) {
            assert_eq!(store.answer(&tap).unwrap().as_ref(), self.answers.get(&tap));
            assert_eq!(
                store.setting(&tap).unwrap().as_ref(),
                self.settings.get(&tap)
            );
        }
        let mut peers = store.peers().unwrap();
        peers.sort_by_key(|peer| peer.key_id);
        let expected: Vec<_> = self
            .peers
            .values()
            .map(|peer| Peer {
                last_heard_ms: self.heard.get(&peer.key_id).copied(),
                ..peer.clone()
            })
            .collect();
        assert_eq!(peers, expected);
        for peer in (0..3).map(|n| [n; 32]) {
            let expected: Vec<_> = self
                .offsets
                .iter()
                .filter(|offset| offset.peer == peer)
                .copied()
                .collect();
            assert_eq!(store.offsets(peer).unwrap(), expected);
        }
        assert_eq!(store.quarantine().unwrap().kept, self.quarantine);
    }
}

#[derive(Debug, Clone)]
enum Step {
    Commit(Box<Batch>),
    Rest,
    Reopen,
    /// Dropped without a word, as by a crash, and opened again.
    Crash,
}

fn id() -> impl Strategy<Value = [u8; 16]> {
    (0..3_u8).prop_map(|n| [n; 16])
}

fn key() -> impl Strategy<Value = [u8; 32]> {
    (0..3_u8).prop_map(|n| [n; 32])
}

fn word() -> impl Strategy<Value = String> {
    (0..6_u8).prop_map(|n| n.to_string())
}

/// Few keys and few different bytes, so that repetitions and forks are common; now and then more than a page.
fn bytes() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![8 => vec(0..2_u8, 0..2), 1 => vec(any::<u8>(), 0..20_000)]
}

fn batch() -> impl Strategy<Value = Batch> {
    let change = (
        id(),
        id(),
        0..8_u64,
        bytes(),
        proptest::option::of(key()),
        any::<i64>(),
    )
        .prop_map(
            |(document, writer, number, bytes, heard_from, at_ms)| Change {
                document,
                writer,
                // Numbers near the top count too.
                number: if number > 6 {
                    u64::MAX - number
                } else {
                    number
                },
                bytes,
                heard_from,
                at_ms,
            },
        );
    let opening = (id(), id(), bytes()).prop_map(|(document, writer, bytes)| Opening {
        document,
        writer,
        bytes,
    });
    let head = (id(), id(), 0..3_u64, bytes()).prop_map(|(document, writer, slot, bytes)| Head {
        document,
        writer,
        slot: if slot == 2 { u64::MAX } else { slot },
        bytes,
    });
    let document = (id(), ".*", any::<i64>()).prop_map(|(id, about, added_ms)| Document {
        id,
        about,
        added_ms,
    });
    let peer = (
        key(),
        ".*",
        vec("[a-z0-9:.]{1,9}", 0..3),
        proptest::option::of(any::<i64>()),
    )
        .prop_map(|(key_id, name, addresses, last_heard_ms)| Peer {
            key_id,
            name,
            addresses,
            last_heard_ms,
        });
    let heard = (key(), any::<i64>()).prop_map(|(peer, at_ms)| Heard { peer, at_ms });
    let offset = (key(), any::<i64>(), any::<i64>(), any::<i64>()).prop_map(
        |(peer, at_ms, offset_ms, uncertainty_ms)| Offset {
            peer,
            at_ms,
            offset_ms,
            uncertainty_ms,
        },
    );
    let refused = (
        id(),
        proptest::option::of(key()),
        bytes(),
        ".*",
        any::<i64>(),
    )
        .prop_map(|(document, peer, bytes, reason, at_ms)| Refused {
            document,
            peer,
            bytes,
            reason,
            at_ms,
        });
    (
        proptest::option::weighted(0.1, bytes()),
        vec(document, 0..2),
        vec(change, 0..5),
        (vec(opening, 0..2), vec(head, 0..3)),
        vec((word(), ".*"), 0..3),
        vec(peer, 0..2),
        vec(heard, 0..2),
        vec(offset, 0..2),
        vec(refused, 0..2),
        vec((word(), ".*"), 0..2),
    )
        .prop_map(
            |(
                identity,
                documents,
                changes,
                (openings, heads),
                answers,
                peers,
                heard,
                offsets,
                quarantine,
                settings,
            )| Batch {
                identity,
                documents,
                changes,
                openings,
                heads,
                answers,
                peers,
                heard,
                offsets,
                quarantine,
                settings,
            },
        )
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        8 => batch().prop_map(|batch| Step::Commit(Box::new(batch))),
        1 => Just(Step::Rest),
        1 => Just(Step::Reopen),
        1 => Just(Step::Crash),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn the_store_keeps_what_the_model_keeps(steps in vec(step(), 1..14)) {
        let place = tempfile::tempdir().unwrap();
        let (folder, witness) = (place.path().join("tablet"), place.path().join("witness"));
        let mut store = Store::open(&folder, Some(&witness)).unwrap();
        let mut model = Model::default();
        for step in steps {
            match step {
                Step::Commit(batch) => match (store.commit(&batch), model.after(&batch)) {
                    (Ok(()), Ok(next)) => model = next,
                    (Err(CommitError::Fork { document, writer, number }), Err(fork)) => {
                        prop_assert_eq!((document, writer, number), fork);
                    }
                    (commit, after) => prop_assert!(false, "store {:?}, model {:?}", commit, after.err()),
                },
                Step::Rest => store.rest().unwrap(),
                Step::Reopen => store.reopen().unwrap(),
                Step::Crash => {
                    drop(store);
                    store = Store::open(&folder, Some(&witness)).unwrap();
                }
            }
        }
        model.assert_kept_in(&store);
        drop(store);
        model.assert_kept_in(&Store::open(&folder, Some(&witness)).unwrap());
    }
}
