//! What engine and absorber are to the loop, from a run in which the output was switched to and fro.
//!
//! What is read is the speed's answer to each switch. The absorber's lag is tried, and for each lag the changes of mean speed,
//! window to window, are fitted by least squares with the change that the absorber's torque makes, a constant, a slope over time
//! (a throttle that is moved) and one over speed (what engine and losses do by themselves): the lag with the least squares is
//! taken (separable least squares: G. Golub, V. Pereyra, SIAM Journal on Numerical Analysis 10 (1973), 413-432). Windows that
//! follow each other share errors, of cycles and of teeth, so that the uncertainty is that of W. Newey, K. West, Econometrica 55
//! (1987), 703-708.
//!
//! The run is switched by a plan. When the speed itself switches it, what the engine's cycles did to the speed decides when
//! torque comes, and least squares take the one for the other (the bias of identification in closed loop: L. Ljung, "System
//! Identification", 2nd ed., ch. 13, from memory).

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
    /// Changes of speed that were left out, of misfires and of teeth out of place.
    pub left_out: usize,
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
        "the board's output is not what its settings make: it tells {told_percent:.1} % of full output off, switched by {swing_percent:.1} %. Its firmware drives otherwise than the reference's, or limits what it puts out: that can't be tuned so"
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
        "too noisy to tell: the inertia is known to {inertia_percent:.0} % and the delay to {delay_percent:.0} % (k = 2), expected {INERTIA_PERCENT_MAX:.0} % and {DELAY_PERCENT_MAX:.0} %. Tune again with the engine warm, and its throttle a little further open and fixed"
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
/// When the board obeyed and when it told is known to so many steps.
const STEPS_OFF: usize = 3;
/// An output that changes by less within those rests.
const AT_REST: f64 = 0.003;
/// Told outputs that are as near to those reckoned, all in all, to so much say nothing.
const TOLD_SAME: f64 = 1e-4;
/// Terms of the motion in the fit: torque, constant, time, speed. After them come the errors of the teeth that windows begin with.
const TERMS: usize = 4;
/// Most of those: with more of them each is seen too seldom.
const ERRORS_MAX: usize = 16;
/// Windows over which errors are shared.
const SHARED: usize = 8;
/// Residuals beyond so many robust standard deviations are misfires, or teeth out of place: an engine's cycles vary by some per
/// cent, and one that does not burn lacks all of its work.
const OUTLIER: f64 = 6.0;
/// How often what is left out is chosen anew, at most, with a lag and with the next.
const ROUNDS: usize = 8;
const SEARCHES: usize = 3;
/// The term of the speed, and what is likely of it, times mean torque over mean speed: a throttle that lets no more air through gives
/// −1 and its friction, a wide open one none; a map's slope is out by some tenths (our judgement).
const SPEED: usize = 3;
const OVER_SPEED: (f64, f64) = (-0.75, 1.0);

type Row = [f64; TERMS];

struct Trial {
    /// A change of speed a row, a term a column; nothing in those left out.
    rows: DMatrix<f64>,
    coefficients: DVector<f64>,
    /// What is not left out, and that of all.
    residuals: DVector<f64>,
    of_all: DVector<f64>,
    /// How many are not left out.
    count: f64,
    squares: f64,
    /// What is known of the speed's term beforehand, in changes of speed.
    weight: f64,
    torque_nm: f64,
}

