//! Carry files and the data folder: packing what is on disk, taking in what a file proves.
//!
//! Everything a file brings of one document is taken in one commit, or nothing is. Besides the
//! proofs in the file, every device that wrote has to be on the document's list: on a list that
//! someone on it wrote. Otherwise whoever found a stick could put themselves on it.

use std::collections::BTreeSet;

use gravelbar_book::{Book, DeviceKey, Founding};
use gravelbar_exchange::{Carried, CarryFile, Packer, Stored};
use gravelbar_proof::{DeviceId, StoredHead, StoredOpening};
use gravelbar_store::{Batch, Change, Document, Head, Opening, Store};
use gravelbar_visit::{DocumentId, Fact, Visit, Writer};

/// What this program calls itself in files.
pub(crate) const PROGRAM: &str = concat!("gravelbar ", env!("CARGO_PKG_VERSION"));

/// Why a file can't be packed or taken, in words for whoever holds the stick.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct NotCarried(String);

impl NotCarried {
    fn because(why: impl std::fmt::Display) -> Self {
        Self(why.to_string())
    }
}

/// What was taken of one document.
#[derive(Debug)]
pub(crate) struct TakenIn {
    pub(crate) document: DocumentId,
    /// What it is, in words.
    pub(crate) called: String,
    pub(crate) changes: usize,
    pub(crate) new: usize,
}

/// A document of the data folder.
fn stored(store: &Store, id: DocumentId, about: &str) -> Result<Stored, NotCarried> {
    let log = store.log(id.0).map_err(NotCarried::because)?;
    let runs = store.runs(id.0).map_err(NotCarried::because)?;
    if !log.damaged.is_empty() || runs.damaged > 0 {
        return Err(NotCarried(format!(
            "{} records of {} are damaged on this disk: open the program and meet a device that has them",
            log.damaged.len() + runs.damaged,
            called(about)
        )));
    }
    let openings = runs.openings.into_iter().map(|opening| StoredOpening {
        writer: Writer::from_bytes(opening.writer),
        bytes: opening.bytes,
    });
    let heads = runs.heads.into_iter().map(|head| StoredHead {
        writer: Writer::from_bytes(head.writer),
        slot: head.slot,
        bytes: head.bytes,
    });
    Stored::restore(about, log.changes, openings.collect(), heads.collect())
        .map_err(NotCarried::because)
}

/// Visits and crew books of the data folder as one file.
pub(crate) fn pack(
    store: &Store,
    ids: &[DocumentId],
    packed_at_s: i64,
) -> Result<Vec<u8>, NotCarried> {
    let key = store.identity().map_err(NotCarried::because)?;
    let key = key.ok_or(NotCarried::because(
        "this data folder has no device key yet: start the program once",
    ))?;
    let documents = store.documents().map_err(NotCarried::because)?;
    let mut all = Vec::new();
    for id in ids {
        let document = documents.iter().find(|d| d.id == id.0).ok_or_else(|| {
            NotCarried(format!(
                "visit {id} isn't in this data folder: “gravelbar visits” lists those that are"
            ))
        })?;
        all.push(stored(store, *id, &document.about)?);
    }
    let contents: Vec<_> = all.iter().map(Stored::contents).collect();
    let packer = Packer::from_pkcs8(&key).map_err(NotCarried::because)?;
    let packed = packer.pack(&contents, PROGRAM, packed_at_s);
    packed.map_err(NotCarried::because)
}

/// Takes in what a file holds, document by document, each in one commit.
pub(crate) fn take_in(
    store: &mut Store,
    file: &CarryFile<'_>,
    at_ms: i64,
) -> Result<Vec<TakenIn>, NotCarried> {
    // All is proved before the first is stored.
    let documents = store.documents().map_err(NotCarried::because)?;
    let mut batches = Vec::new();
    let mut taken = Vec::new();
    for carried in &file.documents {
        let known = documents.iter().any(|d| d.id == carried.id.0);
        let mut stored = stored(store, carried.id, carried.about)?;
        let before = if known { Some(on_list(&stored)?) } else { None };
        let news = stored.take(carried).map_err(NotCarried::because)?;
        listed(&stored, carried, before.as_ref())?;
        taken.push(TakenIn {
            document: carried.id,
            called: called(carried.about),
            changes: carried.parcels.iter().map(|p| p.changes.len()).sum(),
            new: news.changes.len(),
        });
        let mut batch = Batch::default();
        if !known {
            batch.documents.push(Document {
                id: carried.id.0,
                about: carried.about.to_owned(),
                added_ms: at_ms,
            });
        }
        batch
            .changes
            .extend(news.changes.iter().map(|change| Change {
                document: carried.id.0,
                writer: change.writer.to_bytes(),
                number: change.number,
                bytes: change.bytes.to_vec(),
                heard_from: Some(file.packed_by.0),
                at_ms,
            }));
        batch
            .openings
            .extend(news.to_store.openings.into_iter().map(|opening| Opening {
                document: carried.id.0,
                writer: opening.writer.to_bytes(),
                bytes: opening.bytes,
            }));
        batch
            .heads
            .extend(news.to_store.heads.into_iter().map(|head| Head {
                document: carried.id.0,
                writer: head.writer.to_bytes(),
                slot: head.slot,
                bytes: head.bytes,
            }));
        batches.push(batch);
    }
    for batch in batches.iter().filter(|batch| !batch.is_empty()) {
        store.commit(batch).map_err(NotCarried::because)?;
    }
    Ok(taken)
}

