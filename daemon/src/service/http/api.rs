//! The documented API. `assets/page/openapi.json` describes every field.

use axum::extract::State as Extract;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use leverarm_config::display::{self, DisplayUnit, DisplayUnits};
use leverarm_config::{
    AirInput, Guard, GuardAction, LimitOf, Quantity, Side, Signal, Source, Stand, StandKind,
};
use leverarm_torque::air::Air;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::access::Level;
use super::problem::Problem;
use super::request::{Args, Input};
use super::{State, Web};
use crate::service::{KeepRequest, NewSetupRequest};
use leverarm_analysis::calibration::Known;
use leverarm_analysis::calibration::tare::{SECONDS_DEFAULT, measure};
use leverarm_analysis::engine::FigureKind;
use leverarm_analysis::in_force;
use leverarm_analysis::reduction::EnteredAir;
use leverarm_live::Command;
use leverarm_store::{EventFilter, EventId, EventOrder, PullId, Severity, StoreError, StoreReader};
use leverarm_values::calibration::{Change, NewCalibrationRequest};

pub(super) const NAME_CHARS_MAX: usize = 100;
const TEXT_CHARS_MAX: usize = 4000;
pub(super) const REASON_CHARS_MAX: usize = 200;
const PARTS_MAX: usize = 64;
const LIMIT_MAX: u32 = 1000;

pub(super) type Answer = Result<Response, Problem>;

pub(super) fn message(text: impl Into<String>) -> Response {
    Json(json!({ "message": text.into() })).into_response()
}

impl Web {
    /// Reads the store away from the runtime's own threads, few at a time.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        read: impl FnOnce(&StoreReader) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let busy = |_closed| Problem::internal("the store's readers are gone");
        let permit = self.readers.acquire().await.map_err(busy)?;
        let folder = self.handle.store_folder().to_path_buf();
        let outcome = tokio::task::spawn_blocking(move || {
            let reader = StoreReader::open(folder)?;
            read(&reader)
        })
        .await;
        drop(permit);
        outcome.map_err(|error| Problem::internal(format!("reading the store: {error}")))?
    }
}

pub(super) async fn stand(Extract(web): State, Extension(level): Extension<Level>) -> Json<Value> {
    Json(describe(
        web.handle.stand(),
        level,
        web.access.tokens().is_some(),
    ))
}

/// What a page has to know before the first live value. Units come from here, so that there is one
/// place that converts.
fn describe(stand: &Stand, level: Level, tokens: bool) -> Value {
    let channels = stand.channels.iter().map(|channel| {
        json!({
            "name": channel.name,
            "quantity": channel.quantity.word(),
            "pulses": matches!(channel.source, Source::Pulses(_)),
        })
    });
    let guards = stand.guards.iter().map(|guard| {
        json!({
            "name": guard.name,
            "cuts": guard.action == GuardAction::Cut,
            "quantity": limited(stand, guard),
            "below": guard.rule.side() == Side::Below,
            "limit_si": guard.limit_si,
        })
    });
    let input = |input: AirInput| match input {
        AirInput::Entered(value) => json!({ "value_si": value.value }),
        AirInput::Channel(id) => json!({ "channel": stand.channel(id).map(|c| c.name.as_str()) }),
    };
    let own = if stand.units == DisplayUnits::US {
        "us"
    } else if stand.units == DisplayUnits::SI {
        "si"
    } else {
        "stand"
    };
    json!({
        "name": stand.name,
        "version": env!("CARGO_PKG_VERSION"),
        "kind": match stand.kind {
            StandKind::Inertia => "inertia",
            StandKind::Brake => "brake",
            StandKind::Both => "both",
        },
        "engine": stand.engine.name,
        "access": level,
        "tokens": tokens,
        "load_cell": stand.load_cell.is_some(),
        "pull": {
            "start_rpm": stand.pull.start_rad_per_s / RAD_PER_S_PER_RPM,
            "end_rpm": stand.pull.end_rad_per_s / RAD_PER_S_PER_RPM,
        },
        "correction": stand.correction.key(),
        "air": {
            "pressure": input(stand.air.pressure_pa),
            "temperature": input(stand.air.temperature_k),
            "humidity": input(stand.air.relative_humidity),
        },
        "channels": channels.collect::<Vec<_>>(),
        "guards": guards.collect::<Vec<_>>(),
        "units": {
            "own": own,
            "stand": units(&stand.units),
            "si": units(&DisplayUnits::SI),
            "us": units(&DisplayUnits::US),
        },
    })
}

