//! What a change did: setups compared from repeated pulls, with an honest answer.
//!
//! # Model
//! A pull's torque curve, divided by the mean of all curves compared, is
//! `setup(rpm) + build(rpm) + day(rpm) + drift(rpm, t) + pull(rpm)`, for all pulls of the store at once:
//! one linear mixed model ([`crate::mixed`]). A build is one mounting of the parts. Drift within a
//! session is a straight line, a warming up that falls in the first pulls, and neighbours that are
//! alike; pulls of a setup may scatter more than the others. Variances are estimated by restricted maximum likelihood, apart for the overall factor of a
//! curve, its slope over rpm and the remainder, because they need not have the same shape.
//!
//! Inference is on builds: the means of mountings, weighted by the covariance found, with a level for
//! each session and a straight drift for each with more than one setup. How much they scatter is told
//! by builds alone, so the degrees of freedom are the builds beyond those unknowns, whatever the ratio
//! of builds' to pulls' scatter. With three sessions or more whose pulls show it, what warming up does each
//! time is an unknown that they share, and only what it does otherwise is chance. What earlier sessions tell of builds serves the next one. Setups that
//! were never tested in one session are compared through those that link them.
//!
//! # What keeps an answer back
//! With fewer than [`REPEATED_BUILDS_MIN`] builds beyond the unknowns, or without a return or a link,
//! nothing is claimed ([`Doubt`]); the numbers are then those of independent pulls around a straight
//! drift, by least squares. A typical scatter of builds may stand in. No claim is made while the
//! difference lies inside half the gap of the returns. Where other sessions let expect so large a gap less
//! than three times in ten, something may have moved in between: half the gap then widens the band, which is to
//! hold the setup between against the nearer return. Below 2 % nothing is claimed: something moved, and nobody
//! knows when.
//!
//! Repeatability is pooled over the mountings as in ISO 5725-2: nothing was changed between pulls with one.
//! Its limit is r = 2.8 s_r (ISO 5725-6): two single pulls differ by less, 19 times out of 20.
//!
//! # Simultaneous band
//! The band of a difference holds the true difference at *all* speeds at once with the confidence
//! asked for. Its half width is `c · s(rpm)`, `s` the standard error from factor, slope and a remainder
//! whose variance is smoothed over the speeds. `c` is the quantile of the largest |difference| / standard
//! error along the curve, simulated from that model (a max-t by parametric bootstrap), with `s`
//! estimated again each time with as few degrees of freedom. That again is the small-sample correction:
//! with scatter that is one factor for the whole curve, `c` is Student's t. How often band and claims
//! are right, in worlds that a shed may be, is counted by `tests/src/bin/comparison.rs`.
//!
//! Sources: P. H. Westfall, S. S. Young, *Resampling-Based Multiple Testing*, 1993 (max-t);
//! T. Hothorn, F. Bretz, P. Westfall, *Biometrical Journal* 50 (2008) 346 (simultaneous inference in
//! parametric models); D. Degras, *Statistica Sinica* 21 (2011) 1735 (bands for functional data).
//!
//! Power is torque times speed, so the band of its difference is the torque's times speed and holds at
//! the same time.

mod band;
mod checks;
pub mod factors;
mod figure;
mod ground;
mod judge;
mod layout;
pub mod orders;
mod region;
mod scatter;
pub mod two_sample;
pub mod words;

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use nalgebra::{DMatrix, DVector};

pub use checks::{Bend, FirstPulls, Likeness};
pub use figure::{AtSpeed, Estimate, Figures, Limits};
pub use ground::{Doubt, Ground, Loop, Memory, REPEATED_BUILDS_MIN, Step};
pub use layout::SESSION_PAUSE_S;
pub use region::{Crossover, Region, Verdict};

use band::MaxT;
use figure::{Curves, FigureTable, power_w};
use ground::Grounds;
use judge::Judge;
use layout::{Layout, Structure};
use region::Judged;
use scatter::{Basis, LinearFit};
use two_sample::{Difference, Readings, detectable_effect, two_sided_factor, upper_tail};

/// Fewest speeds common to all pulls.
pub const POINTS_MIN: usize = 4;
/// Fewest degrees of freedom: with one the scatter is as good as unknown.
pub const DOF_MIN: usize = 2;
/// Probability with which a difference called detectable would show.
pub const DETECTION_PROBABILITY: f64 = 0.9;
/// ISO 5725-6: limit of the difference of two single results over their standard deviation.
pub const REPEATABILITY_FACTOR: f64 = 2.8;
/// Speeds nearer than this are the same grid point, rpm.
const SAME_SPEED_RPM: f64 = 0.01;
/// As near a speed as a brake holds it, share of it.
const NEAR_SPEED_SHARE: f64 = 0.005;
/// And nearer to this point than to the next by so much: points of a grid are not taken for each other.
const NEAR_POINT_SHARE: f64 = 0.2;
/// The scale curve is nowhere less than this share of its highest value.
const SCALE_SHARE_MIN: f64 = 0.05;
/// More mountings of each setup than this is no advice.
const FURTHER_BUILDS_MAX: u32 = 50;

/// One point of a pull's curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampled {
    /// Engine speed.
    pub rpm: f64,
    /// Corrected torque at the crank, N·m.
    pub torque_nm: f64,
    /// Standard uncertainty from what is the same in every pull on this stand, N·m.
    pub systematic_nm: f64,
}

impl Sampled {
    /// The torque at a speed.
    #[must_use]
    pub const fn new(rpm: f64, torque_nm: f64, systematic_nm: f64) -> Self {
        Self {
            rpm,
            torque_nm,
            systematic_nm,
        }
    }
}

/// A pull to compare.
#[derive(Debug, Clone, PartialEq)]
pub struct Pull {
    /// How to name it, such as its number.
    pub label: String,
    /// Index of its setup.
    pub setup: usize,
    /// Number of the mounting: another one whenever parts were taken off or put on since the pull
    /// before, for another setup or for the same.
    pub build: usize,
    /// When it was made, s from any zero.
    pub time_s: f64,
    /// Its curve, speeds ascending; on the same grid of speeds as the other pulls'.
    pub curve: Vec<Sampled>,
}

impl Pull {}

/// Along what drift runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DriftAxis {
    /// The number of the pull: wear, warming up by pulls.
    #[default]
    Order,
    /// The clock: the day's weather, warming up by time.
    Time,
}

