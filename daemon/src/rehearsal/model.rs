//! A simulated stand after a person's own stand file, so that they can rehearse with their limits,
//! channels and pull rules.

use leverarm_config::{
    AirInput, Channel, ChannelId, LimitOf, Quantity, Shaft as ConfigShaft, Side, Signal, Source,
    Stand, StandKind,
};
use leverarm_torque::air::{Air, Correction};
use leverarm_torque::engine::Role;
use leverarm_torque::sensor::Law;

use leverarm_software_stand::{
    AbsorberModel, AnalogChannel, AnalogSensor, AnalogSource, Breathing, Drum, Engine, Exhaust,
    ForceChannel, Hum, Intake, Losses, Mixture, Pickup, PickupFault, Reaction, Relay, RiderScript,
    Setup, Shaft, StandAir, StandModel, TemperatureChannel, TemperatureLaw, TemperatureSource,
    ThrottleBody, rad_per_s, rpm,
};

/// Where the file does not say how large the engine is, it is as strong as a pull of this length needs.
const PULL_S: f64 = 4.0;
/// An absorber lets the engine through its speeds in so long (common practice, no source).
const SWEEP_S: f64 = 6.0;
/// The person brakes the drum from the end speed to a standstill in so long.
pub const BRAKING_S: f64 = 6.0;
/// Slower than this, a person brakes a drum that was to run out by itself, rad/s: its losses alone
/// need not ever stop it.
const CRAWLING_RAD_PER_S: f64 = 1.0;
/// The simulated head gets no hotter than this between pulls, K.
const HOT_HEAD_K: f64 = 450.0;
/// What a guard watches stays this far below its limit when all is well, K.
const BELOW_LIMIT_K: f64 = 15.0;
/// Only exhaust gas is expected to be as hot, K.
const EXHAUST_K: f64 = 900.0;
/// Top speed of the engine that the others are scaled from.
const TOP_RPM: f64 = 9000.0;
/// A brake stand's absorber has some inertia too.
const ABSORBER_KG_M2: f64 = 0.3;
/// Steps a second of the simulated board's loop.
const LOOP_HZ: u16 = 1_000;
/// Smallest inertia of the engine's own parts that can be simulated with a clutch.
const ENGINE_KG_M2_MIN: f64 = 1e-3;

/// The simulated stand for a stand file: its drum, drive, losses, pickups, channels and air are the
/// file's; the engine is [`engine_of`] it.
#[must_use]
pub fn model_of(stand: &Stand) -> StandModel {
    let base = StandModel::pit_bike();
    let ratio = stand.drive.engine_per_drum.value;
    let inertia_kg_m2 = match (&stand.drum, stand.kind) {
        (Some(drum), _) => drum.inertia_kg_m2.value,
        (None, _) => ABSORBER_KG_M2,
    };
    let engine_inertia = stand.engine.inertia_kg_m2.value.max(ENGINE_KG_M2_MIN);
    // Where the file leaves the engine's inertia out, the curves show what reaches the drum: the
    // simulated drum takes back what the simulated engine can't do without.
    let unstated = (engine_inertia - stand.engine.inertia_kg_m2.value) * ratio * ratio;
    let inertia_kg_m2 = (inertia_kg_m2 - unstated).max(0.1 * inertia_kg_m2);
    let air = simulated_air(stand);
    let kg_per_pulse = |role, otherwise: f64| {
        let meter = pulse_meter(stand, role);
        meter.map_or(otherwise, |(_, per_pulse, quantity)| {
            per_pulse * kg_per_unit(stand, &air, role, quantity)
        })
    };
    StandModel {
        drum: Drum {
            inertia_kg_m2,
            losses: Losses {
                c0_nm: stand.losses.constant_nm.max(0.0),
                c1_nm_s: stand.losses.linear_nm_s_per_rad.max(0.0),
                c2_nm_s2: stand.losses.quadratic_nm_s2_per_rad2.max(0.0),
            },
        },
        engine: Engine {
            inertia_kg_m2: engine_inertia,
            ..engine_of(stand, Setup::MainJet105)
        },
        ratio,
        clutch_torque_nm: 1e3,
        clutch_holds_nm: f64::INFINITY,
        drive: None,
        pickups: pickups(stand, &base),
        forces: forces(stand),
        analogs: analogs(stand, &air),
        analog_rate_hz: base.analog_rate_hz,
        fuel_kg_per_turn: kg_per_pulse(Role::FuelFlow, base.fuel_kg_per_turn),
        air_kg_per_turn: kg_per_pulse(Role::AirFlow, base.air_kg_per_turn),
        temperatures: temperatures(stand),
        absorber: absorber(stand, base.board.tick_hz),
        relay: Relay::Opens,
        board: leverarm_software_stand::BoardModel {
            baud: stand.port.baud,
            ..base.board
        },
        air,
    }
}

