//! Owns the sentence that says what a catch shows, in the words a crew can read out on the bank.

use crate::analysis::Outcome;
use crate::catch::Catch;
use crate::headline::Headline;

/// What has to stand beside every removal estimate.
///
/// # Source
/// Riley and Fausch 1992; Peterson, Thurow and Guzevich 2004; Rosenberger and Dunham 2005: later passes catch
/// worse, so removal estimates fall below known numbers of marked fish.
pub const CAUTION: &str = "Model interval only. Removal estimates are usually low, because later passes catch worse than the first.";

pub(crate) fn verdict(catch: &Catch, outcome: Outcome, headline: Option<&Headline>) -> String {
    let (total, passes) = (catch.total(), catch.passes());
    match outcome {
        Outcome::NothingCaught => {
            format!(
                "none caught in {}; zero caught does not mean zero present",
                counted(passes, "pass", "passes")
            )
        }
        Outcome::OnePassOnly => {
            format!("minimum {total}, one pass only: fish a second pass to estimate")
        }
        Outcome::DidNotDeplete => format!(
            "minimum {total}, did not deplete: the passes did not fall, so no total can be estimated; \
             fish another pass or report the minimum"
        ),
        Outcome::AllCaughtNotInformative => format!(
            "all caught, interval not informative: all {total} estimated fish are in hand, and the spread \
             cannot show what was missed"
        ),
        Outcome::TooFew => format!("minimum {total}, too few fish to estimate"),
        Outcome::Estimated => headline.map_or_else(|| format!("minimum {total}"), estimated),
    }
}

fn estimated(headline: &Headline) -> String {
    let mut said = format!("about {} fish", headline.n_fish);
    if let Some(width) = headline.half_width_95_fish {
        said.push_str(&format!(" ± {} (Carle-Strub, 1.96 SE)", spread(width)));
    }
    if let Some(profile) = headline.profile_95 {
        match profile.high {
            Some(high) => said.push_str(&format!(
                "; 95 % profile interval {} to {high}",
                profile.low
            )),
            None => said.push_str(&format!(
                "; 95 % profile interval from {}, no upper limit",
                profile.low
            )),
        }
    }
    if let Some(p) = headline.p {
        said.push_str(&format!(
            "; a pass takes {:.0} % of the fish there",
            100.0 * p
        ));
    }
    said
}

/// A half-width in whole fish from ten up, in tenths below.
fn spread(width: f64) -> String {
    if width >= 9.95 {
        format!("{width:.0}")
    } else {
        format!("{width:.1}")
    }
}

fn counted(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}