/// How to compare.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Confidence of bands and intervals.
    pub confidence: f64,
    /// Along what drift runs.
    pub drift_axis: DriftAxis,
    /// Whether to take the drift out where a return shows it; otherwise it is only stated.
    pub remove_drift: bool,
    /// So many setups are compared, from the first; all when absent. Pulls with the others tell how
    /// builds and days scatter, and link setups that were never tested on one day.
    pub compared: Option<usize>,
    /// How much putting parts back on moves the torque, from elsewhere: used until the stand knows
    /// better, and marked so.
    pub typical_build: Option<TypicalBuild>,
    /// A difference in N·m too small to matter to the person.
    pub margin_nm: Option<f64>,
    /// Range of speeds of averages and equivalence; all when absent.
    pub range_rpm: Option<(f64, f64)>,
    /// Speeds at which torque and power are asked for.
    pub speeds_rpm: Vec<f64>,
    /// A difference in N·m for which the number of further mountings is asked; when absent the margin, or
    /// else half of what shows now.
    pub resolve_nm: Option<f64>,
    /// Simulated differences behind the band.
    pub draws: usize,
    /// Seed of that simulation: the same pulls give the same answer.
    pub seed: u64,
}

/// A published or otherwise typical scatter of builds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TypicalBuild {
    /// Standard deviation of the torque from one mounting to the next, as a share.
    pub relative_sd: f64,
    /// Degrees of freedom that it is worth: 4 says that it may be wrong by a third or more.
    pub degrees_of_freedom: f64,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            confidence: 0.95,
            drift_axis: DriftAxis::default(),
            remove_drift: true,
            compared: None,
            typical_build: None,
            margin_nm: None,
            range_rpm: None,
            speeds_rpm: Vec::new(),
            resolve_nm: None,
            draws: 2000,
            seed: 1,
        }
    }
}

/// Why there is no comparison.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ComparisonError {
    /// Fewer than two setups.
    #[error("a comparison takes at least two setups, found {0}")]
    TooFewSetups(usize),
    /// A setup has no usable pull.
    #[error("setup \"{0}\" has no usable pull")]
    NoPulls(String),
    /// A pull of a setup that is not there.
    #[error("pull {pull}: expected a setup below {setups}, found {found}")]
    NoSuchSetup {
        /// The pull.
        pull: String,
        /// Its setup.
        found: usize,
        /// Setups.
        setups: usize,
    },
    /// Too few repetitions to know the scatter.
    #[error(
        "{pulls} pulls with {setups} setups leave {found} degrees of freedom for the scatter, expected at least {DOF_MIN}: make two pulls or more with each setup"
    )]
    TooFewPulls {
        /// Usable pulls.
        pulls: usize,
        /// Setups.
        setups: usize,
        /// Pulls less setups.
        found: usize,
    },
    /// The pulls share too small a range of speeds.
    #[error(
        "the pulls have {found} speeds in common, expected at least {POINTS_MIN}; the narrowest is pull {narrowest}, {from_rpm:.0} to {to_rpm:.0} rpm"
    )]
    NoCommonRange {
        /// Common speeds.
        found: usize,
        /// Pull with the fewest speeds.
        narrowest: String,
        /// Its first speed.
        from_rpm: f64,
        /// Its last speed.
        to_rpm: f64,
    },
    /// A number that is none.
    #[error("pull {pull}: torque at {rpm:.0} rpm is not a finite number")]
    NotFinite {
        /// The pull.
        pull: String,
        /// The speed.
        rpm: f64,
    },
    /// A speed asked for is not within the measured range.
    #[error(
        "{rpm:.0} rpm: expected a speed within the {low_rpm:.0} to {high_rpm:.0} rpm that all pulls cover"
    )]
    BadSpeed {
        /// Asked for.
        rpm: f64,
        /// Measured.
        low_rpm: f64,
        /// Measured.
        high_rpm: f64,
    },
    /// The range asked for is not within the measured one.
    #[error(
        "range {from_rpm:.0} to {to_rpm:.0} rpm: expected two speeds, rising, within the {low_rpm:.0} to {high_rpm:.0} rpm that all pulls cover"
    )]
    BadRange {
        /// Asked for.
        from_rpm: f64,
        /// Asked for.
        to_rpm: f64,
        /// Measured.
        low_rpm: f64,
        /// Measured.
        high_rpm: f64,
    },
    /// Confidence, margin or difference that cannot be.
    #[error("{what}: expected {expected}, found {found}")]
    BadOption {
        /// Which.
        what: &'static str,
        /// Rule.
        expected: &'static str,
        /// Value.
        found: f64,
    },
    /// The mean torque is not positive, so there is nothing to be relative to.
    #[error("the mean torque of all pulls is nowhere positive")]
    NoTorque,
}

/// A setup's part of a comparison. Curves are on the comparison's speeds.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// Its name.
    pub name: String,
    /// Labels of its pulls, in order.
    pub pulls: Vec<String>,
    /// Mean torque, drift taken out to the middle of the test, N·m.
    pub mean_nm: Vec<f64>,
    /// Half width of the mean's simultaneous band, from the scatter of the pulls, N·m.
    pub band_nm: Vec<f64>,
    /// Standard uncertainty from what is the same in every pull, N·m.
    pub systematic_nm: Vec<f64>,
    /// Standard deviation of a single pull's mean over all speeds about its mounting's, this setup alone, as
    /// a share; with at least two pulls with one mounting.
    pub relative_sd: Option<f64>,
    /// Single figures.
    pub figures: Figures,
    /// Half width of the greatest torque (N·m) and power (W) with all that is known to be uncertain:
    /// scatter of the pulls and what is the same in every pull. For comparing with another stand.
    pub peak_total_half_width: [f64; 2],
    /// What hems the figures in.
    pub limits: Limits,
}

/// Repeatability, pooled over the mountings.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeatability {
    /// Standard deviation s_r of a single pull at each speed, N·m.
    pub sd_nm: Vec<f64>,
    /// Root mean square over the speeds of s_r over torque.
    pub relative_sd: f64,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
}

/// Drift over the test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// Along what.
    pub axis: DriftAxis,
    /// Change of torque as a share, mean over the speeds, per pull or per hour.
    pub relative_per_unit: Estimate,
    /// The same from the first to the last pull.
    pub relative_in_all: f64,
    /// Probability of such a drift by chance.
    pub p_value: f64,
    /// Whether some setup was tested again after another one, or each two through others that were, so that
    /// drift and change are told apart.
    pub returned: bool,
    /// Whether it was taken out of the numbers that come from these pulls alone.
    pub removed: bool,
    /// Whether the answer rests on builds, and so takes each session's own out instead.
    pub by_session: bool,
    /// How far from straight it is, where the pulls can tell.
    pub bend: Option<Bend>,
}

/// A difference that is largest somewhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extreme {
    /// Where.
    pub rpm: f64,
    /// How large, with the half width of the simultaneous band there.
    pub difference: Estimate,
}

