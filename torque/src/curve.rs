//! A reduced curve: torque and power over engine speed, corrected, each with its uncertainty.
//!
//! ```
//! use leverarm_torque::curve::{PointInput, Source, budget};
//! use leverarm_torque::uncertainty::{Assessed, Measured};
//!
//! let input = |source, name, value, standard_uncertainty, unit, sensitivity| PointInput {
//!     source,
//!     name,
//!     assessed: Assessed::type_b(Measured::new(value, standard_uncertainty)),
//!     unit,
//!     sensitivity,
//! };
//! let budget = budget(&[
//!     input(Source::Inertia, "inertia", 2.0, 0.006, "kg·m²", 5.0),
//!     input(Source::Ratio, "drive ratio", 4.0, 0.010, "", -4.0),
//! ]);
//! // 0.03 and 0.04 N·m, independent of each other.
//! let combined = budget.evaluate(0.95)?;
//! assert!((combined.total.standard_uncertainty - 0.05).abs() < 1e-12);
//! # Ok::<(), leverarm_torque::uncertainty::BudgetError>(())
//! ```

use serde::{Deserialize, Serialize};

use crate::air::CorrectionFactor;
use crate::uncertainty::{Assessed, Budget, BudgetLine};

/// rad/s in one rpm.
pub const RAD_PER_S_PER_RPM: f64 = std::f64::consts::TAU / 60.0;

/// Coverage factor of the expanded uncertainties shown: 95 % of a normal distribution.
pub const COVERAGE_95: f64 = 1.959_963_984_540_054;

/// What an uncertainty comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Source {
    /// Moment of inertia of drum and drive.
    Inertia,
    /// Drive ratio.
    Ratio,
    /// Losses of drum and chain, as calibrated.
    Losses,
    /// How the losses differ from pull to pull: bearings warm up, grease moves.
    LossDrift,
    /// Load-cell scale, with what its hysteresis and bend leave.
    LoadCell,
    /// Length of the arm.
    Arm,
    /// Zero of the load cell.
    Zero,
    /// Tooth timing: what smoothing leaves of jitter and tooth errors.
    Timing,
    /// Scatter of the force samples.
    ForceNoise,
    /// Readings of the air, through the correction factor.
    Air,
}

impl Source {
    /// Whether it is the same in every pull on this stand, so that it cancels when two setups are
    /// compared on it.
    #[must_use]
    pub const fn is_common(self) -> bool {
        matches!(
            self,
            Self::Inertia | Self::Ratio | Self::Losses | Self::LoadCell | Self::Arm
        )
    }

    /// In words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Inertia => "inertia",
            Self::Ratio => "drive ratio",
            Self::Losses => "losses",
            Self::LossDrift => "losses from pull to pull",
            Self::LoadCell => "load cell scale",
            Self::Arm => "arm length",
            Self::Zero => "load cell zero",
            Self::Timing => "tooth timing",
            Self::ForceNoise => "force scatter",
            Self::Air => "air readings",
        }
    }
}

/// One input of a point's torque: a line of its uncertainty budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointInput {
    /// What its uncertainty comes from.
    pub source: Source,
    /// What it is, in words.
    pub name: &'static str,
    /// Best estimate with how its uncertainty was found.
    pub assessed: Assessed,
    /// Unit of both.
    pub unit: &'static str,
    /// Change of the corrected torque at this engine speed with the input, N·m per `unit`.
    pub sensitivity: f64,
}

impl PointInput {
    /// Signed contribution to the torque's standard uncertainty, N·m.
    #[must_use]
    pub const fn contribution_nm(&self) -> f64 {
        self.sensitivity * self.assessed.standard_uncertainty()
    }
}

/// How a point was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum How {
    /// While the speed rose.
    Sweep,
    /// While the speed was held.
    Steady {
        /// Time averaged over, s.
        seconds: f64,
    },
}

/// The ratio of two pickups against the drive ratio that the curve was worked out with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatioCheck {
    /// Ratio found over the drive ratio, less 1: positive while the engine is too fast.
    pub deviation: f64,
    /// Half-width of its 95 % interval, the drive ratio's own included.
    pub expanded_uncertainty: f64,
}

