//! `plan`: which setup to test next, and what to wait for.

use std::path::Path;

use anyhow::{Context, anyhow, bail};
use leverarm_config::{Quantity, Stand, units};
use serde_json::{Value, json};

use super::control::{Line, keep_word};
use super::order;
use super::step_words::named_list;
use super::{DaemonArgument, Failure, StandFile, json_line, read_stand, say};
use crate::clock::Clock;
use leverarm_analysis::local_time::local_text;
use leverarm_analysis::plan::{
    Block, Plan, Window, Word, current, event, known_list, list_lengths, made_since, randomised,
    shown_in,
};
use leverarm_store::{Store, StoreReader};
use leverarm_vocabulary::load::StepList;

#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Arguments {
    #[command(subcommand)]
    action: Option<Action>,
    #[command(flatten)]
    daemon: DaemonArgument,
    /// JSON instead of words
    #[arg(long)]
    json: bool,
}

/// What to do with the test plan.
#[derive(Debug, Clone, clap::Subcommand)]
enum Action {
    /// Begin a plan: setups in the order they are to be tested, such as A B A
    Begin(Begin),
    /// Leave the plan for now: pulls are made and kept as ever
    Leave(Who),
    /// Go on with the plan that was left
    Resume(Who),
    /// What to test next: the order of mountings and pulls that shows a difference soonest
    Order(order::OrderArguments),
}

/// A plan to begin.
#[derive(Debug, Clone, clap::Args)]
struct Begin {
    /// Names of the setups in order; the first one once more at the end tells drift from the change
    #[arg(required = true, value_name = "SETUP")]
    setups: Vec<String>,
    /// Pulls with each setup, or tests by each list, in each block
    #[arg(long, default_value_t = 3)]
    pulls: u32,
    /// So many blocks that hold every setup once, each in a random order, instead of the order given
    #[arg(long, value_name = "BLOCKS")]
    random_blocks: Option<u32>,
    /// A list of steps or a sweep instead of pulls, such as "six speeds: 3500 to 8500 rpm every 1000 rpm" or
    /// "down: 8500 to 3500 rpm at 300 rpm/s"; given several times, each setup is tested by each
    #[arg(long = "list", value_name = "NAME: STEPS")]
    lists: Vec<String>,
    /// Seed of the random orders
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Range in which a channel has to be before a pull, such as "oil=70..90 degC"; may be given
    /// several times
    #[arg(long = "window", value_name = "CHANNEL=LOW..HIGH UNIT")]
    windows: Vec<String>,
    /// What fuel is to be in the tank, and how much of it, to be checked by whoever tests
    #[arg(long, default_value = "")]
    fuel: String,
    #[command(flatten)]
    who: Who,
}

