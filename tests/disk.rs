//! A device whose disk fails under it: nothing is called saved that isn't, people are told why,
//! and work goes on when the disk does.

use std::fs;
use std::io::Write;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use gravelbar_tests::crew::{plan, tally};
use gravelbar_tests::program::{Answer, Program};
use gravelbar_visit::{Fact, Stop};
use serde_json::{Value, json};

/// A disk that is well again must be noticed within this time.
const NOTICED_WITHIN: Duration = Duration::from_secs(30);

struct Bank {
    program: Program,
    visit: String,
    taps: u32,
    /// Fish whose taps were answered as saved.
    saved: u64,
}

impl Bank {
    fn open(program: Program) -> Self {
        let started = program.post("/start", &json!({ "plan_text": plan("QB-03").about() }));
        let started: Value = serde_json::from_str(&started.unwrap().body).unwrap();
        let visit = started["next"].as_str().unwrap();
        let visit = visit.split('/').nth(2).unwrap().to_owned();
        Self {
            program,
            visit,
            taps: 0,
            saved: 0,
        }
    }

    fn act(&self, tap_id: &str, fact: &Fact) -> Answer {
        let act = json!({ "tap_id": tap_id, "by": "Dov Kestrelow", "facts": [fact] });
        let path = format!("/v/{}/act", self.visit);
        self.program.post(&path, &act).unwrap()
    }

    /// Counts a fish; the answer's words if it wasn't saved.
    fn tap(&mut self) -> Result<(), String> {
        self.taps += 1;
        let answer = self.act(&format!("fish-tap-{}", self.taps), &tally("brook trout", 1));
        if answer.status == 200 {
            self.saved += 1;
            Ok(())
        } else {
            let said: Value = serde_json::from_str(&answer.body).unwrap();
            Err(said["words"].as_str().unwrap().to_owned())
        }
    }

    fn tallied(&self) -> u64 {
        let path = format!("/v/{}/summary.json", self.visit);
        let answer = self.program.get(&path).unwrap();
        let summary: Value = serde_json::from_str(&answer.body).unwrap();
        summary["tallied"].as_u64().unwrap()
    }

    fn until_it_saves_again(&mut self) {
        let begun = Instant::now();
        while let Err(words) = self.tap() {
            assert!(
                begun.elapsed() < NOTICED_WITHIN,
                "still not saving: {words}"
            );
            std::thread::sleep(Duration::from_millis(300));
        }
    }
}

/// Makes calls of a running process fail until it is ended itself.
struct Interference(Child);

impl Interference {
    fn with(program: &Program, injection: &str) -> Self {
        let process = program.process().unwrap().to_string();
        let mut strace = Command::new("strace")
            .args(["-f", "-o", "/dev/null", "-e", injection, "-p", &process])
            .stderr(Stdio::piped())
            .spawn()
            .expect("these tests drive strace: install it");
        // It says so once it is attached to every thread.
        let mut said = std::io::BufReader::new(strace.stderr.take().unwrap());
        let mut line = String::new();
        std::io::BufRead::read_line(&mut said, &mut line).unwrap();
        assert!(line.contains("attached"), "{line}");
        std::thread::spawn(move || std::io::copy(&mut said, &mut std::io::sink()));
        Self(strace)
    }

    fn end(mut self) {
        let process = self.0.id().to_string();
        Command::new("kill").arg(process).status().unwrap();
        self.0.wait().unwrap();
    }
}

#[test]
fn a_tap_whose_sync_fails_is_not_called_saved_and_work_goes_on_when_the_disk_does() {
    let folder = tempfile::tempdir().unwrap();
    let mut program = Program::new(folder.path().join("bank"), "bank");
    program.start();
    let mut bank = Bank::open(program);
    for _ in 0..5 {
        bank.tap().unwrap();
    }
    let failing = Interference::with(&bank.program, "inject=fsync,fdatasync:error=EIO");
    for _ in 0..3 {
        let words = bank.tap().unwrap_err();
        assert!(words.contains("not saved"), "{words}");
        assert!(words.contains("paper") || words.contains("disk"), "{words}");
    }
    failing.end();
    bank.until_it_saves_again();
    bank.program.kill();
    bank.program.start();
    // What was refused may have reached the disk all the same, once each; what was answered did.
    let tallied = bank.tallied();
    assert!(tallied >= bank.saved, "{tallied} of {}", bank.saved);
    for tap in 1..=bank.taps {
        let answer = bank.act(&format!("fish-tap-{tap}"), &tally("brook trout", 1));
        assert_eq!(answer.status, 200, "{}", answer.body);
    }
    assert_eq!(bank.tallied(), u64::from(bank.taps));
}

#[test]
fn a_read_only_disk_is_said_so_before_anything_is_called_saved() {
    let folder = tempfile::tempdir().unwrap();
    let mut program = Program::new(folder.path().join("bank"), "bank");
    program.start();
    let mut bank = Bank::open(program);
    bank.tap().unwrap();
    let failing = Interference::with(&bank.program, "inject=pwrite64:error=EROFS");
    for _ in 0..3 {
        let words = bank.tap().unwrap_err();
        assert!(words.contains("not saved"), "{words}");
    }
    failing.end();
    bank.until_it_saves_again();
    assert!(bank.tallied() >= bank.saved);
}

#[test]
fn on_a_full_disk_taps_are_refused_and_a_stop_is_still_saved() {
    let folder = tempfile::tempdir().unwrap();
    let disk = folder.path().join("disk");
    fs::create_dir(&disk).unwrap();
    let mut program = Program::new(disk.join("bank"), "bank");
    let mount = format!(
        "mount -t tmpfs -o size=24m tmpfs {}; exec \"$@\"",
        disk.display()
    );
    program.start_by(&["unshare", "--mount", "sh", "-c", &mount, "sh"]);
    let mut bank = Bank::open(program);
    bank.tap().unwrap();

    // The disk is visible through the process that has it.
    let process = bank.program.process().unwrap();
    let inside = PathBuf::from(format!("/proc/{process}/root{}", disk.display()));
    let filler = inside.join("photos");
    let mut file = fs::File::create(&filler).unwrap();
    while file.write_all(&[7; 4096]).is_ok() {}
    let refused = (0..2_000).find_map(|_| bank.tap().err());
    let words = refused.expect("a full disk takes no tap for ever");
    assert!(words.contains("disk is full"), "{words}");

    let stop = bank.act("stop-work-1", &Stop {}.into());
    assert_eq!(stop.status, 200, "{}", stop.body);

    drop(file);
    fs::remove_file(filler).unwrap();
    bank.until_it_saves_again();
    assert!(bank.tallied() >= bank.saved);
    let path = format!("/v/{}/summary.json", bank.visit);
    let summary = bank.program.get(&path).unwrap().body;
    assert!(summary.contains(r#""state":"stopped""#), "{summary}");
}
