//! `calibrate losses`.

use leverarm_config::{Shaft, units};
use leverarm_torque::calibration::coast::{coast_down, coast_speeds};
use leverarm_torque::calibration::losses::{LossChange, LossError, Losses, Terms};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::turns::turn_speeds;
use leverarm_torque::uncertainty::Measured;
use serde_json::json;

use super::super::terminal::Table;
use super::super::{Failure, dialogue::quantity, say};
use super::{Common, Outcome, Session};
use leverarm_analysis::calibration::runs::{Run, pickup_on};
use leverarm_analysis::reduction::channel_mean;
use leverarm_plot::{Axis, Panel, Plot, Range, Series};
use leverarm_values::calibration::{Change, LossCalibration};

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
    let inertia = session.model().drum_inertia_kg_m2.ok_or_else(|| {
        Failure::new("the stand has no drum inertia: losses are what slows a known inertia down")
    })?;
    let runs = session.runs(
        &arguments.runs,
        "Pulls or byte logs to take, such as \"3 4 5\":",
    )?;
    let temperature = session.dialogue.ask_optional(
        "--temperature",
        arguments.temperature.as_deref(),
        "Temperature of the bearings, such as \"35 degC\" (empty: not known, or measured):",
        |text| quantity(text, &units::TEMPERATURE),
    )?;
    let mut fitted = Vec::new();
    for run in &runs {
        let losses = one(&session, run, arguments, inertia.measured, temperature)
            .map_err(|error| Failure(format!("{}: {error}", run.name)))?;
        fitted.push(losses);
    }
    let combined = Losses::combined(&fitted).map_err(Failure::of)?;
    let record = LossCalibration {
        made_wall_us: session.now_wall_us(),
        figures: combined.losses.figures(),
        repeatability: combined.repeatability,
        runs: runs.iter().map(|run| run.name.clone()).collect(),
    };
    let earlier = session.calibration.losses.as_ref();
    let earlier = earlier
        .map(LossCalibration::losses)
        .transpose()
        .map_err(Failure::of)?;
    let change = earlier
        .as_ref()
        .and_then(|e| combined.losses.change_since(e));
    report(&session, &combined.losses, &record);
    let verdict = change.as_ref().map(change_text);
    if let Some(verdict) = &verdict {
        say(verdict);
    }
    let (low, high) = record.figures.omega_range_rad_per_s;
    let middle = 0.5 * (low + high);
    let summary = format!(
        "{:.3} N·m at {:.0} rpm of the drum, from {}",
        combined.losses.torque_nm(middle),
        middle / RAD_PER_S_PER_RPM,
        record.runs.join(", ")
    );
    let outcome = Outcome {
        json: json!({
            "record": record,
            "change": change.map(|c| json!({
                "omega_rad_per_s": c.omega_rad_per_s,
                "difference_nm": c.difference_nm,
                "band_nm": c.band_nm,
                "changed": c.changed,
                "temperature_change_k": c.temperature_change_k,
            })),
            "verdict": verdict,
        }),
        plot: Some(plot(&session, &combined.losses, earlier.as_ref(), &record)),
        change: Change::Losses(record),
        summary,
    };
    session.finish(outcome, common)
}

fn one(
    session: &Session,
    run: &Run,
    arguments: &LossArguments,
    inertia_kg_m2: Measured,
    temperature: Option<Measured>,
) -> Result<Losses, Failure> {
    let stand = session.stand();
    let pickup = pickup_on(stand, Shaft::Drum).ok_or_else(|| {
        Failure::new(
            "no pickup is on the drum: with the clutch pulled, the engine's tells nothing of the drum",
        )
    })?;
    let train = run.train(pickup);
    let teeth = u32::from(pickup.teeth);
    let range = coast_down(&train, teeth).map_err(Failure::of)?;
    let coasting = train.part(range);
    warn_if_engine_turns(session, run, &coasting);
    let samples = coast_speeds(&coasting, teeth);
    let measured = stand
        .losses
        .bearing_channel
        .and_then(|id| channel_mean(stand, id, &run.recording).ok());
    let temperature_k = temperature.or(measured).map(|t| t.value);
    let fit = |terms| Losses::from_speeds(&samples, inertia_kg_m2, terms, temperature_k);
    if let Some(terms) = arguments.terms {
        return fit(terms.into()).map_err(Failure::of);
    }
    // A short coast does not tell all terms apart: the richest model that it carries is taken.
    let poor = |error: &LossError| {
        matches!(
            error,
            LossError::NotIdentifiable { .. } | LossError::Fit(_) | LossError::Negative { .. }
        )
    };
    let mut found = fit(Terms::Quadratic);
    for terms in [Terms::Linear, Terms::Constant] {
        if found.as_ref().is_err_and(poor) {
            found = fit(terms);
        }
    }
    found.map_err(Failure::of)
}

