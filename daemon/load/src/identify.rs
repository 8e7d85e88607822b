//! What engine and absorber are to the loop, from a run in which the output was switched as the speed passed a set point.
//!
//! The relay is Åström's and Hägglund's (see [`super::tuning::ultimate_gain`]); what is read from it is not its period, which
//! holds the host's own delay too, but the speed's answer to each switch. The absorber's lag is tried, and for each lag
//! the changes of mean speed, window to window, are fitted by least squares with the change that the absorber's torque makes,
//! a constant, a slope over time (a throttle that is moved) and one over speed (what engine and losses do by themselves):
//! the lag with the least squares is taken (separable least squares: G. Golub, V. Pereyra, SIAM Journal on Numerical Analysis
//! 10 (1973), 413-432). Windows that follow each other share errors, of cycles and of teeth, so that the uncertainty is that of
//! W. Newey, K. West, Econometrica 55 (1987), 703-708.

use super::absorber::between;
use super::controller::{Q8, Q16, Settings};

/// A mean speed of the absorber.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MeanSpeed {
    /// Begin, s.
    pub from_s: f64,
    /// End, s.
    pub to_s: f64,
    /// Mean, rad/s.
    pub rad_per_s: f64,
}

/// A run with its output switched. Times are of one clock.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RelayRun {
    /// Mean speeds over equal counts of teeth, one after the other: over a working cycle each, so that its pulses don't show.
    pub speeds: Vec<MeanSpeed>,
    /// From when on the board obeyed which output, 0 to 1; rising times.
    pub orders: Vec<(f64, f64)>,
    /// What the board told of its output, rising times.
    pub told: Vec<(f64, f64)>,
}

/// A value and its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Value.
    pub value: f64,
    /// Standard uncertainty.
    pub uncertainty: f64,
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Identified {
    /// Torque, as the absorber's map has it, over the acceleration that it makes, kg·m²: inertia, and whatever the map is
    /// out by. It is what the loop has to reckon with.
    pub inertia_kg_m2: Estimate,
    /// Lag of the absorber's torque behind its output, s: a coil's or a filling's time constant.
    pub lag_s: Estimate,
    /// Mean speed of the absorber, rad/s.
    pub rad_per_s: f64,
    /// Mean torque of the absorber, N·m.
    pub torque_nm: f64,
    /// How often the output was switched.
    pub switches: usize,
    /// Scatter of a window's change of speed about the fit, rad/s.
    pub scatter_rad_per_s: f64,
}

/// Why nothing could be found.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum NotIdentified {
    /// Too short.
    #[error(
        "expected at least {SWITCHES_MIN} switches of the output and {MEANS_MIN} mean speeds, found {switches} and {means}"
    )]
    TooShort {
        /// Switches.
        switches: usize,
        /// Mean speeds.
        means: usize,
    },
    /// The speed does not follow the output.
    #[error(
        "the speed does not follow the output: more braking did not slow the engine. A load that does not reach its shaft, a wrong sign, or a map that is far off"
    )]
    DoesNotFollow,
    /// No lag fits.
    #[error(
        "no lag of the absorber fits: the best one is at the end of what was tried, {lag_s:.3} s"
    )]
    NoLag {
        /// The best.
        lag_s: f64,
    },
    /// Too uncertain.
    #[error(
        "too noisy to tell: the inertia is known to {inertia_percent:.0} % and the delay to {delay_percent:.0} % (k = 2), expected {INERTIA_PERCENT_MAX:.0} % and {DELAY_PERCENT_MAX:.0} %. An engine that runs evenly, a fixed throttle and a longer run help"
    )]
    TooNoisy {
        /// Expanded uncertainty of the inertia, %.
        inertia_percent: f64,
        /// The same of the loop's whole delay.
        delay_percent: f64,
    },
}

