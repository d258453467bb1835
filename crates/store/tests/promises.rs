//! What the store promises its caller, one sentence each.

#![expect(clippy::unwrap_used, reason = "a test that cannot set its stage fails")]

use std::fs;
use std::path::Path;

use gravelbar_store::{
    Batch, Change, CommitError, Document, Head, Heard, Mode, Offset, OpenError, Opening, Peer,
    Quarantine, RESERVE_BYTES, Refused, Runs, Store,
};

const VISIT: [u8; 16] = [7; 16];

fn change(writer: u8, number: u64, bytes: &[u8]) -> Change {
    Change {
        document: VISIT,
        writer: [writer; 16],
        number,
        bytes: bytes.to_vec(),
        heard_from: None,
        at_ms: 5,
    }
}

fn changes(changes: &[Change]) -> Batch {
    Batch {
        changes: changes.to_vec(),
        ..Batch::default()
    }
}

fn head(slot: u64, bytes: &[u8]) -> Head {
    Head {
        document: VISIT,
        writer: [1; 16],
        slot,
        bytes: bytes.to_vec(),
    }
}

fn refused(peer: u8, bytes: Vec<u8>) -> Refused {
    Refused {
        document: VISIT,
        peer: Some([peer; 32]),
        bytes,
        reason: "a run too long".into(),
        at_ms: 9,
    }
}

/// Puts a copy of a closed data folder somewhere else.
fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}

/// Changes the record file behind the store's back.
fn meddle(folder: &Path, sql: &str) {
    let db = rusqlite::Connection::open(folder.join("record-1.db")).unwrap();
    db.execute_batch(sql).unwrap();
}

#[test]
fn everything_committed_is_there_after_opening_again() {
    let place = tempfile::tempdir().unwrap();
    let (folder, peer) = (place.path().join("deep/in/tablet"), [9; 32]);
    let all = Batch {
        identity: Some(vec![1, 2, 3]),
        documents: vec![Document {
            id: VISIT,
            about: "Alder Fork".into(),
            added_ms: -4,
        }],
        changes: vec![
            Change {
                heard_from: Some(peer),
                ..change(1, u64::MAX, b"")
            },
            change(1, 2, b"x"),
        ],
        openings: vec![Opening {
            document: VISIT,
            writer: [1; 16],
            bytes: b"an opening".to_vec(),
        }],
        heads: vec![head(0, b"the newest"), head(u64::MAX, b"another")],
        answers: vec![("tap".into(), "counted".into())],
        peers: vec![Peer {
            key_id: peer,
            name: "Netter 2".into(),
            addresses: vec!["10.0.0.2:4400".into(), "[fe80::1]:4400".into()],
            last_heard_ms: None,
        }],
        heard: vec![Heard { peer, at_ms: 77 }],
        offsets: vec![Offset {
            peer,
            at_ms: 70,
            offset_ms: -420_000,
            uncertainty_ms: 12,
        }],
        quarantine: vec![refused(9, vec![1; 20])],
        settings: vec![("who".into(), "Ida".into())],
    };
    Store::open(&folder, None).unwrap().commit(&all).unwrap();
    let store = Store::open(&folder, None).unwrap();
    assert_eq!(store.mode(), Mode::ReadWrite);
    assert!(store.opened().damaged.is_empty() && store.opened().set_aside.is_none());
    assert_eq!(store.identity().unwrap(), all.identity);
    assert_eq!(store.documents().unwrap(), all.documents);
    assert_eq!(
        store.log(VISIT).unwrap().changes,
        [b"".to_vec(), b"x".to_vec()]
    );
    assert_eq!(store.log([8; 16]).unwrap().changes, [[0; 0]; 0]);
    let runs = store.runs(VISIT).unwrap();
    assert_eq!((runs.openings, runs.heads), (all.openings, all.heads));
    assert_eq!(store.runs([8; 16]).unwrap(), Runs::default());
    assert_eq!(store.answer("tap").unwrap().as_deref(), Some("counted"));
    assert_eq!(store.answer("other tap").unwrap(), None);
    assert_eq!(
        store.peers().unwrap(),
        [Peer {
            last_heard_ms: Some(77),
            ..all.peers[0].clone()
        }]
    );
    assert_eq!(store.offsets(peer).unwrap(), all.offsets);
    assert_eq!(store.offsets([8; 32]).unwrap(), []);
    assert_eq!(store.quarantine().unwrap().kept, all.quarantine);
    assert_eq!(store.setting("who").unwrap().as_deref(), Some("Ida"));
}

