//! Pulls on a simulated stand whose truth is known, quick enough for thousands.
//!
//! The equation of motion of the wheel's shaft is integrated over its angle, `d(ω²/2)/dθ = M/I`, in
//! steps that end exactly at each tooth, so that tooth times are exact to rounding; where the drive
//! gives, the other shaft moves along. This is not the software
//! stand of the daemon: it shares no code with it, and none with the reduction.

mod uneven;

use std::f64::consts::TAU;

pub use uneven::{Coil, Cycles, Drive, Sparks};

use leverarm_filters::teeth::Edge;
use uneven::Drawn;

/// Crank's radius over the length of the rod (common practice, no source).
const ROD: f64 = 0.27;
/// rad/s in one rpm.
const RPM: f64 = TAU / 60.0;

/// Shape of an engine's torque over speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// A broad hump.
    Hump,
    /// A hump with a dip of 6 % in its lower half.
    Dip,
    /// Nearly flat.
    Flat,
    /// The same torque at all speeds: any of them may look the greatest.
    Level,
    /// An expansion pipe's: a third of the torque below its speeds, a steep rise, a steep fall (common practice, no source).
    Pipe,
    /// A hump that ends steeply, as where valves begin to float.
    SteepEnd,
}

impl Shape {
    /// Torque over the greatest, `x` from 0 to 1 over the speeds of the pull.
    fn at(self, x: f64) -> f64 {
        let hump = 0.72 + 0.28 * (-((x - 0.58) / 0.38).powi(2)).exp();
        match self {
            Self::Hump => hump,
            Self::Dip => hump * (1.0 - 0.06 * (-((x - 0.41) / 0.06).powi(2)).exp()),
            Self::Flat => 0.95 + 0.05 * x,
            Self::Level => 1.0,
            Self::Pipe => {
                let on = 0.33 + 0.335 * (1.0 + ((x - 0.45) / 0.08).tanh());
                on * (1.0 - 5.0 * (x - 0.68).max(0.0).powi(2))
            }
            Self::SteepEnd => hump * (1.0 - 0.2 * (1.0 + ((x - 0.88) / 0.06).tanh())),
        }
    }
}

/// A brake beside the drum, or alone, with the load cell that holds it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Brake {
    /// Part of the engine's mean torque that it takes during the sweep.
    pub share: f64,
    /// Force of one count, N.
    pub newton_per_count: f64,
    /// Counts without load.
    pub zero_counts: f64,
    /// Arm, m.
    pub arm_m: f64,
    /// Force by which hysteresis and bend shift every reading, N.
    pub shape_n: f64,
    /// Noise of a sample, counts rms.
    pub noise_counts: f64,
    /// Samples a second.
    pub rate_hz: f64,
}

/// A stand as it truly is, and one pull on it.
#[derive(Debug, Clone, PartialEq)]
pub struct Pull {
    /// Inertia at the drum's shaft, kg·m².
    pub drum_inertia_kg_m2: f64,
    /// Inertia at the crank, kg·m².
    pub engine_inertia_kg_m2: f64,
    /// Share of it that goes to and fro: pistons, and the upper ends of their rods.
    pub reciprocating_share: f64,
    /// Engine turns per drum turn.
    pub engine_per_drum: f64,
    /// Losses at the drum, N·m over powers of rad/s.
    pub losses: [f64; 3],
    /// Teeth of the wheel.
    pub teeth: u32,
    /// Whether it sits on the crank.
    pub on_engine: bool,
    /// Position error of a tooth, rms, as a share of the pitch.
    pub tooth_error_share: f64,
    /// Time jitter of an edge, s rms.
    pub jitter_s: f64,
    /// Timer tick, s.
    pub tick_s: f64,
    /// Working cycles per crank turn.
    pub cycles_per_engine_turn: f64,
    /// Amplitudes of the torque's first harmonics of the working cycle, over the mean.
    pub ripple: [f64; 3],
    /// Torque over speed.
    pub shape: Shape,
    /// Greatest torque at the crank during the pull, N·m.
    pub torque_nm: f64,
    /// Engine speed at which the throttle opens.
    pub from_rpm: f64,
    /// Engine speed at which it closes.
    pub to_rpm: f64,
    /// The brake.
    pub brake: Option<Brake>,
    /// How unlike the engine's cycles are.
    pub cycles: Cycles,
    /// What the drive gives; `None` for a rigid one.
    pub drive: Option<Drive>,
    /// Share by which the engine turns faster at its greatest torque than drum and drive say, where a tyre drives the drum,
    /// and at others in proportion; 0 for a drive that does not slip. It has no other give, and the wheel is the drum's.
    pub tyre_slip: f64,
    /// What the pickup's cable picks up.
    pub sparks: Sparks,
    /// Share of the teeth that give no edge.
    pub missed_probability: f64,
    /// A coil in place of a sensor that switches at the same place at all speeds.
    pub coil: Option<Coil>,
}

