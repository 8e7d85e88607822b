//! A simulated stand with its board: it speaks only bytes, and does nothing a real one couldn't.
//!
//! [`SoftwareStand`] is deterministic: the same model, seed and inputs at the same simulated times
//! give the same bytes, however [`advance`](SoftwareStand::advance) is split. It has no clock and
//! no port; a thin shell gives it both.

mod absorber;
mod board;
mod braked;
mod breathing;
mod channels;
mod cycles;
mod drawn_brake;
mod error;
mod gas_path;
mod judge;
mod line;
mod load;
mod mechanics;
mod model;
mod noise;
mod pickups;
mod rider;
mod step;
mod talk;
mod thermocouple;
mod torque_curve;

pub use absorber::{AbsorberFault, AbsorberModel, SoundAbsorber};
pub use board::Restart;
pub use cycles::CycleVariation;
pub use error::ModelError;
pub use gas_path::{Breathing, Exhaust, Intake, Mixture, ThrottleBody};
pub use model::{
    AnalogChannel, AnalogSensor, AnalogSource, BoardModel, Drag, Drive, Drum, Engine, ForceChannel,
    Head, Hum, Interference, Losses, Pickup, PickupFault, Reaction, Relay, Ripple, Setup, Shaft,
    StandAir, StandModel, TemperatureChannel, TemperatureLaw, TemperatureSource,
};
pub use rider::{RiderEvent, RiderScript};
pub use torque_curve::{Peak, TorqueCurve, rad_per_s, rpm};

use absorber::AbsorberState;
use board::{Board, Inputs};
use breathing::Gases;
use channels::{AnalogScan, Exposure, LoadCell, Thermometer, ThrottleSensor};
use leverarm_load::controller::{Demand, Inputs as LoadInputs, Outputs, Q16};
use mechanics::Mechanics;
use noise::{Noise, Stream};
use pickups::ToothWheel;
use rider::{Gauges, Rider, STEPS_PER_LOOK};
use step::{Controls, STEP_S};

/// One step of the mechanics and one turn of the firmware's main loop, ns.
const STEP_NS: u64 = 50_000;

/// Throttle opening that counts as the beginning of a pull.
const WIDE_OPEN: f64 = 0.9;

/// So fast a hand turns the drum, rad/s, and so fast it gets there, rad/s².
const HAND_RAD_PER_S: f64 = 3.0;
const HAND_RAD_PER_S2: f64 = 5.0;

/// A stand, its engine, its board and the person.
#[derive(Clone, Debug)]
pub struct SoftwareStand {
    model: StandModel,
    seed: u64,
    /// Steps simulated; their end is at or less than one step after `now_ns`.
    steps: u64,
    now_ns: u64,
    mechanics: Mechanics,
    controls: Controls,
    wheels: Vec<ToothWheel>,
    /// The board's input that each pickup is wired to.
    inputs: Vec<usize>,
    sensors: Sensors,
    board: Board,
    absorber: AbsorberState,
    /// A hand, or an oracle, on the absorber instead of the board.
    absorber_output: Option<f64>,
    rider: Option<Rider>,
    /// A hand turns the drum up to this angle, rad.
    hand_until_rad: Option<f64>,
    pulls: Noise,
}

/// What is true on the stand, which no board could send.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// Time since the stand was switched on, s: the end of the step that holds the present.
    pub time_s: f64,
    /// Angle the drum has turned, rad.
    pub drum_rad: f64,
    /// Drum speed, rad/s.
    pub omega_drum_rad_per_s: f64,
    /// Angle the crank has turned, rad.
    pub crank_rad: f64,
    /// Crank speed, rad/s.
    pub omega_engine_rad_per_s: f64,
    /// Net torque at the crank with its ripple, N·m.
    pub engine_torque_nm: f64,
    /// Full-throttle torque at standard air at this speed, N·m.
    pub standard_torque_nm: f64,
    /// The engine's firing torque over its torque at standard air: air, and scatter of this pull.
    pub torque_factor: f64,
    /// Throttle opening, 0–1.
    pub throttle: f64,
    /// Brake torque at the drum, N·m.
    pub brake_nm: f64,
    /// Whether the board cuts the ignition.
    pub cut: bool,
    /// Whether the engine has its spark: ignition on, and no cut, or a relay that does not obey it.
    pub spark: bool,
    /// Temperature of the cylinder head, K.
    pub head_k: f64,
    /// Kinetic energy of drum and crank, J.
    pub kinetic_j: f64,
    /// Energy in the wound drive, J.
    pub wound_j: f64,
    /// Working cycles with a spark that did not burn so far.
    pub misfires: u64,
    /// Work of the engine's torque so far, J.
    pub engine_work_j: f64,
    /// Work that went into losses, brake and clutch so far, J.
    pub lost_work_j: f64,
}

