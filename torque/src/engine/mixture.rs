//! What the mixture does to the work that a mass of air gives.

use super::Reading;

/// Work per mass of air over lambda, relative to its best: `1 − loss · ((λ − λ_best)/(1 − λ_best))²`.
///
/// The best is on the rich side, where all the oxygen finds fuel and evaporation still cools the
/// charge; lean of it the work falls because fuel lacks, rich of it because it burns incompletely.
/// Torque at best lies at a fuel/air equivalence ratio of 1.1 to 1.2 (Heywood 1988, sec. 15.3, from
/// memory); λ = 1 gives 3 to 4 % less, λ = 0.8 about 1 to 2 % less (common practice, no source). The
/// loss at λ = 1 is what is known best, so it is what the curve is written with. The uncertainties
/// cover the spread from engine to engine.
///
/// Holds for spark ignition, λ from 0.7 to 1.05. Leaner, all fuel burns and the work falls with its
/// mass, almost straight; the parabola falls too fast: beside an ideal fuel-air cycle 0.3 % at λ = 1.05,
/// but 1.7 % at 1.1 and 9 % at 1.2.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MixtureCurve {
    /// Lambda of the most work.
    pub best: Reading,
    /// Share of the work that is lost at λ = 1.
    pub loss: Reading,
}

impl Default for MixtureCurve {
    fn default() -> Self {
        Self {
            best: Reading::new(0.88, 0.0, 0.012),
            loss: Reading::new(0.033, 0.0, 0.005),
        }
    }
}

impl MixtureCurve {
    /// Where it holds.
    pub const LAMBDA: (f64, f64) = (0.7, 1.05);

    /// Whether the curve says anything about this mixture.
    #[must_use]
    pub fn covers(&self, lambda: f64) -> bool {
        (Self::LAMBDA.0..=Self::LAMBDA.1).contains(&lambda)
    }

    /// Its value.
    #[must_use]
    pub fn value(&self, lambda: f64) -> f64 {
        work_per_air(lambda, self.best.value, self.loss.value)
    }
}

/// Work per mass of air relative to its best, see [`MixtureCurve`].
#[must_use]
pub fn work_per_air(lambda: f64, best: f64, loss: f64) -> f64 {
    (1.0 - loss * ((lambda - best) / (1.0 - best)).powi(2)).max(0.05)
}
