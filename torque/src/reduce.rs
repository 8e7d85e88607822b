//! From the raw samples of a pull to its curve: a pure function of samples, stand and options.
//!
//! With a drum: `torque at the drum = I alpha + losses(omega)`. With a brake's load cell:
//! `torque at its shaft = sign (counts - zero) scale arm`, and with both the sum. Through the drive
//! ratio it becomes torque at the crank: as measured there, what the drive itself takes is part of
//! the losses or of the engine, as the coast-down that gave the losses was made.

use leverarm_filters::full_throttle::{Wheel, full_throttle};
use leverarm_filters::speed_fit::{
    FitError, FitOptions, KnownPattern, Motion, SpeedFit, fit_speed,
};
use leverarm_filters::teeth::{Edge, ToothTrain, resolve};

use crate::air::{Air, AirError, Correction, CorrectionFactor};
use crate::curve::{Curve, CurvePoint, RAD_PER_S_PER_RPM, Source, peak};
use crate::uncertainty::{Measured, propagate};

/// A drum, as far as reduction needs it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrumModel {
    /// Moment of inertia of all that turns with the engine, referred to the drum's shaft, kg·m².
    pub inertia_kg_m2: Measured,
}

/// Loss torque at the drum, `constant + linear omega + quadratic omega²`, N·m, with its relative
/// standard uncertainty.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct LossModel {
    /// N·m
    pub constant_nm: f64,
    /// N·m/(rad/s)
    pub linear_nm_s_per_rad: f64,
    /// N·m/(rad/s)²
    pub quadratic_nm_s2_per_rad2: f64,
    /// Relative standard uncertainty of the whole.
    pub relative_uncertainty: f64,
}

impl LossModel {
    /// Loss torque in N·m at a drum speed in rad/s.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> f64 {
        self.constant_nm
            + omega_rad_per_s
                * (self.linear_nm_s_per_rad + omega_rad_per_s * self.quadratic_nm_s2_per_rad2)
    }
}

/// A load cell on an arm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadCellModel {
    /// Force of one count, N.
    pub newton_per_count: Measured,
    /// Counts without load.
    pub zero_counts: f64,
    /// Arm in m.
    pub arm_m: Measured,
    /// +1 or −1.
    pub sign: f64,
    /// Whether the arm holds the crank's torque itself rather than the drum's or absorber's.
    pub on_engine: bool,
}

/// The stand, as far as reduction needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct ReductionModel {
    /// Present where the inertia counts.
    pub drum: Option<DrumModel>,
    /// Losses at the drum.
    pub losses: LossModel,
    /// Engine turns per drum turn.
    pub engine_per_drum: Measured,
    /// Teeth of the pickup whose edges are given.
    pub teeth_per_turn: u32,
    /// Whether that pickup is on the engine.
    pub pickup_on_engine: bool,
    /// Present where a load cell holds the torque.
    pub load_cell: Option<LoadCellModel>,
    /// Working cycles per engine turn: 0.5 for a four-stroke, 1 for a two-stroke.
    pub cycles_per_engine_turn: f64,
    /// Tooth errors known from calibration.
    pub tooth_errors: Option<KnownPattern>,
}

impl ReductionModel {
    fn drum_per_wheel(&self) -> f64 {
        if self.pickup_on_engine {
            1.0 / self.engine_per_drum.value
        } else {
            1.0
        }
    }

    fn engine_per_wheel(&self) -> f64 {
        self.engine_per_drum.value * self.drum_per_wheel()
    }
}

/// Readings of the air with their uncertainties: Pa, K, fraction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirReadings {
    /// Absolute pressure, Pa.
    pub pressure_pa: Measured,
    /// Intake air temperature, K.
    pub temperature_k: Measured,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: Measured,
}

/// Raw samples of a pull. Ticks count from the same zero.
#[derive(Debug, Clone, Copy)]
pub struct RawPull<'a> {
    /// Ticks per second.
    pub tick_hz: f64,
    /// Edges of the pickup, in order.
    pub edges: &'a [Edge],
    /// Tick and counts of the load cell, in order.
    pub force: &'a [(u64, i32)],
}