/// The absorber as the file has it, and its loop as the file's settings make it.
fn absorber(stand: &Stand, tick_hz: u32) -> Option<AbsorberModel> {
    let stated = stand.absorber.as_ref()?;
    let ratio = stand.drive.engine_per_drum.value;
    let inertia_kg_m2 =
        stand.drum.as_ref()?.inertia_kg_m2.value + ratio * ratio * stand.engine.inertia_kg_m2.value;
    let task = stand.load_task(LOOP_HZ, tick_hz, inertia_kg_m2, 1.0).ok()?;
    Some(AbsorberModel::as_stated(stated.absorber.clone(), task))
}

/// The input of a meter with pulses, and what one is worth: kg or m³.
fn pulse_meter(stand: &Stand, role: Role) -> Option<(u8, f64, Quantity)> {
    let mut channels = stand.channels.iter();
    channels.find_map(|channel| match (channel.source, channel.law) {
        (Source::Pulses(number), Law::Pulses { per_pulse }) if channel.role == Some(role) => {
            Some((number, per_pulse, channel.quantity))
        }
        _ => None,
    })
}

/// The simulation knows masses: what one kilogram or cubic metre of a flow's quantity is, kg.
fn kg_per_unit(stand: &Stand, air: &StandAir, role: Role, quantity: Quantity) -> f64 {
    match (quantity, role) {
        (Quantity::VolumeFlow, Role::FuelFlow) => stand.engine.fuel.density_kg_per_m3.value,
        (Quantity::VolumeFlow, _) => air.density_kg_per_m3(),
        _ => 1.0,
    }
}

/// Pulls over the speeds of the stand file's rules, against the absorber where the stand is a brake.
#[must_use]
pub fn script_of(stand: &Stand, pulls: u32) -> RiderScript {
    let rules = &stand.pull;
    // Starts below the start speed, so that it is passed under full throttle, and goes a little over
    // the end speed.
    RiderScript {
        warm_up_rad_per_s: 0.8 * rules.start_rad_per_s,
        start_rad_per_s: 0.92 * rules.start_rad_per_s,
        end_rad_per_s: 1.01 * rules.end_rad_per_s,
        coast_s: rules.coast_s + 0.1,
        braking_rad_per_s2: drum_at_the_end(stand) / BRAKING_S,
        sweep_s: (stand.kind == StandKind::Brake).then_some(SWEEP_S),
        ..RiderScript::pit_bike(pulls)
    }
}

/// The same with a drum that runs out by itself after each pull.
#[must_use]
pub fn coasting(script: RiderScript) -> RiderScript {
    RiderScript {
        braked_below_rad_per_s: CRAWLING_RAD_PER_S,
        ..script
    }
}

/// Drum speed at the end of a pull, rad/s.
fn drum_at_the_end(stand: &Stand) -> f64 {
    stand.pull.end_rad_per_s / stand.drive.engine_per_drum.value
}

/// How long the simulated drum takes from the end of a pull to a crawl by its losses alone, s:
/// the integral of J dω over the loss. Infinite where the file states none.
#[must_use]
pub fn run_out_s(stand: &Stand) -> f64 {
    const STEPS: u32 = 1000;
    let drum = model_of(stand).drum;
    let span = (drum_at_the_end(stand) - CRAWLING_RAD_PER_S).max(0.0);
    let step = span / f64::from(STEPS);
    let speeds = (0..STEPS).map(|i| CRAWLING_RAD_PER_S + (f64::from(i) + 0.5) * step);
    let times = speeds.map(|speed| drum.inertia_kg_m2 * step / drum.losses.torque_nm(speed));
    times.sum()
}

