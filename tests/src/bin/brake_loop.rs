//! A brake stand whose load is held by the reference firmware on a simulated chip, in lock-step.
//!
//! Engine, rotor and absorber are the software stand's; its own board has no part in it. Each half millisecond the absorber
//! gets what the chip's pins put out, and the chip gets the teeth, the coil's current and the bytes of the host. Nothing here
//! reads a clock, so every run is the same.
//!
//! Usage: `brake_loop SIMULATOR FIRMWARE.bin`; firmware with "stepper" in its path is one for a stepper.

#![expect(
    clippy::print_stdout,
    clippy::expect_used,
    reason = "a test program: it prints its results and may stop"
)]

use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::process::ExitCode;

use leverarm_live::load_messages;
use leverarm_load::absorber::{Follows, Kind};
use leverarm_load::controller::Q16;
use leverarm_load::settings::settings;
use leverarm_protocol::{
    BoardMessage, BoardState, ChannelKind, CutCause, Decoder, FrameWriter, HostMessage, Limits,
    LoadArm, LoadCommand, LoadDemand, LoadMode, LoadStatus, LoadWhy, TemperatureLimit,
};
use leverarm_software_stand::{AbsorberFault, Relay, SoftwareStand, StandModel, rad_per_s, rpm};
use leverarm_tests::simulated_board::{Board, CYCLES_PER_US};
use leverarm_tests::{Scenario, run_scenarios, scenarios, whole};

const STEP_US: u64 = 500;
const HELD_RPM: f64 = 5_000.0;
/// The firmware's `BRAKE_STEPS` and, with it, the time for a stepper's whole way, s.
const STEPS: i64 = 200;
const STEPS_S: f64 = 0.2;
/// The firmware's `BRAKE_SENSE_FULL`, in millivolt of the converter's 3.3 V.
const FULL_MILLIVOLT: f64 = 3_000.0 * 3_300.0 / 4_096.0;
/// The firmware's `BRAKE_THROTTLE_SHUT` and `BRAKE_THROTTLE_OPEN`, likewise.
const SHUT_MILLIVOLT: f64 = 400.0 * 3_300.0 / 4_096.0;
const OPEN_MILLIVOLT: f64 = 3_600.0 * 3_300.0 / 4_096.0;
const HEARTBEAT_US: u64 = 50_000;

struct Stand {
    chip: Board,
    stand: SoftwareStand,
    decoder: Decoder,
    writer: FrameWriter,
    /// Time of the chip; the stand's began earlier.
    now_us: u64,
    stand_ahead_us: u64,
    /// Angle of the next tooth, in teeth.
    next_tooth: f64,
    has_pickup: bool,
    has_heartbeat: bool,
    has_supply: bool,
    /// The frame that a reset broke off is still to be heard.
    is_broken_off: bool,
    loads: Vec<(u64, LoadStatus)>,
    cause: Option<CutCause>,
    is_cut: bool,
    has_loop: bool,
    stepper: Option<Stepper>,
}

/// A valve on a stepper, with a switch at its closed end.
#[derive(Clone, Copy)]
struct Stepper {
    place: i64,
    has_switch: bool,
}

impl Stand {
    /// Connected, released, armed, and held at full throttle.
    fn held(arguments: &[String; 2], kind: Kind) -> Self {
        let mut it = Self::connected(arguments, kind);
        it.say(&arm(true));
        it.speed(HELD_RPM);
        it.stand.throttle(1.0);
        it.go(0.45);
        assert_eq!(it.load().why, LoadWhy::None, "{:?}", it.load());
        it
    }

