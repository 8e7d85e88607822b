//! What a stand file says, checked, in SI.

use std::f64::consts::PI;
use std::net::SocketAddr;
use std::path::PathBuf;

use leverarm_load::absorber::Absorber;
use leverarm_torque::air::Correction;
use leverarm_torque::engine::{Device, EngineModel, FlowMeter, Fuel, Role, SensorDelay};
use leverarm_torque::inertia::Inertia;
use leverarm_torque::sensor::Law;
use leverarm_torque::uncertainty::Measured;

use crate::display::DisplayUnits;
pub use crate::quantity::Quantity;
pub use crate::rule::{LimitOf, Rule, Side};

/// One stand: everything that its file says. An uncertainty of 0 means that none was stated.
///
/// [`crate::parse`] makes it, so what the rules promise (a cut on overspeed, channels that exist,
/// ranges) holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Stand {
    /// The stand's name.
    pub name: String,
    /// What absorbs the power.
    pub kind: StandKind,
    /// The engine under test, as far as it matters here.
    pub engine: Engine,
    /// How to reach the board.
    pub port: Port,
    /// What the board has to do on its own.
    pub board: BoardLimits,
    /// What turns on the drum's shaft; always there on an inertia stand.
    pub drum: Option<Drum>,
    /// Tooth pickups, one or two, on distinct channels.
    pub pickups: Vec<Pickup>,
    /// The way from engine to drum.
    pub drive: Drive,
    /// Torque that the drum's own bearings, air and chain take.
    pub losses: Losses,
    /// The force sensor of a brake; always there on a brake stand.
    pub load_cell: Option<LoadCell>,
    /// The absorber, where the board commands it.
    pub absorber: Option<StandAbsorber>,
    /// Sensors, by [`ChannelId`].
    pub channels: Vec<Channel>,
    /// Guards; at least one of them cuts on overspeed.
    pub guards: Vec<Guard>,
    /// What counts as a pull.
    pub pull: PullRules,
    /// Where the air readings come from.
    pub air: AirInputs,
    /// The correction that curves carry unless another is asked for.
    pub correction: Correction,
    /// How curves are laid out.
    pub curve: CurveRules,
    /// Units to show values in.
    pub units: DisplayUnits,
    /// Folder of the store, as written: relative to the stand file unless absolute.
    pub store_folder: PathBuf,
    /// Where the page is served.
    pub page_address: SocketAddr,
    /// Servers that the stand's values are sent to.
    pub streams: Vec<StreamDestination>,
}

/// A time-series server that the stand's values are sent to.
#[derive(Clone, Debug, PartialEq)]
pub struct StreamDestination {
    /// Its name, unique on the stand; how far it has come is kept under it.
    pub name: String,
    /// Address of the server, http or https, without user, password and query. With
    /// [`StreamApi::V2`] it has no path.
    pub url: String,
    /// How it takes points.
    pub api: StreamApi,
    /// Points a second of each live value, 1 to 100.
    pub rate_hz: f64,
    /// What the stand is called there.
    pub stand: String,
}

/// How a time-series server takes points.
#[derive(Clone, Debug, PartialEq)]
pub enum StreamApi {
    /// `/api/v2/write`
    V2 {
        /// Organisation; may be empty.
        org: String,
        /// Bucket.
        bucket: String,
        /// Where the token is, when the server wants one.
        token: Option<Secret>,
    },
    /// `/write`
    V1 {
        /// Database.
        database: String,
        /// User, and where the password is, when the server wants them.
        login: Option<(String, Secret)>,
    },
}

/// Where a secret is. It is never in the stand file itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Secret {
    /// In this environment variable.
    Env(String),
    /// In this file, alone.
    File(PathBuf),
}

/// What absorbs the engine's power.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StandKind {
    /// A heavy drum that the engine speeds up.
    Inertia,
    /// A brake that holds against the engine, with a load cell on its arm.
    Brake,
    /// A drum and a brake.
    Both,
}

