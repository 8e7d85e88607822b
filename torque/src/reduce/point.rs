//! The measurement model of one point, and its uncertainty.

use leverarm_filters::speed_fit::Motion;

use super::force::ForceMean;
use super::model::ReductionModel;
use super::{AirReadings, ReduceOptions};
use crate::air::{Air, Correction};
use crate::curve::{CurvePoint, How, PointInput, RAD_PER_S_PER_RPM, Source, budget};
use crate::uncertainty::{Assessed, Measured};

/// What one point's torque is worked out from; sensitivities come from moving one at a time.
#[derive(Debug, Clone, Copy)]
struct Quantities {
    drum_inertia: f64,
    engine_inertia: f64,
    ratio: f64,
    losses_nm: f64,
    loss_drift_nm: f64,
    alpha: f64,
    counts: f64,
    newton_per_count: f64,
    shape_n: f64,
    zero_counts: f64,
    arm_m: f64,
    pressure_pa: f64,
    temperature_k: f64,
    relative_humidity: f64,
}

/// One instant, or one hold, of a pull on a stand.
pub(super) struct PointModel<'a> {
    pub(super) stand: &'a ReductionModel,
    pub(super) correction: &'a Correction,
    pub(super) air: &'a AirReadings,
    /// Motion of the wheel.
    pub(super) motion: Motion,
    /// Acceleration of the wheel with its uncertainty from timing.
    pub(super) alpha: Assessed,
    /// Change of the wheel's acceleration with its speed, 1/s.
    pub(super) alpha_per_omega: f64,
    /// Load cell, where it counts.
    pub(super) force: Option<ForceMean>,
}

/// An input before its sensitivity is known.
type Line = (
    Source,
    &'static str,
    &'static str,
    Assessed,
    fn(&mut Quantities) -> &mut f64,
);

impl<'a> PointModel<'a> {
    pub(super) fn new(
        stand: &'a ReductionModel,
        options: &'a ReduceOptions,
        motion: Motion,
        force: Option<ForceMean>,
    ) -> Self {
        Self {
            stand,
            correction: &options.correction,
            air: &options.air,
            motion,
            alpha: Measured::new(motion.alpha_rad_per_s2, motion.alpha_uncertainty_rad_per_s2)
                .into(),
            alpha_per_omega: 0.0,
            force,
        }
    }

    pub(super) fn rpm(&self) -> f64 {
        let ratio = self.stand.engine_per_drum.value();
        self.motion.omega_rad_per_s * self.stand.engine_per_wheel(ratio) / RAD_PER_S_PER_RPM
    }

    fn drum_omega(&self, ratio: f64) -> f64 {
        self.motion.omega_rad_per_s * self.stand.drum_per_wheel(ratio)
    }

    fn estimates(&self) -> Quantities {
        let stand = self.stand;
        let ratio = stand.engine_per_drum.value();
        let cell = stand.load_cell.as_ref();
        Quantities {
            drum_inertia: stand.drum_inertia_kg_m2.map_or(0.0, |i| i.value()),
            engine_inertia: stand.engine_inertia_kg_m2.value(),
            ratio,
            losses_nm: stand.losses.torque_nm(self.drum_omega(ratio)),
            loss_drift_nm: 0.0,
            alpha: self.alpha.value(),
            counts: self.force.map_or(0.0, |f| f.counts.value()),
            newton_per_count: cell.map_or(0.0, |c| c.newton_per_count.value()),
            shape_n: 0.0,
            zero_counts: cell.map_or(0.0, |c| c.zero_counts.value()),
            arm_m: cell.map_or(0.0, |c| c.arm_m.value()),
            pressure_pa: self.air.pressure_pa.value,
            temperature_k: self.air.temperature_k.value,
            relative_humidity: self.air.relative_humidity.value,
        }
    }

