//! Curves for the page, kept as long as what they are made from stays the same. Never the only copy.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

use axum::body::Bytes;
use axum::http::StatusCode;
use leverarm_torque::curve::{CurvePoint, Peak, Shuffle};
use leverarm_torque::engine::Reading;
use serde::Serialize;

use super::api::figure_word;
use super::problem::Problem;
use leverarm_analysis::engine::{EngineFigure, EnginePull, engine_pull};
use leverarm_analysis::reduction::{CurveChoice, CyclesBody, ReducedPull, reduce_recorded};
use leverarm_analysis::setup_correction;
use leverarm_store::{PullId, PullRecord, PullState, StoreReader};

/// Curves kept, some tens of kilobytes each; the one made first goes first.
const CURVES_MAX: usize = 64;

#[derive(Debug, Default)]
pub(super) struct CurveCache {
    kept: Mutex<VecDeque<(PullRecord, Bytes)>>,
    /// Held while a curve is made, so that ten pages that ask for the same one make it once.
    making: Mutex<()>,
}

#[derive(Serialize)]
struct CurveBody<'a> {
    id: PullId,
    setup: Option<&'a str>,
    correction: String,
    air_factor: f64,
    air_factor_within_range: Option<bool>,
    rpm: Vec<f64>,
    torque_nm: Vec<Option<f64>>,
    power_w: Vec<Option<f64>>,
    expanded_uncertainty_nm: Vec<Option<f64>>,
    resolution_rpm: Vec<Option<f64>>,
    cycles: Option<CyclesBody<'a>>,
    shuffle: Option<Shuffle>,
    said: Vec<String>,
    peak_torque_nm: Option<f64>,
    peak_torque_rpm: Option<f64>,
    peak_power_w: Option<f64>,
    peak_power_rpm: Option<f64>,
    remarks: &'a [String],
    figures: Vec<FigureBody<'a>>,
    channels: Vec<FigureBody<'a>>,
}

/// A figure of the engine, or a channel, at the speeds of the curve.
#[derive(Serialize)]
struct FigureBody<'a> {
    name: &'a str,
    quantity: &'static str,
    unit: &'static str,
    values: Vec<Option<f64>>,
    expanded_uncertainty: Vec<Option<f64>>,
}

impl CurveCache {
    /// The curve of a pull as JSON.
    pub(super) fn curve(&self, reader: &StoreReader, id: PullId) -> Result<Bytes, Problem> {
        let pull = setup_correction::pull(reader, id)?;
        let no_curve = match pull.state {
            PullState::Running => Some("is under way: it has a curve when it is over"),
            PullState::Tuning => Some("is a run for tuning the load, and has no curve"),
            _ => None,
        };
        if let Some(why) = no_curve {
            return Err(Problem::new(
                StatusCode::CONFLICT,
                format!("pull {id} {why}"),
            ));
        }
        if let Some(body) = self.find(&pull) {
            return Ok(body);
        }
        let _making = self.making.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(body) = self.find(&pull) {
            return Ok(body);
        }
        let (reduced, recording) = reduce_recorded(reader, id, CurveChoice::default())?;
        let engine = engine_pull(&reduced, &recording);
        let json = serde_json::to_vec(&body_of(&reduced, &engine)).map_err(Problem::internal)?;
        let body = Bytes::from(json);
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        kept.retain(|(other, _)| other.id != id);
        if kept.len() == CURVES_MAX {
            kept.pop_front();
        }
        kept.push_back((pull, body.clone()));
        Ok(body)
    }

    fn find(&self, pull: &PullRecord) -> Option<Bytes> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let found = kept.iter().find(|(other, _)| other == pull)?;
        Some(found.1.clone())
    }
}

fn body_of<'a>(reduced: &'a ReducedPull, engine: &'a EnginePull) -> CurveBody<'a> {
    let curve = &reduced.curve;
    let column = |value: &dyn Fn(&CurvePoint) -> f64| {
        let shown = |point: &CurvePoint| point.trustworthy.then(|| value(point));
        curve.points.iter().map(shown).collect()
    };
    let parts = |peak: Option<Peak>| peak.map(|peak| (peak.value, peak.rpm)).unzip();
    let (peak_torque_nm, peak_torque_rpm) = parts(curve.peak_torque);
    let (peak_power_w, peak_power_rpm) = parts(curve.peak_power);
    let points: Vec<&CurvePoint> = curve.points.iter().collect();
    let figures = EngineFigure::ALL.iter().filter_map(|figure| {
        let readings = engine.figure_at(figure, &points);
        let quantity = figure_word(figure.kind);
        FigureBody::of(figure.name, quantity, figure.si_unit(), &readings)
    });
    let channels = engine.channels.iter().filter_map(|channel| {
        let readings = engine.channel_at(channel, &points);
        let (quantity, unit) = (channel.quantity.word(), channel.quantity.si_unit());
        FigureBody::of(&channel.name, quantity, unit, &readings)
    });
    let said = curve.engine_words().into_iter();
    let said = said.map(|(what, words)| format!("{what}: {words}"));
    CurveBody {
        id: reduced.pull.id,
        setup: reduced.pull.setup_name.as_deref(),
        correction: reduced.correction.key(),
        air_factor: curve.factor.factor,
        air_factor_within_range: curve.factor.is_in_range(),
        rpm: curve.points.iter().map(|point| point.rpm).collect(),
        torque_nm: column(&|point| point.torque_nm),
        power_w: column(&CurvePoint::power_w),
        expanded_uncertainty_nm: column(&CurvePoint::expanded_uncertainty_nm),
        resolution_rpm: curve
            .points
            .iter()
            .map(|point| point.resolution_rpm)
            .collect(),
        cycles: curve.cycles.as_ref().map(CyclesBody::from),
        shuffle: curve.shuffle,
        said: said.collect(),
        peak_torque_nm,
        peak_torque_rpm,
        peak_power_w,
        peak_power_rpm,
        remarks: &curve.remarks,
        figures: figures.collect(),
        channels: channels.collect(),
    }
}

impl<'a> FigureBody<'a> {
    /// None where the pull has nothing of it.
    fn of(
        name: &'a str,
        quantity: &'static str,
        unit: &'static str,
        readings: &[Option<Reading>],
    ) -> Option<Self> {
        let column = |of: fn(Reading) -> f64| readings.iter().map(|r| r.map(of)).collect();
        readings.iter().any(Option::is_some).then(|| Self {
            name,
            quantity,
            unit,
            values: column(|r| r.value),
            expanded_uncertainty: column(|r| r.expanded()),
        })
    }
}
