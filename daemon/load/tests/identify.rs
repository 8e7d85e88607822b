//! Inertia and lag read from a run of the loop itself on an engine that is Newton's law: the board's own steps drive a coil of one
//! lag on a shaft of one inertia, whose cycles differ and now and then do not burn.

#![expect(
    clippy::unwrap_used,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a test that cannot go on fails; some seconds of steps, teeth and ticks"
)]

use std::f64::consts::TAU;

use leverarm_load::absorber::{Absorber, Follows, Heat, Kind, Output, WithoutPower};
use leverarm_load::controller::{Controller, Demand, Inputs, Mode, Q16};
use leverarm_load::identify::{Identified, MeanSpeed, NotIdentified, OutputOrder, RelayRun};
use leverarm_load::settings::{Task, settings};

const INERTIA_KG_M2: f64 = 0.2;
const LAG_S: f64 = 0.12;
const SPEED: f64 = 170.0;
const ENGINE_NM: f64 = 12.0;
const STEP_S: f64 = 1e-3;
const TICK_HZ: f64 = 2e6;
const CYCLE_RAD: f64 = TAU * 50.0 / 60.0;

fn absorber() -> Absorber {
    Absorber {
        kind: Kind::EddyCurrent,
        full_torque: vec![(50.0, 40.0), (400.0, 40.0)],
        torque_of_output: Kind::EddyCurrent.usual_torque_of_output(),
        follows: Follows::Coil {
            resistance_ohm: 8.0,
            // Stated a tenth too long.
            time_constant_s: 1.1 * LAG_S,
            forcing: 4.0,
            fast_decay: true,
        },
        heat: Heat {
            capacity_j_per_k: 6_000.0,
            cooling_w_per_k: 40.0,
            fade_per_k: 0.0,
            temperature_max_k: 570.0,
        },
        output: Output::Pwm,
        without_power: WithoutPower::LetsGo,
    }
}

fn task() -> Task {
    Task {
        rate_hz: 1_000,
        tick_hz: 2_000_000,
        teeth: 60,
        turns_per_firing: 50.0 / 60.0,
        // Stated a tenth too great.
        inertia_kg_m2: 1.1 * INERTIA_KG_M2,
        engine_torque_nm: 30.0,
        stall_rad_per_s: 40.0,
        speed_max_rad_per_s: 390.0,
        firmness: 1.0,
    }
}

