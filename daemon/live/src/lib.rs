//! The live half of the daemon: one state machine without I/O and without a clock.
//!
//! Bytes, commands and the time go in; bytes for the board, records for the store and live values
//! come out. The thread that owns the port is a loop around it, and so is the fault simulation.

mod chunks;
mod cut;
mod delay;
mod guards;
pub mod health;
mod link;
mod live;
mod load;
mod log;
mod plausibility;
mod presence;
mod pulls;
mod self_test;
mod signals;
mod still_driven;
mod swarms;
mod wheel;

use std::sync::Arc;

use leverarm_config::{GuardAction, Shaft, Signal, Source, Stand};
use leverarm_filters::teeth::{Edge, ToothKind};
use leverarm_protocol::{
    BoardMessage, BoardState, ChannelKind, Counters, CutCause, Form, FrameWriter, Hello,
    HostMessage, HostWriter, LinkFault, Reading, Status, Teeth,
};

pub use leverarm_vocabulary::{Cut, CutBy, Event, Now};

pub use chunks::ChunkData;
pub use cut::{CutLatch, CutView};
pub use live::{ChannelLive, GuardLive, Live, PullPhase};
pub use load::{LoadLive, RunLive, StepDone, TUNING, TuningLive, load_messages};
pub use log::records_of_log;
pub use self_test::{Arming, BoardStart, GuardTrial, LastTest, Passed, SelfTestReport};

use chunks::ChunkBuilder;
use cut::CutDesk;
use guards::{Context, GuardDesk, Verdict};
use health::HealthDesk;
use leverarm_values::{CalibratedStand, Sample};
use leverarm_vocabulary::load::LoadWord;
use leverarm_vocabulary::{DAEMON_STOPPED, EventKind, Severity, payload};
pub use link::no_board_text;
use link::{Link, limits_lacking, limits_wanted};
use load::{LoadDesk, RunNews};
use plausibility::Plausibility;
use pulls::{PullEvent, PullFinder};
use self_test::{EdgesSeen, SelfTest};
use signals::Signals;
use still_driven::{News, StillDriven};
use swarms::{About, Swarms};

/// A board as its hello describes it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HelloData {
    /// The hello as a frame on the wire.
    pub frame: Vec<u8>,
    /// Ticks per second.
    pub tick_hz: u32,
    /// Identity of the board.
    pub board_id: u64,
    /// Number of its start.
    pub boot: u16,
    /// Firmware version.
    pub firmware: [u8; 3],
    /// It says that it is simulated.
    pub is_simulated: bool,
}

impl HelloData {
    fn of(hello: &Hello<'_>) -> Self {
        // The stored hello is for its content; ticks come from the chunks.
        let mut frame = FrameWriter::new();
        let bytes = frame.write(0, &BoardMessage::Hello(*hello));
        Self {
            frame: bytes.unwrap_or_default().to_vec(),
            tick_hz: hello.tick_hz,
            board_id: hello.board_id,
            boot: hello.boot,
            firmware: hello.firmware,
            is_simulated: hello.is_simulated(),
        }
    }
}

/// What a pull is when it is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending {
    /// It reached its end speed, or all steps were read.
    Whole,
    /// It did not.
    Broken,
    /// No pull of the engine: a run for tuning the load, however far it came.
    Tuning,
}

/// The end of a pull.
#[derive(Clone, Debug, PartialEq)]
pub struct PullEnded {
    /// What it was.
    pub ending: Ending,
    /// Tick of its greatest speed.
    pub tick_peak: u64,
    /// Tick of its end, coasting included.
    pub tick_end: u64,
    /// Last chunk that holds bytes of it.
    pub chunk_seq_last: u32,
    /// Why it is not whole, and what broke it off.
    pub reasons: Vec<String>,
}

/// Something to be stored, in order, and never dropped in silence.
#[derive(Clone, Debug, PartialEq)]
pub enum Record {
    /// A port was opened, or its board started again: ticks begin again.
    Connected {
        /// Path of the port.
        port: String,
        /// When.
        now: Now,
    },
    /// The board said who it is.
    Hello(HelloData),
    /// Bytes from the port.
    Chunk(ChunkData),
    /// A pull is under way.
    PullStarted {
        /// When it was noticed.
        now: Now,
        /// First tick wanted, before the start.
        tick_first_wanted: u64,
        /// Tick of the start.
        tick_start: u64,
        /// Chunk that holds the first wanted tick.
        chunk_seq_first: u32,
    },
    /// The pull under way is over.
    PullEnded(PullEnded),
    /// For the journal.
    Event(Event),
    /// A self-test of the guards is over.
    SelfTested(SelfTestReport),
    /// The connection is over.
    Disconnected {
        /// When.
        now: Now,
        /// Why.
        reason: String,
    },
}

/// What a step of the core wants done.
#[derive(Debug, Default)]
pub struct Output {
    /// Bytes for the board, to be written at once.
    pub write: Vec<u8>,
    /// Records for the store, oldest first.
    pub records: Vec<Record>,
}

impl Output {
    pub(crate) fn tell(&mut self, event: Event) {
        self.records.push(Record::Event(event));
    }
}

/// What a person can ask of the core.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Cut now.
    Cut {
        /// Who or what asks.
        reason: String,
    },
    /// End all cuts up to this number: whoever asks has seen them.
    Release {
        /// Number of the newest cut, as the daemon counts.
        cut_id: u32,
    },
    /// Try every guard, with everything at standstill.
    SelfTest,
    /// Something about the load of a brake stand.
    Load(LoadWord),
}

