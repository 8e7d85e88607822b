//! The daemon: port and guards on a thread of their own, the store on another, the rest on the
//! ordinary runtime. Queues between them are bounded.

mod guard;
mod http;
mod keep;
mod real_time;
mod record_keeper;
mod recorder;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use leverarm_config::Stand;
use tokio::sync::{broadcast, mpsc, oneshot, watch};

use crate::clock::Clock;
use crate::stream::{Streamer, StreamerNeeds};
use leverarm_analysis::in_force::CalibrationError;
use leverarm_live::{Command, CommandError, Live};
use leverarm_store::{EventId, NewEvent, PullId, PullState, StoreError, StoreReader};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::NewCalibrationRequest;

pub use guard::PortError;
pub(crate) use guard::open as open_port;
pub use http::{PageAccess, read_token_file, token_of_store};
pub(crate) use keep::keep;
pub use keep::{KeepError, KeepRequest};
pub use real_time::ask as ask_for_real_time;
pub use record_keeper::{Belongs, Kept, RecordKeeper};
pub use recorder::{NewSetupRequest, StoreRequest, Stored, TakenSetup};
pub(crate) use recorder::{air_of_the_day, put_air, setup_in_force, setup_of, take_setup};

/// Commands that wait for the guard thread; more are refused.
const COMMANDS_MAX: usize = 16;
/// Cuts that wait for it, on a way of their own: more than there can be connections, and whoever
/// finds it full all the same waits, and is not refused.
const CUTS_MAX: usize = 512;
/// A store that takes no more when the daemon stops is tried for so long.
const KEEP_TRYING_US: u64 = 6_000_000;
/// The daemon ends after so long, whatever does not: a disk may never answer.
const STOP_TIMEOUT: Duration = Duration::from_secs(8);
/// The same once a person does not want to wait.
const HURRIED_TIMEOUT: Duration = Duration::from_millis(500);
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// Requests that wait for the recorder.
const REQUESTS_MAX: usize = 64;
/// Notices of pulls that a slow listener may lag behind; older ones are dropped for it, and it is
/// told.
const NOTICES_MAX: usize = 64;

/// What the daemon runs.
#[derive(Debug, Clone)]
pub struct ServeOptions {
    /// The stand, as parsed.
    pub stand: Stand,
    /// The text it was parsed from, kept with every pull.
    pub stand_text: String,
    /// Folder of the store, resolved.
    pub store_folder: PathBuf,
    /// Serve the page on this address; the stand file's when absent.
    pub page_address: Option<std::net::SocketAddr>,
    /// Who may use the page.
    pub page_access: PageAccess,
}

/// Why the daemon could not start, or had to stop.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The store can't be used.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The port can't be used.
    #[error(transparent)]
    Port(#[from] PortError),
    /// The page's address can't be used.
    #[error(
        "the page address {address}: {source}; another program may use it: choose another in the stand file, key page.address"
    )]
    Page {
        /// The address.
        address: std::net::SocketAddr,
        /// What the system said.
        source: std::io::Error,
    },
    /// The page can't be given out like this.
    #[error("{0}")]
    Access(String),
    /// The daemon has stopped, and not all that it had is in the store.
    #[error(
        "{records} records with {bytes} bytes from the board are not in the store: {why}; what the store has is whole up to there"
    )]
    NotKept {
        /// How many records.
        records: u64,
        /// Bytes from the board in them.
        bytes: u64,
        /// Why.
        why: String,
    },
    /// The file with the page's tokens can't be written.
    #[error("the tokens can't be written: {0}")]
    Tokens(#[source] std::io::Error),
    /// A thread could not be started.
    #[error("{what} could not be started: {source}")]
    NotStarted {
        /// What it was to do.
        what: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// A thread ended in an unforeseen way.
    #[error("{0}")]
    Thread(String),
}

impl ServeError {
    fn not_started(what: &'static str) -> impl Fn(std::io::Error) -> Self {
        move |source| Self::NotStarted { what, source }
    }
}

/// A pull was stored, or given up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PullNotice {
    /// Its number.
    pub id: PullId,
    /// How it ended.
    pub state: PullState,
    /// What it belongs to.
    pub setup: Option<String>,
}

/// A command with the place for its answer.
type Asked = (Command, oneshot::Sender<Result<String, CommandError>>);

