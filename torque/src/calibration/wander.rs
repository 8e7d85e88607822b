//! A drag that wanders while the drum coasts: grease that moves, a chain that finds its place, gusts at the drum.
//!
//! What it takes from the speed at one moment stays taken, so that the speeds' errors are its running sum: they hang
//! together over the whole coast, and a plain least squares thinks itself far too sure of what it found. Here the drag's
//! share of itself is a first-order Gauss-Markov process beside white noise of the speeds. Their likelihood is what a Kalman
//! filter finds in the residuals (A. Harvey, "Forecasting, Structural Time Series Models and the Kalman Filter", 1989, from
//! memory), restricted to what the fitted terms leave (H. Patterson, R. Thompson, Biometrika 58 (1971) 545, from memory). How
//! strong and how slow the wander is, is averaged over what is likely, not chosen.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::regression::{FitError, LeastSquares, least_squares};

/// Standard deviation of the drag as a share of itself: from what no bearing keeps to, to a third.
const SHARE: (f64, f64) = (1e-5, 0.3);
const SHARES: i32 = 16;
/// Shortest time over which it wanders, s.
const SHORTEST_S: f64 = 0.25;
/// So many of its times fit into a coast, at least: what is slower differs from coast to coast, and one can't tell it.
const TIMES_MIN: f64 = 8.0;
const TIMES: i32 = 5;

/// Beyond so many degrees of freedom Student's distribution is the normal one, and the library's loses digits.
const STUDENT_MAX: f64 = 1000.0;

/// Terms of the loss with what is known of them.
pub(super) struct Fit {
    pub(super) coefficients: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) degrees_of_freedom: f64,
    /// Standard deviation of the speeds about the fit, rad/s.
    pub(super) residual_sd: f64,
}

/// One strength and time of the wander.
struct Wander {
    /// Share of the drag over the standard deviation of the speeds' noise.
    share_per_noise: f64,
    time_s: f64,
}

/// Fits speeds, rising in time, with the terms of a design, of which the first is the same for all.
pub(super) fn fit(
    design: &DMatrix<f64>,
    speeds: &DVector<f64>,
    times_s: &[f64],
) -> Result<Fit, FitError> {
    let plain = least_squares(design, speeds)?;
    let drag_rad_per_s2 = drag(&(design * &plain.coefficients), times_s);
    let noise = noise(&plain.residuals, speeds.amax());
    let lasted_s = times_s
        .last()
        .zip(times_s.first())
        .map_or(0.0, |(b, a)| b - a);
    let slowest_s = lasted_s / TIMES_MIN;
    let fastest_s = SHORTEST_S.min(slowest_s);
    let mut fits = Vec::new();
    for share in steps(SHARE, SHARES) {
        for time_s in steps((fastest_s, slowest_s), TIMES) {
            let wander = Wander {
                share_per_noise: share / noise,
                time_s,
            };
            let (white, spread) = wander.whitened(design, speeds, times_s, &drag_rad_per_s2);
            let white_speeds = white.column(0).into_owned();
            let terms = white.columns(1, design.ncols()).into_owned();
            // What leaves no digits, or no residuals at all, says nothing of how likely it is.
            if let Ok(fit) = least_squares(&terms, &white_speeds)
                && let likely = log_likelihood(&fit, spread)
                && likely.is_finite()
            {
                fits.push((likely, fit));
            }
        }
    }
    if fits.is_empty() {
        fits.push((0.0, plain));
    }
    Ok(averaged(&fits, design, speeds))
}

/// From the least to the greatest, in equal ratios.
fn steps((from, to): (f64, f64), count: i32) -> impl Iterator<Item = f64> {
    (0..count).map(move |i| from * (to / from).powf(f64::from(i) / f64::from(count - 1)))
}

/// How fast fitted speeds fall up to each of them.
fn drag(fitted: &DVector<f64>, times_s: &[f64]) -> Vec<f64> {
    let slopes = fitted.as_slice().windows(2).zip(times_s.windows(2));
    let found: Vec<f64> = slopes.map(|(w, t)| (w[0] - w[1]) / (t[1] - t[0])).collect();
    found.first().into_iter().chain(&found).copied().collect()
}

/// Of the speeds, from their second differences: what wanders slowly leaves little in them.
fn noise(residuals: &DVector<f64>, greatest: f64) -> f64 {
    let squares: f64 = residuals
        .as_slice()
        .windows(3)
        .map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2))
        .sum();
    let count = residuals.len().saturating_sub(2).max(1) as f64;
    (squares / (6.0 * count)).sqrt().max(1e-9 * greatest)
}