/// Why a command had no effect.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CommandError {
    /// There is nothing to release.
    #[error("there is no cut to release")]
    NotCut,
    /// The cut is not confirmed by the board, so it has no number yet.
    #[error("the board has not confirmed the cut yet; it can be released once it has")]
    NotConfirmed,
    /// There is no cut with this number yet.
    #[error("cut {found} is in force, not {asked}; look at its cause before releasing it")]
    OtherCut {
        /// The one asked for.
        asked: u32,
        /// The newest in force.
        found: u32,
    },
    /// A cut came that whoever asks has not seen.
    #[error(
        "not released: after cut {asked} came {since}; look at that too, then release {newest}, which ends all"
    )]
    CutSince {
        /// The one asked for.
        asked: u32,
        /// Those that came after it, with their causes.
        since: String,
        /// The newest in force.
        newest: u32,
    },
    /// The guards are being tested.
    #[error(
        "the guards are being tested; the test ends cut, and then a person releases. A cut breaks it off"
    )]
    SelfTesting,
    /// The reason for the cut is still there.
    #[error(
        "guard \"{guard}\" still sees a reason to cut; it can't be released before that is gone"
    )]
    StillTripped {
        /// The guard.
        guard: String,
    },
    /// The stand waits for a self-test of its guards.
    #[error(
        "the stand is not armed: with everything at standstill, test its guards first: leverarm test-guards"
    )]
    NotArmed,
    /// The guards can't be tested now.
    #[error("the guards can't be tested now: {why}")]
    NoSelfTest {
        /// Why not.
        why: String,
    },
    /// No board.
    #[error("no board is connected, so the cut can't be released")]
    NoBoard,
    /// The load can't do that now.
    #[error("load: {why}")]
    Load {
        /// Why not.
        why: String,
    },
}

const HEARTBEAT_EVERY_US: u64 = 50_000;
const IDENTIFY_EVERY_US: u64 = 500_000;
const LIMITS_EVERY_US: u64 = 500_000;
const IDENTIFY_AFTER_LOSS_US: u64 = 1_000_000;
/// Longest time between two ticks of the core.
const TICK_EVERY_US: u64 = 20_000;
/// A hello that never comes, and limits that are never in force, are told after so long.
const PATIENCE_US: u64 = 2_000_000;

/// The live state machine of one stand.
///
/// Whoever runs it gives it the bytes that have come before the time that has passed: calls
/// [`feed`](Self::feed) until nothing waits, then [`tick`](Self::tick).
#[derive(Debug)]
pub struct Core {
    stand: Stand,
    /// The same as calibrated: what is live follows it. Guards on a speed keep the stand file's
    /// drive ratio.
    of: Arc<CalibratedStand>,
    link: Option<Link>,
    is_open: bool,
    host: HostWriter,
    /// How the board speaks, once that is known.
    form: Option<Form>,
    signals: Signals,
    guards: GuardDesk,
    plausibility: Plausibility,
    cut: CutDesk,
    still_driven: StillDriven,
    load: LoadDesk,
    pulls: PullFinder,
    chunks: ChunkBuilder,
    swarms: Swarms,
    health: HealthDesk,
    last_tick_us: Option<u64>,
    fit: bool,
    store_behind: bool,
    earlier: Counters,
    arming: Arming,
    armed: bool,
    self_test: Option<SelfTest>,
    /// Samples of the message at hand; kept for its room.
    samples: Vec<Sample>,
    /// Pulls that began or ended within the frame at hand.
    pull_news: Vec<PullEvent>,
    edges_seen: EdgesSeen,
}

impl Core {
    /// The core for a stand, not connected yet.
    #[must_use]
    pub fn new(stand: Stand) -> Self {
        let of = Arc::new(CalibratedStand::uncalibrated(stand.clone()));
        Self {
            link: None,
            is_open: false,
            host: HostWriter::new(),
            form: None,
            signals: Signals::new(Arc::clone(&of)),
            guards: GuardDesk::new(&stand),
            plausibility: Plausibility::new(&stand),
            cut: CutDesk::default(),
            still_driven: StillDriven::new(&stand),
            load: LoadDesk::new(Arc::clone(&of)),
            pulls: PullFinder::new(&stand),
            chunks: ChunkBuilder::default(),
            swarms: Swarms::default(),
            health: HealthDesk::new(&of),
            last_tick_us: None,
            fit: false,
            store_behind: false,
            earlier: Counters::default(),
            arming: Arming::default(),
            armed: true,
            self_test: None,
            samples: Vec::new(),
            pull_news: Vec::new(),
            of,
            edges_seen: EdgesSeen::default(),
            stand,
        }
    }

    /// The stand it runs.
    #[must_use]
    pub fn stand(&self) -> &Stand {
        &self.stand
    }

    /// Other calibrations of the same stand are in force: what is live follows them at once.
    pub fn calibrated(&mut self, of: Arc<CalibratedStand>) {
        self.signals.calibrated(Arc::clone(&of));
        self.health.calibrated(&of);
        self.load.calibrated(Arc::clone(&of));
        self.of = of;
    }

    /// When [`Core::tick`] is due again, on the monotonic clock.
    #[must_use]
    pub fn wake_us(&self) -> u64 {
        let tick_us = self.last_tick_us.map_or(0, |at| at + TICK_EVERY_US);
        let Some(link) = &self.link else {
            return tick_us;
        };
        let heartbeat_us = self.fit.then_some(link.heartbeat_due_us);
        let due_us = heartbeat_us.into_iter().chain(self.cut.due_us());
        due_us.fold(tick_us, u64::min)
    }

    /// Tells whether the store keeps up. While it does not the daemon is not fit to guard, since a
    /// pull could be lost: the heartbeat stops.
    pub fn store_keeps_up(&mut self, keeps_up: bool, now: Now, out: &mut Output) {
        if self.store_behind != keeps_up {
            return;
        }
        self.store_behind = !keeps_up;
        self.fit &= keeps_up;
        let (severity, message) = if keeps_up {
            (Severity::Info, "the store keeps up again")
        } else {
            (
                Severity::Error,
                "the store does not keep up: heartbeats stop, so the board cuts",
            )
        };
        let tick = self.link.as_ref().and_then(Link::tick);
        out.tell(Event::new(now, tick, EventKind::Store, message).of(severity));
    }

