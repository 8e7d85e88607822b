//! The thread of one destination, and the sender that it and the command line use.

use std::path::PathBuf;
use std::time::Duration;

use leverarm_config::{Stand, StreamDestination};
use tokio::sync::{mpsc, oneshot, watch};

use super::client::{Client, ClientError};
use super::courier::{Answer, Courier, Progress, Request};
use super::destination::{Destination, STORE_RETRY, Save, SaveOutcome, Want};
use super::feed::{Batch, Feed, Range};
use super::points;
use crate::clock::Clock;
use leverarm_store::{Cursor, StoreError, StoreReader};
use leverarm_vocabulary::RefusedPoint;

/// Sends batches to one server, however long it takes.
#[derive(Debug)]
pub struct Sender {
    destination: StreamDestination,
    client: Result<Client, ClientError>,
    /// The server let nobody in at the last request.
    is_denied: bool,
    clock: Clock,
}

impl Sender {
    /// A sender. Nothing is sent yet; a secret that is lacking is told of when it is needed.
    #[must_use]
    pub fn new(destination: StreamDestination, clock: Clock) -> Self {
        Self {
            client: Client::new(&destination),
            is_denied: false,
            destination,
            clock,
        }
    }

    /// Sends lines until each is taken or set aside; returns those set aside.
    pub async fn send(
        &mut self,
        lines: &[String],
        mut progress: impl FnMut(Progress<'_>),
    ) -> Vec<RefusedPoint> {
        let mut courier = Courier::new(lines);
        loop {
            let StreamDestination { stand, name, .. } = &self.destination;
            let probe = || points::probe(stand, name, self.clock.now().wall_us);
            match courier.request(lines, probe) {
                Request::Send(body) => {
                    let answer = self.post(body).await;
                    courier
                        .progress(&answer)
                        .into_iter()
                        .for_each(&mut progress);
                    courier.answer(answer);
                }
                Request::Wait(time) => tokio::time::sleep(time).await,
                Request::Done => return courier.into_refused(lines),
            }
        }
    }

    /// One request, and what the server makes of it.
    async fn post(&mut self, body: String) -> Answer {
        if self.is_denied {
            // A secret may have been changed meanwhile.
            self.client = Client::new(&self.destination);
        }
        let answer = match &self.client {
            Ok(client) => client.send(body).await,
            Err(error) => Answer::Denied(error.to_string()),
        };
        self.is_denied = matches!(answer, Answer::Denied(_));
        answer
    }
}

/// Batches made ahead of the one that is being sent.
const BATCHES_AHEAD: usize = 2;

/// Sends all that a feed has, as fast as it goes: points are made on a thread of their own while
/// others are sent. `tell` hears of each batch that is there, and of a server that is away.
///
/// # Errors
/// As the store's reading methods; what was read before was sent.
pub async fn send_all(
    mut feed: Feed,
    sender: &mut Sender,
    mut tell: impl FnMut(Sent<'_>),
) -> Result<Vec<RefusedPoint>, StoreError> {
    let (batches, mut made) = mpsc::channel(BATCHES_AHEAD);
    let maker = tokio::task::spawn_blocking(move || {
        while let Some(batch) = feed.next_batch()? {
            if batches.blocking_send(batch).is_err() {
                break;
            }
        }
        Ok(())
    });
    let mut refused = Vec::new();
    while let Some(batch) = made.recv().await {
        let answer = sender.send(&batch.lines, |progress| {
            if let Progress::Away(reason) = progress {
                tell(Sent::Away(reason));
            }
        });
        refused.extend(answer.await);
        tell(Sent::Batch(&batch));
    }
    match maker.await {
        Ok(outcome) => outcome.map(|()| refused),
        Err(panicked) => std::panic::resume_unwind(panicked.into_panic()),
    }
}

/// How [`send_all`] goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sent<'a> {
    /// This batch is there.
    Batch(&'a Batch),
    /// The server can't be had: why.
    Away(&'a str),
}

/// What a destination asks of the recorder: to keep what it tells.
#[derive(Debug)]
pub struct SaveForStream {
    /// The destination's name.
    pub destination: String,
    /// Its events, and how far it has come.
    pub save: Save,
    /// Where the outcome goes.
    pub answer: oneshot::Sender<Result<(), StoreError>>,
}

/// What a destination's thread needs. `R` is what the recorder hears.
#[derive(Debug)]
pub struct StreamerNeeds<R> {
    /// Where to.
    pub destination: StreamDestination,
    /// The stand in force.
    pub stand: Stand,
    /// Folder of the store.
    pub store_folder: PathBuf,
    /// Where the destination stands, as the store has it.
    pub cursor: Cursor,
    /// The recorder's ear.
    pub requests: mpsc::Sender<R>,
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
    pub fn start<R>(parts: StreamerNeeds<R>) -> std::io::Result<Self>
    where
        R: From<SaveForStream> + Send + 'static,
    {
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

    /// Whether the thread has ended; it does when the daemon stops.
    #[must_use]
    pub fn is_finished(&self) -> bool {
        self.thread.is_finished()
    }

    /// Tells of a thread that ended badly, or not at all.
    pub fn join(self) {
        if !self.thread.is_finished() {
            tracing::error!("a stream's thread does not end: it is left behind");
        } else if self.thread.join().is_err() {
            tracing::error!("a stream's thread ended in a panic");
        }
    }
}

async fn run<R: From<SaveForStream>>(parts: StreamerNeeds<R>) {
    let mut stop = parts.stop.clone();
    let work = work(parts);
    tokio::select! {
        () = work => {}
        // The sender gone means the same as a stop. What is under way is sent again next time.
        _ = stop.wait_for(|stop| *stop) => {}
    }
}

async fn work<R: From<SaveForStream>>(parts: StreamerNeeds<R>) {
    let StreamerNeeds {
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
    let feed = Feed::new(reader, destination.clone(), stand, Range::after(cursor));
    let mut sender = Sender::new(destination.clone(), clock);
    let mut destination = Destination::new(destination, feed);
    loop {
        let began = clock.now();
        let want = destination.next(began);
        let took_us = clock.now().mono_us.saturating_sub(began.mono_us);
        match want {
            Want::Send(body) => {
                let answer = sender.post(body).await;
                destination.answered(&answer, clock.now());
            }
            Want::Save(save) => {
                let outcome = give(&requests, &sender.destination.name, save).await;
                destination.saved(outcome);
            }
            Want::Wait(time) => tokio::time::sleep(time).await,
        }
        // While catching up, half of one core is left to the rest of a small computer.
        tokio::time::sleep(Duration::from_micros(took_us)).await;
    }
}

/// Gives the recorder what a destination wants kept.
async fn give<R: From<SaveForStream>>(
    requests: &mpsc::Sender<R>,
    name: &str,
    save: Save,
) -> SaveOutcome {
    let (answer, answered) = oneshot::channel();
    let surely = save.surely;
    let request = SaveForStream {
        destination: name.to_owned(),
        save,
        answer,
    };
    if requests.try_send(request.into()).is_err() {
        return SaveOutcome::NotSaved;
    }
    let outcome = if surely {
        answered.await
    } else {
        match tokio::time::timeout(STORE_RETRY, answered).await {
            Ok(outcome) => outcome,
            Err(_elapsed) => return SaveOutcome::Given,
        }
    };
    match outcome {
        Ok(Ok(())) => SaveOutcome::OnDisk,
        Ok(Err(error)) => {
            tracing::warn!(%error, "a stream's cursor is not kept");
            SaveOutcome::NotSaved
        }
        // The recorder has ended, and so will this thread.
        Err(_closed) => SaveOutcome::NotSaved,
    }
}
