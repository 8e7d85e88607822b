//! Load cell calibration: dead weights, drift, creep.

use leverarm_torque::calibration::{
    dead_weight_force_n, gravity_m_per_s2,
    load_cell::{Curve, Direction, LoadCell, LoadCellError, LoadPoint, TimedCounts},
};
use leverarm_torque::{regression::FitError, uncertainty::Measured};

use crate::common::{Noise, close, close_rel, same};

const UP: Direction = Direction::Loading;
const DOWN: Direction = Direction::Unloading;

fn points(readings: &[(f64, f64, Direction)]) -> Vec<LoadPoint> {
    readings
        .iter()
        .map(|&(load, counts, direction)| LoadPoint::new(load, counts, direction))
        .collect()
}

/// A cell loaded to 200 N and back.
fn up_and_down() -> Vec<LoadPoint> {
    points(&[
        (0.0, 83_120.0, UP),
        (50.0, 181_340.0, UP),
        (100.0, 279_610.0, UP),
        (150.0, 377_830.0, UP),
        (200.0, 476_100.0, UP),
        (150.0, 377_905.0, DOWN),
        (100.0, 279_700.0, DOWN),
        (50.0, 181_400.0, DOWN),
        (0.0, 83_135.0, DOWN),
    ])
}

#[test]
fn straight_line_through_weights_up_and_down() {
    let cell = LoadCell::calibrate(&up_and_down(), Curve::Linear).unwrap();
    // scipy 1.17.1 stats.linregress on the same readings; its standard errors carry 8 digits.
    let [at_zero, per_count] = *cell.fit.coefficients() else {
        panic!("{:?}", cell.fit)
    };
    same("slope", per_count, 0.000_508_926_349_427_246);
    same("intercept", at_zero, -42.308_931_151_125_62);
    let errors = cell.fit.standard_errors();
    close_rel("s(slope)", errors[1], 5.231_399_353_535_154_6e-8, 1e-8);
    close_rel("s(intercept)", errors[0], 0.015_084_253_866_158_531, 1e-8);
    close("r²", cell.fit.r_squared(), 0.999_999_926_035_405_1, 1e-13);
    // Largest gap between the two ways: 90 counts at 100 N; between the zeros 15 counts.
    close_rel(
        "hysteresis",
        cell.hysteresis.unwrap(),
        90.0 * per_count,
        1e-9,
    );
    close_rel(
        "zero return",
        cell.zero_return.unwrap(),
        15.0 * per_count,
        1e-9,
    );
    close("zero counts", cell.zero_counts.unwrap(), 83_127.5, 1e-9);
    close("span", cell.span, 200.0, 0.0);
    // numpy.polyfit leaves 0.0213 N at most on the way up; the 0.0378 N on the way down are
    // hysteresis.
    close("non-linearity", cell.non_linearity, 0.021_288_55, 1e-7);
    close(
        "residual on the way down",
        cell.fit.residuals()[6],
        -0.037_768_78,
        1e-7,
    );
}

#[test]
fn non_linearity_of_a_known_bow() {
    // load = x + 4·0.001·x(1 − x) on 0..1 leaves the best straight line by at most 1/1000 between
    // two parallels, whose middle is the line: about half a thousandth at middle and ends.
    let bow: Vec<LoadPoint> = (0..=100_u8)
        .map(|i| {
            let x = f64::from(i) / 100.0;
            let load = x + 0.004 * x * (1.0 - x);
            LoadPoint::new(load, 1e6 * x, UP)
        })
        .collect();
    let line = LoadCell::calibrate(&bow, Curve::Linear).unwrap();
    // Least squares weighs the middle: the parabola's mean over 0..1 is 2/3 of its height.
    close(
        "non-linearity",
        line.non_linearity,
        0.001 * 2.0 / 3.0,
        0.02e-3,
    );
    assert_eq!(line.hysteresis, None);
    assert_eq!(line.zero_return, None);
    let curve = LoadCell::calibrate(&bow, Curve::Quadratic).unwrap();
    let [at_zero, per_count, per_count_squared] = *curve.fit.coefficients() else {
        panic!("{:?}", curve.fit)
    };
    close("c0", at_zero, 0.0, 1e-12);
    close_rel("c1", per_count, 1.004e-6, 1e-10);
    close_rel("c2", per_count_squared, -0.004e-12, 1e-9);
    close(
        "curved non-linearity is still that of the line",
        curve.non_linearity,
        line.non_linearity,
        0.0,
    );
}

