//! Mixed models against published estimates and reference libraries.
//!
//! The sets are those that come with R's lme4: `dyestuff` (O. L. Davies, P. L. Goldsmith, *Statistical
//! Methods in Research and Production*, 4th ed., 1972, table 6.3), `penicillin` (table 6.6) and
//! `pastes` (table 6.5) of the same book, `sleepstudy` (G. Belenky et al., *Journal of Sleep Research*
//! 12 (2003) 1). Values are those of lme4 1.1-31 (variances as printed in its vignettes too), pbkrtest
//! 0.5.2 (Kenward and Roger) and nlme 3.1-162 under R 4.2.2, and of statsmodels 0.15.0. `cbpp`
//! (M. Lesnoff et al., *Preventive Veterinary Medicine* 64 (2004) 27) is binomial, which no model here
//! is: its shares are fitted as numbers, by lme4 too. Of ISO 5725-2 the example B.1 is used; that of
//! ISO 5725-3 (intermediate precision) could not be had, so that nested levels rest on `pastes`.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use leverarm_torque::mixed::{Block, Bound, Component, Fit, MixedError, Model, Prior};
use nalgebra::{DMatrix, DVector};

fn assert_near(found: f64, expected: f64, relative: f64) {
    assert!(
        (found - expected).abs() <= relative * expected.abs(),
        "{found}, expected {expected}"
    );
}

/// Columns of a CSV file by their headings, in quotes or not.
fn columns<const N: usize>(text: &str, wanted: [&str; N]) -> Vec<[String; N]> {
    let cells = |line: &str| -> Vec<String> {
        line.split(',')
            .map(|cell| cell.trim_matches('"').to_owned())
            .collect()
    };
    let mut lines = text.lines();
    let headings = cells(lines.next().unwrap());
    let at = wanted.map(|name| headings.iter().position(|h| h == name).unwrap());
    lines
        .map(|line| at.map(|i| cells(line)[i].clone()))
        .collect()
}

fn numbers<const N: usize>(rows: &[[String; N]], column: usize) -> Vec<f64> {
    rows.iter()
        .map(|row| row[column].parse().unwrap())
        .collect()
}

fn same<const N: usize>(rows: &[[String; N]], column: usize) -> DMatrix<f64> {
    DMatrix::from_fn(rows.len(), rows.len(), |i, j| {
        f64::from(u8::from(rows[i][column] == rows[j][column]))
    })
}

fn fit(responses: &[f64], slopes: Option<&[f64]>, kernels: Vec<DMatrix<f64>>) -> Fit {
    let rows = responses.len();
    let unknowns = 1 + usize::from(slopes.is_some());
    let block = Block {
        design: DMatrix::from_fn(rows, unknowns, |i, j| {
            if j == 0 { 1.0 } else { slopes.unwrap()[i] }
        }),
        kernels: [vec![DMatrix::identity(rows, rows)], kernels].concat(),
        responses: DMatrix::from_column_slice(rows, 1, responses),
    };
    let components = vec![Component::new(Bound::NonNegative); block.kernels.len()];
    Model {
        blocks: vec![block],
        components,
    }
    .fit()
    .unwrap()
}

fn only(unknown: usize, of: usize) -> DVector<f64> {
    DVector::from_fn(of, |i, _| f64::from(u8::from(i == unknown)))
}

#[test]
fn dyestuff_one_way() {
    let rows = columns(include_str!("data/dyestuff.csv"), ["Batch", "Yield"]);
    let found = fit(&numbers(&rows, 1), None, vec![same(&rows, 0)]);
    assert_near(found.variances[0], 2451.25, 1e-6);
    assert_near(found.variances[1], 1764.05, 1e-6);
    let mean = found.certainty(&only(0, 1));
    assert_near(found.coefficients[(0, 0)], 1527.5, 1e-9);
    assert_near(mean.variance, 375.716_658_578, 1e-6);
    assert_near(mean.degrees_of_freedom, 5.0, 1e-6);
    // statsmodels
    assert_near(mean.variance.sqrt(), 19.383_412_15, 1e-6);
}

