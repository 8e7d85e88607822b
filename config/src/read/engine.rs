//! `[engine]` and `[intake]`.

use std::f64::consts::PI;

use leverarm_torque::engine::{Device, Fuel, FuelKind};
use leverarm_torque::uncertainty::Measured;

use super::if_there;
use crate::reader::{Choice, MeasuredQuantity, Number, Quantity as Q, Section, Text, Whole};
use crate::stand::Engine;
use crate::units;

/// Working cycles per crank turn by the word for the engine's cycle.
const STROKES: &[(&str, f64)] = &[("four", 0.5), ("two", 1.0)];

/// A stated displacement may differ from that of bore and stroke by so much: names are rounded.
const DISPLACEMENT_TOLERANCE: f64 = 0.03;

pub(super) fn engine(section: Section<'_>, intake: Option<Section<'_>>) -> Option<Engine> {
    let name = section.optional("name", &Text("140 cc single"));
    let stated = section.optional("displacement", &Q(&units::VOLUME, Some(("1 cc", "30 L"))));
    let length = |key| section.optional(key, &Q(&units::LENGTH, Some(("10 mm", "300 mm"))));
    let (bore_m, stroke_m) = (length("bore"), length("stroke"));
    let cylinders = section.optional("cylinders", &Whole(1..=16)).unwrap_or(1);
    let compression_ratio = section.optional("compression_ratio", &Number(4.0..=30.0));
    let inertia_kg_m2 = section.optional(
        "inertia",
        &MeasuredQuantity(&units::INERTIA, ("1e-6 kg*m^2", "100 kg*m^2")),
    );
    let strokes = section.optional("strokes", &Choice(STROKES));
    let fuel = fuel(&section);
    let device = if_there(intake.map(device));
    let displacement_m3 = displacement(&section, stated, bore_m.zip(stroke_m), cylinders);
    section.finish();
    Some(Engine {
        name: name.unwrap_or_default(),
        displacement_m3: displacement_m3?,
        bore_m,
        stroke_m,
        cylinders,
        compression_ratio,
        fuel,
        device: device?,
        inertia_kg_m2: inertia_kg_m2.unwrap_or(Measured::exact(0.0)),
        cycles_per_turn: strokes.unwrap_or(0.5),
    })
}

/// The stated displacement, or that of bore, stroke and cylinders; they have to agree.
fn displacement(
    section: &Section<'_>,
    stated: Option<f64>,
    bore_and_stroke: Option<(f64, f64)>,
    cylinders: u8,
) -> Option<Option<f64>> {
    let swept = bore_and_stroke
        .map(|(bore, stroke)| f64::from(cylinders) * PI / 4.0 * bore * bore * stroke);
    if let (Some(stated), Some(swept)) = (stated, swept)
        && (stated / swept - 1.0).abs() > DISPLACEMENT_TOLERANCE
        && let Some(item) = section.item("displacement")
    {
        item.fault(
            "displacement does not fit bore, stroke and cylinders",
            format!("{:.1} cc, which these make, within 3 %", swept * 1e6),
            None,
        );
        return None;
    }
    Some(stated.or(swept))
}

/// The fuel by its name, with what was measured of it.
fn fuel(section: &Section<'_>) -> Fuel {
    let kinds: Vec<(&str, FuelKind)> = FuelKind::ALL.map(|kind| (kind.word(), kind)).into();
    let kind = section.optional("fuel", &Choice(&kinds));
    let known = kind.unwrap_or(FuelKind::Petrol).fuel();
    let density = section.optional(
        "fuel_density",
        &MeasuredQuantity(&units::DENSITY, ("600 kg/m^3", "1000 kg/m^3")),
    );
    let ratio = section.optional(
        "stoichiometric_ratio",
        &MeasuredQuantity(&units::RATIO, ("5", "18")),
    );
    let heating_value = section.optional(
        "heating_value",
        &MeasuredQuantity(&units::HEATING_VALUE, ("10 MJ/kg", "60 MJ/kg")),
    );
    Fuel {
        stoichiometric_ratio: ratio.unwrap_or(known.stoichiometric_ratio),
        density_kg_per_m3: density.unwrap_or(known.density_kg_per_m3),
        heating_value_j_per_kg: heating_value.unwrap_or(known.heating_value_j_per_kg),
    }
}

/// Rated capacity of the metering device.
fn device(section: Section<'_>) -> Option<Device> {
    let flow = section.required(
        "flow",
        &MeasuredQuantity(&units::VOLUME_FLOW, ("0.1 L/s", "5 m^3/s")),
    );
    let depression = section.required(
        "test_depression",
        &Q(&units::PRESSURE, Some(("0.1 kPa", "30 kPa"))),
    );
    section.finish();
    Some(Device {
        flow_m3_per_s: flow?,
        depression_pa: depression?,
    })
}
