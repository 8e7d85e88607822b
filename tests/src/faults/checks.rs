//! What must hold, at every step and in the end.
//!
//! - While nothing is wrong between pickup and cut relay, the drum is not above its limit for longer
//!   than the stated [`Reaction`], and gains no more in it than the greatest torque allows. Whatever
//!   is wrong there, the board's own limits hold.
//! - A wanted cut is said in the call that saw the reason, repeated, and stays until a person's
//!   release of that cut was accepted; the engine does not fire meanwhile.
//! - Guards trip when they should and not otherwise. Without a fault nothing cuts.
//! - The log of a connection is what came, to the byte, and reads as one start of one board.
//! - A heartbeat goes out only while the host is fit.
//! - Each fault shows in the journal.
//! - Each pull of the rider is found.

use std::collections::{BTreeSet, VecDeque};

use leverarm_config::{Guard, Shaft, Stand};
use leverarm_live::{
    ChunkData, Command, CommandError, Core, CutLatch, Ending, Output, PullEnded, Record,
};
use leverarm_protocol::{
    BoardMessage, BoardReader, Decoder, HostMessage, Limits, LinkFault, Reading,
};
use leverarm_software_stand::{RiderEvent, StandModel, Truth};
use leverarm_store::Severity;
use leverarm_vocabulary::EventKind;

use super::link::Injected;
use super::persons::Persons;
use super::plan::{Fault, FaultKind, Plan};
use super::sight::Sight;
use super::store::QUEUE_MAX;
use super::world::{Counts, STEP_US};
use crate::whole;

/// Failures after which a seed has told enough.
const FAILURES_MAX: usize = 5;
/// After something was wrong with the link, counts of teeth need so long to be right again.
const RECOVERY_US: u64 = 600_000;
/// A cut that the host wants is in force on the board after so long, with a sound link.
const CUT_US_MAX: u64 = 100_000;
/// A fault is in the journal after so long: swarms are folded over a second, and the loop may sleep
/// and the line hold back before.
const TOLD_US_MAX: u64 = 3_500_000;
/// Records that a single call of the core may make.
const RECORDS_PER_CALL_MAX: usize = 64;
/// Errors of tooth positions, three times their rms of 0.3 % of a pitch, on both sides.
const PITCH_ERROR: f64 = 0.02;
/// A drum that turns so fast can't be braked to a stop before its teeth are missed, rad/s.
const TURNING_RAD_PER_S: f64 = 60.0;
/// What a firing pulse adds to the drum's speed beyond its mean, rad/s.
const RIPPLE_RAD_PER_S: f64 = 0.6;

/// A drum that is cut and gains so much within half a second is driven, rad/s.
const GAIN_TOLD_RAD_PER_S: f64 = 8.0;
/// From here on the clutch does not slip any more, rad/s.
const PULLING_RAD_PER_S: f64 = 65.0;

/// What is the case at a call of the core.
#[derive(Clone, Copy, Debug)]
pub(super) struct Around {
    pub(super) now_us: u64,
    pub(super) mono_start_us: u64,
    pub(super) drift: f64,
    pub(super) board_started_us: u64,
    pub(super) turned_us: u64,
    pub(super) is_open: bool,
    pub(super) store_behind: bool,
    pub(super) store_waiting: usize,
}

/// The longest way from an overspeed to the cut, and what the drum gains on it.
#[derive(Clone, Copy, Debug)]
struct Reaction {
    /// Time, µs, without what the loop sleeps.
    us: u64,
    /// Greatest mean acceleration of the drum, rad/s²: what the clutch carries while it slips, or
    /// the engine at its torque peak through the locked inertia.
    drum_rad_per_s2: f64,
    pitch_rad: f64,
    pitch_us: u64,
}

impl Around {
    /// The stand's time at a time of the host's clock.
    fn stand_us(&self, mono_us: u64) -> u64 {
        micros(1e-6 * mono_us.saturating_sub(self.mono_start_us) as f64 / (1.0 + self.drift))
    }
}

impl Reaction {
    fn new(plan: &Plan, stand: &Stand, limit_rad_per_s: f64) -> Self {
        let StandModel {
            drum,
            engine,
            ratio,
            clutch_torque_nm,
            pickups,
            board,
            ..
        } = &plan.model;
        let peak_nm = engine.full_throttle.peak().torque_nm * (1.0 + 5.0 * engine.scatter_rms);
        let slipping = ratio * clutch_torque_nm / drum.inertia_kg_m2;
        let locked = ratio * peak_nm / plan.model.locked_inertia_kg_m2();
        let teeth = pickups.first().map_or(1, |pickup| pickup.teeth);
        let pitch_rad = std::f64::consts::TAU / f64::from(teeth);
        let pitch_us = micros(pitch_rad / limit_rad_per_s);
        let worn = pickups
            .first()
            .is_some_and(|it| it.missed_probability > 0.0);
        let byte_us = 10_000_000_u64.div_ceil(u64::from(board.baud));
        let latency_us = plan.latency_us.1;
        let gone = plan.teeth_gone();
        let mut guards = stand.guards.iter();
        let seen_s = guards.find_map(|guard| stand.overspeed_reaction(guard, gone));
        let seen_s = seen_s.map_or(0.0, |reaction| reaction.seconds);
        let us = micros(seen_s)       // as stated by `leverarm check`
            + if worn { 4 * pitch_us } else { 0 } // a missed tooth and a false edge before
            + 20_000                  // a tooth's longest wait for its frame
            + 2 * 255 * byte_us       // a frame before it, and its own
            + latency_us + STEP_US    // to the host, and the loop's step
            + 100 * byte_us           // heartbeat, limits, cut
            + latency_us + STEP_US    // to the board
            + 1_000; // the board
        Self {
            us,
            drum_rad_per_s2: slipping.max(locked),
            pitch_rad,
            pitch_us,
        }
    }

