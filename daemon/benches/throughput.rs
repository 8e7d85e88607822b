//! What the daemon's work costs: the decoder alone, and the whole daemon, as a process of its own,
//! with a board at its full rate, a page and the store.
//!
//! Prints `decode_mb_per_s=… allocations_per_frame=… core_pct_full_rate=… resident_mb=…`, then the
//! same for eight stands in one process.

#![expect(
    clippy::disallowed_methods,
    clippy::print_stdout,
    reason = "measuring and telling is what it is for"
)]

mod rig;

use std::hint::black_box;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crc::{CRC_16_IBM_3740, Crc, Table};
use leverarm::rehearsal::DEMO_STAND;
use leverarm_protocol::{
    Analog, BoardMessage, BoardReader, Channel, ChannelKind, Decoder, FrameWriter, Hello, Limits,
    Status, TeethBatch,
};
use nix::fcntl::{FcntlArg, OFlag, fcntl};

use rig::{Outcome, Terminal, listen, terminal};

const TEETH_PER_S: u64 = 20_000;
const FORCE_HZ: u64 = 80;
const ANALOG_HZ: u64 = 100;
const TICK_HZ: u32 = 1_000_000;
const STEP_US: u64 = 5_000;
const WARM_UP: Duration = Duration::from_secs(4);
const MEASURED: Duration = Duration::from_secs(16);
const STANDS: usize = 8;
/// As a serial port gives them.
const CHUNK_BYTES: usize = 4096;
const ROUNDS: usize = 15;

const DECODE_MB_PER_S_MIN: f64 = 200.0;
const CORE_PCT_MAX: f64 = 10.0;
const RESIDENT_MB_MAX: f64 = 48.0;

/// A board at full rate, in its own time.
struct Board {
    writer: FrameWriter,
    teeth: TeethBatch,
    now_us: u64,
    next_us: [u64; 4],
    frames: u64,
}

impl Board {
    fn new() -> Self {
        Self {
            writer: FrameWriter::new(),
            teeth: TeethBatch::new(0),
            now_us: 0,
            next_us: [0; 4],
            frames: 0,
        }
    }

    fn put(&mut self, tick: u32, message: &BoardMessage<'_>, out: &mut Vec<u8>) -> Outcome<()> {
        let bytes = self.writer.write(tick, message);
        out.extend_from_slice(bytes.map_err(|error| format!("{error:?}"))?);
        self.frames += 1;
        Ok(())
    }

    fn flush_teeth(&mut self, out: &mut Vec<u8>) -> Outcome<()> {
        let batch = std::mem::replace(&mut self.teeth, TeethBatch::new(0));
        match batch.message() {
            Some((tick, message)) => {
                self.put(tick, &message, out)?;
                self.teeth = batch;
                self.teeth.clear();
                Ok(())
            }
            None => Ok(()),
        }
    }

    /// What it sends up to a time.
    fn advance(&mut self, until_us: u64, out: &mut Vec<u8>) -> Outcome<()> {
        const PERIODS_US: [u64; 4] = [
            1_000_000 / TEETH_PER_S,
            1_000_000 / FORCE_HZ,
            1_000_000 / ANALOG_HZ,
            50_000,
        ];
        self.now_us = self.next_us.into_iter().min().unwrap_or(until_us);
        while self.now_us < until_us {
            #[expect(clippy::cast_possible_truncation, reason = "ticks wrap")]
            let tick = self.now_us as u32;
            let due = self.next_us.map(|next_us| next_us <= self.now_us);
            for ((next_us, period_us), due) in self.next_us.iter_mut().zip(PERIODS_US).zip(due) {
                if due {
                    *next_us += period_us;
                }
            }
            let [tooth, force, analog, status] = due;
            if tooth && !self.teeth.push(self.now_us) {
                self.flush_teeth(out)?;
                // An empty one has room.
                let _has_room = self.teeth.push(self.now_us);
            }
            if force {
                let counts = i32::from(tick.to_le_bytes()[1]) + 8_000;
                self.put(tick, &BoardMessage::Force { channel: 0, counts }, out)?;
            }
            if analog {
                // The lowest bits of a real converter are noise.
                let noise = i16::from(tick.to_le_bytes()[1] % 4);
                let counts = [3400 + noise; 16].map(i16::to_le_bytes);
                let scan = Analog {
                    first_channel: 1,
                    counts: &counts,
                };
                self.put(tick, &BoardMessage::Analog(scan), out)?;
                self.flush_teeth(out)?;
            }
            if status {
                let status = Status::running(Limits::default());
                self.put(tick, &BoardMessage::Status(status), out)?;
            }
            self.now_us = self.next_us.into_iter().min().unwrap_or(until_us);
        }
        Ok(())
    }

