//! A folder with a stand file and a store, and the command line on it.

use std::path::PathBuf;

use leverarm::clock::Clock;
use leverarm_live::Now;
use leverarm_store::{Hello, NewChunk, Store};
use leverarm_tests::ran::{Ran, words_of};
use serde_json::Value;
use tempfile::TempDir;

use crate::board_log::{BoardLog, TICK_HZ};

/// A folder for one test.
pub(crate) struct Bench {
    folder: TempDir,
}

impl Bench {
    pub(crate) fn new(stand: &str) -> Self {
        let folder = tempfile::Builder::new()
            .prefix("leverarm-")
            .tempdir()
            .unwrap();
        std::fs::write(folder.path().join("stand.toml"), stand).unwrap();
        Self { folder }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file and returns its path as text.
    pub(crate) fn file(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        std::fs::write(self.path(name), content).unwrap();
        self.path(name).display().to_string()
    }

    /// Writes a byte log and returns its path as text.
    pub(crate) fn log(&self, name: &str, log: &BoardLog) -> String {
        self.file(name, log.bytes())
    }

    /// Runs a command to its end. The stand file is appended with `-c`.
    pub(crate) fn run(&self, arguments: &[&str]) -> Ran {
        let stand = self.path("stand.toml").display().to_string();
        Ran::of(&[arguments, &["-c", &stand]].concat())
    }

    /// The same of a line, as at a shell: what is in single quotes is one word.
    pub(crate) fn line(&self, line: &str) -> Ran {
        self.run(&words_of(line))
    }

    /// The JSON on the last line.
    pub(crate) fn json(&self, arguments: &[&str]) -> Value {
        self.run(arguments).json()
    }

    /// Records a log into the store as the daemon would have, ended just now.
    pub(crate) fn record(&self, log: &BoardLog) {
        let seconds = log.seconds();
        let ended_us = Clock::start().now().wall_us;
        let lasted_us = i64::try_from(seconds.len()).unwrap() * 1_000_000;
        let mut store = Store::open(self.path("pulls")).unwrap();
        let connection = store
            .add_connection(None, "a test's", Now::new(0, ended_us - lasted_us))
            .unwrap();
        let hello = Hello {
            frame: log.hello(),
            tick_hz: TICK_HZ,
            board_id: 1,
            boot: 1,
        };
        store.set_hello(connection, &hello).unwrap();
        for (seq, second) in (0_u32..).zip(&seconds) {
            let mono_us = u64::from(seq) * 1_000_000;
            store
                .add_chunk(&NewChunk {
                    connection,
                    seq,
                    mono_us_first: mono_us,
                    mono_us_last: mono_us + 999_999,
                    wall_us_first: ended_us - lasted_us + i64::from(seq) * 1_000_000,
                    tick_first: second.tick_first,
                    bytes: &second.bytes,
                })
                .unwrap();
        }
    }

    /// Records a log and keeps all of it as a pull.
    pub(crate) fn pull(&self, log: &BoardLog) -> String {
        self.record(log);
        let last = format!("{} s", log.seconds().len() + 1);
        let kept = self.json(&["keep", "--last", &last, "--json"]);
        kept["id"].as_i64().unwrap().to_string()
    }
}

#[track_caller]
pub(crate) fn assert_within(what: &str, found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{what}: expected {expected} within {} %, found {found}",
        100.0 * relative
    );
}

/// A number of a JSON value by its pointer.
#[track_caller]
pub(crate) fn number(value: &Value, pointer: &str) -> f64 {
    value
        .pointer(pointer)
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("no number {pointer} in {value}"))
}

/// Numbers of a JSON list; null is NaN.
#[track_caller]
pub(crate) fn numbers(value: &Value, pointer: &str) -> Vec<f64> {
    let list = value.pointer(pointer).and_then(Value::as_array);
    let list = list.unwrap_or_else(|| panic!("no list {pointer} in {value}"));
    list.iter()
        .map(|v| v.as_f64().unwrap_or(f64::NAN))
        .collect()
}

/// An inertia stand with a pickup on the drum and one on the engine.
pub(crate) const DRUM_STAND: &str = r#"
[stand]
name = "test drum"
kind = "inertia"

[port]
path = "/dev/null"

[drum]
inertia = "1.900 +/- 0.005 kg*m^2"

[[pickup]]
channel = 0
on = "drum"
teeth = 8

[[pickup]]
channel = 1
on = "engine"
teeth = 1

[drive]
ratio = "5 +/- 0.005"

[losses]
constant = "2 N*m"
uncertainty = "10 %"

[[guard]]
kind = "overspeed"
on = "drum speed"
limit = "2000 rpm"
action = "cut"

[pull]
start_speed = "3000 rpm"
end_speed = "7000 rpm"

[air]
pressure = "1013.25 +/- 0.5 hPa"
temperature = "20 +/- 0.5 degC"
humidity = "50 +/- 5 %"
correction = "none"

[store]
folder = "pulls"

[page]
address = "127.0.0.1:9"
"#;

/// A stand with a brake: what the arm holds is counted by a load cell.
pub(crate) const BRAKE_STAND: &str = r#"
[stand]
name = "test brake"
kind = "brake"

[port]
path = "/dev/null"

[drum]
inertia = "0.300 +/- 0.003 kg*m^2"

[[pickup]]
channel = 0
on = "drum"
teeth = 60

[drive]
ratio = 2

[losses]
constant = "0.4 N*m"
uncertainty = "10 %"

[load_cell]
channel = 0
on = "drum"
per_count = "0.001 +/- 0.000002 N/count"
zero_counts = 5000
arm = "300 +/- 0.5 mm"

[[guard]]
kind = "overspeed"
on = "drum speed"
limit = "5000 rpm"
action = "cut"

[pull]
start_speed = "2500 rpm"
end_speed = "8000 rpm"

[air]
pressure = "1013.25 +/- 0.5 hPa"
temperature = "20 +/- 0.5 degC"
humidity = "50 +/- 5 %"
correction = "none"

[store]
folder = "pulls"

[page]
address = "127.0.0.1:9"
"#;
