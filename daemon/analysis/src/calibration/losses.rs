//! What bearings, chain and air take, from coast-downs.

use leverarm_config::Shaft;
use leverarm_filters::teeth::ToothTrain;
use leverarm_plot::{Axis, Panel, Plot, Series};
use leverarm_torque::calibration::coast::{coast_down, coast_speeds};
use leverarm_torque::calibration::losses::{LossChange, LossError, Losses, Terms};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::turns::turn_speeds;
use leverarm_torque::uncertainty::Measured;
use leverarm_values::calibration::{Change, LossCalibration};
use serde_json::json;

use super::runs::{Run, pickup_on};
use super::{CalibrationError, Known, Outcome, plot};
use crate::reduction::channel_mean;

/// What a person says of the coast-downs.
#[derive(Debug, Clone, Copy, Default)]
pub struct Choice {
    /// How the loss goes with speed; the richest that the runs carry when left out.
    pub terms: Option<Terms>,
    /// Temperature of the bearings, K; that of their channel when left out.
    pub temperature: Option<Measured>,
}

/// The losses of the stand.
#[derive(Debug, Clone)]
pub struct FoundLosses {
    /// Over all runs.
    pub losses: Losses,
    /// How they go into the record.
    pub record: LossCalibration,
    /// Runs in which the engine turned with the drum, so that its drag is in the losses.
    pub with_engine: Vec<String>,
    /// What is to be put in force, and its plot.
    pub outcome: Outcome,
}

/// Losses from the coast-downs of runs.
///
/// # Errors
/// [`CalibrationError`].
pub fn find(
    known: Known<'_>,
    runs: &[Run],
    choice: Choice,
) -> Result<FoundLosses, CalibrationError> {
    let inertia = known.model().drum_inertia_kg_m2;
    let inertia = inertia.ok_or(CalibrationError::NoInertia)?.measured;
    let pickup = known.drum_pickup()?;
    let mut fitted = Vec::new();
    let mut with_engine = Vec::new();
    for run in runs {
        let train = run.train(pickup);
        let range = coast_down(&train, u32::from(pickup.teeth))
            .map_err(|error| CalibrationError::in_run(&run.name, error))?;
        let coasting = train.part(range);
        if engine_turns(known, run, &coasting) {
            with_engine.push(run.name.clone());
        }
        let losses = of_coast(known, run, &coasting, inertia, choice);
        fitted.push(losses.map_err(|error| CalibrationError::in_run(&run.name, error))?);
    }
    let combined = Losses::combined(&fitted)?;
    let losses = combined.losses;
    let record = LossCalibration {
        made_wall_us: known.now_wall_us,
        figures: losses.figures(),
        repeatability: combined.repeatability,
        runs: runs.iter().map(|run| run.name.clone()).collect(),
    };
    let earlier = known.calibration.losses.as_ref();
    let earlier = earlier.map(LossCalibration::losses).transpose()?;
    let change = earlier.as_ref().and_then(|it| losses.change_since(it));
    let verdict = change.as_ref().map(change_text);
    let (low, high) = record.figures.omega_range_rad_per_s;
    let middle = 0.5 * (low + high);
    let summary = format!(
        "{:.3} N·m at {:.0} rpm of the drum, from {}",
        losses.torque_nm(middle),
        middle / RAD_PER_S_PER_RPM,
        record.runs.join(", ")
    );
    Ok(FoundLosses {
        outcome: Outcome {
            json: json!({
                "record": record,
                "change": change.map(|c| json!({
                    "omega_rad_per_s": c.omega_rad_per_s,
                    "difference_nm": c.difference_nm,
                    "band_nm": c.band_nm,
                    "changed": c.changed,
                    "temperature_change_k": c.temperature_change_k,
                })),
                "verdict": verdict,
            }),
            plot: Some(plotted(known, &losses, earlier.as_ref(), &record)),
            change: Change::Losses(record.clone()),
            summary,
            verdict,
        },
        losses,
        record,
        with_engine,
    })
}

