//! Times the ledger: appending, receiving, restoring, and the gate's share of it.
//!
//! `cargo run --release -p gravelbar-ledger --example measure_ledger [records]`, 100,000 unless said.

#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "a program that times things and prints the times"
)]

use std::error::Error;
use std::time::{Duration, Instant};

use automerge::{Automerge, Change};
use gravelbar_ledger::{DeviceTag, Ledger, Session, Writer};

const ABOUT: &str = "how long it takes";
const CREW: u8 = 6;
/// Records each device makes between two meetings of all.
const APART: usize = 100;

fn writer(device: u8, session: u8) -> Writer {
    Writer {
        device: DeviceTag([device; 8]),
        session: Session([session; 8]),
    }
}

fn tap(n: usize) -> String {
    format!(r#"{{"kind":"tap","pass":1,"species":"trout","bucket":"b2","n":1,"tap":{n}}}"#)
}

fn timed<T>(run: impl FnOnce() -> T) -> (T, Duration) {
    let start = Instant::now();
    let out = run();
    (out, start.elapsed())
}

fn per(total: Duration, count: usize) -> f64 {
    total.as_secs_f64() * 1e6 / count.max(1) as f64
}

fn log_bytes(ledger: &Ledger) -> Vec<Vec<u8>> {
    ledger.log().iter().map(|c| c.bytes.to_vec()).collect()
}

/// A crew that records apart and meets, until there are this many records.
fn crew_log(records: usize) -> Result<Ledger, Box<dyn Error>> {
    let mut crew = Vec::new();
    for device in 1..=CREW {
        crew.push(Ledger::create(ABOUT, writer(device, 1))?);
    }
    let mut made = 0;
    while made < records {
        for member in &mut crew {
            for _ in 0..APART.min(records - made) {
                member.append(&[tap(made)], 1_770_000_000 + i64::try_from(made)?)?;
                made += 1;
            }
        }
        let (first, rest) = crew.split_first_mut().ok_or("no crew")?;
        for member in rest.iter() {
            let news = member.missing(first.vector(), usize::MAX, usize::MAX);
            first.receive(news.iter().map(|c| c.bytes.to_vec()).collect());
        }
        for member in rest {
            let news = first.missing(member.vector(), usize::MAX, usize::MAX);
            member.receive(news.iter().map(|c| c.bytes.to_vec()).collect());
        }
    }
    Ok(crew.swap_remove(0))
}

fn report(records: usize) -> Result<(), Box<dyn Error>> {
    let (held, building) = timed(|| crew_log(records));
    let held = held?;
    let log = log_bytes(&held);
    let bytes: usize = log.iter().map(Vec::len).sum();
    println!(
        "\n{records} records of {CREW} devices, {} bytes a change",
        bytes / log.len()
    );
    println!(
        "  made and met, all devices    {:>9.1} ms",
        building.as_secs_f64() * 1e3
    );

    let copy = log.clone();
    let (restored, restoring) = timed(|| Ledger::restore(ABOUT, writer(9, 1), copy));
    let (mut restored, received) = restored?;
    assert_eq!(received.applied.len(), log.len());
    println!(
        "  restore                      {:>9.1} ms  {:.1} us a change",
        restoring.as_secs_f64() * 1e3,
        per(restoring, log.len())
    );
    let copy = log.clone();
    let changes = copy
        .into_iter()
        .map(Change::from_bytes)
        .collect::<Result<Vec<_>, _>>()?;
    let mut bare = Automerge::new();
    let genesis = Automerge::load(&Ledger::create(ABOUT, writer(9, 2))?.save()?)?;
    bare.apply_changes(genesis.get_changes(&[]))?;
    let (applied, applying) = timed(|| bare.apply_changes(changes));
    applied?;
    println!(
        "  the library's share          {:>9.1} ms  {:.1} us a change; all else {:.1} us",
        applying.as_secs_f64() * 1e3,
        per(applying, log.len()),
        per(restoring.saturating_sub(applying), log.len())
    );

    let mut each = Vec::new();
    for n in 0..1000 {
        let (done, took) = timed(|| restored.append(&[tap(n)], 1_770_000_000));
        done?;
        each.push(took);
    }
    each.sort_unstable();
    println!(
        "  append one                   {:>9.1} us  p99 {:.1} us",
        each[500].as_secs_f64() * 1e6,
        each[990].as_secs_f64() * 1e6
    );

    let (mut far, _) = Ledger::restore(ABOUT, writer(10, 1), log.clone())?;
    let mut each = Vec::new();
    for change in restored.log().iter().skip(records) {
        let bytes = vec![change.bytes.to_vec()];
        let (_, took) = timed(|| far.receive(bytes));
        each.push(took);
    }
    each.sort_unstable();
    println!(
        "  receive one                  {:>9.1} us  p99 {:.1} us, most {:.1} ms",
        each[500].as_secs_f64() * 1e6,
        each[990].as_secs_f64() * 1e6,
        each[999].as_secs_f64() * 1e3
    );

    let (mut away, _) = Ledger::restore(ABOUT, writer(11, 1), log.clone())?;
    for n in 0..1704 {
        away.append(&[tap(n)], 1_770_000_000)?;
    }
    let (news, finding) = timed(|| away.missing(far.vector(), 2000, 1 << 24));
    let news: Vec<_> = news.iter().map(|c| c.bytes.to_vec()).collect();
    let (received, receiving) = timed(|| far.receive(news));
    assert_eq!(received.applied.len(), 1704);
    println!(
        "  find 1,704 missing           {:>9.1} ms\n  receive 1,704                {:>9.1} ms  {:.1} us a change",
        finding.as_secs_f64() * 1e3,
        receiving.as_secs_f64() * 1e3,
        per(receiving, 1704)
    );
    let (covered, covering) = timed(|| far.records_at(&held.heads()));
    covered?;
    println!(
        "  what heads cover             {:>9.1} ms",
        covering.as_secs_f64() * 1e3
    );
    let (verified, verifying) = timed(|| far.verify());
    verified?;
    println!(
        "  save, load and compare       {:>9.1} ms",
        verifying.as_secs_f64() * 1e3
    );
    let (saved, saving) = timed(|| far.save());
    println!(
        "  write the document's file    {:>9.1} ms  {} bytes",
        saving.as_secs_f64() * 1e3,
        saved?.len()
    );
    Ok(())
}

fn main() -> Result<(), Box<dyn Error>> {
    let most = std::env::args().nth(1).map_or(Ok(100_000), |n| n.parse())?;
    for records in [1_000, 10_000, 100_000, 1_000_000] {
        if records <= most {
            report(records)?;
        }
    }
    Ok(())
}
