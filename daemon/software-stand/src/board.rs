//! The acquisition board: what its firmware does with edges, samples and host frames.
//!
//! It keeps the protocol's specification, section 6, and knows the stand only through its inputs.

use std::collections::VecDeque;

use leverarm_load::controller::Inputs as LoadInputs;
use leverarm_load::settings::settings;
use leverarm_protocol::{
    Analog, BoardMessage, BoardState, Channel, ChannelKind, CutCause, Hello, HostMessage, Limits,
    ParseError, Status, Teeth, TemperatureLimits,
};

use super::STEP_NS;
use super::judge::{Counting, Overspeed};
use super::line::Line;
use super::load::Load;
use super::model::{BoardModel, StandModel};
use super::talk::Talk;

const NS_PER_S: u64 = 1_000_000_000;
const NS_PER_MS: u64 = 1_000_000;

/// Longest time a tooth waits for its frame. The specification allows 20 ms until it goes out,
/// and the line may be busy for 5.
const TOOTH_WAIT_NS: u64 = 14 * NS_PER_MS;

/// Longest time a sample waits for the line before it is dropped; the specification allows 100 ms.
const SAMPLE_WAIT_NS: u64 = 50 * NS_PER_MS;

/// Samples that may wait for the line; more are dropped, newest first.
const SAMPLES_WAITING_MAX: usize = 16;

/// How a board comes to start again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Restart {
    /// Its supply came back: it starts running.
    PowerOn,
    /// Its watchdog or anything else reset it: it starts cut.
    Reset,
}

/// What the board samples.
pub(super) trait Inputs {
    fn force_counts(&mut self, channel: u8) -> i32;
    fn analog_counts(&mut self) -> Vec<[u8; 2]>;
    fn temperature_counts(&mut self, channel: u8) -> Option<i32>;
    /// What the loop wants to know of the absorber and the engine.
    fn load(&self) -> LoadInputs;
}

/// A board and its line.
#[derive(Clone, Debug)]
pub(super) struct Board {
    model: BoardModel,
    channels: Vec<[u8; 4]>,
    analog_rate_hz: u16,
    line: Line,
    boot: u16,
    load: Option<Load>,
    load_schedule: Schedule,
    run: Run,
}

/// What a start begins again.
#[derive(Clone, Debug)]
struct Run {
    /// When the firmware began to run; tick 0.
    started_ns: u64,
    talk: Talk,
    captures: Vec<Capture>,
    schedules: Vec<(Channel, Schedule)>,
    analog: Schedule,
    status: Schedule,
    samples: VecDeque<Sample>,
    due: Due,
    state: BoardState,
    cut_id: u16,
    cause: Option<CutCause>,
    limits: Limits,
    /// Since when the host's next heartbeat is awaited.
    heartbeat_ns: u64,
    overspeed: Overspeed,
    counting: Counting,
    /// Temperature channels whose last sample was above its limit.
    too_hot: Vec<u8>,
    captures_lost: u32,
    receive_errors: u32,
}

/// Frames that go before samples and teeth.
#[derive(Clone, Copy, Debug, Default)]
struct Due {
    /// Tick of the cut to announce.
    cut: Option<u64>,
    status: bool,
    hello: bool,
    load: bool,
}

/// A pickup's capture unit and the teeth that wait for a frame.
#[derive(Clone, Debug)]
struct Capture {
    pickup: u8,
    teeth: VecDeque<Tooth>,
    /// Number of the next tooth.
    next_number: u32,
    last_edge_s: f64,
    last_tick: Option<u64>,
    last_period: Option<u64>,
}

#[derive(Clone, Copy, Debug)]
struct Tooth {
    number: u32,
    tick: u64,
}

#[derive(Clone, Debug)]
struct Sample {
    tick: u64,
    reading: SampleReading,
}

#[derive(Clone, Debug)]
enum SampleReading {
    Force { channel: u8, counts: i32 },
    Analog(Vec<[u8; 2]>),
    Temperature { channel: u8, counts: i32 },
}

impl SampleReading {
    fn message(&self) -> BoardMessage<'_> {
        match self {
            &Self::Force { channel, counts } => BoardMessage::Force { channel, counts },
            Self::Analog(counts) => BoardMessage::Analog(Analog {
                first_channel: 0,
                counts,
            }),
            &Self::Temperature { channel, counts } => BoardMessage::Temperature { channel, counts },
        }
    }
}

