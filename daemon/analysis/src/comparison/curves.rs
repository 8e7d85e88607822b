//! The reduced curves that comparisons are made from, kept in files so that a pull is reduced once.
//!
//! Never the only copy: each file names what it was made from, and one that does not fit is made
//! again. There is one a pull, and another one for its engine where that was asked for, in the folder
//! `curves` of the store, which may be deleted at any time.

use std::fs;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use leverarm_torque::comparison::{Pull, Sampled};
use leverarm_torque::curve::{Curve, CurvePoint, Cycles, Peak, Shuffle, Source};
use leverarm_torque::engine::{EnginePoint, Friction};
use leverarm_torque::reduce::AirReadings;
use leverarm_torque::uncertainty::Measured;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::engine::engine_pull;
use crate::reduction::{CurveChoice, RawData, ReducedPull, ReductionError, reduce_recorded};
use crate::replay::Recording;
use leverarm_store::files;
use leverarm_store::{ContentHash, PullRecord, StoreError, StoreReader};

/// What a comparison and its sheet need of a reduced pull.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PullCurve {
    /// Engine speeds of the trustworthy points, rising.
    pub rpm: Vec<f64>,
    /// Corrected torque at the crank, N·m.
    pub torque_nm: Vec<f64>,
    /// Standard uncertainty from what is the same in every pull on this stand, N·m.
    pub systematic_nm: Vec<f64>,
    /// Greatest torque with its speed: rpm, N·m.
    pub peak_torque: Option<(f64, f64)>,
    /// Greatest power with its speed: rpm, W.
    pub peak_power: Option<(f64, f64)>,
    /// How alike the engine's working cycles were.
    pub cycles: Option<Cycles>,
    /// Shuffle of the drive, where it shows.
    pub shuffle: Option<Shuffle>,
    /// Width of the smallest feature that the curve shows, rpm; none where a speed was held.
    pub resolution_rpm: Vec<Option<f64>>,
    /// Mean engine acceleration, rpm/s.
    pub sweep_rpm_per_s: f64,
    /// Torque that the load cell's zero stands for in the middle of the curve, N·m.
    pub zero_nm: Option<f64>,
    /// Absolute pressure, Pa.
    pub pressure_pa: f64,
    /// Temperature of the intake air, K.
    pub temperature_k: f64,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: f64,
    /// Factor that carries torque to reference air.
    pub air_factor: f64,
    /// Whether that factor is within its valid range.
    pub air_factor_within_range: bool,
    /// What to know before trusting it, in words.
    pub remarks: Vec<String>,
    /// The raw data.
    pub raw: RawData,
}

impl PullCurve {
    /// Of a reduced pull.
    #[must_use]
    pub fn of(reduced: &ReducedPull) -> Self {
        let ReducedPull { curve, air, .. } = reduced;
        let trusted: Vec<&CurvePoint> = curve.points.iter().filter(|p| p.trustworthy).collect();
        let peak = |peak: Option<Peak>| peak.map(|peak| (peak.rpm, peak.value));
        let AirReadings {
            pressure_pa,
            temperature_k,
            relative_humidity,
        } = air;
        Self {
            rpm: trusted.iter().map(|p| p.rpm).collect(),
            torque_nm: trusted.iter().map(|p| p.torque_nm).collect(),
            systematic_nm: trusted
                .iter()
                .map(|p| p.standard_uncertainty_nm(Source::is_common))
                .collect(),
            peak_torque: peak(curve.peak_torque),
            peak_power: peak(curve.peak_power),
            cycles: curve.cycles.clone(),
            shuffle: curve.shuffle,
            resolution_rpm: trusted.iter().map(|p| p.resolution_rpm).collect(),
            sweep_rpm_per_s: curve.sweep_rpm_per_s,
            zero_nm: zero_nm(curve),
            pressure_pa: pressure_pa.value,
            temperature_k: temperature_k.value,
            relative_humidity: relative_humidity.value,
            air_factor: curve.factor.factor,
            air_factor_within_range: curve.factor.within_valid_range(),
            remarks: curve.remarks.clone(),
            raw: reduced.raw.clone(),
        }
    }

    /// As the statistics take it.
    #[must_use]
    pub fn to_compare(&self, label: String, setup: usize, build: usize, time_s: f64) -> Pull {
        let points = self
            .rpm
            .iter()
            .zip(&self.torque_nm)
            .zip(&self.systematic_nm);
        Pull {
            label,
            setup,
            build,
            time_s,
            curve: points
                .map(|((rpm, torque_nm), systematic_nm)| {
                    Sampled::new(*rpm, *torque_nm, *systematic_nm)
                })
                .collect(),
        }
    }
}

fn zero_nm(curve: &Curve) -> Option<f64> {
    let middle = curve.points.get(curve.points.len() / 2)?;
    let zero = middle
        .inputs
        .iter()
        .find(|input| input.source == Source::Zero)?;
    Some(zero.sensitivity * zero.assessed.value())
}

/// What a comparison needs of the engine to say why setups differ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EngineCurve {
    /// The trustworthy points, at the speeds of [`PullCurve::rpm`].
    pub points: Vec<EnginePoint>,
    /// Friction, where the drum turned the engine over after the pull.
    pub friction: Option<Friction>,
    /// Absolute pressure of the air, Pa.
    pub ambient_pa: Measured,
}

