//! A store that vanishes, secrets, files, floods of events.

use std::fs;
use std::os::unix::fs::{MetadataExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread;

use leverarm::export::{Column, Table, Values, csv};
use leverarm_analysis::csv_text::{text_cell, text_of_cell};
use leverarm_store::{ChunkRange, Store, StoreError, StoreReader};
use leverarm_tests::ran::{Ran, assert_has};
use nix::sys::signal::Signal;
use serde_json::Value;

use crate::harness::{Bench, Daemon, Emulator, eventually, leverarm};

const DATABASE: &str = "leverarm.sqlite";
const LOG: &str = "leverarm.sqlite-wal";
const SHARED: &str = "leverarm.sqlite-shm";
/// The board's number for a missing heartbeat (protocol/SPEC.md, causes of a cut).
const HEARTBEAT_LOST: u64 = 3;

// ── A store that vanishes ─────────────────────────────────────────────────────────────────────

/// Everything the board sent and a store has, of all connections.
fn stored(store: &Path) -> Vec<u8> {
    let reader = StoreReader::open(store).unwrap();
    let mut bytes = Vec::new();
    for connection in reader.connections().unwrap() {
        // A new store goes on in the midst of a connection; what lacks in between shows in the bytes.
        let chunks = reader.chunks(connection.id, &ChunkRange::All).unwrap();
        for chunk in chunks.into_iter().flatten() {
            bytes.extend_from_slice(&chunk.bytes);
        }
    }
    bytes
}

/// Asserts that a store holds what the board sent, from the first byte on, at least so many.
fn assert_holds(store: &Path, bench: &Bench, bytes_min: usize) {
    let stored = stored(store);
    let sent = fs::read(bench.board_log()).unwrap();
    assert!(
        sent.starts_with(&stored) && stored.len() >= bytes_min,
        "{} of {} bytes sent, at least {bytes_min} wanted",
        stored.len(),
        sent.len()
    );
}

fn pulls_in(store: &Path, bench: &Bench) -> Vec<Value> {
    let store = store.to_str().unwrap();
    let listed = bench.json(&["pulls", "--json", "--store", store]);
    listed["pulls"].as_array().unwrap().clone()
}

/// A daemon that has stored a pull.
fn after_a_pull(bench: &Bench) -> (Daemon, Emulator, usize) {
    let (mut board, daemon) = bench.served(&["--torque", "8"]);
    board.pull();
    bench.wait_for_pulls(1);
    let sent = board.bytes_sent();
    thread::sleep(std::time::Duration::from_millis(1200));
    (daemon, board, sent)
}

/// What has to follow whenever a file of the store is gone: no heartbeat, so the board cuts, and a
/// copy of all that there was.
fn is_noticed(daemon: &Daemon, board: &mut Emulator, words: &str) {
    daemon.wait_for(words);
    daemon.wait_for("Heartbeats stop, so the board cuts");
    board.wait_until("board_cut", |cut| cut["cause"] == HEARTBEAT_LOST);
}

#[test]
fn a_database_that_is_moved_in_a_pull_is_noticed_and_all_goes_into_a_new_store() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&["--torque", "8"]);
    board.order("pull");
    board.wait_for("pull_begins");
    eventually("a running pull", || {
        (bench.pulls().first()?["state"] == "running").then_some(())
    });
    let moved = bench.path("moved");
    fs::create_dir(&moved).unwrap();
    fs::rename(bench.store().join(DATABASE), moved.join(DATABASE)).unwrap();
    is_noticed(&daemon, &mut board, "leverarm.sqlite was moved or deleted");
    daemon.wait_for("takes all records from now on");
    let sent = board.bytes_sent();
    thread::sleep(std::time::Duration::from_millis(1500));
    daemon.stop(Signal::SIGTERM);

    let rescued = bench.path("pulls.rescued");
    assert_holds(&rescued, &bench, sent);
    let pulls = pulls_in(&rescued, &bench);
    assert_eq!(pulls[0]["id"], 1, "{pulls:?}");
    assert_ne!(pulls[0]["state"], "running", "{pulls:?}");
    // What was moved is whole up to then, without its log.
    let before = stored(&moved);
    assert!(fs::read(bench.board_log()).unwrap().starts_with(&before) && !before.is_empty());

    // A person puts the new one in the place of the old one.
    fs::rename(bench.store(), bench.path("old")).unwrap();
    fs::rename(&rescued, bench.store()).unwrap();
    let daemon = bench.serve();
    assert_eq!(bench.pulls().len(), 1);
    let event = bench.wait_for_event("store vanished", "moved or deleted");
    assert_eq!(event["severity"], "error", "{event}");
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn a_deleted_log_or_database_and_then_a_kill_lose_nothing() {
    let files: [&[&str]; 5] = [
        &[LOG],
        &["writer.lock"],
        &[SHARED],
        &[DATABASE],
        &[DATABASE, LOG, SHARED, "writer.lock"],
    ];
    // Each waits for its pull.
    thread::scope(|scope| {
        for gone in files {
            scope.spawn(move || what_is_deleted_loses_nothing(gone));
        }
    });
}

