//! The greatest value of a curve that is known with an error.

use nalgebra::{DMatrix, DVector};

use super::{Motion, SpeedFit};

/// Places among which the greatest value is looked for.
const PLACES: usize = 60;
/// Draws of the error, each taken with both signs.
const DRAWS: usize = 200;
/// A shape may be off the curve by so many standard uncertainties: two in 95 % of places.
const ALIKE: f64 = 2.0;

impl SpeedFit {
    /// By how much the acceleration reads too high where the curve is greatest, in rad/s²: smoothing
    /// flattens a peak, and of a curve with some error left the greatest value is above the true one, the more
    /// the more places there are that may be the greatest.
    ///
    /// `shown` are motions along the part of the curve that the greatest value, `at`, was taken from, each with what
    /// the curve has beside the acceleration there, in rad/s²: losses, say. The curve is the sum of both times the speed
    /// to `power`: 0 for torque, 1 for power.
    #[must_use]
    pub fn peak_excess_rad_per_s2(&self, shown: &[(Motion, f64)], at: &Motion, power: i32) -> f64 {
        let local = self.basis.at(at.theta_rad);
        let moved = self.flattened.iter().skip(local.first);
        let gradient = self.gradient(at.theta_rad);
        let flattened: f64 = gradient.iter().zip(moved).map(|(g, m)| g * m).sum();
        let every = shown.len().div_ceil(PLACES).max(1);
        let places: Vec<Place> = shown
            .iter()
            .step_by(every)
            .map(|(m, beside)| {
                let factor = (m.omega_rad_per_s / at.omega_rad_per_s).powi(power);
                self.place(m, *beside, factor)
            })
            .collect();
        flattened + chance(&places)
    }

    fn place(&self, at: &Motion, beside: f64, factor: f64) -> Place {
        let (from, to) = self.theta_range;
        let step = 0.5 * self.basis.interval_at(at.theta_rad);
        let mut slope_row: Vec<(usize, f64)> = Vec::new();
        let ends = [
            (at.theta_rad - step).max(from),
            (at.theta_rad + step).min(to),
        ];
        for (theta, sign) in ends.into_iter().zip([-1.0, 1.0]) {
            let row = self
                .layout
                .spline_row(&self.basis.at(theta), &self.gradient(theta));
            slope_row.extend(
                row.into_iter()
                    .map(|(at, v)| (at, sign * v / (ends[1] - ends[0]))),
            );
        }
        let local = self.basis.at(at.theta_rad);
        let row = self.layout.spline_row(&local, &self.gradient(at.theta_rad));
        let value = self.covariance.quadratic(&row).max(f64::MIN_POSITIVE);
        let slope = self.covariance.quadratic(&slope_row).max(f64::MIN_POSITIVE);
        Place {
            theta: at.theta_rad,
            value: (at.alpha_rad_per_s2 + beside) * factor,
            uncertainty: at.alpha_uncertainty_rad_per_s2 * factor,
            reach: (value / slope).sqrt(),
        }
    }
}

/// A place on the curve: value, standard uncertainty, and the angle over which the error is alike.
#[derive(Debug, Clone, Copy)]
struct Place {
    theta: f64,
    value: f64,
    uncertainty: f64,
    reach: f64,
}

/// Mean of the greatest value of shape and error over the shape's own.
fn chance(places: &[Place]) -> f64 {
    let Some(shape) = likely_shape(places) else {
        return 0.0;
    };
    let n = places.len();
    // Errors that change as fast here as there (M. Gibbs, "Bayesian Gaussian Processes for Regression and
    // Classification", 1997, from memory).
    let covariance = DMatrix::from_fn(n, n, |i, j| {
        let (a, b) = (&places[i], &places[j]);
        let reach = a.reach.powi(2) + b.reach.powi(2);
        let alike =
            (2.0 * a.reach * b.reach / reach).sqrt() * (-(a.theta - b.theta).powi(2) / reach).exp();
        a.uncertainty * b.uncertainty * if i == j { 1.0 + 1e-6 } else { alike }
    });
    let Some(factor) = covariance.cholesky().map(|factor| factor.unpack()) else {
        return 0.0;
    };
    let mut normal = Normal(0x9e37_79b9_7f4a_7c15);
    let mut sum = 0.0;
    for _ in 0..DRAWS {
        let error = &factor * DVector::from_fn(n, |_, _| normal.draw());
        for sign in [-1.0, 1.0] {
            sum += shape
                .iter()
                .zip(error.iter())
                .map(|(value, e)| value + sign * e)
                .fold(f64::NEG_INFINITY, f64::max);
        }
    }
    let greatest = shape.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    sum / (2 * DRAWS) as f64 - greatest
}