#[test]
fn the_same_change_again_is_harmless_and_keeps_its_place() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    store
        .commit(&changes(&[change(1, 1, b"a"), change(1, 2, b"b")]))
        .unwrap();
    store
        .commit(&changes(&[
            change(1, 2, b"b"),
            change(1, 1, b"a"),
            change(1, 3, b"c"),
            change(1, 3, b"c"),
        ]))
        .unwrap();
    assert_eq!(store.log(VISIT).unwrap().changes, [b"a", b"b", b"c"]);
}

#[test]
fn a_fork_is_refused_with_all_its_batch_and_the_store_goes_on() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    store.commit(&changes(&[change(1, 1, b"a")])).unwrap();
    for forked in [
        changes(&[change(2, 1, b"other writer"), change(1, 1, b"A")]),
        changes(&[
            change(2, 1, b"one"),
            change(2, 1, b"other"),
            change(1, 1, b"a"),
        ]),
    ] {
        let Err(CommitError::Fork {
            document: VISIT,
            writer,
            number: 1,
        }) = store.commit(&forked)
        else {
            unreachable!("a fork was taken")
        };
        assert!(writer == [1; 16] || writer == [2; 16]);
        assert_eq!(store.log(VISIT).unwrap().changes, [b"a"]);
    }
    store.commit(&changes(&[change(1, 2, b"b")])).unwrap();
    assert_eq!(store.log(VISIT).unwrap().changes, [b"a", b"b"]);
}

#[test]
fn the_first_answer_to_a_tap_stands() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    for answer in ["counted", "counted twice"] {
        store
            .commit(&Batch {
                answers: vec![("tap".into(), answer.into())],
                ..Batch::default()
            })
            .unwrap();
    }
    assert_eq!(store.answer("tap").unwrap().as_deref(), Some("counted"));
}

#[test]
fn a_document_known_only_by_its_changes_is_listed() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    let other = Change {
        document: [3; 16],
        ..change(1, 1, b"z")
    };
    store
        .commit(&changes(&[change(1, 1, b"a"), other, change(1, 2, b"b")]))
        .unwrap();
    let mut ids: Vec<_> = store
        .documents()
        .unwrap()
        .into_iter()
        .map(|document| document.id)
        .collect();
    ids.sort_unstable();
    assert_eq!(ids, [[3; 16], VISIT]);
}

#[test]
fn a_flood_of_refused_bytes_takes_bounded_room_and_pushes_nothing_out() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    let first = refused(1, b"true data of a forked device".to_vec());
    store
        .commit(&Batch {
            quarantine: vec![first.clone()],
            ..Batch::default()
        })
        .unwrap();
    let most = Quarantine::MOST_ITEMS;
    for _ in 0..2 {
        let flood = (0..most + 40)
            .map(|n| refused(1, n.to_be_bytes().to_vec()))
            .collect();
        store
            .commit(&Batch {
                quarantine: flood,
                ..Batch::default()
            })
            .unwrap();
    }
    // Another sender's room is untouched; one item beyond its bytes is too much.
    let big = refused(
        2,
        vec![0; usize::try_from(Quarantine::MOST_BYTES).unwrap() + 1],
    );
    let small = refused(2, b"small".to_vec());
    store
        .commit(&Batch {
            quarantine: vec![big, small.clone(), small.clone()],
            ..Batch::default()
        })
        .unwrap();

    let quarantine = store.quarantine().unwrap();
    assert_eq!(quarantine.kept[0], first);
    assert_eq!(quarantine.kept.last(), Some(&small));
    assert_eq!(quarantine.kept.len(), usize::try_from(most).unwrap() + 1);
    // Of each flood 41 did not fit: one place was taken by the first item.
    assert_eq!(quarantine.beyond.get(&Some([1; 32])), Some(&82));
    assert_eq!(quarantine.beyond.get(&Some([2; 32])), Some(&1));
}

