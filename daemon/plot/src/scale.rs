//! Ranges, ticks and numbers of an axis.

use super::{Mark, Panel, Plot, Range};

/// Values beyond this are as useless as infinities on an axis; leaving them out keeps every span
/// finite.
const USABLE_MAX: f64 = 1e100;

/// Ends closer than this are one value, like ends closer than a billionth of themselves.
const RESOLUTION: f64 = 1.0 / USABLE_MAX;

/// Whether there is room for ticks between `low` and `high` that rounding does not swallow.
fn distinct(low: f64, high: f64) -> bool {
    high - low > (1e-9 * low.abs().max(high.abs())).max(RESOLUTION)
}

/// True for a value that can be drawn.
pub(super) fn usable(value: f64) -> bool {
    value.abs() <= USABLE_MAX
}

/// An interval with `low < high`, both usable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span {
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Span {
    pub(super) fn contains(self, value: f64) -> bool {
        value >= self.low && value <= self.high
    }

    fn length(self) -> f64 {
        self.high - self.low
    }

    /// The smallest span around `values` (widened when they are all the same), `None` without any.
    fn around(values: impl Iterator<Item = f64>) -> Option<Self> {
        let (low, high) = values
            .filter(|value| usable(*value))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                (low.min(value), high.max(value))
            });
        if low > high {
            return None;
        }
        if distinct(low, high) {
            return Some(Self { low, high });
        }
        let tenth = 0.1 * high.abs();
        let half = if tenth > RESOLUTION { tenth } else { 1.0 };
        Some(Self {
            low: low - half,
            high: high + half,
        })
    }

    fn fixed(range: Range) -> Option<Self> {
        match range {
            Range::Fixed { low, high } if usable(low) && usable(high) && distinct(low, high) => {
                Some(Self { low, high })
            }
            _ => None,
        }
    }

    fn with_zero(self) -> Self {
        Self {
            low: self.low.min(0.0),
            high: self.high.max(0.0),
        }
    }
}

/// The range of the common x axis, `None` when neither given nor found in the data.
pub(super) fn x_span(plot: &Plot) -> Option<Span> {
    let points = plot.panels.iter().flat_map(|panel| {
        panel.series.iter().flat_map(|series| {
            let line = series.points.iter().filter(|(_, y)| usable(*y));
            line.map(|(x, _)| *x)
        })
    });
    let data = Span::around(points).map(|span| match plot.x.range {
        Range::IncludeZero => span.with_zero(),
        Range::Auto | Range::Whole | Range::Fixed { .. } => span,
    });
    Span::fixed(plot.x.range).or(data)
}

/// The range of a panel's y axis over `x`, with `headroom` (share of the height, 0 to 0.5) kept
/// free above the data. `None` when nothing can be drawn.
pub(super) fn y_span(panel: &Panel, x: Span, headroom: f64) -> Option<Span> {
    if let Some(span) = Span::fixed(panel.y.range) {
        return has_data(panel, x).then_some(span);
    }
    let lines = panel.series.iter().flat_map(|s| &s.points);
    let lines = lines.filter(|(at, _)| x.contains(*at)).map(|(_, y)| *y);
    let bands = panel.series.iter().flat_map(|s| s.band.iter().flatten());
    let bands = bands
        .filter(|(at, _, _)| x.contains(*at))
        .flat_map(|(_, low, high)| [*low, *high]);
    let marks = panel.marks.iter().filter_map(|mark| match mark {
        Mark::Peak { x: at, y, .. } => x.contains(*at).then_some(*y),
        Mark::Horizontal { y, .. } => Some(*y),
        Mark::Vertical { .. } => None,
    });
    if !has_data(panel, x) {
        return None;
    }
    let mut span = Span::around(lines.chain(bands).chain(marks))?;
    let near_zero = span.low > 0.0 && span.low < 0.35 * span.high;
    if near_zero || panel.y.range == Range::IncludeZero {
        span = span.with_zero();
    }
    let room = span.length() / (1.0 - headroom.clamp(0.0, 0.5)) - span.length();
    span.high += room.max(0.04 * span.length());
    // The base line stands on a round value.
    let step = round_step(span.length(), 6.0);
    let base = (span.low / step + 1e-9).floor() * step;
    if base < span.low {
        span.low = base;
    }
    Some(span)
}

fn has_data(panel: &Panel, x: Span) -> bool {
    let mut points = panel.series.iter().flat_map(|s| &s.points);
    points.any(|(at, y)| x.contains(*at) && usable(*y))
}

/// The smallest of 1, 2, 5 times a power of ten that gives no more than `count_max` intervals.
#[must_use]
pub fn round_step(length: f64, count_max: f64) -> f64 {
    let raw = length / count_max;
    let magnitude = 10_f64.powf(raw.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * magnitude);
    let fits = |step: &&f64| **step >= raw * (1.0 - 1e-9);
    steps.iter().find(fits).copied().unwrap_or(raw)
}

/// A tick: where, and what is written there.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tick {
    pub(super) value: f64,
    pub(super) label: String,
}

/// Ticks at multiples of 1, 2 or 5 times a power of ten inside `span`, at most `count_max + 1`.
pub(super) fn ticks(span: Span, count_max: u32) -> Vec<Tick> {
    ticks_at(span, count_max, 0.0)
}

/// Ticks of the common x axis.
pub(super) fn x_ticks(plot: &Plot, span: Span, count_max: u32) -> Vec<Tick> {
    let is_whole = plot.x.range == Range::Whole;
    ticks_at(span, count_max, if is_whole { 1.0 } else { 0.0 })
}

