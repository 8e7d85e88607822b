//! What a recording shows that the stand file can't be right with: one place for all of it.
//!
//! While one of these stands, a constant that every point goes with is wrong, and no point is trustworthy. What is
//! impossible counts, and not what is unlikely; where the limits lie is by reasoning, no source.

use leverarm_filters::teeth::errors_come_round;

use super::ratio::{is_another_ratio, spread};
use super::{Reduction, Sweep, many};
use crate::curve::{CurvePoint, RAD_PER_S_PER_RPM, RatioCheck};
use crate::turns::TurnSpeed;

/// What no pull on the stand shows while its file is right; `None` where the file doesn't say.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct StandBounds {
    /// Engine speed at which the guards cut, rad/s.
    pub cut_rad_per_s: Option<f64>,
    /// Engine speed that ends a pull by the rules, rad/s; `None` where a brake may end it anywhere.
    pub end_rad_per_s: Option<f64>,
    /// Torque at the crank that no engine of this displacement makes, N·m.
    pub torque_nm: Option<f64>,
    /// Whether a tyre drives the drum: it slips, and grows with its speed.
    pub tyre: bool,
}

/// What relay and engine let through while the guards cut, and a wheel's errors, add less than this share to the limit.
const BEYOND_CUT_SHARE: f64 = 1.1;
/// A recording that ends below this share of where a pull ends looks like one at half the speed: where nothing says that it
/// is not, that is what it has to be taken for.
const ENDS_EARLY_SHARE: f64 = 0.6;
/// A second pickup that sees the drive ratio within this share, more than a tyre slips, has the same tooth counts.
const SAME_RATIO: f64 = 0.05;
/// Gaps that are alike, at the same distance from each other but for one in five, are teeth that the wheel lacks.
const GAPS_MIN: usize = 8;
const ALIKE_SHARE: f64 = 0.8;
/// A wheel lacks one tooth in four at most.
const PITCHES_MIN: i64 = 4;

const MEND: &str = "mend teeth, gear or drive ratio in the stand file";

