//! `calibrate losses`.

use leverarm_analysis::calibration::losses::{Choice, FoundLosses, find};
use leverarm_config::units;
use leverarm_torque::calibration::losses::Terms;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::super::terminal::Table;
use super::super::{Failure, dialogue::quantity, say};
use super::{Common, Session};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct LossArguments {
    /// A pull whose coast-down is used, by its number, or a byte log of the board, by its path; may
    /// be given several times: what differs between runs is learnt too
    #[arg(long = "from", value_name = "RUN")]
    runs: Vec<String>,
    /// How the loss goes with speed; the richest that the runs carry when left out
    #[arg(long, value_enum)]
    terms: Option<TermsChoice>,
    /// Temperature of the bearings during the runs, such as "35 degC"; that of the channel
    /// losses.bearing_channel when left out
    #[arg(long)]
    temperature: Option<String>,
    #[command(flatten)]
    common: Common,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum TermsChoice {
    /// The same at all speeds
    Constant,
    /// Constant and in proportion to speed
    Linear,
    /// Constant, in proportion to speed, and to its square
    Quadratic,
}

impl From<TermsChoice> for Terms {
    fn from(choice: TermsChoice) -> Self {
        match choice {
            TermsChoice::Constant => Self::Constant,
            TermsChoice::Linear => Self::Linear,
            TermsChoice::Quadratic => Self::Quadratic,
        }
    }
}

const HOW: &str = "\
A coast-down: bring the drum to its highest speed, pull the clutch (or take the chain off), touch
nothing, and let it run down. The drum stays dangerous until it stands: keep the guard closed and
nobody beside it. Three runs or more tell how much the losses change from one to the next.";

pub(super) fn calibrate(arguments: &LossArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    session.dialogue.tell(HOW);
    let runs = session.runs(
        &arguments.runs,
        "Pulls or byte logs to take, such as \"3 4 5\":",
    )?;
    let choice = Choice {
        terms: arguments.terms.map(Terms::from),
        temperature: session.dialogue.ask_optional(
            "--temperature",
            arguments.temperature.as_deref(),
            "Temperature of the bearings, such as \"35 degC\" (empty: not known, or measured):",
            |text| quantity(text, &units::TEMPERATURE),
        )?,
    };
    let found = find(session.known(), &runs, choice)?;
    report(&session, &found);
    session.finish(found.outcome, common)
}

fn report(session: &Session, found: &FoundLosses) {
    let FoundLosses { losses, record, .. } = found;
    for run in &found.with_engine {
        say(&format!(
            "note: {run}: the engine turned with the drum while it coasted, so its drag is in these losses; pull the clutch"
        ));
    }
    let units = session.stand().units.torque;
    let [c0, c1, c2] = losses.coefficients();
    say(&format!(
        "losses = {c0:.4} N·m + {c1:.3e} N·m/(rad/s) · ω + {c2:.3e} N·m/(rad/s)² · ω², from {}",
        record.runs.join(", ")
    ));
    let mut table = Table::new(["drum rpm", &format!("loss {}", units.symbol), "± 95 %"]);
    let (low, high) = losses.omega_range_rad_per_s();
    for i in 0..=6_u8 {
        let omega = low + (high - low) * f64::from(i) / 6.0;
        table.add_row([
            format!("{:.0}", omega / RAD_PER_S_PER_RPM),
            format!("{:.3}", units.number(losses.torque_nm(omega))),
            format!("{:.3}", units.difference(losses.band_nm(omega))),
        ]);
    }
    table.align_right(0..3);
    say(&table.to_string());
    match record.repeatability {
        Some(repeatability) => say(&format!(
            "from run to run the losses differ by {:.1} % (one standard deviation)",
            100.0 * repeatability.standard_uncertainty()
        )),
        None => say("one run: how much the losses differ from run to run is not known"),
    }
    say(&match losses.bearing_temperature_k() {
        Some(kelvin) => {
            let temperature = session.stand().units.temperature;
            format!("bearings at {}", temperature.text(kelvin, 0))
        }
        None => "bearing temperature not known".to_owned(),
    });
}
