//! `check`, `serve` and `rehearse`.

use std::path::Path;

use super::{AccessArguments, Failure, StandFile, complain, read_stand, say, start_log, system};
use crate::rehearsal::{Rehearsal, model_of, script_of};
use crate::service::{Daemon, PageAccess, ServeOptions};
use crate::software_stand::RiderEvent;

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

/// Resolves when the process is asked to end.
async fn asked_to_stop() -> Result<&'static str, Failure> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).map_err(Failure::of)?;
    let interrupted = tokio::signal::ctrl_c();
    tokio::select! {
        _ = terminate.recv() => Ok("SIGTERM"),
        _ = interrupted => Ok("SIGINT"),
    }
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
    start_log("info");
    if read.iter().any(|read| !read.store_folder.exists()) {
        complain(SAFETY);
    }
    for caution in read.iter().flat_map(|read| read.stand.summary().cautions) {
        tracing::warn!(key = caution.key, "{}", caution.text);
    }
    runtime()?.block_on(async {
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
        let signal = tokio::select! {
            signal = asked_to_stop() => signal?,
            never = system::keep_telling(&handles) => match never {},
        };
        drop(handles);
        system::tell_stopping();
        tracing::info!(signal, "stopping");
        for daemon in daemons {
            daemon.stop().await.map_err(Failure::of)?;
        }
        Ok(())
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
) -> Result<(), Failure> {
    let mut read = read_stand(file)?;
    let access = access.page_access()?;
    start_log("info");
    let rehearsal = Rehearsal::start(model_of(&read.stand), seed).map_err(Failure::of)?;
    rehearse_on(&mut read, &rehearsal);
    let script = script_of(&read.stand, pulls);
    let store = read.store_folder.display().to_string();
    runtime()?.block_on(async {
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
        let stop = asked_to_stop();
        tokio::pin!(stop);
        let mut done = false;
        let mut stored = 0;
        while !(once && done && stored >= pulls) {
            tokio::select! {
                signal = &mut stop => {
                    tracing::info!(signal = signal?, "stopping");
                    break;
                }
                notice = notices.recv() => if let Ok(notice) = notice {
                    stored += 1;
                    say(&format!("pull {} {}", notice.id, notice.state));
                },
                () = tokio::time::sleep(std::time::Duration::from_millis(200)) => {
                    done |= rehearsal.events().iter().any(|e| matches!(e, RiderEvent::Done { .. }));
                }
            }
        }
        daemon.stop().await.map_err(Failure::of)
    })
}
