//! What engine and absorber are to the loop, from a run in which the output was switched as the speed passed a set point.
//!
//! The relay is Åström's and Hägglund's (see [`super::tuning::ultimate_gain`]); what is read from it is not its period, which
//! holds the host's own delay too, but the speed's answer to each switch. The absorber's lag is tried, and for each lag
//! the changes of mean speed, window to window, are fitted by least squares with the change that the absorber's torque makes,
//! a constant, a slope over time (a throttle that is moved) and one over speed (what engine and losses do by themselves):
//! the lag with the least squares is taken (separable least squares: G. Golub, V. Pereyra, SIAM Journal on Numerical Analysis
//! 10 (1973), 413-432). Windows that follow each other share errors, of cycles and of teeth, so that the uncertainty is that of
//! W. Newey, K. West, Econometrica 55 (1987), 703-708.

use nalgebra::{DMatrix, DVector};

use super::absorber::{Absorber, Follows, Kind, between};
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
    /// The wheel's teeth that it begins and ends with, from any one on, below the teeth of a turn.
    pub teeth: (u16, u16),
    /// Angle between them, rad.
    pub turned_rad: f64,
}

/// An output that the board was told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutputOrder {
    /// When it began to obey, s.
    pub at_s: f64,
    /// When it may have done so instead, where what it tells leaves that open, s.
    pub or_s: Option<f64>,
    /// Output, 0 to 1.
    pub output: f64,
}

/// A run with its output switched. Times are of one clock.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RelayRun {
    /// Mean speeds over equal counts of teeth, one after the other: over a working cycle each, so that its pulses don't show.
    pub speeds: Vec<MeanSpeed>,
    /// What the board obeyed, in order.
    pub orders: Vec<OutputOrder>,
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
    /// A valve stays where it is until its output is so far from it, a share of its way.
    pub sticks: f64,
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
    /// The board drives something else.
    #[error(
        "the board's output is not what its settings make: {told_percent:.1} % of full output off, switched by {swing_percent:.1} %. A driver that limits, or firmware other than the reference's"
    )]
    OtherOutput {
        /// Standard deviation from it, %.
        told_percent: f64,
        /// How far it was switched, %.
        swing_percent: f64,
    },
    /// A water brake.
    #[error(
        "a water brake can't be tuned by switching it: its water knocks as the valve moves, and that can't be told from its lag. Measure the valve's stroke at rest, and the time it fills in, and write them under [absorber]"
    )]
    Knocks,
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
const INERTIA_PERCENT_MAX: f64 = 30.0;
/// The same of the delay: a SIMC loop stands 159 % more.
const DELAY_PERCENT_MAX: f64 = 60.0;
/// When an order is obeyed is known to a step of the loop or two, s.
const ORDER_U_S: f64 = 0.001;
/// Windows that share errors count as so many fewer (our judgement).
const INDEPENDENT: f64 = 3.0;
/// Greatest distance of the told output from the reckoned one, over what was switched.
const TOLD_MAX: f64 = 0.25;
/// Shortest lag that is told from none, s.
const LAG_MIN_S: f64 = 5e-4;
/// Longest over the stated one, and so much more, s.
const LAG_MAX: (f64, f64) = (4.0, 0.1);
/// Stiction of a valve that is tried, shares of its way.
const STICKS: [f64; 9] = [0.0, 0.003, 0.006, 0.009, 0.012, 0.016, 0.02, 0.03, 0.04];
/// Half the width over which maps are compared.
const MAP_STEP: f64 = 0.03;
/// A told output is compared from so long after a switch on, s,
const TOLD_AFTER_S: f64 = 0.03;
/// and until so long before the next, s.
const TOLD_BEFORE_S: f64 = 0.005;
/// Terms of the motion in the fit: torque, constant, time, speed. After them come the errors of the teeth that windows begin with.
const TERMS: usize = 4;
/// Most of those: with more of them each is seen too seldom.
const ERRORS_MAX: usize = 16;
/// Windows over which errors are shared.
const SHARED: usize = 8;
/// Residuals beyond so many robust standard deviations are teeth out of place.
const OUTLIER: f64 = 6.0;

type Row = [f64; TERMS];

