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
//! The fit is penalised least squares: the penalty is on the curvature of `alpha` over time, and
//! how much of it is chosen by restricted maximum likelihood, never by hand (G. Wahba, "Spline
//! Models for Observational Data", SIAM 1990, ch. 4; S. Wood, "Generalized Additive Models", 2nd ed.
//! 2017, sec. 6.2; both from memory). Tooth errors are random effects with a variance of their own,
//! found the same way. Cost is linear in the number of teeth.
//!
//! Differences tooth by tooth would turn a spacing error of 1 % of a pitch into several per cent of
//! torque; here the errors are estimated beside the motion.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use crate::bspline::{Basis, DEGREE, Local, ORDER, even, interpolate};
use crate::convert::floor_to_usize;
use crate::teeth::ToothTrain;

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
    /// The normal equations could not be solved.
    #[error("the teeth do not determine a smooth motion (singular normal equations)")]
    Singular,
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

/// A fitted stretch.
#[derive(Debug, Clone)]
pub struct SpeedFit {
    basis: Basis,
    coefficients: Vec<f64>,
    /// Upper-left block of the posterior covariance: spline coefficients.
    covariance: DMatrix<f64>,
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
    /// Teeth that took part.
    pub teeth_used: usize,
    /// Teeth set aside because their time is far off the model (noise edges taken for teeth).
    pub teeth_set_aside: usize,
    /// Amplitude of the first harmonic of the working cycle in rad, at the middle of the stretch.
    pub cycle_swing_rad: f64,
}

const TEETH_MIN: usize = 16;
const CYCLE_HARMONICS: usize = 6;
/// Prior size of a wheel's tooth errors before the data speak, as a share of the pitch.
const PATTERN_PRIOR_SHARE: f64 = 0.01;
/// Prior size of the ripple in s: far above any real one, so that it only steadies the algebra.
const RIPPLE_PRIOR_S: f64 = 1e-3;
const ITERATIONS: usize = 4;
/// The first iterations look at whole turns out of so many teeth at most: they only have to come near.
const TEETH_TO_APPROACH: usize = 20_000;
/// Residuals so many robust standard deviations away from those beside them are no teeth.
const SET_ASIDE_SIGMA: f64 = 7.0;

/// One harmonic of the working cycle with the powers of scaled speed that shape its amplitude.
struct Harmonic {
    /// Multiple of the working cycle's order.
    multiple: usize,
    shapes: usize,
}

/// Rows of the linear model: which columns there are.
struct Layout {
    spline: usize,
    pattern: usize,
    harmonics: Vec<Harmonic>,
    ripple: usize,
}

impl Layout {
    fn len(&self) -> usize {
        self.spline + self.pattern + self.ripple
    }
}

/// The harmonics that can be told from the smooth part and from each other at `N` samples a turn.
fn usable_harmonics(options: &FitOptions, turns: f64, band_cycles: f64) -> Vec<Harmonic> {
    let Some(cycles_per_turn) = options.cycles_per_turn.filter(|c| *c > 0.0) else {
        return Vec::new();
    };
    let teeth = f64::from(options.teeth_per_turn);
    let mut seen: Vec<f64> = Vec::new();
    let mut harmonics = Vec::new();
    for m in 1..=CYCLE_HARMONICS {
        let order_per_turn = cycles_per_turn * m as f64;
        // Sampled once a tooth, an order shows up folded into [0, N/2].
        let folded = (order_per_turn - teeth * (order_per_turn / teeth).round()).abs();
        let distinct = seen
            .iter()
            .all(|other| (folded - other).abs() * turns > 1.5);
        if folded * turns < band_cycles || !distinct {
            continue;
        }
        seen.push(folded);
        let locked = options.teeth_per_turn > 1 && (folded - folded.round()).abs() * turns < 1.5;
        harmonics.push(Harmonic {
            multiple: m,
            shapes: if locked || m > 3 { 2 } else { 3 },
        });
    }
    harmonics
}

/// The state of the motion while it is being refined.
struct Current {
    basis: Basis,
    coefficients: Vec<f64>,
}

impl Current {
    fn omega(&self, local: &Local) -> f64 {
        1.0 / local.dot(1, &self.coefficients).max(1e-9)
    }
}

