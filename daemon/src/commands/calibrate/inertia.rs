//! `calibrate inertia`.

use std::collections::BTreeMap;

use leverarm_config::units::{self, Kind};
use leverarm_config::{Pickup, Shaft};
use leverarm_torque::STANDARD_GRAVITY_M_PER_S2;
use leverarm_torque::calibration::coast::{
    coast_down, coast_speeds, coasting_alpha, falling_alpha,
};
use leverarm_torque::calibration::inertia::{
    Agreement, FallingRun, added_ring, alpha_from_drop, compare, falling_weight, known_torque,
};
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::regression::Polynomial;
use leverarm_torque::turns::turn_speeds;
use leverarm_torque::uncertainty::{Assessed, Measured, propagate};
use serde_json::json;

use super::super::dialogue::quantity;
use super::super::terminal::Table;
use super::super::{Failure, say};
use super::{Common, Outcome, Session, shown};
use leverarm_analysis::calibration::runs::{Run, pickup_on};
use leverarm_plot::{Axis, Panel, Plot, Range, Series};
use leverarm_values::calibration::{Change, Given, InertiaCalibration, InertiaMethod};

#[derive(Debug, Clone, clap::Args)]
pub(in crate::commands) struct InertiaArguments {
    /// How it is found
    #[arg(long, value_enum)]
    method: Option<MethodChoice>,
    /// Falling weight: one of two runs, such as "mass = 5.00 +/- 0.01 kg; log = heavy.bin"; in place
    /// of a log, "pull = 7", "alpha = 1.23 +/- 0.01 rad/s^2", or by stopwatch "height = 1.20 m; time
    /// = 2.41 +/- 0.03 s"
    #[arg(long = "run", value_name = "KEY = VALUE; …")]
    falls: Vec<String>,
    /// Falling weight: from the drum's axis to the middle of the cord
    #[arg(long)]
    radius: Option<String>,
    /// Local gravity; 9.80665 m/s^2, known to 0.3 %, when left out
    #[arg(long)]
    gravity: Option<String>,
    /// Known torque: the torque at the drum's shaft
    #[arg(long)]
    torque: Option<String>,
    /// Known torque: the run with it (pull or byte log), or its acceleration in rad/s^2
    #[arg(long, value_name = "RUN")]
    driven: Option<String>,
    /// Known torque: the coast-down, or its acceleration in rad/s^2 at the same speed (negative)
    #[arg(long, value_name = "RUN", allow_hyphen_values = true)]
    coasting: Option<String>,
    /// Added ring: its moment of inertia
    #[arg(long)]
    ring_inertia: Option<String>,
    /// Added ring: its mass, with both diameters, instead of the inertia
    #[arg(long, conflicts_with = "ring_inertia")]
    ring_mass: Option<String>,
    /// Added ring: outer diameter
    #[arg(long, conflicts_with = "ring_inertia")]
    ring_outer: Option<String>,
    /// Added ring: inner diameter
    #[arg(long, conflicts_with = "ring_inertia")]
    ring_inner: Option<String>,
    /// Added ring: the coast-down without it (pull or byte log), or its acceleration in rad/s^2
    #[arg(long, value_name = "RUN", allow_hyphen_values = true)]
    without: Option<String>,
    /// Added ring: the coast-down with it
    #[arg(long, value_name = "RUN", allow_hyphen_values = true)]
    with: Option<String>,
    /// Drum speed at which accelerations are compared; the middle of what both runs cover when left
    /// out
    #[arg(long)]
    speed: Option<String>,
    #[command(flatten)]
    common: Common,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum MethodChoice {
    /// A weight on a cord wound on the drum, twice with different masses: friction cancels
    FallingWeight,
    /// A torque that is known, such as a motor's on an arm, against coasting at the same speed
    KnownTorque,
    /// Coast-downs without and with a ring whose inertia is known
    Ring,
    /// Only the sum of the stand file's pieces
    Pieces,
}

const SAFETY: &str = "\
A cord on a turning drum winds up fingers, and a falling weight lands on feet: pad the floor, keep
clear of both, and let go from a distance. Ignition off, fuel off, clutch pulled or chain off.";

/// What was measured: inertia, inputs for the record, and curves for the plot.
struct Measurement {
    inertia: Assessed,
    given: Vec<Given>,
    series: Vec<Series>,
}

pub(super) fn calibrate(arguments: &InertiaArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    let drum = session.stand().drum.clone();
    let pieces = drum
        .as_ref()
        .filter(|drum| !drum.pieces.is_empty())
        .map(|drum| drum.inertia_kg_m2);
    if let Some(drum) = &drum {
        show_pieces(drum);
    }
    let method = method(&session, arguments)?;
    if method != InertiaMethod::Pieces {
        session.dialogue.tell(SAFETY);
    }
    let measurement =
        match method {
            InertiaMethod::FallingWeight => by_falling_weight(&session, arguments)?,
            InertiaMethod::KnownTorque => by_known_torque(&session, arguments)?,
            InertiaMethod::AddedRing => by_ring(&session, arguments)?,
            InertiaMethod::Pieces => Measurement {
                inertia: Assessed::type_b(pieces.ok_or_else(|| {
                    Failure::new("the stand file lists no pieces ([[drum.piece]])")
                })?),
                given: Vec::new(),
                series: Vec::new(),
            },
        };
    let measured = measurement.inertia.measured;
    say(&format!(
        "by {}: {}",
        method.word(),
        shown(&measured, "kg·m²")
    ));
    // Against the pieces where there are any, else against what the stand file states.
    let other = pieces.or_else(|| drum.as_ref().map(|drum| drum.inertia_kg_m2));
    let agreement = other
        .filter(|_| method != InertiaMethod::Pieces)
        .map(|other| compare(other, measured));
    let verdict = agreement.as_ref().map(verdict);
    if let Some(verdict) = &verdict {
        say(verdict);
    }
    let summary = format!("{}, by {}", shown(&measured, "kg·m²"), method.word());
    let record = InertiaCalibration {
        made_wall_us: session.now_wall_us(),
        method,
        inertia_kg_m2: measurement.inertia,
        from_pieces_kg_m2: pieces,
        given: measurement.given,
    };
    let outcome = Outcome {
        json: json!({
            "record": record,
            "agrees": agreement.map(|a| a.agrees()),
            "difference_kg_m2": agreement.map(|a| a.difference_kg_m2),
            "expanded_uncertainty_of_difference_kg_m2":
                agreement.map(|a| a.expanded_uncertainty_kg_m2),
            "verdict": verdict,
        }),
        plot: (!measurement.series.is_empty())
            .then(|| plot(&session, method, measurement.series, &measured)),
        change: Change::DrumInertia(record),
        summary,
    };
    session.finish(outcome, common)
}

fn show_pieces(drum: &leverarm_config::Drum) {
    if drum.pieces.is_empty() {
        say(&format!(
            "stand file: {}",
            shown(&drum.inertia_kg_m2, "kg·m²")
        ));
        return;
    }
    let mut table = Table::new(["piece", "mass kg", "inertia kg·m²", "share"]);
    for (name, piece) in &drum.pieces {
        table.add_row([
            name.clone(),
            format!("{:.3}", piece.mass_kg.value),
            format!("{:.5}", piece.inertia_kg_m2.value),
            format!(
                "{:.1} %",
                100.0 * piece.inertia_kg_m2.value / drum.inertia_kg_m2.value
            ),
        ]);
    }
    table.align_right(1..4);
    say(&table.to_string());
    say(&format!(
        "from pieces: {}",
        shown(&drum.inertia_kg_m2, "kg·m²")
    ));
}

fn verdict(agreement: &Agreement) -> String {
    if agreement.agrees() {
        agreement.to_string()
    } else {
        format!(
            "DISAGREEMENT: {agreement}; a piece is missing or mistyped, or the measurement is off"
        )
    }
}

fn method(session: &Session, arguments: &InertiaArguments) -> Result<InertiaMethod, Failure> {
    let of_choice = |choice| match choice {
        MethodChoice::FallingWeight => InertiaMethod::FallingWeight,
        MethodChoice::KnownTorque => InertiaMethod::KnownTorque,
        MethodChoice::Ring => InertiaMethod::AddedRing,
        MethodChoice::Pieces => InertiaMethod::Pieces,
    };
    if let Some(choice) = arguments.method {
        return Ok(of_choice(choice));
    }
    // What was given says which it is.
    if !arguments.falls.is_empty() {
        return Ok(InertiaMethod::FallingWeight);
    }
    if arguments.torque.is_some() {
        return Ok(InertiaMethod::KnownTorque);
    }
    if arguments.ring_inertia.is_some() || arguments.ring_mass.is_some() {
        return Ok(InertiaMethod::AddedRing);
    }
    let question = "Method: falling-weight (two weights on a cord), known-torque, ring (coast-downs \
                    without and with a known ring), pieces (the stand file's sum):";
    session.dialogue.ask("--method", None, question, |text| {
        clap::ValueEnum::from_str(text.trim(), true)
            .map(of_choice)
            .map_err(Failure)
    })
}

fn given(name: &str, measured: Measured, unit: &str) -> Given {
    Given {
        name: name.to_owned(),
        measured,
        unit: unit.to_owned(),
    }
}

fn gravity(arguments: &InertiaArguments) -> Result<Measured, Failure> {
    match &arguments.gravity {
        Some(text) => quantity(text, &units::ACCELERATION)
            .map_err(|error| Failure(format!("--gravity {text:?}: {error}"))),
        // From equator to pole it runs from 9.780 to 9.832 m/s².
        None => Ok(Measured::within(STANDARD_GRAVITY_M_PER_S2, 0.026)),
    }
}

fn drum_pickup(session: &Session) -> Result<&Pickup, Failure> {
    pickup_on(session.stand(), Shaft::Drum).ok_or_else(|| {
        Failure::new("no pickup is on the drum, so its acceleration can't be recorded")
    })
}

/// "key = value; key = value"
fn pairs(text: &str) -> Result<BTreeMap<String, String>, Failure> {
    text.split(';')
        .filter(|pair| !pair.trim().is_empty())
        .map(|pair| {
            let (key, value) = pair.split_once('=').ok_or_else(|| {
                Failure(format!(
                    "{:?}: expected KEY = VALUE, found no =",
                    pair.trim()
                ))
            })?;
            Ok((key.trim().to_owned(), value.trim().to_owned()))
        })
        .collect()
}

/// One fall: the weight and the acceleration, with the speeds it came from.
fn fall(
    session: &Session,
    text: &str,
    radius_m: Measured,
) -> Result<(FallingRun, Option<Series>), Failure> {
    let mut given = pairs(text)?;
    let mass = given.remove("mass").ok_or_else(|| {
        Failure::new("expected mass = … and one of log, pull, alpha, height with time")
    })?;
    let mass_kg = quantity(&mass, &units::MASS)?;
    let take = |given: &mut BTreeMap<String, String>, key: &str, kind: &Kind| {
        given
            .remove(key)
            .map(|text| quantity(&text, kind))
            .transpose()
    };
    let alpha = take(&mut given, "alpha", &units::ROTATION_RATE)?;
    let height = take(&mut given, "height", &units::LENGTH)?;
    let time = take(&mut given, "time", &units::DURATION)?;
    let recorded = given.remove("log").or_else(|| given.remove("pull"));
    if let Some(key) = given.keys().next() {
        return Err(Failure(format!(
            "{key:?} is not known here: expected mass, and log, pull, alpha, or height with time"
        )));
    }
    let (alpha_rad_per_s2, series) = match (alpha, height.zip(time), recorded) {
        (Some(alpha), None, None) => (alpha, None),
        (None, Some((height, time)), None) => (alpha_from_drop(height, time, radius_m), None),
        (None, None, Some(name)) => {
            let run = session.run(&name)?;
            let pickup = drum_pickup(session)?;
            let train = run.train(pickup);
            let teeth = u32::from(pickup.teeth);
            let alpha = falling_alpha(&train, teeth)
                .map_err(|error| Failure(format!("{}: {error}", run.name)))?;
            let speeds = turn_speeds(&train, teeth, 0.0, 0.05);
            let points = speeds
                .iter()
                .map(|s| (s.middle_s(), s.omega_rad_per_s / RAD_PER_S_PER_RPM));
            let series = Series {
                label: format!("{} kg", mass_kg.value),
                points: points.collect(),
                ..Series::default()
            };
            (alpha, Some(series))
        }
        _ => {
            return Err(Failure::new(
                "expected one of log, pull, alpha, or height with time",
            ));
        }
    };
    Ok((
        FallingRun {
            mass_kg,
            alpha_rad_per_s2,
        },
        series,
    ))
}

fn by_falling_weight(
    session: &Session,
    arguments: &InertiaArguments,
) -> Result<Measurement, Failure> {
    let dialogue = session.dialogue;
    let gravity = gravity(arguments)?;
    let radius_m = dialogue.quantity(
        "--radius",
        arguments.radius.as_deref(),
        "From the drum's axis to the middle of the cord",
        &units::LENGTH,
    )?;
    let mut runs = Vec::new();
    let mut series = Vec::new();
    for number in 0..2_usize {
        let question = format!(
            "Run {}: \"mass = 5.00 +/- 0.01 kg; log = FILE\" (or pull = N, alpha = …, height = …; time = …):",
            number + 1
        );
        let (run, curve) = dialogue.ask(
            "--run",
            arguments.falls.get(number).map(String::as_str),
            &question,
            |text| fall(session, text, radius_m),
        )?;
        series.extend(curve.map(|curve| Series {
            style: number,
            ..curve
        }));
        runs.push(run);
    }
    if arguments.falls.len() > 2 {
        return Err(Failure::new(
            "expected two --run with different masses, found more",
        ));
    }
    let [first, second] = runs.as_slice() else {
        return Err(Failure::new("expected two --run with different masses"));
    };
    let result = falling_weight([*first, *second], radius_m, gravity).map_err(Failure::of)?;
    say(&format!(
        "friction torque: {}",
        shown(&result.friction_nm, "N·m")
    ));
    if result.friction_nm.value < -2.0 * result.friction_nm.standard_uncertainty {
        say("note: a friction torque below zero means that a mass, the radius or a time is off");
    }
    Ok(Measurement {
        inertia: Assessed::type_b(result.inertia_kg_m2),
        given: vec![
            given("cord radius", radius_m, "m"),
            given("gravity", gravity, "m/s²"),
            given("first mass", first.mass_kg, "kg"),
            given("first acceleration", first.alpha_rad_per_s2, "rad/s²"),
            given("second mass", second.mass_kg, "kg"),
            given("second acceleration", second.alpha_rad_per_s2, "rad/s²"),
            given("friction", result.friction_nm, "N·m"),
        ],
        series,
    })
}

/// An acceleration that is entered, or a run to take it from.
enum Source {
    Alpha(Measured),
    Run(Box<Run>),
}

fn source(session: &Session, text: &str) -> Result<Source, Failure> {
    match units::measured(text, &units::ROTATION_RATE) {
        Ok(alpha) => Ok(Source::Alpha(alpha)),
        Err(_not_an_acceleration) => session.run(text).map(|run| Source::Run(Box::new(run))),
    }
}

/// Range of drum speeds and the acceleration at any of them, of a run.
struct Motion {
    range: (f64, f64),
    speeds: Vec<(f64, f64)>,
    samples: Vec<leverarm_torque::calibration::losses::SpeedSample>,
}

fn coast_of(session: &Session, run: &Run) -> Result<Motion, Failure> {
    let pickup = drum_pickup(session)?;
    let train = run.train(pickup);
    let teeth = u32::from(pickup.teeth);
    let in_run = |error: &dyn std::fmt::Display| Failure(format!("{}: {error}", run.name));
    let range = coast_down(&train, teeth).map_err(|e| in_run(&e))?;
    let samples = coast_speeds(&train.part(range), teeth);
    Ok(motion(samples))
}

fn motion(samples: Vec<leverarm_torque::calibration::losses::SpeedSample>) -> Motion {
    let omegas = samples.iter().map(|s| s.omega_rad_per_s);
    let range = omegas.fold((f64::INFINITY, 0.0_f64), |(a, b), w| (a.min(w), b.max(w)));
    Motion {
        range,
        speeds: samples
            .iter()
            .map(|s| (s.time_s, s.omega_rad_per_s / RAD_PER_S_PER_RPM))
            .collect(),
        samples,
    }
}

/// The part of a run in which the drum is driven: up to its greatest speed.
fn rise_of(session: &Session, run: &Run) -> Result<Motion, Failure> {
    let pickup = drum_pickup(session)?;
    let mut samples = coast_speeds(&run.train(pickup), u32::from(pickup.teeth));
    let peak = samples
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.omega_rad_per_s.total_cmp(&b.1.omega_rad_per_s))
        .map_or(0, |(at, _)| at);
    samples.truncate(peak);
    let start = samples
        .iter()
        .rposition(|s| s.omega_rad_per_s < 1.0)
        .map_or(0, |at| at + 1);
    samples.drain(..start);
    if samples.len() < 8 {
        return Err(Failure(format!(
            "{}: expected the drum to be driven up, found {} turns that say so",
            run.name,
            samples.len()
        )));
    }
    Ok(motion(samples))
}

