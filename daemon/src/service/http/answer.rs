//! What a change did, as JSON, as a sheet and as files for other programs.
//!
//! All of it is what `leverarm compare`, `sheet` and `export` make, by this same program as a process
//! of its own: it yields to everything else on the machine, takes none of the daemon's locked memory,
//! and can be ended at any moment, so that no answer holds up a cut. It ends with the request that
//! asked for it: whoever wants another answer lets go of the one before.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::time::Duration;

use axum::extract::State as Extract;
use axum::http::{StatusCode, header};
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::{Map, Value};
use tokio::process::Command;
use tokio::sync::{Semaphore, SemaphorePermit};

use super::State;
use super::api::{Answer, NAME_CHARS_MAX, line, text};
use super::problem::Problem;
use super::request::Input;
use leverarm_analysis::setup_correction;
use leverarm_store::PullId;

/// Answers that wait for the one under way; more are refused: "busy".
const WAITING_MAX: usize = 8;
/// One that takes longer is given up.
const TIME_MAX: Duration = Duration::from_secs(300);
/// How far it stands behind everything else (nice value).
const NICE: &str = "10";
const SETUPS_MAX: usize = 20;
const PULLS_MAX: usize = 500;
const TORQUE_NM_MAX: f64 = 1e6;
const SPEED_RPM_MAX: f64 = 1e6;
const REFIT_MAX: f64 = 0.5;

/// One answer at a time.
#[derive(Debug)]
pub(super) struct Desk {
    places: Semaphore,
    turn: Semaphore,
}

impl Default for Desk {
    fn default() -> Self {
        Self {
            places: Semaphore::new(WAITING_MAX + 1),
            turn: Semaphore::new(1),
        }
    }
}

impl Desk {
    async fn turn(&self) -> Result<(SemaphorePermit<'_>, SemaphorePermit<'_>), Problem> {
        let busy = |_full| {
            let error = "busy with other comparisons and files: try again in a moment";
            Problem::new(StatusCode::SERVICE_UNAVAILABLE, error).later(5)
        };
        let place = self.places.try_acquire().map_err(busy)?;
        let closed = |_closed| Problem::internal("the desk is closed");
        let turn = self.turn.acquire().await.map_err(closed)?;
        Ok((place, turn))
    }
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum UnitsWord {
    Si,
    Us,
}

/// What to compare, and how.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ComparisonRequest {
    setups: Vec<String>,
    margin_nm: Option<f64>,
    resolve_nm: Option<f64>,
    range_rpm: Option<[f64; 2]>,
    typical_refit: Option<f64>,
    units: Option<UnitsWord>,
}

impl ComparisonRequest {
    /// Options and names for the command line.
    async fn arguments(&self, web: &super::Web) -> Result<(Vec<OsString>, Vec<String>), Problem> {
        let setups = names(&self.setups)?;
        if setups.len() < 2 {
            return Err(Problem::value("setups: expected two or more"));
        }
        known(web, setups.clone(), Vec::new()).await?;
        Ok((self.options()?, setups))
    }

    fn options(&self) -> Result<Vec<OsString>, Problem> {
        let mut options = Vec::new();
        let mut put = |option: String| options.push(OsString::from(option));
        let positive = |key: &str, value: Option<f64>, most: f64| match value {
            Some(value) if !(value > 0.0 && value <= most) => Err(Problem::value(format!(
                "{key}: expected more than 0 and at most {most}, found {value}"
            ))),
            value => Ok(value),
        };
        if let Some(nm) = positive("margin_nm", self.margin_nm, TORQUE_NM_MAX)? {
            put(format!("--margin={nm} N*m"));
        }
        if let Some(nm) = positive("resolve_nm", self.resolve_nm, TORQUE_NM_MAX)? {
            put(format!("--resolve={nm} N*m"));
        }
        if let Some([low, high]) = self.range_rpm {
            if !(low >= 0.0 && low < high && high <= SPEED_RPM_MAX) {
                return Err(Problem::value(format!(
                    "range_rpm: expected two rising engine speeds up to {SPEED_RPM_MAX}, found {low} and {high}"
                )));
            }
            put(format!("--range={low}-{high}"));
        }
        if let Some(share) = self.typical_refit {
            if !(share > 0.0 && share < REFIT_MAX) {
                return Err(Problem::value(format!(
                    "typical_refit: expected more than 0 and less than {REFIT_MAX}, found {share}"
                )));
            }
            put(format!("--typical-refit={} %", 100.0 * share));
        }
        match self.units {
            Some(UnitsWord::Si) => put("--units=si".to_owned()),
            Some(UnitsWord::Us) => put("--units=us".to_owned()),
            None => {}
        }
        Ok(options)
    }
}

