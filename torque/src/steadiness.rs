//! Whether what is held has become steady enough for the reading it is to give.
//!
//! Readings that hang together count for fewer: the standard uncertainty of their mean is found by the scatter of the means of
//! eight stretches of them. The beginning, in which they still settle, is left out by
//! the rule of the least standard error (MSER: K. P. White, "An effective truncation heuristic for bias reduction in
//! simulation output", Simulation 69 (1997) 323-334, from memory), up to its half.
//!
//! ```
//! use leverarm_torque::steadiness::Series;
//!
//! // Comes near 10 with a time constant of a second, and scatters by some hundredths.
//! let mut series = Series::new(0.05);
//! for step in 0..2_000_u32 {
//!     let time_s = 0.0125 * f64::from(step);
//!     let scatter = 0.03 * (1e4 * f64::from(step)).sin();
//!     series.push(time_s, 10.0 - 4.0 * (-time_s).exp() + scatter);
//! }
//! let trend = series.settled().ok_or("too short")?;
//! assert!(trend.from_s > 2.0 && (trend.mean - 10.0).abs() < 0.02, "{trend:?}");
//! # Ok::<(), &str>(())
//! ```

use crate::regression::{BATCHES, variance_of_mean};
use crate::uncertainty::coverage_factor;

/// Blocks kept; beyond that two become one.
const BLOCKS_MAX: usize = 256;
/// Fewest blocks that say anything.
const BLOCKS_MIN: usize = 2 * BATCHES;
/// Beginnings that may be left out: eighths of the whole, up to its half.
const BEGINNINGS: usize = 5;

/// Some readings in a row.
#[derive(Debug, Clone, Copy, Default)]
struct Block {
    from_s: f64,
    to_s: f64,
    sum: f64,
    count: f64,
}

impl Block {
    fn middle_s(&self) -> f64 {
        0.5 * (self.from_s + self.to_s)
    }

    fn mean(&self) -> f64 {
        self.sum / self.count
    }
}

/// Readings of one thing since something was set, in bounded memory: as means of short blocks, which grow with time.
#[derive(Debug, Clone)]
pub struct Series {
    block_s: f64,
    blocks: Vec<Block>,
}

/// A straight line through readings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// First instant, s.
    pub from_s: f64,
    /// Last instant, s.
    pub to_s: f64,
    /// Mean over it.
    pub mean: f64,
    /// Standard uncertainty of the mean, of the scatter about the line.
    pub mean_u: f64,
    /// Change a second.
    pub slope: f64,
    /// Its standard uncertainty.
    pub slope_u: f64,
}

impl Trend {
    /// Time that it covers, s.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.to_s - self.from_s
    }

    /// Standard uncertainty of the mean for what is held, drift included: as far as it stands out of the scatter, what
    /// has drifted over the time is taken as a rectangle's width (JCGM 100:2008, 4.3.7).
    #[must_use]
    pub fn standard_uncertainty(&self) -> f64 {
        let drift = (self.slope.abs() - 2.0 * self.slope_u).max(0.0) * self.seconds();
        self.mean_u.hypot(drift / 12.0_f64.sqrt())
    }

    /// Half width of the 95 % interval, Student's t by two less than the stretches.
    #[must_use]
    pub fn expanded_uncertainty(&self) -> f64 {
        coverage_factor(0.95, BATCHES as f64 - 2.0)
            .map_or(f64::INFINITY, |k| k * self.standard_uncertainty())
    }
}

impl Series {
    /// Nothing yet; blocks of so many seconds to begin with.
    #[must_use]
    pub const fn new(block_s: f64) -> Self {
        Self {
            block_s,
            blocks: Vec::new(),
        }
    }

    /// Takes a reading; times don't fall.
    pub fn push(&mut self, time_s: f64, value: f64) {
        if !value.is_finite() {
            return;
        }
        match self.blocks.last_mut() {
            Some(last) if time_s < last.from_s + self.block_s => {
                last.to_s = last.to_s.max(time_s);
                last.sum += value;
                last.count += 1.0;
                return;
            }
            _ => {}
        }
        if self.blocks.len() == BLOCKS_MAX {
            self.merge();
        }
        self.blocks.push(Block {
            from_s: time_s,
            to_s: time_s,
            sum: value,
            count: 1.0,
        });
    }

