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

/// A page: its texts and rules, and the figures with where they go.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Page {
    pub(super) svg: String,
    pub(super) figures: Vec<PlacedFigure>,
}

/// A figure on a page, points.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct PlacedFigure {
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
pub(super) fn pages(sheet: &Sheet, paper: Paper) -> Result<Vec<Page>, PlotError> {
    let mut setter = Setter::new(paper);
    setter.text(&sheet.title, 19.0, Weight::Bold, Theme::Light.ink(), 0.0);
    setter.text(
        &sheet.subtitle,
        BODY,
        Weight::Regular,
        Theme::Light.muted(),
        0.0,
    );
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
    elements: String,
    figures: Vec<PlacedFigure>,
    done: Vec<Page>,
}

impl Setter {
    fn new(paper: Paper) -> Self {
        let (width, height) = paper.size_pt();
        Self {
            width,
            height,
            y: MARGIN,
            elements: String::new(),
            figures: Vec::new(),
            done: Vec::new(),
        }
    }

    fn room(&self) -> f64 {
        self.height - MARGIN - FOOT - self.y
    }

    fn text_width(&self) -> f64 {
        self.width - 2.0 * MARGIN
    }

    fn break_page(&mut self) {
        self.done.push(Page {
            svg: std::mem::take(&mut self.elements),
            figures: std::mem::take(&mut self.figures),
        });
        self.y = MARGIN;
    }

    /// Begins a new page unless so much fits on this one.
    fn need(&mut self, height: f64) {
        if self.room() < height && self.y > MARGIN {
            self.break_page();
        }
    }

    fn put(&mut self, (x, y): (f64, f64), text: &str, size: f64, weight: Weight, colour: &str) {
        let weight = match weight {
            Weight::Regular => "",
            Weight::Bold => " font-weight=\"bold\"",
        };
        self.elements.push_str(&format!(
            "<text x=\"{x:.2}\" y=\"{y:.2}\" font-size=\"{size:.2}\" fill=\"{colour}\"{weight}>{}</text>\n",
            escape(text)
        ));
    }

    fn rule(&mut self, length: f64, width: f64, colour: &str) {
        self.elements.push_str(&format!(
            "<path d=\"M{MARGIN} {y:.2}h{length:.2}\" stroke=\"{colour}\" stroke-width=\"{width}\"/>\n",
            y = self.y
        ));
    }

    /// A wrapped text; its first line hangs out to the left by `indent`.
    fn text(&mut self, text: &str, size: f64, weight: Weight, colour: &str, indent: f64) {
        let leading = LEADING * size;
        for line in wrap(text, self.text_width() - indent, size, weight, LINES_MAX) {
            self.need(leading);
            self.y += leading;
            let at = (MARGIN + indent, self.y - 0.3 * size);
            self.put(at, &line, size, weight, colour);
        }
    }

    fn block(&mut self, block: &Block) -> Result<(), PlotError> {
        let (ink, muted) = (Theme::Light.ink(), Theme::Light.muted());
        match block {
            Block::Heading(text) => {
                // Never the last on a page.
                self.need(70.0);
                self.y += 12.0;
                self.rule(self.text_width(), 1.0, ink);
                self.y += 2.0;
                self.text(text, 10.0, Weight::Bold, ink, 0.0);
                self.y += 2.0;
            }
            Block::Answer(text) => {
                self.text(text, 11.5, Weight::Regular, ink, 0.0);
                self.y += 4.0;
            }
            Block::Caution(text) => {
                self.text(text, 9.5, Weight::Bold, "#98154A", 0.0);
                self.y += 4.0;
            }
            Block::Text(text) => {
                self.text(text, BODY, Weight::Regular, ink, 0.0);
                self.y += 3.0;
            }
            Block::Lines(lines) => {
                for line in lines {
                    self.need(LEADING * BODY);
                    self.put(
                        (MARGIN, self.y + 1.1 * BODY),
                        "–",
                        BODY,
                        Weight::Regular,
                        muted,
                    );
                    self.text(line, BODY, Weight::Regular, ink, 9.0);
                }
                self.y += 3.0;
            }
            Block::Table(rows) => self.table(rows),
            Block::Figure(figure) => self.figure(figure)?,
        }
        Ok(())
    }