    /// A port was opened.
    pub fn port_opened(&mut self, now: Now, port: &str, out: &mut Output) {
        self.port_lost(now, "it was opened again", out);
        self.host = HostWriter::new();
        self.form = None;
        self.is_open = true;
        self.begin(now, port, out);
        // A delimiter first ends whatever the opening put on the line.
        out.write.push(0);
        self.link = Some(Link::opened(port.to_owned(), now));
        self.tick(now, out);
    }

    /// Ticks, chunks and what is known of the board begin again.
    fn begin(&mut self, now: Now, port: &str, out: &mut Output) {
        self.signals.reset();
        self.guards.begin();
        self.health.begin(&self.of);
        self.plausibility.begin();
        self.still_driven.begin();
        self.load.begin();
        self.chunks.begin();
        self.cut.board_unknown(now);
        self.fit = false;
        out.records.push(Record::Connected {
            port: port.to_owned(),
            now,
        });
    }

    /// The port is gone, or could not be opened.
    pub fn port_lost(&mut self, now: Now, reason: &str, out: &mut Output) {
        let Some(link) = self.link.take() else {
            return;
        };
        let message = format!("{} is gone: {reason}; trying to open it again", link.port);
        let why = format!("the connection was lost: {reason}");
        self.close(now, &link, why, out);
        out.tell(Event::new(now, link.tick(), EventKind::PortLost, message));
        out.records.push(Record::Disconnected {
            now,
            reason: reason.to_owned(),
        });
    }

    /// Gives out all that is under way on a link whose port is closed.
    fn close(&mut self, now: Now, link: &Link, why: String, out: &mut Output) {
        self.is_open = false;
        self.fit = false;
        self.break_off_self_test(now, &why, out);
        add_counters(&mut self.earlier, &link.reader.counters());
        self.earlier.bytes_discarded += link.reader.pending_bytes() as u64;
        self.break_off_steps(now, link.tick_newest, &why, out);
        let pull = self.pulls.break_off(link.tick_newest, why);
        self.pull_events(now, pull, out);
        self.swarms.tell(now, true, out);
        self.health.tell_spikes(now, true, out);
        self.flush_chunk(true, out);
        self.signals.reset();
    }

    /// Bytes came from the port.
    pub fn feed(&mut self, now: Now, bytes: &[u8], out: &mut Output) {
        let Some(mut link) = self.link.take() else {
            return;
        };
        // The reader is taken out while its sink works on the rest of the core.
        let mut reader = std::mem::take(&mut link.reader);
        for frame in pieces(bytes) {
            reader.feed(now.mono_us, frame, &mut |reading| match reading {
                Reading::Fault(LinkFault::BoardRestarted) => {
                    self.board_restarted(now, &mut link, out);
                }
                Reading::Fault(fault) => self.link_fault(now, &mut link, fault),
                Reading::Message { tick, message, .. } => {
                    self.message(now, &mut link, tick, &message, out);
                }
            });
            self.form = reader.form();
            self.chunks.push(now, frame);
            let mut news = std::mem::take(&mut self.pull_news);
            news.extend(self.cut_pull(link.tick_newest));
            self.pull_events(now, news.drain(..), out);
            self.pull_news = news;
            if self.chunks.is_due(now) {
                self.flush_chunk(false, out);
            }
        }
        link.reader = reader;
        link.delay.hear(now.mono_us, self.signals.tick_hz());
        self.signals.comes_late(link.delay.us());
        self.speak(now, &mut link, out);
        self.link = Some(link);
    }

    /// The board began again: ticks before and after have nothing in common. The frame that told,
    /// and all that follows, belongs to a new connection on the same port.
    fn board_restarted(&mut self, now: Now, link: &mut Link, out: &mut Output) {
        let reason = "the board restarted";
        self.break_off_steps(now, link.tick_newest, reason, out);
        let pull = self.pulls.break_off(link.tick_newest, reason.to_owned());
        self.pull_events(now, pull, out);
        self.swarms.tell(now, true, out);
        self.health.tell_spikes(now, true, out);
        self.flush_chunk(false, out);
        out.tell(Event::new(
            now,
            link.tick(),
            EventKind::BoardRestart,
            reason,
        ));
        out.records.push(Record::Disconnected {
            now,
            reason: reason.to_owned(),
        });
        self.break_off_self_test(now, reason, out);
        link.restart(now);
        self.cut.board_restarted();
        self.begin(now, &link.port, out);
    }

    fn message(
        &mut self,
        now: Now,
        link: &mut Link,
        tick: u64,
        message: &BoardMessage<'_>,
        out: &mut Output,
    ) {
        link.in_step = true;
        link.saw_tick(tick);
        self.chunks.saw_tick(tick);
        self.signals.saw_board(now.mono_us);
        match message {
            BoardMessage::Hello(hello) => return self.hello(now, link, hello, out),
            BoardMessage::Status(status) => return self.status(now, link, tick, status, out),
            BoardMessage::Cut { cut_id, cause } => {
                return self.board_cut(now, link, tick, Some((*cut_id, *cause)), out);
            }
            BoardMessage::Load(status) => return self.load.status(now, tick, status, out),
            BoardMessage::Teeth(_)
            | BoardMessage::Force { .. }
            | BoardMessage::Analog(_)
            | BoardMessage::Temperature { .. } => {}
        }
        if link.hello.is_none() {
            return; // without a tick rate the time of a sample means nothing; its bytes are kept
        }
        self.health.hears(now, tick, message, out);
        match message {
            BoardMessage::Teeth(teeth) if !self.signals.counts_pulses(teeth.pickup) => {
                self.teeth(now, link, tick, teeth, out);
            }
            BoardMessage::Teeth(_)
            | BoardMessage::Force { .. }
            | BoardMessage::Analog(_)
            | BoardMessage::Temperature { .. } => self.sense(now, link, tick, message, out),
            BoardMessage::Hello(_)
            | BoardMessage::Status(_)
            | BoardMessage::Cut { .. }
            | BoardMessage::Load(_) => {}
        }
    }

