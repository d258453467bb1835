//! A device that is found tells nothing to who can't unlock it.

#![expect(clippy::unwrap_used, reason = "a test that cannot set its stage fails")]

use std::fs;
use std::path::Path;

use gravelbar_store::{
    Batch, Change, Document, Head, Heard, Lock, LockError, NewLock, Offset, OpenError, Opening,
    Peer, RecoveryKey, Refused, Store, Unlock,
};

const PASSPHRASE: &str = "otter lantern gravel sixpence";
const PLATFORM: [u8; 32] = [0x5a; 32];

/// Words and ids of which none may be found on disk.
const WORDS: [&str; 12] = [
    "Quillet Brook",
    "trout",
    "device name",
    "Netter",
    "10.0.0.2",
    "stop-work",
    "tap-0017",
    "counted",
    "refused because",
    "an opening of",
    "a head of",
    "PRIVATE-KEY",
];

fn everything() -> Batch {
    let (document, writer, peer) = (*b"DOCUMENT-ID-0001", *b"WRITER-ID-000001", [0xc3; 32]);
    Batch {
        identity: Some(b"PRIVATE-KEY".repeat(4)),
        documents: vec![Document {
            id: document,
            about: "Quillet Brook, 18 August".into(),
            added_ms: 1_771_234_567_890,
        }],
        changes: (1..=40)
            .map(|number| Change {
                document,
                writer,
                number,
                bytes: b"one brook trout, stop-work".repeat(if number == 7 { 400 } else { 3 }),
                heard_from: Some(peer),
                at_ms: 1_771_234_567_890,
            })
            .collect(),
        openings: vec![Opening {
            document,
            writer,
            bytes: b"an opening of a run".to_vec(),
        }],
        heads: vec![Head {
            document,
            writer,
            slot: 1,
            bytes: b"a head of a run".to_vec(),
        }],
        answers: vec![("tap-0017".into(), "counted".into())],
        peers: vec![Peer {
            key_id: peer,
            name: "Netter 2".into(),
            addresses: vec!["10.0.0.2:4400".into()],
            last_heard_ms: None,
        }],
        heard: vec![Heard {
            peer,
            at_ms: 1_771_234_567_890,
        }],
        offsets: vec![Offset {
            peer,
            at_ms: 1_771_234_567_890,
            offset_ms: -420_000,
            uncertainty_ms: 12,
        }],
        quarantine: vec![Refused {
            document,
            peer: Some(peer),
            bytes: b"a forged trout".to_vec(),
            reason: "refused because it was altered".into(),
            at_ms: 1_771_234_567_890,
        }],
        settings: vec![("device name".into(), "Netter 2".into())],
    }
}

/// The files of a folder in which one of these is found.
fn found_in(folder: &Path, needles: &[Vec<u8>]) -> Vec<String> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let content = fs::read(&path).unwrap();
        for needle in needles {
            if content.windows(needle.len()).any(|window| window == needle) {
                found.push(format!("{}: {}", path.display(), needle.escape_ascii()));
            }
        }
    }
    found
}

fn needles() -> Vec<Vec<u8>> {
    let words = WORDS.iter().map(|word| word.as_bytes().to_vec());
    let ids = [b"DOCUMENT-ID-0001".to_vec(), b"WRITER-ID-000001".to_vec()];
    // Times and keys as they would lie there in the open.
    let numbers = [
        1_771_234_567_890_i64.to_be_bytes(),
        (-420_000_i64).to_be_bytes(),
    ];
    words
        .chain(ids)
        .chain([vec![0xc3; 32], vec![0xc3; 8]])
        .chain(numbers.map(|number| number[2..].to_vec()))
        .collect()
}

#[test]
fn no_word_and_no_id_of_a_visit_is_found_in_the_files_of_a_locked_folder() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    let mut store = Store::open(&folder, None).unwrap();
    let recovery = store
        .set_lock(NewLock::Platform(&PLATFORM))
        .unwrap()
        .unwrap();
    store.commit(&everything()).unwrap();
    // In the journal, in the record file, and in what an update leaves behind.
    assert_eq!(found_in(&folder, &needles()), [""; 0]);
    store.commit(&everything()).unwrap();
    store.rest().unwrap();
    let mut secrets = needles();
    secrets.extend([PLATFORM.to_vec(), recovery.to_string().into_bytes()]);
    assert_eq!(found_in(&folder, &secrets), [""; 0]);
    drop(store);

    // Nor after a rescue, which carries rows to another file and keeps the damaged one.
    let record = folder.join("record-1.db");
    let mut content = fs::read(&record).unwrap();
    content[4096 * 3 + 5] ^= 0xff;
    fs::write(&record, content).unwrap();
    let store = Store::unlock(&folder, None, Unlock::Platform(&PLATFORM)).unwrap();
    assert_eq!(found_in(&folder, &secrets), [""; 0]);
    drop(store);
    assert!(matches!(
        Store::open(&folder, None),
        Err(OpenError::Locked {
            lock: Lock::Platform
        })
    ));
}

/// The search itself finds what lies open.
#[test]
fn the_search_finds_words_that_lie_open() {
    let place = tempfile::tempdir().unwrap();
    fs::write(
        place.path().join("x"),
        "a page about Quillet Brook and a trout",
    )
    .unwrap();
    assert_eq!(found_in(place.path(), &needles()).len(), 2);
}

