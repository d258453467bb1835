//! `gravelbar reduce`: totals and estimates of one visit, without screens; and the list of visits.

use std::path::{Path, PathBuf};

use clap::Args;
use gravelbar_store::Store;
use gravelbar_visit::{DocumentId, Visit};

use super::visit_file::{named, read, reader};
use super::{Folder, Wrong, data_folder, say};

#[derive(Args)]
pub(super) struct Reduce {
    /// A visit file, or the name of a visit in the data folder.
    visit: String,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
    /// Data folder; the user's own one where left out.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

/// The visit of a file or, where there is no such file, of the data folder.
pub(super) fn visit(asked: &str, folder: Option<&PathBuf>) -> Result<Visit, Wrong> {
    let file = Path::new(asked);
    if !file.is_file() {
        let name = named(asked)?;
        return stored(&data_folder(folder)?, &name.to_string());
    }
    read(file)
}

pub(super) fn run(reduce: &Reduce) -> Result<(), Wrong> {
    let visit = visit(&reduce.visit, reduce.folder.as_ref())?;
    let summary = gravelbar_reduce::summarize(&visit.view());
    if reduce.json {
        let text = serde_json::to_string(&summary)
            .map_err(|e| Wrong::new(format!("the summary can't be written: {e}")))?;
        say(&text);
    } else {
        say(&summary.to_text());
    }
    Ok(())
}

pub(super) fn list(folder: &Folder) -> Result<(), Wrong> {
    let home = data_folder(folder.folder.as_ref())?;
    let store = open(&home)?;
    let documents = store.documents().map_err(|e| Wrong::new(e.to_string()))?;
    if documents.is_empty() {
        say("no visits yet: start one with “gravelbar”");
    }
    for document in documents {
        let name = DocumentId(document.id);
        match gravelbar_visit::Plan::from_about(&document.about) {
            Ok(plan) => say(&format!(
                "{name}  {}  {}  {}",
                plan.date, plan.site, plan.place
            )),
            Err(error) => say(&format!("{name}  {error}")),
        }
    }
    Ok(())
}

pub(super) fn open(home: &Path) -> Result<Store, Wrong> {
    let folder = home.join("device");
    Store::open(&folder, None).map_err(|e| Wrong::new(format!("{}: {e}", folder.display())))
}

/// A visit of the data folder, opened to be read.
pub(super) fn stored(home: &Path, visit: &str) -> Result<Visit, Wrong> {
    let id = named(visit)?;
    let store = open(home)?;
    let documents = store.documents().map_err(|e| Wrong::new(e.to_string()))?;
    let document = documents
        .into_iter()
        .find(|d| d.id == id.0)
        .ok_or_else(|| {
            Wrong::new(format!(
                "visit {id} isn't in this data folder: “gravelbar visits” lists those that are"
            ))
        })?;
    let log = store.log(id.0).map_err(|e| Wrong::new(e.to_string()))?;
    if !log.damaged.is_empty() {
        return Err(Wrong::new(format!(
            "{} changes of this visit are damaged on this disk: open the program and meet a device that has them",
            log.damaged.len()
        )));
    }
    let (visit, _) = Visit::restore(&document.about, reader(), log.changes)
        .map_err(|e| Wrong::new(e.to_string()))?;
    Ok(visit)
}
