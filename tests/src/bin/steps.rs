//! How often the 95 % band of a step holds the engine's true torque: many drawn brakes, in virtual time.
//!
//! `cargo run -p leverarm-tests --bin steps -- --stands 200`; with `--maps` that of maps.

#![expect(clippy::print_stdout, reason = "it prints what it found")]

use clap::Parser;
use leverarm_analysis::map::Shown;
use leverarm_tests::step_test::{MapFound, StepFound, Where, map_test, speeds, step_test};

#[derive(Parser)]
struct Arguments {
    /// Stands, one step test each
    #[arg(long, default_value_t = 100)]
    stands: u64,
    /// First seed
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Maps of three throttle positions and four speeds instead
    #[arg(long)]
    maps: bool,
}

/// Coverage of maps: where they were held, between, and where a hold is missing.
fn maps(asked: &Arguments) {
    let (mut found, mut failed): (Vec<MapFound>, u32) = (Vec::new(), 0);
    for seed in asked.seed..asked.seed + asked.stands {
        match map_test(seed) {
            Ok(places) => found.extend(places),
            Err(error) => {
                println!("seed {seed}: {error:?}");
                failed += 1;
            }
        }
    }
    println!("stands={} failed={failed}", asked.stands);
    for shown in [Shown::Torque, Shown::Lambda, Shown::Fuel] {
        for at in Where::ALL {
            let these: Vec<&MapFound> = found
                .iter()
                .filter(|it| it.shown == shown && it.at == at)
                .collect();
            let count = these.len() as f64;
            let held = these.iter().filter(|it| it.off.abs() <= it.half).count() as f64;
            let mean =
                |of: fn(&MapFound) -> f64| these.iter().map(|it| of(it)).sum::<f64>() / count;
            println!(
                "shown={shown:?} at={at:?} places={count} covered_pct={:.1} bias={:+.3e} rms={:.3e} band={:.3e}",
                100.0 * held / count,
                mean(|it| it.off),
                mean(|it| it.off * it.off).sqrt(),
                mean(|it| it.half),
            );
        }
    }
}

fn main() {
    let asked = Arguments::parse();
    if asked.maps {
        return maps(&asked);
    }
    let list = speeds(&[4_000.0, 5_500.0, 7_000.0]);
    let (mut found, mut failed): (Vec<StepFound>, u32) = (Vec::new(), 0);
    for seed in asked.seed..asked.seed + asked.stands {
        match step_test(seed, &list) {
            Ok(steps) => found.extend(steps),
            Err(error) => {
                println!("seed {seed}: {error:?}");
                failed += 1;
            }
        }
    }
    let count = found.len() as f64;
    let held = found
        .iter()
        .filter(|it| it.off_nm.abs() <= it.band_nm)
        .count() as f64;
    let mean = |of: fn(&StepFound) -> f64| found.iter().map(of).sum::<f64>() / count;
    println!(
        "stands={} failed={failed} steps={count} covered_pct={:.1} bias_nm={:+.4} rms_nm={:.4} band_nm={:.4}",
        asked.stands,
        100.0 * held / count,
        mean(|it| it.off_nm),
        mean(|it| it.off_nm * it.off_nm).sqrt(),
        mean(|it| it.band_nm),
    );
}
