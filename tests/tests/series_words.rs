//! What is said of a series, of parts and of what to test next, sentence by sentence, against the numbers, over
//! hundreds and thousands of random results. The outside is arithmetic: each claim is made again from the numbers.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::LazyLock;

use leverarm_analysis::comparison::{
    Advice, EffectsReport, EngineSide, Report, SeriesReport, StoredComparison, StoredEffects,
    SwapCost, compare_setups, effects_of_parts,
};
use leverarm_analysis::reduction::CurveChoice;
use leverarm_config::display::DisplayUnits;
use leverarm_store::{PullState, StoreReader};
use leverarm_tests::simulated_store::{fill, series};
use leverarm_torque::comparison::factors::{
    Confounded, EffectDoubt, Effects, Interaction, PartEffect, SeparatingTest,
};
use leverarm_torque::comparison::orders::{Cost, Question, judged, shows, soonest};
use leverarm_torque::comparison::words::{self, Statement, TorqueUnit};
use leverarm_torque::comparison::{
    AtSpeed, Comparison, Estimate, Options, Pair, Pull, REPEATED_BUILDS_MIN, Sampled, compare,
};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, StandardUniform};

/// A store of five setups: the random results are told of these.
static STORED: LazyLock<(StoredComparison, StoredEffects)> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let (setups, order) = series();
    let pulls: Vec<(usize, PullState)> = order.map(|setup| (setup, PullState::Stored)).to_vec();
    fill(folder.path(), &setups, &pulls, 5).unwrap();
    let reader = StoreReader::open(folder.path()).unwrap();
    let (choice, options) = (CurveChoice::default(), Options::default());
    let cost = SwapCost::default();
    let effects = effects_of_parts(&reader, None, choice, &cost, &options).unwrap();
    let names: Vec<String> = effects.setups.iter().map(|s| s.name.clone()).collect();
    let engine = EngineSide::LeftOut;
    let found = compare_setups(&reader, &names, choice, &options, engine, |_, _| {}).unwrap();
    (found, effects)
});

struct Chance(ChaCha8Rng);

impl Chance {
    fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }

    fn uniform(&mut self) -> f64 {
        StandardUniform.sample(&mut self.0)
    }

    fn below(&mut self, count: usize) -> usize {
        let at = self.uniform() * count as f64;
        (1..count).filter(|i| *i as f64 <= at).count()
    }

    /// From a thousandth to one, and as often beyond its half width as within.
    fn estimate(&mut self) -> Estimate {
        let half_width = 10_f64.powf(-3.0 * self.uniform());
        Estimate::new(1.5 * half_width * self.normal(), half_width)
    }
}

/// A number in a text, with what its last digit may hide.
#[derive(Debug, Clone, Copy)]
struct Said {
    value: f64,
    rounding: f64,
}

impl Said {
    fn of(text: &str) -> Self {
        let text = text.trim_matches(|c: char| !(c.is_ascii_digit() || "+-.".contains(c)));
        let decimals = text.split_once('.').map_or(0, |(_, digits)| digits.len());
        Self {
            value: text
                .parse()
                .unwrap_or_else(|_| panic!("no number: {text:?}")),
            rounding: 0.5 * 0.1_f64.powi(i32::try_from(decimals).unwrap()) + 1e-9,
        }
    }

    /// Number and half width, on either side of "±".
    fn estimate(text: &str) -> [Self; 2] {
        let (before, after) = text.split_once(" ± ").unwrap_or_else(|| panic!("{text}"));
        let value = before.split_whitespace().next_back().unwrap();
        [value, after.split_whitespace().next().unwrap()].map(Self::of)
    }

    fn is(self, value: f64) -> bool {
        (self.value - value).abs() <= self.rounding
    }
}

fn says(text: &str, expected: Estimate, about: &str) {
    let [value, half_width] = Said::estimate(text);
    assert!(
        value.is(expected.value) && half_width.is(expected.half_width),
        "{about}: {expected:?}: {text}"
    );
}

const PARTS: [&str; 4] = ["main jet", "sleeve", "exhaust", "airbox"];

