//! What an engine draws in and gives off, as far as its parts tell: mixture, intake, exhaust.

use std::f64::consts::TAU;

use super::torque_curve::rpm;

/// How an engine breathes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breathing {
    /// Swept volume, m³, > 0.
    pub displacement_m3: f64,
    /// Crank turns in a working cycle: 2 for a four-stroke.
    pub turns_per_cycle: f64,
    /// Mixture at full throttle.
    pub mixture: Mixture,
    /// What a throttle that is not fully open leaves.
    pub throttle: ThrottleBody,
    /// Work of the gas per mass of air at the best mixture, J/kg, > 0.
    pub work_j_per_kg: f64,
    /// Mass of air that burns one mass of fuel.
    pub stoichiometric_ratio: f64,
    /// The intake.
    pub intake: Intake,
    /// How long the gas takes to the lambda sensor at full throttle and top speed, with the sensor's
    /// own delay.
    pub exhaust: Exhaust,
}

/// A throttle that lets less through than the engine would draw, and a part-load jet of its own.
///
/// An orifice of `a` times the full one's area takes `(1/a² - 1)` times its pressure head more, and that goes with the
/// square of the flow: with `k = (ω/ω₀)² (1/a² - 1)` the pressure behind it, over that with the throttle open, is
/// `p = 1 - k p²`. (Bernoulli; incompressible, so it is a model, not a carburettor.)
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThrottleBody {
    /// ω₀: the engine's speed at which its flow through the open throttle takes the whole pressure, rad/s, > 0.
    pub choking_rad_per_s: f64,
    /// Lambda with the throttle nearly closed, whatever the main jet.
    pub part_lambda: f64,
}

/// From this opening down the part-load jet has it all; fully open it has nothing.
const PART_LOAD_OPENING: f64 = 0.4;

impl ThrottleBody {
    /// The filling that an opening, 0 to 1, leaves of that at full throttle.
    #[must_use]
    pub fn filling(&self, opening: f64, omega_rad_per_s: f64) -> f64 {
        if opening >= 1.0 || omega_rad_per_s <= 0.0 {
            return opening.clamp(0.0, 1.0);
        }
        if opening <= 0.0 {
            return 0.0;
        }
        let k = (omega_rad_per_s / self.choking_rad_per_s).powi(2) * (opening.powi(-2) - 1.0);
        // The root of k p² + p - 1 that stays exact for a small k.
        2.0 / (1.0 + (1.0 + 4.0 * k).sqrt())
    }

    /// How much of the mixture the part-load jet makes at an opening.
    fn part(&self, opening: f64) -> f64 {
        let x = ((1.0 - opening) / (1.0 - PART_LOAD_OPENING)).clamp(0.0, 1.0);
        x * x * (3.0 - 2.0 * x)
    }
}

/// Lambda over engine speed: three levels with smooth passages.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mixture {
    /// Up to the first speed.
    pub low: f64,
    /// Between the passages.
    pub middle: f64,
    /// Above the last speed.
    pub high: f64,
    /// Where the first passage begins and ends, rev/min.
    pub first_rpm: (f64, f64),
    /// Where the second does.
    pub second_rpm: (f64, f64),
}

/// An opening that passes a volume flow at a depression.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Intake {
    /// Flow of air of 1.2 kg/m³, m³/s, > 0.
    pub flow_m3_per_s: f64,
    /// At this depression, Pa, > 0.
    pub depression_pa: f64,
}

/// The way to the sensors in the exhaust.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exhaust {
    /// Volume from the valve to the lambda sensor, m³.
    pub pipe_m3: f64,
    /// Delay of sensor and controller, s.
    pub sensor_s: f64,
    /// Time constant of the exhaust's thermocouple, s, > 0.
    pub thermocouple_lag_s: f64,
}

/// Density of bench air, kg/m³.
pub(super) const BENCH_KG_PER_M3: f64 = 1.2;
/// Mixture of most work, and how fast work falls off about it.
const BEST_LAMBDA: f64 = 0.87;
const LAMBDA_BEND: f64 = 1.9;

impl Mixture {
    /// The same at all speeds.
    #[must_use]
    pub const fn constant(lambda: f64) -> Self {
        Self {
            low: lambda,
            middle: lambda,
            high: lambda,
            first_rpm: (0.0, 1.0),
            second_rpm: (0.0, 1.0),
        }
    }

    /// Lambda at an engine speed in rad/s.
    #[must_use]
    pub fn lambda(&self, omega_rad_per_s: f64) -> f64 {
        let speed = rpm(omega_rad_per_s);
        let passage = |(from, to): (f64, f64)| {
            let x = ((speed - from) / (to - from)).clamp(0.0, 1.0);
            x * x * (3.0 - 2.0 * x)
        };
        self.low
            + (self.middle - self.low) * passage(self.first_rpm)
            + (self.high - self.middle) * passage(self.second_rpm)
    }

    pub(super) fn scaled(mut self, factor: f64) -> Self {
        for level in [&mut self.low, &mut self.middle, &mut self.high] {
            *level *= factor;
        }
        self
    }
}

/// Work per mass of air over that of the best mixture.
pub(super) fn work_of_mixture(lambda: f64) -> f64 {
    (1.0 - LAMBDA_BEND * (lambda - BEST_LAMBDA).powi(2)).max(0.1)
}

impl Breathing {
    /// Lambda at a throttle opening, 0 to 1, and a crank speed.
    #[must_use]
    pub fn lambda(&self, opening: f64, omega_rad_per_s: f64) -> f64 {
        let full = self.mixture.lambda(omega_rad_per_s);
        full + self.throttle.part(opening) * (self.throttle.part_lambda - full)
    }

    /// Work of the gas at a throttle opening over that at full throttle.
    #[must_use]
    pub fn work_share(&self, opening: f64, omega_rad_per_s: f64) -> f64 {
        if opening >= 1.0 {
            return 1.0;
        }
        let of = |opening| work_of_mixture(self.lambda(opening, omega_rad_per_s));
        self.throttle.filling(opening, omega_rad_per_s) * of(opening) / of(1.0)
    }

    /// Air that the work of the gas takes at a throttle opening and a crank speed, kg/s.
    #[must_use]
    pub fn air_kg_per_s(&self, gas_nm: f64, opening: f64, omega_rad_per_s: f64) -> f64 {
        let work = self.work_j_per_kg * work_of_mixture(self.lambda(opening, omega_rad_per_s));
        gas_nm.max(0.0) * omega_rad_per_s / work
    }

    /// Volume that the piston takes in, m³/s.
    #[must_use]
    pub fn displaced_m3_per_s(&self, omega_rad_per_s: f64) -> f64 {
        self.displacement_m3 * omega_rad_per_s / (TAU * self.turns_per_cycle)
    }
}

impl Intake {
    /// Depression at a mass flow of air of a density, Pa: Δp ∝ ρ Q² = ṁ²/ρ.
    #[must_use]
    pub fn depression_pa(&self, air_kg_per_s: f64, density_kg_per_m3: f64) -> f64 {
        let rated_kg2 = (self.flow_m3_per_s * BENCH_KG_PER_M3).powi(2) / BENCH_KG_PER_M3;
        self.depression_pa * air_kg_per_s.powi(2) / density_kg_per_m3 / rated_kg2
    }
}
