//! A process that saves numbered changes and says so after each: what the crash tests kill and starve.
//!
//! `scribe MODE FOLDER [COUNT]` saves COUNT changes (1 if not given), numbered on from those kept, and prints
//! `saved N` after each. Refused saves print `refused N: why`, and the scribe does what a device would:
//! reopens after a failed sync and tries once more. Modes other than `faithful` are wrong on purpose, so
//! that the tests can show they would notice.

use std::io::Write;
use std::path::Path;

use gravelbar_store::{Batch, Change, CommitError, Head, Store};

/// The document all changes belong to.
const DOCUMENT: [u8; 16] = [7; 16];

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn main() -> Outcome {
    let mut words = std::env::args().skip(1);
    let (mode, folder) = (words.next().ok_or("mode?")?, words.next().ok_or("folder?")?);
    let count: u64 = words.next().unwrap_or("1".into()).parse()?;
    let folder = Path::new(&folder);
    match mode.as_str() {
        "unsynced" => return unsynced(folder, count),
        "holds" => return holds(folder),
        "fills" => return fills(folder),
        "counts" => return counts(folder),
        _ => {}
    }
    let mut store = match Store::open(folder, None) {
        Ok(store) => store,
        Err(error) => return say(&format!("closed: {error}")),
    };
    say(&format!("open {:?}", store.mode()))?;
    let first = store.log(DOCUMENT)?.changes.len() as u64 + 1;
    for number in first..first + count {
        let batch = batch(number);
        if mode == "acks-first" {
            say(&format!("saved {number}"))?;
        }
        let mut saved = store.commit(&batch);
        if let Err(error) = &saved {
            say(&format!("refused {number}: {error}"))?;
            match error {
                CommitError::SyncFailed { .. } | CommitError::Halted { .. } => {
                    if store.commit(&batch).is_ok() {
                        say("not halted")?;
                    }
                    if let Err(error) = store.reopen() {
                        say(&format!("closed: {error}"))?;
                    }
                    saved = store.commit(&batch);
                }
                _ => {}
            }
        }
        match saved {
            Ok(()) if mode == "acks-first" => {}
            Err(_) if mode != "swallows" => {}
            _ => say(&format!("saved {number}"))?,
        }
        if number % 3 == 0 {
            let _said_on_the_next_save = store.rest();
        }
    }
    say("done")
}

fn batch(number: u64) -> Batch {
    let change = Change {
        document: DOCUMENT,
        writer: [1; 16],
        number,
        bytes: format!("change {number} ").repeat(12).into_bytes(),
        heard_from: None,
        at_ms: 0,
    };
    Batch {
        changes: vec![change],
        heads: vec![Head {
            document: DOCUMENT,
            writer: [1; 16],
            slot: 1,
            bytes: number.to_be_bytes().to_vec(),
        }],
        answers: vec![(format!("tap {number}"), format!("answer {number}"))],
        ..Batch::default()
    }
}

/// Opens the folder and keeps it until standard input ends.
fn holds(folder: &Path) -> Outcome {
    let _store = Store::open(folder, None)?;
    say("open")?;
    std::io::read_to_string(std::io::stdin())?;
    Ok(())
}

/// Saves until the disk is full, then what matters most from the reserve.
fn fills(folder: &Path) -> Outcome {
    let mut store = Store::open(folder, None)?;
    let first = store.log(DOCUMENT)?.changes.len() as u64 + 1;
    for number in first.. {
        if let Err(error) = store.commit(&batch(number)) {
            say(&format!("refused {number}: {error}"))?;
            if let Err(error) = store.commit(&batch(number)) {
                say(&format!("refused {number}: {error}"))?;
            }
            store.release_reserve()?;
            store.commit(&batch(number))?;
            say(&format!("saved {number}"))?;
            break;
        }
        say(&format!("saved {number}"))?;
    }
    say("done")
}

/// Says what a folder holds.
fn counts(folder: &Path) -> Outcome {
    let store = Store::open(folder, None)?;
    let log = store.log(DOCUMENT)?;
    let sound = (1..)
        .zip(&log.changes)
        .all(|(number, bytes)| *bytes == batch(number).changes[0].bytes);
    let reserve = folder.join("reserve").exists();
    say(&format!(
        "{:?}, {} changes, sound {sound}, damaged {}, {:?}, reserve {reserve}",
        store.mode(),
        log.changes.len(),
        log.damaged.len(),
        store.opened().damaged
    ))
}

/// Wrong on purpose: a database that does not sync. A killed process loses nothing by it, a power cut does.
fn unsynced(folder: &Path, count: u64) -> Outcome {
    std::fs::create_dir_all(folder)?;
    let db = rusqlite::Connection::open(folder.join("record-1.db"))?;
    db.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    let _: String = db.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
    db.pragma_update(None, "synchronous", "OFF")?;
    db.execute_batch("CREATE TABLE t(bytes BLOB)")?;
    for number in 1..=count {
        db.execute("INSERT INTO t VALUES(?)", [[0_u8; 150]])?;
        say(&format!("saved {number}"))?;
    }
    say("done")
}

fn say(line: &str) -> Outcome {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}")?;
    Ok(out.flush()?)
}