    fn figure(&mut self, figure: &Figure) -> Result<(), PlotError> {
        let width = self.text_width();
        let height = width * f64::from(FIGURE_PX.1) / f64::from(FIGURE_PX.0);
        self.need(height + 20.0);
        self.figures.push(PlacedFigure {
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
        let muted = Theme::Light.muted();
        self.text(&figure.caption, BODY - 0.5, Weight::Regular, muted, 0.0);
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
        self.row(&columns, &headings, Theme::Light.muted(), true);
        for row in &table.rows {
            let cells: Vec<Vec<String>> = row
                .iter()
                .enumerate()
                .map(|(column, text)| columns.lines(column, text))
                .collect();
            let lines = cells.iter().map(Vec::len).max().unwrap_or(0);
            if self.room() < lines as f64 * leading && self.y > MARGIN {
                self.break_page();
                self.row(&columns, &headings, Theme::Light.muted(), true);
            }
            self.row(&columns, &cells, Theme::Light.ink(), false);
        }
        self.y += 6.0;
    }

    fn row(&mut self, columns: &Columns, cells: &[Vec<String>], colour: &str, is_heading: bool) {
        let size = columns.size;
        let leading = LEADING * size;
        let lines = cells.iter().map(Vec::len).max().unwrap_or(0);
        for (column, cell) in cells.iter().enumerate() {
            // Headings stand on the rule below them.
            let skipped = if is_heading { lines - cell.len() } else { 0 };
            for (number, line) in cell.iter().enumerate() {
                let x = columns.start(column, line);
                let y = self.y + (number + skipped) as f64 * leading + 1.05 * size;
                self.put((MARGIN + x, y), line, size, Weight::Regular, colour);
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

    fn finish(mut self, title: &str) -> Vec<Page> {
        self.break_page();
        let (width, height) = (self.width, self.height);
        let count = self.done.len();
        let mut pages = std::mem::take(&mut self.done);
        for (number, page) in (1..).zip(&mut pages) {
            let foot = format!("page {number} of {count}");
            let y = height - MARGIN + 6.0;
            let size = 7.0;
            self.put((MARGIN, y), title, size, Weight::Regular, "#5A6268");
            let x = width - MARGIN - text_width(&foot, size, Weight::Regular);
            self.put((x, y), &foot, size, Weight::Regular, "#5A6268");
            page.svg = format!(
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" font-family=\"{FONT_FAMILY}\">\n{}{}</svg>",
                page.svg,
                std::mem::take(&mut self.elements)
            );
        }
        pages
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
            let pages = pages(&long_table(), paper).unwrap();
            assert!(pages.len() > 2, "{}", pages.len());
            let (width, height) = paper.size_pt();
            for (number, page) in (1..).zip(&pages) {
                assert!(page.svg.contains(">doubtful<"), "page {number}");
                assert!(
                    page.svg
                        .contains(&format!("page {number} of {}", pages.len()))
                );
                let document = roxmltree::Document::parse(&page.svg).unwrap();
                for text in document.descendants().filter(|n| n.has_tag_name("text")) {
                    let value = |key: &str| text.attribute(key).unwrap().parse::<f64>().unwrap();
                    let words = text.text().unwrap_or_default();
                    let wide = text_width(words, value("font-size"), Weight::Regular);
                    let (x, y) = (value("x"), value("y"));
                    assert!(
                        x >= MARGIN - 0.1 && x + wide <= width - MARGIN + 0.5,
                        "{words}"
                    );
                    assert!(y > MARGIN && y < height - MARGIN + 10.0, "{words}");
                }
            }
            let all: String = pages.iter().map(|page| page.svg.as_str()).collect();
            assert!((0..80).all(|i| all.contains(&format!(">{i}<"))));
        }
    }
}
