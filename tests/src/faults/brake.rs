//! Brakes that fail: a brake stand that nobody tuned anything on, the daemon's core, a person who holds a speed, and one thing
//! that goes wrong.
//!
//! Each has its stated reaction (protocol, section 13), most of them by the board alone: the engine is cut within a time, it never
//! runs away, the brake holds on until the absorber is slow and then lets go, and no load is ever put on a rotor that stands or
//! by a board that nobody armed.

use std::collections::BTreeMap;

use leverarm::rehearsal::DEMO_BRAKE;
use leverarm_live::{Command, Core, Now, Output};
use leverarm_load::absorber::{Follows, Kind};
use leverarm_load::controller::Why;
use leverarm_software_stand::{
    AbsorberFault, PickupFault, Restart, SoftwareStand, StandModel, TemperatureSource, rad_per_s,
    rpm,
};
use leverarm_vocabulary::load::{LoadOrder, LoadWord};
use sha2::{Digest, Sha256};

use super::Outcome;
use super::chance::{Chance, Stream};
use crate::whole;

/// One of so many seeds is of a brake.
const EVERY: u64 = 10;
const STEP_US: u64 = 1_000;
/// From this stroke on a valve may be too slow for a sound engine's throttle, s.
const SLOW_VALVE_S: f64 = 0.4;
const WALL_US: i64 = 1_790_000_000_000_000;

/// Whether a seed is of a brake.
pub(super) fn is_of(seed: u64) -> bool {
    seed % EVERY == EVERY - 1
}

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Failure {
    /// Nothing; the throttle is opened and closed.
    Nothing,
    /// The absorber.
    Absorber(AbsorberFault),
    /// Its pickup.
    PickupDead,
    /// The daemon is gone, or its computer.
    HostDead,
    /// The cable is out.
    PortGone,
    /// The head's sensor breaks, which counts as above its limit.
    HeatUnknown,
    /// The board starts again.
    BoardRestarts,
    /// The brake has become far weaker than the engine.
    Weak,
    /// A person cuts.
    PersonCuts,
}

#[derive(Clone, Debug)]
struct Plan {
    kind: Kind,
    cylinders: u8,
    held_rpm: f64,
    /// Throttle before the failure, and at it.
    throttle: (f64, f64),
    fails_after_s: f64,
    failure: Failure,
    model: StandModel,
}

impl Plan {
    fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed, Stream::Plan);
        let kind = chance.one_of([Kind::EddyCurrent, Kind::Water, Kind::Hydraulic]);
        let cylinders = chance.one_of([1, 2]);
        let failure = chance.one_of([
            Failure::Nothing,
            Failure::Nothing,
            Failure::Absorber(AbsorberFault::Lost),
            Failure::Absorber(AbsorberFault::Parted),
            Failure::Absorber(AbsorberFault::Stuck),
            Failure::Absorber(AbsorberFault::Full),
            Failure::PickupDead,
            Failure::HostDead,
            Failure::PortGone,
            Failure::HeatUnknown,
            Failure::BoardRestarts,
            Failure::Weak,
            Failure::PersonCuts,
        ]);
        let mut model = StandModel::drawn_brake(kind, cylinders, seed);
        model.engine.cycles.misfire_probability = 0.001;
        // The head's warmth is not what this is about.
        model.engine.head.start_k = 380.0;
        let throttle = match failure {
            // It sticks where it holds little, as the throttle opens.
            Failure::Absorber(AbsorberFault::Stuck) | Failure::Weak => (0.4, 1.0),
            _ => (1.0, 1.0),
        };
        Self {
            kind,
            cylinders,
            held_rpm: chance.between(4_000.0, 6_000.0),
            throttle,
            fails_after_s: chance.between(0.5, 2.0),
            failure,
            model,
        }
    }

    /// Whether the board has more than the speed to go by.
    fn has_sensor(&self) -> bool {
        let brake = self.model.absorber.as_ref();
        brake.is_some_and(|it| it.has_output_sensor || it.torque_sensor_s.is_finite())
    }

    /// A valve's stroke, s.
    fn valve_s(&self) -> f64 {
        match self.model.absorber.as_ref().map(|it| it.absorber.follows) {
            Some(Follows::Valve { stroke_s, .. }) => stroke_s,
            _ => 0.0,
        }
    }

    /// The engine may turn so much faster than it was held, at most. A valve that sticks as the throttle opens, and a brake
    /// without a sensor, is told by a twelfth at the latest.
    fn gain_max(&self) -> f64 {
        match self.failure {
            Failure::Absorber(AbsorberFault::Stuck) | Failure::Weak => 1.18,
            _ if !self.has_sensor() => 1.18,
            _ => 1.10,
        }
    }

    /// Longest time to the cut, s, where one is due.
    fn cut_within_s(&self) -> Option<f64> {
        let has_sensor = self.has_sensor();
        Some(match self.failure {
            Failure::Nothing => return None,
            // Its current, pressure or torque shows it, or only the speed does.
            Failure::Absorber(AbsorberFault::Lost | AbsorberFault::Parted) if has_sensor => 0.15,
            Failure::Absorber(AbsorberFault::Lost | AbsorberFault::Parted) => 0.4,
            // Without a sensor nobody can know before the engine is dragged down or runs up.
            Failure::Absorber(AbsorberFault::Full) if !has_sensor => return None,
            Failure::Absorber(_) => 0.6,
            Failure::PickupDead => 0.1,
            // The heartbeat's time of the stand file.
            Failure::HostDead | Failure::PortGone => 1.2,
            Failure::HeatUnknown => 1.5,
            Failure::BoardRestarts | Failure::PersonCuts => 0.05,
            Failure::Weak => 1.5,
        })
    }
}