/// Something done at a rate.
#[derive(Clone, Copy, Debug)]
struct Schedule {
    rate_hz: u16,
    next: u64,
}

impl Schedule {
    fn new(rate_hz: u16) -> Self {
        Self { rate_hz, next: 1 }
    }

    /// Whether it is time again; never at a rate of 0.
    fn is_due(&mut self, since_start_ns: u64) -> bool {
        let due_ns = (self.next * NS_PER_S).checked_div(u64::from(self.rate_hz));
        let due = due_ns.is_some_and(|due_ns| due_ns <= since_start_ns);
        self.next += u64::from(due);
        due
    }
}

impl Board {
    pub(super) fn new(stand: &StandModel) -> Self {
        let numbered = |kind, rates_hz: Vec<u16>| {
            (0_u8..)
                .zip(rates_hz)
                .map(move |(number, rate_hz)| Channel::new(kind, number, rate_hz))
        };
        let force_hz = stand.forces.iter().map(|force| force.rate_hz).collect();
        let temperature_hz = stand
            .temperatures
            .iter()
            .map(|sensor| sensor.rate_hz)
            .collect();
        let channels: Vec<[u8; 4]> = numbered(ChannelKind::Teeth, vec![0; stand.pickups.len()])
            .chain(numbered(ChannelKind::Force, force_hz))
            .chain(numbered(
                ChannelKind::Analog,
                vec![stand.analog_rate_hz; stand.analogs.len()],
            ))
            .chain(numbered(ChannelKind::Temperature, temperature_hz))
            .chain(numbered(
                ChannelKind::Load,
                stand.absorber.iter().map(|it| it.task.rate_hz).collect(),
            ))
            .chain(numbered(ChannelKind::Simulated, vec![0]))
            .map(Channel::to_bytes)
            .collect();
        let analog_rate_hz = if stand.analogs.is_empty() {
            0
        } else {
            stand.analog_rate_hz
        };
        let started_ns = start_time_ns(&stand.board);
        Self {
            model: stand.board,
            line: Line::new(stand.board.baud),
            boot: 1,
            load: stand.absorber.as_ref().map(|it| {
                let settings = settings(&it.believed, &it.task);
                Load::new(settings, it.task.rate_hz, stand.board.tick_hz)
            }),
            load_schedule: Schedule::new(stand.absorber.as_ref().map_or(0, |it| it.task.rate_hz)),
            run: Run::new(&stand.board, &channels, analog_rate_hz, started_ns),
            analog_rate_hz,
            channels,
        }
    }

    /// Whether the board lets the engine fire.
    pub(super) fn lets_fire(&self, now_ns: u64) -> bool {
        self.is_started(now_ns) && self.run.state == BoardState::Running
    }

    fn is_started(&self, now_ns: u64) -> bool {
        now_ns >= self.run.started_ns
    }

    /// Appends the bytes that have left by a time.
    pub(super) fn deliver(&mut self, until_ns: u64, out: &mut Vec<u8>) {
        self.line.deliver(until_ns, out);
    }

    pub(super) fn restart(&mut self, now_ns: u64, restart: Restart) {
        self.line.lose(now_ns);
        self.boot = self.boot.wrapping_add(1);
        if let Some(load) = &mut self.load {
            load.restart();
        }
        let started_ns = now_ns + start_time_ns(&self.model);
        self.run = Run::new(&self.model, &self.channels, self.analog_rate_hz, started_ns);
        if restart == Restart::Reset {
            self.run.state = BoardState::Cut;
            self.run.cut_id = 1;
            self.run.cause = Some(CutCause::WatchdogReset);
        }
    }

