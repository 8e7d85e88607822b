//! The load's loop, from a kept run in which the host switched the output to and fro.

use std::sync::Arc;

use leverarm_config::{Pickup, Shaft, Stand};
use leverarm_filters::teeth::ToothTrain;
use leverarm_load::absorber::Absorber;
use leverarm_load::controller::Settings;
use leverarm_load::identify::{
    Estimate, Identified, MeanSpeed, NotIdentified, OutputOrder, RelayRun, model_u,
};
use leverarm_load::settings::settings;
use leverarm_load::tuning::{BoardLoop, Margins};
use leverarm_plot::{Axis, Panel, Plot, Series};
use leverarm_protocol::{LoadMode, LoadStatus};
use leverarm_store::{PullId, StoreReader};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::uncertainty::{Assessed, Measured};
use leverarm_values::calibration::{Calibration, Change, LoadTuning, load_basis};
use leverarm_values::{CalibratedStand, LoadSettings};
use serde_json::json;

use super::runs::Run;
use super::{CalibrationError, Known, Outcome, plot, shown};
use crate::in_force::KeptStands;
use crate::local_time::local_text;
use crate::replay::kept_hello;

/// Least gain margin that is put in force, and least phase margin, rad: below them the loop is made softer. The rule's own are
/// 2.96 and 0.82 (common practice, no source: not below 2 and 35°).
const MARGINS_MIN: (f64, f64) = (2.2, 0.61);
/// By how much it is made softer at a time, and how soft it may get.
const SOFTER: (f64, f64) = (0.9, 0.25);
/// Gains that are tried for the margin, each so many times the one before.
const GAINS: i32 = 250;
const GAIN_STEP: f64 = 1.01;
/// Outputs that differ by less are one, as a share.
const SAME_OUTPUT: f64 = 0.005;

