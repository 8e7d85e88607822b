//! Finding a stand's own constants by measurement, with their uncertainty.
//!
//! ```
//! use leverarm_torque::calibration::gravity_m_per_s2;
//!
//! // Normal gravity at 45° of latitude, Geodetic Reference System 1980: 9.806 199 m/s².
//! assert!((gravity_m_per_s2(45.0, 0.0) - 9.806_199).abs() < 1e-6);
//! ```

pub mod coast;
pub mod inertia;
pub mod load_cell;
pub mod losses;
pub mod tare;
mod wander;
pub mod wheel;

use crate::uncertainty::{Measured, propagate};

/// Acceleration of free fall at a place, m/s².
///
/// Normal gravity on the GRS80 ellipsoid (Somigliana's formula; Moritz, Geodetic Reference
/// System 1980) less the free-air gradient of 3.086e-6 s⁻². Local anomalies stay below
/// about 0.001 m/s². From pole to equator it moves by 0.5 %, which a dead-weight
/// calibration carries into every torque.
#[must_use]
pub fn gravity_m_per_s2(latitude_degrees: f64, altitude_m: f64) -> f64 {
    const EQUATOR_M_PER_S2: f64 = 9.780_326_771_5;
    const K: f64 = 0.001_931_851_353;
    const E2: f64 = 0.006_694_380_022_90;
    let sin2 = latitude_degrees.to_radians().sin().powi(2);
    EQUATOR_M_PER_S2 * (1.0 + K * sin2) / (1.0 - E2 * sin2).sqrt() - 3.086e-6 * altitude_m
}

/// Force of a dead weight, m g (1 − ρ_air/ρ_weight), with air at 1.2 kg/m³.
#[must_use]
pub fn dead_weight_force_n(
    mass_kg: Measured,
    gravity_m_per_s2: Measured,
    weight_density_kg_per_m3: f64,
) -> Measured {
    let buoyancy = 1.0 - 1.2 / weight_density_kg_per_m3;
    propagate([mass_kg, gravity_m_per_s2], |[mass, gravity]| {
        mass * gravity * buoyancy
    })
}