    /// Bytes from the host.
    pub(super) fn receive(&mut self, now_ns: u64, bytes: &[u8]) {
        if !self.is_started(now_ns) {
            return;
        }
        let mut messages = Vec::new();
        let mut errors = 0_u32;
        self.run.talk.feed(
            bytes,
            &mut |frame| match frame.map(|frame| HostMessage::parse(&frame)) {
                Ok(Ok(message)) => messages.push(message),
                Ok(Err(ParseError::UnknownKind { .. })) => {}
                Ok(Err(_)) | Err(_) => errors = errors.saturating_add(1),
            },
        );
        self.run.receive_errors = self.run.receive_errors.saturating_add(errors);
        let tick = self.tick_at(now_ns);
        for message in messages {
            match (message, &mut self.load) {
                (HostMessage::Load(command), Some(load)) => {
                    load.obey(command);
                    self.run.due.load = true;
                }
                (message, _) => self.run.obey(&self.model, now_ns, tick, message),
            }
        }
    }

    /// Ticks since the start.
    fn tick_at(&self, now_ns: u64) -> u64 {
        ticks(
            now_ns.saturating_sub(self.run.started_ns),
            self.model.tick_hz,
        )
    }

    /// An edge at a pickup, as the capture interrupt sees it. The times of one pickup's edges rise.
    pub(super) fn capture(&mut self, pickup: usize, at_s: f64) {
        let Self { model, run, .. } = self;
        let since_start_s = at_s - seconds(run.started_ns);
        let Some(capture) = run.captures.get_mut(pickup) else {
            return;
        };
        if since_start_s < 0.0 {
            return;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a counter shows whole ticks, and none before the start"
        )]
        let tick = (since_start_s * f64::from(model.tick_hz)) as u64;
        let too_soon = at_s - capture.last_edge_s < model.capture_dead_time_s;
        let number = capture.next_number;
        capture.next_number = number.wrapping_add(1);
        if too_soon {
            run.captures_lost = run.captures_lost.saturating_add(1);
            run.counting = Counting::default();
            return;
        }
        capture.last_edge_s = at_s;
        capture.last_period = capture
            .last_tick
            .map(|last_tick| tick.saturating_sub(last_tick));
        capture.last_tick = Some(tick);
        if capture.teeth.len() < model.capture_buffer {
            capture.teeth.push_back(Tooth { number, tick });
        } else {
            run.captures_lost = run.captures_lost.saturating_add(1);
        }
        if capture.pickup == 0 {
            run.guard_speed(tick, model.tick_hz);
        }
    }

    /// One turn of the firmware's main loop.
    pub(super) fn work(&mut self, now_ns: u64, inputs: &mut impl Inputs) {
        if !self.is_started(now_ns) {
            return;
        }
        let since_start_ns = now_ns - self.run.started_ns;
        let tick = self.tick_at(now_ns);
        self.run.guard_heartbeat(now_ns, tick);
        self.run.sample(since_start_ns, tick, inputs);
        self.hold_load(since_start_ns, tick, inputs);
        self.run.due.status |= self.run.status.is_due(since_start_ns);
        // A frame is chosen only when the one before is about to have left: one that jumps the
        // queue has the right number, and waits for no more than one.
        while self.line.is_free_before(now_ns + STEP_NS) && self.send_next(now_ns, tick) {}
    }

    pub(super) fn load_mut(&mut self) -> Option<&mut Load> {
        self.load.as_mut()
    }

    pub(super) fn load(&self) -> Option<&Load> {
        self.load.as_ref()
    }

    /// One step of the loop, when it is time.
    fn hold_load(&mut self, since_start_ns: u64, tick: u64, inputs: &mut impl Inputs) {
        let Self {
            load,
            load_schedule,
            run,
            ..
        } = self;
        let Some(load) = load else { return };
        if !load_schedule.is_due(since_start_ns) {
            return;
        }
        let capture = run.captures.first();
        load.latest = load.controller.step(&LoadInputs {
            tick: low_half(tick),
            tooth_tick: low_half(capture.and_then(|it| it.last_tick).unwrap_or(0)),
            teeth: capture.map_or(0, |it| it.next_number.to_le_bytes()[0]),
            cut: run.state == BoardState::Cut,
            too_hot: !run.too_hot.is_empty(),
            ..inputs.load()
        });
        if load.latest.wants_cut {
            run.cut(tick, CutCause::Load);
        }
    }

    /// Sends what is most urgent, if anything waits.
    fn send_next(&mut self, now_ns: u64, tick: u64) -> bool {
        let due = self.run.due;
        if let Some(cut_tick) = due.cut {
            self.run.due.cut = None;
            self.run.due.status = true;
            let cause = self.run.cause.unwrap_or(CutCause::Other);
            let cut = BoardMessage::Cut {
                cut_id: self.run.cut_id,
                cause,
            };
            send(&mut self.line, &mut self.run.talk, now_ns, cut_tick, &cut);
            true
        } else if due.status {
            self.run.due.status = false;
            // One follows the other.
            self.run.due.load = true;
            let status = BoardMessage::Status(self.run.status());
            send(&mut self.line, &mut self.run.talk, now_ns, tick, &status);
            true
        } else if let (true, Some(load)) = (due.load, &self.load) {
            self.run.due.load = false;
            let status = BoardMessage::Load(load.status());
            send(&mut self.line, &mut self.run.talk, now_ns, tick, &status);
            true
        } else if due.hello {
            self.run.due.hello = false;
            self.run.due.status = true;
            self.send_hello(now_ns, tick);
            true
        } else {
            self.send_teeth(now_ns, tick) || self.send_sample(now_ns, tick)
        }
    }

    fn send_hello(&mut self, now_ns: u64, tick: u64) {
        let hello = BoardMessage::Hello(Hello {
            board_id: self.model.board_id,
            boot: self.boot,
            firmware: self.model.firmware,
            tick_hz: self.model.tick_hz,
            channels: &self.channels,
        });
        if self.run.talk.next_seq() == 0 {
            // Ends whatever noise the start put on the line.
            self.line.send(now_ns, self.run.talk.end());
        }
        send(&mut self.line, &mut self.run.talk, now_ns, tick, &hello);
    }

    /// Sends the teeth of the pickup whose first tooth waits longest, if they fill a frame or have
    /// waited long enough.
    fn send_teeth(&mut self, now_ns: u64, tick: u64) -> bool {
        let wait = ticks(TOOTH_WAIT_NS, self.model.tick_hz);
        let most = self.run.talk.teeth_max();
        let is_ripe = |capture: &Capture| {
            let waits = capture
                .teeth
                .front()
                .map(|first| tick.saturating_sub(first.tick));
            capture.teeth.len() >= most || waits.is_some_and(|waits| waits >= wait)
        };
        let Self { line, run, .. } = self;
        let ripe = run.captures.iter_mut().filter(|capture| is_ripe(capture));
        let longest_waiting = ripe.min_by_key(|capture| capture.teeth.front().map(|it| it.tick));
        let Some(capture) = longest_waiting else {
            return false;
        };
        let Some(first) = capture.teeth.pop_front() else {
            return false;
        };
        let deltas = capture.take_deltas(first, most);
        let teeth = Teeth {
            pickup: capture.pickup,
            first_tooth: first.number,
            deltas: &deltas,
        };
        send(
            line,
            &mut run.talk,
            now_ns,
            first.tick,
            &BoardMessage::Teeth(teeth),
        );
        true
    }

    /// Sends the sample that waits longest; drops those that waited too long.
    fn send_sample(&mut self, now_ns: u64, tick: u64) -> bool {
        let wait = ticks(SAMPLE_WAIT_NS, self.model.tick_hz);
        while let Some(sample) = self.run.samples.pop_front() {
            if tick.saturating_sub(sample.tick) <= wait {
                let message = sample.reading.message();
                send(
                    &mut self.line,
                    &mut self.run.talk,
                    now_ns,
                    sample.tick,
                    &message,
                );
                return true;
            }
        }
        false
    }
}

