//! Who a device is, and encrypted connections between devices that know each other.
//!
//! A device is its key. Both ends of a connection prove theirs during the TLS 1.3 handshake inside
//! QUIC, and each looks the other's up: in the [`Roster`] of devices admitted here, and, when
//! calling, against the one device that was to be reached. There is no certificate authority, no
//! name and no date to get wrong: a clock that is years off changes nothing. Whoever isn't known is
//! refused before any application byte.
//!
//! A device becomes known by an [`Invitation`]: a text that carries the inviter's key, where to
//! find it, and a secret; or by a [`Code`]: six digits that one shows and a person types on the other. `WIRE.md` states the bytes.
//!
//! ```
//! use gravelbar_link::{Identity, Link, Roster};
//!
//! # tokio::runtime::Runtime::new()?.block_on(async {
//! let (bank, net) = (Identity::generate()?, Identity::generate()?);
//! let known = Roster::new([bank.device(), net.device()]);
//! let any = "127.0.0.1:0".parse()?;
//! let bank = Link::bind(&bank, any, known.clone())?;
//! let net = Link::bind(&net, any, known)?;
//!
//! let mut to_bank = net.connect(bank.local_addr()?, bank.device()).await?;
//! to_bank.send(b"brook trout").await?;
//! let mut to_net = bank.accept().await.ok_or("closed")?;
//! assert_eq!(to_net.device(), net.device());
//! assert_eq!(to_net.receive().await?.as_deref(), Some(&b"brook trout"[..]));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! # })?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod base32;
mod beacon;
mod blob;
mod call;
mod code;
mod door;
mod framing;
mod identity;
mod invitation;
mod joining;
mod link;
mod network;
mod open_code;
mod pake;
mod peer;
mod roster;
mod sighting;
mod trust;
mod tuning;

pub use beacon::{Beacon, Found, Joinable};
pub use blob::{
    BLOB_BYTES, BLOB_RANGE_BYTES, BlobError, BlobHash, BlobRange, BlobSink, BlobSource,
};
pub use call::{ConnectError, EnterError};
pub use code::{Code, CodeError};
pub use door::Counts;
pub use framing::{FRAME_BYTES, FrameReceiver, FrameSender, ReceiveError, SendError};
pub use identity::{DeviceKeyId, Identity, IdentityError, KeyIdError};
pub use invitation::{Invitation, InvitationError, InviteError};
pub use link::{BindError, Link};
pub use network::Network;
pub use peer::{Closed, Joined, Line, Peer};
pub use roster::Roster;
pub use sighting::{CrewSecret, JoiningLabel};
