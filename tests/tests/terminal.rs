//! What a person meets at a terminal of 80 columns: every command's output and help fits, no table
//! loses anything, and wrong input is answered in words.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::OnceLock;

use leverarm::rehearsal::{DEMO_STAND, engine_of, model_of, script_of};
use leverarm_software_stand::{CycleVariation, Engine, RiderScript, Setup};
use leverarm_tests::ran::{assert_has, words_of};
use leverarm_tests::virtual_bench::VirtualBench;
use leverarm_tests::{free_port, leverarm};
use nix::pty::{OpenptyResult, Winsize, openpty};
use serde_json::json;
use tempfile::TempDir;

const COLUMNS: usize = 80;

/// Commands without an end, or that ask, or that write files for programs.
const WITHOUT_OUTPUT: [&str; 6] = [
    "serve",
    "rehearse",
    "demo",
    "documents",
    "new-stand",
    "help",
];

/// A store with pulls of two setups on a stand with all sensors, beside its stand file; made once.
fn bench() -> &'static Path {
    static BENCH: OnceLock<TempDir> = OnceLock::new();
    let made = BENCH.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let text = DEMO_STAND.replace("7340", &free_port().to_string());
        std::fs::write(folder.path().join("stand.toml"), &text).unwrap();
        let stand = leverarm_config::parse("demo.toml", &text).unwrap();
        let model = model_of(&stand);
        let mut bench = VirtualBench::new(&folder.path().join("pulls"), &text, model).unwrap();
        for setup in [Setup::MainJet105, Setup::MainJet110, Setup::MainJet105] {
            let parts = json!({ "main jet": setup.label(), "needle clip": "2", "fuel": "petrol" });
            let engine = Engine {
                cycles: CycleVariation::HEALTHY,
                ..engine_of(&stand, setup)
            };
            bench.fit(setup.label(), parts, engine).unwrap();
            let script = RiderScript {
                hold_s: 0.25,
                coast_s: 0.35,
                braking_rad_per_s2: 140.0,
                pause_s: 0.1,
                ..script_of(&stand, 2)
            };
            bench.ride(script, 60).unwrap();
        }
        bench.finish().unwrap();
        folder
    });
    made.path()
}

struct Ran {
    ok: bool,
    out: String,
    err: String,
}

/// Runs it in a folder, with a terminal's width said by COLUMNS, and lines on stdin.
fn run(folder: &Path, columns: usize, arguments: &[&str], answers: &str) -> Ran {
    let mut child = Command::new(leverarm())
        .args(arguments)
        .current_dir(folder)
        .env("COLUMNS", columns.to_string())
        .env_remove("RUST_LOG")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let written = child.stdin.take().unwrap().write_all(answers.as_bytes());
    // It may end without having read.
    drop(written);
    let output = child.wait_with_output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Ran {
        ok: output.status.success(),
        out: text(output.stdout),
        err: text(output.stderr),
    }
}

fn assert_fits(what: &[&str], text: &str) {
    for line in text.lines() {
        let wide = line.chars().count();
        assert!(wide <= COLUMNS, "{what:?}: {wide} columns: {line}\n{text}");
    }
}

/// The commands of a help text.
fn commands_in(help: &str) -> Vec<String> {
    let lines = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    lines
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .map(str::to_owned)
        .collect()
}

fn assert_help_fits(path: &[&str]) {
    for flag in ["-h", "--help"] {
        let ran = run(bench(), COLUMNS, &[path, &[flag]].concat(), "");
        assert!(ran.ok, "{path:?}: {}", ran.err);
        assert_fits(path, &ran.out);
        if flag == "-h" {
            for command in commands_in(&ran.out).iter().filter(|it| *it != "help") {
                assert_help_fits(&[path, &[command.as_str()]].concat());
            }
        }
    }
}

#[test]
fn every_help_fits() {
    let all = run(bench(), COLUMNS, &["-h"], "").out;
    assert!(commands_in(&all).len() > 20, "{all}");
    assert_help_fits(&[]);
}

