//! Devices with keys, ledgers and something like a disk.

use std::collections::BTreeMap;
use std::sync::Arc;

use gravelbar_ledger::{Ledger, LoggedChange, Session, Writer};
use gravelbar_proof::{Checked, Provenance, Signer, StoredHead, StoredOpening, ToStore};

pub(crate) const ABOUT: &str = "Quillet Brook, a day in August";

/// A key in the form of RFC 8410 without its public half, from a seed.
pub(crate) fn signer(seed: u8) -> Signer {
    let mut pkcs8 = vec![
        0x30, 0x2e, 0x02, 0x01, 0x00, 0x30, 0x05, 0x06, 0x03, 0x2b, 0x65, 0x70, 0x04, 0x22, 0x04,
        0x20,
    ];
    pkcs8.extend([seed; 32]);
    Signer::from_pkcs8(&pkcs8).unwrap()
}

#[derive(Debug, Clone, Default)]
pub(crate) struct Disk {
    pub(crate) changes: Vec<Arc<LoggedChange>>,
    openings: BTreeMap<Writer, Vec<u8>>,
    heads: BTreeMap<(Writer, u64), Vec<u8>>,
}

impl Disk {
    pub(crate) fn store(&mut self, changes: &[Arc<LoggedChange>], what: ToStore) {
        self.changes.extend(changes.iter().cloned());
        for opening in what.openings {
            assert!(
                self.openings
                    .insert(opening.writer, opening.bytes)
                    .is_none()
            );
        }
        for head in what.heads {
            self.heads.insert((head.writer, head.slot), head.bytes);
        }
    }

    pub(crate) fn flip(&mut self, at: usize) {
        let all = self.openings.values_mut().chain(self.heads.values_mut());
        let mut bytes: Vec<&mut u8> = all.flatten().collect();
        let length = bytes.len() * 8;
        let bit = at % length;
        *bytes[bit / 8] ^= 1 << (bit % 8);
    }

    pub(crate) fn read(&self, document: gravelbar_ledger::DocumentId) -> (Provenance, usize) {
        let (provenance, doubts) = Provenance::restore(
            document,
            self.openings.iter().map(|(writer, bytes)| StoredOpening {
                writer: *writer,
                bytes: bytes.clone(),
            }),
            self.heads.iter().map(|((writer, slot), bytes)| StoredHead {
                writer: *writer,
                slot: *slot,
                bytes: bytes.clone(),
            }),
            self.changes
                .iter()
                .map(|change| (change.writer, change.hash)),
        );
        (provenance, doubts.len())
    }
}

pub(crate) struct Device {
    seed: u8,
    runs: u8,
    pub(crate) signer: Signer,
    pub(crate) writer: Writer,
    pub(crate) ledger: Ledger,
    pub(crate) provenance: Provenance,
    pub(crate) disk: Disk,
}

impl Device {
    pub(crate) fn new(seed: u8) -> Self {
        let signer = signer(seed);
        let writer = Writer {
            device: signer.device().tag(),
            session: Session([seed, 1, 0, 0, 0, 0, 0, 0]),
        };
        let ledger = Ledger::create(ABOUT, writer).unwrap();
        Self {
            seed,
            runs: 1,
            signer,
            writer,
            provenance: Provenance::new(ledger.id()),
            ledger,
            disk: Disk::default(),
        }
    }

    /// One turn: so many changes, then one signing.
    pub(crate) fn turn(&mut self, changes: usize) {
        let mut written = Vec::new();
        for _ in 0..changes {
            let body = format!("trout {}", self.ledger.records().len());
            let change = self.ledger.append(&[body], 1_770_000_000).unwrap().change;
            self.provenance
                .write(&self.signer, self.writer, change.number, change.hash)
                .unwrap();
            written.push(change);
        }
        let to_store = self.provenance.sign(&self.signer, self.writer);
        self.disk.store(&written, to_store);
    }

    /// What a device that holds `than` is sent, with its proof.
    pub(crate) fn parcel(&self, than: &Self, most: usize) -> (Vec<Vec<u8>>, Vec<u8>) {
        let changes = self.ledger.missing(than.ledger.vector(), most, 1 << 20);
        let named: Vec<_> = changes.iter().map(|c| (c.writer, c.number)).collect();
        let proof = self.provenance.prove(&named).unwrap();
        (changes.iter().map(|c| c.bytes.to_vec()).collect(), proof)
    }

    /// Takes a parcel in as a device does; gives back what was wrong with it.
    pub(crate) fn receive(&mut self, changes: Vec<Vec<u8>>, proof: &[u8]) -> Checked {
        let mut checked = self.provenance.check(changes, proof);
        let proved = checked.runs.iter_mut();
        let bytes = proved.flat_map(|run| run.changes.clone()).collect();
        let received = self.ledger.receive(bytes);
        let mut to_store = ToStore::default();
        for run in &checked.runs {
            to_store.add(self.provenance.take(run, &received.applied));
        }
        self.disk.store(&received.applied, to_store);
        checked
    }

    /// Takes from another device up to `most` changes.
    pub(crate) fn meet(&mut self, other: &Self, most: usize) -> usize {
        let (changes, proof) = other.parcel(self, most);
        let came = changes.len();
        let checked = self.receive(changes, &proof);
        assert_eq!(checked.unproved, []);
        came
    }

    pub(crate) fn meet_wholly(&mut self, other: &Self) {
        while self.meet(other, 256) > 0 {}
    }

    /// Ends the program and starts it again.
    pub(crate) fn restart(&mut self) {
        self.restart_from(self.disk.clone());
    }

    /// Starts from this data, as after a backup was put back.
    pub(crate) fn restart_from(&mut self, disk: Disk) {
        self.runs += 1;
        self.writer.session = Session([self.seed, self.runs, 0, 0, 0, 0, 0, 0]);
        let bytes = disk.changes.iter().map(|change| change.bytes.to_vec());
        let (ledger, received) = Ledger::restore(ABOUT, self.writer, bytes).unwrap();
        assert!(received.refused.is_empty() && received.waiting.is_empty());
        let (provenance, doubts) = disk.read(ledger.id());
        assert_eq!(doubts, 0);
        (self.ledger, self.provenance, self.disk) = (ledger, provenance, disk);
    }

    /// A device that goes on with the same key and a copy of the data.
    pub(crate) fn copied(&self, runs: u8) -> Self {
        let mut copy = Self::new(self.seed);
        copy.runs = runs;
        copy.restart_from(self.disk.clone());
        copy
    }
}
