//! From the store to a curve: bytes, stand file and air of a pull, through the pure reduction.

use std::sync::Arc;

use leverarm_config::{AirInput, Channel, ChannelId, ConfigErrors, Pickup, Quantity, Stand};
use leverarm_torque::air::Correction;
use leverarm_torque::curve::{Curve, Cycles, Jolt, Misfire};
use leverarm_torque::engine::Role;
use leverarm_torque::reduce::{AirReadings, RawPull, ReduceError, ReduceOptions, reduce};
use leverarm_torque::uncertainty::Measured;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::in_force::{self, CalibrationError};
use crate::replay::{Recording, byte_log, is_simulated};
use crate::setup_correction;
use leverarm_store::{PullId, PullRecord, StoreError, StoreReader};
use leverarm_values::calibration::Calibration;
use leverarm_values::model::{curve_pickup, second_pickup};
use leverarm_values::{CalibratedStand, NoHello};

/// Why a pull could not be reduced.
#[derive(Debug, thiserror::Error)]
pub enum ReductionError {
    /// The store would not give it.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The stand file kept with the pull can't be read by this version.
    #[error("the stand file kept with the pull: {0}")]
    Config(#[from] ConfigErrors),
    /// The calibrations can't be used.
    #[error(transparent)]
    Calibration(#[from] CalibrationError),
    /// The samples make no curve.
    #[error(transparent)]
    Reduce(#[from] ReduceError),
    /// The air was to be measured and was not.
    #[error("air: channel \"{channel}\" gave no believable sample during the pull")]
    NoAir {
        /// The channel.
        channel: String,
    },
    /// The board never said its tick rate.
    #[error(transparent)]
    NoHello(#[from] NoHello),
    /// The curve says why in many words, of each pull in others.
    #[error("no point is trustworthy; the remarks on the pull itself say why")]
    Untrusted,
}

/// What a sweep tells of the working cycles, as JSON gives it.
#[derive(Debug, Serialize)]
pub struct CyclesBody<'a> {
    /// Standard deviation of the work of a cycle over its mean.
    cov: f64,
    /// Half width of its 95 % interval.
    expanded_uncertainty: f64,
    /// Working cycles in the sweep.
    count: f64,
    /// Firings that failed.
    misfired: f64,
    misfires: &'a [Misfire],
    jolts: &'a [Jolt],
}

impl<'a> From<&'a Cycles> for CyclesBody<'a> {
    fn from(cycles: &'a Cycles) -> Self {
        Self {
            cov: cycles.cov,
            expanded_uncertainty: cycles.expanded_uncertainty(),
            count: cycles.count,
            misfired: cycles.misfired(),
            misfires: &cycles.misfires,
            jolts: &cycles.jolts,
        }
    }
}

/// The form of entered air that this program writes; it reads this one and all before it.
const AIR_VERSION: u32 = 1;

const fn first_version() -> u32 {
    1
}

/// The air as a person entered it for the day, kept with the pulls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EnteredAir {
    /// Form of what is kept; 1 where it says none.
    #[serde(default = "first_version")]
    pub version: u32,
    /// Absolute pressure, Pa.
    pub pressure_pa: f64,
    /// Its standard uncertainty, Pa.
    pub pressure_uncertainty_pa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
    /// Its standard uncertainty, K.
    pub temperature_uncertainty_k: f64,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: f64,
    /// Its standard uncertainty.
    pub humidity_uncertainty: f64,
}

impl EnteredAir {
    /// Air of the form that this program writes.
    #[must_use]
    pub fn new(readings: &AirReadings) -> Self {
        let AirReadings {
            pressure_pa,
            temperature_k,
            relative_humidity,
        } = readings;
        Self {
            version: AIR_VERSION,
            pressure_pa: pressure_pa.value,
            pressure_uncertainty_pa: pressure_pa.standard_uncertainty,
            temperature_k: temperature_k.value,
            temperature_uncertainty_k: temperature_k.standard_uncertainty,
            relative_humidity: relative_humidity.value,
            humidity_uncertainty: relative_humidity.standard_uncertainty,
        }
    }

    /// What is kept with `what`; `None` when no air was entered for it.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when there is something that is not the air, or of a later program:
    /// taken for none, it would change every figure without a word.
    pub fn read(stored: &serde_json::Value, what: &str) -> Result<Option<Self>, StoreError> {
        if stored.is_null() {
            return Ok(None);
        }
        let air = Self::deserialize(stored).map_err(|error| StoreError::damaged(what, error))?;
        if air.version > AIR_VERSION {
            let why = format!(
                "version 1 to {AIR_VERSION} expected, {} found: it was made by a newer program",
                air.version
            );
            return Err(StoreError::damaged(what, why));
        }
        Ok(Some(air))
    }

