//! The summary of a merged visit, from its records to the numbers, and how it grows.

use std::time::{Duration, Instant};

use gravelbar_tests::marl_fork::marl_fork;
use gravelbar_visit::Visit;

fn main() {
    println!(
        "{:>22} {:>8} {:>10} {:>10} {:>10} {:>10}",
        "visit", "records", "view", "summary", "both", "ratio"
    );
    let quillet = gravelbar_crew::demo::story()
        .and_then(|story| gravelbar_crew::demo::replay(&story))
        .unwrap();
    measure("Quillet Brook", &quillet, None);
    let mut one = None;
    for scale in [1, 3, 10] {
        let visit = marl_fork(scale);
        let both = measure(&format!("Marl Fork x{scale}"), &visit, one);
        one.get_or_insert(both);
    }
}

fn measure(name: &str, visit: &Visit, one: Option<Duration>) -> Duration {
    let (mut views, mut summaries) = (Vec::new(), Vec::new());
    for _ in 0..9 {
        let begun = Instant::now();
        let view = visit.view();
        views.push(begun.elapsed());
        let begun = Instant::now();
        std::hint::black_box(gravelbar_reduce::summarize(&view));
        summaries.push(begun.elapsed());
    }
    views.sort_unstable();
    summaries.sort_unstable();
    let (view, summary) = (views[4], summaries[4]);
    let both = view + summary;
    let ratio = one.map_or(1.0, |one| both.as_secs_f64() / one.as_secs_f64());
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    println!(
        "{name:>22} {:>8} {:>7.2} ms {:>7.2} ms {:>7.2} ms {ratio:>10.2}",
        visit.records().len(),
        ms(view),
        ms(summary),
        ms(both)
    );
    both
}
