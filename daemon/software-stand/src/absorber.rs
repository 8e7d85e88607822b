//! The absorber on the drum's shaft: what it makes of its output.

use leverarm_load::absorber::{Absorber, Follows, Kind};
use leverarm_load::settings::Task;

use super::step::STEP_S;

/// An absorber, its sensors, and the loop's task on this stand.
#[derive(Clone, Debug, PartialEq)]
pub struct AbsorberModel {
    /// The absorber as it is. What the loop believes of it may differ: see `task` and `believed`.
    pub absorber: Absorber,
    /// The absorber as the stand file has it: what the loop is set for.
    pub believed: Absorber,
    /// What the loop is set for.
    pub task: Task,
    /// How far a valve's output has to be from where it sticks before it moves, 0-1.
    pub stiction: f64,
    /// Torque that a valve moved at its full speed knocks on or off, as a share of the torque: water hammer, 0-1.
    pub hammer: f64,
    /// Frequency of the hammer, Hz, > 0.
    pub hammer_hz: f64,
    /// Whether the board measures current, pressure or place of the valve.
    pub has_output_sensor: bool,
    /// Time constant of the torque's sensor, s, > 0; infinite: there is none.
    pub torque_sensor_s: f64,
    /// Whether the board's loop reads the throttle.
    pub throttle_sensor: bool,
    /// How long after its supply is gone a switch shows that, s; infinite: there is none.
    pub supply_switch_s: f64,
    /// What is broken.
    pub fault: AbsorberFault,
}

/// How an absorber fails.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum AbsorberFault {
    /// It does not.
    #[default]
    None,
    /// Its power is gone: coil open, water or oil lost. No load.
    Lost,
    /// Its valve does not move any more, or its driver gives what it gave.
    Stuck,
    /// The coupling to it has parted: no torque at once.
    Parted,
    /// Its driver gives all it can, whatever it is told.
    Full,
}

/// Time constant with which a case runs empty when its supply is gone, s.
const EMPTY_S: f64 = 0.1;
/// Damping ratio of the hammer.
const HAMMER_DAMPING: f64 = 0.1;
/// A coil's resistance grows so much per kelvin of the discs: copper's 0.0039, and the coil, which no field heats, gets as warm by
/// four tenths (common practice, no source).
const RESISTANCE_PER_K: f64 = 0.4 * 0.0039;
/// A coil of saturated iron has so much less inductance at full current.
const SATURATED: f64 = 0.4;

#[derive(Clone, Debug)]
pub(super) struct AbsorberState {
    /// What the board puts out, 1 being what full load needs.
    pub(super) output: f64,
    /// Place of the valve, 0-1.
    valve: f64,
    valve_moves: bool,
    /// Current or filling, 0-1.
    pub(super) level: f64,
    /// Torque of the hammer, a share, and its rate.
    hammer: (f64, f64),
    pub(super) temperature_k: f64,
    /// Torque now, N·m.
    pub(super) torque_nm: f64,
    /// What the torque's sensor shows, N·m.
    sensed_nm: f64,
    /// For how long its supply has been gone, s.
    without_s: f64,
}

impl AbsorberState {
    pub(super) fn new(air_k: f64) -> Self {
        Self {
            output: 0.0,
            valve: 0.0,
            valve_moves: false,
            level: 0.0,
            hammer: (0.0, 0.0),
            temperature_k: air_k,
            torque_nm: 0.0,
            sensed_nm: 0.0,
            without_s: 0.0,
        }
    }

    /// One step at a speed of its shaft, rad/s.
    pub(super) fn step(&mut self, model: &AbsorberModel, speed: f64, air_k: f64) {
        let it = &model.absorber;
        let output = match model.fault {
            AbsorberFault::None | AbsorberFault::Parted => self.output,
            AbsorberFault::Lost => 0.0,
            AbsorberFault::Stuck => self.valve,
            AbsorberFault::Full => 1.0,
        };
        self.without_s = if model.fault == AbsorberFault::Lost {
            self.without_s + STEP_S
        } else {
            0.0
        };
        let mut knock = 0.0;
        match it.follows {
            Follows::Coil {
                time_constant_s, ..
            } => {
                self.valve = output;
                let hot = model.resistance_over_cold(self.temperature_k, air_k);
                let inductance = 1.0 - SATURATED * self.level;
                if model.fault == AbsorberFault::Lost {
                    // The circuit is open: the current is gone at once.
                    self.level = 0.0;
                } else {
                    self.level +=
                        (output - self.level * hot) * STEP_S / (time_constant_s * inductance);
                }
            }
            Follows::Valve { stroke_s, fill_s } => {
                let away = output.clamp(0.0, 1.0) - self.valve;
                if away.abs() > model.stiction {
                    self.valve_moves = true;
                }
                let moved = away.clamp(-STEP_S / stroke_s, STEP_S / stroke_s);
                if away.abs() <= STEP_S / stroke_s {
                    self.valve_moves = false;
                }
                if self.valve_moves && model.fault != AbsorberFault::Stuck {
                    self.valve += moved;
                    knock = moved * stroke_s / STEP_S;
                }
                let (toward, fill_s) = match model.fault {
                    AbsorberFault::Lost => (0.0, EMPTY_S),
                    _ => (self.valve, fill_s),
                };
                self.level += (toward - self.level) * STEP_S / fill_s.max(STEP_S);
            }
            Follows::Electronics { time_constant_s } => {
                self.valve = output;
                self.level += (output - self.level) * STEP_S / time_constant_s.max(STEP_S);
            }
        }
        self.level = self.level.clamp(0.0, 1.0);
        self.swing(model, knock);
        let left = it.heat.left(self.temperature_k, air_k);
        self.torque_nm = it.torque_nm(speed, self.level, left) * (1.0 + self.hammer.0).max(0.0);
        if model.fault == AbsorberFault::Parted {
            self.torque_nm = 0.0;
        }
        let heat_w =
            self.torque_nm * speed - it.heat.cooling_w_per_k * (self.temperature_k - air_k);
        self.temperature_k += heat_w * STEP_S / it.heat.capacity_j_per_k;
        self.sensed_nm +=
            (self.torque_nm - self.sensed_nm) * (STEP_S / model.torque_sensor_s).min(1.0);
    }

