//! The drum's moment of inertia: falling weight, known torque, or a ring of known inertia.

use leverarm_filters::teeth::ToothTrain;
use leverarm_plot::{Axis, Panel, Series};
use leverarm_torque::calibration::coast::{
    Fall, coast_down, coast_speeds, coasting_alpha, driven_alpha,
};
use leverarm_torque::calibration::inertia::{
    Agreement, FallingRun, added_ring, alpha_from_drop, compare, falling_weight, known_torque,
};
use leverarm_torque::calibration::losses::SpeedSample;
use leverarm_torque::curve::RAD_PER_S_PER_RPM;
use leverarm_torque::uncertainty::{Assessed, Measured, propagate};
use leverarm_values::calibration::{Change, Given, InertiaCalibration, InertiaMethod};
use serde_json::json;

use super::runs::Run;
use super::{CalibrationError, Known, Outcome, plot, shown};

/// What was measured: inertia, inputs for the record, and curves for the plot.
#[derive(Debug, Clone)]
pub struct Measurement {
    method: InertiaMethod,
    inertia: Assessed,
    given: Vec<Given>,
    series: Vec<Series>,
}

fn given(name: &str, measured: Measured, unit: &str) -> Given {
    Given {
        name: name.to_owned(),
        measured,
        unit: unit.to_owned(),
    }
}

/// One fall of a weight.
#[derive(Debug, Clone)]
pub struct WeightFall {
    /// The weight.
    pub mass_kg: Measured,
    /// Of the drum.
    pub acceleration: Acceleration,
}

impl WeightFall {
    /// By stopwatch, on a cord wound at this radius.
    #[must_use]
    pub fn timed(
        mass_kg: Measured,
        (height_m, time_s): (Measured, Measured),
        radius_m: Measured,
    ) -> Self {
        Self {
            mass_kg,
            acceleration: Acceleration::Entered(alpha_from_drop(height_m, time_s, radius_m)),
        }
    }

    fn at(&self, omega: f64) -> Result<FallingRun, CalibrationError> {
        Ok(FallingRun {
            mass_kg: self.mass_kg,
            alpha_rad_per_s2: self.acceleration.at(omega)?,
        })
    }
}

/// Share by which friction differs between two runs one after the other where the stand tells none
/// (common practice, no source).
const FRICTION_REPEATS: f64 = 0.01;
/// The same between two falls, at least: they last seconds, in which friction that wanders by some per cent is not averaged
/// out as over a coast-down (common practice, no source).
const FALLS_REPEAT: f64 = 0.03;

/// By what share friction differs between two falls: one standard deviation.
#[must_use]
pub fn falls_repeat(known: Known<'_>) -> f64 {
    friction_repeats(known).max(FALLS_REPEAT)
}

/// By what share friction, which has to be the same in both runs, differs between them: one standard deviation.
#[must_use]
pub fn friction_repeats(known: Known<'_>) -> f64 {
    let told = known.model().losses.repeatability.measured;
    if told.standard_uncertainty > 0.0 {
        told.standard_uncertainty
    } else {
        FRICTION_REPEATS
    }
}

/// An acceleration of which a part is friction's, which differs from run to run by some share of itself.
fn with_friction(alpha: Measured, of_friction: f64, repeats: f64) -> Measured {
    let by_friction = repeats * of_friction;
    Measured::new(alpha.value, alpha.standard_uncertainty.hypot(by_friction))
}

/// Inertia by two weights on a cord, and the friction torque, N·m, at a drum speed in rad/s.
///
/// # Errors
/// [`CalibrationError`].
pub fn by_falling_weight(
    falls: &[WeightFall; 2],
    radius_m: Measured,
    gravity: Measured,
    speed: Option<f64>,
    friction_repeats: f64,
) -> Result<(Measurement, Measured), CalibrationError> {
    let [one, other] = falls;
    let omega = speed_of([&one.acceleration, &other.acceleration], speed)?;
    let runs = [one.at(omega)?, other.at(omega)?];
    let same = falling_weight(runs, radius_m, gravity)?;
    let [first, second] = runs.map(|run| {
        let cord = run.mass_kg.value * radius_m.value.powi(2);
        let by_friction = same.friction_nm.value / (same.inertia_kg_m2.value + cord);
        FallingRun {
            alpha_rad_per_s2: with_friction(run.alpha_rad_per_s2, by_friction, friction_repeats),
            ..run
        }
    });
    let result = falling_weight([first, second], radius_m, gravity)?;
    let labels = falls
        .each_ref()
        .map(|fall| format!("{} kg", fall.mass_kg.value));
    let measurement = Measurement {
        method: InertiaMethod::FallingWeight,
        inertia: Assessed::type_b(result.inertia_kg_m2),
        given: vec![
            given("cord radius", radius_m, "m"),
            given("gravity", gravity, "m/s²"),
            given("first mass", first.mass_kg, "kg"),
            given("first acceleration", first.alpha_rad_per_s2, "rad/s²"),
            given("second mass", second.mass_kg, "kg"),
            given("second acceleration", second.alpha_rad_per_s2, "rad/s²"),
            given("friction", result.friction_nm, "N·m"),
            given("drum speed", Measured::exact(omega), "rad/s"),
        ],
        series: series_of([
            (&labels[0], &one.acceleration),
            (&labels[1], &other.acceleration),
        ]),
    };
    Ok((measurement, result.friction_nm))
}

