//! The engine's side of the job, in virtual time: the software stand is given a cause, and the
//! analysis has to find it.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;

use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm_software_stand::{Engine, Mixture, RiderScript, Setup, StandModel, Truth, rad_per_s};
use leverarm_tests::ran::Ran;
use leverarm_tests::virtual_bench::VirtualBench;
use leverarm_vocabulary::EventKind;
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
        braking_rad_per_s2: 140.0,
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

fn run(arguments: &[&str]) -> String {
    run_on(store(), arguments)
}

fn run_on(store: &Path, arguments: &[&str]) -> String {
    let store = store.to_str().unwrap();
    Ran::of(&[arguments, &["--store", store]].concat()).ok()
}

fn why(second: &str) -> Value {
    // The stand knows of no part that was put back; simulated ones come back as they were.
    let refit = ["--typical-refit", "0.05 %"];
    let ask = ["compare", "main jet 105", second, "--why", "--json"];
    let text = run(&[&ask[..], &refit].concat());
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
    let us = run(&["show", "11", "--engine", "--units", "us"]);
    assert!(
        us.contains(" psi of depression at the top") && !us.contains("kPa"),
        "{us}"
    );
}

/// What a comparison keeps of a pull's engine is taken while what it was made from is the same, and only
/// then.
#[test]
fn kept_engines_change_nothing() {
    let folder = tempfile::tempdir().unwrap();
    for entry in std::fs::read_dir(store()).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_file() {
            std::fs::copy(entry.path(), folder.path().join(entry.file_name())).unwrap();
        }
    }
    let why = || -> Value {
        let asked = ["compare", "main jet 105", "main jet 110", "--why", "--json"];
        serde_json::from_str(&run_on(folder.path(), &asked)).unwrap()
    };
    let plain = ["compare", "main jet 105", "main jet 110"];
    run_on(folder.path(), &plain);
    let file = folder.path().join("curves/engine-1.json");
    assert!(!file.exists(), "nobody asked why");
    let first = why();
    assert_eq!(first["why"]["friction_measured"], false);
    assert_eq!(why(), first);
    // A friction that was measured is believed: that it is taken shows that it is read.
    let text = std::fs::read_to_string(&file).unwrap();
    let mut kept: Value = serde_json::from_str(&text).unwrap();
    kept["curve"]["friction"] = json!({
        "coefficients": [1.0, 0.002],
        "standard_uncertainty_nm": 0.05,
        "omega_range_rad_per_s": [300.0, 900.0],
    });
    std::fs::write(&file, kept.to_string()).unwrap();
    assert_eq!(why()["why"]["friction_measured"], true);
    // Made from something else, or cut off by a full disk, it is not.
    kept["made_from"] = json!("0");
    for spoilt in [kept.to_string(), text[..text.len() / 2].to_owned()] {
        std::fs::write(&file, spoilt).unwrap();
        assert_eq!(why(), first);
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
    // Without a word on what putting parts back moves the answer is kept back, and said once.
    assert_eq!(text.matches("N·m: the mixture makes").count(), 1, "{text}");
    let ranges = text.lines().filter(|line| line.starts_with("3300-"));
    let rows = ranges.count();
    assert_eq!(rows, 1, "{text}");
    for part in [
        "why: main jet 110 against main jet 105",
        "the answer is kept back: this is of the plain numbers",
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
        if !["measures", "delay =", "pipe_volume", "settling_volume"]
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
    let ask = ["compare", "main jet 105", "main jet 110", "--why", "--json"];
    let object: Value = serde_json::from_str(&run_on(folder.path(), &ask)).unwrap();
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

/// A vane wheel in the air's way gives pulses that stand for volumes: the flow that comes of them is the
/// simulated engine's own.
#[test]
fn an_air_meter_with_pulses_finds_the_true_flow() {
    let thermal = DEMO_STAND.find("name = \"air flow\"").unwrap();
    let end = thermal + DEMO_STAND[thermal..].find("measures").unwrap();
    let text = format!(
        "{}name = \"air flow\"\nsource = \"pulses 3\"\nlaw = \"pulses\"\nper_pulse = \"0.05 L\"\n\
         uncertainty = \"0.03 L/s\"\n{}",
        &DEMO_STAND[..thermal],
        &DEMO_STAND[end..]
    );
    let stand = leverarm_config::parse("stand.toml", &text).unwrap();
    let mut model = model_of(&stand);
    model.engine = engine(Setup::MainJet105);
    let divisor = model.air.torque_divisor;
    let truth = model.engine.clone();
    let folder = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::new(folder.path(), &text, model).unwrap();
    bench.ride(script(&bench, 1), 60).unwrap();
    bench.finish().unwrap();
    let shown = run_on(folder.path(), &["show", "1", "--engine", "--json"]);
    let object: Value = serde_json::from_str(&shown).unwrap();
    let found = &object["engine"];
    let rpm = found["rpm"].as_array().unwrap();
    assert!(rpm.len() > 40, "{rpm:?}");
    for (i, rpm) in rpm.iter().enumerate() {
        let omega = rad_per_s(f64_of(rpm));
        let drag = truth.drag.torque_nm(omega);
        let gas_nm = truth.full_throttle.torque_nm(omega) / divisor + drag;
        let expected = truth.breathing.air_kg_per_s(gas_nm, 1.0, omega);
        let air = f64_of(&found["air_kg_per_s"][i]);
        let half = f64_of(&found["air_kg_per_s_plus_minus"][i]);
        assert!(
            (air - expected).abs() < half,
            "{air} ± {half} for {expected} at {rpm}"
        );
        // 0.03 L/s of air, twice, and little beside it.
        assert!((6.0e-5..1.2e-4).contains(&half), "{half}");
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
    let shown = run_on(folder.path(), &["show", "1", "--engine", "--json"]);
    let object: Value = serde_json::from_str(&shown).unwrap();
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
        breathing: leverarm_software_stand::Breathing {
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
    let about = |name: &str| -> Vec<&leverarm_live::Event> {
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

/// Guards of exhaust and coolant. The same limit without and with a debounce tells what the debounce
/// does; the same with and without `while` tells the pull from the rest.
const HEAT_GUARDS: &str = r#"
[[channel]]
name = "coolant"
source = "analog 7"
law = "linear"
per_count = "0.05 K/count"
at_zero = "-20 degC"
measures = "coolant temperature"

[[guard]]
name = "exhaust, at once"
kind = "over-temperature"
on = "exhaust gas"
limit = "785 degC"
action = "warn"

[[guard]]
name = "exhaust, pulling"
kind = "over-temperature"
on = "exhaust gas"
limit = "785 degC"
while = "pulling"
action = "warn"
debounce = "400 ms"

[[guard]]
name = "exhaust, for long"
kind = "over-temperature"
on = "exhaust gas"
limit = "785 degC"
action = "warn"
debounce = "20 s"

[[guard]]
name = "coolant, pulling"
kind = "over-temperature"
on = "coolant"
limit = "66 degC"
while = "pulling"
action = "warn"
debounce = "500 ms"

[[guard]]
name = "coolant, at once"
kind = "over-temperature"
on = "coolant"
limit = "80 degC"
action = "warn"

[[guard]]
name = "coolant"
kind = "over-temperature"
on = "coolant"
limit = "80 degC"
action = "cut"
debounce = "2 s"
"#;

fn bench_with_heat_guards(folder: &Path) -> VirtualBench {
    let text = format!("{DEMO_STAND}{HEAT_GUARDS}");
    let stand = leverarm_config::parse("stand.toml", &text).unwrap();
    let mut model = model_of(&stand);
    model.engine = engine(Setup::MainJet105);
    VirtualBench::new(folder, &text, model).unwrap()
}

fn with_mixture(lambda: f64) -> Engine {
    let mut engine = engine(Setup::MainJet105);
    engine.breathing.mixture = Mixture::constant(lambda);
    engine
}

/// When guards tripped, by name, on the daemon's clock, s.
fn trips(bench: &mut VirtualBench) -> BTreeMap<String, f64> {
    let events = bench.take_events().into_iter();
    let tripped = events.filter(|event| event.kind == EventKind::GuardTripped);
    tripped
        .filter_map(|event| Some((event.channel?, event.now.mono_us as f64 * 1e-6)))
        .collect()
}

/// Lets the stand be until something is so.
fn wait_until(bench: &mut VirtualBench, is_so: impl Fn(&Truth) -> bool) {
    for _ in 0..6_000 {
        if is_so(&bench.stand().truth()) {
            return;
        }
        bench.wait(0.02).unwrap();
    }
    panic!("not within two minutes: {:?}", bench.stand().truth());
}

fn about(trips: &BTreeMap<String, f64>, what: &str) -> Vec<String> {
    let names = trips.keys().filter(|name| name.starts_with(what));
    names.cloned().collect()
}

/// The gas gets hot with the mixture, in a pull and at a held speed alike; a rich engine's normal pull
/// stays below the limit.
#[test]
fn a_hot_exhaust_is_told_in_a_pull_after_its_debounce() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = bench_with_heat_guards(folder.path());
    bench.fit("rich", Value::Null, with_mixture(0.85)).unwrap();
    bench.ride(script(&bench, 1), 60).unwrap();
    assert_eq!(about(&trips(&mut bench), "exhaust"), [""; 0]);

    // Full throttle against the brake: as hot, and no pull. The way up is one until the speed falls.
    bench.fit("hot", Value::Null, with_mixture(1.0)).unwrap();
    let stand = bench.stand();
    stand.ride(None);
    stand.ignition(true);
    stand.clutch(true);
    stand.throttle(0.4);
    wait_until(&mut bench, |truth| {
        truth.omega_engine_rad_per_s >= rad_per_s(6_500.0)
    });
    let held = rad_per_s(6_000.0);
    for opening in [0.4, 1.0] {
        bench.stand().throttle(opening);
        for _ in 0..300 {
            let over = bench.stand().truth().omega_engine_rad_per_s - held;
            bench.stand().brake((20.0 * over).max(0.0));
            bench.wait(0.01).unwrap();
        }
    }
    assert_eq!(about(&trips(&mut bench), "exhaust"), ["exhaust, at once"]);
    let stand = bench.stand();
    stand.throttle(0.0);
    stand.clutch(false);
    stand.brake(200.0);
    bench.wait(5.0).unwrap();

    bench.ride(script(&bench, 1), 60).unwrap();
    let tripped = trips(&mut bench);
    let names = ["exhaust, at once", "exhaust, pulling"];
    assert_eq!(about(&tripped, "exhaust"), names);
    // The thermocouple is read ten times a second.
    let late_s = tripped["exhaust, pulling"] - tripped["exhaust, at once"];
    assert!((0.399..0.55).contains(&late_s), "{late_s} s");
}

/// The engine's cooling fails: heat stays in the head. In a pull it is told early; at the limit that
/// holds always the ignition is cut, two seconds after it is passed.
#[test]
fn a_hot_coolant_is_told_in_a_pull_and_cuts_at_idle() {
    let folder = tempfile::tempdir().unwrap();
    let mut bench = bench_with_heat_guards(folder.path());
    let normal = engine(Setup::MainJet105);
    bench.fit("normal", Value::Null, normal.clone()).unwrap();
    bench.ride(script(&bench, 1), 60).unwrap();
    assert_eq!(about(&trips(&mut bench), "coolant"), [""; 0]);

    let mut uncooled = normal;
    uncooled.head.cooling_w_per_k = 0.0;
    uncooled.head.idle_heat_w = 1_500.0;
    bench.fit("uncooled", Value::Null, uncooled).unwrap();
    // The simulated coolant is 25 K below the head.
    wait_until(&mut bench, |truth| truth.head_k - 25.0 >= 273.15 + 68.0);
    bench.wait(3.0).unwrap();
    assert_eq!(about(&trips(&mut bench), "coolant"), [""; 0], "no pull");
    bench.ride(script(&bench, 1), 60).unwrap();
    let tripped = trips(&mut bench);
    assert_eq!(about(&tripped, "coolant"), ["coolant, pulling"]);
    assert!(!bench.stand().truth().cut);

    wait_until(&mut bench, |truth| truth.cut);
    let tripped = trips(&mut bench);
    assert_eq!(about(&tripped, "coolant"), ["coolant", "coolant, at once"]);
    let late_s = tripped["coolant"] - tripped["coolant, at once"];
    assert!((1.999..2.2).contains(&late_s), "{late_s} s");
}
