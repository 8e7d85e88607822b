//! Parts as factors: what is found when the truth is known.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use leverarm_torque::comparison::factors::{EffectDoubt, Effects, Parts, effects};
use leverarm_torque::comparison::{Options, Pull, SESSION_PAUSE_S, Sampled};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

const TORQUE_NM: f64 = 10.0;
const PULLS_EACH: usize = 3;

/// A setup as its parts: "jet=105 sleeve=none".
fn parts(text: &str) -> Parts {
    let pairs = text.split(' ').filter_map(|pair| pair.split_once('='));
    pairs
        .map(|(part, value)| (part.to_owned(), value.to_owned()))
        .collect()
}

/// What a world does beside its parts, relative.
struct Shed {
    build: f64,
    pull: f64,
    day: f64,
    drift_per_pull: f64,
}

const QUIET: Shed = Shed {
    build: 0.0,
    pull: 0.0003,
    day: 0.0,
    drift_per_pull: 0.0,
};
/// Builds scatter more than pulls, days more than builds, and the engine drifts.
const ROUGH: Shed = Shed {
    build: 0.004,
    pull: 0.003,
    day: 0.01,
    drift_per_pull: -0.001,
};

/// Mountings of setups in order, day by day; `share` is a setup's true torque over that of the first.
fn tested(days: &[&[usize]], share: impl Fn(usize) -> f64, shed: &Shed, seed: u64) -> Vec<Pull> {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = move || -> f64 { StandardNormal.sample(&mut chance) };
    let mut pulls = Vec::new();
    let mut build = 0;
    for (day, mountings) in days.iter().enumerate() {
        let of_day = shed.day * normal();
        let mut order = 0.0;
        for setup in *mountings {
            build += 1;
            let of_build = shed.build * normal();
            for _ in 0..PULLS_EACH {
                let own = shed.pull * normal();
                let relative = 1.0 + of_day + of_build + own + shed.drift_per_pull * order;
                let torque_nm = TORQUE_NM * share(*setup) * relative;
                let speeds = (0..12).map(|i| 4000.0 + 100.0 * f64::from(i));
                pulls.push(Pull {
                    label: (pulls.len() + 1).to_string(),
                    setup: *setup,
                    build,
                    time_s: day as f64 * 3.0 * SESSION_PAUSE_S + 120.0 * order,
                    curve: speeds
                        .map(|rpm| Sampled::new(rpm, torque_nm, 0.1))
                        .collect(),
                });
                order += 1.0;
            }
        }
    }
    pulls
}

fn found(setups: &[Parts], pulls: &[Pull]) -> Effects {
    let names: Vec<String> = (0..setups.len()).map(|i| format!("setup {i}")).collect();
    let minutes = |part: &str| if part == "exhaust" { 45.0 } else { 10.0 };
    effects(&names, setups, pulls, 0, &minutes, &Options::default()).unwrap()
}

fn of<'a>(
    effects: &'a Effects,
    part: &str,
) -> &'a leverarm_torque::comparison::factors::PartEffect {
    effects
        .effects
        .iter()
        .find(|effect| effect.part == part)
        .unwrap()
}

fn jet_and_sleeve() -> [Parts; 4] {
    [
        parts("jet=105 sleeve=none needle=2"),
        parts("jet=110 sleeve=none needle=2"),
        parts("jet=105 sleeve=3 needle=2"),
        parts("jet=110 sleeve=3 needle=2"),
    ]
}

/// Both were changed in all four ways: each effect is told over all builds, whatever else was on.
#[test]
fn each_part_is_told_whatever_else_was_on() {
    let share = |setup: usize| [1.0, 1.01, 1.02, 1.03][setup];
    let pulls = tested(
        &[&[0, 1, 2, 3, 2, 0], &[3, 1, 0, 2, 1, 3]],
        share,
        &QUIET,
        1,
    );
    let found = found(&jet_and_sleeve(), &pulls);
    for (part, truth) in [("jet", 0.1), ("sleeve", 0.2)] {
        let effect = of(&found, part);
        let average = effect.average_nm.unwrap();
        assert!(
            (average.value - truth).abs() < average.half_width,
            "{effect:?}"
        );
        assert!(average.half_width < 0.03 && effect.is_sure(), "{effect:?}");
        assert_eq!(effect.builds, [6, 6]);
        assert_eq!(effect.setups, [2, 2]);
    }
    // The same in all setups, so there is nothing to tell.
    assert!(found.effects.iter().all(|effect| effect.part != "needle"));
    assert!(found.confounded.is_empty());
}

