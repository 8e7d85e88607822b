//! A sheet broken into pages: texts wrapped, tables carried over with their headings, figures kept
//! whole. Pages are SVG, in points.

use super::{Block, Figure, Sheet};
use leverarm_analysis::comparison::Rows;
use leverarm_plot::{FONT_FAMILY, PlotError, Size, Theme, Weight, escape, svg, text_width, wrap};

/// Size of the paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Paper {
    /// ISO 216: 210 × 297 mm.
    #[default]
    A4,
    /// ANSI/ASME Y14.1: 8.5 × 11 in.
    Letter,
}

impl Paper {
    /// Width and height, points.
    #[must_use]
    pub const fn size_pt(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.28, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// A sheet as pages, and what its pieces are to a reader that does not see them.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Set {
    pub(super) pages: Vec<Page>,
    /// In reading order.
    pub(super) parts: Vec<Passage>,
}

/// A page: its texts and rules, and the figures with where they go.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Page {
    pub(super) pieces: Vec<Piece>,
    pub(super) figures: Vec<PlacedFigure>,
}

/// SVG elements that belong to one leaf; to none when they only adorn the page.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Piece {
    pub(super) elements: String,
    pub(super) leaf: Option<Leaf>,
}

/// Number of a leaf: the smallest unit that is read. It may be spread over pages.
pub(super) type Leaf = usize;

/// A part of the sheet, as it is read.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Passage {
    /// A heading of a level, and where it stands: number of the page and height.
    Heading {
        level: u16,
        text: String,
        leaf: Leaf,
        page: usize,
        top: f64,
    },
    Paragraph(Leaf),
    /// Label and body of each item.
    List(Vec<[Leaf; 2]>),
    /// Headings and rows, a leaf a cell.
    Table {
        headings: Vec<Leaf>,
        rows: Vec<Vec<Leaf>>,
    },
    Figure {
        leaf: Leaf,
        caption: Leaf,
        text: String,
    },
}

/// A figure on a page, points.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PlacedFigure {
    pub(super) leaf: Leaf,
    pub(super) svg: String,
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) width: f64,
    pub(super) height: f64,
}

const MARGIN: f64 = 40.0;
/// Room for the foot of the page.
const FOOT: f64 = 22.0;
const BODY: f64 = 8.5;
const CELL: f64 = 7.0;
/// Least size of the text in a table that is too wide.
const CELL_MIN: f64 = 4.6;
/// Size of the text in a table that is so wide that it is parted.
const CELL_WIDE: f64 = 6.0;
/// Between columns, in sizes of the text.
const COLUMN_GAP: f64 = 1.3;
/// Distance of base lines, in sizes of the text.
const LEADING: f64 = 1.4;
/// Of a figure, in user units; the page shrinks it to its width.
const FIGURE_PX: (u32, u32) = (1150, 620);
const LINES_MAX: usize = 200;

/// Breaks a sheet into pages.
///
/// # Errors
/// [`PlotError`], never for a sheet of this program.
pub(super) fn pages(sheet: &Sheet, paper: Paper) -> Result<Set, PlotError> {
    let mut setter = Setter::new(paper);
    setter.heading(1, &sheet.title, 19.0);
    setter.paragraph(&sheet.subtitle, BODY, Weight::Regular, Theme::Light.muted());
    setter.y += 6.0;
    for block in &sheet.blocks {
        setter.block(block)?;
    }
    Ok(setter.finish(&sheet.title))
}

struct Setter {
    width: f64,
    height: f64,
    /// Next free height on the page.
    y: f64,
    page: Page,
    done: Vec<Page>,
    parts: Vec<Passage>,
    leaves: usize,
}

impl Setter {
    fn new(paper: Paper) -> Self {
        let (width, height) = paper.size_pt();
        Self {
            width,
            height,
            y: MARGIN,
            page: Page::default(),
            done: Vec::new(),
            parts: Vec::new(),
            leaves: 0,
        }
    }

    fn room(&self) -> f64 {
        self.height - MARGIN - FOOT - self.y
    }

    fn text_width(&self) -> f64 {
        self.width - 2.0 * MARGIN
    }