fn names(given: &[String]) -> Result<Vec<String>, Problem> {
    if given.len() > SETUPS_MAX {
        return Err(Problem::value(format!("setups: at most {SETUPS_MAX}")));
    }
    let each = given.iter();
    each.map(|name| line("setups", name, NAME_CHARS_MAX).map(str::to_owned))
        .collect()
}

pub(super) async fn compare(
    Extract(web): State,
    Input(request): Input<ComparisonRequest>,
) -> Answer {
    let (mut options, setups) = request.arguments(&web).await?;
    options.extend(["--why", "--json"].map(OsString::from));
    let json = run(&web, "compare", options, &setups).await?;
    let json_type = [(header::CONTENT_TYPE, "application/json")];
    Ok((json_type, json).into_response())
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum SheetFormat {
    Html,
    Pdf,
    Svg,
    Png,
}

#[derive(Deserialize, Clone, Copy, Default)]
#[serde(rename_all = "snake_case")]
enum PaperWord {
    #[default]
    A4,
    Letter,
}

#[derive(Deserialize, Clone, Copy, Default)]
#[serde(rename_all = "kebab-case")]
enum Picture {
    TorqueAndPower,
    #[default]
    Difference,
    Why,
}

#[derive(Deserialize, Clone, Copy, Default)]
#[serde(rename_all = "snake_case")]
enum ThemeWord {
    #[default]
    Light,
    Dark,
}

/// What a sheet, or a picture of it, is to be.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SheetForm {
    format: SheetFormat,
    #[serde(default)]
    paper: PaperWord,
    #[serde(default)]
    picture: Picture,
    #[serde(default)]
    theme: ThemeWord,
    #[serde(default)]
    author: String,
    #[serde(default)]
    note: String,
}

/// A comparison with the form it is to take.
#[derive(Deserialize)]
#[serde(try_from = "Map<String, Value>")]
pub(super) struct SheetRequest {
    form: SheetForm,
    comparison: ComparisonRequest,
}

impl TryFrom<Map<String, Value>> for SheetRequest {
    type Error = serde_json::Error;

    /// Flattened, either half would let unknown fields pass.
    fn try_from(mut all: Map<String, Value>) -> Result<Self, Self::Error> {
        let keys = ["format", "paper", "picture", "theme", "author", "note"];
        let form = keys.iter().filter_map(|key| all.remove_entry(*key));
        Ok(Self {
            form: serde_json::from_value(Value::Object(form.collect()))?,
            comparison: serde_json::from_value(Value::Object(all))?,
        })
    }
}

