//! Single figures of a curve: peaks, averages, widths.

use nalgebra::{DMatrix, DVector};

use super::judge::{Judge, Number};
use crate::curve::RAD_PER_S_PER_RPM;
use crate::regression::Polynomial;

/// A figure with the half width of its confidence interval, from the scatter of the pulls.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Estimate.
    pub value: f64,
    /// Half width of the confidence interval.
    pub half_width: f64,
}

impl Estimate {
    /// A figure with its half width.
    #[must_use]
    pub const fn new(value: f64, half_width: f64) -> Self {
        Self { value, half_width }
    }
}

/// Torque and power at a speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtSpeed {
    /// Engine speed.
    pub rpm: f64,
    /// N·m
    pub torque_nm: Estimate,
    /// W
    pub power_w: Estimate,
}

/// The figures of one setup, or the differences of two setups' figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// Greatest torque.
    pub peak_torque_nm: Estimate,
    /// Where it is.
    pub peak_torque_rpm: Estimate,
    /// Greatest power.
    pub peak_power_w: Estimate,
    /// Where it is.
    pub peak_power_rpm: Estimate,
    /// Mean torque over the range of speeds.
    pub average_torque_nm: Estimate,
    /// Mean power over the range of speeds.
    pub average_power_w: Estimate,
    /// Area under the torque curve over the range of speeds, N·m·rpm.
    pub area_nm_rpm: Estimate,
    /// Width of the range of speeds around the peak with more than 90 % of the greatest torque.
    pub torque_width_rpm: Estimate,
    /// Likewise of the greatest power.
    pub power_width_rpm: Estimate,
    /// At the speeds asked for that were measured.
    pub at_speeds: Vec<AtSpeed>,
}

impl Figures {
    /// With the gap of the returns (N·m at each speed) in the half widths of averages and of single
    /// speeds.
    pub(super) fn widened(
        mut self,
        rpm: &[f64],
        gap_nm: &[f64],
        (low, high): (f64, f64),
        widened: impl Fn(f64, f64) -> f64,
    ) -> Self {
        let area = area_between(rpm, gap_nm, low, high);
        let area_w = area_between(rpm, &power_w(rpm, gap_nm), low, high);
        for (estimate, gap) in [
            (&mut self.average_torque_nm, area / (high - low)),
            (&mut self.average_power_w, area_w / (high - low)),
            (&mut self.area_nm_rpm, area),
        ] {
            estimate.half_width = widened(estimate.half_width, gap);
        }
        for at in &mut self.at_speeds {
            let gap = interpolated(rpm, gap_nm, at.rpm).unwrap_or(0.0);
            at.torque_nm.half_width = widened(at.torque_nm.half_width, gap);
            let gap_w = gap * at.rpm * RAD_PER_S_PER_RPM;
            at.power_w.half_width = widened(at.power_w.half_width, gap_w);
        }
        self
    }
}

/// What hems a setup's figures in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// The greatest torque is at the first or last speed measured: the true peak may lie beyond.
    pub torque_peak_at_end: bool,
    /// Likewise the greatest power.
    pub power_peak_at_end: bool,
    /// The range above 90 % of the greatest torque reaches an end: its width is a least one.
    pub torque_width_at_least: bool,
    /// Likewise for power.
    pub power_width_at_least: bool,
}

/// Share of the peak that bounds the width.
const WIDTH_SHARE: f64 = 0.9;
/// Share of the peak above which points take part in finding it.
const PEAK_SHARE: f64 = 0.99;
const PEAK_POINTS_MIN: usize = 7;

/// Mean curves of the setups and the curves of the pulls, in N·m.
#[derive(Debug, Clone, Copy)]
pub(super) struct Curves<'a> {
    pub(super) rpm: &'a [f64],
    pub(super) means: &'a [Vec<f64>],
    /// Setup and curve of each row of the judge.
    pub(super) rows: &'a [(usize, Vec<f64>)],
    pub(super) judge: &'a Judge,
}

