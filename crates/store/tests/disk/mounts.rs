//! A really full disk, a really read-only one: small file systems in memory, in a mount namespace of the test's own.

use std::path::Path;
use std::process::Command;

use crate::scribe::program;

/// Runs a shell script with `$D` a fresh folder to mount on and `$S` the scribe, where mounting is allowed
/// and ends with the script.
fn in_own_mounts(script: &str) -> String {
    let place = tempfile::tempdir().unwrap();
    let output = Command::new("unshare")
        .args(["--user", "--map-root-user", "--mount", "sh", "-ec", script])
        .env("D", place.path())
        .env("S", program())
        .output()
        .unwrap_or_else(|error| {
            panic!("this test needs the program `unshare` (util-linux): {error}")
        });
    let said = String::from_utf8(output.stdout).unwrap();
    let wrong = String::from_utf8(output.stderr).unwrap();
    assert!(
        output.status.success(),
        "the script failed (are user namespaces allowed here?): {wrong}\n{said}"
    );
    said
}

#[test]
fn on_a_full_disk_a_stop_work_is_saved_from_the_reserve_and_all_goes_on_when_there_is_room() {
    let said = in_own_mounts(
        "mount -t tmpfs -o size=3m tmpfs $D
         head -c 800k /dev/zero > $D/photo
         $S counts $D/d; $S fills $D/d; $S counts $D/d
         head -c 9m /dev/zero > $D/more || true; rm -f $D/d/reserve; head -c 9m /dev/zero >> $D/more || true
         $S faithful $D/d 1; $S counts $D/d
         rm $D/photo $D/more; $S faithful $D/d 3; $S counts $D/d",
    );
    let lines: Vec<&str> = said.lines().collect();
    assert_eq!(
        lines[0],
        "ReadWrite, 0 changes, sound true, damaged 0, [], reserve true"
    );
    let refused: Vec<&&str> = lines
        .iter()
        .filter(|line| line.starts_with("refused"))
        .collect();
    assert_eq!(refused.len(), 3, "{refused:?}");
    assert!(
        refused[0].contains("not saved: the disk is full"),
        "{refused:?}"
    );
    let full = lines
        .iter()
        .position(|line| line.starts_with("refused"))
        .unwrap();
    let filled = lines[full - 1]
        .strip_prefix("saved ")
        .unwrap()
        .parse::<u64>()
        .unwrap();
    assert!(filled > 10, "only {filled} changes fitted");
    // The one refused is the next, and it is saved from the reserve.
    assert_eq!(lines[full + 2], format!("saved {}", filled + 1));
    assert!(
        lines[full + 4].starts_with(&format!(
            "ReadWrite, {} changes, sound true, damaged 0, []",
            filled + 1
        )),
        "{said}"
    );
    // With no byte left at all it still opens, reads, and says why it takes nothing.
    assert_eq!(lines[full + 5], "open ReadWrite");
    assert!(
        lines[full + 6].starts_with(&format!(
            "refused {}: not saved: the disk is full",
            filled + 2
        )),
        "{said}"
    );
    assert!(
        lines[full + 8].starts_with(&format!("ReadWrite, {} changes, sound true", filled + 1)),
        "{said}"
    );
    assert!(said.contains(&format!("saved {}\n", filled + 4)), "{said}");
    assert_eq!(
        lines[lines.len() - 1],
        format!(
            "ReadWrite, {} changes, sound true, damaged 0, [], reserve true",
            filled + 4
        )
    );
}

#[test]
fn a_folder_on_a_disk_mounted_read_only_is_read_in_full_and_takes_nothing() {
    // After 6 changes the journal has just been brought into the file, after 8 two saves lie in it alone.
    for changes in [6, 8] {
        let said = in_own_mounts(&format!(
            "mount -t tmpfs -o size=30m tmpfs $D
             $S faithful $D/'a tablet?#%' {changes} > /dev/null; mount -o remount,ro $D
             $S faithful $D/'a tablet?#%' 1; $S counts $D/'a tablet?#%'; $S faithful $D/new 1",
        ));
        assert!(said.starts_with("open ReadOnly\n"), "{said}");
        assert!(said.contains(&format!(
            "refused {}: not saved: this data folder can only be read",
            changes + 1
        )));
        assert!(!said.contains("saved "), "{said}");
        assert!(
            said.contains("closed: this data folder cannot be written to"),
            "{said}"
        );
        assert!(
            said.contains(&format!(
                "ReadOnly, {changes} changes, sound true, damaged 0, []"
            )),
            "{said}"
        );
    }
}

#[test]
fn a_second_process_on_the_same_folder_is_turned_away() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablet");
    let mut holder = Command::new(program())
        .args([Path::new("holds"), &folder, Path::new("0")])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut word = [0; 5];
    std::io::Read::read_exact(holder.stdout.as_mut().unwrap(), &mut word).unwrap();
    assert_eq!(&word, b"open\n");
    let second = gravelbar_store::Store::open(&folder, None);
    holder.kill().unwrap();
    holder.wait().unwrap();
    assert!(
        matches!(second, Err(gravelbar_store::OpenError::InUse)),
        "{second:?}"
    );
    assert!(
        gravelbar_store::Store::open(&folder, None).is_ok(),
        "the lock outlives its holder"
    );
}
