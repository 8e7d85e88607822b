//! `calibrations`.

use clap::builder::{PossibleValuesParser, TypedValueParser};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;

use super::super::terminal::Table;
use super::super::{Failure, json_line, say};
use super::{Session, StandStore};
use leverarm_analysis::calibration::load::in_force_text;
use leverarm_analysis::calibration::{shown, wheel};
use leverarm_analysis::local_time::local_text;
use leverarm_values::calibration::{Change, Constant, NewCalibrationRequest};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct ListArguments {
    #[command(flatten)]
    store: StandStore,
    /// Every calibration ever made, not only those in force
    #[arg(long)]
    history: bool,
    /// Go back to the stand file's value of a constant
    #[arg(long, value_parser = constant_parser(), value_name = "CONSTANT")]
    forget: Option<Constant>,
    /// The record in force as JSON; with --history, every change, one object a line
    #[arg(long)]
    json: bool,
}

fn constant_parser() -> impl TypedValueParser<Value = Constant> {
    PossibleValuesParser::new(Constant::ALL.iter().map(|constant| constant.word()))
        .try_map(|word| Constant::of_word(&word).ok_or("no such constant"))
}

pub(in crate::commands) fn list(arguments: &ListArguments) -> Result<(), Failure> {
    let session = Session::open(&arguments.store, true)?;
    if let Some(constant) = arguments.forget {
        session.put_in_force(NewCalibrationRequest {
            change: Change::Forget(constant),
            summary: "forgotten: the stand file's value holds again".to_owned(),
        })?;
        say(&format!(
            "{}: the stand file's value holds again",
            constant.word()
        ));
        return Ok(());
    }
    if arguments.history {
        return history(&session, arguments.json);
    }
    if arguments.json {
        let value = serde_json::to_value(&session.calibration)?;
        json_line(&value);
        return Ok(());
    }
    let mut table = Table::new(["constant", "in force", "since", "from"]);
    for row in rows(&session) {
        table.add_row(row);
    }
    say(&table.to_string());
    Ok(())
}

fn history(session: &Session, as_json: bool) -> Result<(), Failure> {
    let Some(reader) = &session.reader else {
        say("no calibrations yet");
        return Ok(());
    };
    let changes = reader.calibration_history()?;
    if as_json {
        for change in &changes {
            json_line(&serde_json::to_value(change)?);
        }
        return Ok(());
    }
    if changes.is_empty() {
        say("no calibrations yet");
        return Ok(());
    }
    let mut table = Table::new(["when", "constant", "what came out"]);
    for change in changes {
        table.add_row([local_text(change.wall_us), change.part, change.summary]);
    }
    say(&table.to_string());
    Ok(())
}

const STAND_FILE: &str = "stand file";

/// Constant, value, since when, where from.
fn rows(session: &Session) -> Vec<[String; 4]> {
    let (stand, calibration, model) = (
        session.stand(),
        &session.calibration,
        session.known().model(),
    );
    let since = |made: Option<i64>| made.map_or_else(String::new, local_text);
    let row = |constant: Constant, value: String, made: Option<i64>, from: String| {
        [constant.word().to_owned(), value, since(made), from]
    };
    let mut rows = Vec::new();
    if let Some(inertia) = &model.drum_inertia_kg_m2 {
        let record = calibration.drum_inertia.as_ref();
        rows.push(row(
            Constant::Inertia,
            shown(&inertia.measured, "kg·m²"),
            record.map(|r| r.made_wall_us),
            record.map_or(STAND_FILE.to_owned(), |r| r.method.word().to_owned()),
        ));
    }
    let record = calibration.losses.as_ref();
    let at_rad_per_s = record.map_or_else(
        || stand.pull.end_rad_per_s / model.engine_per_drum.value(),
        |r| r.figures.omega_range_rad_per_s.1,
    );
    rows.push(row(
        Constant::Losses,
        format!(
            "{:.3} ± {:.3} N·m (k = 2) at {:.0} rpm of the drum",
            model.losses.torque_nm(at_rad_per_s),
            2.0 * model.losses.standard_uncertainty_nm(at_rad_per_s),
            at_rad_per_s / RAD_PER_S_PER_RPM
        ),
        record.map(|r| r.made_wall_us),
        record.map_or(STAND_FILE.to_owned(), |r| r.runs.join(", ")),
    ));
    if let Some(cell) = &model.load_cell {
        let record = calibration.load_cell.as_ref();
        rows.push(row(
            Constant::LoadCell,
            format!(
                "{:.6e} N/count ± {:.2} % (k = 2)",
                cell.newton_per_count.value(),
                200.0
                    * cell
                        .newton_per_count
                        .measured
                        .relative_standard_uncertainty()
            ),
            record.map(|r| r.made_wall_us),
            record.map_or(STAND_FILE.to_owned(), |r| {
                format!("{} weights", r.points.len())
            }),
        ));
        let record = calibration.tare.as_ref();
        rows.push(row(
            Constant::Tare,
            format!(
                "{:.1} ± {:.1} counts (k = 2)",
                cell.zero_counts.value(),
                2.0 * cell.zero_counts.standard_uncertainty()
            ),
            record.map(|r| r.made_wall_us),
            record.map_or(STAND_FILE.to_owned(), |r| {
                format!("{:.0} s at rest", r.seconds)
            }),
        ));
    }
    for pickup in &stand.pickups {
        let record = calibration.wheel(pickup.channel);
        rows.push(row(
            Constant::Wheel,
            match record {
                Some(record) => wheel::text(pickup, &record.pattern()),
                None => format!("pickup {}: estimated in each pull", pickup.channel),
            },
            record.map(|r| r.made_wall_us),
            record.map_or(String::new(), |r| r.runs.join(", ")),
        ));
    }
    let record = calibration.drive_ratio.as_ref();
    rows.push(row(
        Constant::Ratio,
        format!(
            "{:.5} ± {:.5} (k = 2)",
            model.engine_per_drum.value(),
            2.0 * model.engine_per_drum.standard_uncertainty()
        ),
        record.map(|r| r.made_wall_us),
        record.map_or(STAND_FILE.to_owned(), |r| r.runs.join(", ")),
    ));
    let now_wall_us = session.known().now_wall_us;
    if let Some(words) = in_force_text(stand, calibration, now_wall_us) {
        let record = calibration.load_tuning_of(stand).map(|it| it.0);
        rows.push(row(
            Constant::LoadTuning,
            words,
            record.map(|r| r.made_wall_us),
            record.map_or(STAND_FILE.to_owned(), |r| r.runs.join(", ")),
        ));
    }
    rows
}
