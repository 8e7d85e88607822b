//! Cycles that did not burn, told from jolts of the drive.

use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm_config::EXAMPLE_STAND;
use leverarm_software_stand::CycleVariation;
use leverarm_tests::ran::Ran;
use leverarm_tests::simulated_pull::{Cycles, Pull};
use leverarm_tests::virtual_bench::VirtualBench;

use crate::memory::reduced;

const PULLS: u32 = 24;

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

/// What `leverarm rehearse --misfires 1` shows, 24 pulls of it, on the demo's stand and on the one of the example, whose drum is twice
/// as heavy and hides more between its few teeth: single cycles that do not burn break no rise off, are no swing of a drive
/// that is rigid and no throttle that was let go, and the others vary as they do.
#[test]
fn misfires_of_a_rehearsal_are_told_as_nothing_else() {
    for (text, told_most, cov_off_most) in [(DEMO_STAND, 0, 0.1), (EXAMPLE_STAND, 1, 0.15)] {
        let (told, mean) = rehearsed(text);
        assert!(told.len() <= told_most, "{told:#?}");
        let off = mean / CycleVariation::HEALTHY.cov - 1.0;
        assert!(off.abs() < cov_off_most, "{mean}");
    }
}

/// What pulls with misfires are said to have that is none, and the mean variation of the other cycles.
fn rehearsed(text: &str) -> (Vec<String>, f64) {
    let stand = leverarm_config::parse("stand.toml", text).unwrap();
    let mut model = model_of(&stand);
    model.engine.cycles = CycleVariation {
        misfire_probability: 0.01,
        ..CycleVariation::HEALTHY
    };
    let folder = tempfile::tempdir().unwrap();
    let mut bench = VirtualBench::new(folder.path(), text, model).unwrap();
    bench
        .ride(script_of(&stand, PULLS), 60 * u64::from(PULLS))
        .unwrap();
    bench.finish().unwrap();
    let store = folder.path().to_str().unwrap();
    let (mut sum, mut told) = (0.0, Vec::new());
    for pull in 1..=PULLS {
        let curve = Ran::of(&["show", &pull.to_string(), "--json", "--store", store]).json();
        sum += curve["cycles"]["cov"].as_f64().unwrap();
        let said = curve["remarks"].to_string();
        if ["breaks off", "resonance", "shuffle", "swing", "let go"]
            .iter()
            .any(|word| said.contains(word))
        {
            told.push(format!("pull {pull}: {said}"));
        }
    }
    (told, sum / f64::from(PULLS))
}
