//! Drawn brakes that lose their load, and what a sound one does that must not be taken for it: the stand and the loop on its board
//! alone, without a host.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use leverarm_load::absorber::Kind;
use leverarm_load::controller::{Demand, Mode, Q16, Why};
use leverarm_software_stand::{
    AbsorberFault, SoftwareStand, SoundAbsorber, StandModel, rad_per_s, rpm,
};

use crate::whole;

/// Speed of the crank that is held, rev/min.
pub const HELD_RPM: f64 = 5_000.0;
const STEP_US: u64 = 500;
const STEP_S: f64 = 1e-6 * STEP_US as f64;
/// A measured output that is so much of full away from what it would be shows that something is wrong.
const SEEN_OUTPUT: f64 = 0.15;
/// The same of a measured torque, over what it would be.
const SEEN_TORQUE: f64 = 0.25;
/// The same of the cycle's speed, of that held, for who knows what a sound stand would do at the same throttle.
const SEEN_SPEED: f64 = 0.01;

/// A stand under way.
#[derive(Clone, Debug)]
pub struct Braked {
    /// The stand.
    pub stand: SoftwareStand,
    /// Time and angle of the crank over the last working cycle, s and rad.
    turned: VecDeque<(f64, f64)>,
    /// Speed of the crank over it, rev/min.
    pub speed_rpm: f64,
    /// What the torque's sensor shows, N·m.
    sensed_nm: f64,
}

impl Braked {
    /// Running at 40 % throttle, load armed.
    ///
    /// # Panics
    /// When the model can't be simulated.
    #[must_use]
    pub fn started(model: StandModel, seed: u64) -> Self {
        let stand = SoftwareStand::new(model, seed).expect("a model that can be simulated");
        let mut it = Self {
            stand,
            turned: VecDeque::new(),
            speed_rpm: 0.0,
            sensed_nm: 0.0,
        };
        it.stand.clutch(true);
        it.stand.throttle(0.4);
        it.stand.arm_load();
        it.go(1.0, |_| {});
        it
    }

    /// The same, and held at a speed of the crank, rev/min.
    #[must_use]
    pub fn held(model: StandModel, seed: u64, speed_rpm: f64) -> Self {
        let mut it = Self::started(model, seed);
        it.hold(speed_rpm);
        it.settle(speed_rpm);
        it
    }

    /// Until the speed has first come to what is held, 5 s at most.
    fn settle_into(&mut self, held_rpm: f64) {
        for _ in 0..10_000 {
            if (self.speed_rpm / held_rpm - 1.0).abs() < 0.002 || self.stand.truth().cut {
                break;
            }
            self.go(STEP_S, |_| {});
        }
    }

    /// Orders a speed of the crank, rev/min, as fast as it goes.
    pub fn hold(&mut self, speed_rpm: f64) {
        self.sweep(speed_rpm, 0.0);
    }

    /// Orders a speed of the crank, rev/min, at a rate, rev/min per second.
    pub fn sweep(&mut self, speed_rpm: f64, rpm_per_s: f64) {
        let q16 = |crank_rpm: f64| {
            #[expect(clippy::cast_possible_truncation, reason = "far within")]
            let whole =
                (rad_per_s(crank_rpm) / self.stand.model().ratio * Q16 as f64).round() as i64;
            whole
        };
        let demand = Demand {
            mode: Mode::Speed,
            target: q16(speed_rpm),
            rate: q16(rpm_per_s),
            ..Demand::default()
        };
        self.stand.demand_load(demand);
    }

    /// Until the speed is as held, 20 s at most.
    pub fn settle(&mut self, held_rpm: f64) {
        for _ in 0..20 {
            let mut off = 0.0_f64;
            self.go(1.0, |it| {
                off = off.max((it.speed_rpm / held_rpm - 1.0).abs())
            });
            if off < 0.02 {
                break;
            }
        }
    }

    /// Opens the throttle slowly from 40 %, and waits for the speed.
    fn open(&mut self, to: f64) {
        for place in 1..=100 {
            self.stand
                .throttle(0.4 + (to - 0.4) * f64::from(place) / 100.0);
            self.go(0.02, |_| {});
        }
        self.settle(HELD_RPM);
    }

