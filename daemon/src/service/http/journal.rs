//! The journal over HTTP: entries with what to check first, the evidence, a person's word.

use axum::Json;
use axum::extract::State as Extract;
use axum::response::IntoResponse;
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::json;

use super::State;
use super::api::{Answer, limit, message, number, text};
use super::problem::Problem;
use super::request::{Args, Input, Number};
use leverarm_analysis::journal::{self, channel_names, evidence, faults, fold};
use leverarm_store::{EventFilter, EventId, PullId, Severity};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EntriesQuery {
    limit: Option<u32>,
    since_wall_us: Option<i64>,
    until_wall_us: Option<i64>,
    pull: Option<i64>,
    severity: Option<Severity>,
    channel: Option<String>,
    kind: Option<String>,
}

/// Entries, repeats folded, newest first.
pub(super) async fn entries(Extract(web): State, Args(query): Args<EntriesQuery>) -> Answer {
    let limit = limit(query.limit, 100)?;
    let filter = EventFilter {
        since_wall_us: number("since_wall_us", query.since_wall_us)?,
        until_wall_us: number("until_wall_us", query.until_wall_us)?,
        pull: number("pull", query.pull)?.map(PullId::new),
        channel: query.channel,
        kind: query.kind,
        severity_at_least: query.severity.unwrap_or(Severity::Info),
        ..EventFilter::default()
    };
    let entries = web
        .read(move |reader| Ok(journal::newest(reader, &filter, limit, false)?))
        .await?;
    let entries: Vec<_> = entries.iter().rev().map(journal::Entry::json).collect();
    Ok(Json(json!({ "entries": entries })).into_response())
}

/// One event with the samples around it.
pub(super) async fn event(Extract(web): State, Number(id): Number) -> Answer {
    let stand = web.handle.stand().clone();
    let (event, found) = web
        .read(move |reader| {
            let event = reader.event(EventId::new(id))?;
            let found = evidence(reader, &event, Some(&stand))?;
            Ok((event, found))
        })
        .await?;
    let mut object = fold([event])
        .first()
        .map(journal::Entry::json)
        .unwrap_or_default();
    if let Some(fields) = object.as_object_mut() {
        fields.insert("evidence".to_owned(), json!(found));
    }
    Ok(Json(object).into_response())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LookRequest {
    note: String,
}

/// A person has looked at an event.
pub(super) async fn note(
    Extract(web): State,
    Number(id): Number,
    Input(request): Input<LookRequest>,
) -> Answer {
    let note = text("note", &request.note)?;
    if note.is_empty() {
        return Err(Problem::value("note: say what was found"));
    }
    web.handle
        .acknowledge(EventId::new(id), note.to_owned())
        .await??;
    Ok(message(format!("event {id}: noted")))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SinceQuery {
    since_wall_us: Option<i64>,
}

/// What each day brought, newest first.
pub(super) async fn days(Extract(web): State, Args(query): Args<SinceQuery>) -> Answer {
    let since_us = number("since_wall_us", query.since_wall_us)?;
    let days = web
        .read(move |reader| {
            let mut pulls = reader.pulls()?;
            pulls.retain(|pull| since_us.is_none_or(|since_us| pull.started_wall_us >= since_us));
            let faults = faults(reader, since_us)?;
            Ok(journal::days(&faults, &pulls, &TimeZone::system()))
        })
        .await?;
    let days: Vec<_> = days
        .iter()
        .rev()
        .map(|(date, day)| {
            let mut object = json!(day);
            if let Some(fields) = object.as_object_mut() {
                fields.insert("date".to_owned(), json!(date));
            }
            object
        })
        .collect();
    Ok(Json(json!({ "days": days })).into_response())
}

/// The history of each channel: which sensor is getting worse.
pub(super) async fn health(Extract(web): State, Args(query): Args<SinceQuery>) -> Answer {
    let since_us = number("since_wall_us", query.since_wall_us)?;
    let names = channel_names(web.handle.stand());
    let now_wall_us = web.handle.live().borrow().wall_us;
    let channels = web
        .read(move |reader| {
            let mut connections = reader.connections()?;
            connections.retain(|it| since_us.is_none_or(|since_us| it.opened_wall_us >= since_us));
            let faults = faults(reader, since_us)?;
            let zone = TimeZone::system();
            Ok(journal::health(
                &names,
                &faults,
                &connections,
                &zone,
                now_wall_us,
            ))
        })
        .await?;
    Ok(Json(json!({ "channels": channels })).into_response())
}