/// Slope of a parabola through the speeds within a fifth of `omega`.
fn driven_alpha(motion: &Motion, omega: f64) -> Result<Measured, Failure> {
    let near = motion
        .samples
        .iter()
        .filter(|s| (s.omega_rad_per_s / omega - 1.0).abs() < 0.2);
    // Time as a function of speed: a straight rise is a straight line in both.
    let (mut x, mut y) = (Vec::new(), Vec::new());
    for sample in near {
        x.push(sample.omega_rad_per_s - omega);
        y.push(sample.time_s);
    }
    let curve = Polynomial::fit(&x, &y, 2).map_err(Failure::of)?;
    let slope = curve.coefficients().get(1).copied().unwrap_or(0.0);
    let error = curve.standard_errors().get(1).copied().unwrap_or(0.0);
    Ok(propagate([Measured::new(slope, error)], |[s]| 1.0 / s))
}

fn speed(arguments: &InertiaArguments, ranges: &[(f64, f64)]) -> Result<f64, Failure> {
    if let Some(text) = &arguments.speed {
        return quantity(text, &units::ROTATION)
            .map(|speed| speed.value)
            .map_err(|error| Failure(format!("--speed {text:?}: {error}")));
    }
    let low = ranges.iter().map(|r| r.0).fold(0.0, f64::max);
    let high = ranges.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
    if high.is_finite() && high <= low {
        return Err(Failure(format!(
            "the runs cover no common speed: one ends at {:.0} rpm, another starts at {:.0} rpm",
            high / RAD_PER_S_PER_RPM,
            low / RAD_PER_S_PER_RPM
        )));
    }
    Ok(if high.is_finite() {
        0.5 * (low + high)
    } else {
        0.0
    })
}

