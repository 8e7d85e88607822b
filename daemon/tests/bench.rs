//! The commands for who builds a stand. `board`: what it says of simulated stands, each with one
//! fault of its wiring. `size`: against values worked elsewhere, and the tables of the hardware notes.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use std::process::Command;

use leverarm::rehearsal::{DEMO_STAND, Rehearsal, model_of};
use leverarm_analysis::board_check::{BoardCheck, Fault, Report};
use leverarm_config::Stand;
use leverarm_protocol::{BoardMessage, Form, FrameWriter, HostMessage, HostWriter, LineWriter};
use leverarm_protocol::{BoardReader, Reading};
use leverarm_software_stand::{
    AnalogSource, Hum, Interference, Reaction, SoftwareStand, StandModel, TemperatureSource,
    rad_per_s,
};
use leverarm_values::CalibratedStand;

fn demo_stand(more: &str) -> Stand {
    leverarm_config::parse("demo", &format!("{DEMO_STAND}\n{more}")).unwrap()
}

/// A load cell that holds the engine.
const CELL: &str = r#"
[load_cell]
channel = 0
on = "engine"
per_count = "0.0005 N/count"
zero_counts = 8400
arm = "250 mm"
"#;

/// A stand that is listened to as `leverarm board` does, for five seconds: of rest, or with a pull
/// in them.
fn listen(model: StandModel, pull: bool, stand: Option<&Stand>) -> Report {
    let mut software = SoftwareStand::new(model, 7).unwrap();
    let mut host = FrameWriter::new();
    let mut check = BoardCheck::new();
    let mut start_us = 0;
    if !pull {
        // Without ignition the engine, which idles, comes to rest.
        software.ignition(false);
        start_us = 10_000_000;
        software.advance(start_us, &mut Vec::new());
    }
    software.receive(host.write(0, &HostMessage::Identify).unwrap());
    for ms in 1..=5_000 {
        if pull && ms == 2_000 {
            software.throttle(1.0);
            software.clutch(true);
        }
        let (now_us, mut bytes) = (start_us + 1_000 * ms, Vec::new());
        software.advance(now_us, &mut bytes);
        check.feed(now_us, &bytes);
    }
    if pull {
        assert!(software.truth().omega_drum_rad_per_s > rad_per_s(300.0));
    }
    assert!(check.is_identified());
    let of = stand.map(|stand| CalibratedStand::uncalibrated(stand.clone()));
    check.report(of.as_ref())
}

/// Faults with the input they are about.
fn faults(report: &Report) -> Vec<(Fault, &str)> {
    let remarks = report.remarks.iter();
    remarks
        .map(|remark| (remark.fault, remark.input.as_deref().unwrap_or("link")))
        .collect()
}

fn text(report: &Report, fault: Fault) -> &str {
    let mut remarks = report.remarks.iter();
    &remarks.find(|remark| remark.fault == fault).unwrap().text
}

#[test]
fn a_sound_stand_has_nothing_wrong() {
    let report = listen(StandModel::pit_bike(), true, None);
    assert_eq!(faults(&report), []);
    let board = report.board.as_ref().unwrap();
    assert_eq!(board.board_id, "4c6576657241726d");
    assert_eq!((board.tick_hz, board.form), (2_000_000, "frames"));
    assert!((4.9..=5.1).contains(&report.seconds), "{}", report.seconds);
    let state = report.state.as_ref().unwrap();
    assert!(!state.cut && state.heartbeat_timeout_ms == 0);
    let loss = report.loss;
    assert_eq!((loss.frames_lost, loss.frames_damaged), (0, 0));
    let names: Vec<&str> = report.inputs.iter().map(|it| it.input.as_str()).collect();
    assert_eq!(names[..3], ["pickup 0", "pickup 1", "force 0"]);
    assert_eq!(names.len(), 3 + 5 + 2);
}

/// The noise that is told is the noise that was put in.
#[test]
fn noise_and_rate_are_those_of_the_model() {
    let mut model = StandModel::pit_bike();
    model.forces[0].reaction = Reaction::Brake; // which is off
    let report = listen(model, false, None);
    assert_eq!(
        faults(&report),
        [(Fault::NoTeeth, "pickup 0"), (Fault::NoTeeth, "pickup 1")]
    );
    let force = &report.inputs[2];
    assert!((force.rate_hz - 80.0).abs() < 1.0, "{force:?}");
    assert_eq!(force.rate_hz_announced, 80);
    let rms = force.noise_counts_rms.unwrap();
    assert!((35.0..45.0).contains(&rms), "40 counts: {rms}");
    let peak = force.noise_counts_peak.unwrap();
    assert!((2.0 * rms..5.0 * rms).contains(&peak), "{peak}");
    let mean = force.mean_counts.unwrap();
    assert!((mean - 8_400.0).abs() < 10.0, "{mean}");
}

