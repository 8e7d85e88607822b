//! Cycles that did not burn, told from jolts of the drive.

use leverarm_tests::simulated_pull::{Cycles, Pull};

use crate::memory::reduced;

/// One cylinder of four that does not burn lacks a quarter of a cycle's work and its friction, 0.29 of it: that is a
/// misfire and no jolt, and hides no points.
#[test]
fn one_cylinder_of_four_misfires() {
    let pull = Pull {
        ripple: [1.2, 0.3, 0.0],
        cycles: Cycles {
            cylinders: 4,
            misfire_probability: 0.004,
            ..Cycles::varying(0.015)
        },
        ..Pull::of_drum(16)
    }
    .lasting(6.0);
    let (mut misfires, mut jolts) = (0, 0);
    for seed in 1..=6 {
        let cycles = reduced(&pull, seed).0.unwrap().cycles.unwrap();
        misfires += cycles.misfires.len();
        jolts += cycles.jolts.len();
    }
    assert!(
        misfires >= 10 && jolts * 10 <= misfires,
        "{misfires}, {jolts}"
    );
}
