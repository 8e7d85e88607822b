//! Who can keep a person from cutting: connections, commands, a stop that hangs. The page's side of it
//! is in `tests/page/page.test.mjs`.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::time::Duration;

use leverarm::clock::Clock;
use leverarm_store::{EventFilter, EventRecord, Severity, StoreReader};
use nix::sys::signal::Signal;
use nix::time::{ClockId, clock_gettime};
use serde_json::Value;

use crate::harness::{Bench, Daemon, eventually, leverarm};

/// Cuts by each way.
const PRESSES: usize = 10;
/// From a person's press to the cut, on a machine that has time.
const CUT_US_MAX: i64 = 100_000;
const TOKEN: &str = "token-of-the-control-room";

/// `tests/safety/crowd.py` in one of its parts.
struct Party {
    child: Child,
    orders: Option<ChildStdin>,
    said: std::io::Lines<BufReader<std::process::ChildStdout>>,
}

impl Party {
    /// `place` is what runs it: nothing, or `ip netns exec NAME`.
    fn start(place: &[&str], part: &str, door: &Door<'_>, source: &str) -> Self {
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/safety/crowd.py");
        let port = door.port.to_string();
        let mut words = place.to_vec();
        words.extend(["python3", "-B", script, part, door.host, &port, source]);
        words.extend(door.token);
        let mut child = Command::new(words[0])
            .args(&words[1..])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let said = BufReader::new(child.stdout.take().unwrap()).lines();
        Self {
            orders: child.stdin.take(),
            child,
            said,
        }
    }

    fn said(&mut self) -> String {
        self.said.next().expect("it ended").unwrap()
    }

    /// Ends a crowd; how often each kind of client was there.
    fn counts(mut self) -> Value {
        drop(self.orders.take());
        serde_json::from_str(&self.said()).unwrap()
    }

    /// Lets a person cut; when that began, microseconds since 1970.
    fn press(&mut self, reason: &str) -> i64 {
        writeln!(self.orders.as_mut().unwrap(), "{reason}").unwrap();
        let said = self.said();
        let mut words = said.split(' ');
        let began_us = words.next().unwrap().parse().unwrap();
        assert_eq!(words.next(), Some("200"), "{reason}");
        began_us
    }
}

impl Drop for Party {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Where the daemon's page is.
struct Door<'a> {
    host: &'a str,
    port: u16,
    token: Option<&'a str>,
}

impl Door<'_> {
    /// Runs a command to its end; what it said, good or bad.
    fn leverarm(&self, bench: &Bench, arguments: &[&str]) -> (bool, String) {
        let mut command = Command::new(leverarm());
        command.args(arguments).arg("-c").arg(bench.stand());
        if let Some(token) = self.token {
            command.env("LEVERARM_TOKEN", token);
        }
        let ran = command.output().unwrap();
        let said = [ran.stdout, ran.stderr].concat();
        (
            ran.status.success(),
            String::from_utf8_lossy(&said).into_owned(),
        )
    }

    /// Something for the crowd to read.
    fn keep(&self, bench: &Bench) {
        eventually("a pull", || {
            let (kept, _) = self.leverarm(bench, &["keep", "--last", "2 s"]);
            kept.then_some(())
        });
    }

    /// Ends whatever cut is in force.
    /// Tries to release, so that the next cut has something to cut; a crowd may be in the way of that,
    /// and each cut counts by itself.
    fn release(&self, bench: &Bench) {
        for _ in 0..RELEASES {
            let (_, said) = self.leverarm(bench, &["release"]);
            let number = said
                .split("leverarm release ")
                .nth(1)
                .and_then(|rest| rest.split(|c: char| !c.is_ascii_digit()).next());
            if let Some(number) = number
                && self.leverarm(bench, &["release", number]).0
            {
                return;
            }
        }
    }
}

/// A release is tried so often.
const RELEASES: usize = 3;
/// Two crowds at once would starve each other.
static ONE_CROWD: std::sync::Mutex<()> = std::sync::Mutex::new(());

fn port_of(bench: &Bench) -> u16 {
    let stand = std::fs::read_to_string(bench.stand()).unwrap();
    let (_, port) = stand.rsplit_once(':').unwrap();
    port.split('"').next().unwrap().parse().unwrap()
}

