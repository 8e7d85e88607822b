//! The software stand seen as a host sees it: through bytes.

use std::f64::consts::TAU;

use leverarm_protocol::{
    BoardMessage, BoardReader, BoardState, Channel, ChannelKind, Counters, CutCause, FrameWriter,
    HostMessage, Limits, LinkFault, Reading, Status, TemperatureLimit,
};
use leverarm_software_stand::{
    Drag, Engine, ForceChannel, Interference, Losses, Mixture, Pickup, PickupFault, Reaction,
    Restart, RiderEvent, RiderScript, Ripple, Setup, Shaft, SoftwareStand, StandModel,
    TemperatureChannel, TemperatureLaw, TemperatureSource, TorqueCurve, rad_per_s, rpm,
};

const SEED: u64 = 42;

/// What a host heard, kept.
#[derive(Clone, Debug, PartialEq)]
enum Heard {
    Hello {
        boot: u16,
        tick_hz: u32,
        channels: Vec<Channel>,
    },
    Teeth {
        pickup: u8,
        first_tooth: u32,
        ticks: Vec<u64>,
    },
    Force {
        channel: u8,
        counts: i32,
    },
    Analog(Vec<i16>),
    Temperature {
        channel: u8,
        counts: i32,
    },
    Status(Status),
    Cut {
        cut_id: u16,
        cause: CutCause,
    },
}

/// A message with its tick, its number, and the host's time in µs when it had come.
#[derive(Clone, Debug)]
struct Arrival {
    at_us: u64,
    tick: u64,
    seq: u16,
    heard: Heard,
}

/// A stand with a host that listens to it.
struct Bench {
    stand: SoftwareStand,
    reader: BoardReader,
    writer: FrameWriter,
    arrivals: Vec<Arrival>,
    faults: Vec<LinkFault>,
    bytes: Vec<u8>,
}

impl Bench {
    fn new(model: StandModel) -> Self {
        Self {
            stand: SoftwareStand::new(model, SEED).expect("a model in range"),
            reader: BoardReader::new(),
            writer: FrameWriter::new(),
            arrivals: Vec::new(),
            faults: Vec::new(),
            bytes: Vec::new(),
        }
    }

    fn listen_ms(&mut self, ms: u64) {
        self.listen_us(1_000 * ms);
    }

    fn listen_us(&mut self, us: u64) {
        const SLICE_US: u64 = 1_000;
        let end_us = self.stand.now_us() + us;
        while self.stand.now_us() < end_us {
            let at_us = end_us.min(self.stand.now_us() + SLICE_US);
            let begin = self.bytes.len();
            self.stand.advance(at_us, &mut self.bytes);
            let (arrivals, faults) = (&mut self.arrivals, &mut self.faults);
            self.reader
                .feed(at_us, &self.bytes[begin..], &mut |reading| match reading {
                    Reading::Fault(fault) => faults.push(fault),
                    Reading::Message { tick, seq, message } => {
                        // Extended ticks begin somewhere; no test here is long enough to wrap.
                        let tick = tick & u64::from(u32::MAX);
                        arrivals.push(Arrival {
                            at_us,
                            tick,
                            seq,
                            heard: keep(tick, &message),
                        });
                    }
                });
        }
    }

    /// Listens with a heartbeat every 50 ms.
    fn guard_ms(&mut self, ms: u64) {
        for _ in 0..ms / 50 {
            self.say(HostMessage::Heartbeat);
            self.listen_ms(50);
        }
    }

    fn say(&mut self, message: HostMessage) {
        let frame = self.writer.write(0, &message).expect("host messages fit");
        self.stand.receive(frame);
    }

    fn statuses(&self) -> impl DoubleEndedIterator<Item = (&Arrival, &Status)> {
        self.arrivals
            .iter()
            .filter_map(|arrival| match &arrival.heard {
                Heard::Status(status) => Some((arrival, status)),
                _ => None,
            })
    }

    fn last_status(&self) -> &Status {
        self.statuses().next_back().expect("a status").1
    }

    fn cuts(&self) -> Vec<(u64, u16, CutCause)> {
        let cut = |arrival: &Arrival| match arrival.heard {
            Heard::Cut { cut_id, cause } => Some((arrival.tick, cut_id, cause)),
            _ => None,
        };
        self.arrivals.iter().filter_map(cut).collect()
    }

    /// Numbers and ticks of a pickup's teeth.
    fn teeth(&self, wanted: u8) -> Vec<(u32, u64)> {
        let mut teeth = Vec::new();
        for arrival in &self.arrivals {
            if let Heard::Teeth {
                pickup,
                first_tooth,
                ticks,
            } = &arrival.heard
                && *pickup == wanted
            {
                teeth.extend((*first_tooth..).zip(ticks.iter().copied()));
            }
        }
        teeth
    }

    fn assert_no_fault(&self) {
        assert_eq!(self.faults, [], "faults");
        let Counters {
            bytes_received,
            bytes_in_frames,
            bytes_idle,
            bytes_discarded,
            ..
        } = self.reader.counters();
        assert_eq!(bytes_discarded, 0);
        assert_eq!(bytes_idle, 1, "the delimiter before the first frame");
        assert!(
            bytes_received - bytes_in_frames - bytes_idle < 256,
            "at most one frame pending"
        );
    }
}

