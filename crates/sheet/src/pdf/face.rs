//! The two faces of type: which glyph a character has and how wide it is.

use super::PrintError;

const REGULAR: &[u8] = include_bytes!("../../fonts/SourceSans3-Regular.ttf");
const STRONG: &[u8] = include_bytes!("../../fonts/SourceSans3-Semibold.ttf");

/// What stands for a character that the font lacks.
const LACKING: char = '□';

/// Which face.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Weight {
    Regular,
    Strong,
}

/// A face.
pub(crate) struct Face {
    pub(crate) name: &'static str,
    pub(crate) data: &'static [u8],
    pub(crate) parsed: ttf_parser::Face<'static>,
    /// Glyph and advance of the commonest characters, by their number: most of a page.
    common: Vec<(u16, f32)>,
}

/// Characters kept at hand: Latin with its accents.
const COMMON: u32 = 0x250;

/// Both faces.
pub(crate) struct Faces {
    pub(crate) regular: Face,
    pub(crate) strong: Face,
}

impl Faces {
    pub(crate) fn new() -> Result<Self, PrintError> {
        Ok(Self {
            regular: Face::new("SourceSans3-Regular", REGULAR)?,
            strong: Face::new("SourceSans3-Semibold", STRONG)?,
        })
    }

    pub(crate) fn of(&self, weight: Weight) -> &Face {
        match weight {
            Weight::Regular => &self.regular,
            Weight::Strong => &self.strong,
        }
    }
}

impl Face {
    fn new(name: &'static str, data: &'static [u8]) -> Result<Self, PrintError> {
        let parsed =
            ttf_parser::Face::parse(data, 0).map_err(|e| PrintError::Fonts(e.to_string()))?;
        let mut face = Self {
            name,
            data,
            parsed,
            common: Vec::new(),
        };
        face.common = (0..COMMON)
            .map(|c| {
                let glyph = face.look_up(char::from_u32(c).unwrap_or(LACKING));
                (glyph, face.advance(glyph))
            })
            .collect();
        Ok(face)
    }

    /// The character's glyph, or that of the sign for a lacking one.
    pub(crate) fn glyph(&self, c: char) -> u16 {
        self.at_hand(c)
            .map_or_else(|| self.look_up(c), |(glyph, _)| glyph)
    }

    fn at_hand(&self, c: char) -> Option<(u16, f32)> {
        let place = usize::try_from(u32::from(c)).ok()?;
        self.common.get(place).copied()
    }

    fn look_up(&self, c: char) -> u16 {
        let of = |c| self.parsed.glyph_index(c).map(|glyph| glyph.0);
        of(c).or_else(|| of(LACKING)).unwrap_or(0)
    }

    /// The character as it can be printed.
    pub(crate) fn printable(&self, c: char) -> char {
        match self.parsed.glyph_index(c) {
            Some(_) => c,
            None => LACKING,
        }
    }

    /// Thousandths of the type size.
    pub(crate) fn advance(&self, glyph: u16) -> f32 {
        let units = f32::from(self.parsed.units_per_em());
        let advance = self.parsed.glyph_hor_advance(ttf_parser::GlyphId(glyph));
        f32::from(advance.unwrap_or(0)) * 1_000.0 / units
    }

    /// Width of a text, pt.
    pub(crate) fn width_pt(&self, words: &str, size_pt: f32) -> f32 {
        let thousandths: f32 = (words.chars())
            .map(|c| match self.at_hand(c) {
                Some((_, advance)) => advance,
                None => self.advance(self.look_up(c)),
            })
            .sum();
        thousandths * size_pt / 1_000.0
    }
}

/// Whether a character has no place of its own on paper: control, joiner, direction, variation.
pub(crate) fn is_bare(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{fe00}'..='\u{fe0f}' | '\u{feff}' | '\u{e0000}'..='\u{e0fff}')
}
