//! How pulls with the same setup differ from one another: the linear model that separates setups and
//! drift from scatter, and the scatter's own model.
//!
//! All curves here are relative to a common scale curve, one row a pull, one column a speed.

use std::f64::consts::{PI, SQRT_2};

use nalgebra::{DMatrix, DVector};

/// Smallest relative standard deviation told apart from none: ten decades below any stand.
const RELATIVE_FLOOR: f64 = 1e-12;
/// Share of the correlation of factor and slope that the estimate of a single point's scatter uses.
///
/// With few pulls that correlation is mostly chance. Half of it keeps bands narrow where there is
/// none and follows it where there is; the critical value makes up for the rest, because it is found
/// by simulating with all of it.
const CORRELATION_SHARE: f64 = 0.5;
/// Width (one standard deviation) over which the scatter's remainder is averaged, as a share of the
/// range of speeds.
const SMOOTHING_SHARE: f64 = 1.0 / 11.0;

/// Cosines that tell how much the pulls of a setup scatter.
const FIRST_COSINES: usize = 10;

/// Multivariate linear regression: the same design for every speed.
#[derive(Debug, Clone)]
pub(super) struct LinearFit {
    /// One row an unknown, one column a speed.
    pub(super) coefficients: DMatrix<f64>,
    /// One row a pull.
    pub(super) residuals: DMatrix<f64>,
    /// (XᵀX)⁻¹
    unscaled: DMatrix<f64>,
    /// Pulls less unknowns.
    pub(super) dof: usize,
}

impl LinearFit {
    /// Least squares of `curves` on `design`; nothing when the design cannot tell its unknowns apart.
    pub(super) fn new(design: &DMatrix<f64>, curves: &DMatrix<f64>) -> Option<Self> {
        let unscaled = (design.transpose() * design).try_inverse()?;
        // Collinear columns may slip through the inverse with garbage.
        let check = design.transpose() * design * &unscaled;
        if (check - DMatrix::identity(design.ncols(), design.ncols())).amax() > 1e-6 {
            return None;
        }
        let coefficients = &unscaled * design.transpose() * curves;
        let residuals = curves - design * &coefficients;
        Some(Self {
            coefficients,
            residuals,
            unscaled,
            dof: design.nrows().saturating_sub(design.ncols()),
        })
    }

    /// `weightsᵀ coefficients`, one value a speed.
    pub(super) fn combination(&self, weights: &DVector<f64>) -> Vec<f64> {
        (self.coefficients.transpose() * weights)
            .iter()
            .copied()
            .collect()
    }

    /// Variance of that combination over the variance of a single pull.
    pub(super) fn variance_ratio(&self, weights: &DVector<f64>) -> f64 {
        weights.dot(&(&self.unscaled * weights))
    }
}

/// What depends on the number of speeds only: the first two cosines (overall factor and slope), the
/// other cosines for the smooth remainder, and the smoothing.
#[derive(Debug, Clone)]
pub(super) struct Basis {
    points: usize,
    pub(super) factor: Vec<f64>,
    pub(super) slope: Vec<f64>,
    /// For each speed the first one averaged over, and the weights.
    smoothing: Vec<(usize, Vec<f64>)>,
}

impl Basis {
    pub(super) fn new(points: usize) -> Self {
        Self {
            points,
            factor: cosine(0, points),
            slope: cosine(1, points),
            smoothing: smoothing(points),
        }
    }

    /// The first cosines, overall factor and slope among them, one a column.
    pub(super) fn first_cosines(&self) -> DMatrix<f64> {
        let count = FIRST_COSINES.min(self.points);
        let all: Vec<DVector<f64>> = (0..count)
            .map(|k| DVector::from_vec(cosine(k, self.points)))
            .collect();
        DMatrix::from_columns(&all)
    }

    pub(super) fn smooth(&self, values: &[f64]) -> Vec<f64> {
        self.smoothing
            .iter()
            .map(|(first, weights)| {
                let near = values.iter().skip(*first);
                near.zip(weights).map(|(v, w)| v * w).sum()
            })
            .collect()
    }
}

