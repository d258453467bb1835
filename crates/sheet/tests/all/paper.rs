//! Paper: what gives way on a full page, foreign letters, hostile words.

use std::collections::BTreeSet;

use gravelbar_reduce::summarize;
use gravelbar_sheet::{Paper, Sheet, Standing};
use gravelbar_visit::{Batch, Fact, IncidentKind, NetEnd, NetState, PassKey, Role};

use crate::crew::{Crew, LEAD, batch, net, plan, tally};
use crate::{cautions, flat, stated};

/// More species, passes, words and incidents than a page can hold.
fn crowded() -> Crew {
    let mut crew = Crew::at_the_brook(&plan());
    for pass in 1..=12_u8 {
        let key = PassKey::main(pass);
        let text = key.to_string();
        crew.tell(
            0,
            LEAD,
            "09:00",
            vec![gravelbar_visit::PassOpened { pass: key.clone() }.into()],
        );
        let fish = (1..=150_u32).map(|n| {
            Fact::from(Batch {
                ..batch(&key, &format!("species number {n}"), n)
            })
        });
        crew.tell(0, "Sabine Quell", "10:00", fish.collect());
        crew.tell(
            0,
            "Hollis Fenn",
            "09:30",
            (1..=30_u32)
                .map(|n| tally(&key, &format!("species number {n}"), 400 + n))
                .collect(),
        );
        crew.tell(
            0,
            LEAD,
            "09:40",
            vec![
                net("main", NetEnd::Upstream, NetState::Down),
                net("main", NetEnd::Upstream, NetState::Holding),
            ],
        );
        crew.tell(
            0,
            LEAD,
            "10:30",
            vec![
                gravelbar_visit::PassClosed {
                    pass: text.parse().unwrap(),
                }
                .into(),
            ],
        );
    }
    for n in 0..40 {
        crew.joins(0, &format!("Helper number {n}"), Role::Netter, "08:00");
        let text = format!("incident {n}: {}", "a dog on the bank, again. ".repeat(15));
        let incident = gravelbar_visit::Incident {
            kind: IncidentKind::Public,
            text: text.trim().to_owned(),
        };
        crew.tell(0, LEAD, "11:00", vec![incident.into()]);
    }
    crew
}

#[test]
fn a_crowded_visit_is_one_page_that_says_what_it_left_out() {
    let view = crowded().devices[0].view();
    let summary = summarize(&view);
    assert!(summary.species.len() >= 150);
    for paper in [Paper::A4, Paper::Letter] {
        for standing in [Standing::Real, Standing::Training] {
            let printed = Sheet::field(&view, &summary, standing)
                .print(paper)
                .unwrap();
            let [room, used] = printed.heights_pt();
            assert!(used <= room, "{used} of {room} pt");
            assert!((printed.type_pt() - 7.0).abs() < f32::EPSILON);
            let words = printed.words();
            let text = flat(&words);
            // Species that stand and those that are said not to are all there are, and so are fish.
            let shown: Vec<u64> = (summary.species.iter())
                .filter(|s| {
                    text.contains(&flat(&format!("\n{} ", s.species)))
                        && words.lines().any(|l| l == s.species.as_str())
                })
                .map(|s| s.total)
                .collect();
            let gone = stated(&text, "and", "morespecies,together");
            assert_eq!(shown.len() + gone, summary.species.len(), "{words}");
            let fish = stated(&text, "morespecies,together", "fishonrecord");
            let all: u64 = summary.species.iter().map(|s| s.total).sum();
            assert_eq!(shown.iter().sum::<u64>() + fish as u64, all);
            // The commonest stand longest.
            let fewest = shown.iter().min().copied().unwrap_or(0);
            assert_eq!(
                summary
                    .species
                    .iter()
                    .filter(|s| s.total > fewest && !shown.contains(&s.total))
                    .count(),
                0
            );
            assert!(text.contains("40incidents"));
            assert!(text.contains("noroomforplots"));
            let flags = format!("{}flagsopen", summary.flags.len());
            assert!(text.contains(&flags), "{words}");
            let missing: BTreeSet<String> = (cautions(&summary).into_iter())
                .filter(|c| !text.contains(&flat(c)))
                .collect();
            assert!(
                missing.is_empty()
                    || text.contains("cautionsmore")
                    || text.contains("morecautions"),
                "{words}"
            );
        }
    }
}