/// With the clutch engaged the engine's drag would count as the stand's.
fn warn_if_engine_turns(
    session: &Session,
    run: &Run,
    coasting: &leverarm_filters::teeth::ToothTrain,
) {
    let stand = session.stand();
    let (Some(engine), Some(from), Some(to)) = (
        pickup_on(stand, Shaft::Engine),
        coasting.time_s.first(),
        coasting.time_s.last(),
    ) else {
        return;
    };
    let train = run.train(engine);
    let shift = (train.origin_tick as f64 - coasting.origin_tick as f64) / run.recording.tick_hz;
    let engine_speeds = turn_speeds(&train, u32::from(engine.teeth), 0.0, 0.1);
    let drum = pickup_on(stand, Shaft::Drum).map_or(1, |p| u32::from(p.teeth));
    let drum_speeds = turn_speeds(coasting, drum, 0.0, 0.1);
    let ratio = session.model().engine_per_drum.value();
    let (mut together, mut compared) = (0, 0);
    for speed in engine_speeds {
        let at = speed.middle_s() + shift;
        if !(*from..=*to).contains(&at) {
            continue;
        }
        let drum = drum_speeds.iter().min_by(|a, b| {
            (a.middle_s() - at)
                .abs()
                .total_cmp(&(b.middle_s() - at).abs())
        });
        if let Some(drum) = drum {
            compared += 1;
            let share = speed.omega_rad_per_s / (ratio * drum.omega_rad_per_s);
            together += usize::from((share - 1.0).abs() < 0.02);
        }
    }
    if compared > 4 && 2 * together > compared {
        say(&format!(
            "note: {}: the engine turned with the drum while it coasted, so its drag is in these losses; pull the clutch",
            run.name
        ));
    }
}

fn report(session: &Session, losses: &Losses, record: &LossCalibration) {
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

fn change_text(change: &LossChange) -> String {
    let at = format!(
        "at {:.0} rpm of the drum: {:+.3} N·m against the last record, band ± {:.3} N·m (95 %)",
        change.omega_rad_per_s / RAD_PER_S_PER_RPM,
        change.difference_nm,
        change.band_nm
    );
    let verdict = if change.changed {
        "CHANGED: bearings, chain or a dragging brake; look before the next pull"
    } else {
        "no measurable change"
    };
    match change.temperature_note() {
        Some(note) => format!("{verdict}. {at}. {note}"),
        None => format!("{verdict}. {at}"),
    }
}

fn plot(
    session: &Session,
    losses: &Losses,
    earlier: Option<&Losses>,
    record: &LossCalibration,
) -> Plot {
    let series = |losses: &Losses, label: String, style| {
        let (low, high) = losses.omega_range_rad_per_s();
        let grid = (0..=100_u8).map(|i| low + (high - low) * f64::from(i) / 100.0);
        let mut series = Series {
            label,
            style,
            ..Series::default()
        };
        let mut band = Vec::new();
        for omega in grid {
            let (rpm, torque) = (omega / RAD_PER_S_PER_RPM, losses.torque_nm(omega));
            series.points.push((rpm, torque));
            band.push((
                rpm,
                torque - losses.band_nm(omega),
                torque + losses.band_nm(omega),
            ));
        }
        series.band = Some(band);
        series
    };
    let mut curves = vec![series(losses, "now".to_owned(), 0)];
    curves.extend(earlier.map(|earlier| series(earlier, "last record".to_owned(), 1)));
    Plot {
        title: "Losses from coast-downs".to_owned(),
        subtitle: session.stand().name.clone(),
        x: Axis {
            label: "Drum speed".to_owned(),
            unit: "rpm".to_owned(),
            range: Range::Auto,
        },
        panels: vec![Panel {
            y: Axis {
                label: "Loss torque at the drum".to_owned(),
                unit: "N·m".to_owned(),
                range: Range::IncludeZero,
            },
            series: curves,
            ..Panel::default()
        }],
        shades: Vec::new(),
        notes: vec![format!("from {}; bands: 95 %", record.runs.join(", "))],
    }
}
