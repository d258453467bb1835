//! A file as a whole: its form, its hashes, the signature over it, and what is in it.

use gravelbar_ledger::{Ledger, MAX_ABOUT_BYTES, MAX_CHANGE_BYTES};
use gravelbar_proof::{DeviceId, MAX_PROOF_BYTES};
use ring::signature::{ED25519, UnparsedPublicKey};
use sha2::{Digest, Sha256};

use crate::cursor::Cursor;
use crate::error::CarryError;
use crate::manifest::{CarriedLine, Manifest};
use crate::verify::{Carried, Parcel};
use crate::{MAX_CHANGES, MAX_FILE_BYTES};

/// What every file begins with.
pub(crate) const MAGIC: &[u8; 16] = b"gravelbar carry\n";

/// The version this program writes and the newest it reads.
pub(crate) const VERSION: u8 = 1;

/// Magic, version, form, and how long the content is.
pub(crate) const HEAD_BYTES: usize = 26;

/// The key and the signature at the end.
const SEAL_BYTES: usize = 96;

/// The file is hashed in stretches of this length, so that a damaged one can be named.
pub(crate) const STRETCH_BYTES: usize = 64 * 1024;

/// Changes in one parcel at most.
pub(crate) const MAX_PARCEL_CHANGES: usize = 256;

/// What the packing device signs begins with this. Other things signed with its key begin
/// otherwise: heads with "gravelbar head", TLS with blanks, certificates with 0x30.
const SIGNED: &[u8] = b"gravelbar carry file 1";

/// Which form a file has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Whoever has it reads it.
    Open,
    /// Only the office reads it.
    Sealed,
}

/// Which form a file has, told from its first bytes.
///
/// # Errors
///
/// [`CarryError::NotOne`] or [`CarryError::Newer`].
pub fn form_of(bytes: &[u8]) -> Result<Form, CarryError> {
    let rest = bytes.strip_prefix(MAGIC).ok_or(CarryError::NotOne)?;
    match rest {
        [] | [_] => Err(CarryError::NotOne),
        [version, ..] if *version == 0 => Err(CarryError::NotOne),
        [version, ..] if *version > VERSION => Err(CarryError::Newer(*version)),
        [_, 0, ..] => Ok(Form::Open),
        [_, 1, ..] => Ok(Form::Sealed),
        [..] => Err(CarryError::NotOne),
    }
}

/// The first bytes of an open file whose content is this long.
pub(crate) fn head(content: usize) -> [u8; HEAD_BYTES] {
    let mut head = [0; HEAD_BYTES];
    head[..16].copy_from_slice(MAGIC);
    head[16] = VERSION;
    head[18..].copy_from_slice(&(content as u64).to_be_bytes());
    head
}

/// Puts hashes, key and signature behind head and content.
pub(crate) fn signed_by(
    mut file: Vec<u8>,
    key: [u8; 32],
    sign: impl FnOnce(&[u8]) -> Vec<u8>,
) -> Vec<u8> {
    let hashes: Vec<u8> = file
        .chunks(STRETCH_BYTES)
        .flat_map(Sha256::digest)
        .collect();
    let signature = sign(&message(&key, &hashes));
    file.extend(hashes);
    file.extend(key);
    file.extend(signature);
    file
}

/// What is signed: all hashes, and so all bytes.
fn message(key: &[u8; 32], hashes: &[u8]) -> Vec<u8> {
    [SIGNED, key, hashes].concat()
}

/// A file that is whole and as it was packed.
#[derive(Debug)]
pub struct CarryFile<'a> {
    /// What it says is in it.
    pub manifest: Manifest,
    /// The device that packed it.
    pub packed_by: DeviceId,
    /// The documents, ascending by id.
    pub documents: Vec<Carried<'a>>,
}

impl<'a> CarryFile<'a> {
    /// Reads a file: it is taken whole or not at all. Whose the changes are has then still to be
    /// proved, by [`Carried::verify`].
    ///
    /// # Errors
    ///
    /// [`CarryError`] saying what is wrong and where.
    pub fn read(bytes: &'a [u8]) -> Result<Self, CarryError> {
        if bytes.len() > MAX_FILE_BYTES {
            return Err(CarryError::TooLong { bytes: bytes.len() });
        }
        if form_of(bytes)? == Form::Sealed {
            return Err(CarryError::Sealed);
        }
        let (signed, key) = unaltered(bytes)?;
        let mut cursor = Cursor::new(signed, HEAD_BYTES);
        let manifest = Manifest::read(&mut cursor)?;
        let mut room = MAX_CHANGES;
        let mut documents = Vec::with_capacity(manifest.documents.len());
        for line in &manifest.documents {
            documents.push(document(&mut cursor, line, &mut room)?);
        }
        if cursor.left() > 0 {
            return Err(cursor.wrong("bytes behind the last visit"));
        }
        Ok(Self {
            manifest,
            packed_by: DeviceId::of_key(&key),
            documents,
        })
    }
}

