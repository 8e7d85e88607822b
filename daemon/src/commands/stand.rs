//! `check`, `serve` and `rehearse`.

use anyhow::{Context, bail};
use std::path::{Path, PathBuf};
use std::time::Duration;

use futures_util::future::join_all;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::watch;
use tracing_subscriber::filter::LevelFilter;

use super::{
    AccessArguments, Failure, StandArgument, StandFile, complain, read_own_stand, rehearsal_folder,
    say, simulated, start_log, system,
};
use crate::clock::Clock;
use crate::rehearsal::{
    BRAKING_S, Rehearsal, Throttle, coasting, model_of, ready, run_out_s, script_of,
};
use crate::service::{Daemon, Handle, PageAccess, ServeOptions};
use leverarm_analysis::calibration::load;
use leverarm_analysis::in_force;
use leverarm_config::Stand;
use leverarm_live::CutLatch;
use leverarm_protocol::Form;
use leverarm_software_stand::RiderEvent;
use leverarm_store::{PullId, StoreError, StoreReader};
use leverarm_values::calibration::Calibration;

/// Reads of the store that are under way when the daemon has stopped have so long.
const LEFT_BEHIND_TIMEOUT: Duration = Duration::from_millis(500);

/// The longest time that a stand file may give the heartbeat.
const REHEARSED_HEARTBEAT_MS: u16 = 2_000;
/// The last pull is found so soon after the simulated drum stands still, or not at all.
const LAST_PULL_US_MAX: u64 = 5_000_000;

#[derive(Debug, clap::Args)]
pub(super) struct CheckArguments {
    /// The stand file; or -c FILE
    #[arg(id = "named", value_name = "FILE")]
    file: Option<PathBuf>,
    #[command(flatten)]
    stand: StandArgument,
}

pub(super) fn check(asked: &CheckArguments) -> Result<(), Failure> {
    let read = read_own_stand(asked.file.as_ref().unwrap_or(&asked.stand.file))?;
    say(&read.stand.summary().to_string());
    let calibration = match StoreReader::open(&read.store_folder) {
        Ok(reader) => in_force::newest_calibration(&reader)?.0,
        Err(StoreError::NoStore { .. }) => Calibration::default(),
        Err(error) => return Err(error.into()),
    };
    let now_wall_us = Clock::start().now().wall_us;
    if let Some(words) = load::in_force_text(&read.stand, &calibration, now_wall_us) {
        say(&format!("The load's loop: {words}"));
    }
    Ok(())
}

pub(super) const SAFETY: &str = "\
A turning drum holds the energy of a moving car, and exhaust gas kills unnoticed. Software cutoffs \
are not the emergency stop: have one hard-wired and within reach, guards over drum and chain, a way \
out for the exhaust, and a second person. Read hardware-notes/safety.md first; local codes and \
licensed engineers come before all of it.";

pub(super) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("no runtime")
}

/// Signals by which the process is asked to end.
pub(super) struct Signals {
    terminate: Signal,
    interrupt: Signal,
}

impl Signals {
    pub(super) fn listen() -> Result<Self, Failure> {
        let listen = |kind| signal(kind).map_err(Failure::from);
        Ok(Self {
            terminate: listen(SignalKind::terminate())?,
            interrupt: listen(SignalKind::interrupt())?,
        })
    }

    pub(super) async fn next(&mut self) -> &'static str {
        tokio::select! {
            _ = self.terminate.recv() => "SIGTERM",
            _ = self.interrupt.recv() => "SIGINT",
        }
    }
}

/// Stops daemons, at once when a further signal comes meanwhile.
async fn stop(daemons: Vec<Daemon>, mut signals: Signals) -> Result<(), Failure> {
    let (hurry, hurried) = watch::channel(false);
    let stops = daemons.into_iter().map(|daemon| {
        let mut hurried = hurried.clone();
        daemon.stop_hurried_by(async move { drop(hurried.wait_for(|hurried| *hurried).await) })
    });
    let stops = join_all(stops);
    tokio::pin!(stops);
    let stopped = loop {
        tokio::select! {
            stopped = &mut stops => break stopped,
            signal = signals.next() => {
                tracing::warn!(signal, "stopping at once: what is not stored by now is lost");
                hurry.send_replace(true);
            }
        }
    };
    stopped
        .into_iter()
        .try_for_each(|stopped| stopped.map_err(Failure::from))
}

/// Runs to the end, without waiting for work that a disk never answers.
fn run_on_runtime(work: impl Future<Output = Result<(), Failure>>) -> Result<(), Failure> {
    let runtime = runtime()?;
    let outcome = runtime.block_on(work);
    runtime.shutdown_timeout(LEFT_BEHIND_TIMEOUT);
    outcome
}

