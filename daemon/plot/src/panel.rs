//! One panel: shading, grid, bands, curves, marks and the labels at the line ends.

use super::cells;
use super::curve::{Maps, Run, height_at, simplified};
use super::font::{self, Weight};
use super::labels::{self, Board, Rect, Trace};
use super::pen::{Anchor, Ink, Pen, TEXT, escape, polyline, px};
use super::scale::{Map, Tick, usable};
use super::{Mark, Panel, Series, Shade, Style};

// Lengths in units, see `svg`.
const LINE: f64 = 3.6;
const SHAPE: f64 = 7.5;
const LEADER: f64 = 22.0;
const SAMPLE: f64 = 56.0;
/// From the right edge of the panel to the text of a line's label.
pub(super) const LABEL_INDENT: f64 = LEADER + SAMPLE + 12.0;

/// A panel with its place and scales; a scale is missing when there is nothing to draw.
#[derive(Debug)]
pub(super) struct Frame<'a> {
    pub(super) panel: &'a Panel,
    pub(super) shades: &'a [Shade],
    /// Whether this panel is the one that names the shaded ranges.
    pub(super) names_shades: bool,
    pub(super) area: Rect,
    /// Width for the texts at the line ends.
    pub(super) label_room: f64,
    pub(super) x: Option<Map>,
    pub(super) y: Option<Map>,
    pub(super) x_ticks: &'a [Tick],
    pub(super) y_ticks: &'a [Tick],
}

/// A series with the runs its line is made of.
type Drawn<'a> = (&'a Series, Vec<Run>);

pub(super) fn draw(pen: &mut Pen, frame: &Frame<'_>) {
    let area = frame.area;
    pen.put("<g class=\"panel\">");
    if let Some(x) = frame.x {
        for shade in frame.shades {
            hatch(pen, area, x, shade);
        }
        for tick in frame.x_ticks {
            let at = x.at(tick.value);
            pen.line(
                (at, area.top),
                (at, area.bottom()),
                pen.theme.grid(),
                1.2,
                &[],
            );
        }
    }
    if let Some((x, y)) = frame.x.zip(frame.y) {
        y_grid(pen, frame, y);
        let maps = Maps { x, y };
        let drawn: Vec<Drawn<'_>> = frame
            .panel
            .series
            .iter()
            .map(|series| {
                let runs = maps.runs(series.points.iter().copied());
                (series, runs.iter().map(|run| simplified(run)).collect())
            })
            .collect();
        if let Some(cells) = &frame.panel.cells {
            cells::draw(pen, cells, maps);
            cells::scale(pen, cells, area);
        }
        for mark in &frame.panel.marks {
            mark_line(pen, area, mark, maps);
        }
        let shapes = curves(pen, frame, &drawn, maps);
        mark_texts(pen, frame, board(pen, area, &drawn, &shapes, maps), maps);
        end_labels(pen, frame, &drawn);
    } else {
        rule(pen, area, area.bottom());
        let ink = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
        let centre = (
            area.left + 0.5 * area.width,
            area.top + 0.5 * area.height + ink.drop(),
        );
        pen.text("no-data", centre, "no data", ink, Anchor::Middle);
    }
    pen.put("</g>");
}

fn rule(pen: &mut Pen, area: Rect, y: f64) {
    pen.line(
        (area.left, y),
        (area.right(), y),
        pen.theme.rule(),
        1.8,
        &[],
    );
}

fn y_grid(pen: &mut Pen, frame: &Frame<'_>, map: Map) {
    let area = frame.area;
    let ink = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
    for tick in frame.y_ticks {
        let y = map.at(tick.value);
        pen.line(
            (area.left, y),
            (area.right(), y),
            pen.theme.grid(),
            1.2,
            &[],
        );
        let x = area.left - pen.units(12.0);
        pen.text("y-tick", (x, y + ink.drop()), &tick.label, ink, Anchor::End);
    }
    rule(pen, area, area.bottom());
    if map.span.low < 0.0 && map.span.high > 0.0 {
        rule(pen, area, map.at(0.0));
    }
}

/// The part of `low..high` that is shown, in pixels.
fn visible(map: Map, shade: &Shade) -> Option<(f64, f64)> {
    let low = shade.low.max(map.span.low);
    let high = shade.high.min(map.span.high);
    (low < high && !shade.low.is_nan() && !shade.high.is_nan()).then(|| (map.at(low), map.at(high)))
}