/// What the board saw.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Seen {
    /// Edges of the wheel.
    pub edges: Vec<Edge>,
    /// Ticks and counts of the load cell.
    pub force: Vec<(u64, i32)>,
    /// What a drive that gives took of the engine's work at full throttle: no board sees it, but what
    /// reaches the drum lacks it.
    pub lost_in_drive: DriveLoss,
}

/// Work that a drive took from the engine and that it gave, J, in each working cycle: most is lost where the
/// engine's cycles meet the drive's own frequency.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DriveLoss {
    cycles: Vec<CycleLoss>,
}

/// One working cycle: when it ended, the drum's speed over it as the engine's, and its work.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct CycleLoss {
    number: f64,
    time_s: f64,
    rpm_s: f64,
    seconds: f64,
    lost_j: f64,
    given_j: f64,
}

/// A drive's loss is looked at over so long on each side of an instant: it beats with the cycles.
const LOSS_S: f64 = 0.1;
/// Pulls that tell what a drive that knocks loses.
const KNOCKING_PULLS: u64 = 60;
/// They differ by more than chance where their variance is so many times that of chance, which is known to some half of
/// itself.
const DIFFER: f64 = 2.5;

impl DriveLoss {
    fn take(&mut self, cycle: f64, at: (f64, f64), dt_s: f64, (lost_j, given_j): (f64, f64)) {
        let number = cycle.floor();
        if self.cycles.last().is_none_or(|last| last.number != number) {
            self.cycles.push(CycleLoss {
                number,
                ..CycleLoss::default()
            });
        }
        if let Some(last) = self.cycles.last_mut() {
            last.time_s = at.0;
            last.rpm_s += at.1 * dt_s;
            last.seconds += dt_s;
            last.lost_j += lost_j;
            last.given_j += given_j;
        }
    }

    /// Share of the engine's work that was lost around a speed when the drum passed it for good.
    #[must_use]
    pub fn share(&self, rpm: f64) -> f64 {
        self.share_and_chance(rpm).0
    }

    /// With the variance of what is chance in it: cycles that knock lose each its own. Every second one is compared,
    /// since a drive may swing at half their frequency.
    fn share_and_chance(&self, rpm: f64) -> (f64, f64) {
        let below = |cycle: &&CycleLoss| cycle.rpm_s < rpm * cycle.seconds;
        let Some(at) = self.cycles.iter().rev().find(below).or(self.cycles.first()) else {
            return (0.0, 0.0);
        };
        let weight = |cycle: &CycleLoss| (1.0 - (cycle.time_s - at.time_s).abs() / LOSS_S).max(0.0);
        let (mut lost_j, mut given_j) = (0.0, f64::MIN_POSITIVE);
        for cycle in &self.cycles {
            lost_j += weight(cycle) * cycle.lost_j;
            given_j += weight(cycle) * cycle.given_j;
        }
        let (mut apart, mut weights, mut chance) = (0.0, f64::MIN_POSITIVE, 0.0);
        for (cycle, second) in self.cycles.iter().zip(self.cycles.iter().skip(2)) {
            let change = second.lost_j / second.given_j - cycle.lost_j / cycle.given_j;
            apart += 0.5 * weight(cycle) * change.powi(2);
            weights += weight(cycle);
            chance += (weight(cycle) * cycle.given_j / given_j).powi(2);
        }
        (lost_j / given_j, chance * apart / weights)
    }
}