impl Reduction<'_> {
    /// Each in words: what, where, found, expected, and what to do.
    pub(super) fn contradictions(
        &self,
        points: &[CurvePoint],
        sweep: Option<&Sweep>,
        speeds: &[TurnSpeed],
    ) -> Vec<String> {
        let found = [
            sweep.and_then(|sweep| self.another_ratio(sweep)),
            self.other_gaps(),
            self.other_errors(),
            self.beyond_the_cut(points),
            sweep.and_then(|sweep| self.ends_early(sweep, speeds)),
            self.too_strong(points),
        ];
        let told = found.into_iter().flatten();
        told.map(|what| format!("the stand file is contradicted, no point is trustworthy: {what}"))
            .collect()
    }

    pub(super) fn another_ratio(&self, sweep: &Sweep) -> Option<String> {
        let second = sweep.second.as_ref()?;
        let drive = &self.stand.engine_per_drum;
        let overall = second.overall()?;
        let checks = sweep
            .motions
            .iter()
            .filter_map(|m| second.check(m.time_s, drive));
        let (low, high) = spread(checks.map(|it| it.deviation))?;
        let off = (overall.value / drive.value() - 1.0).abs();
        let tolerated = if self.stand.bounds.tyre {
            RatioCheck::TYRE_GROWTH_MAX
        } else {
            RatioCheck::TOLERATED
        };
        let sure = 3.0 * overall.relative_standard_uncertainty();
        (is_another_ratio((low, high)) && off > tolerated.max(sure)).then(|| {
            let [from, to] = [sweep.motions.first(), sweep.motions.last()]
                .map(|it| it.map_or(0.0, |m| self.swept(sweep, *m).rpm()));
            format!(
                "from {from:.0} to {to:.0} rpm the pickups give {:.4} engine turns per drum turn, the stand says {:.4}: another \
                 gear, a clutch that never grips, or wrong tooth counts; {MEND}",
                overall.value,
                drive.value()
            )
        })
    }

    /// Teeth that are not seen come round with the wheel.
    pub(super) fn other_gaps(&self) -> Option<String> {
        let wheel = &self.stand.wheel;
        let teeth = i64::from(wheel.teeth_per_turn);
        let index = &self.train.index;
        let gaps = index.windows(2).filter(|pair| pair[1] - pair[0] > 1);
        let gaps: Vec<i64> = gaps.map(|pair| pair[1]).collect();
        let mut apart: Vec<i64> = gaps.windows(2).map(|pair| pair[1] - pair[0]).collect();
        apart.sort_unstable();
        let pitches = *apart.get(apart.len() / 2)?;
        let alike = apart.iter().filter(|it| **it == pitches).count();
        let steady = apart.len() >= GAPS_MIN && alike as f64 >= ALIKE_SHARE * apart.len() as f64;
        // Two broken teeth may lie opposite each other.
        let several = wheel.missing_teeth == 0 && teeth % pitches == 0;
        (steady && pitches >= PITCHES_MIN && pitches != teeth && !several).then(|| {
            format!(
                "a tooth is missing every {pitches} pitches, and the stand says {}, those left out counted; mend the \
                 pickup's teeth in the stand file",
                many(u64::from(wheel.teeth_per_turn), "tooth", "teeth")
            )
        })
    }

    /// Errors of the teeth come round with the wheel as well.
    fn other_errors(&self) -> Option<String> {
        let teeth = self.stand.wheel.teeth_per_turn;
        let found = errors_come_round(&self.train, teeth, self.cycles_per_turn())?;
        Some(format!(
            "the errors of the pickup's teeth do not come round with the {teeth} teeth that the stand says ({found} fit better); \
             count them again, those left out too, and mend them in the stand file"
        ))
    }

    fn beyond_the_cut(&self, points: &[CurvePoint]) -> Option<String> {
        let cut_rpm = self.stand.bounds.cut_rad_per_s? / RAD_PER_S_PER_RPM;
        let top_rpm = points.iter().map(|it| it.rpm).fold(0.0, f64::max);
        (top_rpm > BEYOND_CUT_SHARE * cut_rpm).then(|| {
            format!(
                "the curve reaches {top_rpm:.0} rpm, and the guards cut at {cut_rpm:.0} rpm; {MEND}, or see why they did not cut"
            )
        })
    }

    fn ends_early(&self, sweep: &Sweep, speeds: &[TurnSpeed]) -> Option<String> {
        let end_rpm = self.stand.bounds.end_rad_per_s? / RAD_PER_S_PER_RPM;
        let top = speeds
            .iter()
            .map(|it| it.omega_rad_per_s)
            .fold(0.0, f64::max);
        let top_rpm = top * self.engine_per_wheel() / RAD_PER_S_PER_RPM;
        let overall = sweep.second.as_ref().and_then(|it| it.overall());
        let confirmed = overall.is_some_and(|it| {
            (it.value / self.stand.engine_per_drum.value() - 1.0).abs() < SAME_RATIO
        });
        (top_rpm < ENDS_EARLY_SHARE * end_rpm && !confirmed).then(|| {
            format!(
                "the speed ends at {top_rpm:.0} rpm, far from the {end_rpm:.0} rpm that end a pull: if the engine did reach \
                 those, {MEND}; if not, pull to the end, or set the pull's end_speed to what is reached"
            )
        })
    }

    fn too_strong(&self, points: &[CurvePoint]) -> Option<String> {
        let bound_nm = self.stand.bounds.torque_nm?;
        let shown = points.iter().filter(|it| it.trustworthy);
        let point = shown.max_by(|a, b| a.measured_torque_nm.total_cmp(&b.measured_torque_nm))?;
        (point.measured_torque_nm > bound_nm).then(|| {
            format!(
                "{:.0} N·m at {:.0} rpm, and an engine of this displacement makes {bound_nm:.0} N·m at most (3 MPa mean \
                 effective pressure); {MEND}, or inertia, load cell or displacement",
                point.measured_torque_nm, point.rpm
            )
        })
    }
}
