//! The live core with hand-made frames: what a host must do by the protocol's specification, and
//! what a stand's person counts on.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use std::f64::consts::TAU;

use leverarm_live::{
    Arming, BoardStart, ChunkData, Command, CommandError, Core, CutLatch, Ending, LastTest, Now,
    Output, Passed, PullEnded, PullPhase, Record, SelfTestReport,
};
use leverarm_protocol::{
    BoardMessage, BoardState, Channel, ChannelKind, CutCause, Decoder, FRAME_BYTES_MAX, Hello,
    HostMessage, Limits, Status, Teeth,
};
use leverarm_vocabulary::Severity;

const STAND: &str = include_str!("core/stand.toml");

/// One tick is one microsecond.
const TICK_HZ: u32 = 1_000_000;
const TEETH_PER_TURN: f64 = 8.0;
/// The drum's speed limit in the stand file, rad/s: 1500 rpm.
const LIMIT_RAD_PER_S: f64 = 1_500.0 * TAU / 60.0;
const WALL_US: i64 = 1_700_000_000_000_000;

const CHANNELS: [Channel; 3] = [
    channel(ChannelKind::Teeth, 0, 0),
    // As events occur: their silence is no loss.
    channel(ChannelKind::Temperature, 0, 0),
    channel(ChannelKind::Temperature, 1, 0),
];

const fn channel(kind: ChannelKind, number: u8, rate_hz: u16) -> Channel {
    Channel::new(kind, number, rate_hz)
}

/// A hand-made board on a line without delay, and the core that hears it.
struct Bench {
    core: Core,
    now_us: u64,
    wall_jump_us: i64,
    /// When the board started: its tick 0.
    started_us: u64,
    boot: u16,
    seq: u16,
    board: Status,
    /// The board does not hear the host.
    deaf: bool,
    /// The board sends no status by itself.
    mute: bool,
    next_status_us: u64,
    hears: Decoder,
    not_understood: u32,
    /// What the core sent, and when.
    sent: Vec<(u64, HostMessage)>,
    records: Vec<Record>,
    /// Every byte fed since the port was opened last.
    fed: Vec<u8>,
    drum_rad: f64,
    /// Number of the next edge.
    edge: u32,
    /// What becomes of each tooth: no edge, one, or more, at these ticks.
    pickup: Box<dyn FnMut(u64, u64) -> Vec<u64>>,
}

impl Bench {
    fn new() -> Self {
        Self::on(STAND)
    }

    fn on(stand: &str) -> Self {
        let stand = leverarm_config::parse("stand.toml", stand);
        Self {
            core: Core::new(stand.unwrap_or_else(|errors| panic!("{errors}"))),
            now_us: 5_000_000,
            wall_jump_us: 0,
            started_us: 0,
            boot: 1,
            seq: 0,
            board: Status::running(Limits::default()),
            deaf: false,
            mute: false,
            next_status_us: 0,
            hears: Decoder::new(),
            not_understood: 0,
            sent: Vec::new(),
            records: Vec::new(),
            fed: Vec::new(),
            drum_rad: 0.0,
            edge: 0,
            pickup: Box::new(|_, tick| vec![tick]),
        }
    }

    /// Port open, hello heard, limits in force, heartbeats going out.
    fn up() -> Self {
        let mut bench = Self::new();
        bench.connect();
        bench.pass_ms(200);
        assert_eq!(bench.board.limits.heartbeat_timeout_ms, 250);
        assert_eq!(bench.not_understood, 0);
        bench
    }

    fn now(&self) -> Now {
        Now::new(
            self.now_us,
            WALL_US + self.now_us.cast_signed() + self.wall_jump_us,
        )
    }

    fn tick_of_board(&self) -> u64 {
        self.now_us - self.started_us
    }

    fn take(&mut self, out: Output) {
        self.records.extend(out.records);
        let mut heard = Vec::new();
        self.hears.feed(&out.write, &mut |frame| match frame {
            Ok(frame) => heard.push(HostMessage::parse(&frame).unwrap()),
            // Said as a line as well, while nobody knows what the board speaks.
            Err(_) => self.not_understood += 1,
        });
        for message in heard {
            if !self.deaf {
                self.obey(&message);
            }
            self.sent.push((self.now_us, message));
        }
    }

    /// A board without reasons of its own.
    fn obey(&mut self, message: &HostMessage) {
        let board = &mut self.board;
        match message {
            HostMessage::Limits(limits) => board.limits = limits.clone(),
            HostMessage::Cut { .. } if board.state == BoardState::Running => {
                board.state = BoardState::Cut;
                board.cut_id += 1;
                board.cause = Some(CutCause::HostCommand);
            }
            HostMessage::Release { cut_id } if *cut_id == board.cut_id => {
                board.state = BoardState::Running;
            }
            HostMessage::Heartbeat
            | HostMessage::Identify
            | HostMessage::Cut { .. }
            | HostMessage::Release { .. }
            | HostMessage::Load(_) => return,
        }
        self.next_status_us = self.now_us + 1_000;
    }

    fn act<T>(&mut self, act: impl FnOnce(&mut Core, Now, &mut Output) -> T) -> T {
        let (now, mut out) = (self.now(), Output::default());
        let result = act(&mut self.core, now, &mut out);
        self.take(out);
        result
    }

    fn connect(&mut self) {
        self.open();
        self.hello();
    }

    fn open(&mut self) {
        self.fed.clear();
        self.act(|core, now, out| core.port_opened(now, "/dev/test", out));
    }

    fn feed(&mut self, bytes: &[u8]) {
        self.fed.extend_from_slice(bytes);
        self.act(|core, now, out| core.feed(now, bytes, out));
    }

    fn tick(&mut self) {
        self.act(Core::tick);
    }

    fn command(&mut self, command: &Command) -> Result<String, CommandError> {
        self.act(|core, now, out| core.command(now, command, out))
    }

    fn release(&mut self, cut_id: u32) -> Result<String, CommandError> {
        self.command(&Command::Release { cut_id })
    }

    fn lose_port(&mut self) {
        self.act(|core, now, out| core.port_lost(now, "unplugged", out));
    }

    fn cut_by_hand(&mut self) {
        let reason = "a test".to_owned();
        self.command(&Command::Cut { reason }).unwrap();
    }

    /// The next frame of the board, with a tick of its own.
    fn frame_at(&mut self, tick: u64, message: &BoardMessage<'_>) -> Vec<u8> {
        let mut frame = [0; FRAME_BYTES_MAX];
        #[expect(clippy::cast_possible_truncation, reason = "as on the wire")]
        let len = message.encode(self.seq, tick as u32, &mut frame).unwrap();
        self.seq = self.seq.wrapping_add(1);
        frame[..len].to_vec()
    }

    fn frame(&mut self, message: &BoardMessage<'_>) -> Vec<u8> {
        self.frame_at(self.tick_of_board(), message)
    }

    fn send(&mut self, message: &BoardMessage<'_>) {
        let frame = self.frame(message);
        self.feed(&frame);
    }

    fn hello_frame(&mut self) -> Vec<u8> {
        let channels = CHANNELS.map(Channel::to_bytes);
        self.frame(&BoardMessage::Hello(Hello {
            board_id: 7,
            boot: self.boot,
            firmware: [1, 0, 0],
            tick_hz: TICK_HZ,
            channels: &channels,
        }))
    }

