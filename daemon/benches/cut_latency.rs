//! How long the daemon takes from the last byte of an over-limit frame to its cut frame, over a
//! pseudo-terminal, beside a bare loop of a blocking read and a blocking write on the same machine in
//! the same run. Both get the same status, force and analog frames all the time, and the same frame of
//! teeth to answer; the bare loop answers any.
//!
//! Each round is a pull: the drum speeds up until its overspeed guard cuts. The board's time runs
//! faster than the clock, so that there are many rounds; pages listen and a destination streams all
//! the while, and each pull goes into the store. Prints `p99_ratio=… max_ms=…`, after some four minutes.
//!
//! Both loops, and the board that measures, have the same priority: the ordinary one, and with
//! `cargo bench --bench cut_latency -- --real-time` the real-time one of a stand file with
//! `real_time = true`, where the system grants it.

#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "measuring and telling is what it is for"
)]

mod rig;

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::AsFd;
use std::process::ExitCode;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use indicatif::ProgressBar;
use leverarm::rehearsal::DEMO_STAND;
use leverarm::service::{Daemon, Handle, PageAccess, ServeOptions, ask_for_real_time};
use leverarm_live::{Command, CutLatch};
use leverarm_protocol::{
    Analog, BoardMessage, BoardState, ChannelKind, CutCause, Decoder, FrameWriter, Hello,
    HostMessage, Limits, Status, TeethBatch, kind,
};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

use rig::{Outcome, Terminal, listen, share, sink, terminal};

const ROUNDS: usize = 400;
const CLIENTS: usize = 10;
const RATIO_MAX: f64 = 1.5;
const TICK_HZ: u32 = 100_000;
const TEETH: f64 = 8.0;
/// The drum's speed at rest between pulls, at the end of a pull, and above the limit of 1780 rpm.
const LOW_RPM: f64 = 500.0;
const HIGH_RPM: f64 = 1720.0;
const OVER_RPM: f64 = 1900.0;
const RPM_PER_S: f64 = 400.0;
/// The guard believes a speed after two pitches.
const OVER_TEETH: usize = 3;
/// Status, analog inputs and force come so often, in real time.
const PERIOD: Duration = Duration::from_millis(10);
const PATIENCE: Duration = Duration::from_secs(10);
/// A release is asked for so often: a guard clears half a second of the board's time after its limit.
const ATTEMPTS: u32 = 200;

struct Board {
    port: File,
    /// Who gets what comes all the time, too.
    beside: Option<File>,
    writer: FrameWriter,
    decoder: Decoder,
    limits: Limits,
    cut_id: u16,
    is_cut: bool,
    tick: f64,
    batch: TeethBatch,
    heard: Vec<Instant>,
}

