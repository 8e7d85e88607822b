//! Commands that talk to the running daemon: `setup`, `air`, `cut`, `release`.

use anyhow::{Context, anyhow, bail};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::Path;
use std::time::Duration;

use leverarm_config::{AirInput, Stand, units};
use leverarm_torque::reduce::AirReadings;
use leverarm_torque::uncertainty::Measured;
use reqwest::header::AUTHORIZATION;
use reqwest::{Client, Method, RequestBuilder, StatusCode};
use serde_json::{Value, json};

use super::dialogue::Dialogue;
use super::terminal::Table;
use super::{DaemonArgument, Failure, StandFile, pull_number, read_stand, say};
use crate::clock::Clock;
use crate::service::{
    Belongs, KeepRequest, NewSetupRequest, keep as keep_stretch, put_air, setup_in_force,
    take_setup,
};
use leverarm_analysis::exclusion::{ExclusionRequest, event as exclusion_event};
use leverarm_analysis::in_force::hash_in_force;
use leverarm_analysis::local_time::local_text;
use leverarm_analysis::parts::{Part, parts_in_words};
use leverarm_analysis::reduction::EnteredAir;
use leverarm_analysis::setup_correction::{self, SetupCorrectionRequest};
use leverarm_store::{NewEvent, PullId, Store, StoreError, StoreReader};

/// A cut is asked for so often when the line breaks.
const TRIES: usize = 5;
/// So long an answer is waited for.
const PATIENCE: Duration = Duration::from_secs(5);

/// What the daemon answered once it had done what was asked; `None` where nobody listens at the page's
/// address; an error where it refused or failed.
type Answer = Result<Option<Value>, Failure>;

/// Why there was no answer.
enum Silence {
    NobodyListens,
    /// The line broke; the daemon may have taken the request.
    LineBroke(String),
    Other(String),
}

impl Silence {
    fn of(error: &reqwest::Error) -> Self {
        let mut reason = error.to_string();
        let mut cause = std::error::Error::source(error);
        while let Some(inner) = cause {
            let refused = inner
                .downcast_ref::<std::io::Error>()
                .is_some_and(|it| it.kind() == std::io::ErrorKind::ConnectionRefused);
            if refused {
                return Self::NobodyListens;
            }
            reason = inner.to_string();
            cause = inner.source();
        }
        if error.is_timeout() {
            Self::Other(format!("no answer in {} s", PATIENCE.as_secs()))
        } else {
            Self::LineBroke(reason)
        }
    }
}

type Outcome = Result<(StatusCode, Vec<u8>), Silence>;

/// Sends a request and waits for the whole answer.
fn exchange(request: impl FnOnce(&Client) -> RequestBuilder) -> Outcome {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Silence::Other(error.to_string()))?;
    let answer = async {
        let client = Client::builder().timeout(PATIENCE).no_proxy().build()?;
        let response = request(&client).send().await?;
        Ok((response.status(), response.bytes().await?.to_vec()))
    };
    runtime
        .block_on(answer)
        .map_err(|error: reqwest::Error| Silence::of(&error))
}

fn answer_of(outcome: Outcome) -> Answer {
    let (status, body) = match outcome {
        Ok(answered) => answered,
        Err(Silence::NobodyListens) => return Ok(None),
        Err(Silence::LineBroke(reason) | Silence::Other(reason)) => bail!(reason),
    };
    let value: Value = serde_json::from_slice(&body).with_context(|| status.to_string())?;
    if status.is_success() {
        return Ok(Some(value));
    }
    let error = value.get("error").and_then(Value::as_str);
    bail!(error.unwrap_or("no reason given").to_owned())
}

/// The way to the daemon.
pub(super) struct Line<'a> {
    address: SocketAddr,
    authorization: Option<String>,
    stand: &'a Stand,
}

impl<'a> Line<'a> {
    /// # Errors
    /// When the token file that was named can't be read.
    pub(super) fn to(stand: &'a Stand, daemon: &DaemonArgument) -> Result<Self, Failure> {
        Ok(Self::with_token(stand, daemon.token(stand)?.as_deref()))
    }

