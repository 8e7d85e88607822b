//! Speed and acceleration of a wheel as it turns, from what is past alone, with their uncertainty.
//!
//! The model is that of [`speed_fit`](crate::speed_fit): the wheel's acceleration wanders smoothly, the
//! work of the engine's cycles scatters, which is a random walk of the speed, and edges jitter. As a
//! state of angle, speed, acceleration and its change it is a Kalman filter (Kalman 1960). How strong the three are
//! is not known ahead: a bank of filters runs side by side, each weighted by how likely what it saw
//! was, so that this too is in the uncertainty (multiple-model estimation, Magill 1965).
//!
//! ```
//! // A mark a turn; the speed rises by 50 rad/s² from 40 rad/s.
//! use leverarm_filters::causal::CausalSpeed;
//!
//! let mut wheel = CausalSpeed::new(Some(2.0));
//! for turn in 0..60 {
//!     let theta_rad = std::f64::consts::TAU * f64::from(turn);
//!     let time_s = ((40.0_f64.powi(2) + 100.0 * theta_rad).sqrt() - 40.0) / 50.0;
//!     wheel.mark(time_s, theta_rad);
//! }
//! let motion = wheel.motion().expect("enough marks");
//! let off = (motion.alpha_rad_per_s2 - 50.0).abs();
//! assert!(off < 0.5 && off < 3.0 * motion.alpha_uncertainty_rad_per_s2, "{motion:?}");
//! ```

/// Jitter of an edge, s rms; the last is a crank's that swings against the drum.
const JITTERS_S: [f64; 4] = [2e-6, 1e-5, 5e-5, 2.5e-4];
/// Scatter of a cycle's work over its mean, of what is left to turn the wheel faster: beside a brake that
/// takes most of the torque it is several times the engine's own.
const COVS: [f64; 5] = [0.004, 0.009, 0.02, 0.045, 0.1];
/// How much the slope of the acceleration over the logarithm of the speed changes while the speed grows
/// e-fold, over the acceleration.
const WANDERS: [f64; 5] = [0.25, 1.0, 4.0, 16.0, 64.0];
/// Chance that from one mark to the next a curve begins to wander otherwise than before, as where a
/// broad hump ends steeply.
const ANOTHER_WANDER: f64 = 0.05;
const FILTERS: usize = JITTERS_S.len() * COVS.len() * WANDERS.len();
/// What was seen so many marks ago counts 1/e.
const MARKS_REMEMBERED: f64 = 50.0;
/// An angle so many standard deviations off what most of the weight expects is a false mark, and two
/// are another motion: the throttle has moved.
const SURPRISE: f64 = 5.0;
/// What is left of what was known of the noise after a motion that nothing expected.
const DOUBTED: f64 = 0.7;
/// The acceleration counts as no less than this share of the speed in a second, so that a steady speed
/// leaves the filters awake.
const ACCELERATION_MIN_PER_S: f64 = 0.05;
/// Marks after a beginning until an acceleration is told.
const MARKS_MIN: u32 = 3;

/// Speed and acceleration at a mark.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CausalMotion {
    /// Speed in rad/s.
    pub omega_rad_per_s: f64,
    /// Acceleration in rad/s².
    pub alpha_rad_per_s2: f64,
    /// Standard uncertainty of the acceleration in rad/s²: 1.96 of it to each side hold it with 95 %.
    pub alpha_uncertainty_rad_per_s2: f64,
}

/// Angle, speed, acceleration, change of the acceleration.
const STATES: usize = 4;
type Matrix = [[f64; STATES]; STATES];

/// One filter of the bank; its angle counts from the last mark.
#[derive(Debug, Clone, Copy)]
struct Filter {
    jitter_s: f64,
    cov: f64,
    wander: f64,
    state: [f64; STATES],
    covariance: Matrix,
    log_likelihood: f64,
    /// How much it counts among all, by its likelihood.
    share: f64,
}

/// The bank. Constant memory and time a mark.
#[derive(Debug, Clone)]
pub struct CausalSpeed {
    /// Angle of the wheel in a working cycle; `None` where no engine drives it.
    cycle_rad: Option<f64>,
    filters: Vec<Filter>,
    /// Time and angle of the last mark.
    last: Option<(f64, f64)>,
    marks: u32,
    surprised: bool,
}