/// Fewest switches.
pub const SWITCHES_MIN: usize = 8;
/// Fewest mean speeds.
const MEANS_MIN: usize = 60;
/// Greatest expanded uncertainty of the inertia.
const INERTIA_PERCENT_MAX: f64 = 15.0;
/// The same of the delay: a SIMC loop stands 159 % more.
const DELAY_PERCENT_MAX: f64 = 40.0;
/// When an order is obeyed is known to a step of the loop or two, s.
const ORDER_U_S: f64 = 0.001;
/// The map's shape and what warms up during a run, relative (our judgement).
const SHAPE_U: f64 = 0.01;
/// Shortest lag that is told from none, s.
const LAG_MIN_S: f64 = 5e-4;
/// Longest over the stated one, and besides, s.
const LAG_MAX: (f64, f64) = (4.0, 0.1);
/// Terms of the fit: torque, constant, time, speed.
const TERMS: usize = 4;
/// Windows over which errors are shared.
const SHARED: usize = 8;
/// Residuals beyond so many robust standard deviations are teeth out of place.
const OUTLIER: f64 = 6.0;

type Row = [f64; TERMS];

struct Trial {
    rows: Vec<Row>,
    changes: Vec<f64>,
    coefficients: Row,
    residuals: Vec<f64>,
    squares: f64,
    torque_nm: f64,
}

impl RelayRun {
    /// Finds inertia and lag. `set` is what the board was set to during the run, `delay_s` the loop's other delays at that speed.
    ///
    /// # Errors
    /// [`NotIdentified`].
    pub fn identify(&self, set: &Settings, delay_s: f64) -> Result<Identified, NotIdentified> {
        let switches = self.orders.len().saturating_sub(1);
        let (begin_s, end_s) = match (self.orders.first(), self.speeds.last()) {
            (Some(first), Some(last)) => (first.0, last.to_s),
            _ => (0.0, 0.0),
        };
        let stated_s = Q8 as f64 / set.lag as f64;
        // What was before the first order is not known.
        let known_s = begin_s + (5.0 * stated_s).max(0.3);
        let mut speeds: Vec<MeanSpeed> = self
            .speeds
            .iter()
            .copied()
            .filter(|it| it.from_s >= known_s)
            .collect();
        if switches < SWITCHES_MIN || speeds.len() < MEANS_MIN {
            return Err(NotIdentified::TooShort {
                switches,
                means: speeds.len(),
            });
        }
        let step_s = 1.0 / set.rate_hz as f64;
        let outputs = self.outputs(set, step_s, end_s);
        let trial =
            |speeds: &[MeanSpeed], lag_s: f64| fit(speeds, set, &outputs, (begin_s, step_s), lag_s);
        let longest_s = LAG_MAX.0 * stated_s + LAG_MAX.1;
        let mut lag_s = least(|lag_s| trial(&speeds, lag_s).squares, LAG_MIN_S, longest_s);
        let found = trial(&speeds, lag_s);
        let bad = outliers(&found.residuals);
        if !bad.is_empty() {
            // Two changes share a window: the one between two bad ones, and a lone one's later window.
            let mut at = 0;
            speeds.retain(|_| {
                at += 1;
                !bad.contains(&(at - 1))
            });
            lag_s = least(|lag_s| trial(&speeds, lag_s).squares, LAG_MIN_S, longest_s);
        }
        let found = trial(&speeds, lag_s);
        if lag_s > 0.98 * longest_s {
            return Err(NotIdentified::NoLag { lag_s });
        }
        let per_inertia = found.coefficients[0];
        if per_inertia.is_nan() || per_inertia <= 0.0 {
            return Err(NotIdentified::DoesNotFollow);
        }
        let apart_s = (0.05 * lag_s).max(1e-4);
        let later = trial(&speeds, lag_s + apart_s);
        let slope: Vec<f64> = found
            .rows
            .iter()
            .zip(&later.rows)
            .map(|(now, later)| per_inertia * (later[0] - now[0]) / apart_s)
            .collect();
        let covariance = covariance(&found, &slope).ok_or(NotIdentified::DoesNotFollow)?;
        let relative = covariance.0.sqrt() / per_inertia;
        let identified = Identified {
            inertia_kg_m2: Estimate {
                value: 1.0 / per_inertia,
                uncertainty: relative.hypot(SHAPE_U) / per_inertia,
            },
            lag_s: Estimate {
                value: lag_s,
                uncertainty: covariance.1.sqrt().hypot(ORDER_U_S),
            },
            rad_per_s: speeds.iter().map(|it| it.rad_per_s).sum::<f64>() / speeds.len() as f64,
            torque_nm: found.torque_nm,
            switches,
            scatter_rad_per_s: (found.squares / found.residuals.len() as f64).sqrt(),
        };
        let inertia_percent = 200.0 * identified.inertia_kg_m2.uncertainty * per_inertia;
        let delay_percent = 200.0 * identified.lag_s.uncertainty / (delay_s + lag_s);
        if inertia_percent > INERTIA_PERCENT_MAX || delay_percent > DELAY_PERCENT_MAX {
            return Err(NotIdentified::TooNoisy {
                inertia_percent,
                delay_percent,
            });
        }
        Ok(identified)
    }