impl Board {
    fn new(port: File, beside: Option<File>) -> Self {
        Self {
            port,
            beside,
            writer: FrameWriter::new(),
            decoder: Decoder::new(),
            limits: Limits::default(),
            cut_id: 0,
            is_cut: false,
            tick: 0.0,
            batch: TeethBatch::new(0),
            heard: Vec::new(),
        }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a positive time that wraps"
    )]
    fn now(&self) -> u32 {
        self.tick as u64 as u32
    }

    fn frame(&mut self, tick: u32, message: &BoardMessage<'_>) -> Outcome<Vec<u8>> {
        let bytes = self.writer.write(tick, message);
        Ok(bytes.map_err(|error| format!("{error:?}"))?.to_vec())
    }

    fn send(&mut self, message: &BoardMessage<'_>) -> Outcome<()> {
        let bytes = self.frame(self.now(), message)?;
        if let Some(beside) = &mut self.beside {
            beside.write_all(&bytes)?;
        }
        Ok(self.port.write_all(&bytes)?)
    }

    fn hello(&mut self) -> Outcome<()> {
        let channels = [
            (ChannelKind::Teeth, 0),
            (ChannelKind::Teeth, 1),
            (ChannelKind::Analog, 1),
        ]
        .map(rig::listed);
        self.send(&BoardMessage::Hello(Hello {
            board_id: 1,
            boot: 1,
            firmware: [1, 0, 0],
            tick_hz: TICK_HZ,
            channels: &channels,
        }))
    }

    fn status(&mut self) -> Outcome<()> {
        let status = Status {
            state: if self.is_cut {
                BoardState::Cut
            } else {
                BoardState::Running
            },
            cut_id: self.cut_id,
            cause: self.is_cut.then_some(CutCause::HostCommand),
            captures_lost: 0,
            receive_errors: 0,
            limits: self.limits.clone(),
        };
        self.send(&BoardMessage::Status(status))
    }

    /// What comes all the time in addition to teeth.
    fn other(&mut self) -> Outcome<()> {
        self.tick += 1.0;
        self.status()?;
        let counts = [3400_i16; 16].map(i16::to_le_bytes);
        self.send(&BoardMessage::Analog(Analog {
            first_channel: 1,
            counts: &counts,
        }))?;
        self.send(&BoardMessage::Force {
            channel: 0,
            counts: 1000,
        })
    }

    /// Frames of teeth from one speed to another.
    fn teeth(&mut self, from_rpm: f64, to_rpm: f64, rpm_per_s: f64) -> Outcome<Vec<u8>> {
        let mut rpm = from_rpm;
        let mut bytes = Vec::new();
        let mut batch = std::mem::replace(&mut self.batch, TeethBatch::new(0));
        let seconds = (to_rpm - from_rpm).abs() / rpm_per_s;
        let ends = self.tick + seconds.max(0.0) * f64::from(TICK_HZ);
        let mut left = if seconds > 0.0 {
            usize::MAX
        } else {
            OVER_TEETH
        };
        while left > 0 && (seconds <= 0.0 || self.tick < ends) {
            let pitch_s = 60.0 / rpm / TEETH;
            self.tick += pitch_s * f64::from(TICK_HZ);
            rpm += (to_rpm - from_rpm).signum() * rpm_per_s * pitch_s;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "a positive time"
            )]
            let tick = self.tick as u64;
            if !batch.push(tick) {
                if let Some((first, message)) = batch.message() {
                    bytes.extend(self.frame(first, &message)?);
                }
                batch.clear();
                // An empty one has room.
                let _has_room = batch.push(tick);
            }
            left = left.saturating_sub(1);
        }
        if let Some((first, message)) = batch.message() {
            bytes.extend(self.frame(first, &message)?);
        }
        batch.clear();
        self.batch = batch;
        Ok(bytes)
    }

    /// Takes what the host said within this time.
    fn hear(&mut self, wait: Duration) -> Outcome<()> {
        if !readable(&self.port, wait)? {
            return Ok(());
        }
        let mut buffer = [0; 1024];
        let got = self.port.read(&mut buffer)?;
        let at = Instant::now();
        let mut said = Vec::new();
        let bytes = buffer.get(..got).unwrap_or_default();
        self.decoder.feed(bytes, &mut |frame| {
            said.extend(frame.ok().and_then(|frame| HostMessage::parse(&frame).ok()));
        });
        for message in said {
            match message {
                HostMessage::Cut { .. } => {
                    self.heard.push(at);
                    if !std::mem::replace(&mut self.is_cut, true) {
                        self.cut_id += 1;
                    }
                }
                HostMessage::Release { cut_id } if cut_id == self.cut_id => self.is_cut = false,
                HostMessage::Limits(limits) => self.limits = limits,
                HostMessage::Identify => self.hello()?,
                HostMessage::Heartbeat | HostMessage::Release { .. } | HostMessage::Load(_) => {}
            }
        }
        Ok(())
    }

    /// Goes on as a board does until something is true.
    fn until(&mut self, what: &str, mut is: impl FnMut(&mut Self) -> bool) -> Outcome<()> {
        let begun = Instant::now();
        while !is(self) {
            if begun.elapsed() > PATIENCE {
                return Err(format!("waited in vain for {what}").into());
            }
            self.other()?;
            self.hear(PERIOD)?;
        }
        Ok(())
    }

    fn idle(&mut self, time: Duration) -> Outcome<()> {
        let begun = Instant::now();
        self.until("the time to pass", |_| begun.elapsed() >= time)
    }

    /// The over-limit frame goes out; the time until the cut frame is here. Before it passes a while, so
    /// that it is in step with nothing: the board's last word and the host's heartbeat end waiting.
    fn provoke(&mut self, frame: &[u8], after: Duration) -> Outcome<Duration> {
        std::thread::sleep(after);
        while readable(&self.port, Duration::ZERO)? {
            self.hear(Duration::ZERO)?;
        }
        self.heard.clear();
        let begun = Instant::now();
        self.port.write_all(frame)?;
        while self.heard.is_empty() {
            self.hear(PATIENCE)?;
            if begun.elapsed() > PATIENCE {
                return Err("no cut came".into());
            }
        }
        let at = self.heard.first().copied().unwrap_or(begun);
        Ok(at.duration_since(begun))
    }
}