    fn hello(&mut self, out: &mut Vec<u8>) -> Outcome<()> {
        let channels = [
            (ChannelKind::Teeth, 0, 0),
            (ChannelKind::Force, 0, 80),
            (ChannelKind::Analog, 1, 100),
            (ChannelKind::Simulated, 0, 0),
        ]
        .map(|(kind, number, rate_hz)| Channel::new(kind, number, rate_hz).to_bytes());
        let hello = Hello {
            board_id: 1,
            boot: 1,
            firmware: [1, 0, 0],
            tick_hz: TICK_HZ,
            channels: &channels,
        };
        #[expect(clippy::cast_possible_truncation, reason = "ticks wrap")]
        let tick = self.now_us as u32;
        self.put(tick, &BoardMessage::Hello(hello), out)
    }
}

/// Runs boards behind terminals until told to stop.
fn run_boards(terminals: Vec<Terminal>, stop: Arc<AtomicBool>) -> std::thread::JoinHandle<()> {
    std::thread::spawn(move || {
        let mut boards: Vec<_> = terminals
            .into_iter()
            .map(|terminal| (terminal, Board::new()))
            .collect();
        let begun = Instant::now();
        let mut bytes = Vec::new();
        let mut buffer = [0; 1024];
        let mut said_us = 0;
        while !stop.load(Ordering::Relaxed) {
            let now_us = u64::try_from(begun.elapsed().as_micros()).unwrap_or(u64::MAX);
            let greets = now_us >= said_us;
            if greets {
                said_us = now_us + 500_000;
            }
            for (terminal, board) in &mut boards {
                bytes.clear();
                let made = board.advance(now_us, &mut bytes);
                if greets && board.hello(&mut bytes).is_err() || made.is_err() {
                    return;
                }
                // A daemon that does not read loses bytes, as on a wire.
                drop(terminal.board.write(&bytes));
                while terminal.board.read(&mut buffer).is_ok_and(|got| got > 0) {}
            }
            std::thread::sleep(Duration::from_micros(STEP_US));
        }
    })
}

/// The stand of a board at full rate: a wheel of 360 teeth.
fn stand_text(port: &Path, index: usize) -> String {
    DEMO_STAND
        .replace("/dev/null", &port.display().to_string())
        .replace("teeth = 8", "teeth = 360")
        .replace("limit = \"1780 rpm\"", "limit = \"4000 rpm\"")
        .replace("[[pickup]]\nchannel = 1\non = \"engine\"\nteeth = 1\n", "")
        .replace("folder = \"pulls\"", &format!("folder = \"pulls-{index}\""))
}

struct Cost {
    core_pct: f64,
    resident_mb: f64,
}

/// CPU time of a process so far, in clock ticks of which there are 100 a second, and its memory, kB.
fn usage(process: &Child) -> Outcome<(f64, f64)> {
    let folder = format!("/proc/{}", process.id());
    let stat = std::fs::read_to_string(format!("{folder}/stat"))?;
    // The name may hold spaces: fields are counted behind it.
    let fields: Vec<&str> = stat
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .collect();
    let field = |index: usize| {
        fields
            .get(index)
            .and_then(|field| field.parse::<f64>().ok())
    };
    let (Some(user), Some(system)) = (field(11), field(12)) else {
        return Err("the process's times can't be read".into());
    };
    let status = std::fs::read_to_string(format!("{folder}/status"))?;
    let resident = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .and_then(|line| line.split_whitespace().next()?.parse().ok());
    Ok((
        (user + system) / 100.0,
        resident.ok_or("the process's memory can't be read")?,
    ))
}

/// What so many stands in one daemon cost.
fn run_daemon(stands: usize) -> Outcome<Cost> {
    let folder = tempfile::tempdir()?;
    let mut terminals = Vec::new();
    let mut command = Command::new(env!("CARGO_BIN_EXE_leverarm"));
    command.arg("serve");
    for index in 0..stands {
        let terminal = terminal()?;
        fcntl(&terminal.board, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))?;
        let file = folder.path().join(format!("stand-{index}.toml"));
        std::fs::write(&file, stand_text(&terminal.path, index))?;
        command
            .arg(if index == 0 { "-c" } else { "--also" })
            .arg(file);
        terminals.push(terminal);
    }
    let mut daemon = command
        .env("RUST_LOG", "info")
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    let stop = Arc::new(AtomicBool::new(false));
    let boards = run_boards(terminals, Arc::clone(&stop));
    let measured = measure(&mut daemon, stands);
    daemon.kill()?;
    daemon.wait()?;
    stop.store(true, Ordering::Relaxed);
    boards
        .join()
        .map_err(|_panic| "the boards ended in a panic")?;
    let cost = measured?;
    for index in 0..stands {
        let store =
            leverarm_store::StoreReader::open(folder.path().join(format!("pulls-{index}")))?;
        let bytes = bytes_stored(&store)?;
        let seconds = (WARM_UP + MEASURED).as_secs_f64();
        // Each tooth is two bytes and more; half of what was sent may still be on its way.
        if bytes < TEETH_PER_S as f64 * seconds {
            return Err(format!("stand {index} stored {bytes} bytes only").into());
        }
    }
    Ok(cost)
}

