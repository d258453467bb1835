//! How often the intervals hold the truth: simulated reaches of 10 to 1,000 fish, `p` constant and falling, one to six passes.
//!
//! `cargo run --release -p gravelbar-estimate --example coverage` writes `docs/coverage.csv`, `docs/coverage.md` and
//! `docs/coverage.svg` beside this crate anew. Seeded cell by cell: the same code writes the same files.

#![expect(
    clippy::print_stdout,
    reason = "a run of minutes says how far it has come"
)]

mod picture;
mod study;
mod words;

use std::error::Error;
use std::fs;
use std::path::Path;
use study::{Reach, Row, fish};

const FISH: [u32; 7] = [10, 20, 50, 100, 200, 500, 1000];
const TENTHS: [u32; 6] = [1, 2, 3, 5, 7, 9];
/// `p` the same on every pass, and falling by a fifth from pass to pass.
const KEPT_TENTHS: [u32; 2] = [10, 8];

fn main() -> Result<(), Box<dyn Error>> {
    let mut rows = Vec::new();
    for kept_tenths in KEPT_TENTHS {
        for passes in 1..=6 {
            // One pass has nothing to fall.
            if passes == 1 && kept_tenths < 10 {
                continue;
            }
            for tenths in TENTHS {
                for fish_present in FISH {
                    rows.push(fish(Reach {
                        fish: fish_present,
                        tenths,
                        kept_tenths,
                        passes,
                    })?);
                }
            }
            println!("{passes} passes, each {kept_tenths} tenths of the one before: done");
        }
    }
    let docs = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs");
    let lines: Vec<String> = rows.iter().map(Row::line).collect();
    fs::write(
        docs.join("coverage.csv"),
        format!("{}\n{}\n", Row::COLUMNS, lines.join("\n")),
    )?;
    fs::write(docs.join("coverage.md"), words::page(&rows))?;
    fs::write(docs.join("coverage.svg"), picture::draw(&rows))?;
    Ok(())
}