impl StandFile {
    pub(super) fn options(self, page_access: PageAccess) -> ServeOptions {
        ServeOptions {
            stand: self.stand,
            stand_text: self.text,
            store_folder: self.store_folder,
            page_address: None,
            page_access,
        }
    }
}

/// Says where the tokens are. They are shown nowhere: a log keeps what it gets, and others read it.
fn tell_of_tokens(daemon: &Daemon) {
    if let Some(file) = daemon.token_file() {
        tracing::info!(file = %file.display(), "tokens and links of the page are in this file");
    }
}

#[derive(Debug, clap::Args)]
pub(super) struct ServeArguments {
    #[command(flatten)]
    stand: StandArgument,
    /// Run a further stand in the same process, with a store and a page of its own; may be given
    /// several times
    #[arg(long, value_name = "FILE")]
    also: Vec<PathBuf>,
    #[command(flatten)]
    access: AccessArguments,
}

pub(super) fn serve(asked: &ServeArguments) -> Result<(), Failure> {
    let files = std::iter::once(&asked.stand.file).chain(&asked.also);
    let read = files.map(|file| read_own_stand(file));
    let read = read.collect::<Result<Vec<_>, _>>()?;
    let access = asked.access.page_access()?;
    start_log(LevelFilter::INFO);
    if read.iter().any(|read| !read.store_folder.exists()) {
        complain(SAFETY);
    }
    for caution in read.iter().flat_map(|read| read.stand.summary().cautions) {
        tracing::warn!(key = caution.key, "{}", caution.text);
    }
    run_on_runtime(async {
        let mut daemons = Vec::new();
        for read in read {
            let port = read.stand.port.path.display().to_string();
            let daemon = Daemon::start(read.options(access.clone())).await?;
            tell_of_tokens(&daemon);
            tracing::info!(port, page = %format!("http://{}", daemon.page_address()), "running");
            daemons.push(daemon);
        }
        let handles: Vec<_> = daemons.iter().map(Daemon::handle).collect();
        let mut signals = Signals::listen()?;
        let signal = tokio::select! {
            signal = signals.next() => signal,
            never = system::keep_telling(&handles) => match never {},
        };
        drop(handles);
        system::tell_stopping();
        tracing::info!(signal, "stopping");
        stop(daemons, signals).await
    })
}

/// Puts a simulated stand in the place of the real one.
pub(super) fn rehearse_on(read: &mut StandFile, rehearsal: &Rehearsal) {
    read.stand.port.path = rehearsal.path().to_path_buf();
    // Nothing turns that a guard would have to keep from harm.
    read.stand.board.self_test_age_s_max = Some(0);
    // Nor does it matter that a machine busy with other things is late for a while.
    let heartbeat_timeout_ms = &mut read.stand.board.heartbeat_timeout_ms;
    *heartbeat_timeout_ms = (*heartbeat_timeout_ms).max(REHEARSED_HEARTBEAT_MS);
    read.store_folder = rehearsal_folder(&read.store_folder);
    super::stream::mark_rehearsal(&mut read.stand);
}

/// What is to be rehearsed.
#[derive(Debug, clap::Args)]
pub(super) struct RehearseArguments {
    #[command(flatten)]
    stand: StandArgument,
    /// Pulls that the simulated person makes
    #[arg(long, default_value_t = 3)]
    pulls: u32,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Stop after the last pull, or at a cut
    #[arg(long)]
    once: bool,
    /// Let the drum run out after each pull, as long as its losses take, instead of braking it
    #[arg(long)]
    coast: bool,
    /// Wait for `leverarm load`: the simulated person keeps the engine ready, opens the throttle fully when the
    /// load holds, and closes it when that is waited for
    #[arg(long)]
    load: bool,
    /// The simulated board speaks in lines of text instead of frames
    #[arg(long)]
    text: bool,
    #[command(flatten)]
    access: AccessArguments,
    #[command(flatten)]
    simulated: simulated::Arguments,
}

/// One pull with a stand file, as its first trial.
pub(super) fn rehearse_once(file: &Path) -> Result<(), Failure> {
    rehearse(&RehearseArguments {
        stand: StandArgument {
            file: file.to_path_buf(),
        },
        pulls: 1,
        seed: 1,
        once: true,
        coast: false,
        load: false,
        text: false,
        access: AccessArguments {
            require_token: false,
            token_file: None,
            read_token_file: None,
        },
        simulated: simulated::Arguments::default(),
    })
}

