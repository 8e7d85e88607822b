//! How long a sample takes from the board's port to the screen: a board that steps a temperature at
//! known times, the daemon, and the page in a real Chromium that notes when each step was drawn.
//!
//! With `-- --crowd` it measures how long a person's cut takes while a crowd of clients does its worst:
//! `tests/tests/safety/crowd.py`, by python3.
//!
//! Needs what `tests/page/run` installs: Chromium, Node.js and the npm packages of `tests/page`.
//! Prints `sample_to_screen_p95_ms=…`; the clock is the machine's own on both ends.

use std::error::Error;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use leverarm::clock::Clock;
use leverarm::rehearsal::DEMO_STAND;
use leverarm::service::{Daemon, PageAccess, ServeOptions};
use leverarm_protocol::{
    Analog, BoardMessage, ChannelKind, FrameWriter, Hello, Limits, Status, TeethBatch,
};
use nix::fcntl::{FcntlArg, OFlag, fcntl};

mod rig;

const SECONDS: u32 = 40;
const LIMIT_MS: f64 = 100.0;
const TICK_HZ: u32 = 1_000_000;
/// Temperatures from 0 °C to 59 °C in steps of 1 °C, round and round; counts as in the demo's stand
/// file: 0.025 K a count from −30 °C.
const STEPS: u32 = 60;
const PRESSES: usize = 200;
const COUNTS_PER_STEP: i16 = 40;
const COUNTS_AT_0_CELSIUS: i16 = 1200;
/// Time between steps: of changing length, so that it does not beat with the display.
const STEP_US: [u64; 7] = [91_000, 137_000, 113_000, 101_000, 149_000, 127_000, 107_000];
/// A step that is not drawn within this time was passed over for the next.
const SAME_STEP_US: i64 = 3_000_000;

/// A step of the temperature: what the page will show, and when its frame was written.
type Step = (u32, i64);

struct Board {
    port: File,
    clock: Clock,
    writer: FrameWriter,
    teeth: [TeethBatch; 2],
    next_tooth_us: [u64; 2],
}

impl Board {
    fn send(&mut self, tick: u64, message: &BoardMessage<'_>) -> Result<(), Box<dyn Error>> {
        let tick = u32::try_from(tick % (1 << 32))?;
        let bytes = self
            .writer
            .write(tick, message)
            .map_err(|error| format!("{error:?}"))?;
        match self.port.write_all(bytes) {
            // A daemon that does not read loses the frame, as on a wire.
            Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => Ok(()),
            other => Ok(other?),
        }
    }

    /// Teeth up to now: the drum's pickup at 1000 rpm with 8 teeth, the engine's at 5500 rpm.
    fn send_teeth(&mut self, now_us: u64) -> Result<(), Box<dyn Error>> {
        for (pickup, period_us) in [(0, 7_500), (1, 10_909)] {
            while self.next_tooth_us[pickup] < now_us {
                if !self.teeth[pickup].push(self.next_tooth_us[pickup]) {
                    break; // full: the rest goes with the next frame
                }
                self.next_tooth_us[pickup] += period_us;
            }
            let mut batch = std::mem::replace(&mut self.teeth[pickup], TeethBatch::new(0));
            if let (Some(tick), Some((_, message))) = (batch.first_tick(), batch.message()) {
                self.send(tick, &message)?;
            }
            batch.clear();
            self.teeth[pickup] = batch;
        }
        Ok(())
    }

