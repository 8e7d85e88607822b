//! The engine's channels of stored pulls on their curves: fuel, air, mixture, and why setups differ.

use leverarm_config::display::{self, DisplayUnit, DisplayUnits};
use leverarm_config::{ChannelId, Quantity, Signal, Source, Stand};
use leverarm_filters::teeth::resolve;
use leverarm_torque::calibration::coast::{coast_down, coast_speeds};
use leverarm_torque::calibration::losses::SpeedSample;
use leverarm_torque::curve::CurvePoint;
use leverarm_torque::engine::{
    EnginePoint, EngineSeries, FlowSource, Friction, LimitReport, Missing, Reading, Trace,
    engine_points, limits, motored_friction,
};
use leverarm_torque::turns::turn_speeds;
use leverarm_torque::uncertainty::Measured;

use crate::reduction::ReducedPull;
use crate::replay::Recording;
use leverarm_values::model::{curve_pickup, model, second_pickup};

/// What a figure of the engine is measured in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FigureKind {
    /// Pa
    Pressure,
    /// A ratio that is shown in percent.
    Share,
    /// A ratio that is shown as it is.
    Number,
    /// kg/s
    MassFlow,
    /// kg/J
    Consumption,
}

impl FigureKind {
    /// SI unit, and the same at the end of a name.
    const fn si(self) -> (&'static str, &'static str) {
        match self {
            Self::Pressure => ("Pa", "_pa"),
            Self::Share | Self::Number => ("1", ""),
            Self::MassFlow => ("kg/s", "_kg_per_s"),
            Self::Consumption => ("kg/J", "_kg_per_j"),
        }
    }

    /// The unit it is shown in.
    #[must_use]
    pub const fn unit(self, units: &DisplayUnits) -> DisplayUnit {
        match self {
            Self::Pressure => units.engine_pressure,
            Self::Share => display::PERCENT,
            Self::Number => display::UNITY,
            Self::MassFlow => units.mass_flow,
            Self::Consumption => units.consumption,
        }
    }
}

/// A figure of the engine over speed.
#[derive(Debug, Clone, Copy)]
pub struct EngineFigure {
    /// Its name, a word without blanks.
    pub name: &'static str,
    /// A short one, for a narrow column.
    pub heading: &'static str,
    /// What it is measured in.
    pub kind: FigureKind,
    /// Its value at a point.
    pub get: fn(&EnginePoint) -> Option<Reading>,
}

impl EngineFigure {
    /// All of them.
    pub const ALL: &[Self] = &[
        Self::new("bmep", "bmep", FigureKind::Pressure, |p| p.bmep_pa),
        Self::new("volumetric_efficiency", "VE", FigureKind::Share, |p| {
            p.volumetric_efficiency
        }),
        Self::new("air", "air", FigureKind::MassFlow, |p| p.air_kg_per_s),
        Self::new("air_at_standard", "air, std", FigureKind::MassFlow, |p| {
            p.air_at_standard_kg_per_s
        }),
        Self::new("fuel", "fuel", FigureKind::MassFlow, |p| p.fuel_kg_per_s),
        Self::new(
            "lambda_of_sensor",
            "lambda,\nsensor",
            FigureKind::Number,
            |p| p.lambda,
        ),
        Self::new(
            "lambda_of_flows",
            "lambda,\nflows",
            FigureKind::Number,
            |p| p.lambda_of_flows,
        ),
        Self::new("bsfc", "bsfc", FigureKind::Consumption, |p| p.bsfc_kg_per_j),
        Self::new("bsac", "bsac", FigureKind::Consumption, |p| p.bsac_kg_per_j),
        Self::new("thermal_efficiency", "eff.", FigureKind::Share, |p| {
            p.thermal_efficiency
        }),
        Self::new("depression", "depr.", FigureKind::Pressure, |p| {
            p.depression_pa
        }),
    ];

    const fn new(
        name: &'static str,
        heading: &'static str,
        kind: FigureKind,
        get: fn(&EnginePoint) -> Option<Reading>,
    ) -> Self {
        Self {
            name,
            heading,
            kind,
            get,
        }
    }

