//! SQLite's journal (`-wal`): bringing it into the database file, and noticing one that has rotted.

use std::path::Path;

use rusqlite::Connection;

// The file format: https://www.sqlite.org/fileformat2.html, section 4.
const HEADER: usize = 32;
const FRAME_HEADER: usize = 24;
const PAGE: usize = 4096;

/// The journal as it lay on disk before it was opened.
#[derive(Debug)]
pub(crate) struct Journal {
    pub(crate) bytes: Vec<u8>,
}

impl Journal {
    /// Reads the file; a missing one is an empty one.
    pub(crate) fn read(path: &Path) -> Self {
        Self {
            bytes: std::fs::read(path).unwrap_or_default(),
        }
    }

    /// Whether it holds frames that were synced beyond the `recognised` ones.
    ///
    /// SQLite takes the journal up to the first frame whose checksum fails, which is right for a torn last
    /// commit and silent about rot in an earlier one. The two can be told apart: a commit is synced before
    /// the next one begins, so a commit frame that is followed by any frame of the same journal was once
    /// synced and acknowledged. If SQLite stopped before such a frame, acknowledged data are gone. Rot in the very
    /// last commit looks like a torn one; only the witness tells.
    pub(crate) fn has_rotted(&self, recognised: usize) -> bool {
        // All frames of one journal bear the same salt. The header's copy, or the first frame's, may be what rotted.
        let frames: Vec<&[u8]> = self
            .bytes
            .get(HEADER..)
            .unwrap_or_default()
            .chunks_exact(FRAME_HEADER + PAGE)
            .collect();
        let salt = |frame: &&[u8]| frame.get(8..16).map(<[u8]>::to_vec);
        let header = self.bytes.get(16..24).map(<[u8]>::to_vec);
        [
            header,
            frames.first().and_then(salt),
            frames.get(1).and_then(salt),
        ]
        .into_iter()
        .flatten()
        .any(|salt| {
            let ours: Vec<usize> = (0..frames.len())
                .filter(|at| frames[*at].get(8..16) == Some(&salt))
                .collect();
            let earlier = ours.split_last().map_or(&[][..], |(_, earlier)| earlier);
            earlier
                .iter()
                .any(|at| *at >= recognised && frames[*at].get(4..8) != Some(&[0; 4]))
        })
    }
}

/// How many frames SQLite recognised, copying them into the database file and syncing that on the way.
pub(crate) fn copy_down(db: &Connection) -> rusqlite::Result<usize> {
    let frames: i64 = db.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| row.get(1))?;
    Ok(usize::try_from(frames).unwrap_or(0))
}

/// Copies every frame into the database file, syncs it, and empties the journal.
///
/// Besides keeping the journal short, this is what makes a database trustworthy after a failed sync. The
/// system may then hold pages in memory that are not on disk and count as clean, so that a later sync of
/// them succeeds without writing (Rebello et al., "Can Applications Recover from fsync Failures?", USENIX
/// ATC 2020). Whatever the journal shows on reopening is therefore written once more, to the database file,
/// which makes those pages dirty again, and synced there; and as a checkpoint that fails leaves the journal
/// as it was, the frames of a failed checkpoint are written again too.
pub(crate) fn empty(db: &Connection) -> rusqlite::Result<()> {
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
}