fn what_is_deleted_loses_nothing(gone: &[&str]) {
    let bench = Bench::new();
    let (daemon, mut board, sent) = after_a_pull(&bench);
    for file in gone {
        fs::remove_file(bench.store().join(file)).unwrap();
    }
    is_noticed(&daemon, &mut board, "was moved or deleted");
    daemon.wait_for("all that was stored is in a new store");
    daemon.signal(Signal::SIGKILL);
    daemon.end();
    let rescued = bench.path("pulls.rescued");
    assert_holds(&rescued, &bench, sent);
    let pulls = pulls_in(&rescued, &bench);
    assert_eq!(pulls[0]["state"], "stored", "{gone:?}: {pulls:?}");
    if !gone.contains(&DATABASE) {
        // The old one got all of its log before that was lost.
        assert_eq!(pulls_in(&bench.store(), &bench), pulls, "{gone:?}");
    }
}

#[test]
fn a_folder_that_is_replaced_is_noticed_and_what_replaced_it_is_left_alone() {
    let bench = Bench::new();
    let (daemon, mut board, sent) = after_a_pull(&bench);
    // Another store: a person restored a backup under the running daemon.
    let backup = bench.path("backup");
    bench.run(&["backup", backup.to_str().unwrap()]).ok();
    let of_backup = fs::read(backup.join(DATABASE)).unwrap();
    fs::rename(bench.store(), bench.path("away")).unwrap();
    fs::rename(&backup, bench.store()).unwrap();
    fs::write(bench.store().join(LOG), "of somebody else").unwrap();
    is_noticed(
        &daemon,
        &mut board,
        "another file lies in the place of leverarm.sqlite",
    );
    daemon.wait_for("takes all records from now on");
    daemon.stop(Signal::SIGTERM);
    assert_holds(&bench.path("pulls.rescued"), &bench, sent);
    assert_eq!(fs::read(bench.store().join(DATABASE)).unwrap(), of_backup);
    assert_eq!(
        fs::read(bench.store().join(LOG)).unwrap(),
        b"of somebody else"
    );
}

#[test]
fn a_database_that_comes_back_is_gone_on_with() {
    let bench = Bench::new();
    let (daemon, mut board, _) = after_a_pull(&bench);
    let (database, away) = (bench.store().join(DATABASE), bench.path("away"));
    fs::rename(&database, &away).unwrap();
    daemon.wait_for("leverarm.sqlite was moved or deleted");
    fs::rename(&away, &database).unwrap();
    daemon.wait_for("are back: nothing is lost");
    bench.wait_for_event("store vanished", "are back");
    assert!(!bench.path("pulls.rescued").exists());
    let sent = board.bytes_sent();
    thread::sleep(std::time::Duration::from_millis(1500));
    daemon.stop(Signal::SIGTERM);
    assert_holds(&bench.store(), &bench, sent);
}

fn cut_short(bench: &Bench) {
    let database = bench.store().join(DATABASE);
    let file = fs::OpenOptions::new().write(true).open(database);
    file.unwrap().set_len(0).unwrap();
}

#[test]
fn a_database_that_is_cut_short_is_made_good_from_its_log() {
    let bench = Bench::new();
    let (daemon, mut board, _) = after_a_pull(&bench);
    cut_short(&bench);
    daemon.wait_for("leverarm.sqlite was cut short");
    daemon.wait_for("are back: nothing is lost");
    let sent = board.bytes_sent();
    thread::sleep(std::time::Duration::from_millis(1500));
    daemon.stop(Signal::SIGTERM);
    assert_holds(&bench.store(), &bench, sent);
    assert_eq!(bench.pulls()[0]["state"], "stored");
}

/// Its pages are gone for good, also for whoever has it open: what comes goes into a store without a
/// past.
#[test]
fn a_database_that_is_cut_short_is_noticed_and_records_go_on() {
    let bench = Bench::new();
    let (daemon, mut board, _) = after_a_pull(&bench);
    // With all of its log in the database the log is no help.
    let other = rusqlite::Connection::open(bench.store().join(DATABASE)).unwrap();
    let checkpoint = "PRAGMA wal_checkpoint(PASSIVE)";
    other.query_row(checkpoint, [], |_row| Ok(())).unwrap();
    drop(other);
    cut_short(&bench);
    is_noticed(&daemon, &mut board, "leverarm.sqlite was cut short");
    daemon.wait_for("takes all records from now on");
    thread::sleep(std::time::Duration::from_millis(1500));
    let sent = board.bytes_sent();
    thread::sleep(std::time::Duration::from_millis(1500));
    daemon.stop(Signal::SIGTERM);
    let newest = ["pulls.rescued-2", "pulls.rescued"]
        .map(|name| bench.path(name))
        .into_iter()
        .find(|folder| folder.join(DATABASE).exists())
        .unwrap();
    let after = stored(&newest);
    let all = fs::read(bench.board_log()).unwrap();
    let place = all.windows(after.len()).position(|it| it == after).unwrap();
    assert!(
        place + after.len() >= sent,
        "up to {}, of {sent}",
        place + after.len()
    );
}