    /// The board's output from the first order to an end, a value each step: as its loop drives it, and what it tells besides,
    /// where the board makes up for a warm coil.
    fn outputs(&self, set: &Settings, step_s: f64, end_s: f64) -> Vec<f64> {
        let Some(first) = self.orders.first() else {
            return Vec::new();
        };
        let (lead, lag) = (set.lead as f64 / Q8 as f64, set.lag as f64 / Q8 as f64);
        let change = if set.slew > 0 {
            set.slew as f64 / Q8 as f64 * step_s
        } else {
            f64::INFINITY
        };
        let range = (
            set.output_min as f64 / Q16 as f64,
            set.output_max as f64 / Q16 as f64,
        );
        let begin = between(&self.told, first.0).clamp(0.0, 1.0);
        let (mut place, mut output, mut order) = (begin, begin, 0);
        let mut outputs = Vec::new();
        let mut time_s = first.0;
        while time_s < end_s {
            while self
                .orders
                .get(order + 1)
                .is_some_and(|next| next.0 <= time_s)
            {
                order += 1;
            }
            let wanted = self.orders[order].1;
            let led = (place + lead * (wanted - place)).clamp(range.0, range.1);
            output = led.clamp(output - change, output + change);
            place = (place + (output - place) * lag * step_s).clamp(0.0, 1.0);
            outputs.push(output);
            time_s += step_s;
        }
        // Soon after a switch the output moves too fast to be compared.
        let moves_s = 5.0 / (lag * lead) + 0.01;
        let apart: Vec<(f64, f64)> = self
            .told
            .iter()
            .filter_map(|&(at_s, told)| {
                let settled = self
                    .orders
                    .iter()
                    .all(|it| !(-0.002..moves_s).contains(&(at_s - it.0)));
                let own = outputs.get(steps(at_s - first.0, step_s)?)?;
                settled.then_some((at_s, told - own))
            })
            .collect();
        for (output, step) in outputs.iter_mut().zip(0_u32..) {
            *output += between(&apart, first.0 + f64::from(step) * step_s);
        }
        outputs
    }
}

/// Whole steps in a time; none before it.
fn steps(time_s: f64, step_s: f64) -> Option<usize> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not negative, and some minutes of steps"
    )]
    let whole = (time_s / step_s) as usize;
    (time_s >= 0.0).then_some(whole)
}

/// The place of the least value between two, searched by ratio: first in a coarse row, then by the golden section.
fn least(of: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    const PLACES: u32 = 24;
    let ratio = (high / low).powf(1.0 / f64::from(PLACES));
    let place = |at: u32| low * ratio.powf(f64::from(at));
    let best = (0..=PLACES)
        .map(|at| (at, of(place(at))))
        .fold(
            (0, f64::INFINITY),
            |best, it| if it.1 < best.1 { it } else { best },
        )
        .0;
    let (mut left, mut right) = (place(best.saturating_sub(1)), place((best + 1).min(PLACES)));
    let share = 0.5 * (5.0_f64.sqrt() - 1.0);
    let inner = |left: f64, right: f64| {
        (
            right - share * (right - left),
            left + share * (right - left),
        )
    };
    let (mut a, mut b) = inner(left, right);
    let (mut at_a, mut at_b) = (of(a), of(b));
    for _ in 0..24 {
        if at_a < at_b {
            (right, b, at_b) = (b, a, at_a);
            a = inner(left, right).0;
            at_a = of(a);
        } else {
            (left, a, at_a) = (a, b, at_b);
            b = inner(left, right).1;
            at_b = of(b);
        }
    }
    0.5 * (left + right)
}

