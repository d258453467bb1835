//! A document as a device keeps it, to be packed or to take in what a file brings.

use std::collections::BTreeSet;
use std::sync::Arc;

use gravelbar_ledger::{AboutError, DocumentId, Ledger, LoggedChange, Writer};
use gravelbar_proof::{DeviceId, Doubt, Provenance, StoredHead, StoredOpening, ToStore};

use crate::error::NotVerified;
use crate::pack::Contents;
use crate::verify::Carried;

/// A document with what is known of whose its changes are.
pub struct Stored {
    ledger: Ledger,
    provenance: Provenance,
    /// What of that couldn't be trusted when it was read.
    pub doubts: Vec<Doubt>,
}

/// What a file brought that wasn't there.
#[derive(Debug, Default)]
pub struct News {
    /// Changes, causes before effects.
    pub changes: Vec<Arc<LoggedChange>>,
    /// What proves them, to be stored in the same commit.
    pub to_store: ToStore,
}

impl Stored {
    /// The document about `about` with what a device has on its disk; nothing, for one it hasn't.
    ///
    /// # Errors
    ///
    /// [`AboutError`] when `about` can't be what a document is about.
    pub fn restore(
        about: &str,
        changes: Vec<Vec<u8>>,
        openings: Vec<StoredOpening>,
        heads: Vec<StoredHead>,
    ) -> Result<Self, AboutError> {
        let reader = Writer::from_bytes([0; 16]);
        let (ledger, _) = Ledger::restore(about, reader, changes)?;
        let written = ledger.log().iter().map(|c| (c.writer, c.hash));
        let (provenance, doubts) = Provenance::restore(ledger.id(), openings, heads, written);
        Ok(Self {
            ledger,
            provenance,
            doubts,
        })
    }

    /// Its id.
    #[must_use]
    pub fn id(&self) -> DocumentId {
        self.ledger.id()
    }

    /// All its changes, causes before effects.
    #[must_use]
    pub fn log(&self) -> &[Arc<LoggedChange>] {
        self.ledger.log()
    }

    /// To be packed.
    #[must_use]
    pub fn contents(&self) -> Contents<'_> {
        Contents {
            id: self.ledger.id(),
            about: self.ledger.about(),
            heads: self.ledger.heads(),
            log: self.ledger.log(),
            provenance: &self.provenance,
        }
    }

    /// The device that a writer's changes are proved to be of.
    #[must_use]
    pub fn device(&self, writer: Writer) -> Option<DeviceId> {
        self.provenance.device(writer)
    }

    /// The devices that wrote in it, as far as that is proved.
    #[must_use]
    pub fn devices(&self) -> BTreeSet<DeviceId> {
        let writers: BTreeSet<Writer> = self.ledger.log().iter().map(|c| c.writer).collect();
        writers
            .into_iter()
            .filter_map(|writer| self.device(writer))
            .collect()
    }

    /// Takes in what a file holds of this document: the same proofs and the same gate as from a
    /// peer, all of it or nothing. Taken in twice, the second time brings nothing.
    ///
    /// # Errors
    ///
    /// [`NotVerified`] when something doesn't prove itself or contradicts what is here. What is
    /// here is then no more to be used; on disk nothing has changed.
    pub fn take(&mut self, carried: &Carried<'_>) -> Result<News, NotVerified> {
        if carried.id != self.ledger.id() {
            return Err(NotVerified::NotWhole);
        }
        carried.verify()?;
        let mut news = News::default();
        for parcel in &carried.parcels {
            let checked = self.provenance.check(parcel.to_changes(), parcel.proof);
            if let Some(unproved) = checked.unproved.into_iter().next() {
                return Err(NotVerified::Unproved(unproved.why));
            }
            let proved = checked.runs.iter().flat_map(|run| run.changes.clone());
            let received = self.ledger.receive(proved.collect());
            if let Some(refused) = received.refused.into_iter().next() {
                return Err(NotVerified::Refused(refused.refusal));
            }
            for run in &checked.runs {
                let to_store = self.provenance.take(run, &received.applied);
                news.to_store.add(to_store);
            }
            news.changes.extend(received.applied);
        }
        Ok(news)
    }
}
