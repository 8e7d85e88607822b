//! A sheet as PDF: its pages, with real text in the program's own font.

use std::num::NonZeroU16;

use krilla::configure::{Accessibility, ConfigurationBuilder};
use krilla::destination::XyzDestination;
use krilla::geom::{Point, Size, Transform};
use krilla::metadata::Metadata;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, ContentTag, Identifier, ListNumbering, SpanTag, TableHeaderScope, Tag,
    TagGroup, TagTree,
};
use krilla::{Document, SerializeSettings};
use krilla_svg::{SurfaceExt, SvgSettings};

use super::Sheet;
use super::pages::{Leaf, Paper, Passage, pages};
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

/// Sets a sheet as PDF, with its structure for who has it read aloud (PDF/UA-1, ISO 14289-1).
///
/// # Errors
/// [`PdfError`], never for a sheet of this program.
pub fn pdf(sheet: &Sheet, paper: Paper) -> Result<Vec<u8>, PdfError> {
    let strict = ConfigurationBuilder::new()
        .with_accessibility_validator(Accessibility::UA1)
        .finish();
    let mut document = Document::new_with(SerializeSettings {
        configuration: strict.map_err(|error| PdfError::Pdf {
            step: "beginning it",
            found: format!("{error:?}"),
        })?,
        ..SerializeSettings::default()
    });
    document.set_metadata(
        Metadata::new()
            .title(sheet.title.clone())
            .description(sheet.subtitle.clone())
            .creator(format!("leverarm {}", env!("CARGO_PKG_VERSION")))
            .language("en".to_owned()),
    );
    let (width, height) = paper.size_pt();
    let set = pages(sheet, paper)?;
    let mut drawn = Drawn::default();
    for page in set.pages {
        let failed = |step: &'static str| PdfError::Pdf {
            step,
            found: format!("{width} × {height} pt"),
        };
        let settings =
            PageSettings::from_wh(points(width), points(height)).ok_or(failed("sizing a page"))?;
        let mut on = document.start_page_with(settings);
        let mut surface = on.surface();
        for piece in &page.pieces {
            let tag = match piece.leaf {
                Some(_) => ContentTag::Span(SpanTag::empty()),
                None => ContentTag::Artifact(Artifact::with_kind(ArtifactType::Other)),
            };
            let identifier = surface.start_tagged(tag);
            let result = draw(&mut surface, &paper.svg(&piece.elements), (width, height));
            surface.end_tagged();
            result.ok_or(failed("drawing a page"))??;
            if let Some(leaf) = piece.leaf {
                drawn.add(leaf, identifier);
            }
        }
        for figure in &page.figures {
            let place = Transform::from_translate(points(figure.left), points(figure.top));
            let identifier = surface.start_tagged(ContentTag::Other);
            surface.push_transform(&place);
            let size = (figure.width, figure.height);
            let result = draw(&mut surface, &figure.svg, size).ok_or(failed("drawing a figure"));
            surface.pop();
            surface.end_tagged();
            result??;
            drawn.add(figure.leaf, identifier);
        }
        surface.finish();
        on.finish();
    }
    document.set_outline(outline(&set.parts));
    document.set_tag_tree(drawn.tree(&set.parts));
    document.finish().map_err(|error| PdfError::Pdf {
        step: "writing it",
        found: format!("{error:?}"),
    })
}

/// The headings, to jump to.
fn outline(parts: &[Passage]) -> Outline {
    let mut outline = Outline::new();
    for part in parts {
        if let Passage::Heading {
            text, page, top, ..
        } = part
        {
            let place = XyzDestination::new(*page, Point::from_xy(0.0, points(*top)));
            outline.push_child(OutlineNode::new(text.clone(), place));
        }
    }
    outline
}

/// What was drawn of each leaf.
#[derive(Default)]
struct Drawn {
    of_leaf: Vec<Vec<Identifier>>,
}

impl Drawn {
    fn add(&mut self, leaf: Leaf, identifier: Identifier) {
        if self.of_leaf.len() <= leaf {
            self.of_leaf.resize_with(leaf + 1, Vec::new);
        }
        if let Some(own) = self.of_leaf.get_mut(leaf) {
            own.push(identifier);
        }
    }

    /// A group of this tag with what was drawn of a leaf.
    fn group(&mut self, tag: impl Into<krilla::tagging::TagKind>, leaf: Leaf) -> TagGroup {
        let mut group = TagGroup::new(tag);
        let own = self.of_leaf.get_mut(leaf).map(std::mem::take);
        for identifier in own.into_iter().flatten() {
            group.push(identifier);
        }
        group
    }

    fn tree(mut self, parts: &[Passage]) -> TagTree {
        let mut tree = TagTree::new().with_lang(Some("en".to_owned()));
        for part in parts {
            let group = self.part(part);
            tree.push(group);
        }
        tree
    }

    fn part(&mut self, part: &Passage) -> TagGroup {
        match part {
            Passage::Heading {
                level, text, leaf, ..
            } => {
                let level = NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN);
                self.group(Tag::Hn(level, Some(text.clone())), *leaf)
            }
            Passage::Paragraph(leaf) => self.group(Tag::P, *leaf),
            Passage::List(items) => {
                let mut list = TagGroup::new(Tag::L(ListNumbering::None));
                for [label, body] in items {
                    let mut item = TagGroup::new(Tag::LI);
                    item.push(self.group(Tag::Lbl, *label));
                    item.push(self.group(Tag::LBody, *body));
                    list.push(item);
                }
                list
            }
            Passage::Table { headings, rows } => {
                let mut table = TagGroup::new(Tag::Table);
                let mut row = TagGroup::new(Tag::TR);
                for leaf in headings {
                    row.push(self.group(Tag::TH(TableHeaderScope::Column), *leaf));
                }
                let mut head = TagGroup::new(Tag::THead);
                head.push(row);
                table.push(head);
                let mut body = TagGroup::new(Tag::TBody);
                for cells in rows {
                    let mut row = TagGroup::new(Tag::TR);
                    for leaf in cells {
                        row.push(self.group(Tag::TD, *leaf));
                    }
                    body.push(row);
                }
                table.push(body);
                table
            }
            Passage::Figure {
                leaf,
                caption,
                text,
            } => {
                let mut figure = self.group(Tag::Figure(Some(text.clone())), *leaf);
                figure.push(self.group(Tag::Caption, *caption));
                figure
            }
        }
    }
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
