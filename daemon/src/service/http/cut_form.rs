//! The cut as a plain form: it works when not one script of the page runs, and says in words what
//! became of it. A browser tells the form's origin, so that no other site's form passes.

use axum::Extension;
use axum::extract::{Form, FromRequest, Request, State as Extract};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use serde::Deserialize;

use super::State;
use super::access::{Peer, bearer};
use super::problem::Problem;
use super::request::within_body_timeout;
use crate::service::Handle;
use leverarm_live::{Command, CutLatch};

/// Longest wait for the board's word that it has cut.
const CONFIRM_TIMEOUT: std::time::Duration = std::time::Duration::from_secs(1);
const STOP: &str = "Use the emergency stop";

#[derive(Default, Deserialize)]
struct CutForm {
    /// For a daemon that asks for one; a form can't send a header.
    #[serde(default)]
    token: String,
}

/// The form by itself.
pub(super) async fn form() -> Response {
    page(
        StatusCode::OK,
        "Cut the engine",
        "This is not the emergency stop. That is the hard-wired switch within reach.",
    )
}

pub(super) async fn cut(
    Extract(web): State,
    Extension(peer): Extension<Peer>,
    request: Request,
) -> Response {
    let headers = request.headers();
    // A form needs no leave to be sent here from anywhere, so it has to come from this page.
    if !headers.contains_key(header::ORIGIN) {
        return page(
            StatusCode::FORBIDDEN,
            STOP,
            "Not cut: the browser does not say that the form is this page's own. The command leverarm cut needs no browser.",
        );
    }
    let of_header = bearer(headers).map(str::to_owned);
    let form = match within_body_timeout(Form::<CutForm>::from_request(request, &())).await {
        Ok(Ok(Form(form))) => form,
        Ok(Err(rejection)) => {
            return not_cut(Problem::new(rejection.status(), rejection.body_text()));
        }
        Err(late) => return not_cut(late),
    };
    let of_form = Some(form.token.trim().to_owned()).filter(|token| !token.is_empty());
    let token = of_header.or(of_form);
    if let Err(refused) = web.access.level(token.as_deref(), peer.address) {
        return not_cut(refused);
    }
    let reason = "a person's command: button on the page, without its script".to_owned();
    match web.handle.command(Command::Cut { reason }).await {
        Ok(Ok(_)) => {}
        Ok(Err(error)) => return not_cut(error.into()),
        Err(error) => return not_cut(error.into()),
    }
    match tokio::time::timeout(CONFIRM_TIMEOUT, confirmed(&web.handle)).await {
        Ok(Some(id)) => page(
            StatusCode::OK,
            "The engine is cut",
            &format!(
                "The board confirms cut {id}. End it with leverarm release {id}, when its cause is gone."
            ),
        ),
        _ => page(
            StatusCode::OK,
            STOP,
            "The cut was asked for, but the board has not confirmed it within 1 s.",
        ),
    }
}

/// The number of the cut, once the board has confirmed it.
async fn confirmed(handle: &Handle) -> Option<u32> {
    let mut live = handle.live();
    let confirmed = live
        .wait_for(|live| live.cut.latch == CutLatch::Confirmed && live.cut.cut_id.is_some())
        .await
        .ok()?;
    confirmed.cut.cut_id
}

fn not_cut(why: Problem) -> Response {
    page(why.status(), STOP, &format!("Not cut: {}.", why.error()))
}

/// A page of a heading, a sentence and the form.
fn page(status: StatusCode, heading: &str, words: &str) -> Response {
    let words = words
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;");
    let class = if heading == STOP {
        "plain bad"
    } else {
        "plain"
    };
    let html = format!(
        r#"<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{heading}</title>
<link rel="icon" href="/assets/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="/assets/page.css">
<main class="{class}">
<div role="alert"><h1>{heading}</h1></div>
<p>{words}</p>
<form method="post" action="/cut">
<label class="field">Token, where the daemon needs one <input name="token" type="password" autocomplete="off"></label>
<button class="cut">Cut the engine</button>
</form>
<p><a href="/">Back to the page</a></p>
</main>
</html>
"#
    );
    (status, Html(html)).into_response()
}
