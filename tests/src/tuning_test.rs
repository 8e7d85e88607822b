//! The load's loop tuned on drawn brakes in virtual time, beside what is true of them.

use std::cell::RefCell;
use std::fmt::Write as _;

use leverarm::rehearsal::{DEMO_BRAKE, PART};
use leverarm_analysis::calibration::{CalibrationError, Known, Outcome, load};
use leverarm_load::absorber::{Absorber, Follows, Kind};
use leverarm_software_stand::StandModel;
use leverarm_store::StoreReader;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_values::calibration::{Calibration, Change, LoadTuning};
use leverarm_vocabulary::load::{LoadOrder, LoadWord};

use crate::step_test::{BrakeBench, drawn};
use crate::virtual_bench::BenchError;

/// A demand whose standard deviation is more than this share of its mean swings: a sine from nothing to twice the mean is 0.71, the
/// cycles of an engine make some 0.05 to 0.1.
const SWINGS: f64 = 0.35;

/// A drawn brake, and a stand file that is wrong about it by what a first guess is.
///
/// # Panics
/// When the model has no absorber.
#[must_use]
pub fn drawn_stand(kind: Kind, cylinders: u8, seed: u64) -> (String, StandModel) {
    let brake = StandModel::drawn_brake(kind, cylinders, seed);
    #[expect(clippy::unwrap_used, reason = "a brake has one")]
    let absorber = brake.absorber.clone().unwrap();
    let mut model = drawn(0);
    model.engine.full_throttle = brake.engine.full_throttle.clone();
    model.engine.ripple = brake.engine.ripple;
    model.engine.cycles = brake.engine.cycles;
    model.engine.inertia_kg_m2 = brake.engine.inertia_kg_m2;
    model.engine.drag = brake.engine.drag;
    model.drum.inertia_kg_m2 = brake.drum.inertia_kg_m2;
    model.pickups[0] = brake.pickups[0];
    let ratio = model.ratio;
    let drum_kg_m2 = absorber.task.inertia_kg_m2 - ratio * ratio * model.engine.inertia_kg_m2;
    let believed = absorber_text(
        &absorber.believed,
        absorber.task.engine_torque_nm / ratio / 1.2,
    );
    let begin = DEMO_BRAKE.find("[absorber]").unwrap_or(0);
    let end = DEMO_BRAKE.find("[[channel]]").unwrap_or(0);
    let stand = format!("{}{believed}\n{}", &DEMO_BRAKE[..begin], &DEMO_BRAKE[end..]);
    let stand = stand
        .replace(
            "inertia = \"0.100 +/- 0.001 kg*m^2\"",
            &format!("inertia = \"{drum_kg_m2:.5} +/- 0.001 kg*m^2\""),
        )
        .replace(
            "inertia = \"0.0060 +/- 0.0002 kg*m^2\"",
            &format!(
                "inertia = \"{:.5} +/- 0.0002 kg*m^2\"",
                model.engine.inertia_kg_m2
            ),
        )
        .replace("teeth = 60", &format!("teeth = {}", absorber.task.teeth))
        .replace(
            "strokes = \"four\"",
            &format!("strokes = \"four\"\ncylinders = {cylinders}"),
        )
        // Bore and stroke make it.
        .replace("displacement = \"140 cc\"\n", "");
    model.absorber = Some(absorber);
    (stand, model)
}

/// `[absorber]` of a stand file.
fn absorber_text(it: &Absorber, engine_nm: f64) -> String {
    let rpm = |rad_per_s: f64| rad_per_s / RAD_PER_S_PER_RPM;
    let points: Vec<String> = it
        .full_torque
        .iter()
        .map(|point| format!("[\"{:.1} rpm\", \"{:.3} N*m\"]", rpm(point.0), point.1))
        .collect();
    let mut text = format!(
        "[absorber]\nkind = \"{}\"\nfull_torque = [{}]\nengine_torque = [[\"2500 rpm\", \"{engine_nm:.2} N*m\"], [\"8500 rpm\", \"{engine_nm:.2} N*m\"]]\n\
         output = \"pwm\"\nwithout_power = \"lets go\"\nheat_capacity = \"30 kJ/K\"\nlasting_power = \"15 kW\"\n\
         temperature_max = \"300 degC\"\n",
        it.kind.name(),
        points.join(", "),
    );
    let written = match it.follows {
        Follows::Coil {
            resistance_ohm,
            time_constant_s,
            forcing,
            fast_decay,
        } => write!(
            text,
            "coil_resistance = \"{resistance_ohm} ohm\"\ntime_constant = \"{:.3} ms\"\nforcing = {forcing:.3}\nfast_decay = {fast_decay}\n",
            1e3 * time_constant_s
        ),
        Follows::Valve { stroke_s, fill_s } => write!(
            text,
            "stroke = \"{:.3} ms\"\ntime_constant = \"{:.3} ms\"\n",
            1e3 * stroke_s,
            1e3 * fill_s
        ),
        Follows::Electronics { time_constant_s } => {
            writeln!(text, "time_constant = \"{:.3} ms\"", 1e3 * time_constant_s)
        }
    };
    debug_assert!(written.is_ok(), "a String takes everything");
    text
}

