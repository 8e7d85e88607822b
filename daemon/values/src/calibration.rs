//! Calibrations in force: what was measured of a stand, kept with every pull.
//!
//! A [`Calibration`] is one JSON text that holds all parts. It is named by its hash, so that a pull
//! points at what was in force when it was made; a part that was never calibrated is absent, and the
//! stand file's value holds.

use std::collections::{BTreeMap, BTreeSet};

use leverarm_config::Stand;
use leverarm_filters::speed_fit::KnownPattern;
use leverarm_load::absorber::Follows;
use leverarm_torque::calibration::load_cell::{Creep, Curve, LoadCell, LoadCellError, LoadPoint};
use leverarm_torque::calibration::losses::{LossError, LossFigures, Losses};
use leverarm_torque::calibration::wheel::Pattern;
use leverarm_torque::reduce::{LoadCellModel, LossModel, ReductionModel};
use leverarm_torque::uncertainty::{Assessed, Measured};
use leverarm_vocabulary::words;
use serde::{Deserialize, Serialize};

/// Version of the records that this program writes and reads.
pub const VERSION: u32 = 1;

/// Everything that was calibrated on a stand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Version of the record; see [`VERSION`].
    #[serde(default = "first_version")]
    pub version: u32,
    /// Inertia of the drum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drum_inertia: Option<InertiaCalibration>,
    /// Losses at the drum.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub losses: Option<LossCalibration>,
    /// Scale of the load cell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_cell: Option<LoadCellCalibration>,
    /// Zero of the load cell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tare: Option<Tare>,
    /// Tooth errors, a wheel each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub wheels: Vec<WheelCalibration>,
    /// Drive ratio.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drive_ratio: Option<RatioCalibration>,
    /// What the loop of the load has to reckon with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_tuning: Option<LoadTuning>,
}

const fn first_version() -> u32 {
    VERSION
}

impl Default for Calibration {
    fn default() -> Self {
        Self {
            version: VERSION,
            drum_inertia: None,
            losses: None,
            load_cell: None,
            tare: None,
            wheels: Vec::new(),
            drive_ratio: None,
            load_tuning: None,
        }
    }
}

/// The drum's moment of inertia.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InertiaCalibration {
    /// When it was measured, microseconds since 1970.
    pub made_wall_us: i64,
    /// How it was found.
    pub method: InertiaMethod,
    /// Of all that turns with the drum's shaft, kg·m².
    pub inertia_kg_m2: Assessed,
    /// From the stand file's pieces, where it has any.
    pub from_pieces_kg_m2: Option<Measured>,
    /// What was given and measured, for the record.
    pub given: Vec<Given>,
}

/// Ways to find the drum's inertia.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum InertiaMethod {
    /// Two weights on a cord.
    FallingWeight,
    /// A known torque against coasting.
    KnownTorque,
    /// Coasting without and with a known ring.
    AddedRing,
    /// From the pieces of the stand file.
    Pieces,
}

impl InertiaMethod {
    /// In words.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::FallingWeight => "falling weight",
            Self::KnownTorque => "known torque",
            Self::AddedRing => "added ring",
            Self::Pieces => "pieces",
        }
    }
}

/// An input of a calibration, in SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Given {
    /// What.
    pub name: String,
    /// Its value.
    #[serde(flatten)]
    pub measured: Measured,
    /// Its unit.
    pub unit: String,
}

/// Losses from coast-downs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossCalibration {
    /// When it was made, microseconds since 1970.
    pub made_wall_us: i64,
    /// The fit, of all runs together.
    pub figures: LossFigures,
    /// Relative standard deviation from run to run; nothing from one run.
    pub repeatability: Option<Assessed>,
    /// Where the runs came from, such as "pull 3".
    pub runs: Vec<String>,
}

impl LossCalibration {
    /// The losses taken up again.
    ///
    /// # Errors
    /// When the record holds numbers that no fit can have given.
    pub fn losses(&self) -> Result<Losses, LossError> {
        Losses::from_figures(&self.figures)
    }
}

/// The load cell against dead weights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadCellCalibration {
    /// When it was made, microseconds since 1970.
    pub made_wall_us: i64,
    /// The board's force channel.
    pub channel: u8,
    /// Fitted curve.
    pub curve: Curve,
    /// Load in N (from mass, gravity and buoyancy) and counts of each weight, in the order hung.
    pub points: Vec<LoadPoint>,
    /// Relative standard uncertainty that all loads share: weights, gravity.
    pub load_relative_uncertainty: f64,
    /// Change under one load held for long.
    pub creep: Option<Creep>,
    /// Coefficients of force in N over counts, constant first.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Counts without load.
    pub zero_counts: Option<f64>,
    /// Largest less smallest load, N.
    pub span_n: f64,
    /// Largest distance from the best straight line, N.
    pub non_linearity_n: f64,
    /// Largest difference between up and down, N.
    pub hysteresis_n: Option<f64>,
    /// Last reading without load less the first, N.
    pub zero_return_n: Option<f64>,
}