fn by_known_torque(
    session: &Session,
    arguments: &InertiaArguments,
) -> Result<Measurement, Failure> {
    let dialogue = session.dialogue;
    let torque = dialogue.quantity(
        "--torque",
        arguments.torque.as_deref(),
        "The torque at the drum's shaft",
        &units::TORQUE,
    )?;
    let ask = |argument: &str, text: Option<&str>, question: &str| {
        dialogue.ask(argument, text, question, |text| source(session, text))
    };
    let driven = ask(
        "--driven",
        arguments.driven.as_deref(),
        "The run with that torque (pull, byte log, or its acceleration in rad/s^2):",
    )?;
    let coasting = ask(
        "--coasting",
        arguments.coasting.as_deref(),
        "The coast-down (pull, byte log, or its acceleration in rad/s^2 at the same speed):",
    )?;
    let rise = match &driven {
        Source::Run(run) => Some(rise_of(session, run)?),
        Source::Alpha(_) => None,
    };
    let coast = match &coasting {
        Source::Run(run) => Some(coast_of(session, run)?),
        Source::Alpha(_) => None,
    };
    let ranges: Vec<_> = [&rise, &coast]
        .into_iter()
        .flatten()
        .map(|m| m.range)
        .collect();
    let omega = speed(arguments, &ranges)?;
    let driven = match (&driven, &rise) {
        (Source::Alpha(alpha), _) => *alpha,
        (_, Some(rise)) => driven_alpha(rise, omega)?,
        _ => Measured::exact(f64::NAN),
    };
    let coasting = match (&coasting, &coast) {
        (Source::Alpha(alpha), _) => *alpha,
        (_, Some(coast)) => coasting_alpha(&coast.samples, omega).map_err(Failure::of)?,
        _ => Measured::exact(f64::NAN),
    };
    let inertia = known_torque(torque, driven, coasting).map_err(Failure::of)?;
    Ok(Measurement {
        inertia: Assessed::type_b(inertia),
        given: vec![
            given("torque", torque, "N·m"),
            given("driven acceleration", driven, "rad/s²"),
            given("coasting acceleration", coasting, "rad/s²"),
            given("drum speed", Measured::exact(omega), "rad/s"),
        ],
        series: series([("driven", rise), ("coasting", coast)]),
    })
}

