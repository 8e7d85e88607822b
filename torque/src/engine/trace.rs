//! A channel's samples over time, brought onto the speeds of a curve.

use super::Reading;

/// Samples within this of an instant tell its value, s.
const WINDOW_S: f64 = 0.12;
/// Fewer samples make no straight line with a known scatter.
const SAMPLES_MIN: usize = 5;
/// The window of a slow channel grows up to this.
const WINDOW_S_MAX: f64 = 0.6;
/// A line through samples may be read so far beyond them, s.
const BEYOND_S: f64 = 0.03;
/// A falling mass needs a longer look: its slope is wanted.
const SLOPE_WINDOW_S: f64 = 0.6;

/// Samples of a channel: time in s from the first tooth of the curve, value in SI.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trace {
    samples: Vec<(f64, f64)>,
    common: f64,
}

/// How long after the charge was drawn in a sensor in the exhaust shows it: a fixed part (sensor and
/// controller) and the time the gas takes through the pipe before it, as plug flow: volume over
/// volume flow.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SensorDelay {
    /// Fixed part, s.
    pub fixed_s: f64,
    /// Volume of the exhaust from the valve to the sensor, m³.
    pub pipe_m3: f64,
}

impl SensorDelay {
    /// Delay at a volume flow of hot exhaust gas, s.
    #[must_use]
    pub fn delay_s(&self, exhaust_m3_per_s: f64) -> f64 {
        let transport_s = if exhaust_m3_per_s > 0.0 {
            self.pipe_m3 / exhaust_m3_per_s
        } else {
            0.0
        };
        self.fixed_s + transport_s
    }

    /// Whether there is anything to align.
    #[must_use]
    pub fn is_none(&self) -> bool {
        self.fixed_s == 0.0 && self.pipe_m3 == 0.0
    }
}

/// A straight line about an instant.
struct Line {
    value: f64,
    slope: f64,
    value_u: f64,
    slope_u: f64,
}

impl Trace {
    /// Samples in any order; those that are not finite are left out. `common` is the standard
    /// uncertainty of the sensor itself, the same for all samples.
    #[must_use]
    pub fn new(mut samples: Vec<(f64, f64)>, common: f64) -> Self {
        samples.retain(|(t, v)| t.is_finite() && v.is_finite());
        samples.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self { samples, common }
    }

    /// The samples between two instants.
    #[must_use]
    pub fn between(&self, from_s: f64, to_s: f64) -> Self {
        let inside = |sample: &&(f64, f64)| (from_s..=to_s).contains(&sample.0);
        Self {
            samples: self.samples.iter().filter(inside).copied().collect(),
            common: self.common,
        }
    }

    /// Value at an instant: a straight line through the samples about it, with what their scatter
    /// leaves open. None outside the samples.
    #[must_use]
    pub fn at(&self, time_s: f64) -> Option<Reading> {
        self.about(time_s, 0.0)
    }

    /// The same from all samples within so many seconds, where that is more: of a point that was held.
    #[must_use]
    pub fn about(&self, time_s: f64, half_s: f64) -> Option<Reading> {
        let mut half = WINDOW_S.max(half_s);
        loop {
            if let Some(line) = self.line(time_s, half) {
                return Some(Reading::new(line.value, line.value_u, self.common));
            }
            if half >= WINDOW_S_MAX {
                return None;
            }
            half = (1.5 * half).min(WINDOW_S_MAX);
        }
    }

    /// Rise per second about an instant, likewise. A constant error of the sensor cancels in it.
    #[must_use]
    pub fn slope_about(&self, time_s: f64, half_s: f64) -> Option<Reading> {
        let line = self.line(time_s, SLOPE_WINDOW_S.max(half_s))?;
        Some(Reading::new(line.slope, line.slope_u, 0.0))
    }

    fn line(&self, time_s: f64, half_s: f64) -> Option<Line> {
        let (first, last) = (self.samples.first()?.0, self.samples.last()?.0);
        if !(first - BEYOND_S..=last + BEYOND_S).contains(&time_s) {
            return None;
        }
        let from = self.samples.partition_point(|s| s.0 < time_s - half_s);
        let to = self.samples.partition_point(|s| s.0 <= time_s + half_s);
        let near = self.samples.get(from..to)?;
        if near.len() < SAMPLES_MIN {
            return None;
        }
        let n = near.len() as f64;
        let mean_t = near.iter().map(|s| s.0).sum::<f64>() / n;
        let mean_v = near.iter().map(|s| s.1).sum::<f64>() / n;
        let spread: f64 = near.iter().map(|s| (s.0 - mean_t).powi(2)).sum();
        if spread <= 0.0 {
            return None;
        }
        let slope = near
            .iter()
            .map(|s| (s.0 - mean_t) * (s.1 - mean_v))
            .sum::<f64>()
            / spread;
        let off = |s: &(f64, f64)| s.1 - mean_v - slope * (s.0 - mean_t);
        let variance = near.iter().map(|s| off(s).powi(2)).sum::<f64>() / (n - 2.0);
        let ahead = time_s - mean_t;
        Some(Line {
            value: mean_v + slope * ahead,
            slope,
            value_u: (variance * (1.0 / n + ahead * ahead / spread)).sqrt(),
            slope_u: (variance / spread).sqrt(),
        })
    }
}
