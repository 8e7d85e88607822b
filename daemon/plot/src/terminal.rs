//! The plot as text: curves in braille dots, told apart by letters along the line.

use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

use super::curve::{Maps, Run, height_at};
use super::fold::folded;
use super::scale::{self, Map, Span, Tick};
use super::{Axis, Mark, Panel, Plot, Series};

/// Rows of dots below which a second panel is left out.
const PANEL_ROWS_MIN: usize = 7;

/// Draws `plot` with characters, at most `columns` wide (24 to 400) and `rows` high (12 to 200);
/// sizes outside are brought inside.
///
/// The first panel is drawn, the others below it when there is room. No colour is used: with
/// several series each has a letter, put along its line and named below with its peaks. A band is
/// shown, as dots, only where a panel has a single series.
#[must_use]
pub fn text(plot: &Plot, columns: usize, rows: usize) -> String {
    let (columns, rows) = (columns.clamp(24, 400), rows.clamp(12, 200));
    let empty = [Panel::default()];
    let all = if plot.panels.is_empty() {
        &empty
    } else {
        plot.panels.as_slice()
    };

    // The first panel alone may take everything; more panels only when each stays readable.
    let mut page = page(plot, all, columns);
    let fixed = |page: &Page<'_>| page.head.len() + page.panels.len() + 3 + page.foot.len();
    let height = |page: &Page<'_>| rows.saturating_sub(fixed(page)) / page.panels.len().max(1);
    if page.panels.len() > 1 && height(&page) < PANEL_ROWS_MIN {
        page = self::page(plot, all.get(..1).unwrap_or(all), columns);
    }
    // A long legend must not push the curves out.
    let foot_max = rows.saturating_sub(page.head.len() + 4 + PANEL_ROWS_MIN.min(rows / 2));
    page.foot.truncate(foot_max);
    let height = height(&page).max(3);
    let lines = page.draw(plot, columns, height);
    lines
        .iter()
        .map(|line| format!("{}\n", line.trim_end()))
        .collect()
}

/// What is drawn, with the lines of text above and below.
struct Page<'a> {
    panels: &'a [Panel],
    names: Vec<&'a Series>,
    head: Vec<String>,
    foot: Vec<String>,
}

fn page<'a>(plot: &Plot, panels: &'a [Panel], columns: usize) -> Page<'a> {
    // The same series has the same style in every panel.
    let mut names: Vec<&Series> = Vec::new();
    for series in panels.iter().flat_map(|panel| &panel.series) {
        if !names.iter().any(|named| same(named, series)) {
            names.push(series);
        }
    }
    let head = [&plot.title, &plot.subtitle];
    let head = head.into_iter().filter(|line| !line.trim().is_empty());
    let mut foot: Vec<String> = names
        .iter()
        .enumerate()
        .map(|(index, series)| {
            let peaks =
                panels
                    .iter()
                    .flat_map(|panel| &panel.marks)
                    .filter_map(|mark| match mark {
                        Mark::Peak { label, style, .. } if *style == series.style => {
                            Some(label.as_str())
                        }
                        _ => None,
                    });
            let parts: Vec<&str> = std::iter::once(series.label.as_str())
                .chain(peaks)
                .collect();
            match letter(index, names.len()) {
                Some(letter) => format!("{letter}  {}", parts.join("   ")),
                None => parts.join("   "),
            }
        })
        .collect();
    let shades = plot.shades.iter().map(|shade| (SHADE, &shade.label));
    let marks = panels
        .iter()
        .flat_map(|panel| &panel.marks)
        .filter_map(|mark| match mark {
            Mark::Vertical { label, .. } => Some((VERTICAL, label)),
            Mark::Horizontal { label, .. } => Some((HORIZONTAL, label)),
            Mark::Peak { .. } => None,
        });
    let named = shades
        .chain(marks)
        .filter(|(_, label)| !label.trim().is_empty());
    foot.extend(named.map(|(sign, label)| format!("{sign}  {label}")));
    foot.extend(plot.notes.iter().cloned());
    Page {
        panels,
        names,
        head: head.map(|line| fitted(line, columns)).collect(),
        foot: foot
            .iter()
            .flat_map(|line| {
                let line = folded(line, columns);
                let lines = line.split('\n').map(|line| fitted(line, columns));
                lines.collect::<Vec<String>>()
            })
            .collect(),
    }
}

