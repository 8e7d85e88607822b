//! `compare`: what a change did, as words, tables, plots and JSON.

use anyhow::Context;
use std::path::PathBuf;

use leverarm_config::units;
use leverarm_torque::comparison::words::counted;
use leverarm_torque::comparison::{Doubt, DriftAxis, Options, Pair, TypicalBuild};

use super::curve_output::{self, terminal_table};
use super::engine::WhyReport;
use super::pulls::PlotArguments;
use super::terminal::{bar_of_pulls, columns};
use super::{CurvesArguments, Failure, json_line, say};
use leverarm_analysis::comparison::{
    EngineSide, Report, StoredComparison, compare_setups, part_words,
};
use leverarm_analysis::overlay::Overlay;
use leverarm_plot as plot;

/// What a typical value is worth: as if from so many repeats, so that it may well be wrong by a third.
const TYPICAL_REFIT_DOF: f64 = 5.0;
/// Rows of the speed table in the terminal, about; JSON has every speed.
const TABLE_ROWS: usize = 28;
/// A plot is not drawn wider than this.
const PLOT_COLUMNS_MAX: usize = 120;
const PLOT_ROWS: usize = 34;

/// Where along the speed torque is asked for, and what is known of it beforehand.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct Places {
    /// Range of engine speed for averages and equality, such as 5000-7000
    #[arg(long, value_name = "RPM-RPM", value_parser = range)]
    range: Option<(f64, f64)>,
    /// Engine speeds at which to give torque and power, such as 5000,7000
    #[arg(long, value_name = "RPM", value_delimiter = ',')]
    at: Vec<f64>,
    /// How much putting a part back moves the torque, as a share such as "0.3 %", where the stand does
    /// not know it: a published or typical value, marked so
    #[arg(long, value_name = "SHARE", value_parser = share)]
    typical_refit: Option<f64>,
}

impl Places {
    pub(super) fn options(&self) -> Options {
        Options {
            range_rpm: self.range,
            speeds_rpm: self.at.clone(),
            typical_build: self.typical_refit.map(typical),
            ..Options::default()
        }
    }
}

/// What to compare, and how.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct ComparisonArguments {
    /// Names of the setups; the others are compared with the first
    #[arg(required = true, num_args = 2.., value_name = "SETUP")]
    setups: Vec<String>,
    #[command(flatten)]
    pub(super) curves: CurvesArguments,
    #[command(flatten)]
    places: Places,
    /// A difference too small to matter, such as "0.2 N*m": are they equal but for that?
    #[arg(long, value_name = "TORQUE")]
    margin: Option<String>,
    /// A difference to resolve, such as "0.1 N*m": how many more mountings does it take?
    #[arg(long, value_name = "TORQUE")]
    resolve: Option<String>,
    /// Drift over the test in the plain numbers: along the order of the pulls, along time, or left in;
    /// an answer that knows how mountings scatter takes each session's own out instead
    #[arg(long, value_enum, default_value_t = DriftChoice::Order)]
    drift: DriftChoice,
    /// A curve from elsewhere to show beside: CSV with columns rpm and torque or power
    #[arg(long, value_name = "FILE.csv")]
    overlay: Vec<PathBuf>,
}

/// `compare`'s own arguments.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct CompareArguments {
    #[command(flatten)]
    comparison: ComparisonArguments,
    /// Say why they differ: how much of it is air, mixture, or neither; a plot shows that
    #[arg(long)]
    why: bool,
    /// JSON instead of tables
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    plot: PlotArguments,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum DriftChoice {
    /// Taken out along the order of the pulls, where a return shows it
    Order,
    /// Taken out along time, where a return shows it
    Time,
    /// Stated and left in
    #[value(alias = "keep")]
    Leave,
}

pub(super) fn range(text: &str) -> Result<(f64, f64), String> {
    let bad = || format!("expected two engine speeds in rpm, such as 5000-7000, found \"{text}\"");
    let (low, high) = text.split_once('-').ok_or_else(bad)?;
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|x| x.is_finite());
    number(low).zip(number(high)).ok_or_else(bad)
}

pub(super) fn share(text: &str) -> Result<f64, String> {
    let share = units::quantity(text, &units::FRACTION).map_err(|error| error.to_string())?;
    if share > 0.0 && share < 0.5 {
        Ok(share)
    } else {
        Err("expected a share of the torque above 0 % and below 50 %, such as \"0.3 %\"".to_owned())
    }
}

/// A typical scatter of builds as a person gives it.
pub(super) fn typical(relative_sd: f64) -> TypicalBuild {
    TypicalBuild {
        relative_sd,
        degrees_of_freedom: TYPICAL_REFIT_DOF,
    }
}

impl ComparisonArguments {
    fn options(&self) -> Result<Options, Failure> {
        let torque = |name: &str, text: Option<&String>| {
            text.map(|text| units::quantity(text, &units::TORQUE))
                .transpose()
                .with_context(|| format!("--{name}"))
        };
        Ok(Options {
            margin_nm: torque("margin", self.margin.as_ref())?,
            resolve_nm: torque("resolve", self.resolve.as_ref())?,
            drift_axis: match self.drift {
                DriftChoice::Time => DriftAxis::Time,
                DriftChoice::Order | DriftChoice::Leave => DriftAxis::Order,
            },
            remove_drift: self.drift != DriftChoice::Leave,
            ..self.places.options()
        })
    }

