//! Runs for calibrations, out of recorded teeth: the drum coasting down, and a weight pulling it up.
//!
//! ```
//! // A wheel of 12 teeth that slows by 1.5 rad/s² from 100 rad/s, its timer counting microseconds.
//! use leverarm_filters::teeth::{Edge, resolve};
//! use leverarm_torque::calibration::coast::{coast_speeds, coasting_alpha};
//!
//! let pitch_rad = std::f64::consts::TAU / 12.0;
//! let time_s = |theta: f64| (100.0 - (100_f64.powi(2) - 3.0 * theta).sqrt()) / 1.5;
//! let edges: Vec<Edge> = (0..6000_u32)
//!     .map(|tooth| Edge {
//!         tick: (1e6 * time_s(pitch_rad * f64::from(tooth))).round() as u64,
//!         number: tooth.into(),
//!     })
//!     .collect();
//! let speeds = coast_speeds(&resolve(&edges, 1e6, 12, 1.0), 12);
//! let alpha = coasting_alpha(&speeds, 60.0)?;
//! assert!((alpha.value + 1.5).abs() < 0.01);
//! # Ok::<(), leverarm_torque::calibration::losses::LossError>(())
//! ```

use std::ops::Range;

use leverarm_filters::teeth::ToothTrain;

use super::losses::SpeedSample;
use crate::regression::{FitError, Polynomial};
use crate::turns::{TurnSpeed, turn_speeds};
use crate::uncertainty::Measured;

/// Shortest time a speed is averaged over.
const AVERAGE_S: f64 = 0.05;
/// Left out after the greatest speed and before the end: throttle, clutch and brake move there.
const SETTLING_S: f64 = 0.15;
/// The deceleration of a coasting drum changes slowly; outside of this range about what it was
/// lately, something else acts (a brake, a clutch).
const LIKE_BEFORE: Range<f64> = 0.4..2.5;
/// So many decelerations make "lately".
const LATELY: usize = 12;
const DURATION_S_MIN: f64 = 0.5;

/// A run that can't be used.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum RunError {
    /// The drum never coasts.
    #[error(
        "no coast-down in these teeth: expected the speed to fall freely for {expected_s} s or longer after its greatest, found {found_s:.2} s"
    )]
    NoCoast {
        /// Least duration.
        expected_s: f64,
        /// Longest found.
        found_s: f64,
    },
    /// The drum is never pulled up from near standstill.
    #[error(
        "no falling weight in these teeth: expected a steady rise of {expected} teeth or more, found {found}"
    )]
    NoFall {
        /// Least teeth.
        expected: usize,
        /// Teeth found.
        found: usize,
    },
    /// The fit failed.
    #[error(transparent)]
    Fit(#[from] FitError),
}

/// Positions in the train between which the wheel coasts freely, after its greatest speed.
///
/// # Errors
/// When there is none.
pub fn coast_down(train: &ToothTrain, teeth_per_turn: u32) -> Result<Range<usize>, RunError> {
    let speeds = turn_speeds(train, teeth_per_turn, 0.0, AVERAGE_S);
    let none = |found_s| RunError::NoCoast {
        expected_s: DURATION_S_MIN,
        found_s,
    };
    let peak = speeds
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.omega_rad_per_s.total_cmp(&b.1.omega_rad_per_s))
        .map_or(0, |(at, _)| at);
    let Some(peak_s) = speeds.get(peak).map(|s| s.to_s) else {
        return Err(none(0.0));
    };
    let falling: Vec<&TurnSpeed> = speeds
        .iter()
        .filter(|s| s.from_s >= peak_s + SETTLING_S)
        .collect();
    let mut lately: Vec<f64> = Vec::new();
    let mut end_s = None;
    for pair in falling.windows(2) {
        let [a, b] = pair else { continue };
        let span = b.middle_s() - a.middle_s();
        let deceleration = (a.omega_rad_per_s - b.omega_rad_per_s) / span;
        if lately.len() >= 4 {
            let mut sorted = lately.clone();
            sorted.sort_by(f64::total_cmp);
            let usual = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
            let like = LIKE_BEFORE.contains(&(deceleration / usual));
            if !like || b.from_s > a.to_s + 0.5 {
                break;
            }
        }
        if lately.len() == LATELY {
            lately.remove(0);
        }
        lately.push(deceleration);
        end_s = Some(b.to_s);
    }
    let position = |time_s: f64| train.time_s.partition_point(|t| *t < time_s);
    let (from_s, to_s) = (peak_s + SETTLING_S, end_s.unwrap_or(peak_s) - SETTLING_S);
    if to_s - from_s < DURATION_S_MIN {
        return Err(none((to_s - from_s).max(0.0)));
    }
    Ok(position(from_s)..position(to_s))
}