#[test]
fn faults_of_pickups_are_told_apart() {
    let of = |change: fn(&mut StandModel)| {
        let mut model = StandModel::pit_bike();
        change(&mut model);
        listen(model, true, None)
    };
    let silent = of(|model| model.pickups[0].missed_probability = 1.0);
    assert_eq!(faults(&silent), [(Fault::NoTeeth, "pickup 0")]);
    assert!(text(&silent, Fault::NoTeeth).contains("the other pickup"));

    let double = of(|model| model.pickups[0].doubled_probability = 1.0);
    assert_eq!(faults(&double), [(Fault::DoubleTeeth, "pickup 0")]);

    // Both edges of a tooth, a third of the pitch wide at 600 rpm.
    let both = of(|model| {
        model.pickups[0].doubled_probability = 1.0;
        model.pickups[0].doubled_after_s = 4e-3;
    });
    assert!(
        faults(&both).contains(&(Fault::DoubleTeeth, "pickup 0")),
        "{both:?}"
    );

    let missing = of(|model| model.pickups[0].missed_probability = 0.05);
    assert_eq!(
        faults(&missing),
        [(Fault::MissingTeeth, "pickup 0")],
        "{missing:?}"
    );

    let sparks = of(|model| {
        model.pickups[0].interference = Interference {
            bursts_per_s: 4.0,
            edges: 1,
            spacing_s: 1e-3,
            ..Interference::default()
        };
    });
    assert_eq!(faults(&sparks), [(Fault::ExtraTeeth, "pickup 0")]);
}

#[test]
fn mains_on_the_load_cell_is_named_by_its_frequency() {
    for (frequency_hz, named) in [(50.0, "50 Hz"), (59.95, "60 Hz")] {
        let mut model = StandModel::pit_bike();
        model.forces[0].hum = Hum {
            frequency_hz,
            amplitude_counts: 60.0,
        };
        let report = listen(model, false, None);
        assert!(
            text(&report, Fault::MainsHum).starts_with(named),
            "{report:?}"
        );
    }
}

#[test]
fn a_load_cell_with_swapped_wires_reads_below_zero_under_load() {
    let stand = demo_stand(CELL);
    let mut model = StandModel::pit_bike();
    let right = listen(model.clone(), true, Some(&stand));
    assert_eq!(faults(&right), []);
    let cell = &right.inputs[2];
    assert_eq!(cell.name.as_deref(), Some("load cell"));
    assert!(cell.value.as_ref().unwrap().ends_with(" N"), "{cell:?}");
    model.forces[0].counts_per_n = -2_000.0;
    let swapped = listen(model, true, Some(&stand));
    assert_eq!(faults(&swapped), [(Fault::SwappedPolarity, "force 0")]);
}

#[test]
fn inputs_at_their_end_or_open_are_named() {
    let mut model = StandModel::pit_bike();
    model.forces[0].zero_counts = 9e6;
    model.analogs[1].source = AnalogSource::Constant(1e9);
    model.analogs[1].counts_max = 1023;
    model.analogs[4].source = AnalogSource::Constant(-1e9);
    model.temperatures[0].source = TemperatureSource::Broken;
    let report = listen(model, true, None);
    assert_eq!(
        faults(&report),
        [
            (Fault::Saturated, "force 0"),
            (Fault::Saturated, "analog 1"),
            (Fault::Saturated, "analog 4"),
            (Fault::Open, "temperature 0"),
        ]
    );
}

/// A thermocouple that heats up with its wires swapped, after the demo's stand file.
#[test]
fn a_thermocouple_with_swapped_wires_falls_below_what_is_expected() {
    let stand = demo_stand("");
    let mut software = SoftwareStand::new(model_of(&stand), 7).unwrap();
    let mut bytes = Vec::new();
    software.advance(3_000_000, &mut bytes);
    // The same samples, with the thermocouple at -2 mV: its wires swapped at 75 degrees or so.
    let mut swapped = Vec::new();
    let mut writer = FrameWriter::new();
    BoardReader::new().feed(0, &bytes, &mut |reading| {
        let Reading::Message { tick, message, .. } = reading else {
            return;
        };
        let message = match message {
            BoardMessage::Temperature { channel: 0, .. } => BoardMessage::Temperature {
                channel: 0,
                counts: -256,
            },
            other => other,
        };
        #[expect(clippy::cast_possible_truncation, reason = "as on the wire")]
        swapped.extend_from_slice(writer.write(tick as u32, &message).unwrap());
    });
    let mut check = BoardCheck::new();
    check.feed(0, &swapped);
    let found = check.report(Some(&CalibratedStand::uncalibrated(stand)));
    assert!(
        faults(&found).contains(&(Fault::SwappedPolarity, "temperature 0")),
        "{found:?}"
    );
}

