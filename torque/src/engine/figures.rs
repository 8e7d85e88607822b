//! Heywood's figures. Angular speeds are the crank's, rad/s; `cycles_per_turn` is 0.5 for a
//! four-stroke and 1 for a two-stroke.

use std::f64::consts::TAU;

/// Dry pressure of ISO 1585's reference air, Pa.
pub const STANDARD_DRY_PA: f64 = 99_000.0;
/// Its temperature, K.
pub const STANDARD_K: f64 = 298.0;
/// Its density, kg/m³.
pub const STANDARD_AIR_KG_PER_M3: f64 = STANDARD_DRY_PA / (287.05 * STANDARD_K);

/// Brake mean effective pressure, Pa: work per cycle over swept volume,
/// `2π T / (cycles per turn · V)` (Heywood 1988, eq. 2.19).
#[must_use]
pub fn bmep_pa(torque_nm: f64, displacement_m3: f64, cycles_per_turn: f64) -> f64 {
    TAU * torque_nm / (cycles_per_turn * displacement_m3)
}

/// Volume that the pistons take in per second, m³/s.
#[must_use]
pub fn displaced_m3_per_s(displacement_m3: f64, cycles_per_turn: f64, omega_rad_per_s: f64) -> f64 {
    displacement_m3 * cycles_per_turn * omega_rad_per_s / TAU
}

/// Volumetric efficiency: air that flows over air that the displaced volume holds at the density of
/// the ambient air, `2 ṁ / (ρ V N)` for a four-stroke (Heywood 1988, eq. 2.27a).
#[must_use]
pub fn volumetric_efficiency(
    air_kg_per_s: f64,
    density_kg_per_m3: f64,
    displaced_m3_per_s: f64,
) -> f64 {
    air_kg_per_s / (density_kg_per_m3 * displaced_m3_per_s)
}

/// Brake specific consumption of fuel or air, kg/J: flow over power (Heywood 1988, eq. 2.22). A
/// kg/J is 3.6e9 g/(kW·h).
#[must_use]
pub fn per_work_kg_per_j(flow_kg_per_s: f64, torque_nm: f64, omega_rad_per_s: f64) -> f64 {
    flow_kg_per_s / (torque_nm * omega_rad_per_s)
}

/// Power in the fuel, W.
#[must_use]
pub fn fuel_energy_w(fuel_kg_per_s: f64, heating_value_j_per_kg: f64) -> f64 {
    fuel_kg_per_s * heating_value_j_per_kg
}

/// Brake thermal (fuel conversion) efficiency (Heywood 1988, eq. 2.23).
#[must_use]
pub fn thermal_efficiency(
    torque_nm: f64,
    omega_rad_per_s: f64,
    fuel_kg_per_s: f64,
    heating_value_j_per_kg: f64,
) -> f64 {
    torque_nm * omega_rad_per_s / fuel_energy_w(fuel_kg_per_s, heating_value_j_per_kg)
}

/// Relative air-fuel ratio of two flows (Heywood 1988, eq. 3.8 inverted): dry air over fuel, over
/// the stoichiometric ratio.
#[must_use]
pub fn lambda_of_flows(dry_air_kg_per_s: f64, fuel_kg_per_s: f64, stoichiometric: f64) -> f64 {
    dry_air_kg_per_s / (fuel_kg_per_s * stoichiometric)
}

/// Mean piston speed, m/s: `2 S N` (Heywood 1988, eq. 2.9).
#[must_use]
pub fn mean_piston_speed_m_per_s(stroke_m: f64, omega_rad_per_s: f64) -> f64 {
    2.0 * stroke_m * omega_rad_per_s / TAU
}