/// Diagonal strokes, drawn one by one: a pattern would need an id.
fn hatch(pen: &mut Pen, area: Rect, map: Map, shade: &Shade) {
    let Some((left, right)) = visible(map, shade) else {
        return;
    };
    let (width, height) = (right - left, area.height);
    let step = pen.units(13.0);
    let mut strokes = String::new();
    let mut offset = step;
    while offset < width + height {
        // From the left or lower edge at 45 degrees up to the upper or right edge.
        let start = ((offset - height).max(0.0), offset.min(height));
        let end = (offset.min(width), (offset - width).max(0.0));
        let ends = [start, end].map(|(x, y)| (left + x, area.top + y));
        strokes.push_str(&polyline('M', ends.into_iter()));
        offset += step;
    }
    let (colour, width) = (pen.theme.hatch(), px(pen.units(1.6)));
    pen.put(&format!(
        "<path class=\"shade\" d=\"{strokes}\" fill=\"none\" stroke=\"{colour}\" \
         stroke-width=\"{width}\"/>"
    ));
    for x in [left, right] {
        pen.line((x, area.top), (x, area.bottom()), colour, 1.6, &[]);
    }
}

fn mark_line(pen: &mut Pen, area: Rect, mark: &Mark, maps: Maps) {
    let (start, end) = match mark {
        Mark::Vertical { x, .. } if maps.x.span.contains(*x) => {
            let x = maps.x.at(*x);
            ((x, area.top), (x, area.bottom()))
        }
        Mark::Horizontal { y, .. } if maps.y.span.contains(*y) => {
            let y = maps.y.at(*y);
            ((area.left, y), (area.right(), y))
        }
        _ => return,
    };
    pen.line(start, end, pen.theme.rule(), 2.0, &[7.0, 6.0]);
}

/// Draws bands, lines and the shapes along them; returns where the shapes are.
fn curves(pen: &mut Pen, frame: &Frame<'_>, drawn: &[Drawn<'_>], maps: Maps) -> Run {
    let area = frame.area;
    // A nested viewport cuts off what is outside; clip paths would need ids.
    let [x, y, w, h] = [area.left, area.top, area.width, area.height].map(px);
    pen.put(&format!(
        "<svg x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" viewBox=\"{x} {y} {w} {h}\" \
         overflow=\"hidden\" fill=\"none\" stroke-linejoin=\"round\">"
    ));
    for (series, _) in drawn {
        if let Some(points) = &series.band {
            band(pen, Style::of(series.style, pen.theme), points, maps);
        }
    }
    for (series, runs) in drawn {
        let style = Style::of(series.style, pen.theme);
        let lines = runs.iter().filter(|run| run.len() > 1);
        let path: String = lines
            .map(|run| polyline('M', run.iter().copied()))
            .collect();
        pen.put(&format!(
            "<path class=\"curve\" aria-label=\"{}\" d=\"{path}\" stroke=\"{}\" \
             stroke-width=\"{}\"{}/>",
            escape(&series.label),
            style.colour,
            px(pen.units(LINE)),
            pen.style_dashes(style, LINE)
        ));
        for run in runs {
            if let [point] = run[..] {
                pen.marker(style, point, 5.0);
            }
        }
    }
    let shapes = if drawn.len() > 1 {
        shapes(pen, frame, drawn, maps)
    } else {
        Run::new()
    };
    pen.put("</svg>");
    shapes
}

fn band(pen: &mut Pen, style: Style, points: &[(f64, f64, f64)], maps: Maps) {
    // A bound that can't be drawn breaks both edges at the same place.
    let whole = |(x, low, high): &(f64, f64, f64)| {
        if usable(*low) && usable(*high) {
            (*x, *low, *high)
        } else {
            (f64::NAN, 0.0, 0.0)
        }
    };
    let lower = maps.runs(points.iter().map(whole).map(|(x, low, _)| (x, low)));
    let upper = maps.runs(points.iter().map(whole).map(|(x, _, high)| (x, high)));
    let mut area = String::new();
    let mut edges = String::new();
    for (lower, upper) in lower.iter().zip(&upper) {
        let (lower, upper) = (simplified(lower), simplified(upper));
        edges.push_str(&polyline('M', upper.iter().copied()));
        edges.push_str(&polyline('M', lower.iter().copied()));
        area.push_str(&polyline('M', upper.into_iter()));
        area.push_str(&polyline('L', lower.into_iter().rev()));
        area.push('Z');
    }
    pen.put(&format!(
        "<path class=\"band\" d=\"{area}\" fill=\"{colour}\" fill-opacity=\"{}\"/>\
         <path class=\"band-edge\" d=\"{edges}\" stroke=\"{colour}\" stroke-opacity=\"0.5\" \
         stroke-width=\"{}\"/>",
        pen.theme.band_opacity(),
        px(pen.units(1.2)),
        colour = style.colour
    ));
}

