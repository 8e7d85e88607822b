//! What the mixture does to the work that a mass of air gives.

use super::Reading;

/// Work per mass of air over lambda, relative to its best: `1 − bend · (λ − λ_best)²`.
///
/// The best is on the rich side, where all the oxygen finds fuel and evaporation still cools the
/// charge; lean of it the work falls because fuel lacks, rich of it because it burns incompletely.
/// Torque at best lies at a fuel/air equivalence ratio of 1.1 to 1.2 (Heywood 1988, sec. 15.3, from
/// memory); λ = 1 gives 3 to 4 % less, λ = 0.8 about 1 % less (common practice, no source). The
/// uncertainties cover that spread. Holds for spark ignition, λ from 0.7 to 1.2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MixtureCurve {
    /// Lambda of the most work.
    pub best: Reading,
    /// How fast it falls off.
    pub bend: Reading,
}

impl Default for MixtureCurve {
    fn default() -> Self {
        Self {
            best: Reading::new(0.88, 0.0, 0.015),
            bend: Reading::new(2.0, 0.0, 0.4),
        }
    }
}

impl MixtureCurve {
    /// Where it holds.
    pub const LAMBDA: (f64, f64) = (0.7, 1.2);

    /// Whether the curve says anything about this mixture.
    #[must_use]
    pub fn covers(&self, lambda: f64) -> bool {
        (Self::LAMBDA.0..=Self::LAMBDA.1).contains(&lambda)
    }

    /// Its value.
    #[must_use]
    pub fn value(&self, lambda: f64) -> f64 {
        work_per_air(lambda, self.best.value, self.bend.value)
    }
}

/// Work per mass of air relative to its best.
#[must_use]
pub fn work_per_air(lambda: f64, best: f64, bend: f64) -> f64 {
    (1.0 - bend * (lambda - best).powi(2)).max(0.05)
}