impl Truth {
    /// What a perfect stand would publish of an engine at standard air.
    #[must_use]
    pub fn peak(curve: &TorqueCurve) -> Peak {
        curve.peak()
    }
}

/// All sensors of the board's channels, and what they are exposed to now.
#[derive(Clone, Debug)]
struct Sensors {
    cells: Vec<LoadCell>,
    analog: AnalogScan,
    thermometers: Vec<Thermometer>,
    throttle: ThrottleSensor,
}

struct SensorInputs<'a> {
    model: &'a StandModel,
    gases: &'a Gases,
    sensors: &'a mut Sensors,
    absorber: &'a AbsorberState,
    exposure: Exposure,
}

impl Inputs for SensorInputs<'_> {
    fn force_counts(&mut self, channel: u8) -> i32 {
        self.sensors
            .cells
            .get_mut(usize::from(channel))
            .map_or(0, LoadCell::counts)
    }

    fn analog_counts(&mut self) -> Vec<[u8; 2]> {
        self.sensors
            .analog
            .counts(self.model, self.gases, &self.exposure)
    }

    fn temperature_counts(&mut self, channel: u8) -> Option<i32> {
        let air_k = self.model.air.temperature_k;
        let thermometer = self.sensors.thermometers.get_mut(usize::from(channel));
        thermometer.map_or(Some(0), |thermometer| {
            thermometer.counts(air_k, &self.exposure)
        })
    }

    fn load(&self) -> LoadInputs {
        let Some(model) = &self.model.absorber else {
            return LoadInputs::default();
        };
        LoadInputs {
            measured: self.absorber.level(model).map(q16),
            torque: self.absorber.sensed_nm(model).map(q16),
            throttle: model
                .throttle_sensor
                .then(|| q16(self.sensors.throttle.shown)),
            no_supply: self.absorber.has_no_supply(model),
            ..LoadInputs::default()
        }
    }
}

impl SoftwareStand {
    /// A stand at rest at time 0: board just switched on, ignition on, throttle closed, clutch out.
    ///
    /// # Errors
    /// The first value of the model that is outside its range.
    pub fn new(model: StandModel, seed: u64) -> Result<Self, ModelError> {
        model.check()?;
        Ok(Self {
            steps: 0,
            now_ns: 0,
            mechanics: Mechanics::new(&model, seed),
            controls: Controls {
                throttle: 0.0,
                ignition: true,
                clutch: false,
                brake_nm: 0.0,
            },
            wheels: (0_u8..)
                .zip(&model.pickups)
                .map(|(index, pickup)| ToothWheel::new(*pickup, index, seed))
                .collect(),
            inputs: (0..model.pickups.len()).collect(),
            sensors: Sensors {
                cells: (0_u8..)
                    .zip(&model.forces)
                    .map(|(index, force)| LoadCell::new(*force, index, seed))
                    .collect(),
                analog: AnalogScan::new(seed),
                thermometers: (0_u8..)
                    .zip(&model.temperatures)
                    .map(|(index, temperature)| Thermometer::new(*temperature, index, seed))
                    .collect(),
                throttle: ThrottleSensor::new(seed),
            },
            board: Board::new(&model),
            absorber: AbsorberState::new(model.air.temperature_k),
            absorber_output: None,
            rider: None,
            hand_until_rad: None,
            pulls: Noise::new(seed, Stream::Pulls),
            model,
            seed,
        })
    }