/// How to reduce.
#[derive(Debug, Clone, PartialEq)]
pub struct ReduceOptions {
    /// Engine speed above which the pull counts, rad/s.
    pub start_rad_per_s: f64,
    /// Distance of grid points in rpm.
    pub step_rpm: f64,
    /// First grid point; the pull's own when absent.
    pub from_rpm: Option<f64>,
    /// Last grid point; the pull's own when absent.
    pub to_rpm: Option<f64>,
    /// Correction to reference air.
    pub correction: Correction,
    /// The air during the pull.
    pub air: AirReadings,
}

/// Why a pull has no curve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReduceError {
    /// The teeth hold no full-throttle rise.
    #[error(
        "no full-throttle rise above {start_rpm:.0} rpm in {edges} pickup edges; the pull rules' start speed may be too high, or the pickup saw nothing"
    )]
    NoRise {
        /// Start speed asked for.
        start_rpm: f64,
        /// Edges in the recording.
        edges: usize,
    },
    /// The fit failed.
    #[error(transparent)]
    Fit(#[from] FitError),
    /// The air readings are impossible.
    #[error(transparent)]
    Air(#[from] AirError),
    /// Neither inertia nor load cell.
    #[error(
        "the stand has neither a drum inertia nor a load cell, so there is no torque to work out"
    )]
    NoTorque,
    /// The load cell gave too few samples.
    #[error("the load cell gave {found} samples during the pull, expected at least {expected}")]
    TooFewForces {
        /// Samples found.
        found: usize,
        /// Samples needed.
        expected: usize,
    },
    /// Numbers that make no grid.
    #[error("the curve's grid step of {step_rpm} rpm must be positive")]
    BadGrid {
        /// Step asked for.
        step_rpm: f64,
    },
}

/// Largest standard uncertainty from timing, as a share of the greatest acceleration, at which a
/// point is still shown.
const TIMING_SHARE_MAX: f64 = 0.02;
/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 1.0;
/// Half width of the window in which the force is averaged around a point.
const FORCE_HALF_WIDTH_S: f64 = 0.12;
const FORCE_SAMPLES_MIN: usize = 4;
/// Speeds at which the peak is looked for.
const PEAK_SAMPLES: usize = 400;

/// Reduces a pull.
///
/// # Errors
/// See [`ReduceError`].
pub fn reduce(
    pull: &RawPull<'_>,
    stand: &ReductionModel,
    options: &ReduceOptions,
) -> Result<Curve, ReduceError> {
    if stand.drum.is_none() && stand.load_cell.is_none() {
        return Err(ReduceError::NoTorque);
    }
    if !(options.step_rpm > 0.0 && options.step_rpm.is_finite()) {
        return Err(ReduceError::BadGrid {
            step_rpm: options.step_rpm,
        });
    }
    let (factor, factor_uncertainty) = correction(options)?;
    let train = resolve(pull.edges, pull.tick_hz, stand.teeth_per_turn, STANDSTILL_S);
    let wheel = Wheel {
        teeth_per_turn: stand.teeth_per_turn,
        cycles_per_turn: stand.cycles_per_engine_turn * stand.engine_per_wheel(),
    };
    let range = full_throttle(
        &train,
        wheel,
        options.start_rad_per_s / stand.engine_per_wheel(),
    )
    .ok_or(ReduceError::NoRise {
        start_rpm: options.start_rad_per_s / RAD_PER_S_PER_RPM,
        edges: pull.edges.len(),
    })?;
    let part = train.part(range);
    let fit = fit_speed(
        &part,
        &FitOptions {
            teeth_per_turn: stand.teeth_per_turn,
            cycles_per_turn: Some(wheel.cycles_per_turn),
            tick_s: 1.0 / pull.tick_hz,
            pattern: stand.tooth_errors.clone(),
        },
    )?;
    let torque = TorqueAt {
        pull,
        stand,
        fit: &fit,
        train: &part,
        factor: factor.factor,
        factor_uncertainty,
    };
    torque.curve(options, factor)
}

