//! Commissioning: the stand file and what looks wrong with it, the calibrations in force, the last
//! self-test of the guards, and calibrations worked out from recorded stretches.

use std::ffi::OsString;

use axum::Json;
use axum::extract::State as Extract;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use serde::Deserialize;
use serde_json::{Value, json};

use super::State;
use super::answer::{option, run};
use super::api::{Answer, NAME_CHARS_MAX, line};
use super::problem::Problem;
use super::request::Input;
use crate::self_test::last_self_test;
use leverarm_analysis::calibration::load;
use leverarm_analysis::calibration::runs::Run;
use leverarm_analysis::in_force::newest_calibration;
use leverarm_store::ContentHash;
use leverarm_values::calibration::Constant;

/// Changes of the calibrations that are told, newest first.
const HISTORY_MAX: usize = 50;
const PULLS_MAX: usize = 50;
const POINTS_MAX: usize = 100;
/// Seconds over which a weight's counts are averaged.
const WEIGHED_S: f64 = 3.0;
/// Counts of a converter of 32 bits.
const COUNTS_MAX: f64 = 2_147_483_648.0;

pub(super) async fn commission(Extract(web): State) -> Answer {
    let text = web.handle.stand_text().to_owned();
    let hash = ContentHash::of(&text);
    let (history, test, calibration) = web
        .read(move |reader| {
            let test = last_self_test(reader, hash)?;
            Ok((
                reader.calibration_history()?,
                test,
                newest_calibration(reader),
            ))
        })
        .await?;
    let calibration = calibration.map_err(Problem::internal)?.0;
    let now_wall_us = web.handle.live().borrow().wall_us;
    let load = load::in_force_text(web.handle.stand(), &calibration, now_wall_us);
    let newest_of = |constant: Constant| {
        let newest = history
            .iter()
            .rev()
            .find(|change| change.part == constant.word());
        json!({
            "part": constant.word(),
            "summary": newest.map(|change| &change.summary),
            "wall_us": newest.map(|change| change.wall_us),
        })
    };
    let constants: Vec<Value> = Constant::ALL.iter().copied().map(newest_of).collect();
    let changes = history.iter().rev().take(HISTORY_MAX).map(|change| {
        json!({ "wall_us": change.wall_us, "part": change.part, "summary": change.summary })
    });
    Ok(Json(json!({
        "stand_file": text,
        "check": web.handle.stand().summary().to_string(),
        "calibrations": constants,
        "load_tuning": load,
        "history": changes.collect::<Vec<_>>(),
        "self_test": test.map(|kept| kept.report),
    }))
    .into_response())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WeighRequest {}

/// Mean counts of the load cell over the last seconds, with the weight that hangs on it.
pub(super) async fn weigh(
    Extract(web): State,
    Input(WeighRequest {}): Input<WeighRequest>,
) -> Answer {
    let conflict = |why: String| Problem::new(StatusCode::CONFLICT, why);
    let Some(cell) = web.handle.stand().load_cell else {
        return Err(conflict("the stand file has no [load_cell]".to_owned()));
    };
    let now_wall_us = web.handle.live().borrow().wall_us;
    let samples = web
        .read(move |reader| {
            Ok(Run::newest(reader, WEIGHED_S, now_wall_us)
                .map(|run| run.forces(cell.channel))
                .map_err(|error| error.to_string()))
        })
        .await?
        .map_err(conflict)?;
    let n = samples.len() as f64;
    if samples.len() < 2 {
        let found = format!("the load cell sent {n} samples in {WEIGHED_S} s, too few to average");
        return Err(conflict(found));
    }
    let mean = samples.iter().map(|(_, counts)| counts).sum::<f64>() / n;
    let squares = samples.iter().map(|(_, counts)| (counts - mean).powi(2));
    let sd = (squares.sum::<f64>() / (n - 1.0)).sqrt();
    Ok(Json(json!({ "counts": mean, "standard_deviation": sd })).into_response())
}

/// A weight that hung on the load cell, with its unit.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Weight {
    load: String,
    counts: f64,
}

/// A weight that fell on a cord wound on the drum, and the stretch in which it did.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Fall {
    mass: String,
    pull: i64,
}

/// A ring of known inertia, or of known mass and diameters.
#[derive(Deserialize)]
#[serde(untagged, deny_unknown_fields)]
pub(super) enum Ring {
    Inertia {
        inertia: String,
    },
    Dimensions {
        mass: String,
        outer: String,
        inner: String,
    },
}

/// What is to be calibrated, from what. `pulls` are recorded stretches.
#[derive(Deserialize)]
#[serde(tag = "part", rename_all = "kebab-case", deny_unknown_fields)]
pub(super) enum MeasureRequest {
    /// Two weights that fell, and the cord's radius.
    Inertia {
        falls: [Fall; 2],
        radius: String,
    },
    /// Two coast-downs, without and with a ring whose inertia is known.
    InertiaByRing {
        ring: Ring,
        without: i64,
        with: i64,
    },
    /// A run with a torque that is known, and a coast-down.
    InertiaByTorque {
        torque: String,
        driven: i64,
        coasting: i64,
    },
    /// With the temperature of the bearings, which may be empty.
    Losses {
        pulls: Vec<i64>,
        #[serde(default)]
        temperature: String,
    },
    LoadCell {
        weights: Vec<Weight>,
    },
    Wheel {
        pulls: Vec<i64>,
    },
    Ratio {
        pulls: Vec<i64>,
    },
    /// From a run with the load's output switched.
    LoadTuning {
        pull: i64,
    },
}

