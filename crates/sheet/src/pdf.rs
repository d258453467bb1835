//! The sheet on paper: one page, folded until it fits, as the bytes of a tagged PDF.

mod bytes;
mod face;
mod layout;
mod page;

use crate::fold::{Squeeze, folded};
use crate::model::Sheet;
use face::Faces;
use layout::Composer;
use page::Page;

/// Size of the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Paper {
    /// 210 by 297 mm.
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl Paper {
    /// Width and height, pt.
    pub(crate) fn size_pt(self) -> [f32; 2] {
        match self {
            Self::A4 => [595.28, 841.89],
            Self::Letter => [612.0, 792.0],
        }
    }
}

/// A sheet that can't be printed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// The fonts inside the program can't be read.
    #[error("the fonts inside this program can't be read ({0}): install the program again")]
    Fonts(String),
}

/// A sheet laid out on one page.
#[derive(Debug)]
pub struct Printed {
    page: Page,
    squeeze: Squeeze,
    room_pt: f32,
    used_pt: f32,
    pdf: Vec<u8>,
}

impl Printed {
    /// The page as a PDF 1.7 file: tagged, with title and language, fonts inside, no date, so that
    /// equal sheets give equal bytes.
    #[must_use]
    pub fn pdf(&self) -> &[u8] {
        &self.pdf
    }

    /// Every word on the page in reading order, pieces apart by line breaks; characters that the
    /// font lacks as □.
    #[must_use]
    pub fn words(&self) -> String {
        self.page.words()
    }

    /// Size of the running text, pt; 7 at least.
    #[must_use]
    pub fn type_pt(&self) -> f32 {
        self.squeeze.type_pt
    }

    /// Height that the page offers between its margins, and what is used of it, pt.
    #[must_use]
    pub fn heights_pt(&self) -> [f32; 2] {
        [self.room_pt, self.used_pt]
    }
}

impl Sheet {
    /// Lays the sheet out on one page. What doesn't fit gives way in a stated order: smaller type,
    /// plots, size groups, species with the fewest fish, ends of lists, and sentences last; what
    /// is left out leaves a line that says how much.
    ///
    /// # Errors
    ///
    /// [`PrintError`] when the fonts that come with the program are damaged.
    pub fn print(&self, paper: Paper) -> Result<Printed, PrintError> {
        let faces = Faces::new()?;
        let steps = Squeeze::steps(self.type_pt);
        let at = |step: usize| steps.get(step).copied().unwrap_or(Squeeze::WHOLE);
        // After the last step a sheet has a fixed number of parts with a few short lines each,
        // which is less than a page. The step looked for is either that one or one that was tried
        // and fits, even where a step should make a page higher than the one before.
        let (mut low, mut high) = (0, steps.len().saturating_sub(1));
        while low < high {
            let middle = (low + high) / 2;
            let tried = self.lay(&faces, paper, at(middle));
            if tried.used_pt <= tried.room_pt {
                high = middle;
            } else {
                low = middle + 1;
            }
        }
        let laid = self.lay(&faces, paper, at(high));
        let pdf = bytes::write(self, paper, &faces, &laid.page)?;
        Ok(Printed { pdf, ..laid })
    }

    fn lay(&self, faces: &Faces, paper: Paper, squeeze: Squeeze) -> Printed {
        let mut composer = Composer::new(faces, paper, squeeze);
        composer.sheet(&folded(self, squeeze));
        let [room_pt, used_pt] = composer.heights_pt();
        Printed {
            page: composer.page(),
            squeeze,
            room_pt,
            used_pt,
            pdf: Vec::new(),
        }
    }
}
