//! Speed and acceleration over a whole pull from numbered teeth.
//!
//! The model: the time at which the wheel has turned by `theta` is a smooth function `tau(theta)`
//! (a quintic spline), and tooth `k` is seen at
//!
//! ```text
//! t_k = tau(theta_k) + delta_j / omega + sum_m g(omega) (a_m cos(m o theta_k) + b_m sin(m o theta_k)) + noise
//! ```
//!
//! with `theta_k = 2 pi k / N`, `delta_j` the unknown position error of tooth `j = k mod N` in rad,
//! and the sum the swing of the wheel with the engine's working cycle, `o` cycles per turn: a torque
//! ripple of the size of the mean torque moves the wheel by an angle that falls with the square of
//! the speed. Then `omega = 1 / tau'` and `alpha = -tau'' omega³`.
//!
//! `tau` has the work of working cycles that are all alike. They are not: their work
//! varies by some per cent from one to the next, so the speed does a random walk around that motion
//! and the tooth times its integral, the *wander*: a quadratic spline whose second difference over a
//! segment is the work that the cycles lacked there. `alpha` belongs to the speed that the wheel really has, `tau` and
//! wander together. A cycle that does not burn stands out from the
//! others and is left free instead of smoothed over. Where the teeth say strongly that all are alike, as those of an
//! electric motor, they are taken to be. A drive that swings adds a narrow line.
//!
//! The fit is penalised least squares: the penalty is on the roughness of `alpha` over time. How
//! much of it, how much the cycles' work varies and how noisy the timing is, is found by restricted
//! maximum likelihood, never by hand (G. Wahba, "Spline Models for Observational Data", SIAM 1990,
//! ch. 4; S. Wood, "Generalized Additive Models", 2nd ed. 2017, sec. 6.2; both from memory); what
//! that leaves open of the roughness, and of its kind, is averaged over and widens the band, by as
//! much as the curve itself shows that smoothing hides something of it. Tooth errors are random
//! effects with a variance of their own. Smooth part and wander make a banded matrix with tooth
//! errors and ripple as its border, so that the cost is linear in the teeth.
//!
//! Differences tooth by tooth would turn a spacing error of 1 % of a pitch into several per cent of
//! torque; here the errors are estimated beside the motion.
//!
//! ```
//! // A wheel of 36 teeth that turns up steadily, 20 rad/s² from 30 rad/s, its timer counting microseconds.
//! use leverarm_filters::speed_fit::{FitOptions, fit_speed};
//! use leverarm_filters::teeth::{Edge, resolve};
//!
//! let pitch_rad = std::f64::consts::TAU / 36.0;
//! let time_s = |theta: f64| ((30_f64.powi(2) + 40.0 * theta).sqrt() - 30.0) / 20.0;
//! let edges: Vec<Edge> = (0..600_u32)
//!     .map(|tooth| Edge {
//!         tick: (1e6 * time_s(pitch_rad * f64::from(tooth))).round() as u64,
//!         number: tooth.into(),
//!     })
//!     .collect();
//! let train = resolve(&edges, 1e6, 36, 1.0);
//! let wheel = FitOptions { teeth_per_turn: 36, cycles_per_turn: None, tick_s: 1e-6, pattern: None };
//! let motion = fit_speed(&train, &wheel)?.at_omega(50.0).expect("passed on the way up");
//! assert!((motion.alpha_rad_per_s2 - 20.0).abs() < 0.1);
//! # Ok::<(), leverarm_filters::speed_fit::FitError>(())
//! ```

mod coarse;
mod likelihood;
mod model;
mod peak;
mod shuffle;

use std::ops::Range;

use nalgebra::{DMatrix, DVector};

use crate::bspline::{Basis, DEGREE, ORDER, even, interpolate};
use crate::convert::floor_to_usize;
use crate::envelope::Envelope;
use crate::teeth::ToothTrain;
use coarse::{Start, coarse};
use likelihood::{Best, Bias, Cycles, Likely, Scatter, Solved, System, Work, shares};
use model::{
    Columns, Current, Layout, Meetings, Problem, Smoothness, WorkRow, alpha_row, gradient, motion,
    roughness,
};

/// What the fit must know about the wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOptions {
    /// Teeth of the wheel, at least 1.
    pub teeth_per_turn: u32,
    /// Working cycles of the engine per turn of the wheel (four-stroke: half the crank turns per
    /// wheel turn; two-stroke: the crank turns), `None` where no engine drives the wheel.
    pub cycles_per_turn: Option<f64>,
    /// Timer tick in s, the floor of the timing noise.
    pub tick_s: f64,
    /// Tooth errors known from before, with how well.
    pub pattern: Option<KnownPattern>,
}

impl FitOptions {
    /// What rounding to ticks alone makes of the timing noise: a tick over the root of 12.
    fn least_noise_s(&self) -> f64 {
        self.tick_s / 12.0_f64.sqrt()
    }
}

/// Tooth position errors learnt earlier.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownPattern {
    /// Position error of tooth `index mod N` in rad, positive where the tooth comes late.
    pub error_rad: Vec<f64>,
    /// Standard uncertainty of each in rad.
    pub uncertainty_rad: f64,
}

/// Why a stretch of teeth can't be fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Not enough teeth.
    #[error("the stretch has {found} teeth, at least {expected} are needed to fit a curve")]
    TooFewTeeth {
        /// Teeth in the stretch.
        found: usize,
        /// Teeth needed.
        expected: usize,
    },
    /// Times or indices that don't increase.
    #[error(
        "tooth {position}: times and indices must increase, found {found_s} s after {previous_s} s"
    )]
    NotIncreasing {
        /// Position in the train.
        position: usize,
        /// Time of the tooth.
        found_s: f64,
        /// Time of the one before.
        previous_s: f64,
    },
    /// A motion that teeth can't have.
    #[error(
        "at {at_s:.2} s the motion that is fitted to the teeth {}, expected {low_rad_per_s:.0} to {high_rad_per_s:.0} rad/s as between the teeth; were they counted wrongly, or does the wheel swing to and fro?",
        turns_at(*.found_rad_per_s, *.high_rad_per_s)
    )]
    UnlikeTeeth {
        /// When, in s on the train's time base.
        at_s: f64,
        /// Speed of the motion in rad/s.
        found_rad_per_s: f64,
        /// Least speed that is believed.
        low_rad_per_s: f64,
        /// Greatest speed that is believed.
        high_rad_per_s: f64,
    },
    /// The normal equations could not be solved.
    #[error("the teeth do not determine a smooth motion (singular normal equations)")]
    Singular,
}

/// A motion in which time stands still or runs back has no speed to tell.
fn turns_at(found_rad_per_s: f64, high_rad_per_s: f64) -> String {
    if found_rad_per_s > 10.0 * high_rad_per_s {
        "jumps or turns back".to_owned()
    } else {
        format!("has {found_rad_per_s:.0} rad/s")
    }
}

/// Motion of the wheel at one instant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Motion {
    /// Time in s, on the train's time base.
    pub time_s: f64,
    /// Angle in rad from the train's tooth of index 0.
    pub theta_rad: f64,
    /// Speed in rad/s.
    pub omega_rad_per_s: f64,
    /// Acceleration in rad/s².
    pub alpha_rad_per_s2: f64,
    /// Standard uncertainty of the acceleration in rad/s², from timing alone.
    pub alpha_uncertainty_rad_per_s2: f64,
}