#[test]
fn a_folder_put_back_from_an_older_copy_is_noticed() {
    let place = tempfile::tempdir().unwrap();
    let (folder, older, witness) = (
        place.path().join("tablet"),
        place.path().join("backup"),
        place.path().join("witness"),
    );
    let open = |folder: &Path| Store::open(folder, Some(&witness)).unwrap();

    let mut store = open(&folder);
    assert!(
        !store.opened().restored,
        "a first opening is no restoration"
    );
    store.commit(&changes(&[change(1, 1, b"a")])).unwrap();
    store.rest().unwrap();
    copy(&folder, &older);
    // It went on without being opened again: only the count of changes tells.
    store.commit(&changes(&[change(1, 2, b"b")])).unwrap();
    store.rest().unwrap();
    drop(store);
    fs::remove_dir_all(&folder).unwrap();
    copy(&older, &folder);
    assert!(open(&folder).opened().restored);
    // Told once; from here on this is the folder the witness knows.
    assert!(!open(&folder).opened().restored);
    // It was opened since: the older copy lacks openings.
    fs::remove_dir_all(&folder).unwrap();
    copy(&older, &folder);
    assert!(open(&folder).opened().restored);
    // A copy that was opened as often as the original, but elsewhere.
    let (one, other) = (place.path().join("one"), place.path().join("other"));
    copy(&folder, &one);
    copy(&folder, &other);
    drop(Store::open(&one, None).unwrap());
    drop(open(&other));
    assert!(open(&one).opened().restored);
}

#[test]
fn a_missing_unreadable_or_unwritable_witness_is_no_error_and_proves_nothing() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    let nowhere = place.path().join("no such folder/witness");
    for _ in 0..2 {
        assert!(
            !Store::open(&folder, Some(&nowhere))
                .unwrap()
                .opened()
                .restored
        );
    }
    let witness = place.path().join("witness");
    for text in [
        "",
        "gravelbar-witness-1 999 x y",
        "\u{0}\u{1}",
        "another-witness-9 999 00 5",
    ] {
        fs::write(&witness, text).unwrap();
        assert!(
            !Store::open(&folder, Some(&witness))
                .unwrap()
                .opened()
                .restored,
            "{text:?}"
        );
    }
    let line = fs::read_to_string(&witness).unwrap();
    assert!(
        line.starts_with("gravelbar-witness-1 6 "),
        "an unreadable one is replaced: {line:?}"
    );
}

#[test]
fn the_same_process_cannot_open_a_folder_twice() {
    let place = tempfile::tempdir().unwrap();
    let store = Store::open(place.path(), None).unwrap();
    assert!(matches!(
        Store::open(place.path(), None),
        Err(OpenError::InUse)
    ));
    drop(store);
    assert!(Store::open(place.path(), None).is_ok());
}

#[test]
fn a_folder_of_a_newer_program_is_left_alone() {
    let place = tempfile::tempdir().unwrap();
    drop(Store::open(place.path(), None).unwrap());
    meddle(place.path(), "PRAGMA user_version=3");
    let before = fs::read(place.path().join("record-1.db")).unwrap();
    let opened = Store::open(place.path(), None);
    assert!(
        matches!(opened, Err(OpenError::Newer { found: 3, known: 2 })),
        "{opened:?}"
    );
    assert_eq!(fs::read(place.path().join("record-1.db")).unwrap(), before);
}