fn readable(port: &File, wait: Duration) -> Outcome<bool> {
    let timeout = PollTimeout::try_from(wait)?;
    let mut polled = [PollFd::new(port.as_fd(), PollFlags::POLLIN)];
    Ok(poll(&mut polled, timeout)? > 0)
}

/// The loop to be measured against: reads, and when a whole frame of teeth is there, writes a cut.
fn bare_loop(terminal: Terminal, real_time: bool) -> Outcome<File> {
    let Terminal { board, path, host } = terminal;
    let mut port = File::options().read(true).write(true).open(path)?;
    let mut writer = FrameWriter::new();
    let cut = writer
        .write(0, &HostMessage::Cut { reason: 1 })
        .map_err(|error| format!("{error:?}"))?
        .to_vec();
    std::thread::spawn(move || {
        let _kept_open = host;
        if real_time {
            ask_for_real_time();
        }
        let mut buffer = [0; 4096];
        while let Ok(got @ 1..) = port.read(&mut buffer) {
            let bytes = buffer.get(..got).unwrap_or_default();
            // Before a frame's kind are COBS's first code and the version.
            let mut frames = bytes.split_inclusive(|byte| *byte == 0);
            let is_teeth =
                |frame: &[u8]| frame.get(2) == Some(&kind::TEETH) && frame.ends_with(&[0]);
            if frames.any(is_teeth) && port.write_all(&cut).is_err() {
                return;
            }
        }
    });
    Ok(board)
}

/// Ends the cut in force, as soon as no guard sees a reason for it any more.
fn release(board: &mut Board, handle: &Handle) -> Outcome<()> {
    let live = handle.live();
    let latch = || live.borrow().cut.latch;
    for _ in 0..ATTEMPTS {
        let begun = Instant::now();
        board.until("the cut to be known", |_| {
            latch() == CutLatch::Confirmed || begun.elapsed() > PATIENCE / 2
        })?;
        let cut_id = live.borrow().cut.cut_id.unwrap_or(0);
        let asked = handle.clone();
        let command = tokio::runtime::Handle::current()
            .spawn(async move { asked.command(Command::Release { cut_id }).await });
        board.until("an answer", |_| command.is_finished())?;
        board.idle(3 * PERIOD)?;
        if !board.is_cut && latch() == CutLatch::Running {
            return Ok(());
        }
    }
    Err("the cut was not released".into())
}

fn round(
    board: &mut Board,
    bare: &mut Board,
    handle: &Handle,
    number: usize,
) -> Outcome<(f64, f64)> {
    let rise = board.teeth(LOW_RPM, HIGH_RPM, RPM_PER_S)?;
    board.port.write_all(&rise)?;
    // Not in step with anything else that happens now and then.
    board.idle(Duration::from_millis(23 + (number as u64 * 7) % 31))?;
    let over = board.teeth(OVER_RPM, OVER_RPM, RPM_PER_S)?;
    let after = Duration::from_micros(1_000 + (number as u64 * 1_237) % 5_000);
    let measure_bare = |bare: &mut Board| bare.provoke(&over, after);
    let (own, other);
    if number.is_multiple_of(2) {
        own = board.provoke(&over, after)?;
        other = measure_bare(bare)?;
    } else {
        other = measure_bare(bare)?;
        own = board.provoke(&over, after)?;
    }
    let fall = board.teeth(OVER_RPM, LOW_RPM, 2.0 * RPM_PER_S)?;
    board.port.write_all(&fall)?;
    release(board, handle)?;
    let ms = |time: Duration| time.as_secs_f64() * 1e3;
    Ok((ms(own), ms(other)))
}

