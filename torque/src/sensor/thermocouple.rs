//! Type K thermocouple, ITS-90 (NIST Monograph 175).

use super::{END_SLACK_K, LawError, in_range, polynomial, polynomial_slope};
use crate::ZERO_CELSIUS_K;

pub(super) const NAME: &str = "thermocouple type K";

/// Range of the law in °C: the published inverse starts at −200 °C.
const CELSIUS: (f64, f64) = (-200.0, 1372.0);

/// EMF in mV over t in °C below 0 °C.
const FORWARD_NEGATIVE: [f64; 11] = [
    0.0,
    0.039_450_128_025,
    2.362_237_359_8e-5,
    -3.285_890_678_4e-7,
    -4.990_482_877_7e-9,
    -6.750_905_917_3e-11,
    -5.741_032_742_8e-13,
    -3.108_887_289_4e-15,
    -1.045_160_936_5e-17,
    -1.988_926_687_8e-20,
    -1.632_269_748_6e-23,
];

/// EMF in mV over t in °C from 0 °C, to which the exponential term is added.
const FORWARD_POSITIVE: [f64; 10] = [
    -0.017_600_413_686,
    0.038_921_204_975,
    1.855_877_003_2e-5,
    -9.945_759_287_4e-8,
    3.184_094_571_9e-10,
    -5.607_284_488_9e-13,
    5.607_505_905_9e-16,
    -3.202_072_000_3e-19,
    9.715_114_715_2e-23,
    -1.210_472_127_5e-26,
];

/// a₀ exp(a₁ (t − a₂)²), mV, t in °C.
const EXPONENTIAL: (f64, f64, f64) = (0.118_597_6, -1.183_432e-4, 126.968_6);

/// t in °C over EMF in mV, with the largest EMF of each piece.
const INVERSE: [(f64, &[f64]); 3] = [
    (
        0.0,
        &[
            0.0,
            25.173_462,
            -1.166_287_8,
            -1.083_363_8,
            -0.897_735_4,
            -0.373_423_77,
            -0.086_632_643,
            -0.010_450_598,
            -5.192_057_7e-4,
        ],
    ),
    (
        20.644,
        &[
            0.0,
            25.083_55,
            0.078_601_06,
            -0.250_313_1,
            0.083_152_7,
            -0.012_280_34,
            9.804_036e-4,
            -4.413_03e-5,
            1.057_734e-6,
            -1.052_755e-8,
        ],
    ),
    (
        f64::INFINITY,
        &[
            -131.805_8,
            48.302_22,
            -1.646_031,
            0.054_647_31,
            -9.650_715e-4,
            8.802_193e-6,
            -3.110_81e-8,
        ],
    ),
];

/// EMF in mV and its slope in mV/K at t in °C.
fn forward(celsius: f64) -> (f64, f64) {
    if celsius < 0.0 {
        let c = &FORWARD_NEGATIVE;
        (polynomial(c, celsius), polynomial_slope(c, celsius))
    } else {
        let c = &FORWARD_POSITIVE;
        let (a0, a1, a2) = EXPONENTIAL;
        let from_peak = celsius - a2;
        let bump = a0 * (a1 * from_peak * from_peak).exp();
        (
            polynomial(c, celsius) + bump,
            polynomial_slope(c, celsius) + 2.0 * a1 * from_peak * bump,
        )
    }
}

/// Thermoelectric voltage against a reference junction at 0 °C.
///
/// # Errors
/// A temperature outside −200 °C to 1372 °C.
pub fn type_k_emf_v(temperature_k: f64) -> Result<f64, LawError> {
    let (min, max) = CELSIUS;
    let range_k = (min + ZERO_CELSIUS_K, max + ZERO_CELSIUS_K);
    let kelvin = in_range(NAME, "temperature", "K", range_k, temperature_k)?;
    let (mv, _) = forward(kelvin - ZERO_CELSIUS_K);
    Ok(mv / 1000.0)
}

/// Temperature of the measuring junction from the voltage against 0 °C.
///
/// The published inverse polynomial is good to 0.06 K; Newton steps on the reference
/// function take away that error, so that both ways agree.
///
/// # Errors
/// A voltage outside that of −200 °C to 1372 °C.
pub fn type_k_temperature_k(emf_v: f64) -> Result<f64, LawError> {
    let (min, max) = CELSIUS;
    let range_v = (
        forward(min - END_SLACK_K).0 / 1000.0,
        forward(max + END_SLACK_K).0 / 1000.0,
    );
    let mv = in_range(NAME, "voltage", "V", range_v, emf_v)? * 1000.0;
    let mut celsius = INVERSE
        .iter()
        .find(|(mv_max, _)| mv <= *mv_max)
        .map_or(0.0, |(_, coefficients)| polynomial(coefficients, mv));
    for _ in 0..3 {
        let (at, slope) = forward(celsius);
        celsius -= (at - mv) / slope;
    }
    Ok(celsius + ZERO_CELSIUS_K)
}
