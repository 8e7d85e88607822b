//! The simultaneous band's critical value: max-t by parametric bootstrap.

use nalgebra::DMatrix;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::scatter::{Basis, Scatter};

/// With more degrees of freedom than this the bootstrap uses this many: the critical value is then at
/// most 2 % too large, and hundreds of pulls cost no more than dozens.
const DOF_MAX: usize = 60;
/// Numbers drawn at a time.
const BATCH: usize = 32;

/// Distribution of the largest |difference| over its estimated standard error along a curve, when
/// there is no true difference.
#[derive(Debug, Clone)]
pub(super) struct MaxT {
    /// Ascending.
    sorted: Vec<f64>,
}

impl MaxT {
    /// Simulates `draws` times a difference and the residual curves that its standard error is
    /// estimated from, with the estimation done anew each time.
    pub(super) fn simulate(
        basis: &Basis,
        generator: &DMatrix<f64>,
        dof: usize,
        draws: usize,
        seed: u64,
    ) -> Self {
        let dof = dof.min(DOF_MAX);
        let points = generator.ncols();
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let mut sorted = Vec::with_capacity(draws);
        while sorted.len() < draws {
            let batch = BATCH.min(draws - sorted.len());
            let deviates = DMatrix::from_fn(points, batch * (dof + 1), |_, _| {
                StandardNormal.sample(&mut chance)
            });
            // One column a curve: columns are contiguous.
            let curves: DMatrix<f64> = generator.tr_mul(&deviates);
            for draw in curves.as_slice().chunks_exact(points * (dof + 1)) {
                let (difference, residuals) = draw.split_at(points);
                let scatter = Scatter::of_rows(basis, residuals.chunks_exact(points), dof);
                sorted.push(largest(difference, &scatter.sd));
            }
        }
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
