//! Catch by pass as bars, with the decline that the estimate fits to them.

use gravelbar_reduce::Removal;

use super::{
    Drawing, FLOOR, LARGE, LEFT, RIGHT, SMALL, Shape, Tint, WIDTH, centred, floor, height,
};

/// More bars than this would be hairs.
const MOST_PASSES: usize = 20;

/// Bars with their counts written under them, and where equal catchability would put each catch
/// ([`Removal::fitted`]) as a dashed line: drawn, never printed as a number. `None` where no pass
/// can be used, or more than can be drawn.
#[must_use]
pub fn decline(removal: &Removal, name: &str) -> Option<Drawing> {
    let catch = &removal.catch;
    if catch.is_empty() || catch.len() > MOST_PASSES {
        return None;
    }
    let fitted = removal.fitted();
    let top = (catch.iter().map(|n| *n as f64))
        .chain(fitted.iter().copied())
        .fold(1.0, f64::max);
    let step = (WIDTH - LEFT - RIGHT) / catch.len() as f32;
    let middle = |i: usize| LEFT + step * (i as f32 + 0.5);
    let bar = (step * 0.6).min(54.0);
    let crowded = catch.len() > 5;
    let mut shapes = vec![floor()];
    for (i, n) in catch.iter().enumerate() {
        let at = height(*n as f64, top);
        shapes.push(Shape::Bar([middle(i) - bar / 2.0, at, bar, FLOOR - at]));
        let size = if crowded { SMALL } else { LARGE };
        shapes.push(centred(
            [middle(i), FLOOR + 21.0],
            size,
            true,
            n.to_string(),
        ));
        let pass = if crowded {
            (i + 1).to_string()
        } else {
            format!("pass {}", i + 1)
        };
        shapes.push(centred([middle(i), FLOOR + 41.0], SMALL, false, pass));
    }
    let points: Vec<[f32; 2]> = (fitted.iter().enumerate())
        .map(|(i, value)| [middle(i), height(*value, top)])
        .collect();
    if points.len() > 1 {
        shapes.push(Shape::Dashes(points.clone()));
    }
    shapes.extend(points.iter().map(|at| Shape::Dot(*at, 4.5, Tint::White)));
    let told: Vec<String> = (catch.iter().enumerate())
        .map(|(i, n)| format!("pass {} {n}", i + 1))
        .collect();
    let line = if points.is_empty() {
        "; no decline fitted"
    } else {
        "; the dashed line is the fitted decline"
    };
    Some(Drawing {
        title: format!("{name}, catch by pass"),
        description: format!("{name}, catch by pass: {}{line}", told.join(", ")),
        shapes,
    })
}
