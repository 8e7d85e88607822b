//! Check pulls on a control chart: whether a stand still reads what it read.
//!
//! One setup that is kept unchanged is tested on many days. What its pulls and mountings scatter within a
//! day is learnt from all days, by the mixed model of [`crate::mixed`]; how much days differ, from the
//! days before the one that is judged. Each day is set against those before it by the exact distribution
//! of such a difference (a self-starting chart: C. P. Quesenberry, *Journal of Quality Technology* 23
//! (1991) 213), so that the limits hold from the third day on and no days have to be set aside to find
//! them. Where the mean of a day is worth less, because fewer pulls were made, its limits are wider: the
//! variance between days is that of R. C. Paule, J. Mandel, *J. Res. NBS* 87 (1982) 377.
//!
//! Two charts look at these deviations: Shewhart's, at three standard deviations, for a day that stands
//! apart; and an exponentially weighted mean (EWMA; S. W. Roberts, *Technometrics* 1 (1959) 239), for
//! small changes that stay. A day out of control is no part of what later days are judged by.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, Normal};

use crate::comparison::SESSION_PAUSE_S;
use crate::comparison::two_sample::{two_sided_factor, upper_tail};
use crate::mixed::{Block, Bound, Component, Model};

/// Weight of the newest day in the weighted mean, and its limit in standard deviations.
pub const SCHEME: Scheme = Scheme {
    weight: 0.2,
    ewma_limit: 2.962,
    shewhart_limit: 3.0,
};
/// Days before the first one that can be judged.
pub const DAYS_BEFORE_MIN: usize = 2;
/// Newest days that a day is judged by.
const DAYS_BEFORE_MAX: usize = 60;
/// Variance told apart from none.
const VARIANCE_FLOOR: f64 = 1e-24;
/// A deviation is not told from a larger one: beyond it probabilities are not those of any stand.
const DEVIATION_MAX: f64 = 8.0;

/// How the charts alarm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scheme {
    /// λ: weight of the newest day, 0 to 1.
    pub weight: f64,
    /// Limit of the weighted mean, in its standard deviations after many days.
    pub ewma_limit: f64,
    /// Limit of a single day, in standard deviations; infinite for none.
    pub shewhart_limit: f64,
}

impl Scheme {
    /// Days on average until an alarm, after a change by `shift` standard deviations of a day (0: until a
    /// false one), with a weighted mean that begins at zero and limits as after many days. By a Markov
    /// chain over the weighted mean: D. Brook, D. A. Evans, *Biometrika* 59 (1972) 539.
    #[must_use]
    pub fn run_length(&self, shift: f64) -> f64 {
        const STATES: usize = 201;
        let Ok(normal) = Normal::new(0.0, 1.0) else {
            return f64::NAN;
        };
        let edge = self.ewma_limit * (self.weight / (2.0 - self.weight)).sqrt();
        let width = 2.0 * edge / STATES as f64;
        let middle = |i: usize| -edge + (i as f64 + 0.5) * width;
        // The day's deviation that leads from the middle of one state to the edges of another.
        let below = |deviation: f64| {
            normal.cdf(deviation.clamp(-self.shewhart_limit, self.shewhart_limit) - shift)
        };
        let stays = DMatrix::from_fn(STATES, STATES, |from, to| {
            let kept = (1.0 - self.weight) * middle(from);
            let to_edge = |side: f64| (middle(to) + side * width / 2.0 - kept) / self.weight;
            below(to_edge(1.0)) - below(to_edge(-1.0))
        });
        let system = DMatrix::identity(STATES, STATES) - stays;
        let lengths = system.lu().solve(&DVector::from_element(STATES, 1.0));
        lengths.map_or(f64::INFINITY, |lengths| lengths[STATES / 2])
    }
}

/// A pull with the setup that is kept unchanged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckPull {
    /// When, s from any zero; pulls come in order of time.
    pub time_s: f64,
    /// Number of the mounting.
    pub build: usize,
    /// What is watched, such as its average torque in N·m.
    pub value: f64,
}

/// All check pulls of one day.
#[derive(Debug, Clone, PartialEq)]
pub struct Day {
    /// When its first pull was made, s.
    pub time_s: f64,
    /// Pulls.
    pub pulls: usize,
    /// Mountings.
    pub builds: usize,
    /// Their mean.
    pub value: f64,
    /// Variance of that mean by what pulls and mountings scatter, without the day's own.
    pub own_variance: f64,
}

