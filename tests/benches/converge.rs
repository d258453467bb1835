//! Two devices become one after a partition: over QUIC with stores, against merging the same two
//! documents in memory, and against the library's own sync protocol.

use std::time::{Duration, Instant};

use automerge::sync::SyncDoc;
use automerge::{Automerge, sync};
use gravelbar_crew::{Act, Clock, Node, Options, Reach, start};
use gravelbar_ledger::{DeviceTag, Ledger, Session, Writer};
use gravelbar_tests::crew::{plan, tally};
use gravelbar_visit::{DocumentId, PersonName};

fn main() {
    println!("both sides' new taps made apart on top of a shared history; times are wall clock");
    println!(
        "{:>8} {:>6} {:>12} {:>12} {:>12} {:>12} {:>9} {:>9}",
        "shared", "apart", "QUIC+disk", "gate+apply", "merge", "library", "/merge", "/library"
    );
    for (shared, apart) in [(1_000, 100), (1_000, 500), (5_000, 500), (5_000, 1_700)] {
        let over_quic = quic(shared, apart);
        let (left, right) = apart_in_memory(shared, apart);
        let gated = gate_and_apply(&left, &right);
        let merged = merge(&left, &right);
        let synced = library_sync(&left, &right);
        println!(
            "{shared:>8} {apart:>6} {:>9.1} ms {:>9.1} ms {:>9.1} ms {:>9.1} ms {:>9.2} {:>9.2}",
            ms(over_quic),
            ms(gated),
            ms(merged),
            ms(synced),
            ms(over_quic) / ms(merged),
            ms(over_quic) / ms(synced),
        );
    }
}

fn ms(time: Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

/// Two real devices: a shared history, then each records while the other is off; timed from both
/// being up until both have stored everything.
fn quic(shared: usize, apart: usize) -> Duration {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let ports = [free_port(), free_port()];
    let device = |n: usize| {
        start(
            Options {
                folder: folder.path().join(format!("device {n}")),
                witness: None,
                listen: format!("127.0.0.1:{}", ports[n]).parse().unwrap(),
                reach: Reach::Interfaces,
                name: format!("device {n}"),
                clock: Clock::default(),
            },
            runtime.handle().clone(),
        )
        .unwrap()
    };
    runtime.block_on(async {
        let (left, right) = (device(0), device(1));
        let visit = left.start(plan("QB-03")).await.unwrap();
        right.join(left.invite(visit).await.unwrap()).await.unwrap();
        record(&left, visit, "shared", shared).await;
        let common = records(&left, visit).await;
        while records(&right, visit).await < common {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        right.quit().await;
        record(&left, visit, "left", apart).await;
        left.quit().await;
        let right = device(1);
        record(&right, visit, "right", apart).await;
        let all = records(&right, visit).await + apart;
        let left = device(0);
        let begun = Instant::now();
        while records(&left, visit).await < all || records(&right, visit).await < all {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        let took = begun.elapsed();
        left.quit().await;
        right.quit().await;
        took
    })
}

fn free_port() -> u16 {
    std::net::UdpSocket::bind("127.0.0.1:0")
        .and_then(|socket| socket.local_addr())
        .unwrap()
        .port()
}

async fn record(node: &Node, visit: DocumentId, what: &str, n: usize) {
    let by = PersonName::new("Hollis Fenn").unwrap();
    for chunk in (0..n).collect::<Vec<_>>().chunks(64) {
        let acts = chunk.iter().map(|k| {
            let act = Act {
                tap_id: format!("{what} {k}"),
                by: by.clone(),
                at: None,
                why: None,
                facts: vec![tally("brook trout", 1)],
            };
            let node = node.clone();
            tokio::spawn(async move { node.act(visit, act).await.unwrap() })
        });
        for act in acts.collect::<Vec<_>>() {
            act.await.unwrap();
        }
    }
}

async fn records(node: &Node, visit: DocumentId) -> usize {
    node.visits()
        .await
        .iter()
        .find(|line| line.document == visit)
        .and_then(|line| line.records)
        .unwrap_or(0)
}

fn writer(n: u8) -> Writer {
    Writer {
        device: DeviceTag([n; 8]),
        session: Session([n; 8]),
    }
}

/// The same two histories as ledgers.
fn apart_in_memory(shared: usize, apart: usize) -> (Ledger, Ledger) {
    let about = plan("QB-03").about();
    let mut left = Ledger::create(&about, writer(1)).unwrap();
    let mut right = Ledger::create(&about, writer(2)).unwrap();
    let body = |n: usize| {
        format!(
            r#"{{"at":"2026-08-18T09:50:{:02}-04:00","by":"Hollis Fenn","what":{{"tally":{{"pass":"main/1","species":"brook trout","n":1}}}}}}"#,
            n % 60
        )
    };
    for n in 0..shared {
        left.append(&[body(n)], 1_787_000_000).unwrap();
    }
    take(&mut right, &left);
    for n in 0..apart {
        left.append(&[body(n)], 1_787_000_000).unwrap();
        right.append(&[body(n)], 1_787_000_000).unwrap();
    }
    (left, right)
}

fn take(to: &mut Ledger, from: &Ledger) {
    let news = from.missing(to.vector(), usize::MAX, usize::MAX);
    let received = to.receive(news.iter().map(|change| change.bytes.to_vec()).collect());
    assert!(received.refused.is_empty());
}

/// Our own path without network and disk: gate, apply, index.
fn gate_and_apply(left: &Ledger, right: &Ledger) -> Duration {
    let copy = |ledger: &Ledger| {
        let log = ledger.log().iter().map(|change| change.bytes.to_vec());
        Ledger::restore(ledger.about(), ledger.writer(), log.collect::<Vec<_>>())
            .unwrap()
            .0
    };
    let (mut a, mut b) = (copy(left), copy(right));
    let begun = Instant::now();
    take(&mut a, &b);
    take(&mut b, &a);
    let took = begun.elapsed();
    assert_eq!(a.heads(), b.heads());
    took
}

fn documents(left: &Ledger, right: &Ledger) -> (Automerge, Automerge) {
    let load = |ledger: &Ledger| Automerge::load(&ledger.save().unwrap()).unwrap();
    (load(left), load(right))
}

fn merge(left: &Ledger, right: &Ledger) -> Duration {
    let (mut a, mut b) = documents(left, right);
    let begun = Instant::now();
    a.merge(&mut b).unwrap();
    b.merge(&mut a).unwrap();
    begun.elapsed()
}

/// The library's own protocol with fresh state on both sides, messages encoded and decoded.
fn library_sync(left: &Ledger, right: &Ledger) -> Duration {
    let (mut a, mut b) = documents(left, right);
    let (mut of_b, mut of_a) = (sync::State::new(), sync::State::new());
    let begun = Instant::now();
    loop {
        let to_b = a.generate_sync_message(&mut of_b);
        let to_a = b.generate_sync_message(&mut of_a);
        if to_a.is_none() && to_b.is_none() {
            break;
        }
        if let Some(message) = to_b {
            let message = sync::Message::decode(&message.encode()).unwrap();
            b.receive_sync_message(&mut of_a, message).unwrap();
        }
        if let Some(message) = to_a {
            let message = sync::Message::decode(&message.encode()).unwrap();
            a.receive_sync_message(&mut of_b, message).unwrap();
        }
    }
    let took = begun.elapsed();
    assert_eq!(a.get_heads(), b.get_heads());
    took
}
