//! The recorder thread: the one writer of the store.

mod rescue;

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::Duration;

use leverarm_config::Stand;
use tokio::sync::{broadcast, mpsc, oneshot, watch};

use super::record_keeper::{Belongs, Kept, RecordKeeper};
use super::{KeepError, KeepRequest, PullNotice, ServeError, keep};
use crate::clock::Clock;
use crate::self_test::{TestedOn, keep_self_test};
use crate::stream::SaveForStream;
use leverarm_analysis::in_force::{self, CalibrationError, hash_in_force, put_change};
use leverarm_analysis::journal::Throttle;
use leverarm_analysis::mounting;
use leverarm_analysis::parts::{part_differences, parts_in_words};
use leverarm_analysis::reduction::EnteredAir;
use leverarm_live::{Event, Now, Record};
use leverarm_store::{
    Acknowledgement, EventId, NewEvent, NewSetup, PullEdit, PullId, PullState, SetupId,
    SetupRecord, Severity, Store, StoreError, StoreReader,
};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::NewCalibrationRequest;
use leverarm_vocabulary::{EventKind, Repeats, payload};
use rescue::{Rescue, tell_of_copies};

/// Records between the guard thread and this one. At two chunks a second it holds several minutes.
const RECORDS_MAX: usize = 1024;
const RETRY_EVERY: Duration = Duration::from_millis(200);
/// Whether the store is where it was is looked at so often when nothing is stored.
const LOOK_EVERY_US: u64 = 200_000;
/// A record that takes longer is told of: the queue holds minutes, but something is wrong.
const STORE_SLOW_US: u64 = 500_000;
const META_SETUP: &str = "setup";
const META_AIR: &str = "air";

/// A setup to be made or taken.
#[derive(Debug, Clone, PartialEq, serde::Deserialize, serde::Serialize)]
pub struct NewSetupRequest {
    /// Its name.
    pub name: String,
    /// Free notes.
    #[serde(default)]
    pub notes: String,
    /// What is bolted on, key by key.
    #[serde(default)]
    pub parts: serde_json::Map<String, serde_json::Value>,
    /// It was taken off and put back on, though it is the setup in force.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub again: bool,
}

/// A setup that was made or taken.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct TakenSetup {
    /// Which.
    #[serde(skip)]
    pub id: SetupId,
    /// Its name.
    #[serde(rename = "message")]
    pub name: String,
    /// The notes that it had until new ones replaced them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replaced_notes: Option<String>,
}

/// Something that others want of the one writer.
#[derive(Debug)]
pub enum StoreRequest {
    /// Make or take a setup.
    Setup {
        /// Which.
        request: NewSetupRequest,
        /// Where it goes once it is stored.
        answer: oneshot::Sender<Result<TakenSetup, StoreError>>,
    },
    /// Write a note on a pull.
    Note {
        /// The pull.
        pull: PullId,
        /// The note.
        note: String,
        /// Where the outcome goes.
        answer: oneshot::Sender<Result<(), StoreError>>,
    },
    /// Set or forget the entered air.
    Air {
        /// The air.
        air: Option<EnteredAir>,
        /// Where the outcome goes.
        answer: oneshot::Sender<Result<(), StoreError>>,
    },
    /// A person has looked at an event.
    Acknowledge {
        /// Which.
        event: EventId,
        /// What they found.
        note: String,
        /// Where the outcome goes.
        answer: oneshot::Sender<Result<(), StoreError>>,
    },
    /// Keep an event that a person's command made.
    Event {
        /// The event; the recorder sets its times.
        event: Box<NewEvent>,
        /// Where the outcome goes.
        answer: oneshot::Sender<Result<(), StoreError>>,
    },
    /// Keep what a destination tells.
    Stream(SaveForStream),
    /// Keep the newest stretch of the byte log as a pull.
    Keep {
        /// How much of it.
        request: KeepRequest,
        /// Where the pull's number goes.
        answer: oneshot::Sender<Result<PullId, KeepError>>,
    },
    /// Put a calibration in force, for the next pulls.
    Calibration {
        /// What was calibrated.
        request: Box<NewCalibrationRequest>,
        /// Where the outcome goes.
        answer: oneshot::Sender<Result<(), CalibrationError>>,
    },
}

