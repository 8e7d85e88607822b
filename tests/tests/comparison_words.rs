//! What is said of a comparison, sentence by sentence, against its numbers, over thousands of random
//! results. The outside is arithmetic: each claim is made again from the curves and their bands.

use leverarm_torque::comparison::words::{self, Statement, TorqueUnit};
use leverarm_torque::comparison::{
    Comparison, Doubt, Options, Pair, Pull, Sampled, Verdict, compare,
};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, StandardUniform};

const STEP_RPM: f64 = 100.0;

/// A store with random builds, and a second setup that differs here and there.
fn random(seed: u64) -> Comparison {
    let mut chance = ChaCha8Rng::seed_from_u64(seed);
    let mut uniform = || -> f64 { StandardUniform.sample(&mut chance) };
    let speeds = 12 + (seed % 20) as u32;
    let (size, wave, tilt) = (
        0.08 * uniform() * uniform(),
        1.0 + 9.0 * uniform(),
        uniform() - 0.5,
    );
    let remembered = if seed.is_multiple_of(4) { 0 } else { 8 };
    let plan: Vec<usize> = if seed.is_multiple_of(5) {
        vec![0, 0, 1, 1]
    } else {
        vec![0, 1, 0, 1, 0]
    };
    let mut normal = || -> f64 { StandardNormal.sample(&mut chance) };
    let builds = std::iter::repeat_n((2_usize, 0.0_f64), remembered)
        .chain(plan.into_iter().map(|setup| (setup, 86_400.0)));
    let mut pulls = Vec::new();
    for (build, (setup, day)) in builds.enumerate() {
        let mounted = 0.002 * normal();
        for _ in 0..1 + seed % 2 {
            let (own, bent) = (0.001 * normal(), 0.001 * normal());
            let number = f64::from(u32::try_from(pulls.len()).unwrap_or(0));
            let curve = (0..speeds).map(|i| {
                let x = f64::from(i) / f64::from(speeds);
                let gain = if setup == 1 {
                    size * ((wave * x).sin() + tilt)
                } else {
                    0.0
                };
                let scatter = mounted + own + bent * (7.0 * x).cos() + 0.0003 * normal();
                Sampled::new(
                    4000.0 + STEP_RPM * f64::from(i),
                    11.0 * (1.0 + gain + scatter),
                    0.0,
                )
            });
            pulls.push(Pull {
                label: (pulls.len() + 1).to_string(),
                setup,
                build,
                time_s: day + 300.0 * number,
                curve: curve.collect(),
            });
        }
    }
    let options = Options {
        compared: Some(2),
        draws: 100,
        speeds_rpm: vec![4500.0, 5000.0],
        margin_nm: seed.is_multiple_of(3).then_some(0.1),
        ..Options::default()
    };
    let names = ["before", "after", "other"].map(str::to_owned);
    compare(&names, &pulls, &options).unwrap_or_else(|error| panic!("seed {seed}: {error}"))
}

/// Six speeds a pull, held by a brake: never quite those asked for, so no two pulls have the same. The
/// engine's curve is a straight line here, so what it gives at the speeds between is arithmetic.
#[test]
fn speeds_that_were_held_are_compared_at_common_ones() {
    let mut chance = ChaCha8Rng::seed_from_u64(1);
    let mut uniform = || -> f64 { StandardUniform.sample(&mut chance) };
    let torque_nm = |setup: usize, rpm: f64| 6.0 + 0.001 * rpm + 0.3 * setup as f64;
    let pulls: Vec<Pull> = [0, 0, 1, 1, 0, 0]
        .into_iter()
        .enumerate()
        .map(|(number, setup)| Pull {
            label: (number + 1).to_string(),
            setup,
            build: number / 2,
            time_s: 300.0 * number as f64,
            curve: (0..6)
                .map(|step| {
                    let rpm =
                        (3500.0 + 1000.0 * f64::from(step)) * (1.0 + 0.004 * (uniform() - 0.5));
                    Sampled::new(rpm, torque_nm(setup, rpm), 0.0)
                })
                .collect(),
        })
        .collect();
    let names = ["before", "after"].map(str::to_owned);
    let compared = compare(&names, &pulls, &Options::default()).unwrap();
    assert_eq!(compared.rpm.len(), 6);
    for (i, rpm) in compared.rpm.iter().enumerate() {
        for (setup, found) in compared.setups.iter().enumerate() {
            let wanted = torque_nm(setup, *rpm);
            assert!(
                (found.mean_nm[i] - wanted).abs() < 1e-9,
                "{rpm}: {}",
                found.mean_nm[i]
            );
        }
    }
    // A speed that was not held in every pull is not there.
    let mut one_less = pulls;
    one_less[2].curve.remove(3);
    let compared = compare(&names, &one_less, &Options::default()).unwrap();
    assert_eq!(compared.rpm.len(), 5);
}

/// What the numbers say at a speed.
fn verdict_at(pair: &Pair, i: usize) -> Verdict {
    if !pair.ground.doubts.is_empty() {
        Verdict::CannotTell
    } else if pair.difference_nm[i] > pair.band_nm[i] {
        Verdict::Higher
    } else if pair.difference_nm[i] < -pair.band_nm[i] {
        Verdict::Lower
    } else {
        Verdict::NoMeasurableDifference
    }
}

