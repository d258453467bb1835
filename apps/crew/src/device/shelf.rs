//! The visits as one other device may see them.

use std::collections::BTreeMap;

use gravelbar_link::DeviceKeyId;
use gravelbar_session::{Offer, Outgoing, Parcel, Shelf, Vector};
use gravelbar_visit::DocumentId;

use super::Open;

/// Only visits that list the device.
pub(super) struct PeerShelf<'a> {
    pub(super) visits: &'a BTreeMap<DocumentId, Open>,
    pub(super) peer: DeviceKeyId,
}

impl PeerShelf<'_> {
    fn open(&self, document: DocumentId) -> Option<&Open> {
        self.visits
            .get(&document)
            .filter(|open| open.members.contains(&self.peer.0))
    }
}

fn offer(document: DocumentId, open: &Open) -> Offer {
    Offer {
        document,
        about: open.visit.about().to_owned(),
        vector: open.visit.vector().clone(),
        standing: Vec::new(),
    }
}

impl Shelf for PeerShelf<'_> {
    fn offers(&self) -> Vec<Offer> {
        self.visits
            .keys()
            .filter_map(|document| self.offer(*document))
            .collect()
    }

    fn offer(&self, document: DocumentId) -> Option<Offer> {
        self.open(document).map(|open| offer(document, open))
    }

    fn shares(&self, document: DocumentId) -> bool {
        self.open(document).is_some()
    }

    fn missing(
        &self,
        document: DocumentId,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Parcel {
        let Some(open) = self.open(document) else {
            return Parcel::default();
        };
        let changes = (open.visit.missing(than, max_changes, max_bytes))
            .into_iter()
            .map(|change| Outgoing {
                writer: change.writer,
                number: change.number,
                bytes: std::sync::Arc::clone(&change.bytes),
            })
            .collect();
        Parcel {
            changes,
            proof: Vec::new(),
        }
    }
}
