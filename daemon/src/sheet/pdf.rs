//! A sheet as PDF: its pages, with real text in the program's own font.

use krilla::Document;
use krilla::geom::{Size, Transform};
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla::surface::Surface;
use krilla_svg::{SurfaceExt, SvgSettings};

use super::Sheet;
use super::pages::{Paper, pages};
use leverarm_plot::{PlotError, tree};

/// Why there is no PDF.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PdfError {
    /// A page or figure could not be drawn.
    #[error(transparent)]
    Plot(#[from] PlotError),
    /// The PDF could not be put together: a fault of this program, not of the data.
    #[error("putting the PDF together failed while {step}: {found}")]
    Pdf {
        /// What was being done.
        step: &'static str,
        /// What was found.
        found: String,
    },
}

/// Sets a sheet as PDF.
///
/// # Errors
/// [`PdfError`], never for a sheet of this program.
pub fn pdf(sheet: &Sheet, paper: Paper) -> Result<Vec<u8>, PdfError> {
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new()
            .title(sheet.title.clone())
            .description(sheet.subtitle.clone())
            .creator(format!("leverarm {}", env!("CARGO_PKG_VERSION")))
            .language("en".to_owned()),
    );
    let (width, height) = paper.size_pt();
    for set in pages(sheet, paper)? {
        let failed = |step: &'static str| PdfError::Pdf {
            step,
            found: format!("{width} × {height} pt"),
        };
        let settings =
            PageSettings::from_wh(points(width), points(height)).ok_or(failed("sizing a page"))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        draw(&mut surface, &set.svg, (width, height)).ok_or(failed("drawing a page"))??;
        for figure in &set.figures {
            let place = Transform::from_translate(points(figure.left), points(figure.top));
            surface.push_transform(&place);
            let size = (figure.width, figure.height);
            let drawn = draw(&mut surface, &figure.svg, size).ok_or(failed("drawing a figure"));
            surface.pop();
            drawn??;
        }
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|error| PdfError::Pdf {
        step: "writing it",
        found: format!("{error:?}"),
    })
}

/// Draws a whole SVG in a size; none when it can't be.
fn draw(
    surface: &mut Surface<'_>,
    svg: &str,
    (width, height): (f64, f64),
) -> Option<Result<(), PlotError>> {
    let size = Size::from_wh(points(width), points(height))?;
    match tree(svg) {
        Ok(tree) => surface
            .draw_svg(&tree, size, SvgSettings::default())
            .map(Ok),
        Err(error) => Some(Err(error)),
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "lengths on a page are small"
)]
fn points(length: f64) -> f32 {
    length as f32
}