/// Two one-sided tests at every speed of a range: the whole range is equivalent when each speed is
/// (intersection-union test, so no allowance for their number is due; R. L. Berger 1982).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Equivalence {
    /// Difference too small to matter, N·m.
    pub margin_nm: f64,
    /// Range of speeds.
    pub range_rpm: (f64, f64),
    /// Largest p-value of all speeds.
    pub p_value: f64,
    /// Whether it is below one minus the confidence.
    pub equivalent: bool,
}

/// Power analysis: further mountings for a difference to show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FurtherBuilds {
    /// The difference, N·m.
    pub difference_nm: f64,
    /// A person asked for it; else it is half of what shows now.
    pub is_asked: bool,
    /// Times more that each of the two setups is to be mounted, with as many pulls each time as so far,
    /// so that it shows at any speed of the range with a probability of 90 %; none when that takes more
    /// than 50.
    pub each: Option<u32>,
    /// Pulls with a mounting so far, on average.
    pub pulls: f64,
}

/// One setup against another. Differences are second less first.
#[derive(Debug, Clone, PartialEq)]
pub struct Pair {
    /// Index of the first setup.
    pub first: usize,
    /// Index of the second.
    pub second: usize,
    /// Distance of neighbouring speeds.
    pub step_rpm: f64,
    /// Difference of torque, N·m.
    pub difference_nm: Vec<f64>,
    /// Half width of its simultaneous band, N·m.
    pub band_nm: Vec<f64>,
    /// Half width of the interval for a single speed chosen beforehand, N·m.
    pub pointwise_nm: Vec<f64>,
    /// True difference that would have shown with a probability of 90 %, N·m.
    pub detectable_by_rpm_nm: Vec<f64>,
    /// The largest of these over the range.
    pub detectable_nm: f64,
    /// Probability of so large a difference anywhere by chance.
    pub p_value: f64,
    /// Factor of the simultaneous band.
    pub critical_value: f64,
    /// What the answer rests on, and what keeps it back.
    pub ground: Ground,
    /// Ranges of speeds with their verdicts.
    pub regions: Vec<Region>,
    /// Where the curves surely cross.
    pub crossovers: Vec<Crossover>,
    /// Greatest gain of torque, N·m, and of power, W.
    pub greatest_gain: [Extreme; 2],
    /// Greatest loss of torque, N·m, and of power, W.
    pub greatest_loss: [Extreme; 2],
    /// Differences of the figures.
    pub figures: Figures,
    /// Difference of the average torque with each setup's own scatter (Welch's test), for when the
    /// setups scatter unevenly. Drift is taken out, its uncertainty is not carried.
    pub welch_average_nm: Option<Difference>,
    /// Whether they are equal for the person's purpose, where a margin was given.
    pub equivalence: Option<Equivalence>,
    /// What more mountings would bring, worked out from the scatter of builds and pulls that was found;
    /// none where the answer is kept back.
    pub further_builds: Option<FurtherBuilds>,
}

/// A comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Speeds that all pulls have.
    pub rpm: Vec<f64>,
    /// Range of averages and equivalence.
    pub range_rpm: (f64, f64),
    /// Confidence of bands and intervals.
    pub confidence: f64,
    /// Factor of the simultaneous bands.
    pub critical_value: f64,
    /// What is known of builds and days.
    pub memory: Memory,
    /// The setups, in the order given.
    pub setups: Vec<Setup>,
    /// Scatter of pulls between which nothing was changed, when there are any.
    pub repeatability: Option<Repeatability>,
    /// Drift, when the pulls can tell of any.
    pub drift: Option<Drift>,
    /// How alike neighbours are among all pulls known, where mountings with three pulls tell.
    pub likeness: Option<Likeness>,
    /// Loops of three setups, each two of them tested in a session without the third.
    pub loops: Vec<Loop>,
    /// First pulls after a change against the others, when there are others.
    pub first_pulls: Option<FirstPulls>,
    /// All pairs, in the order of the setups.
    pub pairs: Vec<Pair>,
    /// What to know before trusting it, in words.
    pub remarks: Vec<String>,
}

/// Compares setups.
///
/// # Errors
/// See [`ComparisonError`].
pub fn compare(
    names: &[String],
    pulls: &[Pull],
    options: &Options,
) -> Result<Comparison, ComparisonError> {
    check(names, pulls, options)?;
    let compared = compared(names, options);
    let mut all: Vec<&Pull> = pulls.iter().collect();
    all.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    let own: Vec<&Pull> = all.iter().filter(|p| p.setup < compared).copied().collect();
    let grid = Grid::common(&own)?;
    let range_rpm = grid.range(options.range_rpm)?;
    grid.holds(&options.speeds_rpm)?;
    let plan = Plan::new(compared, &own, options);
    let study = Study::new(&grid, &plan, &own, &all, options)?;
    study.compare(names, &own, range_rpm, options)
}

/// How many setups are compared.
fn compared(names: &[String], options: &Options) -> usize {
    options.compared.unwrap_or(names.len()).min(names.len())
}

/// A pull's point at a speed. A speed that was held is not quite the one asked for: it is taken along the
/// pull's own curve to that of another pull nearby.
fn point_at(pull: &Pull, rpm: f64) -> Option<Sampled> {
    let right = pull.curve.partition_point(|p| p.rpm < rpm);
    let off = |k: usize| (pull.curve[k].rpm - rpm).abs();
    let nearest = (right.saturating_sub(1)..(right + 1).min(pull.curve.len()))
        .min_by(|a, b| off(*a).total_cmp(&off(*b)))?;
    let point = pull.curve[nearest];
    if off(nearest) <= SAME_SPEED_RPM {
        return Some(point);
    }
    let beside = pull.curve.get(if rpm > point.rpm {
        nearest + 1
    } else {
        nearest.wrapping_sub(1)
    });
    let beside = beside
        .or_else(|| pull.curve.get(nearest.checked_sub(1)?))
        .or_else(|| pull.curve.get(1))?;
    let apart = beside.rpm - point.rpm;
    let is_near = off(nearest) <= (NEAR_SPEED_SHARE * rpm).min(NEAR_POINT_SHARE * apart.abs());
    is_near.then(|| Sampled {
        rpm,
        torque_nm: point.torque_nm
            + (beside.torque_nm - point.torque_nm) * (rpm - point.rpm) / apart,
        ..point
    })
}