impl Trial {
    fn scatter(&self) -> f64 {
        (self.residuals.norm_squared() / self.count.max(1.0)).sqrt()
    }
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
        let (model_inertia, model_lag) = model_u(absorber.kind)?;
        let switches = self.orders.len().saturating_sub(1);
        // Obeyed at the step after what was told.
        for order in &mut self.orders {
            order.at_s += 0.5 / set.rate_hz as f64;
        }
        let stated_s = Q8 as f64 / set.lag as f64;
        // What was before the first order is not known.
        let known_s = self.orders.first().map_or(0.0, |it| it.at_s) + (3.0 * stated_s).max(0.3);
        self.speeds.retain(|it| it.from_s >= known_s);
        if switches < SWITCHES_MIN || self.speeds.len() < MEANS_MIN {
            return Err(NotIdentified::TooShort {
                switches,
                means: self.speeds.len(),
            });
        }
        let swing = self.swing();
        let mut known = Known::of(self, absorber, set);
        known.choose_times(stated_s);
        let told = known.told_apart;
        if told > TOLD_MAX * swing {
            return Err(NotIdentified::OtherOutput {
                told_percent: 100.0 * told,
                swing_percent: 100.0 * swing,
            });
        }
        let longest_s = LAG_MAX.0 * stated_s + LAG_MAX.1;
        // Every stiction with its best lag.
        let is_valve = matches!(absorber.follows, Follows::Valve { .. });
        let tried = if is_valve {
            STICKS.as_slice()
        } else {
            &STICKS[..1]
        };
        let search = |known: &Known<'_>| -> Vec<(Trial, f64)> {
            let at = |sticks: f64| {
                let squares = |lag_s: f64| known.fit(lag_s, sticks).squares;
                let lag_s = least(squares, LAG_MIN_S, longest_s);
                (known.fit(lag_s, sticks), lag_s)
            };
            tried.iter().map(|sticks| at(*sticks)).collect()
        };
        let best_of = |each: &[(Trial, f64)]| {
            let squares = |at: &usize| each[*at].0.squares;
            (0..each.len())
                .min_by(|left, right| squares(left).total_cmp(&squares(right)))
                .unwrap_or(0)
        };
        let mut each = search(&known);
        for _ in 0..SEARCHES {
            let best = best_of(&each);
            let was_known = known.noise > 0.0;
            if !known.leave_out(each[best].1, tried[best]) && was_known {
                break;
            }
            each = search(&known);
        }
        let best = best_of(&each);
        let (found, lag_s) = (&each[best].0, each[best].1);
        if lag_s > 0.98 * longest_s {
            return Err(NotIdentified::NoLag { lag_s });
        }
        let per_inertia = found.coefficients[0];
        if per_inertia.is_nan() || per_inertia <= 0.0 {
            return Err(NotIdentified::DoesNotFollow);
        }
        let apart_s = (0.05 * lag_s).max(1e-4);
        let later = known.fit(lag_s + apart_s, tried[best]);
        let slope = (later.rows.column(0) - found.rows.column(0)) * (per_inertia / apart_s);
        let own = covariance(found, &slope).ok_or(NotIdentified::DoesNotFollow)?;
        // Stictions that fit as well leave inertia and lag open: each counts by its likelihood, of windows that are not all
        // independent.
        let independent = found.count / INDEPENDENT;
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
            rad_per_s: known.mean_rad_per_s,
            torque_nm: found.torque_nm,
            sticks: tried[best],
            switches,
            left_out: known.left_out.iter().filter(|it| **it).count(),
            scatter_rad_per_s: found.scatter(),
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
    run: RelayRun,
    absorber: &'a Absorber,
    set: &'a Settings,
    begin_s: f64,
    step_s: f64,
    /// Middle of each window, s, and its speed.
    middle: Vec<(f64, f64)>,
    mean_s: f64,
    mean_rad_per_s: f64,
    errors: Vec<u16>,
    /// The board's output at each step, and how far what it told was from it.
    outputs: Vec<f64>,
    told_apart: f64,
    /// Changes of speed that a misfire or a tooth out of place made.
    left_out: Vec<bool>,
    /// Variance of the others, (rad/s)².
    noise: f64,
}

