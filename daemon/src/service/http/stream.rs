//! Live values as server-sent events: `live` some thirty times a second, `stored` whenever the
//! store has something new. A client that is slow misses values, it does not get old ones late.

use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use axum::Extension;
use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use tokio::sync::{OwnedSemaphorePermit, watch};

use super::State;
use super::access::Peer;
use super::problem::Problem;
use crate::service::Stored;
use leverarm_live::Live;

/// Live values as text: written once for all who listen.
#[derive(Debug)]
pub(super) struct LiveText {
    text: watch::Receiver<Bytes>,
}

impl LiveText {
    /// Starts the writing. It ends with the sender of the live values.
    pub(super) fn start(mut live: watch::Receiver<Arc<Live>>) -> Self {
        let (sender, text) = watch::channel(Bytes::new());
        tokio::spawn(async move {
            while live.changed().await.is_ok() {
                let newest = live.borrow_and_update().clone();
                sender.send_replace(event("live", &*newest));
            }
        });
        Self { text }
    }
}

fn event(name: &str, value: &impl serde::Serialize) -> Bytes {
    match serde_json::to_string(value) {
        Ok(json) => format!("event: {name}\ndata: {json}\n\n").into(),
        Err(error) => {
            tracing::error!(%error, name, "an event can't be written as JSON");
            Bytes::new()
        }
    }
}

struct Listener {
    live: watch::Receiver<Bytes>,
    stored: watch::Receiver<Stored>,
    _permit: OwnedSemaphorePermit,
}

impl Listener {
    async fn next(&mut self) -> Option<Bytes> {
        tokio::select! {
            biased;
            changed = self.stored.changed() => {
                changed.ok()?;
                Some(event("stored", &*self.stored.borrow_and_update()))
            }
            changed = self.live.changed() => {
                changed.ok()?;
                Some(self.live.borrow_and_update().clone())
            }
        }
    }
}

pub(super) async fn stream(
    axum::extract::State(web): State,
    Extension(peer): Extension<Peer>,
) -> Result<Response, Problem> {
    let room = if peer.here {
        &web.streams.here
    } else {
        &web.streams.network
    };
    let Ok(permit) = Arc::clone(room).try_acquire_owned() else {
        web.counts.streams_refused.fetch_add(1, Ordering::Relaxed);
        let full = "too many pages are open; close one";
        return Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, full).later(5));
    };
    let mut listener = Listener {
        live: web.live.text.clone(),
        stored: web.handle.stored(),
        _permit: permit,
    };
    // What is stored comes first, whether or not it changed.
    listener.stored.mark_changed();
    let events = stream::unfold(listener, |mut listener| async {
        let event = listener.next().await?;
        Some((Ok::<_, Infallible>(event), listener))
    });
    let headers = [
        (header::CONTENT_TYPE, "text/event-stream"),
        // Some reverse proxies hold back what they don't know to be a stream.
        (header::HeaderName::from_static("x-accel-buffering"), "no"),
    ];
    Ok((headers, Body::from_stream(events)).into_response())
}