    fn hello(&mut self, now: Now, link: &mut Link, hello: &Hello<'_>, out: &mut Output) {
        link.identify_wanted = false;
        if link.hello.is_some() {
            return; // the same start of the same board: another one is a restart
        }
        let data = HelloData::of(hello);
        let simulated = if data.is_simulated { ", simulated" } else { "" };
        let [major, minor, patch] = hello.firmware;
        let message = format!(
            "board {:016x}, firmware {major}.{minor}.{patch}, {} ticks/s, start {}{simulated}",
            hello.board_id, hello.tick_hz, hello.boot
        );
        out.tell(Event::new(now, link.tick(), EventKind::Board, message));
        self.missing_channels(now, link.tick(), hello, out);
        self.signals.board(hello, now.mono_us);
        self.still_driven.board(f64::from(hello.tick_hz));
        self.health.board(hello.tick_hz);
        self.pulls.board(hello.tick_hz);
        self.load.board(now, link.tick(), hello, out);
        out.records.push(Record::Hello(data.clone()));
        link.status_us.get_or_insert(now.mono_us);
        self.edges_seen.board(BoardStart::from(&data));
        self.arm(now, &data, out);
        link.hello = Some(data);
    }

    /// Says which inputs of the stand file the board does not have.
    fn missing_channels(&self, now: Now, tick: Option<u64>, hello: &Hello<'_>, out: &mut Output) {
        use ChannelKind as Kind;
        let pickups = self.stand.pickups.iter().map(|pickup| {
            let name = format!("pickup {}", pickup.channel);
            (name, Kind::Teeth, pickup.channel)
        });
        let cell = self.stand.load_cell.iter();
        let cell = cell.map(|cell| ("load cell".to_owned(), Kind::Force, cell.channel));
        let channels = self.stand.channels.iter().map(|channel| {
            let (kind, number) = match channel.source {
                Source::Analog(number) => (Kind::Analog, number),
                Source::Temperature(number) => (Kind::Temperature, number),
                Source::Pulses(number) => (Kind::Teeth, number),
            };
            (channel.name.clone(), kind, number)
        });
        for (name, kind, number) in pickups.chain(cell).chain(channels) {
            let mut listed = hello.channels();
            if listed.any(|it| it.kind == kind && it.number == number) {
                continue;
            }
            let message = format!(
                "the stand file has \"{name}\", but the board does not list its input ({kind:?} {number})"
            );
            out.tell(Event::new(now, tick, EventKind::InputMissing, message).about(name));
        }
    }

    fn status(&mut self, now: Now, link: &mut Link, tick: u64, status: &Status, out: &mut Output) {
        if link.silence_told {
            link.silence_told = false;
            let message = "the board tells its state again".to_owned();
            out.tell(
                Event::new(now, Some(tick), EventKind::BoardSilent, message).of(Severity::Info),
            );
        }
        link.status_us = Some(now.mono_us);
        link.has_status = true;
        if tick < link.cut_tick {
            return; // late: newer ones have told
        }
        self.board_counts(now, tick, link, status);
        if let Some(hello) = &link.hello {
            let wanted = limits_wanted(&self.stand, hello.tick_hz);
            link.limits_lacking = Some(limits_lacking(&wanted, &status.limits));
        }
        let cut = (status.state == BoardState::Cut)
            .then_some((status.cut_id, status.cause.unwrap_or(CutCause::Other)));
        self.board_cut(now, link, tick, cut, out);
    }

    /// What the board says of its cut: number and cause while it is cut, `None` while it runs.
    fn board_cut(
        &mut self,
        now: Now,
        link: &mut Link,
        tick: u64,
        cut: Option<(u16, CutCause)>,
        out: &mut Output,
    ) {
        if tick >= link.cut_tick {
            link.cut_tick = tick;
            self.cut.status(now, tick, cut, out);
        }
    }

    /// Errors that the board counts since its start.
    fn board_counts(&mut self, now: Now, tick: u64, link: &mut Link, status: &Status) {
        let before = (link.captures_lost, link.receive_errors);
        link.captures_lost = Some(status.captures_lost);
        link.receive_errors = Some(status.receive_errors);
        let more = |before: Option<u32>, count: u32| {
            u64::from(count.saturating_sub(before.unwrap_or(count)))
        };
        let lost = more(before.0, status.captures_lost);
        if lost > 0 {
            let kind = EventKind::CapturesLost;
            self.swarms
                .add((now, Some(tick)), About::Link, kind, lost, || {
                    "tooth times that the board could not record".to_owned()
                });
        }
        let errors = more(before.1, status.receive_errors);
        if errors > 0 {
            let kind = EventKind::BoardReceiveErrors;
            self.swarms
                .add((now, Some(tick)), About::Link, kind, errors, || {
                    "frames that came damaged to the board".to_owned()
                });
        }
    }

    fn teeth(&mut self, now: Now, link: &mut Link, tick: u64, teeth: &Teeth<'_>, out: &mut Output) {
        let pickup = teeth.pickup;
        self.edges_seen.saw(pickup, teeth.first_tooth, teeth.len());
        for (number, tick) in (u64::from(teeth.first_tooth)..).zip(teeth.ticks(tick)) {
            link.saw_tick(tick);
            let edge = Edge { tick, number };
            let Some(seen) = self.signals.edge(now.mono_us, pickup, edge) else {
                continue;
            };
            self.still_driven.tooth(pickup, &seen.tooth);
            if seen.was_turning {
                self.tooth_fault(now, tick, pickup, seen.tooth.kind);
            }
            if seen.was_displaced {
                let (kind, when) = (EventKind::IrregularTeeth, (now, Some(tick)));
                self.swarms.add(when, About::Pickup(pickup), kind, 1, || {
                    "teeth early or late by more than three tenths of a pitch".to_owned()
                });
            }
            if let Some(board_us) = self.signals.board_us(tick) {
                let verdicts = self.plausibility.tooth(pickup, 1e-6 * board_us, &seen);
                self.act(now, Some(tick), verdicts, out);
            }
            for shaft in [Shaft::Drum, Shaft::Engine] {
                if self.signals.speed_source(shaft) == Some(pickup) {
                    self.check(now, tick, Signal::Speed(shaft), out);
                }
            }
            let is_engine_source = self.signals.speed_source(Shaft::Engine) == Some(pickup);
            if let Some(mark) = seen.mark.filter(|_| is_engine_source) {
                self.load.speed(tick, mark.engine_rad_per_s);
                // What a list of steps reads is kept as one pull, whatever rises in it.
                if !self.load.reads() {
                    let news = self.pulls.mark(mark, !self.cut.is_cut());
                    self.pull_news.extend(news);
                }
            }
        }
    }