impl EngineCurve {
    fn of(reduced: &ReducedPull, recording: &Recording) -> Self {
        let engine = engine_pull(reduced, recording);
        Self {
            points: engine.points,
            friction: engine.friction,
            ambient_pa: reduced.air.pressure_pa,
        }
    }
}

/// A file, and what it was made from.
#[derive(Serialize, Deserialize)]
struct Kept<T> {
    made_from: ContentHashText,
    #[serde(rename = "curve")]
    content: T,
}

type ContentHashText = String;

/// The kept curves of a store.
#[derive(Debug, Clone)]
pub struct CurveFiles {
    folder: PathBuf,
    choice: CurveChoice,
    with_engine: bool,
    calibration_of_now: Option<ContentHash>,
    program: String,
}

impl CurveFiles {
    /// Those of a store, for curves of this choice, with or without the engine's side.
    ///
    /// # Errors
    /// When the store can't be read.
    pub fn new(
        reader: &StoreReader,
        choice: CurveChoice,
        with_engine: bool,
    ) -> Result<Self, StoreError> {
        let calibration_of_now = if choice.calibrations_of_now {
            let newest = reader.calibration_history()?.pop();
            newest.map(|newest| newest.calibration)
        } else {
            None
        };
        Ok(Self {
            folder: reader.folder().join("curves"),
            choice,
            with_engine,
            calibration_of_now,
            program: program(),
        })
    }

    /// The calibrations that a pull's curve is made with; none when there are none yet.
    #[must_use]
    pub fn calibration(&self, pull: &PullRecord) -> Option<ContentHash> {
        if self.choice.calibrations_of_now {
            self.calibration_of_now
        } else {
            Some(pull.calibration)
        }
    }

    /// The curve of a pull, and its engine where that was asked for: the kept ones if they were made
    /// from the same, else made, both from one reduction, and kept.
    ///
    /// # Errors
    /// See [`ReductionError`].
    pub fn curve(
        &self,
        reader: &StoreReader,
        pull: &PullRecord,
    ) -> Result<(PullCurve, Option<EngineCurve>), ReductionError> {
        let made_from = self.made_from(reader, pull)?;
        let curve_file = self.folder.join(format!("pull-{}.json", pull.id));
        let engine_file = self.folder.join(format!("engine-{}.json", pull.id));
        if let Some(curve) = read_kept(&curve_file, &made_from) {
            if !self.with_engine {
                return Ok((curve, None));
            }
            if let Some(engine) = read_kept(&engine_file, &made_from) {
                return Ok((curve, Some(engine)));
            }
        }
        let (reduced, recording) = reduce_recorded(reader, pull.id, self.choice)?;
        let curve = PullCurve::of(&reduced);
        self.keep(&curve_file, &made_from, &curve);
        let engine = self
            .with_engine
            .then(|| EngineCurve::of(&reduced, &recording));
        if let Some(engine) = &engine {
            self.keep(&engine_file, &made_from, engine);
        }
        Ok((curve, engine))
    }

    /// Everything that the curve follows from, as a hash.
    fn made_from(&self, reader: &StoreReader, pull: &PullRecord) -> Result<String, StoreError> {
        let text = json!([
            self.program,
            pull.connection,
            [pull.tick_first_wanted, pull.tick_start],
            pull.tick_end,
            reader.chunk_checksums(pull)?,
            pull.stand,
            self.calibration(pull),
            pull.air,
            pull.reasons,
            self.choice.correction.map(|correction| correction.key()),
            self.choice.step_rpm,
        ]);
        Ok(ContentHash::of(&text.to_string()).to_string())
    }

    fn keep<T: Serialize>(&self, file: &Path, made_from: &str, content: &T) {
        let kept = Kept {
            made_from: made_from.to_owned(),
            content,
        };
        if let Err(error) = self.write(file, &kept) {
            // A store on a read-only disk is compared all the same, only more slowly.
            tracing::debug!(file = %file.display(), %error, "a reduced curve could not be kept");
        }
    }

    fn write<T: Serialize>(&self, file: &Path, kept: &Kept<T>) -> std::io::Result<()> {
        files::make_own_folder(&self.folder)?;
        // Renamed into place: another process that reads sees the old file or the new one.
        let own = format!("{}-{:?}", std::process::id(), std::thread::current().id());
        let unfinished = file.with_extension(own);
        files::write_own(&unfinished, &serde_json::to_vec(kept)?)?;
        fs::rename(&unfinished, file)
    }
}

/// What a file holds, if it was made from this.
fn read_kept<T: DeserializeOwned>(file: &Path, made_from: &str) -> Option<T> {
    let text = fs::read(file).ok()?;
    let kept: Kept<T> = serde_json::from_slice(&text).ok()?;
    (kept.made_from == made_from).then_some(kept.content)
}

/// The program that reduces: another build may reduce in another way.
fn program() -> String {
    let built = std::env::current_exe().and_then(fs::metadata).map(|file| {
        let modified = file.modified().ok();
        let since = modified.and_then(|at| at.duration_since(UNIX_EPOCH).ok());
        format!("{} {:?}", file.len(), since)
    });
    format!(
        "{} {}",
        env!("CARGO_PKG_VERSION"),
        built.unwrap_or_default()
    )
}
