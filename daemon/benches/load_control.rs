//! How well the loop holds a load, on the software stand, beside an oracle that knows engine and absorber.
//!
//! One line for each absorber with a single and a twin, all of one-cycle mean speeds of the crank:
//!
//! - `hold_pct`: farthest 1 s mean from 5000 rev/min at full throttle in 10 s.
//! - `settle_ratio`: time until 5000 → 6000, or back, stays within 1 %, over the oracle's; the worse of the two. The oracle lets go
//!   (or takes hold) fully, then the other way, then holds the new speed; its two times are searched for on the very stand.
//! - `overshoot_pct`: of that step.
//! - `throttle_snap_pct`: farthest from 5000 rev/min when the throttle is snapped from full to a quarter, or back. When it is
//!   snapped shut, no brake can keep the speed: then how much lower than with a brake that lets go at once. `oracle_snap_pct`: the
//!   same of one that knows of the snap and moves the absorber as fast as it goes; `late_oracle_snap_pct`: of one that comes to know of
//!   it half a working cycle later, as who has only the speed does at best: whatever averages over a cycle is so late.
//! - `loss_of_load_gain_pct`: what the engine gains at 5000 rev/min and full throttle when the absorber's power is gone, its
//!   coupling parts, or its valve or driver sticks as the throttle is opened; the worst. `visible_to_cut_ms`: how long after the loss
//!   could be seen it is cut, the worst of these and of a driver that gives all it can. It can be seen from the first moment at which the
//!   switch of the supply opens, or the measured output is 15 % of full, measured torque a quarter and 15 % of full, or the cycle's
//!   speed 1 % of 5000 rev/min from those of the same stand, at the same throttle, with nothing broken.
//!
//! The oracle reckons the speed without its pulses from the engine's mean torque, the absorber's torque and the inertia, all of them
//! exact: it has no delay.
//!
//! `-- --seeds N` runs N seeds of each case and prints the worst. `-- --drawn N` takes N stands of each absorber that nobody tuned
//! anything on instead, a single and a twin in turn, and prints quantiles; `--from N` begins at another seed.
//! `-- --only water` leaves the other absorbers out.

#![expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "numbers of steps and speeds, far within"
)]
#![expect(clippy::print_stdout, reason = "a benchmark prints")]

use leverarm_load::absorber::{Absorber, Follows, Kind};
use leverarm_load::controller::{Demand, Mode, Q16, Why};
use leverarm_software_stand::{AbsorberFault, Relay, SoftwareStand, StandModel, rad_per_s, rpm};

const STEP_US: u64 = 500;
const HELD_RPM: f64 = 5_000.0;
const STEP_RPM: f64 = 6_000.0;

struct Run {
    stand: SoftwareStand,
    bytes: Vec<u8>,
    /// Time and angle of the crank, newest last.
    turned: Vec<(f64, f64)>,
    /// The oracle's speed without pulses, rad/s of the drum.
    smooth: f64,
}

impl Clone for Run {
    fn clone(&self) -> Self {
        Self {
            stand: self.stand.clone(),
            bytes: Vec::new(),
            turned: self.turned.clone(),
            smooth: self.smooth,
        }
    }
}

impl Run {
    /// At full throttle, held at 5000 rev/min for a while.
    fn held(model: &StandModel, seed: u64) -> Self {
        let stand = SoftwareStand::new(model.clone(), seed).expect("a model that can be simulated");
        let mut run = Self {
            stand,
            bytes: Vec::new(),
            turned: Vec::new(),
            smooth: 0.0,
        };
        run.stand.clutch(true);
        run.stand.throttle(0.4);
        run.stand.arm_load();
        run.go(1.0, |_, _| {});
        run.hold(HELD_RPM);
        run.go(1.0, |_, _| {});
        run.stand.throttle(1.0);
        run.settle();
        run
    }

    /// Until the speed stays, 30 s at most.
    fn settle(&mut self) {
        for _ in 0..30 {
            let (mut low, mut high) = (f64::INFINITY, 0.0_f64);
            self.go(1.0, |_, rpm| (low, high) = (low.min(rpm), high.max(rpm)));
            if high - low < 0.02 * low && low > 0.9 * HELD_RPM {
                break;
            }
        }
        self.go(1.0, |_, _| {});
    }