impl CausalSpeed {
    /// For a wheel on which the engine does a working cycle every `1 / cycles_per_turn` turns.
    #[must_use]
    pub fn new(cycles_per_turn: Option<f64>) -> Self {
        let mut filters = Vec::with_capacity(FILTERS);
        for jitter_s in JITTERS_S {
            for cov in COVS {
                filters.extend(WANDERS.map(|wander| Filter {
                    jitter_s,
                    cov,
                    wander,
                    state: [0.0; STATES],
                    covariance: [[0.0; STATES]; STATES],
                    log_likelihood: 0.0,
                    share: 1.0 / FILTERS as f64,
                }));
            }
        }
        Self {
            cycle_rad: cycles_per_turn.map(|cycles| std::f64::consts::TAU / cycles.max(1e-3)),
            filters,
            last: None,
            marks: 0,
            surprised: false,
        }
    }

    /// Begins at a mark, from no known speed; how strong noise is stays known.
    pub fn begin(&mut self, time_s: f64, theta_rad: f64) {
        self.last = Some((time_s, theta_rad));
        self.marks = 0;
        self.surprised = false;
    }

    /// Takes a mark: the time at which the wheel was at an angle, both later than at the mark before.
    /// Marks are best whole turns apart, where the places of the teeth cancel.
    pub fn mark(&mut self, time_s: f64, theta_rad: f64) {
        let Some((before_s, before_rad)) = self.last else {
            self.begin(time_s, theta_rad);
            return;
        };
        let (step_s, step_rad) = (time_s - before_s, theta_rad - before_rad);
        if !(step_s > 0.0 && step_rad > 0.0) {
            return;
        }
        if self.marks == 0 {
            self.start(step_s, step_rad / step_s);
            self.last = Some((time_s, theta_rad));
            self.marks = 1;
            return;
        }
        let alpha = self.mean(|filter| filter.state[2]);
        let step = Step::new(step_s);
        let predicted: Vec<Filter> = self
            .filters
            .iter()
            .map(|filter| filter.predicted(&step, alpha, self.cycle_rad))
            .collect();
        let off = predicted
            .iter()
            .filter(|filter| filter.surprise(step_rad) > SURPRISE);
        if off.map(|filter| filter.share).sum::<f64>() > 0.5 {
            // One false mark is stepped over; after two the motion is another one. That says little of
            // the noise, but where it goes on, what was thought of the noise is wrong.
            if self.surprised {
                self.start(step_s, step_rad / step_s);
                for filter in &mut self.filters {
                    filter.log_likelihood *= DOUBTED;
                }
                self.share_out(0.0);
                self.last = Some((time_s, theta_rad));
                (self.marks, self.surprised) = (1, false);
            } else {
                self.surprised = true;
            }
            return;
        }
        self.surprised = false;
        self.filters = predicted;
        for filter in &mut self.filters {
            filter.update(step_rad);
        }
        self.share_out(ANOTHER_WANDER);
        self.last = Some((time_s, theta_rad));
        self.marks = self.marks.saturating_add(1);
    }

    /// At the last mark; `None` until there are enough since the beginning.
    #[must_use]
    pub fn motion(&self) -> Option<CausalMotion> {
        (self.marks >= MARKS_MIN && !self.surprised).then(|| self.motion_of_all())
    }

    /// All that is known is the mean speed of one step.
    fn start(&mut self, step_s: f64, omega: f64) {
        for filter in &mut self.filters {
            let angle_u = filter.jitter_s * omega;
            // The speed may have doubled within the step.
            let alpha_u = omega / step_s;
            filter.state = [0.0, omega, 0.0, 0.0];
            let speed_u = 0.5 * alpha_u * step_s;
            let change_u = 0.1 * alpha_u / step_s;
            filter.covariance = [
                [angle_u * angle_u, 0.0, 0.0, 0.0],
                [0.0, speed_u * speed_u, speed_u * alpha_u, 0.0],
                [0.0, speed_u * alpha_u, 1.01 * alpha_u * alpha_u, 0.0],
                [0.0, 0.0, 0.0, change_u * change_u],
            ];
        }
    }

