//! Simulated series of setups whose parts do what is known, to see how often what is said of parts is right.
//!
//! Three parts of two values each in all eight ways, mounted on three days of which each ends as it began. The
//! third part does nothing; the others add up, each over speeds of its own.

use std::collections::BTreeMap;

use leverarm_torque::comparison::factors::{Effects, Parts, effects};
use leverarm_torque::comparison::{ComparisonError, Options};

use crate::simulated_test::{Gain, World, in_parallel, speeds, torque_nm};

const PARTS: [&str; 3] = ["main jet", "exhaust", "sleeve"];

/// What each part does.
fn gains(world: &World) -> [Option<Gain>; 3] {
    let of = |relative, from_rpm, to_rpm| Gain {
        relative,
        from_rpm,
        to_rpm,
    };
    let size = world.gain().relative;
    [
        Some(of(size, 3300.0, 8800.0)),
        Some(of(-size, 5500.0, 7000.0)),
        None,
    ]
}

/// Whether a part of a setup has its other value.
fn is_other(setup: usize, part: usize) -> bool {
    setup >> part & 1 == 1
}

/// The worlds of a comparison, with a series in place of their tests.
#[must_use]
pub fn worlds() -> Vec<World> {
    let names = ["independent", "refit_1", "refit_3", "warm_up", "correlated"];
    let all = World::all().into_iter();
    all.filter(|world| names.contains(&world.name))
        .map(|world| World {
            memory: (0, 0),
            plan: &[&[0, 1, 3, 2, 0], &[0, 4, 5, 1, 0], &[3, 7, 6, 2, 3]],
            ..world
        })
        .collect()
}

fn find(world: &World, seed: u64) -> Result<Effects, ComparisonError> {
    let gains = gains(world);
    let truth_nm = |setup: usize, rpm: f64| {
        let own = (0..PARTS.len()).filter(|part| is_other(setup, *part));
        let share: f64 = own.filter_map(|part| Some(gains[part]?.at(rpm))).sum();
        torque_nm(rpm) * (1.0 + share)
    };
    let setups = 0..1_usize << PARTS.len();
    let names: Vec<String> = setups.clone().map(|setup| setup.to_string()).collect();
    let parts: Vec<Parts> = setups
        .map(|setup| {
            let values = PARTS.iter().enumerate().map(|(part, name)| {
                let value = if is_other(setup, part) { "b" } else { "a" };
                ((*name).to_owned(), value.to_owned())
            });
            BTreeMap::from_iter(values)
        })
        .collect();
    let pulls = world.store_of(&truth_nm, seed);
    effects(&names, &parts, &pulls, 0, &|_| 10.0, &Options::default())
}

/// What came of a series.
struct Outcome {
    called: bool,
    found: bool,
    averages_hold: bool,
    bands_hold: bool,
    together: bool,
}

fn run(world: &World, seed: u64) -> Result<Outcome, ComparisonError> {
    let found = find(world, seed)?;
    let gains = gains(world);
    let rpm = speeds();
    let mut outcome = Outcome {
        called: false,
        found: false,
        averages_hold: found.effects.len() == PARTS.len(),
        bands_hold: true,
        together: !found.interactions.is_empty(),
    };
    for effect in &found.effects {
        let part = PARTS.iter().position(|part| *part == effect.part);
        let gain = part.and_then(|part| gains[part]);
        let truth: Vec<f64> = rpm
            .iter()
            .map(|rpm| torque_nm(*rpm) * gain.map_or(0.0, |gain| gain.at(*rpm)))
            .collect();
        // The mean by trapezia, as averages are made.
        let ends = 0.5 * (truth[0] + truth[truth.len() - 1]);
        let mean = (truth.iter().sum::<f64>() - ends) / (truth.len() - 1) as f64;
        match gain {
            None => outcome.called |= effect.is_sure(),
            Some(gain) if gain.relative > 0.0 => outcome.found |= effect.is_sure(),
            Some(_) => {}
        }
        outcome.averages_hold &= effect
            .average_nm
            .is_some_and(|average| (average.value - mean).abs() <= average.half_width);
        let along = effect.curve_nm.iter().zip(&effect.band_nm).zip(&truth);
        outcome.bands_hold &= effect.curve_nm.len() == truth.len()
            && along
                .into_iter()
                .all(|((d, band), truth)| (d - truth).abs() <= *band);
    }
    Ok(outcome)
}

/// How often, in per cent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tally {
    /// An effect was called of the part that has none.
    pub false_effect_pct: f64,
    /// All averages held the truth.
    pub averages_pct: f64,
    /// All curves did, at all speeds.
    pub bands_pct: f64,
    /// What the part does that gives everywhere was found.
    pub found_pct: f64,
    /// Two parts were said to act together, which none do.
    pub together_pct: f64,
}

/// Makes the series of a world; see [`crate::simulated_test::repeat`].
///
/// # Errors
/// The first series that can't be told.
pub fn repeat(
    world: &World,
    tests: u32,
    seed: u64,
    cores: usize,
    done: impl Fn() + Sync,
) -> Result<Tally, ComparisonError> {
    let outcomes = in_parallel(tests, seed, cores, done, |seed| run(world, seed))?;
    let share = |holds: fn(&Outcome) -> bool| {
        let count = outcomes.iter().filter(|outcome| holds(outcome)).count();
        100.0 * count as f64 / outcomes.len().max(1) as f64
    };
    Ok(Tally {
        false_effect_pct: share(|o| o.called),
        averages_pct: share(|o| o.averages_hold),
        bands_pct: share(|o| o.bands_hold),
        found_pct: share(|o| o.found),
        together_pct: share(|o| o.together),
    })
}