#[test]
fn a_converter_with_another_rate_and_one_that_is_silent_are_named() {
    let mut model = StandModel::pit_bike();
    model.forces[0].rate_hz = 80;
    let mut software = SoftwareStand::new(model, 7).unwrap();
    let mut bytes = Vec::new();
    software.advance(3_000_000, &mut bytes);
    let keep_every = |n: u32| {
        let (mut kept, mut writer, mut count) = (Vec::new(), FrameWriter::new(), 0);
        BoardReader::new().feed(0, &bytes, &mut |reading| {
            let Reading::Message { tick, message, .. } = reading else {
                return;
            };
            let is_force = matches!(message, BoardMessage::Force { .. });
            count += u32::from(is_force);
            if !is_force || count.checked_rem(n) == Some(0) {
                #[expect(clippy::cast_possible_truncation, reason = "as on the wire")]
                kept.extend_from_slice(writer.write(tick as u32, &message).unwrap());
            }
        });
        let mut check = BoardCheck::new();
        check.feed(0, &kept);
        check.report(None)
    };
    assert!(faults(&keep_every(8)).contains(&(Fault::Rate, "force 0")));
    assert!(faults(&keep_every(0)).contains(&(Fault::NoSamples, "force 0")));
}

#[test]
fn lost_and_damaged_frames_are_counted() {
    let mut software = SoftwareStand::new(StandModel::pit_bike(), 7).unwrap();
    let mut bytes = Vec::new();
    software.advance(3_000_000, &mut bytes);
    for at in (5_000..bytes.len()).step_by(5_000) {
        bytes[at] ^= 0x10;
    }
    let mut check = BoardCheck::new();
    check.feed(0, &bytes);
    let report = check.report(None);
    assert!(
        faults(&report).contains(&(Fault::Link, "link")),
        "{report:?}"
    );
    assert!(report.loss.frames_damaged > 1 && report.loss.frames_lost > 1);
}

/// The plain-text form gives the same report.
#[test]
fn a_board_that_speaks_lines_is_read_alike() {
    let mut software = SoftwareStand::new(StandModel::pit_bike(), 7).unwrap();
    let mut bytes = Vec::new();
    software.advance(3_000_000, &mut bytes);
    let mut lines = Vec::new();
    let mut writer = LineWriter::new();
    BoardReader::new().feed(0, &bytes, &mut |reading| {
        if let Reading::Message { tick, message, .. } = reading {
            #[expect(clippy::cast_possible_truncation, reason = "as on the wire")]
            lines.extend_from_slice(writer.write(tick as u32, &message).unwrap());
        }
    });
    let report = |bytes: &[u8]| {
        let mut check = BoardCheck::new();
        check.feed(0, bytes);
        check.report(None)
    };
    let (frames, lines) = (report(&bytes), report(&lines));
    assert_eq!(lines.board.as_ref().unwrap().form, "lines");
    assert_eq!(lines.inputs, frames.inputs);
    assert_eq!(lines.remarks, frames.remarks);
}

/// A host that asks in both forms is understood by a board of either.
#[test]
fn the_software_stand_understands_a_host_that_does_not_know_its_form() {
    let mut software = SoftwareStand::new(StandModel::pit_bike(), 7).unwrap();
    let mut bytes = Vec::new();
    software.advance(500_000, &mut bytes);
    bytes.clear();
    let mut host = HostWriter::new();
    let mut said = Vec::new();
    let mut sink = |piece: &[u8]| said.extend_from_slice(piece);
    let messages = [
        (None, HostMessage::Identify),
        (Some(Form::Frames), HostMessage::Heartbeat),
    ];
    for (form, message) in &messages {
        host.write(*form, 0, message, &mut sink).unwrap();
    }
    software.receive(&said);
    software.advance(1_000_000, &mut bytes);
    let mut check = BoardCheck::new();
    check.feed(0, &bytes);
    assert!(check.is_identified());
}

