//! B-spline basis functions on a clamped, non-uniform knot vector.
//!
//! Source: L. Piegl, W. Tiller, "The NURBS Book", algorithms A2.1 (find span), A2.2 (basis) and
//! A2.3 (derivatives), from memory; checked in the tests against the partition of unity and against
//! polynomials, which a spline of the same degree must reproduce exactly.

/// Polynomial degree of the motion: quintic, so that the acceleration (a second derivative) is a
/// cubic and its slope is still smooth. The highest degree here.
pub(crate) const DEGREE: usize = 5;
/// Non-zero basis functions at any abscissa, for the highest degree.
pub(crate) const ORDER: usize = DEGREE + 1;

/// A clamped B-spline basis over `[first, last]`.
#[derive(Debug, Clone)]
pub(crate) struct Basis {
    knots: Vec<f64>,
    len: usize,
    degree: usize,
}

/// The non-zero basis functions at one abscissa: value, first and second derivative.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Local {
    /// Index of the first non-zero basis function.
    pub(crate) first: usize,
    /// Non-zero basis functions: one more than the degree.
    pub(crate) order: usize,
    /// Derivative order (0..=2) by basis function.
    pub(crate) derivative: [[f64; ORDER]; 3],
}

impl Basis {
    /// A quintic basis with the given breakpoints (strictly increasing, at least two).
    pub(crate) fn new(breakpoints: &[f64]) -> Self {
        Self::of_degree(DEGREE, breakpoints)
    }

    /// A basis of a degree from 2 to [`DEGREE`].
    pub(crate) fn of_degree(degree: usize, breakpoints: &[f64]) -> Self {
        let first = breakpoints.first().copied().unwrap_or(0.0);
        let last = breakpoints.last().copied().unwrap_or(1.0);
        let mut knots = vec![first; degree];
        knots.extend_from_slice(breakpoints);
        knots.extend(std::iter::repeat_n(last, degree));
        let len = knots.len() - degree - 1;
        Self { knots, len, degree }
    }

    /// Number of basis functions.
    pub(crate) fn len(&self) -> usize {
        self.len
    }

    fn span(&self, x: f64) -> usize {
        // partition_point over the inner knots; the last span is closed on the right.
        let inner = &self.knots[self.degree..=self.len];
        let above = inner.partition_point(|knot| *knot <= x);
        self.degree + above.clamp(1, inner.len() - 1) - 1
    }

    /// Width of the interval between breakpoints that holds `x`.
    pub(crate) fn interval_at(&self, x: f64) -> f64 {
        let span = self.span(x);
        self.knots[span + 1] - self.knots[span]
    }

    /// Basis functions and their first two derivatives at `x` (clamped to the interval by the
    /// nearest span, so that a point a hair outside is an extrapolation, not a failure).
    pub(crate) fn at(&self, x: f64) -> Local {
        let (span, degree) = (self.span(x), self.degree);
        let mut ndu = [[0.0_f64; ORDER]; ORDER];
        let (mut left, mut right) = ([0.0_f64; ORDER], [0.0_f64; ORDER]);
        ndu[0][0] = 1.0;
        for j in 1..=degree {
            left[j] = x - self.knots[span + 1 - j];
            right[j] = self.knots[span + j] - x;
            let mut saved = 0.0;
            for r in 0..j {
                ndu[j][r] = right[r + 1] + left[j - r];
                let term = ndu[r][j - 1] / ndu[j][r];
                ndu[r][j] = saved + right[r + 1] * term;
                saved = left[j - r] * term;
            }
            ndu[j][j] = saved;
        }
        let mut derivative = [[0.0_f64; ORDER]; 3];
        for j in 0..=degree {
            derivative[0][j] = ndu[j][degree];
        }
        for r in 0..=degree {
            let mut a = [[0.0_f64; ORDER]; 2];
            let (mut old, mut new) = (0, 1);
            a[0][0] = 1.0;
            for k in 1..=2_usize {
                let mut sum = 0.0;
                let pk = degree - k;
                if r >= k {
                    a[new][0] = a[old][0] / ndu[pk + 1][r - k];
                    sum = a[new][0] * ndu[r - k][pk];
                }
                let j1 = if r + 1 >= k { 1 } else { k - r };
                let j2 = if r <= pk + 1 { k - 1 } else { degree - r };
                for j in j1..=j2 {
                    a[new][j] = (a[old][j] - a[old][j - 1]) / ndu[pk + 1][r + j - k];
                    sum += a[new][j] * ndu[r + j - k][pk];
                }
                if r <= pk {
                    a[new][k] = -a[old][k - 1] / ndu[pk + 1][r];
                    sum += a[new][k] * ndu[r][pk];
                }
                derivative[k][r] = sum;
                std::mem::swap(&mut old, &mut new);
            }
        }
        let p = degree as f64;
        for value in &mut derivative[1] {
            *value *= p;
        }
        for value in &mut derivative[2] {
            *value *= p * (p - 1.0);
        }
        Local {
            first: span - degree,
            order: degree + 1,
            derivative,
        }
    }