/// Who says so.
#[derive(Debug, Clone, clap::Args)]
struct Who {
    /// Who says so
    #[arg(long, default_value = "")]
    by: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

impl Begin {
    fn plan(&self, read: &StandFile) -> Result<Plan, Failure> {
        let stand = &read.stand;
        let blocks = match self.random_blocks {
            Some(blocks) => {
                let mut setups = self.setups.clone();
                setups.sort();
                setups.dedup();
                randomised(&setups, self.pulls, blocks, self.seed)
            }
            None => {
                let block = |setup: &String| Block {
                    setup: setup.clone(),
                    pulls: self.pulls,
                    list: None,
                };
                self.setups.iter().map(block).collect()
            }
        };
        let lists = self.lists.iter().map(|text| list_of(read, text));
        let lists = lists.collect::<Result<Vec<_>, _>>().context("--list")?;
        if !lists.is_empty() && stand.absorber.is_none() {
            bail!("--list: the stand file has no [absorber], so there is no load to lead");
        }
        let blocks = if lists.is_empty() {
            blocks
        } else {
            let by_each = |block: Block| {
                lists.iter().map(move |list| Block {
                    list: list.name.clone(),
                    ..block.clone()
                })
            };
            blocks.into_iter().flat_map(by_each).collect()
        };
        let windows = self
            .windows
            .iter()
            .map(|text| window(stand, text).with_context(|| format!("--window {text:?}")));
        let plan = Plan {
            blocks,
            lists,
            windows: windows.collect::<Result<_, _>>()?,
            fuel: self.fuel.clone(),
            by: self.who.by.clone(),
        };
        plan.check()?;
        Ok(plan)
    }
}

/// A list in words, or the name of one that the store knows.
fn list_of(read: &StandFile, text: &str) -> Result<StepList, Failure> {
    if !text.contains(':') {
        let reader = StoreReader::open(&read.store_folder)?;
        if let Some(list) = known_list(&reader, text)? {
            return Ok(list);
        }
    }
    named_list(text)
}

/// "oil=70..90 degC".
fn window(stand: &Stand, text: &str) -> Result<Window, Failure> {
    let form = || anyhow!("expected CHANNEL=LOW..HIGH UNIT, such as \"oil=70..90 degC\"");
    let (name, range) = text.split_once('=').ok_or_else(form)?;
    let (low, high) = range.split_once("..").ok_or_else(form)?;
    let (name, low, high) = (name.trim(), low.trim(), high.trim());
    let Some((_, channel)) = stand.channel_named(name) else {
        let known: Vec<&str> = stand.channels.iter().map(|c| c.name.as_str()).collect();
        bail!(
            "the stand has no channel \"{name}\"; it has: {}",
            known.join(", ")
        );
    };
    let (_, unit) = high.split_once(' ').unwrap_or((high, ""));
    let kind = match channel.quantity {
        Quantity::Temperature => &units::TEMPERATURE,
        Quantity::Pressure => &units::PRESSURE,
        Quantity::Fraction => &units::RATIO,
        _ => {
            bail!("windows are for channels of temperature, pressure or humidity");
        }
    };
    let si = |number: &str| {
        // A unit behind the highest value stands for both.
        let quantity = if number.contains(' ') {
            number.to_owned()
        } else {
            format!("{number} {unit}")
        };
        units::quantity(quantity.trim(), kind)
    };
    Ok(Window::between(name.to_owned(), si(low)?, si(high)?))
}

/// Without an action: where the plan stands.
pub(super) fn run(asked: &Arguments) -> Result<(), Failure> {
    let as_json = asked.json;
    match &asked.action {
        None => show(&asked.daemon, as_json),
        Some(Action::Begin(begin)) => {
            let read = read_stand(&begin.who.daemon.stand.file)?;
            let plan = begin.plan(&read)?;
            let body = json!({ "word": "begin", "plan": plan, "by": begin.who.by });
            tell(&Word::Begin(plan), &body, &begin.who)?;
            show(&begin.who.daemon, as_json)
        }
        Some(Action::Order(arguments)) => order::run(arguments),
        Some(Action::Leave(who)) => {
            let body = json!({ "word": "leave", "by": who.by });
            tell(&Word::Leave, &body, who)
        }
        Some(Action::Resume(who)) => {
            let body = json!({ "word": "resume", "by": who.by });
            tell(&Word::Resume, &body, who)?;
            show(&who.daemon, as_json)
        }
    }
}

/// Through the running daemon, or into the store itself.
fn tell(word: &Word, body: &Value, who: &Who) -> Result<(), Failure> {
    let read = read_stand(&who.daemon.stand.file)?;
    let begins = matches!(word, Word::Begin(_));
    let open = |folder: &Path| {
        if begins {
            Store::open(folder)
        } else {
            Store::open_existing(folder)
        }
    };
    keep_word(&read, &who.daemon, ("/api/plan", body), open, |reader| {
        if !begins && current(reader)?.is_none() {
            bail!("there is no test plan to leave or to resume");
        }
        Ok(event(word, &who.by, Clock::start().now()))
    })
}

fn show(daemon: &DaemonArgument, as_json: bool) -> Result<(), Failure> {
    let read = read_stand(&daemon.stand.file)?;
    let reader = StoreReader::open(&read.store_folder)?;
    let Some(current) = current(&reader)? else {
        if as_json {
            json_line(&json!({ "plan": null }));
        } else {
            say("no test plan; begin one with `leverarm plan begin`");
        }
        return Ok(());
    };
    let made = made_since(&reader, &current)?;
    let standing = current.plan.standing(&made);
    let lengths = list_lengths(&reader, &current.plan.lists)?;
    // Only the running daemon knows the temperatures of now.
    let told = Line::to(&read.stand, daemon)?.get("/api/plan");
    let waits = told.ok().flatten();
    let waits = waits.and_then(|told| told.get("not_ready").cloned());
    if as_json {
        json_line(&current.json(&standing, &lengths, &waits));
        return Ok(());
    }
    say(&format!("plan of {}", local_text(current.begun_wall_us)));
    let blocks = current.plan.blocks.iter().zip(&standing.made);
    for (number, (block, made)) in (1..).zip(blocks) {
        say(&format!(
            "{number:>3}. {}: {made} of {}",
            block.setup,
            block.count_words()
        ));
    }
    for (list, length) in current.plan.lists.iter().zip(&lengths) {
        say(&format!(
            "list \"{}\": {}; {}",
            list.name.as_deref().unwrap_or_default(),
            list.words(),
            length.words()
        ));
    }
    let left_min = current.seconds_of_lists_left(&standing, &lengths) / 60.0;
    if left_min > 0.0 {
        say(&format!(
            "what is left of lists takes {left_min:.1} min, without swaps and cooling down"
        ));
    }
    let shown = shown_in(&read.stand);
    for window in &current.plan.windows {
        let (low, high) = (
            shown(&window.channel, window.low_si),
            shown(&window.channel, window.high_si),
        );
        say(&format!(
            "before each pull: {} at {low} to {high}",
            window.channel
        ));
    }
    if !current.plan.fuel.is_empty() {
        say(&format!(
            "fuel, to be checked by hand: {}",
            current.plan.fuel
        ));
    }
    if standing.beside > 0 {
        say(&format!("pulls beside the plan: {}", standing.beside));
    }
    if current.is_left {
        say("the plan is left for now; go on with `leverarm plan resume`");
        return Ok(());
    }
    say(&standing.next.words());
    match waits.as_ref().and_then(Value::as_array) {
        Some(waits) if waits.is_empty() => say("ready"),
        Some(waits) => {
            for wait in waits.iter().filter_map(Value::as_str) {
                say(&format!("not ready: {wait}"));
            }
        }
        None => say("no daemon runs, so what to wait for is not known"),
    }
    Ok(())
}