#[test]
fn the_reserve_is_released_on_request_and_put_aside_again_at_rest() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    let reserve = place.path().join("reserve");
    assert_eq!(fs::metadata(&reserve).unwrap().len(), RESERVE_BYTES as u64);
    store.release_reserve().unwrap();
    store.release_reserve().unwrap();
    assert!(!reserve.exists());
    store.rest().unwrap();
    assert!(reserve.exists());
    assert!(!place.path().join("reserve.margin").exists());
}

#[test]
fn rest_empties_the_journal_and_reopen_changes_nothing_that_is_kept() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    store.commit(&changes(&[change(1, 1, b"a")])).unwrap();
    let journal = place.path().join("record-1.db-wal");
    assert!(fs::metadata(&journal).unwrap().len() > 0);
    store.rest().unwrap();
    assert_eq!(fs::metadata(&journal).unwrap().len(), 0);
    store.reopen().unwrap();
    store.commit(&changes(&[change(1, 2, b"b")])).unwrap();
    assert_eq!(store.log(VISIT).unwrap().changes, [b"a", b"b"]);
}

#[test]
fn the_journal_stays_bounded_without_any_rest() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    let mut longest = 0;
    for number in 0..60 {
        store
            .commit(&changes(&[change(1, number, &vec![1; 300_000])]))
            .unwrap();
        longest = longest.max(
            fs::metadata(place.path().join("record-1.db-wal"))
                .unwrap()
                .len(),
        );
    }
    // 18 MB were saved; the journal may hold 4 MiB.
    assert!(
        longest <= 4 * 1024 * 1024,
        "the journal grew to {longest} bytes"
    );
}

#[test]
fn a_change_damaged_on_disk_is_reported_left_out_and_mended_when_it_comes_again() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    store
        .commit(&changes(&[
            change(1, 1, b"a"),
            change(1, 2, b"b"),
            change(1, 3, b"c"),
        ]))
        .unwrap();
    store.rest().unwrap();
    drop(store);
    meddle(
        place.path(),
        "UPDATE change SET sealed=x'42' WHERE number=2",
    );

    let mut store = Store::open(place.path(), None).unwrap();
    let log = store.log(VISIT).unwrap();
    assert_eq!(log.changes, [b"a", b"c"]);
    assert_eq!(log.damaged.len(), 1);
    assert_eq!(
        (log.damaged[0].writer, log.damaged[0].number),
        (Some([1; 16]), Some(2))
    );
    store.commit(&changes(&[change(1, 2, b"b")])).unwrap();
    let log = store.log(VISIT).unwrap();
    assert_eq!(log.changes, [b"a", b"b", b"c"]);
    assert_eq!(log.damaged, []);
    store.rest().unwrap();
    drop(store);
    let db = rusqlite::Connection::open(place.path().join("record-1.db")).unwrap();
    let kept: String = db
        .query_row("SELECT row FROM wreck", [], |row| row.get(0))
        .unwrap();
    assert!(
        kept.contains("X'42'"),
        "the damaged row is not kept: {kept}"
    );
}

#[test]
fn rows_damaged_on_disk_are_never_handed_out() {
    let place = tempfile::tempdir().unwrap();
    let mut store = Store::open(place.path(), None).unwrap();
    store
        .commit(&Batch {
            identity: Some(vec![1]),
            answers: vec![("tap".into(), "counted".into())],
            settings: vec![("who".into(), "Ida".into())],
            ..Batch::default()
        })
        .unwrap();
    store.rest().unwrap();
    drop(store);
    meddle(
        place.path(),
        "UPDATE answer SET sealed=zeroblob(30); UPDATE setting SET sealed=x''; UPDATE identity SET sealed=substr(sealed,2)",
    );
    let store = Store::open(place.path(), None).unwrap();
    assert!(
        store.answer("tap").is_err() && store.setting("who").is_err() && store.identity().is_err()
    );
    assert_eq!(
        store.opened().damaged.len(),
        3,
        "{:?}",
        store.opened().damaged
    );
}
