//! Accuracy of the curve, ours beside simpler methods and the information bound, from the same data.
//!
//! Prints one line a case:
//! `case=reference ours_pct=… whole_turn_spline_pct=… bound_pct=… coverage_pct=… coverage_u_pct=… … reduce_ms=…`
//! The band is that of 95 % by Student's factor, as in a curve, and `coverage_u_pct` how well its coverage is known
//! from so many seeds. Of a smooth engine whose teeth do not say strongly that its cycles are all alike it covers all: they
//! can't tell a variation of 0.1 % from none. Errors are rms over the middle of the speed range, in per cent of the peak torque, averaged over
//! the seeds; `oracle_pct` is that of the best spline on the same whole turns, one order and weight for
//! all seeds of the case, chosen by looking at the truth: what knowing the curve's smoothness would be
//! worth; `reduce_ms` is the least of them, so that what else the machine does counts little. `-- --seeds N` and `-- --case NAME` narrow it.

#[path = "../../tests/pull_model/mod.rs"]
mod pull_model;
mod simple_methods;

use std::process::ExitCode;

use leverarm_filters::{speed_fit, teeth};
use pull_model::{Case, Pull};
use statrs::distribution::{ContinuousCDF, StudentsT};

#[derive(Default)]
struct Line {
    ours: f64,
    two_point: f64,
    savgol: f64,
    bound: f64,
    reduce_ms: f64,
    noise_us: f64,
    se: f64,
    whole_turn_spline: f64,
    /// Error of each smoothness that a spline might have had.
    any_spline: Vec<f64>,
    coverage: f64,
    coverage_square: f64,
    shown: f64,
    shuffle: Option<f64>,
    peak_bias: f64,
    cov: f64,
    peak_raw: f64,
}

#[expect(clippy::disallowed_methods, reason = "a benchmark measures time")]
fn measure(case: &Case, seed: u64) -> Result<Line, String> {
    let pull = Pull::simulate(case, seed);
    let start = std::time::Instant::now();
    let train = teeth::resolve(&pull.edges, pull.tick_hz, case.teeth, 1.0);
    let fit = speed_fit::fit_speed(&train, &pull.options()).map_err(|e| e.to_string())?;
    let reduce_ms = start.elapsed().as_secs_f64() * 1e3;
    let factor = StudentsT::new(0.0, 1.0, fit.scatter_freedom.min(1000.0))
        .map_err(|e| e.to_string())?
        .inverse_cdf(0.975);
    let mut alpha = Vec::new();
    let (mut se, mut covered) = (0.0, 0);
    let mut motions = Vec::new();
    for rpm in pull.grid_rpm() {
        let motion = fit.at_omega(pull.wheel_omega(rpm));
        se += motion.map_or(0.0, |m| m.alpha_uncertainty_rad_per_s2.powi(2));
        let motion = motion.filter(|m| fit.trustworthy(m, pull.alpha_peak(), 0.02));
        if let Some(m) = motion {
            let off = (m.alpha_rad_per_s2 - pull.alpha(rpm)).abs();
            covered += i32::from(off <= factor * m.alpha_uncertainty_rad_per_s2);
            motions.push((m, 0.0));
        }
        alpha.push(motion.map(|m| m.alpha_rad_per_s2));
    }
    let (greatest, _) = motions
        .iter()
        .max_by(|a, b| a.0.alpha_rad_per_s2.total_cmp(&b.0.alpha_rad_per_s2))
        .ok_or("no point can be trusted")?;
    let peak_raw = greatest.alpha_rad_per_s2;
    let peak = peak_raw - fit.peak_excess_rad_per_s2(&motions, greatest, 0);
    let simple =
        |samples: Vec<(f64, f64)>| pull.error_pct(&simple_methods::on_grid(&samples, &pull));
    let whole_turns = simple_methods::WholeTurns::new(
        &train,
        case.teeth,
        if case.pickup_on_engine { 2 } else { 1 },
    );
    let any_spline = [2, 3].map(|order| whole_turns.smoothed(order));
    let bound = speed_fit::information_bound(
        &train,
        &pull.options(),
        16,
        case.jitter_s,
        case.engine.cycle_cov,
        200,
    )
    .map_err(|e| e.to_string())?;
    let grid = pull.grid_rpm();
    let range = pull.wheel_omega(grid[0])..=pull.wheel_omega(grid[grid.len() - 1]);
    let inside: Vec<f64> = bound
        .iter()
        .filter(|(m, _)| range.contains(&m.omega_rad_per_s))
        .map(|(_, s)| s * s)
        .collect();
    let coverage = 100.0 * f64::from(covered) / motions.len() as f64;
    Ok(Line {
        ours: pull.error_pct(&alpha),
        two_point: simple(simple_methods::two_point(&train, case.teeth)),
        whole_turn_spline: simple(whole_turns.spline()),
        any_spline: any_spline
            .into_iter()
            .flatten()
            .map(|(_, samples)| simple(samples))
            .collect(),
        coverage,
        coverage_square: coverage * coverage,
        shuffle: fit.shuffle.map(|s| s.frequency_hz),
        shown: 100.0 * motions.len() as f64 / alpha.len() as f64,
        peak_bias: 100.0 * (peak / pull.alpha_peak() - 1.0),
        peak_raw: 100.0 * (peak_raw / pull.alpha_peak() - 1.0),
        cov: 100.0 * fit.cycle_variation.map_or(0.0, |v| v.cov),
        savgol: simple(simple_methods::savgol(&train, case.teeth)),
        bound: 100.0 * (inside.iter().sum::<f64>() / inside.len() as f64).sqrt()
            / pull.alpha_peak(),
        reduce_ms,
        noise_us: 1e6 * fit.noise_s,
        se: 100.0 * (se / alpha.len() as f64).sqrt() / pull.alpha_peak(),
    })
}

