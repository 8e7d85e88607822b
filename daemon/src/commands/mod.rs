//! The command line.

mod board;
mod budget;
mod calibrate;
mod compare;
mod control;
mod curve_output;
mod days;
mod demo;
mod dialogue;
mod doctor;
mod engine;
mod export;
mod frames;
mod guards;
mod import;
mod journal;
mod load;
mod map;
mod new_stand;
mod order;
mod parts;
mod plan;
mod pulls;
mod series;
mod sheet;
mod shelf;
mod simulated;
mod size;
mod stand;
mod step_words;
mod stream;
mod system;
mod terminal;
mod times;

use anyhow::{Context, Error as Failure};
use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};
use leverarm_analysis::reduction::CurveChoice;
use leverarm_config::Stand;
use leverarm_store::StoreReader;
use leverarm_torque::air::Correction;
use tracing_subscriber::filter::{LevelFilter, Targets};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;
use unicode_width::UnicodeWidthStr;

/// Acquisition daemon for a home-built inertia or brake dynamometer stand.
///
/// Software cutoffs are never the emergency stop: a stand needs one that is hard-wired, within reach,
/// and works without any computer.
#[derive(Debug, Parser)]
#[command(name = "leverarm", version, about)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Write a new stand file from answers to questions
    NewStand(new_stand::Arguments),
    /// Check a stand file and say what it amounts to: inertia, energy, rim speed, rates, guards
    Check(stand::CheckArguments),
    /// Size a drum: inertia for a wanted pull time, dimensions, energy, rim speed, stress, balance
    Size(size::Arguments),
    /// Look at a connected board: who it is, live raw values, noise, loss, faults of the wiring
    Board(board::Arguments),
    /// Run the stand: read the board, guard, record, serve the page
    Serve(stand::ServeArguments),
    /// Run the stand against a simulated one with the same stand file, in real time
    Rehearse(stand::RehearseArguments),
    /// Test every guard: each has to trip, and the board to cut, with everything at standstill
    ///
    /// The running daemon tests its own with its board, and until that has passed the stand stays
    /// cut. The engine is off; something has to be turned by hand.
    TestGuards(guards::Arguments),
    /// Show the whole job on a simulated stand: three pulls each with setup A, B and A again
    Demo(demo::Arguments),
    /// List the pulls
    Pulls(pulls::ListArguments),
    /// Show the curve of a pull: torque and power over engine speed
    Show(pulls::ShowArguments),
    /// Compare setups: what the change did, where in rpm, by how much, and how sure that is
    Compare(compare::CompareArguments),
    /// Show the map of a setup: torque, mixture and consumption over speed and load, from what was held
    Map(map::Arguments),
    /// What did each part do, whatever else was on: over all setups of the store
    Parts(parts::PartsArguments),
    /// The parts on the shelf: rating, notes, picture, where each lies, and every test it was in
    Shelf(shelf::Arguments),
    /// Every setup against one, the way from one to the next, and what each part did; as a sheet too
    Series(series::SeriesArguments),
    /// Whether the stand still reads what it read: one setup, tested on many days, on a control chart
    Days(days::DaysArguments),
    /// Make a sheet of a comparison to publish: HTML, PDF, pictures
    Sheet(sheet::SheetArguments),
    /// Pictures for a video, in which the curve grows in step with the recorded pull
    Frames(frames::FramesArguments),
    /// Write pulls to a file for other programs: CSV, Parquet, MDF4, curves or raw samples
    Export(export::ExportArguments),
    /// Show the test plan: what is next, and what to wait for; or begin, leave, resume one
    Plan(plan::Arguments),
    /// Leave a pull out of comparisons, with a reason; it stays in the store and is named
    Exclude(control::ExcludeArguments),
    /// Let an excluded pull take part in comparisons again
    Include(control::IncludeArguments),
    /// Say with which setup a pull was made, where it was filed under a wrong one
    Assign(control::AssignArguments),
    /// Name what is bolted on: the next pulls belong to it
    Setup(control::SetupArguments),
    /// Enter the air of the day: it stands in for the fixed values of the stand file
    Air(control::AirArguments),
    /// Keep the last seconds of what the board sent as a pull: for a step test on a brake, a coast-down,
    /// a falling weight, or a pull that the rules did not take for one
    Keep(control::KeepArguments),
    /// Command the load of a brake stand: arm it, hold a speed or torque, read steps, sweep
    ///
    /// The board's own loop holds the load, and acts by itself when something fails. Software is never the
    /// emergency stop.
    #[command(subcommand)]
    Load(load::Load),
    /// Find a constant of the stand by measurement, and put it in force
    #[command(subcommand)]
    Calibrate(Box<calibrate::Calibrate>),
    /// Take the load cell's zero from the last seconds: refused while anything turns or moves
    Tare(calibrate::TareArguments),
    /// List the calibrations in force, and since when
    Calibrations(calibrate::ListArguments),
    /// Show events and faults, look at the evidence, note what was found
    Journal(journal::Arguments),
    /// Show how far the time-series servers are, or send stored values again
    ///
    /// While the daemon runs it sends by itself. With --since or --pull this command sends what is
    /// stored once more: a server that has the points already keeps them as they are.
    Stream(stream::Arguments),
    /// Copy the store, while the daemon runs or not, into a new folder
    Backup(doctor::BackupArguments),
    /// Look through the whole store for damage, and save what can be read into a new one
    ///
    /// Every page of the database, every chunk's checksum and every text's hash is looked at. The
    /// store itself is never changed.
    Doctor(doctor::DoctorArguments),
    /// Cut the engine through the running daemon. Not the emergency stop
    Cut(control::CutArguments),
    /// End a cut, by its number, once its cause is gone
    Release(control::ReleaseArguments),
    /// Write manual pages and completions into a folder, as packages want them
    #[command(hide = true)]
    Documents(system::DocumentsArguments),
    /// Take byte logs of an earlier session or another stand into the store, as pulls like any other
    Import(import::ImportArguments),
    /// Reduce a recorded byte log of a board to a curve
    Reduce(pulls::ReduceArguments),
}