/// What a drive takes in one pull, but for what is chance in its cycles.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueLoss<'a> {
    /// This pull.
    pub own: &'a DriveLoss,
    /// Others of the same stand, where it [knocks](Pull::losses_by_knocks).
    pub others: &'a [DriveLoss],
}

impl TrueLoss<'_> {
    /// Share of the engine's work that is lost around a speed. A drive with play may knock at a speed in some pulls and
    /// not in others: what the pulls differ by beyond chance is this one's own (W. James, C. Stein, 1961, from memory).
    #[must_use]
    pub fn share(&self, rpm: f64) -> f64 {
        let (own, own_chance) = self.own.share_and_chance(rpm);
        if self.others.is_empty() {
            return own;
        }
        let others = self.others.iter().map(|loss| loss.share_and_chance(rpm));
        let all: Vec<(f64, f64)> = others.chain([(own, own_chance)]).collect();
        let n = all.len() as f64;
        let mean = all.iter().map(|(share, _)| share).sum::<f64>() / n;
        let chance = all.iter().map(|(_, chance)| chance).sum::<f64>() / n;
        let squares: f64 = all.iter().map(|(share, _)| (share - mean).powi(2)).sum();
        let over = squares / (n - 1.0) / chance.max(f64::MIN_POSITIVE);
        let own_share = if over > DIFFER { 1.0 - 1.0 / over } else { 0.0 };
        mean + own_share * (own - mean)
    }
}

/// Before the throttle opens the engine has this share of its torque.
const PART_THROTTLE: f64 = 0.25;
/// The throttle takes so long to open.
const OPENING_S: f64 = 0.06;
/// Time before it opens, and after it closed.
const BEFORE_S: f64 = 0.6;
const AFTER_S: f64 = 0.7;
/// A pull that takes longer is given up.
const LONGEST_S: f64 = 60.0;
/// Closed throttle: the engine takes this share of its torque.
const DRAG: f64 = 0.3;
/// Greatest step, in rad of the crank.
const STEP_RAD: f64 = 0.12;

/// Angles and speeds are the drum's; the other shaft is the engine's where the wheel sits on the drum.
#[derive(Debug, Clone, Copy)]
struct State {
    theta: f64,
    /// ω²/2 of the shaft of the wheel.
    energy: f64,
    time_s: f64,
    /// Angle and speed of the other shaft, where the drive gives; without one the engine's angle, ahead by a tyre's slip.
    other_rad: f64,
    other_rad_per_s: f64,
}

impl Pull {
    /// A drum with a wheel of so many teeth, whose engine has cycles that vary and drives it rigidly.
    #[must_use]
    pub const fn of_drum(teeth: u32) -> Self {
        Self {
            drum_inertia_kg_m2: 3.2,
            engine_inertia_kg_m2: 0.006,
            reciprocating_share: 0.0,
            engine_per_drum: 6.0,
            losses: [0.8, 0.004, 2e-5],
            teeth,
            on_engine: false,
            tooth_error_share: 0.01,
            jitter_s: 3e-6,
            tick_s: 0.5e-6,
            cycles_per_engine_turn: 0.5,
            ripple: [2.5, 0.0, 0.0],
            shape: Shape::Hump,
            torque_nm: 1.0,
            from_rpm: 2800.0,
            to_rpm: 8200.0,
            brake: None,
            cycles: Cycles::varying(0.015),
            drive: None,
            tyre_slip: 0.0,
            sparks: Sparks::NONE,
            missed_probability: 0.0,
            coil: None,
        }
    }