/// The engine under test.
#[derive(Clone, Debug, PartialEq)]
pub struct Engine {
    /// Free text for sheets.
    pub name: String,
    /// Swept volume.
    pub displacement_m3: Option<f64>,
    /// Bore.
    pub bore_m: Option<f64>,
    /// Stroke.
    pub stroke_m: Option<f64>,
    /// Cylinders, 1 or more.
    pub cylinders: u8,
    /// Compression ratio.
    pub compression_ratio: Option<f64>,
    /// What it burns.
    pub fuel: Fuel,
    /// Rated capacity of carburettor or throttle body.
    pub device: Option<Device>,
    /// Moment of inertia of all that turns with the crank, about the crank, kg·m²; 0 when the
    /// curves are to show what reaches the drum rather than what the gas does at the crank.
    pub inertia_kg_m2: Measured,
    /// Working cycles per crank turn: 0.5 for a four-stroke, 1 for a two-stroke.
    pub cycles_per_turn: f64,
}

/// The serial port of the board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Port {
    /// Device path, as the system names it.
    pub path: PathBuf,
    /// Bits per second.
    pub baud: u32,
    /// Whether the thread that cuts asks the system for real-time priority and locked memory.
    pub real_time: bool,
}

/// Limits that the board holds by itself when the host falls silent or is too slow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BoardLimits {
    /// The board cuts when no heartbeat came for this long.
    pub heartbeat_timeout_ms: u16,
    /// The board cuts after this many successive tooth periods that are too short.
    pub short_periods_to_cut: u8,
    /// Oldest self-test of the guards with which the stand is armed, s; 0: none is asked for. `None`
    /// when the stand file does not say.
    pub self_test_age_s_max: Option<u32>,
}

/// The drum and all that turns with it.
#[derive(Clone, Debug, PartialEq)]
pub struct Drum {
    /// Moment of inertia about the drum's shaft, kg·m².
    pub inertia_kg_m2: Measured,
    /// Name, mass and inertia of each piece that the inertia was worked out from; empty when it
    /// was measured.
    pub pieces: Vec<(String, Inertia)>,
    /// Outermost radius, m, for the speed of the rim.
    pub outer_radius_m: Option<f64>,
    /// Greatest torque of a brake on the drum, N·m; `None` where none is stated.
    pub brake_torque_nm: Option<f64>,
}

/// A shaft that has a speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Shaft {
    /// The drum's; on a brake stand the absorber's.
    Drum,
    /// The crankshaft.
    Engine,
}

/// A tooth pickup.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pickup {
    /// The board's number for it.
    pub channel: u8,
    /// Where it counts.
    pub shaft: Shaft,
    /// Teeth (or pulses) in a turn of that shaft, those left out counted.
    pub teeth: u16,
    /// Teeth left out on purpose, side by side: 1 for 36-1, 2 for 60-2.
    pub missing: u16,
}

/// The drive from engine to drum.
#[derive(Clone, Debug, PartialEq)]
pub struct Drive {
    /// Engine turns per drum turn.
    pub engine_per_drum: Measured,
    /// Tooth counts that the ratio was worked out from, engine first.
    pub stages: Vec<Stage>,
    /// The roller contact, when a tyre drives the drum; it is part of `engine_per_drum`.
    pub tyre: Option<Tyre>,
    /// Engine turns per drum turn in the other gears that the drum may be driven through.
    pub other_gears: Vec<f64>,
}

/// One reduction: `driven` turns once while `driving` turns driven/driving times.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stage {
    /// Teeth of the wheel that takes the power.
    pub driven_teeth: u16,
    /// Teeth of the wheel that gives it, on the engine's side.
    pub driving_teeth: u16,
}

/// A tyre that drives the drum by friction. It slips a little, so the engine turns
/// a little faster than the ratio says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tyre {
    /// Way of the tyre in one wheel turn, m.
    pub rolling_circumference_m: Measured,
    /// Diameter of the drum where the tyre runs, m.
    pub drum_diameter_m: Measured,
    /// Share by which the wheel turns faster under load than the drum pulls it along. It counts where
    /// no pickup on the engine shows what slips.
    pub slip: Measured,
}

