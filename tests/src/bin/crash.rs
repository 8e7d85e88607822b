//! Kills processes that write to a store, with SIGKILL at any instant, and looks whether everything
//! they had acknowledged reads back identical.
//!
//! Three kinds of process: one that writes chunks, pulls and events as fast as it can; one that runs
//! the live core against the software stand and stores what comes of it; one that brings the tables
//! of an older store up to date. At the end a few whole daemons.

#![expect(clippy::print_stdout, reason = "what this program is for")]

use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::{Mutex, RwLock};
use std::time::Duration;

use clap::{Parser, ValueEnum};
use fastrand::Rng;
use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm::service::{Belongs, Kept, RecordKeeper};
use leverarm_live::{Core, Now, Output, Record};
use leverarm_software_stand::SoftwareStand;
use leverarm_store::{
    ChunkRange, ConnectionId, EventFilter, NewChunk, NewEvent, NewPull, PullEnd, PullId, PullState,
    Store, StoreReader,
};
use leverarm_vocabulary::{Event, EventKind};
use rusqlite::Connection;
use sha2::{Digest, Sha256};

type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

/// A store as version 1 made it, and the rows it is blown up to, so that bringing it up to date
/// takes a while.
const OLD_STORE: &[u8] = include_bytes!("../../../daemon/store/src/kept/version_1.sqlite");
const OLD_EVENTS: i64 = 20_000;
const DATABASE: &str = "leverarm.sqlite";
/// Every so many kills of a worker the whole store is checked, then begun again.
const CHECK_EVERY: u64 = 20;
/// Whole daemons that are killed.
const DAEMONS: u64 = 4;

/// Kills writers of a store, and looks what is left.
#[derive(Debug, Parser)]
struct Options {
    /// How many processes to kill, in addition to a few whole daemons.
    #[arg(long, default_value_t = 500)]
    kills: u64,
    /// Seed of when each is killed, and of what it writes.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Processes at the same time.
    #[arg(long, default_value_t = 4)]
    jobs: u64,
    /// Be a process that is killed.
    #[arg(long, hide = true, requires = "folder")]
    child: Option<Kind>,
    #[arg(long, hide = true)]
    folder: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, ValueEnum)]
enum Kind {
    Write,
    Pull,
    Migrate,
}

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Self::Write => "write",
            Self::Pull => "pull",
            Self::Migrate => "migrate",
        }
    }

    /// Of ten: six write, three pull, one migrates.
    fn of(number: u64) -> Self {
        match number % 10 {
            0..=5 => Self::Write,
            6..=8 => Self::Pull,
            _ => Self::Migrate,
        }
    }

    /// Longest time from its first word to its end, ms.
    fn lives_ms_max(self) -> u64 {
        match self {
            Self::Write => 40,
            Self::Pull => 160,
            Self::Migrate => 25,
        }
    }
}

