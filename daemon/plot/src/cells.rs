//! Shaded cells of a map, and the scale of their colours.

use super::curve::Maps;
use super::font::{self, Weight};
use super::labels::Rect;
use super::pen::{Anchor, Pen, TEXT, polyline, px};
use super::scale::usable;
use super::{Cells, Theme};

/// Most steps of a scale that are drawn: more can't be told apart.
const STEPS_MAX: usize = 24;

impl Theme {
    /// Low, middle and high end of a scale of colours.
    fn scale(self, has_middle: bool) -> [[f64; 3]; 3] {
        match (self, has_middle) {
            (Self::Light | Self::Paper, false) => [
                [226.0, 238.0, 246.0],
                [92.0, 158.0, 196.0],
                [0.0, 58.0, 96.0],
            ],
            (Self::Dark, false) => [
                [26.0, 44.0, 58.0],
                [46.0, 122.0, 160.0],
                [186.0, 234.0, 252.0],
            ],
            (Self::Light | Self::Paper, true) => [
                [185.0, 84.0, 10.0],
                [240.0, 238.0, 232.0],
                [0.0, 83.0, 127.0],
            ],
            (Self::Dark, true) => [
                [232.0, 138.0, 36.0],
                [38.0, 46.0, 52.0],
                [135.0, 217.0, 250.0],
            ],
        }
    }
}

/// A colour of a scale at 0 to 1.
fn colour(theme: Theme, has_middle: bool, share: f64) -> String {
    let [low, middle, high] = theme.scale(has_middle);
    let (from, to, share) = if share < 0.5 {
        (low, middle, 2.0 * share)
    } else {
        (middle, high, 2.0 * share - 1.0)
    };
    let mix = |(a, b): (f64, f64)| format!("{:.0}", a + (b - a) * share.clamp(0.0, 1.0));
    let [red, green, blue] = [0, 1, 2].map(|i: usize| mix((from[i], to[i])));
    format!("rgb({red},{green},{blue})")
}

impl Cells {
    /// Lower ends of the steps; none where the scale is none.
    fn steps(&self) -> Vec<f64> {
        let is_scale = usable(self.first) && usable(self.last) && self.step > 0.0;
        let count = (self.last - self.first) / self.step;
        if !(is_scale && count <= STEPS_MAX as f64 + 0.5) {
            return Vec::new();
        }
        let mut steps = Vec::new();
        let mut place = 0.0;
        while place + 0.5 < count {
            steps.push(self.first + place * self.step);
            place += 1.0;
        }
        steps
    }

    fn decimals(&self) -> usize {
        (0..6)
            .find(|decimals| {
                let scaled = self.step * 10.0_f64.powi(*decimals);
                scaled >= 0.999 && (scaled - scaled.round()).abs() < 1e-6 * scaled
            })
            .and_then(|decimals| usize::try_from(decimals).ok())
            .unwrap_or(6)
    }

    fn labels(&self) -> Vec<String> {
        let decimals = self.decimals();
        let label = |low: &f64| {
            // A zero that sums have left a hair below zero is one.
            let number = |value: f64| {
                let near_zero = value.abs() < 1e-6 * self.step;
                format!("{:.decimals$}", if near_zero { 0.0 } else { value })
            };
            let (low, high) = (number(*low), number(low + self.step));
            format!("{low} to {high}").replace('-', "−")
        };
        self.steps().iter().map(label).collect()
    }
}

fn share(place: usize, count: usize) -> f64 {
    if count < 2 {
        return 0.5;
    }
    place as f64 / (count - 1) as f64
}