/// A day as judged by those before it.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The day.
    pub day: Day,
    /// What it is judged by; none for the first days.
    pub against: Option<Against>,
}

/// What a day is judged by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Against {
    /// Mean of the days before.
    pub centre: f64,
    /// Half width of Shewhart's limits around it.
    pub half_width: f64,
    /// The day's deviation, as a standard normal deviate.
    pub deviation: f64,
    /// The weighted mean of these deviations up to this day.
    pub ewma: f64,
    /// Its limit on this day.
    pub ewma_limit: f64,
    /// What alarms.
    pub alarm: Option<Alarm>,
}

/// Which chart alarms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Alarm {
    /// The day alone stands apart.
    Day,
    /// The last days together do.
    Trend,
}

/// A change that an alarm tells of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Index of the first day after it.
    pub from: usize,
    /// Index of the day of the first alarm.
    pub alarm: usize,
    /// Mean of the days since less that of those before.
    pub difference: f64,
    /// Half width of its interval at 95 %. It does not know that the day was chosen by the change itself.
    pub half_width: f64,
}

/// The days of a setup on both charts.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// The days, oldest first.
    pub days: Vec<Judged>,
    /// The change behind an alarm that still holds on the newest day that was judged.
    pub change: Option<Change>,
    /// Standard deviation of a pull within a mounting, where mountings with several pulls tell it.
    pub pull_sd: Option<f64>,
    /// Of a mounting, where days with several tell it.
    pub build_sd: Option<f64>,
}

impl Chart {
    /// Of pulls in order of time.
    ///
    /// ```
    /// use leverarm_torque::control_chart::{Chart, CheckPull};
    ///
    /// // Two pulls on each of twelve days; from the ninth on the stand reads 0.2 N·m less.
    /// let scatter_nm = [0.01, -0.02, 0.02, 0.0, -0.01, 0.01, 0.02, -0.01];
    /// let pulls: Vec<CheckPull> = (0..24_u8)
    ///     .map(|pull| {
    ///         let day = pull / 2;
    ///         CheckPull {
    ///             time_s: 86_400.0 * f64::from(day) + 600.0 * f64::from(pull % 2),
    ///             build: day.into(),
    ///             value: 11.0 + scatter_nm[usize::from(pull) % 8] - if day < 8 { 0.0 } else { 0.2 },
    ///         }
    ///     })
    ///     .collect();
    /// let change = Chart::new(&pulls).change.unwrap();
    /// assert_eq!(change.from, 8);
    /// assert!((change.difference + 0.2).abs() < 0.02);
    /// ```
    #[must_use]
    pub fn new(pulls: &[CheckPull]) -> Self {
        let (days, pull_sd, build_sd) = days(pulls);
        let mut judged: Vec<Judged> = Vec::with_capacity(days.len());
        let mut calm: Vec<Day> = Vec::new();
        let mut ewma = 0.0;
        let mut count = 0;
        for day in days {
            let newest = &calm[calm.len().saturating_sub(DAYS_BEFORE_MAX)..];
            let against = Baseline::of(newest).map(|baseline| {
                count += 1;
                let deviation = baseline.deviation(&day);
                ewma = SCHEME.weight * deviation + (1.0 - SCHEME.weight) * ewma;
                let kept = (1.0 - SCHEME.weight).powi(2 * count);
                let spread = SCHEME.weight / (2.0 - SCHEME.weight) * (1.0 - kept);
                let ewma_limit = SCHEME.ewma_limit * spread.sqrt();
                let alarm = if deviation.abs() > SCHEME.shewhart_limit {
                    Some(Alarm::Day)
                } else {
                    (ewma.abs() > ewma_limit).then_some(Alarm::Trend)
                };
                Against {
                    centre: baseline.centre,
                    half_width: baseline.half_width(&day),
                    deviation,
                    ewma,
                    ewma_limit,
                    alarm,
                }
            });
            if against.is_none_or(|against| against.alarm.is_none()) {
                calm.push(day.clone());
            }
            judged.push(Judged { day, against });
        }
        let change = change(&judged);
        Self {
            days: judged,
            change,
            pull_sd,
            build_sd,
        }
    }
}