fn digest(bytes: &[u8]) -> String {
    let hash = Sha256::digest(bytes);
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Acknowledges: from here on it must not be lost.
fn say(line: &str) -> Outcome<()> {
    let mut out = std::io::stdout().lock();
    writeln!(out, "{line}")?;
    Ok(out.flush()?)
}

// --- the processes that are killed ------------------------------------------------------------

fn write(folder: &Path, seed: u64) -> Outcome<()> {
    let mut random = Rng::with_seed(seed);
    let mut store = Store::open(folder)?;
    let connection = store.add_connection(None, "simulated", Now::new(0, 0))?;
    let stand = store.put_stand("")?;
    let calibration = store.put_calibration("{}")?;
    for seq in 0.. {
        let len = random.usize(0..if seq % 5 == 0 { 60_000 } else { 3_000 });
        let bytes: Vec<u8> = (0..len).map(|_| random.u8(0..200)).collect();
        let first = u64::from(seq) * 500_000;
        store.add_chunk(&NewChunk {
            connection,
            seq,
            mono_us_first: first,
            mono_us_last: first + 1,
            wall_us_first: 0,
            tick_first: Some(first),
            bytes: &bytes,
        })?;
        say(&format!("chunk {connection} {seq} {}", digest(&bytes)))?;
        if seq % 3 == 0 {
            let now = Now::new(0, i64::from(seq));
            let event = Event::new(now, None, EventKind::StoreSlow, format!("chunk {seq}"));
            let event = store.add_event(&NewEvent {
                connection: Some(connection),
                ..event.into()
            })?;
            say(&format!("event {event} chunk {seq}"))?;
        }
        if seq % 4 == 3 {
            let pull = store.add_pull(&NewPull {
                tick_first_wanted: first,
                tick_start: first,
                chunk_seq_first: seq - 3,
                end: Some(PullEnd::stored(first + 1, seq)),
                ..NewPull::of(connection, stand, calibration)
            })?;
            say(&format!("pull {pull} stored"))?;
        }
    }
    Ok(())
}

/// The core against the software stand, as fast as it goes, its records stored in order.
fn pull(folder: &Path, seed: u64) -> Outcome<()> {
    let stand = leverarm_config::parse("demo.toml", DEMO_STAND)?;
    let mut model = model_of(&stand);
    model.engine.head.start_k = 353.0;
    let mut board = SoftwareStand::new(model, seed)?;
    board.ride(Some(script_of(&stand, 1000)));
    let mut store = Store::open(folder)?;
    let belongs = Belongs::new(store.put_stand(DEMO_STAND)?, store.put_calibration("{}")?);
    let mut keeper = RecordKeeper::new(belongs);
    let mut core = Core::new(stand);
    let mut out = Output::default();
    let at = |mono_us: u64| Now::new(mono_us, mono_us.cast_signed());
    core.port_opened(at(0), "simulated", &mut out);
    let mut bytes = Vec::new();
    for step in 1_u64.. {
        let now = at(step * 2_000);
        bytes.clear();
        board.advance(now.mono_us, &mut bytes);
        core.feed(now, &bytes, &mut out);
        core.tick(now, &mut out);
        board.receive(&out.write);
        out.write.clear();
        for record in out.records.drain(..) {
            keep(&mut keeper, &mut store, &record)?;
        }
    }
    Ok(())
}

/// Stores a record, and acknowledges it.
fn keep(keeper: &mut RecordKeeper, store: &mut Store, record: &Record) -> Outcome<()> {
    match (keeper.keep(store, record)?, record, keeper.connection()) {
        (Kept::PullStarted(id), ..) => say(&format!("pull {id} interrupted")),
        (Kept::PullEnded(id, state), ..) => say(&format!("pull {id} {state}")),
        (Kept::Stored, Record::Chunk(chunk), Some(connection)) => {
            let (seq, hash) = (chunk.seq, digest(&chunk.bytes));
            say(&format!("chunk {connection} {seq} {hash}"))
        }
        _ => Ok(()),
    }
}

fn migrate(folder: &Path) -> Outcome<()> {
    say("ready")?;
    let store = Store::open(folder)?;
    say("done")?;
    drop(store);
    std::thread::sleep(Duration::from_secs(60));
    Ok(())
}

// --- the one that kills -----------------------------------------------------------------------

/// What a process had acknowledged when it was killed.
#[derive(Default)]
struct Acknowledged {
    /// Hash by connection and number.
    chunks: BTreeMap<(i64, u32), String>,
    events: BTreeMap<i64, String>,
    /// State by number; "interrupted" for one that was under way.
    pulls: BTreeMap<i64, String>,
    done: bool,
}

impl Acknowledged {
    fn take(&mut self, line: &str) -> Option<()> {
        let mut words = line.split(' ');
        let word = words.next()?;
        if word == "done" {
            self.done = true;
            return Some(());
        }
        let id = words.next()?.parse().ok()?;
        match word {
            "chunk" => {
                let seq = words.next()?.parse().ok()?;
                self.chunks.insert((id, seq), words.next()?.to_owned());
            }
            "event" => {
                let message = words.collect::<Vec<_>>().join(" ");
                self.events.insert(id, message);
            }
            "pull" => {
                self.pulls.insert(id, words.next()?.to_owned());
            }
            _ => {}
        }
        Some(())
    }
}

/// A process that begins holds all that this one has open, until its program is loaded: a store that
/// is let go here meanwhile stays locked. So none begins while a store is open for writing.
static NO_STORE_IS_OPEN: RwLock<()> = RwLock::new(());

fn begin(command: &mut Command) -> std::io::Result<Child> {
    let _alone = NO_STORE_IS_OPEN.write();
    command.spawn()
}

fn run_and_kill(kind: Kind, folder: &Path, random: &mut Rng) -> Outcome<Acknowledged> {
    let mut child = begin(
        Command::new(std::env::current_exe()?)
            .args([
                "--child",
                kind.word(),
                "--seed",
                &random.u64(..).to_string(),
            ])
            .arg("--folder")
            .arg(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::piped()),
    )?;
    let mut output = BufReader::new(child.stdout.take().ok_or("no pipe")?);
    let mut acknowledged = Acknowledged::default();
    let mut line = String::new();
    let first = output.read_line(&mut line)?;
    let killer = std::thread::spawn({
        let lives = Duration::from_micros(random.u64(0..1000 * kind.lives_ms_max()));
        move || -> std::io::Result<Child> {
            std::thread::sleep(lives);
            child.kill()?;
            child.wait()?;
            Ok(child)
        }
    });
    if first == 0 {
        return Err("the process ended by itself".into());
    }
    // After the kill the pipe still holds what was said before it. A line cut short said nothing.
    while line.ends_with('\n') {
        acknowledged.take(line.trim_end());
        line.clear();
        output.read_line(&mut line)?;
    }
    killer.join().map_err(|_panic| "the killer panicked")??;
    Ok(acknowledged)
}

/// What is wrong with what is left.
fn compare(folder: &Path, acknowledged: &Acknowledged, whole: bool) -> Outcome<Vec<String>> {
    // As the next daemon would open it.
    let _open = NO_STORE_IS_OPEN.read();
    let store = Store::open(folder)?;
    let reader = store.reader()?;
    let mut wrong = Vec::new();
    for ((connection, seq), hash) in &acknowledged.chunks {
        let range = ChunkRange::Seq(*seq..=*seq);
        let found = reader.chunks(ConnectionId::new(*connection), &range)?;
        let same = matches!(found.as_slice(), [Ok(chunk)] if digest(&chunk.bytes) == *hash);
        if !same {
            let why: Vec<_> = found.iter().map(|it| it.as_ref().err()).collect();
            wrong.push(format!("chunk {seq} of connection {connection}: {why:?}"));
        }
    }
    for (id, state) in &acknowledged.pulls {
        let pull = reader.pull(PullId::new(*id))?;
        // A pull may have been finished without the time to say so.
        if pull.state.to_string() != *state && pull.state != PullState::Stored {
            wrong.push(format!("pull {id} is {}, not {state}", pull.state));
        }
        if pull.state == PullState::Stored
            && reader.pull_chunks(pull.id)?.iter().any(Result::is_err)
        {
            wrong.push(format!("pull {id} lacks chunks"));
        }
    }
    if !acknowledged.events.is_empty() {
        let events = reader.events(&EventFilter {
            limit: u32::MAX,
            ..EventFilter::default()
        })?;
        let stored: BTreeMap<i64, &str> = events
            .iter()
            .map(|event| (event.id.get(), event.message.as_str()))
            .collect();
        for (id, message) in &acknowledged.events {
            if stored.get(id) != Some(&message.as_str()) {
                wrong.push(format!("event {id} is lost"));
            }
        }
    }
    if whole {
        wrong.extend(reader.check()?);
    }
    Ok(wrong)
}

fn old_store() -> Outcome<Vec<u8>> {
    let folder = tempfile::tempdir()?;
    let file = folder.path().join(DATABASE);
    fs::write(&file, OLD_STORE)?;
    let connection = Connection::open(&file)?;
    connection.execute(
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) \
         INSERT INTO events (wall_us, mono_us, severity, kind, channel, message, data) \
         SELECT i, i, 'info', 'old', 'c' || (i % 7), 'event ' || i, 'null' FROM n",
        [OLD_EVENTS],
    )?;
    connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
    connection.close().map_err(|(_, error)| error)?;
    Ok(fs::read(&file)?)
}

