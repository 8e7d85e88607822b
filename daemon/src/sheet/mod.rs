//! A sheet to publish: a comparison as one self-contained HTML file, and as PDF pages.
//!
//! What is on it is decided once, as [`Block`]s; [`html`] and [`pdf`] only set them.

mod content;
mod html;
mod pages;
mod pdf;
mod series;

pub use content::{PairReasons, SheetFacts, SheetMap, SheetReasons};
pub use html::html;
pub use pages::Paper;
pub use pdf::{PdfError, pdf};

use leverarm_analysis::comparison::Rows;
use leverarm_plot::Plot;

/// A sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// What was compared.
    pub title: String,
    /// Where and when.
    pub subtitle: String,
    /// What is on it, from top to bottom.
    pub blocks: Vec<Block>,
    /// What the hover readout reads.
    pub readout: Readout,
}

/// A piece of a sheet.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// Begins a section.
    Heading(String),
    /// The answer: what a hurried reader is to take away.
    Answer(String),
    /// What spoils the answer.
    Caution(String),
    /// A paragraph.
    Text(String),
    /// Short paragraphs, one a line.
    Lines(Vec<String>),
    /// A table.
    Table(Rows),
    /// A plot.
    Figure(Figure),
}

/// A plot with its name.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Short name, for files.
    pub name: &'static str,
    /// The plot, without title and notes: the sheet says those.
    pub plot: Plot,
    /// What it shows.
    pub caption: String,
}

/// Numbers under the pointer: for each speed a value of every column.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Readout {
    /// Engine speeds, rising.
    pub rpm: Vec<f64>,
    /// The columns.
    pub columns: Vec<ReadoutColumn>,
}

/// A column of the readout.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadoutColumn {
    /// What it is.
    pub label: String,
    /// Its unit.
    pub unit: String,
    /// Style of its curve.
    pub style: usize,
    /// Whether it is a difference, shown with its sign.
    pub signed: bool,
    /// Its values, in its unit.
    pub values: Vec<f64>,
    /// Half widths of the band.
    pub band: Vec<f64>,
}

impl Sheet {}
