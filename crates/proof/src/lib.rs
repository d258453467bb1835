//! Whose change is this: a hash chain over each writer's changes, and signatures over its newest links.
//!
//! A writer is one run of the program on one device. Its [`Opening`] names the document, the device's
//! key and the run before it; a chain of hashes goes from the opening through every change; and a
//! [`Head`] is the device's signature over one link of the chain. One signature over the newest link
//! covers all changes before it, so that checking costs little more than hashing.
//!
//! [`Provenance`] is what one device knows of all writers of one document. It proves any run of changes
//! to another device ([`Provenance::prove`]), checks what comes in before anybody reads it
//! ([`Provenance::check`]), says what is known to exist and isn't here ([`Provenance::gaps`]), and where a
//! device went on twice from one point ([`Provenance::forks`]). It says *whose* a change is. Who may
//! write in a document is the caller's to say.
//!
//! `FORMAT.md` beside this crate describes all bytes.
//!
//! ```
//! use gravelbar_ledger::{Ledger, Session, Writer};
//! use gravelbar_proof::{Provenance, Signer};
//!
//! let key = ring::signature::Ed25519KeyPair::generate_pkcs8(&ring::rand::SystemRandom::new())
//!     .map_err(|_| "the system gives no random numbers")?;
//! let signer = Signer::from_pkcs8(key.as_ref())?;
//! let writer = Writer { device: signer.device().tag(), session: Session([1; 8]) };
//! let mut netter = Ledger::create("a stream, a day", writer)?;
//! let mut of_netter = Provenance::new(netter.id());
//!
//! let change = netter.append(&["a trout".to_owned()], 1_770_000_000)?.change;
//! of_netter.write(&signer, writer, change.number, change.hash)?;
//! let to_store = of_netter.sign(&signer, writer);
//! assert_eq!((to_store.openings.len(), to_store.heads.len()), (1, 1));
//!
//! let proof = of_netter.prove(&[(writer, 1)])?;
//! let of_bank = Provenance::new(netter.id());
//! let checked = of_bank.check(vec![change.bytes.to_vec()], &proof);
//! assert!(checked.unproved.is_empty());
//! assert_eq!(checked.runs[0].device(), signer.device());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod bytes;
mod chain;
mod check;
mod device;
mod error;
mod fork;
mod head;
mod opening;
mod parcel;
mod prove;
mod provenance;
mod restore;
mod run;
mod signer;
mod single;
mod standing;

pub use check::{Checked, ProvedRun, Unproved};
pub use device::DeviceId;
pub use error::{ProofError, ProveError};
pub use fork::Fork;
pub use head::{HEAD_EVERY, Head};
pub use opening::{Opening, Previous};
pub use provenance::{Provenance, ToStore};
pub use restore::{Doubt, StoredHead, StoredOpening};
pub use signer::{Signer, SignerError};
pub use single::{MAX_SINGLE_BYTES, Single};
pub use standing::{Gap, MAX_STANDING_BYTES};

/// The longest proof of a parcel of 256 changes; see `FORMAT.md` for the sum.
pub const MAX_PROOF_BYTES: usize = 256 * 1024;