    /// What each counts, after its likelihood has changed. Of filters that differ in the wander alone none is
    /// ever ruled out: each is as likely as `another` of all, shared out (a jump between models; Blom &
    /// Bar-Shalom 1988, from memory).
    fn share_out(&mut self, another: f64) {
        let best = best_of(&self.filters);
        let mut sum = 0.0;
        for alike in self.filters.chunks_mut(WANDERS.len()) {
            let own = best_of(alike);
            for filter in alike.iter_mut() {
                filter.share = (filter.log_likelihood - own).exp();
            }
            let among = alike.iter().map(|filter| filter.share).sum::<f64>();
            let least = another * among / WANDERS.len() as f64;
            let counts = (own - best).exp();
            for filter in alike {
                if filter.share < least {
                    filter.share = least;
                    filter.log_likelihood = own + least.ln();
                }
                filter.share *= counts;
                sum += filter.share;
            }
        }
        for filter in &mut self.filters {
            filter.share /= sum;
        }
    }

    fn mean(&self, of: impl Fn(&Filter) -> f64) -> f64 {
        let each = self.filters.iter().map(|filter| filter.share * of(filter));
        each.sum()
    }

    fn motion_of_all(&self) -> CausalMotion {
        let alpha = self.mean(|filter| filter.state[2]);
        CausalMotion {
            omega_rad_per_s: self.mean(|filter| filter.state[1]),
            alpha_rad_per_s2: alpha,
            alpha_uncertainty_rad_per_s2: self.half_width(alpha) / NORMAL_95,
        }
    }

    /// Half the width around a value that holds the acceleration with 95 %. Not from the variance: filters
    /// that hardly count but are very wide make most of that.
    fn half_width(&self, alpha: f64) -> f64 {
        // Share, distance and spread of those that count.
        let counting: Vec<(f64, f64, f64)> = self
            .filters
            .iter()
            .map(|filter| {
                let spread = filter.covariance[2][2].max(f64::MIN_POSITIVE).sqrt();
                (filter.share, filter.state[2] - alpha, spread)
            })
            .filter(|(share, ..)| *share > SHARE_MIN)
            .collect();
        let outside = |half: f64| {
            let of = |(share, off, spread): &(f64, f64, f64)| {
                share * (normal_below((off - half) / spread) + normal_below((-off - half) / spread))
            };
            counting.iter().map(of).sum::<f64>()
        };
        let reach = |(_, off, spread): &(f64, f64, f64)| off.abs() + 2.0 * spread;
        let (mut low, mut high) = (0.0, counting.iter().map(reach).fold(0.0, f64::max));
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if outside(middle) > 0.05 {
                low = middle;
            } else {
                high = middle;
            }
        }
        high
    }
}

/// Standard deviations to each side that hold 95 % of a normal distribution.
const NORMAL_95: f64 = 1.96;
/// A filter with less of the weight is left out; of those left the widest may be some hundred times wider
/// than all together.
const SHARE_MIN: f64 = 1e-4;
const HALVINGS: u32 = 14;

/// Share of a normal distribution below so many standard deviations, within 2e-4 (E. Page, Applied
/// Statistics 26 (1977) 75, from memory).
fn normal_below(deviations: f64) -> f64 {
    let x = 0.797_884_6 * deviations * (1.0 + 0.044_715 * deviations * deviations);
    0.5 * (1.0 + x.tanh())
}

/// The greatest log likelihood.
fn best_of(filters: &[Filter]) -> f64 {
    let likelihoods = filters.iter().map(|filter| filter.log_likelihood);
    likelihoods.fold(f64::NEG_INFINITY, f64::max)
}