/// How much the work of a working cycle varies from one to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CycleVariation {
    /// Standard deviation of the work of a cycle over its mean (coefficient of variation), of what
    /// turns the wheel. Cycles left out as jumps don't count.
    pub cov: f64,
    /// Standard uncertainty of `cov`: also that neighbouring cycles may be correlated, and that a drive
    /// which swings does not pass on the work as it is.
    pub uncertainty: f64,
    /// Working cycles in the stretch.
    pub cycles: f64,
}

/// What says how fine a feature the fit shows.
#[derive(Debug, Clone, Copy)]
struct Smoothing {
    /// Derivative of the acceleration over time that the likeliest roughness counts.
    order: i32,
    /// Its weight over the timing noise squared, for an integral over time.
    weight: f64,
    /// Scatter of a cycle's work and cycles per rad of the wheel.
    cov: f64,
    cycles_per_rad: f64,
    teeth_per_rad: f64,
}

/// Work that the engine did not do, or did at once, within a cycle or a few.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WorkJump {
    /// When, in s on the train's time base.
    pub time_s: f64,
    /// Work gained, over the mean work of a cycle that turns the wheel faster: about -1.15 for one cycle that
    /// did not burn where all of the engine's work does that.
    pub cycles: f64,
}

/// The engine's inertia and the drum's swinging against each other on the drive between them, at a
/// frequency that does not follow the speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shuffle {
    /// Frequency in Hz.
    pub frequency_hz: f64,
    /// `None` where working cycles that have its frequency keep it going, or where it can't be told.
    pub damping: Option<Damping>,
    /// Greatest amplitude of the wheel's acceleration in rad/s².
    pub swing_rad_per_s2: f64,
}

/// How fast a swing of the drive dies away.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Damping {
    /// Damping ratio.
    pub ratio: f64,
    /// Standard uncertainty of its logarithm: it may be so many times more or less as `exp` of that.
    pub relative_uncertainty: f64,
}

/// The engine's working cycle meeting the drive's own frequency, which follows no speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// From when to when, in s on the train's time base.
    pub from_s: f64,
    /// The end of it.
    pub to_s: f64,
    /// The frequency that they meet at, in Hz.
    pub frequency_hz: f64,
}

impl Resonance {
    /// By time: those that overlap are one swing, which harmonics of the cycle have too, at its lowest frequency.
    fn joined(mut all: Vec<Self>) -> Vec<Self> {
        all.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
        all.dedup_by(|next, last| {
            let overlaps = next.from_s <= last.to_s;
            if overlaps {
                last.to_s = last.to_s.max(next.to_s);
                last.frequency_hz = last.frequency_hz.min(next.frequency_hz);
            }
            overlaps
        });
        all
    }
}

/// A fitted stretch.
#[derive(Debug, Clone)]
pub struct SpeedFit {
    basis: Basis,
    coefficients: Vec<f64>,
    /// What smoothing moved the coefficients by.
    flattened: Vec<f64>,
    smoothing: Smoothing,
    wander_basis: Option<Basis>,
    wander: Vec<f64>,
    /// Posterior covariance, in the order of the layout.
    covariance: Envelope,
    /// By how much less than expected smoothing hides of the curve: a covariance of its coefficients.
    less_hidden: DMatrix<f64>,
    /// What noise moves its coefficients less `flattened` by, for each of as many independent draws.
    by_noise: DMatrix<f64>,
    layout: Layout,
    theta_range: (f64, f64),
    time_range_s: (f64, f64),
    gaps_s: Vec<(f64, f64)>,
    /// Position error by tooth, in rad; empty for a wheel of one tooth.
    pub pattern_rad: Vec<f64>,
    /// Standard uncertainty of each pattern entry less the mean of all, in rad: the mean is the angle
    /// that counting starts from, which nothing tells.
    pub pattern_uncertainty_rad: Vec<f64>,
    /// Timing noise found, in s rms.
    pub noise_s: f64,
    /// Effective number of parameters of the smooth part.
    pub effective_parameters: f64,
    /// Degrees of freedom of the acceleration's uncertainty: most of it comes from the scatter of the cycles' work,
    /// which is known as well as this (JCGM 100:2008, G.4.2); infinite where it is not told.
    pub scatter_freedom: f64,
    /// Teeth that took part.
    pub teeth_used: usize,
    /// Teeth set aside because their time is far off the model (noise edges taken for teeth).
    pub teeth_set_aside: usize,
    /// Correlation of what is left of a tooth's time with what is left of the next's, where it is more than
    /// chance makes: the model does not follow the wheel.
    pub residual_correlation: Option<f64>,
    /// How unlike the engine's working cycles are; `None` where no engine drives the wheel, the
    /// stretch has too few cycles or the wheel [parts from the drum](Self::parts_from_drum).
    pub cycle_variation: Option<CycleVariation>,
    /// Cycles and moments at which the engine's work jumped, and which the curve leaves out.
    pub work_jumps: Vec<WorkJump>,
    /// Shuffle of the drive, where it shows.
    pub shuffle: Option<Shuffle>,
    /// When the drive swings with the engine's working cycle. It takes work then, and gives some of it
    /// back: the acceleration is not what the engine gives.
    pub resonances: Vec<Resonance>,
    /// Spans in which the wheel swings as no part of the model does, in s on the train's time base:
    /// mostly a drive with play. What the engine gave can't be told there.
    pub restless_s: Vec<(f64, f64)>,
    /// Times, s on the train's time base, and by how much the wheel swings around each beyond what a rigid
    /// drive lets it, rad rms; empty where it is the drum's, or the drive rigid.
    parting: (Vec<f64>, Vec<f64>),
}

