//! Held speeds, faults of the load cell, and the calibrations that are kept with a pull.

use crate::bench::{BRAKE_STAND, Bench, DRUM_STAND, assert_within, number, numbers};
use crate::board_log::{BoardLog, Story};

const RATIO: f64 = 2.0;
const INERTIA: f64 = 0.3;
const ARM_M: f64 = 0.3;
const NEWTON_PER_COUNT: f64 = 1e-3;
const ZERO: f64 = 5000.0;
const RPM: f64 = std::f64::consts::TAU / 60.0;

/// Torque of the simulated engine at the crank, N·m.
fn engine_nm(rpm: f64) -> f64 {
    11.0 - 3.0 * ((rpm - 5500.0) / 3000.0).powi(2)
}

fn engine_rpm(drum_omega: f64) -> f64 {
    drum_omega * RATIO / RPM
}

/// What the load cell counts while the brake holds this torque at the drum.
fn counts(brake_nm: f64) -> f64 {
    ZERO + brake_nm / ARM_M / NEWTON_PER_COUNT
}

/// Speeds held for 5 s each, with a rise of 1 s between.
const HELD_RPM: [f64; 5] = [3000.0, 4000.0, 5000.0, 6000.0, 7000.0];

fn step_alpha(t: f64) -> f64 {
    let into = t % 6.0;
    let rising = t < 6.0 * HELD_RPM.len() as f64 - 1.0 && into >= 5.0;
    if rising { 1000.0 * RPM / RATIO } else { 0.0 }
}

fn steps() -> BoardLog {
    Story {
        until_s: 30.0,
        omega: HELD_RPM[0] * RPM / RATIO,
        alpha: &|t, _| if t < 29.0 { step_alpha(t) } else { -60.0 },
        teeth: 60,
        // The brake takes what is left of the engine's torque after losses and acceleration.
        counts: Some(&|t, omega| {
            let drum_nm = engine_nm(engine_rpm(omega)) * RATIO - 0.4 - INERTIA * step_alpha(t);
            counts(if t < 29.0 { drum_nm } else { 0.0 })
        }),
        noise_counts: 150.0,
        ..Story::default()
    }
    .tell()
}

#[test]
fn a_step_test_becomes_a_curve() {
    let bench = Bench::new(BRAKE_STAND);
    let pull = bench.pull(&steps());
    let curve = bench.json(&["show", &pull, "--json"]);
    let (rpm, torque) = (numbers(&curve, "/rpm"), numbers(&curve, "/torque_nm"));
    assert_eq!(rpm.len(), HELD_RPM.len(), "{curve}");
    for ((rpm, torque), held) in rpm.iter().zip(&torque).zip(HELD_RPM) {
        assert_within("speed", *rpm, held, 1e-3);
        assert_within(
            &format!("torque at {held} rpm"),
            *torque,
            engine_nm(held),
            0.005,
        );
    }
    assert!(
        numbers(&curve, "/held_s")
            .iter()
            .all(|s| (2.0..5.0).contains(s)),
        "{curve}"
    );
    // Arm 0.17 %, scale 0.2 %, losses 10 % of 0.2 N·m: half a per cent at k = 2.
    for (u, torque) in numbers(&curve, "/expanded_uncertainty_nm")
        .iter()
        .zip(&torque)
    {
        assert!((0.004..0.012).contains(&(u / torque)), "{u} of {torque}");
    }
    let table = bench.run(&["show", &pull]).ok();
    assert!(table.contains("held 4."), "{table}");
    assert!(table.contains("kept by hand"), "{table}");
}

#[test]
fn a_sweep_against_the_brake_counts_the_inertia() {
    let bench = Bench::new(BRAKE_STAND);
    // 500 rpm/s of the engine: 26 rad/s² of the drum, 7.9 N·m of 22 at the drum.
    let alpha = 500.0 * RPM / RATIO;
    let log = Story {
        until_s: 13.0,
        omega: 2300.0 * RPM / RATIO,
        alpha: &move |t, _| match t {
            t if t < 1.0 => 0.0,
            t if t < 11.5 => alpha,
            _ => -40.0,
        },
        teeth: 60,
        counts: Some(&move |t, omega| {
            let engine = engine_nm(engine_rpm(omega)) * RATIO - 0.4;
            counts(match t {
                t if t < 1.0 => 0.3 * engine,
                t if t < 11.5 => engine - INERTIA * alpha,
                _ => 0.0,
            })
        }),
        noise_counts: 150.0,
        ..Story::default()
    };
    let pull = bench.pull(&log.tell());
    let curve = bench.json(&["show", &pull, "--json"]);
    let (rpm, torque) = (numbers(&curve, "/rpm"), numbers(&curve, "/torque_nm"));
    assert!(rpm.len() > 40, "{curve}");
    for (rpm, torque) in rpm.iter().zip(&torque).filter(|(_, t)| t.is_finite()) {
        assert_within(
            &format!("torque at {rpm} rpm"),
            *torque,
            engine_nm(*rpm),
            0.01,
        );
    }
}