    fn hold(&mut self, speed_rpm: f64) {
        let target = rad_per_s(speed_rpm) / self.stand.model().ratio * Q16 as f64;
        self.stand.demand_load(Demand {
            mode: Mode::Speed,
            target: target.round() as i64,
            ..Demand::default()
        });
    }

    /// Goes on for a time, s; tells each half millisecond since when, and the mean speed of the last cycle in rev/min.
    fn go(&mut self, for_s: f64, mut at: impl FnMut(f64, f64)) {
        let begin_us = self.stand.now_us();
        let steps = (for_s * 1e6) as u64 / STEP_US;
        for step in 1..=steps {
            self.stand
                .advance(begin_us + step * STEP_US, &mut self.bytes);
            self.bytes.clear();
            let truth = self.stand.truth();
            self.turned.push((truth.time_s, truth.crank_rad));
            let from = self
                .turned
                .partition_point(|it| it.1 < truth.crank_rad - 4.0 * std::f64::consts::PI);
            let first = self.turned[from.saturating_sub(1)];
            let speed = (truth.crank_rad - first.1) / (truth.time_s - first.0).max(1e-9);
            at(step as f64 * STEP_US as f64 * 1e-6, rpm(speed));
        }
        let keep = self.turned.len().saturating_sub(400);
        self.turned.drain(..keep);
    }

    fn absorber(&self) -> &Absorber {
        &self
            .stand
            .model()
            .absorber
            .as_ref()
            .expect("a brake")
            .absorber
    }

    /// Outputs that let go and take hold as fast as can be.
    fn ends(&self) -> (f64, f64) {
        match self.absorber().follows {
            Follows::Coil {
                forcing,
                fast_decay,
                ..
            } => (if fast_decay { -forcing } else { 0.0 }, forcing),
            Follows::Valve { .. } | Follows::Electronics { .. } => (0.0, 1.0),
        }
    }

    /// The engine's and the rotor's torque at the absorber at a speed of it, N·m.
    fn engine_nm(&self, drum: f64) -> f64 {
        let model = self.stand.model();
        let crank = drum * model.ratio;
        let truth = self.stand.truth();
        let engine_nm = model.engine.part_throttle_nm(truth.throttle, crank) * truth.torque_factor;
        engine_nm * model.ratio - model.drum.losses.torque_nm(drum)
    }

    /// The oracle begins to reckon.
    fn begin_smooth(&mut self, speed_rpm: f64) {
        self.smooth = rad_per_s(speed_rpm) / self.stand.model().ratio;
    }

    /// Goes on by a millisecond, and reckons the speed; gives the cycle's mean in rev/min.
    fn reckon(&mut self, mut at: impl FnMut(f64, f64)) -> f64 {
        let mut cycle_rpm = 0.0;
        self.go(0.001, |within, speed_rpm| {
            cycle_rpm = speed_rpm;
            at(within, speed_rpm);
        });
        let nm = self.engine_nm(self.smooth) - self.stand.truth().brake_nm;
        self.smooth += nm / self.stand.model().locked_inertia_kg_m2() * 0.001;
        cycle_rpm
    }

    /// What an oracle puts out to bring a speed to a set point and keep it: it knows the engine's mean torque, the throttle,
    /// the absorber's heat and its level, and drives that level as hard as it can be.
    fn oracle_output(&self, held_rpm: f64, hold_per_s: f64) -> f64 {
        const LEVEL_PER_STEP: f64 = 0.1;
        let model = self.stand.model();
        let drum = self.smooth;
        let away = drum - rad_per_s(held_rpm) / model.ratio;
        let back_nm = hold_per_s * model.locked_inertia_kg_m2() * away;
        let nm = (self.engine_nm(drum) + back_nm).max(0.0);
        let absorber = self.absorber();
        let left = absorber
            .heat
            .left(self.stand.absorber_k(), model.air.temperature_k);
        let hot = model.absorber.as_ref().map_or(1.0, |it| {
            it.resistance_over_cold(self.stand.absorber_k(), model.air.temperature_k)
        });
        let wanted = absorber.output_for(nm / (absorber.full_torque_nm(drum) * left));
        let (low, high) = self.ends();
        let level = self.stand.absorber_level();
        (wanted * hot + (wanted - level) / LEVEL_PER_STEP).clamp(low, high)
    }
}