impl Wander {
    /// Speeds and terms, in columns, as independent samples of one variance; and the sum of the logarithms of the variances
    /// that they had. The filter's state is what was taken from the speed, and the share that is being taken.
    fn whitened(
        &self,
        design: &DMatrix<f64>,
        speeds: &DVector<f64>,
        times_s: &[f64],
        drag_rad_per_s2: &[f64],
    ) -> (DMatrix<f64>, f64) {
        let mut white = design.clone().insert_column(0, 0.0);
        white.set_column(0, speeds);
        let columns = white.ncols();
        let variance = self.share_per_noise.powi(2);
        let (mut taken, mut taking) = (DVector::zeros(columns), DVector::zeros(columns));
        let (mut p_taken, mut p_both, mut p_taking) = (0.0, 0.0, variance);
        let (mut spread, mut before_s) = (0.0, None);
        for (i, (time_s, drag)) in times_s.iter().zip(drag_rad_per_s2).enumerate() {
            let step = before_s.map_or(0.0, |before| (time_s - before) / self.time_s);
            before_s = Some(*time_s);
            // Of the process over a step, and of its running sum.
            let (kept, left) = ((-step).exp(), -(-step).exp_m1());
            let gain = drag * self.time_s;
            let summed = 2.0 * step - left * (2.0 + left);
            // The same to the leading power, where the exact form has lost its digits.
            let summed = if step < 1e-3 {
                step.powi(3) / 1.5
            } else {
                summed
            };
            p_taken += gain * left * (2.0 * p_both + gain * left * p_taking)
                + gain * gain * variance * summed;
            p_both = kept * (p_both + gain * left * p_taking) + gain * variance * left * left;
            p_taking = kept * kept * p_taking + variance * left * (1.0 + kept);
            taken += gain * left * &taking;
            taking *= kept;
            let expected = p_taken + 1.0;
            let (k_taken, k_taking) = (p_taken / expected, p_both / expected);
            let mut row = white.row_mut(i);
            for c in 0..columns {
                let new = row[c] - taken[c];
                taken[c] += k_taken * new;
                taking[c] += k_taking * new;
                row[c] = new / expected.sqrt();
            }
            p_taking -= k_taking * p_both;
            p_both -= k_taken * p_both;
            p_taken -= k_taken * p_taken;
            spread += expected.ln();
        }
        (white, spread)
    }
}

/// Restricted, with the scale of both variances integrated out.
fn log_likelihood(fit: &LeastSquares, spread: f64) -> f64 {
    let known = (&fit.covariance / fit.residual_variance).determinant();
    let freedom = fit.degrees_of_freedom as f64;
    0.5 * (known.ln() - spread - freedom * fit.residual_variance.ln())
}

/// The mean of fits by their likelihood; what they differ by is part of its covariance.
fn averaged(fits: &[(f64, LeastSquares)], design: &DMatrix<f64>, speeds: &DVector<f64>) -> Fit {
    let likeliest = fits
        .iter()
        .map(|(l, _)| *l)
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = fits.iter().map(|(l, _)| (l - likeliest).exp()).collect();
    let all: f64 = weights.iter().sum();
    let weighted = || {
        fits.iter()
            .zip(&weights)
            .map(|((_, fit), w)| (fit, w / all))
    };
    let unknowns = design.ncols();
    let mut coefficients = DVector::zeros(unknowns);
    for (fit, weight) in weighted() {
        coefficients += weight * &fit.coefficients;
    }
    let mut covariance = DMatrix::zeros(unknowns, unknowns);
    for (fit, weight) in weighted() {
        let apart = &fit.coefficients - &coefficients;
        covariance += weight * (&fit.covariance + &apart * apart.transpose());
    }
    // What is averaged has longer tails than Student's: the covariance is such that his factor gives its interval.
    let freedom = (design.nrows() - unknowns) as f64;
    let last = unknowns - 1;
    let mean: f64 = coefficients[last];
    let beyond = |half_width: f64, student: &StudentsT| -> f64 {
        let of = |fit: &LeastSquares| {
            let (apart, u) = (
                fit.coefficients[last] - mean,
                fit.covariance[(last, last)].sqrt(),
            );
            student.sf((half_width - apart) / u) + student.sf((half_width + apart) / u)
        };
        weighted().map(|(fit, w)| w * of(fit)).sum()
    };
    let u = covariance[(last, last)].sqrt();
    if let Ok(student) = StudentsT::new(0.0, 1.0, freedom.min(STUDENT_MAX))
        && u > 0.0
    {
        let factor = student.inverse_cdf(0.975);
        let (mut low, mut high) = (0.0, 20.0 * factor * u);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if beyond(middle, &student) > 0.05 {
                low = middle;
            } else {
                high = middle;
            }
        }
        covariance *= (high / (factor * u)).powi(2);
    }
    let residuals = speeds - design * &coefficients;
    Fit {
        coefficients,
        covariance,
        degrees_of_freedom: freedom,
        residual_sd: (residuals.norm_squared() / freedom).sqrt(),
    }
}