    fn hello(&mut self) {
        let frame = self.hello_frame();
        self.feed(&frame);
    }

    fn status_frame(&mut self) -> Vec<u8> {
        let status = self.board.clone();
        self.frame(&BoardMessage::Status(status))
    }

    fn status(&mut self) {
        let frame = self.status_frame();
        self.feed(&frame);
    }

    fn temperature(&mut self, channel: u8, kelvin: f64) -> Vec<u8> {
        self.temperature_at(self.tick_of_board(), channel, kelvin)
    }

    fn temperature_at(&mut self, tick: u64, channel: u8, kelvin: f64) -> Vec<u8> {
        #[expect(clippy::cast_possible_truncation, reason = "a few thousand")]
        let counts = ((kelvin - 273.15) * 16.0).round() as i32;
        self.frame_at(tick, &BoardMessage::Temperature { channel, counts })
    }

    /// The board tells the head's temperature, in degrees Celsius.
    fn heat_head(&mut self, celsius: f64) {
        let frame = self.temperature(0, 273.15 + celsius);
        self.feed(&frame);
    }

    /// The board has cut by itself.
    fn board_cut(&mut self, cut_id: u16, cause: CutCause) {
        self.board.state = BoardState::Cut;
        self.board.cut_id = cut_id;
        self.board.cause = Some(cause);
    }

    /// The board starts again, silently.
    fn restart(&mut self) {
        self.started_us = self.now_us;
        self.boot += 1;
        self.seq = 0;
        self.edge = 0;
        self.board.cut_id = 0;
        self.board.state = BoardState::Running;
        self.board.limits = Limits::default();
    }

    /// Time passes with the drum at rest.
    fn pass_ms(&mut self, ms: u64) {
        self.drive(ms as f64 * 1e-3, |_| 0.0);
    }

    /// Time passes with the drum at a speed, rad/s, over the time from now, s. Teeth come in
    /// frames of at most 20 ms, status every 50 ms.
    fn drive(&mut self, seconds: f64, rad_per_s: impl Fn(f64) -> f64) {
        const STEP_US: u64 = 100;
        let steps = whole(seconds * 1e6) / STEP_US;
        let pitch = TAU / TEETH_PER_TURN;
        let mut edges = Vec::new();
        for step in 0..steps {
            let t = (step * STEP_US) as f64 * 1e-6;
            let (before, speed) = (self.drum_rad, rad_per_s(t));
            self.drum_rad += speed * STEP_US as f64 * 1e-6;
            let tooth = (self.drum_rad / pitch).floor();
            if tooth > (before / pitch).floor() {
                let into_us = whole((tooth * pitch - before) / speed * 1e6);
                let passed = self.tick_of_board() + into_us;
                edges.extend((self.pickup)(whole(tooth), passed));
            }
            self.now_us += STEP_US;
            if self.now_us.is_multiple_of(20_000) || step + 1 == steps {
                self.send_edges(&std::mem::take(&mut edges));
            }
            if self.now_us >= self.next_status_us && !self.mute {
                self.next_status_us = self.now_us + 50_000;
                self.status();
            }
            if self.now_us >= self.core.wake_us() {
                self.tick();
            }
        }
    }

    fn send_edges(&mut self, edges: &[u64]) {
        let mut rest = edges;
        while let Some(first) = rest.first() {
            let deltas: Vec<[u8; 2]> = rest
                .windows(2)
                .map_while(|pair| u16::try_from(pair[1] - pair[0]).ok())
                .map(u16::to_le_bytes)
                .take(119)
                .collect();
            let teeth = Teeth {
                pickup: 0,
                first_tooth: self.edge,
                deltas: &deltas,
            };
            let frame = self.frame_at(*first, &BoardMessage::Teeth(teeth));
            self.feed(&frame);
            self.edge += u32::try_from(deltas.len()).unwrap() + 1;
            rest = &rest[deltas.len() + 1..];
        }
    }

    fn latch(&self) -> CutLatch {
        self.core.cut_view().latch
    }

    fn count(&self, wanted: impl Fn(&HostMessage) -> bool) -> usize {
        self.sent.iter().filter(|(_, it)| wanted(it)).count()
    }

    fn times(&self, wanted: impl Fn(&HostMessage) -> bool) -> Vec<u64> {
        let sent = self.sent.iter().filter(|(_, it)| wanted(it));
        sent.map(|(at_us, _)| *at_us).collect()
    }

    fn events(&self, kind: &str) -> Vec<(Severity, &str)> {
        let events = self.records.iter().filter_map(|record| match record {
            Record::Event(event) if event.kind.word() == kind => {
                Some((event.severity, event.message.as_str()))
            }
            _ => None,
        });
        events.collect()
    }

    /// The first event of a kind has this in its words.
    fn tells(&self, kind: &str, text: &str) {
        let told = self.events(kind);
        assert!(told[0].1.contains(text), "{told:?}");
    }

    fn chunks(&self) -> impl Iterator<Item = &ChunkData> {
        self.records.iter().filter_map(|record| match record {
            Record::Chunk(chunk) => Some(chunk),
            _ => None,
        })
    }

    /// Starts and ends of pulls, in order.
    fn pulls(&self) -> (Vec<(u64, u32)>, Vec<&PullEnded>) {
        let started = self.records.iter().filter_map(|record| match record {
            Record::PullStarted {
                tick_start,
                chunk_seq_first,
                ..
            } => Some((*tick_start, *chunk_seq_first)),
            _ => None,
        });
        let ended = self.records.iter().filter_map(|record| match record {
            Record::PullEnded(ended) => Some(ended),
            _ => None,
        });
        (started.collect(), ended.collect())
    }
}

/// The whole part of a number that is not below 0.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "far within"
)]
const fn whole(number: f64) -> u64 {
    number as u64
}

fn is_heartbeat(message: &HostMessage) -> bool {
    *message == HostMessage::Heartbeat
}

fn is_identify(message: &HostMessage) -> bool {
    *message == HostMessage::Identify
}

fn is_limits(message: &HostMessage) -> bool {
    matches!(message, HostMessage::Limits(_))
}

fn is_cut(message: &HostMessage) -> bool {
    matches!(message, HostMessage::Cut { .. })
}

fn is_release(message: &HostMessage) -> bool {
    matches!(message, HostMessage::Release { .. })
}

/// A pull from 3000 to 9000 rpm of the engine, 600 to 1800 of the drum, would pass the limit, so
/// the stand file's ends at 7000 rpm: 147 rad/s of the drum in 3 s.
fn pull(t: f64) -> f64 {
    let (from, to) = (50.0, 150.0);
    match t {
        _ if t < 1.0 => from,
        _ if t < 4.0 => from + (to - from) / 3.0 * (t - 1.0),
        _ => (to - 15.0 * (t - 4.0)).max(0.0),
    }
}

