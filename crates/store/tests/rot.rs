//! Bits that flip on disk are told or harmless: never other bytes handed out, never a change missing in silence.

#![expect(clippy::unwrap_used, reason = "a test that cannot set its stage fails")]

use std::fs;
use std::path::{Path, PathBuf};

use gravelbar_store::{Batch, Change, Document, Head, OpenError, Opening, Peer, Store};

const DOCUMENTS: [[u8; 16]; 2] = [[7; 16], [8; 16]];
const COMMITS: u64 = 60;

fn bytes(document: u8, number: u64) -> Vec<u8> {
    // Every seventh change is longer than a page, so that some rows overflow.
    format!("{document}/{number} ")
        .repeat(if number.is_multiple_of(7) { 1500 } else { 20 })
        .into_bytes()
}

fn opening(document: [u8; 16]) -> Opening {
    Opening {
        document,
        writer: [1; 16],
        bytes: vec![document[0]; 100],
    }
}

/// The newest in its slot, and every sixteenth in one of its own.
fn head(document: [u8; 16], number: u64) -> Head {
    Head {
        document,
        writer: [1; 16],
        slot: if number.is_multiple_of(16) { number } else { 1 },
        bytes: number.to_be_bytes().repeat(20),
    }
}

fn batch(number: u64) -> Batch {
    Batch {
        identity: (number == 1).then(|| vec![1; 80]),
        documents: DOCUMENTS
            .map(|id| Document {
                id,
                about: "Alder Fork".into(),
                added_ms: 1,
            })
            .into(),
        changes: DOCUMENTS
            .map(|document| Change {
                document,
                writer: [1; 16],
                number,
                bytes: bytes(document[0], number),
                heard_from: None,
                at_ms: 3,
            })
            .into(),
        openings: match number {
            1 => DOCUMENTS.map(opening).into(),
            _ => Vec::new(),
        },
        heads: DOCUMENTS.map(|document| head(document, number)).into(),
        answers: vec![(format!("tap {number}"), format!("answer {number}"))],
        peers: vec![Peer {
            key_id: [5; 32],
            name: "Netter 2".into(),
            addresses: vec![],
            last_heard_ms: Some(4),
        }],
        settings: vec![("who".into(), "Ida".into())],
        ..Batch::default()
    }
}

/// In memory where there is such a place, to save hundreds of syncs.
fn place() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .unwrap()
}

/// A folder with all commits: brought into the record file, or still in the journal.
fn folder(place: &Path, in_journal: bool) -> PathBuf {
    let folder = place.join("original");
    let mut store = Store::open(&folder, None).unwrap();
    for number in 1..=COMMITS {
        store.commit(&batch(number)).unwrap();
    }
    if !in_journal {
        store.rest().unwrap();
    }
    drop(store);
    fs::write(folder.join("reserve"), "small, to save time").unwrap();
    folder
}

/// What one damaged copy of a folder is worth.
#[derive(Debug, Default)]
struct Verdict {
    /// Something untrue was handed out or is missing in silence.
    wrong: Vec<String>,
    told: bool,
    missing: usize,
}