/// Ways to talk to a running daemon from inside the process.
#[derive(Debug, Clone)]
pub struct Handle {
    commands: mpsc::Sender<Asked>,
    cuts: mpsc::Sender<Asked>,
    requests: mpsc::Sender<StoreRequest>,
    live: watch::Receiver<Arc<Live>>,
    notices: broadcast::Sender<PullNotice>,
    stored: watch::Receiver<Stored>,
    flow: Arc<recorder::Flow>,
    stand: Arc<Stand>,
    stand_text: Arc<str>,
    store_folder: Arc<PathBuf>,
}

/// The daemon is not there to answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the daemon is busy or stopping")]
pub struct NoAnswer;

impl Handle {
    /// Gives a command to the guard thread. A cut goes before all others, and is never refused for
    /// want of room.
    ///
    /// # Errors
    /// [`NoAnswer`] when it can't take any; within is the command's own outcome.
    pub async fn command(
        &self,
        command: Command,
    ) -> Result<Result<String, CommandError>, NoAnswer> {
        let (answer, answered) = oneshot::channel();
        if matches!(command, Command::Cut { .. }) {
            let sent = self.cuts.send((command, answer)).await;
            sent.map_err(|_closed| NoAnswer)?;
        } else {
            let sent = self.commands.try_send((command, answer));
            sent.map_err(|_full_or_closed| NoAnswer)?;
        }
        answered.await.map_err(|_closed| NoAnswer)
    }

    /// Makes a setup, or takes an existing one of that name, and lets the next pulls belong to it.
    ///
    /// # Errors
    /// [`NoAnswer`] when the recorder is not there; within is the store's own outcome.
    pub async fn setup(
        &self,
        request: NewSetupRequest,
    ) -> Result<Result<TakenSetup, StoreError>, NoAnswer> {
        self.ask(|answer| StoreRequest::Setup { request, answer })
            .await
    }

    /// Sets the entered air of the next pulls, or forgets it.
    ///
    /// # Errors
    /// As [`Handle::setup`].
    pub async fn air(
        &self,
        air: Option<leverarm_analysis::reduction::EnteredAir>,
    ) -> Result<Result<(), StoreError>, NoAnswer> {
        self.ask(|answer| StoreRequest::Air { air, answer }).await
    }

    /// Notes that a person has looked at an event of the journal.
    ///
    /// # Errors
    /// As [`Handle::setup`].
    pub async fn acknowledge(
        &self,
        event: EventId,
        note: String,
    ) -> Result<Result<(), StoreError>, NoAnswer> {
        self.ask(|answer| StoreRequest::Acknowledge {
            event,
            note,
            answer,
        })
        .await
    }

    /// Puts a calibration in force, for the next pulls.
    ///
    /// # Errors
    /// As [`Handle::setup`].
    pub async fn calibrate(
        &self,
        request: NewCalibrationRequest,
    ) -> Result<Result<(), CalibrationError>, NoAnswer> {
        let request = Box::new(request);
        self.ask(|answer| StoreRequest::Calibration { request, answer })
            .await
    }

    /// Keeps the newest stretch of the byte log as a pull.
    ///
    /// # Errors
    /// As [`Handle::setup`].
    pub async fn keep(&self, request: KeepRequest) -> Result<Result<PullId, KeepError>, NoAnswer> {
        self.ask(|answer| StoreRequest::Keep { request, answer })
            .await
    }

    /// Writes a note on a pull; an empty one takes it away.
    ///
    /// # Errors
    /// As [`Handle::setup`].
    pub async fn note(
        &self,
        pull: PullId,
        note: String,
    ) -> Result<Result<(), StoreError>, NoAnswer> {
        self.ask(|answer| StoreRequest::Note { pull, note, answer })
            .await
    }

    /// Keeps an event that a person's command made; its times are set as it is kept.
    ///
    /// # Errors
    /// As [`Handle::setup`].
    pub async fn event(&self, event: NewEvent) -> Result<Result<(), StoreError>, NoAnswer> {
        let event = Box::new(event);
        self.ask(|answer| StoreRequest::Event { event, answer })
            .await
    }

    /// Asks the recorder, and waits for its outcome.
    async fn ask<T>(
        &self,
        request: impl FnOnce(oneshot::Sender<T>) -> StoreRequest,
    ) -> Result<T, NoAnswer> {
        let (answer, answered) = oneshot::channel();
        let sent = self.requests.send(request(answer)).await;
        sent.map_err(|_closed| NoAnswer)?;
        answered.await.map_err(|_closed| NoAnswer)
    }

