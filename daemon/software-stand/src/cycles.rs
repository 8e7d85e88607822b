//! How the engine's working cycles differ from each other.

use std::f64::consts::TAU;

use super::noise::{Noise, Stream};

/// How unlike each other the working cycles of an engine are.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CycleVariation {
    /// Standard deviation of a cycle's work over its mean (COV), 0–0.5. Healthy engines vary by
    /// 0.01–0.04 at full load (J. Heywood, "Internal Combustion Engine Fundamentals", ch. 9.4, from
    /// memory).
    pub cov: f64,
    /// Correlation of a cycle's work with that of the next, between −1 and 1: residual gas.
    pub correlation: f64,
    /// Probability that a cycle does not burn after one that did.
    pub misfire_probability: f64,
    /// Cycles in a row that do not burn then, on average, ≥ 1.
    pub misfire_run: f64,
}

impl CycleVariation {
    /// No two cycles differ.
    pub const NONE: Self = Self {
        cov: 0.0,
        correlation: 0.0,
        misfire_probability: 0.0,
        misfire_run: 1.0,
    };

    /// A healthy engine at full load.
    pub const HEALTHY: Self = Self {
        cov: 0.015,
        ..Self::NONE
    };
}

/// The work of the cycle under way.
#[derive(Clone, Debug)]
pub(super) struct Cycles {
    noise: Noise,
    /// Number of the cycle under way.
    number: f64,
    scatter: f64,
    burns: bool,
    work: f64,
}

impl Cycles {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            noise: Noise::new(seed, Stream::Cycles),
            number: 0.0,
            scatter: 0.0,
            burns: true,
            work: 1.0,
        }
    }

    /// Takes the crank to an angle; a new cycle begins midway between two firings. True when it is
    /// one that does not burn, after the crank got there.
    pub(super) fn turn_to(
        &mut self,
        crank_rad: f64,
        turns_per_cycle: f64,
        varying: &CycleVariation,
    ) -> bool {
        let number = (crank_rad / (TAU * turns_per_cycle) + 0.5).floor();
        if number <= self.number {
            return false;
        }
        self.number = number;
        let fresh = self.noise.normal(1.0);
        let rho = varying.correlation;
        self.scatter = rho * self.scatter + (1.0 - rho * rho).sqrt() * fresh;
        let probability = if self.burns {
            varying.misfire_probability
        } else if varying.misfire_probability > 0.0 {
            1.0 - 1.0 / varying.misfire_run
        } else {
            0.0
        };
        self.burns = !self.noise.happens(probability);
        self.work = (1.0 + varying.cov * self.scatter).max(0.0);
        !self.burns
    }

    /// Work of this cycle over that of the mean one; `None` when it does not burn.
    pub(super) fn work(&self) -> Option<f64> {
        self.burns.then_some(self.work)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(varying: &CycleVariation, count: u32) -> Vec<Option<f64>> {
        let mut cycles = Cycles::new(5);
        (1..=count)
            .map(|cycle| {
                cycles.turn_to(2.0 * TAU * f64::from(cycle), 2.0, varying);
                cycles.work()
            })
            .collect()
    }

    /// Mean, COV and lag-1 correlation by their definitions.
    #[test]
    fn work_varies_as_stated() {
        let varying = CycleVariation {
            cov: 0.02,
            correlation: 0.4,
            ..CycleVariation::NONE
        };
        let work: Vec<f64> = drawn(&varying, 40_000).into_iter().flatten().collect();
        let n = work.len() as f64;
        let mean = work.iter().sum::<f64>() / n;
        let off: Vec<f64> = work.iter().map(|w| w / mean - 1.0).collect();
        let variance = off.iter().map(|o| o * o).sum::<f64>() / n;
        let lagged = off.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / n;
        assert!((mean - 1.0).abs() < 5e-4, "{mean}");
        assert!((variance.sqrt() - 0.02).abs() < 5e-4, "{variance}");
        assert!((lagged / variance - 0.4).abs() < 0.02, "{lagged}");
    }

    /// Runs have a geometric length of the stated mean, so 1 % of beginnings make 2.4 % of cycles.
    #[test]
    fn misfires_come_in_runs() {
        let varying = CycleVariation {
            misfire_probability: 0.01,
            misfire_run: 2.5,
            ..CycleVariation::HEALTHY
        };
        let work = drawn(&varying, 100_000);
        let misfired = work.iter().filter(|w| w.is_none()).count();
        let runs = work.windows(2).filter(|w| w[0].is_some() && w[1].is_none());
        let run = misfired as f64 / runs.count() as f64;
        assert!((run - 2.5).abs() < 0.2, "{run}");
        assert!((misfired as f64 / 1e5 - 0.0244).abs() < 0.002, "{misfired}");
    }

    #[test]
    fn cycles_that_are_alike_all_burn() {
        let work = drawn(&CycleVariation::NONE, 1_000);
        assert!(work.iter().all(|w| *w == Some(1.0)));
    }
}
