//! Brake stands: the pit bike's engine on an absorber.
//!
//! The rotor is light: without load the engine goes from 5000 to 9000 rev/min within a second.

use leverarm_load::absorber::{Absorber, Follows, Heat, Kind, Output, WithoutPower};
use leverarm_load::settings::Task;

use super::absorber::AbsorberModel;
use super::cycles::CycleVariation;
use super::model::{Drum, Engine, Losses, Pickup, Ripple, Setup, Shaft, StandModel};
use super::torque_curve::TorqueCurve;

/// Crank turns per turn of the absorber.
const RATIO: f64 = 2.4;

impl StandModel {
    /// The pit bike's engine, or a twin of 1.6 times its torque, on an absorber of the size it needs. All values are plausible
    /// ones of ours.
    #[must_use]
    pub fn braked(kind: Kind, cylinders: u8) -> Self {
        let size = if cylinders > 1 { 1.6 } else { 1.0 };
        let base = Self::pit_bike();
        let mut engine = Engine::pit_bike(Setup::MainJet105);
        engine.full_throttle = TorqueCurve::through(&[
            (1_500.0, 6.0 * size),
            (3_000.0, 8.3 * size),
            (4_000.0, 9.6 * size),
            (5_000.0, 10.6 * size),
            (6_000.0, 11.0 * size),
            (7_000.0, 10.8 * size),
            (8_500.0, 9.55 * size),
            (9_500.0, 7.9 * size),
            (10_500.0, 5.5 * size),
        ]);
        engine.inertia_kg_m2 *= size;
        engine.drag.constant_nm *= size;
        engine.drag.per_speed_nm_s *= size;
        engine.ripple = Ripple {
            amplitude: 2.5,
            firings: cylinders,
        };
        engine.cycles = CycleVariation::HEALTHY;
        let drum = Drum {
            inertia_kg_m2: 0.1 * size,
            losses: Losses {
                c0_nm: 0.2,
                c1_nm_s: 0.001,
                c2_nm_s2: 2e-6,
            },
        };
        let inertia_kg_m2 = drum.inertia_kg_m2 + RATIO * RATIO * engine.inertia_kg_m2;
        let task = Task {
            rate_hz: 1_000,
            tick_hz: base.board.tick_hz,
            teeth: 60,
            turns_per_firing: engine.breathing.turns_per_cycle / f64::from(cylinders) / RATIO,
            inertia_kg_m2,
            engine_torque_nm: 1.05 * RATIO * 11.0 * size,
            stall_rad_per_s: 40.0,
            speed_max_rad_per_s: 390.0,
            firmness: 1.0,
        };
        Self {
            drum,
            engine,
            ratio: RATIO,
            pickups: vec![
                Pickup {
                    position_error_rms: 0.01,
                    jitter_rms_s: 1e-6,
                    ..Pickup::perfect(Shaft::Drum, task.teeth)
                },
                Pickup::perfect(Shaft::Engine, 1),
            ],
            absorber: Some(AbsorberModel::as_stated(absorber(kind, size), task)),
            ..base
        }
    }
}

fn absorber(kind: Kind, size: f64) -> Absorber {
    let (full_torque, follows): (Vec<(f64, f64)>, Follows) = match kind {
        // 2 T / (v/v_k + v_k/v), its peak at 160 rad/s.
        Kind::EddyCurrent => (
            (1..=10_u32)
                .map(|place| {
                    let speed = 40.0 * f64::from(place);
                    let share = speed / 160.0;
                    (speed, 60.0 * size * 2.0 * share / (1.0 + share * share))
                })
                .collect(),
            Follows::Coil {
                resistance_ohm: 8.0,
                time_constant_s: 0.1,
                forcing: 4.0,
                fast_decay: true,
            },
        ),
        Kind::Water => (
            vec![
                (50.0, 2.9 * size),
                (100.0, 11.6 * size),
                (150.0, 26.0 * size),
                (218.0, 55.0 * size),
                (260.0, 66.0 * size),
                (400.0, 80.0 * size),
            ],
            Follows::Valve {
                stroke_s: 0.15,
                fill_s: 0.03,
            },
        ),
        Kind::Hydraulic | Kind::Generator => (
            vec![(30.0, 55.0 * size), (400.0, 60.0 * size)],
            Follows::Valve {
                stroke_s: 0.08,
                fill_s: 0.015,
            },
        ),
    };
    let output = if kind == Kind::Water {
        Output::Servo
    } else {
        Output::Pwm
    };
    Absorber {
        kind,
        full_torque,
        torque_of_output: kind.usual_torque_of_output(),
        follows,
        heat: Heat {
            capacity_j_per_k: 6_000.0 * size,
            cooling_w_per_k: 40.0 * size,
            fade_per_k: if kind == Kind::EddyCurrent {
                0.001
            } else {
                0.000_5
            },
            temperature_max_k: 570.0,
        },
        output,
        without_power: WithoutPower::LetsGo,
    }
}