fn same(a: &Series, b: &Series) -> bool {
    a.label == b.label && a.style == b.style
}

/// The sign of a series: none when it is the only one.
fn letter(index: usize, count: usize) -> Option<char> {
    let letter = |index: usize| u8::try_from(index % 26).map(|index| char::from(b'A' + index));
    (count > 1).then(|| letter(index).unwrap_or('*'))
}

const SHADE: char = '░';
const VERTICAL: char = '┊';
const HORIZONTAL: char = '┄';
const BAND: char = '·';

impl Page<'_> {
    fn draw(&self, plot: &Plot, columns: usize, height: usize) -> Vec<String> {
        let x_span = scale::x_span(plot);
        let scales: Vec<(Option<Span>, Vec<Tick>)> = self
            .panels
            .iter()
            .map(|panel| {
                let span = x_span.and_then(|x| scale::y_span(panel, x, 0.0));
                let ticks = span.map(|span| scale::ticks(span, intervals(height / 2, 6)));
                (span, ticks.unwrap_or_default())
            })
            .collect();
        let ticks = scales.iter().flat_map(|(_, ticks)| ticks);
        let gutter = ticks.map(|tick| tick.label.width()).max().unwrap_or(0);
        let width = columns.saturating_sub(gutter + 2).max(8);
        let x_ticks = x_span
            .map(|span| scale::x_ticks(plot, span, intervals(width / 10, 12)))
            .unwrap_or_default();

        let mut lines = self.head.clone();
        for (panel, (y_span, y_ticks)) in self.panels.iter().zip(&scales) {
            lines.push(fitted(&axis_name(&panel.y), columns));
            let mut canvas = Canvas::new(width, height);
            if let Some((x, y)) = x_span.zip(*y_span) {
                self.curves(&mut canvas, plot, panel, x, y);
            } else {
                canvas.write_centred("no data");
            }
            let tick_rows: Vec<(usize, &Tick)> = y_ticks
                .iter()
                .filter_map(|tick| Some((canvas.row(*y_span, tick.value)?, tick)))
                .collect();
            for (row, cells) in canvas.rows().enumerate() {
                let tick = tick_rows
                    .iter()
                    .find(|(at, _)| *at == row)
                    .map(|(_, tick)| tick);
                let label = tick.map_or("", |tick| tick.label.as_str());
                let edge = if tick.is_some() { '┤' } else { '│' };
                lines.push(format!("{label:>gutter$} {edge}{cells}"));
            }
        }
        let [axis, labels] = x_axis(x_span, &x_ticks, width);
        let indent = " ".repeat(gutter + 1);
        lines.push(format!("{indent}└{axis}"));
        lines.push(format!("{indent} {labels}"));
        let name = fitted(&axis_name(&plot.x), width);
        lines.push(format!("{indent} {name:>width$}"));
        lines.extend(self.foot.iter().cloned());
        lines
    }

    fn curves(&self, canvas: &mut Canvas, plot: &Plot, panel: &Panel, x: Span, y: Span) {
        let maps = canvas.maps(x, y);
        if y.low < 0.0 && y.high > 0.0 {
            canvas.across(Some(y), 0.0, '─');
        }
        for shade in &plot.shades {
            canvas.shade(x, shade.low, shade.high);
        }
        for mark in &panel.marks {
            match mark {
                Mark::Vertical { x: at, .. } => canvas.down(x, *at),
                Mark::Horizontal { y: at, .. } => canvas.across(Some(y), *at, HORIZONTAL),
                Mark::Peak { .. } => {}
            }
        }
        // One band can be shown; several would hide each other.
        if let [
            Series {
                band: Some(band), ..
            },
        ] = panel.series.as_slice()
        {
            canvas.band(
                &maps.runs(band.iter().map(|(x, low, _)| (*x, *low))),
                &maps.runs(band.iter().map(|(x, _, high)| (*x, *high))),
            );
        }
        let runs: Vec<Vec<Run>> = panel
            .series
            .iter()
            .map(|series| maps.runs(series.points.iter().copied()))
            .collect();
        for run in runs.iter().flatten() {
            canvas.line(run);
        }
        for (series, runs) in panel.series.iter().zip(&runs) {
            let index = self.names.iter().position(|named| same(named, series));
            if let Some(letter) = index.and_then(|index| letter(index, self.names.len())) {
                canvas.letters(runs, letter, index.unwrap_or(0), self.names.len());
            }
        }
    }
}