    /// What the store holds; the newest only.
    #[must_use]
    pub fn stored(&self) -> watch::Receiver<Stored> {
        self.stored.clone()
    }

    /// Live values; the newest only.
    #[must_use]
    pub fn live(&self) -> watch::Receiver<Arc<Live>> {
        self.live.clone()
    }

    /// Notices of pulls from now on.
    #[must_use]
    pub fn notices(&self) -> broadcast::Receiver<PullNotice> {
        self.notices.subscribe()
    }

    /// The stand it runs.
    #[must_use]
    pub fn stand(&self) -> &Stand {
        &self.stand
    }

    /// The text of its stand file.
    #[must_use]
    pub fn stand_text(&self) -> &str {
        &self.stand_text
    }

    /// Folder of its store.
    #[must_use]
    pub fn store_folder(&self) -> &std::path::Path {
        &self.store_folder
    }
}

/// A running daemon.
#[derive(Debug)]
pub struct Daemon {
    handle: Handle,
    page_address: std::net::SocketAddr,
    token_file: Option<PathBuf>,
    stop: watch::Sender<bool>,
    guard: std::thread::JoinHandle<()>,
    recorder: std::thread::JoinHandle<Result<(), StoreError>>,
    page: std::thread::JoinHandle<()>,
    streams: Vec<Streamer>,
    clock: Clock,
}

impl Daemon {
    /// Starts everything. The store and the page's address are taken first, so that a second daemon
    /// fails before it touches the port. No store is made for a port that is not there or an address that
    /// is taken.
    ///
    /// # Errors
    /// [`ServeError`].
    pub async fn start(options: ServeOptions) -> Result<Self, ServeError> {
        let clock = Clock::start();
        guard::look_at(&options.stand.port.path)?;
        let address = options.page_address.unwrap_or(options.stand.page_address);
        let listener = http::listen(address).map_err(|source| ServeError::Page { address, source });
        // A store that another daemon has says more than the address that it has too.
        let has_store = !matches!(
            StoreReader::open(&options.store_folder),
            Err(StoreError::NoStore { .. })
        );
        let listener = match listener {
            Err(error) if !has_store => return Err(error),
            listener => listener,
        };
        let mut store = leverarm_store::Store::open(&options.store_folder)?;
        let listener = listener?;
        let mut cursors = Vec::new();
        for destination in &options.stand.streams {
            cursors.push(store.begin_cursor(&destination.name)?);
        }
        let arming =
            crate::self_test::arming(&store.reader()?, &options.stand, &options.stand_text)?;
        let access = http::Access::new(&options.page_access, address.ip(), clock)
            .map_err(ServeError::Access)?;
        let page_address = listener.local_addr().unwrap_or(address);
        let token_file = http::write_tokens(
            &options.store_folder,
            page_address,
            &options.page_access,
            access.tokens(),
        )
        .map_err(ServeError::Tokens)?;
        let (stop, stopped) = watch::channel(false);
        let (commands, asked) = mpsc::channel(COMMANDS_MAX);
        let (cuts, asked_to_cut) = mpsc::channel(CUTS_MAX);
        let (requests, requested) = mpsc::channel(REQUESTS_MAX);
        let (live_sender, live) = watch::channel(Arc::new(Live::default()));
        let (notices, _) = broadcast::channel(NOTICES_MAX);
        let (stored_sender, stored) = watch::channel(Stored::default());
        let stand = Arc::new(options.stand);
        let (model_sender, model) = watch::channel(Arc::new(CalibratedStand::uncalibrated(
            Stand::clone(&stand),
        )));
        let flow = Arc::new(recorder::Flow::default());
        let handle = Handle {
            commands,
            cuts,
            requests,
            live,
            notices: notices.clone(),
            stored,
            flow: Arc::clone(&flow),
            stand: Arc::clone(&stand),
            stand_text: options.stand_text.as_str().into(),
            store_folder: Arc::new(options.store_folder),
        };
        let (records, recorder) = recorder::start(
            store,
            (Arc::clone(&stand), options.stand_text),
            clock,
            requested,
            recorder::Outlets {
                notices,
                stored: stored_sender,
                model: model_sender,
            },
            flow,
        )?;
        let guard = guard::start(guard::GuardThread {
            stand: (*stand).clone(),
            arming,
            clock,
            asked,
            asked_to_cut,
            records,
            live: live_sender,
            model,
            stop: stopped.clone(),
        })
        .await?;
        let streams = stand
            .streams
            .iter()
            .zip(cursors)
            .map(|(destination, cursor)| {
                Streamer::start(StreamerNeeds {
                    destination: destination.clone(),
                    stand: (*stand).clone(),
                    store_folder: handle.store_folder.to_path_buf(),
                    cursor,
                    requests: handle.requests.clone(),
                    clock,
                    stop: stopped.clone(),
                })
            });
        let streams = streams
            .collect::<Result<_, _>>()
            .map_err(ServeError::not_started("a stream"))?;
        let page = http::start(listener, handle.clone(), access, stopped)
            .map_err(ServeError::not_started("the page"))?;
        Ok(Self {
            handle,
            page_address,
            token_file,
            stop,
            guard,
            recorder,
            page,
            streams,
            clock,
        })
    }