/// The curve without what may be chance around its top: there the simplest of the widest shapes that it can't be told from.
fn likely_shape(places: &[Place]) -> Option<Vec<f64>> {
    let mut shape: Vec<f64> = places.iter().map(|p| p.value).collect();
    let top = (0..places.len()).max_by(|a, b| shape[*a].total_cmp(&shape[*b]))?;
    let alike =
        |(place, value): (&Place, &f64)| (place.value - value).abs() <= ALIKE * place.uncertainty;
    for half in (2..places.len()).rev() {
        let within = top.saturating_sub(half)..(top + half + 1).min(places.len());
        let part = &places[within.clone()];
        let mut simplest = (1..=3).filter_map(|terms| polynomial(part, terms));
        if let Some(found) = simplest.find(|values| part.iter().zip(values).all(alike)) {
            shape[within].copy_from_slice(&found);
            break;
        }
    }
    Some(shape)
}

/// The constant, line or parabola nearest to the places by least squares, at each of them.
fn polynomial(places: &[Place], terms: usize) -> Option<Vec<f64>> {
    let (from, to) = (places.first()?.theta, places.last()?.theta);
    let terms = DMatrix::from_fn(places.len(), terms, |i, power| {
        let x = (places[i].theta - from) / (to - from);
        (0..power).map(|_| x).product::<f64>()
    });
    let weight = |i: usize| 1.0 / places[i].uncertainty.max(f64::MIN_POSITIVE);
    let rows = DMatrix::from_fn(places.len(), terms.ncols(), |i, j| {
        weight(i) * terms[(i, j)]
    });
    let values = DVector::from_fn(places.len(), |i, _| weight(i) * places[i].value);
    let solution = rows.svd(true, true).solve(&values, 1e-12).ok()?;
    Some((terms * solution).iter().copied().collect())
}

/// The same normal numbers each time.
struct Normal(u64);

impl Normal {
    fn uniform(&mut self) -> f64 {
        // xorshift64* (S. Vigna, "An experimental exploration of Marsaglia's xorshift generators", 2016, from memory).
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let bits = self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11;
        (bits as f64 + 0.5) / (1_u64 << 53) as f64
    }

    fn draw(&mut self) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places(count: usize, value: impl Fn(f64) -> f64, reach: f64) -> Vec<Place> {
        let even = (0..count).map(|i| i as f64 / (count - 1) as f64);
        even.map(|theta| Place {
            theta,
            value: value(theta),
            uncertainty: 1.0,
            reach,
        })
        .collect()
    }

    /// Mean of the greatest of n standard normals (H. L. Harter, "Expected values of normal order statistics",
    /// Biometrika 48, 1961, from memory).
    #[test]
    fn the_greatest_of_many_errors() {
        for (count, mean) in [(5, 1.16296), (10, 1.53875), (20, 1.86748)] {
            let found = chance(&places(count, |_| 7.0, 1e-3));
            assert!((found - mean).abs() < 0.06, "{count}: {found}");
        }
    }

    /// Beside a sharp top only its own slope counts: half its variance over the bend.
    #[test]
    fn a_sharp_top_is_hardly_above_itself() {
        let bend = 300.0;
        let found = chance(&places(61, |x| -0.5 * bend * (x - 0.5).powi(2), 0.3));
        let slope = 1.0 / 0.3_f64;
        let expected = 0.5 * slope * slope / bend;
        assert!(
            (found - expected).abs() < 0.3 * expected + 0.01,
            "{found}, {expected}"
        );
    }

    #[test]
    fn chance_does_not_change_the_shape() {
        let wavy = places(40, |x| 50.0 + (20.0 * x).sin(), 0.05);
        let shape = likely_shape(&wavy).unwrap();
        assert!(shape.iter().all(|v| (v - shape[0]).abs() < 1e-9));
        let humped = places(40, |x| 50.0 - 40.0 * (x - 0.6).powi(2), 0.05);
        let shape = likely_shape(&humped).unwrap();
        let off = shape.iter().zip(&humped).map(|(s, p)| (s - p.value).abs());
        assert!(off.fold(0.0, f64::max) < 1e-9);
        assert!(chance(&[]).abs() < 1e-12);
    }
}
