//! Two-sample tests on means: Welch's, two one-sided tests, and their power.
//!
//! ```
//! use leverarm_torque::comparison::two_sample::{Difference, Readings};
//!
//! // Mean torque of three pulls each, N·m.
//! let one = Readings::of(&[11.02, 10.98, 11.00]).expect("three readings");
//! let other = Readings::of(&[11.31, 11.29, 11.33]).expect("three readings");
//! let difference = Difference::welch(&one, &other);
//! assert!(difference.p_value() < 0.001);
//! ```

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::gamma::ln_gamma;

/// Number, mean and standard deviation of a set of readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Readings {
    /// How many.
    pub count: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation, with `count − 1`.
    pub sd: f64,
}

impl Readings {
    /// The sample of these values; none with fewer than two.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let count = values.len();
        if count < 2 {
            return None;
        }
        let mean = values.iter().sum::<f64>() / count as f64;
        let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
        Some(Self {
            count,
            mean,
            sd: (squares / (count as f64 - 1.0)).sqrt(),
        })
    }

    fn variance_of_mean(&self) -> f64 {
        self.sd * self.sd / self.count as f64
    }
}

/// A difference with what Student's t needs to judge it. Unit: that of the readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Difference {
    /// Estimate.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom of the standard error; may be broken.
    pub degrees_of_freedom: f64,
}

impl Difference {
    /// `b − a` with each scatter its own, the degrees of freedom by Welch and Satterthwaite
    /// (NIST/SEMATECH e-Handbook 1.3.5.3).
    #[must_use]
    pub fn welch(a: &Readings, b: &Readings) -> Self {
        let (va, vb) = (a.variance_of_mean(), b.variance_of_mean());
        let parts = va * va / (a.count as f64 - 1.0) + vb * vb / (b.count as f64 - 1.0);
        Self {
            value: b.mean - a.mean,
            standard_error: (va + vb).sqrt(),
            degrees_of_freedom: (va + vb).powi(2) / parts,
        }
    }

    /// The difference over its standard error.
    #[must_use]
    pub fn t(&self) -> f64 {
        self.value / self.standard_error
    }

    /// Two-sided p-value of no difference.
    #[must_use]
    pub fn p_value(&self) -> f64 {
        2.0 * upper_tail(self.t().abs(), self.degrees_of_freedom)
    }

    /// p-value of two one-sided tests of equivalence: small when the difference surely lies between
    /// `−margin` and `margin` (Schuirmann 1987).
    #[must_use]
    pub fn equivalence_p_value(&self, margin: f64) -> f64 {
        let above_low = upper_tail(
            (self.value + margin) / self.standard_error,
            self.degrees_of_freedom,
        );
        let below_high = upper_tail(
            (margin - self.value) / self.standard_error,
            self.degrees_of_freedom,
        );
        above_low.max(below_high)
    }
}

/// P(T > t) of Student's t.
#[must_use]
pub fn upper_tail(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom <= 1000.0
        && let Ok(student) = StudentsT::new(0.0, 1.0, degrees_of_freedom)
    {
        return student.sf(t);
    }
    Normal::standard().sf(normal_deviate(t, degrees_of_freedom))
}

/// The normal deviate that is exceeded as often as `t`, for many degrees of freedom (G. W. Hill, CACM
/// algorithm 395, 1970).
fn normal_deviate(t: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_infinite() {
        return t;
    }
    let a = degrees_of_freedom - 0.5;
    let b = 48.0 * a * a;
    let y = a * (t * t / degrees_of_freedom).ln_1p();
    let series = (((-0.4 * y - 3.3) * y - 24.0) * y - 85.5) / (0.8 * y * y + 100.0 + b);
    (((series + y + 3.0) / b + 1.0) * y.sqrt()).copysign(t)
}

/// The factor k with P(|T| > k) = `alpha`.
#[must_use]
pub fn two_sided_factor(alpha: f64, degrees_of_freedom: f64) -> f64 {
    crate::uncertainty::coverage_factor(1.0 - alpha, degrees_of_freedom).unwrap_or(f64::INFINITY)
}

/// P(|T| > `critical`) when the true difference is `effect` standard errors: the power of a t test.
///
/// T is noncentral t, so with s² = χ²/ν of ν `degrees_of_freedom`,
/// P = ∫ [Φ(effect − critical·s) + Φ(−effect − critical·s)] f(s) ds, by Simpson's rule.
#[must_use]
pub fn power(effect: f64, critical: f64, degrees_of_freedom: f64) -> f64 {
    const INTERVALS: u32 = 400;
    let nu = degrees_of_freedom.max(1.0);
    let constant = std::f64::consts::LN_2 + 0.5 * nu * (0.5 * nu).ln() - ln_gamma(0.5 * nu);
    let density = |s: f64| {
        if s <= 0.0 {
            return if nu > 1.0 { 0.0 } else { constant.exp() };
        }
        (constant + (nu - 1.0) * s.ln() - 0.5 * nu * s * s).exp()
    };
    let normal = Normal::standard();
    let rejects = |s: f64| normal.cdf(effect - critical * s) + normal.cdf(-effect - critical * s);
    // s has mean near 1 and a standard deviation of about 1/√(2ν).
    let reach = 12.0 / (2.0 * nu).sqrt();
    let (low, high) = ((1.0 - reach).max(0.0), 1.0 + reach);
    let step = (high - low) / f64::from(INTERVALS);
    let sum: f64 = (0..=INTERVALS)
        .map(|i| {
            let s = low + step * f64::from(i);
            let weight = match i {
                0 | INTERVALS => 1.0,
                i if i % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * rejects(s) * density(s)
        })
        .sum();
    (sum * step / 3.0).clamp(0.0, 1.0)
}

/// The true difference, in standard errors, that exceeds `critical` with the given probability.
#[must_use]
pub fn detectable_effect(probability: f64, critical: f64, degrees_of_freedom: f64) -> f64 {
    let (mut low, mut high) = (0.0, 2.0 * critical + 10.0);
    while power(high, critical, degrees_of_freedom) < probability && high < 1e6 {
        high *= 2.0;
    }
    while high - low > 1e-9 * high {
        let middle = 0.5 * (low + high);
        if power(middle, critical, degrees_of_freedom) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