/// Head and content, and the key that signed them, once length, hashes and signature fit.
fn unaltered(bytes: &[u8]) -> Result<(&[u8], [u8; 32]), CarryError> {
    let mut length = [0; 8];
    let said = bytes.get(18..HEAD_BYTES).ok_or(CarryError::Length {
        bytes: bytes.len(),
        should: HEAD_BYTES,
    })?;
    length.copy_from_slice(said);
    // A length beyond any file is damage to these bytes: no other length could be named.
    let damaged = CarryError::Damaged { from: 18, to: 25 };
    let content = usize::try_from(u64::from_be_bytes(length)).ok();
    let content = content.filter(|c| *c <= MAX_FILE_BYTES).ok_or(damaged)?;
    let signed = HEAD_BYTES + content;
    let hashes = signed.div_ceil(STRETCH_BYTES) * 32;
    let should = signed + hashes + SEAL_BYTES;
    if bytes.len() != should {
        return Err(CarryError::Length {
            bytes: bytes.len(),
            should,
        });
    }
    let (signed, behind) = bytes.split_at(signed);
    let (hashes, seal) = behind.split_at(hashes);
    let (key, signature) = seal.split_at(32);
    for (n, (stretch, hash)) in signed
        .chunks(STRETCH_BYTES)
        .zip(hashes.chunks(32))
        .enumerate()
    {
        if Sha256::digest(stretch)[..] != *hash {
            let from = n * STRETCH_BYTES;
            return Err(CarryError::Damaged {
                from,
                to: from + stretch.len() - 1,
            });
        }
    }
    let key: [u8; 32] = key.try_into().map_err(|_| CarryError::Signature)?;
    UnparsedPublicKey::new(&ED25519, key)
        .verify(&message(&key, hashes), signature)
        .map_err(|_| CarryError::Signature)?;
    Ok((signed, key))
}

fn document<'a>(
    cursor: &mut Cursor<'a>,
    line: &CarriedLine,
    room: &mut usize,
) -> Result<Carried<'a>, CarryError> {
    if line.about_bytes > MAX_ABOUT_BYTES {
        return Err(cursor.wrong("the length of what a visit is about"));
    }
    let about = cursor.take(line.about_bytes, "what a visit is about")?;
    let about = std::str::from_utf8(about).map_err(|_| cursor.wrong("what a visit is about"))?;
    if Ledger::document_id(about) != line.id {
        return Err(cursor.wrong("a visit's id"));
    }
    let start = cursor.at();
    let count = cursor.at_most(line.changes, "the number of parcels")?;
    let mut parcels = Vec::new();
    let mut changes = 0;
    for _ in 0..count {
        let length = cursor.at_most(MAX_PROOF_BYTES, "a proof's length")?;
        let proof = cursor.take(length, "a proof's length")?;
        let held = cursor.at_most(MAX_PARCEL_CHANGES, "a parcel's size")?;
        *room = room
            .checked_sub(held)
            .ok_or(cursor.wrong("the number of records"))?;
        changes += held;
        let mut parcel = Parcel {
            proof,
            changes: Vec::new(),
        };
        for _ in 0..held {
            let length = cursor.at_most(MAX_CHANGE_BYTES, "a record's length")?;
            parcel
                .changes
                .push(cursor.take(length, "a record's length")?);
        }
        if parcel.changes.is_empty() {
            return Err(cursor.wrong("a parcel's size"));
        }
        parcels.push(parcel);
    }
    if changes != line.changes {
        return Err(cursor.wrong("the number of a visit's records"));
    }
    if cursor.at() - start != line.bytes {
        return Err(cursor.wrong("the length of a visit"));
    }
    Ok(Carried {
        id: line.id,
        about,
        heads: line.heads.clone(),
        parcels,
    })
}
