//! Errors of the teeth, from coast-downs and pulls.

use leverarm_config::{Pickup, Shaft};
use leverarm_filters::full_throttle::{Wheel, full_throttle};
use leverarm_filters::speed_fit::{FitOptions, fit_speed};
use leverarm_filters::teeth::ToothTrain;
use leverarm_plot::{Axis, Panel, Plot, Series};
use leverarm_torque::calibration::coast::coast_down;
use leverarm_torque::calibration::wheel::{Pattern, PatternChange};
use leverarm_values::calibration::{Change, WheelCalibration};
use leverarm_values::model::curve_pickup;
use serde_json::json;

use super::runs::{Run, pickup_on};
use super::{CalibrationError, Known, Outcome, plot};

/// The pickup whose wheel is meant: the one on a shaft, or that of the curve.
///
/// # Errors
/// No pickup there, or one tooth.
pub fn pickup_of(known: Known<'_>, shaft: Option<Shaft>) -> Result<Pickup, CalibrationError> {
    let pickup = match shaft {
        Some(shaft) => pickup_on(known.stand, shaft),
        None => curve_pickup(known.stand),
    };
    let pickup = pickup.ok_or(CalibrationError::NoPickup)?;
    if pickup.teeth < 2 {
        return Err(CalibrationError::OneTooth);
    }
    Ok(*pickup)
}

/// Where the teeth sit.
#[derive(Debug, Clone)]
pub struct FoundTeeth {
    /// As these runs alone say it.
    pub found: Pattern,
    /// What is to be put in force, and its plot.
    pub outcome: Outcome,
}

/// Learns the teeth of a wheel from runs; the last record is refined where the wheel is the same, unless
/// it is to be learnt `from_scratch`.
///
/// # Errors
/// [`CalibrationError`].
pub fn find(
    known: Known<'_>,
    pickup: &Pickup,
    runs: &[Run],
    from_scratch: bool,
) -> Result<FoundTeeth, CalibrationError> {
    let mut patterns = Vec::new();
    let mut used = Vec::new();
    for run in runs {
        for (what, pattern) in patterns_of(known, run, pickup) {
            used.push(format!("{} ({what})", run.name));
            patterns.push(pattern);
        }
    }
    if patterns.is_empty() {
        return Err(CalibrationError::NoTeeth);
    }
    let found = Pattern::combined(&patterns)?;
    let earlier = known.calibration.wheel(pickup.channel);
    let earlier = earlier.map(WheelCalibration::pattern);
    let change = earlier.as_ref().map(|earlier| found.change_since(earlier));
    // The same wheel as before: its record gets better with every run.
    let unchanged = matches!(&change, Some(Some(change)) if change.moved.is_empty() && !change.sits_differently());
    let refined = match earlier.as_ref().filter(|_| unchanged && !from_scratch) {
        Some(earlier) => {
            used.push("the last record".to_owned());
            Pattern::combined(&[found.clone(), earlier.clone()])?
        }
        None => found.clone(),
    };
    let record = WheelCalibration {
        made_wall_us: known.now_wall_us,
        pickup: pickup.channel,
        error_rad: refined.error_rad.clone(),
        uncertainty_rad: refined.uncertainty_rad.clone(),
        runs: used,
    };
    let verdict = change.as_ref().map(|change| change_text(change.as_ref()));
    let seen = change.as_ref().and_then(Option::as_ref);
    Ok(FoundTeeth {
        outcome: Outcome {
            json: json!({
                "record": record,
                "verdict": verdict,
                "found_again": change.as_ref().map(Option::is_some),
                "moved_teeth": seen.map(|change| &change.moved),
                "once_per_turn_rad": seen.map(|change| change.once_per_turn_rad),
                "sits_differently": seen.map(PatternChange::sits_differently),
            }),
            plot: Some(plotted(
                known,
                &refined,
                earlier.as_ref(),
                pitch_rad(pickup),
            )),
            summary: text(pickup, &refined),
            change: Change::Wheel(record),
            verdict,
        },
        found,
    })
}

/// Angle from one tooth to the next, rad.
#[must_use]
pub fn pitch_rad(pickup: &Pickup) -> f64 {
    std::f64::consts::TAU / f64::from(pickup.teeth)
}

