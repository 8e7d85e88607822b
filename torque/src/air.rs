//! The air the engine breathes: humidity, density, altitude, and the correction of
//! power to a standard's reference air.
//!
//! ```
//! use leverarm_torque::air::Air;
//!
//! // Sea level of the US Standard Atmosphere 1976: 1.225 kg/m³.
//! let air = Air::new(101_325.0, 288.15, 0.0)?;
//! assert!((air.density_kg_per_m3() - 1.225).abs() < 1e-4);
//! # Ok::<(), leverarm_torque::air::AirError>(())
//! ```

mod correction;

pub use correction::{
    Breach, CorrectedFuel, Correction, CorrectionFactor, CorrectionKeyError, EngineFactor,
    FuelError, Induction, Validity,
};

use crate::{STANDARD_GRAVITY_M_PER_S2, ZERO_CELSIUS_K};

/// Specific gas constant of dry air, J/(kg·K): R* / M with the constants of the US
/// Standard Atmosphere 1976 (8.314 32 J/(mol·K), 28.9644 g/mol).
pub(crate) const DRY_AIR_J_PER_KG_K: f64 = 8.314_32 / 28.9644e-3;

/// Specific gas constant of water vapour, J/(kg·K): the same R* over 18.015 268 g/mol
/// (IAPWS).
const WATER_VAPOUR_J_PER_KG_K: f64 = 8.314_32 / 18.015_268e-3;

/// Ambient air, checked when made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    pressure_pa: f64,
    temperature_k: f64,
    relative_humidity: f64,
}

/// An air reading that cannot be ambient air.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("air {quantity}: expected {min} to {max} {unit}, found {found} {unit}")]
pub struct AirError {
    /// Which reading.
    pub quantity: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// Smallest accepted.
    pub min: f64,
    /// Largest accepted.
    pub max: f64,
    /// What was given.
    pub found: f64,
}

impl Air {
    /// Accepted absolute pressure: from about 5000 m of altitude to above the highest
    /// barometer reading.
    pub const PRESSURE_PA: (f64, f64) = (50_000.0, 115_000.0);
    /// Accepted temperature, −40 °C to 60 °C. With [`Self::PRESSURE_PA`] it keeps the
    /// vapour pressure well below the total.
    pub const TEMPERATURE_K: (f64, f64) = (233.15, 333.15);

    /// Absolute (not sea-level) pressure, temperature, and relative humidity as a
    /// fraction 0..=1.
    ///
    /// # Errors
    /// The first reading outside its accepted range.
    pub fn new(
        pressure_pa: f64,
        temperature_k: f64,
        relative_humidity: f64,
    ) -> Result<Self, AirError> {
        let checks = [
            ("pressure", "Pa", Self::PRESSURE_PA, pressure_pa),
            ("temperature", "K", Self::TEMPERATURE_K, temperature_k),
            (
                "relative humidity",
                "(fraction)",
                (0.0, 1.0),
                relative_humidity,
            ),
        ];
        for (quantity, unit, (min, max), found) in checks {
            if !(min..=max).contains(&found) {
                return Err(AirError {
                    quantity,
                    unit,
                    min,
                    max,
                    found,
                });
            }
        }
        Ok(Self {
            pressure_pa,
            temperature_k,
            relative_humidity,
        })
    }

    /// Absolute pressure, vapour included.
    #[must_use]
    pub const fn pressure_pa(&self) -> f64 {
        self.pressure_pa
    }

    /// Temperature.
    #[must_use]
    pub const fn temperature_k(&self) -> f64 {
        self.temperature_k
    }

    /// Relative humidity, 0..=1, with respect to liquid water.
    #[must_use]
    pub const fn relative_humidity(&self) -> f64 {
        self.relative_humidity
    }

    /// Partial pressure of water vapour.
    ///
    /// Relative humidity counts against liquid water at all temperatures, also below
    /// freezing: that is how hygrometers are scaled (WMO-No. 8).
    #[must_use]
    pub fn vapour_pressure_pa(&self) -> f64 {
        self.relative_humidity * saturation_pressure_over_water_pa(self.temperature_k)
    }

    /// Pressure without the vapour's part.
    #[must_use]
    pub fn dry_pressure_pa(&self) -> f64 {
        self.pressure_pa - self.vapour_pressure_pa()
    }

    /// Density of the moist air as a mixture of ideal gases,
    /// ρ = p_d/(R_d T) + p_v/(R_v T): within 6.5e-4 of CIPM-2007 from 0 to 30 °C.
    #[must_use]
    pub fn density_kg_per_m3(&self) -> f64 {
        (self.dry_pressure_pa() / DRY_AIR_J_PER_KG_K
            + self.vapour_pressure_pa() / WATER_VAPOUR_J_PER_KG_K)
            / self.temperature_k
    }