    /// Simulates up to `until_us` since the stand was switched on and appends the bytes that have
    /// left the board by then. A time in the past does nothing.
    pub fn advance(&mut self, until_us: u64, out: &mut Vec<u8>) {
        self.now_ns = self.now_ns.max(until_us.saturating_mul(1_000));
        while self.steps * STEP_NS < self.now_ns {
            self.step();
            self.board
                .deliver((self.steps * STEP_NS).min(self.now_ns), out);
        }
        self.board.deliver(self.now_ns, out);
    }

    /// Bytes from the host, arrived now. The board acts on them at its next turn, within 50 µs.
    pub fn receive(&mut self, bytes: &[u8]) {
        self.board.receive(self.steps * STEP_NS, bytes);
    }

    /// Simulated time since the stand was switched on, µs.
    #[must_use]
    pub fn now_us(&self) -> u64 {
        self.now_ns / 1_000
    }

    /// The stand's model.
    #[must_use]
    pub fn model(&self) -> &StandModel {
        &self.model
    }

    /// Opens the throttle to 0–1. A rider overrides this and the other controls.
    pub fn throttle(&mut self, opening: f64) {
        self.control(Controls {
            throttle: opening.clamp(0.0, 1.0),
            ..self.controls
        });
    }

    /// Lets the clutch in or out.
    pub fn clutch(&mut self, engaged: bool) {
        self.control(Controls {
            clutch: engaged,
            ..self.controls
        });
    }

    /// Turns the ignition switch; the board's cut is in series with it.
    pub fn ignition(&mut self, on: bool) {
        self.control(Controls {
            ignition: on,
            ..self.controls
        });
    }

    /// Brakes the drum with a torque in N·m.
    pub fn brake(&mut self, torque_nm: f64) {
        self.control(Controls {
            brake_nm: torque_nm.max(0.0),
            ..self.controls
        });
    }

    /// Turns the drum by hand, clutch in, as many turns as are asked for, and stops it again.
    pub fn turn_by_hand(&mut self, turns: f64) {
        self.rider = None;
        self.control(Controls {
            throttle: 0.0,
            ignition: false,
            clutch: true,
            brake_nm: 0.0,
        });
        self.hand_until_rad = Some(self.mechanics.state.drum_rad + turns * std::f64::consts::TAU);
    }

    /// A hand that turns a drum is a brake the other way round.
    fn let_hand_act(&mut self) {
        let Some(until_rad) = self.hand_until_rad else {
            return;
        };
        let push_nm = HAND_RAD_PER_S2 * self.model.locked_inertia_kg_m2()
            + self.model.drum.losses.torque_nm(HAND_RAD_PER_S)
            + self.model.ratio
                * self
                    .model
                    .engine
                    .drag
                    .torque_nm(self.model.ratio * HAND_RAD_PER_S);
        let drum = self.mechanics.state;
        self.controls.brake_nm = if drum.drum_rad < until_rad {
            if drum.drum_rad_per_s < HAND_RAD_PER_S {
                -push_nm
            } else {
                0.0
            }
        } else if drum.drum_rad_per_s > 0.0 {
            push_nm
        } else {
            self.hand_until_rad = None;
            0.0
        };
    }

    /// Fits another engine, or the same with another setup; its temperature stays.
    ///
    /// # Errors
    /// A value of the engine that is outside its range; the old engine stays.
    pub fn fit(&mut self, engine: Engine) -> Result<(), ModelError> {
        let model = StandModel {
            engine,
            ..self.model.clone()
        };
        model.check()?;
        self.model = model;
        Ok(())
    }

    /// Breaks a pickup or its wheel, or mends it with [`PickupFault::default`]. A stand without
    /// that pickup stays as it is.
    pub fn pickup_fault(&mut self, pickup: u8, fault: PickupFault) {
        if let Some(wheel) = self.wheels.get_mut(usize::from(pickup)) {
            wheel.fault(fault);
        }
    }

    /// Changes the plugs of two pickups at the board. A stand without one of them stays as it is.
    pub fn swap_pickups(&mut self, one: u8, other: u8) {
        let (one, other) = (usize::from(one), usize::from(other));
        if one.max(other) < self.inputs.len() {
            self.inputs.swap(one, other);
        }
    }