pub(super) async fn sheet(Extract(web): State, Input(request): Input<SheetRequest>) -> Answer {
    let SheetRequest { form, comparison } = request;
    let author = line("author", &form.author, NAME_CHARS_MAX)?;
    let note = text("note", &form.note)?;
    let (mut options, setups) = comparison.arguments(&web).await?;
    let folder = tempfile::tempdir().map_err(Problem::internal)?;
    let picture = match form.picture {
        Picture::TorqueAndPower => "torque-and-power",
        Picture::Difference => "difference",
        Picture::Why => "why",
    };
    let theme = match form.theme {
        ThemeWord::Light => "light",
        ThemeWord::Dark => "dark",
    };
    let (file, media_type, what) = match form.format {
        SheetFormat::Html => ("sheet.html".to_owned(), "text/html; charset=utf-8", ""),
        SheetFormat::Pdf => ("sheet.pdf".to_owned(), "application/pdf", ""),
        SheetFormat::Svg => (format!("{picture}-{theme}.svg"), "image/svg+xml", picture),
        SheetFormat::Png => (format!("{picture}-{theme}.png"), "image/png", picture),
    };
    let path = folder.path().join(&file);
    match form.format {
        SheetFormat::Html => options.push(option("--out=", &path)),
        SheetFormat::Pdf => {
            options.push(option("--pdf=", &path));
            let paper = match form.paper {
                PaperWord::A4 => "--paper=a4",
                PaperWord::Letter => "--paper=letter",
            };
            options.push(paper.into());
        }
        SheetFormat::Svg | SheetFormat::Png => options.push(option("--plots=", folder.path())),
    }
    options.push(format!("--author={author}").into());
    options.push(format!("--note={note}").into());
    run(&web, "sheet", options, &setups).await?;
    let mut words: Vec<&str> = setups.iter().map(String::as_str).collect();
    words.push(what);
    download(&path, media_type, &words).await
}

#[derive(Deserialize, Clone, Copy)]
#[serde(rename_all = "snake_case")]
enum ExportFormat {
    Csv,
    Parquet,
    Mf4,
    Bin,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ExportRequest {
    #[serde(default)]
    pulls: Vec<i64>,
    #[serde(default)]
    setups: Vec<String>,
    format: ExportFormat,
    #[serde(default)]
    raw: bool,
    #[serde(default)]
    engine: bool,
}

pub(super) async fn export(Extract(web): State, Input(request): Input<ExportRequest>) -> Answer {
    let setups = names(&request.setups)?;
    let pulls = &request.pulls;
    if pulls.len() > PULLS_MAX || pulls.iter().any(|pull| *pull < 0) {
        return Err(Problem::value(format!(
            "pulls: expected at most {PULLS_MAX} numbers from 0"
        )));
    }
    if pulls.is_empty() && setups.is_empty() {
        return Err(Problem::value(
            "name pulls or setups: what is to be exported?",
        ));
    }
    known(&web, setups.clone(), pulls.clone()).await?;
    let (ending, media_type) = match request.format {
        ExportFormat::Csv => ("csv", "text/csv; charset=utf-8"),
        ExportFormat::Parquet => ("parquet", "application/vnd.apache.parquet"),
        ExportFormat::Mf4 => ("mf4", "application/octet-stream"),
        ExportFormat::Bin => ("bin", "application/octet-stream"),
    };
    let folder = tempfile::tempdir().map_err(Problem::internal)?;
    let path = folder.path().join(format!("pulls.{ending}"));
    let mut options = vec![option("--out=", &path)];
    options.extend(setups.iter().map(|name| format!("--setup={name}").into()));
    if request.raw {
        // Samples hold every channel anyway.
        options.push("--raw".into());
    } else if request.engine {
        options.push("--engine".into());
    }
    let numbers: Vec<String> = pulls.iter().map(ToString::to_string).collect();
    run(&web, "export", options, &numbers).await?;
    let pulls = match numbers.as_slice() {
        [] => String::new(),
        [one] => format!("pull {one}"),
        [first, .., last] => format!("pulls {first} to {last}"),
    };
    let raw = if request.raw { "raw" } else { "" };
    let mut words: Vec<&str> = setups.iter().map(String::as_str).collect();
    words.extend([pulls.as_str(), raw]);
    download(&path, media_type, &words).await
}

/// What is not there is told before anything is worked out.
async fn known(web: &super::Web, setups: Vec<String>, pulls: Vec<i64>) -> Result<(), Problem> {
    web.read(move |reader| {
        for name in setups {
            reader.setup_named(&name)?;
        }
        for pull in pulls {
            setup_correction::pull(reader, PullId::new(pull))?;
        }
        Ok(())
    })
    .await
}

pub(super) fn option(key: &str, path: &Path) -> OsString {
    let mut option = OsString::from(key);
    option.push(path);
    option
}

/// Runs one of this program's own commands, a word or two, on the store, and gives what it prints.
pub(super) async fn run(
    web: &super::Web,
    command: &str,
    options: Vec<OsString>,
    names: &[String],
) -> Result<Vec<u8>, Problem> {
    let _turn = web.desk.turn().await?;
    let cannot = |error| Problem::internal(format!("the {command} can't be started: {error}"));
    let child = Command::new("nice")
        .args(["-n", NICE])
        .arg(program().map_err(cannot)?)
        .args(command.split(' '))
        .arg(option("--store=", web.handle.store_folder()))
        .args(options)
        .arg("--")
        .args(names)
        .stdin(Stdio::null())
        .kill_on_drop(true)
        .output();
    let late = |_elapsed| {
        let error = format!("the {command} took longer than {} s", TIME_MAX.as_secs());
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, error)
    };
    let done = tokio::time::timeout(TIME_MAX, child).await.map_err(late)?;
    let done = done.map_err(cannot)?;
    if done.status.success() {
        return Ok(done.stdout);
    }
    let said = String::from_utf8_lossy(&done.stderr);
    let said = said.trim().trim_start_matches("error: ");
    Err(Problem::new(StatusCode::CONFLICT, said))
}

