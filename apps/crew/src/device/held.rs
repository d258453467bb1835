//! The documents a device holds, of the two kinds there are: visits and crew books. What moves
//! documents between devices and disks asks here and doesn't care which kind it is.

use std::collections::BTreeSet;
use std::sync::Arc;

use gravelbar_book::{Book, Founding};
use gravelbar_proof::{ProvedRun, Provenance};
use gravelbar_reduce::Reducer;
use gravelbar_visit::{
    DocumentId, Fact, LoggedChange, Plan, Received, Seen, Vector, Visit, Writer,
};

use super::acts::key_bytes;
use super::urgent::Stops;
use crate::node::Picture;

/// What a document is about, read from its subject.
pub(super) enum Subject {
    Visit(Plan),
    Book(Founding),
}

/// A subject this program can't open, in words.
#[derive(Debug, thiserror::Error)]
pub(super) enum SubjectError {
    #[error(transparent)]
    Visit(#[from] gravelbar_visit::OpenError),
    #[error(transparent)]
    Book(#[from] gravelbar_book::OpenError),
}

impl Subject {
    pub(super) fn read(about: &str) -> Result<Self, SubjectError> {
        if Founding::is_about(about) {
            let founding = Founding::from_about(about);
            Ok(Self::Book(
                founding.map_err(gravelbar_book::OpenError::from)?,
            ))
        } else {
            let plan = Plan::from_about(about);
            Ok(Self::Visit(plan.map_err(gravelbar_visit::OpenError::from)?))
        }
    }

    pub(super) fn document_id(&self) -> DocumentId {
        match self {
            Self::Visit(plan) => plan.document_id(),
            Self::Book(founding) => founding.document_id(),
        }
    }

    /// The document of this subject, with no records yet.
    pub(super) fn start(self, writer: Writer) -> Result<Held, SubjectError> {
        Ok(match self {
            Self::Visit(plan) => Held::visit(Visit::start(plan, writer)?),
            Self::Book(founding) => Held::book(Book::start(founding, writer)?),
        })
    }
}

/// One document held open.
pub(super) struct Held {
    pub(super) kind: Kind,
    /// Devices that may exchange it, by key, as far as the document lists them.
    pub(super) listed: BTreeSet<[u8; 32]>,
    /// Devices that may exchange it for other reasons: this one, and whoever gave it to this one.
    pub(super) admitted: BTreeSet<[u8; 32]>,
    /// Devices of the crew whose visit it is, by their rights in the crew's book.
    pub(super) crew: BTreeSet<[u8; 32]>,
    /// Devices that a crew shut out: they may have nothing, whoever lists them.
    pub(super) barred: BTreeSet<[u8; 32]>,
    /// Whose its records are.
    pub(super) provenance: Provenance,
    /// Proved changes that wait for their device to be listed, or build on such.
    pub(super) unlisted: Vec<ProvedRun>,
    /// Stops that hold, to be told ahead of all else.
    pub(super) stops: Stops,
}

/// Which kind it is.
pub(super) enum Kind {
    Visit(Box<HeldVisit>),
    Book(Box<HeldBook>),
}

/// A visit with what has been worked out about it.
pub(super) struct HeldVisit {
    pub(super) visit: Visit,
    pub(super) picture: Option<Arc<Picture>>,
    /// Keeps the analyses of species that a tap didn't touch.
    pub(super) reducer: Reducer,
}

/// A crew book.
pub(super) struct HeldBook {
    pub(super) book: Book,
    pub(super) view: Option<Arc<gravelbar_book::View>>,
}

impl Held {
    fn visit(visit: Visit) -> Self {
        let listed = listed(visit.records()).collect();
        Self::new(
            Kind::Visit(Box::new(HeldVisit {
                visit,
                picture: None,
                reducer: Reducer::default(),
            })),
            listed,
        )
    }

    fn book(book: Book) -> Self {
        let listed = live(&book);
        Self::new(Kind::Book(Box::new(HeldBook { book, view: None })), listed)
    }

    fn new(kind: Kind, listed: BTreeSet<[u8; 32]>) -> Self {
        let mut stops = Stops::default();
        let document = match &kind {
            Kind::Visit(held) => {
                stops.follow(&held.visit, held.visit.log());
                held.visit.id()
            }
            Kind::Book(held) => held.book.id(),
        };
        Self {
            kind,
            listed,
            admitted: BTreeSet::new(),
            crew: BTreeSet::new(),
            barred: BTreeSet::new(),
            provenance: Provenance::new(document),
            unlisted: Vec::new(),
            stops,
        }
    }

    /// Opens a document from its subject and the changes stored before.
    pub(super) fn restore(
        about: &str,
        writer: Writer,
        changes: Vec<Vec<u8>>,
    ) -> Result<(Self, Received), SubjectError> {
        Ok(match Subject::read(about)? {
            Subject::Visit(_) => {
                let (visit, received) = Visit::restore(about, writer, changes)?;
                (Self::visit(visit), received)
            }
            Subject::Book(_) => {
                let (book, received) = Book::restore(about, writer, changes)?;
                (Self::book(book), received)
            }
        })
    }

    pub(super) fn id(&self) -> DocumentId {
        match &self.kind {
            Kind::Visit(held) => held.visit.id(),
            Kind::Book(held) => held.book.id(),
        }
    }

    pub(super) fn about(&self) -> &str {
        match &self.kind {
            Kind::Visit(held) => held.visit.about(),
            Kind::Book(held) => held.book.about(),
        }
    }

    /// What to call it in words for a person.
    pub(super) fn called(&self) -> String {
        match &self.kind {
            Kind::Visit(held) => format!("visit {}", held.visit.plan().site),
            Kind::Book(held) => format!("the crew book of {}", held.book.founding().crew),
        }
    }

    pub(super) fn vector(&self) -> &Vector {
        match &self.kind {
            Kind::Visit(held) => held.visit.vector(),
            Kind::Book(held) => held.book.vector(),
        }
    }

    /// All changes, causes before effects.
    pub(super) fn log(&self) -> &[Arc<LoggedChange>] {
        match &self.kind {
            Kind::Visit(held) => held.visit.log(),
            Kind::Book(held) => held.book.log(),
        }
    }

    pub(super) fn missing(
        &self,
        than: &Vector,
        max_changes: usize,
        max_bytes: usize,
    ) -> Vec<Arc<LoggedChange>> {
        match &self.kind {
            Kind::Visit(held) => held.visit.missing(than, max_changes, max_bytes),
            Kind::Book(held) => held.book.missing(than, max_changes, max_bytes),
        }
    }

    /// Takes in changes from elsewhere, and whoever they list.
    pub(super) fn receive(&mut self, changes: Vec<Vec<u8>>) -> Received {
        let received = match &mut self.kind {
            Kind::Visit(held) => held.visit.receive(changes),
            Kind::Book(held) => held.book.receive(changes),
        };
        self.moved(&received.applied);
        received
    }

    /// What is worked out from the records follows these changes, which the document has taken.
    pub(super) fn moved(&mut self, changes: &[Arc<LoggedChange>]) {
        match &mut self.kind {
            Kind::Visit(held) => {
                held.picture = None;
                let records = changes.iter().flat_map(|c| c.record_ids());
                let (plain, others): (Vec<_>, Vec<_>) =
                    records.partition(|id| held.visit.recorded(*id).is_some());
                let news = plain.iter().filter_map(|id| held.visit.recorded(*id));
                self.listed.extend(listed(news));
                // What only carries something, or joins, brings another visit's devices.
                let joins = |id| matches!(held.visit.recorded(id), Some(s) if matches!(s.entry.what, Fact::Join(_)));
                if !others.is_empty() || plain.into_iter().any(joins) {
                    self.listed.extend(listed(held.visit.records()));
                }
                self.stops.follow(&held.visit, changes);
            }
            Kind::Book(held) => {
                held.view = None;
                self.listed = live(&held.book);
            }
        }
    }

    /// The secrets of a crew, newest first: by the newest and a few before it its devices know each
    /// other on the local network, so that one who hasn't heard of the newest yet is found too.
    pub(super) fn crew_secrets(&mut self) -> Vec<[u8; 32]> {
        let Kind::Book(held) = &mut self.kind else {
            return Vec::new();
        };
        held.view().secrets.iter().map(|s| s.0).collect()
    }

    pub(super) fn as_visit(&self) -> Option<&HeldVisit> {
        match &self.kind {
            Kind::Visit(held) => Some(held),
            Kind::Book(_) => None,
        }
    }

    pub(super) fn as_visit_mut(&mut self) -> Option<&mut HeldVisit> {
        match &mut self.kind {
            Kind::Visit(held) => Some(held),
            Kind::Book(_) => None,
        }
    }
}

/// The keys of a crew's devices.
fn live(book: &Book) -> BTreeSet<[u8; 32]> {
    book.roster().live().map(|device| device.key.0).collect()
}

/// The keys of the devices that these records list.
fn listed<'v>(records: impl IntoIterator<Item = &'v Seen>) -> impl Iterator<Item = [u8; 32]> {
    records
        .into_iter()
        .filter_map(|seen| match &seen.entry.what {
            Fact::Device(device) => key_bytes(&device.key),
            _ => None,
        })
}