fn keep(tick: u64, message: &BoardMessage<'_>) -> Heard {
    match message {
        BoardMessage::Hello(hello) => Heard::Hello {
            boot: hello.boot,
            tick_hz: hello.tick_hz,
            channels: hello.channels().collect(),
        },
        BoardMessage::Teeth(teeth) => Heard::Teeth {
            pickup: teeth.pickup,
            first_tooth: teeth.first_tooth,
            ticks: teeth.ticks(tick).collect(),
        },
        &BoardMessage::Force { channel, counts } => Heard::Force { channel, counts },
        BoardMessage::Analog(analog) => Heard::Analog(analog.counts().collect()),
        &BoardMessage::Temperature { channel, counts } => Heard::Temperature { channel, counts },
        BoardMessage::Status(status) => Heard::Status(status.clone()),
        &BoardMessage::Cut { cut_id, cause } => Heard::Cut { cut_id, cause },
        BoardMessage::Load(_) => panic!("this stand has no load"),
    }
}

fn pit_bike() -> StandModel {
    StandModel::pit_bike()
}

/// The pit bike with a perfect 8-tooth wheel, constant torque, no losses, no ripple, standard air,
/// and a board that runs from the first moment.
fn ideal(torque_nm: f64) -> StandModel {
    let mut model = pit_bike();
    model.drum.losses = Losses::default();
    model.engine = Engine {
        full_throttle: TorqueCurve::constant(torque_nm),
        ripple: Ripple::default(),
        drag: Drag::default(),
        scatter_rms: 0.0,
        ..model.engine
    };
    model.air.torque_divisor = 1.0;
    model.pickups = vec![Pickup::perfect(Shaft::Drum, 8)];
    model.board.start_ms = 0;
    model
}

fn guarded(tooth_period_ticks_min: u32) -> HostMessage {
    HostMessage::Limits(Limits {
        tooth_period_ticks_min,
        short_periods_to_cut: 3,
        heartbeat_timeout_ms: 250,
        ..Limits::default()
    })
}

/// Lets the clutch in at rest and opens the throttle.
fn pull_from_rest(bench: &mut Bench) {
    bench.stand.clutch(true);
    bench.stand.throttle(1.0);
}

/// From rest under constant angular acceleration α, angle θ is reached at t = √(2θ/α).
#[test]
fn teeth_of_a_ramp_come_at_the_closed_form_times() {
    let model = ideal(10.0);
    let alpha = model.ratio * 10.0 / model.locked_inertia_kg_m2();
    let tick_hz = f64::from(model.board.tick_hz);
    let mut bench = Bench::new(model);
    pull_from_rest(&mut bench);
    bench.listen_ms(5_000);

    let teeth = bench.teeth(0);
    let turned_rad = 0.5 * alpha * 4.97 * 4.97;
    assert!(
        teeth.len() as f64 > 8.0 * turned_rad / TAU,
        "{} teeth",
        teeth.len()
    );
    for (index, (number, tick)) in teeth.iter().enumerate() {
        assert_eq!(*number as usize, index);
        let exact = (2.0 * TAU * f64::from(number + 1) / 8.0 / alpha).sqrt() * tick_hz;
        let error = exact - *tick as f64;
        assert!(
            (-1e-3..1.0 + 1e-3).contains(&error),
            "tooth {number}: tick {tick} for {exact}"
        );
    }
    bench.assert_no_fault();
}

/// Work in − losses = kinetic energy, through two pulls with clutch, coasting and braking.
#[test]
fn energy_balances_over_whole_pulls() {
    let mut model = pit_bike();
    model.engine.ripple = Ripple::default();
    let mut bench = Bench::new(model);
    bench.stand.ride(Some(RiderScript::pit_bike(2)));
    let mut worst = 0.0_f64;
    for _ in 0..80 {
        bench.listen_ms(250);
        let truth = bench.stand.truth();
        let gap_j = truth.engine_work_j - truth.lost_work_j - truth.kinetic_j;
        worst = worst.max((gap_j / truth.engine_work_j).abs());
    }
    let truth = bench.stand.truth();
    assert!(
        truth.engine_work_j > 2.0 * 15_000.0,
        "two pulls: {} J",
        truth.engine_work_j
    );
    assert!(worst < 1e-6, "gap of {worst} of the work");
}

/// At constant speed the periods show the errors of the teeth, the same ones every turn.
#[test]
fn tooth_errors_repeat_every_turn() {
    let mut model = ideal(10.0);
    let errors = Pickup {
        position_error_rms: 0.01,
        ..Pickup::perfect(Shaft::Drum, 8)
    };
    model.pickups = vec![errors];
    let mut bench = Bench::new(model);
    pull_from_rest(&mut bench);
    bench.listen_ms(2_000);
    bench.stand.clutch(false);
    bench.stand.throttle(0.0);
    bench.listen_ms(50);
    let settled = bench.teeth(0).len();
    bench.listen_ms(3_000);

    let teeth = &bench.teeth(0)[settled..];
    let periods: Vec<i64> = teeth
        .windows(2)
        .map(|pair| pair[1].1 as i64 - pair[0].1 as i64)
        .collect();
    assert!(periods.len() > 8 * 20);
    for (index, period) in periods.iter().enumerate().skip(8) {
        let before = periods[index - 8];
        assert!(
            (period - before).abs() <= 1,
            "period {index}: {period}, a turn before {before}"
        );
    }
    let turn = &periods[..8];
    let mean = turn.iter().sum::<i64>() as f64 / 8.0;
    let spread = turn
        .iter()
        .map(|period| (*period as f64 / mean - 1.0).abs())
        .fold(0.0, f64::max);
    assert!(
        (0.003..0.06).contains(&spread),
        "errors of 1 % of the pitch show: {spread}"
    );
}