impl RatioCheck {
    /// Deviations up to this are not told.
    pub const TOLERATED: f64 = 0.01;

    /// True when the ratio is off by more than 1 %, and by more than its uncertainty.
    #[must_use]
    pub fn is_off(&self) -> bool {
        self.deviation.abs() > Self::TOLERATED.max(self.expanded_uncertainty)
    }

    /// Nothing drives the drum faster than the engine does, but a tyre that grows with its speed, by some per cent (common
    /// practice, no source): beyond that one of the pickups is wrong.
    pub(crate) const TYRE_GROWTH_MAX: f64 = 0.03;

    /// True when the drum turns faster than the engine can drive it.
    #[must_use]
    pub fn drum_runs_ahead(&self) -> bool {
        self.deviation < -Self::TYRE_GROWTH_MAX - self.expanded_uncertainty
    }
}

/// One point of a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct CurvePoint {
    /// Engine speed.
    pub rpm: f64,
    /// When in the pull, in s from its first tooth.
    pub time_s: f64,
    /// Torque at the crank, corrected.
    pub torque_nm: f64,
    /// Torque at the crank as measured.
    pub measured_torque_nm: f64,
    /// Contribution of each source to the standard uncertainty of `torque_nm`.
    pub contributions: Vec<(Source, f64)>,
    /// The inputs that `contributions` come from.
    pub inputs: Vec<PointInput>,
    /// Coverage factor of the whole for 95 %.
    pub coverage_factor: f64,
    /// Coverage factor of what varies from pull to pull, for 95 %.
    pub pull_to_pull_coverage_factor: f64,
    /// How it was measured.
    pub how: How,
    /// Width of the smallest feature that the curve shows here, rpm; `None` for a held speed.
    pub resolution_rpm: Option<f64>,
    /// Power lost where the drive slips, W, corrected, where a pickup on the engine shows that it does.
    pub slip_power_w: Option<f64>,
    /// Two pickups compared, where there are two.
    pub ratio_check: Option<RatioCheck>,
    /// False inside gaps of the teeth, where timing leaves the value too uncertain to show, and
    /// where the load cell can't be believed.
    pub trustworthy: bool,
}

impl CurvePoint {
    /// Power at the crank in W, corrected.
    #[must_use]
    pub fn power_w(&self) -> f64 {
        self.torque_nm * self.rpm * RAD_PER_S_PER_RPM
    }

    /// Standard uncertainty of the torque in N·m, of the sources that `select` accepts.
    pub fn standard_uncertainty_nm(&self, select: impl Fn(Source) -> bool) -> f64 {
        let picked = self
            .contributions
            .iter()
            .filter(|(source, _)| select(*source));
        picked.map(|(_, u)| u * u).sum::<f64>().sqrt()
    }

    /// Expanded uncertainty (95 %) of the torque in N·m, all sources.
    #[must_use]
    pub fn expanded_uncertainty_nm(&self) -> f64 {
        self.coverage_factor * self.standard_uncertainty_nm(|_| true)
    }

    /// Expanded uncertainty (95 %) in N·m of what varies from pull to pull.
    #[must_use]
    pub fn pull_to_pull_uncertainty_nm(&self) -> f64 {
        self.pull_to_pull_coverage_factor
            * self.standard_uncertainty_nm(|source| !source.is_common())
    }

    /// Whether the two pickups disagree with the drive ratio here: the clutch or the tyre slips, or
    /// it is another gear.
    #[must_use]
    pub fn is_slipping(&self) -> bool {
        self.ratio_check.is_some_and(|check| check.is_off())
    }

    /// The inputs as a budget of the corrected torque.
    #[must_use]
    pub fn budget(&self) -> Budget {
        budget(&self.inputs)
    }
}

/// A budget of inputs that are independent of each other.
#[must_use]
pub fn budget(inputs: &[PointInput]) -> Budget {
    let line = |input: &PointInput| BudgetLine {
        source: input.name.to_owned(),
        value: input.assessed.value(),
        unit: input.unit.to_owned(),
        standard_uncertainty: input.assessed.standard_uncertainty(),
        evaluation: input.assessed.evaluation,
        degrees_of_freedom: input.assessed.degrees_of_freedom,
        sensitivity: input.sensitivity,
        common: input.source.is_common(),
    };
    Budget::independent(inputs.iter().map(line).collect())
}