impl<'a> Known<'a> {
    fn of(run: RelayRun, absorber: &'a Absorber, set: &'a Settings) -> Self {
        let middle: Vec<(f64, f64)> = run
            .speeds
            .iter()
            .map(|it| (0.5 * (it.from_s + it.to_s), it.rad_per_s))
            .collect();
        let mean =
            |of: fn(&(f64, f64)) -> f64| middle.iter().map(of).sum::<f64>() / middle.len() as f64;
        let (mean_s, mean_rad_per_s) = (mean(|it| it.0), mean(|it| it.1));
        let mut known = Self {
            absorber,
            set,
            begin_s: run.orders.first().map_or(0.0, |it| it.at_s),
            step_s: 1.0 / set.rate_hz as f64,
            mean_s,
            mean_rad_per_s,
            errors: error_teeth(&run.speeds),
            outputs: Vec::new(),
            told_apart: 0.0,
            left_out: vec![false; run.speeds.len() - 1],
            noise: 0.0,
            middle,
            run,
        };
        known.drive();
        known
    }

    /// Takes for each order whose time is open the one that fits better: what the board told of its output, and where that
    /// leaves it open, the speed.
    fn choose_times(&mut self, lag_s: f64) {
        let of = |known: &Self| (known.told_apart, known.fit(lag_s, 0.0).squares);
        let mut best = of(self);
        for at in 0..self.run.orders.len() {
            let order = self.run.orders[at];
            let Some(or_s) = order.or_s else { continue };
            self.run.orders[at].at_s = or_s;
            self.drive();
            let now = of(self);
            let nearer = best.0 - now.0;
            if nearer > TOLD_SAME || (nearer > -TOLD_SAME && now.1 < best.1) {
                best = now;
            } else {
                self.run.orders[at] = order;
            }
        }
        self.drive();
    }

    /// What the board puts out, as in the loop's `put_out`, in its whole numbers; and what it adds for a current that is lacking,
    /// from what it told.
    fn drive(&mut self) {
        let Self {
            ref run,
            set,
            begin_s,
            step_s,
            ..
        } = *self;
        let end_s = run.speeds.last().map_or(begin_s, |it| it.to_s);
        let whole = |order: &OutputOrder| whole(order.output);
        // The speed was held before: halfway between the first two.
        let first = run.orders.first().map_or(0, whole);
        let begin = (first + run.orders.get(1).map_or(first, whole)) / 2;
        let (mut place, mut output) = (begin, begin);
        let change = (set.slew << 8) / set.rate_hz;
        let mut order = 0;
        let mut outputs: Vec<f64> = Vec::new();
        let time_s = |step: usize| begin_s + step as f64 * step_s;
        while time_s(outputs.len()) < end_s + step_s {
            let now_s = time_s(outputs.len());
            while run.orders.get(order + 1).is_some_and(|it| it.at_s <= now_s) {
                order += 1;
            }
            let wanted = run.orders.get(order).map_or(0, whole);
            let led = (place + (((wanted - place) * set.lead) >> 8))
                .clamp(set.output_min, set.output_max);
            output = if set.slew > 0 {
                led.clamp(output - change, output + change)
            } else {
                led
            };
            place += (((output - place) * set.lag) >> 8) / set.rate_hz;
            place = place.clamp(0, Q16);
            outputs.push(output as f64 / Q16 as f64);
        }
        // Where the output moves, a step more or less is much.
        let about = |at_s: f64| {
            let at = steps(at_s - begin_s, step_s)?;
            let each =
                outputs.get(at.saturating_sub(STEPS_OFF)..(at + STEPS_OFF).min(outputs.len()))?;
            let low = each.iter().copied().fold(f64::INFINITY, f64::min);
            let high = each.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            (low <= high).then_some((low, high))
        };
        let told = || {
            let each = run.told.iter();
            each.filter_map(|it| Some((it.0, it.1, about(it.0)?)))
        };
        let added: Vec<(f64, f64)> = told()
            .filter(|(_, _, (low, high))| high - low < AT_REST)
            .map(|(at_s, told, (low, high))| (at_s, told - 0.5 * (low + high)))
            .collect();
        let apart = told().map(|(at_s, told, (low, high))| {
            let told = told - between(&added, at_s);
            told - told.clamp(low, high)
        });
        let apart: Vec<f64> = apart.collect();
        self.told_apart =
            (apart.iter().map(|it| it * it).sum::<f64>() / apart.len().max(1) as f64).sqrt();
        for (step, output) in outputs.iter_mut().enumerate() {
            *output += between(&added, time_s(step));
        }
        self.outputs = outputs;
    }

