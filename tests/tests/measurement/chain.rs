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
                sprocket_teeth: 0,
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

/// What is said of a sprocket that pulls unevenly is what the drum lacks: momentum is kept. The time that it takes from
/// speed to speed is as long as that says.
#[test]
fn a_polygon_takes_what_the_drum_lacks() {
    let drive = Drive {
        frequency_hz: 160.0,
        damping_ratio: 0.06,
        lash_rad: 0.0,
        sprocket_teeth: 15,
    };
    let pull = Pull {
        tooth_error_share: 0.0,
        jitter_s: 0.0,
        ..single(0.0, Some(drive))
    };
    let seen = pull.simulate(1);
    let rpm_per_hz = 60.0 * pull.engine_per_drum / f64::from(pull.teeth);
    let turn = pull.teeth as usize;
    let times: Vec<f64> = seen
        .edges
        .iter()
        .map(|edge| pull.tick_s * edge.tick as f64)
        .collect();
    let speeds: Vec<(f64, f64)> = times
        .windows(turn + 1)
        .map(|of| {
            (
                rpm_per_hz * turn as f64 / (of[turn] - of[0]),
                0.5 * (of[0] + of[turn]),
            )
        })
        .collect();
    let passed = |rpm: f64| speeds.iter().find(|it| it.0 >= rpm).unwrap();
    let (from, to) = (passed(3500.0), passed(4300.0));
    let seconds = |lost: &dyn Fn(f64) -> f64| -> f64 {
        let steps = 400;
        let step = (to.0 - from.0) / f64::from(steps);
        let speeds = (0..steps).map(|i| from.0 + step * (f64::from(i) + 0.5));
        let omega_per_rpm = std::f64::consts::TAU / 60.0 / pull.engine_per_drum;
        speeds
            .map(|rpm| step * omega_per_rpm / pull.wheel_alpha_rad_per_s2(rpm, lost(rpm)))
            .sum()
    };
    let took = to.1 - from.1;
    let said = seconds(&|rpm| seen.lost_in_drive.share(rpm));
    assert!((said / took - 1.0).abs() < 0.005, "{said} {took}");
    assert!(seconds(&|_| 0.0) < 0.96 * took);
}