fn examine(original: &Path, file: &str, damage: impl Fn(&mut Vec<u8>)) -> Verdict {
    let copy = original.with_file_name("copy");
    let _none_yet = fs::remove_dir_all(&copy);
    fs::create_dir(&copy).unwrap();
    for name in [
        "record-1.db",
        "record-1.db-wal",
        "reserve",
        "keys",
        "keys-copy",
    ] {
        let mut content = fs::read(original.join(name)).unwrap();
        if name == file {
            damage(&mut content);
        }
        fs::write(copy.join(name), content).unwrap();
    }
    let mut verdict = Verdict::default();
    let mut store = match Store::open(&copy, None) {
        Ok(store) => store,
        Err(error) => {
            assert!(!error.to_string().is_empty());
            return Verdict {
                told: true,
                missing: usize::MAX,
                ..verdict
            };
        }
    };
    verdict.told = !store.opened().damaged.is_empty();
    for document in DOCUMENTS {
        let Ok(log) = store.log(document) else {
            verdict.told = true;
            continue;
        };
        verdict.told |= !log.damaged.is_empty();
        let mut expected = (1..=COMMITS).map(|number| bytes(document[0], number));
        for change in &log.changes {
            if !expected.any(|expected| expected == *change) {
                verdict
                    .wrong
                    .push("a change that was never written, or out of order".into());
            }
        }
        verdict.missing += usize::try_from(COMMITS).unwrap() - log.changes.len();
        match store.runs(document) {
            Ok(runs) => {
                verdict.told |= runs.damaged > 0;
                if runs.openings.iter().any(|one| *one != opening(document)) {
                    verdict.wrong.push("an opening".into());
                }
                verdict.missing += 1 - runs.openings.len();
                let number = |kept: &Head| (1..=COMMITS).find(|n| head(document, *n) == *kept);
                let kept = runs.heads.iter().filter_map(number).count();
                if kept < runs.heads.len() {
                    verdict.wrong.push("a head".into());
                }
                // A head is of the same commit as the change it covers; only damage that is told parts them.
                let newest = (runs.heads.iter())
                    .find(|kept| kept.slot == 1)
                    .and_then(number);
                if !verdict.told && newest.is_some_and(|n| n != log.changes.len() as u64) {
                    verdict.wrong.push("a head of another commit".into());
                }
                verdict.missing += 4_usize.saturating_sub(kept);
            }
            Err(_) => verdict.told = true,
        }
    }
    for number in 1..=COMMITS {
        match store.answer(&format!("tap {number}")) {
            Ok(Some(answer)) if answer == format!("answer {number}") => {}
            Ok(None) => verdict.missing += 1,
            Err(_) => verdict.told = true,
            Ok(other) => verdict.wrong.push(format!("answer {other:?}")),
        }
    }
    match (
        store.identity(),
        store.setting("who"),
        store.peers(),
        store.documents(),
    ) {
        (Ok(Some(identity)), Ok(Some(who)), Ok(peers), Ok(documents)) => {
            if identity != vec![1; 80] || who != "Ida" {
                verdict.wrong.push("a key or a setting".into());
            }
            if peers
                != [Peer {
                    last_heard_ms: Some(4),
                    ..batch(1).peers[0].clone()
                }]
                || documents != batch(1).documents
            {
                if verdict.told {
                    verdict.missing += 1
                } else {
                    verdict.wrong.push("a peer or a document".into())
                }
            }
        }
        (Ok(None), ..) | (_, Ok(None), ..) => verdict.missing += 1,
        _ => verdict.told = true,
    }
    // Whatever happened to it, the folder takes what comes next, or says why not.
    let next = Change {
        number: COMMITS + 1,
        ..batch(1).changes[0].clone()
    };
    match store.commit(&Batch {
        changes: vec![next.clone()],
        ..Batch::default()
    }) {
        Ok(()) => {
            let log = store.log(next.document);
            if !log.is_ok_and(|log| log.changes.last() == Some(&next.bytes)) {
                verdict.wrong.push("the next change is not there".into());
            }
        }
        Err(_) => verdict.told = true,
    }
    verdict
}

/// Every damage that is silent must be without consequence.
fn assert_told_or_harmless(verdicts: &[(String, Verdict)]) {
    for (what, verdict) in verdicts {
        assert!(verdict.wrong.is_empty(), "{what}: {:?}", verdict.wrong);
        assert!(
            verdict.told || verdict.missing == 0,
            "{what}: {} missing in silence",
            verdict.missing
        );
    }
}

/// Places spread over the file: a fixed stride that is a prime, so that all offsets within a page come up.
fn places(length: usize, stride: usize) -> impl Iterator<Item = (usize, u8)> {
    (0..length)
        .step_by(stride)
        .enumerate()
        .map(|(n, at)| (at, 1 << (n % 8)))
}

#[test]
fn a_bit_flipped_anywhere_in_the_record_file_is_told_or_harmless() {
    let place = place();
    let original = folder(place.path(), false);
    let length = fs::read(original.join("record-1.db")).unwrap().len();
    // The first page (with the list of tables) and the headers of all pages densely, the rest by the stride.
    let headers = (0..length)
        .step_by(4096)
        .flat_map(|page| (0..12).step_by(3).map(move |at| (page + at, 2)));
    let first = (0..100)
        .step_by(5)
        .map(|at| (at, 4))
        .chain((100..4096).step_by(41).map(|at| (at, 1)));
    let verdicts: Vec<_> = first
        .chain(headers)
        .chain(places(length, 2503))
        .map(|(at, bit)| {
            (
                format!("byte {at}, bit {bit}"),
                examine(&original, "record-1.db", |content| content[at] ^= bit),
            )
        })
        .collect();
    assert!(verdicts.iter().filter(|(_, verdict)| verdict.told).count() > verdicts.len() / 4);
    assert!(
        verdicts.iter().any(|(_, verdict)| !verdict.told),
        "free space on a page is harmless"
    );
    // A single flipped bit costs at most a page of rows, never the folder.
    let unopened = verdicts
        .iter()
        .filter(|(_, verdict)| verdict.missing == usize::MAX)
        .count();
    assert!(unopened <= 2, "{unopened} folders did not open at all");
    assert_told_or_harmless(&verdicts);
}

