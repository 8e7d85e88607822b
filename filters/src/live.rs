//! Filters for live values: Butterworth chains of biquads in f64 (in f32 a low cut-off is off by
//! parts in a thousand).
//!
//! ```
//! // A step through a fourth-order low-pass of 20 Hz at 1 kHz.
//! use leverarm_filters::live::LowPass;
//!
//! let mut filter = LowPass::butterworth(4, 20.0, 1000.0)?;
//! let after: Vec<f64> = (0..500).map(|_| filter.run(1.0)).collect();
//! assert!(after[0] < 0.001);
//! assert!((after[499] - 1.0).abs() < 1e-6);
//! # Ok::<(), leverarm_filters::live::FilterError>(())
//! ```

use biquad::{Biquad, Coefficients, DirectForm2Transposed, ToHertz, Type};

/// Why a filter can't be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// Cut-off not between zero and half the sample rate.
    #[error("cut-off {cutoff_hz} Hz must lie between 0 and half the sample rate {sample_hz} Hz")]
    Cutoff {
        /// Cut-off asked for.
        cutoff_hz: f64,
        /// Sample rate.
        sample_hz: f64,
    },
    /// Odd or zero order.
    #[error("filter order {order} must be 2, 4, 6 or 8")]
    Order {
        /// Order asked for.
        order: u32,
    },
}

/// A Butterworth low-pass as a chain of biquads.
#[derive(Debug, Clone)]
pub struct LowPass {
    sections: Vec<DirectForm2Transposed<f64>>,
    coefficients: Vec<Coefficients<f64>>,
}

impl LowPass {
    /// An `order`-pole Butterworth low-pass (even order, 2 to 8), bilinear with pre-warping.
    ///
    /// # Errors
    /// When the cut-off is not between zero and the Nyquist frequency, or the order is not 2, 4, 6
    /// or 8.
    pub fn butterworth(order: u32, cutoff_hz: f64, sample_hz: f64) -> Result<Self, FilterError> {
        if !(2..=8).contains(&order) || !order.is_multiple_of(2) {
            return Err(FilterError::Order { order });
        }
        let bad = FilterError::Cutoff {
            cutoff_hz,
            sample_hz,
        };
        if !(cutoff_hz > 0.0 && sample_hz > 0.0 && cutoff_hz.is_finite() && sample_hz.is_finite()) {
            return Err(bad);
        }
        let coefficients = (0..order / 2)
            .map(|section| {
                // Pole pair k of an n-pole Butterworth: 1/Q = 2 sin((2k+1) pi / 2n).
                let angle =
                    f64::from(2 * section + 1) * std::f64::consts::PI / f64::from(2 * order);
                let q = 0.5 / angle.sin();
                Coefficients::<f64>::from_params(Type::LowPass, sample_hz.hz(), cutoff_hz.hz(), q)
                    .ok()
                    .ok_or_else(|| bad.clone())
            })
            .collect::<Result<Vec<_>, _>>()?;
        let sections = coefficients
            .iter()
            .map(|c| DirectForm2Transposed::new(*c))
            .collect();
        Ok(Self {
            sections,
            coefficients,
        })
    }

    /// Filters one sample.
    pub fn run(&mut self, sample: f64) -> f64 {
        self.sections
            .iter_mut()
            .fold(sample, |value, section| section.run(value))
    }

    /// Sets the state as if `value` had been the input for ever, so that a start makes no step.
    pub fn settle(&mut self, value: f64) {
        for (section, c) in self.sections.iter_mut().zip(&self.coefficients) {
            // Steady state of the transposed form 2 at unity DC gain.
            section.s2 = (c.b2 - c.a2) * value;
            section.s1 = (c.b1 - c.a1) * value + section.s2;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1 `sosfilt(butter(2, 20, fs=1000))`, zero state.
    #[test]
    fn impulse_and_step_match_scipy() {
        let impulse = [
            0.003_621_681_514_928_641_7,
            0.013_844_583_547_794_996,
            0.025_824_128_377_959_502,
            0.035_479_076_426_629_77,
            0.043_048_046_115_762_4,
            0.048_761_023_406_932_225,
            0.052_837_435_580_654_38,
            0.055_484_691_600_496_49,
        ];
        let mut filter = LowPass::butterworth(2, 20.0, 1000.0).unwrap();
        let mut step_filter = filter.clone();
        let mut sum = 0.0;
        for (i, expected) in impulse.iter().enumerate() {
            let found = filter.run(if i == 0 { 1.0 } else { 0.0 });
            assert!((found - expected).abs() < 1e-12);
            sum += expected;
            assert!((step_filter.run(1.0) - sum).abs() < 1e-12);
        }
    }

    /// `|H| = 1/sqrt(1+(tan(pi f/fs)/tan(pi fc/fs))^(2n))`, the bilinear Butterworth magnitude.
    #[test]
    fn magnitude_of_the_fourth_order_chain() {
        let (fc, fs) = (20.0, 1000.0);
        for f in [5.0, 10.0, 20.0, 50.0, 100.0] {
            let mut filter = LowPass::butterworth(4, fc, fs).unwrap();
            let w = std::f64::consts::TAU * f / fs;
            let (mut re, mut im) = (0.0, 0.0);
            for n in 0..4000_i32 {
                let h = filter.run(if n == 0 { 1.0 } else { 0.0 });
                re += h * (w * f64::from(n)).cos();
                im += h * (w * f64::from(n)).sin();
            }
            let ratio =
                (std::f64::consts::PI * f / fs).tan() / (std::f64::consts::PI * fc / fs).tan();
            let expected = 1.0 / (1.0 + ratio.powi(8)).sqrt();
            assert!((re.hypot(im) - expected).abs() < 1e-9, "{f} Hz");
        }
    }

    #[test]
    fn bad_arguments_are_refused() {
        assert!(LowPass::butterworth(2, 600.0, 1000.0).is_err());
        assert!(LowPass::butterworth(2, f64::NAN, 1000.0).is_err());
        assert!(LowPass::butterworth(3, 20.0, 1000.0).is_err());
    }

    #[test]
    fn a_settled_filter_makes_no_step() {
        let mut filter = LowPass::butterworth(4, 5.0, 200.0).unwrap();
        filter.settle(123.0);
        assert!((filter.run(123.0) - 123.0).abs() < 1e-9);
    }
}
