//! The greatest value of a curve that is known with an error.

use nalgebra::{DMatrix, DVector, RowDVector};

use super::{Motion, SpeedFit};
use crate::bspline::ORDER;

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
        let every = shown.len().div_ceil(PLACES).max(1);
        let shown = || shown.iter().step_by(every);
        let weight = |m: &Motion| (m.omega_rad_per_s / at.omega_rad_per_s).powi(power);
        let read = shown().map(|(m, beside)| (m.alpha_rad_per_s2 + beside) * weight(m));
        let places: Vec<Place> = shown()
            .zip(read.clone())
            .map(|((m, _), read)| {
                let by_noise = self.by_noise(m.theta_rad) * weight(m);
                Place {
                    theta: m.theta_rad,
                    value: read - self.flattened(m.theta_rad) * weight(m),
                    uncertainty: by_noise.norm(),
                    by_noise,
                }
            })
            .collect();
        match greatest(read).zip(unbiased_greatest(&places)) {
            Some((read, unbiased)) => read - unbiased,
            None => 0.0,
        }
    }

    /// What smoothing moved the acceleration at an angle by.
    fn flattened(&self, theta_rad: f64) -> f64 {
        let moved = self.flattened.iter().skip(self.basis.at(theta_rad).first);
        let gradient = self.gradient(theta_rad);
        gradient.iter().zip(moved).map(|(g, m)| g * m).sum()
    }

    /// What noise moves the acceleration less that at an angle by, for each independent draw.
    fn by_noise(&self, theta_rad: f64) -> RowDVector<f64> {
        let gradient = RowDVector::from_row_slice(&self.gradient(theta_rad));
        let first = self.basis.at(theta_rad).first;
        gradient * self.by_noise.rows(first, ORDER)
    }
}

/// A place on the curve without what smoothing moved it by: value, its standard uncertainty by noise, and what
/// noise moves it by, for each independent draw.
#[derive(Debug, Clone)]
struct Place {
    theta: f64,
    value: f64,
    uncertainty: f64,
    by_noise: RowDVector<f64>,
}

fn greatest(values: impl Iterator<Item = f64>) -> Option<f64> {
    values.max_by(f64::total_cmp)
}

/// The greatest value less what noise adds to it on average.
fn unbiased_greatest(places: &[Place]) -> Option<f64> {
    let read = greatest(places.iter().map(|place| place.value))?;
    let rows: Vec<RowDVector<f64>> = places.iter().map(|place| place.by_noise.clone()).collect();
    let by_noise = DMatrix::from_rows(&rows);
    if by_noise.is_empty() {
        return Some(read);
    }
    let shape = likely_shape(places)?;
    let top = greatest(shape.iter().copied())?;
    let mut normal = Normal(0x9e37_79b9_7f4a_7c15);
    let mut sum = 0.0;
    for _ in 0..DRAWS {
        let error = &by_noise * DVector::from_fn(by_noise.ncols(), |_, _| normal.draw());
        for sign in [-1.0, 1.0] {
            let drawn = shape.iter().zip(error.iter());
            sum += greatest(drawn.map(|(value, e)| value + sign * e))? - top;
        }
    }
    Some(read - sum / (2 * DRAWS) as f64)
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

    /// What noise adds to the greatest value.
    fn chance(places: &[Place]) -> f64 {
        greatest(places.iter().map(|place| place.value)).unwrap()
            - unbiased_greatest(places).unwrap()
    }

    /// `by_noise` gives what each of so many independent draws moves the value by.
    fn places(
        count: usize,
        value: impl Fn(f64) -> f64,
        (draws, by_noise): (usize, impl Fn(f64, usize) -> f64),
    ) -> Vec<Place> {
        let even = (0..count).map(|i| i as f64 / (count - 1) as f64);
        even.map(|theta| Place {
            theta,
            value: value(theta),
            uncertainty: 1.0,
            by_noise: RowDVector::from_fn(draws, |_, draw| by_noise(theta, draw)),
        })
        .collect()
    }

    /// Mean of the greatest of n standard normals (H. L. Harter, "Expected values of normal order statistics",
    /// Biometrika 48, 1961, from memory).
    #[test]
    fn the_greatest_of_many_errors() {
        for (count, mean) in [(5, 1.16296), (10, 1.53875), (20, 1.86748)] {
            let own = |theta: f64, draw: usize| {
                let place = (theta * (count - 1) as f64).round();
                f64::from(u8::from(place == draw as f64))
            };
            let found = chance(&places(count, |_| 7.0, (count, own)));
            assert!((found - mean).abs() < 0.06, "{count}: {found}");
        }
    }

    /// Beside a sharp top only its own slope counts: half its variance over the bend.
    #[test]
    fn a_sharp_top_is_hardly_above_itself() {
        let (bend, slope) = (300.0, 3.0);
        let line = |theta: f64, draw: usize| [1.0, slope * (theta - 0.5)][draw];
        let found = chance(&places(61, |x| -0.5 * bend * (x - 0.5).powi(2), (2, line)));
        let expected = 0.5 * slope * slope / bend;
        assert!(
            (found - expected).abs() < 0.2 * expected,
            "{found}, {expected}"
        );
    }

    /// Noise that moves all of the curve alike makes no place the greatest.
    #[test]
    fn what_is_alike_everywhere_is_no_chance() {
        let found = chance(&places(40, |_| 7.0, (1, |_, _| 1.0)));
        assert!(found.abs() < 1e-9, "{found}");
    }

    #[test]
    fn chance_does_not_change_the_shape() {
        let wavy = places(40, |x| 50.0 + (20.0 * x).sin(), (0, |_, _| 0.0));
        let shape = likely_shape(&wavy).unwrap();
        assert!(shape.iter().all(|v| (v - shape[0]).abs() < 1e-9));
        let humped = places(40, |x| 50.0 - 40.0 * (x - 0.6).powi(2), (0, |_, _| 0.0));
        let shape = likely_shape(&humped).unwrap();
        let off = shape.iter().zip(&humped).map(|(s, p)| (s - p.value).abs());
        assert!(off.fold(0.0, f64::max) < 1e-9);
        assert_eq!(unbiased_greatest(&[]), None);
    }
}