    fn run(mut self, stop: &AtomicBool) -> Result<Vec<Step>, Box<dyn Error>> {
        let channels = [
            (ChannelKind::Teeth, 0),
            (ChannelKind::Teeth, 1),
            (ChannelKind::Analog, 1),
            (ChannelKind::Analog, 2),
            (ChannelKind::Analog, 3),
        ]
        .map(rig::listed);
        let mut steps = Vec::new();
        let mut buffer = [0; 1024];
        let (mut hello_us, mut status_us, mut teeth_us, mut step_us) = (0, 0, 0, 0);
        while !stop.load(Ordering::Relaxed) {
            // Heartbeats and limits are for a board that guards.
            while self.port.read(&mut buffer).is_ok_and(|bytes| bytes > 0) {}
            let now = self.clock.now();
            let now_us = now.mono_us;
            if now_us >= hello_us {
                hello_us = now_us + 500_000;
                let hello = Hello {
                    board_id: 1,
                    boot: 1,
                    firmware: [1, 0, 0],
                    tick_hz: TICK_HZ,
                    channels: &channels,
                };
                self.send(now_us, &BoardMessage::Hello(hello))?;
            }
            if now_us >= status_us {
                status_us = now_us + 50_000;
                let status = Status::running(Limits::default());
                self.send(now_us, &BoardMessage::Status(status))?;
            }
            if now_us >= teeth_us {
                teeth_us = now_us + 20_000;
                self.send_teeth(now_us)?;
            }
            if now_us >= step_us {
                step_us = now_us + STEP_US[steps.len() % STEP_US.len()];
                let celsius = u32::try_from(steps.len())? % STEPS;
                let intake = COUNTS_AT_0_CELSIUS + COUNTS_PER_STEP * i16::try_from(celsius)?;
                let counts = [3400, intake, 2000].map(i16::to_le_bytes);
                let scan = Analog {
                    first_channel: 1,
                    counts: &counts,
                };
                self.send(now_us, &BoardMessage::Analog(scan))?;
                steps.push((celsius, self.clock.now().wall_us));
            }
            std::thread::sleep(Duration::from_micros(500));
        }
        Ok(steps)
    }
}

