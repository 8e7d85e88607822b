//! Air, fuel and exhaust of the engine: what the torque is made of.
//!
//! A cycle's work is the air drawn in times the work per mass of air, which goes with the mixture:
//! `T + drag = m · e · g(λ) / (2π · turns per cycle)`. So the torque curve of one setup tells the air
//! it draws, and another jet or another intake changes the torque by what it does to λ or to the air.

use std::collections::VecDeque;

use leverarm_torque::air::Air;
use leverarm_torque::engine::Role;

use super::gas_path::{BENCH_KG_PER_M3, Intake, work_of_mixture};
use super::model::{Engine, StandAir, StandModel};
use super::step::{Controls, EngineTorque, STEP_S};
use super::torque_curve::rpm;

/// Density at which curves of this model hold: ISO 1585's reference air.
const REFERENCE_KG_PER_M3: f64 = 1.157;
const REFERENCE_PA: f64 = 99_000.0;
/// J/(kg·K)
const DRY_AIR_J_PER_KG_K: f64 = 287.05;
/// What a lambda sensor's controller reports in plain air.
const LAMBDA_OF_AIR: f64 = 2.0;
/// Air that a closed throttle lets through, of what the displacement would take.
const CLOSED_SHARE: f64 = 0.2;
/// How far a closed throttle lowers the manifold's pressure, Pa.
const CLOSED_PA: f64 = 50_000.0;

impl Engine {
    /// Torque of the gas at full throttle and standard air: the crank's and what drag takes, N·m.
    fn gas_nm(&self, omega_rad_per_s: f64) -> f64 {
        self.full_throttle.torque_nm(omega_rad_per_s) + self.drag.torque_nm(omega_rad_per_s)
    }

    /// Mean torque at the crank at a throttle opening, 0 to 1, and standard air, N·m.
    #[must_use]
    pub fn part_throttle_nm(&self, opening: f64, omega_rad_per_s: f64) -> f64 {
        let share = self.breathing.work_share(opening, omega_rad_per_s);
        share * self.gas_nm(omega_rad_per_s) - self.drag.torque_nm(omega_rad_per_s)
    }

    /// Volumetric efficiency at full throttle and standard air.
    #[must_use]
    pub fn volumetric_efficiency(&self, omega_rad_per_s: f64) -> f64 {
        let air = self
            .breathing
            .air_kg_per_s(self.gas_nm(omega_rad_per_s), 1.0, omega_rad_per_s);
        air / (REFERENCE_KG_PER_M3 * self.breathing.displaced_m3_per_s(omega_rad_per_s))
    }

    /// This engine with its gas giving `factor(ω)` times the work.
    fn with_gas(&self, factor: impl Fn(f64) -> f64) -> Self {
        let full_throttle = self.full_throttle.scaled(|speed_rpm| {
            let omega = super::rad_per_s(speed_rpm);
            let brake = self.full_throttle.torque_nm(omega);
            (self.gas_nm(omega) * factor(omega) - self.drag.torque_nm(omega)) / brake
        });
        Self {
            full_throttle,
            ..self.clone()
        }
    }

    /// This engine with a main jet that passes `factor` times the fuel at the same depression.
    #[must_use]
    pub fn with_main_jet(&self, factor: f64) -> Self {
        let mixture = self.breathing.mixture.scaled(1.0 / factor);
        let mut engine = self.with_gas(|omega| {
            work_of_mixture(mixture.lambda(omega))
                / work_of_mixture(self.breathing.mixture.lambda(omega))
        });
        engine.breathing.mixture = mixture;
        engine
    }

    /// This engine behind another intake: filling goes with the pressure there, and that with the
    /// square of the flow, so both are found together.
    #[must_use]
    pub fn with_intake(&self, intake: Intake) -> Self {
        let own = self.breathing;
        let mut engine = self.with_gas(|omega| {
            let air = own.air_kg_per_s(self.gas_nm(omega), 1.0, omega);
            let left = |intake: &Intake, air: f64| {
                1.0 - intake.depression_pa(air, REFERENCE_KG_PER_M3) / REFERENCE_PA
            };
            let before = left(&own.intake, air);
            let mut factor = 1.0;
            for _ in 0..60 {
                factor = 0.5 * (factor + (left(&intake, air * factor) / before).max(0.05));
            }
            factor
        });
        engine.breathing.intake = intake;
        engine
    }
}