/// Shapes along the lines, each series' at places of its own, clear of the rings at the peaks.
fn shapes(pen: &mut Pen, frame: &Frame<'_>, drawn: &[Drawn<'_>], maps: Maps) -> Run {
    let area = frame.area;
    let mut placed = Run::new();
    let clear = pen.units(30.0);
    let rings: Vec<_> = peaks(frame.panel, maps).map(|peak| peak.at.0).collect();
    let count = drawn.iter().fold(0.0, |count, _| count + 1.0);
    let step = (area.width / 5.0).max(pen.units(120.0));
    let mut first = area.left + 0.5 * step / count;
    for (series, runs) in drawn {
        let style = Style::of(series.style, pen.theme);
        let mut x = first;
        while x < area.right() {
            let free = rings.iter().all(|ring| (ring - x).abs() > clear);
            if let Some(y) = height_at(runs, x).filter(|_| free) {
                pen.marker(style, (x, y), SHAPE);
                placed.push((x, y));
            }
            x += step;
        }
        first += step / count;
    }
    placed
}

/// The panel as texts see it: they keep off shapes, and off lines and band edges where they can.
fn board(pen: &Pen, area: Rect, drawn: &[Drawn<'_>], shapes: &[(f64, f64)], maps: Maps) -> Board {
    let step = pen.units(6.0);
    let trace = |runs: &[Run], weight: usize| {
        let mut points = Run::new();
        let mut x = area.left;
        while x <= area.right() {
            points.extend(height_at(runs, x).map(|y| (x, y)));
            x += step;
        }
        Trace { points, weight }
    };
    let mut traces = Vec::new();
    for (series, runs) in drawn {
        let band = || series.band.iter().flatten();
        traces.push(trace(runs, 4));
        traces.push(trace(&maps.runs(band().map(|(x, low, _)| (*x, *low))), 1));
        traces.push(trace(&maps.runs(band().map(|(x, _, high)| (*x, *high))), 1));
    }
    let zero = maps.y.at(0.0);
    traces.push(trace(&[vec![(area.left, zero), (area.right(), zero)]], 1));
    let mut board = Board::new(area, traces, pen.units(2.0));
    for (x, y) in shapes {
        board.take(square(*x, *y, pen.units(1.3 * SHAPE)));
    }
    board
}

/// The square around a point.
fn square(x: f64, y: f64, reach: f64) -> Rect {
    Rect::new(x - reach, y - reach, 2.0 * reach, 2.0 * reach)
}

/// A peak inside the panel.
#[derive(Debug, Clone, Copy)]
struct Peak<'a> {
    at: (f64, f64),
    label: &'a str,
    style: usize,
}

fn peaks(panel: &Panel, maps: Maps) -> impl Iterator<Item = Peak<'_>> {
    panel.marks.iter().filter_map(move |mark| match mark {
        Mark::Peak { x, y, label, style }
            if maps.x.span.contains(*x) && maps.y.span.contains(*y) =>
        {
            Some(Peak {
                at: maps.at(*x, *y),
                label,
                style: *style,
            })
        }
        _ => None,
    })
}

