//! Power correction to a standard's reference air.
//!
//! The standards write absolute temperature as t + 273 (or t°F + 460), not + 273.15;
//! the formulas here do the same, so that a printed worked value comes out digit for
//! digit.

use std::{fmt, str::FromStr};

use super::Air;

/// How the charge gets into a compression-ignition engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Induction {
    /// Naturally aspirated or mechanically supercharged.
    NaturallyAspirated,
    /// Turbocharged, with or without charge cooling.
    Turbocharged,
}

/// Corrected specific fuel delivery q_c = q/r in mg per litre of swept volume and
/// cycle, r being the boost pressure ratio (1 without boost).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CorrectedFuel(f64);

/// A fuel delivery that cannot be one.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("corrected fuel delivery: expected more than 0 and at most 200 mg/(l·cycle), found {0}")]
pub struct FuelError(pub f64);

impl CorrectedFuel {
    /// # Errors
    /// Not a positive number of at most 200 mg/(l·cycle).
    pub fn mg_per_l_cycle(value: f64) -> Result<Self, FuelError> {
        if value > 0.0 && value <= 200.0 {
            Ok(Self(value))
        } else {
            Err(FuelError(value))
        }
    }

    /// The value, mg/(l·cycle).
    #[must_use]
    pub const fn value_mg_per_l_cycle(self) -> f64 {
        self.0
    }
}

/// Engine factor f_m of UN Regulation No. 85, Annex 5, 5.4.2.2:
/// 0.036 q_c − 1.14 between 40 and 65 mg/(l·cycle), 0.3 below, 1.2 above.
#[must_use]
pub fn engine_factor_fm(fuel: CorrectedFuel) -> f64 {
    0.036 * fuel.0.clamp(40.0, 65.0) - 1.14
}

/// A standard by which measured power is carried over to reference air.
///
/// Torque takes the same factor as power.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Correction {
    /// As measured.
    #[default]
    None,
    /// ISO 1585 and UN R85, spark ignition: α_a = (99/p_d)^1.2 · (T/298)^0.6, p_d the dry
    /// pressure in kPa. Reference air 25 °C, 99 kPa dry.
    Iso1585SparkIgnition,
    /// ISO 1585 and UN R85, compression ignition: α_c = f_a^f_m, with
    /// f_a = (99/p_d)·(T/298)^0.7 without a turbocharger and
    /// f_a = (99/p_d)^0.7·(T/298)^1.5 with one.
    Iso1585CompressionIgnition {
        /// How the engine is charged.
        induction: Induction,
        /// Fuel delivery, which sets f_m.
        fuel: CorrectedFuel,
    },
    /// SAE J1349 in its June 1990 form, spark ignition without boost:
    /// 1.180·(99/p_d)·√(T/298) − 0.18. The constants hold a mechanical efficiency of 85 %;
    /// later revisions differ.
    SaeJ1349Jun90,
    /// DIN 70020 (withdrawn): (101.3/p)·√(T/293) with the total pressure p, so humidity has
    /// no part in it. Reference air 20 °C, 1013 mbar.
    Din70020,
    /// SAE J607 (withdrawn): (29.92/p_d)·√((t°F + 460)/520), p_d in inHg. Reference air
    /// 60 °F, 29.92 inHg dry.
    SaeJ607,
}

/// A condition of the standard that the air or the factor does not meet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breach {
    /// What is outside.
    pub quantity: &'static str,
    /// Its unit, empty for a plain number.
    pub unit: &'static str,
    /// Smallest allowed.
    pub min: f64,
    /// Largest allowed.
    pub max: f64,
    /// What it is.
    pub found: f64,
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            quantity,
            unit,
            min,
            max,
            found,
        } = self;
        let space = if unit.is_empty() { "" } else { " " };
        write!(
            f,
            "{quantity} {found:.2}{space}{unit} is outside {min} to {max}{space}{unit}"
        )
    }
}

/// Whether the standard lets its formula be used for this air.
#[derive(Debug, Clone, PartialEq)]
pub enum Validity {
    /// Every condition is met.
    Within,
    /// These conditions are not; a comparison of pulls at different air is then doubtful.
    Outside(Vec<Breach>),
    /// The formula came down without a range.
    NoRangeKnown,
}

