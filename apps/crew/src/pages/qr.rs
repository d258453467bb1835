//! A text as a square code for a camera.

use maud::{Markup, html};
use qrcode::{Color, EcLevel, QrCode};

/// Light modules around the code, as the standard wants them (ISO/IEC 18004, section on quiet zones).
const QUIET: usize = 4;

/// The code as a picture; nothing where the text is too long for one.
pub(super) fn square(text: &str, described: &str) -> Option<Markup> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).ok()?;
    let side = code.width() + 2 * QUIET;
    Some(html! {
        svg.qr viewBox={ "0 0 " (side) " " (side) } role="img" aria-label=(described)
            shape-rendering="crispEdges" {
            rect width=(side) height=(side) fill="#fff" {}
            path fill="#000" d=(dark(&code)) {}
        }
    })
}

/// The dark modules as a path, one stroke for each run of them in a row.
fn dark(code: &QrCode) -> String {
    let mut path = String::new();
    for (y, row) in code.to_colors().chunks(code.width().max(1)).enumerate() {
        let mut x = 0;
        while x < row.len() {
            let run = row[x..].iter().take_while(|c| **c == Color::Dark).count();
            if run > 0 {
                path += &format!("M{} {}h{run}v1h-{run}z", x + QUIET, y + QUIET);
            }
            x += run.max(1);
        }
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The three finder patterns (ISO/IEC 18004): a dark ring of seven, a light one, a dark square
    /// of three, at three corners of every code.
    #[test]
    fn the_path_is_the_codes_dark_modules() {
        let code = QrCode::with_error_correction_level("k7mq", EcLevel::M).unwrap();
        let path = dark(&code);
        let side = code.width();
        assert!(path.starts_with(&format!("M{QUIET} {QUIET}h7v1h-7z")));
        let across = QUIET + side - 7;
        for corner in [
            format!("M{across} {QUIET}h7v1h-7z"),
            format!("M{QUIET} {across}h7v1h-7z"),
        ] {
            assert!(path.contains(&corner), "{corner} in {path}");
        }
        let runs: usize = path
            .split('h')
            .skip(1)
            .step_by(2)
            .map(|run| run.split('v').next().unwrap().parse::<usize>().unwrap())
            .sum();
        let modules = code.to_colors();
        assert_eq!(runs, modules.iter().filter(|c| **c == Color::Dark).count());
    }

    #[test]
    fn a_text_too_long_for_any_code_has_none() {
        assert!(square(&"x".repeat(5_000), "").is_none());
        assert!(square("GRAVELBAR", "an invitation").is_some());
    }
}