    fn break_page(&mut self) {
        self.done.push(std::mem::take(&mut self.page));
        self.y = MARGIN;
    }

    /// Begins a new page unless so much fits on this one.
    fn need(&mut self, height: f64) {
        if self.room() < height && self.y > MARGIN {
            self.break_page();
        }
    }

    fn leaf(&mut self) -> Leaf {
        self.leaves += 1;
        self.leaves - 1
    }

    /// Elements of a leaf join those before them that are its own.
    fn add(&mut self, leaf: Option<Leaf>, elements: &str) {
        match self.page.pieces.last_mut() {
            Some(last) if last.leaf == leaf => last.elements.push_str(elements),
            _ => self.page.pieces.push(Piece {
                elements: elements.to_owned(),
                leaf,
            }),
        }
    }

    fn put(&mut self, leaf: Option<Leaf>, (x, y): (f64, f64), text: &str, ink: Ink<'_>) {
        let weight = match ink.weight {
            Weight::Regular => "",
            Weight::Bold => " font-weight=\"bold\"",
        };
        // The space at the end parts it from what is read after it.
        let element = format!(
            "<text xml:space=\"preserve\" x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"{size:.2}\" fill=\"{colour}\"{weight}>{} </text>\n",
            escape(text),
            size = ink.size,
            colour = ink.colour,
        );
        self.add(leaf, &element);
    }

    fn rule(&mut self, length: f64, width: f64, colour: &str) {
        let element = format!(
            "<path d=\"M{MARGIN} {y:.2}h{length:.2}\" stroke=\"{colour}\" stroke-width=\"{width}\"/>\n",
            y = self.y
        );
        self.add(None, &element);
    }

    /// A wrapped text; it stands `indent` from the left.
    fn text(&mut self, leaf: Leaf, text: &str, ink: Ink<'_>, indent: f64) {
        let leading = LEADING * ink.size;
        let width = self.text_width() - indent;
        for line in wrap(text, width, ink.size, ink.weight, LINES_MAX) {
            self.need(leading);
            self.y += leading;
            let at = (MARGIN + indent, self.y - 0.3 * ink.size);
            self.put(Some(leaf), at, &line, ink);
        }
    }

    fn heading(&mut self, level: u16, text: &str, size: f64) {
        let leaf = self.leaf();
        self.parts.push(Passage::Heading {
            level,
            text: text.to_owned(),
            leaf,
            page: self.done.len(),
            top: self.y,
        });
        let ink = Ink {
            size,
            weight: Weight::Bold,
            colour: Theme::Light.ink(),
        };
        self.text(leaf, text, ink, 0.0);
    }

    fn paragraph(&mut self, text: &str, size: f64, weight: Weight, colour: &str) {
        let leaf = self.leaf();
        self.parts.push(Passage::Paragraph(leaf));
        let ink = Ink {
            size,
            weight,
            colour,
        };
        self.text(leaf, text, ink, 0.0);
    }

    fn block(&mut self, block: &Block) -> Result<(), PlotError> {
        let ink = Theme::Light.ink();
        match block {
            Block::Heading(text) => {
                // Never the last on a page.
                self.need(70.0);
                self.y += 12.0;
                self.rule(self.text_width(), 1.0, ink);
                self.y += 2.0;
                self.heading(2, text, 10.0);
                self.y += 2.0;
            }
            Block::Answer(text) => {
                self.paragraph(text, 11.5, Weight::Regular, ink);
                self.y += 4.0;
            }
            Block::Caution(text) => {
                self.paragraph(text, 9.5, Weight::Bold, "#98154A");
                self.y += 4.0;
            }
            Block::Text(text) => {
                self.paragraph(text, BODY, Weight::Regular, ink);
                self.y += 3.0;
            }
            Block::Lines(lines) => self.list(lines),
            Block::Table(rows) => self.table(rows),
            Block::Figure(figure) => self.figure(figure)?,
        }
        Ok(())
    }

