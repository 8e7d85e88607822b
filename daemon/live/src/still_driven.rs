//! Whether the stand is still driven after its cut: a welded relay, a broken kill wire, an engine that
//! runs on by a glowing plug.
//!
//! A cut that the board confirms leaves bearings, chain and air to slow the drum down. A drum that
//! loses less than they take at the least, or gains speed, is driven by something. Speeds are those
//! of whole turns, where the spacing of the teeth cancels; a slope over them is judged with the
//! uncertainty that its own scatter gives it. Without stated losses all that can be told is a gain.
//!
//! What is no drive: the last combustion and a chain that swings (both over within the time waited),
//! a flywheel that is faster than the drum and hands it its energy through a slipping clutch (waited
//! for where one slips), a hand or a starter motor (slower than an engine can run), and, where only the
//! engine has a pickup, a drum that turns the engine over as the clutch comes in (short, and to no
//! higher speed than at the cut).

use std::collections::VecDeque;
use std::f64::consts::TAU;

use leverarm_config::{Pickup, Shaft, Stand};
use leverarm_filters::teeth::{Tooth, ToothKind};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::reduce::ReductionModel;

use super::CutLatch;

/// From the board's word to the relay that has opened and a chain that swings no more.
const SETTLE_S: f64 = 0.15;
/// Then the engine's last cycles: two of a four-stroke's.
const LAST_TURNS: f64 = 4.0;
const LAST_TURNS_S_MAX: f64 = 0.3;
/// Below the speed where a pull starts the clutch may slip; a flywheel has given its energy to the
/// drum after so long (our judgement).
const CLUTCH_S: f64 = 0.5;
/// No engine runs more slowly by itself, and no hand or starter motor turns faster (our judgement).
const ENGINE_RAD_PER_S_MIN: f64 = 900.0 * RAD_PER_S_PER_RPM;
/// Losses of warm bearings are so much of the stated ones at the least (our judgement).
const WARM_SHARE: f64 = 0.7;
/// Coverage of stated uncertainties.
const COVERAGE: f64 = 2.0;
/// Slopes are taken over these times: a strong drive shows soon, a weak one only in time.
const SPANS_S: [f64; 4] = [0.25, 0.5, 1.0, 2.0];
/// So much of a span has to be there: the points of a wheel with one tooth are a turn apart.
const SPAN_SHARE: f64 = 0.75;
/// A speed over a whole turn is no better than this share: the engine's cycles do not end with it.
const TURN_ERROR: f64 = 0.0015;
/// So many standard deviations are no chance.
const SIGMAS: f64 = 4.0;
/// A slope over fewer whole turns says nothing.
const TURNS_MIN: f64 = 4.0;
const POINTS_MIN: usize = 4;
/// Speeds are kept so far apart.
const POINT_EVERY_S: f64 = 0.008;
/// Where only the engine's speed is known: an engine that the drum turns over is there sooner.
const ENGINE_SPAN_S_MIN: f64 = 0.5;
/// And no faster than it was at the cut.
const ENGINE_FASTER: f64 = 1.02;

/// What the alarm is based on. Speeds are those of the wheel that is watched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Driven {
    pub(super) rad_per_s2: f64,
    pub(super) uncertainty_rad_per_s2: f64,
    /// The most that a coast-down allows.
    pub(super) coasting_rad_per_s2: f64,
    pub(super) shaft: Shaft,
}

impl Driven {
    pub(super) fn text(&self) -> String {
        let rpm = |slope: f64| (slope / RAD_PER_S_PER_RPM).abs();
        let change = |slope: f64| if slope < 0.0 { "loses" } else { "gains" };
        let expected = if self.coasting_rad_per_s2 < 0.0 {
            format!(
                "it would lose at least {:.0}",
                rpm(self.coasting_rad_per_s2)
            )
        } else {
            "it would lose some".to_owned()
        };
        format!(
            "still driven after the cut: use the emergency stop; the {} {} {:.0} rpm each second, \
             coasting {expected}",
            self.shaft.name(),
            change(self.rad_per_s2),
            rpm(self.rad_per_s2),
        )
    }
}