impl From<SaveForStream> for StoreRequest {
    fn from(asked: SaveForStream) -> Self {
        Self::Stream(asked)
    }
}

/// What the store holds, as far as a page has to know: when a number changes, there is something
/// new to fetch.
#[derive(Debug, Clone, Default, PartialEq, serde::Serialize)]
pub struct Stored {
    /// When the daemon started: tells one run from the next.
    pub started_wall_us: i64,
    /// The setup that the next pulls belong to.
    pub setup: Option<String>,
    /// The entered air of the next pulls; null when the stand file's holds.
    pub air: Option<EnteredAir>,
    /// Rises with each change of a pull, by its start, its end, or a note.
    pub pulls: u64,
    /// Rises with each new or changed setup.
    pub setups: u64,
    /// Rises with each event.
    pub events: u64,
}

/// Counts of records on their way into the store.
#[derive(Debug)]
pub(super) struct Flow {
    /// Given to the queue.
    pub(super) given: AtomicU64,
    /// Taken from it, and stored.
    pub(super) taken: AtomicU64,
    /// Waiting on the guard thread's side.
    pub(super) backlog: AtomicU64,
    /// Lost, because nothing took them. With a single one the store does not keep up any more: what
    /// is not recorded is not ridden.
    pub(super) lost: AtomicU64,
    /// Times that the store refused a record.
    pub(super) refusals: AtomicU64,
    /// The files of the store are gone: what is written is not kept.
    pub(super) gone: AtomicBool,
    /// Bytes from the board that are to be kept, and are not yet.
    bytes_waiting: AtomicU64,
    /// When a store that takes no more is given up, on the monotonic clock; the daemon stops by then.
    keep_until_us: AtomicU64,
}

impl Default for Flow {
    fn default() -> Self {
        Self {
            given: AtomicU64::default(),
            taken: AtomicU64::default(),
            backlog: AtomicU64::default(),
            lost: AtomicU64::default(),
            refusals: AtomicU64::default(),
            gone: AtomicBool::default(),
            bytes_waiting: AtomicU64::default(),
            keep_until_us: AtomicU64::new(u64::MAX),
        }
    }
}

impl Flow {
    pub(super) fn keep_until(&self, mono_us: u64) {
        self.keep_until_us.store(mono_us, Ordering::Relaxed);
    }

    fn is_given_up(&self, mono_us: u64) -> bool {
        mono_us >= self.keep_until_us.load(Ordering::Relaxed)
    }

    /// Once all have ended: records, and bytes from the board in them, that are not in the store.
    pub(super) fn not_kept(&self) -> (u64, u64) {
        let read = |count: &AtomicU64| count.load(Ordering::Relaxed);
        let in_queue = read(&self.given).saturating_sub(read(&self.taken));
        let records = read(&self.lost) + in_queue + read(&self.backlog);
        (records, read(&self.bytes_waiting))
    }

    /// Counts a lost record; gives how many there are now.
    fn lose(&self) -> u64 {
        self.lost.fetch_add(1, Ordering::Relaxed) + 1
    }
}

/// The guard thread's end of the queue.
#[derive(Debug)]
pub(super) struct Records {
    sender: SyncSender<Record>,
    backlog: VecDeque<Record>,
    /// Of the lost ones the journal does not know yet.
    lost_untold: u64,
    clock: Clock,
    taken_before: u64,
    progress_us: u64,
    flow: Arc<Flow>,
}

