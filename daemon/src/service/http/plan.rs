//! The test plan: what is next, and why it isn't ready yet.

use axum::Json;
use axum::extract::State as Extract;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::json;

use super::State;
use super::api::{Answer, NAME_CHARS_MAX, line};
use super::problem::Problem;
use super::pulls::{TIMES_OF_THE_RECORDER, keep};
use super::request::Input;
use leverarm_analysis::plan::{
    Conditions, Plan, PlanError, Window, Word, current, event, list_lengths, made_since, shown_in,
};
use leverarm_live::Live;

/// Where the plan stands; `plan` is null before the first one.
pub(super) async fn plan(Extract(web): State) -> Answer {
    let found = web
        .read(|reader| {
            let Some(current) = current(reader)? else {
                return Ok(None);
            };
            let made = made_since(reader, &current)?;
            let lengths = list_lengths(reader, &current.plan.lists)?;
            Ok(Some((current, made, lengths)))
        })
        .await?;
    let Some((current, made, lengths)) = found else {
        return Ok(Json(json!({ "plan": null })).into_response());
    };
    let standing = current.plan.standing(&made);
    let live = web.handle.live().borrow().clone();
    let setup = web.handle.stored().borrow().setup.clone();
    let shown = shown_in(web.handle.stand());
    let waits = current
        .plan
        .not_ready(&standing.next, &conditions(&live, setup), shown);
    let mut object = current.json(&standing, &lengths, &waits);
    object["words"] = json!(standing.next.words());
    Ok(Json(object).into_response())
}

fn conditions(live: &Live, setup: Option<String>) -> Conditions {
    let channels = live.channels.iter();
    Conditions {
        setup,
        channels: channels
            .map(|channel| {
                let value = channel.value_si.filter(|_| channel.lost.is_none());
                (channel.name.clone(), value)
            })
            .collect(),
    }
}

/// What a person says about plans.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PlanRequest {
    word: PlanWord,
    /// The plan that begins.
    #[serde(default)]
    plan: Option<Plan>,
    #[serde(default)]
    by: String,
}

#[derive(Deserialize, Clone, Copy, PartialEq, Eq)]
#[serde(rename_all = "snake_case")]
enum PlanWord {
    Begin,
    Leave,
    Resume,
}

pub(super) async fn set_plan(Extract(web): State, Input(request): Input<PlanRequest>) -> Answer {
    let by = line("by", &request.by, NAME_CHARS_MAX)?.to_owned();
    let word = match (request.word, request.plan) {
        (PlanWord::Begin, Some(mut plan)) => {
            for window in &mut plan.windows {
                line("plan", &window.channel, NAME_CHARS_MAX)?;
                let channel = std::mem::take(&mut window.channel);
                *window = Window::between(channel, window.low_si, window.high_si);
            }
            plan.check().map_err(|error| match error {
                // Its parts don't fit together, which no form of the request could say.
                PlanError::Lists(_)
                | PlanError::List { .. }
                | PlanError::ListName(_)
                | PlanError::NoList { .. } => Problem::new(StatusCode::CONFLICT, error),
                _ => Problem::value(error),
            })?;
            let setups = plan.blocks.iter().map(|block| &block.setup);
            for text in setups.chain([&plan.fuel, &plan.by]) {
                line("plan", text, NAME_CHARS_MAX)?;
            }
            Word::Begin(plan)
        }
        (PlanWord::Begin, None) => {
            return Err(Problem::value(
                "plan: expected the plan that begins, found none",
            ));
        }
        (PlanWord::Leave | PlanWord::Resume, Some(_)) => {
            return Err(Problem::value(
                "plan: expected none, only a beginning takes one",
            ));
        }
        (PlanWord::Leave, None) => Word::Leave,
        (PlanWord::Resume, None) => Word::Resume,
    };
    if !matches!(word, Word::Begin(_)) {
        let known = web.read(|reader| Ok(current(reader)?.is_some())).await?;
        if !known {
            return Err(Problem::new(
                StatusCode::CONFLICT,
                "there is no test plan to leave or to resume",
            ));
        }
    }
    keep(&web, event(&word, &by, TIMES_OF_THE_RECORDER)).await
}