/// The k-th of the orthonormal cosines (DCT-II) on `points` points.
pub(super) fn cosine(k: usize, points: usize) -> Vec<f64> {
    let n = points as f64;
    let length = if k == 0 { 1.0 } else { SQRT_2 } / n.sqrt();
    (0..points)
        .map(|j| length * (PI * k as f64 * (j as f64 + 0.5) / n).cos())
        .collect()
}

fn smoothing(points: usize) -> Vec<(usize, Vec<f64>)> {
    let width = (SMOOTHING_SHARE * points as f64).max(0.5);
    let reach = (3.0 * width).ceil();
    (0..points)
        .map(|at| {
            let near: Vec<usize> = (0..points)
                .filter(|j| (*j as f64 - at as f64).abs() <= reach)
                .collect();
            let weights: Vec<f64> = near
                .iter()
                .map(|j| (-0.5 * ((*j as f64 - at as f64) / width).powi(2)).exp())
                .collect();
            let sum: f64 = weights.iter().sum();
            let first = near.first().copied().unwrap_or(0);
            (first, weights.iter().map(|w| w / sum).collect())
        })
        .collect()
}

/// The scatter of single pulls: an overall factor and a slope over rpm, with their covariance, and a
/// remainder that varies smoothly.
#[derive(Debug, Clone)]
pub(super) struct Scatter {
    /// Covariance of factor and slope.
    low: [[f64; 2]; 2],
    /// Variance of the remainder, smoothed over the speeds.
    remainder: Vec<f64>,
    /// Standard deviation of a single pull at each speed, relative.
    pub(super) sd: Vec<f64>,
}

impl Scatter {
    /// From factors and slopes of residual curves, as many as there are degrees of freedom, and a
    /// remainder as of [`remainder_of`].
    pub(super) fn estimated(
        basis: &Basis,
        scores_of_rows: impl ExactSizeIterator<Item = (f64, f64)>,
        remainder: Vec<f64>,
    ) -> Self {
        let share = 1.0 / scores_of_rows.len().max(1) as f64;
        let mut low = [[0.0; 2]; 2];
        for (a, b) in scores_of_rows {
            low[0][0] += a * a * share;
            low[0][1] += a * b * share;
            low[1][1] += b * b * share;
        }
        low[1][0] = low[0][1];
        Self::new(basis, low, remainder)
    }

    /// With this covariance of factor and slope, and this variance of the remainder at each speed.
    pub(super) fn new(basis: &Basis, low: [[f64; 2]; 2], remainder: Vec<f64>) -> Self {
        let sd = (basis.factor.iter().zip(&basis.slope).zip(&remainder))
            .map(|((f, s), rest)| {
                let both = 2.0 * CORRELATION_SHARE * f * s * low[0][1];
                (f * f * low[0][0] + both + s * s * low[1][1] + rest).sqrt()
            })
            .collect();
        Self { low, remainder, sd }
    }

    /// A matrix that turns a row of independent standard normal deviates into a curve that scatters
    /// so: factor and slope with their correlation, and a stationary Gaussian remainder with this
    /// `spectrum` by cosine, averaged over octaves so that a few pulls suffice, under the remainder's
    /// own smooth profile.
    pub(super) fn generator(&self, basis: &Basis, spectrum: &[f64]) -> DMatrix<f64> {
        let points = basis.points;
        let profile: Vec<f64> = self.remainder.iter().map(|v| v.sqrt()).collect();
        let cosines: Vec<Vec<f64>> = (2..points).map(|k| cosine(k, points)).collect();
        let mut spectrum = spectrum.to_vec();
        average_octaves(&mut spectrum);
        let [[ff, fs], [_, ss]] = self.low;
        let first = ff.sqrt();
        let across = if first > 0.0 { fs / first } else { 0.0 };
        let second = (ss - across * across).max(0.0).sqrt();
        DMatrix::from_fn(points, points, |k, j| match k {
            0 => first * basis.factor[j] + across * basis.slope[j],
            1 => second * basis.slope[j],
            _ => spectrum[k - 2].sqrt() * cosines[k - 2][j] * profile[j],
        })
    }
}

