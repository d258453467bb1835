//! The bytes of one frame. `WIRE.md` is the document; this file is its only reader and writer.
//!
//! A frame is one kind byte and a body in postcard's encoding. Reading never allocates on a
//! length that the frame claims: texts and changes are borrowed from the frame, so a length past
//! its end is an error before anything is made; and lists are read element by element by
//! [`capped`], which stops at its cap whatever count was announced. (Postcard hands serde the
//! announced count as a size hint only while that many bytes are left, and `capped` ignores it.)

use std::fmt;
use std::marker::PhantomData;

use gravelbar_ledger::{Vector, Writer};
use serde::de::{Error as _, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::limits::{
    ABOUT_BYTES, BATCH_CHANGES, FRAME_BYTES, NAME_BYTES, PROOF_BYTES, REASON_BYTES, STANDING_BYTES,
    URGENT_BYTES, WRITERS,
};

/// The newest version of the conversation this program speaks.
pub const NEWEST_VERSION: u16 = 2;

/// The oldest version it still speaks.
pub const OLDEST_VERSION: u16 = 2;

/// Kinds from here on may be passed over by who doesn't know them.
const PASS_OVER: u8 = 0x80;

const HELLO: u8 = 0x01;
const OFFER: u8 = 0x02;
const BATCH: u8 = 0x03;
const STORED: u8 = 0x04;
const REFUSED: u8 = 0x05;
const URGENT: u8 = 0x06;
const CLOCK_ASK: u8 = 0x80;
const CLOCK_ANSWER: u8 = 0x81;

/// One frame, its texts and changes borrowed from the bytes it was read from.
#[derive(Debug, PartialEq)]
pub(crate) enum Frame<'a> {
    Hello(Hello<'a>),
    Offer(OfferFrame<'a>),
    Batch(Batch<'a>),
    Stored(Stored),
    Refused(Refused<'a>),
    Urgent(UrgentFrame<'a>),
    ClockAsk(ClockAsk),
    ClockAnswer(ClockAnswer),
    /// A kind of a newer version that may be passed over.
    PassedOver,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Hello<'a> {
    pub(crate) newest: u16,
    pub(crate) oldest: u16,
    #[serde(borrow)]
    pub(crate) name: &'a str,
    #[serde(borrow)]
    pub(crate) program: &'a str,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct OfferFrame<'a> {
    pub(crate) document: [u8; 16],
    #[serde(borrow)]
    pub(crate) about: &'a str,
    #[serde(borrow)]
    pub(crate) standing: Bytes<'a>,
    pub(crate) vector: WireVector,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Batch<'a> {
    pub(crate) document: [u8; 16],
    /// Counts the sender's batches on this connection, from one.
    pub(crate) batch: u64,
    /// For each writer in the batch its highest number.
    pub(crate) reach: WireVector,
    #[serde(borrow)]
    pub(crate) proof: Bytes<'a>,
    #[serde(borrow, deserialize_with = "capped::<_, _, BATCH_CHANGES>")]
    pub(crate) changes: Vec<Bytes<'a>>,
}

/// Bytes copied whole instead of one by one as a list of numbers; the encoding is the same.
#[derive(Debug, PartialEq, Deserialize)]
#[serde(transparent)]
pub(crate) struct Bytes<'a>(#[serde(borrow)] pub(crate) &'a [u8]);

impl Serialize for Bytes<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_bytes(self.0)
    }
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Stored {
    pub(crate) document: [u8; 16],
    /// What has risen since this peer was last told.
    pub(crate) vector: WireVector,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Refused<'a> {
    pub(crate) document: [u8; 16],
    pub(crate) batch: u64,
    #[serde(borrow)]
    pub(crate) why: &'a str,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct UrgentFrame<'a> {
    pub(crate) document: [u8; 16],
    pub(crate) writer: [u8; 16],
    pub(crate) number: u64,
    #[serde(borrow)]
    pub(crate) bytes: Bytes<'a>,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct ClockAsk {
    pub(crate) ask: u64,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct ClockAnswer {
    pub(crate) ask: u64,
    pub(crate) received_ms: i64,
    pub(crate) sent_ms: i64,
}

/// A version vector as it travels: writers in ascending order, each once.
#[derive(Debug, Default, PartialEq, Serialize)]
#[serde(transparent)]
pub(crate) struct WireVector(Vec<([u8; 16], u64)>);

impl<'de> Deserialize<'de> for WireVector {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let entries: Vec<([u8; 16], u64)> = capped::<_, _, WRITERS>(deserializer)?;
        if entries.is_sorted_by(|a, b| a.0 < b.0) {
            Ok(Self(entries))
        } else {
            Err(D::Error::custom("writers out of order"))
        }
    }
}

impl From<&Vector> for WireVector {
    fn from(vector: &Vector) -> Self {
        Self(vector.iter().map(|(w, n)| (w.to_bytes(), *n)).collect())
    }
}

impl From<WireVector> for Vector {
    fn from(wire: WireVector) -> Self {
        wire.0
            .into_iter()
            .map(|(w, n)| (Writer::from_bytes(w), n))
            .collect()
    }
}

/// Reads a list of at most `MOST` elements.
fn capped<'de, D, T, const MOST: usize>(deserializer: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    struct Capped<T, const MOST: usize>(PhantomData<T>);

    impl<'de, T: Deserialize<'de>, const MOST: usize> Visitor<'de> for Capped<T, MOST> {
        type Value = Vec<T>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "a list of at most {MOST}")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Vec<T>, A::Error> {
            let mut list = Vec::new();
            while let Some(element) = seq.next_element()? {
                if list.len() == MOST {
                    return Err(A::Error::invalid_length(MOST + 1, &self));
                }
                list.push(element);
            }
            Ok(list)
        }
    }

    deserializer.deserialize_seq(Capped::<T, MOST>(PhantomData))
}

/// Why a frame can't be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Unreadable {
    TooLong,
    Malformed,
    UnknownKind(u8),
}

impl<'a> Frame<'a> {
    /// Reads one frame.
    pub(crate) fn read(bytes: &'a [u8]) -> Result<Self, Unreadable> {
        if bytes.len() > FRAME_BYTES {
            return Err(Unreadable::TooLong);
        }
        let (kind, body) = bytes.split_first().ok_or(Unreadable::Malformed)?;
        let frame = match *kind {
            // A newer hello may have more at its end: versions must be comparable across all of
            // them, so whatever follows is left to those who know it.
            HELLO => Frame::Hello(
                postcard::take_from_bytes(body)
                    .map_err(|_| Unreadable::Malformed)?
                    .0,
            ),
            OFFER => Frame::Offer(whole(body)?),
            BATCH => Frame::Batch(whole(body)?),
            STORED => Frame::Stored(whole(body)?),
            REFUSED => Frame::Refused(whole(body)?),
            URGENT => Frame::Urgent(whole(body)?),
            CLOCK_ASK => Frame::ClockAsk(whole(body)?),
            CLOCK_ANSWER => Frame::ClockAnswer(whole(body)?),
            kind if kind >= PASS_OVER => Frame::PassedOver,
            kind => return Err(Unreadable::UnknownKind(kind)),
        };
        let in_bounds = match &frame {
            Frame::Hello(hello) => {
                hello.name.len() <= NAME_BYTES && hello.program.len() <= NAME_BYTES
            }
            Frame::Offer(offer) => {
                offer.about.len() <= ABOUT_BYTES && offer.standing.0.len() <= STANDING_BYTES
            }
            Frame::Urgent(urgent) => urgent.bytes.0.len() <= URGENT_BYTES,
            Frame::Batch(batch) => {
                !batch.reach.0.is_empty()
                    && batch.reach.0.len() <= batch.changes.len()
                    && batch.proof.0.len() <= PROOF_BYTES
            }
            Frame::Refused(refused) => refused.why.len() <= REASON_BYTES,
            _ => true,
        };
        if in_bounds {
            Ok(frame)
        } else {
            Err(Unreadable::Malformed)
        }
    }

    /// Writes one frame, or nothing when it would be too long.
    pub(crate) fn write(&self) -> Option<Vec<u8>> {
        let written = match self {
            Frame::Hello(body) => with_kind(HELLO, body),
            Frame::Offer(body) => with_kind(OFFER, body),
            Frame::Batch(body) => with_kind(BATCH, body),
            Frame::Stored(body) => with_kind(STORED, body),
            Frame::Refused(body) => with_kind(REFUSED, body),
            Frame::Urgent(body) => with_kind(URGENT, body),
            Frame::ClockAsk(body) => with_kind(CLOCK_ASK, body),
            Frame::ClockAnswer(body) => with_kind(CLOCK_ANSWER, body),
            Frame::PassedOver => None,
        };
        written.filter(|frame| frame.len() <= FRAME_BYTES)
    }
}

/// Reads a body that must end where its last field does.
fn whole<'a, T: Deserialize<'a>>(body: &'a [u8]) -> Result<T, Unreadable> {
    match postcard::take_from_bytes(body) {
        Ok((value, [])) => Ok(value),
        _ => Err(Unreadable::Malformed),
    }
}

fn with_kind<T: Serialize>(kind: u8, body: &T) -> Option<Vec<u8>> {
    // Writing into a vector fails only for types without a known length, of which there are none.
    postcard::to_extend(body, vec![kind]).ok()
}
