//! `calibrate load-cell`.

use std::path::{Path, PathBuf};

use leverarm_config::units;
use leverarm_torque::STANDARD_GRAVITY_M_PER_S2;
use leverarm_torque::calibration::load_cell::{
    Creep, Curve, Direction, Drift, LoadCell, LoadPoint, TimedCounts,
};
use leverarm_torque::calibration::{dead_weight_force_n, gravity_m_per_s2, tare::tare};
use leverarm_torque::uncertainty::{Measured, coverage_factor};
use serde_json::json;

use super::super::dialogue::quantity;
use super::super::terminal::Table;
use super::super::{Failure, say};
use super::{Common, Outcome, Session};
use leverarm_analysis::calibration::runs::Run;
use leverarm_plot::{Axis, Panel, Plot, Range, Series};
use leverarm_values::calibration::{Change, LoadCellCalibration};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct LoadCellArguments {
    /// Weights and readings, one a line, in the order hung: "5 kg, 123456"; a third column up or down
    /// when the order does not tell. Without it each weight is captured from the running daemon
    #[arg(long, value_name = "FILE")]
    points: Option<PathBuf>,
    /// Straight line or parabola
    #[arg(long, value_enum, default_value_t = CurveChoice::Linear)]
    curve: CurveChoice,
    /// Local gravity
    #[arg(long, conflicts_with = "latitude")]
    gravity: Option<String>,
    /// Latitude in degrees, which gravity is worked out from
    #[arg(long, allow_hyphen_values = true)]
    latitude: Option<f64>,
    /// Height above the sea in metres, with the latitude
    #[arg(long, default_value_t = 0.0, allow_hyphen_values = true)]
    altitude: f64,
    /// Standard uncertainty that all weights share, in %, such as "0.1 %"
    #[arg(long)]
    weights_uncertainty: Option<String>,
    /// Density of the weights, for the air's buoyancy
    #[arg(long, default_value = "7850 kg/m^3")]
    weights_density: String,
    /// Readings under one load that hung for long, one a line: seconds, counts
    #[arg(long, value_name = "FILE")]
    creep: Option<PathBuf>,
    /// Seconds averaged for each captured weight
    #[arg(long, default_value_t = 3.0)]
    seconds: f64,
    #[command(flatten)]
    common: Common,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum CurveChoice {
    /// Straight line
    Linear,
    /// Parabola
    Quadratic,
}

impl From<CurveChoice> for Curve {
    fn from(choice: CurveChoice) -> Self {
        match choice {
            CurveChoice::Linear => Self::Linear,
            CurveChoice::Quadratic => Self::Quadratic,
        }
    }
}

const HOW: &str = "\
Hang known weights on the load cell (or on a calibration arm at the length of the arm), from none up
to what the engine will pull, and take them off again in the same steps. Let each come to rest.
Hang them over a padded floor, keep feet and hands from under them, and keep the engine off.";

pub(super) fn calibrate(arguments: &LoadCellArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    let cell = session
        .stand()
        .load_cell
        .ok_or_else(|| Failure::new("the stand file has no [load_cell]"))?;
    session.dialogue.tell(HOW);
    let gravity = gravity(&session, arguments)?;
    let weights = relative_uncertainty(&session, arguments)?;
    let density = quantity(&arguments.weights_density, &units::DENSITY)
        .map_err(|error| Failure(format!("--weights-density: {error}")))?;
    let newton = |text: &str| -> Result<f64, Failure> {
        if let Ok(force) = units::measured(text, &units::FORCE) {
            return Ok(force.value);
        }
        let mass = quantity(text, &units::MASS)?;
        Ok(dead_weight_force_n(mass, gravity, density.value).value)
    };
    let points = match &arguments.points {
        Some(file) => read_points(file, newton)?,
        None => capture(&session, cell.channel, arguments.seconds, newton)?,
    };
    let curve = Curve::from(arguments.curve);
    let fitted = LoadCell::calibrate(&points, curve).map_err(Failure::of)?;
    let creep = arguments
        .creep
        .as_deref()
        .map(|file| read_creep(file, &fitted))
        .transpose()?;
    let load_relative_uncertainty = weights.hypot(gravity.relative_standard_uncertainty());
    let record = LoadCellCalibration {
        made_wall_us: session.now_wall_us(),
        channel: cell.channel,
        curve,
        coefficients: fitted.fit.coefficients().to_vec(),
        standard_errors: fitted.fit.standard_errors(),
        zero_counts: fitted.zero_counts,
        span_n: fitted.span,
        non_linearity_n: fitted.non_linearity,
        hysteresis_n: fitted.hysteresis,
        zero_return_n: fitted.zero_return,
        points,
        load_relative_uncertainty,
        creep,
    };
    let earlier = session.calibration.load_cell.as_ref();
    let earlier = earlier.filter(|e| e.channel == cell.channel);
    let drift = earlier
        .map(|earlier| {
            let earlier = earlier.fit().map_err(Failure::of)?;
            fitted.drift_since(&earlier).map_err(Failure::of)
        })
        .transpose()?;
    report(&record, &fitted);
    let verdict = drift.as_ref().map(drift_text);
    if let Some(verdict) = &verdict {
        say(verdict);
    }
    let per_count = record.coefficients.get(1).copied().unwrap_or(0.0);
    let summary = format!(
        "{per_count:.6e} N/count over {:.1} N, {} weights",
        record.span_n,
        record.points.len()
    );
    let outcome = Outcome {
        json: json!({
            "record": record,
            "r_squared": fitted.fit.r_squared(),
            "residual_sd_n": fitted.fit.residual_sd(),
            "drift": drift.map(|d| json!({
                "span_relative": d.span.value,
                "span_expanded_uncertainty": d.span_expanded_uncertainty,
                "span_moved": d.span_moved,
                "zero_n": d.zero,
            })),
            "verdict": verdict,
        }),
        plot: Some(plot(&session, &record, &fitted)),
        change: Change::LoadCell(record),
        summary,
    };
    session.finish(outcome, common)
}

fn gravity(session: &Session, arguments: &LoadCellArguments) -> Result<Measured, Failure> {
    if let Some(latitude) = arguments.latitude {
        if !(-90.0..=90.0).contains(&latitude) {
            return Err(Failure(format!(
                "--latitude: expected -90 to 90 degrees, found {latitude}"
            )));
        }
        // Local anomalies stay below 0.001 m/s².
        let gravity = gravity_m_per_s2(latitude, arguments.altitude);
        return Ok(Measured::within(gravity, 1e-3));
    }
    let given = session.dialogue.ask_optional(
        "--gravity",
        arguments.gravity.as_deref(),
        "Local gravity, such as \"9.81 m/s^2\" (empty: 9.80665 m/s^2, known to 0.3 %):",
        |text| quantity(text, &units::ACCELERATION),
    )?;
    Ok(given.unwrap_or_else(|| Measured::within(STANDARD_GRAVITY_M_PER_S2, 0.026)))
}

fn relative_uncertainty(session: &Session, arguments: &LoadCellArguments) -> Result<f64, Failure> {
    let given = session.dialogue.ask_optional(
        "--weights-uncertainty",
        arguments.weights_uncertainty.as_deref(),
        "How well the weights are known, one standard deviation, such as \"0.1 %\" (empty: exactly):",
        |text| quantity(text, &units::FRACTION),
    )?;
    let relative = given.map_or(0.0, |g| g.value);
    if (0.0..0.2).contains(&relative) {
        Ok(relative)
    } else {
        Err(Failure(format!(
            "--weights-uncertainty: expected 0 % to 20 %, found {} %",
            100.0 * relative
        )))
    }
}

/// Lines of a file, without comments and empty ones, numbered from 1, split at commas, semicolons or
/// tabs.
fn lines(file: &Path) -> Result<Vec<(usize, Vec<String>)>, Failure> {
    let text = std::fs::read_to_string(file)
        .map_err(|error| Failure(format!("{}: {error}", file.display())))?;
    let fields = |line: &str| {
        line.split([',', ';', '\t'])
            .map(|field| field.trim().to_owned())
            .collect()
    };
    Ok((1..)
        .zip(text.lines())
        .filter(|(_, line)| !line.trim().is_empty() && !line.trim_start().starts_with('#'))
        .map(|(number, line)| (number, fields(line)))
        .collect())
}

fn read_points(
    file: &Path,
    newton: impl Fn(&str) -> Result<f64, Failure>,
) -> Result<Vec<LoadPoint>, Failure> {
    let mut points: Vec<LoadPoint> = Vec::new();
    for (number, fields) in lines(file)? {
        let at = |error: &dyn std::fmt::Display| {
            Failure(format!("{}:{number}: {error}", file.display()))
        };
        let [load, counts, rest @ ..] = fields.as_slice() else {
            return Err(at(
                &"expected a weight and its counts, such as \"5 kg, 123456\"",
            ));
        };
        let Ok(counts) = counts.parse::<f64>() else {
            // Column names.
            if number == 1 || points.is_empty() && newton(load).is_err() {
                continue;
            }
            return Err(at(&format!("expected counts, found {counts:?}")));
        };
        let load = newton(load).map_err(|error| at(&error))?;
        let direction = match rest.first().map(String::as_str) {
            Some("up") => Direction::Loading,
            Some("down") => Direction::Unloading,
            Some("") | None => by_order(&points, load),
            Some(other) => return Err(at(&format!("expected up or down, found {other:?}"))),
        };
        points.push(LoadPoint {
            load,
            counts,
            direction,
        });
    }
    Ok(points)
}

/// More than before is up, less is down.
fn by_order(points: &[LoadPoint], load: f64) -> Direction {
    match points.last() {
        Some(last) if load < last.load => Direction::Unloading,
        Some(last) if load == last.load => last.direction,
        _ => Direction::Loading,
    }
}

/// A chunk is stored after a second; then the whole stretch is the weight's own.
const STORED_AFTER_S: f64 = 1.5;

fn capture(
    session: &Session,
    channel: u8,
    seconds: f64,
    newton: impl Fn(&str) -> Result<f64, Failure>,
) -> Result<Vec<LoadPoint>, Failure> {
    if !session.dialogue.is_open() {
        return Err(Failure::new(
            "give --points FILE (weights and counts, one pair a line)",
        ));
    }
    if !(1.0..=60.0).contains(&seconds) {
        return Err(Failure(format!(
            "--seconds: expected 1 to 60, found {seconds}"
        )));
    }
    let mut points: Vec<LoadPoint> = Vec::new();
    loop {
        let question =
            "Weight that hangs now, such as \"0 kg\" or \"5 kg\" (empty: that was the last):";
        let Some(load) = session.dialogue.ask_optional("", None, question, &newton)? else {
            return Ok(points);
        };
        session.dialogue.pause("Let it come to rest")?;
        std::thread::sleep(std::time::Duration::from_secs_f64(seconds + STORED_AFTER_S));
        let run =
            Run::newest(session.reader()?, seconds, session.now_wall_us()).map_err(Failure::of)?;
        let counts: Vec<f64> = run
            .forces(channel)
            .iter()
            .map(|(_, counts)| *counts)
            .collect();
        match tare(&counts) {
            Ok(mean) => {
                say(&format!(
                    "  {:.1} counts ± {:.1}",
                    mean.value(),
                    2.0 * mean.standard_uncertainty()
                ));
                let direction = by_order(&points, load);
                points.push(LoadPoint {
                    load,
                    counts: mean.value(),
                    direction,
                });
            }
            Err(error) => say(&format!(
                "  {}; again",
                error.to_string().replace("tare: ", "")
            )),
        }
    }
}

fn read_creep(file: &Path, cell: &LoadCell) -> Result<Creep, Failure> {
    let mut readings = Vec::new();
    for (number, fields) in lines(file)? {
        let numbers: Vec<f64> = fields.iter().filter_map(|f| f.parse().ok()).collect();
        match numbers.as_slice() {
            [time_s, counts] => readings.push(TimedCounts {
                time_s: *time_s,
                counts: *counts,
            }),
            _ if readings.is_empty() => {} // column names
            _ => {
                return Err(Failure(format!(
                    "{}:{number}: expected seconds and counts",
                    file.display()
                )));
            }
        }
    }
    cell.creep(&readings).map_err(Failure::of)
}

fn report(record: &LoadCellCalibration, cell: &LoadCell) {
    let mut table = Table::new(["load N", "counts", "", "off the fit N"]);
    for (point, residual) in record.points.iter().zip(cell.fit.residuals()) {
        table.add_row([
            format!("{:.3}", point.load),
            format!("{:.1}", point.counts),
            match point.direction {
                Direction::Loading => "up",
                Direction::Unloading => "down",
            }
            .to_owned(),
            format!("{residual:+.4}"),
        ]);
    }
    table.align_right([0, 1, 3]);
    say(&table.to_string());
    let freedom = cell.fit.degrees_of_freedom();
    let k = coverage_factor(0.95, freedom as f64).unwrap_or(f64::NAN);
    for (power, (value, error)) in record
        .coefficients
        .iter()
        .zip(&record.standard_errors)
        .enumerate()
    {
        let unit = ["N", "N/count", "N/count²"]
            .get(power)
            .copied()
            .unwrap_or("");
        say(&format!(
            "b{power} = {value:.6e} {unit}, standard error {error:.1e} ({freedom} degrees of freedom, 95 %: ± {:.1e})",
            k * error
        ));
    }
    let share = |newton: f64| 100.0 * newton / record.span_n;
    let of_span = |what: &str, newton: f64| {
        say(&format!(
            "{what}: {newton:+.4} N, {:+.3} % of the span",
            share(newton)
        ));
    };
    of_span("non-linearity", record.non_linearity_n);
    match record.hysteresis_n {
        Some(hysteresis) => of_span("hysteresis", hysteresis),
        None => say("hysteresis: not known, no weight was read both up and down"),
    }
    if let Some(zero) = record.zero_return_n {
        of_span("zero came back to within", zero);
    }
    if let Some(creep) = &record.creep {
        of_span(&format!("creep in {:.0} s", creep.duration_s), creep.change);
    }
}

fn drift_text(drift: &Drift) -> String {
    let verdict = if drift.span_moved {
        "CHANGED: the span moved"
    } else {
        "no measurable change of the span"
    };
    let zero = drift
        .zero
        .map_or_else(String::new, |zero| format!("; zero {zero:+.3} N"));
    format!(
        "{verdict} since the last record: {:+.3} %, ± {:.3} % (95 %){zero}",
        100.0 * drift.span.value,
        100.0 * drift.span_expanded_uncertainty
    )
}

fn plot(session: &Session, record: &LoadCellCalibration, cell: &LoadCell) -> Plot {
    let by = |direction, label: &str, style| Series {
        label: label.to_owned(),
        points: record
            .points
            .iter()
            .zip(cell.fit.residuals())
            .filter(|(point, _)| point.direction == direction)
            .map(|(point, residual)| (point.load, *residual))
            .collect(),
        band: None,
        style,
    };
    let loads: Vec<(f64, f64)> = record.points.iter().map(|p| (p.load, p.counts)).collect();
    Plot {
        title: "Load cell against dead weights".to_owned(),
        subtitle: session.stand().name.clone(),
        x: Axis {
            label: "Load".to_owned(),
            unit: "N".to_owned(),
            range: Range::Auto,
        },
        panels: vec![
            Panel {
                y: Axis {
                    label: "Reading".to_owned(),
                    unit: "counts".to_owned(),
                    range: Range::Auto,
                },
                series: vec![Series {
                    label: "readings".to_owned(),
                    points: loads,
                    band: None,
                    style: 0,
                }],
                ..Panel::default()
            },
            Panel {
                y: Axis {
                    label: "Off the fit".to_owned(),
                    unit: "N".to_owned(),
                    range: Range::IncludeZero,
                },
                series: vec![
                    by(Direction::Loading, "up", 1),
                    by(Direction::Unloading, "down", 2),
                ],
                ..Panel::default()
            },
        ],
        shades: Vec::new(),
        notes: Vec::new(),
    }
}
