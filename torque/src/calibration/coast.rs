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
use nalgebra::{DMatrix, DVector};

use super::losses::SpeedSample;
use super::wander::{self, Fit, Seen};
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
        "no falling weight in these teeth: expected a steady rise of {expected} teeth or more, found {found}: let it fall further, or fit a wheel of more teeth"
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

/// Acceleration of a driven drum at one speed, with its standard uncertainty: of a parabola through the speeds within a fifth
/// of it.
///
/// # Errors
/// Speeds that do not determine it.
pub fn driven_alpha(samples: &[SpeedSample], omega_rad_per_s: f64) -> Result<Measured, FitError> {
    let near: Vec<&SpeedSample> = samples
        .iter()
        .filter(|s| (s.omega_rad_per_s / omega_rad_per_s - 1.0).abs() < 0.2)
        .collect();
    let times_s: Vec<f64> = near.iter().map(|s| s.time_s).collect();
    let speeds: Vec<f64> = near.iter().map(|s| s.omega_rad_per_s).collect();
    let passed_s = Polynomial::fit(&speeds, &times_s, 2)?.at(omega_rad_per_s);
    let design = DMatrix::from_fn(near.len(), 3, |row, term| {
        let since_s = times_s.get(row).map_or(0.0, |t| t - passed_s.value);
        [1.0, 0.5 * since_s.powi(2), since_s]
            .get(term)
            .copied()
            .unwrap_or(0.0)
    });
    let fit = wander::fit(&design, &DVector::from_vec(speeds), Seen::Speeds, &times_s)?;
    Ok(last(&fit))
}

/// The last term of a fit.
fn last(fit: &Fit) -> Measured {
    let at = fit.coefficients.len().saturating_sub(1);
    Measured::new(
        fit.coefficients.get(at).copied().unwrap_or(0.0),
        fit.covariance.get((at, at)).map_or(0.0, |v| v.sqrt()),
    )
}

/// Teeth of a fall, at least.
const FALL_TEETH_MIN: usize = 10;
/// Part of the rise's time at each end that is left out: letting go, and the weight touching down.
const FALL_TRIM: f64 = 0.1;
/// Teeth that passed so often in a fall are told apart: each may sit wrong by an amount of its own.
const PASSED_MIN: usize = 2;

/// The steady rise of a drum that a weight pulls up, to its greatest speed.
#[derive(Debug, Clone, PartialEq)]
pub struct Fall {
    times_s: Vec<f64>,
    /// Turned angles at those times.
    angles_rad: Vec<f64>,
    /// Teeth that share what is unknown of where they sit: each its own, or all one.
    places: Vec<i64>,
}

impl Fall {
    /// The fall among recorded teeth.
    ///
    /// # Errors
    /// When there is no such rise.
    pub fn find(train: &ToothTrain, teeth_per_turn: u32) -> Result<Self, RunError> {
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
        let time = |at: usize| train.time_s.get(at).copied().unwrap_or(0.0);
        let trim_s = FALL_TRIM * (time(peak) - time(first));
        let at = |time_s: f64| train.time_s.partition_point(|t| *t < time_s);
        let from = at(time(first) + trim_s);
        let to = at(time(peak) - trim_s);
        let found = to.saturating_sub(from);
        if found < FALL_TEETH_MIN {
            return Err(RunError::NoFall {
                expected: FALL_TEETH_MIN,
                found,
            });
        }
        let index = train.index.get(from..to).unwrap_or_default();
        let told_apart = found >= PASSED_MIN * teeth;
        let places = if told_apart { teeth_per_turn.max(1) } else { 1 };
        let place = |index: &i64| index.rem_euclid(i64::from(places));
        Ok(Self {
            times_s: train.time_s.get(from..to).unwrap_or_default().to_vec(),
            angles_rad: index.iter().map(|index| pitch * *index as f64).collect(),
            places: index.iter().map(place).collect(),
        })
    }

    /// Least and greatest speed, rad/s: of the parabola through the angles.
    ///
    /// # Errors
    /// Angles that do not determine it.
    pub fn speeds_rad_per_s(&self) -> Result<(f64, f64), FitError> {
        let parabola = Polynomial::fit(&self.times_s, &self.angles_rad, 2)?;
        let at = |time_s: Option<&f64>| {
            let (before, after) = time_s.map_or((0.0, 0.0), |t| (t - 0.5, t + 0.5));
            parabola.rise(before, after).value
        };
        Ok((at(self.times_s.first()), at(self.times_s.last())))
    }

    /// Angular acceleration at a speed that was passed, with its standard uncertainty. Friction changes with speed, so that
    /// two falls are to be compared at one.
    ///
    /// # Errors
    /// Angles that do not determine it.
    pub fn alpha_at(&self, omega_rad_per_s: f64) -> Result<Measured, FitError> {
        let (slowest, fastest) = self.speeds_rad_per_s()?;
        let (Some(first_s), Some(last_s)) = (self.times_s.first(), self.times_s.last()) else {
            return Err(FitError::TooFewPoints {
                unknowns: 4,
                points: 0,
            });
        };
        let passed_s =
            first_s + (last_s - first_s) * (omega_rad_per_s - slowest) / (fastest - slowest);
        let mut places = self.places.clone();
        places.sort_unstable();
        places.dedup();
        let rows = self.times_s.iter().zip(&self.places);
        let rows = rows.flat_map(|(time_s, place)| {
            let since_s = time_s - passed_s;
            let motion = [since_s, since_s.powi(3), 0.5 * since_s.powi(2)];
            let here = places.iter().map(move |p| f64::from(p == place));
            here.chain(motion)
        });
        let design = DMatrix::from_row_iterator(self.times_s.len(), places.len() + 3, rows);
        let angles = DVector::from_column_slice(&self.angles_rad);
        Ok(last(&wander::fit(
            &design,
            &angles,
            Seen::Angles,
            &self.times_s,
        )?))
    }
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
        let alpha = Fall::find(&train, TEETH).unwrap().alpha_at(7.5).unwrap();
        assert!((alpha.value / 5.0 - 1.0).abs() < 3e-3, "{alpha:?}");
        assert!(alpha.standard_uncertainty < 0.02, "{alpha:?}");
        // A short one has few teeth, and the first of them tell most of the time.
        let train = self::train(0.0, 4.0, |t, _| if t < 2.2 { 5.0 } else { -0.4 });
        let alpha = Fall::find(&train, TEETH).unwrap().alpha_at(5.5).unwrap();
        let off = (alpha.value - 5.0).abs();
        assert!(off < 3.0 * alpha.standard_uncertainty, "{alpha:?}");
        assert!(alpha.standard_uncertainty < 0.1, "{alpha:?}");
        assert!(matches!(
            Fall::find(&train.part(0..9), TEETH),
            Err(RunError::NoFall { .. })
        ));
    }
}
