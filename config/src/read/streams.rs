//! `[[stream]]`: servers that the stand's values are sent to.

use url::Url;

use super::Unique;
use crate::reader::{Choice, Parsed, Quantity as Q, Section, Text};
use crate::stand::{Secret, StreamApi, StreamDestination};
use crate::units;

/// What the file says which way to write.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    V1,
    V2,
}

const KINDS: &[(&str, Kind)] = &[("v2", Kind::V2), ("v1", Kind::V1)];
const URL: &str = "an address such as \"http://192.168.1.20:8086\"";
/// Points a second of each value when the file doesn't say.
const RATE_HZ: f64 = 10.0;

pub(super) fn streams(
    root: &Section<'_>,
    stand_name: Option<&str>,
) -> Vec<Option<StreamDestination>> {
    let mut names = Unique::new(
        "two destinations can't share a name: how far each has come is kept under it",
        "a name of its own",
    );
    root.sections("stream")
        .into_iter()
        .map(|section| stream(section, &mut names, stand_name))
        .collect()
}

fn stream(
    section: Section<'_>,
    names: &mut Unique<String>,
    stand_name: Option<&str>,
) -> Option<StreamDestination> {
    let name = section.required("name", &Text("workshop server"));
    names.check(name.clone(), section.item("name"));
    let kind = section.required("kind", &Choice(KINDS));
    let address = Parsed {
        expected: URL,
        parse: address,
    };
    let url = section.required("url", &address);
    if let (Some(url), Some(Kind::V2), Some(item)) = (&url, kind, section.item("url"))
        && url.path() != "/"
    {
        item.fault(
            "a v2 server is asked at its own path",
            format!(
                "{}, or kind \"v1\" for a path",
                url.origin().ascii_serialization()
            ),
            None,
        );
    }
    let api = match kind {
        Some(Kind::V2) => v2(&section),
        Some(Kind::V1) => v1(&section),
        None => {
            section.excuse_rest();
            None
        }
    };
    let rate_hz = section.optional("rate", &Q(&units::FREQUENCY, Some(("1 Hz", "100 Hz"))));
    let stand = section.optional("stand", &Text("shed drum"));
    section.finish();
    Some(StreamDestination {
        name: name?,
        url: url?.to_string(),
        api: api?,
        rate_hz: rate_hz.unwrap_or(RATE_HZ),
        stand: stand.or_else(|| stand_name.map(str::to_owned))?,
    })
}

fn v2(section: &Section<'_>) -> Option<StreamApi> {
    let org = section.optional("org", &Text("shed"));
    let bucket = section.required("bucket", &Text("stand"));
    let token = secret(section, "token_env", "token_file");
    Some(StreamApi::V2 {
        org: org.unwrap_or_default(),
        bucket: bucket?,
        token: token?,
    })
}

fn v1(section: &Section<'_>) -> Option<StreamApi> {
    let database = section.required("database", &Text("stand"));
    let user = section.optional("user", &Text("stand"));
    let password = secret(section, "password_env", "password_file")?;
    let login = match (user, password) {
        (Some(user), Some(password)) => Some((user, password)),
        (Some(_), None) => {
            section.missing(
                "password_env",
                "where the user's password is: password_env or password_file",
            );
            return None;
        }
        (None, Some(_)) => {
            section.missing("user", "the user that the password belongs to");
            return None;
        }
        (None, None) => None,
    };
    Some(StreamApi::V1 {
        database: database?,
        login,
    })
}

/// Where a secret is. It is never in the file itself: the file's text is kept with every pull.
fn secret(
    section: &Section<'_>,
    env_key: &'static str,
    file_key: &'static str,
) -> Option<Option<Secret>> {
    let named = Parsed {
        expected: "the name of an environment variable such as \"LEVERARM_STREAM_TOKEN\"",
        parse: variable,
    };
    let variable = section.item(env_key);
    let file = section.item(file_key);
    match (variable, file) {
        (None, None) => Some(None),
        (Some(item), None) => item.read(&named).map(Secret::Env).map(Some),
        (None, Some(item)) => {
            let path = item.read(&Text("/etc/leverarm/token"))?;
            Some(Some(Secret::File(path.into())))
        }
        (Some(_), Some(item)) => {
            item.fault(
                "this secret is given twice",
                format!("{env_key} or {file_key}"),
                None,
            );
            None
        }
    }
}

type Refusal = (String, Option<String>);

fn variable(text: &str) -> Result<String, Refusal> {
    let first = text
        .chars()
        .next()
        .is_some_and(|c| c.is_ascii_alphabetic() || c == '_');
    let rest = text.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
    if first && rest {
        return Ok(text.to_owned());
    }
    let hint = "the secret itself does not belong here: the file is kept with every pull";
    Err((
        "this is no name of a variable".to_owned(),
        Some(hint.to_owned()),
    ))
}

fn address(text: &str) -> Result<Url, Refusal> {
    let refused = |rule: &str| (rule.to_owned(), None);
    let url = Url::parse(text).map_err(|error| (format!("this is no address: {error}"), None))?;
    if !matches!(url.scheme(), "http" | "https") || url.host_str().is_none_or(str::is_empty) {
        return Err(refused("this is no address of a web server"));
    }
    if !url.username().is_empty() || url.password().is_some() {
        let hint = "use token_env, token_file, or user with password_env or password_file";
        let rule = "a secret does not belong in this file: it is kept with every pull";
        return Err((rule.to_owned(), Some(hint.to_owned())));
    }
    if url.query().is_some() || url.fragment().is_some() {
        return Err(refused("an address without ? and # is wanted"));
    }
    Ok(url)
}