const TEETH_MIN: usize = 16;
/// Prior size of a wheel's tooth errors before the data speak, as a share of the pitch.
const PATTERN_PRIOR_SHARE: f64 = 0.01;
/// Prior size of the ripple in s: far above any real one, so that it only steadies the algebra.
const RIPPLE_PRIOR_S: f64 = 1e-3;
/// Prior size of the drive's shuffle in rad, likewise.
const SWING_PRIOR_RAD: f64 = 0.1;
/// Scatter of the cycles' work that pushes on a swinging drive, before the teeth speak.
const PUSHING_COV: f64 = 0.03;
/// Relative standard uncertainty that the variation of the cycles' work has from what the model assumes.
/// It is told by the sum over several cycles; neighbours that are correlated, which one pull hardly shows, make it
/// read that much too high or low: by up to 0.5 either way (common practice, no source), any of it as likely.
/// What the pull does show counts on top.
const COV_BY_CORRELATION: f64 = 0.3;
/// Likewise where the drive swings: it passes the work on stronger below its own frequency and weaker above
/// (found in simulation: from a half too low to twice).
const COV_BY_DRIVE: f64 = 0.35;
/// Correlation of neighbouring cycles is known to such a share of itself (found in simulation), where they are alike.
/// Where they are unlike, what is not seen of it makes the slow part of their scatter less: the band is wide then.
const CORRELATION_KNOWN: f64 = 0.5;
/// Rounds at most; it is done when one changes nothing of what takes part.
const ROUNDS_MAX: usize = 6;
/// Working cycles that a segment of the wander holds, the first that does. A cycle's work comes in a
/// push of less than half its length: a segment that is no longer than it sees how the two lie to each
/// other, but timing may be so fine that a longer one leaves too much of the cycles.
const CYCLES_A_SEGMENT: [f64; 2] = [2.0, 1.0];
/// Residuals are too alike where teeth count for less than this because of it.
const ALIKE_MAX: f64 = 0.9;
const SEEN_WITHIN_CYCLE_MAX: f64 = 1.0;
/// The middle of the engine's swing against the drum moves by such a share of it (found in simulation).
const PARTING_SHARE: f64 = 0.4;
/// Cycles of an engine that turns anything vary by less (near misfire by 10 %): what varies more is no
/// cycles' work.
const COV_MAX: f64 = 0.25;
/// The cycles' correlation has been found when a round moves it by less.
const CORRELATION_SETTLED: f64 = 0.06;
/// Rounding may add so many parameters; more, and it is done again with fewer intervals, unless those are as few as this.
const ROUNDING_MAX: f64 = 0.1;
const INTERVALS_MIN: usize = 24;
/// Fewer intervals help where rounding falls to this share.
const ROUNDING_HELPED: f64 = 0.3;
/// Smoothness that makes the teeth less likely than another by e to the minus half of this is not
/// averaged over.
const UNLIKELY: f64 = 9.0;
/// The first iterations look at whole turns out of so many teeth at most: they only have to come near.
const TEETH_TO_APPROACH: usize = 20_000;
/// Residuals so many robust standard deviations away from those beside them are no teeth.
const SET_ASIDE_SIGMA: f64 = 7.0;
/// Teeth whose residuals are all alike still count for so much.
const ALIKE_WEIGHT_MIN: f64 = 0.2;
/// Of the variance, noise makes more than this whatever smoothing hides.
const SEEN_SHARE_MIN: f64 = 0.25;
/// Edges of a pickup jitter by so much at least (common practice, no source): what the model leaves below is no fault.
const JITTER_MIN_S: f64 = 0.5e-6;
/// Teeth on each side that say how far residuals scatter around one.
const BESIDE: usize = 8;

/// Fits a stretch of numbered teeth.
///
/// # Errors
/// When there are fewer than 16 teeth, when times or indices don't increase, or when the teeth do
/// not determine a motion.
pub fn fit_speed(train: &ToothTrain, options: &FitOptions) -> Result<SpeedFit, FitError> {
    check(train)?;
    let pitch = std::f64::consts::TAU / f64::from(options.teeth_per_turn.max(1));
    let noise_s = (10.0 * options.least_noise_s()).max(1e-6);
    let prior = (noise_s, [PATTERN_PRIOR_SHARE * pitch; 2]);
    let mut meetings = Meetings::default();
    let mut start = coarse(train, options, prior, meetings)?;
    let [mut cycles_a_segment, fewest] = CYCLES_A_SEGMENT;
    let mut inner = intervals(train);
    let mut rounding = f64::INFINITY;
    loop {
        let columns = Columns {
            intervals: inner,
            ripple_from: Some(0.6 * intervals(train) as f64),
            cycles_a_segment: Some(cycles_a_segment),
            meetings,
            shuffle: start.shuffle,
            drift: start.drift,
        };
        let left = LeftToTry {
            segments: cycles_a_segment > fewest,
            rounding,
        };
        match fitted(train, options, &start, columns, left)? {
            Fitted::Done(fit) => {
                turns_as_teeth_do(&fit, train, pitch)?;
                return Ok(*fit);
            }
            Fitted::Alike => cycles_a_segment = fewest,
            Fitted::Drowned(found) => (inner, rounding) = (inner * 2 / 3, found),
            Fitted::Rippling(found) => {
                meetings = found;
                start = coarse(train, options, prior, meetings)?;
            }
        }
    }
}

/// Teeth over which their own speed is taken, and by how many times a smooth motion may pass by the least
/// and the greatest of those: it ends within such a run, and misfires bend it.
const TEETH_OF_SPEED: usize = 8;
const BEYOND_TEETH: f64 = 2.0;

/// Whether the motion goes forward, and nowhere at a speed that the teeth beside it can't have had.
fn turns_as_teeth_do(fit: &SpeedFit, train: &ToothTrain, pitch: f64) -> Result<(), FitError> {
    let runs = TEETH_OF_SPEED..train.time_s.len();
    let (least, most) = runs.fold((f64::INFINITY, 0.0_f64), |(least, most), to| {
        let from = to - TEETH_OF_SPEED;
        let turned = pitch * (train.index[to] - train.index[from]) as f64;
        let omega = turned / (train.time_s[to] - train.time_s[from]);
        (least.min(omega), most.max(omega))
    });
    let believed = least / BEYOND_TEETH..=most * BEYOND_TEETH;
    let before = |theta: f64| {
        train
            .index
            .partition_point(|index| pitch * (*index as f64) < theta)
    };
    let (from, to) = fit.theta_range;
    for theta in even(from, to, 8 * fit.basis.len()) {
        let (omega, _) = fit.turning(theta);
        if !believed.contains(&omega) {
            return Err(FitError::UnlikeTeeth {
                at_s: train.time_s[before(theta).min(train.time_s.len() - 1)],
                found_rad_per_s: omega,
                low_rad_per_s: *believed.start(),
                high_rad_per_s: *believed.end(),
            });
        }
    }
    Ok(())
}

/// How a fit ended.
enum Fitted {
    Done(Box<SpeedFit>),
    /// The segments of the wander leave the teeth too alike.
    Alike,
    /// So smooth a curve drowns in rounding between so many intervals, and needs fewer: parameters that it adds.
    Drowned(f64),
    /// The working cycle meets the drive's own frequency.
    Rippling(Meetings),
}

/// Intervals of the smooth part. Of more, the roughness of the slowest waves would drown in rounding: beside the
/// quickest it falls with the tenth power of their number.
fn intervals(train: &ToothTrain) -> usize {
    let n = train.time_s.len();
    let duration_s = train.time_s[n - 1] - train.time_s[0];
    floor_to_usize(16.0 * duration_s).clamp(40, 64).min(n / 2)
}

/// What may be done otherwise.
#[derive(Debug, Clone, Copy)]
struct LeftToTry {
    /// Shorter segments of the wander.
    segments: bool,
    /// Fewer intervals, if those before had so much rounding and these have far less.
    rounding: f64,
}