#[test]
fn a_page_of_zeros_or_a_file_cut_short_is_told() {
    let place = place();
    let original = folder(place.path(), false);
    let length = fs::read(original.join("record-1.db")).unwrap().len();
    let mut verdicts = Vec::new();
    for page in (0..length).step_by(3 * 4096) {
        let zeros = examine(&original, "record-1.db", |content| {
            content[page..page + 4096].fill(0)
        });
        verdicts.push((format!("page at {page} zeroed"), zeros));
        let cut = examine(&original, "record-1.db", |content| {
            content.truncate(page + 512)
        });
        verdicts.push((format!("cut after {}", page + 512), cut));
    }
    assert_told_or_harmless(&verdicts);
    let rescued = verdicts
        .iter()
        .filter(|(_, verdict)| verdict.told && verdict.missing < 60)
        .count();
    assert!(
        rescued > verdicts.len() / 3,
        "only {rescued} of {} kept most of their data",
        verdicts.len()
    );
}

#[test]
fn a_bit_flipped_in_the_journal_is_told_unless_it_looks_like_a_torn_last_commit() {
    let place = place();
    let original = folder(place.path(), true);
    let length = fs::read(original.join("record-1.db-wal")).unwrap().len();
    assert!(
        length > 500_000,
        "the journal holds too little to test: {length} bytes"
    );
    // The last commit writes at most 24 frames here.
    let last = length - 24 * 4120;
    let headers =
        (0..32)
            .step_by(4)
            .map(|at| (at, 1))
            .chain([(36, 1), (41, 1), (50, 1), (5000, 1)]);
    let verdicts: Vec<_> = headers
        .chain(places(last, 20_011))
        .map(|(at, bit)| {
            (
                format!("byte {at}, bit {bit}"),
                examine(&original, "record-1.db-wal", |content| content[at] ^= bit),
            )
        })
        .collect();
    assert!(
        verdicts.iter().all(|(_, verdict)| verdict.told),
        "{verdicts:?}"
    );
    assert_told_or_harmless(&verdicts);

    // Only a witness could tell of this one: whatever is lost is the last commit alone.
    let torn = examine(&original, "record-1.db-wal", |content| {
        content[length - 10] ^= 1
    });
    assert!(torn.wrong.is_empty() && torn.missing == 3, "{torn:?}");
}

/// The seal is what catches a flip inside a row; without it SQLite's own check sees nothing.
#[test]
fn the_structure_check_alone_would_hand_out_wrong_bytes() {
    let place = place();
    let original = folder(place.path(), false);
    let file = original.join("record-1.db");
    let sealed = || -> (Vec<u8>, Vec<u8>, String) {
        let db = rusqlite::Connection::open(&file).unwrap();
        let (document, sealed) = db
            .query_row(
                "SELECT document,sealed FROM change WHERE number=5 ORDER BY arrival LIMIT 1",
                [],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .unwrap();
        let structure = db.query_row("PRAGMA integrity_check", [], |row| row.get(0));
        (document, sealed, structure.unwrap())
    };
    let (_, before, _) = sealed();
    let mut content = fs::read(&file).unwrap();
    // Also in what earlier versions of a page have left behind.
    for at in 0..content.len() {
        if content[at..].starts_with(&before) {
            content[at + 20] ^= 1;
        }
    }
    fs::write(&file, content).unwrap();
    let (_, after, structure) = sealed();
    assert_eq!(structure, "ok");
    assert_ne!(before, after);
    let log = Store::open(&original, None)
        .unwrap()
        .log(DOCUMENTS[0])
        .unwrap();
    assert_eq!((log.damaged.len(), log.damaged[0].number), (1, Some(5)));
    assert_eq!(log.damaged[0].writer, Some([1; 16]));
    assert!(!log.changes.contains(&bytes(7, 5)));
}

#[test]
fn a_key_file_that_rotted_or_went_missing_is_mended_from_its_twin() {
    let place = place();
    let original = folder(place.path(), false);
    for file in ["keys", "keys-copy"] {
        for damage in [0, 1, 2] {
            let verdict = examine(&original, file, |content| match damage {
                0 => content.clear(),
                1 => content[30] ^= 1,
                _ => content.truncate(40),
            });
            assert!(
                verdict.wrong.is_empty() && verdict.missing == 0,
                "{file}: {verdict:?}"
            );
            let copy = original.with_file_name("copy");
            for name in ["keys", "keys-copy"] {
                assert_eq!(
                    fs::read(copy.join(name)).unwrap(),
                    fs::read(original.join(name)).unwrap()
                );
            }
        }
    }
    // Without either nothing can be read, and nothing is touched.
    for gone in [true, false] {
        for name in ["keys", "keys-copy"] {
            if gone {
                fs::remove_file(original.join(name)).unwrap();
            } else {
                fs::write(original.join(name), "rot").unwrap();
            }
        }
        let before = fs::read(original.join("record-1.db")).unwrap();
        assert!(matches!(
            Store::open(&original, None),
            Err(OpenError::NoKeys { .. })
        ));
        assert_eq!(fs::read(original.join("record-1.db")).unwrap(), before);
    }
}
