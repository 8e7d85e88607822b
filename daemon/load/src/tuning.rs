//! Gains by a published rule, and the margins that they leave.
//!
//! To the loop, engine and absorber are an integrator with dead time: speed' = torque / inertia, late.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use nalgebra::Complex;

use super::controller::{Q8, Q16, Settings};

/// Speed over braking torque as g(s) = −k e^(−θs) / s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Plant {
    /// k: 1 / inertia at the absorber, 1/(kg·m²).
    pub per_inertia: f64,
    /// θ: dead time, and all lags taken as such, s.
    pub delay_s: f64,
}

/// PI gains, torque out of speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gains {
    /// Proportional, N·m/(rad/s).
    pub proportional: f64,
    /// Integral time, s.
    pub integral_s: f64,
}

/// How far a loop is from swinging.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margins {
    /// Factor on the gain at which it swings.
    pub gain: f64,
    /// Phase left where the loop's gain is 1, rad.
    pub phase_rad: f64,
    /// Dead time that may be added, s.
    pub delay_s: f64,
    /// Greatest amplification of a disturbance at any frequency, Ms.
    pub sensitivity: f64,
}

/// The SIMC rule for an integrator with dead time: S. Skogestad, "Simple analytic rules for model reduction and PID
/// controller tuning", Journal of Process Control 13 (2003), 291-309: Kc = 1 / (k (τc + θ)), τI = 4 (τc + θ).
/// `closed_s` is τc; the rule's own choice is τc = θ.
#[must_use]
pub fn simc_integrating(plant: &Plant, closed_s: f64) -> Gains {
    let both_s = closed_s + plant.delay_s;
    Gains {
        proportional: 1.0 / (plant.per_inertia * both_s),
        integral_s: 4.0 * both_s,
    }
}

/// Margins of a loop given by its gain and phase (rad, not wrapped) at a frequency in rad/s; its phase falls through −π
/// somewhere between the two frequencies. `None`: it does not cross.
#[must_use]
pub fn margins(loop_at: impl Fn(f64) -> (f64, f64), from: f64, to: f64) -> Option<Margins> {
    let crossing = |is_past: &dyn Fn(f64) -> bool| {
        let (mut low, mut high) = (from, to);
        if is_past(low) || !is_past(high) {
            return None;
        }
        for _ in 0..80 {
            let middle = (low * high).sqrt();
            if is_past(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        Some(low)
    };
    // The phase may rise from −π first, with two integrators: past its highest point it only falls.
    let steps = 4_000_u32;
    let place = |step: u32| from * (to / from).powf(f64::from(step) / f64::from(steps));
    let highest = (0..=steps)
        .map(place)
        .fold((from, f64::NEG_INFINITY), |best, omega| {
            let phase = loop_at(omega).1;
            if phase > best.1 { (omega, phase) } else { best }
        });
    let swings = crossing(&|omega| omega > highest.0 && loop_at(omega).1 <= -PI)?;
    let passes = crossing(&|omega| loop_at(omega).0 <= 1.0)?;
    let phase_rad = PI + loop_at(passes).1;
    let sensitivity = (0..=steps)
        .map(|step| {
            let (size, phase) = loop_at(place(step));
            1.0 / (1.0 + size * phase.cos()).hypot(size * phase.sin())
        })
        .fold(0.0, f64::max);
    Some(Margins {
        gain: 1.0 / loop_at(swings).0,
        phase_rad,
        delay_s: phase_rad / passes,
        sensitivity,
    })
}

impl Plant {
    /// Margins under PI gains.
    #[must_use]
    pub fn margins(&self, gains: &Gains) -> Option<Margins> {
        let loop_at = |omega: f64| {
            let integral = omega * gains.integral_s;
            let size =
                gains.proportional * self.per_inertia / omega * integral.hypot(1.0) / integral;
            (size, -PI + integral.atan() - omega * self.delay_s)
        };
        margins(loop_at, 1e-4 / self.delay_s, FRAC_PI_2 * 2.0 / self.delay_s)
    }
}

/// The board's loop about a speed, opened at the absorber's torque, for small changes: [`super::controller`] in continuous
/// time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardLoop<'a> {
    /// What it is set to.
    pub set: &'a Settings,
    /// Inertia that the torque really turns, kg·m².
    pub inertia_kg_m2: f64,
    /// What a small change of output changes the torque by, over what the board's map has it be.
    pub map_ratio: f64,
    /// The absorber's real lag behind its output, s.
    pub lag_s: f64,
    /// Speed of the absorber, rad/s.
    pub rad_per_s: f64,
}

impl BoardLoop<'_> {
    /// Time over which a speed is measured, s.
    #[must_use]
    pub fn window_s(&self) -> f64 {
        TAU * self.set.window_teeth as f64 / self.set.teeth as f64 / self.rad_per_s
    }

    /// All delays but the absorber's, s: half the window, half a tooth, and a step of the loop.
    #[must_use]
    pub fn delay_s(&self) -> f64 {
        self.window_s() / 2.0 + self.late_s()
    }

    /// What is late besides the window: a tooth is half a pitch old, and an output stands for a step.
    fn late_s(&self) -> f64 {
        PI / self.set.teeth as f64 / self.rad_per_s + 1.0 / self.set.rate_hz as f64
    }

    /// Margins; the gain's is a factor on the absorber's torque or on one over the inertia.
    #[must_use]
    pub fn margins(&self) -> Option<Margins> {
        let window_s = self.window_s();
        // Beyond it a mean over the window hides everything.
        margins(
            |omega| self.at(omega),
            0.02 / window_s,
            0.999 * TAU / window_s,
        )
    }

    /// Gain and phase at a frequency, rad/s.
    fn at(&self, omega: f64) -> (f64, f64) {
        let set = self.set;
        let (step_s, window_s) = (1.0 / set.rate_hz as f64, self.window_s());
        let model_kg_m2 = set.inertia as f64 / f64::from(1 << 20);
        let firmness = set.firmness as f64 / Q8 as f64;
        // The observer's gains: of speed, and of acceleration.
        let first = firmness / (window_s + 4.0 * step_s);
        let second = first * first / 4.0;
        let hold = set.hold as f64 / Q16 as f64 / model_kg_m2;
        let stated_s = Q8 as f64 / set.lag as f64;
        let quick = Complex::new(1.0, omega * stated_s * Q8 as f64 / set.lead as f64);
        let s = Complex::new(0.0, omega);
        let one = Complex::new(1.0, 0.0);
        let half = omega * window_s / 2.0;
        let window = Complex::new(half.cos(), -half.sin()) * (half.sin() / half);
        let integral = Complex::new(second, 0.0) / s;
        // From the measured speed's distance to the model's speed: E (1 − P) + L over s + P K, P being 1 / quick.
        let lacking = one - one / quick;
        let speed = (integral * lacking + first) / (s + one / quick * hold);
        let demand = integral + speed * hold;
        let closed = one + window * speed;
        let absorber =
            Complex::new(1.0, omega * stated_s) / quick / Complex::new(1.0, omega * self.lag_s);
        let gain = self.map_ratio * model_kg_m2 / self.inertia_kg_m2 / omega;
        let size =
            demand.norm() / closed.norm() * absorber.norm() * (half.sin() / half).abs() * gain;
        let phase =
            demand.arg() - closed.arg() + absorber.arg() - half - FRAC_PI_2 - omega * self.late_s();
        (size, phase)
    }
}
