//! The documents as one other device may see them.

use std::collections::BTreeMap;

use gravelbar_link::DeviceKeyId;
use gravelbar_proof::ProveError;
use gravelbar_session::{Offer, Outgoing, Parcel, Shelf, Urgent, Vector};
use gravelbar_visit::DocumentId;

use super::held::Held;

/// Only documents that list the device.
pub(super) struct PeerShelf<'a> {
    pub(super) documents: &'a BTreeMap<DocumentId, Held>,
    pub(super) peer: DeviceKeyId,
}

impl PeerShelf<'_> {
    fn held(&self, document: DocumentId) -> Option<&Held> {
        self.documents
            .get(&document)
            .filter(|held| held.lists(self.peer.0))
    }
}

fn offer(document: DocumentId, held: &Held) -> Offer {
    Offer {
        document,
        about: held.about().to_owned(),
        vector: held.vector().clone(),
        standing: held.provenance.standing(),
    }
}

impl Shelf for PeerShelf<'_> {
    fn offers(&self) -> Vec<Offer> {
        self.documents
            .keys()
            .filter_map(|document| self.offer(*document))
            .collect()
    }

    fn offer(&self, document: DocumentId) -> Option<Offer> {
        self.held(document).map(|held| offer(document, held))
    }

    fn shares(&self, document: DocumentId) -> bool {
        self.held(document).is_some()
    }

    fn urgent(&self, document: DocumentId, than: &Vector) -> Vec<Urgent> {
        (self.held(document))
            .map(|held| held.stops.urgent(&held.provenance, than))
            .unwrap_or_default()
    }

    fn missing(
        &self,
        document: DocumentId,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Parcel {
        let Some(held) = self.held(document) else {
            return Parcel::default();
        };
        let mut changes = held.missing(than, max_changes, max_bytes);
        // What nobody has signed can't be passed on, nor what comes after it: it may build on it.
        let proof = loop {
            let named: Vec<_> = changes.iter().map(|c| (c.writer, c.number)).collect();
            match held.provenance.prove(&named) {
                Ok(proof) => break proof,
                Err(ProveError::Unsigned { writer, number }) => {
                    let signed = held.provenance.provable(writer).min(number - 1);
                    let cut = (changes.iter())
                        .position(|c| c.writer == writer && c.number > signed)
                        .unwrap_or(0);
                    changes.truncate(cut);
                }
                Err(_) => return Parcel::default(),
            }
        };
        let changes = changes
            .into_iter()
            .map(|change| Outgoing {
                writer: change.writer,
                number: change.number,
                bytes: std::sync::Arc::clone(&change.bytes),
            })
            .collect();
        Parcel { changes, proof }
    }
}
