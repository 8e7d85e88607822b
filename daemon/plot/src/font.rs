//! The font inside the program, and how wide its text is.

use std::sync::{Arc, LazyLock};

use resvg::usvg::fontdb;
use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};

/// Family name of the embedded font. A page that shows the SVG may serve [`FONT_REGULAR`] and
/// [`FONT_BOLD`] under it; without them a viewer falls back on its own sans-serif.
pub const FONT_FAMILY: &str = "Leverarm Sans";
/// OpenType font, normal weight.
pub const FONT_REGULAR: &[u8] = include_bytes!("../../assets/fonts/LeverarmSans-Regular.otf");
/// OpenType font, bold.
pub const FONT_BOLD: &[u8] = include_bytes!("../../assets/fonts/LeverarmSans-Bold.otf");
/// Licence of both (SIL Open Font License 1.1), to be passed on with them.
pub const FONT_LICENCE: &str = include_str!("../../assets/fonts/LICENSE-OFL-1.1.txt");

static DATABASE: LazyLock<Arc<fontdb::Database>> = LazyLock::new(|| {
    let mut database = fontdb::Database::new();
    for data in [FONT_REGULAR, FONT_BOLD] {
        database.load_font_source(fontdb::Source::Binary(Arc::new(data)));
    }
    database.set_sans_serif_family(FONT_FAMILY);
    Arc::new(database)
});

/// The embedded fonts for the rasteriser; no system font is in it.
pub(super) fn database() -> Arc<fontdb::Database> {
    Arc::clone(&DATABASE)
}

/// Weight of a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    /// As body text.
    Regular,
    /// As headings.
    Bold,
}

/// Width of `text` at `size_px`, in pixels. Kerning is left out, so it errs on the wide side; a
/// sign the font doesn't have counts as one em.
pub fn width(text: &str, size_px: f64, weight: Weight) -> f64 {
    let data = match weight {
        Weight::Regular => FONT_REGULAR,
        Weight::Bold => FONT_BOLD,
    };
    let em_widths = |font: FontRef<'static>| -> f64 {
        let charmap = font.charmap();
        let metrics = font.glyph_metrics(Size::new(1.0), LocationRef::default());
        let advance = |c| {
            charmap
                .map(c)
                .and_then(|glyph| metrics.advance_width(glyph))
        };
        text.chars()
            .map(|c| f64::from(advance(c).unwrap_or(1.0)))
            .sum()
    };
    // The fonts are part of the program and load in every test, so the other case is a formality.
    let ems = FontRef::new(data).map_or(0.6, em_widths);
    ems * size_px
}

/// `text` broken at spaces into at most `lines_max` lines no wider than `width_px`; what doesn't
/// fit ends in "…".
pub fn wrap(
    text: &str,
    width_px: f64,
    size_px: f64,
    weight: Weight,
    lines_max: usize,
) -> Vec<String> {
    let fits = |line: &str| width(line, size_px, weight) <= width_px;
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let joined = lines.last().map(|line| format!("{line} {word}"));
        match (lines.last_mut(), joined) {
            (Some(line), Some(joined)) if fits(&joined) || lines_max <= 1 => *line = joined,
            _ => lines.push(word.to_owned()),
        }
    }
    if lines.len() > lines_max {
        let rest = lines.split_off(lines_max.saturating_sub(1));
        lines.push(rest.join(" "));
    }
    for line in &mut lines {
        if !fits(line) {
            *line = elided(line, fits);
        }
    }
    lines
}

/// The longest beginning of `line` that fits with "…" behind it.
fn elided(line: &str, fits: impl Fn(&str) -> bool) -> String {
    let mut kept: Vec<char> = line.chars().collect();
    while kept.pop().is_some() {
        let shorter = kept.iter().collect::<String>();
        let shorter = format!("{}…", shorter.trim_end());
        if fits(&shorter) {
            return shorter;
        }
    }
    String::from("…")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_the_fonts_own() {
        // fonttools 4.68 on Inter Medium, 2816 units to the em: advance of the tabular zero.
        let zero = width("0", 2816.0, Weight::Regular);
        assert!((zero - 1856.0).abs() < 1.0, "{zero}");
        assert!(width("wide", 20.0, Weight::Bold) > width("wide", 20.0, Weight::Regular));
        assert!((width("\u{4e00}", 20.0, Weight::Regular) - 20.0).abs() < 1e-9);
    }

    #[test]
    fn text_wraps_and_is_cut_to_the_width() {
        let line = "one two three four five six seven eight nine ten";
        let wide = width(line, 10.0, Weight::Regular);
        assert_eq!(wrap(line, wide + 1.0, 10.0, Weight::Regular, 2), [line]);
        let lines = wrap(line, 0.4 * wide, 10.0, Weight::Regular, 2);
        assert_eq!(lines.len(), 2);
        assert!(lines[1].ends_with('…'));
        for line in lines {
            assert!(width(&line, 10.0, Weight::Regular) <= 0.4 * wide);
        }
        assert!(wrap("   ", 100.0, 10.0, Weight::Regular, 2).is_empty());
        assert_eq!(wrap("long", 0.0, 10.0, Weight::Regular, 1), ["…"]);
    }
}