    /// The board guarded and released, with its settings; the engine turns without load just below the speed that is to be held.
    fn connected(arguments: &[String; 2], kind: Kind) -> Self {
        let [simulator, firmware] = arguments;
        let mut chip = Board::start(simulator, &[firmware, "500000"]);
        chip.command("thermocouple 01900190"); // 25 degrees Celsius both
        let mut model = StandModel::braked(kind, 1);
        // Left open when the board was switched off.
        let stepper = is_stepper(arguments).then_some(Stepper {
            place: 10,
            has_switch: true,
        });
        if let (Some(_), Some(brake)) = (stepper, &mut model.absorber) {
            for it in [&mut brake.absorber, &mut brake.believed] {
                it.follows = Follows::Valve {
                    stroke_s: STEPS_S,
                    fill_s: 0.015,
                };
            }
        }
        let mut stand = SoftwareStand::new(model, 3).expect("a sound model");
        stand.relay(Relay::Welded);
        stand.absorber_output(Some(0.0));
        stand.clutch(true);
        stand.throttle(0.6);
        let mut bytes = Vec::new();
        while rpm(stand.truth().omega_engine_rad_per_s) < 4_800.0 {
            stand.advance(stand.now_us() + STEP_US, &mut bytes);
        }
        stand.throttle(idle_opening(&stand));
        let teeth = f64::from(stand.model().pickups[0].teeth);
        let mut it = Self {
            next_tooth: (stand.truth().drum_rad / TAU * teeth).ceil(),
            stand_ahead_us: stand.now_us(),
            chip,
            stand,
            decoder: Decoder::new(),
            writer: FrameWriter::new(),
            now_us: 0,
            has_pickup: true,
            has_heartbeat: true,
            has_supply: true,
            is_broken_off: false,
            loads: Vec::new(),
            cause: None,
            is_cut: true,
            has_loop: false,
            stepper,
        };
        it.go(0.04);
        let brake = it.stand.model().absorber.as_ref().expect("a brake");
        let set = settings(&brake.believed, &brake.task);
        let (map, gains) = load_messages(&set, 7);
        for command in [LoadCommand::Map(map), LoadCommand::Gains(gains)] {
            it.say(&HostMessage::Load(command));
        }
        it.say(&HostMessage::Identify);
        it.say(&limits(&[]));
        it.say(&HostMessage::Heartbeat);
        it.say(&HostMessage::Release { cut_id: 1 });
        it.go(0.03);
        assert!(it.has_loop && !it.is_cut && it.chip.lets_run());
        assert_eq!((it.load().settings, it.load().is_armed), (7, false));
        it
    }

    fn say(&mut self, message: &HostMessage) {
        let bytes = self.writer.write(0, message).expect("it fits");
        let mut hex = String::new();
        for byte in bytes {
            write!(hex, "{byte:02x}").expect("a string");
        }
        let at = self.now_us * CYCLES_PER_US;
        self.chip.command(&format!("receive {at} {hex}"));
    }

    fn demand(&mut self, mode: LoadMode, target: f64) {
        #[expect(clippy::cast_possible_truncation, reason = "far within")]
        let target = (target * Q16 as f64) as i32;
        self.say(&HostMessage::Load(LoadCommand::Demand(LoadDemand {
            mode,
            target,
            rate: 0,
            square: 0,
        })));
    }

    fn speed(&mut self, crank_rpm: f64) {
        let ratio = self.stand.model().ratio;
        self.demand(LoadMode::Speed, rad_per_s(crank_rpm) / ratio);
    }

    fn go(&mut self, for_s: f64) {
        let steps = whole(for_s * 1e6) / STEP_US;
        for _ in 0..steps {
            self.step();
        }
    }

    /// What the pins put out, 1 being what full load needs.
    fn output(&mut self) -> f64 {
        if let Some(it) = &mut self.stepper {
            self.chip.command("steps");
            let steps = std::mem::take(&mut self.chip.steps);
            // Without its supply it stays where it is.
            if self.has_supply {
                it.place = (it.place + steps).clamp(0, STEPS);
            }
            let at_end = u8::from(it.has_switch && it.place == 0);
            self.chip.command(&format!("brake_end {at_end}"));
            return it.place as f64 / STEPS as f64;
        }
        self.chip.command("brake");
        let (high, period, is_back) = self.chip.brake;
        let brake = self.stand.model().absorber.as_ref().expect("a brake");
        let set = settings(&brake.believed, &brake.task);
        let most = set.output_max as f64 / Q16 as f64;
        match brake.absorber.kind {
            // A servo's pulse of 1 to 2 ms.
            Kind::Water => ((high / period) * (period / 48_000.0) - 1.0).clamp(0.0, 1.0),
            _ if is_back => -most * high / period,
            _ => most * high / period,
        }
    }