/// Runs the program; its output, and whether it went well.
fn leverarm(arguments: &[&str]) -> (String, bool) {
    let directory = tempfile::tempdir().unwrap(); // without a stand file
    let output = Command::new(env!("CARGO_BIN_EXE_leverarm"))
        .args(arguments)
        .current_dir(directory.path())
        .env_remove("LEVERARM_STAND")
        .env("COLUMNS", "80")
        .output()
        .unwrap();
    let shown = [output.stdout, output.stderr].concat();
    (String::from_utf8(shown).unwrap(), output.status.success())
}

/// A board at a real port, as after flashing: no stand file, no daemon.
#[test]
fn board_reads_a_port() {
    let rehearsal = Rehearsal::start(StandModel::pit_bike(), 3).unwrap();
    let path = rehearsal.path().to_str().unwrap();
    let (json, ok) = leverarm(&["board", "--port", path, "--for", "2 s", "--json"]);
    assert!(ok, "{json}");
    let found: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(found["board"]["board_id"], "4c6576657241726d");
    assert_eq!(found["from"], format!("{path}, 500000 baud"));
    assert_eq!(found["inputs"].as_array().unwrap().len(), 10);
    assert!(found["seconds"].as_f64().unwrap() > 1.0, "{json}");

    let (text, ok) = leverarm(&["board", "--port", path, "--for", "1 s"]);
    assert!(ok, "{text}");
    for part in [
        "board  4c6576657241726d, firmware 1.0.0",
        "running",
        "force 0",
        "wiring",
    ] {
        assert!(text.contains(part), "{part:?} is not in\n{text}");
    }
}

#[test]
fn board_reads_recorded_bytes_and_says_what_it_lacks() {
    let directory = tempfile::tempdir().unwrap();
    let file = directory.path().join("board.log");
    let mut software = SoftwareStand::new(StandModel::pit_bike(), 7).unwrap();
    let mut bytes = Vec::new();
    software.advance(3_000_000, &mut bytes);
    std::fs::write(&file, &bytes).unwrap();
    let log = file.to_str().unwrap();
    let (text, ok) = leverarm(&["board", "--board-log", log]);
    assert!(ok && text.contains("- pickup 0: no teeth"), "{text}");

    std::fs::write(&file, b"not a board").unwrap();
    for (arguments, part) in [
        (
            &["board", "--board-log", log][..],
            "there is no hello of a board in it",
        ),
        (
            &["board", "--port", "/dev/no-such-port"],
            "there is no such port",
        ),
        (&["board"], "no port named with --port"),
        (
            &["board", "--board-log", log, "--for", "1 h"],
            "expected 1 s to 600 s",
        ),
        (
            &["board", "--board-log", log, "--for", "5"],
            "the unit is missing",
        ),
    ] {
        let (text, ok) = leverarm(arguments);
        // The path may be long, and the text folded.
        let unfolded = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(!ok && unfolded.contains(part), "{arguments:?}: {text}");
    }
}

/// Values of the same formulas worked elsewhere: of a tube 400 × 360 × 300 mm of steel (inertia
/// 2.035461756 kg·m², 56.22822531 kg) at 3,000 rpm; sources as in `torque/tests/size.rs` (Mechanical
/// Engineer's Data Handbook, Roark, Shigley, ISO 21940-11).
#[test]
fn size_of_a_worked_drum() {
    // T = I (ω₂ − ω₁) / t: 2.035461756 kg·m² from 1,000 to 3,000 rpm in 5 s.
    let torque = format!(
        "{} N*m",
        2.035_461_756_364_997 * 209.439_510_239_319_5 / 5.0
    );
    let pull = [
        "size", "--torque", &torque, "--from", "1000 rpm", "--to", "3000 rpm",
    ];
    let drum = [
        "--ratio",
        "1",
        "--time",
        "5 s",
        "--diameter",
        "400 mm",
        "--json",
    ];
    let (json, ok) = leverarm(&[&pull[..], &drum[..]].concat());
    assert!(ok, "{json}");
    let found: serde_json::Value = serde_json::from_str(&json).unwrap();
    let close = |path: &str, expected: f64| {
        let value = found
            .pointer(path)
            .and_then(serde_json::Value::as_f64)
            .unwrap();
        assert!((value / expected - 1.0).abs() < 1e-6, "{path}: {value}");
    };
    close("/inertia_kg_m2", 2.035_461_756);
    // ½ I ω²
    close(
        "/energy_j",
        0.5 * 2.035_461_756 * 314.159_265_4 * 314.159_265_4,
    );
    close("/drums/0/length_m", 0.3);
    close("/drums/0/mass_kg", 56.228_225_31);
    close("/drums/0/rim_speed_m_per_s", 62.831_853_07);
    // A thin ring at the tube's mean radius, 0.95 of 200 mm.
    close("/drums/0/thin_ring_pa", 30_990_557.82 * 0.95 * 0.95);
    close("/drums/0/solid_disc_pa", 12_783_605.10);
    // e = G/ω: 20.05352283 g·mm for each kilogram.
    close("/drums/0/unbalance_kg_m", 56.228_225_31 * 20.053_522_83e-6);
    let warning = found["warning"].as_str().unwrap();
    assert!(warning.contains("not a design approval") && warning.contains("licensed engineers"));
}

