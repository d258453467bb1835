//! A visit in a file: one line of JSON that says what it is, then one line for each change.
//!
//! The file holds the log and nothing else; whatever it is read into checks every change as if it
//! came from a stranger's device.

use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use gravelbar_visit::{DocumentId, Session, Visit, Writer};
use serde::{Deserialize, Serialize};

use super::{Wrong, data_folder, say};

/// The format this program writes.
const VERSION: u32 = 1;

/// The longest line read: a change is at most 64 KiB, twice that in hexadecimal digits, and a bit.
const LINE_BYTES: u64 = 256 * 1024;

/// The most changes read from one file.
const MOST_CHANGES: usize = 1_000_000;

#[derive(Args)]
pub(super) struct Carry {
    #[command(subcommand)]
    way: Way,
}

#[derive(Subcommand)]
enum Way {
    /// Writes a visit of the data folder to a new file.
    Out {
        /// The visit, by the name that “gravelbar visits” prints.
        visit: String,
        /// The file; it must not exist yet.
        file: PathBuf,
        /// Data folder; the user's own one where left out.
        #[arg(long, value_name = "FOLDER")]
        folder: Option<PathBuf>,
    },
    /// Reads a visit from a file into the data folder, joining what is there.
    In {
        /// The file.
        file: PathBuf,
        /// Data folder; the user's own one where left out.
        #[arg(long, value_name = "FOLDER")]
        folder: Option<PathBuf>,
    },
}

#[derive(Serialize, Deserialize)]
struct Heading {
    gravelbar_visit: u32,
    about: String,
}

#[derive(Serialize, Deserialize)]
struct Line {
    change: String,
}

pub(super) fn run(carry: &Carry) -> Result<(), Wrong> {
    match &carry.way {
        Way::Out {
            visit,
            file,
            folder,
        } => {
            let folder = data_folder(folder.as_ref())?;
            let visit = super::reduce::stored(&folder, visit)?;
            write(&visit, file)?;
            say(&format!(
                "{} changes of {} written to {}",
                visit.log().len(),
                visit.plan().site,
                file.display()
            ));
            Ok(())
        }
        Way::In { file, folder } => {
            let folder = data_folder(folder.as_ref())?;
            let (visit, refused) = read(file)?;
            let new = super::reduce::keep(&folder, &visit)?;
            say(&format!(
                "{new} new changes of {} read from {}{}",
                visit.plan().site,
                file.display(),
                if refused == 0 {
                    String::new()
                } else {
                    format!("; {refused} were not let in")
                }
            ));
            Ok(())
        }
    }
}

/// Writes a visit to a new file.
fn write(visit: &Visit, file: &Path) -> Result<(), Wrong> {
    let failed =
        |e: std::io::Error| Wrong::new(format!("{} can't be written: {e}", file.display()));
    let created = File::create_new(file).map_err(|e| match e.kind() {
        std::io::ErrorKind::AlreadyExists => Wrong::new(format!(
            "{} exists already: name a new file, nothing is overwritten",
            file.display()
        )),
        _ => failed(e),
    })?;
    let mut out = BufWriter::new(created);
    let mut line = |text: Result<String, serde_json::Error>| {
        let text = text.map_err(|e| Wrong::new(e.to_string()))?;
        writeln!(out, "{text}").map_err(failed)
    };
    line(serde_json::to_string(&Heading {
        gravelbar_visit: VERSION,
        about: visit.about().to_owned(),
    }))?;
    for change in visit.log() {
        let digits = change.bytes.iter().map(|b| format!("{b:02x}")).collect();
        line(serde_json::to_string(&Line { change: digits }))?;
    }
    let written = out.into_inner().map_err(|e| failed(e.into_error()))?;
    written.sync_all().map_err(failed)
}

/// Reads a visit from a file; how many changes were not let in.
pub(super) fn read(file: &Path) -> Result<(Visit, usize), Wrong> {
    let shown = file.display();
    let opened = File::open(file).map_err(|e| Wrong::new(format!("{shown} can't be read: {e}")))?;
    let mut lines = BufReader::new(opened);
    let not_one = || {
        Wrong::new(format!(
            "{shown} is not a visit file: give one that “gravelbar carry out” wrote"
        ))
    };
    let first = next_line(&mut lines, file)?.ok_or_else(not_one)?;
    let heading: Heading = serde_json::from_str(&first).map_err(|_| not_one())?;
    if heading.gravelbar_visit > VERSION {
        return Err(Wrong::new(format!(
            "{shown} was written by a newer program: update this one"
        )));
    }
    let mut changes = Vec::new();
    let mut number = 1;
    while let Some(text) = next_line(&mut lines, file)? {
        number += 1;
        let bytes = serde_json::from_str::<Line>(&text)
            .ok()
            .and_then(|line| bytes_of(&line.change))
            .ok_or_else(|| {
                Wrong::new(format!(
                    "{shown}, line {number} is damaged: copy the file again from where it was written"
                ))
            })?;
        if changes.len() == MOST_CHANGES {
            return Err(Wrong::new(format!("{shown} holds too many changes")));
        }
        changes.push(bytes);
    }
    let (visit, received) = Visit::restore(&heading.about, reader(), changes)
        .map_err(|e| Wrong::new(format!("{shown}: {e}")))?;
    Ok((visit, received.refused.len()))
}

/// A visit opened only to be read writes nothing, so any name will do for its writer.
pub(super) fn reader() -> Writer {
    Writer {
        device: gravelbar_visit::DeviceTag([0; 8]),
        session: Session([0; 8]),
    }
}

/// The visit's own name, for messages.
pub(super) fn named(visit: &str) -> Result<DocumentId, Wrong> {
    visit.trim().parse().map_err(|_| {
        let shown: String = visit.chars().take(40).collect();
        Wrong::new(format!(
            "“{shown}” is neither a visit file nor the name of a visit: “gravelbar visits” lists them"
        ))
    })
}

fn next_line(lines: &mut impl BufRead, file: &Path) -> Result<Option<String>, Wrong> {
    let mut text = String::new();
    let read = lines
        .take(LINE_BYTES)
        .read_line(&mut text)
        .map_err(|e| Wrong::new(format!("{} can't be read: {e}", file.display())))?;
    if u64::try_from(read).unwrap_or(LINE_BYTES) == LINE_BYTES {
        return Err(Wrong::new(format!(
            "{} holds a line longer than any visit file has",
            file.display()
        )));
    }
    Ok((read > 0).then_some(text))
}

fn bytes_of(digits: &str) -> Option<Vec<u8>> {
    if !digits.len().is_multiple_of(2) {
        return None;
    }
    digits
        .as_bytes()
        .chunks(2)
        .map(|two| {
            let high = char::from(two[0]).to_digit(16)?;
            let low = char::from(two[1]).to_digit(16)?;
            u8::try_from(high * 16 + low).ok()
        })
        .collect()
}
