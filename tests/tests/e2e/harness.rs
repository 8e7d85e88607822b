//! A folder with a stand file, the board emulator, the real daemon process, and the command line.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use leverarm::clock::Clock;
use leverarm_tests::ran::Ran;
pub(crate) use leverarm_tests::{free_port, leverarm};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;
use tempfile::TempDir;

/// Longest wait for something that takes a few seconds on an idle machine.
pub(crate) const PATIENCE: Duration = Duration::from_secs(40);
const LINES_MAX: usize = 100_000;

/// What the emulator's engine gives at the crank, N·m.
pub(crate) const TORQUE_NM: f64 = 12.0;

fn tests_folder() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

pub(crate) fn stand_template() -> String {
    std::fs::read_to_string(tests_folder().join("stand.toml")).unwrap()
}

/// A folder for one test.
pub(crate) struct Bench {
    folder: TempDir,
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self::with(|text| text)
    }

    /// With a change to the stand file.
    pub(crate) fn with(change: impl FnOnce(String) -> String) -> Self {
        let folder = tempfile::Builder::new()
            .prefix("leverarm-")
            .tempdir()
            .unwrap();
        let bench = Self { folder };
        let text = stand_template()
            .replace("PORT", &bench.port().display().to_string())
            .replace("PAGE", &free_port().to_string());
        std::fs::write(bench.stand(), change(text)).unwrap();
        bench
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn stand(&self) -> PathBuf {
        self.path("stand.toml")
    }

    pub(crate) fn port(&self) -> PathBuf {
        self.path("port")
    }

    pub(crate) fn store(&self) -> PathBuf {
        self.path("pulls")
    }

    /// Every byte the emulator's port took.
    pub(crate) fn board_log(&self) -> PathBuf {
        self.path("board.log")
    }

    pub(crate) fn emulator(&self, options: &[&str]) -> Emulator {
        Emulator::start(&self.port(), &self.board_log(), options)
    }

    /// Starts the daemon and waits until it has the port.
    pub(crate) fn serve(&self) -> Daemon {
        self.serve_with(&[])
    }

    /// With variables in its environment.
    pub(crate) fn serve_with(&self, variables: &[(&str, &Path)]) -> Daemon {
        let daemon = Daemon::start(&self.stand(), &["serve"], variables);
        daemon.wait_for("running port=");
        daemon
    }

    /// A board, and a daemon on its port.
    pub(crate) fn served(&self, options: &[&str]) -> (Emulator, Daemon) {
        (self.emulator(options), self.serve())
    }

    /// A board and a daemon that guards it.
    pub(crate) fn connected(&self, options: &[&str]) -> (Emulator, Daemon) {
        let (mut board, daemon) = self.served(options);
        board.wait_for("limits");
        (board, daemon)
    }

    /// Starts a rehearsal, and waits until the simulated board has its port.
    pub(crate) fn rehearse(&self, options: &[&str]) -> Daemon {
        let command = [&["rehearse"], options].concat();
        let daemon = Daemon::start(&self.stand(), &command, &[]);
        daemon.wait_for("firmware");
        daemon
    }

    /// Runs a command to its end. The stand file is appended with `-c`.
    pub(crate) fn run(&self, arguments: &[&str]) -> Ran {
        let stand = self.stand();
        let stand = stand.to_str().unwrap();
        Ran::of(&[arguments, &["-c", stand]].concat())
    }

    /// A command that fails, with all of these in its message.
    pub(crate) fn fails(&self, arguments: &[&str], parts: &[&str]) {
        self.run(arguments).fails_with(parts);
    }

    /// The only pull there is.
    pub(crate) fn has_one_pull(&self, state: &str) {
        let pulls = self.pulls();
        assert_eq!(pulls.len(), 1, "{pulls:?}");
        assert_eq!(pulls[0]["state"], state, "{pulls:?}");
    }

    pub(crate) fn json(&self, arguments: &[&str]) -> Value {
        self.run(arguments).json()
    }

    pub(crate) fn pulls(&self) -> Vec<Value> {
        self.json(&["pulls", "--json"])["pulls"]
            .as_array()
            .cloned()
            .unwrap_or_else(|| panic!("`pulls` is no array"))
    }

    /// Waits until so many pulls are over.
    pub(crate) fn wait_for_pulls(&self, count: usize) -> Vec<Value> {
        eventually(&format!("{count} pulls that are over"), || {
            let pulls = self.pulls();
            let over = pulls.iter().filter(|p| p["state"] != "running").count();
            (over >= count).then_some(pulls)
        })
    }

    /// Waits until so many pulls are over; the last has to be whole, with this torque.
    pub(crate) fn wait_for_whole_pull(&self, count: usize, torque_nm: f64) {
        let pulls = self.wait_for_pulls(count);
        let pull = &pulls[count - 1];
        assert_eq!(pull["state"], "stored", "{pulls:?}");
        let peak_nm = pull["peak_torque_nm"].as_f64().unwrap();
        assert_within("peak torque", peak_nm, torque_nm, 0.005);
    }

    pub(crate) fn journal(&self) -> Vec<Value> {
        let out = self.run(&["journal", "--json"]).ok();
        out.lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    }

    /// Waits until the daemon shows this cut, and says how to end it.
    pub(crate) fn wait_for_cut(&self, number: u64, cause: &str) {
        let said = eventually(&format!("cut {number} to be in force"), || {
            let ran = self.run(&["release"]);
            ran.err.contains("is in force").then_some(ran)
        });
        let (cut, end) = (
            format!("cut {number} is in force"),
            format!("leverarm release {number}"),
        );
        said.fails_with(&[&cut, cause, &end]);
    }

    /// Releases a cut as soon as nothing speaks against it any more.
    pub(crate) fn release(&self, number: u64) {
        eventually(&format!("the release of cut {number}"), || {
            let ran = self.run(&["release", &number.to_string()]);
            (ran.code == Some(0)).then_some(())
        });
    }

    /// Releases all cuts in force, as soon as nothing speaks against it any more.
    pub(crate) fn release_all(&self) {
        eventually("the release of all cuts", || {
            let seen = self.run(&["release"]).err;
            let (_, after) = seen.split_once("`leverarm release ")?;
            let ran = self.run(&["release", after.split('`').next()?]);
            (ran.code == Some(0)).then_some(())
        });
    }

    /// The same on a stand that is not armed, and stays cut.
    pub(crate) fn release_all_but_arming(&self) {
        eventually("the release of persons' cuts", || {
            let seen = self.run(&["release"]).err;
            let (_, after) = seen.split_once("`leverarm release ")?;
            let ran = self.run(&["release", after.split('`').next()?]);
            ran.out.contains("stays cut").then_some(())
        });
    }

    /// Waits for an event of this kind whose message has this part.
    pub(crate) fn wait_for_event(&self, kind: &str, part: &str) -> Value {
        eventually(&format!("event {kind:?} with {part:?}"), || {
            self.journal().into_iter().find(|e| {
                e["kind"] == kind && e["message"].as_str().is_some_and(|m| m.contains(part))
            })
        })
    }
}

