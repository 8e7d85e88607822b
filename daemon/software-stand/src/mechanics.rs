//! The turning parts: drum, crank, clutch, brake, and the heat of the cylinder head.
//!
//! Fourth-order Runge–Kutta with a fixed step. At 10,000 rev/min the crank turns 0.05 rad in a
//! step, and the highest ripple order (4 per turn) 0.2 rad.

use std::f64::consts::TAU;

use super::breathing::Gases;
use super::cycles::Cycles;
use super::model::{Drive, Engine, Head, Shaft, StandModel};
use super::step::{Controls, EngineTorque, STEP_S};

/// Motion, and the work done since the start.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct State {
    pub(super) drum_rad: f64,
    pub(super) drum_rad_per_s: f64,
    pub(super) crank_rad: f64,
    pub(super) crank_rad_per_s: f64,
    /// How far the engine's side of a drive that gives is ahead of the drum, rad at the drum.
    pub(super) twist_rad: f64,
    /// Work of the engine's torque, J.
    pub(super) engine_work_j: f64,
    /// Work that went into losses, brake and clutch, J.
    pub(super) lost_work_j: f64,
    pub(super) fuel_meter: Rotor,
    pub(super) air_meter: Rotor,
}

/// The wheel of a flow meter.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Rotor {
    rad: f64,
    rad_per_s: f64,
}

impl Rotor {
    /// Turned for one step by a flow.
    fn turned(self, kg_per_s: f64, kg_per_turn: f64) -> Self {
        let rad_per_s = TAU * kg_per_s / kg_per_turn;
        Self {
            rad: self.rad + rad_per_s * STEP_S,
            rad_per_s,
        }
    }
}

impl State {
    /// This state after `dt_s` at the rate of change `rate`.
    fn after(&self, rate: &Self, dt_s: f64) -> Self {
        Self {
            drum_rad: self.drum_rad + dt_s * rate.drum_rad,
            drum_rad_per_s: self.drum_rad_per_s + dt_s * rate.drum_rad_per_s,
            crank_rad: self.crank_rad + dt_s * rate.crank_rad,
            crank_rad_per_s: self.crank_rad_per_s + dt_s * rate.crank_rad_per_s,
            twist_rad: self.twist_rad + dt_s * rate.twist_rad,
            engine_work_j: self.engine_work_j + dt_s * rate.engine_work_j,
            lost_work_j: self.lost_work_j + dt_s * rate.lost_work_j,
            fuel_meter: self.fuel_meter,
            air_meter: self.air_meter,
        }
    }

    /// Angle and speed of a shaft.
    pub(super) fn shaft(&self, shaft: Shaft) -> (f64, f64) {
        match shaft {
            Shaft::Drum => (self.drum_rad, self.drum_rad_per_s),
            Shaft::Engine => (self.crank_rad, self.crank_rad_per_s),
            Shaft::FuelMeter => (self.fuel_meter.rad, self.fuel_meter.rad_per_s),
            Shaft::AirMeter => (self.air_meter.rad, self.air_meter.rad_per_s),
        }
    }
}

/// What crank and drum have to do with each other.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Link {
    Open,
    /// The clutch slips; 1.0 when the crank is the faster one, else −1.0.
    Slipping(f64),
    Locked,
}

/// The moving stand.
#[derive(Clone, Debug)]
pub(super) struct Mechanics {
    pub(super) state: State,
    link: Link,
    pulse: FiringPulse,
    pub(super) gases: Gases,
    head_k: f64,
    sensor_k: f64,
    /// Firing torque over the curve's: what air and the scatter of this pull leave of it.
    pub(super) torque_factor: f64,
    cycles: Cycles,
    /// Cycles with a spark that did not burn.
    pub(super) misfires: u64,
}

