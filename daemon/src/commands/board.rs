//! `board`.

use anyhow::{Context, bail};
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use leverarm_config::units;
use leverarm_protocol::{Form, HostMessage, HostWriter};
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::{ClearBuffer, SerialPort, SerialStream};

use super::control::Line;
use super::terminal::Table;
use super::{Failure, StandFile, StoreArgument, dialogue, json_line, read_stand_and, say};
use crate::clock::Clock;
use crate::service::open_port;
use leverarm_analysis::board_check::{BoardCheck, Report, State};
use leverarm_analysis::in_force;
use leverarm_store::{StoreError, StoreReader};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::Calibration;

/// A board that was reset as its port opened, and waits in its bootloader, takes so long to speak.
const PATIENCE_US: u64 = 5_000_000;
const IDENTIFY_EVERY_US: u64 = 500_000;
const SHOW_EVERY_US: u64 = 500_000;
const BAUD: u32 = 500_000;
/// Rates that boards are built with, and how long each is listened to.
const USUAL_BAUDS: [u32; 9] = [
    500_000, 115_200, 250_000, 1_000_000, 230_400, 921_600, 57_600, 2_000_000, 9_600,
];
const TRIAL_US: u64 = 700_000;
const SECONDS: std::ops::RangeInclusive<f64> = 1.0..=600.0;

#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    store: StoreArgument,
    /// Port of the board, instead of the stand file's
    #[arg(long, value_name = "PATH")]
    port: Option<PathBuf>,
    /// Baud rate, instead of the stand file's; 500000 without either
    #[arg(long)]
    baud: Option<u32>,
    /// Look at recorded bytes of a board instead
    #[arg(long, value_name = "FILE", conflicts_with = "port")]
    board_log: Option<PathBuf>,
    /// How long to listen
    #[arg(long = "for", value_name = "TIME", default_value = "5 s")]
    time: String,
    /// JSON instead of words
    #[arg(long)]
    json: bool,
}

