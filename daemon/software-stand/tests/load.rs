//! The loop on simulated brakes: what it holds, and what it does when something fails.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use leverarm_live::load_messages;
use leverarm_load::absorber::Kind;
use leverarm_load::controller::{Demand, Mode, Outputs, Q16, Settings, Why};
use leverarm_load::settings::settings;
use leverarm_protocol::{
    BoardMessage, ChannelKind, Decoder, FrameWriter, HostMessage, LoadArm, LoadCommand, LoadDemand,
    LoadMode, LoadWhy,
};
use leverarm_software_stand::{
    AbsorberFault, PickupFault, SoftwareStand, StandModel, rad_per_s, rpm,
};

const KINDS: [Kind; 3] = [Kind::EddyCurrent, Kind::Water, Kind::Hydraulic];

struct Braked(SoftwareStand, Vec<u8>);

impl Braked {
    fn new(model: StandModel) -> Self {
        let mut stand = SoftwareStand::new(model, 5).unwrap();
        stand.clutch(true);
        Self(stand, Vec::new())
    }

    /// Armed, at full throttle, and held at a speed of the crank.
    fn held(model: StandModel, speed_rpm: f64) -> Self {
        let mut it = Self::new(model);
        it.0.throttle(1.0);
        it.0.arm_load();
        it.speed(speed_rpm, 0.0);
        it.go(6.0);
        it
    }

    fn go(&mut self, for_s: f64) {
        let until = self.0.now_us() as f64 + for_s * 1e6;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "some seconds"
        )]
        self.0.advance(until as u64, &mut self.1);
        self.1.clear();
    }

    fn demand(&mut self, mode: Mode, target: f64, rate: f64) {
        #[expect(clippy::cast_possible_truncation, reason = "far within")]
        let whole = |value: f64| (value * Q16 as f64) as i64;
        self.0.demand_load(Demand {
            mode,
            target: whole(target),
            rate: whole(rate),
            square: 0,
        });
    }

    /// Speed of the crank, and rev/min per second; 0: as fast as it goes.
    fn speed(&mut self, speed_rpm: f64, rate_rpm: f64) {
        let ratio = self.0.model().ratio;
        self.demand(
            Mode::Speed,
            rad_per_s(speed_rpm) / ratio,
            rad_per_s(rate_rpm) / ratio,
        );
    }

    fn mean_rpm(&mut self, for_s: f64) -> f64 {
        let from = self.0.truth();
        self.go(for_s);
        let to = self.0.truth();
        rpm((to.crank_rad - from.crank_rad) / (to.time_s - from.time_s))
    }

    fn load(&self) -> Outputs {
        self.0.load().unwrap()
    }

    /// Time until the board cuts, s, and the highest speed until it stands or 4 s are over.
    fn until_cut(&mut self) -> (f64, f64) {
        let (begin, mut cut_s, mut highest) = (self.0.truth().time_s, f64::INFINITY, 0.0_f64);
        for _ in 0..4_000 {
            self.go(0.001);
            let truth = self.0.truth();
            highest = highest.max(rpm(truth.omega_engine_rad_per_s));
            if truth.cut {
                cut_s = cut_s.min(truth.time_s - begin);
            }
            let torque = truth.brake_nm;
            let stands = truth.omega_drum_rad_per_s < rad_per_s(300.0);
            assert!(
                !stands || torque < 3.0,
                "{torque} N·m at {}",
                rpm(truth.omega_drum_rad_per_s)
            );
            if truth.cut && truth.omega_drum_rad_per_s < 1.0 {
                break;
            }
        }
        (cut_s, highest)
    }
}

#[test]
fn holds_steps_and_sweeps() {
    for kind in KINDS {
        let mut it = Braked::held(StandModel::braked(kind, 1), 5_000.0);
        let mean = it.mean_rpm(1.0);
        assert!((mean / 5_000.0 - 1.0).abs() < 0.003, "{kind:?}: {mean}");
        // A sweep is at its rate, and straight.
        it.speed(7_000.0, 500.0);
        it.go(1.0);
        let (early, late) = (it.mean_rpm(0.2), {
            it.go(1.8);
            it.mean_rpm(0.2)
        });
        assert!(
            ((late - early) / 1_000.0 - 1.0).abs() < 0.02,
            "{kind:?}: {early} to {late}"
        );
        it.speed(4_000.0, 0.0);
        it.go(2.0);
        let mean = it.mean_rpm(1.0);
        assert!((mean / 4_000.0 - 1.0).abs() < 0.003, "{kind:?}: {mean}");
        assert_eq!(it.load().why, Why::None);
        assert_eq!(it.load().backed_off, 0);
    }
}

