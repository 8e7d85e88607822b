//! What a stretch of samples tells: rate, noise, mains hum.

use std::f64::consts::{SQRT_2, TAU};

/// Least samples that are judged.
const SAMPLES_MIN: usize = 32;
/// Frequencies of mains, Hz.
const MAINS_HZ: [f64; 2] = [50.0, 60.0];
/// A mains is within this of its nominal frequency, and so is a board's clock with a resonator.
const MAINS_OFF_HZ: f64 = 0.6;
/// What looks slower than this may be a drift.
const ALIAS_HZ_MIN: f64 = 2.0;
/// Hum is told when it makes up so much of the noise, and chance alone would not.
const HUM_SHARE_MIN: f64 = 0.2;
const HUM_CHANCE_MAX: f64 = 1e-6;

/// Level and noise of a stretch of samples, counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Noise {
    pub(super) mean: f64,
    /// Root mean square about a straight line: a slow drift is no noise.
    pub(super) rms: f64,
    /// Greatest distance from that line.
    pub(super) peak: f64,
}

/// A mains hum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hum {
    /// 50 or 60 Hz.
    pub(super) mains_hz: f64,
    /// Its amplitude, counts.
    pub(super) amplitude: f64,
}

/// Samples with the straight line through them taken out.
#[derive(Debug)]
pub(super) struct Detrended {
    /// Time since the first sample, s, and what is left of it, counts.
    rest: Vec<(f64, f64)>,
    mean: f64,
}

impl Detrended {
    /// Of samples at these times in seconds; `None` without any.
    pub(super) fn of(samples: impl Iterator<Item = (f64, f64)>) -> Option<Self> {
        let mut rest: Vec<(f64, f64)> = samples.collect();
        let from_s = rest.first()?.0;
        let n = rest.len() as f64;
        let mid_s = rest.iter().map(|(at_s, _)| at_s).sum::<f64>() / n;
        let mean = rest.iter().map(|(_, counts)| counts).sum::<f64>() / n;
        let (mut up, mut down) = (0.0, 0.0);
        for (at_s, counts) in &rest {
            up += (at_s - mid_s) * (counts - mean);
            down += (at_s - mid_s).powi(2);
        }
        let slope = if down > 0.0 { up / down } else { 0.0 };
        for (at_s, counts) in &mut rest {
            *counts -= mean + slope * (*at_s - mid_s);
            *at_s -= from_s;
        }
        Some(Self { rest, mean })
    }

    pub(super) fn noise(&self) -> Noise {
        let squares: f64 = self.rest.iter().map(|(_, counts)| counts * counts).sum();
        let peaks = self.rest.iter().map(|(_, counts)| counts.abs());
        Noise {
            mean: self.mean,
            rms: (squares / self.rest.len() as f64).sqrt(),
            peak: peaks.fold(0.0, f64::max),
        }
    }

    /// Hum of the mains, if there is any: the sine of 50 or 60 Hz that fits best. The times of the
    /// samples are known, so it is found though it is faster than half the sample rate, at which
    /// it looks like a slower one.
    pub(super) fn hum(&self) -> Option<Hum> {
        let n = self.rest.len();
        let seconds = self.rest.last()?.0;
        if n < SAMPLES_MIN || seconds <= 0.0 {
            return None;
        }
        let rate_hz = (n - 1) as f64 / seconds;
        let power: f64 = self.rest.iter().map(|(_, counts)| counts * counts).sum();
        let step_hz = 0.25 / seconds;
        let mut tried = 0.0;
        let mut best: Option<(f64, Hum)> = None;
        for mains_hz in MAINS_HZ {
            let alias_hz = (mains_hz - rate_hz * (mains_hz / rate_hz).round()).abs();
            if alias_hz < ALIAS_HZ_MIN {
                continue;
            }
            let mut hz = mains_hz - MAINS_OFF_HZ;
            while hz <= mains_hz + MAINS_OFF_HZ {
                let (fitted, amplitude) = self.sine(hz);
                tried += 1.0;
                if best.is_none_or(|(most, _)| fitted > most) {
                    best = Some((
                        fitted,
                        Hum {
                            mains_hz,
                            amplitude,
                        },
                    ));
                }
                hz += step_hz;
            }
        }
        let (fitted, hum) = best?;
        let share = fitted / power;
        // Of noise alone, a sine takes a share r with the chance (1 − r)^(n/2 − 2): two of the n
        // degrees of freedom are the sine's, two the line's.
        let chance = tried * (1.0 - share).max(0.0).powf(0.5 * n as f64 - 2.0);
        let is_hum = power > 0.0 && share >= HUM_SHARE_MIN && chance < HUM_CHANCE_MAX;
        // Less than the step of the converter is its rounding.
        (is_hum && hum.amplitude > 1.0).then_some(hum)
    }

