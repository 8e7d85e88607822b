//! Load cell against dead weights, hung on and taken off.
//!
//! "Load" is a force in N, or a torque in N·m when the weights hang from a calibration
//! arm: one or the other throughout.
//!
//! ```
//! // Four weights, up and down again; 1,000 counts to the newton from 500 on.
//! use leverarm_torque::calibration::load_cell::{Curve, Direction, LoadCell, LoadPoint};
//!
//! let up = [0.0, 50.0, 100.0, 150.0].map(|load| (load, Direction::Loading));
//! let down = [100.0, 50.0, 0.0].map(|load| (load, Direction::Unloading));
//! let points: Vec<LoadPoint> = up
//!     .into_iter()
//!     .chain(down)
//!     .map(|(load, direction)| LoadPoint::new(load, 500.0 + 1000.0 * load, direction))
//!     .collect();
//! let cell = LoadCell::calibrate(&points, Curve::Linear)?;
//! assert!((cell.fit.at(75_500.0).value - 75.0).abs() < 1e-6);
//! # Ok::<(), leverarm_torque::calibration::load_cell::LoadCellError>(())
//! ```

use serde::{Deserialize, Serialize};

use crate::{
    regression::{FitError, Polynomial},
    uncertainty::{CoverageError, Measured, coverage_factor},
};

/// Whether the load came up or down to a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Direction {
    /// Weights being added.
    #[serde(rename = "up")]
    Loading,
    /// Weights being taken off.
    #[serde(rename = "down")]
    Unloading,
}

/// One settled reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LoadPoint {
    /// Load from the dead weights.
    pub load: f64,
    /// Averaged raw counts.
    pub counts: f64,
    /// How the load was reached.
    pub direction: Direction,
}

impl LoadPoint {
    /// What was read under a load.
    #[must_use]
    pub const fn new(load: f64, counts: f64, direction: Direction) -> Self {
        Self {
            load,
            counts,
            direction,
        }
    }
}

/// Curve to fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Curve {
    /// Straight line.
    Linear,
    /// Parabola.
    Quadratic,
}

/// A calibration that cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LoadCellError {
    /// The points do not carry the curve.
    #[error("load cell: {0}")]
    Fit(#[from] FitError),
    /// Too few different loads: one more than the curve has unknowns are needed to see
    /// whether it fits at all.
    #[error("load cell: expected at least {expected} different loads, found {found}")]
    TooFewLoads {
        /// Needed.
        expected: usize,
        /// Given.
        found: usize,
    },
    /// Creep needs two readings in time order.
    #[error("creep: expected at least two readings in time order, found {found} in order")]
    TooFewReadings {
        /// Readings in order.
        found: usize,
    },
    /// No coverage factor.
    #[error(transparent)]
    Coverage(#[from] CoverageError),
}

/// Calibration of a load cell.
#[derive(Debug, Clone)]
pub struct LoadCell {
    /// Load over counts.
    pub fit: Polynomial,
    /// Largest less smallest load.
    pub span: f64,
    /// Largest distance of a loading reading from the best straight line, in load.
    pub non_linearity: f64,
    /// Largest difference between unloading and loading at the same load, in load; nothing
    /// when no load was reached both ways.
    pub hysteresis: Option<f64>,
    /// Last reading without load less the first, in load; nothing with fewer than two.
    pub zero_return: Option<f64>,
    /// Mean counts without load.
    pub zero_counts: Option<f64>,
}

/// Change under a constant load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Creep {
    /// Time from first to last reading.
    pub duration_s: f64,
    /// Last reading less the first, in load.
    pub change: f64,
    /// Furthest from the first reading at any time, in load.
    pub largest_change: f64,
}

/// Raw counts at a time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TimedCounts {
    /// Time.
    pub time_s: f64,
    /// Raw counts.
    pub counts: f64,
}

/// How the calibration moved since an earlier one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Change of the span over the same counts, relative to before (1 % is 0.01).
    pub span: Measured,
    /// Half-width of the 95 % interval of `span`.
    pub span_expanded_uncertainty: f64,
    /// True when the span moved by more than that.
    pub span_moved: bool,
    /// Change of the reading without load, in load by the new calibration; nothing when
    /// either has no reading without load.
    pub zero: Option<f64>,
}

