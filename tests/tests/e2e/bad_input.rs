//! Mistakes of people and wires: a message that names the cure, a code that is not 0, nothing lost.

use std::net::TcpListener;

use nix::sys::signal::Signal;

use leverarm_tests::ran::{Ran, assert_has};

use crate::harness::Bench;

/// A start that has to fail.
fn refused(bench: &Bench, parts: &[&str]) {
    bench.run(&["serve"]).fails_with(parts);
}

#[test]
fn no_stand_file() {
    let missing = Ran::of(&["serve", "-c", "nowhere/stand.toml"]);
    missing.fails_with(&["nowhere/stand.toml", "-c FILE", "leverarm new-stand"]);
    let missing = Ran::of(&["check", "nowhere/stand.toml"]);
    missing.fails_with(&["nowhere/stand.toml", "leverarm new-stand"]);
}

#[test]
fn ten_mistakes_are_all_shown_at_once() {
    let text = include_str!("../../../config/tests/ten_mistakes.toml");
    let bench = Bench::with(|_| text.to_owned());
    for command in ["serve", "pulls", "cut"] {
        let ran = bench.run(&[command]);
        ran.fails_with(&[
            "stand.toml:4:8: stand.kind",
            "did you mean \"inertia\"?",
            "port.baudrate: there is no such key",
            "the unit is missing",
            "kg/m^2",
            "teeth: the number is out of range",
            "drive.ratio: this key is missing",
            "beta: this key has no use",
            "did you mean \"cylinder head\"?",
            "no comma",
            "a stand needs a guard that cuts on overspeed",
            "10 mistakes in",
        ]);
    }
    assert!(!bench.store().exists());
}

#[test]
fn no_port() {
    let bench = Bench::new();
    refused(
        &bench,
        &[
            "port",
            "there is no such port",
            "is the board plugged in",
            "port.path",
        ],
    );
}

#[test]
fn a_port_that_is_no_terminal() {
    let bench = Bench::new();
    std::fs::write(bench.port(), "not a port").unwrap();
    refused(&bench, &["port", "not a serial port", "port.path"]);
}

