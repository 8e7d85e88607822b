//! The thread of one destination, and the sender that it and the command line use.

use std::path::PathBuf;
use std::time::Duration;

use leverarm_config::{Stand, StreamDestination};
use serde_json::json;
use tokio::sync::{mpsc, oneshot, watch};

use super::client::{Client, ClientError};
use super::courier::{Answer, Ask, Courier};
use super::feed::{Batch, Feed, Range};
use super::points;
use crate::clock::Clock;
use crate::service::StoreRequest;
use crate::store::{Cursor, NewEvent, Severity, StoreError, StoreReader};

/// Nothing new: look again after this.
const IDLE: Duration = Duration::from_millis(250);
/// The cursor is kept at most so often; after a crash so much is sent a second time.
const KEEP_EVERY_US: u64 = 2_000_000;
/// A server that is away for so long is told of in the journal.
const AWAY_TOLD_US: u64 = 10_000_000;
/// The store could not be read, or takes nothing: look again after this.
const STORE_RETRY: Duration = Duration::from_secs(2);
/// Lines shown of those that a server refuses; all of them can be made again from the store.
const LINES_SHOWN_MAX: usize = 20;
/// No less than this between two answers of a server that lets nobody in.
const DENIED_WAIT: Duration = Duration::from_secs(5);

/// Points that a server refuses.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// The line.
    pub line: String,
    /// What the server said.
    pub reason: String,
}

/// How sending goes, for whoever waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Progress<'a> {
    /// So many points are there now.
    Taken(usize),
    /// The server can't be had: why.
    Away(&'a str),
}

/// Sends batches to one server, however long it takes.
#[derive(Debug)]
pub struct Sender {
    destination: StreamDestination,
    client: Result<Client, ClientError>,
    clock: Clock,
}

impl Sender {
    /// A sender. Nothing is sent yet; a secret that is lacking is told of when it is needed.
    #[must_use]
    pub fn new(destination: StreamDestination, clock: Clock) -> Self {
        Self {
            client: Client::new(&destination),
            destination,
            clock,
        }
    }

    /// Sends lines until each is taken or set aside; returns those set aside.
    pub async fn send(
        &mut self,
        lines: &[String],
        mut progress: impl FnMut(Progress<'_>),
    ) -> Vec<Refused> {
        let mut courier = Courier::new(lines);
        loop {
            let (body, count, probe) = match courier.next() {
                Ask::Done => break,
                Ask::Wait(time) => {
                    tokio::time::sleep(time).await;
                    continue;
                }
                Ask::Probe => {
                    let now = self.clock.now().wall_us;
                    let name = &self.destination.name;
                    (points::probe(&self.destination.stand, name, now), 0, true)
                }
                Ask::Send(part) => {
                    let count = part.len();
                    (lines.get(part).unwrap_or_default().join("\n"), count, false)
                }
            };
            let answer = self.request(body).await;
            match &answer {
                Answer::Taken => progress(Progress::Taken(count)),
                Answer::Later(reason) | Answer::Broken(reason) | Answer::Denied(reason) => {
                    progress(Progress::Away(reason));
                }
                Answer::Refused(reason) if probe => progress(Progress::Away(reason)),
                Answer::Refused(_) => {}
            }
            courier.answer(answer);
        }
        let aside = courier.into_set_aside();
        aside
            .into_iter()
            .map(|aside| Refused {
                line: lines.get(aside.line).cloned().unwrap_or_default(),
                reason: aside.reason,
            })
            .collect()
    }

    async fn request(&mut self, body: String) -> Answer {
        let client = match &self.client {
            Ok(client) => client,
            Err(error) => {
                let answer = Answer::Denied(error.to_string());
                tokio::time::sleep(DENIED_WAIT).await;
                self.client = Client::new(&self.destination);
                return answer;
            }
        };
        let answer = client.send(body).await;
        if matches!(answer, Answer::Denied(_)) {
            // A secret may have been changed meanwhile.
            tokio::time::sleep(DENIED_WAIT).await;
            self.client = Client::new(&self.destination);
        }
        answer
    }
}

/// What a destination's thread needs.
#[derive(Debug)]
pub struct StreamerParts {
    /// Where to.
    pub destination: StreamDestination,
    /// The stand in force.
    pub stand: Stand,
    /// Folder of the store.
    pub store_folder: PathBuf,
    /// Where the destination stands, as the store has it.
    pub cursor: Cursor,
    /// The recorder's ear.
    pub requests: mpsc::Sender<StoreRequest>,
    /// The daemon's clock.
    pub clock: Clock,
    /// Turns true when the daemon stops.
    pub stop: watch::Receiver<bool>,
}

/// The thread of one destination.
#[derive(Debug)]
pub struct Streamer {
    thread: std::thread::JoinHandle<()>,
}

impl Streamer {
    /// Starts the thread.
    ///
    /// # Errors
    /// When the system has no thread to give.
    pub fn start(parts: StreamerParts) -> std::io::Result<Self> {
        let name = format!("stream {}", parts.destination.name);
        let thread = std::thread::Builder::new().name(name).spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build();
            match runtime {
                Ok(runtime) => runtime.block_on(run(parts)),
                Err(error) => tracing::error!(%error, "a stream's thread has no runtime"),
            }
        })?;
        Ok(Self { thread })
    }

    /// Waits until the thread has ended; it does when the daemon stops.
    pub fn join(self) {
        if self.thread.join().is_err() {
            tracing::error!("a stream's thread ended in a panic");
        }
    }
}

