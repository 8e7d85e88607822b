//! `calibrate ratio`.

use std::f64::consts::PI;

use leverarm_config::{Stage, units};
use leverarm_torque::curve::Curve;
use leverarm_torque::uncertainty::{Assessed, Measured, propagate};
use serde_json::json;

use super::super::dialogue::quantity;
use super::super::{Failure, say};
use super::{Common, Outcome, Session, assessed_json, decimals_for};
use leverarm_analysis::reduction::{CurveChoice, reduce_log, reduce_pull};
use leverarm_plot::{Axis, Mark, Panel, Plot, Range, Series};
use leverarm_store::PullId;
use leverarm_values::calibration::{Change, RatioCalibration};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct RatioArguments {
    /// A pull recorded with a pickup on the drum and one on the engine, by its number, or a byte log,
    /// by its path; may be given several times
    #[arg(long = "from", value_name = "RUN")]
    runs: Vec<String>,
    /// The ratio itself, such as "6.03 +/- 0.01": engine turns per drum turn
    #[arg(long, conflicts_with_all = ["runs", "stages"])]
    ratio: Option<String>,
    /// Tooth counts driven/driving, engine first, such as "67/18,24/19,22/15"
    #[arg(long, conflicts_with = "runs")]
    stages: Option<String>,
    /// With stages and a tyre on the drum: way of the tyre in a turn, such as "1.63 +/- 0.01 m"
    #[arg(long, requires_all = ["stages", "drum_diameter"])]
    tyre_circumference: Option<String>,
    /// With stages and a tyre on the drum: diameter of the drum where it runs
    #[arg(long, requires = "tyre_circumference")]
    drum_diameter: Option<String>,
    #[command(flatten)]
    common: Common,
}

const HOW: &str = "\
With a pickup on the drum and one on the engine the ratio is measured: make a pull in the gear that
you test in, and name it here. Without, tooth counts of all stages tell it exactly for gears and
chains, and a tyre only as well as its circumference is known.";

/// What one run says.
struct Found {
    name: String,
    ratio: Measured,
    /// Engine speed, ratio, and its 95 % half-width.
    points: Vec<(f64, f64, f64)>,
    /// Change of the ratio over the greatest torque, relative.
    slip_with_torque: f64,
}

pub(super) fn calibrate(arguments: &RatioArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    session.dialogue.tell(HOW);
    let stated = session.stand().drive.engine_per_drum;
    let (ratio, sources, found) = if let Some(text) = &arguments.ratio {
        let ratio = quantity(text, &units::RATIO)
            .map_err(|error| Failure(format!("--ratio {text:?}: {error}")))?;
        (
            Assessed::type_b(ratio),
            vec!["entered".to_owned()],
            Vec::new(),
        )
    } else if let Some(stages) = &arguments.stages {
        (
            from_stages(arguments, stages)?,
            vec![stages.clone()],
            Vec::new(),
        )
    } else {
        let question = "Pulls or byte logs with both pickups, such as \"3 4 5\":";
        let names: Vec<String> = if arguments.runs.is_empty() {
            session
                .dialogue
                .ask("--from RUN, --ratio or --stages", None, question, |text| {
                    let names = text.split([',', ' ']).filter(|n| !n.is_empty());
                    Ok(names.map(str::to_owned).collect())
                })?
        } else {
            arguments.runs.clone()
        };
        let found: Vec<Found> = names
            .iter()
            .map(|name| one(&session, name))
            .collect::<Result<_, _>>()?;
        let sources = found.iter().map(|f| f.name.clone()).collect();
        (mean(&found)?, sources, found)
    };
    if !(0.1..=100.0).contains(&ratio.value()) {
        return Err(Failure(format!(
            "expected 0.1 to 100 engine turns per drum turn, found {:.4}",
            ratio.value()
        )));
    }
    for run in &found {
        say(&format!("{}: {}", run.name, plain(&run.ratio)));
        if run.slip_with_torque.abs() > 0.002 {
            say(&format!(
                "  it changes by {:+.2} % up to the greatest torque: the tyre or clutch slips under load",
                100.0 * run.slip_with_torque
            ));
        }
    }
    let verdict = against_stand(&ratio.measured, &stated);
    let summary = format!(
        "{} engine turns per drum turn, from {}",
        plain(&ratio.measured),
        sources.join(", ")
    );
    say(&summary);
    say(&verdict);
    let record = RatioCalibration {
        made_wall_us: session.now_wall_us(),
        engine_per_drum: ratio,
        runs: sources,
    };
    let outcome = Outcome {
        json: json!({
            "record": record,
            "engine_per_drum": assessed_json(&ratio),
            "verdict": verdict,
            "slip_with_torque": found.iter().map(|f| f.slip_with_torque).collect::<Vec<f64>>(),
        }),
        plot: (!found.is_empty()).then(|| plot(&session, &found, stated.value)),
        change: Change::DriveRatio(record),
        summary,
    };
    session.finish(outcome, common)
}

