//! The command line as a person or a script uses it: answers on standard output, nonsense in one
//! line with exit code 2.

use std::io::Write;
use std::process::{Command, Output, Stdio};

use gravelbar_tests::program::gravelbar;
use serde_json::Value;

fn run(arguments: &[&str], input: &str) -> Output {
    let mut child = Command::new(gravelbar())
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_owned();
    let writing = std::thread::spawn(move || stdin.write_all(input.as_bytes()));
    let output = child.wait_with_output().unwrap();
    // A program that refuses early may not read it all.
    writing.join().unwrap().ok();
    output
}

fn json(arguments: &[&str]) -> Value {
    let output = run(arguments, "");
    assert!(output.status.success(), "{output:?}");
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Three passes of 24, 17 and 8 fish: Hayes, Bence, Kwak and Thompson 2007, Boxes 8.4 and 8.5 (N 62.5,
/// p 0.4; whole-number maximum 60; interval 51 to 108 at the right drop of the log likelihood).
#[test]
fn an_estimate_prints_one_object_with_the_agreed_names() {
    let answer = json(&["estimate", "--catch", "24,17,8", "--json"]);
    assert_eq!(answer["catch"], serde_json::json!([24, 17, 8]));
    assert_eq!(answer["total"], 49);
    assert_eq!(answer["depletion_criterion"], 32);
    assert_eq!(answer["zippin"]["n_fish"], 62.5);
    assert_eq!(answer["zippin"]["p"], 0.4);
    assert!(answer["zippin"]["se_fish"].is_f64());
    assert_eq!(answer["integer_ml"]["n_fish"], 60);
    assert!(answer["carle_strub"]["n_fish"].is_u64());
    assert_eq!(answer["profile_95"], serde_json::json!([51, 108]));
    assert_eq!(answer["chi_square"]["df"], 1);
    assert!(answer["two_pass"].is_null());
    assert!(answer["refused"]["two_pass"]["text"].is_string());
    assert!(answer["verdict"].is_string());
    for (group, field) in [
        ("posterior", "median"),
        ("posterior", "low"),
        ("posterior", "high"),
        ("first_pass_model", "n_fish"),
        ("first_pass_model", "p_value"),
        ("next_pass", "expected_catch"),
        ("next_pass", "se_now"),
        ("next_pass", "se_after"),
    ] {
        assert!(answer[group][field].is_number(), "{group}.{field}");
    }
}

#[test]
fn catches_that_do_not_fall_get_a_minimum_and_never_a_number() {
    let answer = json(&["estimate", "--catch", "8,9,11", "--json"]);
    for estimator in ["zippin", "carle_strub"] {
        assert!(answer[estimator].is_null(), "{estimator}");
        assert!(answer["refused"][estimator]["text"].is_string());
    }
    assert!(answer["verdict"].as_str().unwrap().contains("minimum 28"));
}

#[test]
fn nonsense_gets_one_line_and_exit_code_2() {
    for nonsense in [
        &["estimate"][..],
        &["estimate", "--catch", ""],
        &["estimate", "--catch", "24,x"],
        &["estimate", "--catch", "-1"],
        &["estimate", "--catch", "99999999999999999999"],
        &["estimate", "--catch", "1,2", "--seconds", "5"],
        &["estimate", "--catch", "1,2", "--prior", "0,1"],
        &["estimate", "--plan", "100,2,3"],
        &["estimate", "--table", "/nowhere/at all.csv"],
        &["reduce", "/nowhere"],
        &["reduce"],
        &["carry", "in", "/nowhere"],
        &[
            "settings", "--volts", "260", "--known", "0", "--water", "68",
        ],
        &[
            "settings", "--volts", "nan", "--known", "115", "--water", "68",
        ],
        &["--port", "99999"],
        &["swim"],
        &["estimate", "--swim"],
    ] {
        let output = run(nonsense, "");
        assert_eq!(output.status.code(), Some(2), "{nonsense:?}");
        let words = String::from_utf8(output.stderr).unwrap();
        assert_eq!(words.lines().count(), 1, "{nonsense:?}: {words}");
        assert!(
            words.starts_with("gravelbar: ") && words.len() > 20,
            "{words}"
        );
    }
}

#[test]
fn a_table_of_many_catches_is_answered_row_by_row_and_bad_rows_say_why_in_their_place() {
    let mut table = "site,pass_1,pass_2,pass_3\n".to_owned();
    for row in 0..2_000 {
        table.push_str(&format!("site {row},{},{},{}\n", 40 + row % 50, 20, 8));
    }
    table.push_str("broken,4,x,1\n");
    let output = run(&["estimate", "--table", "-"], &table);
    assert_eq!(output.status.code(), Some(2));
    let lines: Vec<Value> = String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(lines.len(), 2_001);
    assert_eq!(lines[7]["site"], "site 7");
    assert_eq!(lines[7]["total"], 47 + 20 + 8);
    assert!(lines[2_000]["error"].as_str().unwrap().contains("“x”"));
}

/// 350 V from 260 V that were good in matched water: the invented visit's own figures.
#[test]
fn a_goal_names_its_band_its_caps_and_what_nobody_confirmed() {
    let output = run(
        &[
            "settings",
            "--volts",
            "260",
            "--known",
            "115",
            "--water",
            "68",
            "--limits",
            "quillet_brook_demo",
        ],
        "",
    );
    let words = String::from_utf8(output.stdout).unwrap();
    for part in [
        "350 V",
        "500 V",
        "UNCONFIRMED",
        "neither senses nor controls",
    ] {
        assert!(words.contains(part), "{part}: {words}");
    }
}