    /// Goes on for a time, s, and is looked at each half millisecond.
    pub fn go(&mut self, for_s: f64, mut at: impl FnMut(&Self)) {
        let steps = whole((for_s / STEP_S).round());
        let mut bytes = Vec::new();
        for _ in 0..steps {
            self.stand
                .advance(self.stand.now_us() + STEP_US, &mut bytes);
            bytes.clear();
            let truth = self.stand.truth();
            self.turned.push_back((truth.time_s, truth.crank_rad));
            let cycle = truth.crank_rad - 4.0 * std::f64::consts::PI;
            while self.turned.len() > 2 && self.turned[1].1 < cycle {
                self.turned.pop_front();
            }
            let first = self.turned[0];
            self.speed_rpm = rpm((truth.crank_rad - first.1) / (truth.time_s - first.0).max(1e-9));
            if let Some(brake) = &self.stand.model().absorber {
                let share = (STEP_S / brake.torque_sensor_s).min(1.0);
                self.sensed_nm += (truth.brake_nm - self.sensed_nm) * share;
            }
            at(self);
        }
    }

    /// Why the board ended the load.
    #[must_use]
    pub fn why(&self) -> Why {
        self.stand.load().unwrap_or_default().why
    }

    /// How often the loop was made softer.
    #[must_use]
    pub fn backed_off(&self) -> u8 {
        self.stand.load().unwrap_or_default().backed_off
    }

    /// Whether current, torque or supply as measured tell this stand from one on which nothing has failed.
    fn is_seen_beside(&self, sound: &Self, lost_for_s: f64) -> bool {
        let Some(brake) = &self.stand.model().absorber else {
            return false;
        };
        let drum = self.stand.truth().omega_drum_rad_per_s;
        let level = (self.stand.absorber_level() - sound.stand.absorber_level()).abs();
        let torque_nm = (self.sensed_nm - sound.sensed_nm).abs();
        let full_nm = brake.absorber.full_torque_nm(drum);
        (brake.fault == AbsorberFault::Lost && lost_for_s > brake.supply_switch_s)
            || (brake.has_output_sensor && level > SEEN_OUTPUT)
            || (brake.torque_sensor_s.is_finite()
                && torque_nm > SEEN_TORQUE * sound.sensed_nm + SEEN_OUTPUT * full_nm)
    }
}

/// The best that can tell a lost load from the speed alone: a sequential test that knows engine and absorber exactly, how the engine's
/// cycles scatter and how the teeth are off. What it does not know is the throttle, which somebody may open or shut at any time; so
/// a speed that rises more than at full throttle with what a sound absorber makes of the board's output is a loss, and one that falls more
/// than with the throttle shut. Of all times since which that may be so the likeliest is taken (generalised likelihood ratio,
/// G. Lorden, Annals of Mathematical Statistics 42 (1971), 1897-1908): by his bound one false alarm comes in so many cycles as its
/// threshold's exponential.
struct Oracle {
    /// As weak and as strong as it may be.
    absorbers: [SoundAbsorber; 2],
    /// Time, the greatest and the least change of the drum's speed until then, and the speed's own over a working cycle with those
    /// two's means, rad/s; over the last half second.
    looks: VecDeque<[f64; 4]>,
    bounds: VecDeque<(f64, f64, [f64; 2])>,
    sums: [f64; 2],
    last_s: f64,
}

/// A false alarm of the oracle in so many hours.
const FALSE_H: f64 = 50.0;
/// It looks back so far, s.
const LOOKS_BACK_S: f64 = 0.5;

impl Oracle {
    /// `knows_heat`: whether it knows how hot the absorber is; else it may be as hot as allowed, as far as nothing tells its torque or
    /// its current: so much does a board know at best.
    fn new(it: &Braked, knows_heat: bool) -> Option<Self> {
        let strong = it.stand.sound_absorber()?;
        let brake = it.stand.model().absorber.as_ref()?;
        let weak = if knows_heat || brake.torque_sensor_s.is_finite() {
            strong.clone()
        } else {
            let hottest_k = brake.absorber.heat.temperature_max_k;
            strong.clone().heated(hottest_k, !brake.has_output_sensor)
        };
        Some(Self {
            absorbers: [weak, strong],
            looks: VecDeque::new(),
            bounds: VecDeque::new(),
            sums: [0.0; 2],
            last_s: it.stand.truth().time_s,
        })
    }

