//! What limits one pull: does the intake hold the engine back, and by how much.

use super::flow::{TEST_DEPRESSIONS_PA, flow_at_depression};
use super::{EngineModel, EnginePoint, Reading};
use crate::uncertainty::Measured;

/// Capacity of a metering device as it was rated on a flow bench.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Device {
    /// Volume flow of bench air, m³/s.
    pub flow_m3_per_s: Measured,
    /// At this depression, Pa.
    pub depression_pa: f64,
}

/// Something that was not measured, and what measuring it would tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// Displacement in the stand file.
    Displacement,
    /// Air flow, or fuel flow and lambda.
    AirFlow,
    /// Intake depression or manifold pressure.
    Depression,
    /// Lambda, or both flows.
    Mixture,
    /// Fuel flow.
    FuelFlow,
    /// Rated capacity of the metering device.
    DeviceRating,
    /// Friction.
    Friction,
}

impl Missing {
    /// Name in JSON.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Displacement => "displacement",
            Self::AirFlow => "air_flow",
            Self::Depression => "intake_depression",
            Self::Mixture => "lambda",
            Self::FuelFlow => "fuel_flow",
            Self::DeviceRating => "intake_rating",
            Self::Friction => "friction",
        }
    }

    /// What to measure next, and why.
    #[must_use]
    pub const fn advice(self) -> &'static str {
        match self {
            Self::Displacement => {
                "state displacement (or bore, stroke and cylinders) in [engine]: without it there is \
                 no volumetric efficiency"
            }
            Self::AirFlow => {
                "measure air flow next (or fuel flow and lambda, which give it): only it tells \
                 filling from mixture"
            }
            Self::Depression => {
                "measure intake depression next, behind the metering device: only it tells whether \
                 the intake holds the engine back"
            }
            Self::Mixture => {
                "measure lambda next (or air and fuel flow): only it tells a change of mixture from \
                 one of efficiency"
            }
            Self::FuelFlow => {
                "measure fuel flow next: it gives consumption and efficiency, and checks lambda"
            }
            Self::DeviceRating => {
                "state the rated flow of the metering device and its test depression in [intake]: it \
                 tells how much of the depression the device itself takes"
            }
            Self::Friction => {
                "let the stand coast with the clutch in and the ignition off: it gives the engine's \
                 friction, which is estimated here"
            }
        }
    }
}

/// The greatest volumetric efficiency, and what is left of it at the top.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Filling {
    /// Where it is greatest.
    pub best_rpm: f64,
    /// How much there.
    pub best: Reading,
    /// Highest speed measured.
    pub top_rpm: f64,
    /// How much there.
    pub top: Reading,
    /// `1 − top / best`; the meter's own error cancels.
    pub shortfall: Reading,
    /// Speed from which on it falls off for good, where it does.
    pub falls_off_rpm: Option<f64>,
}

/// What the intake's depression does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Restriction {
    /// Depression where the filling is best, Pa.
    pub best_pa: Reading,
    /// Depression where the filling begins to fall off, Pa.
    pub falls_off_pa: Option<Reading>,
    /// Depression at the top, Pa.
    pub top_pa: Reading,
    /// Share of the air at the top that an intake without any depression would add.
    pub cost_at_top: Reading,
    /// Share of the filling's shortfall that the rise of depression explains.
    pub share_of_shortfall: Option<Reading>,
}

/// The metering device at the top speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeviceLoad {
    /// Capacity at each of [`TEST_DEPRESSIONS_PA`], m³/s.
    pub capacity_m3_per_s: [f64; 2],
    /// Air that flows at the top, m³/s.
    pub flow_m3_per_s: Reading,
    /// That flow over each capacity.
    pub load: [f64; 2],
    /// Depression that the device by itself needs for that flow of this air, Pa: it goes with density
    /// and the square of the volume flow.
    pub needed_pa: Reading,
    /// That over the measured depression: the rest is taken by filter, box and pipes.
    pub share_of_depression: Option<Reading>,
}

/// What limits a pull.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitReport {
    /// Filling.
    pub filling: Option<Filling>,
    /// Intake.
    pub restriction: Option<Restriction>,
    /// Metering device.
    pub device: Option<DeviceLoad>,
    /// Speeds at which lambda of sensor and flows disagree.
    pub lambda_disagrees_rpm: Vec<f64>,
    /// What was not measured.
    pub missing: Vec<Missing>,
}

/// Volumetric efficiency within this of its greatest has not fallen off (our judgement).
const FALL_OFF: f64 = 0.03;
/// A shortfall smaller than this can't be shared out.
const SHORTFALL_MIN: f64 = 0.02;
/// Density of the air that flow benches are rated with: 20 °C and 101.325 kPa, dry.
const BENCH_AIR_KG_PER_M3: f64 = 1.2041;
/// Ratio of specific heats of the residual gas.
const RESIDUAL_KAPPA: f64 = 1.35;

/// How filling goes with intake pressure, as an exponent: 1 for the density, and a little for the
/// residual gas, which a lower intake pressure lets expand further, `1 + 1/(κ (r − 1))` at equal
/// pressures (Heywood 1988, eq. 6.2, differentiated).
fn pressure_exponent(model: &EngineModel) -> Reading {
    match model.compression_ratio {
        Some(ratio) => Reading::new(1.0 + 1.0 / (RESIDUAL_KAPPA * (ratio - 1.0)), 0.0, 0.05),
        None => Reading::new(1.05, 0.0, 0.06),
    }
}