    fn gain_rad_per_s(&self, us: u64) -> f64 {
        self.drum_rad_per_s2 * us as f64 * 1e-6 + RIPPLE_RAD_PER_S
    }
}

fn micros(seconds: f64) -> u64 {
    whole((seconds * 1e6).ceil())
}

/// An event that has to come.
#[derive(Debug)]
struct Expected {
    what: String,
    from_us: u64,
    until_us: u64,
    kinds: &'static [EventKind],
    channel: Option<&'static str>,
}

const LINK_KINDS: &[EventKind] = &[
    EventKind::DamagedBytes,
    EventKind::OpenedInMidFrame,
    EventKind::FramesLost,
    EventKind::FramesDoubled,
    EventKind::FramesLate,
    EventKind::WrongProtocolVersion,
    EventKind::MessagesNotUnderstood,
];

/// The connection that is recorded.
#[derive(Debug, Default)]
struct Recorded {
    is_connected: bool,
    /// When the board started whose ticks these are.
    board_started_us: u64,
    has_hello: bool,
    hello_us: u64,
    next_seq: u32,
    newest_first_us: u64,
    reader: BoardReader,
    restarts_read: u32,
    has_beaten: bool,
    pull: Option<(u64, u32)>,
}

/// A pull that the rider made.
#[derive(Clone, Copy, Debug)]
struct Ridden {
    from_us: u64,
    until_us: u64,
}

/// A pull that the core found.
#[derive(Clone, Copy, Debug)]
struct Found {
    start_us: i64,
    peak_us: Option<i64>,
    whole: bool,
}

pub(super) struct Checks {
    failures: Vec<String>,
    counts: Counts,
    is_harmless: bool,
    edges_in_a_burst: u8,
    tick_hz: u32,
    tick_offset: u32,
    limit_rad_per_s: f64,
    engine_limit_rad_per_s: f64,
    reaction: Reaction,

    recorded: Recorded,
    unlogged: VecDeque<u8>,
    fed_bytes: u64,
    heard: Decoder,
    status_us: u64,
    frames_heard: u64,
    heard_us: u64,
    said: Decoder,
    cut_said_us: u64,
    opened_us: u64,

    latch: CutLatch,
    is_release_accepted: bool,
    over_us: u64,
    over_from_rad_per_s: f64,
    firing_us: u64,
    sound_from_us: u64,
    /// Greatest speeds of drum and engine of late, for guards that trip: time and both.
    speeds: VecDeque<(u64, f64, f64)>,
    unlimited_us: u64,

    expected: Vec<Expected>,
    sight: Sight,
    told_us_max: u64,
    confirmed_us: u64,
    confirmed_rad_per_s: f64,
    late_us: u64,
    least_delay_us: u64,
    hidden_us: u64,
    alarmed: bool,
    persons: Persons,
    is_testing: bool,
    has_tested: bool,
    tripped: BTreeSet<String>,
    last_began: Vec<Fault>,
    restarted_us: Option<u64>,
    disturbed: Vec<(u64, u64)>,
    ridden: Vec<Ridden>,
    under_way: Option<u64>,
    found: Vec<Found>,
}

impl Checks {
    pub(super) fn new(plan: &Plan, stand: &Stand) -> Self {
        let limit = |shaft| {
            stand
                .guards
                .iter()
                .filter_map(Guard::overspeed_rad_per_s)
                .filter(|(watched, _)| *watched == shaft)
                .map(|(_, limit)| limit)
                .fold(f64::INFINITY, f64::min)
        };
        let limit_rad_per_s = limit(Shaft::Drum);
        Self {
            failures: Vec::new(),
            counts: Counts::new(),
            is_harmless: plan.is_harmless(),
            edges_in_a_burst: plan.edges_in_a_burst(),
            tick_hz: plan.model.board.tick_hz,
            tick_offset: plan.tick_offset,
            limit_rad_per_s,
            engine_limit_rad_per_s: limit(Shaft::Engine),
            reaction: Reaction::new(plan, stand, limit_rad_per_s),
            sight: Sight::new(plan, stand),
            told_us_max: TOLD_US_MAX + plan.delay_us_max(),
            confirmed_us: 0,
            confirmed_rad_per_s: 0.0,
            late_us: 0,
            least_delay_us: 0,
            hidden_us: 0,
            alarmed: false,
            persons: Persons::default(),
            is_testing: false,
            has_tested: false,
            recorded: Recorded::default(),
            unlogged: VecDeque::new(),
            fed_bytes: 0,
            heard: Decoder::new(),
            status_us: 0,
            frames_heard: 0,
            heard_us: 0,
            said: Decoder::new(),
            cut_said_us: 0,
            opened_us: 0,
            latch: CutLatch::Running,
            is_release_accepted: false,
            over_us: 0,
            over_from_rad_per_s: 0.0,
            firing_us: 0,
            sound_from_us: 0,
            speeds: VecDeque::new(),
            unlimited_us: 0,
            expected: Vec::new(),
            tripped: BTreeSet::new(),
            last_began: Vec::new(),
            restarted_us: None,
            disturbed: Vec::new(),
            ridden: Vec::new(),
            under_way: None,
            found: Vec::new(),
        }
    }

    fn fail(&mut self, now_us: u64, what: impl Into<String>) {
        if self.failures.len() < FAILURES_MAX {
            let seconds = now_us as f64 * 1e-6;
            self.failures
                .push(format!("{seconds:.3} s: {}", what.into()));
        }
    }

