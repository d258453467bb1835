//! What signing and checking cost, beside hashing alone: `cargo run --release -p gravelbar-proof --example proof_cost`.

#![expect(
    clippy::print_stdout,
    clippy::unwrap_used,
    clippy::disallowed_methods,
    reason = "an example that measures and prints"
)]

use std::hint::black_box;
use std::time::{Duration, Instant};

use gravelbar_ledger::{Ledger, Session, Writer};
use gravelbar_proof::{Provenance, Signer};
use sha2::{Digest, Sha256};

const CHANGES: usize = 1_700;
const ROUNDS: u32 = 9;

/// The shortest of several rounds: what else the machine does only makes a round longer.
fn shortest(mut round: impl FnMut()) -> Duration {
    (0..ROUNDS)
        .map(|_| {
            let start = Instant::now();
            round();
            start.elapsed()
        })
        .min()
        .unwrap_or_default()
}

fn main() {
    let key =
        ring::signature::Ed25519KeyPair::generate_pkcs8(&ring::rand::SystemRandom::new()).unwrap();
    let signer = Signer::from_pkcs8(key.as_ref()).unwrap();
    let tap = r#"{"at":"2026-08-18T10:12:00-04:00","by":"Mirelle Ashgrove","what":{"tally":{"species":"brook trout","pass":1,"n":1}}}"#;
    for writers in [1_u8, 12] {
        let mut parcel = Vec::new();
        let mut named = Vec::new();
        let mut provenance = None;
        for run in 0..writers {
            let writer = Writer {
                device: signer.device().tag(),
                session: Session([run; 8]),
            };
            let mut ledger = Ledger::create("a stream, a day", writer).unwrap();
            let provenance = provenance.get_or_insert_with(|| Provenance::new(ledger.id()));
            for _ in 0..CHANGES / usize::from(writers) {
                let change = ledger
                    .append(&[tap.to_owned()], 1_770_000_000)
                    .unwrap()
                    .change;
                provenance
                    .write(&signer, writer, change.number, change.hash)
                    .unwrap();
                named.push((writer, change.number));
                parcel.push(change.bytes.to_vec());
            }
            provenance.sign(&signer, writer);
        }
        let provenance = provenance.unwrap();
        let proof = provenance.prove(&named).unwrap();
        let document = Ledger::document_id("a stream, a day");

        let hashing = shortest(|| {
            for change in &parcel {
                black_box(Sha256::digest(change));
            }
        });
        let claims = shortest(|| {
            for change in &parcel {
                black_box(Ledger::claims(change).unwrap());
            }
        });
        let checking = shortest(|| {
            let checked = Provenance::new(document).check(parcel.clone(), &proof);
            assert!(checked.unproved.is_empty());
        });
        let bytes: usize = parcel.iter().map(Vec::len).sum();
        println!(
            "{} changes of {writers} writers, {bytes} bytes, proof {} bytes ({:.1} %)",
            parcel.len(),
            proof.len(),
            100.0 * proof.len() as f64 / bytes as f64
        );
        println!("  hashing alone            {hashing:>10.1?}   1.0");
        let line = |what, took: Duration| {
            println!(
                "  {what:<24} {took:>10.1?}   {:.1}",
                took.as_secs_f64() / hashing.as_secs_f64()
            );
        };
        line("reading who wrote them", claims);
        line("checking, reading too", checking);
    }

    let writer = Writer {
        device: signer.device().tag(),
        session: Session([77; 8]),
    };
    let mut ledger = Ledger::create("a stream, a day", writer).unwrap();
    let mut provenance = Provenance::new(ledger.id());
    let (mut writing, mut signing) = (Duration::ZERO, Duration::ZERO);
    for _ in 0..CHANGES {
        let start = Instant::now();
        let change = ledger
            .append(&[tap.to_owned()], 1_770_000_000)
            .unwrap()
            .change;
        writing += start.elapsed();
        let start = Instant::now();
        provenance
            .write(&signer, writer, change.number, change.hash)
            .unwrap();
        black_box(provenance.sign(&signer, writer));
        signing += start.elapsed();
    }
    let each = |all: Duration| all / u32::try_from(CHANGES).unwrap();
    println!(
        "a tap: written in {:.1?}, signed in {:.1?} ({:.2} of writing)",
        each(writing),
        each(signing),
        signing.as_secs_f64() / writing.as_secs_f64()
    );
}