/// The greatest value of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Engine speed at which it is reached.
    pub rpm: f64,
    /// Value: N·m or W.
    pub value: f64,
}

/// A firing, or a few in a row, that failed: all of a cycle, or of one of its cylinders.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Misfire {
    /// When, in s from the pull's first tooth.
    pub time_s: f64,
    /// Engine speed there.
    pub rpm: f64,
    /// How many in a row.
    pub cycles: f64,
}

/// A sudden change of the work that is no misfire: the drive slips or has play (lash), or teeth were
/// counted wrongly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Jolt {
    /// When, in s from the pull's first tooth.
    pub time_s: f64,
    /// Engine speed there.
    pub rpm: f64,
    /// Work gained, over the mean work of a cycle.
    pub cycles: f64,
}

/// What a sweep tells of the engine's working cycles.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cycles {
    /// Standard deviation of the work of a cycle over its mean (COV), misfires left out: of all
    /// cylinders together, so of one about this times the root of their number.
    pub cov: f64,
    /// Standard uncertainty of `cov`.
    pub uncertainty: f64,
    /// Working cycles in the sweep.
    pub count: f64,
    /// Firings that failed, in order.
    pub misfires: Vec<Misfire>,
    /// Sudden changes of the work that are no misfires, in order.
    pub jolts: Vec<Jolt>,
}

impl Cycles {
    /// Half width of the 95 % interval of `cov`.
    #[must_use]
    pub const fn expanded_uncertainty(&self) -> f64 {
        COVERAGE_95 * self.uncertainty
    }

    /// How many firings failed.
    #[must_use]
    pub fn misfired(&self) -> f64 {
        // From 0: an empty sum is −0.
        self.misfires.iter().fold(0.0, |sum, m| sum + m.cycles)
    }

    /// The variation in words, such as `1.52 ± 0.31 %`.
    #[must_use]
    pub fn variation_words(&self) -> String {
        let percent = 100.0 * self.cov;
        format!(
            "{percent:.2} ± {:.2} %",
            100.0 * self.expanded_uncertainty()
        )
    }

    /// How many, in how many working cycles of all cylinders together.
    #[must_use]
    pub fn misfire_words(&self) -> String {
        match self.misfired() {
            none if none < 0.5 => format!("none in {:.0}", self.count),
            some => format!("{some:.0} in {:.0}", self.count),
        }
    }
}

/// The engine's and the drum's inertia swinging against each other on the drive between them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shuffle {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Damping ratio; `None` where the swing does not die away, or it can't be told.
    pub damping_ratio: Option<f64>,
    /// Its 95 % interval.
    pub damping_ratio_within: Option<(f64, f64)>,
    /// Greatest swing of the acceleration over its mean.
    pub swing: f64,
}

impl Shuffle {
    /// Frequency, damping and size in words.
    #[must_use]
    pub fn words(&self) -> String {
        let damping = match self.damping_ratio.zip(self.damping_ratio_within) {
            Some((ratio, (from, to))) => {
                format!("damping ratio {ratio:.3} ({from:.3} to {to:.3})")
            }
            None => "damping not told".to_owned(),
        };
        format!(
            "{:.1} Hz, {damping}, up to {:.0} % of the acceleration",
            self.frequency_hz,
            100.0 * self.swing
        )
    }
}

/// A reduced pull.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Points on the asked grid of speeds, ascending.
    pub points: Vec<CurvePoint>,
    /// Factor that carries torque to reference air.
    pub factor: CorrectionFactor,
    /// Greatest torque among the trustworthy points, found between grid points.
    pub peak_torque: Option<Peak>,
    /// Greatest power, likewise.
    pub peak_power: Option<Peak>,
    /// How alike the engine's working cycles were; `None` without a sweep on a drum.
    pub cycles: Option<Cycles>,
    /// Shuffle of the drive, where it shows.
    pub shuffle: Option<Shuffle>,
    /// What to know before trusting it, in words.
    pub remarks: Vec<String>,
    /// Timing noise of the pickup in s rms, where teeth were fitted.
    pub timing_noise_s: Option<f64>,
    /// Tooth position errors in rad, where they were estimated.
    pub tooth_errors_rad: Vec<f64>,
    /// Mean engine acceleration over the curve, rpm/s.
    pub sweep_rpm_per_s: f64,
}