/// Everything that stays the same over the iterations.
struct Problem<'a> {
    train: &'a ToothTrain,
    options: &'a FitOptions,
    layout: Layout,
    locals: Vec<Local>,
    thetas: Vec<f64>,
}

struct Normal {
    a: DMatrix<f64>,
    b: DVector<f64>,
    rr: f64,
    rows: usize,
}

impl Problem<'_> {
    /// The columns after the spline's for tooth `k` at speed `omega`: the tooth's pattern column with
    /// its value, and the values of all ripple columns.
    fn extra_columns(
        &self,
        k: usize,
        omega: f64,
        scale: &SpeedScale,
        ripple: &mut [f64],
    ) -> Option<(usize, f64)> {
        if let Some(cycles_per_turn) = self.options.cycles_per_turn.filter(|_| !ripple.is_empty()) {
            let amplitude = (scale.middle / omega).powi(3);
            let x = (omega - scale.middle) / scale.half_width;
            let (sin, cos) = (cycles_per_turn * self.thetas[k]).sin_cos();
            // Multiples of the angle by turning on, since a sine is dear.
            let (mut at, mut turned) = ((1.0, 0.0), 0);
            let mut column = 0;
            for harmonic in &self.layout.harmonics {
                while turned < harmonic.multiple {
                    at = (at.0 * cos - at.1 * sin, at.1 * cos + at.0 * sin);
                    turned += 1;
                }
                let mut shape = amplitude;
                for _ in 0..harmonic.shapes {
                    ripple[column] = shape * at.0;
                    ripple[column + 1] = shape * at.1;
                    column += 2;
                    shape *= x;
                }
            }
        }
        (self.layout.pattern > 0).then(|| {
            let tooth = self.train.index[k].rem_euclid(i64::from(self.options.teeth_per_turn));
            (usize::try_from(tooth).unwrap_or(0), 1.0 / omega)
        })
    }

    /// Normal equations of the residuals against the spline in hand. The blocks are kept apart so
    /// that the long inner loops run over contiguous memory.
    fn normal(&self, current: &Current, weights: &[bool], scale: &SpeedScale) -> Normal {
        let Layout {
            spline,
            pattern,
            ripple: r,
            ..
        } = self.layout;
        let size = self.layout.len();
        let mut a = DMatrix::<f64>::zeros(size, size);
        let mut b = DVector::<f64>::zeros(size);
        let (mut rr, mut rows) = (0.0, 0);
        let mut ripple = vec![0.0; r];
        let mut ripple_ripple = vec![0.0; r * r];
        let mut other_ripple = vec![0.0; (spline + pattern) * r];
        let add = |target: &mut [f64], factor: f64, row: &[f64]| {
            for (t, v) in target.iter_mut().zip(row) {
                *t += factor * v;
            }
        };
        for (k, local) in self.locals.iter().enumerate() {
            if !weights[k] {
                continue;
            }
            let residual = self.train.time_s[k] - local.dot(0, &current.coefficients);
            let tooth = self.extra_columns(k, current.omega(local), scale, &mut ripple);
            let values = &local.derivative[0];
            for (i, vi) in values.iter().enumerate() {
                let column = local.first + i;
                b[column] += vi * residual;
                for (j, vj) in values[..=i].iter().enumerate() {
                    a[(column, local.first + j)] += vi * vj;
                }
                add(
                    &mut other_ripple[column * r..(column + 1) * r],
                    *vi,
                    &ripple,
                );
            }
            if let Some((tooth, value)) = tooth {
                let column = spline + tooth;
                b[column] += value * residual;
                a[(column, column)] += value * value;
                for (i, vi) in values.iter().enumerate() {
                    a[(column, local.first + i)] += value * vi;
                }
                add(
                    &mut other_ripple[column * r..(column + 1) * r],
                    value,
                    &ripple,
                );
            }
            for (i, vi) in ripple.iter().enumerate() {
                b[spline + pattern + i] += vi * residual;
                add(&mut ripple_ripple[i * r..i * r + i + 1], *vi, &ripple);
            }
            rr += residual * residual;
            rows += 1;
        }
        let first = spline + pattern;
        for i in 0..r {
            for j in 0..=i {
                a[(first + i, first + j)] = ripple_ripple[i * r + j];
            }
            for j in 0..first {
                a[(first + i, j)] = other_ripple[j * r + i];
            }
        }
        a.fill_upper_triangle_with_lower_triangle();
        Normal { a, b, rr, rows }
    }

    fn residuals(
        &self,
        current: &Current,
        solution: &DVector<f64>,
        scale: &SpeedScale,
    ) -> Vec<f64> {
        let mut ripple = vec![0.0; self.layout.ripple];
        let first = self.layout.spline + self.layout.pattern;
        (0..self.locals.len())
            .map(|k| {
                let local = &self.locals[k];
                let tooth = self.extra_columns(k, current.omega(local), scale, &mut ripple);
                let swing: f64 = ripple
                    .iter()
                    .enumerate()
                    .map(|(i, v)| v * solution[first + i])
                    .sum();
                self.train.time_s[k]
                    - local.dot(0, &current.coefficients)
                    - tooth.map_or(0.0, |(j, v)| v * solution[self.layout.spline + j])
                    - swing
            })
            .collect()
    }
}