#[derive(Debug, Clone, clap::Args)]
struct StandArgument {
    /// The stand file
    #[arg(
        short = 'c',
        long = "config",
        value_name = "FILE",
        default_value = "stand.toml",
        env = "LEVERARM_STAND"
    )]
    file: PathBuf,
}

/// How to reach the running daemon.
#[derive(Debug, Clone, clap::Args)]
struct DaemonArgument {
    #[command(flatten)]
    stand: StandArgument,
    /// File with the page's token, where it needs one; else the variable LEVERARM_TOKEN, else the
    /// file `tokens` that the daemon wrote into its store
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Who may use the page. On an address other than this machine's own it always needs tokens.
#[derive(Debug, Clone, clap::Args)]
struct AccessArguments {
    /// Ask for a token on this machine too: for a reverse proxy that passes others on
    #[arg(long)]
    require_token: bool,
    /// File with a control token instead of a new one; or the variable LEVERARM_TOKEN
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
    /// File with a token to look, and to cut, instead of a new one; or the variable
    /// LEVERARM_READ_TOKEN
    #[arg(long, value_name = "FILE")]
    read_token_file: Option<PathBuf>,
}

impl AccessArguments {
    fn page_access(&self) -> Result<crate::service::PageAccess, Failure> {
        Ok(crate::service::PageAccess {
            always_token: self.require_token,
            control_token: chosen_token(self.token_file.as_deref(), "LEVERARM_TOKEN")?,
            read_token: chosen_token(self.read_token_file.as_deref(), "LEVERARM_READ_TOKEN")?,
        })
    }
}

/// A token that a person gave. Never as an argument: everybody on the machine can list those.
fn chosen_token(file: Option<&Path>, variable: &str) -> Result<Option<String>, Failure> {
    let Some(file) = file else {
        return Ok(std::env::var(variable).ok().filter(|text| !text.is_empty()));
    };
    let token = crate::service::read_token_file(file);
    token
        .map(Some)
        .with_context(|| format!("the token file {}", file.display()))
}

impl DaemonArgument {
    /// The token for the daemon of this stand.
    fn token(&self, stand: &Stand) -> Result<Option<String>, Failure> {
        let chosen = chosen_token(self.token_file.as_deref(), "LEVERARM_TOKEN")?;
        Ok(chosen
            .or_else(|| crate::service::token_of_store(&store_in_use(&self.stand.file, stand))))
    }
}

#[derive(Debug, Clone, clap::Args)]
struct StoreArgument {
    #[command(flatten)]
    stand: StandArgument,
    /// Folder of the store; the stand file's when left out
    #[arg(long, value_name = "DIR")]
    store: Option<PathBuf>,
}

#[derive(Debug, Clone, clap::Args)]
struct CurveArguments {
    #[arg(
        long,
        value_name = "KEY",
        help = format!("Another correction than the stand file's: {}", Correction::KEYS)
    )]
    correction: Option<String>,
    /// Another grid step, rpm
    #[arg(long, value_name = "RPM")]
    step: Option<f64>,
    /// Another system of units than the stand file's
    #[arg(long, value_enum)]
    units: Option<UnitsChoice>,
    /// Use the calibrations of now instead of those kept with the pull
    #[arg(long)]
    recalibrated: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum UnitsChoice {
    /// N·m, kW
    Si,
    /// lbf·ft, hp
    Us,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum SeverityChoice {
    Info,
    Warning,
    Error,
    Cut,
}

/// Which store, and how its pulls become curves.
#[derive(Debug, Clone, clap::Args)]
struct CurvesArguments {
    #[command(flatten)]
    store: StoreArgument,
    #[command(flatten)]
    choice: CurveArguments,
}

impl CurvesArguments {
    fn open(&self) -> Result<(StoreReader, CurveChoice), Failure> {
        Ok((self.store.open()?, self.choice.choice()?))
    }
}

/// The number of a pull.
fn pull_number(text: &str) -> Result<i64, String> {
    text.trim().parse().map_err(|_not_a_number| {
        format!("expected the number of a pull, as `leverarm pulls` lists them, found \"{text}\"")
    })
}

/// The command line, with help as wide as the terminal, up to what reads well.
fn command_line() -> clap::Command {
    const HELP_COLUMNS_MAX: usize = 100;
    Cli::command().term_width(terminal::columns().min(HELP_COLUMNS_MAX))
}

/// What failed: because of what, and so on. A text that says its cause itself is enough of it.
fn in_words(failure: &Failure) -> String {
    let mut words = failure.to_string();
    for cause in failure.chain().skip(1).map(ToString::to_string) {
        if !words.contains(&cause) {
            words = format!("{words}: {cause}");
        }
    }
    words
}

/// Runs the command line and returns how it went.
#[must_use]
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = command_line()
        .try_get_matches_from(arguments)
        .and_then(|matches| Cli::from_arg_matches(&matches));
    let cli = match cli {
        Ok(cli) => cli,
        Err(error) => {
            let text = error.render().to_string();
            let is_wide = text.lines().any(|line| line.width() > terminal::columns());
            // The parser folds its help, not its errors.
            if error.use_stderr() && is_wide {
                complain(text.trim_end());
                return ExitCode::from(2);
            }
            let shown = error.print();
            let code = if error.use_stderr() || shown.is_err() {
                2
            } else {
                0
            };
            return ExitCode::from(code);
        }
    };
    match dispatch(cli.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            complain(&format!("error: {}", in_words(&failure)));
            ExitCode::FAILURE
        }
    }
}