    /// Half a millisecond later; whether it sees something.
    fn sees(&mut self, it: &Braked) -> bool {
        let (truth, model) = (it.stand.truth(), it.stand.model());
        let (time_s, drum) = (truth.time_s, truth.omega_drum_rad_per_s);
        let for_s = time_s - self.last_s;
        self.last_s = time_s;
        let output = it.stand.load().unwrap_or_default().output as f64 / Q16 as f64;
        let brakes_nm = self
            .absorbers
            .each_mut()
            .map(|it| it.torque_nm(output, drum, for_s));
        let engine = &model.engine;
        let full_nm = truth.standard_torque_nm * truth.torque_factor;
        let shut_nm = -engine.drag.torque_nm(truth.omega_engine_rad_per_s);
        let losses_nm = model.drum.losses.torque_nm(drum);
        let inertia_kg_m2 = model.locked_inertia_kg_m2();
        let engines_nm = [full_nm, shut_nm];
        for ((sum, engine_nm), brake_nm) in self.sums.iter_mut().zip(engines_nm).zip(brakes_nm) {
            *sum += (model.ratio * engine_nm - losses_nm - brake_nm) / inertia_kg_m2 * for_s;
        }
        self.bounds.push_back((time_s, truth.crank_rad, self.sums));
        // Over the same cycle as the speed.
        let cycle = truth.crank_rad - TAU * engine.breathing.turns_per_cycle;
        while self.bounds.len() > 2 && self.bounds[1].1 < cycle {
            self.bounds.pop_front();
        }
        if self.bounds[0].1 > cycle {
            return false;
        }
        let count = self.bounds.len() as f64;
        let mean = |place: usize| self.bounds.iter().map(|it| it.2[place]).sum::<f64>() / count;
        let speed = rad_per_s(it.speed_rpm) / model.ratio;
        let now = [time_s, speed, mean(0), mean(1)];
        let cycle_s = TAU * engine.breathing.turns_per_cycle / truth.omega_engine_rad_per_s;
        // A cycle's work is that much more or less; a tooth is out of its place at either end of a cycle.
        let per_cycle = engine.cycles.cov * model.ratio * full_nm / inertia_kg_m2 * cycle_s;
        let pickup = &model.pickups[0];
        let tooth =
            TAU / f64::from(pickup.teeth) * pickup.position_error_rms / (drum * cycle_s) * drum;
        let least = 2.0 * (FALSE_H * 3_600.0 / cycle_s).ln();
        let is_beyond = self.looks.iter().any(|then| {
            let variance =
                per_cycle.powi(2) * ((now[0] - then[0]) / cycle_s + 1.0) + 4.0 * tooth.powi(2);
            let beyond = |place: usize| (now[1] - then[1]) - (now[place] - then[place]);
            let (above, below) = (beyond(2).max(0.0), beyond(3).min(0.0));
            above.powi(2) > least * variance || below.powi(2) > least * variance
        });
        self.looks.push_back(now);
        while self.looks[0][0] < time_s - LOOKS_BACK_S {
            self.looks.pop_front();
        }
        is_beyond
    }
}

/// What fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Loss {
    /// Coil open, water or oil gone.
    Lost,
    /// The same at 40 % throttle.
    LostAtPart,
    /// The same while the speed rises by an ordered step.
    LostInStep,
    /// The coupling.
    Parted,
    /// The same at 40 % throttle.
    PartedAtPart,
    /// Valve or driver stuck at a quarter of throttle, and the throttle is opened.
    Stuck,
    /// Half of the torque is gone at once: half the supply, one of two coils.
    Half,
    /// The torque falls to nothing within some seconds.
    Slowly,
    /// A driver that gives all it can.
    Full,
}

