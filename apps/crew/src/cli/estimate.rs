//! `gravelbar estimate`: population estimates from the catch of each pass.

use clap::Args;
use gravelbar_estimate::Analysis;

use super::{Wrong, say};

#[derive(Args)]
pub(super) struct Estimate {
    /// Fish caught on each pass, first pass first, such as 24,17,8.
    #[arg(long, value_name = "FISH,FISH,…", allow_hyphen_values = true)]
    catch: String,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(estimate: &Estimate) -> Result<(), Wrong> {
    let catch = parse(&estimate.catch)?;
    let analysis = Analysis::of(&catch).map_err(|e| Wrong::new(format!("--catch: {e}")))?;
    if estimate.json {
        let text = serde_json::to_string(&analysis)
            .map_err(|e| Wrong::new(format!("the result can't be written: {e}")))?;
        say(&text);
    } else {
        say(&in_words(&analysis));
    }
    Ok(())
}

/// The analysis for a person: the verdict first, then each estimator with its spread, or why it
/// gives no number.
fn in_words(analysis: &Analysis) -> String {
    let catch: Vec<String> = analysis.catch.iter().map(ToString::to_string).collect();
    let mut lines = vec![
        format!("caught {}, together {}", catch.join(", "), analysis.total),
        analysis.verdict.clone(),
        String::new(),
    ];
    let spread = |se: Option<f64>| se.map_or(String::new(), |se| format!(", SE {se:.1}"));
    if let Some(z) = &analysis.zippin {
        lines.push(format!(
            "Zippin, conditional maximum likelihood: {:.1} fish{}, p {:.2}",
            z.n_fish,
            spread(z.se_fish),
            z.p
        ));
    }
    if let Some(ml) = &analysis.integer_ml {
        lines.push(format!(
            "full maximum likelihood, whole fish: {} fish, p {:.2}",
            ml.n_fish, ml.p
        ));
    }
    if let Some(cs) = &analysis.carle_strub {
        lines.push(format!(
            "Carle and Strub, weighted likelihood: {} fish{}, p {:.2}",
            cs.n_fish,
            spread(cs.se_fish),
            cs.p
        ));
    }
    if let Some(two) = &analysis.two_pass {
        lines.push(format!(
            "Seber and Le Cren, two passes: {:.1} fish{}, p {:.2}",
            two.n_fish,
            spread(two.se_fish),
            two.p
        ));
    }
    if let Some(profile) = &analysis.profile_95 {
        lines.push(match profile.high {
            Some(high) => format!("95 % profile interval: {} to {high} fish", profile.low),
            None => format!("95 % profile interval: from {} fish, no upper limit", profile.low),
        });
    }
    if let Some(chi) = &analysis.chi_square {
        lines.push(format!(
            "equal catchability, chi-square: {:.2} on {} df, P {:.2} (a high P clears nothing at field sample sizes)",
            chi.statistic, chi.df, chi.p_value
        ));
    }
    let mut reasons: Vec<String> = analysis.refused.values().map(ToString::to_string).collect();
    reasons.sort_unstable();
    reasons.dedup();
    lines.extend(reasons.into_iter().map(|why| format!("no number: {why}")));
    lines.push(String::new());
    lines.push(analysis.caution.to_owned());
    lines.join("\n")
}

fn parse(text: &str) -> Result<Vec<u32>, Wrong> {
    text.split(',')
        .map(|pass| {
            let pass = pass.trim();
            pass.parse().map_err(|_| {
                let shown: String = pass.chars().take(30).collect();
                Wrong::new(format!(
                    "--catch: “{shown}” is not a number of fish: give whole numbers from 0 with commas between, such as 24,17,8"
                ))
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::parse;

    #[test]
    fn blanks_around_counts_are_fine_and_anything_else_is_named() {
        assert_eq!(parse("24, 17 ,8").unwrap(), [24, 17, 8]);
        for nonsense in ["", "24,,8", "24;17", "-3,1", "2.5,1", "9999999999", "24,x"] {
            let words = parse(nonsense).unwrap_err().to_string();
            assert!(
                words.contains("is not a number of fish"),
                "{nonsense}: {words}"
            );
            assert!(!words.contains('\n'));
        }
    }
}
