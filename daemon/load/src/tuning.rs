//! Identification of the load's dynamics, gains by a published rule, and the margins that they leave.
//!
//! To the loop, engine and absorber are an integrator with dead time: speed' = torque / inertia, late.

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use nalgebra::Complex;

use super::controller::{Q8, Q16, Settings};

/// Speed over braking torque as g(s) = −k e^(−θs) / s: what a step or a relay shows of it.
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

/// The same rule for a first-order lag k e^(−θs) / (τs + 1): Kc = τ / (k (τc + θ)), τI = min(τ, 4 (τc + θ)). For an inner
/// loop of current or torque.
#[must_use]
pub fn simc_first_order(gain: f64, lag_s: f64, delay_s: f64, closed_s: f64) -> Gains {
    let both_s = closed_s + delay_s;
    Gains {
        proportional: lag_s / (gain * both_s),
        integral_s: lag_s.min(4.0 * both_s),
    }
}

/// The half rule of the same paper for lags, slowest first: half of the second goes to the first, half of it and all
/// others to the dead time. Returns (lag, dead time), s.
#[must_use]
pub fn half_rule(lags_s: &[f64], delay_s: f64) -> (f64, f64) {
    let at = |place| lags_s.get(place).copied().unwrap_or(0.0);
    let rest: f64 = lags_s.iter().skip(2).sum();
    (at(0) + at(1) / 2.0, delay_s + at(1) / 2.0 + rest)
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

    /// From a relay's limit cycle: torque switched by ±`relay_nm` as speed passes the set point swings it by
    /// ±`amplitude`. An integrator with dead time makes triangles, period 4 θ and amplitude k d θ (exact); that is
    /// better here than the describing function of [`ultimate_gain`].
    #[must_use]
    pub fn from_relay(relay_nm: f64, amplitude_rad_per_s: f64, period_s: f64) -> Option<Self> {
        let delay_s = period_s / 4.0;
        let per_inertia = amplitude_rad_per_s / (relay_nm * delay_s);
        (per_inertia.is_finite() && per_inertia > 0.0 && delay_s > 0.0).then_some(Self {
            per_inertia,
            delay_s,
        })
    }

    /// From a step of braking torque at time 0: speeds (s, rad/s) before and after it. The slopes' difference is
    /// k times the step, and where the two lines meet is the dead time. Returns the plant and the standard uncertainty of
    /// k, relative, from the scatter about the lines. `settled_s`: from when on the second line is fitted.
    #[must_use]
    pub fn from_step(step_nm: f64, speeds: &[(f64, f64)], settled_s: f64) -> Option<(Self, f64)> {
        let before = Line::fit(speeds.iter().filter(|it| it.0 < 0.0))?;
        let after = Line::fit(speeds.iter().filter(|it| it.0 >= settled_s))?;
        let turn = before.slope - after.slope;
        let delay_s = (after.at_zero - before.at_zero) / turn;
        let per_inertia = turn / step_nm;
        (per_inertia > 0.0 && delay_s > 0.0).then(|| {
            let uncertainty = before.slope_u.hypot(after.slope_u) / turn;
            (
                Self {
                    per_inertia,
                    delay_s,
                },
                uncertainty,
            )
        })
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

/// Gain at which a loop swings by itself, from a relay of ±`relay` that makes it swing by ±`amplitude`: 4 d / (π a).
/// K. Åström, T. Hägglund, "Automatic tuning of simple regulators with specifications on phase and amplitude margins",
/// Automatica 20 (1984), 645-651.
#[must_use]
pub fn ultimate_gain(relay: f64, amplitude: f64) -> f64 {
    4.0 * relay / (PI * amplitude)
}

/// Angular frequency of a period.
#[must_use]
pub fn angular(period_s: f64) -> f64 {
    TAU / period_s
}

/// A straight line by least squares.
struct Line {
    at_zero: f64,
    slope: f64,
    slope_u: f64,
}

impl Line {
    fn fit<'a>(points: impl Iterator<Item = &'a (f64, f64)> + Clone) -> Option<Self> {
        let count = points.clone().map(|_| 1.0).sum::<f64>();
        if count < 3.0 {
            return None;
        }
        let mean = |of: &dyn Fn(&(f64, f64)) -> f64| points.clone().map(of).sum::<f64>() / count;
        let (x, y) = (mean(&|it| it.0), mean(&|it| it.1));
        let xx = mean(&|it| (it.0 - x).powi(2));
        let slope = mean(&|it| (it.0 - x) * (it.1 - y)) / xx;
        let at_zero = y - slope * x;
        let scatter = mean(&|it| (it.1 - at_zero - slope * it.0).powi(2));
        slope.is_finite().then(|| Self {
            at_zero,
            slope,
            slope_u: (scatter / (count - 2.0) / xx).sqrt(),
        })
    }
}