impl Mechanics {
    pub(super) fn new(model: &StandModel, seed: u64) -> Self {
        Self {
            state: State::default(),
            link: Link::Open,
            pulse: FiringPulse::new(),
            gases: Gases::new(model),
            head_k: model.engine.head.start_k,
            sensor_k: model.engine.head.start_k,
            torque_factor: 1.0 / model.air.torque_divisor,
            cycles: Cycles::new(seed),
            misfires: 0,
        }
    }

    /// Moves the stand by one step; returns where it was before, and the torque after it.
    pub(super) fn step(
        &mut self,
        model: &StandModel,
        controls: &Controls,
    ) -> (State, EngineTorque) {
        let engine = &model.engine;
        let turns = engine.breathing.turns_per_cycle;
        let misfired = self
            .cycles
            .turn_to(self.state.crank_rad, turns, &engine.cycles);
        self.misfires += u64::from(misfired && controls.ignition);
        self.couple(model, controls);
        let from = self.state;
        let rate = |at: &State| self.rate(model, controls, at);
        let k1 = rate(&from);
        let k2 = rate(&from.after(&k1, STEP_S / 2.0));
        let k3 = rate(&from.after(&k2, STEP_S / 2.0));
        let k4 = rate(&from.after(&k3, STEP_S));
        let mut to = from
            .after(&k1, STEP_S / 6.0)
            .after(&k2, STEP_S / 3.0)
            .after(&k3, STEP_S / 3.0)
            .after(&k4, STEP_S / 6.0);
        // Friction stops a shaft, it does not turn it back.
        if to.drum_rad_per_s < 0.0 {
            (to.drum_rad, to.drum_rad_per_s) = (from.drum_rad.max(to.drum_rad), 0.0);
        }
        if to.crank_rad_per_s < 0.0 {
            (to.crank_rad, to.crank_rad_per_s) = (from.crank_rad.max(to.crank_rad), 0.0);
        }
        self.state = to;
        let torque = self.engine_torque(&model.engine, controls, &to);
        self.warm(model, torque.firing_nm);
        self.gases
            .step(model, controls, &torque, to.crank_rad_per_s);
        let (fuel, air) = (self.gases.fuel_kg_per_s(), self.gases.air_kg_per_s());
        let State {
            fuel_meter,
            air_meter,
            ..
        } = to;
        self.state.fuel_meter = fuel_meter.turned(fuel, model.fuel_kg_per_turn);
        self.state.air_meter = air_meter.turned(air, model.air_kg_per_turn);
        (from, torque)
    }

    /// Opens the clutch, lets it slip, or locks it once the speeds have met; a locked one lets go under
    /// more torque than it holds.
    fn couple(&mut self, model: &StandModel, controls: &Controls) {
        let slip = self.state.crank_rad_per_s - model.ratio * self.state.drum_rad_per_s;
        self.link = match self.link {
            _ if !controls.clutch => Link::Open,
            Link::Locked => {
                let held_nm = self.held_nm(model, controls);
                if held_nm.abs() > model.clutch_holds_nm {
                    Link::Slipping(held_nm.signum())
                } else {
                    Link::Locked
                }
            }
            // Just let go, the speeds are still the same.
            Link::Slipping(direction) if direction * slip > 0.0 || slip == 0.0 => self.link,
            Link::Open if slip != 0.0 => Link::Slipping(slip.signum()),
            Link::Open | Link::Slipping(_) => {
                self.lock(model);
                Link::Locked
            }
        };
        if self.link != Link::Locked {
            self.state.twist_rad = 0.0;
        }
    }

    /// Torque that the locked clutch passes on, N·m at the crank.
    fn held_nm(&self, model: &StandModel, controls: &Controls) -> f64 {
        if let Some(drive) = &model.drive {
            return self.driven(model, drive, &self.state).0 / model.ratio;
        }
        let engine_nm = self
            .engine_torque(&model.engine, controls, &self.state)
            .now_nm;
        let rate = self.rate(model, controls, &self.state);
        engine_nm - model.engine.inertia_kg_m2 * rate.crank_rad_per_s
    }