/// Speeds of a coasting wheel, each over whole turns at the middle of its time.
#[must_use]
pub fn coast_speeds(train: &ToothTrain, teeth_per_turn: u32) -> Vec<SpeedSample> {
    turn_speeds(train, teeth_per_turn, 0.0, AVERAGE_S)
        .iter()
        .map(|speed| SpeedSample {
            time_s: speed.middle_s(),
            omega_rad_per_s: speed.omega_rad_per_s,
        })
        .collect()
}

/// Deceleration of a coasting drum as a function of speed, `a₀ + a₁ω + a₂ω²` in rad/s², at one
/// speed, with its standard uncertainty: what two coast-downs are compared by when the inertia is
/// not known yet.
///
/// # Errors
/// As a loss fit's.
pub fn coasting_alpha(
    samples: &[SpeedSample],
    omega_rad_per_s: f64,
) -> Result<Measured, super::losses::LossError> {
    use super::losses::{Losses, Terms};
    // With an inertia of 1 kg·m² the loss torque is the deceleration.
    let unit = Measured::exact(1.0);
    let fit = Losses::from_speeds(samples, unit, Terms::Quadratic, None)
        .or_else(|_| Losses::from_speeds(samples, unit, Terms::Linear, None))?;
    Ok(Measured::new(
        -fit.torque_nm(omega_rad_per_s),
        fit.fit_standard_uncertainty_nm(omega_rad_per_s),
    ))
}

/// Teeth of a fall, at least.
const FALL_TEETH_MIN: usize = 10;
/// Part of the rise at each end that is left out: letting go, and the weight touching down.
const FALL_TRIM: f64 = 0.1;

