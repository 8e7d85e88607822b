//! Industrial platinum resistance thermometer (IEC 60751).

use super::{END_SLACK_K, LawError, in_range, polynomial, polynomial_slope};
use crate::ZERO_CELSIUS_K;

pub(super) const NAME: &str = "platinum resistance";

/// Range of IEC 60751 in °C.
const CELSIUS: (f64, f64) = (-200.0, 850.0);

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// R/R₀ = 1 + A t + B t² + C (t − 100) t³ below 0 °C, by powers of t.
const NEGATIVE: [f64; 5] = [1.0, A, B, -100.0 * C, C];
/// R/R₀ = 1 + A t + B t² from 0 °C.
const POSITIVE: [f64; 3] = [1.0, A, B];

fn ratio(celsius: f64) -> f64 {
    if celsius < 0.0 {
        polynomial(&NEGATIVE, celsius)
    } else {
        polynomial(&POSITIVE, celsius)
    }
}

/// Temperature from the resistance relative to that at 0 °C.
///
/// # Errors
/// A ratio outside that of −200 °C to 850 °C.
pub fn platinum_temperature_k(resistance_ratio: f64) -> Result<f64, LawError> {
    let (min, max) = CELSIUS;
    let range = (ratio(min - END_SLACK_K), ratio(max + END_SLACK_K));
    let found = in_range(NAME, "resistance ratio R/R0", "", range, resistance_ratio)?;
    // Exact above 0 °C; below, a start within 2.5 K of the quartic's root.
    let mut celsius = (-A + (A * A - 4.0 * B * (1.0 - found)).sqrt()) / (2.0 * B);
    if celsius < 0.0 {
        for _ in 0..4 {
            celsius -=
                (polynomial(&NEGATIVE, celsius) - found) / polynomial_slope(&NEGATIVE, celsius);
        }
    }
    Ok(celsius + ZERO_CELSIUS_K)
}
