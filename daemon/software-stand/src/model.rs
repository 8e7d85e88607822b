//! Everything a software stand is made of, as plain data in SI units.

use std::f64::consts::TAU;

use leverarm_protocol::{Form, TICK_HZ_MAX, TICK_HZ_MIN};

use leverarm_torque::engine::{FlowMeter, King, Role};

use super::absorber::AbsorberModel;
use super::cycles::CycleVariation;
use super::error::ModelError;
use super::gas_path::{Breathing, Exhaust, Intake, Mixture, ThrottleBody};
use super::torque_curve::{TorqueCurve, rad_per_s};

/// A stand, the engine on it, the air around it, its sensors and its board.
#[derive(Clone, Debug, PartialEq)]
pub struct StandModel {
    /// The drum and what resists it.
    pub drum: Drum,
    /// The engine.
    pub engine: Engine,
    /// Crank speed over drum speed, > 0.
    pub ratio: f64,
    /// Crank torque at which the clutch slips while it takes up, N·m, > 0.
    pub clutch_torque_nm: f64,
    /// Crank torque at which it lets go again once locked, N·m, > 0; infinite: it holds.
    pub clutch_holds_nm: f64,
    /// What the drive between clutch and drum gives; `None`: it is rigid.
    pub drive: Option<Drive>,
    /// The air in the shed.
    pub air: StandAir,
    /// Tooth pickups; the index is the pickup number on the wire.
    pub pickups: Vec<Pickup>,
    /// Force channels; the index is the channel number on the wire.
    pub forces: Vec<ForceChannel>,
    /// Analog channels of one scan; the index is the channel number on the wire.
    pub analogs: Vec<AnalogChannel>,
    /// Analog scans per second, 0 = none.
    pub analog_rate_hz: u16,
    /// Fuel that turns a fuel meter once, kg, > 0.
    pub fuel_kg_per_turn: f64,
    /// Air that turns an air meter once, kg, > 0.
    pub air_kg_per_turn: f64,
    /// Temperature channels; the index is the channel number on the wire.
    pub temperatures: Vec<TemperatureChannel>,
    /// The absorber on the drum's shaft, commanded by the board.
    pub absorber: Option<AbsorberModel>,
    /// The relay between board and ignition.
    pub relay: Relay,
    /// The acquisition board.
    pub board: BoardModel,
}

/// The drum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drum {
    /// Moment of inertia of everything that turns with the drum, kg·m², > 0.
    pub inertia_kg_m2: f64,
    /// What resists the drum.
    pub losses: Losses,
}

/// Loss torque c0 + c1·ω + c2·ω² at the drum, N·m, with ω the drum speed in rad/s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// Constant part (bearings, chain), N·m, ≥ 0.
    pub c0_nm: f64,
    /// Part that grows with speed (grease, oil), N·m·s, ≥ 0.
    pub c1_nm_s: f64,
    /// Part that grows with speed squared (air), N·m·s², ≥ 0.
    pub c2_nm_s2: f64,
}

impl Losses {
    /// Loss torque in N·m at a drum speed in rad/s.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> f64 {
        self.c0_nm + omega_rad_per_s * (self.c1_nm_s + omega_rad_per_s * self.c2_nm_s2)
    }
}

/// A chain, belt or tyre that gives, so that drum and engine can swing against each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Stiffness seen at the drum, N·m/rad, > 0.
    pub stiffness_nm_per_rad: f64,
    /// Damping seen at the drum, N·m·s/rad, ≥ 0.
    pub damping_nm_s: f64,
    /// Play at the drum, rad, ≥ 0.
    pub lash_rad: f64,
    /// Slip of a tyre on the drum, a share of its speed for each N·m at the drum, ≥ 0; 0 for a chain.
    pub slip_per_nm: f64,
}

impl Drive {
    /// The drive with which two inertias at the drum swing at a frequency with a damping ratio.
    #[must_use]
    pub fn swinging(
        frequency_hz: f64,
        damping_ratio: f64,
        (one_kg_m2, other_kg_m2): (f64, f64),
    ) -> Self {
        let natural = TAU * frequency_hz;
        let reduced = one_kg_m2 * other_kg_m2 / (one_kg_m2 + other_kg_m2);
        Self {
            stiffness_nm_per_rad: reduced * natural * natural,
            damping_nm_s: 2.0 * damping_ratio * reduced * natural,
            lash_rad: 0.0,
            slip_per_nm: 0.0,
        }
    }

