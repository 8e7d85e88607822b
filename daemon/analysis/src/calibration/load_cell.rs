//! The load cell, with dead weights up and down.

use leverarm_plot::{Axis, Panel, Plot, Series};
use leverarm_torque::calibration::load_cell::{
    Curve, Direction, Drift, LoadCell, LoadPoint, TimedCounts,
};
use leverarm_torque::calibration::tare::{TareError, tare};
use leverarm_torque::uncertainty::Assessed;
use leverarm_values::calibration::{Change, LoadCellCalibration};
use serde_json::json;

use super::runs::Run;
use super::{CalibrationError, Known, Outcome, plot};

/// Weights and what was read under them.
#[derive(Debug, Clone)]
pub struct Weights {
    /// The board's load-cell channel.
    pub channel: u8,
    /// In the order hung.
    pub points: Vec<LoadPoint>,
    /// Straight line or parabola.
    pub curve: Curve,
    /// Standard uncertainty that all loads share, relative.
    pub load_relative_uncertainty: f64,
    /// Readings under one load that hung for long.
    pub creep: Option<Vec<TimedCounts>>,
}

/// What the load cell does.
#[derive(Debug, Clone)]
pub struct FoundLoadCell {
    /// As fitted.
    pub cell: LoadCell,
    /// How it goes into the record.
    pub record: LoadCellCalibration,
    /// What is to be put in force, and its plot.
    pub outcome: Outcome,
}

/// Fits the law of a load cell.
///
/// # Errors
/// [`CalibrationError::LoadCell`].
pub fn find(known: Known<'_>, weights: Weights) -> Result<FoundLoadCell, CalibrationError> {
    let cell = LoadCell::calibrate(&weights.points, weights.curve)?;
    let creep = weights.creep.map(|readings| cell.creep(&readings));
    let record = LoadCellCalibration {
        made_wall_us: known.now_wall_us,
        channel: weights.channel,
        curve: weights.curve,
        coefficients: cell.fit.coefficients().to_vec(),
        standard_errors: cell.fit.standard_errors(),
        zero_counts: cell.zero_counts,
        span_n: cell.span,
        non_linearity_n: cell.non_linearity,
        hysteresis_n: cell.hysteresis,
        zero_return_n: cell.zero_return,
        points: weights.points,
        load_relative_uncertainty: weights.load_relative_uncertainty,
        creep: creep.transpose()?,
    };
    let earlier = known.calibration.load_cell.as_ref();
    let earlier = earlier.filter(|earlier| earlier.channel == weights.channel);
    let drift = earlier.map(|earlier| cell.drift_since(&earlier.fit()?));
    let drift = drift.transpose()?;
    let verdict = drift.as_ref().map(drift_text);
    let per_count = record.coefficients.get(1).copied().unwrap_or(0.0);
    let summary = format!(
        "{per_count:.6e} N/count over {:.1} N, {} weights",
        record.span_n,
        record.points.len()
    );
    Ok(FoundLoadCell {
        outcome: Outcome {
            json: json!({
                "record": record,
                "r_squared": cell.fit.r_squared(),
                "residual_sd_n": cell.fit.residual_sd(),
                "drift": drift.map(|d| json!({
                    "span_relative": d.span.value,
                    "span_expanded_uncertainty": d.span_expanded_uncertainty,
                    "span_moved": d.span_moved,
                    "zero_n": d.zero,
                })),
                "verdict": verdict,
            }),
            plot: Some(plotted(known, &record, &cell)),
            change: Change::LoadCell(record.clone()),
            summary,
            verdict,
        },
        cell,
        record,
    })
}

/// Whether a load is put on or taken off, by the order: more than before is up, less is down.
#[must_use]
#[expect(clippy::float_cmp, reason = "the same weight as written again")]
pub fn direction_after(points: &[LoadPoint], load: f64) -> Direction {
    match points.last() {
        Some(last) if load < last.load => Direction::Unloading,
        Some(last) if load == last.load => last.direction,
        _ => Direction::Loading,
    }
}

/// The mean reading of a stretch at rest, in counts.
///
/// # Errors
/// It is too short, or not at rest.
pub fn reading(run: &Run, channel: u8) -> Result<Assessed, TareError> {
    let counts = run.forces(channel).into_iter().map(|(_, counts)| counts);
    tare(&counts.collect::<Vec<f64>>())
}

fn drift_text(drift: &Drift) -> String {
    let verdict = if drift.span_moved {
        "CHANGED: the span moved"
    } else {
        "no measurable change of the span"
    };
    let zero = drift
        .zero
        .map_or_else(String::new, |zero| format!("; zero {zero:+.3} N"));
    format!(
        "{verdict} since the last record: {:+.3} %, ± {:.3} % (95 %){zero}",
        100.0 * drift.span.value,
        100.0 * drift.span_expanded_uncertainty
    )
}

fn plotted(known: Known<'_>, record: &LoadCellCalibration, cell: &LoadCell) -> Plot {
    let by = |direction, label: &str, style| {
        Series::line(
            label,
            record
                .points
                .iter()
                .zip(cell.fit.residuals())
                .filter(|(point, _)| point.direction == direction)
                .map(|(point, residual)| (point.load, *residual))
                .collect(),
            style,
        )
    };
    let loads: Vec<(f64, f64)> = record.points.iter().map(|p| (p.load, p.counts)).collect();
    let panels = vec![
        Panel::of(
            Axis::new("Reading", "counts"),
            vec![Series::line("readings", loads, 0)],
        ),
        Panel::of(
            Axis::new("Off the fit", "N").with_zero(),
            vec![
                by(Direction::Loading, "up", 1),
                by(Direction::Unloading, "down", 2),
            ],
        ),
    ];
    let x = Axis::new("Load", "N");
    plot(
        known.stand,
        "Load cell against dead weights",
        x,
        panels,
        Vec::new(),
    )
}