/// What limits a pull, from its points in order of speed.
#[must_use]
pub fn limits(points: &[EnginePoint], model: &EngineModel, ambient_pa: Measured) -> LimitReport {
    let filled: Vec<(&EnginePoint, Reading)> = points
        .iter()
        .filter_map(|point| Some((point, point.volumetric_efficiency?)))
        .collect();
    let filling = filling(&filled);
    let exponent = pressure_exponent(model);
    let restriction = restriction(points, filling.as_ref(), exponent, ambient_pa);
    let device = model.device.and_then(|device| {
        let top = points.iter().rev().find(|p| p.air_m3_per_s.is_some())?;
        load(&device, top)
    });
    let any = |has: fn(&EnginePoint) -> bool| points.iter().any(has);
    let missing = [
        (Missing::Displacement, model.displacement_m3.is_some()),
        (Missing::AirFlow, any(|p| p.air_kg_per_s.is_some())),
        (Missing::Depression, any(|p| p.depression_pa.is_some())),
        (Missing::Mixture, any(|p| p.best_lambda().is_some())),
        (Missing::FuelFlow, any(|p| p.fuel_kg_per_s.is_some())),
        (Missing::DeviceRating, model.device.is_some()),
    ];
    LimitReport {
        filling,
        restriction,
        device,
        lambda_disagrees_rpm: points
            .iter()
            .filter(|p| p.lambda_disagrees() == Some(true))
            .map(|p| p.rpm)
            .collect(),
        missing: missing
            .iter()
            .filter(|(_, there)| !there)
            .map(|(missing, _)| *missing)
            .collect(),
    }
}

/// One minus a ratio of two readings of the same meter: what is common to them is a scale, and
/// cancels.
fn shortfall(of: Reading, best: Reading) -> Reading {
    let random = |r: Reading| Reading::new(r.value, r.random, 0.0);
    Reading::through([random(of), random(best)], |[of, best]| 1.0 - of / best)
}

fn filling(filled: &[(&EnginePoint, Reading)]) -> Option<Filling> {
    let (best_at, (best_point, best)) = filled
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.1.value.total_cmp(&b.1.1.value))?;
    let (top_point, top) = filled.last()?;
    let has_fallen = |ve: Reading| {
        let short = shortfall(ve, *best);
        short.value > FALL_OFF && short.value > 2.0 * short.standard_uncertainty()
    };
    let above = filled.get(best_at..)?;
    let last_full = above.iter().rposition(|(_, ve)| !has_fallen(*ve))?;
    Some(Filling {
        best_rpm: best_point.rpm,
        best: *best,
        top_rpm: top_point.rpm,
        top: *top,
        shortfall: shortfall(*top, *best),
        falls_off_rpm: above.get(last_full + 1).map(|(point, _)| point.rpm),
    })
}

fn restriction(
    points: &[EnginePoint],
    filling: Option<&Filling>,
    exponent: Reading,
    ambient_pa: Measured,
) -> Option<Restriction> {
    let at = |rpm: f64| {
        let point = points.iter().find(|p| (p.rpm - rpm).abs() < 0.01)?;
        point.depression_pa
    };
    let measured = points.iter().filter(|p| p.depression_pa.is_some());
    let top_rpm = filling.map_or_else(
        || measured.clone().next_back().map(|p| p.rpm),
        |f| Some(f.top_rpm),
    )?;
    let first_rpm = measured.clone().next()?.rpm;
    let top_pa = at(top_rpm)?;
    let best_pa = at(filling.map_or(first_rpm, |f| f.best_rpm))?;
    let ambient = Reading::common(ambient_pa);
    let share = filling
        .filter(|f| f.shortfall.value > SHORTFALL_MIN)
        .map(|f| {
            // The depression sensor's own error shifts both alike: its part is carried by one input.
            let rise = Reading::new(
                top_pa.value - best_pa.value,
                top_pa.random.hypot(best_pa.random),
                0.0,
            );
            Reading::through(
                [rise, best_pa, ambient, exponent, f.shortfall],
                |[rise, low, p, n, short]| {
                    n * ((p - low - rise) / (p - low)).ln() / (1.0 - short).ln()
                },
            )
        });
    Some(Restriction {
        best_pa,
        falls_off_pa: filling.and_then(|f| at(f.falls_off_rpm?)),
        top_pa,
        cost_at_top: Reading::through([top_pa, ambient, exponent], |[depression, p, n]| {
            (p / (p - depression)).powf(n) - 1.0
        }),
        share_of_shortfall: share,
    })
}

fn load(device: &Device, top: &EnginePoint) -> Option<DeviceLoad> {
    let flow = top.air_m3_per_s?;
    let density = top.air_kg_per_s?.value / flow.value;
    let rated = Reading::common(device.flow_m3_per_s);
    let capacity = TEST_DEPRESSIONS_PA
        .map(|pa| flow_at_depression(device.flow_m3_per_s.value, device.depression_pa, pa));
    let needed = Reading::through([flow, rated], |[flow, rated]| {
        device.depression_pa * (flow / rated).powi(2) * density / BENCH_AIR_KG_PER_M3
    });
    Some(DeviceLoad {
        capacity_m3_per_s: capacity,
        flow_m3_per_s: flow,
        load: capacity.map(|capacity| flow.value / capacity),
        needed_pa: needed,
        share_of_depression: top
            .depression_pa
            .filter(|pa| pa.value > 0.0)
            .map(|pa| Reading::through([needed, pa], |[needed, pa]| needed / pa)),
    })
}