/// Faults of a pickup begin while the stand runs, and each does to the edges what it is for. At
/// constant speed an ideal wheel of 8 teeth gives 8 edges a turn.
#[test]
fn pickups_break_as_ordered() {
    let mut model = ideal(10.0);
    model.pickups.push(Pickup::perfect(Shaft::Engine, 1));
    let mut bench = Bench::new(model);
    pull_from_rest(&mut bench);
    bench.listen_ms(2_000);
    bench.stand.clutch(false);
    bench.stand.throttle(0.0);
    bench.listen_ms(100);
    let speed = bench.stand.truth().omega_drum_rad_per_s;
    let none = PickupFault::default();
    let every_second = |from| PickupFault {
        every_second_from_rad_per_s: from,
        ..none
    };
    let broken = PickupFault {
        teeth_gone: 1 << 3,
        ..none
    };
    let both = PickupFault {
        both_flanks: true,
        ..none
    };
    let dead = PickupFault {
        is_dead: true,
        ..none
    };
    for (fault, edges_a_turn, name) in [
        (none, 8.0, "whole"),
        (every_second(0.9 * speed), 4.0, "every second missed"),
        (every_second(1.1 * speed), 8.0, "not yet so fast"),
        (every_second(0.0), 4.0, "every second missed from the start"),
        (broken, 7.0, "a tooth gone"),
        (both, 16.0, "both flanks"),
        (dead, 0.0, "dead"),
        (none, 8.0, "whole again"),
    ] {
        bench.stand.pickup_fault(0, fault);
        bench.listen_ms(60); // teeth before it may still be on their way
        let before = bench.teeth(0).len();
        bench.listen_ms(1_000);
        let edges = (bench.teeth(0).len() - before) as f64;
        let expected = edges_a_turn * speed / TAU;
        assert!(
            (edges - expected).abs() <= 2.0,
            "{name}: {edges} for {expected}"
        );
    }
    // The drum's teeth come at the other input from now on.
    bench.stand.swap_pickups(0, 1);
    bench.listen_ms(60);
    let before = bench.teeth(1).len();
    bench.listen_ms(1_000);
    let edges = (bench.teeth(1).len() - before) as f64;
    assert!((edges - 8.0 * speed / TAU).abs() <= 2.0, "{edges}");
}

fn ridden_bytes(seed: u64, slices_us: impl IntoIterator<Item = u64>) -> Vec<u8> {
    let mut stand = SoftwareStand::new(pit_bike(), seed).expect("a model in range");
    stand.ride(Some(RiderScript::pit_bike(1)));
    let mut bytes = Vec::new();
    let mut at_us = 0;
    let mut slices_us = slices_us.into_iter();
    while at_us < 6_000_000 {
        at_us = (at_us + slices_us.next().expect("endless slices")).min(6_000_000);
        stand.advance(at_us, &mut bytes);
    }
    bytes
}

#[test]
fn same_seed_gives_same_bytes_however_time_is_sliced() {
    let whole = ridden_bytes(SEED, std::iter::repeat(6_000_000));
    assert!(whole.len() > 20_000);
    assert!(whole == ridden_bytes(SEED, std::iter::repeat(1_000)));
    // Slices that are no multiples of anything, some shorter than a step.
    assert!(whole == ridden_bytes(SEED, (1..).map(|n: u64| n * 7_919 % 3_001 + 7)));
    assert!(whole != ridden_bytes(SEED + 1, std::iter::repeat(6_000_000)));
}

#[test]
fn no_byte_comes_before_its_time() {
    let mut finely = SoftwareStand::new(pit_bike(), SEED).unwrap();
    let mut coarsely = finely.clone();
    let (mut from_finely, mut from_coarsely) = (Vec::new(), Vec::new());
    for slice in 1..=500_u64 {
        let at_us = slice * 1_010;
        for earlier in (0..1_010).rev().step_by(10) {
            finely.advance(at_us - earlier, &mut from_finely);
        }
        finely.advance(at_us, &mut from_finely);
        coarsely.advance(at_us, &mut from_coarsely);
        assert_eq!(from_finely.len(), from_coarsely.len(), "by {at_us} µs");
    }
    // 20 µs a byte: in slices of 10 µs never more than one.
    let mut stand = SoftwareStand::new(pit_bike(), SEED).unwrap();
    let (mut bytes, mut most) = (Vec::new(), 0);
    for slice in 1..=50_000_u64 {
        let before = bytes.len();
        stand.advance(slice * 10, &mut bytes);
        most = most.max(bytes.len() - before);
    }
    assert_eq!(most, 1);
}

#[test]
fn one_source_of_noise_does_not_move_the_others() {
    let force_counts = |jitter_rms_s| {
        let mut model = ideal(10.0);
        model.pickups[0].jitter_rms_s = jitter_rms_s;
        let mut bench = Bench::new(model);
        pull_from_rest(&mut bench);
        bench.listen_ms(1_000);
        let is_force = |arrival: &&Arrival| matches!(arrival.heard, Heard::Force { .. });
        let heard = bench
            .arrivals
            .iter()
            .filter(is_force)
            .map(|arrival| arrival.heard.clone());
        (heard.collect::<Vec<Heard>>(), bench.teeth(0))
    };
    let (quiet, jittery) = (force_counts(0.0), force_counts(10e-6));
    assert!(quiet.0.len() > 70);
    assert_eq!(quiet.0, jittery.0);
    assert_ne!(quiet.1, jittery.1);
}

