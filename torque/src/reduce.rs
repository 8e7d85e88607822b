//! From the raw samples of a pull to its curve: a pure function of samples, stand and options.
//!
//! With a drum: `torque at the drum = I alpha + losses(omega)`. With a brake's load cell:
//! `torque at its shaft = force · arm`, plus the inertia term while the speed changes. Through the
//! drive ratio it becomes torque at the crank: as measured there, what the drive itself takes is
//! part of the losses or of the engine, as the coast-down that gave the losses was made.
//!
//! A curve holds the points of the full-throttle sweep and, on a stand with a load cell, those of
//! speeds that were held. A brake may lead the sweep down as well as up: then the rotor gives back what it
//! took, and the same terms hold with the other sign.
//!
//! ```
//! use leverarm_filters::teeth::Edge;
//! use leverarm_torque::air::Correction;
//! use leverarm_torque::reduce::{
//!     AirReadings, LossModel, RawPull, ReduceOptions, ReductionModel, StandBounds, WheelModel, reduce,
//! };
//! use leverarm_torque::uncertainty::{Assessed, Measured};
//!
//! // 10 N·m at the crank, geared down by 4, turn a drum of 0.8 kg·m²: 50 rad/s², here for 4 s.
//! let pitch_rad = std::f64::consts::TAU / 60.0;
//! let edges: Vec<Edge> = (0..4500_u32)
//!     .map(|tooth| {
//!         let turned_rad = pitch_rad * f64::from(tooth);
//!         let time_s = ((20.0_f64.powi(2) + 100.0 * turned_rad).sqrt() - 20.0) / 50.0;
//!         Edge { tick: (1e7 * time_s).round() as u64, number: tooth.into() }
//!     })
//!     .collect();
//! let exact = |value| Assessed::type_b(Measured::exact(value));
//! let stand = ReductionModel {
//!     drum_inertia_kg_m2: Some(Assessed::type_b(Measured::new(0.8, 0.004))),
//!     engine_inertia_kg_m2: exact(0.0),
//!     losses: LossModel::default(),
//!     engine_per_drum: exact(4.0),
//!     wheel: WheelModel {
//!         teeth_per_turn: 60,
//!         missing_teeth: 0,
//!         on_engine: false,
//!         tooth_errors: None,
//!     },
//!     second_wheel: None,
//!     tyre_slip: exact(0.0),
//!     load_cell: None,
//!     cycles_per_engine_turn: 0.5,
//!     bounds: StandBounds::default(),
//! };
//! let options = ReduceOptions {
//!     start_rad_per_s: 200.0,
//!     step_rpm: 250.0,
//!     from_rpm: None,
//!     to_rpm: None,
//!     correction: Correction::None,
//!     air: AirReadings {
//!         pressure_pa: Measured::new(100_300.0, 50.0),
//!         temperature_k: Measured::new(297.0, 0.5),
//!         relative_humidity: Measured::new(0.5, 0.03),
//!     },
//!     holds_only: false,
//! };
//! let pull = RawPull { tick_hz: 1e7, edges: &edges, second_edges: &[], force: &[] };
//! let curve = reduce(&pull, &stand, &options)?;
//! for point in curve.points.iter().filter(|point| point.trustworthy) {
//!     assert!((point.torque_nm - 10.0).abs() < 0.1, "{point:?}");
//! }
//! # assert!(curve.points.iter().any(|point| point.trustworthy));
//! # Ok::<(), leverarm_torque::reduce::ReduceError>(())
//! ```

mod contradiction;
mod force;
mod model;
mod point;
mod ratio;
mod steady;

use leverarm_filters::firing::{is_felt_after, unfelt_s};
use leverarm_filters::full_throttle::{Break, FullThrottle, Gear, Sag, Wheel, full_throttle};
use leverarm_filters::speed_fit::{
    FitError, FitOptions, KnownPattern, Motion, SpeedFit, fit_speed,
};
use leverarm_filters::teeth::{Edge, ToothTrain, resolve_pull};

pub use contradiction::StandBounds;
pub use force::{ForceFault, ForceFaultKind, force_faults};
pub use model::{LoadCellModel, LossModel, ReductionModel, WheelModel};

use crate::air::{Air, AirError, Correction, CorrectionFactor};
use crate::calibration::wheel::Pattern;
use crate::comparison::words::counted;
use crate::curve::{
    COVERAGE_95, Curve, CurvePoint, Cycles, How, Jolt, Misfire, Peak, PointInput,
    RAD_PER_S_PER_RPM, Shuffle, Source, peak,
};
use crate::turns::TurnSpeed;
use crate::uncertainty::{Assessed, Measured};
use force::Force;
use point::PointModel;
use ratio::{OwnSpeeds, SecondWheel, is_another_ratio, spread};
use steady::Hold;

/// Readings of the air with their uncertainties: Pa, K, fraction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirReadings {
    /// Absolute pressure, Pa.
    pub pressure_pa: Measured,
    /// Intake air temperature, K.
    pub temperature_k: Measured,
    /// Relative humidity, 0 to 1.
    pub relative_humidity: Measured,
}

/// Raw samples of a pull. Ticks count from the same zero.
#[derive(Debug, Clone, Copy)]
pub struct RawPull<'a> {
    /// Ticks per second.
    pub tick_hz: f64,
    /// Edges of the pickup, in order.
    pub edges: &'a [Edge],
    /// Edges of the second pickup, in order; empty without one.
    pub second_edges: &'a [Edge],
    /// Tick and counts of the load cell, in order.
    pub force: &'a [(u64, i32)],
}

/// How to reduce.
#[derive(Debug, Clone, PartialEq)]
pub struct ReduceOptions {
    /// Engine speed above which the pull counts, rad/s.
    pub start_rad_per_s: f64,
    /// Distance of grid points in rpm.
    pub step_rpm: f64,
    /// First grid point; the pull's own when absent.
    pub from_rpm: Option<f64>,
    /// Last grid point; the pull's own when absent.
    pub to_rpm: Option<f64>,
    /// Correction to reference air.
    pub correction: Correction,
    /// The air during the pull.
    pub air: AirReadings,
    /// Only speeds that were held, at whatever throttle: points of a map rather than of a full-throttle curve.
    pub holds_only: bool,
}

/// Why a pull has no curve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReduceError {
    /// The teeth hold no full-throttle rise, and no speed that was held.
    #[error(
        "no full-throttle rise above {start_rpm:.0} rpm in {edges} pickup edges ({}, {}){held}; the pull rules' start speed may be too high, or the pickup saw nothing, or hears another one or the ignition",
        not_seen(*.missed), no_teeth(*.extra)
    )]
    NoRise {
        /// Start speed asked for.
        start_rpm: f64,
        /// Edges in the recording.
        edges: usize,
        /// Teeth that were not seen.
        missed: u64,
        /// Edges that were no teeth.
        extra: u64,
        /// The same about held speeds, where they would have counted.
        held: &'static str,
    },
    /// The rise that could be used is too small a part of the whole.
    #[error(
        "only {from_rpm:.0} to {to_rpm:.0} rpm of a rise to {top_rpm:.0} rpm are at full throttle without a break; did the throttle move, the engine cut out, the clutch slip, or another gear come in?"
    )]
    ShortRise {
        /// Where the part begins.
        from_rpm: f64,
        /// Where it ends.
        to_rpm: f64,
        /// Greatest speed of the recording.
        top_rpm: f64,
    },
    /// The speed hardly rises.
    #[error(
        "the speed rises from {from_rpm:.0} to {top_rpm:.0} rpm only, within {seconds:.1} s: no pull; was the throttle not opened, does a brake hold the engine, or does the drive swing with it at that speed and take its work?"
    )]
    HardlyRises {
        /// Where the rise begins.
        from_rpm: f64,
        /// Greatest speed of the recording.
        top_rpm: f64,
        /// How long the rise took, s.
        seconds: f64,
    },
    /// The fit failed.
    #[error(transparent)]
    Fit(#[from] FitError),
    /// No smooth motion fits the teeth.
    #[error(
        "no smooth motion fits the {teeth} teeth of the rise from {from_s:.2} s to {to_s:.2} s ({from_rpm:.0} to {to_rpm:.0} rpm), with {} and {} in the recording: mend the pickup's gap and wiring (`leverarm board` shows what it sees), or check the stand file's teeth",
        not_seen(*.missed), no_teeth(*.extra)
    )]
    NoSmoothMotion {
        /// Teeth of the rise.
        teeth: usize,
        /// When it begins, s.
        from_s: f64,
        /// When it ends, s.
        to_s: f64,
        /// Engine speed where it begins.
        from_rpm: f64,
        /// Engine speed where it ends.
        to_rpm: f64,
        /// Teeth of the recording that were not seen.
        missed: u64,
        /// Edges of the recording that were no teeth.
        extra: u64,
        /// Why.
        #[source]
        cause: FitError,
    },
    /// The air readings are impossible.
    #[error(transparent)]
    Air(#[from] AirError),
    /// Neither inertia nor load cell.
    #[error(
        "the stand has neither a drum inertia nor a load cell, so there is no torque to work out"
    )]
    NoTorque,
    /// The load cell gave too few samples.
    #[error("the load cell gave {found} samples during the pull, expected at least {expected}")]
    TooFewForces {
        /// Samples found.
        found: usize,
        /// Samples needed.
        expected: usize,
    },
    /// Numbers that make no grid.
    #[error("the curve's grid step of {step_rpm} rpm must be positive")]
    BadGrid {
        /// Step asked for.
        step_rpm: f64,
    },
}

fn many(count: u64, one: &str, many: &str) -> String {
    counted(usize::try_from(count).unwrap_or(usize::MAX), one, many)
}

fn not_seen(teeth: u64) -> String {
    format!("{} not seen", many(teeth, "tooth", "teeth"))
}

fn no_teeth(edges: u64) -> String {
    many(edges, "edge that was no tooth", "edges that were no teeth")
}

/// 550 ft·lbf/s: people with US stands think in it.
const HORSEPOWER_W: f64 = 745.7;
/// Grid on which a greatest value is looked for where the curve's own is coarser.
const PEAK_STEP_RPM: f64 = 100.0;
/// Largest standard uncertainty from timing, as a share of the greatest torque, at which a point is
/// still shown.
const TIMING_SHARE_MAX: f64 = 0.02;
/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 1.0;
const FORCE_SAMPLES_MIN: usize = 4;
/// Speeds at which the peak is looked for.
const PEAK_SAMPLES: usize = 400;
/// A rise that ends so close to the begin of a hold was the way to it, not a sweep: that one ends
/// when the throttle closes.
const HELD_AFTER_S_MAX: f64 = 0.5;
/// A hold with less torque than this share of the greatest was not at full throttle (common
/// practice, no source).
const FULL_THROTTLE_SHARE: f64 = 0.5;

/// Greatest speed over that at which the rise begins: less is no pull (common practice, no source).
const RISE_MIN: f64 = 1.1;
/// A sweep over less than this share of the rise says too little of the engine.
const RISE_SHARE_MIN: f64 = 0.4;
/// The same where it is known why the rest is none of it.
const KNOWN_SHARE_MIN: f64 = 0.2;
/// Correlation of neighbouring teeth's residuals that is told: each tooth counts for half then.
const ALIKE: f64 = 0.3;
/// Of a curve's end closing the throttle, and averages over a turn of the wheel, take so long (common practice, no
/// source); an end further below the greatest speed, and by more than this share of it, is told.
const CLOSING_S: f64 = 0.15;
const END_SHARE: f64 = 0.01;
/// A curve that begins so much of the greatest speed above the start is told to.
const BEGIN_SHARE_MAX: f64 = 0.04;
/// Cycles of a healthy engine vary by this at most (J. Heywood, "Internal Combustion Engine Fundamentals", 1988,
/// ch. 9.4, from memory); what is more may be the knocks of a drive with play. From the second on it is told, and counts.
const COV_HEALTHY: f64 = 0.04;
const COV_TOLD: f64 = 0.05;
/// Work of a cycle that does not burn, over that of one that does: minus the friction (common
/// practice: 10 to 25 %, no source).
const MISFIRE_CYCLES: f64 = -1.15;
/// A shuffle that swings the torque by less than this share of the engine's work is not told (common practice, no source).
const SHUFFLE_TOLD_MIN: f64 = 0.05;
/// Lacking more work than this over the mean of a cycle counts as a misfire: all cylinders of four but one may
/// have burnt.
const MISFIRE_CYCLES_MAX: f64 = -0.2;
/// What a drive does when it jolts goes on for so long before and after.
const JOLT_S: f64 = 0.15;