#[test]
fn sweep_and_held_speeds_on_one_curve() {
    let both = BRAKE_STAND.replace("kind = \"brake\"", "kind = \"both\"");
    let bench = Bench::new(&both);
    let alpha = 800.0 * RPM / RATIO;
    // Held at 3500 and 5000 rpm by the brake, down again, then a free sweep.
    let omega = |rpm: f64| rpm * RPM / RATIO;
    let path = move |t: f64| match t {
        t if t < 5.0 => 0.0,
        t if t < 6.0 => omega(1500.0),
        t if t < 11.0 => 0.0,
        t if t < 13.0 => -omega(1350.0),
        t if t < 19.0 => alpha,
        _ => -30.0,
    };
    let log = Story {
        until_s: 21.0,
        omega: omega(3500.0),
        alpha: &move |t, _| path(t),
        teeth: 60,
        counts: Some(&move |t, w| {
            let free = engine_nm(engine_rpm(w)) * RATIO - 0.4;
            counts(match t {
                t if t < 11.0 => free - INERTIA * path(t),
                t if t < 13.0 => 20.0,
                t if t < 19.0 => free - INERTIA * alpha,
                _ => 0.0,
            })
        }),
        noise_counts: 150.0,
        ..Story::default()
    };
    let pull = bench.pull(&log.tell());
    let curve = bench.json(&["show", &pull, "--json"]);
    let held = numbers(&curve, "/held_s");
    let (rpm, torque) = (numbers(&curve, "/rpm"), numbers(&curve, "/torque_nm"));
    let steady: Vec<f64> = rpm
        .iter()
        .zip(&held)
        .filter(|(_, s)| s.is_finite())
        .map(|(r, _)| *r)
        .collect();
    assert_eq!(steady.len(), 2, "{steady:?} {}", curve["remarks"]);
    assert!(rpm.len() > 30, "{}", rpm.len());
    assert!(rpm.windows(2).all(|w| w[0] <= w[1]));
    for (rpm, torque) in rpm.iter().zip(&torque).filter(|(_, t)| t.is_finite()) {
        assert_within(
            &format!("torque at {rpm} rpm"),
            *torque,
            engine_nm(*rpm),
            0.01,
        );
    }
}

#[test]
fn a_stuck_or_clipped_load_cell_is_not_believed() {
    let bench = Bench::new(BRAKE_STAND);
    let mut log = steps();
    // Stuck during the hold at 5000 rpm, from 12.5 s on for a second.
    let stuck = 1_000_usize..1_080;
    for sample in &mut log.force_mut()[stuck] {
        sample.1 = 41_234;
    }
    let pull = bench.pull(&log);
    let curve = bench.json(&["show", &pull, "--json"]);
    let trusted: Vec<bool> = curve["trustworthy"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_bool().unwrap())
        .collect();
    let at_5000 = numbers(&curve, "/rpm")
        .iter()
        .position(|rpm| (rpm - 5000.0).abs() < 20.0);
    // Either the hold is doubted, or what was stuck took no part in it.
    if let Some(at) = at_5000.filter(|at| trusted[*at]) {
        let torque = numbers(&curve, "/torque_nm")[at];
        assert_within("torque at 5000 rpm", torque, engine_nm(5000.0), 0.002);
        assert!(numbers(&curve, "/held_s")[at] < 3.5, "{curve}");
    }
    assert!(trusted[0] && trusted[trusted.len() - 1], "{trusted:?}");
    let remarks = curve["remarks"].to_string();
    assert!(
        remarks.contains("converter stuck at 41234 counts"),
        "{remarks}"
    );

    let bench = Bench::new(&BRAKE_STAND.replace(
        "zero_counts = 5000",
        "zero_counts = 5000\nrange_counts = [-90000, 70000]",
    ));
    let mut log = steps();
    for sample in log.force_mut() {
        sample.1 = sample.1.min(70_000);
    }
    let pull = bench.pull(&log);
    let curve = bench.json(&["show", &pull, "--json"]);
    let remarks = curve["remarks"].to_string();
    assert!(remarks.contains("clipped"), "{remarks}");
    // Above 65 N on the arm, 9.95 N·m at the crank, nothing is left to believe.
    for (rpm, torque) in numbers(&curve, "/rpm")
        .iter()
        .zip(numbers(&curve, "/torque_nm"))
    {
        assert!(
            torque.is_nan() == (engine_nm(*rpm) > 9.8),
            "{rpm}: {torque}"
        );
    }
}

