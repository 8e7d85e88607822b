//! What takes bytes from outside, for any bytes: nothing panics, and what can be counted adds up.
//!
//! `fuzz/` runs these under coverage-guided fuzzing; `tests/all fuzz` runs the corpus and seeded
//! changes of it.

#![expect(
    clippy::unwrap_used,
    clippy::missing_panics_doc,
    reason = "a target that finds something panics"
)]

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;

use leverarm::rehearsal::{DEMO_STAND, Rehearsal, model_of};
use leverarm::service::{Daemon, PageAccess, ServeOptions};
use leverarm_analysis::overlay::Overlay;
use leverarm_live::{Core, Now, Output, Record};
use leverarm_protocol::{BoardReader, Decoder, Form, FrameWriter, LineDecoder};
use leverarm_store::{ChunkRange, ConnectionId, Store, StoreReader, salvage};
use rusqlite::{Connection, params};

/// Takes any bytes, and panics when something is wrong.
pub type Target = fn(&[u8]);

/// All targets by name.
pub const TARGETS: [(&str, Target); 7] = [
    ("decoder", decoder),
    ("core", core),
    ("config", config),
    ("chunk", chunk),
    ("store", store),
    ("http", http),
    ("overlay", overlay),
];

const DATABASE: &str = "leverarm.sqlite";
/// A database larger than this is no more interesting, only slower.
const STORE_BYTES_MAX: usize = 256 * 1024;

/// However the bytes are split, the same frames and faults come of them, and every byte is accounted
/// for.
pub fn decoder(input: &[u8]) {
    let (split, bytes) = input.split_first().unwrap_or((&1, &[]));
    let piece = usize::from(*split).max(1);
    for form in [Form::Frames, Form::Lines] {
        let (mut whole, mut pieces) = (Vec::new(), Vec::new());
        let mut reader = BoardReader::of(form);
        reader.feed(0, bytes, &mut |reading| whole.push(format!("{reading:?}")));
        let mut other = BoardReader::of(form);
        for part in bytes.chunks(piece) {
            other.feed(0, part, &mut |reading| pieces.push(format!("{reading:?}")));
        }
        assert_eq!(whole, pieces);
        assert_eq!(reader.counters(), other.counters());
        let counters = reader.counters();
        let accounted = counters.bytes_in_frames + counters.bytes_discarded + counters.bytes_idle;
        let pending = reader.pending_bytes() as u64;
        assert_eq!(counters.bytes_received, accounted + pending);
    }
    let mut frames = 0;
    Decoder::new().feed(bytes, &mut |_| frames += 1);
    LineDecoder::from_host().feed(bytes, &mut |_| frames += 1);
    assert!(frames <= 2 * bytes.len() + 2);
}

/// The live core, with a board that said hello before: no panic, no byte lost on its way to the
/// store, no heap of records.
pub fn core(input: &[u8]) {
    let stand = leverarm_config::parse("demo.toml", DEMO_STAND).unwrap();
    let mut core = Core::new(stand);
    let mut out = Output::default();
    let at = |mono_us| Now::new(mono_us, 0);
    core.port_opened(at(0), "fuzz", &mut out);
    let hello = hello();
    core.feed(at(1), &hello, &mut out);
    let mut mono_us = 2;
    for part in input.chunks(61) {
        mono_us += 1 + u64::from(part.first().copied().unwrap_or(0)) * 1_000;
        core.feed(at(mono_us), part, &mut out);
        core.tick(at(mono_us), &mut out);
    }
    core.shut_down(at(mono_us + 1), &mut out);
    let stored: Vec<u8> = out
        .records
        .iter()
        .filter_map(|record| match record {
            Record::Chunk(chunk) => Some(chunk.bytes.as_slice()),
            _ => None,
        })
        .flatten()
        .copied()
        .collect();
    assert!(stored == [hello.as_slice(), input].concat());
    assert!(out.records.len() <= 64 + 8 * input.len());
}

fn hello() -> Vec<u8> {
    use leverarm_protocol::{BoardMessage, Channel, ChannelKind, Hello};
    let channels = [0, 1].map(|number| Channel::new(ChannelKind::Teeth, number, 0).to_bytes());
    let hello = Hello {
        board_id: 1,
        boot: 1,
        firmware: [1, 0, 0],
        tick_hz: 1_000_000,
        channels: &channels,
    };
    let mut writer = FrameWriter::new();
    let bytes = writer.write(0, &BoardMessage::Hello(hello));
    bytes.unwrap().to_vec()
}

/// A stand file: mistakes are told, each with its place; a stand without any can be summed up.
pub fn config(input: &[u8]) {
    let text = String::from_utf8_lossy(input);
    match leverarm_config::parse("stand.toml", &text) {
        Ok(stand) => assert!(!stand.summary().to_string().is_empty()),
        Err(errors) => assert!(!errors.to_string().is_empty()),
    }
}

