//! Curves as pictures: a [`Plot`] is plain data, drawn as SVG, as PNG or as text for a terminal.
//!
//! Everything here is a pure function of its arguments: no files, no system fonts, no clock. The
//! same plot gives the same bytes. No input panics: what can't be drawn (NaN, an empty series) is
//! left out, and a panel with nothing to draw says "no data".

mod cells;
mod curve;
mod fold;
mod font;
mod growth;
mod labels;
mod panel;
mod pen;
mod png;
mod scale;
mod svg;
mod terminal;
mod theme;

pub use fold::folded;
pub use font::{FONT_BOLD, FONT_FAMILY, FONT_LICENCE, FONT_REGULAR};
pub use font::{Weight, width as text_width, wrap};
pub use growth::Growth;
pub use pen::escape;
pub use png::tree;
pub use png::{png, png_without_ground};
pub use scale::round_step;
pub use svg::{svg, svg_with_font};
pub use terminal::text;
pub use theme::{Marker, Style, Theme};

/// One picture: panels stacked over a common x axis.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Plot {
    /// What is shown; may be empty.
    pub title: String,
    /// Second line under the title; may be empty.
    pub subtitle: String,
    /// The common x axis.
    pub x: Axis,
    /// Panels from top to bottom; one or two are what the layout is made for.
    pub panels: Vec<Panel>,
    /// Ranges of x shaded in every panel.
    pub shades: Vec<Shade>,
    /// Small print at the bottom (conditions, correction, what the bands mean), joined and wrapped.
    pub notes: Vec<String>,
}

/// An axis: quantity, unit and range.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Axis {
    /// Quantity, such as "Torque".
    pub label: String,
    /// Unit, such as "N·m"; may be empty.
    pub unit: String,
    /// Range shown.
    pub range: Range,
}

impl Axis {
    /// An axis with its range from the data.
    #[must_use]
    pub fn new(label: impl Into<String>, unit: impl Into<String>) -> Self {
        Self {
            label: label.into(),
            unit: unit.into(),
            range: Range::Auto,
        }
    }

    /// With zero inside.
    #[must_use]
    pub fn with_zero(self) -> Self {
        Self {
            range: Range::IncludeZero,
            ..self
        }
    }
}

/// How the range of an axis is found.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Range {
    /// From the data; a y axis starts at zero when zero is near enough not to flatten the curves.
    #[default]
    Auto,
    /// From the data, with zero inside.
    IncludeZero,
    /// From the data, which are numbers of things: no ticks between them.
    Whole,
    /// Exactly this, data outside is cut off. Treated as [`Range::Auto`] unless `low < high`, both
    /// are finite and they differ by more than a billionth.
    Fixed {
        /// Left or lower end.
        low: f64,
        /// Right or upper end.
        high: f64,
    },
}

/// One set of axes with its curves.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// The panel's y axis.
    pub y: Axis,
    /// Curves, drawn in this order.
    pub series: Vec<Series>,
    /// Marks on top of the curves.
    pub marks: Vec<Mark>,
    /// A map's shaded cells under the curves.
    pub cells: Option<Cells>,
    /// Height relative to the other panels; anything but a positive number counts as 1.
    pub height_share: f64,
}

impl Panel {
    /// Curves over an axis.
    #[must_use]
    pub fn of(y: Axis, series: Vec<Series>) -> Self {
        Self {
            y,
            series,
            ..Self::default()
        }
    }
}

impl Default for Panel {
    fn default() -> Self {
        Self {
            y: Axis::default(),
            series: Vec::new(),
            marks: Vec::new(),
            cells: None,
            height_share: 1.0,
        }
    }
}

/// A curve. A point that is not finite breaks the line: put `(NAN, NAN)` between separate runs.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Series {
    /// Name, written at the end of the line.
    pub label: String,
    /// Points `(x, y)` in drawing order, in the units of the axes.
    pub points: Vec<(f64, f64)>,
    /// Band around the curve, `(x, low, high)`, broken like the line.
    pub band: Option<Vec<(f64, f64, f64)>>,
    /// Colour, dash pattern and marker: see [`Style::of`]. Give a series the same style in every
    /// panel.
    pub style: usize,
}