/// Fits with these unknowns.
fn fitted(
    train: &ToothTrain,
    options: &FitOptions,
    start: &Start,
    columns: Columns,
    left: LeftToTry,
) -> Result<Fitted, FitError> {
    let pitch = std::f64::consts::TAU / f64::from(options.teeth_per_turn.max(1));
    let mut noise_s = (10.0 * options.least_noise_s()).max(1e-6);
    let mut error_sd = [PATTERN_PRIOR_SHARE * pitch; 2];
    let problem = Problem::new(train, options, columns);
    let mut current = problem
        .refined(&start.basis, &start.coefficients)
        .ok_or(FitError::Singular)?;
    let mut weights = start.weights.clone();
    let mut border = start.border.clone();
    let resonant = problem.resonant();
    let mut released = vec![false; resonant.len()];
    let mut best = [Some(Tried::Not); 2];
    let mut correlation = 0.0;
    let mut tooth_weight = 1.0;
    let mut restless = Vec::new();
    let mut oscillator = problem
        .layout
        .swing
        .map(|swing| swing.oscillator(problem.cycles_density(PUSHING_COV)));
    let passed_on = problem.passed_on_to_wander();
    // Whether the last round changed neither teeth nor cycles that take part.
    let mut settled = false;
    for round in 0..ROUNDS_MAX {
        let work = problem.work_rows(&current);
        let told: Vec<Work> = released
            .iter()
            .zip(&resonant)
            .map(|of| match of {
                (true, _) => Work::Jumped,
                (false, true) => Work::Swings,
                (false, false) => Work::Scatters,
            })
            .collect();
        let normal = if round == 0 {
            problem.normal(&current, &thinned(train, options, &weights))
        } else {
            problem.normal(&current, &weights)
        };
        let mut normal = normal.weighed(tooth_weight);
        let swing_at = &problem.layout.swing_at;
        if let Some(oscillator) = oscillator {
            oscillator.add(&mut normal.a, swing_at, noise_s);
        }
        let ridges = ridge(&problem.layout, options, noise_s, error_sd);
        let kinds = [Smoothness::CurvatureChange, Smoothness::Curvature]
            .map(|smoothness| roughness(&problem, &current, smoothness));
        let held = normal.holding(&border.values, &border.swing, border.told);
        let mut systems: Vec<(System<'_>, Best)> = Vec::with_capacity(2);
        let (mut least, mut correlated) = (f64::INFINITY, correlation);
        for (roughness, best) in kinds.iter().zip(&mut best) {
            let (Some(roughness), Some(before)) = (roughness, *best) else {
                continue;
            };
            let system = |normal, ridges| {
                let cycles = Cycles {
                    rows: &work,
                    kinds: &told,
                    correlation,
                };
                System::new(&problem.layout, normal, roughness, cycles, ridges)
            };
            // What follows the cycles freely takes some of their scatter, as a shuffle does; tooth errors and ripple
            // take as much of it as counts in the end.
            let holds = problem.on_engine() || columns.meetings == Meetings::default();
            let search = if holds && !settled {
                system(&held, (&[], &[]))
            } else {
                system(&normal, (&ridges.0, &ridges.1))
            };
            let chosen = match before {
                Tried::Not => {
                    let known = systems.first().map(|(_, best)| best.at[1]);
                    search.search(search.scan(known))
                }
                Tried::Found(best) => search.search(best.at),
            };
            *best = Some(Tried::Found(chosen));
            // What a drive passes on stronger would look like neighbours that are unlike.
            if !settled && !work.is_empty() && passed_on <= 1.0 && chosen.criterion < least {
                least = chosen.criterion;
                correlated = search.correlation(chosen.at);
            }
            systems.push((system(&normal, (&ridges.0, &ridges.1)), chosen));
        }
        let place = (0..systems.len())
            .min_by(|a, b| systems[*a].1.criterion.total_cmp(&systems[*b].1.criterion))
            .ok_or(FitError::Singular)?;
        let (system, chosen) = &systems[place];
        let solved = system.solve_near(chosen).ok_or(FitError::Singular)?;
        noise_s = solved.noise_s;
        if settled || round + 1 == ROUNDS_MAX {
            for (_, best) in &mut systems {
                best.at[1] += passed_on.ln();
            }
            let (system, chosen) = &systems[place];
            let scatter = system.scatter(chosen);
            let mut likely: Vec<(&System<'_>, Likely)> = Vec::new();
            for (system, best) in &systems {
                let around = system.around(best, scatter).into_iter();
                likely.extend(around.map(|l| (system, l)));
            }
            let rounding = likely.iter().map(|(_, l)| l.rounding).fold(0.0, f64::max);
            let helps = rounding > ROUNDING_MAX && rounding < ROUNDING_HELPED * left.rounding;
            if helps && columns.intervals > INTERVALS_MIN {
                return Ok(Fitted::Drowned(rounding));
            }
            let criterion = |at: usize| likely[at].1.solved.criterion;
            let likeliest = (0..likely.len())
                .min_by(|a, b| criterion(*a).total_cmp(&criterion(*b)))
                .ok_or(FitError::Singular)?;
            let (of_likeliest, best) = &likely[likeliest];
            let found = Found {
                bias: of_likeliest.bias(best, &problem.gradients(&current)),
                likely: likely.into_iter().map(|(_, likely)| likely).collect(),
                likeliest,
                work: &work,
                released: &released,
                best: *chosen,
                scatter,
                cov_deviation: system.cov_deviation(chosen),
                smoothness: system.smoothness(),
                weights: &weights,
                correlation,
                restless,
                noise_s,
            };
            return Ok(Fitted::Done(Box::new(finish(&problem, current, &found))));
        }
        let inverse = solved.factor.inverse();
        let mut next = jumps(&work, &told, &solved, &inverse, chosen.at[1]);
        let swings = next.iter_mut().zip(&resonant);
        swings.for_each(|(jumps, swings)| *jumps &= !swings);
        border = Border::new(&problem, &solved.solution, &inverse, &ridges.0);
        take(&mut current, &problem.layout, &solved.solution);
        let errors = [problem.layout.pattern_at(), problem.layout.drift_at()];
        for (sd, columns) in error_sd.iter_mut().zip(errors) {
            if !columns.is_empty() {
                *sd = error_scale(columns, &solved, &inverse, pitch);
            }
        }
        oscillator = oscillator.map(|before| {
            let variance = solved.noise_s.powi(2);
            let swing = problem.layout.swing_of(&solved.solution);
            before.after(&swing, swing_at, variance, &inverse)
        });
        let residuals = problem.residuals(&current, &solved.solution);
        if round == 1 && columns.meetings == Meetings::default() {
            let found = problem.left_rippling(&current, &solved.solution, &residuals, &weights);
            if found != Meetings::default() {
                return Ok(Fitted::Rippling(found));
            }
        }
        let lacks: Vec<f64> = work_jumps(&work, &next, &solved.solution)
            .into_iter()
            .filter(|(_, cycles)| *cycles < 0.0)
            .map(|(theta, _)| theta)
            .collect();
        restless = problem.restless(&current, &residuals, &weights, &lacks);
        if round == 1 {
            // Once, and of a fit in which all count in full: what smooths more leaves more alike.
            tooth_weight = weight_of_alike(&residuals, &weights, &train.index);
            let seen = problem.seen_within_cycle((-0.5 * chosen.at[1]).exp());
            if left.segments
                && !work.is_empty()
                && (tooth_weight < ALIKE_MAX || seen > SEEN_WITHIN_CYCLE_MAX)
            {
                return Ok(Fitted::Alike);
            }
            settled = tooth_weight >= 1.0;
        }
        let kept = set_aside(&residuals);
        let least = chosen.criterion;
        // What the first round left out or free may have been the reason.
        for tried in best
            .iter_mut()
            .filter(|_| next == released && kept == weights)
        {
            tried.take_if(|t| matches!(t, Tried::Found(b) if b.criterion > least + UNLIKELY));
        }
        drop(systems);
        settled = round > 0
            && (round > 1 || settled)
            && next == released
            && kept == weights
            && (correlated - correlation).abs() < CORRELATION_SETTLED;
        correlation = correlated;
        (weights, released) = (kept, next);
    }
    Err(FitError::Singular)
}

/// Tooth errors and ripple as found last. They hardly change with the weights, and searching for those with
/// them held saves most of the time. Not so the shuffle of a drum: it would take for its own what the cycles'
/// scatter does. The engine's own wheel it swings by as much more as the drum is heavier, and there all of it is.
#[derive(Debug, Clone)]
struct Border {
    values: Vec<f64>,
    /// Positions and values of the shuffle's unknowns that are held.
    swing: Vec<(usize, f64)>,
    /// How many of them the teeth have told, the rest being left to what was known before.
    told: f64,
}

impl Border {
    fn new(problem: &Problem<'_>, solution: &[f64], inverse: &Envelope, ridge: &[f64]) -> Self {
        let layout = &problem.layout;
        let range = layout.band..layout.len();
        let swing_at = layout.swing_at.iter().filter(|_| problem.on_engine());
        let swing: Vec<(usize, f64)> = swing_at.map(|at| (*at, solution[*at])).collect();
        Self {
            told: range
                .clone()
                .chain(swing.iter().map(|(at, _)| *at))
                .map(|i| 1.0 - ridge[i] * inverse.at(i, i))
                .sum(),
            values: solution[range].to_vec(),
            swing,
        }
    }
}

/// How far a kind of smoothness has come.
#[derive(Debug, Clone, Copy)]
enum Tried {
    Not,
    Found(Best),
}

/// Moves the motion by a solution: the smooth part by what it says, the wander to what it says.
fn take(current: &mut Current, layout: &Layout, solution: &[f64]) {
    for (value, at) in current.coefficients.iter_mut().zip(&layout.spline_at) {
        *value += solution[*at];
    }
    for (value, at) in current.wander.iter_mut().zip(&layout.wander_at) {
        *value = at.map_or(0.0, |at| solution[at]);
    }
}

/// A segment's work so many robust standard deviations off is no scatter of the cycles.
const JUMP_SIGMA: f64 = 5.0;
/// Less work than this, in works of a mean cycle, is no jump however alike the others are: one
/// cylinder of four that does not burn lacks 0.3, and a kink of the torque curve some per cent.
const JUMP_CYCLES_MIN: f64 = 0.15;

/// Which segments' work is to be left free, since it can't be scatter: by how far the estimate of
/// each stands from zero over how far it could (auxiliary residuals: A. Harvey, S. Koopman, 1992,
/// from memory).
fn jumps(
    work: &[WorkRow],
    kinds: &[Work],
    solved: &Solved,
    inverse: &Envelope,
    log_kappa: f64,
) -> Vec<bool> {
    let variance = solved.noise_s.powi(2) * (-log_kappa).exp();
    let scores: Vec<f64> = work
        .iter()
        .zip(kinds)
        .map(|(row, kind)| {
            let estimate = row.of(&solved.solution);
            let left = solved.noise_s.powi(2) * inverse.quadratic(&row.row);
            let spread = match kind {
                Work::Scatters => variance - left,
                Work::Swings | Work::Jumped => variance + left,
            };
            estimate / spread.max(1e-6 * variance).sqrt()
        })
        .collect();
    if scores.is_empty() {
        return Vec::new();
    }
    let mut sizes: Vec<f64> = scores.iter().map(|s| s.abs()).collect();
    let middle = sizes.len() / 2;
    let median = *sizes.select_nth_unstable_by(middle, f64::total_cmp).1;
    let limit = JUMP_SIGMA * (1.4826 * median).min(1.0);
    let far: Vec<bool> = scores
        .iter()
        .zip(work)
        .map(|(score, row)| {
            let cycles = row.of(&solved.solution).abs() * row.cycles.sqrt();
            score.abs() > limit && cycles > JUMP_CYCLES_MIN
        })
        .collect();
    // A cycle seldom begins where a segment does.
    (0..far.len())
        .map(|i| far[i.saturating_sub(1)..far.len().min(i + 2)].contains(&true))
        .collect()
}

/// Whole working cycles at even distances of what takes part, in whole turns, so that about
/// [`TEETH_TO_APPROACH`] teeth are left: of one turn in two the cycle would look like tooth errors.
fn thinned(train: &ToothTrain, options: &FitOptions, weights: &[bool]) -> Vec<bool> {
    let every = i64::try_from(weights.len() / TEETH_TO_APPROACH + 1).unwrap_or(1);
    let cycles = options.cycles_per_turn.filter(|c| *c > 0.0).unwrap_or(1.0);
    let turns = floor_to_usize((0.999 / cycles).ceil()).clamp(1, 64);
    let teeth = options.teeth_per_turn.max(1) as usize * turns;
    let block = i64::try_from(teeth).unwrap_or(i64::MAX);
    let kept = weights.iter().zip(&train.index);
    kept.map(|(weight, index)| *weight && index.div_euclid(block).rem_euclid(every) == 0)
        .collect()
}

fn check(train: &ToothTrain) -> Result<(), FitError> {
    if train.time_s.len() < TEETH_MIN {
        return Err(FitError::TooFewTeeth {
            found: train.time_s.len(),
            expected: TEETH_MIN,
        });
    }
    for position in 1..train.time_s.len() {
        let (previous_s, found_s) = (train.time_s[position - 1], train.time_s[position]);
        if found_s <= previous_s || train.index[position] <= train.index[position - 1] {
            return Err(FitError::NotIncreasing {
                position,
                found_s,
                previous_s,
            });
        }
    }
    Ok(())
}

/// Ridge terms (prior precision times noise variance) and the values they pull to.
fn ridge(
    layout: &Layout,
    options: &FitOptions,
    noise_s: f64,
    [pattern_sd, drift_sd]: [f64; 2],
) -> (Vec<f64>, Vec<f64>) {
    let mut ridge = vec![0.0; layout.len()];
    let mut target = vec![0.0; layout.len()];
    for (j, column) in layout.pattern_at().enumerate() {
        match options
            .pattern
            .as_ref()
            .and_then(|p| Some((p, p.error_rad.get(j)?)))
        {
            Some((known, error)) => {
                ridge[column] = (noise_s / known.uncertainty_rad.max(1e-9)).powi(2);
                target[column] = *error;
            }
            None => ridge[column] = (noise_s / pattern_sd).powi(2),
        }
    }
    ridge[layout.drift_at()].fill((noise_s / drift_sd).powi(2));
    ridge[layout.ripple_at()].fill((noise_s / RIPPLE_PRIOR_S).powi(2));
    for at in &layout.swing_at {
        ridge[*at] = (noise_s / SWING_PRIOR_RAD).powi(2);
    }
    (ridge, target)
}

/// One step of expectation–maximisation for the size of the tooth errors.
fn error_scale(columns: Range<usize>, solved: &Solved, inverse: &Envelope, pitch: f64) -> f64 {
    let count = columns.len() as f64;
    let sum: f64 = columns
        .map(|i| solved.solution[i].powi(2) + solved.noise_s.powi(2) * inverse.at(i, i))
        .sum();
    (sum / count).sqrt().clamp(1e-6 * pitch, 0.2 * pitch)
}

/// What a tooth counts for when what is left of it is like what is left of the next: of `n` values
/// whose correlation with the next is `r` and falls off from there, a mean is only as good as that
/// of `n (1 - r) / (1 + r)` independent ones (G. Box, G. Jenkins, "Time Series Analysis", 1976, from
/// memory).
fn weight_of_alike(residuals: &[f64], weights: &[bool], index: &[i64]) -> f64 {
    match alike(residuals, weights, index) {
        Some(correlation) => ((1.0 - correlation) / (1.0 + correlation)).max(ALIKE_WEIGHT_MIN),
        None => 1.0,
    }
}

/// Chance correlates so much, and so many standard deviations of independent ones more.
const ALIKE_BY_CHANCE: f64 = 0.05;
const ALIKE_SIGMA: f64 = 3.0;

/// Correlation of what is left of a tooth with what is left of the next, where it is beyond chance.
fn alike(residuals: &[f64], weights: &[bool], index: &[i64]) -> Option<f64> {
    let (mut with_next, mut square, mut pairs) = (0.0, 0.0, 0.0);
    for k in 1..residuals.len() {
        if weights[k] && weights[k - 1] && index[k] == index[k - 1] + 1 {
            with_next += residuals[k] * residuals[k - 1];
            square += residuals[k].powi(2);
            pairs += 1.0;
        }
    }
    let correlation = with_next / square;
    (correlation > ALIKE_BY_CHANCE + ALIKE_SIGMA / f64::sqrt(pairs)).then_some(correlation)
}

/// Which teeth take part: those that stand out from the teeth beside them do not. Compared with its
/// neighbours, since while the fit is still rough a whole stretch may lie off it and be right.
fn set_aside(residuals: &[f64]) -> Vec<bool> {
    let n = residuals.len();
    let apart: Vec<f64> = (0..n)
        .map(|k| {
            let from = k.saturating_sub(2).min(n.saturating_sub(5));
            let mut beside = [0.0; 5];
            let count = (n - from).min(5);
            beside[..count].copy_from_slice(&residuals[from..from + count]);
            beside[..count].sort_unstable_by(f64::total_cmp);
            (residuals[k] - beside[count / 2]).abs()
        })
        .collect();
    let mut sorted = apart.clone();
    let (_, median, _) = sorted.select_nth_unstable_by(n / 2, f64::total_cmp);
    // 1.4826: median absolute deviation to standard deviation of a normal distribution.
    let limit = SET_ASIDE_SIGMA * (1.4826 * *median).max(JITTER_MIN_S);
    // Where all teeth swing, none is noise.
    let beside = |k: usize| {
        let from = k
            .saturating_sub(BESIDE)
            .min(n.saturating_sub(2 * BESIDE + 1));
        let mut near = apart[from..n.min(from + 2 * BESIDE + 1)].to_vec();
        let middle = near.len() / 2;
        *near.select_nth_unstable_by(middle, f64::total_cmp).1
    };
    let limit_at = |k: usize| limit.max(SET_ASIDE_SIGMA * 1.4826 * beside(k));
    (0..n)
        .map(|k| apart[k] <= limit || apart[k] <= limit_at(k))
        .collect()
}

/// What the last round of the fit came to.
struct Found<'a> {
    bias: Option<Bias>,
    likely: Vec<Likely>,
    likeliest: usize,
    work: &'a [WorkRow],
    released: &'a [bool],
    best: Best,
    scatter: Scatter,
    /// Relative standard deviation of the scatter of the cycles' work, as far as the teeth tell it.
    cov_deviation: f64,
    smoothness: Smoothness,
    weights: &'a [bool],
    /// Of the work of neighbouring segments of the wander.
    correlation: f64,
    restless: Vec<(f64, f64)>,
    noise_s: f64,
}

impl Found<'_> {
    /// Variance of the smooth part that is expected of what smoothing hides, and seems not to be there. It is what
    /// `covariance` has over what noise makes of the likeliest solution: that one hides something, and others that are
    /// about as likely lie elsewhere or follow noise further. Where they are unlike by the scatter of the work, too,
    /// what the likeliest hides.
    fn less_hidden(&self, layout: &Layout, covariance: &Envelope) -> DMatrix<f64> {
        let Some(bias) = &self.bias else {
            return DMatrix::zeros(0, 0);
        };
        let mut hidden = &bias.expected * self.noise_s.powi(2);
        if self.scatter != Scatter::Averaged {
            let likeliest = &self.likely[self.likeliest];
            let variance = likeliest.solved.noise_s.powi(2);
            let at = &layout.spline_at;
            for i in 0..at.len() {
                for j in i.saturating_sub(ORDER - 1)..at.len().min(i + ORDER) {
                    let by_noise = variance * likeliest.inverse.at(at[i], at[j]);
                    hidden[(i, j)] += covariance.at(at[i], at[j]) - by_noise;
                }
            }
        }
        hidden * (1.0 - bias.share)
    }
}

