//! Pulls: the list of them, and a person's word on one.

use axum::Json;
use axum::extract::State as Extract;
use axum::http::{HeaderValue, header};
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::{Value, json};

use super::State;
use super::api::{Answer, NAME_CHARS_MAX, REASON_CHARS_MAX, limit, line, message, number, text};
use super::problem::Problem;
use super::request::{Args, Input, Number};
use leverarm_analysis::exclusion::{self, Exclusion, ExclusionRequest, exclusions};
use leverarm_analysis::setup_correction::{self, SetupCorrection, SetupCorrectionRequest};
use leverarm_live::Now;
use leverarm_store::{NewEvent, PullId, PullRecord};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PullsQuery {
    limit: Option<u32>,
    before: Option<i64>,
    setup: Option<String>,
    since_wall_us: Option<i64>,
    until_wall_us: Option<i64>,
}

/// Pulls that fit, newest first.
pub(super) async fn pulls(Extract(web): State, Args(query): Args<PullsQuery>) -> Answer {
    let limit = limit(query.limit, 100)?;
    let before = number("before", query.before)?;
    let since = number("since_wall_us", query.since_wall_us)?.unwrap_or(i64::MIN);
    let until = number("until_wall_us", query.until_wall_us)?.unwrap_or(i64::MAX);
    let body = web
        .read(move |reader| {
            let mut pulls = reader.pulls()?;
            let corrected = setup_correction::correct(reader, &mut pulls)?;
            let excluded = exclusions(reader)?;
            let wanted = |pull: &PullRecord| {
                let setup = query.setup.as_deref();
                setup.is_none_or(|setup| pull.setup_name.as_deref() == Some(setup))
                    && (since..until).contains(&pull.started_wall_us)
            };
            pulls.retain(wanted);
            let fitting = pulls.len();
            pulls.reverse();
            if let Some(before) = before {
                pulls.retain(|pull| pull.id.get() < before);
            }
            let more = pulls.len() > limit;
            pulls.truncate(limit);
            let each = pulls.iter();
            let pulls: Vec<Value> = each
                .map(|pull| pull_json(pull, excluded.get(&pull.id), corrected.get(&pull.id)))
                .collect();
            Ok(json!({ "pulls": pulls, "more": more, "fitting": fitting }))
        })
        .await?;
    Ok(Json(body).into_response())
}

pub(super) async fn pull(Extract(web): State, Number(id): Number) -> Answer {
    let id = PullId::new(id);
    let body = web
        .read(move |reader| {
            let mut pull = reader.pull(id)?;
            let corrected = setup_correction::correct(reader, std::slice::from_mut(&mut pull))?;
            let excluded = exclusions(reader)?;
            Ok(pull_json(&pull, excluded.get(&id), corrected.get(&id)))
        })
        .await?;
    Ok(Json(body).into_response())
}

fn pull_json(
    pull: &PullRecord,
    exclusion: Option<&Exclusion>,
    correction: Option<&SetupCorrection>,
) -> Value {
    json!({
        "id": pull.id,
        "setup": pull.setup_name,
        "state": pull.state,
        "started_wall_us": pull.started_wall_us,
        "reasons": pull.reasons,
        "note": pull.note,
        "air": pull.air,
        "excluded": exclusion,
        "setup_corrected": correction,
    })
}

pub(super) async fn curve(Extract(web): State, Number(id): Number) -> Answer {
    let id = PullId::new(id);
    let shared = std::sync::Arc::clone(&web);
    let body = web
        .read(move |reader| shared.curves.curve(reader, id))
        .await?;
    let json = (
        header::CONTENT_TYPE,
        HeaderValue::from_static("application/json"),
    );
    Ok(([json], body).into_response())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct NoteRequest {
    note: String,
}

pub(super) async fn note(
    Extract(web): State,
    Number(id): Number,
    Input(request): Input<NoteRequest>,
) -> Answer {
    let note = text("note", &request.note)?.to_owned();
    let done = if note.is_empty() {
        format!("note on pull {id} taken away")
    } else {
        format!("note kept with pull {id}")
    };
    web.handle.note(PullId::new(id), note).await??;
    Ok(message(done))
}

/// The recorder sets the times of an event as it keeps it.
pub(super) const TIMES_OF_THE_RECORDER: Now = Now::new(0, 0);

/// Leaves a pull out of comparisons, or lets it take part again.
pub(super) async fn exclude(
    Extract(web): State,
    Number(id): Number,
    Input(request): Input<ExclusionRequest>,
) -> Answer {
    let id = PullId::new(id);
    let by = line("by", &request.by, NAME_CHARS_MAX)?.to_owned();
    let reason = match &request.reason {
        Some(reason) => Some(line("reason", reason, REASON_CHARS_MAX)?.to_owned()),
        None => None,
    };
    if reason.as_deref() == Some("") {
        return Err(Problem::value(
            "reason: expected why the pull is to be left out, or null to let it take part again",
        ));
    }
    web.read(move |reader| Ok(reader.pull(id)?)).await?;
    let request = ExclusionRequest { reason, by };
    let event = exclusion::event(id, &request, TIMES_OF_THE_RECORDER);
    keep(&web, event).await
}

/// Says which setup a pull was made with, or takes that word back.
pub(super) async fn correct_setup(
    Extract(web): State,
    Number(id): Number,
    Input(request): Input<SetupCorrectionRequest>,
) -> Answer {
    let id = PullId::new(id);
    let by = line("by", &request.by, NAME_CHARS_MAX)?.to_owned();
    let setup = match &request.setup {
        Some(setup) => Some(line("setup", setup, NAME_CHARS_MAX)?.to_owned()),
        None => None,
    };
    let named = setup.clone();
    web.read(move |reader| {
        reader.pull(id)?;
        if let Some(name) = named {
            reader.setup_named(&name)?;
        }
        Ok(())
    })
    .await?;
    let request = SetupCorrectionRequest { setup, by };
    let event = setup_correction::event(id, &request, TIMES_OF_THE_RECORDER);
    keep(&web, event).await
}

pub(super) async fn keep(web: &super::Web, event: NewEvent) -> Answer {
    let done = event.event.message.clone();
    web.handle.event(event).await??;
    Ok(message(done))
}