    /// Its SI unit; "1" for a pure number.
    #[must_use]
    pub const fn si_unit(&self) -> &'static str {
        self.kind.si().0
    }

    /// A name made of its own, of what is told of it, and of its SI unit: `bmep_pa`,
    /// `bmep_plus_minus_pa`.
    #[must_use]
    pub fn key(&self, what: &str) -> String {
        format!("{}{what}{}", self.name, self.kind.si().1)
    }
}

/// A channel over the speeds of a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelCurve {
    /// The channel's name.
    pub name: String,
    /// What it measures.
    pub quantity: Quantity,
    /// Its value at each point; none where it gave nothing believable.
    pub values: Vec<Option<Reading>>,
}

/// What a pull tells of the engine.
#[derive(Debug, Clone, PartialEq)]
pub struct EnginePull {
    /// Trustworthy speeds of the curve.
    pub points: Vec<EnginePoint>,
    /// All channels at those speeds.
    pub channels: Vec<ChannelCurve>,
    /// What limits it.
    pub limits: LimitReport,
    /// Friction, where the drum turned the engine over after the pull.
    pub friction: Option<Friction>,
}

impl EnginePull {
    /// Place of a curve's point among the trustworthy ones.
    #[must_use]
    pub fn place(&self, point: &CurvePoint) -> Option<usize> {
        self.points.iter().position(|p| p.rpm == point.rpm)
    }

    /// A figure at each point of a curve; none where the point can't be trusted.
    #[must_use]
    pub fn figure_at(&self, figure: &EngineFigure, points: &[&CurvePoint]) -> Vec<Option<Reading>> {
        let at = |point: &&CurvePoint| (figure.get)(self.points.get(self.place(point)?)?);
        points.iter().map(at).collect()
    }

    /// A channel at each point of a curve; none where the point can't be trusted.
    #[must_use]
    pub fn channel_at(
        &self,
        channel: &ChannelCurve,
        points: &[&CurvePoint],
    ) -> Vec<Option<Reading>> {
        let at = |point: &&CurvePoint| *channel.values.get(self.place(point)?)?;
        points.iter().map(at).collect()
    }
}

/// A wheel without an edge for this long has stopped.
const STANDSTILL_S: f64 = 1.0;
/// The clutch is in while the two speeds keep the drive ratio within this.
const LOCKED: f64 = 0.01;

/// What a reduced pull tells of the engine, from its samples.
#[must_use]
pub fn engine_pull(reduced: &ReducedPull, recording: &Recording) -> EnginePull {
    let stand = &reduced.stand;
    let traces: Vec<Trace> = stand
        .channels
        .iter()
        .enumerate()
        .map(|(index, _)| trace(reduced, recording, ChannelId(index)))
        .collect();
    let series: Vec<EngineSeries> = stand
        .channels
        .iter()
        .zip(&traces)
        .filter_map(|(channel, trace)| {
            Some(EngineSeries {
                role: channel.role?,
                trace: trace.clone(),
                flow: match (channel.meter, channel.quantity) {
                    (Some(meter), _) => FlowSource::Difference(meter),
                    (None, Quantity::VolumeFlow) => FlowSource::Volume,
                    (None, _) => FlowSource::Mass,
                },
                delay: channel.delay,
            })
        })
        .collect();
    let engine = stand.engine.model();
    let points = engine_points(&reduced.curve, &engine, &series, &reduced.air);
    let friction = friction(reduced, recording);
    let mut limits = limits(&points, &engine, reduced.air.pressure_pa);
    if friction.is_none() {
        limits.missing.push(Missing::Friction);
    }
    let trusted = reduced.curve.points.iter().filter(|p| p.trustworthy);
    let times: Vec<f64> = trusted.map(|p| p.time_s).collect();
    EnginePull {
        channels: stand
            .channels
            .iter()
            .zip(&traces)
            .map(|(channel, trace)| ChannelCurve {
                name: channel.name.clone(),
                quantity: channel.quantity,
                values: times.iter().map(|time_s| trace.at(*time_s)).collect(),
            })
            .collect(),
        points,
        limits,
        friction,
    }
}

/// Whether a stand has any channel that tells of its engine.
#[must_use]
pub fn has_engine_channels(stand: &Stand) -> bool {
    stand.channels.iter().any(|channel| channel.role.is_some())
}