    fn merge(&mut self) {
        self.block_s *= 2.0;
        self.blocks = self
            .blocks
            .chunks(2)
            .map(|pair| {
                pair.iter().skip(1).fold(pair[0], |sum, next| Block {
                    from_s: sum.from_s,
                    to_s: next.to_s,
                    sum: sum.sum + next.sum,
                    count: sum.count + next.count,
                })
            })
            .collect();
    }

    /// The line through what is left after the beginning in which it settles; `None` with too little of it.
    #[must_use]
    pub fn settled(&self) -> Option<Trend> {
        // The newest may hold a single reading.
        let blocks = self.blocks.get(..self.blocks.len().checked_sub(1)?)?;
        let first = (0..BEGINNINGS)
            .map(|eighths| eighths * blocks.len() / 8)
            .min_by(|a, b| mser(&blocks[*a..]).total_cmp(&mser(&blocks[*b..])))?;
        line(&blocks[first..])
    }

    /// The line through everything since a time.
    #[must_use]
    pub fn since(&self, from_s: f64) -> Option<Trend> {
        let first = self.blocks.partition_point(|block| block.from_s < from_s);
        line(&self.blocks[first..])
    }
}

/// White's marginal standard error, squared: what the beginning is chosen by.
fn mser(blocks: &[Block]) -> f64 {
    let count = blocks.len() as f64;
    let mean = blocks.iter().map(Block::mean).sum::<f64>() / count;
    let squares: f64 = blocks.iter().map(|it| (it.mean() - mean).powi(2)).sum();
    squares / (count * count)
}

fn line(blocks: &[Block]) -> Option<Trend> {
    if blocks.len() < BLOCKS_MIN {
        return None;
    }
    let (first, last) = (blocks.first()?, blocks.last()?);
    let count = blocks.len() as f64;
    let middle = blocks.iter().map(Block::middle_s).sum::<f64>() / count;
    let mean = blocks.iter().map(Block::mean).sum::<f64>() / count;
    let at = |block: &Block| block.middle_s() - middle;
    let xx: f64 = blocks.iter().map(|it| at(it).powi(2)).sum();
    let slope = blocks
        .iter()
        .map(|it| at(it) * (it.mean() - mean))
        .sum::<f64>()
        / xx;
    let residuals: Vec<f64> = blocks
        .iter()
        .map(|it| it.mean() - mean - slope * at(it))
        .collect();
    let variance = variance_of_mean(&residuals)?;
    slope.is_finite().then(|| Trend {
        from_s: first.from_s,
        to_s: last.to_s,
        mean,
        mean_u: variance.sqrt(),
        slope,
        slope_u: (variance * count / xx).sqrt(),
    })
}

/// What a held point needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Needs {
    /// Half width of the torque's 95 % interval, as a share of it.
    pub torque_share: f64,
    /// Shortest time, s.
    pub seconds_min: f64,
    /// Inertia of all that turns, at the shaft whose torque and speed are given, kg·m².
    pub inertia_kg_m2: f64,
    /// Fastest change of a temperature, K/s; `None`: not looked at.
    pub kelvin_per_s: Option<f64>,
}

/// What is read while a point is held.
#[derive(Debug, Clone)]
pub struct Held {
    torque_nm: Series,
    speed_rad_per_s: Series,
    temperatures_k: Vec<(String, Series)>,
}

/// Why a point is not steady yet, and what it has come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// What is lacking, in words; `None`: it is steady.
    pub lacks: Option<String>,
    /// The torque so far.
    pub torque_nm: Option<Trend>,
    /// Half width of its 95 % interval so far, the speed's change included, N·m.
    pub expanded_uncertainty_nm: Option<f64>,
}