impl Loss {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::Lost,
        Self::LostAtPart,
        Self::LostInStep,
        Self::Parted,
        Self::PartedAtPart,
        Self::Stuck,
        Self::Half,
        Self::Slowly,
        Self::Full,
    ];
}

/// What came of a loss.
#[derive(Clone, Copy, Debug, Default)]
pub struct Told {
    /// The board's reason; [`Why::None`]: it did not end the load.
    pub why: Why,
    /// After which time the engine was cut, s; infinite: never.
    pub cut_s: f64,
    /// After which time what the board measures showed something, s; infinite: never.
    pub seen_s: f64,
    /// The same for who does not know how hot the absorber is.
    pub seen_hot_s: f64,
    /// After which time what the board measures, or the cycle's speed, was away from the same stand with nothing broken: the bench's
    /// yardstick, for who knows the throttle too, s; infinite: never.
    pub visible_s: f64,
    /// The highest that the speed went above the highest ordered, a share of it.
    pub gain: f64,
    /// The same had the engine been cut 10 ms after something showed.
    pub least_gain: f64,
    /// Lowest speed before the cut, over that held.
    pub lowest: f64,
}

impl Told {
    /// Time from when something showed to the cut, s.
    #[must_use]
    pub fn late_s(&self) -> f64 {
        (self.cut_s - self.seen_s).max(0.0)
    }
}

/// A throttle is opened within so long, s.
const OPENED_S: f64 = 0.03;

/// Opens or closes the throttle by hand.
fn throttle(it: &mut Braked, after_s: f64, from: f64, to: f64) {
    let share = (after_s / OPENED_S).min(1.0);
    it.stand.throttle(from + (to - from) * share);
}

/// Lets a drawn brake fail.
#[must_use]
pub fn loses(model: &StandModel, seed: u64, loss: Loss) -> Told {
    let (from, to) = match loss {
        Loss::LostAtPart | Loss::PartedAtPart => (0.4, 0.4),
        Loss::Stuck => (0.25, 1.0),
        _ => (1.0, 1.0),
    };
    let mut sound = Braked::held(model.clone(), seed, HELD_RPM);
    sound.open(from);
    let mut top_rpm = HELD_RPM;
    if loss == Loss::LostInStep {
        top_rpm = 6_000.0;
        sound.hold(top_rpm);
        sound.go(0.1, |_| {});
    }
    // Cycles to compare with.
    let mut oracles = [true, false].map(|knows_heat| Oracle::new(&sound, knows_heat));
    sound.go(0.08, |it| {
        for oracle in oracles.iter_mut().flatten() {
            oracle.sees(it);
        }
    });
    let mut it = sound.clone();
    let fault = match loss {
        Loss::Lost | Loss::LostAtPart | Loss::LostInStep => AbsorberFault::Lost,
        Loss::Parted | Loss::PartedAtPart => AbsorberFault::Parted,
        Loss::Stuck => AbsorberFault::Stuck,
        Loss::Full => AbsorberFault::Full,
        Loss::Half | Loss::Slowly => AbsorberFault::None,
    };
    it.stand.absorber_fault(fault);
    if loss == Loss::Half {
        it.stand.absorber_weakens(0.5);
    }
    let begin_s = it.stand.truth().time_s;
    let mut told = Told {
        cut_s: f64::INFINITY,
        seen_s: f64::INFINITY,
        seen_hot_s: f64::INFINITY,
        visible_s: f64::INFINITY,
        lowest: 1.0,
        ..Told::default()
    };
    let for_s = if loss == Loss::Slowly { 12.0 } else { 3.0 };
    let mut since = 0.0;
    while since < for_s && told.cut_s.is_infinite() {
        since += STEP_S;
        if loss == Loss::Slowly {
            it.stand.absorber_weakens((-STEP_S / 1.5).exp());
        }
        throttle(&mut it, since, from, to);
        it.go(STEP_S, |_| {});
        if told.seen_hot_s.max(told.visible_s).is_infinite() {
            throttle(&mut sound, since, from, to);
            sound.go(STEP_S, |_| {});
            let by_sensor = it.is_seen_beside(&sound, since);
            let by_speed = oracles
                .each_mut()
                .map(|oracle| oracle.as_mut().is_some_and(|oracle| oracle.sees(&it)));
            if by_sensor || by_speed[1] {
                told.seen_hot_s = told.seen_hot_s.min(since);
            }
            let away = (it.speed_rpm - sound.speed_rpm).abs() / HELD_RPM;
            if by_sensor || away > SEEN_SPEED {
                told.visible_s = told.visible_s.min(since);
            }
            if told.seen_s.is_infinite() && (by_sensor || by_speed[0]) {
                told.seen_s = since;
                let mut cut = it.clone();
                cut.go(0.01, |it| {
                    told.least_gain = told.least_gain.max(it.speed_rpm / top_rpm - 1.0)
                });
                cut.stand.ignition(false);
                cut.go(0.1, |it| {
                    told.least_gain = told.least_gain.max(it.speed_rpm / top_rpm - 1.0)
                });
            }
        }
        told.gain = told.gain.max(it.speed_rpm / top_rpm - 1.0);
        told.lowest = told.lowest.min(it.speed_rpm / top_rpm);
        if it.stand.truth().cut {
            told.cut_s = it.stand.truth().time_s - begin_s;
        }
        if it.speed_rpm < 0.4 * HELD_RPM {
            break;
        }
    }
    told.why = it.why();
    it.go(0.1, |it| {
        told.gain = told.gain.max(it.speed_rpm / top_rpm - 1.0)
    });
    told
}