fn number_verdict(pair: &Pair, value: f64, half_width: f64) -> Verdict {
    match value {
        _ if !pair.ground.doubts.is_empty() => Verdict::CannotTell,
        value if value > half_width => Verdict::Higher,
        value if value < -half_width => Verdict::Lower,
        _ => Verdict::NoMeasurableDifference,
    }
}

/// The words of the other verdicts are not in the sentence.
fn says_only(text: &str, verdict: Verdict, about: &str) {
    for other in [
        Verdict::Higher,
        Verdict::Lower,
        Verdict::NoMeasurableDifference,
    ] {
        assert_eq!(
            text.contains(other.word()),
            other == verdict,
            "{about}: {text}"
        );
    }
}

#[test]
fn no_sentence_contradicts_the_numbers() {
    let mut told = [0_u32; 4];
    for seed in 0..2000 {
        let comparison = random(seed);
        for pair in &comparison.pairs {
            told[check_pair(seed, &comparison, pair)] += 1;
        }
    }
    // All kinds were among them.
    assert!(told.iter().all(|count| *count > 60), "{told:?}");
}

/// Returns what kind of result it was: kept back, sure everywhere alike, in part, or nowhere.
fn check_pair(seed: u64, comparison: &Comparison, pair: &Pair) -> usize {
    let unit = TorqueUnit::NEWTON_METRE;
    let about = format!("seed {seed}");
    let statements = words::statements(pair);
    let whole = words::differences(comparison, pair, unit);
    let verdicts: Vec<Verdict> = (0..comparison.rpm.len())
        .map(|i| verdict_at(pair, i))
        .collect();
    let mut said: Vec<Option<Verdict>> = vec![None; verdicts.len()];
    for statement in &statements {
        let text = words::sentence(comparison, pair, statement, unit);
        match statement {
            Statement::Withheld(doubt) => {
                assert!(
                    whole.starts_with("can't tell after from before: "),
                    "{about}: {whole}"
                );
                assert!(pair.ground.doubts.contains(doubt), "{about}");
                assert_eq!(
                    text.contains("drift"),
                    *doubt == Doubt::NoReturn,
                    "{about}: {text}"
                );
            }
            Statement::Average {
                difference,
                verdict,
            } => {
                let figure = pair.figures.average_torque_nm;
                assert_eq!(*difference, figure, "{about}");
                let expected = number_verdict(pair, figure.value, figure.half_width);
                assert_eq!(*verdict, expected, "{about}");
                says_only(&text, expected, &about);
                assert!(whole.contains(&text), "{about}: {whole}");
            }
            Statement::At {
                rpm,
                difference,
                verdict,
            } => {
                let expected = number_verdict(pair, difference.value, difference.half_width);
                assert_eq!(*verdict, expected, "{about}");
                says_only(&text, expected, &about);
                assert!(
                    text.starts_with(&format!("at {rpm:.0} rpm: ")),
                    "{about}: {text}"
                );
            }
            Statement::Range { regions } => {
                assert!(pair.ground.doubts.is_empty(), "{about}");
                let verdict = regions[0].verdict;
                says_only(&text, verdict, &about);
                for region in regions {
                    let narrow = region.to_rpm - region.from_rpm < 4.0 * STEP_RPM;
                    assert!(region.verdict == verdict || narrow, "{about}: {text}");
                    for (i, rpm) in comparison.rpm.iter().enumerate() {
                        if (region.from_rpm..=region.to_rpm).contains(rpm) {
                            assert_eq!(verdicts[i], region.verdict, "{about} at {rpm}: {text}");
                            said[i] = Some(region.verdict);
                        }
                    }
                }
                assert_eq!(
                    text.contains("narrow gaps"),
                    regions.len() > 1,
                    "{about}: {text}"
                );
            }
            Statement::Crossing(crossing) => {
                let beside = |after: bool| {
                    let sure = comparison
                        .rpm
                        .iter()
                        .zip(&verdicts)
                        .filter(|(rpm, verdict)| {
                            verdict.is_sure() && (**rpm > crossing.rpm) == after
                        });
                    sure.map(|(_, verdict)| *verdict).collect::<Vec<Verdict>>()
                };
                let (left, right) = (beside(false), beside(true));
                assert_ne!(left.last(), right.first(), "{about}: {text}");
            }
        }
    }
    if let Some((further, text)) = pair.further_builds.zip(words::further_builds(pair, unit)) {
        // Where nobody asked for a difference it is said where the one in the sentence comes from.
        let is_asked = seed.is_multiple_of(3);
        assert_eq!(
            text.contains("half of what shows now"),
            !is_asked,
            "{about}: {text}"
        );
        let half = 0.5 * pair.detectable_nm;
        let expected = if is_asked { 0.1 } else { half };
        assert!(
            (further.difference_nm - expected).abs() < 1e-9,
            "{about}: {text}"
        );
    }
    if !pair.ground.doubts.is_empty() {
        assert!(said.iter().all(Option::is_none), "{about}");
        assert!(
            !whole.contains("is higher") && !whole.contains("is lower"),
            "{about}: {whole}"
        );
        return 0;
    }
    // Nothing is left unsaid.
    for (i, verdict) in verdicts.iter().enumerate() {
        assert_eq!(
            said[i],
            Some(*verdict),
            "{about} at {} rpm: {whole}",
            comparison.rpm[i]
        );
    }
    let sure = verdicts.iter().filter(|verdict| verdict.is_sure()).count();
    match sure {
        0 => 3,
        sure if sure == verdicts.len() => 1,
        _ => 2,
    }
}
