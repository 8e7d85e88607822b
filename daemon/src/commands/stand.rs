//! `check`, `serve` and `rehearse`.

use std::path::Path;
use std::time::Duration;

use futures_util::future::join_all;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::watch;
use tracing_subscriber::filter::LevelFilter;

use super::{AccessArguments, Failure, StandFile, complain, read_stand, say, start_log, system};
use crate::rehearsal::{Rehearsal, model_of, script_of};
use crate::service::{Daemon, PageAccess, ServeOptions};
use leverarm_software_stand::{CycleVariation, RiderEvent};

/// Reads of the store that are under way when the daemon has stopped have so long.
const LEFT_BEHIND_TIMEOUT: Duration = Duration::from_millis(500);

pub(super) fn check(file: &Path) -> Result<(), Failure> {
    let read = read_stand(file)?;
    say(&read.stand.summary().to_string());
    Ok(())
}

pub(super) const SAFETY: &str = "\
A turning drum holds the energy of a moving car, and exhaust gas kills unnoticed. Software cutoffs
are not the emergency stop: have one hard-wired and within reach, guards over drum and chain, a way
out for the exhaust, and a second person. Read hardware-notes/safety.md first; local codes and
licensed engineers come before all of it.";

pub(super) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|error| Failure::new(format!("no runtime: {error}")))
}

/// Signals by which the process is asked to end.
struct Signals {
    terminate: Signal,
    interrupt: Signal,
}

impl Signals {
    fn listen() -> Result<Self, Failure> {
        let listen = |kind| signal(kind).map_err(Failure::of);
        Ok(Self {
            terminate: listen(SignalKind::terminate())?,
            interrupt: listen(SignalKind::interrupt())?,
        })
    }

    async fn next(&mut self) -> &'static str {
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
        .try_for_each(|stopped| stopped.map_err(Failure::of))
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

pub(super) fn serve<'a>(
    files: impl Iterator<Item = &'a Path>,
    access: &AccessArguments,
) -> Result<(), Failure> {
    let read = files.map(read_stand).collect::<Result<Vec<_>, _>>()?;
    let access = access.page_access()?;
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
            let daemon = Daemon::start(read.options(access.clone()))
                .await
                .map_err(Failure::of)?;
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
    // Rehearsed pulls never mix with real ones.
    read.store_folder = read.store_folder.with_file_name(format!(
        "{}-rehearsal",
        read.store_folder
            .file_name()
            .map_or_else(|| "pulls".into(), |name| name.to_string_lossy())
    ));
    super::stream::mark_rehearsal(&mut read.stand);
}

pub(super) fn rehearse(
    file: &Path,
    access: &AccessArguments,
    pulls: u32,
    seed: u64,
    once: bool,
    misfires_percent: f64,
) -> Result<(), Failure> {
    let mut read = read_stand(file)?;
    let access = access.page_access()?;
    start_log(LevelFilter::INFO);
    let mut model = model_of(&read.stand);
    model.engine.cycles = CycleVariation {
        misfire_probability: 0.01 * misfires_percent,
        ..CycleVariation::HEALTHY
    };
    let rehearsal = Rehearsal::start(model, seed).map_err(Failure::of)?;
    rehearse_on(&mut read, &rehearsal);
    let script = script_of(&read.stand, pulls);
    let store = read.store_folder.display().to_string();
    run_on_runtime(async {
        let daemon = Daemon::start(read.options(access))
            .await
            .map_err(Failure::of)?;
        let handle = daemon.handle();
        let mut notices = handle.notices();
        say(&format!(
            "rehearsing on a simulated stand: page http://{}, store {store}",
            daemon.page_address()
        ));
        tell_of_tokens(&daemon);
        rehearsal.ride(script).map_err(Failure::of)?;
        let mut signals = Signals::listen()?;
        let mut done = false;
        let mut stored = 0;
        while !(once && done && stored >= pulls) {
            tokio::select! {
                signal = signals.next() => {
                    tracing::info!(signal, "stopping");
                    break;
                }
                notice = notices.recv() => if let Ok(notice) = notice {
                    stored += 1;
                    say(&format!("pull {} {}", notice.id, notice.state));
                },
                () = tokio::time::sleep(Duration::from_millis(200)) => {
                    done |= rehearsal.events().iter().any(|e| matches!(e, RiderEvent::Done { .. }));
                }
            }
        }
        drop(handle);
        stop(vec![daemon], signals).await
    })
}