fn check(names: &[String], pulls: &[Pull], options: &Options) -> Result<(), ComparisonError> {
    let compared = compared(names, options);
    if compared < 2 {
        return Err(ComparisonError::TooFewSetups(compared));
    }
    if let Some(pull) = pulls.iter().find(|pull| pull.setup >= names.len()) {
        return Err(ComparisonError::NoSuchSetup {
            pull: pull.label.clone(),
            found: pull.setup,
            setups: names.len(),
        });
    }
    for (setup, name) in names.iter().enumerate().take(compared) {
        if !pulls.iter().any(|pull| pull.setup == setup) {
            return Err(ComparisonError::NoPulls(name.clone()));
        }
    }
    let own = pulls.iter().filter(|pull| pull.setup < compared).count();
    let found = own.saturating_sub(compared);
    if found < DOF_MIN {
        return Err(ComparisonError::TooFewPulls {
            pulls: own,
            setups: compared,
            found,
        });
    }
    let positive = |what, value: Option<f64>| match value {
        Some(found) if !(found > 0.0 && found.is_finite()) => Err(ComparisonError::BadOption {
            what,
            expected: "a positive torque",
            found,
        }),
        _ => Ok(()),
    };
    positive("margin", options.margin_nm)?;
    positive("difference to resolve", options.resolve_nm)?;
    if let Some(typical) = options.typical_build
        && !((1e-6..0.5).contains(&typical.relative_sd)
            && (1.0..=1000.0).contains(&typical.degrees_of_freedom))
    {
        return Err(ComparisonError::BadOption {
            what: "typical scatter of builds",
            expected: "a share of torque from 0.000001 to 0.5, from 1 to 1000 degrees of freedom",
            found: typical.relative_sd,
        });
    }
    if !(0.5..=0.999).contains(&options.confidence) {
        return Err(ComparisonError::BadOption {
            what: "confidence",
            expected: "0.5 to 0.999",
            found: options.confidence,
        });
    }
    if !(100..=1_000_000).contains(&options.draws) {
        return Err(ComparisonError::BadOption {
            what: "simulated differences",
            expected: "100 to 1,000,000",
            found: options.draws as f64,
        });
    }
    Ok(())
}

/// The speeds that all pulls have, and the curves on them.
struct Grid {
    rpm: Vec<f64>,
    /// One row a pull, N·m.
    torque_nm: DMatrix<f64>,
    systematic_nm: DMatrix<f64>,
}

impl Grid {
    fn common(pulls: &[&Pull]) -> Result<Self, ComparisonError> {
        let first = pulls.first().map_or(&[][..], |pull| &pull.curve);
        let columns: Vec<(f64, Vec<Sampled>)> = first
            .iter()
            .filter_map(|point| {
                let all: Option<Vec<Sampled>> =
                    pulls.iter().map(|pull| point_at(pull, point.rpm)).collect();
                Some((point.rpm, all?))
            })
            .collect();
        for (rpm, column) in &columns {
            let bad = pulls
                .iter()
                .zip(column)
                .find(|(_, point)| !point.torque_nm.is_finite());
            if let Some((pull, _)) = bad {
                return Err(ComparisonError::NotFinite {
                    pull: pull.label.clone(),
                    rpm: *rpm,
                });
            }
        }
        if columns.len() < POINTS_MIN {
            let narrowest = pulls.iter().min_by_key(|pull| pull.curve.len());
            let end = |point: Option<&Sampled>| point.map_or(0.0, |p| p.rpm);
            return Err(ComparisonError::NoCommonRange {
                found: columns.len(),
                narrowest: narrowest.map_or_else(String::new, |pull| pull.label.clone()),
                from_rpm: end(narrowest.and_then(|pull| pull.curve.first())),
                to_rpm: end(narrowest.and_then(|pull| pull.curve.last())),
            });
        }
        let matrix = |value: &dyn Fn(&Sampled) -> f64| {
            DMatrix::from_fn(pulls.len(), columns.len(), |i, j| value(&columns[j].1[i]))
        };
        Ok(Self {
            torque_nm: matrix(&|p| p.torque_nm),
            systematic_nm: matrix(&|p| p.systematic_nm),
            rpm: columns.iter().map(|(rpm, _)| *rpm).collect(),
        })
    }

    fn ends(&self) -> (f64, f64) {
        let end = |rpm: Option<&f64>| rpm.copied().unwrap_or(f64::NAN);
        (end(self.rpm.first()), end(self.rpm.last()))
    }

    fn holds(&self, speeds_rpm: &[f64]) -> Result<(), ComparisonError> {
        let (low_rpm, high_rpm) = self.ends();
        let mut speeds = speeds_rpm.iter();
        match speeds.find(|rpm| !(low_rpm..=high_rpm).contains(*rpm)) {
            None => Ok(()),
            Some(rpm) => Err(ComparisonError::BadSpeed {
                rpm: *rpm,
                low_rpm,
                high_rpm,
            }),
        }
    }

    fn range(&self, asked: Option<(f64, f64)>) -> Result<(f64, f64), ComparisonError> {
        let (low_rpm, high_rpm) = self.ends();
        let Some((from_rpm, to_rpm)) = asked else {
            return Ok((low_rpm, high_rpm));
        };
        if low_rpm <= from_rpm && from_rpm < to_rpm && to_rpm <= high_rpm {
            return Ok((from_rpm, to_rpm));
        }
        Err(ComparisonError::BadRange {
            from_rpm,
            to_rpm,
            low_rpm,
            high_rpm,
        })
    }

    /// Mean of all pulls, kept away from zero.
    fn scale(&self) -> Result<Vec<f64>, ComparisonError> {
        let mean: Vec<f64> = self
            .torque_nm
            .column_iter()
            .map(|column| column.sum() / column.len() as f64)
            .collect();
        let highest = mean.iter().copied().fold(0.0, f64::max);
        if highest <= 0.0 {
            return Err(ComparisonError::NoTorque);
        }
        Ok(mean
            .iter()
            .map(|m| m.max(SCALE_SHARE_MIN * highest))
            .collect())
    }
}

/// Who was tested when.
struct Plan {
    /// Setup of each pull, in order.
    setups: Vec<usize>,
    /// Number of the pull or hours, from the middle of the test.
    axis: Vec<f64>,
    drift_axis: DriftAxis,
    returned: bool,
    remove_drift: bool,
    /// One column a setup.
    plain: DMatrix<f64>,
    /// The same and the axis of the drift.
    drifting: DMatrix<f64>,
    /// Session and mounting of each pull.
    mountings: Vec<Mounted>,
}