/// Gains with which the oracle holds, a second; the best counts.
const ORACLE_HOLDS: [f64; 2] = [15.0, 50.0];

/// When a run of speeds comes to stay within 1 % of a target, s, and how far it went beyond, rev/min.
#[derive(Clone, Copy)]
struct Settling {
    settled_s: f64,
    beyond_rpm: f64,
}

impl Settling {
    fn of(
        run: &mut Run,
        from_rpm: f64,
        to_rpm: f64,
        for_s: f64,
        mut act: impl FnMut(&mut Run, f64),
    ) -> Self {
        let mut found = Self {
            settled_s: 0.0,
            beyond_rpm: 0.0,
        };
        let direction = (to_rpm - from_rpm).signum();
        let steps = (for_s / 0.001) as u32;
        run.begin_smooth(from_rpm);
        for step in 0..steps {
            let since = f64::from(step) * 0.001;
            act(run, since);
            run.reckon(|within, rpm| {
                if (rpm / to_rpm - 1.0).abs() > 0.01 {
                    found.settled_s = since + within;
                }
                found.beyond_rpm = found.beyond_rpm.max(direction * (rpm - to_rpm));
            });
        }
        found
    }
}

/// The oracle's time for a step. Nothing cuts it: the board does not know what it does.
fn oracle_s(start: &Run, from_rpm: f64, to_rpm: f64) -> f64 {
    const HELD_S: f64 = 0.35;
    let (low, high) = start.ends();
    let (first, second) = if to_rpm > from_rpm {
        (low, high)
    } else {
        (high, low)
    };
    // Infinite: not settled when the time was over.
    let try_it = |first_s: f64, second_s: f64| {
        let settled_with = |hold_per_s: f64| {
            let mut run = start.clone();
            run.stand.relay(Relay::Welded);
            let for_s = first_s + second_s + HELD_S;
            let settling = Settling::of(&mut run, from_rpm, to_rpm, for_s, |run, since| {
                let output = if since < first_s {
                    first
                } else if since < first_s + second_s {
                    second
                } else {
                    run.oracle_output(to_rpm, hold_per_s)
                };
                run.stand.absorber_output(Some(output));
            });
            if settling.settled_s < for_s - 0.02 {
                settling.settled_s
            } else {
                f64::INFINITY
            }
        };
        ORACLE_HOLDS
            .map(settled_with)
            .into_iter()
            .fold(f64::INFINITY, f64::min)
    };
    let mut best = (f64::INFINITY, 0.1, 0.02);
    let mut first_ms = 0;
    while first_ms < 2_000 && f64::from(first_ms) / 1_000.0 < best.0 + 0.05 {
        for second_ms in (0..60).step_by(10) {
            let (one, other) = (f64::from(first_ms) / 1000.0, f64::from(second_ms) / 1000.0);
            // Longer than what is best already can't be better.
            if one + other < best.0 + 0.05 {
                let settled = try_it(one, other);
                if settled < best.0 {
                    best = (settled, one, other);
                }
            }
        }
        first_ms += 30;
    }
    for step_s in [0.01, 0.005] {
        for (one, other) in [
            (-1.0, 0.0),
            (1.0, 0.0),
            (0.0, -1.0),
            (0.0, 1.0),
            (-1.0, 1.0),
            (1.0, -1.0),
        ] {
            let (one, other) = (
                (best.1 + one * step_s).max(0.0),
                (best.2 + other * step_s).max(0.0),
            );
            let settled = try_it(one, other);
            if settled < best.0 {
                best = (settled, one, other);
            }
        }
    }
    best.0
}

