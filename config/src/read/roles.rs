//! What a channel tells of the engine, and the flow meters behind it.

use leverarm_torque::engine::{FlowElement, FlowMeter, King, Role, SensorDelay, Taps};
use leverarm_torque::sensor::Law;

use super::Unique;
use crate::reader::{Choice, Item, MeasuredQuantity, Number, Quantity as Q, Section, Whole};
use crate::stand::Quantity;
use crate::units;

/// What a channel tells of the engine, with what it takes to use it.
pub(super) struct Telling {
    pub(super) role: Option<Role>,
    pub(super) delay: SensorDelay,
    pub(super) settling_m3: Option<f64>,
}

/// `measures`, `cylinder`, `delay`, `pipe_volume` and `settling_volume`.
pub(super) fn telling(
    section: &Section<'_>,
    quantity: Option<Quantity>,
    has_meter: bool,
    roles: &mut Unique<Role>,
) -> Option<Telling> {
    let Some(item) = section.item("measures") else {
        if has_meter {
            section.missing("measures", "\"air flow\": that is what this law is for");
            section.item("settling_volume"); // one mistake, one message
            return None;
        }
        return Some(Telling {
            role: None,
            delay: SensorDelay::default(),
            settling_m3: None,
        });
    };
    let mut role = item.read(&Choice(&Role::WORDS))?;
    if let Role::ExhaustTemperature(cylinder) = &mut role {
        *cylinder = section.optional("cylinder", &Whole(1..=16)).unwrap_or(1);
    }
    let delay = if role == Role::Lambda {
        delay(section)?
    } else {
        SensorDelay::default()
    };
    let settling_m3 = if role == Role::AirFlow {
        let volume = Q(&units::VOLUME, Some(("0.1 L", "10 m^3")));
        section.optional("settling_volume", &volume)
    } else {
        None
    };
    roles.check(Some(role), Some(item));
    fits(section, role, quantity?, has_meter)?;
    Some(Telling {
        role: Some(role),
        delay,
        settling_m3,
    })
}

fn delay(section: &Section<'_>) -> Option<SensorDelay> {
    let optional = |key, kind, bounds| {
        let item = section.item(key);
        item.map_or(Some(0.0), |item: Item<'_>| {
            item.read(&Q(kind, Some(bounds)))
        })
    };
    let fixed_s = optional("delay", &units::DURATION, ("0 s", "5 s"));
    let pipe_m3 = optional("pipe_volume", &units::VOLUME, ("0 L", "100 L"));
    Some(SensorDelay {
        fixed_s: fixed_s?,
        pipe_m3: pipe_m3?,
    })
}

/// The quantities that can tell it.
const fn quantities(role: Role) -> &'static [Quantity] {
    match role {
        Role::FuelFlow | Role::AirFlow => &[Quantity::MassFlow, Quantity::VolumeFlow],
        Role::FuelMass => &[Quantity::Mass],
        Role::Lambda => &[Quantity::Number],
        Role::FuelPressure
        | Role::ManifoldPressure
        | Role::IntakeDepression
        | Role::OilPressure
        | Role::BackPressure
        | Role::CrankcasePressure => &[Quantity::Pressure],
        Role::ExhaustTemperature(_) | Role::OilTemperature | Role::CoolantTemperature => {
            &[Quantity::Temperature]
        }
        Role::Throttle => &[Quantity::Fraction],
        Role::Battery => &[Quantity::Voltage],
    }
}

fn fits(section: &Section<'_>, role: Role, quantity: Quantity, has_meter: bool) -> Option<()> {
    let fits = if has_meter {
        role == Role::AirFlow
    } else {
        quantities(role).contains(&quantity)
    };
    if fits {
        return Some(());
    }
    let expected = if has_meter {
        "\"air flow\": that is what this law is for".to_owned()
    } else {
        let kinds: Vec<String> = quantities(role)
            .iter()
            .map(|quantity| quantity.kind().to_string())
            .collect();
        format!("a channel whose values are each {}", kinds.join(" or "))
    };
    if let Some(item) = section.item("measures") {
        item.fault("this channel can't measure that", expected, None);
    }
    None
}