    /// Another thing that a temperature channel measures: a sensor that breaks, or is mended.
    pub fn temperature(&mut self, channel: usize, source: TemperatureSource) {
        if let Some(thermometer) = self.sensors.thermometers.get_mut(channel) {
            thermometer.measures(source);
        }
    }

    /// Another state of the relay between board and ignition.
    pub fn relay(&mut self, relay: Relay) {
        self.model.relay = relay;
    }

    /// Hands the controls to a rider, or takes them back.
    pub fn ride(&mut self, script: Option<RiderScript>) {
        self.rider = script.map(|script| Rider::new(script, self.seed));
    }

    /// What the rider did since the last call.
    pub fn take_events(&mut self) -> Vec<RiderEvent> {
        self.rider
            .as_mut()
            .map(Rider::take_events)
            .unwrap_or_default()
    }

    /// A person's word: load may be put on.
    pub fn arm_load(&mut self) {
        if let Some(load) = self.board.load_mut() {
            load.controller.arm();
        }
    }

    /// What the load is to do.
    pub fn demand_load(&mut self, demand: Demand) {
        if let Some(load) = self.board.load_mut() {
            load.controller.demand(demand);
        }
    }

    /// What the loop last put out and believes; `None`: no absorber.
    #[must_use]
    pub fn load(&self) -> Option<Outputs> {
        self.board.load().map(|load| load.latest)
    }

    /// Drives the absorber past the board, 1 being what full load needs, or hands it back.
    pub fn absorber_output(&mut self, output: Option<f64>) {
        self.absorber_output = output;
    }

    /// Current or filling of the absorber, 1 being what full load needs.
    #[must_use]
    pub fn absorber_level(&self) -> f64 {
        self.absorber.level
    }

    /// Temperature of the absorber, K.
    #[must_use]
    pub fn absorber_k(&self) -> f64 {
        self.absorber.temperature_k
    }

    /// Makes it as hot as that, K.
    pub fn heat_absorber(&mut self, to_k: f64) {
        self.absorber.temperature_k = to_k;
    }

    /// The absorber as it is now, to be driven on its own; none where there is none.
    #[must_use]
    pub fn sound_absorber(&self) -> Option<SoundAbsorber> {
        let model = self.model.absorber.as_ref()?;
        let air_k = self.model.air.temperature_k;
        Some(SoundAbsorber::new(model, &self.absorber, air_k))
    }

    /// Breaks the absorber, or mends it.
    pub fn absorber_fault(&mut self, fault: AbsorberFault) {
        if let Some(absorber) = &mut self.model.absorber {
            absorber.fault = fault;
        }
    }

    /// Makes the absorber's torque a share of what it was: worn, glazed, or hot beyond what was stated.
    pub fn absorber_weakens(&mut self, to: f64) {
        if let Some(brake) = &mut self.model.absorber {
            for point in &mut brake.absorber.full_torque {
                point.1 *= to;
            }
        }
    }

    /// Restarts the board: bytes that wait are lost, ticks and numbers begin again.
    pub fn restart_board(&mut self, restart: Restart) {
        self.board.restart(self.steps * STEP_NS, restart);
    }