/// Correction factor and its standard uncertainty.
fn correction(options: &ReduceOptions) -> Result<(CorrectionFactor, f64), AirError> {
    let readings = &options.air;
    let air = Air::new(
        readings.pressure_pa.value,
        readings.temperature_k.value,
        readings.relative_humidity.value,
    )?;
    let factor = options.correction.factor(&air);
    let inputs = [
        readings.pressure_pa,
        readings.temperature_k,
        readings.relative_humidity,
    ];
    let spread = propagate(inputs, |[pressure, temperature, humidity]| {
        Air::new(pressure, temperature, humidity.clamp(0.0, 1.0))
            .map_or(factor.factor, |air| options.correction.factor(&air).factor)
    });
    Ok((factor, spread.standard_uncertainty))
}

struct TorqueAt<'a> {
    pull: &'a RawPull<'a>,
    stand: &'a ReductionModel,
    fit: &'a SpeedFit,
    train: &'a ToothTrain,
    factor: f64,
    factor_uncertainty: f64,
}

impl TorqueAt<'_> {
    fn rpm(&self, motion: &Motion) -> f64 {
        motion.omega_rad_per_s * self.stand.engine_per_wheel() / RAD_PER_S_PER_RPM
    }

    /// Force torque at its shaft and the standard uncertainty of the mean, from a line through the
    /// samples around an instant.
    fn force_torque(&self, cell: &LoadCellModel, time_s: f64) -> Result<(f64, f64), ReduceError> {
        let tick_of = |t: f64| self.train.origin_tick as f64 + t * self.pull.tick_hz;
        let window = tick_of(time_s - FORCE_HALF_WIDTH_S)..tick_of(time_s + FORCE_HALF_WIDTH_S);
        let first = self
            .pull
            .force
            .partition_point(|s| (s.0 as f64) < window.start);
        let last = self
            .pull
            .force
            .partition_point(|s| (s.0 as f64) < window.end);
        let samples = &self.pull.force[first..last];
        if samples.len() < FORCE_SAMPLES_MIN {
            let (found, expected) = (samples.len(), FORCE_SAMPLES_MIN);
            return Err(ReduceError::TooFewForces { found, expected });
        }
        let n = samples.len() as f64;
        let x = |s: &(u64, i32)| (s.0 as f64 - tick_of(time_s)) / self.pull.tick_hz;
        let mean_x = samples.iter().map(x).sum::<f64>() / n;
        let mean_y = samples.iter().map(|s| f64::from(s.1)).sum::<f64>() / n;
        let (mut sxx, mut sxy) = (0.0, 0.0);
        for s in samples {
            sxx += (x(s) - mean_x).powi(2);
            sxy += (x(s) - mean_x) * (f64::from(s.1) - mean_y);
        }
        let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
        let counts = mean_y - slope * mean_x;
        let rest: f64 = samples
            .iter()
            .map(|s| (f64::from(s.1) - mean_y - slope * (x(s) - mean_x)).powi(2))
            .sum();
        let variance = rest / (n - 2.0)
            * (1.0 / n
                + if sxx > 0.0 {
                    mean_x * mean_x / sxx
                } else {
                    0.0
                });
        let gain = cell.sign * cell.newton_per_count.value * cell.arm_m.value;
        Ok((
            gain * (counts - cell.zero_counts),
            gain.abs() * variance.sqrt(),
        ))
    }

    fn point(&self, motion: &Motion, trustworthy: bool) -> Result<CurvePoint, ReduceError> {
        let stand = self.stand;
        let ratio = stand.engine_per_drum;
        let drum_omega = motion.omega_rad_per_s * stand.drum_per_wheel();
        let mut drum_torque = 0.0;
        let mut engine_torque = 0.0;
        let mut at_crank: Vec<(Source, f64)> = Vec::new();
        if let Some(drum) = &stand.drum {
            let alpha = motion.alpha_rad_per_s2 * stand.drum_per_wheel();
            let inertia = drum.inertia_kg_m2;
            drum_torque += inertia.value * alpha;
            at_crank.push((
                Source::Inertia,
                inertia.standard_uncertainty * alpha / ratio.value,
            ));
            let alpha_u = motion.alpha_uncertainty_rad_per_s2 * stand.drum_per_wheel();
            at_crank.push((Source::Timing, inertia.value * alpha_u / ratio.value));
        }
        let losses = stand.losses.torque_nm(drum_omega);
        let through_losses = stand.drum.is_some() || stand.load_cell.is_some_and(|c| !c.on_engine);
        if through_losses {
            drum_torque += losses;
            let u = losses * stand.losses.relative_uncertainty / ratio.value;
            at_crank.push((Source::Losses, u));
        }
        if let Some(cell) = &stand.load_cell {
            let (torque, noise) = self.force_torque(cell, motion.time_s)?;
            let to_crank = if cell.on_engine {
                1.0
            } else {
                1.0 / ratio.value
            };
            if cell.on_engine {
                engine_torque += torque;
                drum_torque = 0.0; // the arm holds all of the crank's torque, whatever turns it
                at_crank.clear();
            } else {
                drum_torque += torque;
            }
            let relative = |m: Measured| m.relative_standard_uncertainty();
            at_crank.push((
                Source::LoadCell,
                torque * to_crank * relative(cell.newton_per_count),
            ));
            at_crank.push((Source::Arm, torque * to_crank * relative(cell.arm_m)));
            at_crank.push((Source::ForceNoise, noise * to_crank));
        }
        engine_torque += drum_torque / ratio.value;
        if drum_torque != 0.0 {
            let u = drum_torque / ratio.value * ratio.relative_standard_uncertainty();
            at_crank.push((Source::Ratio, u));
        }
        let mut contributions: Vec<(Source, f64)> = at_crank
            .into_iter()
            .map(|(source, u)| (source, (u * self.factor).abs()))
            .collect();
        contributions.push((Source::Air, (engine_torque * self.factor_uncertainty).abs()));
        Ok(CurvePoint {
            rpm: self.rpm(motion),
            time_s: motion.time_s,
            torque_nm: engine_torque * self.factor,
            measured_torque_nm: engine_torque,
            contributions,
            trustworthy,
        })
    }

    fn curve(
        &self,
        options: &ReduceOptions,
        factor: CorrectionFactor,
    ) -> Result<Curve, ReduceError> {
        let motions = self.fit.sampled(PEAK_SAMPLES);
        let alpha_scale = motions
            .iter()
            .map(|m| m.alpha_rad_per_s2)
            .fold(0.0, f64::max);
        let uses_alpha =
            self.stand.drum.is_some() && !self.stand.load_cell.is_some_and(|c| c.on_engine);
        let trusted = |m: &Motion| {
            let share = if uses_alpha {
                TIMING_SHARE_MAX
            } else {
                f64::INFINITY
            };
            self.fit.trustworthy(m, alpha_scale, share)
        };
        let rpms: Vec<f64> = motions.iter().map(|m| self.rpm(m)).collect();
        let low = rpms
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min)
            .max(options.start_rad_per_s / RAD_PER_S_PER_RPM);
        let high = rpms.iter().copied().fold(0.0, f64::max);
        let step = options.step_rpm;
        let mut points = Vec::new();
        let mut rpm = (options.from_rpm.unwrap_or(low).max(low) / step).ceil() * step;
        let last = options.to_rpm.unwrap_or(high).min(high);
        while rpm <= last {
            let omega = rpm * RAD_PER_S_PER_RPM / self.stand.engine_per_wheel();
            if let Some(motion) = self.fit.at_omega(omega) {
                let mut point = self.point(&motion, trusted(&motion))?;
                point.rpm = rpm;
                points.push(point);
            }
            rpm += step;
        }
        let mut fine = Vec::with_capacity(PEAK_SAMPLES);
        for motion in motions.iter().filter(|m| trusted(m) && self.rpm(m) >= low) {
            fine.push(self.point(motion, true)?);
        }
        let torque: Vec<(f64, f64)> = fine.iter().map(|p| (p.rpm, p.torque_nm)).collect();
        let power: Vec<(f64, f64)> = fine.iter().map(|p| (p.rpm, p.power_w())).collect();
        let (from_s, to_s) = self.fit.time_range_s();
        let remarks = self.remarks(&points, &factor);
        Ok(Curve {
            points,
            factor,
            peak_torque: peak(&torque),
            peak_power: peak(&power),
            remarks,
            timing_noise_s: Some(self.fit.noise_s),
            tooth_errors_rad: self.fit.pattern_rad.clone(),
            sweep_rpm_per_s: (rpms[rpms.len() - 1] - rpms[0]) / (to_s - from_s),
        })
    }

    fn remarks(&self, points: &[CurvePoint], factor: &CorrectionFactor) -> Vec<String> {
        let mut remarks = Vec::new();
        for breach in factor.why_not() {
            remarks.push(format!("air correction outside its range: {breach}"));
        }
        let faults = self.train.faults;
        if faults.missed > 0 {
            remarks.push(format!("{} teeth not seen", faults.missed));
        }
        if faults.extra > 0 {
            remarks.push(format!("{} edges that were no teeth", faults.extra));
        }
        for (from, to) in self.fit.gaps_s() {
            remarks.push(format!(
                "no teeth from {from:.2} s to {to:.2} s: the curve is left out there"
            ));
        }
        if faults.uncertain_gaps > 0 {
            remarks.push(format!(
                "{} gaps whose number of teeth is uncertain",
                faults.uncertain_gaps
            ));
        }
        if self.fit.teeth_set_aside > 0 {
            remarks.push(format!(
                "{} teeth set aside as noise",
                self.fit.teeth_set_aside
            ));
        }
        let hidden = points.iter().filter(|p| !p.trustworthy).count();
        if hidden > 0 {
            remarks.push(format!(
                "{hidden} of {} points not trustworthy",
                points.len()
            ));
        }
        remarks
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings() -> AirReadings {
        AirReadings {
            pressure_pa: Measured::exact(99_000.0),
            temperature_k: Measured::exact(298.0),
            relative_humidity: Measured::exact(0.0),
        }
    }

    fn model() -> ReductionModel {
        ReductionModel {
            drum: Some(DrumModel {
                inertia_kg_m2: Measured::new(3.2, 0.016),
            }),
            losses: LossModel {
                constant_nm: 0.8,
                linear_nm_s_per_rad: 0.004,
                ..LossModel::default()
            },
            engine_per_drum: Measured::exact(6.0),
            teeth_per_turn: 8,
            pickup_on_engine: false,
            load_cell: None,
            cycles_per_engine_turn: 0.5,
            tooth_errors: None,
        }
    }

    fn options() -> ReduceOptions {
        ReduceOptions {
            start_rad_per_s: 3000.0 * RAD_PER_S_PER_RPM,
            step_rpm: 100.0,
            from_rpm: None,
            to_rpm: None,
            correction: Correction::Iso1585SparkIgnition,
            air: readings(),
        }
    }

    /// Edges of a drum under a constant engine torque with the losses of [`model`], and the tick of
    /// the end of the pull; exact integration in small steps.
    fn edges(torque_nm: f64) -> Vec<Edge> {
        let stand = model();
        let (mut omega, mut theta, mut number) = (40.0, 0.0_f64, 0_u64);
        let pitch = std::f64::consts::TAU / 8.0;
        let mut edges = Vec::new();
        let dt = 2e-6;
        let mut step = 0_u64;
        while omega < 150.0 {
            let drive = if omega < 49.0 && number < 60 {
                0.3
            } else {
                1.0
            };
            let alpha = (torque_nm * drive * 6.0 - stand.losses.torque_nm(omega)) / 3.2;
            let before = theta;
            theta += omega * dt + 0.5 * alpha * dt * dt;
            omega += alpha * dt;
            if theta >= pitch * (number + 1) as f64 {
                let share = (pitch * (number + 1) as f64 - before) / (theta - before);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "positive"
                )]
                let tick = ((step as f64 + share) * dt * 2e6) as u64;
                edges.push(Edge { tick, number });
                number += 1;
            }
            step += 1;
        }
        edges
    }

    /// Newton's second law for rotation, with the losses put back: 9 N·m in, 9 N·m out.
    #[test]
    fn a_constant_torque_comes_back() {
        let edges = edges(9.0);
        let pull = RawPull {
            tick_hz: 2e6,
            edges: &edges,
            force: &[],
        };
        let curve = reduce(&pull, &model(), &options()).unwrap();
        assert!(curve.points.len() > 45, "{}", curve.points.len());
        for point in &curve.points {
            assert!(
                (point.torque_nm - 9.0).abs() < 0.01,
                "{} rpm: {}",
                point.rpm,
                point.torque_nm
            );
            let inertia = point.standard_uncertainty_nm(|s| s == Source::Inertia);
            assert!((inertia / point.torque_nm - 0.005).abs() < 0.0005);
        }
        let power = curve.peak_power.unwrap();
        assert!((power.value / (9.0 * power.rpm * RAD_PER_S_PER_RPM) - 1.0).abs() < 1e-3);
    }

    /// A load cell on the drum's absorber adds to the inertia term; on the engine it is the torque.
    #[test]
    fn force_times_arm() {
        let edges = edges(9.0);
        let last = edges[edges.len() - 1].tick;
        let force: Vec<(u64, i32)> = (0..last / 25_000).map(|i| (i * 25_000, 10_500)).collect();
        let pull = RawPull {
            tick_hz: 2e6,
            edges: &edges,
            force: &force,
        };
        let cell = LoadCellModel {
            newton_per_count: Measured::exact(0.01),
            zero_counts: 500.0,
            arm_m: Measured::new(0.3, 0.003),
            sign: 1.0,
            on_engine: false,
        };
        let both = ReductionModel {
            load_cell: Some(cell),
            ..model()
        };
        let curve = reduce(&pull, &both, &options()).unwrap();
        // 100 N on 0.3 m is 30 N·m at the absorber, 5 N·m at the crank.
        assert!((curve.points[20].torque_nm - 14.0).abs() < 0.01);
        let arm = curve.points[20].standard_uncertainty_nm(|s| s == Source::Arm);
        // Standards count 0 degC as 273 K, so the factor at 298 K is 0.9997 and not 1.
        assert!((arm - 0.05).abs() < 5e-5);
        let cradle = LoadCellModel {
            on_engine: true,
            ..cell
        };
        let engine = ReductionModel {
            load_cell: Some(cradle),
            ..model()
        };
        let curve = reduce(&pull, &engine, &options()).unwrap();
        assert!((curve.points[20].torque_nm - 30.0).abs() < 0.02);
    }

    #[test]
    fn no_rise_is_an_error_in_words() {
        let pull = RawPull {
            tick_hz: 2e6,
            edges: &[],
            force: &[],
        };
        let error = reduce(&pull, &model(), &options()).unwrap_err().to_string();
        assert!(
            error.contains("no full-throttle rise above 3000 rpm"),
            "{error}"
        );
    }

    #[test]
    fn correction_outside_its_range_is_remarked() {
        let edges = edges(9.0);
        let pull = RawPull {
            tick_hz: 2e6,
            edges: &edges,
            force: &[],
        };
        let mut thin = options();
        thin.air.pressure_pa = Measured::new(82_000.0, 100.0);
        let curve = reduce(&pull, &model(), &thin).unwrap();
        assert!(
            curve
                .remarks
                .iter()
                .any(|r| r.contains("outside its range")),
            "{:?}",
            curve.remarks
        );
        assert!(curve.points[10].standard_uncertainty_nm(|s| s == Source::Air) > 0.0);
    }
}
