//! The engine's side of the job, in virtual time: the software stand is given a cause, and the
//! analysis has to find it.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm::software_stand::{Engine, Mixture, RiderScript, Setup, StandModel, rad_per_s};
use leverarm_tests::virtual_bench::VirtualBench;
use serde_json::{Value, json};
use tempfile::TempDir;

fn demo_model() -> StandModel {
    let stand = leverarm_config::parse("demo.toml", DEMO_STAND).unwrap();
    model_of(&stand)
}

fn engine(setup: Setup) -> Engine {
    Engine {
        scatter_rms: 0.001,
        ..Engine::pit_bike(setup)
    }
}

fn script(bench: &VirtualBench, pulls: u32) -> RiderScript {
    RiderScript {
        hold_s: 0.25,
        hold_scatter_s: 0.05,
        coast_s: 0.35,
        braking_rad_per_s2: 160.0,
        pause_s: 0.1,
        ..script_of(bench.stand_file(), pulls)
    }
}

/// Three pulls each with A, B and A again, and with C: two jets, and an intake that passes less.
fn store() -> &'static Path {
    static STORE: OnceLock<TempDir> = OnceLock::new();
    let made = STORE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let mut model = demo_model();
        model.engine = engine(Setup::MainJet105);
        let mut bench = VirtualBench::new(folder.path(), DEMO_STAND, model).unwrap();
        for setup in [
            Setup::MainJet105,
            Setup::MainJet110,
            Setup::MainJet105,
            Setup::SmallIntake,
        ] {
            let parts = json!({ "setup": setup.label() });
            bench.fit(setup.label(), parts, engine(setup)).unwrap();
            let script = script(&bench, 3);
            bench.ride(script, 60).unwrap();
        }
        bench.finish().unwrap();
        folder
    });
    made.path()
}

/// The program, which tests/all builds beforehand.
fn leverarm() -> PathBuf {
    let test = std::env::current_exe().unwrap();
    let profile = test.parent().and_then(Path::parent).unwrap();
    let program = profile.join("leverarm");
    assert!(
        program.is_file(),
        "{} is not there: build it first with `cargo build -p leverarm`",
        program.display()
    );
    program
}

fn run(arguments: &[&str]) -> String {
    let run = Command::new(leverarm())
        .args(arguments)
        .arg("--store")
        .arg(store())
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    assert!(run.status.success(), "{}", text(run.stderr));
    text(run.stdout)
}

fn why(second: &str) -> Value {
    let text = run(&["compare", "main jet 105", second, "--why", "--json"]);
    let object: Value = serde_json::from_str(&text).unwrap();
    object["why"].clone()
}

fn f64_of(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("no number: {value}"))
}

/// The cause that the software stand was given, with its share; the truth lies in every interval.
#[test]
fn the_jets_differ_by_mixture_and_the_intake_by_air() {
    for (second, setup, cause) in [
        ("main jet 110", Setup::MainJet110, "mixture"),
        ("small intake", Setup::SmallIntake, "air"),
    ] {
        let why = why(second);
        assert_eq!(why["cause"], cause, "{second}: {why:#}");
        let (share, half) = (f64_of(&why["share"]), f64_of(&why["share_plus_minus"]));
        println!("{second}: {cause} makes {share:.3} ± {half:.3}");
        assert!(half > 0.0 && half < 0.6, "{second}: {share} ± {half}");
        // The stand was given this one cause, so it is all of the difference.
        assert!((share - 1.0).abs() <= half, "{second}: {share} ± {half}");
        let (from, to) = (f64_of(&why["range_rpm"][0]), f64_of(&why["range_rpm"][1]));
        let truth = mean_difference(setup, from, to);
        let part = &why["parts"][cause]["nm"];
        let (nm, half) = (f64_of(&part["value"]), f64_of(&part["plus_minus"]));
        assert!(
            (nm - truth).abs() <= half,
            "{second}: {nm} ± {half} for {truth}"
        );
        let other = if cause == "air" { "mixture" } else { "air" };
        let part = &why["parts"][other]["nm"];
        let (nm, half) = (f64_of(&part["value"]), f64_of(&part["plus_minus"]));
        assert!(nm.abs() <= half + 0.03, "{second}, {other}: {nm} ± {half}");
        let words = why["words"].to_string();
        assert!(
            words.contains("next: let the stand coast with the clutch in"),
            "{words}"
        );
    }
}