/// Cells of 2 × 4 dots with characters under and over them.
struct Canvas {
    width: usize,
    height: usize,
    cells: Vec<Cell>,
}

#[derive(Clone, Copy, Default)]
struct Cell {
    /// Shown when there is nothing else.
    ground: Option<char>,
    /// Braille dots, numbered by bits as in Unicode.
    dots: u8,
    /// Shown instead of the dots.
    letter: Option<char>,
}

/// Bits of the Unicode braille patterns (U+2800 and up), by row and column within the cell.
const DOTS: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

impl Canvas {
    fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            cells: vec![Cell::default(); width * height],
        }
    }

    /// Maps to dots, the ends of the spans to the middles of the outermost dots.
    fn maps(&self, x: Span, y: Span) -> Maps {
        let last = |cells: usize, dots: usize| float((cells * dots).saturating_sub(1));
        Maps {
            x: Map::new(x, 0.0, last(self.width, 2)),
            y: Map::new(y, last(self.height, 4), 0.0),
        }
    }

    fn cell(&mut self, column: usize, row: usize) -> Option<&mut Cell> {
        let inside = column < self.width && row < self.height;
        inside.then(|| self.cells.get_mut(row * self.width + column))?
    }

    fn dot(&mut self, x: f64, y: f64) {
        if let Some((x, y)) = whole(x).zip(whole(y))
            && let Some(cell) = self.cell(x / 2, y / 4)
        {
            cell.dots |= DOTS[y % 4][x % 2];
        }
    }

    fn line(&mut self, run: &[(f64, f64)]) {
        if let [(x, y)] = run {
            self.dot(*x, *y);
        }
        for segment in run.windows(2) {
            if let [(x1, y1), (x2, y2)] = *segment {
                let (dx, dy) = (x2 - x1, y2 - y1);
                let steps = dx.abs().max(dy.abs()).ceil().max(1.0);
                let mut step = 0.0;
                while step <= steps {
                    self.dot(x1 + dx * step / steps, y1 + dy * step / steps);
                    step += 1.0;
                }
            }
        }
    }

    /// Puts a letter on the line every dozen columns or so, at other columns than the other
    /// series' letters.
    fn letters(&mut self, runs: &[Run], letter: char, index: usize, count: usize) {
        let stride = (self.width / 5).max(4 * count).max(8);
        let first = stride * (2 * index + 1) / (2 * count);
        for column in (first..self.width).step_by(stride) {
            let height = height_at(runs, float(2 * column) + 0.5);
            if let Some(row) = height.and_then(whole).map(|dot| dot / 4)
                && let Some(cell) = self.cell(column, row)
                && cell.letter.is_none()
            {
                cell.letter = Some(letter);
            }
        }
    }

    /// Marks the cells whose middle lies between the two lines, where nothing else stands.
    fn band(&mut self, low: &[Run], high: &[Run]) {
        for column in 0..self.width {
            let x = float(2 * column) + 0.5;
            let Some((bottom, top)) = height_at(low, x).zip(height_at(high, x)) else {
                continue;
            };
            for row in 0..self.height {
                let middle = float(4 * row) + 1.5;
                if middle >= top
                    && middle <= bottom
                    && let Some(cell) = self.cell(column, row)
                {
                    cell.ground = cell.ground.or(Some(BAND));
                }
            }
        }
    }

    /// The row of a value on the y axis.
    fn row(&self, span: Option<Span>, value: f64) -> Option<usize> {
        let span = span.filter(|span| span.contains(value))?;
        let map = Map::new(span, float((self.height * 4).saturating_sub(1)), 0.0);
        whole(map.at(value)).map(|dot| dot / 4)
    }

    fn column(&self, span: Span, value: f64) -> Option<usize> {
        let map = Map::new(span, 0.0, float((self.width * 2).saturating_sub(1)));
        span.contains(value)
            .then(|| whole(map.at(value)).map(|dot| dot / 2))?
    }

    fn across(&mut self, span: Option<Span>, value: f64, sign: char) {
        if let Some(row) = self.row(span, value) {
            for column in 0..self.width {
                if let Some(cell) = self.cell(column, row) {
                    cell.ground = Some(sign);
                }
            }
        }
    }

    fn down(&mut self, span: Span, value: f64) {
        if let Some(column) = self.column(span, value) {
            self.fill(column..=column, VERTICAL);
        }
    }

    fn shade(&mut self, span: Span, low: f64, high: f64) {
        let (low, high) = (low.max(span.low), high.min(span.high));
        if low < high
            && let Some((first, last)) = self.column(span, low).zip(self.column(span, high))
        {
            self.fill(first..=last, SHADE);
        }
    }

    fn fill(&mut self, columns: std::ops::RangeInclusive<usize>, sign: char) {
        for column in columns {
            for row in 0..self.height {
                if let Some(cell) = self.cell(column, row) {
                    cell.ground = Some(sign);
                }
            }
        }
    }

    fn write_centred(&mut self, text: &str) {
        let (start, row) = (self.width.saturating_sub(text.width()) / 2, self.height / 2);
        for (offset, c) in text.chars().enumerate() {
            if let Some(cell) = self.cell(start + offset, row) {
                cell.letter = Some(c);
            }
        }
    }

    fn rows(&self) -> impl Iterator<Item = String> {
        let shown = |cell: &Cell| match *cell {
            Cell {
                letter: Some(c), ..
            } => c,
            Cell {
                dots: 0, ground, ..
            } => ground.unwrap_or(' '),
            Cell { dots, .. } => char::from_u32(0x2800 + u32::from(dots)).unwrap_or('?'),
        };
        self.cells
            .chunks(self.width.max(1))
            .map(move |row| row.iter().map(shown).collect())
    }
}

