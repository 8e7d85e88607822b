//! The air the engine breathes: humidity, density, and the correction of
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