    /// Samples of load cell, channels and flow meters.
    fn sense(
        &mut self,
        now: Now,
        link: &mut Link,
        tick: u64,
        message: &BoardMessage<'_>,
        out: &mut Output,
    ) {
        let mut samples = std::mem::take(&mut self.samples);
        self.signals.samples(tick, message, &mut samples);
        for sample in samples.drain(..) {
            let (signal, tick) = (sample.signal, sample.tick);
            link.saw_tick(tick);
            self.load.sample(tick, signal, sample.value.good());
            self.signals.sensed(now.mono_us, sample);
            self.check(now, tick, signal, out);
        }
        self.samples = samples;
    }

    fn tooth_fault(&mut self, now: Now, tick: u64, pickup: u8, kind: ToothKind) {
        let (kind, count, text) = match kind {
            // Irregular ones are told once the next tooth shows that the speed did not change.
            ToothKind::First | ToothKind::Regular | ToothKind::Irregular { .. } => return,
            // Left out on purpose.
            ToothKind::AfterMissed { missed }
                if missed == u32::from(self.missing_teeth(pickup)) =>
            {
                return;
            }
            ToothKind::AfterMissed { missed } => (
                EventKind::MissedTeeth,
                u64::from(missed),
                "teeth that gave no edge, or whose edge was lost on its way",
            ),
            ToothKind::Extra => (EventKind::ExtraEdges, 1, "edges that are no teeth"),
            ToothKind::Relocked => (
                EventKind::ToothCountLost,
                1,
                "the speed no longer fitted what came before",
            ),
        };
        let when = (now, Some(tick));
        self.swarms
            .add(when, About::Pickup(pickup), kind, count, || text.to_owned());
    }

    /// Teeth that the wheel of a pickup lacks on purpose.
    fn missing_teeth(&self, pickup: u8) -> u16 {
        let pickups = &self.stand.pickups;
        let named = pickups.iter().find(|named| named.channel == pickup);
        named.map_or(0, |named| named.missing)
    }

    /// Runs the guards of a signal that has a new value.
    fn check(&mut self, now: Now, tick: u64, signal: Signal, out: &mut Output) {
        let Some(board_us) = self.signals.board_us(tick) else {
            return;
        };
        let value = self.signals.value(signal);
        let context = self.context(now, tick);
        let verdicts = self.guards.check(signal, &value, board_us, context);
        self.act(now, Some(tick), verdicts, out);
    }

    fn context(&self, now: Now, tick: u64) -> Context {
        Context {
            pulling: self.pulls.pulls() || self.load.reads(),
            engine_rad_per_s: self.signals.known_speed_at(Shaft::Engine, tick),
            demanded_n: self.load.demanded_n(now),
        }
    }

    fn act(&mut self, now: Now, tick: Option<u64>, verdicts: Vec<Verdict>, out: &mut Output) {
        for verdict in verdicts {
            let severity = match (verdict.tripped, verdict.action) {
                (true, GuardAction::Cut) => Severity::Cut,
                (true, GuardAction::Warn) => Severity::Warning,
                (false, _) => Severity::Info,
            };
            let cause = format!("guard \"{}\": {}", verdict.name, verdict.message);
            let (value_si, limit_si) = (verdict.value_si, verdict.limit_si);
            let event = if verdict.tripped {
                let tripped = payload::GuardTripped { value_si, limit_si };
                Event::telling(now, tick, &tripped, verdict.message)
            } else {
                let cleared = payload::GuardCleared { value_si, limit_si };
                Event::telling(now, tick, &cleared, verdict.message)
            };
            out.tell(event.about(verdict.name).of(severity));
            if verdict.tripped && verdict.action == GuardAction::Cut {
                let by = if verdict.forced {
                    CutBy::SelfTest
                } else {
                    CutBy::Guard
                };
                self.request_cut(now, tick, (by, cause), out);
            }
        }
    }

    fn request_cut(&mut self, now: Now, tick: Option<u64>, cut: (CutBy, String), out: &mut Output) {
        if self.cut.request(now, tick, cut, out) && self.is_open {
            self.send_cut(now, out);
        }
    }

    fn send_cut(&mut self, now: Now, out: &mut Output) {
        self.send_as(self.form, now, &HostMessage::Cut { reason: 1 }, out);
        self.cut.sent(now);
    }

    /// In the form of the board; in frames, as most boards speak, while that is not known.
    fn send(&mut self, now: Now, message: &HostMessage, out: &mut Output) {
        self.send_as(self.form.or(Some(Form::Frames)), now, message, out);
    }