// ── Secrets and files ─────────────────────────────────────────────────────────────────────────

/// A daemon with arguments of its own, and a file with all it says, on both of its outputs.
struct Said {
    child: Child,
    log: PathBuf,
}

impl Said {
    fn serve(bench: &Bench, arguments: &str, variables: &[(&str, &str)]) -> Self {
        let log = bench.path("said");
        let out = fs::File::create(&log).unwrap();
        // Whatever the umask lets pass.
        let line = "umask 000; exec \"$0\" serve -c \"$1\" ".to_owned() + arguments;
        let child = Command::new("sh")
            .args(["-c", &line])
            .args([leverarm(), bench.stand()])
            .envs(variables.iter().copied())
            .env_remove("RUST_LOG")
            .stdin(Stdio::null())
            .stdout(out.try_clone().unwrap())
            .stderr(out)
            .spawn()
            .unwrap();
        let said = Self { child, log };
        eventually("the daemon", || {
            said.text().contains("running port=").then_some(())
        });
        said
    }

    fn text(&self) -> String {
        fs::read_to_string(&self.log).unwrap()
    }
}

impl Drop for Said {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Files and folders that others could read.
fn open_to_others(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if fs::symlink_metadata(&path).unwrap().mode() & 0o077 != 0 {
            found.push(path.clone());
        }
        if path.is_dir() {
            found.extend(open_to_others(&path));
        }
    }
    found
}

#[test]
fn tokens_are_in_a_file_of_the_users_and_in_no_log() {
    let bench = Bench::new();
    let _board = bench.emulator(&[]);
    let file = bench.store().join("tokens");
    let made = Said::serve(&bench, "--require-token", &[]);
    let text = fs::read_to_string(&file).unwrap();
    let token = |name: &str| {
        let line = text.lines().find_map(|line| line.strip_prefix(name));
        line.unwrap().trim().to_owned()
    };
    let (control, read) = (token("control "), token("read "));
    assert!(control.len() >= 22 && read.len() >= 22 && control != read);
    let said = made.text();
    assert!(!said.contains(&control) && !said.contains(&read), "{said}");
    assert_has(&said, &[file.to_str().unwrap()]);
    assert_eq!(open_to_others(&bench.store()), [] as [PathBuf; 0]);
    // Who may read the file needs to type no token.
    bench.run(&["cut", "a test"]).ok();
    let lesser = bench.path("lesser");
    fs::write(&lesser, &read).unwrap();
    let lesser = lesser.to_str().unwrap();
    bench.fails(
        &["setup", "x", "--token-file", lesser],
        &["needs the control token"],
    );
    // An argument shows in the list of processes.
    for arguments in [
        ["cut", "--token"],
        ["serve", "--token"],
        ["serve", "--read-token"],
    ] {
        let refused = Ran::of(&[arguments[0], arguments[1], "0123456789abcdef"]);
        assert_eq!(refused.code, Some(2), "{}", refused.err);
        assert!(!refused.err.contains("0123456789abcdef"), "{}", refused.err);
    }
    drop(made);

    let chosen = [
        ("LEVERARM_TOKEN", "chosen-by-a-person-1"),
        ("LEVERARM_READ_TOKEN", "chosen-by-a-person-2"),
    ];
    let given = Said::serve(&bench, "--require-token", &chosen);
    bench.fails(&["cut", "a test"], &["a token is needed"]);
    let said = given.text();
    assert!(!said.contains("chosen-by"), "{said}");
    assert!(
        !file.exists(),
        "nothing was made, and an older file does not hold any more"
    );
}

#[test]
fn what_is_kept_is_the_owners_only_whatever_the_umask() {
    let bench = Bench::new();
    let mut board = bench.emulator(&[]);
    let _daemon = Said::serve(&bench, "", &[]);
    board.pull();
    bench.wait_for_pulls(1);
    let backup = bench.path("backup");
    let line = "umask 000; exec \"$0\" backup \"$1\" -c \"$2\"";
    let made = Command::new("sh")
        .args(["-c", line])
        .args([leverarm(), backup.clone(), bench.stand()])
        .status();
    assert!(made.unwrap().success());
    for folder in [bench.store(), backup] {
        assert_eq!(
            fs::metadata(&folder).unwrap().mode() & 0o077,
            0,
            "{}",
            folder.display()
        );
        assert!(folder.join(DATABASE).exists());
        assert_eq!(open_to_others(&folder), [] as [PathBuf; 0]);
    }
}