/// Reduces a pull.
///
/// # Errors
/// See [`ReduceError`].
pub fn reduce(
    pull: &RawPull<'_>,
    stand: &ReductionModel,
    options: &ReduceOptions,
) -> Result<Curve, ReduceError> {
    if stand.drum_inertia_kg_m2.is_none() && stand.load_cell.is_none() {
        return Err(ReduceError::NoTorque);
    }
    if !(options.step_rpm > 0.0 && options.step_rpm.is_finite()) {
        return Err(ReduceError::BadGrid {
            step_rpm: options.step_rpm,
        });
    }
    if stand.load_cell.is_some() && pull.force.len() < FORCE_SAMPLES_MIN {
        return Err(ReduceError::TooFewForces {
            found: pull.force.len(),
            expected: FORCE_SAMPLES_MIN,
        });
    }
    Reduction {
        pull,
        stand,
        options,
        factor: correction_factor(options)?,
        train: resolve_pull(
            pull.edges,
            pull.tick_hz,
            stand.wheel.teeth_per_turn,
            STANDSTILL_S,
        ),
        force: Force::new(
            pull.force,
            pull.tick_hz,
            stand.load_cell.and_then(|cell| cell.range_counts),
        ),
    }
    .curve()
}

fn correction_factor(options: &ReduceOptions) -> Result<CorrectionFactor, AirError> {
    let readings = &options.air;
    let air = Air::new(
        readings.pressure_pa.value,
        readings.temperature_k.value,
        readings.relative_humidity.value,
    )?;
    Ok(options.correction.factor(&air))
}

struct Reduction<'a> {
    pull: &'a RawPull<'a>,
    stand: &'a ReductionModel,
    options: &'a ReduceOptions,
    factor: CorrectionFactor,
    train: ToothTrain,
    force: Force<'a>,
}

/// The full-throttle part of a pull.
struct Sweep {
    fit: SpeedFit,
    motions: Vec<Motion>,
    second: Option<SecondWheel>,
    /// The engine's own speed, where the drive slips.
    own: Option<OwnSpeeds>,
    misfires: Vec<Misfire>,
    jolts: Vec<Jolt>,
    /// Share of the acceleration that a drive which knocks may have taken: knocks take as much as they vary.
    knocked: f64,
    /// Where the rise broke off beside it.
    broken: Option<Break>,
    /// Where it was held back.
    sag: Option<Sag>,
    /// Gaps in it whose number of teeth is in doubt, from when to when.
    doubts_s: Vec<(f64, f64)>,
    /// From when to when beside it the wheel does not feel the engine fire.
    unfelt_s: Option<(f64, f64)>,
    /// Degrees of freedom that the timing noise was found with.
    degrees_of_freedom: f64,
    /// Whether the wheel's known tooth errors were found again in the teeth; `None` without any.
    pattern_found: Option<bool>,
}

/// Points of a sweep, its torque finely, and what hides points and is told nowhere else.
#[derive(Default)]
struct SweptPoints {
    points: Vec<CurvePoint>,
    /// Engine speed and torque of the part that is shown.
    fine: Vec<(f64, f64)>,
    shown: Vec<(Motion, f64)>,
    /// Engine speeds at which timing hides a point, and its uncertainty as a share of the greatest torque.
    untimed: Vec<(f64, f64)>,
    /// Engine speeds at which the load cell gave too few samples.
    unweighed_rpm: Vec<f64>,
}

impl Sweep {
    /// Whether another gear may have been engaged before it, and no second pickup shows which.
    fn gear_in_doubt(&self) -> bool {
        let before = |it: &Break| {
            let first = self.motions.first();
            it.gear != Gear::Same && first.is_some_and(|first| it.to_s <= first.time_s)
        };
        let seen = self.second.as_ref().and_then(SecondWheel::overall);
        self.broken.as_ref().is_some_and(before) && seen.is_none()
    }

    /// Whether the speed was led down.
    fn falls(&self) -> bool {
        let ends = self.motions.first().zip(self.motions.last());
        ends.is_some_and(|(first, last)| last.omega_rad_per_s < first.omega_rad_per_s)
    }
}

/// Stretches before, between and after holds, s.
fn stretches(holds: &[Hold]) -> Vec<(f64, f64)> {
    let mut from_s = f64::NEG_INFINITY;
    let mut found = Vec::new();
    for hold in holds {
        found.push((from_s, hold.from_s));
        from_s = hold.to_s;
    }
    found.push((from_s, f64::INFINITY));
    found
}

/// Least and greatest speed within a stretch, rad/s.
fn speed_range((from_s, to_s): (f64, f64), speeds: &[TurnSpeed]) -> (f64, f64) {
    let within = speeds
        .iter()
        .filter(|it| it.middle_s() >= from_s && it.middle_s() <= to_s);
    within.fold((f64::INFINITY, 0.0_f64), |(low, high), it| {
        (low.min(it.omega_rad_per_s), high.max(it.omega_rad_per_s))
    })
}

/// A break in the rise in words, beside a curve between two engine speeds.
fn words_of_break(broken: &Break, first: &Motion, from_rpm: f64, end_rpm: f64) -> String {
    let side = if broken.to_s <= first.time_s {
        format!("begins after it at {from_rpm:.0} rpm")
    } else {
        format!("ends before it at {end_rpm:.0} rpm")
    };
    let gear = match broken.gear {
        Gear::Same => "the engine pulls after it as before".to_owned(),
        Gear::Another(change) => format!(
            "the engine pulls {:.0} % {} after it, as in another gear",
            100.0 * change.abs(),
            if change < 0.0 { "less" } else { "more" }
        ),
        Gear::Unknown => "another gear may have been engaged there, and speeds after it would be wrong: a pickup on the \
                          engine would tell, or pull again"
            .to_owned(),
    };
    format!(
        "the rise breaks off from {:.2} s to {:.2} s (throttle, ignition or clutch): the curve {side}; {gear}",
        broken.from_s, broken.to_s
    )
}

fn remarks_of_gaps(sweep: &Sweep) -> Vec<String> {
    let words = |(from, to): &(f64, f64)| {
        format!("no teeth from {from:.2} s to {to:.2} s: the curve is left out there")
    };
    sweep.fit.gaps_s().iter().map(words).collect()
}

/// Where points are hidden that nothing else tells of.
fn remark_unsure(swept: &SweptPoints, remarks: &mut Vec<String>) {
    let rpms: Vec<f64> = swept.untimed.iter().map(|it| it.0).collect();
    if let Some(places) = places(&rpms) {
        let most = swept.untimed.iter().map(|it| it.1).fold(0.0, f64::max);
        remarks.push(format!(
            "{places} the torque is uncertain by up to {:.1} % of the greatest (one standard deviation, from the teeth's times \
             and the engine's uneven cycles), and {:.0} % is the most that is shown: not trustworthy there; a pull that lasts \
             longer (a higher gear, more inertia) or a wheel with more and even teeth makes it surer",
            100.0 * most,
            100.0 * TIMING_SHARE_MAX
        ));
    }
    if let Some(places) = places(&swept.unweighed_rpm) {
        remarks.push(format!(
            "{places} the load cell gave too few samples: not trustworthy there; see its wiring, or pull more slowly"
        ));
    }
}

fn places(rpms: &[f64]) -> Option<String> {
    match rpms {
        [] => None,
        [only] => Some(format!("at {only:.0} rpm")),
        [first, .., last] => {
            let count = rpms.len();
            Some(format!(
                "at {count} points from {first:.0} to {last:.0} rpm"
            ))
        }
    }
}

/// What is before or after some time, whichever gains more speed.
fn greater_beside(rise: &ToothTrain, (from_s, to_s): (f64, f64)) -> ToothTrain {
    let at = |time_s: f64| rise.time_s.partition_point(|it| *it < time_s);
    let sides = [rise.part(0..at(from_s)), rise.part(at(to_s)..usize::MAX)];
    let gain = |side: &ToothTrain| {
        let teeth_per_s = |pair: [usize; 2]| {
            let [a, b] = pair;
            (side.index[b] - side.index[a]) as f64 / (side.time_s[b] - side.time_s[a])
        };
        let n = side.time_s.len();
        match n / 8 {
            0 => 0.0,
            some => teeth_per_s([n - 1 - some, n - 1]) - teeth_per_s([0, some]),
        }
    };
    let [before, after] = sides;
    if gain(&before) > gain(&after) {
        before
    } else {
        after
    }
}