impl Plan {
    fn new(count: usize, pulls: &[&Pull], options: &Options) -> Self {
        let setups: Vec<usize> = pulls.iter().map(|pull| pull.setup).collect();
        let raw: Vec<f64> = match options.drift_axis {
            DriftAxis::Order => (0_u32..).take(pulls.len()).map(f64::from).collect(),
            DriftAxis::Time => pulls.iter().map(|pull| pull.time_s / 3600.0).collect(),
        };
        let middle = raw.iter().sum::<f64>() / raw.len().max(1) as f64;
        let axis: Vec<f64> = raw.iter().map(|t| t - middle).collect();
        let mut blocks = setups.clone();
        blocks.dedup();
        let returned = (0..count).any(|s| blocks.iter().filter(|b| **b == s).count() > 1);
        let plain = DMatrix::from_fn(
            setups.len(),
            count,
            |i, j| {
                if setups[i] == j { 1.0 } else { 0.0 }
            },
        );
        let drifting = DMatrix::from_fn(setups.len(), count + 1, |i, j| {
            if j == count { axis[i] } else { plain[(i, j)] }
        });
        let left = setups.len().saturating_sub(count + 1);
        Self {
            remove_drift: options.remove_drift && returned && left >= DOF_MIN,
            setups,
            axis,
            drift_axis: options.drift_axis,
            returned,
            plain,
            drifting,
            mountings: mountings(pulls),
        }
    }

    /// One column a mounting, and the axis of a drift that is taken out.
    fn by_mounting(&self) -> DMatrix<f64> {
        let all: BTreeSet<Mounted> = self.mountings.iter().copied().collect();
        let columns = all.iter().map(|mounted| {
            let own = self.mountings.iter();
            let is_own = own.map(|own| f64::from(u8::from(own == mounted)));
            DVector::from_iterator(self.mountings.len(), is_own)
        });
        let drift = self
            .remove_drift
            .then(|| DVector::from_column_slice(&self.axis));
        DMatrix::from_columns(&columns.chain(drift).collect::<Vec<_>>())
    }

    fn design(&self) -> &DMatrix<f64> {
        if self.remove_drift {
            &self.drifting
        } else {
            &self.plain
        }
    }
}

/// Session and number of a mounting: what stays on overnight meets another day.
type Mounted = [usize; 2];

fn mountings(pulls: &[&Pull]) -> Vec<Mounted> {
    let sessions = layout::sessions(pulls);
    let each = sessions.into_iter().zip(pulls);
    each.map(|(session, pull)| [session, pull.build]).collect()
}

/// The fits and what judges them.
struct Study<'a> {
    grid: &'a Grid,
    plan: &'a Plan,
    scale: Vec<f64>,
    /// Relative curves of the pulls compared, one row a pull.
    relative: DMatrix<f64>,
    /// Least squares of these pulls alone, as if they scattered independently.
    fit: LinearFit,
    /// The same about their mountings, where one has two pulls or more.
    within: Option<LinearFit>,
    basis: Basis,
    judge: Judge,
    grounds: Grounds,
    /// Curves of all rows that the judge knows, N·m, with their setups.
    rows: Vec<(usize, Vec<f64>)>,
    confidence: f64,
    draws: usize,
    seed: u64,
    /// The critical values of bands by their degrees of freedom: those of most pairs are the same.
    max_t: RefCell<BTreeMap<[usize; 2], Rc<MaxT>>>,
    /// True difference, in standard errors, that shows with so many more mountings of each of two
    /// setups: every pair asks for much the same numbers.
    effects: RefCell<BTreeMap<(u32, u64, u64), f64>>,
}

/// A contrast of setups along the speeds.
struct Contrast {
    /// N·m
    torque_nm: Vec<f64>,
    /// N·m
    standard_error_nm: Vec<f64>,
    /// Degrees of freedom of the overall factor.
    dof: f64,
    max_t: Rc<MaxT>,
    /// Factor of the simultaneous band.
    critical: f64,
}

impl<'a> Study<'a> {
    fn new(
        grid: &'a Grid,
        plan: &'a Plan,
        own: &[&Pull],
        all: &[&Pull],
        options: &Options,
    ) -> Result<Self, ComparisonError> {
        let scale = grid.scale()?;
        let (pulls, points) = grid.torque_nm.shape();
        let relative = DMatrix::from_fn(pulls, points, |i, j| grid.torque_nm[(i, j)] / scale[j]);
        let too_few = || ComparisonError::TooFewPulls {
            pulls,
            setups: plan.plain.ncols(),
            found: 0,
        };
        let fit = LinearFit::new(plan.design(), &relative).ok_or_else(too_few)?;
        let within = LinearFit::new(&plan.by_mounting(), &relative).filter(|fit| fit.dof > 0);
        let basis = Basis::new(points);
        let remembered = Remembered::new(all, &grid.rpm, &scale);
        let compared = plan.plain.ncols();
        let (grounds, judge) = Grounds::new(
            &remembered.pulls,
            &remembered.relative,
            compared,
            &basis,
            options,
        );
        let plain = || {
            let layout = Layout::new(own, compared, &plan.axis);
            let curves = layout.averaged(&relative);
            Judge::new(&basis, &curves, layout, Structure::plain(plan.remove_drift))
        };
        let judge = judge.or_else(plain).ok_or_else(too_few)?;
        let curves = if grounds.builds_known() {
            judge.layout.averaged(&remembered.relative)
        } else {
            judge.layout.averaged(&relative)
        };
        let rows = curves
            .row_iter()
            .zip(&judge.layout.setups)
            .map(|(row, setup)| (*setup, row.iter().zip(&scale).map(|(r, s)| r * s).collect()));
        Ok(Self {
            grid,
            plan,
            rows: rows.collect(),
            scale,
            relative,
            fit,
            within,
            basis,
            judge,
            grounds,
            confidence: options.confidence,
            draws: options.draws,
            seed: options.seed,
            max_t: RefCell::default(),
            effects: RefCell::default(),
        })
    }

    fn weights(&self, setup: usize) -> DVector<f64> {
        DVector::from_fn(self.judge.layout.count, |i, _| {
            f64::from(u8::from(i == setup))
        })
    }

    fn contrast(&self, weights: &DVector<f64>) -> Contrast {
        let spread = self.judge.spread(&self.basis, weights);
        let dof = spread.dof.map(|dof| whole(dof).max(1));
        let known = self.max_t.borrow().get(&dof).cloned();
        let max_t = known.unwrap_or_else(|| {
            let generator = self.judge.generator(&self.basis, &spread);
            let simulated = MaxT::simulate(&self.basis, &generator, dof, self.draws, self.seed);
            let simulated = Rc::new(simulated);
            self.max_t.borrow_mut().insert(dof, Rc::clone(&simulated));
            simulated
        });
        Contrast {
            torque_nm: self.in_nm(&self.judge.curve(&self.basis, weights)),
            standard_error_nm: self.in_nm(&spread.scatter.sd),
            dof: spread.dof[0],
            critical: max_t.critical(self.confidence),
            max_t,
        }
    }

    fn in_nm(&self, relative: &[f64]) -> Vec<f64> {
        let scaled = relative.iter().zip(&self.scale);
        scaled.map(|(relative, scale)| relative * scale).collect()
    }