fn series(motions: [(&str, Option<Motion>); 2]) -> Vec<Series> {
    motions
        .into_iter()
        .enumerate()
        .filter_map(|(style, (label, motion))| {
            let speeds = motion?.speeds;
            let start = speeds.first()?.0;
            Some(Series {
                label: label.to_owned(),
                points: speeds.iter().map(|(t, rpm)| (t - start, *rpm)).collect(),
                band: None,
                style,
            })
        })
        .collect()
}

/// The ring's inertia, as entered or from its mass and diameters: m (D² + d²)/8.
fn ring_inertia(session: &Session, arguments: &InertiaArguments) -> Result<Measured, Failure> {
    let dialogue = session.dialogue;
    if arguments.ring_mass.is_none() {
        return dialogue.quantity(
            "--ring-inertia (or --ring-mass, --ring-outer and --ring-inner)",
            arguments.ring_inertia.as_deref(),
            "The ring's moment of inertia",
            &units::INERTIA,
        );
    }
    let mass = dialogue.quantity(
        "--ring-mass",
        arguments.ring_mass.as_deref(),
        "Its mass",
        &units::MASS,
    )?;
    let length = |argument: &str, text: &Option<String>, question: &str| {
        dialogue.quantity(argument, text.as_deref(), question, &units::LENGTH)
    };
    let outer = length("--ring-outer", &arguments.ring_outer, "Its outer diameter")?;
    let inner = length("--ring-inner", &arguments.ring_inner, "Its inner diameter")?;
    Ok(propagate([mass, outer, inner], |[m, outer, inner]| {
        m * (outer * outer + inner * inner) / 8.0
    }))
}

