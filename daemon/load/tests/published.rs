//! Against what others published. Where no numbers are printed with a source here, they are from memory.

use std::f64::consts::PI;

use leverarm_load::absorber::{Absorber, Follows, Heat, Kind, Output, WithoutPower};
use leverarm_load::eddy::{Smythe, Wouterse};
use leverarm_load::reach::reach;
use leverarm_load::tuning::{
    Plant, half_rule, margins, simc_first_order, simc_integrating, ultimate_gain,
};

fn is_near(found: f64, expected: f64, relative: f64) {
    assert!(
        (found / expected - 1.0).abs() < relative,
        "{found} for {expected}"
    );
}

/// S. Skogestad, Journal of Process Control 13 (2003), table 1: the margins of its settings with τc = θ for an integrator
/// (GM 2.96, PM 46.9°, Ms 1.70, added dead time 1.59 θ) and for a first-order lag (3.14, which is π, 61.4°, 1.59, 2.14 θ); from memory.
#[test]
fn simc_leaves_the_margins_of_its_table() {
    let plant = Plant {
        per_inertia: 7.0,
        delay_s: 0.03,
    };
    let left = plant
        .margins(&simc_integrating(&plant, plant.delay_s))
        .unwrap();
    is_near(left.gain, 2.96, 0.002);
    is_near(left.phase_rad.to_degrees(), 46.9, 0.002);
    is_near(left.sensitivity, 1.70, 0.005);
    is_near(left.delay_s / plant.delay_s, 1.59, 0.005);

    let (lag_s, delay_s) = (0.1, 0.02);
    let gains = simc_first_order(4.0, lag_s, delay_s, delay_s);
    assert_eq!(gains.integral_s, lag_s);
    let loop_at = |omega: f64| {
        let pi = (omega * gains.integral_s).hypot(1.0) / (omega * gains.integral_s);
        let size = gains.proportional * 4.0 * pi / (omega * lag_s).hypot(1.0);
        let phase =
            (omega * gains.integral_s).atan() - PI / 2.0 - (omega * lag_s).atan() - omega * delay_s;
        (size, phase)
    };
    let left = margins(loop_at, 0.01, 300.0).unwrap();
    is_near(left.gain, PI, 0.002);
    is_near(left.phase_rad.to_degrees(), 61.4, 0.002);
    is_near(left.sensitivity, 1.59, 0.005);
    is_near(left.delay_s / delay_s, 2.14, 0.005);
}

/// Example E1 of the same paper, from memory: 1 / ((s + 1)(0.2 s + 1)) becomes a lag of 1.1 with a dead time of 0.1; with
/// τc = θ Kc is 5.5 and τI 0.8.
#[test]
fn simc_of_the_worked_example() {
    let (lag_s, delay_s) = half_rule(&[1.0, 0.2], 0.0);
    is_near(lag_s, 1.1, 1e-12);
    is_near(delay_s, 0.1, 1e-12);
    let gains = simc_first_order(1.0, lag_s, delay_s, delay_s);
    is_near(gains.proportional, 5.5, 1e-12);
    is_near(gains.integral_s, 0.8, 1e-12);
}

/// K. Åström, T. Hägglund, Automatica 20 (1984): a relay makes 1 / (s + 1)³ swing near its ultimate point, which is a gain
/// of 8 at √3 rad/s (Routh's criterion). The describing function leaves out the harmonics: some percent.
#[test]
fn a_relay_finds_the_ultimate_gain_of_three_lags() {
    let (mut x, mut relay) = ([0.0_f64; 3], 1.0);
    let (step_s, mut highest, mut passed) = (1e-4, 0.0_f64, Vec::new());
    for step in 0..600_000_u32 {
        let time = f64::from(step) * step_s;
        let before = x[2];
        let inputs = [relay, x[0], x[1]];
        for (state, input) in x.iter_mut().zip(inputs) {
            *state += (input - *state) * step_s;
        }
        if time > 40.0 {
            highest = highest.max(x[2]);
        }
        if before < 0.0 && x[2] >= 0.0 {
            passed.push(time);
        }
        relay = if x[2] > 0.0 { -1.0 } else { 1.0 };
    }
    is_near(ultimate_gain(1.0, highest), 8.0, 0.06);
    let period = passed[passed.len() - 1] - passed[passed.len() - 2];
    is_near(leverarm_load::tuning::angular(period), 3.0_f64.sqrt(), 0.02);
}