    /// Torque of a drive that gives at the drum, N·m, and the rate of its twist, rad/s.
    fn driven(&self, model: &StandModel, drive: &Drive, at: &State) -> (f64, f64) {
        let ahead = at.crank_rad_per_s / model.ratio - at.drum_rad_per_s;
        drive.pulling(at.twist_rad, ahead, at.drum_rad_per_s)
    }

    /// Energy in the wound drive, J.
    pub(super) fn wound_j(&self, model: &StandModel) -> f64 {
        model.drive.map_or(0.0, |drive| {
            let wound = drive.wound_rad(self.state.twist_rad);
            0.5 * drive.stiffness_nm_per_rad * wound * wound
        })
    }

    /// Gives both shafts the speed that keeps their angular momentum. They differ by what a step
    /// of slipping changes, so the kinetic energy that takes is far below a joule.
    fn lock(&mut self, model: &StandModel) {
        let state = &mut self.state;
        state.drum_rad_per_s = (model.drum.inertia_kg_m2 * state.drum_rad_per_s
            + model.ratio * model.engine.inertia_kg_m2 * state.crank_rad_per_s)
            / model.locked_inertia_kg_m2();
        state.crank_rad_per_s = model.ratio * state.drum_rad_per_s;
    }

    /// Kinetic energy of drum and crank, J.
    pub(super) fn kinetic_j(&self, model: &StandModel) -> f64 {
        let (drum, crank) = (self.state.drum_rad_per_s, self.state.crank_rad_per_s);
        0.5 * (model.drum.inertia_kg_m2 * drum * drum + model.engine.inertia_kg_m2 * crank * crank)
    }

    /// Torque of the engine in a state.
    pub(super) fn engine_torque(
        &self,
        engine: &Engine,
        controls: &Controls,
        at: &State,
    ) -> EngineTorque {
        let speed = at.crank_rad_per_s;
        let opening = if controls.ignition {
            let share = engine.breathing.work_share(controls.throttle, speed);
            share.max(idle_opening(engine, speed))
        } else {
            0.0
        };
        let firing_nm = opening * engine.full_throttle.torque_nm(speed) * self.torque_factor;
        let full_drag_nm = engine.drag.torque_nm(speed);
        let drag_nm = (1.0 - opening) * full_drag_nm;
        let now_nm = match self.cycles.work() {
            Some(work) => {
                let firing_rad = at.crank_rad * f64::from(engine.ripple.firings.max(1));
                let pulse = 1.0 + engine.ripple.amplitude * self.pulse.at(firing_rad);
                firing_nm * work * pulse - drag_nm
            }
            None => -full_drag_nm,
        };
        EngineTorque {
            firing_nm,
            now_nm,
            mean_nm: firing_nm - drag_nm,
            opening,
        }
    }

    /// Rate of change of a state.
    fn rate(&self, model: &StandModel, controls: &Controls, at: &State) -> State {
        let (drum, crank) = (at.drum_rad_per_s, at.crank_rad_per_s);
        let engine_nm = self.engine_torque(&model.engine, controls, at).now_nm;
        let resisting_nm = model.drum.losses.torque_nm(drum) + controls.brake_nm;
        let (mut slipping_w, mut twist_rate) = (0.0, 0.0);
        let (drum_rate, crank_rate) = match (self.link, &model.drive) {
            (Link::Locked, None) => {
                let drum_nm = model.ratio * engine_nm - resisting_nm;
                let drum_rate = from_rest(drum, drum_nm) / model.locked_inertia_kg_m2();
                (drum_rate, model.ratio * drum_rate)
            }
            (Link::Locked, Some(drive)) => {
                let (driven_nm, rate) = self.driven(model, drive, at);
                twist_rate = rate;
                let spring_nm = drive.stiffness_nm_per_rad * drive.wound_rad(at.twist_rad);
                slipping_w = driven_nm * (crank / model.ratio - drum) - spring_nm * rate;
                (
                    from_rest(drum, driven_nm - resisting_nm) / model.drum.inertia_kg_m2,
                    from_rest(crank, engine_nm - driven_nm / model.ratio)
                        / model.engine.inertia_kg_m2,
                )
            }
            (Link::Open | Link::Slipping(_), _) => {
                let clutch_nm = match self.link {
                    Link::Slipping(direction) => direction * model.clutch_torque_nm,
                    Link::Open | Link::Locked => 0.0,
                };
                slipping_w = clutch_nm * (crank - model.ratio * drum);
                (
                    from_rest(drum, model.ratio * clutch_nm - resisting_nm)
                        / model.drum.inertia_kg_m2,
                    from_rest(crank, engine_nm - clutch_nm) / model.engine.inertia_kg_m2,
                )
            }
        };
        State {
            drum_rad: drum,
            drum_rad_per_s: drum_rate,
            crank_rad: crank,
            crank_rad_per_s: crank_rate,
            twist_rad: twist_rate,
            engine_work_j: engine_nm * crank,
            lost_work_j: resisting_nm * drum + slipping_w,
            fuel_meter: Rotor::default(),
            air_meter: Rotor::default(),
        }
    }