    fn list(&mut self, lines: &[String]) {
        let mut items = Vec::new();
        for line in lines {
            let item = [self.leaf(), self.leaf()];
            let body = Ink {
                size: BODY,
                weight: Weight::Regular,
                colour: Theme::Light.ink(),
            };
            let dash = Ink {
                colour: Theme::Light.muted(),
                ..body
            };
            self.need(LEADING * BODY);
            self.put(Some(item[0]), (MARGIN, self.y + 1.1 * BODY), "–", dash);
            self.text(item[1], line, body, 9.0);
            items.push(item);
        }
        if !items.is_empty() {
            self.parts.push(Passage::List(items));
        }
        self.y += 3.0;
    }

    fn figure(&mut self, figure: &Figure) -> Result<(), PlotError> {
        let width = self.text_width();
        let height = width * f64::from(FIGURE_PX.1) / f64::from(FIGURE_PX.0);
        self.need(height + 20.0);
        let (leaf, caption) = (self.leaf(), self.leaf());
        self.parts.push(Passage::Figure {
            leaf,
            caption,
            text: figure.caption.clone(),
        });
        self.page.figures.push(PlacedFigure {
            leaf,
            svg: svg(
                &figure.plot,
                Size::new(FIGURE_PX.0, FIGURE_PX.1)?,
                Theme::Paper,
            ),
            left: MARGIN,
            top: self.y,
            width,
            height,
        });
        self.y += height;
        let ink = Ink {
            size: BODY - 0.5,
            weight: Weight::Regular,
            colour: Theme::Light.muted(),
        };
        self.text(caption, &figure.caption, ink, 0.0);
        self.y += 6.0;
        Ok(())
    }

    fn table(&mut self, table: &Rows) {
        for part in parts(table, self.text_width()) {
            self.table_part(&part);
        }
    }

    fn table_part(&mut self, table: &Rows) {
        let columns = Columns::fit(table, self.text_width());
        let headings: Vec<Vec<String>> = table
            .headings
            .iter()
            .map(|heading| heading.split('\n').map(str::to_owned).collect())
            .collect();
        let leading = LEADING * columns.size;
        self.need(5.0 * leading);
        let leaves: Vec<Leaf> = headings.iter().map(|_| self.leaf()).collect();
        self.row(&columns, &headings, Some(&leaves), true);
        let mut rows = Vec::new();
        for row in &table.rows {
            let cells: Vec<Vec<String>> = row
                .iter()
                .enumerate()
                .map(|(column, text)| columns.lines(column, text))
                .collect();
            let lines = cells.iter().map(Vec::len).max().unwrap_or(0);
            if self.room() < lines as f64 * leading && self.y > MARGIN {
                self.break_page();
                // Said once is enough for who hears it.
                self.row(&columns, &headings, None, true);
            }
            let leaves: Vec<Leaf> = cells.iter().map(|_| self.leaf()).collect();
            self.row(&columns, &cells, Some(&leaves), false);
            rows.push(leaves);
        }
        self.parts.push(Passage::Table {
            headings: leaves,
            rows,
        });
        self.y += 6.0;
    }

    fn row(
        &mut self,
        columns: &Columns,
        cells: &[Vec<String>],
        leaves: Option<&[Leaf]>,
        is_heading: bool,
    ) {
        let size = columns.size;
        let leading = LEADING * size;
        let lines = cells.iter().map(Vec::len).max().unwrap_or(0);
        let colour = if is_heading {
            Theme::Light.muted()
        } else {
            Theme::Light.ink()
        };
        let ink = Ink {
            size,
            weight: Weight::Regular,
            colour,
        };
        for (column, cell) in cells.iter().enumerate() {
            let leaf = leaves.and_then(|leaves| leaves.get(column).copied());
            // Headings stand on the rule below them.
            let skipped = if is_heading { lines - cell.len() } else { 0 };
            if cell.is_empty() {
                // A cell that is not there would shift the others in the row for who hears them.
                self.put(leaf, (MARGIN, self.y + 1.05 * size), "", ink);
            }
            for (number, line) in cell.iter().enumerate() {
                let x = columns.start(column, line);
                let y = self.y + (number + skipped) as f64 * leading + 1.05 * size;
                self.put(leaf, (MARGIN + x, y), line, ink);
            }
        }
        self.y += lines as f64 * leading + 0.5;
        let (width, colour) = if is_heading {
            (0.8, Theme::Light.ink())
        } else {
            (0.25, "#BBB7AD")
        };
        self.rule(columns.width(), width, colour);
        self.y += 0.8;
    }

