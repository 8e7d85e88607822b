//! How often a comparison is right, by simulation:
//! `cargo run --release -p leverarm-tests --bin comparison -- --tests 1000`.
//!
//! A line a world: how many per cent of A-versus-A tests call a difference, in how many the
//! simultaneous band holds the true difference at every speed, how many find a true gain of four times
//! the scatter of a pull over 1,500 rpm, how many answers were kept back, and how many an oracle finds
//! that makes the same estimates by the same rules and knows how they scatter; then how many it would find if it
//! knew besides that nothing moved between the returns. The stand remembers fifty builds of ten earlier days, but
//! where a world's name says otherwise, or `--remembered` does.
//!
//! The same of the answer that is said first, the average over the range of the gain (`answer_…`), and how often
//! that or any range is called a difference where there is none (`any_false_pct`).
//!
//! Then a line for what is said of parts (`parts=…`): how often an effect is called of a part that has none, how
//! often all averages of the parts hold the truth at once, and all curves at all speeds, how often the effect of
//! four pull scatters is found, and how often parts are said to act together that don't.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_tests::simulated_parts;
use leverarm_tests::simulated_test::{Tally, World, repeat};
use leverarm_torque::comparison::ComparisonError;

/// Simulates stands with what they did before, and counts how often their comparisons are right.
#[derive(Debug, Parser)]
struct Arguments {
    /// Tests of each kind in each world
    #[arg(long, default_value_t = 1000)]
    tests: u32,
    /// Only worlds with a name that holds this, of parts with "parts" before it; may be repeated
    #[arg(long)]
    world: Vec<String>,
    /// Also worlds beside these: other ratios, blocks and memories
    #[arg(long)]
    neighbours: bool,
    /// Earlier days that the stand remembers, with five mountings each, where a world's name says nothing else: ten
    /// mountings are enough for an answer, more find more
    #[arg(long, default_value_t = 10)]
    remembered: usize,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Tests at a time; as many as there are cores when left out
    #[arg(long)]
    jobs: Option<usize>,
    /// Fail when the shares are further from what they ought to be than chance explains
    #[arg(long)]
    check: bool,
}

/// Differences called where there is none, at most, %.
const FALSE_MAX: f64 = 5.5;
/// The simultaneous band holds the truth, %.
const FAMILYWISE: (f64, f64) = (93.0, 97.0);
/// Fewer gains found than the oracle finds, %.
const BEHIND_ORACLE_MAX: f64 = 10.0;

fn run(arguments: &Arguments) -> Result<bool, ComparisonError> {
    let mut worlds = World::all();
    if arguments.neighbours {
        worlds.extend(World::neighbours());
    }
    let is_asked = |name: &str| {
        let mut asked = arguments.world.iter();
        arguments.world.is_empty() || asked.any(|asked| name.contains(asked.as_str()))
    };
    worlds.retain(|world| is_asked(world.name));
    for world in worlds
        .iter_mut()
        .filter(|world| world.memory == World::CALM.memory)
    {
        world.memory.0 = arguments.remembered;
    }
    let mut of_parts = simulated_parts::worlds();
    of_parts.retain(|world| is_asked(&format!("parts {}", world.name)));
    // Drawn on stderr, and only where that is a terminal.
    let bar = ProgressBar::new(u64::from(arguments.tests) * (worlds.len() + of_parts.len()) as u64);
    if let Ok(style) =
        ProgressStyle::with_template("{bar:30} {pos} of {len} tests, {eta} left  {msg}")
    {
        bar.set_style(style);
    }
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let jobs = arguments.jobs.unwrap_or(cores);
    let mut all_right = true;
    for world in worlds {
        bar.set_message(world.name);
        let tally = repeat(&world, arguments.tests, arguments.seed, jobs, || bar.inc(1))?;
        bar.suspend(|| {
            drop(writeln!(
                std::io::stdout(),
                "world={} false_difference_pct={:.1} familywise_pct={:.1} found_pct={:.1} withheld_pct={:.1} oracle_found_pct={:.1} without_rules_pct={:.1} \
                 answer_false_pct={:.1} answer_holds_pct={:.1} answer_found_pct={:.1} answer_oracle_pct={:.1} any_false_pct={:.1}",
                world.name,
                tally.false_difference_pct,
                tally.familywise_pct,
                tally.found_pct,
                tally.withheld_pct,
                tally.oracle_found_pct,
                tally.without_rules_pct,
                tally.answer_false_pct,
                tally.answer_holds_pct,
                tally.answer_found_pct,
                tally.answer_oracle_pct,
                tally.any_false_pct,
            ));
        });
        all_right &= holds(&tally);
    }
    for world in of_parts {
        bar.set_message(format!("parts, {}", world.name));
        let (tests, seed) = (arguments.tests, arguments.seed);
        let tally = simulated_parts::repeat(&world, tests, seed, jobs, || bar.inc(1))?;
        bar.suspend(|| {
            drop(writeln!(
                std::io::stdout(),
                "parts={} false_effect_pct={:.1} averages_pct={:.1} bands_pct={:.1} found_pct={:.1} together_pct={:.1}",
                world.name,
                tally.false_effect_pct,
                tally.averages_pct,
                tally.bands_pct,
                tally.found_pct,
                tally.together_pct,
            ));
        });
        all_right &= parts_hold(&tally, arguments.tests);
    }
    bar.finish_and_clear();
    Ok(all_right || !arguments.check)
}

/// Three and a half standard deviations of a share of so many tests: a true share at a bound fails once in some
/// thousand runs.
fn chance(percent: f64, tests: f64) -> f64 {
    3.5 * (percent * (100.0 - percent) / tests).sqrt()
}

/// Whether what is said of parts is right as often as it ought to be, but for chance.
fn parts_hold(tally: &simulated_parts::Tally, tests: u32) -> bool {
    let off = chance(5.0, f64::from(tests));
    [tally.false_effect_pct, tally.together_pct]
        .into_iter()
        .all(|wrong| wrong <= FALSE_MAX + off)
        && [tally.averages_pct, tally.bands_pct]
            .into_iter()
            .all(|held| held >= FAMILYWISE.0 - off)
}

/// Whether the shares are what they ought to be, but for chance.
fn holds(tally: &Tally) -> bool {
    let tests = f64::from(tally.tests);
    let (low, high) = FAMILYWISE;
    let familywise = chance(95.0, 2.0 * tests);
    tally.false_difference_pct <= FALSE_MAX + chance(5.0, tests)
        && (low - familywise..=high + familywise).contains(&tally.familywise_pct)
        && tally.found_pct
            >= tally.oracle_found_pct
                - BEHIND_ORACLE_MAX
                - chance(tally.oracle_found_pct, tests).hypot(chance(tally.found_pct, tests))
}

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => {
            drop(writeln!(
                std::io::stderr(),
                "the shares are not what they ought to be"
            ));
            ExitCode::FAILURE
        }
        Err(error) => {
            drop(writeln!(std::io::stderr(), "error: {error}"));
            ExitCode::FAILURE
        }
    }
}
