//! A pull's curve with the engine's channels on it.

use serde::{Deserialize, Serialize};

use super::figures::{
    STANDARD_AIR_KG_PER_M3, bmep_pa, displaced_m3_per_s, lambda_of_flows,
    mean_piston_speed_m_per_s, per_work_kg_per_j, thermal_efficiency, volumetric_efficiency,
};
use super::flow::AirState;
use super::{EngineModel, FlowMeter, Reading, Role, SensorDelay, Trace};
use crate::air::{Air, DRY_AIR_J_PER_KG_K};
use crate::curve::{Curve, CurvePoint, How, RAD_PER_S_PER_RPM, Source};
use crate::reduce::AirReadings;

/// What the numbers of a flow channel are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FlowSource {
    /// kg/s
    Mass,
    /// m³/s, of ambient air or of fuel at 15 °C.
    Volume,
    /// Pa over a meter that breathes ambient air.
    Difference(FlowMeter),
}

/// A channel of the engine during a pull.
#[derive(Debug, Clone, PartialEq)]
pub struct EngineSeries {
    /// What it tells.
    pub role: Role,
    /// Its samples.
    pub trace: Trace,
    /// What the numbers are, where they are a flow's.
    pub flow: FlowSource,
    /// How late it is.
    pub delay: SensorDelay,
}

/// One speed of a pull. What could not be worked out is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EnginePoint {
    /// Engine speed.
    pub rpm: f64,
    /// Torque as measured, N·m.
    pub torque_nm: Reading,
    /// Brake mean effective pressure, Pa.
    pub bmep_pa: Option<Reading>,
    /// Mean piston speed, m/s.
    pub piston_speed_m_per_s: Option<f64>,
    /// Air, kg/s.
    pub air_kg_per_s: Option<Reading>,
    /// Whether the air flow was worked out from fuel flow and lambda.
    pub air_from_fuel: bool,
    /// Air as a volume at ambient density, m³/s.
    pub air_m3_per_s: Option<Reading>,
    /// Air that the engine would draw at ISO 1585's reference air with this volumetric efficiency, kg/s.
    pub air_at_standard_kg_per_s: Option<Reading>,
    /// Fuel, kg/s.
    pub fuel_kg_per_s: Option<Reading>,
    /// Volumetric efficiency on ambient air.
    pub volumetric_efficiency: Option<Reading>,
    /// Brake specific fuel consumption, kg/J.
    pub bsfc_kg_per_j: Option<Reading>,
    /// Brake specific air consumption, kg/J.
    pub bsac_kg_per_j: Option<Reading>,
    /// Brake thermal efficiency.
    pub thermal_efficiency: Option<Reading>,
    /// Lambda of the sensor, aligned.
    pub lambda: Option<Reading>,
    /// Lambda of the flows, where both are measured.
    pub lambda_of_flows: Option<Reading>,
    /// Depression of the intake, Pa.
    pub depression_pa: Option<Reading>,
    /// The other channels.
    pub others: Vec<(Role, Reading)>,
}

impl EnginePoint {
    /// Whether sensor and flows disagree on lambda by more than their uncertainty (95 %).
    #[must_use]
    pub fn lambda_disagrees(&self) -> Option<bool> {
        let (sensor, flows) = self.lambda.zip(self.lambda_of_flows)?;
        let u = sensor
            .standard_uncertainty()
            .hypot(flows.standard_uncertainty());
        Some((sensor.value - flows.value).abs() > 2.0 * u)
    }

    /// Lambda of the sensor, or else of the flows.
    #[must_use]
    pub fn best_lambda(&self) -> Option<Reading> {
        self.lambda.or(self.lambda_of_flows)
    }

    /// A channel without a figure of its own.
    #[must_use]
    pub fn other(&self, role: Role) -> Option<Reading> {
        let mut others = self.others.iter();
        others
            .find(|(r, _)| *r == role)
            .map(|(_, reading)| *reading)
    }
}

/// Exhaust gas is taken for air at this temperature where none is measured (a guess for full
/// throttle), K.
const EXHAUST_K: f64 = 950.0;
/// Volumetric efficiency for the transport delay where no flow is measured (a guess).
const USUAL_VE: f64 = 0.85;

/// The trustworthy points of a curve with the engine's channels on them.
#[must_use]
pub fn engine_points(
    curve: &Curve,
    model: &EngineModel,
    series: &[EngineSeries],
    air: &AirReadings,
) -> Vec<EnginePoint> {
    let Ok(ambient) = Air::new(
        air.pressure_pa.value,
        air.temperature_k.value,
        air.relative_humidity.value,
    ) else {
        return Vec::new();
    };
    let points: Vec<&CurvePoint> = curve.points.iter().filter(|p| p.trustworthy).collect();
    let mut work = Work {
        model,
        series: series.to_vec(),
        air,
        ambient,
        half_s: 0.0,
    };
    work.keep_to_full_throttle(&points);
    let mut found = Vec::with_capacity(points.len());
    for point in points {
        work.half_s = held_half_s(point);
        found.push(work.point(point));
    }
    found
}

