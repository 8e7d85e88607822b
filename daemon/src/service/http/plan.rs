//! The test plan: what is next, and why it isn't ready yet.

use axum::Json;
use axum::extract::State as Extract;
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::json;

use super::State;
use super::api::{Answer, NAME_CHARS_MAX, line, message};
use super::problem::Problem;
use super::request::Input;
use crate::core::{Live, Now};
use crate::plan::{Conditions, Plan, Word, current, event, made_since, shown_in};

/// Where the plan stands; `plan` is null before the first one.
pub(super) async fn plan(Extract(web): State) -> Answer {
    let found = web
        .read(|reader| {
            let Some(current) = current(reader)? else {
                return Ok(None);
            };
            let made = made_since(reader, &current)?;
            Ok(Some((current, made)))
        })
        .await?;
    let Some((current, made)) = found else {
        return Ok(Json(json!({ "plan": null })).into_response());
    };
    let standing = current.plan.standing(&made);
    let live = web.handle.live().borrow().clone();
    let setup = web.handle.stored().borrow().setup.clone();
    let shown = shown_in(web.handle.stand());
    let waits = current
        .plan
        .not_ready(&standing.next, &conditions(&live, setup), shown);
    let words = standing.next.words();
    Ok(Json(json!({
        "plan": current.plan,
        "begun_wall_us": current.begun_wall_us,
        "left": current.is_left,
        "made": standing.made,
        "beside": standing.beside,
        "next": standing.next,
        "words": words,
        "not_ready": waits,
    }))
    .into_response())
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
        (PlanWord::Begin, Some(plan)) => {
            plan.check().map_err(Problem::value)?;
            for text in plan
                .blocks
                .iter()
                .map(|block| &block.setup)
                .chain([&plan.fuel, &plan.by])
            {
                line("plan", text, NAME_CHARS_MAX)?;
            }
            for window in &plan.windows {
                if web.handle.stand().channel_named(&window.channel).is_none() {
                    return Err(Problem::value(format!(
                        "plan: the stand has no channel {:?}",
                        window.channel
                    )));
                }
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
            return Err(Problem::value(
                "word: there is no test plan to leave or to resume",
            ));
        }
    }
    // The recorder sets the times.
    let now = Now {
        mono_us: 0,
        wall_us: 0,
    };
    let event = event(&word, &by, now);
    let done = event.message.clone();
    web.handle.event(event).await??;
    Ok(message(done))
}
