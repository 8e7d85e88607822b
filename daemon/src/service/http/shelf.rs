//! The shelf: parts, a person's word on each, and their pictures.

use axum::Json;
use axum::extract::{Path, State as Extract};
use axum::http::{HeaderValue, header};
use axum::response::IntoResponse;
use leverarm_store::files::PICTURES_FOLDER;
use serde_json::{Value, json};

use super::State;
use super::api::Answer;
use super::problem::Problem;
use super::pulls::{TIMES_OF_THE_RECORDER, keep};
use super::request::Input;
use leverarm_analysis::shelf::{ShelfPart, ShelfWord, is_picture_name, shelf};

/// Every part, with every test it was in.
pub(super) async fn parts(Extract(web): State) -> Answer {
    let parts = web
        .read(|reader| Ok(shelf(reader)?.iter().map(told).collect::<Vec<Value>>()))
        .await?;
    Ok(Json(json!({ "parts": parts })).into_response())
}

/// A picture goes by its name: where the store lies is nobody's business.
fn told(part: &ShelfPart) -> Value {
    let mut told = json!(part);
    let name = part.picture.as_ref().and_then(|file| file.file_name());
    told["picture"] = json!(name.and_then(|name| name.to_str()));
    told
}

/// A kept picture.
pub(super) async fn picture(Extract(web): State, Path(name): Path<String>) -> Answer {
    let missing = || Problem::not_found("there is no such picture");
    if name.is_empty() || !is_picture_name(&name) {
        return Err(missing());
    }
    let media_type = if name.ends_with(".png") {
        HeaderValue::from_static("image/png")
    } else {
        HeaderValue::from_static("image/jpeg")
    };
    let bytes = web
        .read(move |reader| {
            let file = reader.folder().join(PICTURES_FOLDER).join(name);
            std::fs::read(file).map_err(|_gone| missing())
        })
        .await?;
    Ok(([(header::CONTENT_TYPE, media_type)], bytes).into_response())
}

/// Keeps a word on a part.
pub(super) async fn describe(Extract(web): State, Input(word): Input<ShelfWord>) -> Answer {
    let word = word.trimmed();
    word.check()
        .map_err(|error| Problem::value(error.to_string()))?;
    keep(&web, word.event(TIMES_OF_THE_RECORDER)).await
}
