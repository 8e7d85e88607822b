//! Simulated back-to-back tests of an engine whose true curves are known, to see how often a
//! comparison is right.
//!
//! # How pulls scatter
//! Torque of a pull is the setup's true torque times `1 + e(rpm)`, with
//! `e = factor + slope · ξ + smooth(rpm)`, ξ from −1 to 1 over the speeds. `factor` is most of it: heat,
//! charge and friction move the whole curve. `slope` tilts it. `smooth` is a Gaussian process with
//! correlation exp(−Δ²/2ℓ²): combustion, and what tooth timing leaves. The shares are our own judgement,
//! no source. "Repeatability" is the root mean square of the standard deviation of `e` over the speeds.

use leverarm_torque::comparison::{Comparison, ComparisonError, Options, Pull, Sampled, compare};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

/// Scatter of single pulls, standard deviations as shares of torque.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScatterModel {
    /// Of the whole curve.
    pub factor: f64,
    /// Of the tilt, at the ends.
    pub slope: f64,
    /// Of the smooth rest.
    pub smooth: f64,
    /// Length ℓ over which the rest is correlated, rpm.
    pub length_rpm: f64,
    /// By how much all of it grows towards the highest speed: 1 is not at all.
    pub growth: f64,
    /// How many times larger the smooth rest is at the first and last speed.
    pub ends: f64,
}

impl ScatterModel {
    /// Of the variance three quarters are one factor for the whole curve, one eighth the slope (whose
    /// mean square over the speeds is a third of that at the ends), one eighth the smooth rest.
    pub const MOSTLY_FACTOR: Self = Self {
        factor: 0.866,
        slope: 0.612,
        smooth: 0.354,
        length_rpm: 500.0,
        growth: 1.0,
        ends: 1.0,
    };
    /// Nearly all of it one factor: the hardest case for finding a gain, because neighbouring speeds
    /// say the same and the allowance for having looked at all of them is still due.
    pub const NEARLY_ALL_FACTOR: Self = Self {
        factor: 0.94,
        slope: 0.255,
        smooth: 0.305,
        ..Self::MOSTLY_FACTOR
    };
    /// The same in the upper half of the speeds, next to nothing in the lower.
    pub const TOP_ONLY: Self = Self {
        growth: 10.0,
        ..Self::MOSTLY_FACTOR
    };
    /// Mostly a smooth rest.
    pub const MOSTLY_SMOOTH: Self = Self {
        factor: 0.25,
        slope: 0.12,
        smooth: 0.95,
        ..Self::MOSTLY_FACTOR
    };
    /// A rough rest, three times as large at both ends, under a small factor: a repeatable engine on a
    /// stand with timing noise.
    pub const ROUGH_ENDS: Self = Self {
        factor: 0.9,
        slope: 0.2,
        smooth: 0.4,
        length_rpm: 120.0,
        growth: 1.0,
        ends: 3.0,
    };

    /// The model with this repeatability.
    #[must_use]
    pub fn with_repeatability(self, relative: f64) -> Self {
        let rpm = speeds();
        let mean_square =
            rpm.iter().map(|rpm| self.sd_at(*rpm).powi(2)).sum::<f64>() / rpm.len() as f64;
        let scale = relative / mean_square.sqrt();
        Self {
            factor: scale * self.factor,
            slope: scale * self.slope,
            smooth: scale * self.smooth,
            ..self
        }
    }

    fn sd_at(&self, rpm: f64) -> f64 {
        let x = place(rpm);
        let smooth = self.smooth * self.swelling(x);
        let square = self.factor.powi(2) + (self.slope * x).powi(2) + smooth.powi(2);
        square.sqrt() * self.grown(x)
    }

    /// A logistic step in the middle of the range.
    fn grown(&self, x: f64) -> f64 {
        1.0 + (self.growth - 1.0) / (1.0 + (-6.0 * x).exp())
    }

    fn swelling(&self, x: f64) -> f64 {
        1.0 + (self.ends - 1.0) * (-(1.0 - x.abs()) / 0.05).exp()
    }

