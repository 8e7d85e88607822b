//! The live half of the daemon: one state machine without I/O and without a clock.
//!
//! Bytes, commands and the time go in; bytes for the board, records for the store and live values
//! come out. The thread that owns the port is a loop around it, and so is the fault simulation.

mod chunks;
mod cut;
mod guards;
mod live;
mod pulls;
mod signals;

use leverarm_config::{GuardAction, Shaft, Signal, Source, Stand, Watch};
use leverarm_filters::teeth::{Edge, ToothKind};
use leverarm_protocol::{
    BoardMessage, BoardReader, BoardState, Counters, CutCause, FrameWriter, HostMessage, Limits,
    LinkFault, Reading, TEMPERATURE_UNREADABLE, TemperatureLimit, TemperatureLimits,
};
use leverarm_torque::sensor::Law;

pub use chunks::ChunkData;
pub use cut::{CutLatch, CutView};
pub use live::{ChannelLive, GuardLive, Live, PullPhase};

use crate::store::Severity;
use chunks::ChunkBuilder;
use cut::CutDesk;
use guards::{GuardDesk, Verdict};
use pulls::{PullEvent, PullFinder};
use signals::Signals;

/// Two clocks, read once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Now {
    /// Microseconds since the daemon started; never runs back.
    pub mono_us: u64,
    /// Microseconds since 1970, as the system's clock has it; may jump.
    pub wall_us: i64,
}

/// What happened, for the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct EventData {
    /// When.
    pub now: Now,
    /// Board tick, where the event has one.
    pub tick: Option<u64>,
    /// How much it matters.
    pub severity: Severity,
    /// What kind of event.
    pub kind: &'static str,
    /// Channel or guard it is about.
    pub channel: Option<String>,
    /// In words.
    pub message: String,
    /// Numbers that belong to it.
    pub data: serde_json::Value,
}

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
}

/// The end of a pull.
#[derive(Clone, Debug, PartialEq)]
pub struct PullEnded {
    /// Whether it reached its end speed.
    pub whole: bool,
    /// Tick of its greatest speed.
    pub tick_peak: u64,
    /// Tick of its end, coasting included.
    pub tick_end: u64,
    /// Last chunk that holds bytes of it.
    pub chunk_seq_last: u32,
    /// Why it is not whole.
    pub reasons: Vec<String>,
}

/// Something to be stored, in order, and never dropped in silence.
#[derive(Clone, Debug, PartialEq)]
pub enum Record {
    /// A port was opened, or its board started anew: ticks begin again.
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
    Event(EventData),
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

/// What a person can ask of the core.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Command {
    /// Cut now.
    Cut {
        /// Who or what asks.
        reason: String,
    },
    /// End the cut with this number.
    Release {
        /// Number of the cut, as the board counts.
        cut_id: u16,
    },
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
    /// Another cut is in force.
    #[error("cut {found} is in force, not {asked}; look at its cause before releasing it")]
    OtherCut {
        /// The one asked for.
        asked: u16,
        /// The one in force.
        found: u16,
    },
    /// The reason for the cut is still there.
    #[error(
        "guard \"{guard}\" still sees a reason to cut; it can't be released before that is gone"
    )]
    StillTripped {
        /// The guard.
        guard: String,
    },
    /// No board.
    #[error("no board is connected, so the cut can't be released")]
    NoBoard,
}

const HEARTBEAT_EVERY_US: u64 = 50_000;
const IDENTIFY_EVERY_US: u64 = 500_000;
const LIMITS_EVERY_US: u64 = 500_000;
const IDENTIFY_AFTER_LOSS_US: u64 = 1_000_000;
/// No status for so long: the board is lost.
const STATUS_AGE_MAX_US: u64 = 300_000;
/// Link faults of a kind are folded into one event of so long.
const FOLD_FAULTS_US: u64 = 1_000_000;
/// Longest time between two ticks of the core.
const TICK_EVERY_US: u64 = 20_000;
/// The board's own speed limit lies above the daemon's by this share: the daemon acts first, and a
/// tooth a few per cent out of place does not cut.
const BOARD_SPEED_MARGIN: f64 = 1.05;
/// A hello that never comes is told after so long.
const NO_HELLO_TOLD_US: u64 = 2_000_000;