/// Factor by which measured torque and power are multiplied.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrectionFactor {
    /// The factor; 1 at the standard's reference air.
    pub factor: f64,
    /// Whether the standard covers this air.
    pub validity: Validity,
}

impl CorrectionFactor {
    /// False only when a condition of the standard is broken.
    #[must_use]
    pub const fn within_valid_range(&self) -> bool {
        !matches!(self.validity, Validity::Outside(_))
    }

    /// The broken conditions; empty when there are none.
    #[must_use]
    pub fn why_not(&self) -> &[Breach] {
        match &self.validity {
            Validity::Outside(breaches) => breaches,
            Validity::Within | Validity::NoRangeKnown => &[],
        }
    }
}

/// Range of use of a standard.
struct Range {
    temperature_c: (f64, f64),
    dry_pressure_kpa: (f64, f64),
    factor: Option<(f64, f64)>,
}

/// Temperature range: Regulation (EU) 134/2014, Annex X, Appendix 2.2 (283.2 K to 318.2 K).
/// Pressure and factor: UN R85, Annex 5, 5.3 and 5.4.1 (from memory).
const ISO1585_SPARK: Range = Range {
    temperature_c: (10.0, 45.0),
    dry_pressure_kpa: (80.0, 110.0),
    factor: Some((0.93, 1.07)),
};

/// UN R85, Annex 5, 5.3 and 5.4.2 (from memory).
const ISO1585_COMPRESSION: Range = Range {
    temperature_c: (10.0, 40.0),
    dry_pressure_kpa: (80.0, 110.0),
    factor: Some((0.9, 1.1)),
};

/// SAE J1349, spark ignition (from memory, low confidence).
const J1349: Range = Range {
    temperature_c: (15.0, 35.0),
    dry_pressure_kpa: (90.0, 105.0),
    factor: None,
};

impl Correction {
    /// The factor for this air, and whether the standard covers it.
    #[must_use]
    pub fn factor(&self, air: &Air) -> CorrectionFactor {
        let dry_kpa = air.dry_pressure_pa() / 1000.0;
        let celsius = air.temperature_k() - crate::ZERO_CELSIUS_K;
        let absolute = celsius + 273.0;
        let (factor, range) = match *self {
            Self::None => {
                return CorrectionFactor {
                    factor: 1.0,
                    validity: Validity::Within,
                };
            }
            Self::Iso1585SparkIgnition => (
                (99.0 / dry_kpa).powf(1.2) * (absolute / 298.0).powf(0.6),
                Some(&ISO1585_SPARK),
            ),
            Self::Iso1585CompressionIgnition { induction, fuel } => {
                let (pressure_power, temperature_power) = match induction {
                    Induction::NaturallyAspirated => (1.0, 0.7),
                    Induction::Turbocharged => (0.7, 1.5),
                };
                let fa = (99.0 / dry_kpa).powf(pressure_power)
                    * (absolute / 298.0).powf(temperature_power);
                (fa.powf(engine_factor_fm(fuel)), Some(&ISO1585_COMPRESSION))
            }
            Self::SaeJ1349Jun90 => (
                1.180 * (99.0 / dry_kpa) * (absolute / 298.0).sqrt() - 0.18,
                Some(&J1349),
            ),
            Self::Din70020 => (
                101.3 / (air.pressure_pa() / 1000.0) * (absolute / 293.0).sqrt(),
                None,
            ),
            Self::SaeJ607 => {
                let dry_inhg = air.dry_pressure_pa() / 3386.389;
                let fahrenheit = celsius * 1.8 + 32.0;
                (
                    (29.92 / dry_inhg) * ((fahrenheit + 460.0) / 520.0).sqrt(),
                    None,
                )
            }
        };
        let Some(range) = range else {
            return CorrectionFactor {
                factor,
                validity: Validity::NoRangeKnown,
            };
        };
        let checks = [
            ("temperature", "°C", Some(range.temperature_c), celsius),
            ("dry pressure", "kPa", Some(range.dry_pressure_kpa), dry_kpa),
            ("correction factor", "", range.factor, factor),
        ];
        let breaches: Vec<Breach> = checks
            .into_iter()
            .filter_map(|(quantity, unit, limits, found)| {
                let (min, max) = limits?;
                (!(min..=max).contains(&found)).then_some(Breach {
                    quantity,
                    unit,
                    min,
                    max,
                    found,
                })
            })
            .collect();
        let validity = if breaches.is_empty() {
            Validity::Within
        } else {
            Validity::Outside(breaches)
        };
        CorrectionFactor { factor, validity }
    }

