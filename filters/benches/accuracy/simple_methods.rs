//! What one would try first, for comparison: tooth-by-tooth differences with a low-pass, and a
//! fixed-window Savitzky–Golay derivative of the tooth-by-tooth speed.

use nalgebra::{Cholesky, DMatrix, DVector};

use leverarm_filters::live::{FilterError, LowPass};
use leverarm_filters::teeth::ToothTrain;

use crate::pull_model::Pull;

fn speeds(train: &ToothTrain, teeth: u32) -> Vec<(f64, f64)> {
    let pitch = std::f64::consts::TAU / f64::from(teeth);
    (1..train.time_s.len())
        .map(|k| {
            let step = (train.index[k] - train.index[k - 1]) as f64;
            let dt = train.time_s[k] - train.time_s[k - 1];
            (
                0.5 * (train.time_s[k] + train.time_s[k - 1]),
                pitch * step / dt,
            )
        })
        .collect()
}

/// (omega, alpha) by differences of the tooth-by-tooth speed, low-passed at 3 Hz without phase shift.
pub(crate) fn two_point(train: &ToothTrain, teeth: u32) -> Vec<(f64, f64)> {
    let speeds = speeds(train, teeth);
    let alpha: Vec<f64> = speeds
        .windows(2)
        .map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0))
        .collect();
    let omega: Vec<f64> = speeds.windows(2).map(|w| 0.5 * (w[0].1 + w[1].1)).collect();
    let rate = alpha.len() as f64 / (speeds[speeds.len() - 1].0 - speeds[0].0);
    let smooth = |x: &[f64]| zero_phase_low_pass(x, 3.0, rate).unwrap_or_else(|_| x.to_vec());
    smooth(&omega).into_iter().zip(smooth(&alpha)).collect()
}

/// Forward–backward second-order Butterworth low-pass: no phase shift. For recorded data only.
fn zero_phase_low_pass(
    samples: &[f64],
    cutoff_hz: f64,
    sample_hz: f64,
) -> Result<Vec<f64>, FilterError> {
    let filter = LowPass::butterworth(2, cutoff_hz, sample_hz)?;
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else {
        return Ok(Vec::new());
    };
    // Odd reflection at both ends, as scipy's sosfiltfilt pads.
    let pad = 9.min(samples.len() - 1);
    let head = (1..=pad).rev().map(|i| 2.0 * first - samples[i]);
    let tail = (1..=pad).map(|i| 2.0 * last - samples[samples.len() - 1 - i]);
    let mut padded: Vec<f64> = head.chain(samples.iter().copied()).chain(tail).collect();
    for _ in 0..2 {
        let mut pass = filter.clone();
        pass.settle(padded[0]);
        for value in &mut padded {
            *value = pass.run(*value);
        }
        padded.reverse();
    }
    Ok(padded[pad..pad + samples.len()].to_vec())
}

/// (omega, alpha) by a quadratic Savitzky–Golay derivative over a tenth of the samples.
pub(crate) fn savgol(train: &ToothTrain, teeth: u32) -> Vec<(f64, f64)> {
    let speeds = speeds(train, teeth);
    let half = (speeds.len() / 20).max(3);
    let values: Vec<f64> = speeds.iter().map(|s| s.1).collect();
    let smooth = savgol_coefficients(half, 2, 0);
    let slope = savgol_coefficients(half, 2, 1);
    (half..speeds.len() - half)
        .map(|k| {
            let window = &values[k - half..=k + half];
            let dot = |c: &[f64]| c.iter().zip(window).map(|(c, v)| c * v).sum::<f64>();
            let per_sample = (speeds[k + half].0 - speeds[k - half].0) / (2 * half) as f64;
            (dot(&smooth), dot(&slope) / per_sample)
        })
        .collect()
}

/// Coefficients over `2 half + 1` evenly spaced samples of the `derivative`-th derivative (per
/// sample) at the middle of a least-squares polynomial of the given degree. Empty when the window
/// is too short for the degree.
///
/// Source: A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627.
fn savgol_coefficients(half: usize, degree: usize, derivative: usize) -> Vec<f64> {
    let width = 2 * half + 1;
    if width <= degree || derivative > degree {
        return Vec::new();
    }
    let scale = half.max(1) as f64;
    let position = |i: usize| (i as f64 - half as f64) / scale;
    let powers = |i: usize| {
        (0..=degree).scan(1.0, move |p, _| {
            let now = *p;
            *p *= position(i);
            Some(now)
        })
    };
    let design = DMatrix::from_row_iterator(width, degree + 1, (0..width).flat_map(powers));
    let mut unit = DVector::zeros(degree + 1);
    let factorial: f64 = (1..=derivative).map(|k| k as f64).product();
    unit[derivative] = factorial / (0..derivative).map(|_| scale).product::<f64>();
    let normal = design.tr_mul(&design);
    match normal.lu().solve(&unit) {
        Some(solved) => (design * solved).iter().copied().collect(),
        None => Vec::new(),
    }
}

