//! Laws that hold for every view, however odd.

use gravelbar_reduce::{Summary, summarize};
use gravelbar_sheet::{Paper, Printed, Sheet, Standing, species_under_permit};
use gravelbar_visit::View;
use proptest::prelude::*;

use crate::random::view;
use crate::{cautions, flat, stated};

fn sheets(view: &View, summary: &Summary, standing: Standing) -> [Sheet; 2] {
    let sensitive = species_under_permit(&view.plan);
    [
        Sheet::field(view, summary, standing),
        Sheet::landowner(summary, standing, &sensitive),
    ]
}

/// Pages of a PDF, by its own objects.
fn pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.matches("/MediaBox").count()
}

fn fits(printed: &Printed) -> Result<(), TestCaseError> {
    let [room, used] = printed.heights_pt();
    prop_assert!(used <= room, "{} of {} pt used", used, room);
    prop_assert!(printed.type_pt() >= 7.0);
    prop_assert_eq!(pages(printed.pdf()), 1);
    Ok(())
}

/// Every caution stands on the page, or the page says how many don't.
fn no_caution_is_dropped(printed: &Printed, summary: &Summary) -> Result<(), TestCaseError> {
    let words = printed.words();
    let text = flat(&words);
    let cut = text.contains("…(cut)");
    let missing = (cautions(summary).iter())
        .filter(|caution| !text.contains(&flat(caution)))
        .count();
    let said = ["cautionmore", "cautionsmore"]
        .map(|after| stated(&text, "with", after))
        .iter()
        .sum::<usize>()
        + ["morecaution:", "morecautions:"]
            .map(|after| stated(&text, "and", after))
            .iter()
            .sum::<usize>();
    // One that is left out of the list may still stand among the flags, in the same words.
    prop_assert!(
        missing <= said || cut,
        "{missing} missing, {said} said:\n{words}"
    );
    prop_assert!(printed.type_pt() <= 7.0 || said == 0, "{words}");
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Also the promise that nothing panics.
    #[test]
    fn every_sheet_of_every_view_is_one_page_that_holds_every_caution(
        view in view(),
        training in any::<bool>(),
        letter in any::<bool>(),
    ) {
        let summary = summarize(&view);
        let standing = if training { Standing::Training } else { Standing::Real };
        let paper = if letter { Paper::Letter } else { Paper::A4 };
        let [field, landowner] = sheets(&view, &summary, standing);
        let (field, landowner) = (field.print(paper).unwrap(), landowner.print(paper).unwrap());
        fits(&field)?;
        fits(&landowner)?;
        no_caution_is_dropped(&field, &summary)?;
        let text = flat(&field.words());
        let open = summary.flags.len();
        let flags = format!("{open}flag{}open", if open == 1 { "" } else { "s" });
        prop_assert!(text.contains(&flags), "{}", field.words());
        let stops = summary.safety.stops.len();
        let safety = format!("{stops}stop{}", if stops == 1 { "" } else { "s" });
        prop_assert!(text.contains(&safety));
        let held = summary.safety.stops.iter().filter(|s| s.holds).count();
        prop_assert!(text.matches("HOLDS").count() == held || text.contains("stopmore") || text.contains("stopsmore"));
        prop_assert_eq!(field.words().contains("TRAINING"), training);
    }

    #[test]
    fn equal_sheets_give_equal_bytes(view in view()) {
        let summary = summarize(&view);
        let [first, _] = sheets(&view, &summary, Standing::Real);
        let [again, _] = sheets(&view.clone(), &summarize(&view), Standing::Real);
        let (first, again) = (first.print(Paper::A4).unwrap(), again.print(Paper::A4).unwrap());
        prop_assert_eq!(first.pdf(), again.pdf());
    }

    /// The screen folds nothing.
    #[test]
    fn the_page_on_screen_holds_every_caution_flag_and_species(view in view()) {
        let summary = summarize(&view);
        let html = Sheet::field(&view, &summary, Standing::Real).to_html();
        let plain = html.replace("&#39;", "'").replace("&quot;", "\"").replace("&amp;", "&");
        for caution in cautions(&summary) {
            prop_assert!(plain.contains(&caution), "{}", caution);
        }
        for flag in &summary.flags {
            prop_assert!(plain.contains(&flag.words), "{}", flag.words);
        }
        for species in &summary.species {
            prop_assert!(plain.contains(species.species.as_str()));
        }
        prop_assert!(!plain.contains("see the visit"));
    }
}