#[test]
fn penicillin_crossed() {
    let rows = columns(
        include_str!("data/penicillin.csv"),
        ["diameter", "plate", "sample"],
    );
    let found = fit(
        &numbers(&rows, 0),
        None,
        vec![same(&rows, 1), same(&rows, 2)],
    );
    assert_near(found.variances[0], 0.302_415_445_1, 1e-5);
    assert_near(found.variances[1], 0.716_908_340_1, 1e-5);
    assert_near(found.variances[2], 3.730_919_014_3, 1e-5);
    let mean = found.certainty(&only(0, 1));
    assert_near(found.coefficients[(0, 0)], 22.972_222_222_2, 1e-9);
    assert_near(mean.variance, 0.653_791_123_815, 1e-5);
    assert_near(mean.degrees_of_freedom, 5.487_092_216_29, 1e-4);
}

#[test]
fn pastes_nested() {
    let rows = columns(
        include_str!("data/pastes.csv"),
        ["strength", "batch", "sample"],
    );
    let found = fit(
        &numbers(&rows, 0),
        None,
        vec![same(&rows, 2), same(&rows, 1)],
    );
    assert_near(found.variances[0], 0.678, 1e-5);
    assert_near(found.variances[1], 8.433_666_581_3, 1e-5);
    assert_near(found.variances[2], 1.657_309_129_5, 1e-4);
    let mean = found.certainty(&only(0, 1));
    assert_near(found.coefficients[(0, 0)], 60.053_333_333_3, 1e-9);
    assert_near(mean.variance, 0.458_153_132_068, 1e-5);
    assert_near(mean.degrees_of_freedom, 9.0, 1e-4);
}

fn sleep() -> (Vec<[String; 3]>, Vec<f64>, Vec<f64>) {
    let rows = columns(
        include_str!("data/sleepstudy.csv"),
        ["Reaction", "Days", "Subject"],
    );
    let (reaction, days) = (numbers(&rows, 0), numbers(&rows, 1));
    (rows, reaction, days)
}

/// Level and slope of each subject, uncorrelated.
#[test]
fn sleep_study_slopes() {
    let (rows, reaction, days) = sleep();
    let subject = same(&rows, 2);
    let slope = DMatrix::from_fn(180, 180, |i, j| subject[(i, j)] * days[i] * days[j]);
    let found = fit(&reaction, Some(&days), vec![subject, slope]);
    assert_near(found.variances[0], 653.583_804_95, 1e-5);
    assert_near(found.variances[1], 627.569_116_73, 1e-5);
    assert_near(found.variances[2], 35.858_201_78, 1e-5);
    assert_near(found.coefficients[(1, 0)], 10.467_285_959_6, 1e-8);
    let days = found.certainty(&only(1, 2));
    assert_near(days.variance, 2.432_246_095_53, 1e-5);
    assert_near(days.degrees_of_freedom, 18.187_476_219_8, 1e-4);
}

/// statsmodels `MixedLM`, level of each subject only.
#[test]
fn sleep_study_levels() {
    let (rows, reaction, days) = sleep();
    let found = fit(&reaction, Some(&days), vec![same(&rows, 2)]);
    assert_near(found.variances[0], 960.456_578_984_728_4, 1e-6);
    assert_near(found.variances[1], 1_378.178_507_599_302_5, 1e-5);
    let [level, slope] = [0, 1].map(|i| found.certainty(&only(i, 2)).variance.sqrt());
    assert_near(level, 9.746_716_25, 1e-6);
    assert_near(slope, 0.804_221_43, 1e-6);
}

