//! What a person says of a part.

use axum::extract::State as Extract;

use super::State;
use super::api::{Answer, NAME_CHARS_MAX, line, text};
use super::problem::Problem;
use super::pulls::{TIMES_OF_THE_RECORDER, keep};
use super::request::Input;
use leverarm_analysis::shelf::ShelfWord;

/// Keeps a word on a part.
pub(super) async fn describe(Extract(web): State, Input(word): Input<ShelfWord>) -> Answer {
    let said = |key: &str, said: &Option<String>| {
        said.as_ref()
            .map(|said| text(key, said).map(str::to_owned))
            .transpose()
    };
    let word = ShelfWord {
        part: line("part", &word.part, NAME_CHARS_MAX)?.to_owned(),
        value: line("value", &word.value, NAME_CHARS_MAX)?.to_owned(),
        notes: said("notes", &word.notes)?,
        place: said("place", &word.place)?,
        by: line("by", &word.by, NAME_CHARS_MAX)?.to_owned(),
        ..word
    };
    word.check()
        .map_err(|error| Problem::value(error.to_string()))?;
    keep(&web, word.event(TIMES_OF_THE_RECORDER)).await
}