/// A figure of every setup, and how sure differences of it are.
#[derive(Debug, Clone)]
struct Pooled {
    values: Vec<f64>,
    fit: Option<Number>,
}

/// All figures of all setups.
#[derive(Debug)]
pub(super) struct FigureTable<'a> {
    judge: &'a Judge,
    confidence: f64,
    peak_torque: [Pooled; 2],
    peak_power: [Pooled; 2],
    average_torque: Pooled,
    average_power: Pooled,
    /// Width of the range of averages.
    range_rpm: f64,
    torque_width: Pooled,
    power_width: Pooled,
    at_speeds: Vec<(f64, Pooled)>,
}

impl<'a> FigureTable<'a> {
    pub(super) fn new(
        curves: Curves<'a>,
        confidence: f64,
        range_rpm: (f64, f64),
        speeds_rpm: &[f64],
    ) -> Self {
        let rpm = curves.rpm;
        let power = |torque: &[f64]| power_w(rpm, torque);
        let peaks = |as_power: bool| {
            let shown = |torque: &[f64]| {
                if as_power {
                    power(torque)
                } else {
                    torque.to_vec()
                }
            };
            let windows: Vec<(usize, usize)> = curves
                .means
                .iter()
                .map(|m| peak_window(&shown(m)))
                .collect();
            let at = |setup: usize, torque: &[f64]| {
                let window = windows.get(setup).copied().unwrap_or((0, rpm.len()));
                peak(rpm, &shown(torque), window)
            };
            [
                curves.pooled(|setup, torque| at(setup, torque).1),
                curves.pooled(|setup, torque| at(setup, torque).0),
            ]
        };
        let (low, high) = range_rpm;
        let area = |values: &[f64]| area_between(rpm, values, low, high);
        let at_speeds = speeds_rpm
            .iter()
            .filter(|speed| interpolated(rpm, rpm, **speed).is_some())
            .map(|speed| {
                let torque = |_: usize, torque: &[f64]| {
                    interpolated(rpm, torque, *speed).unwrap_or(f64::NAN)
                };
                (*speed, curves.pooled(torque))
            })
            .collect();
        Self {
            judge: curves.judge,
            confidence,
            peak_torque: peaks(false),
            peak_power: peaks(true),
            average_torque: curves.pooled(|_, torque| area(torque) / (high - low)),
            average_power: curves.pooled(|_, torque| area(&power(torque)) / (high - low)),
            range_rpm: high - low,
            torque_width: curves.pooled(|_, torque| width(rpm, torque).0),
            power_width: curves.pooled(|_, torque| width(rpm, &power(torque)).0),
            at_speeds,
        }
    }

    /// `weights` of the setups: one for a setup's own figures, minus one and one for a difference.
    pub(super) fn figures(&self, weights: &DVector<f64>) -> Figures {
        let estimate = |pooled: &Pooled| {
            Estimate::new(
                pooled
                    .values
                    .iter()
                    .zip(weights.iter())
                    .map(|(v, w)| v * w)
                    .sum(),
                pooled.fit.as_ref().map_or(f64::NAN, |fit| {
                    self.judge.half_width(fit, weights, self.confidence)
                }),
            )
        };
        let at_speed = |(rpm, torque): &(f64, Pooled)| {
            let torque_nm = estimate(torque);
            let omega = rpm * RAD_PER_S_PER_RPM;
            AtSpeed {
                rpm: *rpm,
                torque_nm,
                power_w: Estimate::new(torque_nm.value * omega, torque_nm.half_width * omega),
            }
        };
        let average_torque_nm = estimate(&self.average_torque);
        Figures {
            peak_torque_nm: estimate(&self.peak_torque[0]),
            peak_torque_rpm: estimate(&self.peak_torque[1]),
            peak_power_w: estimate(&self.peak_power[0]),
            peak_power_rpm: estimate(&self.peak_power[1]),
            average_torque_nm,
            average_power_w: estimate(&self.average_power),
            area_nm_rpm: Estimate::new(
                average_torque_nm.value * self.range_rpm,
                average_torque_nm.half_width * self.range_rpm,
            ),
            torque_width_rpm: estimate(&self.torque_width),
            power_width_rpm: estimate(&self.power_width),
            at_speeds: self.at_speeds.iter().map(at_speed).collect(),
        }
    }
}