fn kill_a_migration(folder: &Path, old: &[u8], random: &mut Rng) -> Outcome<(bool, Vec<String>)> {
    let folder = folder.join("old");
    if folder.exists() {
        fs::remove_dir_all(&folder)?;
    }
    fs::create_dir_all(&folder)?;
    fs::write(folder.join(DATABASE), old)?;
    let acknowledged = run_and_kill(Kind::Migrate, &folder, random)?;
    let mut wrong = compare(&folder, &acknowledged, true)?;
    let reader = StoreReader::open(&folder)?;
    let events = reader.events(&EventFilter {
        limit: u32::MAX,
        ..EventFilter::default()
    })?;
    // One event was in the kept store already.
    if i64::try_from(events.len())? != OLD_EVENTS + 1 || reader.pulls()?.len() != 1 {
        wrong.push(format!("{} events are left", events.len()));
    }
    Ok((acknowledged.done, wrong))
}

#[derive(Default)]
struct Sum {
    passed: u64,
    failed: u64,
    counts: BTreeMap<&'static str, u64>,
}

impl Sum {
    fn count(&mut self, what: &'static str, count: usize) {
        *self.counts.entry(what).or_default() += count as u64;
    }
}

fn kill_one(
    number: u64,
    options: &Options,
    folder: &Path,
    old: &[u8],
    sum: &Mutex<Sum>,
) -> Outcome<Vec<String>> {
    let mut random = Rng::with_seed(options.seed << 32 | number);
    let kind = Kind::of(number);
    let lock = || {
        sum.lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    };
    if kind == Kind::Migrate {
        let (done, wrong) = kill_a_migration(folder, old, &mut random)?;
        let mut sum = lock();
        sum.count("migrations killed", 1);
        sum.count("of these after their end", usize::from(done));
        return Ok(wrong);
    }
    let folder = folder.join("store");
    let whole = number / options.jobs % CHECK_EVERY == CHECK_EVERY - 1;
    let acknowledged = run_and_kill(kind, &folder, &mut random)?;
    let wrong = compare(&folder, &acknowledged, whole)?;
    if whole {
        fs::remove_dir_all(&folder)?;
    }
    let mut sum = lock();
    sum.count(
        match kind {
            Kind::Write => "writers killed",
            _ => "pulls killed",
        },
        1,
    );
    sum.count(
        "chunks acknowledged and read back",
        acknowledged.chunks.len(),
    );
    sum.count(
        "events acknowledged and read back",
        acknowledged.events.len(),
    );
    sum.count("pulls acknowledged and read back", acknowledged.pulls.len());
    Ok(wrong)
}

