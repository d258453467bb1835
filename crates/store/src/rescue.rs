//! Rescue: carrying what can still be read out of a damaged record file into a new one.

use std::fs;
use std::io::{Seek, SeekFrom, Write};
use std::path::Path;

use rusqlite::Connection;
use rusqlite::types::Value;

use crate::folder::{Folder, beside};
use crate::vault::Vault;
use crate::{OpenError, read, schema};

/// Working files of a rescue, which mean nothing once it is over.
const COPY: &str = "rescue-from";
pub(crate) const PART: &str = "rescue-to";

/// Removes what a rescue, done or cut short, has left.
pub(crate) fn clear(folder: &Folder) {
    for left_over in [COPY, PART] {
        for suffix in ["", "-wal", "-shm", "-journal"] {
            let _gone_already = fs::remove_file(beside(&folder.file(left_over), suffix));
        }
    }
}

/// Makes the next record file out of record file `number`; returns its number and a word on what is lost.
///
/// The damaged file is copied first and never written to, and the new file gets its name only when it is
/// whole and synced: killed at any moment, the folder holds the damaged file and nothing, or both. A change is
/// carried over only if its seal fits, so none is carried over that was not written by this crate.
pub(crate) fn rescue(
    folder: &Folder,
    vault: &Vault,
    number: u32,
) -> Result<(u32, String), OpenError> {
    clear(folder);
    let done = rescue_by(
        folder,
        vault,
        number,
        &folder.file(COPY),
        &folder.file(PART),
    );
    clear(folder);
    done
}

fn rescue_by(
    folder: &Folder,
    vault: &Vault,
    number: u32,
    copy: &Path,
    part: &Path,
) -> Result<(u32, String), OpenError> {
    let damaged = folder.record(number);
    fs::copy(&damaged, copy)?;
    let journal = beside(&damaged, "-wal");
    if journal.exists() {
        fs::copy(&journal, beside(copy, "-wal"))?;
    }

    let to = Connection::open(part)?;
    to.pragma_update(None, "synchronous", "FULL")?;
    schema::create(&to)?;
    let bound = i64::try_from(bound(copy)).unwrap_or(i64::MAX);
    let from = readable(copy, part)?;
    to.execute_batch("BEGIN IMMEDIATE")?;
    let (kept, lost) = carry_changes(&from, &to, vault, bound)?;
    carry_the_rest(&from, &to)?;
    to.execute_batch("COMMIT")?;
    drop(from);
    to.close().map_err(|(_, error)| error)?;

    let next = number.saturating_add(1);
    fs::File::open(part)?.sync_all()?;
    fs::rename(part, folder.record(next))?;
    folder.sync();
    let lost = if lost == 0 {
        format!("all {kept} changes in it were carried over")
    } else {
        format!(
            "{kept} changes were carried over, {lost} could not be read and are missing here until another device sends them"
        )
    };
    Ok((next, lost))
}

/// More changes than this do not fit the file: a change takes 64 bytes for its ids and seal alone.
fn bound(copy: &Path) -> u64 {
    let length = |path: &Path| fs::metadata(path).map_or(0, |data| data.len());
    (length(copy) + length(&beside(copy, "-wal"))) / 64
}

/// Opens the copy, if need be with the first page of the new file in place of its own.
///
/// The first page holds the list of tables, which is the same in every record file: the tables were
/// all made at once, by the same statements, so they start at the same pages. Its counters are corrected
/// by SQLite itself, which takes the file's length if the two counters of changes differ.
fn readable(copy: &Path, fresh: &Path) -> Result<Connection, OpenError> {
    let usable = || -> rusqlite::Result<Connection> {
        let db = Connection::open(copy)?;
        schema::quiet(&db)?;
        db.pragma_update(None, "cell_size_check", false)?; // read around what does not look right
        let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
        for table in [
            "opening", "identity", "document", "change", "run", "head", "answer", "peer", "heard",
            "clock", "refused", "setting",
        ] {
            db.prepare(&format!("SELECT * FROM {table}"))?;
        }
        if version == schema::VERSION {
            Ok(db)
        } else {
            Err(rusqlite::Error::InvalidQuery)
        }
    };
    if let Ok(db) = usable() {
        return Ok(db);
    }
    let mut first = fs::read(fresh)?;
    first.truncate(4096);
    if let Some(counters) = first.get_mut(24..32) {
        counters.copy_from_slice(&[0, 0, 0, 1, 0, 0, 0, 0]);
    }
    let mut file = fs::OpenOptions::new().write(true).open(copy)?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&first)?;
    drop(file);
    usable().or_else(|_| {
        // A journal that brings the damaged page back is left out.
        let _gone_already = fs::remove_file(beside(copy, "-wal"));
        usable().map_err(OpenError::from)
    })
}