    /// Warms or cools the head and lets its sensor follow.
    fn warm(&mut self, model: &StandModel, firing_nm: f64) {
        let Head {
            capacity_j_per_k,
            cooling_w_per_k,
            idle_heat_w,
            heat_per_power,
            ..
        } = model.engine.head;
        let speed = self.state.crank_rad_per_s;
        let idle_w = if firing_nm > 0.0 && speed > 0.0 {
            idle_heat_w
        } else {
            0.0
        };
        let heat_w = idle_w + heat_per_power * firing_nm * speed
            - cooling_w_per_k * (self.head_k - model.air.temperature_k);
        self.head_k += STEP_S * heat_w / capacity_j_per_k;
        self.sensor_k += (self.head_k - self.sensor_k) * STEP_S / model.engine.head.sensor_lag_s;
    }

    /// Temperature of the cylinder head, K.
    pub(super) fn head_k(&self) -> f64 {
        self.head_k
    }

    /// Temperature its sensor has, K.
    pub(super) fn sensor_k(&self) -> f64 {
        self.sensor_k
    }
}

/// Friction holds a shaft at rest until something drives it forward.
fn from_rest(speed_rad_per_s: f64, torque_nm: f64) -> f64 {
    if speed_rad_per_s <= 0.0 {
        torque_nm.max(0.0)
    } else {
        torque_nm
    }
}

/// How far the idle stop and the starter open the throttle: more the slower the crank, so that the
/// engine starts by itself and settles near its idle speed.
fn idle_opening(engine: &Engine, crank_rad_per_s: f64) -> f64 {
    (1.2 - crank_rad_per_s / engine.idle_rad_per_s).clamp(0.0, 0.4)
}

/// The shape of the firing torque over the two turns of a cycle.
///
/// Harmonics of half the crank speed: a bell-shaped push shortly after firing and a smaller hump
/// of compression before it. No harmonic of order zero, so the mean over a cycle is zero; scaled to
/// a highest value of 1.
#[derive(Clone, Debug)]
struct FiringPulse {
    /// Values and slopes times [`Self::CELL_RAD`], [`Self::CELLS`] to a cycle.
    nodes: Vec<(f64, f64)>,
}

impl FiringPulse {
    /// Harmonics of the cycle: 1/2 to 4 per turn.
    const ORDERS: usize = 8;
    /// The highest harmonic turns 0.025 rad in a cell: a cubic between two nodes is off by its fourth
    /// power over 384, 1e-9 of the height.
    const CELLS: usize = 2_048;
    const CELL_RAD: f64 = 2.0 * TAU / Self::CELLS as f64;
    const CELLS_PER_RAD: f64 = Self::CELLS as f64 / (2.0 * TAU);

