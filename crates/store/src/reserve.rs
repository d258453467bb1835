//! The reserve: a file that takes up room until the disk is full and the room is needed for a stop-work.

use std::fs::{self, File};
use std::io::{self, Write};

use crate::folder::{Folder, RESERVE};

/// Size of the reserve on a disk that has room for it, bytes. On a small disk it is a 16th or a 256th of this.
pub const RESERVE_BYTES: usize = 8 * 1024 * 1024;

/// Longer than the stretch any compressing file system looks back over.
const BLOCK: usize = 1024 * 1024;

/// Puts the reserve back if it is missing and the disk has room for it twice.
///
/// Twice, so that the reserve never takes the last bytes a commit needs: as long as a copy of its
/// own size does not fit as well, the room stays free. Failing is no error, it is a disk without room.
pub(crate) fn put_aside(folder: &Folder) {
    if folder.file(RESERVE).exists() {
        return;
    }
    for size in [RESERVE_BYTES, RESERVE_BYTES / 16, RESERVE_BYTES / 256] {
        if put_aside_of(folder, size).is_ok() {
            return;
        }
    }
}

fn put_aside_of(folder: &Folder, size: usize) -> io::Result<()> {
    let (part, margin) = (folder.file("reserve.part"), folder.file("reserve.margin"));
    let written = fill(&part, size).and_then(|file| fill(&margin, size).and(file.sync_all()));
    let _gone_already = fs::remove_file(&margin);
    if let Err(error) = written {
        let _gone_already = fs::remove_file(&part);
        return Err(error);
    }
    fs::rename(&part, folder.file(RESERVE))?;
    folder.sync();
    Ok(())
}

/// Gives the room back.
pub(crate) fn release(folder: &Folder) -> io::Result<()> {
    match fs::remove_file(folder.file(RESERVE)) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        done => {
            folder.sync();
            done
        }
    }
}

/// Writes bytes no file system can store in less room than they take (xorshift64: Marsaglia, Journal of
/// Statistical Software 8(14), 2003). Zeros would be compressed away by some.
fn fill(path: &std::path::Path, size: usize) -> io::Result<File> {
    let mut file = File::create(path)?;
    let mut state: u64 = 0x9e37_79b9_7f4a_7c15;
    let mut block = Vec::with_capacity(size.min(BLOCK));
    while block.len() < block.capacity() {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        block.extend_from_slice(&state.to_le_bytes());
    }
    for _ in 0..size / block.len() {
        file.write_all(&block)?;
    }
    Ok(file)
}
