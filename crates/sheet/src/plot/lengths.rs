//! Fish by length.

use gravelbar_reduce::Lengths;

use super::{Anchor, Drawing, FLOOR, LEFT, RIGHT, SMALL, Shape, TOP, WIDTH, Words, floor, height};

/// Fewer measured fish than this make no picture (judgement, no source).
const FEWEST: u64 = 5;

/// Bars of the reducer's length bins. `None` where fewer than five fish were measured, or none of
/// them has a length that a fish can have.
#[must_use]
pub fn length_frequency(lengths: &Lengths, name: &str) -> Option<Drawing> {
    let bins = &lengths.bins;
    let (first, last) = (bins.first()?, bins.last()?);
    if lengths.measured < FEWEST {
        return None;
    }
    let end_mm = last.from_mm.saturating_add(lengths.bin_mm);
    let most = bins.iter().map(|b| b.fish).max().unwrap_or(1).max(1);
    // The scale's words stand over the tallest bar.
    let top = f64::from(most) * 1.18;
    let step = (WIDTH - LEFT - RIGHT) / bins.len() as f32;
    let mut shapes = vec![floor()];
    for (i, bin) in bins.iter().enumerate().filter(|(_, bin)| bin.fish > 0) {
        let at = height(f64::from(bin.fish), top);
        let left = LEFT + step * i as f32;
        shapes.push(Shape::Bar([left, at, step, FLOOR - at]));
    }
    let words = |x: f32, y: f32, anchor: Anchor, text: String| {
        Shape::Words(Words {
            at: [x, y],
            size: SMALL,
            strong: false,
            anchor,
            text,
        })
    };
    let below = FLOOR + 20.0;
    shapes.push(words(
        LEFT,
        below,
        Anchor::Start,
        format!("{} mm", first.from_mm),
    ));
    shapes.push(words(
        WIDTH - RIGHT,
        below,
        Anchor::End,
        format!("{end_mm} mm"),
    ));
    let scale = format!("most in {} mm: {most} fish", lengths.bin_mm);
    shapes.push(words(WIDTH - RIGHT, TOP + 3.0, Anchor::End, scale));
    let n = format!("{} measured", lengths.measured);
    shapes.push(words(WIDTH / 2.0, FLOOR + 41.0, Anchor::Middle, n));
    let told: Vec<String> = (bins.iter().filter(|b| b.fish > 0))
        .map(|b| format!("from {} mm {}", b.from_mm, b.fish))
        .collect();
    Some(Drawing {
        title: format!("{name}, fish by length"),
        description: format!(
            "{name}, fish by length in bins of {} mm, {} measured: {}",
            lengths.bin_mm,
            lengths.measured,
            told.join(", ")
        ),
        shapes,
    })
}