struct SpeedScale {
    middle: f64,
    half_width: f64,
}

/// `alpha` at an angle is linear in the coefficients for the speed in hand: its row.
fn alpha_row(local: &Local, omega: f64) -> [f64; ORDER] {
    let mut row = local.derivative[2];
    for value in &mut row {
        *value *= -omega.powi(3);
    }
    row
}

/// The roughness of `alpha`: rows whose squares add up to the penalty, and the penalty matrix.
struct Roughness {
    /// First column and values of each row.
    rows: Vec<(usize, Vec<f64>)>,
    matrix: DMatrix<f64>,
}

impl Roughness {
    /// Sum of squares; by rows, since the quadratic form of a nearly smooth curve cancels.
    fn of(&self, coefficients: &[f64]) -> f64 {
        self.rows
            .iter()
            .map(|(first, row)| {
                let dot: f64 = row
                    .iter()
                    .zip(&coefficients[*first..])
                    .map(|(r, c)| r * c)
                    .sum();
                dot * dot
            })
            .sum()
    }
}

/// Roughness as the mean square of the second difference of `alpha` over time, on an even grid.
fn roughness(current: &Current, theta_of_time: &dyn Fn(f64) -> f64, time: (f64, f64)) -> Roughness {
    let size = current.basis.len();
    let count = 4 * size;
    let step = (time.1 - time.0) / (count - 1) as f64;
    let rows: Vec<(usize, [f64; ORDER])> = even(time.0, time.1, count)
        .into_iter()
        .map(|t| {
            let local = current.basis.at(theta_of_time(t));
            (local.first, alpha_row(&local, current.omega(&local)))
        })
        .collect();
    let mut matrix = DMatrix::<f64>::zeros(size, size);
    // Scaled so that the weight does not depend on the length of the pull.
    let gain = (time.1 - time.0).powi(2) / (step * step) / (count as f64).sqrt();
    let mut differences = Vec::with_capacity(count);
    for triple in rows.windows(3) {
        let from = triple[0].0;
        let mut window = vec![0.0; triple[2].0 + ORDER - from];
        for ((first, row), weight) in triple.iter().zip([1.0, -2.0, 1.0]) {
            for (i, value) in row.iter().enumerate() {
                window[first - from + i] += weight * gain * value;
            }
        }
        for (i, wi) in window.iter().enumerate() {
            for (j, wj) in window.iter().enumerate() {
                matrix[(from + i, from + j)] += wi * wj;
            }
        }
        differences.push((from, window));
    }
    Roughness {
        rows: differences,
        matrix,
    }
}

struct Solved {
    solution: DVector<f64>,
    factor: Cholesky<f64, Dyn>,
    deviance: f64,
    criterion: f64,
}

/// Dimension of what the penalty leaves free: start time, speed, and `alpha` linear in time.
const NULL_SPACE: usize = 4;

