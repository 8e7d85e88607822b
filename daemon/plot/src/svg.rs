//! The layout of the whole picture: heading, panels, axes, small print.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;

use super::cells;
use super::font::{self, Weight};
use super::labels::Rect;
use super::panel::{self, Frame, LABEL_INDENT};
use super::pen::{Anchor, Pen, TEXT, escape, px};
use super::scale::{self, Map, Span, Tick};
use super::{Axis, Mark, Panel, Plot, Size, Theme};

// Lengths are in units of 1/1600 of the width or 1/900 of the height, whichever is less: so large
// that the text is read at a glance, on a printed page as on a screen across the room.
const MARGIN: f64 = 40.0;
const TITLE: f64 = 37.0;
const SMALL: f64 = 19.0;
/// From the end of the x axis to its name: clear of the last tick label.
const X_NAME_INDENT: f64 = 52.0;
/// Between an axis' name and its unit, in sizes of the text.
const NAME_GAP: f64 = 0.45;
/// Smallest unit in pixels: small pictures keep readable text and lose room for curves.
const UNIT_PX_MIN: f64 = 0.45;

/// Draws `plot` as an SVG document.
///
/// Text stays text, in the family [`super::FONT_FAMILY`] with a sans-serif fallback: a page that
/// shows it should serve that font. The document has no ids and refers to nothing outside, so
/// several can stand in one page.
#[must_use]
pub fn svg(plot: &Plot, size: Size, theme: Theme) -> String {
    document(plot, size, theme, &ground(size, theme))
}

/// [`svg`] with nothing behind it.
pub(super) fn svg_without_ground(plot: &Plot, size: Size, theme: Theme) -> String {
    document(plot, size, theme, "")
}

fn ground(size: Size, theme: Theme) -> String {
    let (width, height, colour) = (size.width_px(), size.height_px(), theme.ground());
    format!("<rect width=\"{width}\" height=\"{height}\" fill=\"{colour}\"/>")
}

/// [`svg`] with the font inside (about 190 kB more): for a file that stands alone.
#[must_use]
pub fn svg_with_font(plot: &Plot, size: Size, theme: Theme) -> String {
    let face = |data: &[u8], weight: &str| {
        format!(
            "@font-face{{font-family:'{}';font-weight:{weight};\
             src:url(data:font/otf;base64,{}) format('opentype')}}",
            font::FONT_FAMILY,
            BASE64_STANDARD.encode(data)
        )
    };
    let faces = face(font::FONT_REGULAR, "normal") + &face(font::FONT_BOLD, "bold");
    let style = format!("<style>{faces}</style>");
    document(plot, size, theme, &(style + &ground(size, theme)))
}

/// `first` stands before all that is drawn.
fn document(plot: &Plot, size: Size, theme: Theme, first: &str) -> String {
    let width = f64::from(size.width_px());
    let height = f64::from(size.height_px());
    let unit = (width / 1600.0).min(height / 900.0).max(UNIT_PX_MIN);
    let mut pen = Pen::new(theme, unit);
    let name = escape(&plot.title);
    let (w, h) = (px(width), px(height));
    pen.put(&format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" \
         viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{name}\" \
         font-family=\"'{}', system-ui, sans-serif\">",
        font::FONT_FAMILY
    ));
    pen.put(&format!("<title>{name}</title>{first}"));
    let top = heading(&mut pen, plot, width);
    let bottom = notes(&mut pen, plot, width, height);
    panels(&mut pen, plot, width, top, bottom);
    pen.put("</svg>");
    pen.finish()
}

/// Title and subtitle; returns where the panels may begin.
fn heading(pen: &mut Pen, plot: &Plot, width: f64) -> f64 {
    let left = pen.units(MARGIN);
    let mut y = pen.units(0.8 * MARGIN);
    let title = pen.ink(TITLE, pen.theme.ink(), Weight::Bold);
    let subtitle = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
    for (text, ink) in [(&plot.title, title), (&plot.subtitle, subtitle)] {
        for line in font::wrap(text, width - 2.0 * left, ink.size, ink.weight, 2) {
            y += ink.size;
            pen.text("heading", (left, y), &line, ink, Anchor::Start);
            y += 0.4 * ink.size;
        }
    }
    y
}