    fn step(&mut self) {
        if self.has_heartbeat && self.now_us.is_multiple_of(HEARTBEAT_US) {
            self.say(&HostMessage::Heartbeat);
        }
        let output = self.output();
        self.stand.absorber_output(Some(output));
        self.stand.ignition(self.chip.lets_run());
        let from = self.stand.truth();
        let mut bytes = Vec::new();
        let until_us = self.now_us + STEP_US;
        self.stand
            .advance(self.stand_ahead_us + until_us, &mut bytes);
        let to = self.stand.truth();
        // Teeth as they pass in this step, each a little out of its place.
        let teeth = f64::from(self.stand.model().pickups[0].teeth);
        let place = |angle: f64| angle / TAU * teeth;
        let mut edges = String::new();
        while self.next_tooth < place(to.drum_rad) {
            let out = 0.02 * (self.next_tooth * 2.4).sin();
            let share = (self.next_tooth + out - place(from.drum_rad))
                / (place(to.drum_rad) - place(from.drum_rad));
            let at = (self.now_us as f64 + share.clamp(0.0, 1.0) * STEP_US as f64)
                * CYCLES_PER_US as f64;
            write!(edges, " {at:.0}").expect("a string");
            self.next_tooth += 1.0;
        }
        if self.has_pickup && !edges.is_empty() {
            self.chip.command(&format!("edges 0{edges}"));
        }
        let millivolt = self.stand.absorber_level() * FULL_MILLIVOLT;
        self.chip.command(&format!("analog 0 {millivolt:.0}"));
        let millivolt = SHUT_MILLIVOLT + to.throttle * (OPEN_MILLIVOLT - SHUT_MILLIVOLT);
        self.chip.command(&format!("analog 1 {millivolt:.0}"));
        let supply = u8::from(self.has_supply);
        self.chip.command(&format!("brake_supply {supply}"));
        self.chip
            .command(&format!("run {}", until_us * CYCLES_PER_US));
        self.now_us = until_us;
        self.hear();
    }

    fn reset(&mut self) {
        self.chip.command("reset 8");
        self.is_broken_off = true;
    }

    fn hear(&mut self) {
        for (_, bytes) in std::mem::take(&mut self.chip.sent) {
            let now_us = self.now_us;
            self.decoder.feed(&bytes, &mut |frame| {
                if frame.is_err() && std::mem::take(&mut self.is_broken_off) {
                    return;
                }
                let frame = frame.expect("no frame is damaged");
                match BoardMessage::parse(&frame).expect("a sound frame") {
                    BoardMessage::Load(status) => self.loads.push((now_us, status)),
                    BoardMessage::Status(status) => {
                        self.is_cut = status.state == BoardState::Cut;
                        self.cause = status.cause;
                    }
                    BoardMessage::Hello(hello) => {
                        self.has_loop |= hello
                            .channels()
                            .any(|it| it.kind == ChannelKind::Load && it.rate_hz >= 200);
                    }
                    _ => {}
                }
            });
        }
    }

    fn load(&self) -> LoadStatus {
        self.loads.last().expect("a board tells of its load").1
    }

    fn mean_rpm(&mut self, for_s: f64) -> f64 {
        let from = self.stand.truth();
        self.go(for_s);
        let to = self.stand.truth();
        rpm((to.crank_rad - from.crank_rad) / (to.time_s - from.time_s))
    }

    /// How far the mean of a working cycle is off at most, percent, in so many cycles.
    fn off_percent(&mut self, cycles: u32) -> f64 {
        let off = |rpm: f64| (rpm / HELD_RPM - 1.0).abs() * 100.0;
        (0..cycles).fold(0.0, |most: f64, _| most.max(off(self.mean_rpm(0.024))))
    }

    /// Goes on for some time; the engine has to be cut meanwhile. Gives when, s, and by how much it gained, in percent.
    fn until_cut(&mut self, for_s: f64) -> (f64, f64) {
        let begin_us = self.now_us;
        let mut gain = 0.0_f64;
        let until_us = begin_us + whole(for_s * 1e6);
        while self.now_us < until_us {
            self.step();
            let now = rpm(self.stand.truth().omega_engine_rad_per_s);
            gain = gain.max((now / HELD_RPM - 1.0) * 100.0);
        }
        let cut = self.chip.cut_at(begin_us * CYCLES_PER_US);
        let cut = cut.expect("the engine is cut");
        let after_s = (cut / CYCLES_PER_US - begin_us) as f64 * 1e-6;
        (after_s, gain)
    }

    /// The order: the engine is cut, the brake holds on, then lets go and is not armed.
    fn holds_on_then_lets_go(&mut self, why: LoadWhy) {
        assert!(!self.chip.lets_run());
        assert_eq!(self.load().why, why, "{:?}", self.load());
        let stall = 40.0;
        // A speed that is only reckoned falls later than the real one, which the engine's drag slows too.
        for _ in 0..400 {
            self.go(0.005);
            let speed = self.stand.truth().omega_drum_rad_per_s;
            if speed > 1.6 * stall {
                let load = self.load();
                assert!(load.output > 0, "it holds on at {speed}: {load:?}");
            } else if !self.load().is_armed {
                break;
            }
        }
        let load = self.load();
        assert!(load.output <= 0 && !load.is_armed, "{load:?}");
    }
}

