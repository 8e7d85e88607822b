//! The acquisition board: what its firmware does with edges, samples and host frames.
//!
//! It keeps `protocol/SPEC.md` and knows the stand only through its inputs.

use leverarm_protocol::{
    Analog, BoardMessage, BoardState, Channel, ChannelKind, CutCause, Decoder, FRAME_BYTES_MAX,
    FrameWriter, Hello, HostMessage, Limits, Status, TeethBatch,
};

use super::line::Line;
use super::model::{BoardModel, StandModel};

const NS_PER_S: u64 = 1_000_000_000;
const NS_PER_MS: u64 = 1_000_000;

/// Longest time a tooth waits for its frame.
const TOOTH_WAIT_NS: u64 = 20 * NS_PER_MS;

/// How a board comes to start again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Restart {
    /// Its supply came back: it starts running.
    PowerOn,
    /// Its watchdog or its reset pin: it starts cut, because it doesn't know what happened.
    Reset,
}

/// Values the board reads while it samples.
pub(super) trait Inputs {
    fn force_counts(&mut self, channel: usize) -> i32;
    fn analog_counts(&mut self) -> Vec<[u8; 2]>;
    fn temperature_counts(&mut self, channel: usize) -> i32;
}

/// A board between two starts, and its line.
#[derive(Clone, Debug)]
pub(super) struct Board {
    model: BoardModel,
    channels: Vec<[u8; 4]>,
    line: Line,
    boot: u16,
    run: Run,
}

/// Everything a start resets.
#[derive(Clone, Debug)]
struct Run {
    started_ns: u64,
    writer: FrameWriter,
    decoder: Decoder,
    pickups: Vec<Capture>,
    forces: Vec<Schedule>,
    analog: Schedule,
    temperatures: Vec<Schedule>,
    status: Schedule,
    hello_due: bool,
    state: BoardState,
    cut_id: u16,
    cause: Option<CutCause>,
    /// Tick of a cut whose frame has not been sent yet.
    unannounced_cut: Option<u64>,
    limits: Limits,
    heartbeat_ns: Option<u64>,
    short_periods: u8,
    captures_lost: u32,
    receive_errors: u32,
}

/// A pickup's capture unit and the teeth that wait for a frame.
#[derive(Clone, Debug)]
struct Capture {
    batch: TeethBatch,
    /// When the last edge came, s.
    last_s: f64,
    last_tick: Option<u64>,
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

    /// Nanoseconds after the start at which it was due, if it is by now.
    fn due(&mut self, since_start_ns: u64) -> Option<u64> {
        let due_ns = (self.next * NS_PER_S).checked_div(u64::from(self.rate_hz))?;
        (due_ns <= since_start_ns).then(|| {
            self.next += 1;
            due_ns
        })
    }
}

impl Run {
    fn new(model: &BoardModel, channels: &[[u8; 4]], analog_hz: u16, started_ns: u64) -> Self {
        let of_kind = |kind| {
            let all = channels.iter().copied().map(Channel::from_bytes);
            all.filter(move |channel| channel.kind == kind)
        };
        Self {
            started_ns,
            writer: FrameWriter::new(),
            decoder: Decoder::new(),
            pickups: of_kind(ChannelKind::Teeth)
                .map(|channel| Capture {
                    batch: TeethBatch::new(channel.number),
                    last_s: f64::NEG_INFINITY,
                    last_tick: None,
                })
                .collect(),
            forces: of_kind(ChannelKind::Force)
                .map(|channel| Schedule::new(channel.rate_hz))
                .collect(),
            analog: Schedule::new(analog_hz),
            temperatures: of_kind(ChannelKind::Temperature)
                .map(|channel| Schedule::new(channel.rate_hz))
                .collect(),
            status: Schedule::new(model.status_hz),
            hello_due: true,
            state: BoardState::Running,
            cut_id: 0,
            cause: None,
            unannounced_cut: None,
            limits: tightened(model, &Limits::default()),
            heartbeat_ns: None,
            short_periods: 0,
            captures_lost: 0,
            receive_errors: 0,
        }
    }
}