fn dispatch(command: Command) -> Result<(), Failure> {
    match command {
        Command::NewStand(arguments) => new_stand::run(&arguments),
        Command::Check(arguments) => stand::check(&arguments),
        Command::Size(arguments) => size::run(&arguments),
        Command::Board(arguments) => board::run(&arguments),
        Command::Serve(arguments) => stand::serve(&arguments),
        Command::Rehearse(arguments) => stand::rehearse(&arguments),
        Command::TestGuards(arguments) => guards::run(&arguments),
        Command::Demo(arguments) => demo::run(&arguments),
        Command::Pulls(arguments) => pulls::list(&arguments),
        Command::Show(arguments) => pulls::show(&arguments),
        Command::Compare(arguments) => compare::run(&arguments),
        Command::Map(arguments) => map::run(&arguments),
        Command::Parts(arguments) => parts::run(&arguments),
        Command::Shelf(arguments) => shelf::run(&arguments),
        Command::Series(arguments) => series::run(&arguments),
        Command::Days(arguments) => days::run(&arguments),
        Command::Sheet(arguments) => sheet::run(&arguments),
        Command::Frames(arguments) => frames::run(&arguments),
        Command::Export(arguments) => export::run(&arguments),
        Command::Plan(arguments) => plan::run(&arguments),
        Command::Exclude(arguments) => control::exclude(&arguments),
        Command::Include(arguments) => control::include(&arguments),
        Command::Setup(arguments) => control::setup(&arguments),
        Command::Assign(arguments) => control::assign(&arguments),
        Command::Air(arguments) => control::air(&arguments),
        Command::Keep(arguments) => control::keep(&arguments),
        Command::Load(what) => load::run(&what),
        Command::Calibrate(what) => calibrate::calibrate(&what),
        Command::Tare(arguments) => calibrate::tare(&arguments),
        Command::Calibrations(arguments) => calibrate::list(&arguments),
        Command::Journal(arguments) => journal::run(&arguments),
        Command::Stream(arguments) => stream::run(&arguments),
        Command::Backup(arguments) => doctor::backup(&arguments),
        Command::Doctor(arguments) => doctor::doctor(&arguments),
        Command::Cut(arguments) => control::cut(&arguments),
        Command::Release(arguments) => control::release(&arguments),
        Command::Documents(arguments) => system::documents(&arguments),
        Command::Import(arguments) => import::run(&arguments),
        Command::Reduce(arguments) => pulls::reduce(&arguments),
    }
}

