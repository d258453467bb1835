//! Plots as a few shapes in a box: drawn as SVG for a screen, and stroke by stroke on paper.
//!
//! Nothing is told by colour: bars are outlined, the fitted line is dashed with hollow dots, and
//! every number drawn stands as text or in the description.

mod decline;
mod interval;
mod lengths;
mod svg;

pub use decline::decline;
pub use interval::interval_by_pass;
pub use lengths::length_frequency;

/// Width of the box in its own units.
pub(crate) const WIDTH: f32 = 280.0;
/// Its height.
pub(crate) const HEIGHT: f32 = 178.0;
const LEFT: f32 = 14.0;
const RIGHT: f32 = 14.0;
const TOP: f32 = 12.0;
const BOTTOM: f32 = 50.0;
/// Where bars stand.
const FLOOR: f32 = HEIGHT - BOTTOM;
/// Sizes of words in it.
const LARGE: f32 = 20.0;
const SMALL: f32 = 15.0;

/// A plot, with what it shows in words.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    pub(crate) title: String,
    pub(crate) description: String,
    pub(crate) shapes: Vec<Shape>,
}

/// A tint; on grey paper they differ by darkness.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tint {
    Ink,
    River,
    Pale,
    White,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Shape {
    /// From, to, thickness.
    Line([f32; 2], [f32; 2], f32),
    /// Left, top, width, height.
    Bar([f32; 4]),
    /// A dashed line through points.
    Dashes(Vec<[f32; 2]>),
    /// Middle and radius; hollow or full.
    Dot([f32; 2], f32, Tint),
    Words(Words),
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Words {
    pub(crate) at: [f32; 2],
    pub(crate) size: f32,
    pub(crate) strong: bool,
    pub(crate) anchor: Anchor,
    pub(crate) text: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

impl Drawing {
    /// What the plot shows, in words: every number in it, for those who can't see it.
    #[must_use]
    pub fn description(&self) -> &str {
        &self.description
    }

    /// What stands over it.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.title
    }
}

impl Tint {
    /// Red, green and blue, 0 to 255.
    pub(crate) fn rgb(self) -> [u8; 3] {
        match self {
            Self::Ink => [0x11, 0x15, 0x0f],
            Self::River => [0x0c, 0x4a, 0x3e],
            Self::Pale => [0xb9, 0xd3, 0xc6],
            Self::White => [0xff, 0xff, 0xff],
        }
    }
}

fn centred(at: [f32; 2], size: f32, strong: bool, text: String) -> Shape {
    Shape::Words(Words {
        at,
        size,
        strong,
        anchor: Anchor::Middle,
        text,
    })
}

fn floor() -> Shape {
    Shape::Line([LEFT, FLOOR], [WIDTH - RIGHT, FLOOR], 2.0)
}

/// Height of a value in a box that reaches up to `top`.
fn height(value: f64, top: f64) -> f32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a share of the box's height needs no more digits than the paper has"
    )]
    let share = (value / top).clamp(0.0, 1.0) as f32;
    FLOOR - share * (FLOOR - TOP)
}