    /// How far a twist winds it up, rad.
    pub(super) fn wound_rad(&self, twist_rad: f64) -> f64 {
        let half = 0.5 * self.lash_rad;
        twist_rad - twist_rad.clamp(-half, half)
    }

    /// Torque at the drum, and the rate of the twist, for a twist and the speed by which the engine's
    /// side runs ahead of the drum, rad/s: the tyre's slip lets some of that go by.
    pub(super) fn pulling(
        &self,
        twist_rad: f64,
        ahead_rad_per_s: f64,
        drum_rad_per_s: f64,
    ) -> (f64, f64) {
        let wound_rad = self.wound_rad(twist_rad);
        if self.lash_rad > 0.0 && wound_rad == 0.0 {
            return (0.0, ahead_rad_per_s);
        }
        let slipping = self.slip_per_nm * drum_rad_per_s;
        let spring_nm = self.stiffness_nm_per_rad * wound_rad;
        let rate = (ahead_rad_per_s - slipping * spring_nm) / (1.0 + slipping * self.damping_nm_s);
        (spring_nm + self.damping_nm_s * rate, rate)
    }
}

/// The engine.
#[derive(Clone, Debug, PartialEq)]
pub struct Engine {
    /// What is fitted, for the person: "main jet 105".
    pub setup: String,
    /// Moment of inertia of crank, clutch and gears, at the crank, kg·m², > 0.
    pub inertia_kg_m2: f64,
    /// Mean full-throttle torque at the crank at standard air.
    pub full_throttle: TorqueCurve,
    /// Torque that turns the engine over with the throttle closed or the ignition off.
    pub drag: Drag,
    /// How unevenly it pulls within a cycle.
    pub ripple: Ripple,
    /// Speed it idles at, rad/s.
    pub idle_rad_per_s: f64,
    /// Scatter of the torque from one pull to the next, relative, rms. Drawn at each opening of
    /// the throttle; 0 = every pull the same.
    pub scatter_rms: f64,
    /// How unlike each other its working cycles are.
    pub cycles: CycleVariation,
    /// Air, fuel and exhaust.
    pub breathing: Breathing,
    /// The cylinder head's temperature.
    pub head: Head,
}

/// Closed-throttle drag torque at the crank: constant + per speed · ω, N·m.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Drag {
    /// Constant part, N·m, ≥ 0.
    pub constant_nm: f64,
    /// Part per crank speed, N·m·s, ≥ 0.
    pub per_speed_nm_s: f64,
}

impl Drag {
    /// Drag torque in N·m at a crank speed in rad/s.
    #[must_use]
    pub fn torque_nm(&self, omega_rad_per_s: f64) -> f64 {
        self.constant_nm + self.per_speed_nm_s * omega_rad_per_s
    }
}

/// Cyclic torque of a four-stroke: a firing of each cylinder in two turns of the crank.
///
/// While the engine fires, its torque is mean · (1 + amplitude · g(φ)), where g has zero mean over
/// the 720° of a cycle and a highest value of 1.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ripple {
    /// Height of the firing pulse above the mean, as a multiple of the mean. 0 = smooth.
    pub amplitude: f64,
    /// Firings in a cycle, evenly spaced: cylinders. 0 counts as 1.
    pub firings: u8,
}

/// Heat balance of the cylinder head and the lag of its sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Head {
    /// Temperature at the start, K.
    pub start_k: f64,
    /// Heat capacity, J/K, > 0.
    pub capacity_j_per_k: f64,
    /// Heat given to the air per kelvin above it, W/K, ≥ 0.
    pub cooling_w_per_k: f64,
    /// Heat taken while firing at no load, W, ≥ 0.
    pub idle_heat_w: f64,
    /// Heat taken per watt of power at the crank, ≥ 0.
    pub heat_per_power: f64,
    /// Time constant of the sensor, s, > 0.
    pub sensor_lag_s: f64,
}

/// The air, and what it costs the engine.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StandAir {
    /// Station pressure, Pa.
    pub pressure_pa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
    /// Relative humidity, 0–1.
    pub relative_humidity: f64,
    /// The engine's firing torque is its standard-air torque divided by this. > 0
    pub torque_divisor: f64,
}

