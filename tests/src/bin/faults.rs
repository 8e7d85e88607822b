//! Runs seeds of the fault simulation.

use std::collections::BTreeMap;
use std::process::ExitCode;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_tests::faults::{Outcome, describe, kept_seeds, run};
use nix::time::{ClockId, clock_gettime};

/// Fault simulation of the live core against the software stand, under a virtual clock.
#[derive(Debug, Parser)]
struct Options {
    /// How many seeds to run, after the kept ones.
    #[arg(long, default_value_t = 100)]
    seeds: u64,
    /// The first of them.
    #[arg(long, default_value_t = 1)]
    from: u64,
    /// Run this seed alone, and tell all about it.
    #[arg(long)]
    seed: Option<u64>,
    /// Threads.
    #[arg(long, default_value_t = 1)]
    jobs: usize,
}

/// What came of all seeds together.
#[derive(Debug, Default)]
struct Sum {
    passed: u64,
    failed: u64,
    simulated_s: f64,
    counts: BTreeMap<String, u64>,
}

#[expect(
    clippy::disallowed_methods,
    reason = "how fast the simulation runs is told; nothing in it depends on that"
)]
fn main() -> ExitCode {
    let options = Options::parse();
    if let Some(seed) = options.seed {
        println(&describe(seed));
    }
    let seeds: Vec<u64> = match options.seed {
        Some(seed) => vec![seed],
        None => kept_seeds()
            .chain(options.from..options.from.saturating_add(options.seeds))
            .collect(),
    };
    let bar = ProgressBar::new(seeds.len() as u64);
    if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos}/{len} seeds, {eta} left") {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(500));

    let begun = Instant::now();
    let (next, busy_us) = (AtomicUsize::new(0), AtomicU64::new(0));
    let sum = Mutex::new(Sum::default());
    std::thread::scope(|scope| {
        for _ in 0..options.jobs.max(1) {
            scope.spawn(|| {
                while let Some(seed) = seeds.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let before_us = core_us();
                    let outcome = run(*seed);
                    busy_us.fetch_add(core_us().saturating_sub(before_us), Ordering::Relaxed);
                    let lines = match outcome {
                        Ok(outcome) => add(&sum, &outcome, options.seed.is_some()),
                        Err(error) => {
                            lock(&sum).failed += 1;
                            vec![format!("seed {seed}: {error}")]
                        }
                    };
                    bar.suspend(|| lines.iter().for_each(|line| println(line)));
                    bar.inc(1);
                }
            });
        }
    });
    bar.finish_and_clear();

    let sum = sum.into_inner().unwrap_or_default();
    for (what, count) in &sum.counts {
        println(&format!("{count:9} {what}"));
    }
    let busy_min = busy_us.into_inner() as f64 / 60e6;
    println(&format!(
        "simulated_s={:.1} wall_s={:.1} stand_seconds_per_minute_core={:.0}",
        sum.simulated_s,
        begun.elapsed().as_secs_f64(),
        sum.simulated_s / busy_min.max(1e-9)
    ));
    println(&format!("{} passed, {} failed", sum.passed, sum.failed));
    ExitCode::from(u8::from(sum.failed > 0))
}

/// What this thread has had of a core so far: on a busy machine less than what has passed.
fn core_us() -> u64 {
    let time = clock_gettime(ClockId::CLOCK_THREAD_CPUTIME_ID);
    let time = time.map_or(Duration::ZERO, Duration::from);
    u64::try_from(time.as_micros()).unwrap_or(u64::MAX)
}

/// Adds an outcome, and gives the lines to print about it.
fn add(sum: &Mutex<Sum>, outcome: &Outcome, in_full: bool) -> Vec<String> {
    let mut sum = lock(sum);
    sum.simulated_s += outcome.simulated_s;
    for (what, count) in &outcome.counts {
        *sum.counts.entry(what.clone()).or_default() += count;
    }
    let mut lines = Vec::new();
    if in_full {
        let trace: Vec<String> = outcome.trace.iter().map(|b| format!("{b:02x}")).collect();
        lines.extend(outcome.journal.iter().cloned());
        lines.push(format!("trace {}", trace.concat()));
        lines.extend(outcome.failures.iter().cloned());
    }
    match outcome.failures.first() {
        None => sum.passed += 1,
        Some(first) => {
            sum.failed += 1;
            let seed = outcome.seed;
            lines.push(format!(
                "seed {seed} failed at {first} (replay: tests/faults --seed {seed})"
            ));
        }
    }
    lines
}

fn lock(sum: &Mutex<Sum>) -> std::sync::MutexGuard<'_, Sum> {
    sum.lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner)
}

#[expect(clippy::print_stdout, reason = "what this program is for")]
fn println(line: &str) {
    println!("{line}");
}