/// Why a run tells nothing of the load.
#[derive(Debug, thiserror::Error)]
pub enum LoadTuningError {
    /// It is something else.
    #[error("pull {pull} is no run for tuning the load: its output was never switched")]
    NoRun {
        /// Which.
        pull: PullId,
    },
    /// The stand has no such loop.
    #[error(transparent)]
    NoLoad(#[from] leverarm_config::NoLoad),
    /// The board says nothing of one.
    #[error("the board of that run holds no load: it lists no loop")]
    NoLoop,
    /// Nothing was found in it.
    #[error(transparent)]
    NotIdentified(#[from] NotIdentified),
    /// No gains stand.
    #[error("no gains leave margins: with the softest the gain margin is {gain:.1} and the phase margin {phase_degrees:.0}°, expected {:.1} and {:.0}°; a quicker valve or driver is needed", MARGINS_MIN.0, MARGINS_MIN.1.to_degrees())]
    NoMargins {
        /// Gain margin.
        gain: f64,
        /// Phase margin, °.
        phase_degrees: f64,
    },
}

/// Tunes the loop from a kept run.
///
/// # Errors
/// [`CalibrationError`].
pub fn tune(
    known: Known<'_>,
    reader: &StoreReader,
    id: PullId,
) -> Result<Outcome, CalibrationError> {
    let name = format!("pull {id}");
    let failed = |source: LoadTuningError| CalibrationError::in_run(&name, source);
    let pull = reader
        .pull(id)
        .map_err(|error| CalibrationError::in_run(&name, error))?;
    let then = KeptStands::new(Some(known.stand.clone()))
        .at(reader, Some(pull.stand), pull.started_wall_us)
        .map_err(|error| CalibrationError::in_run(&name, error))?;
    let then = then
        .unwrap_or_else(|| Arc::new(CalibratedStand::new(known.stand.clone(), known.calibration)));
    let run =
        Run::of_pull(reader, id, None).map_err(|error| CalibrationError::in_run(&name, error))?;
    let connection = reader
        .connection(pull.connection)
        .map_err(|error| CalibrationError::in_run(&name, error))?;
    let rates = kept_hello(&connection, |it| Some((it.load_rate_hz()?, it.tick_hz)));
    let (rate_hz, tick_hz) = rates
        .flatten()
        .ok_or_else(|| failed(LoadTuningError::NoLoop))?;
    let set = then
        .load_settings(rate_hz, tick_hz)
        .map_err(|error| failed(error.into()))?;
    let on_absorber = |it: &&Pickup| it.channel == 0 && it.shaft == Shaft::Drum;
    let pickup = then
        .stand()
        .pickups
        .iter()
        .find(on_absorber)
        .ok_or(CalibrationError::NoDrumPickup)?;
    let switched = relay_run(&run, pickup, &set.made)
        .ok_or_else(|| failed(LoadTuningError::NoRun { pull: id }))?;
    let rad_per_s = switched.speeds.iter().map(|it| it.rad_per_s).sum::<f64>()
        / switched.speeds.len().max(1) as f64;
    let delay_s = BoardLoop {
        set: &set.made,
        inertia_kg_m2: set.task.inertia_kg_m2,
        lag_s: 0.0,
        map_ratio: 1.0,
        rad_per_s,
    }
    .delay_s();
    let found = switched
        .clone()
        .identify(&set.absorber, &set.made, delay_s)
        .map_err(|error| failed(error.into()))?;
    let tuned = Tuned::of(&set, &found).map_err(failed)?;
    let record = tuned.record(known.now_wall_us, then.stand(), &found, name);
    let ratio = then.model().engine_per_drum.value();
    let rpm = found.rad_per_s * ratio / RAD_PER_S_PER_RPM;
    let summary = format!(
        "{}; at {rpm:.0} rpm and {} at the crank, {} switches",
        text(&record),
        known.stand.units.torque.text(found.torque_nm / ratio, 1),
        found.switches,
    );
    Ok(Outcome {
        verdict: Some(tuned.verdict(&set, &found)),
        json: json!({ "record": record, "loop_delay_s": delay_s, "scatter_rad_per_s": found.scatter_rad_per_s, "left_out": found.left_out }),
        plot: Some(plotted(known, &switched, ratio)),
        change: Change::LoadTuning(record),
        summary,
    })
}

/// A tuning in words.
#[must_use]
pub fn text(tuned: &LoadTuning) -> String {
    let degrees = Measured::new(
        tuned.phase_margin_rad.to_degrees(),
        tuned.phase_margin_uncertainty_rad.to_degrees(),
    );
    let gain = Measured::new(tuned.gain_margin, tuned.gain_margin_uncertainty);
    format!(
        "inertia {}, lag {}; leaves a gain margin of {} and a phase margin of {}",
        shown(&tuned.inertia_kg_m2.measured, "kg·m²"),
        shown(&milli(&tuned.lag_s.measured), "ms"),
        shown(&gain, "times"),
        shown(&degrees, "°"),
    )
}

/// What of a stand's tuning is in force now, in words; none without an absorber.
#[must_use]
pub fn in_force_text(stand: &Stand, calibration: &Calibration, now_wall_us: i64) -> Option<String> {
    let kind = stand.absorber.as_ref()?.absorber.kind;
    let by_file = "the board's gains follow from drum.inertia and [absorber], which may be out";
    let Some((tuning, changed)) = calibration.load_tuning_of(stand) else {
        let measured = match model_u(kind) {
            Ok(_) => "`leverarm load tune` measures them".to_owned(),
            Err(why) => why.to_string(),
        };
        return Some(format!("not tuned: {by_file}; {measured}"));
    };
    let days = (now_wall_us - tuning.made_wall_us) / 86_400_000_000;
    let age = match days {
        ..=0 => "less than a day old".to_owned(),
        1 => "a day old".to_owned(),
        days => format!("{days} days old"),
    };
    let made = format!(
        "made {} ({age}) from {}",
        local_text(tuning.made_wall_us),
        tuning.runs.join(", ")
    );
    if !changed.is_empty() {
        return Some(format!(
            "the tuning {made} is no longer this stand's, and not in force: the stand file has another {}; {by_file} until \
             it is tuned again",
            changed.join(", ")
        ));
    }
    let ratio = stand.drive.engine_per_drum.value;
    Some(format!(
        "tuned, {made}, at {:.0} rpm and {} at the crank: {}",
        tuning.absorber_rad_per_s * ratio / RAD_PER_S_PER_RPM,
        stand.units.torque.text(tuning.absorber_nm / ratio, 1),
        text(tuning)
    ))
}

fn milli(seconds: &Measured) -> Measured {
    Measured::new(1e3 * seconds.value, 1e3 * seconds.standard_uncertainty)
}

/// Margins at the torque and speed of a run, with the inertia and lag that are real. The gain's is how many times as strong an
/// absorber may be: a stronger one gives the same torque at less output, where the board's map has another slope.
fn margins_of(
    set: &Settings,
    absorber: &Absorber,
    found: &Identified,
    (inertia_kg_m2, lag_s): (f64, f64),
) -> Option<Margins> {
    let share = found.torque_nm / absorber.full_torque_nm(found.rad_per_s);
    let slope =
        |gain: f64| set.map_ratio(absorber, found.rad_per_s, absorber.output_for(share / gain));
    let margins = BoardLoop {
        set,
        inertia_kg_m2,
        lag_s,
        map_ratio: slope(1.0),
        rad_per_s: found.rad_per_s,
    }
    .margins()?;
    let most = margins.gain * slope(1.0);
    let gain = (0..GAINS)
        .map(|step| GAIN_STEP.powi(step))
        .find(|gain| gain * slope(*gain) >= most);
    Some(Margins {
        gain: gain.filter(|_| margins.gain > 1.0).unwrap_or(margins.gain),
        ..margins
    })
}

/// Speeds, orders and outputs of a run; none where the output was never ordered.
fn relay_run(run: &Run, pickup: &Pickup, set: &Settings) -> Option<RelayRun> {
    let train = run.train(pickup);
    let tick_hz = run.recording.tick_hz;
    let time_s = |tick: u64| (tick as f64 - train.origin_tick as f64) / tick_hz;
    let statuses: Vec<&(u64, LoadStatus, bool)> = run
        .recording
        .loads
        .iter()
        .filter(|(tick, status, _)| run.ticks.contains(tick) && status.mode == LoadMode::Output)
        .collect();
    let mut orders: Vec<OutputOrder> = Vec::new();
    let mut before: Option<(f64, bool)> = None;
    for &&(tick, status, was_asked) in &statuses {
        let at_s = time_s(tick);
        let last = before.replace((at_s, was_asked));
        let output = set.output_told(i64::from(status.torque), i64::from(status.speed));
        let Some(output) = output else { continue };
        let same = |it: &OutputOrder| (output - it.output).abs() < SAME_OUTPUT * it.output;
        if orders.last().is_some_and(same) {
            continue;
        }
        // The board tells of its load at once when it is told something, and obeys from that step on, though what it tells
        // may be of the step before; and it tells of it now and then by itself.
        let last_s = last.map(|it| it.0);
        let (at_s, or_s) = match last {
            Some((last_s, true)) if !was_asked => (last_s, Some(at_s)),
            _ => (at_s, last_s),
        };
        orders.push(OutputOrder { at_s, or_s, output });
    }
    let whole = |value: i32| f64::from(value) / 65_536.0;
    let told = statuses
        .iter()
        .map(|it| (time_s(it.0), whole(it.1.output)))
        .collect();
    let end_s = statuses.last().map(|it| time_s(it.0))?;
    let speeds = means(&train, set.window_teeth, pickup.teeth);
    let begin_s = orders.first()?.at_s;
    let speeds: Vec<MeanSpeed> = speeds
        .into_iter()
        .filter(|it| it.from_s >= begin_s && it.to_s <= end_s)
        .collect();
    Some(RelayRun {
        speeds,
        orders,
        told,
    })
}

/// Mean speeds over so many teeth each.
fn means(train: &ToothTrain, window_teeth: i64, teeth: u16) -> Vec<MeanSpeed> {
    let angle = std::f64::consts::TAU * window_teeth as f64 / f64::from(teeth);
    let (mut means, mut at) = (Vec::new(), 0);
    while let (Some(&first), Some(&from_s)) = (train.index.get(at), train.time_s.get(at)) {
        match train.index.binary_search(&(first + window_teeth)) {
            Ok(next) => {
                let to_s = train.time_s[next];
                let tooth =
                    |index: i64| u16::try_from(index.rem_euclid(i64::from(teeth))).unwrap_or(0);
                means.push(MeanSpeed {
                    from_s,
                    to_s,
                    rad_per_s: angle / (to_s - from_s),
                    teeth: (tooth(first), tooth(first + window_teeth)),
                    turned_rad: angle,
                });
                at = next;
            }
            Err(_missed) => at += 1,
        }
    }
    means
}

/// Gains that follow, and what they leave.
struct Tuned {
    firmness: f64,
    margins: Margins,
    gain_u: f64,
    phase_u_rad: f64,
}

impl Tuned {
    /// By the rule, and softer where that leaves too little.
    fn of(then: &LoadSettings, found: &Identified) -> Result<Self, LoadTuningError> {
        let mut absorber = then.absorber.clone();
        absorber.follows = absorber.follows.with_lag(found.lag_s.value);
        let mut task = then.task;
        task.inertia_kg_m2 = found.inertia_kg_m2.value;
        task.firmness = 1.0;
        loop {
            let set = settings(&absorber, &task);
            let left = |inertia_kg_m2: f64, lag_s: f64| {
                margins_of(&set, &absorber, found, (inertia_kg_m2, lag_s))
            };
            let (inertia, lag) = (found.inertia_kg_m2, found.lag_s);
            let at = left(inertia.value, lag.value);
            let is_enough =
                at.is_some_and(|it| it.gain >= MARGINS_MIN.0 && it.phase_rad >= MARGINS_MIN.1);
            if let (Some(margins), true) = (at, is_enough) {
                let moved = [
                    left(inertia.value + inertia.uncertainty, lag.value),
                    left(inertia.value, lag.value + lag.uncertainty),
                ];
                let spread = |of: fn(&Margins) -> f64| {
                    let each = moved
                        .iter()
                        .flatten()
                        .map(|it| (of(it) - of(&margins)).powi(2));
                    each.sum::<f64>().sqrt()
                };
                return Ok(Self {
                    firmness: task.firmness,
                    margins,
                    gain_u: spread(|it| it.gain),
                    phase_u_rad: spread(|it| it.phase_rad),
                });
            }
            if task.firmness < SOFTER.1 {
                return Err(LoadTuningError::NoMargins {
                    gain: at.map_or(0.0, |it| it.gain),
                    phase_degrees: at.map_or(0.0, |it| it.phase_rad.to_degrees()),
                });
            }
            task.firmness *= SOFTER.0;
        }
    }

    fn record(
        &self,
        made_wall_us: i64,
        stand: &Stand,
        found: &Identified,
        name: String,
    ) -> LoadTuning {
        let assessed =
            |it: Estimate| Assessed::type_a(Measured::new(it.value, it.uncertainty), f64::INFINITY);
        LoadTuning {
            made_wall_us,
            absorber: stand
                .absorber
                .as_ref()
                .map_or("", |it| it.absorber.kind.name())
                .to_owned(),
            inertia_kg_m2: assessed(found.inertia_kg_m2),
            lag_s: assessed(found.lag_s),
            firmness: self.firmness,
            absorber_rad_per_s: found.rad_per_s,
            absorber_nm: found.torque_nm,
            gain_margin: self.margins.gain,
            gain_margin_uncertainty: self.gain_u,
            phase_margin_rad: self.margins.phase_rad,
            phase_margin_uncertainty_rad: self.phase_u_rad,
            runs: vec![name],
            basis: load_basis(stand),
        }
    }

    /// Beside what the board was set for in the run.
    fn verdict(&self, then: &LoadSettings, found: &Identified) -> String {
        let inertia = found.inertia_kg_m2.value / then.task.inertia_kg_m2 - 1.0;
        let stated_s = then.absorber.follows.time_constant_s();
        let real = (found.inertia_kg_m2.value, found.lag_s.value);
        let before = margins_of(&then.made, &then.absorber, found, real);
        let before = before.map_or_else(
            || "the settings until now leave no margin: they swing".to_owned(),
            |it| {
                format!(
                    "the settings until now leave {:.1} and {:.0}°",
                    it.gain,
                    it.phase_rad.to_degrees()
                )
            },
        );
        let softer = if self.firmness < 1.0 {
            format!(
                "; made softer than the rule has it ({:.2}), for margins",
                self.firmness
            )
        } else {
            String::new()
        };
        let left_out = match found.left_out {
            0 => String::new(),
            count => {
                format!("; misfires or teeth out of place in {count} changes of speed, left out")
            }
        };
        format!(
            "inertia {:+.1} % and lag {:+.1} ms from what the board was set for; {before}{softer}{left_out}",
            100.0 * inertia,
            1e3 * (found.lag_s.value - stated_s)
        )
    }
}

fn plotted(known: Known<'_>, run: &RelayRun, ratio: f64) -> Plot {
    let begin_s = run.orders.first().map_or(0.0, |it| it.at_s);
    let line = |label: &str, points: Vec<(f64, f64)>| Series::line(label, points, 0);
    let speeds = run.speeds.iter().map(|it| {
        (
            0.5 * (it.from_s + it.to_s) - begin_s,
            it.rad_per_s * ratio / RAD_PER_S_PER_RPM,
        )
    });
    let ends = run
        .orders
        .iter()
        .skip(1)
        .map(|it| it.at_s)
        .chain(run.speeds.last().map(|it| it.to_s));
    let outputs = run.orders.iter().zip(ends).flat_map(|(order, end_s)| {
        [
            (order.at_s - begin_s, 100.0 * order.output),
            (end_s - begin_s, 100.0 * order.output),
        ]
    });
    let panels = vec![
        Panel::of(
            Axis::new("Engine speed", "rpm"),
            vec![line("speed", speeds.collect())],
        ),
        Panel::of(
            Axis::new("Output", "%"),
            vec![line("output", outputs.collect())],
        ),
    ];
    plot(
        known.stand,
        "Run for tuning the load",
        Axis::new("Time", "s"),
        panels,
        Vec::new(),
    )
}