async fn run(parts: StreamerParts) {
    let mut stop = parts.stop.clone();
    let work = work(parts);
    tokio::select! {
        () = work => {}
        // The sender gone means the same as a stop. What is under way is sent again next time.
        _ = stop.wait_for(|stop| *stop) => {}
    }
}

async fn work(parts: StreamerParts) {
    let StreamerParts {
        destination,
        stand,
        store_folder,
        cursor,
        requests,
        clock,
        ..
    } = parts;
    let reader = loop {
        match StoreReader::open(&store_folder) {
            Ok(reader) => break reader,
            Err(error) => {
                tracing::warn!(%error, "a stream can't read the store");
                tokio::time::sleep(STORE_RETRY).await;
            }
        }
    };
    let mut feed = Feed::new(reader, destination.clone(), stand, Range::after(cursor));
    let mut sender = Sender::new(destination.clone(), clock);
    let mut keeper = Keeper {
        name: destination.name,
        requests,
        clock,
        kept: cursor,
        kept_us: 0,
        away: None,
        events: Vec::new(),
    };
    loop {
        let began_us = clock.now().mono_us;
        let batch = match feed.next_batch() {
            Ok(Some(batch)) => batch,
            Ok(None) => {
                keeper.keep(feed.at(), false).await;
                tokio::time::sleep(IDLE).await;
                continue;
            }
            Err(error) => {
                tracing::warn!(%error, "a stream can't read the store");
                tokio::time::sleep(STORE_RETRY).await;
                continue;
            }
        };
        let made_us = clock.now().mono_us.saturating_sub(began_us);
        let refused = sender
            .send(&batch.lines, |progress| keeper.progress(progress))
            .await;
        keeper.set_aside(&batch, &refused);
        keeper.keep(batch.cursor, !refused.is_empty()).await;
        // While catching up, half of one core is left to the rest of a small computer.
        tokio::time::sleep(Duration::from_micros(made_us)).await;
    }
}

/// Tells the recorder what is to be kept: the cursor now and then, events before it.
struct Keeper {
    name: String,
    requests: mpsc::Sender<StoreRequest>,
    clock: Clock,
    kept: Cursor,
    kept_us: u64,
    /// Since when, and whether it was told.
    away: Option<(u64, bool)>,
    events: Vec<NewEvent>,
}

