//! `calibrate load-cell`: certified data, and a cell that has hysteresis and drifts.

use std::fmt::Write as _;

use crate::bench::{BRAKE_STAND, Bench, assert_within, number, numbers};
use crate::norris::NORRIS;

#[test]
fn the_certified_line_of_norris() {
    let bench = Bench::new(BRAKE_STAND);
    let mut text = String::from("load, counts\n");
    for (x, y) in NORRIS {
        writeln!(text, "{y} N, {x}").unwrap();
    }
    let points = bench.file("norris.csv", text);
    let found = bench
        .line(&format!(
            "calibrate load-cell --points '{points}' --dry-run --json"
        ))
        .json();
    let coefficients = numbers(&found, "/record/coefficients");
    let errors = numbers(&found, "/record/standard_errors");
    // Certified values of Norris.dat.
    assert_within("b0", coefficients[0], -0.262_323_073_774_029, 1e-10);
    assert_within("b1", coefficients[1], 1.002_116_818_020_45, 1e-10);
    assert_within("s(b0)", errors[0], 0.232_818_234_301_152, 1e-10);
    assert_within("s(b1)", errors[1], 0.429_796_848_199_937e-3, 1e-10);
    assert_within(
        "residual sd",
        number(&found, "/residual_sd_n"),
        0.884_796_396_144_373,
        1e-10,
    );
    assert_within(
        "r²",
        number(&found, "/r_squared"),
        0.999_993_745_883_712,
        1e-10,
    );
}

/// Weights up and down on a cell of `newton_per_count`, with hysteresis on the way down.
fn weights(newton_per_count: f64, zero: f64, hysteresis_n: f64) -> String {
    let g = 9.806_65 * (1.0 - 1.2 / 7850.0);
    let up = [0.0, 5.0, 10.0, 15.0, 20.0];
    let down = [15.0, 10.0, 5.0, 0.0];
    let mut text = String::from("# shed, 20 degC\nweight; counts\n");
    let mut line = |mass: f64, shift_n: f64, wobble: f64| {
        let counts = zero + (mass * g + shift_n) / newton_per_count + wobble;
        writeln!(text, "{mass} kg; {counts:.1}").unwrap();
    };
    for (i, mass) in (0_i32..).zip(up) {
        line(mass, 0.0, f64::from(i % 3 - 1) * 4.0);
    }
    for (i, mass) in (0_i32..).zip(down) {
        let middle = if mass > 0.0 { hysteresis_n } else { 0.0 };
        line(mass, middle, f64::from(i % 2) * 6.0 - 3.0);
    }
    text
}

#[test]
fn dead_weights_up_and_down() {
    let bench = Bench::new(BRAKE_STAND);
    let points = bench.file("first.csv", weights(1e-3, 5000.0, 0.08));
    let creep = bench.file(
        "creep.csv",
        "s, counts\n0, 100000\n60, 100030\n600, 100080\n",
    );
    let plot = bench.path("cell.png");
    let found = bench
        .line(&format!(
            "calibrate load-cell --points '{points}' --gravity '9.80665 m/s^2' \
             --weights-uncertainty '0.05 %' --creep '{creep}' --plot '{}' --json",
            plot.display()
        ))
        .json();
    let coefficients = numbers(&found, "/record/coefficients");
    assert_within("scale", coefficients[1], 1e-3, 1e-3);
    assert_within(
        "span",
        number(&found, "/record/span_n"),
        20.0 * 9.806_65,
        1e-3,
    );
    let hysteresis = number(&found, "/record/hysteresis_n");
    assert!((hysteresis - 0.08).abs() < 0.012, "{hysteresis}");
    // 80 counts in 600 s under one load.
    assert_within("creep", number(&found, "/record/creep/change"), 0.08, 0.01);
    assert!(std::fs::read(&plot).unwrap().starts_with(b"\x89PNG"));

    // The span moved by 1 %: told. The same cell again: not.
    let again = bench.file("again.csv", weights(1e-3, 5040.0, 0.08));
    let said = bench
        .line(&format!(
            "calibrate load-cell --points '{again}' --gravity '9.80665 m/s^2' --dry-run"
        ))
        .ok();
    assert!(said.contains("no measurable change of the span"), "{said}");
    assert!(said.contains("zero +0.040 N"), "{said}");
    let moved = bench.file("moved.csv", weights(1.01e-3, 5000.0, 0.08));
    let moved = bench
        .line(&format!(
            "calibrate load-cell --points '{moved}' --gravity '9.80665 m/s^2' --dry-run \
             --json"
        ))
        .json();
    assert_eq!(moved["drift"]["span_moved"], true, "{moved}");
    assert!((number(&moved, "/drift/span_relative") - 0.01).abs() < 1e-3);
}

#[test]
fn a_bad_line_is_named() {
    let bench = Bench::new(BRAKE_STAND);
    let points = bench.file("bad.csv", "5 kg, 1000\n10 kg, many\n");
    bench
        .run(&["calibrate", "load-cell", "--points", &points])
        .fails_with(&["bad.csv:2", "expected counts, found \"many\""]);
    let points = bench.file("unit.csv", "0 kg, 0\n5 m, 1000\n");
    bench
        .run(&["calibrate", "load-cell", "--points", &points])
        .fails_with(&["unit.csv:2", "expected a mass"]);
    let points = bench.file("few.csv", "0 kg, 0\n5 kg, 1000\n");
    bench
        .run(&["calibrate", "load-cell", "--points", &points])
        .fails_with(&["expected"]);
    bench
        .run(&["calibrate", "load-cell"])
        .fails_with(&["give --points FILE"]);
}
