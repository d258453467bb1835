//! Killed at any moment, a device still holds everything it called saved.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::scribe::{acknowledged, calls, check, place, program, run, said, traced};

const CHANGES: u32 = 4;
const CALLS: [&str; 7] = [
    "pwrite64",
    "fsync",
    "ftruncate",
    "rename",
    "unlink",
    "openat",
    "write",
];

/// Kills a scribe at its k-th call of each kind, for every k, and returns what does not fit afterwards.
fn killed_at_every_call(mode: &str, kinds: &[&str]) -> Vec<String> {
    let place = place();
    let mut faults = Vec::new();
    let mut killed = 0;
    for (call, times) in calls(kinds, &place.path().join("undisturbed"), CHANGES) {
        assert!(
            times > 0,
            "an undisturbed session makes no {call}: the sweep would test nothing"
        );
        for k in 1..=times {
            let folder = place.path().join(format!("{call}-{k}"));
            let options = [
                "-e",
                &format!("trace={call}"),
                "-e",
                &format!("inject={call}:signal=KILL:when={k}"),
            ];
            let output = traced(
                &options,
                &place.path().join("trace"),
                mode,
                &folder,
                CHANGES,
            );
            killed += u32::from(!said(&output).contains("done"));
            if let Err(fault) = check(&folder, &acknowledged(&said(&output))) {
                faults.push(format!("killed at {call} {k}: {fault}"));
            }
            std::fs::remove_dir_all(&folder).unwrap_or_default();
        }
    }
    assert!(
        killed > 10,
        "only {killed} sessions were cut short: the sweep tests nothing"
    );
    faults
}

#[test]
fn killed_at_every_system_call_nothing_called_saved_is_lost() {
    assert_eq!(killed_at_every_call("faithful", &CALLS), [""; 0]);
}

#[test]
fn the_sweep_notices_a_device_that_says_saved_too_early() {
    let faults = killed_at_every_call("acks-first", &["fsync"]);
    assert!(
        faults
            .iter()
            .any(|fault| fault.contains("called saved and is not there")),
        "{faults:?}"
    );
}

#[test]
fn killed_at_random_moments_again_and_again_nothing_called_saved_is_lost() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    let mut saved = Vec::new();
    let mut state: u64 = 20_270_714; // seed of a linear congruential sequence (Knuth's MMIX constants)
    for _ in 0..12 {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let mut child = Command::new(program())
            .args(["faithful".as_ref(), folder.as_os_str(), "1000".as_ref()])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let out = child.stdout.take().unwrap();
        let reader = std::thread::spawn(move || {
            BufReader::new(out)
                .lines()
                .map_while(Result::ok)
                .fold(String::new(), |said, line| said + &line + "\n")
        });
        std::thread::sleep(Duration::from_millis(20 + (state >> 33) % 150));
        child.kill().unwrap();
        child.wait().unwrap();
        saved.extend(acknowledged(&reader.join().unwrap()));
    }
    assert!(
        saved.len() > 20,
        "only {} changes were saved between the kills",
        saved.len()
    );
    assert_eq!(check(&folder, &saved), Ok(()));
}

/// The acknowledgements in a trace before which nothing was written to the journal, or something not synced.
fn given_too_early(trace: &Path) -> Vec<String> {
    #[derive(PartialEq)]
    enum Journal {
        Untouched,
        Written,
        Synced,
    }
    let text = std::fs::read_to_string(trace).unwrap();
    let (mut journal, mut early) = (Journal::Untouched, Vec::new());
    for line in text.lines() {
        if line.contains(" pwrite64(") && line.contains("-wal>") {
            journal = Journal::Written;
        } else if line.contains("sync(") && line.contains("-wal>") && journal == Journal::Written {
            journal = Journal::Synced;
        } else if line.contains("\"open ") {
            journal = Journal::Untouched;
        } else if line.contains("\"saved ") {
            if journal != Journal::Synced {
                early.push(line.to_owned());
            }
            journal = Journal::Untouched;
        }
    }
    early
}

/// A kill cannot show a missing sync, as the system still writes what a dead process left in its memory.
/// Only a power cut would. So the order of the calls is looked at instead: no word before the sync.
#[test]
fn every_saved_is_said_after_the_journal_is_synced() {
    let place = place();
    let trace = place.path().join("trace");
    // The sync of one change also covers a word given too early for the next: only the first stands out.
    for (mode, wrong) in [("faithful", 0), ("acks-first", 1), ("unsynced", 20)] {
        let options = ["-e", "trace=pwrite64,fsync,fdatasync,write"];
        let output = traced(&options, &trace, mode, &place.path().join(mode), 20);
        assert_eq!(acknowledged(&said(&output)).len(), 20);
        assert_eq!(
            given_too_early(&trace).len(),
            wrong,
            "{mode}: {:?}",
            given_too_early(&trace)
        );
    }
}

#[test]
fn an_undisturbed_session_satisfies_the_checker() {
    let place = place();
    let folder = place.path().join("tablet");
    let output = run("faithful", &folder, 7);
    assert_eq!(acknowledged(&said(&output)), [1, 2, 3, 4, 5, 6, 7]);
    assert_eq!(check(&folder, &[1, 2, 3, 4, 5, 6, 7]), Ok(()));
    assert!(
        check(&folder, &[8]).is_err(),
        "the checker misses a change that was never saved"
    );
}

#[test]
fn killed_while_a_damaged_record_file_is_rescued_nothing_readable_is_lost() {
    let place = place();
    let original = place.path().join("original");
    run("faithful", &original, 9);
    let file = original.join("record-1.db");
    let mut content = std::fs::read(&file).unwrap();
    content[3] ^= 1; // in the words by which SQLite knows its files
    std::fs::write(&file, &content).unwrap();
    let fresh = |folder: &Path| {
        std::fs::create_dir(folder).unwrap();
        for name in ["record-1.db", "reserve", "keys", "keys-copy"] {
            std::fs::copy(original.join(name), folder.join(name)).unwrap();
        }
    };
    let trace = place.path().join("trace");
    let whole = place.path().join("whole");
    fresh(&whole);
    let kinds = [
        "pwrite64",
        "write",
        "fsync",
        "unlink",
        "rename",
        "copy_file_range",
    ];
    let output = traced(
        &["-e", &format!("trace={}", kinds.join(","))],
        &trace,
        "counts",
        &whole,
        1,
    );
    assert!(
        said(&output).contains("9 changes, sound true"),
        "{output:?}"
    );
    let text = std::fs::read_to_string(&trace).unwrap();
    let mut killed = 0;
    for call in kinds {
        let times = text
            .lines()
            .filter(|line| line.contains(&format!(" {call}(")))
            .count();
        for k in (1..=times).step_by(if call == "pwrite64" { 4 } else { 1 }) {
            let folder = place.path().join(format!("{call}-{k}"));
            fresh(&folder);
            let options = [
                "-e",
                &format!("trace={call}"),
                "-e",
                &format!("inject={call}:signal=KILL:when={k}"),
            ];
            killed += u32::from(said(&traced(&options, &trace, "counts", &folder, 1)).is_empty());
            let output = run("counts", &folder, 1);
            assert!(
                said(&output).contains("9 changes, sound true, damaged 0"),
                "{call} {k}: {output:?}"
            );
            assert_eq!(
                std::fs::read(folder.join("record-1.db")).unwrap(),
                content,
                "the damaged file is not kept"
            );
            assert!(!folder.join("rescue-from").exists() && !folder.join("rescue-to").exists());
            std::fs::remove_dir_all(&folder).unwrap();
        }
    }
    assert!(killed > 10, "only {killed} rescues were cut short");
}
