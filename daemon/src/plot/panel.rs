//! One panel: shading, grid, bands, curves, marks and the labels at the line ends.

use super::font::{self, Weight};
use super::labels::{self, Board, Rect};
use super::pen::{Anchor, Ink, Pen, escape, polyline, px};
use super::scale::{Map, Tick, usable};
use super::svg::TEXT;
use super::{Mark, Panel, Series, Shade, Style};

// Lengths in units, see `svg`.
const LINE: f64 = 3.6;
const LEADER: f64 = 22.0;
const SAMPLE: f64 = 44.0;
/// From the right edge of the panel to the text of a line's label.
pub(super) const LABEL_INDENT: f64 = LEADER + SAMPLE + 12.0;

/// Pixels further out than this are drawn here: it looks the same and stays in f32.
const FAR_PX: f64 = 1e5;

/// A panel with its place and scales; a scale is missing when there is nothing to draw.
#[derive(Debug)]
pub(super) struct Frame<'a> {
    pub(super) panel: &'a Panel,
    pub(super) shades: &'a [Shade],
    pub(super) area: Rect,
    /// Width for the texts at the line ends.
    pub(super) label_room: f64,
    pub(super) x: Option<Map>,
    pub(super) y: Option<Map>,
    pub(super) x_ticks: &'a [Tick],
    pub(super) y_ticks: &'a [Tick],
}

/// Points in pixels without a gap.
type Run = Vec<(f64, f64)>;

pub(super) fn draw(pen: &mut Pen, frame: &Frame<'_>) {
    let area = frame.area;
    pen.put("<g class=\"panel\">");
    if let Some(x) = frame.x {
        for shade in frame.shades {
            hatch(pen, area, x, shade);
        }
        for tick in frame.x_ticks {
            let at = x.at(tick.value);
            pen.line((at, area.top), (at, area.bottom()), pen.theme.grid(), 1.2, &[]);
        }
    }
    if let Some((x, y)) = frame.x.zip(frame.y) {
        y_grid(pen, frame, y);
        let maps = Maps { x, y };
        let drawn: Vec<(&Series, Vec<Run>)> = frame
            .panel
            .series
            .iter()
            .map(|series| (series, maps.runs(series.points.iter().copied())))
            .collect();
        curves(pen, area, &drawn, maps);
        marks(pen, frame, &drawn, maps);
        end_labels(pen, frame, &drawn);
    } else {
        rule(pen, area, area.bottom());
        let ink = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
        let centre = (area.left + 0.5 * area.width, area.top + 0.5 * area.height + ink.drop());
        pen.text("no-data", centre, "no data", ink, Anchor::Middle);
    }
    pen.put("</g>");
}

fn rule(pen: &mut Pen, area: Rect, y: f64) {
    pen.line((area.left, y), (area.right(), y), pen.theme.rule(), 1.8, &[]);
}

