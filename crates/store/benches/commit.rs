//! What a commit costs beside a bare insert of the same bytes into SQLite under the same settings.
//!
//! `cargo bench -p gravelbar-store [-- FOLDER]`. Both run in turns, in folders side by side, so that a busy disk
//! or processor slows both: the ratios are worth more than the times.

#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "a benchmark measures time and says so"
)]

use std::path::Path;
use std::time::{Duration, Instant};

use gravelbar_store::{Batch, Change, Store};
use rusqlite::Connection;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

const CHANGE_BYTES: usize = 150;

fn main() -> Outcome<()> {
    let place = match std::env::args().skip(1).find(|word| !word.starts_with('-')) {
        Some(folder) => tempfile::tempdir_in(folder)?,
        None => tempfile::tempdir()?,
    };
    println!(
        "commit of {CHANGE_BYTES}-byte changes, beside a bare insert (SQLite, WAL, synchronous=FULL), interleaved"
    );
    for (changes, rounds) in [(1, 2000), (50, 400)] {
        compare(place.path(), changes, rounds)?;
    }
    opening(place.path())
}

fn compare(place: &Path, changes: u64, rounds: u64) -> Outcome<()> {
    let folder = place.join(format!("store-{changes}"));
    let mut store = Store::open(&folder, None)?;
    let bare = Connection::open(place.join(format!("bare-{changes}.db")))?;
    bare.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    bare.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    bare.pragma_update(None, "synchronous", "FULL")?;
    bare.execute_batch("CREATE TABLE log(id INTEGER PRIMARY KEY,bytes BLOB)")?;
    let (mut ours, mut theirs) = (Vec::new(), Vec::new());
    for round in 0..rounds {
        let batch = Batch {
            changes: (0..changes).map(|n| change(round * changes + n)).collect(),
            ..Batch::default()
        };
        let start = Instant::now();
        store.commit(&batch)?;
        ours.push(start.elapsed());

        let start = Instant::now();
        let work = bare.unchecked_transaction()?;
        for change in &batch.changes {
            work.prepare_cached("INSERT INTO log(bytes)VALUES(?)")?
                .execute([&change.bytes])?;
        }
        work.commit()?;
        theirs.push(start.elapsed());
    }
    ours.sort_unstable();
    theirs.sort_unstable();
    println!("{changes} per commit, {rounds} commits of each:");
    for (name, share) in [("median", 50), ("p99", 99)] {
        let (ours, theirs) = (at(&ours, share), at(&theirs, share));
        println!(
            "  {name:6}  commit {ours:>9.1?}  bare {theirs:>9.1?}  ratio {:.2}",
            ours.as_secs_f64() / theirs.as_secs_f64()
        );
    }
    Ok(())
}

/// A large season: how long opening (with its checks) and reading take.
fn opening(place: &Path) -> Outcome<()> {
    let folder = place.join("season");
    let mut store = Store::open(&folder, None)?;
    for round in 0..100 {
        let answers = (0..400)
            .map(|n| (format!("tap {round}/{n}"), "counted".to_owned()))
            .collect();
        let changes = (0..2000).map(|n| change(round * 2000 + n)).collect();
        store.commit(&Batch {
            changes,
            answers,
            ..Batch::default()
        })?;
    }
    store.rest()?;
    drop(store);
    let start = Instant::now();
    let store = Store::open(&folder, None)?;
    let opened = start.elapsed();
    let start = Instant::now();
    let read = store.log([7; 16])?.changes.len();
    println!(
        "opening with {read} changes and 40000 answers kept: {opened:.1?}; reading their log: {:.1?}",
        start.elapsed()
    );
    Ok(())
}

fn at(sorted: &[Duration], share: usize) -> Duration {
    sorted
        .get(sorted.len() * share / 100)
        .copied()
        .unwrap_or_default()
}

fn change(number: u64) -> Change {
    Change {
        document: [7; 16],
        writer: [1; 16],
        number,
        bytes: number
            .to_be_bytes()
            .into_iter()
            .cycle()
            .take(CHANGE_BYTES)
            .collect(),
        heard_from: None,
        at_ms: 0,
    }
}