/// Loss torque at the drum, N·m = constant + linear·ω + quadratic·ω², ω the drum's speed in
/// rad/s. Positive values brake the drum.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Losses {
    /// Friction.
    pub constant_nm: f64,
    /// Viscous part, N·m/(rad/s).
    pub linear_nm_s_per_rad: f64,
    /// Windage, N·m/(rad/s)².
    pub quadratic_nm_s2_per_rad2: f64,
    /// Standard uncertainty of the whole, relative to it.
    pub relative_uncertainty: f64,
    /// Standard deviation from pull to pull, relative to the whole: bearings warm up.
    pub repeatability: f64,
    /// The channel that measures the bearings' temperature.
    pub bearing_channel: Option<ChannelId>,
}

/// The force sensor on the arm of a brake (or of a cradled engine).
/// Torque = sign · (counts − zero) · `newton_per_count` · `arm_m`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadCell {
    /// The board's force channel.
    pub channel: u8,
    /// Force that one count is worth.
    pub newton_per_count: Measured,
    /// Counts without load.
    pub zero_counts: f64,
    /// Arm, from the axis to the line of the force, at a right angle to it.
    pub arm_m: Measured,
    /// +1 when the counts rise with torque from the engine, −1 when they fall.
    pub sign: f64,
    /// The shaft whose torque the arm holds.
    pub shaft: Shaft,
    /// Lowest and highest counts that its converter can give.
    pub range_counts: Option<(f64, f64)>,
}

/// An absorber on the drum's shaft that the board commands.
#[derive(Clone, Debug, PartialEq)]
pub struct StandAbsorber {
    /// The absorber.
    pub absorber: Absorber,
    /// Speed and torque of the engine at the crank, rad/s and N·m, as expected at full throttle; empty when the file
    /// does not say.
    pub engine_torque: Vec<(f64, f64)>,
    /// Speed of the engine below which there is no load, rad/s; half of a pull's start speed when the file does not say.
    pub stall_rad_per_s: Option<f64>,
}

/// Index of a channel in [`Stand::channels`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct ChannelId(pub usize);

/// A sensor on the board.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Its name, unique on the stand.
    pub name: String,
    /// Where its counts come from.
    pub source: Source,
    /// Counts to SI.
    pub law: Law,
    /// The channel that measures the cold junction of this thermocouple.
    pub cold_junction: Option<ChannelId>,
    /// What it measures.
    pub quantity: Quantity,
    /// Smallest and largest believable value, SI; outside it the sensor counts as lost.
    pub expected_si: Option<(f64, f64)>,
    /// What it tells of the engine.
    pub role: Option<Role>,
    /// The orifice or nozzle whose pressure difference it measures.
    pub meter: Option<FlowMeter>,
    /// How late it is.
    pub delay: SensorDelay,
    /// Vessel between an air meter and the engine, m³.
    pub settling_m3: Option<f64>,
    /// Standard uncertainty of a long mean: what sensor and converter are out by, SI; 0 when none was
    /// stated.
    pub uncertainty_si: f64,
}

/// A counts source on the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Source {
    /// Board channel kind *analog*.
    Analog(u8),
    /// Board channel kind *temperature*.
    Temperature(u8),
    /// A pickup input that counts a meter's pulses; its counts are the time from one to the next, see
    /// [`PULSE_PERIOD_S_PER_COUNT`](leverarm_torque::sensor::PULSE_PERIOD_S_PER_COUNT).
    Pulses(u8),
}

/// A rule that watches one signal.
#[derive(Clone, Debug, PartialEq)]
pub struct Guard {
    /// Given in the file or made of kind and signal; unique on the stand.
    pub name: String,
    /// What it watches.
    pub signal: Signal,
    /// What trips it.
    pub rule: Rule,
    /// Its limit, of what [`Rule::limit_of`] says; the last of [`limit_by_speed`](Self::limit_by_speed).
    pub limit_si: Option<f64>,
    /// What it does.
    pub action: GuardAction,
    /// How long the limit has to be passed without a break; 0 acts on the first reading.
    pub debounce_ms: u32,
    /// Whether it watches only during a pull.
    pub while_pulling: bool,
    /// Engine speed in rad/s and limit in SI, speeds rising: stands in for the limit.
    /// Straight between the points, level above the last, no limit below the first. Empty without.
    pub limit_by_speed: Vec<(f64, f64)>,
    /// What it does when what it watches is lost: it can't see its limit then.
    pub when_lost: WhenLost,
}

