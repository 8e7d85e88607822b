//! The SVG as pixels.

use resvg::{tiny_skia, usvg};

use super::svg::svg_without_ground;
use super::{Plot, PlotError, Size, Theme, font, svg};

/// Draws `plot` as a PNG picture of `width_px` by `height_px`.
///
/// # Errors
/// [`PlotError::Size`] for a size out of range, see [`Size::new`]; [`PlotError::Raster`] when rasterising fails, for example for want of memory.
pub fn png(plot: &Plot, width_px: u32, height_px: u32, theme: Theme) -> Result<Vec<u8>, PlotError> {
    let source = svg(plot, Size::new(width_px, height_px)?, theme);
    pixels(&source, width_px, height_px)
}

/// [`png`] with nothing behind it, to be laid over another picture.
///
/// # Errors
/// As [`png`].
pub fn png_without_ground(
    plot: &Plot,
    width_px: u32,
    height_px: u32,
    theme: Theme,
) -> Result<Vec<u8>, PlotError> {
    let source = svg_without_ground(plot, Size::new(width_px, height_px)?, theme);
    pixels(&source, width_px, height_px)
}

fn pixels(source: &str, width_px: u32, height_px: u32) -> Result<Vec<u8>, PlotError> {
    let tree = tree(source)?;
    let mut pixels =
        tiny_skia::Pixmap::new(width_px, height_px).ok_or_else(|| PlotError::Raster {
            step: "making room for the pixels",
            found: format!("no room for {width_px} × {height_px} px"),
        })?;
    resvg::render(
        &tree,
        tiny_skia::Transform::identity(),
        &mut pixels.as_mut(),
    );
    pixels.encode_png().map_err(|error| PlotError::Raster {
        step: "packing the PNG",
        found: error.to_string(),
    })
}

/// An SVG of ours as shapes, with the embedded font.
///
/// # Errors
/// [`PlotError::Raster`] when it can't be read.
pub fn tree(source: &str) -> Result<usvg::Tree, PlotError> {
    let options = usvg::Options {
        fontdb: font::database(),
        font_family: font::FONT_FAMILY.to_owned(),
        ..usvg::Options::default()
    };
    usvg::Tree::from_str(source, &options).map_err(|error| PlotError::Raster {
        step: "reading the SVG",
        found: error.to_string(),
    })
}