/// An acceleration that is entered, or a run to take it from.
#[derive(Debug, Clone)]
pub enum Acceleration {
    /// rad/s².
    Entered(Measured),
    /// Speeds of a coast-down.
    Coasting(Vec<SpeedSample>),
    /// Speeds of a drum that is driven.
    Driven(Vec<SpeedSample>),
    /// A weight falls; speeds for the plot.
    Falling(Fall, Vec<SpeedSample>),
}

impl Acceleration {
    /// The coast-down of a run.
    ///
    /// # Errors
    /// [`CalibrationError`].
    pub fn of_coast(known: Known<'_>, run: &Run) -> Result<Self, CalibrationError> {
        let (train, teeth) = drum_teeth(known, run)?;
        let range = coast_down(&train, teeth)
            .map_err(|error| CalibrationError::in_run(&run.name, error))?;
        Ok(Self::Coasting(coast_speeds(&train.part(range), teeth)))
    }

    /// The part of a run in which the drum is driven: up to its greatest speed.
    ///
    /// # Errors
    /// [`CalibrationError`].
    pub fn of_rise(known: Known<'_>, run: &Run) -> Result<Self, CalibrationError> {
        let (train, teeth) = drum_teeth(known, run)?;
        let mut samples = coast_speeds(&train, teeth);
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
            return Err(CalibrationError::NotDriven {
                run: run.name.clone(),
                turns: samples.len(),
            });
        }
        Ok(Self::Driven(samples))
    }

    /// The part of a run in which a weight falls.
    ///
    /// # Errors
    /// [`CalibrationError`].
    pub fn of_fall(known: Known<'_>, run: &Run) -> Result<Self, CalibrationError> {
        let (train, teeth) = drum_teeth(known, run)?;
        let fall = Fall::find(&train, teeth)
            .map_err(|error| CalibrationError::in_run(&run.name, error))?;
        Ok(Self::Falling(fall, coast_speeds(&train, teeth)))
    }

    fn at(&self, omega: f64) -> Result<Measured, CalibrationError> {
        Ok(match self {
            Self::Entered(alpha) => *alpha,
            Self::Coasting(samples) => coasting_alpha(samples, omega)?,
            Self::Driven(samples) => driven_alpha(samples, omega)?,
            Self::Falling(fall, _) => fall.alpha_at(omega)?,
        })
    }

    /// With what friction differs from run to run.
    fn coasting(&self, omega: f64, friction_repeats: f64) -> Result<Measured, CalibrationError> {
        let alpha = self.at(omega)?;
        Ok(with_friction(alpha, alpha.value, friction_repeats))
    }

    fn range_rad_per_s(&self) -> Result<(f64, f64), CalibrationError> {
        Ok(match self {
            Self::Entered(_) => (0.0, f64::INFINITY),
            Self::Falling(fall, _) => fall.speeds_rad_per_s()?,
            Self::Coasting(samples) | Self::Driven(samples) => samples
                .iter()
                .map(|s| s.omega_rad_per_s)
                .fold((f64::INFINITY, 0.0_f64), |(a, b), w| (a.min(w), b.max(w))),
        })
    }

    fn series(&self, label: &str, style: usize) -> Option<Series> {
        let (Self::Coasting(samples) | Self::Driven(samples) | Self::Falling(_, samples)) = self
        else {
            return None;
        };
        let start_s = samples.first()?.time_s;
        let points = samples
            .iter()
            .map(|s| (s.time_s - start_s, s.omega_rad_per_s / RAD_PER_S_PER_RPM));
        Some(Series::line(label, points.collect(), style))
    }
}

/// Teeth of the drum's pickup in a run, and how many it has a turn.
fn drum_teeth(known: Known<'_>, run: &Run) -> Result<(ToothTrain, u32), CalibrationError> {
    let pickup = known.drum_pickup()?;
    Ok((run.train(pickup), u32::from(pickup.teeth)))
}

/// The drum speed at which two accelerations are compared, rad/s: as wanted, or the middle of what both
/// cover.
fn speed_of(pair: [&Acceleration; 2], wanted: Option<f64>) -> Result<f64, CalibrationError> {
    if let Some(omega) = wanted {
        return Ok(omega);
    }
    let [a, b] = pair;
    let ((low, high), (other_low, other_high)) = (a.range_rad_per_s()?, b.range_rad_per_s()?);
    let (low, high) = (low.max(other_low), high.min(other_high));
    if high.is_infinite() {
        return Ok(0.0);
    }
    if high <= low {
        return Err(CalibrationError::NoCommonSpeed {
            high_rpm: high / RAD_PER_S_PER_RPM,
            low_rpm: low / RAD_PER_S_PER_RPM,
        });
    }
    Ok(0.5 * (low + high))
}