fn solve(
    normal: &Normal,
    roughness: &Roughness,
    start: &DVector<f64>,
    ridge: &DVector<f64>,
    ridge_target: &DVector<f64>,
    log_lambda: f64,
) -> Option<Solved> {
    let lambda = log_lambda.exp();
    let penalty = &roughness.matrix;
    let spline = penalty.nrows();
    let offset = penalty * start;
    let mut matrix = normal.a.clone();
    let mut right = normal.b.clone();
    for j in 0..spline {
        for i in 0..spline {
            matrix[(i, j)] += lambda * penalty[(i, j)];
        }
        right[j] -= lambda * offset[j];
    }
    for i in 0..ridge.len() {
        matrix[(i, i)] += ridge[i];
        right[i] += ridge[i] * ridge_target[i];
    }
    let factor = Cholesky::new(matrix)?;
    let solution = factor.solve(&right);
    let fit = normal.rr - 2.0 * solution.dot(&normal.b) + solution.dot(&(&normal.a * &solution));
    let total = start + solution.rows(0, spline);
    let rough = roughness.of(total.as_slice());
    let shrink: f64 = (0..ridge.len())
        .map(|i| ridge[i] * (solution[i] - ridge_target[i]).powi(2))
        .sum();
    if fit <= 0.0 {
        return None; // lost to rounding: the weight is out of any sensible range
    }
    let deviance = fit + lambda * rough + shrink;
    let log_det = 2.0
        * factor
            .l_dirty()
            .diagonal()
            .iter()
            .map(|v| v.ln())
            .sum::<f64>();
    let free = normal.rows.saturating_sub(NULL_SPACE).max(1) as f64;
    let rank = spline.saturating_sub(NULL_SPACE) as f64;
    let criterion = free * deviance.ln() + log_det - rank * log_lambda;
    Some(Solved {
        solution,
        factor,
        deviance,
        criterion,
    })
}

/// Minimum of `f` by a coarse scan and golden-section refinement.
fn minimise(range: (f64, f64), coarse: usize, mut f: impl FnMut(f64) -> f64) -> f64 {
    let grid = even(range.0, range.1, coarse);
    let values: Vec<f64> = grid.iter().map(|x| f(*x)).collect();
    let best = (0..coarse)
        .min_by(|a, b| values[*a].total_cmp(&values[*b]))
        .unwrap_or(0);
    let (mut low, mut high) = (
        grid[best.saturating_sub(1)],
        grid[(best + 1).min(coarse - 1)],
    );
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    let (mut c, mut d) = (high - golden * (high - low), low + golden * (high - low));
    let (mut fc, mut fd) = (f(c), f(d));
    while high - low > 0.1 {
        if fc < fd {
            (high, d, fd) = (d, c, fc);
            c = high - golden * (high - low);
            fc = f(c);
        } else {
            (low, c, fc) = (c, d, fd);
            d = low + golden * (high - low);
            fd = f(d);
        }
    }
    0.5 * (low + high)
}

