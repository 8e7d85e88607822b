//! Accuracy of the fitted acceleration on simulated pulls with a known truth (`pull_model`), and what
//! the fit says of itself. The bench of the same name prints the whole table beside other methods.

mod pull_model;

use leverarm_filters::speed_fit::{FitOptions, KnownPattern, SpeedFit, fit_speed};
use leverarm_filters::teeth::resolve;
use pull_model::{Case, Pull};

fn fit(pull: &Pull) -> SpeedFit {
    let train = resolve(&pull.edges, pull.tick_hz, pull.case.teeth, 1.0);
    fit_speed(&train, &pull.options()).expect("the pull can be fitted")
}

fn error_pct(pull: &Pull, fit: &SpeedFit) -> f64 {
    let alpha: Vec<Option<f64>> = pull
        .grid_rpm()
        .into_iter()
        .map(|rpm| {
            let motion = fit.at_omega(pull.wheel_omega(rpm))?;
            fit.trustworthy(&motion, pull.alpha_peak(), 0.02)
                .then_some(motion.alpha_rad_per_s2)
        })
        .collect();
    pull.error_pct(&alpha)
}

fn mean_error_pct(case: &Case, seeds: u64) -> f64 {
    let sum: f64 = (0..seeds)
        .map(|seed| Pull::simulate(case, seed))
        .map(|pull| error_pct(&pull, &fit(&pull)))
        .sum();
    sum / seeds as f64
}

#[test]
fn reference_and_coarse_case() {
    let table = pull_model::table();
    let reference = mean_error_pct(&table[0], 12);
    assert!(reference <= 0.04, "{reference}");
    let coarse = mean_error_pct(&table[1], 12);
    assert!(coarse <= 0.11, "{coarse}");
}

#[test]
fn every_other_stand_within_three_parts_in_a_thousand() {
    for case in pull_model::table() {
        if case.name == "full_rate" {
            continue; // the bench has it
        }
        let error = mean_error_pct(&case, 2);
        assert!(error <= 0.3, "{}: {error} %", case.name);
    }
}

/// The noise put in comes out, and so do the wheel's tooth errors.
#[test]
fn noise_and_tooth_errors_are_found() {
    let case = pull_model::reference();
    let pull = Pull::simulate(&case, 3);
    let fit = fit(&pull);
    assert!(
        (fit.noise_s / case.jitter_s - 1.0).abs() < 0.15,
        "{}",
        fit.noise_s
    );
    let pitch = std::f64::consts::TAU / f64::from(case.teeth);
    let spread = (fit.pattern_rad.iter().map(|e| e * e).sum::<f64>() / 8.0).sqrt();
    assert!(
        (0.003..0.02).contains(&(spread / pitch)),
        "{}",
        spread / pitch
    );
}

/// A pattern learnt from one pull helps the next on the same wheel, and a wrong one does no harm
/// that its stated uncertainty would not cover.
#[test]
fn a_known_pattern_is_used() {
    let case = Case {
        duration_s: 1.5,
        ..pull_model::reference()
    };
    let pull = Pull::simulate(&case, 5);
    let learnt = fit(&pull);
    let options = FitOptions {
        pattern: Some(KnownPattern {
            error_rad: learnt.pattern_rad.clone(),
            uncertainty_rad: 1e-4,
        }),
        ..pull.options()
    };
    let train = resolve(&pull.edges, pull.tick_hz, case.teeth, 1.0);
    let again = fit_speed(&train, &options).unwrap();
    assert!(error_pct(&pull, &again) <= error_pct(&pull, &learnt) * 1.1);
}

/// A dropout of 100 ms is left out of the curve rather than invented.
#[test]
fn a_gap_is_not_trustworthy() {
    let case = Case {
        dropout_s: Some(0.3),
        duration_s: 4.0,
        ..pull_model::reference()
    };
    let pull = Pull::simulate(&case, 1);
    let fit = fit(&pull);
    assert_eq!(fit.gaps_s().len(), 1);
    let (from, to) = fit.gaps_s()[0];
    let inside = fit
        .sampled(2000)
        .into_iter()
        .filter(|m| m.time_s > from && m.time_s < to);
    for motion in inside {
        assert!(!fit.trustworthy(&motion, pull.alpha_peak(), 0.02));
    }
}
