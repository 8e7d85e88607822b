//! `calibrate ratio`.

use anyhow::{Context, anyhow};
use std::path::Path;

use leverarm_analysis::calibration::ratio::{RunRatio, Source, find, of_stages, with_tyre};
use leverarm_config::units;
use leverarm_store::PullId;
use leverarm_torque::uncertainty::Measured;

use super::super::dialogue::quantity;
use super::super::{Failure, say};
use super::{Common, Session};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct RatioArguments {
    /// A pull recorded with a pickup on the drum and one on the engine, by its number, or a byte log,
    /// by its path; may be given several times
    #[arg(long = "from", value_name = "RUN")]
    runs: Vec<String>,
    /// The ratio itself, such as "6.03 +/- 0.01": engine turns per drum turn
    #[arg(long, conflicts_with_all = ["runs", "stages"])]
    ratio: Option<String>,
    /// Tooth counts driven/driving, engine first, such as "67/18,24/19,22/15"
    #[arg(long, conflicts_with = "runs")]
    stages: Option<String>,
    /// With stages and a tyre on the drum: way of the tyre in a turn, such as "1.63 +/- 0.01 m"
    #[arg(long, requires_all = ["stages", "drum_diameter"])]
    tyre_circumference: Option<String>,
    /// With stages and a tyre on the drum: diameter of the drum where it runs
    #[arg(long, requires = "tyre_circumference")]
    drum_diameter: Option<String>,
    #[command(flatten)]
    common: Common,
}

const HOW: &str = "\
With a pickup on the drum and one on the engine the ratio is measured: make a pull in the gear that
you test in, and name it here. Without, tooth counts of all stages tell it exactly for gears and
chains, and a tyre only as well as its circumference is known.";

pub(super) fn calibrate(arguments: &RatioArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    session.dialogue.tell(HOW);
    let source = if let Some(text) = &arguments.ratio {
        let ratio = quantity(text, &units::RATIO);
        Source::Entered(ratio.with_context(|| format!("--ratio {text:?}"))?)
    } else if let Some(stages) = &arguments.stages {
        Source::Stages(stages.clone(), from_stages(arguments, stages)?)
    } else {
        let runs = session.named(
            "--from RUN, --ratio or --stages",
            &arguments.runs,
            "Pulls or byte logs with both pickups, such as \"3 4 5\":",
            |name| one(&session, name),
        )?;
        for run in &runs {
            say(&run.text());
        }
        Source::Runs(runs)
    };
    let outcome = find(session.known(), source)?;
    session.finish(outcome, common)
}

fn from_stages(arguments: &RatioArguments, text: &str) -> Result<Measured, Failure> {
    let stages = of_stages(text).ok_or_else(|| {
        anyhow!("--stages {text:?}: expected tooth counts such as \"67/18,24/19\"")
    })?;
    let (Some(circumference), Some(diameter)) =
        (&arguments.tyre_circumference, &arguments.drum_diameter)
    else {
        return Ok(Measured::exact(stages));
    };
    let length = |name: &str, text: &str| {
        quantity(text, &units::LENGTH).with_context(|| format!("{name} {text:?}"))
    };
    let circumference = length("--tyre-circumference", circumference)?;
    let diameter = length("--drum-diameter", diameter)?;
    Ok(with_tyre(stages, circumference, diameter))
}

fn one(session: &Session, name: &str) -> Result<RunRatio, Failure> {
    let known = session.known();
    match name.parse() {
        Ok(number) => RunRatio::of_pull(known, session.reader()?, PullId::new(number)),
        Err(_not_a_number) => RunRatio::of_log(known, Path::new(name)),
    }
    .map_err(Failure::from)
}
