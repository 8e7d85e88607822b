//! `calibrate inertia`.

use anyhow::{Context, anyhow, bail};
use std::collections::BTreeMap;

use leverarm_analysis::calibration::inertia::{
    Acceleration, Measurement, WeightFall, by_falling_weight, by_known_torque, by_pieces, by_ring,
    falls_repeat, friction_repeats, ring_kg_m2,
};
use leverarm_analysis::calibration::runs::Run;
use leverarm_analysis::calibration::{CalibrationError, Known, gravity_anywhere_m_per_s2, shown};
use leverarm_config::units::{self, Kind};
use leverarm_torque::uncertainty::Measured;

use super::super::dialogue::quantity;
use super::super::terminal::Table;
use super::super::{Failure, say};
use super::{Common, Session};

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

pub(super) fn calibrate(arguments: &InertiaArguments) -> Result<(), Failure> {
    let common = &arguments.common;
    let session = Session::open(&common.store, common.json)?;
    if let Some(drum) = &session.stand().drum {
        show_pieces(drum);
    }
    let method = method(&session, arguments)?;
    if method != MethodChoice::Pieces {
        session.dialogue.tell(SAFETY);
    }
    let measurement = match method {
        MethodChoice::FallingWeight => falling_weight(&session, arguments)?,
        MethodChoice::KnownTorque => known_torque(&session, arguments)?,
        MethodChoice::Ring => added_ring(&session, arguments)?,
        MethodChoice::Pieces => by_pieces(session.known())?,
    };
    session.finish(measurement.outcome(session.known()), common)
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

fn method(session: &Session, arguments: &InertiaArguments) -> Result<MethodChoice, Failure> {
    if let Some(choice) = arguments.method {
        return Ok(choice);
    }
    // What was given says which it is.
    if !arguments.falls.is_empty() {
        return Ok(MethodChoice::FallingWeight);
    }
    if arguments.torque.is_some() {
        return Ok(MethodChoice::KnownTorque);
    }
    if arguments.ring_inertia.is_some() || arguments.ring_mass.is_some() {
        return Ok(MethodChoice::Ring);
    }
    let question = "Method: falling-weight (two weights on a cord), known-torque, ring (coast-downs \
                    without and with a known ring), pieces (the stand file's sum):";
    session.dialogue.ask("--method", None, question, |text| {
        clap::ValueEnum::from_str(text.trim(), true).map_err(Failure::msg)
    })
}

fn gravity(arguments: &InertiaArguments) -> Result<Measured, Failure> {
    match &arguments.gravity {
        Some(text) => {
            quantity(text, &units::ACCELERATION).with_context(|| format!("--gravity {text:?}"))
        }
        None => Ok(gravity_anywhere_m_per_s2()),
    }
}

/// "key = value; key = value"
fn pairs(text: &str) -> Result<BTreeMap<String, String>, Failure> {
    text.split(';')
        .filter(|pair| !pair.trim().is_empty())
        .map(|pair| {
            let (key, value) = pair
                .split_once('=')
                .ok_or_else(|| anyhow!("{:?}: expected KEY = VALUE, found no =", pair.trim()))?;
            Ok((key.trim().to_owned(), value.trim().to_owned()))
        })
        .collect()
}

/// One fall: the weight and the acceleration.
fn fall(session: &Session, text: &str, radius_m: Measured) -> Result<WeightFall, Failure> {
    let mut given = pairs(text)?;
    let mass = given.remove("mass").ok_or_else(|| {
        anyhow!("expected mass = … and one of log, pull, alpha, height with time")
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
        bail!(
            "{key:?} is not known here: expected mass, and log, pull, alpha, or height with time"
        );
    }
    match (alpha, height.zip(time), recorded) {
        (Some(alpha), None, None) => Ok(WeightFall {
            mass_kg,
            acceleration: Acceleration::Entered(alpha),
        }),
        (None, Some(drop), None) => Ok(WeightFall::timed(mass_kg, drop, radius_m)),
        (None, None, Some(name)) => {
            let run = session.run(&name)?;
            let acceleration = Acceleration::of_fall(session.known(), &run)?;
            Ok(WeightFall {
                mass_kg,
                acceleration,
            })
        }
        _ => Err(anyhow!(
            "expected one of log, pull, alpha, or height with time"
        )),
    }
}

fn falling_weight(session: &Session, arguments: &InertiaArguments) -> Result<Measurement, Failure> {
    let dialogue = session.dialogue;
    let gravity = gravity(arguments)?;
    let radius_m = dialogue.quantity(
        "--radius",
        arguments.radius.as_deref(),
        "From the drum's axis to the middle of the cord",
        &units::LENGTH,
    )?;
    if arguments.falls.len() > 2 {
        bail!("expected two --run with different masses, found more");
    }
    let ask = |number: usize| {
        let question = format!(
            "Run {}: \"mass = 5.00 +/- 0.01 kg; log = FILE\" (or pull = N, alpha = …, height = …; time = …):",
            number + 1
        );
        let given = arguments.falls.get(number).map(String::as_str);
        dialogue.ask("--run", given, &question, |text| {
            fall(session, text, radius_m)
        })
    };
    let falls = [ask(0)?, ask(1)?];
    let (measurement, friction_nm) = by_falling_weight(
        &falls,
        radius_m,
        gravity,
        speed(arguments)?,
        repeats(falls_repeat(session.known())),
    )?;
    say(&format!("friction torque: {}", shown(&friction_nm, "N·m")));
    if friction_nm.value < -2.0 * friction_nm.standard_uncertainty {
        say("note: a friction torque below zero means that a mass, the radius or a time is off");
    }
    Ok(measurement)
}

/// Takes an acceleration from a run.
type OfRun = fn(Known<'_>, &Run) -> Result<Acceleration, CalibrationError>;

/// An acceleration that is entered, or that of a run.
fn acceleration(
    session: &Session,
    argument: &str,
    given: Option<&str>,
    question: &str,
    of_run: OfRun,
) -> Result<Acceleration, Failure> {
    session.dialogue.ask(argument, given, question, |text| {
        if let Ok(alpha) = units::measured(text, &units::ROTATION_RATE) {
            return Ok(Acceleration::Entered(alpha));
        }
        of_run(session.known(), &session.run(text)?).map_err(Failure::from)
    })
}

fn speed(arguments: &InertiaArguments) -> Result<Option<f64>, Failure> {
    let read = |text: &String| {
        let speed = quantity(text, &units::ROTATION);
        speed.with_context(|| format!("--speed {text:?}"))
    };
    let speed = arguments.speed.as_ref().map(read).transpose()?;
    Ok(speed.map(|speed| speed.value))
}

/// How well friction, which drops out of two runs, is the same in both.
fn repeats(share: f64) -> f64 {
    say(&format!(
        "friction taken as the same in both runs within {:.1} % ([losses] repeatability in the stand file)",
        100.0 * share
    ));
    share
}

fn known_torque(session: &Session, arguments: &InertiaArguments) -> Result<Measurement, Failure> {
    let torque = session.dialogue.quantity(
        "--torque",
        arguments.torque.as_deref(),
        "The torque at the drum's shaft",
        &units::TORQUE,
    )?;
    let driven = acceleration(
        session,
        "--driven",
        arguments.driven.as_deref(),
        "The run with that torque (pull, byte log, or its acceleration in rad/s^2):",
        Acceleration::of_rise,
    )?;
    let coasting = acceleration(
        session,
        "--coasting",
        arguments.coasting.as_deref(),
        "The coast-down (pull, byte log, or its acceleration in rad/s^2 at the same speed):",
        Acceleration::of_coast,
    )?;
    by_known_torque(
        torque,
        &driven,
        &coasting,
        speed(arguments)?,
        repeats(friction_repeats(session.known())),
    )
    .map_err(Failure::from)
}

/// The ring's inertia, as entered or from its mass and diameters.
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
    Ok(ring_kg_m2(mass, outer, inner))
}

fn added_ring(session: &Session, arguments: &InertiaArguments) -> Result<Measurement, Failure> {
    let ring = ring_inertia(session, arguments)?;
    let without = acceleration(
        session,
        "--without",
        arguments.without.as_deref(),
        "The coast-down without the ring (pull or byte log):",
        Acceleration::of_coast,
    )?;
    let with = acceleration(
        session,
        "--with",
        arguments.with.as_deref(),
        "The coast-down with the ring (pull or byte log):",
        Acceleration::of_coast,
    )?;
    by_ring(
        ring,
        &without,
        &with,
        speed(arguments)?,
        repeats(friction_repeats(session.known())),
    )
    .map_err(Failure::from)
}
