//! Crash-safe storage of one device's data folder: changes, keys, peers, answers, settings.
//!
//! A device writes everything it must not lose through [`Store::commit`]: the changes its own crew member
//! tapped, the changes it heard from others, the answers it gave. The word "saved" may be shown, and a
//! peer's change acknowledged, only after `commit` has returned `Ok`: by then the bytes are synced to disk.
//!
//! The crate knows bytes. It has no idea what a change says; it seals each row under the folder's data key
//! and, on reading, leaves out and reports any row that does not open. The data key lies wrapped under a
//! passphrase or a key of the platform, or in the open ([`Lock`]).
//! Nothing is ever deleted from the log. `FORMAT.md` beside this crate describes the files.
//!
//! The calls are synchronous and meant for the one thread that owns the device's state. Many taps of one
//! moment go into one [`Batch`], so that they share one sync.
//!
//! ```
//! use gravelbar_store::{Batch, Change, Document, Store};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let place = tempfile::tempdir()?;
//! # let folder = place.path().join("tablet");
//! let mut store = Store::open(&folder, None)?;
//! store.commit(&Batch {
//!     documents: vec![Document { id: [7; 16], about: "Alder Fork, lower riffle".into(), added_ms: 0 }],
//!     changes: vec![Change {
//!         document: [7; 16],
//!         writer: [1; 16],
//!         number: 1,
//!         bytes: b"one brook trout".to_vec(),
//!         heard_from: None,
//!         at_ms: 1_000,
//!     }],
//!     answers: vec![("tap-1".into(), "counted".into())],
//!     ..Batch::default()
//! })?; // from here on the tap is saved
//! assert_eq!(store.log([7; 16])?.changes, [b"one brook trout".to_vec()]);
//! assert_eq!(store.answer("tap-1")?.as_deref(), Some("counted"));
//! # Ok(())
//! # }
//! ```

mod batch;
mod commit;
mod connect;
mod errors;
mod folder;
mod journal;
mod keys;
mod lock;
mod quarantine;
mod read;
mod rescue;
mod reserve;
mod schema;
mod store;
mod upgrade;
mod vault;
mod witness;

pub use batch::{Batch, Change, Document, Head, Heard, Offset, Opening, Peer, Refused};
pub use errors::{CommitError, LockError, OpenError, ReadError};
pub use lock::{Lock, NewLock, RecoveryKey, RecoveryKeyError, Unlock};
pub use quarantine::Quarantine;
pub use read::{Damaged, Log, Runs};
pub use reserve::RESERVE_BYTES;
pub use store::{Mode, Opened, Store};
