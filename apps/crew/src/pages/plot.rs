//! Catch by pass as bars, with the decline that the estimate fits to them.

use gravelbar_reduce::Removal;
use maud::{Markup, html};

const WIDTH: f64 = 280.0;
const HEIGHT: f64 = 178.0;
const LEFT: f64 = 14.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 50.0;
const INK: &str = "#11150f";
const RIVER: &str = "#0c4a3e";

/// Bars with their counts written under them. The line is where equal catchability would put each
/// catch, `p N (1 - p)^(i - 1)`, from the estimate beside it; it is drawn, never printed as a
/// number.
pub(super) fn decline(removal: &Removal, name: &str) -> Markup {
    let catch = &removal.catch;
    if catch.is_empty() {
        return html! {};
    }
    let fitted: Vec<f64> = removal
        .headline()
        .and_then(|h| h.p.map(|p| (h.n_fish as f64, p)))
        .map(|(n, p)| {
            std::iter::successors(Some(n * p), |last| Some(last * (1.0 - p)))
                .take(catch.len())
                .collect()
        })
        .unwrap_or_default();
    let top = (catch.iter().map(|n| *n as f64))
        .chain(fitted.iter().copied())
        .fold(1.0, f64::max);
    let step = (WIDTH - LEFT - RIGHT) / catch.len() as f64;
    let middle = |i: usize| LEFT + step * (i as f64 + 0.5);
    let y = |value: f64| HEIGHT - BOTTOM - value / top * (HEIGHT - TOP - BOTTOM);
    let bar = (step * 0.6).min(54.0);
    let points: Vec<String> = (fitted.iter().enumerate())
        .map(|(i, value)| format!("{:.1},{:.1}", middle(i), y(*value)))
        .collect();
    let floor = HEIGHT - BOTTOM;
    html! {
        svg.plot viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img" aria-label={ (name) ", catch by pass" } {
            line x1=(LEFT) y1=(floor) x2=(WIDTH - RIGHT) y2=(floor) stroke=(INK) stroke-width="2" {}
            @for (i, n) in catch.iter().enumerate() {
                @let at = y(*n as f64);
                rect x=(format!("{:.1}", middle(i) - bar / 2.0)) y=(format!("{at:.1}"))
                    width=(format!("{bar:.1}")) height=(format!("{:.1}", (floor - at).max(0.0)))
                    fill="#b9d3c6" stroke=(RIVER) stroke-width="2" {}
                text x=(format!("{:.1}", middle(i))) y=(HEIGHT - 29.0)
                    text-anchor="middle" font-size="20" font-weight="700" fill=(INK) { (n) }
                text x=(format!("{:.1}", middle(i))) y=(HEIGHT - 9.0)
                    text-anchor="middle" font-size="15" fill=(INK) { "pass " (i + 1) }
            }
            @if points.len() > 1 {
                polyline points=(points.join(" ")) fill="none" stroke=(INK) stroke-width="2.5"
                    stroke-dasharray="7 5" {}
            }
            @for (i, value) in fitted.iter().enumerate() {
                circle cx=(format!("{:.1}", middle(i))) cy=(format!("{:.1}", y(*value))) r="4.5"
                    fill="#ffffff" stroke=(INK) stroke-width="2.5" {}
            }
        }
    }
}