/// A relay and a step on an integrator with dead time find it; the triangle is exact geometry.
#[test]
fn relay_and_step_find_an_integrator() {
    let plant = Plant {
        per_inertia: 7.5,
        delay_s: 0.04,
    };
    let step_s = 1e-4;
    let late = 400_usize;
    let mut sent = std::collections::VecDeque::from(vec![1.0; late]);
    let (mut speed, mut highest, mut passed) = (0.0_f64, 0.0_f64, Vec::new());
    for step in 0..40_000_u32 {
        let before = speed;
        sent.push_back(if speed > 0.0 { 1.0 } else { -1.0 });
        speed -= plant.per_inertia * 2.0 * sent.pop_front().unwrap() * step_s;
        if step > 10_000 {
            highest = highest.max(speed);
        }
        if before < 0.0 && speed >= 0.0 {
            passed.push(f64::from(step) * step_s);
        }
    }
    let period = passed[passed.len() - 1] - passed[passed.len() - 2];
    let found = Plant::from_relay(2.0, highest, period).unwrap();
    is_near(found.per_inertia, plant.per_inertia, 0.01);
    is_near(found.delay_s, plant.delay_s, 0.01);

    // Accelerating at 12 rad/s², then 3 N·m more from 0 on, 0.04 s late, with some ripple.
    let speeds: Vec<(f64, f64)> = (-500..1_000_i32)
        .map(|place| {
            let at = f64::from(place) * 1e-3;
            let braked = (at - plant.delay_s).max(0.0) * 3.0 * plant.per_inertia;
            (at, 200.0 + 12.0 * at - braked + 0.05 * (at * 260.0).sin())
        })
        .collect();
    let (found, uncertainty) = Plant::from_step(3.0, &speeds, 0.1).unwrap();
    is_near(found.per_inertia, plant.per_inertia, 0.003);
    is_near(found.delay_s, plant.delay_s, 0.03);
    assert!(uncertainty > 1e-5 && uncertainty < 0.003, "{uncertainty}");
    assert_eq!(Plant::from_relay(2.0, 0.0, 0.1), None);
    assert_eq!(Plant::from_step(3.0, &speeds[..400], 0.1), None);
}

/// W. Smythe, AIEE Transactions 61 (1942), 681-684, from memory: the torque is greatest where (β γ ω)² = R / 3, and there
/// 9/16 of the straight line from rest; far above it falls with ω³.
#[test]
fn smythes_torque_has_its_peak_and_falls() {
    let disc = Smythe {
        sheet_conductance_s: 5.8e7 * 0.01,
        reluctance: 1.7,
        beta: 3e-8,
        geometry: 0.02,
        flux_wb: 0.004,
    };
    let critical = disc.critical_rad_per_s();
    let peak = disc.torque_nm(critical);
    for near in [0.98, 1.02] {
        assert!(disc.torque_nm(critical * near) < peak);
    }
    let straight = disc.torque_nm(1e-6 * critical) * 1e6;
    is_near(peak / straight, 9.0 / 16.0, 1e-6);
    is_near(
        disc.torque_nm(2e3 * critical) / disc.torque_nm(1e3 * critical),
        1.0 / 8.0,
        1e-4,
    );
}

/// J. Wouterse, IEE Proceedings B 138 (1991), 153-158, from memory: an iron pole of 40 mm on a copper disc of 5 mm. Its critical
/// speed, greatest drag and low-speed drag hang together, F̂ = v_k / 2 times the drag per speed; beyond the critical speed
/// the drag falls with 1/v, where Smythe's falls with its cube. c and v_k by hand: (1 + r/A)(A − r)/D = 2.0833,
/// c = ½ (1 − 0.25/4.340) = 0.4712; v_k = 2/μ₀ · 1.4568 · 1.7e-8/0.005 · √(0.007/0.04) = 3.298 m/s.
#[test]
fn wouterses_brake_has_its_critical_speed() {
    let brake = Wouterse {
        pole_diameter_m: 0.04,
        pole_radius_m: 0.1,
        disc_radius_m: 0.15,
        disc_thickness_m: 0.005,
        resistivity_ohm_m: 1.7e-8,
        gap_m: 0.007,
        field_t: 0.6,
        poles: 1.0,
    };
    is_near(brake.critical_m_per_s(), 3.298, 1e-3);
    is_near(
        brake.greatest_n(),
        brake.critical_m_per_s() / 2.0 * brake.low_speed_n_s_per_m(),
        1e-9,
    );
    let at_critical = brake.critical_m_per_s() / 0.1;
    is_near(brake.torque_nm(at_critical), 0.1 * brake.greatest_n(), 1e-9);
    is_near(
        brake.torque_nm(2e3 * at_critical) / brake.torque_nm(1e3 * at_critical),
        0.5,
        1e-4,
    );
}