    fn send_as(&mut self, form: Option<Form>, now: Now, message: &HostMessage, out: &mut Output) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "informational, wraps by design"
        )]
        let milliseconds = (now.mono_us / 1000) as u32;
        let mut write = |bytes: &[u8]| out.write.extend_from_slice(bytes);
        if let Err(error) = self.host.write(form, milliseconds, message, &mut write) {
            debug_assert!(false, "{error}: every host message fits");
        }
    }

    /// Time passed. Call it when [`Core::wake_us`] is reached, and at any other time.
    pub fn tick(&mut self, now: Now, out: &mut Output) {
        self.last_tick_us = Some(now.mono_us);
        let tick = self.link.as_ref().map(|link| link.tick_newest);
        let context = self.context(now, tick.unwrap_or(0));
        let verdicts = self
            .guards
            .check_ages(&self.signals, now.mono_us, tick, context);
        self.act(now, tick, verdicts, out);
        if let (Some(mut link), Some(tick)) = (self.link.take(), tick) {
            self.complain(now, &mut link, out);
            self.self_test(now, &link, out);
            self.speak(now, &mut link, out);
            self.link = Some(link);
            let is_cut = self.cut.is_cut();
            let news = self.load.advance(now, tick, is_cut, out);
            self.keep_steps(now, tick, news, out);
            let timed = self.pulls.time(tick);
            let cut = self.cut_pull(tick);
            self.pull_events(now, timed.into_iter().chain(cut), out);
            self.tell_driven(now, tick, out);
        }
        self.cut.tell_unheard(now, out);
        self.swarms.tell(now, false, out);
        self.health.tick(now, tick, out);
        if self.chunks.is_due(now) {
            self.flush_chunk(false, out);
        }
    }

    /// Tells of a stand that is driven though it is cut, and when that is over.
    fn tell_driven(&mut self, now: Now, tick: u64, out: &mut Output) {
        let model = self.of.model();
        let Some(news) = self.still_driven.judge(self.cut.latch(), tick, model) else {
            return;
        };
        out.tell(match news {
            News::Driven(driven) => {
                let told = payload::StillDriven {
                    rad_per_s2: driven.rad_per_s2,
                    standard_uncertainty: driven.uncertainty_rad_per_s2,
                    coasting_rad_per_s2: driven.coasting_rad_per_s2,
                };
                Event::telling(now, Some(tick), &told, driven.text()).of(Severity::Error)
            }
            News::Coasts => {
                let message = "no longer driven: it coasts, or has stopped";
                Event::new(now, Some(tick), EventKind::StillDriven, message).of(Severity::Info)
            }
        });
    }

    /// Tells what is missing from the board.
    fn complain(&self, now: Now, link: &mut Link, out: &mut Output) {
        let open_us = now.mono_us.saturating_sub(link.opened_us);
        if link.hello.is_none() && !link.no_hello_told && open_us > PATIENCE_US {
            link.no_hello_told = true;
            let counters = link.reader.counters();
            let message = no_board_text(&link.port, self.stand.port.baud, &counters);
            out.tell(Event::new(now, link.tick(), EventKind::NoBoard, message));
        }
        let delay_us = link.delay.us();
        let is_late = delay_us > link::STATUS_AGE_US_MAX;
        if is_late != link.delay_told && (is_late || delay_us < link::STATUS_AGE_US_MAX / 2) {
            link.delay_told = is_late;
            let (severity, message) = if is_late {
                let text = format!(
                    "what the board sends comes {:.2} s later than the quickest did: heartbeats \
                     stop, so the board cuts; a bridge or hub that buffers, a computer that does \
                     not keep up, or a board whose clock is off by more than 1 %",
                    delay_us as f64 * 1e-6
                );
                (Severity::Error, text)
            } else {
                (
                    Severity::Info,
                    "the board is heard in time again".to_owned(),
                )
            };
            out.tell(Event::new(now, link.tick(), EventKind::BoardLate, message).of(severity));
        }
        let age_us = link.status_age_us(now).unwrap_or(0);
        if age_us > link::STATUS_AGE_US_MAX && !link.silence_told {
            link.silence_told = true;
            let message = "no status from the board for 300 ms: heartbeats stop".to_owned();
            out.tell(Event::new(
                now,
                link.tick(),
                EventKind::BoardSilent,
                message,
            ));
        }
        let asked_us = link
            .limits_since_us
            .map_or(0, |at| now.mono_us.saturating_sub(at));
        if let Some(lacking) = link.limits_lacking.as_ref().filter(|it| !it.is_empty())
            && asked_us > PATIENCE_US
            && !link.limits_told
        {
            link.limits_told = true;
            let message = format!(
                "the board does not guard by itself: {}; look at its firmware version and its \
                 temperature channels",
                lacking.join(", ")
            );
            out.tell(Event::new(
                now,
                link.tick(),
                EventKind::LimitsRefused,
                message,
            ));
        }
    }

    /// Says to the board what is due: cut and release first.
    fn speak(&mut self, now: Now, link: &mut Link, out: &mut Output) {
        if self
            .cut
            .due_us()
            .is_some_and(|due_us| now.mono_us >= due_us)
        {
            self.send_cut(now, out);
        }
        if let Some(cut_id) = self.cut.release_due(now, out) {
            self.send(now, &HostMessage::Release { cut_id }, out);
        }
        if link.identify_wanted && now.mono_us >= link.identify_due_us {
            // A board that says nothing to the first may be one that speaks lines.
            let form = if link.identify_asked {
                None
            } else {
                Some(Form::Frames)
            };
            self.send_as(self.form.or(form), now, &HostMessage::Identify, out);
            link.identify_asked = true;
            let every_us = if link.hello.is_some() {
                IDENTIFY_AFTER_LOSS_US
            } else {
                IDENTIFY_EVERY_US
            };
            link.identify_due_us = now.mono_us + every_us;
        }
        for command in self.load.due(now, link.tick_newest, out) {
            self.send(now, &HostMessage::Load(command), out);
        }
        self.fit = self.is_fit(now, link);
        if !self.fit {
            self.health.no_beat();
        } else if now.mono_us >= link.heartbeat_due_us {
            self.health.beat(now, link.tick(), out);
            self.send(now, &HostMessage::Heartbeat, out);
            link.heartbeat_due_us = now.mono_us + HEARTBEAT_EVERY_US;
        }
        // Not before the first status, and so not before the first heartbeat. When the store is
        // behind there is none, and with its limits the board cuts, as it should.
        if let Some(hello) = link.hello.as_ref().filter(|_| link.has_fresh_status(now))
            && self.may_arm()
            && !link.limits_in_force()
            && now.mono_us >= link.limits_due_us
        {
            let wanted = limits_wanted(&self.stand, hello.tick_hz);
            self.send(now, &HostMessage::Limits(wanted), out);
            link.limits_due_us = now.mono_us + LIMITS_EVERY_US;
            link.limits_since_us.get_or_insert(now.mono_us);
        }
    }

    /// Whether heartbeats may go out. A cut that the board leaves unconfirmed stops them: silence
    /// is the other way to have it cut.
    fn is_fit(&self, now: Now, link: &Link) -> bool {
        link.hello.is_some()
            && link.has_fresh_status(now)
            && self.may_arm()
            && !self.store_behind
            && !self.cut.is_unheard(now)
    }

    /// Whether the board may be given limits and heartbeats: the stand is armed, or its guards are
    /// being tested.
    fn may_arm(&self) -> bool {
        self.armed || self.self_test.is_some()
    }

    /// A person's command.
    ///
    /// # Errors
    /// When it can have no effect; the reason is in the error.
    pub fn command(
        &mut self,
        now: Now,
        command: &Command,
        out: &mut Output,
    ) -> Result<String, CommandError> {
        match command {
            Command::Cut { reason } => {
                let tick = self.link.as_ref().and_then(Link::tick);
                self.request_cut(now, tick, (CutBy::Person, reason.clone()), out);
                self.break_off_self_test(now, &format!("cut by {reason}"), out);
                if let Some(tick) = self.link.as_ref().map(|link| link.tick_newest) {
                    let cut = self.cut_pull(tick);
                    self.pull_events(now, cut, out);
                }
                Ok("cut requested".to_owned())
            }
            Command::Release { cut_id } => {
                let Some(mut link) = self.link.take_if(|link| link.hello.is_some()) else {
                    return Err(CommandError::NoBoard);
                };
                let released = self.release(now, *cut_id, out);
                self.speak(now, &mut link, out);
                self.link = Some(link);
                released
            }
            Command::SelfTest => self.begin_self_test(now, out),
            Command::Load(word) => {
                let said = self.load_word(now, word, out);
                if let Some(mut link) = self.link.take() {
                    self.speak(now, &mut link, out);
                    self.link = Some(link);
                }
                said.map_err(|why| CommandError::Load { why })
            }
        }
    }

    /// A person's word about the load.
    fn load_word(&mut self, now: Now, word: &LoadWord, out: &mut Output) -> Result<String, String> {
        if self.self_test.is_some() {
            return Err("the guards are being tested".to_owned());
        }
        let tick = self.link.as_ref().map_or(0, |link| link.tick_newest);
        let is_to_hold = !matches!(word, LoadWord::Release { .. });
        if is_to_hold && self.cut.is_cut() {
            return Err("the stand is cut: release that first".to_owned());
        }
        if is_to_hold && !self.fit {
            return Err("the daemon is not fit to guard, so no load is put on".to_owned());
        }
        let said = match word {
            LoadWord::Arm => return self.load.arm(now),
            LoadWord::Release { though_it_pulls } => self.load.release(now, *though_it_pulls)?,
            LoadWord::Order(order) => self.load.order(now, *order)?,
            LoadWord::Steps(list) => {
                if self.load.reads() {
                    return Err("a list of steps is under way already".to_owned());
                }
                let said = self.load.begin_run(now, tick, list.clone())?;
                let begun = RunNews::Begun("a list of steps");
                self.keep_steps(now, tick, Some(begun), out);
                let begun = format!("a list began: {}", list.words());
                let event = Event::telling(now, Some(tick), list, begun);
                out.tell(event.about(leverarm_vocabulary::load::LIST_ABOUT));
                return Ok(said);
            }
            LoadWord::Tune { rad_per_s } => {
                if self.load.reads() {
                    return Err("a list of steps is under way already".to_owned());
                }
                return self.load.begin_tuning(now, tick, *rad_per_s);
            }
        };
        self.break_off_steps(now, tick, "another order", out);
        Ok(said)
    }

    fn break_off_steps(&mut self, now: Now, tick: u64, reason: &str, out: &mut Output) {
        let news = self.load.break_off(reason);
        self.keep_steps(now, tick, news, out);
    }

    /// What a list of steps reads, or a run for tuning, is kept as a pull.
    fn keep_steps(&mut self, now: Now, tick: u64, news: Option<RunNews>, out: &mut Output) {
        let pull = match news {
            None => return,
            Some(RunNews::Begun(what)) => {
                let before = self.pulls.break_off(tick, format!("{what} began"));
                self.pull_events(now, before, out);
                self.pulls.begin_steps(tick)
            }
            Some(RunNews::Over { words, ending }) => PullEvent::Ended {
                ending,
                tick_peak: tick,
                tick_end: tick,
                reasons: vec![words],
            },
        };
        self.pull_events(now, [pull], out);
    }

    fn release(&mut self, now: Now, cut_id: u32, out: &mut Output) -> Result<String, CommandError> {
        if self.self_test.is_some() {
            return Err(CommandError::SelfTesting);
        }
        if !self.armed {
            let ended = self.cut.release_all_but_arming(now, cut_id, out)?;
            let ended = ended.ok_or(CommandError::NotArmed)?;
            return Ok(format!(
                "{ended} released; the stand stays cut: {}",
                CommandError::NotArmed
            ));
        }
        let lies = || self.plausibility.tripped_cut();
        if let Some(guard) = self.guards.tripped_cut().or_else(lies) {
            let guard = guard.to_owned();
            return Err(CommandError::StillTripped { guard });
        }
        let ended = self.cut.release(now, cut_id)?;
        Ok(format!("release of {ended} sent to the board"))
    }

    /// The daemon was asked to stop: it leaves no engine that runs.
    pub fn cut_at_stop(&mut self, now: Now, out: &mut Output) {
        if !self.cut.is_held() {
            let tick = self.link.as_ref().and_then(Link::tick);
            let cut = (CutBy::Stop, DAEMON_STOPPED.to_owned());
            self.request_cut(now, tick, cut, out);
        }
    }

    /// The daemon is about to stop: everything is given out. The board's heartbeat ends with it.
    pub fn shut_down(&mut self, now: Now, out: &mut Output) {
        let Some(link) = self.link.take() else {
            return;
        };
        let reason = DAEMON_STOPPED;
        self.close(now, &link, reason.to_owned(), out);
        out.records.push(Record::Disconnected {
            now,
            reason: reason.to_owned(),
        });
    }

    /// Whether a pull is under way, coasting included.
    #[must_use]
    pub fn is_pulling(&self) -> bool {
        matches!(self.pulls.phase(), PullPhase::Pulling | PullPhase::Coasting)
    }

    /// The cut in force, if any.
    #[must_use]
    pub fn cut_view(&self) -> CutView {
        self.cut.view()
    }

    /// Numbers of the stand's pickups that have given no teeth since the board's start: nobody knows
    /// whether they work. Turning their shafts by hand shows it.
    #[must_use]
    pub fn silent_pickups(&self) -> Vec<u8> {
        let pickups = self.stand.pickups.iter().map(|pickup| pickup.channel);
        let silent = pickups.filter(|channel| !self.edges_seen.work(*channel));
        silent.collect()
    }

    /// Counts since the daemon started.
    #[must_use]
    pub fn counters(&self) -> Counters {
        let mut counters = self.earlier;
        if let Some(link) = &self.link {
            add_counters(&mut counters, &link.reader.counters());
        }
        counters
    }

    /// Bytes received whose delimiter has not come yet.
    #[must_use]
    pub fn pending_bytes(&self) -> usize {
        self.link
            .as_ref()
            .map_or(0, |link| link.reader.pending_bytes())
    }

    /// Values for people to look at.
    #[must_use]
    pub fn live(&self, now: Now) -> Live {
        live::snapshot(self, now)
    }

    fn link_fault(&mut self, now: Now, link: &mut Link, fault: LinkFault) {
        let was_in_step = std::mem::replace(&mut link.in_step, true);
        let (kind, count) = match fault {
            LinkFault::FramesLost { count } => {
                link.identify_wanted = true;
                (EventKind::FramesLost, u64::from(count))
            }
            LinkFault::Duplicate { .. } => (EventKind::FramesDoubled, 1),
            LinkFault::Reordered { .. } => (EventKind::FramesLate, 1),
            LinkFault::WrongVersion { .. } => (EventKind::WrongProtocolVersion, 1),
            LinkFault::BadMessage(_) => (EventKind::MessagesNotUnderstood, 1),
            LinkFault::BadCrc { .. }
            | LinkFault::BadCobs { .. }
            | LinkFault::TooLong
            | LinkFault::TooShort { .. }
                if !was_in_step =>
            {
                (EventKind::OpenedInMidFrame, 1)
            }
            LinkFault::BadCrc { .. }
            | LinkFault::BadCobs { .. }
            | LinkFault::TooLong
            | LinkFault::TooShort { .. } => (EventKind::DamagedBytes, 1),
            LinkFault::BoardRestarted => (EventKind::BoardRestart, 1),
        };
        let when = (now, link.tick());
        self.swarms
            .add(when, About::Link, kind, count, || fault.to_string());
    }

    fn flush_chunk(&mut self, all: bool, out: &mut Output) {
        out.records.extend(self.chunks.take(all).map(Record::Chunk));
    }

    /// A pull under way ends with a cut.
    fn cut_pull(&mut self, tick: u64) -> Option<PullEvent> {
        self.pulls.cut(tick, self.cut.cause()?)
    }

    fn pull_events(
        &mut self,
        now: Now,
        found: impl IntoIterator<Item = PullEvent>,
        out: &mut Output,
    ) {
        for event in found {
            pull_record(&mut self.chunks, now, event, &mut out.records);
        }
    }
}

