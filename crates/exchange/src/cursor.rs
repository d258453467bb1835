//! Reading a file's bytes front to back, never past its end.

use crate::error::CarryError;

/// Where reading stands.
pub(crate) struct Cursor<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Cursor<'a> {
    /// Reads `bytes` from `at` on.
    pub(crate) fn new(bytes: &'a [u8], at: usize) -> Self {
        Self { bytes, at }
    }

    pub(crate) fn at(&self) -> usize {
        self.at
    }

    /// What is wrong here.
    pub(crate) fn wrong(&self, what: &'static str) -> CarryError {
        CarryError::Malformed { at: self.at, what }
    }

    /// How many bytes are left.
    pub(crate) fn left(&self) -> usize {
        self.bytes.len().saturating_sub(self.at)
    }

    pub(crate) fn take(
        &mut self,
        count: usize,
        what: &'static str,
    ) -> Result<&'a [u8], CarryError> {
        let end = self.at.checked_add(count);
        let taken = end.and_then(|end| self.bytes.get(self.at..end));
        let taken = taken.ok_or(self.wrong(what))?;
        self.at += count;
        Ok(taken)
    }

    pub(crate) fn u32(&mut self, what: &'static str) -> Result<usize, CarryError> {
        let bytes = self.take(4, what)?;
        let number = bytes.iter().fold(0_u32, |n, b| n << 8 | u32::from(*b));
        usize::try_from(number).map_err(|_| self.wrong(what))
    }

    /// A number that is at most `most`.
    pub(crate) fn at_most(&mut self, most: usize, what: &'static str) -> Result<usize, CarryError> {
        let number = self.u32(what)?;
        if number <= most {
            Ok(number)
        } else {
            Err(self.wrong(what))
        }
    }
}

/// A length or count as it is written; everything written is below the longest file.
pub(crate) fn number(count: usize) -> [u8; 4] {
    u32::try_from(count).unwrap_or(u32::MAX).to_be_bytes()
}