impl Filter {
    /// A step later, with the angle counted from the mark before.
    fn predicted(&self, step: &Step, alpha: f64, cycle_rad: Option<f64>) -> Self {
        let speed = self.state[1].abs().max(1e-3);
        let size = alpha.abs().max(ACCELERATION_MIN_PER_S * speed);
        // Variances that a second adds: to the speed by the cycles' work, to the change of the
        // acceleration by its wandering.
        let cycles = cycle_rad.map_or(0.0, |rad| (self.cov * size).powi(2) * rad / speed);
        let wander = (self.wander * size).powi(2) * (size / speed).powi(3);
        // A P Aᵀ = A (A P)ᵀ, for P is symmetric.
        let mut covariance = step.advanced(&transposed(&step.advanced(&self.covariance)));
        for (row, (by_cycles, by_wander)) in covariance
            .iter_mut()
            .zip(step.by_cycles.iter().zip(&step.by_wander))
        {
            for (value, (by_cycles, by_wander)) in
                row.iter_mut().zip(by_cycles.iter().zip(by_wander))
            {
                *value += cycles * by_cycles + wander * by_wander;
            }
        }
        let state = step.advanced(&self.state.map(|part| [part]));
        Self {
            state: state.map(|[part]| part),
            covariance,
            ..*self
        }
    }

    /// Variance of what a mark shows.
    fn variance(&self) -> f64 {
        self.covariance[0][0] + (self.jitter_s * self.state[1]).powi(2)
    }

    fn surprise(&self, theta_rad: f64) -> f64 {
        (theta_rad - self.state[0]).abs() / self.variance().sqrt()
    }

    /// Takes the angle of a mark, and counts from it.
    fn update(&mut self, theta_rad: f64) {
        let variance = self.variance();
        let off = theta_rad - self.state[0];
        let gain = [0, 1, 2, 3].map(|i| self.covariance[i][0] / variance);
        let first = self.covariance[0];
        for ((value, row), gain) in self.state.iter_mut().zip(&mut self.covariance).zip(gain) {
            *value += gain * off;
            for (value, first) in row.iter_mut().zip(first) {
                *value -= gain * first;
            }
        }
        self.state[0] -= theta_rad;
        let forgotten = 1.0 - 1.0 / MARKS_REMEMBERED;
        self.log_likelihood =
            forgotten * self.log_likelihood - 0.5 * (variance.ln() + off * off / variance);
    }
}

/// What a step does, the same for all filters.
struct Step {
    /// The powers t^k / k!.
    powers: [f64; STATES],
    /// Covariances added by a random walk of unit variance a second: of the speed, and of the change of
    /// the acceleration.
    by_cycles: Matrix,
    by_wander: Matrix,
}

impl Step {
    fn new(step_s: f64) -> Self {
        Self {
            powers: [1.0, step_s, step_s.powi(2) / 2.0, step_s.powi(3) / 6.0],
            by_cycles: random_walk(1, step_s),
            by_wander: random_walk(3, step_s),
        }
    }

    /// A step later, each part being the derivative of the one before.
    #[expect(
        clippy::needless_range_loop,
        reason = "between constants they are unrolled: a third of the bank's time"
    )]
    fn advanced<const N: usize>(&self, parts: &[[f64; N]; STATES]) -> [[f64; N]; STATES] {
        let mut later = *parts;
        for i in 0..STATES {
            for k in i + 1..STATES {
                for (value, part) in later[i].iter_mut().zip(&parts[k]) {
                    *value += self.powers[k - i] * part;
                }
            }
        }
        later
    }
}

/// Covariance that a random walk of one part of the state, of unit variance a second, adds to all in a
/// step: `t^(a+b+1) / (a! b! (a+b+1))`, where it reaches them by a and b integrations (Bar-Shalom, Li &
/// Kirubarajan 2001, 6.2, from memory).
fn random_walk(of: usize, step_s: f64) -> Matrix {
    const FACTORIAL: [f64; STATES] = [1.0, 1.0, 2.0, 6.0];
    let by = |i: usize, j: usize| {
        let (Some(a), Some(b)) = (of.checked_sub(i), of.checked_sub(j)) else {
            return 0.0;
        };
        let power = (a + b + 1) as f64;
        step_s.powf(power) / (FACTORIAL[a] * FACTORIAL[b] * power)
    };
    [0, 1, 2, 3].map(|i| [0, 1, 2, 3].map(|j| by(i, j)))
}

fn transposed(a: &Matrix) -> Matrix {
    [0, 1, 2, 3].map(|i| a.map(|row| row[i]))
}

#[cfg(test)]
mod tests {
    use super::*;

    const TURN: f64 = std::f64::consts::TAU;

    fn normal(rng: &mut fastrand::Rng) -> f64 {
        let radius = (-2.0 * (1.0 - rng.f64()).ln()).sqrt();
        radius * (TURN * rng.f64()).cos()
    }

