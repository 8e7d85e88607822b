//! A reduced curve: torque and power over engine speed, corrected, each with its uncertainty.

use crate::air::CorrectionFactor;

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
    /// Losses of drum and chain.
    Losses,
    /// Load-cell scale.
    LoadCell,
    /// Length of the arm.
    Arm,
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
            Self::Inertia => "drum inertia",
            Self::Ratio => "drive ratio",
            Self::Losses => "losses",
            Self::LoadCell => "load cell scale",
            Self::Arm => "arm length",
            Self::Timing => "tooth timing",
            Self::ForceNoise => "force scatter",
            Self::Air => "air readings",
        }
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
    /// False inside gaps of the teeth and where timing leaves the value too uncertain to show.
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
        COVERAGE_95 * self.standard_uncertainty_nm(|_| true)
    }

    /// Expanded uncertainty (95 %) in N·m of what varies from pull to pull.
    #[must_use]
    pub fn pull_to_pull_uncertainty_nm(&self) -> f64 {
        COVERAGE_95 * self.standard_uncertainty_nm(|source| !source.is_common())
    }
}

/// The greatest value of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Engine speed at which it is reached.
    pub rpm: f64,
    /// Value: N·m or W.
    pub value: f64,
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
    /// What to know before trusting it, in words.
    pub remarks: Vec<String>,
    /// Timing noise of the pickup in s rms, where teeth were fitted.
    pub timing_noise_s: Option<f64>,
    /// Tooth position errors in rad, where they were estimated.
    pub tooth_errors_rad: Vec<f64>,
    /// Mean engine acceleration over the curve, rpm/s.
    pub sweep_rpm_per_s: f64,
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
    if bend >= 0.0 || step <= 0.0 {
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