/// What comes out of a calibration, in words and as a picture. It is not in force: the answer has what
/// `/api/calibration` takes.
pub(super) async fn measure(Extract(web): State, Input(request): Input<MeasureRequest>) -> Answer {
    let folder = tempfile::tempdir().map_err(Problem::internal)?;
    let path = |name: &str| folder.path().join(name);
    let stand = path("stand.toml");
    std::fs::write(&stand, web.handle.stand_text()).map_err(Problem::internal)?;
    let mut options = vec![
        option("--config=", &stand),
        option("--plot=", &path("plot.svg")),
        "--dry-run".into(),
        "--json".into(),
    ];
    let command = match request {
        MeasureRequest::LoadCell { weights } => {
            let points = points(&weights)?;
            std::fs::write(path("points.csv"), points).map_err(Problem::internal)?;
            options.push(option("--points=", &path("points.csv")));
            "calibrate load-cell"
        }
        MeasureRequest::Inertia { falls, radius } => {
            options.extend(fallen(&falls, &radius)?);
            "calibrate inertia"
        }
        MeasureRequest::InertiaByRing {
            ring,
            without,
            with,
        } => {
            options.push("--method=ring".into());
            let parts = match &ring {
                Ring::Inertia { inertia } => vec![("ring-inertia", inertia)],
                Ring::Dimensions { mass, outer, inner } => vec![
                    ("ring-mass", mass),
                    ("ring-outer", outer),
                    ("ring-inner", inner),
                ],
            };
            for (key, text) in parts {
                options.push(format!("--{key}={}", quantity(key, text)?).into());
            }
            options.extend(runs([("without", without), ("with", with)])?);
            "calibrate inertia"
        }
        MeasureRequest::InertiaByTorque {
            torque,
            driven,
            coasting,
        } => {
            options.push("--method=known-torque".into());
            options.push(format!("--torque={}", quantity("torque", &torque)?).into());
            options.extend(runs([("driven", driven), ("coasting", coasting)])?);
            "calibrate inertia"
        }
        MeasureRequest::Losses { pulls, temperature } => {
            options.extend(stretches(&pulls)?);
            if !temperature.is_empty() {
                let temperature = quantity("temperature", &temperature)?;
                options.push(format!("--temperature={temperature}").into());
            }
            "calibrate losses"
        }
        MeasureRequest::Wheel { pulls } => {
            options.extend(stretches(&pulls)?);
            "calibrate wheel"
        }
        MeasureRequest::Ratio { pulls } => {
            options.extend(stretches(&pulls)?);
            "calibrate ratio"
        }
        MeasureRequest::LoadTuning { pull } => {
            options.extend(stretches(&[pull])?);
            "load tune"
        }
    };
    let said = run(&web, command, options, &[]).await?;
    let said = String::from_utf8_lossy(&said);
    let (words, last) = said.trim_end().rsplit_once('\n').unwrap_or(("", &said));
    let found: Value = serde_json::from_str(last).map_err(Problem::internal)?;
    let picture = std::fs::read_to_string(path("plot.svg")).ok();
    Ok(Json(json!({
        "words": words,
        "verdict": found["verdict"],
        "change": found["calibration"],
        "summary": found["summary"],
        "picture": picture,
    }))
    .into_response())
}

fn quantity<'a>(key: &str, text: &'a str) -> Result<&'a str, Problem> {
    let text = line(key, text, NAME_CHARS_MAX)?;
    // What the command line takes apart.
    if text.is_empty() || text.contains(['=', ';', ',', '"']) {
        return Err(Problem::value(format!(
            "{key}: expected a number with its unit, found {text:?}"
        )));
    }
    Ok(text)
}

fn stretches(pulls: &[i64]) -> Result<Vec<OsString>, Problem> {
    if pulls.is_empty() || pulls.len() > PULLS_MAX || pulls.iter().any(|pull| *pull < 0) {
        return Err(Problem::value(format!(
            "pulls: expected 1 to {PULLS_MAX} numbers of pulls"
        )));
    }
    let froms = pulls.iter().map(|pull| format!("--from={pull}").into());
    Ok(froms.collect())
}

fn runs(named: [(&str, i64); 2]) -> Result<Vec<OsString>, Problem> {
    let option = |(key, pull): (&str, i64)| {
        if pull < 0 {
            return Err(Problem::value(format!(
                "{key}: expected the number of a pull"
            )));
        }
        Ok(format!("--{key}={pull}").into())
    };
    named.into_iter().map(option).collect()
}

fn points(weights: &[Weight]) -> Result<String, Problem> {
    if weights.len() < 2 || weights.len() > POINTS_MAX {
        return Err(Problem::value(format!(
            "weights: expected 2 to {POINTS_MAX}, found {}",
            weights.len()
        )));
    }
    let mut rows = String::new();
    for Weight { load, counts } in weights {
        if !counts.is_finite() || counts.abs() > COUNTS_MAX {
            return Err(Problem::value(format!("counts: found {counts}")));
        }
        rows.push_str(&format!("{}, {counts}\n", quantity("load", load)?));
    }
    Ok(rows)
}

fn fallen(falls: &[Fall; 2], radius: &str) -> Result<Vec<OsString>, Problem> {
    let mut options: Vec<OsString> = vec![
        "--method=falling-weight".into(),
        format!("--radius={}", quantity("radius", radius)?).into(),
    ];
    for Fall { mass, pull } in falls {
        let mass = quantity("mass", mass)?;
        options.push(format!("--run=mass = {mass}; pull = {pull}").into());
    }
    Ok(options)
}
