//! What the landowner's sheet must not tell.

use gravelbar_reduce::summarize;
use gravelbar_sheet::{Paper, Sheet, Standing, species_under_permit};
use gravelbar_visit::{PersonView, Role, View};
use proptest::prelude::*;

use crate::crew::{name, species};
use crate::flat;
use crate::random::view;

/// Names in every place that a name can get into a visit.
fn named(mut view: View) -> View {
    view.plan.purpose = "permit 4711 for Wrenna Tolliver".to_owned();
    view.people = ["Mirelle Ashgrove", "Okto Brandt", "Hollis Fenn"]
        .map(|person| PersonView {
            name: name(person),
            roles: vec![Role::Lead],
            devices: Vec::new(),
            left: false,
        })
        .into();
    for device in &mut view.devices {
        device.name = "Mirelle's phone".to_owned();
    }
    for stop in &mut view.safety.stops {
        stop.why = Some("Hollis slipped".to_owned());
    }
    for incident in &mut view.incidents {
        incident.what.text = "Okto fell at the alder".to_owned();
    }
    for fish in &mut view.fish {
        fish.why = Some("found by Hollis under the alder".to_owned());
    }
    view
}

const NEVER: [&str; 14] = [
    "Mirelle", "Ashgrove", "Okto", "Brandt", "Hollis", "Fenn", "Wrenna", "Tolliver", "4711",
    "permit", "alder", "phone", "season", "limit",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn the_landowners_sheet_names_no_person_device_permit_or_take(view in view()) {
        let view = named(view);
        let summary = summarize(&view);
        let sensitive = species_under_permit(&view.plan);
        let sheet = Sheet::landowner(&summary, Standing::Real, &sensitive);
        let html = sheet.to_html();
        let words = sheet.print(Paper::A4).unwrap().words();
        for text in [&html, &words, &sheet.title(), &sheet.file_name("pdf")] {
            for word in NEVER {
                prop_assert!(!text.to_lowercase().contains(&word.to_lowercase()), "“{}” in {}", word, text);
            }
            prop_assert!(!text.contains(&summary.header.document.to_string()));
        }
        // The crew's sheet has them: the words above are looked for in the right places.
        let field = Sheet::field(&view, &summary, Standing::Real).to_html();
        prop_assert!(field.contains("Mirelle") && field.contains("4711"));
    }

    /// The plan's place, and its arm of the stream, are finer than the site's code.
    #[test]
    fn no_place_but_the_sites_code_stands_beside_a_sensitive_species(view in view()) {
        let summary = summarize(&view);
        let sensitive = species_under_permit(&view.plan);
        prop_assert!(sensitive.contains(&species("brook trout")));
        let sheet = Sheet::landowner(&summary, Standing::Real, &sensitive);
        let printed = sheet.print(Paper::A4).unwrap();
        let rare = summary.species.iter().any(|s| sensitive.contains(&s.species));
        for text in [sheet.to_html(), printed.words(), sheet.title(), sheet.file_name("pdf")] {
            prop_assert_eq!(text.contains("Marl Fork"), !rare && !text.ends_with(".pdf"));
            prop_assert!(!text.contains("left"), "{}", text);
            prop_assert!(text.contains("MF-01"));
        }
        let pdf = String::from_utf8_lossy(printed.pdf()).into_owned();
        prop_assert_eq!(pdf.contains("Marl Fork"), !rare);
    }

    /// An estimate is never bare here either.
    #[test]
    fn an_estimate_stands_with_its_caution_and_interval(view in view()) {
        let summary = summarize(&view);
        let sheet = Sheet::landowner(&summary, Standing::Real, &Default::default());
        let text = flat(&sheet.print(Paper::A4).unwrap().words());
        let estimated = summary.species.iter().any(|s| s.removal.headline().is_some());
        prop_assert!(!estimated || text.contains(&flat(gravelbar_estimate::CAUTION)));
        for rest in text.split(",about").skip(1) {
            prop_assert!(rest.contains("likely"));
        }
    }
}
