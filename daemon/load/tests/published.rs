//! Against what others published. Where no numbers are printed with a source here, they are from memory.

use leverarm_load::absorber::{Absorber, Follows, Heat, Kind, Output, WithoutPower};
use leverarm_load::reach::reach;
use leverarm_load::tuning::{Plant, simc_integrating};

fn is_near(found: f64, expected: f64, relative: f64) {
    assert!(
        (found / expected - 1.0).abs() < relative,
        "{found} for {expected}"
    );
}

/// S. Skogestad, Journal of Process Control 13 (2003), table 1: the margins of its settings with τc = θ for an integrator
/// (GM 2.96, PM 46.9°, Ms 1.70, added dead time 1.59 θ); from memory.
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