/// Angular acceleration while a weight falls: the steady rise up to the greatest speed, as a
/// parabola of the angle over time.
///
/// # Errors
/// When there is no such rise.
pub fn falling_alpha(train: &ToothTrain, teeth_per_turn: u32) -> Result<Measured, RunError> {
    let pitch = std::f64::consts::TAU / f64::from(teeth_per_turn.max(1));
    let teeth = usize::try_from(teeth_per_turn.max(1)).unwrap_or(1);
    let omega = |at: usize| {
        let (t0, t1) = (train.time_s.get(at)?, train.time_s.get(at + teeth)?);
        let (i0, i1) = (train.index.get(at)?, train.index.get(at + teeth)?);
        Some(pitch * (i1 - i0) as f64 / (t1 - t0))
    };
    let last = train.time_s.len().saturating_sub(teeth + 1);
    let peak = (0..=last)
        .filter_map(|at| Some((at, omega(at)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0, |(at, _)| at);
    // Back from there to where it began to rise.
    let mut first = peak;
    while first > 0 {
        let slower = omega(first - 1)
            .zip(omega(first))
            .is_some_and(|(a, b)| a < b * 1.02);
        let gap = train
            .time_s
            .get(first - 1)
            .zip(train.time_s.get(first))
            .is_some_and(|(a, b)| b - a > 1.0);
        if !slower || gap {
            break;
        }
        first -= 1;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a length"
    )]
    let trim = (FALL_TRIM * (peak - first) as f64).ceil() as usize;
    let (from, to) = (first + trim, (peak + 1).saturating_sub(trim));
    let found = to.saturating_sub(from);
    if found < FALL_TEETH_MIN {
        return Err(RunError::NoFall {
            expected: FALL_TEETH_MIN,
            found,
        });
    }
    let times = train.time_s.get(from..to).unwrap_or_default();
    let origin = times.first().copied().unwrap_or(0.0);
    let x: Vec<f64> = times.iter().map(|t| t - origin).collect();
    let y: Vec<f64> = train
        .index
        .get(from..to)
        .unwrap_or_default()
        .iter()
        .map(|index| pitch * *index as f64)
        .collect();
    let parabola = Polynomial::fit(&x, &y, 2)?;
    let (Some(c2), Some(u)) = (
        parabola.coefficients().get(2).copied(),
        parabola.standard_errors().get(2).copied(),
    ) else {
        return Err(FitError::Singular { unknowns: 3 }.into());
    };
    Ok(Measured::new(2.0 * c2, 2.0 * u))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::losses::{Losses, Terms};

    const TEETH: u32 = 8;

    /// Teeth of a drum whose acceleration is a function of time and speed, integrated finely; every
    /// second tooth is late by 1 % of a pitch.
    fn train(omega: f64, until_s: f64, alpha: impl Fn(f64, f64) -> f64) -> ToothTrain {
        let pitch = std::f64::consts::TAU / f64::from(TEETH);
        let (mut theta, mut omega, mut next) = (0.0, omega, 0_i64);
        let mut train = ToothTrain::default();
        let dt = 2e-5;
        let mut t = 0.0;
        while t < until_s && omega >= 0.0 {
            let a = alpha(t, omega);
            let late = if next % 2 == 0 { 0.0 } else { 0.01 };
            let target = pitch * (next as f64 + late);
            let moved = theta + omega * dt + 0.5 * a * dt * dt;
            if moved >= target {
                train
                    .time_s
                    .push(t + dt * (target - theta) / (moved - theta));
                train.index.push(next);
                next += 1;
            }
            theta = moved;
            omega += a * dt;
            t += dt;
        }
        train
    }

    fn loss(omega: f64) -> f64 {
        0.5 + 0.004 * omega + 2e-5 * omega * omega
    }

    /// Up for 2 s, coasting with an inertia of 1.2 kg·m² to 12 s, then braked.
    fn coasting() -> ToothTrain {
        train(60.0, 14.0, |t, omega| match t {
            t if t < 2.0 => 40.0,
            t if t < 12.0 => -loss(omega) / 1.2,
            _ => -30.0,
        })
    }

    #[test]
    fn the_coast_is_found_between_throttle_and_brake() {
        let train = coasting();
        let range = coast_down(&train, TEETH).unwrap();
        let (from_s, to_s) = (train.time_s[range.start], train.time_s[range.end - 1]);
        assert!((2.05..2.6).contains(&from_s), "{from_s}");
        assert!((11.2..12.0).contains(&to_s), "{to_s}");
    }

    /// The losses put in come out.
    #[test]
    fn losses_of_the_coast() {
        let train = coasting();
        let part = train.part(coast_down(&train, TEETH).unwrap());
        let samples = coast_speeds(&part, TEETH);
        let inertia = Measured::exact(1.2);
        let losses = Losses::from_speeds(&samples, inertia, Terms::Quadratic, None).unwrap();
        for omega in [120.0, 130.0, 138.0] {
            let found = losses.torque_nm(omega);
            assert!((found / loss(omega) - 1.0).abs() < 2e-3, "{omega}: {found}");
        }
        let alpha = coasting_alpha(&samples, 130.0).unwrap();
        assert!((alpha.value / (-loss(130.0) / 1.2) - 1.0).abs() < 2e-3);
    }

    #[test]
    fn a_drum_that_is_braked_at_once_does_not_coast() {
        let train = train(60.0, 4.0, |t, _| if t < 2.0 { 40.0 } else { -60.0 });
        // A steady deceleration can't be told from a coast; a short one is refused.
        let short = train.part(0..train.time_s.partition_point(|t| *t < 2.4));
        assert!(matches!(
            coast_down(&short, TEETH),
            Err(RunError::NoCoast { .. })
        ));
        assert!(matches!(
            coast_down(&ToothTrain::default(), TEETH),
            Err(RunError::NoCoast { .. })
        ));
    }

    /// A weight falls for 3 s, then the drum runs on and slows down.
    #[test]
    fn the_acceleration_of_a_fall() {
        let train = train(0.0, 6.0, |t, _| if t < 3.0 { 5.0 } else { -0.4 });
        let alpha = falling_alpha(&train, TEETH).unwrap();
        assert!((alpha.value / 5.0 - 1.0).abs() < 3e-3, "{alpha:?}");
        assert!(alpha.standard_uncertainty < 0.02, "{alpha:?}");
        assert!(matches!(
            falling_alpha(&train.part(0..9), TEETH),
            Err(RunError::NoFall { .. })
        ));
    }
}
