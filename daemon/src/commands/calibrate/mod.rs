//! `calibrate …`, `tare`, `calibrations`: finding a stand's constants and putting them in force.

mod inertia;
mod list;
mod load_cell;
mod losses;
mod ratio;
mod tare;
mod wheel;

use std::path::PathBuf;
use std::sync::Arc;

use clap::Subcommand;
use leverarm_config::Stand;
use leverarm_torque::reduce::ReductionModel;
use leverarm_torque::uncertainty::{Assessed, Measured};
use serde_json::{Value, json};

pub(super) use list::{ListArguments, list};
pub(super) use tare::{TareArguments, tare};

use super::control::{Answer, Line};
use super::dialogue::Dialogue;
use super::pulls::write_plot;
use super::{DaemonArgument, Failure, StandFile, json_line, read_stand, say};
use crate::clock::Clock;
use leverarm_analysis::calibration::runs::Run;
use leverarm_analysis::in_force::{self, put_change};
use leverarm_plot::{Plot, Theme};
use leverarm_store::{PullId, Store, StoreError, StoreReader};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::{Calibration, Change, NewCalibrationRequest};
use leverarm_values::model::model;

/// What can be calibrated.
#[derive(Debug, Subcommand)]
pub(super) enum Calibrate {
    /// The drum's moment of inertia: falling weight, known torque, or a ring of known inertia
    Inertia(inertia::InertiaArguments),
    /// What bearings, chain and air take, from letting the drum coast down
    Losses(losses::LossArguments),
    /// The load cell, with dead weights up and down
    LoadCell(load_cell::LoadCellArguments),
    /// Errors of the teeth, from coast-downs and pulls
    Wheel(wheel::WheelArguments),
    /// Engine turns per drum turn, from two pickups or from tooth counts
    Ratio(ratio::RatioArguments),
}

/// The stand, its daemon and its store.
#[derive(Debug, Clone, clap::Args)]
struct StandStore {
    #[command(flatten)]
    daemon: DaemonArgument,
    /// Folder of the store; the stand file's when left out
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
}

/// What every calibration takes.
#[derive(Debug, Clone, clap::Args)]
struct Common {
    #[command(flatten)]
    store: StandStore,
    /// Show what comes out without putting it in force
    #[arg(long)]
    dry_run: bool,
    /// End with one JSON object on the last line, and ask nothing
    #[arg(long)]
    json: bool,
    /// Write a plot: the file's ending, .svg or .png, says which kind
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
}

pub(super) fn calibrate(what: &Calibrate) -> Result<(), Failure> {
    match what {
        Calibrate::Inertia(arguments) => inertia::calibrate(arguments),
        Calibrate::Losses(arguments) => losses::calibrate(arguments),
        Calibrate::LoadCell(arguments) => load_cell::calibrate(arguments),
        Calibrate::Wheel(arguments) => wheel::calibrate(arguments),
        Calibrate::Ratio(arguments) => ratio::calibrate(arguments),
    }
}

/// A stand with what is known of it so far, and the person.
struct Session {
    daemon: DaemonArgument,
    file: StandFile,
    folder: PathBuf,
    /// Absent before anything was recorded.
    reader: Option<StoreReader>,
    calibration: Calibration,
    dialogue: Dialogue,
    clock: Clock,
}

/// What came out of a calibration.
struct Outcome {
    change: Change,
    /// One sentence, for the history.
    summary: String,
    /// The record, or more, for `--json`.
    json: Value,
    plot: Option<Plot>,
}

impl Session {
    fn open(store: &StandStore, quiet: bool) -> Result<Self, Failure> {
        let file = read_stand(&store.daemon.stand.file)?;
        let folder = store
            .store
            .clone()
            .unwrap_or_else(|| file.store_folder.clone());
        let reader = match StoreReader::open(&folder) {
            Ok(reader) => Some(reader),
            Err(StoreError::NoStore { .. }) => None,
            Err(error) => return Err(Failure::of(error)),
        };
        let calibration = match &reader {
            Some(reader) => in_force::newest_calibration(reader).map_err(Failure::of)?.0,
            None => Calibration::default(),
        };
        Ok(Self {
            daemon: store.daemon.clone(),
            file,
            folder,
            reader,
            calibration,
            dialogue: Dialogue::new(quiet),
            clock: Clock::start(),
        })
    }

