//! `days`: the check pulls of one setup on a control chart.

use leverarm_analysis::comparison::{DaysReport, days_of_setup};

use super::compare::range;
use super::curve_output::{self, terminal_table};
use super::{CurvesArguments, Failure, json_line, say};

/// Which setup.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct DaysArguments {
    /// The setup that is kept unchanged; the one tested on most days when left out
    #[arg(value_name = "SETUP")]
    setup: Option<String>,
    /// Average over these speeds only, such as 4000-8000; without it over all that every pull has
    #[arg(long, value_name = "RPM-RPM", value_parser = range)]
    range: Option<(f64, f64)>,
    #[command(flatten)]
    curves: CurvesArguments,
    /// JSON instead of words and table
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &DaysArguments) -> Result<(), Failure> {
    let (reader, choice) = arguments.curves.open()?;
    let found = days_of_setup(&reader, arguments.setup.as_deref(), arguments.range, choice)?;
    let report = DaysReport {
        units: curve_output::units(found.stand.units, arguments.curves.choice.units),
        found: &found,
    };
    if arguments.json {
        json_line(&report.json());
        return Ok(());
    }
    say(&report.title());
    for line in report.words() {
        say(&format!("  {line}"));
    }
    say("");
    say(&terminal_table(&report.table()).to_string());
    Ok(())
}