impl Reduction<'_> {
    fn engine_per_wheel(&self) -> f64 {
        self.stand.engine_per_wheel(self.stand.speed_ratio())
    }

    fn cycles_per_turn(&self) -> f64 {
        self.stand.cycles_per_engine_turn * self.engine_per_wheel()
    }

    fn tick_of(&self, time_s: f64) -> f64 {
        self.train.origin_tick as f64 + time_s * self.pull.tick_hz
    }

    fn curve(&self) -> Result<Curve, ReduceError> {
        let mut remarks = self.remarks_of_teeth();
        let speeds = self.averaged_speeds();
        let holds = self.holds(&speeds);
        let mut steady = self.steady_points(&holds, &speeds, &mut remarks);
        let sweep = if self.options.holds_only {
            None
        } else {
            let rise = self.sweep(&holds, &speeds)?;
            match rise {
                Some(rise) => Some(rise),
                None => self.fall(&holds, &speeds, &steady)?,
            }
        };
        if let Some(sweep) = sweep.as_ref().filter(|sweep| !sweep.falls()) {
            self.remark_ends(sweep, &speeds, steady.is_empty(), &mut remarks)?;
        }
        if sweep.is_none() && steady.is_empty() {
            return Err(ReduceError::NoRise {
                start_rpm: self.options.start_rad_per_s / RAD_PER_S_PER_RPM,
                edges: self.pull.edges.len(),
                missed: self.missed_teeth(),
                extra: self.train.faults.extra,
                held: if self.stand.load_cell.is_some() {
                    ", and no speed held long enough to settle"
                } else {
                    ""
                },
            });
        }
        let swept = sweep.as_ref().map(|sweep| self.swept_points(sweep));
        let swept = swept.unwrap_or_default();
        remark_unsure(&swept, &mut remarks);
        let SweptPoints {
            mut points,
            mut fine,
            shown,
            ..
        } = swept;
        let greatest = fine
            .iter()
            .map(|p| p.1)
            .chain(steady.iter().map(|p| p.torque_nm))
            .fold(0.0, f64::max);
        let before = steady.len();
        if !self.options.holds_only {
            steady.retain(|p| p.torque_nm >= FULL_THROTTLE_SHARE * greatest);
        }
        if steady.len() < before {
            remarks.push(format!(
                "{} left out: less than half of the greatest torque, so not at full throttle",
                counted(before - steady.len(), "held speed", "held speeds")
            ));
        }
        points.append(&mut steady);
        points.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
        if sweep.is_none() {
            fine = points
                .iter()
                .filter(|p| p.trustworthy)
                .map(|p| (p.rpm, p.torque_nm))
                .collect();
        }
        let contradictions = self.contradictions(&points, sweep.as_ref(), &speeds);
        // What the cycles and the drive do is read with the same constants.
        let told = sweep.as_ref().filter(|_| contradictions.is_empty());
        if contradictions.is_empty() {
            self.remarks(&points, sweep.as_ref(), &mut remarks);
        } else {
            points.iter_mut().for_each(|it| it.trustworthy = false);
            fine.clear();
            // What else there is to tell goes with the wrong constant, but for what teeth, force and air tell alone.
            remarks = contradictions;
            remarks.extend(self.remarks_of_teeth());
            remarks.extend(sweep.as_ref().map(remarks_of_gaps).unwrap_or_default());
            self.remark_faults_of_force(&mut remarks);
        }
        let power: Vec<(f64, f64)> = fine
            .iter()
            .map(|(rpm, nm)| (*rpm, nm * rpm * RAD_PER_S_PER_RPM))
            .collect();
        let peak_of = |samples: &[(f64, f64)], power| {
            let found = peak(samples)?;
            Some(match &sweep {
                Some(sweep) => self.unbiased(found, sweep, &shown, power),
                None => found,
            })
        };
        Ok(Curve {
            factor: self.factor.clone(),
            peak_torque: peak_of(&fine, 0),
            peak_power: peak_of(&power, 1),
            cycles: told.and_then(|s| self.cycles(s)),
            shuffle: told.and_then(|s| self.shuffle(s)),
            remarks,
            timing_noise_s: sweep.as_ref().map(|s| s.fit.noise_s),
            tooth_errors_rad: sweep
                .as_ref()
                .map_or_else(Vec::new, |s| s.fit.pattern_rad.clone()),
            sweep_rpm_per_s: sweep.as_ref().map_or(0.0, |s| self.rate_rpm_per_s(s)),
            points,
        })
    }

    /// A peak of torque (`power` 0) or power (1) without what smoothing took from it and what chance
    /// added to it.
    fn unbiased(&self, found: Peak, sweep: &Sweep, shown: &[(Motion, f64)], power: i32) -> Peak {
        let Some(motion) = self.motion_at(sweep, found.rpm) else {
            return found;
        };
        let mut model = self.swept(sweep, motion);
        let read_nm = model.torque_nm();
        model.alpha.measured.value += 1.0;
        let nm_per_alpha = model.torque_nm() - read_nm;
        let beside =
            |(motion, nm): &(Motion, f64)| (*motion, nm / nm_per_alpha - motion.alpha_rad_per_s2);
        let shown: Vec<(Motion, f64)> = shown.iter().map(beside).collect();
        let excess_nm = nm_per_alpha * sweep.fit.peak_excess_rad_per_s2(&shown, &motion, power);
        Peak {
            value: found.value - excess_nm * (found.rpm * RAD_PER_S_PER_RPM).powi(power),
            ..found
        }
    }

    /// What turns the wheel faster of the engine's work: what the fit finds of its working cycles is over that.
    /// Negative where the speed is led down, `None` where no inertia counts.
    fn inertial_share(&self, sweep: &Sweep) -> Option<f64> {
        let inertial: f64 = sweep.motions.iter().map(|m| m.alpha_rad_per_s2).sum();
        let all: f64 = sweep
            .motions
            .iter()
            .map(|m| self.swept(sweep, *m).drum_nm())
            .sum();
        let share = inertial * self.inertia_per_wheel()? / all;
        share.is_finite().then_some(share)
    }

    /// What the fit found of the engine's working cycles, as shares of the engine's work.
    fn cycles(&self, sweep: &Sweep) -> Option<Cycles> {
        let found = sweep.fit.cycle_variation?;
        let share = self.inertial_share(sweep).filter(|share| *share > 0.0)?;
        let cov = share * found.cov;
        Some(Cycles {
            cov,
            uncertainty: (share * found.uncertainty).hypot((cov - COV_HEALTHY).max(0.0)),
            count: found.cycles,
            misfires: sweep.misfires.clone(),
            jolts: sweep.jolts.clone(),
        })
    }

    /// The drive's shuffle, as a share of the mean acceleration, where it is worth a word: what a brake leaves of the
    /// torque to accelerate the wheel is so little that the cycles' scatter alone swings it as much.
    fn shuffle(&self, sweep: &Sweep) -> Option<Shuffle> {
        let found = sweep.fit.shuffle?;
        let alphas = sweep.motions.iter().map(|m| m.alpha_rad_per_s2);
        let mean = alphas.sum::<f64>() / sweep.motions.len() as f64;
        let swing = (found.swing_rad_per_s2 / mean).abs();
        let of_work = swing * self.inertial_share(sweep).map_or(1.0, f64::abs);
        (of_work >= SHUFFLE_TOLD_MIN).then_some(Shuffle {
            frequency_hz: found.frequency_hz,
            damping_ratio: found.damping.map(|it| it.ratio),
            damping_ratio_within: found.damping.map(|it| {
                let times = (COVERAGE_95 * it.relative_uncertainty).exp();
                (it.ratio / times, it.ratio * times)
            }),
            swing,
        })
    }

    /// Tells jumps of the engine's work that cycles explain which did not burn from all others.
    fn tell_jumps(&self, sweep: &mut Sweep) {
        let Some(share) = self.inertial_share(sweep) else {
            return;
        };
        for jump in &sweep.fit.work_jumps {
            let time_s = jump.time_s;
            let after = sweep.motions.partition_point(|m| m.time_s < time_s);
            let motion = sweep.motions.get(after).or(sweep.motions.last());
            let rpm = motion.map_or(0.0, |m| m.omega_rad_per_s) * self.engine_per_wheel()
                / RAD_PER_S_PER_RPM;
            let cycles = share.abs() * jump.cycles;
            if cycles < MISFIRE_CYCLES_MAX {
                sweep.misfires.push(Misfire {
                    time_s,
                    rpm,
                    cycles: (cycles / MISFIRE_CYCLES).round().max(1.0),
                });
            } else {
                sweep.jolts.push(Jolt {
                    time_s,
                    rpm,
                    cycles,
                });
            }
        }
    }

    fn rate_rpm_per_s(&self, sweep: &Sweep) -> f64 {
        let (Some(first), Some(last)) = (sweep.motions.first(), sweep.motions.last()) else {
            return 0.0;
        };
        let rise = last.omega_rad_per_s - first.omega_rad_per_s;
        rise * self.engine_per_wheel() / RAD_PER_S_PER_RPM / (last.time_s - first.time_s)
    }

    fn averaged_speeds(&self) -> Vec<TurnSpeed> {
        let teeth = self.stand.wheel.teeth_per_turn;
        steady::speeds(&self.train, teeth, self.cycles_per_turn())
    }

    /// Speeds that were held: only a load cell says what the torque was there.
    fn holds(&self, speeds: &[TurnSpeed]) -> Vec<Hold> {
        if self.stand.load_cell.is_none() {
            return Vec::new();
        }
        let slowest = self.options.start_rad_per_s / self.engine_per_wheel();
        steady::holds(speeds, slowest)
    }

    /// Points of speeds that were held, on a stand with a load cell.
    fn steady_points(
        &self,
        holds: &[Hold],
        speeds: &[TurnSpeed],
        remarks: &mut Vec<String>,
    ) -> Vec<CurvePoint> {
        let Some(cell) = &self.stand.load_cell else {
            return Vec::new();
        };
        let mut unsettled = 0;
        let mut points = Vec::new();
        for hold in holds {
            let zero = cell.zero_counts.value();
            let tick_of = |time_s| self.tick_of(time_s);
            let Some(settled) = steady::settled(hold, speeds, &self.force, zero, tick_of) else {
                unsettled += 1;
                continue;
            };
            let mut model = PointModel::new(
                self.stand,
                self.options,
                settled.motion,
                Some(settled.force),
            );
            model.alpha = settled.alpha;
            let how = How::Steady {
                seconds: settled.seconds,
            };
            points.push(model.point(how, settled.force.believable));
        }
        if unsettled > 0 {
            remarks.push(format!(
                "{} left out: the force did not settle",
                counted(unsettled, "held speed", "held speeds")
            ));
        }
        points
    }

    /// The stretch without a held speed in which the speed changes most: what a brake holds before it lets the engine
    /// rise is no part of the rise.
    fn between(&self, holds: &[Hold], speeds: &[TurnSpeed]) -> ToothTrain {
        let (from_s, to_s) = stretches(holds)
            .into_iter()
            .max_by(|a, b| {
                let [a, b] = [a, b].map(|it| speed_range(*it, speeds));
                (a.1 - a.0).total_cmp(&(b.1 - b.0))
            })
            .unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
        self.within(from_s, to_s)
    }

    fn within(&self, from_s: f64, to_s: f64) -> ToothTrain {
        let at = |limit: f64| self.train.time_s.partition_point(|time_s| *time_s < limit);
        self.train.part(at(from_s)..at(to_s))
    }

    /// A speed that a brake leads down against the open throttle, from one that it held; `None` without one. The same
    /// seen backwards is a rise. What is slower to fall than the engine would by itself, with the brake's torque kept up,
    /// is no coast-down: with the throttle closed the engine's torque is gone.
    fn fall(
        &self,
        holds: &[Hold],
        speeds: &[TurnSpeed],
        steady: &[CurvePoint],
    ) -> Result<Option<Sweep>, ReduceError> {
        let after_holds = stretches(holds).into_iter().skip(1);
        let fallen = |it: &(f64, f64)| {
            let (low, high) = speed_range(*it, speeds);
            high - low
        };
        let Some((from_s, to_s)) = after_holds.max_by(|a, b| fallen(a).total_cmp(&fallen(b)))
        else {
            return Ok(None);
        };
        let led = self.within(from_s, to_s);
        let back = led.turned_back(led.time_s.last().copied().unwrap_or(0.0));
        let start = self.options.start_rad_per_s / self.engine_per_wheel();
        let Some(open) = full_throttle(&back, self.wheel(), start) else {
            return Ok(None);
        };
        let range = open.range;
        let count = led.time_s.len();
        let part = led.part(count - range.end..count - range.start);
        let sweep = self.fitted(&part)?;
        let held = steady
            .iter()
            .map(|point| point.torque_nm)
            .fold(0.0, f64::max);
        let mut torques: Vec<f64> = sweep
            .motions
            .iter()
            .map(|motion| self.swept(&sweep, *motion).torque_nm())
            .collect();
        torques.sort_by(f64::total_cmp);
        let middle = torques.get(torques.len() / 2).copied().unwrap_or(0.0);
        let pulls = middle > 0.0 && middle >= FULL_THROTTLE_SHARE * held;
        Ok((sweep.falls() && pulls).then_some(sweep))
    }

    fn wheel(&self) -> Wheel {
        Wheel {
            teeth_per_turn: self.stand.wheel.teeth_per_turn,
            cycles_per_turn: self.cycles_per_turn(),
        }
    }

    /// The full-throttle rise, fitted; `None` when there is none, or only the way to a held speed.
    fn sweep(&self, holds: &[Hold], speeds: &[TurnSpeed]) -> Result<Option<Sweep>, ReduceError> {
        let start = self.options.start_rad_per_s / self.engine_per_wheel();
        let free = self.between(holds, speeds);
        let Some(open) = full_throttle(&free, self.wheel(), start) else {
            return Ok(None);
        };
        let unfelt_s = self.unfelt_s(&free, &open);
        let (free, open) = match unfelt_s {
            Some(unfelt_s) => {
                let felt = greater_beside(&free.part(open.rise), unfelt_s);
                let Some(open) = full_throttle(&felt, self.wheel(), start) else {
                    return Ok(None);
                };
                (felt, open)
            }
            None => (free, open),
        };
        let part = free.part(open.range);
        let Some(to_s) = part.time_s.last() else {
            return Ok(None);
        };
        let felt = |it: &Break| {
            is_felt_after(
                &free.part(open.rise.clone()),
                self.wheel(),
                (it.from_s, it.to_s),
            )
        };
        let broken = open.broken.map(|it| match it.gear {
            Gear::Unknown if !self.stand.wheel.on_engine && felt(&it) => Break {
                gear: Gear::Same,
                ..it
            },
            _ => it,
        });
        let ends_in_hold = |hold: &Hold| (hold.from_s - to_s).abs() < HELD_AFTER_S_MAX;
        if holds.iter().any(ends_in_hold) {
            return Ok(None);
        }
        let sweep = Sweep {
            broken,
            sag: open.sag,
            unfelt_s,
            ..self.fitted(&part)?
        };
        Ok((!sweep.falls()).then_some(sweep))
    }

    /// From when to when a drum does not feel the engine fire, where no pickup on the engine shows its own speed.
    fn unfelt_s(&self, free: &ToothTrain, open: &FullThrottle) -> Option<(f64, f64)> {
        let second = self.stand.second_wheel.as_ref();
        let sees_engine =
            second.is_some_and(|it| it.on_engine) && !self.pull.second_edges.is_empty();
        if self.stand.wheel.on_engine || sees_engine {
            return None;
        }
        unfelt_s(&free.part(open.rise.clone()), self.wheel())
    }

    /// A stretch of the teeth with its fit and what a second pickup says of it.
    fn fitted(&self, part: &ToothTrain) -> Result<Sweep, ReduceError> {
        let (fit, pattern_found) = self.fit(part).map_err(|cause| match cause {
            FitError::Singular | FitError::UnlikeTeeth { .. } => self.no_smooth_motion(part, cause),
            other => ReduceError::Fit(other),
        })?;
        let motions = fit.sampled(PEAK_SAMPLES);
        let second = self.stand.second_wheel.as_ref().map(|wheel| {
            let train = resolve_pull(
                self.pull.second_edges,
                self.pull.tick_hz,
                wheel.teeth_per_turn,
                STANDSTILL_S,
            );
            let shift_s =
                (train.origin_tick as f64 - self.train.origin_tick as f64) / self.pull.tick_hz;
            SecondWheel::new(&motions, &train, wheel, shift_s)
        });
        let own = second
            .as_ref()
            .and_then(|second| OwnSpeeds::of_slip(&motions, second, self.stand));
        let unknowns = fit.effective_parameters + fit.pattern_rad.len() as f64;
        let mut sweep = Sweep {
            degrees_of_freedom: (fit.teeth_used as f64 - unknowns)
                .min(fit.scatter_freedom)
                .max(1.0),
            motions,
            second,
            own,
            fit,
            misfires: Vec::new(),
            jolts: Vec::new(),
            knocked: 0.0,
            broken: None,
            sag: None,
            doubts_s: part.doubts_s.clone(),
            unfelt_s: None,
            pattern_found,
        };
        self.tell_jumps(&mut sweep);
        let share = self.inertial_share(&sweep).filter(|share| *share > 0.0);
        if let Some((found, share)) = sweep.fit.cycle_variation.zip(share)
            && share * found.cov > COV_TOLD
        {
            sweep.knocked = found.cov - COV_HEALTHY / share;
        }
        Ok(sweep)
    }

    fn no_smooth_motion(&self, part: &ToothTrain, cause: FitError) -> ReduceError {
        let n = part.time_s.len();
        let reach = usize::try_from(self.stand.wheel.teeth_per_turn).unwrap_or(1);
        let pitch = std::f64::consts::TAU / f64::from(self.stand.wheel.teeth_per_turn.max(1));
        let rpm = |from: usize, to: usize| {
            let teeth = (part.index[to] - part.index[from]) as f64;
            let omega = pitch * teeth / (part.time_s[to] - part.time_s[from]);
            omega * self.engine_per_wheel() / RAD_PER_S_PER_RPM
        };
        let last = n.saturating_sub(1);
        ReduceError::NoSmoothMotion {
            teeth: n,
            from_s: part.time_s.first().copied().unwrap_or(0.0),
            to_s: part.time_s.last().copied().unwrap_or(0.0),
            from_rpm: rpm(0, reach.min(last)),
            to_rpm: rpm(last.saturating_sub(reach), last),
            missed: self.missed_teeth(),
            extra: self.train.faults.extra,
            cause,
        }
    }

    /// Fits the teeth; where the wheel's errors are known, once more with them, turned to where they
    /// are found in this pull.
    fn fit(&self, part: &ToothTrain) -> Result<(SpeedFit, Option<bool>), FitError> {
        let wheel = &self.stand.wheel;
        let mut options = FitOptions {
            teeth_per_turn: wheel.teeth_per_turn,
            cycles_per_turn: Some(self.cycles_per_turn()),
            tick_s: 1.0 / self.pull.tick_hz,
            pattern: None,
        };
        let fit = fit_speed(part, &options)?;
        let Some(known) = &wheel.tooth_errors else {
            return Ok((fit, None));
        };
        let found = Pattern::of_fit(&fit);
        let Some(turned) = Pattern::of_known(known).aligned_to(&found) else {
            return Ok((fit, Some(false)));
        };
        options.pattern = Some(KnownPattern {
            error_rad: turned.error_rad,
            uncertainty_rad: known.uncertainty_rad,
        });
        Ok((fit_speed(part, &options)?, Some(true)))
    }

    /// Points of the sweep on the grid, and its torque finely over engine speed.
    fn swept_points(&self, sweep: &Sweep) -> SweptPoints {
        let mut swept = SweptPoints::default();
        let options = self.options;
        let rpms = sweep.motions.iter().map(|m| self.swept(sweep, *m).rpm());
        let low = rpms
            .clone()
            .fold(f64::INFINITY, f64::min)
            .max(options.start_rad_per_s / RAD_PER_S_PER_RPM);
        let high = rpms.fold(0.0, f64::max);
        let alpha_scale = self.alpha_scale(sweep);
        let drive = &self.stand.engine_per_drum;
        let runs_ahead = |motion: &Motion| {
            let check = sweep
                .second
                .as_ref()
                .and_then(|it| it.check(motion.time_s, drive));
            check.is_some_and(|it| it.drum_runs_ahead())
        };
        let sags = |motion: &Motion| {
            let within = |(from_s, to_s): (f64, f64)| {
                (from_s - JOLT_S..=to_s + JOLT_S).contains(&motion.time_s)
            };
            sweep
                .sag
                .is_some_and(|sag| sag.sudden && within(sag.span_s))
        };
        // A tooth too many or too few bends the fit for about a turn beside it.
        let in_doubt = |motion: &Motion| {
            let beside_s = JOLT_S.max(std::f64::consts::TAU / motion.omega_rad_per_s);
            let beside = |(from_s, to_s): &(f64, f64)| {
                (from_s - beside_s..=to_s + beside_s).contains(&motion.time_s)
            };
            sweep.doubts_s.iter().any(beside)
        };
        let trusted = |motion: &Motion, model: &PointModel<'_>| {
            let jolted = |jolt: &Jolt| (jolt.time_s - motion.time_s).abs() <= JOLT_S;
            !sweep.gear_in_doubt()
                && sweep.fit.trustworthy(motion, alpha_scale, TIMING_SHARE_MAX)
                && !sweep.jolts.iter().any(jolted)
                && !runs_ahead(motion)
                && !sags(motion)
                && !in_doubt(motion)
                && (self.stand.load_cell.is_none() || model.force.is_some_and(|f| f.believable))
        };
        let step = options.step_rpm;
        let asked =
            options.from_rpm.unwrap_or(low).max(low)..=options.to_rpm.unwrap_or(high).min(high);
        let mut rpm = (asked.start() / step).ceil() * step;
        while rpm <= *asked.end() {
            if let Some(motion) = self.motion_at(sweep, rpm) {
                let mut model = self.swept(sweep, motion);
                model.alpha_per_omega = slope(&sweep.fit, &motion);
                let mut point = model.point(How::Sweep, trusted(&motion, &model));
                point.rpm = rpm;
                let width = sweep.fit.resolution_rad_per_s(&motion);
                point.resolution_rpm = Some(width * model.rpm() / motion.omega_rad_per_s);
                point.ratio_check = sweep
                    .second
                    .as_ref()
                    .and_then(|second| second.check(motion.time_s, &self.stand.engine_per_drum));
                swept.points.push(point);
                let share = motion.alpha_uncertainty_rad_per_s2 / alpha_scale;
                if share > TIMING_SHARE_MAX {
                    swept.untimed.push((rpm, share));
                }
                if self.stand.load_cell.is_some() && model.force.is_none() {
                    swept.unweighed_rpm.push(rpm);
                }
            }
            rpm += step;
        }
        // The greatest value is one of the curve that is shown, or would be on a finer grid.
        let finer = step.min(PEAK_STEP_RPM);
        let mut ends = swept.points.iter().filter(|p| p.trustworthy).map(|p| p.rpm);
        let first = ends.next().unwrap_or(f64::INFINITY);
        let last = ends.next_back().unwrap_or(first);
        let from = (first - step + finer).max((asked.start() / finer).ceil() * finer);
        let to = (last + step - finer).min((asked.end() / finer).floor() * finer);
        let within = from..=to;
        for motion in &sweep.motions {
            let model = self.swept(sweep, *motion);
            let rpm = model.rpm();
            if within.contains(&rpm) && trusted(motion, &model) {
                swept.fine.push((rpm, model.torque_nm()));
                swept.shown.push((*motion, model.torque_nm()));
            }
        }
        swept
    }

    /// The motion at an engine speed: the last one, as a clutch that grips at last had it twice.
    fn motion_at(&self, sweep: &Sweep, rpm: f64) -> Option<Motion> {
        if sweep.own.is_none() {
            let omega = rpm * RAD_PER_S_PER_RPM / self.engine_per_wheel();
            return sweep.fit.at_omega(omega);
        }
        let rpm_of = |motion: &Motion| self.swept(sweep, *motion).rpm();
        let past = |at: &usize| {
            let [a, b] = [*at, at + 1].map(|at| sweep.motions.get(at).map(rpm_of));
            a.zip(b).is_some_and(|(a, b)| (a - rpm) * (b - rpm) <= 0.0)
        };
        let below = (0..sweep.motions.len()).rev().find(past)?;
        let (a, b) = (sweep.motions.get(below)?, sweep.motions.get(below + 1)?);
        let (low, high) = (rpm_of(a), rpm_of(b));
        let share = (rpm - low) / (high - low);
        let theta_rad = a.theta_rad + share * (b.theta_rad - a.theta_rad);
        Some(sweep.fit.at_theta(theta_rad))
    }

    fn swept(&self, sweep: &Sweep, motion: Motion) -> PointModel<'_> {
        let (from_s, to_s) = sweep.fit.time_range_s();
        let within = (self.tick_of(from_s), self.tick_of(to_s));
        let force = self
            .stand
            .load_cell
            .and_then(|_| self.force.around(self.tick_of(motion.time_s), within));
        let mut model = PointModel::new(self.stand, self.options, motion, force);
        let (alpha, seen) = (motion.alpha_rad_per_s2, motion.alpha_uncertainty_rad_per_s2);
        let alpha = Measured::new(alpha, seen.hypot(sweep.knocked * alpha));
        model.alpha = Assessed::type_a(alpha, sweep.degrees_of_freedom);
        model.own = sweep.own.as_ref().and_then(|own| own.at(motion.time_s));
        model
    }

    /// The acceleration that the greatest torque would give the drum alone: what timing's
    /// uncertainty is held against. Infinite where the acceleration does not count.
    fn alpha_scale(&self, sweep: &Sweep) -> f64 {
        let Some(per_wheel) = self.inertia_per_wheel() else {
            return f64::INFINITY;
        };
        if self.stand.held_at_engine() {
            return f64::INFINITY;
        }
        let torques = sweep
            .motions
            .iter()
            .map(|m| self.swept(sweep, *m).drum_nm());
        torques.fold(0.0, f64::max) / per_wheel
    }

    /// Torque at the drum per acceleration of the wheel, kg·m².
    fn inertia_per_wheel(&self) -> Option<f64> {
        let inertia = self.stand.drum_inertia_kg_m2?;
        let ratio = self.stand.engine_per_drum.value();
        let speed_ratio = self.stand.speed_ratio();
        let engine = self.stand.engine_inertia_kg_m2.value() * ratio * speed_ratio;
        Some((inertia.value() + engine) * self.stand.drum_per_wheel(speed_ratio))
    }

    fn remarks_of_teeth(&self) -> Vec<String> {
        let mut remarks: Vec<String> = self
            .factor
            .why_not()
            .iter()
            .map(|breach| format!("air correction outside its range: {breach}"))
            .collect();
        let faults = self.train.faults;
        let missed = self.missed_teeth();
        // How many the wheel has is not known where its gaps come round otherwise.
        if missed > 0 && self.other_gaps().is_none() {
            remarks.push(not_seen(missed));
        }
        if faults.extra > 0 {
            remarks.push(no_teeth(faults.extra));
        }
        if faults.uncertain_gaps > 0 {
            remarks.push(format!(
                "{} whose number of teeth is uncertain",
                many(faults.uncertain_gaps, "gap", "gaps")
            ));
        }
        remarks
    }

    /// Teeth that the wheel has and that were not seen.
    fn missed_teeth(&self) -> u64 {
        let missed = self.train.faults.missed;
        missed.saturating_sub(self.missing_teeth())
    }

    /// Teeth of the stretch that the wheel lacks on purpose.
    fn missing_teeth(&self) -> u64 {
        let wheel = &self.stand.wheel;
        let (Some(first), Some(last)) = (self.train.index.first(), self.train.index.last()) else {
            return 0;
        };
        // A gap more than there are whole turns fits in.
        let turns = (last - first) / i64::from(wheel.teeth_per_turn.max(1)) + 1;
        u64::from(wheel.missing_teeth) * turns.unsigned_abs()
    }

    fn remarks(&self, points: &[CurvePoint], sweep: Option<&Sweep>, remarks: &mut Vec<String>) {
        if let Some(sweep) = sweep {
            remarks.extend(remarks_of_gaps(sweep));
            if sweep.fit.teeth_set_aside > 0 {
                remarks.push(format!(
                    "{} set aside as noise",
                    counted(sweep.fit.teeth_set_aside, "tooth", "teeth")
                ));
            }
            if let Some(correlation) = sweep.fit.residual_correlation.filter(|it| *it > ALIKE) {
                remarks.push(format!(
                    "what the curve's model leaves of the teeth's times is alike from tooth to tooth \
                     (correlation {correlation:.2}): something swings, slips or has play that it does not \
                     follow"
                ));
            }
            self.remark_cycles(sweep, remarks);
            if let Some(shuffle) = self.shuffle(sweep) {
                remarks.push(format!(
                    "shuffle: engine and drum swing against each other ({}): taken out of the curve",
                    shuffle.words()
                ));
            }
            let rpm = |time_s: f64| {
                let after = sweep.motions.partition_point(|m| m.time_s < time_s);
                let motion = sweep.motions.get(after).or(sweep.motions.last());
                motion.map_or(0.0, |m| self.swept(sweep, *m).rpm())
            };
            if let Some((from_s, to_s)) = sweep.doubts_s.first().zip(sweep.doubts_s.last()) {
                remarks.push(format!(
                    "gaps whose number of teeth is uncertain lie at {:.0} to {:.0} rpm: points beside each are not \
                     trustworthy; mend the pickup's gap or wiring",
                    rpm(from_s.0),
                    rpm(to_s.1)
                ));
            }
            let misfires_within = |(from_s, to_s): (f64, f64)| {
                let within = |it: &Misfire| (from_s - JOLT_S..=to_s + JOLT_S).contains(&it.time_s);
                sweep.misfires.iter().any(within)
            };
            // Misfires lower what averages see as well, and are left out of the curve.
            let told = sweep
                .sag
                .filter(|it| it.sudden || !misfires_within(it.span_s));
            if let Some(Sag { span_s, sudden }) = told {
                let what = if sudden {
                    "is lower from one moment to the next: the throttle was let go part of the way or the firing failed, \
                     unless other pulls have the same hole; points there are not trustworthy"
                } else {
                    "is lower: a hole of the engine, or the throttle was let go part of the way, which so short a pull does \
                     not tell; compare another pull"
                };
                remarks.push(format!(
                    "from {:.0} to {:.0} rpm the acceleration {what}",
                    rpm(span_s.0),
                    rpm(span_s.1)
                ));
            }
            for (from_s, to_s) in &sweep.fit.restless_s {
                remarks.push(format!(
                    "from {:.0} to {:.0} rpm the wheel swings as no smooth drive does (play in chain or \
                     clutch, or a loose pickup): points there are not trustworthy",
                    rpm(*from_s),
                    rpm(*to_s)
                ));
            }
            // Teeth show no swing faster than every second one.
            let fastest = sweep
                .motions
                .iter()
                .map(|m| m.omega_rad_per_s)
                .fold(0.0, f64::max);
            let teeth = f64::from(self.stand.wheel.teeth_per_turn);
            let seen_hz = 0.5 * teeth * fastest / std::f64::consts::TAU;
            for resonance in &sweep.fit.resonances {
                let hz = match resonance.frequency_hz {
                    hz if hz <= seen_hz => format!(" ({hz:.0} Hz)"),
                    _ => String::new(),
                };
                remarks.push(format!(
                    "resonance: from {:.0} to {:.0} rpm the engine's working cycles meet the drive's own \
                     frequency{hz}, which takes part of the torque: points there are not trustworthy",
                    rpm(resonance.from_s),
                    rpm(resonance.to_s)
                ));
            }
            if sweep.pattern_found == Some(false) {
                remarks.push(
                    "the wheel's calibrated tooth errors are not found in these teeth: they were \
                     estimated again; `leverarm calibrate wheel` tells what changed"
                        .to_owned(),
                );
            }
            self.remark_ratio(points, sweep, remarks);
        }
        self.remark_force(points, remarks);
        self.remark_losses(points, remarks);
        self.remark_unstated(points, remarks);
        let hidden = points.iter().filter(|p| !p.trustworthy).count();
        if hidden > 0 {
            remarks.push(format!(
                "{hidden} of {} points not trustworthy",
                points.len()
            ));
        }
    }

    /// Says when the curve ends before the greatest speed.
    fn remark_ends(
        &self,
        sweep: &Sweep,
        speeds: &[TurnSpeed],
        alone: bool,
        remarks: &mut Vec<String>,
    ) -> Result<(), ReduceError> {
        let to_rpm = self.engine_per_wheel() / RAD_PER_S_PER_RPM;
        let (Some(first), Some(last)) = (sweep.motions.first(), sweep.motions.last()) else {
            return Ok(());
        };
        let start_rpm = self.options.start_rad_per_s / RAD_PER_S_PER_RPM;
        let from_rpm = first.omega_rad_per_s * to_rpm;
        let end_rpm = last.omega_rad_per_s * to_rpm;
        let top_rpm = speeds.iter().map(|s| s.omega_rad_per_s).fold(0.0, f64::max) * to_rpm;
        let rise = top_rpm - start_rpm.min(from_rpm);
        if alone && top_rpm < RISE_MIN * from_rpm {
            return Err(ReduceError::HardlyRises {
                from_rpm,
                top_rpm,
                seconds: last.time_s - first.time_s,
            });
        }
        let share_min = sweep.unfelt_s.map_or(RISE_SHARE_MIN, |_| KNOWN_SHARE_MIN);
        if alone && end_rpm - from_rpm < share_min * rise {
            return Err(ReduceError::ShortRise {
                from_rpm,
                to_rpm: end_rpm,
                top_rpm,
            });
        }
        if let Some((from_s, to_s)) = sweep.unfelt_s {
            let before = to_s <= first.time_s;
            remarks.push(format!(
                "from {from_s:.2} s to {to_s:.2} s the drum does not feel the engine fire as {} it: the clutch slips there, \
                 another gear is engaged, or the engine does not burn, and its speed is not the drum's times the ratio; the \
                 curve {} at {:.0} rpm. A pickup on the engine would show more",
                if before { "after" } else { "before" },
                if before { "begins" } else { "ends" },
                if before { from_rpm } else { end_rpm }
            ));
            return Ok(());
        }
        let broken_before = sweep.broken.map(|it| it.to_s <= first.time_s);
        if let Some(broken) = sweep.broken {
            let mut words = words_of_break(&broken, first, from_rpm, end_rpm);
            if sweep.gear_in_doubt() {
                words.push_str("; no point is trustworthy");
            }
            remarks.push(words);
        }
        let closing_rpm = CLOSING_S * last.alpha_rad_per_s2 * to_rpm;
        if broken_before != Some(false) && top_rpm - end_rpm > closing_rpm.max(END_SHARE * top_rpm)
        {
            remarks.push(format!(
                "the curve ends at {end_rpm:.0} rpm although the engine reached {top_rpm:.0} rpm: beyond it no full \
                 throttle without a break was found (throttle, rev limiter, misfires, ignition cut or clutch)"
            ));
        }
        if broken_before != Some(true)
            && from_rpm > start_rpm + BEGIN_SHARE_MAX * top_rpm
            && self.train_starts_before(first)
        {
            remarks.push(format!(
                "the curve begins at {from_rpm:.0} rpm, not at {start_rpm:.0}: below it the throttle was still \
                 opening, or had opened too shortly before"
            ));
        }
        Ok(())
    }

    /// Whether there are teeth well before this instant.
    fn train_starts_before(&self, first: &Motion) -> bool {
        self.train
            .time_s
            .first()
            .is_some_and(|start_s| first.time_s > start_s + HELD_AFTER_S_MAX)
    }

    fn remark_cycles(&self, sweep: &Sweep, remarks: &mut Vec<String>) {
        if sweep.fit.parts_from_drum() {
            remarks.push(
                "the engine's own wheel swings against the drum (chain, belt or tyre give, or have play): the \
                 band holds by how much the two may part, and how much the cycles vary, or misfire, can't be \
                 told; a pickup on the drum would tell"
                    .to_owned(),
            );
        }
        let places = |at: Vec<(f64, f64)>| {
            let few = || at.iter().take(5);
            let speeds: Vec<String> = few().map(|(_, rpm)| format!("{rpm:.0}")).collect();
            let times: Vec<String> = few().map(|(time_s, _)| format!("{time_s:.2}")).collect();
            let more = if at.len() > 5 { " and more" } else { "" };
            format!(
                "at {} rpm ({} s){more}",
                speeds.join(", "),
                times.join(", ")
            )
        };
        let cycles = self.cycles(sweep);
        if let Some(cycles) = cycles.as_ref().filter(|it| it.cov > COV_TOLD) {
            remarks.push(format!(
                "uneven cycles: the work that reaches the wheel varies by {:.1} % from cycle to cycle, that of a \
                 healthy engine by 1 to 4 %: it is near misfire, or the drive has play and knocks between firings; \
                 that takes part of the torque, more at some speeds than at others and another part in the next \
                 pull: the band is wider by that, and a dip may be the drive's",
                100.0 * cycles.cov
            ));
        }
        if let Some(cycles) = cycles.filter(|it| !it.misfires.is_empty()) {
            remarks.push(format!(
                "misfires: {} working cycles, {}: left out of the curve",
                cycles.misfire_words(),
                places(cycles.misfires.iter().map(|m| (m.time_s, m.rpm)).collect())
            ));
        }
        if !sweep.jolts.is_empty() {
            remarks.push(format!(
                "jolts: {} of the work, no misfires (the drive slips or has \
                 play, the throttle moved, or teeth were counted wrongly), {}: left out of the curve, and points beside them are not trustworthy",
                counted(sweep.jolts.len(), "sudden change", "sudden changes"),
                places(sweep.jolts.iter().map(|j| (j.time_s, j.rpm)).collect())
            ));
        }
    }

    fn remark_ratio(&self, points: &[CurvePoint], sweep: &Sweep, remarks: &mut Vec<String>) {
        let Some(second) = &sweep.second else {
            return;
        };
        let drive = self.stand.engine_per_drum.value();
        let Some(overall) = second.overall() else {
            remarks
                .push("the second pickup shows too few teeth to check the drive ratio".to_owned());
            return;
        };
        if let Some(doubt) = sweep.own.as_ref().and_then(|own| own.ratio_doubt) {
            remarks.push(format!(
                "drive ratio in doubt: the engine turns {:+.1} % against it all along. Either it is \
                 {:.4} and not {drive:.4} as stated, and torque reads high by that; or a belt or tyre \
                 slips (a tyre has its own key), and torque is right. The band holds both; speeds are the \
                 engine's own",
                100.0 * doubt,
                overall.value
            ));
            return;
        }
        let off: Vec<&CurvePoint> = points.iter().filter(|p| p.is_slipping()).collect();
        let (Some(first), Some(last)) = (off.first(), off.last()) else {
            if sweep.own.is_some() {
                let more = overall.value / drive - 1.0;
                remarks.push(format!(
                    "the engine turns {:+.1} % against the drive ratio: taken for slip, speeds are the \
                     engine's own",
                    100.0 * more
                ));
            }
            return;
        };
        let ahead = || {
            points
                .iter()
                .filter(|p| p.ratio_check.is_some_and(|it| it.drum_runs_ahead()))
        };
        if let (Some(first), Some(last)) = (ahead().next(), ahead().next_back()) {
            remarks.push(format!(
                "pickups: between {:.0} and {:.0} rpm the drum runs ahead of what the engine drives it with, which no \
                 slip does: one of them misses teeth or counts false ones; points there are not trustworthy",
                first.rpm, last.rpm
            ));
            return;
        }
        let deviations = spread(points.iter().filter_map(|p| Some(p.ratio_check?.deviation)));
        if deviations.is_some_and(is_another_ratio) {
            if self.another_ratio(sweep).is_none() {
                remarks.push(format!(
                    "the pickups give {:.4} engine turns per drum turn, the stand says {drive:.4}: a tyre that grows with its \
                     speed, or a drive ratio or rolling circumference to be mended in the stand file",
                    overall.value
                ));
            }
            return;
        }
        let worst = off
            .iter()
            .filter_map(|p| Some(p.ratio_check?.deviation))
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0);
        let lost_w = points.iter().filter_map(|p| p.slip_power_w);
        let lost_w = lost_w.fold(None, |most: Option<f64>, w| Some(most.unwrap_or(w).max(w)));
        // Slip that is seen moves no torque: it makes no pull doubtful.
        let (what, own) = lost_w.map_or_else(
            || {
                let speeds = "; speeds there are the drum's times the ratio".to_owned();
                ("slip:", speeds)
            },
            |w| {
                let hp = w / HORSEPOWER_W;
                let lost = format!(
                    ", which takes up to {w:.0} W ({hp:.2} hp); speeds are the engine's own"
                );
                ("slip, seen by both pickups:", lost)
            },
        );
        remarks.push(format!(
            "{what} between {:.0} and {:.0} rpm the engine turns {:+.1} % against the drive ratio at \
             most{own}",
            first.rpm,
            last.rpm,
            100.0 * worst
        ));
    }

    fn remark_faults_of_force(&self, remarks: &mut Vec<String>) {
        let time_s = |tick: u64| (tick as f64 - self.train.origin_tick as f64) / self.pull.tick_hz;
        for fault in self.force.faults.iter().take(3) {
            let what = match fault.kind {
                ForceFaultKind::Clipped => "load cell clipped: it stays at the end of its range,",
                ForceFaultKind::Stuck => "load cell's converter stuck at",
            };
            remarks.push(format!(
                "{what} {} counts, from {:.2} s to {:.2} s: points there are not trustworthy",
                fault.counts,
                time_s(fault.tick_from),
                time_s(fault.tick_to)
            ));
        }
        if self.force.faults.len() > 3 {
            remarks.push(format!(
                "load cell: {} such stretches in all",
                self.force.faults.len()
            ));
        }
    }

    fn remark_force(&self, points: &[CurvePoint], remarks: &mut Vec<String>) {
        let Some(cell) = &self.stand.load_cell else {
            return;
        };
        self.remark_faults_of_force(remarks);
        let counts = points.iter().flat_map(|p| {
            let of_force = |i: &&PointInput| i.source == Source::ForceNoise;
            p.inputs.iter().find(of_force).map(|i| i.assessed.value())
        });
        if let Some((low, high)) = cell.calibrated_counts {
            let margin = 0.02 * (high - low);
            let outside = counts
                .filter(|c| *c < low - margin || *c > high + margin)
                .count();
            if outside > 0 {
                remarks.push(format!(
                    "load cell: {} outside the calibrated range of {low:.0} to {high:.0} counts",
                    counted(outside, "point", "points")
                ));
            }
        }
    }

    fn remark_losses(&self, points: &[CurvePoint], remarks: &mut Vec<String>) {
        let Some((_, top)) = self.stand.losses.omega_range_rad_per_s else {
            return;
        };
        if self.stand.held_at_engine() {
            return;
        }
        let ratio = self.stand.engine_per_drum.value();
        let fastest = points.iter().map(|p| p.rpm).fold(0.0, f64::max) * RAD_PER_S_PER_RPM / ratio;
        if fastest > 1.05 * top {
            remarks.push(format!(
                "losses were measured up to {:.0} rpm of the drum and are continued to {:.0} rpm",
                top / RAD_PER_S_PER_RPM,
                fastest / RAD_PER_S_PER_RPM
            ));
        }
    }

    /// Inputs that matter and whose uncertainty nobody stated: the band leaves them out.
    fn remark_unstated(&self, points: &[CurvePoint], remarks: &mut Vec<String>) {
        let Some(point) = points.get(points.len() / 2) else {
            return;
        };
        let unstated: Vec<&str> = point
            .inputs
            .iter()
            .filter(|input| {
                let stated_elsewhere = matches!(
                    input.source,
                    Source::Ratio | Source::Zero | Source::LossDrift
                ) || input.name == "load cell hysteresis and bend";
                input.assessed.standard_uncertainty() <= 0.0
                    && !stated_elsewhere
                    && (input.sensitivity * input.assessed.value()).abs()
                        > 0.001 * point.torque_nm.abs()
            })
            .map(|input| input.name)
            .collect();
        if !unstated.is_empty() {
            remarks.push(format!(
                "no uncertainty is stated for: {}; the band leaves it out",
                unstated.join(", ")
            ));
        }
    }
}