    /// Altitude at which the standard atmosphere has this density.
    #[must_use]
    pub fn density_altitude_m(&self) -> f64 {
        let exponent = 1.0 / (hydrostatic_exponent() - 1.0);
        let ratio = self.density_kg_per_m3() / standard_atmosphere_at_sea_level().density_kg_per_m3;
        (SEA_LEVEL_K / LAPSE_K_PER_M) * (1.0 - ratio.powf(exponent))
    }
}

/// Saturation vapour pressure over liquid water, Pa.
///
/// Wagner & Pruß 2002, eq. 2.5 (the IAPWS saturation equation), valid from the triple
/// point to the critical point (273.16 K to 647.096 K); below the triple point it is
/// its extrapolation to supercooled water.
#[must_use]
pub fn saturation_pressure_over_water_pa(temperature_k: f64) -> f64 {
    const CRITICAL_K: f64 = 647.096;
    const CRITICAL_PA: f64 = 22.064e6;
    const TERMS: [(f64, f64); 6] = [
        (-7.859_517_83, 1.0),
        (1.844_082_59, 1.5),
        (-11.786_649_7, 3.0),
        (22.680_741_1, 3.5),
        (-15.961_871_9, 4.0),
        (1.801_225_02, 7.5),
    ];
    let theta = 1.0 - temperature_k / CRITICAL_K;
    let sum: f64 = TERMS.iter().map(|(a, power)| a * theta.powf(*power)).sum();
    CRITICAL_PA * (CRITICAL_K / temperature_k * sum).exp()
}

/// Sublimation pressure over ice, Pa.
///
/// IAPWS R14-08(2011), eq. 6, valid from 50 K to the triple point at 273.16 K.
#[must_use]
pub fn saturation_pressure_over_ice_pa(temperature_k: f64) -> f64 {
    const TRIPLE_K: f64 = 273.16;
    const TRIPLE_PA: f64 = 611.657;
    const TERMS: [(f64, f64); 3] = [
        (-21.214_400_6, 0.003_333_333_33),
        (27.320_381_9, 1.206_666_67),
        (-6.105_981_30, 1.703_333_33),
    ];
    let theta = temperature_k / TRIPLE_K;
    let sum: f64 = TERMS.iter().map(|(a, power)| a * theta.powf(*power)).sum();
    TRIPLE_PA * (sum / theta).exp()
}

const SEA_LEVEL_K: f64 = 15.0 + ZERO_CELSIUS_K;
const SEA_LEVEL_PA: f64 = 101_325.0;
const LAPSE_K_PER_M: f64 = 6.5e-3;

/// g/(R_d L), the exponent of pressure against temperature in the troposphere.
fn hydrostatic_exponent() -> f64 {
    STANDARD_GRAVITY_M_PER_S2 / (DRY_AIR_J_PER_KG_K * LAPSE_K_PER_M)
}

/// One level of the standard atmosphere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandardAtmosphere {
    /// Temperature.
    pub temperature_k: f64,
    /// Pressure.
    pub pressure_pa: f64,
    /// Density of dry air.
    pub density_kg_per_m3: f64,
}

/// US Standard Atmosphere 1976 (the same as ISO 2533 here) in the troposphere.
///
/// # Errors
/// A geopotential height outside −2000 m to 11 000 m.
pub fn standard_atmosphere(geopotential_height_m: f64) -> Result<StandardAtmosphere, AirError> {
    let (min, max) = (-2_000.0, 11_000.0);
    if !(min..=max).contains(&geopotential_height_m) {
        return Err(AirError {
            quantity: "geopotential height",
            unit: "m",
            min,
            max,
            found: geopotential_height_m,
        });
    }
    Ok(troposphere(geopotential_height_m))
}

fn standard_atmosphere_at_sea_level() -> StandardAtmosphere {
    troposphere(0.0)
}

fn troposphere(geopotential_height_m: f64) -> StandardAtmosphere {
    let temperature_k = SEA_LEVEL_K - LAPSE_K_PER_M * geopotential_height_m;
    let pressure_pa = SEA_LEVEL_PA * (temperature_k / SEA_LEVEL_K).powf(hydrostatic_exponent());
    StandardAtmosphere {
        temperature_k,
        pressure_pa,
        density_kg_per_m3: pressure_pa / (DRY_AIR_J_PER_KG_K * temperature_k),
    }
}
