//! Least squares against certified data sets and the worked example of JCGM 100, H.3.

use crate::common::{close, close_rel, same};
use crate::norris::NORRIS;
use leverarm_torque::regression::{FitError, Polynomial};

/// NIST/ITL StRD "Pontius": deflection of a load cell in the order of the set; the load rises from
/// 150 000 by 150 000 to 3 000 000 lbf, twice.
const PONTIUS_DEFLECTION: [f64; 40] = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146,
    1.20001, 1.30822, 1.41599, 1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844,
    0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739, 0.76596, 0.87474, 0.983, 1.0915, 1.20004,
    1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177, 2.16829,
];

fn unzip(points: &[(f64, f64)]) -> (Vec<f64>, Vec<f64>) {
    points.iter().copied().unzip()
}

#[test]
fn norris() {
    // Certified values of NIST/ITL StRD Norris.dat, as shipped in scipy 1.17.1.
    let (x, y) = unzip(&NORRIS);
    let fit = Polynomial::fit(&x, &y, 1).unwrap();
    let [b0, b1] = fit.coefficients() else {
        panic!("two coefficients")
    };
    close_rel("b0", *b0, -0.262_323_073_774_029, 1e-11);
    same("b1", *b1, 1.002_116_818_020_45);
    let errors = fit.standard_errors();
    close_rel("s(b0)", errors[0], 0.232_818_234_301_152, 1e-11);
    close_rel("s(b1)", errors[1], 0.000_429_796_848_199_937, 1e-11);
    close_rel(
        "residual sd",
        fit.residual_sd(),
        0.884_796_396_144_373,
        1e-11,
    );
    close("r²", fit.r_squared(), 0.999_993_745_883_712, 1e-14);
    assert_eq!(fit.degrees_of_freedom(), 34);
}

#[test]
fn pontius() {
    // Certified values of NIST/ITL StRD Pontius.dat.
    let x: Vec<f64> = (0..40_u32)
        .map(|i| 150_000.0 * f64::from(i % 20 + 1))
        .collect();
    let fit = Polynomial::fit(&x, &PONTIUS_DEFLECTION, 2).unwrap();
    let [b0, b1, b2] = fit.coefficients() else {
        panic!("three coefficients")
    };
    close_rel("b0", *b0, 0.673_565_789_473_684e-3, 1e-10);
    close_rel("b1", *b1, 0.732_059_160_401_003e-6, 1e-10);
    close_rel("b2", *b2, -0.316_081_871_345_029e-14, 1e-10);
    let errors = fit.standard_errors();
    close_rel("s(b0)", errors[0], 0.107_938_612_033_077e-3, 1e-10);
    close_rel("s(b1)", errors[1], 0.157_817_399_981_659e-9, 1e-10);
    close_rel("s(b2)", errors[2], 0.486_652_849_992_036e-16, 1e-10);
    close_rel(
        "residual sd",
        fit.residual_sd(),
        0.205_177_424_076_185e-3,
        1e-10,
    );
    close_rel(
        "rss",
        fit.residual_sum_of_squares(),
        0.155_761_768_796_992e-5,
        1e-10,
    );
    close("r²", fit.r_squared(), 0.999_999_900_178_537, 1e-13);
    // Raw counts of a 24-bit converter sit on a large offset; the curve must not care.
    let offset: Vec<f64> = x.iter().map(|x| x + 8.0e6).collect();
    let shifted = Polynomial::fit(&offset, &PONTIUS_DEFLECTION, 2).unwrap();
    let (plain, moved) = (fit.at(1.0e6), shifted.at(9.0e6));
    same("offset", moved.value, plain.value);
    close_rel(
        "offset, u",
        moved.standard_uncertainty,
        plain.standard_uncertainty,
        1e-9,
    );
}

#[test]
fn calibration_of_a_thermometer() {
    // JCGM 100:2008, H.3, Table H.6: correction b over t − 20 °C. Results recomputed with numpy;
    // the GUM prints −0.1712 °C, 0.00218, 0.0029 °C, 0.00067, r −0.930, s 0.0035 °C.
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160,
    ];
    let fit = Polynomial::fit(&t.map(|t| t - 20.0), &b, 1).unwrap();
    let [y1, y2] = fit.coefficients() else {
        panic!("two coefficients")
    };
    close_rel("y1", *y1, -0.171_203_790_131_350_04, 1e-9);
    close_rel("y2", *y2, 0.002_182_697_739_887_289_4, 1e-9);
    let errors = fit.standard_errors();
    close_rel("s(y1)", errors[0], 0.002_877_6, 1e-4);
    close_rel("s(y2)", errors[1], 0.000_667_938_773_227_832_3, 1e-9);
    close_rel("s", fit.residual_sd(), 0.003_497_563_963_5, 1e-9);
    // At 30 °C the GUM gives −0.1494(41) °C, with the correlation and also by direct means.
    let at_30 = fit.at(10.0);
    close_rel("b(30 °C)", at_30.value, -0.149_376_812_732_477_2, 1e-9);
    close_rel(
        "u(b(30 °C))",
        at_30.standard_uncertainty,
        0.004_138_595_752_854_943,
        1e-8,
    );
}

#[test]
fn rise_counts_the_correlation_of_its_ends() {
    // y2 − y1 of a straight line is the slope times the distance, whatever the intercept does.
    let (x, y) = unzip(&NORRIS);
    let fit = Polynomial::fit(&x, &y, 1).unwrap();
    let rise = fit.rise(100.0, 600.0);
    same("rise", rise.value, 500.0 * fit.coefficients()[1]);
    close_rel(
        "u(rise)",
        rise.standard_uncertainty,
        500.0 * fit.standard_errors()[1],
        1e-11,
    );
    assert_eq!(fit.x_range(), (0.2, 999.0));
}

#[test]
fn fits_that_cannot_be_made() {
    let fit = |x: &[f64], y: &[f64], degree| Polynomial::fit(x, y, degree).map(|_| ());
    assert_eq!(
        fit(&[1.0, 2.0], &[1.0, 2.0], 1),
        Err(FitError::TooFewPoints {
            unknowns: 2,
            points: 2
        })
    );
    assert_eq!(
        fit(&[1.0, 2.0], &[1.0], 1),
        Err(FitError::LengthMismatch { x: 2, y: 1 })
    );
    assert_eq!(
        fit(&[1.0, f64::NAN, 3.0], &[1.0, 2.0, 3.0], 1),
        Err(FitError::NotFinite)
    );
    assert_eq!(
        fit(&[2.0; 3], &[1.0, 2.0, 3.0], 1),
        Err(FitError::Singular { unknowns: 2 })
    );
    // Two different x do not make a parabola.
    assert_eq!(
        fit(&[1.0, 1.0, 2.0, 2.0], &[1.0, 1.1, 2.0, 2.1], 2),
        Err(FitError::Singular { unknowns: 3 })
    );
    assert_eq!(
        fit(&[], &[], 1),
        Err(FitError::TooFewPoints {
            unknowns: 2,
            points: 0
        })
    );
}