fn mark_texts(pen: &mut Pen, frame: &Frame<'_>, mut board: Board, maps: Maps) {
    let area = frame.area;
    let plain = Ink {
        halo: true,
        ..pen.ink(TEXT, pen.theme.muted(), Weight::Regular)
    };
    let size = plain.size;
    for mark in &frame.panel.marks {
        match mark {
            Mark::Vertical { x, label } if maps.x.span.contains(*x) => {
                let x = maps.x.at(*x);
                let sides = [x + 0.4 * size, x - 0.4 * size - plain.width(label)];
                let rows = [0.0, 1.2, 2.4, 3.6].map(|row| area.top + row * size);
                write_beside(pen, &mut board, label, plain, &sides, &rows);
            }
            Mark::Horizontal { y, label } if maps.y.span.contains(*y) => {
                let y = maps.y.at(*y);
                let first = area.left + 0.4 * size;
                let free = (area.width - 0.8 * size - plain.width(label)).max(0.0);
                let places = [0.0, 1.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9];
                let lefts = places.map(|place| first + place * free);
                let rows = [y - 1.25 * size, y + 0.1 * size];
                write_beside(pen, &mut board, label, plain, &lefts, &rows);
            }
            _ => {}
        }
    }
    for shade in frame.shades.iter().filter(|_| frame.names_shades) {
        if let Some((left, right)) = visible(maps.x, shade) {
            let wide = plain.width(&shade.label);
            let first = area.left + 0.3 * size;
            let last = (area.right() - 0.3 * size - wide).max(first);
            let centred = (0.5 * (left + right - wide)).clamp(first, last);
            let rows = [area.top + 0.1 * size, area.bottom() - 1.3 * size];
            write_beside(pen, &mut board, &shade.label, plain, &[centred], &rows);
        }
    }
    let mut peaks: Vec<_> = peaks(frame.panel, maps).collect();
    peaks.sort_by(|a, b| a.at.0.total_cmp(&b.at.0));
    // All rings before the first text, so that no text covers a ring.
    for peak in &peaks {
        ring(pen, &mut board, *peak);
    }
    for (index, peak) in peaks.iter().enumerate() {
        let ink = Ink {
            halo: true,
            ..pen.ink(TEXT, Style::of(peak.style, pen.theme).colour, Weight::Bold)
        };
        let width = ink.width(peak.label);
        let crowds = |other: Option<&Peak<'_>>| {
            other.is_some_and(|other| (other.at.0 - peak.at.0).abs() < width)
        };
        let before = crowds(index.checked_sub(1).and_then(|before| peaks.get(before)));
        let after = crowds(peaks.get(index + 1));
        let lean = match (before, after) {
            (false, true) => Lean::Left,
            (true, false) => Lean::Right,
            _ => Lean::None,
        };
        peak_label(pen, &mut board, *peak, ink, lean, area.right());
    }
}

fn ring(pen: &mut Pen, board: &mut Board, peak: Peak<'_>) {
    let (x, y) = peak.at;
    let radius = pen.units(8.0);
    pen.put(&format!(
        "<circle class=\"peak\" cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{}\" stroke=\"{}\" \
         stroke-width=\"{}\"/>",
        px(x),
        px(y),
        px(radius),
        pen.theme.ground(),
        Style::of(peak.style, pen.theme).colour,
        px(pen.units(LINE))
    ));
    board.take(square(x, y, radius));
}

/// To which side of its peak a text goes, away from a neighbour.
#[derive(Debug, Clone, Copy)]
enum Lean {
    Left,
    None,
    Right,
}

/// Writes `label` at the best of the places given by left edges and tops.
fn write_beside(
    pen: &mut Pen,
    board: &mut Board,
    label: &str,
    ink: Ink,
    lefts: &[f64],
    tops: &[f64],
) {
    if label.trim().is_empty() {
        return;
    }
    let spots = tops
        .iter()
        .flat_map(|top| lefts.iter().map(move |left| (*left, *top)));
    let rects: Vec<Rect> = spots
        .map(|(left, top)| Rect::new(left, top, ink.width(label), 1.2 * ink.size))
        .collect();
    if let Some(rect) = board.place(&rects) {
        let base = (rect.left, rect.top + 0.95 * ink.size);
        pen.text("mark", base, label, ink, Anchor::Start);
    }
}