    fn new() -> Self {
        /// Middle of the push and of the compression hump, crank rad after firing.
        const PUSH_AT_RAD: f64 = 0.7;
        const HUMP_AT_RAD: f64 = -0.6;
        const HUMP_HEIGHT: f64 = 0.3;
        /// Width (standard deviation) of both, in cycle angle.
        const WIDTH_RAD: f64 = 0.33;
        let harmonics: [(f64, f64); Self::ORDERS] = std::array::from_fn(|place| {
            let order = place as f64 + 1.0;
            let size = (-0.5 * (order * WIDTH_RAD).powi(2)).exp();
            let (push, hump) = (order * PUSH_AT_RAD / 2.0, order * HUMP_AT_RAD / 2.0);
            (
                size * (push.cos() - HUMP_HEIGHT * hump.cos()),
                size * (push.sin() - HUMP_HEIGHT * hump.sin()),
            )
        });
        let highest = (0..7_200)
            .map(|step| sum(&harmonics, 2.0 * TAU * f64::from(step) / 7_200.0).0)
            .fold(f64::NEG_INFINITY, f64::max);
        let node = |place| {
            let (value, slope) = sum(&harmonics, Self::CELL_RAD * place as f64);
            (value / highest, slope * Self::CELL_RAD / highest)
        };
        Self {
            nodes: (0..=Self::CELLS).map(node).collect(),
        }
    }

    /// Value at a crank angle, at least 0: the cubic through values and slopes of two nodes.
    fn at(&self, crank_rad: f64) -> f64 {
        let cells = crank_rad * Self::CELLS_PER_RAD;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "an angle that a crank has turned"
        )]
        let cell = cells as u64;
        let t = cells - cell as f64;
        let place = usize::try_from(cell).unwrap_or(0) % Self::CELLS;
        let [(left, left_slope), (right, right_slope)] = self.nodes[place..][..2] else {
            return 0.0;
        };
        let rise = right - left;
        let (bend_left, bend_right) = (left_slope - rise, rise - right_slope);
        left + t * (rise + (1.0 - t) * ((1.0 - t) * bend_left + t * bend_right))
    }
}

