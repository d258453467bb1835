//! The estimate as it stood after each pass, with its interval.

use gravelbar_reduce::Removal;

use super::{Drawing, FLOOR, LEFT, RIGHT, SMALL, Shape, TOP, Tint, WIDTH, centred, floor, height};

const MOST_PASSES: usize = 12;

/// One estimate after some pass.
struct Stood {
    passes: usize,
    n_fish: u64,
    low: u64,
    /// `None` where there is no upper limit.
    high: Option<u64>,
}

/// How the 95 % profile interval closed from pass to pass: a dot for the estimate, a bar for the
/// interval, an arrow where it has no upper end. `None` where fewer than two passes have one.
#[must_use]
pub fn interval_by_pass(removal: &Removal, name: &str) -> Option<Drawing> {
    let stood: Vec<Stood> = (removal.after.iter())
        .filter_map(|after| {
            let headline = after.headline.as_ref()?;
            let profile = headline.profile_95?;
            Some(Stood {
                passes: after.passes,
                n_fish: headline.n_fish,
                low: profile.low,
                high: profile.high,
            })
        })
        .collect();
    if stood.len() < 2 || stood.len() > MOST_PASSES {
        return None;
    }
    let ends = stood
        .iter()
        .map(|s| s.high.unwrap_or(s.n_fish).max(s.n_fish));
    let top = ends.max().unwrap_or(1) as f64 * 1.08;
    let step = (WIDTH - LEFT - RIGHT) / stood.len() as f32;
    // Beside each other there is room for two intervals in figures; more stand in the description.
    let roomy = stood.len() == 2;
    let mut shapes = vec![floor()];
    let mut told = Vec::new();
    for (i, s) in stood.iter().enumerate() {
        let x = LEFT + step * (i as f32 + 0.5);
        let low = height(s.low as f64, top);
        let high = s.high.map_or(TOP, |high| height(high as f64, top));
        shapes.push(Shape::Line([x, low], [x, high], 3.0));
        shapes.push(Shape::Line([x - 9.0, low], [x + 9.0, low], 3.0));
        if s.high.is_some() {
            shapes.push(Shape::Line([x - 9.0, high], [x + 9.0, high], 3.0));
        } else {
            shapes.push(Shape::Line([x - 7.0, high + 9.0], [x, high], 3.0));
            shapes.push(Shape::Line([x + 7.0, high + 9.0], [x, high], 3.0));
        }
        shapes.push(Shape::Dot(
            [x, height(s.n_fish as f64, top)],
            6.0,
            Tint::Ink,
        ));
        let interval = match s.high {
            Some(high) => format!("{} to {high}", s.low),
            None => format!("from {}", s.low),
        };
        let (above, below) = if roomy {
            (
                format!("after {}: {}", s.passes, s.n_fish),
                interval.clone(),
            )
        } else {
            (s.n_fish.to_string(), s.passes.to_string())
        };
        shapes.push(centred([x, FLOOR + 20.0], SMALL, true, above));
        shapes.push(centred([x, FLOOR + 41.0], SMALL, false, below));
        told.push(format!(
            "after {} passes {}, interval {interval}",
            s.passes, s.n_fish
        ));
    }
    Some(Drawing {
        title: format!("{name}, estimate by pass"),
        description: format!(
            "{name}, Carle-Strub estimate with its 95 % profile interval: {}",
            told.join("; ")
        ),
        shapes,
    })
}
