//! `plan order`: what to test next, so that a difference shows soonest.

use anyhow::{Context, bail};
use leverarm_analysis::comparison::{NextTest, next_test};
use leverarm_analysis::plan::{ListLength, known_list, list_lengths};
use leverarm_config::display::DisplayUnits;
use leverarm_config::units;
use leverarm_store::StoreReader;
use leverarm_torque::comparison::Options;

use super::curve_output::{self, terminal_table};
use super::parts::EffectQuestion;
use super::{Failure, json_line, parse_stand, say};

/// What to find out, and what it costs.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct OrderArguments {
    /// The setup to test against
    first: String,
    /// The setup to test
    second: String,
    /// Difference of the average torque that is to show, such as "0.1 N*m"; 1 % when left out
    #[arg(long, value_name = "TORQUE")]
    resolve: Option<String>,
    /// Time that a pull takes, with cooling down after it
    #[arg(long, value_name = "TIME", default_value = "4 min")]
    pull: String,
    /// Tests by this list of steps instead of pulls: its length counts, as kept tests took, and --pull for
    /// cooling down between
    #[arg(long, value_name = "NAME")]
    list: Option<String>,
    #[command(flatten)]
    question: EffectQuestion,
}

pub(super) fn run(arguments: &OrderArguments) -> Result<(), Failure> {
    if arguments.first == arguments.second {
        bail!(
            "\"{}\" is named twice; a setup is tested against another",
            arguments.first
        );
    }
    let resolve_nm = arguments.resolve.as_ref();
    let resolve_nm = resolve_nm
        .map(|text| units::quantity(text, &units::TORQUE))
        .transpose()
        .context("--resolve")?;
    if let Some(nm) = resolve_nm.filter(|nm| *nm <= 0.0) {
        bail!("--resolve: expected a positive torque, found {nm} N·m");
    }
    let pull_s = units::quantity(&arguments.pull, &units::DURATION).context("--pull")?;
    if pull_s <= 0.0 {
        bail!("--pull: expected a time above zero, found {pull_s} s");
    }
    let question = &arguments.question;
    let (reader, choice) = question.curves.open()?;
    let list = arguments.list.as_deref();
    let list = list.map(|name| length_of(&reader, name)).transpose()?;
    let list_s = list.map_or(0.0, |length| length.seconds);
    let asked = NextTest {
        setups: [&arguments.first, &arguments.second],
        cost: &question.swaps.cost()?,
        pull_min: (pull_s + list_s) / 60.0,
        list: arguments.list.as_deref(),
        options: &Options {
            resolve_nm,
            ..question.places.options()
        },
    };
    let advice = next_test(&reader, &asked, choice)?;
    if question.json {
        json_line(&advice.json());
        return Ok(());
    }
    // Without a stand file beside the store the units are SI.
    let of_stand = parse_stand(&question.curves.store.stand.file).map(|read| read.stand.units);
    let units = curve_output::units(
        of_stand.unwrap_or(DisplayUnits::SI),
        question.curves.choice.units,
    );
    for line in advice.words(units.torque) {
        say(&line);
    }
    say("");
    say(&terminal_table(&advice.table(units.torque)).to_string());
    say("");
    for line in advice.ground_words() {
        say(&line);
    }
    if let Some(length) = list {
        say(&format!(
            "a test by the list takes {}, and {:.1} min between",
            length.words(),
            pull_s / 60.0
        ));
    }
    Ok(())
}

fn length_of(reader: &StoreReader, name: &str) -> Result<ListLength, Failure> {
    let list = known_list(reader, name)?;
    let list = list.with_context(|| {
        format!("--list: no plan and no kept test has a list \"{name}\"; name one with `leverarm load steps --name`")
    })?;
    let found = list_lengths(reader, &[list])?;
    found.first().copied().context("a list has a length")
}