/// Torque and speed are read at 80 Hz and a few times that.
const BLOCK_S: f64 = 0.05;
/// Temperatures come a few times a second.
const SLOW_BLOCK_S: f64 = 0.25;

impl Held {
    /// Nothing read yet; with the names of the temperatures that will be.
    #[must_use]
    pub fn new(temperatures: impl IntoIterator<Item = String>) -> Self {
        Self {
            torque_nm: Series::new(BLOCK_S),
            speed_rad_per_s: Series::new(BLOCK_S),
            temperatures_k: temperatures
                .into_iter()
                .map(|name| (name, Series::new(SLOW_BLOCK_S)))
                .collect(),
        }
    }

    /// The absorber's torque, at the shaft that [`Needs`] speaks of.
    pub fn torque(&mut self, time_s: f64, nm: f64) {
        self.torque_nm.push(time_s, nm);
    }

    /// That shaft's speed.
    pub fn speed(&mut self, time_s: f64, rad_per_s: f64) {
        self.speed_rad_per_s.push(time_s, rad_per_s);
    }

    /// A temperature, by its place among the names.
    pub fn temperature(&mut self, place: usize, time_s: f64, kelvin: f64) {
        if let Some((_, series)) = self.temperatures_k.get_mut(place) {
            series.push(time_s, kelvin);
        }
    }

    /// Whether it is as steady as is needed.
    #[must_use]
    pub fn judge(&self, needs: &Needs) -> Judgement {
        let torque_nm = self.torque_nm.settled();
        let speed = torque_nm.and_then(|torque| self.speed_rad_per_s.since(torque.from_s));
        // Torque = held + inertia × acceleration: what the speed's slope leaves is the reading's too.
        let expanded_uncertainty_nm = torque_nm.zip(speed).map(|(torque, speed)| {
            let slope_nm = needs.inertia_kg_m2 * speed.slope_u;
            torque.expanded_uncertainty().hypot(2.0 * slope_nm)
        });
        let lacks = self.lacks(needs, torque_nm, expanded_uncertainty_nm);
        Judgement {
            lacks,
            torque_nm,
            expanded_uncertainty_nm,
        }
    }