fn random_effect(chance: &mut Chance, part: usize) -> PartEffect {
    let doubt = match chance.below(8) {
        0 => Some(EffectDoubt::ConfoundedWith(vec![
            PARTS[(part + 1) % PARTS.len()].to_owned(),
        ])),
        1 => Some(EffectDoubt::NotLinked),
        2 => Some(EffectDoubt::NoReturn),
        3 => Some(EffectDoubt::ScatterUnknown {
            left: chance.below(REPEATED_BUILDS_MIN),
        }),
        _ => None,
    };
    let is_told = matches!(doubt, None | Some(EffectDoubt::ScatterUnknown { .. }));
    let speeds = if is_told { chance.below(3) } else { 0 };
    PartEffect {
        part: PARTS[part].to_owned(),
        base: "a".to_owned(),
        value: "b".to_owned(),
        builds: [1 + chance.below(9), 1 + chance.below(9)],
        setups: [1, 1],
        doubts: doubt.into_iter().collect(),
        average_nm: is_told.then(|| chance.estimate()),
        at_speeds: (0..speeds)
            .map(|i| AtSpeed {
                rpm: 5000.0 + 1000.0 * i as f64,
                torque_nm: chance.estimate(),
                power_w: chance.estimate(),
            })
            .collect(),
        curve_nm: Vec::new(),
        half_width_nm: Vec::new(),
        band_nm: Vec::new(),
    }
}

fn random_effects(seed: u64) -> Effects {
    let mut chance = Chance::new(seed);
    let count = 1 + chance.below(PARTS.len());
    let effects: Vec<PartEffect> = (0..count).map(|i| random_effect(&mut chance, i)).collect();
    let together = chance.below(3);
    let interactions = (0..together).map(|i| Interaction {
        parts: [i, i + 1].map(|part| (PARTS[part].to_owned(), "b".to_owned())),
        average_nm: chance.estimate(),
    });
    let interactions: Vec<Interaction> = interactions.collect();
    let mixed = effects.iter().filter_map(|effect| {
        let [EffectDoubt::ConfoundedWith(others)] = effect.doubts.as_slice() else {
            return None;
        };
        Some([vec![effect.part.clone()], others.clone()].concat())
    });
    let mixed: Vec<Vec<String>> = mixed.collect();
    let confounded = mixed.into_iter().map(|parts| Confounded {
        together_nm: (chance.below(2) == 0).then(|| chance.estimate()),
        test: (chance.below(3) > 0).then(|| SeparatingTest {
            setup: chance.below(5),
            part: parts[0].clone(),
            from: "a".to_owned(),
            to: "b".to_owned(),
            between: (chance.below(2) == 0).then(|| chance.below(5)),
            swap_min: 60.0 * chance.uniform(),
        }),
        parts,
    });
    Effects {
        confounded: confounded.collect(),
        interactions_tried: together + chance.below(3),
        interactions_untold: chance.below(3),
        interactions,
        mean_nm: 5.0 + 10.0 * chance.uniform(),
        effects,
        ..STORED.1.effects.clone()
    }
}

#[test]
fn nothing_said_of_parts_contradicts_the_numbers() {
    let mut told = [0_u32; 4];
    for seed in 0..3000 {
        let found = StoredEffects {
            effects: random_effects(seed),
            ..STORED.1.clone()
        };
        let report = EffectsReport {
            units: DisplayUnits::SI,
            found: &found,
            asked: &[],
        };
        let about = format!("seed {seed}");
        let effects = &found.effects;
        let words = report.words();
        let mut lines = words.iter();
        let table = report.table().rows;
        let mut rows = table.iter();
        for effect in &effects.effects {
            let line = lines.next().unwrap();
            told[check_effect(effect, line, effects.mean_nm, &about)] += 1;
            check_rows(effect, &mut rows, &about);
        }
        assert!(rows.next().is_none(), "{about}");
        for found in &effects.interactions {
            let line = lines.next().unwrap();
            assert!(line.contains("act together: "), "{about}: {line}");
            assert!(
                found.parts.iter().all(|(part, _)| line.contains(part)),
                "{line}"
            );
            says(line, found.average_nm, &about);
        }
        let none_seen = effects.interactions.is_empty() && effects.interactions_tried > 0;
        let can_not = !none_seen && effects.interactions_untold > 0;
        let said = |text: &str| words.iter().any(|line| line.contains(text));
        assert_eq!(
            said("no two parts are seen to act together"),
            none_seen,
            "{about}"
        );
        assert_eq!(
            said("whether parts act together can't be told"),
            can_not,
            "{about}"
        );
        if none_seen || can_not {
            lines.next();
        }
        for group in &effects.confounded {
            check_group(group, lines.next().unwrap(), &about);
        }
        assert!(lines.next().is_none(), "{about}: {words:?}");
    }
    // All kinds were among them.
    assert!(told.iter().all(|count| *count > 300), "{told:?}");
}