    /// True difference, in standard errors, that shows with a probability of 90 % with `more`
    /// mountings more of each of two setups.
    ///
    /// They lower the critical value too. The band's is taken as Student's t with Bonferroni's
    /// allowance for some number of independent speeds, and that number is kept.
    fn effect(&self, contrast: &Contrast, more: u32) -> f64 {
        let key = (more, contrast.critical.to_bits(), contrast.dof.to_bits());
        let known = self.effects.borrow().get(&key).copied();
        known.unwrap_or_else(|| {
            let dof = contrast.dof + 2.0 * f64::from(more);
            let critical = if more == 0 {
                contrast.critical
            } else {
                let alpha = 1.0 - self.confidence;
                let speeds = (alpha / (2.0 * upper_tail(contrast.critical, contrast.dof))).max(1.0);
                two_sided_factor(alpha / speeds, dof)
            };
            let effect = detectable_effect(DETECTION_PROBABILITY, critical, dof);
            self.effects.borrow_mut().insert(key, effect);
            effect
        })
    }

    fn compare(
        &self,
        names: &[String],
        pulls: &[&Pull],
        range_rpm: (f64, f64),
        options: &Options,
    ) -> Result<Comparison, ComparisonError> {
        let compared = self.plan.plain.ncols();
        let contrasts: Vec<Contrast> = (0..compared)
            .map(|s| self.contrast(&self.weights(s)))
            .collect();
        let means: Vec<Vec<f64>> = (0..self.judge.layout.count)
            .map(|s| self.in_nm(&self.judge.curve(&self.basis, &self.weights(s))))
            .collect();
        let curves = Curves {
            rpm: &self.grid.rpm,
            means: &means,
            rows: &self.rows,
            judge: &self.judge,
        };
        let figures = FigureTable::new(curves, self.confidence, range_rpm, &options.speeds_rpm);
        let averages = self.averages(range_rpm);
        let setups: Vec<Setup> = (0..compared)
            .map(|s| (s, figures.figures(&self.weights(s)), self.systematic(s)))
            .map(|(s, figures, systematic_nm)| Setup {
                name: names[s].clone(),
                pulls: pulls
                    .iter()
                    .filter(|pull| pull.setup == s)
                    .map(|pull| pull.label.clone())
                    .collect(),
                band_nm: times(&contrasts[s].standard_error_nm, contrasts[s].critical),
                peak_total_half_width: self.peak_total(&figures, &systematic_nm),
                systematic_nm,
                relative_sd: self.own_sd(s),
                figures,
                limits: figure::limits(&self.grid.rpm, &means[s]),
                mean_nm: means[s].clone(),
            })
            .collect();
        let asked = Asked {
            figures: &figures,
            averages: &averages,
            range_rpm,
            options,
        };
        let pairs: Vec<Pair> = (0..compared)
            .flat_map(|first| (first + 1..compared).map(move |second| (first, second)))
            .map(|(first, second)| self.pair(first, second, &asked))
            .collect();
        let drift = self.drift(&pairs);
        let first_pulls = checks::first_pulls(
            &self.plan.by_mounting(),
            &checks::pull_means(&self.relative),
            &self.plan.mountings,
            self.confidence,
        );
        let mut remarks = self.remarks(&setups, pulls, drift, first_pulls);
        let loops = self.grounds.loops(&self.judge);
        let open = loops.iter().filter(|found| !found.closes);
        remarks.extend(open.map(|found| found.words(names)));
        Ok(Comparison {
            rpm: self.grid.rpm.clone(),
            range_rpm,
            confidence: self.confidence,
            critical_value: pairs.first().map_or(f64::NAN, |pair| pair.critical_value),
            memory: self.grounds.memory(&self.judge),
            setups,
            repeatability: self.repeatability(),
            drift,
            likeness: self.grounds.likeness(self.seed),
            loops,
            first_pulls,
            pairs,
            remarks,
        })
    }

    /// Average torque of each pull over the range, drift taken out, by setup.
    fn averages(&self, (low, high): (f64, f64)) -> Vec<Vec<f64>> {
        let mut averages = vec![Vec::new(); self.plan.plain.ncols()];
        for (i, setup) in self.plan.setups.iter().enumerate() {
            let mean = self.fit.coefficients.row(*setup);
            let own = self.fit.residuals.row(i) + mean;
            let torque: Vec<f64> = own.iter().zip(&self.scale).map(|(r, s)| r * s).collect();
            let area = figure::area_between(&self.grid.rpm, &torque, low, high);
            averages[*setup].push(area / (high - low));
        }
        averages
    }

    /// Differences of figures, no surer than the gap of the returns lets them be.
    fn widened_figures(&self, figures: Figures, ground: &Ground, range: (f64, f64)) -> Figures {
        if ground.gap.is_empty() {
            return figures;
        }
        let gap_nm = self.in_nm(&ground.gap);
        figures.widened(&self.grid.rpm, &gap_nm, range, |half, gap| {
            ground.widened(half, gap)
        })
    }

    /// Mean of the systematic uncertainty over a setup's pulls.
    fn systematic(&self, setup: usize) -> Vec<f64> {
        let own: Vec<usize> = (0..self.plan.setups.len())
            .filter(|i| self.plan.setups[*i] == setup)
            .collect();
        let columns = self.grid.systematic_nm.column_iter();
        columns
            .map(|column| own.iter().map(|i| column[*i]).sum::<f64>() / own.len().max(1) as f64)
            .collect()
    }

    /// Half widths of the peaks of torque and power with the systematic part.
    fn peak_total(&self, figures: &Figures, systematic_nm: &[f64]) -> [f64; 2] {
        let rpm = &self.grid.rpm;
        // Many sources make up the systematic part, so the normal distribution's factor serves.
        let factor = two_sided_factor(1.0 - self.confidence, f64::INFINITY);
        let total = |peak: Estimate, at_rpm: f64, systematic: &[f64]| {
            let systematic = figure::interpolated(rpm, systematic, at_rpm).unwrap_or(f64::NAN);
            peak.half_width.hypot(factor * systematic)
        };
        [
            total(
                figures.peak_torque_nm,
                figures.peak_torque_rpm.value,
                systematic_nm,
            ),
            total(
                figures.peak_power_w,
                figures.peak_power_rpm.value,
                &power_w(rpm, systematic_nm),
            ),
        ]
    }

    /// About the means of its mountings.
    fn own_sd(&self, setup: usize) -> Option<f64> {
        let means = checks::pull_means(&self.within.as_ref()?.residuals);
        let own = checks::own_scatter(
            means.as_slice(),
            &self.plan.setups,
            &self.plan.mountings,
            setup,
        );
        (own.degrees_of_freedom > 0.0).then(|| own.variance().sqrt())
    }