/// What a guard does when the channel that it watches is lost: unreadable, outside what is expected,
/// or silent.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum WhenLost {
    /// Nothing: it only warns, or watches something that other guards see the loss of.
    #[default]
    Nothing,
    /// It cuts, as at its limit.
    Cut,
    /// It warns; why that is enough, in the words of the stand file.
    Warn(String),
}

/// What a guard does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GuardAction {
    /// Tells the person.
    Warn,
    /// Has the board cut the ignition.
    Cut,
}

impl WhenLost {
    /// What it does, if anything.
    #[must_use]
    pub fn action(&self) -> Option<GuardAction> {
        match self {
            Self::Nothing => None,
            Self::Cut => Some(GuardAction::Cut),
            Self::Warn(_) => Some(GuardAction::Warn),
        }
    }
}

/// What can be watched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Signal {
    /// "drum speed", "engine speed"; rad/s
    Speed(Shaft),
    /// "load cell"; N
    LoadCell,
    /// "board": frames of any kind
    Board,
    /// A channel, by its name in the file.
    Channel(ChannelId),
}

/// What counts as a pull. Speeds and accelerations are the engine's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PullRules {
    /// A pull starts where the engine passes this speed.
    pub start_rad_per_s: f64,
    /// A pull is whole when the engine reaches this speed.
    pub end_rad_per_s: f64,
    /// Slower than this is no pull.
    pub acceleration_min_rad_per_s2: f64,
    /// Kept from before the start.
    pub pre_trigger_s: f64,
    /// Kept after the end, to see the losses while the drum runs down.
    pub coast_s: f64,
    /// A shorter rise is no pull.
    pub length_min_s: f64,
}

/// Where the readings of the ambient air come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AirInputs {
    /// Absolute pressure (not reduced to sea level), Pa.
    pub pressure_pa: AirInput,
    /// Intake air temperature, K.
    pub temperature_k: AirInput,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: AirInput,
}

/// One reading of the air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AirInput {
    /// Written in the stand file.
    Entered(Measured),
    /// Measured by a channel during the pull.
    Channel(ChannelId),
}

/// How curves are laid out, over engine speed in rpm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurveRules {
    /// Distance of grid points, rpm.
    pub step_rpm: f64,
    /// First grid point; the pull's own when absent.
    pub from_rpm: Option<f64>,
    /// Last grid point; the pull's own when absent.
    pub to_rpm: Option<f64>,
}

impl Stand {
    /// The channel with this index.
    #[must_use]
    pub fn channel(&self, id: ChannelId) -> Option<&Channel> {
        self.channels.get(id.0)
    }

    /// The channel with this name.
    #[must_use]
    pub fn channel_named(&self, name: &str) -> Option<(ChannelId, &Channel)> {
        self.channels
            .iter()
            .enumerate()
            .find(|(_, channel)| channel.name == name)
            .map(|(index, channel)| (ChannelId(index), channel))
    }

    /// The speed of `shaft` at which the first of the cutting overspeed guards acts.
    #[must_use]
    pub fn overspeed_cut_rad_per_s(&self, shaft: Shaft) -> Option<f64> {
        overspeed_cut_rad_per_s(&self.guards, &self.drive, shaft)
    }

    /// Teeth per second at `pickup` when the overspeed cut acts.
    #[must_use]
    pub fn overspeed_cut_teeth_per_s(&self, pickup: &Pickup) -> Option<f64> {
        let rad_per_s = self.overspeed_cut_rad_per_s(pickup.shaft)?;
        Some(rad_per_s / (2.0 * PI) * f64::from(pickup.teeth))
    }
}

/// The speed of `shaft` at which the first of the cutting overspeed guards acts.
pub(crate) fn overspeed_cut_rad_per_s<'g>(
    guards: impl IntoIterator<Item = &'g Guard>,
    drive: &Drive,
    shaft: Shaft,
) -> Option<f64> {
    guards
        .into_iter()
        .filter(|guard| guard.action == GuardAction::Cut)
        .filter_map(Guard::overspeed_rad_per_s)
        .map(|(from, rad_per_s)| drive.speed_rad_per_s(rad_per_s, from, shaft))
        .min_by(f64::total_cmp)
}

