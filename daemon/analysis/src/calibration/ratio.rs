//! Engine turns per drum turn, from two pickups or from tooth counts.

use std::f64::consts::PI;
use std::path::Path;

use leverarm_config::Stage;
use leverarm_plot::{Axis, Mark, Panel, Plot, Series};
use leverarm_store::{PullId, StoreReader};
use leverarm_torque::curve::Curve;
use leverarm_torque::uncertainty::{Assessed, Measured, propagate};
use leverarm_values::calibration::{Change, RatioCalibration};
use serde_json::json;

use super::{CalibrationError, Known, Outcome, decimals_for, plot};
use crate::reduction::{CurveChoice, reduce_log, reduce_pull};

/// What one run says.
#[derive(Debug, Clone)]
pub struct RunRatio {
    name: String,
    ratio: Measured,
    /// Engine speed, ratio, and its 95 % half-width.
    points: Vec<(f64, f64, f64)>,
    /// Change of the ratio over the greatest torque, relative.
    slip_with_torque: f64,
}

impl RunRatio {
    /// The ratio in a stored pull.
    ///
    /// # Errors
    /// [`CalibrationError::Run`], [`CalibrationError::OnePickup`].
    pub fn of_pull(
        known: Known<'_>,
        reader: &StoreReader,
        id: PullId,
    ) -> Result<Self, CalibrationError> {
        let name = format!("pull {id}");
        let reduced = reduce_pull(reader, id, CHOICE);
        let curve = reduced.map_err(|error| CalibrationError::in_run(&name, error))?;
        of_curve(known, name, &curve.curve)
    }

    /// The ratio in a byte log.
    ///
    /// # Errors
    /// [`CalibrationError::Run`], [`CalibrationError::OnePickup`].
    pub fn of_log(known: Known<'_>, file: &Path) -> Result<Self, CalibrationError> {
        let name = file.display().to_string();
        let bytes = std::fs::read(file).map_err(|error| CalibrationError::in_run(&name, error))?;
        let curve = reduce_log(known.stand, known.calibration, &bytes, CHOICE);
        let curve = curve.map_err(|error| CalibrationError::in_run(&name, error))?;
        of_curve(known, name, &curve)
    }

    /// What came out, in words.
    #[must_use]
    pub fn text(&self) -> String {
        let slip = if self.slip_with_torque.abs() > 0.002 {
            format!(
                "\n  it changes by {:+.2} % up to the greatest torque: the tyre or clutch slips under load",
                100.0 * self.slip_with_torque
            )
        } else {
            String::new()
        };
        format!("{}: {}{slip}", self.name, plain(&self.ratio))
    }
}

/// What a ratio comes from.
#[derive(Debug, Clone)]
pub enum Source {
    /// Somebody knows it.
    Entered(Measured),
    /// Tooth counts, as written, with the ratio that they make.
    Stages(String, Measured),
    /// Runs with two pickups.
    Runs(Vec<RunRatio>),
}

/// Ratio of stages such as `67/18,24/19`; `None` where the text is none.
#[must_use]
pub fn of_stages(text: &str) -> Option<f64> {
    let stages = text.split(',').map(Stage::parse);
    stages.map(|stage| Some(stage?.ratio())).product()
}

/// Engine turns per drum turn, where a tyre runs on the drum behind stages of this ratio.
#[must_use]
pub fn with_tyre(stages: f64, circumference_m: Measured, drum_diameter_m: Measured) -> Measured {
    propagate([circumference_m, drum_diameter_m], |[c, d]| {
        stages * PI * d / c
    })
}

/// The ratio, and how it compares with the stand file's.
///
/// # Errors
/// [`CalibrationError::NoRun`], [`CalibrationError::Ratio`].
pub fn find(known: Known<'_>, source: Source) -> Result<Outcome, CalibrationError> {
    let (ratio, runs, found) = match source {
        Source::Entered(ratio) => (
            Assessed::type_b(ratio),
            vec!["entered".to_owned()],
            Vec::new(),
        ),
        Source::Stages(text, ratio) => (Assessed::type_b(ratio), vec![text], Vec::new()),
        Source::Runs(found) => {
            let names = found.iter().map(|run| run.name.clone()).collect();
            (mean(&found)?, names, found)
        }
    };
    if !(0.1..=100.0).contains(&ratio.value()) {
        return Err(CalibrationError::Ratio {
            found: ratio.value(),
        });
    }
    let stated = known.stand.drive.engine_per_drum;
    let verdict = against_stand(&ratio.measured, &stated);
    let summary = format!(
        "{} engine turns per drum turn, from {}",
        plain(&ratio.measured),
        runs.join(", ")
    );
    let record = RatioCalibration {
        made_wall_us: known.now_wall_us,
        engine_per_drum: ratio,
        runs,
    };
    let slips: Vec<f64> = found.iter().map(|run| run.slip_with_torque).collect();
    Ok(Outcome {
        json: json!({
            "record": record,
            "engine_per_drum": ratio,
            "verdict": verdict,
            "slip_with_torque": slips,
        }),
        plot: (!found.is_empty()).then(|| plotted(known, &found, stated.value)),
        change: Change::DriveRatio(record),
        summary,
        verdict: Some(verdict),
    })
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

/// Ratios are compared with what is stated now, so with the calibrations of now.
const CHOICE: CurveChoice = CurveChoice {
    correction: None,
    step_rpm: None,
    calibrations_of_now: true,
    holds_only: false,
};

/// Windows of the ratio check are this long, s: so many of them are independent.
const WINDOW_S: f64 = 0.3;

fn of_curve(known: Known<'_>, name: String, curve: &Curve) -> Result<RunRatio, CalibrationError> {
    let used = known.model().engine_per_drum.value();
    let checked: Vec<_> = curve
        .points
        .iter()
        .filter_map(|p| Some((p, p.ratio_check?)))
        .collect();
    let (Some((first, _)), Some((last, _))) = (checked.first(), checked.last()) else {
        return Err(CalibrationError::OnePickup { run: name });
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
    Ok(RunRatio {
        name,
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
fn mean(found: &[RunRatio]) -> Result<Assessed, CalibrationError> {
    let n = found.len() as f64;
    if found.is_empty() {
        return Err(CalibrationError::NoRun);
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

fn plotted(known: Known<'_>, found: &[RunRatio], stated: f64) -> Plot {
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
    let panel = Panel {
        y: Axis::new("Engine turns per drum turn", ""),
        series: series.collect(),
        marks: vec![Mark::Horizontal {
            y: stated,
            label: "stand file".to_owned(),
        }],
        ..Panel::default()
    };
    let x = Axis::new("Engine speed", "rpm");
    let note = "band: 95 %".to_owned();
    plot(
        known.stand,
        "Drive ratio from two pickups",
        x,
        vec![panel],
        vec![note],
    )
}