/// Mean difference of the simulated engines' own curves from main jet 105, N·m.
fn mean_difference(setup: Setup, from_rpm: f64, to_rpm: f64) -> f64 {
    let (base, other) = (engine(Setup::MainJet105), engine(setup));
    let speeds: Vec<f64> = (0..=50)
        .map(|i| from_rpm + (to_rpm - from_rpm) * f64::from(i) / 50.0)
        .collect();
    let difference = |rpm: &f64| {
        let omega = rad_per_s(*rpm);
        other.full_throttle.torque_nm(omega) - base.full_throttle.torque_nm(omega)
    };
    speeds.iter().map(difference).sum::<f64>() / speeds.len() as f64
}

/// Figures of one pull against the simulated engine's own.
#[test]
fn a_pull_shows_its_filling_mixture_and_consumption() {
    let text = run(&["show", "2", "--engine", "--json"]);
    let object: Value = serde_json::from_str(&text).unwrap();
    let found = &object["engine"];
    let truth = engine(Setup::MainJet105);
    let rpm: Vec<f64> = found["rpm"]
        .as_array()
        .unwrap()
        .iter()
        .map(f64_of)
        .collect();
    let mut seen = 0;
    for (i, rpm) in rpm.iter().enumerate() {
        let omega = rad_per_s(*rpm);
        let lambda = truth.breathing.mixture.lambda(omega);
        for key in ["lambda_of_sensor", "lambda_of_flows"] {
            let (value, half) = (&found[key][i], &found[format!("{key}_plus_minus")][i]);
            // Near the ends the sensor still shows what was before.
            if (3_600.0..8_600.0).contains(rpm) {
                let off = f64_of(value) - lambda;
                assert!(
                    off.abs() < f64_of(half) + 0.012,
                    "{key} at {rpm}: off by {off}"
                );
                seen += 1;
            }
        }
        // Filling goes with √T at another temperature (the correction's law), within 2 %.
        let ve = f64_of(&found["volumetric_efficiency"][i]);
        let expected = truth.volumetric_efficiency(omega);
        assert!(
            (ve / expected - 1.0).abs() < 0.04,
            "VE at {rpm}: {ve} for {expected}"
        );
        let bmep = f64_of(&found["bmep_pa"][i]);
        let speeds = object["rpm"].as_array().unwrap();
        let at = speeds.iter().position(|speed| speed.as_f64() == Some(*rpm));
        let torque = f64_of(&object["measured_torque_nm"][at.unwrap()]);
        let by_hand = 4.0 * std::f64::consts::PI * torque / 140e-6;
        assert!((bmep / by_hand - 1.0).abs() < 1e-9);
        let piston = f64_of(&found["mean_piston_speed_m_per_s"][i]);
        assert!((piston - 2.0 * 0.055 * rpm / 60.0).abs() < 1e-9);
    }
    assert!(seen > 60);
    let names: Vec<&str> = found["channels"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|channel| channel["name"].as_str())
        .collect();
    for name in [
        "air flow",
        "fuel meter",
        "lambda",
        "exhaust gas",
        "cylinder head",
    ] {
        assert!(names.contains(&name), "{names:?}");
    }
    // 12 L/s at 1.5 inHg is 12·√2 at 3 inHg.
    let device = &found["limits"]["device"];
    let at_three = f64_of(&device["capacity_m3_per_s"][1]);
    assert!((at_three - 0.012 * 2.0_f64.sqrt()).abs() < 1e-9);
    // The simulated intake is that device alone, rated with air of 1.2 kg/m³.
    let share = &device["share_of_depression"];
    assert!((f64_of(&share["value"]) - 1.0).abs() < 0.12, "{share}");
}

