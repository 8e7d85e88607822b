//! Live values as server-sent events: `live` some thirty times a second, `stored` whenever the
//! store has something new. A client that is slow misses values, it does not get old ones late.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::{Body, Bytes};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use futures_util::stream;
use serde_json::{Value, json};
use tokio::sync::{OwnedSemaphorePermit, watch};

use super::State;
use super::access::Peer;
use super::problem::Problem;
use crate::service::Stored;
use leverarm_live::{Live, PullPhase};

/// Live values as text: written once for all who listen.
#[derive(Debug)]
pub(super) struct LiveText {
    text: watch::Receiver<Bytes>,
    minute: Arc<Mutex<Minute>>,
}

/// Of the last minute one value is kept in so long, so that a page that is opened, or opened again, has it.
const MINUTE_EVERY_US: u64 = 100_000;
const MINUTE_POINTS: usize = 600;

/// The last minute, thinned; never more than [`MINUTE_POINTS`].
#[derive(Debug, Default)]
struct Minute {
    points: VecDeque<Moment>,
}

/// What is kept of a look at the stand.
#[derive(Debug, Clone, Copy)]
struct Moment {
    mono_us: u64,
    engine_rpm: Option<f64>,
    torque_nm: Option<f64>,
    torque_expanded_uncertainty_nm: Option<f64>,
    power_w: Option<f64>,
    phase: PullPhase,
}

impl Minute {
    fn take(&mut self, live: &Live) {
        let newest_us = self.points.back().map(|point| point.mono_us);
        if newest_us.is_some_and(|us| live.mono_us.saturating_sub(us) < MINUTE_EVERY_US) {
            return;
        }
        if self.points.len() == MINUTE_POINTS {
            self.points.pop_front();
        }
        self.points.push_back(Moment {
            mono_us: live.mono_us,
            engine_rpm: live.engine_rpm,
            torque_nm: live.torque_nm,
            torque_expanded_uncertainty_nm: live.torque_expanded_uncertainty_nm,
            power_w: live.power_w,
            phase: live.phase,
        });
    }

    /// Column by column.
    fn json(&self) -> Value {
        let points = || self.points.iter();
        json!({
            "mono_us": points().map(|it| it.mono_us).collect::<Vec<_>>(),
            "engine_rpm": points().map(|it| it.engine_rpm).collect::<Vec<_>>(),
            "torque_nm": points().map(|it| it.torque_nm).collect::<Vec<_>>(),
            "torque_expanded_uncertainty_nm":
                points().map(|it| it.torque_expanded_uncertainty_nm).collect::<Vec<_>>(),
            "power_w": points().map(|it| it.power_w).collect::<Vec<_>>(),
            "phase": points().map(|it| it.phase).collect::<Vec<_>>(),
        })
    }
}

pub(super) async fn minute(axum::extract::State(web): State) -> Json<Value> {
    let minute = web.live.minute.lock();
    Json(minute.unwrap_or_else(PoisonError::into_inner).json())
}

impl LiveText {
    /// Starts the writing. It ends with the sender of the live values.
    pub(super) fn start(mut live: watch::Receiver<Arc<Live>>) -> Self {
        let (sender, text) = watch::channel(Bytes::new());
        let minute = Arc::default();
        let kept: Arc<Mutex<Minute>> = Arc::clone(&minute);
        tokio::spawn(async move {
            while live.changed().await.is_ok() {
                let newest = live.borrow_and_update().clone();
                kept.lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .take(&newest);
                sender.send_replace(event("live", &*newest));
            }
        });
        Self { text, minute }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_minute_is_thinned_and_never_longer() {
        let mut minute = Minute::default();
        for n in 0..30 * 200 {
            minute.take(&Live {
                mono_us: n * 33_333,
                engine_rpm: Some(n as f64),
                ..Live::default()
            });
        }
        assert_eq!(minute.points.len(), MINUTE_POINTS);
        let times = minute.json()["mono_us"].clone();
        let times: Vec<u64> = serde_json::from_value(times).unwrap();
        let apart = times.windows(2).map(|pair| pair[1] - pair[0]);
        assert!(apart.clone().all(|us| us >= MINUTE_EVERY_US), "{times:?}");
        assert!(times[599] - times[0] >= 59_000_000);
        assert_eq!(times[599], 33_333 * (6_000 - 4));
    }
}