/// Draws the cells: one path for each step, and hatching on what is vague.
pub(super) fn draw(pen: &mut Pen, cells: &Cells, maps: Maps) {
    let steps = cells.steps();
    for (place, low) in steps.iter().enumerate() {
        let is_last = place + 1 == steps.len();
        let mut path = String::new();
        for cell in &cells.cells {
            let is_in = cell.value >= *low && (cell.value < low + cells.step || is_last);
            if is_in && !cell.is_vague {
                path.push_str(&outline(&cell.corners, maps));
            }
        }
        let colour = colour(pen.theme, cells.has_middle, share(place, steps.len()));
        if !path.is_empty() {
            // The stroke closes the seams between cells.
            pen.put(&format!(
                "<path class=\"cells\" d=\"{path}\" fill=\"{colour}\" stroke=\"{colour}\" stroke-width=\"0.6\"/>"
            ));
        }
    }
    let vague: String = cells
        .cells
        .iter()
        .filter(|cell| cell.is_vague)
        .map(|cell| hatched(&cell.corners, maps))
        .collect();
    if !vague.is_empty() {
        pen.put(&format!(
            "<path class=\"vague\" d=\"{vague}\" fill=\"none\" stroke=\"{}\" stroke-width=\"{}\"/>",
            pen.theme.rule(),
            px(pen.units(1.4))
        ));
    }
}

fn outline(corners: &[(f64, f64)], maps: Maps) -> String {
    if !corners.iter().all(|(x, y)| usable(*x) && usable(*y)) {
        return String::new();
    }
    let points = corners.iter().map(|(x, y)| maps.at(*x, *y));
    format!("{}Z", polyline('M', points))
}

/// A stroke across the cell from its lower left to its upper right.
fn hatched(corners: &[(f64, f64)], maps: Maps) -> String {
    if !corners.iter().all(|(x, y)| usable(*x) && usable(*y)) {
        return String::new();
    }
    let points: Vec<(f64, f64)> = corners.iter().map(|(x, y)| maps.at(*x, *y)).collect();
    let rise = |it: &&(f64, f64)| it.0 - it.1;
    let low = points.iter().min_by(|a, b| rise(a).total_cmp(&rise(b)));
    let high = points.iter().max_by(|a, b| rise(a).total_cmp(&rise(b)));
    low.zip(high).map_or_else(String::new, |(low, high)| {
        polyline('M', [*low, *high].into_iter())
    })
}

/// Width that the scale of the colours takes beside a panel, pixels.
pub(super) fn scale_width(cells: &Cells, unit_px: f64) -> f64 {
    let size = TEXT * unit_px;
    let labels = cells.labels();
    let widths = labels
        .iter()
        .map(|label| font::width(label, size, Weight::Regular));
    widths.fold(font::width(&cells.unit, size, Weight::Regular), f64::max) + 4.6 * size
}

/// Draws the scale of the colours at the right of a panel, the highest at the top.
pub(super) fn scale(pen: &mut Pen, cells: &Cells, area: Rect) {
    let labels = cells.labels();
    let ink = pen.ink(TEXT, pen.theme.muted(), Weight::Regular);
    let left = area.right() + 1.6 * ink.size;
    let rows = labels.len() as f64 + 1.0;
    let tall = (area.height / rows).min(1.5 * ink.size);
    let mut top = area.top;
    pen.text(
        "scale-unit",
        (left, top + 0.5 * tall + ink.drop()),
        &cells.unit,
        ink,
        Anchor::Start,
    );
    // Where they do not fit, every second or third is named.
    let every = (ink.size / tall).ceil().max(1.0);
    for (place, label) in labels.iter().enumerate().rev() {
        top += tall;
        let colour = colour(pen.theme, cells.has_middle, share(place, labels.len()));
        let wide = 1.6 * ink.size;
        pen.put(&format!(
            "<rect class=\"scale-step\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" fill=\"{colour}\"/>",
            px(left),
            px(top),
            px(wide),
            px(tall)
        ));
        if place as f64 % every < 0.5 {
            let at = (left + wide + 0.4 * ink.size, top + 0.5 * tall + ink.drop());
            pen.text("scale", at, label, ink, Anchor::Start);
        }
    }
}