/// A tuning beside what is true.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuning {
    /// What came out.
    pub found: LoadTuning,
    /// A change of torque by the believed map over the acceleration that it makes, as warm as the absorber is, kg·m².
    pub true_inertia_kg_m2: f64,
    /// What the stand file makes of it.
    pub stated_inertia_kg_m2: f64,
    /// Lag of the absorber as it is, s.
    pub true_lag_s: f64,
    /// What the stand file says.
    pub stated_lag_s: f64,
}

impl Tuning {
    /// Whether the expanded uncertainty holds the true inertia.
    #[must_use]
    pub fn holds_inertia(&self) -> bool {
        let found = &self.found.inertia_kg_m2;
        (found.value() - self.true_inertia_kg_m2).abs() <= 2.0 * found.standard_uncertainty()
    }

    /// Whether it holds the true lag.
    #[must_use]
    pub fn holds_lag(&self) -> bool {
        let found = &self.found.lag_s;
        (found.value() - self.true_lag_s).abs() <= 2.0 * found.standard_uncertainty()
    }
}

/// How tuning a stand went.
#[derive(Debug)]
pub enum Tuned {
    /// Something came out.
    Found(Box<Tuning>),
    /// It was given up, in these words.
    GivenUp(String),
    /// The run told nothing.
    Nothing(CalibrationError),
}

/// A run that is over.
#[derive(Debug)]
pub struct Run {
    /// What came out.
    pub outcome: Result<Outcome, CalibrationError>,
    /// Why the load gave it up, if it did.
    pub given_up: Option<String>,
    /// How much warmer than the air the absorber is then, K.
    pub warmer_k: f64,
}

/// Warm, armed, and tuned at a speed.
///
/// # Errors
/// When the bench does not get through.
///
/// # Panics
/// When the store can't be read.
pub fn tuned(
    folder: &std::path::Path,
    (stand, model): (&str, StandModel),
    rpm: f64,
    seed: u64,
) -> Result<Run, BenchError> {
    let mut it = BrakeBench::on(folder, stand, model, seed)?;
    it.ready()?;
    let word = LoadWord::Tune {
        rad_per_s: rpm * RAD_PER_S_PER_RPM,
    };
    it.word(word)?
        .map_err(|why| BenchError::Late { cut: Some(why) })?;
    it.until(80.0, |live| {
        live.load.as_ref().is_none_or(|load| load.tuning.is_none())
    })?;
    // What was read is stored.
    it.until(1.5, |_| false)?;
    let given_up = it.bench.live().load.and_then(|load| load.tuning_given_up);
    let air_k = it.bench.stand().model().air.temperature_k;
    let warmer_k = it.bench.stand().absorber_k() - air_k;
    #[expect(clippy::unwrap_used, reason = "tests stop at what can't be")]
    let reader = StoreReader::open(folder).unwrap();
    #[expect(clippy::unwrap_used, reason = "as above")]
    let pull = reader.pulls().unwrap().last().map(|pull| pull.id);
    let stand = it.bench.stand_file().clone();
    let known = Known {
        stand: &stand,
        calibration: &Calibration::default(),
        now_wall_us: 1,
    };
    let outcome = match pull {
        Some(pull) => load::tune(known, &reader, pull),
        None => Err(CalibrationError::NoRun),
    };
    Ok(Run {
        outcome,
        given_up,
        warmer_k,
    })
}