/// The axis with its ticks, and the numbers under them.
fn x_axis(span: Option<Span>, ticks: &[Tick], width: usize) -> [String; 2] {
    let mut axis = vec!['─'; width];
    let mut labels = String::new();
    let canvas = Canvas::new(width, 1);
    for tick in ticks {
        let Some(column) = span.and_then(|span| canvas.column(span, tick.value)) else {
            continue;
        };
        if let Some(sign) = axis.get_mut(column) {
            *sign = '┬';
        }
        let wide = tick.label.width();
        let start = column
            .saturating_sub(wide / 2)
            .min(width.saturating_sub(wide));
        let used = labels.width();
        // A number that would touch the one before is left out.
        if used == 0 || start > used {
            labels.push_str(&" ".repeat(start - used));
            labels.push_str(&tick.label);
        }
    }
    [axis.into_iter().collect(), labels]
}

fn axis_name(axis: &Axis) -> String {
    let parts = [axis.label.trim(), axis.unit.trim()];
    let parts: Vec<&str> = parts.into_iter().filter(|part| !part.is_empty()).collect();
    parts.join(", ")
}

/// `line` without control characters (a label must not steer the terminal), cut to `columns`.
fn fitted(line: &str, columns: usize) -> String {
    let visible = |c: char| if c.is_control() { '\u{fffd}' } else { c };
    let line: String = line.chars().map(visible).collect();
    if line.width() <= columns {
        return line;
    }
    let mut kept = String::new();
    let mut used = 1;
    for c in line.chars() {
        used += c.width().unwrap_or(0);
        if used > columns {
            break;
        }
        kept.push(c);
    }
    kept.push('…');
    kept
}

fn intervals(room: usize, most: u32) -> u32 {
    u32::try_from(room).unwrap_or(most).clamp(2, most)
}

/// A count of cells or dots, far below 2^32.
fn float(count: usize) -> f64 {
    u32::try_from(count).map_or(f64::MAX, f64::from)
}

/// The nearest whole number, if it can be an index.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the range is checked first"
)]
fn whole(value: f64) -> Option<usize> {
    let value = value.round();
    (0.0..=1e6).contains(&value).then_some(value as usize)
}