/// State of one connection to a board.
#[derive(Debug)]
struct Link {
    port: String,
    opened_us: u64,
    reader: BoardReader,
    hello: Option<HelloData>,
    tick_newest: u64,
    status_us: Option<u64>,
    status_lost_told: bool,
    no_hello_told: bool,
    identify_due_us: u64,
    identify_wanted: bool,
    limits_due_us: u64,
    limits_in_force: bool,
    limits_told: bool,
    limits_sent: u32,
    heartbeat_due_us: u64,
    captures_lost: u32,
    receive_errors: u32,
}

impl Link {
    fn new(port: String, now: Now) -> Self {
        Self {
            port,
            opened_us: now.mono_us,
            reader: BoardReader::new(),
            hello: None,
            tick_newest: 0,
            status_us: None,
            status_lost_told: false,
            no_hello_told: false,
            identify_due_us: now.mono_us,
            identify_wanted: true,
            limits_due_us: 0,
            limits_in_force: false,
            limits_told: false,
            limits_sent: 0,
            heartbeat_due_us: now.mono_us,
            captures_lost: 0,
            receive_errors: 0,
        }
    }
}

/// Link faults of one kind since the last event about them.
#[derive(Debug)]
struct Folded {
    kind: &'static str,
    first: LinkFault,
    count: u64,
    since_us: u64,
}

/// The live state machine of one stand.
#[derive(Debug)]
pub struct Core {
    stand: Stand,
    link: Option<Link>,
    frames: FrameWriter,
    signals: Signals,
    guards: GuardDesk,
    cut: CutDesk,
    pulls: PullFinder,
    chunks: ChunkBuilder,
    folded: Vec<Folded>,
    last_tick_us: Option<u64>,
    fit: bool,
    store_behind: bool,
    earlier: Counters,
}

impl Core {
    /// The core for a stand, not connected yet.
    #[must_use]
    pub fn new(stand: Stand) -> Self {
        Self {
            link: None,
            frames: FrameWriter::new(),
            signals: Signals::new(&stand),
            guards: GuardDesk::new(&stand),
            cut: CutDesk::default(),
            pulls: PullFinder::new(&stand),
            chunks: ChunkBuilder::default(),
            folded: Vec::new(),
            last_tick_us: None,
            fit: false,
            store_behind: false,
            earlier: Counters::default(),
            stand,
        }
    }

    /// The stand it runs.
    #[must_use]
    pub fn stand(&self) -> &Stand {
        &self.stand
    }

    /// When [`Core::tick`] is due again, on the monotonic clock.
    #[must_use]
    pub fn wake_us(&self) -> u64 {
        self.last_tick_us.unwrap_or(0) + TICK_EVERY_US
    }

    /// Tells whether the store keeps up. While it does not the daemon is not fit to guard, since a
    /// pull could be lost: the heartbeat stops.
    pub fn store_keeps_up(&mut self, keeps_up: bool, now: Now, out: &mut Output) {
        if self.store_behind == keeps_up {
            self.store_behind = !keeps_up;
            let (severity, message) = if keeps_up {
                (Severity::Info, "the store keeps up again")
            } else {
                (
                    Severity::Error,
                    "the store does not keep up: heartbeats stop, so the board cuts",
                )
            };
            event(out, now, severity, "store", None, message.to_owned());
        }
    }

    /// A port was opened.
    pub fn port_opened(&mut self, now: Now, port: &str, out: &mut Output) {
        self.begin_link(now, port.to_owned(), out);
        // A delimiter first ends whatever the opening put on the line.
        out.write.push(0);
        self.frames = FrameWriter::new();
        self.tick(now, out);
    }

    fn begin_link(&mut self, now: Now, port: String, out: &mut Output) {
        self.link = Some(Link::new(port.clone(), now));
        self.signals.reset();
        self.chunks.begin();
        self.cut.board_unknown();
        out.records.push(Record::Connected { port, now });
    }

