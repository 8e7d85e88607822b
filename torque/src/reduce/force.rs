//! The load cell's samples: means around an instant, and stretches that can't be believed.

use crate::regression::{BATCHES, inflation, variance_of_mean};
use crate::uncertainty::{Assessed, Measured};

/// Half width of the window in which the force is averaged around a point of a sweep.
const HALF_WIDTH_S: f64 = 0.12;
const SAMPLES_MIN: usize = 4;
/// A converter that gives the same count for so long, while it scatters elsewhere, is stuck.
const STUCK_S: f64 = 0.25;
const STUCK_SAMPLES_MIN: usize = 8;
/// So many equal samples at the greatest or least count of a recording are its end.
const CLIPPED_SAMPLES_MIN: usize = 4;
/// Ends of the ranges of the usual converters: 24 bits (weighing converters), 32 bits (the
/// protocol's own).
const RANGE_ENDS: [i32; 4] = [8_388_607, -8_388_608, i32::MAX, i32::MIN];

/// What is wrong with a stretch of samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ForceFaultKind {
    /// At an end of the converter's range, or of the amplifier's before it.
    Clipped,
    /// The same count over and over.
    Stuck,
}

/// A stretch of load-cell samples that can't be believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ForceFault {
    /// What.
    pub kind: ForceFaultKind,
    /// First tick.
    pub tick_from: u64,
    /// Last tick.
    pub tick_to: u64,
    /// The count that it stays at.
    pub counts: i32,
}

/// Looks for clipping and for a stuck converter. `range_counts` are the converter's ends where they
/// are known.
///
/// The force of an engine that fires and the converter's own noise move a live signal by some
/// counts from sample to sample; a signal that does not move at all for a quarter of a second, or
/// that keeps its extreme for some samples, is no measurement.
#[must_use]
pub fn force_faults(
    samples: &[(u64, i32)],
    tick_hz: f64,
    range_counts: Option<(f64, f64)>,
) -> Vec<ForceFault> {
    let counts = || samples.iter().map(|s| s.1);
    let (Some(low), Some(high)) = (counts().min(), counts().max()) else {
        return Vec::new();
    };
    let at_end = |count: i32| match range_counts {
        Some((from, to)) => f64::from(count) <= from || f64::from(count) >= to,
        None => RANGE_ENDS.contains(&count),
    };
    // A coarse converter at rest repeats itself: only what scatters elsewhere can be told.
    let moves = samples.windows(2).filter(|w| w[0].1 != w[1].1).count();
    let scatters = 2 * moves >= samples.len();
    let mut faults: Vec<ForceFault> = Vec::new();
    for run in samples.chunk_by(|a, b| a.1 == b.1) {
        let (Some(first), Some(last)) = (run.first(), run.last()) else {
            continue;
        };
        let count = first.1;
        let lasts_s = last.0.saturating_sub(first.0) as f64 / tick_hz;
        let extreme = count == low || count == high;
        let whole = run.len() == samples.len();
        let kind =
            if at_end(count) || scatters && !whole && extreme && run.len() >= CLIPPED_SAMPLES_MIN {
                ForceFaultKind::Clipped
            } else if (scatters || whole) && run.len() >= STUCK_SAMPLES_MIN && lasts_s >= STUCK_S {
                ForceFaultKind::Stuck
            } else {
                continue;
            };
        match faults.last_mut() {
            // Noise at a range's end takes a sample off it now and then.
            Some(before)
                if before.kind == kind
                    && before.counts == count
                    && first.0.saturating_sub(before.tick_to) as f64 <= STUCK_S * tick_hz =>
            {
                before.tick_to = last.0;
            }
            _ => faults.push(ForceFault {
                kind,
                tick_from: first.0,
                tick_to: last.0,
                counts: count,
            }),
        }
    }
    faults
}

/// Mean counts around an instant, or over a stretch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ForceMean {
    /// Counts with the standard uncertainty of the mean.
    pub(super) counts: Assessed,
    /// Change with time.
    pub(super) counts_per_s: f64,
    /// Whether a fault overlaps it.
    pub(super) believable: bool,
}

/// The samples of a pull with their faults.
#[derive(Debug)]
pub(super) struct Force<'a> {
    samples: &'a [(u64, i32)],
    tick_hz: f64,
    pub(super) faults: Vec<ForceFault>,
}

impl<'a> Force<'a> {
    pub(super) fn new(
        samples: &'a [(u64, i32)],
        tick_hz: f64,
        range_counts: Option<(f64, f64)>,
    ) -> Self {
        Self {
            samples,
            tick_hz,
            faults: force_faults(samples, tick_hz, range_counts),
        }
    }

    /// Line through the samples around a tick, at that tick, of those within a stretch of ticks: the
    /// force jumps where the throttle opens and closes. `None` with too few of them.
    pub(super) fn around(&self, tick: f64, (from, to): (f64, f64)) -> Option<ForceMean> {
        let half = HALF_WIDTH_S * self.tick_hz;
        self.line(
            from.max(tick - half),
            to.min(tick + half),
            tick,
            |residuals| (1.0, residuals.len() as f64),
        )
    }

    /// Mean over a stretch of ticks, with samples that hang together counting for fewer.
    pub(super) fn over(&self, from: f64, to: f64) -> Option<ForceMean> {
        self.line(from, to, 0.5 * (from + to), |residuals| {
            let squares: f64 = residuals.iter().map(|r| r * r).sum();
            let count = residuals.len() as f64;
            let plain = squares / (count - 2.0) / count;
            let most = (0.25 * count).max(1.0);
            match variance_of_mean(residuals).filter(|_| plain > 0.0) {
                // As few degrees of freedom as there are batches.
                Some(variance) => (variance / plain, BATCHES as f64),
                None => {
                    let shared = inflation(residuals).min(most);
                    (shared, count / shared)
                }
            }
        })
    }