    /// Mean torque at the crank at an engine speed, N·m.
    #[must_use]
    pub fn mean_torque_nm(&self, rpm: f64) -> f64 {
        let x = (rpm - self.from_rpm) / (self.to_rpm - self.from_rpm);
        self.torque_nm * self.shape.at(x.clamp(-0.2, 1.2))
    }

    /// Mean acceleration of the wheel at full throttle and an engine speed, rad/s², where the drive takes
    /// a share of the torque. A tyre's slip comes on top of that speed.
    #[must_use]
    pub fn wheel_alpha_rad_per_s2(&self, rpm: f64, lost_in_drive: f64) -> f64 {
        let omega = rpm * RPM / self.engine_per_drum;
        let slipping = 1.0 + self.slip(omega, 1.0);
        let [c0, c1, c2] = self.losses;
        let engine_nm =
            self.engine_per_drum * self.mean_torque_nm(slipping * rpm) * (1.0 - lost_in_drive);
        let lost_nm = c0 + omega * (c1 + omega * c2) + self.brake_nm(rpm, 1.0);
        let wheel_per_drum = if self.on_engine {
            self.engine_per_drum
        } else {
            1.0
        };
        let (drum, engine) = self.inertias_kg_m2();
        wheel_per_drum * (engine_nm - lost_nm) / (drum + slipping * engine)
    }

    /// The torque that makes the pull last about so long.
    #[must_use]
    pub fn lasting(mut self, seconds: f64) -> Self {
        let inertia = self.inertia_kg_m2();
        let steps = 500;
        let share = self.brake.map_or(0.0, |b| b.share);
        self.torque_nm = 1.0;
        let step_rpm = (self.to_rpm - self.from_rpm) / f64::from(steps);
        let step = step_rpm * RPM / self.engine_per_drum;
        let unit_s: f64 = (0..steps)
            .map(|i| {
                let rpm = self.from_rpm + (f64::from(i) + 0.5) * step_rpm;
                let driving = self.mean_torque_nm(rpm) * (1.0 - share) * self.engine_per_drum;
                inertia * step / driving
            })
            .sum();
        self.torque_nm = unit_s / seconds;
        self
    }

    fn inertia_kg_m2(&self) -> f64 {
        let (drum, engine) = self.inertias_kg_m2();
        drum + engine
    }

    /// Of drum and engine, at the drum.
    fn inertias_kg_m2(&self) -> (f64, f64) {
        let ratio = self.engine_per_drum;
        (
            self.drum_inertia_kg_m2,
            self.engine_inertia_kg_m2 * ratio * ratio,
        )
    }

    /// Inertia of the engine at the drum, kg·m², and its change with the angle of the shaft there, where it has turned by
    /// so much: what a piston has of it goes with the square of its speed over that of the crank's pin, which is
    /// `sin t (1 + l cos t)` for a rod of `1 / l` times the crank's radius (any textbook of engine dynamics).
    fn engine_inertia_kg_m2(&self, engine_rad: f64, phase: f64) -> (f64, f64) {
        let ratio = self.engine_per_drum;
        let mean = self.engine_inertia_kg_m2 * ratio * ratio;
        if self.reciprocating_share == 0.0 {
            return (mean, 0.0);
        }
        let apart = TAU / (self.cycles_per_engine_turn * f64::from(self.cycles.cylinders));
        let (square, slope) = (0..self.cycles.cylinders).fold((0.0, 0.0), |sum, cylinder| {
            let crank = ratio * engine_rad + phase + apart * f64::from(cylinder);
            let (sin, cos) = crank.sin_cos();
            let speed = sin * (1.0 + ROD * cos);
            let change = cos + ROD * (cos * cos - sin * sin);
            (sum.0 + speed * speed, sum.1 + 2.0 * speed * change)
        });
        let unit = 0.5 * f64::from(self.cycles.cylinders) * (1.0 + 0.25 * ROD * ROD);
        let share = self.reciprocating_share;
        (
            mean * (1.0 + share * (square / unit - 1.0)),
            mean * share * ratio * slope / unit,
        )
    }

