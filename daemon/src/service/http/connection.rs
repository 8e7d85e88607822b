//! Connections: how long they may stay silent, and what becomes of one that takes nothing.
//!
//! They have a thread of their own, which does no more than take requests and hand out answers. A cut
//! goes from it straight to the guard thread; everything else is worked out on the common runtime, so
//! that no crowd of readers can hold up a cut.

use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use axum::response::{IntoResponse, Response};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use nix::sys::resource::{Resource, getrlimit, setrlimit};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::runtime;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::Sleep;

use super::access::Peer;
use super::problem::Problem;
use super::room::{FILES, Origin, Room, Taken};
use super::{Access, CUT_PATHS, Handle, Web, router};
use crate::clock::Clock;

/// Connections that the system has taken and this thread has not.
const BACKLOG: u32 = 1024;
/// Time for the head of a request, and for the next one on a connection that is kept.
const HEAD_TIMEOUT: Duration = Duration::from_secs(5);
/// The one who cuts keeps the place for so long, until the answer is out: who is told nothing may believe
/// that nothing was cut.
const CUT_STAYS_US: u64 = 2_000_000;
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
pub(in crate::service) fn listen(address: SocketAddr) -> io::Result<std::net::TcpListener> {
    let socket = match address {
        SocketAddr::V4(_) => TcpSocket::new_v4()?,
        SocketAddr::V6(_) => TcpSocket::new_v6()?,
    };
    socket.set_reuseaddr(true)?;
    // Accepted connections inherit it.
    socket.set_send_buffer_size(SEND_BUFFER_BYTES)?;
    socket.bind(address)?;
    socket.listen(BACKLOG)?.into_std()
}

/// Starts the thread of the connections. It ends with the stop.
pub(in crate::service) fn start(
    listener: std::net::TcpListener,
    handle: Handle,
    access: Access,
    stopped: watch::Receiver<bool>,
) -> io::Result<std::thread::JoinHandle<()>> {
    let web = Web::new(handle, access);
    let work = runtime::Handle::current();
    allow_files();
    let runtime = runtime::Builder::new_current_thread()
        .enable_all()
        .build()?;
    std::thread::Builder::new()
        .name("page".to_owned())
        .spawn(move || {
            let served = runtime.block_on(serve(listener, &web, &work, stopped));
            if let Err(error) = served {
                tracing::error!(%error, "the page can't be served");
            }
        })
}

/// Asks the system for room for all connections, as far as this user may have it.
fn allow_files() {
    let asked = getrlimit(Resource::RLIMIT_NOFILE).and_then(|(now, most)| {
        let wanted = FILES.min(most).max(now);
        setrlimit(Resource::RLIMIT_NOFILE, wanted, most)
    });
    if let Err(error) = asked {
        tracing::warn!(%error, "no room for more open files: a crowd of clients may fill it");
    }
}

async fn serve(
    listener: std::net::TcpListener,
    web: &Arc<Web>,
    work: &runtime::Handle,
    mut stopped: watch::Receiver<bool>,
) -> io::Result<()> {
    let listener = TcpListener::from_std(listener)?;
    let app = router(web);
    let clock = web.access.clock();
    let room = Arc::new(Room::default());
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
                let origin = Origin::of(peer, stream.local_addr().ok());
                let (place, others_left) = room.enter(origin, clock.now().mono_us);
                if others_left > 0 {
                    let closed = u64::try_from(others_left).unwrap_or(u64::MAX);
                    web.counts
                        .connections_closed
                        .fetch_add(closed, Ordering::Relaxed);
                    tracing::debug!(%peer, closed, "many connections: the quietest are closed");
                }
                let peer = Peer {
                    address: peer.ip(),
                    here: origin.here,
                };
                let dropped = Arc::clone(&web.counts.slow_clients_dropped);
                let stream = Patient::new(stream, dropped, place.moved_us(), clock);
                let visit = Visit {
                    peer,
                    app: TowerToHyperService::new(app.clone()),
                    work: work.clone(),
                };
                connections.spawn(attend(stream, place, visit, stopped.clone()));
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
    Ok(())
}

async fn attend(stream: Patient, place: Taken, visit: Visit, mut stopped: watch::Receiver<bool>) {
    let (moved_us, clock) = (place.moved_us(), stream.clock);
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_TIMEOUT)
        .max_headers(64)
        .serve_connection(
            TokioIo::new(stream),
            service_fn(|request| {
                let cuts = CUT_PATHS.contains(&request.uri().path());
                // The answer, once it is out, moves the place back to the present.
                let ahead_us = if cuts { CUT_STAYS_US } else { 0 };
                moved_us.store(clock.now().mono_us + ahead_us, Ordering::Relaxed);
                visit.answer(request, cuts)
            }),
        );
    tokio::pin!(connection);
    let ended = tokio::select! {
        // What has come is looked at before the place is given up: it may be a cut.
        biased;
        ended = &mut connection => ended,
        () = place.wanted() => {
            let now_us = clock.now().mono_us;
            let stays_us = moved_us.load(Ordering::Relaxed).saturating_sub(now_us);
            if stays_us == 0 {
                return;
            }
            connection.as_mut().graceful_shutdown();
            let stays = Duration::from_micros(stays_us);
            tokio::time::timeout(stays, connection).await.unwrap_or(Ok(()))
        }
        () = async { drop(stopped.wait_for(|stop| *stop).await) } => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, "a connection ended early");
    }
}

/// Who asks, and who answers.
struct Visit {
    peer: Peer,
    app: TowerToHyperService<Router>,
    work: runtime::Handle,
}

impl Visit {
    /// Answers a request: a cut here, at once, anything else on the common runtime. The work ends with
    /// the client.
    fn answer(
        &self,
        mut request: Request<Incoming>,
        cuts: bool,
    ) -> impl Future<Output = Result<Response, std::convert::Infallible>> + use<> {
        request.extensions_mut().insert(self.peer);
        let (app, work) = (self.app.clone(), self.work.clone());
        async move {
            if cuts {
                return app.call(request).await;
            }
            let mut tasks = JoinSet::new();
            tasks.spawn_on(async move { app.call(request).await }, &work);
            match tasks.join_next().await {
                Some(Ok(answered)) => answered,
                _ => Ok(Problem::internal("the request could not be worked out").into_response()),
            }
        }
    }
}

/// A stream that fails when its client takes nothing for [`STUCK_TIMEOUT`].
struct Patient {
    stream: TcpStream,
    stuck: Option<Pin<Box<Sleep>>>,
    dropped: Arc<AtomicU64>,
    moved_us: Arc<AtomicU64>,
    clock: Clock,
}

impl Patient {
    fn new(
        stream: TcpStream,
        dropped: Arc<AtomicU64>,
        moved_us: Arc<AtomicU64>,
        clock: Clock,
    ) -> Self {
        // Live values are small and must not wait for company.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "no-delay is not to be had");
        }
        Self {
            stream,
            stuck: None,
            dropped,
            moved_us,
            clock,
        }
    }

    fn judge<T>(
        &mut self,
        written: Poll<io::Result<T>>,
        cx: &mut Context<'_>,
    ) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stuck = None;
            self.moved_us
                .store(self.clock.now().mono_us, Ordering::Relaxed);
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
