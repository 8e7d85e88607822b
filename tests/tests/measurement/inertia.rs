//! `calibrate inertia`: each method on motions that follow from a known inertia.

use crate::bench::{Bench, DRUM_STAND, assert_within, number};
use crate::board_log::{BoardLog, Story};

const INERTIA: f64 = 1.9;
const G: f64 = 9.806_65;
const RADIUS: f64 = 0.05;
const FRICTION: f64 = 0.35;

/// Newton's second law for weight and drum: m r (g − r α) = I α + T.
fn fall_alpha(mass_kg: f64, friction_nm: f64) -> f64 {
    (mass_kg * RADIUS * G - friction_nm) / (INERTIA + mass_kg * RADIUS * RADIUS)
}

/// Grease drags more the faster it is sheared: two falls that are not compared at one speed make a drum too heavy by 2 %.
fn greased_nm(omega_rad_per_s: f64) -> f64 {
    FRICTION * (0.7 + 0.05 * omega_rad_per_s)
}

/// The weight falls for 6 s, then the drum runs down.
fn fall(seed: u64, mass_kg: f64) -> BoardLog {
    Story {
        seed,
        until_s: 15.0,
        alpha: &|t, omega| match t {
            t if t < 0.7 => 0.0,
            t if t < 6.7 => fall_alpha(mass_kg, greased_nm(omega)),
            _ => -greased_nm(omega) / INERTIA,
        },
        ..Story::default()
    }
    .tell()
}

#[test]
fn two_falling_weights() {
    let bench = Bench::new(DRUM_STAND);
    let light = bench.log("light.bin", &fall(1, 5.0));
    let heavy = bench.log("heavy.bin", &fall(2, 10.0));
    let plot = bench.path("inertia.svg");
    let run = |log: &str, mass: &str| format!("mass = {mass}; log = {log}");
    let (first, second) = (run(&light, "5 +/- 0.005 kg"), run(&heavy, "10 +/- 0.01 kg"));
    let arguments = [
        "calibrate",
        "inertia",
        "--radius",
        "50 +/- 0.05 mm",
        "--gravity",
        "9.80665 m/s^2",
        "--run",
        &first,
        "--run",
        &second,
        "--plot",
        plot.to_str().unwrap(),
        "--json",
    ];
    let found = bench.json(&arguments);
    let inertia = number(&found, "/record/inertia_kg_m2/value");
    assert_within("inertia", inertia, INERTIA, 0.004);
    let u = number(&found, "/record/inertia_kg_m2/standard_uncertainty");
    assert!(
        (INERTIA - inertia).abs() < 3.0 * u && u < 0.01 * INERTIA,
        "{inertia} ± {u}"
    );
    assert_eq!(found["record"]["method"], "falling_weight");
    assert_eq!(found["agrees"], true);
    assert!(plot.exists());

    // In force: another stand file's inertia no longer counts.
    let listed = bench.run(&["calibrations"]).ok();
    assert!(listed.contains("falling weight"), "{listed}");
    let history = bench.run(&["calibrations", "--history"]).ok();
    assert!(history.contains("by falling weight"), "{history}");
    bench.run(&["calibrations", "--forget", "inertia"]).ok();
    let listed = bench.run(&["calibrations"]).ok();
    assert!(!listed.contains("falling weight"), "{listed}");

    // A drum that is not what the file says.
    let wrong = DRUM_STAND.replace("1.900 +/- 0.005", "1.700 +/- 0.005");
    let bench = Bench::new(&wrong);
    let light = bench.log("light.bin", &fall(1, 5.0));
    let heavy = bench.log("heavy.bin", &fall(2, 10.0));
    let (first, second) = (run(&light, "5 +/- 0.005 kg"), run(&heavy, "10 +/- 0.01 kg"));
    let said = bench
        .line(&format!(
            "calibrate inertia --radius '50 +/- 0.05 mm' --run '{first}' --run '{second}'"
        ))
        .ok();
    assert!(said.contains("DISAGREEMENT"), "{said}");
}

#[test]
fn falls_timed_by_hand() {
    let bench = Bench::new(DRUM_STAND);
    // h = r α t²/2.
    let run = |mass_kg: f64| {
        let seconds = (2.0 * 1.2 / (RADIUS * fall_alpha(mass_kg, FRICTION))).sqrt();
        format!("mass = {mass_kg} kg; height = 1.2 m; time = {seconds} +/- 0.01 s")
    };
    let found = bench
        .line(&format!(
            "calibrate inertia --radius '50 mm' --gravity '9.80665 m/s^2' --run '{}' \
             --run '{}' --json",
            run(5.0),
            run(10.0)
        ))
        .json();
    assert_within(
        "inertia",
        number(&found, "/record/inertia_kg_m2/value"),
        INERTIA,
        1e-6,
    );
    bench
        .line("calibrate inertia --radius '50 mm' --run 'mass = 5 kg' --run 'mass = 9 kg'")
        .fails_with(&[
            "--run",
            "expected one of log, pull, alpha, or height with time",
        ]);
    bench
        .run(&["calibrate", "inertia", "--method", "falling-weight"])
        .fails_with(&["give --radius"]);
}