/// Writes a peak's value near its ring, with a thin stroke to it when it had to move away; the names of
/// the lines are right of `end`.
fn peak_label(pen: &mut Pen, board: &mut Board, peak: Peak<'_>, ink: Ink, lean: Lean, end: f64) {
    let (label, (x, y)) = (peak.label, peak.at);
    if label.trim().is_empty() {
        return;
    }
    let (width, height) = (ink.width(label), 1.2 * ink.size);
    let clear = pen.units(12.0);
    let (left, centre, right) = (x + 0.5 * clear - width, x - 0.5 * width, x - 0.5 * clear);
    let columns = match lean {
        Lean::Left => [left, left - 2.0 * clear, centre, right],
        Lean::None => [centre, x - 0.25 * width, x - 0.75 * width, left],
        Lean::Right => [right, right + 2.0 * clear, centre, left],
    };
    let above = [0.0, 0.4, 0.8, 1.2, 1.6, 2.0].map(|row| y - clear - (1.0 + row) * height);
    let below = [0.0, 0.4, 0.8, 1.2].map(|row| y + clear + row * height);
    let across = |rows: Vec<f64>| {
        rows.into_iter()
            .flat_map(move |top| columns.map(move |left| (left, top)))
    };
    let level = y - 0.5 * height;
    let beside = [(x - 2.0 * clear - width, level), (x + 2.0 * clear, level)];
    let rects: Vec<Rect> = across(above.to_vec())
        .chain(beside)
        .chain(across(below.to_vec()))
        .map(|(left, top)| Rect::new(left, top, width, height))
        .filter(|rect| rect.right() <= end + clear)
        .collect();
    let Some(rect) = board.place(&rects) else {
        return;
    };
    let nearest = (
        x.clamp(rect.left, rect.right()),
        y.clamp(rect.top, rect.bottom()),
    );
    let distance = (nearest.0 - x).hypot(nearest.1 - y);
    if distance > 1.5 * clear {
        let ring = pen.units(10.0) / distance;
        let start = (x + (nearest.0 - x) * ring, y + (nearest.1 - y) * ring);
        pen.line(start, nearest, ink.colour, 1.6, &[]);
    }
    let base = (rect.left, rect.top + 0.95 * ink.size);
    pen.text("peak-label", base, label, ink, Anchor::Start);
}

/// Writes each series' name where its line ends, with a sample of the line.
fn end_labels(pen: &mut Pen, frame: &Frame<'_>, drawn: &[Drawn<'_>]) {
    let area = frame.area;
    let ink = pen.ink(TEXT, pen.theme.ink(), Weight::Bold);
    let line_height = 1.2 * ink.size;
    let wrapped = |text: &str| font::wrap(text, frame.label_room, ink.size, ink.weight, 2);
    let mut labels = Vec::new();
    let mut wishes = Vec::new();
    let mut room = area.height;
    let mut left_out = 0;
    for (series, runs) in drawn
        .iter()
        .filter(|(series, _)| !series.label.trim().is_empty())
    {
        let points = runs.iter().flatten().rev();
        let end = points
            .copied()
            .find(|(x, _)| (area.left - 0.5..=area.right() + 0.5).contains(x));
        let lines = match end {
            Some(_) => wrapped(&series.label),
            None => wrapped(&format!("{} (no data)", series.label)),
        };
        let height = lines
            .iter()
            .fold(0.15 * ink.size, |height, _| height + line_height);
        room -= height;
        if room < 0.0 && !labels.is_empty() {
            left_out += 1;
            continue;
        }
        let level = end.map_or(area.bottom(), |(_, y)| y.clamp(area.top, area.bottom()));
        // The first line of the text stands level with the end of the line.
        wishes.push((level - 0.5 * line_height, height));
        labels.push((lines, Style::of(series.style, pen.theme), end));
    }
    let reach = 0.5 * line_height;
    let tops = labels::spread(&wishes, area.top - reach, area.bottom() + reach);
    let start = area.right() + pen.units(LEADER);
    let text_left = area.right() + pen.units(LABEL_INDENT);
    for ((lines, style, end), top) in labels.iter().zip(&tops) {
        let level = top + 0.5 * line_height;
        if let Some((x, y)) = *end {
            let knee = x.max(area.right() - 1.0);
            let y = y.clamp(area.top, area.bottom());
            pen.line((x, y), (knee, y), style.colour, 1.2, &[2.0, 5.0]);
            pen.line((knee, y), (start, level), style.colour, 1.6, &[]);
        }
        let sample_end = start + pen.units(SAMPLE);
        pen.put(&format!(
            "<path class=\"sample\" d=\"M{} {y}H{}\" fill=\"none\" stroke=\"{}\" \
             stroke-width=\"{}\"{}/>",
            px(start),
            px(sample_end),
            style.colour,
            px(pen.units(LINE)),
            pen.style_dashes(*style, LINE),
            y = px(level),
        ));
        if drawn.len() > 1 {
            pen.marker(*style, (0.5 * (start + sample_end), level), SHAPE);
        }
        let mut base = level + ink.drop();
        for line in lines {
            let coloured = Ink {
                colour: style.colour,
                ..ink
            };
            pen.text("label", (text_left, base), line, coloured, Anchor::Start);
            base += line_height;
        }
    }
    if left_out > 0 {
        let muted = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
        let place = (start, area.top - 0.7 * line_height);
        pen.text(
            "label",
            place,
            &format!("and {left_out} more"),
            muted,
            Anchor::Start,
        );
    }
}
