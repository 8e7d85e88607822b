//! Brake stands that nobody tuned anything on: everything about them is drawn.

use leverarm_load::absorber::{Absorber, Follows, Kind};

use super::model::StandModel;
use super::noise::{Noise, Stream};
use super::torque_curve::TorqueCurve;

impl StandModel {
    /// Another stand than [`Self::braked`], from a seed: engine, rotor, absorber and wheel are others, and what the loop is
    /// told of them is wrong by what a person can't know before a measurement: inertia by up to 20 %, torque and lag by up to
    /// 10 %. Ranges are plausible ones of ours: singles are rougher than twins, one engine in three misfires, half of the water
    /// valves take more than 0.4 s for their stroke.
    #[must_use]
    pub fn drawn_brake(kind: Kind, cylinders: u8, seed: u64) -> Self {
        let mut noise = Noise::new(seed, Stream::Brakes);
        let mut between = |low: f64, high: f64| low + (high - low) * noise.uniform();
        let mut model = Self::braked(kind, cylinders);

        let strength = between(0.7, 1.4);
        let sag = between(-0.15, 0.15);
        let points: Vec<(f64, f64)> = [
            1_500.0, 3_000.0, 4_500.0, 6_000.0, 7_500.0, 9_000.0, 10_500.0,
        ]
        .map(|rpm| {
            let torque_nm = model.engine.full_throttle.torque_nm(super::rad_per_s(rpm));
            (
                rpm,
                torque_nm * strength * (1.0 + sag * (rpm - 5_500.0) / 4_000.0),
            )
        })
        .to_vec();
        model.engine.full_throttle = TorqueCurve::through(&points);
        model.engine.ripple.amplitude = between(1.8, 3.2);
        model.engine.cycles.cov = if cylinders > 1 {
            between(0.01, 0.025)
        } else {
            between(0.02, 0.04)
        };
        model.engine.cycles.misfire_probability = between(-0.01, 0.005).max(0.0);
        model.engine.cycles.misfire_run = 1.5;
        model.drum.inertia_kg_m2 *= between(0.7, 3.0);
        let inertia_kg_m2 = model.locked_inertia_kg_m2();
        model.pickups[0].teeth = [24, 36, 60, 90, 120][draw_place(between(0.0, 5.0))];
        model.pickups[0].position_error_rms = between(0.003, 0.015);

        let ratio = model.ratio;
        let teeth = model.pickups[0].teeth;
        let Some(brake) = &mut model.absorber else {
            return model;
        };
        for point in &mut brake.absorber.full_torque {
            point.1 *= strength * between(0.95, 1.05);
        }
        brake.absorber.follows = match kind {
            Kind::EddyCurrent => Follows::Coil {
                resistance_ohm: 8.0,
                time_constant_s: between(0.05, 0.3),
                forcing: between(2.0, 6.0),
                fast_decay: between(0.0, 1.0) < 0.75,
            },
            Kind::Water => Follows::Valve {
                stroke_s: 0.1 * between(0.0, 15.0_f64.ln()).exp(),
                fill_s: between(0.02, 0.1),
            },
            Kind::Hydraulic | Kind::Generator => Follows::Valve {
                stroke_s: between(0.05, 0.2),
                fill_s: between(0.01, 0.03),
            },
        };
        let sticks = if kind == Kind::Water { 0.04 } else { 0.02 };
        if kind != Kind::EddyCurrent {
            brake.stiction = between(0.0, sticks);
        }
        if kind == Kind::Water {
            // The slower the valve, the less it knocks.
            let Follows::Valve { stroke_s, .. } = brake.absorber.follows else {
                return model;
            };
            brake.hammer = between(0.05, 0.2) * (0.15 / stroke_s).min(1.0);
            brake.hammer_hz = between(6.0, 20.0);
        }
        brake.absorber.heat.fade_per_k = if kind == Kind::EddyCurrent {
            between(0.000_7, 0.001_5)
        } else {
            between(0.000_2, 0.000_7)
        };
        brake.absorber.heat.capacity_j_per_k *= between(0.5, 2.0);
        brake.torque_sensor_s = if between(0.0, 1.0) < 0.5 {
            f64::INFINITY
        } else {
            between(0.005, 0.02)
        };
        brake.has_output_sensor &= between(0.0, 1.0) < 0.7;

        brake.believed = brake.absorber.clone();
        for point in &mut brake.believed.full_torque {
            point.1 *= between(0.9, 1.1);
        }
        stretch(&mut brake.believed, between(0.9, 1.1));
        brake.task.inertia_kg_m2 = inertia_kg_m2 * between(0.8, 1.2);
        brake.task.teeth = teeth;
        let highest_nm = points.iter().map(|it| it.1).fold(0.0, f64::max);
        brake.task.engine_torque_nm = ratio * highest_nm * between(1.0, 1.15);
        model
    }
}

fn draw_place(at: f64) -> usize {
    (1..5_u8).filter(|it| f64::from(*it) <= at).count()
}

/// Another belief about how fast it is.
fn stretch(absorber: &mut Absorber, by: f64) {
    match &mut absorber.follows {
        Follows::Coil {
            time_constant_s, ..
        }
        | Follows::Electronics { time_constant_s } => *time_constant_s *= by,
        Follows::Valve { stroke_s, fill_s } => {
            *stroke_s *= by;
            *fill_s *= by;
        }
    }
}