    /// Torque at the crank at this point's engine speed, as measured.
    ///
    /// Another ratio means another wheel speed at the same engine speed: acceleration and force are
    /// carried there along their slopes.
    fn measured_nm(&self, q: &Quantities) -> f64 {
        let stand = self.stand;
        let estimate = stand.engine_per_drum.value();
        let omega = self.motion.omega_rad_per_s;
        let moved =
            omega * (stand.engine_per_wheel(estimate) / stand.engine_per_wheel(q.ratio) - 1.0);
        let held_nm = stand
            .load_cell
            .as_ref()
            .zip(self.force)
            .map(|(cell, force)| {
                let slope = if self.alpha_per_omega == 0.0 {
                    0.0 // a hold: there is no sweep to move along
                } else {
                    force.counts_per_s / self.motion.alpha_rad_per_s2
                };
                let counts = q.counts + slope * moved;
                (cell.force_n(counts, q.newton_per_count, q.zero_counts) + q.shape_n) * q.arm_m
            });
        if stand.held_at_engine() {
            return held_nm.unwrap_or(0.0); // the arm holds all of it, whatever turns
        }
        let alpha = (q.alpha + self.alpha_per_omega * moved) * stand.drum_per_wheel(q.ratio);
        let drum_omega = (omega + moved) * stand.drum_per_wheel(q.ratio);
        let at_estimate = stand.losses.torque_nm(self.drum_omega(estimate));
        let mut losses_nm = stand.losses.torque_nm(drum_omega) - at_estimate + q.losses_nm;
        if stand.losses.follow_inertia
            && let Some(inertia) = stand.drum_inertia_kg_m2
        {
            losses_nm *= q.drum_inertia / inertia.value();
        }
        // The crank's own inertia turns `ratio` times as fast, so it counts ratio² at the drum.
        let inertia = q.drum_inertia + q.engine_inertia * q.ratio * q.ratio;
        (inertia * alpha + losses_nm + q.loss_drift_nm + held_nm.unwrap_or(0.0)) / q.ratio
    }

    fn factor(&self, q: &Quantities) -> f64 {
        let humidity = q.relative_humidity.clamp(0.0, 1.0);
        // Readings at the edge of what is possible have no more there: the estimate's then.
        let air = Air::new(q.pressure_pa, q.temperature_k, humidity);
        air.map_or(1.0, |air| self.correction.factor(&air).factor)
    }

    fn corrected_nm(&self, q: &Quantities) -> f64 {
        self.measured_nm(q) * self.factor(q)
    }

    /// Corrected torque alone, for finding peaks.
    pub(super) fn torque_nm(&self) -> f64 {
        self.corrected_nm(&self.estimates())
    }

    /// Torque at the drum that turns the parts, N·m: what timing's part is measured against.
    pub(super) fn drum_nm(&self) -> f64 {
        self.measured_nm(&self.estimates()) * self.stand.engine_per_drum.value()
    }

    fn lines(&self, q: &Quantities) -> Vec<Line> {
        let stand = self.stand;
        let mut lines: Vec<Line> = Vec::with_capacity(14);
        if !stand.held_at_engine() {
            self.motion_lines(q, &mut lines);
        }
        if let (Some(cell), Some(force)) = (&stand.load_cell, &self.force) {
            let shape = Measured::within(0.0, cell.shape_half_width_n).into();
            let cell_lines: [Line; 5] = [
                (
                    Source::LoadCell,
                    "load cell scale",
                    "N/count",
                    cell.newton_per_count,
                    |q| &mut q.newton_per_count,
                ),
                (
                    Source::LoadCell,
                    "load cell hysteresis and bend",
                    "N",
                    shape,
                    |q| &mut q.shape_n,
                ),
                (Source::Arm, "arm length", "m", cell.arm_m, |q| &mut q.arm_m),
                (
                    Source::Zero,
                    "load cell zero",
                    "counts",
                    cell.zero_counts,
                    |q| &mut q.zero_counts,
                ),
                (
                    Source::ForceNoise,
                    "force scatter",
                    "counts",
                    force.counts,
                    |q| &mut q.counts,
                ),
            ];
            lines.extend(cell_lines);
        }
        let air: [Line; 3] = [
            (
                Source::Air,
                "air pressure",
                "Pa",
                self.air.pressure_pa.into(),
                |q| &mut q.pressure_pa,
            ),
            (
                Source::Air,
                "air temperature",
                "K",
                self.air.temperature_k.into(),
                |q| &mut q.temperature_k,
            ),
            (
                Source::Air,
                "relative humidity",
                "1",
                self.air.relative_humidity.into(),
                |q| &mut q.relative_humidity,
            ),
        ];
        if *self.correction != Correction::None {
            lines.extend(air);
        }
        lines
    }