/// What a document is, in words.
pub(crate) fn called(about: &str) -> String {
    if let Ok(founding) = Founding::from_about(about) {
        format!("the crew book of {}", founding.crew)
    } else if let Ok(plan) = gravelbar_visit::Plan::from_about(about) {
        format!("visit {} of {}", plan.site, plan.date)
    } else {
        "a document of a kind this program doesn't know".to_owned()
    }
}

/// A document opened to be read.
enum Opened {
    Visit(Box<Visit>),
    Book(Box<Book>),
}

fn open(stored: &Stored) -> Result<Opened, NotCarried> {
    let reader = Writer::from_bytes([0; 16]);
    let about = stored.contents().about;
    let changes: Vec<Vec<u8>> = stored.log().iter().map(|c| c.bytes.to_vec()).collect();
    if Founding::is_about(about) {
        let (book, _) = Book::restore(about, reader, changes).map_err(NotCarried::because)?;
        Ok(Opened::Book(Box::new(book)))
    } else {
        let (visit, _) = Visit::restore(about, reader, changes).map_err(NotCarried::because)?;
        Ok(Opened::Visit(Box::new(visit)))
    }
}

/// The devices that a document on this disk lists, and those that have written in it.
fn on_list(stored: &Stored) -> Result<BTreeSet<DeviceId>, NotCarried> {
    let mut devices = stored.devices();
    if let Opened::Visit(visit) = open(stored)? {
        devices.extend(entries(&visit).map(|(_, device)| device));
    }
    Ok(devices)
}

/// Entries on a visit's list: who wrote each, and the device it lists.
fn entries(visit: &Visit) -> impl Iterator<Item = (Writer, DeviceId)> {
    visit.records().iter().filter_map(|s| match &s.entry.what {
        Fact::Device(device) => {
            let key: Option<DeviceId> = crate::device::key_bytes(&device.key).map(DeviceId);
            key.map(|key| (s.id.writer, key))
        }
        _ => None,
    })
}

/// Refuses a document in which a device wrote that nobody on the list has listed. Of a document
/// that isn't here yet, whoever takes it in trusts the list as it is.
fn listed(
    stored: &Stored,
    carried: &Carried<'_>,
    before: Option<&BTreeSet<DeviceId>>,
) -> Result<(), NotCarried> {
    let wrote = stored.devices();
    let stranger = match open(stored)? {
        Opened::Book(book) => wrote
            .into_iter()
            .find(|device| book.roster().device(DeviceKey(device.0)).is_none()),
        Opened::Visit(visit) => {
            let entries: Vec<(Writer, DeviceId)> = entries(&visit).collect();
            let mut list: BTreeSet<DeviceId> = match before {
                Some(before) => before.clone(),
                None => entries.iter().map(|(_, device)| *device).collect(),
            };
            // A list grows by those on it; what a joined visit lists was brought by someone on it.
            loop {
                let known = list.len();
                for (writer, device) in &entries {
                    let by = stored.device(*writer);
                    if by.is_none_or(|by| list.contains(&by)) {
                        list.insert(*device);
                    }
                }
                if list.len() == known {
                    break;
                }
            }
            wrote.into_iter().find(|device| !list.contains(device))
        }
    };
    match stranger {
        None => Ok(()),
        Some(device) => Err(NotCarried(format!(
            "the file holds records of {} by the device {}, which nobody on its list has listed: nothing of the file is taken",
            called(carried.about),
            device.tag()
        ))),
    }
}