#[expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a benchmark's output"
)]
fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().collect();
    let value = |name: &str| {
        arguments
            .iter()
            .position(|a| a == name)
            .and_then(|i| arguments.get(i + 1))
            .cloned()
    };
    let asked: Option<u64> = value("--seeds").and_then(|s| s.parse().ok());
    let only = value("--case");
    for case in pull_model::table()
        .iter()
        .chain(&pull_model::real_world())
        .filter(|c| only.as_ref().is_none_or(|o| c.name.contains(o.as_str())))
    {
        // A smooth engine's pulls are all alike.
        let smooth = case.engine == pull_model::SMOOTH;
        let seeds = asked.unwrap_or(if smooth { 12 } else { 60 });
        let mut sum = Line {
            reduce_ms: f64::INFINITY,
            ..Line::default()
        };
        for seed in 0..seeds {
            match measure(case, seed) {
                Ok(line) => {
                    sum.ours += line.ours;
                    sum.two_point += line.two_point;
                    sum.savgol += line.savgol;
                    sum.bound += line.bound;
                    sum.reduce_ms = sum.reduce_ms.min(line.reduce_ms);
                    sum.noise_us += line.noise_us;
                    sum.se += line.se;
                    sum.whole_turn_spline += line.whole_turn_spline;
                    sum.any_spline.resize(line.any_spline.len(), 0.0);
                    for (sum, error) in sum.any_spline.iter_mut().zip(&line.any_spline) {
                        *sum += error;
                    }
                    sum.coverage += line.coverage;
                    sum.coverage_square += line.coverage_square;
                    sum.peak_bias += line.peak_bias;
                    sum.cov += line.cov;
                    sum.peak_raw += line.peak_raw;
                }
                Err(error) => {
                    eprintln!("case={} seed={seed}: {error}", case.name);
                    return ExitCode::FAILURE;
                }
            }
        }
        let n = seeds as f64;
        println!(
            "case={} ours_pct={:.4} whole_turn_spline_pct={:.3} oracle_pct={:.3} bound_pct={:.4} coverage_pct={:.1} coverage_u_pct={:.1} peak_bias_pct={:+.3} peak_of_curve_bias_pct={:+.3} cycle_cov_pct={:.2} two_point_pct={:.3} savgol_pct={:.3} reduce_ms={:.1} noise_us={:.2} se_pct={:.4}",
            case.name,
            sum.ours / n,
            sum.whole_turn_spline / n,
            sum.any_spline.iter().fold(f64::INFINITY, |a, b| a.min(*b)) / n,
            sum.bound / n,
            sum.coverage / n,
            ((sum.coverage_square / n - (sum.coverage / n).powi(2)).max(0.0) / n).sqrt(),
            sum.peak_bias / n,
            sum.peak_raw / n,
            sum.cov / n,
            sum.two_point / n,
            sum.savgol / n,
            sum.reduce_ms,
            sum.noise_us / n,
            sum.se / n,
        );
    }
    let stands = value("--stands").and_then(|s| s.parse().ok()).unwrap_or(0);
    any_stands(stands);
    ExitCode::SUCCESS
}

/// The band of many stands that differ in everything.
#[expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a benchmark's output"
)]
fn any_stands(stands: u64) {
    let (mut covered, mut shown, mut bias, mut off, mut n) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for seed in 0..stands {
        match measure(&pull_model::any_stand(seed), seed) {
            Ok(line) => {
                covered += line.coverage;
                bias += line.peak_bias;
                off += (line.ours / line.se).powi(2);
                shown += line.shown;
                n += 1.0;
                eprintln!(
                    "stand={seed} ours_pct={:.3} whole_turn_spline_pct={:.3} se_pct={:.3} coverage_pct={:.1} shown_pct={:.0} peak_bias_pct={:+.3} cycle_cov_pct={:.2} shuffle_hz={:.1?} of {:.1?}",
                    line.ours,
                    line.whole_turn_spline,
                    line.se,
                    line.coverage,
                    line.shown,
                    line.peak_bias,
                    line.cov,
                    line.shuffle,
                    pull_model::any_stand(seed).shuffle.map(|s| s.frequency_hz)
                );
            }
            Err(error) => eprintln!("stand={seed}: {error}"),
        }
    }
    if stands > 0 {
        println!(
            "case=any_stand coverage_pct={:.1} shown_pct={:.1} error_over_uncertainty={:.2} peak_bias_pct={:+.3} failed={}",
            covered / n,
            shown / n,
            f64::sqrt(off / n),
            bias / n,
            stands as f64 - n
        );
    }
}
