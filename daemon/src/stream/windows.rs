//! Decimation: smallest, mean and greatest value of each series in windows of the wall clock.

use std::collections::BTreeMap;

use leverarm_analysis::replay::WallSample;

/// Windows stay open this long for samples that come late: frames of different kinds overtake each
/// other by the age of what they carry.
const LATE_US_MAX: i64 = 250_000;

/// What a window knows of one series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Digest {
    /// Believable samples.
    pub(super) samples: u32,
    /// Samples that can't be right.
    pub(super) lost: u32,
    /// Smallest of the believable ones; meaningless without any.
    pub(super) min: f64,
    /// Greatest.
    pub(super) max: f64,
    sum: f64,
}

impl Digest {
    const EMPTY: Self = Self {
        samples: 0,
        lost: 0,
        min: f64::INFINITY,
        max: f64::NEG_INFINITY,
        sum: 0.0,
    };

    fn push(&mut self, value: Option<f64>) {
        let Some(value) = value else {
            self.lost += 1;
            return;
        };
        self.samples += 1;
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        self.sum += value;
    }

    /// Mean of the believable samples.
    pub(super) fn mean(&self) -> f64 {
        self.sum / f64::from(self.samples)
    }
}

/// A closed window of one series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Window {
    /// Its beginning, a whole number of windows since 1970.
    pub(super) wall_us: i64,
    /// Which series.
    pub(super) series: usize,
    /// What was in it.
    pub(super) digest: Digest,
}

/// Windows of all series of one connection.
#[derive(Debug)]
pub(super) struct Windows {
    length_us: i64,
    open: BTreeMap<(i64, usize), Digest>,
    /// Windows before this one are closed.
    closed_before: i64,
    newest_us: i64,
}

impl Windows {
    /// Windows of `rate_hz` a second.
    pub(super) fn new(rate_hz: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "float `as` saturates")]
        let length_us = (1e6 / rate_hz).round() as i64;
        Self {
            length_us: length_us.max(1),
            open: BTreeMap::new(),
            closed_before: i64::MIN,
            newest_us: i64::MIN,
        }
    }

    /// Takes a sample. One whose window is closed has no place any more.
    pub(super) fn push(&mut self, sample: WallSample) {
        self.newest_us = self.newest_us.max(sample.wall_us);
        let number = sample.wall_us.div_euclid(self.length_us);
        if number >= self.closed_before {
            let digest = self.open.entry((number, sample.series));
            digest.or_insert(Digest::EMPTY).push(sample.value);
        }
    }

    /// Closes the windows that are over, and hands them out in order.
    pub(super) fn close_due(&mut self) -> impl Iterator<Item = Window> + use<> {
        let before = self
            .newest_us
            .saturating_sub(LATE_US_MAX)
            .div_euclid(self.length_us);
        self.close(before)
    }

    /// Closes all windows: nothing more comes on this connection.
    pub(super) fn close_all(&mut self) -> impl Iterator<Item = Window> + use<> {
        let before = self.newest_us.div_euclid(self.length_us);
        self.close(before.saturating_add(1))
    }

    fn close(&mut self, before: i64) -> impl Iterator<Item = Window> + use<> {
        self.closed_before = self.closed_before.max(before);
        let rest = self.open.split_off(&(before, 0));
        let closed = std::mem::replace(&mut self.open, rest);
        let length_us = self.length_us;
        closed
            .into_iter()
            .map(move |((number, series), digest)| Window {
                wall_us: number.saturating_mul(length_us),
                series,
                digest,
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(wall_us: i64, value: Option<f64>) -> WallSample {
        WallSample {
            series: 3,
            tick: 0,
            wall_us,
            counts: None,
            value,
        }
    }

    #[test]
    fn peaks_survive_and_late_samples_find_their_window() {
        let mut windows = Windows::new(10.0);
        for (at, value) in [
            (1_000_000, Some(5.0)),
            (1_050_000, Some(-7.0)),
            (1_120_000, Some(1.0)),
            (1_099_999, Some(8.0)),
            (1_000_500, None),
        ] {
            windows.push(sample(at, value));
        }
        assert_eq!(windows.close_due().count(), 0);
        windows.push(sample(1_350_000, Some(0.0)));
        let closed: Vec<Window> = windows.close_due().collect();
        let [window] = closed.as_slice() else {
            panic!("{closed:?}");
        };
        assert_eq!((window.wall_us, window.series), (1_000_000, 3));
        let Digest {
            samples,
            lost,
            min,
            max,
            ..
        } = window.digest;
        assert_eq!((samples, lost, min, max), (3, 1, -7.0, 8.0));
        assert!((window.digest.mean() - 2.0).abs() < 1e-12);
        // Too late now.
        windows.push(sample(1_099_000, Some(100.0)));
        let rest: Vec<Window> = windows.close_all().collect();
        assert_eq!(
            rest.iter().map(|w| w.wall_us).collect::<Vec<_>>(),
            [1_100_000, 1_300_000]
        );
        assert_eq!(windows.close_all().count(), 0);
    }
}
