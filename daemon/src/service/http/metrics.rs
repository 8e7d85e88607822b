//! A page of numbers in the Prometheus text format, version 0.0.4. Names carry base units; what only
//! ever rises while the daemon runs ends in `_total`.

use std::sync::atomic::Ordering;

use axum::extract::State as Extract;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use leverarm_config::Quantity;
use leverarm_torque::ZERO_CELSIUS_K;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::problem::Problem;
use super::{STREAMS_MAX, State};
use leverarm_live::CutLatch;
use leverarm_store::{PullState, StoreSize};

/// The text under way.
#[derive(Default)]
struct Page(String);

type Sample<'a> = (Vec<(&'a str, &'a str)>, f64);

impl Page {
    fn family(&mut self, kind: &str, name: &str, help: &str, samples: &[Sample<'_>]) {
        if samples.is_empty() {
            return;
        }
        self.0 += &format!("# HELP leverarm_{name} {help}\n# TYPE leverarm_{name} {kind}\n");
        for (labels, value) in samples {
            let pair = |(key, value): &(&str, &str)| format!("{key}=\"{}\"", escaped(value));
            let pairs: Vec<String> = labels.iter().map(pair).collect();
            let labels = if pairs.is_empty() {
                String::new()
            } else {
                format!("{{{}}}", pairs.join(","))
            };
            self.0 += &format!("leverarm_{name}{labels} {value}\n");
        }
    }

    fn gauge(&mut self, name: &str, help: &str, value: impl Into<Option<f64>>) {
        let samples: Vec<Sample<'_>> = value
            .into()
            .map(|value| (Vec::new(), value))
            .into_iter()
            .collect();
        self.family("gauge", name, help, &samples);
    }

    fn counter(&mut self, name: &str, help: &str, value: u64) {
        self.family("counter", name, help, &[(Vec::new(), value as f64)]);
    }
}

fn escaped(value: &str) -> String {
    value
        .replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('\n', "\\n")
}

fn flag(value: bool) -> f64 {
    if value { 1.0 } else { 0.0 }
}

struct StoreNumbers {
    size: StoreSize,
    pulls: Vec<(PullState, usize)>,
}

pub(super) async fn page(Extract(web): State) -> Result<Response, Problem> {
    let store = web
        .read(|reader| {
            let pulls = reader.pulls()?;
            let count = |state: &PullState| {
                (
                    *state,
                    pulls.iter().filter(|pull| pull.state == *state).count(),
                )
            };
            Ok(StoreNumbers {
                size: reader.size()?,
                pulls: PullState::ALL.iter().map(count).collect(),
            })
        })
        .await?;
    let mut page = Page::default();
    let version = [("version", env!("CARGO_PKG_VERSION"))];
    page.family(
        "gauge",
        "build_info",
        "Version of the daemon.",
        &[(version.to_vec(), 1.0)],
    );
    live_numbers(&web, &mut page);
    link_numbers(&web, &mut page);
    store_numbers(&web, &store, &mut page);
    http_numbers(&web, &mut page);
    let text = [(
        header::CONTENT_TYPE,
        "text/plain; version=0.0.4; charset=utf-8",
    )];
    Ok((text, page.0).into_response())
}

fn live_numbers(web: &super::Web, page: &mut Page) {
    let live = web.handle.live().borrow().clone();
    let stand = web.handle.stand();
    let seconds = |us: f64| us * 1e-6;
    page.gauge(
        "live_time_seconds",
        "Unix time of the newest live values.",
        seconds(live.wall_us as f64),
    );
    page.gauge(
        "board_connected",
        "1 while a board has said hello.",
        flag(live.connected),
    );
    page.gauge(
        "board_frame_age_seconds",
        "Age of the newest frame, its delay included.",
        live.board_age_ms.map(|ms| ms * 1e-3),
    );
    page.gauge(
        "board_delay_seconds",
        "How much later than the quickest frame of the connection the newest came.",
        live.board_delay_ms.map(|ms| ms * 1e-3),
    );
    page.gauge(
        "alarm_active",
        "1 while a person is needed at once: the stand is driven though it is cut, or the board does not confirm a cut.",
        flag(live.alarm.is_some()),
    );
    page.gauge(
        "heartbeat_active",
        "1 while heartbeats go out to the board.",
        flag(live.fit),
    );
    page.gauge(
        "cut_active",
        "1 while the stand is cut.",
        flag(live.cut.latch != CutLatch::Running),
    );
    let rotation = |rpm: Option<f64>| rpm.map(|rpm| rpm * RAD_PER_S_PER_RPM);
    page.gauge(
        "drum_speed_radians_per_second",
        "Speed of the drum.",
        rotation(live.drum_rpm),
    );
    page.gauge(
        "engine_speed_radians_per_second",
        "Speed of the engine.",
        rotation(live.engine_rpm),
    );
    page.gauge(
        "torque_newton_meters",
        "Torque at the crank, uncorrected and rough.",
        live.torque_nm,
    );
    page.gauge(
        "power_watts",
        "Power at the crank, uncorrected and rough.",
        live.power_w,
    );
    page.gauge("load_cell_newtons", "Force on the load cell.", live.force_n);
    for quantity in Quantity::ALL.iter().copied() {
        let (name, help) = quantity.gauge();
        let zero = if quantity == Quantity::Temperature {
            ZERO_CELSIUS_K
        } else {
            0.0
        };
        let channels = live.channels.iter().zip(&stand.channels);
        let samples: Vec<Sample<'_>> = channels
            .filter(|(_, channel)| channel.quantity == quantity)
            .filter_map(|(now, channel)| {
                Some((
                    vec![("channel", channel.name.as_str())],
                    now.value_si? - zero,
                ))
            })
            .collect();
        page.family("gauge", name, help, &samples);
    }
    let guard = |of: &dyn Fn(&leverarm_live::GuardLive) -> Option<f64>| -> Vec<Sample<'_>> {
        let sample = |guard| Some((vec![("guard", name_of(guard))], of(guard)?));
        live.guards.iter().filter_map(sample).collect()
    };
    page.family(
        "gauge",
        "guard_tripped",
        "1 while the guard's limit is passed.",
        &guard(&|g| Some(flag(g.tripped))),
    );
    page.family(
        "gauge",
        "guard_nearness_ratio",
        "How near the value is to the guard's limit; 1 at it.",
        &guard(&|g| g.nearness),
    );
}