/// Uneven groups, where Kenward's and Roger's variance is larger than the plain one.
#[test]
fn kenward_roger_of_uneven_groups() {
    let (rows, ..) = sleep();
    let mut subjects: Vec<&String> = rows.iter().map(|row| &row[2]).collect();
    subjects.dedup();
    let kept: Vec<[String; 3]> = rows
        .iter()
        .filter(|row| {
            let number = 1 + subjects.iter().position(|s| **s == row[2]).unwrap();
            let day: u32 = row[1].parse().unwrap();
            number <= 7 && !(number % 3 == 0 && day > 5) && !(number % 4 == 1 && day < 4)
        })
        .cloned()
        .collect();
    assert_eq!(kept.len(), 54);
    let found = fit(
        &numbers(&kept, 0),
        Some(&numbers(&kept, 1)),
        vec![same(&kept, 2)],
    );
    assert_near(found.variances[0], 728.994_717_1, 1e-5);
    assert_near(found.variances[1], 2_832.262_995_8, 1e-4);
    let [level, slope] = [0, 1].map(|i| found.certainty(&only(i, 2)));
    assert_near(level.variance, 465.323_149_573_9, 1e-4);
    assert_near(level.degrees_of_freedom, 7.326_715_346_26, 1e-3);
    assert_near(slope.variance, 2.288_365_251_03, 1e-4);
    assert_near(slope.degrees_of_freedom, 47.090_643_511_3, 1e-3);
}

/// nlme `lme` with `corAR1(0.5, fixed = TRUE)`: neighbours alike within a group.
#[test]
fn correlated_neighbours() {
    let (rows, reaction, days) = sleep();
    let subject = same(&rows, 2);
    let near = DMatrix::from_fn(180, 180, |i, j| {
        subject[(i, j)] * 0.5_f64.powf((days[i] - days[j]).abs())
    });
    let block = Block {
        design: DMatrix::from_fn(180, 2, |i, j| if j == 0 { 1.0 } else { days[i] }),
        kernels: vec![near, subject],
        responses: DMatrix::from_column_slice(180, 1, &reaction),
    };
    let model = Model {
        blocks: vec![block],
        components: vec![Component::new(Bound::NonNegative); 2],
    };
    let found = model.fit().unwrap();
    assert_near(found.variances[0], 1_061.913_404_33, 1e-4);
    assert_near(found.variances[1], 1_212.796_056_05, 1e-4);
    assert_near(found.coefficients[(0, 0)], 252.280_319_129_2, 1e-7);
}

/// Values with this mean and standard deviation.
fn values(mean: f64, sd: f64) -> [f64; 5] {
    // Squares of −2 … 2 sum to 10, so divided by 4 the variance is 2.5.
    [-2.0, -1.0, 0.0, 1.0, 2.0].map(|x: f64| mean + sd * x / 2.5_f64.sqrt())
}

/// JCGM 100:2008, H.5.2: a Zener voltage standard on ten days, five observations a day. Means and
/// standard deviations of table H.9 (from memory; they give the printed `s(V̄_j)` of 57 µV, `s_a` of
/// 128 µV and `s_b` of 85 µV). The guide's between-day component is 43 µV, the uncertainty of the mean
/// 18 µV with 9 degrees of freedom.
#[test]
fn guide_to_uncertainty_by_days() {
    let means = [
        172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0,
    ];
    let sds = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
    let all: Vec<f64> = means
        .iter()
        .zip(sds)
        .flat_map(|(m, s)| values(*m, s))
        .collect();
    let day = DMatrix::from_fn(50, 50, |i, j| f64::from(u8::from(i / 5 == j / 5)));
    let found = fit(&all, None, vec![day]);
    assert!((found.variances[0].sqrt() - 85.0).abs() < 0.5);
    assert!((found.variances[1].sqrt() - 43.0).abs() < 0.5);
    let mean = found.certainty(&only(0, 1));
    assert!((mean.variance.sqrt() - 18.0).abs() < 0.5);
    assert_near(mean.degrees_of_freedom, 9.0, 1e-6);
}

