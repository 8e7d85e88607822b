//! `parts`: what each part did, whatever else was on, over all setups of the store.

use anyhow::{Context, anyhow, bail};
use leverarm_analysis::comparison::{EffectsReport, StoredEffects, SwapCost, effects_of_parts};
use leverarm_config::units;

use super::compare::Places;
use super::curve_output::{self, terminal_table};
use super::pulls::PlotArguments;
use super::{CurvesArguments, Failure, json_line, say};

/// Which parts, and how.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct PartsArguments {
    /// Parts to tell of, such as "sleeve"; all when left out
    #[arg(value_name = "PART")]
    parts: Vec<String>,
    /// Setup whose parts the others are measured against; the first one tested when left out
    #[arg(long, value_name = "SETUP")]
    reference: Option<String>,
    #[command(flatten)]
    question: EffectQuestion,
    #[command(flatten)]
    plot: PlotArguments,
}

/// What effects are asked for, and how they are to be told.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct EffectQuestion {
    #[command(flatten)]
    pub(super) curves: CurvesArguments,
    #[command(flatten)]
    pub(super) places: Places,
    #[command(flatten)]
    pub(super) swaps: SwapArguments,
    /// JSON instead of words and tables
    #[arg(long)]
    pub(super) json: bool,
}

/// What swapping parts costs.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct SwapArguments {
    /// Time that swapping a part takes, "10 min", or a part of its own, "sleeve=25 min"; may be given
    /// several times
    #[arg(long = "swap", value_name = "[PART=]TIME")]
    swaps: Vec<String>,
}

impl SwapArguments {
    pub(super) fn cost(&self) -> Result<SwapCost, Failure> {
        let mut cost = SwapCost::default();
        for text in &self.swaps {
            let (part, time) = match text.split_once('=') {
                Some((part, time)) => (Some(part.trim()), time.trim()),
                None => (None, text.trim()),
            };
            let seconds = units::quantity(time, &units::DURATION)
                .with_context(|| format!("--swap {text:?}"))?;
            if !(0.0..=7.0 * 86_400.0).contains(&seconds) {
                bail!("--swap {text:?}: expected a time from 0 min to a week");
            }
            let minutes = seconds / 60.0;
            match part {
                Some(part) => {
                    cost.of_part_min.insert(part.to_owned(), minutes);
                }
                None => cost.each_min = minutes,
            }
        }
        Ok(cost)
    }
}

pub(super) fn run(arguments: &PartsArguments) -> Result<(), Failure> {
    let question = &arguments.question;
    let (reader, choice) = question.curves.open()?;
    let found = effects_of_parts(
        &reader,
        arguments.reference.as_deref(),
        choice,
        &question.swaps.cost()?,
        &question.places.options(),
    )?;
    check_asked(&found, &arguments.parts)?;
    let report = EffectsReport {
        units: curve_output::units(found.stand.units, question.curves.choice.units),
        found: &found,
        asked: &arguments.parts,
    };
    arguments.plot.write(|| report.plot())?;
    if question.json {
        json_line(&report.json());
        return Ok(());
    }
    for line in report.words() {
        say(&line);
    }
    if report.shown().next().is_some() {
        say("");
        say(&terminal_table(&report.table()).to_string());
        say("");
    }
    say(&report.ground_words());
    if let Some(file) = &arguments.plot.plot {
        say(&format!("plot: {}", file.display()));
    }
    Ok(())
}

/// A part that no setup has, or that is the same in all, is a mistake or has no effect to tell.
fn check_asked(found: &StoredEffects, asked: &[String]) -> Result<(), Failure> {
    let effects = &found.effects.effects;
    let unknown = asked
        .iter()
        .find(|part| !effects.iter().any(|e| e.part == **part));
    let Some(unknown) = unknown else {
        return Ok(());
    };
    let mut known: Vec<&str> = effects.iter().map(|e| e.part.as_str()).collect();
    known.dedup();
    Err(anyhow!(
        "no part \"{unknown}\" differs between the setups tested; those that do: {}",
        if known.is_empty() {
            "none".to_owned()
        } else {
            known.join(", ")
        }
    ))
}