/// What became of a pull, for the store; with the bytes it needs in front.
fn pull_record(chunks: &mut ChunkBuilder, now: Now, event: PullEvent, records: &mut Vec<Record>) {
    match event {
        PullEvent::Started {
            tick_first_wanted,
            tick_start,
        } => {
            let chunk_seq_first = chunks.seq_holding(tick_first_wanted);
            records.push(Record::PullStarted {
                now,
                tick_first_wanted,
                tick_start,
                chunk_seq_first,
            });
        }
        PullEvent::Ended {
            ending,
            tick_peak,
            tick_end,
            reasons,
        } => {
            // Everything up to the end has to be in the store before the pull is.
            records.extend(chunks.take(false).map(Record::Chunk));
            records.push(Record::PullEnded(PullEnded {
                ending,
                tick_peak,
                tick_end,
                chunk_seq_last: chunks.seq_last(),
                reasons,
            }));
        }
    }
}

/// Bytes cut behind each delimiter, and where a chunk could get too long without one.
fn pieces(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    bytes
        .chunks(chunks::CHUNK_BYTES_MAX)
        .flat_map(|block| block.split_inclusive(|byte| *byte == 0))
}

fn add_counters(sum: &mut Counters, other: &Counters) {
    sum.bytes_received += other.bytes_received;
    sum.bytes_in_frames += other.bytes_in_frames;
    sum.bytes_discarded += other.bytes_discarded;
    sum.bytes_idle += other.bytes_idle;
    sum.frames += other.frames;
    sum.bad_crc += other.bad_crc;
    sum.bad_cobs += other.bad_cobs;
    sum.too_long += other.too_long;
    sum.too_short += other.too_short;
    sum.wrong_version += other.wrong_version;
    sum.unknown_kind += other.unknown_kind;
    sum.bad_payload += other.bad_payload;
    sum.frames_lost += other.frames_lost;
    sum.duplicates += other.duplicates;
    sum.reordered += other.reordered;
    sum.restarts += other.restarts;
}

/// The whole part of a number; 0 below it.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "float `as` saturates"
)]
const fn whole(number: f64) -> u64 {
    number as u64
}