    /// As the store keeps it; null for none.
    ///
    /// # Errors
    /// [`StoreError::Invalid`] when it holds what is no number.
    pub fn stored(air: Option<Self>) -> Result<serde_json::Value, StoreError> {
        serde_json::to_value(air).map_err(|error| StoreError::Invalid {
            what: "air",
            expected: "finite numbers".to_owned(),
            found: error.to_string(),
        })
    }
}

impl From<EnteredAir> for AirReadings {
    fn from(air: EnteredAir) -> Self {
        Self {
            pressure_pa: Measured::new(air.pressure_pa, air.pressure_uncertainty_pa),
            temperature_k: Measured::new(air.temperature_k, air.temperature_uncertainty_k),
            relative_humidity: Measured::new(air.relative_humidity, air.humidity_uncertainty),
        }
    }
}

/// The air during a pull: as entered for it, or by the stand file's word, measured or entered.
///
/// # Errors
/// When a channel that was to measure it gave nothing believable.
pub fn air(
    stand: &Stand,
    entered: Option<EnteredAir>,
    recording: &Recording,
) -> Result<AirReadings, ReductionError> {
    let of_file = |input: AirInput| match input {
        AirInput::Entered(value) => Ok(value),
        AirInput::Channel(id) => channel_mean(stand, id, recording),
    };
    let entered = entered.map(AirReadings::from);
    let pick = |input: AirInput, entered: Option<Measured>| match (input, entered) {
        // What a person entered for the day stands in for the file's fixed value, not for a sensor.
        (AirInput::Entered(_), Some(value)) => Ok(value),
        (input, _) => of_file(input),
    };
    Ok(AirReadings {
        pressure_pa: pick(stand.air.pressure_pa, entered.map(|a| a.pressure_pa))?,
        temperature_k: pick(stand.air.temperature_k, entered.map(|a| a.temperature_k))?,
        relative_humidity: pick(
            stand.air.relative_humidity,
            entered.map(|a| a.relative_humidity),
        )?,
    })
}

/// Mean of a channel's believable values over the recording, and its standard uncertainty.
///
/// # Errors
/// When it gave nothing believable.
pub fn channel_mean(
    stand: &Stand,
    id: ChannelId,
    recording: &Recording,
) -> Result<Measured, ReductionError> {
    let no_air = |channel: String| ReductionError::NoAir { channel };
    let channel = stand
        .channel(id)
        .ok_or_else(|| no_air(format!("number {}", id.0)))?;
    recording
        .mean_of(id, channel, 0..=u64::MAX)
        .ok_or_else(|| no_air(channel.name.clone()))
}

/// How a person wants the curve, where it differs from the stand file.
#[derive(Debug, Clone, Copy, Default)]
pub struct CurveChoice {
    /// Another correction.
    pub correction: Option<Correction>,
    /// Another grid step, rpm.
    pub step_rpm: Option<f64>,
    /// The calibrations that are in force now instead of those kept with the pull.
    pub calibrations_of_now: bool,
    /// Only speeds that were held, at whatever throttle.
    pub holds_only: bool,
}

/// Options of a reduction on a stand.
#[must_use]
pub fn options(stand: &Stand, air: AirReadings, choice: CurveChoice) -> ReduceOptions {
    ReduceOptions {
        start_rad_per_s: stand.pull.start_rad_per_s,
        step_rpm: choice.step_rpm.unwrap_or(stand.curve.step_rpm),
        from_rpm: stand.curve.from_rpm,
        to_rpm: stand.curve.to_rpm,
        correction: choice.correction.unwrap_or(stand.correction),
        air,
        holds_only: choice.holds_only,
    }
}

/// What the raw data of a pull is, and what it shows beside the curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RawData {
    /// SHA-256 of its bytes as `leverarm export --out pull.bin` writes them, hexadecimal: what
    /// `sha256sum` prints for that file.
    pub sha256: String,
    /// How many bytes.
    pub bytes: u64,
    /// Frames that were lost or damaged on the way.
    pub link_faults: usize,
    /// The board says that it is simulated: a rehearsal.
    pub is_simulated: bool,
    /// Mean of each temperature channel but the exhaust's before the pull began, K.
    pub start_temperatures_k: Vec<(String, f64)>,
}

impl RawData {
    fn of(bytes: &[u8], recording: &Recording, stand: &Stand, tick_start: u64) -> Self {
        let digits = Sha256::digest(bytes)
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect();
        // Exhaust gas follows the throttle within a second: it says nothing of how warm the engine is.
        let is_exhaust =
            |channel: &Channel| matches!(channel.role, Some(Role::ExhaustTemperature(_)));
        let temperatures = stand.channels.iter().enumerate().filter(|(_, channel)| {
            channel.quantity == Quantity::Temperature && !is_exhaust(channel)
        });
        Self {
            sha256: digits,
            bytes: bytes.len() as u64,
            link_faults: recording.faults.len(),
            is_simulated: recording.is_simulated,
            start_temperatures_k: temperatures
                .filter_map(|(number, channel)| {
                    let mean = recording.mean_of(ChannelId(number), channel, 0..=tick_start)?;
                    Some((channel.name.clone(), mean.value))
                })
                .collect(),
        }
    }
}

