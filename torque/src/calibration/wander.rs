//! A drag that wanders while the drum coasts or is pulled: grease that moves, a chain that finds its place, gusts at the drum.
//!
//! What it takes from the speed at one moment stays taken, so that the speeds' errors are its running sum, and those of angles
//! the sum of that: they hang together over the whole run, and a plain least squares thinks itself far too sure of what it
//! found. Here some share of the acceleration is a first-order Gauss-Markov process beside white noise of what is seen. Their
//! likelihood is what a Kalman filter finds in the residuals (A. Harvey, "Forecasting, Structural Time Series Models and the Kalman Filter", 1989, from
//! memory), restricted to what the fitted terms leave (H. Patterson, R. Thompson, Biometrika 58 (1971) 545, from memory). How
//! strong and how slow the wander is, is averaged over what is likely, not chosen.

use nalgebra::{DMatrix, DVector, Matrix3, Matrix3xX, Vector3};
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::regression::{FitError, LeastSquares, least_squares};

/// Standard deviation as a share of the acceleration: from what no bearing keeps to, to a third.
const SHARE: (f64, f64) = (1e-5, 0.3);
const SHARES: i32 = 16;
/// Shortest time over which it wanders, s.
const SHORTEST_S: f64 = 0.25;
/// So many of its times fit into a coast, at least: what is slower differs from coast to coast, and one can't tell it.
const TIMES_MIN: f64 = 8.0;
const TIMES: i32 = 5;

/// Beyond so many degrees of freedom Student's distribution is the normal one, and the library's loses digits.
const STUDENT_MAX: f64 = 1000.0;

/// Terms with what is known of them.
pub(super) struct Fit {
    pub(super) coefficients: DVector<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) degrees_of_freedom: f64,
    /// Standard deviation about the fit of what was seen, rad or rad/s.
    pub(super) residual_sd: f64,
}

/// One strength and time of the wander.
struct Wander {
    kind: Seen,
    /// Share over the standard deviation of the noise of what is seen.
    share_per_noise: f64,
    time_s: f64,
}

/// What the wheel's motion is seen by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Seen {
    /// Turned angles, rad.
    Angles,
    /// Speeds, rad/s.
    Speeds,
}

/// Fits what was seen, rising in time, with the terms of a design. Of its last term the interval is the one that counts.
pub(super) fn fit(
    design: &DMatrix<f64>,
    seen: &DVector<f64>,
    kind: Seen,
    times_s: &[f64],
) -> Result<Fit, FitError> {
    let plain = least_squares(design, seen)?;
    let fitted = (design * &plain.coefficients).as_slice().to_vec();
    let speeds = match kind {
        Seen::Angles => slopes(&fitted, times_s),
        Seen::Speeds => fitted,
    };
    let alpha_rad_per_s2 = slopes(&speeds, times_s);
    let noise = noise(&plain.residuals, seen.amax());
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
                kind,
                share_per_noise: share / noise,
                time_s,
            };
            let (white, spread) = wander.whitened(design, seen, times_s, &alpha_rad_per_s2);
            let white_seen = white.column(0).into_owned();
            let terms = white.columns(1, design.ncols()).into_owned();
            // What leaves no digits, or no residuals at all, says nothing of how likely it is.
            if let Ok(fit) = least_squares(&terms, &white_seen)
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
    Ok(averaged(&fits, design, seen))
}

/// From the least to the greatest, in equal ratios.
fn steps((from, to): (f64, f64), count: i32) -> impl Iterator<Item = f64> {
    (0..count).map(move |i| from * (to / from).powf(f64::from(i) / f64::from(count - 1)))
}

/// How fast values change up to each of them.
fn slopes(values: &[f64], times_s: &[f64]) -> Vec<f64> {
    let pairs = values.windows(2).zip(times_s.windows(2));
    let found: Vec<f64> = pairs.map(|(v, t)| (v[1] - v[0]) / (t[1] - t[0])).collect();
    found.first().into_iter().chain(&found).copied().collect()
}

/// Of what is seen, from its second differences: what wanders slowly leaves little in them.
fn noise(residuals: &DVector<f64>, greatest: f64) -> f64 {
    let squares: f64 = residuals
        .as_slice()
        .windows(3)
        .map(|w| (w[0] - 2.0 * w[1] + w[2]).powi(2))
        .sum();
    let count = residuals.len().saturating_sub(2).max(1) as f64;
    (squares / (6.0 * count)).sqrt().max(1e-9 * greatest)
}

/// Points and weights of Gauss and Legendre on 0 to 1, by which the noise of a step is summed.
const GAUSS: [(f64, f64); 4] = [
    (0.069_431_844_202_973_71, 0.173_927_422_568_726_93),
    (0.330_009_478_207_571_87, 0.326_072_577_431_273_07),
    (0.669_990_521_792_428_1, 0.326_072_577_431_273_07),
    (0.930_568_155_797_026_3, 0.173_927_422_568_726_93),
];

impl Wander {
    /// What a share that is being taken has done to angle, speed and itself after some time.
    fn reached(&self, time_s: f64, alpha_rad_per_s2: f64) -> Vector3<f64> {
        let step = time_s / self.time_s;
        let faded = -(-step).exp_m1();
        Vector3::new(
            alpha_rad_per_s2 * self.time_s.powi(2) * (step - faded),
            alpha_rad_per_s2 * self.time_s * faded,
            1.0 - faded,
        )
    }

    /// What is seen and the terms, in columns, as independent samples of one variance; and the sum of the logarithms of the
    /// variances that they had. The filter's state is what was taken from the angle, from the speed, and the share that is
    /// being taken.
    fn whitened(
        &self,
        design: &DMatrix<f64>,
        seen: &DVector<f64>,
        times_s: &[f64],
        alpha_rad_per_s2: &[f64],
    ) -> (DMatrix<f64>, f64) {
        let mut white = design.clone().insert_column(0, 0.0);
        white.set_column(0, seen);
        let at = match self.kind {
            Seen::Angles => 0,
            Seen::Speeds => 1,
        };
        let variance = self.share_per_noise.powi(2);
        let mut taken = Matrix3xX::zeros(white.ncols());
        let mut covariance = Matrix3::from_diagonal(&Vector3::new(0.0, 0.0, variance));
        let (mut spread, mut before_s) = (0.0, None);
        for (i, (time_s, alpha)) in times_s.iter().zip(alpha_rad_per_s2).enumerate() {
            let step_s = before_s.map_or(0.0, |before| time_s - before);
            before_s = Some(*time_s);
            let mut moved = Matrix3::identity();
            moved[(0, 1)] = step_s;
            moved.set_column(2, &self.reached(step_s, *alpha));
            taken = moved * taken;
            covariance = moved * covariance * moved.transpose();
            for (point, weight) in GAUSS {
                let reached = self.reached(point * step_s, *alpha);
                let share = 2.0 * variance * weight * step_s / self.time_s;
                covariance += share * reached * reached.transpose();
            }
            let expected = covariance[(at, at)] + 1.0;
            let gain = covariance.column(at) / expected;
            let new = white.row(i) - taken.row(at);
            taken += gain * &new;
            white.set_row(i, &(new / expected.sqrt()));
            covariance -= gain * covariance.row(at);
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
fn averaged(fits: &[(f64, LeastSquares)], design: &DMatrix<f64>, seen: &DVector<f64>) -> Fit {
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
    let residuals = seen - design * &coefficients;
    Fit {
        coefficients,
        covariance,
        degrees_of_freedom: freedom,
        residual_sd: (residuals.norm_squared() / freedom).sqrt(),
    }
}