/// Limits of the host, none looser than what the firmware was built with.
fn tightened(model: &BoardModel, wanted: &Limits) -> Limits {
    // 0 means "no limit" where it stands, so it is the loosest value, not the smallest.
    let shortest = |a: u16, b: u16| if a == 0 || b == 0 { a.max(b) } else { a.min(b) };
    Limits {
        tooth_period_ticks_min: wanted
            .tooth_period_ticks_min
            .max(model.ceiling_tooth_period_ticks),
        short_periods_to_cut: wanted
            .short_periods_to_cut
            .clamp(1, model.ceiling_short_periods.max(1)),
        heartbeat_timeout_ms: shortest(wanted.heartbeat_timeout_ms, model.ceiling_heartbeat_ms),
        temperatures: wanted.temperatures.clone(),
    }
}

impl Board {
    pub(super) fn new(stand: &StandModel) -> Self {
        let analog_hz = stand.analog_rate_hz;
        let numbered = |kind, rates_hz: Vec<u16>| {
            (0_u8..)
                .zip(rates_hz)
                .map(move |(number, rate_hz)| Channel {
                    kind,
                    number,
                    rate_hz,
                })
        };
        let channels: Vec<[u8; 4]> = numbered(ChannelKind::Teeth, vec![0; stand.pickups.len()])
            .chain(numbered(
                ChannelKind::Force,
                stand.forces.iter().map(|force| force.rate_hz).collect(),
            ))
            .chain(numbered(
                ChannelKind::Analog,
                vec![analog_hz; stand.analogs.len()],
            ))
            .chain(numbered(
                ChannelKind::Temperature,
                stand
                    .temperatures
                    .iter()
                    .map(|temperature| temperature.rate_hz)
                    .collect(),
            ))
            .map(Channel::to_bytes)
            .collect();
        let model = stand.board;
        Self {
            model,
            line: Line::new(model.baud, model.transmit_buffer_bytes),
            boot: 1,
            run: Run::new(&model, &channels, analog_hz, 0),
            channels,
        }
    }

    /// Whether the board lets the engine fire.
    pub(super) fn lets_fire(&self) -> bool {
        self.run.state == BoardState::Running
    }

    /// Appends the bytes that have left by a time.
    pub(super) fn deliver(&mut self, until_ns: u64, out: &mut Vec<u8>) {
        self.line.deliver(until_ns, out);
    }

    pub(super) fn restart(&mut self, now_ns: u64, restart: Restart) {
        self.line.lose(now_ns);
        self.boot = self.boot.wrapping_add(1);
        let analog_hz = self.run.analog.rate_hz;
        self.run = Run::new(&self.model, &self.channels, analog_hz, now_ns);
        if restart == Restart::Reset {
            self.cut(0, CutCause::WatchdogReset);
        }
    }

    /// Bytes from the host.
    pub(super) fn receive(&mut self, now_ns: u64, bytes: &[u8]) {
        let mut messages = Vec::new();
        let mut errors = 0_u32;
        self.run.decoder.feed(bytes, &mut |frame| match frame
            .ok()
            .map(|frame| HostMessage::parse(&frame))
        {
            Some(Ok(message)) => messages.push(message),
            Some(Err(_)) | None => errors = errors.saturating_add(1),
        });
        self.run.receive_errors = self.run.receive_errors.saturating_add(errors);
        for message in messages {
            self.obey(now_ns, message);
        }
    }

    fn obey(&mut self, now_ns: u64, message: HostMessage) {
        match message {
            HostMessage::Heartbeat => self.run.heartbeat_ns = Some(now_ns),
            HostMessage::Limits(wanted) => self.run.limits = tightened(&self.model, &wanted),
            HostMessage::Cut { .. } => self.cut(self.tick_at(now_ns), CutCause::HostCommand),
            HostMessage::Release { cut_id } => {
                if cut_id == self.run.cut_id {
                    self.run.state = BoardState::Running;
                    self.run.short_periods = 0;
                }
            }
            HostMessage::Identify => self.run.hello_due = true,
        }
    }

    /// Cuts, if not cut already: the cut that stands keeps its number and cause.
    fn cut(&mut self, tick: u64, cause: CutCause) {
        let run = &mut self.run;
        if run.state == BoardState::Running {
            run.state = BoardState::Cut;
            run.cut_id = run.cut_id.wrapping_add(1).max(1);
            run.cause = Some(cause);
            run.unannounced_cut = Some(tick);
        }
    }