    /// The port is gone, or could not be opened.
    pub fn port_lost(&mut self, now: Now, reason: &str, out: &mut Output) {
        let Some(link) = self.link.take() else {
            return;
        };
        add_counters(&mut self.earlier, &link.reader.counters());
        self.end_pull(
            now,
            link.tick_newest,
            format!("the connection was lost: {reason}"),
            out,
        );
        self.flush_faults(now, out, true);
        self.flush_chunk(now, out, true);
        let message = format!("{} is gone: {reason}; trying to open it again", link.port);
        event(out, now, Severity::Error, "port lost", None, message);
        out.records.push(Record::Disconnected {
            now,
            reason: reason.to_owned(),
        });
        self.fit = false;
        self.signals.reset();
    }

    fn end_pull(&mut self, now: Now, tick: u64, reason: String, out: &mut Output) {
        if let Some(found) = self.pulls.abort(tick, reason) {
            self.pull_event(now, found, out);
        }
    }

    /// Bytes came from the port.
    pub fn feed(&mut self, now: Now, bytes: &[u8], out: &mut Output) {
        let Some(mut link) = self.link.take() else {
            return;
        };
        // The reader is taken out while its sink works on the rest of the core.
        let mut reader = std::mem::take(&mut link.reader);
        self.chunks.push(now, bytes);
        let mut restarted = None;
        let mut batch: Vec<PullEvent> = Vec::new();
        reader.feed(now.mono_us, bytes, &mut |reading| match reading {
            Reading::Fault(LinkFault::BoardRestarted) => restarted = Some(link.tick_newest),
            Reading::Fault(fault) => self.link_fault(now, &mut link, fault),
            Reading::Message { tick, message, .. } => {
                if restarted.is_some() && !matches!(message, BoardMessage::Hello(_)) {
                    return; // told apart below: nothing before the new hello can be placed
                }
                self.message(now, &mut link, tick, &message, &mut batch, out);
            }
        });
        link.reader = reader;
        if let Some(tick) = restarted {
            self.board_restarted(now, link, tick, out);
            return;
        }
        self.link = Some(link);
        for found in batch {
            self.pull_event(now, found, out);
        }
        if self.chunks.is_due(now) {
            self.flush_chunk(now, out, false);
        }
    }

    /// The board began anew: ticks before and after have nothing in common, so the rest of the
    /// bytes belongs to a new connection on the same port.
    fn board_restarted(&mut self, now: Now, link: Link, tick: u64, out: &mut Output) {
        add_counters(&mut self.earlier, &link.reader.counters());
        self.end_pull(now, tick, "the board restarted".to_owned(), out);
        self.flush_faults(now, out, true);
        self.flush_chunk(now, out, true);
        event(
            out,
            now,
            Severity::Error,
            "board restart",
            None,
            "the board restarted".to_owned(),
        );
        out.records.push(Record::Disconnected {
            now,
            reason: "the board restarted".to_owned(),
        });
        self.begin_link(now, link.port, out);
        self.tick(now, out);
    }

    fn message(
        &mut self,
        now: Now,
        link: &mut Link,
        tick: u64,
        message: &BoardMessage<'_>,
        batch: &mut Vec<PullEvent>,
        out: &mut Output,
    ) {
        link.tick_newest = link.tick_newest.max(tick);
        self.chunks.saw_tick(tick);
        self.signals.saw_board(now.mono_us);
        match message {
            BoardMessage::Hello(hello) => self.hello(now, link, hello, out),
            BoardMessage::Teeth(teeth) => {
                let Some(tick_hz) = link.hello.as_ref().map(|h| h.tick_hz) else {
                    return;
                };
                for (number, tick) in (u64::from(teeth.first_tooth)..).zip(teeth.ticks(tick)) {
                    let edge = Edge { tick, number };
                    link.tick_newest = link.tick_newest.max(tick);
                    self.tooth(now, teeth.pickup, edge, tick_hz, batch, out);
                }
            }
            BoardMessage::Force { channel, counts } => {
                if self.signals.force(now.mono_us, *channel, *counts) {
                    self.check(now, tick, Signal::LoadCell, out);
                }
            }
            BoardMessage::Analog(scan) => {
                for (offset, counts) in (0_u8..).zip(scan.counts()) {
                    let source = Source::Analog(scan.first_channel.saturating_add(offset));
                    self.sample(now, tick, source, Some(i32::from(counts)), out);
                }
            }
            BoardMessage::Temperature { channel, counts } => {
                let counts = (*counts != TEMPERATURE_UNREADABLE).then_some(*counts);
                self.sample(now, tick, Source::Temperature(*channel), counts, out);
            }
            BoardMessage::Status(status) => {
                link.status_us = Some(now.mono_us);
                link.status_lost_told = false;
                self.captures(now, link, status.captures_lost, status.receive_errors, out);
                if let Some(hello) = &link.hello {
                    link.limits_in_force = status.limits == limits(&self.stand, hello.tick_hz);
                }
                let cut = (status.state == BoardState::Cut)
                    .then_some((status.cut_id, status.cause.unwrap_or(CutCause::Other)));
                self.cut.status(now, tick, cut, out);
            }
            BoardMessage::Cut { cut_id, cause } => {
                self.cut.status(now, tick, Some((*cut_id, *cause)), out);
            }
        }
    }

