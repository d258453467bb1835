//! Runs the scribe (`examples/scribe.rs`) as a process of its own, and checks what it left on disk against what it said.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use gravelbar_store::{Batch, Change, Store};

/// The document the scribe writes to.
pub(crate) const DOCUMENT: [u8; 16] = [7; 16];

/// The bytes the scribe saves as its change of this number.
pub(crate) fn bytes(number: u64) -> Vec<u8> {
    format!("change {number} ").repeat(12).into_bytes()
}

/// The scribe's program, which `cargo test` builds with the tests.
pub(crate) fn program() -> PathBuf {
    let here = std::env::current_exe().unwrap();
    let program = here
        .parent()
        .unwrap()
        .parent()
        .unwrap()
        .join("examples/scribe");
    assert!(
        program.exists(),
        "the example `scribe` is not built: run `cargo build -p gravelbar-store --examples`, or all tests of the crate"
    );
    program
}

/// A place for data folders, in memory where there is one: killing and failing system calls does not take a real
/// disk, and thousands of real syncs would take minutes.
pub(crate) fn place() -> tempfile::TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .unwrap()
}

/// Runs the scribe to its end.
pub(crate) fn run(mode: &str, folder: &Path, count: u32) -> Output {
    Command::new(program())
        .arg(mode)
        .arg(folder)
        .arg(count.to_string())
        .output()
        .unwrap()
}

/// Runs the scribe under `strace` with these options; `trace` gets what strace has to say.
pub(crate) fn traced(
    options: &[&str],
    trace: &Path,
    mode: &str,
    folder: &Path,
    count: u32,
) -> Output {
    let ran = Command::new("strace")
        .args(["-f", "-y", "-o"])
        .arg(trace)
        .args(options)
        .arg(program())
        .arg(mode)
        .arg(folder)
        .arg(count.to_string())
        .stdin(Stdio::null())
        .output();
    match ran {
        Ok(output) => output,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            panic!("this test needs the program `strace`; install it (Debian: apt install strace)")
        }
        Err(error) => panic!("strace could not be run: {error}"),
    }
}

/// How often an undisturbed session of `count` changes makes each of these system calls.
pub(crate) fn calls(names: &[&str], folder: &Path, count: u32) -> BTreeMap<String, u32> {
    let trace = folder.with_extension("trace");
    let output = traced(
        &["-e", &format!("trace={}", names.join(","))],
        &trace,
        "faithful",
        folder,
        count,
    );
    assert!(said(&output).contains("done"), "{output:?}");
    let text = std::fs::read_to_string(&trace).unwrap();
    names
        .iter()
        .map(|name| {
            let call = format!("{name}(");
            let times = text
                .lines()
                .filter(|line| line.split(' ').any(|word| word.starts_with(&call)));
            ((*name).to_owned(), u32::try_from(times.count()).unwrap())
        })
        .collect()
}

/// What the scribe printed.
pub(crate) fn said(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// The numbers the scribe called saved.
pub(crate) fn acknowledged(said: &str) -> Vec<u64> {
    // A line cut off by the kill counts for nothing: nobody has read it.
    let whole = said.rfind('\n').map_or("", |end| &said[..end]);
    whole
        .lines()
        .filter_map(|line| line.strip_prefix("saved ")?.parse().ok())
        .collect()
}

/// Holds a data folder against what a scribe said about it: everything acknowledged is there, byte for byte,
/// nothing is there that was never written, and the folder takes more.
///
/// # Errors
///
/// What does not fit.
pub(crate) fn check(folder: &Path, acknowledged: &[u64]) -> Result<(), String> {
    let mut store = Store::open(folder, None).map_err(|error| format!("does not open: {error}"))?;
    if !store.opened().damaged.is_empty() {
        return Err(format!("reports damage: {:?}", store.opened().damaged));
    }
    let log = store.log(DOCUMENT).map_err(|error| error.to_string())?;
    if !log.damaged.is_empty() {
        return Err(format!("reports damaged changes: {:?}", log.damaged));
    }
    for number in acknowledged {
        if !log.changes.contains(&bytes(*number)) {
            return Err(format!("change {number} was called saved and is not there"));
        }
        let answer = store
            .answer(&format!("tap {number}"))
            .map_err(|error| error.to_string())?;
        if answer != Some(format!("answer {number}")) {
            return Err(format!("the answer to tap {number} is {answer:?}"));
        }
    }
    // The signature is of the same commit as the change it covers: never one without the other.
    let runs = store.runs(DOCUMENT).map_err(|error| error.to_string())?;
    let signed = (runs.heads.first()).and_then(|head| head.bytes.as_slice().try_into().ok());
    let signed = signed.map_or(0, u64::from_be_bytes);
    let number = |change: &Vec<u8>| {
        let text = std::str::from_utf8(change).ok()?;
        text.split(' ').nth(1)?.parse::<u64>().ok()
    };
    let newest = log.changes.iter().filter_map(number).max().unwrap_or(0);
    if signed != newest || runs.damaged > 0 {
        return Err(format!(
            "{newest} changes are there and {signed} are signed"
        ));
    }
    for change in &log.changes {
        if !(1..=20_000).any(|number| bytes(number) == *change) {
            return Err("holds a change nobody wrote".into());
        }
    }
    let more = Change {
        document: DOCUMENT,
        writer: [2; 16],
        number: 1 + log.changes.len() as u64,
        bytes: bytes(1),
        heard_from: None,
        at_ms: 0,
    };
    store
        .commit(&Batch {
            changes: vec![more],
            ..Batch::default()
        })
        .map_err(|error| format!("takes no more: {error}"))
}