/// The shaft a pickup reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shaft {
    /// The drum.
    Drum,
    /// The crank.
    Engine,
    /// A flow meter in the fuel line, which turns once for so much fuel; see
    /// [`StandModel::fuel_kg_per_turn`].
    FuelMeter,
    /// A vane wheel in the way of the air, which turns once for so much of it; see
    /// [`StandModel::air_kg_per_turn`].
    AirMeter,
}

/// A tooth wheel and its pickup.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pickup {
    /// Shaft the wheel sits on.
    pub shaft: Shaft,
    /// Teeth in one turn, ≥ 1.
    pub teeth: u16,
    /// Error of the teeth's positions, fraction of the pitch, rms. Drawn once for a stand.
    pub position_error_rms: f64,
    /// Jitter of the edge, s, rms.
    pub jitter_rms_s: f64,
    /// Probability that a passing tooth gives no edge.
    pub missed_probability: f64,
    /// Probability that a passing tooth gives a second edge.
    pub doubled_probability: f64,
    /// How long after the first edge the second one comes, s.
    pub doubled_after_s: f64,
    /// Interference that looks like teeth.
    pub interference: Interference,
    /// What is broken; see [`SoftwareStand::pickup_fault`](super::SoftwareStand::pickup_fault).
    pub fault: PickupFault,
}

impl Pickup {
    /// A wheel without any error.
    #[must_use]
    pub fn perfect(shaft: Shaft, teeth: u16) -> Self {
        Self {
            shaft,
            teeth,
            position_error_rms: 0.0,
            jitter_rms_s: 0.0,
            missed_probability: 0.0,
            doubled_probability: 0.0,
            doubled_after_s: 20e-6,
            interference: Interference::default(),
            fault: PickupFault::default(),
        }
    }
}

/// How a pickup or its wheel is broken, in ways that go on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PickupFault {
    /// No tooth gives an edge: a cable off, a sensor burnt out.
    pub is_dead: bool,
    /// Speed of the wheel from which on every second tooth gives no edge, rad/s, as with too wide
    /// a gap; 0: always, infinity: never.
    pub every_second_from_rad_per_s: f64,
    /// Each tooth gives a second edge half a pitch on, as with both flanks of a broad tooth.
    pub both_flanks: bool,
    /// Teeth that are broken off, or left out: bit n for tooth n of the wheel, for the first 64.
    pub teeth_gone: u64,
}

impl Default for PickupFault {
    /// Nothing is broken.
    fn default() -> Self {
        Self {
            is_dead: false,
            every_second_from_rad_per_s: f64::INFINITY,
            both_flanks: false,
            teeth_gone: 0,
        }
    }
}

/// Bursts of false edges, as from an ignition lead beside the pickup cable.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Interference {
    /// Mean rate of bursts while the engine turns with its ignition on, 1/s. They come at random.
    pub bursts_per_s: f64,
    /// False edges in a burst.
    pub edges: u8,
    /// Mean time between the edges of a burst, s.
    pub spacing_s: f64,
    /// Probability that a spark makes a burst; one comes in each turn of the crank.
    pub spark_probability: f64,
    /// Angle of the crank at which it comes, rad.
    pub spark_at_rad: f64,
}

/// What a load cell's arm holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reaction {
    /// The engine's case: crank torque with its ripple.
    Engine,
    /// The brake's case: brake torque.
    Brake,
}

/// A load cell and its converter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ForceChannel {
    /// What the arm holds.
    pub reaction: Reaction,
    /// Length of the arm, m, > 0.
    pub arm_m: f64,
    /// Counts per newton.
    pub counts_per_n: f64,
    /// Counts without load.
    pub zero_counts: f64,
    /// Noise, counts, rms.
    pub noise_counts_rms: f64,
    /// Time constant of cell, arm and converter together, s, > 0.
    pub lag_s: f64,
    /// Conversions per second, ≥ 1.
    pub rate_hz: u16,
    /// What the cable picks up from the mains.
    pub hum: Hum,
    /// Share of the engine's torque about its mean that shakes a brake's arm too: the frame holds both.
    pub shaking: f64,
}