#[test]
fn every_byte_of_a_session_decodes_and_no_tooth_is_missing() {
    let mut bench = Bench::new(pit_bike());
    bench.stand.ride(Some(RiderScript::pit_bike(2)));
    bench.listen_ms(17_000);
    bench.assert_no_fault();

    for (pickup, teeth_per_turn, turned_rad) in [
        (0, 8.0, bench.stand.truth().drum_rad),
        (1, 1.0, bench.stand.truth().crank_rad),
    ] {
        let teeth = bench.teeth(pickup);
        assert!(
            teeth
                .iter()
                .enumerate()
                .all(|(index, (number, _))| index == *number as usize)
        );
        assert!(
            teeth.windows(2).all(|pair| pair[0].1 < pair[1].1),
            "ticks rise"
        );
        // Teeth of the 20 ms before the board has started, and the last 20 ms, are not there.
        let passed = turned_rad / TAU * teeth_per_turn;
        let missing = passed - teeth.len() as f64;
        assert!(
            (-1.0..20.0).contains(&missing),
            "pickup {pickup}: {} of {passed}",
            teeth.len()
        );
    }
    let seqs = bench.arrivals.iter().map(|arrival| arrival.seq);
    assert!(seqs.zip(0_u16..).all(|(seq, expected)| seq == expected));
    assert_eq!(bench.last_status().captures_lost, 0);
    let status_ticks: Vec<u64> = bench.statuses().map(|(arrival, _)| arrival.tick).collect();
    assert!(
        status_ticks
            .windows(2)
            .all(|pair| pair[1] - pair[0] <= 200_000),
        "every 100 ms"
    );
}

/// A host's view of the main job: teeth in, torque curve out, by plain differences over turns.
#[test]
fn teeth_of_a_pull_contain_the_torque_curve() {
    let mut model = pit_bike();
    model.engine.ripple = Ripple::default();
    model.engine.scatter_rms = 0.0;
    model.pickups[0].jitter_rms_s = 0.0;
    let (ratio, divisor) = (model.ratio, model.air.torque_divisor);
    let (inertia, losses) = (model.locked_inertia_kg_m2(), model.drum.losses);
    let curve = model.engine.full_throttle.clone();
    let tick_hz = f64::from(model.board.tick_hz);
    let start_s = f64::from(model.board.start_ms) * 1e-3;
    let mut bench = Bench::new(model);
    bench.stand.ride(Some(RiderScript::pit_bike(1)));
    bench.listen_ms(9_000);

    let events = bench.stand.take_events();
    let [
        RiderEvent::PullStarted { at_s: begin_s, .. },
        RiderEvent::PullEnded { at_s: end_s, .. },
        ..,
    ] = events[..]
    else {
        panic!("a pull: {events:?}")
    };
    let times_s: Vec<f64> = bench
        .teeth(0)
        .iter()
        .map(|(_, tick)| start_s + *tick as f64 / tick_hz)
        .filter(|time_s| (begin_s + 0.1..end_s).contains(time_s))
        .collect();
    let speeds: Vec<(f64, f64)> = times_s
        .iter()
        .zip(&times_s[8..])
        .map(|(from, to)| (0.5 * (from + to), TAU / (to - from)))
        .collect();
    assert!(speeds.len() > 300);
    for pair in speeds.iter().zip(&speeds[16..]) {
        let ((from_s, from_omega), (to_s, to_omega)) = pair;
        let alpha = (to_omega - from_omega) / (to_s - from_s);
        let omega = 0.5 * (from_omega + to_omega);
        let torque_nm = (inertia * alpha + losses.torque_nm(omega)) / ratio * divisor;
        let curve_nm = curve.torque_nm(ratio * omega);
        let speed_rpm = rpm(ratio * omega);
        assert!(
            (torque_nm / curve_nm - 1.0).abs() < 0.01,
            "{speed_rpm}: {torque_nm}, {curve_nm}"
        );
    }
}

#[test]
fn hello_lists_the_channels_and_comes_first() {
    let mut bench = Bench::new(pit_bike());
    bench.listen_ms(30);
    assert_eq!(bench.bytes[0], 0, "ends the noise of the start");
    let Heard::Hello {
        boot,
        tick_hz,
        channels,
    } = &bench.arrivals[0].heard
    else {
        panic!("hello first: {:?}", bench.arrivals)
    };
    assert_eq!((*boot, *tick_hz, bench.arrivals[0].seq), (1, 2_000_000, 0));
    // Pickups, force, analog, temperatures, and the mark of a simulation.
    assert_eq!(channels.len(), 2 + 1 + 5 + 2 + 1);
    let force = Channel::new(ChannelKind::Force, 0, 80);
    assert_eq!(channels[2], force);
    let Heard::Status(status) = &bench.arrivals[1].heard else {
        panic!("then a status")
    };
    assert_eq!(
        (status.state, status.cut_id, status.cause),
        (BoardState::Running, 0, None)
    );
    assert_eq!(status.limits, Limits::default());
    assert!(bench.arrivals[1].at_us > 20_000, "silent while it starts");

    bench.say(HostMessage::Identify);
    let before = bench.arrivals.len();
    bench.listen_ms(10);
    let answered = &bench.arrivals[before..];
    assert!(
        answered
            .iter()
            .any(|arrival| matches!(arrival.heard, Heard::Hello { boot: 1, .. }))
    );
}

#[test]
fn line_is_never_faster_than_its_rate() {
    for baud in [115_200, 500_000] {
        let mut model = pit_bike();
        model.board.baud = baud;
        let mut bench = Bench::new(model);
        bench.stand.ride(Some(RiderScript::pit_bike(1)));
        for ms in 1..=6_000 {
            bench.listen_ms(1);
            let bytes_max = u64::from(baud) * ms / 10_000;
            assert!(
                bench.bytes.len() as u64 <= bytes_max,
                "{baud} baud, {ms} ms"
            );
        }
        bench.assert_no_fault();
    }
}