fn simulated_air(stand: &Stand) -> StandAir {
    let base = StandModel::pit_bike().air;
    let entered = |input: AirInput, otherwise: f64| match input {
        AirInput::Entered(value) => value.value,
        AirInput::Channel(_) => otherwise,
    };
    let pressure_pa = entered(stand.air.pressure_pa, base.pressure_pa);
    let temperature_k = entered(stand.air.temperature_k, base.temperature_k);
    let relative_humidity = entered(stand.air.relative_humidity, base.relative_humidity);
    let factor = Air::new(pressure_pa, temperature_k, relative_humidity).map_or(1.0, |air| {
        Correction::Iso1585SparkIgnition.factor(&air).factor
    });
    StandAir {
        pressure_pa,
        temperature_k,
        relative_humidity,
        torque_divisor: factor,
    }
}

/// The demonstration's engine with a setup, made as large as the file's: its torque goes with the
/// displacement that is filled in a turn, its speeds with the end of a pull.
#[must_use]
pub fn engine_of(stand: &Stand, setup: Setup) -> Engine {
    let base = Engine::pit_bike(setup);
    let speed = rpm(stand.pull.end_rad_per_s) / TOP_RPM;
    let torque = if stand.engine.displacement_m3.is_some() {
        filled(stand, &base.breathing)
    } else {
        needed_nm(stand) / base.full_throttle.torque_nm(rad_per_s(6000.0))
    };
    let mut engine = base.clone();
    engine.full_throttle = base.full_throttle.stretched(torque, speed);
    engine.idle_rad_per_s = base.idle_rad_per_s * speed;
    engine.drag.constant_nm *= torque;
    engine.drag.per_speed_nm_s *= torque / speed;
    engine.head.heat_per_power /= (torque * speed).max(1e-3);
    engine.breathing = breathing(stand, base.breathing, torque, speed);
    engine.inertia_kg_m2 = stand.engine.inertia_kg_m2.value.max(ENGINE_KG_M2_MIN);
    engine
}

/// Torque for a pull of [`PULL_S`], N·m.
fn needed_nm(stand: &Stand) -> f64 {
    let ratio = stand.drive.engine_per_drum.value;
    let drum_kg_m2 = stand
        .drum
        .as_ref()
        .map_or(ABSORBER_KG_M2, |drum| drum.inertia_kg_m2.value);
    let engine_kg_m2 = stand.engine.inertia_kg_m2.value.max(ENGINE_KG_M2_MIN);
    let locked_kg_m2 = drum_kg_m2 / (ratio * ratio) + engine_kg_m2;
    locked_kg_m2 * (stand.pull.end_rad_per_s - stand.pull.start_rad_per_s) / PULL_S
}

/// How many times the demonstration's displacement is filled in a turn.
fn filled(stand: &Stand, base: &Breathing) -> f64 {
    let displacement_m3 = stand.engine.displacement_m3;
    let displacement_m3 = displacement_m3.unwrap_or(base.displacement_m3);
    displacement_m3 / base.displacement_m3 * base.turns_per_cycle * stand.engine.cycles_per_turn
}

/// Breathing for a torque and speeds that are so many times the demonstration's: the file's
/// displacement, fuel, intake and exhaust, and the demonstration's filling and mixture.
fn breathing(stand: &Stand, base: Breathing, torque: f64, speed: f64) -> Breathing {
    let engine = &stand.engine;
    let displacement_m3 = engine.displacement_m3.unwrap_or(base.displacement_m3);
    let turns_per_cycle = 1.0 / engine.cycles_per_turn;
    let filled = filled(stand, &base);
    let scaled = |(from, to): (f64, f64)| (from * speed, to * speed);
    let lambda = stand.channels.iter().find(|c| c.role == Some(Role::Lambda));
    Breathing {
        displacement_m3,
        turns_per_cycle,
        mixture: Mixture {
            first_rpm: scaled(base.mixture.first_rpm),
            second_rpm: scaled(base.mixture.second_rpm),
            ..base.mixture
        },
        throttle: ThrottleBody {
            choking_rad_per_s: base.throttle.choking_rad_per_s * speed,
            ..base.throttle
        },
        work_j_per_kg: base.work_j_per_kg * torque / filled,
        stoichiometric_ratio: engine.fuel.stoichiometric_ratio.value,
        intake: engine.device.map_or(
            Intake {
                flow_m3_per_s: base.intake.flow_m3_per_s * filled * speed,
                ..base.intake
            },
            |device| Intake {
                flow_m3_per_s: device.flow_m3_per_s.value,
                depression_pa: device.depression_pa,
            },
        ),
        exhaust: lambda.map_or(base.exhaust, |channel| Exhaust {
            pipe_m3: channel.delay.pipe_m3,
            sensor_s: channel.delay.fixed_s,
            ..base.exhaust
        }),
    }
}