    /// The keys that [`FromStr`] reads, for people.
    pub const KEYS: &str = "none, iso1585, iso1585-ci-na:FUEL, iso1585-ci-turbo:FUEL (FUEL in mg \
        per litre and cycle), j1349, din70020 or j607";

    /// The short key that [`FromStr`] reads back.
    #[must_use]
    pub fn key(&self) -> String {
        match self {
            Self::None => "none".into(),
            Self::Iso1585SparkIgnition => "iso1585".into(),
            Self::Iso1585CompressionIgnition { induction, fuel } => {
                let induction = match induction {
                    Induction::NaturallyAspirated => "na",
                    Induction::Turbocharged => "turbo",
                };
                format!("iso1585-ci-{induction}:{}", fuel.0)
            }
            Self::SaeJ1349Jun90 => "j1349".into(),
            Self::Din70020 => "din70020".into(),
            Self::SaeJ607 => "j607".into(),
        }
    }
}

impl fmt::Display for Correction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::None => f.write_str("uncorrected"),
            Self::Iso1585SparkIgnition => f.write_str("ISO 1585 / UN R85 (spark ignition)"),
            Self::Iso1585CompressionIgnition { induction, fuel } => {
                let induction = match induction {
                    Induction::NaturallyAspirated => "naturally aspirated",
                    Induction::Turbocharged => "turbocharged",
                };
                write!(
                    f,
                    "ISO 1585 / UN R85 (compression ignition, {induction}, {} mg/(l·cycle))",
                    fuel.0
                )
            }
            Self::SaeJ1349Jun90 => f.write_str("SAE J1349 (JUN90)"),
            Self::Din70020 => f.write_str("DIN 70020"),
            Self::SaeJ607 => f.write_str("SAE J607"),
        }
    }
}

/// A correction key that names no standard here.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CorrectionKeyError {
    /// Not one of the keys.
    #[error("correction: expected {keys}, found \"{0}\"", keys = Correction::KEYS)]
    Unknown(String),
    /// The fuel delivery after the colon is not a number.
    #[error(
        "correction \"{key}\": expected a fuel delivery in mg/(l·cycle) after the colon, found \"{found}\""
    )]
    FuelNotANumber {
        /// The whole key.
        key: String,
        /// What stood after the colon.
        found: String,
    },
    /// The fuel delivery is out of range.
    #[error(transparent)]
    Fuel(#[from] FuelError),
}

impl FromStr for Correction {
    type Err = CorrectionKeyError;

    fn from_str(key: &str) -> Result<Self, Self::Err> {
        let (name, fuel) = match key.split_once(':') {
            Some((name, fuel)) => (name, Some(fuel)),
            None => (key, None),
        };
        let compression = |induction| {
            let found = fuel.unwrap_or_default();
            let Ok(value) = found.parse() else {
                return Err(CorrectionKeyError::FuelNotANumber {
                    key: key.into(),
                    found: found.into(),
                });
            };
            let fuel = CorrectedFuel::mg_per_l_cycle(value)?;
            Ok(Self::Iso1585CompressionIgnition { induction, fuel })
        };
        match (name, fuel) {
            ("none", None) => Ok(Self::None),
            ("iso1585", None) => Ok(Self::Iso1585SparkIgnition),
            ("iso1585-ci-na", _) => compression(Induction::NaturallyAspirated),
            ("iso1585-ci-turbo", _) => compression(Induction::Turbocharged),
            ("j1349", None) => Ok(Self::SaeJ1349Jun90),
            ("din70020", None) => Ok(Self::Din70020),
            ("j607", None) => Ok(Self::SaeJ607),
            _ => Err(CorrectionKeyError::Unknown(key.into())),
        }
    }
}