    fn repeatability(&self) -> Option<Repeatability> {
        let fit = self.within.as_ref()?;
        let columns = fit.residuals.column_iter();
        let relative: Vec<f64> = columns
            .map(|column| (column.norm_squared() / fit.dof as f64).sqrt())
            .collect();
        let squares: f64 = relative.iter().map(|r| r * r).sum();
        Some(Repeatability {
            sd_nm: self.in_nm(&relative),
            relative_sd: (squares / relative.len().max(1) as f64).sqrt(),
            degrees_of_freedom: fit.dof,
        })
    }

    fn drift(&self, pairs: &[Pair]) -> Option<Drift> {
        let is_told = |pair: &Pair| {
            let mut doubts = pair.ground.doubts.iter();
            !doubts.any(|doubt| matches!(doubt, Doubt::NoReturn | Doubt::NotLinked))
        };
        let means = checks::pull_means(&self.relative);
        let found = checks::last_coefficient(&self.plan.drifting, &means, self.confidence)?;
        let ends = self.plan.axis.first().zip(self.plan.axis.last());
        Some(Drift {
            axis: self.plan.drift_axis,
            relative_per_unit: found.estimate,
            relative_in_all: found.estimate.value * ends.map_or(0.0, |(first, last)| last - first),
            p_value: found.p_value,
            returned: self.plan.returned || pairs.iter().all(is_told),
            removed: self.plan.remove_drift,
            by_session: self.grounds.builds_known(),
            bend: checks::bend(
                &self.plan.drifting,
                &self.plan.axis,
                &means,
                self.confidence,
            ),
        })
    }

    fn pair(&self, first: usize, second: usize, asked: &Asked<'_>) -> Pair {
        let weights = self.weights(second) - self.weights(first);
        let rpm = &self.grid.rpm;
        let contrast = self.contrast(&weights);
        let ground = self.grounds.ground(&self.judge, first, second);
        let t = |alpha: f64| two_sided_factor(alpha, contrast.dof);
        let widened = |half_width: Vec<f64>| -> Vec<f64> {
            let gaps = ground
                .gap
                .iter()
                .zip(&self.scale)
                .map(|(gap, scale)| gap * scale);
            let gaps = gaps.chain(std::iter::repeat(0.0));
            let wide = half_width.into_iter().zip(gaps);
            wide.map(|(half, gap)| ground.widened(half, gap)).collect()
        };
        let band_nm = widened(times(&contrast.standard_error_nm, contrast.critical));
        let pointwise_nm = widened(times(&contrast.standard_error_nm, t(1.0 - self.confidence)));
        let detectable_by_rpm_nm = widened(times(
            &contrast.standard_error_nm,
            self.effect(&contrast, 0),
        ));
        let figures =
            self.widened_figures(asked.figures.figures(&weights), &ground, asked.range_rpm);
        let Contrast {
            torque_nm: difference_nm,
            standard_error_nm: standard_error,
            ..
        } = &contrast;
        let (difference_nm, standard_error) = (difference_nm.clone(), standard_error.clone());
        let judged = Judged {
            rpm,
            difference: &difference_nm,
            band: &band_nm,
            pointwise: &pointwise_nm,
            detectable: &detectable_by_rpm_nm,
            margin: asked.options.margin_nm,
            withheld: !ground.doubts.is_empty(),
        };
        let samples =
            Readings::of(&asked.averages[first]).zip(Readings::of(&asked.averages[second]));
        let extreme = |sign: f64| {
            let of = |values: &[f64], band: &[f64]| {
                let at = figure::highest(&times(values, sign));
                Extreme {
                    rpm: rpm[at],
                    difference: Estimate::new(values[at], band[at]),
                }
            };
            [
                of(&difference_nm, &band_nm),
                of(&power_w(rpm, &difference_nm), &power_w(rpm, &band_nm)),
            ]
        };
        Pair {
            first,
            second,
            step_rpm: region::smallest_step(rpm),
            detectable_nm: self.largest_in(&detectable_by_rpm_nm, asked.range_rpm),
            p_value: contrast
                .max_t
                .p_value(band::largest(&difference_nm, &standard_error)),
            critical_value: contrast.critical,
            regions: judged.regions(),
            crossovers: judged.crossovers(),
            greatest_gain: extreme(1.0),
            greatest_loss: extreme(-1.0),
            figures,
            welch_average_nm: samples
                .map(|(a, b)| Difference::welch(&a, &b))
                .filter(|welch| welch.standard_error > 0.0),
            equivalence: asked.options.margin_nm.map(|margin| {
                let found = self.equivalence(margin, &contrast, asked.range_rpm);
                Equivalence {
                    equivalent: found.equivalent && ground.doubts.is_empty(),
                    ..found
                }
            }),
            further_builds: ground.doubts.is_empty().then(|| {
                self.further_builds([first, second], &contrast, &detectable_by_rpm_nm, asked)
            }),
            ground,
            difference_nm,
            band_nm,
            pointwise_nm,
            detectable_by_rpm_nm,
        }
    }

    /// Largest value at the speeds of a range.
    fn largest_in(&self, values: &[f64], (low, high): (f64, f64)) -> f64 {
        let inside = self.grid.rpm.iter().zip(values);
        inside
            .filter(|(rpm, _)| (low..=high).contains(*rpm))
            .map(|(_, value)| *value)
            .fold(0.0, f64::max)
    }

    fn equivalence(
        &self,
        margin_nm: f64,
        contrast: &Contrast,
        range_rpm: (f64, f64),
    ) -> Equivalence {
        let p_values: Vec<f64> = contrast
            .torque_nm
            .iter()
            .zip(&contrast.standard_error_nm)
            .map(|(value, standard_error)| {
                let difference = Difference {
                    value: *value,
                    standard_error: *standard_error,
                    degrees_of_freedom: contrast.dof,
                };
                difference.equivalence_p_value(margin_nm)
            })
            .collect();
        let p_value = self.largest_in(&p_values, range_rpm);
        Equivalence {
            margin_nm,
            range_rpm,
            p_value,
            equivalent: p_value < 1.0 - self.confidence,
        }
    }

