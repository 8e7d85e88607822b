//! Step tests on a brake: stretches in which a speed is held.
//!
//! The rule: a speed counts as held while its whole-turn averages stay within ±0.5 % of their mean
//! for 2 s or longer; the first 0.5 s of it are left out, in which brake and load cell settle, and the
//! last 0.2 s, in which the force may have changed already while the speed only begins to; what
//! remains counts when the force drifts by no more than 1 % of itself over it. Where it still
//! drifts, its first third is left out, twice at most. (Common practice, no source.)

use leverarm_filters::speed_fit::Motion;
use leverarm_filters::teeth::ToothTrain;

use super::force::{Force, ForceMean};
use crate::regression::{Polynomial, inflation};
use crate::turns::{TurnSpeed, turn_speeds};
use crate::uncertainty::{Assessed, Measured};

const HELD_SHARE: f64 = 0.005;
const HELD_S_MIN: f64 = 2.0;
const SETTLING_S: f64 = 0.5;
const LEAVING_S: f64 = 0.2;
const DRIFT_SHARE_MAX: f64 = 0.01;
const AVERAGE_S: f64 = 0.1;
/// Left of a hold after settling, at least.
const USED_S_MIN: f64 = 0.8;

/// A speed that was held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hold {
    pub(super) from_s: f64,
    pub(super) to_s: f64,
}

/// A hold with its averages.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Settled {
    pub(super) seconds: f64,
    pub(super) motion: Motion,
    /// Of the wheel, rad/s².
    pub(super) alpha: Assessed,
    pub(super) force: ForceMean,
}

/// Speeds of the wheel for [`holds`] and [`settled`].
pub(super) fn speeds(train: &ToothTrain, teeth: u32, cycles_per_turn: f64) -> Vec<TurnSpeed> {
    turn_speeds(train, teeth, cycles_per_turn, AVERAGE_S)
}

/// Stretches in which the speed is held, above a speed.
pub(super) fn holds(speeds: &[TurnSpeed], omega_min_rad_per_s: f64) -> Vec<Hold> {
    let mut found = Vec::new();
    let mut first = 0;
    while let Some(start) = speeds.get(first) {
        let (mut low, mut high) = (start.omega_rad_per_s, start.omega_rad_per_s);
        let mut end = first + 1;
        while let Some(next) = speeds.get(end) {
            let (l, h) = (
                low.min(next.omega_rad_per_s),
                high.max(next.omega_rad_per_s),
            );
            let gap = speeds
                .get(end - 1)
                .is_some_and(|before| next.from_s > before.to_s + 1.0);
            if gap || h - l > HELD_SHARE * (h + l) {
                break;
            }
            (low, high) = (l, h);
            end += 1;
        }
        let to_s = speeds.get(end - 1).map_or(start.to_s, |last| last.to_s);
        if to_s - start.from_s >= HELD_S_MIN && low >= omega_min_rad_per_s {
            found.push(Hold {
                from_s: start.from_s,
                to_s,
            });
            first = end;
        } else {
            first += 1;
        }
    }
    found
}

/// The settled part of a hold, or `None` when force or speed never settle. `tick_of` turns times of
/// the train into ticks; `zero_counts` is the load cell's zero.
pub(super) fn settled(
    hold: &Hold,
    speeds: &[TurnSpeed],
    force: &Force<'_>,
    zero_counts: f64,
    tick_of: impl Fn(f64) -> f64,
) -> Option<Settled> {
    let mut from_s = hold.from_s + SETTLING_S;
    let to_s = hold.to_s - LEAVING_S;
    for _ in 0..3 {
        let seconds = to_s - from_s;
        if seconds < USED_S_MIN {
            return None;
        }
        let mean = force.over(tick_of(from_s), tick_of(to_s))?;
        let load = (mean.counts.value() - zero_counts).abs();
        // A drift is only seen where it stands out of the scatter: the slope of a line over a
        // stretch T has √12/T times the uncertainty of the mean.
        let slope_noise = 12.0_f64.sqrt() / seconds * mean.counts.standard_uncertainty();
        let drift = (mean.counts_per_s.abs() - 2.0 * slope_noise).max(0.0) * seconds;
        if drift > DRIFT_SHARE_MAX * load {
            from_s += seconds / 3.0;
            continue;
        }
        return averaged(from_s, to_s, speeds, mean);
    }
    None
}