/// Fits a stretch of numbered teeth.
///
/// # Errors
/// When there are fewer than 16 teeth, when times or indices don't increase, or when the teeth do
/// not determine a motion.
pub fn fit_speed(train: &ToothTrain, options: &FitOptions) -> Result<SpeedFit, FitError> {
    check(train)?;
    let pitch = std::f64::consts::TAU / f64::from(options.teeth_per_turn.max(1));
    let thetas: Vec<f64> = train.index.iter().map(|k| pitch * *k as f64).collect();
    let n = thetas.len();
    let time = (train.time_s[0], train.time_s[n - 1]);
    let duration = time.1 - time.0;
    let inner = floor_to_usize(24.0 * duration).clamp(40, 120).min(n / 4);
    let breakpoints: Vec<f64> = breakpoints(train, &thetas, inner + 2);
    let basis = Basis::new(&breakpoints);
    let mut current = Current {
        coefficients: basis
            .greville()
            .iter()
            .map(|x| interpolate(&thetas, &train.time_s, *x))
            .collect(),
        basis,
    };
    let turns = (thetas[n - 1] - thetas[0]) / std::f64::consts::TAU;
    let harmonics = usable_harmonics(options, turns, inner as f64 * 0.6);
    let pattern = if options.teeth_per_turn > 1 {
        options.teeth_per_turn as usize
    } else {
        0
    };
    let layout = Layout {
        spline: current.basis.len(),
        pattern,
        ripple: harmonics.iter().map(|h| 2 * h.shapes).sum(),
        harmonics,
    };
    let locals: Vec<Local> = thetas.iter().map(|x| current.basis.at(*x)).collect();
    let problem = Problem {
        train,
        options,
        layout,
        locals,
        thetas,
    };
    let scale = speed_scale(train, pitch);

    let noise_floor = options.tick_s / 12.0_f64.sqrt();
    let mut noise_s = (10.0 * noise_floor).max(1e-6);
    let mut pattern_sd = PATTERN_PRIOR_SHARE * pitch;
    let mut weights = vec![true; n];
    let mut log_lambda = None;
    let mut last: Option<(Solved, DMatrix<f64>)> = None;
    for iteration in 0..ITERATIONS {
        let theta_of_time = |t: f64| interpolate(&problem.train.time_s, &problem.thetas, t);
        let penalty = roughness(&current, &theta_of_time, time);
        let approaching = iteration + 2 < ITERATIONS;
        let looked_at = if approaching {
            thinned(train, options, &weights)
        } else {
            weights.clone()
        };
        let normal = problem.normal(&current, &looked_at, &scale);
        let start = DVector::from_column_slice(&current.coefficients);
        let (ridge, target) = ridge(&problem.layout, options, noise_s, pattern_sd);
        let run = |log_lambda: f64| solve(&normal, &penalty, &start, &ridge, &target, log_lambda);
        let spline = penalty.matrix.shape();
        let natural = (normal.a.view((0, 0), spline).trace() / penalty.matrix.trace()).ln();
        let (range, coarse) = match log_lambda {
            None => ((natural - 20.0, natural + 28.0), 25),
            Some(at) => ((at - 4.0, at + 4.0), 5),
        };
        let chosen = minimise(range, coarse, |x| {
            run(x).map_or(f64::INFINITY, |solved| solved.criterion)
        });
        let solved = run(chosen).ok_or(FitError::Singular)?;
        log_lambda = Some(chosen);
        for (c, d) in current.coefficients.iter_mut().zip(solved.solution.iter()) {
            *c += d;
        }
        let free = normal.rows.saturating_sub(NULL_SPACE).max(1) as f64;
        noise_s = (solved.deviance / free).sqrt().max(noise_floor);
        if problem.layout.pattern > 0 {
            pattern_sd = pattern_scale(&problem.layout, &solved, noise_s, pitch);
        }
        if iteration + 1 < ITERATIONS {
            weights = set_aside(&problem.residuals(&current, &solved.solution, &scale));
        }
        last = Some((solved, normal.a));
    }
    let (solved, information) = last.ok_or(FitError::Singular)?;
    Ok(finish(
        problem,
        current,
        solved,
        &information,
        &weights,
        noise_s,
        &scale,
    ))
}

