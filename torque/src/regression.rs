//! Linear least squares by QR, with the uncertainty of what it finds.
//!
//! ```
//! use leverarm_torque::regression::Polynomial;
//!
//! // The first data set of F. J. Anscombe, The American Statistician 27 (1973) 17: y = 3.00 + 0.500 x.
//! let x = [10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0];
//! let y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68];
//! let line = Polynomial::fit(&x, &y, 1)?;
//! assert!((line.at(0.0).value - 3.00).abs() < 0.005);
//! assert!((line.rise(0.0, 1.0).value - 0.500).abs() < 0.0005);
//! # Ok::<(), leverarm_torque::regression::FitError>(())
//! ```

use nalgebra::{DMatrix, DVector};

use crate::uncertainty::Measured;

/// A fit that cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Not more points than unknowns.
    #[error("fit: expected more than {unknowns} points, found {points}")]
    TooFewPoints {
        /// Unknowns of the model.
        unknowns: usize,
        /// Points given.
        points: usize,
    },
    /// Lists of different lengths.
    #[error("fit: expected as many y as x, found {x} x and {y} y")]
    LengthMismatch {
        /// Number of x.
        x: usize,
        /// Number of y.
        y: usize,
    },
    /// NaN or infinity among the points.
    #[error("fit: expected finite points, found one that is not")]
    NotFinite,
    /// The points do not tell the unknowns apart.
    #[error("fit: the points do not determine all {unknowns} unknowns (too few different x)")]
    Singular {
        /// Unknowns of the model.
        unknowns: usize,
    },
}

/// Coefficients of a linear model with their covariance.
#[derive(Debug, Clone)]
pub(crate) struct LeastSquares {
    pub(crate) coefficients: DVector<f64>,
    /// Covariance from the scatter of the residuals.
    pub(crate) covariance: DMatrix<f64>,
    pub(crate) residuals: DVector<f64>,
    pub(crate) residual_variance: f64,
    /// Points less unknowns.
    pub(crate) degrees_of_freedom: usize,
}

/// Smallest diagonal of R, relative to the largest, with columns scaled to length one.
const RANK_TOLERANCE: f64 = 1e-10;

/// Minimises |design · c − y|².
pub(crate) fn least_squares(
    design: &DMatrix<f64>,
    y: &DVector<f64>,
) -> Result<LeastSquares, FitError> {
    let (points, unknowns) = design.shape();
    if points != y.len() {
        return Err(FitError::LengthMismatch {
            x: points,
            y: y.len(),
        });
    }
    if points <= unknowns {
        return Err(FitError::TooFewPoints { unknowns, points });
    }
    if !design.iter().chain(y.iter()).all(|v| v.is_finite()) {
        return Err(FitError::NotFinite);
    }
    // Columns of very different size would hide a loss of rank and cost digits.
    let lengths = DVector::from_iterator(unknowns, design.column_iter().map(|c| c.norm()));
    if lengths.iter().any(|length| *length <= 0.0) {
        return Err(FitError::Singular { unknowns });
    }
    let scaled = DMatrix::from_fn(points, unknowns, |i, j| design[(i, j)] / lengths[j]);
    let qr = scaled.qr();
    let r = qr.r();
    let diagonal = r.diagonal().abs();
    if diagonal.min() <= RANK_TOLERANCE * diagonal.max() {
        return Err(FitError::Singular { unknowns });
    }
    let singular = FitError::Singular { unknowns };
    let identity = DMatrix::identity(unknowns, unknowns);
    let solution = r
        .solve_upper_triangular(&qr.q().tr_mul(y))
        .ok_or(singular)?;
    let inverse = r.solve_upper_triangular(&identity).ok_or(singular)?;
    let coefficients = solution.component_div(&lengths);
    let residuals = y - design * &coefficients;
    let degrees_of_freedom = points - unknowns;
    let residual_variance = residuals.norm_squared() / degrees_of_freedom as f64;
    let unscaled = &inverse * inverse.transpose();
    let covariance = DMatrix::from_fn(unknowns, unknowns, |i, j| {
        residual_variance * unscaled[(i, j)] / (lengths[i] * lengths[j])
    });
    Ok(LeastSquares {
        coefficients,
        covariance,
        residuals,
        residual_variance,
        degrees_of_freedom,
    })
}

/// Pairs of lags looked at for what residuals share.
const LAG_PAIRS_MAX: usize = 500;
/// Residuals that all hang together count as no fewer than one in so many.
const INFLATION_MAX: f64 = 2000.0;