impl LoadCellCalibration {
    /// The fit made again from its points.
    ///
    /// # Errors
    /// As [`LoadCell::calibrate`].
    pub fn fit(&self) -> Result<LoadCell, LoadCellError> {
        LoadCell::calibrate(&self.points, self.curve)
    }
}

/// Zero of the load cell.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Tare {
    /// When it was taken, microseconds since 1970.
    pub made_wall_us: i64,
    /// The board's force channel.
    pub channel: u8,
    /// Counts without load.
    pub zero_counts: Assessed,
    /// Time averaged over, s.
    pub seconds: f64,
}

/// Tooth errors of one wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelCalibration {
    /// When it was made, microseconds since 1970.
    pub made_wall_us: i64,
    /// The board's pickup.
    pub pickup: u8,
    /// Position error of each tooth from any on, rad, positive where it comes late.
    pub error_rad: Vec<f64>,
    /// Standard uncertainty of each, rad.
    pub uncertainty_rad: Vec<f64>,
    /// Where the runs came from.
    pub runs: Vec<String>,
}

impl WheelCalibration {
    /// The pattern.
    #[must_use]
    pub fn pattern(&self) -> Pattern {
        Pattern {
            error_rad: self.error_rad.clone(),
            uncertainty_rad: self.uncertainty_rad.clone(),
        }
    }
}

/// Engine turns per drum turn.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RatioCalibration {
    /// When it was made, microseconds since 1970.
    pub made_wall_us: i64,
    /// The ratio.
    pub engine_per_drum: Assessed,
    /// Where it comes from: "pull 3", or tooth counts.
    pub runs: Vec<String>,
}

/// Engine and absorber as the loop of the load meets them, from a run with its output switched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LoadTuning {
    /// When it was made, microseconds since 1970.
    pub made_wall_us: i64,
    /// What the absorber was, in the stand file's word: for another one it does not count.
    pub absorber: String,
    /// Torque by the absorber's map over the acceleration that it makes, kg·m²: inertia, and what the map is out by.
    pub inertia_kg_m2: Assessed,
    /// Lag of the absorber's torque behind its output, s.
    pub lag_s: Assessed,
    /// How firmly the loop corrects; 1: as the rule has it.
    pub firmness: f64,
    /// Mean speed of the absorber in the run, rad/s.
    pub absorber_rad_per_s: f64,
    /// Its mean torque, N·m.
    pub absorber_nm: f64,
    /// Gain margin that the gains leave there, a factor.
    pub gain_margin: f64,
    /// Its standard uncertainty.
    pub gain_margin_uncertainty: f64,
    /// Phase margin, rad.
    pub phase_margin_rad: f64,
    /// Its standard uncertainty, rad.
    pub phase_margin_uncertainty_rad: f64,
    /// The run: "pull 3".
    pub runs: Vec<String>,
    /// What it rests on: keys of the stand file with their values then, of [`load_basis`]; none in records from before.
    #[serde(default)]
    pub basis: BTreeMap<String, String>,
}

/// Keys of a stand file that the tuning of its load rests on, with their values as text: what to the loop would be another
/// stand when it changes. Empty without an absorber.
#[must_use]
pub fn load_basis(stand: &Stand) -> BTreeMap<String, String> {
    let Some(stated) = &stand.absorber else {
        return BTreeMap::new();
    };
    let it = &stated.absorber;
    let curve = |points: &[(f64, f64)]| {
        let each: Vec<String> = points
            .iter()
            .map(|it| format!("{} {}", it.0, it.1))
            .collect();
        each.join(", ")
    };
    let follows = match it.follows {
        Follows::Coil {
            time_constant_s,
            forcing,
            fast_decay,
            ..
        } => [
            ("absorber.time_constant", time_constant_s.to_string()),
            ("absorber.forcing", forcing.to_string()),
            ("absorber.fast_decay", fast_decay.to_string()),
        ]
        .to_vec(),
        Follows::Valve { stroke_s, fill_s } => [
            ("absorber.time_constant", fill_s.to_string()),
            ("absorber.stroke", stroke_s.to_string()),
        ]
        .to_vec(),
        Follows::Electronics { time_constant_s } => {
            [("absorber.time_constant", time_constant_s.to_string())].to_vec()
        }
    };
    let drum = stand.drum.as_ref();
    let drum_kg_m2 = drum.map_or(0.0, |drum| drum.inertia_kg_m2.value);
    let pickup = stand.pickups.iter().find(|pickup| pickup.channel == 0);
    let engine = &stand.engine;
    let others = [
        ("absorber.kind", it.kind.name().to_owned()),
        ("absorber.full_torque", curve(&it.full_torque)),
        ("absorber.torque_of_output", curve(&it.torque_of_output)),
        ("drum.inertia", drum_kg_m2.to_string()),
        ("engine.inertia", engine.inertia_kg_m2.value.to_string()),
        ("drive", stand.drive.engine_per_drum.value.to_string()),
        ("pickup.teeth", pickup.map_or(0, |it| it.teeth).to_string()),
        ("engine.strokes", engine.cycles_per_turn.to_string()),
        ("engine.cylinders", engine.cylinders.to_string()),
    ];
    let all = follows.into_iter().chain(others);
    all.map(|(key, value)| (key.to_owned(), value)).collect()
}

