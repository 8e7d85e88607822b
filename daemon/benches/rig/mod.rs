//! What the benches put around a daemon: pseudo-terminals, pages that listen, a time-series server
//! that takes everything.

#![allow(
    dead_code,
    clippy::allow_attributes,
    reason = "each bench takes what it needs"
)]

use std::error::Error;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use leverarm_protocol::{Channel, ChannelKind};
use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

pub(crate) type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

/// A raw pseudo-terminal: the board's end, and what the daemon opens.
pub(crate) struct Terminal {
    pub(crate) board: File,
    pub(crate) path: PathBuf,
    /// Open as long as the terminal is, so that the board's end never sees it closed.
    pub(crate) host: OwnedFd,
}

/// An input as a hello lists it.
pub(crate) fn listed((kind, number): (ChannelKind, u8)) -> [u8; 4] {
    let rate_hz = 0;
    let channel = Channel::new(kind, number, rate_hz);
    channel.to_bytes()
}

pub(crate) fn terminal() -> Outcome<Terminal> {
    let pty = openpty(None, None)?;
    let mut raw = tcgetattr(&pty.slave)?;
    cfmakeraw(&mut raw);
    tcsetattr(&pty.slave, SetArg::TCSANOW, &raw)?;
    Ok(Terminal {
        board: File::from(pty.master),
        path: nix::unistd::ttyname(&pty.slave)?,
        host: pty.slave,
    })
}

/// Opens so many pages' streams of live values; they read until the daemon ends. The counter counts
/// the bytes that they got.
pub(crate) fn listen(page: SocketAddr, clients: usize) -> Outcome<Arc<AtomicU64>> {
    let bytes = Arc::new(AtomicU64::new(0));
    for _ in 0..clients {
        let mut stream = TcpStream::connect(page)?;
        write!(
            stream,
            "GET /api/live/stream HTTP/1.1\r\nHost: {page}\r\nAccept: text/event-stream\r\n\r\n"
        )?;
        let mut status = String::new();
        let mut reader = BufReader::new(stream);
        reader.read_line(&mut status)?;
        if !status.contains("200") {
            return Err(format!("the stream of live values answers {status:?}").into());
        }
        let counted = Arc::clone(&bytes);
        std::thread::spawn(move || {
            let mut buffer = [0; 16_384];
            while let Ok(got @ 1..) = reader.read(&mut buffer) {
                counted.fetch_add(got as u64, Ordering::Relaxed);
            }
        });
    }
    Ok(bytes)
}

/// A time-series server that takes all and keeps nothing. Returns its address and the count of its
/// requests.
pub(crate) fn sink() -> Outcome<(SocketAddr, Arc<AtomicU64>)> {
    let listener = TcpListener::bind("127.0.0.1:0")?;
    let address = listener.local_addr()?;
    let requests = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&requests);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let counted = Arc::clone(&counted);
            std::thread::spawn(move || answer(stream, &counted));
        }
    });
    Ok((address, requests))
}

fn answer(stream: TcpStream, counted: &AtomicU64) -> Option<()> {
    let mut writer = stream.try_clone().ok()?;
    let mut reader = BufReader::new(stream);
    loop {
        let mut length = 0;
        loop {
            let mut line = String::new();
            if reader.read_line(&mut line).ok()? == 0 {
                return None;
            }
            let line = line.to_ascii_lowercase();
            if let Some(value) = line.strip_prefix("content-length:") {
                length = value.trim().parse().ok()?;
            }
            if line.trim().is_empty() {
                break;
            }
        }
        std::io::copy(&mut reader.by_ref().take(length), &mut std::io::sink()).ok()?;
        writer.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").ok()?;
        counted.fetch_add(1, Ordering::Relaxed);
    }
}

/// The value below which a share of the sorted values lies.
pub(crate) fn share(sorted: &[f64], share: f64) -> f64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index from a share of a length"
    )]
    let index = (share * sorted.len() as f64) as usize;
    sorted
        .get(index.min(sorted.len().saturating_sub(1)))
        .copied()
        .unwrap_or(f64::NAN)
}