#[test]
fn identify_is_asked_until_the_hello_and_after_losses() {
    let mut bench = Bench::new();
    bench.mute = true;
    bench.open();
    assert_eq!(bench.count(is_identify), 1, "at once");
    bench.pass_ms(1_900);
    assert_eq!(bench.count(is_identify), 4, "every 500 ms");
    assert_eq!(bench.events("no board"), []);
    bench.pass_ms(200);
    bench.tells("no board", "not a byte came");
    bench.hello();
    bench.mute = false;
    bench.pass_ms(3_000);
    assert_eq!(bench.count(is_identify), 5, "not once more after the hello");

    for _ in 0..20 {
        bench.seq += 1;
        bench.pass_ms(100);
    }
    let asked = bench.count(is_identify) - 5;
    assert!((2..=3).contains(&asked), "once a second: {asked}");
}

#[test]
fn heartbeats_come_before_limits_and_every_50_ms() {
    let mut bench = Bench::new();
    bench.open();
    bench.mute = true;
    bench.hello();
    bench.pass_ms(100);
    let fit_to_guard = |it: &HostMessage| is_heartbeat(it) || is_limits(it);
    assert_eq!(bench.count(fit_to_guard), 0, "no status yet");
    bench.mute = false;
    bench.pass_ms(2_000);
    let first = bench.sent.iter().find(|(_, it)| fit_to_guard(it));
    assert_eq!(first.map(|(_, it)| it), Some(&HostMessage::Heartbeat));
    let beats = bench.times(is_heartbeat);
    let gaps: Vec<u64> = beats.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(
        gaps.iter().all(|gap| (50_000..=51_000).contains(gap)),
        "{gaps:?}"
    );
    assert_eq!(bench.count(is_limits), 1, "in force at once");
}

#[test]
fn limits_are_repeated_until_as_tight_ones_are_in_force() {
    let mut bench = Bench::new();
    bench.deaf = true;
    bench.connect();
    bench.pass_ms(1_900);
    assert_eq!(bench.count(is_limits), 4);
    assert_eq!(bench.events("limits refused"), []);
    bench.pass_ms(400);
    bench.tells("limits refused", "the speed limit, the heartbeat");
    assert_eq!(bench.events("limits refused").len(), 1);
    // The firmware has a tighter speed limit of its own.
    let Some((_, HostMessage::Limits(wanted))) = bench.sent.iter().rfind(|(_, it)| is_limits(it))
    else {
        panic!("no limits");
    };
    bench.board.limits = Limits {
        tooth_period_ticks_min: wanted.tooth_period_ticks_min + 100,
        ..wanted.clone()
    };
    bench.pass_ms(100);
    let before = bench.count(is_limits);
    bench.pass_ms(2_000);
    assert_eq!(bench.count(is_limits), before);
}

#[test]
fn unfit_is_silent() {
    let mut bench = Bench::up();
    bench.act(|core, now, out| core.store_keeps_up(false, now, out));
    assert!(!bench.core.live(bench.now()).fit);
    let before = bench.count(is_heartbeat);
    bench.pass_ms(500);
    assert_eq!(bench.count(is_heartbeat), before);
    bench.act(|core, now, out| core.store_keeps_up(true, now, out));
    bench.pass_ms(500);
    assert_eq!(bench.count(is_heartbeat), before + 10);

    // A board that does not tell its state, though it sends other things.
    bench.mute = true;
    bench.drive(0.24, |_| 20.0);
    assert_eq!(bench.events("board silent"), []);
    let before = bench.count(is_heartbeat);
    bench.drive(0.5, |_| 20.0);
    assert!(bench.count(is_heartbeat) <= before + 1);
    assert_eq!(bench.events("board silent").len(), 1);
    bench.mute = false;
    bench.drive(0.2, |_| 20.0);
    assert_eq!(bench.events("board silent").len(), 2, "and that it is back");
    assert!(bench.core.live(bench.now()).fit);
}

#[test]
fn overspeed_cuts_in_the_same_call_after_two_pitches() {
    let mut bench = Bench::up();
    bench.drive(1.0, |_| 0.99 * LIMIT_RAD_PER_S);
    assert_eq!(bench.latch(), CutLatch::Running);
    // From one tooth to the next the speed is above the limit: three edges, two pitches.
    let pitch_us = 1e6 * TAU / TEETH_PER_TURN / (1.01 * LIMIT_RAD_PER_S);
    let mut tick = bench.tick_of_board();
    for edge in 1..=3 {
        let pitch = whole(pitch_us);
        tick += pitch;
        bench.now_us += pitch;
        let before = bench.sent.len();
        bench.send_edges(&[tick]);
        if edge < 3 {
            assert_eq!(bench.latch(), CutLatch::Running, "edge {edge}");
        } else {
            assert_eq!(bench.latch(), CutLatch::Requested);
            let sent: Vec<_> = bench.sent[before..].iter().map(|(_, it)| it).collect();
            assert_eq!(sent, [&HostMessage::Cut { reason: 1 }]);
        }
    }
    bench.tells("guard tripped", "1515 rpm is above 1500 rpm");
    assert_eq!(bench.events("cut").len(), 1);
}

#[test]
fn an_overspeed_with_debounce_cuts_too() {
    // The batches of 20 ms in which teeth come must not start the debounce again.
    let mut bench = Bench::up();
    bench.drive(2.0, |t| (100.0 * t).min(1.03 * LIMIT_RAD_PER_S));
    let tripped = bench.events("guard tripped");
    assert_eq!(tripped.len(), 2, "{tripped:?}");
    bench.drive(1.0, |_| 1.03 * LIMIT_RAD_PER_S);
    assert_eq!(bench.events("guard tripped").len(), 2, "they stay so");
    assert_eq!(bench.events("guard cleared"), []);
}

#[test]
fn a_cut_is_repeated_until_confirmed_and_latched_until_released() {
    let mut bench = Bench::up();
    bench.deaf = true;
    bench.cut_by_hand();
    bench.pass_ms(100);
    let cuts = bench.times(is_cut);
    assert_eq!(cuts.len(), 6, "at once, then every 20 ms");
    assert!(
        cuts.windows(2).all(|pair| pair[1] - pair[0] == 20_000),
        "{cuts:?}"
    );
    assert_eq!(bench.release(1), Err(CommandError::NotConfirmed));

    bench.deaf = false;
    bench.pass_ms(100);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert_eq!(bench.core.cut_view().cut_id, Some(1));
    let before = bench.count(is_cut);
    bench.pass_ms(5_000);
    assert_eq!(bench.count(is_cut), before, "no more of them");
    assert_eq!(
        bench.latch(),
        CutLatch::Confirmed,
        "nothing but a person ends it"
    );

    assert_eq!(
        bench.release(9),
        Err(CommandError::OtherCut { asked: 9, found: 1 })
    );
    bench.release(1).unwrap();
    bench.pass_ms(100);
    assert_eq!(bench.latch(), CutLatch::Running);
    assert_eq!(bench.count(is_release), 1);
    assert_eq!(bench.release(1), Err(CommandError::NotCut));
    for (kind, count) in [("cut", 1), ("cut confirmed", 1), ("released", 1)] {
        assert_eq!(bench.events(kind).len(), count, "{kind}");
    }
}

#[test]
fn a_release_is_tried_for_a_second() {
    let mut bench = Bench::up();
    bench.cut_by_hand();
    bench.pass_ms(100);
    bench.deaf = true;
    bench.release(1).unwrap();
    bench.pass_ms(3_000);
    let times = bench.times(is_release);
    assert!((10..=11).contains(&times.len()), "{times:?}");
    assert!(times.windows(2).all(|pair| pair[1] - pair[0] >= 100_000));
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert_eq!(bench.events("release refused").len(), 1);
}

