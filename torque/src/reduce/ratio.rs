//! Two pickups against the drive ratio: a clutch or tyre that slips, or another gear.

use leverarm_filters::speed_fit::Motion;
use leverarm_filters::teeth::ToothTrain;

use super::model::{ReductionModel, WheelModel};
use super::point::OwnSpeed;
use crate::curve::{COVERAGE_95, RatioCheck};
use crate::regression::{Polynomial, inflation};
use crate::uncertainty::{Assessed, Measured};

/// Half width of the window around a point, s.
const HALF_WIDTH_S: f64 = 0.15;
const MARKS_MIN: usize = 6;
/// An engine that is faster than the drive says by less than this does not slip: so exact is a ratio
/// of tooth counts, and so well it is seen.
const SLIP_MIN: f64 = 0.003;
/// The drive slips where so much of the stretch does.
const SLIPPING_SHARE: f64 = 0.05;
/// A tyre slips by 1 to 4 % (common practice, no source).
const TYRE_SLIP_MAX: f64 = 0.05;
/// A ratio that differs by less than this over a pull is the same all along.
const STEADY: f64 = 0.01;

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
        let inflation = inflation(line.residuals()).min(0.25 * marks.len() as f64);
        let error = line.standard_errors().get(1)? * inflation.max(1.0).sqrt();
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

/// The engine's own speed over a stretch in which the drive slips.
pub(super) struct OwnSpeeds {
    /// By how much the engine is faster than the drive says all along, as a share, where no tyre slips
    /// that explains it: a ratio that is stated low would look the same.
    pub(super) ratio_doubt: Option<f64>,
    /// In order of time: time in s, and what the second pickup saw.
    seen: Vec<(f64, OwnSpeed)>,
}

impl OwnSpeeds {
    /// `None` where the engine turns as the drive says, within [`SLIP_MIN`], or all along in another
    /// ratio that no slip explains.
    pub(super) fn of_slip(
        motions: &[Motion],
        second: &SecondWheel,
        stand: &ReductionModel,
    ) -> Option<Self> {
        let drive = &stand.engine_per_drum;
        let checks: Vec<(&Motion, Measured, RatioCheck)> = motions
            .iter()
            .filter_map(|m| {
                let found = second.engine_per_drum(m.time_s)?;
                Some((m, found, second.check(m.time_s, drive)?))
            })
            .collect();
        let slips = |check: &RatioCheck| check.deviation > SLIP_MIN.max(check.expanded_uncertainty);
        let slipping = checks.iter().filter(|(.., check)| slips(check)).count();
        let (low, high) = spread(checks.iter().map(|(.., check)| check.deviation))?;
        if slipping as f64 <= SLIPPING_SHARE * checks.len() as f64 || is_another_ratio((low, high))
        {
            return None;
        }
        let middle = 0.5 * (low + high);
        let ratio_doubt =
            (!stand.bounds.tyre && high - low < STEADY && middle > SLIP_MIN).then_some(middle);
        // Speed that the engine has beyond the drum's times a constant ratio shows as a change of the
        // ratio; its slope over as long as the ratio is averaged.
        let slope_at = |time_s: f64| {
            let before = checks.partition_point(|(m, ..)| m.time_s < time_s - HALF_WIDTH_S);
            let after = checks.partition_point(|(m, ..)| m.time_s <= time_s + HALF_WIDTH_S);
            let (a, b) = (checks.get(before)?, checks.get(after.checked_sub(1)?)?);
            let span = b.0.time_s - a.0.time_s;
            (span > 0.0).then(|| (b.1.value - a.1.value) / span)
        };
        let slopes: Vec<f64> = checks
            .iter()
            .map(|(motion, ..)| slope_at(motion.time_s).unwrap_or(0.0))
            .collect();
        // A clutch that grips stops parting at once: what averages see of that may have been anywhere within their reach.
        let beside = |time_s: f64| {
            let at = |time_s: f64| checks.partition_point(|(m, ..)| m.time_s < time_s);
            let within = &slopes[at(time_s - 2.0 * HALF_WIDTH_S)..at(time_s + 2.0 * HALF_WIDTH_S)];
            let low = within.iter().copied().fold(f64::INFINITY, f64::min);
            let high = within.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            0.5 * (high - low).max(0.0)
        };
        let seen = checks
            .iter()
            .zip(&slopes)
            .map(|((motion, engine_per_drum, _), slope)| {
                let drum_omega =
                    motion.omega_rad_per_s * stand.drum_per_wheel(engine_per_drum.value);
                let half_width = beside(motion.time_s) * drum_omega;
                let own = OwnSpeed {
                    engine_per_drum: *engine_per_drum,
                    parting_rad_per_s2: Measured::within(slope * drum_omega, half_width),
                    ratio_doubt: ratio_doubt.unwrap_or(0.0),
                };
                (motion.time_s, own)
            });
        Some(Self {
            ratio_doubt,
            seen: seen.collect(),
        })
    }

    /// At an instant, between what was seen.
    pub(super) fn at(&self, time_s: f64) -> Option<OwnSpeed> {
        let above = self.seen.partition_point(|(at, _)| *at < time_s);
        let next = self.seen.get(above).or(self.seen.last())?;
        let Some(before) = above.checked_sub(1).and_then(|i| self.seen.get(i)) else {
            return Some(next.1);
        };
        let span = next.0 - before.0;
        let share = if span > 0.0 {
            (time_s - before.0) / span
        } else {
            0.0
        };
        let between = |of: fn(&OwnSpeed) -> Measured| {
            let (a, b) = (of(&before.1), of(&next.1));
            let at = |a: f64, b: f64| a + share * (b - a);
            Measured::new(
                at(a.value, b.value),
                at(a.standard_uncertainty, b.standard_uncertainty),
            )
        };
        let a = before.1;
        Some(OwnSpeed {
            engine_per_drum: between(|it| it.engine_per_drum),
            parting_rad_per_s2: between(|it| it.parting_rad_per_s2),
            ratio_doubt: a.ratio_doubt,
        })
    }
}

/// Lowest and highest deviation but for a tenth at each side, which may be the ends of the teeth.
pub(super) fn spread(deviations: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let mut sorted: Vec<f64> = deviations.collect();
    sorted.sort_by(f64::total_cmp);
    let tenth = sorted.len() / 10;
    let high = sorted.len().checked_sub(tenth + 1)?;
    Some((*sorted.get(tenth)?, *sorted.get(high)?))
}

/// Whether the engine turns in another ratio than the drive's all along: another gear, or wrong tooth
/// counts. No tyre slips by more than [`TYRE_SLIP_MAX`], a clutch that does grips at last, and slip makes
/// the engine faster. By the lowest and highest deviation.
pub(super) fn is_another_ratio((low, high): (f64, f64)) -> bool {
    low > TYRE_SLIP_MAX || (high - low < STEADY && low + high < 0.0)
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