/// By how much what residuals share with those after them raises the variance of what is fitted to
/// them, at least 1: one and twice the sum of their autocorrelations, up to the first pair of lags that
/// shares nothing (C. Geyer, "Practical Markov Chain Monte Carlo", Statistical Science 7 (1992) 473,
/// from memory). Jitter hides a slow swing from the first lag alone; where a first-order process with
/// that lag says more, `(1 + ρ)/(1 − ρ)` holds.
pub(crate) fn inflation(residuals: &[f64]) -> f64 {
    let squares: f64 = residuals.iter().map(|r| r * r).sum();
    let shared = squares > 0.0;
    if !shared {
        return 1.0;
    }
    let at = |lag: usize| {
        let later = residuals.iter().skip(lag);
        residuals.iter().zip(later).map(|(a, b)| a * b).sum::<f64>() / squares
    };
    let pairs = (0..LAG_PAIRS_MAX.min(residuals.len() / 4))
        .map(|pair| at(2 * pair) + at(2 * pair + 1))
        .take_while(|sum| *sum > 0.0);
    let all = 2.0 * pairs.sum::<f64>() - 1.0;
    let next = at(1).clamp(0.0, 0.999);
    all.max((1.0 + next) / (1.0 - next))
        .clamp(1.0, INFLATION_MAX)
}

/// Batches that a held reading is divided into.
pub(crate) const BATCHES: usize = 8;

/// Variance of the mean of readings that hang together, from their residuals about a straight line: by the scatter of the means
/// of [`BATCHES`] stretches (non-overlapping batch means: B. Schmeiser, "Batch size effects in the analysis of simulation
/// output", Operations Research 30 (1982) 556-568, from memory). Unlike [`inflation`] it also sees what takes back with the next
/// readings what it gave with these, as a loop does that holds a speed. Its degrees of freedom are two less than the
/// batches. `None` with fewer than two readings a batch.
pub(crate) fn variance_of_mean(residuals: &[f64]) -> Option<f64> {
    if residuals.len() < 2 * BATCHES {
        return None;
    }
    let count = residuals.len() as f64;
    let mut squares = 0.0;
    for batch in 0..BATCHES {
        let from = batch * residuals.len() / BATCHES;
        let to = (batch + 1) * residuals.len() / BATCHES;
        let within = residuals.get(from..to)?;
        let sum: f64 = within.iter().sum();
        // Weighted by their readings, as the mean of all weights them.
        squares += sum * sum / within.len() as f64;
    }
    Some(squares / (BATCHES as f64 - 2.0) / count)
}

/// y = b₀ + b₁ x + … fitted to points with equal weight, all of the error in y.
///
/// It is computed about the middle of x and in units of half its range, so that large
/// offsets (raw counts) and squares keep their digits.
#[derive(Debug, Clone)]
pub struct Polynomial {
    centre: f64,
    half_range: f64,
    x_range: (f64, f64),
    y_span: f64,
    y_variation: f64,
    inner: LeastSquares,
    coefficients: DVector<f64>,
    covariance: DMatrix<f64>,
}