/// The smaller intake's shortfall is the intake's, and the words say so.
#[test]
fn a_small_intake_is_named_as_the_limit() {
    let small = run(&["show", "11", "--engine", "--json"]);
    let base = run(&["show", "2", "--engine", "--json"]);
    let cost = |text: &str| {
        let object: Value = serde_json::from_str(text).unwrap();
        f64_of(&object["engine"]["limits"]["restriction"]["cost_at_top"]["value"])
    };
    assert!(
        cost(&small) > 1.6 * cost(&base),
        "{} {}",
        cost(&small),
        cost(&base)
    );
    let text = run(&["show", "11", "--engine"]);
    for part in [
        "intake: ",
        "of depression at the top cost",
        "at 1.5 inHg",
        "at 3 inHg",
        "filling: VE is greatest at",
        "next: let the stand coast",
    ] {
        assert!(text.contains(part), "\"{part}\" is not in\n{text}");
    }
}

#[test]
fn words_table_and_plot() {
    let folder = tempfile::tempdir().unwrap();
    let plot = folder.path().join("why.svg");
    let plot = plot.to_str().unwrap();
    let text = run(&[
        "compare",
        "main jet 105",
        "main jet 110",
        "--why",
        "--plot",
        plot,
    ]);
    for part in [
        "why: main jet 110 against main jet 105",
        "the mixture makes",
        "lambda there: ",
        "friction is estimated",
    ] {
        assert!(text.contains(part), "\"{part}\" is not in\n{text}");
    }
    let svg = std::fs::read_to_string(plot).unwrap();
    for part in ["mixture", "rest", "Lambda"] {
        assert!(svg.contains(part), "{part}");
    }
}

/// Sheets and exports carry it like any other curve.
#[test]
fn sheet_and_export() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (html, csv) = (file("sheet.html"), file("pulls.csv"));
    run(&["sheet", "main jet 105", "main jet 110", "--out", &html]);
    let sheet = std::fs::read_to_string(&html).unwrap();
    for part in ["<h2>Why", "the mixture makes", "lambda there"] {
        assert!(sheet.contains(part), "\"{part}\" is not on the sheet");
    }
    run(&["export", "2", "--engine", "--out", &csv]);
    let csv = std::fs::read_to_string(&csv).unwrap();
    for column in [
        "volumetric_efficiency",
        "lambda_of_flows",
        "bsfc_expanded_uncertainty",
        "air_flow",
        "exhaust_gas",
    ] {
        assert!(csv.contains(column), "\"{column}\" is not exported");
    }
}

/// A stand without the engine's channels says what to measure next, and attributes nothing to them.
#[test]
fn without_channels_the_answer_is_what_to_measure() {
    let folder = tempfile::tempdir().unwrap();
    let mut text = String::new();
    // Without the roles the channels are there and tell nothing of the engine.
    for line in DEMO_STAND.lines() {
        if !["measures", "delay =", "pipe_volume"]
            .iter()
            .any(|key| line.starts_with(key))
        {
            text.push_str(line);
            text.push('\n');
        }
    }
    let mut model = demo_model();
    model.engine = engine(Setup::MainJet105);
    let mut bench = VirtualBench::new(folder.path(), &text, model).unwrap();
    for setup in [Setup::MainJet105, Setup::MainJet110] {
        bench
            .fit(setup.label(), Value::Null, engine(setup))
            .unwrap();
        let script = script(&bench, 2);
        bench.ride(script, 60).unwrap();
    }
    bench.finish().unwrap();
    let run = Command::new(leverarm())
        .args([
            "compare",
            "main jet 105",
            "main jet 110",
            "--why",
            "--json",
            "--store",
        ])
        .arg(folder.path())
        .output()
        .unwrap();
    let object: Value = serde_json::from_slice(&run.stdout).unwrap();
    let why = &object["why"];
    assert_eq!(why["parts"]["air"], Value::Null);
    assert_eq!(why["parts"]["mixture"], Value::Null);
    let missing: Vec<&str> = why["missing"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(Value::as_str)
        .collect();
    for what in ["air_flow", "intake_depression", "lambda", "fuel_flow"] {
        assert!(missing.contains(&what), "{missing:?}");
    }
}

/// After a pull the clutch stays in and the ignition goes off: the drum turns the engine over, and its
/// friction comes out as it was put in.
#[test]
fn friction_from_a_coast_down_with_the_clutch_in() {
    let folder = tempfile::tempdir().unwrap();
    let text = DEMO_STAND.replace("coast = \"250 ms\"", "coast = \"2.5 s\"");
    let mut model = demo_model();
    model.engine = engine(Setup::MainJet105);
    let mut bench = VirtualBench::new(folder.path(), &text, model).unwrap();
    bench.wait(0.5).unwrap();
    bench.stand().clutch(true);
    bench.stand().throttle(1.0);
    while bench.stand().truth().omega_engine_rad_per_s < rad_per_s(9_000.0) {
        bench.wait(0.02).unwrap();
    }
    bench.stand().throttle(0.0);
    bench.stand().ignition(false);
    bench.wait(4.0).unwrap();
    bench.finish().unwrap();
    let run = Command::new(leverarm())
        .args(["show", "1", "--engine", "--json", "--store"])
        .arg(folder.path())
        .output()
        .unwrap();
    let object: Value = serde_json::from_slice(&run.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&run.stderr)));
    let friction = &object["engine"]["friction"];
    let half = f64_of(&friction["plus_minus_nm"]);
    let at = |omega: f64| {
        f64_of(&friction["constant_nm"]) + omega * f64_of(&friction["per_rad_per_s_nm"])
    };
    let drag = Engine::pit_bike(Setup::MainJet105).drag;
    for omega in [800.0, 900.0] {
        let truth = drag.torque_nm(omega);
        let found = at(omega);
        println!("friction at {omega} rad/s: {found:.3} ± {half:.3} for {truth:.3}");
        assert!((found - truth).abs() < half, "{found} ± {half} for {truth}");
        assert!(half < 0.1 * truth);
    }
    let missing = object["engine"]["limits"]["missing"].to_string();
    assert!(!missing.contains("friction"), "{missing}");
}

