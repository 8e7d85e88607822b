//! Tooth errors of a wheel: the same wheel found again, refined, and what changed on it.
//!
//! Nothing marks a wheel's first tooth, so patterns from different recordings are compared in the
//! turn in which they fit best.
//!
//! ```
//! // The same wheel, recorded from another tooth on: found again, and nothing on it has moved.
//! use leverarm_torque::calibration::wheel::Pattern;
//!
//! let error_rad = vec![2e-3, -1e-3, 0.5e-3, -2.5e-3, 1.5e-3, -0.5e-3];
//! let before = Pattern { uncertainty_rad: vec![2e-5; error_rad.len()], error_rad };
//! let mut now = before.clone();
//! now.error_rad.rotate_left(2);
//! assert_eq!(now.aligned_to(&before), Some(before.clone()));
//! assert!(now.change_since(&before).is_some_and(|change| change.moved.is_empty()));
//! ```

use std::f64::consts::TAU;

use leverarm_filters::speed_fit::{KnownPattern, SpeedFit};
use nalgebra::{Matrix3, Vector3};

/// Position errors of the teeth of a wheel, from any tooth on.
#[derive(Debug, Clone, PartialEq)]
pub struct Pattern {
    /// Position error of each tooth, rad, positive where it comes late; their mean is 0.
    pub error_rad: Vec<f64>,
    /// Standard uncertainty of each, rad.
    pub uncertainty_rad: Vec<f64>,
}

/// Patterns that can't be worked with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PatternError {
    /// Nothing to combine.
    #[error("tooth errors: expected at least one run, found none")]
    Empty,
    /// Different wheels.
    #[error("tooth errors: expected {expected} teeth as in the first run, found {found}")]
    OtherTeeth {
        /// Teeth of the first.
        expected: usize,
        /// Teeth of this one.
        found: usize,
    },
    /// It fits in no turn, or in several.
    #[error(
        "tooth errors of run {run}: they fit those of the first run in no turn of the wheel better than in others; is it the same wheel, and did it miss teeth?"
    )]
    NoTurn {
        /// Number of the run, from 1.
        run: usize,
    },
}

/// How a wheel changed since an earlier calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct PatternChange {
    /// Change of each tooth less the once-per-turn part, rad, in the numbering of the new pattern.
    pub change_rad: Vec<f64>,
    /// Standard uncertainty of each, rad.
    pub uncertainty_rad: Vec<f64>,
    /// Amplitude of the change that goes once around, rad.
    pub once_per_turn_rad: f64,
    /// Its standard uncertainty, rad.
    pub once_per_turn_uncertainty_rad: f64,
    /// Teeth that moved by more than their uncertainty, largest first, counted from 0.
    pub moved: Vec<usize>,
}

/// A tooth moved when its change is larger than so many standard uncertainties: among a few dozen
/// teeth none is by chance.
const MOVED_SIGMA: f64 = 4.0;
/// A wheel that sits differently is another one when more than one tooth in so many moved as well.
const OTHER_WHEEL: usize = 8;
/// A turn counts as found when the next best fits worse by this much in χ² a tooth.
const MARGIN_PER_TOOTH: f64 = 1.0;
/// And by at least this much: 9 is three standard deviations.
const MARGIN_MIN: f64 = 9.0;

impl Pattern {
    /// The pattern that a fit estimated.
    #[must_use]
    pub fn of_fit(fit: &SpeedFit) -> Self {
        Self {
            error_rad: fit.pattern_rad.clone(),
            uncertainty_rad: fit.pattern_uncertainty_rad.clone(),
        }
        .centred()
    }

    /// A pattern known from calibration.
    #[must_use]
    pub fn of_known(known: &KnownPattern) -> Self {
        Self {
            error_rad: known.error_rad.clone(),
            uncertainty_rad: vec![known.uncertainty_rad; known.error_rad.len()],
        }
        .centred()
    }