    fn count(&mut self, what: impl Into<String>) {
        *self.counts.entry(what.into()).or_default() += 1;
    }

    pub(super) fn is_worth_going_on(&self) -> bool {
        self.failures.len() < FAILURES_MAX
    }

    // What goes wrong, and has to be told.

    pub(super) fn began(&mut self, now_us: u64, fault: Fault) {
        let name = format!("{:?}", fault.kind);
        let name = name.split([' ', '(']).next().unwrap_or_default();
        self.count(format!("fault {name}"));
        self.last_began.push(fault);
        self.sight.began(fault.kind);
        if fault.kind.may_cut() {
            let until_us = fault.until_us.max(fault.from_us);
            self.disturbed.push((fault.from_us, until_us));
        }
        let lasts_us = fault.until_us - fault.from_us;
        // A sensor that is wrong for longer than its debounce, and what else may be in between.
        let drum = self.speeds.back().map_or(0.0, |it| it.1);
        let (channel, debounce_us): (&'static str, u64) = match fault.kind {
            FaultKind::PickupOpen if drum > TURNING_RAD_PER_S => ("teeth lost", 350_000),
            FaultKind::HeadOpen | FaultKind::HeadClipped => ("head lost", 500_000),
            FaultKind::AirHot => ("air too hot", 300_000),
            FaultKind::LambdaClipped => ("lambda lost", 200_000),
            _ => return,
        };
        if self.recorded.is_connected
            && self.recorded.has_hello
            && lasts_us > debounce_us + 400_000
            && !self.tripped.contains(channel)
        {
            self.expected.push(Expected {
                what: format!("{:?}", fault.kind),
                from_us: now_us,
                until_us: now_us + debounce_us + self.told_us_max,
                kinds: &[EventKind::GuardTripped],
                channel: Some(channel),
            });
        }
    }