/// A stand file, read and checked.
struct StandFile {
    stand: Stand,
    text: String,
    /// The store in use: see [`store_in_use`].
    store_folder: PathBuf,
}

impl StandFile {
    /// The stand's own store, whatever was rehearsed.
    fn with_own_store(self, file: &Path) -> Self {
        Self {
            store_folder: store_folder(file, &self.stand),
            ..self
        }
    }
}

/// Reads a stand file for what concerns the stand's own store alone: to run it, to save it.
fn read_own_stand(file: &Path) -> Result<StandFile, Failure> {
    Ok(parse_stand(file)?.with_own_store(file))
}

/// Reads a stand file. Where the store in use is that of rehearsals, that is said.
fn read_stand(file: &Path) -> Result<StandFile, Failure> {
    static SAID: std::sync::Once = std::sync::Once::new();
    let read = parse_stand(file)?;
    let own = store_folder(file, &read.stand);
    if read.store_folder != own {
        SAID.call_once(|| {
            complain(&format!(
                "note: rehearsed last, so this is about the store of rehearsals, {}, until `leverarm \
                 serve` runs",
                read.store_folder.display()
            ));
        });
    }
    Ok(read)
}

/// The same with the store that is named, if one is: then it doesn't matter what was rehearsed.
fn read_stand_and(store: Option<&Path>, file: &Path) -> Result<StandFile, Failure> {
    let Some(folder) = store else {
        return read_stand(file);
    };
    Ok(StandFile {
        store_folder: folder.to_owned(),
        ..parse_stand(file)?
    })
}

/// The same, where what is said of the store is said by who opens it.
fn parse_stand(file: &Path) -> Result<StandFile, Failure> {
    let text = std::fs::read_to_string(file).with_context(|| {
        format!(
            "the stand file {} (give one with -c FILE, or make one with `leverarm new-stand`)",
            file.display()
        )
    })?;
    let stand = leverarm_config::parse(&file.display().to_string(), &text)?;
    Ok(StandFile {
        store_folder: store_in_use(file, &stand),
        stand,
        text,
    })
}

fn store_folder(file: &Path, stand: &Stand) -> PathBuf {
    let beside = file.parent().unwrap_or_else(|| Path::new("."));
    beside.join(&stand.store_folder)
}