/// Torque and road modes give what they are told, and don't let the speed pass its limit.
#[test]
fn holds_a_torque_and_a_road() {
    for kind in KINDS {
        let mut it = Braked::held(StandModel::braked(kind, 1), 5_000.0);
        let before = it.0.truth().brake_nm;
        it.demand(Mode::Torque, 24.0, 0.0);
        it.go(0.002);
        let after = it.0.truth().brake_nm;
        assert!(
            (after - before).abs() < 3.0,
            "{kind:?}: bumpless, {before} to {after}"
        );
        let mut sum = 0.0;
        it.go(1.5);
        for _ in 0..1_000 {
            it.go(0.001);
            sum += it.0.truth().brake_nm / 1_000.0;
        }
        assert!((sum - 24.0).abs() < 1.5, "{kind:?}: {sum} N·m");
        // Too little for this engine: it runs up to the limit, and is held there.
        it.demand(Mode::Torque, 5.0, 0.0);
        it.go(4.0);
        let drum = rad_per_s(it.mean_rpm(1.0)) / it.0.model().ratio;
        assert!(drum < 1.02 * 390.0, "{kind:?}: {drum} rad/s");
        // 2 N·m, and 0.05 N·m per rad/s, meet the engine's torque somewhere below.
        it.demand(Mode::Road, 2.0, 0.12);
        it.go(4.0);
        let truth = it.0.truth();
        let road = 2.0 + 0.12 * truth.omega_drum_rad_per_s;
        assert!(
            (it.load().torque as f64 / Q16 as f64 - road).abs() < 1.0,
            "{kind:?}: {road}"
        );
        assert_eq!(it.load().why, Why::None, "{kind:?}");
    }
}

/// Without a person's word, and at standstill, there is no load.
#[test]
fn no_load_unarmed_or_at_rest() {
    let mut it = Braked::new(StandModel::braked(Kind::EddyCurrent, 1));
    it.0.throttle(1.0);
    it.speed(3_000.0, 0.0);
    it.go(4.0);
    assert_eq!((it.load().output, it.load().why), (0, Why::NotArmed));
    let mut it = Braked::new(StandModel::braked(Kind::EddyCurrent, 1));
    it.0.ignition(false);
    it.0.arm_load();
    it.demand(Mode::Torque, 30.0, 0.0);
    it.go(1.0);
    assert_eq!((it.load().output, it.0.truth().brake_nm), (0, 0.0));
}

/// Whatever is lost, the engine is cut before it gains a tenth.
#[test]
fn loss_of_load_cuts() {
    for kind in KINDS {
        for fault in [AbsorberFault::Lost, AbsorberFault::Parted] {
            let mut it = Braked::held(StandModel::braked(kind, 1), 5_000.0);
            it.0.absorber_fault(fault);
            let (cut_s, highest) = it.until_cut();
            assert!(
                cut_s < 0.15 && highest < 5_500.0,
                "{kind:?} {fault:?}: {cut_s} s, {highest}"
            );
            assert_eq!(it.load().why, Why::LoadLost);
        }
    }
}

/// A throttle that is snapped open or shut is no loss of load, nor is a misfire.
#[test]
fn throttle_and_misfires_are_no_loss() {
    for kind in KINDS {
        let mut model = StandModel::braked(kind, 1);
        model.engine.cycles.misfire_probability = 0.01;
        let mut it = Braked::held(model, 5_000.0);
        for opening in [0.0, 1.0, 0.3, 1.0] {
            it.0.throttle(opening);
            it.go(0.5);
        }
        it.go(2.0);
        assert_eq!(
            (it.load().why, it.0.truth().cut),
            (Why::None, false),
            "{kind:?}"
        );
    }
}

/// The pickup dies under load: the engine is cut, the brake holds on while it can't have stopped, then lets go.
#[test]
fn a_dead_pickup_cuts_and_the_brake_holds_on() {
    let mut it = Braked::held(StandModel::braked(Kind::Hydraulic, 1), 5_000.0);
    it.0.pickup_fault(
        0,
        PickupFault {
            is_dead: true,
            ..PickupFault::default()
        },
    );
    it.go(0.05);
    assert_eq!((it.load().why, it.0.truth().cut), (Why::SensorLost, true));
    it.go(0.1);
    assert!(it.0.truth().brake_nm > 10.0);
    it.go(4.0);
    assert_eq!(it.load().output, 0);
}