pub(super) fn describe(seed: u64) -> String {
    let plan = Plan::new(seed);
    format!(
        "a brake: {:?} of {} cylinders, held at {:.0} rpm, after {:.2} s {:?}\n{:#?}",
        plan.kind,
        plan.cylinders,
        plan.held_rpm,
        plan.fails_after_s,
        plan.failure,
        plan.model.absorber
    )
}

struct World {
    plan: Plan,
    stand: SoftwareStand,
    core: Core,
    now_us: u64,
    /// The engine so far.
    fastest_rpm: f64,
    host_lives: bool,
    has_port: bool,
    trace: Sha256,
    journal: Vec<String>,
    failures: Vec<String>,
}

impl World {
    fn now(&self) -> Now {
        Now::new(self.now_us, WALL_US + self.now_us.cast_signed())
    }

    fn say(&mut self, what: impl Into<String>) {
        let what = format!("{:9.3} s  {}", self.now_us as f64 * 1e-6, what.into());
        self.failures.push(what);
    }

    fn call<T>(&mut self, call: impl FnOnce(&mut Core, Now, &mut Output) -> T) -> T {
        let mut out = Output::default();
        let now = self.now();
        let said = call(&mut self.core, now, &mut out);
        if self.has_port {
            self.stand.receive(&out.write);
        }
        for record in &out.records {
            if let leverarm_live::Record::Event(event) = record {
                let line = format!("{:9.3} s  {}", self.now_us as f64 * 1e-6, event.message);
                self.trace.update(&line);
                self.journal.push(line);
            }
        }
        said
    }

    /// A millisecond; what must hold at any time is looked at.
    fn step(&mut self) {
        self.now_us += STEP_US;
        let mut bytes = Vec::new();
        self.stand.advance(self.now_us, &mut bytes);
        self.trace.update(&bytes);
        self.fastest_rpm = self.fastest_rpm.max(self.engine_rpm());
        if self.host_lives {
            if self.has_port && !bytes.is_empty() {
                self.call(|core, now, out| core.feed(now, &bytes, out));
            }
            if self.now().mono_us >= self.core.wake_us() {
                self.call(|core, now, out| core.tick(now, out));
            }
        }
        let load = self.stand.load().unwrap_or_default();
        let drum = self.stand.truth().omega_drum_rad_per_s;
        let stall = self.stall();
        if load.why == Why::NotArmed && load.output > 0 {
            self.say(format!("load of {} that nobody armed", load.output));
        }
        // Reckoned speeds fall later than real ones, but no load rises then.
        if drum < 0.3 * stall && load.output > 0 && load.why != Why::SensorLost {
            self.say(format!("load of {} at {drum:.1} rad/s", load.output));
        }
    }

    fn stall(&self) -> f64 {
        let brake = self.plan.model.absorber.as_ref();
        brake.map_or(0.0, |it| it.task.stall_rad_per_s)
    }

    fn go(&mut self, for_s: f64) {
        for _ in 0..whole_steps(for_s) {
            self.step();
        }
    }