    fn finish(mut self, title: &str) -> Set {
        self.break_page();
        let (width, height) = (self.width, self.height);
        let count = self.done.len();
        let ink = Ink {
            size: 7.0,
            weight: Weight::Regular,
            colour: "#5A6268",
        };
        let mut pages = std::mem::take(&mut self.done);
        for (number, page) in (1..).zip(&mut pages) {
            let foot = format!("page {number} of {count}");
            let y = height - MARGIN + 6.0;
            self.put(None, (MARGIN, y), title, ink);
            let x = width - MARGIN - text_width(&foot, ink.size, ink.weight);
            self.put(None, (x, y), &foot, ink);
            page.pieces.append(&mut self.page.pieces);
        }
        Set {
            pages,
            parts: self.parts,
        }
    }
}

/// How a text looks.
#[derive(Debug, Clone, Copy)]
struct Ink<'a> {
    size: f64,
    weight: Weight,
    colour: &'a str,
}

impl Paper {
    /// Elements of a page as a whole SVG.
    pub(super) fn svg(self, elements: &str) -> String {
        let (width, height) = self.size_pt();
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" font-family=\"{FONT_FAMILY}\">\n{elements}</svg>"
        )
    }
}

/// A table that is too wide even in small text, as several with the same first column. Columns of
/// text wrap, so only those of numbers make a table too wide.
fn parts(table: &Rows, room: f64) -> Vec<Rows> {
    let part = |columns: &[usize]| {
        let pick = |row: &Vec<String>| {
            let cells = columns.iter().map(|column| row.get(*column).cloned());
            cells.map(Option::unwrap_or_default).collect()
        };
        Rows {
            headings: pick(&table.headings),
            rows: table.rows.iter().map(pick).collect(),
            text_columns: table.text_columns.min(1),
        }
    };
    if table.text_columns > 1 || Columns::fit(table, room).width() <= room + 0.5 {
        return vec![table.clone()];
    }
    let mut parts = Vec::new();
    let mut columns = vec![0];
    for column in 1..table.headings.len() {
        columns.push(column);
        if columns.len() > 2 && Columns::fit(&part(&columns), room).size < CELL_WIDE {
            columns.pop();
            parts.push(part(&columns));
            columns = vec![0, column];
        }
    }
    parts.push(part(&columns));
    parts
}

/// Where the columns of a table go.
struct Columns {
    size: f64,
    /// Left edges and widths.
    places: Vec<(f64, f64)>,
    text_columns: usize,
}

impl Columns {
    /// Columns as wide as their widest cell; when that is too wide the text shrinks, and then the
    /// wide columns of text wrap.
    fn fit(table: &Rows, room: f64) -> Self {
        let count = table.headings.len();
        // In sizes of the text.
        let widest = |column: usize| {
            let heading = table
                .headings
                .get(column)
                .into_iter()
                .flat_map(|h| h.split('\n'));
            let cells = table.rows.iter().filter_map(|row| row.get(column));
            heading
                .chain(cells.map(String::as_str))
                .map(|text| text_width(text, 1.0, Weight::Regular))
                .fold(0.0, f64::max)
        };
        let wanted: Vec<f64> = (0..count).map(widest).collect();
        let gaps = COLUMN_GAP * count.saturating_sub(1) as f64;
        let sum: f64 = wanted.iter().sum();
        let size = (room / (sum + gaps)).clamp(CELL_MIN, CELL);
        let over = (sum + gaps - room / size).max(0.0);
        // What is too much is taken from the text columns, the widest first.
        let mut widths = wanted;
        let text = table.text_columns.min(count);
        let mut left = over;
        while left > 1e-6 {
            let Some(widest) = widths
                .iter_mut()
                .take(text)
                .max_by(|a, b| a.total_cmp(b))
                .filter(|width| **width > 8.0)
            else {
                break;
            };
            let taken = left.min(1.0);
            *widest -= taken;
            left -= taken;
        }
        let mut x = 0.0;
        let places = widths.iter().map(|width| {
            let place = (x, width * size);
            x += (width + COLUMN_GAP) * size;
            place
        });
        Self {
            places: places.collect(),
            size,
            text_columns: text,
        }
    }