fn y_grid(pen: &mut Pen, frame: &Frame<'_>, map: Map) {
    let area = frame.area;
    let ink = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
    for tick in frame.y_ticks {
        let y = map.at(tick.value);
        pen.line((area.left, y), (area.right(), y), pen.theme.grid(), 1.2, &[]);
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

/// Both scales of a panel.
#[derive(Debug, Clone, Copy)]
struct Maps {
    x: Map,
    y: Map,
}

impl Maps {
    fn at(self, x: f64, y: f64) -> (f64, f64) {
        let near = |pixel: f64| pixel.clamp(-FAR_PX, FAR_PX);
        (near(self.x.at(x)), near(self.y.at(y)))
    }

    /// Runs of points between gaps.
    fn runs(self, points: impl Iterator<Item = (f64, f64)>) -> Vec<Run> {
        let mut runs = Vec::new();
        let mut run = Run::new();
        for (x, y) in points {
            if usable(x) && usable(y) {
                run.push(self.at(x, y));
            } else if !run.is_empty() {
                runs.push(std::mem::take(&mut run));
            }
        }
        if !run.is_empty() {
            runs.push(run);
        }
        runs
    }
}

fn curves(pen: &mut Pen, area: Rect, drawn: &[(&Series, Vec<Run>)], maps: Maps) {
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
        let path: String = lines.map(|run| polyline('M', simplified(run).into_iter())).collect();
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
    if drawn.len() > 1 {
        shapes(pen, area, drawn);
    }
    pen.put("</svg>");
}

fn band(pen: &mut Pen, style: Style, points: &[(f64, f64, f64)], maps: Maps) {
    // A bound that can't be drawn breaks both edges at the same place.
    let whole = |(x, low, high): &(f64, f64, f64)| {
        if usable(*low) && usable(*high) { (*x, *low, *high) } else { (f64::NAN, 0.0, 0.0) }
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

/// The run without points that lie within a third of a pixel of the one before: a long recording
/// draws the same with fewer.
fn simplified(run: &[(f64, f64)]) -> Run {
    let mut kept = Run::new();
    for (index, point) in run.iter().enumerate() {
        let far = kept.last().is_none_or(|last| {
            (point.0 - last.0).abs().max((point.1 - last.1).abs()) > 0.3
        });
        if far || index + 1 == run.len() {
            kept.push(*point);
        }
    }
    kept
}

/// Shapes along the lines, each series' at places of its own.
fn shapes(pen: &mut Pen, area: Rect, drawn: &[(&Series, Vec<Run>)]) {
    let count = drawn.iter().fold(0.0, |count, _| count + 1.0);
    let step = (area.width / 5.0).max(pen.units(120.0));
    let mut first = area.left + 0.5 * step / count;
    for (series, runs) in drawn {
        let style = Style::of(series.style, pen.theme);
        let mut x = first;
        while x < area.right() {
            if let Some(y) = height_at(runs, x) {
                pen.marker(style, (x, y), 7.5);
            }
            x += step;
        }
        first += step / count;
    }
}

/// Height of the line at `x`, where it is drawn.
fn height_at(runs: &[Run], x: f64) -> Option<f64> {
    let mut segments = runs.iter().flat_map(|run| run.windows(2));
    segments.find_map(|segment| match segment {
        [(x1, y1), (x2, y2)] if x1.min(*x2) <= x && x <= x1.max(*x2) && x1 != x2 => {
            Some(y1 + (y2 - y1) * (x - x1) / (x2 - x1))
        }
        _ => None,
    })
}

/// Points a few pixels apart along the lines, to keep texts off them.
fn sampled(pen: &Pen, area: Rect, drawn: &[(&Series, Vec<Run>)]) -> Run {
    let step = pen.units(6.0);
    let mut points = Run::new();
    for (_, runs) in drawn {
        let mut x = area.left;
        while x <= area.right() {
            points.extend(height_at(runs, x).map(|y| (x, y)));
            x += step;
        }
    }
    points
}

fn marks(pen: &mut Pen, frame: &Frame<'_>, drawn: &[(&Series, Vec<Run>)], maps: Maps) {
    let area = frame.area;
    let mut board = Board::new(area, sampled(pen, area, drawn));
    let plain = Ink {
        halo: true,
        ..pen.ink(TEXT, pen.theme.muted(), Weight::Regular)
    };
    let size = plain.size;
    let mut peaks = Vec::new();
    for mark in &frame.panel.marks {
        match mark {
            Mark::Vertical { x, label } if maps.x.span.contains(*x) => {
                let x = maps.x.at(*x);
                pen.line((x, area.top), (x, area.bottom()), pen.theme.rule(), 2.0, &[7.0, 6.0]);
                let sides = [x + 0.4 * size, x - 0.4 * size - plain.width(label)];
                let rows = [0.0, 1.2, 2.4, 3.6].map(|row| area.top + row * size);
                write_beside(pen, &mut board, label, plain, &sides, &rows);
            }
            Mark::Horizontal { y, label } if maps.y.span.contains(*y) => {
                let y = maps.y.at(*y);
                pen.line((area.left, y), (area.right(), y), pen.theme.rule(), 2.0, &[7.0, 6.0]);
                let sides = [
                    area.left + 0.4 * size,
                    area.right() - 0.4 * size - plain.width(label),
                ];
                let rows = [y - 1.25 * size, y + 0.1 * size];
                write_beside(pen, &mut board, label, plain, &sides, &rows);
            }
            Mark::Peak { x, y, label, style }
                if maps.x.span.contains(*x) && maps.y.span.contains(*y) =>
            {
                peaks.push((maps.at(*x, *y), label, Style::of(*style, pen.theme)));
            }
            _ => {}
        }
    }
    for shade in frame.shades {
        if let Some((left, right)) = visible(maps.x, shade) {
            let wide = plain.width(&shade.label);
            let most = (area.right() - wide).max(area.left);
            let centred = (0.5 * (left + right - wide)).clamp(area.left, most);
            let rows = [area.top + 0.1 * size, area.bottom() - 1.3 * size];
            write_beside(pen, &mut board, &shade.label, plain, &[centred], &rows);
        }
    }
    // Rings before texts, so that no text covers a ring.
    for ((x, y), _, style) in &peaks {
        let (ring, ground) = (pen.units(8.0), pen.theme.ground());
        pen.put(&format!(
            "<circle class=\"peak\" cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{ground}\" stroke=\"{}\" \
             stroke-width=\"{}\"/>",
            px(*x),
            px(*y),
            px(ring),
            style.colour,
            px(pen.units(LINE))
        ));
        board.take(Rect {
            left: x - ring,
            top: y - ring,
            width: 2.0 * ring,
            height: 2.0 * ring,
        });
    }
    for (point, label, style) in peaks {
        let ink = Ink {
            halo: true,
            ..pen.ink(TEXT, style.colour, Weight::Bold)
        };
        peak_label(pen, &mut board, point, label, ink);
    }
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
    let spots = tops.iter().flat_map(|top| lefts.iter().map(move |left| (*left, *top)));
    let rects: Vec<Rect> = spots
        .map(|(left, top)| Rect {
            left,
            top,
            width: ink.width(label),
            height: 1.2 * ink.size,
        })
        .collect();
    if let Some(rect) = board.place(&rects) {
        let base = (rect.left, rect.top + 0.95 * ink.size);
        pen.text("mark", base, label, ink, Anchor::Start);
    }
}

/// Writes a peak's value near its ring, with a thin stroke to it when it had to move away.
fn peak_label(pen: &mut Pen, board: &mut Board, (x, y): (f64, f64), label: &str, ink: Ink) {
    if label.trim().is_empty() {
        return;
    }
    let (width, height) = (ink.width(label), 1.2 * ink.size);
    let clear = pen.units(14.0);
    // Rows upwards first, then below; in each row centred, then to either side.
    let rows = [-1.0, -2.0, 1.0, -3.0, 2.0, 3.0].map(|row: f64| {
        let first = if row < 0.0 { y - clear - height } else { y + clear };
        first + (row - row.signum()) * 1.05 * height
    });
    let level = y - 0.5 * height;
    let columns = [
        x - 0.5 * width,
        x - 0.2 * width,
        x - 0.8 * width,
        x + clear,
        x - clear - width,
    ];
    let near = [(x + clear, level), (x - clear - width, level)];
    let spots = rows.iter().flat_map(|top| columns.iter().map(move |left| (*left, *top)));
    let rects: Vec<Rect> = spots
        .chain(near)
        .map(|(left, top)| Rect {
            left,
            top,
            width,
            height,
        })
        .collect();
    let Some(rect) = board.place(&rects) else {
        return;
    };
    let nearest = (x.clamp(rect.left, rect.right()), y.clamp(rect.top, rect.bottom()));
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
fn end_labels(pen: &mut Pen, frame: &Frame<'_>, drawn: &[(&Series, Vec<Run>)]) {
    let area = frame.area;
    let ink = pen.ink(TEXT, pen.theme.ink(), Weight::Bold);
    let line_height = 1.2 * ink.size;
    let wrapped = |text: &str| font::wrap(text, frame.label_room, ink.size, ink.weight, 2);
    let mut labels = Vec::new();
    let mut wishes = Vec::new();
    let mut room = area.height;
    let mut left_out = 0;
    for (series, runs) in drawn.iter().filter(|(series, _)| !series.label.trim().is_empty()) {
        let points = runs.iter().flatten().rev();
        let end = points.copied().find(|(x, _)| (area.left - 0.5..=area.right() + 0.5).contains(x));
        let lines = match end {
            Some(_) => wrapped(&series.label),
            None => wrapped(&format!("{} (no data)", series.label)),
        };
        let height = lines.iter().fold(0.15 * ink.size, |height, _| height + line_height);
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
            pen.marker(*style, (0.5 * (start + sample_end), level), 7.5);
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
        pen.text("label", place, &format!("and {left_out} more"), muted, Anchor::Start);
    }
}