    /// What is true now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        let Mechanics {
            state,
            torque_factor,
            ..
        } = &self.mechanics;
        let controls = self.controls_after_cut();
        let torque = self
            .mechanics
            .engine_torque(&self.model.engine, &controls, state);
        Truth {
            time_s: time_s(self.steps),
            drum_rad: state.drum_rad,
            omega_drum_rad_per_s: state.drum_rad_per_s,
            crank_rad: state.crank_rad,
            omega_engine_rad_per_s: state.crank_rad_per_s,
            engine_torque_nm: torque.now_nm,
            standard_torque_nm: self
                .model
                .engine
                .full_throttle
                .torque_nm(state.crank_rad_per_s),
            torque_factor: *torque_factor,
            throttle: controls.throttle,
            brake_nm: controls.brake_nm + self.absorber.torque_nm,
            cut: !self.lets_fire(),
            spark: controls.ignition,
            head_k: self.mechanics.head_k(),
            kinetic_j: self.mechanics.kinetic_j(&self.model),
            wound_j: self.mechanics.wound_j(&self.model),
            misfires: self.mechanics.misfires,
            engine_work_j: state.engine_work_j,
            lost_work_j: state.lost_work_j,
        }
    }

    /// Sets the controls. Opening the throttle wide begins a pull, each a little different.
    fn control(&mut self, controls: Controls) {
        if self.controls.throttle < WIDE_OPEN && controls.throttle >= WIDE_OPEN {
            let scatter = self.pulls.normal(self.model.engine.scatter_rms);
            self.mechanics.torque_factor = (1.0 + scatter) / self.model.air.torque_divisor;
        }
        self.controls = controls;
    }

    fn lets_fire(&self) -> bool {
        self.board.lets_fire(self.steps * STEP_NS)
    }

    fn controls_after_cut(&self) -> Controls {
        let passes = self.lets_fire() || self.model.relay == Relay::Welded;
        let ignition = self.controls.ignition && passes;
        Controls {
            ignition,
            ..self.controls
        }
    }

    /// One step of everything: person, engine and drum, sensors, board.
    fn step(&mut self) {
        let start_s = time_s(self.steps);
        self.let_rider_act(start_s);
        self.let_hand_act();
        let mut controls = self.controls_after_cut();
        if let Some(model) = &self.model.absorber {
            if let Some(load) = self.board.load() {
                let output = load.latest.output as f64 / Q16 as f64;
                self.absorber.output = self.absorber_output.unwrap_or(output);
            }
            let speed = self.mechanics.state.drum_rad_per_s;
            self.absorber
                .step(model, speed, self.model.air.temperature_k);
            controls.brake_nm += self.absorber.torque_nm;
        }
        let (from, torque) = self.mechanics.step(&self.model, &controls);
        let to = self.mechanics.state;
        self.steps += 1;
        let (end_s, end_ns) = (time_s(self.steps), self.steps * STEP_NS);

        let sparks = controls.ignition && to.crank_rad_per_s > 0.0;
        for (wheel, input) in self.wheels.iter_mut().zip(&self.inputs) {
            wheel.turn(start_s, &from, &to, sparks);
            for edge_s in wheel.edges_until(end_s) {
                self.board.capture(*input, edge_s);
            }
        }
        let exposure = Exposure {
            // Drag holds back what turns; at rest nothing pulls.
            engine_nm: if to.crank_rad_per_s > 0.0 {
                torque.now_nm
            } else {
                0.0
            },
            pulse_nm: if to.crank_rad_per_s > 0.0 {
                torque.now_nm - torque.mean_nm
            } else {
                0.0
            },
            brake_nm: if to.drum_rad_per_s > 0.0 {
                controls.brake_nm
            } else {
                0.0
            },
            throttle: controls.throttle,
            exhaust_k: self.mechanics.gases.exhaust_k(),
            head_k: self.mechanics.sensor_k(),
        };
        for cell in &mut self.sensors.cells {
            cell.follow(&exposure);
        }
        self.sensors.throttle.follow(controls.throttle);
        let mut inputs = SensorInputs {
            model: &self.model,
            gases: &self.mechanics.gases,
            sensors: &mut self.sensors,
            absorber: &self.absorber,
            exposure,
        };
        self.board.work(end_ns, &mut inputs);
    }

    fn let_rider_act(&mut self, now_s: f64) {
        if !self.steps.is_multiple_of(STEPS_PER_LOOK) {
            return;
        }
        let Mechanics {
            state,
            torque_factor,
            ..
        } = &self.mechanics;
        let gauges = Gauges {
            now_s,
            crank_rad_per_s: state.crank_rad_per_s,
            drum_rad_per_s: state.drum_rad_per_s,
            sensor_k: self.mechanics.sensor_k(),
            cut: !self.lets_fire(),
            torque_factor: *torque_factor,
        };
        if let Some(rider) = &mut self.rider {
            let controls = rider.act(&self.model, &gauges);
            self.control(controls);
        }
    }
}

/// A value as the loop counts it.
fn q16(value: f64) -> i32 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a cast saturates, as a converter does"
    )]
    let counts = (value * Q16 as f64).round() as i32;
    counts
}

/// End of a number of steps, s.
#[expect(clippy::cast_precision_loss, reason = "exact for thousands of years")]
fn time_s(steps: u64) -> f64 {
    steps as f64 * STEP_S
}