/// Half of what a point was held for, s.
fn held_half_s(point: &CurvePoint) -> f64 {
    match point.how {
        How::Steady { seconds } => 0.5 * seconds,
        How::Sweep => 0.0,
    }
}

struct Work<'a> {
    model: &'a EngineModel,
    series: Vec<EngineSeries>,
    air: &'a AirReadings,
    ambient: Air,
    /// Samples so far about the point tell its channels: of a hold all of it, s.
    half_s: f64,
}

impl Work<'_> {
    /// What jumps when the throttle closes is taken from while it was open only: a line through both
    /// would show neither.
    fn keep_to_full_throttle(&mut self, points: &[&CurvePoint]) {
        let by_time = |a: &&&CurvePoint, b: &&&CurvePoint| a.time_s.total_cmp(&b.time_s);
        let (Some(first), Some(last)) =
            (points.iter().min_by(by_time), points.iter().max_by(by_time))
        else {
            return;
        };
        let delay = |point: &CurvePoint| {
            let displaced = self.displaced(point.rpm * RAD_PER_S_PER_RPM);
            self.delay_s(point.time_s, self.air_flow(point.time_s), displaced)
        };
        let delays = [delay(first), delay(last)];
        let (from_s, to_s) = (
            first.time_s - held_half_s(first),
            last.time_s + held_half_s(last),
        );
        for series in &mut self.series {
            let [before, after] = if series.role == Role::Lambda {
                delays
            } else {
                [0.0; 2]
            };
            if jumps(series.role) {
                series.trace = series.trace.between(from_s + before, to_s + after);
            }
        }
    }

    fn displaced(&self, omega: f64) -> Option<f64> {
        let model = self.model;
        let displacement = model.displacement_m3?;
        Some(displaced_m3_per_s(
            displacement,
            model.cycles_per_turn,
            omega,
        ))
    }

    fn series(&self, role: Role) -> Option<&EngineSeries> {
        self.series.iter().find(|series| series.role == role)
    }

    fn reading(&self, role: Role, time_s: f64) -> Option<Reading> {
        self.series(role)?.trace.about(time_s, self.half_s)
    }

    /// Density of the ambient air; humidity's part of its uncertainty is far below the others'.
    fn density(&self) -> Reading {
        let density = self.ambient.density_kg_per_m3();
        let u = self
            .air
            .pressure_pa
            .relative_standard_uncertainty()
            .hypot(self.air.temperature_k.relative_standard_uncertainty());
        Reading::new(density, 0.0, u * density)
    }

    fn air_flow(&self, time_s: f64) -> Option<Reading> {
        let series = self.series(Role::AirFlow)?;
        let reading = series.trace.about(time_s, self.half_s)?;
        let density = self.density();
        match series.flow {
            FlowSource::Mass => Some(reading),
            FlowSource::Volume => Some(Reading::through([reading, density], |[q, rho]| q * rho)),
            FlowSource::Difference(meter) => {
                let state = |rho: f64| AirState {
                    pressure_pa: self.ambient.pressure_pa(),
                    temperature_k: self.ambient.temperature_k(),
                    density_kg_per_m3: rho,
                };
                let flow = |pa: f64, rho: f64| meter.mass_flow_kg_per_s(pa, &state(rho)).ok();
                // A drop that can't be is no flow; noise below zero is none either.
                let drop_pa = reading.value.max(0.0);
                let kg_per_s = flow(drop_pa, density.value)?;
                let of_meter = meter.relative_uncertainty(kg_per_s, drop_pa, &state(density.value));
                let scale = Reading::new(1.0, 0.0, of_meter);
                Some(Reading::through(
                    [reading, density, scale],
                    |[pa, rho, scale]| scale * flow(pa.max(0.0), rho).unwrap_or(f64::NAN),
                ))
            }
        }
    }

    fn fuel_flow(&self, time_s: f64) -> Option<Reading> {
        if let Some(series) = self.series(Role::FuelFlow) {
            let reading = series.trace.about(time_s, self.half_s)?;
            let density = Reading::common(self.model.fuel.density_kg_per_m3);
            return Some(match series.flow {
                FlowSource::Volume => Reading::through([reading, density], |[q, rho]| q * rho),
                FlowSource::Mass | FlowSource::Difference(_) => reading,
            });
        }
        let slope = self
            .series(Role::FuelMass)?
            .trace
            .slope_about(time_s, self.half_s)?;
        Some(Reading::new(-slope.value, slope.random, slope.common))
    }

    /// The sensor's value of the gas that left the engine at an instant.
    fn lambda(&self, time_s: f64, air: Option<Reading>, displaced: Option<f64>) -> Option<Reading> {
        let delay_s = self.delay_s(time_s, air, displaced);
        self.series(Role::Lambda)?
            .trace
            .about(time_s + delay_s, self.half_s)
    }

    /// How late the lambda sensor is for the gas that leaves the engine at an instant.
    fn delay_s(&self, time_s: f64, air: Option<Reading>, displaced: Option<f64>) -> f64 {
        let Some(series) = self.series(Role::Lambda).filter(|s| !s.delay.is_none()) else {
            return 0.0;
        };
        let rho = self.ambient.density_kg_per_m3();
        let flow_kg_per_s = match (air, displaced) {
            (Some(air), _) => air.value,
            (None, Some(displaced)) => USUAL_VE * displaced * rho,
            (None, None) => 0.0,
        };
        let exhaust_k = self
            .reading(Role::ExhaustTemperature(1), time_s)
            .map_or(EXHAUST_K, |reading| reading.value);
        let hot = flow_kg_per_s / rho * exhaust_k / self.ambient.temperature_k();
        series.delay.delay_s(hot)
    }

    fn depression(&self, time_s: f64) -> Option<Reading> {
        if let Some(reading) = self.reading(Role::IntakeDepression, time_s) {
            return Some(reading);
        }
        let manifold = self.reading(Role::ManifoldPressure, time_s)?;
        let ambient = Reading::common(self.air.pressure_pa);
        Some(Reading::through([ambient, manifold], |[p, m]| p - m))
    }

    fn point(&self, point: &CurvePoint) -> EnginePoint {
        let model = self.model;
        let omega = point.rpm * RAD_PER_S_PER_RPM;
        let time_s = point.time_s;
        let torque = torque_as_measured(point);
        let displaced = self.displaced(omega);
        let measured_air = self.air_flow(time_s);
        let fuel = self.fuel_flow(time_s);
        let lambda = self.lambda(time_s, measured_air, displaced);
        let stoichiometric = Reading::common(model.fuel.stoichiometric_ratio);
        let dry_share = self.ambient.dry_pressure_pa()
            / (DRY_AIR_J_PER_KG_K * self.ambient.temperature_k())
            / self.ambient.density_kg_per_m3();
        let air = measured_air.or_else(|| {
            let (fuel, lambda) = fuel.zip(lambda)?;
            Some(Reading::through(
                [fuel, lambda, stoichiometric],
                |[fuel, lambda, ratio]| fuel * lambda * ratio / dry_share,
            ))
        });
        let density = self.density();
        let ve = air.zip(displaced).map(|(air, displaced)| {
            Reading::through([air, density], |[air, rho]| {
                volumetric_efficiency(air, rho, displaced)
            })
        });
        let heating = Reading::common(model.fuel.heating_value_j_per_kg);
        let per_work = |flow: Option<Reading>| {
            flow.filter(|_| torque.value > 0.0).map(|flow| {
                Reading::through([flow, torque], |[flow, nm]| {
                    per_work_kg_per_j(flow, nm, omega)
                })
            })
        };
        let own = [
            Role::AirFlow,
            Role::FuelFlow,
            Role::FuelMass,
            Role::Lambda,
            Role::IntakeDepression,
        ];
        EnginePoint {
            rpm: point.rpm,
            torque_nm: torque,
            bmep_pa: model
                .displacement_m3
                .map(|v| Reading::through([torque], |[nm]| bmep_pa(nm, v, model.cycles_per_turn))),
            piston_speed_m_per_s: model
                .stroke_m
                .map(|stroke| mean_piston_speed_m_per_s(stroke, omega)),
            air_kg_per_s: air,
            air_from_fuel: measured_air.is_none() && air.is_some(),
            air_m3_per_s: air.map(|air| Reading::through([air, density], |[air, rho]| air / rho)),
            air_at_standard_kg_per_s: ve.zip(displaced).map(|(ve, displaced)| {
                Reading::through([ve], |[ve]| ve * displaced * STANDARD_AIR_KG_PER_M3)
            }),
            fuel_kg_per_s: fuel,
            volumetric_efficiency: ve,
            bsfc_kg_per_j: per_work(fuel),
            bsac_kg_per_j: per_work(air),
            thermal_efficiency: fuel.filter(|fuel| fuel.value > 0.0).map(|fuel| {
                Reading::through([torque, fuel, heating], |[nm, fuel, heating]| {
                    thermal_efficiency(nm, omega, fuel, heating)
                })
            }),
            lambda,
            lambda_of_flows: measured_air
                .zip(fuel)
                .filter(|(_, fuel)| fuel.value > 0.0)
                .map(|(air, fuel)| {
                    Reading::through([air, fuel, stoichiometric], |[air, fuel, ratio]| {
                        lambda_of_flows(air * dry_share, fuel, ratio)
                    })
                }),
            depression_pa: self.depression(time_s),
            others: self
                .series
                .iter()
                .filter(|series| !own.contains(&series.role))
                .filter_map(|series| Some((series.role, series.trace.about(time_s, self.half_s)?)))
                .collect(),
        }
    }
}