/// NIST StRD, analysis of variance, `SiRstv`: certified mean squares 1.278 656 54e-2 between and
/// 1.083 182 80e-2 within instruments.
#[test]
fn nist_one_way() {
    const READINGS: [[f64; 5]; 5] = [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ];
    let instrument = DMatrix::from_fn(25, 25, |i, j| f64::from(u8::from(i / 5 == j / 5)));
    let found = fit(&READINGS.concat(), None, vec![instrument]);
    assert_near(found.variances[0], 1.083_182_80e-2, 1e-6);
    assert_near(
        found.variances[1],
        (1.278_656_54e-2 - 1.083_182_80e-2) / 5.0,
        1e-5,
    );
}

/// New cases as a share of each herd, by period: herds as random, periods as unknowns. lme4 and pbkrtest.
#[test]
fn cbpp_with_unknowns() {
    let rows = columns(
        include_str!("data/cbpp.csv"),
        ["incidence", "size", "period", "herd"],
    );
    let (cases, size) = (numbers(&rows, 0), numbers(&rows, 1));
    let period = numbers(&rows, 2);
    let share: Vec<f64> = cases.iter().zip(&size).map(|(n, of)| n / of).collect();
    let count = rows.len();
    let block = Block {
        design: DMatrix::from_fn(count, 4, |i, j| {
            f64::from(u8::from(j == 0 || period[i] == 1.0 + j as f64))
        }),
        kernels: vec![DMatrix::identity(count, count), same(&rows, 3)],
        responses: DMatrix::from_column_slice(count, 1, &share),
    };
    let found = Model {
        blocks: vec![block],
        components: vec![Component::new(Bound::NonNegative); 2],
    }
    .fit()
    .unwrap();
    assert_near(found.variances[0], 1.558_082_24e-2, 1e-4);
    // Next to nothing: a two-hundredth of the other.
    assert_near(found.variances[1], 6.968_063e-5, 1e-2);
    for (unknown, expected) in [
        0.219_794_763,
        -0.145_738_471,
        -0.130_420_323,
        -0.178_539_198,
    ]
    .into_iter()
    .enumerate()
    {
        assert_near(found.coefficients[(unknown, 0)], expected, 1e-6);
    }
    let second = found.certainty(&only(1, 4));
    assert_near(second.variance, 2.153_989_68e-3, 1e-4);
    assert_near(second.degrees_of_freedom, 39.298_735, 1e-2);
}