    /// The throttle, by a person who knows that a valve has its time: an engine that is quicker runs up, and is cut for it.
    fn open(&mut self, opening: f64) {
        let valve_s = self.plan.valve_s();
        let from = self.stand.truth().throttle;
        let steps = whole_steps(2.0 * valve_s).max(1);
        for step in 1..=steps {
            let share = step as f64 / steps as f64;
            self.stand.throttle(from + share * (opening - from));
            self.step();
        }
    }

    fn until(&mut self, for_s: f64, is_so: impl Fn(&Self) -> bool) -> bool {
        for _ in 0..whole_steps(for_s) {
            self.step();
            if is_so(self) {
                return true;
            }
        }
        false
    }

    fn order(&mut self, word: LoadWord) {
        if let Err(refused) =
            self.call(|core, now, out| core.command(now, &Command::Load(word), out))
        {
            self.say(format!("a person is refused: {refused}"));
        }
    }

    fn engine_rpm(&self) -> f64 {
        rpm(self.stand.truth().omega_engine_rad_per_s)
    }

    /// Up to the speed, armed, and held there.
    fn begin(&mut self) {
        self.call(|core, now, out| core.port_opened(now, "/dev/simulated", out));
        self.go(0.6);
        if let Some(cut_id) = self.core.cut_view().cut_id {
            let released =
                self.call(|core, now, out| core.command(now, &Command::Release { cut_id }, out));
            if let Err(refused) = released {
                self.say(format!("the start's cut can't be released: {refused}"));
            }
        }
        self.go(0.2);
        self.stand.clutch(true);
        self.stand.throttle(0.4);
        if !self.until(40.0, |it| it.engine_rpm() > 3_000.0) {
            self.say("the engine does not get up to speed");
        }
        self.order(LoadWord::Arm);
        self.go(0.3);
        self.order(LoadWord::Order(LoadOrder::speed(
            rad_per_s(self.plan.held_rpm),
            None,
        )));
        self.go(0.5);
        self.open(self.plan.throttle.0);
        let held_rpm = self.plan.held_rpm;
        let is_near = move |it: &Self| (it.engine_rpm() / held_rpm - 1.0).abs() < 0.02;
        if !self.until(25.0, is_near) {
            self.say(format!(
                "held at {:.0}, not {held_rpm:.0} rpm",
                self.engine_rpm()
            ));
        }
        self.go(1.0 + self.plan.fails_after_s);
    }

    fn fail(&mut self) {
        match self.plan.failure {
            Failure::Nothing => {}
            Failure::Absorber(fault) => self.stand.absorber_fault(fault),
            Failure::PickupDead => self.stand.pickup_fault(
                0,
                PickupFault {
                    is_dead: true,
                    ..PickupFault::default()
                },
            ),
            Failure::HostDead => self.host_lives = false,
            Failure::PortGone => {
                self.has_port = false;
                self.call(|core, now, out| core.port_lost(now, "unplugged", out));
            }
            Failure::HeatUnknown => self.stand.temperature(0, TemperatureSource::Broken),
            Failure::BoardRestarts => self.stand.restart_board(Restart::Reset),
            Failure::Weak => self.stand.absorber_weakens(0.25),
            Failure::PersonCuts => {
                let reason = "by hand".to_owned();
                let cut =
                    self.call(|core, now, out| core.command(now, &Command::Cut { reason }, out));
                if let Err(refused) = cut {
                    self.say(format!("a cut is refused: {refused}"));
                }
            }
        }
        self.stand.throttle(self.plan.throttle.1);
    }

    /// Nothing is wrong: the throttle moves, and the speed is held, but where a slow valve can't and the cut says just that.
    fn nothing_happens(&mut self) {
        for opening in [0.3, 1.0, 0.0, 1.0] {
            self.open(opening);
            self.go(0.6);
        }
        let why = self.stand.load().unwrap_or_default().why;
        let ran_up = self.fastest_rpm * 12.0 > self.plan.held_rpm * 13.0;
        if why == Why::Saturated && ran_up && self.plan.valve_s() > SLOW_VALVE_S {
            return;
        }
        self.go(1.5);
        let from = self.stand.truth();
        self.go(1.0);
        let to = self.stand.truth();
        let mean = rpm((to.crank_rad - from.crank_rad) / (to.time_s - from.time_s));
        if (mean / self.plan.held_rpm - 1.0).abs() > 0.003 {
            self.say(format!(
                "held at {mean:.0}, not {:.0} rpm",
                self.plan.held_rpm
            ));
        }
        if to.cut {
            self.say(format!("cut though nothing is wrong: {why:?}"));
        }
    }

