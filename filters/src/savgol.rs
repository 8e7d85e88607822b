//! Savitzky–Golay coefficients, kept for comparison with the curve fit.
//!
//! ```
//! // Five points, second degree: the paper's first table has −3, 12, 17, 12, −3 over 35.
//! use leverarm_filters::savgol::coefficients;
//!
//! let found = coefficients(2, 2, 0);
//! for (found, expected) in found.iter().zip([-3.0, 12.0, 17.0, 12.0, -3.0]) {
//!     assert!((found - expected / 35.0).abs() < 1e-12);
//! }
//! ```

use nalgebra::{DMatrix, DVector};

/// Coefficients over `2 half + 1` evenly spaced samples of the `derivative`-th derivative (per
/// sample) at the middle of a least-squares polynomial of the given degree. Empty when the window
/// is too short for the degree.
///
/// Source: A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627.
#[must_use]
pub fn coefficients(half: usize, degree: usize, derivative: usize) -> Vec<f64> {
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Savitzky & Golay 1964 tables with the corrections of Steinier, Termonia & Deltour 1972; exact
    /// rationals recovered from scipy 1.17.1 `savgol_coeffs`.
    #[test]
    fn tables() {
        let cases: [(usize, usize, usize, f64, &[f64]); 6] = [
            (2, 2, 1, 10.0, &[-2.0, -1.0, 0.0, 1.0, 2.0]),
            (
                4,
                2,
                1,
                60.0,
                &[-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0],
            ),
            (
                3,
                4,
                1,
                252.0,
                &[22.0, -67.0, -58.0, 0.0, 58.0, 67.0, -22.0],
            ),
            (
                5,
                4,
                1,
                5148.0,
                &[
                    300.0, -294.0, -532.0, -503.0, -296.0, 0.0, 296.0, 503.0, 532.0, 294.0, -300.0,
                ],
            ),
            (3, 2, 0, 21.0, &[-2.0, 3.0, 6.0, 7.0, 6.0, 3.0, -2.0]),
            (
                4,
                4,
                0,
                429.0,
                &[15.0, -55.0, 30.0, 135.0, 179.0, 135.0, 30.0, -55.0, 15.0],
            ),
        ];
        for (half, degree, derivative, denominator, expected) in cases {
            let found = coefficients(half, degree, derivative);
            assert_eq!(found.len(), expected.len());
            for (f, e) in found.iter().zip(expected) {
                assert!(
                    (f - e / denominator).abs() < 1e-13,
                    "w{half} p{degree}: {f} {e}"
                );
            }
        }
    }
}