/// The scale of a pulse meter.
pub(super) fn pulses(section: &Section<'_>) -> Option<(Quantity, Law)> {
    let item = section.item("per_pulse");
    let Some(item) = item else {
        section.missing("per_pulse", PER_PULSE);
        return None;
    };
    let text = item.text().unwrap_or_default();
    let mass = units::measured(text, &units::MASS).map(|m| (Quantity::MassFlow, m.value));
    let read = mass.or_else(|_| {
        units::measured(text, &units::VOLUME).map(|m| (Quantity::VolumeFlow, m.value))
    });
    match read {
        Ok((quantity, per_pulse)) if per_pulse > 0.0 => Some((quantity, Law::Pulses { per_pulse })),
        Ok(_) => {
            item.fault("a pulse is worth something", PER_PULSE, None);
            None
        }
        Err(_) => {
            item.fault("this is no mass and no volume", PER_PULSE, None);
            None
        }
    }
}

const PER_PULSE: &str = "what a pulse is worth, such as \"0.02 mL\" or \"0.015 g\"";

/// A thermal meter by its voltage without flow and at one known flow.
pub(super) fn thermal(section: &Section<'_>) -> Option<Law> {
    let per_count = Q(
        &units::VOLTAGE_PER_COUNT,
        Some(("1e-9 V/count", "1 V/count")),
    );
    let volt_per_count = section.required("per_count", &per_count);
    let volt_at_zero = section
        .item("at_zero")
        .map_or(Some(0.0), |item| item.read(&Q(&units::VOLTAGE, None)));
    let volt = Q(&units::VOLTAGE, Some(("0 V", "20 V")));
    let at_rest_v = section.required("at_rest", &volt);
    let flow = MeasuredQuantity(&units::MASS_FLOW, ("0.01 kg/h", "20000 kg/h"));
    let known_flow = section.required("known_flow", &flow);
    let at_flow_v = section.required("at_known_flow", &volt);
    let exponent = section.optional("exponent", &Number(0.3..=0.7));
    let (at_rest_v, at_flow_v) = (at_rest_v?, at_flow_v?);
    if at_flow_v <= at_rest_v {
        if let Some(item) = section.item("at_known_flow") {
            let expected = "more than \"at_rest\": flow cools the wire, which takes more voltage";
            item.fault("the voltage rises with flow", expected, None);
        }
        return None;
    }
    Some(Law::Thermal {
        volt_per_count: volt_per_count?,
        volt_at_zero: volt_at_zero?,
        meter: King {
            at_rest_v,
            at_flow_v,
            flow_kg_per_s: known_flow?.value,
            exponent: exponent.unwrap_or(0.5),
        },
    })
}

/// An orifice or nozzle and the pressure sensor over it.
pub(super) fn difference(section: &Section<'_>, is_orifice: bool) -> Option<(Law, FlowMeter)> {
    const TAPS: &[(&str, Taps)] = &[
        ("corner", Taps::Corner),
        ("d and d/2", Taps::DAndHalfD),
        ("flange", Taps::Flange),
    ];
    let per_count = Q(&units::PRESSURE_PER_COUNT, None);
    let per_count = section.required("per_count", &per_count);
    let at_zero = section
        .item("at_zero")
        .map_or(Some(0.0), |item| item.read(&Q(&units::PRESSURE, None)));
    let length = Q(&units::LENGTH, Some(("2 mm", "500 mm")));
    let bore_m = section.required("bore", &length);
    let pipe_m = section
        .item("pipe")
        .map_or(Some(None), |item| item.read(&length).map(Some));
    let element = if is_orifice {
        let taps = section.optional("taps", &Choice(TAPS));
        FlowElement::Orifice(taps.unwrap_or(Taps::Corner))
    } else {
        FlowElement::Nozzle
    };
    let discharge = section.optional("discharge_coefficient", &Number(0.3..=1.1));
    let (bore_m, pipe_m) = (bore_m?, pipe_m?);
    if let Some(pipe_m) = pipe_m
        && bore_m > 0.8 * pipe_m
    {
        if let Some(item) = section.item("bore") {
            let expected = "a bore of at most 0.8 of the pipe (ISO 5167)";
            item.fault("the bore is too large for the pipe", expected, None);
        }
        return None;
    }
    Some((
        Law::Linear {
            per_count: per_count?,
            at_zero: at_zero?,
        },
        FlowMeter {
            element,
            bore_m,
            pipe_m,
            discharge,
        },
    ))
}