    /// `e` of a pull at every speed.
    fn draw(&self, chance: &mut ChaCha8Rng) -> Vec<f64> {
        let rpm = speeds();
        let mut normal = || -> f64 { StandardNormal.sample(chance) };
        let (factor, slope) = (self.factor * normal(), self.slope * normal());
        // White noise through a Gaussian window of ℓ/√2 has the correlation exp(−Δ²/2ℓ²).
        let reach = (3.0 * self.length_rpm / STEP_RPM).ceil();
        let offsets: Vec<f64> = std::iter::successors(Some(-reach), |o| Some(o + 1.0))
            .take_while(|o| *o <= reach)
            .collect();
        let mut window: Vec<f64> = offsets
            .iter()
            .map(|o| (-(o * STEP_RPM / self.length_rpm).powi(2)).exp())
            .collect();
        let length = window.iter().map(|w| w * w).sum::<f64>().sqrt();
        window.iter_mut().for_each(|w| *w /= length);
        let white: Vec<f64> = (0..rpm.len() + window.len()).map(|_| normal()).collect();
        rpm.iter()
            .zip(white.windows(window.len()))
            .map(|(rpm, white)| {
                let x = place(*rpm);
                let smooth: f64 = white.iter().zip(&window).map(|(z, w)| z * w).sum();
                let smooth = self.smooth * self.swelling(x) * smooth;
                (factor + slope * x + smooth) * self.grown(x)
            })
            .collect()
    }
}

const FIRST_RPM: f64 = 3300.0;
const LAST_RPM: f64 = 8800.0;
const STEP_RPM: f64 = 100.0;

/// Speeds of all simulated curves: 3,300 to 8,800 rpm, every 100.
#[must_use]
pub fn speeds() -> Vec<f64> {
    std::iter::successors(Some(FIRST_RPM), |rpm| Some(rpm + STEP_RPM))
        .take_while(|rpm| *rpm <= LAST_RPM)
        .collect()
}

fn place(rpm: f64) -> f64 {
    2.0 * (rpm - FIRST_RPM) / (LAST_RPM - FIRST_RPM) - 1.0
}

/// The engine as it is: about 11 N·m at 6,200 rpm.
fn torque_nm(rpm: f64) -> f64 {
    11.0 - 2.6 * ((rpm - 6200.0) / 3000.0).powi(2)
}

/// A true gain of some setup: flat over a range of speeds, with flanks of a raised cosine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// As a share of torque.
    pub relative: f64,
    /// First speed with all of it.
    pub from_rpm: f64,
    /// Last speed with all of it.
    pub to_rpm: f64,
}

impl Gain {
    /// Width of each flank.
    const FLANK_RPM: f64 = 300.0;
    /// 1 % over 1,500 rpm.
    pub const ONE_PERCENT: Self = Self {
        relative: 0.01,
        from_rpm: 5500.0,
        to_rpm: 7000.0,
    };

    fn at(&self, rpm: f64) -> f64 {
        let outside = (self.from_rpm - rpm).max(rpm - self.to_rpm).max(0.0);
        let phase = (outside / Self::FLANK_RPM).min(1.0) * std::f64::consts::PI;
        self.relative * 0.5 * (1.0 + phase.cos())
    }
}

/// A test to simulate.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatedTest {
    /// Setup of each pull, in order.
    pub order: Vec<usize>,
    /// Gain of the second setup, if any.
    pub gain: Option<Gain>,
    /// Drift a pull, as a share.
    pub drift: f64,
    /// Scatter.
    pub scatter: ScatterModel,
}

/// What came of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outcome {
    /// Some difference was called.
    pub called: bool,
    /// A gain was called where the true gain is.
    pub found: bool,
    /// The band held the true difference at every speed.
    pub covered: bool,
}

impl SimulatedTest {
    /// Five pulls with one setup, then five with the other.
    #[must_use]
    pub fn back_to_back(pulls: usize, gain: Option<Gain>, scatter: ScatterModel) -> Self {
        Self {
            order: [vec![0; pulls], vec![1; pulls]].concat(),
            gain,
            drift: 0.0,
            scatter,
        }
    }

    fn truth(&self, setup: usize, rpm: f64) -> f64 {
        let gain = self.gain.filter(|_| setup == 1);
        torque_nm(rpm) * (1.0 + gain.map_or(0.0, |gain| gain.at(rpm)))
    }

