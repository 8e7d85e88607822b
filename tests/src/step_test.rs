//! Step tests and sweeps on the simulated brake in virtual time: the live core runs the list, the store keeps it, and the
//! reduction makes a curve of it.
//!
//! The stand is not quite what its file says: scale, arm, losses, inertia and air are off by what their uncertainties allow.

use std::path::Path;

use leverarm::rehearsal::{DEMO_BRAKE, Throttle, model_of, ready, script_of};
use leverarm_analysis::reduction::{CurveChoice, ReducedPull, reduce_pull};
use leverarm_live::{Command, Live};
use leverarm_software_stand::{Restart, SoftwareStand, StandModel};
use leverarm_store::{PullId, StoreReader};
use leverarm_torque::air::{Air, Correction};
use leverarm_torque::curve::{How, RAD_PER_S_PER_RPM};
use leverarm_vocabulary::load::{LoadOrder, LoadWord, Step, StepList};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

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
    model
}

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
        let order = LoadOrder::Speed {
            rad_per_s: rpm * RAD_PER_S_PER_RPM,
            rad_per_s2: None,
        };
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