    /// What the gas pressure's swing adds to the mean torque, over it; a cycle that does not burn has no
    /// pressure to swing with.
    fn swing(&self, engine_rad: f64, work: f64, phase: f64) -> f64 {
        if work <= 0.0 {
            return 0.0;
        }
        let cylinders = f64::from(self.cycles.cylinders);
        let cycle = self.cycles_per_engine_turn * cylinders * self.engine_per_drum * engine_rad;
        (1_u8..)
            .zip(self.ripple)
            .map(|(m, a)| a * (f64::from(m) * (cycle + phase)).cos())
            .sum()
    }

    /// Work that a swinging drive takes from the engine, and that the engine gives on average, over a step
    /// at full throttle, J.
    ///
    /// Spring and damper push the drum as they hold back the engine, but for the sprocket's arm, so that the mean
    /// acceleration lacks what the engine's own mean torque does, and what the arm takes. That torque is even over
    /// angle: over time it falls behind by what its swing does with the swing of the crank. (What the damper turns to
    /// heat is the same in the long run, but later.)
    fn drive_work_j(
        &self,
        drive: &Drive,
        after: &State,
        dt_s: f64,
        work: f64,
        phase: f64,
    ) -> (f64, f64) {
        let omega = (2.0 * after.energy).sqrt();
        let (wheel, other) = (
            (after.theta, omega),
            (after.other_rad, after.other_rad_per_s),
        );
        let (drum, engine) = if self.on_engine {
            (other, wheel)
        } else {
            (wheel, other)
        };
        let inertias = self.inertias_kg_m2();
        let swings = (engine.1 - drum.1) * inertias.0 / (inertias.0 + inertias.1);
        let mean_nm =
            self.engine_per_drum * self.mean_torque_nm(drum.1 * self.engine_per_drum / RPM);
        let (_, heavier) = self.engine_inertia_kg_m2(engine.0, phase);
        let swing_nm =
            mean_nm * work * self.swing(engine.0, work, phase) - 0.5 * heavier * engine.1.powi(2);
        let (driven_nm, held_nm) = self.driven_nm(drive, engine, drum);
        let lost_w = swing_nm * swings + (held_nm - driven_nm) * drum.1;
        (lost_w * dt_s, mean_nm * drum.1 * dt_s)
    }

    /// What the drive takes in many a pull, where it knocks within each cycle: what one cycle loses is chance like its work.
    #[must_use]
    pub fn losses_by_knocks(&self, seed: u64) -> Vec<DriveLoss> {
        let firings_hz = self.to_rpm / 60.0 * self.cycles_per_engine_turn;
        let knocks = self
            .drive
            .is_some_and(|drive| drive.lash_rad > 0.0 && drive.frequency_hz > firings_hz);
        let pulls = if knocks { KNOCKING_PULLS } else { 0 };
        let mut rng = fastrand::Rng::with_seed(seed);
        (0..pulls)
            .map(|_| self.simulate(rng.u64(..)).lost_in_drive)
            .collect()
    }

    /// What a drive gives the drum and by what it holds back the engine, both at the drum, N·m, for angles and speeds of
    /// engine and drum: they are one but where the sprocket's arm is longer or shorter than on average.
    fn driven_nm(&self, drive: &Drive, engine: (f64, f64), drum: (f64, f64)) -> (f64, f64) {
        let (ahead, over_angle) = drive.polygon(engine.0);
        let twist = engine.0 + ahead - drum.0;
        let rate = engine.1 * (1.0 + over_angle) - drum.1;
        let (spring_nm, damper_nm) = drive.torques_nm(twist, rate, self.inertias_kg_m2());
        let driven_nm = spring_nm + damper_nm;
        (driven_nm, driven_nm * (1.0 + over_angle))
    }