/// Full output, and the speed goes on rising.
#[test]
fn an_engine_stronger_than_its_brake_is_cut() {
    let mut model = StandModel::braked(Kind::EddyCurrent, 1);
    let brake = model.absorber.as_mut().unwrap();
    for (believed, real) in brake
        .believed
        .full_torque
        .iter_mut()
        .zip(&mut brake.absorber.full_torque)
    {
        believed.1 *= 0.35;
        real.1 *= 0.35;
    }
    let mut it = Braked::new(model);
    it.0.throttle(0.5);
    it.0.arm_load();
    it.speed(5_000.0, 0.0);
    it.go(8.0);
    assert_eq!(it.load().why, Why::None);
    it.0.throttle(1.0);
    let (cut_s, highest) = it.until_cut();
    assert!(cut_s < 0.5 && highest < 5_500.0, "{cut_s} s, {highest}");
    assert_eq!(it.load().why, Why::Saturated);
}

/// The host falls silent: the board cuts by its heartbeat, and the brake stops the engine.
#[test]
fn a_cut_keeps_the_brake_until_it_stands() {
    let mut it = Braked::held(StandModel::braked(Kind::EddyCurrent, 1), 5_000.0);
    let mut writer = FrameWriter::new();
    let frame = writer
        .write(0, &HostMessage::Cut { reason: 1 })
        .unwrap()
        .to_vec();
    it.0.receive(&frame);
    let before = it.0.truth().omega_drum_rad_per_s;
    it.go(0.2);
    let truth = it.0.truth();
    assert!(truth.cut && truth.omega_drum_rad_per_s < 0.9 * before);
    assert_eq!(it.load().why, Why::Cut);
    it.until_cut();
    // It takes a person's word again.
    it.0.throttle(0.0);
    it.go(1.0);
    assert_eq!(it.load().output, 0);
}

/// What the stand file has wrong by as much as a first guess: it holds all the same, or says that it swings.
#[test]
fn a_wrong_map_is_made_up_for() {
    for (torque, inertia) in [(0.8, 1.2), (1.2, 0.85)] {
        for kind in KINDS {
            let mut model = StandModel::braked(kind, 1);
            let brake = model.absorber.as_mut().unwrap();
            for point in &mut brake.believed.full_torque {
                point.1 *= torque;
            }
            brake.task.inertia_kg_m2 *= inertia;
            // Nobody believes a torque sensor against such a map.
            brake.torque_sensor_s = f64::INFINITY;
            let mut it = Braked::held(model, 5_000.0);
            it.go(2.0);
            let mean = it.mean_rpm(1.0);
            assert!(
                (mean / 5_000.0 - 1.0).abs() < 0.003,
                "{kind:?} {torque}: {mean}"
            );
        }
    }
}

/// What the host says for settings.
fn said_of(set: &Settings, number: u16) -> [HostMessage; 2] {
    let (map, gains) = load_messages(set, number);
    [LoadCommand::Map(map), LoadCommand::Gains(gains)].map(HostMessage::Load)
}

