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
    /// Turbocharged, without a charge cooler or with one to the air.
    Turbocharged,
    /// Turbocharged, with a charge cooler to a liquid.
    TurbochargedLiquidCooled,
}

impl Induction {
    const ALL: [Self; 3] = [
        Self::NaturallyAspirated,
        Self::Turbocharged,
        Self::TurbochargedLiquidCooled,
    ];

    const fn key(self) -> &'static str {
        match self {
            Self::NaturallyAspirated => "na",
            Self::Turbocharged => "turbo",
            Self::TurbochargedLiquidCooled => "turbo-liquid",
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::NaturallyAspirated => "naturally aspirated",
            Self::Turbocharged => "turbocharged",
            Self::TurbochargedLiquidCooled => "turbocharged, charge cooled by liquid",
        }
    }

    /// Powers of 99/p_d and T/298 in f_a (ISO 1585 and ISO 15550, from memory, not verified).
    const fn powers(self) -> (f64, f64) {
        match self {
            Self::NaturallyAspirated => (1.0, 0.7),
            Self::Turbocharged => (0.7, 1.5),
            Self::TurbochargedLiquidCooled => (0.7, 0.7),
        }
    }
}

/// Whose engine factor f_m a compression-ignition engine is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EngineFactor {
    /// UN Regulation No. 85, Annex 5, 5.4.2.2: 0.036 q_c − 1.14 between 40 and 65 mg/(l·cycle), 0.3
    /// below, 1.2 above (its wording was seen reproduced).
    Iso1585,
    /// The same line down to 37.2 mg/(l·cycle), as a workshop manual of an industrial engine has it, and
    /// 0.2 below (ISO 15550 and SAE J1349, from memory, not verified).
    Iso15550,
}

impl EngineFactor {
    const ALL: [Self; 2] = [Self::Iso1585, Self::Iso15550];