/// Change of the acceleration with the speed around an instant, 1/s.
fn slope(fit: &SpeedFit, at: &Motion) -> f64 {
    let (from_s, to_s) = fit.time_range_s();
    let step = 0.01 * (to_s - from_s) * at.omega_rad_per_s;
    let (before, after) = (
        fit.at_theta(at.theta_rad - step),
        fit.at_theta(at.theta_rad + step),
    );
    // What cycles that did not burn took from the speed is none of the curve's.
    let rise = at.alpha_rad_per_s2 * (after.time_s - before.time_s);
    if rise.abs() > 0.0 {
        (after.alpha_rad_per_s2 - before.alpha_rad_per_s2) / rise
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings() -> AirReadings {
        AirReadings {
            pressure_pa: Measured::exact(99_000.0),
            temperature_k: Measured::exact(298.0),
            relative_humidity: Measured::exact(0.0),
        }
    }

    fn model() -> ReductionModel {
        ReductionModel {
            drum_inertia_kg_m2: Some(Measured::new(3.2, 0.016).into()),
            engine_inertia_kg_m2: Measured::exact(0.0).into(),
            losses: LossModel::stated([0.8, 0.004, 0.0], 0.0),
            engine_per_drum: Measured::exact(6.0).into(),
            tyre_slip: Measured::exact(0.0).into(),
            wheel: WheelModel {
                teeth_per_turn: 8,
                missing_teeth: 0,
                on_engine: false,
                tooth_errors: None,
            },
            second_wheel: None,
            load_cell: None,
            cycles_per_engine_turn: 0.5,
            bounds: StandBounds::default(),
        }
    }

    fn pull<'a>(edges: &'a [Edge], force: &'a [(u64, i32)]) -> RawPull<'a> {
        RawPull {
            tick_hz: 2e6,
            edges,
            second_edges: &[],
            force,
        }
    }

    fn options() -> ReduceOptions {
        ReduceOptions {
            start_rad_per_s: 3000.0 * RAD_PER_S_PER_RPM,
            step_rpm: 100.0,
            from_rpm: None,
            to_rpm: None,
            correction: Correction::Iso1585SparkIgnition,
            air: readings(),
            holds_only: false,
        }
    }

    /// Edges of a drum that 9 N·m of the engine turn, by a wheel that lacks its first teeth: the angle
    /// is that of a constant acceleration without losses.
    fn edges_of_wheel(teeth: u32, missing: u32) -> Vec<Edge> {
        let alpha = 9.0 * 6.0 / 3.2;
        let (slow, fast) = (49.0, 150.0);
        let turns = (fast * fast - slow * slow) / (2.0 * alpha) / std::f64::consts::TAU;
        let places = (0_u32..).take_while(|place| f64::from(*place) < turns * f64::from(teeth));
        let seen = places.filter(|place| place % teeth >= missing);
        let edge = |(number, place): (usize, u32)| {
            let theta = std::f64::consts::TAU * f64::from(place) / f64::from(teeth);
            let time_s = ((slow * slow + 2.0 * alpha * theta).sqrt() - slow) / alpha;
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "positive"
            )]
            let tick = (time_s * 2e6) as u64;
            Edge {
                tick,
                number: number as u64,
            }
        };
        seen.enumerate().map(edge).collect()
    }

    /// Edges of a drum under a constant engine torque with the losses of [`model`], and the tick of
    /// the end of the pull; exact integration in small steps.
    fn edges(torque_nm: f64) -> Vec<Edge> {
        edges_by_cycle(|_, _| torque_nm)
    }

    /// The same under a torque that depends on the number of the working cycle and on the drum's speed.
    fn edges_by_cycle(torque_nm: impl Fn(f64, f64) -> f64) -> Vec<Edge> {
        both_edges(|cycle, omega| torque_nm(cycle.floor(), omega), 6.0).0
    }

    /// The same by the working cycle's number and phase, with those of a tooth on the crank, which turns so many times as fast as the drum.
    fn both_edges(
        torque_nm: impl Fn(f64, f64) -> f64,
        engine_per_drum: f64,
    ) -> (Vec<Edge>, Vec<Edge>) {
        let stand = model();
        let (mut omega, mut theta, mut number) = (40.0, 0.0_f64, 0_u64);
        let pitch = std::f64::consts::TAU / 8.0;
        let (mut edges, mut crank) = (Vec::new(), Vec::new());
        let dt = 2e-6;
        let mut step = 0_u64;
        while omega < 150.0 {
            let drive = if omega < 49.0 && number < 60 {
                0.3
            } else {
                1.0
            };
            let cycle = theta * 6.0 / (2.0 * std::f64::consts::TAU);
            let alpha =
                (torque_nm(cycle, omega) * drive * 6.0 - stand.losses.torque_nm(omega)) / 3.2;
            let before = theta;
            theta += omega * dt + 0.5 * alpha * dt * dt;
            omega += alpha * dt;
            let tick_at = |angle: f64| {
                let share = (angle - before) / (theta - before);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "positive"
                )]
                let tick = ((step as f64 + share) * dt * 2e6) as u64;
                tick
            };
            if theta >= pitch * (number + 1) as f64 {
                let tick = tick_at(pitch * (number + 1) as f64);
                edges.push(Edge { tick, number });
                number += 1;
            }
            let turned = std::f64::consts::TAU * (crank.len() + 1) as f64 / engine_per_drum;
            if theta >= turned {
                let (tick, number) = (tick_at(turned), crank.len() as u64);
                crank.push(Edge { tick, number });
            }
            step += 1;
        }
        (edges, crank)
    }

    /// Power still rises where the last point of a coarse grid is.
    #[test]
    fn a_peak_does_not_depend_on_the_grid() {
        let edges = edges_of_wheel(8, 0);
        let peak_rpm = |step_rpm| {
            let options = ReduceOptions {
                step_rpm,
                ..options()
            };
            let curve = reduce(&pull(&edges, &[]), &model(), &options).unwrap();
            curve.peak_power.unwrap().rpm
        };
        let (fine, coarse) = (peak_rpm(100.0), peak_rpm(1000.0));
        assert!(
            fine > 8000.0 && (fine - coarse).abs() < 1.0,
            "{fine} {coarse}"
        );
    }

    /// Newton's second law for rotation, with the losses put back: 9 N·m in, 9 N·m out.
    #[test]
    fn a_constant_torque_comes_back() {
        let edges = edges(9.0);
        let pull = pull(&edges, &[]);
        let curve = reduce(&pull, &model(), &options()).unwrap();
        assert!(curve.points.len() > 45, "{}", curve.points.len());
        for point in &curve.points {
            assert!(
                (point.torque_nm - 9.0).abs() < 0.01,
                "{} rpm: {}",
                point.rpm,
                point.torque_nm
            );
            let inertia = point.standard_uncertainty_nm(|s| s == Source::Inertia);
            assert!((inertia / point.torque_nm - 0.005).abs() < 0.0005);
        }
        let power = curve.peak_power.unwrap();
        assert!((power.value / (9.0 * power.rpm * RAD_PER_S_PER_RPM) - 1.0).abs() < 1e-3);
    }

    /// A load cell on the drum's absorber adds to the inertia term; on the engine it is the torque.
    #[test]
    fn force_times_arm() {
        let edges = edges(9.0);
        let last = edges[edges.len() - 1].tick;
        // 10,000 counts above the zero, one up and one down by turns as a live converter is.
        let force: Vec<(u64, i32)> = (0..last / 25_000)
            .map(|i| (i * 25_000, 10_499 + 2 * i32::from(i % 2 == 0)))
            .collect();
        let pull = pull(&edges, &force);
        let cell = LoadCellModel {
            newton_per_count: Measured::exact(0.01).into(),
            newton_per_count_squared: 0.0,
            bend_about_counts: 0.0,
            shape_half_width_n: 0.0,
            zero_counts: Measured::exact(500.0).into(),
            arm_m: Measured::new(0.3, 0.003).into(),
            sign: 1.0,
            on_engine: false,
            range_counts: None,
            calibrated_counts: None,
        };
        let both = ReductionModel {
            load_cell: Some(cell),
            ..model()
        };
        let curve = reduce(&pull, &both, &options()).unwrap();
        // 100 N on 0.3 m is 30 N·m at the absorber, 5 N·m at the crank.
        assert!((curve.points[20].torque_nm - 14.0).abs() < 0.01);
        let arm = curve.points[20].standard_uncertainty_nm(|s| s == Source::Arm);
        // Standards count 0 degC as 273 K, so the factor at 298 K is 0.9997 and not 1.
        assert!((arm - 0.05).abs() < 5e-5);
        let cradle = LoadCellModel {
            on_engine: true,
            ..cell
        };
        let engine = ReductionModel {
            load_cell: Some(cradle),
            ..model()
        };
        let curve = reduce(&pull, &engine, &options()).unwrap();
        assert!((curve.points[20].torque_nm - 30.0).abs() < 0.02);
    }

    /// Two bursts of misfires cost 200 rpm. The torque after them is that of the speeds which the wheel has, and the curve ends
    /// at the last of those. Truth: the curve that the engine was given.
    #[test]
    fn what_misfires_cost_the_speed_moves_no_torque() {
        let rpm_of = |omega: f64| 6.0 * omega / RAD_PER_S_PER_RPM;
        let given_nm = |rpm: f64| 9.0 - 0.25 * ((rpm - 4500.0) / 1000.0).powi(2);
        let greatest = std::cell::Cell::new(0.0_f64);
        let edges = edges_by_cycle(|cycle, omega| {
            greatest.set(greatest.get().max(rpm_of(omega)));
            if (150.0..156.0).contains(&cycle) || (220.0..226.0).contains(&cycle) {
                return -1.0;
            }
            let uneven = (0.618_034 * cycle * cycle).fract() - 0.5;
            given_nm(rpm_of(omega)) * (1.0 + 0.05 * uneven)
        });
        let curve = reduce(&pull(&edges, &[]), &model(), &options()).unwrap();
        let said = curve.remarks.join("; ");
        assert!(said.contains("misfires: "), "{said}");
        let last = curve.points.last().unwrap().rpm;
        assert!(
            (greatest.get() - 250.0..=greatest.get()).contains(&last),
            "{last} of {}",
            greatest.get()
        );
        for point in curve.points.iter().filter(|p| p.trustworthy) {
            let off = point.torque_nm - given_nm(point.rpm);
            assert!(
                off.abs() < 1.5 * point.expanded_uncertainty_nm(),
                "{off}: {point:?}"
            );
        }
    }

    /// Two cycles that do not burn are told, with their speed, and the torque of the others comes back.
    #[test]
    fn misfires_are_told_and_left_out() {
        let edges = edges_by_cycle(|cycle, _| match cycle {
            c if c == 60.0 || c == 90.0 => -1.5,
            _ => 9.0,
        });
        let pull = pull(&edges, &[]);
        let curve = reduce(&pull, &model(), &options()).unwrap();
        let cycles = curve.cycles.unwrap();
        let burnt: f64 = cycles.misfires.iter().map(|m| m.cycles).sum();
        assert!((burnt - 2.0).abs() < 0.5, "{cycles:?}");
        assert!(cycles.cov < 0.01, "{cycles:?}");
        let told = curve
            .remarks
            .iter()
            .any(|r| r.starts_with("misfires: 2 in"));
        assert!(told, "{:?}", curve.remarks);
        for point in curve.points.iter().filter(|p| p.trustworthy) {
            assert!((point.torque_nm - 9.0).abs() < 0.09, "{point:?}");
        }
    }

    /// An engine with a slope: 12 N·m less 1 for each 1000 rpm.
    fn sloping_nm(rpm: f64) -> f64 {
        12.0 - rpm / 1000.0
    }

    /// Slip loses speed and no torque: with a pickup on the crank the curve is that over the engine's
    /// own speed, and the power that got lost is the torque times the speed that did.
    #[test]
    fn with_a_pickup_on_the_engine_slip_moves_nothing() {
        for slip in [0.014, 0.025, 0.04] {
            let speed_ratio = 6.0 * (1.0 + slip);
            let of_drum = |omega: f64| sloping_nm(omega * speed_ratio / RAD_PER_S_PER_RPM);
            let (drum, crank) = both_edges(|_, omega| of_drum(omega), speed_ratio);
            let pull = RawPull {
                second_edges: &crank,
                ..pull(&drum, &[])
            };
            let stand = ReductionModel {
                second_wheel: Some(WheelModel {
                    teeth_per_turn: 1,
                    missing_teeth: 0,
                    on_engine: true,
                    tooth_errors: None,
                }),
                bounds: StandBounds {
                    tyre: true,
                    ..StandBounds::default()
                },
                ..model()
            };
            let curve = reduce(&pull, &stand, &options()).unwrap();
            assert!(curve.points.len() > 40);
            for point in &curve.points {
                let truth = sloping_nm(point.rpm);
                assert!((point.torque_nm - truth).abs() < 0.002 * truth, "{point:?}");
                let lost = truth * point.rpm * RAD_PER_S_PER_RPM * slip / (1.0 + slip);
                let found = point.slip_power_w.unwrap();
                assert!((found / lost - 1.0).abs() < 0.02, "{found} {lost}");
            }
            let remarks = curve.remarks.join("; ");
            assert!(remarks.contains("both pickups: between"), "{remarks}");
            assert!(!remarks.contains("another gear"), "{remarks}");
            // Without a tyre the same may be a ratio that is stated low.
            let chain = ReductionModel {
                bounds: StandBounds::default(),
                ..stand
            };
            let curve = reduce(&pull, &chain, &options()).unwrap();
            let remarks = curve.remarks.join("; ");
            assert!(remarks.contains("ratio in doubt"), "{remarks}");
            for point in &curve.points {
                let u = point.standard_uncertainty_nm(|s| s == Source::Ratio);
                let at_most = slip / 3.0_f64.sqrt() * point.torque_nm;
                assert!((0.7..1.5).contains(&(u / at_most)), "{u} {at_most}");
                let of_seen_ratio = sloping_nm(point.rpm) / (1.0 + slip);
                let off = (point.torque_nm - of_seen_ratio).abs();
                assert!(off < point.expanded_uncertainty_nm(), "{off} {point:?}");
            }
        }
    }

    /// A clutch that slips by 10 % until the engine has 4300 rpm, with a crank of its own inertia: the
    /// torque over the engine's own speed comes back once it grips, and another gear is named as such.
    #[test]
    fn a_clutch_that_grips_at_last_is_no_other_gear() {
        let stand = ReductionModel {
            second_wheel: Some(WheelModel {
                teeth_per_turn: 1,
                missing_teeth: 0,
                on_engine: true,
                tooth_errors: None,
            }),
            ..model()
        };
        let said = |crank: &[Edge], drum: &[Edge]| {
            let pull = RawPull {
                second_edges: crank,
                ..pull(drum, &[])
            };
            reduce(&pull, &stand, &options()).unwrap()
        };
        let (drum, crank) = both_edges(|_, _| 9.0, 6.0);
        // Slower crank edges before the drum has 75 rad/s stand for a faster crank: 10 % more of them.
        let slipping = |tick: u64| {
            let turns = drum.windows(2).find(|pair| pair[1].tick >= tick);
            turns.is_some_and(|pair| (pair[1].tick - pair[0].tick) as f64 > 2e6 / 75.0 * 0.785)
        };
        let otherwise = |share: f64| {
            let (mut angle, mut edges, mut due) = (0.0, Vec::new(), 1.0);
            for pair in crank.windows(2) {
                let more = if slipping(pair[0].tick) { share } else { 1.0 };
                while angle + more >= due {
                    let ticks = (pair[1].tick - pair[0].tick) as f64 * (due - angle) / more;
                    #[expect(
                        clippy::cast_possible_truncation,
                        clippy::cast_sign_loss,
                        reason = "positive"
                    )]
                    let tick = pair[0].tick + ticks as u64;
                    let number = edges.len() as u64;
                    edges.push(Edge { tick, number });
                    due += 1.0;
                }
                angle += more;
            }
            edges
        };
        let curve = said(&otherwise(1.1), &drum);
        let remarks = curve.remarks.join("; ");
        assert!(
            remarks.contains("both pickups: between")
                && remarks.contains(" hp); speeds are the engine's own"),
            "{remarks}"
        );
        for point in curve.points.iter().filter(|p| p.rpm > 5000.0) {
            assert!((point.torque_nm - 9.0).abs() < 0.02, "{point:?}");
            assert!(point.slip_power_w.unwrap().abs() < 20.0, "{point:?}");
        }
        let slipped = curve.points.iter().filter(|p| p.rpm < 4300.0);
        assert!(slipped.clone().count() > 5);
        for point in slipped {
            assert!((point.torque_nm - 9.0).abs() < 0.05, "{point:?}");
            let lost = 9.0 * point.rpm * RAD_PER_S_PER_RPM * 0.1 / 1.1;
            assert!(
                (point.slip_power_w.unwrap() / lost - 1.0).abs() < 0.1,
                "{point:?}"
            );
        }
        // The other way round it is no slip, but a pickup that lies.
        let curve = said(&otherwise(0.8), &drum);
        let remarks = curve.remarks.join("; ");
        assert!(
            remarks.contains("which no slip does") && !remarks.contains("slip:"),
            "{remarks}"
        );
        let early = curve.points.iter().filter(|p| p.rpm < 3300.0);
        assert!(
            early.clone().count() > 0 && early.clone().all(|p| !p.trustworthy),
            "{curve:?}"
        );
        assert!(
            curve
                .points
                .iter()
                .filter(|p| p.rpm > 5000.0)
                .all(|p| p.trustworthy)
        );
        let (drum, crank) = both_edges(|_, _| 9.0, 6.6);
        let remarks = said(&crank, &drum).remarks.join("; ");
        assert!(remarks.contains("another gear"), "{remarks}");
    }

    /// A clutch slips until the engine has 4300 rpm: the drum does not feel it fire, and with no pickup on the engine nobody
    /// knows its speed. What comes after is the engine's.
    #[test]
    fn a_clutch_that_slips_unseen_has_no_curve() {
        let swings = |cycle: f64, omega: f64| {
            let phase = std::f64::consts::TAU * cycle;
            if omega < 75.0 {
                8.0
            } else {
                9.0 * (1.0 + 1.5 * phase.cos() + 0.75 * (2.0 * phase).cos())
            }
        };
        let (drum, crank) = both_edges(swings, 6.0);
        let curve = reduce(&pull(&drum, &[]), &model(), &options()).unwrap();
        let said = curve.remarks.join("; ");
        assert!(said.contains("does not feel the engine fire"), "{said}");
        let first = curve.points.first().unwrap().rpm;
        assert!((4300.0..4900.0).contains(&first), "{first}");
        for point in &curve.points {
            assert!((point.torque_nm - 9.0).abs() < 0.1, "{point:?}");
        }
        let seen = ReductionModel {
            second_wheel: Some(WheelModel {
                teeth_per_turn: 1,
                missing_teeth: 0,
                on_engine: true,
                tooth_errors: None,
            }),
            ..model()
        };
        let both = RawPull {
            second_edges: &crank,
            ..pull(&drum, &[])
        };
        let curve = reduce(&both, &seen, &options()).unwrap();
        assert!(curve.points.first().unwrap().rpm < 3200.0);
    }

    /// Each constant that the recording refutes is named first, and takes the trust from all points.
    #[test]
    fn a_stand_file_that_the_recording_contradicts_has_no_trustworthy_point() {
        let (drum, crank) = both_edges(|_, _| 9.0, 6.0);
        let lacking = edges_of_wheel(36, 1);
        let rad_per_s = |rpm: f64| Some(rpm * RAD_PER_S_PER_RPM);
        let bounds = StandBounds::default();
        let sound = StandBounds {
            cut_rad_per_s: rad_per_s(9000.0),
            end_rad_per_s: rad_per_s(8000.0),
            torque_nm: Some(33.0),
            tyre: false,
        };
        let stand = |bounds, teeth_per_turn, missing_teeth| ReductionModel {
            wheel: WheelModel {
                teeth_per_turn,
                missing_teeth,
                ..model().wheel
            },
            bounds,
            ..model()
        };
        let both = |ratio| ReductionModel {
            second_wheel: Some(WheelModel {
                teeth_per_turn: 1,
                on_engine: true,
                ..model().wheel
            }),
            engine_per_drum: Measured::exact(ratio).into(),
            ..stand(sound, 8, 0)
        };
        let half = StandBounds {
            end_rad_per_s: rad_per_s(16_000.0),
            ..sound
        };
        let twice = StandBounds {
            cut_rad_per_s: rad_per_s(4500.0),
            ..sound
        };
        let weak = StandBounds {
            torque_nm: Some(7.0),
            ..bounds
        };
        let none: &[Edge] = &[];
        let cases = [
            (stand(sound, 8, 0), &drum, none, None),
            (both(6.0), &drum, &crank, None),
            (stand(bounds, 36, 1), &lacking, none, None),
            (stand(bounds, 36, 0), &lacking, none, None),
            (both(5.0), &drum, &crank, Some("the stand says 5.0000")),
            (both(6.3), &drum, &crank, Some("the stand says 6.3000")),
            (
                stand(half, 8, 0),
                &drum,
                none,
                Some("far from the 16000 rpm"),
            ),
            (
                stand(twice, 8, 0),
                &drum,
                none,
                Some("guards cut at 4500 rpm"),
            ),
            (stand(weak, 8, 0), &drum, none, Some("7 N·m at most")),
            (
                stand(bounds, 35, 1),
                &lacking,
                none,
                Some("every 36 pitches"),
            ),
            (
                stand(bounds, 18, 1),
                &lacking,
                none,
                Some("every 36 pitches"),
            ),
            (
                stand(bounds, 72, 1),
                &lacking,
                none,
                Some("every 36 pitches"),
            ),
        ];
        for (stand, edges, second_edges, contradicted) in cases {
            let raw = RawPull {
                second_edges,
                ..pull(edges, &[])
            };
            let curve = reduce(&raw, &stand, &options()).unwrap();
            let case = format!("{contradicted:?}: {:?}", curve.remarks);
            let trusted = curve.points.iter().filter(|p| p.trustworthy).count();
            assert!(!curve.points.is_empty(), "{case}");
            match contradicted {
                Some(what) => {
                    let first = &curve.remarks[0];
                    assert!(
                        first.starts_with("the stand file is contradicted"),
                        "{case}"
                    );
                    assert!(first.contains(what) && first.contains("mend"), "{case}");
                    assert_eq!((trusted, curve.peak_torque), (0, None), "{case}");
                    assert_eq!((&curve.cycles, curve.shuffle), (&None, None), "{case}");
                    let others = curve.remarks.iter();
                    let mut others =
                        others.skip_while(|it| it.starts_with("the stand file is contradicted"));
                    assert_eq!(others.next(), None, "{case}");
                }
                None => {
                    assert!(!curve.remarks.join(" ").contains("contradicted"), "{case}");
                    assert!(10 * trusted > 9 * curve.points.len(), "{case}");
                    assert!(curve.cycles.is_some(), "{case}");
                }
            }
        }
        // A second pickup that agrees says that an early end is nothing but that.
        let early = ReductionModel {
            bounds: half,
            ..both(6.0)
        };
        let raw = RawPull {
            second_edges: &crank,
            ..pull(&drum, &[])
        };
        let curve = reduce(&raw, &early, &options()).unwrap();
        assert!(curve.points.iter().any(|p| p.trustworthy));
    }

    /// Without that pickup a tyre's slip is a guess: the band is wide enough for 1 to 4 %.
    #[test]
    fn a_tyre_nobody_watches_widens_the_band() {
        let stand = ReductionModel {
            tyre_slip: Measured::within(0.025, 0.015).into(),
            ..model()
        };
        for slip in [0.01, 0.025, 0.04] {
            let speed_ratio = 6.0 * (1.0 + slip);
            let of_drum = |omega: f64| sloping_nm(omega * speed_ratio / RAD_PER_S_PER_RPM);
            let drum = edges_by_cycle(|_, omega| of_drum(omega));
            let curve = reduce(&pull(&drum, &[]), &stand, &options()).unwrap();
            let exact = reduce(&pull(&drum, &[]), &model(), &options()).unwrap();
            for point in &curve.points {
                let off = (point.torque_nm - sloping_nm(point.rpm)).abs();
                assert!(
                    off < point.expanded_uncertainty_nm(),
                    "{slip}: {off} {point:?}"
                );
                // 1.7 % of the speed times a slope of 1 N·m in 1000 rpm.
                let of_ratio = point.standard_uncertainty_nm(|s| s == Source::Ratio);
                let expected = 0.015 / 3.0_f64.sqrt() * point.rpm / 1000.0 / 1.025;
                assert!(
                    (of_ratio / expected - 1.0).abs() < 0.1,
                    "{of_ratio} {expected}"
                );
            }
            let width = |curve: &Curve| curve.points[20].expanded_uncertainty_nm();
            assert!(width(&curve) > 1.2 * width(&exact));
        }
    }

    /// 36-1, 60-2 and 8-1: torque comes back as with all teeth, and the gap is no fault.
    #[test]
    fn wheels_with_teeth_left_out_work() {
        for (teeth, missing) in [(36, 1), (60, 2), (8, 1)] {
            let edges = edges_of_wheel(teeth, missing);
            let mut stand = model();
            stand.losses = LossModel::default();
            stand.wheel.teeth_per_turn = teeth;
            let seen = reduce(&pull(&edges, &[]), &stand, &options()).unwrap();
            assert!(
                seen.remarks.iter().any(|r| r.contains("teeth not seen")),
                "{teeth}-{missing}: {:?}",
                seen.remarks
            );
            stand.wheel.missing_teeth = missing;
            let curve = reduce(&pull(&edges, &[]), &stand, &options()).unwrap();
            assert!(
                !curve.remarks.iter().any(|r| r.contains("teeth")),
                "{teeth}-{missing}: {:?}",
                curve.remarks
            );
            assert!(curve.points.len() > 45, "{teeth}-{missing}");
            for point in &curve.points {
                assert!(point.trustworthy, "{teeth}-{missing}: {point:?}");
                let off = (point.torque_nm - 9.0).abs();
                assert!(off < 0.02, "{teeth}-{missing} at {}: {off}", point.rpm);
            }
        }
    }

    /// Three teeth between two gaps do not say how many each lacks.
    #[test]
    fn points_beside_a_gap_of_unknown_length_are_not_trusted() {
        let mut edges = edges_of_wheel(8, 0);
        edges.retain(|edge| !matches!(edge.number, 200..=205 | 209..=214));
        for (number, edge) in (0..).zip(&mut edges) {
            edge.number = number;
        }
        let curve = reduce(&pull(&edges, &[]), &model(), &options()).unwrap();
        let said = curve.remarks.join("; ");
        assert!(said.contains("points beside each are not"), "{said}");
        // 207 teeth from 49 rad/s on.
        let turned_rad = 207.0 / 8.0 * std::f64::consts::TAU;
        let omega = (49.0_f64.powi(2) + 2.0 * 9.0 * 6.0 / 3.2 * turned_rad).sqrt();
        let gap_rpm = 6.0 * omega / RAD_PER_S_PER_RPM;
        for point in &curve.points {
            let away_rpm = (point.rpm - gap_rpm).abs();
            assert!(away_rpm > 100.0 || !point.trustworthy, "{point:?}");
            assert!(away_rpm < 500.0 || point.trustworthy, "{said}: {point:?}");
        }
    }

    /// Points that timing alone hides are told: how many, where, the limit, and what was found.
    #[test]
    fn points_that_timing_hides_are_told() {
        // A wavy curve, and cycles whose work varies evenly over half of the mean to either side.
        let edges = edges_by_cycle(|cycle, omega| {
            let uneven = (0.618_034 * cycle * cycle).fract() - 0.5;
            9.0 * (1.0 + 0.3 * (omega / 5.0).sin()) * (1.0 + uneven)
        });
        let curve = reduce(&pull(&edges, &[]), &model(), &options()).unwrap();
        let hidden: Vec<f64> = curve
            .points
            .iter()
            .filter(|point| !point.trustworthy)
            .map(|point| point.rpm)
            .collect();
        let said = curve.remarks.join("; ");
        let [first, last] = [hidden[0], hidden[hidden.len() - 1]];
        let expected = format!(
            "at {} points from {first:.0} to {last:.0} rpm",
            hidden.len()
        );
        assert!(said.contains(&expected), "{expected}: {said}");
        assert!(said.contains("2 % is the most"), "{said}");
    }

    #[test]
    fn one_of_something_is_told_as_one() {
        let mut edges = edges(9.0);
        edges.remove(200);
        let [before, after] = [edges[300], edges[301]];
        let tick = before.tick + (after.tick - before.tick) / 3;
        edges.insert(301, Edge { tick, number: 0 });
        for (number, edge) in (0..).zip(&mut edges) {
            edge.number = number;
        }
        let curve = reduce(&pull(&edges, &[]), &model(), &options()).unwrap();
        for said in ["1 tooth not seen", "1 edge that was no tooth"] {
            assert!(
                curve.remarks.iter().any(|it| it == said),
                "{:?}",
                curve.remarks
            );
        }
    }

    /// The throttle closed for half a second late in the rise: the curve ends there and says so. Closed
    /// time and again, no stretch holds enough of the rise, and there is no curve.
    #[test]
    fn a_curve_that_ends_early_says_why_and_a_short_one_is_refused() {
        let closed_in = |closed: fn(f64) -> bool| {
            edges_by_cycle(move |cycle, _| if closed(cycle) { -1.0 } else { 9.0 })
        };
        let edges = closed_in(|cycle| (230.0..255.0).contains(&cycle));
        let curve = reduce(&pull(&edges, &[]), &model(), &options()).unwrap();
        let said = curve.remarks.join("; ");
        assert!(
            said.contains("the rise breaks off from") && said.contains("the curve ends before it"),
            "{said}"
        );
        assert!(
            said.contains("the engine pulls after it as before"),
            "{said}"
        );
        let last = curve.points.last().unwrap().rpm;
        for point in curve.points.iter().filter(|p| p.rpm < last - 100.0) {
            assert!((point.torque_nm - 9.0).abs() < 0.1, "{point:?}");
        }
        let edges = closed_in(|cycle| cycle > 60.0 && cycle % 60.0 > 35.0);
        let error = reduce(&pull(&edges, &[]), &model(), &options());
        let error = error.map(|c| (c.remarks, c.points.len())).unwrap_err();
        assert!(matches!(error, ReduceError::ShortRise { .. }), "{error}");
        assert!(error.to_string().contains("at full throttle"), "{error}");
    }

    /// Three per cent below the greatest speed the throttle is let go a little: what is cut off is told, and the throttle that
    /// closes at the end of every pull is not.
    #[test]
    fn an_end_short_of_the_greatest_speed_is_told() {
        let ends_at = |let_go: f64| {
            let edges = edges_by_cycle(|_, omega| if omega > let_go { 2.5 } else { 9.0 });
            let curve = reduce(&pull(&edges, &[]), &model(), &options()).unwrap();
            let said = curve.remarks.join("; ");
            (said.contains("the curve ends at"), said)
        };
        for (let_go, told) in [(144.5, true), (149.0, false)] {
            let (found, said) = ends_at(let_go);
            assert_eq!(found, told, "{let_go}: {said}");
        }
    }

    /// A drive that swings with the engine at one speed takes all of its work there.
    #[test]
    fn a_speed_that_hardly_rises_is_no_pull() {
        let mut edges = edges(3.0);
        let pitch = std::f64::consts::TAU / 8.0;
        let ticks_at = |omega: f64| 2e6 * pitch / omega;
        let hangs = edges
            .windows(2)
            .position(|pair| ((pair[1].tick - pair[0].tick) as f64) < ticks_at(57.0))
            .unwrap();
        edges.truncate(hangs + 1);
        let (last, step) = (edges[hangs], edges[hangs].tick - edges[hangs - 1].tick);
        edges.extend((1..400).map(|i| Edge {
            tick: last.tick + i * step,
            number: last.number + i,
        }));
        let error = reduce(&pull(&edges, &[]), &model(), &options()).unwrap_err();
        assert!(matches!(error, ReduceError::HardlyRises { .. }), "{error}");
    }

    #[test]
    fn no_rise_is_an_error_in_words() {
        let pull = pull(&[], &[]);
        let error = reduce(&pull, &model(), &options()).unwrap_err().to_string();
        assert!(
            error.contains("no full-throttle rise above 3000 rpm"),
            "{error}"
        );
    }

    #[test]
    fn correction_outside_its_range_is_remarked() {
        let edges = edges(9.0);
        let pull = pull(&edges, &[]);
        let mut thin = options();
        thin.air.pressure_pa = Measured::new(82_000.0, 100.0);
        let curve = reduce(&pull, &model(), &thin).unwrap();
        assert!(
            curve
                .remarks
                .iter()
                .any(|r| r.contains("outside its range")),
            "{:?}",
            curve.remarks
        );
        assert!(curve.points[10].standard_uncertainty_nm(|s| s == Source::Air) > 0.0);
    }
}