/// How many times longer than it needs a program takes now, because others have the machine: what no
/// daemon can mend. 1 or more.
fn slowdown() -> i64 {
    let cpu_us = || {
        let used = clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID).unwrap();
        Duration::from(used).as_micros()
    };
    let clock = Clock::start();
    let begun_us = cpu_us();
    while cpu_us() < begun_us + 5000 {}
    i64::try_from(clock.now().mono_us)
        .unwrap()
        .div_euclid(5000)
        .max(1)
}

/// A press of the cut: its reason, when it began, and how slow the machine was before and after.
type Press = (String, i64, i64);

/// Persons cut by every way, again and again, while the crowd is there. Then the daemon's own journal
/// says when it cut.
fn presses_take_effect(
    bench: &Bench,
    door: &Door<'_>,
    ways: &mut [(&str, Option<Party>)],
) -> String {
    let wall = Clock::start();
    let mut presses: Vec<Press> = Vec::new();
    for round in 0..PRESSES {
        for (way, party) in &mut *ways {
            let reason = format!("press {round} by {way}");
            let slow = slowdown();
            let began_us = if let Some(person) = party {
                person.press(&reason)
            } else {
                // What a program takes to start is the machine's, not the daemon's.
                let before_us = wall.now().wall_us;
                drop(Command::new(leverarm()).arg("--version").output().unwrap());
                let began_us = wall.now().wall_us;
                let (done, said) = door.leverarm(bench, &["cut", &reason]);
                assert!(done, "{reason}: {said}");
                began_us + (began_us - before_us)
            };
            presses.push((reason, began_us, slow.max(slowdown())));
            door.release(bench);
        }
    }
    let cuts = EventFilter {
        severity_at_least: Severity::Cut,
        limit: 10_000,
        ..EventFilter::default()
    };
    let journal = eventually("all cuts in the journal", || {
        let journal = StoreReader::open(bench.store())
            .and_then(|reader| reader.events(&cuts))
            .unwrap();
        let is_there = |(reason, ..): &Press| cut_us(&journal, reason).is_some();
        presses.iter().all(is_there).then_some(journal)
    });
    // A short look does not see all that came between: the slowest counts for all.
    let slow = presses.iter().map(|(.., slow)| *slow).max().unwrap();
    let mut all = format!("on a machine that is {slow} times too slow, us:");
    for (reason, began_us, _) in presses {
        let took_us = cut_us(&journal, &reason).unwrap() - began_us;
        all += &format!(" {took_us}");
        assert!(
            took_us <= CUT_US_MAX * slow,
            "{reason} took {took_us} us, on a machine that is {slow} times too slow"
        );
    }
    all
}

/// When the daemon cut for this reason, microseconds since 1970.
fn cut_us(journal: &[EventRecord], reason: &str) -> Option<i64> {
    let words = format!("{reason} (number ");
    let cut = journal
        .iter()
        .find(|event| event.kind == "cut" && event.message.contains(&words));
    cut.map(|event| event.wall_us)
}

fn was_there(counts: &Value) {
    for (kind, least) in [
        ("half-open", 200),
        ("idle", 128),
        ("reads", 60),
        ("commands", 90),
    ] {
        assert!(counts[kind].as_u64().unwrap() >= least, "{counts}");
    }
}

/// From this machine itself: there a crowd has the same room as the person.
#[test]
fn every_cut_gets_through_a_crowd_on_the_same_machine() {
    let _alone = ONE_CROWD.lock();
    let bench = Bench::new();
    let (_board, daemon) = bench.connected(&[]);
    let door = Door {
        host: "127.0.0.1",
        port: port_of(&bench),
        token: None,
    };
    door.keep(&bench);
    let mut crowd = Party::start(&[], "crowd", &door, "127.0.0.1");
    assert_eq!(crowd.said(), "ready");
    let person = |source| Some(Party::start(&[], "person", &door, source));
    let mut ways = [
        ("command line", None),
        ("the page's address", person("127.0.0.1")),
        ("another address", person("127.0.0.2")),
    ];
    println!("{}", presses_take_effect(&bench, &door, &mut ways));
    was_there(&crowd.counts());
    daemon.stop(Signal::SIGTERM);
}

/// A network of two, of which one end is a namespace of its own.
struct Network {
    name: String,
}

impl Network {
    const HERE: &str = "10.213.84.1";
    const CROWD: &str = "10.213.84.2";
    const PERSON: &str = "10.213.84.3";