fn limits(temperatures: &[TemperatureLimit]) -> HostMessage {
    HostMessage::Limits(Limits {
        heartbeat_timeout_ms: 250,
        temperatures: temperatures.iter().copied().collect(),
        ..Limits::default()
    })
}

fn arm(is_armed: bool) -> HostMessage {
    HostMessage::Load(LoadCommand::Arm(LoadArm { is_armed }))
}

/// The opening at which the engine turns as fast as it does, without load.
fn idle_opening(stand: &SoftwareStand) -> f64 {
    let (model, truth) = (stand.model(), stand.truth());
    let drag_nm = model.engine.drag.torque_nm(truth.omega_engine_rad_per_s);
    let lost_nm = model.drum.losses.torque_nm(truth.omega_drum_rad_per_s) / model.ratio;
    let firing_nm = truth.standard_torque_nm / model.air.torque_divisor;
    (lost_nm + drag_nm) / (firing_nm + drag_nm)
}

/// It holds the speed through a single's pulses, follows a step, and takes a snapped throttle.
fn holds_steps_and_takes_a_snap(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    let held = it.mean_rpm(0.5);
    assert!((held / HELD_RPM - 1.0).abs() < 0.003, "{held}");
    it.stand.throttle(0.25);
    let off = it.off_percent(8);
    assert!(off < 4.0, "{off}");
    it.stand.throttle(1.0);
    it.go(0.2);
    it.speed(6_000.0);
    it.go(0.35);
    let stepped = it.mean_rpm(0.1);
    assert!((stepped / 6_000.0 - 1.0).abs() < 0.01, "{stepped}");
    assert_eq!(it.load().why, LoadWhy::None);
    // Off at the person's word, at the rate of the torque mode, and then not armed.
    it.stand.throttle(0.0);
    it.say(&arm(false));
    it.go(0.9);
    assert_eq!((it.load().output, it.load().is_armed), (0, false));
    format!("{held:.1} rpm for 5000, {off:.1} % off when the throttle is snapped shut to a quarter")
}

/// The coil's circuit opens: its current says so.
fn a_lost_coil_cuts(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.stand.absorber_fault(AbsorberFault::Lost);
    let (cut_s, gain) = it.until_cut(0.15);
    assert!(cut_s < 0.03 && gain < 10.0, "{cut_s} {gain}");
    assert_eq!(it.cause, Some(CutCause::Load));
    let load = it.load();
    assert!(load.why == LoadWhy::LoadLost && load.output > 0, "{load:?}");
    format!("{:.1} ms, the engine gained {gain:.1} %", cut_s * 1e3)
}

/// A coupling parts: nothing but the speed tells.
fn a_parted_coupling_cuts(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, kind_of(arguments));
    it.stand.absorber_fault(AbsorberFault::Parted);
    let (cut_s, gain) = it.until_cut(0.1);
    assert!(gain < 10.0, "{cut_s} {gain}");
    assert_eq!(
        (it.load().why, it.cause),
        (LoadWhy::LoadLost, Some(CutCause::Load))
    );
    format!("{:.1} ms, the engine gained {gain:.1} %", cut_s * 1e3)
}

/// The same at 40 % throttle, which the board reads: it was not opened, so that it explains nothing.
fn a_parted_coupling_cuts_at_part_throttle(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.stand.throttle(0.4);
    it.go(1.5);
    it.stand.absorber_fault(AbsorberFault::Parted);
    let (cut_s, gain) = it.until_cut(0.2);
    assert!(cut_s < 0.1 && gain < 3.0, "{cut_s} {gain}");
    assert_eq!(it.load().why, LoadWhy::LoadLost);
    format!("{:.1} ms, the engine gained {gain:.1} %", cut_s * 1e3)
}

/// The switch in the supply's way opens.
fn a_lost_supply_cuts(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.has_supply = false;
    let (cut_s, _) = it.until_cut(0.02);
    assert!(cut_s < 0.01, "{cut_s}");
    it.holds_on_then_lets_go(LoadWhy::LoadLost);
    format!("{:.1} ms", cut_s * 1e3)
}

