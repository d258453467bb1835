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
        say(&analysis.to_text());
    }
    Ok(())
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
            assert!(words.contains("is not a number of fish"), "{nonsense}: {words}");
            assert!(!words.contains('\n'));
        }
    }
}
