//! Plays the invented Quillet Brook visit on five devices that lose and find each other.

mod air;
mod labels;
mod pages;
mod player;
mod replay;
mod story;
mod telling;

use std::path::{Path, PathBuf};

pub use labels::{Labels, UnknownLabel};
pub use replay::{Replay, replay};
pub use story::{Hand, Letter, Line, SignLine, SpareVisit, Stage, Step, Story, StoryError, story};

use player::Player;
use telling::Telling;

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
    /// The story can't be told.
    #[error(transparent)]
    Story(#[from] StoryError),
    /// The devices' folders can't be made.
    #[error("{folder} can't be used for the devices: {why}")]
    Folder {
        /// Which folder.
        folder: String,
        /// Why.
        why: String,
    },
    /// There are no sockets for the air between the devices.
    #[error("the system gives no sockets for the air between the devices: {0}")]
    Air(std::io::Error),
    /// A device refuses something.
    #[error("device {device}, {doing}: {why}")]
    Device {
        /// Which.
        device: Letter,
        /// At what, or at which time of the story.
        doing: String,
        /// Why.
        why: String,
    },
    /// Devices in reach of each other hold different records for too long.
    #[error("devices in reach of each other did not merge within 30 s; records held: {records}")]
    NotMerged {
        /// Each device and how many records it holds.
        records: String,
    },
    /// Devices that hold the same records reckon differently.
    #[error("devices that hold the same records show {summaries} different summaries")]
    Differ {
        /// How many.
        summaries: usize,
    },
    /// What happens can't be told.
    #[error("what happens can't be written out: {0}")]
    Telling(std::io::Error),
    /// The pages can't be shown.
    #[error("the pages can't be shown: {0}")]
    Pages(std::io::Error),
}

/// The devices' folders; gone afterwards unless they are to be kept.
struct Folders {
    place: PathBuf,
    keep: bool,
}

impl Folders {
    fn make(keep: Option<&Path>) -> Result<Self, DemoError> {
        let place = keep.map_or_else(unused, Path::to_owned);
        let failed = |why: &str| DemoError::Folder {
            folder: place.display().to_string(),
            why: why.to_owned(),
        };
        std::fs::create_dir_all(&place).map_err(|e| failed(&e.to_string()))?;
        let mut inside = std::fs::read_dir(&place).map_err(|e| failed(&e.to_string()))?;
        if inside.next().is_some() {
            return Err(failed("it isn't empty; name an empty folder or a new one"));
        }
        Ok(Self {
            keep: keep.is_some(),
            place,
        })
    }
}

/// A place that no other run has used: one that was killed leaves its folders behind.
fn unused() -> PathBuf {
    let process = std::process::id();
    let places = (0_u32..).map(|n| format!("gravelbar-demo-{process}-{n}"));
    let mut places = places.map(|name| std::env::temp_dir().join(name));
    places.find(|place| !place.exists()).unwrap_or_default()
}

impl Drop for Folders {
    fn drop(&mut self) {
        if !self.keep {
            // Left behind in the system's own place for such things if it can't be removed.
            std::fs::remove_dir_all(&self.place).ok();
        }
    }
}

/// Plays it, telling on standard output what each device sees, and shows the lead's pages at the
/// end until the program is stopped with Ctrl-C, which also ends it on the way.
///
/// # Errors
///
/// [`DemoError`] in words for whoever watches.
pub async fn run(options: DemoOptions) -> Result<(), DemoError> {
    let story = story()?;
    let folders = Folders::make(options.keep.as_deref())?;
    let telling = Telling::new(Box::new(std::io::stdout()));
    let mut player = Player::start(&story, &folders.place, telling, options.fast).await?;
    tokio::select! {
        played = player.play() => played?,
        stopped = tokio::signal::ctrl_c() => return stopped.map_err(DemoError::Telling),
    }
    let lead = player.lead()?;
    let shown = if options.pages {
        pages::show(&lead, player.visit(), options.open_browser).await
    } else {
        Ok(())
    };
    player.close_others().await;
    lead.quit().await;
    shown.map_err(DemoError::Pages)
}