/// Words of a table or text. What a plot draws depends on its room.
fn words(text: &str) -> BTreeMap<String, usize> {
    let mut words = BTreeMap::new();
    let mut in_plot = false;
    for line in text.lines() {
        in_plot |= line == "Torque, N·m";
        in_plot &= !line.starts_with("A  ");
        if !in_plot {
            let said = line
                .split_whitespace()
                .filter(|word| !word.starts_with('─'));
            said.for_each(|word| *words.entry(word.to_owned()).or_default() += 1);
        }
    }
    words
}

#[test]
fn every_output_fits_and_nothing_is_left_out() {
    let board_log = bench().join("board.log");
    std::fs::write(&board_log, "").unwrap();
    let with_stand = "
        check
        pulls
        show 1
        show 1 --engine
        show 1 --budget
        show 1 --units us
        compare 'main jet 105' 'main jet 110'
        compare 'main jet 105' 'main jet 110' --why --at 5000,7000
        sheet 'main jet 105' 'main jet 110' --out sheet.html
        export --setup 'main jet 110' --out curves.csv
        exclude 6 'misfired above 7,000 rpm, and the chain jumped on its sprocket'
        pulls
        include 6
        setup
        air --pressure '1003 hPa' --temperature '24 degC' --humidity '55 %'
        plan begin 'main jet 105' 'main jet 110' --pulls 3
        plan
        parts
        map 'main jet 105'
        shelf 'main jet=105' --rating 4 --place 'drawer 2, on the left' \
            --notes 'drilled a little wide on one side; idles rough below 1,800 rpm in the cold'
        shelf 'main jet=105'
        shelf
        series --typical-refit '0.3 %'
        days 'main jet 105'
        plan order 'main jet 105' 'main jet 110'
        frames 1 --out frames --rate 1
        assign 5 'main jet 110'
        assign 5 --undo
        calibrations
        calibrate wheel --quiet
        tare
        journal
        journal --unfolded
        journal show 1
        journal days
        journal health
        stream
        board
        keep --last '2 s'
        import board.log --began '2026-01-01 10:00' --setup 'main jet 105'
        reduce --board-log board.log
        load show
        cut
        release
        test-guards
        doctor
        backup copy";
    let size = "size --torque '11 N*m' --from '3000 rpm' --to '9000 rpm' --ratio 6.9 --time '4 s'";
    let ran = run(bench(), COLUMNS, &words_of(size), "");
    assert!(ran.ok, "{}", ran.err);
    let mut tried: BTreeSet<&str> = BTreeSet::new();
    for arguments in [size].into_iter().chain(with_stand.lines().skip(1)) {
        let arguments = &words_of(arguments);
        tried.insert(arguments[0]);
        let ran = run(bench(), COLUMNS, arguments, "");
        assert_fits(arguments, &ran.out);
        assert_fits(arguments, &ran.err);
        assert!(
            !(ran.out.clone() + &ran.err).contains('…'),
            "{arguments:?} is cut: {}",
            ran.out
        );
    }
    let all = commands_in(&run(bench(), COLUMNS, &["-h"], "").out);
    let untried = all
        .iter()
        .filter(|name| !tried.contains(name.as_str()) && !WITHOUT_OUTPUT.contains(&name.as_str()));
    assert_eq!(
        untried.collect::<Vec<_>>(),
        Vec::<&String>::new(),
        "try these too"
    );
    // Narrow tables say all that wide ones do.
    let tables = "
        pulls
        show 1 --engine
        show 1 --budget
        compare 'main jet 105' 'main jet 110' --why
        journal
        journal days
        setup
        calibrations";
    for arguments in tables.lines().skip(1) {
        let arguments = &words_of(arguments);
        let narrow = run(bench(), COLUMNS, arguments, "").out;
        let wide = run(bench(), 400, arguments, "").out;
        assert!(!wide.is_empty(), "{arguments:?}");
        let has = words(&narrow);
        for (word, times) in words(&wide) {
            let found = has.get(&word).copied().unwrap_or(0);
            assert!(
                found >= times,
                "{arguments:?}: {word:?} {found} times: {narrow}\n{wide}"
            );
        }
    }
    let engine = run(bench(), 400, &["show", "1", "--engine"], "").out;
    let widest = engine.lines().map(|line| line.chars().count()).max();
    assert!(
        widest > Some(120),
        "a wide terminal is made use of: {engine}"
    );
}

