//! Zero of a load cell from a quiet stretch.
//!
//! ```
//! use leverarm_torque::calibration::tare::tare;
//!
//! // Twenty seconds at 10 Hz of a converter that flickers between two counts.
//! let counts: Vec<f64> = (0..200).map(|n| 8_391.0 + f64::from(n % 2)).collect();
//! let zero = tare(&counts)?;
//! assert_eq!(zero.measured.value, 8_391.5);
//! # Ok::<(), leverarm_torque::calibration::tare::TareError>(())
//! ```

use crate::regression::inflation;
use crate::uncertainty::{Assessed, Measured};

/// A stretch that gives no zero.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum TareError {
    /// Not enough samples.
    #[error("tare: expected at least {expected} samples of the load cell, found {found}")]
    TooFewSamples {
        /// Needed.
        expected: usize,
        /// Given.
        found: usize,
    },
    /// The converter gives one count only.
    #[error(
        "tare: the load cell gives {counts} counts and nothing else: converter stuck, or at the end of its range"
    )]
    Stuck {
        /// The count.
        counts: f64,
    },
    /// Something moves.
    #[error(
        "tare: the signal moves by {moved:.0} counts while its noise is {noise:.0}; let it come to rest, take hands and weights off"
    )]
    Moving {
        /// Greatest difference between means of parts of the stretch.
        moved: f64,
        /// Scatter from sample to sample, one standard deviation.
        noise: f64,
    },
}

const SAMPLES_MIN: usize = 20;
const BLOCKS: usize = 5;
/// The means of the parts of a quiet stretch differ by chance by about 2.3 of their own standard
/// deviations; by so many they do once in millions of times.
const MOVING_SIGMA: f64 = 7.0;

/// Mean counts of a stretch that is at rest, with the standard uncertainty of the mean.
///
/// At rest means that the means of five parts of it lie as near to each other as the scatter from
/// sample to sample lets them; that scatter does not see a slow movement.
///
/// # Errors
/// See [`TareError`].
pub fn tare(counts: &[f64]) -> Result<Assessed, TareError> {
    let found = counts.len();
    if found < SAMPLES_MIN {
        return Err(TareError::TooFewSamples {
            expected: SAMPLES_MIN,
            found,
        });
    }
    let n = found as f64;
    let steps = counts.windows(2).map(|w| match w {
        [a, b] => (b - a).powi(2),
        _ => 0.0,
    });
    let noise = (steps.sum::<f64>() / (2.0 * (n - 1.0))).sqrt();
    if noise <= 0.0 {
        return Err(TareError::Stuck {
            counts: counts.first().copied().unwrap_or(0.0),
        });
    }
    let block = found.div_ceil(BLOCKS);
    let means = counts
        .chunks(block)
        .filter(|part| 2 * part.len() > block)
        .map(|part| part.iter().sum::<f64>() / part.len() as f64);
    let (low, high) = means.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), m| {
        (low.min(m), high.max(m))
    });
    let moved = high - low;
    // A coarse converter steps by whole counts.
    let allowed = MOVING_SIGMA * noise.max(0.3) / (block as f64).sqrt();
    if moved > allowed {
        return Err(TareError::Moving { moved, noise });
    }
    let mean = counts.iter().sum::<f64>() / n;
    let residuals: Vec<f64> = counts.iter().map(|c| c - mean).collect();
    let variance = residuals.iter().map(|r| r * r).sum::<f64>() / (n - 1.0);
    let inflation = inflation(&residuals).min((0.25 * n).max(1.0));
    Ok(Assessed::type_a(
        Measured::new(mean, (variance * inflation / n).sqrt()),
        n / inflation - 1.0,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quiet(seed: u64, count: u32, path: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut rng = fastrand::Rng::with_seed(seed);
        (0..count)
            .map(|i| {
                let noise: f64 = (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0;
                (path(f64::from(i) / 80.0) + 40.0 * noise).round()
            })
            .collect()
    }

    #[test]
    fn a_quiet_signal_gives_its_mean() {
        for seed in 0..200 {
            let zero = tare(&quiet(seed, 240, |_| -12_480.0)).unwrap();
            let u = zero.standard_uncertainty();
            // 40/√240, somewhat more where neighbours happen to hang together.
            assert!((2.2..4.5).contains(&u), "{seed}: {u}");
            assert!((zero.value() + 12_480.0).abs() < 5.0 * u, "{seed}");
        }
    }

    #[test]
    fn what_moves_is_refused() {
        let moving: [&dyn Fn(f64) -> f64; 4] = [
            &|t| 60.0 * t,
            &|t| if t > 1.7 { 200.0 } else { 0.0 },
            &|t| 150.0 * (1.5 * t).sin(),
            &|t| 5000.0 * (-t).exp(),
        ];
        for (which, path) in moving.iter().enumerate() {
            let error = tare(&quiet(1, 240, path)).unwrap_err();
            assert!(
                matches!(error, TareError::Moving { .. }),
                "{which}: {error}"
            );
        }
    }

    #[test]
    fn stuck_and_short_are_refused() {
        assert_eq!(
            tare(&[8_388_607.0; 240]),
            Err(TareError::Stuck {
                counts: 8_388_607.0
            })
        );
        let error = tare(&[1.0, 2.0]).unwrap_err();
        assert_eq!(
            error,
            TareError::TooFewSamples {
                expected: 20,
                found: 2
            }
        );
    }
}