/// Returns what kind it is: not told, more, less, or nothing measurable.
fn check_effect(effect: &PartEffect, line: &str, mean_nm: f64, about: &str) -> usize {
    let what = format!("{} {} against {}: ", effect.part, effect.value, effect.base);
    let claim = line
        .strip_prefix(&what)
        .unwrap_or_else(|| panic!("{about}: {line}"));
    let kinds = [
        "can't tell",
        "more torque",
        "less torque",
        "no measurable difference",
    ];
    let said: Vec<usize> = (0..kinds.len())
        .filter(|i| claim.contains(kinds[*i]))
        .collect();
    let expected = match (effect.doubts.is_empty(), effect.average_nm) {
        (true, Some(e)) if e.value > e.half_width => 1,
        (true, Some(e)) if e.value < -e.half_width => 2,
        (true, Some(_)) => 3,
        _ => 0,
    };
    assert_eq!(said, [expected], "{about}: {line}");
    if expected == 0 {
        assert!(!claim.contains('±'), "{about}: {line}");
        assert_eq!(
            claim.contains("no return"),
            effect.doubts == [EffectDoubt::NoReturn],
            "{about}: {line}"
        );
        if let [EffectDoubt::ConfoundedWith(others)] = effect.doubts.as_slice() {
            assert!(
                others.iter().all(|other| claim.contains(other)),
                "{about}: {line}"
            );
        }
        if let [EffectDoubt::ScatterUnknown { left }] = effect.doubts.as_slice() {
            assert!(
                claim.contains(&format!("{left} of them left over")),
                "{about}: {line}"
            );
        }
        return 0;
    }
    let average = effect.average_nm.unwrap();
    says(claim, average, about);
    // A claim is one in the figures that are printed too.
    let [value, half_width] = Said::estimate(claim).map(|said| said.value);
    assert!(
        if expected == 3 {
            value.abs() <= half_width
        } else {
            value.abs() >= half_width
        },
        "{about}: {line}"
    );
    if let Some((_, percent)) = claim.split_once('(').filter(|_| expected < 3) {
        let percent = Said::of(percent.split(' ').next().unwrap());
        assert!(
            percent.is(100.0 * average.value / mean_nm),
            "{about}: {line}"
        );
    }
    for (count, place) in effect.builds.iter().zip([" without)", " with it"]) {
        let builds = if *count == 1 {
            "1 build".to_owned()
        } else {
            format!("{count} builds")
        };
        let counted = if place == " with it" {
            format!("({builds}{place}")
        } else {
            format!(" {count}{place}")
        };
        assert!(claim.contains(&counted), "{about}: {counted}: {line}");
    }
    expected
}

/// Rows of an effect: a star where it is more than scatter, a question mark where that is not known.
fn check_rows<'a>(
    effect: &PartEffect,
    rows: &mut impl Iterator<Item = &'a Vec<String>>,
    about: &str,
) {
    let average = [effect.average_nm];
    let speeds = effect.at_speeds.iter().map(|at| Some(at.torque_nm));
    for estimate in average.into_iter().chain(speeds) {
        let row = rows.next().unwrap();
        let Some(estimate) = estimate else {
            assert_eq!(row[5], "can't tell", "{about}: {row:?}");
            continue;
        };
        let is_known = effect.doubts.is_empty();
        let is_sure = is_known && estimate.value.abs() > estimate.half_width;
        assert_eq!(row[5].ends_with('*'), is_sure, "{about}: {row:?}");
        assert!(Said::of(&row[5]).is(estimate.value), "{about}: {row:?}");
        if is_known {
            assert!(
                Said::of(&row[6]).is(estimate.half_width),
                "{about}: {row:?}"
            );
        } else {
            assert_eq!(row[6], "?", "{about}: {row:?}");
        }
    }
}