fn bytes_stored(store: &leverarm_store::StoreReader) -> Outcome<f64> {
    let mut bytes = 0;
    for connection in store.connections()? {
        let range = leverarm_store::ChunkRange::All;
        for chunk in store.chunks(connection.id, &range)? {
            bytes += chunk.map_err(|gap| gap.to_string())?.bytes.len();
        }
    }
    Ok(bytes as f64)
}

fn measure(daemon: &mut Child, stands: usize) -> Outcome<Cost> {
    let log = daemon.stderr.take().ok_or("the daemon has no log")?;
    let mut log = BufReader::new(log);
    let mut pages = Vec::new();
    let mut line = String::new();
    while pages.len() < stands {
        line.clear();
        if log.read_line(&mut line)? == 0 {
            return Err("the daemon does not start".into());
        }
        if let Some((_, page)) = line.split_once("page=http://") {
            pages.push(page.trim().parse::<SocketAddr>()?);
        }
    }
    std::thread::spawn(move || std::io::copy(&mut log, &mut std::io::sink()));
    for page in pages {
        listen(page, 1)?;
    }
    std::thread::sleep(WARM_UP);
    let (before_s, _) = usage(daemon)?;
    let begun = Instant::now();
    std::thread::sleep(MEASURED);
    let (after_s, resident_kb) = usage(daemon)?;
    Ok(Cost {
        core_pct: 100.0 * (after_s - before_s) / begun.elapsed().as_secs_f64(),
        resident_mb: resident_kb * 1024.0 * 1e-6,
    })
}

fn fastest_s(mut work: impl FnMut() -> Outcome<()>) -> Outcome<f64> {
    let mut fastest = f64::INFINITY;
    for _ in 0..ROUNDS {
        let begun = Instant::now();
        work()?;
        fastest = fastest.min(begun.elapsed().as_secs_f64());
    }
    Ok(fastest)
}

/// Speed of the decoder, of the libraries' bare work, and allocations of the reader for each frame.
fn decode() -> Outcome<(f64, f64, f64)> {
    let mut board = Board::new();
    let mut stream = Vec::new();
    board.advance(30_000_000, &mut stream)?;
    let megabytes = stream.len() as f64 * 1e-6;
    let decoder_s = fastest_s(|| {
        let mut decoder = Decoder::new();
        let mut frames = 0;
        for chunk in stream.chunks(CHUNK_BYTES) {
            decoder.feed(chunk, &mut |frame| {
                frames += u64::from(black_box(frame).is_ok())
            });
        }
        (frames == board.frames)
            .then_some(())
            .ok_or_else(|| "frames were lost".into())
    })?;
    let crc: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_16_IBM_3740);
    let bare_s = fastest_s(|| {
        let mut body = [0; 256];
        for segment in stream.split(|&byte| byte == 0).filter(|it| !it.is_empty()) {
            let report = cobs::decode(segment, &mut body).map_err(|error| format!("{error:?}"))?;
            let body = body.get(..report.frame_size()).unwrap_or_default();
            let (checked, sum) = body.split_last_chunk::<2>().ok_or("a short frame")?;
            if crc.checksum(checked) != u16::from_le_bytes(*sum) {
                return Err("a wrong checksum".into());
            }
        }
        Ok(())
    })?;
    let mut reader = BoardReader::new();
    let allocated = allocation_counter::measure(|| {
        for chunk in stream.chunks(CHUNK_BYTES) {
            reader.feed(0, chunk, &mut |reading| {
                black_box(&reading);
            });
        }
    });
    let per_frame = allocated.count_total as f64 / board.frames as f64;
    Ok((megabytes / decoder_s, decoder_s / bare_s, per_frame))
}

fn main() -> Outcome<ExitCode> {
    let (decode_mb_per_s, ratio, allocations_per_frame) = decode()?;
    println!("time_beside_bare_crc_cobs={ratio:.2}");
    let one = run_daemon(1)?;
    println!(
        "decode_mb_per_s={decode_mb_per_s:.0} allocations_per_frame={allocations_per_frame} \
         core_pct_full_rate={:.1} resident_mb={:.1}",
        one.core_pct, one.resident_mb
    );
    let eight = run_daemon(STANDS)?;
    println!(
        "stands={STANDS} core_pct_full_rate={:.1} resident_mb={:.1}",
        eight.core_pct, eight.resident_mb
    );
    let passed = decode_mb_per_s >= DECODE_MB_PER_S_MIN
        && allocations_per_frame == 0.0
        && one.core_pct <= CORE_PCT_MAX
        && one.resident_mb <= RESIDENT_MB_MAX;
    Ok(ExitCode::from(u8::from(!passed)))
}