/// A sine that the mains puts on a cable.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Hum {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Its amplitude, counts; 0: none.
    pub amplitude_counts: f64,
}

/// What an analog channel measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AnalogSource {
    /// Throttle opening, 0–1.
    Throttle,
    /// Station pressure, Pa.
    AirPressure,
    /// Air temperature, K.
    AirTemperature,
    /// Relative humidity, 0–1.
    RelativeHumidity,
    /// Something of the engine, in its SI unit.
    Engine(Role),
    /// A value that stays.
    Constant(f64),
}

/// An analog channel: value = at_zero + per_count · counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnalogChannel {
    /// What it measures.
    pub source: AnalogSource,
    /// Value at zero counts, in the source's unit.
    pub at_zero: f64,
    /// Value per count, in the source's unit, not 0.
    pub per_count: f64,
    /// Noise, counts, rms.
    pub noise_counts_rms: f64,
    /// Counts the converter can give at most; it gives none below 0.
    pub counts_max: i16,
    /// What the sensor makes of its value before it is counted.
    pub sensor: AnalogSensor,
}

/// What an analog channel's sensor makes of its value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AnalogSensor {
    /// Nothing: value = at_zero + per_count · counts.
    Straight,
    /// The voltage of a thermal flow meter.
    Thermal(King),
    /// The pressure difference of an orifice or nozzle.
    Difference(FlowMeter),
}

/// What a temperature channel measures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TemperatureSource {
    /// Cylinder head, through the sensor's lag.
    Head,
    /// Exhaust gas, through its thermocouple's lag.
    Exhaust,
    /// Air, which is also where the cold junctions are.
    Air,
    /// Something that the engine warms and a thermostat or its place keeps cooler than the head: the
    /// head's temperature up to this one, K, and a tenth of what the head is hotter than that.
    Cooled {
        /// Where cooling begins, K.
        from_k: f64,
    },
    /// Nothing: the sensor is broken or not connected.
    Broken,
    /// Nothing: its converter does not answer, and the board has no sample to send.
    Silent,
}

/// How a temperature becomes counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TemperatureLaw {
    /// Kelvin = at_zero + per_count · counts.
    Linear {
        /// Kelvin at zero counts.
        at_zero_k: f64,
        /// Kelvin per count, not 0.
        k_per_count: f64,
    },
    /// A type K thermocouple with its cold junction at the air's temperature, whose voltage is
    /// converted without compensation.
    ThermocoupleK {
        /// Volts per count, not 0.
        volt_per_count: f64,
    },
}

/// A temperature channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TemperatureChannel {
    /// What it measures.
    pub source: TemperatureSource,
    /// How it becomes counts.
    pub law: TemperatureLaw,
    /// Noise, counts, rms.
    pub noise_counts_rms: f64,
    /// Readings per second, ≥ 1.
    pub rate_hz: u16,
}

/// What the relay between board and ignition makes of a cut.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Relay {
    /// It opens, and the engine gets no spark.
    #[default]
    Opens,
    /// Its contacts are welded, or the kill wire is broken: the board reports its cut, and the engine
    /// runs on.
    Welded,
}

/// The acquisition board and what its firmware was built with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardModel {
    /// Number of this board.
    pub board_id: u64,
    /// Firmware version.
    pub firmware: [u8; 3],
    /// Timer ticks per second.
    pub tick_hz: u32,
    /// Whether it speaks in frames or in lines of text.
    pub form: Form,
    /// Line rate, bit/s; a byte takes ten bits (8N1).
    pub baud: u32,
    /// Status frames per second, ≥ 10.
    pub status_hz: u16,
    /// Time from power or reset until the firmware runs, ms. The ignition is held cut meanwhile.
    pub start_ms: u16,
    /// Shortest tooth period of pickup 0 that the firmware lets through even when the host's limit
    /// is looser, ticks; 0 = it has none of its own.
    pub ceiling_tooth_period_ticks: u32,
    /// Teeth of one pickup that can wait for the line, ≥ 1.
    pub capture_buffer: usize,
    /// Time the firmware needs for an edge; one that comes sooner is lost, and counted, s.
    pub capture_dead_time_s: f64,
}