    fn lacks(
        &self,
        needs: &Needs,
        torque: Option<Trend>,
        expanded_nm: Option<f64>,
    ) -> Option<String> {
        let (Some(torque), Some(expanded_nm)) = (torque, expanded_nm) else {
            return Some("too few readings yet".to_owned());
        };
        if torque.seconds() < needs.seconds_min {
            return Some(format!(
                "{:.1} of {:.1} s settled",
                torque.seconds(),
                needs.seconds_min
            ));
        }
        if torque.slope.abs() * torque.seconds() > 4.0 * torque.slope_u * torque.seconds()
            && torque.slope.abs() * torque.seconds() > needs.torque_share * torque.mean.abs()
        {
            return Some(format!(
                "torque drifts by {:+.3} N·m a second",
                torque.slope
            ));
        }
        let wanted_nm = needs.torque_share * torque.mean.abs();
        if expanded_nm > wanted_nm {
            return Some(format!(
                "torque known to ± {expanded_nm:.3} N·m, wanted ± {wanted_nm:.3} N·m"
            ));
        }
        let fastest = needs.kelvin_per_s?;
        self.temperatures_k.iter().find_map(|(name, series)| {
            let trend = series.since(torque.from_s)?;
            let fast = trend.slope.abs() - 2.0 * trend.slope_u;
            (fast > fastest)
                .then(|| format!("{name} changes by {:+.2} K a minute", 60.0 * trend.slope))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A first-order process with unit variance: each reading keeps `shared` of the one before.
    fn process(shared: f64, count: u32, seed: u64) -> Series {
        let mut rng = fastrand::Rng::with_seed(seed);
        let mut normal = || (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0;
        let mut series = Series::new(0.0);
        let mut value = normal();
        for step in 0..count {
            series.push(f64::from(step), value);
            value = shared * value + (1.0 - shared * shared).sqrt() * normal();
        }
        series
    }

    /// The variance of the mean of n readings is `(1 + 2 Σ (1 − k/n) ρₖ) / n` (G. Box, G. Jenkins, "Time Series Analysis", from
    /// memory), with ρₖ = ρᵏ for a first-order process: readings that hang together count for fewer, those that take back what
    /// the ones before gave for more.
    #[test]
    fn readings_count_as_much_as_they_say() {
        const COUNT: u32 = 240;
        for shared in [-0.5, 0.0, 0.5, 0.8] {
            let runs = 300_u32;
            let (mut variance, mut covered) = (0.0, 0);
            for seed in 0..runs {
                let trend = line(&process(shared, COUNT, seed.into()).blocks).unwrap();
                variance += trend.mean_u.powi(2) / f64::from(runs);
                covered += u32::from(trend.mean.abs() <= trend.expanded_uncertainty());
            }
            let n = f64::from(COUNT);
            let lags: f64 = (1..COUNT)
                .map(|k| (1.0 - f64::from(k) / n) * f64::powi(shared, k.cast_signed()))
                .sum();
            let known = (1.0 + 2.0 * lags) / n;
            assert!(
                (0.8..1.2).contains(&(variance / known)),
                "{shared}: {variance} for {known}"
            );
            assert!(
                (273..=296).contains(&covered),
                "{shared}: {covered} of {runs}"
            );
        }
    }

    #[test]
    fn memory_is_bounded_and_the_mean_stays() {
        let mut series = Series::new(0.05);
        for step in 0..100_000_u32 {
            series.push(0.0125 * f64::from(step), f64::from(step % 2));
        }
        assert!(series.blocks.len() <= BLOCKS_MAX);
        assert!((series.settled().unwrap().mean - 0.5).abs() < 0.01);
    }

    fn held(torque: impl Fn(f64) -> f64, until_s: f64) -> Judgement {
        let mut rng = fastrand::Rng::with_seed(3);
        let mut held = Held::new(["head".to_owned()]);
        let mut time_s = 0.0;
        while time_s < until_s {
            held.torque(time_s, torque(time_s) + 0.2 * (rng.f64() - 0.5));
            held.speed(time_s, 200.0 + 0.1 * (rng.f64() - 0.5));
            held.temperature(0, time_s, 350.0 + 0.1 * time_s);
            time_s += 0.0125;
        }
        held.judge(&Needs {
            torque_share: 0.005,
            seconds_min: 2.5,
            inertia_kg_m2: 0.1,
            kelvin_per_s: None,
        })
    }

    #[test]
    fn what_settles_is_steady_and_what_drifts_is_not() {
        let settles = |time_s: f64| 20.0 - 5.0 * (-time_s / 0.6_f64).exp();
        assert!(held(settles, 2.0).lacks.is_some());
        let found = held(settles, 9.0);
        assert_eq!(found.lacks, None, "{found:?}");
        let torque = found.torque_nm.unwrap();
        assert!((torque.mean - 20.0).abs() < 0.05, "{torque:?}");
        let drifts = held(|time_s| 20.0 + 0.1 * time_s, 9.0);
        assert!(drifts.lacks.unwrap().contains("drifts"));
    }

    #[test]
    fn a_temperature_that_still_rises_is_named() {
        let mut held = Held::new(["head".to_owned()]);
        for step in 0..800_u32 {
            let time_s = 0.0125 * f64::from(step);
            held.torque(time_s, 20.0 + 0.1 * f64::from(step % 2));
            held.speed(time_s, 200.0);
            held.temperature(0, time_s, 350.0 + 0.5 * time_s);
        }
        let mut needs = Needs {
            torque_share: 0.01,
            seconds_min: 2.5,
            inertia_kg_m2: 0.1,
            kelvin_per_s: Some(0.1),
        };
        assert!(held.judge(&needs).lacks.unwrap().contains("head"));
        needs.kelvin_per_s = Some(1.0);
        assert_eq!(held.judge(&needs).lacks, None);
    }
}