#[test]
fn standard_errors_mean_what_they_say() {
    // Over many calibrations with known scatter, the error of the load at half span divided by
    // its standard uncertainty spreads like Student's t: 95 % of 6 degrees of freedom within 2.447.
    let (mut within, trials) = (0, 2_000);
    for seed in 0..trials {
        let mut noise = Noise::new(seed);
        let readings: Vec<LoadPoint> = (0..8_u8)
            .map(|i| {
                let counts = 1e5 * f64::from(i);
                let load = 0.001 * counts + 3.0 + 0.05 * noise.normal();
                LoadPoint::new(load, counts, UP)
            })
            .collect();
        let found = LoadCell::calibrate(&readings, Curve::Linear)
            .unwrap()
            .fit
            .at(350_000.0);
        let error = found.value - 353.0;
        within += u32::from(error.abs() < 2.447 * found.standard_uncertainty);
    }
    // Three standard deviations of a binomial of 2000 at 0.95.
    assert!((1871..=1929).contains(&within), "{within} of {trials}");
}

#[test]
fn drift_of_span_and_zero() {
    let earlier = LoadCell::calibrate(&up_and_down(), Curve::Linear).unwrap();
    let again = earlier.drift_since(&earlier).unwrap();
    assert!(!again.span_moved, "{again:?}");
    close("no drift", again.span.value, 0.0, 1e-15);
    // The same weights give 1 % fewer counts and the zero sits 500 counts higher.
    let moved: Vec<LoadPoint> = up_and_down()
        .into_iter()
        .map(|p| LoadPoint {
            counts: (p.counts - 83_120.0) / 1.01 + 83_620.0,
            ..p
        })
        .collect();
    let now = LoadCell::calibrate(&moved, Curve::Linear).unwrap();
    let drift = now.drift_since(&earlier).unwrap();
    close("span drift", drift.span.value, 0.01, 1e-9);
    assert!(drift.span_moved, "{drift:?}");
    close("zero shift", drift.zero.unwrap(), 0.257, 0.001);
    // t of 7 degrees of freedom, 95 %: 2.365.
    let k = drift.span_expanded_uncertainty / drift.span.standard_uncertainty;
    close("k", k, 2.364_624_251_592_784, 1e-9);
}

#[test]
fn creep_under_constant_load() {
    let cell = LoadCell::calibrate(&up_and_down(), Curve::Linear).unwrap();
    let at = |time_s, counts| TimedCounts { time_s, counts };
    let readings = [
        at(0.0, 476_100.0),
        at(60.0, 476_180.0),
        at(1800.0, 476_160.0),
    ];
    let creep = cell.creep(&readings).unwrap();
    let per_count = cell.fit.coefficients()[1];
    close("duration", creep.duration_s, 1800.0, 0.0);
    close_rel("change", creep.change, 60.0 * per_count, 1e-9);
    close_rel("largest", creep.largest_change, 80.0 * per_count, 1e-9);
    for bad in [&readings[..1], &[], &[readings[1], readings[0]]] {
        assert!(
            matches!(cell.creep(bad), Err(LoadCellError::TooFewReadings { .. })),
            "{bad:?}"
        );
    }
}

#[test]
fn too_little_to_calibrate_with() {
    let twice = points(&[
        (0.0, 1.0, UP),
        (9.0, 2.0, UP),
        (9.0, 2.1, DOWN),
        (0.0, 1.1, DOWN),
    ]);
    assert_eq!(
        LoadCell::calibrate(&twice, Curve::Linear).map(|_| ()),
        Err(LoadCellError::TooFewLoads {
            expected: 3,
            found: 2
        })
    );
    let stuck = points(&[(0.0, 7.0, UP), (5.0, 7.0, UP), (9.0, 7.0, UP)]);
    assert_eq!(
        LoadCell::calibrate(&stuck, Curve::Linear).map(|_| ()),
        Err(LoadCellError::Fit(FitError::Singular { unknowns: 2 }))
    );
}

#[test]
fn weights_in_newtons() {
    // Moritz, Geodetic Reference System 1980: normal gravity at equator and pole, and at 45° (from
    // memory).
    for (latitude, gravity) in [
        (0.0, 9.780_326_771_5),
        (90.0, 9.832_186_368_5),
        (45.0, 9.806_199_203),
    ] {
        close(
            &format!("g at {latitude}°"),
            gravity_m_per_s2(latitude, 0.0),
            gravity,
            2e-8,
        );
        close("south", gravity_m_per_s2(-latitude, 0.0), gravity, 2e-8);
    }
    close(
        "at 1000 m",
        gravity_m_per_s2(45.0, 1000.0),
        9.806_199_203 - 0.003_086,
        2e-8,
    );
    // 10 kg of steel (7850 kg/m³) in air: buoyancy takes 153 mg per kg.
    let force = dead_weight_force_n(
        Measured::new(10.0, 0.005),
        Measured::new(9.81, 0.001),
        7850.0,
    );
    close("force", force.value, 98.1 * (1.0 - 1.2 / 7850.0), 1e-9);
    let relative = (0.000_5_f64.powi(2) + (0.001_f64 / 9.81).powi(2)).sqrt();
    close_rel(
        "u(force)",
        force.relative_standard_uncertainty(),
        relative,
        1e-6,
    );
}