    /// Inertia, ratio, losses and timing: what counts unless the arm holds the engine itself.
    fn motion_lines(&self, q: &Quantities, lines: &mut Vec<Line>) {
        let stand = self.stand;
        if let Some(inertia) = stand.drum_inertia_kg_m2 {
            lines.push((Source::Inertia, "drum inertia", "kg·m²", inertia, |q| {
                &mut q.drum_inertia
            }));
        }
        let engine = stand.engine_inertia_kg_m2;
        if engine.value() > 0.0 {
            lines.push((Source::Inertia, "engine inertia", "kg·m²", engine, |q| {
                &mut q.engine_inertia
            }));
        }
        lines.push((
            Source::Ratio,
            "drive ratio",
            "1",
            stand.engine_per_drum,
            |q| &mut q.ratio,
        ));
        let losses = &stand.losses;
        let u = losses.standard_uncertainty_nm(self.drum_omega(q.ratio));
        let loss = Assessed {
            measured: Measured::new(q.losses_nm, u),
            degrees_of_freedom: losses.degrees_of_freedom,
            ..if losses.degrees_of_freedom.is_finite() {
                Assessed::type_a(Measured::exact(0.0), 1.0)
            } else {
                Assessed::type_b(Measured::exact(0.0))
            }
        };
        lines.push((Source::Losses, "losses", "N·m", loss, |q| &mut q.losses_nm));
        let drift = (losses.repeatability.standard_uncertainty() * q.losses_nm).abs();
        if drift > 0.0 {
            let assessed = Assessed {
                measured: Measured::new(0.0, drift),
                ..losses.repeatability
            };
            lines.push((
                Source::LossDrift,
                "losses from pull to pull",
                "N·m",
                assessed,
                |q| &mut q.loss_drift_nm,
            ));
        }
        if q.drum_inertia + q.engine_inertia > 0.0 {
            lines.push((
                Source::Timing,
                "acceleration from tooth timing",
                "rad/s²",
                self.alpha,
                |q| &mut q.alpha,
            ));
        }
    }

    /// The point with its uncertainty.
    pub(super) fn point(&self, how: How, trustworthy: bool) -> CurvePoint {
        let q = self.estimates();
        let inputs: Vec<PointInput> = self
            .lines(&q)
            .into_iter()
            .map(|(source, name, unit, assessed, pick)| PointInput {
                source,
                name,
                assessed,
                unit,
                sensitivity: self.sensitivity(&q, &assessed, pick),
            })
            .collect();
        let combined = budget(&inputs).evaluate(0.95).ok();
        let factors = combined.map_or((f64::NAN, f64::NAN), |c| {
            (c.total.coverage_factor, c.pull_to_pull.coverage_factor)
        });
        CurvePoint {
            rpm: self.rpm(),
            time_s: self.motion.time_s,
            torque_nm: self.corrected_nm(&q),
            measured_torque_nm: self.measured_nm(&q),
            contributions: by_source(&inputs),
            inputs,
            coverage_factor: factors.0,
            pull_to_pull_coverage_factor: factors.1,
            how,
            resolution_rpm: None,
            ratio_check: None,
            trustworthy: trustworthy && factors.0.is_finite(),
        }
    }

    /// Central difference over one standard uncertainty to each side.
    fn sensitivity(
        &self,
        q: &Quantities,
        input: &Assessed,
        pick: fn(&mut Quantities) -> &mut f64,
    ) -> f64 {
        let step = match input.standard_uncertainty() {
            u if u > 0.0 => u,
            _ => 1e-6 * input.value().abs().max(1e-3),
        };
        let at = |side: f64| {
            let mut moved = *q;
            *pick(&mut moved) += side * step;
            self.corrected_nm(&moved)
        };
        (at(1.0) - at(-1.0)) / (2.0 * step)
    }
}

fn by_source(inputs: &[PointInput]) -> Vec<(Source, f64)> {
    let mut found: Vec<(Source, f64)> = Vec::with_capacity(inputs.len());
    for input in inputs {
        let u = input.contribution_nm().abs();
        match found.iter_mut().find(|(source, _)| *source == input.source) {
            Some((_, sum)) => *sum = sum.hypot(u),
            None => found.push((input.source, u)),
        }
    }
    found
}