    pub(super) fn injected(&mut self, now_us: u64, injected: Injected, active: &[FaultKind]) {
        self.count(format!("injected {injected:?}"));
        // Nobody listens, or nothing came yet that it could be missed after.
        if !self.recorded.is_connected || now_us < self.opened_us + 100_000 {
            return;
        }
        let of_link = active.iter().filter(|kind| kind.is_of_link()).count();
        let kinds: &'static [EventKind] = match injected {
            _ if of_link > 1 => LINK_KINDS,
            Injected::Damaged => LINK_KINDS,
            Injected::Dropped => &[EventKind::FramesLost],
            Injected::Doubled => &[EventKind::FramesDoubled],
            Injected::Late => &[EventKind::FramesLate],
        };
        self.expected.push(Expected {
            what: format!("{injected:?}"),
            from_us: now_us,
            until_us: now_us + self.told_us_max,
            kinds,
            channel: None,
        });
    }

    pub(super) fn commands_damaged(&mut self, now_us: u64) {
        // What a board counted before its first status is from before the host came.
        if now_us < self.opened_us + 300_000 {
            return;
        }
        self.expected.push(Expected {
            what: "a damaged command".to_owned(),
            from_us: now_us,
            until_us: now_us + self.told_us_max,
            kinds: &[EventKind::BoardReceiveErrors],
            channel: None,
        });
    }

    pub(super) fn restarted(&mut self, now_us: u64, is_open: bool) {
        self.forgive_since(now_us.saturating_sub(500_000));
        if is_open {
            self.restarted_us.get_or_insert(now_us);
            self.expected.push(Expected {
                what: "a restart".to_owned(),
                from_us: now_us,
                until_us: now_us + self.told_us_max,
                kinds: &[EventKind::BoardRestart],
                channel: None,
            });
        }
    }

    pub(super) fn opened(&mut self, now_us: u64) {
        self.opened_us = now_us;
        self.status_us = 0;
        self.heard = Decoder::new();
        self.said = Decoder::new();
    }

    pub(super) fn closed(&mut self, now_us: u64) {
        self.forgive_since(now_us.saturating_sub(1_000_000));
        self.restarted_us = None;
        self.expected.retain(|it| it.what != "a restart");
        self.expected.push(Expected {
            what: "a lost port".to_owned(),
            from_us: now_us,
            until_us: now_us + 1,
            kinds: &[EventKind::PortLost],
            channel: None,
        });
    }

    /// The daemon is killed: what it had not stored is gone, and so is what it was about to tell. The
    /// board's cut stays.
    pub(super) fn killed(&mut self, now_us: u64, gone_us: u64) {
        self.recorded = Recorded::default();
        self.unlogged.clear();
        self.fed_bytes = 0;
        self.latch = CutLatch::Running;
        self.is_release_accepted = false;
        self.persons = Persons::default();
        self.is_testing = false;
        self.expected.clear();
        self.tripped.clear();
        self.restarted_us = None;
        self.disturbed.push((now_us, now_us + gone_us));
    }

    /// What was under way to the host is gone, and with it the news of it.
    fn forgive_since(&mut self, since_us: u64) {
        // A debounce begins again with a connection.
        self.expected
            .retain(|it| it.channel.is_none() && it.from_us < since_us || it.what == "a restart");
    }

    // What the core hears.

    pub(super) fn fed(&mut self, now_us: u64, bytes: &[u8]) {
        self.fed_bytes += bytes.len() as u64;
        self.unlogged.extend(bytes);
        let (status_us, frames) = (&mut self.status_us, &mut self.frames_heard);
        let heard_us = &mut self.heard_us;
        self.heard.feed(bytes, &mut |result| {
            let Ok(frame) = result else { return };
            *frames += 1;
            *heard_us = now_us;
            if let Ok(BoardMessage::Status(_)) = BoardMessage::parse(&frame) {
                *status_us = now_us;
            }
        });
    }

    // What the core says and records.

    pub(super) fn commanded(
        &mut self,
        now_us: u64,
        who: usize,
        command: &Command,
        result: &Result<String, CommandError>,
        is_armed: bool,
    ) {
        match (command, result) {
            (Command::Cut { reason }, _) => {
                self.count("command cut");
                self.persons.cut(reason);
                self.is_release_accepted = false;
            }
            (Command::Release { .. }, Ok(_)) => {
                self.count("command release");
                if !self.persons.released(who) {
                    self.fail(now_us, "a release ended a cut that its person had not seen");
                }
                // Of a stand that is not armed it ends the persons' cuts, and no more.
                self.is_release_accepted = is_armed;
            }
            (Command::SelfTest, Ok(_)) => {
                self.count("command self-test");
                self.is_testing = true;
            }
            (Command::Load(_), Ok(_)) => self.count("command load"),
            (_, Err(error)) => {
                let error = format!("{error:?}");
                let name = error.split([' ', '{']).next().unwrap_or_default();
                self.count(format!("refused {name}"));
            }
        }
    }

    /// What came of a command was recorded.
    pub(super) fn obeyed(&mut self, now_us: u64) {
        if let Some(reason) = self.persons.untold.take() {
            self.fail(now_us, format!("a cut is no event of its own: {reason}"));
        }
    }

    /// A person sees the newest cut.
    pub(super) fn looked(&mut self, who: usize) {
        self.persons.looked(who);
    }

    /// A program may end cuts only for a self-test, and none of a person.
    fn may_be_released(&self) -> bool {
        self.is_release_accepted || self.is_testing && !self.persons.has_cut()
    }

    pub(super) fn bogus_release(&mut self, now_us: u64, result: &Result<String, CommandError>) {
        if result.is_ok() {
            self.fail(
                now_us,
                "a release of a cut that is not in force was accepted",
            );
        }
    }

    pub(super) fn said(&mut self, around: &Around, out: &Output, core: &Core) {
        let now_us = around.now_us;
        let records = out.records.len();
        if records > RECORDS_PER_CALL_MAX {
            self.fail(now_us, format!("{records} records in one call"));
        }
        if around.store_waiting + records > QUEUE_MAX {
            self.fail(now_us, "the queue to the store is full");
        }
        if !around.is_open && !out.write.is_empty() {
            self.fail(now_us, "bytes for a port that is closed");
        }
        let mut messages = Vec::new();
        self.said.feed(&without_lines(&out.write), &mut |result| {
            messages.push(
                result.map_err(|fault| fault.to_string()).and_then(|frame| {
                    HostMessage::parse(&frame).map_err(|error| error.to_string())
                }),
            );
        });
        let mut cut_said = false;
        for message in messages {
            match message {
                Err(error) => self.fail(now_us, format!("the core said nonsense: {error}")),
                Ok(HostMessage::Heartbeat) => self.heartbeat(around),
                Ok(HostMessage::Limits(_)) => {
                    if !self.recorded.has_beaten && !around.store_behind {
                        self.fail(now_us, "limits before the first heartbeat");
                    }
                }
                Ok(HostMessage::Cut { .. }) => {
                    cut_said = true;
                    self.cut_said_us = now_us;
                }
                Ok(HostMessage::Release { .. }) => {
                    if !self.may_be_released() {
                        self.fail(now_us, "a release nobody asked for");
                    }
                }
                // No stand here has a load.
                Ok(HostMessage::Identify | HostMessage::Load(_)) => {}
            }
        }
        let latch = core.cut_view().latch;
        let ended_test = std::mem::take(&mut self.has_tested);
        if ended_test && matches!(latch, CutLatch::Running | CutLatch::Releasing) {
            self.fail(now_us, "a self-test ended, and the engine may run");
        }
        if latch != self.latch {
            self.latched(around, latch, cut_said);
        }
        let counters = core.counters();
        let accounted = counters.bytes_in_frames
            + counters.bytes_discarded
            + counters.bytes_idle
            + core.pending_bytes() as u64;
        if counters.bytes_received != accounted || counters.bytes_received != self.fed_bytes {
            let fed = self.fed_bytes;
            self.fail(
                now_us,
                format!("{fed} bytes fed, {counters:?} and {accounted} accounted for"),
            );
        }
    }

    fn heartbeat(&mut self, around: &Around) {
        let now_us = around.now_us;
        self.recorded.has_beaten = true;
        if !self.recorded.has_hello {
            self.fail(now_us, "a heartbeat before the hello");
        }
        if around.store_behind {
            self.fail(now_us, "a heartbeat while the store is behind");
        }
        if now_us.saturating_sub(self.status_us) > 302_000 {
            self.fail(now_us, "a heartbeat without a status for 300 ms");
        }
    }

    fn latched(&mut self, around: &Around, latch: CutLatch, cut_said: bool) {
        let now_us = around.now_us;
        let before = std::mem::replace(&mut self.latch, latch);
        self.count(format!("latch {latch:?}"));
        match latch {
            CutLatch::Running => {
                if before != CutLatch::Releasing || !self.may_be_released() {
                    self.fail(now_us, format!("the latch went from {before:?} to running"));
                }
                self.is_release_accepted = false;
                self.persons.all_released();
            }
            CutLatch::Requested => {
                if around.is_open && !cut_said {
                    self.fail(now_us, "a cut was wanted and not said in the same call");
                }
                self.is_release_accepted = false;
                self.cut_said_us = now_us;
            }
            CutLatch::Confirmed => {
                self.confirmed_us = now_us;
                self.confirmed_rad_per_s = self.speeds.back().map_or(0.0, |it| it.1);
            }
            CutLatch::Releasing => {
                if !self.may_be_released() {
                    self.fail(now_us, "a release under way that nobody asked for");
                }
            }
        }
        if self.is_harmless && latch != CutLatch::Running {
            self.fail(now_us, "a cut without a reason");
        }
    }

    pub(super) fn turned(&mut self, around: &Around, core: &Core) {
        let now_us = around.now_us;
        let asleep_us = now_us.saturating_sub(around.turned_us);
        if self.latch == CutLatch::Requested
            && around.is_open
            && now_us - self.cut_said_us > 21_000 + asleep_us
        {
            self.fail(now_us, "a cut was not repeated within 20 ms");
        }
        if core.cut_view().latch != self.latch {
            self.fail(now_us, "the latch changed outside a call");
        }
        if let Some(late) = self.expected.iter().find(|it| it.until_us < now_us) {
            let what = format!(
                "{} at {:.3} s is not in the journal",
                late.what,
                late.from_us as f64 * 1e-6
            );
            self.fail(now_us, what);
            self.expected.retain(|it| it.until_us >= now_us);
        }
    }

    pub(super) fn recorded(&mut self, around: &Around, record: &Record) {
        let now_us = around.now_us;
        match record {
            Record::Connected { .. } => {
                self.count("connections");
                if self.recorded.is_connected {
                    self.fail(now_us, "connected twice");
                }
                self.recorded = Recorded {
                    is_connected: true,
                    board_started_us: around.board_started_us,
                    ..Recorded::default()
                };
            }
            Record::Disconnected { .. } => {
                if self.recorded.pull.is_some() {
                    self.fail(now_us, "a pull is open beyond its connection");
                }
                if !std::mem::take(&mut self.recorded.is_connected) {
                    self.fail(now_us, "disconnected twice");
                }
            }
            Record::Hello(_) => {
                self.recorded.has_hello = true;
                self.recorded.hello_us = now_us;
            }
            Record::Chunk(chunk) => self.chunk(around, chunk),
            Record::PullStarted {
                tick_first_wanted,
                tick_start,
                chunk_seq_first,
                ..
            } => {
                self.count("pulls found");
                if self.recorded.pull.is_some() {
                    self.fail(now_us, "a pull began within another");
                }
                if tick_first_wanted > tick_start {
                    self.fail(now_us, "the pre-trigger is after the start");
                }
                self.recorded.pull = Some((*tick_start, *chunk_seq_first));
                let start_us = self.time_of(around, *tick_start);
                self.found.push(Found {
                    start_us,
                    peak_us: None,
                    whole: false,
                });
            }
            Record::PullEnded(ended) => self.pull_ended(around, ended),
            Record::SelfTested(_) => {
                if !std::mem::take(&mut self.is_testing) {
                    self.fail(now_us, "a self-test that nobody asked for");
                }
                self.has_tested = true;
                self.count("self-tests ended");
            }
            Record::Event(event) => {
                self.count(format!("event {}", event.kind));
                // Its time is that of the first it stands for.
                let last_us = event.repeats.as_ref().and_then(|it| it.last_mono_us);
                let at_us = around.stand_us(last_us.unwrap_or(event.now.mono_us));
                self.expected.retain(|it| {
                    let is_it = it.kinds.contains(&event.kind)
                        && it.from_us <= at_us
                        && it
                            .channel
                            .is_none_or(|channel| event.channel.as_deref() == Some(channel));
                    !is_it
                });
                if event.kind == EventKind::Cut {
                    self.persons.told(&event.message);
                }
                match event.kind {
                    EventKind::StillDriven => {
                        self.still_driven(now_us, event.severity == Severity::Error)
                    }
                    EventKind::GuardTripped if event.message.contains("self-test:") => {
                        self.count("guards tried");
                    }
                    EventKind::GuardTripped => {
                        let guard = event.channel.clone().unwrap_or_default();
                        self.tripped(now_us, &guard);
                        self.tripped.insert(guard);
                    }
                    EventKind::GuardCleared => {
                        self.tripped.retain(|it| Some(it) != event.channel.as_ref());
                    }
                    EventKind::BoardRestart => {
                        if let Some(at_us) = self.restarted_us.take() {
                            self.forgive_since(at_us.saturating_sub(500_000));
                        } else if self.told_us_max == TOLD_US_MAX {
                            // A late line may bring the start before a new connection after it.
                            self.fail(now_us, "a restart that was none");
                        }
                    }
                    _ => {}
                }
                if self.is_harmless && event.severity == Severity::Cut {
                    self.fail(now_us, format!("without a fault: {}", event.message));
                }
            }
        }
    }

    fn chunk(&mut self, around: &Around, chunk: &ChunkData) {
        let now_us = around.now_us;
        self.count("chunks");
        if chunk.seq != self.recorded.next_seq {
            self.fail(now_us, format!("chunk {} is out of order", chunk.seq));
        }
        self.recorded.next_seq = chunk.seq.wrapping_add(1);
        let first_us = chunk.first.mono_us;
        if chunk.last_mono_us < first_us || first_us < self.recorded.newest_first_us {
            self.fail(now_us, format!("chunk {} is out of time", chunk.seq));
        }
        self.recorded.newest_first_us = first_us;
        if chunk.bytes.len() > 2 * 64 * 1024 {
            self.fail(now_us, format!("a chunk of {} bytes", chunk.bytes.len()));
        }
        let logged = chunk.bytes.len().min(self.unlogged.len());
        let fed: Vec<u8> = self.unlogged.drain(..logged).collect();
        if fed != chunk.bytes {
            self.fail(now_us, format!("chunk {} is not what came", chunk.seq));
        }
        let restarts = &mut self.recorded.restarts_read;
        self.recorded
            .reader
            .feed(first_us, &chunk.bytes, &mut |reading| {
                if reading == Reading::Fault(LinkFault::BoardRestarted) {
                    *restarts += 1;
                }
            });
        if self.recorded.restarts_read > 0 {
            self.recorded.restarts_read = 0;
            self.fail(now_us, "a connection's log holds two starts of the board");
        }
    }

    fn pull_ended(&mut self, around: &Around, ended: &PullEnded) {
        let now_us = around.now_us;
        self.count(if ended.ending == Ending::Whole {
            "pulls whole"
        } else {
            "pulls broken off"
        });
        let peak_us = self.time_of(around, ended.tick_peak);
        let Some((tick_start, seq_first)) = self.recorded.pull.take() else {
            return self.fail(now_us, "a pull ended that had not begun");
        };
        if !(tick_start..=ended.tick_end).contains(&ended.tick_peak) {
            self.fail(
                now_us,
                format!("start {tick_start}, {ended:?}: out of order"),
            );
        }
        if ended.ending != Ending::Whole && ended.reasons.is_empty() {
            self.fail(now_us, "a pull that is not whole, and no reason");
        }
        if ended.chunk_seq_last < seq_first || ended.chunk_seq_last >= self.recorded.next_seq {
            self.fail(
                now_us,
                "a pull ended before its bytes were given to the store",
            );
        }
        if let Some(found) = self.found.last_mut() {
            found.peak_us = Some(peak_us);
            found.whole = ended.ending == Ending::Whole;
        }
    }

    /// When a tick was, on the stand's clock, µs. Within half a wrap of now.
    fn time_of(&self, around: &Around, tick: u64) -> i64 {
        let started_us = self.recorded.board_started_us;
        let since_us = around.now_us.saturating_sub(started_us);
        let ticks = u128::from(since_us) * u128::from(self.tick_hz) / 1_000_000;
        #[expect(clippy::cast_possible_truncation, reason = "as on the wire")]
        let now_tick = (ticks as u32).wrapping_add(self.tick_offset);
        #[expect(clippy::cast_possible_truncation, reason = "as on the wire")]
        let ago = now_tick.wrapping_sub(tick as u32).cast_signed();
        let ago_us = i64::from(ago) * 1_000_000 / i64::from(self.tick_hz);
        around.now_us.cast_signed() - ago_us
    }

    /// A guard tripped: had it reason to?
    fn tripped(&mut self, now_us: u64, guard: &str) {
        self.count(format!("tripped {guard}"));
        let fastest =
            |of: fn(&(u64, f64, f64)) -> f64| self.speeds.iter().map(of).fold(0.0, f64::max);
        let (drum, engine) = (fastest(|it| it.1), fastest(|it| it.2));
        let was = |wanted: fn(FaultKind) -> bool| {
            self.last_began.iter().any(|fault| {
                wanted(fault.kind) && (fault.from_us..fault.until_us + 2_000_000).contains(&now_us)
            })
        };
        let has_reason = match guard {
            _ if (guard.starts_with("pickup")
                || guard.ends_with("overspeed")
                || guard == "teeth lost")
                && (self.sight.is_wrong()
                    || was(|kind| kind == FaultKind::PickupOpen)
                    || self.told_us_max > TOLD_US_MAX) =>
            {
                true
            }
            _ if guard.starts_with("pickup") => self.edges_in_a_burst > 1,
            "drum overspeed" => drum > 0.985 * self.limit_rad_per_s || self.edges_in_a_burst > 1,
            "engine overspeed" => {
                engine > 0.97 * self.engine_limit_rad_per_s || self.edges_in_a_burst > 1
            }
            "teeth lost" | "pickup 0" => {
                was(|kind| kind == FaultKind::PickupOpen) || self.edges_in_a_burst > 1
            }
            "board silent" => {
                now_us.saturating_sub(self.heard_us) >= 496_000
                    || was(|kind| matches!(kind, FaultKind::LinkDelayed { .. }))
            }
            "air too hot" => was(|kind| kind == FaultKind::AirHot),
            // A guard that can't see cuts as well.
            "head lost" | "head too hot" => was(|kind| {
                matches!(
                    kind,
                    FaultKind::HeadOpen | FaultKind::HeadClipped | FaultKind::AirHot
                )
            }),
            "lambda lost" => was(|kind| kind == FaultKind::LambdaClipped),
            _ => false,
        };
        if !has_reason {
            self.fail(
                now_us,
                format!(
                    "\"{guard}\" tripped without a reason: drum {drum:.1}, engine {engine:.1} rad/s"
                ),
            );
        }
    }

    pub(super) fn is_testing(&self) -> bool {
        self.is_testing
    }

    pub(super) fn is_alarmed(&self) -> bool {
        self.alarmed
    }

    /// The alarm of a stand that is driven though it is cut came, or went.
    fn still_driven(&mut self, now_us: u64, is_alarm: bool) {
        self.alarmed = is_alarm;
        if is_alarm {
            self.count("alarms: still driven");
            let is_welded = self
                .last_began
                .iter()
                .any(|it| it.kind == FaultKind::RelayWelded);
            if !is_welded && !self.sight.is_wrong() && self.edges_in_a_burst == 0 {
                self.fail(now_us, "\"still driven\" without a reason");
            }
        }
    }

    // What is true.

    pub(super) fn truth(
        &mut self,
        now_us: u64,
        truth: &Truth,
        limits: &Limits,
        (asleep, delay_us): (bool, u64),
        active: &[FaultKind],
    ) {
        let drum = truth.omega_drum_rad_per_s;
        self.speeds
            .push_back((now_us, drum, truth.omega_engine_rad_per_s));
        let old = self
            .speeds
            .partition_point(|(at_us, ..)| *at_us + 1_000_000 < now_us);
        self.speeds.drain(..old);
        let blind = active.contains(&FaultKind::PickupOpen);
        let heard = self.recorded.has_hello && now_us >= self.sound_from_us;
        self.sight.look(now_us, drum, heard);
        let is_sound = self.recorded.has_hello
            && !asleep
            && !blind
            && !active.iter().any(|kind| kind.is_of_link())
            && self.restarted_us.is_none();
        if !is_sound {
            self.sound_from_us = now_us + RECOVERY_US;
        }
        if truth.cut {
            self.mark_cut(now_us);
        }
        let is_sound =
            now_us >= self.sound_from_us && now_us >= self.recorded.hello_us + RECOVERY_US;
        self.check_delay(now_us, truth, is_sound, delay_us);
        self.check_relay(now_us, truth, is_sound, active);
        self.check_host_limit(now_us, truth, is_sound, delay_us);
        if self.sight.board_sees() {
            self.check_board_limit(now_us, truth, limits);
        }

        let wants_cut = matches!(self.latch, CutLatch::Requested | CutLatch::Confirmed);
        // Over a line that was late from the first byte on, the board's word of a release is late too.
        let hears_late = self.least_delay_us > CUT_US_MAX;
        if wants_cut && !truth.cut && is_sound && !hears_late {
            self.firing_us += STEP_US;
            if self.firing_us > CUT_US_MAX {
                self.firing_us = 0;
                self.fail(now_us, "the engine may fire although the stand is cut");
            }
        } else {
            self.firing_us = 0;
        }
    }

    fn mark_cut(&mut self, now_us: u64) {
        match self.disturbed.last_mut() {
            Some((_, until_us)) if *until_us + 2 * STEP_US >= now_us => {
                *until_us = now_us.max(*until_us);
            }
            _ => self.disturbed.push((now_us, now_us)),
        }
    }

    /// By the daemon's limit: while the way to the cut is sound.
    fn check_host_limit(&mut self, now_us: u64, truth: &Truth, is_sound: bool, delay_us: u64) {
        let drum = truth.omega_drum_rad_per_s;
        if truth.cut || drum <= (1.0 + PITCH_ERROR) * self.limit_rad_per_s {
            self.over_us = 0;
            return;
        }
        if self.over_us == 0 {
            self.over_from_rad_per_s = drum;
        }
        if !is_sound {
            // The time before does not count, nor does what was gained in it.
            self.over_us = 0;
            return;
        }
        self.over_us += STEP_US;
        // A delay beyond 300 ms ends the heartbeats, which the board awaits for 250 ms.
        let late_us = if delay_us > 0 { 700_000 } else { 0 };
        let us = self.reaction.us + late_us + self.sight.longer_us(self.reaction.pitch_us);
        let is_over = self.over_us > us;
        if let Some(hidden) = self.sight.hidden().filter(|_| is_over) {
            if self.over_us - STEP_US <= us {
                self.count(format!("NOT SEEN: {hidden}"));
            }
            return;
        }
        if is_over {
            self.over_us = 0;
            self.fail(
                now_us,
                format!(
                    "the drum is above its limit ({drum:.1} rad/s) for more than {us} µs without a cut"
                ),
            );
        }
        let allowed = self.over_from_rad_per_s + self.reaction.gain_rad_per_s(us);
        if drum > allowed && self.sight.hidden().is_none() {
            self.fail(
                now_us,
                format!("the drum gained more than it can: {drum:.1} of {allowed:.1} rad/s"),
            );
        }
    }

    /// Data that come late are stale: heartbeats end, and the board cuts.
    fn check_delay(&mut self, now_us: u64, truth: &Truth, is_sound: bool, delay_us: u64) {
        // A delay that was there from the first byte on can't be told from a board that started later.
        let is_begun = self.recorded.has_hello && self.recorded.hello_us + STEP_US < now_us;
        if is_begun {
            self.least_delay_us = self.least_delay_us.min(delay_us);
        } else {
            self.least_delay_us = delay_us;
        }
        let added_us = delay_us.saturating_sub(self.least_delay_us);
        if delay_us >= 450_000 && added_us < 450_000 && !truth.cut && is_sound {
            self.hidden_us += STEP_US;
            if self.hidden_us == 800_000 {
                self.count("NOT SEEN: a delay that was there from the first byte on");
            }
        }
        if added_us < 450_000 || !is_sound || truth.cut {
            self.late_us = 0;
            return;
        }
        self.late_us += STEP_US;
        if self.late_us == 800_000 {
            self.fail(now_us, format!("runs on with data {delay_us} µs late"));
        }
    }

    /// A drum that gains speed half a second after its cut is driven: that is an alarm.
    fn check_relay(&mut self, now_us: u64, truth: &Truth, is_sound: bool, active: &[FaultKind]) {
        let is_welded = active.contains(&FaultKind::RelayWelded);
        if !is_welded || self.latch != CutLatch::Confirmed || self.alarmed || !is_sound {
            return;
        }
        let since_us = now_us.saturating_sub(self.confirmed_us);
        let before = self.speeds.iter().find(|it| it.0 + 500_000 >= now_us);
        let before = before.map_or(f64::INFINITY, |it| it.1);
        let gained = truth.omega_drum_rad_per_s - before;
        // Slower, a flywheel may still give its energy to the drum through the clutch.
        // On a new connection, or with the count lost, nobody knows how fast it was.
        let is_new = self.recorded.hello_us + 1_000_000 > self.confirmed_us;
        let is_unknown = is_new || self.edges_in_a_burst > 1;
        let settles_us = if is_unknown || self.confirmed_rad_per_s < PULLING_RAD_PER_S {
            1_200_000
        } else {
            0
        };
        if since_us >= 550_000 + settles_us
            && gained > GAIN_TOLD_RAD_PER_S
            && before > PULLING_RAD_PER_S
        {
            self.fail(
                now_us,
                format!("the cut drum gained {gained:.1} rad/s without an alarm"),
            );
        }
    }

    /// By the limits that the board has in force: whatever happens between it and the host.
    fn check_board_limit(&mut self, now_us: u64, truth: &Truth, limits: &Limits) {
        let period = limits.tooth_period_ticks_min;
        if period == 0 {
            self.unlimited_us = now_us;
            return;
        }
        if truth.cut || now_us < self.unlimited_us + 50_000 {
            return;
        }
        let limit = self.reaction.pitch_rad * f64::from(self.tick_hz) / f64::from(period);
        let pitches = f64::from(limits.short_periods_to_cut.max(1)) * 2.0 + 2.0;
        let us = micros(pitches * self.reaction.pitch_rad / limit) + 1_000;
        let allowed = (1.0 + PITCH_ERROR) * limit + self.reaction.gain_rad_per_s(us);
        let drum = truth.omega_drum_rad_per_s;
        if drum > allowed {
            self.fail(
                now_us,
                format!("{drum:.1} rad/s, though the board's limit allows {allowed:.1}"),
            );
        }
    }

    // Pulls.

    pub(super) fn rode(&mut self, event: RiderEvent) {
        match event {
            RiderEvent::PullStarted { at_s, .. } => self.under_way = Some(micros(at_s)),
            RiderEvent::PullEnded { at_s, complete, .. } => {
                if let Some(from_us) = self.under_way.take().filter(|_| complete) {
                    self.count("pulls ridden");
                    self.ridden.push(Ridden {
                        from_us,
                        until_us: micros(at_s),
                    });
                }
            }
            RiderEvent::Done { .. } => {}
        }
    }

    pub(super) fn finish(&mut self, now_us: u64) {
        if !self.unlogged.is_empty() {
            let bytes = self.unlogged.len();
            self.fail(now_us, format!("{bytes} bytes never came to the store"));
        }
        if self.recorded.pull.is_some() || self.recorded.is_connected {
            self.fail(now_us, "something is open in the end");
        }
        let expected = std::mem::take(&mut self.expected);
        for it in expected {
            if it.from_us + self.told_us_max < now_us {
                let at_s = it.from_us as f64 * 1e-6;
                self.fail(now_us, format!("{} at {at_s:.3} s was never told", it.what));
            }
        }
        for ridden in self.ridden.clone() {
            self.check_ridden(now_us, &ridden);
        }
        if self.is_harmless && self.disturbed.is_empty() && self.found.len() > self.ridden.len() + 1
        {
            let (found, ridden) = (self.found.len(), self.ridden.len());
            self.fail(now_us, format!("{found} pulls found of {ridden} ridden"));
        }
    }

    /// A pull that nothing disturbed is found whole, where it was.
    fn check_ridden(&mut self, now_us: u64, ridden: &Ridden) {
        let (from_us, until_us) = (
            ridden.from_us.saturating_sub(1_500_000),
            ridden.until_us + 800_000,
        );
        let mut disturbed = self.disturbed.iter();
        if until_us > now_us
            || disturbed.any(|(from, until)| *from <= until_us && *until + RECOVERY_US >= from_us)
        {
            return;
        }
        self.count("pulls ridden undisturbed");
        let start_us = ridden.from_us.cast_signed();
        let end_us = ridden.until_us.cast_signed();
        let is_it = |found: &&Found| {
            (start_us - 600_000..start_us + 400_000).contains(&found.start_us)
                && found
                    .peak_us
                    .is_some_and(|peak_us| (peak_us - end_us).abs() < 250_000)
                && found.whole
        };
        if self.found.iter().filter(is_it).count() != 1 {
            let found: Vec<_> = self
                .found
                .iter()
                .filter(|it| (start_us - 3_000_000..end_us + 3_000_000).contains(&it.start_us))
                .collect();
            let what = format!("a pull from {start_us} to {end_us} µs was not found: {found:?}");
            self.fail(now_us, what);
        }
    }

    pub(super) fn into_results(mut self, wrong: Vec<String>) -> (Vec<String>, Counts) {
        self.failures.extend(wrong);
        (self.failures, self.counts)
    }
}

/// What a board of frames makes sense of: while the core does not know how its board speaks, it says
/// some things as lines of text too, each after a frame's end and with a delimiter behind it.
fn without_lines(written: &[u8]) -> Vec<u8> {
    let mut frames = Vec::with_capacity(written.len());
    let mut rest = written;
    while let Some(at) = rest.windows(2).position(|pair| pair == b"\0\n") {
        let (before, after) = rest.split_at(at + 1);
        frames.extend_from_slice(before);
        let text = after.get(1..).unwrap_or_default();
        let length = text.iter().take_while(|b| (0x20..0x7f).contains(*b));
        let length = length.count();
        let is_line =
            length > 5 && text.get(length) == Some(&b'\n') && text.get(length - 5) == Some(&b'*');
        // A frame of ten bytes begins the same way.
        let taken = if is_line { length + 2 } else { 0 };
        rest = after.get(taken..).unwrap_or_default();
        if !is_line {
            let (first, others) = rest.split_at(rest.len().min(1));
            frames.extend_from_slice(first);
            rest = others;
        }
    }
    frames.extend_from_slice(rest);
    frames
}