/// One part that was calibrated again, or is to be forgotten.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", tag = "part", content = "record")]
pub enum Change {
    /// The drum's inertia.
    DrumInertia(InertiaCalibration),
    /// Losses.
    Losses(LossCalibration),
    /// The load cell's scale.
    LoadCell(LoadCellCalibration),
    /// The load cell's zero.
    Tare(Tare),
    /// Tooth errors of one wheel.
    Wheel(WheelCalibration),
    /// The drive ratio.
    DriveRatio(RatioCalibration),
    /// The load's loop.
    LoadTuning(LoadTuning),
    /// Go back to the stand file's value.
    Forget(Constant),
}

words! {
    /// What can be calibrated.
    Constant {
        /// The drum's inertia.
        Inertia = "inertia",
        /// What bearings, chain and air take.
        Losses = "losses",
        /// Scale of the load cell.
        LoadCell = "load-cell",
        /// Zero of the load cell.
        Tare = "tare",
        /// Tooth errors.
        Wheel = "wheel",
        /// Drive ratio.
        Ratio = "ratio",
        /// The load's loop.
        LoadTuning = "load-tuning",
    }
}

impl Change {
    /// What it changes.
    #[must_use]
    pub const fn constant(&self) -> Constant {
        match self {
            Self::DrumInertia(_) => Constant::Inertia,
            Self::Losses(_) => Constant::Losses,
            Self::LoadCell(_) => Constant::LoadCell,
            Self::Tare(_) => Constant::Tare,
            Self::Wheel(_) => Constant::Wheel,
            Self::DriveRatio(_) => Constant::Ratio,
            Self::LoadTuning(_) => Constant::LoadTuning,
            Self::Forget(constant) => *constant,
        }
    }
}

/// A change with what is to be said about it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NewCalibrationRequest {
    /// The change.
    pub change: Change,
    /// What came out, in a sentence.
    pub summary: String,
}

impl Calibration {
    /// The tuning of the load, with the keys of the stand file that have changed since; it is in force where none has. Nothing
    /// without an absorber.
    #[must_use]
    pub fn load_tuning_of(&self, stand: &Stand) -> Option<(&LoadTuning, Vec<String>)> {
        let kind = stand.absorber.as_ref()?.absorber.kind.name();
        let tuning = self.load_tuning.as_ref()?;
        let now = load_basis(stand);
        let is_other = |key: &&String| now.get(*key) != tuning.basis.get(*key);
        let keys: BTreeSet<&String> = now.keys().chain(tuning.basis.keys()).collect();
        let changed = if tuning.absorber != kind {
            vec!["absorber.kind".to_owned()]
        } else if tuning.basis.is_empty() {
            Vec::new()
        } else {
            keys.into_iter().filter(is_other).cloned().collect()
        };
        Some((tuning, changed))
    }

    /// Takes a change over.
    pub fn change(&mut self, change: Change) {
        match change {
            Change::DrumInertia(new) => self.drum_inertia = Some(new),
            Change::Losses(new) => self.losses = Some(new),
            Change::LoadCell(new) => self.load_cell = Some(new),
            Change::Tare(new) => self.tare = Some(new),
            Change::Wheel(new) => {
                self.wheels.retain(|wheel| wheel.pickup != new.pickup);
                self.wheels.push(new);
            }
            Change::DriveRatio(new) => self.drive_ratio = Some(new),
            Change::LoadTuning(new) => self.load_tuning = Some(new),
            Change::Forget(Constant::Inertia) => self.drum_inertia = None,
            Change::Forget(Constant::Losses) => self.losses = None,
            Change::Forget(Constant::LoadCell) => self.load_cell = None,
            Change::Forget(Constant::Tare) => self.tare = None,
            Change::Forget(Constant::Wheel) => self.wheels.clear(),
            Change::Forget(Constant::Ratio) => self.drive_ratio = None,
            Change::Forget(Constant::LoadTuning) => self.load_tuning = None,
        }
    }

