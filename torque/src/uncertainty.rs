//! Measured values and how their uncertainty carries through a formula (JCGM 100).

/// A quantity with its standard uncertainty, both in the same unit.
///
/// The unit is named where the value is used.
#[derive(Debug, Clone, Copy, PartialEq)]
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