    /// Share by which the engine turns faster than drum and drive say, at a speed of the drum.
    fn slip(&self, drum_rad_per_s: f64, throttle: f64) -> f64 {
        let rpm = drum_rad_per_s * self.engine_per_drum / RPM;
        self.tyre_slip * self.mean_torque_nm(rpm) / self.torque_nm * throttle.max(0.0)
    }

    /// Throttle: 1 fully open, negative while the closed engine drags. `closed_s` is when it closed.
    fn throttle(time_s: f64, closed_s: Option<f64>) -> f64 {
        match closed_s {
            Some(at) if time_s >= at => -DRAG,
            _ => {
                let open = ((time_s - BEFORE_S) / OPENING_S).clamp(0.0, 1.0);
                PART_THROTTLE + (1.0 - PART_THROTTLE) * open
            }
        }
    }

    fn brake_nm(&self, rpm: f64, throttle: f64) -> f64 {
        self.brake.map_or(0.0, |brake| {
            brake.share * self.mean_torque_nm(rpm) * throttle.max(0.0) * self.engine_per_drum
        })
    }

    /// Simulates the pull.
    #[must_use]
    pub fn simulate(&self, seed: u64) -> Seen {
        let mut rng = fastrand::Rng::with_seed(seed);
        let pitch = TAU / f64::from(self.teeth);
        let errors: Vec<f64> = (0..self.teeth)
            .map(|_| self.tooth_error_share * pitch * normal(&mut rng))
            .collect();
        let phase = TAU * rng.f64();
        let ratio = self.engine_per_drum;
        let drum_per_wheel = if self.on_engine { 1.0 / ratio } else { 1.0 };
        let mut closed_s: Option<f64> = None;
        let start_rad_per_s = 0.97 * self.from_rpm * RPM / ratio;
        let mut at = State {
            theta: 0.0,
            energy: 0.5 * start_rad_per_s.powi(2),
            time_s: 0.0,
            other_rad: 0.0,
            other_rad_per_s: start_rad_per_s,
        };
        let mut drawn = Drawn::new(self.cycles, rng.fork());
        let firings = self.cycles_per_engine_turn * f64::from(self.cycles.cylinders) * ratio / TAU;
        let mut edges_s = Vec::new();
        let end_omega = self.to_rpm * RPM / ratio;
        let mut seen = Seen::default();
        let mut sampler = Sampler::new(self, rng.fork());
        let origin_s = 1.0 + rng.f64();
        let mut tooth_number = 0_u64;
        loop {
            let tooth = usize::try_from(tooth_number % u64::from(self.teeth)).unwrap_or(0);
            let error = errors.get(tooth).copied().unwrap_or(0.0);
            let target = drum_per_wheel * (pitch * (tooth_number as f64 + 0.5) + error);
            let steps = ((target - at.theta) * ratio / STEP_RAD).ceil().max(1.0);
            let h = (target - at.theta) / steps;
            let mut done = 0.0;
            while done < steps {
                let before = at;
                let closed = closed_s;
                let turned = match self.drive {
                    Some(_) => at.theta,
                    None => at.other_rad,
                };
                let firing = firings * (turned + 0.5 * h);
                let work = drawn.work(firing);
                let slope = |s: &State| self.slope(s, work, phase, closed);
                at = runge_kutta(&at, h, slope);
                if let Some(drive) = self.drive
                    && Self::throttle(before.time_s, closed_s) >= 1.0
                {
                    // By the drum's speed: the crank's own swings about it within each cycle, in step
                    // with the work that it takes.
                    let drum_rad_per_s = if self.on_engine {
                        at.other_rad_per_s
                    } else {
                        (2.0 * at.energy).sqrt()
                    };
                    let dt_s = at.time_s - before.time_s;
                    let work_j = self.drive_work_j(&drive, &at, dt_s, work, phase);
                    let rpm = drum_rad_per_s * ratio / RPM;
                    seen.lost_in_drive
                        .take(firing, (at.time_s, rpm), dt_s, work_j);
                }
                self.spark(&before, &at, firings, &mut rng, &mut edges_s);
                sampler.sample(self, &before, &at, closed_s, origin_s, &mut seen.force);
                done += 1.0;
            }
            if closed_s.is_none() && (2.0 * at.energy).sqrt() >= end_omega {
                closed_s = Some(at.time_s);
            }
            // A drive that takes all of the work where it swings holds the engine there for ever.
            if at.time_s > closed_s.map_or(LONGEST_S, |closed_s| closed_s + AFTER_S) {
                break;
            }
            let omega = (2.0 * at.energy).sqrt();
            let late_rad = self.coil.map_or(Some(0.0), |coil| {
                coil.late_rad(
                    pitch * tooth_number as f64,
                    omega * ratio / (self.from_rpm * RPM),
                )
            });
            if let Some(late_rad) = late_rad.filter(|_| rng.f64() >= self.missed_probability) {
                let late_s = drum_per_wheel * late_rad / f64::from(self.teeth) / omega;
                edges_s.push(at.time_s + late_s + self.jitter_s * normal(&mut rng));
            }
            tooth_number += 1;
        }
        edges_s.sort_by(f64::total_cmp);
        for (number, edge_s) in (0_u64..).zip(edges_s) {
            let tick = self.tick(origin_s + edge_s);
            if seen.edges.last().is_none_or(|last| tick > last.tick) {
                seen.edges.push(Edge { tick, number });
            }
        }
        seen
    }

