//! Thermistors with a negative temperature coefficient (NTC).

use super::{LawError, in_range};

pub(super) const NAME: &str = "NTC thermistor";

/// Range taken as believable, −55 °C to 300 °C (common practice, no source).
const KELVIN: (f64, f64) = (218.15, 573.15);

/// Where the thermistor sits in its voltage divider.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NtcSide {
    /// Between the measured point and ground: the voltage falls as it warms.
    Ground,
    /// Between the supply and the measured point: the voltage rises as it warms.
    Supply,
}

/// A thermistor and a fixed resistor across the converter's own reference voltage, so
/// that the supply cancels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Divider {
    /// The fixed resistor.
    pub fixed_ohm: f64,
    /// Counts at the full supply voltage.
    pub full_scale_counts: f64,
    /// Where the thermistor is.
    pub ntc: NtcSide,
}

impl Divider {
    /// Resistance of the thermistor.
    ///
    /// # Errors
    /// Counts at or beyond either end: an open or shorted thermistor.
    pub fn resistance_ohm(&self, counts: f64) -> Result<f64, LawError> {
        let fraction = counts / self.full_scale_counts;
        let inside = fraction > 0.0 && fraction < 1.0;
        if !inside {
            return Err(LawError::OutOfRange {
                law: NAME,
                quantity: "counts strictly",
                unit: "counts",
                min: 0.0,
                max: self.full_scale_counts,
                found: counts,
            });
        }
        Ok(match self.ntc {
            NtcSide::Ground => self.fixed_ohm * fraction / (1.0 - fraction),
            NtcSide::Supply => self.fixed_ohm * (1.0 - fraction) / fraction,
        })
    }
}

/// Steinhart & Hart 1968: 1/T = A + B ln R + C (ln R)³, T in K, R in Ω.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SteinhartHart {
    /// A, 1/K.
    pub a: f64,
    /// B, 1/K.
    pub b: f64,
    /// C, 1/K.
    pub c: f64,
}

/// Resistance against temperature of a thermistor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NtcCurve {
    /// R = R₂₅ exp(B (1/T − 1/298.15 K)).
    Beta {
        /// Resistance at 25 °C.
        r25_ohm: f64,
        /// B constant.
        beta_k: f64,
    },
    /// Three-term curve.
    SteinhartHart(SteinhartHart),
}

impl NtcCurve {
    /// Temperature at a resistance.
    ///
    /// # Errors
    /// A temperature outside −55 °C to 300 °C.
    pub fn temperature_k(&self, resistance_ohm: f64) -> Result<f64, LawError> {
        let inverse = match *self {
            Self::Beta { r25_ohm, beta_k } => {
                1.0 / 298.15 + (resistance_ohm / r25_ohm).ln() / beta_k
            }
            Self::SteinhartHart(SteinhartHart { a, b, c }) => {
                let l = resistance_ohm.ln();
                a + l * (b + l * l * c)
            }
        };
        in_range(NAME, "temperature", "K", KELVIN, 1.0 / inverse)
    }
}
