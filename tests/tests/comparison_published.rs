//! The statistics of a comparison against published values and reference libraries.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use leverarm_torque::comparison::two_sample::{
    Difference, Readings, detectable_effect, power, two_sided_factor, upper_tail,
};
use leverarm_torque::comparison::{
    Comparison, Options, Pull, REPEATABILITY_FACTOR, Sampled, compare,
};

fn assert_near(found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{found}, expected {expected}"
    );
}

/// NIST/SEMATECH e-Handbook of Statistical Methods 1.3.5.3, two-sample t-test of AUTO83B.DAT: US and
/// Japanese cars, from the summary printed there. NIST prints
/// unpooled T = −12.94627 with 136.8750 degrees of freedom; further digits are
/// SciPy 1.17.1's.
#[test]
fn auto83b() {
    let us = Readings {
        count: 249,
        mean: 20.144_58,
        sd: 6.414_70,
    };
    let japan = Readings {
        count: 79,
        mean: 30.481_01,
        sd: 6.107_71,
    };
    let welch = Difference::welch(&japan, &us);
    assert_near(welch.t(), -12.946_267_565_658_848, 1e-9);
    assert_near(welch.degrees_of_freedom, 136.874_990_093_693_7, 1e-9);
    assert_near(welch.p_value(), 1.570_904_615_464_837_5e-25, 1e-6);
}

const A: [f64; 5] = [100.2, 100.9, 99.8, 100.5, 100.4];
const B: [f64; 5] = [101.6, 102.1, 101.2, 101.9, 101.5];

/// Made-up numbers; SciPy 1.17.1 `ttest_ind` and statsmodels 0.15.0 `ttost_ind`.
#[test]
fn two_samples_of_five() {
    let (a, b) = (Readings::of(&A).unwrap(), Readings::of(&B).unwrap());
    let welch = Difference::welch(&a, &b);
    assert_near(welch.value, 1.3, 1e-12);
    assert_near(welch.t(), 5.435_573_065_046_007_5, 1e-9);
    assert_near(welch.degrees_of_freedom, 7.846_515_420_403_834, 1e-9);
    assert_near(welch.p_value(), 0.000_661_367_826_515_642, 1e-9);
    assert_near(
        welch.equivalence_p_value(2.0),
        0.009_748_046_813_287_252,
        1e-9,
    );
}

/// Columns of the "clinic" data of statsmodels 0.15.0's `test_tost.py` (BSD-3): by group.
fn clinic(variable: usize) -> [Vec<f64>; 2] {
    let mut groups = [Vec::new(), Vec::new()];
    let text = include_str!("data/tost_clinic.csv");
    for line in text
        .lines()
        .filter(|line| line.starts_with(|c: char| c.is_ascii_digit()))
    {
        let fields: Vec<&str> = line.split(',').collect();
        let group: usize = fields[1].parse().unwrap();
        groups[group - 1].push(fields[1 + variable].parse().unwrap());
    }
    groups
}

/// Reference results of the R package equivalence, recorded in statsmodels' `test_tost.py`.
#[test]
fn two_one_sided_tests_of_the_clinic_data() {
    let samples = |variable| clinic(variable).map(|group| Readings::of(&group).unwrap());
    let [one, two] = samples(1);
    assert_eq!((one.count, two.count), (15, 15));
    let welch = Difference::welch(&two, &one);
    assert_near(welch.value, 0.164_666_666_666_666_7, 1e-9);
    assert_near(welch.standard_error, 0.253_162_599_108_362_7, 1e-9);
    assert_near(welch.degrees_of_freedom, 26.748_478_758_231_5, 1e-9);
    assert_near(
        welch.equivalence_p_value(0.6),
        0.048_530_839_762_369_74,
        1e-9,
    );

    let [one, two] = samples(2);
    let welch = Difference::welch(&two, &one);
    assert_near(
        welch.equivalence_p_value(0.6),
        0.431_793_681_259_480_3,
        1e-9,
    );
}