/// What [`StillDriven::judge`] has to tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum News {
    Driven(Driven),
    /// What was driven coasts, or has stopped.
    Coasts,
}

/// Speed over a whole turn, at its middle.
#[derive(Clone, Copy, Debug)]
struct Point {
    at_s: f64,
    rad_per_s: f64,
}

#[derive(Clone, Copy, Debug)]
struct Watching {
    /// What turned before does not count, s on the board's clock.
    from_s: f64,
    /// Speed when the cut was confirmed.
    rad_per_s: f64,
}

#[derive(Debug)]
pub(super) struct StillDriven {
    pickup: Option<Pickup>,
    engine_per_wheel: f64,
    engine_per_drum: f64,
    start_engine_rad_per_s: f64,
    tick_hz: f64,
    /// Teeth of the last turn, or of the engine's last working cycle: index and time.
    teeth: VecDeque<(i64, f64)>,
    newest: Option<Point>,
    points: VecDeque<Point>,
    watching: Option<Watching>,
    driven: Option<Driven>,
}

impl StillDriven {
    pub(super) fn new(stand: &Stand) -> Self {
        // The drum's own speed is what counts; the engine's may be another's through the clutch.
        let on = |shaft| stand.pickups.iter().find(move |it| it.shaft == shaft);
        let pickup = on(Shaft::Drum).or_else(|| on(Shaft::Engine)).copied();
        let engine_per_wheel = pickup.map_or(1.0, |pickup| {
            stand
                .drive
                .speed_rad_per_s(1.0, pickup.shaft, Shaft::Engine)
        });
        Self {
            pickup,
            engine_per_wheel,
            engine_per_drum: stand.drive.engine_per_drum.value,
            start_engine_rad_per_s: stand.pull.start_rad_per_s,
            tick_hz: 0.0,
            teeth: VecDeque::new(),
            newest: None,
            points: VecDeque::new(),
            watching: None,
            driven: None,
        }
    }

    /// Ticks begin again. An alarm stays until it is seen to be over.
    pub(super) fn begin(&mut self) {
        self.tick_hz = 0.0;
        self.forget();
        self.watching = None;
    }

    fn forget(&mut self) {
        self.teeth.clear();
        self.points.clear();
        self.newest = None;
    }

    pub(super) fn board(&mut self, tick_hz: f64) {
        self.tick_hz = tick_hz;
    }

    /// What drives the stand though it is cut.
    pub(super) fn driven(&self) -> Option<&Driven> {
        self.driven.as_ref()
    }

    /// A tooth of a pickup went by.
    pub(super) fn tooth(&mut self, channel: u8, tooth: &Tooth) {
        let Some(pickup) = self.pickup.filter(|it| it.channel == channel) else {
            return;
        };
        match tooth.kind {
            ToothKind::Extra => return,
            // What was counted before has nothing to do with what comes.
            ToothKind::First | ToothKind::Relocked => self.forget(),
            ToothKind::Regular | ToothKind::Irregular { .. } | ToothKind::AfterMissed { .. } => {}
        }
        let at_s = tooth.tick as f64 / self.tick_hz;
        let (turns, teeth) = match pickup.shaft {
            Shaft::Drum => (1.0, i64::from(pickup.teeth)),
            Shaft::Engine => (2.0, 2 * i64::from(pickup.teeth)),
        };
        while self
            .teeth
            .front()
            .is_some_and(|(index, _)| tooth.index - index > teeth)
        {
            self.teeth.pop_front();
        }
        if let Some((index, from_s)) = self.teeth.front().copied()
            && tooth.index - index == teeth
            && at_s > from_s
        {
            self.point(turns, from_s, at_s);
        }
        self.teeth.push_back((tooth.index, at_s));
    }

