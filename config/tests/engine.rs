//! The engine's description, the channels that tell of it, and their guards.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod cases;

use leverarm_config::{EXAMPLE_STAND, Quantity, Source, Stand, WhenLost, parse};
use leverarm_torque::engine::{FlowElement, Role, Taps};
use leverarm_torque::sensor::Law;

use cases::cases;

const EVERY_KEY: &str = include_str!("every_key.toml");

#[track_caller]
fn stand(text: &str) -> Stand {
    parse("stand.toml", text).unwrap_or_else(|errors| panic!("{errors}"))
}

/// One mistake, at this key, with these words in it.
#[track_caller]
fn one_mistake(old: &str, new: &str, key: &str, said: &str) {
    assert_eq!(EVERY_KEY.matches(old).count(), 1, "{old}");
    let errors = parse("stand.toml", &EVERY_KEY.replace(old, new)).unwrap_err();
    assert_eq!(errors.mistakes.len(), 1, "{errors}");
    assert!(errors.mistakes[0].key.ends_with(key), "{errors}");
    assert!(errors.to_string().contains(said), "{errors}");
}

#[test]
fn an_engine_with_its_fuel() {
    let engine = stand(EVERY_KEY).engine;
    assert!((engine.bore_m.unwrap() - 0.056_007).abs() < 1e-6);
    assert_eq!(engine.compression_ratio, Some(9.5));
    assert_eq!(engine.fuel.stoichiometric_ratio.value, 9.76);
    assert!((engine.fuel.heating_value_j_per_kg.value - 29.2e6).abs() < 1.0);
    let device = engine.device.unwrap();
    // 60 ft³/min and 1.5 inHg by NIST SP 811.
    assert!((device.flow_m3_per_s.value - 60.0 * 4.719_474e-4).abs() < 1e-8);
    assert!((device.depression_pa - 1.5 * 3_386.389).abs() < 0.01);
    // Nothing said: petrol, one cylinder, displacement as stated.
    let plain = stand(EXAMPLE_STAND).engine;
    assert_eq!((plain.cylinders, plain.device), (1, None));
    assert_eq!(plain.fuel.stoichiometric_ratio.value, 14.7);
}

#[test]
fn displacement_comes_of_bore_and_stroke() {
    let text = EVERY_KEY.replace("displacement = \"8.54 in^3\"\n", "");
    let found = stand(&text).engine.displacement_m3.unwrap();
    let inch: f64 = 0.0254;
    let by_hand = std::f64::consts::PI / 4.0 * 2.205 * 2.205 * 2.236 * inch.powi(3);
    assert!((found - by_hand).abs() < 1e-12);
    one_mistake(
        "\"8.54 in^3\"",
        "\"9.0 in^3\"",
        "displacement",
        "within 3 %",
    );
}

#[test]
fn channels_tell_of_the_engine() {
    let stand = stand(EVERY_KEY);
    let channel = |name: &str| stand.channel_named(name).unwrap().1;
    let fuel = channel("fuel meter");
    assert_eq!(
        (fuel.role, fuel.source),
        (Some(Role::FuelFlow), Source::Pulses(2))
    );
    assert_eq!(fuel.quantity, Quantity::VolumeFlow);
    // 0.02 mL every 25 ms are 0.8 mL/s; counts are tenths of a microsecond.
    let flow = fuel.law.si(250_000.0, None).unwrap();
    assert!((flow - 0.8e-6).abs() < 1e-15);
    let meter = channel("orifice").meter.unwrap();
    assert_eq!(meter.element, FlowElement::Orifice(Taps::DAndHalfD));
    assert!((meter.bore_m - 0.03).abs() < 1e-9);
    assert!((meter.beta() - 30.0 / 52.0).abs() < 1e-9);
    assert_eq!(meter.discharge, Some(0.61));
    assert!((channel("orifice").settling_m3.unwrap() - 0.06).abs() < 1e-12);
    let thermal = channel("thermal meter");
    assert!(matches!(thermal.law, Law::Thermal { .. }));
    // 3.4 V is the known flow of 60 kg/h.
    let flow = thermal.law.si(3.4 / 1.25e-3, None).unwrap();
    assert!((flow * 3600.0 - 60.0).abs() < 1e-9);
    let lambda = channel("lambda");
    assert_eq!((lambda.delay.fixed_s, lambda.delay.pipe_m3), (0.08, 0.4e-3));
    assert_eq!(
        channel("exhaust gas").role,
        Some(Role::ExhaustTemperature(1))
    );
}

#[test]
fn guards_with_a_table_and_a_condition() {
    let stand = stand(EVERY_KEY);
    let guard = |name: &str| stand.guards.iter().find(|g| g.name == name).unwrap();
    assert!(guard("lean under load").while_pulling);
    let oil = guard("oil pressure low");
    let at = |rpm: f64| oil.limit_at(rpm * std::f64::consts::TAU / 60.0);
    assert_eq!(at(1999.0), None);
    assert!((at(4000.0).unwrap() - 1.65e5).abs() < 1e-6);
    assert_eq!(at(9000.0), Some(2.5e5));
    let text = stand.guard_text(oil);
    assert!(
        text.contains("800 hPa at 2000 rpm") || text.contains("at 2000 rpm"),
        "{text}"
    );
    let text = stand.guard_text(guard("lean under load"));
    assert_eq!(
        text,
        "cuts when \"lambda\" is above 1.05 during a pull, for 200 ms, and when it is lost"
    );
    assert_eq!(
        oil.strictest_limit(),
        Some(2.5e5),
        "the highest that a pressure may be below"
    );
    assert_eq!(guard("lean under load").strictest_limit(), None);
}