fn plain(ratio: &Measured) -> String {
    let expanded = 2.0 * ratio.standard_uncertainty;
    let decimals = decimals_for(expanded).min(6);
    format!("{:.decimals$} ± {expanded:.decimals$} (k = 2)", ratio.value)
}

fn against_stand(found: &Measured, stated: &Measured) -> String {
    let off = found.value / stated.value - 1.0;
    let expanded = 2.0
        * found
            .relative_standard_uncertainty()
            .hypot(stated.relative_standard_uncertainty());
    // A chain's ratio is exact; what is left then is what the pickups can tell.
    let verdict = if off.abs() <= expanded.max(5e-4) {
        "agrees with the stand file"
    } else if !(-0.03..0.05).contains(&off) {
        // No tyre slips by so much (1 to 4 %: common practice, no source), and none the other way.
        "is another ratio than the stand file's: another gear, or wrong tooth counts"
    } else {
        "differs from the stand file beyond the uncertainty: slip, or a tyre that has changed"
    };
    format!(
        "{:+.3} % from the stand file's {:.4}: {verdict}",
        100.0 * off,
        stated.value
    )
}

fn from_stages(arguments: &RatioArguments, text: &str) -> Result<Assessed, Failure> {
    let bad = || {
        Failure(format!(
            "--stages {text:?}: expected tooth counts such as \"67/18,24/19\""
        ))
    };
    let mut ratio = 1.0;
    for stage in text.split(',') {
        ratio *= Stage::parse(stage).ok_or_else(bad)?.ratio();
    }
    let (Some(circumference), Some(diameter)) =
        (&arguments.tyre_circumference, &arguments.drum_diameter)
    else {
        return Ok(Assessed::type_b(Measured::exact(ratio)));
    };
    let length = |name: &str, text: &str| {
        quantity(text, &units::LENGTH).map_err(|e| Failure(format!("{name} {text:?}: {e}")))
    };
    let circumference = length("--tyre-circumference", circumference)?;
    let diameter = length("--drum-diameter", diameter)?;
    let ratio = propagate([circumference, diameter], |[c, d]| ratio * PI * d / c);
    Ok(Assessed::type_b(ratio))
}

fn one(session: &Session, name: &str) -> Result<Found, Failure> {
    let choice = CurveChoice {
        calibrations_of_now: true,
        ..CurveChoice::default()
    };
    let (name, curve) = match name.trim().parse() {
        Ok(number) => {
            let id = PullId::new(number);
            let reduced = reduce_pull(session.reader()?, id, choice);
            (format!("pull {number}"), reduced.map(|r| r.curve))
        }
        Err(_not_a_number) => {
            let bytes = std::fs::read(name).map_err(|e| Failure(format!("{name}: {e}")))?;
            let curve = reduce_log(session.stand(), &session.calibration, &bytes, choice);
            (name.to_owned(), curve)
        }
    };
    let curve = curve.map_err(|error| Failure(format!("{name}: {error}")))?;
    of_curve(&name, &curve, session.model().engine_per_drum.value())
}