/// Twelve seconds of halves of 240, 160 and 80 ms. One cycle in `misfires` does not burn; `is_tame` is what a board tells that
/// gives the output that it was asked for, and leads by nothing.
fn run(misfires: Option<u64>, is_tame: bool) -> RelayRun {
    let absorber = absorber();
    let mut board = Controller::new(settings(&absorber, &task()));
    board.arm();
    let mut run = RelayRun::default();
    let (mut speed, mut angle, mut level) = (SPEED, 0.0_f64, 0.0);
    let (mut work, mut draws, mut brakes, mut next_s) = (1.0, 1_u64, false, 1.0);
    let (mut window, mut plan) = ((0.0, 0.0), [0.24, 0.16, 0.08, 0.16].into_iter().cycle());
    let mut tooth_tick = 0;
    let asked = |torque_nm: f64| absorber.output_for(torque_nm / 40.0);
    for step in 0..13_000_u32 {
        let time_s = f64::from(step) * STEP_S;
        if step == 0 || time_s >= next_s {
            brakes = !brakes && step > 0;
            let swing_nm = match (step, brakes) {
                (0, _) => 0.0,
                (_, true) => 4.0,
                (_, false) => -4.0,
            };
            let output = asked(ENGINE_NM + swing_nm);
            board.demand(Demand {
                mode: Mode::Output,
                target: (output * Q16 as f64).round() as i64,
                ..Demand::default()
            });
            let at_s = time_s - 0.5 * STEP_S;
            if step > 0 {
                // The first is half as long, so that the speed goes to and fro about where it was.
                next_s =
                    time_s + plan.next().unwrap() * if run.orders.is_empty() { 0.5 } else { 1.0 };
                run.orders.push(OutputOrder {
                    at_s,
                    or_s: None,
                    output,
                });
            }
        }
        let put_out = board.step(&Inputs {
            tick: (time_s * TICK_HZ) as u32,
            tooth_tick,
            teeth: ((angle / TAU * 60.0) as u64 % 256) as u8,
            ..Inputs::default()
        });
        let output = put_out.output as f64 / Q16 as f64;
        if step % 50 == 0 && time_s >= 1.0 {
            let tame = run.orders.last().unwrap().output;
            run.told
                .push((time_s + 0.5 * STEP_S, if is_tame { tame } else { output }));
        }
        // The current as it is at the end of the step, and the torque of its middle.
        let before = level;
        level = (output + (level - output) * (-STEP_S / LAG_S).exp()).clamp(0.0, 1.0);
        if time_s < 0.9 {
            // Held until it begins.
            level = asked(ENGINE_NM);
        }
        let brake_nm = absorber.torque_nm(speed, 0.5 * (before + level), 1.0);
        let torque_nm = ENGINE_NM * work - brake_nm;
        let rate = if time_s < 0.9 {
            0.0
        } else {
            torque_nm / INERTIA_KG_M2
        };
        let turned = speed * STEP_S + rate * STEP_S * STEP_S / 2.0;
        let to = angle + turned;
        if (to / TAU * 60.0).floor() > (angle / TAU * 60.0).floor() {
            let tooth = (to / TAU * 60.0).floor() * TAU / 60.0;
            tooth_tick = ((time_s + STEP_S * (tooth - angle) / turned) * TICK_HZ) as u32;
        }
        if (to / CYCLE_RAD).floor() > (angle / CYCLE_RAD).floor() {
            let end = (to / CYCLE_RAD).floor() * CYCLE_RAD;
            let to_s = time_s + STEP_S * (end - angle) / turned;
            if window.0 >= 1.0 {
                run.speeds.push(MeanSpeed {
                    from_s: window.0,
                    to_s,
                    rad_per_s: (end - window.1) / (to_s - window.0),
                    teeth: (0, 0),
                    turned_rad: CYCLE_RAD,
                });
            }
            window = (to_s, end);
            // A linear congruential generator, of Numerical Recipes; the sum of four draws is nearly a normal one.
            let mut draw = || {
                draws = draws
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (draws >> 33) as f64 / f64::from(1_u32 << 31)
            };
            let normal = (draw() + draw() + draw() + draw() - 2.0) * 3.0_f64.sqrt();
            let burns = misfires.is_none_or(|of| draw() > 1.0 / of as f64);
            work = if burns { 1.0 + 0.03 * normal } else { -0.2 };
        }
        (speed, angle) = (speed + rate * STEP_S, to);
    }
    run
}

fn identified(run: RelayRun) -> Result<Identified, NotIdentified> {
    run.identify(&absorber(), &settings(&absorber(), &task()), 0.017)
}

#[test]
fn inertia_and_lag_are_newtons() {
    for misfires in [None, Some(100), Some(40)] {
        let found = identified(run(misfires, false)).unwrap();
        let (inertia, lag) = (found.inertia_kg_m2, found.lag_s);
        let off = (inertia.value - INERTIA_KG_M2).abs() / inertia.uncertainty;
        assert!(
            off < 2.0 && inertia.uncertainty < 0.05 * INERTIA_KG_M2,
            "{found:?}"
        );
        let off = (lag.value - LAG_S).abs() / lag.uncertainty;
        assert!(off < 2.0 && lag.uncertainty < 0.07 * LAG_S, "{found:?}");
        assert_eq!(found.left_out > 0, misfires.is_some(), "{found:?}");
    }
}

#[test]
fn a_board_that_drives_otherwise_is_refused() {
    let refused = identified(run(None, true)).unwrap_err();
    assert!(
        matches!(refused, NotIdentified::OtherOutput { .. }),
        "{refused}"
    );
}