impl Curves<'_> {
    /// A figure of every setup's mean curve, and the mixed model of the pulls' own figures.
    fn pooled(&self, figure: impl Fn(usize, &[f64]) -> f64) -> Pooled {
        let means = self.means.iter().enumerate();
        let own = self.rows.iter().map(|(setup, row)| figure(*setup, row));
        let own = DMatrix::from_iterator(self.rows.len(), 1, own);
        Pooled {
            values: means.map(|(setup, mean)| figure(setup, mean)).collect(),
            fit: self.judge.number(&own),
        }
    }
}

/// What hems the figures of a mean torque curve in.
pub(super) fn limits(rpm: &[f64], torque: &[f64]) -> Limits {
    let power = power_w(rpm, torque);
    let at_end = |values: &[f64]| {
        let top = highest(values);
        top == 0 || top + 1 == values.len()
    };
    Limits {
        torque_peak_at_end: at_end(torque),
        power_peak_at_end: at_end(&power),
        torque_width_at_least: width(rpm, torque).1,
        power_width_at_least: width(rpm, &power).1,
    }
}

/// Power in W of a torque curve.
pub(super) fn power_w(rpm: &[f64], torque_nm: &[f64]) -> Vec<f64> {
    rpm.iter()
        .zip(torque_nm)
        .map(|(rpm, torque)| rpm * RAD_PER_S_PER_RPM * torque)
        .collect()
}

/// Value at a speed, on the straight line between neighbours; none outside.
pub(super) fn interpolated(rpm: &[f64], values: &[f64], at_rpm: f64) -> Option<f64> {
    let (first, last) = (rpm.first()?, rpm.last()?);
    if !(*first..=*last).contains(&at_rpm) {
        return None;
    }
    let right = rpm.partition_point(|x| *x < at_rpm);
    let (x1, y1) = (rpm.get(right)?, values.get(right)?);
    let Some(left) = right.checked_sub(1) else {
        return Some(*y1);
    };
    let (x0, y0) = (rpm.get(left)?, values.get(left)?);
    Some(y0 + (y1 - y0) * (at_rpm - x0) / (x1 - x0))
}

pub(super) fn highest(values: &[f64]) -> usize {
    (0..values.len())
        .max_by(|a, b| values[*a].total_cmp(&values[*b]))
        .unwrap_or(0)
}

/// Points around the highest with at least 99 % of it, and no fewer than seven.
fn peak_window(values: &[f64]) -> (usize, usize) {
    let top = highest(values);
    let near = |value: &f64| *value >= PEAK_SHARE * values[top];
    let below = values[..top].iter().rev().take_while(|v| near(v)).count();
    let above = values[top..].iter().take_while(|v| near(v)).count();
    let (mut first, mut end) = (top - below, top + above);
    while end - first < PEAK_POINTS_MIN && (first > 0 || end < values.len()) {
        first = first.saturating_sub(1);
        end = (end + 1).min(values.len());
    }
    (first, end)
}

/// Speed and value at the top of the parabola through the points of the window; of the highest point
/// when the parabola has no top there.
fn peak(rpm: &[f64], values: &[f64], window: (usize, usize)) -> (f64, f64) {
    let (x, y) = (&rpm[window.0..window.1], &values[window.0..window.1]);
    let centre = 0.5 * (x.first().unwrap_or(&0.0) + x.last().unwrap_or(&0.0));
    let shifted: Vec<f64> = x.iter().map(|x| x - centre).collect();
    let top = Polynomial::fit(&shifted, y, 2).ok().and_then(|parabola| {
        let [_, slope, bend] = parabola.coefficients() else {
            return None;
        };
        let at = -0.5 * slope / bend;
        let inside = *shifted.first()? <= at && at <= *shifted.last()?;
        (*bend < 0.0 && inside).then(|| (centre + at, parabola.at(at).value))
    });
    top.unwrap_or_else(|| {
        let top = highest(y);
        (x[top], y[top])
    })
}

