//! The estimates held to brute force: a script of its own, in another language, with general-purpose numerical libraries.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The Python that `tests/run` sets up beside this build, or else the system's.
fn python() -> PathBuf {
    let beside = Path::new(env!("CARGO_TARGET_TMPDIR")).join("../python/bin/python3");
    if beside.exists() {
        beside
    } else {
        PathBuf::from("python3")
    }
}

#[test]
fn the_estimates_agree_with_brute_force_over_random_catches() {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR"));
    let checked = Command::new(python())
        .arg(tests.join("estimates.py"))
        .env("CARGO", env!("CARGO"))
        .output()
        .expect("Python starts; `bash tests/run --set-up-only` brings what is missing");
    let told = String::from_utf8_lossy(&checked.stdout);
    let wrong = String::from_utf8_lossy(&checked.stderr);
    assert!(checked.status.success(), "{told}{wrong}");
    println!("{told}");
}