/// The fit with one lag.
fn fit(
    speeds: &[MeanSpeed],
    set: &Settings,
    outputs: &[f64],
    (begin_s, step_s): (f64, f64),
    lag_s: f64,
) -> Trial {
    let middle: Vec<(f64, f64)> = speeds
        .iter()
        .map(|it| (0.5 * (it.from_s + it.to_s), it.rad_per_s))
        .collect();
    let count = middle.len() as f64;
    let (mean_s, mean) = (
        middle.iter().map(|it| it.0).sum::<f64>() / count,
        middle.iter().map(|it| it.1).sum::<f64>() / count,
    );
    // What each term has added to the speed until a step, and the sum of that: means over windows are differences of it.
    let mut sums: Vec<Row> = Vec::with_capacity(outputs.len() + 1);
    let (mut added, mut sum) = ([0.0; TERMS], [0.0; TERMS]);
    let toward = 1.0 - (-step_s / lag_s).exp();
    let mut level = outputs.first().copied().unwrap_or(0.0).clamp(0.0, 1.0);
    let (mut place, mut torques) = (0, 0.0);
    for (&output, step) in outputs.iter().zip(0_u32..) {
        sums.push(sum);
        let time_s = begin_s + f64::from(step) * step_s;
        while middle.get(place + 1).is_some_and(|next| next.0 <= time_s) {
            place += 1;
        }
        let speed = between(&middle[place..(place + 2).min(middle.len())], time_s);
        level = (level + (output - level) * toward).clamp(0.0, 1.0);
        let torque_nm = set.torque_nm(speed, level);
        torques += torque_nm;
        let rates = [-torque_nm, 1.0, time_s - mean_s, speed - mean];
        for ((sum, added), rate) in sum.iter_mut().zip(&mut added).zip(rates) {
            *sum += *added * step_s;
            *added += rate * step_s;
        }
    }
    sums.push(sum);
    let at = |time_s: f64| -> Row {
        let place = ((time_s - begin_s) / step_s).max(0.0);
        let whole = steps(place, 1.0).unwrap_or(0).min(sums.len() - 2);
        let share = place - whole as f64;
        std::array::from_fn(|term| {
            sums[whole][term] + share * (sums[whole + 1][term] - sums[whole][term])
        })
    };
    let means: Vec<Row> = speeds
        .iter()
        .map(|it| {
            let (from, to) = (at(it.from_s), at(it.to_s));
            std::array::from_fn(|term| (to[term] - from[term]) / (it.to_s - it.from_s))
        })
        .collect();
    let rows: Vec<Row> = means
        .windows(2)
        .map(|pair| std::array::from_fn(|term| pair[1][term] - pair[0][term]))
        .collect();
    let changes: Vec<f64> = speeds
        .windows(2)
        .map(|pair| pair[1].rad_per_s - pair[0].rad_per_s)
        .collect();
    let coefficients = solve(&rows, &changes).unwrap_or([f64::NAN; TERMS]);
    let residuals: Vec<f64> = rows
        .iter()
        .zip(&changes)
        .map(|(row, change)| change - dot(row, &coefficients))
        .collect();
    let squares = residuals.iter().map(|it| it * it).sum::<f64>();
    Trial {
        rows,
        changes,
        coefficients,
        squares: if squares.is_finite() {
            squares
        } else {
            f64::INFINITY
        },
        residuals,
        torque_nm: torques / outputs.len().max(1) as f64,
    }
}

fn dot<const N: usize>(left: &[f64; N], right: &[f64; N]) -> f64 {
    left.iter().zip(right).map(|(l, r)| l * r).sum()
}

/// Least squares.
fn solve<const N: usize>(rows: &[[f64; N]], values: &[f64]) -> Option<[f64; N]> {
    let inverse = inverse(&normal(rows))?;
    let right: [f64; N] = std::array::from_fn(|term| {
        rows.iter()
            .zip(values)
            .map(|(row, value)| row[term] * value)
            .sum()
    });
    Some(std::array::from_fn(|term| dot(&inverse[term], &right)))
}