/// SciPy 1.17.1 `stats.t.ppf`.
#[test]
fn student_t() {
    for (dof, factor) in [
        (1.0, 12.706_204_736_174_694),
        (2.0, 4.302_652_729_749_462),
        (4.0, 2.776_445_105_197_793_4),
        (8.0, 2.306_004_135_204_166),
        (30.0, 2.042_272_456_301_237_8),
        (100.0, 1.983_971_518_523_551_8),
    ] {
        assert_near(two_sided_factor(0.05, dof), factor, 1e-9);
        assert_near(upper_tail(factor, dof), 0.025, 1e-9);
    }
}

/// SciPy 1.17.1 `stats.nct`; the first row is also statsmodels 0.15.0 `TTestIndPower().power(1, 5, 0.05)`.
#[test]
fn power_of_a_t_test() {
    for (effect, critical, dof, expected) in [
        (
            1.581_138_830_084_189_8,
            2.306_004_135_204_166,
            8.0,
            0.286_295_493_380_597_73,
        ),
        (3.0, 4.0, 2.0, 0.428_157_410_026_195_4),
        (5.0, 2.9, 8.0, 0.961_122_364_833_406_2),
        (4.0, 2.8, 30.0, 0.875_065_111_422_088_3),
    ] {
        assert_near(power(effect, critical, dof), expected, 1e-7);
        assert_near(detectable_effect(expected, critical, dof), effect, 1e-6);
    }
}

/// Pulls whose curves are flat at `base` plus their own offset, in the order given.
fn flat_pulls(base: f64, pulls: &[(usize, f64)]) -> Vec<Pull> {
    let pull = |number: u32, setup: usize, offset: f64| Pull {
        label: number.to_string(),
        setup,
        build: setup,
        time_s: f64::from(number),
        curve: (0..10)
            .map(|i| Sampled::new(4000.0 + 100.0 * f64::from(i), base + offset, 0.0))
            .collect(),
    };
    (1..)
        .zip(pulls)
        .map(|(number, (setup, offset))| pull(number, *setup, *offset))
        .collect()
}

fn compare_flat(base: f64, pulls: &[(usize, f64)], options: &Options) -> Comparison {
    let setups = pulls.iter().map(|(setup, _)| setup + 1).max().unwrap();
    let names: Vec<String> = (1..=setups).map(|n| format!("setup {n}")).collect();
    compare(&names, &flat_pulls(base, pulls), options).unwrap()
}

/// NIST StRD, analysis of variance, `SiRstv` (resistance of silicon, five instruments with five
/// readings each), as in SciPy 1.17.1's test data: certified residual standard deviation, the
/// repeatability of ISO 5725-2.
#[test]
fn repeatability_is_the_pooled_one() {
    const READINGS: [[f64; 5]; 5] = [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ];
    let pulls: Vec<(usize, f64)> = READINGS
        .iter()
        .enumerate()
        .flat_map(|(instrument, readings)| readings.map(|reading| (instrument, reading)))
        .collect();
    let certified = |found: Comparison| {
        let found = found.repeatability.unwrap();
        assert_eq!(found.degrees_of_freedom, 20);
        for sd in found.sd_nm {
            assert_near(sd, 0.104_076_068_334_656, 1e-9);
        }
    };
    certified(compare_flat(0.0, &pulls, &Options::default()));
    // What mountings of one setup differ by is no part of it: the instruments as mountings of two, the
    // last far off.
    let mut mounted = flat_pulls(0.0, &pulls);
    for pull in &mut mounted {
        let off = if pull.build == 4 { 20.0 } else { 0.0 };
        pull.setup = pull.build % 2;
        // The third is the first that stayed on overnight.
        if pull.build >= 2 {
            pull.time_s += 86_400.0;
        }
        if pull.build == 2 {
            pull.build = 0;
        }
        pull.curve
            .iter_mut()
            .for_each(|point| point.torque_nm += off);
    }
    let names = ["A", "B"].map(str::to_owned);
    let options = Options {
        remove_drift: false,
        ..Options::default()
    };
    let found = compare(&names, &mounted, &options).unwrap();
    assert!(
        !found
            .remarks
            .iter()
            .any(|remark| remark.contains("scatter")),
        "{:?}",
        found.remarks
    );
    certified(found);
    // ISO 5725-6 rounds 1.96 √2 = 2.77 (from memory).
    assert_near(REPEATABILITY_FACTOR, 1.96 * 2.0_f64.sqrt(), 0.02);
}