#[test]
fn a_second_daemon_on_the_same_store() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    board.order("pull");
    board.wait_for("pull_begins");
    refused(
        &bench,
        &[
            "is in use by another daemon",
            "Stop that one",
            "another folder",
        ],
    );
    board.wait_for("pull_ends");
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(pulls[0]["state"], "stored", "the first goes on: {pulls:?}");
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn a_second_daemon_on_the_same_port() {
    let bench = Bench::new();
    let (mut board, daemon) = bench.served(&[]);
    board.order("pull");
    board.wait_for("pull_begins");
    // Another stand file, store and page, but the same board.
    let other = Bench::with(|text| {
        let own = format!("path = \"{}\"", bench.port().display());
        let line = text
            .lines()
            .find(|l| l.starts_with("path = "))
            .unwrap()
            .to_owned();
        text.replace(&line, &own)
    });
    refused(
        &other,
        &["another program has the port open", "stop the other one"],
    );
    board.wait_for("pull_ends");
    let pulls = bench.wait_for_pulls(1);
    assert_eq!(pulls[0]["state"], "stored", "the first goes on: {pulls:?}");
    for event in bench.journal() {
        assert_ne!(event["severity"], "error", "{event}");
    }
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn a_page_address_in_use() {
    let bench = Bench::new();
    let _board = bench.emulator(&[]);
    let stand = std::fs::read_to_string(bench.stand()).unwrap();
    let address = stand
        .split("address = \"")
        .nth(1)
        .unwrap()
        .split('"')
        .next()
        .unwrap();
    let _taken = TcpListener::bind(address).unwrap();
    refused(
        &bench,
        &[address, "another program may use it", "page.address"],
    );
}

#[test]
fn a_store_folder_that_cannot_be() {
    let bench = Bench::with(|text| text.replace("folder = \"pulls\"", "folder = \"file/pulls\""));
    std::fs::write(bench.path("file"), "in the way").unwrap();
    let _board = bench.emulator(&[]);
    refused(
        &bench,
        &[
            "file/pulls",
            "cannot make the store folder",
            "Check the path",
        ],
    );
    assert_eq!(
        std::fs::read_to_string(bench.path("file")).unwrap(),
        "in the way"
    );
}

#[test]
fn a_store_that_is_something_else() {
    let bench = Bench::new();
    let _board = bench.emulator(&[]);
    std::fs::create_dir(bench.store()).unwrap();
    let file = bench.store().join("leverarm.sqlite");
    std::fs::write(
        &file,
        "a letter to the landlord, by no means a database of pulls".repeat(99),
    )
    .unwrap();
    refused(
        &bench,
        &["is not a store of this program", "another folder"],
    );
    assert!(
        std::fs::read_to_string(&file)
            .unwrap()
            .starts_with("a letter")
    );
}

#[test]
fn no_store_yet() {
    let bench = Bench::new();
    bench.fails(&["pulls"], &["no store in", "the daemon makes a store"]);
    bench.run(&["show", "1"]).fails_with(&["no store in"]);
    bench.run(&["journal"]).fails_with(&["no store in"]);
    // Nor does a word on what is stored make one, as where the stand file is another's.
    let words: [&[&str]; 6] = [
        &["exclude", "1", "misfired"],
        &["include", "1"],
        &["keep", "--last", "5 s"],
        &["assign", "1", "main jet 105"],
        &["journal", "ack", "1", "loose plug"],
        &["plan", "leave"],
    ];
    for word in words {
        bench.run(word).fails_with(&["no store in"]);
        assert!(!bench.store().exists(), "{word:?}");
    }
}

#[test]
fn notes_that_replace_others_are_told() {
    let bench = Bench::new();
    let noted = |notes| bench.run(&["setup", "main jet 105", "--notes", notes]).ok();
    assert!(!noted("float 22 mm").contains("replace"));
    assert!(!noted("float 22 mm").contains("replace"));
    assert_has(&noted("float 23 mm"), &["replace", "float 22 mm"]);
}

/// A board with which there is nothing to do but to say what is wrong, and to stay.
fn told(options: &[&str], kind: &str, part: &str) {
    let bench = Bench::new();
    let mut board = bench.emulator(options);
    let daemon = bench.serve();
    bench.wait_for_event(kind, part);
    daemon.wait_for(part);
    assert!(
        !board
            .seen()
            .iter()
            .any(|e| e["event"] == "heartbeat_begins"),
        "a heartbeat without a board that is understood"
    );
    daemon.stop(Signal::SIGTERM);
}

#[test]
fn a_board_of_another_version() {
    told(
        &["--protocol-version", "2"],
        "no board",
        "another protocol version than 1; update its firmware",
    );
}

#[test]
fn noise_as_from_a_wrong_baud_rate() {
    told(
        &["--noise"],
        "no board",
        "the baud rate 500000 may be wrong",
    );
}

#[test]
fn another_device_that_speaks_text() {
    told(&["--text"], "no board", "or it is another device");
}

#[test]
fn a_board_that_says_no_hello() {
    told(
        &["--no-hello"],
        "no board",
        "does not answer identify with a hello",
    );
}

#[test]
fn a_board_that_says_nothing() {
    told(
        &["--mute"],
        "no board",
        "not a byte came; is the board powered and wired",
    );
}

#[test]
fn wrong_use_of_commands() {
    let bench = Bench::new();
    bench.fails(
        &["air", "--pressure", "1003"],
        &["--pressure", "1003", "unit"],
    );
    bench.fails(
        &["air", "--pressure", "3 bar"],
        &["air pressure", "300000 Pa"],
    );
    bench.run(&["air"]).fails_with(&["--pressure", "--forget"]);
    let setup = bench.run(&["setup", "x", "--part", "main jet"]);
    setup.fails_with(&["KEY=VALUE"]);
    let log = bench.path("empty.log");
    std::fs::write(&log, "").unwrap();
    let reduce = bench.run(&["reduce", "--board-log", log.to_str().unwrap()]);
    reduce.fails_with(&["no hello frame", "record from the start"]);
    let unknown = bench.run(&["shwo"]);
    assert_eq!(unknown.code, Some(2));
    assert_has(&unknown.err, &["show"]);
}

/// Disks that fill up, are read-only, or fail: small ones, mounted for the test, or as a library before
/// the C library's shows them.
mod disks {
    use super::*;
    use crate::harness::{Daemon, Emulator};
    use std::path::{Path, PathBuf};
    use std::process::Command;
    use std::time::Duration;

    struct Mount(PathBuf);

    impl Mount {
        /// An error in words where this user may not mount.
        fn small(folder: PathBuf, size: &str) -> Result<Self, String> {
            std::fs::create_dir_all(&folder).unwrap();
            let options = format!("size={size}");
            let mount = Command::new("mount")
                .args(["-t", "tmpfs", "-o", &options, "tmpfs"])
                .arg(&folder)
                .output();
            match mount {
                Ok(done) if done.status.success() => Ok(Self(folder)),
                Ok(done) => Err(String::from_utf8_lossy(&done.stderr).trim().to_owned()),
                Err(error) => Err(format!("mount: {error}")),
            }
        }

        fn remount(&self, option: &str) {
            let options = format!("remount,{option}");
            let status = Command::new("mount")
                .arg("-o")
                .arg(options)
                .arg(&self.0)
                .status();
            assert!(status.unwrap().success());
        }
    }

    impl Drop for Mount {
        fn drop(&mut self) {
            drop(Command::new("umount").arg("-l").arg(&self.0).status());
        }
    }

    #[test]
    fn a_read_only_store() {
        let bench = Bench::new();
        let disk = match Mount::small(bench.store(), "8m") {
            Ok(disk) => disk,
            Err(reason) => return println!("left out: no small disk here: {reason}"),
        };
        let _board = bench.emulator(&[]);
        disk.remount("ro");
        refused(
            &bench,
            &["cannot write to the store folder", "not mounted read-only"],
        );
    }

    #[test]
    fn a_disk_that_fills_up_and_is_emptied() {
        let bench = Bench::new();
        let _disk = match Mount::small(bench.store(), "3m") {
            Ok(disk) => disk,
            Err(reason) => return println!("left out: no small disk here: {reason}"),
        };
        let (mut board, daemon) = bench.connected(&["--torque", "4"]);
        board.order("pull");
        board.wait_for("pull_begins");
        let filler = bench.store().join("filler");
        // Whatever room is left is taken, in pieces, so that the last bit goes too.
        let mut file = std::fs::File::create(&filler).unwrap();
        for piece in [1 << 16, 1 << 12, 1 << 9, 1] {
            while std::io::Write::write_all(&mut file, &vec![7; piece]).is_ok() {}
        }
        drop(file);
        daemon.wait_for("no room left on the disk");
        is_cut_until_gone(&filler, &bench, &mut board, &daemon);
        bench.release(1);
        board.pull();
        let pulls = bench.wait_for_pulls(2);
        assert_eq!(pulls[1]["state"], "stored", "{pulls:?}");
        all_is_stored(&bench, &mut board, daemon);
    }

    /// The disk takes bytes but can't say that it has them: nothing counts as stored, the pull is cut,
    /// and afterwards not a byte is lacking.
    #[test]
    fn a_disk_whose_syncs_fail_for_a_while() {
        let bench = Bench::new();
        let (library, failing) = (bench.path("failing_sync.so"), bench.path("failing"));
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/e2e/failing_sync.c");
        let built = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o"])
            .args([library.as_os_str(), source.as_ref(), "-ldl".as_ref()])
            .status();
        assert!(built.unwrap().success());
        let mut board = bench.emulator(&["--torque", "4"]);
        let variables = [
            ("LD_PRELOAD", library.as_path()),
            ("SYNC_FAILS_WHILE", failing.as_path()),
        ];
        let daemon = bench.serve_with(&variables);
        board.wait_for("limits");
        board.order("pull");
        board.wait_for("pull_begins");
        std::fs::write(&failing, "").unwrap();
        daemon.wait_for("the store refuses; trying again");
        is_cut_until_gone(&failing, &bench, &mut board, &daemon);
        all_is_stored(&bench, &mut board, daemon);
    }

    /// The store refuses while a file is there. Not fit to store is not fit to guard: the heartbeat ends,
    /// the board cuts, and the pull is broken off.
    fn is_cut_until_gone(cause: &Path, bench: &Bench, board: &mut Emulator, daemon: &Daemon) {
        assert_eq!(board.wait_for("board_cut")["cause"], 3);
        std::fs::remove_file(cause).unwrap();
        daemon.wait_for("the store takes records again");
        bench.wait_for_event("store", "keeps up again");
        let pulls = bench.wait_for_pulls(1);
        assert_eq!(pulls[0]["state"], "aborted", "{pulls:?}");
    }

    /// Stops the daemon: not a byte that the board sent is lacking in the store.
    fn all_is_stored(bench: &Bench, board: &mut Emulator, daemon: Daemon) {
        let sent_before = board.bytes_sent();
        std::thread::sleep(Duration::from_millis(200));
        daemon.stop(Signal::SIGTERM);
        let stored = crate::logs::stored_connections(&bench.store()).concat();
        let sent = std::fs::read(bench.board_log()).unwrap();
        let (start, end) = crate::logs::place(&stored, &sent);
        assert!(start == 0 && end >= sent_before);
    }

    #[test]
    fn a_store_folder_of_someone_else() {
        let bench = Bench::new();
        let _board = bench.emulator(&[]);
        std::fs::create_dir(bench.store()).unwrap();
        let nobody_writes = std::os::unix::fs::PermissionsExt::from_mode(0o555);
        std::fs::set_permissions(bench.store(), nobody_writes).unwrap();
        if std::fs::write(bench.store().join("probe"), "").is_ok() {
            println!("left out: this user may write everywhere");
            return;
        }
        refused(&bench, &["cannot write to the store folder"]);
    }
}