/// The mean over the solutions that are about as likely, and their spread in the covariance: how
/// smooth a curve is, is never known well from one pull.
fn finish(problem: &Problem<'_>, mut current: Current, found: &Found<'_>) -> SpeedFit {
    let layout = &problem.layout;
    let noise_s = found.noise_s;
    let shares = shares(&found.likely);
    let mixture = || shares.iter().zip(&found.likely);
    let mut mean = vec![0.0; layout.len()];
    for (share, likely) in mixture() {
        for (value, x) in mean.iter_mut().zip(&likely.solved.solution) {
            *value += share * x;
        }
    }
    let mut covariance = layout.matrix();
    let mut effective_parameters = 0.0;
    let mut flattened = vec![0.0; layout.spline_at.len()];
    for (share, likely) in mixture() {
        covariance.add(share * likely.solved.noise_s.powi(2), &likely.inverse);
        let off: Vec<f64> = likely
            .solved
            .solution
            .iter()
            .zip(&mean)
            .map(|(x, m)| x - m)
            .collect();
        covariance.add_outer(&off, *share);
        effective_parameters += share * likely.parameters;
        for (value, at) in flattened.iter_mut().zip(&layout.spline_at) {
            *value += share * likely.unflattened[*at];
        }
    }
    let cycles: f64 = found.work.iter().map(|row| row.cycles).sum();
    let cov = noise_s * (-0.5 * found.best.at[1]).exp();
    let mut resonances: Vec<Resonance> = problem
        .meetings
        .iter()
        .flatten()
        .filter_map(|meeting| meeting.resonance)
        .collect();
    resonances.extend(problem.driven_shuffle(&mean));
    let resonances = Resonance::joined(resonances);
    let rigid = layout.swing.is_none() && resonances.is_empty() && found.restless.is_empty();
    take(&mut current, layout, &mean);
    let parting = problem.parting(&current, &mean, found.weights, noise_s);
    let mut restless_s = found.restless.clone();
    if cov > COV_MAX {
        restless_s = vec![(
            problem.train.time_s[0],
            problem.train.time_s[problem.thetas.len() - 1],
        )];
    }
    let model = if rigid {
        COV_BY_CORRELATION
    } else {
        COV_BY_DRIVE
    };
    let jumped = work_jumps(found.work, found.released, &mean);
    let jumps_rad: Vec<f64> = jumped.iter().map(|(theta, _)| *theta).collect();
    let n = problem.thetas.len();
    let used = found.weights.iter().filter(|w| **w).count();
    let time = (problem.train.time_s[0], problem.train.time_s[n - 1]);
    let knot_s = (time.1 - time.0) / (layout.spline_at.len() - DEGREE) as f64;
    let scatter_open = match found.scatter {
        Scatter::None => None,
        // A drive that swings makes the scatter read high rather than low.
        _ if layout.swing.is_some() => None,
        // What is averaged over is in the covariance.
        Scatter::Averaged => Some(0.0),
        Scatter::Known => Some(found.cov_deviation),
    };
    let mut fit = SpeedFit {
        theta_range: (problem.thetas[0], problem.thetas[n - 1]),
        time_range_s: time,
        gaps_s: gaps(problem, found.weights, 1.5 * knot_s),
        pattern_rad: mean[layout.pattern_at()].to_vec(),
        pattern_uncertainty_rad: centred_deviations(&covariance, layout.pattern_at()),
        noise_s,
        effective_parameters,
        scatter_freedom: scatter_open.map_or(f64::INFINITY, |open| {
            let relative = open.hypot(CORRELATION_KNOWN * found.correlation.max(0.0));
            0.5 / (relative * relative).max(f64::MIN_POSITIVE)
        }),
        teeth_used: used,
        teeth_set_aside: n - used,
        residual_correlation: alike(
            &problem.residuals(&current, &mean),
            found.weights,
            &problem.train.index,
        )
        .filter(|_| noise_s > JITTER_MIN_S),
        shuffle: problem.shuffle(&mean, &jumps_rad),
        cycle_variation: (!found.work.is_empty() && parting.0.is_empty()).then(|| CycleVariation {
            cov,
            uncertainty: cov * model.hypot(found.correlation).hypot(found.cov_deviation),
            cycles,
        }),
        work_jumps: Vec::new(),
        resonances,
        restless_s,
        parting,
        less_hidden: found.less_hidden(layout, &covariance),
        by_noise: found.bias.as_ref().map_or_else(
            || DMatrix::zeros(layout.spline_at.len(), 0),
            |bias| &bias.by_noise * noise_s,
        ),
        covariance,
        flattened,
        smoothing: Smoothing {
            order: found.smoothness.order(),
            weight: found.best.at[0].exp()
                * (time.1 - time.0).powi(2 * found.smoothness.order() - 1)
                / (noise_s * noise_s),
            cov: if found.work.is_empty() { 0.0 } else { cov },
            cycles_per_rad: problem.options.cycles_per_turn.unwrap_or(0.0) / std::f64::consts::TAU,
            teeth_per_rad: f64::from(problem.options.teeth_per_turn.max(1)) / std::f64::consts::TAU,
        },
        coefficients: current.coefficients,
        wander: current.wander,
        wander_basis: problem.wander_basis.clone(),
        basis: problem.basis.clone(),
        layout: layout.clone(),
    };
    fit.work_jumps = jumped
        .into_iter()
        .map(|(theta, cycles)| WorkJump {
            time_s: fit.at_theta(theta).time_s,
            cycles,
        })
        .collect();
    fit
}