    /// Change of a state with the angle of the wheel's shaft, while the engine does `work` of the mean.
    fn slope(&self, s: &State, work: f64, phase: f64, closed_s: Option<f64>) -> State {
        let ratio = self.engine_per_drum;
        let omega = (2.0 * s.energy.max(1e-6)).sqrt();
        let (wheel, other) = ((s.theta, omega), (s.other_rad, s.other_rad_per_s));
        let throttle = Self::throttle(s.time_s, closed_s);
        let slip = self.slip(omega, throttle);
        let (drum, engine) = match (self.drive, self.on_engine) {
            (None, _) => (wheel, (s.other_rad, omega * (1.0 + slip))),
            (Some(_), false) => (wheel, other),
            (Some(_), true) => (other, wheel),
        };
        // A cycle's charge follows the mean speed: the crank's swing within the cycle comes after it was
        // drawn in. (It would else do work with the gas pressure's swing that no measurement tells from
        // the engine's torque.)
        let inertias = self.inertias_kg_m2();
        let (engine_inertia, heavier) = self.engine_inertia_kg_m2(engine.0, phase);
        let charged = match self.drive {
            // What the pistons take of the speed, and give back.
            None => ((inertias.0 + engine_inertia) / (inertias.0 + inertias.1)).sqrt(),
            Some(_) => 1.0,
        };
        let rpm = charged * drum.1 * (1.0 + slip) * ratio / RPM;
        let swing = 1.0 + self.swing(engine.0, work, phase);
        let engine_nm = ratio * self.mean_torque_nm(rpm) * throttle * work * swing;
        let [c0, c1, c2] = self.losses;
        let lost_nm = c0 + drum.1 * (c1 + drum.1 * c2) + self.brake_nm(rpm, throttle);
        let engine_nm = engine_nm - 0.5 * heavier * engine.1.powi(2);
        let (wheel_alpha, other_alpha) = self.drive.map_or_else(
            || {
                let inertia = inertias.0 + (1.0 + slip) * engine_inertia;
                ((engine_nm - lost_nm) / inertia, 0.0)
            },
            |drive| {
                let (driven_nm, held_nm) = self.driven_nm(&drive, engine, drum);
                let drum_alpha = (driven_nm - lost_nm) / inertias.0;
                let engine_alpha = (engine_nm - held_nm) / engine_inertia;
                if self.on_engine {
                    (engine_alpha, drum_alpha)
                } else {
                    (drum_alpha, engine_alpha)
                }
            },
        );
        State {
            theta: 1.0,
            energy: wheel_alpha,
            time_s: 1.0 / omega,
            other_rad: match self.drive {
                Some(_) => s.other_rad_per_s / omega,
                None => 1.0 + slip,
            },
            other_rad_per_s: other_alpha / omega,
        }
    }