fn pickups(stand: &Stand, base: &StandModel) -> Vec<Pickup> {
    let count = stand
        .pickups
        .iter()
        .map(|p| usize::from(p.channel) + 1)
        .max()
        .unwrap_or(0);
    let meters = [
        (Role::FuelFlow, Shaft::FuelMeter),
        (Role::AirFlow, Shaft::AirMeter),
    ]
    .map(|(role, shaft)| Some((usize::from(pulse_meter(stand, role)?.0), shaft)));
    let inputs = meters.iter().flatten().map(|(number, _)| number + 1);
    let count = count.max(inputs.max().unwrap_or(0));
    let mut pickups = vec![Pickup::perfect(Shaft::Drum, 1); count];
    for (number, shaft) in meters.into_iter().flatten() {
        if let Some(slot) = pickups.get_mut(number) {
            *slot = Pickup::perfect(shaft, 1);
        }
    }
    for pickup in &stand.pickups {
        let shaft = match pickup.shaft {
            ConfigShaft::Drum => Shaft::Drum,
            ConfigShaft::Engine => Shaft::Engine,
        };
        if let Some(slot) = pickups.get_mut(usize::from(pickup.channel)) {
            *slot = Pickup {
                position_error_rms: if pickup.teeth > 1 { 0.003 } else { 0.0 },
                jitter_rms_s: base.pickups.first().map_or(0.0, |p| p.jitter_rms_s),
                fault: PickupFault {
                    teeth_gone: (1 << pickup.missing) - 1,
                    ..PickupFault::default()
                },
                ..Pickup::perfect(shaft, pickup.teeth)
            };
        }
    }
    pickups
}

fn forces(stand: &Stand) -> Vec<ForceChannel> {
    let Some(cell) = &stand.load_cell else {
        return Vec::new();
    };
    let reaction = match (cell.shaft, stand.kind) {
        (ConfigShaft::Engine, _) => Reaction::Engine,
        (ConfigShaft::Drum, StandKind::Brake | StandKind::Both | StandKind::Inertia) => {
            Reaction::Brake
        }
    };
    let channel = ForceChannel {
        reaction,
        arm_m: cell.arm_m.value,
        counts_per_n: cell.sign / cell.newton_per_count.value,
        zero_counts: cell.zero_counts,
        noise_counts_rms: 40.0,
        lag_s: 0.02,
        rate_hz: 80,
        hum: Hum::default(),
        shaking: 0.0,
    };
    vec![channel; usize::from(cell.channel) + 1]
}

/// Counts at which a law gives a value, by bisection over the converter's range; the middle of it
/// where it never does.
fn counts_for(law: &Law, si: f64, range: (f64, f64)) -> f64 {
    let off = |counts: f64| {
        law.si(counts, Some(298.15))
            .map_or(f64::NAN, |value| value - si)
    };
    let (mut low, mut high) = range;
    let steps = 400;
    let mut previous: Option<(f64, f64)> = None;
    for i in 0..=steps {
        let counts = low + (high - low) * f64::from(i) / f64::from(steps);
        let here = off(counts);
        if let Some((before, there)) = previous
            && there * here <= 0.0
        {
            (low, high) = (before, counts);
            for _ in 0..50 {
                let middle = 0.5 * (low + high);
                if off(middle) * there > 0.0 {
                    low = middle
                } else {
                    high = middle
                }
            }
            return 0.5 * (low + high);
        }
        previous = here.is_finite().then_some((counts, here));
    }
    0.5 * (range.0 + range.1)
}

/// What an analog channel would plausibly show at rest.
fn plausible(channel: &Channel, air: &StandAir) -> f64 {
    let usual = match channel.quantity {
        Quantity::Temperature => air.temperature_k,
        Quantity::Pressure => air.pressure_pa,
        Quantity::Fraction => air.relative_humidity,
        Quantity::Number => 0.94,
        Quantity::Voltage => 12.6,
        // Nothing flows, hangs or moves.
        _ => 0.0,
    };
    match channel.expected_si {
        Some((low, high)) if !(low..=high).contains(&usual) => 0.5 * (low + high),
        _ => usual,
    }
}

/// Channels that a board needs for those of the stand file, whose numbers `number` tells.
fn channels_needed(stand: &Stand, number: impl Fn(Source) -> Option<usize>) -> usize {
    let numbers = stand.channels.iter().filter_map(|c| number(c.source));
    numbers.map(|n| n + 1).max().unwrap_or(0)
}

