//! From the store to a curve: bytes, stand file and air of a pull, through the pure reduction.

use leverarm_config::{AirInput, ConfigErrors, Pickup, Shaft, Stand, StandKind};
use leverarm_torque::air::Correction;
use leverarm_torque::curve::Curve;
use leverarm_torque::reduce::{
    AirReadings, DrumModel, LoadCellModel, LossModel, RawPull, ReduceError, ReduceOptions,
    ReductionModel, reduce,
};
use leverarm_torque::uncertainty::Measured;
use serde::{Deserialize, Serialize};

use crate::recording::Recording;
use crate::store::{PullId, PullRecord, StoreError, StoreReader};

/// Why a pull could not be reduced.
#[derive(Debug, thiserror::Error)]
pub enum ReductionError {
    /// The store would not give it.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The stand file kept with the pull can't be read by this version.
    #[error("the stand file kept with the pull: {0}")]
    Config(#[from] ConfigErrors),
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
    #[error(
        "the log holds no hello frame, so the tick rate is unknown; record from the start of the connection"
    )]
    NoTickRate,
}

/// The air as a person entered it for the day, kept with the pulls.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EnteredAir {
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

impl From<EnteredAir> for AirReadings {
    fn from(air: EnteredAir) -> Self {
        Self {
            pressure_pa: Measured::new(air.pressure_pa, air.pressure_uncertainty_pa),
            temperature_k: Measured::new(air.temperature_k, air.temperature_uncertainty_k),
            relative_humidity: Measured::new(air.relative_humidity, air.humidity_uncertainty),
        }
    }
}

/// The pickup that curves are made from: the drum's where there is one, since that is where the
/// inertia is.
#[must_use]
pub fn curve_pickup(stand: &Stand) -> Option<&Pickup> {
    let on_drum = stand.pickups.iter().find(|p| p.shaft == Shaft::Drum);
    on_drum.or_else(|| stand.pickups.first())
}

/// What the reduction has to know of a stand.
#[must_use]
pub fn model(stand: &Stand) -> ReductionModel {
    let ratio = stand.drive.engine_per_drum;
    let pickup = curve_pickup(stand);
    // The crank's own inertia turns ratio times as fast, so it counts ratio² at the drum.
    let engine = stand.engine.inertia_kg_m2;
    let referred = engine.value * ratio.value * ratio.value;
    let drum = stand
        .drum
        .as_ref()
        .filter(|_| stand.kind != StandKind::Brake)
        .map(|drum| DrumModel {
            inertia_kg_m2: Measured::new(
                drum.inertia_kg_m2.value + referred,
                drum.inertia_kg_m2
                    .standard_uncertainty
                    .hypot(engine.standard_uncertainty * ratio.value * ratio.value),
            ),
        });
    let load_cell = stand
        .load_cell
        .as_ref()
        .filter(|_| stand.kind != StandKind::Inertia);
    ReductionModel {
        drum,
        losses: LossModel {
            constant_nm: stand.losses.constant_nm,
            linear_nm_s_per_rad: stand.losses.linear_nm_s_per_rad,
            quadratic_nm_s2_per_rad2: stand.losses.quadratic_nm_s2_per_rad2,
            relative_uncertainty: 0.0,
        },
        engine_per_drum: ratio,
        teeth_per_turn: pickup.map_or(1, |p| u32::from(p.teeth)),
        pickup_on_engine: pickup.is_some_and(|p| p.shaft == Shaft::Engine),
        load_cell: load_cell.map(|cell| LoadCellModel {
            newton_per_count: cell.newton_per_count,
            zero_counts: cell.zero_counts,
            arm_m: cell.arm_m,
            sign: cell.sign,
            on_engine: cell.shaft == Shaft::Engine,
        }),
        cycles_per_engine_turn: stand.engine.cycles_per_turn,
        tooth_errors: None,
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

/// Mean and standard uncertainty of the mean of a channel over the recording.
fn channel_mean(
    stand: &Stand,
    id: leverarm_config::ChannelId,
    recording: &Recording,
) -> Result<Measured, ReductionError> {
    let unknown = || ReductionError::NoAir {
        channel: format!("number {}", id.0),
    };
    let channel = stand.channel(id).ok_or_else(unknown)?;
    let cold = match channel.cold_junction {
        Some(cold) => Some(channel_mean(stand, cold, recording)?.value),
        None => None,
    };
    let values: Vec<f64> = recording
        .samples_of(channel.source)
        .iter()
        .filter_map(|(_, counts)| channel.law.si(f64::from((*counts)?), cold).ok())
        .filter(|si| {
            channel
                .expected_si
                .is_none_or(|(low, high)| (low..=high).contains(si))
        })
        .collect();
    if values.is_empty() {
        return Err(ReductionError::NoAir {
            channel: channel.name.clone(),
        });
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let spread = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    Ok(Measured::new(mean, (spread / n).sqrt()))
}

/// How a person wants the curve, where it differs from the stand file.
#[derive(Debug, Clone, Copy, Default)]
pub struct CurveChoice {
    /// Another correction.
    pub correction: Option<Correction>,
    /// Another grid step, rpm.
    pub step_rpm: Option<f64>,
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
    /// The curve.
    pub curve: Curve,
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
    let pull = reader.pull(id)?;
    let text = reader.stand_text(pull.stand)?;
    let stand = leverarm_config::parse("(kept with the pull)", &text)?;
    let connection = reader.connection(pull.connection)?;
    let tick_hz = connection
        .hello
        .as_ref()
        .ok_or(ReductionError::NoTickRate)?
        .tick_hz;
    let chunks = reader.pull_chunks(id)?;
    let recording = Recording::of_chunks(&chunks, tick_hz);
    let entered = serde_json::from_value::<EnteredAir>(pull.air.clone()).ok();
    let air = air(&stand, entered, &recording)?;
    let ticks = pull.tick_first_wanted..=pull.tick_end.unwrap_or(u64::MAX);
    let options = options(&stand, air, choice);
    let mut curve = reduce_recording(&stand, &recording, ticks, &options)?;
    curve.remarks.extend(
        recording
            .gaps
            .iter()
            .map(|gap| format!("raw data lacking: {gap}")),
    );
    curve.remarks.extend(pull.reasons.iter().cloned());
    Ok(ReducedPull {
        pull,
        correction: options.correction,
        stand,
        air,
        curve,
    })
}

/// Reduces a plain byte log with a stand: the whole log is taken as one pull.
///
/// # Errors
/// See [`ReductionError`].
pub fn reduce_log(
    stand: &Stand,
    bytes: &[u8],
    choice: CurveChoice,
) -> Result<Curve, ReductionError> {
    let recording = Recording::of_bytes(bytes);
    if recording.tick_hz <= 0.0 {
        return Err(ReductionError::NoTickRate);
    }
    let air = air(stand, None, &recording)?;
    reduce_recording(
        stand,
        &recording,
        0..=u64::MAX,
        &options(stand, air, choice),
    )
    .map_err(Into::into)
}

fn reduce_recording(
    stand: &Stand,
    recording: &Recording,
    ticks: std::ops::RangeInclusive<u64>,
    options: &ReduceOptions,
) -> Result<Curve, ReduceError> {
    let pickup = curve_pickup(stand).map_or(0, |p| p.channel);
    let raw = RawPull {
        tick_hz: recording.tick_hz,
        edges: recording.edges_within(pickup, ticks),
        force: stand
            .load_cell
            .as_ref()
            .map_or(&[], |cell| recording.forces_of(cell.channel)),
    };
    reduce(&raw, &model(stand), options)
}