#[test]
fn a_tripped_guard_refuses_the_release() {
    let mut bench = Bench::up();
    for _ in 0..10 {
        bench.pass_ms(100);
        bench.heat_head(250.0);
    }
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    let guard = "head too hot".to_owned();
    assert_eq!(bench.release(1), Err(CommandError::StillTripped { guard }));
    for _ in 0..10 {
        bench.pass_ms(100);
        bench.heat_head(150.0);
    }
    assert_eq!(bench.events("guard cleared").len(), 1);
    assert_eq!(bench.latch(), CutLatch::Confirmed, "cleared, not released");
    bench.release(1).unwrap();
    bench.pass_ms(100);
    assert_eq!(bench.latch(), CutLatch::Running);
}

#[test]
fn debounce_is_in_sample_time() {
    // Five samples span 400 ms, whenever they arrive: one short of the debounce of 500 ms.
    let mut bench = Bench::up();
    for _ in 0..5 {
        bench.pass_ms(100);
        bench.heat_head(250.0);
    }
    bench.pass_ms(2_000);
    assert_eq!(bench.latch(), CutLatch::Running);
    bench.pass_ms(100);
    bench.heat_head(150.0);

    // Six are enough, though the link held the last four up.
    for _ in 0..2 {
        bench.pass_ms(100);
        bench.heat_head(250.0);
    }
    let tick = bench.tick_of_board();
    bench.mute = true;
    bench.pass_ms(400);
    let frames: Vec<u8> = (1..=4)
        .flat_map(|i| bench.temperature_at(tick + i * 100_000, 0, 273.15 + 250.0))
        .collect();
    bench.feed(&frames);
    assert_eq!(bench.latch(), CutLatch::Requested);
}

#[test]
fn a_debounce_does_not_span_connections() {
    let mut bench = Bench::up();
    bench.heat_head(250.0);
    bench.pass_ms(100);
    bench.restart();
    bench.hello();
    bench.pass_ms(100);
    bench.heat_head(250.0);
    bench.pass_ms(300);
    assert_eq!(bench.latch(), CutLatch::Running);
}

#[test]
fn samples_before_the_hello_are_kept_but_not_judged() {
    let mut bench = Bench::new();
    bench.open();
    for _ in 0..20 {
        bench.pass_ms(100);
        bench.heat_head(250.0);
    }
    assert_eq!(bench.latch(), CutLatch::Running);
    bench.hello();
    bench.heat_head(250.0);
    assert_eq!(bench.latch(), CutLatch::Running, "the debounce begins now");
}

/// A false edge anywhere within a pitch, at 98 % of the limit: the two shorter pitches it makes
/// must not look like an overspeed.
#[test]
fn an_isolated_false_edge_does_not_cut() {
    for percent in 1..100 {
        let mut bench = Bench::up();
        bench.pickup = Box::new(move |number, tick| {
            let pitch_us = 1e6 * TAU / TEETH_PER_TURN / (0.98 * LIMIT_RAD_PER_S);
            let after = whole(pitch_us * f64::from(percent) / 100.0);
            if number % 11 == 0 {
                vec![tick, tick + after]
            } else {
                vec![tick]
            }
        });
        bench.drive(2.2, |_| 0.98 * LIMIT_RAD_PER_S);
        assert_eq!(bench.core.cut_view().cause, None, "at {percent} %");
        let told = bench.events("extra edges").len() + bench.events("irregular teeth").len();
        assert!(told > 0 || percent > 80, "at {percent} %");
    }
}

#[test]
fn chatter_beside_a_resting_wheel_is_neither_overspeed_nor_a_lost_sensor() {
    let mut bench = Bench::up();
    for _ in 0..10 {
        bench.pass_ms(300);
        let tick = bench.tick_of_board();
        bench.send_edges(&[tick - 40, tick - 20, tick]);
    }
    bench.pass_ms(1_000);
    assert_eq!(bench.latch(), CutLatch::Running);
}

#[test]
fn teeth_that_end_on_a_turning_drum_are_a_lost_sensor() {
    let mut bench = Bench::up();
    bench.drive(1.0, |t| 100.0 * t);
    bench.pickup = Box::new(|_, _| Vec::new());
    bench.drive(0.3, |_| 100.0);
    assert_eq!(
        bench.latch(),
        CutLatch::Running,
        "debounce and its first 100 ms"
    );
    bench.drive(0.2, |_| 100.0);
    assert_ne!(bench.latch(), CutLatch::Running);
    // However long: nothing tells that the drum stands still.
    bench.pass_ms(20_000);
    let guard = "sensor lost (drum speed)".to_owned();
    assert_eq!(
        bench.release(1),
        Err(CommandError::StillTripped {
            guard: guard.clone()
        })
    );
    // Nor does a restart of the board.
    bench.restart();
    bench.hello();
    bench.pass_ms(2_000);
    assert_eq!(bench.release(1), Err(CommandError::StillTripped { guard }));
    // Turned by hand, it shows its teeth.
    bench.pickup = Box::new(|_, tick| vec![tick]);
    bench.drive(1.0, |_| 5.0);
    bench.release(1).unwrap();
}

#[test]
fn a_drum_that_stops_is_not_a_lost_sensor() {
    // 130 rad/s² take 156 N·m at the drum: no engine of 140 cc holds against that, and no brake for one.
    for brake_rad_per_s2 in [5.0, 80.0, 130.0] {
        let mut bench = Bench::up();
        bench.drive(1.0, |t| 100.0 * t);
        bench.drive(25.0, |t| (100.0 - brake_rad_per_s2 * t).max(0.0));
        assert_eq!(bench.core.cut_view().cause, None, "{brake_rad_per_s2}");
        let rpm = bench.core.live(bench.now()).drum_rpm.unwrap();
        assert!(rpm.abs() < 1e-9, "{rpm}");
    }
}

/// The loop is late by 300 ms: what the board sent meanwhile comes at once. Fed before the tick, as
/// the core asks for, nothing is lost or stale.
#[test]
fn a_late_loop_cuts_nothing() {
    let mut bench = Bench::up();
    bench.drive(1.0, |t| 100.0 * t);
    for _ in 0..5 {
        let from = bench.tick_of_board();
        let mut bytes = Vec::new();
        let pitch_us = 7_853;
        for edge in 1..=38_u64 {
            let tick = from + edge * pitch_us;
            let teeth = Teeth {
                pickup: 0,
                first_tooth: bench.edge,
                deltas: &[],
            };
            bytes.extend(bench.frame_at(tick, &BoardMessage::Teeth(teeth)));
            bench.edge += 1;
        }
        bench.now_us += 300_000;
        bytes.extend(bench.status_frame());
        bench.feed(&bytes);
        bench.tick();
    }
    assert_eq!(bench.latch(), CutLatch::Running);
    assert_eq!(bench.events("guard tripped"), []);
}