/// A drawn stand tuned at 4000 rpm.
///
/// # Errors
/// When the bench does not get through.
///
/// # Panics
/// When there is no folder to work in, or the stand no brake.
pub fn tuning(kind: Kind, cylinders: u8, seed: u64) -> Result<Tuned, BenchError> {
    #[expect(clippy::unwrap_used, reason = "a test's folder")]
    let folder = tempfile::tempdir().unwrap();
    let (stand, model) = drawn_stand(kind, cylinders, seed);
    let Run {
        outcome,
        given_up,
        warmer_k,
    } = tuned(folder.path(), (&stand, model.clone()), 4_000.0, seed)?;
    if let Some(why) = given_up {
        return Ok(Tuned::GivenUp(why));
    }
    let found = match outcome {
        Ok(outcome) => match outcome.change {
            Change::LoadTuning(found) => found,
            other => panic!("{other:?}"),
        },
        Err(error) => return Ok(Tuned::Nothing(error)),
    };
    #[expect(clippy::unwrap_used, reason = "a brake has one")]
    let absorber = model.absorber.as_ref().unwrap();
    let (believed, speed) = (&absorber.believed, found.absorber_rad_per_s);
    let level = believed.output_for(found.absorber_nm / believed.full_torque_nm(speed));
    // Steps of the size that the run has, up and down; what a valve takes for them is no lag.
    let size = 0.35 * level;
    let way_s = match believed.follows {
        Follows::Valve { stroke_s, .. } => size * stroke_s,
        _ => 0.0,
    };
    let (low, high) = (level - size, level + size);
    let up = absorber.answer(speed, warmer_k, low, high);
    let down = absorber.answer(speed, warmer_k, high, low);
    let lag_s = 0.5 * (up.1 + down.1) - way_s;
    let change_nm = 0.5 * (up.0 - down.0);
    let believed_nm = believed.torque_nm(speed, high, 1.0) - believed.torque_nm(speed, low, 1.0);
    Ok(Tuned::Found(Box::new(Tuning {
        true_inertia_kg_m2: model.locked_inertia_kg_m2() * believed_nm / change_nm,
        stated_inertia_kg_m2: absorber.task.inertia_kg_m2,
        true_lag_s: lag_s,
        stated_lag_s: absorber.believed.follows.time_constant_s(),
        found,
    })))
}

/// How the load of a stand that is tuned so swings when the absorber is so many times as strong as at its tuning: the
/// loop's gain is raised by that: it swings, or is ended for a reason of the board's; none: it holds. Held at part throttle, and
/// moved a little.
///
/// # Errors
/// When the bench does not get through.
///
/// # Panics
/// When there is no folder to work in, or the stand no brake.
pub fn swings(
    (stand, mut model): (&str, StandModel),
    tuning: &LoadTuning,
    factor: f64,
) -> Result<Option<String>, BenchError> {
    #[expect(clippy::unwrap_used, reason = "a test's folder")]
    let folder = tempfile::tempdir().unwrap();
    #[expect(clippy::unwrap_used, reason = "a brake has one")]
    let absorber = model.absorber.as_mut().unwrap();
    for point in &mut absorber.absorber.full_torque {
        point.1 *= factor;
    }
    // An absorber that strong counts as lost, by what it measures and by what the engine would have to give: neither is looked at.
    absorber.torque_sensor_s = f64::INFINITY;
    absorber.has_output_sensor = false;
    let engine = stand.lines().find(|it| it.starts_with("engine_torque"));
    let stand = stand.replace(
        engine.unwrap_or_default(),
        "engine_torque = [[\"2500 rpm\", \"900 N*m\"], [\"8500 rpm\", \"900 N*m\"]]",
    );
    let mut it = BrakeBench::on(folder.path(), &stand, model, 7)?;
    it.bench.calibrate(&Calibration {
        load_tuning: Some(tuning.clone()),
        ..Calibration::default()
    });
    it.opens_to = PART;
    it.ready()?;
    for rpm in [4_000.0, 4_080.0, 4_000.0] {
        let order = LoadOrder::speed(rpm * RAD_PER_S_PER_RPM, None);
        it.word(LoadWord::Order(order))?
            .map_err(|why| BenchError::Late { cut: Some(why) })?;
        let has_swung = it.until(6.0, |live| {
            live.load
                .as_ref()
                .is_some_and(|load| load.backed_off > 0 || !load.armed)
        })?;
        if has_swung {
            let load = it.bench.live().load.unwrap_or_default();
            let why = load.why.filter(|_| load.backed_off == 0);
            return Ok(Some(why.unwrap_or_else(|| "it swings".to_owned())));
        }
        // The torque is limited, so that the speed may swing by less than a board finds: the demand tells.
        let demands = RefCell::new(Vec::new());
        it.until(3.0, |live| {
            let demand = live.load.as_ref().and_then(|load| load.demand_nm);
            demands.borrow_mut().extend(demand);
            false
        })?;
        let demands = demands.into_inner();
        let mean = demands.iter().sum::<f64>() / demands.len() as f64;
        let squares: f64 = demands.iter().map(|it| (it - mean).powi(2)).sum();
        let deviation = (squares / demands.len() as f64).sqrt();
        if deviation > SWINGS * mean {
            return Ok(Some("its demand swings".to_owned()));
        }
    }
    Ok(None)
}