fn by_ring(session: &Session, arguments: &InertiaArguments) -> Result<Measurement, Failure> {
    let dialogue = session.dialogue;
    let ring = ring_inertia(session, arguments)?;
    let ask = |argument: &str, text: Option<&str>, question: &str| {
        dialogue.ask(argument, text, question, |text| source(session, text))
    };
    let without = ask(
        "--without",
        arguments.without.as_deref(),
        "The coast-down without the ring (pull or byte log):",
    )?;
    let with = ask(
        "--with",
        arguments.with.as_deref(),
        "The coast-down with the ring (pull or byte log):",
    )?;
    let coast = |source: &Source| match source {
        Source::Run(run) => coast_of(session, run).map(Some),
        Source::Alpha(_) => Ok(None),
    };
    let (coast_without, coast_with) = (coast(&without)?, coast(&with)?);
    let ranges: Vec<_> = [&coast_without, &coast_with]
        .into_iter()
        .flatten()
        .map(|m| m.range)
        .collect();
    let omega = speed(arguments, &ranges)?;
    let alpha = |source: &Source, coast: &Option<Motion>| match (source, coast) {
        (Source::Alpha(alpha), _) => Ok(*alpha),
        (_, Some(coast)) => coasting_alpha(&coast.samples, omega).map_err(Failure::of),
        _ => Ok(Measured::exact(f64::NAN)),
    };
    let alpha_without = alpha(&without, &coast_without)?;
    let alpha_with = alpha(&with, &coast_with)?;
    let inertia = added_ring(ring, alpha_without, alpha_with).map_err(Failure::of)?;
    Ok(Measurement {
        inertia: Assessed::type_b(inertia),
        given: vec![
            given("ring inertia", ring, "kg·m²"),
            given("acceleration without", alpha_without, "rad/s²"),
            given("acceleration with", alpha_with, "rad/s²"),
            given("drum speed", Measured::exact(omega), "rad/s"),
        ],
        series: series([("without", coast_without), ("with the ring", coast_with)]),
    })
}

fn plot(session: &Session, method: InertiaMethod, series: Vec<Series>, inertia: &Measured) -> Plot {
    Plot {
        title: format!("Drum inertia by {}", method.word()),
        subtitle: session.stand().name.clone(),
        x: Axis {
            label: "Time".to_owned(),
            unit: "s".to_owned(),
            range: Range::Auto,
        },
        panels: vec![Panel {
            y: Axis {
                label: "Drum speed".to_owned(),
                unit: "rpm".to_owned(),
                range: Range::Auto,
            },
            series,
            ..Panel::default()
        }],
        shades: Vec::new(),
        notes: vec![shown(inertia, "kg·m²")],
    }
}