/// Looks up every place a change may have, one by one, so that each unreadable page costs only its own rows.
fn carry_changes(
    from: &Connection,
    to: &Connection,
    vault: &Vault,
    bound: i64,
) -> Result<(i64, i64), OpenError> {
    let last: rusqlite::Result<i64> =
        from.query_row("SELECT coalesce(max(arrival),0) FROM change", [], |row| {
            row.get(0)
        });
    let named = ["", "DESC"].map(|order| {
        let sql = format!("SELECT arrival FROM change INDEXED BY change_key ORDER BY document {order},writer {order},number {order}");
        let mut last = 0;
        if let Ok(mut ask) = from.prepare(&sql)
            && let Ok(mut rows) = ask.query([])
        {
            while let Ok(Some(row)) = rows.next() {
                last = last.max(row.get::<_, i64>(0).ok().filter(|place| *place <= bound).unwrap_or(0));
            }
        }
        last
    });
    let last = last
        .ok()
        .filter(|place| *place <= bound)
        .unwrap_or(bound)
        .max(named[0])
        .max(named[1]);
    let (mut kept, mut missing, mut hole) = (0, 0, 0);
    for arrival in 1..=last {
        match read::change_at(from, vault, arrival) {
            Ok(Some(Ok(_))) => {
                // Sound as it is, so it goes over as it is.
                let row = from
                    .prepare_cached(
                        "SELECT document,writer,number,sealed FROM change WHERE arrival=?",
                    )?
                    .query_row([arrival], |row| {
                        (0..4)
                            .map(|at| row.get(at))
                            .collect::<Result<Vec<Value>, _>>()
                    })?;
                kept += i64::try_from(to.prepare_cached(
                    "INSERT OR IGNORE INTO change(document,writer,number,sealed)VALUES(?,?,?,?)",
                )?
                .execute(rusqlite::params_from_iter(row))?).unwrap_or(0);
                missing += std::mem::take(&mut hole);
            }
            // Places past the last change are no loss, if nothing names them.
            Ok(None) | Err(_) if arrival > named[0].max(named[1]) => hole += 1,
            _ => missing += 1,
        }
    }
    Ok((kept, missing))
}

fn carry_the_rest(from: &Connection, to: &Connection) -> Result<(), OpenError> {
    // Straight copies of the rows; a row whose seal does not fit is copied too and stays reported and left out.
    for (table, columns) in [
        ("opening", "generation,mark,sealed"),
        ("identity", "id,sealed"),
        ("document", "id,sealed"),
        ("run", "document,writer,sealed"),
        ("head", "document,writer,slot,sealed"),
        ("answer", "tap,sealed"),
        ("peer", "id,sealed"),
        ("heard", "peer,sealed"),
        ("clock", "id,sealed"),
        ("refused", "id,hash,peer,length,sealed"),
        ("setting", "name,sealed"),
    ] {
        // Forwards to the first unreadable page, then backwards to the last one.
        for order in ["ASC", "DESC"] {
            let marks = vec!["?"; columns.split(',').count()].join(",");
            let mut put = to.prepare(&format!(
                "INSERT OR IGNORE INTO {table}({columns})VALUES({marks})"
            ))?;
            let by = if table == "answer" { "tap" } else { "rowid" };
            let Ok(mut ask) = from.prepare(&format!(
                "SELECT {columns} FROM {table} NOT INDEXED ORDER BY {by} {order}"
            )) else {
                continue;
            };
            let width = ask.column_count();
            let Ok(mut rows) = ask.query([]) else {
                continue;
            };
            while let Ok(Some(row)) = rows.next() {
                let values: Vec<Value> = (0..width).flat_map(|at| row.get(at)).collect();
                if values.len() == width {
                    // A value of a kind the column does not take is a damaged one.
                    let _left_out = put.execute(rusqlite::params_from_iter(values));
                }
            }
        }
    }
    Ok(())
}