fn analogs(stand: &Stand, air: &StandAir) -> Vec<AnalogChannel> {
    let number = |source: Source| match source {
        Source::Analog(n) => Some(usize::from(n)),
        Source::Temperature(_) | Source::Pulses(_) => None,
    };
    let mut analogs = vec![
        AnalogChannel::new(AnalogSource::Constant(0.0), 0.0, 1.0, 0.7);
        channels_needed(stand, number)
    ];
    for (index, channel) in stand.channels.iter().enumerate() {
        let Some(slot) = number(channel.source).and_then(|n| analogs.get_mut(n)) else {
            continue;
        };
        let is_air =
            |input: AirInput| matches!(input, AirInput::Channel(ChannelId(id)) if id == index);
        let source = if is_air(stand.air.pressure_pa) {
            Some(AnalogSource::AirPressure)
        } else if is_air(stand.air.temperature_k) {
            Some(AnalogSource::AirTemperature)
        } else if is_air(stand.air.relative_humidity) {
            Some(AnalogSource::RelativeHumidity)
        } else {
            channel.role.map(AnalogSource::Engine)
        };
        *slot = match (source, channel.law) {
            (
                Some(source),
                Law::Thermal {
                    volt_per_count,
                    volt_at_zero,
                    meter,
                },
            ) => AnalogChannel {
                sensor: AnalogSensor::Thermal(meter),
                ..AnalogChannel::new(source, volt_at_zero, volt_per_count, 0.7)
            },
            (Some(source), Law::Linear { per_count, at_zero }) if channel.meter.is_some() => {
                AnalogChannel {
                    sensor: channel
                        .meter
                        .map_or(AnalogSensor::Straight, AnalogSensor::Difference),
                    ..AnalogChannel::new(source, at_zero, per_count, 0.7)
                }
            }
            (Some(source), Law::Linear { per_count, at_zero })
                if channel.quantity == Quantity::VolumeFlow =>
            {
                let role = channel.role.unwrap_or(Role::AirFlow);
                let kg = kg_per_unit(stand, air, role, channel.quantity);
                AnalogChannel::new(source, at_zero * kg, per_count * kg, 0.7)
            }
            (Some(source), Law::Linear { per_count, at_zero }) => {
                AnalogChannel::new(source, at_zero, per_count, 0.7)
            }
            _ => {
                let counts = counts_for(&channel.law, plausible(channel, air), (0.0, 4095.0));
                AnalogChannel::new(AnalogSource::Constant(counts), 0.0, 1.0, 0.7)
            }
        };
    }
    analogs
}

/// What a temperature channel measures, by its part in the file: nothing else tells a cylinder head
/// from coolant, oil, a bearing or the air.
fn temperature_source(
    stand: &Stand,
    id: ChannelId,
    channel: &Channel,
    cold_junctions: &[usize],
) -> TemperatureSource {
    let expected_k_max = channel.expected_si.map_or(HOT_HEAD_K, |(_, high)| high);
    let is_air = matches!(stand.air.temperature_k, AirInput::Channel(air) if air == id)
        || cold_junctions.contains(&id.0)
        || expected_k_max < Engine::pit_bike(Setup::MainJet105).head.start_k;
    let guards = stand.guards.iter().filter(|guard| {
        guard.signal == Signal::Channel(id)
            && guard.rule.limit_of() == LimitOf::Signal
            && guard.rule.side() == Side::Above
    });
    let limits = guards.filter_map(|guard| guard.limit_si);
    let limit_k = limits.fold(expected_k_max, f64::min);
    let air_k = simulated_air(stand).temperature_k;
    if is_air {
        TemperatureSource::Air
    } else if matches!(channel.role, Some(Role::ExhaustTemperature(_)))
        || expected_k_max > EXHAUST_K
    {
        TemperatureSource::Exhaust
    } else if limit_k - BELOW_LIMIT_K < HOT_HEAD_K {
        TemperatureSource::Cooled {
            from_k: (limit_k - BELOW_LIMIT_K).max(air_k),
        }
    } else {
        TemperatureSource::Head
    }
}