/// What the engine's gauges would show, and what they have summed up.
#[derive(Clone, Debug)]
pub(super) struct Gases {
    air_kg_per_s: f64,
    /// The same as a thermal meter sees it.
    metered_kg_per_s: f64,
    fuel_kg_per_s: f64,
    depression_pa: f64,
    opening: f64,
    exhaust_k: f64,
    fuel_used_kg: f64,
    /// Lambda that left the engine lately, one a millisecond, newest last.
    left: VecDeque<f64>,
    steps: u64,
    lambda: f64,
    crank_rad_per_s: f64,
    /// Density of the air in the shed, kg/m³, and the dry air's share of it.
    density: f64,
    dry_share: f64,
}

/// Lambda is kept so often, and so many of it.
const STEPS_PER_LAMBDA: u64 = 20;
const LAMBDAS_KEPT: usize = 1_000;
/// So much of the delay of sensor and controller is a lag, as no sensor follows a step in one sample
/// (common practice, no source). A lag is late by its time constant.
const SENSOR_LAG_SHARE: f64 = 0.7;
/// Time constant of a thermal air meter behind its vessel, s (common practice, no source).
const AIR_METER_LAG_S: f64 = 0.03;
/// A full tank, for its scale.
const TANK_KG: f64 = 3.0;

impl Gases {
    pub(super) fn new(model: &StandModel) -> Self {
        Self {
            density: model.air.density_kg_per_m3(),
            dry_share: model.air.dry_share(),
            air_kg_per_s: 0.0,
            metered_kg_per_s: 0.0,
            fuel_kg_per_s: 0.0,
            depression_pa: 0.0,
            opening: 0.0,
            exhaust_k: model.air.temperature_k,
            fuel_used_kg: 0.0,
            left: VecDeque::new(),
            steps: 0,
            lambda: LAMBDA_OF_AIR,
            crank_rad_per_s: 0.0,
        }
    }

    /// One step.
    pub(super) fn step(
        &mut self,
        model: &StandModel,
        controls: &Controls,
        torque: &EngineTorque,
        crank_rad_per_s: f64,
    ) {
        let engine = &model.engine;
        let breathing = &engine.breathing;
        let density = self.density;
        let fires = torque.firing_nm > 0.0 && crank_rad_per_s > 0.0;
        self.crank_rad_per_s = crank_rad_per_s;
        self.opening = controls.throttle;
        let lambda = breathing.lambda(controls.throttle, crank_rad_per_s);
        if fires {
            let gas_nm = torque.firing_nm + torque.opening * engine.drag.torque_nm(crank_rad_per_s);
            self.air_kg_per_s = breathing.air_kg_per_s(gas_nm, controls.throttle, crank_rad_per_s);
            self.fuel_kg_per_s =
                self.dry_share * self.air_kg_per_s / (lambda * breathing.stoichiometric_ratio);
        } else {
            self.air_kg_per_s =
                CLOSED_SHARE * density * breathing.displaced_m3_per_s(crank_rad_per_s);
            self.fuel_kg_per_s = 0.0;
        }
        self.metered_kg_per_s +=
            (self.air_kg_per_s - self.metered_kg_per_s) * STEP_S / AIR_METER_LAG_S;
        self.depression_pa = breathing.intake.depression_pa(self.air_kg_per_s, density);
        let wanted_k = if fires {
            let full = 1_080.0 - 2_500.0 * (lambda - 1.0).powi(2);
            700.0 + (full - 700.0) * torque.opening
        } else {
            model.air.temperature_k.max(self.exhaust_k - 200.0)
        };
        self.exhaust_k +=
            (wanted_k - self.exhaust_k) * STEP_S / breathing.exhaust.thermocouple_lag_s;
        if self.steps.is_multiple_of(STEPS_PER_LAMBDA) {
            self.left
                .push_back(if fires { lambda } else { LAMBDA_OF_AIR });
            if self.left.len() > LAMBDAS_KEPT {
                self.left.pop_front();
            }
            let lag_s = SENSOR_LAG_SHARE * model.engine.breathing.exhaust.sensor_s;
            let step_s = STEP_S * STEPS_PER_LAMBDA as f64;
            let at_sensor = self.lambda_at_sensor(model, density);
            self.lambda += (at_sensor - self.lambda) * (step_s / lag_s.max(step_s));
        }
        self.steps += 1;
        self.fuel_used_kg += self.fuel_kg_per_s * STEP_S;
    }