    /// Ticks since the start.
    fn tick_at(&self, now_ns: u64) -> u64 {
        ticks(
            now_ns.saturating_sub(self.run.started_ns),
            self.model.tick_hz,
        )
    }

    /// An edge at a pickup, as its interrupt sees it.
    pub(super) fn capture(&mut self, now_ns: u64, pickup: usize, at_s: f64) {
        let since_start_s = at_s - seconds(self.run.started_ns);
        let Some(capture) = self.run.pickups.get_mut(pickup) else {
            return;
        };
        if since_start_s < 0.0 {
            return;
        }
        if at_s - capture.last_s < self.model.capture_dead_time_s {
            self.run.captures_lost = self.run.captures_lost.saturating_add(1);
            return;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a counter shows whole ticks; not negative, checked above"
        )]
        let tick = (since_start_s * f64::from(self.model.tick_hz)) as u64;
        let period = capture
            .last_tick
            .map(|last_tick| tick.saturating_sub(last_tick));
        capture.last_s = at_s;
        capture.last_tick = Some(tick);

        if !capture.batch.push(tick) {
            if self.send_teeth(now_ns, pickup) {
                self.capture_into_empty(pickup, tick);
            } else {
                self.run.captures_lost = self.run.captures_lost.saturating_add(1);
            }
        }
        if pickup == 0 {
            self.guard_speed(tick, period);
        }
    }

    fn capture_into_empty(&mut self, pickup: usize, tick: u64) {
        let pushed = self
            .run
            .pickups
            .get_mut(pickup)
            .is_some_and(|capture| capture.batch.push(tick));
        debug_assert!(pushed, "an empty batch takes any tooth");
    }

    /// Counts short tooth periods of pickup 0 in a row and cuts when there are enough.
    fn guard_speed(&mut self, tick: u64, period: Option<u64>) {
        let shortest = u64::from(self.run.limits.tooth_period_ticks_min);
        if period.is_some_and(|period| period < shortest) {
            self.run.short_periods = self.run.short_periods.saturating_add(1);
            if self.run.short_periods >= self.run.limits.short_periods_to_cut {
                self.cut(tick, CutCause::Overspeed);
            }
        } else {
            self.run.short_periods = 0;
        }
    }

    /// One turn of the firmware's main loop.
    pub(super) fn work(&mut self, now_ns: u64, inputs: &mut impl Inputs) {
        let tick = self.tick_at(now_ns);
        let since_start_ns = now_ns.saturating_sub(self.run.started_ns);
        if self.run.hello_due && self.send_hello(now_ns, tick) {
            self.run.hello_due = false;
        }
        self.guard_heartbeat(now_ns, tick);
        if let Some(cut_tick) = self.run.unannounced_cut {
            let cut_id = self.run.cut_id;
            let cause = self.run.cause.unwrap_or(CutCause::Other);
            if self.send_when_room(now_ns, cut_tick, &BoardMessage::Cut { cut_id, cause }) {
                self.run.unannounced_cut = None;
            }
        }
        for pickup in 0..self.run.pickups.len() {
            let first_tick = self
                .run
                .pickups
                .get(pickup)
                .and_then(|it| it.batch.first_tick());
            let wait = ticks(TOOTH_WAIT_NS, self.model.tick_hz);
            if first_tick.is_some_and(|first_tick| tick >= first_tick + wait) {
                // Without room the teeth wait on; the batch has place for more.
                self.send_teeth(now_ns, pickup);
            }
        }
        self.sample(now_ns, since_start_ns, inputs);
        if let Some(due_ns) = self.run.status.due(since_start_ns) {
            self.send_status(now_ns, ticks(due_ns, self.model.tick_hz));
        }
    }

    fn guard_heartbeat(&mut self, now_ns: u64, tick: u64) {
        let timeout_ns = u64::from(self.run.limits.heartbeat_timeout_ms) * NS_PER_MS;
        let silent_ns = self
            .run
            .heartbeat_ns
            .map_or(0, |heartbeat| now_ns.saturating_sub(heartbeat));
        if timeout_ns > 0 && silent_ns >= timeout_ns {
            self.cut(tick, CutCause::HeartbeatLost);
        }
    }

    /// Reads and sends every channel that is due.
    fn sample(&mut self, now_ns: u64, since_start_ns: u64, inputs: &mut impl Inputs) {
        let tick_hz = self.model.tick_hz;
        for (channel, number) in (0..self.run.forces.len()).zip(0_u8..) {
            let due = self
                .run
                .forces
                .get_mut(channel)
                .and_then(|it| it.due(since_start_ns));
            if let Some(due_ns) = due {
                let counts = inputs.force_counts(channel);
                let message = BoardMessage::Force {
                    channel: number,
                    counts,
                };
                self.send_or_lose(now_ns, ticks(due_ns, tick_hz), &message);
            }
        }
        if let Some(due_ns) = self.run.analog.due(since_start_ns) {
            let counts = inputs.analog_counts();
            let message = BoardMessage::Analog(Analog {
                first_channel: 0,
                counts: &counts,
            });
            self.send_or_lose(now_ns, ticks(due_ns, tick_hz), &message);
        }
        for (channel, number) in (0..self.run.temperatures.len()).zip(0_u8..) {
            let due = self
                .run
                .temperatures
                .get_mut(channel)
                .and_then(|it| it.due(since_start_ns));
            if let Some(due_ns) = due {
                let counts = inputs.temperature_counts(channel);
                let too_hot = self
                    .run
                    .limits
                    .temperatures
                    .iter()
                    .any(|limit| limit.channel == number && counts > limit.counts_max);
                if too_hot {
                    self.cut(ticks(due_ns, tick_hz), CutCause::OverTemperature);
                }
                let message = BoardMessage::Temperature {
                    channel: number,
                    counts,
                };
                self.send_or_lose(now_ns, ticks(due_ns, tick_hz), &message);
            }
        }
    }

    fn send_hello(&mut self, now_ns: u64, tick: u64) -> bool {
        let channels = self.channels.clone();
        let hello = Hello {
            board_id: self.model.board_id,
            boot: self.boot,
            firmware: self.model.firmware,
            tick_hz: self.model.tick_hz,
            channels: &channels,
        };
        self.send_when_room(now_ns, tick, &BoardMessage::Hello(hello))
    }

    fn send_status(&mut self, now_ns: u64, tick: u64) {
        let run = &self.run;
        let status = Status {
            state: run.state,
            cut_id: run.cut_id,
            cause: run.cause,
            captures_lost: run.captures_lost,
            receive_errors: run.receive_errors,
            limits: run.limits.clone(),
        };
        self.send_or_lose(now_ns, tick, &BoardMessage::Status(status));
    }

    /// Sends the teeth of a pickup that wait, if there is room.
    fn send_teeth(&mut self, now_ns: u64, pickup: usize) -> bool {
        let Self { line, run, .. } = self;
        let Some(capture) = run.pickups.get_mut(pickup) else {
            return false;
        };
        let Some((tick, message)) = capture.batch.message() else {
            return true;
        };
        if !line.has_room(now_ns, FRAME_BYTES_MAX) {
            return false;
        }
        if let Ok(frame) = run.writer.write(tick, &message) {
            line.send(now_ns, frame);
        }
        capture.batch.clear();
        true
    }

    /// Sends a message only when any frame would have room, and says whether it did.
    fn send_when_room(&mut self, now_ns: u64, tick: u64, message: &BoardMessage<'_>) -> bool {
        let room = self.line.has_room(now_ns, FRAME_BYTES_MAX);
        if room {
            self.send_or_lose(now_ns, tick, message);
        }
        room
    }

    /// Sends a message, or loses it for want of room: the gap in the numbers tells the host.
    fn send_or_lose(&mut self, now_ns: u64, tick: u64, message: &BoardMessage<'_>) {
        if let Ok(frame) = self.run.writer.write(low_32_bits(tick), message)
            && self.line.has_room(now_ns, frame.len())
        {
            self.line.send(now_ns, frame);
        }
    }
}

/// Whole ticks in a time.
fn ticks(ns: u64, tick_hz: u32) -> u64 {
    let (seconds, rest_ns) = (ns / NS_PER_S, ns % NS_PER_S);
    let tick_hz = u64::from(tick_hz);
    seconds * tick_hz + rest_ns * tick_hz / NS_PER_S
}

#[expect(clippy::cast_precision_loss, reason = "exact for 104 days")]
fn seconds(ns: u64) -> f64 {
    ns as f64 / 1e9
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "the wire carries the low 32 bits"
)]
fn low_32_bits(tick: u64) -> u32 {
    tick as u32
}
