//! A pickup coil in front of a wheel that runs out: its edges move with speed, each tooth's by another angle.

use leverarm_tests::simulated_pull::{Coil, Pull};

use crate::memory::reduced;

/// With tooth errors held constant this reads as a drive that swings: a third of such pulls showed nothing at all, and the
/// cycles' scatter six times what it is.
#[test]
fn edges_that_move_with_speed_are_no_swing() {
    let pull = Pull {
        engine_per_drum: 5.37,
        coil: Some(Coil {
            threshold: 0.3,
            runout: 0.25,
        }),
        ..Pull::of_drum(8)
    }
    .lasting(5.0);
    for seed in 1..=6 {
        let curve = reduced(&pull, seed).0.unwrap();
        let hidden = curve.points.iter().filter(|p| !p.trustworthy).count();
        assert_eq!(hidden, 0, "{seed}: {:?}", curve.remarks);
        let covered = curve
            .points
            .iter()
            .filter(|p| {
                let off = (p.torque_nm - pull.mean_torque_nm(p.rpm)).abs();
                off <= p.expanded_uncertainty_nm()
            })
            .count();
        assert!(covered * 10 >= curve.points.len() * 8, "{seed}: {covered}");
        let cov = curve.cycles.unwrap().cov;
        assert!((cov / 0.015 - 1.0).abs() < 0.5, "{seed}: {cov}");
    }
}