/// In a rough shed the half widths hold the truth 95 times in 100, all parts at once, and nothing is
/// said to act together more than 5 times in 100 (binomial, three standard deviations about).
#[test]
fn half_widths_hold_all_effects_at_once() {
    const TESTS: u64 = 300;
    let truth = [0.0, 0.2];
    let share = |setup: usize| {
        1.0 + (truth[0] * [0.0, 1.0, 0.0, 1.0][setup] + truth[1] * [0.0, 0.0, 1.0, 1.0][setup])
            / TORQUE_NM
    };
    let (mut held, mut together) = (0, 0);
    for seed in 0..TESTS {
        let days: [&[usize]; 2] = [&[0, 1, 2, 3, 0], &[3, 1, 0, 2, 3]];
        let found = found(&jet_and_sleeve(), &tested(&days, share, &ROUGH, seed));
        let holds = ["jet", "sleeve"].iter().zip(truth).all(|(part, truth)| {
            let average = of(&found, part).average_nm.unwrap();
            // Scatter is relative, so an effect is seen times the day.
            (average.value - truth).abs() <= average.half_width
        });
        held += u32::from(holds);
        together += u32::from(!found.interactions.is_empty());
    }
    let sd = (0.95 * 0.05 * TESTS as f64).sqrt();
    let held = f64::from(held);
    assert!(
        (held - 0.95 * TESTS as f64).abs() < 3.0 * sd,
        "{held} of {TESTS}"
    );
    let together = f64::from(together);
    assert!(
        together < 0.05 * TESTS as f64 + 3.0 * sd,
        "{together} of {TESTS}"
    );
}

/// Two parts that gain only together.
#[test]
fn parts_that_act_together_are_named() {
    let share = |setup: usize| if setup == 3 { 1.04 } else { 1.0 };
    let days: [&[usize]; 2] = [&[0, 1, 2, 3, 2, 0], &[3, 1, 0, 2, 1, 3]];
    let found = found(&jet_and_sleeve(), &tested(&days, share, &QUIET, 2));
    let [interaction] = found.interactions.as_slice() else {
        panic!("one expected: {:?}", found.interactions);
    };
    let names: Vec<&str> = interaction
        .parts
        .iter()
        .map(|(part, _)| part.as_str())
        .collect();
    assert_eq!(names, ["jet", "sleeve"]);
    let average = interaction.average_nm;
    assert!(
        (average.value - 0.4).abs() < average.half_width,
        "{average:?}"
    );
    assert_eq!(
        (found.interactions_tried, found.interactions_untold),
        (1, 0)
    );
}

/// Exhaust and airbox were opened at once: nobody can say which did it, both together did 0.5, and the
/// test that parts them swaps the one that is swapped sooner.
#[test]
fn what_was_never_changed_apart_is_named_with_the_cheapest_test() {
    let setups = [
        parts("airbox=closed exhaust=stock"),
        parts("airbox=open exhaust=open"),
    ];
    let share = |setup: usize| [1.0, 1.05][setup];
    let pulls = tested(&[&[0, 1, 0, 1, 0, 1, 0]], share, &QUIET, 3);
    let found = found(&setups, &pulls);
    for (part, other) in [("airbox", "exhaust"), ("exhaust", "airbox")] {
        let effect = of(&found, part);
        assert_eq!(
            effect.doubts,
            [EffectDoubt::ConfoundedWith(vec![other.to_owned()])]
        );
        assert!(effect.average_nm.is_none() && effect.curve_nm.is_empty());
    }
    let [group] = found.confounded.as_slice() else {
        panic!("one group expected: {:?}", found.confounded);
    };
    assert_eq!(group.parts, ["airbox", "exhaust"]);
    let together = group.together_nm.unwrap();
    assert!(
        (together.value - 0.5).abs() < together.half_width.max(0.01),
        "{together:?}"
    );
    let test = group.test.as_ref().unwrap();
    assert_eq!((test.setup, test.part.as_str()), (0, "airbox"));
    assert_eq!((test.from.as_str(), test.to.as_str()), ("closed", "open"));
    assert_eq!((test.between, test.swap_min), (None, 20.0));
}

/// On another day each, without a return, with too few builds: each is said, and nothing is claimed.
#[test]
fn what_keeps_an_effect_back_is_said() {
    let setups = [parts("jet=105"), parts("jet=110")];
    let share = |setup: usize| [1.0, 1.05][setup];
    let of_days = |days: &[&[usize]]| found(&setups, &tested(days, share, &QUIET, 4));
    let apart = of_days(&[&[0, 0, 0], &[1, 1]]);
    assert_eq!(of(&apart, "jet").doubts, [EffectDoubt::NotLinked]);
    let once = of_days(&[&[0, 1]]);
    assert_eq!(of(&once, "jet").doubts, [EffectDoubt::NoReturn]);
    let few = of_days(&[&[0, 1, 0]]);
    assert_eq!(
        of(&few, "jet").doubts,
        [EffectDoubt::ScatterUnknown { left: 0 }]
    );
    assert!(!of(&few, "jet").is_sure() && of(&few, "jet").average_nm.is_some());
}

/// A setup without recorded parts tells of builds and days, not of parts.
#[test]
fn a_setup_without_parts_is_no_value_of_any() {
    let setups = [parts("jet=105"), parts("jet=110"), Parts::new()];
    let share = |setup: usize| [1.0, 1.02, 1.5][setup];
    let pulls = tested(&[&[0, 1, 2, 0, 1, 2, 0]], share, &QUIET, 5);
    let found = found(&setups, &pulls);
    let [jet] = found.effects.as_slice() else {
        panic!("one part expected: {:?}", found.effects);
    };
    let average = jet.average_nm.unwrap();
    assert!((average.value - 0.2).abs() < average.half_width, "{jet:?}");
    assert_eq!(jet.builds, [3, 2]);
}