/// A tick as a board's 32 bits have it.
fn low_half(tick: u64) -> u32 {
    u32::try_from(tick & u64::from(u32::MAX)).unwrap_or(0)
}

impl Run {
    fn new(model: &BoardModel, channels: &[[u8; 4]], analog_rate_hz: u16, started_ns: u64) -> Self {
        let channels = || channels.iter().copied().map(Channel::from_bytes);
        Self {
            started_ns,
            talk: Talk::new(model.form),
            captures: channels()
                .filter(|channel| channel.kind == ChannelKind::Teeth)
                .map(|channel| Capture::new(channel.number))
                .collect(),
            schedules: channels()
                .filter(|it| matches!(it.kind, ChannelKind::Force | ChannelKind::Temperature))
                .map(|channel| (channel, Schedule::new(channel.rate_hz)))
                .collect(),
            analog: Schedule::new(analog_rate_hz),
            status: Schedule::new(model.status_hz),
            samples: VecDeque::with_capacity(SAMPLES_WAITING_MAX),
            due: Due {
                hello: true,
                ..Due::default()
            },
            state: BoardState::Running,
            cut_id: 0,
            cause: None,
            limits: tightened(model, Limits::default()),
            heartbeat_ns: started_ns,
            overspeed: Overspeed::default(),
            counting: Counting::default(),
            too_hot: Vec::new(),
            captures_lost: 0,
            receive_errors: 0,
        }
    }

