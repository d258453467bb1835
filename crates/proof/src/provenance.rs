//! What one device knows of whose the changes of one document are.

use std::collections::BTreeMap;
use std::sync::Arc;

use gravelbar_ledger::{ChangeHash, DocumentId, LoggedChange, Writer};

use crate::check::ProvedRun;
use crate::device::DeviceId;
use crate::error::ProveError;
use crate::head::HEAD_EVERY;
use crate::opening::{Opening, Previous};
use crate::restore::{REACH, StoredHead, StoredOpening, reach_bytes};
use crate::run::Run;
use crate::signer::Signer;

/// Openings, chains and heads of all writers of one document.
#[derive(Debug, Clone)]
pub struct Provenance {
    pub(crate) document: DocumentId,
    pub(crate) runs: BTreeMap<Writer, Run>,
    /// Changes that are here and whose run's opening isn't: written before there were signatures.
    pub(crate) loose: BTreeMap<Writer, Vec<ChangeHash>>,
}

/// What is to be stored, in the same commit as the changes it is about.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ToStore {
    /// New openings.
    pub openings: Vec<StoredOpening>,
    /// New heads; each takes the place of any before it under the same writer and slot.
    pub heads: Vec<StoredHead>,
}

impl ToStore {
    /// Whether there is nothing to store.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.openings.is_empty() && self.heads.is_empty()
    }

    /// Adds what another step gave.
    pub fn add(&mut self, more: Self) {
        self.openings.extend(more.openings);
        self.heads.extend(more.heads);
    }
}

impl Provenance {
    /// Of a document that holds nothing yet.
    #[must_use]
    pub fn new(document: DocumentId) -> Self {
        Self {
            document,
            runs: BTreeMap::new(),
            loose: BTreeMap::new(),
        }
    }

    /// The opening of a writer's run, if it is known.
    #[must_use]
    pub fn opening(&self, writer: Writer) -> Option<&Opening> {
        self.runs.get(&writer).map(|run| &run.opening)
    }

    /// The device that a writer is a run of, if it has been proved.
    #[must_use]
    pub fn device(&self, writer: Writer) -> Option<DeviceId> {
        self.opening(writer).map(Opening::device)
    }

    /// Writers whose changes are here without anything that proves whose they are.
    pub fn unproved_writers(&self) -> impl Iterator<Item = (Writer, u64)> + '_ {
        (self.loose.iter()).map(|(writer, held)| (*writer, held.len() as u64))
    }

    /// Where `device` left off in this document.
    ///
    /// The run that no other run of the device goes on from. There is one, unless a copy of the device's
    /// data went its own way; then any will do, because the parting has been seen already where two runs go
    /// on from one point, and a run that nobody goes on from tells nothing.
    #[must_use]
    pub fn left_off(&self, device: DeviceId) -> Option<Previous> {
        let of_device =
            || (self.runs.values()).filter(|run| run.opening.device() == device && run.here() > 0);
        of_device()
            .rfind(|run| {
                let session = run.opening.writer().session;
                !of_device().any(|later| {
                    later
                        .opening
                        .previous()
                        .is_some_and(|p| p.session == session)
                })
            })
            .map(|run| Previous {
                session: run.opening.writer().session,
                number: run.here(),
                link: run.link().0,
            })
    }

    /// Takes a change that this device has just written, to be signed at the end of the turn.
    ///
    /// # Errors
    ///
    /// [`ProveError`] if it isn't the next one of a run of this key.
    pub fn write(
        &mut self,
        signer: &Signer,
        writer: Writer,
        number: u64,
        change: ChangeHash,
    ) -> Result<(), ProveError> {
        if writer.device != signer.device().tag() {
            return Err(ProveError::NotOurs { writer });
        }
        let last = self.runs.get(&writer).map_or(0, Run::here);
        if number != last + 1 {
            return Err(ProveError::NotNext {
                writer,
                number,
                last,
            });
        }
        let previous = self.left_off(signer.device());
        let document = self.document;
        let run = self
            .runs
            .entry(writer)
            .or_insert_with(|| Run::new(signer.open(document, writer.session, previous)));
        if run.opening.device() != signer.device() {
            return Err(ProveError::NotOurs { writer });
        }
        run.hold(change);
        Ok(())
    }

    /// Signs what a run of this device holds and has not signed: the newest change, and every
    /// multiple of [`HEAD_EVERY`] passed on the way.
    pub fn sign(&mut self, signer: &Signer, writer: Writer) -> ToStore {
        let mut to_store = ToStore::default();
        let Some(run) = self.runs.get_mut(&writer) else {
            return to_store;
        };
        let signed = run.newest.as_ref().map_or(0, |head| head.number);
        if run.opening.device() != signer.device() || run.here() <= signed {
            return to_store;
        }
        if signed == 0 {
            to_store.openings.push(StoredOpening::of(&run.opening));
        }
        let multiples = (signed / HEAD_EVERY + 1..=run.here() / HEAD_EVERY).map(|n| n * HEAD_EVERY);
        let newest = Some(run.here()).filter(|here| !here.is_multiple_of(HEAD_EVERY));
        for number in multiples.chain(newest) {
            if let Some(link) = run.link_at(number) {
                let head = signer.sign(&run.opening, number, link);
                run.heads.insert(number, head.signature);
                to_store.heads.extend(StoredHead::mark(writer, &head));
                run.sign_newest(head);
            }
        }
        run.drop_passing_heads();
        to_store.heads.extend(reach_bytes(writer, run));
        to_store
    }

    /// Signs the changes of a run of this device that were written before there were signatures.
    pub fn sign_loose(&mut self, signer: &Signer, writer: Writer) -> ToStore {
        if writer.device != signer.device().tag() || self.runs.contains_key(&writer) {
            return ToStore::default();
        }
        let previous = self.left_off(signer.device());
        let mut run = Run::new(signer.open(self.document, writer.session, previous));
        for change in self.loose.remove(&writer).unwrap_or_default() {
            run.hold(change);
        }
        self.runs.insert(writer, run);
        self.sign(signer, writer)
    }

    /// Takes what was proved of a run, once the document has taken those of its changes that it lets in.
    pub fn take(&mut self, proved: &ProvedRun, applied: &[Arc<LoggedChange>]) -> ToStore {
        let mut to_store = ToStore::default();
        let writer = proved.writer();
        if let Some(opening) = &proved.opening
            && !self.runs.contains_key(&writer)
        {
            to_store.openings.push(StoredOpening::of(opening));
            self.runs.insert(writer, Run::new(opening.clone()));
        }
        let Some(run) = self.runs.get_mut(&writer) else {
            return to_store;
        };
        for change in applied.iter().filter(|change| change.writer == writer) {
            if change.number == run.here() + 1 && proved.hash(change.number) == Some(change.hash) {
                run.hold(change.hash);
            }
        }
        run.look_ahead(proved.after(run.here()));
        let reach = run.here() + run.ahead().len() as u64;
        for head in proved.heads.iter().filter(|head| head.number <= reach) {
            if run.heads.insert(head.number, head.signature).is_none() {
                to_store.heads.extend(StoredHead::mark(writer, head));
            }
        }
        if let Some(head) = proved.heads.last() {
            run.sign_newest(head.clone());
        }
        run.drop_passing_heads();
        to_store.heads.extend(reach_bytes(writer, run));
        debug_assert!(to_store.heads.iter().all(|head| head.slot >= REACH));
        to_store
    }
}
