//! The seal of a row: a SHA-256 over all its columns, so that no damaged byte is ever handed out as good.

use sha2::{Digest, Sha256};

use crate::batch::{Change, Document, Heard, Offset, Peer, Refused};

/// A row of some table that can be sealed.
pub(crate) trait Sealed {
    /// The seal the row must carry.
    fn seal(&self) -> [u8; 32];
}

/// The seal of a row of `table` with these columns.
///
/// Each part is preceded by its length, so no two different rows feed the hash the same bytes.
pub(crate) fn seal(table: &str, parts: &[&[u8]]) -> [u8; 32] {
    let mut hash = Sha256::new();
    for part in std::iter::once(&table.as_bytes()).chain(parts) {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part);
    }
    hash.finalize().into()
}

/// SHA-256 of some bytes.
pub(crate) fn digest(bytes: &[u8]) -> [u8; 32] {
    Sha256::digest(bytes).into()
}

fn or_nothing(key: Option<&[u8; 32]>) -> &[u8] {
    key.map_or(&[], |key| key.as_slice())
}

impl Sealed for Change {
    fn seal(&self) -> [u8; 32] {
        seal(
            "change",
            &[
                &self.document,
                &self.writer,
                &self.number.to_be_bytes(),
                or_nothing(self.heard_from.as_ref()),
                &self.at_ms.to_be_bytes(),
                &self.bytes,
            ],
        )
    }
}

impl Sealed for Document {
    fn seal(&self) -> [u8; 32] {
        seal(
            "document",
            &[
                &self.id,
                self.about.as_bytes(),
                &self.added_ms.to_be_bytes(),
            ],
        )
    }
}

/// Without `last_heard_ms`, which lives in a row of its own.
impl Sealed for Peer {
    fn seal(&self) -> [u8; 32] {
        seal(
            "peer",
            &[
                &self.key_id,
                self.name.as_bytes(),
                self.addresses.join("\n").as_bytes(),
            ],
        )
    }
}

impl Sealed for Heard {
    fn seal(&self) -> [u8; 32] {
        seal("heard", &[&self.peer, &self.at_ms.to_be_bytes()])
    }
}

impl Sealed for Offset {
    fn seal(&self) -> [u8; 32] {
        seal(
            "clock",
            &[
                &self.peer,
                &self.at_ms.to_be_bytes(),
                &self.offset_ms.to_be_bytes(),
                &self.uncertainty_ms.to_be_bytes(),
            ],
        )
    }
}

impl Sealed for Refused {
    fn seal(&self) -> [u8; 32] {
        seal(
            "refused",
            &[
                &self.document,
                or_nothing(self.peer.as_ref()),
                &self.bytes,
                self.reason.as_bytes(),
                &self.at_ms.to_be_bytes(),
            ],
        )
    }
}

/// Answers and settings: a name and its text.
pub(crate) fn seal_text(table: &str, name: &str, text: &str) -> [u8; 32] {
    seal(table, &[name.as_bytes(), text.as_bytes()])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bytes_moved_from_one_column_to_the_next_break_the_seal() {
        assert_ne!(seal("t", &[b"ab", b"c"]), seal("t", &[b"a", b"bc"]));
        assert_ne!(seal("t", &[b"a"]), seal("ta", &[b""]));
        assert_ne!(seal("t", &[b"", b"a"]), seal("t", &[b"a", b""]));
    }

    // FIPS 180-4, example "abc".
    #[test]
    fn digest_is_sha_256() {
        assert_eq!(
            crate::errors::hex(&digest(b"abc")),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }
}