impl Series {
    /// A curve without a band.
    #[must_use]
    pub fn line(label: impl Into<String>, points: Vec<(f64, f64)>, style: usize) -> Self {
        Self {
            label: label.into(),
            points,
            band: None,
            style,
        }
    }
}

/// Shaded cells over both axes, with a scale of colours in equal steps beside the panel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cells {
    /// The cells.
    pub cells: Vec<Cell>,
    /// Lower end of the first step of the scale.
    pub first: f64,
    /// Height of a step, above 0.
    pub step: f64,
    /// Upper end of the last step; of more than 24 steps nothing is drawn.
    pub last: f64,
    /// Whether the middle of the scale means zero: the ends then have colours of their own.
    pub has_middle: bool,
    /// Unit of the values.
    pub unit: String,
}

/// A cell of a map.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cell {
    /// Its corners in the units of the axes.
    pub corners: Vec<(f64, f64)>,
    /// Its value.
    pub value: f64,
    /// Its value is not known to a step of the scale: it is hatched, without a colour.
    pub is_vague: bool,
}

/// A mark in one panel.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// A ring at a point with its value written beside it.
    Peak {
        /// Position on the x axis.
        x: f64,
        /// Position on the y axis.
        y: f64,
        /// Text such as "11.0 N·m at 6040 rpm".
        label: String,
        /// Style of the series it belongs to.
        style: usize,
    },
    /// A line across the panel at one x.
    Vertical {
        /// Position on the x axis.
        x: f64,
        /// Text at its upper end; may be empty.
        label: String,
    },
    /// A line across the panel at one y.
    Horizontal {
        /// Position on the y axis.
        y: f64,
        /// Text at its left end; may be empty.
        label: String,
    },
}

/// A range of x to be read with care, or where nothing was measured.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Shade {
    /// Left end.
    pub low: f64,
    /// Right end.
    pub high: f64,
    /// Why, such as "gap" or "clutch slipping"; may be empty.
    pub label: String,
}

/// Size of a picture in pixels (user units of the SVG).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Size {
    width_px: u32,
    height_px: u32,
}

impl Size {
    /// Smallest width: less leaves no room beside the labels.
    pub const MIN_WIDTH_PX: u32 = 480;
    /// Smallest height.
    pub const MIN_HEIGHT_PX: u32 = 320;
    /// Largest width or height.
    pub const MAX_PX: u32 = 8192;

    /// A size of `width_px` (480 to 8192) by `height_px` (320 to 8192).
    ///
    /// # Errors
    /// [`PlotError::Size`] when either is out of range.
    pub fn new(width_px: u32, height_px: u32) -> Result<Self, PlotError> {
        if (Self::MIN_WIDTH_PX..=Self::MAX_PX).contains(&width_px)
            && (Self::MIN_HEIGHT_PX..=Self::MAX_PX).contains(&height_px)
        {
            Ok(Self {
                width_px,
                height_px,
            })
        } else {
            Err(PlotError::Size {
                width_px,
                height_px,
            })
        }
    }

    /// Width in pixels.
    #[must_use]
    pub fn width_px(self) -> u32 {
        self.width_px
    }

    /// Height in pixels.
    #[must_use]
    pub fn height_px(self) -> u32 {
        self.height_px
    }
}

/// Why a picture can't be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlotError {
    /// Width or height out of range.
    #[error(
        "picture size {width_px} × {height_px} px: the width must be {} to {max} px, the height {} \
         to {max} px",
        Size::MIN_WIDTH_PX,
        Size::MIN_HEIGHT_PX,
        max = Size::MAX_PX
    )]
    Size {
        /// Width asked for.
        width_px: u32,
        /// Height asked for.
        height_px: u32,
    },
    /// The rasteriser refused our own SVG: a fault of this program, not of the data.
    #[error("drawing the plot as PNG failed while {step}: {found}")]
    Raster {
        /// What was being done.
        step: &'static str,
        /// What the rasteriser said.
        found: String,
    },
}
