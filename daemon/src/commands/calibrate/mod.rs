//! `calibrate …`, `tare`, `calibrations`: finding a stand's constants and putting them in force.

mod inertia;
mod list;
mod load_cell;
mod losses;
mod ratio;
mod tare;
mod wheel;

use anyhow::anyhow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Subcommand;
use leverarm_config::Stand;
use serde_json::json;

pub(super) use list::{ListArguments, list};
pub(super) use tare::{TareArguments, tare};

use super::control::Line;
use super::dialogue::Dialogue;
use super::pulls::write_plot;
use super::{DaemonArgument, Failure, StandFile, json_line, read_stand_and, say};
use crate::clock::Clock;
use leverarm_analysis::calibration::runs::Run;
use leverarm_analysis::calibration::{CalibrationError, Known, Outcome};
use leverarm_analysis::in_force::{self, put_change};
use leverarm_plot::Theme;
use leverarm_store::{PullId, Store, StoreError, StoreReader};
use leverarm_values::CalibratedStand;
use leverarm_values::calibration::{Calibration, NewCalibrationRequest};

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
pub(super) struct StandStore {
    #[command(flatten)]
    pub(super) daemon: DaemonArgument,
    /// Folder of the store; the stand file's when left out
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
}

/// What every calibration takes.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct Common {
    #[command(flatten)]
    pub(super) store: StandStore,
    /// Show what comes out without putting it in force
    #[arg(long)]
    pub(super) dry_run: bool,
    /// End with one JSON object on the last line, and ask nothing
    #[arg(long)]
    pub(super) json: bool,
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

fn reader_of(folder: &Path) -> Result<Option<StoreReader>, Failure> {
    match StoreReader::open(folder) {
        Ok(reader) => Ok(Some(reader)),
        Err(StoreError::NoStore { .. }) => Ok(None),
        Err(error) => Err(Failure::from(error)),
    }
}

/// A stand with what is known of it so far, and the person.
pub(super) struct Session {
    daemon: DaemonArgument,
    file: StandFile,
    /// Absent before anything was recorded.
    reader: Option<StoreReader>,
    calibration: Calibration,
    dialogue: Dialogue,
    clock: Clock,
}

impl Session {
    pub(super) fn open(store: &StandStore, quiet: bool) -> Result<Self, Failure> {
        let file = read_stand_and(store.store.as_deref(), &store.daemon.stand.file)?;
        let reader = reader_of(&file.store_folder)?;
        let calibration = match &reader {
            Some(reader) => in_force::newest_calibration(reader)?.0,
            None => Calibration::default(),
        };
        Ok(Self {
            daemon: store.daemon.clone(),
            file,
            reader,
            calibration,
            dialogue: Dialogue::new(quiet),
            clock: Clock::start(),
        })
    }

    pub(super) fn stand(&self) -> &Stand {
        &self.file.stand
    }

    /// Looks at the store again, which may have begun since.
    pub(super) fn reopen(&mut self) -> Result<(), Failure> {
        self.reader = reader_of(&self.file.store_folder)?;
        Ok(())
    }

    pub(super) fn known(&self) -> Known<'_> {
        Known {
            stand: self.stand(),
            calibration: &self.calibration,
            now_wall_us: self.clock.now().wall_us,
        }
    }

    pub(super) fn reader(&self) -> Result<&StoreReader, Failure> {
        self.reader.as_ref().ok_or_else(|| {
            anyhow!(
                "{}: nothing has been recorded yet; start `leverarm serve` with the board connected",
                self.file.store_folder.display()
            )
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
            Err(_not_a_number) => Run::of_log(Path::new(name.trim()), Some(&stand)),
        }
        .map_err(Failure::from)
    }

    /// Runs named on the command line, or asked for.
    fn runs(&self, given: &[String], question: &str) -> Result<Vec<Run>, Failure> {
        self.named("--from RUN", given, question, |name| self.run(name))
    }

    /// What `read` makes of each run that is named on the command line or by the person.
    fn named<T>(
        &self,
        argument: &str,
        given: &[String],
        question: &str,
        read: impl Fn(&str) -> Result<T, Failure>,
    ) -> Result<Vec<T>, Failure> {
        if !given.is_empty() {
            return given.iter().map(|name| read(name.trim())).collect();
        }
        self.dialogue.ask(argument, None, question, |text| {
            let names = text.split([',', ' ']).filter(|name| !name.is_empty());
            let runs = names.map(&read).collect::<Result<Vec<_>, _>>()?;
            if runs.is_empty() {
                return Err(Failure::from(CalibrationError::NoRun));
            }
            Ok(runs)
        })
    }

    /// Shows what came out, and puts it in force unless it is not wanted.
    pub(super) fn finish(&self, outcome: Outcome, common: &Common) -> Result<(), Failure> {
        say(&outcome.summary);
        if let Some(verdict) = &outcome.verdict {
            say(verdict);
        }
        if let (Some(plot), Some(file)) = (&outcome.plot, &common.plot) {
            write_plot(plot, file, Theme::Light)?;
            if !common.json {
                say(&format!("plot: {}", file.display()));
            }
        } else if let (Some(plot), true) = (&outcome.plot, self.dialogue.is_open()) {
            say(&leverarm_plot::text(plot, 100, 30));
        }
        let mut object = outcome.json;
        object["calibration"] = serde_json::to_value(&outcome.change)?;
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
        if common.json {
            object["in_force"] = json!(wanted);
            json_line(&object);
        } else {
            say(if wanted {
                "in force for the next pulls"
            } else {
                "not put in force"
            });
        }
        Ok(())
    }

    /// Through the running daemon, which has the store, or else into the store itself.
    fn put_in_force(&self, request: NewCalibrationRequest) -> Result<(), Failure> {
        let body = serde_json::to_value(&request)?;
        let line = Line::to(self.stand(), &self.daemon)?;
        if line.post("/api/calibration", &body)?.is_none() {
            let mut store = Store::open(&self.file.store_folder)?;
            put_change(&mut store, request, self.clock.now().wall_us)?;
        }
        Ok(())
    }
}