fn check_group(group: &Confounded, line: &str, about: &str) {
    assert!(line.contains("were never changed apart"), "{about}: {line}");
    assert!(
        group.parts.iter().all(|part| line.contains(part)),
        "{about}: {line}"
    );
    assert_eq!(
        line.contains("together they did"),
        group.together_nm.is_some(),
        "{about}: {line}"
    );
    if let Some(together) = group.together_nm {
        says(line, together, about);
    }
    let name = |setup: usize| format!("\"{}\"", STORED.1.setups[setup].name);
    match &group.test {
        None => assert!(line.contains("no single test"), "{about}: {line}"),
        Some(test) => {
            assert_eq!(line.matches("again").count(), 1, "{about}: {line}");
            assert!(line.contains(&name(test.setup)), "{about}: {line}");
            match test.between {
                Some(known) => assert!(line.contains(&format!("then {}", name(known))), "{line}"),
                None => assert!(line.contains("the same with"), "{about}: {line}"),
            }
            assert!(
                line.contains(&format!("({:.0} min", test.swap_min)),
                "{about}: {line}"
            );
        }
    }
}

/// A store with the setups of [`STORED`], which differ or not, and earlier builds, or none.
fn random_comparison(seed: u64) -> Comparison {
    let mut chance = Chance::new(seed);
    let mut names: Vec<String> = STORED.0.setups.iter().map(|s| s.name.clone()).collect();
    let setups = names.len();
    names.push("reference".to_owned());
    let remembered = if seed.is_multiple_of(4) { 0 } else { 6 };
    let day: &[usize] = if seed.is_multiple_of(5) {
        &[0, 1, 2, 3, 4]
    } else {
        &[0, 1, 0, 2, 3, 4, 0]
    };
    let gains: Vec<[f64; 2]> = (0..setups)
        .map(|_| [0.01 * chance.normal(), 0.01 * chance.normal()])
        .collect();
    let builds = std::iter::repeat_n((setups, 0.0), remembered)
        .chain(day.iter().map(|setup| (*setup, 86_400.0)));
    let mut pulls = Vec::new();
    for (build, (setup, day_s)) in builds.enumerate() {
        let mounted = 0.002 * chance.normal();
        for _ in 0..2 {
            let own = 1.0 + mounted + 0.001 * chance.normal();
            let number = pulls.len();
            let curve = (0..12_u32).map(|i| {
                let x = f64::from(i) / 12.0;
                let gain = gains.get(setup).map_or(0.0, |[a, b]| a + b * x);
                Sampled::new(
                    4000.0 + 250.0 * f64::from(i),
                    11.0 * (own + gain + 0.0003 * chance.normal()),
                    0.0,
                )
            });
            pulls.push(Pull {
                label: (number + 1).to_string(),
                setup,
                build,
                time_s: day_s + 300.0 * number as f64,
                curve: curve.collect(),
            });
        }
    }
    let options = Options {
        compared: Some(setups),
        draws: 100,
        speeds_rpm: vec![4500.0],
        ..Options::default()
    };
    compare(&names, &pulls, &options).unwrap_or_else(|error| panic!("seed {seed}: {error}"))
}

/// A cell: star, brackets and numbers.
fn check_cell(cell: &str, estimate: Estimate, pair: &Pair, about: &str) {
    let is_kept_back = !pair.ground.doubts.is_empty();
    assert_eq!(cell.starts_with('('), is_kept_back, "{about}: {cell}");
    let is_sure = !is_kept_back && estimate.value.abs() > estimate.half_width;
    assert_eq!(cell.ends_with('*'), is_sure, "{about}: {cell}");
    says(cell.trim_matches(['(', ')', '*', ' ']), estimate, about);
}