impl StandModel {
    /// Our demonstration stand: a 140 cc single-cylinder pit-bike engine that drives a steel drum
    /// through a chain, in a shed on a warm day. All values are plausible ones of ours.
    ///
    /// The inertia at the crank, 0.006 + 1.2/5.5² = 0.046 kg·m², lets 10 N·m take it from 3000 to
    /// 9000 rev/min in about 3 s.
    #[must_use]
    pub fn pit_bike() -> Self {
        Self {
            drum: Drum {
                inertia_kg_m2: 1.2,
                losses: Losses {
                    c0_nm: 0.6,
                    c1_nm_s: 0.004,
                    c2_nm_s2: 2e-5,
                },
            },
            engine: Engine::pit_bike(Setup::MainJet105),
            ratio: 5.5,
            clutch_torque_nm: 20.0,
            clutch_holds_nm: f64::INFINITY,
            drive: None,
            air: StandAir {
                pressure_pa: 98_600.0,
                temperature_k: 301.15,
                relative_humidity: 0.55,
                // ISO 1585, spark ignition: (99/96.52)^1.2 · (301.15/298)^0.6, with 2.08 kPa of
                // vapour (55 % of 3.78 kPa) taken off the pressure.
                torque_divisor: 1.0374,
            },
            pickups: vec![
                Pickup {
                    position_error_rms: 0.003,
                    jitter_rms_s: 1e-6,
                    ..Pickup::perfect(Shaft::Drum, 8)
                },
                Pickup {
                    jitter_rms_s: 2e-6,
                    ..Pickup::perfect(Shaft::Engine, 1)
                },
            ],
            forces: vec![ForceChannel {
                reaction: Reaction::Engine,
                arm_m: 0.25,
                counts_per_n: 2_000.0,
                zero_counts: 8_400.0,
                noise_counts_rms: 40.0,
                lag_s: 0.02,
                rate_hz: 80,
                hum: Hum::default(),
                shaking: 0.0,
            }],
            analogs: vec![
                AnalogChannel::new(AnalogSource::Throttle, 0.0, 1.0 / 4000.0, 1.5),
                AnalogChannel::new(AnalogSource::AirPressure, 50_000.0, 15.0, 0.7),
                AnalogChannel::new(AnalogSource::AirTemperature, 243.15, 0.025, 0.7),
                AnalogChannel::new(AnalogSource::RelativeHumidity, 0.0, 1.0 / 4000.0, 2.0),
                AnalogChannel::new(AnalogSource::Engine(Role::Lambda), 0.5, 0.0004, 3.0),
            ],
            analog_rate_hz: 50,
            fuel_kg_per_turn: 1.5e-5,
            air_kg_per_turn: 6e-5,
            temperatures: vec![
                TemperatureChannel {
                    source: TemperatureSource::Head,
                    law: TemperatureLaw::ThermocoupleK {
                        volt_per_count: 7.8125e-6,
                    },
                    noise_counts_rms: 0.3,
                    rate_hz: 10,
                },
                TemperatureChannel {
                    source: TemperatureSource::Air,
                    law: TemperatureLaw::Linear {
                        at_zero_k: 273.15,
                        k_per_count: 1.0 / 128.0,
                    },
                    noise_counts_rms: 1.0,
                    rate_hz: 10,
                },
            ],
            absorber: None,
            relay: Relay::Opens,
            board: BoardModel {
                board_id: 0x4c65_7665_7241_726d,
                firmware: [1, 0, 0],
                tick_hz: 2_000_000,
                form: Form::Frames,
                baud: 500_000,
                status_hz: 20,
                start_ms: 20,
                ceiling_tooth_period_ticks: 0,
                capture_buffer: 240,
                capture_dead_time_s: 5e-6,
            },
        }
    }

    /// This stand with another setup of the pit bike's engine on it.
    #[must_use]
    pub fn with_setup(self, setup: Setup) -> Self {
        Self {
            engine: Engine::pit_bike(setup),
            ..self
        }
    }

    /// Inertia of everything locked together, at the drum, kg·m².
    #[must_use]
    pub fn locked_inertia_kg_m2(&self) -> f64 {
        self.drum.inertia_kg_m2 + self.ratio * self.ratio * self.engine.inertia_kg_m2
    }