    fn hello(
        &mut self,
        now: Now,
        link: &mut Link,
        hello: &leverarm_protocol::Hello<'_>,
        out: &mut Output,
    ) {
        link.identify_wanted = false;
        let known = link.hello.as_ref().map(|h| (h.board_id, h.boot));
        if known == Some((hello.board_id, hello.boot)) {
            return;
        }
        let mut frame = FrameWriter::new();
        let tick = 0; // the stored hello is for its content; ticks come from the chunks
        let bytes = frame
            .write(tick, &BoardMessage::Hello(hello.clone()))
            .unwrap_or_default();
        let data = HelloData {
            frame: bytes.to_vec(),
            tick_hz: hello.tick_hz,
            board_id: hello.board_id,
            boot: hello.boot,
            firmware: hello.firmware,
        };
        let [major, minor, patch] = hello.firmware;
        let message = format!(
            "board {:016x}, firmware {major}.{minor}.{patch}, {} ticks/s, start {}",
            hello.board_id, hello.tick_hz, hello.boot
        );
        event(out, now, Severity::Info, "board", None, message);
        self.missing_channels(now, hello, out);
        self.signals.board(&self.stand, hello);
        self.pulls.board(hello.tick_hz);
        out.records.push(Record::Hello(data.clone()));
        link.hello = Some(data);
        link.limits_due_us = now.mono_us;
    }

    /// Says which inputs of the stand file the board does not have.
    fn missing_channels(&self, now: Now, hello: &leverarm_protocol::Hello<'_>, out: &mut Output) {
        use leverarm_protocol::ChannelKind as Kind;
        let has = |kind: Kind, number: u8| {
            hello
                .channels()
                .any(|c| c.kind == kind && c.number == number)
        };
        let mut wanted: Vec<(String, Kind, u8)> = Vec::new();
        for pickup in &self.stand.pickups {
            wanted.push((
                format!("pickup {}", pickup.channel),
                Kind::Teeth,
                pickup.channel,
            ));
        }
        if let Some(cell) = &self.stand.load_cell {
            wanted.push(("load cell".to_owned(), Kind::Force, cell.channel));
        }
        for channel in &self.stand.channels {
            let (kind, number) = match channel.source {
                Source::Analog(n) => (Kind::Analog, n),
                Source::Temperature(n) => (Kind::Temperature, n),
            };
            wanted.push((channel.name.clone(), kind, number));
        }
        for (name, kind, number) in wanted {
            if !has(kind, number) {
                let message = format!(
                    "the stand file has \"{name}\", but the board does not list its input ({kind:?} {number})"
                );
                event(
                    out,
                    now,
                    Severity::Warning,
                    "input missing",
                    Some(name),
                    message,
                );
            }
        }
    }