#[test]
fn nothing_said_of_a_series_contradicts_the_numbers() {
    let mut told = [0_u32; 3];
    for seed in 0..250 {
        let found = StoredComparison {
            comparison: random_comparison(seed),
            ..STORED.0.clone()
        };
        let report = Report {
            units: DisplayUnits::SI,
            found: &found,
            overlays: &[],
        };
        let series = SeriesReport { report: &report };
        let about = format!("seed {seed}");
        let comparison = &found.comparison;
        let pair = |first: usize, second: usize| -> &Pair {
            let mut all = comparison.pairs.iter();
            all.find(|p| (p.first, p.second) == (first, second))
                .unwrap()
        };
        let (table, way, words) = (series.table().rows, series.way_table().rows, series.words());
        let mut sum = Said {
            value: 0.0,
            rounding: 0.0,
        };
        let (mut lines, mut steps) = (words.iter(), way.iter());
        for (row, second) in table.iter().zip(1..) {
            let (line, step) = (lines.next().unwrap(), steps.next().unwrap());
            let against = pair(0, second);
            assert_eq!(row[0], comparison.setups[second].name, "{about}");
            let average = against.figures.average_torque_nm;
            check_cell(&row[1], average, against, &about);
            check_cell(
                &row[2],
                against.figures.at_speeds[0].torque_nm,
                against,
                &about,
            );
            told[check_line(comparison, against, line, &row[1], &about)] += 1;
            // The way: each step by itself, and all of them together.
            let own = pair(second - 1, second);
            check_cell(&step[3], own.figures.average_torque_nm, own, &about);
            check_cell(&step[4], average, against, &about);
            let [gone, _] = Said::estimate(step[3].trim_matches(['(', ')', '*', ' ']));
            sum.value += gone.value;
            sum.rounding += gone.rounding;
            let [all, _] = Said::estimate(step[4].trim_matches(['(', ')', '*', ' ']));
            let off = (sum.value - all.value).abs();
            assert!(off <= sum.rounding + all.rounding, "{about}: {way:?}");
        }
        assert_eq!(table.len() + 1, comparison.setups.len(), "{about}");
        assert!(lines.next().is_none() && steps.next().is_none(), "{about}");
    }
    assert!(told.iter().all(|count| *count > 50), "{told:?}");
}

/// The sentence of the average says what the table's star does. Returns whether it was kept back, sure or not.
fn check_line(comparison: &Comparison, pair: &Pair, line: &str, cell: &str, about: &str) -> usize {
    let unit = TorqueUnit::NEWTON_METRE;
    let statements = words::statements(pair);
    let average = statements
        .iter()
        .find(|s| matches!(s, Statement::Average { .. }))
        .unwrap();
    let text = words::sentence(comparison, pair, average, unit);
    assert!(line.contains(&text), "{about}: {line}");
    says(&text, pair.figures.average_torque_nm, about);
    if cell.starts_with('(') {
        assert!(line.starts_with("can't tell "), "{about}: {line}");
        assert!(text.ends_with("from the plain numbers"), "{about}: {text}");
        return 0;
    }
    let is_higher = cell.trim_start().starts_with('+') && cell.ends_with('*');
    let is_lower = cell.trim_start().starts_with('-') && cell.ends_with('*');
    for (word, expected) in [
        ("higher, ", is_higher),
        ("lower, ", is_lower),
        ("no measurable difference", !cell.ends_with('*')),
    ] {
        assert_eq!(text.contains(word), expected, "{about}: {cell}: {text}");
    }
    if is_higher || is_lower { 1 } else { 2 }
}

fn random_advice(seed: u64) -> (Advice, Cost) {
    let mut chance = Chance::new(seed);
    let known_left = chance.below(20) as f64;
    let question = Question {
        difference: 0.002 * 20_f64.powf(chance.uniform()),
        confidence: 0.95,
        pull_sd: 0.001 + 0.005 * chance.uniform(),
        build_sd: 0.006 * chance.uniform(),
        known_error: (chance.below(3) == 0).then(|| 0.001 + 0.01 * chance.uniform()),
        known_left,
    };
    let swap_min = 30.0 * chance.uniform();
    let cost = Cost {
        begin_min: [0.0, swap_min],
        swap_min,
        pull_min: 1.0 + 5.0 * chance.uniform(),
    };
    let advice = Advice {
        setups: ["main jet 105", "main jet 110"].map(str::to_owned),
        mean_nm: (chance.below(2) == 0).then(|| 5.0 + 10.0 * chance.uniform()),
        list: None,
        shows_now: question
            .known_error
            .and_then(|error| shows(error, known_left, question.confidence)),
        orders: soonest(&question, &cost),
        question,
        remarks: Vec::new(),
    };
    (advice, cost)
}