/// Records that wait on the guard thread's side while the queue is full.
const BACKLOG_MAX: usize = 2048;
/// So many waiting there mean that the store does not keep up.
const BACKLOG_BEHIND: usize = 16;
/// So long without a record stored, while some wait, means so too: the disk is full, or gone.
const STALLED_US: u64 = 2_000_000;

impl Records {
    /// Gives records to the recorder without ever waiting. What does not fit waits here; what does
    /// not fit here either is lost, counted, and an ERROR.
    pub(super) fn give(&mut self, records: &mut Vec<Record>) {
        for record in records.drain(..) {
            let bytes = bytes_of(&record);
            self.flow.bytes_waiting.fetch_add(bytes, Ordering::Relaxed);
            if self.backlog.len() < BACKLOG_MAX {
                self.backlog.push_back(record);
            } else {
                self.lost_untold += 1;
                // Counted first: what a macro is given is not looked at where nobody listens.
                let lost = self.flow.lose();
                tracing::error!(lost, "a record was lost: the store does not take any");
            }
        }
        if self.lost_untold > 0 && self.backlog.len() < BACKLOG_MAX {
            self.backlog
                .push_back(overflow(self.clock.now(), self.lost_untold));
            self.lost_untold = 0;
        }
        while let Some(record) = self.backlog.pop_front() {
            if let Err(error) = self.sender.try_send(record) {
                let (std::sync::mpsc::TrySendError::Full(record)
                | std::sync::mpsc::TrySendError::Disconnected(record)) = error;
                self.backlog.push_front(record);
                break;
            }
            self.flow.given.fetch_add(1, Ordering::Relaxed);
        }
        let waiting = u64::try_from(self.backlog.len()).unwrap_or(u64::MAX);
        self.flow.backlog.store(waiting, Ordering::Relaxed);
    }

    pub(super) fn keeps_up(&mut self, mono_us: u64) -> bool {
        let taken = self.flow.taken.load(Ordering::Relaxed);
        if taken == self.flow.given.load(Ordering::Relaxed) || taken != self.taken_before {
            self.taken_before = taken;
            self.progress_us = mono_us;
        }
        let stalled = mono_us.saturating_sub(self.progress_us) > STALLED_US;
        let lost = self.flow.lost.load(Ordering::Relaxed);
        let gone = self.flow.gone.load(Ordering::Relaxed);
        !stalled && self.backlog.len() < BACKLOG_BEHIND && lost == 0 && !gone
    }

    /// At the end: waits until everything is over, or the store is given up.
    pub(super) fn finish(mut self) {
        loop {
            self.give(&mut Vec::new());
            if self.backlog.is_empty() || self.flow.is_given_up(self.clock.now().mono_us) {
                return;
            }
            std::thread::sleep(RETRY_EVERY);
        }
    }
}

/// Bytes from the board in a record.
fn bytes_of(record: &Record) -> u64 {
    match record {
        Record::Chunk(chunk) => u64::try_from(chunk.bytes.len()).unwrap_or(u64::MAX),
        _ => 0,
    }
}

/// The journal's word of records that found no place, told as soon as there is some again.
fn overflow(now: Now, count: u64) -> Record {
    let message = format!("{count} records were lost: the store did not take any for too long");
    let event = Event::new(now, None, EventKind::QueueOverflow, message);
    Record::Event(event.about("store").repeated(Repeats::times(count)))
}

/// Where the recorder tells what is new.
pub(super) struct Outlets {
    pub(super) notices: broadcast::Sender<PullNotice>,
    pub(super) stored: watch::Sender<Stored>,
    /// The stand's constants as calibrated.
    pub(super) model: watch::Sender<Arc<CalibratedStand>>,
}

pub(super) struct Recorder {
    pub(super) store: Store,
    pub(super) clock: Clock,
    keeper: RecordKeeper,
    /// Names of the setups of the next pulls, and of the one under way.
    setup_name: Option<String>,
    pull_setup: Option<String>,
    throttle: Throttle,
    outlets: Outlets,
    of_stand: Arc<Stand>,
    stand_text: String,
    pub(super) flow: Arc<Flow>,
    /// While the files of the store are gone.
    rescue: Option<Rescue>,
    looked_us: u64,
}

