//! Plays the invented Quillet Brook visit on five devices.

mod labels;
mod replay;
mod story;

use std::path::PathBuf;

pub use labels::{Labels, UnknownLabel};
pub use replay::{Replay, replay};
pub use story::{Hand, Letter, Line, SignLine, SpareVisit, Stage, Step, Story, StoryError, story};

/// How the demo is played.
#[derive(Debug, Clone, Default)]
pub struct DemoOptions {
    /// Without waiting between steps.
    pub fast: bool,
    /// Show the pages of the merged visit at the end.
    pub pages: bool,
    /// Open a browser for them.
    pub open_browser: bool,
    /// Keep the five data folders here.
    pub keep: Option<PathBuf>,
}

/// Why the demo did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// Not there.
    #[error("the demo isn't built yet")]
    Missing,
}

/// Plays it.
///
/// # Errors
///
/// [`DemoError`].
pub async fn run(_options: DemoOptions) -> Result<(), DemoError> {
    Err(DemoError::Missing)
}