/// This program, also when its file was replaced since it started.
fn program() -> std::io::Result<PathBuf> {
    let running = Path::new("/proc/self/exe");
    if running.exists() {
        // Resolved here: in the new process it would be `nice`.
        return Ok(PathBuf::from(format!("/proc/{}/exe", std::process::id())));
    }
    std::env::current_exe()
}

/// A file that was made, with a name made of what it is about.
async fn download(path: &Path, media_type: &'static str, words: &[&str]) -> Answer {
    let file = path.to_path_buf();
    let read = tokio::task::spawn_blocking(move || std::fs::read(file)).await;
    let bytes = read.map_err(Problem::internal)?.map_err(|error| {
        // A picture of reasons where the stand measures none.
        let status = if error.kind() == std::io::ErrorKind::NotFound {
            StatusCode::CONFLICT
        } else {
            StatusCode::INTERNAL_SERVER_ERROR
        };
        Problem::new(status, format!("there is no such picture of it ({error})"))
    })?;
    let ending = path.extension().unwrap_or_default().to_string_lossy();
    let name = format!("attachment; filename=\"{}.{ending}\"", file_name(words));
    let headers = [
        (header::CONTENT_TYPE, media_type.to_owned()),
        (header::CONTENT_DISPOSITION, name),
    ];
    Ok((headers, bytes).into_response())
}

/// A name that every system takes: lower-case letters, digits and dashes.
fn file_name(words: &[&str]) -> String {
    const CHARS_MAX: usize = 100;
    let plain = |c: char| {
        if c.is_ascii_alphanumeric() {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    let joined: String = words.join(" ").chars().map(plain).collect();
    let parts: Vec<&str> = joined.split('-').filter(|part| !part.is_empty()).collect();
    let name: String = parts.join("-").chars().take(CHARS_MAX).collect();
    if name.is_empty() {
        "leverarm".to_owned()
    } else {
        name
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_are_plain() {
        assert_eq!(
            file_name(&["main jet 105", "Main Jet 110", ""]),
            "main-jet-105-main-jet-110"
        );
        assert_eq!(file_name(&["../../etc/\"passwd\"\r\n"]), "etc-passwd");
        assert_eq!(file_name(&["日本"]), "leverarm");
    }
}
