//! `series`: every setup against one, the way from one to the next, and what each part did.

use leverarm_analysis::comparison::{
    EffectsReport, EngineSide, Report, SeriesReport, compare_setups, effects_of_parts,
};
use leverarm_analysis::shelf::shelf;

use super::curve_output::{self, terminal_table};
use super::parts::EffectQuestion;
use super::sheet::{SheetOutput, reasons, why_plots};
use super::{Failure, json_line, say};
use crate::sheet::{Sheet, SheetFacts};

/// Which setups, and how.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct SeriesArguments {
    /// The reference, then the others in order; the first setup tested and all others when left out
    #[arg(value_name = "SETUP")]
    setups: Vec<String>,
    #[command(flatten)]
    question: EffectQuestion,
    #[command(flatten)]
    output: SheetOutput,
}

pub(super) fn run(arguments: &SeriesArguments) -> Result<(), Failure> {
    let question = &arguments.question;
    let (reader, choice) = question.curves.open()?;
    let options = question.places.options();
    let reference = arguments.setups.first().map(String::as_str);
    let cost = question.swaps.cost()?;
    let effects = effects_of_parts(&reader, reference, choice, &cost, &options)?;
    let names = match arguments.setups.as_slice() {
        [] | [_] => {
            // The reference first, the others in the order they were first tested in.
            let of = |(at, setup): (usize, &leverarm_store::SetupRecord)| {
                (at != effects.reference, setup.name.clone())
            };
            let mut names: Vec<(bool, String)> =
                effects.setups.iter().enumerate().map(of).collect();
            names.sort_by_key(|(is_other, _)| *is_other);
            names.into_iter().map(|(_, name)| name).collect()
        }
        chosen => chosen.to_vec(),
    };
    let engine = if arguments.output.is_wanted() {
        EngineSide::WhereMeasured
    } else {
        EngineSide::LeftOut
    };
    let found = compare_setups(&reader, &names, choice, &options, engine, |_, _| {})?;
    let report = Report {
        units: curve_output::units(found.stand.units, question.curves.choice.units),
        found: &found,
        overlays: &[],
    };
    let series = SeriesReport { report: &report };
    let of_parts = EffectsReport {
        units: report.units,
        found: &effects,
        asked: &[],
    };
    if arguments.output.is_wanted() {
        let facts = SheetFacts {
            maps: Vec::new(),
            shelf: shelf(&reader)?,
            author: arguments.output.author(),
            note: arguments.output.note(),
            budget: None,
            reasons: reasons(&report),
        };
        let mut plots = vec![
            ("torque-and-power".to_owned(), report.curves_plot()),
            ("difference".to_owned(), report.differences_plot()),
            ("way".to_owned(), series.way_plot()),
            ("parts".to_owned(), of_parts.plot()),
        ];
        plots.extend(why_plots(&facts));
        let sheet = Sheet::of_series(&report, &of_parts, &facts);
        arguments.output.write(&sheet, &report.units, &plots)?;
    }
    if question.json {
        let mut object = series.json();
        object["parts"] = of_parts.json();
        json_line(&object);
    } else if !arguments.output.is_wanted() {
        print(&series, &of_parts);
    }
    Ok(())
}

fn print(series: &SeriesReport<'_>, of_parts: &EffectsReport<'_>) {
    say(&series.title());
    for line in series.words() {
        say(&format!("  {line}"));
    }
    say("");
    say(&terminal_table(&series.table()).to_string());
    say("");
    say("the way the engine took");
    say(&terminal_table(&series.way_table()).to_string());
    say("");
    say(&series.table_words());
    say("");
    say("what each part did");
    for line in of_parts.words() {
        say(&format!("  {line}"));
    }
    if of_parts.shown().next().is_some() {
        say("");
        say(&terminal_table(&of_parts.table()).to_string());
        say("");
        say(&of_parts.ground_words());
    }
}