/// The binary beside this one.
fn leverarm() -> Outcome<PathBuf> {
    let own = std::env::current_exe()?;
    let binary = own.with_file_name("leverarm");
    if binary.is_file() {
        return Ok(binary);
    }
    Err(format!(
        "{} is not there: build it first with `cargo build -p leverarm` (tests/all does)",
        binary.display()
    )
    .into())
}

/// A whole daemon, rehearsing. What a reader has seen in its store is acknowledged.
fn kill_a_daemon(number: u64, options: &Options, sum: &Mutex<Sum>) -> Outcome<Vec<String>> {
    let mut random = Rng::with_seed(options.seed << 40 | number);
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("stand.toml");
    fs::write(&file, DEMO_STAND)?;
    let store = folder.path().join("pulls-rehearsal");
    let mut acknowledged = Acknowledged::default();
    // Two in a row: the second finds what the first left.
    for _ in 0..2 {
        let mut daemon = begin(
            Command::new(leverarm()?)
                .args(["rehearse", "--pulls", "100", "-c"])
                .arg(&file)
                .env("RUST_LOG", "error")
                .stdin(Stdio::null())
                .stdout(Stdio::null()),
        )?;
        let seen = see(&store, &mut acknowledged, random.u64(3_000..6_000));
        daemon.kill()?;
        daemon.wait()?;
        seen?;
        let wrong = compare(&store, &acknowledged, true)?;
        if !wrong.is_empty() {
            return Ok(wrong);
        }
    }
    let mut sum = sum
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    sum.count("daemons killed", 2);
    sum.count(
        "chunks seen of daemons and read back",
        acknowledged.chunks.len(),
    );
    if acknowledged.chunks.is_empty() {
        return Ok(vec!["the daemon stored nothing".to_owned()]);
    }
    Ok(Vec::new())
}

