//! Owns the page about the study: what was asked, where 95 % isn't met, and a table of the usual cases.

use crate::study::{LEAST_SHOWN, REACHES, Row};
use std::fmt::Write;

/// Short of 0.95 by more than three standard errors of the simulation.
const SHORT: f64 = 0.93;

/// What a share is looked up by.
type Figure = fn(&Row) -> Option<f64>;

const INTERVALS: [(&str, Figure); 6] = [
    ("profile, 95 %", |row| row.profile),
    ("posterior, 95 %", |row| Some(row.posterior)),
    ("± 1.96 SE, conditional estimate", |row| row.wald_zippin),
    ("± 1.96 SE, Carle-Strub", |row| row.wald_carle_strub),
    ("profile, where an estimate is given", |row| {
        row.shown_profile
    }),
    ("printed ± of the estimate, where one is given", |row| {
        row.shown_half_width
    }),
];

/// The page as Markdown text.
pub(crate) fn page(rows: &[Row]) -> String {
    let mut page = format!(
        "# How often the intervals hold the truth\n\n\
         Written by `cargo run --release -p gravelbar-estimate --example coverage`; all {} cells are in\n\
         [coverage.csv](coverage.csv). Each cell is {REACHES} simulated reaches: 10 to 1,000 fish, the first pass takes 0.1 to\n\
         0.9 of them, one to six passes, the share constant or falling by a fifth from pass to pass. Shares near 0.95 are good\n\
         to 0.007, others to 0.016 (one standard error). Every fish is as easily caught as the next; in a stream it isn't. A catch of\n\
         none counts as an interval without an upper end, a conditional estimate that doesn't exist as one that misses.\n\n\
         ![Share of intervals that hold the truth](coverage.svg)\n\n",
        rows.len()
    );
    for (heading, kept_tenths) in [
        ("The share constant: what the methods assume", 10),
        ("The share falling by a fifth from pass to pass", 8),
    ] {
        let part: Vec<&Row> = rows
            .iter()
            .filter(|row| row.reach.kept_tenths == kept_tenths && row.reach.passes > 1)
            .collect();
        let _ = write!(
            page,
            "## {heading}\n\n{} cells of two passes and more. Short: below {SHORT} where 0.95 is meant. The last two lines are of the\n\
             reaches with an estimate to act on, in cells with {LEAST_SHOWN} or more of them.\n\n\
             | interval | cells short | lowest | where | median |\n|---|---|---|---|---|\n",
            part.len()
        );
        for (name, figure) in INTERVALS {
            page.push_str(&summary(name, figure, &part));
        }
        page.push('\n');
        page.push_str(&reading(&part, kept_tenths));
    }
    page.push_str(&one_pass(rows));
    page.push_str("## The usual cases\n\n");
    page.push_str(&table(rows));
    page
}

fn summary(name: &str, figure: Figure, rows: &[&Row]) -> String {
    let mut shares: Vec<(f64, &Row)> = rows
        .iter()
        .filter_map(|row| figure(row).map(|share| (share, *row)))
        .collect();
    shares.sort_by(|one, other| one.0.total_cmp(&other.0));
    let short = shares.iter().filter(|(share, _)| *share < SHORT).count();
    let (Some((lowest, row)), Some((median, _))) = (shares.first(), shares.get(shares.len() / 2))
    else {
        return String::new();
    };
    let reach = row.reach;
    format!(
        "| {name} | {short} of {} | {lowest:.2} | {} fish, {:.1}, {} passes | {median:.2} |\n",
        shares.len(),
        reach.fish,
        reach.p(),
        reach.passes
    )
}

