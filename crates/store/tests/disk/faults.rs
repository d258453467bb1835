//! When a system call fails, nothing is called saved that is not, and the words say what happened.

use crate::scribe::{acknowledged, calls, check, place, said, traced};

const CHANGES: u32 = 4;

/// The sentences a crew may be shown, by the beginnings that matter.
const CLEAR: [&str; 7] = [
    "not saved: the disk is full.",
    "not saved: the disk failed while saving",
    "not saved: an earlier save failed",
    "not saved: this data folder can only be read.",
    "the disk is full; free some space",
    "the data folder could not be opened",
    "this data folder cannot be written to",
];

/// What the sweep of one session showed.
#[derive(Default)]
struct Sweep {
    faults: Vec<String>,
    refusals: Vec<String>,
}

/// Lets the k-th call of each kind fail with `errno`, for every k (or from the k-th on, for every third), in a
/// session that opens a new folder and saves a few changes.
fn failing(mode: &str, errno: &str, kinds: &[&str], for_good: bool) -> Sweep {
    let place = place();
    let mut sweep = Sweep::default();
    for (call, times) in calls(kinds, &place.path().join("undisturbed"), CHANGES) {
        assert!(
            times > 0,
            "an undisturbed session makes no {call}: the sweep would test nothing"
        );
        for k in (1..=times).step_by(if for_good { 3 } else { 1 }) {
            let folder = place.path().join(format!("{call}-{k}"));
            let when = format!(
                "inject={call}:error={errno}:when={k}{}",
                if for_good { "+" } else { "" }
            );
            let options = ["-e", &format!("trace={call}"), "-e", &when];
            let output = traced(
                &options,
                &place.path().join("trace"),
                mode,
                &folder,
                CHANGES,
            );
            let said = said(&output);
            if let Err(fault) = check(&folder, &acknowledged(&said)) {
                sweep
                    .faults
                    .push(format!("{errno} at {call} {k}: {fault}; it said {said:?}"));
            }
            if said.contains("not halted") {
                sweep.faults.push(format!(
                    "{errno} at {call} {k}: took a save after a failed one, before reopening"
                ));
            }
            for line in said.lines() {
                if let Some((act, why)) = line.split_once(": ")
                    && !act.starts_with("saved")
                {
                    if !CLEAR.iter().any(|clear| why.starts_with(clear)) {
                        sweep
                            .faults
                            .push(format!("{errno} at {call} {k}: unclear words {line:?}"));
                    }
                    sweep.refusals.push(why.to_owned());
                }
            }
            std::fs::remove_dir_all(&folder).unwrap_or_default();
        }
    }
    sweep
}

#[test]
fn a_full_disk_at_any_write_is_said_and_nothing_called_saved_is_lost() {
    let sweep = failing("faithful", "ENOSPC", &["pwrite64"], false);
    assert_eq!(sweep.faults, [""; 0]);
    assert!(
        sweep
            .refusals
            .iter()
            .filter(|why| why.contains("the disk is full"))
            .count()
            > 10
    );
    assert!(
        !sweep
            .refusals
            .iter()
            .any(|why| why.contains("failed while saving")),
        "{:?}",
        sweep.refusals
    );
}

#[test]
fn an_input_output_error_at_any_write_or_sync_halts_until_reopened_and_nothing_called_saved_is_lost()
 {
    let sweep = failing(
        "faithful",
        "EIO",
        &["pwrite64", "fsync", "ftruncate"],
        false,
    );
    assert_eq!(sweep.faults, [""; 0]);
    assert!(
        sweep
            .refusals
            .iter()
            .filter(|why| why.contains("the disk failed while saving"))
            .count()
            > 10
    );
}

#[test]
fn a_disk_that_turns_read_only_at_any_write_is_said_and_nothing_called_saved_is_lost() {
    let sweep = failing("faithful", "EROFS", &["pwrite64", "fsync"], false);
    assert_eq!(sweep.faults, [""; 0]);
    assert!(!sweep.refusals.is_empty());
}

#[test]
fn a_disk_that_fails_for_good_gets_no_false_word_afterwards() {
    for (errno, kinds) in [("ENOSPC", ["pwrite64"]), ("EIO", ["fsync"])] {
        let sweep = failing("faithful", errno, &kinds, true);
        assert_eq!(sweep.faults, [""; 0]);
        assert!(!sweep.refusals.is_empty());
    }
}

#[test]
fn the_sweep_notices_a_device_that_swallows_a_failed_save() {
    let sweep = failing("swallows", "ENOSPC", &["pwrite64"], true);
    assert!(
        sweep
            .faults
            .iter()
            .any(|fault| fault.contains("called saved and is not there")),
        "{:?}",
        sweep.faults
    );
}

/// After a failed sync the system may hold bytes that are not on disk and that a second sync leaves alone
/// (Rebello et al., "Can Applications Recover from fsync Failures?", USENIX ATC 2020). So a change may be called saved
/// only after its bytes were written once more and synced: here, into the record file.
#[test]
fn after_a_failed_sync_the_bytes_are_written_again_before_they_are_called_saved() {
    let place = place();
    let trace = place.path().join("trace");
    let calls = "trace=pwrite64,fsync,write";
    traced(
        &["-e", calls],
        &trace,
        "faithful",
        &place.path().join("undisturbed"),
        2,
    );
    let text = std::fs::read_to_string(&trace).unwrap();
    let before = text.lines().take_while(|line| !line.contains("\"saved 2"));
    let last_sync = before.filter(|line| line.contains(" fsync(")).count();

    let options = [
        "-e",
        calls,
        "-e",
        &format!("inject=fsync:error=EIO:when={last_sync}"),
    ];
    let output = traced(
        &options,
        &trace,
        "faithful",
        &place.path().join("failing"),
        2,
    );
    assert!(
        said(&output).contains("refused 2: not saved: the disk failed while saving"),
        "{output:?}"
    );
    assert_eq!(acknowledged(&said(&output)), [1, 2]);
    let text = std::fs::read_to_string(&trace).unwrap();
    let between: Vec<&str> = text
        .lines()
        .skip_while(|line| !line.contains("INJECTED"))
        .take_while(|line| !line.contains("\"saved 2"))
        .collect();
    let written = between
        .iter()
        .rposition(|line| line.contains(" pwrite64(") && line.contains("record-1.db>"));
    let synced = between
        .iter()
        .rposition(|line| line.contains(" fsync(") && line.contains("record-1.db>"));
    assert!(written.is_some() && written < synced, "{between:#?}");
}
