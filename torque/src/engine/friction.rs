//! What the engine takes to turn over.

use std::f64::consts::{PI, TAU};

use serde::{Deserialize, Serialize};

use super::EngineModel;
use super::figures::mean_piston_speed_m_per_s;
use crate::calibration::losses::{LossError, Losses, SpeedSample, Terms};
use crate::uncertainty::Measured;

/// Friction (with pumping) of an engine that is turned over.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Friction {
    /// Torque at the crank, `c₀ + c₁ω`, N·m and N·m·s, ω the crank's.
    pub coefficients: [f64; 2],
    /// Standard uncertainty of the torque, N·m.
    pub standard_uncertainty_nm: f64,
    /// Crank speeds at which it was measured, rad/s.
    pub omega_range_rad_per_s: (f64, f64),
}

impl Friction {
    /// At a crank speed, rad/s.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> Measured {
        let [c0, c1] = self.coefficients;
        Measured::new(c0 + c1 * omega_rad_per_s, self.standard_uncertainty_nm)
    }
}

/// Friction from a motored coast-down: clutch in, ignition off, the drum turns the engine over. What
/// slows the whole is the stand's own losses and the engine; the stand's are known.
///
/// `speeds` are the drum's; `locked_kg_m2` is the inertia of drum and engine about the drum's shaft.
/// The throttle's position is part of the result: pumping counts as friction.
///
/// # Errors
/// As a loss fit's.
pub fn motored_friction(
    speeds: &[SpeedSample],
    locked_kg_m2: Measured,
    stand_losses_nm: impl Fn(f64) -> Measured,
    engine_per_drum: f64,
) -> Result<Friction, LossError> {
    let whole = Losses::from_speeds(speeds, locked_kg_m2, Terms::Linear, None)?;
    let (low, high) = whole.omega_range_rad_per_s();
    let at = |drum: f64| {
        let stand = stand_losses_nm(drum);
        let scale = locked_kg_m2.relative_standard_uncertainty() * whole.torque_nm(drum);
        let u = [
            whole.fit_standard_uncertainty_nm(drum),
            scale,
            stand.standard_uncertainty,
        ];
        Measured::new(
            (whole.torque_nm(drum) - stand.value) / engine_per_drum,
            u.iter().map(|u| u * u).sum::<f64>().sqrt() / engine_per_drum,
        )
    };
    let (at_low, at_high) = (at(low), at(high));
    let slope = (at_high.value - at_low.value) / ((high - low) * engine_per_drum);
    Ok(Friction {
        coefficients: [at_low.value - slope * low * engine_per_drum, slope],
        standard_uncertainty_nm: at_low
            .standard_uncertainty
            .max(at_high.standard_uncertainty),
        omega_range_rad_per_s: (low * engine_per_drum, high * engine_per_drum),
    })
}

/// Friction mean effective pressure where none was measured, Pa, with its standard uncertainty.
///
/// `0.97 + 0.15 n + 0.05 n²` bar with n in 1000 rev/min, found on motored four-cylinder engines
/// (Heywood 1988, eq. 13.6, from memory), with the speed taken by mean piston speed for an 80 mm
/// stroke: a small engine turns faster. 30 % from one engine to another (our judgement).
#[must_use]
pub fn estimated_fmep_pa(piston_speed_m_per_s: f64) -> Measured {
    const STROKE_M: f64 = 0.08;
    let thousands = piston_speed_m_per_s * 60.0 / (2.0 * STROKE_M) / 1000.0;
    let pa = 1e5 * (0.97 + 0.15 * thousands + 0.05 * thousands * thousands);
    Measured::new(pa, 0.3 * pa)
}

/// Friction torque at the crank where none was measured, from [`estimated_fmep_pa`]; none without a
/// displacement. Without a stroke the bore is taken for equal to it.
#[must_use]
pub fn estimated_friction_nm(model: &EngineModel, omega_rad_per_s: f64) -> Option<Measured> {
    let displacement_m3 = model.displacement_m3?;
    let square_m = || (4.0 * displacement_m3 / (PI * f64::from(model.cylinders.max(1)))).cbrt();
    let stroke_m = model.stroke_m.unwrap_or_else(square_m);
    let mep = estimated_fmep_pa(mean_piston_speed_m_per_s(stroke_m, omega_rad_per_s));
    let nm_per_pa = model.cycles_per_turn * displacement_m3 / TAU;
    Some(Measured::new(
        mep.value * nm_per_pa,
        mep.standard_uncertainty * nm_per_pa,
    ))
}