/// What a command writes on a terminal of so many columns.
fn on_terminal(columns: u16, arguments: &[&str], no_color: &str) -> String {
    let size = Winsize {
        ws_row: 24,
        ws_col: columns,
        ws_xpixel: 0,
        ws_ypixel: 0,
    };
    let OpenptyResult { master, slave } = openpty(Some(&size), None).unwrap();
    let mut child = Command::new(leverarm())
        .args(arguments)
        .current_dir(bench())
        .env_remove("COLUMNS")
        .env_remove("RUST_LOG")
        .env("NO_COLOR", no_color)
        .stdin(Stdio::null())
        .stdout(slave.try_clone().unwrap())
        .stderr(slave)
        .spawn()
        .unwrap();
    let mut text = Vec::new();
    // A terminal whose other end is closed reads as an error.
    drop(std::fs::File::from(master).read_to_end(&mut text));
    child.wait().unwrap();
    String::from_utf8(text).unwrap().replace('\r', "")
}

#[test]
fn the_terminal_itself_says_how_wide_it_is() {
    let narrow = on_terminal(80, &["journal", "show", "1"], "");
    assert_fits(&["journal", "show"], &narrow);
    let wide = on_terminal(200, &["show", "1", "--engine"], "");
    assert!(
        wide.lines().any(|line| line.chars().count() > 120),
        "{wide}"
    );
}

#[test]
fn logs_have_colours_only_where_they_are_wanted() {
    let folder = bench();
    let stand = std::fs::read_to_string(folder.join("stand.toml")).unwrap();
    std::fs::write(
        folder.join("lacking.toml"),
        stand.replace("/dev/null", "/no/such"),
    )
    .unwrap();
    std::fs::write(
        folder.join("cautioned.toml"),
        stand
            .replace("/dev/null", "/no/such")
            .replace("uncertainty = \"5 %\"\n", ""),
    )
    .unwrap();
    let serve = ["serve", "-c", "cautioned.toml"];
    let coloured = on_terminal(80, &serve, "");
    assert!(coloured.contains("WARN"), "{coloured}");
    assert!(coloured.contains('\u{1b}'), "{coloured}");
    assert!(!on_terminal(80, &serve, "1").contains('\u{1b}'));
}

#[track_caller]
fn refused(line: &str, parts: &[&str]) {
    let arguments = words_of(line);
    let ran = run(bench(), 1000, &arguments, "");
    assert!(!ran.ok, "{line}: {}", ran.out);
    assert_has(&ran.err, parts);
    assert!(!ran.err.contains("invalid digit"), "{}", ran.err);
    assert_fits(&arguments, &run(bench(), COLUMNS, &arguments, "").err);
}