    /// Of all columns together.
    fn width(&self) -> f64 {
        self.places.last().map_or(0.0, |(left, width)| left + width)
    }

    fn lines(&self, column: usize, text: &str) -> Vec<String> {
        let width = self.places.get(column).map_or(0.0, |place| place.1);
        if column >= self.text_columns {
            return vec![text.to_owned()];
        }
        wrap(text, width + 0.01, self.size, Weight::Regular, LINES_MAX)
    }

    /// Left edge of a line: text stands left, numbers right.
    fn start(&self, column: usize, line: &str) -> f64 {
        let (left, width) = self.places.get(column).copied().unwrap_or_default();
        if column < self.text_columns {
            left
        } else {
            left + width - text_width(line, self.size, Weight::Regular)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn long_table_rows() -> Rows {
        let row = |i: u32| vec![i.to_string(), "a long text that has to wrap ".repeat(12)];
        Rows {
            headings: vec!["pull".to_owned(), "doubtful".to_owned()],
            rows: (0..160).map(row).collect(),
            text_columns: 2,
        }
    }

    fn long_table() -> Sheet {
        Sheet {
            title: "a sheet".to_owned(),
            subtitle: "somewhere".to_owned(),
            blocks: vec![
                Block::Heading("Pulls".to_owned()),
                Block::Table(long_table_rows()),
            ],
            readout: super::super::Readout::default(),
        }
    }

    #[test]
    fn a_table_too_wide_is_parted_and_keeps_its_first_column() {
        let cells = |row: u32| (0..40).map(|c| format!("{row}.{c} ± 0.123 N·m")).collect();
        let table = Rows {
            headings: (0..40).map(|c| format!("setup {c}")).collect(),
            rows: (0..3).map(cells).collect(),
            text_columns: 1,
        };
        let room = 500.0;
        let parts = parts(&table, room);
        assert!(parts.len() > 3, "{}", parts.len());
        for part in &parts {
            assert_eq!(part.headings[0], "setup 0");
            let columns = Columns::fit(part, room);
            assert!(columns.width() <= room + 0.5 && columns.size >= CELL_WIDE);
        }
        let headings: Vec<&String> = parts.iter().flat_map(|part| &part.headings[1..]).collect();
        assert_eq!(headings, table.headings[1..].iter().collect::<Vec<_>>());
        assert_eq!(super::parts(&long_table_rows(), room).len(), 1);
    }

    #[test]
    fn tables_go_on_with_their_headings_and_nothing_leaves_the_page() {
        for paper in [Paper::A4, Paper::Letter] {
            let set = pages(&long_table(), paper).unwrap();
            let whole = |page: &Page| {
                let pieces = page.pieces.iter().map(|piece| piece.elements.as_str());
                paper.svg(&pieces.collect::<String>())
            };
            let pages: Vec<String> = set.pages.iter().map(whole).collect();
            assert!(pages.len() > 2, "{}", pages.len());
            let (width, height) = paper.size_pt();
            for (number, page) in (1..).zip(&pages) {
                assert!(page.contains(">doubtful <"), "page {number}");
                assert!(page.contains(&format!("page {number} of {}", pages.len())));
                let document = roxmltree::Document::parse(page).unwrap();
                for text in document.descendants().filter(|n| n.has_tag_name("text")) {
                    let value = |key: &str| text.attribute(key).unwrap().parse::<f64>().unwrap();
                    let words = text.text().unwrap_or_default().trim_end();
                    let wide = text_width(words, value("font-size"), Weight::Regular);
                    let (x, y) = (value("x"), value("y"));
                    assert!(
                        x >= MARGIN - 0.1 && x + wide <= width - MARGIN + 0.5,
                        "{words}"
                    );
                    assert!(y > MARGIN && y < height - MARGIN + 10.0, "{words}");
                }
            }
            let all: String = pages.concat();
            assert!((0..80).all(|i| all.contains(&format!(">{i} <"))));
        }
    }
}
