//! A crew at work on the pages themselves: three devices, three browsers, taps and keys only.
//!
//! Expected numbers are those of the invented Quillet Brook visit: 48 brook trout worked up in
//! pass 1, 50 tapped by two netters, 1,184 energised seconds, 62 dace and 41 sculpin in batches.

use std::time::Duration;

use gravelbar_tests::browser::Driver;
use gravelbar_tests::post::{Post, crew, tallied, until_summary, worked_up};
use gravelbar_tests::program::Trouble;
use serde_json::{Value, json};

/// A second is asked for; a little more is held.
const HELD: Duration = Duration::from_millis(1300);

/// A sleeve on wet glass.
const BRUSHED: Duration = Duration::from_millis(300);

/// Dace and sculpin of pass 1: how many, mass together g, shortest, longest, mean mm.
const BATCHES: [(&str, [&str; 5]); 2] = [
    ("blacknose dace", ["62", "163.8", "37", "82", "63.2"]),
    ("slimy sculpin", ["41", "148.2", "40", "93", "63.2"]),
];

/// Brook trout of pass 1 in the demo's table: total length mm, mass g.
const TROUT: [(&str, &str); 48] = [
    ("72", "3.2"),
    ("72", "3.2"),
    ("163", "36.1"),
    ("72", "3.3"),
    ("201", "78.2"),
    ("183", "57.7"),
    ("146", "28.9"),
    ("185", "59.9"),
    ("76", "3.9"),
    ("133", "21.1"),
    ("200", "80.9"),
    ("78", "4.4"),
    ("84", "5.8"),
    ("142", "24.5"),
    ("70", "2.9"),
    ("66", "2.7"),
    ("130", "18.0"),
    ("224", "125.2"),
    ("69", "2.9"),
    ("139", "22.6"),
    ("82", "4.8"),
    ("131", "20.1"),
    ("180", "47.0"),
    ("62", "2.2"),
    ("136", "21.4"),
    ("65", "2.5"),
    ("182", "54.2"),
    ("76", "4.1"),
    ("133", "19.3"),
    ("65", "2.5"),
    ("109", "11.6"),
    ("141", "25.2"),
    ("203", "74.7"),
    ("122", "15.2"),
    ("181", "55.7"),
    ("131", "21.0"),
    ("66", "2.6"),
    ("171", "47.3"),
    ("134", "23.8"),
    ("65", "2.4"),
    ("135", "19.8"),
    ("74", "3.6"),
    ("126", "17.5"),
    ("219", "87.9"),
    ("140", "24.7"),
    ("146", "24.7"),
    ("129", "18.0"),
    ("137", "21.9"),
];