/// Every so manieth whole turn of what takes part, so that about [`TEETH_TO_APPROACH`] teeth are left.
fn thinned(train: &ToothTrain, options: &FitOptions, weights: &[bool]) -> Vec<bool> {
    let every = i64::try_from(weights.len() / TEETH_TO_APPROACH + 1).unwrap_or(1);
    let turn = |index: i64| index.div_euclid(i64::from(options.teeth_per_turn.max(1)));
    let kept = weights.iter().zip(&train.index);
    kept.map(|(weight, index)| *weight && turn(*index).rem_euclid(every) == 0)
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

/// Breakpoints at angles that lie evenly in time, so that every stretch of the pull gets its share.
fn breakpoints(train: &ToothTrain, thetas: &[f64], count: usize) -> Vec<f64> {
    let n = thetas.len();
    let mut points: Vec<f64> = even(train.time_s[0], train.time_s[n - 1], count)
        .into_iter()
        .map(|t| interpolate(&train.time_s, thetas, t))
        .collect();
    points.dedup_by(|b, a| *b - *a < 1e-9);
    points
}

/// Middle and half width of the speeds of the stretch in rad/s, from its first and last eighth.
fn speed_scale(train: &ToothTrain, pitch: f64) -> SpeedScale {
    let n = train.time_s.len();
    let omega = |from: usize, to: usize| {
        let teeth = (train.index[to] - train.index[from]) as f64;
        pitch * teeth / (train.time_s[to] - train.time_s[from])
    };
    let eighth = (n / 8).max(1);
    let (first, last) = (omega(0, eighth), omega(n - 1 - eighth, n - 1));
    let middle = 0.5 * (first + last);
    SpeedScale {
        middle,
        half_width: (0.5 * (last - first)).abs().max(0.05 * middle),
    }
}

/// Ridge terms (prior precision times noise variance) and the values they pull to.
fn ridge(
    layout: &Layout,
    options: &FitOptions,
    noise_s: f64,
    pattern_sd: f64,
) -> (DVector<f64>, DVector<f64>) {
    let mut ridge = DVector::zeros(layout.len());
    let mut target = DVector::zeros(layout.len());
    for j in 0..layout.pattern {
        let column = layout.spline + j;
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
    for j in 0..layout.ripple {
        ridge[layout.spline + layout.pattern + j] = (noise_s / RIPPLE_PRIOR_S).powi(2);
    }
    (ridge, target)
}

/// One step of expectation–maximisation for the size of the tooth errors.
fn pattern_scale(layout: &Layout, solved: &Solved, noise_s: f64, pitch: f64) -> f64 {
    let inverse = solved.factor.inverse();
    let sum: f64 = (0..layout.pattern)
        .map(|j| {
            let i = layout.spline + j;
            solved.solution[i].powi(2) + noise_s * noise_s * inverse[(i, i)]
        })
        .sum();
    (sum / layout.pattern as f64)
        .sqrt()
        .clamp(1e-6 * pitch, 0.2 * pitch)
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
    let limit = SET_ASIDE_SIGMA * 1.4826 * *median;
    apart.iter().map(|a| *a <= limit || limit <= 0.0).collect()
}

fn finish(
    problem: Problem<'_>,
    current: Current,
    solved: Solved,
    information: &DMatrix<f64>,
    weights: &[bool],
    noise_s: f64,
    scale: &SpeedScale,
) -> SpeedFit {
    let layout = &problem.layout;
    let inverse = solved.factor.inverse();
    let spline = layout.spline;
    let effective_parameters = (0..spline)
        .map(|i| inverse.row(i).transpose().dot(&information.column(i)))
        .sum();
    let pattern = spline..spline + layout.pattern;
    let ripple = spline + layout.pattern;
    let cycle_swing_rad = if layout.ripple >= 2 {
        solved.solution[ripple].hypot(solved.solution[ripple + 1]) * scale.middle
    } else {
        0.0
    };
    let n = problem.thetas.len();
    let used = weights.iter().filter(|w| **w).count();
    let time = (problem.train.time_s[0], problem.train.time_s[n - 1]);
    let knot_s = (time.1 - time.0) / (spline - DEGREE) as f64;
    SpeedFit {
        theta_range: (problem.thetas[0], problem.thetas[n - 1]),
        time_range_s: time,
        gaps_s: gaps(&problem, weights, 1.5 * knot_s),
        pattern_rad: solved
            .solution
            .rows_range(pattern.clone())
            .iter()
            .copied()
            .collect(),
        pattern_uncertainty_rad: centred_deviations(&inverse, pattern)
            .map(|deviation| noise_s * deviation)
            .collect(),
        noise_s,
        effective_parameters,
        teeth_used: used,
        teeth_set_aside: n - used,
        cycle_swing_rad,
        covariance: inverse.view((0, 0), (spline, spline)) * (noise_s * noise_s),
        coefficients: current.coefficients,
        basis: current.basis,
    }
}

/// Square roots of the variances of some unknowns less their mean.
fn centred_deviations(
    covariance: &DMatrix<f64>,
    range: std::ops::Range<usize>,
) -> impl Iterator<Item = f64> {
    let block = covariance.view((range.start, range.start), (range.len(), range.len()));
    let n = range.len().max(1) as f64;
    let with_mean: Vec<f64> = block.row_iter().map(|row| row.sum() / n).collect();
    let of_mean = with_mean.iter().sum::<f64>() / n;
    let variances: Vec<f64> = with_mean
        .iter()
        .enumerate()
        .map(|(i, shared)| block[(i, i)] - 2.0 * shared + of_mean)
        .collect();
    variances.into_iter().map(|v| v.max(0.0).sqrt())
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

    /// Motion at an angle in rad; angles outside the stretch are moved to its end.
    #[must_use]
    pub fn at_theta(&self, theta_rad: f64) -> Motion {
        let theta_rad = theta_rad.clamp(self.theta_range.0, self.theta_range.1);
        let local = self.basis.at(theta_rad);
        let omega = 1.0 / local.dot(1, &self.coefficients).max(1e-9);
        let alpha = -local.dot(2, &self.coefficients) * omega.powi(3);
        // d alpha = -omega³ d tau'' - 3 alpha omega d tau'
        let mut gradient = alpha_row(&local, omega);
        for (g, first) in gradient.iter_mut().zip(&local.derivative[1]) {
            *g -= 3.0 * alpha * omega * first;
        }
        let mut variance = 0.0;
        for (i, gi) in gradient.iter().enumerate() {
            for (j, gj) in gradient.iter().enumerate() {
                variance += gi * gj * self.covariance[(local.first + i, local.first + j)];
            }
        }
        Motion {
            time_s: local.dot(0, &self.coefficients),
            theta_rad,
            omega_rad_per_s: omega,
            alpha_rad_per_s2: alpha,
            alpha_uncertainty_rad_per_s2: variance.max(0.0).sqrt(),
        }
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
        let off = |theta: f64| {
            1.0 / self.basis.at(theta).dot(1, &self.coefficients).max(1e-9) - omega_rad_per_s
        };
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

    /// Whether the curve may be shown at this instant: not inside a gap in the teeth, and not where
    /// the timing leaves the acceleration uncertain by more than `share_max` of `alpha_scale`.
    #[must_use]
    pub fn trustworthy(&self, at: &Motion, alpha_scale: f64, share_max: f64) -> bool {
        let outside_gaps = self
            .gaps_s
            .iter()
            .all(|(from, to)| at.time_s < *from || at.time_s > *to);
        outside_gaps && at.alpha_uncertainty_rad_per_s2 <= share_max * alpha_scale.abs()
    }

    /// Stretches without teeth, in s.
    #[must_use]
    pub fn gaps_s(&self) -> &[(f64, f64)] {
        &self.gaps_s
    }
}

/// Cramér–Rao bound for the acceleration: the standard deviation in rad/s², at evenly spaced angles,
/// of an unbiased estimate by a quintic spline with `inner_knots` and unknown tooth errors, for
/// timing noise `noise_s`.
///
/// # Errors
/// As [`fit_speed`].
pub fn information_bound(
    train: &ToothTrain,
    options: &FitOptions,
    inner_knots: usize,
    noise_s: f64,
    count: usize,
) -> Result<Vec<(Motion, f64)>, FitError> {
    check(train)?;
    let reference = fit_speed(train, options)?;
    let pitch = std::f64::consts::TAU / f64::from(options.teeth_per_turn.max(1));
    let thetas: Vec<f64> = train.index.iter().map(|k| pitch * *k as f64).collect();
    let basis = Basis::new(&breakpoints(train, &thetas, inner_knots + 2));
    let pattern = if options.teeth_per_turn > 1 {
        options.teeth_per_turn as usize
    } else {
        0
    };
    let size = basis.len() + pattern;
    let mut a = DMatrix::<f64>::zeros(size, size);
    for (k, theta) in thetas.iter().enumerate() {
        let local = basis.at(*theta);
        let mut row: Vec<(usize, f64)> = local.derivative[0]
            .iter()
            .enumerate()
            .map(|(i, v)| (local.first + i, *v))
            .collect();
        if pattern > 0 {
            let tooth = train.index[k].rem_euclid(i64::from(options.teeth_per_turn));
            let column = basis.len() + usize::try_from(tooth).unwrap_or(0);
            row.push((column, 1.0 / reference.at_theta(*theta).omega_rad_per_s));
        }
        for &(i, vi) in &row {
            for &(j, vj) in &row {
                a[(i, j)] += vi * vj;
            }
        }
    }
    for j in 0..pattern {
        // Fixes the constant that pattern and start time share.
        a[(basis.len() + j, basis.len() + j)] += (noise_s / pitch).powi(2);
    }
    let inverse = Cholesky::new(a).ok_or(FitError::Singular)?.inverse();
    Ok(reference
        .sampled(count)
        .into_iter()
        .map(|motion| {
            let local = basis.at(motion.theta_rad);
            let row = alpha_row(&local, motion.omega_rad_per_s);
            let mut variance = 0.0;
            for i in 0..ORDER {
                for j in 0..ORDER {
                    variance += row[i] * row[j] * inverse[(local.first + i, local.first + j)];
                }
            }
            (motion, noise_s * variance.max(0.0).sqrt())
        })
        .collect())
}