fn temperatures(stand: &Stand) -> Vec<TemperatureChannel> {
    let number = |source: Source| match source {
        Source::Temperature(n) => Some(usize::from(n)),
        Source::Analog(_) | Source::Pulses(_) => None,
    };
    let broken = TemperatureChannel {
        source: TemperatureSource::Broken,
        law: TemperatureLaw::Linear {
            at_zero_k: 273.15,
            k_per_count: 0.25,
        },
        noise_counts_rms: 0.3,
        rate_hz: 10,
    };
    let mut temperatures = vec![broken; channels_needed(stand, number)];
    let cold_junctions: Vec<usize> = stand
        .channels
        .iter()
        .filter_map(|c| c.cold_junction)
        .map(|id| id.0)
        .collect();
    for (index, channel) in stand.channels.iter().enumerate() {
        let Some(slot) = number(channel.source).and_then(|n| temperatures.get_mut(n)) else {
            continue;
        };
        slot.source = temperature_source(stand, ChannelId(index), channel, &cold_junctions);
        slot.law = match channel.law {
            Law::ThermocoupleK { volt_per_count, .. } => {
                TemperatureLaw::ThermocoupleK { volt_per_count }
            }
            Law::Linear { per_count, at_zero } => TemperatureLaw::Linear {
                at_zero_k: at_zero,
                k_per_count: per_count,
            },
            // A curved law is followed by its chord between 20 and 150 degC.
            law => {
                let (cold_k, hot_k) = (293.15, 423.15);
                let range = (-40_000.0, 70_000.0);
                let (cold, hot) = (
                    counts_for(&law, cold_k, range),
                    counts_for(&law, hot_k, range),
                );
                let k_per_count = (hot_k - cold_k)
                    / if (hot - cold).abs() < 1.0 {
                        1.0
                    } else {
                        hot - cold
                    };
                TemperatureLaw::Linear {
                    at_zero_k: cold_k - cold * k_per_count,
                    k_per_count,
                }
            }
        };
    }
    temperatures
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rehearsal::DEMO_STAND;

    fn stand(text: &str) -> Stand {
        leverarm_config::parse("stand.toml", text).unwrap()
    }

    /// One engine in the demo, in rehearsals of its file, and of any other file with its size.
    #[test]
    fn the_engine_is_that_of_the_demo_where_the_size_is() {
        let demo = Engine::pit_bike(Setup::MainJet105);
        for text in [
            DEMO_STAND,
            include_str!("../../../config/stand.example.toml"),
            include_str!("../../../config/brake.example.toml"),
        ] {
            let engine = model_of(&stand(text)).engine;
            let (found, wanted) = (engine.full_throttle.peak(), demo.full_throttle.peak());
            assert!(
                (found.torque_nm / wanted.torque_nm - 1.0).abs() < 1e-9,
                "{found:?}"
            );
        }
        let twin = DEMO_STAND.replace("\"140 cc\"", "\"280 cc\"");
        let larger = stand(&twin.replace("\"57 mm\"", "\"80.6 mm\""));
        let torque = engine_of(&larger, Setup::MainJet105).full_throttle.peak();
        assert!((torque.torque_nm / demo.full_throttle.peak().torque_nm - 2.0).abs() < 1e-9);
    }

    /// J ω / M for a loss that does not change with speed.
    #[test]
    fn a_drum_runs_out_as_long_as_its_losses_take() {
        let text = DEMO_STAND
            .replace("linear = \"0.004 N*m/(rad/s)\"\n", "")
            .replace("quadratic = \"2e-5 N*m/(rad/s)^2\"\n", "");
        let stand = stand(&text);
        let speed = drum_at_the_end(&stand) - CRAWLING_RAD_PER_S;
        let expected = 1.2 * speed / 0.6;
        assert!((run_out_s(&stand) / expected - 1.0).abs() < 1e-9);
    }

    /// What a guard watches stays below its limit; air stays air, and exhaust is hot.
    #[test]
    fn temperatures_are_what_the_file_makes_of_them() {
        let brake = stand(include_str!("../../../config/brake.example.toml"));
        let source = temperatures(&brake)[0].source;
        assert_eq!(source, TemperatureSource::Cooled { from_k: 353.15 });
        let drum = stand(include_str!("../../../config/stand.example.toml"));
        let sources: Vec<TemperatureSource> = temperatures(&drum)
            .iter()
            .map(|channel| channel.source)
            .collect();
        assert_eq!(
            sources,
            [
                TemperatureSource::Air,
                TemperatureSource::Head,
                TemperatureSource::Exhaust
            ]
        );
    }
}