    /// The pulls, as a store would give them.
    #[must_use]
    pub fn pulls(&self, seed: u64) -> Vec<Pull> {
        let mut chance = ChaCha8Rng::seed_from_u64(seed);
        let rpm = speeds();
        self.order
            .iter()
            .zip(1_u32..)
            .map(|(setup, number)| {
                let scatter = self.scatter.draw(&mut chance);
                let drift = self.drift * f64::from(number);
                let curve = rpm.iter().zip(scatter).map(|(rpm, e)| Sampled {
                    rpm: *rpm,
                    torque_nm: self.truth(*setup, *rpm) * (1.0 + e + drift),
                    systematic_nm: 0.0,
                });
                Pull {
                    label: number.to_string(),
                    setup: *setup,
                    time_s: 60.0 * f64::from(number),
                    curve: curve.collect(),
                }
            })
            .collect()
    }

    /// The comparison of a test with these pulls, as the command makes it.
    ///
    /// # Errors
    /// When the pulls make none.
    pub fn compare(&self, seed: u64) -> Result<Comparison, ComparisonError> {
        let setups = self.order.iter().max().map_or(0, |most| most + 1);
        let names: Vec<String> = ["A", "B", "C"]
            .iter()
            .take(setups)
            .map(|n| (*n).to_owned())
            .collect();
        compare(&names, &self.pulls(seed), &Options::default())
    }

    /// Makes the test once.
    ///
    /// # Errors
    /// When the pulls make no comparison.
    pub fn run(&self, seed: u64) -> Result<Outcome, ComparisonError> {
        use leverarm_torque::comparison::Verdict;
        let comparison = self.compare(seed)?;
        let mut outcome = Outcome {
            called: false,
            found: false,
            covered: true,
        };
        for pair in comparison.pairs.iter().take(1) {
            let sure = |verdict| verdict != Verdict::NoMeasurableDifference;
            outcome.called = pair.regions.iter().any(|region| sure(region.verdict));
            outcome.found = self.gain.is_some_and(|gain| {
                pair.regions.iter().any(|region| {
                    region.verdict == Verdict::Higher
                        && region.from_rpm < gain.to_rpm
                        && region.to_rpm > gain.from_rpm
                })
            });
            let bands = pair.difference_nm.iter().zip(&pair.band_nm);
            outcome.covered = comparison
                .rpm
                .iter()
                .zip(bands)
                .all(|(rpm, (difference, band))| {
                    let truth = self.truth(pair.second, *rpm) - self.truth(pair.first, *rpm);
                    (difference - truth).abs() <= *band
                });
        }
        Ok(outcome)
    }
}

/// How often, of so many tests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Tests made.
    pub tests: u32,
    /// A difference was called.
    pub called: u32,
    /// The gain was found.
    pub found: u32,
    /// The band held the truth everywhere.
    pub covered: u32,
}

impl Tally {
    /// Counts one.
    pub fn add(&mut self, outcome: Outcome) {
        self.tests += 1;
        self.called += u32::from(outcome.called);
        self.found += u32::from(outcome.found);
        self.covered += u32::from(outcome.covered);
    }

    /// Both together.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        Self {
            tests: self.tests + other.tests,
            called: self.called + other.called,
            found: self.found + other.found,
            covered: self.covered + other.covered,
        }
    }

    /// Per cent of the tests made.
    #[must_use]
    pub fn percent(&self, count: u32) -> f64 {
        100.0 * f64::from(count) / f64::from(self.tests.max(1))
    }
}

/// Makes a test `tests` times on all cores; `done` is called after each. The same seed gives the same
/// tally on any number of cores.
///
/// # Errors
/// The first test that makes no comparison.
pub fn repeat(
    test: &SimulatedTest,
    tests: u32,
    seed: u64,
    done: impl Fn() + Sync,
) -> Result<Tally, ComparisonError> {
    let cores = std::thread::available_parallelism().map_or(1, |n| n.get());
    let worker = |core: usize| {
        let mut tally = Tally::default();
        for number in (0..tests).skip(core).step_by(cores) {
            tally.add(test.run(seed.wrapping_mul(1_000_003).wrapping_add(u64::from(number)))?);
            done();
        }
        Ok(tally)
    };
    std::thread::scope(|scope| {
        let worker = &worker;
        let threads: Vec<_> = (0..cores)
            .map(|core| scope.spawn(move || worker(core)))
            .collect();
        threads
            .into_iter()
            .try_fold(Tally::default(), |sum, thread| {
                // A panic in a worker is a panic here.
                let tally = thread
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic))?;
                Ok(sum.with(tally))
            })
    })
}