/// Whether a channel jumps when the throttle closes.
const fn jumps(role: Role) -> bool {
    matches!(
        role,
        Role::AirFlow
            | Role::FuelFlow
            | Role::Lambda
            | Role::ManifoldPressure
            | Role::IntakeDepression
            | Role::BackPressure
            | Role::Throttle
    )
}

/// Torque as measured with its uncertainty: the correction's part is not in it.
fn torque_as_measured(point: &CurvePoint) -> Reading {
    let scale = if point.torque_nm == 0.0 {
        1.0
    } else {
        point.measured_torque_nm / point.torque_nm
    };
    let u = |common: bool| {
        scale.abs() * point.standard_uncertainty_nm(|s| s != Source::Air && s.is_common() == common)
    };
    Reading::new(point.measured_torque_nm, u(false), u(true))
}

/// Points of several pulls of one setup as one: means at the speeds that all of them have. What
/// varies from sample to sample averages out, and shows in the scatter of the pulls too: the greater
/// of the two is kept.
#[must_use]
pub fn mean_points(pulls: &[Vec<EnginePoint>]) -> Vec<EnginePoint> {
    let Some((first, rest)) = pulls.split_first() else {
        return Vec::new();
    };
    let at = |points: &'_ [EnginePoint], rpm: f64| {
        let mut points = points.iter();
        points.find(|p| (p.rpm - rpm).abs() < 0.01).cloned()
    };
    first
        .iter()
        .filter_map(|point| {
            let mut all = vec![point.clone()];
            for points in rest {
                all.push(at(points, point.rpm)?);
            }
            Some(mean_point(&all, point))
        })
        .collect()
}

