//! Step tests and sweeps on the simulated brake in virtual time: the live core runs the list, the store keeps it, and the
//! reduction makes a curve of it.
//!
//! The stand is not quite what its file says: scale, arm, losses, inertia and air are off by what their uncertainties allow.

use std::f64::consts::TAU;
use std::path::Path;

use leverarm::rehearsal::{DEMO_BRAKE, Throttle, model_of, ready, script_of};
use leverarm_analysis::map::{Hold, Shown, map_of_setup};
use leverarm_analysis::reduction::{CurveChoice, ReducedPull, reduce_pull};
use leverarm_live::{Command, Live};
use leverarm_load::absorber::Kind;
use leverarm_software_stand::{
    AnalogSource, Engine, Mixture, Restart, SoftwareStand, StandAir, StandModel, ThrottleBody,
    rad_per_s,
};
use leverarm_store::{PullId, StoreReader};
use leverarm_torque::air::{Air, Correction};
use leverarm_torque::curve::{How, RAD_PER_S_PER_RPM};
use leverarm_torque::engine::Role;
use leverarm_vocabulary::load::{LoadOrder, LoadWord, Step, StepList};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use serde_json::Value;

use crate::virtual_bench::{BenchError, VirtualBench};

/// A person at a brake in virtual time.
#[derive(Debug)]
pub struct BrakeBench {
    /// The bench.
    pub bench: VirtualBench,
    /// How far the throttle is opened against a load that holds, 0 to 1.
    pub opens_to: f64,
    throttle: Throttle,
}