/// The same in customary units: 1 kg·m² is 23.730360 lb·ft², 1 MPa 145.03774 psi, 1 in 25.4 mm
/// (NIST SP 811, B.8).
#[test]
fn size_takes_and_shows_customary_units() {
    let shared = [
        "--from", "3000 rpm", "--to", "9000 rpm", "--ratio", "5.5", "--time", "6 s",
    ];
    let size = |more: &[&str]| leverarm(&[&["size"][..], &shared, more].concat());
    let (si, _) = size(&["--torque", "11 N*m", "--diameter", "400 mm"]);
    assert!(si.contains("inertia at the drum  3.18 kg·m²"), "{si}");
    let (us, ok) = size(&[
        "--torque",
        "8.11318 lbf*ft",
        "--units",
        "us",
        "--diameter",
        "16 in",
    ]);
    assert!(ok, "{us}");
    for part in ["inertia at the drum  75.40 lb·ft²", "outer", "psi", "oz·in"] {
        assert!(us.contains(part), "{part:?} is not in\n{us}");
    }
}

#[test]
fn size_names_what_no_drum_can_have() {
    let of = |changes: &[(&str, &str)]| {
        let mut arguments = vec![
            ("--torque", "11 N*m"),
            ("--from", "3000 rpm"),
            ("--to", "9000 rpm"),
            ("--ratio", "5.5"),
            ("--time", "6 s"),
        ];
        for (name, value) in changes {
            arguments.retain(|(known, _)| known != name);
            arguments.push((*name, *value));
        }
        let words = arguments
            .into_iter()
            .flat_map(|(name, value)| [name, value]);
        leverarm(&std::iter::once("size").chain(words).collect::<Vec<_>>())
    };
    for (changes, part) in [
        (&[("--torque", "11 N")][..], "--torque \"11 N\""),
        (&[("--to", "2000 rpm")], "speed at the end"),
        (
            &[("--wall", "200 mm")],
            "wall: expected less than the radius",
        ),
        (&[("--engine-inertia", "1 kg*m^2")], "inertia of the engine"),
        (
            &[("--limit", "8000 rpm")],
            "--limit \"8000 rpm\": expected at least the end",
        ),
        (&[("--grade", "0")], "balance quality grade"),
    ] {
        let (text, ok) = of(changes);
        assert!(!ok && text.contains(part), "{changes:?}: {text}");
    }
}

/// Words of a command line, quoted ones together.
fn words(line: &str) -> Vec<&str> {
    let pieces = line.split('"').enumerate();
    pieces
        .flat_map(|(at, piece)| match at % 2 {
            0 => piece.split_whitespace().collect(),
            _ => vec![piece],
        })
        .collect()
}

/// What the hardware notes show of `leverarm size` is what it prints.
#[test]
fn the_worked_tables_of_the_hardware_notes_are_true() {
    let page = include_str!("../../hardware-notes/drums.md");
    let shown = page.split("```console\n").skip(1);
    let mut checked = 0;
    for block in shown {
        let (block, _) = block.split_once("\n```").unwrap();
        let (command, printed) = block.split_once('\n').unwrap();
        let arguments = command.strip_prefix("$ leverarm ").unwrap();
        let (found, ok) = leverarm(&words(arguments));
        assert!(ok, "{found}");
        let lines = |text: &str| -> Vec<String> {
            text.trim()
                .lines()
                .map(|line| line.trim_end().to_owned())
                .collect()
        };
        assert_eq!(lines(&found), lines(printed), "{command}");
        checked += 1;
    }
    assert_eq!(checked, 1);
}
