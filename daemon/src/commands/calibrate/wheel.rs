//! `calibrate wheel`.

use leverarm_config::{Pickup, Shaft};
use leverarm_filters::full_throttle::{Wheel, full_throttle};
use leverarm_filters::speed_fit::{FitOptions, fit_speed};
use leverarm_filters::teeth::ToothTrain;
use leverarm_torque::calibration::coast::coast_down;
use leverarm_torque::calibration::wheel::{Pattern, PatternChange};
use serde_json::json;

use super::super::terminal::Table;
use super::super::{Failure, say};
use super::{Common, Outcome, Session};
use leverarm_analysis::calibration::runs::{Run, pickup_on};
use leverarm_plot::{Axis, Panel, Plot, Range, Series};
use leverarm_values::calibration::{Change, WheelCalibration};
use leverarm_values::model::curve_pickup;

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

const HOW: &str = "\
Teeth are never spaced evenly, and a curve's acceleration feels it. Where each tooth sits is learnt
best from coast-downs, in which nothing else shakes the drum, and refined from pulls.";

pub(super) fn calibrate(arguments: &WheelArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    session.dialogue.tell(HOW);
    let pickup = chosen(&session, arguments)?;
    let runs = session.runs(
        &arguments.runs,
        "Pulls or byte logs to take, such as \"3 4 5\":",
    )?;
    let mut patterns = Vec::new();
    let mut used = Vec::new();
    for run in &runs {
        for (what, pattern) in patterns_of(&session, run, &pickup) {
            used.push(format!("{} ({what})", run.name));
            patterns.push(pattern);
        }
    }
    if patterns.is_empty() {
        return Err(Failure::new(
            "none of these runs has a coast-down or a full-throttle rise that the teeth can be learnt from",
        ));
    }
    let found = Pattern::combined(&patterns).map_err(Failure::of)?;
    let earlier = session
        .calibration
        .wheel(pickup.channel)
        .map(WheelCalibration::pattern);
    let change = earlier.as_ref().map(|earlier| found.change_since(earlier));
    report(&found, &pickup);
    let verdict = change.as_ref().map(|change| change_text(change.as_ref()));
    if let Some(verdict) = &verdict {
        say(verdict);
    }
    // The same wheel as before: its record gets better with every run.
    let unchanged = matches!(&change, Some(Some(change)) if change.moved.is_empty() && !change.sits_differently());
    let refined = match earlier.as_ref().filter(|_| unchanged && !arguments.again) {
        Some(earlier) => {
            used.push("the last record".to_owned());
            Pattern::combined(&[found.clone(), earlier.clone()]).map_err(Failure::of)?
        }
        None => found.clone(),
    };
    let record = WheelCalibration {
        made_wall_us: session.now_wall_us(),
        pickup: pickup.channel,
        error_rad: refined.error_rad.clone(),
        uncertainty_rad: refined.uncertainty_rad.clone(),
        runs: used,
    };
    let pitch = std::f64::consts::TAU / f64::from(pickup.teeth);
    let summary = format!(
        "pickup {}: errors {:.2} % of a pitch rms, known to {:.3} %",
        pickup.channel,
        100.0 * refined.rms_rad() / pitch,
        100.0 * refined.uncertainty_rms_rad() / pitch
    );
    say(&summary);
    let outcome = Outcome {
        json: json!({
            "record": record,
            "verdict": verdict,
            "found_again": change.as_ref().map(Option::is_some),
            "moved_teeth": change.as_ref().and_then(|c| c.as_ref().map(|c| c.moved.clone())),
            "once_per_turn_rad": change.as_ref().and_then(|c| c.as_ref().map(|c| c.once_per_turn_rad)),
            "sits_differently": change.as_ref()
                .and_then(|c| c.as_ref().map(PatternChange::sits_differently)),
        }),
        plot: Some(plot(&session, &refined, earlier.as_ref(), pitch)),
        change: Change::Wheel(record),
        summary,
    };
    session.finish(outcome, common)
}

fn chosen(session: &Session, arguments: &WheelArguments) -> Result<Pickup, Failure> {
    let stand = session.stand();
    let pickup = match arguments.on {
        Some(ShaftChoice::Drum) => pickup_on(stand, Shaft::Drum),
        Some(ShaftChoice::Engine) => pickup_on(stand, Shaft::Engine),
        None => curve_pickup(stand),
    };
    let pickup = pickup.ok_or_else(|| Failure::new("the stand has no pickup on that shaft"))?;
    if pickup.teeth < 2 {
        return Err(Failure::new(
            "a wheel of one tooth has no spacing that could be wrong",
        ));
    }
    Ok(*pickup)
}

/// What each part of a run says of the teeth.
fn patterns_of(session: &Session, run: &Run, pickup: &Pickup) -> Vec<(&'static str, Pattern)> {
    let model = session.model();
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
    let start = session.stand().pull.start_rad_per_s / engine_per_wheel;
    let rise = full_throttle(&train, wheel, start)
        .and_then(|range| fitted(&train.part(range), Some(cycles_per_turn)));
    [("coast-down", coast), ("pull", rise)]
        .into_iter()
        .filter_map(|(what, pattern)| Some((what, pattern?)))
        .collect()
}

fn report(found: &Pattern, pickup: &Pickup) {
    let pitch = std::f64::consts::TAU / f64::from(pickup.teeth);
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

fn plot(session: &Session, pattern: &Pattern, earlier: Option<&Pattern>, pitch: f64) -> Plot {
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
    Plot {
        title: "Errors of the teeth".to_owned(),
        subtitle: session.stand().name.clone(),
        x: Axis {
            label: "Tooth".to_owned(),
            ..Axis::default()
        },
        panels: vec![Panel {
            y: Axis {
                label: "Late by".to_owned(),
                unit: "% of a pitch".to_owned(),
                range: Range::IncludeZero,
            },
            series: curves,
            ..Panel::default()
        }],
        shades: Vec::new(),
        notes: vec!["counted from any tooth on; bands: 95 %".to_owned()],
    }
}