/// The driver gives all it can: the engine is cut before it stalls.
fn a_driver_stuck_full_cuts(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.stand.absorber_fault(AbsorberFault::Full);
    let (cut_s, _) = it.until_cut(0.15);
    assert_eq!(it.load().why, LoadWhy::LoadLost);
    assert!(cut_s < 0.1, "{cut_s}");
    format!("{:.1} ms", cut_s * 1e3)
}

/// The host falls silent, or its port is gone: the board alone does the rest.
fn a_silent_host_cuts_and_the_brake_holds_on(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, kind_of(arguments));
    it.has_heartbeat = false;
    let (cut_s, gain) = it.until_cut(0.3);
    assert_eq!(it.cause, Some(CutCause::HeartbeatLost));
    assert!(cut_s < 0.26 && gain < 2.0, "{cut_s} {gain}");
    it.holds_on_then_lets_go(LoadWhy::Cut);
    format!("{:.0} ms", cut_s * 1e3)
}

/// The pickup falls silent under load: no brake stops that fast.
fn a_dead_pickup_cuts_and_the_brake_holds_on(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.has_pickup = false;
    let (cut_s, _) = it.until_cut(0.05);
    assert!(cut_s < 0.02, "{cut_s}");
    assert_eq!(it.cause, Some(CutCause::Load));
    it.holds_on_then_lets_go(LoadWhy::SensorLost);
    format!("{:.1} ms", cut_s * 1e3)
}

/// A thermocouple above its limit: engine off, brake on.
fn too_hot_cuts_and_the_brake_holds_on(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.say(&limits(&[TemperatureLimit::new(0, 400)]));
    it.go(0.02);
    it.chip.command("thermocouple 40000190"); // 1024 degrees Celsius
    let (cut_s, _) = it.until_cut(0.12);
    it.go(0.05);
    assert!(it.load().why == LoadWhy::TooHot && it.load().output > 0);
    format!("{:.0} ms", cut_s * 1e3)
}

/// Whoever did not arm it gets no load, nor does a rotor that stands.
fn no_load_unarmed_or_at_rest(arguments: &[String; 2]) -> String {
    let mut it = Stand::connected(arguments, Kind::EddyCurrent);
    it.speed(3_000.0);
    it.go(0.1);
    assert_eq!((it.load().why, it.load().output), (LoadWhy::NotArmed, 0));
    assert!(it.stand.absorber_level() < 0.01);
    // No teeth: it stands, for all the board knows.
    it.has_pickup = false;
    it.go(0.5);
    it.say(&arm(true));
    it.demand(LoadMode::Torque, 30.0);
    it.go(0.2);
    assert!(it.load().output <= 0, "{:?}", it.load());
    assert!(it.stand.absorber_level() < 0.01);
    String::new()
}

/// A board that starts again has let go, and holds nothing until it has settings and a person's word again.
fn a_restart_lets_go(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::EddyCurrent);
    it.reset();
    it.go(0.1);
    assert!(!it.chip.lets_run());
    assert_eq!(it.load().why, LoadWhy::NotSet);
    assert!(it.stand.absorber_level() < 0.4, "it decays");
    it.say(&arm(true));
    it.speed(3_000.0);
    it.go(0.05);
    assert_eq!((it.load().is_armed, it.load().output), (false, 0));
    String::new()
}

/// From wherever it was left it finds its end, holds a speed, takes a snapped throttle, and is shut when the load is off.
fn a_stepper_holds(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::Hydraulic);
    it.go(0.5);
    let held = it.mean_rpm(1.0);
    assert!((held / HELD_RPM - 1.0).abs() < 0.003, "{held}");
    it.stand.throttle(0.5);
    let off = it.off_percent(20);
    assert!(
        off < 6.0 && it.load().why == LoadWhy::None,
        "{off} {:?}",
        it.load()
    );
    it.stand.throttle(0.0);
    it.say(&arm(false));
    it.go(1.0);
    assert_eq!((it.load().output, it.load().is_armed), (0, false));
    assert_eq!(it.stepper.expect("a stepper").place, 0);
    format!("{held:.1} rpm for 5000, {off:.1} % off when the throttle is snapped half shut")
}

/// A switch that never closes: the end is not known, and nothing is armed.
fn a_stepper_without_its_end_is_not_armed(arguments: &[String; 2]) -> String {
    let mut it = Stand::connected(arguments, Kind::Hydraulic);
    it.stepper.as_mut().expect("a stepper").has_switch = false;
    // Its supply comes and goes: it has to be looked for again.
    it.has_supply = false;
    it.go(0.05);
    it.has_supply = true;
    it.go(0.7);
    it.say(&arm(true));
    it.speed(3_000.0);
    it.go(0.2);
    assert_eq!((it.load().settings, it.load().is_armed), (7, false));
    assert_eq!(it.load().output, 0);
    String::new()
}