    fn stand(&self) -> &Stand {
        &self.file.stand
    }

    /// The stand as it is reduced now.
    fn model(&self) -> ReductionModel {
        model(self.stand(), &self.calibration)
    }

    fn now_wall_us(&self) -> i64 {
        self.clock.now().wall_us
    }

    fn reader(&self) -> Result<&StoreReader, Failure> {
        self.reader.as_ref().ok_or_else(|| {
            Failure(format!(
                "{}: nothing has been recorded yet; start `leverarm serve` with the board connected",
                self.folder.display()
            ))
        })
    }

    /// A run by the number of its pull, or the path of a byte log.
    fn run(&self, name: &str) -> Result<Run, Failure> {
        let stand = Arc::new(CalibratedStand::new(
            self.stand().clone(),
            &self.calibration,
        ));
        match name.trim().parse::<i64>() {
            Ok(number) => Run::of_pull(self.reader()?, PullId::new(number), Some(&stand)),
            Err(_not_a_number) => Run::of_log(std::path::Path::new(name.trim()), Some(&stand)),
        }
        .map_err(Failure::of)
    }

    /// Runs named on the command line, or asked for.
    fn runs(&self, given: &[String], question: &str) -> Result<Vec<Run>, Failure> {
        if !given.is_empty() {
            return given.iter().map(|name| self.run(name)).collect();
        }
        self.dialogue.ask("--from RUN", None, question, |text| {
            let names = text.split([',', ' ']).filter(|name| !name.is_empty());
            let runs = names
                .map(|name| self.run(name))
                .collect::<Result<Vec<_>, _>>()?;
            if runs.is_empty() {
                return Err(Failure::new("name at least one pull or byte log"));
            }
            Ok(runs)
        })
    }

    /// Shows what came out, and puts it in force unless it is not wanted.
    fn finish(&self, outcome: Outcome, common: &Common) -> Result<(), Failure> {
        if let (Some(plot), Some(file)) = (&outcome.plot, &common.plot) {
            write_plot(plot, file, Theme::Light)?;
            say(&format!("plot: {}", file.display()));
        } else if let (Some(plot), true) = (&outcome.plot, self.dialogue.is_open()) {
            say(&leverarm_plot::text(plot, 100, 30));
        }
        let mut object = outcome.json;
        object["change"] = serde_json::to_value(&outcome.change).map_err(Failure::of)?;
        object["summary"] = json!(outcome.summary);
        let wanted = !common.dry_run
            && self
                .dialogue
                .confirm("Put it in force for the next pulls?")?;
        if wanted {
            let request = NewCalibrationRequest {
                change: outcome.change,
                summary: outcome.summary,
            };
            self.put_in_force(request)?;
        }
        say(if wanted {
            "in force for the next pulls"
        } else {
            "not put in force"
        });
        if common.json {
            object["in_force"] = json!(wanted);
            json_line(&object);
        }
        Ok(())
    }

    /// Through the running daemon, which has the store, or else into the store itself.
    fn put_in_force(&self, request: NewCalibrationRequest) -> Result<(), Failure> {
        let body = serde_json::to_value(&request).map_err(Failure::of)?;
        let line = Line::to(self.stand(), &self.daemon)?;
        match line.post("/api/calibration", &body) {
            Answer::Done(_) => Ok(()),
            Answer::Refused(error) => Err(Failure(error)),
            Answer::NotRunning => {
                let mut store = Store::open(&self.folder).map_err(Failure::of)?;
                put_change(&mut store, request, self.now_wall_us()).map_err(Failure::of)?;
                Ok(())
            }
        }
    }
}

/// A value with its expanded uncertainty (k = 2) and unit.
fn shown(measured: &Measured, unit: &str) -> String {
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

fn assessed_json(value: &Assessed) -> Value {
    serde_json::to_value(value).unwrap_or(Value::Null)
}