    fn something_happens(&mut self, within_s: Option<f64>) {
        let failure = self.plan.failure;
        let begin_us = self.now_us;
        let most = self.plan.held_rpm * self.plan.gain_max();
        let mut cut_s = None;
        // Whether the load is gone by what failed.
        let can_hold = !matches!(
            failure,
            Failure::Absorber(AbsorberFault::Lost | AbsorberFault::Parted) | Failure::BoardRestarts
        );
        let mut has_stood = false;
        for _ in 0..whole_steps(12.0) {
            self.step();
            let truth = self.stand.truth();
            let load = self.stand.load().unwrap_or_default();
            if self.engine_rpm() > most {
                self.say(format!("{:.0} rpm after {failure:?}", self.engine_rpm()));
                return;
            }
            if truth.cut && cut_s.is_none() {
                cut_s = Some((self.now_us - begin_us) as f64 * 1e-6);
            }
            let since_cut = cut_s.is_some();
            let holds = load.output > 0 || self.stand.absorber_level() > 0.02;
            // An open driver or a full one has no say; a load that was near none neither.
            let full = failure == Failure::Absorber(AbsorberFault::Full);
            if since_cut
                && can_hold
                && !full
                && truth.omega_drum_rad_per_s > 1.7 * self.stall()
                && !holds
            {
                self.say(format!(
                    "no load left at {:.0} rad/s after {failure:?}",
                    truth.omega_drum_rad_per_s
                ));
                return;
            }
            if truth.omega_drum_rad_per_s < 0.3 * self.stall() {
                has_stood = true;
                break;
            }
        }
        match (within_s, cut_s) {
            (Some(within_s), None) => {
                self.say(format!("not cut within {within_s} s of {failure:?}"))
            }
            (Some(within_s), Some(cut_s)) if cut_s > within_s => {
                self.say(format!("cut {cut_s:.3} s after {failure:?}"));
            }
            _ => {}
        }
        if has_stood {
            self.go(1.5);
            let load = self.stand.load().unwrap_or_default();
            if load.output > 0 {
                self.say(format!("load of {} on a rotor that stands", load.output));
            }
        }
    }
}

fn whole_steps(for_s: f64) -> u64 {
    whole(for_s * 1e6) / STEP_US
}

pub(super) fn run(seed: u64) -> Result<Outcome, Box<dyn std::error::Error>> {
    let plan = Plan::new(seed);
    let mut stand_file = leverarm_config::parse("demo_brake.toml", DEMO_BRAKE)?;
    if let (Some(absorber), Some(brake)) = (&mut stand_file.absorber, &plan.model.absorber) {
        absorber.absorber = brake.believed.clone();
        for (speed, torque_nm) in &mut absorber.engine_torque {
            *torque_nm = 1.05 * plan.model.engine.full_throttle.torque_nm(*speed);
        }
        absorber.stall_rad_per_s = Some(brake.task.stall_rad_per_s * plan.model.ratio);
        // As wrong as it is drawn, and no more.
        let ratio = stand_file.drive.engine_per_drum.value;
        let engine_kg_m2 = stand_file.engine.inertia_kg_m2.value;
        if let Some(drum) = &mut stand_file.drum {
            drum.inertia_kg_m2.value = brake.task.inertia_kg_m2 - ratio * ratio * engine_kg_m2;
        }
    }
    for (stated, real) in stand_file.pickups.iter_mut().zip(&plan.model.pickups) {
        stated.teeth = real.teeth;
    }
    let mut world = World {
        stand: SoftwareStand::new(plan.model.clone(), seed)?,
        core: Core::new(stand_file),
        plan,
        now_us: 0,
        fastest_rpm: 0.0,
        host_lives: true,
        has_port: true,
        trace: Sha256::new(),
        journal: Vec::new(),
        failures: Vec::new(),
    };
    world.begin();
    let mut counts = BTreeMap::new();
    counts.insert("brakes".to_owned(), 1);
    if world.failures.is_empty() {
        world.fail();
        counts.insert(format!("brake: {:?}", world.plan.failure), 1);
        match (world.plan.failure, world.plan.cut_within_s()) {
            (Failure::Nothing, _) => world.nothing_happens(),
            (_, within_s) => world.something_happens(within_s),
        }
    }
    Ok(Outcome {
        seed,
        failures: world.failures,
        simulated_s: world.now_us as f64 * 1e-6,
        trace: world.trace.finalize().into(),
        journal: world.journal,
        counts,
    })
}