    pub(super) fn with_token(stand: &'a Stand, token: Option<&str>) -> Self {
        let mut address = stand.page_address;
        // A page that listens on all addresses is found on this machine's own.
        match address.ip() {
            IpAddr::V4(ip) if ip.is_unspecified() => address.set_ip(Ipv4Addr::LOCALHOST.into()),
            IpAddr::V6(ip) if ip.is_unspecified() => address.set_ip(Ipv6Addr::LOCALHOST.into()),
            _ => {}
        }
        Self {
            address,
            authorization: token.map(|token| format!("Bearer {token}")),
            stand,
        }
    }

    pub(super) fn post(&self, path: &str, body: &Value) -> Answer {
        answer_of(self.send(path, body))
    }

    /// Asks again when the line breaks: for what does no harm when it is done twice.
    fn post_surely(&self, path: &str, body: &Value) -> Answer {
        surely(|| self.send(path, body))
    }

    fn send(&self, path: &str, body: &Value) -> Outcome {
        exchange(|client| self.request(client, Method::POST, path).json(body))
    }

    pub(super) fn get(&self, path: &str) -> Answer {
        surely(|| exchange(|client| self.request(client, Method::GET, path)))
    }

    fn request(&self, client: &Client, method: Method, path: &str) -> RequestBuilder {
        let request = client.request(method, format!("http://{}{path}", self.address));
        match &self.authorization {
            Some(authorization) => request.header(AUTHORIZATION, authorization),
            None => request,
        }
    }

    /// What the daemon answered, for a command that needs one.
    pub(super) fn needed(&self, answer: Answer) -> Result<Value, Failure> {
        answer?.ok_or_else(|| {
            anyhow!(
                "no daemon answers at http://{}; start it with `leverarm serve`. If the engine has to \
                 stop now, use the emergency stop",
                self.stand.page_address
            )
        })
    }
}

/// Asks again when the line breaks, as it may in a crowd.
fn surely(ask: impl Fn() -> Outcome) -> Answer {
    for _ in 1..TRIES {
        let outcome = ask();
        if !matches!(outcome, Err(Silence::LineBroke(_))) {
            return answer_of(outcome);
        }
    }
    answer_of(ask())
}

pub(super) fn message(value: &Value) -> &str {
    value
        .get("message")
        .and_then(Value::as_str)
        .unwrap_or("done")
}