/// Name of a figure of the engine, as the page's units have it.
pub(super) fn figure_word(kind: FigureKind) -> &'static str {
    match kind {
        FigureKind::Pressure => "engine_pressure",
        FigureKind::Share => Quantity::Fraction.word(),
        FigureKind::Number => Quantity::Number.word(),
        FigureKind::MassFlow => Quantity::MassFlow.word(),
        FigureKind::Consumption => "consumption",
    }
}

fn units(units: &DisplayUnits) -> Value {
    let second = DisplayUnit {
        symbol: "s",
        meaning: "second",
        ..display::UNITY
    };
    let all = [
        ("torque", units.torque),
        ("power", units.power),
        ("rotation", display::RPM),
        ("duration", second),
        (figure_word(FigureKind::Pressure), units.engine_pressure),
        (figure_word(FigureKind::Consumption), units.consumption),
    ];
    let entry = |(key, unit): (&str, DisplayUnit)| {
        let unit = json!({
            "symbol": unit.symbol,
            "meaning": unit.meaning,
            "si_per_unit": unit.si_per_unit,
            "zero_si": unit.zero_si,
        });
        (key.to_owned(), unit)
    };
    let quantities = Quantity::ALL
        .iter()
        .map(|quantity| (quantity.word(), quantity.display_unit(units)));
    Value::Object(all.into_iter().chain(quantities).map(entry).collect())
}

/// Name of the quantity that a guard's limit is of. A rate has no unit of its own here; its nearness is
/// not shown either.
fn limited(stand: &Stand, guard: &Guard) -> Option<&'static str> {
    match (guard.rule.limit_of(), guard.signal) {
        (LimitOf::Nothing | LimitOf::Rise, _) => None,
        (LimitOf::Age, _) | (_, Signal::Board) => Some("duration"),
        (_, Signal::Speed(_)) => Some("rotation"),
        (_, Signal::LoadCell) => Some(Quantity::Force.word()),
        (_, Signal::Channel(id)) => Some(stand.channel(id)?.quantity.word()),
    }
}