/// Asks again and again, for [`PATIENCE`].
pub(crate) fn eventually<T>(what: &str, mut ask: impl FnMut() -> Option<T>) -> T {
    let clock = Clock::start();
    loop {
        if let Some(found) = ask() {
            return found;
        }
        assert!(
            Duration::from_micros(clock.now().mono_us) < PATIENCE,
            "waited in vain for {what}"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// The board emulator, a process of its own.
pub(crate) struct Emulator {
    child: Child,
    orders: ChildStdin,
    events: Receiver<Value>,
    seen: Vec<Value>,
}

impl Emulator {
    fn start(link: &Path, log: &Path, options: &[&str]) -> Self {
        let mut child = Command::new("python3")
            .arg("-B")
            .arg(tests_folder().join("emulator/board.py"))
            .arg("--link")
            .arg(link)
            .arg("--log")
            .arg(log)
            .args(options)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|error| panic!("python3: {error}; install it (Debian: python3)"));
        let orders = child.stdin.take().unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (sender, events) = sync_channel(LINES_MAX);
        std::thread::spawn(move || {
            for line in out.lines().map_while(Result::ok) {
                let event = serde_json::from_str(&line)
                    .unwrap_or_else(|error| panic!("emulator said {line:?}: {error}"));
                if sender.send(event).is_err() {
                    return;
                }
            }
        });
        let mut emulator = Self {
            child,
            orders,
            events,
            seen: Vec::new(),
        };
        emulator.wait_for("start");
        emulator
    }

    pub(crate) fn order(&mut self, order: &str) {
        writeln!(self.orders, "{order}").unwrap();
    }

    /// Orders something, and waits until it is so.
    pub(crate) fn is_to(&mut self, be: &str) {
        self.order(be);
        self.wait_for(be);
    }

    /// A whole pull.
    pub(crate) fn pull(&mut self) {
        self.order("pull");
        self.wait_for("pull_ends");
    }

    /// Waits for the next event of this name, past those that were waited for before.
    pub(crate) fn wait_for(&mut self, event: &str) -> Value {
        self.wait_until(event, |_| true)
    }

    pub(crate) fn wait_until(&mut self, event: &str, wanted: impl Fn(&Value) -> bool) -> Value {
        let clock = Clock::start();
        loop {
            let left = PATIENCE.saturating_sub(Duration::from_micros(clock.now().mono_us));
            match self.events.recv_timeout(left) {
                Ok(found) => {
                    self.seen.push(found.clone());
                    if found["event"] == event && wanted(&found) {
                        return found;
                    }
                }
                Err(RecvTimeoutError::Timeout) => {
                    panic!("waited in vain for {event:?}; saw {:#?}", self.seen)
                }
                Err(RecvTimeoutError::Disconnected) => {
                    panic!("the emulator ended; saw {:#?}", self.seen)
                }
            }
        }
    }

    /// Everything said up to now.
    pub(crate) fn seen(&mut self) -> &[Value] {
        self.seen.extend(self.events.try_iter());
        &self.seen
    }

    /// Bytes that went out up to now.
    pub(crate) fn bytes_sent(&mut self) -> usize {
        self.order("state");
        usize::try_from(self.wait_for("state")["sent"].as_u64().unwrap()).unwrap()
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        // It may have ended by itself.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// `leverarm serve`, a process of its own.
pub(crate) struct Daemon {
    child: Child,
    log: Arc<Mutex<String>>,
}

impl Daemon {
    fn start(stand: &Path, command: &[&str], variables: &[(&str, &Path)]) -> Self {
        let mut child = Command::new(leverarm())
            .args(command)
            .arg("-c")
            .arg(stand)
            .envs(variables.iter().copied())
            .env_remove("RUST_LOG")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let err = BufReader::new(child.stderr.take().unwrap());
        let log = Arc::new(Mutex::new(String::new()));
        let kept = Arc::clone(&log);
        std::thread::spawn(move || {
            for line in err.lines().map_while(Result::ok) {
                let mut kept = kept.lock().unwrap();
                kept.push_str(&line);
                kept.push('\n');
            }
        });
        Self { child, log }
    }

    pub(crate) fn log(&self) -> String {
        self.log.lock().unwrap().clone()
    }

    /// Waits until its log has this.
    pub(crate) fn wait_for(&self, part: &str) {
        eventually(&format!("{part:?} in the log"), || {
            self.log().contains(part).then_some(())
        });
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill(
            Pid::from_raw(i32::try_from(self.child.id()).unwrap()),
            signal,
        )
        .unwrap();
    }

    pub(crate) fn is_running(&mut self) -> bool {
        self.child.try_wait().unwrap().is_none()
    }

    /// Waits for its end.
    pub(crate) fn end(mut self) -> ExitStatus {
        eventually("the daemon's end", || self.child.try_wait().unwrap())
    }

    /// Ends it by a signal, as a person or the system would, and asserts that all was well.
    pub(crate) fn stop(self, signal: Signal) {
        self.signal(signal);
        let log = Arc::clone(&self.log);
        let status = self.end();
        assert!(status.success(), "{status}: {}", log.lock().unwrap());
    }
}

impl Drop for Daemon {
    #[expect(clippy::print_stderr, reason = "shown when the test fails")]
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("the daemon's log:\n{}", self.log());
        }
        if self.is_running() {
            // A stopped process can't be ended in any other way.
            drop(self.child.kill());
            drop(self.child.wait());
        }
    }
}

/// Values of an array of numbers, without the nulls of untrustworthy ones.
pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    let array = value
        .as_array()
        .unwrap_or_else(|| panic!("{value} is no array"));
    array.iter().filter_map(Value::as_f64).collect()
}

/// Asserts that a value is within a share of what it should be.
pub(crate) fn assert_within(what: &str, value: f64, truth: f64, share: f64) {
    assert!(
        (value / truth - 1.0).abs() <= share,
        "{what}: {value}, should be {truth} within {} %",
        100.0 * share
    );
}
