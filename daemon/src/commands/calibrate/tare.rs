//! `tare`.

use serde_json::json;

use super::super::{Failure, say};
use super::{Outcome, Session, StandStore};
use leverarm_analysis::calibration::tare::{SECONDS_DEFAULT, measure};
use leverarm_values::calibration::Change;

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
    let known = (session.stand(), &session.calibration);
    if known.0.load_cell.is_none() {
        return Err(Failure::new("the stand file has no [load_cell]"));
    }
    let tared = measure(
        session.reader()?,
        known,
        arguments.seconds,
        session.now_wall_us(),
    )
    .map_err(Failure::of)?;
    let zero = tared.record.zero_counts;
    say(&format!(
        "zero {:.1} counts ± {:.1} (k = 2), {:+.3} N ({:+.3} N·m) from the last",
        zero.value(),
        2.0 * zero.standard_uncertainty(),
        tared.moved_n,
        tared.moved_nm
    ));
    let outcome = Outcome {
        json: json!({ "record": tared.record, "moved_n": tared.moved_n }),
        plot: None,
        summary: tared.summary(),
        change: Change::Tare(tared.record),
    };
    let common = super::Common {
        store: arguments.store.clone(),
        dry_run: arguments.dry_run,
        json: arguments.json,
        plot: None,
    };
    session.finish(outcome, &common)
}