fn loss_nm(omega: f64) -> f64 {
    1.2 + 0.006 * omega + 3e-5 * omega * omega
}

/// With some share of the usual losses.
fn coast(seed: u64, inertia: f64, losses: f64) -> BoardLog {
    Story {
        seed,
        until_s: 60.0,
        omega: 20.0,
        alpha: &|t, omega| {
            if t < 3.0 {
                42.0
            } else {
                -losses * loss_nm(omega) / inertia
            }
        },
        ..Story::default()
    }
    .tell()
}

#[test]
fn coast_downs_without_and_with_a_ring() {
    let bench = Bench::new(DRUM_STAND);
    // 12 kg between 400 and 300 mm: m (D² + d²)/8 = 0.375 kg·m².
    let ring = 12.0 * (0.4 * 0.4 + 0.3 * 0.3) / 8.0;
    let without = bench.log("without.bin", &coast(1, INERTIA, 1.0));
    let by_ring = |log: &str, losses: f64| {
        let with = bench.log(log, &coast(2, INERTIA + ring, losses));
        let found = bench.line(&format!(
            "calibrate inertia --ring-mass '12 +/- 0.005 kg' --ring-outer '400 mm' \
             --ring-inner '300 mm' --without '{without}' --with '{with}' --json"
        ));
        found.json()
    };
    let found = by_ring("with.bin", 1.0);
    assert_eq!(found["record"]["method"], "added_ring");
    let inertia = number(&found, "/record/inertia_kg_m2/value");
    let u = number(&found, "/record/inertia_kg_m2/standard_uncertainty");
    assert_within("inertia", inertia, INERTIA, 0.02);
    assert!((inertia - INERTIA).abs() < 3.0 * u, "{inertia} ± {u}");

    // Grease that is a little warmer the second time (1 %: common practice, no source): the ring seems to do what that does.
    let found = by_ring("warmer.bin", 0.99);
    let inertia = number(&found, "/record/inertia_kg_m2/value");
    let u = number(&found, "/record/inertia_kg_m2/standard_uncertainty");
    let error = (inertia - INERTIA).abs();
    assert!(error > 0.03 * INERTIA && error < 2.0 * u, "{inertia} ± {u}");
}

#[test]
fn a_known_torque_against_coasting() {
    let bench = Bench::new(DRUM_STAND);
    let torque = 14.0;
    let driven = Story {
        until_s: 25.0,
        alpha: &|t, omega| {
            if t < 16.0 {
                (torque - loss_nm(omega)) / INERTIA
            } else {
                -8.0
            }
        },
        ..Story::default()
    }
    .tell();
    let driven = bench.log("driven.bin", &driven);
    let coasting = bench.log("coasting.bin", &coast(3, INERTIA, 1.0));
    let found = bench
        .line(&format!(
            "calibrate inertia --torque '14 +/- 0.03 N*m' --driven '{driven}' \
             --coasting '{coasting}' --json"
        ))
        .json();
    assert_within(
        "inertia",
        number(&found, "/record/inertia_kg_m2/value"),
        INERTIA,
        0.003,
    );
}

#[test]
fn pieces_are_shown_beside() {
    // A steel disc of 400 mm and 100 mm: m = 98.65 kg, m D²/8 = 1.973 kg·m².
    let pieces = DRUM_STAND.replace(
        "[drum]\ninertia = \"1.900 +/- 0.005 kg*m^2\"",
        "[drum]\n[[drum.piece]]\nname = \"disc\"\nshape = \"cylinder\"\ndiameter = \"400 +/- 0.2 mm\"\nlength = \"100 mm\"\ndensity = \"7850 +/- 20 kg/m^3\"",
    );
    let bench = Bench::new(&pieces);
    let found = bench
        .run(&["calibrate", "inertia", "--method", "pieces", "--json"])
        .ok();
    assert!(
        found.contains("disc") && found.contains("100.0 %"),
        "{found}"
    );
    let json: serde_json::Value = serde_json::from_str(found.lines().last().unwrap()).unwrap();
    let exact = std::f64::consts::PI / 4.0 * 0.16 * 0.1 * 7850.0 * 0.16 / 8.0;
    assert_within(
        "inertia",
        number(&json, "/record/inertia_kg_m2/value"),
        exact,
        1e-9,
    );
}
