//! The connection to one server: a request out, an [`Answer`] back.

use std::time::Duration;

use influxdb2::RequestError;
use leverarm_config::{Secret, StreamApi, StreamDestination};
use reqwest::StatusCode;

use super::courier::Answer;

const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
const REQUEST_TIMEOUT: Duration = Duration::from_secs(30);
/// What is kept of a server's reason.
const REASON_CHARS_MAX: usize = 300;

type Cause = Box<dyn std::error::Error + Send + Sync>;

/// Why a destination can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// The secret is not where the stand file says.
    #[error("the secret of \"{name}\" is not in {place}: {source}")]
    Secret {
        /// Name of the destination.
        name: String,
        /// Where it was looked for.
        place: String,
        /// What was wrong.
        source: Cause,
    },
    /// The address can't be used, or the client can't be made.
    #[error("\"{name}\": {source}")]
    Client {
        /// Name of the destination.
        name: String,
        /// What was wrong.
        source: Cause,
    },
}

/// Talks to one server.
#[derive(Debug)]
pub(super) enum Client {
    V2 {
        client: influxdb2::Client,
        org: String,
        bucket: String,
    },
    V1 {
        client: reqwest::Client,
        url: reqwest::Url,
        login: Option<(String, String)>,
    },
}

impl Client {
    /// Reads the secrets and makes the client. Nothing is sent.
    pub(super) fn new(destination: &StreamDestination) -> Result<Self, ClientError> {
        let StreamDestination { name, url, api, .. } = destination;
        let failed = |source: Cause| ClientError::Client {
            name: name.clone(),
            source,
        };
        // Looked at first: the library panics on an address that is none.
        let mut url =
            reqwest::Url::parse(url).map_err(|error| failed(format!("{url}: {error}").into()))?;
        // A redirected write would lose its body.
        let builder = reqwest::Client::builder()
            .connect_timeout(CONNECT_TIMEOUT)
            .timeout(REQUEST_TIMEOUT)
            .redirect(reqwest::redirect::Policy::none());
        match api {
            StreamApi::V2 { org, bucket, token } => {
                let token = match token {
                    Some(token) => read(name, token)?,
                    None => String::new(),
                };
                let client = influxdb2::ClientBuilder::with_builder(builder, url, org, token)
                    .build()
                    .map_err(|error| failed(error.into()))?;
                Ok(Self::V2 {
                    client,
                    org: org.clone(),
                    bucket: bucket.clone(),
                })
            }
            StreamApi::V1 { database, login } => {
                let login = match login {
                    Some((user, password)) => Some((user.clone(), read(name, password)?)),
                    None => None,
                };
                let path = format!("{}/write", url.path().trim_end_matches('/'));
                url.set_path(&path);
                url.query_pairs_mut()
                    .append_pair("db", database)
                    .append_pair("precision", "ns");
                let client = builder.build().map_err(|error| failed(error.into()))?;
                Ok(Self::V1 { client, url, login })
            }
        }
    }

    /// Sends lines.
    pub(super) async fn send(&self, lines: String) -> Answer {
        match self {
            Self::V2 {
                client,
                org,
                bucket,
            } => match client.write_line_protocol(org, bucket, lines).await {
                Ok(()) => Answer::Taken,
                Err(RequestError::Http { status, text }) => judge(status, &text),
                Err(RequestError::ReqwestProcessing { source }) => broken(&source),
                Err(error) => Answer::Broken(error.to_string()),
            },
            Self::V1 { client, url, login } => {
                let mut request = client.post(url.clone()).body(lines);
                if let Some((user, password)) = login {
                    request = request.basic_auth(user, Some(password));
                }
                let outcome = async {
                    let response = request.send().await?;
                    let status = response.status();
                    Ok((status, response.text().await?))
                };
                match outcome.await {
                    Ok((StatusCode::NO_CONTENT | StatusCode::OK, _)) => Answer::Taken,
                    Ok((status, text)) => judge(status, &text),
                    Err(error) => broken(&error),
                }
            }
        }
    }
}

/// What an answer other than "taken" means.
fn judge(status: StatusCode, text: &str) -> Answer {
    let short: String = text.trim().chars().take(REASON_CHARS_MAX).collect();
    let reason = format!("{status}: {short}");
    match status.as_u16() {
        400 | 413 | 422 => Answer::Refused(reason),
        408 | 429 | 502 | 503 | 504 => Answer::Later(reason),
        500 | 501 | 505..=599 => Answer::Broken(reason),
        _ => Answer::Denied(reason),
    }
}

fn broken(error: &reqwest::Error) -> Answer {
    // The address is in the stand file; what the causes say is what helps.
    let mut reason = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        reason = inner.to_string();
        cause = inner.source();
    }
    if error.is_connect() {
        Answer::Later(format!("not reached: {reason}"))
    } else if error.is_timeout() {
        Answer::Broken(format!("no answer in {} s", REQUEST_TIMEOUT.as_secs()))
    } else {
        Answer::Broken(reason)
    }
}

fn read(name: &str, secret: &Secret) -> Result<String, ClientError> {
    let (place, found) = match secret {
        Secret::Env(variable) => (
            format!("the environment variable {variable}"),
            std::env::var(variable).map_err(Cause::from),
        ),
        Secret::File(path) => (
            path.display().to_string(),
            std::fs::read_to_string(path).map_err(Cause::from),
        ),
    };
    let missing = |source: Cause| ClientError::Secret {
        name: name.to_owned(),
        place: place.clone(),
        source,
    };
    let found = found.map_err(missing)?;
    let secret = found.trim();
    if secret.is_empty() || secret.chars().any(char::is_control) {
        return Err(missing("one line of text expected".into()));
    }
    Ok(secret.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_told_apart() {
        let judged = |status: u16| judge(StatusCode::from_u16(status).unwrap(), " why\n");
        for (statuses, expected) in [
            (&[400, 413, 422][..], "Refused"),
            (&[429, 503, 502, 504, 408], "Later"),
            (&[500, 507], "Broken"),
            (&[401, 403, 404, 301, 405, 200], "Denied"),
        ] {
            for status in statuses {
                let answer = format!("{:?}", judged(*status));
                assert!(answer.starts_with(expected), "{status}: {answer}");
                assert!(answer.contains("why"), "{answer}");
            }
        }
    }

    #[test]
    fn a_missing_secret_is_named_and_a_present_one_not_shown() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), "abc\n").unwrap();
        let destination = |token: Secret| StreamDestination {
            name: "shed".to_owned(),
            url: "http://127.0.0.1:1/".to_owned(),
            api: StreamApi::V2 {
                org: String::new(),
                bucket: "b".to_owned(),
                token: Some(token),
            },
            rate_hz: 10.0,
            stand: "s".to_owned(),
        };
        let client = Client::new(&destination(Secret::File(file.path().into()))).unwrap();
        assert!(!format!("{client:?}").contains("abc"), "{client:?}");
        for secret in [
            Secret::Env("LEVERARM_NO_SUCH_VARIABLE".to_owned()),
            Secret::File("/no/such/file".into()),
        ] {
            let error = Client::new(&destination(secret)).unwrap_err().to_string();
            assert!(error.contains("\"shed\""), "{error}");
            assert!(
                error.contains("NO_SUCH") || error.contains("/no/such"),
                "{error}"
            );
        }
    }
}