    /// Ways to talk to it.
    #[must_use]
    pub fn handle(&self) -> Handle {
        self.handle.clone()
    }

    /// Where the page is.
    #[must_use]
    pub fn page_address(&self) -> std::net::SocketAddr {
        self.page_address
    }

    /// The file with the page's tokens and links, where it made any.
    #[must_use]
    pub fn token_file(&self) -> Option<&std::path::Path> {
        self.token_file.as_deref()
    }

    /// Stops everything at a safe point: the engine is cut and the heartbeat ends first, what is
    /// recorded comes last. It ends within ten seconds, also when the store takes no more or its disk
    /// never answers.
    ///
    /// # Errors
    /// When not everything could be stored, or a thread ended in an unforeseen way.
    pub async fn stop(self) -> Result<(), ServeError> {
        self.stop_hurried_by(std::future::pending()).await
    }

    /// The same, without further waiting for the store as soon as `hurry` is done.
    ///
    /// # Errors
    /// As [`Daemon::stop`].
    pub async fn stop_hurried_by(self, hurry: impl Future<Output = ()>) -> Result<(), ServeError> {
        let Self {
            handle,
            stop,
            guard,
            recorder,
            page,
            streams,
            clock,
            ..
        } = self;
        let flow = Arc::clone(&handle.flow);
        flow.keep_until(clock.now().mono_us + KEEP_TRYING_US);
        stop.send_replace(true);
        drop(handle);
        let all_ended = || {
            guard.is_finished()
                && recorder.is_finished()
                && page.is_finished()
                && streams.iter().all(Streamer::is_finished)
        };
        let ended = async {
            while !all_ended() {
                tokio::time::sleep(LOOK_EVERY).await;
            }
        };
        let hurried = async {
            hurry.await;
            flow.keep_until(0);
            tokio::time::sleep(HURRIED_TIMEOUT).await;
        };
        tokio::select! {
            () = ended => {}
            () = hurried => {}
            () = tokio::time::sleep(STOP_TIMEOUT) => {}
        }
        // Whoever has not ended is left behind, and ends with the process.
        streams.into_iter().for_each(Streamer::join);
        join("page", page)?;
        let guarded = join("guard", guard);
        let stored = join("recorder", recorder);
        let (records, bytes) = flow.not_kept();
        if records > 0 {
            let why = match &stored {
                Ok(Some(Err(error))) => error.to_string(),
                Ok(Some(Ok(()))) => "the store did not take them".to_owned(),
                Ok(None) => "the disk does not answer".to_owned(),
                Err(panicked) => panicked.to_string(),
            };
            let error = ServeError::NotKept {
                records,
                bytes,
                why,
            };
            tracing::error!(records, bytes, "{error}");
            return Err(error);
        }
        guarded?;
        Ok(stored?.transpose().map(drop)?)
    }
}

/// What a thread has come to; nothing while it goes on.
fn join<T>(name: &str, thread: std::thread::JoinHandle<T>) -> Result<Option<T>, ServeError> {
    if !thread.is_finished() {
        tracing::error!("the {name} thread does not end: it is left behind");
        return Ok(None);
    }
    let outcome = thread.join();
    let panicked = |_panic| ServeError::Thread(format!("the {name} thread ended in a panic"));
    outcome.map(Some).map_err(panicked)
}