fn averaged(from_s: f64, to_s: f64, speeds: &[TurnSpeed], force: ForceMean) -> Option<Settled> {
    let inside: Vec<&TurnSpeed> = speeds
        .iter()
        .filter(|s| s.from_s >= from_s && s.to_s <= to_s)
        .collect();
    let middle = 0.5 * (from_s + to_s);
    let x: Vec<f64> = inside.iter().map(|s| s.middle_s() - middle).collect();
    let y: Vec<f64> = inside.iter().map(|s| s.omega_rad_per_s).collect();
    let line = Polynomial::fit(&x, &y, 1).ok()?;
    let [_, slope] = line.coefficients() else {
        return None;
    };
    let inflation = inflation(line.residuals()).min((0.25 * x.len() as f64).max(1.0));
    let error = line.standard_errors().get(1).copied()? * inflation.sqrt();
    let alpha = Assessed::type_a(
        Measured::new(*slope, error),
        x.len() as f64 / inflation - 2.0,
    );
    Some(Settled {
        seconds: to_s - from_s,
        motion: Motion {
            time_s: middle,
            theta_rad: 0.0,
            omega_rad_per_s: line.at(0.0).value,
            alpha_rad_per_s2: *slope,
            alpha_uncertainty_rad_per_s2: error,
        },
        alpha,
        force,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn speeds(path: impl Fn(f64) -> f64, until_s: f64) -> Vec<TurnSpeed> {
        let mut found = Vec::new();
        let mut t = 0.0;
        while t < until_s {
            found.push(TurnSpeed {
                from_s: t,
                to_s: t + 0.1,
                omega_rad_per_s: path(t + 0.05),
            });
            t += 0.1;
        }
        found
    }

    /// 300 rad/s for 4 s, up to 350 in 1 s, held for 4 s with a wobble of 0.3 %.
    fn steps(t: f64) -> f64 {
        match t {
            t if t < 4.0 => 300.0,
            t if t < 5.0 => 300.0 + 50.0 * (t - 4.0),
            t => 350.0 + 1.0 * (20.0 * t).sin(),
        }
    }

    #[test]
    fn held_speeds_are_found_and_sweeps_are_not() {
        let found = holds(&speeds(steps, 9.0), 100.0);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0].to_s - 4.0).abs() < 0.2);
        assert!((found[1].from_s - 5.0).abs() < 0.2);
        assert_eq!(holds(&speeds(|t| 300.0 + 10.0 * t, 9.0), 100.0), []);
        assert_eq!(holds(&speeds(steps, 9.0), 340.0).len(), 1);
    }

    #[test]
    fn a_force_that_creeps_up_is_waited_for() {
        let speeds = speeds(|_| 300.0, 10.0);
        let hold = holds(&speeds, 100.0)[0];
        // First order with 0.8 s, at 80 samples a second, and a little noise.
        let mut rng = fastrand::Rng::with_seed(1);
        let samples: Vec<(u64, i32)> = (0..800_u64)
            .map(|i| {
                let t = i as f64 / 80.0;
                let counts = 10_000.0 * (1.0 - (-t / 0.8).exp());
                #[expect(clippy::cast_possible_truncation, reason = "small")]
                let counts = counts as i32 + rng.i32(-5..=5);
                (i * 12_500, counts)
            })
            .collect();
        let force = Force::new(&samples, 1e6, None);
        let found = settled(&hold, &speeds, &force, 0.0, |t| 1e6 * t).unwrap();
        assert!(
            (found.force.counts.value() - 10_000.0).abs() < 40.0,
            "{found:?}"
        );
        assert!(found.seconds < 9.0);
        // One that never settles is none.
        let rising: Vec<(u64, i32)> = (0..800)
            .map(|i| (i * 12_500, 10 * i32::try_from(i).unwrap() + rng.i32(-5..=5)))
            .collect();
        let force = Force::new(&rising, 1e6, None);
        assert_eq!(settled(&hold, &speeds, &force, 0.0, |t| 1e6 * t), None);
    }
}