/// More teeth than the line carries: samples go first, then teeth, never a status, and the tooth
/// numbers and the count of lost captures tell exactly what is missing.
#[test]
fn overloaded_line_loses_by_the_specification() {
    let mut model = ideal(10.0);
    model.pickups = vec![Pickup::perfect(Shaft::Drum, 600)];
    model.board.baud = 115_200;
    let mut bench = Bench::new(model);
    pull_from_rest(&mut bench);
    bench.listen_ms(3_000);
    let before = bench.bytes.len();
    bench.listen_ms(1_000);
    // Of 11,520 bytes a second; the frame that was on its way may end in it, too.
    let in_a_second = bench.bytes.len() - before;
    assert!(
        (10_900..=11_520).contains(&in_a_second),
        "{in_a_second} bytes in a second"
    );

    assert_eq!(bench.faults, [], "what is dropped takes no number");
    let teeth = bench.teeth(0);
    let steps = teeth.windows(2).map(|pair| pair[1].0 - pair[0].0 - 1);
    let missing: u32 = steps.sum();
    let lost = bench.last_status().captures_lost;
    assert!(missing > 1_000, "{missing} missing");
    assert!(
        missing <= lost && lost - missing < 1_500,
        "{missing} missing, {lost} lost"
    );
    let statuses: Vec<u64> = bench.statuses().map(|(arrival, _)| arrival.at_us).collect();
    assert!(
        statuses.windows(2).all(|pair| pair[1] - pair[0] <= 100_000),
        "a status in 100 ms"
    );
    let last_samples = bench.arrivals.iter().rev().take(20);
    let teeth_only = last_samples
        .filter(|arrival| !matches!(arrival.heard, Heard::Status(_)))
        .all(|arrival| matches!(arrival.heard, Heard::Teeth { .. }));
    assert!(teeth_only, "teeth before samples");
}

/// The board cuts at the third short period, and no torque turns the drum after it.
#[test]
fn board_cuts_at_overspeed_within_a_tooth() {
    let mut bench = Bench::new(ideal(10.0));
    bench.listen_ms(5);
    // 100 rad/s at the drum with 8 teeth: 2e6 · 2π/8/100.
    let shortest = 15_707;
    bench.say(guarded(shortest));
    pull_from_rest(&mut bench);
    let mut omega_at_cut = None;
    for _ in 0..60_000 {
        bench.listen_us(50);
        if bench.stand.now_us().is_multiple_of(50_000) {
            bench.say(HostMessage::Heartbeat);
        }
        if omega_at_cut.is_none() && bench.stand.truth().cut {
            omega_at_cut = Some(bench.stand.truth().omega_drum_rad_per_s);
        }
    }
    let teeth = bench.teeth(0);
    let short = teeth
        .windows(2)
        .filter(|pair| pair[1].1 - pair[0].1 < u64::from(shortest));
    let third_tick = short
        .map(|pair| pair[1].1)
        .nth(2)
        .expect("three short periods");
    assert_eq!(bench.cuts(), [(third_tick, 1, CutCause::Overspeed)]);
    // Three teeth at 40 rad/s²: 1 rad/s above the limit.
    let omega = omega_at_cut.expect("cut");
    assert!((100.0..101.5).contains(&omega), "cut at {omega} rad/s");
    let truth = bench.stand.truth();
    assert!(
        (truth.omega_drum_rad_per_s - omega).abs() < 1e-6,
        "no torque after the cut"
    );
    bench.assert_no_fault();
}

#[test]
fn one_long_period_starts_the_count_of_short_ones_anew() {
    let mut model = ideal(10.0);
    // A false edge 1 ms after about every tenth tooth: one short period, never three in a row.
    model.pickups[0].doubled_probability = 0.1;
    model.pickups[0].doubled_after_s = 1e-3;
    let mut bench = Bench::new(model);
    bench.listen_ms(5);
    bench.say(guarded(5_000));
    pull_from_rest(&mut bench);
    bench.guard_ms(3_000);
    let teeth = bench.teeth(0);
    let short = teeth
        .windows(2)
        .filter(|pair| pair[1].1 - pair[0].1 < 5_000)
        .count();
    assert!(short > 5, "{short} short periods");
    assert_eq!(bench.cuts(), []);
}

#[test]
fn silent_host_is_cut_in_time_and_the_cut_is_latched() {
    let mut bench = Bench::new(ideal(10.0));
    bench.listen_ms(1_000);
    assert!(!bench.stand.truth().cut, "unguarded before limits came");
    bench.say(guarded(0));
    bench.guard_ms(1_000);
    assert!(!bench.stand.truth().cut, "guarded and alive");
    bench.say(HostMessage::Heartbeat);
    let heartbeat_us = bench.stand.now_us();
    bench.listen_us(250_000);
    assert!(!bench.stand.truth().cut, "not before its time");
    bench.listen_us(100);
    assert!(bench.stand.truth().cut, "no later than that");
    // The longest frame that may be on its way takes 5.1 ms.
    bench.listen_ms(10);
    let cuts = bench.cuts();
    let &[(tick, 1, CutCause::HeartbeatLost)] = &cuts[..] else {
        panic!("{cuts:?}")
    };
    let late_ticks = tick as i64 - 2 * (heartbeat_us as i64 + 250_000);
    assert!((0..=200).contains(&late_ticks), "{late_ticks} ticks late");
    let status = bench.last_status();
    assert_eq!((status.state, status.cut_id), (BoardState::Cut, 1));
    // A heartbeat is no release.
    bench.guard_ms(1_000);
    assert!(bench.stand.truth().cut);
    assert_eq!(bench.cuts().len(), 1);
}

#[test]
fn frames_other_than_heartbeats_do_not_keep_the_engine_alive() {
    let mut bench = Bench::new(ideal(10.0));
    bench.say(guarded(0));
    for _ in 0..10 {
        bench.say(HostMessage::Identify);
        bench.say(guarded(0));
        bench.listen_ms(50);
    }
    assert_eq!(bench.last_status().cause, Some(CutCause::HeartbeatLost));
}

