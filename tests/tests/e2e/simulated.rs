//! The software stand: in this process behind a pseudo-terminal, and in the commands that use it.

use leverarm::rehearsal::{DEMO_BRAKE, DEMO_STAND, Rehearsal, model_of, script_of};
use leverarm_software_stand::{Engine, Setup};
use nix::sys::signal::Signal;
use serde_json::Value;

use leverarm_tests::ran::Ran;

use crate::harness::{Bench, assert_within, eventually, numbers};

/// Another process reads the simulated board by the path of its terminal, as it would any board.
#[test]
fn a_simulated_board_by_its_path() {
    let simulated = leverarm_config::parse("demo.toml", DEMO_STAND).unwrap();
    let model = model_of(&simulated);
    let truth = model.engine.full_throttle.peak();
    let rehearsal = Rehearsal::start(model, 7).unwrap();
    let bench = Bench::with(|text| {
        let page = text.lines().find(|l| l.starts_with("address = ")).unwrap();
        let path = rehearsal.path().display().to_string();
        let demo = DEMO_STAND.replace("/dev/null", &path);
        let own = demo.lines().find(|l| l.starts_with("address = ")).unwrap();
        demo.replace(own, page)
    });
    let daemon = bench.serve();
    daemon.wait_for("firmware");
    rehearsal.ride(script_of(&simulated, 1)).unwrap();
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(pulls[0]["state"], "stored", "{pulls:?}");
    daemon.stop(Signal::SIGTERM);
    for (key, truth) in [
        ("peak_torque_nm", truth.torque_nm),
        ("peak_power_w", truth.power_w),
    ] {
        assert_within(key, pulls[0][key].as_f64().unwrap(), truth, 0.01);
    }
}

/// The example stand files that people start from, rehearsed as they are: whole pulls, no cut, the
/// torque that the demo's engine has too, and commands afterwards find what was rehearsed.
#[test]
fn the_example_stands_rehearsed() {
    let examples = [
        include_str!("../../../config/stand.example.toml"),
        include_str!("../../../config/brake.example.toml"),
    ];
    std::thread::scope(|scope| {
        for example in examples {
            scope.spawn(move || rehearsed(example));
        }
    });
}

fn rehearsed(example: &str) {
    let bench = Bench::with(|text| {
        let page = text.lines().find(|l| l.starts_with("address = ")).unwrap();
        match example.lines().find(|l| l.starts_with("address = ")) {
            Some(own) => example.replace(own, page),
            None => format!("{example}\n[page]\n{page}\n"),
        }
    });
    let out = bench.run(&["rehearse", "--pulls", "2", "--once"]).ok();
    assert!(out.contains("pull 2 stored"), "{out}");
    // Rehearsed pulls stay apart from real ones.
    assert!(!bench.store().exists());
    let listed = bench.run(&["pulls"]);
    assert!(listed.err.contains("store of rehearsals"), "{}", listed.err);
    assert_eq!(bench.pulls().len(), 2);
    for event in bench.journal() {
        let severity = event["severity"].as_str();
        assert!(matches!(severity, Some("info" | "warning")), "{event}");
    }
    let shown = bench.json(&["show", "1", "--json"]);
    let truth = Engine::pit_bike(Setup::MainJet105).full_throttle.peak();
    // A pull of some seconds, whose cycles vary; on the brake through a load cell with noise.
    assert_within(
        "peak torque",
        shown["peak_torque_nm"].as_f64().unwrap(),
        truth.torque_nm,
        0.03,
    );
    bench.run(&["plan", "begin", "a", "b", "--pulls", "2"]).ok();
}

/// What a person lets the simulated stand do, `show` tells: a tyre slips by so much, cycles don't burn.
#[test]
fn a_rehearsed_stand_slips_and_misfires() {
    let bench = Bench::with(|text| {
        let page = text.lines().find(|l| l.starts_with("address = ")).unwrap();
        DEMO_STAND.replace("address = \"127.0.0.1:0\"", page)
    });
    for (option, value, part) in [
        ("--slip", "30 %", "0 to 20 %"),
        ("--misfires", "some", "0 to 100 %"),
        ("--swing", "12", "the unit is missing"),
        ("--lash", "2 rad", "0 to 0.5"),
        ("--clutch", "8 kW", "a torque"),
    ] {
        bench.fails(&["rehearse", option, value], &[option, value, part]);
    }
    let options = ["--once", "--pulls", "1", "--slip", "2 %", "--misfires", "3"];
    let said = bench.run(&[&["rehearse"], &options[..]].concat()).ok();
    assert!(said.contains("by 1.5 %, and 3 % of"), "{said}");
    let shown = bench.json(&["show", "1", "--json"]);
    let misfired = shown["cycles"]["misfired"].as_f64().unwrap();
    assert!((1.0..15.0).contains(&misfired), "{shown}");
    let at_peak = numbers(&shown["rpm"]).iter().position(|rpm| *rpm == 6000.0);
    let slips = shown["ratio_deviation"][at_peak.unwrap()].as_f64();
    assert_within("slip", slips.unwrap(), 0.02, 0.15);
    // The demo's file has a chain, which can't slip: slip, or another ratio.
    let text = bench.run(&["show", "1", "--units", "us"]).ok();
    for part in ["drive ratio in doubt", "slip takes 0.", " hp", "misfires: "] {
        assert!(text.contains(part), "{part} in {text}");
    }
}