pub(super) async fn live(Extract(web): State) -> Response {
    let live = web.handle.live().borrow().clone();
    Json(&*live).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CutRequest {
    #[serde(default)]
    reason: String,
}

pub(super) async fn cut(Extract(web): State, Input(request): Input<CutRequest>) -> Answer {
    let reason = match line("reason", &request.reason, REASON_CHARS_MAX)? {
        "" => "a person's command".to_owned(),
        reason => format!("a person's command: {reason}"),
    };
    let done = web.handle.command(Command::Cut { reason }).await??;
    Ok(message(done))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ReleaseRequest {
    cut_id: u32,
}

pub(super) async fn release(Extract(web): State, Input(request): Input<ReleaseRequest>) -> Answer {
    let cut_id = request.cut_id;
    let done = web.handle.command(Command::Release { cut_id }).await??;
    Ok(message(done))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SelfTestRequest {}

pub(super) async fn self_test(
    Extract(web): State,
    Input(SelfTestRequest {}): Input<SelfTestRequest>,
) -> Answer {
    Ok(message(web.handle.command(Command::SelfTest).await??))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SetupRequest {
    name: String,
    #[serde(default)]
    notes: String,
    #[serde(default)]
    parts: Map<String, Value>,
    #[serde(default)]
    again: bool,
}

pub(super) async fn setup(Extract(web): State, Input(request): Input<SetupRequest>) -> Answer {
    let name = line("name", &request.name, NAME_CHARS_MAX)?;
    if name.is_empty() {
        return Err(Problem::value(
            "name: a setup needs one, such as \"main jet 105\"",
        ));
    }
    let notes = text("notes", &request.notes)?;
    if request.parts.len() > PARTS_MAX {
        return Err(Problem::value(format!("parts: at most {PARTS_MAX}")));
    }
    for (key, value) in &request.parts {
        if line("parts", key, NAME_CHARS_MAX)?.is_empty() {
            return Err(Problem::value("parts: a part needs a name"));
        }
        check_part(key, value)?;
    }
    let request = NewSetupRequest {
        name: name.to_owned(),
        notes: notes.to_owned(),
        parts: request.parts,
        again: request.again,
    };
    Ok(Json(web.handle.setup(request).await??).into_response())
}

/// A part is a text, or a value with unit and note.
fn check_part(key: &str, part: &Value) -> Result<(), Problem> {
    let texts: Vec<&Value> = match part {
        Value::Object(part) => {
            let known = |key: &str| matches!(key, "value" | "unit" | "note");
            if !part.contains_key("value") || !part.keys().all(|key| known(key)) {
                return Err(Problem::value(format!(
                    "parts: {key:?}: expected \"value\", \"unit\" and \"note\""
                )));
            }
            part.values().collect()
        }
        text => vec![text],
    };
    for found in texts {
        let Some(text) = found.as_str() else {
            return Err(Problem::value(format!(
                "parts: {key:?}: expected a text, found {found}"
            )));
        };
        line("parts", text, NAME_CHARS_MAX)?;
    }
    Ok(())
}

/// A text in one line, trimmed.
pub(super) fn line<'a>(key: &str, text: &'a str, chars_max: usize) -> Result<&'a str, Problem> {
    let text = text.trim();
    if text.chars().any(char::is_control) {
        return Err(Problem::value(format!(
            "{key}: expected one line of text, without control characters"
        )));
    }
    bounded(key, text, chars_max)
}

/// A text that may have several lines, trimmed.
pub(super) fn text<'a>(key: &str, text: &'a str) -> Result<&'a str, Problem> {
    let text = text.trim();
    if text
        .chars()
        .any(|c| c.is_control() && !matches!(c, '\n' | '\r' | '\t'))
    {
        return Err(Problem::value(format!(
            "{key}: expected text without control characters"
        )));
    }
    bounded(key, text, TEXT_CHARS_MAX)
}

fn bounded<'a>(key: &str, text: &'a str, chars_max: usize) -> Result<&'a str, Problem> {
    let found = text.chars().count();
    if found > chars_max {
        return Err(Problem::value(format!(
            "{key}: at most {chars_max} characters, found {found}"
        )));
    }
    Ok(text)
}

/// Pressure, temperature and humidity.
const AIR_VALUES: usize = 3;

/// What of the air channels measure, so that nothing entered of it is used.
fn measured_air(stand: &Stand) -> Vec<String> {
    let air = &stand.air;
    let inputs = [
        ("pressure", air.pressure_pa),
        ("temperature", air.temperature_k),
        ("humidity", air.relative_humidity),
    ];
    let measured = inputs.into_iter().filter_map(|(what, input)| match input {
        AirInput::Channel(id) => Some((what, stand.channel(id)?)),
        AirInput::Entered(_) => None,
    });
    measured
        .map(|(what, channel)| format!("{what} by \"{}\"", channel.name))
        .collect()
}

pub(super) async fn set_air(
    Extract(web): State,
    Input(request): Input<Option<EnteredAir>>,
) -> Answer {
    if let Some(air) = &request {
        Air::new(air.pressure_pa, air.temperature_k, air.relative_humidity)
            .map_err(Problem::value)?;
        let uncertainties = [
            ("pressure_uncertainty_pa", air.pressure_uncertainty_pa),
            ("temperature_uncertainty_k", air.temperature_uncertainty_k),
            ("humidity_uncertainty", air.humidity_uncertainty),
        ];
        for (key, value) in uncertainties {
            if !(value.is_finite() && value >= 0.0) {
                return Err(Problem::value(format!(
                    "{key}: expected 0 or more, found {value}"
                )));
            }
        }
    }
    let done = match measured_air(web.handle.stand()).as_slice() {
        _ if request.is_none() => "entered air forgotten: the stand file's holds again".to_owned(),
        [] => "air kept for the next pulls".to_owned(),
        measured if measured.len() < AIR_VALUES => format!(
            "air kept for the next pulls, but for what channels measure: {}",
            measured.join(", ")
        ),
        measured => {
            return Err(Problem::new(
                StatusCode::CONFLICT,
                format!(
                    "nothing entered would be used, since channels measure the air: {}; take a channel out of [air] in the stand file to enter its value",
                    measured.join(", ")
                ),
            ));
        }
    };
    web.handle.air(request).await??;
    Ok(message(done))
}