/// The demo's brake, not quite as its file says, from a seed; 0: exactly.
///
/// # Panics
/// When the demo's stand file is no brake.
#[must_use]
pub fn drawn(seed: u64) -> StandModel {
    #[expect(clippy::unwrap_used, reason = "the demo's own file")]
    let stand = leverarm_config::parse("demo_brake.toml", DEMO_BRAKE).unwrap();
    let mut model = model_of(&stand);
    model.engine.scatter_rms = 0.0;
    model.engine.cycles = leverarm_software_stand::CycleVariation::HEALTHY;
    if seed == 0 {
        return model;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut off = |relative: f64| -> f64 {
        let z: f64 = StandardNormal.sample(&mut rng);
        1.0 + relative * z
    };
    #[expect(clippy::unwrap_used, reason = "a brake has a cell")]
    let cell = stand.load_cell.as_ref().unwrap();
    for force in &mut model.forces {
        force.counts_per_n /= off(cell.newton_per_count.relative_standard_uncertainty());
        force.arm_m *= off(cell.arm_m.relative_standard_uncertainty());
    }
    let losses = off(stand
        .losses
        .relative_uncertainty
        .hypot(stand.losses.repeatability));
    model.drum.losses.c0_nm *= losses;
    model.drum.losses.c1_nm_s *= losses;
    model.drum.losses.c2_nm_s2 *= losses;
    model.drum.inertia_kg_m2 *= off(0.01);
    // The air's sensors are off by what the stand file allows; the engine breathes what there is.
    let shown = model.air;
    let air = Air::new(
        shown.pressure_pa + 100.0 * (off(1.0) - 1.0),
        shown.temperature_k + 0.5 * (off(1.0) - 1.0),
        (shown.relative_humidity + 0.03 * (off(1.0) - 1.0)).clamp(0.0, 1.0),
    );
    if let Ok(air) = air {
        model.air.torque_divisor = Correction::Iso1585SparkIgnition.factor(&air).factor;
    }
    // So are those of mixture and fuel; the fuel meter by its scale, as much as is allowed at a middling flow.
    let uncertainty = |role| {
        let mut channels = stand.channels.iter();
        channels
            .find(|it| it.role == Some(role))
            .map_or(0.0, |it| it.uncertainty_si)
    };
    let lambda_off = uncertainty(Role::Lambda) * (off(1.0) - 1.0);
    for analog in &mut model.analogs {
        if analog.source == AnalogSource::Engine(Role::Lambda) {
            analog.at_zero += lambda_off;
        }
    }
    model.fuel_kg_per_turn *= off(uncertainty(Role::FuelFlow) / MIDDLING_FUEL_KG_PER_S);
    model
}

/// What the demo's engine burns at half of its greatest torque and 5500 rev/min.
const MIDDLING_FUEL_KG_PER_S: f64 = 3.5e-4;

impl BrakeBench {
    /// A stand on the demo's brake file, from a folder for its store.
    ///
    /// # Errors
    /// When store or stand refuse.
    pub fn new(folder: &Path, model: StandModel, seed: u64) -> Result<Self, BenchError> {
        Self::on(folder, DEMO_BRAKE, model, seed)
    }

    /// The same with another stand file.
    ///
    /// # Errors
    /// When store or stand refuse.
    pub fn on(
        folder: &Path,
        stand: &str,
        model: StandModel,
        seed: u64,
    ) -> Result<Self, BenchError> {
        let mut bench = VirtualBench::new(folder, stand, model.clone())?;
        *bench.stand() = SoftwareStand::new(model, seed)?;
        let script = ready(script_of(bench.stand_file(), 1));
        bench.stand().ride(Some(script));
        Ok(Self {
            bench,
            opens_to: 1.0,
            throttle: Throttle::Ready,
        })
    }

    /// A person's word; why it is refused.
    ///
    /// # Errors
    /// When the store refuses.
    pub fn word(&mut self, word: LoadWord) -> Result<Result<String, String>, BenchError> {
        let said = self.bench.command(&Command::Load(word))?;
        Ok(said.map_err(|refused| refused.to_string()))
    }

    /// Looks at the page, and works the throttle, until something is so; whether it became so in time.
    ///
    /// # Errors
    /// When the store refuses.
    pub fn until(
        &mut self,
        seconds: f64,
        is_so: impl Fn(&Live) -> bool,
    ) -> Result<bool, BenchError> {
        let mut left_s = seconds;
        while left_s > 0.0 {
            self.bench.wait(0.02)?;
            left_s -= 0.02;
            let live = self.bench.live();
            let wanted = Throttle::by(&live);
            if wanted != self.throttle {
                self.throttle = wanted;
                let script = ready(script_of(self.bench.stand_file(), 1));
                let stand = self.bench.stand();
                match wanted {
                    Throttle::Ready => stand.ride(Some(script)),
                    Throttle::Open(opening) => {
                        stand.ride(None);
                        stand.throttle(opening.min(self.opens_to));
                    }
                }
            }
            if is_so(&live) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Warm, armed, and no load on.
    ///
    /// # Errors
    /// When the store refuses, or it does not get there.
    pub fn ready(&mut self) -> Result<(), BenchError> {
        self.warm()?;
        self.arm()
    }

    fn warm(&mut self) -> Result<(), BenchError> {
        let is_warm = self.until(60.0, |live| {
            live.engine_rpm.is_some_and(|rpm| rpm > 2_800.0)
        })?;
        if is_warm { Ok(()) } else { Err(self.late()) }
    }

    fn arm(&mut self) -> Result<(), BenchError> {
        if self.bench.live().load.is_some_and(|load| load.armed) {
            return Ok(());
        }
        self.word(LoadWord::Arm)?
            .map_err(|why| BenchError::Late { cut: Some(why) })?;
        self.until(1.0, |live| {
            live.load.as_ref().is_some_and(|load| load.armed)
        })?;
        Ok(())
    }

    fn late(&self) -> BenchError {
        BenchError::Late {
            cut: self.bench.core().cut_view().cause,
        }
    }

    /// Warm, armed, at full throttle and held at a speed.
    ///
    /// # Errors
    /// When the store refuses, or it does not get there.
    pub fn held(&mut self, rpm: f64) -> Result<(), BenchError> {
        self.warm()?;
        self.until(20.0, |live| {
            live.engine_rpm.is_some_and(|it| it < 1.1 * rpm)
        })?;
        self.arm()?;
        let order = LoadOrder::speed(rpm * RAD_PER_S_PER_RPM, None);
        self.word(LoadWord::Order(order))?
            .map_err(|why| BenchError::Late { cut: Some(why) })?;
        let is_held = self.until(20.0, |live| {
            let load = live.load.as_ref();
            let pulls = load.and_then(|it| it.demand_nm).is_some_and(|nm| nm > 3.0);
            pulls
                && live
                    .engine_rpm
                    .is_some_and(|it| (it / rpm - 1.0).abs() < 0.01)
        })?;
        if is_held { Ok(()) } else { Err(self.late()) }
    }

    /// Runs a list to its end; whether it came to one.
    ///
    /// # Errors
    /// When the store refuses or the list is.
    pub fn steps(&mut self, list: StepList) -> Result<bool, BenchError> {
        self.word(LoadWord::Steps(list))?
            .map_err(|why| BenchError::Late { cut: Some(why) })?;
        self.until(300.0, |live| {
            live.load.as_ref().is_none_or(|load| load.run.is_none())
        })
    }

    /// Switches the board off and on.
    pub fn restart_board(&mut self) {
        self.bench.stand().restart_board(Restart::Reset);
    }
}

/// How a step test came out beside the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepFound {
    /// Speed, rpm.
    pub rpm: f64,
    /// Torque less the truth, N·m.
    pub off_nm: f64,
    /// Half width of the 95 % band, N·m.
    pub band_nm: f64,
    /// Whether it was held; else it is of a sweep.
    pub is_held: bool,
}

/// A step test on a drawn stand: its points beside the engine's own curve at standard air.
///
/// # Errors
/// When the bench does not get through.
///
/// # Panics
/// When what was stored makes no curve.
pub fn step_test(seed: u64, list: &StepList) -> Result<Vec<StepFound>, BenchError> {
    #[expect(clippy::unwrap_used, reason = "a test's folder")]
    let folder = tempfile::tempdir().unwrap();
    let model = drawn(seed);
    let truth = model.engine.full_throttle.clone();
    let mut it = BrakeBench::new(folder.path(), model, seed)?;
    let first = match list.steps.first() {
        Some(Step::Speed { rad_per_s }) => rad_per_s / RAD_PER_S_PER_RPM,
        _ => 4_000.0,
    };
    it.held(first)?;
    it.steps(list.clone())?;
    it.bench.finish()?;
    let reduced = reduced(folder.path(), 1);
    Ok(reduced
        .curve
        .points
        .iter()
        .filter(|point| point.trustworthy)
        .map(|point| StepFound {
            rpm: point.rpm,
            off_nm: point.torque_nm - truth.torque_nm(point.rpm * RAD_PER_S_PER_RPM),
            band_nm: point.expanded_uncertainty_nm(),
            is_held: matches!(point.how, How::Steady { .. }),
        })
        .collect())
}

/// Where a place of a map is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Where {
    /// At a speed and a throttle position that were held.
    Held,
    /// Between.
    Between,
    /// At one among the others that was not held.
    Missing,
    /// At the edge that is left where a corner was not held.
    BesideCorner,
}

impl Where {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Held, Self::Between, Self::Missing, Self::BesideCorner];
}

