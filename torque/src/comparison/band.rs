//! The simultaneous band's critical value: max-t by parametric bootstrap.

use nalgebra::DMatrix;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::scatter::{Basis, Scatter, remainder_of};

/// With more degrees of freedom than this the bootstrap uses this many, for factor and slope and for the
/// remainder: the critical value is then at most some per cent too large, and hundreds of pulls cost
/// no more than a few. The remainder is averaged over speeds, so it takes fewer.
const DOF_MAX: [usize; 2] = [60, 10];
/// Differences judged by each simulated estimate of the remainder's variance, with factor and slope
/// estimated again for each: it is averaged over speeds, so that it varies little and a tenth of the draws
/// is enough of them. Curves are what takes the time.
const DIFFERENCES_A_REMAINDER: usize = 10;
/// Standard errors that each simulated difference is judged by: how they scatter is what makes the tail
/// heavy, and one costs little beside a curve.
const ESTIMATES_A_DIFFERENCE: usize = 5;
/// Such estimates at a time.
const BATCH: usize = 4;

/// Distribution of the largest |difference| over its estimated standard error along a curve, when
/// there is no true difference.
#[derive(Debug, Clone)]
pub(super) struct MaxT {
    /// Ascending.
    sorted: Vec<f64>,
}

impl MaxT {
    /// Simulates `draws` times a difference and the residual curves that its standard error is
    /// estimated from, with the estimation done again each time.
    pub(super) fn simulate(
        basis: &Basis,
        generator: &DMatrix<f64>,
        dof: [usize; 2],
        draws: usize,
        seed: u64,
    ) -> Self {
        let dof = [0, 1].map(|i: usize| dof[i].clamp(1, DOF_MAX[i]));
        let points = generator.ncols();
        let shape = |k: usize, along: &[f64]| -> f64 {
            generator.row(k).iter().zip(along).map(|(g, a)| g * a).sum()
        };
        let factor = shape(0, &basis.factor);
        let slope = [shape(0, &basis.slope), shape(1, &basis.slope)];
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let wanted = draws * ESTIMATES_A_DIFFERENCE;
        let mut sorted = Vec::with_capacity(wanted);
        let turned = generator.transpose();
        let group = points * (dof[1] + DIFFERENCES_A_REMAINDER);
        while sorted.len() < wanted {
            let columns = BATCH * (dof[1] + DIFFERENCES_A_REMAINDER);
            let deviates =
                DMatrix::from_fn(points, columns, |_, _| StandardNormal.sample(&mut chance));
            // One column a curve: columns are contiguous.
            let curves: DMatrix<f64> = &turned * deviates;
            for drawn in curves.as_slice().chunks_exact(group) {
                let (residuals, differences) = drawn.split_at(points * dof[1]);
                let remainder = remainder_of(basis, residuals.chunks_exact(points));
                let each = differences.chunks_exact(points);
                for difference in each.flat_map(|d| [d; ESTIMATES_A_DIFFERENCE]) {
                    let scores = (0..dof[0]).map(|_| {
                        let [z, w]: [f64; 2] = [
                            StandardNormal.sample(&mut chance),
                            StandardNormal.sample(&mut chance),
                        ];
                        (factor * z, slope[0] * z + slope[1] * w)
                    });
                    let scatter = Scatter::estimated(basis, scores, remainder.clone());
                    sorted.push(largest(difference, &scatter.sd));
                }
            }
        }
        sorted.truncate(wanted);
        sorted.sort_by(f64::total_cmp);
        Self { sorted }
    }

    /// The value exceeded with probability `1 − confidence`.
    pub(super) fn critical(&self, confidence: f64) -> f64 {
        let allowed = (1.0 - confidence) * self.sorted.len() as f64;
        let mut from_top = (1_u32..).zip(self.sorted.iter().rev());
        from_top
            .find(|(rank, _)| f64::from(*rank) > allowed)
            .map_or(f64::INFINITY, |(_, t)| *t)
    }

    /// Probability of a value at least this large without any true difference.
    pub(super) fn p_value(&self, t: f64) -> f64 {
        let below = self.sorted.partition_point(|simulated| *simulated < t);
        let draws = self.sorted.len() as f64;
        (draws - below as f64 + 1.0) / (draws + 1.0)
    }
}

/// Largest |difference| over its standard error.
pub(super) fn largest(difference: &[f64], standard_error: &[f64]) -> f64 {
    difference
        .iter()
        .zip(standard_error)
        .map(|(d, sd)| d.abs() / sd)
        .fold(0.0, f64::max)
}