    /// Greville abscissae: with coefficients equal to these, the spline is the identity.
    pub(crate) fn greville(&self) -> Vec<f64> {
        (0..self.len)
            .map(|i| self.knots[i + 1..=i + self.degree].iter().sum::<f64>() / self.degree as f64)
            .collect()
    }
}

impl Local {
    /// Dot product of one derivative order with a coefficient vector.
    pub(crate) fn dot(&self, order: usize, coefficients: &[f64]) -> f64 {
        self.derivative[order]
            .iter()
            .zip(&coefficients[self.first..self.first + self.order])
            .map(|(b, c)| b * c)
            .sum()
    }
}

/// Linear interpolation of `ys` over increasing `xs`, clamped at the ends.
pub(crate) fn interpolate(xs: &[f64], ys: &[f64], x: f64) -> f64 {
    let above = xs.partition_point(|v| *v <= x);
    if above == 0 {
        return ys.first().copied().unwrap_or(f64::NAN);
    }
    if above >= xs.len() {
        return ys.last().copied().unwrap_or(f64::NAN);
    }
    let (x0, x1) = (xs[above - 1], xs[above]);
    let (y0, y1) = (ys[above - 1], ys[above]);
    y0 + (y1 - y0) * (x - x0) / (x1 - x0)
}

/// `count` points evenly spaced over `[from, to]`, both included.
pub(crate) fn even(from: f64, to: f64, count: usize) -> Vec<f64> {
    let last = count.saturating_sub(1).max(1) as f64;
    (0..count)
        .map(|i| from + (to - from) * i as f64 / last)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partition_of_unity_and_derivatives_sum_to_zero() {
        let basis = Basis::new(&[0.0, 0.3, 1.0, 1.4, 2.0, 5.0]);
        for i in 0..=100 {
            let local = basis.at(f64::from(i) * 0.05);
            assert!((local.derivative[0].iter().sum::<f64>() - 1.0).abs() < 1e-13);
            assert!(local.derivative[1].iter().sum::<f64>().abs() < 1e-11);
            assert!(local.derivative[2].iter().sum::<f64>().abs() < 1e-10);
        }
    }

    #[test]
    fn reproduces_a_quintic_with_its_derivatives() {
        // Coefficients of x^5 by blossoming: the product of five consecutive knots.
        let basis = Basis::new(&[-1.0, -0.2, 0.4, 0.5, 1.5]);
        let coefficients: Vec<f64> = (0..basis.len())
            .map(|i| basis.knots[i + 1..i + ORDER].iter().product())
            .collect();
        for i in 0..=50 {
            let x = -1.0 + 0.05 * f64::from(i);
            let local = basis.at(x);
            assert!((local.dot(0, &coefficients) - x.powi(5)).abs() < 1e-12);
            assert!((local.dot(1, &coefficients) - 5.0 * x.powi(4)).abs() < 1e-11);
            assert!((local.dot(2, &coefficients) - 20.0 * x.powi(3)).abs() < 1e-10);
        }
    }

    #[test]
    fn a_quadratic_one_reproduces_a_parabola() {
        let basis = Basis::of_degree(2, &[-1.0, 0.0, 0.4, 2.0]);
        let coefficients: Vec<f64> = (0..basis.len())
            .map(|i| basis.knots[i + 1..=i + 2].iter().product())
            .collect();
        for x in [-1.0, -0.3, 0.2, 1.9] {
            assert!((basis.at(x).dot(0, &coefficients) - x * x).abs() < 1e-13);
            assert!((basis.at(x).dot(1, &coefficients) - 2.0 * x).abs() < 1e-13);
            assert!((basis.at(x).dot(2, &coefficients) - 2.0).abs() < 1e-12);
        }
    }

    #[test]
    fn greville_gives_the_identity() {
        let basis = Basis::new(&[0.0, 1.0, 3.0, 4.0]);
        let identity = basis.greville();
        for x in [0.0, 0.7, 2.2, 4.0] {
            assert!((basis.at(x).dot(0, &identity) - x).abs() < 1e-13);
        }
    }
}