#[test]
fn a_passphrase_opens_the_folder_a_wrong_one_reveals_nothing_and_touches_nothing() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    assert_eq!(Store::lock_of(&folder).unwrap(), None);
    let mut store = Store::open(&folder, None).unwrap();
    store.commit(&everything()).unwrap();
    assert_eq!(store.lock(), Lock::Open);
    assert!(matches!(
        store.set_lock(NewLock::Passphrase("trout")),
        Err(LockError::TooShort)
    ));
    let recovery = store
        .set_lock(NewLock::Passphrase(PASSPHRASE))
        .unwrap()
        .unwrap();
    drop(store);

    assert_eq!(Store::lock_of(&folder).unwrap(), Some(Lock::Passphrase));
    let before = fs::read(folder.join("record-1.db")).unwrap();
    for wrong in [
        "",
        "otter lantern gravel sixpenc",
        "Otter lantern gravel sixpence",
    ] {
        let opened = Store::unlock(&folder, None, Unlock::Passphrase(wrong));
        assert!(
            matches!(opened, Err(OpenError::WrongKey { .. })),
            "{opened:?}"
        );
    }
    let opened = Store::unlock(&folder, None, Unlock::Platform(&PLATFORM));
    assert!(matches!(opened, Err(OpenError::WrongKey { .. })));
    assert_eq!(fs::read(folder.join("record-1.db")).unwrap(), before);

    let reads = |store: &Store| store.setting("device name").unwrap().unwrap() == "Netter 2";
    let mut store = Store::unlock(&folder, None, Unlock::Passphrase(PASSPHRASE)).unwrap();
    assert!(reads(&store));
    assert_eq!(store.log(*b"DOCUMENT-ID-0001").unwrap().changes.len(), 40);

    // Changed: the old one and its recovery key open nothing any more, and no row was written.
    let rows = fs::read(folder.join("record-1.db")).unwrap();
    let second = store
        .set_lock(NewLock::Passphrase("heron basket yellow ferry"))
        .unwrap()
        .unwrap();
    assert_eq!(fs::read(folder.join("record-1.db")).unwrap(), rows);
    drop(store);
    for old in [Unlock::Passphrase(PASSPHRASE), Unlock::Recovery(&recovery)] {
        assert!(Store::unlock(&folder, None, old).is_err());
    }
    // The recovery key as a person types it in.
    let typed: RecoveryKey = second
        .to_string()
        .to_uppercase()
        .replace('-', " ")
        .parse()
        .unwrap();
    let mut store = Store::unlock(&folder, None, Unlock::Recovery(&typed)).unwrap();
    assert!(reads(&store));
    assert_eq!(store.set_lock(NewLock::Open).unwrap(), None);
    drop(store);
    assert!(reads(&Store::open(&folder, None).unwrap()));
}

/// Cut off at any byte while a new lock is written, the folder opens with the old one or with the new one.
#[test]
fn a_lock_that_was_being_changed_when_the_power_went_is_the_old_or_the_new_one() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    let mut store = Store::open(&folder, None).unwrap();
    store.set_lock(NewLock::Platform(&PLATFORM)).unwrap();
    let old = fs::read(folder.join("keys")).unwrap();
    store.set_lock(NewLock::Platform(&[1; 32])).unwrap();
    let new = fs::read(folder.join("keys")).unwrap();
    drop(store);
    let opens = |key: &[u8; 32]| Store::unlock(&folder, None, Unlock::Platform(key)).is_ok();
    for (first, second, expected) in [
        (&old[..], &old[..], PLATFORM),
        (&new[..], &old[..], [1; 32]),
        (&new[..], &new[..], [1; 32]),
    ] {
        for part in [0, 100, new.len()] {
            fs::write(folder.join("keys.part"), &new[..part]).unwrap();
            fs::write(folder.join("keys"), first).unwrap();
            fs::write(folder.join("keys-copy"), second).unwrap();
            assert!(opens(&expected));
            assert_eq!(
                fs::read(folder.join("keys")).unwrap(),
                fs::read(folder.join("keys-copy")).unwrap()
            );
        }
    }
}

/// Each sealed value fits its own row: put into any other, it doesn't open.
#[test]
fn rows_swapped_behind_the_stores_back_do_not_open() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    let mut store = Store::open(&folder, None).unwrap();
    store
        .commit(&Batch {
            settings: vec![
                ("who".into(), "Ida".into()),
                ("what".into(), "trout".into()),
            ],
            answers: vec![("one".into(), "1".into()), ("two".into(), "2".into())],
            changes: everything().changes,
            ..Batch::default()
        })
        .unwrap();
    store.rest().unwrap();
    drop(store);
    let db = rusqlite::Connection::open(folder.join("record-1.db")).unwrap();
    db.execute_batch(
        "UPDATE setting SET sealed=(SELECT sealed FROM setting s WHERE s.name<>setting.name LIMIT 1);
         UPDATE answer SET sealed=(SELECT sealed FROM answer a WHERE a.tap<>answer.tap LIMIT 1);
         UPDATE change SET sealed=(SELECT sealed FROM change c WHERE c.number=2) WHERE number=3;",
    )
    .unwrap();
    drop(db);
    let store = Store::open(&folder, None).unwrap();
    assert!(store.setting("who").is_err() || store.setting("what").is_err());
    assert!(store.answer("one").is_err() || store.answer("two").is_err());
    let log = store.log(*b"DOCUMENT-ID-0001").unwrap();
    assert_eq!((log.changes.len(), log.damaged.len()), (39, 1));
    assert_eq!(log.damaged[0].number, Some(3));
}