    fn point(&mut self, turns: f64, from_s: f64, to_s: f64) {
        let point = Point {
            at_s: f64::midpoint(from_s, to_s),
            rad_per_s: turns * TAU / (to_s - from_s),
        };
        self.newest = Some(point);
        let counts = self.watching.is_some_and(|it| from_s >= it.from_s);
        let is_apart = self
            .points
            .back()
            .is_none_or(|last| point.at_s - last.at_s >= POINT_EVERY_S);
        if counts && is_apart {
            self.points.push_back(point);
            let longest_s = SPANS_S.iter().copied().fold(0.0, f64::max);
            while self
                .points
                .front()
                .is_some_and(|first| point.at_s - first.at_s > longest_s)
            {
                self.points.pop_front();
            }
        }
    }

    /// Takes how far the cut has come into account, and judges what was seen up to a tick.
    pub(super) fn judge(
        &mut self,
        latch: CutLatch,
        tick: u64,
        model: &ReductionModel,
    ) -> Option<News> {
        match latch {
            CutLatch::Running => {
                self.watching = None;
                self.driven = None;
                return None;
            }
            // What the board does is not known.
            CutLatch::Requested | CutLatch::Releasing => {
                self.watching = None;
                return None;
            }
            CutLatch::Confirmed if self.tick_hz <= 0.0 => return None,
            CutLatch::Confirmed => {}
        }
        let now_s = tick as f64 / self.tick_hz;
        if self.watching.is_none() {
            self.watch(now_s);
        }
        let turns_s = self
            .newest
            .map_or(f64::INFINITY, |newest| now_s - newest.at_s);
        let engine_rad_per_s = self.engine_rad_per_s();
        if turns_s > 1.0 || engine_rad_per_s < ENGINE_RAD_PER_S_MIN {
            return self.driven.take().map(|_| News::Coasts);
        }
        let slopes = SPANS_S.iter().filter_map(|span_s| self.slope(*span_s));
        let slopes: Vec<Slope> = slopes.collect();
        if self.driven.is_some() {
            let coasts = slopes.iter().any(|slope| {
                slope.span_s >= SPAN_SHARE
                    && slope.rad_per_s2 + 2.0 * slope.sigma <= self.coasting(model, slope.rad_per_s)
            });
            return if coasts {
                self.driven.take().map(|_| News::Coasts)
            } else {
                None
            };
        }
        let driven = slopes.iter().find_map(|slope| {
            let coasting = self.coasting(model, slope.rad_per_s);
            let is_driven = slope.rad_per_s2 - SIGMAS * slope.sigma > coasting
                && slope.halves.iter().all(|half| *half > coasting)
                && self.counts(slope);
            is_driven.then_some(Driven {
                rad_per_s2: slope.rad_per_s2,
                uncertainty_rad_per_s2: slope.sigma,
                coasting_rad_per_s2: coasting,
                shaft: self.pickup?.shaft,
            })
        })?;
        self.driven = Some(driven);
        Some(News::Driven(driven))
    }

    fn engine_rad_per_s(&self) -> f64 {
        self.newest
            .map_or(0.0, |newest| newest.rad_per_s * self.engine_per_wheel)
    }

    fn watch(&mut self, now_s: f64) {
        let engine = self.engine_rad_per_s();
        let last_turns_s = (LAST_TURNS * TAU / engine.max(1.0)).min(LAST_TURNS_S_MAX);
        let clutch_s = if engine < self.start_engine_rad_per_s {
            CLUTCH_S
        } else {
            0.0
        };
        self.points.clear();
        self.watching = Some(Watching {
            from_s: now_s + SETTLE_S + last_turns_s + clutch_s,
            rad_per_s: self.newest.map_or(0.0, |newest| newest.rad_per_s),
        });
    }

    /// Whether a slope can only be a drive on this shaft.
    fn counts(&self, slope: &Slope) -> bool {
        let (Some(pickup), Some(watching)) = (self.pickup, self.watching) else {
            return false;
        };
        let faster = slope.rad_per_s > ENGINE_FASTER * watching.rad_per_s;
        let long = SPANS_S
            .last()
            .is_some_and(|span| slope.span_s >= SPAN_SHARE * span);
        match pickup.shaft {
            Shaft::Drum => true,
            Shaft::Engine => slope.span_s >= SPAN_SHARE * ENGINE_SPAN_S_MIN && (faster || long),
        }
    }