    fn status(&self) -> Status {
        Status {
            state: self.state,
            cut_id: self.cut_id,
            cause: self.cause,
            captures_lost: self.captures_lost,
            receive_errors: self.receive_errors,
            limits: self.limits.clone(),
        }
    }

    fn obey(&mut self, model: &BoardModel, now_ns: u64, tick: u64, message: HostMessage) {
        match message {
            HostMessage::Heartbeat => self.heartbeat_ns = now_ns,
            HostMessage::Limits(mut limits) => {
                let has_channel = |number| {
                    let mut channels = self.schedules.iter().map(|(channel, _)| channel);
                    channels.any(|it| it.kind == ChannelKind::Temperature && it.number == number)
                };
                let known = limits
                    .temperatures
                    .iter()
                    .filter(|limit| has_channel(limit.channel));
                limits.temperatures = known.copied().collect::<TemperatureLimits>();
                // Limits are no heartbeat: a time that runs already runs on.
                if self.limits.heartbeat_timeout_ms == 0 {
                    self.heartbeat_ns = now_ns;
                }
                self.limits = tightened(model, limits);
                self.due.status = true;
            }
            HostMessage::Cut { .. } => {
                self.cut(tick, CutCause::HostCommand);
                self.due.status = true;
            }
            HostMessage::Release { cut_id } => {
                let names_it = self.state == BoardState::Cut && cut_id == self.cut_id;
                if names_it && !self.has_reason_to_cut(model, now_ns, tick) {
                    self.state = BoardState::Running;
                }
                self.due.status = true;
            }
            HostMessage::Identify => self.due.hello = true,
            // A board without a brake knows nothing of it.
            HostMessage::Load(_) => {}
        }
    }

    /// Cuts, unless cut already: further causes change neither number nor cause.
    fn cut(&mut self, tick: u64, cause: CutCause) {
        if self.state == BoardState::Running {
            self.state = BoardState::Cut;
            self.cut_id = self.cut_id.checked_add(1).unwrap_or(1);
            self.cause = Some(cause);
            self.due.cut = Some(tick);
        }
    }

    /// Whether a release would be answered by a cut at once.
    fn has_reason_to_cut(&self, model: &BoardModel, now_ns: u64, tick: u64) -> bool {
        self.is_heartbeat_late(now_ns)
            || self.overspeed.is_short()
            || !self.too_hot.is_empty()
            || self.are_teeth_missed(tick, model.tick_hz)
    }

    /// Judges the latest tooth period of pickup 0.
    fn guard_speed(&mut self, tick: u64, tick_hz: u32) {
        let latest = self.captures.first();
        let Some(period) = latest.and_then(|capture| capture.last_period) else {
            return;
        };
        let shortest = self.limits.tooth_period_ticks_min;
        let enough = self.limits.short_periods_to_cut;
        if self.overspeed.is_over(period, shortest, enough) {
            self.cut(tick, CutCause::Overspeed);
        }
        if self.counting.is_missing(period, shortest, tick_hz) {
            self.cut(tick, CutCause::Miscounting);
        }
    }

    /// Whether teeth are being missed; half a second without one, and the drum has stopped.
    fn are_teeth_missed(&self, tick: u64, tick_hz: u32) -> bool {
        let last_tick = self.captures.first().and_then(|it| it.last_tick);
        let is_turning =
            last_tick.is_some_and(|last| tick.saturating_sub(last) < u64::from(tick_hz / 2));
        is_turning && self.counting.was_missing()
    }