    fn new() -> Result<Self, String> {
        let network = Self {
            name: format!("lev{}", std::process::id()),
        };
        let name = &network.name;
        for line in [
            format!("netns add {name}"),
            format!("link add {name}a type veth peer name {name}b netns {name}"),
            format!("addr add {}/24 dev {name}a", Self::HERE),
            format!("link set {name}a up"),
            format!("-n {name} addr add {}/24 dev {name}b", Self::CROWD),
            format!("-n {name} addr add {}/24 dev {name}b", Self::PERSON),
            format!("-n {name} link set {name}b up"),
        ] {
            let ran = Command::new("ip").args(line.split(' ')).output();
            let ran = ran.map_err(|error| format!("ip: {error}"))?;
            if !ran.status.success() {
                return Err(String::from_utf8_lossy(&ran.stderr).trim().to_owned());
            }
        }
        Ok(network)
    }

    /// What runs a program at the other end.
    fn there(&self) -> [&str; 4] {
        ["ip", "netns", "exec", &self.name]
    }
}

impl Drop for Network {
    fn drop(&mut self) {
        // The pair of devices goes with it.
        drop(
            Command::new("ip")
                .args(["netns", "del", &self.name])
                .output(),
        );
    }
}

#[test]
fn every_cut_gets_through_a_crowd_of_the_network() {
    let _alone = ONE_CROWD.lock();
    let network = match Network::new() {
        Ok(network) => network,
        Err(reason) => return println!("NOT RUN: no network namespace here: {reason}"),
    };
    let bench = Bench::with(|text| text.replace("127.0.0.1:", "0.0.0.0:"));
    let mut board = bench.emulator(&[]);
    let daemon = bench.serve_with(&[("LEVERARM_TOKEN", Path::new(TOKEN))]);
    board.wait_for("limits");
    let at = |host| Door {
        host,
        port: port_of(&bench),
        token: Some(TOKEN),
    };
    let far = at(Network::HERE);
    let near = at("127.0.0.1");
    near.keep(&bench);
    let mut crowd = Party::start(&network.there(), "crowd", &far, Network::CROWD);
    assert_eq!(crowd.said(), "ready");
    let mut ways = [
        ("command line", None),
        (
            "loopback",
            Some(Party::start(&[], "person", &near, "127.0.0.1")),
        ),
        (
            "own address",
            Some(Party::start(&[], "person", &far, Network::HERE)),
        ),
        (
            "another address",
            Some(Party::start(
                &network.there(),
                "person",
                &far,
                Network::PERSON,
            )),
        ),
        (
            "the crowd's address",
            Some(Party::start(
                &network.there(),
                "person",
                &far,
                Network::CROWD,
            )),
        ),
    ];
    println!("{}", presses_take_effect(&bench, &near, &mut ways));
    was_there(&crowd.counts());
    daemon.stop(Signal::SIGTERM);
}

/// A disk, as far as a program can tell, whose syncs fail or hang while a file is there.
struct BadDisk {
    library: PathBuf,
    fails: PathBuf,
    hangs: PathBuf,
}

impl BadDisk {
    fn new(bench: &Bench) -> Self {
        let library = bench.path("failing_sync.so");
        let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/e2e/failing_sync.c");
        let built = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-Wall", "-Werror", "-o"])
            .args([library.as_os_str(), source.as_ref(), "-ldl".as_ref()])
            .status();
        assert!(built.unwrap().success());
        Self {
            library,
            fails: bench.path("fails"),
            hangs: bench.path("hangs"),
        }
    }

    fn serve(&self, bench: &Bench) -> Daemon {
        bench.serve_with(&[
            ("LD_PRELOAD", &self.library),
            ("SYNC_FAILS_WHILE", &self.fails),
            ("SYNC_HANGS_WHILE", &self.hangs),
        ])
    }
}

/// When the daemon said this, by its own log, seconds of the day.
fn said_s(log: &str, part: &str) -> f64 {
    let line = log.lines().find(|line| line.contains(part));
    let line = line.unwrap_or_else(|| panic!("{part:?} is not in the log:\n{log}"));
    let time = line.split_once('T').unwrap().1.split('Z').next().unwrap();
    let parts = time.split(':').map(|part| part.parse::<f64>().unwrap());
    parts.fold(0.0, |sum, part| 60.0 * sum + part)
}