#[test]
fn a_small_visit_keeps_the_largest_type() {
    let crew = Crew::new(&plan(), 1);
    let view = crew.devices[0].view();
    let printed = Sheet::field(&view, &summarize(&view), Standing::Real)
        .print(Paper::A4)
        .unwrap();
    assert!((printed.type_pt() - 9.5).abs() < f32::EPSILON);
    assert!(!printed.words().contains("see the visit"));
    for said in [
        "not signed",
        "no pass on record",
        "zero caught does not mean zero present",
        "length and widths of the reach",
    ] {
        assert!(
            flat(&printed.words()).contains(&flat(said)),
            "{}",
            printed.words()
        );
    }
}

/// Latin with accents, Greek and Cyrillic are printed; what the font lacks shows as a box; marks
/// that steer the direction of writing are left out, so that no name can turn a line around.
#[test]
fn names_in_any_script_are_printed_or_shown_to_be_lacking() {
    let mut crew = Crew::new(&plan(), 1);
    for person in [
        "Łucja Ångström-Þór",
        "Ольга Σοφία",
        "山田 太郎",
        "שרה كريم",
        "🐟 \u{202e}sign",
    ] {
        crew.joins(0, person, Role::Netter, "08:00");
    }
    let view = crew.devices[0].view();
    let printed = Sheet::field(&view, &summarize(&view), Standing::Real)
        .print(Paper::A4)
        .unwrap();
    let words = printed.words();
    for said in [
        "Łucja Ångström-Þór",
        "Ольга Σοφία",
        "□□ □□",
        "□□□ □□□□",
        "□ sign",
    ] {
        assert!(flat(&words).contains(&flat(said)), "{words}");
    }
    assert!(!words.contains('\u{202e}'));
}

#[test]
fn words_that_look_like_markup_stay_words() {
    let mut crew = Crew::new(&plan(), 1);
    let hostile = "<svg onload=alert(1)>\"'&";
    crew.joins(0, hostile, Role::Lead, "08:00");
    let view = crew.devices[0].view();
    let sheet = Sheet::field(&view, &summarize(&view), Standing::Training);
    let html = sheet.to_html();
    assert!(html.contains("&lt;svg onload=alert(1)&gt;&quot;&#39;&amp;"));
    for never in ["<svg onload", "<script", " style=", "javascript:"] {
        assert!(!html.contains(never), "{html}");
    }
    assert!(html.contains("TRAINING"));
    assert!(flat(&sheet.print(Paper::A4).unwrap().words()).contains(&flat(hostile)));
}

/// Site codes are typed by people; a file's name goes into a header and onto a disk.
#[test]
fn a_files_name_is_plain_whatever_the_site_is_called() {
    for (site, name) in [
        ("QB-03", "QB-03_2026-08-18_field-summary.pdf"),
        ("../../etc/x\"y", "etc-x-y_2026-08-18_field-summary.pdf"),
        ("Größe 3", "Gr-e-3_2026-08-18_field-summary.pdf"),
        ("山", "site_2026-08-18_field-summary.pdf"),
    ] {
        let mut plan = plan();
        plan.site = site.to_owned();
        let view = Crew::new(&plan, 1).devices[0].view();
        let summary = summarize(&view);
        assert_eq!(
            Sheet::field(&view, &summary, Standing::Real).file_name("pdf"),
            name
        );
        let training = Sheet::field(&view, &summary, Standing::Training).file_name("pdf");
        assert_eq!(training, format!("TRAINING_{name}"));
    }
}
