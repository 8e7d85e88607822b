//! From the emulator's teeth to curves, plots and lists.

use std::f64::consts::TAU;

use nix::sys::signal::Signal;
use serde_json::Value;

use leverarm_tests::ran::{Ran, assert_has};

use crate::harness::{Bench, TORQUE_NM, assert_within, numbers};

/// How near each figure has to be to what the emulator's engine gives.
const SHARE: f64 = 0.005;

fn assert_curve_is_true(curve: &Value) {
    let rpm = numbers(&curve["rpm"]);
    let torque = numbers(&curve["torque_nm"]);
    let power = numbers(&curve["power_w"]);
    assert_eq!(
        (rpm.len(), rpm.len()),
        (torque.len(), power.len()),
        "values that are not trustworthy in a steady pull: {curve}"
    );
    assert!(
        rpm[0] <= 3_200.0 && rpm[rpm.len() - 1] >= 6_000.0,
        "{rpm:?}"
    );
    for ((rpm, torque), power) in rpm.iter().zip(&torque).zip(&power) {
        assert!((rpm % 100.0).abs() < 1e-6, "off the grid: {rpm}");
        assert_within(&format!("torque at {rpm} rpm"), *torque, TORQUE_NM, SHARE);
        let true_power = TORQUE_NM * rpm * TAU / 60.0;
        assert_within(&format!("power at {rpm} rpm"), *power, true_power, SHARE);
    }
}

/// Ticks and tooth numbers wrap past 32 bits in the middle of the first pull.
#[test]
fn pulls_become_lists_curves_and_plots() {
    let bench = Bench::new();
    // Air entered before anything runs: for the first pull.
    let air = ["air", "--pressure", "990 +/- 0.5 hPa", "--temperature"];
    bench
        .run(&[&air[..], &["30 degC", "--humidity", "60 %"]].concat())
        .ok();

    let wraps_after_5_s = (u64::from(u32::MAX) - 10_000_000).to_string();
    let first_tooth = (u32::MAX - 300).to_string();
    let mut board = bench.emulator(&[
        "--tick-start",
        &wraps_after_5_s,
        "--first-tooth",
        &first_tooth,
    ]);
    let daemon = bench.serve();
    let setup = [
        "setup",
        "main jet 105",
        "--part",
        "main jet=105",
        "--notes",
        "first try",
    ];
    assert_has(
        &bench.run(&setup).ok(),
        &["the next pulls belong to \"main jet 105\""],
    );
    board.pull();
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(
        (&pulls[0]["id"], &pulls[0]["state"], &pulls[0]["setup"]),
        (&1.into(), &"stored".into(), &"main jet 105".into()),
        "{pulls:?}"
    );
    assert_within(
        "peak torque in the list",
        pulls[0]["peak_torque_nm"].as_f64().unwrap(),
        TORQUE_NM,
        SHARE,
    );

    // Another day's air and another jet, told to the running daemon.
    bench
        .run(&[&air[..2], &["975 hPa", "--temperature", "15 degC"]].concat())
        .ok();
    bench.run(&["setup", "main jet 110"]).ok();
    board.pull();
    let pulls = bench.wait_for_pulls(2);
    assert_eq!(pulls.len(), 2, "{pulls:?}");
    assert_eq!(pulls[1]["setup"], "main jet 110");
    daemon.stop(Signal::SIGTERM);

    // Without a daemon: what is stored can be looked at, and air and setup entered.
    assert_has(
        &bench.run(&["pulls"]).ok(),
        &["main jet 105", "main jet 110", "12.0"],
    );
    assert_has(
        &bench.run(&["setup"]).ok(),
        &["main jet: 105", "first try", "in force"],
    );
    let first = bench.json(&["show", "1", "--json"]);
    let second = bench.json(&["show", "2", "--json"]);
    assert_curve_is_true(&first);
    assert_curve_is_true(&second);
    let pressure = |curve: &Value| curve["air"]["pressure_pa"].as_f64().unwrap();
    assert_eq!((pressure(&first), pressure(&second)), (99_000.0, 97_500.0));
    bench.run(&["air", "--forget"]).ok();
    assert_eq!(bench.json(&["show", "1", "--json"]), first);

    // Corrected, every figure is the measured one times the factor.
    let corrected = bench.json(&["show", "1", "--json", "--correction", "iso1585"]);
    let factor = corrected["air_factor"].as_f64().unwrap();
    assert!(factor > 1.02, "thin, warm air asks for more: {factor}");
    let (measured, torque) = (
        numbers(&corrected["measured_torque_nm"]),
        numbers(&corrected["torque_nm"]),
    );
    for (measured, torque) in measured.iter().zip(&torque) {
        assert_within("corrected torque", *torque, measured * factor, 1e-9);
    }
    let table = bench.run(&["show", "1", "--units", "us"]).ok();
    assert_has(
        &table,
        &["rpm", "lbf·ft", "8.85", "peak torque", "main jet 105"],
    );

    let (svg, png) = (bench.path("x.svg"), bench.path("x.png"));
    bench
        .run(&["show", "1", "--plot", svg.to_str().unwrap()])
        .ok();
    bench
        .run(&["show", "1", "--dark", "--plot", png.to_str().unwrap()])
        .ok();
    let svg = std::fs::read_to_string(svg).unwrap();
    assert_has(&svg, &["<svg", "</svg>", "main jet 105", "Engine speed"]);
    let png = std::fs::read(png).unwrap();
    assert!(png.starts_with(b"\x89PNG\r\n\x1a\n") && png.len() > 10_000);
    bench.fails(&["show", "1", "--plot", "x.bmp"], &[".svg or .png", "bmp"]);

    let journal = bench.run(&["journal"]).ok();
    assert_has(&journal, &["board 0b0a2d0000000e57", "2000000 ticks/s"]);
    // The only cut is the daemon's last word.
    for event in bench.journal() {
        let last = event["message"].as_str().is_some_and(|m| {
            m.contains("the daemon was stopped") || m.contains("confirms the cut")
        });
        assert!(
            event["severity"] == "info" || event["severity"] == "warning" || last,
            "{event}"
        );
    }
    bench.fails(&["show", "3"], &["the store holds no pull 3"]);
}