#[test]
fn release_must_name_the_cut_and_find_no_reason_left() {
    let mut bench = Bench::new(ideal(10.0));
    bench.listen_ms(5);
    bench.say(HostMessage::Cut { reason: 9 });
    bench.listen_ms(5);
    assert_eq!(bench.cuts()[0].1, 1);
    assert_eq!(bench.last_status().cause, Some(CutCause::HostCommand));

    bench.say(guarded(0));
    for wrong in [0, 2, u16::MAX] {
        bench.say(HostMessage::Release { cut_id: wrong });
        bench.listen_ms(5);
        assert!(bench.stand.truth().cut, "released by {wrong}");
    }
    bench.say(HostMessage::Release { cut_id: 1 });
    bench.listen_ms(5);
    assert!(!bench.stand.truth().cut);
    assert_eq!(bench.last_status().state, BoardState::Running);

    bench.say(HostMessage::Cut { reason: 9 });
    bench.say(HostMessage::Cut { reason: 9 });
    bench.listen_ms(5);
    assert_eq!(
        bench.last_status().cut_id,
        2,
        "a cut that stands keeps its number"
    );
    bench.say(HostMessage::Release { cut_id: 1 });
    bench.listen_ms(5);
    assert!(
        bench.stand.truth().cut,
        "a late release doesn't end a newer cut"
    );
    bench.listen_ms(300);
    bench.say(HostMessage::Release { cut_id: 2 });
    bench.listen_ms(5);
    assert!(bench.stand.truth().cut, "the heartbeat is late");
    bench.say(HostMessage::Heartbeat);
    bench.say(HostMessage::Release { cut_id: 2 });
    bench.listen_ms(5);
    assert!(!bench.stand.truth().cut);
}

#[test]
fn every_limits_cut_and_release_is_answered_by_a_status_at_once() {
    let mut bench = Bench::new(ideal(10.0));
    bench.listen_ms(53);
    for message in [
        guarded(0),
        HostMessage::Cut { reason: 1 },
        HostMessage::Cut { reason: 1 },
        HostMessage::Release { cut_id: 7 },
    ] {
        let before = bench.statuses().count();
        bench.say(message.clone());
        bench.listen_ms(6);
        assert!(bench.statuses().count() > before, "{message:?}");
    }
}

#[test]
fn firmware_with_a_ceiling_takes_only_tighter_speeds() {
    let mut model = ideal(10.0);
    model.board.ceiling_tooth_period_ticks = 7_000;
    let mut bench = Bench::new(model);
    for (wanted, in_force) in [(0, 7_000), (5_000, 7_000), (9_000, 9_000), (7_500, 7_500)] {
        bench.say(guarded(wanted));
        bench.listen_ms(5);
        assert_eq!(bench.last_status().limits.tooth_period_ticks_min, in_force);
    }
}

#[test]
fn hot_head_is_cut_and_unknown_temperatures_are_left_out() {
    let mut model = ideal(10.0);
    model.engine.head.start_k = 373.15;
    model.air.temperature_k = 298.15;
    model.temperatures[0].noise_counts_rms = 0.0;
    let mut bench = Bench::new(model);
    bench.listen_ms(150);
    // Type K, NIST ITS-90: 4.096230 mV at 100 °C less 1.000242 mV at 25 °C, 7.8125 µV a count;
    // the head cools by less than half a kelvin (2.6 counts) meanwhile.
    let head = bench
        .arrivals
        .iter()
        .find_map(|arrival| match arrival.heard {
            Heard::Temperature { channel: 0, counts } => Some(counts),
            _ => None,
        });
    let exact = (4.096_230 - 1.000_242) / 7.812_5e-3;
    assert!(
        (f64::from(head.unwrap()) - exact).abs() < 3.0,
        "{head:?} for {exact}"
    );

    let limits = |counts_max| {
        let known = TemperatureLimit::new(0, counts_max);
        let unknown = TemperatureLimit::new(9, 0);
        let temperatures = [known, unknown].into_iter().collect();
        HostMessage::Limits(Limits {
            heartbeat_timeout_ms: 250,
            temperatures,
            ..Limits::default()
        })
    };
    bench.say(limits(1_000));
    bench.guard_ms(300);
    assert_eq!(bench.last_status().limits.temperatures.len(), 1);
    assert!(!bench.stand.truth().cut);
    bench.say(limits(300));
    bench.guard_ms(300);
    assert_eq!(bench.last_status().cause, Some(CutCause::OverTemperature));
    bench.say(HostMessage::Release { cut_id: 1 });
    bench.guard_ms(50);
    assert!(bench.stand.truth().cut, "still too hot");
    bench.say(limits(1_000));
    bench.guard_ms(150);
    bench.say(HostMessage::Release { cut_id: 1 });
    bench.guard_ms(50);
    assert!(!bench.stand.truth().cut);
}

#[test]
fn broken_sensor_is_above_every_limit() {
    let mut model = ideal(10.0);
    model.temperatures[0].source = TemperatureSource::Broken;
    let mut bench = Bench::new(model);
    let limit = TemperatureLimit::new(0, i32::MAX - 1);
    bench.say(HostMessage::Limits(Limits {
        temperatures: [limit].into_iter().collect(),
        ..Limits::default()
    }));
    bench.listen_ms(150);
    assert_eq!(bench.last_status().cause, Some(CutCause::OverTemperature));
}

#[test]
fn damaged_host_frames_are_counted_and_change_nothing() {
    let mut bench = Bench::new(ideal(10.0));
    bench.listen_ms(5);
    let mut writer = FrameWriter::new();
    let mut frame = writer
        .write(0, &HostMessage::Cut { reason: 1 })
        .unwrap()
        .to_vec();
    frame[4] ^= 0x10;
    bench.stand.receive(&frame);
    bench.stand.receive(&[1, 2, 3, 0]);
    bench.listen_ms(60);
    assert_eq!(bench.last_status().receive_errors, 2);
    assert!(!bench.stand.truth().cut);
}

