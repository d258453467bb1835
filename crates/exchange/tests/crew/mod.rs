//! Devices with fixed keys that write in a document together, and a file's last bytes written a
//! second time from `FORMAT.md`.

use gravelbar_exchange::{Contents, Packer};
use gravelbar_ledger::{Ledger, Session, Writer};
use gravelbar_proof::{Provenance, Signer};
use ring::signature::{Ed25519KeyPair, KeyPair};
use sha2::{Digest, Sha256};

/// The key of a device from a seed, PKCS#8 version 1 (RFC 8410).
pub(crate) fn pkcs8(seed: u8) -> Vec<u8> {
    let mut bytes = vec![
        0x30, 0x2e, 0x02, 0x01, 0x00, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x04, 0x22, 0x04,
        0x20,
    ];
    bytes.extend([seed; 32]);
    bytes
}

pub(crate) fn packer(seed: u8) -> Packer {
    Packer::from_pkcs8(&pkcs8(seed)).unwrap()
}

/// One document as one device holds it.
pub(crate) struct Held {
    pub(crate) ledger: Ledger,
    pub(crate) provenance: Provenance,
}

/// A document about `about` that `devices` devices wrote in by turns, `changes` changes in all.
pub(crate) fn document(about: &str, devices: u8, changes: usize) -> Held {
    let mut crew: Vec<(Signer, Writer, Held)> = (1..=devices)
        .map(|seed| {
            let signer = Signer::from_pkcs8(&pkcs8(seed)).unwrap();
            let writer = Writer {
                device: signer.device().tag(),
                session: Session([seed; 8]),
            };
            let ledger = Ledger::create(about, writer).unwrap();
            let provenance = Provenance::new(ledger.id());
            (signer, writer, Held { ledger, provenance })
        })
        .collect();
    for n in 0..changes {
        let turn = n % crew.len();
        let (signer, writer, held) = &mut crew[turn];
        let body = format!("record {n}");
        let change = held.ledger.append(&[body], 1_770_000_000).unwrap().change;
        let (number, hash) = (change.number, change.hash);
        held.provenance
            .write(signer, *writer, number, hash)
            .unwrap();
        held.provenance.sign(signer, *writer);
        let proof = held.provenance.prove(&[(*writer, number)]).unwrap();
        for (place, (_, _, other)) in crew.iter_mut().enumerate() {
            if place != turn {
                let checked = other.provenance.check(vec![change.bytes.to_vec()], &proof);
                let run = &checked.runs[0];
                let received = other.ledger.receive(run.changes.clone());
                other.provenance.take(run, &received.applied);
            }
        }
    }
    crew.remove(0).2
}

impl Held {
    pub(crate) fn contents(&self) -> Contents<'_> {
        Contents {
            id: self.ledger.id(),
            about: self.ledger.about(),
            heads: self.ledger.heads(),
            log: self.ledger.log(),
            provenance: &self.provenance,
        }
    }
}

pub(crate) fn pack(documents: &[&Held]) -> Vec<u8> {
    let contents: Vec<Contents<'_>> = documents.iter().map(|d| d.contents()).collect();
    packer(1)
        .pack(&contents, "gravelbar 0.1.0", 1_770_000_100)
        .unwrap()
}

/// Where the content of a file ends.
pub(crate) fn content_end(file: &[u8]) -> usize {
    let length = u64::from_be_bytes(file[18..26].try_into().unwrap());
    26 + usize::try_from(length).unwrap()
}

/// A file with this content, signed by a device that says what it likes.
pub(crate) fn signed(seed: u8, content: &[u8]) -> Vec<u8> {
    let pair = Ed25519KeyPair::from_pkcs8_maybe_unchecked(&pkcs8(seed)).unwrap();
    let mut file = b"gravelbar carry\n\x01\x00".to_vec();
    file.extend((content.len() as u64).to_be_bytes());
    file.extend_from_slice(content);
    let mut hashes = Vec::new();
    for stretch in file.chunks(65_536) {
        hashes.extend_from_slice(&Sha256::digest(stretch));
    }
    let key = pair.public_key().as_ref().to_vec();
    let mut message = b"gravelbar carry file 1".to_vec();
    message.extend_from_slice(&key);
    message.extend_from_slice(&hashes);
    let signature = pair.sign(&message);
    file.extend(hashes);
    file.extend(key);
    file.extend_from_slice(signature.as_ref());
    file
}