/// Windows of the ratio check are this long, s: so many of them are independent.
const WINDOW_S: f64 = 0.3;

fn of_curve(name: &str, curve: &Curve, used: f64) -> Result<Found, Failure> {
    let checked: Vec<_> = curve
        .points
        .iter()
        .filter_map(|p| Some((p, p.ratio_check?)))
        .collect();
    let (Some((first, _)), Some((last, _))) = (checked.first(), checked.last()) else {
        return Err(Failure(format!(
            "{name}: expected teeth of a pickup on the drum and of one on the engine, found those of one only"
        )));
    };
    let windows = ((last.time_s - first.time_s).abs() / WINDOW_S).max(1.0);
    let n = checked.len() as f64;
    let mean = checked.iter().map(|(_, c)| c.deviation).sum::<f64>() / n;
    let square = checked.iter().map(|(_, c)| (c.deviation - mean).powi(2));
    let sd = (square.sum::<f64>() / (n - 1.0).max(1.0)).sqrt();
    // Slope of the deviation over torque, by least squares, times the greatest torque.
    let torque = checked
        .iter()
        .map(|(p, _)| p.measured_torque_nm)
        .sum::<f64>()
        / n;
    let (mut xx, mut xy, mut top) = (0.0, 0.0, 0.0_f64);
    for (p, c) in &checked {
        let x = p.measured_torque_nm - torque;
        xx += x * x;
        xy += x * (c.deviation - mean);
        top = top.max(p.measured_torque_nm);
    }
    let slope = if xx > 0.0 { xy / xx } else { 0.0 };
    Ok(Found {
        name: name.to_owned(),
        ratio: Measured::new(used * (1.0 + mean), used * sd / windows.sqrt()),
        points: checked
            .iter()
            .map(|(p, c)| {
                let half = used * c.expanded_uncertainty;
                (p.rpm, used * (1.0 + c.deviation), half)
            })
            .collect(),
        slip_with_torque: slope * top,
    })
}

/// Mean over runs; its uncertainty from their scatter, or from within where that is more.
fn mean(found: &[Found]) -> Result<Assessed, Failure> {
    let n = found.len() as f64;
    if found.is_empty() {
        return Err(Failure::new("name at least one pull or byte log"));
    }
    let mean = found.iter().map(|f| f.ratio.value).sum::<f64>() / n;
    let squares = found.iter().map(|f| f.ratio.standard_uncertainty.powi(2));
    let within = squares.sum::<f64>().sqrt() / n;
    let scatter = found
        .iter()
        .map(|f| (f.ratio.value - mean).powi(2))
        .sum::<f64>();
    let between = if found.len() > 1 {
        (scatter / (n - 1.0) / n).sqrt()
    } else {
        0.0
    };
    Ok(if between > within {
        Assessed::type_a(Measured::new(mean, between), n - 1.0)
    } else {
        Assessed::type_a(Measured::new(mean, within), 10.0 * n)
    })
}

fn plot(session: &Session, found: &[Found], stated: f64) -> Plot {
    let series = found.iter().enumerate().map(|(style, run)| Series {
        label: run.name.clone(),
        points: run
            .points
            .iter()
            .map(|(rpm, ratio, _)| (*rpm, *ratio))
            .collect(),
        band: (style == 0).then(|| {
            run.points
                .iter()
                .map(|(x, r, u)| (*x, r - u, r + u))
                .collect()
        }),
        style,
    });
    Plot {
        title: "Drive ratio from two pickups".to_owned(),
        subtitle: session.stand().name.clone(),
        x: Axis {
            label: "Engine speed".to_owned(),
            unit: "rpm".to_owned(),
            range: Range::Auto,
        },
        panels: vec![Panel {
            y: Axis {
                label: "Engine turns per drum turn".to_owned(),
                ..Axis::default()
            },
            series: series.collect(),
            marks: vec![Mark::Horizontal {
                y: stated,
                label: "stand file".to_owned(),
            }],
            ..Panel::default()
        }],
        shades: Vec::new(),
        notes: vec!["band: 95 %".to_owned()],
    }
}