/// How far a snap of the throttle takes it off, in percent, and whether the board cuts: the loop's way, or an oracle's with a gain.
fn snap_by(start: &Run, to: f64, oracle: Option<Oracle>) -> (f64, bool) {
    let mut run = start.clone();
    run.stand.throttle(to);
    run.begin_smooth(HELD_RPM);
    if oracle.is_some() {
        run.stand.relay(Relay::Welded);
    }
    // A brake that lets go at once, when none can hold the speed.
    let mut free = start.clone();
    free.stand.throttle(to);
    free.stand.absorber_fault(AbsorberFault::Parted);
    free.stand.relay(Relay::Welded);
    let coasts = to == 0.0;
    let mut off: f64 = 0.0;
    let before = run.stand.load().unwrap_or_default().output as f64 / Q16 as f64;
    for step_ms in 0..500_u32 {
        if let Some(oracle) = oracle {
            let output = if step_ms < oracle.late_ms {
                before
            } else {
                run.oracle_output(HELD_RPM, oracle.hold_per_s)
            };
            run.stand.absorber_output(Some(output));
        }
        let mut without = HELD_RPM;
        let now = run.reckon(|_, _| {});
        if coasts {
            free.go(0.001, |_, rpm| without = rpm);
        }
        off = off.max((now - without.min(HELD_RPM)).abs() / HELD_RPM * 100.0);
    }
    (off, run.stand.truth().cut)
}

/// Gain of an oracle, and how late it knows of a snap.
#[derive(Clone, Copy)]
struct Oracle {
    hold_per_s: f64,
    late_ms: u32,
}

/// Half a working cycle at 5000 rev/min.
const HALF_CYCLE_MS: u32 = 12;

fn oracle_snap(start: &Run, to: f64, late_ms: u32) -> f64 {
    ORACLE_HOLDS
        .map(|hold_per_s| {
            let oracle = Oracle {
                hold_per_s,
                late_ms,
            };
            snap_by(start, to, Some(oracle)).0
        })
        .into_iter()
        .fold(f64::INFINITY, f64::min)
}

/// What a loss of load does.
struct Loss {
    gain_pct: f64,
    visible_s: f64,
    cut_s: f64,
    why: Why,
}

/// Breaks the absorber, and sets the throttle. What can be seen is what differs from the same stand with nothing broken.
fn lose(start: &Run, fault: AbsorberFault, throttle: f64) -> Loss {
    const SEEN_OUTPUT: f64 = 0.15;
    const SEEN_SPEED: f64 = 0.01;
    let (mut run, mut sound) = (start.clone(), start.clone());
    let brake = run.stand.model().absorber.clone().expect("a brake");
    let truth = run.stand.truth();
    let full_nm = brake.absorber.full_torque_nm(truth.omega_drum_rad_per_s);
    let begin_s = truth.time_s;
    // Of the broken and of the sound one, through the sensor's lag.
    let mut sensed_nm = [truth.brake_nm; 2];
    run.stand.absorber_fault(fault);
    run.stand.throttle(throttle);
    sound.stand.throttle(throttle);
    let mut loss = Loss {
        gain_pct: 0.0,
        visible_s: f64::INFINITY,
        cut_s: f64::INFINITY,
        why: Why::None,
    };
    for step in 1..=3_000_u32 {
        let since = f64::from(step) * 0.0005;
        let mut speeds_rpm = [HELD_RPM; 2];
        run.go(0.0005, |_, rpm| speeds_rpm[0] = rpm);
        sound.go(0.0005, |_, rpm| speeds_rpm[1] = rpm);
        let truth = run.stand.truth();
        loss.gain_pct = loss.gain_pct.max((speeds_rpm[0] / HELD_RPM - 1.0) * 100.0);
        for (sensed_nm, run) in sensed_nm.iter_mut().zip([&run, &sound]) {
            let share = (0.0005 / brake.torque_sensor_s).min(1.0);
            *sensed_nm += (run.stand.truth().brake_nm - *sensed_nm) * share;
        }
        let level_off = run.stand.absorber_level() - sound.stand.absorber_level();
        let is_seen = (fault == AbsorberFault::Lost && since > brake.supply_switch_s)
            || (brake.has_output_sensor && level_off.abs() > SEEN_OUTPUT)
            || (brake.torque_sensor_s.is_finite()
                && (sensed_nm[0] - sensed_nm[1]).abs()
                    > sensed_nm[1] / 4.0 + SEEN_OUTPUT * full_nm)
            || (speeds_rpm[0] - speeds_rpm[1]).abs() > SEEN_SPEED * HELD_RPM;
        if is_seen {
            loss.visible_s = loss.visible_s.min(since);
        }
        if truth.cut {
            loss.cut_s = truth.time_s - begin_s;
            loss.why = run.stand.load().map_or(Why::None, |it| it.why);
            break;
        }
    }
    // It goes on a little.
    run.go(0.1, |_, rpm| {
        loss.gain_pct = loss.gain_pct.max((rpm / HELD_RPM - 1.0) * 100.0);
    });
    loss
}