/// A stored pull with all that belongs to its curve.
#[derive(Debug, Clone)]
pub struct ReducedPull {
    /// What the store knows of it.
    pub pull: PullRecord,
    /// The stand as it was.
    pub stand: Stand,
    /// The air used.
    pub air: AirReadings,
    /// The correction used.
    pub correction: Correction,
    /// The calibrations used.
    pub calibration: Calibration,
    /// The curve.
    pub curve: Curve,
    /// Where it comes from.
    pub raw: RawData,
}

/// The samples of a stored pull, with the stand as it was.
///
/// # Errors
/// See [`ReductionError`].
pub fn record_pull(
    reader: &StoreReader,
    pull: &PullRecord,
) -> Result<(Stand, Recording), ReductionError> {
    let text = reader.stand_text(pull.stand)?;
    let stand = leverarm_config::parse("(kept with the pull)", &text)?;
    let connection = reader.connection(pull.connection)?;
    let is_simulated = is_simulated(&connection);
    let hello = connection.hello.ok_or(NoHello)?;
    let chunks = reader.pull_chunks(pull.id)?;
    let calibration = in_force::calibration(reader, pull.calibration)?;
    let of = Arc::new(CalibratedStand::new(stand.clone(), &calibration));
    let mut recording = Recording::of_chunks(&chunks, hello.tick_hz, Some(&of));
    recording.is_simulated = is_simulated;
    Ok((stand, recording))
}

/// Reduces a stored pull from its raw bytes.
///
/// # Errors
/// See [`ReductionError`].
pub fn reduce_pull(
    reader: &StoreReader,
    id: PullId,
    choice: CurveChoice,
) -> Result<ReducedPull, ReductionError> {
    reduce_recorded(reader, id, choice).map(|(reduced, _)| reduced)
}

/// Reduces a stored pull, and gives the samples it was reduced from.
///
/// # Errors
/// See [`ReductionError`].
pub fn reduce_recorded(
    reader: &StoreReader,
    id: PullId,
    choice: CurveChoice,
) -> Result<(ReducedPull, Recording), ReductionError> {
    let pull = setup_correction::pull(reader, id)?;
    let text = reader.stand_text(pull.stand)?;
    let stand = leverarm_config::parse("(kept with the pull)", &text)?;
    let connection = reader.connection(pull.connection)?;
    let tick_hz = connection.hello.as_ref().ok_or(NoHello)?.tick_hz;
    let calibration = if choice.calibrations_of_now {
        in_force::newest_calibration(reader)?.0
    } else {
        in_force::calibration(reader, pull.calibration)?
    };
    let of = Arc::new(CalibratedStand::new(stand.clone(), &calibration));
    let chunks = reader.pull_chunks(id)?;
    let mut recording = Recording::of_chunks(&chunks, tick_hz, Some(&of));
    recording.is_simulated = is_simulated(&connection);
    let entered = EnteredAir::read(&pull.air, &format!("the air of pull {id}"))?;
    let air = air(&stand, entered, &recording)?;
    let ticks = pull.tick_first_wanted..=pull.tick_end.unwrap_or(u64::MAX);
    let options = options(&stand, air, choice);
    let mut curve = reduce_recording(&of, &recording, ticks, &options)?;
    curve.remarks.extend(
        recording
            .gaps
            .iter()
            .map(|gap| format!("raw data lacking: {gap}")),
    );
    curve.remarks.extend(pull.reasons.iter().cloned());
    let bytes = byte_log(&connection, chunks.iter().flatten());
    let raw = RawData::of(&bytes, &recording, &stand, pull.tick_start);
    let reduced = ReducedPull {
        raw,
        pull,
        correction: options.correction,
        stand,
        air,
        calibration,
        curve,
    };
    Ok((reduced, recording))
}

/// Reduces a plain byte log with a stand and calibrations: the whole log is taken as one pull.
///
/// # Errors
/// See [`ReductionError`].
pub fn reduce_log(
    stand: &Stand,
    calibration: &Calibration,
    bytes: &[u8],
    choice: CurveChoice,
) -> Result<Curve, ReductionError> {
    let of = Arc::new(CalibratedStand::new(stand.clone(), calibration));
    let recording = Recording::of_bytes(bytes, Some(&of))?;
    let air = air(stand, None, &recording)?;
    reduce_recording(&of, &recording, 0..=u64::MAX, &options(stand, air, choice))
        .map_err(Into::into)
}

fn reduce_recording(
    of: &CalibratedStand,
    recording: &Recording,
    ticks: std::ops::RangeInclusive<u64>,
    options: &ReduceOptions,
) -> Result<Curve, ReduceError> {
    let stand = of.stand();
    let edges = |pickup: Option<&Pickup>| {
        pickup.map_or(&[][..], |p| {
            recording.edges_within(p.channel, ticks.clone())
        })
    };
    let raw = RawPull {
        tick_hz: recording.tick_hz,
        edges: edges(curve_pickup(stand)),
        second_edges: edges(second_pickup(stand)),
        force: stand.load_cell.as_ref().map_or(&[], |cell| {
            recording.forces_within(cell.channel, ticks.clone())
        }),
    };
    reduce(&raw, of.model(), options)
}