    /// Checks every value the simulation divides by, counts with or puts in a frame.
    ///
    /// # Errors
    /// The first value that is outside its range.
    pub fn check(&self) -> Result<(), ModelError> {
        let board = &self.board;
        positive("drum.inertia_kg_m2", self.drum.inertia_kg_m2)?;
        positive("engine.inertia_kg_m2", self.engine.inertia_kg_m2)?;
        positive("ratio", self.ratio)?;
        positive("clutch_torque_nm", self.clutch_torque_nm)?;
        // Infinity is never.
        positive("clutch_holds_nm", self.clutch_holds_nm.min(f64::MAX))?;
        if let Some(drive) = &self.drive {
            positive("drive.stiffness_nm_per_rad", drive.stiffness_nm_per_rad)?;
            at_least_zero("drive.damping_nm_s", drive.damping_nm_s)?;
            at_least_zero("drive.lash_rad", drive.lash_rad)?;
            at_least_zero("drive.slip_per_nm", drive.slip_per_nm)?;
        }
        let cycles = &self.engine.cycles;
        range(
            "engine.cycles.cov",
            "0 to 0.5",
            cycles.cov,
            (0.0..=0.5).contains(&cycles.cov),
        )?;
        range(
            "engine.cycles.correlation",
            "between -1 and 1",
            cycles.correlation,
            cycles.correlation.abs() < 1.0,
        )?;
        probability(
            "engine.cycles.misfire_probability",
            cycles.misfire_probability,
        )?;
        range(
            "engine.cycles.misfire_run",
            "1 or more",
            cycles.misfire_run,
            cycles.misfire_run >= 1.0,
        )?;
        positive("fuel_kg_per_turn", self.fuel_kg_per_turn)?;
        positive("air_kg_per_turn", self.air_kg_per_turn)?;
        let breathing = &self.engine.breathing;
        let mixture = breathing.mixture;
        for (what, value) in [
            (
                "engine.breathing.displacement_m3",
                breathing.displacement_m3,
            ),
            (
                "engine.breathing.turns_per_cycle",
                breathing.turns_per_cycle,
            ),
            ("engine.breathing.work_j_per_kg", breathing.work_j_per_kg),
            (
                "engine.breathing.stoichiometric_ratio",
                breathing.stoichiometric_ratio,
            ),
            (
                "engine.breathing.mixture",
                mixture.low.min(mixture.middle).min(mixture.high),
            ),
            (
                "engine.breathing.intake.flow_m3_per_s",
                breathing.intake.flow_m3_per_s,
            ),
            (
                "engine.breathing.intake.depression_pa",
                breathing.intake.depression_pa,
            ),
            (
                "engine.breathing.exhaust.thermocouple_lag_s",
                breathing.exhaust.thermocouple_lag_s,
            ),
        ] {
            positive(what, value)?;
        }
        positive("air.torque_divisor", self.air.torque_divisor)?;
        positive("air.temperature_k", self.air.temperature_k)?;
        if !self.engine.full_throttle.is_finite() {
            return Err(ModelError::PointsNotRising);
        }
        positive("engine.idle_rad_per_s", self.engine.idle_rad_per_s)?;
        positive("engine.head.start_k", self.engine.head.start_k)?;
        positive(
            "engine.head.capacity_j_per_k",
            self.engine.head.capacity_j_per_k,
        )?;
        positive("engine.head.sensor_lag_s", self.engine.head.sensor_lag_s)?;
        for (what, value) in [
            ("drum.losses.c0_nm", self.drum.losses.c0_nm),
            ("drum.losses.c1_nm_s", self.drum.losses.c1_nm_s),
            ("drum.losses.c2_nm_s2", self.drum.losses.c2_nm_s2),
            ("engine.drag.constant_nm", self.engine.drag.constant_nm),
            (
                "engine.drag.per_speed_nm_s",
                self.engine.drag.per_speed_nm_s,
            ),
            ("engine.ripple.amplitude", self.engine.ripple.amplitude),
            ("engine.scatter_rms", self.engine.scatter_rms),
            (
                "engine.head.cooling_w_per_k",
                self.engine.head.cooling_w_per_k,
            ),
            ("engine.head.idle_heat_w", self.engine.head.idle_heat_w),
            (
                "engine.head.heat_per_power",
                self.engine.head.heat_per_power,
            ),
        ] {
            at_least_zero(what, value)?;
        }
        for pickup in &self.pickups {
            positive("pickup.teeth", f64::from(pickup.teeth))?;
            at_least_zero("pickup.jitter_rms_s", pickup.jitter_rms_s)?;
            at_least_zero("pickup.doubled_after_s", pickup.doubled_after_s)?;
            at_least_zero(
                "pickup.interference.bursts_per_s",
                pickup.interference.bursts_per_s,
            )?;
            at_least_zero(
                "pickup.interference.spacing_s",
                pickup.interference.spacing_s,
            )?;
            probability(
                "pickup.interference.spark_probability",
                pickup.interference.spark_probability,
            )?;
            // Beyond this, teeth could change places.
            let error = pickup.position_error_rms;
            range(
                "pickup.position_error_rms",
                "0 to 0.1",
                error,
                (0.0..=0.1).contains(&error),
            )?;
            at_least_zero(
                "pickup.fault.every_second_from_rad_per_s",
                // Infinity is never.
                pickup.fault.every_second_from_rad_per_s.min(f64::MAX),
            )?;
            probability("pickup.missed_probability", pickup.missed_probability)?;
            probability("pickup.doubled_probability", pickup.doubled_probability)?;
        }
        for force in &self.forces {
            positive("force.arm_m", force.arm_m)?;
            positive("force.lag_s", force.lag_s)?;
            positive("force.rate_hz", f64::from(force.rate_hz))?;
            at_least_zero("force.noise_counts_rms", force.noise_counts_rms)?;
            at_least_zero("force.shaking", force.shaking)?;
        }
        for analog in &self.analogs {
            not_zero("analog.per_count", analog.per_count)?;
            at_least_zero("analog.noise_counts_rms", analog.noise_counts_rms)?;
        }
        for temperature in &self.temperatures {
            positive("temperature.rate_hz", f64::from(temperature.rate_hz))?;
            at_least_zero("temperature.noise_counts_rms", temperature.noise_counts_rms)?;
            match temperature.law {
                TemperatureLaw::Linear { k_per_count, .. } => {
                    not_zero("temperature.law.k_per_count", k_per_count)?;
                }
                TemperatureLaw::ThermocoupleK { volt_per_count } => {
                    not_zero("temperature.law.volt_per_count", volt_per_count)?;
                }
            }
        }
        for (what, found, at_most) in [
            ("pickups", self.pickups.len(), 4),
            ("forces", self.forces.len(), 4),
            ("analogs", self.analogs.len(), 16),
            ("temperatures", self.temperatures.len(), 8),
        ] {
            if found > at_most {
                return Err(ModelError::TooMany {
                    what,
                    at_most,
                    found,
                });
            }
        }
        let tick_hz = board.tick_hz;
        let tick_hz_ok = (TICK_HZ_MIN..=TICK_HZ_MAX).contains(&tick_hz);
        range(
            "board.tick_hz",
            "100 kHz to 50 MHz",
            f64::from(tick_hz),
            tick_hz_ok,
        )?;
        positive("board.baud", f64::from(board.baud))?;
        at_least_zero("board.capture_dead_time_s", board.capture_dead_time_s)?;
        if board.capture_buffer == 0 {
            let what = "board.capture_buffer";
            return Err(ModelError::OutOfRange {
                what,
                expected: "1 or more",
                found: 0.0,
            });
        }
        let status_hz = f64::from(board.status_hz);
        range(
            "board.status_hz",
            "10 or more",
            status_hz,
            status_hz >= 10.0,
        )
    }
}

