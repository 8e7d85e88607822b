//! What is calibrated, from recorded stretches and what a person entered: the record to put in force, how
//! it compares with the one before, and its plot.

pub mod inertia;
pub mod load;
pub mod load_cell;
pub mod losses;
pub mod ratio;
pub mod runs;
pub mod tare;
pub mod wheel;

use std::error::Error;

use leverarm_config::{Pickup, Shaft, Stand};
use leverarm_plot::{Axis, Panel, Plot};
use leverarm_torque::calibration::gravity_m_per_s2;
use leverarm_torque::reduce::ReductionModel;
use leverarm_torque::uncertainty::Measured;
use leverarm_torque::{STANDARD_GRAVITY_M_PER_S2, calibration as torque};
use leverarm_values::calibration::{Calibration, Change};
use leverarm_values::model::model;
use serde_json::Value;

/// The stand as it is calibrated so far, and the time.
#[derive(Debug, Clone, Copy)]
pub struct Known<'a> {
    /// As its file has it.
    pub stand: &'a Stand,
    /// In force now.
    pub calibration: &'a Calibration,
    /// Now, µs since 1970.
    pub now_wall_us: i64,
}

impl<'a> Known<'a> {
    /// The stand as it is reduced now.
    #[must_use]
    pub fn model(&self) -> ReductionModel {
        model(self.stand, self.calibration)
    }

    fn drum_pickup(&self) -> Result<&'a Pickup, CalibrationError> {
        runs::pickup_on(self.stand, Shaft::Drum).ok_or(CalibrationError::NoDrumPickup)
    }
}

/// What came out of a calibration.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// What is to be put in force.
    pub change: Change,
    /// One sentence, for the history.
    pub summary: String,
    /// How it compares with what was known, where there was anything.
    pub verdict: Option<String>,
    /// The record, and more.
    pub json: Value,
    /// What it came from.
    pub plot: Option<Plot>,
}

/// Why nothing could be made of it.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationError {
    /// Losses need an inertia.
    #[error("the stand has no drum inertia: losses are what slows a known inertia down")]
    NoInertia,
    /// Nothing sees the drum.
    #[error(
        "no pickup is on the drum, so its acceleration can't be recorded: with the clutch pulled, the \
         engine's tells nothing of the drum"
    )]
    NoDrumPickup,
    /// Nothing sees that shaft.
    #[error("the stand has no pickup on that shaft")]
    NoPickup,
    /// Nothing to learn of one tooth.
    #[error("a wheel of one tooth has no spacing that could be wrong")]
    OneTooth,
    /// Nothing in the runs.
    #[error(
        "none of these runs has a coast-down or a full-throttle rise that the teeth can be learnt from"
    )]
    NoTeeth,
    /// The file has no pieces.
    #[error("the stand file lists no pieces ([[drum.piece]])")]
    NoPieces,
    /// No run was named.
    #[error("name at least one pull or byte log")]
    NoRun,
    /// A run does not do.
    #[error("{run}: {source}")]
    Run {
        /// Which.
        run: String,
        /// What is wrong with it.
        source: Box<dyn Error + Send + Sync>,
    },
    /// The drum was not driven.
    #[error("{run}: expected the drum to be driven up, found {turns} turns that say so")]
    NotDriven {
        /// Which.
        run: String,
        /// So many.
        turns: usize,
    },
    /// One pickup's teeth only.
    #[error(
        "{run}: expected teeth of a pickup on the drum and of one on the engine, found those of one only"
    )]
    OnePickup {
        /// Which.
        run: String,
    },
    /// Runs that have no speed in common.
    #[error(
        "the runs cover no common speed: one ends at {high_rpm:.0} rpm, another starts at {low_rpm:.0} rpm"
    )]
    NoCommonSpeed {
        /// End of one.
        high_rpm: f64,
        /// Start of the other.
        low_rpm: f64,
    },
    /// No drive has such a ratio.
    #[error("expected 0.1 to 100 engine turns per drum turn, found {found:.4}")]
    Ratio {
        /// As worked out.
        found: f64,
    },
    /// The losses don't fit.
    #[error(transparent)]
    Losses(#[from] torque::losses::LossError),
    /// The inertia does not come out.
    #[error(transparent)]
    Inertia(#[from] torque::inertia::InertiaMeasurementError),
    /// A motion that tells no acceleration.
    #[error(transparent)]
    Motion(#[from] torque::coast::RunError),
    /// No curve through the speeds.
    #[error(transparent)]
    Fit(#[from] leverarm_torque::regression::FitError),
    /// The weights and counts don't do.
    #[error(transparent)]
    LoadCell(#[from] torque::load_cell::LoadCellError),
    /// The teeth's errors don't go together.
    #[error(transparent)]
    Teeth(#[from] torque::wheel::PatternError),
}

impl CalibrationError {
    fn in_run(run: &str, source: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self::Run {
            run: run.to_owned(),
            source: source.into(),
        }
    }
}

/// Local gravity where nobody says it: from equator to pole it runs from 9.780 to 9.832 m/s².
#[must_use]
pub fn gravity_anywhere_m_per_s2() -> Measured {
    Measured::within(STANDARD_GRAVITY_M_PER_S2, 0.026)
}

/// Gravity at a latitude in degrees and a height in m; local anomalies stay below 0.001 m/s².
#[must_use]
pub fn gravity_at_m_per_s2(latitude_degrees: f64, altitude_m: f64) -> Measured {
    Measured::within(gravity_m_per_s2(latitude_degrees, altitude_m), 1e-3)
}

/// A value with its expanded uncertainty (k = 2) and unit.
#[must_use]
pub fn shown(measured: &Measured, unit: &str) -> String {
    let expanded = 2.0 * measured.standard_uncertainty;
    let decimals = decimals_for(if expanded > 0.0 {
        expanded
    } else {
        measured.value / 1e4
    });
    format!(
        "{:.decimals$} ± {expanded:.decimals$} {unit} (k = 2)",
        measured.value
    )
}

/// Decimals that leave two digits of a number.
fn decimals_for(value: f64) -> usize {
    let magnitude = value.abs();
    if !(magnitude > 0.0 && magnitude.is_finite()) {
        return 4;
    }
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0 to 12"
    )]
    let decimals = (1.0 - magnitude.log10().floor()).clamp(0.0, 12.0) as usize;
    decimals
}

fn plot(stand: &Stand, title: &str, x: Axis, panels: Vec<Panel>, notes: Vec<String>) -> Plot {
    Plot {
        title: title.to_owned(),
        subtitle: stand.name.clone(),
        x,
        panels,
        shades: Vec::new(),
        notes,
    }
}