fn name_of(guard: &leverarm_live::GuardLive) -> &str {
    &guard.name
}

fn link_numbers(web: &super::Web, page: &mut Page) {
    let counters = web.handle.live().borrow().counters;
    page.counter(
        "link_received_bytes_total",
        "Bytes from the port.",
        counters.bytes_received,
    );
    page.counter(
        "link_discarded_bytes_total",
        "Bytes that were no part of a sound frame.",
        counters.bytes_discarded,
    );
    page.counter("link_frames_total", "Sound frames.", counters.frames);
    let faults = [
        ("bad_crc", counters.bad_crc),
        ("bad_cobs", counters.bad_cobs),
        ("too_long", counters.too_long),
        ("too_short", counters.too_short),
        ("wrong_version", counters.wrong_version),
        ("unknown_kind", counters.unknown_kind),
        ("bad_payload", counters.bad_payload),
        ("duplicate", counters.duplicates),
        ("reordered", counters.reordered),
    ];
    let samples = faults.map(|(kind, count)| (vec![("kind", kind)], count as f64));
    page.family(
        "counter",
        "link_faults_total",
        "Faults of the link, by kind.",
        &samples,
    );
    // Falls when a frame that was missed comes late, so it is no counter.
    page.gauge(
        "link_missing_frames",
        "Frames missing from the sequence and not come late.",
        counters.frames_lost as f64,
    );
    page.counter(
        "board_restarts_total",
        "Restarts of the board.",
        counters.restarts,
    );
}

fn store_numbers(web: &super::Web, store: &StoreNumbers, page: &mut Page) {
    page.gauge(
        "store_database_bytes",
        "Size of the database.",
        store.size.database_bytes as f64,
    );
    page.gauge(
        "store_wal_bytes",
        "Size of the write-ahead log.",
        store.size.wal_bytes as f64,
    );
    page.gauge(
        "store_disk_free_bytes",
        "Room left on the store's disk.",
        store.size.free_bytes as f64,
    );
    let pulls: Vec<Sample<'_>> = store
        .pulls
        .iter()
        .map(|(state, count)| (vec![("state", state.word())], *count as f64))
        .collect();
    page.family(
        "gauge",
        "store_pulls",
        "Pulls in the store, by state.",
        &pulls,
    );
    let flow = &web.handle.flow;
    let [given, taken, backlog, lost, refusals] = [
        &flow.given,
        &flow.taken,
        &flow.backlog,
        &flow.lost,
        &flow.refusals,
    ]
    .map(|count| count.load(Ordering::Relaxed));
    page.counter(
        "store_records_total",
        "Records that the recorder is done with.",
        taken,
    );
    page.gauge(
        "store_queue_records",
        "Records in the queue to the recorder.",
        given.saturating_sub(taken) as f64,
    );
    page.gauge(
        "store_backlog_records",
        "Records that wait because the queue is full.",
        backlog as f64,
    );
    page.counter(
        "store_lost_records_total",
        "Records lost because nothing took them.",
        lost,
    );
    page.counter(
        "store_refusals_total",
        "Times that the store refused a record.",
        refusals,
    );
}

fn http_numbers(web: &super::Web, page: &mut Page) {
    let rooms = [&web.streams.here, &web.streams.network];
    let open: usize = rooms
        .map(|room| STREAMS_MAX.saturating_sub(room.available_permits()))
        .iter()
        .sum();
    page.gauge(
        "http_streams",
        "Pages that listen to live values.",
        open as f64,
    );
    let count = |count: &std::sync::atomic::AtomicU64| count.load(Ordering::Relaxed);
    let counts = &web.counts;
    page.counter(
        "http_streams_refused_total",
        "Pages turned away because too many listen.",
        count(&counts.streams_refused),
    );
    page.counter(
        "http_connections_closed_total",
        "Quiet connections closed to make room for new ones.",
        count(&counts.connections_closed),
    );
    page.counter(
        "http_slow_clients_dropped_total",
        "Clients dropped because they took nothing.",
        count(&counts.slow_clients_dropped),
    );
    page.counter(
        "http_wrong_tokens_total",
        "Requests with a token that is not in force.",
        web.access.wrong_tokens(),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_are_escaped_and_empty_families_left_out() {
        let mut page = Page::default();
        page.gauge("power_watts", "Power.", None);
        page.family(
            "gauge",
            "guard_tripped",
            "Trip.",
            &[(vec![("guard", "a \"b\" \\ c\nd")], 1.0)],
        );
        page.counter("link_frames_total", "Frames.", 3);
        assert_eq!(
            page.0,
            "# HELP leverarm_guard_tripped Trip.\n# TYPE leverarm_guard_tripped gauge\n\
             leverarm_guard_tripped{guard=\"a \\\"b\\\" \\\\ c\\nd\"} 1\n\
             # HELP leverarm_link_frames_total Frames.\n# TYPE leverarm_link_frames_total counter\n\
             leverarm_link_frames_total 3\n"
        );
    }
}