    /// The water's column, knocked by a valve that moves at a share of its speed.
    fn swing(&mut self, model: &AbsorberModel, knock: f64) {
        if model.hammer <= 0.0 {
            return;
        }
        let natural = std::f64::consts::TAU * model.hammer_hz;
        let (place, rate) = self.hammer;
        let force = natural * natural * (model.hammer * knock - place)
            - 2.0 * HAMMER_DAMPING * natural * rate;
        let rate = rate + force * STEP_S;
        self.hammer = (place + rate * STEP_S, rate);
    }

    /// What the board measures of it: current, pressure or place.
    pub(super) fn level(&self, model: &AbsorberModel) -> Option<f64> {
        model.has_output_sensor.then_some(self.level)
    }

    /// Whether a switch shows that its supply is gone.
    pub(super) fn has_no_supply(&self, model: &AbsorberModel) -> bool {
        self.without_s > model.supply_switch_s
    }

    /// What the board measures of its torque, N·m.
    pub(super) fn sensed_nm(&self, model: &AbsorberModel) -> Option<f64> {
        model.torque_sensor_s.is_finite().then_some(self.sensed_nm)
    }
}

/// An absorber on its own, driven like another: what one on which nothing has failed would be doing.
#[derive(Clone, Debug)]
pub struct SoundAbsorber {
    model: AbsorberModel,
    state: AbsorberState,
    air_k: f64,
}

impl SoundAbsorber {
    pub(super) fn new(model: &AbsorberModel, state: &AbsorberState, air_k: f64) -> Self {
        Self {
            model: AbsorberModel {
                fault: AbsorberFault::None,
                ..model.clone()
            },
            state: state.clone(),
            air_k,
        }
    }

    /// As hot as that, K, and its current as much less if that follows from the output; else it stays what it is.
    #[must_use]
    pub fn heated(mut self, to_k: f64, current_follows: bool) -> Self {
        let left = self.model.absorber.heat.left(to_k, self.air_k);
        if current_follows {
            self.state.temperature_k = to_k;
            self.state.level /= self.model.resistance_over_cold(to_k, self.air_k);
        } else {
            for point in &mut self.model.absorber.full_torque {
                point.1 *= left;
            }
        }
        self
    }

    /// Its torque, N·m, after so long with an output at a speed of its shaft.
    pub fn torque_nm(&mut self, output: f64, rad_per_s: f64, for_s: f64) -> f64 {
        self.state.output = output;
        let mut left_s = for_s;
        while left_s > 0.5 * STEP_S {
            self.state.step(&self.model, rad_per_s, self.air_k);
            left_s -= STEP_S;
        }
        self.state.torque_nm
    }
}

impl AbsorberModel {
    /// Resistance of its coil at a temperature of its discs, K, over that at the air's; 1 for what has none.
    #[must_use]
    pub fn resistance_over_cold(&self, temperature_k: f64, air_k: f64) -> f64 {
        match self.absorber.follows {
            Follows::Coil { .. } => 1.0 + RESISTANCE_PER_K * (temperature_k - air_k),
            Follows::Valve { .. } | Follows::Electronics { .. } => 1.0,
        }
    }

    /// How its torque answers an output that jumps from one value to another, at a steady speed and so much warmer than the air, K:
    /// the change of torque, N·m, and its mean delay, s: the area between the answer and its end, over the end.
    #[must_use]
    pub fn answer(&self, rad_per_s: f64, warmer_k: f64, from: f64, to: f64) -> (f64, f64) {
        const SETTLED: u32 = 60_000;
        let model = Self {
            fault: AbsorberFault::None,
            ..self.clone()
        };
        let air_k = 298.15;
        let mut state = AbsorberState::new(air_k);
        let mut torques = |output: f64| {
            state.output = output;
            let each = (0..SETTLED).map(|_| {
                state.temperature_k = air_k + warmer_k;
                state.step(&model, rad_per_s, air_k);
                state.torque_nm
            });
            each.collect::<Vec<f64>>()
        };
        let end_of = |torques: &[f64]| torques.last().copied().unwrap_or(0.0);
        let before = end_of(&torques(from));
        let after = torques(to);
        let change = end_of(&after) - before;
        let lacking = after.iter().map(|nm| 1.0 - (nm - before) / change);
        (change, lacking.sum::<f64>() * STEP_S)
    }

    /// An absorber that is as it is believed to be.
    #[must_use]
    pub fn as_stated(absorber: Absorber, task: Task) -> Self {
        Self {
            believed: absorber.clone(),
            stiction: if absorber.kind == Kind::Water {
                0.01
            } else {
                0.0
            },
            hammer: if absorber.kind == Kind::Water {
                0.15
            } else {
                0.0
            },
            hammer_hz: 12.0,
            has_output_sensor: absorber.kind != Kind::Water,
            torque_sensor_s: 0.01,
            throttle_sensor: false,
            // A pressure switch in the water's way.
            supply_switch_s: if absorber.kind == Kind::Water {
                0.02
            } else {
                f64::INFINITY
            },
            fault: AbsorberFault::None,
            absorber,
            task,
        }
    }
}