impl Curve {
    /// What the sweep tells of engine and drive, a line each: what it is, and its value in words.
    #[must_use]
    pub fn engine_words(&self) -> Vec<(&'static str, String)> {
        let mut lines = Vec::new();
        match &self.cycles {
            Some(cycles) => {
                let variation = cycles.variation_words();
                lines.push((
                    "cycle variation",
                    format!("{variation} of a cycle's work (COV of all cylinders together, ± 95 %)"),
                ));
                let misfires = cycles.misfire_words();
                lines.push(("misfires", format!("{misfires} working cycles")));
                if !cycles.jolts.is_empty() {
                    let jolts = cycles.jolts.len();
                    lines.push(("jolts of the drive", jolts.to_string()));
                }
            }
            None => lines.push((
                "cycle variation",
                "not known: that takes trustworthy points of a sweep in which the engine turns the drum faster"
                    .to_owned(),
            )),
        }
        lines.extend(self.shuffle.map(|shuffle| ("shuffle", shuffle.words())));
        let shown = self.points.iter().filter(|p| p.trustworthy);
        lines.extend(
            range(shown.filter_map(|p| p.resolution_rpm)).map(|(low, high)| {
                let width =
                    format!("{low:.0} to {high:.0} rpm wide; what is narrower is smoothed away");
                ("smallest feature", width)
            }),
        );
        lines
    }
}

/// Least and greatest; `None` of nothing.
pub fn range(mut values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let first = values.next()?;
    Some(values.fold((first, first), |(low, high), it| {
        (low.min(it), high.max(it))
    }))
}

/// Greatest value of a smooth curve sampled finely: the top of the parabola through the highest
/// sample and its neighbours.
pub(crate) fn peak(samples: &[(f64, f64)]) -> Option<Peak> {
    let at = (0..samples.len()).max_by(|a, b| samples[*a].1.total_cmp(&samples[*b].1))?;
    let (rpm, value) = samples[at];
    let (Some(before), Some(after)) = (
        at.checked_sub(1).and_then(|i| samples.get(i)),
        samples.get(at + 1),
    ) else {
        return Some(Peak { rpm, value });
    };
    let (left, right) = (before.1 - value, after.1 - value);
    let bend = left + right;
    let step = 0.5 * (after.0 - before.0);
    // Beside a stretch that is not shown the highest sample is an end.
    let apart = f64::max(rpm - before.0, after.0 - rpm) > 1.5 * step;
    if bend >= 0.0 || step <= 0.0 || apart {
        return Some(Peak { rpm, value });
    }
    let offset = 0.5 * (left - right) / bend;
    Some(Peak {
        rpm: rpm + offset * step,
        value: value - 0.125 * (right - left).powi(2) / bend,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_top_of_a_parabola_is_found_between_samples() {
        let f = |x: f64| 11.0 - 0.002 * (x - 6037.0).powi(2) / 1000.0;
        let samples: Vec<(f64, f64)> = (0..50)
            .map(|i| 5000.0 + 50.0 * f64::from(i))
            .map(|x| (x, f(x)))
            .collect();
        let found = peak(&samples).unwrap();
        assert!((found.rpm - 6037.0).abs() < 1e-6);
        assert!((found.value - 11.0).abs() < 1e-12);
        let mut broken = samples[..15].to_vec();
        broken.extend(&samples[45..]);
        let (rpm, value) = samples[14];
        assert_eq!(peak(&broken), Some(Peak { rpm, value }));
        assert_eq!(peak(&[]), None);
        assert_eq!(
            peak(&[(1.0, 2.0), (2.0, 3.0)]),
            Some(Peak {
                rpm: 2.0,
                value: 3.0
            })
        );
    }
}