/// Mean and scatter of some days.
struct Baseline {
    centre: f64,
    /// Variance between days, beside what pulls and mountings make.
    between: f64,
    /// Variance of the centre.
    of_centre: f64,
    degrees_of_freedom: f64,
}

impl Baseline {
    fn of(days: &[Day]) -> Option<Self> {
        if days.len() < DAYS_BEFORE_MIN {
            return None;
        }
        let degrees_of_freedom = (days.len() - 1) as f64;
        let weighted = |between: f64| {
            let weights = days
                .iter()
                .map(|day| 1.0 / (between + day.own_variance).max(VARIANCE_FLOOR));
            let sum: f64 = weights.clone().sum();
            let both = weights.clone().zip(days);
            let centre = both.map(|(w, day)| w * day.value).sum::<f64>() / sum;
            let squares = weights
                .zip(days)
                .map(|(w, day)| w * (day.value - centre).powi(2));
            (centre, sum, squares.sum::<f64>())
        };
        // The squares fall as the variance grows: between none and all of it.
        let (_, _, alone) = weighted(0.0);
        let mean = days.iter().map(|day| day.value).sum::<f64>() / days.len() as f64;
        let all: f64 = days.iter().map(|day| (day.value - mean).powi(2)).sum();
        let (mut low, mut high) = (0.0, all / degrees_of_freedom);
        if alone <= degrees_of_freedom {
            high = 0.0;
        }
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            if weighted(middle).2 > degrees_of_freedom {
                low = middle;
            } else {
                high = middle;
            }
        }
        let (centre, sum, _) = weighted(high);
        Some(Self {
            centre,
            between: high,
            of_centre: 1.0 / sum,
            degrees_of_freedom,
        })
    }

    fn sd(&self, day: &Day) -> f64 {
        (self.between + day.own_variance + self.of_centre).sqrt()
    }

    fn deviation(&self, day: &Day) -> f64 {
        let away = day.value - self.centre;
        let t = away.abs() / self.sd(day).max(VARIANCE_FLOOR);
        let tail = upper_tail(t, self.degrees_of_freedom);
        let size = Normal::new(0.0, 1.0).map_or(0.0, |normal| -normal.inverse_cdf(tail));
        size.min(DEVIATION_MAX).copysign(away)
    }

    fn half_width(&self, day: &Day) -> f64 {
        let alpha = Normal::new(0.0, 1.0).map_or(0.0, |n| 2.0 * n.sf(SCHEME.shewhart_limit));
        self.sd(day) * two_sided_factor(alpha, self.degrees_of_freedom)
    }
}

/// The days with the variances of their means, and the standard deviations of pulls and mountings.
fn days(pulls: &[CheckPull]) -> (Vec<Day>, Option<f64>, Option<f64>) {
    let pause = |pair: &[CheckPull]| pair[1].time_s - pair[0].time_s > SESSION_PAUSE_S;
    let mut sessions: Vec<&[CheckPull]> = Vec::new();
    let mut rest = pulls;
    while !rest.is_empty() {
        let end = rest
            .windows(2)
            .position(pause)
            .map_or(rest.len(), |i| i + 1);
        let (own, others) = rest.split_at(end);
        sessions.push(own);
        rest = others;
    }
    let counts = |own: &[CheckPull]| {
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        for pull in own {
            *counts.entry(pull.build).or_default() += 1;
        }
        counts
    };
    let repeated_pulls = sessions
        .iter()
        .any(|own| counts(own).values().any(|n| *n > 1));
    let repeated_builds = sessions.iter().any(|own| counts(own).len() > 1);
    // A level for each day takes the days' own differences out.
    let blocks = sessions.iter().enumerate().map(|(session, own)| {
        let same = DMatrix::from_fn(own.len(), own.len(), |i, j| {
            f64::from(u8::from(own[i].build == own[j].build))
        });
        let mut kernels = vec![DMatrix::identity(own.len(), own.len())];
        if repeated_pulls && repeated_builds {
            kernels.push(same);
        }
        Block {
            design: DMatrix::from_fn(own.len(), sessions.len(), |_, j| {
                f64::from(u8::from(j == session))
            }),
            kernels,
            responses: DMatrix::from_iterator(own.len(), 1, own.iter().map(|pull| pull.value)),
        }
    });
    let blocks: Vec<Block> = blocks.collect();
    let components = blocks.first().map_or(0, |block| block.kernels.len());
    let model = Model {
        components: vec![Component::new(Bound::NonNegative); components],
        blocks,
    };
    let variances = model.fit().map(|fit| fit.variances).unwrap_or_default();
    let pull = variances.first().copied();
    let build = variances.get(1).copied();
    let own = sessions.iter().filter_map(|own| {
        let counts = counts(own);
        let n = own.len() as f64;
        let shares: f64 = counts
            .values()
            .map(|count| (*count as f64 / n).powi(2))
            .sum();
        Some(Day {
            time_s: own.first()?.time_s,
            pulls: own.len(),
            builds: counts.len(),
            value: own.iter().map(|pull| pull.value).sum::<f64>() / n,
            own_variance: pull.unwrap_or(0.0) / n + build.unwrap_or(0.0) * shares,
        })
    });
    let sd = |variance: Option<f64>| variance.map(f64::sqrt);
    (own.collect(), sd(pull), sd(build))
}