/// Where the bytes come from.
enum From<'a> {
    Log(&'a Path),
    Port(&'a Path, u32),
    /// The daemon has the port: what it stores as it comes.
    Daemon(StoreReader),
}

impl From<'_> {
    fn text(&self) -> String {
        match self {
            Self::Log(file) => file.display().to_string(),
            Self::Port(path, baud) => format!("{}, {baud} baud", path.display()),
            Self::Daemon(store) => format!("the running daemon's {}", store.folder().display()),
        }
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<(), Failure> {
    let seconds = dialogue::quantity(&arguments.time, &units::DURATION)
        .with_context(|| format!("--for {:?}", arguments.time))?
        .value;
    if !SECONDS.contains(&seconds) {
        let (time, least, most) = (&arguments.time, SECONDS.start(), SECONDS.end());
        bail!("--for {time:?}: expected {least} s to {most} s");
    }
    let file = &arguments.store.stand.file;
    let names_board = arguments.port.is_some() || arguments.board_log.is_some();
    // A board on the bench has no stand yet.
    let read = match read_stand_and(arguments.store.store.as_deref(), file) {
        Err(_) if names_board && !file.exists() => None,
        Err(error) if !file.exists() => {
            return Err(error.context("no stand file, and no port named with --port"));
        }
        other => Some(other?),
    };
    let from = source(arguments, read.as_ref())?;
    let stand = read.as_ref().map(as_calibrated).transpose()?;
    let mut bench = Bench {
        stand: stand.as_ref(),
        check: BoardCheck::new(),
        bar: (!arguments.json).then(live_bar),
        shown_us: 0,
    };
    match &from {
        From::Log(file) => {
            let bytes = std::fs::read(file).with_context(|| file.display().to_string())?;
            bench.check.feed(0, &bytes);
            if !bench.check.is_identified() {
                bail!("{}: there is no hello of a board in it", file.display());
            }
        }
        From::Port(path, baud) => tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?
            .block_on(bench.listen(path, *baud, seconds))?,
        From::Daemon(store) => bench.follow(store, seconds)?,
    }
    if let Some(bar) = &bench.bar {
        bar.finish_and_clear();
    }
    let report = bench.check.report(bench.stand);
    if arguments.json {
        let mut value = serde_json::to_value(&report)?;
        if let Some(object) = value.as_object_mut() {
            object.insert("from".to_owned(), json!(from.text()));
        }
        json_line(&value);
    } else {
        print(&from, &report);
    }
    Ok(())
}

/// The stand with the calibrations in force, where there is a store already.
fn as_calibrated(read: &StandFile) -> Result<CalibratedStand, Failure> {
    let calibration = match StoreReader::open(&read.store_folder) {
        Ok(reader) => in_force::newest_calibration(&reader)?.0,
        Err(StoreError::NoStore { .. }) => Calibration::default(),
        Err(error) => return Err(Failure::from(error)),
    };
    Ok(CalibratedStand::new(read.stand.clone(), &calibration))
}

fn source<'a>(arguments: &'a Arguments, read: Option<&'a StandFile>) -> Result<From<'a>, Failure> {
    if let Some(file) = &arguments.board_log {
        return Ok(From::Log(file));
    }
    let stand = read.map(|read| &read.stand);
    let baud = arguments.baud.or(stand.map(|stand| stand.port.baud));
    let baud = baud.unwrap_or(BAUD);
    if let Some(path) = &arguments.port {
        return Ok(From::Port(path, baud));
    }
    let Some(stand) = stand else {
        bail!("name the board's port with --port");
    };
    // Whatever answers there has the port, also if it wants a token for more.
    match Line::with_token(stand, None).get("/api/live") {
        Ok(None) => Ok(From::Port(&stand.port.path, baud)),
        Ok(Some(_)) | Err(_) => Ok(From::Daemon(arguments.store.open()?)),
    }
}

fn live_bar() -> ProgressBar {
    let bar = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{msg}") {
        bar.set_style(style);
    }
    bar
}

/// The rate at which a board answers, among the usual ones but `tried`.
async fn other_rate(port: &mut SerialStream, tried: u32) -> Option<u32> {
    for rate in USUAL_BAUDS.into_iter().filter(|rate| *rate != tried) {
        // The port stays open: many a board restarts when it is opened.
        port.set_baud_rate(rate).ok()?;
        port.clear(ClearBuffer::Input).ok()?;
        let mut check = BoardCheck::new();
        let mut ask = vec![0];
        let mut sink = |bytes: &[u8]| ask.extend_from_slice(bytes);
        HostWriter::new()
            .write(Some(Form::Frames), 0, &HostMessage::Identify, &mut sink)
            .ok()?;
        port.write_all(&ask).await.ok()?;
        let clock = Clock::start();
        let mut buffer = [0; 4096];
        while clock.now().mono_us < TRIAL_US {
            let read = tokio::time::timeout(Duration::from_millis(50), port.read(&mut buffer));
            if let Ok(Ok(bytes)) = read.await {
                check.feed(clock.now().mono_us, buffer.get(..bytes).unwrap_or_default());
            }
            if check.is_identified() {
                return Some(rate);
            }
        }
    }
    None
}

/// A board under way.
struct Bench<'a> {
    stand: Option<&'a CalibratedStand>,
    check: BoardCheck,
    bar: Option<ProgressBar>,
    shown_us: u64,
}