/// Value and slope of harmonics of half the crank speed, slowest first, at a crank angle.
fn sum(harmonics: &[(f64, f64)], crank_rad: f64) -> (f64, f64) {
    let orders = (1_u32..).map(|order| f64::from(order) / 2.0);
    orders
        .zip(harmonics)
        .fold((0.0, 0.0), |(value, slope), (order, (cosine, sine))| {
            let (sin, cos) = (order * crank_rad).sin_cos();
            (
                value + cosine * cos + sine * sin,
                slope + order * (sine * cos - cosine * sin),
            )
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rad_per_s;

    const WIDE_OPEN: Controls = Controls {
        throttle: 1.0,
        ignition: true,
        clutch: true,
        brake_nm: 0.0,
    };

    /// Throttle shut and ignition off; the clutch is out.
    const COASTING: Controls = Controls {
        throttle: 0.0,
        ignition: false,
        clutch: false,
        brake_nm: 0.0,
    };

    fn steps(mechanics: &mut Mechanics, model: &StandModel, controls: &Controls, count: u32) {
        for _ in 0..count {
            mechanics.step(model, controls);
        }
    }

    #[track_caller]
    fn near(found: f64, expected: f64, by: f64) {
        assert!((found - expected).abs() < by, "{found} for {expected}");
    }

    fn turning(model: &StandModel, crank_rad_per_s: f64) -> Mechanics {
        let mut mechanics = Mechanics::new(model, 1);
        mechanics.state.crank_rad_per_s = crank_rad_per_s;
        mechanics.state.drum_rad_per_s = crank_rad_per_s / model.ratio;
        mechanics.link = Link::Locked;
        mechanics
    }

    #[test]
    fn firing_pulse_has_zero_mean_and_unit_height() {
        let pulse = FiringPulse::new();
        let values = (0..7_200).map(|step| pulse.at(2.0 * TAU * f64::from(step) / 7_200.0));
        let (sum, highest) = values.fold((0.0, f64::NEG_INFINITY), |(sum, highest), value| {
            (sum + value, f64::max(highest, value))
        });
        assert!((sum / 7_200.0_f64).abs() < 1e-13, "mean {}", sum / 7_200.0);
        assert!((highest - 1.0).abs() < 2e-9, "highest {highest}");
        assert!(
            (pulse.at(1.0) - pulse.at(1.0 + 2.0 * TAU)).abs() < 1e-12,
            "period of two turns"
        );
        assert!(
            (pulse.at(1.0) - pulse.at(1.0 + TAU)).abs() > 0.1,
            "fires every other turn only"
        );
    }

    /// A drum too heavy to be moved keeps the speed; the work of whole cycles over their angle is
    /// the mean torque.
    #[test]
    fn mean_torque_over_cycles_is_the_curve() {
        let mut model = StandModel::pit_bike();
        model.drum.inertia_kg_m2 = 1e12;
        model.drum.losses = crate::Losses::default();
        model.air.torque_divisor = 1.0;
        for speed_rpm in [3_000.0, 6_000.0, 9_000.0] {
            let speed = rad_per_s(speed_rpm);
            let mut mechanics = turning(&model, speed);
            let (mut highest, mut lowest) = (f64::NEG_INFINITY, f64::INFINITY);
            // 10 s are whole cycles at each of these speeds.
            for _ in 0..200_000 {
                let (_, torque) = mechanics.step(&model, &WIDE_OPEN);
                highest = highest.max(torque.now_nm);
                lowest = lowest.min(torque.now_nm);
            }
            let mean_nm = mechanics.state.engine_work_j / mechanics.state.crank_rad;
            let curve_nm = model.engine.full_throttle.torque_nm(speed);
            near(mean_nm / curve_nm, 1.0, 1e-6);
            // The ripple reaches 1 + 2.5 times the mean.
            near(highest / curve_nm, 3.5, 0.02);
            assert!(lowest < 0.9 * curve_nm);
        }
    }

    /// One second of full throttle from 3000 rev/min with ripple, losses and air, against SciPy
    /// 1.17.1, `solve_ivp` with DOP853 at rtol = atol = 1e-13 on the same equations.
    #[test]
    fn a_pull_with_ripple_is_that_of_an_adaptive_solver() {
        let mut model = StandModel::pit_bike();
        model.air.torque_divisor = 1.035;
        let mut mechanics = turning(&model, rad_per_s(3_000.0));
        steps(&mut mechanics, &model, &WIDE_OPEN, 20_000);
        let State {
            drum_rad,
            drum_rad_per_s,
            ..
        } = mechanics.state;
        near(drum_rad, 74.419_117_277_993_24, 1e-8);
        near(drum_rad_per_s, 92.940_186_240_714_23, 1e-8);
    }

    /// Coasting under c0 + c2·ω²: ω(t) = √(c0/c2) · tan(atan(ω0·√(c2/c0)) − √(c0·c2)·t/J), from
    /// separating the variables of J·dω/dt = −(c0 + c2·ω²).
    #[test]
    fn coast_down_is_the_closed_form() {
        let mut model = StandModel::pit_bike();
        let (c0, c2): (f64, f64) = (3.0, 4e-4);
        model.drum.losses = crate::Losses {
            c0_nm: c0,
            c1_nm_s: 0.0,
            c2_nm_s2: c2,
        };
        let start = 170.0;
        let mut mechanics = turning(&model, start * model.ratio);
        for step in 1..=400_000_u32 {
            mechanics.step(&model, &COASTING);
            if step % 50_000 == 0 {
                let angle = (start * (c2 / c0).sqrt()).atan()
                    - (c0 * c2).sqrt() * f64::from(step) * STEP_S / model.drum.inertia_kg_m2;
                let expected = (c0 / c2).sqrt() * angle.tan();
                let found = mechanics.state.drum_rad_per_s;
                near(found, expected, 1e-8);
            }
        }
    }

    /// Speed under a drag that grows with speed: exponential decay, engine and drum locked.
    #[test]
    fn drag_decays_exponentially() {
        let mut model = StandModel::pit_bike();
        let c1 = 0.05;
        model.drum.losses = crate::Losses {
            c0_nm: 0.0,
            c1_nm_s: c1,
            c2_nm_s2: 0.0,
        };
        model.engine.drag = crate::Drag::default();
        let mut mechanics = turning(&model, 900.0);
        let closed = Controls {
            clutch: true,
            ..COASTING
        };
        steps(&mut mechanics, &model, &closed, 100_000);
        let expected = 900.0 * (-c1 * 5.0 / model.locked_inertia_kg_m2()).exp();
        let found = mechanics.state.crank_rad_per_s;
        near(found / expected, 1.0, 1e-10);
    }

    #[test]
    fn brake_stops_the_drum_and_does_not_turn_it_back() {
        let model = StandModel::pit_bike();
        let mut mechanics = turning(&model, 100.0);
        let stop = Controls {
            brake_nm: 200.0,
            ..COASTING
        };
        steps(&mut mechanics, &model, &stop, 20_000);
        assert_eq!(mechanics.state.drum_rad_per_s, 0.0);
        let rest_rad = mechanics.state.drum_rad;
        mechanics.step(&model, &stop);
        assert_eq!(mechanics.state.drum_rad, rest_rad);
    }

    /// With the clutch taking up, slipping and locking, work in = work lost + kinetic energy.
    #[test]
    fn clutch_keeps_the_energy_balance() {
        let mut model = StandModel::pit_bike();
        model.engine.ripple.amplitude = 0.0;
        let mut mechanics = Mechanics::new(&model, 1);
        let free = Controls {
            throttle: 0.3,
            clutch: false,
            ..WIDE_OPEN
        };
        steps(&mut mechanics, &model, &free, 10_000);
        let slip =
            |it: &Mechanics| it.state.crank_rad_per_s - model.ratio * it.state.drum_rad_per_s;
        assert!(slip(&mechanics) > 100.0, "the engine runs up alone");
        steps(&mut mechanics, &model, &WIDE_OPEN, 40_000);
        assert!(slip(&mechanics).abs() < 1e-9, "locked");
        let State {
            engine_work_j,
            lost_work_j,
            ..
        } = mechanics.state;
        let gap = engine_work_j - lost_work_j - mechanics.kinetic_j(&model);
        assert!(
            gap.abs() < 1e-6 * engine_work_j,
            "{gap} J of {engine_work_j} J"
        );
    }

    /// Energy that came in less what is accounted for.
    fn unaccounted_j(it: &Mechanics, model: &StandModel, start_j: f64) -> f64 {
        let State {
            engine_work_j,
            lost_work_j,
            ..
        } = it.state;
        start_j + engine_work_j - lost_work_j - it.kinetic_j(model) - it.wound_j(model)
    }

    /// Two inertias on a spring swing at √(k (1/J₁ + 1/J₂)), damped by √(1 − ζ²) (J. Den Hartog,
    /// "Mechanical Vibrations", ch. 2, from memory).
    #[test]
    fn drum_and_engine_swing_on_a_drive_that_gives() {
        let mut model = StandModel::pit_bike();
        model.drum.losses = crate::Losses::default();
        model.engine.drag = crate::Drag::default();
        let engine_kg_m2 = model.ratio * model.ratio * model.engine.inertia_kg_m2;
        let damping: f64 = 0.05;
        let inertias = (model.drum.inertia_kg_m2, engine_kg_m2);
        model.drive = Some(Drive::swinging(10.0, damping, inertias));
        let mut mechanics = turning(&model, 600.0);
        mechanics.state.twist_rad = 0.01;
        let start_j = mechanics.kinetic_j(&model) + mechanics.wound_j(&model);
        let coast = Controls {
            clutch: true,
            ..COASTING
        };
        let mut crossings = Vec::new();
        for step in 0..20_000_u32 {
            let before = mechanics.state.twist_rad;
            mechanics.step(&model, &coast);
            if before > 0.0 && mechanics.state.twist_rad <= 0.0 {
                crossings.push(f64::from(step) * STEP_S);
            }
        }
        let swings = (crossings.len() - 1) as f64;
        let hz = swings / (crossings[crossings.len() - 1] - crossings[0]);
        near(hz, 10.0 * (1.0 - damping * damping).sqrt(), 0.02);
        let gap_j = unaccounted_j(&mechanics, &model, start_j);
        assert!(gap_j.abs() < 1e-6 * start_j, "{gap_j} J");
    }

    /// A tyre slips by so much for each newton metre that it passes on, and play passes on nothing.
    #[test]
    fn a_tyre_slips_under_torque_and_play_gives_none() {
        let mut model = StandModel::pit_bike();
        model.engine.ripple.amplitude = 0.0;
        let slip_per_nm = 4e-4;
        model.drive = Some(Drive {
            stiffness_nm_per_rad: 2_000.0,
            damping_nm_s: 10.0,
            lash_rad: 0.02,
            slip_per_nm,
        });
        let drive = model.drive.unwrap();
        assert_eq!(drive.pulling(0.009, 1.0, 100.0), (0.0, 1.0));
        let mut mechanics = turning(&model, 500.0);
        let start_j = mechanics.kinetic_j(&model);
        let mut torque = None;
        for _ in 0..20_000 {
            torque = Some(mechanics.step(&model, &WIDE_OPEN).1);
        }
        let at = mechanics.state;
        let slip = at.crank_rad_per_s / model.ratio / at.drum_rad_per_s - 1.0;
        // The drum is driven by what the engine's own inertia leaves.
        let share = model.drum.inertia_kg_m2 / model.locked_inertia_kg_m2();
        let driven_nm = share * model.ratio * torque.unwrap().now_nm;
        near(slip / (slip_per_nm * driven_nm), 1.0, 0.05);
        let gap_j = unaccounted_j(&mechanics, &model, start_j);
        assert!(gap_j.abs() < 1e-4 * at.engine_work_j, "{gap_j} J");
    }

    /// A clutch that holds less than the engine gives lets go, and the engine runs ahead.
    #[test]
    fn a_weak_clutch_lets_go() {
        let mut model = StandModel::pit_bike();
        model.engine.ripple.amplitude = 0.0;
        model.clutch_holds_nm = 6.0;
        model.clutch_torque_nm = 6.0;
        let mut mechanics = turning(&model, 500.0);
        steps(&mut mechanics, &model, &WIDE_OPEN, 4_000);
        let slip =
            mechanics.state.crank_rad_per_s / (model.ratio * mechanics.state.drum_rad_per_s) - 1.0;
        assert!(slip > 0.02, "{slip}");
    }

    /// A cycle that does not burn drags; over many, work goes with the share that burns.
    #[test]
    fn cycles_that_do_not_burn_drag() {
        let mut model = StandModel::pit_bike();
        model.engine.ripple.amplitude = 0.0;
        model.engine.cycles.misfire_probability = 0.999_999;
        model.engine.cycles.misfire_run = 1e9;
        let mut mechanics = turning(&model, 600.0);
        mechanics.step(&model, &WIDE_OPEN);
        let (_, torque) = mechanics.step(&model, &WIDE_OPEN);
        while mechanics.misfires < 2 {
            mechanics.step(&model, &WIDE_OPEN);
        }
        let (_, misfired) = mechanics.step(&model, &WIDE_OPEN);
        assert!(torque.now_nm > 5.0, "{torque:?}");
        let drag_nm = model.engine.drag.torque_nm(mechanics.state.crank_rad_per_s);
        assert!((misfired.now_nm + drag_nm).abs() < 1e-9, "{misfired:?}");
    }
}