struct Trial {
    /// A change of speed a row, a term a column.
    rows: DMatrix<f64>,
    coefficients: DVector<f64>,
    /// Distance of the board's output as told from the one reckoned, squared and summed.
    told_squares: f64,
    told: usize,
    residuals: DVector<f64>,
    squares: f64,
    torque_nm: f64,
}

impl RelayRun {
    /// Finds inertia and lag, and how far a valve sticks. `absorber` and `set` are what the board was set for during the run,
    /// `delay_s` the loop's other delays at that speed.
    ///
    /// # Errors
    /// [`NotIdentified`].
    pub fn identify(
        mut self,
        absorber: &Absorber,
        set: &Settings,
        delay_s: f64,
    ) -> Result<Identified, NotIdentified> {
        let switches = self.orders.len().saturating_sub(1);
        // Obeyed at the step after what was told.
        for order in &mut self.orders {
            order.at_s += 0.5 / set.rate_hz as f64;
        }
        let (begin_s, end_s) = match (self.orders.first(), self.speeds.last()) {
            (Some(first), Some(last)) => (first.at_s, last.to_s),
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
        let mut known = Known {
            run: &mut self,
            absorber,
            set,
            begin_s,
            end_s,
            step_s: 1.0 / set.rate_hz as f64,
            measures: false,
        };
        let told = [false, true].map(|measures| {
            known.measures = measures;
            known.fit(&speeds, stated_s, 0.0).told_squares
        });
        known.measures = told[1] < told[0];
        known.choose_times(&speeds, stated_s);
        let known = known;
        let longest_s = LAG_MAX.0 * stated_s + LAG_MAX.1;
        // Every stiction with its best lag.
        let is_valve = matches!(absorber.follows, Follows::Valve { .. });
        let tried = if is_valve {
            STICKS.as_slice()
        } else {
            &STICKS[..1]
        };
        let search = |speeds: &[MeanSpeed]| -> Vec<(Trial, f64)> {
            let at = |sticks: f64| {
                let squares = |lag_s: f64| known.fit(speeds, lag_s, sticks).squares;
                let lag_s = least(squares, LAG_MIN_S, longest_s);
                (known.fit(speeds, lag_s, sticks), lag_s)
            };
            tried.iter().map(|sticks| at(*sticks)).collect()
        };
        let best_of = |each: &[(Trial, f64)]| {
            let squares = |at: &usize| each[*at].0.squares;
            (0..each.len())
                .min_by(|left, right| squares(left).total_cmp(&squares(right)))
                .unwrap_or(0)
        };
        let each = search(&speeds);
        let bad = outliers(each[best_of(&each)].0.residuals.as_slice());
        let mut at = 0;
        // A change is of the mean speed at its place and the next.
        speeds.retain(|_| {
            at += 1;
            !bad.contains(&(at - 1))
        });
        let each = search(&speeds);
        let best = best_of(&each);
        let (found, lag_s) = (&each[best].0, each[best].1);
        if lag_s > 0.98 * longest_s {
            return Err(NotIdentified::NoLag { lag_s });
        }
        let swing = known.run.swing();
        let told = (found.told_squares / found.told.max(1) as f64).sqrt();
        if told > TOLD_MAX * swing {
            return Err(NotIdentified::OtherOutput {
                told_percent: 100.0 * told,
                swing_percent: 100.0 * swing,
            });
        }
        let per_inertia = found.coefficients[0];
        if per_inertia.is_nan() || per_inertia <= 0.0 {
            return Err(NotIdentified::DoesNotFollow);
        }
        let apart_s = (0.05 * lag_s).max(1e-4);
        let later = known.fit(&speeds, lag_s + apart_s, tried[best]);
        let slope = (later.rows.column(0) - found.rows.column(0)) * (per_inertia / apart_s);
        let own = covariance(found, &slope).ok_or(NotIdentified::DoesNotFollow)?;
        // Stictions that fit as well leave inertia and lag open: each counts by its likelihood, of windows that are not all
        // independent.
        let independent = found.residuals.len() as f64 / INDEPENDENT;
        let weights: Vec<f64> = each
            .iter()
            .map(|it| (it.0.squares / found.squares).powf(-independent / 2.0))
            .collect();
        let over = |of: &dyn Fn(&(Trial, f64)) -> f64| {
            let all: f64 = weights.iter().sum();
            let mean = |of: &dyn Fn(&(Trial, f64)) -> f64| {
                each.iter()
                    .zip(&weights)
                    .map(|(it, weight)| weight * of(it))
                    .sum::<f64>()
                    / all
            };
            let middle = mean(of);
            (middle, mean(&|it| (of(it) - middle).powi(2)))
        };
        let (model_inertia, model_lag) = model_u(absorber.kind)?;
        let (inertia_kg_m2, spread) = over(&|it| 1.0 / it.0.coefficients[0]);
        let own_kg_m2 = own.0.sqrt() / per_inertia.powi(2);
        let inertia = Estimate {
            value: inertia_kg_m2,
            uncertainty: (own_kg_m2.powi(2) + spread)
                .sqrt()
                .hypot(model_inertia * inertia_kg_m2),
        };
        let (lag_s, spread) = over(&|it| it.1);
        let identified = Identified {
            inertia_kg_m2: inertia,
            lag_s: Estimate {
                value: lag_s,
                uncertainty: (own.1 + spread)
                    .sqrt()
                    .hypot(ORDER_U_S)
                    .hypot(model_lag * lag_s),
            },
            rad_per_s: speeds.iter().map(|it| it.rad_per_s).sum::<f64>() / speeds.len() as f64,
            torque_nm: found.torque_nm,
            sticks: tried[best],
            switches,
            scatter_rad_per_s: (found.squares / found.residuals.len() as f64).sqrt(),
        };
        let inertia_percent = 200.0 * inertia.uncertainty / inertia.value;
        let delay_percent = 200.0 * identified.lag_s.uncertainty / (delay_s + lag_s);
        if inertia_percent > INERTIA_PERCENT_MAX || delay_percent > DELAY_PERCENT_MAX {
            return Err(NotIdentified::TooNoisy {
                inertia_percent,
                delay_percent,
            });
        }
        Ok(identified)
    }

    /// Half of what the output was switched by.
    fn swing(&self) -> f64 {
        let each = self
            .orders
            .windows(2)
            .map(|pair| (pair[1].output - pair[0].output).abs());
        each.sum::<f64>() / 2.0 / (self.orders.len().max(2) - 1) as f64
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

/// What does not change from trial to trial.
struct Known<'a> {
    run: &'a mut RelayRun,
    absorber: &'a Absorber,
    set: &'a Settings,
    begin_s: f64,
    end_s: f64,
    step_s: f64,
    /// The board measures current or place, and makes up for what is lacking.
    measures: bool,
}

/// The board's output and the absorber behind it, as in the loop's `put_out`.
struct Drive {
    place: f64,
    output: f64,
    boost: f64,
    valve: f64,
    valve_moves: bool,
    level: f64,
}

impl Known<'_> {
    /// Takes for each order whose time is open the one that fits better.
    fn choose_times(&mut self, speeds: &[MeanSpeed], lag_s: f64) {
        let mut best = self.fit(speeds, lag_s, 0.0).squares;
        for at in 0..self.run.orders.len() {
            let order = self.run.orders[at];
            let Some(or_s) = order.or_s else { continue };
            self.run.orders[at].at_s = or_s;
            let squares = self.fit(speeds, lag_s, 0.0).squares;
            if squares < best {
                best = squares;
            } else {
                self.run.orders[at] = order;
            }
        }
    }

    /// The fit with one lag, and one stiction of a valve.
    fn fit(&self, speeds: &[MeanSpeed], lag_s: f64, sticks: f64) -> Trial {
        let Self {
            ref run,
            absorber,
            set,
            begin_s,
            end_s,
            step_s,
            measures,
        } = *self;
        let q8 = |value: i64| value as f64 / Q8 as f64;
        let q16 = |value: i64| value as f64 / Q16 as f64;
        let (lead, lag) = (q8(set.lead), q8(set.lag));
        let change = if set.slew > 0 {
            q8(set.slew) * step_s
        } else {
            f64::INFINITY
        };
        let range = (q16(set.output_min), q16(set.output_max));
        let moves = match absorber.follows {
            Follows::Valve { stroke_s, .. } => step_s / stroke_s,
            Follows::Coil { .. } | Follows::Electronics { .. } => f64::INFINITY,
        };
        let toward = 1.0 - (-step_s / lag_s).exp();
        let middle: Vec<(f64, f64)> = speeds
            .iter()
            .map(|it| (0.5 * (it.from_s + it.to_s), it.rad_per_s))
            .collect();
        let mean =
            |of: fn(&(f64, f64)) -> f64| middle.iter().map(of).sum::<f64>() / middle.len() as f64;
        let (mean_s, mean_speed) = (mean(|it| it.0), mean(|it| it.1));

        let begin = between(&run.told, begin_s).clamp(0.0, 1.0);
        let mut it = Drive {
            place: begin,
            output: begin,
            boost: 0.0,
            valve: begin,
            valve_moves: false,
            level: begin,
        };
        // What each term has added to the speed until a step, and the sum of that: means over windows are differences of it.
        let (mut added, mut sum) = ([0.0; TERMS], [0.0; TERMS]);
        let (mut sums, mut torques): (Vec<Row>, f64) = (Vec::new(), 0.0);
        let (mut place, mut order, mut told_at) = (0, 0, 0);
        let (mut told_squares, mut told) = (0.0, 0);
        let is_settled = |order: usize, time_s: f64| {
            let next_s = run
                .orders
                .get(order + 1)
                .map_or(f64::INFINITY, |it| it.at_s);
            time_s - run.orders[order].at_s > TOLD_AFTER_S && next_s - time_s > TOLD_BEFORE_S
        };
        let mut time_s = begin_s;
        while time_s < end_s {
            sums.push(sum);
            while run
                .orders
                .get(order + 1)
                .is_some_and(|next| next.at_s <= time_s)
            {
                order += 1;
            }
            let wanted = run.orders[order].output;
            let led = (it.place + lead * (wanted - it.place)).clamp(range.0, range.1);
            let output = (led + it.boost).clamp(range.0, range.1);
            it.output = output.clamp(it.output - change, it.output + change);
            it.place =
                (it.place + (it.output - it.boost - it.place) * lag * step_s).clamp(0.0, 1.0);
            if measures {
                it.boost = (it.boost + (it.place - it.level) * lag / 4.0 * step_s).clamp(-0.5, 0.5);
            }
            // Right after a switch a step more or less is much.
            while let Some(&(_, output)) = run.told.get(told_at).filter(|told| told.0 <= time_s) {
                told_at += 1;
                if is_settled(order, time_s) {
                    told_squares += (output - it.output).powi(2);
                    told += 1;
                }
            }

            while middle.get(place + 1).is_some_and(|next| next.0 <= time_s) {
                place += 1;
            }
            let speed = between(&middle[place..(place + 2).min(middle.len())], time_s);
            let torque_nm = absorber.torque_nm(speed, it.level, 1.0);
            torques += torque_nm;
            let rates = [-torque_nm, 1.0, time_s - mean_s, speed - mean_speed];
            for ((sum, added), rate) in sum.iter_mut().zip(&mut added).zip(rates) {
                *sum += *added * step_s;
                *added += rate * step_s;
            }
            let away = it.output - it.valve;
            it.valve_moves |= away.abs() > sticks;
            if it.valve_moves {
                it.valve += away.clamp(-moves, moves);
                it.valve_moves = away.abs() > moves;
            }
            it.level = (it.level + (it.valve - it.level) * toward).clamp(0.0, 1.0);
            time_s += step_s;
        }
        let steps_done = sums.len().max(1);
        sums.push(sum);
        let at = |time_s: f64| -> Row {
            let place = ((time_s - begin_s) / step_s).max(0.0);
            let whole = steps(place, 1.0).unwrap_or(0).min(sums.len() - 2);
            let share = place - whole as f64;
            std::array::from_fn(|term| {
                sums[whole][term] + share * (sums[whole + 1][term] - sums[whole][term])
            })
        };
        let errors = error_teeth(speeds);
        let means: Vec<Vec<f64>> = speeds
            .iter()
            .map(|it| {
                let (from, to) = (at(it.from_s), at(it.to_s));
                let motion = (0..TERMS).map(|term| (to[term] - from[term]) / (it.to_s - it.from_s));
                // A tooth that is late by an angle makes what it ends slower, and what it begins faster.
                let per_rad = it.rad_per_s / it.turned_rad;
                let is = |tooth: u16, of: u16| if tooth == of { per_rad } else { 0.0 };
                let late = errors
                    .iter()
                    .map(|&tooth| is(it.teeth.0, tooth) - is(it.teeth.1, tooth));
                motion.chain(late).collect()
            })
            .collect();
        let rows = DMatrix::from_fn(means.len() - 1, TERMS + errors.len(), |row, term| {
            means[row + 1][term] - means[row][term]
        });
        let changes = DVector::from_fn(speeds.len() - 1, |at, _| {
            speeds[at + 1].rad_per_s - speeds[at].rad_per_s
        });
        let coefficients = (rows.transpose() * &rows).try_inverse().map_or_else(
            || DVector::from_element(rows.ncols(), f64::NAN),
            |inverse| inverse * (rows.transpose() * &changes),
        );
        let residuals = changes - &rows * &coefficients;
        let squares = residuals.norm_squared();
        Trial {
            rows,
            coefficients,
            told_squares,
            told,
            squares: if squares.is_finite() {
                squares
            } else {
                f64::INFINITY
            },
            residuals,
            torque_nm: torques / steps_done as f64,
        }
    }
}

/// Teeth that windows begin and end with, but one, whose place the others are taken from; none where there are too many.
fn error_teeth(speeds: &[MeanSpeed]) -> Vec<u16> {
    let mut teeth: Vec<u16> = speeds
        .iter()
        .flat_map(|it| [it.teeth.0, it.teeth.1])
        .collect();
    teeth.sort_unstable();
    teeth.dedup();
    if teeth.len() > ERRORS_MAX {
        return Vec::new();
    }
    teeth.split_off(1.min(teeth.len()))
}

/// Relative standard uncertainties of inertia and lag by what no model here has: a map's shape, what warms up, iron that
/// saturates, oil that gives. What drawn brakes were out by, beyond their scatter: `cargo run -p leverarm-tests --bin tuning`.
/// A water brake has none: its torque first goes the wrong way as its valve moves, and swings after it, which no lag can be told
/// from (inertias of drawn ones came out up to 70 % too great).
///
/// # Errors
/// [`NotIdentified::Knocks`] for those.
pub const fn model_u(kind: Kind) -> Result<(f64, f64), NotIdentified> {
    match kind {
        Kind::EddyCurrent => Ok((0.055, 0.065)),
        Kind::Water => Err(NotIdentified::Knocks),
        Kind::Hydraulic => Ok((0.06, 0.08)),
        Kind::Generator => Ok((0.015, 0.04)),
    }
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
fn covariance(found: &Trial, slope: &DVector<f64>) -> Option<(f64, f64)> {
    let last = found.rows.ncols();
    let mut rows = found.rows.clone().insert_column(last, 0.0);
    rows.set_column(last, slope);
    let inverse = (rows.transpose() * &rows).try_inverse()?;
    let count = found.residuals.len() as f64;
    let small = count / (count - rows.ncols() as f64).max(1.0);
    let variance = |at: usize| {
        // What each score adds to the coefficient.
        let parts = (&rows * inverse.column(at)).component_mul(&found.residuals);
        let sum: f64 = (0..=SHARED.min(parts.len() - 1))
            .map(|lag| {
                let weight = 1.0 - lag as f64 / (SHARED as f64 + 1.0);
                let times = if lag == 0 { 1.0 } else { 2.0 };
                let pairs = parts.len() - lag;
                times * weight * parts.rows(0, pairs).dot(&parts.rows(lag, pairs))
            })
            .sum();
        small * sum
    };
    let (first, second) = (variance(0), variance(last));
    (first >= 0.0 && second >= 0.0).then_some((first, second))
}

impl Settings {
    /// What a small change of output changes the torque by, over what the board's own map has it be: the map has eight points
    /// only. `output` is a settled one, 0 to 1.
    #[must_use]
    pub fn map_ratio(&self, absorber: &Absorber, rad_per_s: f64, output: f64) -> f64 {
        let (low, high) = ((output - MAP_STEP).max(0.0), (output + MAP_STEP).min(1.0));
        let full_nm = self.full_torque(whole(rad_per_s)) as f64 / Q16 as f64;
        let share = |output: f64| self.share_of(whole(output)) as f64 / Q16 as f64;
        let own_nm = full_nm * (share(high) - share(low));
        let real_nm =
            absorber.torque_nm(rad_per_s, high, 1.0) - absorber.torque_nm(rad_per_s, low, 1.0);
        if own_nm > 0.0 { real_nm / own_nm } else { 1.0 }
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
