//! `tare`.

use super::super::Failure;
use super::{Session, StandStore};
use leverarm_analysis::calibration::tare::{SECONDS_DEFAULT, measure};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct TareArguments {
    /// Seconds averaged
    #[arg(long, default_value_t = SECONDS_DEFAULT)]
    seconds: f64,
    #[command(flatten)]
    store: StandStore,
    /// Show what comes out without putting it in force
    #[arg(long)]
    dry_run: bool,
    /// End with one JSON object on the last line, and ask nothing
    #[arg(long)]
    json: bool,
}

pub(in crate::commands) fn tare(arguments: &TareArguments) -> Result<(), Failure> {
    let session = Session::open(&arguments.store, true)?;
    let tared = measure(session.reader()?, session.known(), arguments.seconds)?;
    let common = super::Common {
        store: arguments.store.clone(),
        dry_run: arguments.dry_run,
        json: arguments.json,
        plot: None,
    };
    session.finish(tared.outcome(), &common)
}
