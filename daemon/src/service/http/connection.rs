//! Connections: how many, how long they may stay silent, and what becomes of one that takes nothing.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::Sleep;

use super::access::Peer;
use super::{Access, Handle, Web, router};

/// Connections at the same time; more are closed at once.
const CONNECTIONS_MAX: usize = 128;
const BACKLOG: u32 = 128;
/// Time for the head of a request, and for the next one on a connection that is kept.
const HEAD_TIMEOUT: Duration = Duration::from_secs(15);
/// A client that takes no byte for so long is dropped.
const STUCK_TIMEOUT: Duration = Duration::from_secs(5);
/// Bytes on their way to a client. Small, so that a slow client sees little that is old: a second
/// or so of live values.
const SEND_BUFFER_BYTES: u32 = 32 * 1024;
/// Answers under way when the daemon stops have so long.
const GRACE: Duration = Duration::from_millis(500);
/// Pause after an accept that failed, for want of file handles perhaps.
const ACCEPT_PAUSE: Duration = Duration::from_millis(200);

/// Opens the page's address.
pub(in crate::service) fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = match address {
        SocketAddr::V4(_) => TcpSocket::new_v4()?,
        SocketAddr::V6(_) => TcpSocket::new_v6()?,
    };
    socket.set_reuseaddr(true)?;
    // Accepted connections inherit it.
    socket.set_send_buffer_size(SEND_BUFFER_BYTES)?;
    socket.bind(address)?;
    socket.listen(BACKLOG)
}

/// Serves until the stop.
pub(in crate::service) async fn serve(
    listener: TcpListener,
    handle: Handle,
    access: Access,
    mut stopped: watch::Receiver<bool>,
) {
    let web = Web::new(handle, access);
    let app = router(&web);
    let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            // The sender gone means the same as a stop.
            _ = stopped.wait_for(|stop| *stop) => break,
            Some(_) = connections.join_next(), if !connections.is_empty() => continue,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, peer)) => {
                let Ok(permit) = Arc::clone(&room).try_acquire_owned() else {
                    web.counts
                        .connections_refused
                        .fetch_add(1, Ordering::Relaxed);
                    tracing::warn!(%peer, "too many connections: this one is closed");
                    continue;
                };
                let app = app.clone().layer(Extension(Peer(peer.ip())));
                let stream = Patient::new(stream, Arc::clone(&web.counts.slow_clients_dropped));
                let stopped = stopped.clone();
                connections.spawn(async move {
                    attend(stream, app, stopped).await;
                    drop(permit);
                });
            }
            Err(error) => {
                tracing::warn!(%error, "a connection could not be accepted");
                tokio::time::sleep(ACCEPT_PAUSE).await;
            }
        }
    }
    drop(listener);
    let drained = tokio::time::timeout(GRACE, async {
        while connections.join_next().await.is_some() {}
    });
    if drained.await.is_err() {
        tracing::debug!(
            open = connections.len(),
            "connections are closed before their end"
        );
    }
}

async fn attend(stream: Patient, app: Router, mut stopped: watch::Receiver<bool>) {
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIMEOUT)
        .max_headers(64)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(app));
    tokio::pin!(connection);
    let ended = tokio::select! {
        ended = &mut connection => ended,
        () = async { drop(stopped.wait_for(|stop| *stop).await) } => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, "a connection ended early");
    }
}

/// A stream that fails when its client takes nothing for [`STUCK_TIMEOUT`].
struct Patient {
    stream: TcpStream,
    stuck: Option<Pin<Box<Sleep>>>,
    dropped: Arc<AtomicU64>,
}

impl Patient {
    fn new(stream: TcpStream, dropped: Arc<AtomicU64>) -> Self {
        // Live values are small and must not wait for company.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "no-delay is not to be had");
        }
        Self {
            stream,
            stuck: None,
            dropped,
        }
    }

    fn judge<T>(
        &mut self,
        written: Poll<io::Result<T>>,
        cx: &mut Context<'_>,
    ) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stuck = None;
            return written;
        }
        let stuck = self
            .stuck
            .get_or_insert_with(|| Box::pin(tokio::time::sleep(STUCK_TIMEOUT)));
        ready!(stuck.as_mut().poll(cx));
        self.dropped.fetch_add(1, Ordering::Relaxed);
        tracing::debug!("a client that takes nothing is dropped");
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Patient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.judge(written, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(cx, slices);
        self.judge(written, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