/// The figures in words, so that nobody has to read a table to be warned.
fn reading(rows: &[&Row], kept_tenths: u32) -> String {
    let lowest = |figure: Figure, of: &dyn Fn(&Row) -> bool| {
        rows.iter()
            .filter(|row| of(row))
            .filter_map(|row| figure(row))
            .fold(f64::INFINITY, f64::min)
    };
    let many = |row: &Row| {
        f64::from(row.reach.fish) * (1.0 - (1.0 - row.reach.p()).powf(row.reach.passes.into()))
            >= 50.0
    };
    let open = rows.iter().filter(|row| row.open > 0.5).count();
    let mut words = if kept_tenths == 10 {
        format!(
            "The **posterior** interval is the only one that is never far below what it says (lowest {:.2}); it is often wider than need\n\
             be. The **profile** interval falls short where few fish are caught (lowest {:.2}); where about 50 fish or more are taken in\n\
             all, its lowest is {:.2}. **± 1.96 standard errors** must not be read as 95 %: it falls to {:.2} for the conditional\n\
             estimate and {:.2} for Carle-Strub, and where about 50 fish or more are taken still to {:.2} and {:.2}.",
            lowest(|row| Some(row.posterior), &|_| true),
            lowest(|row| row.profile, &|_| true),
            lowest(|row| row.profile, &many),
            lowest(|row| row.wald_zippin, &|_| true),
            lowest(|row| row.wald_carle_strub, &|_| true),
            lowest(|row| row.wald_zippin, &many),
            lowest(|row| row.wald_carle_strub, &many),
        )
    } else {
        let middle = |tenths: u32, passes: u32| {
            rows.iter()
                .find(|row| {
                    (row.reach.fish, row.reach.tenths, row.reach.passes) == (1000, tenths, passes)
                })
                .and_then(|row| {
                    row.medians[2].map(|ratio| (ratio, row.profile.unwrap_or_default()))
                })
                .unwrap_or_default()
        };
        let (half, three) = (middle(5, 3), middle(3, 3));
        format!(
            "**No interval guards against a falling share**, and more fish make it worse: estimates settle below the truth and the\n\
             intervals close around the wrong number. Of 1,000 fish, three passes, first share 0.5: the Carle-Strub number comes to\n\
             {:.2} of the truth and the profile interval holds it in {:.2} of the reaches; first share 0.3: {:.2} and {:.2}. Small catches\n\
             look better here only because their intervals are wide.",
            half.0, half.1, three.0, three.1
        )
    };
    let _ = write!(
        words,
        " In {open} of {} cells more than half of the profile\nintervals have no upper end; such an interval holds the truth easily and says little.\n\n",
        rows.len()
    );
    words
}

fn one_pass(rows: &[Row]) -> String {
    let held = rows
        .iter()
        .filter(|row| row.reach.passes == 1)
        .map(|row| row.posterior);
    let lowest = held.fold(f64::INFINITY, f64::min);
    format!(
        "## One pass\n\nNo estimate is given. The posterior alone answers, with what is believed of `p` beforehand: under the flat weight its\n\
         interval held the truth in {lowest:.3} of the reaches or more, because it is so wide that it says little.\n\n"
    )
}

fn table(rows: &[Row]) -> String {
    let mut table = String::from(
        "Refused: no estimate to act on. No top: the profile interval has no upper end. Medians are over the truth. Where `p` falls\n\
         it is that of the first pass.\n\n\
         | fish | p | passes | p falls | refused | no top | profile | posterior | ± conditional | ± Carle-Strub | profile as shown | ± as shown | conditional/N | whole/N | Carle-Strub/N | posterior/N |\n\
         |---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|\n",
    );
    let share = |figure: Option<f64>| match figure {
        Some(figure) if figure.is_infinite() => "no top".to_owned(),
        Some(figure) => format!("{figure:.2}"),
        None => "-".to_owned(),
    };
    let usual = rows.iter().filter(|row| {
        [2, 3, 4].contains(&row.reach.passes)
            && [3, 5, 7].contains(&row.reach.tenths)
            && [20, 50, 100, 200, 500].contains(&row.reach.fish)
    });
    for row in usual {
        let reach = row.reach;
        let falls = if reach.kept_tenths < 10 { "yes" } else { "no" };
        let _ = write!(
            table,
            "| {} | {:.1} | {} | {falls} | {:.2} | {:.2}",
            reach.fish,
            reach.p(),
            reach.passes,
            row.refused,
            row.open
        );
        for (_, figure) in INTERVALS {
            let _ = write!(table, " | {}", share(figure(row)));
        }
        for median in row.medians {
            let _ = write!(table, " | {}", share(median));
        }
        table.push_str(" |\n");
    }
    table
}
