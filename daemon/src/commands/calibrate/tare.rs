//! `tare`.

use leverarm_torque::calibration::tare::tare as zero_of;
use leverarm_torque::reduce::force_faults;
use serde_json::json;

use super::super::{Failure, say};
use super::{Outcome, Session, StandStore};
use crate::calibration::runs::Run;
use crate::calibration::{Change, Tare};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct TareArguments {
    /// Seconds averaged
    #[arg(long, default_value_t = 3.0)]
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

/// Edges that noise may put into some quiet seconds.
const EDGES_MAX: usize = 2;

pub(in crate::commands) fn tare(arguments: &TareArguments) -> Result<(), Failure> {
    let session = Session::open(&arguments.store, true)?;
    let cell = session
        .stand()
        .load_cell
        .ok_or_else(|| Failure::new("the stand file has no [load_cell]"))?;
    let seconds = arguments.seconds;
    if !(1.0..=60.0).contains(&seconds) {
        return Err(Failure(format!(
            "--seconds: expected 1 to 60, found {seconds}"
        )));
    }
    let run =
        Run::newest(session.reader()?, seconds, session.now_wall_us()).map_err(Failure::of)?;
    for pickup in &session.stand().pickups {
        let edges = run
            .recording
            .edges_within(pickup.channel, run.ticks.clone());
        if edges.len() > EDGES_MAX {
            return Err(Failure(format!(
                "tare refused: pickup {} saw {} teeth in the last {seconds:.0} s, so something turns; let it come to rest",
                pickup.channel,
                edges.len()
            )));
        }
    }
    let samples = run.recording.forces_within(cell.channel, run.ticks.clone());
    if let Some(fault) = force_faults(samples, run.recording.tick_hz, cell.range_counts).first() {
        return Err(Failure(format!(
            "tare refused: the load cell stays at {} counts: converter stuck, or at the end of its range",
            fault.counts
        )));
    }
    let counts: Vec<f64> = samples
        .iter()
        .map(|(_, counts)| f64::from(*counts))
        .collect();
    let zero = zero_of(&counts).map_err(|error| Failure(format!("tare refused: {error}")))?;
    let model = session.model().load_cell;
    let scale = model.map_or(cell.newton_per_count.value, |m| m.newton_per_count.value());
    let before = model.map_or(cell.zero_counts, |m| m.zero_counts.value());
    let moved_n = scale * (zero.value() - before);
    let arm = cell.arm_m.value;
    say(&format!(
        "zero {:.1} counts ± {:.1} (k = 2), {:+.3} N ({:+.3} N·m) from the last",
        zero.value(),
        2.0 * zero.standard_uncertainty(),
        moved_n,
        moved_n * arm
    ));
    let record = Tare {
        made_wall_us: session.now_wall_us(),
        channel: cell.channel,
        zero_counts: zero,
        seconds,
    };
    let summary = format!(
        "zero {:.1} counts, {moved_n:+.3} N from the last",
        zero.value()
    );
    let outcome = Outcome {
        json: json!({ "record": record, "moved_n": moved_n }),
        plot: None,
        change: Change::Tare(record),
        summary,
    };
    let common = super::Common {
        store: arguments.store.clone(),
        dry_run: arguments.dry_run,
        json: arguments.json,
        plot: None,
    };
    session.finish(outcome, &common)
}