#[test]
fn restarted_board_says_so() {
    for (restart, state, cut_id, cause) in [
        (Restart::PowerOn, BoardState::Running, 0, None),
        (
            Restart::Reset,
            BoardState::Cut,
            1,
            Some(CutCause::WatchdogReset),
        ),
    ] {
        let mut bench = Bench::new(pit_bike());
        bench.stand.ride(Some(RiderScript::pit_bike(1)));
        bench.listen_ms(100);
        bench.say(guarded(7_000));
        bench.guard_ms(3_000);
        let before = bench.arrivals.len();
        bench.stand.restart_board(restart);
        assert!(bench.stand.truth().cut, "held cut while starting");
        bench.listen_ms(40);
        assert!(
            bench.faults.contains(&LinkFault::BoardRestarted),
            "{:?}",
            bench.faults
        );
        let [hello, after, ..] = &bench.arrivals[before..] else {
            panic!("nothing heard")
        };
        assert!(
            matches!(hello.heard, Heard::Hello { boot: 2, .. }),
            "{hello:?}"
        );
        assert_eq!(hello.seq, 0);
        let Heard::Status(status) = &after.heard else {
            panic!("status second: {after:?}")
        };
        assert_eq!(
            (status.state, status.cut_id, status.cause),
            (state, cut_id, cause)
        );
        assert_eq!(
            status.limits,
            Limits::default(),
            "limits don't survive a start"
        );
        assert_eq!(bench.stand.truth().cut, state == BoardState::Cut);
    }
}

#[test]
fn missed_and_doubled_teeth_and_bursts_are_what_was_ordered() {
    let count = |change: &dyn Fn(&mut Pickup)| {
        let mut model = ideal(10.0);
        change(&mut model.pickups[0]);
        let mut bench = Bench::new(model);
        pull_from_rest(&mut bench);
        bench.listen_ms(6_000);
        bench.assert_no_fault();
        let lost = bench.last_status().captures_lost as usize;
        let teeth = bench.teeth(0);
        let numbered = teeth.last().map_or(0, |(number, _)| *number as usize + 1);
        (teeth.len(), lost, numbered)
    };
    let (all, none_lost, _) = count(&|_| {});
    assert_eq!(none_lost, 0);
    let (fewer, ..) = count(&|pickup| pickup.missed_probability = 0.05);
    let missed = 1.0 - fewer as f64 / all as f64;
    assert!((0.03..0.07).contains(&missed), "{missed} missed");
    let (more, ..) = count(&|pickup| pickup.doubled_probability = 0.05);
    let doubled = more as f64 / all as f64 - 1.0;
    assert!((0.03..0.07).contains(&doubled), "{doubled} doubled");
    let (recorded, lost, numbered) = count(&|pickup| {
        pickup.interference = Interference {
            bursts_per_s: 20.0,
            edges: 10,
            spacing_s: 10e-6,
            ..Interference::default()
        };
    });
    // 6 s × 20 bursts × 10 edges; of the spacings, exponential with a mean of 10 µs, those below
    // the dead time of 5 µs lose an edge: 1 − e^(−0.5) = 39 % or a little less.
    let false_edges = (recorded + lost - all) as f64;
    assert!(
        (900.0..1_500.0).contains(&false_edges),
        "{false_edges} false edges"
    );
    let share = lost as f64 / false_edges;
    assert!((0.25..0.42).contains(&share), "{share} lost");
    // The last status may have come before or after the last teeth.
    let unexplained = (recorded + lost) as f64 - numbered as f64;
    assert!(
        unexplained.abs() <= 10.0,
        "lost teeth keep their numbers: {unexplained}"
    );
}

/// Still stand: what is left in the readings is the noise that was ordered.
#[test]
fn noise_has_the_size_that_was_ordered() {
    let mut model = ideal(10.0);
    model.analogs[1].noise_counts_rms = 5.0;
    model.temperatures[1].noise_counts_rms = 3.0;
    model.temperatures[1].rate_hz = 40;
    let mut bench = Bench::new(model);
    bench.stand.ignition(false);
    bench.listen_ms(20_000);
    let rms = |counts: &dyn Fn(&Heard) -> Option<i32>| {
        let heard = bench.arrivals.iter().map(|arrival| &arrival.heard);
        let counts: Vec<f64> = heard.filter_map(counts).map(f64::from).collect();
        assert!(counts.len() > 700, "{} readings", counts.len());
        let mean = counts.iter().sum::<f64>() / counts.len() as f64;
        let squares: f64 = counts.iter().map(|count| (count - mean).powi(2)).sum();
        (squares / counts.len() as f64).sqrt()
    };
    let force = rms(&|heard| match heard {
        Heard::Force { counts, .. } => Some(*counts),
        _ => None,
    });
    let analog = rms(&|heard| match heard {
        Heard::Analog(counts) => Some(i32::from(counts[1])),
        _ => None,
    });
    let temperature = rms(&|heard| match heard {
        Heard::Temperature { channel: 1, counts } => Some(*counts),
        _ => None,
    });
    // The rms of 800 draws has a standard error of 2.5 %.
    for (found, ordered) in [(force, 40.0), (analog, 5.0), (temperature, 3.0)] {
        assert!(
            (found / ordered - 1.0).abs() < 0.1,
            "{found} counts for {ordered}"
        );
    }
}