/// Whatever is shown comes from the store alone.
#[test]
fn figures_can_be_had_again_anywhere() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    board.pull();
    bench.wait_for_pulls(1);
    daemon.stop(Signal::SIGINT);
    drop(board);
    let shown = bench.json(&["show", "1", "--json"]);
    assert_eq!(bench.json(&["show", "1", "--json"]), shown);

    // The whole folder elsewhere, without the stand file.
    let copy = bench.path("elsewhere/kept pulls");
    std::fs::create_dir_all(&copy).unwrap();
    for entry in std::fs::read_dir(bench.store()).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), copy.join(entry.file_name())).unwrap();
    }
    std::fs::remove_dir_all(bench.store()).unwrap();
    std::fs::remove_file(bench.stand()).unwrap();
    let copy = copy.to_str().unwrap();
    let again = Ran::of(&["show", "1", "--json", "--store", copy]).ok();
    assert_eq!(serde_json::from_str::<Value>(&again).unwrap(), shown);
    assert_has(&Ran::of(&["pulls", "--store", copy]).ok(), &["12.0"]);

    // And from the bytes that the board sent, kept by any recorder: the same curve, although the
    // log begins before the pull and ends after it.
    let stand = Bench::new();
    let log = bench.board_log();
    let reduced = stand.json(&["reduce", "--json", "--board-log", log.to_str().unwrap()]);
    assert_curve_is_true(&reduced);
    let grid = |curve: &Value| {
        let rpm = numbers(&curve["rpm"]);
        rpm.into_iter()
            .zip(numbers(&curve["torque_nm"]))
            .collect::<Vec<_>>()
    };
    let reduced = grid(&reduced);
    let shown = grid(&shown);
    assert!(shown.len() > 25, "{shown:?}");
    for (rpm, torque) in shown {
        let (_, again) = reduced.iter().find(|(r, _)| *r == rpm).unwrap();
        assert_within(&format!("reduced at {rpm} rpm"), *again, torque, 1e-3);
    }
}