#[test]
fn silence_of_the_board_cuts_even_when_the_port_is_gone() {
    let mut bench = Bench::up();
    bench.lose_port();
    let before = bench.sent.len();
    bench.pass_ms(400);
    assert_eq!(bench.latch(), CutLatch::Running);
    bench.pass_ms(400);
    assert_eq!(bench.latch(), CutLatch::Requested);
    assert_eq!(bench.sent.len(), before, "nothing is said to a closed port");
    assert_eq!(bench.events("cut unconfirmed").len(), 1);
    assert_eq!(bench.release(1), Err(CommandError::NoBoard));
    bench.open();
    assert!(is_cut(&bench.sent[before].1), "{:?}", bench.sent[before]);
    bench.hello();
    bench.pass_ms(100);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
}

#[test]
fn an_unheard_cut_stops_the_heartbeats() {
    let mut bench = Bench::up();
    bench.deaf = true;
    bench.cut_by_hand();
    bench.pass_ms(220);
    assert_eq!(bench.events("cut unconfirmed").len(), 1);
    let before = bench.count(is_heartbeat);
    bench.pass_ms(300);
    assert_eq!(bench.count(is_heartbeat), before);
    bench.board_cut(1, CutCause::HeartbeatLost);
    bench.pass_ms(200);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert!(
        bench.count(is_heartbeat) > before,
        "so that it can be released"
    );
}

#[test]
fn late_words_of_the_board_say_nothing() {
    let mut bench = Bench::up();
    bench.mute = true;
    let running = bench.status_frame();
    bench.cut_by_hand();
    bench.pass_ms(10);
    bench.status();
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    bench.feed(&running);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert_eq!(bench.events("cut").len(), 1);
}

/// A cut is wanted while a release is under way: a status that still names the released cut is no
/// confirmation, since the board may run by now.
#[test]
fn a_status_from_before_the_release_confirms_nothing() {
    let mut bench = Bench::up();
    bench.cut_by_hand();
    bench.pass_ms(50);
    bench.mute = true;
    let (was_cut, tick) = (bench.board.clone(), bench.tick_of_board());
    bench.release(1).unwrap();
    bench.deaf = true; // the board runs, and the new cut is lost on its way
    bench.cut_by_hand();
    let before = bench.count(is_cut);
    let in_flight = bench.frame_at(tick + 10, &BoardMessage::Status(was_cut.clone()));
    bench.feed(&in_flight);
    assert_eq!(bench.latch(), CutLatch::Requested);
    bench.pass_ms(100);
    assert_eq!(bench.count(is_cut), before + 5, "repeated all the same");
    // A board that missed the release instead says so for longer than anything is in flight.
    bench.pass_ms(500);
    let status = bench.frame(&BoardMessage::Status(was_cut));
    bench.feed(&status);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
}

#[test]
fn a_board_that_runs_against_the_latch_is_cut_in_the_same_call() {
    let mut bench = Bench::up();
    bench.cut_by_hand();
    bench.pass_ms(100);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    bench.board.state = BoardState::Running;
    bench.deaf = true;
    let before = bench.count(is_cut);
    bench.status();
    assert_eq!(bench.count(is_cut), before + 1);
    assert_eq!(bench.latch(), CutLatch::Requested);
}

#[test]
fn a_cut_by_the_board_is_latched() {
    let mut bench = Bench::up();
    bench.board_cut(4, CutCause::Overspeed);
    bench.send(&BoardMessage::Cut {
        cut_id: 4,
        cause: CutCause::Overspeed,
    });
    let view = bench.core.cut_view();
    assert_eq!((view.latch, view.cut_id), (CutLatch::Confirmed, Some(1)));
    assert!(view.cause.unwrap().contains("overspeed"));
    bench.status();
    assert_eq!(bench.events("board cut").len(), 1);
}

/// Splits the records at each new connection, and the bytes of its chunks.
fn connections(records: &[Record]) -> Vec<(Vec<&Record>, Vec<u8>)> {
    let mut connections: Vec<(Vec<&Record>, Vec<u8>)> = Vec::new();
    for record in records {
        if matches!(record, Record::Connected { .. }) {
            connections.push((Vec::new(), Vec::new()));
        }
        let (seen, bytes) = connections.last_mut().unwrap();
        if let Record::Chunk(chunk) = record {
            let seq = seen
                .iter()
                .filter(|it| matches!(it, Record::Chunk(_)))
                .count();
            assert_eq!(usize::try_from(chunk.seq).unwrap(), seq, "numbered from 0");
            bytes.extend_from_slice(&chunk.bytes);
        }
        seen.push(record);
    }
    connections
}

fn hellos(records: &[&Record]) -> Vec<u16> {
    let boots = records.iter().filter_map(|record| match record {
        Record::Hello(hello) => Some(hello.boot),
        _ => None,
    });
    boots.collect()
}

/// Everything in one read: the old board's last frame, half of another, the delimiter and hello of
/// the new one, its status and first teeth, and half a frame more.
#[test]
fn a_restart_splits_the_bytes_where_it_happened() {
    let mut bench = Bench::up();
    bench.drive(2.0, |t| (60.0 * t).min(100.0));
    let before = bench.fed.len();
    bench.cut_by_hand();

    let mut bytes = bench.temperature(0, 300.0);
    let half = bench.temperature(1, 300.0);
    bytes.extend_from_slice(&half[..half.len() / 2]);
    bytes.push(0);
    let old_bytes = before + bytes.len();
    bench.restart();
    bytes.extend(bench.hello_frame());
    bytes.extend(bench.status_frame());
    let hot = bench.temperature(0, 273.15 + 250.0);
    bytes.extend_from_slice(&hot[..5]);
    bench.feed(&bytes);
    // The rest of the frame belongs to the same reader.
    bench.feed(&hot[5..]);
    bench.act(Core::shut_down);

    let connections = connections(&bench.records);
    assert_eq!(connections.len(), 2);
    assert_eq!(connections[0].1, bench.fed[..old_bytes]);
    assert_eq!(connections[1].1, bench.fed[old_bytes..]);
    assert_eq!(hellos(&connections[0].0), [1]);
    assert_eq!(hellos(&connections[1].0), [2]);
    assert_eq!(bench.events("board restart").len(), 1);
    let damaged = bench.events("damaged bytes");
    assert_eq!(damaged.len(), 1, "the half frame alone: {damaged:?}");
    let counters = bench.core.counters();
    assert_eq!(
        counters.bytes_received,
        counters.bytes_in_frames + counters.bytes_discarded + counters.bytes_idle
    );
}

#[test]
fn a_restart_ends_the_pull_and_keeps_the_latch() {
    let mut bench = Bench::up();
    bench.drive(3.5, pull);
    assert!(bench.core.is_pulling());
    bench.cut_by_hand();
    assert!(!bench.core.is_pulling());
    bench.pass_ms(100);
    bench.restart(); // by power-on: it runs
    bench.hello();
    let before = bench.count(is_cut);
    bench.pass_ms(100);
    assert!(bench.count(is_cut) > 0 && before > 0);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert_eq!(bench.board.state, BoardState::Cut, "cut again");
    assert!(
        bench.board.limits.tooth_period_ticks_min > 0,
        "limits again"
    );
    let (_, ended) = bench.pulls();
    assert_eq!(ended.len(), 1);
    assert!(ended[0].ending == Ending::Broken);
    assert!(ended[0].reasons[0].contains("the stand was cut"));
}