/// A place of a map beside the truth.
#[derive(Debug, Clone, Copy)]
pub struct MapFound {
    /// What.
    pub shown: Shown,
    /// Where.
    pub at: Where,
    /// Value less the truth, SI.
    pub off: f64,
    /// Half width of the 95 % band, SI.
    pub half: f64,
}

/// What a map is to show at a speed, rev/min, and a throttle position, SI: torque, lambda, or fuel, in the stand's air.
#[must_use]
pub fn map_truth(engine: &Engine, air: &StandAir, shown: Shown, (rpm, opening): (f64, f64)) -> f64 {
    let omega = rpm * RAD_PER_S_PER_RPM;
    let drag = engine.drag.torque_nm(omega);
    let share = engine.breathing.work_share(opening, omega);
    let full = engine.full_throttle.torque_nm(omega) / air.torque_divisor;
    let nm = share * (full + drag) - drag;
    let lambda = engine.breathing.lambda(opening, omega);
    let dry_kg_per_s = engine.breathing.air_kg_per_s(nm + drag, opening, omega) * air.dry_share();
    match shown {
        Shown::Torque => nm,
        Shown::Lambda => lambda,
        _ => dry_kg_per_s / lambda / engine.breathing.stoichiometric_ratio,
    }
}

/// An engine with another curve, throttle and mixture each time, no stronger than the stand file says. Ranges are plausible
/// ones of ours: intake and exhaust tune a single's curve by some per cent, to and fro within a few thousand rev/min.
fn map_engine(base: &Engine, seed: u64, between: &mut impl FnMut(f64, f64) -> f64) -> Engine {
    let mut engine = base.clone();
    let most_nm = 1.1 * base.full_throttle.peak().torque_nm;
    let engines =
        (0..).map(|n| StandModel::drawn_brake(Kind::EddyCurrent, 1, 1_000 * seed + n).engine);
    let mut curves = engines.map(|it| it.full_throttle);
    #[expect(clippy::unwrap_used, reason = "every second is weaker")]
    let curve = curves.find(|it| it.peak().torque_nm < most_nm).unwrap();
    let (tuned, wide_rpm, at) = (
        between(0.0, 0.04),
        between(2_500.0, 6_000.0),
        between(0.0, TAU),
    );
    engine.full_throttle = curve.scaled(|rpm| 1.0 + tuned * (TAU * rpm / wide_rpm + at).sin());
    let breathing = &mut engine.breathing;
    breathing.throttle = ThrottleBody {
        choking_rad_per_s: rad_per_s(between(7_000.0, 12_000.0)),
        part_lambda: between(0.92, 1.08),
    };
    let first_rpm = between(4_000.0, 5_500.0);
    breathing.mixture = Mixture {
        low: between(0.84, 0.92),
        middle: between(0.88, 1.0),
        high: between(0.86, 0.96),
        first_rpm: (first_rpm, first_rpm + between(1_000.0, 2_500.0)),
        ..breathing.mixture
    };
    engine
}