impl Bench<'_> {
    /// Shows what there is, from time to time; gives for how long the board has been listened to.
    fn show(&mut self, now_us: u64) {
        if let Some(bar) = &self.bar
            && now_us >= self.shown_us + SHOW_EVERY_US
        {
            self.shown_us = now_us;
            let report = self.check.report(self.stand);
            bar.set_message(format!("{}\n\n{}", line(&report), table(&report)));
        }
    }

    /// Reads the port. Nothing is said to the board but: who are you? So it stays cut.
    async fn listen(&mut self, path: &Path, baud: u32, seconds: f64) -> Result<(), Failure> {
        let mut port = open_port(path, baud)?;
        let shown = path.display().to_string();
        let lost = || shown.clone();
        let clock = Clock::start();
        let mut host = HostWriter::new();
        let mut buffer = [0; 4096];
        let (mut ask_us, mut asked) = (0, false);
        let mut known_us = None;
        port.write_all(&[0]).await.with_context(lost)?;
        loop {
            let now_us = clock.now().mono_us;
            match known_us {
                Some(since) if (now_us - since) as f64 >= seconds * 1e6 => return Ok(()),
                None if self.check.is_identified() => known_us = Some(now_us),
                None if now_us > PATIENCE_US => {
                    let counters = self.check.counters();
                    if counters.bytes_received > 0
                        && counters.frames == 0
                        && let Some(rate) = other_rate(&mut port, baud).await
                    {
                        bail!(
                            "{shown}: the board speaks at {rate} baud, not at {baud}: write baud = {rate} \
                             under [port] in the stand file, or look with --baud {rate}"
                        );
                    }
                    bail!(leverarm_live::no_board_text(&shown, baud, &counters));
                }
                None if now_us >= ask_us => {
                    ask_us = now_us + IDENTIFY_EVERY_US;
                    let first = (!asked).then_some(Form::Frames);
                    asked = true;
                    let mut out = Vec::new();
                    let mut sink = |bytes: &[u8]| out.extend_from_slice(bytes);
                    host.write(
                        self.check.form().or(first),
                        0,
                        &HostMessage::Identify,
                        &mut sink,
                    )?;
                    port.write_all(&out).await.with_context(lost)?;
                }
                Some(_) | None => {}
            }
            let read = port.read(&mut buffer);
            match tokio::time::timeout(Duration::from_millis(50), read).await {
                Ok(Ok(0)) => bail!("{shown}: the port is gone"),
                Ok(Ok(bytes)) => {
                    let come = buffer.get(..bytes).unwrap_or_default();
                    self.check.feed(clock.now().mono_us, come);
                }
                Ok(Err(error)) => return Err(error).with_context(lost),
                Err(_nothing_yet) => {}
            }
            self.show(now_us);
        }
    }

    /// Reads what the running daemon stores.
    fn follow(&mut self, store: &StoreReader, seconds: f64) -> Result<(), Failure> {
        let clock = Clock::start();
        let mut last = store.newest()?.chunk;
        let mut heard_us = 0;
        loop {
            let now_us = clock.now().mono_us;
            for chunk in store.chunks_after(last, 64)? {
                let chunk = chunk?;
                if !self.check.is_identified() {
                    let connection = store.connection(chunk.connection)?;
                    if let Some(hello) = connection.hello {
                        self.check.know(&hello.frame);
                    }
                }
                self.check.feed(chunk.mono_us_last, &chunk.bytes);
                last = chunk.id;
                heard_us = now_us;
            }
            if self.check.is_identified() && self.check.seconds() >= seconds {
                return Ok(());
            }
            if now_us - heard_us > PATIENCE_US {
                bail!(
                    "a daemon runs, but nothing new comes into {}: no board is connected to it, or its \
                     store is another (--store)",
                    store.folder().display()
                );
            }
            self.show(now_us);
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

fn line(report: &Report) -> String {
    let loss = &report.loss;
    format!(
        "{:.1} s: {} bytes, {} frames, {} lost, {} damaged; the board missed {} edges, {} messages",
        report.seconds,
        loss.bytes,
        loss.frames,
        loss.frames_lost,
        loss.frames_damaged,
        loss.captures_lost,
        loss.receive_errors,
    )
}

fn table(report: &Report) -> Table {
    let mut table = Table::new([
        "input",
        "",
        "came",
        "per s",
        "counts",
        "value",
        "mean",
        "noise rms",
        "peak",
    ]);
    let or_empty = |number: Option<f64>| number.map_or_else(String::new, |n| format!("{n:.1}"));
    for input in &report.inputs {
        let counts = input.counts.map_or_else(String::new, |it| it.to_string());
        table.add_row([
            input.input.clone(),
            input.name.clone().unwrap_or_default(),
            input.count.to_string(),
            format!("{:.1}", input.rate_hz),
            counts,
            input.value.clone().unwrap_or_default(),
            or_empty(input.mean_counts),
            or_empty(input.noise_counts_rms),
            or_empty(input.noise_counts_peak),
        ]);
    }
    table.align_right(2..9);
    table
}

fn state(state: &State) -> String {
    let cause = state.cause.unwrap_or("none");
    let cut = if state.cut {
        format!("cut (number {}: {cause})", state.cut_id)
    } else {
        "running: the engine may fire".to_owned()
    };
    let heartbeat = match state.heartbeat_timeout_ms {
        0 => "no heartbeat".to_owned(),
        ms => format!("a heartbeat within {ms} ms"),
    };
    let teeth = match state.tooth_period_ticks_min {
        0 => "no speed limit".to_owned(),
        ticks => format!("teeth at least {ticks} ticks apart"),
    };
    format!("{cut}; guards by itself: {heartbeat}, {teeth}")
}

fn print(from: &From<'_>, report: &Report) {
    say(&format!("from   {}", from.text()));
    if let Some(board) = &report.board {
        say(&format!(
            "board  {}, firmware {}, start {}, {} ticks/s, speaks {}",
            board.board_id, board.firmware, board.boot, board.tick_hz, board.form
        ));
    }
    if let Some(shown) = &report.state {
        say(&format!("state  {}", state(shown)));
    }
    say(&format!("link   {}\n\n{}\n", line(report), table(report)));
    if report.remarks.is_empty() {
        say("wiring: nothing wrong is seen");
    } else {
        say("wiring:");
    }
    for remark in &report.remarks {
        let input = remark.input.as_deref().unwrap_or("link");
        say(&format!("- {input}: {}", remark.text));
    }
}