/// All of it as it goes over the wire: settings, a person's word, a set point, and what the board tells of them. A board without
/// a brake lists no loop, and says nothing of one.
#[test]
fn a_host_sets_arms_and_watches() {
    let model = StandModel::braked(Kind::EddyCurrent, 1);
    let set = {
        let brake = model.absorber.as_ref().unwrap();
        settings(&brake.believed, &brake.task)
    };
    let mut writer = FrameWriter::new();
    let mut heard = |stand: &mut SoftwareStand, for_us: u64, said: &[HostMessage]| {
        for message in said {
            stand.receive(writer.write(0, message).unwrap());
        }
        let (mut bytes, mut statuses, mut has_loop) = (Vec::new(), Vec::new(), false);
        stand.advance(stand.now_us() + for_us, &mut bytes);
        let mut decoder = Decoder::new();
        decoder.feed(
            &bytes,
            &mut |frame| match BoardMessage::parse(&frame.unwrap()).unwrap() {
                BoardMessage::Load(status) => statuses.push(status),
                BoardMessage::Hello(hello) => {
                    has_loop |= hello.channels().any(|it| it.kind == ChannelKind::Load)
                }
                _ => {}
            },
        );
        (statuses, has_loop)
    };
    let mut stand = SoftwareStand::new(model.clone(), 5).unwrap();
    stand.clutch(true);
    stand.throttle(1.0);
    let (statuses, has_loop) = heard(&mut stand, 100_000, &[]);
    assert!(
        has_loop && statuses.iter().all(|it| !it.is_armed && it.settings == 0),
        "{statuses:?}"
    );

    // Settings that divide by 0 are not taken.
    let mut wrong = set.clone();
    wrong.inertia = 0;
    let said = said_of(&wrong, 3);
    let (statuses, _) = heard(&mut stand, 100_000, &said);
    assert_eq!(statuses.last().unwrap().settings, 0);
    // Half of them neither.
    let said = said_of(&set, 7);
    let (statuses, _) = heard(&mut stand, 100_000, &said[..1]);
    assert_eq!(statuses.last().unwrap().settings, 0);
    let (statuses, _) = heard(&mut stand, 100_000, &said[1..]);
    assert_eq!(statuses.last().unwrap().settings, 7);

    let target = rad_per_s(5_000.0) / model.ratio * Q16 as f64;
    #[expect(clippy::cast_possible_truncation, reason = "far within")]
    let demand = LoadDemand {
        mode: LoadMode::Speed,
        target: target as i32,
        rate: 0,
        square: 0,
    };
    // Without a person's word nothing happens.
    let demand = HostMessage::Load(LoadCommand::Demand(demand));
    let (statuses, _) = heard(&mut stand, 200_000, std::slice::from_ref(&demand));
    assert_eq!(
        (
            statuses.last().unwrap().why,
            statuses.last().unwrap().output
        ),
        (LoadWhy::NotArmed, 0)
    );
    let arm = |is_armed| HostMessage::Load(LoadCommand::Arm(LoadArm { is_armed }));
    let (statuses, _) = heard(&mut stand, 6_000_000, &[arm(true), demand]);
    let last = statuses.last().unwrap();
    assert!(
        statuses.len() >= 60,
        "ten a second and more: {}",
        statuses.len()
    );
    assert!(
        (f64::from(last.speed) / target - 1.0).abs() < 0.01,
        "{last:?}"
    );
    assert_eq!(
        (last.mode, last.is_armed, last.why),
        (LoadMode::Speed, true, LoadWhy::None)
    );
    // New settings wait for the load to end.
    let said = said_of(&set, 8);
    let (statuses, _) = heard(&mut stand, 100_000, &said);
    assert_eq!(statuses.last().unwrap().settings, 7);
    stand.throttle(0.0);
    let (statuses, _) = heard(&mut stand, 2_000_000, &[arm(false)]);
    let last = statuses.last().unwrap();
    assert_eq!(
        (last.is_armed, last.why, last.output),
        (false, LoadWhy::NotArmed, 0),
        "{last:?}"
    );

    let mut stand = SoftwareStand::new(StandModel::pit_bike(), 5).unwrap();
    let (statuses, has_loop) = heard(&mut stand, 500_000, &said_of(&set, 7));
    assert!(!has_loop && statuses.is_empty());
}

/// From any mode into any other the torque goes on from where it was.
#[test]
fn changes_of_mode_are_bumpless() {
    for kind in KINDS {
        let mut it = Braked::held(StandModel::braked(kind, 1), 5_000.0);
        let held = it.load().engine as f64 / Q16 as f64;
        let drum = it.0.truth().omega_drum_rad_per_s;
        for (mode, target) in [
            (Mode::Torque, held),
            (Mode::Speed, drum),
            (Mode::Road, held),
            (Mode::Torque, held),
            (Mode::Road, held),
            (Mode::Speed, drum),
        ] {
            let before = it.0.truth().brake_nm;
            it.demand(mode, target, 0.0);
            it.go(0.002);
            let after = it.0.truth().brake_nm;
            assert!(
                (after - before).abs() < 0.1 * held,
                "{kind:?}, {mode:?}: {before} to {after}, of {held} N·m"
            );
            it.go(0.3);
        }
        it.go(2.0);
        assert_eq!(it.load().why, Why::None, "{kind:?}");
    }
}

/// How far a speed is passed for which the engine was too weak for so long, when the throttle is opened at last.
fn overshoot_after(kind: Kind, for_s: f64) -> f64 {
    let mut it = Braked::held(StandModel::braked(kind, 1), 5_000.0);
    it.0.throttle(0.08);
    it.go(1.0);
    it.speed(6_500.0, 0.0);
    it.go(for_s);
    assert!(it.mean_rpm(0.1) < 6_300.0, "{kind:?}: too weak for it");
    it.0.throttle(1.0);
    let mut highest = 0.0_f64;
    for _ in 0..100 {
        highest = highest.max(it.mean_rpm(0.03));
    }
    assert_eq!(it.load().why, Why::None, "{kind:?}");
    assert!((it.mean_rpm(1.0) / 6_500.0 - 1.0).abs() < 0.01, "{kind:?}");
    highest / 6_500.0 - 1.0
}

/// What the loop has waited for does not wind it up.
#[test]
fn waiting_does_not_wind_up() {
    for kind in KINDS {
        let [short, long] = [0.5, 8.0].map(|for_s| overshoot_after(kind, for_s));
        assert!(
            long < short + 0.01 && long < 0.06,
            "{kind:?}: {short} and {long}"
        );
    }
}