#[test]
fn the_writers_lock_follows_no_link() {
    let bench = Bench::new();
    let victim = bench.path("victim");
    fs::write(&victim, "of somebody else").unwrap();
    fs::create_dir(bench.store()).unwrap();
    symlink(&victim, bench.store().join("writer.lock")).unwrap();
    let error = Store::open(bench.store()).unwrap_err();
    assert!(matches!(error, StoreError::Link { .. }), "{error}");
    assert_has(
        &error.to_string(),
        &["writer.lock is a symbolic link", "Remove the link"],
    );
    let _board = bench.emulator(&[]);
    let ran = bench.run(&["serve"]);
    ran.fails_with(&["writer.lock is a symbolic link"]);
    assert_eq!(fs::read(&victim).unwrap(), b"of somebody else");
}

// ── Floods, and what leaves the program ───────────────────────────────────────────────────────

#[test]
fn a_flapping_boards_cuts_are_counted_and_a_persons_stand_alone() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.connected(&[]);
    board.order("flap 3");
    thread::sleep(std::time::Duration::from_secs(1));
    bench.run(&["cut", "smoke"]);
    thread::sleep(std::time::Duration::from_secs(4));
    let flapped = board
        .seen()
        .iter()
        .filter(|it| it["event"] == "board_cut")
        .count();
    assert!(flapped > 100, "{flapped} cuts in 3 s are no flood");
    let lines = daemon.log().lines().count();
    assert!(lines < 120, "{lines} lines of log for {flapped} cuts");
    daemon.stop(Signal::SIGTERM);

    let reader = StoreReader::open(bench.store()).unwrap();
    let events = reader
        .events(&leverarm_store::EventFilter::default())
        .unwrap();
    let cuts: Vec<_> = events
        .iter()
        .filter(|it| it.severity == leverarm_store::Severity::Cut)
        .collect();
    let count = |event: &leverarm_store::EventRecord| event.data["count"].as_u64().unwrap_or(1);
    let of_board: Vec<_> = cuts
        .iter()
        .filter(|it| it.kind == "board cut" || it.kind == "cut confirmed")
        .collect();
    let told: u64 = of_board.iter().map(|it| count(it)).sum();
    assert!(
        told >= u64::try_from(flapped / 2).unwrap(),
        "{told} of {flapped}"
    );
    assert!(cuts.len() < 80, "{} rows for {flapped} cuts", cuts.len());
    // The first ones at once and one by one, later ones with their number and their span.
    assert!(of_board[..4].iter().all(|it| count(it) == 1));
    let summary = of_board.iter().find(|it| count(it) > 1).unwrap();
    assert!(summary.data["last_wall_us"].as_i64().unwrap() > summary.wall_us);
}

#[test]
fn no_cell_of_a_csv_file_is_a_formula_and_each_text_comes_back() {
    let formula = "=HYPERLINK(\"http://stand.example\",\"main jet 105\")";
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    bench.run(&["setup", formula]).ok();
    board.pull();
    bench.wait_for_pulls(1);
    daemon.stop(Signal::SIGTERM);
    let out = bench.path("curves.csv");
    bench
        .run(&["export", "--setup", formula, "--out", out.to_str().unwrap()])
        .ok();
    let text = fs::read_to_string(&out).unwrap();
    assert_has(&text, &["'=HYPERLINK"]);
    assert!(
        !text.contains(",=") && !text.contains(",\"=") && !text.contains("\n="),
        "{text}"
    );

    let column = |name: &str, values| Column {
        name: name.to_owned(),
        unit: "-".to_owned(),
        values,
    };
    let texts = [
        "=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "'=1", "''-1", "it's", "105",
    ];
    let texts = texts.map(str::to_owned);
    let table = Table {
        name: String::new(),
        start_wall_us: 0,
        columns: vec![
            column("@x", Values::Text(texts.to_vec())),
            column("torque", Values::Number(vec![-1.5; texts.len()])),
        ],
    };
    let mut written = Vec::new();
    csv(&[table], &mut written).unwrap();
    let written = String::from_utf8(written).unwrap();
    let mut rows = written.lines();
    assert_eq!(rows.next(), Some("'@x,torque"));
    assert_eq!(rows.next(), Some("'-,'-"));
    assert_has(
        &written,
        &[
            "'=1+1,-1.5\n",
            "\"'\r=1\",-1.5\n",
            "it's,-1.5\n",
            "''=1,-1.5\n",
        ],
    );
    for text in &texts {
        assert_eq!(text_of_cell(&text_cell(text)), text);
    }
}