#[derive(Debug, clap::Args)]
pub(super) struct CutArguments {
    /// Why, for the journal
    #[arg(default_value = "")]
    reason: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

pub(super) fn cut(asked: &CutArguments) -> Result<(), Failure> {
    let (reason, daemon) = (&asked.reason, &asked.daemon);
    let stand = read_stand(&daemon.stand.file)?.stand;
    let line = Line::to(&stand, daemon)?;
    let value = line.needed(line.post_surely("/api/cut", &json!({ "reason": reason })))?;
    say(message(&value));
    // Tell how it ended: a cut is not done before the board says so.
    let clock = Clock::start();
    while clock.now().mono_us < 1_000_000 {
        let Ok(Some(live)) = line.get("/api/live") else {
            // The cut is taken; to see it done may need another look.
            continue;
        };
        let latch = live.pointer("/cut/latch").and_then(Value::as_str);
        if latch == Some("confirmed") {
            let id = live
                .pointer("/cut/cut_id")
                .and_then(Value::as_u64)
                .unwrap_or(0);
            say(&format!(
                "the board confirms cut {id}; end it with `leverarm release {id}`"
            ));
            return Ok(());
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    Err(anyhow!(
        "the board has not confirmed the cut within 1 s: use the emergency stop"
    ))
}

/// The cuts in force, oldest first.
fn cuts_of(live: &Value) -> impl Iterator<Item = &Value> {
    let cuts = live.pointer("/cut/cuts").and_then(Value::as_array);
    cuts.into_iter().flatten()
}

#[derive(Debug, clap::Args)]
pub(super) struct ReleaseArguments {
    /// Number of the cut, as the daemon shows it
    cut: Option<u32>,
    #[command(flatten)]
    daemon: DaemonArgument,
}

pub(super) fn release(asked: &ReleaseArguments) -> Result<(), Failure> {
    let daemon = &asked.daemon;
    let stand = read_stand(&daemon.stand.file)?.stand;
    let line = Line::to(&stand, daemon)?;
    let Some(cut_id) = asked.cut else {
        let live = line.needed(line.get("/api/live"))?;
        let causes: Vec<String> = cuts_of(&live)
            .map(|cut| {
                let cause = cut
                    .get("cause")
                    .and_then(Value::as_str)
                    .unwrap_or("unknown");
                let number = cut.get("number").and_then(Value::as_u64).unwrap_or(0);
                format!("cut {number} is in force: {cause}")
            })
            .collect();
        return match live.pointer("/cut/cut_id").and_then(Value::as_u64) {
            Some(id) => Err(anyhow!(
                "{}. When all that is seen to, end it with `leverarm release {id}`",
                causes.join("; ")
            )),
            None => Err(anyhow!("there is no cut that the board has confirmed")),
        };
    };
    let value = line.needed(line.post_surely("/api/release", &json!({ "cut_id": cut_id })))?;
    say(message(&value));
    let clock = Clock::start();
    let mut sent = false;
    while clock.now().mono_us < 1_500_000 {
        let live = line.needed(line.get("/api/live"))?;
        match live.pointer("/cut/latch").and_then(Value::as_str) {
            Some("running") => {
                say("released: the engine may run");
                return Ok(());
            }
            Some("releasing") => sent = true,
            // What was to be seen to is over; the daemon has said why the stand stays cut.
            _ if cuts_of(&live).all(|cut| cut.get("by") == Some(&json!("not_armed"))) => {
                return Ok(());
            }
            // Live values from before the release was sent still show the cut.
            _ if sent || clock.now().mono_us > 200_000 => break,
            _ => {}
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    Err(anyhow!(
        "the board did not release the cut: it still sees a reason; `leverarm journal` has it"
    ))
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct KeepArguments {
    /// How much, such as "90 s" or "5 min"
    #[arg(long, value_name = "TIME")]
    last: String,
    /// A note on it
    #[arg(long, default_value = "")]
    note: String,
    /// Let it take part in comparisons, as a pull with the setup in force
    #[arg(long)]
    with_setup: bool,
    /// JSON instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    daemon: DaemonArgument,
}

/// Keeps the newest stretch as a pull: through the running daemon, or in the store itself.
pub(super) fn keep(asked: &KeepArguments) -> Result<(), Failure> {
    let daemon = &asked.daemon;
    let read = read_stand(&daemon.stand.file)?;
    let seconds = super::dialogue::quantity(&asked.last, &units::DURATION)
        .with_context(|| format!("--last {:?}", asked.last))?
        .value;
    let request = KeepRequest {
        seconds,
        note: asked.note.clone(),
        with_setup: asked.with_setup,
    };
    let body = serde_json::to_value(&request)?;
    let id = match Line::to(&read.stand, daemon)?.post("/api/keep", &body)? {
        Some(value) => value.get("id").and_then(Value::as_i64).unwrap_or(0),
        None => {
            let mut store = Store::open_existing(&read.store_folder)?;
            let calibration = hash_in_force(&mut store)?;
            let stand = store.put_stand(&read.text)?;
            let reader = store.reader()?;
            let setup = setup_in_force(&reader)?;
            let belongs = Belongs {
                setup: setup.map(|setup| setup.id),
                ..Belongs::new(stand, calibration)
            };
            keep_stretch(&mut store, &request, belongs)?.get()
        }
    };
    if asked.json {
        super::json_line(&json!({ "id": id }));
    } else {
        say(&format!("kept as pull {id}: leverarm show {id}"));
    }
    Ok(())
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct AssignArguments {
    /// Number of the pull
    pull: i64,
    /// The setup it was made with
    #[arg(required_unless_present = "undo")]
    setup: Option<String>,
    /// Take that word back: the setup that was recorded holds again
    #[arg(long, conflicts_with = "setup")]
    undo: bool,
    /// Who says so
    #[arg(long, default_value = "")]
    by: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

/// Says which setup a pull was made with, or takes that word back.
pub(super) fn assign(asked: &AssignArguments) -> Result<(), Failure> {
    let (pull, daemon) = (asked.pull, &asked.daemon);
    let request = SetupCorrectionRequest {
        setup: asked.setup.clone(),
        by: asked.by.clone(),
    };
    let read = read_stand(&daemon.stand.file)?;
    let path = format!("/api/pulls/{pull}/setup");
    let body = serde_json::to_value(&request)?;
    let id = PullId::new(pull);
    let make = |reader: &StoreReader| {
        reader.pull(id)?;
        if let Some(name) = &request.setup {
            reader.setup_named(name)?;
        }
        Ok(setup_correction::event(id, &request, Clock::start().now()))
    };
    keep_word(&read, daemon, (&path, &body), Store::open_existing, make)
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct ExcludeArguments {
    /// Number of the pull
    #[arg(value_parser = pull_number)]
    pull: i64,
    /// Why, such as "misfired above 7,000 rpm"
    reason: String,
    /// Who says so
    #[arg(long, default_value = "")]
    by: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct IncludeArguments {
    /// Number of the pull
    #[arg(value_parser = pull_number)]
    pull: i64,
    /// Who says so
    #[arg(long, default_value = "")]
    by: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

/// Leaves a pull out of comparisons.
pub(super) fn exclude(asked: &ExcludeArguments) -> Result<(), Failure> {
    if asked.reason.trim().is_empty() {
        bail!("the reason is empty: say why the pull is to be left out");
    }
    let request = ExclusionRequest {
        reason: Some(asked.reason.clone()),
        by: asked.by.clone(),
    };
    say_of_exclusion(asked.pull, &request, &asked.daemon)
}

/// Lets a pull take part again.
pub(super) fn include(asked: &IncludeArguments) -> Result<(), Failure> {
    let request = ExclusionRequest {
        reason: None,
        by: asked.by.clone(),
    };
    say_of_exclusion(asked.pull, &request, &asked.daemon)
}

fn say_of_exclusion(
    pull: i64,
    request: &ExclusionRequest,
    daemon: &DaemonArgument,
) -> Result<(), Failure> {
    let read = read_stand(&daemon.stand.file)?;
    let body = serde_json::to_value(request)?;
    let path = format!("/api/pulls/{pull}/exclusion");
    let id = PullId::new(pull);
    let make = |reader: &StoreReader| {
        reader.pull(id)?;
        Ok(exclusion_event(id, request, Clock::start().now()))
    };
    keep_word(&read, daemon, (&path, &body), Store::open_existing, make)
}

/// Gives a person's word to the daemon, or keeps the event of it where none runs.
pub(super) fn keep_word(
    read: &StandFile,
    daemon: &DaemonArgument,
    (path, body): (&str, &Value),
    open: impl FnOnce(&Path) -> Result<Store, StoreError>,
    make: impl FnOnce(&StoreReader) -> Result<NewEvent, Failure>,
) -> Result<(), Failure> {
    let done = match Line::to(&read.stand, daemon)?.post(path, body)? {
        Some(value) => message(&value).to_owned(),
        None => {
            let mut store = open(&read.store_folder)?;
            let event = make(&store.reader()?)?;
            store.add_event(&event)?;
            event.event.message
        }
    };
    say(&done);
    Ok(())
}

/// What `setup` was asked.
#[derive(Debug, clap::Args)]
pub(super) struct SetupArguments {
    /// Its name, such as "main jet 105"; without one, list the setups
    name: Option<String>,
    #[command(flatten)]
    bolted_on: BoltedOn,
    #[command(flatten)]
    daemon: DaemonArgument,
}

/// What a person says of a setup.
#[derive(Debug, clap::Args)]
pub(super) struct BoltedOn {
    /// Notes on the setup
    #[arg(long, default_value = "")]
    notes: String,
    /// A part as KEY=VALUE, such as "main jet=105" or "sleeve=3 mm; home-made" with unit and
    /// note; may be given several times
    #[arg(long = "part", value_name = "KEY=VALUE")]
    parts: Vec<String>,
    /// It was taken off and put back on: such repeats say how much that moves the torque
    #[arg(long)]
    again: bool,
    /// Make a new one, though only capital letters or spaces tell its name from another's
    #[arg(long)]
    new: bool,
}

impl BoltedOn {
    /// The setup of that name in the store in this folder; without a name nothing may be said of it.
    pub(super) fn request(
        &self,
        name: Option<String>,
        folder: &Path,
    ) -> Result<Option<NewSetupRequest>, Failure> {
        let Some(name) = name else {
            if self.again || !self.notes.is_empty() || !self.parts.is_empty() {
                bail!("--part, --notes and --again are said of a setup: name it");
            }
            return Ok(None);
        };
        if !self.new {
            is_meant(&name, folder)?;
        }
        let parts = self.parts.iter().map(|part| {
            let (key, value) = part.split_once('=').ok_or_else(|| {
                anyhow!("--part {part:?}: expected KEY=VALUE, such as \"main jet=105\"")
            })?;
            Ok((key.trim().to_owned(), Part::of_text(value).json()))
        });
        Ok(Some(NewSetupRequest {
            name,
            notes: self.notes.clone(),
            parts: parts.collect::<Result<_, Failure>>()?,
            again: self.again,
        }))
    }
}

/// The name of a setup as a person gave it.
pub(super) fn setup_name(text: &str) -> Result<String, Failure> {
    match text.trim() {
        "" => Err(anyhow!(
            "the setup's name is empty: expected one, such as \"main jet 105\""
        )),
        name => Ok(name.to_owned()),
    }
}

/// Asks about a name that only capital letters or spaces tell from that of another setup.
fn is_meant(name: &str, folder: &Path) -> Result<(), Failure> {
    let plain = |name: &str| -> String {
        let kept = name.chars().filter(|c| !c.is_whitespace());
        kept.flat_map(char::to_lowercase).collect()
    };
    // Before there is a store there is no other setup.
    let Ok(reader) = StoreReader::open(folder) else {
        return Ok(());
    };
    let setups = reader.setups()?;
    if setups.iter().any(|setup| setup.name == name) {
        return Ok(());
    }
    let Some(other) = setups
        .iter()
        .find(|other| plain(&other.name) == plain(name))
    else {
        return Ok(());
    };
    let other = &other.name;
    let dialogue = Dialogue::new(false);
    if dialogue.is_open()
        && dialogue.confirm(&format!(
            "there is a setup \"{other}\"; is \"{name}\" to be another one?"
        ))?
    {
        return Ok(());
    }
    Err(anyhow!(
        "\"{name}\": there is a setup \"{other}\", which differs only in capital letters or spaces: \
         name that one, or add --new to make another"
    ))
}

pub(super) fn setup(asked: &SetupArguments) -> Result<(), Failure> {
    let SetupArguments {
        daemon, bolted_on, ..
    } = asked;
    let again = bolted_on.again;
    let read = read_stand(&daemon.stand.file)?;
    let name = asked.name.as_deref().map(setup_name).transpose()?;
    let name = match name {
        None if again => {
            let reader = StoreReader::open(&read.store_folder)?;
            let setup = setup_in_force(&reader)?;
            let none = || anyhow!("--again: no setup is in force; name it");
            Some(setup.ok_or_else(none)?.name)
        }
        name => name,
    };
    let Some(request) = bolted_on.request(name, &read.store_folder)? else {
        return list_setups(&read);
    };
    let body = serde_json::to_value(&request)?;
    let taken = match Line::to(&read.stand, daemon)?.post("/api/setup", &body)? {
        Some(value) => value,
        None => {
            let mut store = Store::open(&read.store_folder)?;
            serde_json::to_value(take_setup(&mut store, &request, Clock::start().now())?)?
        }
    };
    let name = message(&taken);
    let mounted = if again { ", put back on" } else { "" };
    say(&format!("the next pulls belong to \"{name}\"{mounted}"));
    if let Some(notes) = taken.get("replaced_notes").and_then(Value::as_str) {
        say(&format!("its new notes replace those it had: {notes}"));
    }
    Ok(())
}

fn list_setups(read: &StandFile) -> Result<(), Failure> {
    let reader = StoreReader::open(&read.store_folder)?;
    let current = reader.meta("setup")?;
    let mut table = Table::new(["setup", "since", "parts", "notes", ""]);
    for setup in reader.setups()? {
        let now = if current.as_deref() == Some(&setup.name) {
            "in force"
        } else {
            ""
        };
        table.add_row([
            setup.name.clone(),
            local_text(setup.created_wall_us),
            parts_in_words(&setup.parts),
            setup.notes,
            now.to_owned(),
        ]);
    }
    say(&table.to_string());
    Ok(())
}

#[derive(Debug, Clone, clap::Args)]
pub(super) struct AirArguments {
    #[command(flatten)]
    values: AirValues,
    /// Forget what was entered
    #[arg(long)]
    forget: bool,
    #[command(flatten)]
    daemon: DaemonArgument,
}

pub(super) fn air(asked: &AirArguments) -> Result<(), Failure> {
    let daemon = &asked.daemon;
    let read = read_stand(&daemon.stand.file)?;
    let entered = if asked.forget {
        None
    } else {
        Some(entered_air(&read.stand, &asked.values)?)
    };
    let body = serde_json::to_value(entered)?;
    if Line::to(&read.stand, daemon)?
        .post("/api/air", &body)?
        .is_none()
    {
        let mut store = Store::open(&read.store_folder)?;
        put_air(&mut store, entered)?;
    }
    say(match entered {
        Some(_) => "air kept for the next pulls",
        None => "entered air forgotten: the stand file's holds again",
    });
    Ok(())
}

/// Air as a person enters it.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct AirValues {
    /// Absolute pressure at the stand, such as "1003 +/- 1 hPa"
    #[arg(long)]
    pressure: Option<String>,
    /// Intake air temperature, such as "24 degC"
    #[arg(long)]
    temperature: Option<String>,
    /// Relative humidity, such as "55 %"
    #[arg(long)]
    humidity: Option<String>,
}

impl AirValues {
    /// Whether any of it was entered.
    pub(super) const fn is_given(&self) -> bool {
        self.pressure.is_some() || self.temperature.is_some() || self.humidity.is_some()
    }
}

/// What was entered, and the stand file's values for the rest.
pub(super) fn entered_air(stand: &Stand, values: &AirValues) -> Result<EnteredAir, Failure> {
    if !values.is_given() {
        bail!("give --pressure, --temperature or --humidity, or --forget");
    }
    let take = |name: &str,
                text: &Option<String>,
                kind: &units::Kind,
                of_file: AirInput,
                otherwise: f64| {
        match (text, of_file) {
            (Some(text), _) => {
                units::measured(text, kind).with_context(|| format!("--{name} {text:?}"))
            }
            (None, AirInput::Entered(value)) => Ok(value),
            // A channel measures it, and goes on doing so: this value is not used.
            (None, AirInput::Channel(_)) => Ok(Measured::exact(otherwise)),
        }
    };
    let pressure = take(
        "pressure",
        &values.pressure,
        &units::PRESSURE,
        stand.air.pressure_pa,
        101_325.0,
    )?;
    let temperature = take(
        "temperature",
        &values.temperature,
        &units::TEMPERATURE,
        stand.air.temperature_k,
        293.15,
    )?;
    let humidity = take(
        "humidity",
        &values.humidity,
        &units::RATIO,
        stand.air.relative_humidity,
        0.5,
    )?;
    leverarm_torque::air::Air::new(pressure.value, temperature.value, humidity.value)?;
    Ok(EnteredAir::new(&AirReadings {
        pressure_pa: pressure,
        temperature_k: temperature,
        relative_humidity: humidity,
    }))
}