fn measure(handle: &Handle, port: File, bare: File) -> Outcome<(Vec<f64>, Vec<f64>)> {
    let mut board = Board::new(port, Some(bare.try_clone()?));
    let mut bare = Board::new(bare, None);
    board.hello()?;
    let live = handle.live();
    board.until("limits in force", |_| live.borrow().fit)?;
    let steady = board.teeth(LOW_RPM - 100.0, LOW_RPM, RPM_PER_S)?;
    board.port.write_all(&steady)?;
    board.idle(Duration::from_millis(300))?;
    let (mut own, mut other) = (Vec::new(), Vec::new());
    let bar = ProgressBar::new(ROUNDS as u64);
    for number in 0..ROUNDS {
        bar.inc(1);
        let (one, two) = round(&mut board, &mut bare, handle, number)?;
        own.push(one);
        other.push(two);
    }
    bar.finish_and_clear();
    own.sort_by(f64::total_cmp);
    other.sort_by(f64::total_cmp);
    Ok((own, other))
}

fn main() -> Outcome<ExitCode> {
    // `RUST_LOG=info` tells what the daemon makes of it.
    let said = std::env::var("RUST_LOG").unwrap_or_else(|_| "error".to_owned());
    tracing_subscriber::registry()
        .with(said.parse::<Targets>()?)
        .with(tracing_subscriber::fmt::layer().with_writer(std::io::stderr))
        .try_init()?;
    let port = terminal()?;
    let real_time = std::env::args().any(|argument| argument == "--real-time");
    let bare = bare_loop(terminal()?, real_time)?;
    let (server, requests) = sink()?;
    let text = DEMO_STAND
        .replace("end_speed = \"8900 rpm\"", "end_speed = \"9700 rpm\"")
        // A machine so busy that nothing comes for half a second is not what is measured.
        .replace("limit = \"500 ms\"", "limit = \"10 s\"")
        .replace("[[pickup]]\nchannel = 1\non = \"engine\"\nteeth = 1\n", "")
        + &format!(
            "\n[[stream]]\nname = \"sink\"\nkind = \"v2\"\nurl = \"http://{server}\"\n\
             bucket = \"bench\"\n"
        );
    let mut stand = leverarm_config::parse("bench.toml", &text)?;
    stand.board.self_test_age_s_max = Some(0);
    stand.port.path.clone_from(&port.path);
    stand.port.real_time = real_time;
    let folder = tempfile::tempdir()?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let (own, other, pulls) = runtime.block_on(async {
        let daemon = Daemon::start(ServeOptions {
            stand,
            stand_text: text,
            store_folder: folder.path().join("pulls"),
            page_address: None,
            page_access: PageAccess::default(),
        })
        .await?;
        let handle = daemon.handle();
        let heard = listen(daemon.page_address(), CLIENTS)?;
        let measured = handle.clone();
        let board = tokio::task::spawn_blocking(move || {
            if real_time {
                ask_for_real_time();
            }
            measure(&measured, port.board, bare)
        });
        let (own, other) = board.await??;
        let pulls = handle.stored().borrow().pulls;
        println!(
            "rounds={ROUNDS} real_time={real_time} pages={CLIENTS} page_mb={:.1} stream_requests={}",
            heard.load(Ordering::Relaxed) as f64 * 1e-6,
            requests.load(Ordering::Relaxed)
        );
        daemon.stop().await?;
        Outcome::Ok((own, other, pulls))
    })?;
    let last = |sorted: &[f64]| sorted.last().copied().unwrap_or(f64::NAN);
    let ratio = share(&own, 0.99) / share(&other, 0.99);
    println!(
        "cut_p50_ms={:.3} cut_p99_ms={:.3} bare_p50_ms={:.3} bare_p99_ms={:.3} bare_max_ms={:.3} \
         pull_changes={pulls}",
        share(&own, 0.5),
        share(&own, 0.99),
        share(&other, 0.5),
        share(&other, 0.99),
        last(&other),
    );
    println!("p99_ratio={ratio:.2} max_ms={:.3}", last(&own));
    if pulls < ROUNDS as u64 {
        println!("expected a pull in the store for each of {ROUNDS} rounds");
        return Ok(ExitCode::FAILURE);
    }
    Ok(ExitCode::from(u8::from(ratio > RATIO_MAX)))
}
