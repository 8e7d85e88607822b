//! Sensor laws: raw counts to SI, each with the range in which it holds.
//!
//! ```
//! use leverarm_torque::sensor::type_k_emf_v;
//!
//! // Type K at 100 °C, IEC 60584-1: 4.096 mV.
//! assert!((type_k_emf_v(373.15)? - 4.096e-3).abs() < 1e-6);
//! # Ok::<(), leverarm_torque::sensor::LawError>(())
//! ```

mod platinum;
mod thermistor;
mod thermocouple;

pub use platinum::platinum_temperature_k;
pub use thermistor::{Divider, NtcCurve, NtcSide, SteinhartHart};
pub use thermocouple::{type_k_emf_v, type_k_temperature_k};

use crate::engine::King;

/// One count of a pulse meter's source: its counts are the time between two pulses in units of this, s.
pub const PULSE_PERIOD_S_PER_COUNT: f64 = 1e-7;

/// How raw counts become a value in SI.
///
/// Counts are a real number, so that an average can be converted too.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Law {
    /// `value = at_zero + per_count · counts`, in the SI unit of the quantity.
    Linear {
        /// Value per count.
        per_count: f64,
        /// Value at zero counts.
        at_zero: f64,
    },
    /// Type K thermocouple (ITS-90) with its reference junction measured apart.
    ThermocoupleK {
        /// Input voltage per count.
        volt_per_count: f64,
        /// Input voltage at zero counts (offset of the amplifier).
        volt_at_zero: f64,
    },
    /// Platinum resistance thermometer, IEC 60751 (Pt100, Pt1000, …).
    Platinum {
        /// Resistance at 0 °C.
        r0_ohm: f64,
        /// Resistance per count.
        ohm_per_count: f64,
        /// Resistance at zero counts.
        ohm_at_zero: f64,
    },
    /// A meter that gives a pulse for so much mass or volume: counts are the time from one pulse to the
    /// next, see [`PULSE_PERIOD_S_PER_COUNT`].
    Pulses {
        /// Mass in kg or volume in m³ of one pulse.
        per_pulse: f64,
    },
    /// A thermal flow meter that follows King's law.
    Thermal {
        /// Input voltage per count.
        volt_per_count: f64,
        /// Input voltage at zero counts.
        volt_at_zero: f64,
        /// The meter.
        meter: King,
    },
    /// Thermistor with a negative temperature coefficient in a voltage divider.
    Ntc {
        /// The circuit around it.
        divider: Divider,
        /// Its curve.
        curve: NtcCurve,
    },
}

/// A reading the law cannot convert: usually a broken or shorted sensor.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LawError {
    /// Outside the range in which the law holds.
    #[error("{law}: expected {quantity} from {min} to {max} {unit}, found {found} {unit}")]
    OutOfRange {
        /// Law.
        law: &'static str,
        /// What is out of range.
        quantity: &'static str,
        /// Its unit.
        unit: &'static str,
        /// Smallest the law takes.
        min: f64,
        /// Largest the law takes.
        max: f64,
        /// What was found.
        found: f64,
    },
    /// A thermocouple without the temperature of its reference junction.
    #[error("thermocouple type K: expected a cold-junction temperature, found none")]
    ColdJunctionMissing,
    /// Counts or parameters that give no finite value.
    #[error("{law}: expected a finite value, found {found} from {counts} counts")]
    NotFinite {
        /// Law.
        law: &'static str,
        /// The counts.
        counts: f64,
        /// What came out.
        found: f64,
    },
}

impl Law {
    /// Name of the law, as in errors.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Linear { .. } => "linear",
            Self::ThermocoupleK { .. } => thermocouple::NAME,
            Self::Platinum { .. } => platinum::NAME,
            Self::Pulses { .. } => "pulses",
            Self::Thermal { .. } => "thermal meter",
            Self::Ntc { .. } => thermistor::NAME,
        }
    }

    /// True when [`Self::si`] needs a cold-junction temperature.
    #[must_use]
    pub const fn needs_cold_junction(&self) -> bool {
        matches!(self, Self::ThermocoupleK { .. })
    }

    /// Counts to SI; temperatures in kelvin. `cold_junction_k` is used by thermocouples
    /// only.
    ///
    /// # Errors
    /// A reading outside the law's range, or no cold junction where one is needed.
    pub fn si(&self, counts: f64, cold_junction_k: Option<f64>) -> Result<f64, LawError> {
        let value = match *self {
            Self::Linear { per_count, at_zero } => per_count.mul_add(counts, at_zero),
            Self::ThermocoupleK {
                volt_per_count,
                volt_at_zero,
            } => {
                let cold_k = cold_junction_k.ok_or(LawError::ColdJunctionMissing)?;
                let measured_v = volt_per_count.mul_add(counts, volt_at_zero);
                // The couple measures a difference: E(hot) = E(cold) + what is read.
                type_k_temperature_k(type_k_emf_v(cold_k)? + measured_v)?
            }
            Self::Platinum {
                r0_ohm,
                ohm_per_count,
                ohm_at_zero,
            } => platinum_temperature_k(ohm_per_count.mul_add(counts, ohm_at_zero) / r0_ohm)?,
            Self::Pulses { per_pulse } => per_pulse / (counts * PULSE_PERIOD_S_PER_COUNT),
            Self::Thermal {
                volt_per_count,
                volt_at_zero,
                meter,
            } => meter.flow_kg_per_s(volt_per_count.mul_add(counts, volt_at_zero)),
            Self::Ntc { divider, curve } => curve.temperature_k(divider.resistance_ohm(counts)?)?,
        };
        if value.is_finite() {
            Ok(value)
        } else {
            Err(LawError::NotFinite {
                law: self.name(),
                counts,
                found: value,
            })
        }
    }
}

/// Slack at the ends of a law when going back from the sensed quantity, so that the
/// end points themselves survive rounding.
const END_SLACK_K: f64 = 1e-6;

/// Refuses a value outside `min..=max`, NaN included.
fn in_range(
    law: &'static str,
    quantity: &'static str,
    unit: &'static str,
    (min, max): (f64, f64),
    found: f64,
) -> Result<f64, LawError> {
    if (min..=max).contains(&found) {
        Ok(found)
    } else {
        Err(LawError::OutOfRange {
            law,
            quantity,
            unit,
            min,
            max,
            found,
        })
    }
}

/// Σ cᵢ xⁱ, lowest power first.
fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients
        .iter()
        .rev()
        .fold(0.0, |sum, c| sum.mul_add(x, *c))
}

/// Derivative of [`polynomial`].
fn polynomial_slope(coefficients: &[f64], x: f64) -> f64 {
    let mut power = 1.0;
    let mut sum = 0.0;
    for (i, c) in (1_u32..).zip(coefficients.iter().skip(1)) {
        sum += f64::from(i) * c * power;
        power *= x;
    }
    sum
}