/// A map of a drawn stand, held at throttle positions and speeds that are drawn too, with an engine that is another each time:
/// torque, lambda and fuel at the holds and between them.
///
/// # Errors
/// When the bench does not get through.
///
/// # Panics
/// When what was stored makes no map.
pub fn map_test(seed: u64) -> Result<Vec<MapFound>, BenchError> {
    #[expect(clippy::unwrap_used, reason = "a test's folder")]
    let folder = tempfile::tempdir().unwrap();
    let mut rng = ChaCha8Rng::seed_from_u64(!seed);
    let mut between = |low: f64, high: f64| {
        let share = f64::from(rng.next_u32()) / f64::from(u32::MAX);
        low + (high - low) * share
    };
    let mut model = drawn(seed);
    model.engine = map_engine(&model.engine, seed, &mut between);
    let (engine, air) = (model.engine.clone(), model.air);
    // Four to six speeds, three or four positions, nobody's grid quite even.
    let mut grid = |count: f64, low: f64, high: f64| -> Vec<f64> {
        let step = (high - low) / (count - 1.0);
        let mut at = low;
        let mut all = Vec::new();
        while at < high + 0.5 * step {
            all.push(at + step * between(-0.15, 0.15));
            at += step;
        }
        all
    };
    let rpms = grid(4.0 + (seed % 3) as f64, 3_500.0, 8_000.0);
    let mut openings = grid(3.0 + (seed % 2) as f64, 0.36, 1.0);
    if let Some(last) = openings.last_mut() {
        *last = 1.0;
    }
    let mut it = BrakeBench::new(folder.path(), model, seed)?;
    it.bench.fit("main jet 105", Value::Null, engine.clone())?;
    for opening in &openings {
        let list = StepList {
            throttle: (*opening < 1.0).then_some(*opening),
            torque_share: 0.01,
            ..speeds(&rpms)
        };
        it.held(rpms[0])?;
        it.steps(list)?;
    }
    it.bench.finish()?;
    #[expect(clippy::unwrap_used, reason = "tests stop at what can't be")]
    let map = map_of_setup(
        &StoreReader::open(folder.path()).unwrap(),
        "main jet 105",
        None,
        CurveChoice::default(),
        |_, _| {},
    )
    .unwrap();
    let mut found = Vec::new();
    let middle = |pair: &[f64]| (0.5 * (pair[0] + pair[1]), false);
    let with_middles = |all: &[f64]| -> Vec<(f64, bool)> {
        let held = all.iter().map(|it| (*it, true));
        held.chain(all.windows(2).map(middle)).collect()
    };
    for shown in [Shown::Torque, Shown::Lambda, Shown::Fuel] {
        for (rpm, at_speed) in with_middles(&rpms) {
            for (opening, at_opening) in with_middles(&openings) {
                let place = (rpm, opening);
                let Some(read) = map.at(shown, place) else {
                    continue;
                };
                found.push(MapFound {
                    shown,
                    at: if at_speed && at_opening {
                        Where::Held
                    } else {
                        Where::Between
                    },
                    off: read.value - map_truth(&engine, &air, shown, place),
                    half: read.expanded(),
                });
            }
        }
    }
    for (x, rpm) in rpms.iter().enumerate() {
        for (y, opening) in openings.iter().enumerate() {
            let Some((at, place)) = left_by(&rpms, &openings, (x, y)) else {
                continue;
            };
            let is_left_out = |hold: &Hold| {
                (hold.rpm / rpm - 1.0).abs() < 0.02 && (hold.throttle - opening).abs() < 0.04
            };
            #[expect(clippy::unwrap_used, reason = "all but one are enough")]
            let map = map.without(is_left_out).unwrap();
            for shown in [Shown::Torque, Shown::Lambda, Shown::Fuel] {
                let Some(read) = map.at(shown, place) else {
                    continue;
                };
                found.push(MapFound {
                    shown,
                    at,
                    off: read.value - map_truth(&engine, &air, shown, place),
                    half: read.expanded(),
                });
            }
        }
    }
    Ok(found)
}

