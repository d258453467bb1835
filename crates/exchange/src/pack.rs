//! Packing documents into a file.

use std::sync::Arc;

use gravelbar_ledger::{ChangeHash, DocumentId, LoggedChange};
use gravelbar_proof::{DeviceId, Provenance};
use ring::signature::{Ed25519KeyPair, KeyPair};

use crate::cursor::number;
use crate::error::PackError;
use crate::file::{MAX_PARCEL_CHANGES, head, signed_by};
use crate::manifest::{CarriedLine, MAX_MANIFEST_BYTES, Manifest};
use crate::{MAX_CHANGES, MAX_DOCUMENTS, MAX_FILE_BYTES};

/// Bytes of changes in one parcel at most, apart from one change that is longer.
const PARCEL_BYTES: usize = 1024 * 1024;

/// A document to be packed.
pub struct Contents<'a> {
    /// Its id.
    pub id: DocumentId,
    /// What it is about.
    pub about: &'a str,
    /// Its heads.
    pub heads: Vec<ChangeHash>,
    /// All its changes, causes before effects.
    pub log: &'a [Arc<LoggedChange>],
    /// Whose they are.
    pub provenance: &'a Provenance,
}

/// The device that packs.
pub struct Packer {
    pair: Ed25519KeyPair,
    key: [u8; 32],
}

impl Packer {
    /// The device of this key, PKCS#8.
    ///
    /// # Errors
    ///
    /// [`PackError::Key`] when it is no key of Ed25519.
    pub fn from_pkcs8(pkcs8: &[u8]) -> Result<Self, PackError> {
        let pair = Ed25519KeyPair::from_pkcs8_maybe_unchecked(pkcs8).map_err(|_| PackError::Key)?;
        let key = pair.public_key().as_ref();
        let key = key.try_into().map_err(|_| PackError::Key)?;
        Ok(Self { pair, key })
    }

    /// The device's name.
    #[must_use]
    pub fn device(&self) -> DeviceId {
        DeviceId::of_key(&self.key)
    }

    /// The documents as one file. Equal documents, program and time make an equal file.
    ///
    /// # Errors
    ///
    /// [`PackError`] when some changes aren't proved here, or it would be too long.
    pub fn pack(
        &self,
        documents: &[Contents<'_>],
        program: &str,
        packed_at_s: i64,
    ) -> Result<Vec<u8>, PackError> {
        let mut documents: Vec<&Contents<'_>> = documents.iter().collect();
        documents.sort_by_key(|document| document.id);
        documents.dedup_by_key(|document| document.id);
        if documents.is_empty() || documents.len() > MAX_DOCUMENTS {
            return Err(PackError::Documents(documents.len()));
        }
        let changes: usize = documents.iter().map(|d| d.log.len()).sum();
        let bytes = documents.iter().flat_map(|d| d.log).map(|c| c.bytes.len());
        if changes > MAX_CHANGES || bytes.sum::<usize>() > MAX_FILE_BYTES {
            return Err(PackError::TooLong);
        }
        let mut lines = Vec::new();
        let mut bodies = Vec::new();
        for document in documents {
            let body = parcels(document)?;
            let mut heads = document.heads.clone();
            heads.sort_unstable();
            if document.log.is_empty() {
                heads.clear();
            }
            lines.push(CarriedLine {
                id: document.id,
                about_bytes: document.about.len(),
                heads,
                changes: document.log.len(),
                bytes: body.len(),
            });
            bodies.push((document.about, body));
        }
        let program: String = program.chars().filter(|c| !c.is_control()).collect();
        let manifest = Manifest {
            program: program.chars().take(100).collect(),
            packed_at_s,
            documents: lines,
        };
        let manifest = manifest.to_bytes();
        if manifest.len() > MAX_MANIFEST_BYTES {
            return Err(PackError::TooLong);
        }
        let mut content = number(manifest.len()).to_vec();
        content.extend(manifest);
        for (about, body) in bodies {
            content.extend_from_slice(about.as_bytes());
            content.extend(body);
        }
        let mut file = head(content.len()).to_vec();
        file.append(&mut content);
        let file = signed_by(file, self.key, |message| {
            self.pair.sign(message).as_ref().to_vec()
        });
        if file.len() > MAX_FILE_BYTES {
            return Err(PackError::TooLong);
        }
        Ok(file)
    }
}

/// A document's changes in parcels, each with its proof, as they would travel to a newcomer.
fn parcels(document: &Contents<'_>) -> Result<Vec<u8>, PackError> {
    let mut parcels: Vec<&[Arc<LoggedChange>]> = Vec::new();
    let mut rest = document.log;
    while !rest.is_empty() {
        let mut bytes = 0;
        let fit = rest.iter().take(MAX_PARCEL_CHANGES).take_while(|change| {
            bytes += change.bytes.len();
            bytes <= PARCEL_BYTES
        });
        let (parcel, others) = rest.split_at(fit.count().max(1));
        parcels.push(parcel);
        rest = others;
    }
    let mut out = number(parcels.len()).to_vec();
    for parcel in parcels {
        let changes: Vec<_> = parcel.iter().map(|c| (c.writer, c.number)).collect();
        let proof = (document.provenance.prove(&changes)).map_err(|why| PackError::Unproved {
            document: document.id,
            why,
        })?;
        out.extend(number(proof.len()));
        out.extend(proof);
        out.extend(number(parcel.len()));
        for change in parcel {
            out.extend(number(change.bytes.len()));
            out.extend_from_slice(&change.bytes);
        }
    }
    Ok(out)
}
