//! How often a comparison is right, by simulation:
//! `cargo run --release -p leverarm-tests --bin comparison -- --tests 1000`.
//!
//! A line a world: how many per cent of A-versus-A tests call a difference, in how many the
//! simultaneous band holds the true difference at every speed, how many find a true gain of four times
//! the scatter of a pull over 1,500 rpm, how many answers were kept back, and how many an oracle finds
//! that makes the same estimates and knows how they scatter. The stand remembers ten builds of earlier
//! sessions, but where a world's name says otherwise.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_tests::simulated_test::{Tally, World, repeat};
use leverarm_torque::comparison::ComparisonError;

/// Simulates stands with what they did before, and counts how often their comparisons are right.
#[derive(Debug, Parser)]
struct Arguments {
    /// Tests of each kind in each world
    #[arg(long, default_value_t = 1000)]
    tests: u32,
    /// Only worlds with a name that holds this; may be repeated
    #[arg(long)]
    world: Vec<String>,
    /// Also worlds beside these: other ratios, blocks and memories
    #[arg(long)]
    neighbours: bool,
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
    worlds.retain(|world| {
        arguments.world.is_empty()
            || arguments
                .world
                .iter()
                .any(|w| world.name.contains(w.as_str()))
    });
    // Drawn on stderr, and only where that is a terminal.
    let bar = ProgressBar::new(u64::from(arguments.tests) * worlds.len() as u64);
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
                "world={} false_difference_pct={:.1} familywise_pct={:.1} found_pct={:.1} withheld_pct={:.1} oracle_found_pct={:.1}",
                world.name,
                tally.false_difference_pct,
                tally.familywise_pct,
                tally.found_pct,
                tally.withheld_pct,
                tally.oracle_found_pct,
            ));
        });
        all_right &= holds(&tally);
    }
    bar.finish_and_clear();
    Ok(all_right || !arguments.check)
}

/// Whether the shares are what they ought to be, but for three and a half standard deviations of as
/// many tests: a true share at the bound fails once in some thousand runs.
fn holds(tally: &Tally) -> bool {
    let tests = f64::from(tally.tests);
    let chance = |percent: f64, tests: f64| 3.5 * (percent * (100.0 - percent) / tests).sqrt();
    let (low, high) = FAMILYWISE;
    let familywise = chance(95.0, 2.0 * tests);
    tally.false_difference_pct <= FALSE_MAX + chance(5.0, tests)
        && (low - familywise..=high + familywise).contains(&tally.familywise_pct)
        // What is withheld is not looked for.
        && tally.found_pct + tally.withheld_pct
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
