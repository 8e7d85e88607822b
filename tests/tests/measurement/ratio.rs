//! Drive ratio from two pickups, from tooth counts, and slip in the curve.

use crate::bench::{Bench, DRUM_STAND, assert_within, number, numbers};
use crate::board_log::{BoardLog, Story};

/// A full-throttle rise from 2500 to 7000 rpm at a ratio of about 5, then coasting.
fn pull(ratio: &dyn Fn(f64) -> f64) -> BoardLog {
    Story {
        until_s: 8.0,
        omega: 52.0,
        alpha: &|t, omega| match t {
            t if t < 1.0 => 0.5,
            t if t < 5.0 => 24.0 - 0.02 * omega,
            _ => -2.0,
        },
        ratio: Some(ratio),
        ..Story::default()
    }
    .tell()
}

#[test]
fn the_ratio_is_measured_and_put_in_force() {
    let bench = Bench::new(DRUM_STAND);
    let log = bench.log("pull.bin", &pull(&|_| 5.02));
    let plot = bench.path("ratio.svg");
    let found = bench
        .line(&format!(
            "calibrate ratio --from '{log}' --plot '{}' --json",
            plot.display()
        ))
        .json();
    assert_within(
        "ratio",
        number(&found, "/engine_per_drum/value"),
        5.02,
        2e-4,
    );
    assert!(number(&found, "/engine_per_drum/standard_uncertainty") < 1e-3);
    assert!(
        found["verdict"].as_str().unwrap().contains("+0.4"),
        "{found}"
    );
    let listed = bench.run(&["calibrations"]).ok();
    assert!(listed.contains("5.02"), "{listed}");
    // A byte log is reduced with what is in force only when asked to.
    let stated = bench.json(&["reduce", "--board-log", &log, "--json"]);
    let measured = bench.json(&["reduce", "--board-log", &log, "--recalibrated", "--json"]);
    let at = |curve: &serde_json::Value| numbers(curve, "/torque_nm")[20];
    let share = at(&measured) / at(&stated);
    assert!((0.99..0.999).contains(&share), "{share}");
}

#[test]
fn another_gear_is_named() {
    let bench = Bench::new(DRUM_STAND);
    let log = bench.log("pull.bin", &pull(&|_| 5.9));
    let said = bench
        .run(&["calibrate", "ratio", "--from", &log, "--dry-run"])
        .ok();
    assert!(said.contains("another gear"), "{said}");
    let curve = bench.json(&["reduce", "--board-log", &log, "--json"]);
    let remarks = curve["remarks"].to_string();
    assert!(
        remarks.contains("5.9") && remarks.contains("another gear"),
        "{remarks}"
    );
}

/// One pickup can't show that its teeth are counted wrong by a whole factor, but what comes of it is nothing that the
/// stand does.
#[test]
fn teeth_wrong_by_a_whole_factor_are_doubted() {
    let engines = "[[pickup]]\nchannel = 1\non = \"engine\"\nteeth = 1\n";
    let one_pickup = DRUM_STAND
        .replace(engines, "")
        .replace("teeth = 8", "teeth = TEETH");
    for (teeth, doubted) in [("4", "guards cut at"), ("16", "far from the"), ("8", "")] {
        let bench = Bench::new(&one_pickup.replace("TEETH", teeth));
        let log = bench.log("pull.bin", &pull(&|_| 0.0));
        let curve = bench.json(&["reduce", "--board-log", &log, "--json"]);
        let first = curve["remarks"][0].to_string();
        let says = first.contains("the stand file is contradicted");
        assert_eq!(says, !doubted.is_empty(), "{teeth}: {first}");
        assert!(first.contains(doubted), "{teeth}: {first}");
        let trusted = curve["trustworthy"].as_array().unwrap();
        assert_eq!(trusted.contains(&true.into()), !says, "{teeth}: {curve}");
    }
}

#[test]
fn slip_is_flagged_where_it_is() {
    let bench = Bench::new(DRUM_STAND);
    // From 2.8 s on the clutch slips by 4 %.
    let log = bench.log("pull.bin", &pull(&|t| if t < 2.8 { 5.0 } else { 5.2 }));
    let curve = bench.json(&["reduce", "--board-log", &log, "--json"]);
    let rpm = numbers(&curve, "/rpm");
    let slipping: Vec<bool> = curve["slipping"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_bool().unwrap())
        .collect();
    // Speed of the drum times 5 when it begins: about (52 + 1.8 · 22.7) · 5 rad/s.
    let begins_rpm = (52.5 + 1.8 * 22.7) * 5.0 * 60.0 / std::f64::consts::TAU;
    for (rpm, slipping) in rpm.iter().zip(&slipping) {
        if (rpm - begins_rpm).abs() > 250.0 {
            assert_eq!(*slipping, *rpm > begins_rpm, "{rpm} rpm");
        }
    }
    let remarks = curve["remarks"].to_string();
    assert!(
        remarks.contains("both pickups: between") && remarks.contains("+4.0 %"),
        "{remarks}"
    );
    let table = bench.run(&["reduce", "--board-log", &log]).ok();
    assert!(table.contains("ratio +4.0 %"), "{table}");

    let clean = bench.log("clean.bin", &pull(&|_| 5.0));
    let curve = bench.json(&["reduce", "--board-log", &clean, "--json"]);
    assert!(
        !curve["slipping"]
            .as_array()
            .unwrap()
            .iter()
            .any(|v| v == true)
    );
    assert!(!curve["remarks"].to_string().contains("slip"), "{curve}");
}

#[test]
fn tooth_counts_and_a_tyre() {
    let bench = Bench::new(DRUM_STAND);
    let found = bench
        .line("calibrate ratio --stages 67/18,24/19,22/15 --dry-run --json")
        .json();
    let exact = 67.0 / 18.0 * 24.0 / 19.0 * 22.0 / 15.0;
    assert_within(
        "stages",
        number(&found, "/engine_per_drum/value"),
        exact,
        1e-12,
    );
    let found = bench
        .line(
            "calibrate ratio --stages 40/10 --tyre-circumference '1.60 +/- 0.01 m' \
             --drum-diameter '400 mm' --dry-run --json",
        )
        .json();
    let exact = 4.0 * std::f64::consts::PI * 0.4 / 1.6;
    assert_within(
        "tyre",
        number(&found, "/engine_per_drum/value"),
        exact,
        1e-12,
    );
    let u = number(&found, "/engine_per_drum/standard_uncertainty");
    assert_within("its uncertainty", u, exact * 0.01 / 1.6, 1e-3);
    bench
        .run(&["calibrate", "ratio", "--stages", "67-18"])
        .fails_with(&["--stages", "expected tooth counts"]);
}
