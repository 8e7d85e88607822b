//! What a person says of a part.

use axum::extract::State as Extract;

use super::State;
use super::api::{Answer, NAME_CHARS_MAX, REASON_CHARS_MAX, line, text};
use super::problem::Problem;
use super::pulls::{TIMES_OF_THE_RECORDER, keep};
use super::request::Input;
use leverarm_analysis::shelf::ShelfWord;

/// Keeps a word on a part.
pub(super) async fn describe(Extract(web): State, Input(word): Input<ShelfWord>) -> Answer {
    let word = ShelfWord {
        part: line("part", &word.part, NAME_CHARS_MAX)?.to_owned(),
        value: line("value", &word.value, NAME_CHARS_MAX)?.to_owned(),
        notes: match &word.notes {
            Some(notes) => Some(text("notes", notes)?.to_owned()),
            None => None,
        },
        place: match &word.place {
            Some(place) => Some(line("place", place, REASON_CHARS_MAX)?.to_owned()),
            None => None,
        },
        by: line("by", &word.by, NAME_CHARS_MAX)?.to_owned(),
        ..word
    };
    word.check()
        .map_err(|error| Problem::value(error.to_string()))?;
    keep(&web, word.event(TIMES_OF_THE_RECORDER)).await
}
