//! `calibrate wheel`.

use leverarm_analysis::calibration::wheel::{find, pickup_of, pitch_rad};
use leverarm_config::{Pickup, Shaft};
use leverarm_torque::calibration::wheel::Pattern;

use super::super::terminal::Table;
use super::super::{Failure, say};
use super::{Common, Session};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct WheelArguments {
    /// A pull, by its number, or a byte log of the board, by its path; may be given several times.
    /// Its coast-down is used, and its full-throttle part too
    #[arg(long = "from", value_name = "RUN")]
    runs: Vec<String>,
    /// The shaft of the wheel; that of the curve's pickup when left out
    #[arg(long, value_enum)]
    on: Option<ShaftChoice>,
    /// Leave the last record out instead of refining it
    #[arg(long)]
    again: bool,
    #[command(flatten)]
    common: Common,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum ShaftChoice {
    /// The drum's
    Drum,
    /// The crank's
    Engine,
}

impl From<ShaftChoice> for Shaft {
    fn from(choice: ShaftChoice) -> Self {
        match choice {
            ShaftChoice::Drum => Self::Drum,
            ShaftChoice::Engine => Self::Engine,
        }
    }
}

const HOW: &str = "\
Teeth are never spaced evenly, and a curve's acceleration feels it. Where each tooth sits is learnt
best from coast-downs, in which nothing else shakes the drum, and refined from pulls.";

pub(super) fn calibrate(arguments: &WheelArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    session.dialogue.tell(HOW);
    let known = session.known();
    let pickup = pickup_of(known, arguments.on.map(Shaft::from))?;
    let runs = session.runs(
        &arguments.runs,
        "Pulls or byte logs to take, such as \"3 4 5\":",
    )?;
    let teeth = find(known, &pickup, &runs, arguments.again)?;
    report(&teeth.found, &pickup);
    session.finish(teeth.outcome, common)
}

fn report(found: &Pattern, pickup: &Pickup) {
    let pitch = pitch_rad(pickup);
    let mut table = Table::new(["tooth", "late by, % of a pitch", "± 95 %"]);
    let shown = found
        .error_rad
        .iter()
        .zip(&found.uncertainty_rad)
        .enumerate()
        .take(24);
    for (tooth, (error, u)) in shown {
        table.add_row([
            (tooth + 1).to_string(),
            format!("{:+.3}", 100.0 * error / pitch),
            format!("{:.3}", 196.0 * u / pitch),
        ]);
    }
    table.align_right(0..3);
    say(&table.to_string());
    if found.teeth() > 24 {
        say(&format!(
            "and {} more teeth, in the record",
            found.teeth() - 24
        ));
    }
}