    /// How many more mountings of each setup it takes. What a difference scatters falls with their
    /// number: pulls are averaged within each, so that both variances are divided by it.
    fn further_builds(
        &self,
        setups: [usize; 2],
        contrast: &Contrast,
        detectable_nm: &[f64],
        asked: &Asked<'_>,
    ) -> FurtherBuilds {
        let now = self.largest_in(detectable_nm, asked.range_rpm);
        let options = asked.options;
        let asked_nm = options.resolve_nm.or(options.margin_nm);
        let difference_nm = asked_nm.unwrap_or(0.5 * now);
        let builds = setups.map(|setup| self.grounds.builds_of(setup));
        let pulls: usize = setups.iter().map(|s| asked.averages[*s].len()).sum();
        let ratio = |more: u32| -> f64 {
            let more = f64::from(more);
            builds.iter().map(|n| 1.0 / (*n as f64 + more)).sum()
        };
        // Of a single mounting, so that their number can change.
        let per_effect = now / self.effect(contrast, 0) / ratio(0).sqrt();
        let shows =
            |more| per_effect * self.effect(contrast, more) * ratio(more).sqrt() <= difference_nm;
        let each = if now <= difference_nm {
            Some(0)
        } else {
            let (mut low, mut high) = (0, FURTHER_BUILDS_MAX);
            // The smallest number that shows it: more never show less.
            while low + 1 < high {
                let middle = low.midpoint(high);
                if shows(middle) {
                    high = middle;
                } else {
                    low = middle;
                }
            }
            shows(high).then_some(high)
        };
        FurtherBuilds {
            difference_nm,
            is_asked: asked_nm.is_some(),
            each,
            pulls: pulls as f64 / builds.iter().sum::<usize>().max(1) as f64,
        }
    }

    fn remarks(
        &self,
        setups: &[Setup],
        pulls: &[&Pull],
        drift: Option<Drift>,
        first_pulls: Option<FirstPulls>,
    ) -> Vec<String> {
        let mut remarks = Vec::new();
        let percent = |share: f64| format!("{:+.2} %", 100.0 * share);
        if let Some(drift) = drift.filter(|drift| !drift.removed && !drift.by_session) {
            if drift.returned {
                if drift.p_value < 0.05 {
                    remarks.push(format!(
                        "drift of {} from the first to the last pull was left in",
                        percent(drift.relative_in_all)
                    ));
                }
            } else {
                remarks.push(format!(
                    "no setup was tested again after another one, so drift over the test (within the setups it comes to {} from the first to the last pull, p = {:.2}) can't be told from the change; go back to the first setup at the end",
                    percent(drift.relative_in_all),
                    drift.p_value
                ));
            }
        }
        if let Some(first) = first_pulls.filter(|first| first.p_value < 0.05) {
            remarks.push(format!(
                "the {} first pulls after a change read {} against the others (± {:.2} %); they were kept",
                first.count,
                percent(first.relative.value),
                100.0 * first.relative.half_width
            ));
        }
        let means = checks::pull_means(&self.relative);
        for (pull, apart) in checks::outliers(&self.plan.by_mounting(), &means) {
            remarks.push(format!(
                "pull {} ({}) stands {} apart from the others of its mounting; it was kept",
                pulls[pull].label,
                setups[pulls[pull].setup].name,
                percent(apart)
            ));
        }
        let uneven = self.within.as_ref().map(|fit| {
            let means = checks::pull_means(&fit.residuals);
            checks::uneven_scatter(means.as_slice(), &self.plan.setups, &self.plan.mountings)
        });
        for (setup, ratio) in uneven.into_iter().flatten() {
            remarks.push(format!(
                "pulls with {} scatter {ratio:.1} times as much as the others; {}",
                setups[setup].name,
                if self.grounds.builds_known() {
                    "the bands allow for it"
                } else {
                    "the bands take one scatter for all setups"
                }
            ));
        }
        for label in self.grounds.apart() {
            remarks.push(format!(
                "pull {label} stands so far apart from all others that the bands do without it; exclude it if you know why"
            ));
        }
        remarks.extend(narrowing(pulls, &self.grid.rpm));
        remarks
    }
}

/// All pulls of the store that cover the speeds compared.
struct Remembered<'a> {
    pulls: Vec<&'a Pull>,
    /// Relative curves, one row a pull.
    relative: DMatrix<f64>,
}

impl<'a> Remembered<'a> {
    fn new(all: &[&'a Pull], rpm: &[f64], scale: &[f64]) -> Self {
        let curve = |pull: &Pull| -> Option<Vec<f64>> {
            let points = rpm.iter().zip(scale);
            points
                .map(|(rpm, scale)| Some(point_at(pull, *rpm)?.torque_nm / scale))
                .collect()
        };
        let covering: Vec<(&'a Pull, Vec<f64>)> = all
            .iter()
            .filter_map(|pull| Some((*pull, curve(pull)?)))
            .filter(|(_, curve)| curve.iter().all(|torque| torque.is_finite()))
            .collect();
        Self {
            relative: DMatrix::from_fn(covering.len(), rpm.len(), |i, j| covering[i].1[j]),
            pulls: covering.into_iter().map(|(pull, _)| pull).collect(),
        }
    }
}

/// Degrees of freedom as a number of residual curves.
fn whole(dof: f64) -> usize {
    // At most the rows there are.
    (1..=1_000_000_u32)
        .take_while(|n| f64::from(*n) <= dof + 0.5)
        .take(1000)
        .count()
}

/// What the pairs are made from.
struct Asked<'a> {
    figures: &'a FigureTable<'a>,
    /// Average torque of each pull, by setup.
    averages: &'a [Vec<f64>],
    range_rpm: (f64, f64),
    options: &'a Options,
}

fn times(values: &[f64], factor: f64) -> Vec<f64> {
    values.iter().map(|v| v * factor).collect()
}

/// Pulls without which the common range would be wider by more than a few grid points.
fn narrowing(pulls: &[&Pull], rpm: &[f64]) -> Vec<String> {
    const STEPS: f64 = 3.0;
    let far = STEPS * region::smallest_step(rpm);
    let ends = |pull: &Pull| Some((pull.curve.first()?.rpm, pull.curve.last()?.rpm));
    let others = |but: usize, pick: &dyn Fn((f64, f64)) -> f64| {
        let rest = pulls.iter().enumerate().filter(move |(i, _)| *i != but);
        rest.filter_map(|(_, pull)| ends(pull))
            .map(pick)
            .collect::<Vec<f64>>()
    };
    pulls
        .iter()
        .enumerate()
        .filter_map(|(i, pull)| {
            let (low, high) = ends(pull)?;
            let low_of_others = others(i, &|e| e.0).into_iter().fold(f64::NEG_INFINITY, f64::max);
            let high_of_others = others(i, &|e| e.1).into_iter().fold(f64::INFINITY, f64::min);
            (low > low_of_others + far || high < high_of_others - far).then(|| {
                format!(
                    "pull {} covers only {low:.0} to {high:.0} rpm and narrows the comparison; the others share {low_of_others:.0} to {high_of_others:.0} rpm",
                    pull.label
                )
            })
        })
        .collect()
}