fn of_coast(
    known: Known<'_>,
    run: &Run,
    coasting: &ToothTrain,
    inertia_kg_m2: Measured,
    choice: Choice,
) -> Result<Losses, LossError> {
    let stand = known.stand;
    let teeth = pickup_on(stand, Shaft::Drum).map_or(1, |pickup| u32::from(pickup.teeth));
    let samples = coast_speeds(coasting, teeth);
    let measured = stand
        .losses
        .bearing_channel
        .and_then(|id| channel_mean(stand, id, &run.recording).ok());
    let temperature_k = choice.temperature.or(measured).map(|t| t.value);
    let fit = |terms| Losses::from_speeds(&samples, inertia_kg_m2, terms, temperature_k);
    if let Some(terms) = choice.terms {
        return fit(terms);
    }
    // A short coast does not tell all terms apart: the richest model that it carries is taken.
    let poor = |error: &LossError| {
        matches!(
            error,
            LossError::NotIdentifiable { .. } | LossError::Fit(_) | LossError::Negative { .. }
        )
    };
    let mut found = fit(Terms::Quadratic);
    for terms in [Terms::Linear, Terms::Constant] {
        if found.as_ref().is_err_and(poor) {
            found = fit(terms);
        }
    }
    found
}

/// With the clutch engaged the engine's drag would count as the stand's.
fn engine_turns(known: Known<'_>, run: &Run, coasting: &ToothTrain) -> bool {
    let stand = known.stand;
    let (Some(engine), Some(from), Some(to)) = (
        pickup_on(stand, Shaft::Engine),
        coasting.time_s.first(),
        coasting.time_s.last(),
    ) else {
        return false;
    };
    let train = run.train(engine);
    let shift = (train.origin_tick as f64 - coasting.origin_tick as f64) / run.recording.tick_hz;
    let engine_speeds = turn_speeds(&train, u32::from(engine.teeth), 0.0, 0.1);
    let drum = pickup_on(stand, Shaft::Drum).map_or(1, |p| u32::from(p.teeth));
    let drum_speeds = turn_speeds(coasting, drum, 0.0, 0.1);
    let ratio = known.model().engine_per_drum.value();
    let (mut together, mut compared) = (0, 0);
    for speed in engine_speeds {
        let at = speed.middle_s() + shift;
        if !(*from..=*to).contains(&at) {
            continue;
        }
        let drum = drum_speeds.iter().min_by(|a, b| {
            (a.middle_s() - at)
                .abs()
                .total_cmp(&(b.middle_s() - at).abs())
        });
        if let Some(drum) = drum {
            compared += 1;
            let share = speed.omega_rad_per_s / (ratio * drum.omega_rad_per_s);
            together += usize::from((share - 1.0).abs() < 0.02);
        }
    }
    compared > 4 && 2 * together > compared
}

fn change_text(change: &LossChange) -> String {
    let at = format!(
        "at {:.0} rpm of the drum: {:+.3} N·m against the last record, band ± {:.3} N·m (95 %)",
        change.omega_rad_per_s / RAD_PER_S_PER_RPM,
        change.difference_nm,
        change.band_nm
    );
    let verdict = if change.changed {
        "CHANGED: bearings, chain or a dragging brake; look before the next pull"
    } else {
        "no measurable change"
    };
    match change.temperature_note() {
        Some(note) => format!("{verdict}. {at}. {note}"),
        None => format!("{verdict}. {at}"),
    }
}

fn plotted(
    known: Known<'_>,
    losses: &Losses,
    earlier: Option<&Losses>,
    record: &LossCalibration,
) -> Plot {
    let series = |losses: &Losses, label: String, style| {
        let (low, high) = losses.omega_range_rad_per_s();
        let grid = (0..=100_u8).map(|i| low + (high - low) * f64::from(i) / 100.0);
        let mut series = Series {
            label,
            style,
            ..Series::default()
        };
        let mut band = Vec::new();
        for omega in grid {
            let (rpm, torque) = (omega / RAD_PER_S_PER_RPM, losses.torque_nm(omega));
            series.points.push((rpm, torque));
            band.push((
                rpm,
                torque - losses.band_nm(omega),
                torque + losses.band_nm(omega),
            ));
        }
        series.band = Some(band);
        series
    };
    let mut curves = vec![series(losses, "now".to_owned(), 0)];
    curves.extend(earlier.map(|earlier| series(earlier, "last record".to_owned(), 1)));
    let panel = Panel::of(
        Axis::new("Loss torque at the drum", "N·m").with_zero(),
        curves,
    );
    let note = format!("from {}; bands: 95 %", record.runs.join(", "));
    let x = Axis::new("Drum speed", "rpm");
    plot(
        known.stand,
        "Losses from coast-downs",
        x,
        vec![panel],
        vec![note],
    )
}
