//! A data folder as format version 1 wrote it (`tests/version-1`, made by that program) opens with everything in it.

#![expect(clippy::unwrap_used, reason = "a test that cannot set its stage fails")]

use std::fs;
use std::path::{Path, PathBuf};

use gravelbar_store::{OpenError, Store};

fn older(place: &Path) -> PathBuf {
    let folder = place.join("tablet");
    fs::create_dir(&folder).unwrap();
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/version-1");
    fs::copy(from.join("record-1.db"), folder.join("record-1.db")).unwrap();
    fs::copy(from.join("witness"), place.join("witness")).unwrap();
    folder
}

fn assert_all_there(store: &Store) {
    assert_eq!(store.opened().damaged, [""; 0]);
    assert!(
        !store.opened().restored,
        "the witness of the older folder still fits"
    );
    assert_eq!(store.identity().unwrap(), Some(vec![4; 80]));
    let documents = store.documents().unwrap();
    assert_eq!(documents[0].about, "Quillet Brook");
    assert_eq!((documents[0].added_ms, documents.len()), (5, 2));
    let text = |bytes: &Vec<u8>| String::from_utf8(bytes.clone()).unwrap();
    let log: Vec<String> = store
        .log([7; 16])
        .unwrap()
        .changes
        .iter()
        .map(text)
        .collect();
    let expected = [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2)];
    assert_eq!(
        log,
        expected.map(|(writer, n)| format!("change {n} of writer {writer}"))
    );
    assert_eq!(store.log([8; 16]).unwrap().changes.len(), 1);
    assert_eq!(store.answer("tap 1").unwrap().as_deref(), Some("counted"));
    let peers = store.peers().unwrap();
    assert_eq!(
        (peers[0].name.as_str(), peers[0].last_heard_ms),
        ("Netter 2", Some(77))
    );
    assert_eq!(peers[0].addresses, ["10.0.0.2:4400", "[fe80::1]:4400"]);
    assert_eq!(store.offsets([9; 32]).unwrap()[0].offset_ms, -420_000);
    assert_eq!(store.quarantine().unwrap().kept[0].reason, "a run too long");
    assert_eq!(store.setting("who").unwrap().as_deref(), Some("Ida"));
    assert!(store.runs([7; 16]).unwrap().openings.is_empty());
}

#[test]
fn an_older_folder_is_brought_up_to_date_and_nothing_of_it_lies_open_any_more() {
    let place = tempfile::tempdir().unwrap();
    let folder = older(place.path());
    let witness = place.path().join("witness");
    for _ in 0..2 {
        let store = Store::open(&folder, Some(&witness)).unwrap();
        assert_all_there(&store);
    }
    assert!(folder.join("record-2.db").exists() && !folder.join("record-1.db").exists());
    for entry in fs::read_dir(&folder).unwrap() {
        let content = fs::read(entry.unwrap().path()).unwrap();
        assert!(!content.windows(7).any(|window| window == b"Quillet"));
    }
}

/// As killed right after the new file got its name.
#[test]
fn an_older_file_left_beside_the_new_one_is_removed_at_the_next_opening() {
    let place = tempfile::tempdir().unwrap();
    let folder = older(place.path());
    let before = fs::read(folder.join("record-1.db")).unwrap();
    drop(Store::open(&folder, None).unwrap());
    fs::write(folder.join("record-1.db"), before).unwrap();
    assert_all_there(&Store::open(&folder, None).unwrap());
    assert!(!folder.join("record-1.db").exists());
}

/// As killed while the new file was being written.
#[test]
fn an_upgrade_that_was_cut_short_begins_again() {
    let place = tempfile::tempdir().unwrap();
    let folder = older(place.path());
    fs::write(folder.join("rescue-to"), "half a file").unwrap();
    assert_all_there(&Store::open(&folder, None).unwrap());
}

#[test]
fn a_damaged_row_of_an_older_file_is_told_and_the_file_is_kept() {
    let place = tempfile::tempdir().unwrap();
    let folder = older(place.path());
    let db = rusqlite::Connection::open(folder.join("record-1.db")).unwrap();
    db.execute_batch("UPDATE change SET bytes=x'00' WHERE number=3")
        .unwrap();
    drop(db);
    let store = Store::open(&folder, None).unwrap();
    assert!(store.opened().damaged[0].starts_with("1 rows of the older record were damaged"));
    assert_eq!(store.log([7; 16]).unwrap().changes.len(), 4);
    drop(store);
    drop(Store::open(&folder, None).unwrap());
    assert!(folder.join("record-1.db").exists());
}

#[test]
fn a_damaged_older_file_is_left_as_it_is() {
    let place = tempfile::tempdir().unwrap();
    let folder = older(place.path());
    let file = folder.join("record-1.db");
    let mut content = fs::read(&file).unwrap();
    content[4096 * 5..4096 * 5 + 20].fill(0xff);
    fs::write(&file, &content).unwrap();
    assert!(matches!(
        Store::open(&folder, None),
        Err(OpenError::OlderAndDamaged { .. })
    ));
    assert_eq!(fs::read(&file).unwrap(), content);
}