/// Angle and size, in mean works of a cycle, of each run of segments whose work was left free.
fn work_jumps(work: &[WorkRow], released: &[bool], solution: &[f64]) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut run: Vec<&WorkRow> = Vec::new();
    for (row, released) in work.iter().zip(released.iter().chain([&false])) {
        if *released {
            run.push(row);
        } else if !run.is_empty() {
            let gained = |row: &WorkRow| -row.of(solution) * row.cycles.sqrt();
            let cycles: f64 = run.iter().map(|row| gained(row)).sum();
            let moment: f64 = run.iter().map(|row| gained(row).abs() * row.theta).sum();
            let size: f64 = run.iter().map(|row| gained(row).abs()).sum();
            found.push((moment / size.max(f64::MIN_POSITIVE), cycles));
            run.clear();
        }
    }
    found
}

/// Standard deviations of some unknowns less their mean.
fn centred_deviations(covariance: &Envelope, range: Range<usize>) -> Vec<f64> {
    let n = range.len().max(1) as f64;
    let mean_with = |i: usize| range.clone().map(|j| covariance.at(i, j)).sum::<f64>() / n;
    let shared: Vec<f64> = range.clone().map(mean_with).collect();
    let of_mean = shared.iter().sum::<f64>() / n;
    range
        .zip(&shared)
        .map(|(i, shared)| covariance.at(i, i) - 2.0 * shared + of_mean)
        .map(|variance| variance.max(0.0).sqrt())
        .collect()
}