impl Polynomial {
    /// Fits a polynomial of the given degree.
    ///
    /// # Errors
    /// Too few points, or too few different x for the degree.
    pub fn fit(x: &[f64], y: &[f64], degree: u8) -> Result<Self, FitError> {
        if x.len() != y.len() {
            return Err(FitError::LengthMismatch {
                x: x.len(),
                y: y.len(),
            });
        }
        let unknowns = usize::from(degree) + 1;
        if x.len() <= unknowns {
            return Err(FitError::TooFewPoints {
                unknowns,
                points: x.len(),
            });
        }
        let ends = |values: &[f64]| {
            values
                .iter()
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
                    (a.min(*v), b.max(*v))
                })
        };
        let (low, high) = ends(x);
        let (centre, half_range) = (0.5 * (low + high), 0.5 * (high - low));
        if !x.iter().chain(y).all(|v| v.is_finite()) {
            return Err(FitError::NotFinite);
        }
        if half_range <= 0.0 {
            return Err(FitError::Singular { unknowns });
        }
        let rows = x
            .iter()
            .map(|x| powers((x - centre) / half_range, unknowns));
        let design = DMatrix::from_row_iterator(x.len(), unknowns, rows.flatten());
        let y_values = DVector::from_column_slice(y);
        let inner = least_squares(&design, &y_values)?;
        let to_plain = plain_powers(centre, half_range, unknowns);
        let (y_low, y_high) = ends(y);
        let mean = y_values.mean();
        Ok(Self {
            centre,
            half_range,
            x_range: (low, high),
            y_span: y_high - y_low,
            y_variation: y_values.iter().map(|y| (y - mean).powi(2)).sum(),
            coefficients: &to_plain * &inner.coefficients,
            covariance: &to_plain * &inner.covariance * to_plain.transpose(),
            inner,
        })
    }

    /// b₀, b₁, … in plain powers of x.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        self.coefficients.as_slice()
    }

    /// Standard errors of the coefficients.
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        self.covariance
            .diagonal()
            .iter()
            .map(|v| v.sqrt())
            .collect()
    }

    /// Standard deviation of the residuals.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        self.inner.residual_variance.sqrt()
    }

    /// y − fit, in the order of the points.
    #[must_use]
    pub fn residuals(&self) -> &[f64] {
        self.inner.residuals.as_slice()
    }

    /// Sum of the squared residuals.
    #[must_use]
    pub fn residual_sum_of_squares(&self) -> f64 {
        self.inner.residuals.norm_squared()
    }

    /// Points less unknowns.
    #[must_use]
    pub const fn degrees_of_freedom(&self) -> usize {
        self.inner.degrees_of_freedom
    }

    /// Coefficient of determination r²; NaN when all y are equal.
    #[must_use]
    pub fn r_squared(&self) -> f64 {
        1.0 - self.residual_sum_of_squares() / self.y_variation
    }

    /// Largest less smallest y.
    #[must_use]
    pub const fn y_span(&self) -> f64 {
        self.y_span
    }

    /// Smallest and largest x that were fitted.
    #[must_use]
    pub const fn x_range(&self) -> (f64, f64) {
        self.x_range
    }

    /// The curve at x with the standard uncertainty of the curve (not of a single new
    /// reading).
    #[must_use]
    pub fn at(&self, x: f64) -> Measured {
        self.combination(self.basis(x))
    }

    /// The curve's rise from one x to another, with its standard uncertainty.
    #[must_use]
    pub fn rise(&self, from: f64, to: f64) -> Measured {
        self.combination(self.basis(to) - self.basis(from))
    }

    fn basis(&self, x: f64) -> DVector<f64> {
        let unknowns = self.inner.coefficients.len();
        DVector::from_iterator(
            unknowns,
            powers((x - self.centre) / self.half_range, unknowns),
        )
    }

    fn combination(&self, weights: DVector<f64>) -> Measured {
        let variance = weights.dot(&(&self.inner.covariance * &weights));
        Measured::new(
            weights.dot(&self.inner.coefficients),
            variance.max(0.0).sqrt(),
        )
    }
}

/// 1, x, x², …
fn powers(x: f64, count: usize) -> impl Iterator<Item = f64> {
    std::iter::successors(Some(1.0), move |power| Some(power * x)).take(count)
}

/// Matrix that turns coefficients of powers of (x − centre)/scale into those of powers of
/// x, by the binomial theorem.
fn plain_powers(centre: f64, scale: f64, unknowns: usize) -> DMatrix<f64> {
    let mut matrix = DMatrix::zeros(unknowns, unknowns);
    let mut column = DVector::zeros(unknowns);
    if let Some(one) = column.get_mut(0) {
        *one = 1.0;
    }
    for j in 0..unknowns {
        matrix.set_column(j, &column);
        // Times (x − centre)/scale.
        let mut shifted = &column * (-centre / scale);
        for i in 1..unknowns {
            shifted[i] += column[i - 1] / scale;
        }
        column = shifted;
    }
    matrix
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a first-order process the inflation is `(1 + ρ)/(1 − ρ)` (G. Box, G. Jenkins, "Time Series
    /// Analysis", 1976, from memory); with white noise on top, which takes most of the first lag, it is
    /// a mix of that and 1 by their variances.
    #[test]
    fn what_residuals_share_is_found_under_white_noise() {
        let mut rng = fastrand::Rng::with_seed(5);
        let mut normal = || (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0;
        for (rho, white) in [(0.0_f64, 1.0), (0.8, 0.0), (0.95, 2.0)] {
            let mut found = 0.0;
            for _ in 0..40 {
                let mut slow = normal();
                let residuals: Vec<f64> = (0..2000)
                    .map(|_| {
                        slow = rho * slow + (1.0 - rho * rho).sqrt() * normal();
                        slow + white * normal()
                    })
                    .collect();
                found += inflation(&residuals) / 40.0;
            }
            let of_slow = (1.0 + rho) / (1.0 - rho);
            let expected = (of_slow + white * white) / (1.0 + white * white);
            assert!(
                (0.85..1.4).contains(&(found / expected)),
                "{found} {expected}"
            );
        }
    }
}