    /// Marks of a drum of three working cycles a turn, whose acceleration is `alpha(ω)` and whose
    /// cycles' work scatters; what the bank says of each, with the truth.
    fn run(
        seed: u64,
        cov: f64,
        jitter_s: f64,
        alpha: impl Fn(f64) -> f64,
    ) -> Vec<(CausalMotion, f64)> {
        let mut rng = fastrand::Rng::with_seed(seed);
        let mut bank = CausalSpeed::new(Some(3.0));
        let (mut time_s, mut omega, mut said) = (0.0_f64, 40.0_f64, Vec::new());
        for turn in 0..120 {
            bank.mark(time_s + jitter_s * normal(&mut rng), TURN * f64::from(turn));
            said.extend(bank.motion().map(|motion| (motion, alpha(omega))));
            for _ in 0..3 {
                let work = 1.0 + cov * normal(&mut rng);
                for _ in 0..20 {
                    let step = TURN / 60.0;
                    let energy = (omega * omega + 2.0 * alpha(omega) * work * step).sqrt();
                    time_s += 2.0 * step / (omega + energy);
                    omega = energy;
                }
            }
        }
        said
    }

    /// Share of what the bank says that its band covers where `told` holds, and the middle of the band's
    /// half width over the truth.
    fn covered(cov: f64, alpha: impl Fn(f64) -> f64, told: impl Fn(f64) -> bool) -> (f64, f64) {
        let (mut inside, mut widths) = (0.0, Vec::new());
        for seed in 0..80 {
            for (motion, truth) in run(seed, cov, 3e-6, &alpha) {
                if told(motion.omega_rad_per_s) {
                    let half = 1.96 * motion.alpha_uncertainty_rad_per_s2;
                    inside += f64::from((motion.alpha_rad_per_s2 - truth).abs() < half);
                    widths.push(half / truth);
                }
            }
        }
        widths.sort_by(f64::total_cmp);
        (inside / widths.len() as f64, widths[widths.len() / 2])
    }

    /// The band covers what a hump of torque really is, on engines from even to rough, and nearly so
    /// where one ends steeply, which no past tells. No outside value: 95 % is what the band claims.
    #[test]
    fn the_band_covers() {
        let hump = |omega: f64| 26.0 - 10.0 * ((omega - 95.0) / 55.0).powi(2);
        let steep = |omega: f64| hump(omega) * (1.0 - 0.2 * (1.0 + ((omega - 120.0) / 6.0).tanh()));
        for cov in [0.0, 0.015, 0.04] {
            let (share, width) = covered(cov, hump, |_| true);
            assert!((0.93..=0.995).contains(&share), "cov {cov}: {share}");
            assert!(width < 0.022 + 0.9 * cov, "cov {cov}: {width}");
            let (share, _) = covered(cov, steep, |omega| (110.0..130.0).contains(&omega));
            assert!(share > 0.8, "cov {cov}: {share} where it is steep");
        }
    }

    #[test]
    fn a_false_mark_is_stepped_over_and_another_throttle_followed() {
        let mut bank = CausalSpeed::new(Some(3.0));
        // 40 rad/s for 3 s, then 25 rad/s²: whole turns.
        let when = |turn: f64| {
            let theta = TURN * turn;
            match theta - 120.0 {
                steady if steady < 0.0 => theta / 40.0,
                more => 3.0 + ((1600.0 + 50.0 * more).sqrt() - 40.0) / 25.0,
            }
        };
        for turn in 0..80 {
            let false_s = if turn == 60 { 2e-3 } else { 0.0 };
            let time_s = when(f64::from(turn)) + false_s;
            bank.mark(time_s, TURN * f64::from(turn));
            if let Some(motion) = bank.motion().filter(|_| time_s > 3.5) {
                let off = (motion.alpha_rad_per_s2 - 25.0).abs();
                let half = 3.0 * motion.alpha_uncertainty_rad_per_s2;
                assert!(off < half.max(0.3), "{turn}: {motion:?}");
            }
        }
        let end = bank.motion().unwrap();
        assert!((end.alpha_rad_per_s2 - 25.0).abs() < 0.3, "{end:?}");
    }
}