#[test]
fn a_pull_broken_by_a_restart_is_stored_as_such() {
    let mut bench = Bench::up();
    bench.drive(3.5, pull);
    bench.restart();
    bench.hello();
    let (started, ended) = bench.pulls();
    assert_eq!((started.len(), ended.len()), (1, 1));
    assert!(ended[0].ending == Ending::Broken);
    assert!(ended[0].reasons[0].contains("the board restarted"));
    // Ticks of both starts have nothing to do with each other: a speed comes at once.
    bench.drive(0.5, |_| 80.0);
    let rpm = bench.core.live(bench.now()).drum_rpm.unwrap();
    assert!((rpm - 80.0 * 60.0 / TAU).abs() < 1.0, "{rpm}");
}

#[test]
fn a_restart_whose_hello_is_lost_is_found() {
    let mut bench = Bench::up();
    bench.pass_ms(3_000);
    bench.restart();
    bench.hello_frame(); // lost on its way
    bench.pass_ms(100);
    assert_eq!(bench.events("board restart").len(), 1);
    assert!(bench.count(is_identify) > 1, "and asked who it is");
    bench.hello();
    bench.pass_ms(100);
    let connections = connections(&bench.records);
    assert_eq!(connections.len(), 2);
    assert_eq!(hellos(&connections[1].0), [2]);
}

#[test]
fn opening_in_mid_frame_is_no_alarm() {
    let mut bench = Bench::new();
    bench.open();
    let frame = bench.temperature(0, 300.0);
    bench.feed(&frame[4..]);
    bench.hello();
    bench.pass_ms(1_200);
    let told = bench.events("opened in mid-frame");
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].0, Severity::Info);
    assert_eq!(bench.events("damaged bytes"), []);

    let mut frame = bench.temperature(0, 300.0);
    frame[6] ^= 0x40;
    for _ in 0..5 {
        bench.feed(&frame);
    }
    bench.pass_ms(1_200);
    let told = bench.events("damaged bytes");
    assert_eq!(told.len(), 1, "told once a second, with a count");
    assert_eq!(told[0].0, Severity::Error);
    assert!(told[0].1.starts_with("damaged bytes (5)"), "{told:?}");
    assert_eq!(bench.events("frames lost").len(), 1);
}

#[test]
fn noise_before_the_hello_does_no_harm() {
    let mut bench = Bench::new();
    bench.mute = true;
    bench.open();
    let noise: Vec<u8> = (0..40_000_u32)
        .map(|i| i.wrapping_mul(2_654_435_761).to_le_bytes()[3])
        .collect();
    for piece in noise.chunks(997) {
        bench.feed(piece);
        bench.pass_ms(60);
    }
    bench.tells("no board", "no frame among them");
    assert_eq!(bench.latch(), CutLatch::Running);
    bench.mute = false;
    bench.feed(&[0]);
    bench.hello();
    bench.pass_ms(200);
    assert!(bench.core.live(bench.now()).fit);
    let counters = bench.core.counters();
    let accounted = counters.bytes_in_frames + counters.bytes_discarded + counters.bytes_idle;
    assert_eq!(
        counters.bytes_received,
        accounted + bench.core.pending_bytes() as u64
    );
}

#[test]
fn chunks_are_whole_bounded_and_in_time() {
    let mut bench = Bench::up();
    bench.drive(3.0, |t| (60.0 * t).min(100.0));
    bench.feed(&[7; 300_000]);
    bench.feed(&[0]);
    bench.pass_ms(1_000);
    bench.act(Core::shut_down);
    let chunks: Vec<&ChunkData> = bench.chunks().collect();
    let bytes: Vec<u8> = chunks
        .iter()
        .flat_map(|chunk| chunk.bytes.clone())
        .collect();
    assert_eq!(bytes, bench.fed);
    for chunk in &chunks {
        assert!(chunk.bytes.len() <= 2 * 64 * 1024);
        let span_us = chunk.last_mono_us.checked_sub(chunk.first.mono_us).unwrap();
        assert!(span_us <= 1_000_000, "{span_us}");
    }
    assert!(chunks.len() > 8);
}

#[test]
fn a_jump_of_the_wall_clock_changes_nothing() {
    let mut bench = Bench::up();
    bench.drive(2.5, pull);
    bench.wall_jump_us = -3_600_000_000;
    bench.drive(1.0, |t| pull(t + 2.5));
    bench.wall_jump_us = 86_400_000_000;
    bench.drive(4.0, |t| pull(t + 3.5));
    let (started, ended) = bench.pulls();
    assert_eq!((started.len(), ended.len()), (1, 1));
    assert!(ended[0].ending == Ending::Whole, "{ended:?}");
    assert_eq!(bench.latch(), CutLatch::Running);
    assert!(bench.core.live(bench.now()).fit);
}

#[test]
fn a_pull_is_found_whole_with_its_pre_trigger() {
    let mut bench = Bench::up();
    bench.drive(3.0, |t| (50.0 * t).min(50.0));
    let opened = bench.tick_of_board() + 1_000_000;
    bench.drive(8.0, pull);
    let (started, ended) = bench.pulls();
    assert_eq!((started.len(), ended.len()), (1, 1));
    let ((start, chunk_first), ended) = (started[0], ended[0]);
    // Whole turns are 0.126 s apart at the start, and the acceleration is that of two of them.
    let start = start & u64::from(u32::MAX);
    assert!(start.abs_diff(opened) < 300_000, "{start} for {opened}");
    assert!(
        ended.ending == Ending::Whole && ended.reasons.is_empty(),
        "{ended:?}"
    );
    let peak = ended.tick_peak & u64::from(u32::MAX);
    assert!(peak.abs_diff(opened + 3_000_000) < 100_000, "{peak}");
    let end = ended.tick_end & u64::from(u32::MAX);
    assert!(end.abs_diff(opened + 5_000_000) < 100_000, "{end}");

    let chunks: Vec<&ChunkData> = bench.chunks().collect();
    let first = chunks
        .iter()
        .find(|chunk| chunk.seq == chunk_first)
        .unwrap();
    let tick_first = first.tick_first.unwrap() & u64::from(u32::MAX);
    assert!(tick_first + 1_000_000 <= start, "{tick_first} for {start}");
    assert!(ended.chunk_seq_last > chunk_first);
    let position = |wanted: u32| {
        let is_it = |record: &Record| matches!(record, Record::Chunk(c) if c.seq == wanted);
        bench.records.iter().position(is_it).unwrap()
    };
    let at = bench
        .records
        .iter()
        .position(|it| matches!(it, Record::PullEnded(_)));
    assert!(position(ended.chunk_seq_last) < at.unwrap(), "bytes first");
}

#[test]
fn missed_and_false_teeth_lose_no_pull() {
    let mut bench = Bench::up();
    bench.pickup = Box::new(move |number, tick| match number % 29 {
        3 => Vec::new(),
        13 => vec![tick, tick + 20],
        20 => vec![tick, tick + 3_000],
        _ => vec![tick],
    });
    bench.drive(2.0, |t| (50.0 * t).min(50.0));
    for _ in 0..3 {
        bench.drive(12.0, |t| pull(t).max(40.0));
        bench.drive(0.5, |t| 40.0 + 20.0 * t);
    }
    let (started, ended) = bench.pulls();
    assert_eq!((started.len(), ended.len()), (3, 3));
    assert!(
        ended.iter().all(|ended| ended.ending == Ending::Whole),
        "{ended:?}"
    );
    assert_eq!(bench.core.cut_view().cause, None);
    for kind in ["missed teeth", "extra edges"] {
        assert!(!bench.events(kind).is_empty(), "{kind}");
    }
}