/// Setups of the demonstration's engine. The demonstration itself has the two jets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Setup {
    /// "main jet 105".
    MainJet105,
    /// "main jet 110": 10 % more fuel. About 3 % more torque from 6500 to 8800 rev/min, where the
    /// smaller jet is lean, and about 1 % less below 4500, where it is rich.
    MainJet110,
    /// "small intake": main jet 105 behind an intake that passes less.
    SmallIntake,
}

impl Setup {
    /// What the person calls it.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::MainJet105 => "main jet 105",
            Self::MainJet110 => "main jet 110",
            Self::SmallIntake => "small intake",
        }
    }
}

impl Engine {
    /// The demonstration's engine: 11 N·m near 6200 rev/min, 8.5 kW near 8500.
    #[must_use]
    pub fn pit_bike(setup: Setup) -> Self {
        let with_105 = TorqueCurve::through(&[
            (1_500.0, 6.0),
            (2_000.0, 6.8),
            (3_000.0, 8.3),
            (4_000.0, 9.6),
            (5_000.0, 10.6),
            (6_000.0, 11.0),
            (7_000.0, 10.8),
            (8_000.0, 10.0),
            (8_500.0, 9.55),
            (9_000.0, 8.85),
            (9_500.0, 7.9),
            (10_500.0, 5.5),
        ]);
        let base = Self {
            setup: setup.label().to_owned(),
            inertia_kg_m2: 0.006,
            full_throttle: with_105,
            drag: Drag {
                constant_nm: 1.0,
                per_speed_nm_s: 0.0024,
            },
            ripple: Ripple {
                amplitude: 2.5,
                firings: 1,
            },
            idle_rad_per_s: rad_per_s(1_600.0),
            scatter_rms: 0.003,
            cycles: CycleVariation::NONE,
            breathing: Breathing::pit_bike(),
            head: Head {
                start_k: 355.0,
                capacity_j_per_k: 1_800.0,
                cooling_w_per_k: 8.0,
                idle_heat_w: 600.0,
                heat_per_power: 0.3,
                sensor_lag_s: 1.5,
            },
        };
        match setup {
            Setup::MainJet105 => base,
            // Jets are numbered by their bore, and fuel goes with its area (common practice).
            Setup::MainJet110 => base.with_main_jet((110.0_f64 / 105.0).powi(2)),
            Setup::SmallIntake => base.with_intake(Intake {
                flow_m3_per_s: 0.7 * base.breathing.intake.flow_m3_per_s,
                ..base.breathing.intake
            }),
        }
    }
}