    fn is_heartbeat_late(&self, now_ns: u64) -> bool {
        let timeout_ns = u64::from(self.limits.heartbeat_timeout_ms) * NS_PER_MS;
        timeout_ns > 0 && now_ns.saturating_sub(self.heartbeat_ns) > timeout_ns
    }

    fn guard_heartbeat(&mut self, now_ns: u64, tick: u64) {
        if self.is_heartbeat_late(now_ns) {
            self.cut(tick, CutCause::HeartbeatLost);
        }
    }

    /// Reads every channel that is due and guards the temperatures.
    fn sample(&mut self, since_start_ns: u64, tick: u64, inputs: &mut impl Inputs) {
        let mut readings = Vec::new();
        for (channel, schedule) in &mut self.schedules {
            if !schedule.is_due(since_start_ns) {
                continue;
            }
            let number = channel.number;
            if channel.kind == ChannelKind::Force {
                let counts = inputs.force_counts(number);
                readings.push(SampleReading::Force {
                    channel: number,
                    counts,
                });
            } else if let Some(counts) = inputs.temperature_counts(number) {
                readings.push(SampleReading::Temperature {
                    channel: number,
                    counts,
                });
            }
        }
        if self.analog.is_due(since_start_ns) {
            readings.push(SampleReading::Analog(inputs.analog_counts()));
        }
        for reading in readings {
            if let SampleReading::Temperature { channel, counts } = reading {
                self.guard_temperature(tick, channel, counts);
            }
            if self.samples.len() < SAMPLES_WAITING_MAX {
                self.samples.push_back(Sample { tick, reading });
            }
        }
    }

    fn guard_temperature(&mut self, tick: u64, channel: u8, counts: i32) {
        let mut limits = self.limits.temperatures.iter();
        self.too_hot.retain(|hot| *hot != channel);
        if limits.any(|limit| limit.channel == channel && counts > limit.counts_max) {
            self.too_hot.push(channel);
            self.cut(tick, CutCause::OverTemperature);
        }
    }
}

impl Capture {
    fn new(pickup: u8) -> Self {
        Self {
            pickup,
            teeth: VecDeque::new(),
            next_number: 0,
            last_edge_s: f64::NEG_INFINITY,
            last_tick: None,
            last_period: None,
        }
    }

    /// Takes the teeth that go into one frame with its first: no number missing, no period too
    /// long for a delta.
    fn take_deltas(&mut self, first: Tooth, most: usize) -> Vec<[u8; 2]> {
        let mut deltas = Vec::new();
        let mut last = first;
        while let Some(&next) = self.teeth.front()
            && next.number == last.number.wrapping_add(1)
            && deltas.len() + 1 < most
            && let Ok(delta) = u16::try_from(next.tick.saturating_sub(last.tick))
        {
            deltas.push(delta.to_le_bytes());
            last = next;
            self.teeth.pop_front();
        }
        deltas
    }
}

/// Limits of the host, the speed no looser than what the firmware was built with.
fn tightened(model: &BoardModel, wanted: Limits) -> Limits {
    let tooth_period_ticks_min = wanted
        .tooth_period_ticks_min
        .max(model.ceiling_tooth_period_ticks);
    Limits {
        tooth_period_ticks_min,
        ..wanted
    }
}

/// Gives a message the next number and puts it on the line.
fn send(line: &mut Line, talk: &mut Talk, now_ns: u64, tick: u64, message: &BoardMessage<'_>) {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "the wire carries the low 32 bits"
    )]
    let tick = tick as u32;
    match talk.write(tick, message) {
        Ok(frame) => line.send(now_ns, frame),
        Err(error) => debug_assert!(false, "{error}: the model's check bounds every list"),
    }
}

fn start_time_ns(model: &BoardModel) -> u64 {
    u64::from(model.start_ms) * NS_PER_MS
}

/// Whole ticks in a time.
fn ticks(ns: u64, tick_hz: u32) -> u64 {
    let tick_hz = u64::from(tick_hz);
    ns / NS_PER_S * tick_hz + ns % NS_PER_S * tick_hz / NS_PER_S
}

fn seconds(ns: u64) -> f64 {
    // Exact for 104 days.
    ns as f64 / 1e9
}