    /// The greatest acceleration of the wheel that a coast-down allows, rad/s², with everything as
    /// slow as it can be: losses at their least, the engine's parts turning with the drum.
    fn coasting(&self, model: &ReductionModel, rad_per_s: f64) -> f64 {
        let Some(drum) = &model.drum_inertia_kg_m2 else {
            return 0.0;
        };
        let drum_per_wheel = self.engine_per_wheel / self.engine_per_drum;
        let omega = rad_per_s * drum_per_wheel;
        let loss_nm = model.losses.torque_nm(omega);
        let spread = model.losses.repeatability.value() * loss_nm;
        let uncertainty = model.losses.standard_uncertainty_nm(omega).hypot(spread);
        let least_nm = (WARM_SHARE * loss_nm - COVERAGE * uncertainty).max(0.0);
        let most = |of: &leverarm_torque::uncertainty::Assessed| {
            of.value() + COVERAGE * of.measured.standard_uncertainty
        };
        let ratio = self.engine_per_drum;
        let inertia = most(drum) + ratio * ratio * most(&model.engine_inertia_kg_m2);
        -least_nm / inertia.max(f64::MIN_POSITIVE) / drum_per_wheel
    }

    /// Slope of the speed over the newest points, if there are enough of them over this time.
    fn slope(&self, span_s: f64) -> Option<Slope> {
        let newest = self.points.back()?;
        let from = self
            .points
            .partition_point(|point| newest.at_s - point.at_s > span_s);
        let points: Vec<Point> = self.points.range(from..).copied().collect();
        let first = points.first()?;
        let found_s = newest.at_s - first.at_s;
        let turn_s = self.teeth.back()?.1 - self.teeth.front()?.1;
        let slowest = points
            .iter()
            .map(|it| it.rad_per_s)
            .fold(f64::INFINITY, f64::min);
        let turn_s = turn_s.max(TAU / slowest);
        if found_s < SPAN_SHARE * span_s
            || points.len() < POINTS_MIN
            || found_s < TURNS_MIN * turn_s
        {
            return None;
        }
        let (rad_per_s, rad_per_s2, scatter) = line(&points)?;
        let middle_s = f64::midpoint(first.at_s, newest.at_s);
        let (early, late) = points.split_at(points.partition_point(|it| it.at_s < middle_s));
        // Speeds over turns that overlap are not independent: as many count as there are turns.
        let independent = found_s / turn_s;
        let error = scatter.max(TURN_ERROR * rad_per_s);
        Some(Slope {
            span_s: found_s,
            rad_per_s,
            rad_per_s2,
            sigma: error * (12.0 / independent).sqrt() / found_s,
            halves: [line(early)?.1, line(late)?.1],
        })
    }
}

#[derive(Clone, Copy, Debug)]
struct Slope {
    span_s: f64,
    /// Mean speed.
    rad_per_s: f64,
    rad_per_s2: f64,
    /// Its standard uncertainty.
    sigma: f64,
    /// Of both halves of the time: a step, as a miscount makes one, is a slope of one of them only.
    halves: [f64; 2],
}

/// Mean, slope and scatter about the straight line of least squares.
fn line(points: &[Point]) -> Option<(f64, f64, f64)> {
    let count = points.len() as f64;
    let mean_s = points.iter().map(|it| it.at_s).sum::<f64>() / count;
    let mean = points.iter().map(|it| it.rad_per_s).sum::<f64>() / count;
    let products = points.iter().map(|it| {
        let t = it.at_s - mean_s;
        (t * t, t * (it.rad_per_s - mean))
    });
    let (squares, products) = products.fold((0.0, 0.0), |sum, it| (sum.0 + it.0, sum.1 + it.1));
    if points.len() < 2 || squares <= 0.0 {
        return None;
    }
    let slope = products / squares;
    let off = points.iter().map(|it| {
        let off = it.rad_per_s - mean - slope * (it.at_s - mean_s);
        off * off
    });
    Some((mean, slope, (off.sum::<f64>() / count).sqrt()))
}
