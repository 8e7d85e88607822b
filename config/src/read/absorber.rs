//! `[absorber]`: what the board can command.

use leverarm_load::absorber::{Absorber, COOL_K, Follows, Heat, Kind, Output, WithoutPower};

use crate::reader::{Choice, Flag, List, Number, Pair, Quantity as Q, Section};
use crate::stand::StandAbsorber;
use crate::units;

const KINDS: &[(&str, Kind)] = &[
    ("eddy current", Kind::EddyCurrent),
    ("water", Kind::Water),
    ("hydraulic", Kind::Hydraulic),
    ("generator", Kind::Generator),
];

const OUTPUTS: &[(&str, Output)] = &[
    ("pwm", Output::Pwm),
    ("analog", Output::Analog),
    ("servo", Output::Servo),
    ("stepper", Output::Stepper),
];

const WITHOUT_POWER: &[(&str, WithoutPower)] = &[
    ("lets go", WithoutPower::LetsGo),
    ("stays", WithoutPower::Stays),
    ("holds", WithoutPower::Holds),
];

pub(super) fn absorber(section: Section<'_>) -> Option<StandAbsorber> {
    let kind = section.required("kind", &Choice(KINDS));
    let full_torque = torques(&section, "full_torque");
    if !section.has("full_torque") {
        section.missing(
            "full_torque",
            "a list of speeds of the absorber's shaft and torques with full output, as in \
             [[\"1000 rpm\", \"40 N*m\"], [\"3000 rpm\", \"35 N*m\"]]",
        );
    }
    let engine_torque = torques(&section, "engine_torque");
    let torque_of_output = torque_of_output(&section);
    let stall_rad_per_s = section.optional(
        "stall_speed",
        &Q(&units::ROTATION, Some(("100 rpm", "10000 rpm"))),
    );
    let output = section.required("output", &Choice(OUTPUTS));
    let without_power = section.required("without_power", &Choice(WITHOUT_POWER));
    let time_constant_s =
        section.required("time_constant", &Q(&units::DURATION, Some(("1 ms", "5 s"))));
    let follows = kind.and_then(|kind| follows(&section, kind, time_constant_s));
    if kind.is_none() {
        section.excuse_rest();
    }
    let heat = heat(&section);
    section.finish();

    let kind = kind?;
    Some(StandAbsorber {
        absorber: Absorber {
            kind,
            full_torque: full_torque?,
            torque_of_output: torque_of_output?.unwrap_or_else(|| kind.usual_torque_of_output()),
            follows: follows?,
            heat: heat?,
            output: output?,
            without_power: without_power?,
        },
        engine_torque: engine_torque?,
        stall_rad_per_s,
    })
}

/// Speeds and torques, two or more points or none at all.
fn torques(section: &Section<'_>, key: &'static str) -> Option<Vec<(f64, f64)>> {
    let Some(item) = section.item(key) else {
        return Some(Vec::new());
    };
    let speed = Q(&units::ROTATION, Some(("10 rpm", "30000 rpm")));
    let torque = Q(&units::TORQUE, Some(("0.1 N*m", "10 kN*m")));
    let points = item.read(&List(Pair(speed, torque)))?;
    let expected = "two or more points, the lowest speed first";
    if points.len() < 2 {
        item.fault("one point is no curve", expected, None);
        return None;
    }
    if !points.is_sorted_by(|left, right| left.0 < right.0) {
        item.fault("the speeds have to rise", expected, None);
        return None;
    }
    Some(points)
}

fn torque_of_output(section: &Section<'_>) -> Option<Option<Vec<(f64, f64)>>> {
    let Some(item) = section.item("torque_of_output") else {
        return Some(None);
    };
    let share = || Q(&units::FRACTION, Some(("0.1 %", "99.9 %")));
    let between = item.read(&List(Pair(share(), share())))?;
    let points = [vec![(0.0, 0.0)], between, vec![(1.0, 1.0)]].concat();
    if !points.is_sorted_by(|left, right| left.0 < right.0 && left.1 < right.1) {
        let expected = "points between 0 % and 100 %, which are not among them";
        item.fault("output and torque have to rise", expected, None);
        return None;
    }
    Some(Some(points))
}

fn follows(section: &Section<'_>, kind: Kind, time_constant_s: Option<f64>) -> Option<Follows> {
    match kind {
        Kind::EddyCurrent => {
            let resistance = section.required(
                "coil_resistance",
                &Q(&units::RESISTANCE, Some(("10 mohm", "1 kohm"))),
            );
            let forcing = section.optional("forcing", &Number(1.0..=10.0));
            let fast_decay = section.optional("fast_decay", &Flag);
            Some(Follows::Coil {
                resistance_ohm: resistance?,
                time_constant_s: time_constant_s?,
                forcing: forcing.unwrap_or(1.0),
                fast_decay: fast_decay.unwrap_or(false),
            })
        }
        Kind::Water | Kind::Hydraulic => {
            let stroke = section.required("stroke", &Q(&units::DURATION, Some(("10 ms", "60 s"))));
            Some(Follows::Valve {
                stroke_s: stroke?,
                fill_s: time_constant_s?,
            })
        }
        Kind::Generator => Some(Follows::Electronics {
            time_constant_s: time_constant_s?,
        }),
    }
}

fn heat(section: &Section<'_>) -> Option<Heat> {
    let capacity = section.required(
        "heat_capacity",
        &Q(&units::HEAT_CAPACITY, Some(("100 J/K", "10 MJ/K"))),
    );
    let lasting = section.required("lasting_power", &Q(&units::POWER, Some(("0 W", "2 MW"))));
    let temperature_max = section.required(
        "temperature_max",
        &Q(&units::TEMPERATURE, Some(("40 degC", "900 degC"))),
    );
    let fade = section.optional("fade", &Q(&units::FRACTION, Some(("0 %", "90 %"))));
    let temperature_max_k = temperature_max?;
    Some(Heat {
        capacity_j_per_k: capacity?,
        cooling_w_per_k: lasting? / (temperature_max_k - COOL_K),
        fade_per_k: fade.unwrap_or(0.0) / (temperature_max_k - COOL_K),
        temperature_max_k,
    })
}