impl Drive {
    /// Speed of `to` while `from` turns at `rad_per_s`.
    #[must_use]
    pub fn speed_rad_per_s(&self, rad_per_s: f64, from: Shaft, to: Shaft) -> f64 {
        match (from, to) {
            (Shaft::Drum, Shaft::Engine) => rad_per_s * self.engine_per_drum.value,
            (Shaft::Engine, Shaft::Drum) => rad_per_s / self.engine_per_drum.value,
            (Shaft::Drum, Shaft::Drum) | (Shaft::Engine, Shaft::Engine) => rad_per_s,
        }
    }
}

impl Engine {
    /// What the analysis of fuel and air has to know.
    #[must_use]
    pub const fn model(&self) -> EngineModel {
        EngineModel {
            displacement_m3: self.displacement_m3,
            stroke_m: self.stroke_m,
            cylinders: self.cylinders,
            compression_ratio: self.compression_ratio,
            cycles_per_turn: self.cycles_per_turn,
            fuel: self.fuel,
            device: self.device,
        }
    }
}

impl Guard {
    /// Shaft and limit of a guard against overspeed.
    #[must_use]
    pub fn overspeed_rad_per_s(&self) -> Option<(Shaft, f64)> {
        match (self.rule, self.signal) {
            (Rule::Overspeed, Signal::Speed(shaft)) => Some((shaft, self.limit_si?)),
            _ => None,
        }
    }

    /// The limit that lets the least pass of all those that go with a speed; none without such.
    #[must_use]
    pub fn strictest_limit(&self) -> Option<f64> {
        let limits = self.limit_by_speed.iter().map(|(_, limit)| *limit);
        match self.rule.side() {
            Side::Above => limits.reduce(f64::min),
            Side::Below => limits.reduce(f64::max),
        }
    }

    /// The limit at an engine speed, for a guard whose limit goes with it; none below its first speed.
    #[must_use]
    pub fn limit_at(&self, engine_rad_per_s: f64) -> Option<f64> {
        let points = &self.limit_by_speed;
        let above = points.partition_point(|(speed, _)| *speed <= engine_rad_per_s);
        let (low, low_limit) = *points.get(above.checked_sub(1)?)?;
        let Some((high, high_limit)) = points.get(above) else {
            return Some(low_limit);
        };
        let share = (engine_rad_per_s - low) / (high - low);
        Some(low_limit + share * (high_limit - low_limit))
    }
}

impl Losses {
    /// Whether the file says any.
    pub(crate) fn are_given(&self) -> bool {
        [
            self.constant_nm,
            self.linear_nm_s_per_rad,
            self.quadratic_nm_s2_per_rad2,
        ] != [0.0; 3]
    }

    /// Loss torque at a drum speed, N·m.
    #[must_use]
    pub fn torque_nm(&self, drum_rad_per_s: f64) -> f64 {
        self.constant_nm
            + drum_rad_per_s
                * (self.linear_nm_s_per_rad + drum_rad_per_s * self.quadratic_nm_s2_per_rad2)
    }
}

impl Stage {
    /// A stage out of its tooth counts, as in "41/15": driven, then driving, 1 to 400 each.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let teeth = |count: &str| {
            count
                .trim()
                .parse::<u16>()
                .ok()
                .filter(|n| (1..=400).contains(n))
        };
        let (driven, driving) = text.split_once('/')?;
        Some(Self {
            driven_teeth: teeth(driven)?,
            driving_teeth: teeth(driving)?,
        })
    }

    /// Turns of the driving wheel per turn of the driven one.
    #[must_use]
    pub fn ratio(self) -> f64 {
        f64::from(self.driven_teeth) / f64::from(self.driving_teeth)
    }
}

impl Shaft {
    /// "drum" or "engine"
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Drum => "drum",
            Self::Engine => "engine",
        }
    }
}