pub(super) fn rehearse(asked: &RehearseArguments) -> Result<(), Failure> {
    let file = &asked.stand.file;
    let mut read = read_own_stand(file)?;
    let access = asked.access.page_access()?;
    start_log(if asked.once {
        LevelFilter::WARN
    } else {
        LevelFilter::INFO
    });
    if asked.load && read.stand.absorber.is_none() {
        bail!("--load: the stand file has no [absorber], so there is no load to command");
    }
    let mut model = model_of(&read.stand);
    asked.simulated.put_into(&mut model, &read.stand)?;
    if asked.text {
        model.board.form = Form::Lines;
    }
    let engine = simulated::words(&model);
    let rehearsal = Rehearsal::start(model, asked.seed)?;
    rehearse_on(&mut read, &rehearsal);
    let script = script_of(&read.stand, asked.pulls);
    let script = if asked.coast {
        coasting(script)
    } else {
        script
    };
    let script = if asked.load { ready(script) } else { script };
    let run_out = run_out_text(&read.stand, asked.coast);
    let store = read.store_folder.display().to_string();
    let mut first = None;
    run_on_runtime(async {
        let daemon = Daemon::start(read.options(access)).await?;
        let handle = daemon.handle();
        say(&format!(
            "rehearsing on a simulated stand, nothing real turns: page http://{}, store {store}",
            daemon.page_address()
        ));
        say(&run_out);
        say(&engine);
        tell_of_tokens(&daemon);
        rehearsal.ride(script)?;
        let mut signals = Signals::listen()?;
        let outcome = tokio::select! {
            signal = signals.next() => {
                tracing::info!(signal, "stopping");
                Ok(())
            }
            outcome = ride(&handle, &rehearsal, asked, &mut first) => outcome,
            outcome = work_throttle(&handle, &rehearsal, script), if asked.load => outcome,
        };
        drop(handle);
        stop(vec![daemon], signals).await?;
        outcome
    })?;
    if let Some(first) = first {
        say(&format!(
            "next: leverarm pulls -c {0}\n      leverarm show {first} -c {0}",
            file.display()
        ));
    }
    Ok(())
}

/// The simulated person looks at the page, and works the throttle.
async fn work_throttle(
    handle: &Handle,
    rehearsal: &Rehearsal,
    script: leverarm_software_stand::RiderScript,
) -> Result<(), Failure> {
    let live = handle.live();
    let mut throttle = Throttle::Ready;
    loop {
        tokio::time::sleep(Duration::from_millis(50)).await;
        let wanted = Throttle::by(&live.borrow());
        throttle.work(wanted, rehearsal, script)?;
    }
}

/// Says what happens. Ends by itself when the rehearsal is to be made once.
async fn ride(
    handle: &Handle,
    rehearsal: &Rehearsal,
    asked: &RehearseArguments,
    first: &mut Option<PullId>,
) -> Result<(), Failure> {
    let mut notices = handle.notices();
    let live = handle.live();
    let (mut stored, mut is_cut, mut done_since) = (0, false, None);
    loop {
        tokio::select! {
            notice = notices.recv() => if let Ok(notice) = notice {
                stored += 1;
                first.get_or_insert(notice.id);
                say(&format!("pull {} {}", notice.id, notice.state));
            },
            () = tokio::time::sleep(Duration::from_millis(200)) => {}
        }
        let cut = live.borrow().cut.clone();
        let cut_now = cut.latch == CutLatch::Confirmed;
        if cut_now && !is_cut {
            let cause = cut.cause.unwrap_or_default();
            if asked.once {
                bail!("the rehearsal ended in a cut: {cause}");
            }
            say(&format!(
                "cut: {cause}; the simulated person goes on after leverarm release {}",
                cut.cut_id.unwrap_or(0)
            ));
        }
        is_cut = cut_now;
        let done = |event: &RiderEvent| matches!(event, RiderEvent::Done { .. });
        if rehearsal.events().iter().any(done) {
            done_since = Some(Clock::start());
        }
        match done_since {
            Some(_) if asked.once && stored >= asked.pulls => return Ok(()),
            Some(since) if asked.once && since.now().mono_us > LAST_PULL_US_MAX => {
                bail!(
                    "the simulated person made {} pulls, and {stored} were found: the rules of \
                     [pull] in {} do not fit the stand; `leverarm check` says what they are",
                    asked.pulls,
                    asked.stand.file.display()
                );
            }
            _ => {}
        }
    }
}

/// What the drum does after a pull.
fn run_out_text(stand: &Stand, coast: bool) -> String {
    let seconds = run_out_s(stand);
    let by_itself = if !seconds.is_finite() {
        "for ever, as the stand file states no losses".to_owned()
    } else if seconds < 100.0 {
        format!("{seconds:.0} s")
    } else {
        format!("{:.0} min", seconds / 60.0)
    };
    if coast {
        format!("after a pull the drum runs out by itself: {by_itself}")
    } else {
        format!(
            "after a pull the simulated person brakes the drum in {BRAKING_S:.0} s; by itself it would \
             turn on: {by_itself} (--coast lets it)"
        )
    }
}
