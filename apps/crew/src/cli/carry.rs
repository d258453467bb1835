//! `gravelbar carry`: visits and crew books in signed files, for a memory stick or a share.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use chrono::{DateTime, Local};
use clap::{Args, Subcommand};
use gravelbar_exchange::{CarryFile, OfficeKey, OfficeSecret, seal};
use gravelbar_visit::DocumentId;

use super::visit_file::{bytes_of, named};
use super::{Wrong, data_folder, say};
use crate::carry::{called, pack, take_in};

#[derive(Args)]
pub(super) struct Carry {
    #[command(subcommand)]
    way: Way,
}

#[derive(Subcommand)]
enum Way {
    /// Writes a visit or crew book of the data folder to a new file.
    Out {
        /// The visit or crew book, by the name that “gravelbar visits” prints; several with commas.
        #[arg(value_delimiter = ',', required = true)]
        visits: Vec<String>,
        /// The file; it must not exist yet.
        file: PathBuf,
        /// Seals it so that only this office reads it: its public key, or a file that holds it.
        #[arg(long, value_name = "OFFICE_KEY")]
        to: Option<String>,
        /// Data folder; the user's own one where left out.
        #[arg(long, value_name = "FOLDER")]
        folder: Option<PathBuf>,
    },
    /// Reads a file into the data folder, through the same checks as the network.
    In {
        /// The file.
        file: PathBuf,
        /// The office's secret key file, for a sealed file.
        #[arg(long, value_name = "KEY_FILE")]
        key: Option<PathBuf>,
        /// Data folder; the user's own one where left out.
        #[arg(long, value_name = "FOLDER")]
        folder: Option<PathBuf>,
    },
    /// Proves a file and says what is in it, and takes nothing in.
    Show {
        /// The file.
        file: PathBuf,
        /// The office's secret key file, for a sealed file.
        #[arg(long, value_name = "KEY_FILE")]
        key: Option<PathBuf>,
    },
    /// Makes an office's key: the secret half into a new file, the public half is printed.
    OfficeKey {
        /// The file; it must not exist yet.
        file: PathBuf,
    },
}

pub(super) fn run(carry: &Carry) -> Result<(), Wrong> {
    match &carry.way {
        Way::Out {
            visits,
            file,
            to,
            folder,
        } => out(visits, file, to.as_deref(), folder.as_ref()),
        Way::In { file, key, folder } => take(file, key.as_deref(), folder.as_ref()),
        Way::Show { file, key } => show(file, key.as_deref()),
        Way::OfficeKey { file } => office_key(file),
    }
}

fn wrong(error: impl std::fmt::Display) -> Wrong {
    Wrong::new(error.to_string())
}

fn out(
    visits: &[String],
    file: &Path,
    to: Option<&str>,
    folder: Option<&PathBuf>,
) -> Result<(), Wrong> {
    let to = to.map(office).transpose()?;
    let ids: Result<Vec<DocumentId>, Wrong> = visits.iter().map(|v| named(v)).collect();
    let ids = ids?;
    let store = super::reduce::open(&data_folder(folder)?)?;
    let now_s = crate::Clock::default().now().timestamp();
    let mut bytes = pack(&store, &ids, now_s).map_err(wrong)?;
    if let Some(key) = &to {
        bytes = seal(&bytes, key).map_err(wrong)?;
    }
    write_new(file, &bytes, false)?;
    say(&format!(
        "{} written to {}: {} bytes, signed by this device{}",
        match ids.len() {
            1 => "1 document".to_owned(),
            more => format!("{more} documents"),
        },
        file.display(),
        bytes.len(),
        if to.is_some() {
            ", sealed to the office"
        } else {
            ""
        }
    ));
    Ok(())
}

/// An office's public key, typed or in a file.
fn office(text: &str) -> Result<OfficeKey, Wrong> {
    let path = Path::new(text);
    if path.is_file() {
        return read_short(path)?.parse().map_err(wrong);
    }
    text.parse().map_err(wrong)
}

