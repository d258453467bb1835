//! The witness: a small file outside the data folder by which a folder put back from an older copy is noticed.

use std::fs;
use std::path::Path;

use rusqlite::{Connection, OptionalExtension, params};

use crate::vault::Vault;

/// How far a data folder had come when the witness was last written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Witness {
    /// How many times the folder has been opened.
    pub(crate) generation: i64,
    /// Random mark of that opening. Two copies of a folder that were both opened share the number, not the mark.
    pub(crate) mark: [u8; 16],
    /// How many changes it held.
    pub(crate) changes: i64,
}

impl Witness {
    /// What the file says; `None` if it is missing or makes no sense, which proves nothing and is no error.
    pub(crate) fn read(path: &Path) -> Option<Self> {
        let text = fs::read_to_string(path).ok()?;
        let [name, generation, mark, changes] = text.split_whitespace().collect::<Vec<_>>()[..]
        else {
            return None;
        };
        let mark = u128::from_str_radix(mark, 16).ok()?.to_be_bytes();
        let witness = Self {
            generation: generation.parse().ok()?,
            mark,
            changes: changes.parse().ok()?,
        };
        (name == "gravelbar-witness-1").then_some(witness)
    }

    /// Writes the file beside and renames it, so that it is whole or absent. Failing is no error.
    pub(crate) fn write(&self, path: &Path) {
        let mark = u128::from_be_bytes(self.mark);
        let line = format!(
            "gravelbar-witness-1 {} {mark:032x} {}\n",
            self.generation, self.changes
        );
        let part = path.with_extension("part");
        if fs::write(&part, line).is_ok() {
            let _no_place_for_it = fs::rename(&part, path);
        }
    }

    /// Whether the database does not know of this state: it was put back from an older copy, or is a copy
    /// that went its own way.
    ///
    /// The database always moves first (it is committed, then the witness is written), so it can never be
    /// behind its witness by a crash.
    pub(crate) fn is_ahead_of(&self, db: &Connection) -> rusqlite::Result<bool> {
        let mark: Option<Vec<u8>> = db
            .query_row(
                "SELECT mark FROM opening WHERE generation=?",
                [self.generation],
                |row| row.get(0),
            )
            .optional()?;
        Ok(mark.is_none_or(|mark| mark != self.mark) || self.changes > changes(db)?)
    }
}

/// How many changes the database holds: the place of the last one, as there are no holes.
pub(crate) fn changes(db: &Connection) -> rusqlite::Result<i64> {
    db.query_row("SELECT coalesce(max(arrival),0) FROM change", [], |row| {
        row.get(0)
    })
}

/// Counts one more opening of the database and gives it a mark.
pub(crate) fn count_opening(db: &Connection, vault: &Vault) -> rusqlite::Result<Witness> {
    let (generation, mark): (i64, [u8; 16]) = db.query_row(
        "SELECT coalesce(max(generation),0)+1,randomblob(16) FROM opening",
        [],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )?;
    let sealed = vault.seal("opening", &[&generation.to_be_bytes(), &mark], &[])?;
    db.execute(
        "INSERT INTO opening(generation,mark,sealed)VALUES(?,?,?)",
        params![generation, mark, sealed],
    )?;
    Ok(Witness {
        generation,
        mark,
        changes: changes(db)?,
    })
}