/// Where the change behind an alarm on the newest judged day lies: the likeliest day (J. J. Pignatiello,
/// T. R. Samuel, *Journal of Quality Technology* 33 (2001) 357).
fn change(judged: &[Judged]) -> Option<Change> {
    let deviations: Vec<(usize, Against)> = judged
        .iter()
        .enumerate()
        .filter_map(|(i, day)| Some((i, day.against?)))
        .collect();
    deviations.last()?.1.alarm?;
    // The first alarm of those that have gone on since.
    let calm = deviations.iter().rposition(|(_, day)| day.alarm.is_none());
    let first = calm.map_or(0, |i| i + 1);
    let sum_from = |from: usize| {
        let since = &deviations[from..];
        let sum: f64 = since.iter().map(|(_, day)| day.deviation).sum();
        sum * sum / since.len() as f64
    };
    let from = (0..=first).max_by(|a, b| sum_from(*a).total_cmp(&sum_from(*b)))?;
    let from_day = deviations.get(from)?.0;
    let (before, since) = judged.split_at(from_day);
    let of = |days: &[Judged]| {
        let values = days.iter().map(|judged| judged.day.value);
        let n = days.len() as f64;
        let mean = values.clone().sum::<f64>() / n;
        (n, mean, values.map(|v| (v - mean).powi(2)).sum::<f64>())
    };
    let ((n, mean, squares), (m, mean_since, squares_since)) = (of(before), of(since));
    let dof = n + m - 2.0;
    let variance = (squares + squares_since) / dof * (1.0 / n + 1.0 / m);
    Some(Change {
        from: from_day,
        alarm: deviations.get(first)?.0,
        difference: mean_since - mean,
        half_width: two_sided_factor(0.05, dof) * variance.sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// J. M. Lucas, M. S. Saccucci, *Technometrics* 32 (1990) 1, as printed in D. C. Montgomery,
    /// *Introduction to Statistical Quality Control*, table of EWMA run lengths (from memory).
    #[test]
    fn weighted_means_run_as_long_as_published() {
        for (weight, limit, lengths) in [
            (0.40, 3.054, [500.0, 71.2, 14.3, 3.5]),
            (0.20, 2.962, [500.0, 41.8, 10.5, 3.7]),
            (0.10, 2.814, [500.0, 31.3, 10.3, 4.4]),
        ] {
            let scheme = Scheme {
                weight,
                ewma_limit: limit,
                shewhart_limit: f64::INFINITY,
            };
            for (shift, expected) in [0.0, 0.5, 1.0, 2.0].into_iter().zip(lengths) {
                let found = scheme.run_length(shift);
                assert!(
                    (found / expected - 1.0).abs() < 0.02,
                    "{weight} {shift}: {found}"
                );
            }
        }
    }

    /// Shewhart's chart alone: 1/p, 370.4 without a change, 43.9 and 6.3 after one or two standard
    /// deviations (any handbook of quality control, such as Montgomery; from the normal distribution).
    #[test]
    fn single_days_run_as_long_as_published() {
        let scheme = Scheme {
            weight: 0.5,
            ewma_limit: 50.0,
            shewhart_limit: 3.0,
        };
        for (shift, expected) in [(0.0, 370.4), (1.0, 43.9), (2.0, 6.30)] {
            let found = scheme.run_length(shift);
            assert!((found / expected - 1.0).abs() < 0.003, "{shift}: {found}");
        }
    }

    fn noise(chance: &mut ChaCha8Rng) -> f64 {
        StandardNormal.sample(chance)
    }

    /// Days with as many pulls and mountings as told, scatter in N·m: day 0.05, mounting 0.04, pull 0.03.
    fn stand(chance: &mut ChaCha8Rng, days: usize, shift: impl Fn(usize) -> f64) -> Vec<CheckPull> {
        let mut pulls = Vec::new();
        for day in 0..days {
            let level = 11.0 + 0.05 * noise(chance) + shift(day);
            for build in 0..1 + day % 2 {
                let mounted = 0.04 * noise(chance);
                for pull in 0..2 + day % 3 {
                    pulls.push(CheckPull {
                        time_s: 86_400.0 * day as f64 + 300.0 * (10 * build + pull) as f64,
                        build: 2 * day + build,
                        value: level + mounted + 0.03 * noise(chance),
                    });
                }
            }
        }
        pulls
    }

    #[test]
    fn deviations_of_a_steady_stand_are_standard_normal() {
        let mut chance = ChaCha8Rng::seed_from_u64(20);
        let mut all = Vec::new();
        for _ in 0..400 {
            let chart = Chart::new(&stand(&mut chance, 12, |_| 0.0));
            all.extend(chart.days.iter().filter_map(|d| Some(d.against?.deviation)));
        }
        let n = all.len() as f64;
        let mean = all.iter().sum::<f64>() / n;
        let square = all.iter().map(|z| z * z).sum::<f64>() / n;
        assert!(
            mean.abs() < 0.06 && (square - 1.0).abs() < 0.12,
            "{mean} {square}"
        );
        let beyond = all.iter().filter(|z| z.abs() > 1.96).count() as f64 / n;
        assert!((0.03..0.07).contains(&beyond), "{beyond}");
    }

    #[test]
    fn a_day_is_judged_as_by_quesenberry() {
        // One pull a day: Q = Φ⁻¹(T(√((n−1)/n) (x − mean)/s)), degrees of freedom n − 2, on the n-th day.
        let values = [11.02, 10.97, 11.05, 11.21];
        let pulls: Vec<CheckPull> = (0_u32..)
            .zip(values)
            .map(|(day, value)| CheckPull {
                time_s: 86_400.0 * f64::from(day),
                build: 0,
                value,
            })
            .collect();
        let mean = (11.02 + 10.97 + 11.05) / 3.0;
        let s = (values[..3]
            .iter()
            .map(|x| (x - mean) * (x - mean))
            .sum::<f64>()
            / 2.0)
            .sqrt();
        let t: f64 = (3.0_f64 / 4.0).sqrt() * (11.21 - mean) / s;
        // Student's distribution with two degrees of freedom in closed form.
        let probability = 0.5 + t / (2.0 * (2.0 + t * t).sqrt());
        let expected = Normal::new(0.0, 1.0).unwrap().inverse_cdf(probability);
        let found = Chart::new(&pulls).days[3].against.unwrap().deviation;
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }

    #[test]
    fn a_change_that_stays_is_found_with_its_day_and_size() {
        let mut chance = ChaCha8Rng::seed_from_u64(21);
        let (mut found, mut near, mut held) = (0, 0, 0);
        for _ in 0..100 {
            let shift = |day: usize| if day >= 15 { -0.25 } else { 0.0 };
            let Some(change) = Chart::new(&stand(&mut chance, 20, shift)).change else {
                continue;
            };
            found += 1;
            near += usize::from(change.from.abs_diff(15) <= 1);
            held += usize::from((change.difference + 0.25).abs() < change.half_width);
        }
        assert!(found >= 90, "{found}");
        assert!(
            near * 100 >= found * 85 && held * 100 >= found * 85,
            "{found} {near} {held}"
        );
    }

    #[test]
    fn no_days_and_days_that_are_all_alike_are_no_trouble() {
        assert!(Chart::new(&[]).days.is_empty());
        let alike = |day: u32| CheckPull {
            time_s: 86_400.0 * f64::from(day),
            build: 0,
            value: 11.0,
        };
        let chart = Chart::new(&(0..6).map(alike).collect::<Vec<_>>());
        assert_eq!(chart.days.len(), 6);
        let calm = |judged: &Judged| judged.against.is_none_or(|a| a.alarm.is_none());
        assert!(chart.days.iter().all(calm) && chart.change.is_none());
    }
}