#[derive(Clone, Copy, Debug, Default)]
struct Case {
    hold_pct: f64,
    settle_ratio: f64,
    overshoot_pct: f64,
    throttle_snap_pct: f64,
    oracle_snap_pct: f64,
    late_oracle_snap_pct: f64,
    loss_of_load_gain_pct: f64,
    visible_to_cut_ms: f64,
    /// Cut though nothing was wrong.
    is_cut_falsely: bool,
}

fn is_verbose() -> bool {
    std::env::var_os("VERBOSE").is_some()
}

fn case(model: &StandModel, seed: u64) -> Case {
    let mut found = Case::default();
    let start = Run::held(model, seed);

    let mut run = start.clone();
    for _ in 0..10 {
        let from = run.stand.truth();
        run.go(1.0, |_, _| {});
        let to = run.stand.truth();
        let mean = (to.crank_rad - from.crank_rad) / (to.time_s - from.time_s);
        found.hold_pct = found
            .hold_pct
            .max((mean / rad_per_s(HELD_RPM) - 1.0).abs() * 100.0);
    }
    found.is_cut_falsely |= run.stand.truth().cut;

    let mut high = start.clone();
    high.hold(STEP_RPM);
    high.settle();
    for (start, from, to) in [(&start, HELD_RPM, STEP_RPM), (&high, STEP_RPM, HELD_RPM)] {
        let mut run = start.clone();
        run.hold(to);
        let settling = Settling::of(&mut run, from, to, 3.0, |_, _| {});
        found.is_cut_falsely |= run.stand.truth().cut;
        let oracle = oracle_s(start, from, to);
        if is_verbose() {
            println!(
                "  {from} -> {to}: {:.3} s, oracle {oracle:.3} s, beyond {:.1} rpm, {:?}",
                settling.settled_s,
                settling.beyond_rpm,
                run.stand.load().unwrap_or_default().why
            );
        }
        found.settle_ratio = found.settle_ratio.max(settling.settled_s / oracle);
        found.overshoot_pct = found
            .overshoot_pct
            .max(settling.beyond_rpm / (to - from).abs() * 100.0);
    }

    let mut quarter = start.clone();
    quarter.stand.throttle(0.25);
    quarter.settle();
    found.is_cut_falsely |= quarter.stand.truth().cut;
    for (start, to) in [(&start, 0.25), (&quarter, 1.0), (&start, 0.0)] {
        let (off, is_cut) = snap_by(start, to, None);
        found.is_cut_falsely |= is_cut;
        let [oracle, late] = [0, HALF_CYCLE_MS].map(|late_ms| oracle_snap(start, to, late_ms));
        if is_verbose() {
            println!("  snap to {to}: {off:.2} %, oracle {oracle:.2} %, late {late:.2} %");
        }
        found.late_oracle_snap_pct = found.late_oracle_snap_pct.max(late);
        found.throttle_snap_pct = found.throttle_snap_pct.max(off);
        found.oracle_snap_pct = found.oracle_snap_pct.max(oracle);
    }

    for (start, fault, throttle) in [
        (&start, AbsorberFault::Lost, 1.0),
        (&start, AbsorberFault::Parted, 1.0),
        (&start, AbsorberFault::Full, 1.0),
        (&quarter, AbsorberFault::Stuck, 1.0),
        (&start, AbsorberFault::Stuck, 0.25),
    ] {
        let loss = lose(start, fault, throttle);
        let late_ms = (loss.cut_s - loss.visible_s).max(0.0) * 1e3;
        if is_verbose() {
            println!(
                "  {fault:?} to {throttle}: seen after {:.3} s, cut after {:.3} s, {:?}, gain {:.1} %",
                loss.visible_s, loss.cut_s, loss.why, loss.gain_pct
            );
        }
        found.loss_of_load_gain_pct = found.loss_of_load_gain_pct.max(loss.gain_pct);
        found.visible_to_cut_ms = found.visible_to_cut_ms.max(late_ms);
    }
    found
}