/// The live torque follows a constant acceleration, with a band that holds it: Newton's second law for
/// drum and crank, without losses.
#[test]
fn the_live_torque_has_a_band() {
    let mut bench = Bench::up();
    bench.drive(2.0, |t| (50.0 * t).min(50.0));
    let alpha = 100.0 / 3.0;
    let truth = 1.2 * alpha / 5.0 + 0.006 * alpha * 5.0;
    let mut told = 0;
    for step in 0..40 {
        let from = 0.1 * f64::from(step);
        bench.drive(0.1, |t| pull(from + t));
        let live = bench.core.live(bench.now());
        // The throttle opens after a second; some turns later it is known.
        if step >= 17
            && let (Some(nm), Some(half)) = (live.torque_nm, live.torque_expanded_uncertainty_nm)
        {
            assert!((nm - truth).abs() < half, "{from}: {nm} ± {half}, {truth}");
            // The longer it rises steadily the more is known.
            let widest = if from < 2.65 { 0.08 } else { 0.03 };
            assert!((0.01..widest).contains(&(half / truth)), "{from}: {half}");
            told += 1;
        }
    }
    assert!(told >= 20, "{told}");
}

/// A wheel that lacks a tooth on purpose finds its pulls, and nothing is reported as missed.
#[test]
fn a_tooth_left_out_on_purpose_is_not_missed() {
    for (text, told) in [
        (
            STAND.replacen("teeth = 8", "teeth = 8\nmissing = 1", 1),
            false,
        ),
        (STAND.to_owned(), true),
    ] {
        let mut bench = Bench::on(&text);
        bench.connect();
        bench.pass_ms(200);
        bench.pickup = Box::new(|number, tick| match number % 8 {
            0 => Vec::new(),
            _ => vec![tick],
        });
        bench.drive(2.0, |t| (50.0 * t).min(50.0));
        bench.drive(12.0, |t| pull(t).max(40.0));
        let (started, ended) = bench.pulls();
        assert_eq!((started.len(), ended.len()), (1, 1));
        assert!(
            ended.iter().all(|ended| ended.ending == Ending::Whole),
            "{ended:?}"
        );
        assert_eq!(bench.core.cut_view().cause, None);
        assert_eq!(!bench.events("missed teeth").is_empty(), told);
    }
}

#[test]
fn blips_of_the_throttle_are_no_pulls() {
    let mut bench = Bench::up();
    for _ in 0..10 {
        bench.drive(0.6, |t| 50.0 + 60.0 * t);
        bench.drive(1.2, |t| 86.0 - 30.0 * t);
    }
    let (started, _) = bench.pulls();
    assert_eq!(started, []);
}

#[test]
fn a_pull_across_the_wrap_of_the_ticks_is_one() {
    let mut bench = Bench::new();
    // The counter wraps at 4294.967296 s, in the middle of the pull.
    bench.now_us = 4_292_000_000;
    bench.connect();
    bench.drive(10.0, pull);
    let (started, ended) = bench.pulls();
    assert_eq!((started.len(), ended.len()), (1, 1));
    assert!(ended[0].ending == Ending::Whole, "{ended:?}");
    assert!(ended[0].tick_peak - started[0].0 < 4_000_000);
    assert_eq!(bench.latch(), CutLatch::Running);
    assert_eq!(bench.events("board restart"), []);
}

#[test]
fn a_lost_port_ends_the_pull_as_aborted() {
    let mut bench = Bench::up();
    bench.drive(3.0, pull);
    assert_eq!(bench.core.live(bench.now()).phase, PullPhase::Pulling);
    bench.feed(&[1, 2, 3]);
    bench.lose_port();
    let (_, ended) = bench.pulls();
    assert!(ended[0].ending == Ending::Broken);
    assert!(ended[0].reasons[0].contains("unplugged"), "{ended:?}");
    let bytes: Vec<u8> = bench
        .chunks()
        .flat_map(|chunk| chunk.bytes.clone())
        .collect();
    assert_eq!(bytes, bench.fed, "to the last byte");
    assert!(matches!(
        bench.records.last(),
        Some(Record::Disconnected { .. })
    ));
}

#[test]
fn what_a_board_counted_before_is_no_news() {
    let mut bench = Bench::new();
    bench.board.captures_lost = 500;
    bench.board.receive_errors = 20;
    bench.connect();
    bench.pass_ms(1_500);
    assert_eq!(bench.events("captures lost"), []);
    for _ in 0..10 {
        bench.board.captures_lost += 3;
        bench.pass_ms(50);
    }
    bench.pass_ms(1_500);
    bench.tells("captures lost", "captures lost (30)");
    assert_eq!(bench.events("captures lost").len(), 1);
    assert_eq!(bench.events("board receive errors"), []);
}

#[test]
fn frames_that_come_twice_or_late_are_told_and_used_once() {
    let mut bench = Bench::up();
    bench.drive(1.0, |_| 60.0);
    let twice = bench.temperature(0, 300.0);
    bench.feed(&twice);
    bench.feed(&twice);
    let tick = bench.tick_of_board();
    let teeth = |first_tooth| {
        BoardMessage::Teeth(Teeth {
            pickup: 0,
            first_tooth,
            deltas: &[],
        })
    };
    let edge = bench.edge;
    let late = bench.frame_at(tick + 13_090, &teeth(edge));
    let newer = bench.frame_at(tick + 26_180, &teeth(edge + 1));
    bench.now_us += 30_000;
    bench.feed(&newer);
    bench.feed(&late);
    bench.edge += 2;
    bench.drive(1.5, |_| 60.0);
    assert_eq!(bench.events("frames doubled").len(), 1);
    assert_eq!(bench.events("frames late").len(), 1);
    assert_eq!(
        bench.events("extra edges"),
        [],
        "a late tooth is no false one"
    );
    assert_eq!(bench.latch(), CutLatch::Running);
}

/// A bench whose core asks for a self-test of its guards before it arms.
fn unarmed(passed_wall_us: Option<i64>) -> Bench {
    let mut bench = Bench::new();
    bench.core =
        Core::new(leverarm_config::parse("stand.toml", STAND).unwrap()).with_arming(Arming {
            age_us_max: Some(3_600_000_000),
            simulated_is_exempt: true,
            last: passed_wall_us.map_or(LastTest::None, |wall_us| {
                LastTest::Passed(Passed {
                    wall_us,
                    board: BoardStart {
                        board_id: 7,
                        boot: 1,
                    },
                })
            }),
        });
    bench
}

const HOUR_US: i64 = 3_600_000_000;

impl Bench {
    /// Everything stands still, and temperatures come.
    fn stand_still(&mut self, seconds: u32) {
        for _ in 0..10 * seconds {
            self.pass_ms(100);
            for channel in [0, 1] {
                let frame = self.temperature(channel, 300.0);
                self.feed(&frame);
            }
        }
    }