/// Area under the straight lines between points, from `low` to `high`.
pub(super) fn area_between(rpm: &[f64], values: &[f64], low: f64, high: f64) -> f64 {
    let pairs = rpm.windows(2).zip(values.windows(2));
    pairs
        .filter_map(|(x, y)| {
            let ([x0, x1], [y0, y1]) = (x, y) else {
                return None;
            };
            let (from, to) = (x0.max(low), x1.min(high));
            let at = |x: f64| y0 + (y1 - y0) * (x - x0) / (x1 - x0);
            (from < to).then(|| 0.5 * (at(from) + at(to)) * (to - from))
        })
        .sum()
}

/// Width around the highest point above 90 % of it, and whether it reaches an end.
fn width(rpm: &[f64], values: &[f64]) -> (f64, bool) {
    let top = highest(values);
    let bound = WIDTH_SHARE * values[top];
    let crossing = |inside: usize, outside: usize| {
        let share = (values[inside] - bound) / (values[inside] - values[outside]);
        rpm[inside] + share * (rpm[outside] - rpm[inside])
    };
    let left = (0..top).rfind(|i| values[*i] < bound);
    let right = (top..values.len()).find(|i| values[*i] < bound);
    let low = left.map_or(rpm[0], |i| crossing(i + 1, i));
    let high = right.map_or(rpm[rpm.len() - 1], |i| crossing(i - 1, i));
    (high - low, left.is_none() || right.is_none())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parabola() -> (Vec<f64>, Vec<f64>) {
        let rpm: Vec<f64> = (0..41).map(|i| 4000.0 + 100.0 * f64::from(i)).collect();
        let torque = rpm
            .iter()
            .map(|x| 12.0 * (1.0 - ((x - 6030.0) / 4000.0).powi(2)));
        let torque = torque.collect();
        (rpm, torque)
    }

    #[test]
    fn peak_and_width_of_a_parabola() {
        let (rpm, torque) = parabola();
        let (at, value) = peak(&rpm, &torque, peak_window(&torque));
        assert!((at - 6030.0).abs() < 1e-6 && (value - 12.0).abs() < 1e-9);
        // Straight lines between points cost a little: 90 % is reached at ±4000·√0.1.
        let (width, at_least) = width(&rpm, &torque);
        assert!((width - 8000.0 * 0.1_f64.sqrt()).abs() < 3.0, "{width}");
        assert!(!at_least);
    }

    #[test]
    fn a_rising_curve_has_its_peak_at_the_end() {
        let rpm: Vec<f64> = (0..20).map(|i| 100.0 * f64::from(i)).collect();
        let limits = limits(&rpm, &rpm);
        assert!(limits.torque_peak_at_end && limits.torque_width_at_least);
        assert_eq!(peak(&rpm, &rpm, peak_window(&rpm)), (1900.0, 1900.0));
    }

    #[test]
    fn areas_are_those_of_trapezia() {
        let (rpm, values) = ([0.0, 10.0, 20.0], [0.0, 10.0, 10.0]);
        assert!((area_between(&rpm, &values, 0.0, 20.0) - 150.0).abs() < 1e-12);
        assert!((area_between(&rpm, &values, 5.0, 15.0) - (37.5 + 50.0)).abs() < 1e-12);
        assert_eq!(interpolated(&rpm, &values, 5.0), Some(5.0));
        assert_eq!(interpolated(&rpm, &values, 20.5), None);
    }
}
