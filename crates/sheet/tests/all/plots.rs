//! Plots, read back out of their SVG.

use gravelbar_reduce::{Removal, SpeciesSummary, summarize};
use gravelbar_sheet::{decline, interval_by_pass, length_frequency};
use gravelbar_visit::{Fact, PassClosed, PassKey, PassOpened};

use crate::crew::{Crew, LEAD, measured, plan};

/// Fish of three passes, 100 mm and longer by one each.
fn caught(catch: &[u32]) -> SpeciesSummary {
    let mut crew = Crew::at_the_brook(&plan());
    for (number, n) in (1_u8..).zip(catch) {
        let pass = PassKey::main(number);
        crew.tell(
            0,
            LEAD,
            "09:00",
            vec![PassOpened { pass: pass.clone() }.into()],
        );
        let fish =
            (0..*n).map(|i| Fact::from(measured(&pass, "brook trout", f64::from(100 + i), None)));
        crew.tell(0, LEAD, "10:00", fish.collect());
        crew.tell(0, LEAD, "10:30", vec![PassClosed { pass }.into()]);
    }
    summarize(&crew.devices[0].view()).species.remove(0)
}

/// The values of an attribute over all elements of one name.
fn attributes(svg: &str, element: &str, attribute: &str) -> Vec<f64> {
    (svg.split(&format!("<{element} ")).skip(1))
        .map(|rest| {
            let (_, value) = rest.split_once(&format!("{attribute}=\"")).unwrap();
            value.split('"').next().unwrap().parse().unwrap()
        })
        .collect()
}

fn texts(svg: &str) -> Vec<&str> {
    (svg.split("<text ").skip(1))
        .map(|rest| rest.split(['>', '<']).nth(1).unwrap())
        .collect()
}

#[test]
fn bars_are_as_high_as_their_catch_and_the_counts_are_written_under_them() {
    let removal: Removal = caught(&[48, 19, 8]).removal;
    let drawing = decline(&removal, "brook trout").unwrap();
    let svg = drawing.svg();
    let heights = attributes(&svg, "rect", "height");
    assert_eq!(heights.len(), 3);
    for (height, n) in heights.iter().zip([48.0, 19.0, 8.0]) {
        assert!(
            (height / heights[0] - n / 48.0).abs() < 0.002,
            "{heights:?}"
        );
    }
    assert_eq!(texts(&svg), ["48", "pass 1", "19", "pass 2", "8", "pass 3"]);
    // The fitted decline falls by one share: equal ratios of heights over the floor.
    let floor = attributes(&svg, "line", "y1")[0];
    let fitted: Vec<f64> = attributes(&svg, "circle", "cy")
        .iter()
        .map(|y| floor - y)
        .collect();
    assert!(
        (fitted[1] / fitted[0] - fitted[2] / fitted[1]).abs() < 0.01,
        "{fitted:?}"
    );
    assert_eq!(
        drawing.description(),
        "brook trout, catch by pass: pass 1 48, pass 2 19, pass 3 8; the dashed line is the fitted decline"
    );
    assert!(svg.contains("role=\"img\"") && svg.contains("<title>") && svg.contains("<desc>"));
}

#[test]
fn nothing_is_fitted_where_nothing_is_estimated() {
    let removal = caught(&[8, 9, 11]).removal;
    let drawing = decline(&removal, "brook trout").unwrap();
    assert!(!drawing.svg().contains("circle") && !drawing.svg().contains("polyline"));
    assert!(drawing.description().ends_with("no decline fitted"));
    assert!(interval_by_pass(&removal, "brook trout").is_none());
}

/// The reducer's own intervals after two and three passes.
#[test]
fn the_interval_closes_from_pass_to_pass() {
    let removal = caught(&[48, 19, 8]).removal;
    let drawing = interval_by_pass(&removal, "brook trout").unwrap();
    let said: Vec<String> = (removal.after.iter())
        .flat_map(|after| {
            let headline = after.headline.as_ref().unwrap();
            let profile = headline.profile_95.unwrap();
            [
                format!("after {}: {}", after.passes, headline.n_fish),
                format!("{} to {}", profile.low, profile.high.unwrap()),
            ]
        })
        .collect();
    let svg = drawing.svg();
    assert_eq!(texts(&svg), said);
    assert!(said[0].starts_with("after 2: ") && said[2].starts_with("after 3: "));
    let lines: Vec<f64> = (attributes(&svg, "line", "y1").iter())
        .zip(attributes(&svg, "line", "y2"))
        .map(|(a, b)| (a - b).abs())
        .filter(|length| *length > 0.5)
        .collect();
    assert!(lines[0] > lines[1], "{lines:?}");
}

#[test]
fn lengths_stand_in_the_reducers_bins() {
    let species = caught(&[25, 3]);
    let drawing = length_frequency(&species.lengths, "brook trout").unwrap();
    // 100 to 124 mm once, 100 to 102 mm once more.
    assert_eq!(
        drawing.description(),
        "brook trout, fish by length in bins of 10 mm, 28 measured: from 100 mm 13, from 110 mm 10, from 120 mm 5"
    );
    let heights = attributes(&drawing.svg(), "rect", "height");
    assert!(
        (heights[1] / heights[0] - 10.0 / 13.0).abs() < 0.002,
        "{heights:?}"
    );
    assert!(length_frequency(&caught(&[4]).lengths, "x").is_none());
}