/// Why no new store could be begun.
#[derive(Debug, thiserror::Error)]
pub(super) enum RecorderError {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error(transparent)]
    Calibration(#[from] CalibrationError),
}

/// The guard thread's end of the queue, and the recorder's thread.
type Started = (Records, std::thread::JoinHandle<Result<(), StoreError>>);

/// Starts the recorder. It ends when the guard thread's end of the queue is dropped.
pub(super) fn start(
    mut store: Store,
    (of_stand, stand_text): (Arc<Stand>, String),
    clock: Clock,
    requests: mpsc::Receiver<StoreRequest>,
    outlets: Outlets,
    flow: Arc<Flow>,
) -> Result<Started, ServeError> {
    tell_of_copies(store.folder());
    let stand = store.put_stand(&stand_text)?;
    let calibration = hash_in_force(&mut store)?;
    let reader = store.reader()?;
    let setup = setup_in_force(&reader)?.map(|setup| (setup.id, setup.name));
    let air = air_of_the_day(&reader)?;
    for pull in &store.recovered().pulls {
        tracing::warn!(pull = %pull, "a pull was under way when the daemon last ended: kept as interrupted");
    }
    outlets.stored.send_replace(Stored {
        started_wall_us: clock.now().wall_us,
        setup: setup.as_ref().map(|(_, name)| name.clone()),
        air,
        ..Stored::default()
    });
    let recorder = Recorder {
        store,
        clock,
        keeper: RecordKeeper::new(Belongs {
            stand,
            calibration,
            setup: setup.as_ref().map(|(id, _)| *id),
            air: EnteredAir::stored(air)?,
        }),
        setup_name: setup.map(|(_, name)| name),
        pull_setup: None,
        throttle: Throttle::default(),
        outlets,
        of_stand,
        stand_text,
        flow: Arc::clone(&flow),
        rescue: None,
        looked_us: 0,
    };
    recorder.tell_model();
    let (sender, records) = sync_channel(RECORDS_MAX);
    let thread = std::thread::Builder::new()
        .name("recorder".to_owned())
        .spawn(move || recorder.run(&records, requests))
        .map_err(ServeError::not_started("the recorder"))?;
    Ok((
        Records {
            sender,
            backlog: VecDeque::new(),
            lost_untold: 0,
            clock,
            taken_before: 0,
            progress_us: 0,
            flow,
        },
        thread,
    ))
}

impl Recorder {
    fn run(
        mut self,
        records: &Receiver<Record>,
        requests: mpsc::Receiver<StoreRequest>,
    ) -> Result<(), StoreError> {
        let outcome = self.record(records, requests);
        self.look_after_store();
        if self.rescue.is_some() {
            self.store.abandon();
        }
        outcome
    }

