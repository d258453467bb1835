//! `gravelbar summary`: the field summary of one visit, on one page of PDF.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use gravelbar_sheet::{Paper, Sheet, Standing, species_under_permit};

use super::{Wrong, say};

#[derive(Args)]
pub(super) struct SummaryPage {
    /// A visit file, or the name of a visit in the data folder.
    visit: String,
    /// The PDF file; it must not exist yet.
    file: PathBuf,
    /// For the landowner: no people, no permit, no place of a species under permit but the site's code.
    #[arg(long)]
    landowner: bool,
    /// On letter paper instead of A4.
    #[arg(long)]
    letter: bool,
    /// Crossed with the word TRAINING: for practice and demonstration.
    #[arg(long)]
    training: bool,
    /// Data folder; the user's own one where left out.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

pub(super) fn run(asked: &SummaryPage) -> Result<(), Wrong> {
    let view = super::reduce::visit(&asked.visit, asked.folder.as_ref())?.view();
    let summary = gravelbar_reduce::summarize(&view);
    let standing = if asked.training {
        Standing::Training
    } else {
        Standing::Real
    };
    let sheet = if asked.landowner {
        Sheet::landowner(&summary, standing, &species_under_permit(&view.plan))
    } else {
        Sheet::field(&view, &summary, standing)
    };
    let paper = if asked.letter {
        Paper::Letter
    } else {
        Paper::A4
    };
    let printed = (sheet.print(paper)).map_err(|e| Wrong::new(e.to_string()))?;
    write(&asked.file, printed.pdf())?;
    say(&format!(
        "{} written to {}",
        sheet.title(),
        asked.file.display()
    ));
    Ok(())
}

/// Writes a new file, and no other.
fn write(file: &Path, bytes: &[u8]) -> Result<(), Wrong> {
    let failed =
        |e: std::io::Error| Wrong::new(format!("{} can't be written: {e}", file.display()));
    let mut created = File::create_new(file).map_err(|e| match e.kind() {
        std::io::ErrorKind::AlreadyExists => Wrong::new(format!(
            "{} exists already: name a new file, nothing is overwritten",
            file.display()
        )),
        _ => failed(e),
    })?;
    created.write_all(bytes).map_err(failed)?;
    created.sync_all().map_err(failed)
}