fn normal<const N: usize>(rows: &[[f64; N]]) -> [[f64; N]; N] {
    std::array::from_fn(|i| std::array::from_fn(|j| rows.iter().map(|row| row[i] * row[j]).sum()))
}

/// By Gauss and Jordan, the greatest pivot first; none of a matrix that has none.
fn inverse<const N: usize>(matrix: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut left = *matrix;
    let mut right: [[f64; N]; N] =
        std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 }));
    for at in 0..N {
        let best = (at..N).fold(at, |best, row| {
            if left[row][at].abs() > left[best][at].abs() {
                row
            } else {
                best
            }
        });
        left.swap(at, best);
        right.swap(at, best);
        let pivot = left[at][at];
        if pivot == 0.0 || !pivot.is_finite() {
            return None;
        }
        for column in 0..N {
            left[at][column] /= pivot;
            right[at][column] /= pivot;
        }
        for row in (0..N).filter(|row| *row != at) {
            let factor = left[row][at];
            for column in 0..N {
                left[row][column] -= factor * left[at][column];
                right[row][column] -= factor * right[at][column];
            }
        }
    }
    Some(right)
}

/// Places of residuals far off.
fn outliers(residuals: &[f64]) -> Vec<usize> {
    let mut sizes: Vec<f64> = residuals.iter().map(|it| it.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    // The median of |x| is 0.6745 of a normal's standard deviation.
    let deviation = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0) / 0.6745;
    let is_far = |it: &(usize, &f64)| it.1.abs() > OUTLIER * deviation;
    residuals
        .iter()
        .enumerate()
        .filter(is_far)
        .map(|it| it.0)
        .collect()
}

/// Variances of the torque's coefficient and of the lag, `slope` being what the lag does to each change.
fn covariance(found: &Trial, slope: &[f64]) -> Option<(f64, f64)> {
    const ALL: usize = TERMS + 1;
    let rows: Vec<[f64; ALL]> = found
        .rows
        .iter()
        .zip(slope)
        .map(|(row, slope)| {
            let [a, b, c, d] = *row;
            [a, b, c, d, *slope]
        })
        .collect();
    let inverse = inverse(&normal(&rows))?;
    let scores: Vec<[f64; ALL]> = rows
        .iter()
        .zip(&found.residuals)
        .map(|(row, residual)| row.map(|it| it * residual))
        .collect();
    let mut middle = [[0.0; ALL]; ALL];
    for lag in 0..=SHARED.min(scores.len() - 1) {
        let weight = 1.0 - lag as f64 / (SHARED as f64 + 1.0);
        for (early, late) in scores.iter().zip(&scores[lag..]) {
            for i in 0..ALL {
                for j in 0..ALL {
                    let both = if lag == 0 {
                        early[i] * late[j]
                    } else {
                        early[i] * late[j] + late[i] * early[j]
                    };
                    middle[i][j] += weight * both;
                }
            }
        }
    }
    let count = found.changes.len() as f64;
    let small = count / (count - ALL as f64).max(1.0);
    let variance = |at: usize| {
        small
            * (0..ALL)
                .map(|i| inverse[at][i] * dot(&middle[i], &inverse[at]))
                .sum::<f64>()
    };
    let (first, second) = (variance(0), variance(TERMS));
    (first >= 0.0 && second >= 0.0).then_some((first, second))
}

impl Settings {
    /// Torque by the board's own map, N·m, at a speed, rad/s, and a settled output.
    fn torque_nm(&self, rad_per_s: f64, output: f64) -> f64 {
        let full = self.full_torque(whole(rad_per_s));
        full as f64 / Q16 as f64 * self.share_of(whole(output)) as f64 / Q16 as f64
    }

    /// The output that a board was told, from the torque that it tells for it and its speed, both times 65,536; none where it has
    /// no torque.
    #[must_use]
    pub fn output_told(&self, torque: i64, speed: i64) -> Option<f64> {
        let full = self.full_torque(speed);
        (full > 0).then(|| self.output_for((torque << 16) / full) as f64 / Q16 as f64)
    }
}

fn whole(value: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "speeds and outputs are far within, and a cast saturates"
    )]
    let whole = (value * Q16 as f64).round() as i64;
    whole
}