/// The valve slips shut: its end switch says so at once.
fn a_steppers_lost_steps_cut(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::Hydraulic);
    it.go(0.5);
    it.stepper.as_mut().expect("a stepper").place = 0;
    let (cut_s, gain) = it.until_cut(0.15);
    assert_eq!(
        (it.load().why, it.cause),
        (LoadWhy::LoadLost, Some(CutCause::Load))
    );
    assert!(cut_s < 0.02 && gain < 10.0, "{cut_s} {gain}");
    format!("{:.1} ms, the engine gained {gain:.1} %", cut_s * 1e3)
}

/// The motor's supply is gone: the valve stays where it is, the engine is cut, and with the supply back the end is looked for before
/// it holds on.
fn a_stepper_without_supply_stays_and_cuts(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::Hydraulic);
    it.go(0.5);
    it.has_supply = false;
    let before = it.stepper.expect("a stepper").place;
    let (cut_s, _) = it.until_cut(0.1);
    assert!(cut_s < 0.01, "{cut_s}");
    it.go(0.2);
    assert_eq!(it.stepper.expect("a stepper").place, before);
    it.has_supply = true;
    // It shuts, counts again, holds on, and lets go at last.
    let mut least = before;
    for _ in 0..800 {
        it.go(0.005);
        least = least.min(it.stepper.expect("a stepper").place);
    }
    assert_eq!((least, it.load().is_armed), (0, false));
    assert_eq!(it.stepper.expect("a stepper").place, 0);
    format!("{:.1} ms", cut_s * 1e3)
}

/// A board that starts again finds its valve where it was, and shuts it.
fn a_steppers_restart_shuts_the_valve(arguments: &[String; 2]) -> String {
    let mut it = Stand::held(arguments, Kind::Hydraulic);
    it.go(0.5);
    assert!(it.stepper.expect("a stepper").place > 40);
    it.reset();
    let mut shut_s = 0.0;
    while it.stepper.expect("a stepper").place > 0 && shut_s < 1.0 {
        it.step();
        shut_s += STEP_US as f64 * 1e-6;
    }
    assert!(!it.chip.lets_run() && shut_s < 0.5, "{shut_s}");
    assert_eq!(it.load().why, LoadWhy::NotSet);
    format!("{shut_s:.2} s after the reset")
}

fn is_stepper(arguments: &[String; 2]) -> bool {
    arguments[1].contains("stepper")
}

fn kind_of(arguments: &[String; 2]) -> Kind {
    if is_stepper(arguments) {
        Kind::Hydraulic
    } else {
        Kind::EddyCurrent
    }
}

const SCENARIOS: &[(&str, Scenario<[String; 2]>)] = scenarios![
    holds_steps_and_takes_a_snap,
    a_lost_coil_cuts,
    a_parted_coupling_cuts,
    a_parted_coupling_cuts_at_part_throttle,
    a_lost_supply_cuts,
    a_driver_stuck_full_cuts,
    a_silent_host_cuts_and_the_brake_holds_on,
    a_dead_pickup_cuts_and_the_brake_holds_on,
    too_hot_cuts_and_the_brake_holds_on,
    no_load_unarmed_or_at_rest,
    a_restart_lets_go,
];

/// Those of firmware for a stepper.
const STEPPERS: &[(&str, Scenario<[String; 2]>)] = scenarios![
    a_stepper_holds,
    a_stepper_without_its_end_is_not_armed,
    a_steppers_lost_steps_cut,
    a_stepper_without_supply_stays_and_cuts,
    a_steppers_restart_shuts_the_valve,
    a_parted_coupling_cuts,
    a_silent_host_cuts_and_the_brake_holds_on,
];

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let (paths, wanted) = arguments.split_at(arguments.len().min(2));
    let Ok(paths) = <[String; 2]>::try_from(paths.to_vec()) else {
        println!("usage: brake_loop SIMULATOR FIRMWARE.bin [part of a name]...");
        return ExitCode::FAILURE;
    };
    let scenarios = if is_stepper(&paths) {
        STEPPERS
    } else {
        SCENARIOS
    };
    run_scenarios(scenarios, wanted, &paths)
}