    /// The gas at the sensor left the engine while the pipe's volume went by.
    fn lambda_at_sensor(&self, model: &StandModel, density: f64) -> f64 {
        let exhaust = &model.engine.breathing.exhaust;
        let hot = self.air_kg_per_s / density * self.exhaust_k / model.air.temperature_k;
        let sensor_s = (1.0 - SENSOR_LAG_SHARE) * exhaust.sensor_s;
        let delay_s = sensor_s + exhaust.pipe_m3 / hot.max(1e-5);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "positive, and `as` saturates"
        )]
        let back = (delay_s / (STEP_S * STEPS_PER_LAMBDA as f64)).round() as usize;
        let newest = self.left.len().saturating_sub(1);
        let at = self.left.get(newest.saturating_sub(back));
        at.copied().unwrap_or(LAMBDA_OF_AIR)
    }

    /// Fuel that flows now, kg/s.
    pub(super) fn fuel_kg_per_s(&self) -> f64 {
        self.fuel_kg_per_s
    }

    /// Air that flows now, kg/s.
    pub(super) fn air_kg_per_s(&self) -> f64 {
        self.air_kg_per_s
    }

    pub(super) fn exhaust_k(&self) -> f64 {
        self.exhaust_k
    }

    /// What a channel is exposed to, in SI.
    pub(super) fn value(&self, role: Role, model: &StandModel, head_k: f64) -> f64 {
        let air = &model.air;
        let turns = self.crank_rad_per_s > 50.0;
        let speed = rpm(self.crank_rad_per_s);
        match role {
            Role::FuelFlow => self.fuel_kg_per_s,
            Role::FuelMass => TANK_KG - self.fuel_used_kg,
            Role::FuelPressure => 20_000.0,
            Role::AirFlow => self.metered_kg_per_s,
            Role::Lambda => self.lambda,
            Role::IntakeDepression => self.depression_pa,
            Role::ManifoldPressure => {
                let closed = if turns {
                    CLOSED_PA * (1.0 - self.opening)
                } else {
                    0.0
                };
                air.pressure_pa - self.depression_pa - closed
            }
            Role::ExhaustTemperature(_) => self.exhaust_k,
            Role::OilTemperature => head_k - 15.0,
            // A pump and its relief valve.
            Role::OilPressure => (60.0 * speed).min(380_000.0),
            Role::CoolantTemperature => head_k - 25.0,
            Role::BackPressure => 8_000.0 * (self.air_kg_per_s / 0.01).powi(2),
            Role::CrankcasePressure => 0.1 * speed,
            Role::Throttle => self.opening,
            Role::Battery => {
                if turns {
                    13.8
                } else {
                    12.5
                }
            }
        }
    }
}

impl StandAir {
    fn moist(&self) -> Option<Air> {
        Air::new(self.pressure_pa, self.temperature_k, self.relative_humidity).ok()
    }

    /// What of the air's mass is dry: vapour burns nothing.
    #[must_use]
    pub fn dry_share(&self) -> f64 {
        self.moist().map_or(1.0, |air| {
            let dry_kg_per_m3 = air.dry_pressure_pa() / (DRY_AIR_J_PER_KG_K * air.temperature_k());
            dry_kg_per_m3 / air.density_kg_per_m3()
        })
    }

    /// Density, kg/m³.
    #[must_use]
    pub fn density_kg_per_m3(&self) -> f64 {
        self.moist()
            .map_or(BENCH_KG_PER_M3, |air| air.density_kg_per_m3())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Setup, rad_per_s};