/// Lets Chromium look at the page; what it drew, and when, in microseconds since 1970.
fn watch(url: &str) -> Result<Vec<Step>, Box<dyn Error>> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/page/bench.mjs");
    let child = Command::new("node")
        .arg(script)
        .args([url, &SECONDS.to_string()])
        .stdout(Stdio::piped())
        .spawn()?;
    let output = child.wait_with_output()?;
    if !output.status.success() {
        return Err("the browser's script failed; tests/page/run installs what it needs".into());
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// From asking for a cut to the daemon's word that it was asked of the board, ms, in ascending order,
/// with 478 other connections and without.
fn cut_delays_ms(port: u16, crowded: bool) -> Result<Vec<f64>, Box<dyn Error>> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/tests/safety/crowd.py");
    let party = |part: &str| {
        Command::new("python3")
            .arg(&script)
            .args([part, "127.0.0.1", &port.to_string(), "127.0.0.1"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
    };
    let crowd = if crowded {
        let mut crowd = party("crowd")?;
        let out = crowd.stdout.take().ok_or("no output")?;
        let mut lines = BufReader::new(out).lines();
        lines.next().ok_or("the crowd did not come")??;
        Some((crowd, lines))
    } else {
        None
    };
    let mut person = party("person")?;
    let mut orders = person.stdin.take().ok_or("no input")?;
    let out = person.stdout.take().ok_or("no output")?;
    let mut delays = Vec::new();
    let mut lines = BufReader::new(out).lines();
    for press in 0..PRESSES {
        writeln!(orders, "press {press}")?;
        let said = lines.next().ok_or("no answer")??;
        let [_, status, took_us] = said.split(' ').collect::<Vec<_>>()[..] else {
            return Err(said.into());
        };
        if status != "200" {
            return Err(format!("a cut was answered {status}").into());
        }
        delays.push(took_us.parse::<f64>()? * 1e-3);
        std::thread::sleep(Duration::from_millis(50));
    }
    drop(orders);
    person.wait()?;
    if let Some((mut crowd, mut lines)) = crowd {
        drop(crowd.stdin.take());
        let counts = lines.next().ok_or("the crowd left early")??;
        writeln!(std::io::stdout(), "crowd={counts}")?;
        crowd.wait()?;
    }
    delays.sort_by(f64::total_cmp);
    Ok(delays)
}

fn tell_cuts(port: u16) -> Result<(), Box<dyn Error>> {
    for (name, crowded) in [("alone", false), ("crowd", true)] {
        let delays = cut_delays_ms(port, crowded)?;
        let (p50, most) = (delays[delays.len() / 2], delays[delays.len() - 1]);
        writeln!(
            std::io::stdout(),
            "cuts_{name}={} cut_{name}_p50_ms={p50:.1} cut_{name}_max_ms={most:.1}",
            delays.len()
        )?;
    }
    Ok(())
}

/// Time from each step's frame to its drawing, ms, in ascending order.
fn delays_ms(steps: &[Step], drawn: &[Step]) -> Vec<f64> {
    let delay = |(celsius, drawn_us): &Step| {
        let written = steps
            .iter()
            .rev()
            .find(|(other, written_us)| other == celsius && written_us <= drawn_us)?;
        let delay_us = drawn_us - written.1;
        (delay_us < SAME_STEP_US).then_some(delay_us as f64 * 1e-3)
    };
    let mut delays: Vec<f64> = drawn.iter().filter_map(delay).collect();
    delays.sort_by(f64::total_cmp);
    delays
}

fn main() -> Result<(), Box<dyn Error>> {
    let terminal = rig::terminal().map_err(|error| error.to_string())?;
    let (port, path) = (terminal.board, terminal.path);
    fcntl(&port, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
    let folder = tempfile::tempdir()?;
    let mut stand = leverarm_config::parse("demo.toml", DEMO_STAND)?;
    stand.board.self_test_age_s_max = Some(0);
    stand.port.path = path;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let clock = Clock::start();
    let stop = Arc::new(AtomicBool::new(false));
    let board = Board {
        port,
        clock,
        writer: FrameWriter::new(),
        teeth: [TeethBatch::new(0), TeethBatch::new(1)],
        next_tooth_us: [0; 2],
    };
    let stopped = Arc::clone(&stop);
    let board = std::thread::spawn(move || board.run(&stopped).map_err(|error| error.to_string()));
    let crowd = std::env::args().any(|argument| argument == "--crowd");
    let (drawn, updates_per_s) = runtime.block_on(async {
        let daemon = Daemon::start(ServeOptions {
            stand,
            stand_text: DEMO_STAND.to_owned(),
            store_folder: folder.path().join("pulls"),
            page_address: None,
            page_access: PageAccess::default(),
        })
        .await?;
        let address = daemon.page_address();
        let url = format!("http://{address}");
        if crowd {
            let told = move || tell_cuts(address.port()).map_err(|error| error.to_string());
            tokio::task::spawn_blocking(told).await??;
            daemon.stop().await?;
            return Ok((Vec::new(), 0.0));
        }
        let mut live = daemon.handle().live();
        let counted = tokio::spawn(async move {
            let (mut first, mut last, mut count) = (None, 0, 0_u32);
            while live.changed().await.is_ok() {
                last = live.borrow_and_update().mono_us;
                first.get_or_insert(last);
                count += 1;
            }
            f64::from(count) / ((last - first.unwrap_or(0)).max(1) as f64 * 1e-6)
        });
        let drawn = tokio::task::spawn_blocking(move || watch(&url).map_err(|e| e.to_string()));
        let drawn = drawn.await??;
        daemon.stop().await?;
        Ok::<_, Box<dyn Error>>((drawn, counted.await?))
    })?;
    stop.store(true, Ordering::Relaxed);
    if crowd {
        return Ok(());
    }
    let steps = board
        .join()
        .map_err(|_panic| "the board's thread ended in a panic")??;
    let delays = delays_ms(&steps, &drawn);
    let at = |share: f64| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "an index from a share of a length"
        )]
        let index = (share * delays.len() as f64) as usize;
        delays
            .get(index.min(delays.len().saturating_sub(1)))
            .copied()
    };
    let (Some(p50), Some(p95), Some(most)) = (at(0.5), at(0.95), at(1.0)) else {
        return Err("the page drew no step of the temperature".into());
    };
    let mut out = std::io::stdout();
    writeln!(out, "steps={} drawn={}", steps.len(), delays.len())?;
    writeln!(out, "updates_per_s={updates_per_s:.1}")?;
    writeln!(out, "sample_to_screen_p50_ms={p50:.1}")?;
    writeln!(out, "sample_to_screen_p95_ms={p95:.1}")?;
    writeln!(out, "sample_to_screen_max_ms={most:.1}")?;
    if p95 > LIMIT_MS {
        return Err(format!("expected at most {LIMIT_MS} ms, found {p95:.1} ms").into());
    }
    Ok(())
}