#[test]
fn wrong_input_is_answered_in_words() {
    refused("setup ''", &["name is empty", "main jet 105"]);
    refused("setup '  '", &["name is empty"]);
    refused(
        "setup 'Main Jet 105'",
        &["\"main jet 105\"", "capital letters", "--new"],
    );
    refused("setup mainjet105", &["\"main jet 105\"", "spaces"]);
    refused(
        "compare 'main jet 105' 'main jet 110' --at 12000",
        &["12000 rpm", "all pulls cover"],
    );
    refused(
        "compare 'Main Jet 105' 'main jet 110'",
        &["did you mean \"main jet 105\""],
    );
    refused("show abc", &["number of a pull", "\"abc\""]);
    refused("exclude x why", &["number of a pull", "\"x\""]);
    for (temperature, meant) in [("24 C", "\"degC\""), ("75 F", "\"degF\"")] {
        let air = "air --pressure '1003 hPa' --humidity '55 %' --temperature";
        refused(
            &format!("{air} '{temperature}'"),
            &[&format!("did you mean {meant}")],
        );
    }
    refused("backup .", &["new or empty folder", "in it"]);
    refused("sheow 3", &["unrecognized subcommand", "show"]);
    refused("compare one", &["<SETUP>"]);
    refused(
        "calibrate inertia --method by-the-weight-of-a-stone-that-falls",
        &["falling-weight", "known-torque", "--help"],
    );
    refused(
        "compare 'main jet 105' 'main jet 110' \
         --range 'from five thousand up to seven thousand and a half'",
        &["two engine speeds in rpm", "5000-7000"],
    );
    assert!(!bench().join("leverarm.sqlite").exists());
}

/// A name that is meant to differ is taken.
#[test]
fn a_name_of_its_own_is_taken_when_it_is_meant() {
    let ran = run(bench(), 1000, &["setup", "MAIN JET 110", "--new"], "");
    assert!(
        ran.ok && ran.out.contains("\"MAIN JET 110\""),
        "{}{}",
        ran.out,
        ran.err
    );
}

#[test]
fn a_daemon_without_its_port_leaves_no_store() {
    let folder = tempfile::tempdir().unwrap();
    let text = DEMO_STAND.replace("/dev/null", "/dev/no-such-board");
    std::fs::write(folder.path().join("stand.toml"), text).unwrap();
    let ran = run(folder.path(), 1000, &["serve"], "");
    assert!(!ran.ok && ran.err.contains("no such port"), "{}", ran.err);
    let left = || std::fs::read_dir(folder.path()).unwrap().count();
    assert_eq!(left(), 1);

    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap().to_string();
    let text = DEMO_STAND.replace("127.0.0.1:0", &address);
    std::fs::write(folder.path().join("stand.toml"), text).unwrap();
    let ran = run(folder.path(), 1000, &["serve"], "");
    assert!(!ran.ok && ran.err.contains(&address), "{}", ran.err);
    assert_eq!(left(), 1);
}

/// What was rehearsed last is what commands are about, and they say so; not one that names another store, or needs none.
#[test]
fn what_was_rehearsed_is_said_only_where_it_matters() {
    const NOTE: &str = "rehearsed last";
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::copy(bench().join("stand.toml"), path("stand.toml")).unwrap();
    let backup = run(bench(), 1000, &["backup", &path("pulls-rehearsal")], "");
    assert!(backup.ok, "{}", backup.err);
    let lines = [
        "pulls",
        "show 1",
        "journal",
        "calibrations",
        "board --board-log pull.bin",
        "export 1 --out pull.bin",
    ];
    for line in lines.iter().rev() {
        let bare: Vec<&str> = line.split(' ').collect();
        let here = run(folder.path(), 1000, &bare, "");
        assert!(here.ok && here.err.contains(NOTE), "{line}: {}", here.err);
        let named = run(
            folder.path(),
            1000,
            &[&bare[..], &["--store", "pulls-rehearsal"]].concat(),
            "",
        );
        assert!(
            named.ok && named.out == here.out && !named.err.contains(NOTE),
            "{line}: {}",
            named.err
        );
    }
    let reduced = run(
        folder.path(),
        1000,
        &["reduce", "--board-log", "pull.bin"],
        "",
    );
    assert!(reduced.ok && !reduced.err.contains(NOTE), "{}", reduced.err);
}