/// ISO 5725-2:1994, example B.1, sulfur in coal by eight laboratories at four levels: readings and the
/// printed repeatability and reproducibility from memory; the standard's formulas give the printed results
/// from these readings. Its estimates are those of an analysis of variance, which for uneven groups are not
/// quite those of greatest likelihood; those are lme4's.
#[test]
fn sulfur_in_coal() {
    const LEVELS: [[&[f64]; 8]; 4] = [
        [
            &[0.71, 0.71, 0.70, 0.71],
            &[0.69, 0.67, 0.68],
            &[0.66, 0.65, 0.69],
            &[0.67, 0.65, 0.66],
            &[0.70, 0.69, 0.66, 0.71, 0.69],
            &[0.73, 0.74, 0.73],
            &[0.71, 0.71, 0.69],
            &[0.70, 0.65, 0.68],
        ],
        [
            &[1.20, 1.18, 1.23, 1.21],
            &[1.22, 1.21, 1.22],
            &[1.28, 1.31, 1.30],
            &[1.23, 1.18, 1.20],
            &[1.31, 1.22, 1.22, 1.24],
            &[1.39, 1.36, 1.37],
            &[1.20, 1.26, 1.26],
            &[1.24, 1.22, 1.30],
        ],
        [
            &[1.68, 1.70, 1.68, 1.69],
            &[1.64, 1.64, 1.65],
            &[1.61, 1.61, 1.62],
            &[1.68, 1.66, 1.66],
            &[1.64, 1.67, 1.60, 1.66, 1.68],
            &[1.70, 1.73, 1.73],
            &[1.69, 1.70, 1.68],
            &[1.67, 1.68, 1.67],
        ],
        [
            &[3.26, 3.26, 3.20, 3.24],
            &[3.20, 3.20, 3.20],
            &[3.37, 3.36, 3.38],
            &[3.16, 3.22, 3.23],
            &[3.20, 3.19, 3.18, 3.27, 3.24],
            &[3.27, 3.31, 3.29],
            &[3.27, 3.24, 3.23],
            &[3.25, 3.26, 3.26],
        ],
    ];
    /// Repeatability and reproducibility: as printed, and by lme4.
    const EXPECTED: [[f64; 4]; 4] = [
        [0.015, 0.026, 0.015_140_02, 0.027_070_03],
        [0.029, 0.061, 0.028_795_98, 0.061_546_28],
        [0.017, 0.035, 0.017_093_05, 0.035_594_19],
        [0.026, 0.058, 0.026_096_06, 0.059_831_85],
    ];
    for (laboratories, [printed_r, printed_all, within, all]) in LEVELS.iter().zip(EXPECTED) {
        let of: Vec<usize> = laboratories
            .iter()
            .enumerate()
            .flat_map(|(i, readings)| std::iter::repeat_n(i, readings.len()))
            .collect();
        let laboratory = DMatrix::from_fn(of.len(), of.len(), |i, j| {
            f64::from(u8::from(of[i] == of[j]))
        });
        let found = fit(&laboratories.concat(), None, vec![laboratory]);
        let [found_r, found_all] = [
            found.variances[0].sqrt(),
            (found.variances[0] + found.variances[1]).sqrt(),
        ];
        assert_near(found_r, within, 1e-4);
        assert_near(found_all, all, 1e-4);
        assert!((found_r - printed_r).abs() < 0.0005, "{found_r}");
        assert!((found_all - printed_all).abs() < 0.002, "{found_all}");
    }
}

/// What is known beforehand, worth endlessly much, is what is found; worth nothing it changes nothing.
#[test]
fn a_prior_is_worth_its_degrees_of_freedom() {
    let rows = columns(include_str!("data/dyestuff.csv"), ["Batch", "Yield"]);
    let with = |degrees_of_freedom: f64| {
        let block = Block {
            design: DMatrix::from_element(30, 1, 1.0),
            kernels: vec![DMatrix::identity(30, 30), same(&rows, 0)],
            responses: DMatrix::from_column_slice(30, 1, &numbers(&rows, 1)),
        };
        let prior = Prior {
            variance: 400.0,
            degrees_of_freedom,
        };
        let of_batches = Component {
            bound: Bound::NonNegative,
            prior: Some(prior),
        };
        let components = vec![Component::new(Bound::NonNegative), of_batches];
        Model {
            blocks: vec![block],
            components,
        }
        .fit()
        .unwrap()
        .variances[1]
    };
    assert_near(with(1e-6), 1764.05, 1e-3);
    assert_near(with(1e7), 400.0, 1e-3);
    assert!((400.0..1764.0).contains(&with(5.0)));
}

#[test]
fn what_cannot_be_fitted_is_refused() {
    let block = |unknowns: usize, rows: usize| Block {
        design: DMatrix::from_element(rows, unknowns, 1.0),
        kernels: vec![DMatrix::identity(rows, rows)],
        responses: DMatrix::from_element(rows, 1, 1.0),
    };
    let model = |blocks: Vec<Block>| Model {
        blocks,
        components: vec![Component::new(Bound::NonNegative)],
    };
    assert_eq!(
        model(vec![block(2, 4)]).fit().unwrap_err(),
        MixedError::Rank
    );
    assert_eq!(
        model(vec![block(1, 1)]).fit().unwrap_err(),
        MixedError::NoDegreesOfFreedom
    );
    assert_eq!(
        model(vec![block(1, 3), block(2, 3)]).fit().unwrap_err(),
        MixedError::Shape
    );
}