/// Where a map is looked at that lacks the hold at these speeds and openings: there, or at the middle of the edge that a corner
/// leaves, a little inwards; nowhere at the rest of the edge, where a map is silent then.
fn left_by(rpms: &[f64], openings: &[f64], (x, y): (usize, usize)) -> Option<(Where, (f64, f64))> {
    let is_inside = |at: usize, all: &[f64]| at > 0 && at + 1 < all.len();
    let towards = |at: usize, all: &[f64]| {
        let neighbour = if at == 0 { 1 } else { at - 1 };
        all[at] + 0.52 * (all[neighbour] - all[at])
    };
    match (is_inside(x, rpms), is_inside(y, openings)) {
        (true, true) => Some((Where::Missing, (rpms[x], openings[y]))),
        (false, false) => Some((
            Where::BesideCorner,
            (towards(x, rpms), towards(y, openings)),
        )),
        _ => None,
    }
}

/// A stored pull as its curve.
///
/// # Panics
/// When there is none.
#[must_use]
pub fn reduced(folder: &Path, pull: i64) -> ReducedPull {
    #[expect(clippy::unwrap_used, reason = "tests stop at what can't be")]
    let reader = StoreReader::open(folder).unwrap();
    reduce_pull(&reader, PullId::new(pull), CurveChoice::default())
        .unwrap_or_else(|error| panic!("{error}"))
}

/// Speeds in rpm as a list.
#[must_use]
pub fn speeds(rpms: &[f64]) -> StepList {
    StepList {
        steps: rpms
            .iter()
            .map(|rpm| Step::Speed {
                rad_per_s: rpm * RAD_PER_S_PER_RPM,
            })
            .collect(),
        ..StepList::default()
    }
}