    /// Edges of the spark that may fall between two states.
    fn spark(
        &self,
        before: &State,
        after: &State,
        firings: f64,
        rng: &mut fastrand::Rng,
        edges_s: &mut Vec<f64>,
    ) {
        let sparks = self.sparks;
        let (from, to) = (
            (firings * before.theta - sparks.at).floor(),
            (firings * after.theta - sparks.at).floor(),
        );
        if sparks.probability <= 0.0 || to <= from || rng.f64() >= sparks.probability {
            return;
        }
        let share =
            (to + sparks.at - firings * before.theta) / (firings * (after.theta - before.theta));
        let mut edge_s = before.time_s + share * (after.time_s - before.time_s);
        for _ in 0..sparks.edges {
            edges_s.push(edge_s);
            edge_s -= sparks.spacing_s * (1.0 - rng.f64()).ln();
        }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a positive time of seconds"
    )]
    fn tick(&self, time_s: f64) -> u64 {
        (time_s / self.tick_s).floor() as u64
    }
}

fn runge_kutta(at: &State, h: f64, slope: impl Fn(&State) -> State) -> State {
    let moved = |by: f64, slope: &State| State {
        theta: at.theta + by * slope.theta,
        energy: at.energy + by * slope.energy,
        time_s: at.time_s + by * slope.time_s,
        other_rad: at.other_rad + by * slope.other_rad,
        other_rad_per_s: at.other_rad_per_s + by * slope.other_rad_per_s,
    };
    let k1 = slope(at);
    let k2 = slope(&moved(0.5 * h, &k1));
    let k3 = slope(&moved(0.5 * h, &k2));
    let k4 = slope(&moved(h, &k3));
    let mean = |of: fn(&State) -> f64| (of(&k1) + 2.0 * (of(&k2) + of(&k3)) + of(&k4)) / 6.0;
    moved(
        h,
        &State {
            theta: 1.0,
            energy: mean(|s| s.energy),
            time_s: mean(|s| s.time_s),
            other_rad: mean(|s| s.other_rad),
            other_rad_per_s: mean(|s| s.other_rad_per_s),
        },
    )
}

/// The load cell's converter.
struct Sampler {
    due_s: f64,
    rng: fastrand::Rng,
}

impl Sampler {
    fn new(pull: &Pull, mut rng: fastrand::Rng) -> Self {
        let period = pull.brake.map_or(f64::INFINITY, |b| 1.0 / b.rate_hz);
        Self {
            due_s: if period.is_finite() {
                period * rng.f64()
            } else {
                f64::INFINITY
            },
            rng,
        }
    }

    fn sample(
        &mut self,
        pull: &Pull,
        before: &State,
        after: &State,
        closed_s: Option<f64>,
        origin_s: f64,
        force: &mut Vec<(u64, i32)>,
    ) {
        let Some(brake) = pull.brake else {
            return;
        };
        while self.due_s <= after.time_s {
            let share = (self.due_s - before.time_s) / (after.time_s - before.time_s);
            let energy = before.energy + share * (after.energy - before.energy);
            let rpm = (2.0 * energy).sqrt() * pull.engine_per_drum / RPM;
            let held_nm = pull.brake_nm(rpm, Pull::throttle(self.due_s, closed_s));
            let newton = held_nm / brake.arm_m + brake.shape_n;
            let counts = brake.zero_counts
                + newton / brake.newton_per_count
                + brake.noise_counts * normal(&mut self.rng);
            #[expect(clippy::cast_possible_truncation, reason = "float `as` saturates")]
            let counts = counts.round() as i32;
            force.push((pull.tick(origin_s + self.due_s), counts));
            self.due_s += 1.0 / brake.rate_hz;
        }
    }
}

/// A standard normal deviate (Box–Muller).
pub fn normal(rng: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
    radius * (TAU * rng.f64()).cos()
}