    /// Leaves out what a misfire changed, and what a tooth out of place did; whether that is another choice. The pulse of a cycle
    /// shows in the windows beside its own too.
    fn leave_out(&mut self, lag_s: f64, sticks: f64) -> bool {
        let before = self.left_out.clone();
        let mut far = vec![false; before.len()];
        for _ in 0..ROUNDS {
            let residuals = self.fit(lag_s, sticks).of_all;
            let kept = residuals
                .iter()
                .zip(&self.left_out)
                .filter(|it| !it.1)
                .map(|it| it.0.abs());
            let limit = OUTLIER * deviation(kept);
            let now: Vec<bool> = residuals.iter().map(|it| it.abs() > limit).collect();
            if now == far {
                break;
            }
            far = now;
            self.left_out = (0..far.len())
                .map(|at| far[at.saturating_sub(1)..(at + 2).min(far.len())].contains(&true))
                .collect();
        }
        let trial = self.fit(lag_s, sticks);
        self.noise = trial.scatter().powi(2);
        self.left_out != before
    }

    /// The fit with one lag, and one stiction of a valve.
    fn fit(&self, lag_s: f64, sticks: f64) -> Trial {
        let Self {
            absorber,
            begin_s,
            step_s,
            mean_s,
            mean_rad_per_s,
            ..
        } = *self;
        let speeds = &self.run.speeds;
        let moves = match absorber.follows {
            Follows::Valve { stroke_s, .. } => step_s / stroke_s,
            Follows::Coil { .. } | Follows::Electronics { .. } => f64::INFINITY,
        };
        let toward = 1.0 - (-step_s / lag_s).exp();
        let begin = self.outputs.first().copied().unwrap_or(0.0);
        let (mut valve, mut valve_moves, mut level) = (begin, false, begin);
        // What each term has added to the speed until a step, and the sum of that: means over windows are differences of it.
        let (mut added, mut sum) = ([0.0; TERMS], [0.0; TERMS]);
        let (mut sums, mut torques): (Vec<Row>, f64) = (Vec::new(), 0.0);
        let mut place = 0;
        for (step, output) in self.outputs.iter().enumerate() {
            let time_s = begin_s + step as f64 * step_s;
            sums.push(sum);
            while self
                .middle
                .get(place + 1)
                .is_some_and(|next| next.0 <= time_s)
            {
                place += 1;
            }
            let near = &self.middle[place..(place + 2).min(self.middle.len())];
            let speed = between(near, time_s);
            let torque_nm = absorber.torque_nm(speed, level, 1.0);
            torques += torque_nm;
            let rates = [-torque_nm, 1.0, time_s - mean_s, speed - mean_rad_per_s];
            for ((sum, added), rate) in sum.iter_mut().zip(&mut added).zip(rates) {
                *sum += *added * step_s;
                *added += rate * step_s;
            }
            let away = output - valve;
            valve_moves |= away.abs() > sticks;
            if valve_moves {
                valve += away.clamp(-moves, moves);
                valve_moves = away.abs() > moves;
            }
            level = (level + (valve - level) * toward).clamp(0.0, 1.0);
        }
        let torque_nm = torques / self.outputs.len().max(1) as f64;
        let at = |time_s: f64| -> Row {
            let place = ((time_s - begin_s) / step_s).max(0.0);
            let whole = steps(place, 1.0).unwrap_or(0).min(sums.len() - 2);
            let share = place - whole as f64;
            std::array::from_fn(|term| {
                sums[whole][term] + share * (sums[whole + 1][term] - sums[whole][term])
            })
        };
        let means: Vec<Vec<f64>> = speeds
            .iter()
            .map(|it| {
                let (from, to) = (at(it.from_s), at(it.to_s));
                let motion = (0..TERMS).map(|term| (to[term] - from[term]) / (it.to_s - it.from_s));
                // A tooth that is late by an angle makes what it ends slower, and what it begins faster.
                let per_rad = it.rad_per_s / it.turned_rad;
                let is = |tooth: u16, of: u16| if tooth == of { per_rad } else { 0.0 };
                let late = self
                    .errors
                    .iter()
                    .map(|&tooth| is(it.teeth.0, tooth) - is(it.teeth.1, tooth));
                motion.chain(late).collect()
            })
            .collect();
        let terms = TERMS + self.errors.len();
        let all = DMatrix::from_fn(means.len() - 1, terms, |row, term| {
            means[row + 1][term] - means[row][term]
        });
        let changes = DVector::from_fn(speeds.len() - 1, |at, _| {
            speeds[at + 1].rad_per_s - speeds[at].rad_per_s
        });
        let kept = self.left_out.iter().map(|out| f64::from(!out));
        let kept = DVector::from_iterator(self.left_out.len(), kept);
        let mut rows = all.clone();
        for mut term in rows.column_iter_mut() {
            term.component_mul_assign(&kept);
        }
        // What engine and losses do over speed, taken from what is likely: the mean of the switching follows the speed, and
        // the fit by itself takes for it what is the absorber's lag.
        let per_speed = torque_nm / mean_rad_per_s / self.set.inertia as f64 * f64::from(1 << 20);
        let weight = self.noise / (OVER_SPEED.1 * per_speed).powi(2);
        let mut normal = rows.transpose() * &rows;
        normal[(SPEED, SPEED)] += weight;
        let mut right = rows.transpose() * &changes;
        right[SPEED] += weight * OVER_SPEED.0 * per_speed;
        let inverse = normal.try_inverse();
        let inverse = inverse.unwrap_or_else(|| DMatrix::from_element(terms, terms, f64::NAN));
        let coefficients = &inverse * right;
        let of_all = changes - all * &coefficients;
        let residuals = of_all.component_mul(&kept);
        let off = coefficients[SPEED] - OVER_SPEED.0 * per_speed;
        let squares = residuals.norm_squared() + weight * off * off;
        Trial {
            rows,
            coefficients,
            squares: if squares.is_finite() {
                squares
            } else {
                f64::INFINITY
            },
            count: kept.sum(),
            weight,
            residuals,
            of_all,
            torque_nm,
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
        Kind::EddyCurrent => Ok((0.03, 0.04)),
        Kind::Water => Err(NotIdentified::Knocks),
        Kind::Hydraulic => Ok((0.045, 0.04)),
        Kind::Generator => Ok((0.015, 0.04)),
    }
}

/// Standard deviation by the median: that of a normal's sizes is 0.6745 of it.
fn deviation(sizes: impl Iterator<Item = f64>) -> f64 {
    let mut sizes: Vec<f64> = sizes.collect();
    sizes.sort_by(f64::total_cmp);
    sizes.get(sizes.len() / 2).copied().unwrap_or(0.0) / 0.6745
}

/// Variances of the torque's coefficient and of the lag, `slope` being what the lag does to each change.
fn covariance(found: &Trial, slope: &DVector<f64>) -> Option<(f64, f64)> {
    let last = found.rows.ncols();
    let mut rows = found.rows.clone().insert_column(last, 0.0);
    rows.set_column(last, slope);
    let mut normal = rows.transpose() * &rows;
    normal[(SPEED, SPEED)] += found.weight;
    let inverse = normal.try_inverse()?;
    let small = found.count / (found.count - rows.ncols() as f64).max(1.0);
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
        // What is known beforehand is out by what it says.
        let before = inverse[(at, SPEED)].powi(2) * found.weight * found.scatter().powi(2);
        small * sum + before
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