/// Constant torque, no ripple: the cell settles at torque/arm.
#[test]
fn load_cell_shows_the_reaction() {
    let mut model = ideal(10.0);
    let cell = ForceChannel {
        noise_counts_rms: 0.0,
        ..model.forces[0]
    };
    model.forces = vec![
        cell,
        ForceChannel {
            reaction: Reaction::Brake,
            arm_m: 0.5,
            ..cell
        },
    ];
    let mut bench = Bench::new(model);
    pull_from_rest(&mut bench);
    bench.stand.brake(20.0);
    bench.listen_ms(500);
    // 10 N·m on 0.25 m, 20 N·m on 0.5 m: 40 N each.
    for channel in [0, 1] {
        let last = bench
            .arrivals
            .iter()
            .rev()
            .find_map(|arrival| match arrival.heard {
                Heard::Force {
                    channel: of,
                    counts,
                } if of == channel => Some(counts),
                _ => None,
            });
        assert_eq!(last, Some(8_400 + 2_000 * 40), "channel {channel}");
    }
    let forces = bench
        .arrivals
        .iter()
        .filter(|it| matches!(it.heard, Heard::Force { .. }));
    assert!(
        (76..=80).contains(&forces.count()),
        "two channels, 80 a second, half a second"
    );
}

/// Throttle, air and lambda by their laws, and nothing outside the converter's range.
#[test]
fn analog_scan_follows_its_laws() {
    let mut model = ideal(10.0);
    model.engine.breathing.mixture = Mixture::constant(0.94);
    for analog in &mut model.analogs {
        analog.noise_counts_rms = 0.0;
    }
    let mut bench = Bench::new(model);
    pull_from_rest(&mut bench);
    bench.listen_ms(300);
    let scans = bench.arrivals.iter().map(|arrival| &arrival.heard);
    let Some(Heard::Analog(counts)) = scans.rev().find(|heard| matches!(heard, Heard::Analog(_)))
    else {
        panic!("no scan")
    };
    // 1 · 4000; (98.6 − 50 kPa)/15 Pa; (301.15 − 243.15 K)/0.025 K; 0.55 · 4000;
    // (0.94 − 0.5)/0.0004.
    assert_eq!(counts, &[4_000, 3_240, 2_320, 2_200, 1_100]);
}

#[test]
fn nine_pulls_fit_in_a_minute() {
    let script = RiderScript::pit_bike(9);
    let mut bench = Bench::new(pit_bike());
    bench.stand.ride(Some(script));
    let mut events = Vec::new();
    let mut fastest = 0.0_f64;
    for _ in 0..600 {
        bench.listen_ms(100);
        events.extend(bench.stand.take_events());
        fastest = fastest.max(bench.stand.truth().omega_engine_rad_per_s);
    }
    let starts = events.iter().filter_map(|event| match event {
        RiderEvent::PullStarted { at_s, .. } => Some(*at_s),
        _ => None,
    });
    let ends = events.iter().filter_map(|event| match event {
        RiderEvent::PullEnded {
            at_s,
            complete: true,
            ..
        } => Some(*at_s),
        _ => None,
    });
    let lengths: Vec<f64> = starts.zip(ends).map(|(start, end)| end - start).collect();
    assert_eq!(lengths.len(), 9, "{events:?}");
    assert!(
        lengths.iter().all(|length| (2.5..3.5).contains(length)),
        "{lengths:?}"
    );
    assert!(
        matches!(events.last(), Some(RiderEvent::Done { .. })),
        "{:?}",
        events.last()
    );
    assert!(
        (rad_per_s(8_700.0)..rad_per_s(9_050.0)).contains(&fastest),
        "{}",
        rpm(fastest)
    );
    assert_eq!(bench.stand.truth().omega_drum_rad_per_s, 0.0);
    assert!(bench.stand.truth().head_k > script.warm_k);
}

/// A pull cut by the board is made again after the release.
#[test]
fn rider_stops_at_a_cut_and_repeats_the_pull() {
    let mut bench = Bench::new(pit_bike());
    bench.listen_ms(30);
    bench.stand.ride(Some(RiderScript::pit_bike(1)));
    bench.say(guarded(0));
    let mut events = Vec::new();
    while events.is_empty() {
        bench.guard_ms(50);
        events.extend(bench.stand.take_events());
    }
    bench.guard_ms(1_000);
    bench.say(HostMessage::Cut { reason: 1 });
    bench.guard_ms(4_000);
    assert_eq!(bench.stand.truth().omega_drum_rad_per_s, 0.0);
    bench.say(HostMessage::Release { cut_id: 1 });
    bench.guard_ms(15_000);
    events.extend(bench.stand.take_events());
    let pulls = events.iter().filter_map(|event| match event {
        RiderEvent::PullEnded { pull, complete, .. } => Some((*pull, *complete)),
        _ => None,
    });
    assert_eq!(
        pulls.collect::<Vec<_>>(),
        [(1, false), (1, true)],
        "{events:?}"
    );
}

#[test]
fn another_setup_can_be_fitted_and_a_bad_model_is_refused() {
    let mut stand = SoftwareStand::new(pit_bike(), SEED).unwrap();
    stand.fit(Engine::pit_bike(Setup::MainJet110)).unwrap();
    assert_eq!(stand.model().engine.setup, "main jet 110");
    let broken = Engine {
        inertia_kg_m2: 0.0,
        ..stand.model().engine.clone()
    };
    let error = stand.fit(broken).unwrap_err();
    assert_eq!(
        error.to_string(),
        "engine.inertia_kg_m2: more than 0 expected, 0 found"
    );
    assert_eq!(
        stand.model().engine.inertia_kg_m2,
        0.006,
        "the old engine stays"
    );

    let mut model = pit_bike();
    model.ratio = f64::NAN;
    assert!(SoftwareStand::new(model, SEED).is_err());
    let mut model = pit_bike();
    model.temperatures.push(TemperatureChannel {
        source: TemperatureSource::Air,
        law: TemperatureLaw::Linear {
            at_zero_k: 0.0,
            k_per_count: 0.0,
        },
        noise_counts_rms: 0.0,
        rate_hz: 1,
    });
    let error = SoftwareStand::new(model, SEED).unwrap_err();
    assert_eq!(
        error.to_string(),
        "temperature.law.k_per_count: not 0 expected, 0 found"
    );
}
