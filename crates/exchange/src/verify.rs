//! One document of a file, and the proof of whose its changes are.

use std::collections::{BTreeMap, BTreeSet};

use gravelbar_ledger::{ChangeHash, DocumentId, Ledger, Writer};
use gravelbar_proof::{DeviceId, Fork, Gap, Provenance};

use crate::error::NotVerified;

/// A document as it lies in a file.
#[derive(Debug)]
pub struct Carried<'a> {
    /// Its id, which fits what it is about.
    pub id: DocumentId,
    /// What it is about.
    pub about: &'a str,
    /// Its heads, as the manifest says.
    pub heads: Vec<ChangeHash>,
    /// Its changes, causes before effects.
    pub parcels: Vec<Parcel<'a>>,
}

/// Changes with what proves whose they are, as they travel between devices.
#[derive(Debug)]
pub struct Parcel<'a> {
    /// The proof.
    pub proof: &'a [u8],
    /// The changes.
    pub changes: Vec<&'a [u8]>,
}

impl Parcel<'_> {
    /// The changes, to be given to a document.
    #[must_use]
    pub fn to_changes(&self) -> Vec<Vec<u8>> {
        self.changes.iter().map(|bytes| bytes.to_vec()).collect()
    }
}

/// A document whose changes have all been proved.
#[derive(Debug)]
pub struct Verified {
    /// How many changes each device made.
    pub changes_by: BTreeMap<DeviceId, usize>,
    /// How many records there are.
    pub records: usize,
    /// Numbers that are known to exist and aren't in the file.
    pub gaps: Vec<Gap>,
    /// Devices that went on twice from one point.
    pub forks: Vec<Fork>,
}

impl Carried<'_> {
    /// Proves every change with nothing but the file, and that they make the document that the
    /// manifest names.
    ///
    /// # Errors
    ///
    /// [`NotVerified`]; then nothing of the document is to be taken.
    pub fn verify(&self) -> Result<Verified, NotVerified> {
        let reader = Writer::from_bytes([0; 16]);
        let mut ledger = Ledger::create(self.about, reader).map_err(|_| NotVerified::NotWhole)?;
        let mut provenance = Provenance::new(self.id);
        let mut changes_by: BTreeMap<DeviceId, usize> = BTreeMap::new();
        let mut records = 0;
        for parcel in &self.parcels {
            let checked = provenance.check(parcel.to_changes(), parcel.proof);
            if let Some(unproved) = checked.unproved.into_iter().next() {
                return Err(NotVerified::Unproved(unproved.why));
            }
            let proved: Vec<Vec<u8>> = (checked.runs.iter())
                .flat_map(|run| run.changes.clone())
                .collect();
            let count = proved.len();
            let received = ledger.receive(proved);
            if let Some(refused) = received.refused.into_iter().next() {
                return Err(NotVerified::Refused(refused.refusal));
            }
            if received.applied.len() != count || count != parcel.changes.len() {
                return Err(NotVerified::NotWhole);
            }
            for change in &received.applied {
                records += change.records.clone().count();
            }
            for run in &checked.runs {
                *changes_by.entry(run.device()).or_default() += run.changes.len();
                provenance.take(run, &received.applied);
            }
        }
        let heads: BTreeSet<ChangeHash> = ledger.heads().into_iter().collect();
        let said: BTreeSet<ChangeHash> = self.heads.iter().copied().collect();
        let empty = self.parcels.is_empty() && said.is_empty();
        if !(empty || heads == said && said.len() == self.heads.len()) {
            return Err(NotVerified::NotWhole);
        }
        Ok(Verified {
            changes_by,
            records,
            gaps: provenance.gaps(),
            forks: provenance.forks(),
        })
    }
}
