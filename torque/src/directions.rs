//! A brake led the speed up and down: whether the two curves say the same.
//!
//! They differ by what lags (a load cell's filter shows the force of a moment ago, and time runs the other way through the
//! curve), by heat (the engine is warmer on the second way), by hysteresis of arm and cell. The rotor's inertia has
//! opposite signs in them, so an inertia that is stated wrong shows here too.
//!
//! ```
//! use leverarm_torque::directions::Directions;
//!
//! let found = Directions { speeds: 40, outside: 12, mean_nm: 0.2, lag_s: Some(0.05) };
//! assert!(!found.agree());
//! ```

use crate::curve::{Curve, CurvePoint, How};

/// Fewer speeds in both curves say nothing.
const POINTS_MIN: usize = 5;
/// A lag is named when it makes so much of the difference (sum of squares).
const EXPLAINED_MIN: f64 = 0.5;
/// What an engine pulls differently from one sweep to the next, as a share (common practice, no source).
const PULL_SD: f64 = 0.003;
/// More speeds outside their bands than this share, and the curves do not agree: neighbours hang together, so it is more
/// than the 5 % of a 95 % band (common practice, no source).
const OUTSIDE_MAX: f64 = 0.2;

/// How the curve of a sweep down lies beside that of a sweep up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Directions {
    /// Speeds that both have.
    pub speeds: usize,
    /// Speeds at which they differ by more than the 95 % band of their difference.
    pub outside: usize,
    /// Mean of what the sweep down reads more, N·m.
    pub mean_nm: f64,
    /// What a load cell would have to be late by to make the difference, s, where that explains it.
    pub lag_s: Option<f64>,
}

impl Directions {
    /// Whether they say the same.
    #[must_use]
    pub fn agree(&self) -> bool {
        self.outside as f64 <= OUTSIDE_MAX * self.speeds as f64
    }
}

/// Two curves of the same setup, one swept up and one down; which is which says their rate. None where they share too few
/// speeds, or were swept the same way.
#[must_use]
pub fn directions(one: &Curve, other: &Curve) -> Option<Directions> {
    let (up, down) = if one.sweep_rpm_per_s > 0.0 {
        (one, other)
    } else {
        (other, one)
    };
    if !(up.sweep_rpm_per_s > 0.0 && down.sweep_rpm_per_s < 0.0) {
        return None;
    }
    let swept = |curve: &'_ Curve| -> Vec<CurvePoint> {
        let points = curve.points.iter();
        let swept = points.filter(|it| it.trustworthy && it.how == How::Sweep);
        swept.cloned().collect()
    };
    let (rising, falling) = (swept(up), swept(down));
    let both: Vec<(&CurvePoint, &CurvePoint)> = rising
        .iter()
        .filter_map(|a| Some((a, falling.iter().find(|b| (a.rpm - b.rpm).abs() < 0.01)?)))
        .collect();
    if both.len() < POINTS_MIN {
        return None;
    }
    let apart: Vec<f64> = both
        .iter()
        .map(|(a, b)| b.torque_nm - a.torque_nm)
        .collect();
    let outside = both
        .iter()
        .zip(&apart)
        .filter(|((a, b), apart)| apart.abs() > 2.0 * standard_uncertainty_nm(a, b));
    // What a lag of one second would make: the slope of the curve times how fast both went along it.
    let rate = up.sweep_rpm_per_s - down.sweep_rpm_per_s;
    let middle = |at: usize| 0.5 * (both[at].0.torque_nm + both[at].1.torque_nm);
    let per_lag: Vec<f64> = (0..both.len())
        .map(|at| {
            let (before, after) = (at.saturating_sub(2), (at + 2).min(both.len() - 1));
            let span = both[after].0.rpm - both[before].0.rpm;
            rate * (middle(after) - middle(before)) / span
        })
        .collect();
    let (mut cross, mut square, mut all) = (0.0, 0.0, 0.0);
    for (per_lag, apart) in per_lag.iter().zip(&apart) {
        cross += per_lag * apart;
        square += per_lag * per_lag;
        all += apart * apart;
    }
    let lag_s = cross / square;
    let explained = cross * lag_s / all;
    Some(Directions {
        speeds: both.len(),
        outside: outside.count(),
        mean_nm: apart.iter().sum::<f64>() / both.len() as f64,
        lag_s: (lag_s > 0.0 && explained > EXPLAINED_MIN).then_some(lag_s),
    })
}

/// Of the difference of two points: the engine's own from sweep to sweep, and of the inputs what is the same in every pull counts by how differently it enters both.
fn standard_uncertainty_nm(a: &CurvePoint, b: &CurvePoint) -> f64 {
    let mut square = 2.0 * (PULL_SD * a.torque_nm).powi(2);
    for input in &a.inputs {
        let same = b.inputs.iter().find(|it| it.name == input.name);
        let other = same.map_or(0.0, |it| it.contribution_nm());
        square += if input.source.is_common() {
            (input.contribution_nm() - other).powi(2)
        } else {
            input.contribution_nm().powi(2) + other.powi(2)
        };
    }
    square.sqrt()
}