#[tokio::test(flavor = "multi_thread")]
async fn three_people_record_the_first_pass_by_tapping_and_the_lead_sees_the_reducers_numbers()
-> Result<(), Trouble> {
    let driver = Driver::start()?;
    let [lead, right, left] = crew(&driver).await?;
    set_the_output(&lead).await?;
    lead.go("lead").await?;
    lead.page.tap_words("Open pass 1").await?;
    net(&lead, &right, &left).await?;
    read_the_counter(&lead).await?;
    lead.go("lead").await?;
    lead.page.tap_words("Close pass 1").await?;
    // A netter's page locks itself.
    let locked = "return document.querySelector('.locked') && document.querySelector('.is-closed')";
    right.page.until(locked).await?;
    work_up(&left).await?;

    let summary = until_summary(&lead, "the work-up", |s| s["worked_up"] == 151).await?;
    assert_eq!(worked_up(&summary, "brook trout"), 48);
    assert_eq!(worked_up(&summary, "blacknose dace"), 62);
    assert_eq!(worked_up(&summary, "slimy sculpin"), 41);
    assert_eq!(summary["tallied"], 50);
    let pass = &summary["passes"][0];
    assert_eq!(pass["effort"]["total_s"].as_f64(), Some(1184.0));
    let lines = pass["tally"].as_array();
    let trout = lines.and_then(|t| t.iter().find(|t| t["name"] == "brook trout"));
    assert_eq!(trout.map(|t| t["gap"].clone()), Some(json!(2)));
    let setting = &pass["settings"][0]["at_start"]["words"];
    assert_eq!(setting, "pulsed DC 350 V, 30 Hz, 4 ms, 12 % duty");

    // The page prints what the reducer says.
    lead.page
        .shows(".pass-totals", "151 worked up · 50 netted")
        .await?;
    let card = lead.page.text(".pass-card").await?;
    assert!(card.contains("1184 s energised"), "{card}");
    let gap = lead
        .page
        .text(".gap[data-key='main/1-brook trout']")
        .await?;
    let words = "netters 50 (Hollis Fenn 27, Sabine Quell 23), worked up 48";
    assert!(gap.contains(words) && gap.contains("▲ +2"), "{gap}");

    // Equal heads, equal summary on all three.
    for other in [&right, &left] {
        for attempt in 0.. {
            let (theirs, ours) = (other.summary().await?, lead.summary().await?);
            if theirs["header"]["heads"] == ours["header"]["heads"] {
                assert_eq!(theirs, ours);
                break;
            }
            assert!(attempt < 200, "the devices don't come to the same heads");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }
    Ok(())
}

/// The lead's device goes to the operator, and comes back.
async fn set_the_output(lead: &Post) -> Result<(), Trouble> {
    lead.be("Okto Brandt").await?;
    lead.go("output").await?;
    for (name, value) in [
        ("peak_v", "350"),
        ("pulse_rate_hz", "30"),
        ("pulse_width_ms", "4"),
        ("duty_percent", "12"),
    ] {
        let field = format!("#setting [name='setting.{name}']");
        lead.page.type_into(&field, value).await?;
    }
    lead.page.submit("#setting").await?;
    lead.be("Mirelle Ashgrove").await
}

async fn read_the_counter(lead: &Post) -> Result<(), Trouble> {
    lead.be("Okto Brandt").await?;
    lead.go("output").await?;
    let end = "[name='counter.end_s']";
    lead.page.type_into(end, "1184").await?;
    lead.page.submit("#counter-main-1").await?;
    lead.be("Mirelle Ashgrove").await
}

/// Both netters at once; one tap too many is taken back by one gesture.
async fn net(lead: &Post, right: &Post, left: &Post) -> Result<(), Trouble> {
    for netter in [right, left] {
        netter.go("tally").await?;
        netter.page.shows(".plate.is-open .number", "1").await?;
        let pinned = "return location.search === '?pass=main/1'";
        netter.page.until(pinned).await?;
    }
    let (a, b) = tokio::join!(
        right.count("brook trout", 28),
        left.count("brook trout", 23)
    );
    a.and(b)?;
    right.page.tap("#undo").await?;
    let all = |s: &Value| tallied(s, "brook trout") == 50;
    let summary = until_summary(lead, "50 trout netted", all).await?;
    assert_eq!(
        summary["passes"][0]["tally"][0]["by"],
        json!([{"by": "Hollis Fenn", "n": 27}, {"by": "Sabine Quell", "n": 23}])
    );
    // A netter's pad shows both counts, and that nothing is unsaved.
    let pad = "[data-species='brook trout']";
    right.page.shows(&format!("{pad} .mine"), "27").await?;
    right.page.shows(&format!("{pad} .crew"), "crew 50").await?;
    right.page.shows(&format!("{pad} .unsaved"), "").await
}

/// Every trout of the table, the first two on the digits of the screen, then two batches.
async fn work_up(post: &Post) -> Result<(), Trouble> {
    post.go("work-up").await?;
    let page = &post.page;
    page.tap(".species-list [data-key='brook trout']").await?;
    for (n, (length, mass)) in TROUT.iter().enumerate() {
        if n < 2 {
            for key in length.chars().chain("⇄".chars()).chain(mass.chars()) {
                page.tap(&format!("[data-pad='{key}']")).await?;
            }
            page.tap(".keep").await?;
        } else {
            let (length, mass) = (format!("{length}\n"), format!("{mass}\n"));
            page.type_into("[name='fish.length_mm']", &length).await?;
            page.type_into("[name='fish.mass_g']", &mass).await?;
        }
        // The next fish is called only once the count on the page has moved.
        let counted = (n + 1).to_string();
        page.shows("[data-key='brook trout'] small", &counted)
            .await?;
    }
    for (species, values) in BATCHES {
        page.tap(&format!(".species-list [data-key='{species}']"))
            .await?;
        if page
            .ask("return !document.getElementById('batch-open').open")
            .await?
            == true
        {
            page.tap("#batch-open > summary").await?;
        }
        let names = ["n", "mass_g", "min_mm", "max_mm", "mean_mm"];
        for (name, value) in names.iter().zip(values) {
            page.type_into(&format!("[name='batch.{name}']"), value)
                .await?;
        }
        page.submit("#batch").await?;
    }
    Ok(())
}

const OVER: &str = "return document.getElementById('takeover').open \
                    && document.getElementById('stopped').innerText";

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_held_on_one_device_takes_over_all_three_until_the_lead_clears_it()
-> Result<(), Trouble> {
    let driver = Driver::start()?;
    let [lead, right, left] = crew(&driver).await?;
    lead.go("lead").await?;
    lead.page.tap_words("Open pass 1").await?;
    right.go("tally").await?;
    right.page.shows(".plate.is-open .number", "1").await?;
    left.go("work-up").await?;
    // Even the sheet for several fish leaves the stop within reach.
    right
        .page
        .tap("[data-species='minnows'] [data-more]")
        .await?;

    // A brush against the button stops nothing.
    right.page.hold("#stop", BRUSHED).await?;
    assert_eq!(right.summary().await?["safety"]["stops"], json!([]));

    right.page.hold("#stop", HELD).await?;
    for post in [&lead, &right, &left] {
        let words = post.page.until(OVER).await?;
        let words = words.as_str().unwrap_or_default().to_lowercase();
        for needed in ["stop work", "hollis fenn", "does not cut the current"] {
            assert!(words.contains(needed), "{words}");
        }
    }
    // Who may not clear is offered no clear.
    right.page.tap("#heard").await?;
    right.go("safety").await?;
    let clear = "return document.getElementById('clear')";
    assert_eq!(right.page.ask(clear).await?, Value::Null);

    lead.page.tap("#heard").await?;
    lead.go("safety").await?;
    // Without a reason it is refused, in words, where it was pressed.
    lead.page.tap("#clear button[type=submit]").await?;
    let refused = "return document.querySelector('#clear .said[data-state=refused]')?.textContent";
    let said = lead.page.until(refused).await?;
    let said = said.as_str().unwrap_or_default();
    assert!(said.contains("needs a reason"), "{said}");
    let reason = "thunder passed, 30 minutes waited";
    lead.page.type_into("#clear [name=why]", reason).await?;
    lead.page.tap("#clear button[type=submit]").await?;
    let lifted = "return !document.getElementById('takeover').open \
                  && document.getElementById('stopped').dataset.stops === ''";
    left.page.until(lifted).await?;

    // And by the keyboard alone.
    left.page.hold_space("#stop", HELD).await?;
    lead.page.until(OVER).await?;
    let summary = lead.summary().await?;
    let stops = summary["safety"]["stops"].as_array();
    let held: Vec<&Value> = (stops.into_iter().flatten())
        .filter(|s| s["holds"] == true)
        .map(|s| &s["by"])
        .collect();
    assert_eq!(held, ["Sabine Quell"]);
    Ok(())
}
