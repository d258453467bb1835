//! A visit out of a carry file, only to be read; and visits' names on the command line.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use gravelbar_exchange::{CarryFile, Form, MAX_FILE_BYTES, OfficeSecret, form_of, unseal};
use gravelbar_visit::{DocumentId, Plan, Session, Visit, Writer};

use super::Wrong;

/// A carry file's bytes, opened if it is sealed; never more than a file may have.
pub(super) fn bytes_of(file: &Path, key: Option<&OfficeSecret>) -> Result<Vec<u8>, Wrong> {
    let shown = file.display();
    let unreadable = |e: std::io::Error| Wrong::new(format!("{shown} can't be read: {e}"));
    let opened = File::open(file).map_err(unreadable)?;
    let mut bytes = Vec::new();
    let most = MAX_FILE_BYTES as u64 + 1;
    opened
        .take(most)
        .read_to_end(&mut bytes)
        .map_err(unreadable)?;
    let wrong = |e: &dyn std::fmt::Display| Wrong::new(format!("{shown}: {e}"));
    match (form_of(&bytes).map_err(|e| wrong(&e))?, key) {
        (Form::Open, _) => Ok(bytes),
        (Form::Sealed, Some(key)) => unseal(&bytes, key).map_err(|e| wrong(&e)),
        (Form::Sealed, None) => Err(Wrong::new(format!(
            "{shown} is sealed to an office's key: give the office's secret key file with --key"
        ))),
    }
}

/// The one visit of a carry file, every record of it proved.
pub(super) fn read(file: &Path) -> Result<Visit, Wrong> {
    let wrong = |e: &dyn std::fmt::Display| Wrong::new(format!("{}: {e}", file.display()));
    let bytes = bytes_of(file, None)?;
    let carried = CarryFile::read(&bytes).map_err(|e| wrong(&e))?;
    let mut visits = (carried.documents.iter()).filter(|d| Plan::from_about(d.about).is_ok());
    let (Some(visit), None) = (visits.next(), visits.next()) else {
        return Err(Wrong::new(format!(
            "{} doesn't hold exactly one visit: read it into a data folder with “gravelbar carry in”",
            file.display()
        )));
    };
    visit.verify().map_err(|e| wrong(&e))?;
    let changes = visit.parcels.iter().flat_map(|parcel| parcel.to_changes());
    let (visit, _) = Visit::restore(visit.about, reader(), changes).map_err(|e| wrong(&e))?;
    Ok(visit)
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