impl Breathing {
    /// The demonstration's engine: a main jet that is right up to 4500 rev/min and lean from 6500.
    #[must_use]
    pub fn pit_bike() -> Self {
        Self {
            displacement_m3: 140e-6,
            turns_per_cycle: 2.0,
            mixture: Mixture {
                low: 0.88,
                middle: 0.982,
                high: 0.94,
                first_rpm: (4_500.0, 6_500.0),
                second_rpm: (8_800.0, 9_800.0),
            },
            throttle: ThrottleBody {
                choking_rad_per_s: rad_per_s(9_000.0),
                part_lambda: 1.02,
            },
            work_j_per_kg: 1.12e6,
            stoichiometric_ratio: 14.7,
            intake: Intake {
                flow_m3_per_s: 0.012,
                depression_pa: 5_080.0,
            },
            exhaust: Exhaust {
                pipe_m3: 0.4e-3,
                sensor_s: 0.04,
                thermocouple_lag_s: 0.3,
            },
        }
    }
}

impl AnalogChannel {
    /// A channel of a 12-bit converter.
    #[must_use]
    pub fn new(source: AnalogSource, at_zero: f64, per_count: f64, noise_counts_rms: f64) -> Self {
        Self {
            source,
            at_zero,
            per_count,
            noise_counts_rms,
            counts_max: 4_095,
            sensor: AnalogSensor::Straight,
        }
    }
}

/// Position of tooth `number` of a perfect wheel of `teeth`, rad.
pub(super) fn tooth_angle_rad(number: u16, teeth: u16) -> f64 {
    TAU * f64::from(number) / f64::from(teeth)
}

fn range(
    what: &'static str,
    expected: &'static str,
    found: f64,
    ok: bool,
) -> Result<(), ModelError> {
    if ok && found.is_finite() {
        Ok(())
    } else {
        Err(ModelError::OutOfRange {
            what,
            expected,
            found,
        })
    }
}

fn positive(what: &'static str, found: f64) -> Result<(), ModelError> {
    range(what, "more than 0", found, found > 0.0)
}

fn at_least_zero(what: &'static str, found: f64) -> Result<(), ModelError> {
    range(what, "0 or more", found, found >= 0.0)
}

fn not_zero(what: &'static str, found: f64) -> Result<(), ModelError> {
    range(what, "not 0", found, found != 0.0)
}

fn probability(what: &'static str, found: f64) -> Result<(), ModelError> {
    range(what, "0 to 1", found, (0.0..=1.0).contains(&found))
}