/// The small print; returns where the panels must end.
fn notes(pen: &mut Pen, plot: &Plot, width: f64, height: f64) -> f64 {
    let margin = pen.units(MARGIN);
    let ink = pen.ink(SMALL, pen.theme.muted(), Weight::Regular);
    let notes: Vec<&str> = plot.notes.iter().map(|note| note.trim()).collect();
    let lines = font::wrap(
        &notes.join(" · "),
        width - 2.0 * margin,
        ink.size,
        ink.weight,
        3,
    );
    let mut y = height - 0.8 * margin;
    for line in lines.iter().rev() {
        pen.text("note", (margin, y), line, ink, Anchor::Start);
        y -= 1.4 * ink.size;
    }
    if lines.is_empty() {
        y
    } else {
        y - 0.3 * margin
    }
}

fn panels(pen: &mut Pen, plot: &Plot, width: f64, top: f64, bottom: f64) {
    let empty = [Panel::default()];
    let panels = if plot.panels.is_empty() {
        &empty
    } else {
        plot.panels.as_slice()
    };
    let margin = pen.units(MARGIN);
    let gap = pen.units(16.0);
    let header = pen.units(1.9 * TEXT);
    let tick_row = pen.units(1.6 * TEXT);
    let x_span = scale::x_span(plot);

    // Heights first: they decide how many ticks fit, and the ticks decide the left edge.
    let shares: f64 = panels.iter().map(share).sum();
    let fixed: f64 = panels.iter().map(|_| gap + header).sum();
    let room = (bottom - tick_row - top - fixed).max(0.0);
    let rows: Vec<(f64, Option<Span>, Vec<Tick>)> = panels
        .iter()
        .map(|panel| {
            let height = (room * share(panel) / shares).max(8.0);
            let span = x_span.and_then(|x| scale::y_span(panel, x, headroom(pen, panel) / height));
            let ticks = span.map(|span| scale::ticks(span, intervals(height / pen.units(38.0), 8)));
            (height, span, ticks.unwrap_or_default())
        })
        .collect();

    let tick_width = |tick: &Tick| font::width(&tick.label, pen.units(TEXT), Weight::Regular);
    let widest = rows
        .iter()
        .flat_map(|(_, _, ticks)| ticks)
        .map(tick_width)
        .fold(0.0, f64::max);
    let left = margin + widest + pen.units(14.0);
    let right = (width - margin - gutter(pen, plot, width)).max(left + 16.0);
    let x_map = x_span.map(|span| Map::new(span, left, right));
    let x_ticks = x_span
        .map(|span| scale::x_ticks(plot, span, intervals((right - left) / pen.units(120.0), 12)))
        .unwrap_or_default();

    let mut y = top;
    let mut area_of_all: Option<(f64, f64)> = None;
    for (index, (panel, (height, y_span, y_ticks))) in panels.iter().zip(rows).enumerate() {
        y += gap;
        axis_name(
            pen,
            "y-axis",
            (margin, y + pen.units(TEXT)),
            &panel.y,
            right - margin,
        );
        y += header;
        let area = Rect::new(left, y, right - left, height);
        y = area.bottom();
        area_of_all = Some((area_of_all.map_or(area.top, |(top, _)| top), y));
        let frame = Frame {
            panel,
            shades: &plot.shades,
            names_shades: index == 0,
            area,
            label_room: (width - margin - right - pen.units(LABEL_INDENT)).max(0.0),
            x: x_map,
            y: y_span.map(|span| Map::new(span, area.bottom(), area.top)),
            x_ticks: &x_ticks,
            y_ticks: &y_ticks,
        };
        panel::draw(pen, &frame);
    }

    // For a page's own script: where along the picture which x is.
    if let Some((map, area)) = x_map.zip(area_of_all) {
        pen.put(&format!(
            "<g class=\"scale\" data-left=\"{}\" data-right=\"{}\" data-top=\"{}\" \
             data-bottom=\"{}\" data-low=\"{}\" data-high=\"{}\"/>",
            px(left),
            px(right),
            px(area.0),
            px(area.1),
            map.span.low,
            map.span.high
        ));
    }

    // Name and unit of the x axis stand at its end, in the row of the tick labels.
    let base = y + pen.units(1.4 * TEXT);
    let ink = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
    for (tick, map) in x_ticks.iter().filter_map(|tick| Some((tick, x_map?))) {
        pen.text(
            "x-tick",
            (map.at(tick.value), base),
            &tick.label,
            ink,
            Anchor::Middle,
        );
    }
    // In line with the labels above it where there is room.
    let indent = (width - margin - right - axis_name_width(pen, &plot.x) - 1.0)
        .min(pen.units(LABEL_INDENT))
        .max(pen.units(X_NAME_INDENT));
    let room = width - margin - right - indent;
    axis_name(pen, "x-axis", (right + indent, base), &plot.x, room);
}