    const fn key(self) -> &'static str {
        match self {
            Self::Iso1585 => "iso1585",
            Self::Iso15550 => "iso15550",
        }
    }

    const fn words(self) -> &'static str {
        match self {
            Self::Iso1585 => "ISO 1585 / UN R85",
            Self::Iso15550 => "ISO 15550",
        }
    }

    /// f_m at a fuel delivery.
    #[must_use]
    pub fn value(self, fuel: CorrectedFuel) -> f64 {
        let (break_at, below) = match self {
            Self::Iso1585 => (40.0, 0.3),
            Self::Iso15550 => (37.2, 0.2),
        };
        if fuel.0 < break_at {
            return below;
        }
        0.036 * fuel.0.min(65.0) - 1.14
    }
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
    /// Regulation (EU) 134/2014 for vehicles of category L, spark ignition: reference air and range
    /// from its text; the equation is an image in the copy that was seen, and is taken to be that of
    /// ISO 1585, with which the reference air agrees.
    Eu134SparkIgnition,
    /// Compression ignition: α_c = f_a^f_m, with f_a = (99/p_d)·(T/298)^0.7 without a turbocharger,
    /// (99/p_d)^0.7·(T/298)^1.5 with one, and (99/p_d)^0.7·(T/298)^0.7 where a liquid cools its charge.
    CompressionIgnition {
        /// Whose f_m.
        engine_factor: EngineFactor,
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
    /// Whose limits they are, and whether their text was seen.
    pub source: &'static str,
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            quantity,
            unit,
            min,
            max,
            found,
            source,
        } = self;
        let space = if unit.is_empty() { "" } else { " " };
        write!(
            f,
            "{quantity} {found:.2}{space}{unit} is outside {min} to {max}{space}{unit} ({source})"
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
        !matches!(self.is_in_range(), Some(false))
    }

    /// Whether every condition of the standard is met; `None` where its range is not known.
    #[must_use]
    pub const fn is_in_range(&self) -> Option<bool> {
        match self.validity {
            Validity::Within => Some(true),
            Validity::Outside(_) => Some(false),
            Validity::NoRangeKnown => None,
        }
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

/// Limits, and whose they are.
struct Limits(f64, f64, &'static str);

/// Range of use of a standard; what it does not limit, or what is not known of it, is `None`.
struct Range {
    temperature_c: Option<Limits>,
    dry_pressure_kpa: Option<Limits>,
    factor: Option<Limits>,
}

impl Range {
    /// What is limited, its unit, and how.
    fn limits(&self) -> [(&'static str, &'static str, Option<&Limits>); 3] {
        [
            ("temperature", "°C", self.temperature_c.as_ref()),
            ("dry pressure", "kPa", self.dry_pressure_kpa.as_ref()),
            ("correction factor", "", self.factor.as_ref()),
        ]
    }
}

const R85: &str = "UN R85, from memory, not verified";
const EU134: &str = "Regulation (EU) 134/2014";

/// UN R85, Annex 5, 5.3 and 5.4.1: 288 to 308 K. Not verified.
const R85_SPARK: Range = Range {
    temperature_c: Some(Limits(15.0, 35.0, R85)),
    dry_pressure_kpa: Some(Limits(80.0, 110.0, R85)),
    factor: Some(Limits(0.93, 1.07, R85)),
};

/// Annex X, Appendix 2.2: 283.2 to 318.2 K. The part of its text that was seen limits neither pressure
/// nor factor.
const EU134_SPARK: Range = Range {
    temperature_c: Some(Limits(10.0, 45.0, EU134)),
    dry_pressure_kpa: None,
    factor: Some(Limits(
        0.93,
        1.07,
        "Regulation (EU) 134/2014, from memory, not verified",
    )),
};

/// UN R85, Annex 5, 5.3 and 5.4.2: 283 to 313 K, not verified; the limits of the factor were seen in
/// a workshop manual of an industrial engine.
const R85_COMPRESSION: Range = Range {
    temperature_c: Some(Limits(10.0, 40.0, R85)),
    dry_pressure_kpa: Some(Limits(80.0, 110.0, R85)),
    factor: Some(Limits(0.9, 1.1, "as a workshop manual quotes it")),
};

/// Spark ignition.
const J1349: Range = {
    const SOURCE: &str = "SAE J1349, from memory, not verified";
    Range {
        temperature_c: Some(Limits(15.0, 35.0, SOURCE)),
        dry_pressure_kpa: Some(Limits(90.0, 105.0, SOURCE)),
        factor: None,
    }
};

impl Correction {
    /// The factor for this air, and whether the standard covers it.
    #[must_use]
    pub fn factor(&self, air: &Air) -> CorrectionFactor {
        let dry_kpa = air.dry_pressure_pa() / 1000.0;
        let celsius = air.temperature_k() - crate::ZERO_CELSIUS_K;
        let absolute = celsius + 273.0;
        let factor = match *self {
            Self::None => {
                return CorrectionFactor {
                    factor: 1.0,
                    validity: Validity::Within,
                };
            }
            Self::Iso1585SparkIgnition | Self::Eu134SparkIgnition => {
                (99.0 / dry_kpa).powf(1.2) * (absolute / 298.0).powf(0.6)
            }
            Self::CompressionIgnition {
                engine_factor,
                induction,
                fuel,
            } => {
                let (pressure_power, temperature_power) = induction.powers();
                let fa = (99.0 / dry_kpa).powf(pressure_power)
                    * (absolute / 298.0).powf(temperature_power);
                fa.powf(engine_factor.value(fuel))
            }
            Self::SaeJ1349Jun90 => 1.180 * (99.0 / dry_kpa) * (absolute / 298.0).sqrt() - 0.18,
            Self::Din70020 => 101.3 / (air.pressure_pa() / 1000.0) * (absolute / 293.0).sqrt(),
            Self::SaeJ607 => {
                let dry_inhg = air.dry_pressure_pa() / 3386.389;
                let fahrenheit = celsius * 1.8 + 32.0;
                (29.92 / dry_inhg) * ((fahrenheit + 460.0) / 520.0).sqrt()
            }
        };
        let Some(range) = self.range() else {
            return CorrectionFactor {
                factor,
                validity: Validity::NoRangeKnown,
            };
        };
        let checks = range.limits().into_iter().zip([celsius, dry_kpa, factor]);
        let breaches: Vec<Breach> = checks
            .filter_map(|((quantity, unit, limits), found)| {
                let &Limits(min, max, source) = limits?;
                (!(min..=max).contains(&found)).then_some(Breach {
                    quantity,
                    unit,
                    min,
                    max,
                    found,
                    source,
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

    const fn range(&self) -> Option<&'static Range> {
        match self {
            Self::Iso1585SparkIgnition => Some(&R85_SPARK),
            Self::Eu134SparkIgnition => Some(&EU134_SPARK),
            Self::CompressionIgnition {
                engine_factor: EngineFactor::Iso1585,
                ..
            } => Some(&R85_COMPRESSION),
            Self::SaeJ1349Jun90 => Some(&J1349),
            Self::None | Self::CompressionIgnition { .. } | Self::Din70020 | Self::SaeJ607 => None,
        }
    }

    /// The air that the standard lets its formula be used for, in words, and whether its text was seen; `None` without a
    /// correction.
    #[must_use]
    pub fn range_words(&self) -> Option<String> {
        if *self == Self::None {
            return None;
        }
        let Some(range) = self.range() else {
            return Some("not known".to_owned());
        };
        let limits: Vec<_> = range
            .limits()
            .into_iter()
            .filter_map(|(quantity, unit, limits)| Some((quantity, unit, limits?)))
            .collect();
        let whose = |at: usize| limits.get(at).map(|it| it.2.2);
        let each = limits.iter().enumerate().map(|(at, (quantity, unit, it))| {
            let Limits(min, max, source) = it;
            let space = if unit.is_empty() { "" } else { " " };
            let source = if whose(at + 1) == Some(*source) {
                String::new()
            } else {
                format!(" ({source})")
            };
            format!("{quantity} {min} to {max}{space}{unit}{source}")
        });
        Some(each.collect::<Vec<_>>().join(", "))
    }

    /// The keys that [`FromStr`] reads, for people.
    pub const KEYS: &str = "none, iso1585, eu134, j1349, din70020, j607, or for compression ignition \
        iso1585-ci-na:FUEL, iso1585-ci-turbo:FUEL, iso1585-ci-turbo-liquid:FUEL or the same with \
        iso15550 (FUEL in mg per litre and cycle)";

    /// The short key that [`FromStr`] reads back.
    #[must_use]
    pub fn key(&self) -> String {
        match self {
            Self::None => "none".into(),
            Self::Iso1585SparkIgnition => "iso1585".into(),
            Self::Eu134SparkIgnition => "eu134".into(),
            Self::CompressionIgnition {
                engine_factor,
                induction,
                fuel,
            } => format!("{}-ci-{}:{}", engine_factor.key(), induction.key(), fuel.0),
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
            Self::Eu134SparkIgnition => f.write_str("Regulation (EU) 134/2014 (spark ignition)"),
            Self::CompressionIgnition {
                engine_factor,
                induction,
                fuel,
            } => write!(
                f,
                "{} (compression ignition, {}, {} mg/(l·cycle))",
                engine_factor.words(),
                induction.words(),
                fuel.0
            ),
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
        let compression = |engine_factor: EngineFactor, induction| {
            let found = fuel.unwrap_or_default();
            let Ok(value) = found.parse() else {
                return Err(CorrectionKeyError::FuelNotANumber {
                    key: key.into(),
                    found: found.into(),
                });
            };
            let fuel = CorrectedFuel::mg_per_l_cycle(value)?;
            Ok(Self::CompressionIgnition {
                engine_factor,
                induction,
                fuel,
            })
        };
        match (name, fuel) {
            ("none", None) => Ok(Self::None),
            ("iso1585", None) => Ok(Self::Iso1585SparkIgnition),
            ("eu134", None) => Ok(Self::Eu134SparkIgnition),
            ("j1349", None) => Ok(Self::SaeJ1349Jun90),
            ("din70020", None) => Ok(Self::Din70020),
            ("j607", None) => Ok(Self::SaeJ607),
            _ => {
                let named = name.split_once("-ci-").and_then(|(standard, charged)| {
                    let factor = EngineFactor::ALL
                        .into_iter()
                        .find(|f| f.key() == standard)?;
                    let induction = Induction::ALL.into_iter().find(|i| i.key() == charged)?;
                    Some((factor, induction))
                });
                match named {
                    Some((factor, induction)) => compression(factor, induction),
                    None => Err(CorrectionKeyError::Unknown(key.into())),
                }
            }
        }
    }
}