/// What is known of the teeth, in words.
#[must_use]
pub fn text(pickup: &Pickup, pattern: &Pattern) -> String {
    let pitch = pitch_rad(pickup);
    format!(
        "pickup {}: errors {:.2} % of a pitch rms, known to {:.3} %",
        pickup.channel,
        100.0 * pattern.rms_rad() / pitch,
        100.0 * pattern.uncertainty_rms_rad() / pitch
    )
}

/// What each part of a run says of the teeth.
fn patterns_of(known: Known<'_>, run: &Run, pickup: &Pickup) -> Vec<(&'static str, Pattern)> {
    let model = known.model();
    let train = run.train(pickup);
    let teeth = u32::from(pickup.teeth);
    let ratio = model.engine_per_drum.value();
    let engine_per_wheel = match pickup.shaft {
        Shaft::Engine => 1.0,
        Shaft::Drum => ratio,
    };
    let cycles_per_turn = model.cycles_per_engine_turn * engine_per_wheel;
    let fitted = |part: &ToothTrain, cycles_per_turn| {
        let options = FitOptions {
            teeth_per_turn: teeth,
            cycles_per_turn,
            tick_s: 1.0 / run.recording.tick_hz,
            pattern: None,
        };
        fit_speed(part, &options)
            .ok()
            .map(|fit| Pattern::of_fit(&fit))
    };
    let coast = (pickup.shaft == Shaft::Drum)
        .then(|| coast_down(&train, teeth).ok())
        .flatten()
        .and_then(|range| fitted(&train.part(range), None));
    let wheel = Wheel {
        teeth_per_turn: teeth,
        cycles_per_turn,
    };
    let start = known.stand.pull.start_rad_per_s / engine_per_wheel;
    let rise = full_throttle(&train, wheel, start)
        .and_then(|open| fitted(&train.part(open.range), Some(cycles_per_turn)));
    [("coast-down", coast), ("pull", rise)]
        .into_iter()
        .filter_map(|(what, pattern)| Some((what, pattern?)))
        .collect()
}

fn change_text(change: Option<&PatternChange>) -> String {
    let Some(change) = change else {
        return "CHANGED: the wheel of the last record is not found in these teeth: another wheel, or it \
                changed all over; the new record stands alone"
            .to_owned();
    };
    let mut said = Vec::new();
    if change.sits_differently() {
        said.push(format!(
            "CHANGED: a part that goes once around by {:.2} mrad: the wheel sits off its centre, is bent, \
             or has slipped on its shaft",
            1e3 * change.once_per_turn_rad
        ));
    }
    for tooth in change.moved.iter().take(5) {
        let by = change.change_rad.get(*tooth).copied().unwrap_or(0.0);
        said.push(format!(
            "CHANGED: tooth {} by {:+.2} mrad: damaged, bent, or dirty",
            tooth + 1,
            1e3 * by
        ));
    }
    if said.is_empty() {
        "no measurable change since the last record".to_owned()
    } else {
        said.join("\n")
    }
}

fn plotted(known: Known<'_>, pattern: &Pattern, earlier: Option<&Pattern>, pitch: f64) -> Plot {
    let series = |pattern: &Pattern, label: &str, style| Series {
        label: label.to_owned(),
        points: (1_u32..)
            .zip(&pattern.error_rad)
            .map(|(tooth, e)| (f64::from(tooth), 100.0 * e / pitch))
            .collect(),
        band: Some(
            (1_u32..)
                .zip(pattern.error_rad.iter().zip(&pattern.uncertainty_rad))
                .map(|(tooth, (e, u))| {
                    let (middle, half) = (100.0 * e / pitch, 196.0 * u / pitch);
                    (f64::from(tooth), middle - half, middle + half)
                })
                .collect(),
        ),
        style,
    };
    let mut curves = vec![series(pattern, "now", 0)];
    let turned = earlier.and_then(|earlier| earlier.aligned_to(pattern));
    curves.extend(turned.map(|earlier| series(&earlier, "last record", 1)));
    let panel = Panel::of(Axis::new("Late by", "% of a pitch").with_zero(), curves);
    let note = "counted from any tooth on; bands: 95 %".to_owned();
    let x = Axis::new("Tooth", "");
    plot(
        known.stand,
        "Errors of the teeth",
        x,
        vec![panel],
        vec![note],
    )
}
