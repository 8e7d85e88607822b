//! What a request carries, checked: JSON bodies, query strings and numbers in paths.

use std::time::Duration;

use axum::Json;
use axum::extract::rejection::{JsonRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Path, Query, Request};
use axum::http::StatusCode;
use axum::http::request::Parts;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::problem::Problem;

/// A body that takes longer is given up.
const BODY_TIMEOUT: Duration = Duration::from_secs(5);

/// What comes of reading a body, unless that takes too long.
pub(super) async fn within_body_timeout<T>(read: impl Future<Output = T>) -> Result<T, Problem> {
    let late = |_elapsed| {
        let late = "the body did not arrive within 5 s";
        Problem::new(StatusCode::REQUEST_TIMEOUT, late)
    };
    tokio::time::timeout(BODY_TIMEOUT, read).await.map_err(late)
}

/// A JSON body. It has to be declared as JSON: a foreign page can't send that without asking first.
pub(super) struct Input<T>(pub(super) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Input<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        let read = within_body_timeout(Json::<Value>::from_request(request, state)).await?;
        let Json(mut value) = read.map_err(|rejection| of_json(&rejection))?;
        // A list would do for a struct otherwise, and an empty one for a cut.
        if value.is_array() {
            return Err(Problem::value(
                "expected an object with named values, found a list",
            ));
        }
        whole_numbers(&mut value);
        serde_json::from_value(value)
            .map(Self)
            .map_err(Problem::value)
    }
}

/// JSON has one kind of number: 3.0 is the 3 that a whole number is asked for.
fn whole_numbers(value: &mut Value) {
    const EXACT_MAX: f64 = 9_007_199_254_740_992.0; // 2^53
    match value {
        Value::Array(values) => values.iter_mut().for_each(whole_numbers),
        Value::Object(fields) => fields.values_mut().for_each(whole_numbers),
        Value::Number(number) if number.is_f64() => {
            let whole = number
                .as_f64()
                .filter(|it| it.fract() == 0.0 && it.abs() <= EXACT_MAX);
            #[expect(clippy::cast_possible_truncation, reason = "whole, and within 2^53")]
            if let Some(whole) = whole.map(|it| it as i64) {
                *number = whole.into();
            }
        }
        _ => {}
    }
}

fn of_json(rejection: &JsonRejection) -> Problem {
    let text = rejection.body_text();
    match rejection.status() {
        StatusCode::UNSUPPORTED_MEDIA_TYPE => Problem::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "expected the header Content-Type: application/json",
        ),
        status => Problem::new(status, text),
    }
}

/// A query string.
pub(super) struct Args<T>(pub(super) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for Args<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        Query::<T>::from_request_parts(parts, state)
            .await
            .map(|Query(value)| Self(value))
            .map_err(|rejection: QueryRejection| {
                Problem::new(StatusCode::BAD_REQUEST, rejection.body_text())
            })
    }
}

/// The number in a path.
pub(super) struct Number(pub(super) i64);

impl<S: Send + Sync> FromRequestParts<S> for Number {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let bad = || {
            Problem::new(
                StatusCode::BAD_REQUEST,
                "expected a number in the path, such as 3",
            )
        };
        let Path(text) = Path::<String>::from_request_parts(parts, state)
            .await
            .map_err(|_rejection| bad())?;
        text.parse().map(Self).map_err(|_not_a_number| bad())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn whole_numbers_are_whole_however_they_are_written() {
        let mut value = json!({ "a": [3.0, 3.5, -0.0], "b": 1e300, "c": "3.0" });
        whole_numbers(&mut value);
        assert_eq!(value, json!({ "a": [3, 3.5, 0], "b": 1e300, "c": "3.0" }));
    }
}
