//! `show --budget`: the table adds up as JCGM 100:2008 says.

use serde_json::Value;

use crate::bench::{Bench, DRUM_STAND, assert_within, number};
use crate::board_log::Story;

fn pull(bench: &Bench) -> String {
    let log = Story {
        until_s: 8.0,
        omega: 52.0,
        alpha: &|t, omega| match t {
            t if t < 1.0 => 0.5,
            t if t < 5.0 => 24.0 - 0.02 * omega,
            _ => -2.0,
        },
        errors: vec![0.004, -0.006, 0.001, 0.008, -0.002, -0.005, 0.003, -0.003],
        ratio: Some(&|_| 5.0),
        ..Story::default()
    };
    bench.pull(&log.tell())
}

#[test]
fn the_budget_adds_up() {
    let bench =
        Bench::new(&DRUM_STAND.replace("correction = \"none\"", "correction = \"iso1585\""));
    let pull = pull(&bench);
    let shown = bench.json(&["show", &pull, "--budget", "--rpm", "5000", "--json"]);
    let budget = &shown["budget"];
    assert!((number(budget, "/rpm") - 5000.0).abs() < 1.0);
    let lines = budget["lines"].as_array().unwrap();
    let names: Vec<&str> = lines
        .iter()
        .map(|l| l["source"].as_str().unwrap())
        .collect();
    for name in [
        "drum inertia",
        "drive ratio",
        "losses",
        "acceleration from tooth timing",
        "air pressure",
    ] {
        assert!(names.contains(&name), "{name} is not in {names:?}");
    }
    // u_c² = Σ (c u)² (5.1.2), ν_eff = u_c⁴ / Σ (c u)⁴/ν (G.2b).
    let contribution = |l: &Value| number(l, "/sensitivity") * number(l, "/standard_uncertainty");
    let variance: f64 = lines.iter().map(|l| contribution(l).powi(2)).sum();
    let combined = number(budget, "/total/standard_uncertainty_nm");
    assert_within("combined", combined, variance.sqrt(), 1e-12);
    let per_freedom: f64 = lines
        .iter()
        .filter_map(|l| Some(contribution(l).powi(4) / l["degrees_of_freedom"].as_f64()?))
        .sum();
    assert_within(
        "degrees of freedom",
        number(budget, "/total/degrees_of_freedom"),
        variance * variance / per_freedom,
        1e-9,
    );
    let shares: f64 = lines.iter().map(|l| number(l, "/share")).sum();
    assert_within("shares", shares, 1.0, 1e-12);
    let k = number(budget, "/total/coverage_factor");
    assert!((k - 1.96).abs() < 0.01, "{k}");
    let common: f64 = lines
        .iter()
        .filter(|l| l["common"] == true)
        .map(|l| contribution(l).powi(2))
        .sum();
    assert_within(
        "common",
        number(budget, "/common/standard_uncertainty_nm"),
        common.sqrt(),
        1e-12,
    );
    // And it is what the curve shows.
    let at = shown["rpm"]
        .as_array()
        .unwrap()
        .iter()
        .position(|r| r == 5000.0)
        .unwrap();
    assert_within(
        "expanded",
        number(budget, "/total/expanded_uncertainty_nm"),
        shown["expanded_uncertainty_nm"][at].as_f64().unwrap(),
        1e-9,
    );
}

/// T = (I α + L)/r at the crank: its derivatives, at an engine speed that stays, by hand.
#[test]
fn sensitivities_are_those_of_the_model() {
    let bench = Bench::new(DRUM_STAND);
    let pull = pull(&bench);
    let shown = bench.json(&["show", &pull, "--budget", "--rpm", "5000", "--json"]);
    let line = |name: &str| {
        let lines = shown["budget"]["lines"].as_array().unwrap();
        lines.iter().find(|l| l["source"] == name).unwrap().clone()
    };
    let omega = 5000.0 * std::f64::consts::TAU / 60.0 / 5.0;
    let alpha = 24.0 - 0.02 * omega;
    let torque = (1.9 * alpha + 2.0) / 5.0;
    assert_within("torque", number(&shown, "/budget/torque_nm"), torque, 2e-3);
    let sensitivity = |name: &str| number(&line(name), "/sensitivity");
    assert_within("inertia", sensitivity("drum inertia"), alpha / 5.0, 2e-3);
    assert_within("losses", sensitivity("losses"), 0.2, 1e-6);
    assert_within(
        "timing",
        sensitivity("acceleration from tooth timing"),
        1.9 / 5.0,
        1e-6,
    );
    // At a fixed engine speed the drum turns slower with a higher ratio: dω/dr = −ω/r, and the
    // acceleration there is 0.02 ω/r higher.
    let ratio = -torque / 5.0 + 1.9 * 0.02 * omega / 5.0 / 5.0;
    assert_within("ratio", sensitivity("drive ratio"), ratio, 0.02);
}

#[test]
fn the_table_is_for_reading() {
    let bench = Bench::new(DRUM_STAND);
    let pull = pull(&bench);
    let table = bench.run(&["show", &pull, "--budget"]).ok();
    for part in [
        "source",
        "value",
        "standard uncertainty",
        "type",
        "dof",
        "sensitivity",
        "share",
        "drum inertia",
        "1.9000 kg·m²",
        "the same in every pull on this stand",
        "differs from pull to pull",
    ] {
        assert!(table.contains(part), "{part:?} is not in:\n{table}");
    }
    bench
        .run(&["show", &pull, "--budget", "--rpm", "20000"])
        .fails_with(&["--rpm 20000", "expected a speed of the curve"]);
}