#[test]
fn a_guard_that_cuts_says_what_it_does_when_it_is_blind() {
    let parsed = stand(EVERY_KEY);
    let when = |name: &str| {
        let guard = parsed.guards.iter().find(|g| g.name == name).unwrap();
        guard.when_lost.clone()
    };
    assert_eq!(when("over-temperature (head)"), WhenLost::Cut);
    assert_eq!(when("oil pressure low"), WhenLost::Cut);
    let why = "the absorber has a load-loss trip of its own".to_owned();
    assert_eq!(when("above (load cell)"), WhenLost::Warn(why));
    for nothing in [
        "too fast",
        "sensor lost (engine speed)",
        "stale data (board)",
        "below (barometer)",
    ] {
        assert_eq!(when(nothing), WhenLost::Nothing, "{nothing}");
    }
    let cautions = parsed.summary().cautions;
    assert!(
        cautions
            .iter()
            .any(|it| it.key == "guard.when_lost" && it.text.contains("load-loss trip")),
        "{cautions:?}"
    );
    for (value, rule) in [
        (
            "warn",
            "a guard that can't see and only warns needs a reason",
        ),
        (
            "warn: ok",
            "a guard that can't see and only warns needs a reason",
        ),
        ("ignore", "this is not what a guard can do"),
    ] {
        one_mistake(
            "when_lost = \"warn: the absorber has a load-loss trip of its own\"",
            &format!("when_lost = \"{value}\""),
            "guard[5].when_lost",
            rule,
        );
    }
    one_mistake(
        "limit = \"900 rpm\"",
        "when_lost = \"cut\"\nlimit = \"900 rpm\"",
        "guard[1].when_lost",
        "only a guard that cuts at a limit of a channel",
    );
}

#[test]
fn one_mistake_gives_one_message() {
    for [old, new, key, said] in cases(include_str!("mistakes/engine.txt")) {
        one_mistake(&old, &new, &key, &said);
    }
}

#[test]
fn an_orifice_measures_air() {
    one_mistake(
        "discharge_coefficient = 0.61\nmeasures = \"air flow\"\n",
        "discharge_coefficient = 0.61\n",
        "measures",
        "that is what this law is for",
    );
}

/// One and two cylinders breathe in gulps: a meter that is not straight needs a vessel of 250 times a
/// cylinder's displacement (common practice, no source) before it shows the mean.
#[test]
fn pulsating_air_asks_for_a_vessel() {
    let told = |text: &str| -> Vec<String> {
        let stand = stand(text);
        let cautions = stand.summary().cautions.into_iter();
        let about = cautions.filter(|caution| caution.key == "channel.settling_volume");
        about.map(|caution| caution.text).collect()
    };
    let channel = |law: &str| {
        format!("\n[[channel]]\nname = \"air meter\"\n{law}\nmeasures = \"air flow\"\n")
    };
    let orifice = channel(
        "source = \"analog 11\"\nlaw = \"orifice\"\nper_count = \"2 Pa/count\"\nbore = \"30 mm\"",
    );
    let nozzle = orifice.replace("orifice", "nozzle");
    let thermal = channel(
        "source = \"analog 11\"\nlaw = \"thermal meter\"\nper_count = \"1 mV/count\"\n\
         at_rest = \"1 V\"\nknown_flow = \"45 kg/h\"\nat_known_flow = \"4 V\"",
    );
    let pulses = channel("source = \"pulses 9\"\nlaw = \"pulses\"\nper_pulse = \"0.05 L\"");
    let of = |channel: &str, settling: &str, engine: &str| {
        let displacement = EXAMPLE_STAND
            .lines()
            .find(|line| line.starts_with("displacement"));
        let text = EXAMPLE_STAND.replace(displacement.unwrap(), engine);
        format!("{text}{channel}{settling}")
    };
    // 250 × 140 cc = 35 L; half of that for each of two cylinders.
    let single = "displacement = \"140 cc\"";
    let twin = "displacement = \"140 cc\"\ncylinders = 2";
    for meter in [&orifice, &nozzle, &thermal] {
        let [text] = told(&of(meter, "", single)).try_into().unwrap();
        assert!(
            text.contains("\"air meter\"") && text.contains("35 L or more"),
            "{text}"
        );
        let [text] = told(&of(meter, "", twin)).try_into().unwrap();
        assert!(text.contains("18 L or more"), "{text}");
        let small = told(&of(meter, "settling_volume = \"30 L\"\n", single));
        assert!(small[0].ends_with("30 L are little"), "{small:?}");
        assert!(told(&of(meter, "settling_volume = \"35 L\"\n", single)).is_empty());
        assert!(told(&of(meter, "settling_volume = \"18 L\"\n", twin)).is_empty());
        let three = twin.replace("= 2", "= 3");
        assert!(told(&of(meter, "", &three)).is_empty());
        let unknown = told(&of(meter, "", ""));
        assert!(unknown[0].contains("some hundred times"), "{unknown:?}");
        assert!(told(&of(meter, "settling_volume = \"1 L\"\n", "")).is_empty());
    }
    assert!(told(&of(&pulses, "", single)).is_empty());
}