    /// Teeth.
    #[must_use]
    pub fn teeth(&self) -> usize {
        self.error_rad.len()
    }

    /// Root mean square of the errors, rad.
    #[must_use]
    pub fn rms_rad(&self) -> f64 {
        rms(&self.error_rad)
    }

    /// Root mean square of the uncertainties, rad.
    #[must_use]
    pub fn uncertainty_rms_rad(&self) -> f64 {
        rms(&self.uncertainty_rad)
    }

    /// The mean of the errors is the angle that counting starts from, and means nothing.
    fn centred(mut self) -> Self {
        let mean = self.error_rad.iter().sum::<f64>() / self.error_rad.len().max(1) as f64;
        self.error_rad.iter_mut().for_each(|e| *e -= mean);
        self
    }

    fn turned(&self, by: usize) -> Self {
        let mut turned = self.clone();
        if !turned.error_rad.is_empty() {
            turned.error_rad.rotate_left(by % self.teeth());
            turned.uncertainty_rad.rotate_left(by % self.teeth());
        }
        turned
    }

    /// χ² of the difference to another pattern.
    fn misfit(&self, other: &Self) -> f64 {
        let pairs = self.error_rad.iter().zip(&other.error_rad);
        let uncertainties = self.uncertainty_rad.iter().zip(&other.uncertainty_rad);
        pairs
            .zip(uncertainties)
            .map(|((a, b), (ua, ub))| (a - b).powi(2) / (ua * ua + ub * ub).max(f64::MIN_POSITIVE))
            .sum()
    }

    /// This pattern turned to where it fits `other`; `None` when no turn fits clearly better than
    /// all others, or when the teeth differ in number.
    #[must_use]
    pub fn aligned_to(&self, other: &Self) -> Option<Self> {
        let teeth = self.teeth();
        if teeth < 2 || other.teeth() != teeth {
            return None;
        }
        let mut order: Vec<(usize, f64)> = (0..teeth)
            .map(|by| (by, self.turned(by).misfit(other)))
            .collect();
        order.sort_by(|a, b| a.1.total_cmp(&b.1));
        let [(best, misfit), (_, next), ..] = order.as_slice() else {
            return None;
        };
        // A damaged tooth misfits in every turn alike, so the margin decides, not the best itself.
        let margin = MARGIN_MIN.max(MARGIN_PER_TOOTH * teeth as f64);
        (next - misfit > margin).then(|| self.turned(*best))
    }

    /// Weighted mean of runs, in the numbering of the first.
    ///
    /// # Errors
    /// No runs, different wheels, or a run that fits in no turn.
    pub fn combined(runs: &[Self]) -> Result<Self, PatternError> {
        let (first, rest) = runs.split_first().ok_or(PatternError::Empty)?;
        let weight = |u: f64| 1.0 / (u * u).max(f64::MIN_POSITIVE);
        let mut sums: Vec<(f64, f64)> = first
            .error_rad
            .iter()
            .zip(&first.uncertainty_rad)
            .map(|(e, u)| (e * weight(*u), weight(*u)))
            .collect();
        for (run, pattern) in (2..).zip(rest) {
            if pattern.teeth() != first.teeth() {
                return Err(PatternError::OtherTeeth {
                    expected: first.teeth(),
                    found: pattern.teeth(),
                });
            }
            let turned = pattern
                .aligned_to(first)
                .ok_or(PatternError::NoTurn { run })?;
            let values = turned.error_rad.iter().zip(&turned.uncertainty_rad);
            for (sum, (e, u)) in sums.iter_mut().zip(values) {
                sum.0 += e * weight(*u);
                sum.1 += weight(*u);
            }
        }
        Ok(Self {
            error_rad: sums.iter().map(|(e, w)| e / w).collect(),
            uncertainty_rad: sums.iter().map(|(_, w)| 1.0 / w.sqrt()).collect(),
        }
        .centred())
    }

