//! How often a tuning's uncertainty holds what is true of a drawn brake, in virtual time.
//!
//! `cargo run -p leverarm-tests --bin tuning -- --stands 20`

#![expect(clippy::print_stdout, reason = "it prints what it found")]

use clap::Parser;
use leverarm_load::absorber::Kind;
use leverarm_tests::tuning_test::{Tuned, Tuning, drawn_stand, swings, tuning};

#[derive(Parser)]
struct Arguments {
    /// Stands of each kind
    #[arg(long, default_value_t = 20)]
    stands: u64,
    /// First seed
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Cylinders of the engine
    #[arg(long, default_value_t = 1)]
    cylinders: u8,
    /// Raise the gain of each until it swings
    #[arg(long)]
    margins: bool,
    /// Tell of each stand
    #[arg(long)]
    each: bool,
}

/// Where between 1 and 8 times its gain a stand begins to swing.
fn swings_at(kind: Kind, cylinders: u8, seed: u64, it: &Tuning) -> (f64, String) {
    let (stand, model) = drawn_stand(kind, cylinders, seed);
    let (mut low, mut high) = (1.0_f64, 8.0_f64);
    let mut how = "it holds".to_owned();
    for _ in 0..6 {
        let middle = (low * high).sqrt();
        match swings((&stand, model.clone()), &it.found, middle) {
            Ok(None) => low = middle,
            Ok(Some(why)) => (high, how) = (middle, why),
            Err(error) => (high, how) = (middle, format!("{error:?}")),
        }
    }
    ((low * high).sqrt(), how)
}

fn main() {
    let asked = Arguments::parse();
    for kind in [Kind::EddyCurrent, Kind::Hydraulic] {
        let mut found: Vec<Tuning> = Vec::new();
        for seed in asked.seed..asked.seed + asked.stands {
            match tuning(kind, asked.cylinders, seed) {
                Ok(Tuned::Found(it)) => {
                    if asked.each {
                        let (inertia, lag) = (it.found.inertia_kg_m2, it.found.lag_s);
                        println!(
                            "{} {seed}: inertia {:.4} ± {:.4}, true {:.4}, stated {:.4}; lag {:.1} ± {:.1} ms, true {:.1}, stated {:.1}; margins {:.2} ± {:.2}, {:.0}°, firmness {:.2}",
                            kind.name(),
                            inertia.value(),
                            2.0 * inertia.standard_uncertainty(),
                            it.true_inertia_kg_m2,
                            it.stated_inertia_kg_m2,
                            1e3 * lag.value(),
                            2e3 * lag.standard_uncertainty(),
                            1e3 * it.true_lag_s,
                            1e3 * it.stated_lag_s,
                            it.found.gain_margin,
                            2.0 * it.found.gain_margin_uncertainty,
                            it.found.phase_margin_rad.to_degrees(),
                            it.found.firmness,
                        );
                    }
                    if asked.margins {
                        let (gain, how) = swings_at(kind, asked.cylinders, seed, &it);
                        println!("  at {gain:.2} times: {how}");
                    }
                    found.push(*it);
                }
                other => println!("{} {seed}: {other:?}", kind.name()),
            }
        }
        let count = found.len() as f64;
        let share = |of: &dyn Fn(&Tuning) -> bool| {
            100.0 * found.iter().filter(|it| of(it)).count() as f64 / count
        };
        let rms = |of: &dyn Fn(&Tuning) -> f64| {
            (found.iter().map(|it| of(it).powi(2)).sum::<f64>() / count).sqrt()
        };
        println!(
            "kind={} stands={} tuned={count} inertia_covered_pct={:.0} lag_covered_pct={:.0} inertia_rms_pct={:.2} lag_rms_ms={:.2} stated_inertia_rms_pct={:.1} stated_lag_rms_ms={:.1}",
            kind.name().replace(' ', "-"),
            asked.stands,
            share(&Tuning::holds_inertia),
            share(&Tuning::holds_lag),
            100.0 * rms(&|it| it.found.inertia_kg_m2.value() / it.true_inertia_kg_m2 - 1.0),
            1e3 * rms(&|it| it.found.lag_s.value() - it.true_lag_s),
            100.0 * rms(&|it| it.stated_inertia_kg_m2 / it.true_inertia_kg_m2 - 1.0),
            1e3 * rms(&|it| it.stated_lag_s - it.true_lag_s),
        );
    }
}