/// Stretches longer than `longest_s` and than a pitch or two without a tooth that took part.
fn gaps(problem: &Problem<'_>, weights: &[bool], longest_s: f64) -> Vec<(f64, f64)> {
    let mut found = Vec::new();
    let mut previous: Option<usize> = None;
    for k in (0..weights.len()).filter(|k| weights[*k]) {
        if let Some(p) = previous {
            let span = (problem.train.time_s[p], problem.train.time_s[k]);
            if span.1 - span.0 > longest_s && problem.train.index[k] - problem.train.index[p] > 3 {
                found.push(span);
            }
        }
        previous = Some(k);
    }
    found
}

impl SpeedFit {
    /// First and last instant of the stretch, in s on the train's time base.
    #[must_use]
    pub fn time_range_s(&self) -> (f64, f64) {
        self.time_range_s
    }

    /// Change of the acceleration at the speed of this angle with the coefficients there.
    fn gradient(&self, theta_rad: f64) -> [f64; ORDER] {
        gradient(&self.basis, theta_rad, &self.coefficients)
    }

    /// Variance that is expected of what smoothing hides, and seems not to be there.
    fn less_hidden(&self, first: usize, gradient: &[f64; ORDER]) -> f64 {
        if self.less_hidden.is_empty() {
            return 0.0;
        }
        let row = DVector::from_column_slice(gradient);
        let block = self.less_hidden.view((first, first), (ORDER, ORDER));
        (block * &row).dot(&row)
    }

    /// Motion at an angle in rad; angles outside the stretch are moved to its end.
    #[must_use]
    pub fn at_theta(&self, theta_rad: f64) -> Motion {
        let theta_rad = theta_rad.clamp(self.theta_range.0, self.theta_range.1);
        let local = self.basis.at(theta_rad);
        let (omega, alpha) = self.turning(theta_rad);
        let gradient = self.gradient(theta_rad);
        let row = self.layout.spline_row(&local, &gradient);
        let all = self.covariance.quadratic(&row).max(0.0);
        let variance = (all - self.less_hidden(local.first, &gradient)).max(SEEN_SHARE_MIN * all);
        let wander = self.wander_basis.as_ref().map(|basis| basis.at(theta_rad));
        let time_s = local.dot(0, &self.coefficients)
            + wander.map_or(0.0, |wander| wander.dot(0, &self.wander));
        let parting = self.parting_rad_per_s2(time_s, omega, alpha);
        Motion {
            time_s,
            theta_rad,
            omega_rad_per_s: omega,
            alpha_rad_per_s2: alpha,
            alpha_uncertainty_rad_per_s2: variance.sqrt().hypot(parting),
        }
    }

    /// Speed that the wheel has at an angle, after all that its cycles lacked, and the acceleration that cycles which are
    /// alike give it there.
    fn turning(&self, theta_rad: f64) -> (f64, f64) {
        let (smooth, alpha) = motion(&self.basis, theta_rad, &self.coefficients);
        let wander = self.wander_basis.as_ref().map(|basis| basis.at(theta_rad));
        let slower = wander.map_or(0.0, |wander| wander.dot(1, &self.wander));
        (smooth / (1.0 + smooth * slower).max(1e-3), alpha)
    }