    /// The wheel of a pickup.
    #[must_use]
    pub fn wheel(&self, pickup: u8) -> Option<&WheelCalibration> {
        self.wheels.iter().find(|wheel| wheel.pickup == pickup)
    }

    /// Puts the calibrated values over those of the stand file.
    pub fn apply(&self, model: &mut ReductionModel) {
        if let Some(calibrated) = &self.drum_inertia
            && let Some(inertia) = &mut model.drum_inertia_kg_m2
        {
            *inertia = calibrated.inertia_kg_m2;
        }
        if let Some(ratio) = &self.drive_ratio {
            model.engine_per_drum = ratio.engine_per_drum;
            // Measured under load, with what slips.
            model.tyre_slip = Measured::exact(0.0).into();
        }
        if let Some(calibrated) = &self.losses {
            model.losses = loss_model(calibrated, model.drum_inertia_kg_m2.as_ref());
        }
    }

    /// Puts the calibrated scale and the last zero of the load cell at this channel of the board over
    /// those of the stand file.
    pub fn apply_load_cell(&self, channel: u8, model: &mut LoadCellModel) {
        let calibrated = self.load_cell.as_ref();
        if let Some(calibrated) = calibrated.filter(|it| it.channel == channel) {
            apply_load_cell(calibrated, model);
        }
        if let Some(tare) = self.tare.as_ref().filter(|it| it.channel == channel) {
            model.zero_counts = tare.zero_counts;
        }
    }

    /// Tooth errors of a pickup's wheel, as the fit takes them.
    #[must_use]
    pub fn known_pattern(&self, pickup: u8, teeth: u16) -> Option<KnownPattern> {
        let wheel = self.wheel(pickup)?;
        (wheel.error_rad.len() == usize::from(teeth)).then(|| KnownPattern {
            error_rad: wheel.error_rad.clone(),
            uncertainty_rad: wheel.pattern().uncertainty_rms_rad(),
        })
    }
}

/// Losses that came from letting `inertia` coast. Their deceleration is what was measured: with
/// another inertia since, the torque follows it.
fn loss_model(calibrated: &LossCalibration, inertia: Option<&Assessed>) -> LossModel {
    let figures = &calibrated.figures;
    let scale = inertia.map_or(1.0, |now| now.value() / figures.inertia_kg_m2.value);
    LossModel {
        coefficients: figures.coefficients.map(|c| scale * c),
        covariance: figures.covariance.map(|row| row.map(|v| scale * scale * v)),
        degrees_of_freedom: figures.degrees_of_freedom,
        follow_inertia: inertia.is_some(),
        repeatability: calibrated
            .repeatability
            .unwrap_or_else(|| Measured::exact(0.0).into()),
        omega_range_rad_per_s: Some(figures.omega_range_rad_per_s),
    }
}

fn apply_load_cell(calibrated: &LoadCellCalibration, model: &mut LoadCellModel) {
    // A record that cannot be fitted again was never written by this program.
    let Ok(cell) = calibrated.fit() else {
        return;
    };
    let (low, high) = cell.fit.x_range();
    let zero = cell.zero_counts.unwrap_or(low);
    let far = if (high - zero).abs() >= (zero - low).abs() {
        high
    } else {
        low
    };
    let rise = cell.fit.rise(zero, far);
    let squared = cell.fit.coefficients().get(2).copied().unwrap_or(0.0);
    let slope = cell.fit.coefficients().get(1).copied().unwrap_or(0.0) + 2.0 * squared * zero;
    // The arm's sign says which way the counts go with torque; the scale itself is positive.
    let direction = slope.signum();
    let relative = rise
        .relative_standard_uncertainty()
        .hypot(calibrated.load_relative_uncertainty);
    model.newton_per_count = Assessed {
        measured: Measured::new(slope.abs(), slope.abs() * relative),
        ..Assessed::type_a(Measured::exact(0.0), freedom(&cell, &rise, relative))
    };
    model.newton_per_count_squared = direction * squared;
    model.bend_about_counts = zero;
    model.zero_counts = Measured::exact(zero).into();
    let bend = if calibrated.curve == Curve::Linear {
        cell.non_linearity
    } else {
        cell.fit
            .residuals()
            .iter()
            .fold(0.0, |a: f64, r| a.max(r.abs()))
    };
    model.shape_half_width_n = bend.max(0.5 * cell.hysteresis.unwrap_or(0.0));
    model.calibrated_counts = Some((low, high));
}

/// Degrees of freedom of the scale: the fit's, more where the weights' own uncertainty, taken as
/// known, has a part in it (Welch–Satterthwaite).
fn freedom(cell: &LoadCell, rise: &Measured, relative: f64) -> f64 {
    let fit = rise.relative_standard_uncertainty();
    if fit <= 0.0 {
        return f64::INFINITY;
    }
    (relative / fit).powi(4) * cell.fit.degrees_of_freedom() as f64
}
