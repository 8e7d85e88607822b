//! What the system wants of a program: a word to the service manager, manual pages, completions.

use anyhow::Context;
use std::convert::Infallible;
use std::path::PathBuf;

use clap::CommandFactory;
use clap_complete::Shell;
use sd_notify::NotifyState;

use super::{Cli, Failure, say};
use crate::service::Handle;

/// Signs of life come so many times as often as the service manager asks for.
const SIGNS_PER_TIMEOUT: u32 = 4;

fn notify(state: NotifyState<'_>) {
    if let Err(error) = sd_notify::notify(&[state]) {
        tracing::warn!(%error, "the service manager was not reached");
    }
}

/// Tells the service manager that the daemon runs, and from then on that all guard threads are alive:
/// the live values are their work.
pub(super) async fn keep_telling(handles: &[Handle]) -> Infallible {
    notify(NotifyState::Ready);
    let Some(timeout) = sd_notify::watchdog_enabled() else {
        return std::future::pending().await;
    };
    let live: Vec<_> = handles.iter().map(Handle::live).collect();
    let mut before_us = vec![None; live.len()];
    loop {
        let mut all_alive = true;
        for (live, before_us) in live.iter().zip(&mut before_us) {
            let now_us = live.borrow().mono_us;
            all_alive &= before_us.replace(now_us) != Some(now_us);
        }
        if all_alive {
            notify(NotifyState::Watchdog);
        }
        tokio::time::sleep(timeout / SIGNS_PER_TIMEOUT).await;
    }
}

pub(super) fn tell_stopping() {
    notify(NotifyState::Stopping);
}

#[derive(Debug, clap::Args)]
pub(super) struct DocumentsArguments {
    /// The folder
    #[arg(value_name = "DIR")]
    folder: PathBuf,
}

/// Writes the manual pages and the shells' completions into folders `man`, `bash`, `zsh` and `fish`.
pub(super) fn documents(asked: &DocumentsArguments) -> Result<(), Failure> {
    let folder = &asked.folder;
    let shown = || folder.display().to_string();
    let man = folder.join("man");
    std::fs::create_dir_all(&man).with_context(shown)?;
    clap_mangen::generate_to(Cli::command(), &man).with_context(shown)?;
    for (shell, name) in [
        (Shell::Bash, "bash"),
        (Shell::Zsh, "zsh"),
        (Shell::Fish, "fish"),
    ] {
        let folder = folder.join(name);
        std::fs::create_dir_all(&folder).with_context(shown)?;
        clap_complete::generate_to(shell, &mut Cli::command(), "leverarm", folder)
            .with_context(shown)?;
    }
    say(&format!("written to {}", folder.display()));
    Ok(())
}
