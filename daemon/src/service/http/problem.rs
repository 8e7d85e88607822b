//! Answers that say what went wrong: a status and `{"error": …}`.

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};

use crate::service::{KeepError, NoAnswer};
use leverarm_analysis::calibration::runs::RunSourceError;
use leverarm_analysis::calibration::tare::TareError;
use leverarm_analysis::in_force::CalibrationError;
use leverarm_analysis::reduction::ReductionError;
use leverarm_live::CommandError;
use leverarm_store::StoreError;

#[derive(Debug)]
pub(super) struct Problem {
    status: StatusCode,
    error: String,
    retry_after_s: Option<u64>,
}

impl Problem {
    pub(super) fn new(status: StatusCode, error: impl ToString) -> Self {
        Self {
            status,
            error: error.to_string(),
            retry_after_s: None,
        }
    }

    pub(super) fn not_found(error: impl ToString) -> Self {
        Self::new(StatusCode::NOT_FOUND, error)
    }

    pub(super) fn forbidden(error: impl ToString) -> Self {
        Self::new(StatusCode::FORBIDDEN, error)
    }

    /// The request is understood, but a value in it can't be used.
    pub(super) fn value(error: impl ToString) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, error)
    }

    pub(super) fn method() -> Self {
        let error = "this path does not take this method";
        Self::new(StatusCode::METHOD_NOT_ALLOWED, error)
    }

    pub(super) fn internal(error: impl ToString) -> Self {
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, error)
    }

    pub(super) fn status(&self) -> StatusCode {
        self.status
    }

    pub(super) fn error(&self) -> &str {
        &self.error
    }

    pub(super) fn later(mut self, seconds: u64) -> Self {
        self.retry_after_s = Some(seconds);
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let body = Json(serde_json::json!({ "error": self.error }));
        let mut response = (self.status, body).into_response();
        if let Some(seconds) = self.retry_after_s {
            response
                .headers_mut()
                .insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if self.status == StatusCode::UNAUTHORIZED {
            response
                .headers_mut()
                .insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response
    }
}

impl From<NoAnswer> for Problem {
    fn from(error: NoAnswer) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, error).later(1)
    }
}

impl From<CommandError> for Problem {
    fn from(error: CommandError) -> Self {
        Self::new(StatusCode::CONFLICT, error)
    }
}

impl From<StoreError> for Problem {
    fn from(error: StoreError) -> Self {
        let status = match error {
            StoreError::NotFound { .. } => StatusCode::NOT_FOUND,
            StoreError::OtherParts { .. } => StatusCode::CONFLICT,
            StoreError::Invalid { .. } => StatusCode::UNPROCESSABLE_ENTITY,
            StoreError::Busy { .. } | StoreError::DiskFull { .. } => {
                StatusCode::SERVICE_UNAVAILABLE
            }
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self::new(status, error)
    }
}

impl From<CalibrationError> for Problem {
    fn from(error: CalibrationError) -> Self {
        match error {
            CalibrationError::Store(error) => error.into(),
            error => Self::new(StatusCode::CONFLICT, error),
        }
    }
}

impl From<TareError> for Problem {
    fn from(error: TareError) -> Self {
        match error {
            TareError::Source(RunSourceError::Store(error)) => error.into(),
            TareError::Seconds { .. } => Self::value(error),
            error => Self::new(StatusCode::CONFLICT, error),
        }
    }
}

impl From<KeepError> for Problem {
    fn from(error: KeepError) -> Self {
        match error {
            KeepError::Store(error) => error.into(),
            KeepError::Seconds { .. } => Self::value(error),
            KeepError::Nothing => Self::new(StatusCode::CONFLICT, error),
        }
    }
}

impl From<ReductionError> for Problem {
    fn from(error: ReductionError) -> Self {
        match error {
            ReductionError::Store(error) => error.into(),
            // The pull is there, but its samples make no curve.
            error => Self::new(StatusCode::CONFLICT, error),
        }
    }
}