/// With the numbers of `two_samples_of_five` as torques, figures are judged by Student's test.
#[test]
fn figures_without_drift_are_students_test() {
    let pulls: Vec<(usize, f64)> = A
        .map(|a| (0, a))
        .into_iter()
        .chain(B.map(|b| (1, b)))
        .collect();
    let options = Options {
        margin_nm: Some(2.0),
        ..Options::default()
    };
    let found = compare_flat(0.0, &pulls, &options);
    let [pair] = found.pairs.as_slice() else {
        panic!("one pair expected");
    };
    let average = pair.figures.average_torque_nm;
    assert_near(average.value, 1.3, 1e-9);
    // SciPy 1.17.1: 95 % from 0.7484840255311525 to 1.8515159744688134.
    assert_near(average.half_width, 1.851_515_974_468_813_4 - 1.3, 1e-9);
    assert_near(
        pair.equivalence.unwrap().p_value,
        0.009_545_033_753_431_062,
        1e-6,
    );
    let welch = pair.welch_average_nm.unwrap();
    assert_near(welch.p_value(), 0.000_661_367_826_515_642, 1e-6);
    // Scatter that is one factor for all speeds: no allowance for their number, Student's t.
    assert_near(found.critical_value, 2.306_004_135_204_166, 0.05);
}

/// statsmodels 0.15.0 `OLS` of these numbers on setup A, setup B and the pull's number.
#[test]
fn drift_is_ordinary_least_squares() {
    let offsets = [0.02, -0.05, 0.01, 0.31, 0.22, 0.27, -0.04, -0.13, -0.09];
    let setups = [0, 0, 0, 1, 1, 1, 0, 0, 0];
    let pulls: Vec<(usize, f64)> = setups.into_iter().zip(offsets).collect();
    let found = compare_flat(100.0, &pulls, &Options::default());
    let scale = 100.0 + offsets.iter().sum::<f64>() / 9.0;
    let drift = found.drift.unwrap();
    assert!(drift.returned && drift.removed);
    assert_near(
        drift.relative_per_unit.value * scale,
        -0.013_666_666_666_666_667,
        1e-8,
    );
    assert_near(
        drift.relative_per_unit.half_width * scale,
        -0.001_167_62 + 0.013_666_67,
        1e-5,
    );
    assert_near(drift.p_value, 0.036_756_275_351_393_176, 1e-7);
    let average = found.pairs[0].figures.average_torque_nm;
    assert_near(average.value, 0.313_333_33, 1e-7);
    assert_near(average.half_width, 0.381_793_44 - 0.313_333_33, 1e-6);
    let own = found.setups[0].figures.average_torque_nm;
    assert_near(own.value - own.half_width, 100.0 - 0.086_192_13, 1e-9);
    assert_near(own.value + own.half_width, 100.0 - 0.007_141_21, 1e-9);
    // The same with a column for the first pulls after a change.
    let first = found.first_pulls.unwrap();
    assert_eq!(first.count, 3);
    assert_near(first.relative.value * scale, 0.040_900_900_900_900_9, 1e-7);
    assert_near(first.p_value, 0.177_800_930_853_776_32, 1e-7);
    assert!(found.remarks.is_empty(), "{:?}", found.remarks);
}

/// The fifth pull's externally studentised residual is 19.36 (statsmodels 0.15.0
/// `get_influence`): by chance less than once in 100,000.
#[test]
fn a_pull_that_stands_apart_is_named_and_kept() {
    let offsets = [0.02, -0.05, 0.01, 0.31, 1.12, 0.27, -0.04, -0.13, -0.09];
    let setups = [0, 0, 0, 1, 1, 1, 0, 0, 0];
    let pulls: Vec<(usize, f64)> = setups.into_iter().zip(offsets).collect();
    let found = compare_flat(100.0, &pulls, &Options::default());
    assert_eq!(found.setups[1].pulls, ["4", "5", "6"]);
    let named: Vec<&String> = found
        .remarks
        .iter()
        .filter(|remark| remark.contains("stands"))
        .collect();
    assert_eq!(named.len(), 1, "{:?}", found.remarks);
    assert!(
        named[0].starts_with("pull 5 (setup 2) stands +"),
        "{named:?}"
    );
}