    /// Standard uncertainty of the drive's acceleration, seen on the engine's own wheel, from where the
    /// two part: the middle of a swing moves by a share of the swing itself (play, or a drive that
    /// winds up), within the time that the curve can follow.
    fn parting_rad_per_s2(&self, time_s: f64, omega: f64, alpha: f64) -> f64 {
        if !self.parts_from_drum() {
            return 0.0;
        }
        let swing_rad = interpolate(&self.parting.0, &self.parting.1, time_s);
        let turned = std::f64::consts::TAU * self.shown_hz(omega, alpha);
        PARTING_SHARE * swing_rad * turned * turned
    }

    /// Whether the wheel is the engine's own and swings against the drum. Then the variation of its
    /// cycles' work can't be told: it moves the light crank alone, by as much more as the drum is heavier.
    #[must_use]
    pub fn parts_from_drum(&self) -> bool {
        !self.parting.0.is_empty()
    }

    /// Width of the smallest feature that the curve shows around a motion, as a difference of the
    /// wheel's speed in rad/s: half a period of the wave that smoothing shows at half its height.
    ///
    /// A wave is at half where its roughness weighs as much as what the teeth say of it, which
    /// timing noise and the scatter of the cycles' work limit (Wiener filter).
    #[must_use]
    pub fn resolution_rad_per_s(&self, at: &Motion) -> f64 {
        let hz = self.shown_hz(at.omega_rad_per_s, at.alpha_rad_per_s2);
        (0.5 / hz * at.alpha_rad_per_s2).abs()
    }

    /// Frequency of that wave, Hz.
    fn shown_hz(&self, omega: f64, alpha: f64) -> f64 {
        let by = &self.smoothing;
        let cycles_per_s = (by.cycles_per_rad * omega).max(1e-9);
        let cycles = (by.cov * alpha).powi(2) / cycles_per_s;
        let timing = (self.noise_s * omega).powi(2) / (by.teeth_per_rad * omega);
        let shown_less_than_half = |hz: f64| {
            let turned = std::f64::consts::TAU * hz;
            let noise = cycles + timing * turned.powi(4);
            noise * by.weight * turned.powi(2 * by.order) > 1.0
        };
        let (from_s, to_s) = self.time_range_s;
        let knot_hz = 0.5 * (self.coefficients.len() - DEGREE) as f64 / (to_s - from_s);
        // Half a period is the whole pull at most.
        let (mut low, mut high) = (0.5 / (to_s - from_s), knot_hz);
        for _ in 0..40 {
            let middle = (low * high).sqrt();
            if shown_less_than_half(middle) {
                high = middle;
            } else {
                low = middle;
            }
        }
        high
    }

    /// Motion at evenly spaced angles over the whole stretch.
    #[must_use]
    pub fn sampled(&self, count: usize) -> Vec<Motion> {
        even(self.theta_range.0, self.theta_range.1, count)
            .into_iter()
            .map(|theta| self.at_theta(theta))
            .collect()
    }

    /// Motion at the instant at which the speed first rises (or, for a falling speed, falls) through
    /// `omega_rad_per_s`; `None` if it doesn't.
    #[must_use]
    pub fn at_omega(&self, omega_rad_per_s: f64) -> Option<Motion> {
        let count = 8 * self.basis.len();
        let grid = even(self.theta_range.0, self.theta_range.1, count);
        let off = |theta: f64| self.turning(theta).0 - omega_rad_per_s;
        let mut before = off(grid[0]);
        for pair in grid.windows(2) {
            let after = off(pair[1]);
            if before == 0.0 {
                return Some(self.at_theta(pair[0]));
            }
            if before * after <= 0.0 {
                let (mut low, mut high) = (pair[0], pair[1]);
                for _ in 0..60 {
                    let middle = 0.5 * (low + high);
                    if off(middle) * before > 0.0 {
                        low = middle;
                    } else {
                        high = middle;
                    }
                }
                return Some(self.at_theta(0.5 * (low + high)));
            }
            before = after;
        }
        None
    }

    /// Whether the curve may be shown at this instant: not inside a gap in the teeth, not while the drive
    /// swings with the engine's cycles, and not where the timing leaves the acceleration uncertain by more than
    /// `share_max` of `alpha_scale`.
    #[must_use]
    pub fn trustworthy(&self, at: &Motion, alpha_scale: f64, share_max: f64) -> bool {
        let outside_gaps = self
            .gaps_s
            .iter()
            .all(|(from, to)| at.time_s < *from || at.time_s > *to);
        let swings = self.resonances.iter().map(|r| (r.from_s, r.to_s));
        let calm = swings
            .chain(self.restless_s.iter().copied())
            .all(|(from, to)| at.time_s < from || at.time_s > to);
        outside_gaps && calm && at.alpha_uncertainty_rad_per_s2 <= share_max * alpha_scale.abs()
    }

    /// Stretches without teeth, in s.
    #[must_use]
    pub fn gaps_s(&self) -> &[(f64, f64)] {
        &self.gaps_s
    }
}

/// Cramér–Rao bound for the acceleration: the standard deviation in rad/s², at evenly spaced angles,
/// of an unbiased estimate by a quintic spline with `inner_knots` and unknown tooth errors, for
/// timing noise `noise_s` and work of the cycles that varies by `cycle_cov` of its mean.
///
/// # Errors
/// As [`fit_speed`].
pub fn information_bound(
    train: &ToothTrain,
    options: &FitOptions,
    inner_knots: usize,
    noise_s: f64,
    cycle_cov: f64,
    count: usize,
) -> Result<Vec<(Motion, f64)>, FitError> {
    let reference = fit_speed(train, options)?;
    let columns = Columns {
        intervals: inner_knots + 1,
        ripple_from: None,
        cycles_a_segment: Some(1.0),
        meetings: Meetings::default(),
        shuffle: None,
        drift: false,
    };
    let problem = Problem::new(train, options, columns);
    let current = problem
        .refined(&reference.basis, &reference.coefficients)
        .ok_or(FitError::Singular)?;
    let mut a = problem.normal(&current, &vec![true; train.time_s.len()]).a;
    let kappa = (noise_s / cycle_cov.max(1e-5)).powi(2);
    for row in problem.work_rows(&current) {
        a.add_square(&row.row, kappa);
    }
    for j in problem.layout.pattern_at() {
        // Fixes the constant that pattern and start time share.
        *a.at_mut(j, j) += (noise_s * f64::from(options.teeth_per_turn)).powi(2);
    }
    let inverse = a.factor().ok_or(FitError::Singular)?.inverse();
    Ok(reference
        .sampled(count)
        .into_iter()
        .map(|motion| {
            let local = problem.basis.at(motion.theta_rad);
            let row = alpha_row(&local, motion.omega_rad_per_s);
            let row = problem.layout.spline_row(&local, &row);
            (motion, noise_s * inverse.quadratic(&row).max(0.0).sqrt())
        })
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_swing_that_harmonics_of_the_cycle_have_too_is_told_once() {
        let swing = |from_s, to_s, frequency_hz| Resonance {
            from_s,
            to_s,
            frequency_hz,
        };
        let found = vec![
            swing(1.0, 2.0, 53.0),
            swing(4.0, 5.0, 53.0),
            swing(0.9, 1.6, 26.5),
        ];
        let told = [swing(0.9, 2.0, 26.5), swing(4.0, 5.0, 53.0)];
        assert_eq!(Resonance::joined(found), told);
    }
}