    /// Sum of squares that a sine of this frequency takes off, and its amplitude: least squares.
    fn sine(&self, hz: f64) -> (f64, f64) {
        let (mut cc, mut cs, mut ss, mut yc, mut ys) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (at_s, counts) in &self.rest {
            let (sin, cos) = (TAU * hz * at_s).sin_cos();
            cc += cos * cos;
            cs += cos * sin;
            ss += sin * sin;
            yc += counts * cos;
            ys += counts * sin;
        }
        let determinant = cc * ss - cs * cs;
        if determinant <= 1e-9 * cc * ss {
            return (0.0, 0.0);
        }
        let a = (yc * ss - ys * cs) / determinant;
        let b = (ys * cc - yc * cs) / determinant;
        (a * yc + b * ys, a.hypot(b))
    }
}

/// Standard deviation of the noise alone, counts: from the smallest tenth of the steps from sample
/// to sample, which a load that comes, goes and pulses leaves as they are.
pub(super) fn noise_between(samples: &[(u64, i32)]) -> f64 {
    /// Of a normal distribution's absolute value.
    const TENTH_PER_SIGMA: f64 = 0.125_661_35;
    let pairs = samples.windows(2);
    let mut steps: Vec<f64> = pairs
        .map(|pair| (f64::from(pair[1].1) - f64::from(pair[0].1)).abs())
        .collect();
    steps.sort_by(f64::total_cmp);
    let tenth = steps.get(steps.len() / 10).copied();
    tenth.unwrap_or(0.0) / TENTH_PER_SIGMA / SQRT_2
}

/// The middle one; sorts them.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn samples(
        rate_hz: f64,
        n: u32,
        counts: impl Fn(f64) -> f64,
    ) -> impl Iterator<Item = (f64, f64)> {
        let at = move |i| f64::from(i) / rate_hz;
        (0..n).map(move |i| (at(i), counts(at(i)).round()))
    }

    /// A cheap noise of about one count, the same in every run.
    fn hiss(at_s: f64) -> f64 {
        let x = (at_s * 12_345.678).sin() * 43_758.545;
        4.0 * (x - x.floor() - 0.5)
    }

    #[test]
    fn a_cosine_has_its_rms_and_peak_and_a_drift_has_none() {
        // 7 whole turns of amplitude 1000: rms 1000/√2.
        let cosine = samples(1000.0, 1000, |at| 5000.0 + 1000.0 * (TAU * 7.0 * at).cos());
        let noise = Detrended::of(cosine).unwrap().noise();
        assert!((noise.mean - 5000.0).abs() < 1.0, "{noise:?}");
        assert!((noise.rms - 1000.0 / SQRT_2).abs() < 10.0, "{noise:?}");
        assert!((noise.peak - 1000.0).abs() < 50.0, "{noise:?}");
        let drift = Detrended::of(samples(80.0, 400, |at| 300.0 * at)).unwrap();
        assert!(drift.noise().rms < 0.5);
    }

    #[test]
    fn hum_is_found_although_it_is_faster_than_half_the_rate() {
        for (mains_hz, rate_hz) in [(50.0, 80.0), (60.0, 80.0), (50.02, 79.3), (59.9, 320.0)] {
            let humming = |at: f64| hiss(at) + 12.0 * (TAU * mains_hz * at + 0.6).sin();
            let hum = Detrended::of(samples(rate_hz, 400, humming))
                .unwrap()
                .hum()
                .unwrap();
            assert!((hum.mains_hz - mains_hz).abs() < 0.5, "{hum:?}");
            assert!((hum.amplitude - 12.0).abs() < 1.0, "{hum:?}");
        }
    }

    #[test]
    fn noise_and_other_frequencies_are_no_hum() {
        let hum = |samples: Vec<(f64, f64)>| Detrended::of(samples.into_iter()).unwrap().hum();
        assert_eq!(hum(samples(80.0, 400, hiss).collect()), None);
        let slow = |at: f64| hiss(at) + 50.0 * (TAU * 7.0 * at).sin();
        assert_eq!(hum(samples(80.0, 400, slow).collect()), None);
        // At ten a second both look like no frequency at all.
        let humming = |at: f64| hiss(at) + 50.0 * (TAU * 50.05 * at).sin();
        assert_eq!(hum(samples(10.0, 400, humming).collect()), None);
    }
}