/// A share as it is printed: torque where the mean is known, and per cent.
fn says_share(text: &str, share: f64, advice: &Advice, about: &str) {
    let percent = match advice.mean_nm {
        None => text,
        Some(mean) => {
            assert!(
                Said::of(text.split(' ').next().unwrap()).is(share * mean),
                "{about}: {text}"
            );
            text.split_once('(').unwrap().1
        }
    };
    assert!(
        Said::of(percent.split(' ').next().unwrap()).is(100.0 * share),
        "{about}: {text}"
    );
}

#[test]
fn nothing_said_of_what_to_test_next_contradicts_the_numbers() {
    let unit = DisplayUnits::SI.torque;
    let mut told = [0_u32; 3];
    for seed in 0..300 {
        let (advice, cost) = random_advice(seed);
        let about = format!("seed {seed}");
        let asked = advice.question.difference;
        let lines = advice.words(unit);
        let first = &lines[0];
        let does = |shows: Option<f64>| shows.is_some_and(|shows| shows <= asked);
        if does(advice.shows_now) {
            assert!(
                first.starts_with("nothing is left to test") && lines.len() == 1,
                "{about}"
            );
            let now = first.split_once("a difference of ").unwrap().1;
            says_share(now, advice.shows_now.unwrap(), &advice, &about);
            told[0] += 1;
            continue;
        }
        let (order, brings) = &advice.orders[0];
        // What it brings, worked out again; no other that shows the difference is shorter.
        let again = judged(order, &advice.question, &cost).unwrap();
        assert_eq!(does(again.shows), does(brings.shows), "{about}");
        assert!(first.contains(&order.letters()), "{about}: {first}");
        let pulls = if order.pulls == 1 {
            "1 pull ".to_owned()
        } else {
            format!("{} pulls ", order.pulls)
        };
        assert!(first.contains(&pulls), "{about}: {first}");
        assert!(
            first.contains(&format!("{:.0} min", again.minutes)),
            "{about}: {first}"
        );
        let difference = first.split_once("a difference of ").unwrap().1;
        says_share(difference, asked, &advice, &about);
        if does(again.shows) {
            assert!(first.starts_with("soonest: "), "{about}: {first}");
            assert!(
                first.ends_with("then shows 9 times out of 10"),
                "{about}: {first}"
            );
            let others = advice.orders.iter().filter(|(_, other)| does(other.shows));
            assert!(
                others
                    .clone()
                    .all(|(_, other)| other.minutes >= again.minutes),
                "{about}"
            );
            told[1] += 1;
        } else {
            assert!(
                first.contains("is more than one session"),
                "{about}: {first}"
            );
            assert!(
                advice.orders.iter().all(|(_, other)| !does(other.shows)),
                "{about}"
            );
            let nearest = first.split_once(" each: ").unwrap().1;
            match again.shows {
                Some(shows) => says_share(nearest, shows, &advice, &about),
                None => assert!(nearest.starts_with("nothing yet"), "{about}: {first}"),
            }
            told[2] += 1;
        }
        let letters = order.letters();
        let twice = letters.contains("A A") || letters.contains("B B");
        assert_eq!(
            lines.iter().any(|line| line.contains("--again")),
            twice,
            "{about}: {letters}"
        );
        let command = lines.last().unwrap();
        let named: Vec<&str> = command
            .split('"')
            .filter_map(|text| match text {
                "main jet 105" => Some("A"),
                "main jet 110" => Some("B"),
                _ => None,
            })
            .collect();
        assert_eq!(named.join(" "), letters, "{about}: {command}");
        assert!(
            command.ends_with(&format!("--pulls {}", order.pulls)),
            "{about}: {command}"
        );
        for (row, (order, brings)) in advice.table(unit).rows.iter().zip(&advice.orders) {
            assert_eq!(
                row[..2],
                [order.letters(), order.pulls.to_string()],
                "{about}"
            );
            assert!(Said::of(&row[2]).is(brings.minutes), "{about}: {row:?}");
            match brings.shows {
                Some(shows) => says_share(&row[3], shows, &advice, &about),
                None => assert_eq!(row[3], "can't tell", "{about}"),
            }
        }
    }
    assert!(told.iter().all(|count| *count > 10), "{told:?}");
}
