//! Two pickups against the drive ratio: a clutch or tyre that slips, or another gear.

use leverarm_filters::speed_fit::Motion;
use leverarm_filters::teeth::ToothTrain;

use super::model::WheelModel;
use crate::curve::{COVERAGE_95, RatioCheck};
use crate::regression::{Polynomial, autocorrelation};
use crate::uncertainty::{Assessed, Measured};

/// Half width of the window around a point, s.
const HALF_WIDTH_S: f64 = 0.15;
const MARKS_MIN: usize = 6;

/// Angles of the second wheel beside those of the first.
pub(super) struct SecondWheel {
    /// Time in s on the first train's base, angle of the first wheel, angle of the second.
    marks: Vec<(f64, f64, f64)>,
    /// Whether the second wheel is the engine's.
    on_engine: bool,
}

impl SecondWheel {
    /// `motions` is the motion of the first wheel, finely and in order of time; `shift_s` is added
    /// to the second train's times to bring them to the first's base.
    pub(super) fn new(
        motions: &[Motion],
        train: &ToothTrain,
        wheel: &WheelModel,
        shift_s: f64,
    ) -> Self {
        let pitch = std::f64::consts::TAU / f64::from(wheel.teeth_per_turn.max(1));
        let marks = train
            .time_s
            .iter()
            .zip(&train.index)
            .filter_map(|(time, index)| {
                let time_s = time + shift_s;
                Some((time_s, angle_at(motions, time_s)?, pitch * *index as f64))
            });
        Self {
            marks: marks.collect(),
            on_engine: wheel.on_engine,
        }
    }

    /// Engine turns per drum turn around an instant, with its uncertainty.
    pub(super) fn engine_per_drum(&self, time_s: f64) -> Option<Measured> {
        let first = self.marks.partition_point(|m| m.0 < time_s - HALF_WIDTH_S);
        let last = self.marks.partition_point(|m| m.0 <= time_s + HALF_WIDTH_S);
        self.slope(first..last)
    }

    /// The same over the whole stretch.
    pub(super) fn overall(&self) -> Option<Measured> {
        self.slope(0..self.marks.len())
    }

    fn slope(&self, range: std::ops::Range<usize>) -> Option<Measured> {
        let marks = self.marks.get(range)?;
        if marks.len() < MARKS_MIN {
            return None;
        }
        let first: Vec<f64> = marks.iter().map(|m| m.1).collect();
        let second: Vec<f64> = marks.iter().map(|m| m.2).collect();
        let line = Polynomial::fit(&first, &second, 1).ok()?;
        let slope = *line.coefficients().get(1)?;
        let rho = autocorrelation(line.residuals()).clamp(0.0, 0.9);
        let error = line.standard_errors().get(1)? * ((1.0 + rho) / (1.0 - rho)).sqrt();
        let relative = error / slope;
        let ratio = if self.on_engine { slope } else { 1.0 / slope };
        Some(Measured::new(ratio, (ratio * relative).abs()))
    }

    /// The ratio around an instant against the drive's.
    pub(super) fn check(&self, time_s: f64, drive: &Assessed) -> Option<RatioCheck> {
        let found = self.engine_per_drum(time_s)?;
        let relative = found
            .relative_standard_uncertainty()
            .hypot(drive.measured.relative_standard_uncertainty());
        Some(RatioCheck {
            deviation: found.value / drive.value() - 1.0,
            expanded_uncertainty: COVERAGE_95 * relative,
        })
    }
}

fn angle_at(motions: &[Motion], time_s: f64) -> Option<f64> {
    let above = motions.partition_point(|m| m.time_s < time_s);
    let (a, b) = (motions.get(above.checked_sub(1)?)?, motions.get(above)?);
    let dt = time_s - a.time_s;
    let span = b.time_s - a.time_s;
    // From both ends, so that it meets the next stretch.
    let from_a = a.theta_rad + dt * (a.omega_rad_per_s + 0.5 * dt * a.alpha_rad_per_s2);
    let at_b = a.theta_rad + span * (a.omega_rad_per_s + 0.5 * span * a.alpha_rad_per_s2);
    Some(from_a + (b.theta_rad - at_b) * dt / span)
}