fn ticks_at(span: Span, count_max: u32, least: f64) -> Vec<Tick> {
    let step = round_step(span.length(), f64::from(count_max.max(1))).max(least);
    let first = (span.low / step - 1e-6).ceil();
    (0..=count_max)
        .map(|index| (first + f64::from(index)) * step)
        .filter(|value| *value <= span.high + 1e-6 * step)
        .map(|value| Tick {
            // -0 would print its sign.
            value: if value == 0.0 { 0.0 } else { value },
            label: number(value, step),
        })
        .collect()
}

/// `value` written to the precision of `step`, with a true minus sign.
fn number(value: f64, step: f64) -> String {
    let exponent = step.log10().floor();
    let largest = value.abs().max(step);
    let text = if !(1e-5..1e7).contains(&largest) && value != 0.0 || exponent < -6.0 {
        // Digits down to the step, however large the value.
        let digits = (value.abs().max(step).log10().floor() - exponent).clamp(0.0, 9.0);
        format!("{value:.*e}", small_count(digits))
    } else {
        format!("{value:.*}", small_count((-exponent).clamp(0.0, 9.0)))
    };
    let zero = text.bytes().all(|b| !b.is_ascii_digit() || b == b'0');
    match text.strip_prefix('-') {
        Some(rest) if zero => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "called with whole numbers from 0 to 9"
)]
fn small_count(value: f64) -> usize {
    value as usize
}

/// Straight-line map from data to pixels (or dots).
#[derive(Debug, Clone, Copy)]
pub(super) struct Map {
    pub(super) span: Span,
    start: f64,
    per_unit: f64,
}

impl Map {
    /// Maps `span.low` to `start` and `span.high` to `end`.
    pub(super) fn new(span: Span, start: f64, end: f64) -> Self {
        Self {
            span,
            start,
            per_unit: (end - start) / span.length(),
        }
    }

    pub(super) fn at(&self, value: f64) -> f64 {
        self.start + (value - self.span.low) * self.per_unit
    }
}

#[cfg(test)]
mod tests {
    use super::super::Axis;
    use super::*;

    fn labels(low: f64, high: f64, count_max: u32) -> Vec<String> {
        let ticks = ticks(Span { low, high }, count_max);
        ticks.into_iter().map(|tick| tick.label).collect()
    }

    #[test]
    fn nothing_is_between_whole_numbers() {
        let whole = Axis {
            range: Range::Whole,
            ..Axis::new("Step", "")
        };
        let plot = Plot {
            x: whole,
            ..Plot::default()
        };
        let ticks = x_ticks(
            &plot,
            Span {
                low: 0.0,
                high: 2.5,
            },
            12,
        );
        let labels: Vec<String> = ticks.into_iter().map(|tick| tick.label).collect();
        assert_eq!(labels, ["0", "1", "2"]);
    }

    #[test]
    fn ticks_are_one_two_five_multiples() {
        assert_eq!(
            labels(2800.0, 8900.0, 7),
            ["3000", "4000", "5000", "6000", "7000", "8000"]
        );
        assert_eq!(labels(6.0, 11.6, 6), ["6", "7", "8", "9", "10", "11"]);
        assert_eq!(
            labels(0.0, 0.5, 5),
            ["0.0", "0.1", "0.2", "0.3", "0.4", "0.5"]
        );
        assert_eq!(labels(-0.3, 0.31, 4), ["\u{2212}0.2", "0.0", "0.2"]);
        assert_eq!(
            labels(-40.0, 40.0, 4),
            ["\u{2212}40", "\u{2212}20", "0", "20", "40"]
        );
    }

    #[test]
    fn ticks_of_awkward_spans_are_few_finite_and_distinct() {
        let spans = [
            (0.0, 1e-30),
            (-1e100, 1e100),
            (1e9, 1e9 + 10.0),
            (-1e-9, 1e-9),
            (1e15, 1.1e15),
            (0.0, 1e-99),
            (0.1, 0.3),
        ];
        for (low, high) in spans {
            for count_max in 1..12 {
                let ticks = ticks(Span { low, high }, count_max);
                assert!(ticks.len() <= 13, "{low}..{high}: {ticks:?}");
                let mut labels: Vec<_> = ticks.iter().map(|tick| &tick.label).collect();
                labels.dedup();
                assert_eq!(labels.len(), ticks.len(), "{low}..{high}: {ticks:?}");
                assert!(ticks.iter().all(|tick| tick.value.is_finite()));
            }
        }
    }

    #[test]
    fn equal_and_missing_values_still_give_a_span_or_none() {
        assert_eq!(Span::around([f64::NAN, f64::INFINITY].into_iter()), None);
        assert_eq!(
            Span::around([0.0].into_iter()),
            Some(Span {
                low: -1.0,
                high: 1.0
            })
        );
        let span = Span::around([5.0, 5.0].into_iter()).unwrap();
        assert!(span.low < 5.0 && span.high > 5.0);
    }

    #[test]
    fn map_reaches_both_ends() {
        let map = Map::new(
            Span {
                low: 2.0,
                high: 4.0,
            },
            100.0,
            0.0,
        );
        assert!((map.at(2.0) - 100.0).abs() < 1e-12);
        assert!(map.at(4.0).abs() < 1e-12);
        assert!((map.at(3.0) - 50.0).abs() < 1e-12);
    }
}
