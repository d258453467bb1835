//! From tap to saved, against a bare synced insert of the same bytes, interleaved in one run.

use std::time::{Duration, Instant};

use gravelbar_crew::{Act, Clock, Options, Reach, start};
use gravelbar_tests::crew::{plan, tally};
use gravelbar_visit::PersonName;

const TAPS: usize = 2_000;

fn main() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let node = start(
        Options {
            folder: folder.path().join("device"),
            witness: None,
            listen: "127.0.0.1:0".parse().unwrap(),
            reach: Reach::Interfaces,
            name: "bench".to_owned(),
            clock: Clock::default(),
        },
        runtime.handle().clone(),
    )
    .unwrap();
    let bare = rusqlite::Connection::open(folder.path().join("bare.db")).unwrap();
    bare.pragma_update(None, "journal_mode", "WAL").unwrap();
    bare.pragma_update(None, "synchronous", "FULL").unwrap();
    bare.execute("CREATE TABLE log (n INTEGER PRIMARY KEY, bytes BLOB)", [])
        .unwrap();
    // As long as the change that one tap makes.
    let bytes = tap_bytes();

    let (mut taps, mut inserts) = (Vec::new(), Vec::new());
    runtime.block_on(async {
        let visit = node.start(plan("QB-03")).await.unwrap();
        let by = PersonName::new("Hollis Fenn").unwrap();
        for n in 0..TAPS {
            let act = Act {
                tap_id: format!("tap {n}"),
                by: by.clone(),
                at: None,
                why: None,
                facts: vec![tally("brook trout", 1)],
            };
            let begun = Instant::now();
            node.act(visit, act).await.unwrap();
            taps.push(begun.elapsed());
            let begun = Instant::now();
            bare.execute("INSERT INTO log (bytes) VALUES (?1)", [&bytes])
                .unwrap();
            inserts.push(begun.elapsed());
        }
        node.quit().await;
    });
    let (tap, insert) = (quantiles(&mut taps), quantiles(&mut inserts));
    println!("{TAPS} taps of {} bytes, one at a time", bytes.len());
    println!("                        p50        p99");
    println!("tap to saved      {:>8.0} us {:>8.0} us", tap.0, tap.1);
    println!(
        "bare insert       {:>8.0} us {:>8.0} us",
        insert.0, insert.1
    );
    println!(
        "ratio             {:>8.2}    {:>8.2}",
        tap.0 / insert.0,
        tap.1 / insert.1
    );
}

fn tap_bytes() -> Vec<u8> {
    let mut visit =
        gravelbar_visit::Visit::start(plan("QB-03"), gravelbar_visit::Writer::from_bytes([7; 16]))
            .unwrap();
    let by = PersonName::new("Hollis Fenn").unwrap();
    let at = "2026-08-18T09:50:00-04:00".parse().unwrap();
    let mut last = Vec::new();
    for _ in 0..2 {
        let written = visit
            .record(&by, at, None, vec![tally("brook trout", 1)])
            .unwrap();
        last = written.change.bytes.to_vec();
    }
    last
}

fn quantiles(times: &mut [Duration]) -> (f64, f64) {
    times.sort_unstable();
    let at = |share: f64| {
        let place = (times.len() as f64 * share) as usize;
        times[place.min(times.len() - 1)].as_secs_f64() * 1e6
    };
    (at(0.5), at(0.99))
}