/// Whatever was stored and can't be read is damage that is named, by `doctor` before anybody needs it.
#[test]
fn doctor_names_what_cannot_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::copy(bench().join("stand.toml"), path("stand.toml")).unwrap();
    for (at, line) in [
        (bench(), vec!["backup", &path("pulls")]),
        (folder.path(), vec!["plan", "begin", "a", "b"]),
        (folder.path(), vec!["exclude", "2", "misfired"]),
        (folder.path(), vec!["assign", "3", "main jet 110"]),
        (
            folder.path(),
            vec!["shelf", "main jet=105", "--rating", "4"],
        ),
    ] {
        let ran = run(at, 1000, &line, "");
        assert!(ran.ok, "{line:?}: {}", ran.err);
    }
    for (damage, named) in [
        (
            "UPDATE pulls SET air = '{}' WHERE id = 2",
            "the air of pull 2",
        ),
        ("UPDATE setups SET parts = '[]' WHERE id = 1", "setup 1"),
        (
            "INSERT INTO meta VALUES ('air', '[]')",
            "the air entered for the next pulls",
        ),
        (
            "UPDATE events SET data = '{}' WHERE kind = 'plan begun'",
            "(plan begun)",
        ),
        (
            "UPDATE events SET data = '{}' WHERE kind = 'pull excluded'",
            "(pull excluded)",
        ),
        (
            "UPDATE events SET data = '{}' WHERE kind = 'setup corrected'",
            "(setup corrected)",
        ),
        (
            "UPDATE events SET data = '{}' WHERE kind = 'part described'",
            "(part described)",
        ),
    ] {
        let copy = tempfile::tempdir().unwrap();
        let file = copy.path().join("leverarm.sqlite");
        std::fs::copy(path("pulls/leverarm.sqlite"), &file).unwrap();
        let store = copy.path().display().to_string();
        let whole = run(folder.path(), 1000, &["doctor", &store], "");
        assert!(whole.ok, "{}", whole.out);
        let database = rusqlite::Connection::open(&file).unwrap();
        assert_eq!(database.execute(damage, []).unwrap(), 1, "{damage}");
        let ran = run(folder.path(), 1000, &["doctor", &store], "");
        assert!(!ran.ok && ran.out.contains(named), "{damage}: {}", ran.out);
        assert!(
            ran.err.contains("damage in 1 place."),
            "{damage}: {}",
            ran.err
        );
    }
}

/// Commands that work on a stand take its file in the same way.
#[test]
fn the_stand_file_is_named_with_c() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("mine.toml"), DEMO_STAND).unwrap();
    for arguments in [&["check", "-c", "mine.toml"][..], &["check", "mine.toml"]] {
        let ran = run(folder.path(), 1000, arguments, "");
        assert!(
            ran.ok && ran.out.contains("shed drum"),
            "{}{}",
            ran.out,
            ran.err
        );
    }
}

/// Answers by a pipe make a stand file that `check` accepts, and never write over one.
#[test]
fn a_stand_file_by_questions() {
    let folder = tempfile::tempdir().unwrap();
    let answers = "inertia\nshed drum\npit bike\n140 cc\nfour\n\n\n12\nno\n6.896\ndimensions\n\
                   420 mm\n380 mm\n360 mm\nyes\n230 degC\nyes\n105 degC\nno\n1420 rpm\n9700 rpm\n\n\nsi\nno\n";
    let ran = run(folder.path(), COLUMNS, &["new-stand", "mine.toml"], answers);
    assert!(ran.ok, "{}{}", ran.out, ran.err);
    assert_fits(&["new-stand"], &ran.out);
    let checked = run(folder.path(), 1000, &["check", "mine.toml"], "");
    assert!(checked.ok, "{}", checked.err);
    let text = std::fs::read_to_string(folder.path().join("mine.toml")).unwrap();
    assert!(text.contains("teeth = 12") && text.contains("# "), "{text}");
    let again = run(folder.path(), 1000, &["new-stand", "mine.toml"], answers);
    assert!(
        !again.ok && again.err.contains("not overwritten"),
        "{}",
        again.err
    );
    let short = run(folder.path(), 1000, &["new-stand", "other.toml"], "brake\n");
    assert!(
        !short.ok && short.err.contains("nothing was written"),
        "{}",
        short.err
    );
    assert!(!folder.path().join("other.toml").exists());
}