/// Asserts that a stop came to an end, said what is lost, and how long that took by the daemon's log.
fn stopped_with_loss(daemon: Daemon, seconds_max: f64, why: &str) {
    // The reader of its log may be a moment behind.
    daemon.wait_for("are not in the store");
    let log = daemon.log();
    let status = daemon.end();
    assert_eq!(status.code(), Some(1), "{log}");
    let lost = log
        .lines()
        .find(|line| line.contains("are not in the store"))
        .unwrap();
    assert!(lost.contains("ERROR") && lost.contains(why), "{lost}");
    let count = |key: &str| -> u64 {
        let rest = lost.split_once(key).unwrap().1;
        let digits = rest.split(|c: char| !c.is_ascii_digit()).next().unwrap();
        digits.parse().unwrap()
    };
    assert!(count("records=") > 0 && count("bytes=") > 0, "{lost}");
    let took_s = said_s(&log, "are not in the store") - said_s(&log, "stopping");
    assert!((0.0..seconds_max).contains(&took_s), "{took_s} s: {log}");
}

#[test]
fn a_full_disk_does_not_keep_the_daemon_from_stopping() {
    let bench = Bench::new();
    let store = bench.store();
    std::fs::create_dir_all(&store).unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=3m", "tmpfs"])
        .arg(&store)
        .output();
    if !mounted.is_ok_and(|done| done.status.success()) {
        return println!("NOT RUN: no small disk can be mounted here");
    }
    struct Mounted(PathBuf);
    impl Drop for Mounted {
        fn drop(&mut self) {
            drop(Command::new("umount").arg("-l").arg(&self.0).status());
        }
    }
    let _mounted = Mounted(store.clone());
    for signal in [Signal::SIGTERM, Signal::SIGINT] {
        let (_board, daemon) = bench.connected(&[]);
        let mut filler = std::fs::File::create(store.join("filler")).unwrap();
        for piece in [1 << 16, 1 << 12, 1 << 9, 1] {
            while filler.write_all(&vec![7; piece]).is_ok() {}
        }
        drop(filler);
        daemon.wait_for("no room left on the disk");
        daemon.signal(signal);
        stopped_with_loss(daemon, 10.0, "no room left on the disk");
        std::fs::remove_file(store.join("filler")).unwrap();
    }
    // What is there is whole.
    let (whole, said) = Door {
        host: "",
        port: 0,
        token: None,
    }
    .leverarm(&bench, &["doctor"]);
    assert!(whole, "{said}");
}

/// The engine is cut first of all, whatever the disk does, and a second signal waits for nothing.
#[test]
fn a_disk_that_never_answers_does_not_keep_the_daemon_from_stopping() {
    for hurried in [false, true] {
        let bench = Bench::new();
        let disk = BadDisk::new(&bench);
        let mut board = bench.emulator(&[]);
        let daemon = disk.serve(&bench);
        board.wait_for("limits");
        std::fs::write(&disk.hangs, "").unwrap();
        // At least one record is on its way.
        std::thread::sleep(Duration::from_millis(700));
        daemon.signal(Signal::SIGTERM);
        assert_eq!(board.wait_for("board_cut")["cause"], 1);
        if hurried {
            daemon.wait_for("stopping");
            daemon.signal(Signal::SIGINT);
        }
        let seconds_max = if hurried { 3.0 } else { 10.0 };
        stopped_with_loss(daemon, seconds_max, "the disk does not answer");
    }
}

/// A second signal ends the trying.
#[test]
fn a_failing_disk_is_tried_for_a_while_at_the_stop() {
    for (mended, hurried) in [(true, false), (false, false), (false, true)] {
        let bench = Bench::new();
        let disk = BadDisk::new(&bench);
        let mut board = bench.emulator(&[]);
        let daemon = disk.serve(&bench);
        board.wait_for("limits");
        std::fs::write(&disk.fails, "").unwrap();
        daemon.wait_for("the store refuses; trying again");
        daemon.signal(Signal::SIGTERM);
        daemon.wait_for("stopping");
        if mended {
            std::fs::remove_file(&disk.fails).unwrap();
            assert!(daemon.end().success());
            continue;
        }
        if hurried {
            daemon.signal(Signal::SIGTERM);
        }
        let seconds_max = if hurried { 3.0 } else { 10.0 };
        stopped_with_loss(daemon, seconds_max, "");
    }
}