/// Differences of the speeds of whole turns, to be smoothed.
pub(crate) struct WholeTurns {
    time_s: Vec<f64>,
    omega: Vec<f64>,
    alpha: DVector<f64>,
}

/// Weights that smoothness is tried with.
pub(crate) const WEIGHTS: i32 = 40;

impl WholeTurns {
    pub(crate) fn new(train: &ToothTrain, teeth: u32, turns: i64) -> Self {
        let n = train.time_s.len();
        let mut edges = Vec::new();
        let mut next = train.index[0];
        for (time_s, index) in train.time_s.iter().zip(&train.index) {
            if *index >= next {
                edges.push((*time_s, *index));
                next = index + turns * i64::from(teeth);
            }
        }
        let pitch = std::f64::consts::TAU / f64::from(teeth);
        let speeds: Vec<(f64, f64)> = edges
            .windows(2)
            .map(|w| {
                let step = (w[1].1 - w[0].1) as f64;
                (0.5 * (w[0].0 + w[1].0), pitch * step / (w[1].0 - w[0].0))
            })
            .collect();
        // No more than 160 points: the smoother is dense.
        let every = n.min(speeds.len()) / 160 + 1;
        let thinned: Vec<(f64, f64)> = speeds.into_iter().step_by(every).collect();
        let pairs = || thinned.windows(2);
        Self {
            omega: pairs().map(|w| 0.5 * (w[0].1 + w[1].1)).collect(),
            time_s: pairs().map(|w| 0.5 * (w[0].0 + w[1].0)).collect(),
            alpha: pairs()
                .map(|w| (w[1].1 - w[0].1) / (w[1].0 - w[0].0))
                .collect::<Vec<_>>()
                .into(),
        }
    }

    /// Penalty of the derivative of this order: divided differences, each over its share of the time.
    fn penalty(&self, order: usize) -> DMatrix<f64> {
        let m = self.time_s.len();
        let mut differences = DMatrix::<f64>::identity(m, m);
        for k in 1..=order {
            let rows = differences.nrows() - 1;
            differences = DMatrix::from_fn(rows, m, |i, j| {
                let span_s = (self.time_s[i + k] - self.time_s[i]) / k as f64;
                (differences[(i + 1, j)] - differences[(i, j)]) / span_s
            });
        }
        differences.tr_mul(&differences) * self.step_s()
    }

    fn step_s(&self) -> f64 {
        let m = self.time_s.len();
        (self.time_s[m - 1] - self.time_s[0]) / m as f64
    }

    /// (omega, alpha) through a spline that penalises the derivative of this order, for each weight, with
    /// its score by generalised cross-validation.
    pub(crate) fn smoothed(&self, order: u8) -> Vec<(f64, Vec<(f64, f64)>)> {
        let m = self.alpha.len();
        let penalty = self.penalty(order.into());
        let unit = self.step_s().powi(2 * i32::from(order) - 1);
        (0..WEIGHTS)
            .map(|i| {
                let weight = unit * (0.25 * f64::from(order) * f64::from(i) - 2.0).exp();
                let matrix = DMatrix::identity(m, m) + weight * &penalty;
                let Some(factor) = Cholesky::new(matrix) else {
                    return (f64::INFINITY, Vec::new());
                };
                let smooth = factor.solve(&self.alpha);
                let free = 1.0 - factor.inverse().trace() / m as f64;
                let score = (&self.alpha - &smooth).norm_squared() / (free * free);
                let samples = self.omega.iter().copied().zip(smooth.iter().copied());
                (score, samples.collect())
            })
            .collect()
    }

    /// (omega, alpha) through a smoothing spline whose weight generalised cross-validation chooses.
    pub(crate) fn spline(&self) -> Vec<(f64, f64)> {
        let tried = self.smoothed(2).into_iter();
        tried
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map_or_else(Vec::new, |best| best.1)
    }
}

/// Values of a method on the pull's grid of speeds, by interpolation.
pub(crate) fn on_grid(samples: &[(f64, f64)], pull: &Pull) -> Vec<Option<f64>> {
    let mut sorted: Vec<(f64, f64)> = samples.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    pull.grid_rpm()
        .into_iter()
        .map(|rpm| {
            let omega = pull.wheel_omega(rpm);
            let above = sorted.partition_point(|s| s.0 < omega);
            let (a, b) = (sorted.get(above.checked_sub(1)?)?, sorted.get(above)?);
            Some(a.1 + (b.1 - a.1) * (omega - a.0) / (b.0 - a.0))
        })
        .collect()
}