/// Guards of the engine's channels: lean while pulling warns after its debounce, and not before or
/// after the pull, where the sensor sees plain air; low oil pressure cuts by its table.
#[test]
fn guards_watch_while_the_engine_pulls() {
    let folder = tempfile::tempdir().unwrap();
    let text = format!(
        "{DEMO_STAND}
[[channel]]
name = \"oil pressure\"
source = \"analog 7\"
law = \"linear\"
per_count = \"0.002 bar/count\"
measures = \"oil pressure\"

[[guard]]
name = \"oil pressure low\"
kind = \"below\"
on = \"oil pressure\"
limit_by_speed = [[\"2500 rpm\", \"0.5 bar\"], [\"5000 rpm\", \"1.0 bar\"], [\"7000 rpm\", \"6 bar\"]]
action = \"cut\"
debounce = \"200 ms\"
"
    )
    .replacen("[page]", "[display]\nunits = \"si\"\n\n[page]", 1);
    let stand = leverarm_config::parse("stand.toml", &text).unwrap();
    let mut model = model_of(&stand);
    model.engine = engine(Setup::MainJet105);
    model.engine.breathing.mixture = Mixture::constant(1.15);
    let mut bench = VirtualBench::new(folder.path(), &text, model).unwrap();
    let lean = engine(Setup::MainJet105);
    let lean = Engine {
        breathing: leverarm::software_stand::Breathing {
            mixture: Mixture::constant(1.15),
            ..lean.breathing
        },
        ..lean
    };
    bench.fit("lean", Value::Null, lean).unwrap();
    // At idle, with a closed throttle and after a cut the sensor shows more than the limit too.
    bench.wait(2.0).unwrap();
    assert!(
        bench
            .take_events()
            .iter()
            .all(|event| event.channel.as_deref() != Some("lean under load"))
    );
    let script = script(&bench, 1);
    // The cut ends each pull, and nobody releases it: the rider does not get through.
    assert!(bench.ride(script, 25).is_err());
    let events = bench.take_events();
    let about = |name: &str| -> Vec<&leverarm::core::EventData> {
        events
            .iter()
            .filter(|event| event.channel.as_deref() == Some(name) || event.message.contains(name))
            .collect()
    };
    assert!(!about("lean under load").is_empty(), "{events:?}");
    let oil = about("oil pressure low");
    assert!(!oil.is_empty(), "{events:?}");
    assert!(bench.stand().truth().cut);
}