/// What a sound brake goes through.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sound {
    /// A speed held at full throttle for 20 s.
    Hold,
    /// Steps of 1000 and 2000 rev/min, up and down.
    Steps,
    /// The throttle opened and shut, all of it and in parts.
    Snaps,
    /// Swept up and down at 600 and 1500 rev/min a second.
    Sweeps,
    /// Snaps with an absorber as hot as is allowed, but for a tenth.
    Hot,
    /// At 40 % throttle: held, steps, sweeps, the throttle crept open, snapped from there, and shut.
    Part,
    /// At 40 % throttle with an engine that misses eight cycles now and then.
    Coughs,
}

impl Sound {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Hold,
        Self::Steps,
        Self::Snaps,
        Self::Sweeps,
        Self::Hot,
        Self::Part,
        Self::Coughs,
    ];
}

/// What came of it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Stood {
    /// The board's reason; [`Why::None`]: it did not end the load.
    pub why: Why,
    /// When, s.
    pub at_s: f64,
    /// How far the speed was above the highest ordered when it was cut, or went at most, a share of it.
    pub above: f64,
    /// How often the loop was made softer.
    pub backed_off: u8,
    /// Whether the best test of the speed saw a loss.
    pub is_seen: bool,
}

/// Puts a sound brake through something.
#[must_use]
pub fn stands(model: &StandModel, seed: u64, sound: Sound) -> Stood {
    let mut model = model.clone();
    if sound == Sound::Coughs {
        model.engine.cycles.misfire_probability = 0.005;
        model.engine.cycles.misfire_run = 8.0;
    }
    let mut it = Braked::held(model.clone(), seed, HELD_RPM);
    if !matches!(sound, Sound::Part | Sound::Coughs) {
        it.open(1.0);
    }
    if sound == Sound::Hot {
        // By and by, as it gets so.
        let air_k = model.air.temperature_k;
        let hottest_k = model
            .absorber
            .as_ref()
            .map_or(air_k, |it| it.absorber.heat.temperature_max_k);
        for tenth in 1..=9 {
            it.stand
                .heat_absorber(air_k + (hottest_k - air_k) * f64::from(tenth) / 10.0);
            it.go(1.0, |_| {});
        }
    }
    let mut stood = Stood::default();
    let mut oracle = Oracle::new(&it, true);
    // Throttle before and after, speed, rev/min, its rate, and for how long, s.
    let steady = (0.4, 0.4, 5_000.0, 0.0, 3.0);
    let creeps = (0..60).map(|n| {
        (
            0.4 + 0.005 * f64::from(n),
            0.4 + 0.005 * f64::from(n + 1),
            5_000.0,
            0.0,
            0.1,
        )
    });
    let at_part = [
        steady,
        (0.4, 0.4, 6_000.0, 0.0, 2.5),
        (0.4, 0.4, 4_000.0, 0.0, 3.0),
        (0.4, 0.4, 6_000.0, 600.0, 5.0),
        (0.4, 0.4, 4_500.0, 1_500.0, 2.5),
        (0.4, 0.4, 5_000.0, 0.0, 2.0),
    ];
    let after = [
        (0.7, 1.0, 5_000.0, 0.0, 1.0),
        (1.0, 0.4, 5_000.0, 0.0, 3.0),
        (0.4, 0.0, 5_000.0, 0.0, 0.3),
        (0.0, 0.4, 5_000.0, 0.0, 3.0),
    ];
    let at_part: Vec<_> = at_part.into_iter().chain(creeps).chain(after).collect();
    let acts: &[(f64, f64, f64, f64, f64)] = match sound {
        Sound::Hold => &[(1.0, 1.0, 5_000.0, 0.0, 20.0)],
        Sound::Part => &at_part,
        Sound::Coughs => &[(0.4, 0.4, 5_000.0, 0.0, 30.0)],
        Sound::Steps => &[
            (1.0, 1.0, 6_000.0, 0.0, 2.0),
            (1.0, 1.0, 5_000.0, 0.0, 2.0),
            (1.0, 1.0, 7_000.0, 0.0, 2.5),
            (1.0, 1.0, 5_000.0, 0.0, 2.5),
            (1.0, 1.0, 6_000.0, 0.0, 0.2),
            (1.0, 1.0, 5_000.0, 0.0, 2.0),
        ],
        Sound::Snaps | Sound::Hot => &[
            (1.0, 0.25, 5_000.0, 0.0, 1.0),
            (0.25, 1.0, 5_000.0, 0.0, 1.0),
            (1.0, 0.0, 5_000.0, 0.0, 0.3),
            (0.0, 1.0, 5_000.0, 0.0, 2.0),
            (1.0, 0.5, 5_000.0, 0.0, 0.2),
            (0.5, 1.0, 5_000.0, 0.0, 1.0),
        ],
        Sound::Sweeps => &[
            (1.0, 1.0, 7_000.0, 600.0, 4.0),
            (1.0, 1.0, 5_000.0, 600.0, 4.0),
            (1.0, 1.0, 7_000.0, 1_500.0, 2.0),
            (1.0, 1.0, 5_000.0, 1_500.0, 2.0),
        ],
    };
    let (mut top_rpm, mut whole_s) = (HELD_RPM, 0.0);
    let mut ordered = (HELD_RPM, 0.0);
    for &(from, to, speed_rpm, rpm_per_s, for_s) in acts {
        if (speed_rpm, rpm_per_s) != ordered {
            ordered = (speed_rpm, rpm_per_s);
            it.sweep(speed_rpm, rpm_per_s);
        }
        top_rpm = speed_rpm.max(it.speed_rpm.min(top_rpm));
        let mut since = 0.0;
        while since < for_s {
            since += STEP_S;
            throttle(&mut it, since, from, to);
            it.go(STEP_S, |_| {});
            let saw = oracle.as_mut().is_some_and(|oracle| oracle.sees(&it));
            stood.is_seen |= saw;
            // Downwards it may be where it came from.
            if speed_rpm >= top_rpm || since > 1.0 {
                stood.above = stood.above.max(it.speed_rpm / top_rpm - 1.0);
            }
            if it.stand.truth().cut {
                stood.why = it.why();
                stood.at_s = whole_s + since;
                stood.above = it.speed_rpm / top_rpm - 1.0;
                stood.backed_off = it.backed_off();
                return stood;
            }
        }
        whole_s += for_s;
    }
    stood.backed_off = it.backed_off();
    stood
}