#[test]
fn a_pull_keeps_the_calibrations_of_its_day() {
    let bench = Bench::new(DRUM_STAND);
    let log = Story {
        until_s: 8.0,
        omega: 52.0,
        alpha: &|t, omega| match t {
            t if t < 1.0 => 0.5,
            t if t < 5.0 => 24.0 - 0.02 * omega,
            _ => -2.0,
        },
        ratio: Some(&|_| 5.0),
        ..Story::default()
    }
    .tell();
    let before = bench.pull(&log);
    let stated = bench.json(&["show", &before, "--json"]);
    // A measured inertia that is 5 % more than the file's.
    bench
        .line(
            "calibrate inertia --method known-torque --torque '13.965 N*m' \
             --driven '6.5 +/- 0.01 rad/s^2' --coasting '-0.5 +/- 0.001 rad/s^2'",
        )
        .ok();
    let kept = bench.json(&["show", &before, "--json"]);
    assert_eq!(kept["torque_nm"], stated["torque_nm"]);
    let now = bench.json(&["show", &before, "--recalibrated", "--json"]);
    let at = |curve: &serde_json::Value| numbers(curve, "/torque_nm")[25];
    let exact = (1.995 * (24.0 - 0.02 * 100.0) + 2.0) / (1.9 * (24.0 - 0.02 * 100.0) + 2.0);
    assert_within("share", at(&now) / at(&stated), exact, 2e-3);
    let after = bench.pull(&log);
    let fresh = bench.json(&["show", &after, "--json"]);
    assert_within(
        "with the calibration of its day",
        at(&fresh),
        at(&now),
        1e-3,
    );
    // The record in force, and a log reduced with it.
    let record = bench.run(&["calibrations", "--json"]).ok();
    let record = bench.file("record.json", record);
    let bytes = bench.log("pull.bin", &log);
    let reduced = bench
        .line(&format!(
            "reduce --board-log '{bytes}' --calibrations '{record}' --json"
        ))
        .json();
    assert_within("from the log", at(&reduced), at(&now), 1e-6);
    assert!((number(&reduced, "/air_factor") - 1.0).abs() < 1e-12);
}

/// Two working cycles that do not burn: the engine brakes with 15 % of its torque (common practice, no
/// source) for two turns of the crank each. They are counted, with their speeds, on screen and in JSON.
#[test]
fn misfires_are_counted_and_the_cycle_variation_is_said() {
    const CRANK_PER_DRUM: f64 = 5.0;
    let drive = |omega: f64| 26.0 - 0.02 * omega; // what the engine does, of the drum's acceleration
    let losses = 2.0 / 1.9;
    let misfires_at_s = [2.0, 3.5];
    let log = Story {
        until_s: 8.0,
        omega: 52.0,
        alpha: &|t, omega| {
            let cycle_s = 2.0 * std::f64::consts::TAU / CRANK_PER_DRUM / omega;
            match t {
                t if t < 1.0 => 0.5,
                t if misfires_at_s
                    .iter()
                    .any(|at| (*at..at + cycle_s).contains(&t)) =>
                {
                    -0.15 * drive(omega) - losses
                }
                t if t < 5.0 => drive(omega) - losses,
                _ => -2.0,
            }
        },
        ratio: Some(&|_| CRANK_PER_DRUM),
        ..Story::default()
    };
    let bench = Bench::new(DRUM_STAND);
    let pull = bench.pull(&log.tell());
    let shown = bench.json(&["show", &pull, "--json"]);
    let cycles = &shown["cycles"];
    assert_eq!(number(cycles, "/misfired"), 2.0, "{cycles}");
    // 52 rad/s for a second, then 24 rad/s² more or less: 77 and 110 rad/s of the drum.
    for (misfire, drum) in cycles["misfires"]
        .as_array()
        .unwrap()
        .iter()
        .zip([77.0, 110.0])
    {
        assert_within(
            "speed",
            number(misfire, "/rpm"),
            drum * CRANK_PER_DRUM / RPM,
            0.05,
        );
    }
    // The others are all alike.
    assert!(
        number(cycles, "/cov") < 3.0 * number(cycles, "/expanded_uncertainty"),
        "{cycles}"
    );
    assert!(number(cycles, "/cov") < 0.01, "{cycles}");
    let (speeds, widths) = (numbers(&shown, "/rpm"), numbers(&shown, "/resolution_rpm"));
    // The engine has the same torque at all speeds: the curve may be as smooth as a line through all of them.
    let rise = 1.1 * (speeds[speeds.len() - 1] - speeds[0]);
    let held = widths.iter().all(|rpm| (20.0..rise).contains(rpm));
    assert!(held, "{widths:?} of {rise}");
    let text = bench.run(&["show", &pull]).ok();
    // At each speed.
    for (rpm, width) in speeds.iter().zip(&widths) {
        let row = text
            .lines()
            .find(|line| line.starts_with(&format!("{rpm:.0} ")));
        let said = row.unwrap().split_whitespace().nth(5);
        assert_eq!(
            said,
            Some(format!("{width:.0}").as_str()),
            "{rpm} rpm in {text}"
        );
    }
    for line in [
        "cycle variation: ",
        "misfires: 2 in ",
        "smallest feature: ",
        "remark: misfires: 2 in ",
    ] {
        assert!(text.contains(line), "{line} in {text}");
    }
}