    /// 140 cc at 6000 1/min displace 7 L/s; with 1.157 kg/m³ and the model's filling the air must
    /// burn the fuel that gives the crank its power at a believable consumption.
    #[test]
    fn the_engine_breathes_like_one() {
        let engine = Engine::pit_bike(Setup::MainJet105);
        let omega = rad_per_s(6_000.0);
        assert!((engine.breathing.displaced_m3_per_s(omega) - 7.0e-3).abs() < 1e-6);
        for speed in [3_000.0, 6_000.0, 9_000.0] {
            let omega = rad_per_s(speed);
            let ve = engine.volumetric_efficiency(omega);
            assert!((0.6..1.1).contains(&ve), "{speed}: {ve}");
            let air = engine
                .breathing
                .air_kg_per_s(engine.gas_nm(omega), 1.0, omega);
            let lambda = engine.breathing.mixture.lambda(omega);
            let fuel = air / (14.7 * lambda);
            let grams_per_kwh = fuel / (engine.full_throttle.torque_nm(omega) * omega) * 3.6e9;
            // Small air-cooled engines take 280 to 450 g/(kW·h) at full throttle (common practice).
            assert!(
                (260.0..460.0).contains(&grams_per_kwh),
                "{speed}: {grams_per_kwh}"
            );
        }
    }

    /// A larger jet changes the mixture and nothing about the air; a smaller intake the air only.
    #[test]
    fn each_change_has_one_cause() {
        let base = Engine::pit_bike(Setup::MainJet105);
        let jet = Engine::pit_bike(Setup::MainJet110);
        let intake = Engine::pit_bike(Setup::SmallIntake);
        for speed in [3_000.0, 5_500.0, 7_000.0, 8_800.0] {
            let omega = rad_per_s(speed);
            let ve = |engine: &Engine| engine.volumetric_efficiency(omega);
            let lambda = |engine: &Engine| engine.breathing.mixture.lambda(omega);
            // Splines through scaled points differ a little between them.
            assert!((ve(&jet) / ve(&base) - 1.0).abs() < 2e-4, "{speed}");
            assert!(lambda(&jet) < 0.95 * lambda(&base));
            assert_eq!(lambda(&intake), lambda(&base));
            assert!(ve(&intake) < ve(&base));
        }
        let at = |engine: &Engine, speed| engine.volumetric_efficiency(rad_per_s(speed));
        let lost = |speed| 1.0 - at(&intake, speed) / at(&base, speed);
        assert!(lost(8_800.0) > 3.0 * lost(3_000.0), "{}", lost(8_800.0));
    }

    /// Half open the engine keeps most of its torque at low speed and loses more of it the faster it turns; fully open it
    /// has all, closed only its drag; the part-load jet sets the mixture where the main jet does not.
    #[test]
    fn part_throttle_throttles() {
        let engine = Engine::pit_bike(Setup::MainJet105);
        let share = |opening, speed: f64| {
            let omega = rad_per_s(speed);
            engine.part_throttle_nm(opening, omega) / engine.full_throttle.torque_nm(omega)
        };
        for speed in [3_000.0, 6_000.0, 9_000.0] {
            assert!((share(1.0, speed) - 1.0).abs() < 1e-12);
            assert!(share(0.0, speed) < 0.0);
            let rising = [0.1, 0.2, 0.4, 0.7, 1.0].map(|opening| share(opening, speed));
            assert!(rising.is_sorted(), "{rising:?}");
        }
        let (slow, fast) = (share(0.5, 3_000.0), share(0.5, 9_000.0));
        assert!(slow > 0.65 && fast < slow - 0.2, "{slow} {fast}");
        // The pressure behind the throttle solves its own balance.
        let body = engine.breathing.throttle;
        let omega = rad_per_s(6_000.0);
        let p = body.filling(0.3, omega);
        let k = (omega / body.choking_rad_per_s).powi(2) * (0.3_f64.powi(-2) - 1.0);
        assert!((k * p * p + p - 1.0).abs() < 1e-12);
        let jet = Engine::pit_bike(Setup::MainJet110);
        let apart = |opening| {
            let of = |engine: &Engine| engine.breathing.lambda(opening, omega);
            of(&engine) - of(&jet)
        };
        assert!(
            apart(1.0) > 0.03 && apart(0.3).abs() < 1e-12,
            "{}",
            apart(1.0)
        );
    }

    /// Twice the flow takes four times the depression.
    #[test]
    fn depression_goes_with_the_square_of_the_flow() {
        let intake = Intake {
            flow_m3_per_s: 0.01,
            depression_pa: 5_000.0,
        };
        let rated = intake.depression_pa(0.012, 1.2);
        assert!((rated - 5_000.0).abs() < 1e-9);
        assert!((intake.depression_pa(0.024, 1.2) - 4.0 * rated).abs() < 1e-9);
    }
}