fn absorber(follows: Follows, heat: Heat) -> Absorber {
    Absorber {
        kind: Kind::EddyCurrent,
        full_torque: vec![(50.0, 30.0), (100.0, 50.0), (200.0, 40.0)],
        torque_of_output: Kind::EddyCurrent.usual_torque_of_output(),
        follows,
        heat,
        output: Output::Pwm,
        without_power: WithoutPower::LetsGo,
    }
}

const HEAT: Heat = Heat {
    capacity_j_per_k: 4_000.0,
    cooling_w_per_k: 20.0,
    fade_per_k: 0.001,
    temperature_max_k: 500.0,
};

/// An RL circuit on a voltage, i = V/R (1 − e^(−t/τ)): forced fourfold it lets go in τ ln((1 + 4)/(0.05 + 4)), without a
/// reverse voltage in τ ln 20 (textbook).
#[test]
fn forcing_and_fast_decay_let_go_sooner() {
    let coil = |forcing, fast_decay| Follows::Coil {
        resistance_ohm: 8.0,
        time_constant_s: 0.1,
        forcing,
        fast_decay,
    };
    is_near(
        coil(4.0, true).release_s(),
        0.1 * (5.0_f64 / 4.05).ln(),
        1e-12,
    );
    is_near(coil(4.0, false).release_s(), 0.1 * 20.0_f64.ln(), 1e-12);
}

/// C dT/dt = P − h (T − T₀) integrated in steps.
#[test]
fn heat_lasts_as_long_as_its_equation_says() {
    let (power_w, start_k) = (8_000.0, 300.0);
    let (mut temperature_k, mut time_s) = (start_k, 0.0);
    while temperature_k < HEAT.temperature_max_k {
        temperature_k += (power_w - HEAT.cooling_w_per_k * (temperature_k - start_k))
            / HEAT.capacity_j_per_k
            * 0.01;
        time_s += 0.01;
    }
    is_near(HEAT.lasts_s(power_w, start_k).unwrap(), time_s, 1e-3);
    assert_eq!(HEAT.lasts_s(3_999.0, start_k), None);
    is_near(HEAT.lasting_w(start_k), 4_000.0, 1e-12);
}

/// Where the lines cross by hand: an engine of 40 N·m at all speeds against 30 at 50 and 50 at 100 rad/s, straight between:
/// 40 at 75, 44 at 85; then 50 falls to 40 at 200: 44 at 160, 40 at 200.
#[test]
fn what_it_holds_is_where_it_is_stronger() {
    let absorber = absorber(
        Follows::Electronics {
            time_constant_s: 0.01,
        },
        HEAT,
    );
    let found = reach(&absorber, &[(50.0, 40.0), (250.0, 40.0)], 1.0);
    assert_eq!(found.holds.len(), 1, "{found:?}");
    let (low, high) = found.holds[0];
    assert!(
        (low - 85.0).abs() < 1.1 && (high - 160.0).abs() < 1.1,
        "{found:?}"
    );
    assert_eq!(found.stalls.len(), 2, "{found:?}");
    assert!(
        (found.stalls[0].1 - 75.0).abs() < 1.1 && (found.stalls[1].0 - 200.0).abs() < 1.1,
        "{found:?}"
    );
    is_near(found.power_w, 10_000.0, 1e-9);
    // Output and torque are each other's way back.
    for share in [0.0, 0.1, 0.35, 0.8, 1.0] {
        let back = absorber.torque_nm(100.0, absorber.output_for(share), 1.0) / 50.0;
        assert!((back - share).abs() < 1e-12, "{share} {back}");
    }
}
