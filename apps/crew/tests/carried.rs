//! Visits on a memory stick: out of one data folder and into another, twice, altered, sealed, and
//! by someone who isn't on the list.

#![expect(
    clippy::unwrap_used,
    reason = "a test that can't go on fails where it stands"
)]
use std::path::Path;
use std::process::{Command, Output};

use gravelbar_crew::{Act, Clock, Node, Options, Reach, start};
use gravelbar_visit::{Device, DocumentId, Fact, PassKey, PersonName, Plan, SpeciesName, Tally};

fn open(home: &Path, name: &str) -> Node {
    let options = Options {
        folder: home.join(name).join("device"),
        witness: None,
        listen: "127.0.0.1:0".parse().unwrap(),
        reach: Reach::Interfaces,
        name: name.to_owned(),
        clock: Clock::default(),
    };
    start(options, tokio::runtime::Handle::current()).unwrap()
}

fn act(tap_id: &str, by: &str, fact: impl Into<Fact>) -> Act {
    Act {
        tap_id: tap_id.to_owned(),
        by: PersonName::new(by).unwrap(),
        at: None,
        why: None,
        facts: vec![fact.into()],
    }
}

fn trout(n: u32) -> Tally {
    Tally {
        pass: PassKey::main(1),
        species: SpeciesName::new("brook trout").unwrap(),
        n,
        bucket: None,
    }
}

fn run(home: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_gravelbar"))
        .args(arguments)
        .current_dir(home)
        .output()
        .unwrap()
}

fn said(home: &Path, arguments: &[&str]) -> String {
    let output = run(home, arguments);
    let (out, err) = (output.stdout, String::from_utf8(output.stderr).unwrap());
    assert!(output.status.success(), "{arguments:?}: {err}");
    String::from_utf8(out).unwrap()
}

fn refused(home: &Path, arguments: &[&str]) -> String {
    let output = run(home, arguments);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}");
    String::from_utf8(output.stderr).unwrap()
}

async fn tallied(node: &Node, visit: DocumentId) -> u32 {
    let picture = node.picture(visit).await;
    picture.map_or(0, |p| p.view.tallies.iter().map(|t| t.n.value).sum())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_visit_goes_by_stick_through_the_same_checks_as_by_air() {
    let folder = tempfile::tempdir().unwrap();
    let home = folder.path();
    let plan =
        r#"{"version":1,"site":"QB-03","place":"Quillet Brook","date":"2026-08-18","passes":3}"#;
    let [lead, netter] = ["lead", "netter"].map(|name| open(home, name));
    let visit = lead.start(Plan::from_about(plan).unwrap()).await.unwrap();
    netter
        .join(lead.invite(visit).await.unwrap())
        .await
        .unwrap();
    for n in 0..20 {
        lead.act(visit, act(&format!("l{n}"), "Mirelle Ashgrove", trout(1)))
            .await
            .unwrap();
        netter
            .act(visit, act(&format!("n{n}"), "Okto Brandt", trout(1)))
            .await
            .unwrap();
    }
    while tallied(&lead, visit).await < 40 {
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    lead.quit().await;
    netter.quit().await;

    let name = visit.to_string();
    said(home, &["carry", "out", &name, "stick", "--folder", "lead"]);
    let shown = said(home, &["carry", "show", "stick"]);
    assert!(shown.contains("visit QB-03 of 2026-08-18"), "{shown}");
    assert!(shown.contains("all proved"), "{shown}");
    assert_eq!(
        shown.matches("changes signed by device").count(),
        2,
        "{shown}"
    );

    // Into a folder that has nothing; once more brings nothing; the figures are the same.
    std::fs::create_dir_all(home.join("office")).unwrap();
    let first = said(home, &["carry", "in", "stick", "--folder", "office"]);
    let again = said(home, &["carry", "in", "stick", "--folder", "office"]);
    assert!(!first.contains(" 0 new here"), "{first}");
    assert!(again.contains(" 0 new here"), "{again}");
    let figures = |from: &[&str]| said(home, &[&["reduce", "--json"], from].concat());
    let of_lead = figures(&[&name, "--folder", "lead"]);
    assert_eq!(figures(&[&name, "--folder", "office"]), of_lead);
    assert_eq!(figures(&["stick"]), of_lead);

    // Altered, cut or gone: one line, and nothing is taken.
    let good = std::fs::read(home.join("stick")).unwrap();
    let mut altered = good.clone();
    altered[good.len() / 2] ^= 1;
    std::fs::write(home.join("altered"), altered).unwrap();
    std::fs::write(home.join("cut"), &good[..good.len() - 1]).unwrap();
    std::fs::create_dir_all(home.join("other")).unwrap();
    let words = refused(home, &["carry", "in", "altered", "--folder", "other"]);
    assert!(words.contains("damaged between byte"), "{words}");
    let words = refused(home, &["carry", "in", "cut", "--folder", "other"]);
    assert!(words.contains("should have"), "{words}");
    let none = said(home, &["visits", "--folder", "other"]);
    assert!(none.contains("no visits yet"), "{none}");
    let words = refused(home, &["carry", "out", &name, "stick", "--folder", "lead"]);
    assert!(words.contains("exists already"), "{words}");

    // Sealed to the office.
    let key = said(home, &["carry", "office-key", "office.key"]);
    let sealed = [
        "carry",
        "out",
        &name,
        "sealed",
        "--to",
        key.trim(),
        "--folder",
        "lead",
    ];
    said(home, &sealed);
    let words = refused(home, &["carry", "show", "sealed"]);
    assert!(words.contains("sealed to an office"), "{words}");
    let shown = said(home, &["carry", "show", "sealed", "--key", "office.key"]);
    assert!(shown.contains("visit QB-03"), "{shown}");
    said(
        home,
        &[
            "carry",
            "in",
            "sealed",
            "--key",
            "office.key",
            "--folder",
            "other",
        ],
    );
    assert_eq!(figures(&[&name, "--folder", "other"]), of_lead);

    // Someone finds the stick, puts themselves on the list, and hands it back.
    std::fs::create_dir_all(home.join("finder")).unwrap();
    let finder = open(home, "finder");
    finder.quit().await;
    said(home, &["carry", "in", "stick", "--folder", "finder"]);
    let finder = open(home, "finder");
    let tag = finder.device().await.unwrap().tag;
    let key = std::fs::read(home.join("stick"))
        .map(|_| "00".repeat(32))
        .unwrap();
    let listed = Device {
        tag,
        key,
        name: "finder".to_owned(),
    };
    finder
        .act(visit, act("f1", "Somebody Else", listed))
        .await
        .unwrap();
    finder
        .act(visit, act("f2", "Somebody Else", trout(500)))
        .await
        .unwrap();
    finder.quit().await;
    said(
        home,
        &["carry", "out", &name, "handed back", "--folder", "finder"],
    );
    let words = refused(home, &["carry", "in", "handed back", "--folder", "lead"]);
    assert!(words.contains("nobody on its list has listed"), "{words}");
    assert_eq!(figures(&[&name, "--folder", "lead"]), of_lead);
    // The lead's device opens it as before.
    let lead = open(home, "lead");
    assert_eq!(tallied(&lead, visit).await, 40);
    lead.quit().await;
}
