//! Measured values, how their uncertainty carries through a formula, and the budget it
//! adds up to (JCGM 100:2008, the GUM).
//!
//! ```
//! use leverarm_torque::uncertainty::coverage_factor;
//!
//! // JCGM 100:2008, table G.2: 10 degrees of freedom, 95 %.
//! assert!((coverage_factor(0.95, 10.0)? - 2.23).abs() < 0.005);
//! # Ok::<(), leverarm_torque::uncertainty::CoverageError>(())
//! ```

mod budget;

pub use budget::{
    Budget, BudgetError, BudgetLine, Combined, CombinedUncertainty, Correlation, Evaluation,
};

use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// A quantity with its standard uncertainty, both in the same unit.
///
/// The unit is named where the value is used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty (one standard deviation); 0 for an exact value.
    pub standard_uncertainty: f64,
}

impl Measured {
    /// A value with its standard uncertainty.
    #[must_use]
    pub const fn new(value: f64, standard_uncertainty: f64) -> Self {
        Self {
            value,
            standard_uncertainty,
        }
    }

    /// A value taken as exact.
    #[must_use]
    pub const fn exact(value: f64) -> Self {
        Self::new(value, 0.0)
    }

    /// A value known only to lie within ± `half_width`, anywhere with equal
    /// probability: u = a/√3 (JCGM 100:2008, 4.3.7).
    #[must_use]
    pub fn within(value: f64, half_width: f64) -> Self {
        Self::new(value, half_width / 3.0_f64.sqrt())
    }

    /// Standard uncertainty relative to the value; infinite for a value of zero
    /// with an uncertainty.
    #[must_use]
    pub fn relative_standard_uncertainty(&self) -> f64 {
        if self.standard_uncertainty == 0.0 {
            0.0
        } else {
            (self.standard_uncertainty / self.value).abs()
        }
    }

    /// True when the value is finite and the uncertainty finite and not negative.
    #[must_use]
    pub fn is_valid(&self) -> bool {
        self.value.is_finite()
            && self.standard_uncertainty.is_finite()
            && self.standard_uncertainty >= 0.0
    }
}

/// A measured value with how its uncertainty was found: what a budget asks of an input.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Assessed {
    /// Value and standard uncertainty.
    #[serde(flatten)]
    pub measured: Measured,
    /// Type A or B.
    #[serde(rename = "type")]
    pub evaluation: Evaluation,
    /// Degrees of freedom, 1 or more; infinite (in JSON null) when the uncertainty is taken as
    /// known.
    #[serde(with = "null_is_infinite")]
    pub degrees_of_freedom: f64,
}

/// JSON has no infinity: it is written as null.
pub(crate) mod null_is_infinite {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(crate) fn serialize<S: Serializer>(value: &f64, to: S) -> Result<S::Ok, S::Error> {
        value.is_finite().then_some(*value).serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
        Ok(Option::deserialize(from)?.unwrap_or(f64::INFINITY))
    }
}

impl Assessed {
    /// From the scatter of readings. Fewer than one degree of freedom count as one.
    #[must_use]
    pub const fn type_a(measured: Measured, degrees_of_freedom: f64) -> Self {
        Self {
            measured,
            evaluation: Evaluation::TypeA,
            degrees_of_freedom: degrees_of_freedom.max(1.0),
        }
    }

    /// By other means, its uncertainty taken as known.
    #[must_use]
    pub const fn type_b(measured: Measured) -> Self {
        Self {
            measured,
            evaluation: Evaluation::TypeB,
            degrees_of_freedom: f64::INFINITY,
        }
    }

    /// Best estimate.
    #[must_use]
    pub const fn value(&self) -> f64 {
        self.measured.value
    }

    /// Standard uncertainty.
    #[must_use]
    pub const fn standard_uncertainty(&self) -> f64 {
        self.measured.standard_uncertainty
    }
}

impl From<Measured> for Assessed {
    fn from(measured: Measured) -> Self {
        Self::type_b(measured)
    }
}

/// Contribution of each input to the output of `f`, signed, in the output's unit:
/// `½ [f(…xᵢ+uᵢ…) − f(…xᵢ−uᵢ…)]`, the numerical form of cᵢ uᵢ (JCGM 100:2008, 5.1.3
/// NOTE 2).
///
/// The signs let contributions that share a cause be added before squaring.
pub fn contributions<const N: usize>(
    inputs: [Measured; N],
    f: impl Fn([f64; N]) -> f64,
) -> [f64; N] {
    let centre = inputs.map(|input| input.value);
    std::array::from_fn(|i| {
        let at = |side: f64| {
            let mut point = centre;
            if let (Some(x), Some(input)) = (point.get_mut(i), inputs.get(i)) {
                *x += side * input.standard_uncertainty;
            }
            f(point)
        };
        0.5 * (at(1.0) - at(-1.0))
    })
}

/// Carries independent inputs through `f` (JCGM 100:2008, 5.1.2).
pub fn propagate<const N: usize>(inputs: [Measured; N], f: impl Fn([f64; N]) -> f64) -> Measured {
    let value = f(inputs.map(|input| input.value));
    let variance: f64 = contributions(inputs, f).iter().map(|c| c * c).sum();
    Measured::new(value, variance.sqrt())
}

/// A coverage factor that does not exist.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CoverageError {
    /// Not a probability to cover.
    #[error("coverage probability: expected more than 0 and less than 1, found {0}")]
    Probability(f64),
    /// No degrees of freedom.
    #[error("degrees of freedom: expected 1 or more, found {0}")]
    DegreesOfFreedom(f64),
}

/// Student's t factor k for which `± k u` covers `probability` (two-sided), with
/// `degrees_of_freedom` ≥ 1, which may be broken or infinite (JCGM 100:2008, G.3).
///
/// # Errors
/// A probability outside 0 to 1 or fewer than one degree of freedom.
pub fn coverage_factor(probability: f64, degrees_of_freedom: f64) -> Result<f64, CoverageError> {
    let covers = probability > 0.0 && probability < 1.0;
    if !covers {
        return Err(CoverageError::Probability(probability));
    }
    let enough = degrees_of_freedom >= 1.0;
    if !enough {
        return Err(CoverageError::DegreesOfFreedom(degrees_of_freedom));
    }
    let quantile = 0.5 + 0.5 * probability;
    // Beyond this the library's quantile loses digits, and then never ends; the expansion
    // in 1/ν is exact to 1e-11 here.
    if degrees_of_freedom <= 1000.0
        && let Ok(student) = StudentsT::new(0.0, 1.0, degrees_of_freedom)
    {
        return Ok(student.inverse_cdf(quantile));
    }
    Ok(student_t_by_expansion(
        Normal::standard().inverse_cdf(quantile),
        degrees_of_freedom,
    ))
}

/// Abramowitz & Stegun 26.7.5: t from the normal deviate z for many degrees of freedom.
fn student_t_by_expansion(z: f64, degrees_of_freedom: f64) -> f64 {
    let n = 1.0 / degrees_of_freedom;
    let z2 = z * z;
    let g1 = z * (z2 + 1.0) / 4.0;
    let g2 = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
    let g3 = z * (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / 384.0;
    z + n * (g1 + n * (g2 + n * g3))
}
