//! A single on a chain with play, which slackens between its firings and knocks.

use leverarm_tests::simulated_pull::{Cycles, Drive, Pull};

use crate::memory::reduced;

/// `ripple` is a single's torque, over its mean (common practice, no source).
fn single(cov: f64, drive: Option<Drive>) -> Pull {
    Pull {
        cycles: Cycles::varying(cov),
        ripple: [2.3, 2.1, 1.7],
        drive,
        ..Pull::of_drum(8)
    }
    .lasting(6.5)
}

/// Knocks make the work that reaches the drum look twice as uneven: the interval of the engine's own variation allows
/// for that.
#[test]
fn knocks_are_not_taken_for_the_engines_own() {
    let cov = 0.02;
    for (frequency_hz, lash_rad) in [(150.0, 0.03), (200.0, 0.05)] {
        let knocking = single(
            cov,
            Some(Drive {
                frequency_hz,
                damping_ratio: 0.06,
                lash_rad,
            }),
        );
        for seed in 1..=4 {
            let cycles = reduced(&knocking, seed).0.unwrap().cycles.unwrap();
            assert!(
                (cycles.cov - cov).abs() <= cycles.expanded_uncertainty(),
                "{seed}: {cycles:?}"
            );
        }
    }
}

/// More than a healthy engine's variation is told, and the band holds that a drive may have made it: 1 to 4 % (J. Heywood,
/// "Internal Combustion Engine Fundamentals", 1988, ch. 9.4, from memory).
#[test]
fn uneven_cycles_are_told() {
    for seed in 1..=4 {
        for (cov, uneven) in [(0.02, false), (0.08, true)] {
            let curve = reduced(&single(cov, None), seed).0.unwrap();
            let found = curve.cycles.as_ref().unwrap().cov;
            let wider = curve
                .points
                .iter()
                .filter(|it| it.trustworthy)
                .all(|it| it.expanded_uncertainty_nm() > 1.96 * (found - 0.04) * it.torque_nm);
            assert!(wider, "{seed}: {found}");
            let said = |it: &String| it.starts_with("uneven cycles");
            assert_eq!(
                curve.remarks.iter().any(said),
                uneven,
                "{seed}: {:?} {:?}",
                curve.cycles,
                curve.remarks
            );
        }
    }
}