fn ticks(reduced: &ReducedPull) -> std::ops::RangeInclusive<u64> {
    reduced.pull.tick_first_wanted..=reduced.pull.tick_end.unwrap_or(u64::MAX)
}

/// Tick of the curve's time zero: the first edge that it was made from.
pub fn origin_tick(reduced: &ReducedPull, recording: &Recording) -> Option<u64> {
    let pickup = curve_pickup(&reduced.stand)?;
    let edges = recording.edges_within(pickup.channel, ticks(reduced));
    edges.first().map(|edge| edge.tick)
}

/// A channel's believable samples, timed as the curve is.
fn trace(reduced: &ReducedPull, recording: &Recording, id: ChannelId) -> Trace {
    let Some(channel) = reduced.stand.channel(id) else {
        return Trace::default();
    };
    let Some(origin) = origin_tick(reduced, recording).filter(|_| recording.tick_hz > 0.0) else {
        return Trace::default();
    };
    let samples = recording.values_of(Signal::Channel(id));
    let values = samples.iter().filter_map(|sample| {
        let time_s = (sample.tick as f64 - origin as f64) / recording.tick_hz;
        Some((time_s, sample.value.good()?))
    });
    let values: Vec<(f64, f64)> = match channel.source {
        Source::Pulses(_) => centred(values.collect()),
        Source::Analog(_) | Source::Temperature(_) => values.collect(),
    };
    Trace::new(values, channel.uncertainty_si)
}

/// A time between two pulses belongs to its middle, not to the second of them.
fn centred(values: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let mut before: Option<f64> = None;
    values
        .into_iter()
        .map(|(time_s, si)| {
            let middle = before.map_or(time_s, |before| f64::midpoint(before, time_s));
            before = Some(time_s);
            (middle, si)
        })
        .collect()
}

/// Friction from the coast-down after a pull, where two pickups show that the clutch stayed in.
fn friction(reduced: &ReducedPull, recording: &Recording) -> Option<Friction> {
    let stand = &reduced.stand;
    let (first, second) = (curve_pickup(stand)?, second_pickup(stand)?);
    let train = |channel: u8, teeth: u16| {
        let edges = recording.edges_within(channel, ticks(reduced));
        resolve(edges, recording.tick_hz, u32::from(teeth), STANDSTILL_S)
    };
    let (own, other) = (
        train(first.channel, first.teeth),
        train(second.channel, second.teeth),
    );
    let teeth = u32::from(first.teeth);
    let coast = own.part(coast_down(&own, teeth).ok()?);
    let speeds = coast_speeds(&coast, teeth);
    let (from_s, to_s) = (speeds.first()?.time_s, speeds.last()?.time_s);
    let shift_s = (other.origin_tick as f64 - own.origin_tick as f64) / recording.tick_hz;
    let reduction = model(stand, &reduced.calibration);
    let ratio = reduction.engine_per_drum.value();
    let others: Vec<(f64, f64)> = turn_speeds(&other, u32::from(second.teeth), 0.0, 0.05)
        .iter()
        .map(|speed| (speed.middle_s() + shift_s, speed.omega_rad_per_s))
        .filter(|(time_s, _)| (from_s..=to_s).contains(time_s))
        .collect();
    let locked = !others.is_empty()
        && others.iter().all(|(time_s, engine)| {
            let near = speeds.iter().min_by(|a, b| {
                (a.time_s - time_s)
                    .abs()
                    .total_cmp(&(b.time_s - time_s).abs())
            });
            near.is_some_and(|drum: &SpeedSample| {
                (engine / (drum.omega_rad_per_s * ratio) - 1.0).abs() < LOCKED
            })
        });
    if !locked {
        return None;
    }
    let drum = reduction.drum_inertia_kg_m2?;
    let engine = reduction.engine_inertia_kg_m2;
    let inertia = Measured::new(
        drum.value() + ratio * ratio * engine.value(),
        drum.standard_uncertainty()
            .hypot(ratio * ratio * engine.standard_uncertainty()),
    );
    let losses = |omega: f64| {
        Measured::new(
            reduction.losses.torque_nm(omega),
            reduction.losses.standard_uncertainty_nm(omega),
        )
    };
    motored_friction(&speeds, inertia, losses, ratio).ok()
}