fn mean_point(all: &[EnginePoint], first: &EnginePoint) -> EnginePoint {
    let of = |get: &dyn Fn(&EnginePoint) -> Option<Reading>| {
        let each: Option<Vec<Reading>> = all.iter().map(get).collect();
        each.map(|each| mean_reading(&each))
    };
    EnginePoint {
        rpm: first.rpm,
        torque_nm: of(&|p| Some(p.torque_nm)).unwrap_or(first.torque_nm),
        bmep_pa: of(&|p| p.bmep_pa),
        piston_speed_m_per_s: first.piston_speed_m_per_s,
        air_kg_per_s: of(&|p| p.air_kg_per_s),
        air_from_fuel: all.iter().any(|p| p.air_from_fuel),
        air_m3_per_s: of(&|p| p.air_m3_per_s),
        air_at_standard_kg_per_s: of(&|p| p.air_at_standard_kg_per_s),
        fuel_kg_per_s: of(&|p| p.fuel_kg_per_s),
        volumetric_efficiency: of(&|p| p.volumetric_efficiency),
        bsfc_kg_per_j: of(&|p| p.bsfc_kg_per_j),
        bsac_kg_per_j: of(&|p| p.bsac_kg_per_j),
        thermal_efficiency: of(&|p| p.thermal_efficiency),
        lambda: of(&|p| p.lambda),
        lambda_of_flows: of(&|p| p.lambda_of_flows),
        depression_pa: of(&|p| p.depression_pa),
        others: first
            .others
            .iter()
            .filter_map(|(role, _)| Some((*role, of(&|p| p.other(*role))?)))
            .collect(),
    }
}

fn mean_reading(each: &[Reading]) -> Reading {
    let n = each.len().max(1) as f64;
    let value = each.iter().map(|r| r.value).sum::<f64>() / n;
    let of_samples = each.iter().map(|r| r.random * r.random).sum::<f64>().sqrt() / n;
    let of_pulls = if each.len() > 1 {
        let squares: f64 = each.iter().map(|r| (r.value - value).powi(2)).sum();
        (squares / (n - 1.0) / n).sqrt()
    } else {
        0.0
    };
    let common = each.iter().map(|r| r.common).fold(0.0, f64::max);
    Reading::new(value, of_samples.max(of_pulls), common)
}
