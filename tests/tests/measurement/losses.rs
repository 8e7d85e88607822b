//! `calibrate losses` on coast-downs integrated from known coefficients.

use crate::bench::{Bench, DRUM_STAND, assert_within, number, numbers};
use crate::board_log::{BoardLog, Story};

const INERTIA: f64 = 1.9;

fn loss_nm(omega: f64, share: f64) -> f64 {
    share * (1.2 + 0.006 * omega + 3e-5 * omega * omega)
}

/// Up to 145 rad/s, then coasting to about 50, with the clutch pulled.
fn coast(seed: u64, share: f64) -> BoardLog {
    Story {
        seed,
        until_s: 85.0,
        omega: 20.0,
        alpha: &|t, omega| match t {
            t if t < 3.0 => 42.0,
            _ => -loss_nm(omega, share) / INERTIA,
        },
        errors: vec![0.004, -0.006, 0.001, 0.008, -0.002, -0.005, 0.003, -0.003],
        ratio: Some(&|t| if t < 3.0 { 5.0 } else { 0.0 }),
        ..Story::default()
    }
    .tell()
}

#[test]
fn the_losses_come_back_and_a_change_is_told() {
    let bench = Bench::new(DRUM_STAND);
    let first = bench.log("first.bin", &coast(1, 1.0));
    let second = bench.log("second.bin", &coast(2, 1.03));
    let third = bench.log("third.bin", &coast(3, 0.97));
    let plot = bench.path("losses.svg");
    let arguments = [
        "calibrate",
        "losses",
        "--from",
        &first,
        "--from",
        &second,
        "--from",
        &third,
        "--temperature",
        "35 degC",
        "--plot",
        plot.to_str().unwrap(),
        "--json",
    ];
    let found = bench.json(&arguments);
    let c = numbers(&found, "/record/figures/coefficients");
    for omega in [70.0, 100.0, 130.0] {
        let nm = c[0] + omega * (c[1] + omega * c[2]);
        assert_within(
            &format!("loss at {omega} rad/s"),
            nm,
            loss_nm(omega, 1.0),
            0.004,
        );
    }
    // The runs differ by 3 % up and down: a standard deviation of 3 %.
    let repeatability = number(&found, "/record/repeatability/standard_uncertainty");
    assert_within("repeatability", repeatability, 0.03, 0.05);
    assert!((number(&found, "/record/figures/bearing_temperature_k") - 308.15).abs() < 1e-9);
    assert_eq!(found["in_force"], true);
    assert!(
        std::fs::read_to_string(&plot)
            .unwrap()
            .contains("Loss torque")
    );

    let same = bench.log("same.bin", &coast(4, 1.0));
    let said = bench.line(&format!(
        "calibrate losses --from '{same}' --temperature '36 degC' --dry-run"
    ));
    let said = said.ok();
    assert!(
        said.contains("no measurable change") && said.contains("not put in force"),
        "{said}"
    );

    let dragging = bench.log("dragging.bin", &coast(5, 1.4));
    let changed = bench
        .line(&format!(
            "calibrate losses --from '{dragging}' --temperature '60 degC' --dry-run --json"
        ))
        .json();
    assert_eq!(changed["change"]["changed"], true, "{changed}");
    let verdict = changed["verdict"].as_str().unwrap();
    assert!(
        verdict.contains("CHANGED") && verdict.contains("grease drag falls"),
        "{verdict}"
    );
    assert_eq!(changed["in_force"], false);
}

#[test]
fn an_engine_that_is_dragged_along_is_noticed() {
    let bench = Bench::new(DRUM_STAND);
    let log = Story {
        until_s: 30.0,
        omega: 20.0,
        alpha: &|t, omega| {
            if t < 3.0 {
                42.0
            } else {
                -4.0 * loss_nm(omega, 1.0) / INERTIA
            }
        },
        ratio: Some(&|_| 5.0),
        ..Story::default()
    }
    .tell();
    let log = bench.log("dragged.bin", &log);
    let said = bench.run(&["calibrate", "losses", "--from", &log]).ok();
    assert!(said.contains("the engine turned with the drum"), "{said}");
}

#[test]
fn what_cannot_be_is_refused_in_words() {
    let bench = Bench::new(DRUM_STAND);
    bench
        .run(&["calibrate", "losses"])
        .fails_with(&["give --from RUN"]);
    bench
        .run(&["calibrate", "losses", "--from", "nowhere.bin"])
        .fails_with(&["nowhere.bin", "No such file"]);
    bench
        .run(&["calibrate", "losses", "--from", "7"])
        .fails_with(&["nothing has been recorded yet"]);
    let empty = bench.file("empty.bin", "");
    bench
        .run(&["calibrate", "losses", "--from", &empty])
        .fails_with(&["no hello frame"]);
    let still = bench.log("still.bin", &Story::default().tell());
    bench
        .run(&["calibrate", "losses", "--from", &still])
        .fails_with(&["no coast-down in these teeth"]);
}