impl Case {
    fn figures(&self) -> [(&'static str, f64); 8] {
        [
            ("hold_pct", self.hold_pct),
            ("settle_ratio", self.settle_ratio),
            ("overshoot_pct", self.overshoot_pct),
            ("throttle_snap_pct", self.throttle_snap_pct),
            ("loss_of_load_gain_pct", self.loss_of_load_gain_pct),
            ("visible_to_cut_ms", self.visible_to_cut_ms),
            ("oracle_snap_pct", self.oracle_snap_pct),
            ("late_oracle_snap_pct", self.late_oracle_snap_pct),
        ]
    }
}

/// What stands behind an option.
fn option(name: &str) -> Option<String> {
    let words: Vec<String> = std::env::args().collect();
    let at = words.iter().position(|it| it == name)?;
    words.get(at + 1).cloned()
}

fn number(name: &str) -> Option<u64> {
    option(name)?.parse().ok()
}

fn main() {
    let mut kinds = vec![Kind::EddyCurrent, Kind::Water, Kind::Hydraulic];
    if let Some(only) = option("--only") {
        kinds.retain(|it| it.name().starts_with(&only));
    }
    if let Some(stands) = number("--drawn") {
        let from = number("--from").unwrap_or(1);
        for kind in kinds {
            drawn(kind, from..from + stands);
        }
        return;
    }
    let seeds = number("--seeds").unwrap_or(1);
    for kind in kinds {
        for (cylinders, name) in [(1, "single"), (2, "twin")] {
            let model = StandModel::braked(kind, cylinders);
            let cases: Vec<Case> = (1..=seeds).map(|seed| case(&model, seed)).collect();
            print!("case={}-{name}", kind.name().replace(' ', "-"));
            for place in 0..cases[0].figures().len() {
                let worst = cases
                    .iter()
                    .map(|it| it.figures()[place].1)
                    .fold(0.0, f64::max);
                print!(" {}={worst:.3}", cases[0].figures()[place].0);
            }
            println!();
        }
    }
}

/// Stands that nobody tuned anything on: the middle one, nine of ten, and the worst.
fn drawn(kind: Kind, seeds: std::ops::Range<u64>) {
    let cases: Vec<Case> = seeds
        .map(|seed| {
            let cylinders = if seed % 2 == 0 { 2 } else { 1 };
            let model = StandModel::drawn_brake(kind, cylinders, seed);
            if is_verbose() {
                let brake = model.absorber.as_ref().expect("a brake");
                let inertia = model.locked_inertia_kg_m2();
                println!(
                    "seed {seed}: inertia {inertia:.3}, told {:.3}; {:?}; torque sensor {:.3} s, output sensor {}, teeth {}",
                    brake.task.inertia_kg_m2, brake.absorber.follows, brake.torque_sensor_s, brake.has_output_sensor,
                    brake.task.teeth
                );
            }
            case(&model, seed)
        })
        .collect();
    let falsely = cases.iter().filter(|it| it.is_cut_falsely).count();
    print!(
        "drawn={} stands={} cut_falsely={falsely}",
        kind.name().replace(' ', "-"),
        cases.len()
    );
    for place in 0..cases[0].figures().len() {
        let mut values: Vec<f64> = cases.iter().map(|it| it.figures()[place].1).collect();
        values.sort_by(f64::total_cmp);
        let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
        print!(
            " {}={:.3}/{:.3}/{:.3}",
            cases[0].figures()[place].0,
            at(0.5),
            at(0.9),
            at(1.0)
        );
    }
    println!();
}
