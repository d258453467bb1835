//! Which way the arrows run: who may depend on whom, and who may name which outside library.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// Every member and the members it may stand on. The same table as in `DEVELOPERS.md`.
const ARROWS: &[(&str, &[&str])] = &[
    ("electric", &[]),
    ("estimate", &[]),
    ("ledger", &[]),
    ("link", &[]),
    ("store", &[]),
    ("proof", &["ledger"]),
    ("session", &["ledger"]),
    ("visit", &["ledger"]),
    ("exchange", &["ledger", "proof"]),
    ("book", &["ledger", "visit"]),
    ("reduce", &["electric", "estimate", "visit"]),
    ("sheet", &["reduce", "visit"]),
    (
        "crew",
        &[
            "book", "electric", "estimate", "exchange", "link", "proof", "reduce", "session",
            "sheet", "store", "visit",
        ],
    ),
    ("tests", &["crew", "ledger", "reduce", "store", "visit"]),
];

/// Outside libraries that only some members may name (in their own code; tests may name more).
const KEPT_TO: &[(&str, &[&str])] = &[
    ("automerge", &["ledger", "tests"]),
    ("hexane", &["ledger"]),
    ("quinn", &["link"]),
    ("rcgen", &["link"]),
    ("rustls", &["link"]),
    ("rusqlite", &["store", "tests"]),
    ("statrs", &["estimate"]),
    ("axum", &["crew"]),
    ("maud", &["crew"]),
    ("clap", &["crew"]),
    ("pdf-writer", &["sheet"]),
    ("subsetter", &["sheet"]),
    ("ttf-parser", &["sheet"]),
    ("hpke", &["exchange"]),
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// Each member's name without the family name, and what it depends on outside its tests.
fn members() -> BTreeMap<String, BTreeSet<String>> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--no-deps", "--format-version", "1", "--locked"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success());
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let short = |name: &str| name.strip_prefix("gravelbar-").unwrap_or(name).to_owned();
    metadata["packages"]
        .as_array()
        .unwrap()
        .iter()
        .map(|package| {
            let needs = package["dependencies"]
                .as_array()
                .unwrap()
                .iter()
                .filter(|need| need["kind"] != "dev")
                .map(|need| short(need["name"].as_str().unwrap()))
                .collect();
            (short(package["name"].as_str().unwrap()), needs)
        })
        .collect()
}

#[test]
fn every_arrow_is_on_the_map_and_the_map_has_no_other() {
    let members = members();
    let drawn: BTreeMap<&str, BTreeSet<&str>> = ARROWS
        .iter()
        .map(|(from, to)| (*from, to.iter().copied().collect()))
        .collect();
    let found: BTreeMap<&str, BTreeSet<&str>> = members
        .iter()
        .map(|(from, needs)| {
            let inside = needs
                .iter()
                .map(String::as_str)
                .filter(|need| members.contains_key(*need));
            (from.as_str(), inside.collect())
        })
        .collect();
    assert_eq!(found, drawn);
}

#[test]
fn outside_libraries_are_named_only_where_they_belong() {
    for (member, needs) in members() {
        for (library, may) in KEPT_TO {
            assert!(
                !needs.contains(*library) || may.contains(&member.as_str()),
                "{member} names {library}"
            );
        }
    }
}

#[test]
fn every_folder_on_the_developers_map_exists() {
    let map = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let folders: Vec<&str> = map
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .filter(|word| word.starts_with("crates/") || word.starts_with("apps/"))
        .collect();
    for (member, _) in ARROWS {
        let place = match *member {
            "crew" => "apps/crew".to_owned(),
            "tests" => continue,
            other => format!("crates/{other}"),
        };
        assert!(
            folders.contains(&place.as_str()),
            "{place} is not on the map"
        );
    }
    for folder in folders {
        assert!(root().join(folder).is_dir(), "{folder} is on the map only");
    }
}

#[test]
fn no_test_file_is_forgotten() {
    let all = std::fs::read_to_string(root().join("tests/all.rs")).unwrap();
    for entry in std::fs::read_dir(root().join("tests")).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if let Some(module) = name.strip_suffix(".rs")
            && module != "all"
        {
            assert!(
                all.contains(&format!("mod {module};")),
                "tests/all.rs doesn't list {module}"
            );
        }
    }
}

#[test]
fn the_top_level_holds_nothing_else() {
    let allowed = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "crates",
        "apps",
        "tests",
        "demo",
        "target",
    ];
    for entry in std::fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(
            name.starts_with('.') || allowed.contains(&name.as_str()),
            "{name} is at the top level"
        );
    }
}