/// How much warmer than the air an absorber is that is tuned hot, K.
const TUNED_K: f64 = 200.0;

/// The same, its loop tuned while the absorber was hot.
#[must_use]
pub fn tuned_hot(model: &StandModel) -> StandModel {
    let mut model = model.clone();
    let (inertia_kg_m2, drum) = (
        model.locked_inertia_kg_m2(),
        rad_per_s(HELD_RPM) / model.ratio,
    );
    let air_k = model.air.temperature_k;
    if let Some(brake) = &mut model.absorber {
        let (low, high) = (0.3, 0.6);
        let by_map = |output: f64| brake.believed.torque_nm(drum, output, 1.0);
        // A board that measures the current makes up for a hot coil's resistance.
        let change_nm = if brake.has_output_sensor {
            let left = brake.absorber.heat.left(air_k + TUNED_K, air_k);
            let torque_nm = |output: f64| brake.absorber.torque_nm(drum, output, left);
            torque_nm(high) - torque_nm(low)
        } else {
            brake.answer(drum, TUNED_K, low, high).0
        };
        let found_kg_m2 = inertia_kg_m2 * (by_map(high) - by_map(low)) / change_nm;
        brake.task = brake.task.tuned(found_kg_m2, brake.task.firmness);
    }
    model
}