    fn record(
        &mut self,
        records: &Receiver<Record>,
        mut requests: mpsc::Receiver<StoreRequest>,
    ) -> Result<(), StoreError> {
        loop {
            // One at a time: however many ask, the records have their turn.
            if let Ok(request) = requests.try_recv() {
                self.request(request);
            }
            let wait = if requests.is_empty() {
                Duration::from_millis(20)
            } else {
                Duration::ZERO
            };
            match records.recv_timeout(wait) {
                Ok(record) => {
                    let bytes = bytes_of(&record);
                    self.take(record)?;
                    self.flow.bytes_waiting.fetch_sub(bytes, Ordering::Relaxed);
                    self.flow.taken.fetch_add(1, Ordering::Relaxed);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => break,
            }
            let now_us = self.clock.now().mono_us;
            if now_us.saturating_sub(self.looked_us) >= LOOK_EVERY_US {
                self.looked_us = now_us;
                self.look_after_store();
            }
            for event in self.throttle.due(now_us) {
                self.keep_event(&event)?;
            }
        }
        for event in self.throttle.all() {
            self.keep_event(&event)?;
        }
        while let Ok(request) = requests.try_recv() {
            self.request(request);
        }
        Ok(())
    }

    fn take(&mut self, record: Record) -> Result<(), StoreError> {
        match record {
            Record::Event(event) => {
                let now_us = event.now.mono_us;
                let now = self.throttle.push(now_us, self.keeper.event(event));
                now.iter().try_for_each(|event| self.keep_event(event))
            }
            record => {
                self.keep(|recorder| recorder.store(&record), &record)?;
                self.tell(&record);
                Ok(())
            }
        }
    }

    fn keep_event(&mut self, event: &NewEvent) -> Result<(), StoreError> {
        self.log(event);
        self.keep(|recorder| recorder.add_event(event), event)
    }

    /// Stores something, however long it takes: while the store refuses, the queue fills, and the
    /// guard thread notices. Only when the daemon stops there is an end to it, which is the error.
    fn keep(
        &mut self,
        mut store: impl FnMut(&mut Self) -> Result<(), StoreError>,
        record: &impl std::fmt::Debug,
    ) -> Result<(), StoreError> {
        let mut told = false;
        let began_us = self.clock.now().mono_us;
        loop {
            let Err(error) = store(self) else {
                if told {
                    tracing::info!("the store takes records again");
                }
                let now = self.clock.now();
                let took_us = now.mono_us.saturating_sub(began_us);
                if took_us >= STORE_SLOW_US {
                    self.tell_slow(now, took_us);
                }
                return Ok(());
            };
            self.flow.refusals.fetch_add(1, Ordering::Relaxed);
            // Whatever the error is: with files that are gone it comes from that, and passes.
            let was_gone = self.rescue.is_some();
            self.look_after_store();
            let is_gone = self.rescue.is_some();
            if was_gone && !is_gone {
                continue;
            }
            if !is_gone && !is_passing(&error) {
                let lost = self.flow.lose();
                tracing::error!(%error, lost, ?record, "a record can't be stored");
                return Ok(());
            }
            if self.flow.is_given_up(self.clock.now().mono_us) {
                return Err(error);
            }
            if !told {
                tracing::error!(%error, "the store refuses; trying again until it takes the record");
                told = true;
            }
            std::thread::sleep(RETRY_EVERY);
        }
    }

    /// Journals that the store was slow. It goes the way of all events, but for the measuring.
    fn tell_slow(&mut self, now: Now, took_us: u64) {
        let message = format!("the store took {} ms for one record", took_us / 1000);
        let slow = payload::StoreSlow {
            took_ms: took_us / 1000,
        };
        let event = Event::telling(now, None, &slow, message).about("store");
        let event = self.keeper.event(event);
        if let Some(event) = self.throttle.push(now.mono_us, event) {
            self.keep_at_once(&event);
        }
    }

    /// Keeps a word about the store itself, past what waits for it.
    pub(super) fn keep_now(&mut self, event: Event) {
        let event = self.keeper.event(event);
        self.keep_at_once(&event);
    }

    fn keep_at_once(&mut self, event: &NewEvent) {
        self.log(event);
        if let Err(error) = self.add_event(event) {
            tracing::error!(%error, "an event can't be stored");
        }
    }

    /// Puts what pulls belong to, and what is under way, into a store that knows nothing of it.
    pub(super) fn replay(&mut self, store: &mut Store) -> Result<(), RecorderError> {
        let mut belongs = self.keeper.belongs.clone();
        belongs.stand = store.put_stand(&self.stand_text)?;
        belongs.calibration = hash_in_force(store)?;
        if let Some(name) = self.setup_name.clone() {
            let request = NewSetupRequest {
                name,
                notes: String::new(),
                parts: serde_json::Map::new(),
                again: false,
            };
            belongs.setup = Some(take_setup(store, &request, self.clock.now())?.id);
        }
        Ok(self.keeper.go_on_in(store, belongs)?)
    }

    fn add_event(&mut self, event: &NewEvent) -> Result<(), StoreError> {
        self.store.add_event(event)?;
        self.outlets.stored.send_modify(|stored| stored.events += 1);
        Ok(())
    }

    /// Lets live values follow the calibrations in force.
    fn tell_model(&self) {
        let reader = self.store.reader().map_err(CalibrationError::from);
        match reader.and_then(|reader| in_force::newest_calibration(&reader)) {
            Ok((calibration, _)) => {
                let of = CalibratedStand::new(Stand::clone(&self.of_stand), &calibration);
                self.outlets.model.send_replace(Arc::new(of));
            }
            Err(error) => {
                tracing::error!(%error, "live torque is made with the stand file's constants");
            }
        }
    }

    /// Lets the page know that there is something new.
    fn tell(&self, record: &Record) {
        if matches!(record, Record::PullStarted { .. } | Record::PullEnded(_)) {
            self.outlets.stored.send_modify(|stored| stored.pulls += 1);
        }
    }

    fn store(&mut self, record: &Record) -> Result<(), StoreError> {
        if let Record::SelfTested(report) = record {
            let stand = self.keeper.belongs.stand;
            return keep_self_test(&mut self.store, stand, TestedOn::Board, report);
        }
        match self.keeper.keep(&mut self.store, record)? {
            Kept::PullStarted(_) => self.pull_setup.clone_from(&self.setup_name),
            Kept::PullEnded(id, state) => {
                tracing::info!(pull = %id, state = %state, "pull stored");
                let setup = self.pull_setup.take();
                // Nobody need be listening.
                drop(self.outlets.notices.send(PullNotice { id, state, setup }));
            }
            // Events go by the throttle. What belongs nowhere came before the first connection.
            Kept::Stored | Kept::Unplaced | Kept::Other => {}
        }
        Ok(())
    }

    /// Logs an event, or several that were folded into one.
    fn log(&self, event: &NewEvent) {
        let event = &event.event;
        let (kind, channel, message) =
            (event.kind.word(), event.channel.as_deref(), &event.message);
        let count = event.repeats.as_ref().map(|repeats| repeats.count);
        match event.severity {
            Severity::Info => tracing::info!(kind, channel, count, "{message}"),
            Severity::Warning => tracing::warn!(kind, channel, count, "{message}"),
            Severity::Error | Severity::Cut => tracing::error!(kind, channel, count, "{message}"),
        }
    }

    fn request(&mut self, request: StoreRequest) {
        // Whoever asked may be gone by now.
        match request {
            StoreRequest::Setup { request, answer } => drop(answer.send(self.setup(request))),
            StoreRequest::Air { air, answer } => drop(answer.send(self.air(air))),
            StoreRequest::Calibration { request, answer } => {
                drop(answer.send(self.calibrate(*request)));
            }
            StoreRequest::Keep { request, answer } => {
                drop(answer.send(self.keep_stretch(&request)));
            }
            StoreRequest::Note { pull, note, answer } => {
                drop(answer.send(self.note(pull, note)));
            }
            StoreRequest::Acknowledge {
                event,
                note,
                answer,
            } => {
                let wall_us = self.clock.now().wall_us;
                let look = Acknowledgement { wall_us, note };
                drop(answer.send(self.acknowledge(event, &look)));
            }
            StoreRequest::Event { mut event, answer } => {
                let now = self.clock.now();
                event.event.now = now;
                let outcome = self.add_event(&event);
                // A word on a pull: lists of pulls show it.
                if outcome.is_ok() && event.pull.is_some() {
                    self.outlets.stored.send_modify(|stored| stored.pulls += 1);
                }
                drop(answer.send(outcome));
            }
            StoreRequest::Stream(SaveForStream {
                destination,
                save,
                answer,
            }) => {
                let outcome = save.put(&mut self.store, &destination);
                if !save.events.is_empty() {
                    self.outlets.stored.send_modify(|stored| stored.events += 1);
                }
                drop(answer.send(outcome));
            }
        }
    }

    fn acknowledge(&mut self, event: EventId, look: &Acknowledgement) -> Result<(), StoreError> {
        self.store.acknowledge(event, look)?;
        self.outlets.stored.send_modify(|stored| stored.events += 1);
        Ok(())
    }

    fn setup(&mut self, request: NewSetupRequest) -> Result<TakenSetup, StoreError> {
        let taken = take_setup(&mut self.store, &request, self.clock.now())?;
        self.keeper.belongs.setup = Some(taken.id);
        self.setup_name = Some(taken.name.clone());
        self.outlets.stored.send_modify(|stored| {
            stored.setup = Some(taken.name.clone());
            stored.setups += 1;
        });
        Ok(taken)
    }

    fn calibrate(&mut self, request: NewCalibrationRequest) -> Result<(), CalibrationError> {
        let summary = request.summary.clone();
        self.keeper.belongs.calibration =
            put_change(&mut self.store, request, self.clock.now().wall_us)?;
        self.tell_model();
        tracing::info!(summary, "calibration in force");
        Ok(())
    }

    fn keep_stretch(&mut self, request: &KeepRequest) -> Result<PullId, KeepError> {
        let id = keep(&mut self.store, request, self.keeper.belongs.clone())?;
        tracing::info!(pull = %id, seconds = request.seconds, "kept by hand");
        self.outlets.stored.send_modify(|stored| stored.pulls += 1);
        let setup = self.setup_name.clone();
        let state = PullState::Stored;
        // Nobody need be listening.
        drop(self.outlets.notices.send(PullNotice { id, state, setup }));
        Ok(id)
    }

    fn note(&mut self, pull: PullId, note: String) -> Result<(), StoreError> {
        let edit = PullEdit {
            note: Some(note),
            ..PullEdit::default()
        };
        self.store.edit_pull(pull, &edit)?;
        self.outlets.stored.send_modify(|stored| stored.pulls += 1);
        Ok(())
    }

    fn air(&mut self, air: Option<EnteredAir>) -> Result<(), StoreError> {
        self.keeper.belongs.air = put_air(&mut self.store, air)?;
        self.outlets.stored.send_modify(|stored| stored.air = air);
        Ok(())
    }
}

/// Makes a setup, or takes the one of that name, and lets the next pulls belong to it.
///
/// # Errors
/// As the store's writing methods.
pub(crate) fn take_setup(
    store: &mut Store,
    request: &NewSetupRequest,
    now: Now,
) -> Result<TakenSetup, StoreError> {
    let taken = setup_of(store, request, now.wall_us)?;
    store.set_meta(META_SETUP, Some(&request.name))?;
    if request.again {
        store.add_event(&mounting::event(&request.name, now))?;
    }
    Ok(taken)
}

/// What is bolted on, as far as a person said so.
///
/// # Errors
/// As the store's reading methods.
pub(crate) fn setup_in_force(reader: &StoreReader) -> Result<Option<SetupRecord>, StoreError> {
    let name = reader.meta(META_SETUP)?;
    name.map(|name| reader.setup_named(&name)).transpose()
}

/// The setup of that name, made where there is none yet.
///
/// # Errors
/// As the store's writing methods, and [`StoreError::OtherParts`].
pub(crate) fn setup_of(
    store: &mut Store,
    request: &NewSetupRequest,
    created_wall_us: i64,
) -> Result<TakenSetup, StoreError> {
    let mut replaced_notes = None;
    let existing = store.reader()?.setup_named(&request.name);
    let id = match existing {
        Ok(setup) => {
            // A comparison judges by the parts: they are never changed under a name in use.
            let given = serde_json::Value::Object(request.parts.clone());
            if !request.parts.is_empty() && !part_differences(&setup.parts, &given).is_empty() {
                return Err(StoreError::OtherParts {
                    name: setup.name,
                    kept: parts_in_words(&setup.parts),
                    given: parts_in_words(&given),
                });
            }
            if !request.notes.is_empty() && request.notes != setup.notes {
                store.set_setup_notes(setup.id, &request.notes)?;
                replaced_notes = Some(setup.notes).filter(|notes| !notes.is_empty());
            }
            setup.id
        }
        Err(StoreError::NotFound { .. }) => store.add_setup(&NewSetup {
            name: request.name.clone(),
            created_wall_us,
            notes: request.notes.clone(),
            parts: serde_json::Value::Object(request.parts.clone()),
        })?,
        Err(error) => return Err(error),
    };
    Ok(TakenSetup {
        id,
        name: request.name.clone(),
        replaced_notes,
    })
}

/// The air that was last entered, as the store keeps it for the next pulls.
///
/// # Errors
/// When what is kept can't be read: it would otherwise count as none.
pub(crate) fn air_of_the_day(reader: &StoreReader) -> Result<Option<EnteredAir>, StoreError> {
    let what = "the air entered for the next pulls (enter it again: leverarm air)";
    match reader.meta(META_AIR)? {
        None => Ok(None),
        Some(text) => {
            let value =
                serde_json::from_str(&text).map_err(|error| StoreError::damaged(what, error))?;
            EnteredAir::read(&value, what)
        }
    }
}

/// Keeps the entered air for the next pulls, or forgets it.
///
/// # Errors
/// As the store's writing methods.
pub(crate) fn put_air(
    store: &mut Store,
    air: Option<EnteredAir>,
) -> Result<serde_json::Value, StoreError> {
    let value = EnteredAir::stored(air)?;
    let text = (!value.is_null()).then(|| value.to_string());
    store.set_meta(META_AIR, text.as_deref())?;
    Ok(value)
}

/// Errors that pass when there is room or the lock is gone; others would come again for ever.
fn is_passing(error: &StoreError) -> bool {
    matches!(
        error,
        StoreError::DiskFull { .. }
            | StoreError::Busy { .. }
            | StoreError::ReadOnly { .. }
            | StoreError::Io { .. }
            | StoreError::Vanished { .. }
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nobody takes records until the queue and what waits before it are full. What is lost then is
    /// counted, and the journal hears of it as soon as there is room.
    #[test]
    fn an_overflow_is_told_with_its_count() {
        let (sender, receiver) = sync_channel(RECORDS_MAX);
        let flow = Arc::new(Flow::default());
        let mut records = Records {
            sender,
            backlog: VecDeque::new(),
            lost_untold: 0,
            clock: Clock::start(),
            taken_before: 0,
            progress_us: 0,
            flow: Arc::clone(&flow),
        };
        let record = || Record::Disconnected {
            now: Now::new(0, 0),
            reason: "a test".to_owned(),
        };
        let room = RECORDS_MAX + BACKLOG_MAX;
        for _ in 0..room + 7 {
            records.give(&mut vec![record()]);
        }
        assert!(!records.keeps_up(0));
        assert_eq!(flow.lost.load(Ordering::Relaxed), 7);
        // There is room again.
        let mut taken: Vec<Record> = receiver.try_iter().collect();
        for _ in 0..4 {
            records.give(&mut Vec::new());
            taken.extend(receiver.try_iter());
        }
        assert_eq!(taken.len(), room + 1);
        let Some(Record::Event(event)) = taken.pop() else {
            panic!("no event at the end");
        };
        assert_eq!(
            (event.kind, event.severity),
            (EventKind::QueueOverflow, Severity::Error)
        );
        assert_eq!(event.count(), 7);
    }
}