/// A brake holds against the engine while both speed up: force × arm and inertia add up.
#[test]
fn a_brake_and_a_drum_together() {
    let load_cell = "[load_cell]\nchannel = 0\non = \"drum\"\nper_count = \"0.001 +/- 0.000001 N/count\"\n\
                     zero_counts = 5000\narm = \"250 +/- 0.1 mm\"\n";
    let bench = Bench::with(|text| {
        text.replace("kind = \"inertia\"\n", "kind = \"both\"\n")
            .replace("[losses]", &format!("{load_cell}\n[losses]"))
    });
    // 25 N·m at the drum: 100 N on 250 mm.
    let (mut board, daemon) = bench.served(&["--brake", "25", "--force", "105000"]);
    board.pull();
    bench.wait_for_pulls(1);
    daemon.stop(Signal::SIGTERM);
    assert_curve_is_true(&bench.json(&["show", "1", "--json"]));
}

/// The bytes of a pull, from the middle of a connection, are reduced by themselves and taken into
/// another store, where they are the same pull.
#[test]
fn a_pull_leaves_as_bytes_and_joins_another_store() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    board.is_to("idle");
    // Beyond the pull's pre-trigger, so that no hello is in its bytes.
    std::thread::sleep(std::time::Duration::from_secs(3));
    bench.run(&["setup", "main jet 105"]).ok();
    board.pull();
    bench.wait_for_pulls(1);
    daemon.stop(Signal::SIGTERM);
    let shown = bench.json(&["show", "1", "--json"]);

    let (log, old) = (bench.path("pull.bin"), bench.path("elsewhere"));
    let (log, old) = (log.to_str().unwrap(), old.to_str().unwrap());
    bench.run(&["export", "1", "--out", log]).ok();
    assert_curve_is_true(&bench.json(&["reduce", "--board-log", log, "--json"]));

    let import = |more: &[&str]| bench.run(&[&["import", log, "--store", old], more].concat());
    import(&["--began", "some day"]).fails_with(&["--began", "is no time"]);
    import(&["--began", "2999-01-01"]).fails_with(&["has not come yet"]);
    let began = ["--began", "2026-05-03 14:20", "--setup", "sleeve 3 mm"];
    let said = import(&began).ok();
    assert_has(&said, &["1 pull from number 1 on, 1 of them whole"]);
    let pulls = bench.json(&["pulls", "--json", "--store", old]);
    let pull = &pulls["pulls"][0];
    assert_eq!(pull["setup"], "sleeve 3 mm", "{pull}");
    assert_has(
        &bench.run(&["pulls", "--store", old]).ok(),
        &["2026-05-03 14:20"],
    );
    let again = bench.json(&["show", "1", "--json", "--store", old]);
    assert_eq!(shown["rpm"], again["rpm"]);
    let (before, after) = (numbers(&shown["torque_nm"]), numbers(&again["torque_nm"]));
    for (before, after) in before.iter().zip(&after) {
        assert_within("torque, taken in again", *after, *before, 1e-3);
    }
    bench.run(&["doctor", old]).ok();
}

/// A stretch kept by hand stands beside the pulls of its setup, and is not one of them.
#[test]
fn what_is_kept_by_hand_joins_a_setup_only_when_asked_to() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    bench.run(&["setup", "main jet 105"]).ok();
    board.is_to("idle");
    bench.run(&["keep", "--last", "1 s"]).ok();
    bench.run(&["keep", "--last", "1 s", "--with-setup"]).ok();
    daemon.stop(Signal::SIGTERM);
    bench.run(&["keep", "--last", "1 s"]).ok();
    bench.run(&["keep", "--last", "1 s", "--with-setup"]).ok();
    let setups: Vec<Value> = bench
        .pulls()
        .iter()
        .map(|pull| pull["setup"].clone())
        .collect();
    let none = Value::Null;
    assert_eq!(
        setups,
        [
            none.clone(),
            "main jet 105".into(),
            none,
            "main jet 105".into()
        ]
    );
}
