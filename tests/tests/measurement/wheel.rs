//! `calibrate wheel` on a wheel whose tooth errors are known.

use crate::bench::{Bench, DRUM_STAND, numbers};
use crate::board_log::{BoardLog, Story};

const TEETH: usize = 8;
const ERRORS: [f64; TEETH] = [0.004, -0.011, 0.001, 0.013, -0.006, -0.009, 0.010, -0.002];

/// Up and coasting down, the recording beginning at another tooth each time.
fn coast(seed: u64, turned: usize, errors: &[f64]) -> BoardLog {
    let mut errors = errors.to_vec();
    errors.rotate_left(turned);
    Story {
        seed,
        until_s: 25.0,
        omega: 20.0,
        alpha: &|t, omega| {
            if t < 3.0 {
                42.0
            } else {
                -(0.6 + 0.004 * omega)
            }
        },
        errors,
        ..Story::default()
    }
    .tell()
}

/// The found errors turned to where they fit the true ones best, both without their mean: greatest
/// difference, shares of a pitch.
fn off(found: &[f64], truth: &[f64]) -> f64 {
    let pitch = std::f64::consts::TAU / TEETH as f64;
    let mean = truth.iter().sum::<f64>() / TEETH as f64;
    (0..TEETH)
        .map(|turned| {
            (0..TEETH)
                .map(|j| (found[(j + turned) % TEETH] / pitch - truth[j] + mean).abs())
                .fold(0.0, f64::max)
        })
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn tooth_errors_are_learnt_refined_and_watched() {
    let bench = Bench::new(DRUM_STAND);
    let first = bench.log("first.bin", &coast(1, 0, &ERRORS));
    let found = bench.json(&["calibrate", "wheel", "--from", &first, "--json"]);
    let errors = numbers(&found, "/record/error_rad");
    assert!(
        off(&errors, &ERRORS) < 2e-4,
        "{} {found}",
        off(&errors, &ERRORS)
    );

    // Found again in another recording, and refined with it.
    let second = bench.log("second.bin", &coast(2, 5, &ERRORS));
    let refined = bench.json(&["calibrate", "wheel", "--from", &second, "--json"]);
    assert_eq!(refined["found_again"], true, "{refined}");
    assert_eq!(
        refined["moved_teeth"].as_array().unwrap().len(),
        0,
        "{refined}"
    );
    let runs = refined["record"]["runs"].to_string();
    assert!(runs.contains("the last record"), "{runs}");
    let rms = |list: &[f64]| (list.iter().map(|u| u * u).sum::<f64>()).sqrt();
    let (before, after) = (
        rms(&numbers(&found, "/record/uncertainty_rad")),
        rms(&numbers(&refined, "/record/uncertainty_rad")),
    );
    assert!(after < 0.8 * before, "{before} {after}");

    // A tooth that was hit.
    let mut hit = ERRORS;
    hit[3] += 0.02;
    let third = bench.log("third.bin", &coast(3, 2, &hit));
    let changed = bench
        .line(&format!(
            "calibrate wheel --from '{third}' --dry-run --json"
        ))
        .json();
    assert_eq!(
        changed["moved_teeth"].as_array().unwrap().len(),
        1,
        "{changed}"
    );
    let verdict = changed["verdict"].as_str().unwrap();
    assert!(verdict.contains("damaged, bent, or dirty"), "{verdict}");

    // A wheel that sits off its centre.
    let mut off_centre = ERRORS;
    for (j, error) in (0_u8..).zip(&mut off_centre) {
        *error += 0.02 * (std::f64::consts::TAU * f64::from(j) / 8.0).cos();
    }
    let fourth = bench.log("fourth.bin", &coast(4, 0, &off_centre));
    let changed = bench
        .line(&format!(
            "calibrate wheel --from '{fourth}' --dry-run --json"
        ))
        .json();
    assert_eq!(changed["sits_differently"], true, "{changed}");

    // Another wheel altogether.
    let other = [0.01, 0.012, -0.02, -0.003, 0.007, 0.001, -0.014, 0.007];
    let fifth = bench.log("fifth.bin", &coast(5, 0, &other));
    let changed = bench
        .line(&format!(
            "calibrate wheel --from '{fifth}' --dry-run --json"
        ))
        .json();
    assert_eq!(changed["found_again"], false, "{changed}");
}

#[test]
fn a_wheel_of_one_tooth_has_nothing_to_learn() {
    let bench = Bench::new(DRUM_STAND);
    bench
        .run(&["calibrate", "wheel", "--on", "engine", "--from", "1"])
        .fails_with(&["a wheel of one tooth"]);
}
