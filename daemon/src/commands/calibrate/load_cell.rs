//! `calibrate load-cell`.

use anyhow::{Context, anyhow, bail};
use std::path::{Path, PathBuf};

use leverarm_analysis::calibration::load_cell::{
    FoundLoadCell, Weights, direction_after, find, reading,
};
use leverarm_analysis::calibration::runs::Run;
use leverarm_analysis::calibration::{gravity_anywhere_m_per_s2, gravity_at_m_per_s2};
use leverarm_config::units;
use leverarm_torque::calibration::dead_weight_force_n;
use leverarm_torque::calibration::load_cell::{Curve, Direction, LoadPoint, TimedCounts};
use leverarm_torque::uncertainty::{Measured, coverage_factor};

use super::super::dialogue::quantity;
use super::super::terminal::Table;
use super::super::{Failure, say};
use super::{Common, Session};

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
        .ok_or_else(|| anyhow!("the stand file has no [load_cell]"))?;
    session.dialogue.tell(HOW);
    let gravity = gravity(&session, arguments)?;
    let weights = relative_uncertainty(&session, arguments)?;
    let density =
        quantity(&arguments.weights_density, &units::DENSITY).context("--weights-density")?;
    let newton = |text: &str| -> Result<f64, Failure> {
        if let Ok(force) = units::measured(text, &units::FORCE) {
            return Ok(force.value);
        }
        let mass = quantity(text, &units::MASS)?;
        Ok(dead_weight_force_n(mass, gravity, density.value).value)
    };
    let found = find(
        session.known(),
        Weights {
            channel: cell.channel,
            points: match &arguments.points {
                Some(file) => read_points(file, newton)?,
                None => capture(&session, cell.channel, arguments.seconds, newton)?,
            },
            curve: arguments.curve.into(),
            load_relative_uncertainty: weights.hypot(gravity.relative_standard_uncertainty()),
            creep: arguments.creep.as_deref().map(read_creep).transpose()?,
        },
    )?;
    report(&found);
    session.finish(found.outcome, common)
}

fn gravity(session: &Session, arguments: &LoadCellArguments) -> Result<Measured, Failure> {
    if let Some(latitude) = arguments.latitude {
        if !(-90.0..=90.0).contains(&latitude) {
            bail!("--latitude: expected -90 to 90 degrees, found {latitude}");
        }
        return Ok(gravity_at_m_per_s2(latitude, arguments.altitude));
    }
    let given = session.dialogue.ask_optional(
        "--gravity",
        arguments.gravity.as_deref(),
        "Local gravity, such as \"9.81 m/s^2\" (empty: 9.80665 m/s^2, known to 0.3 %):",
        |text| quantity(text, &units::ACCELERATION),
    )?;
    Ok(given.unwrap_or_else(gravity_anywhere_m_per_s2))
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
        Err(anyhow!(
            "--weights-uncertainty: expected 0 % to 20 %, found {} %",
            100.0 * relative
        ))
    }
}

/// Lines of a file, without comments and empty ones, numbered from 1, split at commas, semicolons or
/// tabs.
fn lines(file: &Path) -> Result<Vec<(usize, Vec<String>)>, Failure> {
    let text = std::fs::read_to_string(file).with_context(|| file.display().to_string())?;
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
        let at = || format!("{}:{number}", file.display());
        let [load, counts, rest @ ..] = fields.as_slice() else {
            return Err(
                anyhow!("expected a weight and its counts, such as \"5 kg, 123456\"").context(at()),
            );
        };
        let Ok(counts) = counts.parse::<f64>() else {
            // Column names.
            if number == 1 || points.is_empty() && newton(load).is_err() {
                continue;
            }
            return Err(anyhow!("expected counts, found {counts:?}").context(at()));
        };
        let load = newton(load).with_context(at)?;
        let direction = match rest.first().map(String::as_str) {
            Some("up") => Direction::Loading,
            Some("down") => Direction::Unloading,
            Some("") | None => direction_after(&points, load),
            Some(other) => {
                return Err(anyhow!("expected up or down, found {other:?}").context(at()));
            }
        };
        points.push(LoadPoint::new(load, counts, direction));
    }
    Ok(points)
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
        bail!("give --points FILE (weights and counts, one pair a line)");
    }
    if !(1.0..=60.0).contains(&seconds) {
        bail!("--seconds: expected 1 to 60, found {seconds}");
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
        let run = Run::newest(session.reader()?, seconds, session.known().now_wall_us)?;
        match reading(&run, channel) {
            Ok(mean) => {
                say(&format!(
                    "  {:.1} counts ± {:.1}",
                    mean.value(),
                    2.0 * mean.standard_uncertainty()
                ));
                let direction = direction_after(&points, load);
                points.push(LoadPoint::new(load, mean.value(), direction));
            }
            Err(error) => say(&format!(
                "  {}; again",
                error.to_string().replace("tare: ", "")
            )),
        }
    }
}

fn read_creep(file: &Path) -> Result<Vec<TimedCounts>, Failure> {
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
                bail!("{}:{number}: expected seconds and counts", file.display());
            }
        }
    }
    Ok(readings)
}

fn report(found: &FoundLoadCell) {
    let FoundLoadCell { cell, record, .. } = found;
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