    fn captures(&self, now: Now, link: &mut Link, lost: u32, errors: u32, out: &mut Output) {
        if lost > link.captures_lost {
            let message = format!(
                "the board could not record {} tooth times",
                lost - link.captures_lost
            );
            event(out, now, Severity::Error, "captures lost", None, message);
        }
        if errors > link.receive_errors {
            let message = format!(
                "the board received {} damaged frames",
                errors - link.receive_errors
            );
            event(
                out,
                now,
                Severity::Warning,
                "board receive errors",
                None,
                message,
            );
        }
        (link.captures_lost, link.receive_errors) = (lost, errors);
    }

    fn tooth(
        &mut self,
        now: Now,
        pickup: u8,
        edge: Edge,
        tick_hz: u32,
        batch: &mut Vec<PullEvent>,
        out: &mut Output,
    ) {
        let Some(seen) = self.signals.tooth(now.mono_us, pickup, edge) else {
            return;
        };
        match seen.tooth.kind {
            ToothKind::AfterMissed { missed } => {
                self.tooth_fault(now, edge.tick, pickup, "missed teeth", u64::from(missed));
            }
            ToothKind::Extra => self.tooth_fault(now, edge.tick, pickup, "extra edges", 1),
            ToothKind::Irregular { .. } => {
                self.tooth_fault(now, edge.tick, pickup, "irregular teeth", 1);
            }
            ToothKind::Relocked => self.tooth_fault(now, edge.tick, pickup, "tooth count lost", 1),
            ToothKind::First | ToothKind::Regular => {}
        }
        for shaft in [Shaft::Drum, Shaft::Engine] {
            if self.signals.speed_source(shaft) == Some(pickup) {
                self.check(now, edge.tick, Signal::Speed(shaft), out);
            }
        }
        if self.signals.speed_source(Shaft::Engine) == Some(pickup) {
            if let Some(mark) = seen.mark {
                let ready = !self.cut.is_cut();
                batch.extend(self.pulls.mark(mark, tick_hz, ready));
            }
        }
    }

    /// Faults of teeth are folded like faults of the link, under the pickup's name.
    fn tooth_fault(&mut self, now: Now, _tick: u64, pickup: u8, kind: &'static str, count: u64) {
        self.signals
            .count_tooth_fault(pickup, kind, count, now.mono_us);
    }

    fn sample(
        &mut self,
        now: Now,
        tick: u64,
        source: Source,
        counts: Option<i32>,
        out: &mut Output,
    ) {
        for id in self
            .signals
            .sample(&self.stand, now.mono_us, source, counts)
        {
            self.check(now, tick, Signal::Channel(id), out);
        }
    }

    /// Runs the guards of a signal that has a new value.
    fn check(&mut self, now: Now, tick: u64, signal: Signal, out: &mut Output) {
        let tick_hz = self.signals.tick_hz();
        let at_us = if tick_hz > 0.0 {
            tick as f64 / tick_hz * 1e6
        } else {
            now.mono_us as f64
        };
        let value = self.signals.value(signal);
        let phase = self.pulls.phase();
        let verdicts = self.guards.check(signal, value, at_us, phase);
        self.act(now, Some(tick), verdicts, out);
    }

    fn act(&mut self, now: Now, tick: Option<u64>, verdicts: Vec<Verdict>, out: &mut Output) {
        for verdict in verdicts {
            let severity = match (verdict.tripped, verdict.action) {
                (true, GuardAction::Cut) => Severity::Cut,
                (true, GuardAction::Warn) => Severity::Warning,
                (false, _) => Severity::Info,
            };
            let kind = if verdict.tripped {
                "guard tripped"
            } else {
                "guard cleared"
            };
            out.records.push(Record::Event(EventData {
                now,
                tick,
                severity,
                kind,
                channel: Some(verdict.name.clone()),
                message: verdict.message.clone(),
                data: serde_json::json!({ "value_si": verdict.value_si, "limit_si": verdict.limit_si }),
            }));
            if verdict.tripped && verdict.action == GuardAction::Cut {
                let cause = format!("guard \"{}\": {}", verdict.name, verdict.message);
                self.request_cut(now, tick, cause, out);
            }
        }
    }

    fn request_cut(&mut self, now: Now, tick: Option<u64>, cause: String, out: &mut Output) {
        if self.cut.request(now, tick, cause, out) {
            self.send(now, &HostMessage::Cut { reason: 1 }, out);
            self.cut.sent(now);
        }
    }

