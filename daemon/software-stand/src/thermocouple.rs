//! Type K thermocouple voltage, the way the wire itself makes it.
//!
//! Kept apart from the reduction's own table, so that an error in either shows.

/// Coefficients of tⁿ from 0 °C up, mV. Reference function of ITS-90, NIST Monograph 175.
const ABOVE_0_C: [f64; 10] = [
    -0.176_004_136_860e-1,
    0.389_212_049_750e-1,
    0.185_587_700_320e-4,
    -0.994_575_928_740e-7,
    0.318_409_457_190e-9,
    -0.560_728_448_890e-12,
    0.560_750_590_590e-15,
    -0.320_207_200_030e-18,
    0.971_511_471_520e-22,
    -0.121_047_212_750e-25,
];

/// Coefficients of tⁿ below 0 °C, mV. Same source.
const BELOW_0_C: [f64; 11] = [
    0.0,
    0.394_501_280_250e-1,
    0.236_223_735_980e-4,
    -0.328_589_067_840e-6,
    -0.499_048_287_770e-8,
    -0.675_090_591_730e-10,
    -0.574_103_274_280e-12,
    -0.310_888_728_940e-14,
    -0.104_516_093_650e-16,
    -0.198_892_668_780e-19,
    -0.163_226_974_860e-22,
];

/// Voltage in V of a type K thermocouple at a temperature in K, its cold junction at 0 °C.
pub(super) fn type_k_v(temperature_k: f64) -> f64 {
    let t = (temperature_k - 273.15).clamp(-270.0, 1372.0);
    let millivolt = if t < 0.0 {
        polynomial(&BELOW_0_C, t)
    } else {
        let bump = 0.118_597_600_000 * (-0.118_343_200_000e-3 * (t - 126.968_6).powi(2)).exp();
        polynomial(&ABOVE_0_C, t) + bump
    };
    millivolt * 1e-3
}

fn polynomial(coefficients: &[f64], t: f64) -> f64 {
    coefficients
        .iter()
        .rev()
        .fold(0.0, |sum, coefficient| sum * t + coefficient)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST ITS-90 reference function, computed with the Python packages
    /// thermocouples_reference 0.20 and thermocouple-its90 1.0.2, which agree to 1e-6 mV.
    #[test]
    fn voltage_is_that_of_the_reference_function() {
        for (celsius, millivolt) in [
            (-200.0, -5.891_403_592_350_401),
            (-50.0, -1.889_383_330_014_719_4),
            (0.0, 0.0),
            (25.0, 1.000_242_354_567_562_5),
            (100.0, 4.096_230_218_723_254),
            (200.0, 8.138_473_326_486_949),
            (300.0, 12.208_565_529_996_957),
        ] {
            let found = 1e3 * type_k_v(celsius + 273.15);
            assert!(
                (found - millivolt).abs() < 1e-6,
                "{celsius} °C: {found} for {millivolt} mV"
            );
        }
    }
}