/// A drawn brake: singles and twins in turn.
#[must_use]
pub fn drawn_brake(kind: Kind, seed: u64) -> StandModel {
    StandModel::drawn_brake(kind, if seed.is_multiple_of(2) { 2 } else { 1 }, seed)
}

/// What came of an absorber that is far stronger than its map.
#[derive(Clone, Copy, Debug, Default)]
pub struct Swung {
    /// The board's reason; [`Why::None`]: it did not end the load.
    pub why: Why,
    /// How far the speed was off, a share of that held, before the loop was made softer or while it never was, from half a second on.
    pub before: f64,
    /// How long it swung by more than 1 % until it was made softer the first time, s; infinite: never.
    pub found_s: f64,
    /// How far it was off in the last two seconds.
    pub after: f64,
    /// How often the loop was made softer.
    pub backed_off: u8,
}

/// Holds a speed with an absorber that gives so many times the torque of its map, at 40 % throttle and then full.
#[must_use]
pub fn too_strong(model: &StandModel, seed: u64, times: f64) -> Swung {
    let mut model = model.clone();
    if let Some(brake) = &mut model.absorber {
        for point in &mut brake.absorber.full_torque {
            point.1 *= times;
        }
    }
    let mut swung = Swung {
        found_s: f64::INFINITY,
        ..Swung::default()
    };
    let mut it = Braked::started(model, seed);
    it.hold(HELD_RPM);
    it.settle_into(HELD_RPM);
    let mut swings_s = 0.0;
    for step in 0..20_000_u32 {
        let since = f64::from(step) * STEP_S;
        it.stand
            .throttle(0.4 + 0.6 * ((since - 3.0) / 2.0).clamp(0.0, 1.0));
        it.go(STEP_S, |_| {});
        let off = (it.speed_rpm / HELD_RPM - 1.0).abs();
        swings_s += if off > 0.01 { STEP_S } else { 0.0 };
        if it.backed_off() == 0 {
            swung.before = swung.before.max(off);
        } else if swung.found_s.is_infinite() {
            swung.found_s = swings_s;
        }
        if since > 8.0 {
            swung.after = swung.after.max(off);
        }
        if it.stand.truth().cut {
            break;
        }
    }
    swung.why = it.why();
    swung.backed_off = it.backed_off();
    swung
}

/// A hot coil without more voltage than it needs cold, asked for all it can give at full throttle: by a speed below what it
/// holds, and by its output. The board's reasons.
#[must_use]
pub fn asked_for_all(model: &StandModel, seed: u64, hotter_k: f64) -> [Why; 2] {
    [false, true].map(|by_output| {
        let mut it = Braked::held(model.clone(), seed, HELD_RPM);
        it.stand.heat_absorber(model.air.temperature_k + hotter_k);
        it.go(1.0, |_| {});
        if by_output {
            it.stand.demand_load(Demand {
                mode: Mode::Output,
                target: Q16,
                ..Demand::default()
            });
        } else {
            it.hold(0.8 * HELD_RPM);
        }
        for place in 1..=100 {
            it.stand.throttle(0.4 + 0.006 * f64::from(place));
            it.go(0.01, |_| {});
        }
        it.go(0.5, |_| {});
        it.why()
    })
}