    /// A person turns the drum by hand until teeth come, and it comes to rest.
    fn turn_by_hand(&mut self) {
        self.drive(2.0, |_| 3.0);
        self.stand_still(4);
    }

    fn report(&self) -> SelfTestReport {
        let mut reports = self.records.iter().filter_map(|record| match record {
            Record::SelfTested(report) => Some(report.clone()),
            _ => None,
        });
        reports.next_back().unwrap()
    }
}

#[test]
fn a_stand_is_cut_until_its_guards_have_passed() {
    let mut bench = unarmed(None);
    bench.connect();
    bench.stand_still(1);
    assert!(!bench.core.is_armed());
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    assert_eq!(bench.count(is_heartbeat), 0);
    assert_eq!(bench.count(is_limits), 0);
    let refused = bench.release(1).unwrap_err();
    assert_eq!(refused, CommandError::NotArmed);
    assert!(refused.to_string().contains("leverarm test-guards"));

    bench.turn_by_hand();
    bench.command(&Command::SelfTest).unwrap();
    bench.stand_still(10);
    let report = bench.report();
    assert!(report.passed, "{report:?}");
    let names: Vec<&str> = report.trials.iter().map(|it| it.guard.as_str()).collect();
    assert_eq!(
        names,
        [
            "drum overspeed",
            "engine overspeed",
            "head too hot",
            "sensor lost (drum speed)",
            "stale data (board)"
        ]
    );
    for (trial, debounce_ms) in report.trials.iter().zip([0.0, 100.0, 500.0, 200.0, 0.0]) {
        assert!(trial.cuts && trial.confirmed_ms.is_some(), "{trial:?}");
        let tripped_ms = trial.tripped_ms.unwrap();
        // A debounce counts from the first value, or from the newest tick of the board: a channel has
        // a value each 100 ms, the board a tick each 50 ms.
        assert!(
            (debounce_ms - 60.0..debounce_ms + 250.0).contains(&tripped_ms),
            "{trial:?}"
        );
    }
    assert!(bench.core.is_armed());
    assert_eq!(bench.board.limits.heartbeat_timeout_ms, 250);
    assert!(bench.count(is_heartbeat) > 100);

    // That the engine may run is for a person to say.
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    let cut_id = bench.core.cut_view().cut_id.unwrap();
    assert_eq!(
        cut_id, 7,
        "arming, the test's beginning, and one for each guard"
    );
    bench.release(cut_id).unwrap();
    bench.stand_still(1);
    assert_eq!(bench.latch(), CutLatch::Running);

    // A board that is plugged in again within the hour is armed at once.
    bench.connect();
    bench.stand_still(1);
    assert!(bench.core.is_armed());
    assert_eq!(bench.latch(), CutLatch::Running);
}

#[test]
fn only_a_recent_self_test_arms() {
    let now = WALL_US + 5_000_000;
    for (passed, armed) in [
        (now - HOUR_US, true),
        (now - HOUR_US - 1, false),
        (now + 1, false),
    ] {
        let mut bench = unarmed(Some(passed));
        bench.connect();
        assert_eq!(bench.core.is_armed(), armed, "{}", passed - now);
        bench.stand_still(1);
        let cut = bench.latch() != CutLatch::Running;
        assert_eq!(cut, !armed);
    }
}

/// Whatever the board saw by itself is for a person to look at, also when it is heard first after it.
#[test]
fn a_self_test_ends_no_cut_that_the_board_had_a_reason_for() {
    for (cause, is_danger) in [
        (CutCause::HeartbeatLost, false),
        (CutCause::WatchdogReset, false),
        (CutCause::Overspeed, true),
        (CutCause::OverTemperature, true),
        (CutCause::SelfTestFailure, true),
        (CutCause::Miscounting, true),
        (CutCause::Load, true),
    ] {
        let mut bench = unarmed(None);
        bench.board_cut(1, cause);
        bench.connect();
        bench.stand_still(1);
        bench.turn_by_hand();
        let began = bench.command(&Command::SelfTest);
        let asks_for_release = |it: &CommandError| it.to_string().contains("see to its cause");
        let refused = began.as_ref().is_err_and(asks_for_release);
        assert_eq!(refused, is_danger, "{cause:?}: {began:?}");
    }
}

#[test]
fn a_guard_without_a_value_does_not_pass() {
    let mut bench = unarmed(None);
    bench.connect();
    bench.drive(2.0, |_| 3.0);
    bench.pass_ms(4_000);
    bench.command(&Command::SelfTest).unwrap();
    // No temperature ever comes.
    bench.pass_ms(15_000);
    let report = bench.report();
    assert!(!report.passed);
    let failures = report.failures();
    assert_eq!(failures.len(), 1, "{failures:?}");
    assert!(failures[0].contains("head too hot"), "{failures:?}");
    assert!(!bench.core.is_armed());
    assert_eq!(bench.latch(), CutLatch::Confirmed);
    let heartbeats = bench.count(is_heartbeat);
    bench.pass_ms(1_000);
    assert_eq!(bench.count(is_heartbeat), heartbeats);
}

#[test]
fn a_board_that_does_not_cut_fails_the_self_test() {
    let mut bench = unarmed(None);
    bench.connect();
    bench.turn_by_hand();
    bench.stand_still(1);
    bench.command(&Command::SelfTest).unwrap();
    while bench.latch() != CutLatch::Running {
        bench.pass_ms(1);
    }
    bench.deaf = true;
    bench.stand_still(15);
    let failures = bench.report().failures();
    assert!(
        failures[0].contains("did not confirm the cut"),
        "{failures:?}"
    );
    assert!(!bench.core.is_armed());
}

#[test]
fn the_guards_are_tested_at_standstill_only() {
    let mut bench = unarmed(None);
    let why = |result: Result<String, CommandError>| result.unwrap_err().to_string();
    let no_board = why(bench.command(&Command::SelfTest));
    assert!(no_board.contains("no board is connected"), "{no_board}");

    let mut bench = Bench::up();
    bench.drive(1.0, |_| 30.0);
    let turning = why(bench.command(&Command::SelfTest));
    assert!(turning.contains("the drum turns"), "{turning}");

    let mut bench = Bench::up();
    bench.cut_by_hand();
    bench.pass_ms(100);
    let cut = why(bench.command(&Command::SelfTest));
    assert!(cut.contains("a cut is in force"), "{cut}");

    // Something turns while it is under way.
    let mut bench = unarmed(None);
    bench.connect();
    bench.turn_by_hand();
    bench.stand_still(1);
    bench.command(&Command::SelfTest).unwrap();
    bench.pass_ms(300);
    bench.drive(1.0, |_| 30.0);
    let report = bench.report();
    assert_eq!(report.broken_off.as_deref(), Some("the drum turned"));
    assert!(!bench.core.is_armed());
    bench.stand_still(1);
    assert_eq!(bench.latch(), CutLatch::Confirmed);
}

#[test]
fn a_self_test_ends_with_the_board_and_has_to_pass_then() {
    let mut bench = Bench::up();
    bench.command(&Command::SelfTest).unwrap();
    bench.pass_ms(100);
    bench.restart();
    bench.hello();
    let broken_off = bench.report().broken_off.unwrap();
    assert!(broken_off.contains("restarted"), "{broken_off}");
    assert!(!bench.core.is_armed(), "though none was asked for");
}