/// Reads what a daemon stores, for so long.
fn see(store: &Path, acknowledged: &mut Acknowledged, ms: u64) -> Outcome<()> {
    for _ in 0..ms / 50 {
        std::thread::sleep(Duration::from_millis(50));
        let Ok(reader) = StoreReader::open(store) else {
            continue; // not made yet
        };
        for connection in reader.connections()? {
            let id = connection.id;
            let next = acknowledged
                .chunks
                .range((id.get(), 0)..=(id.get(), u32::MAX))
                .next_back()
                .map_or(0, |((_, seq), _)| seq + 1);
            let Some(last) = reader.chunk_seq_max(id)?.filter(|last| *last >= next) else {
                continue;
            };
            for chunk in reader.chunks(id, &ChunkRange::Seq(next..=last))? {
                let chunk = chunk.map_err(|gap| gap.to_string())?;
                let key = (id.get(), chunk.seq);
                acknowledged.chunks.insert(key, digest(&chunk.bytes));
            }
        }
    }
    Ok(())
}

fn judge(what: &str, outcome: Outcome<Vec<String>>, sum: &Mutex<Sum>) {
    let wrong = outcome.unwrap_or_else(|error| vec![error.to_string()]);
    let mut sum = sum
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    if wrong.is_empty() {
        sum.passed += 1;
        return;
    }
    sum.failed += 1;
    for line in wrong.iter().take(5) {
        println!("{what}: {line}");
    }
}

fn kill_all(options: &Options) -> Outcome<bool> {
    let old = old_store()?;
    leverarm()?;
    let sum = Mutex::new(Sum::default());
    std::thread::scope(|scope| {
        for worker in 0..options.jobs.max(1) {
            let (sum, old) = (&sum, &old);
            scope.spawn(move || {
                let Ok(folder) = tempfile::tempdir() else {
                    return judge("worker", Err("no folder".into()), sum);
                };
                let step = usize::try_from(options.jobs.max(1)).unwrap_or(1);
                for number in (worker..options.kills).step_by(step) {
                    let outcome = kill_one(number, options, folder.path(), old, sum);
                    judge(&format!("kill {number}"), outcome, sum);
                }
            });
        }
        for number in 0..DAEMONS.min(options.kills) {
            let sum = &sum;
            scope.spawn(move || {
                let outcome = kill_a_daemon(number, options, sum);
                judge(&format!("daemon {number}"), outcome, sum);
            });
        }
    });
    let sum = sum.into_inner().unwrap_or_default();
    for (what, count) in &sum.counts {
        println!("{count:9} {what}");
    }
    println!("{} passed, {} failed", sum.passed, sum.failed);
    Ok(sum.failed == 0)
}

fn main() -> Outcome<ExitCode> {
    let options = Options::parse();
    if let (Some(kind), Some(folder)) = (options.child, &options.folder) {
        match kind {
            Kind::Write => write(folder, options.seed)?,
            Kind::Pull => pull(folder, options.seed)?,
            Kind::Migrate => migrate(folder)?,
        }
        return Ok(ExitCode::SUCCESS);
    }
    Ok(ExitCode::from(u8::from(!kill_all(&options)?)))
}