    fn line(
        &self,
        from: f64,
        to: f64,
        at: f64,
        inflation: impl Fn(&[f64]) -> (f64, f64),
    ) -> Option<ForceMean> {
        let first = self.samples.partition_point(|s| (s.0 as f64) < from);
        let last = self.samples.partition_point(|s| (s.0 as f64) <= to);
        let samples = self.samples.get(first..last)?;
        if samples.len() < SAMPLES_MIN {
            return None;
        }
        let n = samples.len() as f64;
        let x = |s: &(u64, i32)| (s.0 as f64 - at) / self.tick_hz;
        let mean_x = samples.iter().map(x).sum::<f64>() / n;
        let mean_y = samples.iter().map(|s| f64::from(s.1)).sum::<f64>() / n;
        let (mut sxx, mut sxy) = (0.0, 0.0);
        for s in samples {
            sxx += (x(s) - mean_x).powi(2);
            sxy += (x(s) - mean_x) * (f64::from(s.1) - mean_y);
        }
        let slope = if sxx > 0.0 { sxy / sxx } else { 0.0 };
        let lever = if sxx > 0.0 {
            mean_x * mean_x / sxx
        } else {
            0.0
        };
        let residuals: Vec<f64> = samples
            .iter()
            .map(|s| f64::from(s.1) - mean_y - slope * (x(s) - mean_x))
            .collect();
        let (inflation, independent) = inflation(&residuals);
        let rest: f64 = residuals.iter().map(|r| r * r).sum();
        // Rounding to whole counts is noise of its own, which a quiet signal does not show.
        let variance = (rest / (n - 2.0)).max(1.0 / 12.0) * inflation * (1.0 / n + lever);
        let believable = !self
            .faults
            .iter()
            .any(|fault| fault.tick_to as f64 >= from && fault.tick_from as f64 <= to);
        Some(ForceMean {
            counts: Assessed::type_a(
                Measured::new(mean_y - slope * mean_x, variance.sqrt()),
                independent - 2.0,
            ),
            counts_per_s: slope,
            believable,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: f64 = 1e6;
    const ALL: (f64, f64) = (0.0, f64::INFINITY);

    /// 80 samples a second of a signal that scatters by some counts.
    fn live(count: u64) -> Vec<(u64, i32)> {
        let mut rng = fastrand::Rng::with_seed(5);
        (0..count)
            .map(|i| (i * 12_500, 40_000 + rng.i32(-9..=9)))
            .collect()
    }

    #[test]
    fn a_live_signal_has_no_faults() {
        assert_eq!(force_faults(&live(400), HZ, None), []);
        assert_eq!(force_faults(&[], HZ, None), []);
    }

    #[test]
    fn a_stuck_converter_is_told() {
        let mut samples = live(400);
        for s in &mut samples[100..140] {
            s.1 = 40_003;
        }
        let faults = force_faults(&samples, HZ, None);
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert_eq!(faults[0].kind, ForceFaultKind::Stuck);
        assert!(faults[0].tick_from <= samples[100].0 && faults[0].tick_to >= samples[139].0);
        // Stuck from beginning to end.
        samples.iter_mut().for_each(|s| s.1 = 40_003);
        assert_eq!(
            force_faults(&samples, HZ, None)[0].kind,
            ForceFaultKind::Stuck
        );
    }

    #[test]
    fn clipping_is_told_at_known_and_at_unknown_ends() {
        let mut samples = live(400);
        for s in &mut samples[100..200] {
            s.1 = (s.1 + 30_000).min(70_000);
        }
        let faults = force_faults(&samples, HZ, None);
        assert!(!faults.is_empty());
        assert!(
            faults.iter().all(|f| f.kind == ForceFaultKind::Clipped),
            "{faults:?}"
        );
        let mut once = live(400);
        once[7].1 = 8_388_607;
        assert_eq!(
            force_faults(&once, HZ, None)[0].kind,
            ForceFaultKind::Clipped
        );
        once[7].1 = 65_535;
        assert_eq!(force_faults(&once, HZ, None), []);
        assert_eq!(force_faults(&once, HZ, Some((0.0, 65_535.0))).len(), 1);
    }

    #[test]
    fn a_coarse_converter_at_rest_is_not_stuck() {
        // Ten bits: two neighbouring counts, in runs.
        let samples: Vec<(u64, i32)> = (0..400_u64)
            .map(|i| (i * 12_500, 512 + i32::from(i % 60 == 59)))
            .collect();
        assert_eq!(force_faults(&samples, HZ, None), []);
    }

    #[test]
    fn the_line_is_read_at_its_instant_with_its_uncertainty() {
        let samples: Vec<(u64, i32)> = (0..400_u64)
            .map(|i| {
                (
                    i * 12_500,
                    i32::try_from(10 * i).unwrap() + [3, -3][usize::from(i % 2 == 0)],
                )
            })
            .collect();
        let force = Force::new(&samples, HZ, None);
        let mean = force.around(2.5e6, ALL).unwrap();
        assert!((mean.counts.value() - 2000.0).abs() < 1.0);
        assert!((mean.counts_per_s - 800.0).abs() < 10.0);
        // 19 samples that scatter by 3: 3/√19.
        assert!((mean.counts.standard_uncertainty() - 0.7).abs() < 0.1);
        assert_eq!(force.around(9e6, ALL), None);
    }
}