fn secret(file: Option<&Path>) -> Result<Option<OfficeSecret>, Wrong> {
    let Some(file) = file else {
        return Ok(None);
    };
    let secret: OfficeSecret = read_short(file)?.parse().map_err(wrong)?;
    Ok(Some(secret))
}

/// A file of one line.
fn read_short(file: &Path) -> Result<String, Wrong> {
    use std::io::Read;
    let unreadable = |e| Wrong::new(format!("{} can't be read: {e}", file.display()));
    let mut text = String::new();
    let opened = File::open(file).map_err(unreadable)?;
    opened
        .take(4_096)
        .read_to_string(&mut text)
        .map_err(unreadable)?;
    Ok(text)
}

/// Writes a file that isn't there yet; for its owner alone where it is private.
fn write_new(file: &Path, bytes: &[u8], private: bool) -> Result<(), Wrong> {
    let mut options = File::options();
    options.write(true).create_new(true);
    #[cfg(unix)]
    if private {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    #[cfg(not(unix))]
    let _ = private;
    let failed = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::AlreadyExists => Wrong::new(format!(
            "{} exists already: name a new file, nothing is overwritten",
            file.display()
        )),
        _ => Wrong::new(format!("{} can't be written: {e}", file.display())),
    };
    let mut opened = options.open(file).map_err(failed)?;
    opened
        .write_all(bytes)
        .and_then(|()| opened.sync_all())
        .map_err(failed)
}

fn take(file: &Path, key: Option<&Path>, folder: Option<&PathBuf>) -> Result<(), Wrong> {
    let bytes = bytes_of(file, secret(key)?.as_ref())?;
    let carried =
        CarryFile::read(&bytes).map_err(|e| Wrong::new(format!("{}: {e}", file.display())))?;
    let mut store = super::reduce::open(&data_folder(folder)?)?;
    let now_ms = crate::Clock::default().now().timestamp_millis();
    let taken = take_in(&mut store, &carried, now_ms);
    for line in taken.map_err(|e| Wrong::new(format!("{}: {e}", file.display())))? {
        say(&format!(
            "{}  {}: {} changes in the file, {} new here",
            line.document, line.called, line.changes, line.new
        ));
    }
    Ok(())
}

fn show(file: &Path, key: Option<&Path>) -> Result<(), Wrong> {
    let bytes = bytes_of(file, secret(key)?.as_ref())?;
    let at_fault = |e: &dyn std::fmt::Display| Wrong::new(format!("{}: {e}", file.display()));
    let carried = CarryFile::read(&bytes).map_err(|e| at_fault(&e))?;
    let at = DateTime::from_timestamp(carried.manifest.packed_at_s, 0);
    say(&format!(
        "packed by device {} with {} ({})",
        carried.packed_by.tag(),
        carried.manifest.program,
        at.map_or_else(
            || "at no time a clock shows".to_owned(),
            |at| at
                .with_timezone(&Local)
                .format("%-d %B %Y, %H:%M by its clock")
                .to_string()
        )
    ));
    for document in &carried.documents {
        let verified = document.verify().map_err(|e| at_fault(&e))?;
        say(&format!(
            "{}  {}: {} records, all proved",
            document.id,
            called(document.about),
            verified.records
        ));
        for (device, changes) in &verified.changes_by {
            say(&format!(
                "  {changes} changes signed by device {} (key {device})",
                device.tag()
            ));
        }
        for gap in &verified.gaps {
            say(&format!(
                "  of {} numbers up to {} are known and {} are here",
                gap.writer, gap.known, gap.here
            ));
        }
        for fork in &verified.forks {
            say(&format!("  {fork}"));
        }
    }
    Ok(())
}

fn office_key(file: &Path) -> Result<(), Wrong> {
    let secret = OfficeSecret::generate();
    let key = secret.key().map_err(wrong)?;
    write_new(file, format!("{}\n", secret.to_text()).as_bytes(), true)?;
    say(&key.to_string());
    Ok(())
}
