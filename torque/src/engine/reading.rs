//! A value with its standard uncertainty in two parts.

use serde::{Deserialize, Serialize};

use crate::uncertainty::{Measured, contributions};

/// A value whose standard uncertainty is known in two parts: what differs from sample to sample, and
/// what is the same in every pull on this stand and cancels in a ratio.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty of what varies.
    pub random: f64,
    /// Standard uncertainty of what is common.
    pub common: f64,
}

impl Reading {
    /// With both parts.
    #[must_use]
    pub const fn new(value: f64, random: f64, common: f64) -> Self {
        Self {
            value,
            random,
            common,
        }
    }

    /// A value taken as exact.
    #[must_use]
    pub const fn exact(value: f64) -> Self {
        Self::new(value, 0.0, 0.0)
    }

    /// Something that is the same in all pulls.
    #[must_use]
    pub const fn common(measured: Measured) -> Self {
        Self::new(measured.value, 0.0, measured.standard_uncertainty)
    }

    /// Both parts together.
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        self.random.hypot(self.common)
    }

    /// Half width of the 95 % interval, with a coverage factor of 2 (JCGM 100:2008, G.6.6).
    #[must_use]
    pub fn expanded(&self) -> f64 {
        2.0 * self.standard_uncertainty()
    }

    /// Carries independent readings through `f`, each part by itself.
    pub fn through<const N: usize>(inputs: [Self; N], f: impl Fn([f64; N]) -> f64) -> Self {
        let values = inputs.map(|input| input.value);
        let part = |u: fn(&Self) -> f64| {
            let measured = inputs.map(|input| Measured::new(input.value, u(&input)));
            contributions(measured, &f)
                .iter()
                .map(|c| c * c)
                .sum::<f64>()
                .sqrt()
        };
        Self::new(f(values), part(|r| r.random), part(|r| r.common))
    }
}
