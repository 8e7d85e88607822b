//! The HTTP side of the daemon: what the page and the command line talk to.

use std::convert::Infallible;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use futures_util::{Stream, StreamExt};
use serde::Deserialize;
use tokio::sync::watch;
use tokio_stream::wrappers::WatchStream;

use super::{Handle, NewSetupRequest};
use crate::calibration::NewCalibrationRequest;
use crate::core::Command;
use crate::reduction::EnteredAir;

pub(super) async fn serve(
    listener: tokio::net::TcpListener,
    handle: Handle,
    mut stopped: watch::Receiver<bool>,
) {
    let app = Router::new()
        .route("/api/live", get(live))
        .route("/api/live/stream", get(live_stream))
        .route("/api/cut", post(cut))
        .route("/api/release", post(release))
        .route("/api/setup", post(setup))
        .route("/api/air", post(air))
        .route("/api/calibration", post(calibration))
        .with_state(handle);
    let stop = async move {
        // The sender gone means the same as a stop.
        drop(stopped.wait_for(|stop| *stop).await);
    };
    if let Err(error) = axum::serve(listener, app)
        .with_graceful_shutdown(stop)
        .await
    {
        tracing::error!(%error, "the page's server ended");
    }
}

/// An answer in JSON: `{"message": …}` or `{"error": …}`.
fn answer<T: Into<String>, E: ToString>(outcome: Result<T, E>) -> Response {
    match outcome {
        Ok(message) => Json(serde_json::json!({ "message": message.into() })).into_response(),
        Err(error) => {
            let body = Json(serde_json::json!({ "error": error.to_string() }));
            (StatusCode::CONFLICT, body).into_response()
        }
    }
}

fn unavailable(error: impl ToString) -> Response {
    let body = Json(serde_json::json!({ "error": error.to_string() }));
    (StatusCode::SERVICE_UNAVAILABLE, body).into_response()
}

async fn live(State(handle): State<Handle>) -> Response {
    let live = handle.live.borrow().clone();
    Json(&*live).into_response()
}

async fn live_stream(
    State(handle): State<Handle>,
) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let events = WatchStream::new(handle.live()).map(|live| {
        Ok(Event::default()
            .json_data(&*live)
            .unwrap_or_else(|_| Event::default().comment("unwritable")))
    });
    Sse::new(events).keep_alive(KeepAlive::default())
}

#[derive(Deserialize)]
struct CutRequest {
    #[serde(default)]
    reason: String,
}

async fn cut(State(handle): State<Handle>, Json(request): Json<CutRequest>) -> Response {
    let reason = match request.reason.trim() {
        "" => "a person's command".to_owned(),
        reason => format!("a person's command: {reason}"),
    };
    match handle.command(Command::Cut { reason }).await {
        Ok(outcome) => answer(outcome),
        Err(error) => unavailable(error),
    }
}

#[derive(Deserialize)]
struct ReleaseRequest {
    cut_id: u16,
}

async fn release(State(handle): State<Handle>, Json(request): Json<ReleaseRequest>) -> Response {
    match handle
        .command(Command::Release {
            cut_id: request.cut_id,
        })
        .await
    {
        Ok(outcome) => answer(outcome),
        Err(error) => unavailable(error),
    }
}

async fn setup(State(handle): State<Handle>, Json(request): Json<NewSetupRequest>) -> Response {
    match handle.setup(request).await {
        Ok(outcome) => answer(outcome),
        Err(error) => unavailable(error),
    }
}

async fn air(State(handle): State<Handle>, Json(request): Json<Option<EnteredAir>>) -> Response {
    match handle.air(request).await {
        Ok(outcome) => answer(outcome.map(|()| "air kept for the next pulls")),
        Err(error) => unavailable(error),
    }
}

async fn calibration(
    State(handle): State<Handle>,
    Json(request): Json<NewCalibrationRequest>,
) -> Response {
    match handle.calibrate(request).await {
        Ok(outcome) => answer(outcome.map(|()| "in force for the next pulls")),
        Err(error) => unavailable(error),
    }
}