    /// What changed since an earlier calibration; `None` when the earlier pattern is not found in
    /// this one: another wheel, or one that changed all over.
    #[must_use]
    pub fn change_since(&self, earlier: &Self) -> Option<PatternChange> {
        let earlier = earlier.aligned_to(self)?;
        let n = self.teeth() as f64;
        let change: Vec<f64> = self
            .error_rad
            .iter()
            .zip(&earlier.error_rad)
            .map(|(now, then)| now - then)
            .collect();
        let uncertainty_rad: Vec<f64> = self
            .uncertainty_rad
            .iter()
            .zip(&earlier.uncertainty_rad)
            .map(|(a, b)| a.hypot(*b))
            .collect();
        let (wave, moved) = wave_and_outliers(&change, &uncertainty_rad)?;
        let once_per_turn_rad = wave.cos.hypot(wave.sin);
        let once_per_turn_uncertainty_rad = rms(&uncertainty_rad) * (2.0 / n).sqrt();
        let around = once_per_turn_rad > MOVED_SIGMA * once_per_turn_uncertainty_rad;
        // A shift on the shaft and several teeth besides: so much turns any wheel into any other.
        if around && OTHER_WHEEL * moved.len() > self.teeth() {
            return None;
        }
        let change_rad = (0_u32..)
            .zip(&change)
            .map(|(j, value)| value - if around { wave.at(j, n) } else { wave.offset })
            .collect();
        Some(PatternChange {
            moved,
            change_rad,
            uncertainty_rad,
            once_per_turn_rad,
            once_per_turn_uncertainty_rad,
        })
    }
}

/// A change of all teeth alike and one that goes once around.
#[derive(Debug, Clone, Copy)]
struct Wave {
    offset: f64,
    cos: f64,
    sin: f64,
}

impl Wave {
    fn at(&self, tooth: u32, teeth: f64) -> f64 {
        let (sin, cos) = (TAU * f64::from(tooth) / teeth).sin_cos();
        self.offset + self.cos * cos + self.sin * sin
    }
}

