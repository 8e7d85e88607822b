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
    slip: f64,
    losses_nm: f64,
    loss_drift_nm: f64,
    alpha: f64,
    parting: f64,
    counts: f64,
    newton_per_count: f64,
    shape_n: f64,
    zero_counts: f64,
    arm_m: f64,
    pressure_pa: f64,
    temperature_k: f64,
    relative_humidity: f64,
}

/// The engine's own speed at an instant, seen by a second pickup.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct OwnSpeed {
    /// Engine turns per drum turn.
    pub(super) engine_per_drum: Measured,
    /// Acceleration of the crank beyond that of the drum times these, rad/s².
    pub(super) parting_rad_per_s2: Measured,
    /// By how much the drive ratio may be stated low, as a share: no slip explains the engine's speed.
    pub(super) ratio_doubt: f64,
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
    /// The engine's own speed, where a second pickup sees that it slips.
    pub(super) own: Option<OwnSpeed>,
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
            own: None,
            force,
        }
    }

    pub(super) fn rpm(&self) -> f64 {
        let speed_ratio = self.speed_ratio(&self.estimates());
        self.motion.omega_rad_per_s * self.stand.engine_per_wheel(speed_ratio) / RAD_PER_S_PER_RPM
    }

    /// Engine turns per drum turn as they are. Where a second pickup sees them, they don't depend on
    /// the drive ratio.
    fn speed_ratio(&self, q: &Quantities) -> f64 {
        let seen = self.own.map(|own| own.engine_per_drum.value);
        seen.unwrap_or(q.ratio) * (1.0 + q.slip)
    }

    fn drum_omega(&self, q: &Quantities) -> f64 {
        self.motion.omega_rad_per_s * self.stand.drum_per_wheel(self.speed_ratio(q))
    }

    /// Slip and its uncertainty: beyond what the second pickup sees, or of the tyre.
    fn slip(&self) -> Assessed {
        self.own.map_or(self.stand.tyre_slip, |own| {
            let relative = own.engine_per_drum.relative_standard_uncertainty();
            Measured::new(0.0, relative).into()
        })
    }

    /// The drive ratio, anywhere from the stated to the seen one where both may be.
    fn ratio(&self) -> Assessed {
        let stated = self.stand.engine_per_drum;
        let doubt = self.own.map_or(0.0, |own| own.ratio_doubt);
        if doubt == 0.0 {
            return stated;
        }
        let half_width = (doubt * stated.value()).abs();
        let u = stated
            .standard_uncertainty()
            .hypot(half_width / 3.0_f64.sqrt());
        Measured::new(stated.value(), u).into()
    }

    fn estimates(&self) -> Quantities {
        let stand = self.stand;
        let cell = stand.load_cell.as_ref();
        let mut q = Quantities {
            drum_inertia: stand.drum_inertia_kg_m2.map_or(0.0, |i| i.value()),
            engine_inertia: stand.engine_inertia_kg_m2.value(),
            ratio: stand.engine_per_drum.value(),
            slip: self.slip().value(),
            losses_nm: 0.0,
            loss_drift_nm: 0.0,
            alpha: self.alpha.value(),
            parting: self.parting().value,
            counts: self.force.map_or(0.0, |f| f.counts.value()),
            newton_per_count: cell.map_or(0.0, |c| c.newton_per_count.value()),
            shape_n: 0.0,
            zero_counts: cell.map_or(0.0, |c| c.zero_counts.value()),
            arm_m: cell.map_or(0.0, |c| c.arm_m.value()),
            pressure_pa: self.air.pressure_pa.value,
            temperature_k: self.air.temperature_k.value,
            relative_humidity: self.air.relative_humidity.value,
        };
        q.losses_nm = stand.losses.torque_nm(self.drum_omega(&q));
        q
    }

    /// Torque at the crank at this point's engine speed, as measured.
    ///
    /// Another ratio means another wheel speed at the same engine speed: acceleration and force are
    /// carried there along their slopes.
    fn measured_nm(&self, q: &Quantities) -> f64 {
        let stand = self.stand;
        let moved = self.moved_rad_per_s(q);
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
        let engine_nm = q.engine_inertia * self.engine_alpha(q);
        (self.drum_side_nm(q) + held_nm.unwrap_or(0.0)) / q.ratio + engine_nm
    }

    /// By how much the wheel's speed differs from the estimate's at the same engine speed, rad/s.
    fn moved_rad_per_s(&self, q: &Quantities) -> f64 {
        let stand = self.stand;
        let estimate = self.speed_ratio(&self.estimates());
        let now = self.speed_ratio(q);
        let share = stand.engine_per_wheel(estimate) / stand.engine_per_wheel(now);
        self.motion.omega_rad_per_s * (share - 1.0)
    }

    /// Acceleration of the drum, rad/s².
    fn drum_alpha(&self, q: &Quantities) -> f64 {
        let moved = self.moved_rad_per_s(q);
        let mut alpha = q.alpha + self.alpha_per_omega * moved;
        if self.stand.wheel.on_engine {
            alpha -= q.parting;
        }
        alpha * self.stand.drum_per_wheel(self.speed_ratio(q))
    }

    /// Acceleration of the crank, rad/s².
    fn engine_alpha(&self, q: &Quantities) -> f64 {
        self.drum_alpha(q) * self.speed_ratio(q) + q.parting
    }

    fn parting(&self) -> Measured {
        let nothing = Measured::exact(0.0);
        self.own.map_or(nothing, |own| own.parting_rad_per_s2)
    }

    /// Torque at the drum that turns it faster and against its losses, N·m.
    fn drum_side_nm(&self, q: &Quantities) -> f64 {
        let stand = self.stand;
        let estimates = self.estimates();
        let omega = self.motion.omega_rad_per_s + self.moved_rad_per_s(q);
        let drum_omega = omega * stand.drum_per_wheel(self.speed_ratio(q));
        let at_estimate = stand.losses.torque_nm(self.drum_omega(&estimates));
        let mut losses_nm = stand.losses.torque_nm(drum_omega) - at_estimate + q.losses_nm;
        if stand.losses.follow_inertia
            && let Some(inertia) = stand.drum_inertia_kg_m2
        {
            losses_nm *= q.drum_inertia / inertia.value();
        }
        q.drum_inertia * self.drum_alpha(q) + losses_nm + q.loss_drift_nm
    }

    /// Power lost where the drive slips, W, corrected as the torque is: what the drive transmits times
    /// the speed that gets lost.
    pub(super) fn slip_power_w(&self) -> Option<f64> {
        let q = self.estimates();
        let own = self.own?;
        let engine = self.drum_omega(&q) * own.engine_per_drum.value;
        let lost = engine - self.drum_omega(&q) * q.ratio;
        let transmitted = self.measured_nm(&q) - q.engine_inertia * self.engine_alpha(&q);
        Some(transmitted * lost * self.factor(&q))
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
        lines.push((Source::Ratio, "drive ratio", "1", self.ratio(), |q| {
            &mut q.ratio
        }));
        let slip = self.slip();
        if slip.standard_uncertainty() > 0.0 {
            let name = "engine's speed over the drive's (slip)";
            lines.push((Source::Ratio, name, "1", slip, |q| &mut q.slip));
        }
        let parting = self.parting();
        if parting.standard_uncertainty > 0.0 {
            let name = "engine's acceleration beside the drum's (slip)";
            lines.push((Source::Ratio, name, "rad/s²", parting.into(), |q| {
                &mut q.parting
            }));
        }
        let losses = &stand.losses;
        let u = losses.standard_uncertainty_nm(self.drum_omega(q));
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
            slip_power_w: self.slip_power_w(),
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