pub(super) async fn set_calibration(
    Extract(web): State,
    Input(request): Input<NewCalibrationRequest>,
) -> Answer {
    web.handle.calibrate(request).await??;
    Ok(message("in force for the next pulls"))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TareRequest {
    seconds: Option<f64>,
}

/// Takes the load cell's zero from the last seconds, and puts it in force.
pub(super) async fn tare(Extract(web): State, Input(request): Input<TareRequest>) -> Answer {
    let seconds = request.seconds.unwrap_or(SECONDS_DEFAULT);
    let stand = web.handle.stand().clone();
    let now_wall_us = web.handle.live().borrow().wall_us;
    let tared = web
        .read(move |reader| {
            let (calibration, _) = in_force::newest_calibration(reader)?;
            let known = Known {
                stand: &stand,
                calibration: &calibration,
                now_wall_us,
            };
            Ok(measure(reader, known, seconds)?)
        })
        .await?;
    let summary = tared.summary();
    let request = NewCalibrationRequest {
        change: Change::Tare(tared.record),
        summary: summary.clone(),
    };
    web.handle.calibrate(request).await??;
    Ok(Json(json!({
        "message": format!("{summary}: in force for the next pulls"),
        "zero_counts": tared.record.zero_counts.value(),
        "moved_n": tared.moved_n,
    }))
    .into_response())
}

pub(super) async fn keep(Extract(web): State, Input(request): Input<KeepRequest>) -> Answer {
    let note = text("note", &request.note)?.to_owned();
    let request = KeepRequest { note, ..request };
    let id = web.handle.keep(request).await??;
    Ok(Json(json!({ "message": format!("kept as pull {id}"), "id": id })).into_response())
}

pub(super) async fn setups(Extract(web): State) -> Answer {
    let setups = web.read(|reader| Ok(reader.setups()?)).await?;
    let current = web.handle.stored().borrow().setup.clone();
    Ok(Json(json!({ "setups": setups, "current": current })).into_response())
}

/// A number in a query, as the store counts: from 0.
pub(super) fn number(key: &str, asked: Option<i64>) -> Result<Option<i64>, Problem> {
    match asked {
        Some(found) if found < 0 => Err(Problem::new(
            StatusCode::BAD_REQUEST,
            format!("{key}: expected 0 or more, found {found}"),
        )),
        asked => Ok(asked),
    }
}

pub(super) fn limit(asked: Option<u32>, otherwise: u32) -> Result<usize, Problem> {
    let limit = asked.unwrap_or(otherwise);
    if !(1..=LIMIT_MAX).contains(&limit) {
        return Err(Problem::new(
            StatusCode::BAD_REQUEST,
            format!("limit: expected 1 to {LIMIT_MAX}, found {limit}"),
        ));
    }
    usize::try_from(limit).map_err(Problem::internal)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EventsQuery {
    limit: Option<u32>,
    after: Option<i64>,
    pull: Option<i64>,
    severity: Option<Severity>,
    channel: Option<String>,
}

pub(super) async fn events(Extract(web): State, Args(query): Args<EventsQuery>) -> Answer {
    let limit = limit(query.limit, 100)?;
    let filter = EventFilter {
        after: number("after", query.after)?.map(EventId::new),
        pull: number("pull", query.pull)?.map(PullId::new),
        channel: query.channel,
        severity_at_least: query.severity.unwrap_or(Severity::Info),
        order: EventOrder::NewestFirst,
        limit: u32::try_from(limit).map_err(Problem::internal)?,
        ..EventFilter::default()
    };
    let read = move |reader: &StoreReader| -> Result<_, StoreError> { reader.events(&filter) };
    let events = web.read(move |reader| Ok(read(reader)?)).await?;
    Ok(Json(json!({ "events": events })).into_response())
}