/// The wave through the changes, and the teeth that stand out of it, largest first. The worst is
/// taken out and the wave drawn again until none stands out, so that a bad tooth does not pass for a
/// wheel off its centre.
fn wave_and_outliers(change: &[f64], uncertainty: &[f64]) -> Option<(Wave, Vec<usize>)> {
    let n = change.len() as f64;
    let teeth = || (0_u32..).zip(change).zip(uncertainty).enumerate();
    let mut out: Vec<usize> = Vec::new();
    loop {
        let wave = if change.len() - out.len() > 4 {
            let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
            for (_, ((j, value), _)) in teeth().filter(|(at, _)| !out.contains(at)) {
                let (sin, cos) = (TAU * f64::from(j) / n).sin_cos();
                let row = Vector3::new(1.0, cos, sin);
                normal += row * row.transpose();
                right += row * *value;
            }
            let solved = normal.cholesky()?.solve(&right);
            Wave {
                offset: solved[0],
                cos: solved[1],
                sin: solved[2],
            }
        } else {
            // Too few teeth to tell a wave from them.
            let mut sorted = change.to_vec();
            sorted.sort_by(f64::total_cmp);
            Wave {
                offset: sorted.get(sorted.len() / 2).copied().unwrap_or(0.0),
                cos: 0.0,
                sin: 0.0,
            }
        };
        let worst = teeth()
            .filter(|(at, _)| !out.contains(at))
            .map(|(at, ((j, value), u))| {
                (at, (value - wave.at(j, n)).abs() / u.max(f64::MIN_POSITIVE))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match worst {
            Some((at, clarity)) if clarity > MOVED_SIGMA && 4 * out.len() < change.len() => {
                out.push(at);
            }
            _ => return Some((wave, out)),
        }
    }
}

impl PatternChange {
    /// Whether the wheel sits differently on its shaft: off its centre, or tilted.
    #[must_use]
    pub fn sits_differently(&self) -> bool {
        self.once_per_turn_rad > MOVED_SIGMA * self.once_per_turn_uncertainty_rad
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wheel(seed: u64, teeth: usize) -> Pattern {
        let mut rng = fastrand::Rng::with_seed(seed);
        Pattern {
            error_rad: (0..teeth).map(|_| 0.02 * (rng.f64() - 0.5)).collect(),
            uncertainty_rad: vec![1e-4; teeth],
        }
        .centred()
    }

    fn noisy(pattern: &Pattern, seed: u64) -> Pattern {
        let mut rng = fastrand::Rng::with_seed(seed);
        let mut noisy = pattern.clone();
        for (e, u) in noisy.error_rad.iter_mut().zip(&pattern.uncertainty_rad) {
            // Rectangular, of that standard deviation.
            *e += u * 12.0_f64.sqrt() * (rng.f64() - 0.5);
        }
        noisy.centred()
    }

    #[test]
    fn a_wheel_is_found_again_in_any_turn() {
        for teeth in [2, 8, 60] {
            let pattern = wheel(3, teeth);
            let seen = noisy(&pattern.turned(teeth / 2 + 1), 4);
            let aligned = pattern.aligned_to(&seen).unwrap();
            assert!(aligned.misfit(&seen) < 3.0 * teeth as f64, "{teeth}");
        }
    }

    #[test]
    fn another_wheel_or_an_even_one_is_not_found() {
        let pattern = wheel(3, 8);
        assert_eq!(pattern.aligned_to(&wheel(3, 9)), None);
        let even = Pattern {
            error_rad: vec![0.0; 8],
            uncertainty_rad: vec![1e-4; 8],
        };
        assert_eq!(even.aligned_to(&noisy(&even, 1)), None);
    }

    #[test]
    fn runs_are_combined_by_weight() {
        let pattern = wheel(3, 8);
        let runs: Vec<Pattern> = (0..9)
            .map(|i| noisy(&pattern.turned(i), i as u64))
            .collect();
        let combined = Pattern::combined(&runs).unwrap();
        assert!((combined.uncertainty_rms_rad() - 1e-4 / 3.0).abs() < 1e-9);
        let aligned = pattern.aligned_to(&combined).unwrap();
        for (found, exact) in combined.error_rad.iter().zip(&aligned.error_rad) {
            assert!((found - exact).abs() < 1.5e-4);
        }
        assert_eq!(Pattern::combined(&[]), Err(PatternError::Empty));
        let other = Pattern::combined(&[pattern.clone(), wheel(3, 9)]);
        assert_eq!(
            other,
            Err(PatternError::OtherTeeth {
                expected: 8,
                found: 9
            })
        );
    }

    #[test]
    fn nothing_changed() {
        let pattern = wheel(3, 24);
        let change = noisy(&pattern.turned(5), 7)
            .change_since(&noisy(&pattern, 8))
            .unwrap();
        assert_eq!(change.moved, Vec::<usize>::new());
        assert!(!change.sits_differently());
    }

    #[test]
    fn a_damaged_tooth_is_named() {
        let pattern = wheel(3, 24);
        let mut hit = pattern.clone();
        hit.error_rad[10] += 0.005;
        let change = noisy(&hit.centred(), 7).change_since(&pattern).unwrap();
        assert_eq!(change.moved, [10]);
        assert!(!change.sits_differently(), "{change:?}");
        assert!((change.change_rad[10] - 0.005).abs() < 6e-4);
    }

    #[test]
    fn a_wheel_off_its_centre_changes_once_per_turn() {
        let pattern = wheel(3, 24);
        let mut off = pattern.clone();
        for (j, e) in off.error_rad.iter_mut().enumerate() {
            *e += 0.002 * (TAU * j as f64 / 24.0 + 0.4).cos();
        }
        let change = noisy(&off, 7).change_since(&pattern).unwrap();
        assert!(change.sits_differently());
        assert!((change.once_per_turn_rad - 0.002).abs() < 1e-4);
        assert_eq!(change.moved, Vec::<usize>::new());
    }
}