    /// Compares, with a bar of its progress on stderr, and reads what is to be shown beside.
    pub(super) fn compare(
        &self,
        engine: EngineSide,
    ) -> Result<(StoredComparison, Vec<Overlay>), Failure> {
        let overlays: Result<Vec<Overlay>, _> = self
            .overlay
            .iter()
            .map(|file| Overlay::read(file))
            .collect();
        let overlays = overlays?;
        let (reader, choice) = self.curves.open()?;
        let bar = bar_of_pulls(0);
        let found = compare_setups(
            &reader,
            &self.setups,
            choice,
            &self.options()?,
            engine,
            |done, of| {
                bar.set_length(of as u64);
                bar.set_position(done as u64);
            },
        );
        bar.finish_and_clear();
        Ok((found?, overlays))
    }

    /// As it is to be shown.
    pub(super) fn report<'a>(
        &self,
        found: &'a StoredComparison,
        overlays: &'a [Overlay],
    ) -> Report<'a> {
        Report {
            units: curve_output::units(found.stand.units, self.curves.choice.units),
            found,
            overlays,
        }
    }
}

pub(super) fn run(arguments: &CompareArguments) -> Result<(), Failure> {
    let engine = if arguments.why {
        EngineSide::Wanted
    } else {
        EngineSide::LeftOut
    };
    let (found, overlays) = arguments.comparison.compare(engine)?;
    let report = arguments.comparison.report(&found, &overlays);
    let why = arguments.why.then(|| WhyReport::of(&report));
    arguments.plot.write(|| {
        let plot = report.plot();
        let reasons = why
            .as_ref()
            .and_then(|why| why.plot(&plot.title, &plot.subtitle));
        reasons.unwrap_or(plot)
    })?;
    if arguments.json {
        let mut object = report.json();
        if let Some(why) = &why {
            why.add_to(&mut object);
        }
        json_line(&object);
    } else {
        print(&report);
        if let Some(why) = &why {
            why.print();
        }
        if let Some(file) = &arguments.plot.plot {
            say(&format!("plot: {}", file.display()));
        }
    }
    Ok(())
}

fn print(report: &Report<'_>) {
    let comparison = report.comparison();
    for pair in report.told_pairs() {
        say(&report.pair_title(pair));
        for line in report.pair_words(pair) {
            say(&format!("  {line}"));
        }
        let differences = report.found.part_differences(pair.first, pair.second);
        for line in part_words(&differences) {
            say(&format!("  {line}"));
        }
        say("");
    }
    say(&plot::text(
        &report.plot(),
        columns().min(PLOT_COLUMNS_MAX),
        PLOT_ROWS,
    ));
    say(&terminal_table(&report.speed_table(TABLE_ROWS)).to_string());
    if let Some(words) = report.feature_words() {
        say(words);
    }
    say("");
    say(&terminal_table(&report.figure_table()).to_string());
    say("");
    say(&terminal_table(&report.evenness_table()).to_string());
    say("");
    for setup in &comparison.setups {
        say(&format!(
            "{}: {} ({})",
            setup.name,
            counted(setup.pulls.len(), "pull", "pulls"),
            setup.pulls.join(", ")
        ));
    }
    for left in &report.found.left_out {
        say(&format!(
            "left out: pull {}, {}: {}",
            left.pull.id,
            left.pull.setup_name.as_deref().unwrap_or("no setup"),
            left.reason
        ));
    }
    for overlay in report.overlays {
        say(&format!("{}: {}", overlay.name, overlay.mark()));
    }
    for line in report.notes() {
        say(&line);
    }
    for hint in hints(report) {
        say(hint);
    }
}

/// What to type for what the words ask for.
fn hints(report: &Report<'_>) -> Vec<&'static str> {
    let comparison = report.comparison();
    let is_scatter_unknown = |pair: &Pair| {
        let mut doubts = pair.ground.doubts.iter();
        doubts.any(|doubt| matches!(doubt, Doubt::BuildScatterUnknown { .. }))
    };
    let mut hints = Vec::new();
    if comparison.pairs.iter().any(is_scatter_unknown) {
        hints.push(
            "a part that was taken off and put back on: `leverarm setup --again` before its pulls; \
             a typical value: --typical-refit \"0.3 %\"",
        );
    }
    if report.found.differ_in_calibrations() {
        hints.push("the calibrations of now for all pulls: --recalibrated");
    }
    hints
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_two_speeds() {
        assert_eq!(range("5000-7000"), Ok((5000.0, 7000.0)));
        assert_eq!(range("5000 - 7000.5"), Ok((5000.0, 7000.5)));
        for bad in ["5000", "5000-", "a-b", "nan-7000", ""] {
            let error = range(bad).unwrap_err();
            assert!(
                error.contains("5000-7000") && error.contains(bad),
                "{error}"
            );
        }
    }
}