/// Any row in the table of chunks: read back only if its checksum holds.
pub fn chunk(input: &[u8]) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = Store::open(folder.path()).unwrap();
    let connection = store.add_connection(None, "fuzz", Now::new(0, 0)).unwrap();
    drop(store);
    let (numbers, blob) = input.split_at(input.len().min(24));
    let number = |index: usize| {
        let bytes = numbers.get(4 * index..4 * index + 4).unwrap_or(&[0; 4]);
        i64::from(u32::from_le_bytes(bytes.try_into().unwrap()))
    };
    let database = Connection::open(folder.path().join(DATABASE)).unwrap();
    // What the columns' types refuse never gets in.
    let put = database.execute(
        "INSERT INTO chunks (connection_id, seq, mono_us_first, mono_us_last, wall_us_first, \
         tick_first, bytes_len, checksum, zstd) VALUES (?, ?, ?, ?, 0, ?, ?, ?, ?)",
        params![
            connection.get(),
            number(0) % 5,
            number(1),
            number(2),
            number(3),
            number(4),
            number(5),
            blob,
        ],
    );
    drop(put);
    drop(database);
    let reader = StoreReader::open(folder.path()).unwrap();
    for chunk in reader.chunks(connection, &ChunkRange::All).unwrap() {
        // A CRC-32 that holds by chance: a find in itself.
        assert!(chunk.is_err(), "{chunk:?}");
    }
    assert!(!reader.check().unwrap().is_empty() || put_nothing(&reader, connection));
}

fn put_nothing(reader: &StoreReader, connection: ConnectionId) -> bool {
    reader.chunk_seq_max(connection).unwrap().is_none()
}

/// Any file in the place of the database: an error or a store; and what is saved of it is a store.
pub fn store(input: &[u8]) {
    if input.len() > STORE_BYTES_MAX {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let damaged = folder.path().join("damaged");
    std::fs::create_dir(&damaged).unwrap();
    std::fs::write(damaged.join(DATABASE), input).unwrap();
    if let Ok(reader) = StoreReader::open(&damaged) {
        drop(reader.check());
        drop(reader.pulls());
    }
    let saved = folder.path().join("saved");
    salvage(&damaged, &saved).unwrap();
    assert!(std::fs::read(damaged.join(DATABASE)).unwrap() == input);
    let reader = StoreReader::open(&saved).unwrap();
    reader.pulls().unwrap();
    reader.connections().unwrap();
}

/// A curve from elsewhere in CSV: one curve of numbers with rising speeds, or an error that names the
/// file.
pub fn overlay(input: &[u8]) {
    match Overlay::parse(Path::new("elsewhere.csv"), input) {
        Ok(overlay) => {
            assert!(overlay.points.len() >= 2);
            assert!(overlay.points.is_sorted_by(|a, b| a.0 < b.0));
            let numbers = overlay.points.iter().flat_map(|(rpm, nm)| [rpm, nm]);
            assert!(numbers.into_iter().all(|number| number.is_finite()));
        }
        Err(error) => assert!(error.to_string().contains("elsewhere.csv")),
    }
}

struct Page {
    address: SocketAddr,
    _runtime: tokio::runtime::Runtime,
    _daemon: Daemon,
    _rehearsal: Rehearsal,
    _folder: tempfile::TempDir,
}

fn page() -> &'static Mutex<Page> {
    static PAGE: OnceLock<Mutex<Page>> = OnceLock::new();
    PAGE.get_or_init(|| {
        let mut stand = leverarm_config::parse("demo.toml", DEMO_STAND).unwrap();
        let rehearsal = Rehearsal::start(model_of(&stand), 1).unwrap();
        stand.port.path = rehearsal.path().to_path_buf();
        let folder = tempfile::tempdir().unwrap();
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .unwrap();
        let options = ServeOptions {
            stand,
            stand_text: DEMO_STAND.to_owned(),
            store_folder: folder.path().join("pulls"),
            page_address: None,
            page_access: PageAccess::default(),
        };
        let daemon = runtime.block_on(Daemon::start(options)).unwrap();
        Mutex::new(Page {
            address: daemon.page_address(),
            _runtime: runtime,
            _daemon: daemon,
            _rehearsal: rehearsal,
            _folder: folder,
        })
    })
}

/// Any bytes to the page's port of a daemon: it answers in HTTP or hangs up, and goes on.
/// `HOST` stands for its address.
pub fn http(input: &[u8]) {
    let page = page().lock().unwrap_or_else(PoisonError::into_inner);
    let host = page.address.to_string();
    let mut request = Vec::new();
    let mut rest = input;
    while let Some(at) = rest.windows(4).position(|it| it == b"HOST") {
        request.extend_from_slice(&rest[..at]);
        request.extend_from_slice(host.as_bytes());
        rest = &rest[at + 4..];
    }
    request.extend_from_slice(rest);
    let answer = ask(page.address, &request, true);
    assert!(
        answer.is_empty() || answer.starts_with(b"HTTP/1."),
        "{:?}",
        String::from_utf8_lossy(&answer)
    );
    let alive = format!("GET /api/live HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
    let answer = ask(page.address, alive.as_bytes(), false);
    assert!(
        answer.starts_with(b"HTTP/1.1 200"),
        "the daemon is gone: {:?}",
        String::from_utf8_lossy(&answer)
    );
}

/// The beginning of an answer. A request that may have no end is ended by force, which the daemon may
/// take for a client that went away.
fn ask(address: SocketAddr, request: &[u8], ends: bool) -> Vec<u8> {
    let mut stream = TcpStream::connect(address).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(5)))
        .unwrap();
    // It may hang up while the request is still on its way.
    drop(stream.write_all(request));
    if ends {
        drop(stream.shutdown(std::net::Shutdown::Write));
    }
    let mut answer = vec![0; 4096];
    let got = stream.read(&mut answer).unwrap_or(0);
    answer.truncate(got);
    answer
}