/// Variance at each speed of what factor and slope leave of residual curves, as many as there are
/// degrees of freedom; smoothed over the speeds.
pub(super) fn remainder_of<'a>(
    basis: &Basis,
    rows: impl ExactSizeIterator<Item = &'a [f64]>,
) -> Vec<f64> {
    let share = 1.0 / rows.len().max(1) as f64;
    let mut squares = vec![0.0; basis.points];
    for row in rows {
        let (a, b) = scores(basis, row);
        for (sum, rest) in squares.iter_mut().zip(rest(basis, row, a, b)) {
            *sum += rest * rest * share;
        }
    }
    let mut remainder = basis.smooth(&squares);
    for value in &mut remainder {
        *value += RELATIVE_FLOOR * RELATIVE_FLOOR;
    }
    remainder
}

/// Overall factor and slope of a curve.
fn scores(basis: &Basis, row: &[f64]) -> (f64, f64) {
    (dot(&basis.factor, row), dot(&basis.slope, row))
}

/// What factor and slope leave of a curve.
fn rest(basis: &Basis, row: &[f64], a: f64, b: f64) -> impl Iterator<Item = f64> {
    let low = basis.factor.iter().zip(&basis.slope);
    row.iter()
        .zip(low)
        .map(move |(value, (factor, slope))| value - a * factor - b * slope)
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Replaces values by their means over cosines 2–3, 4–7, 8–15, …
fn average_octaves(spectrum: &mut [f64]) {
    let mut rest = spectrum;
    let mut width = 2;
    while !rest.is_empty() {
        let (octave, others) = rest.split_at_mut(width.min(rest.len()));
        let mean = octave.iter().sum::<f64>() / octave.len() as f64;
        octave.fill(mean);
        rest = others;
        width *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cosines_are_orthonormal() {
        let all: Vec<Vec<f64>> = (0..9).map(|k| cosine(k, 9)).collect();
        for (i, a) in all.iter().enumerate() {
            for (j, b) in all.iter().enumerate() {
                let expected = if i == j { 1.0 } else { 0.0 };
                assert!((dot(a, b) - expected).abs() < 1e-12, "{i} {j}");
            }
        }
    }

    #[test]
    fn octaves_keep_their_sum() {
        let mut spectrum = [1.0, 3.0, 4.0, 0.0, 0.0, 0.0, 9.0, 3.0];
        average_octaves(&mut spectrum);
        assert_eq!(spectrum, [2.0, 2.0, 1.0, 1.0, 1.0, 1.0, 6.0, 6.0]);
    }

    #[test]
    fn one_factor_for_all_speeds_is_found_again() {
        let basis = Basis::new(40);
        let rows = [vec![0.01; 40], vec![-0.01; 40]];
        let of = |rows: &[Vec<f64>]| {
            let scored = rows.iter().map(|row| scores(&basis, row));
            let remainder = remainder_of(&basis, rows.iter().map(Vec::as_slice));
            Scatter::estimated(&basis, scored, remainder)
        };
        let scatter = of(&rows);
        assert!(scatter.sd.iter().all(|sd| (sd - 0.01).abs() < 1e-9));
        let generator = scatter.generator(&basis, &[0.0; 38]);
        for column in generator.column_iter() {
            assert!((column.norm() - 0.01).abs() < 1e-6);
        }
    }

    #[test]
    fn a_design_that_tells_nothing_apart_is_refused() {
        let design = DMatrix::from_row_slice(3, 2, &[1.0, 2.0, 1.0, 2.0, 1.0, 2.0]);
        assert!(LinearFit::new(&design, &DMatrix::zeros(3, 4)).is_none());
    }
}
