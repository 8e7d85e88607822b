//! What reduction has to know of a stand.

use leverarm_filters::speed_fit::KnownPattern;

use super::contradiction::StandBounds;
use crate::uncertainty::Assessed;

/// Loss torque at the drum, `c₀ + c₁ω + c₂ω²`, N·m with ω the drum's speed in rad/s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossModel {
    /// c₀ in N·m, c₁ in N·m/(rad/s), c₂ in N·m/(rad/s)².
    pub coefficients: [f64; 3],
    /// Their covariance, without the inertia's part.
    pub covariance: [[f64; 3]; 3],
    /// Degrees of freedom of `covariance`; infinite where it is taken as known.
    pub degrees_of_freedom: f64,
    /// Whether they come from letting `drum_inertia_kg_m2` coast: then they scale with it, and are
    /// wrong by the same share.
    pub follow_inertia: bool,
    /// Standard deviation from pull to pull, relative to the loss, with its degrees of freedom.
    pub repeatability: Assessed,
    /// Speeds at which they were measured.
    pub omega_range_rad_per_s: Option<(f64, f64)>,
}

impl Default for LossModel {
    fn default() -> Self {
        Self::stated([0.0; 3], 0.0)
    }
}

impl LossModel {
    /// Losses with one relative standard uncertainty over all speeds.
    #[must_use]
    pub fn stated(coefficients: [f64; 3], relative_uncertainty: f64) -> Self {
        let variance = relative_uncertainty * relative_uncertainty;
        Self {
            coefficients,
            covariance: coefficients.map(|a| coefficients.map(|b| variance * a * b)),
            degrees_of_freedom: f64::INFINITY,
            follow_inertia: false,
            repeatability: crate::uncertainty::Measured::exact(0.0).into(),
            omega_range_rad_per_s: None,
        }
    }

    /// Loss torque in N·m at a drum speed in rad/s.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> f64 {
        let [c0, c1, c2] = self.coefficients;
        c0 + omega_rad_per_s * (c1 + omega_rad_per_s * c2)
    }

    /// Its standard uncertainty, without the inertia's part, N·m.
    #[must_use]
    pub fn standard_uncertainty_nm(&self, omega_rad_per_s: f64) -> f64 {
        let powers = [1.0, omega_rad_per_s, omega_rad_per_s * omega_rad_per_s];
        let rows = self.covariance.iter().zip(powers);
        let variance: f64 = rows
            .map(|(row, a)| a * row.iter().zip(powers).map(|(c, b)| c * b).sum::<f64>())
            .sum();
        variance.max(0.0).sqrt()
    }
}

/// A load cell on an arm.
///
/// Force = sign · (k (c − z) + q ((c − c₀)² − (z − c₀)²)), with counts c and zero z; q is 0 for a
/// linear calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadCellModel {
    /// k: force of one count at `bend_about_counts`, N.
    pub newton_per_count: Assessed,
    /// q: N per squared count.
    pub newton_per_count_squared: f64,
    /// c₀: counts about which the parabola is written.
    pub bend_about_counts: f64,
    /// What hysteresis and bend leave at any load, at most: half a width, N.
    pub shape_half_width_n: f64,
    /// z: counts without load.
    pub zero_counts: Assessed,
    /// Arm in m.
    pub arm_m: Assessed,
    /// +1 or −1.
    pub sign: f64,
    /// Whether the arm holds the crank's torque itself rather than the drum's or absorber's.
    pub on_engine: bool,
    /// Lowest and highest counts that the converter can give, where known.
    pub range_counts: Option<(f64, f64)>,
    /// Lowest and highest counts that were calibrated, where known.
    pub calibrated_counts: Option<(f64, f64)>,
}

impl LoadCellModel {
    /// Force in N at these counts; positive when the torque on the shaft is.
    #[must_use]
    pub fn force_at_n(&self, counts: f64) -> f64 {
        self.force_n(
            counts,
            self.newton_per_count.value(),
            self.zero_counts.value(),
        )
    }

    /// Force in N, for another scale and zero than the model's.
    pub(super) fn force_n(&self, counts: f64, newton_per_count: f64, zero_counts: f64) -> f64 {
        let bend = (counts - self.bend_about_counts).powi(2)
            - (zero_counts - self.bend_about_counts).powi(2);
        self.sign
            * (newton_per_count * (counts - zero_counts) + self.newton_per_count_squared * bend)
    }
}

/// A tooth wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelModel {
    /// Teeth in a turn, those left out counted.
    pub teeth_per_turn: u32,
    /// Teeth left out on purpose, side by side.
    pub missing_teeth: u32,
    /// Whether it sits on the crank rather than on the drum.
    pub on_engine: bool,
    /// Tooth errors known from calibration, from any tooth on.
    pub tooth_errors: Option<KnownPattern>,
}

/// The stand, as far as reduction needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct ReductionModel {
    /// Moment of inertia of all that turns with the drum's (or absorber's) shaft, kg·m².
    pub drum_inertia_kg_m2: Option<Assessed>,
    /// Moment of inertia of what turns with the crank, about the crank, kg·m²; 0 when the curve is
    /// to show what reaches the drum.
    pub engine_inertia_kg_m2: Assessed,
    /// Losses at the drum.
    pub losses: LossModel,
    /// Engine turns per drum turn.
    pub engine_per_drum: Assessed,
    /// Share by which the engine turns faster than drum and drive say, where a tyre drives the drum
    /// and no second pickup sees it; 0 otherwise.
    pub tyre_slip: Assessed,
    /// The wheel that the curve is made from.
    pub wheel: WheelModel,
    /// A second one, to check the drive ratio with.
    pub second_wheel: Option<WheelModel>,
    /// Present where a load cell holds the torque.
    pub load_cell: Option<LoadCellModel>,
    /// Working cycles per engine turn: 0.5 for a four-stroke, 1 for a two-stroke.
    pub cycles_per_engine_turn: f64,
    /// What contradicts the stand file where a pull shows it.
    pub bounds: StandBounds,
}

impl ReductionModel {
    /// Engine turns per drum turn as they are: the drive ratio with the tyre's slip in it. Torque goes
    /// with the drive ratio alone.
    pub(super) fn speed_ratio(&self) -> f64 {
        self.engine_per_drum.value() * (1.0 + self.tyre_slip.value())
    }

    pub(super) fn drum_per_wheel(&self, speed_ratio: f64) -> f64 {
        if self.wheel.on_engine {
            1.0 / speed_ratio
        } else {
            1.0
        }
    }

    pub(super) fn engine_per_wheel(&self, speed_ratio: f64) -> f64 {
        speed_ratio * self.drum_per_wheel(speed_ratio)
    }

    /// Whether the arm holds all of the crank's torque, whatever turns.
    pub(super) fn held_at_engine(&self) -> bool {
        self.load_cell.is_some_and(|cell| cell.on_engine)
    }
}
