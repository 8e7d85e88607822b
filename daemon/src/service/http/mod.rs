//! The HTTP side of the daemon: what the page, the command line and other programs talk to.
//!
//! `HTTP.md` tells how to use it; `assets/page/openapi.json` is its contract, and the tests hold the
//! running daemon to it.

mod access;
mod answer;
mod api;
mod assets;
mod commission;
mod connection;
mod curves;
mod cut_form;
mod journal;
mod load;
mod metrics;
mod plan;
mod problem;
mod pulls;
mod request;
mod room;
mod shelf;
mod stream;
mod tokens;

use std::sync::Arc;
use std::sync::atomic::AtomicU64;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware;
use axum::routing::{get, post};
use tokio::sync::Semaphore;

use super::Handle;
use problem::Problem;

pub(super) use access::Access;
pub use access::PageAccess;
pub(super) use connection::{listen, start};
pub(super) use tokens::write as write_tokens;
pub use tokens::{read_token_file, token_of_store};

/// Largest body of a request. A setup with long notes stays far below it.
const BODY_BYTES_MAX: usize = 64 * 1024;
/// Requests that cut. They wait for nothing.
const CUT_PATHS: [&str; 2] = ["/api/cut", "/cut"];
/// Pages of this machine that listen at the same time, and as many of the network; more are refused,
/// and said so.
const STREAMS_MAX: usize = 32;
/// Requests that read the store at the same time; more wait.
const READERS_MAX: usize = 2;

/// What the handlers share.
#[derive(Debug)]
struct Web {
    handle: Handle,
    access: Access,
    live: stream::LiveText,
    curves: curves::CurveCache,
    streams: Streams,
    readers: Semaphore,
    desk: answer::Desk,
    counts: Counts,
}

/// Room for pages that listen.
#[derive(Debug)]
struct Streams {
    here: Arc<Semaphore>,
    network: Arc<Semaphore>,
}

/// Counts since the daemon started.
#[derive(Debug, Default)]
struct Counts {
    connections_closed: AtomicU64,
    streams_refused: AtomicU64,
    slow_clients_dropped: Arc<AtomicU64>,
}

type State = axum::extract::State<Arc<Web>>;

impl Web {
    fn new(handle: Handle, access: Access) -> Arc<Self> {
        Arc::new(Self {
            live: stream::LiveText::start(handle.live()),
            handle,
            access,
            curves: curves::CurveCache::default(),
            streams: Streams {
                here: Arc::new(Semaphore::new(STREAMS_MAX)),
                network: Arc::new(Semaphore::new(STREAMS_MAX)),
            },
            readers: Semaphore::new(READERS_MAX),
            desk: answer::Desk::default(),
            counts: Counts::default(),
        })
    }
}

fn router(web: &Arc<Web>) -> Router {
    let controlled = Router::new()
        .route("/api/release", post(api::release))
        .route("/api/self-test", post(api::self_test))
        .route("/api/load", post(load::load))
        .route("/api/setup", post(api::setup))
        .route("/api/shelf", post(shelf::describe))
        .route("/api/air", post(api::set_air))
        .route("/api/plan", post(plan::set_plan))
        .route("/api/calibration", post(api::set_calibration))
        .route("/api/tare", post(api::tare))
        .route("/api/commission/weigh", post(commission::weigh))
        .route("/api/commission/measure", post(commission::measure))
        .route("/api/events/{id}/note", post(journal::note))
        .route("/api/keep", post(api::keep))
        .route("/api/pulls/{id}/note", post(pulls::note))
        .route("/api/pulls/{id}/exclusion", post(pulls::exclude))
        .route("/api/pulls/{id}/setup", post(pulls::correct_setup))
        .route_layer(middleware::from_fn(access::needs_control));
    let read = Router::new()
        .route("/api/stand", get(api::stand))
        .route("/api/live", get(api::live))
        .route("/api/live/stream", get(stream::stream))
        .route("/api/live/minute", get(stream::minute))
        .route("/api/setups", get(api::setups))
        .route("/api/shelf", get(shelf::parts))
        .route("/api/shelf/pictures/{name}", get(shelf::picture))
        .route("/api/plan", get(plan::plan))
        .route("/api/commission", get(commission::commission))
        .route("/api/pulls", get(pulls::pulls))
        .route("/api/pulls/{id}", get(pulls::pull))
        .route("/api/pulls/{id}/curve", get(pulls::curve))
        .route("/api/events", get(api::events))
        .route("/api/events/{id}", get(journal::event))
        .route("/api/journal", get(journal::entries))
        .route("/api/journal/days", get(journal::days))
        .route("/api/journal/health", get(journal::health))
        .route("/api/comparison", post(answer::compare))
        .route("/api/sheet", post(answer::sheet))
        .route("/api/export", post(answer::export))
        .route("/api/cut", post(api::cut))
        .route("/metrics", get(metrics::page));
    let known = controlled.merge(read).route_layer(
        // Only what exists asks for a token: an unknown path is a 404 for everybody.
        middleware::from_fn_with_state(Arc::clone(web), access::needs_token),
    );
    Router::new()
        .route("/", get(assets::index))
        .route("/assets/{*file}", get(assets::asset))
        .route("/cut", get(cut_form::form).post(cut_form::cut))
        .route("/api/openapi.json", get(assets::openapi))
        .merge(known)
        .fallback(async || Problem::not_found("there is nothing at this path"))
        .method_not_allowed_fallback(async || Problem::method())
        .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
        .layer(middleware::from_fn_with_state(
            Arc::clone(web),
            access::same_origin,
        ))
        .layer(middleware::map_response(access::security_headers))
        .with_state(Arc::clone(web))
}
