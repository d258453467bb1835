//! Reading bytes from outside: every length is checked against what is left before it is used.

/// The bytes end early, go on too long or say something that can't be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Malformed;

/// The bytes still to be read.
#[derive(Clone, Copy)]
pub(crate) struct Input<'a>(pub(crate) &'a [u8]);

impl<'a> Input<'a> {
    pub(crate) fn take(&mut self, length: usize) -> Result<&'a [u8], Malformed> {
        let (taken, rest) = self.0.split_at_checked(length).ok_or(Malformed)?;
        self.0 = rest;
        Ok(taken)
    }

    pub(crate) fn array<const N: usize>(&mut self) -> Result<[u8; N], Malformed> {
        let (taken, rest) = self.0.split_first_chunk().ok_or(Malformed)?;
        self.0 = rest;
        Ok(*taken)
    }

    pub(crate) fn u8(&mut self) -> Result<u8, Malformed> {
        let [byte] = self.array()?;
        Ok(byte)
    }

    pub(crate) fn u16(&mut self) -> Result<u16, Malformed> {
        Ok(u16::from_be_bytes(self.array()?))
    }

    pub(crate) fn u64(&mut self) -> Result<u64, Malformed> {
        Ok(u64::from_be_bytes(self.array()?))
    }

    /// So many pieces of `N` bytes, borrowed: nothing is made on the count's word.
    pub(crate) fn pieces<const N: usize>(
        &mut self,
        count: usize,
    ) -> Result<&'a [[u8; N]], Malformed> {
        let taken = self.take(count.checked_mul(N).ok_or(Malformed)?)?;
        let (pieces, []) = taken.as_chunks() else {
            return Err(Malformed);
        };
        Ok(pieces)
    }

    pub(crate) fn end(self) -> Result<(), Malformed> {
        if self.0.is_empty() {
            Ok(())
        } else {
            Err(Malformed)
        }
    }
}