    fn send(&mut self, now: Now, message: &HostMessage, out: &mut Output) {
        #[expect(
            clippy::cast_possible_truncation,
            reason = "informational, wraps by design"
        )]
        let milliseconds = (now.mono_us / 1000) as u32;
        if let Ok(bytes) = self.frames.write(milliseconds, message) {
            out.write.extend_from_slice(bytes);
        }
    }

    /// Time passed. Call it when [`Core::wake_us`] is reached, and at any other time.
    pub fn tick(&mut self, now: Now, out: &mut Output) {
        self.last_tick_us = Some(now.mono_us);
        let Some(mut link) = self.link.take() else {
            self.stale(now, None, out);
            return;
        };
        self.housekeeping(now, &mut link, out);
        self.cut_frames(now, out);
        if now.mono_us >= link.heartbeat_due_us {
            self.fit = self.is_fit(now, &link);
            if self.fit {
                self.send(now, &HostMessage::Heartbeat, out);
            }
            link.heartbeat_due_us = now.mono_us + HEARTBEAT_EVERY_US;
        }
        if let Some(hello) = link
            .hello
            .as_ref()
            .filter(|_| !link.limits_in_force && self.fit)
            && now.mono_us >= link.limits_due_us
        {
            let wanted = limits(&self.stand, hello.tick_hz);
            self.send(now, &HostMessage::Limits(wanted), out);
            link.limits_due_us = now.mono_us + LIMITS_EVERY_US;
            link.limits_sent += 1;
            if link.limits_sent > 4 && !link.limits_told {
                link.limits_told = true;
                let message = "the board does not take the limits: it guards by its own alone; look at its firmware version and temperature channels".to_owned();
                event(out, now, Severity::Error, "limits refused", None, message);
            }
        }
        let tick = link.tick_newest;
        self.link = Some(link);
        self.stale(now, Some(tick), out);
        for found in self.pulls.time(tick) {
            self.pull_event(now, found, out);
        }
        self.flush_faults(now, out, false);
        if self.chunks.is_due(now) {
            self.flush_chunk(now, out, false);
        }
    }

    fn housekeeping(&mut self, now: Now, link: &mut Link, out: &mut Output) {
        if link.identify_wanted && now.mono_us >= link.identify_due_us {
            self.send(now, &HostMessage::Identify, out);
            let every = if link.hello.is_some() {
                IDENTIFY_AFTER_LOSS_US
            } else {
                IDENTIFY_EVERY_US
            };
            link.identify_due_us = now.mono_us + every;
        }
        let open_us = now.mono_us.saturating_sub(link.opened_us);
        if link.hello.is_none() && !link.no_hello_told && open_us > NO_HELLO_TOLD_US {
            link.no_hello_told = true;
            event(
                out,
                now,
                Severity::Error,
                "no board",
                None,
                no_board_text(link, &self.stand),
            );
        }
        let status_age = link.status_us.map(|at| now.mono_us.saturating_sub(at));
        if status_age.is_some_and(|age| age > STATUS_AGE_MAX_US) && !link.status_lost_told {
            link.status_lost_told = true;
            let message = "no status from the board for 300 ms: heartbeats stop".to_owned();
            event(out, now, Severity::Error, "board silent", None, message);
        }
    }

    fn is_fit(&self, now: Now, link: &Link) -> bool {
        let status_fresh = link
            .status_us
            .is_some_and(|at| now.mono_us.saturating_sub(at) <= STATUS_AGE_MAX_US);
        link.hello.is_some() && status_fresh && !self.store_behind
    }

    fn cut_frames(&mut self, now: Now, out: &mut Output) {
        if self.cut.cut_due(now) {
            self.send(now, &HostMessage::Cut { reason: 1 }, out);
            self.cut.sent(now);
        }
        if let Some(cut_id) = self.cut.release_due(now, out) {
            self.send(now, &HostMessage::Release { cut_id }, out);
        }
    }

    fn stale(&mut self, now: Now, tick: Option<u64>, out: &mut Output) {
        let phase = self.pulls.phase();
        let verdicts = self
            .guards
            .check_ages(&mut self.signals, now.mono_us, tick, phase);
        self.act(now, tick, verdicts, out);
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
                self.request_cut(now, None, reason.clone(), out);
                Ok("cut requested".to_owned())
            }
            Command::Release { cut_id } => {
                if self.link.as_ref().is_none_or(|link| link.hello.is_none()) {
                    return Err(CommandError::NoBoard);
                }
                if let Some(guard) = self.guards.tripped_cut() {
                    return Err(CommandError::StillTripped {
                        guard: guard.to_owned(),
                    });
                }
                self.cut.release(now, *cut_id)?;
                self.cut_frames(now, out);
                Ok(format!("release of cut {cut_id} sent to the board"))
            }
        }
    }

    /// The daemon is about to stop: everything is given out. The board's heartbeat ends with it.
    pub fn shut_down(&mut self, now: Now, out: &mut Output) {
        let Some(link) = self.link.take() else {
            return;
        };
        self.end_pull(
            now,
            link.tick_newest,
            "the daemon was stopped".to_owned(),
            out,
        );
        self.flush_faults(now, out, true);
        self.flush_chunk(now, out, true);
        out.records.push(Record::Disconnected {
            now,
            reason: "the daemon was stopped".to_owned(),
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

    /// Counts since the daemon started.
    #[must_use]
    pub fn counters(&self) -> Counters {
        let mut counters = self.earlier;
        if let Some(link) = &self.link {
            add_counters(&mut counters, &link.reader.counters());
        }
        counters
    }

    /// Values for people to look at.
    #[must_use]
    pub fn live(&self, now: Now) -> Live {
        live::snapshot(self, now)
    }

    fn link_fault(&mut self, now: Now, link: &mut Link, fault: LinkFault) {
        let (kind, count) = match fault {
            LinkFault::FramesLost { count } => {
                link.identify_wanted = true;
                link.identify_due_us = link.identify_due_us.max(now.mono_us);
                ("frames lost", u64::from(count))
            }
            LinkFault::Duplicate { .. } => ("frames doubled", 1),
            LinkFault::Reordered { .. } => ("frames late", 1),
            LinkFault::WrongVersion { .. } => ("wrong protocol version", 1),
            LinkFault::BadMessage(_) => ("messages not understood", 1),
            LinkFault::BadCrc { .. }
            | LinkFault::BadCobs { .. }
            | LinkFault::TooLong
            | LinkFault::TooShort { .. } => ("damaged bytes", 1),
            LinkFault::BoardRestarted => ("board restart", 1),
        };
        match self.folded.iter_mut().find(|f| f.kind == kind) {
            Some(folded) => folded.count += count,
            None => self.folded.push(Folded {
                kind,
                first: fault,
                count,
                since_us: now.mono_us,
            }),
        }
    }

    fn flush_faults(&mut self, now: Now, out: &mut Output, all: bool) {
        let due = |since_us: u64| all || now.mono_us.saturating_sub(since_us) >= FOLD_FAULTS_US;
        let mut index = 0;
        while index < self.folded.len() {
            if !due(self.folded[index].since_us) {
                index += 1;
                continue;
            }
            let folded = self.folded.swap_remove(index);
            let severity = match folded.kind {
                "frames lost" | "damaged bytes" | "wrong protocol version" => Severity::Error,
                _ => Severity::Warning,
            };
            let message = format!("{} ({}): {}", folded.kind, folded.count, folded.first);
            out.records.push(Record::Event(EventData {
                now,
                tick: None,
                severity,
                kind: folded.kind,
                channel: Some("link".to_owned()),
                message,
                data: serde_json::json!({ "count": folded.count }),
            }));
        }
        for (pickup, kind, count) in self.signals.take_tooth_faults(&due) {
            out.records.push(Record::Event(EventData {
                now,
                tick: self.link.as_ref().map(|link| link.tick_newest),
                severity: if kind == "irregular teeth" {
                    Severity::Info
                } else {
                    Severity::Warning
                },
                kind,
                channel: Some(format!("pickup {pickup}")),
                message: format!("{kind} at pickup {pickup}: {count}"),
                data: serde_json::json!({ "count": count }),
            }));
        }
    }

    fn flush_chunk(&mut self, now: Now, out: &mut Output, all: bool) {
        if let Some(chunk) = self.chunks.take(now, all) {
            out.records.push(Record::Chunk(chunk));
        }
    }

    fn pull_event(&mut self, now: Now, found: PullEvent, out: &mut Output) {
        match found {
            PullEvent::Started {
                tick_first_wanted,
                tick_start,
            } => {
                let chunk_seq_first = self.chunks.seq_holding(tick_first_wanted);
                out.records.push(Record::PullStarted {
                    now,
                    tick_first_wanted,
                    tick_start,
                    chunk_seq_first,
                });
            }
            PullEvent::Ended {
                whole,
                tick_peak,
                tick_end,
                reasons,
            } => {
                // Everything up to the end has to be in the store before the pull is.
                self.flush_chunk(now, out, true);
                out.records.push(Record::PullEnded(PullEnded {
                    whole,
                    tick_peak,
                    tick_end,
                    chunk_seq_last: self.chunks.seq_last(),
                    reasons,
                }));
            }
        }
    }
}

fn no_board_text(link: &Link, stand: &Stand) -> String {
    let counters = link.reader.counters();
    let baud = stand.port.baud;
    if counters.bytes_received == 0 {
        format!(
            "{}: not a byte came in 2 s; is the board powered and wired, and this its port?",
            link.port
        )
    } else if counters.wrong_version > 0 {
        format!(
            "{}: the board speaks another protocol version than {}; update its firmware",
            link.port,
            leverarm_protocol::VERSION
        )
    } else if counters.frames == 0 {
        format!(
            "{}: {} bytes came, but no frame among them; the baud rate {baud} may be wrong, or it is another device",
            link.port, counters.bytes_received
        )
    } else {
        format!(
            "{}: frames come, but the board does not answer identify with a hello",
            link.port
        )
    }
}

/// What the board has to guard by itself on this stand.
fn limits(stand: &Stand, tick_hz: u32) -> Limits {
    let mut temperatures = TemperatureLimits::new();
    for guard in stand.guards.iter().filter(|g| g.action == GuardAction::Cut) {
        let Watch::OverTemperature { channel, limit_k } = guard.watch else {
            continue;
        };
        let Some(channel) = stand.channel(channel) else {
            continue;
        };
        // Only a straight law can be turned round without a cold junction.
        if let (Source::Temperature(number), Law::Linear { per_count, at_zero }) =
            (channel.source, channel.law)
            && per_count > 0.0
        {
            #[expect(clippy::cast_possible_truncation, reason = "float `as` saturates")]
            let counts_max = ((limit_k - at_zero) / per_count).ceil() as i32;
            let limit = TemperatureLimit {
                channel: number,
                counts_max,
            };
            if temperatures.push(limit).is_err() {
                break; // the board holds four; the daemon's own guards hold them all
            }
        }
    }
    let period = stand
        .pickups
        .iter()
        .find(|p| p.channel == 0)
        .and_then(|pickup| {
            let teeth_per_s = stand.overspeed_cut_teeth_per_s(pickup)?;
            Some(f64::from(tick_hz) / (teeth_per_s * BOARD_SPEED_MARGIN))
        });
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "float `as` saturates, and a period is positive"
    )]
    let tooth_period_ticks_min = period.unwrap_or(0.0) as u32;
    Limits {
        tooth_period_ticks_min,
        short_periods_to_cut: stand.board.short_periods_to_cut,
        heartbeat_timeout_ms: stand.board.heartbeat_timeout_ms,
        temperatures,
    }
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

/// Adds an event without tick and numbers.
fn event(
    out: &mut Output,
    now: Now,
    severity: Severity,
    kind: &'static str,
    channel: Option<String>,
    message: String,
) {
    let data = serde_json::Value::Null;
    out.records.push(Record::Event(EventData {
        now,
        tick: None,
        severity,
        kind,
        channel,
        message,
        data,
    }));
}