/// The whole job of the load as a person at a terminal does it, on a board that speaks in lines of text: arm, hold, tune, put in
/// force, steps. What is kept is called what it is, and a tuning is no longer in force when the stand file changes.
#[test]
fn a_board_of_text_lines_holds_a_load() {
    let bench = Bench::with(|text| {
        let page = text.lines().find(|l| l.starts_with("address = ")).unwrap();
        DEMO_BRAKE.replace("address = \"127.0.0.1:0\"", page)
    });
    let rehearsal = bench.rehearse(&["--load", "--text"]);
    eventually("an armed load", || {
        (bench.run(&["load", "arm"]).code == Some(0)).then_some(())
    });
    let shown = bench.run(&["check"]).ok();
    assert!(shown.contains("not tuned"), "{shown}");
    bench.run(&["load", "hold", "4500 rpm"]).ok();
    eventually("a held speed", || {
        let shown = bench.run(&["load", "show"]).ok();
        shown.contains("4500 rpm").then_some(())
    });
    let tuned = bench.json(&["load", "tune", "4000 rpm", "--json"]);
    let inertia = &tuned["calibration"]["record"]["inertia_kg_m2"];
    // The demo's own figure, at the absorber: what the stand file says is true of it.
    let truth = 0.1 + 0.006 * 2.5 * 2.5;
    assert_within("inertia", inertia["value"].as_f64().unwrap(), truth, 0.15);
    let ran = bench.run(&["load", "steps", "4000 rpm", "5000 rpm"]);
    assert_eq!(ran.code, Some(0), "{}: {:?}", ran.err, bench.journal());
    // The board takes other settings when nothing is armed.
    bench.run(&["load", "release"]).ok();
    eventually("an armed load with the tuning in force", || {
        (bench.run(&["load", "arm"]).code == Some(0)).then_some(())
    });
    let said = bench
        .run(&["load", "steps", "5000 rpm", "--throttle", "80 %"])
        .ok();
    assert!(
        said.contains("step 1: ") && !said.contains("NOT STEADY"),
        "{said}"
    );
    rehearsal.stop(Signal::SIGTERM);
    let pulls = bench.pulls();
    let states: Vec<_> = pulls
        .iter()
        .map(|it| it["state"].as_str().unwrap())
        .collect();
    assert_eq!(states, ["tuning", "stored", "stored"], "{pulls:?}");
    assert_eq!(pulls[0]["peak_torque_nm"], Value::Null, "{pulls:?}");
    for event in bench.journal() {
        let severity = event["severity"].as_str();
        assert!(matches!(severity, Some("info" | "warning")), "{event}");
    }

    let listed = bench.run(&["calibrations"]).ok();
    assert!(listed.contains("tuned, made"), "{listed}");
    let text = std::fs::read_to_string(bench.stand()).unwrap();
    let other = text.replacen("time_constant = \"", "time_constant = \"1", 1);
    assert_ne!(text, other);
    std::fs::write(bench.stand(), other).unwrap();
    let listed = bench.run(&["calibrations"]).ok();
    assert!(
        listed.contains("no longer this stand's") && listed.contains("absorber.time_constant"),
        "{listed}"
    );
}

/// The whole job in one command, in real time: three pulls with each of A, B and A.
#[test]
fn the_demo_finds_what_was_simulated() {
    let bench = Bench::new();
    let out = bench.path("demo");
    let clock = leverarm::clock::Clock::start();
    let said = Ran::of(&["demo", "--json", "--out", out.to_str().unwrap()]).ok();
    println!("the demo took {:.1} s", clock.now().mono_us as f64 * 1e-6);
    let result: Value = serde_json::from_str(said.lines().last().unwrap()).unwrap();
    let pulls = result["pulls"].as_array().unwrap();
    let setups: Vec<&str> = pulls.iter().filter_map(|p| p["setup"].as_str()).collect();
    let expected = ["main jet 105", "main jet 110", "main jet 105"];
    assert_eq!(
        setups,
        expected.iter().flat_map(|s| [*s; 3]).collect::<Vec<_>>()
    );
    for key in ["peak_torque_nm", "peak_power_w"] {
        for setup in ["main jet 105", "main jet 110"] {
            let of_setup = pulls.iter().filter(|pull| pull["setup"] == setup);
            let peaks: Vec<f64> = of_setup.filter_map(|pull| pull[key].as_f64()).collect();
            let truth = result["truth"][setup][key].as_f64().unwrap();
            // The work of its cycles varies by 1.5 %, so that a peak is good to some 0.4 %.
            for peak in &peaks {
                assert_within(&format!("{key} with {setup}"), *peak, truth, 0.015);
            }
            let mean = peaks.iter().sum::<f64>() / peaks.len() as f64;
            assert_within(&format!("mean {key} with {setup}"), mean, truth, 0.007);
        }
    }
    for pull in pulls {
        assert_eq!(pull["state"], "stored", "{pull}");
        for key in ["peak_torque_rpm", "peak_power_rpm", "air_factor"] {
            assert!(pull[key].as_f64().is_some_and(f64::is_finite), "{pull}");
        }
    }
    for key in ["store", "plot"] {
        let path = result[key].as_str().unwrap();
        assert!(std::path::Path::new(path).exists(), "{path}");
    }
    let store = result["store"].as_str().unwrap();
    let shown = Ran::of(&["show", "1", "--json", "--store", store]).ok();
    let shown: Value = serde_json::from_str(&shown).unwrap();
    assert_eq!(shown["peak_torque_nm"], pulls[0]["peak_torque_nm"]);
}