impl LoadCell {
    /// Fits load over counts.
    ///
    /// The weights are the better-known side, yet load is fitted as a function of counts:
    /// it is the way the curve is used, and with scatter this far below the span both ways
    /// agree far within their standard errors.
    ///
    /// # Errors
    /// Too few points or too few different loads.
    pub fn calibrate(points: &[LoadPoint], curve: Curve) -> Result<Self, LoadCellError> {
        let counts: Vec<f64> = points.iter().map(|point| point.counts).collect();
        let loads: Vec<f64> = points.iter().map(|point| point.load).collect();
        let degree = match curve {
            Curve::Linear => 1,
            Curve::Quadratic => 2,
        };
        let fit = Polynomial::fit(&counts, &loads, degree)?;
        let span = fit.y_span();
        let by_load = group_by_load(points, span);
        let expected = usize::from(degree) + 2;
        if by_load.len() < expected {
            return Err(LoadCellError::TooFewLoads {
                expected,
                found: by_load.len(),
            });
        }
        let line = Polynomial::fit(&counts, &loads, 1)?;
        let non_linearity = points
            .iter()
            .zip(line.residuals())
            .filter(|(point, _)| point.direction == Direction::Loading)
            .map(|(_, residual)| residual.abs())
            .fold(0.0, f64::max);
        let hysteresis = by_load
            .iter()
            .filter_map(|group| {
                let counts = |direction| {
                    mean(
                        group
                            .iter()
                            .filter(|p| p.direction == direction)
                            .map(|p| p.counts),
                    )
                };
                let loading = counts(Direction::Loading)?;
                let unloading = counts(Direction::Unloading)?;
                Some(fit.rise(loading, unloading).value.abs())
            })
            .reduce(f64::max);
        let at_zero: Vec<f64> = points
            .iter()
            .filter(|p| p.load.abs() <= SAME_LOAD * span)
            .map(|p| p.counts)
            .collect();
        let zero_return = match at_zero.as_slice() {
            [first, .., last] => Some(fit.rise(*first, *last).value),
            _ => None,
        };
        let zero_counts = mean(at_zero.iter().copied());
        Ok(Self {
            fit,
            span,
            non_linearity,
            hysteresis,
            zero_return,
            zero_counts,
        })
    }

    /// Creep from readings under one constant load, in time order.
    ///
    /// # Errors
    /// Fewer than two readings, or times that do not rise.
    pub fn creep(&self, readings: &[TimedCounts]) -> Result<Creep, LoadCellError> {
        let in_order = 1 + readings
            .windows(2)
            .take_while(|pair| matches!(pair, [a, b] if b.time_s > a.time_s))
            .count();
        let ([first, .., last], true) = (readings, in_order == readings.len()) else {
            return Err(LoadCellError::TooFewReadings {
                found: in_order.min(readings.len()),
            });
        };
        let change = |to: &TimedCounts| self.fit.rise(first.counts, to.counts).value;
        let largest_change = readings
            .iter()
            .map(change)
            .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
        Ok(Creep {
            duration_s: last.time_s - first.time_s,
            change: change(last),
            largest_change,
        })
    }

    /// How far this calibration is from an earlier one of the same cell.
    ///
    /// # Errors
    /// Never for calibrations made by [`Self::calibrate`].
    pub fn drift_since(&self, earlier: &Self) -> Result<Drift, LoadCellError> {
        let (low, high) = self.fit.x_range();
        let (now, then) = (self.fit.rise(low, high), earlier.fit.rise(low, high));
        let value = now.value / then.value - 1.0;
        let standard_uncertainty = now
            .relative_standard_uncertainty()
            .hypot(then.relative_standard_uncertainty());
        // The fewer of the two: a lower bound of Welch–Satterthwaite.
        let degrees_of_freedom = self
            .fit
            .degrees_of_freedom()
            .min(earlier.fit.degrees_of_freedom());
        let k = coverage_factor(0.95, degrees_of_freedom as f64)?;
        let span_expanded_uncertainty = k * standard_uncertainty;
        let zero = self
            .zero_counts
            .zip(earlier.zero_counts)
            .map(|(now, then)| self.fit.rise(then, now).value);
        Ok(Drift {
            span: Measured::new(value, standard_uncertainty),
            span_expanded_uncertainty,
            span_moved: value.abs() > span_expanded_uncertainty,
            zero,
        })
    }
}

/// Loads nearer than this part of the span are the same weights.
const SAME_LOAD: f64 = 1e-6;

fn group_by_load(points: &[LoadPoint], span: f64) -> Vec<Vec<LoadPoint>> {
    let mut groups: Vec<Vec<LoadPoint>> = Vec::new();
    for point in points {
        let same = |group: &&mut Vec<LoadPoint>| {
            group
                .first()
                .is_some_and(|first| (first.load - point.load).abs() <= SAME_LOAD * span)
        };
        match groups.iter_mut().find(same) {
            Some(group) => group.push(*point),
            None => groups.push(vec![*point]),
        }
    }
    groups
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), v| (sum + v, count + 1.0));
    (count > 0.0).then(|| sum / count)
}
