//! The tables, their version, and how a connection is set up.

use rusqlite::{Connection, Transaction, TransactionBehavior, config::DbConfig};

use crate::OpenError;

/// The format version this program writes (`user_version`).
pub(crate) const VERSION: i64 = 2;

// `change.arrival` counts 1, 2, 3 … without holes, because rows are never deleted: a hole is damage.
// Short on purpose: all of it must fit the first page, so that the page can be rebuilt (see `rescue`).
const TABLES: &str = "
CREATE TABLE opening(generation INTEGER PRIMARY KEY,mark BLOB NOT NULL,sealed BLOB NOT NULL)STRICT;
CREATE TABLE identity(id INTEGER PRIMARY KEY,sealed BLOB NOT NULL)STRICT;
CREATE TABLE document(id BLOB PRIMARY KEY,sealed BLOB NOT NULL)STRICT;
CREATE TABLE change(arrival INTEGER PRIMARY KEY,document BLOB NOT NULL,writer BLOB NOT NULL,number INTEGER NOT NULL,\
sealed BLOB NOT NULL)STRICT;
CREATE UNIQUE INDEX change_key ON change(document,writer,number);
CREATE TABLE run(document BLOB NOT NULL,writer BLOB NOT NULL,sealed BLOB NOT NULL,PRIMARY KEY(document,writer))STRICT;
CREATE TABLE head(document BLOB NOT NULL,writer BLOB NOT NULL,slot INTEGER NOT NULL,sealed BLOB NOT NULL,\
PRIMARY KEY(document,writer,slot))STRICT;
CREATE TABLE answer(tap BLOB PRIMARY KEY,sealed BLOB NOT NULL)STRICT,WITHOUT ROWID;
CREATE TABLE peer(id BLOB PRIMARY KEY,sealed BLOB NOT NULL)STRICT;
CREATE TABLE heard(peer BLOB PRIMARY KEY,sealed BLOB NOT NULL)STRICT;
CREATE TABLE clock(id INTEGER PRIMARY KEY,sealed BLOB NOT NULL)STRICT;
CREATE TABLE refused(id INTEGER PRIMARY KEY,hash BLOB UNIQUE,peer BLOB NOT NULL,length INTEGER NOT NULL,\
sealed BLOB NOT NULL)STRICT;
CREATE TABLE setting(name BLOB PRIMARY KEY,sealed BLOB NOT NULL)STRICT;
CREATE TABLE wreck(id INTEGER PRIMARY KEY,arrival INTEGER,row TEXT NOT NULL)STRICT;
";

/// Settings every writing connection runs under.
///
/// `synchronous=FULL` makes each commit end in a sync of the journal: what `commit` promises. Exclusive
/// locking keeps other processes out and the journal's index in memory. Checkpoints are run by the store
/// itself, because SQLite's automatic one swallows a failed sync; for the same reason closing runs none.
pub(crate) fn prepare(db: &Connection) -> rusqlite::Result<()> {
    db.busy_timeout(std::time::Duration::ZERO)?;
    db.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    db.pragma_update(None, "synchronous", "FULL")?;
    db.pragma_update(None, "fullfsync", true)?; // Apple systems: a plain sync stops at the drive's cache
    db.pragma_update(None, "checkpoint_fullfsync", true)?;
    db.pragma_update(None, "wal_autocheckpoint", 0)?;
    quiet(db)?;
    // To the last step: the answer comes before the change is committed, so that a full disk shows only then.
    let mut set = db.prepare("PRAGMA journal_mode=WAL")?;
    let journal: Vec<String> = set
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    debug_assert_eq!(journal, ["wal"]);
    Ok(())
}

/// Settings of any connection, also of one that may only read.
pub(crate) fn quiet(db: &Connection) -> rusqlite::Result<()> {
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
    db.pragma_update(None, "temp_store", "MEMORY")?;
    db.pragma_update(None, "mmap_size", 0)?;
    db.pragma_update(None, "cell_size_check", true)?;
    db.pragma_update(None, "trusted_schema", false)
}

/// The format version of the file; 0 for an empty one.
///
/// # Errors
///
/// [`OpenError::Newer`] if this program is too old for it.
pub(crate) fn version(db: &Connection) -> Result<i64, OpenError> {
    let found: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0))?;
    if found > VERSION {
        return Err(OpenError::Newer {
            found,
            known: VERSION,
        });
    }
    Ok(found)
}

/// Makes the tables in an empty file, all of them or none.
pub(crate) fn create(db: &Connection) -> rusqlite::Result<()> {
    let work = Transaction::new_unchecked(db, TransactionBehavior::Immediate)?;
    work.execute_batch(TABLES)?;
    work.pragma_update(None, "user_version", VERSION)?;
    work.commit()
}

/// Brings the file to this program's format and says what is wrong with its structure, if anything.
///
/// The list of tables must be the very one this program makes: a table with another name or at another
/// page is damage, whatever SQLite thinks of it.
///
/// # Errors
///
/// [`OpenError`], for anything but damage.
pub(crate) fn ready(db: &Connection) -> Result<Option<String>, OpenError> {
    if version(db)? == 0 && tables(db)?.is_empty() {
        create(db)?;
    }
    let fresh = Connection::open_in_memory()?;
    create(&fresh)?;
    if version(db)? != VERSION || tables(db)? != tables(&fresh)? {
        return Ok(Some("the list of tables is not what was written".into()));
    }
    Ok(flaw(db)?)
}

type Table = (String, String, i64, Option<String>);

fn tables(db: &Connection) -> rusqlite::Result<Vec<Table>> {
    db.prepare("SELECT name,tbl_name,rootpage,sql FROM sqlite_schema ORDER BY rowid")?
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })?
        .collect()
}

/// What SQLite's own check of the file's structure finds wrong, if anything.
pub(crate) fn flaw(db: &Connection) -> rusqlite::Result<Option<String>> {
    let checked = db.query_row("PRAGMA integrity_check(1)", [], |row| {
        row.get::<_, String>(0)
    });
    match checked {
        Ok(word) if word == "ok" => Ok(None),
        Ok(words) => Ok(Some(words)),
        Err(error) if matches!(crate::errors::cause(&error), crate::errors::Cause::Damaged) => {
            Ok(Some(error.to_string()))
        }
        Err(error) => Err(error),
    }
}