impl Keeper {
    fn progress(&mut self, progress: Progress<'_>) {
        let now_us = self.clock.now().mono_us;
        match (progress, self.away) {
            (Progress::Taken(_), None) => {}
            (Progress::Taken(_), Some((since_us, told))) => {
                self.away = None;
                if told {
                    let seconds = now_us.saturating_sub(since_us) / 1_000_000;
                    let text = format!(
                        "\"{}\" takes points again after {seconds} s: what waited in the store follows",
                        self.name
                    );
                    self.event(
                        Severity::Info,
                        "stream resumed",
                        text,
                        json!({ "away_s": seconds }),
                    );
                }
            }
            (Progress::Away(_), None) => self.away = Some((now_us, false)),
            (Progress::Away(reason), Some((since_us, false)))
                if now_us.saturating_sub(since_us) >= AWAY_TOLD_US =>
            {
                self.away = Some((since_us, true));
                let text = format!(
                    "\"{}\" takes no points: {reason}. They wait in the store; recording goes on",
                    self.name
                );
                self.event(
                    Severity::Warning,
                    "stream waiting",
                    text,
                    json!({ "reason": reason }),
                );
                self.post(None);
            }
            (Progress::Away(_), Some(_)) => {}
        }
    }

    fn set_aside(&mut self, batch: &Batch, refused: &[Refused]) {
        let Some(first) = refused.first() else {
            return;
        };
        let text = format!(
            "\"{}\" refuses {} of {} points, set aside: {}",
            self.name,
            refused.len(),
            batch.lines.len(),
            first.reason
        );
        let shown: Vec<_> = refused
            .iter()
            .take(LINES_SHOWN_MAX)
            .map(|refused| json!({ "line": refused.line, "reason": refused.reason }))
            .collect();
        let data = json!({ "points": refused.len(), "refused": shown });
        self.event(Severity::Error, "stream set aside", text, data);
    }

    fn event(&mut self, severity: Severity, kind: &str, message: String, data: serde_json::Value) {
        let now = self.clock.now();
        match severity {
            Severity::Info => tracing::info!("{message}"),
            _ => tracing::warn!("{message}"),
        }
        self.events.push(NewEvent {
            wall_us: now.wall_us,
            mono_us: now.mono_us,
            tick: None,
            connection: None,
            pull: None,
            severity,
            kind: kind.to_owned(),
            channel: Some(self.name.clone()),
            message,
            data,
        });
    }

    /// Gives the recorder what waits; `false` when it is busy.
    fn post(
        &mut self,
        cursor: Option<Cursor>,
    ) -> Option<oneshot::Receiver<Result<(), StoreError>>> {
        let (answer, answered) = oneshot::channel();
        let request = StoreRequest::Stream {
            destination: self.name.clone(),
            cursor,
            events: self.events.clone(),
            answer,
        };
        self.requests.try_send(request).ok()?;
        self.events.clear();
        Some(answered)
    }

    /// Keeps the cursor, when it is due; `surely` waits until what goes with it is on the disk.
    async fn keep(&mut self, cursor: Cursor, surely: bool) {
        loop {
            let now_us = self.clock.now().mono_us;
            let due = now_us.saturating_sub(self.kept_us) >= KEEP_EVERY_US && cursor != self.kept;
            if !surely && !due && self.events.is_empty() {
                return;
            }
            self.kept_us = now_us;
            let events = self.events.clone();
            if let Some(answered) = self.post(Some(cursor)) {
                // A store that takes nothing does not end the streaming of what it holds.
                let outcome = if surely {
                    Ok(answered.await)
                } else {
                    tokio::time::timeout(STORE_RETRY, answered).await
                };
                match outcome {
                    Ok(Ok(Ok(()))) => {
                        self.kept = cursor;
                        return;
                    }
                    Ok(Ok(Err(error))) => {
                        tracing::warn!(%error, "a stream's cursor is not kept");
                        self.events = events;
                    }
                    // The recorder has ended, and so will this thread.
                    Ok(Err(_closed)) => self.events = events,
                    // The recorder has it, and will come to it.
                    Err(_elapsed) => {}
                }
            }
            if !surely {
                return;
            }
            tokio::time::sleep(STORE_RETRY).await;
        }
    }
}