/// Height kept free above the curves for the values of peaks and marks: two to a row.
fn headroom(pen: &Pen, panel: &Panel) -> f64 {
    let tall = panel
        .marks
        .iter()
        .filter(|mark| !matches!(mark, Mark::Horizontal { .. }));
    let rows = match tall.count() {
        0 => return 0.0,
        1 | 2 => 1.0,
        3 | 4 => 2.0,
        _ => 3.0,
    };
    pen.units((1.1 + 1.3 * rows) * TEXT)
}

fn share(panel: &Panel) -> f64 {
    let share = panel.height_share;
    if share.is_finite() && share > 0.0 {
        share.clamp(1e-3, 1e3)
    } else {
        1.0
    }
}

/// Room on the right for the labels at the line ends and the name of the x axis.
fn gutter(pen: &Pen, plot: &Plot, width: f64) -> f64 {
    let size = pen.units(TEXT);
    let labels = plot.panels.iter().flat_map(|panel| &panel.series);
    let labels = labels.map(|series| font::width(series.label.trim(), size, Weight::Bold));
    let labels = labels
        .filter(|width| *width > 0.0)
        .map(|width| width + pen.units(LABEL_INDENT));
    // A pixel to spare, so that rounding does not cut the name.
    let name = axis_name_width(pen, &plot.x) + pen.units(X_NAME_INDENT) + 1.0;
    let scales = plot.panels.iter().filter_map(|panel| panel.cells.as_ref());
    let scales = scales.map(|cells| cells::scale_width(cells, pen.unit));
    labels.chain(scales).fold(name, f64::max).min(0.3 * width)
}

fn axis_name_width(pen: &Pen, axis: &Axis) -> f64 {
    let size = pen.units(TEXT);
    font::width(&axis.label, size, Weight::Bold)
        + NAME_GAP * size
        + font::width(&axis.unit, size, Weight::Regular)
}

/// Quantity in bold, unit beside it, at most `room` wide.
fn axis_name(pen: &mut Pen, class: &str, at: (f64, f64), axis: &Axis, room: f64) {
    let bold = pen.ink(TEXT, pen.theme.ink(), Weight::Bold);
    let plain = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
    let room = room - plain.width(&axis.unit) - NAME_GAP * bold.size;
    let label = font::wrap(&axis.label, room, bold.size, bold.weight, 1).concat();
    pen.text_pair(
        class,
        at,
        (&label, bold),
        (axis.unit.trim(), plain),
        NAME_GAP * bold.size,
    );
}

/// How many tick intervals fit: `room` rounded down, between 2 and `most`.
fn intervals(room: f64, most: u32) -> u32 {
    (2..=most)
        .rev()
        .find(|count| f64::from(*count) <= room)
        .unwrap_or(2)
}