/// Rehearsed pulls never mix with real ones: they have a store of their own beside it.
fn rehearsal_folder(own: &Path) -> PathBuf {
    let name = own
        .file_name()
        .map_or_else(|| "pulls".into(), |name| name.to_string_lossy());
    own.with_file_name(format!("{name}-rehearsal"))
}

/// The store that was written to last: the stand's own, or that of rehearsals.
fn store_in_use(file: &Path, stand: &Stand) -> PathBuf {
    let own = store_folder(file, stand);
    let rehearsed = rehearsal_folder(&own);
    if leverarm_store::last_written(&rehearsed) > leverarm_store::last_written(&own) {
        rehearsed
    } else {
        own
    }
}

impl SeverityChoice {
    fn severity(self) -> leverarm_store::Severity {
        use leverarm_store::Severity;
        match self {
            Self::Info => Severity::Info,
            Self::Warning => Severity::Warning,
            Self::Error => Severity::Error,
            Self::Cut => Severity::Cut,
        }
    }
}

impl StoreArgument {
    fn open(&self) -> Result<StoreReader, Failure> {
        let folder = match &self.store {
            Some(folder) => folder.clone(),
            None => read_stand(&self.stand.file)?.store_folder,
        };
        StoreReader::open(folder).map_err(Failure::from)
    }

    /// The stand's own store, whatever was rehearsed.
    fn open_own(&self) -> Result<StoreReader, Failure> {
        let folder = match &self.store {
            Some(folder) => folder.clone(),
            None => read_own_stand(&self.stand.file)?.store_folder,
        };
        StoreReader::open(folder).map_err(Failure::from)
    }
}

impl CurveArguments {
    fn choice(&self) -> Result<CurveChoice, Failure> {
        let correction = self
            .correction
            .as_deref()
            .map(str::parse::<Correction>)
            .transpose()?;
        Ok(CurveChoice {
            correction,
            step_rpm: self.step,
            calibrations_of_now: self.recalibrated,
            holds_only: false,
        })
    }
}

/// Starts the log on stderr. `RUST_LOG` changes what it says: a level, or `target=level` in a list.
fn start_log(default: LevelFilter) {
    let usual = Targets::new().with_default(default);
    let filter = match std::env::var("RUST_LOG") {
        Ok(said) if !said.is_empty() => said.parse::<Targets>().unwrap_or_else(|error| {
            complain(&format!(
                "RUST_LOG: a level (error, warn, info, debug, trace, off) or target=level expected, \
                 separated by commas, found \"{said}\" ({error}); taken as \"{default}\""
            ));
            usual
        }),
        _ => usual,
    };
    let log = tracing_subscriber::fmt::layer()
        .with_writer(std::io::stderr)
        .with_ansi(terminal::stderr_has_colour())
        .with_target(false);
    let log = tracing_subscriber::registry().with(filter).with(log);
    if log.try_init().is_err() {
        complain("the log was started twice");
    }
}

/// Prints to stdout, folded to what it is wide. A reader that went away (`| head`) is no error.
fn say(text: &str) {
    let text = leverarm_plot::folded(text, terminal::columns());
    drop(writeln!(std::io::stdout(), "{text}"));
}

/// Prints to stderr, folded likewise.
fn complain(text: &str) {
    let text = leverarm_plot::folded(text, terminal::columns());
    drop(writeln!(std::io::stderr(), "{text}"));
}

fn json_line(value: &serde_json::Value) {
    drop(writeln!(std::io::stdout(), "{value}"));
}

#[cfg(test)]
mod tests {
    use super::*;
    use anyhow::Context;

    /// Down to the first, each text once.
    #[test]
    fn every_cause_is_said() {
        let full = || Err::<(), _>(std::io::Error::other("no room is left"));
        let failure = full().context("writing it").context("the sheet");
        assert_eq!(
            in_words(&failure.unwrap_err()),
            "the sheet: writing it: no room is left"
        );
        let told = full()
            .context("a.html: no room is left")
            .context("the sheet");
        assert_eq!(
            in_words(&told.unwrap_err()),
            "the sheet: a.html: no room is left"
        );
    }
}