fn series_of(pair: [(&str, &Acceleration); 2]) -> Vec<Series> {
    let numbered = pair.into_iter().enumerate();
    numbered
        .filter_map(|(style, (label, acceleration))| acceleration.series(label, style))
        .collect()
}

/// Inertia by a known torque against coasting, at a drum speed in rad/s.
///
/// # Errors
/// [`CalibrationError`].
pub fn by_known_torque(
    torque_nm: Measured,
    driven: &Acceleration,
    coasting: &Acceleration,
    speed: Option<f64>,
    friction_repeats: f64,
) -> Result<Measurement, CalibrationError> {
    let omega = speed_of([driven, coasting], speed)?;
    let (up, down) = (
        driven.at(omega)?,
        coasting.coasting(omega, friction_repeats)?,
    );
    Ok(Measurement {
        method: InertiaMethod::KnownTorque,
        inertia: Assessed::type_b(known_torque(torque_nm, up, down)?),
        given: vec![
            given("torque", torque_nm, "N·m"),
            given("driven acceleration", up, "rad/s²"),
            given("coasting acceleration", down, "rad/s²"),
            given("drum speed", Measured::exact(omega), "rad/s"),
        ],
        series: series_of([("driven", driven), ("coasting", coasting)]),
    })
}

/// The inertia of a ring by its mass and diameters: m (D² + d²)/8.
#[must_use]
pub fn ring_kg_m2(mass_kg: Measured, outer_m: Measured, inner_m: Measured) -> Measured {
    propagate([mass_kg, outer_m, inner_m], |[m, outer, inner]| {
        m * (outer * outer + inner * inner) / 8.0
    })
}

/// Inertia by coasting without and with a known ring, at a drum speed in rad/s.
///
/// # Errors
/// [`CalibrationError`].
pub fn by_ring(
    ring_kg_m2: Measured,
    without: &Acceleration,
    with: &Acceleration,
    speed: Option<f64>,
    friction_repeats: f64,
) -> Result<Measurement, CalibrationError> {
    let omega = speed_of([without, with], speed)?;
    let (bare, ringed) = (
        without.coasting(omega, friction_repeats)?,
        with.coasting(omega, friction_repeats)?,
    );
    Ok(Measurement {
        method: InertiaMethod::AddedRing,
        inertia: Assessed::type_b(added_ring(ring_kg_m2, bare, ringed)?),
        given: vec![
            given("ring inertia", ring_kg_m2, "kg·m²"),
            given("acceleration without", bare, "rad/s²"),
            given("acceleration with", ringed, "rad/s²"),
            given("drum speed", Measured::exact(omega), "rad/s"),
        ],
        series: series_of([("without", without), ("with the ring", with)]),
    })
}

/// What the pieces of the stand file sum up to.
///
/// # Errors
/// [`CalibrationError::NoPieces`].
pub fn by_pieces(known: Known<'_>) -> Result<Measurement, CalibrationError> {
    let pieces = pieces_kg_m2(known).ok_or(CalibrationError::NoPieces)?;
    Ok(Measurement {
        method: InertiaMethod::Pieces,
        inertia: Assessed::type_b(pieces),
        given: Vec::new(),
        series: Vec::new(),
    })
}

fn pieces_kg_m2(known: Known<'_>) -> Option<Measured> {
    let drum = known.stand.drum.as_ref();
    drum.filter(|drum| !drum.pieces.is_empty())
        .map(|drum| drum.inertia_kg_m2)
}

impl Measurement {
    /// What is to be put in force, beside what the stand file has.
    #[must_use]
    pub fn outcome(self, known: Known<'_>) -> Outcome {
        let measured = self.inertia.measured;
        let pieces = pieces_kg_m2(known);
        // Against the pieces where there are any, else against what the stand file states.
        let stated = known.stand.drum.as_ref().map(|drum| drum.inertia_kg_m2);
        let agreement = stated
            .filter(|_| self.method != InertiaMethod::Pieces)
            .map(|stated| compare(stated, measured));
        let verdict = agreement.as_ref().map(verdict);
        let value = shown(&measured, "kg·m²");
        let title = format!("Drum inertia by {}", self.method.word());
        let panel = Panel::of(Axis::new("Drum speed", "rpm"), self.series);
        let has_curves = !panel.series.is_empty();
        let curves = || {
            let x = Axis::new("Time", "s");
            plot(known.stand, &title, x, vec![panel], vec![value.clone()])
        };
        let record = InertiaCalibration {
            made_wall_us: known.now_wall_us,
            method: self.method,
            inertia_kg_m2: self.inertia,
            from_pieces_kg_m2: pieces,
            given: self.given,
        };
        Outcome {
            json: json!({
                "record": record,
                "agrees": agreement.map(|a| a.agrees()),
                "difference_kg_m2": agreement.map(|a| a.difference_kg_m2),
                "expanded_uncertainty_of_difference_kg_m2":
                    agreement.map(|a| a.expanded_uncertainty_kg_m2),
                "verdict": verdict,
            }),
            plot: has_curves.then(curves),
            change: Change::DrumInertia(record),
            summary: format!("{value}, by {}", self.method.word()),
            verdict,
        }
    }
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
